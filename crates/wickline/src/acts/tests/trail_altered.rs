//! The trail under attack: whatever is done to its rows past the program is found and named.

use sqlx::AssertSqlSafe;

use super::*;
use crate::settings::effective::Effective;
use crate::store::db::Db;
use crate::store::trail::verify::{Fault, Verified};
use crate::store::trail::view::Asked as Rows;
use crate::store::trail::{Act, Head, Row};

/// Acts in the trail that is attacked.
const ACTS: i64 = 9;

on_both!(
    any_change_of_any_row_is_found,
    a_chain_that_was_written_anew_is_found_by_a_noted_head,
    rows_of_an_old_ledger_are_sealed_once,
    a_moved_ledger_keeps_its_chain,
    the_trail_is_asked_for_in_parts,
    a_changed_configuration_is_noted_once,
    an_announced_change_bears_its_name,
    what_stops_or_pauses_a_receiver_is_an_act,
);

async fn sql(ledger: &Ledger, statements: &[String]) {
    let mut write = ledger.db.write().await.expect("a write");
    for statement in statements {
        let done = write.conn().execute(AssertSqlSafe(statement.as_str())).await;
        done.unwrap_or_else(|e| panic!("{statement}: {e}"));
    }
    write.commit().await.expect("committed");
}

/// Acts with every kind of field: there, empty, not there, with marks that an encoding may use itself.
async fn acts(ledger: &Ledger, count: i64) {
    let texts = [None, Some(""), Some("-"), Some("3:abc"), Some("Zoë \"x\"\n'"), Some("plain")];
    let pick = |n: usize| texts[n % texts.len()].map(str::to_owned);
    for n in 0..usize::try_from(count).expect("few") {
        let object = format!("report {n}");
        let (reason, was, became) = (pick(n), pick(n / 2), pick(n + 3));
        let actor = Actor { name: format!("J. Mast {}", n % 2), login: "lab".into() };
        let act = Act { verb: "release", object, reason, was, became };
        ledger.note(&actor, act).await.expect("noted");
    }
}

async fn verified(ledger: &Ledger, known: &[Head]) -> Verified {
    ledger.trail_verify(known).await.expect("verified")
}

async fn first(ledger: &Ledger) -> Option<Fault> {
    verified(ledger, &[]).await.faults.first().cloned()
}

/// Keeps the trail aside, and puts it back after each attack.
async fn attack(ledger: &Ledger, statements: &[String], wanted: Option<Fault>) {
    sql(ledger, statements).await;
    assert_eq!(first(ledger).await, wanted, "{statements:?}");
    let back = [
        "DELETE FROM trail".to_owned(),
        "INSERT INTO trail SELECT * FROM kept".to_owned(),
        format!("UPDATE counter SET value = {ACTS} WHERE name = 'trail'"),
    ];
    sql(ledger, &back).await;
}

fn one(statement: impl Into<String>) -> [String; 1] {
    [statement.into()]
}

/// Numbers every row after `after` anew.
fn shift(after: i64, by: i64) -> [String; 2] {
    [
        format!("UPDATE trail SET n = -n WHERE n > {after}"),
        format!("UPDATE trail SET n = {by} - n WHERE n < 0"),
    ]
}

async fn any_change_of_any_row_is_found(lab: Lab) {
    let ledger = &lab.ledger;
    acts(ledger, ACTS).await;
    assert_eq!(first(ledger).await, None);
    sql(ledger, &one("CREATE TABLE kept AS SELECT * FROM trail")).await;
    for n in 1..=ACTS {
        fields(ledger, n).await;
        places(ledger, n).await;
    }
    let counter = |n: i64| format!("UPDATE counter SET value = {n} WHERE name = 'trail'");
    let behind = Fault::CounterBehind { last: ACTS, counter: 2 };
    attack(ledger, &one(counter(2)), Some(behind)).await;
    let cut = one(format!("DELETE FROM trail WHERE n > {}", ACTS - 3));
    let wanted = Fault::CutOff { last: ACTS - 3, counter: ACTS };
    attack(ledger, &cut, Some(wanted)).await;
    attack(ledger, &one("DELETE FROM trail"), Some(Fault::CutOff { last: 0, counter: ACTS })).await;
    let label = "UPDATE ledger_label SET made_at = made_at + 1";
    attack(ledger, &one(label), Some(Fault::Altered { n: 1 })).await;
    sql(ledger, &one("UPDATE ledger_label SET made_at = made_at - 1")).await;
    if !ledger.is_shared() {
        let text = one("UPDATE trail SET at = 'noon' WHERE n = 4");
        attack(ledger, &text, Some(Fault::Unreadable { after: 3 })).await;
    }
    // Without its key the table takes a number twice.
    let twice = [
        "DROP TABLE trail".to_owned(),
        "CREATE TABLE trail AS SELECT * FROM kept".to_owned(),
        "INSERT INTO trail SELECT * FROM kept WHERE n = 5".to_owned(),
    ];
    attack(ledger, &twice, Some(Fault::Twice { n: 5 })).await;
    assert_eq!(first(ledger).await, None, "put back, it is whole");
}

/// Every field of one row, altered.
async fn fields(ledger: &Ledger, n: i64) {
    let altered = Some(Fault::Altered { n });
    for column in ["who", "login", "verb", "object"] {
        let set = format!("UPDATE trail SET {column} = {column} || 'x' WHERE n = {n}");
        attack(ledger, &one(set), altered.clone()).await;
    }
    for column in ["reason", "was", "became"] {
        for value in ["NULL", "''", "'-'", "'other'"] {
            let set = format!("UPDATE trail SET {column} = {value} WHERE n = {n}");
            let same = format!(
                "SELECT count(*) FROM trail WHERE n = {n} AND ({column} = {value} OR \
                 ({column} IS NULL AND {value} IS NULL))"
            );
            let mut conn = ledger.db.read().await.expect("a connection");
            let row = conn.fetch_one(AssertSqlSafe(same)).await.expect("a count");
            let same = sqlx::Row::get::<i64, _>(&row, 0) == 1;
            attack(ledger, &one(set), altered.clone().filter(|_| !same)).await;
        }
    }
    let swap = format!("UPDATE trail SET was = became, became = was WHERE n = {n}");
    let mut conn = ledger.db.read().await.expect("a connection");
    let same = format!("SELECT count(*) FROM trail WHERE n = {n} AND was = became");
    let row = conn.fetch_one(AssertSqlSafe(same)).await.expect("a count");
    let same = sqlx::Row::get::<i64, _>(&row, 0) == 1;
    attack(ledger, &one(swap), altered.clone().filter(|_| !same)).await;
    let set = |what: &str| one(format!("UPDATE trail SET {what} WHERE n = {n}"));
    attack(ledger, &set("at = at + 1"), altered.clone()).await;
    attack(ledger, &set("hash = 'ab'"), altered).await;
    attack(ledger, &set("hash = NULL"), Some(Fault::Unsealed { n })).await;
}

/// One row taken out, moved, numbered anew, or one put in before it.
async fn places(ledger: &Ledger, n: i64) {
    let last = n == ACTS;
    let delete = format!("DELETE FROM trail WHERE n = {n}");
    let missing = Fault::Missing { from: n, to: n };
    let cut = Fault::CutOff { last: ACTS - 1, counter: ACTS };
    attack(ledger, &one(&delete), Some(if last { cut } else { missing })).await;
    let down = format!("UPDATE counter SET value = {} WHERE name = 'trail'", ACTS - 1);
    let [away, back] = shift(n, -1);
    let closed = [delete, away, back, down];
    // The last row with its counter leaves no trace but a head that was noted.
    attack(ledger, &closed, (!last).then_some(Fault::Altered { n })).await;
    let far = one(format!("UPDATE trail SET n = n + 1000 WHERE n = {n}"));
    let to = if last { n + 999 } else { n };
    attack(ledger, &far, Some(Fault::Missing { from: n, to })).await;
    let zero = one(format!("UPDATE trail SET n = 1 - n WHERE n = {n}"));
    attack(ledger, &zero, Some(Fault::Foreign { n: 1 - n })).await;
    for other in n + 1..=ACTS {
        let swap = [
            format!("UPDATE trail SET n = -1 WHERE n = {n}"),
            format!("UPDATE trail SET n = {n} WHERE n = {other}"),
            format!("UPDATE trail SET n = {other} WHERE n = -1"),
        ];
        attack(ledger, &swap, Some(Fault::OutOfOrder { n, belongs: other })).await;
    }
    let [away, back] = shift(n - 1, 1);
    let put = format!(
        "INSERT INTO trail SELECT {n}, at, who, login, verb, object, reason, was, became, hash \
         FROM kept WHERE n = {n}"
    );
    let up = format!("UPDATE counter SET value = {} WHERE name = 'trail'", ACTS + 1);
    // A copy of the row itself fits; the row that was there does not fit behind it.
    let doubled = if last {
        Fault::Altered { n: n + 1 }
    } else {
        Fault::OutOfOrder { n: n + 1, belongs: n + 2 }
    };
    attack(ledger, &[away.clone(), back.clone(), put, up.clone()], Some(doubled)).await;
    let made = format!(
        "INSERT INTO trail VALUES ({n}, 1, 'x', 'x', 'x', 'x', NULL, NULL, NULL, '{}')",
        "ab".repeat(32)
    );
    attack(ledger, &[away, back, made, up], Some(Fault::OutOfOrder { n, belongs: n + 1 })).await;
}

/// Who can write the whole ledger can make a chain that fits: only what was noted elsewhere tells.
async fn a_chain_that_was_written_anew_is_found_by_a_noted_head(lab: Lab) {
    let ledger = &lab.ledger;
    let start = ledger.trail_head().await.expect("a head");
    assert_eq!(start.n, 0);
    acts(ledger, 5).await;
    let head = ledger.trail_head().await.expect("a head");
    acts(ledger, 3).await;
    let short = Head { n: 5, hash: head.hash[..16].to_owned() };
    let known = [start.clone(), head.clone(), short];
    assert_eq!(verified(ledger, &known).await.faults, []);
    let (rows, _) = ledger.trail(&Rows::default()).await.expect("rows");
    let mut previous = start.hash;
    for row in rows {
        let forged = Row { reason: Some("forged".into()), ..row };
        previous = forged.seal(&previous);
        let set = format!(
            "UPDATE trail SET reason = 'forged', hash = '{previous}' WHERE n = {}",
            forged.n
        );
        sql(ledger, &one(set)).await;
    }
    assert_eq!(first(ledger).await, None, "it fits in itself");
    let faults = verified(ledger, &known).await.faults;
    assert!(matches!(&faults[..], [Fault::Known { n: 5, found: Some(_), .. }, _]), "{faults:?}");
    let cut =
        ["DELETE FROM trail WHERE n > 4", "UPDATE counter SET value = 4 WHERE name = 'trail'"];
    sql(ledger, &cut.map(str::to_owned)).await;
    assert_eq!(first(ledger).await, None, "a shorter trail fits in itself");
    let faults = verified(ledger, &[head]).await.faults;
    assert!(matches!(&faults[..], [Fault::Known { n: 5, found: None, .. }]), "{faults:?}");
}

/// A ledger as the versions before made it, with more rows than one step takes.
async fn rows_of_an_old_ledger_are_sealed_once(lab: Lab) {
    let address = old_ledger(&lab).await;
    let ledger = Ledger::open(address.clone()).await.expect("upgraded");
    let found = verified(&ledger, &[]).await;
    assert_eq!((found.faults, found.rows, found.sealed_late), (vec![], 1204, 1203));
    let (rows, count) = ledger.trail(&Rows { last: 1, ..Rows::default() }).await.expect("rows");
    assert_eq!((rows[0].verb.as_str(), count), ("seal", 1204));
    acts(&ledger, 2).await;
    Ledger::open(address.clone()).await.expect("opened again");
    assert_eq!(verified(&ledger, &[]).await.rows, 1206, "sealed once");
    // Who takes the seals off and alters a row finds no help in opening it again.
    let off = ["UPDATE trail SET hash = NULL", "UPDATE trail SET who = 'x' WHERE n = 7"];
    sql(&ledger, &off.map(str::to_owned)).await;
    let ledger = Ledger::open(address).await.expect("opened");
    assert_eq!(first(&ledger).await, Some(Fault::Unsealed { n: 1 }));
    acts(&ledger, 1).await;
}

async fn old_ledger(lab: &Lab) -> Address {
    let address = match lab.ledger.db.address() {
        Address::Sqlite(_) => Address::Sqlite(scratch("old").join("ledger.db")),
        Address::Postgres(url) => {
            let (base, name) = url.rsplit_once('/').expect("a URL with a database");
            let mut conn = lab.ledger.db.read().await.expect("a connection");
            let create = format!("CREATE DATABASE {name}_old");
            conn.execute(AssertSqlSafe(create)).await.expect("a database");
            Address::Postgres(format!("{base}/{name}_old"))
        }
    };
    let db = Db::open(address.clone(), &crate::store::ledger::MIGRATIONS[..2])
        .await
        .expect("an old schema");
    let mut write = db.write().await.expect("a write");
    let rows: Vec<String> = (1..=1203)
        .map(|n| format!("({n}, {n}, 'a', 'b', 'release', 'report {n}', NULL, '', 'waiting')"))
        .collect();
    let statements = [
        "INSERT INTO ledger_label (epoch, made_at) VALUES ('OLD1', 5)".to_owned(),
        "INSERT INTO counter VALUES ('report', 0), ('message', 0), ('trail', 1203)".to_owned(),
        format!(
            "INSERT INTO trail (n, at, who, login, verb, object, reason, was, became) VALUES {}",
            rows.join(", ")
        ),
    ];
    for statement in statements {
        write.conn().execute(AssertSqlSafe(statement)).await.expect("an old row");
    }
    write.commit().await.expect("committed");
    address
}

async fn a_moved_ledger_keeps_its_chain(lab: Lab) {
    let from = Ledger::open(Address::Sqlite(scratch("from").join("ledger.db"))).await;
    let (from, to, actor) = (from.expect("a ledger"), &lab.ledger, Actor::person(None));
    acts(&from, 4).await;
    acts(to, 2).await;
    let known = [from.trail_head().await.expect("a head")];
    from.move_to(to, &actor).await.expect("moved");
    from.move_to(to, &actor).await.expect("again: nothing more");
    for ledger in [&from, to] {
        assert_eq!(verified(ledger, &known).await.faults, []);
    }
    let (rows, _) =
        to.trail(&Rows { object: Some("ledger".into()), ..Rows::default() }).await.expect("rows");
    let verbs: Vec<&str> = rows.iter().map(|r| r.verb.as_str()).collect();
    assert_eq!(verbs, ["bar", "move"]);
    let reason = rows[1].reason.as_deref().expect("what gave way");
    assert!(
        reason.starts_with("2 rows of the new ledger's own trail gave way, the last 2:"),
        "{reason}"
    );
    acts(to, 1).await;
    assert_eq!(verified(to, &known).await.rows, 7);
}

async fn the_trail_is_asked_for_in_parts(lab: Lab) {
    let ledger = &lab.ledger;
    acts(ledger, 12).await;
    sql(ledger, &one("UPDATE trail SET at = n * 10")).await;
    let ask = async |asked: Rows| {
        let (rows, count) = ledger.trail(&asked).await.expect("rows");
        (rows.iter().map(|r| r.n).collect::<Vec<_>>(), count)
    };
    let all = Rows::default;
    assert_eq!(ask(Rows { last: 3, ..all() }).await, (vec![10, 11, 12], 12));
    assert_eq!(ask(Rows { last: 3, before: 10, ..all() }).await, (vec![7, 8, 9], 9));
    assert_eq!(ask(Rows { from: 30, to: 60, ..all() }).await, (vec![3, 4, 5], 3));
    assert_eq!(ask(Rows { object: Some("report 1".into()), ..all() }).await, (vec![2], 1));
    assert_eq!(ask(Rows { object: Some("report".into()), ..all() }).await.1, 12);
    assert_eq!(ask(Rows { object: Some("rep".into()), ..all() }).await.1, 0);
    assert_eq!(ask(Rows { who: Some("J. Mast 1".into()), ..all() }).await.1, 6);
    assert_eq!(ask(Rows { who: Some("lab".into()), ..all() }).await.1, 12);
    let hostile = "'; DROP TABLE trail; --";
    assert_eq!(ask(Rows { who: Some(hostile.into()), ..all() }).await, (vec![], 0));
}

fn effective(speed: u32, password: &str) -> Effective {
    let text = format!(
        "[store]\nledger = \"postgres://w:{password}@db/w\"\n[[analyzer]]\nid = \"b\"\nspeed = {speed}\n"
    );
    let strip = format!("speed = {speed}\n");
    Effective::new(&text, [("strips/own.toml".to_owned(), strip)].into())
}

async fn rows_of(ledger: &Ledger) -> Vec<Row> {
    ledger.trail(&Rows::default()).await.expect("rows").0
}

async fn a_changed_configuration_is_noted_once(lab: Lab) {
    let ledger = &lab.ledger;
    let (one_way, other) = (effective(9600, "s3cret"), effective(19200, "s3cret"));
    for (bench, now, changed) in [
        ("host/a", &one_way, true),
        ("host/a", &one_way, false),
        ("host/b", &other, true),
        ("host/a", &one_way, false),
        ("host/a", &other, true),
        ("host/a", &other, false),
        ("host/a", &one_way, true),
    ] {
        assert_eq!(ledger.configuration_used(bench, now).await.expect("noted"), changed, "{bench}");
    }
    let rows = rows_of(ledger).await;
    assert_eq!(rows.len(), 4);
    let change = &rows[2];
    assert_eq!(
        (change.verb.as_str(), change.was.as_ref()),
        ("configuration", Some(&one_way.fingerprint))
    );
    assert_eq!(change.object, "configuration of host/a");
    let wanted = format!(
        "{}: changed analyzer b.speed: 9600 -> 19200; changed file strips/own.toml",
        other.fingerprint
    );
    assert_eq!(change.became, Some(wanted));
    let used = ledger.configurations().await.expect("a list");
    assert_eq!(used.len(), 2, "each text is kept once");
    assert_eq!(
        used.iter().find(|u| u.fingerprint == other.fingerprint).expect("there").benches,
        ["host/a", "host/b"]
    );
    let (print, body) = ledger.configuration(&other.fingerprint[..10]).await.expect("one");
    assert_eq!((&print, &body), (&other.fingerprint, &other.body));
    assert!(body.contains("w:***@db/w") && !body.contains("s3cret"), "{body}");
    assert!(matches!(ledger.configuration("zz").await, Err(StoreError::Refused { .. })));
    assert_eq!(first(ledger).await, None);
    let alter = "UPDATE configuration SET body = replace(body, '19200', '4800')";
    sql(ledger, &one(alter)).await;
    let wanted = Fault::Configuration { fingerprint: other.fingerprint.clone() };
    assert_eq!(first(ledger).await, Some(wanted));
    sql(ledger, &one(format!("DELETE FROM configuration WHERE fingerprint = '{print}'"))).await;
    let wanted = Fault::NoConfiguration { n: 2, fingerprint: print };
    assert_eq!(first(ledger).await, Some(wanted));
}

async fn an_announced_change_bears_its_name(lab: Lab) {
    let (ledger, actor) = (&lab.ledger, Actor::person(Some("J. Mast".into())));
    let (old, new) = (effective(9600, "a"), effective(19200, "a"));
    ledger.configuration_used("host/a", &old).await.expect("noted");
    let same = ledger.configuration_announce(&actor, "host/a", &old, "no").await.expect("asked");
    assert!(same.is_err_and(|why| why.contains("in use already")));
    let told =
        ledger.configuration_announce(&actor, "host/a", &new, "faster").await.expect("asked");
    assert_eq!(told, Ok(()));
    let again =
        ledger.configuration_announce(&actor, "host/a", &new, "faster").await.expect("asked");
    assert!(again.is_err_and(|why| why.contains("J. Mast") && why.contains("row 2")));
    assert!(!ledger.configuration_used("host/a", &old).await.expect("noted"), "still the old one");
    assert!(ledger.configuration_used("host/a", &new).await.expect("noted"));
    assert!(!ledger.configuration_used("host/a", &new).await.expect("noted"));
    let rows = rows_of(ledger).await;
    let told: Vec<_> =
        rows.iter().map(|r| (r.verb.as_str(), r.who.as_str(), r.reason.as_deref())).collect();
    let by = "wickline";
    assert_eq!(
        told,
        [
            ("configuration", by, None),
            ("configuration", "J. Mast", Some("faster")),
            ("in-use", by, None)
        ]
    );
    assert!(rows[1].became.as_deref().is_some_and(|b| b.contains("9600 -> 19200")));
    assert_eq!(rows[2].became, Some(format!("{}: announced by J. Mast in row 2", new.fingerprint)));
    assert_eq!(first(ledger).await, None);
}

async fn what_stops_or_pauses_a_receiver_is_an_act(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "NEG")];
    lab.take(&heard, 1).await;
    let ledger = &lab.ledger;
    ledger.receiver_known("lis", true).await.expect("known");
    ledger.receiver_known("lis", true).await.expect("known already");
    let refused = Settled {
        detail: Some("KP-00001 is nobody here".into()),
        reason: Some("receiver-reject"),
        stop: true,
        ..settled(1, MessageState::Refused)
    };
    ledger.queue_settle("lis", 0, std::slice::from_ref(&refused)).await.expect("recorded");
    ledger.queue_settle("lis", 0, &[refused]).await.expect("done already");
    let rows = rows_of(ledger).await;
    let told: Vec<_> = rows.iter().map(|r| (r.verb.as_str(), r.reason.as_deref())).collect();
    assert_eq!(
        told,
        [
            ("pause", Some("new, and paused = true in the configuration")),
            ("stop", Some("1@lis was refused: receiver-reject"))
        ]
    );
}

/// Two daemons and their people, as fast as they can: one chain.
#[tokio::test]
async fn many_at_once_make_one_chain() {
    let Some(lab) = Lab::postgres().await else { return };
    let mut others = Vec::new();
    for _ in 0..3 {
        let address = lab.ledger.db.address().clone();
        others.push(Ledger::open(address).await.expect("the same ledger"));
    }
    let (a, b) = (acts(&others[0], 40), acts(&others[1], 40));
    tokio::join!(a, b, acts(&others[2], 40), acts(&lab.ledger, 40));
    let found = verified(&lab.ledger, &[]).await;
    assert_eq!((found.faults, found.rows), (vec![], 160));
}
