//! The trail: who did what, when and why, what it was before and after; each row sealed over the one
//! before it, so that a row that was altered, taken out, put in or moved is found.

pub mod verify;
pub mod view;

use std::sync::OnceLock;

use nix::unistd::{Uid, User};
use sha2::{Digest, Sha256};
use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Executor, Row as _};

use crate::clock;
use crate::digest;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::ledger::take;
use crate::store::rows::storable;
use crate::texts::say;

/// The columns of a row, in the order in which they are sealed.
const COLUMNS: &str = "n, at, who, login, verb, object, reason, was, became, hash";

/// Rows read or sealed in one step.
const STEP: usize = 500;

/// Who does something, for the trail.
#[derive(Clone, Debug)]
pub struct Actor {
    /// The name given with `--as`.
    pub name: String,
    /// The login name of the process.
    pub login: String,
}

impl Actor {
    /// The program itself.
    #[must_use]
    pub fn daemon() -> Self {
        Self { name: "wickline".into(), login: login() }
    }

    /// A person at the command line. One who became another user to do it is recorded beside that user.
    #[must_use]
    pub fn person(name: Option<String>) -> Self {
        let (login, real) = (login(), real_person());
        let name = name.or_else(|| real.clone()).unwrap_or_else(|| login.clone());
        let login = real.map_or(login.clone(), |real| format!("{login}, for {real}"));
        Self { name, login }
    }
}

/// Who logged in, where that is not the user that this process runs as: the kernel's own record of it
/// (`loginuid` of proc_pid_loginuid(5)), else what sudo says.
fn real_person() -> Option<String> {
    let own = Uid::current();
    let noted = std::fs::read_to_string("/proc/self/loginuid").ok();
    let noted = noted.and_then(|text| text.trim().parse::<u32>().ok());
    if let Some(uid) = noted.filter(|uid| *uid != u32::MAX) {
        return (uid != own.as_raw()).then(|| name_of(Uid::from_raw(uid)));
    }
    let said = std::env::var("SUDO_USER").ok()?;
    let plain = |c: char| !c.is_whitespace() && !c.is_control();
    let fits = (1..=64).contains(&said.len()) && said.chars().all(plain);
    Some(said).filter(|said| fits && *said != login())
}

/// The name of the process's user, wherever this machine has it from. It is asked for once: a
/// directory on a server may take its time.
fn login() -> String {
    static LOGIN: OnceLock<String> = OnceLock::new();
    LOGIN.get_or_init(|| name_of(Uid::current())).clone()
}

fn name_of(uid: Uid) -> String {
    let user = User::from_uid(uid).ok().flatten();
    user.map_or_else(|| format!("uid {uid}"), |user| user.name)
}

/// One line of the trail before it is written.
#[derive(Clone, Debug, Default)]
pub struct Act {
    pub verb: &'static str,
    /// What it was done to: an id, never a value that identifies a patient.
    pub object: String,
    pub reason: Option<String>,
    pub was: Option<String>,
    pub became: Option<String>,
}

/// One row as it stands in the ledger.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize)]
pub struct Row {
    pub n: i64,
    /// Microseconds since 1970, UTC.
    pub at: i64,
    pub who: String,
    pub login: String,
    pub verb: String,
    pub object: String,
    pub reason: Option<String>,
    pub was: Option<String>,
    pub became: Option<String>,
    pub hash: Option<String>,
}

impl Row {
    pub(crate) fn read(row: &AnyRow) -> Result<Self, sqlx::Error> {
        Ok(Self {
            n: row.try_get("n")?,
            at: row.try_get("at")?,
            who: row.try_get("who")?,
            login: row.try_get("login")?,
            verb: row.try_get("verb")?,
            object: row.try_get("object")?,
            reason: row.try_get("reason")?,
            was: row.try_get("was")?,
            became: row.try_get("became")?,
            hash: row.try_get("hash")?,
        })
    }

    /// The seal of this row behind a row with the seal `previous`.
    #[must_use]
    pub fn seal(&self, previous: &str) -> String {
        let (n, at) = (self.n.to_string(), self.at.to_string());
        sum(&[
            Some(previous),
            Some(&n),
            Some(&at),
            Some(&self.who),
            Some(&self.login),
            Some(&self.verb),
            Some(&self.object),
            self.reason.as_deref(),
            self.was.as_deref(),
            self.became.as_deref(),
        ])
    }
}

/// SHA-256 over the fields, each as `LENGTH:TEXT` with its length in bytes, one that is not there as
/// `-`: no two rows read alike.
fn sum(fields: &[Option<&str>]) -> String {
    let mut sum = Sha256::new();
    for field in fields {
        match field {
            None => sum.update(b"-"),
            Some(text) => {
                sum.update(format!("{}:", text.len()));
                sum.update(text);
            }
        }
    }
    digest::hex(&sum.finalize())
}

/// The last row and its seal, from which everything before it follows. Row 0: the ledger's label.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Head {
    pub n: i64,
    pub hash: String,
}

impl Head {
    /// Where the chain of one ledger begins: another ledger's cannot be put in its place.
    pub(crate) fn start(epoch: &str, made_at: i64) -> Self {
        let hash = sum(&[Some("wickline trail"), Some(epoch), Some(&made_at.to_string())]);
        Self { n: 0, hash }
    }
}

impl Ledger {
    /// Notes an act that changes nothing else in the ledger.
    pub async fn note(&self, actor: &Actor, act: Act) -> Result<(), StoreError> {
        let mut write = self.db.write().await?;
        record(&mut write, actor, act).await?;
        write.commit().await
    }

    /// Begins what a person does. Acts are one at a time, on a server too: what one has read stays so
    /// until it ends.
    pub(crate) async fn act(&self) -> Result<Write, StoreError> {
        let mut write = self.db.write().await?;
        lock(&mut write).await?;
        Ok(write)
    }

    /// The last row of the trail and its seal: noted on paper, they prove later that nothing up to
    /// there was changed.
    pub async fn trail_head(&self) -> Result<Head, StoreError> {
        let mut conn = self.db.read().await?;
        let row = conn.fetch_one(LAST).await;
        let head = row.and_then(|row| head_of(&row)).map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(head)
    }
}

async fn lock(write: &mut Write) -> Result<(), StoreError> {
    write.run("UPDATE counter SET value = value WHERE name = 'trail'").await.map(drop)
}

/// The ledger's label, and the last row where there is one.
const LAST: &str = "SELECT l.epoch, l.made_at, t.n, t.hash FROM ledger_label l \
     LEFT JOIN trail t ON t.n = (SELECT max(n) FROM trail)";

fn head_of(row: &AnyRow) -> Result<Head, sqlx::Error> {
    let Some(n) = row.try_get::<Option<i64>, _>("n")? else {
        let epoch: String = row.try_get("epoch")?;
        return Ok(Head::start(&epoch, row.try_get("made_at")?));
    };
    // A row without a seal is what `trail verify` tells; acts go on behind it.
    Ok(Head { n, hash: row.try_get::<Option<String>, _>("hash")?.unwrap_or_default() })
}

/// Writes one line of the trail inside the transaction of the act itself. Its number is taken first,
/// which keeps every other act waiting: what is last now stays last until this one is committed.
pub(crate) async fn record(write: &mut Write, actor: &Actor, act: Act) -> Result<(), StoreError> {
    let n = take(write, "trail", 1).await?;
    let previous = write.one(LAST, |row| head_of(&row)).await?;
    // What is sealed is what is stored.
    let text = |text: Option<String>| text.as_deref().map(storable);
    let row = Row {
        n,
        at: clock::now_us(),
        who: storable(&actor.name),
        login: storable(&actor.login),
        verb: act.verb.to_owned(),
        object: storable(&act.object),
        reason: text(act.reason),
        was: text(act.was),
        became: text(act.became),
        hash: None,
    };
    let hash = row.seal(&previous.hash);
    let query = sqlx::query(
        "INSERT INTO trail (n, at, who, login, verb, object, reason, was, became, hash) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)",
    )
    .bind(row.n)
    .bind(row.at)
    .bind(row.who)
    .bind(row.login)
    .bind(row.verb)
    .bind(row.object)
    .bind(row.reason)
    .bind(row.was)
    .bind(row.became)
    .bind(hash);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Seals, once in a ledger's life, the rows that were written before rows were sealed, and says so in
/// the trail: rows that lose their seals later are not sealed again in silence.
pub(crate) async fn seal_old(write: &mut Write) -> Result<(), StoreError> {
    if sealed(write).await? {
        return Ok(());
    }
    // Another daemon may be at it.
    lock(write).await?;
    if sealed(write).await? {
        return Ok(());
    }
    let label = write.one(LABEL, |row| Ok((row.try_get(0)?, row.try_get(1)?))).await;
    let (epoch, made_at): (String, i64) = label?;
    let mut head = Head::start(&epoch, made_at);
    loop {
        let rows = page(write, head.n).await?;
        let Some(last) = rows.last().map(|row| row.n) else { break };
        let mut seals = Vec::with_capacity(rows.len());
        for row in &rows {
            head.hash = row.seal(&head.hash);
            seals.push((row.n, head.hash.clone()));
        }
        head.n = last;
        put_seals(write, seals).await?;
    }
    let query = sqlx::query("INSERT INTO counter (name, value) VALUES ('sealed', $1)").bind(head.n);
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    if head.n == 0 {
        return Ok(());
    }
    let act = Act {
        verb: "seal",
        object: "trail".into(),
        reason: Some("written before rows were sealed".into()),
        became: Some(say!("kept.sealed", n = head.n).to_string()),
        ..Act::default()
    };
    record(write, &Actor::daemon(), act).await
}

const LABEL: &str = "SELECT epoch, made_at FROM ledger_label";

async fn sealed(write: &mut Write) -> Result<bool, StoreError> {
    let sql = "SELECT count(*) FROM counter WHERE name = 'sealed'";
    Ok(write.one(sql, |row| row.try_get::<i64, _>(0)).await? > 0)
}

async fn page(write: &mut Write, after: i64) -> Result<Vec<Row>, StoreError> {
    let sql = format!("SELECT {COLUMNS} FROM trail WHERE n > $1 ORDER BY n LIMIT {STEP}");
    let query = sqlx::query(AssertSqlSafe(sql)).bind(after);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter().map(Row::read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

async fn put_seals(write: &mut Write, seals: Vec<(i64, String)>) -> Result<(), StoreError> {
    let sql = format!(
        "WITH made (n, hash) AS (VALUES {}) \
         UPDATE trail SET hash = made.hash FROM made WHERE trail.n = made.n",
        write.values(seals.len(), 2)
    );
    let mut query = sqlx::query(AssertSqlSafe(sql));
    for (n, hash) in seals {
        query = query.bind(n).bind(hash);
    }
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

#[cfg(test)]
mod tests {
    use super::{Head, Row, sum};

    /// Sums made elsewhere (`printf ... | sha256sum`), so that the way of sealing cannot change unseen.
    #[test]
    fn a_seal_is_what_anybody_can_compute() {
        let head = Head::start("K7Q2", 1_773_480_000_000_000);
        assert_eq!(head.hash, START);
        let row = Row {
            n: 1,
            at: 1_773_480_000_000_001,
            who: "J. Mästl".into(),
            login: "lab".into(),
            verb: "release".into(),
            object: "report 57".into(),
            reason: Some(String::new()),
            was: None,
            became: Some("waiting".into()),
            hash: None,
        };
        assert_eq!(row.seal(&head.hash), FIRST);
    }

    const START: &str = "ec8586e278d01c78409d0dd814a9bd5fba37de68c5831b5e4293adcf76d40d8c";
    const FIRST: &str = "34a52b971d2c1231093d2e3190f37a0d80ce59bb1dc9a05832374a644200810f";

    #[test]
    fn no_two_rows_read_alike() {
        assert_ne!(sum(&[Some("a"), Some("b")]), sum(&[Some("ab"), Some("")]));
        assert_ne!(sum(&[Some("a"), None]), sum(&[Some("a"), Some("")]));
        assert_ne!(sum(&[Some("a"), None]), sum(&[Some("a"), Some("-")]));
        assert_ne!(sum(&[Some("1:a")]), sum(&[Some("1"), Some("a")]));
    }
}
