//! Lists: they come in pages and say how many there are in all, and show no state that a row does not have.

use sqlx::{AssertSqlSafe, Executor};

use crate::address::Address;
use crate::clock::SiteClock;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::names::Typed;
use crate::store::lists::queue::Asked;
use crate::store::lists::reports::AskedHeld;
use crate::testing::scratch;

async fn ledger(name: &str) -> Ledger {
    let path = scratch(name).join("ledger.db");
    Ledger::open(Address::Sqlite(path)).await.expect("a new ledger")
}

fn clock() -> SiteClock {
    SiteClock::new("UTC").expect("a zone")
}

async fn run(ledger: &Ledger, sql: &str) {
    let mut write = ledger.db.write().await.expect("a write");
    write.conn().execute(AssertSqlSafe(sql)).await.unwrap_or_else(|e| panic!("{sql}: {e}"));
    write.commit().await.expect("kept");
}

/// Reports from 1 on, in this class and state.
async fn reports(ledger: &Ledger, all: &[(&str, &str)]) {
    for (n, (class, state)) in (1..).zip(all) {
        let sql = format!(
            "INSERT INTO report (n, tape, analyzer, place_from, place_to, part, class, day, heard_at, state, \
             identity, strip, control_sign, print, readings, filler) VALUES ({n}, 't', 'bench-1', {n}, {n}, 0, \
             '{class}', '2026-03-14', {n}, '{state}', 'i{n}', 'ten-pad', 0, '{{}}', '[]', 'K7Q2-{n}')"
        );
        run(ledger, &sql).await;
    }
}

#[tokio::test]
async fn what_is_held_comes_in_pages_urgent_first_over_all_of_it() {
    let ledger = ledger("pages").await;
    let classes = ["routine", "stat", "control", "routine", "stat", "routine"];
    let mut all = classes.map(|class| (class, "held"));
    all[3].1 = "waiting";
    reports(&ledger, &all).await;
    assert_eq!(ledger.held_count().await.expect("counted"), 5);
    for limit in 1..=6 {
        let (mut after, mut seen) = (0, Vec::new());
        loop {
            let page = ledger.held(AskedHeld { after, limit }, &clock()).await.expect("a page");
            assert!(page.len() <= usize::try_from(limit).expect("small"));
            let Some(last) = page.last() else { break };
            after = last.id.parse().expect("a number");
            seen.extend(page.into_iter().map(|item| item.id));
        }
        assert_eq!(seen, ["2", "5", "1", "3", "6"], "{limit} at a time");
    }
}

#[tokio::test]
async fn a_state_that_nobody_knows_is_shown_as_no_other() {
    let ledger = ledger("unknown-state").await;
    reports(&ledger, &[("routine", "waiting")]).await;
    let message = "INSERT INTO message (n, control_id, receiver, report, state, made_at, attempts, kept_back) \
                   VALUES (1, 'WK1', 'lis', 1, 'lost', 1, 0, 0)";
    run(&ledger, message).await;
    let typed = Typed::parse("1").expect("a report");
    let asked = Asked { receiver: Some("lis".into()), ..Asked::default() };
    let errors = [
        ("day", ledger.day("2026-03-14", &clock()).await.err()),
        ("report", ledger.report(1, &clock()).await.err()),
        ("message", message_of(&ledger).await),
        ("waiting", ledger.waiting("lis").await.err()),
        ("named", ledger.messages_named(&typed).await.err()),
    ];
    for (what, error) in errors {
        assert!(matches!(error, Some(StoreError::Undecodable { .. })), "{what}: {error:?}");
    }
    // It is in none of the states that the queue asks for.
    assert!(ledger.queue(&asked, &clock()).await.expect("a page").is_empty());
}

async fn message_of(ledger: &Ledger) -> Option<StoreError> {
    run(ledger, "INSERT INTO message_body (n, body) VALUES (1, 'x')").await;
    ledger.message(1, &clock()).await.err()
}
