//! Several at once on one ledger, and prints that a server takes less easily than a file.

use super::*;

async fn twin(lab: &Lab) -> Ledger {
    Ledger::open(lab.ledger.db.address().clone()).await.expect("a second daemon's ledger")
}

/// A third party that holds a counter's row until told to let go.
async fn hold(lab: &Lab, name: &str) -> crate::store::db::Write {
    let other = twin(lab).await;
    let mut write = other.db.write().await.expect("a write");
    let sql = format!("UPDATE counter SET value = value WHERE name = '{name}'");
    write.conn().execute(sqlx::AssertSqlSafe(sql)).await.expect("locked");
    write
}

/// Waits until so many sessions wait for a lock that another holds.
async fn blocked(lab: &Lab, count: i64) {
    let mut conn = lab.ledger.db.read().await.expect("a connection");
    let sql = "SELECT count(*) FROM pg_stat_activity \
         WHERE datname = current_database() AND wait_event_type = 'Lock'";
    loop {
        let row = conn.fetch_one(sql).await.expect("a count");
        if sqlx::Row::try_get::<i64, _>(&row, 0).expect("a number") >= count {
            return;
        }
        tokio::task::yield_now().await;
    }
}

async fn messages(lab: &Lab) -> Vec<(i64, i64, String, String)> {
    let mut conn = lab.ledger.db.read().await.expect("conn");
    let rows = conn
        .fetch_all("SELECT n, report, state, control_id FROM message ORDER BY n")
        .await
        .expect("rows");
    use sqlx::Row;
    rows.iter().map(|r| (r.get(0), r.get(1), r.get(2), r.get(3))).collect()
}

#[tokio::test]
async fn nul_in_the_mark_of_a_number() {
    let Some(mut lab) = Lab::postgres().await else { return };
    let heard = [lab.heard("A&X00&7", "KP-00007", "NEG")];
    let analyzer = &lab.bench.analyzers[0];
    let taken = lab.ledger.intake(&lab.bench, analyzer, &lab.tape.id, &heard, Span::to(1)).await;
    assert!(taken.is_ok());
}

#[tokio::test]
async fn a_long_number() {
    let Some(mut lab) = Lab::postgres().await else { return };
    let mut x: u64 = 88172645463325252;
    let long: String = (0..6000)
        .map(|_| {
            x ^= x << 13;
            x ^= x >> 7;
            x ^= x << 17;
            char::from(
                b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-."
                    [(x % 64) as usize],
            )
        })
        .collect();
    let heard = [lab.heard(&long, "KP-00007", "NEG")];
    let analyzer = &lab.bench.analyzers[0];
    let taken = lab.ledger.intake(&lab.bench, analyzer, &lab.tape.id, &heard, Span::to(1)).await;
    assert!(taken.is_ok());
}

/// One held report, whose dialect was mended since.
async fn one_mended() -> Option<Lab> {
    let mut lab = Lab::postgres().await?;
    let heard = [lab.heard("1", "KP-00001", "777")];
    lab.take(&heard, 1).await;
    let mut w = lab.ledger.db.write().await.expect("w");
    w.run("UPDATE report SET print = replace(print, '|777|', '|NEG|')").await.expect("mended");
    w.commit().await.expect("c");
    Some(lab)
}

#[tokio::test]
async fn two_people_reread() {
    let Some(lab) = one_mended().await else { return };
    let (a, b) = (twin(&lab).await, twin(&lab).await);
    let actor = Actor::person(None);
    let gate = hold(&lab, "trail").await;
    let (_, _, ()) = tokio::join!(
        a.report_reread(&lab.bench, &lab.tape, &actor, 1),
        b.report_reread(&lab.bench, &lab.tape, &actor, 1),
        async {
            blocked(&lab, 2).await;
            gate.commit().await.expect("let go");
        }
    );
    assert_eq!(messages(&lab).await.len(), 1);
}

#[tokio::test]
async fn set_aside_while_reread() {
    let Some(lab) = one_mended().await else { return };
    let (a, b) = (twin(&lab).await, twin(&lab).await);
    let actor = Actor::person(None);
    let gate = hold(&lab, "trail").await;
    // Who waited first need not be let in first: either may win, but one alone.
    let (aside, reread, ()) = tokio::join!(
        a.report_set_aside(&lab.bench, &actor, 1, "wrong patient"),
        async {
            blocked(&lab, 1).await;
            b.report_reread(&lab.bench, &lab.tape, &actor, 1).await
        },
        async {
            blocked(&lab, 2).await;
            gate.commit().await.expect("let go");
        }
    );
    let state = lab.ledger.report(1, &lab.clock()).await.expect("r").expect("t").item.state;
    let sent = messages(&lab).await.len();
    match (aside.is_ok(), reread.is_ok()) {
        (true, false) => assert_eq!((state.text(), sent), ("set-aside", 0)),
        (false, true) => assert_eq!((state.text(), sent), ("waiting", 1)),
        both => panic!("one of them wins: {both:?}"),
    }
}

#[tokio::test]
async fn two_people_retry() {
    let Some(mut lab) = Lab::postgres().await else { return };
    let heard = [lab.heard("1", "KP-00001", "2+")];
    lab.take(&heard, 1).await;
    let all = lab.waiting().await;
    let refused =
        Settled { reason: Some("receiver-error"), ..settled(all[0], MessageState::Refused) };
    lab.ledger.queue_settle("lis", 0, &[refused]).await.expect("recorded");
    let target = std::sync::Arc::get_mut(&mut lab.bench.targets[0]).expect("ours alone");
    target.layout.processing = "D".parse().expect("a processing id");
    let (a, b) = (twin(&lab).await, twin(&lab).await);
    let actor = Actor::person(None);
    let again = Which::Refused { receiver: None };
    let gate = hold(&lab, "message").await;
    let (_, _, ()) = tokio::join!(
        a.message_retry(&lab.bench, &actor, &again),
        b.message_retry(&lab.bench, &actor, &again),
        async {
            blocked(&lab, 2).await;
            gate.commit().await.expect("let go");
        }
    );
    assert_eq!(lab.waiting().await.len(), 1);
}

async fn never_sent_is_not_guessed(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "2+")];
    lab.take(&heard, 1).await;
    let n = lab.waiting().await[0];
    let actor = Actor::person(None);
    let tried = [Tried::times(n, 20)];
    lab.ledger.queue_tried("lis", 0, &tried, 1, "unanswered", "no answer").await.expect("n");
    lab.ledger.message_hold(&actor, &[n], "stuck").await.expect("kept");
    lab.ledger.message_retry(&lab.bench, &actor, &Which::These(vec![n])).await.expect("retried");
    lab.ledger.message_hold(&actor, &[n], "stuck").await.expect("kept");
    // It may have it under the wrong id: that is taken back before it goes out under the right one.
    let renamed = lab.ledger.report_renamed(&lab.bench, &actor, n, &twice("KP-00099")).await;
    let renamed = renamed.expect("withdrawn");
    let ids = [renamed.withdrawn[0].message, renamed.anew[0].message].map(|n| n.expect("sent"));
    assert_eq!(lab.waiting().await, ids);
}

#[tokio::test]
async fn tried_twenty_times_and_renamed() {
    never_sent_is_not_guessed(Lab::sqlite().await).await;
}

#[tokio::test]
async fn two_daemons_start_at_once() {
    let Some(mut lab) = Lab::postgres().await else { return };
    let targets = std::mem::take(&mut lab.bench.targets);
    let heard = [lab.heard("1", "KP-00001", "NEG"), lab.heard("2", "KP-00002", "NEG")];
    lab.take(&heard, 1).await;
    lab.bench.targets = targets;
    let (a, b) = (twin(&lab).await, twin(&lab).await);
    let gate = hold(&lab, "message").await;
    let (_, _, ()) =
        tokio::join!(a.reports_undelivered(&lab.bench), b.reports_undelivered(&lab.bench), async {
            blocked(&lab, 2).await;
            gate.commit().await.expect("let go");
        });
    assert_eq!(messages(&lab).await.len(), 2);
}

#[tokio::test]
async fn released_at_another_bench() {
    let mut lab = Lab::sqlite().await;
    let heard = [lab.heard("2", "KP-00002", "???")];
    lab.take(&heard, 1).await;
    let text = "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"bench-2\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
         control_specimens = [\"QC-L1=1\"]\n[[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\nanalyzers = [\"bench-2\"]\n";
    let loaded = from_text(std::path::Path::new("./w.toml"), text.into());
    let other = Bench::build(&loaded.expect("good")).expect("good");
    let became =
        lab.ledger.report_release(&other, &Actor::person(None), 1, "seen on the strip").await;
    assert!(became.is_err());
}

#[tokio::test]
async fn a_report_that_cannot_be_built_at_the_start() {
    let mut lab = Lab::sqlite().await;
    let targets = std::mem::take(&mut lab.bench.targets);
    let heard = [lab.heard("1", "KP-00001", "NEG")];
    lab.take(&heard, 1).await;
    lab.bench.targets = targets;
    let mut w = lab.ledger.db.write().await.expect("w");
    // As if the analyzer's strip had been changed in the configuration meanwhile.
    w.run("UPDATE report SET strip = 'eleven-pad'").await.expect("x");
    w.commit().await.expect("c");
    let built = lab.ledger.reports_undelivered(&lab.bench).await;
    assert!(built.is_ok());
}
