//! The ledger: reports, holds, messages, numbers and acts, each step one transaction.

use std::time::Duration;

use sqlx::Row;

use super::db::{Db, Write};
use super::era::Era;
use super::schema::version_of;
use super::{StoreError, moving};
use crate::address::Address;
use crate::clock;

pub(crate) const MIGRATIONS: &[&str] = &[
    include_str!("schema/schema.sql"),
    include_str!("schema/schema_2.sql"),
    include_str!("schema/schema_3.sql"),
    include_str!("schema/schema_4.sql"),
    include_str!("schema/schema_5.sql"),
    include_str!("schema/schema_6.sql"),
    include_str!("schema/schema_7.sql"),
    include_str!("schema/schema_8.sql"),
    include_str!("schema/schema_9.sql"),
    include_str!("schema/schema_10.sql"),
    include_str!("schema/schema_11.sql"),
    include_str!("schema/schema_12.sql"),
    include_str!("schema/schema_13.sql"),
    include_str!("schema/schema_14.sql"),
    include_str!("schema/schema_15.sql"),
    include_str!("schema/schema_16.sql"),
    include_str!("schema/schema_17.sql"),
    include_str!("schema/schema_18.sql"),
    include_str!("schema/schema_19.sql"),
    include_str!("schema/schema_20.sql"),
    include_str!("schema/schema_21.sql"),
    include_str!("schema/schema_22.sql"),
    include_str!("schema/schema_23.sql"),
    include_str!("schema/schema_24.sql"),
    include_str!("schema/schema_25.sql"),
    include_str!("schema/schema_26.sql"),
];

/// How long a ledger on a server may take to answer.
const DEADLINE: Duration = Duration::from_secs(20);

/// The ledger, opened.
#[derive(Clone, Debug)]
pub struct Ledger {
    pub(crate) db: Db,
    /// The same ledger over a connection of its own: a lease must not wait behind other writes.
    pub(super) beats: Db,
    /// Characters made with the ledger, by which it is told from another.
    pub epoch: String,
}

impl Ledger {
    /// Makes the ledger where there is none, brings it up to date, and opens it.
    pub async fn open(address: Address) -> Result<Self, StoreError> {
        let ledger = Self::open_moved(address).await?;
        ledger.label_read().await?;
        Ok(ledger)
    }

    /// Opens it for questions alone: nothing is made or migrated.
    pub async fn look(address: Address) -> Result<Self, StoreError> {
        Self::as_it_is(Db::look(address, MIGRATIONS.len()).await?).await
    }

    /// Opens it for a person's act: rows are written, and nothing is made or migrated.
    pub async fn existing(address: Address) -> Result<Self, StoreError> {
        Self::as_it_is(Db::existing(address, MIGRATIONS.len()).await?).await
    }

    async fn as_it_is(db: Db) -> Result<Self, StoreError> {
        let beats = db.apart();
        let mut ledger = Self { db, beats, epoch: String::new() };
        match ledger.label_read().await {
            Ok(epoch) => ledger.epoch = epoch,
            Err(error) => {
                ledger.close().await?;
                return Err(error);
            }
        }
        Ok(ledger)
    }

    /// The epoch, where the ledger is not one that was moved away.
    async fn label_read(&self) -> Result<String, StoreError> {
        let mut conn = self.db.read().await?;
        let row =
            sqlx::query("SELECT epoch, moved_to FROM ledger_label").fetch_optional(&mut conn).await;
        let row = row.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let row = row.ok_or_else(|| StoreError::being_made(self.label()))?;
        let read = row.try_get(0).and_then(|epoch| Ok((epoch, row.try_get(1)?)));
        let (epoch, moved): (String, Option<String>) = read.map_err(|e| self.wrong(&e))?;
        match moved {
            None => Ok(epoch),
            Some(to) => {
                let why = format!("it was moved to {to}: name that one in the configuration");
                Err(StoreError::Unsafe { what: self.label(), why })
            }
        }
    }

    /// Opens it even if it was moved, to finish that.
    pub async fn open_moved(address: Address) -> Result<Self, StoreError> {
        let db = Db::open(address, MIGRATIONS).await?;
        let mut write = db.write().await?;
        let made = Era::draw()?.name();
        sqlx::query(
            "INSERT INTO ledger_label (epoch, made_at) SELECT $1, $2 \
             WHERE NOT EXISTS (SELECT 1 FROM ledger_label)",
        )
        .bind(made)
        .bind(clock::now_us())
        .execute(write.conn())
        .await
        .map_err(|e| write.wrong(&e))?;
        for name in ["report", "message", "trail", "notice", "order", "care"] {
            sqlx::query(
                "INSERT INTO counter (name, value) VALUES ($1, 0) ON CONFLICT (name) DO NOTHING",
            )
            .bind(name)
            .execute(write.conn())
            .await
            .map_err(|e| write.wrong(&e))?;
        }
        super::trail::seal_old(&mut write).await?;
        let epoch = write.one("SELECT epoch FROM ledger_label", |row| row.try_get(0)).await?;
        write.commit().await?;
        let beats = db.apart();
        Ok(Self { db, beats, epoch })
    }

    /// True where other daemons may work on the same ledger.
    #[must_use]
    pub fn is_shared(&self) -> bool {
        self.db.is_shared()
    }

    /// Waits no longer than 20 s for a server that may never answer: what was asked may then
    /// have been done or not.
    pub async fn within<T>(
        &self,
        work: impl Future<Output = Result<T, StoreError>>,
    ) -> Result<T, StoreError> {
        if !self.is_shared() {
            return work.await;
        }
        tokio::time::timeout(DEADLINE, work).await.unwrap_or_else(|_| {
            let why = format!("no answer in {} s", DEADLINE.as_secs());
            Err(StoreError::Busy { what: self.label(), why })
        })
    }

    /// The tables that this program may not write any more. None: it may write all.
    pub async fn denied(&self) -> Result<Option<String>, StoreError> {
        if !self.is_shared() {
            return Ok(None);
        }
        let names = moving::names().chain(["lease", "daemon_state"]).collect::<Vec<_>>().join(",");
        let mut conn = self.db.read().await?;
        // Rows of the trail are added and never changed.
        let row = sqlx::query(
            "SELECT coalesce(string_agg(c.relname, ', ' ORDER BY c.relname), '') FROM pg_class c \
             JOIN pg_namespace s ON s.oid = c.relnamespace WHERE c.relkind = 'r' \
             AND s.nspname = ANY (current_schemas(false)) \
             AND strpos(',' || CAST($1 AS TEXT) || ',', ',' || c.relname || ',') > 0 \
             AND NOT (has_table_privilege(c.oid, 'SELECT') AND has_table_privilege(c.oid, 'INSERT') \
             AND (c.relname = 'trail' OR has_table_privilege(c.oid, 'UPDATE')))",
        )
        .bind(names)
        .fetch_one(&mut conn)
        .await;
        let denied: String = row.and_then(|row| row.try_get(0)).map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(Some(denied).filter(|names| !names.is_empty()))
    }

    /// Closes it when nobody uses it any more: a ledger in a file is then whole in that file.
    pub async fn close(&self) -> Result<(), StoreError> {
        self.beats.close().await?;
        self.db.close().await
    }

    /// The version of the schema that this program knows.
    #[must_use]
    pub fn schema() -> i64 {
        version_of(MIGRATIONS.len())
    }

    /// The version of its schema that this program makes of it.
    #[must_use]
    pub fn schema_known(&self) -> i64 {
        self.db.schema_known()
    }

    /// Where it is, for people.
    #[must_use]
    pub fn label(&self) -> String {
        self.db.address().label()
    }

    pub(crate) fn wrong(&self, error: &sqlx::Error) -> StoreError {
        StoreError::from_sql("the ledger", error)
    }

    /// How far a line's tape was read at least: an entry, and an offset. A tape that is shorter lost
    /// what was read from it, and would give its places out again.
    pub async fn read_to(&self, tape: &str, analyzer: &str) -> Result<(i64, i64), StoreError> {
        let entry = self.position(tape, analyzer).await?;
        let mut conn = self.db.read().await?;
        let row = sqlx::query(
            "SELECT place_to FROM report WHERE tape = $1 AND analyzer = $2 \
             ORDER BY place_from DESC LIMIT 1",
        )
        .bind(tape)
        .bind(analyzer)
        .fetch_optional(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let offset = row.map_or(Ok(0), |r| r.try_get(0)).map_err(|e| self.wrong(&e))?;
        Ok((entry, offset))
    }

    /// Where reading of a line starts again: the last tape entry that nothing pending needs.
    pub async fn position(&self, tape: &str, analyzer: &str) -> Result<i64, StoreError> {
        let mut conn = self.db.read().await?;
        let row = sqlx::query("SELECT entry FROM position WHERE tape = $1 AND analyzer = $2")
            .bind(tape)
            .bind(analyzer)
            .fetch_optional(&mut conn)
            .await
            .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        row.map_or(Ok(0), |r| r.try_get(0)).map_err(|e| self.wrong(&e))
    }
}

/// Takes `count` numbers from a counter and returns the first. The row stays locked until the
/// transaction ends, so that the order of numbers is the order of commits.
pub(crate) async fn take(write: &mut Write, name: &str, count: usize) -> Result<i64, StoreError> {
    let count = i64::try_from(count).unwrap_or(i64::MAX);
    let row = sqlx::query("UPDATE counter SET value = value + $1 WHERE name = $2 RETURNING value")
        .bind(count)
        .bind(name)
        .fetch_one(write.conn())
        .await
        .map_err(|e| write.wrong(&e))?;
    let last: i64 = row.try_get(0).map_err(|e| write.wrong(&e))?;
    Ok(last - count + 1)
}
