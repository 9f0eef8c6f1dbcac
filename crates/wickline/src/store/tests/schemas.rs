//! A schema that was applied stays as it was, on both databases.

use sqlx::{AssertSqlSafe, Executor};

use crate::address::Address;
use crate::store::StoreError;
use crate::store::db::Db;
use crate::testing::scratch;

const FIRST: &str = "CREATE TABLE child (n BIGINT PRIMARY KEY)";
const SECOND: &str = "CREATE TABLE more (n BIGINT, print BLOB)";
const CHANGED: &str = "CREATE TABLE child (n BIGINT PRIMARY KEY, name TEXT)";

/// A database of this test's own on the private server, where there is one.
pub(super) async fn postgres(name: &str) -> Option<Address> {
    let Ok(url) = std::env::var("WICKLINE_POSTGRES") else {
        eprintln!("no $WICKLINE_POSTGRES: the Postgres half is left out; tests/run has it");
        return None;
    };
    let name = format!("{name}_{}", std::process::id());
    let server = Db::open(Address::Postgres(url.clone()), &[]).await.expect("the server");
    let mut conn = server.read().await.expect("a connection");
    conn.execute(AssertSqlSafe(format!("CREATE DATABASE {name}"))).await.expect("a database");
    let (base, _) = url.rsplit_once('/').expect("a URL with a database");
    Some(Address::Postgres(format!("{base}/{name}")))
}

async fn both(name: &str) -> Vec<Address> {
    let file = Address::Sqlite(scratch(name).join("a.db"));
    [Some(file), postgres(name).await].into_iter().flatten().collect()
}

async fn run(db: &Db, statement: &'static str) -> u64 {
    let mut write = db.write().await.expect("a write begins");
    let rows = write.run(statement).await.expect("a statement");
    write.commit().await.expect("a commit");
    rows
}

#[tokio::test]
async fn an_applied_migration_that_was_changed_is_refused() {
    for address in both("changed").await {
        Db::open(address.clone(), &[FIRST, SECOND]).await.expect("a new database");
        Db::open(address.clone(), &[FIRST, SECOND]).await.expect("the same again");
        let found = Db::open(address.clone(), &[CHANGED, SECOND, "CREATE TABLE third (n BIGINT)"]);
        let error = found.await.expect_err("another first step");
        assert!(matches!(error, StoreError::Unsafe { .. }) && error.is_fatal(), "{error}");
        assert!(error.to_string().contains("step 1 of its schema"), "{error}");
        // And nothing was done before that was seen.
        let db = Db::open(address, &[FIRST, SECOND]).await.expect("as it was");
        assert_eq!(run(&db, "UPDATE schema_version SET version = version").await, 2);
    }
}

#[tokio::test]
async fn a_shared_schema_grows_only_when_nobody_works_with_the_older_one() {
    let Some(address) = postgres("works").await else { return };
    let old = Db::open(address.clone(), &[FIRST]).await.expect("a new database");
    run(&old, "INSERT INTO child (n) VALUES (1)").await;
    let beside = Db::open(address.clone(), &[FIRST]).await.expect("another of the same version");
    run(&beside, "INSERT INTO child (n) VALUES (2)").await;
    let error = Db::open(address.clone(), &[FIRST, SECOND]).await.expect_err("two work with it");
    assert!(error.is_passing() && !error.is_fatal(), "{error}");
    for word in ["its schema is 1 and must become 2", "wickline 0."] {
        assert!(error.to_string().contains(word), "{word}: {error}");
    }
    old.close().await.expect("closed");
    assert!(Db::open(address.clone(), &[FIRST, SECOND]).await.is_err(), "one still does");
    beside.close().await.expect("closed");
    Db::open(address.clone(), &[FIRST, SECOND]).await.expect("nobody does");
    // Who comes back with the older program is told, and can do nothing.
    let error = old.write().await.err().expect("it knows one step");
    assert!(matches!(error, StoreError::Newer { found: 2, known: 1, .. }), "{error}");
    assert!(matches!(old.read().await, Err(StoreError::Newer { .. })));
    let looked = Db::look(address, 1).await;
    assert!(matches!(looked, Err(StoreError::Newer { .. })), "{looked:?}");
}

/// An old database, opened by a newer program as soon as the server has noticed that the older one has gone.
async fn opened(address: &Address) -> Db {
    let end = std::time::Instant::now() + std::time::Duration::from_secs(60);
    loop {
        match Db::open(address.clone(), &[FIRST, SECOND]).await {
            Err(StoreError::Busy { .. }) if std::time::Instant::now() < end => {
                tokio::task::yield_now().await;
            }
            opened => return opened.expect("an old database"),
        }
    }
}

#[tokio::test]
async fn a_store_from_before_digests_has_them_noted_once() {
    for address in both("undigested").await {
        let db = Db::open(address.clone(), &[FIRST]).await.expect("a new database");
        run(&db, "DROP TABLE schema_digest").await;
        db.close().await.expect("closed");
        let db = opened(&address).await;
        assert_eq!(run(&db, "UPDATE schema_digest SET digest = digest").await, 2);
        let changed = Db::open(address, &[CHANGED, SECOND]).await;
        assert!(matches!(changed, Err(StoreError::Unsafe { .. })), "{changed:?}");
    }
}
