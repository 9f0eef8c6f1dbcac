//! The ways in which a store can lie, each with a test that catches it.

use sqlx::{Connection, Executor, Row};

use super::StoreError;
use super::db::Db;
use super::sound::Check;
use super::tape::{Kind, Tape};
use crate::address::Address;
use crate::testing::scratch;

mod pages;
mod plans;
mod schemas;
mod statements;

const PARENTS: &str = "CREATE TABLE parent (n BIGINT PRIMARY KEY);
CREATE TABLE child (n BIGINT PRIMARY KEY,
    parent BIGINT REFERENCES parent (n) DEFERRABLE INITIALLY DEFERRED)";

async fn count(db: &Db) -> i64 {
    let mut conn = db.read().await.expect("a reader");
    let row = conn.fetch_one("SELECT count(*) FROM child").await.expect("a count");
    row.try_get(0).expect("a number")
}

/// After two failed commits on one connection the driver's own transactions can report success and
/// store nothing. Ours must either fail or be there.
#[tokio::test]
async fn two_failed_commits_in_a_row_do_not_silence_the_third() {
    let path = scratch("commits").join("a.db");
    let db = Db::open(Address::Sqlite(path.clone()), &[PARENTS]).await.expect("a new database");
    for _ in 0..2 {
        let mut write = db.write().await.expect("a write begins");
        write.run("INSERT INTO child VALUES (1, 404)").await.expect("checked only at the commit");
        assert!(write.commit().await.is_err(), "the commit itself must fail");
    }
    for n in 0..20 {
        let mut write = db.write().await.expect("a write begins again");
        let insert = sqlx::query("INSERT INTO child VALUES ($1, NULL)").bind(n);
        write.conn().execute(insert).await.expect("a row");
        write.commit().await.expect("a commit");
    }
    let other = Db::open(Address::Sqlite(path), &[PARENTS]).await.expect("opened a second time");
    assert_eq!(count(&other).await, 20, "what was committed is there for others");
}

#[tokio::test]
async fn a_write_that_is_dropped_leaves_nothing_and_blocks_nobody() {
    let path = scratch("dropped").join("a.db");
    let db = Db::open(Address::Sqlite(path), &[PARENTS]).await.expect("a new database");
    let mut write = db.write().await.expect("a write begins");
    write.run("INSERT INTO child VALUES (1, NULL)").await.expect("a row");
    drop(write);
    let write = db.write().await.expect("the next write begins");
    write.commit().await.expect("an empty commit");
    assert_eq!(count(&db).await, 0);
}

#[tokio::test]
async fn durability_is_set_and_read_back() {
    let path = scratch("pragmas").join("a.db");
    let db = Db::open(Address::Sqlite(path), &[PARENTS]).await.expect("a new database");
    let mut conn = db.read().await.expect("a reader");
    for (pragma, wanted) in [("PRAGMA synchronous", 2_i64), ("PRAGMA secure_delete", 1)] {
        let row = conn.fetch_one(pragma).await.expect("a pragma");
        assert_eq!(row.try_get::<i64, _>(0).expect("a number"), wanted, "{pragma}");
    }
    conn.execute("PRAGMA synchronous=NORMAL").await.expect("it can be weakened");
    let weak = super::db::check_promises(&mut conn, "a.db").await;
    assert!(matches!(weak, Err(StoreError::Unsafe { .. })), "{weak:?}");
    conn.close().await.expect("closed");
}

/// A read that turns into a write fails as busy unless the transaction began as a writer.
#[tokio::test]
async fn writers_wait_for_each_other() {
    let path = scratch("writers").join("a.db");
    let address = Address::Sqlite(path);
    let mut tasks = tokio::task::JoinSet::new();
    for task in 0..4_i64 {
        let db = Db::open(address.clone(), &[PARENTS]).await.expect("opened");
        tasks.spawn(async move {
            for n in 0..25_i64 {
                let mut write = db.write().await?;
                write.one("SELECT count(*) FROM child", |row| row.try_get::<i64, _>(0)).await?;
                let insert =
                    sqlx::query("INSERT INTO child VALUES ($1, NULL)").bind(task * 100 + n);
                write.conn().execute(insert).await.map_err(|e| write.wrong(&e))?;
                write.commit().await?;
            }
            Ok::<(), StoreError>(())
        });
    }
    while let Some(done) = tasks.join_next().await {
        done.expect("no panic").expect("nobody fails as busy");
    }
    let db = Db::open(address, &[PARENTS]).await.expect("opened");
    assert_eq!(count(&db).await, 100);
}

#[tokio::test]
async fn a_newer_schema_is_refused() {
    let path = scratch("newer").join("a.db");
    let address = Address::Sqlite(path);
    Db::open(address.clone(), &[PARENTS, "CREATE TABLE more (n BIGINT)"]).await.expect("version 2");
    let old = Db::open(address, &[PARENTS]).await;
    assert!(matches!(old, Err(StoreError::Newer { found: 2, known: 1, .. })), "{old:?}");
}

#[tokio::test]
async fn a_tape_goes_on_where_it_stopped() {
    let path = scratch("tape").join("tape.db");
    let (tape, writer) = Tape::open(&path, 0, None).await.expect("a new tape");
    let writing = tokio::spawn(writer.run());
    let mut line = tape.line("bench-1").await.expect("a line");
    line.event(Kind::Opened).await.await.expect("kept");
    let handed = line.bytes(b"GLU NEG", &[2]).await;
    assert_eq!((handed.start, handed.ticket.await), (0, Ok(true)));
    let id = tape.id.clone();
    drop((line, tape));
    writing.await.expect("no panic").expect("a clean end");
    let (tape, writer) = Tape::open(&path, 0, None).await.expect("the same tape");
    let writing = tokio::spawn(writer.run());
    assert_eq!(tape.id, id);
    let mut line = tape.line("bench-1").await.expect("the same line");
    let handed = line.bytes(b"\r\n", &[]).await;
    assert_eq!((handed.start, handed.ticket.await), (7, Ok(true)));
    let entries = tape.after("bench-1", 0, 10).await.expect("entries");
    assert_eq!(entries.len(), 3);
    assert_eq!(entries[1].flaws, [2]);
    let starts =
        |entries: Vec<super::tape::Entry>| entries.iter().map(|e| e.start).collect::<Vec<_>>();
    assert_eq!(starts(tape.around("bench-1", 1, 6).await.expect("entries")), [0]);
    assert_eq!(starts(tape.around("bench-1", 8, 20).await.expect("entries")), [7]);
    assert!(tape.after("bench-2", 0, 10).await.expect("no entries").is_empty());
    drop((line, tape));
    writing.await.expect("no panic").expect("a clean end");
}

/// A low-water mark that no disk is above: nothing can be written while lines are heard.
const NO_ROOM: u64 = u64::MAX;

/// While bytes of a line wait in memory it is not known to be silent; a line of which everything stands on
/// the tape is.
#[tokio::test]
async fn a_line_is_known_to_be_silent_only_where_all_that_it_said_can_be_read() {
    let path = scratch("settle").join("tape.db");
    let (tape, writer) = Tape::open(&path, NO_ROOM, None).await.expect("a new tape");
    let writing = tokio::spawn(writer.run());
    let (mut one, two) =
        (tape.line("bench-1").await.expect("a line"), tape.line("bench-2").await.expect("a line"));
    assert!(tape.settle("bench-1").await.is_some(), "nothing was said");
    let handed = one.bytes(b"GLU NEG", &[]).await;
    assert_eq!(handed.ticket.await, Ok(false));
    assert_eq!(tape.settle("bench-1").await, None, "it is in memory alone");
    let tick = tape.settle("bench-2").await.expect("this one said nothing");
    assert!(tick >= handed.tick);
    assert_eq!(tape.unkept().borrow().get("bench-1"), Some(&7));
    // A stop: whatever the mark says, it is written now.
    let unkept = tape.unkept();
    drop((one, two, tape));
    writing.await.expect("no panic").expect("a clean end");
    assert!(unkept.borrow().is_empty());
    let tape = Tape::look(&path).await.expect("the tape");
    assert_eq!(tape.after("bench-1", 0, 10).await.expect("entries").len(), 1);
}

/// What memory had no room for is a gap at its own place and of its own time: the time after it is no
/// silence, and what came later stands behind it.
#[tokio::test]
async fn a_gap_stands_where_and_when_the_bytes_were_lost() {
    let path = scratch("gap").join("tape.db");
    let (tape, writer) = Tape::open(&path, NO_ROOM, None).await.expect("a new tape");
    let writing = tokio::spawn(writer.run());
    let mut line = tape.line("bench-1").await.expect("a line");
    let much = vec![b'x'; 5 << 20];
    let kept = line.bytes(&much, &[]).await;
    assert_eq!(kept.ticket.await, Ok(false));
    let lost = line.bytes(&much, &[]).await;
    assert_eq!(lost.ticket.await, Ok(false));
    let later = line.bytes(b"y", &[]).await;
    assert_eq!(later.ticket.await, Ok(false));
    assert_eq!(line.event(Kind::Closed).await.await, Ok(false));
    drop((line, tape));
    writing.await.expect("no panic").expect("a clean end");
    let tape = Tape::look(&path).await.expect("the tape");
    let entries = tape.after("bench-1", 0, 10).await.expect("entries");
    let [bytes, gap] = entries.as_slice() else { panic!("{} entries", entries.len()) };
    assert_eq!((bytes.kind, bytes.tick), (Kind::Bytes, kept.tick));
    assert_eq!((gap.kind, gap.start, gap.tick), (Kind::Gap, much.len() as u64, lost.tick));
    assert_eq!(gap.data, (much.len() + 1).to_string().into_bytes());
}

/// Closed by everybody, a store is one file; and a commit is believed only while that file is there.
#[tokio::test]
async fn a_closed_store_is_one_file_and_a_deleted_one_takes_no_commit() {
    let path = scratch("closed").join("a.db");
    let db = Db::open(Address::Sqlite(path.clone()), &[PARENTS]).await.expect("a new database");
    let insert = async |n: i64| {
        let mut write = db.write_alone().await?;
        let row = sqlx::query("INSERT INTO child VALUES ($1, NULL)").bind(n);
        write.conn().execute(row).await.map_err(|e| write.wrong(&e))?;
        write.commit().await
    };
    insert(1).await.expect("a row");
    assert_eq!(count(&db).await, 1);
    db.close().await.expect("closed");
    let log = super::files::beside(&path, "-wal");
    assert!(!log.exists() && !super::files::beside(&path, "-shm").exists());
    insert(2).await.expect("opened again");
    std::fs::remove_file(&log).expect("the log can be deleted");
    let gone = insert(3).await.expect_err("it would be lost");
    assert!(gone.is_fatal(), "{gone}");
    std::fs::remove_file(&path).expect("the file can be deleted");
    let gone = insert(4).await.expect_err("nor is another file taken for it");
    assert!(gone.is_fatal(), "{gone}");
}

/// A check that is longer than a start may take goes on beside the work and ends with what it finds.
#[tokio::test]
async fn a_damaged_page_is_found_by_a_check_that_goes_on() {
    let now = tokio::time::Instant::now;
    // A timer of this very moment would wait for the next millisecond, in which the look may end.
    let over = now();
    let path = scratch("pages").join("a.db");
    let db = Db::open(Address::Sqlite(path.clone()), &[PARENTS]).await.expect("a new database");
    let mut write = db.write().await.expect("a write begins");
    for n in 0..2000_i64 {
        let row = sqlx::query("INSERT INTO child VALUES ($1, NULL)").bind(n);
        write.conn().execute(row).await.expect("a row");
    }
    write.commit().await.expect("a commit");
    db.close().await.expect("closed");
    let check = Check::begin(&path).await.expect("its log is whole");
    let later = now() + std::time::Duration::from_secs(60);
    assert!(check.until(later).await.expect("whole").is_none());
    let mut bytes = std::fs::read(&path).expect("the file");
    let last = bytes.len() - 4096;
    bytes[last..].fill(0xA5);
    std::fs::write(&path, bytes).expect("spoilt");
    let check = Check::begin(&path).await.expect("its log is whole");
    let check = check.until(over).await.expect("no time to look").expect("it goes on");
    let found = check.to_the_end(std::future::pending(), |_| ()).await.expect_err("damaged");
    assert!(matches!(found, StoreError::Damaged { .. }), "{found}");
    let check = Check::begin(&path).await.expect("its log is whole");
    let stopped = check.to_the_end(std::future::ready(()), |_| ()).await;
    assert!(stopped.is_ok() || matches!(stopped, Err(StoreError::Damaged { .. })), "{stopped:?}");
}

/// How far a check is, is told while it goes on, and no more when it is at its end.
#[tokio::test]
async fn a_check_tells_how_far_it_is() {
    let path = scratch("progress").join("a.db");
    let db = Db::open(Address::Sqlite(path.clone()), &[PARENTS]).await.expect("a new database");
    let mut write = db.write().await.expect("a write begins");
    write
        .run(
            "INSERT INTO child WITH RECURSIVE c(n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c \
             WHERE n < 200000) SELECT n, NULL FROM c",
        )
        .await
        .expect("rows");
    write.commit().await.expect("a commit");
    db.close().await.expect("closed");
    let told = std::sync::Mutex::new(Vec::new());
    let mut check = Check::begin(&path).await.expect("its log is whole");
    // As many looks as it takes: each is a moment later.
    let far = loop {
        let soon = tokio::time::Instant::now() + std::time::Duration::from_millis(1);
        let before = check.percent();
        match check.until(soon).await.expect("whole") {
            Some(more) => check = more,
            None => break before,
        }
    };
    assert!((1..=99).contains(&far), "{far}");
    let check = Check::begin(&path).await.expect("its log is whole");
    let tell = |percent| told.lock().expect("not poisoned").push(percent);
    check.to_the_end(std::future::pending(), tell).await.expect("whole");
    let told = told.into_inner().expect("not poisoned");
    assert!(matches!(told.as_slice(), [Some(_), .., None]), "{told:?}");
}

/// A power cut in the first moments leaves a journal that only a writer can play back: the check of the pages, which
/// changes nothing, must not end the start for it.
#[tokio::test]
async fn a_journal_of_the_first_moments_does_not_end_a_start() {
    let folder = scratch("journal");
    let (path, cut) = (folder.join("a.db"), folder.join("cut.db"));
    let address = format!("sqlite:{}?mode=rwc", path.display());
    let mut conn = sqlx::SqliteConnection::connect(&address).await.expect("a file");
    for one in [
        "PRAGMA journal_mode=DELETE",
        "CREATE TABLE parent (n BIGINT PRIMARY KEY, text TEXT)",
        "INSERT INTO parent VALUES (1, 'whole')",
        // So little memory that changed pages go to the file before the end, and the journal before them.
        "PRAGMA cache_size=2",
        "BEGIN",
        "WITH RECURSIVE c(n) AS (VALUES (2) UNION ALL SELECT n + 1 FROM c WHERE n < 2000)
         INSERT INTO parent SELECT n, hex(randomblob(200)) FROM c",
    ] {
        conn.execute(one).await.expect(one);
    }
    for end in ["", "-journal"] {
        let (from, to) = (format!("{}{end}", path.display()), format!("{}{end}", cut.display()));
        std::fs::copy(from, to).expect("as the power cut left it");
    }
    let check = Check::begin(&cut).await.expect("it has no log yet");
    let later = tokio::time::Instant::now() + std::time::Duration::from_secs(60);
    assert!(check.until(later).await.expect("nothing is wrong with it").is_none());
    let address = format!("sqlite:{}", cut.display());
    let mut conn = sqlx::SqliteConnection::connect(&address).await.expect("it opens");
    let row = conn.fetch_one("SELECT count(*) FROM parent").await.expect("played back");
    assert_eq!(row.try_get::<i64, _>(0).expect("a count"), 1);
}

/// Between its tables and its label a store is neither absent nor broken.
#[tokio::test]
async fn a_store_that_is_just_being_made_says_so() {
    use crate::store::ledger::{Ledger, MIGRATIONS};
    let folder = scratch("being-made");
    let ledger = Address::Sqlite(folder.join("ledger.db"));
    let db = Db::open(ledger.clone(), MIGRATIONS).await.expect("its tables");
    let said = Ledger::look(ledger).await.expect_err("not yet");
    assert!(said.is_passing() && said.to_string().contains("it is being made just now"), "{said}");
    db.close().await.expect("closed");
    let path = folder.join("tape.db");
    let (tape, writer) = Tape::open(&path, 0, None).await.expect("a tape");
    let mut write = tape.db().write().await.expect("a write");
    write.run("DELETE FROM tape_label").await.expect("not labelled");
    write.commit().await.expect("committed");
    let said = Tape::look(&path).await.expect_err("not yet");
    assert!(said.is_passing() && said.to_string().contains("it is being made just now"), "{said}");
    drop(writer);
}
