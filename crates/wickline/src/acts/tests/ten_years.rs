//! What `status` and `find` say of ten years of reports.

use std::time::Instant;

use sqlx::{AssertSqlSafe, Executor};

use crate::address::Address;
use crate::settings::bench::Bench;
use crate::settings::from_text;
use crate::sheet::now::Now;
use crate::store::ledger::Ledger;
use crate::store::lists::now::Ages;
use crate::testing::scratch;

async fn ledger(name: &str) -> Ledger {
    let path = scratch(name).join("ledger.db");
    Ledger::open(Address::Sqlite(path)).await.expect("a new ledger")
}

fn bench() -> Bench {
    let text = "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
         control_specimens = [\"QC-L1=1\"]\n[[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n";
    let loaded = from_text(std::path::Path::new("./w.toml"), text.into());
    Bench::build(&loaded.expect("a good configuration")).expect("a good configuration")
}

/// Ten years of a laboratory: reports accepted, some of them held, refused, waiting.
async fn fill(ledger: &Ledger, count: i64) {
    let print = serde_json::to_string(&wickline_normalize::Report::default()).expect("a print");
    let day = 86_400_000_000_i64;
    let from = crate::clock::now_us() - 3600 * day;
    let reports = format!(
        "WITH RECURSIVE c (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM c WHERE n < {count}) \
         INSERT INTO report (n, tape, analyzer, place_from, place_to, part, number, class, specimen, day, \
         heard_at, state, identity, strip, control_sign, print, readings, filler) \
         SELECT n, 't', 'bench-1', n, n, 0, '' || (n % 200), CASE n % 20 WHEN 0 THEN 'stat' ELSE 'routine' END, \
         'KP-' || n, date(({from} + n * (3600 * {day} / {count})) / 1000000, 'unixepoch'), \
         {from} + n * (3600 * {day} / {count}), CASE WHEN n % 5000 = 7 THEN 'held' ELSE 'waiting' END, \
         'i' || n, 'ten-pad', 0, '{print}', '[]', 'K7Q2-' || n FROM c"
    );
    let messages = "INSERT INTO message (n, control_id, receiver, report, state, made_at, attempts, kept_back, \
         settled_at) SELECT n, 'WK' || n, 'lis', n, CASE WHEN n % 5000 = 9 THEN 'refused' \
         WHEN n % 5000 = 11 THEN 'waiting' ELSE 'accepted' END, heard_at, 1, 0, heard_at FROM report \
         WHERE state = 'waiting'";
    let closed = "INSERT INTO closing (day, closed_at, who, last, reports) SELECT day, max(heard_at), 'x', \
         '{}', max(n) FROM report GROUP BY day";
    let mut write = ledger.db.write().await.expect("a write");
    for sql in [reports, messages.to_owned(), closed.to_owned()] {
        write.conn().execute(AssertSqlSafe(sql)).await.expect("filled");
    }
    write.commit().await.expect("kept");
}

/// As many rows as a laboratory has in ten years; the long run holds it to the clock.
#[tokio::test]
async fn one_look_at_ten_years_of_reports_is_quick() {
    let long = std::env::var("WICKLINE_LONG").is_ok_and(|v| v == "1");
    let count = if long { 500_000 } else { 20_000 };
    let (ledger, bench) = (ledger("years").await, bench());
    fill(&ledger, count).await;
    let mut looks = Vec::new();
    let mut finds = Vec::new();
    for nth in 0..20 {
        let began = Instant::now();
        let now = Now::read(&ledger, &bench).await.expect("looked at");
        looks.push(began.elapsed());
        assert!(now.wrong);
        let began = Instant::now();
        let found = ledger.found(&[format!("KP-{}", 1000 + nth)]).await.expect("found");
        finds.push(began.elapsed());
        assert_eq!(found.len(), 1);
    }
    looks.sort();
    finds.sort();
    println!("{count} reports: a look takes {:?}, finding {:?} (medians)", looks[10], finds[10]);
    assert!(!long || looks[10].as_millis() < 50, "{looks:?}");
    assert!(!long || finds[10].as_millis() < 50, "{finds:?}");
    let ages = Ages { today: 0, week: 0 };
    let held = ledger.held_now(ages).await.expect("counted");
    assert_eq!((held.count, held.oldest.as_deref()), (count / 5000, Some("7")));
    let open = ledger.open_at("lis", ages).await.expect("counted");
    assert_eq!((open.waiting, open.refused.count), (count / 5000, count / 5000));
    assert_eq!(open.refused.oldest.as_deref(), Some("9@lis"));
}
