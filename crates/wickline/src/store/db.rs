//! The one room that knows SQLite from Postgres: how to open, how a write begins. How schemas grow is in
//! `schema`.

use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;
use std::sync::{Arc, Once, OnceLock};
use std::time::Duration;

use rustix::fs::Access;
use rustix::io::Errno;
use sqlx::AnyConnection;
use sqlx::{AssertSqlSafe, Connection, Executor, Row};
use tokio::sync::{Mutex, OwnedMutexGuard};

use super::disk_room::folder_of;
use super::files::{Files, beside};
use super::schema::version_of;
use super::{StoreError, sound};
use crate::address::Address;

/// How long a server may take to let us in.
const CONNECT: Duration = Duration::from_secs(5);

/// A connection to either database.
pub type Conn = AnyConnection;

/// One database with one writing connection, opened when first needed and again after any failure.
#[derive(Clone, Debug)]
pub struct Db {
    address: Address,
    writer: Arc<Mutex<Option<Seat>>>,
    readers: Arc<Mutex<Vec<AnyConnection>>>,
    /// The file as it was opened first: every later connection is to the same one.
    file: Arc<OnceLock<Files>>,
    way: Way,
    /// The version of its schema that this program knows.
    known: i64,
}

/// What a database was opened for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Way {
    /// To make it, or to bring its schema up to date.
    Make,
    Write,
    /// For questions alone, beside a process that writes, or wrote and was killed: what stands beside the
    /// file is left as it is.
    Beside,
    /// For questions about a file without a log. To read it SQLite makes one, and takes it away again only
    /// over a connection that could write (sqlite.org/walformat.html, section 1.1).
    Alone,
}

/// The writing connection, and the files that it writes.
#[derive(Debug)]
struct Seat {
    conn: AnyConnection,
    files: Files,
}

/// SQLite files are created for their owner only: journals inherit the mode. One that is there is only
/// looked at: to open and close it would give up the locks that SQLite has on it in this process
/// (sqlite.org/howtocorrupt.html, section 2.2).
pub fn create_private(path: &Path) -> Result<(), StoreError> {
    let made = std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path);
    let usable = match made.and_then(|file| belongs_to_the_folder(&file, path)) {
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => {
            match std::fs::symlink_metadata(path) {
                Ok(found) if found.is_symlink() => Err(Errno::LOOP.into()),
                _ => rustix::fs::access(path, Access::WRITE_OK).map_err(Into::into),
            }
        }
        made => made,
    };
    usable.map_err(|e| StoreError::Open {
        what: path.display().to_string(),
        why: format!(
            "{e} (the folder must exist and the service user must be able to write in it)"
        ),
    })
}

/// What root makes in the folder of another belongs to that other, as SQLite does it with its journals: else
/// the service, which is not root, could not open its own store.
pub fn belongs_to_the_folder(file: &std::fs::File, path: &Path) -> std::io::Result<()> {
    use std::os::unix::fs::MetadataExt;
    if !rustix::process::geteuid().is_root() {
        return Ok(());
    }
    let found = std::fs::metadata(folder_of(path))?;
    std::os::unix::fs::fchown(file, Some(found.uid()), Some(found.gid()))
}

const PRAGMAS: &str = "PRAGMA journal_mode=WAL; PRAGMA synchronous=FULL; PRAGMA busy_timeout=5000; \
     PRAGMA secure_delete=ON; PRAGMA foreign_keys=ON; PRAGMA temp_store=MEMORY;";

/// A daemon that vanished in the middle of a write must not lock the others out for hours.
const SESSION: &str = "SET idle_in_transaction_session_timeout = '10s'; SET lock_timeout = '12s'; \
     SET tcp_keepalives_idle = 10; SET tcp_keepalives_interval = 5; SET tcp_keepalives_count = 3";

static DRIVERS: Once = Once::new();

impl Db {
    /// Makes the database where there is none (a file, or the tables on a server) and brings its schema up
    /// to date. For the daemon, and for commands that are named after it.
    pub async fn open(address: Address, migrations: &[&str]) -> Result<Self, StoreError> {
        DRIVERS.call_once(sqlx::any::install_default_drivers);
        let known = version_of(migrations.len());
        if let Address::Sqlite(path) = &address {
            create_private(path)?;
            sound::whole_log(path).await?;
        }
        let making = Self::at(address.clone(), Way::Make, known);
        making.migrate(migrations).await?;
        if address.is_sqlite() {
            return Ok(Self { way: Way::Write, ..making });
        }
        // Over connections that say to others that somebody works here.
        making.close().await?;
        Ok(Self::at(address, Way::Write, known))
    }

    /// Opens it for a person's act: nothing is made or migrated. Its schema must be the one that this
    /// program knows.
    pub async fn existing(address: Address, migrations: usize) -> Result<Self, StoreError> {
        Self::look(address.clone(), migrations).await?.close().await?;
        if let Address::Sqlite(path) = &address {
            sound::whole_log(path).await?;
        }
        Ok(Self::at(address, Way::Write, version_of(migrations)))
    }

    /// Opens it for questions alone: nothing is made or migrated, and what is asked through it cannot
    /// write. Its schema must be the one that this program knows.
    pub async fn look(address: Address, migrations: usize) -> Result<Self, StoreError> {
        DRIVERS.call_once(sqlx::any::install_default_drivers);
        let way = match &address {
            Address::Sqlite(path) if !path.try_exists().unwrap_or(true) => {
                return Err(StoreError::Absent { what: address.label() });
            }
            Address::Sqlite(path) if !beside(path, "-wal").exists() => Way::Alone,
            _ => Way::Beside,
        };
        let db = Self::at(address, way, version_of(migrations));
        let mut conn = db.read().await?;
        let fits = db.fits(&mut conn).await;
        db.give_back(conn).await;
        if let Err(error) = fits {
            db.close().await?;
            return Err(error);
        }
        Ok(db)
    }

    fn at(address: Address, way: Way, known: i64) -> Self {
        let (writer, readers, file) = (Arc::default(), Arc::default(), Arc::default());
        Self { address, writer, readers, file, way, known }
    }

    /// The version of its schema that this program makes of it.
    #[must_use]
    pub fn schema_known(&self) -> i64 {
        self.known
    }

    #[must_use]
    pub fn address(&self) -> &Address {
        &self.address
    }

    pub(super) fn wrong(&self, error: &sqlx::Error) -> StoreError {
        StoreError::from_sql(&self.address.label(), error)
    }

    fn writes(&self) -> bool {
        matches!(self.way, Way::Make | Way::Write)
    }

    /// The same database over connections of its own.
    #[must_use]
    pub fn apart(&self) -> Self {
        Self { writer: Arc::default(), readers: Arc::default(), ..self.clone() }
    }

    /// True where other processes may write at the same time.
    #[must_use]
    pub fn is_shared(&self) -> bool {
        self.address.is_shared()
    }

    /// A connection to write through.
    async fn take_seat(&self) -> Result<Seat, StoreError> {
        let conn = self.connect().await?;
        let files = match &self.address {
            Address::Sqlite(path) if self.writes() => Files::of_a_connection(path)?,
            _ => Files::default(),
        };
        Ok(Seat { conn, files })
    }

    /// A connection, to the same file as ever.
    async fn connect(&self) -> Result<AnyConnection, StoreError> {
        let Address::Sqlite(path) = &self.address else { return self.connect_anew().await };
        self.file.get().map_or(Ok(()), Files::still_there)?;
        let conn = self.connect_anew().await?;
        let found = Files::of_a_database(path)?;
        self.file.get_or_init(|| found).still_there()?;
        Ok(conn)
    }

    async fn connect_anew(&self) -> Result<AnyConnection, StoreError> {
        let mut last = None;
        let urls = self.address.urls();
        let unread = |why| StoreError::Open { what: self.address.label(), why };
        for mut url in urls.map_err(unread)? {
            if self.way == Way::Beside {
                url = url.replace("?mode=rw", "?mode=ro");
            }
            match tokio::time::timeout(CONNECT, self.connect_to(&url)).await {
                Ok(Ok(conn)) => return Ok(conn),
                Ok(Err(error)) => last = Some(error),
                Err(_) => {
                    let why = format!("no connection in {} s", CONNECT.as_secs());
                    last = Some(StoreError::Busy { what: self.address.label(), why });
                }
            }
        }
        let why = "it names no server".to_owned();
        Err(last.unwrap_or(StoreError::Open { what: self.address.label(), why }))
    }

    async fn connect_to(&self, url: &str) -> Result<AnyConnection, StoreError> {
        let what = self.address.label();
        let mut conn =
            AnyConnection::connect(url).await.map_err(|e| {
                match StoreError::from_sql(&what, &e) {
                    StoreError::Wrong { what, why } => StoreError::Open { what, why },
                    other => other,
                }
            })?;
        if !self.writes() {
            let only = if self.address.is_sqlite() {
                "PRAGMA query_only=ON; PRAGMA busy_timeout=5000;"
            } else {
                "SET default_transaction_read_only = on"
            };
            conn.execute(only).await.map_err(|e| self.wrong(&e))?;
            return Ok(conn);
        }
        if self.address.is_sqlite() {
            conn.execute(PRAGMAS).await.map_err(|e| self.wrong(&e))?;
            check_promises(&mut conn, &what).await?;
            // From here on its log and the log's index are open.
            conn.fetch_one("SELECT count(*) FROM sqlite_schema")
                .await
                .map_err(|e| self.wrong(&e))?;
            return Ok(conn);
        }
        conn.execute(SESSION).await.map_err(|e| self.wrong(&e))?;
        // A standby answers questions and takes nothing: the next server may be the one that does.
        let row = conn.fetch_one("SELECT CASE WHEN pg_is_in_recovery() THEN 1 ELSE 0 END").await;
        let standby: i32 = row.and_then(|row| row.try_get(0)).map_err(|e| self.wrong(&e))?;
        if standby == 1 {
            let why = "this server is a standby and takes no writes".into();
            return Err(StoreError::Busy { what, why });
        }
        if self.way == Way::Write {
            self.works_on(&mut conn).await?;
        }
        Ok(conn)
    }

    /// Begins a write. The transaction is ours alone until it is committed or dropped.
    pub async fn write(&self) -> Result<Write, StoreError> {
        self.begin("BEGIN IMMEDIATE").await
    }

    /// Begins to read several things of one moment. Nothing is written, and nobody waits for it.
    pub async fn moment(&self) -> Result<Write, StoreError> {
        self.begin("BEGIN").await
    }

    async fn begin(&self, sqlite: &'static str) -> Result<Write, StoreError> {
        let mut slot = self.writer.clone().lock_owned().await;
        let mut seat = match slot.take() {
            Some(seat) => seat,
            None => self.take_seat().await?,
        };
        // Spelt out, so that a transaction is never a savepoint inside a broken one and never
        // turns from reading to writing half way.
        let begin = if self.address.is_sqlite() { sqlite } else { "BEGIN" };
        seat.conn.execute(begin).await.map_err(|e| self.wrong(&e))?;
        Ok(self.write_on(slot, seat, true))
    }

    /// A connection of its own on which all that is asked is of one moment: close it afterwards. Nobody who
    /// writes waits for it.
    pub(super) async fn snapshot(&self) -> Result<Conn, StoreError> {
        let mut conn = self.connect().await?;
        let begin = if self.address.is_sqlite() {
            "BEGIN"
        } else {
            "BEGIN ISOLATION LEVEL REPEATABLE READ READ ONLY"
        };
        conn.execute(begin).await.map_err(|e| self.wrong(&e))?;
        Ok(conn)
    }

    /// A write of one statement, which is its own transaction: one trip to the database, not three.
    pub async fn write_alone(&self) -> Result<Write, StoreError> {
        let mut slot = self.writer.clone().lock_owned().await;
        let seat = match slot.take() {
            Some(seat) => seat,
            None => self.take_seat().await?,
        };
        Ok(self.write_on(slot, seat, false))
    }

    fn write_on(&self, slot: OwnedMutexGuard<Option<Seat>>, seat: Seat, begun: bool) -> Write {
        let sqlite = self.address.is_sqlite();
        Write { slot, seat: Some(seat), what: self.address.label(), sqlite, begun }
    }

    /// A connection for questions; give it back with [`Db::give_back`] when nothing went wrong.
    pub async fn read(&self) -> Result<Conn, StoreError> {
        let idle = self.readers.lock().await.pop();
        match idle {
            Some(conn) => Ok(conn),
            None => self.connect().await,
        }
    }

    /// Keeps a connection for the next question.
    pub async fn give_back(&self, conn: AnyConnection) {
        let mut idle = self.readers.lock().await;
        if idle.len() < 4 {
            idle.push(conn);
        }
    }

    /// An error: a file that it works on is no longer the one at its path. Whoever writes just now looks by itself.
    pub fn is_still_there(&self) -> Result<(), StoreError> {
        self.file.get().map_or(Ok(()), Files::still_there)?;
        let Ok(slot) = self.writer.try_lock() else { return Ok(()) };
        slot.as_ref().map_or(Ok(()), |seat| seat.files.still_there())
    }

    /// Closes every connection that is not in use; of a file's, the log is put into the file first, so
    /// that nothing stands beside it and a copy of it is whole.
    pub async fn close(&self) -> Result<(), StoreError> {
        for conn in std::mem::take(&mut *self.readers.lock().await) {
            conn.close().await.map_err(|e| self.wrong(&e))?;
        }
        let Some(mut seat) = self.writer.lock().await.take() else { return Ok(()) };
        if self.address.is_sqlite() && self.writes() {
            let done = seat.conn.fetch_one("PRAGMA wal_checkpoint(TRUNCATE)").await;
            done.map_err(|e| self.wrong(&e))?;
        }
        seat.conn.close().await.map_err(|e| self.wrong(&e))
    }
}

pub(super) async fn check_promises(conn: &mut AnyConnection, what: &str) -> Result<(), StoreError> {
    let fault = |why: String| StoreError::Unsafe { what: what.to_owned(), why };
    let wrong = |e: sqlx::Error| StoreError::from_sql(what, &e);
    let row = conn.fetch_one("PRAGMA journal_mode").await.map_err(wrong)?;
    let mode: String = row.try_get(0).map_err(wrong)?;
    let row = conn.fetch_one("PRAGMA synchronous").await.map_err(wrong)?;
    let sync: i64 = row.try_get(0).map_err(wrong)?;
    let row = conn.fetch_one("SELECT sqlite_version()").await.map_err(wrong)?;
    let version: String = row.try_get(0).map_err(wrong)?;
    if mode != "wal" || sync != 2 {
        return Err(fault(format!(
            "journal mode `{mode}`, synchronous {sync}; wal and 2 are needed"
        )));
    }
    let parts: Vec<u32> = version.split('.').filter_map(|p| p.parse().ok()).collect();
    if parts < vec![3, 51, 3] {
        return Err(fault(format!(
            "SQLite {version} can corrupt its log; 3.51.3 or later is needed"
        )));
    }
    Ok(())
}

/// A write transaction. Dropped without [`Write::commit`], the connection is closed and nothing stays.
pub struct Write {
    slot: OwnedMutexGuard<Option<Seat>>,
    seat: Option<Seat>,
    pub(super) what: String,
    sqlite: bool,
    /// False: the one statement commits by itself.
    begun: bool,
}

impl Write {
    /// The connection, for statements with parameters.
    pub fn conn(&mut self) -> &mut AnyConnection {
        let seat = self.seat.as_mut().expect("a write holds its connection until it is committed");
        &mut seat.conn
    }

    pub fn wrong(&self, error: &sqlx::Error) -> StoreError {
        StoreError::from_sql(&self.what, error)
    }

    /// The values list of an INSERT of so many rows.
    #[must_use]
    pub fn values(&self, rows: usize, columns: usize) -> String {
        rows_of(rows, columns, self.sqlite)
    }

    /// Runs one statement without parameters.
    pub async fn run(&mut self, statement: &'static str) -> Result<u64, StoreError> {
        let done = self.conn().execute(statement).await;
        done.map(|d| d.rows_affected()).map_err(|e| self.wrong(&e))
    }

    /// Begins a part of the work that may be refused: nothing of it stays then, and the rest goes on.
    pub async fn part(&mut self) -> Result<(), StoreError> {
        self.run("SAVEPOINT part").await.map(drop)
    }

    pub async fn part_done(&mut self) -> Result<(), StoreError> {
        self.run("RELEASE SAVEPOINT part").await.map(drop)
    }

    pub async fn part_undone(&mut self) -> Result<(), StoreError> {
        self.run("ROLLBACK TO SAVEPOINT part").await?;
        self.part_done().await
    }

    /// Runs a statement that this program put together from its own parts, never from data.
    pub(super) async fn run_built(&mut self, statement: String) -> Result<u64, StoreError> {
        let done = self.conn().execute(AssertSqlSafe(statement)).await;
        done.map(|d| d.rows_affected()).map_err(|e| self.wrong(&e))
    }

    /// Asks for one row.
    pub async fn one<T>(
        &mut self,
        statement: &'static str,
        read: impl FnOnce(sqlx::any::AnyRow) -> Result<T, sqlx::Error>,
    ) -> Result<T, StoreError> {
        let row = self.conn().fetch_one(statement).await;
        row.and_then(read).map_err(|e| self.wrong(&e))
    }

    /// Commits, and looks whether the file that has it is still the one at its path: else it would be
    /// gone with this process. After a failure the connection is gone and what was written may or may
    /// not be there: every insert carries its own key, so that the same work can simply be done again.
    pub async fn commit(mut self) -> Result<(), StoreError> {
        let mut seat = self.seat.take().expect("a write is committed once");
        if self.begun
            && let Err(error) = seat.conn.execute("COMMIT").await
        {
            let error = self.wrong(&error);
            let _ = seat.conn.close_hard().await;
            return Err(error);
        }
        seat.files.still_there()?;
        *self.slot = Some(seat);
        Ok(())
    }
}

/// `($1, $2), ($3, $4)`: the values list of a statement for many rows. SQLite looks up each `$n` by
/// name among all before it, so that a thousand rows would take seconds; there a bare `?` says the same.
fn rows_of(rows: usize, columns: usize, sqlite: bool) -> String {
    let mut text = String::with_capacity(rows * columns * 6);
    let mut next = 1;
    for row in 0..rows {
        text.push_str(if row == 0 { "(" } else { ", (" });
        for column in 0..columns {
            if column > 0 {
                text.push_str(", ");
            }
            if sqlite {
                text.push('?');
            } else {
                text.push_str(&format!("${next}"));
            }
            next += 1;
        }
        text.push(')');
    }
    text
}

/// `$3, $4, $5`: the list behind an IN.
#[must_use]
pub fn list_of(count: usize, first: usize) -> String {
    (first..first + count).map(|n| format!("${n}")).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests {
    use super::{list_of, rows_of};

    #[test]
    fn a_values_list_counts_on() {
        assert_eq!(rows_of(2, 2, false), "($1, $2), ($3, $4)");
        assert_eq!(rows_of(2, 2, true), "(?, ?), (?, ?)");
        assert_eq!(list_of(3, 2), "$2, $3, $4");
    }
}
