//! A report that the ledger cannot take in stops nobody: the others go on, its lines are kept for a person.

use std::time::Duration;

use sqlx::{Connection, Executor};
use tokio::io::AsyncWriteExt;
use wickline_forward::receive::Receiver;
use wickline_normalize::strip::Strip;

use crate::kit::{Daemon, Folder, ask, configuration};
use crate::several::Server;
use crate::way::{check, gather, runtime};

/// The ledger refuses one number, as a damaged index or a defect of our own would.
const SQLITE: &[&str] = &["CREATE TRIGGER refuse BEFORE INSERT ON report WHEN NEW.number = '13' \
     BEGIN SELECT RAISE(ABORT, 'thirteen is refused'); END"];
const POSTGRES: &[&str] = &[
    "CREATE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS \
     $$ BEGIN RAISE EXCEPTION 'thirteen is refused'; END $$",
    "CREATE TRIGGER refuse BEFORE INSERT ON report FOR EACH ROW WHEN (NEW.number = '13') \
     EXECUTE FUNCTION refuse()",
];

async fn order(url: &str, statements: &[&'static str]) {
    sqlx::any::install_default_drivers();
    let mut conn = sqlx::AnyConnection::connect(url).await.expect("the ledger");
    for statement in statements {
        conn.execute(*statement).await.unwrap_or_else(|e| panic!("{statement}: {e}"));
    }
    conn.close().await.expect("closed");
}

/// Twenty reports at once, of which the thirteenth always fails.
async fn one_of_many(folder: &Folder, ledger: Option<&str>) {
    let aa = vec!["aa".parse().expect("an answer")];
    let mut receiver =
        Receiver::bind("127.0.0.1:0", aa, Duration::ZERO, None).await.expect("a port");
    let address = format!("mllp://{}", receiver.address());
    let mut text = configuration("listen:127.0.0.1:0", "two-column", "ten-pad", &address, "");
    if let Some(url) = ledger {
        text = text.replace("sqlite:ledger.db", url);
    }
    let config = folder.write("wickline.toml", &text);
    let mut daemon = Daemon::start(&config);
    match ledger {
        Some(url) => order(url, POSTGRES).await,
        None => {
            let url = format!("sqlite://{}", folder.0.join("ledger.db").display());
            order(&url, SQLITE).await;
        }
    }
    let now = wickline::clock::SiteClock::new("Europe/Lisbon").expect("a zone");
    let now = now.moment(wickline::clock::now_us());
    let strip = Strip::builtin("ten-pad").expect("a built-in");
    let prints = crate::way::script(20, 19).run;
    let print = |run| wickline::simulate::print::two_column(&strip, run, now);
    let text: Vec<u8> = prints.iter().flat_map(print).collect();
    let mut line = tokio::net::TcpStream::connect(&daemon.lines[0]).await.expect("the line");
    line.write_all(&text).await.expect("written at once");
    daemon.wait_for(|e| e["event"] == "report" && e["reason"] == "unreadable");
    let mut got = Vec::new();
    let done = || ask(&config, &["queue"])["totals"]["accepted"] == 19;
    gather(&mut receiver, &mut got, done).await;
    let passed = prints.iter().filter(|run| run.number != "13");
    check(&got, &passed.map(|run| run.specimen.clone()).collect::<Vec<_>>());
    let held = ask(&config, &["held"]);
    assert_eq!(held["totals"]["held"], 1, "{held}");
    let item = &held["items"][0];
    assert_eq!(item["reason"], "unreadable");
    assert!(item.to_string().contains("thirteen is refused"), "the error is told: {item}");
    let shown = ask(&config, &["held", "show", item["id"].as_str().expect("an id")]).to_string();
    let specimen = &prints.iter().find(|run| run.number == "13").expect("it was run").specimen;
    assert!(shown.contains(specimen.as_str()), "its lines are kept: {shown}");
    assert_eq!(daemon.stop(), 0);
    // Where it stands on the tape was passed: nothing comes again.
    let daemon = Daemon::start(&config);
    assert_eq!(ask(&config, &["held"])["totals"]["held"], 1);
    assert_eq!(daemon.stop(), 0);
}

#[test]
fn one_report_that_always_fails_stops_no_other() {
    let folder = Folder::new("culprit");
    runtime().block_on(one_of_many(&folder, None));
}

#[test]
fn one_report_that_always_fails_stops_no_other_on_a_server() {
    let Some(server) = Server::start("culprit") else { return };
    let folder = Folder::new("culprit");
    runtime().block_on(one_of_many(&folder, Some(&server.url)));
}
