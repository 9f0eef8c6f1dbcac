//! Questions to a ledger that is old: how long each takes and how much memory, with 1,000 to 500,000 reports.
//!
//! `cargo bench -p wickline --bench old`; with `WICKLINE_LEDGER=postgres://...` (an empty database) also on
//! that server, and `WICKLINE_MOST=10000` ends the curve there. The laboratory: ten years of one analyzer,
//! everything accepted but the last 1,000 that wait and 200 that are held, one of them forgotten since the
//! first day; 300 reports today; two levels of control material a day. Each question is asked 20 times in a
//! process of its own.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Instant;

use sqlx::{AnyConnection, AssertSqlSafe, Connection, Executor};
use wickline::address::Address;
use wickline::clock::now_us;
use wickline::settings::{bench::Bench, from_text};
use wickline::sheet::{Sheet, now::Now};
use wickline::store::ledger::Ledger;
use wickline::store::lists::queue::Asked;
use wickline::store::lists::reports::AskedHeld;
use wickline::store::lists::runs::AskedRuns;
use wickline::store::state::State;
use wickline_normalize::report::RawLine;
use wickline_normalize::{Private, Report};

const QUESTIONS: [&str; 8] =
    ["held", "queue", "day", "controls", "status", "find", "metrics", "check"];
const CURVE: [i64; 4] = [1_000, 10_000, 100_000, 500_000];
const DAY_US: i64 = 86_400_000_000;
const DAYS: i64 = 3650;
const TODAY: i64 = 300;

fn main() {
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let set = |name| std::env::var(name).ok();
    if let (Some(question), Some(url)) = (set("OLD_QUESTION"), set("OLD_LEDGER")) {
        let count = set("OLD_COUNT").and_then(|n| n.parse().ok()).expect("a count");
        return runtime.block_on(asked(&question, &url, count));
    }
    let most: i64 = set("WICKLINE_MOST").map_or(i64::MAX, |n| n.parse().expect("a count"));
    let folder = std::env::temp_dir().join(format!("wickline-old-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a temporary folder");
    for count in CURVE.into_iter().filter(|count| *count <= most) {
        let url = format!("sqlite:{}", folder.join(format!("{count}.db")).display());
        curve(&runtime, &url, count);
    }
    if let Some(server) = set("WICKLINE_LEDGER") {
        for count in CURVE.into_iter().filter(|count| *count <= most) {
            curve(&runtime, &server, count);
        }
    }
    let _ = std::fs::remove_dir_all(&folder);
}

/// Fills a ledger and has every question asked.
fn curve(runtime: &tokio::runtime::Runtime, url: &str, count: i64) {
    let began = Instant::now();
    runtime.block_on(fill(url, count));
    let on = url.split(':').next().unwrap_or_default();
    println!("{count} reports on {on} (filled in {} s)", began.elapsed().as_secs());
    println!("  {:<10}{:>9}{:>9}{:>9}{:>12}", "", "min ms", "median", "max", "above idle");
    for question in QUESTIONS {
        let output = Command::new(std::env::current_exe().expect("this program"))
            .env("OLD_QUESTION", question)
            .env("OLD_LEDGER", url)
            .env("OLD_COUNT", count.to_string())
            .output()
            .expect("a process of its own");
        let told = String::from_utf8_lossy(&output.stdout);
        let failed = String::from_utf8_lossy(&output.stderr);
        println!("  {question:<10}{}{}", told.trim_end(), failed.trim_end());
    }
}

/// Asks one question 20 times, and tells times and memory.
async fn asked(question: &str, url: &str, count: i64) {
    let (ledger, bench) = (look(url).await, bench());
    ledger.receivers().await.expect("answered");
    let idle = kib("VmRSS");
    std::fs::write("/proc/self/clear_refs", "5").expect("the peak begins anew");
    let mut times = Vec::new();
    for nth in 0..20 {
        let began = Instant::now();
        ask(question, &ledger, &bench, count - nth).await;
        times.push(began.elapsed().as_secs_f64() * 1e3);
    }
    let grown = kib("VmHWM").saturating_sub(idle);
    times.sort_by(f64::total_cmp);
    println!(
        "{:>9.2}{:>9.2}{:>9.2}{:>8.1} MiB",
        times[0],
        times[10],
        times[19],
        grown as f64 / 1024.0
    );
}

/// What the command asks of the ledger for its first page.
async fn ask(question: &str, ledger: &Ledger, bench: &Bench, n: i64) {
    let (clock, now) = (&bench.clock, now_us());
    let today = clock.day(now);
    match question {
        "held" => {
            let page = AskedHeld { after: 0, limit: 40 };
            assert_eq!(ledger.held(page, clock).await.expect("held").len(), 40);
            assert_eq!(ledger.held_count().await.expect("counted"), 200);
        }
        "queue" => {
            let waiting = ledger.waiting("lis").await.expect("counted");
            assert!((490..=1000).contains(&waiting.waiting));
            ledger.gate("lis").await.expect("a gate");
            ledger.answered_lately("lis").await.expect("a rate");
            ledger.accepted_on("lis", &today, clock).await.expect("counted");
            ledger.messages_ever().await.expect("counted");
            for limit in [1, 40] {
                let states = vec![State::Waiting, State::Refused];
                let page = Asked { limit, states, ..Asked::default() };
                assert!(!ledger.queue(&page, clock).await.expect("a page").is_empty());
            }
        }
        "day" => {
            let sheet = Sheet::read(ledger, bench, &today, None).await.expect("a sheet");
            assert_eq!(sheet.lines.len(), 300);
        }
        "controls" => {
            standing(ledger, bench).await;
            let week = AskedRuns { from: now - 7 * DAY_US, to: now, ..AskedRuns::default() };
            let runs = ledger.control_runs(&week, clock).await.expect("runs");
            assert!(!runs.is_empty() && runs.len() < 20);
        }
        "status" => assert!(Now::read(ledger, bench).await.expect("a look").wrong),
        "find" => {
            let found = ledger.found(&[format!("KP-{n}")]).await.expect("found");
            assert_eq!(found.len(), 1);
            ledger.report(n, clock).await.expect("read");
            ledger.history(n, &[]).await.expect("its history");
            ledger.holdings(n).await.expect("what receivers hold");
        }
        "metrics" => {
            ledger.waiting("lis").await.expect("counted");
            standing(ledger, bench).await;
            assert_eq!(ledger.held_count().await.expect("counted"), 200);
        }
        "check" => standing(ledger, bench).await,
        other => panic!("nobody asks {other}"),
    }
}

async fn standing(ledger: &Ledger, bench: &Bench) {
    for analyzer in &bench.analyzers {
        let stands = ledger.control_standing(bench, analyzer, now_us()).await.expect("a standing");
        assert_eq!(stands[0].levels.len(), 2);
    }
}

fn kib(what: &str) -> u64 {
    let text = std::fs::read_to_string("/proc/self/status").expect("a status");
    let line = text.lines().find(|l| l.starts_with(what)).expect("with its memory");
    line.split_whitespace().nth(1).and_then(|n| n.parse().ok()).expect("in KiB")
}

fn address(url: &str) -> Address {
    Address::parse(url, Path::new("/")).expect("an address")
}

async fn look(url: &str) -> Ledger {
    Ledger::look(address(url)).await.expect("a ledger")
}

fn bench() -> Bench {
    let pads = ["BIL", "BLD", "GLU", "KET", "LEU", "NIT", "PH", "PRO", "SG", "URO"];
    let pads = pads.map(|pad| format!("\"{pad}=any\""));
    let level = |level: &str| {
        format!(
            "[[control]]\nlevel = \"{level}\"\nlot = \"L{level}\"\nfirst_day = \"2000-01-01\"\n\
             last_day = \"2099-12-31\"\nexpect = [{}]\n",
            pads.join(", ")
        )
    };
    let text = format!(
        "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
         control_specimens = [\"QC-L1=1\"]\n[[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n{}{}",
        level("1"),
        level("2")
    );
    let loaded = from_text(&PathBuf::from("./w.toml"), text).expect("a good configuration");
    Bench::build(&loaded).expect("a good configuration")
}

/// A print as long as that of a strip of ten pads.
fn print() -> String {
    let place = wickline_normalize::report::Place::default();
    let line =
        |n| RawLine { place, text: Private::new(format!(" PAD{n}        NEG          mg/dL")) };
    let report = Report { lines: (0..14).map(line).collect(), ..Report::default() };
    serde_json::to_string(&report).expect("a print").replace('\'', "")
}

/// Ten years in sets of one day each, and today.
async fn fill(url: &str, count: i64) {
    let ledger = Ledger::open(address(url)).await.expect("a new ledger");
    ledger.receiver_known("lis", false).await.expect("known");
    ledger.close().await.expect("closed");
    sqlx::any::install_default_drivers();
    let url = url.replace("sqlite:", "sqlite://");
    let mut conn = AnyConnection::connect(&url).await.expect("a connection");
    let sqlite = url.starts_with("sqlite");
    if sqlite {
        run(&mut conn, "PRAGMA synchronous = OFF").await;
    } else {
        for table in ["report", "hold", "message", "control_run", "closing", "trail"] {
            run(&mut conn, &format!("DELETE FROM {table}")).await;
        }
    }
    run(&mut conn, "BEGIN").await;
    let (bench, now, print) = (bench(), now_us(), print());
    let days = DAYS.min(count / 10);
    let earlier = count - TODAY;
    let noon = bench.clock.day_span(&bench.clock.day(now)).expect("a day").0 + DAY_US / 2;
    let mut next = 1;
    for back in (0..=days).rev() {
        let last = if back == 0 { count } else { earlier * (days - back + 1) / days };
        // By noon: near midnight a day of 23 or 25 hours would be left out or come twice.
        let day = bench.clock.day(noon - back * DAY_US);
        let begun = bench.clock.day_span(&day).expect("a day").0;
        let heard = if next == 1 { now - DAYS * DAY_US } else { begun };
        one_day(&mut conn, (next, last), count, &day, heard, &print).await;
        next = last + 1;
    }
    run(
        &mut conn,
        "INSERT INTO message (n, control_id, receiver, report, state, made_at, attempts, kept_back, settled_at) \
         SELECT n, 'WK' || n, 'lis', n, 'accepted', heard_at, 1, 0, heard_at FROM report \
         WHERE state = 'waiting'",
    )
    .await;
    let waits = format!(
        "UPDATE message SET state = 'waiting', settled_at = NULL WHERE n IN \
         (SELECT n FROM message ORDER BY n DESC LIMIT {})",
        1000.min(count / 2)
    );
    run(&mut conn, &waits).await;
    run(
        &mut conn,
        "INSERT INTO hold (report, ix, reason, detail) \
         SELECT n, 0, 'specimen-blank', 'no id' FROM report WHERE state = 'held'",
    )
    .await;
    run(&mut conn, "COMMIT").await;
    run(&mut conn, if sqlite { "PRAGMA wal_checkpoint(TRUNCATE)" } else { "ANALYZE" }).await;
    conn.close().await.expect("closed");
}

/// The reports of a day, what controls read on it, and its closing.
async fn one_day(
    conn: &mut AnyConnection,
    (first, last): (i64, i64),
    count: i64,
    day: &str,
    heard: i64,
    print: &str,
) {
    if last < first {
        return;
    }
    let held = count - 1000.min(count - 2);
    let reports = format!(
        "INSERT INTO report (n, tape, analyzer, place_from, place_to, part, number, class, specimen, day, \
         heard_at, state, identity, strip, control_sign, print, readings, filler) \
         WITH RECURSIVE c (n) AS (SELECT CAST({first} AS BIGINT) UNION ALL SELECT n + 1 FROM c WHERE n < {last}) \
         SELECT n, 't', 'bench-1', n * 600, n * 600 + 600, 0, CAST(n - {first} + 1 AS TEXT), \
         CASE WHEN n % 20 = 0 THEN 'stat' ELSE 'routine' END, 'KP-' || n, '{day}', \
         {heard} + (n - {first}) * 60000000, \
         CASE WHEN n = 1 OR (n > {held} AND n % 5 = 3 AND n < {held} + 995) THEN 'held' ELSE 'waiting' END, \
         'i' || n, 'ten-pad', 0, '{print}', '[]', 'K7Q2-' || n FROM c"
    );
    run(conn, &reports).await;
    let read = "{\"verdict\":\"passed\",\"control_lot\":null,\"readings\":[],\"why\":\"\"}";
    for (level, n) in [(1, first), (2, first + 1)] {
        let ran = format!(
            "INSERT INTO control_run (report, analyzer, level, day, at, verdict, strip, run) \
             SELECT n, analyzer, '{level}', day, heard_at, 'passed', strip, '{read}' FROM report \
             WHERE n = {n} AND n <= {last}"
        );
        run(conn, &ran).await;
    }
    run(
        conn,
        &format!(
            "INSERT INTO closing (day, closed_at, who, last, reports) SELECT day, max(heard_at), 'x', '{{}}', \
             max(n) FROM report WHERE n = {last} AND n < {count} GROUP BY day"
        ),
    )
    .await;
    run(
        conn,
        &format!(
            "INSERT INTO trail (n, at, who, login, verb, object) SELECT n, heard_at, 'x', 'x', 'release', \
             'report ' || n FROM report WHERE n >= {first} AND n <= {last} AND n % 10 = 0"
        ),
    )
    .await;
}

async fn run(conn: &mut AnyConnection, sql: &str) {
    let done = conn.execute(AssertSqlSafe(sql)).await;
    done.unwrap_or_else(|e| panic!("{e}: {sql}"));
}
