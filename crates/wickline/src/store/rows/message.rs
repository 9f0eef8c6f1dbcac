//! Messages: what goes, went or did not go to a receiver, as acts read and change them.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Executor, Row};

use super::report::{Aside, one_row};
use super::{at, firsts};
use crate::clock;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::lists::names::Name;
use crate::store::state::{Arrow, MessageState, State};

/// What a message does to what its receiver was told before.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Amends {
    Corrects,
    Withdraws,
}

impl Amends {
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Amends::Corrects => "corrects",
            Amends::Withdraws => "withdraws",
        }
    }

    fn of(text: &str) -> Option<Self> {
        [Amends::Corrects, Amends::Withdraws].into_iter().find(|a| a.text() == text)
    }
}

/// A message that was just made.
#[derive(Clone, Debug)]
pub struct Made {
    pub n: i64,
    pub control_id: String,
    pub receiver: String,
    pub report: i64,
    pub body: Vec<u8>,
    /// The time that stands in it.
    pub made_at: i64,
    /// Somebody waits for it.
    pub urgent: bool,
}

/// A message as acts need it.
#[derive(Clone, Debug)]
pub struct MessageRow {
    pub n: i64,
    pub receiver: String,
    pub report: i64,
    pub control_id: String,
    pub body: Vec<u8>,
    pub made_at: i64,
    pub state: MessageState,
    /// A person keeps it back while it waits.
    pub kept_back: bool,
    /// It was tried, or may have been by a daemon that died before it could say so.
    pub tried: bool,
    /// OBR-3 and specimen that are not the report's own any more.
    pub retired: Option<(String, Option<String>)>,
    pub amends: Option<Amends>,
    pub why: Option<String>,
    pub aside: Option<Aside>,
    /// How a person told the receiver instead.
    pub told: Option<String>,
}

impl MessageRow {
    /// The name that people know it by.
    #[must_use]
    pub fn name(&self) -> Name {
        let (report, receiver) = (self.report, self.receiver.clone());
        Name { report, receiver, withdraws: self.withdraws() }
    }

    #[must_use]
    pub fn withdraws(&self) -> bool {
        self.amends == Some(Amends::Withdraws)
    }
}

/// A message of the past under an OBR-3, as far as it matters to what comes after it.
#[derive(Clone, Debug)]
pub struct Past {
    pub n: i64,
    pub report: i64,
    pub control_id: String,
    pub made_at: i64,
    pub state: MessageState,
    pub answered: bool,
    /// It was tried, or may have been by a daemon that died before it could say so.
    pub tried: bool,
    pub kept_back: bool,
    /// Whatever is known of it here, its receiver may have accepted it in a history that is lost.
    pub doubted: bool,
    pub amends: Option<Amends>,
    pub aside: Option<Aside>,
    pub body: Option<Vec<u8>>,
}

/// A message by its number. None: there is none.
pub async fn read(write: &mut Write, n: i64) -> Result<Option<MessageRow>, StoreError> {
    let query = sqlx::query(
        "SELECT receiver, report, control_id, body, made_at, state, attempts + maybe_sent AS tries, filler, \
         specimen, amends, why, kept_back, aside, told \
         FROM message JOIN message_body ON message_body.n = message.n WHERE message.n = $1",
    )
    .bind(n);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let Some(row) = row else { return Ok(None) };
    let words = words(n, &row)?;
    let read = || -> Result<MessageRow, sqlx::Error> {
        let specimen = row.try_get("specimen")?;
        Ok(MessageRow {
            n,
            receiver: row.try_get("receiver")?,
            report: row.try_get("report")?,
            control_id: row.try_get("control_id")?,
            body: row.try_get("body")?,
            made_at: row.try_get("made_at")?,
            state: words.state,
            kept_back: row.try_get::<i64, _>("kept_back")? != 0,
            tried: row.try_get::<i64, _>("tries")? != 0,
            retired: row.try_get::<Option<String>, _>("filler")?.map(|f| (f, specimen)),
            amends: words.amends,
            why: row.try_get("why")?,
            aside: words.aside,
            told: row.try_get("told")?,
        })
    };
    read().map(Some).map_err(|e| write.wrong(&e))
}

/// The columns of a message that hold one of a few words.
struct Words {
    state: MessageState,
    amends: Option<Amends>,
    aside: Option<Aside>,
}

fn words(n: i64, row: &AnyRow) -> Result<Words, StoreError> {
    let place = at("message", n);
    let text = |column: &'static str| -> Result<Option<String>, StoreError> {
        row.try_get(column).map_err(|_| place.wrong(column, "no text"))
    };
    let state = text("state")?.unwrap_or_default();
    Ok(Words {
        state: place.word("state", &state, MessageState::of)?,
        amends: text("amends")?.map(|t| place.word("amends", &t, Amends::of)).transpose()?,
        aside: text("aside")?.map(|t| place.word("aside", &t, Aside::of)).transpose()?,
    })
}

/// All that was made for one receiver under one OBR-3, in order.
pub async fn history(
    write: &mut Write,
    root: i64,
    filler: &str,
    receiver: &str,
) -> Result<Vec<Past>, StoreError> {
    looked_up(write.conn(), root, filler, receiver).await
}

/// The same for a question alone.
pub async fn looked_up(
    conn: &mut AnyConnection,
    root: i64,
    filler: &str,
    receiver: &str,
) -> Result<Vec<Past>, StoreError> {
    let query = sqlx::query(
        "SELECT m.n, m.report, m.control_id, m.made_at, m.state, m.attempts + m.maybe_sent AS tries, m.kept_back, \
         m.maybe_sent, m.amends, m.aside, b.body, CASE WHEN m.answer IS NULL THEN 0 ELSE 1 END AS answered \
         FROM message m JOIN report r ON r.n = m.report \
         LEFT JOIN message_body b ON b.n = m.n \
         WHERE m.report IN (SELECT n FROM report WHERE n = $1 OR corrects = $1) \
         AND m.receiver = $2 AND coalesce(m.filler, r.filler) = $3 ORDER BY m.n",
    )
    .bind(root)
    .bind(receiver.to_owned())
    .bind(filler.to_owned());
    let rows = conn.fetch_all(query).await.map_err(|e| wrong(&e))?;
    rows.iter().map(past).collect()
}

fn wrong(error: &sqlx::Error) -> StoreError {
    StoreError::from_sql("the ledger", error)
}

fn past(row: &AnyRow) -> Result<Past, StoreError> {
    let n: i64 = row.try_get("n").map_err(|e| wrong(&e))?;
    let words = words(n, row)?;
    let read = || -> Result<Past, sqlx::Error> {
        Ok(Past {
            n,
            report: row.try_get("report")?,
            control_id: row.try_get("control_id")?,
            made_at: row.try_get("made_at")?,
            state: words.state,
            tried: row.try_get::<i64, _>("tries")? != 0,
            answered: row.try_get::<i32, _>("answered")? != 0,
            kept_back: row.try_get::<i64, _>("kept_back")? != 0,
            doubted: row.try_get::<i64, _>("maybe_sent")? > 1,
            amends: words.amends,
            aside: words.aside,
            body: row.try_get("body")?,
        })
    };
    read().map_err(|e| wrong(&e))
}

/// The receivers with messages under an OBR-3.
pub async fn receivers(
    write: &mut Write,
    root: i64,
    filler: &str,
) -> Result<Vec<String>, StoreError> {
    let query = sqlx::query(
        "SELECT DISTINCT m.receiver FROM message m JOIN report r ON r.n = m.report \
         WHERE m.report IN (SELECT n FROM report WHERE n = $1 OR corrects = $1) \
         AND coalesce(m.filler, r.filler) = $2 ORDER BY m.receiver",
    )
    .bind(root)
    .bind(filler.to_owned());
    firsts(write, query).await
}

/// Whether all that was told under an OBR-3 was taken back: a withdrawal of it went out, waits or is to be
/// told by hand.
pub async fn withdrawn(write: &mut Write, root: i64, filler: &str) -> Result<bool, StoreError> {
    let query = sqlx::query(
        "SELECT count(*) FROM message m JOIN report r ON r.n = m.report \
         WHERE m.report IN (SELECT n FROM report WHERE n = $1 OR corrects = $1) \
         AND coalesce(m.filler, r.filler) = $2 AND m.amends = 'withdraws'",
    )
    .bind(root)
    .bind(filler.to_owned());
    let row = write.conn().fetch_one(query).await.map_err(|e| write.wrong(&e))?;
    row.try_get::<i64, _>(0).map(|many| many > 0).map_err(|e| write.wrong(&e))
}

/// Writes messages that wait, many rows in one statement.
pub async fn insert(write: &mut Write, made: &[Made]) -> Result<(), StoreError> {
    for group in made.chunks(1000) {
        let sql = format!(
            "INSERT INTO message (n, control_id, receiver, report, state, made_at, attempts, kept_back, urgent) \
             VALUES {}",
            write.values(group.len(), 9)
        );
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for one in group {
            query = query
                .bind(one.n)
                .bind(one.control_id.as_str())
                .bind(one.receiver.as_str())
                .bind(one.report)
                .bind(MessageState::Waiting.text())
                .bind(one.made_at)
                .bind(0_i64)
                .bind(0_i64)
                .bind(i64::from(one.urgent));
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        let sql =
            format!("INSERT INTO message_body (n, body) VALUES {}", write.values(group.len(), 2));
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for one in group {
            query = query.bind(one.n).bind(one.body.as_slice());
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// Notes of a message what it follows, so that it can be built again and is not sent unheeding.
pub async fn annotate(
    write: &mut Write,
    n: i64,
    amends: Option<Amends>,
    why: Option<&str>,
    built_on: &str,
) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE message SET amends = $1, why = $2, built_on = $3 WHERE n = $4")
        .bind(amends.map(Amends::text))
        .bind(why.map(str::to_owned))
        .bind(built_on.to_owned())
        .bind(n);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Sets one message aside, and says by which road.
pub async fn set_aside(
    write: &mut Write,
    n: i64,
    arrow: Arrow<MessageState>,
    aside: Aside,
    detail: Option<&str>,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE message SET state = $1, aside = $2, kept_back = 0, reason = NULL, detail = $3 \
         WHERE n = $4 AND state = $5",
    )
    .bind(arrow.to().text())
    .bind(aside.text())
    .bind(detail.map(str::to_owned))
    .bind(n)
    .bind(arrow.from().text());
    one_row(write, "a message", query).await
}

/// Sets one aside that nobody has tried to send. An error: somebody has, meanwhile.
pub async fn draw_back(write: &mut Write, n: i64, why: &str) -> Result<(), StoreError> {
    let arrow = MessageState::Waiting.to(MessageState::SetAside)?;
    let query = sqlx::query(
        "UPDATE message SET state = $1, aside = $2, kept_back = 0, reason = NULL, detail = $3 \
         WHERE n = $4 AND state = $5 AND attempts + maybe_sent = 0",
    )
    .bind(arrow.to().text())
    .bind(Aside::Withdrawn.text())
    .bind(why.to_owned())
    .bind(n)
    .bind(arrow.from().text());
    one_row(write, "a message", query).await
}

/// A person stated how the receiver was told of a withdrawal.
pub async fn told_by_hand(
    write: &mut Write,
    n: i64,
    arrow: Arrow<MessageState>,
    told: &str,
) -> Result<(), StoreError> {
    set_aside(write, n, arrow, Aside::Told, Some(told)).await?;
    let query = sqlx::query("UPDATE message SET told = $1 WHERE n = $2");
    let query = query.bind(told.to_owned()).bind(n);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// A receiver that is not configured any more cannot be told by a message: its row says so to people.
pub async fn cannot_go(
    write: &mut Write,
    n: i64,
    arrow: Arrow<MessageState>,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE message SET state = $1, reason = 'receiver-gone', settled_at = $2, detail = \
         'it was told the wrong result, and is not configured here any more: tell it by hand' \
         WHERE n = $3 AND state = $4",
    )
    .bind(arrow.to().text())
    .bind(clock::now_us())
    .bind(n)
    .bind(arrow.from().text());
    one_row(write, "a message", query).await
}

/// What waits says what is not so any more, and what is so cannot be said to its receiver: it waits for a person.
pub async fn unsayable(
    write: &mut Write,
    n: i64,
    arrow: Arrow<MessageState>,
    why: &str,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE message SET state = $1, reason = 'unsayable', settled_at = $2, detail = $3 WHERE n = $4 AND state = $5",
    )
    .bind(arrow.to().text())
    .bind(clock::now_us())
    .bind(why.to_owned())
    .bind(n)
    .bind(arrow.from().text());
    one_row(write, "a message", query).await
}

/// Keeps a message back while it waits, and says beside it who and why.
pub async fn keep_back(write: &mut Write, n: i64, why: &str) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE message SET kept_back = 1, detail = $1 WHERE n = $2 AND state = 'waiting' AND kept_back = 0",
    )
    .bind(why.to_owned())
    .bind(n);
    one_row(write, "a message", query).await
}

/// Puts a message into the queue as it is. What was tried stays known to have been.
pub async fn back_in_queue(
    write: &mut Write,
    n: i64,
    arrow: Arrow<MessageState>,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE message SET attempts = CASE WHEN state = 'waiting' AND attempts > 0 THEN 1 ELSE 0 END, \
         state = $1, kept_back = 0, aside = NULL, reason = NULL, detail = NULL, next_attempt_at = NULL, \
         answer = NULL, settled_at = NULL WHERE n = $2 AND state = $3",
    )
    .bind(arrow.to().text())
    .bind(n)
    .bind(arrow.from().text());
    one_row(write, "a message", query).await
}

/// Notes of every message under a report's OBR-3 what that and its specimen were: the report goes on
/// without.
pub async fn retire_all(
    write: &mut Write,
    root: i64,
    filler: &str,
    specimen: Option<&str>,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE message SET filler = $1, specimen = $2 WHERE filler IS NULL AND report IN \
         (SELECT n FROM report WHERE (n = $3 OR corrects = $3) AND filler = $1)",
    )
    .bind(filler.to_owned())
    .bind(specimen.map(str::to_owned))
    .bind(root);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// The same of one message.
pub async fn retire(
    write: &mut Write,
    n: i64,
    filler: &str,
    specimen: Option<&str>,
) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE message SET filler = $1, specimen = $2 WHERE n = $3")
        .bind(filler.to_owned())
        .bind(specimen.map(str::to_owned))
        .bind(n);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Every refused message, of one receiver or of all.
pub async fn refused(write: &mut Write, receiver: Option<&str>) -> Result<Vec<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT n FROM message WHERE state = 'refused' AND state <> 'accepted' \
         AND ($1 = '' OR receiver = $1)",
    )
    .bind(receiver.unwrap_or_default().to_owned());
    let mut ids: Vec<i64> = firsts(write, query).await?;
    // Asked for in their order SQLite would look at every message there ever was.
    ids.sort_unstable();
    Ok(ids)
}

/// Messages that went out, or may have, after they had been set aside for something else: what their
/// receivers know now has to be put right.
pub async fn owed(write: &mut Write) -> Result<Vec<i64>, StoreError> {
    firsts(write, sqlx::query("SELECT n FROM message WHERE owes = 1 ORDER BY n LIMIT 100")).await
}

/// What was owed for a message is done.
pub async fn paid(write: &mut Write, n: i64) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE message SET owes = 0 WHERE n = $1").bind(n);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// A message that was built on others under its OBR-3: which, and what that OBR-3 is.
pub struct Heeding {
    pub root: i64,
    pub filler: String,
    pub built_on: String,
}

/// What a waiting message was built on. None: on nothing, or it waits no more.
pub async fn heeding(write: &mut Write, n: i64) -> Result<Option<Heeding>, StoreError> {
    let query = sqlx::query(
        "SELECT m.built_on, coalesce(r.corrects, r.n) AS root, coalesce(m.filler, r.filler) AS filler \
         FROM message m JOIN report r ON r.n = m.report \
         WHERE m.n = $1 AND m.state = 'waiting' AND m.built_on IS NOT NULL",
    )
    .bind(n);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let Some(row) = row else { return Ok(None) };
    let read = || -> Result<Heeding, sqlx::Error> {
        let (built_on, root) = (row.try_get("built_on")?, row.try_get("root")?);
        Ok(Heeding { root, filler: row.try_get("filler")?, built_on })
    };
    read().map(Some).map_err(|e| write.wrong(&e))
}

/// A message was overtaken by another under its OBR-3: it waits for a person.
pub async fn overtaken(
    write: &mut Write,
    n: i64,
    arrow: Arrow<MessageState>,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE message SET state = $1, reason = 'overtaken', settled_at = $2, detail = \
         'another message under its OBR-3 went out while this one was made: `wickline queue retry ' \
         || report || '@' || receiver || '` builds it anew' \
         WHERE n = $3 AND state = $4",
    )
    .bind(arrow.to().text())
    .bind(clock::now_us())
    .bind(n)
    .bind(arrow.from().text());
    one_row(write, "a message", query).await
}

/// Whether anything of a report went out, or may have.
pub async fn sent(write: &mut Write, report: i64) -> Result<bool, StoreError> {
    let query = sqlx::query(
        "SELECT count(*) FROM message WHERE report = $1 \
         AND (state IN ('accepted', 'refused') OR attempts + maybe_sent > 0)",
    )
    .bind(report);
    let row = write.conn().fetch_one(query).await.map_err(|e| write.wrong(&e))?;
    row.try_get::<i64, _>(0).map(|many| many > 0).map_err(|e| write.wrong(&e))
}

/// A message that nobody has tried to send: it waits, or it could not be put into words.
pub struct Untried {
    pub n: i64,
    /// For that a person is asked.
    pub refused: bool,
    /// The report that speaks in it.
    pub report: i64,
    pub receiver: String,
    pub why: Option<String>,
}

/// The results that nobody has tried to send under a report's OBR-3, its corrections' among them. What a person keeps
/// back, and what takes something back, is not among them.
pub async fn untried(write: &mut Write, root: i64) -> Result<Vec<Untried>, StoreError> {
    let query = sqlx::query(
        "SELECT n, report, receiver, why, state FROM message WHERE attempts + maybe_sent = 0 \
         AND (state = 'waiting' OR (state = 'refused' AND reason = 'unsayable')) AND kept_back = 0 \
         AND filler IS NULL AND coalesce(amends, '') <> 'withdraws' \
         AND report IN (SELECT n FROM report WHERE n = $1 OR corrects = $1)",
    );
    let rows = write.conn().fetch_all(query.bind(root)).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &AnyRow| -> Result<Untried, sqlx::Error> {
        let (n, report, receiver) =
            (row.try_get("n")?, row.try_get("report")?, row.try_get("receiver")?);
        let refused = row.try_get::<String, _>("state")? == MessageState::Refused.text();
        Ok(Untried { n, refused, report, receiver, why: row.try_get("why")? })
    };
    let found: Result<Vec<_>, _> = rows.iter().map(read).collect();
    let mut found = found.map_err(|e| write.wrong(&e))?;
    found.sort_by_key(|one| one.n);
    Ok(found)
}

/// The messages of a report that wait.
pub async fn open_of(write: &mut Write, report: i64) -> Result<Vec<i64>, StoreError> {
    let query =
        sqlx::query("SELECT n FROM message WHERE report = $1 AND state = 'waiting' ORDER BY n");
    firsts(write, query.bind(report)).await
}

/// The last message of a report that takes back what a receiver was told, and that it has not accepted; one
/// that could not be put into words is among them. None: it has been told.
pub async fn outstanding(
    write: &mut Write,
    report: i64,
    receiver: &str,
) -> Result<Option<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT message.n FROM message JOIN message_body ON message_body.n = message.n \
         WHERE report = $1 AND receiver = $2 AND state IN ('waiting', 'refused') \
         AND (amends = 'withdraws' OR length(body) = 0) ORDER BY message.n DESC LIMIT 1",
    )
    .bind(report)
    .bind(receiver.to_owned());
    Ok(firsts::<_, Vec<_>>(write, query).await?.pop())
}

/// The messages of a report that a person keeps back or set aside, and that may go: under an OBR-3 that was
/// withdrawn only the withdrawal may.
pub async fn put_off(write: &mut Write, report: i64) -> Result<Vec<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT n FROM message WHERE report = $1 AND ((state = 'waiting' AND kept_back <> 0) \
         OR (state = 'set-aside' AND aside = 'person')) \
         AND (filler IS NULL OR amends = 'withdraws') ORDER BY n",
    );
    firsts(write, query.bind(report)).await
}

/// Where the message of a listed row stands; the names are those of its columns.
pub fn state_in(row: &AnyRow, n: &str, state: &str) -> Result<State, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let place = at("message", row.try_get::<i64, _>(n).map_err(wrong)?);
    let text: String = row.try_get(state).map_err(wrong)?;
    place.word("state", &text, MessageState::of).map(State::from)
}
