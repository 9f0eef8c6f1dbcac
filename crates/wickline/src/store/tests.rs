//! The ways in which a store can lie, each with a test that catches it.

use sqlx::{Connection, Executor, Row};

use super::StoreError;
use super::db::{Address, Db};
use super::tape::{Kind, Tape};
use crate::testing::scratch;

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
    let (start, ticket) = line.bytes(1, 1, b"GLU NEG", &[2]).await;
    assert_eq!((start, ticket.await), (0, Ok(true)));
    let id = tape.id.clone();
    drop((line, tape));
    writing.await.expect("no panic").expect("a clean end");
    let (tape, writer) = Tape::open(&path, 0, None).await.expect("the same tape");
    let writing = tokio::spawn(writer.run());
    assert_eq!(tape.id, id);
    let mut line = tape.line("bench-1").await.expect("the same line");
    let (start, ticket) = line.bytes(2, 2, b"\r\n", &[]).await;
    assert_eq!((start, ticket.await), (7, Ok(true)));
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
