//! Configurations that benches were used with: the texts by their fingerprints, and the trail's rows that name them.

use sqlx::any::AnyRow;
use sqlx::{Executor, Row};

use crate::clock;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;

/// A change of configuration: found by a daemon, or, with a reason, announced by a person.
pub const CHANGED: &str = "configuration";

/// An announced change, found in use by a daemon.
pub const IN_USE: &str = "in-use";

/// What stands before a bench's name where a trail row names its configuration.
const OBJECT: &str = "configuration of ";

/// Hexadecimal digits of a fingerprint.
const DIGITS: usize = 64;

/// A row of the trail that names a configuration.
pub struct Naming {
    pub n: i64,
    pub bench: String,
    pub who: String,
    /// A reason stands only in what a person announced.
    pub announced: bool,
    pub fingerprint: String,
}

/// A bench as trail rows name it.
#[must_use]
pub fn object(bench: &str) -> String {
    format!("{OBJECT}{bench}")
}

fn naming(row: &AnyRow) -> Result<Naming, sqlx::Error> {
    let (object, became): (String, Option<String>) =
        (row.try_get("object")?, row.try_get("became")?);
    Ok(Naming {
        n: row.try_get("n")?,
        bench: object.strip_prefix(OBJECT).unwrap_or(&object).to_owned(),
        who: row.try_get("who")?,
        announced: row.try_get::<Option<String>, _>("reason")?.is_some(),
        fingerprint: became.unwrap_or_default().chars().take(DIGITS).collect(),
    })
}

/// What the trail says of one bench's configuration, the newest first.
pub(crate) async fn of_bench(write: &mut Write, bench: &str) -> Result<Vec<Naming>, StoreError> {
    let query = sqlx::query(
        "SELECT n, object, who, reason, became FROM trail \
         WHERE object = $1 AND verb IN ($2, $3) ORDER BY n DESC",
    )
    .bind(object(bench))
    .bind(CHANGED)
    .bind(IN_USE);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter().map(naming).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

/// Keeps a text, once for each fingerprint.
pub(crate) async fn keep(
    write: &mut Write,
    fingerprint: &str,
    body: &str,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO configuration (fingerprint, body, first_at) VALUES ($1, $2, $3) \
         ON CONFLICT (fingerprint) DO NOTHING",
    )
    .bind(fingerprint.to_owned())
    .bind(body.to_owned())
    .bind(clock::now_us());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// The text of a fingerprint.
pub(crate) async fn body(
    write: &mut Write,
    fingerprint: &str,
) -> Result<Option<String>, StoreError> {
    let query = sqlx::query("SELECT body FROM configuration WHERE fingerprint = $1")
        .bind(fingerprint.to_owned());
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    row.map(|row| row.try_get(0)).transpose().map_err(|e| write.wrong(&e))
}

impl Ledger {
    /// Fingerprints and when each was first noted, oldest first.
    pub(crate) async fn configurations_first(&self) -> Result<Vec<(String, i64)>, StoreError> {
        let sql = "SELECT fingerprint, first_at FROM configuration ORDER BY first_at, fingerprint";
        self.configurations_read(sql, |row| Ok((row.try_get(0)?, row.try_get(1)?))).await
    }

    /// Fingerprints and their texts.
    pub(crate) async fn configurations_kept(&self) -> Result<Vec<(String, String)>, StoreError> {
        let sql = "SELECT fingerprint, body FROM configuration ORDER BY fingerprint";
        self.configurations_read(sql, |row| Ok((row.try_get(0)?, row.try_get(1)?))).await
    }

    async fn configurations_read<T>(
        &self,
        sql: &'static str,
        read: impl Fn(&AnyRow) -> Result<T, sqlx::Error>,
    ) -> Result<Vec<T>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = conn.fetch_all(sql).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))
    }

    /// Every row of the trail that names a configuration, in order.
    pub(crate) async fn configurations_named(&self) -> Result<Vec<Naming>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(
            "SELECT n, object, who, reason, became FROM trail \
             WHERE verb IN ($1, $2) AND became IS NOT NULL",
        )
        .bind(CHANGED)
        .bind(IN_USE);
        let rows = conn.fetch_all(query).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let named: Result<Vec<Naming>, _> = rows.iter().map(naming).collect();
        let mut named = named.map_err(|e| self.wrong(&e))?;
        named.sort_unstable_by_key(|naming| naming.n);
        Ok(named)
    }
}
