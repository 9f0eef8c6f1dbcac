//! Every statement of the ledger goes along an index: nothing looks at all that was ever heard, or sorts it.

use sqlx::{AnyConnection, AssertSqlSafe, Executor, Row};

use super::statements::all;
use crate::address::Address;
use crate::store::ledger::Ledger;
use crate::testing::scratch;

/// Tables that grow as long as a laboratory works.
const GROW: [&str; 22] = [
    "report",
    "message",
    "message_body",
    "hold",
    "trail",
    "control_run",
    "numbering",
    "absent",
    "closing",
    "named",
    "purged",
    "purged_name",
    "lab_order",
    "order_specimen",
    "order_message",
    "order_question",
    "report_order",
    "order_was",
    "line_query",
    "line_refusal",
    "review",
    "care",
];

/// Indexes that hold only what is open: to go through one of them is to look at what is open.
const OPEN: [&str; 8] = [
    "report_held",
    "report_unsent",
    "absent_missing",
    "message_open",
    "message_owed",
    "message_urgent",
    "lab_order_open",
    "lab_order_named",
];

const ONE: &str = "it sorts what one report, specimen or number has";
const DAY: &str = "it sorts what one day has";

/// What looks at all of it, or sorts, and why: the file, how the statement begins, the reason.
const EXCUSED: &[(&str, &str, &str)] = &[
    ("lists/front.rs", "SELECT day FROM closing LIMIT 1", "any one is enough"),
    ("lists/summed.rs", "SELECT", "a bundle for support counts and searches all of it, once"),
    ("moving.rs", "SELECT", "moving a ledger reads all of it, while the daemon is stopped"),
    ("lists/find.rs", "SELECT n FROM report WHERE", ONE),
    ("lists/find.rs", "SELECT report AS n FROM message WHERE", ONE),
    ("lists/find.rs", "WITH RECURSIVE known", ONE),
    ("lists/find.rs", "SELECT specimen, at, what FROM named WHERE report = $1", ONE),
    (
        "lists/names.rs",
        "SELECT n, control_id, receiver, report, state, kept_back, amends, aside FROM message",
        ONE,
    ),
    (
        "lists/orders.rs",
        "SELECT n FROM lab_order WHERE standing IN",
        "it sorts what waits: urgent ones are first",
    ),
    ("rows/order.rs", "SELECT n FROM lab_order WHERE standing IN", "it sorts what is overdue"),
    ("lists/told.rs", "SELECT DISTINCT", ONE),
    ("rows/message.rs", "SELECT m.n, m.report, m.control_id", ONE),
    (
        "rows/report_entry.rs",
        "SELECT n, class, number, day, sequence, identity, state, print FROM report",
        ONE,
    ),
    ("lists/reports.rs", "SELECT n, report, receiver, state", "it sorts the messages of one page"),
    ("lists/calls.rs", "SELECT object, at, who, reason FROM trail WHERE object IN", ONE),
    (
        "lists/sheet.rs",
        "SELECT object, verb, who, reason FROM trail",
        "it sorts the notes of one page",
    ),
    ("rows/absent.rs", "SELECT analyzer, sequence, mark, value, up_to, width, day", DAY),
    ("lists/now.rs", "WITH RECURSIVE of_day", "it sorts 92 days at most"),
    ("lists/now.rs", "SELECT day FROM closing LIMIT 1", "the first row is enough"),
    (
        "lists/lookback.rs",
        "SELECT at, object, became FROM trail",
        "it sorts changes of configuration",
    ),
    ("rows/report.rs", "SELECT coalesce(e.corrects, e.n) AS root", ONE),
    (
        "rows/numbering.rs",
        "SELECT n.analyzer",
        "a short row a day and mark: some thousands in ten years",
    ),
    ("copying.rs", "SELECT 'report' AS what", "asked of a copy, once it is made"),
    (
        "lists/lookback.rs",
        "SELECT n, heard_at, taken_at, clock, strip, print FROM report WHERE analyzer = $1 AND class",
        "what a print says is in no index; a person asks for it rarely",
    ),
];

/// Texts that are no statement, but the beginning of some.
const HEADS: &[&str] = &["FROM message", "FROM report", "FROM absent", "FROM numbering n"];

async fn plan(conn: &mut AnyConnection, sql: &str) -> Vec<String> {
    let explain = format!("EXPLAIN QUERY PLAN {sql}");
    let rows = conn.fetch_all(sqlx::query(AssertSqlSafe(explain))).await;
    let rows = rows.unwrap_or_else(|e| panic!("{sql}: {e}"));
    rows.iter().map(|row| row.get("detail")).collect()
}

/// Whether a name in a plan is that of a table that grows, or stands for one.
fn grows(sql: &str, name: &str) -> bool {
    let words: Vec<&str> = sql.split([' ', ',', '(', ')']).filter(|w| !w.is_empty()).collect();
    let alias = |table: &str| {
        words.windows(2).any(|pair| pair == [table, name])
            || words.windows(3).any(|three| three == [table, "AS", name])
    };
    GROW.iter().any(|table| *table == name || alias(table))
}

/// What of a plan looks at more than it should.
fn faults(sql: &str, plan: &[String]) -> Vec<String> {
    let whole = |step: &&String| {
        let name = step.strip_prefix("SCAN ").and_then(|rest| rest.split(' ').next());
        name.is_some_and(|name| grows(sql, name)) && !OPEN.iter().any(|open| step.contains(open))
    };
    // Of one analyzer: as much as of all where there is but one, unless the first rows in the index's own
    // order are enough.
    let first = sql.contains(" LIMIT ") && !plan.iter().any(|step| step.contains("TEMP B-TREE"));
    let named = |step: &String| step.split(' ').nth(1).is_some_and(|name| grows(sql, name));
    let open = |step: &String| OPEN.iter().any(|open| step.contains(open));
    let over_more = plan.iter().any(|step| named(step) && !open(step));
    let sorts = |step: &&String| step.ends_with("ORDER BY") && over_more;
    // Of every day before one: the same.
    let wide = |step: &String| {
        (step.ends_with("(analyzer=?)") && !first) || step.ends_with("(day<?)") && !open(step)
    };
    let most = |step: &&String| wide(step) && named(step);
    plan.iter().filter(|step| whole(step) || most(step) || sorts(step)).cloned().collect()
}

#[tokio::test]
async fn no_statement_looks_at_all_that_was_ever_heard() {
    let path = scratch("plans-of-all").join("ledger.db");
    let ledger = Ledger::open(Address::Sqlite(path)).await.expect("a new ledger");
    let mut conn = ledger.db.read().await.expect("a connection");
    let (of_ledger, _) = all();
    let mut wrong = Vec::new();
    let mut excused = vec![0; EXCUSED.len()];
    let is_whole = |sql: &str| !HEADS.iter().any(|head| sql.ends_with(head));
    let of_moving = |place: &str| place.starts_with("moving.rs");
    for (place, sql) in of_ledger
        .iter()
        .filter(|(place, sql)| !sql.contains("pg_") && (is_whole(sql) || of_moving(place)))
    {
        let plan = plan(&mut conn, sql).await;
        let found = faults(sql, &plan);
        if found.is_empty() {
            continue;
        }
        let fits = |(file, begins, _): &(&str, &str, &str)| {
            place.split(':').next() == Some(*file) && sql.starts_with(begins)
        };
        match EXCUSED.iter().position(fits) {
            Some(nth) => excused[nth] += 1,
            None => wrong.push(format!("{place}: {sql}\n    {}", found.join("\n    "))),
        }
    }
    assert!(wrong.is_empty(), "{} statements:\n{}", wrong.len(), wrong.join("\n"));
    let unused = EXCUSED.iter().zip(excused).filter(|(_, many)| *many == 0);
    let unused: Vec<_> = unused.map(|(one, _)| one).collect();
    assert!(unused.is_empty(), "nothing to excuse: {unused:?}");
}

#[tokio::test]
async fn what_is_asserted_can_be_seen() {
    let path = scratch("plans-seen").join("ledger.db");
    let ledger = Ledger::open(Address::Sqlite(path)).await.expect("a new ledger");
    let mut conn = ledger.db.read().await.expect("a connection");
    for (sql, wrong) in [
        ("SELECT count(*) FROM report WHERE print = 'x'", true),
        ("SELECT h.reason FROM hold h WHERE h.detail = 'x'", true),
        ("SELECT n FROM trail AS t WHERE t.who = 'x'", true),
        ("SELECT n FROM report WHERE analyzer = $1 ORDER BY identity", true),
        ("SELECT day, count(*) FROM report WHERE day < $1 GROUP BY day", true),
        ("SELECT n FROM report WHERE state = 'held' ORDER BY n", false),
        ("SELECT n FROM report WHERE analyzer = $1 ORDER BY heard_at", true),
        ("SELECT n FROM report WHERE analyzer = $1 ORDER BY heard_at LIMIT 1", false),
    ] {
        let plan = plan(&mut conn, sql).await;
        assert_eq!(!faults(sql, &plan).is_empty(), wrong, "{sql}: {plan:?}");
    }
}
