//! How schemas grow: by steps that are never changed, and never under a program that knows fewer of them.
//!
//! Whoever works on a ledger that several share holds a lock there as long as it is connected, all of them the
//! same one beside each other; who brings the schema up to date needs it alone. The lock lives and dies with the
//! connection, so that no clock has to say who is still there.

use std::collections::BTreeMap;

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Executor, Row};

use super::StoreError;
use super::db::{Db, Write};
use crate::digest;

/// Under this advisory lock (Postgres, "Explicit Locking") a server's schema is made: two may start at once.
const MAKES: &str = "SELECT pg_advisory_xact_lock(8420)";
/// The lock of those who work on a shared ledger.
const WORKS: &str = "SELECT pg_advisory_lock_shared(8421)";
/// It again, for the one who changes the schema under them.
const ALONE: &str = "SELECT CASE WHEN pg_try_advisory_xact_lock(8421) THEN 1 ELSE 0 END";
/// Who has it.
const WHO: &str = "SELECT coalesce(nullif(a.application_name, ''), 'somebody') || ' (' || \
     coalesce(host(a.client_addr), 'this machine') || ')' FROM pg_locks l \
     JOIN pg_stat_activity a ON a.pid = l.pid WHERE l.locktype = 'advisory' AND l.granted \
     AND l.database = (SELECT oid FROM pg_database WHERE datname = current_database()) \
     AND l.classid = 0 AND l.objid = 8421 AND l.pid <> pg_backend_pid() ORDER BY 1";

/// The version that so many steps make.
#[must_use]
pub fn version_of(steps: usize) -> i64 {
    i64::try_from(steps).unwrap_or(i64::MAX)
}

/// What a program on a server is called there.
fn own_name() -> String {
    let uname = rustix::system::uname();
    let node = uname.nodename().to_string_lossy().replace('\'', "");
    format!("wickline {} on {node}", env!("CARGO_PKG_VERSION"))
}

impl Db {
    /// An error: it has no schema, or another than this program's.
    pub(super) async fn fits(&self, conn: &mut AnyConnection) -> Result<(), StoreError> {
        let (what, known) = (self.address().label(), self.schema_known());
        match self.version(conn).await? {
            found if found.unwrap_or(0) == known => Ok(()),
            Some(found) if found > known => Err(StoreError::Newer { what, found, known }),
            Some(found) => Err(StoreError::Older { what, found, known }),
            None => Err(StoreError::Absent { what }),
        }
    }

    /// A connection to a server that is going to be worked through: nobody changes the schema while it is there,
    /// and nobody did since this program last looked.
    pub(super) async fn works_on(&self, conn: &mut AnyConnection) -> Result<(), StoreError> {
        let name = format!("SET application_name = '{}'", own_name());
        conn.execute(AssertSqlSafe(name)).await.map_err(|e| self.wrong(&e))?;
        conn.execute(WORKS).await.map_err(|e| self.wrong(&e))?;
        self.fits(conn).await
    }

    /// The version of its schema. None: it has none yet.
    async fn version(&self, conn: &mut AnyConnection) -> Result<Option<i64>, StoreError> {
        let made = if self.address().is_sqlite() {
            "SELECT count(*) FROM sqlite_schema WHERE name = 'schema_version'"
        } else {
            "SELECT count(*) FROM pg_tables WHERE tablename = 'schema_version' \
             AND schemaname = ANY (current_schemas(false))"
        };
        let row = conn.fetch_one(made).await;
        let made: i64 = row.and_then(|row| row.try_get(0)).map_err(|e| self.wrong(&e))?;
        if made == 0 {
            return Ok(None);
        }
        let row = conn.fetch_one("SELECT max(version) FROM schema_version").await;
        row.and_then(|row| row.try_get(0)).map_err(|e| self.wrong(&e))
    }

    /// Brings the schema up to the last of these steps.
    pub(super) async fn migrate(&self, migrations: &[&str]) -> Result<(), StoreError> {
        let mut write = self.write().await?;
        if !self.address().is_sqlite() {
            // Two daemons may start at once; SQLite's own lock already keeps them apart.
            write.run(MAKES).await?;
        }
        let found = self.version(write.conn()).await?;
        if found.is_none() {
            write
                .run("CREATE TABLE IF NOT EXISTS schema_version (version BIGINT NOT NULL)")
                .await?;
        }
        let (found, known) = (found.unwrap_or(0), self.schema_known());
        if found > known {
            return Err(StoreError::Newer { what: self.address().label(), found, known });
        }
        if 0 < found && found < known && self.is_shared() {
            self.nobody_works(&mut write, found).await?;
        }
        let (applied, new) = migrations.split_at(usize::try_from(found).unwrap_or(0));
        check_applied(&mut write, applied).await?;
        for (version, text) in (found + 1..).zip(new) {
            for statement in self.dialect_of(text).split(';').filter(|s| !s.trim().is_empty()) {
                write.run_built(statement.to_owned()).await?;
            }
            let query = sqlx::query("INSERT INTO schema_version (version) VALUES ($1)");
            let done = write.conn().execute(query.bind(version)).await;
            done.map_err(|e| write.wrong(&e))?;
            note_digest(&mut write, version, text).await?;
        }
        write.commit().await
    }

    /// An error names those who still work with the schema as it is: they know no other.
    async fn nobody_works(&self, write: &mut Write, found: i64) -> Result<(), StoreError> {
        let alone: i32 = write.one(ALONE, |row| row.try_get(0)).await?;
        if alone == 1 {
            return Ok(());
        }
        let rows = write.conn().fetch_all(WHO).await;
        let names: Result<Vec<String>, sqlx::Error> =
            rows.and_then(|rows| rows.iter().map(|row| row.try_get(0)).collect());
        let mut names = names.map_err(|e| write.wrong(&e))?;
        names.dedup();
        let why = format!(
            "its schema is {found} and must become {} for this program, but who knows only {found} still works \
             with it: {}. Stop or upgrade that first: nothing was changed",
            self.schema_known(),
            names.join(", ")
        );
        Err(StoreError::Busy { what: self.address().label(), why })
    }

    /// The two differences in the schema's text. A row's key is SQLite's own row number where it can
    /// be: one tree less to keep.
    fn dialect_of(&self, text: &str) -> String {
        if self.address().is_sqlite() {
            text.replace("ROWKEY", "INTEGER PRIMARY KEY")
        } else {
            text.replace("ROWKEY", "BIGINT PRIMARY KEY").replace("BLOB", "BYTEA")
        }
    }
}

/// A migration that was applied stays as it was: else two stores of one version would not be alike. A
/// store from before digests were kept has them noted now.
async fn check_applied(write: &mut Write, applied: &[&str]) -> Result<(), StoreError> {
    write
        .run(
            "CREATE TABLE IF NOT EXISTS schema_digest \
             (version BIGINT PRIMARY KEY, digest TEXT NOT NULL)",
        )
        .await?;
    let rows = write.conn().fetch_all("SELECT version, digest FROM schema_digest").await;
    let read = |row: &AnyRow| Ok((row.try_get(0)?, row.try_get(1)?));
    let noted: Result<BTreeMap<i64, String>, sqlx::Error> =
        rows.and_then(|rows| rows.iter().map(read).collect());
    let noted = noted.map_err(|e| write.wrong(&e))?;
    for (version, text) in (1..).zip(applied) {
        match noted.get(&version) {
            Some(digest) if *digest == digest::of(text) => {}
            None => note_digest(write, version, text).await?,
            Some(_) => {
                let why = format!(
                    "step {version} of its schema was made from another text than the one of this program. \
                     Nothing was changed: run the program that made it, or restore a backup of this one's"
                );
                return Err(StoreError::Unsafe { what: write.what.clone(), why });
            }
        }
    }
    Ok(())
}

async fn note_digest(write: &mut Write, version: i64, text: &str) -> Result<(), StoreError> {
    let query = sqlx::query("INSERT INTO schema_digest (version, digest) VALUES ($1, $2)")
        .bind(version)
        .bind(digest::of(text));
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
