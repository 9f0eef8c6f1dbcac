//! The day sheet by the real binary: read, explained, put on paper, closed, and what comes after.

use std::path::Path;

use serde_json::Value;
use wickline::simulate::analyzer::Style;
use wickline::simulate::script::{Class, Fault, Run, Script};

use crate::kit::{Daemon, Folder, ask, configuration, run, until};
use crate::way::{analyzer, pty, runtime, script};

/// How a command ended, and what it said to people.
fn said(config: &Path, words: &[&str]) -> (i32, String) {
    let output = run(config, words);
    let text = [output.stdout, output.stderr].concat();
    (output.status.code().expect("it ends by itself"), String::from_utf8_lossy(&text).into_owned())
}

fn strips(runs: &[(&str, &str, Fault)]) -> Script {
    let mut script = script(1, 3);
    let usual = script.run.remove(0);
    for (number, specimen, fault) in runs {
        let control = specimen.starts_with("QC");
        script.run.push(Run {
            number: (*number).to_owned(),
            specimen: (*specimen).to_owned(),
            class: if control { Class::Control } else { Class::Routine },
            fault: *fault,
            ..usual.clone()
        });
    }
    script
}

/// A sheet without what depends on when and where it was made.
fn timeless(text: &str, date: &str) -> String {
    let text = text.replace(date, "YYYY-MM-DD");
    let mut out = String::new();
    let mut rest = text.as_str();
    while let Some(at) = rest.find(':') {
        let time = at.checked_sub(2).and_then(|from| rest.get(from..from + 8));
        let digits = |t: &str| {
            t.bytes()
                .enumerate()
                .all(|(n, b)| if n % 3 == 2 { b == b':' } else { b.is_ascii_digit() })
        };
        if time.is_some_and(digits) {
            out.push_str(&rest[..at - 2]);
            out.push_str("hh:mm:ss");
            rest = &rest[at + 6..];
        } else {
            out.push_str(&rest[..=at]);
            rest = &rest[at + 1..];
        }
    }
    // The site's offset, which changes twice a year.
    (out + rest).replace("ss+01:00", "ss+00:00")
}

fn line<'a>(day: &'a Value, id: &str) -> &'a Value {
    let items = day["items"].as_array().expect("items");
    items.iter().find(|i| i["id"] == id).unwrap_or_else(|| panic!("no {id} in {day}"))
}

#[test]
fn a_day_from_the_first_strip_to_the_closing_and_after() {
    let folder = Folder::new("day");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    runtime().block_on(async {
        let (port, wire) = pty();
        let config =
            folder.write("wickline.toml", &configuration(&wire, "lis02", "ten-pad", "dir:out", ""));
        let mut daemon = Daemon::start(&config);
        let mut bench = analyzer(port, Style::Lis02);
        let first = strips(&[
            ("1", "KP-00001", Fault::None),
            ("2", "KP-00002", Fault::SentTwice),
            ("Q1001", "QC-L1", Fault::None),
            ("4", "KP-00004", Fault::None),
            ("5", "<b>&", Fault::None),
        ]);
        bench.run(&first, |_, _| ()).await.expect("the line holds");
        (0..=first.run.len()).for_each(|_| drop(daemon.wait_for(|e| e["event"] == "report")));
        until(|| ask(&config, &["queue"])["totals"]["waiting"] == 0);

        let day = ask(&config, &["day"]);
        let date = day["date"].as_str().expect("a date").to_owned();
        let order: Vec<&str> = day["items"]
            .as_array()
            .expect("items")
            .iter()
            .filter_map(|i| i["number"].as_str())
            .collect();
        assert_eq!(order, ["1", "2", "2", "3", "4", "5", "Q1001"]);
        let lis = &day["receivers"]["lis"];
        assert_eq!(
            (&lis["heard"], &lis["accepted"], &lis["repeat"], &lis["filed"], &lis["held"]),
            (&6.into(), &3.into(), &1.into(), &1.into(), &1.into()),
            "{lis}"
        );
        assert!(day["closed"].is_null() && day["faults"].as_array().is_some_and(Vec::is_empty));
        let todo = line(&day, "bench-1/3")["todo"].as_str().expect("what to do");
        assert!(todo.contains("wickline day explain 3 --analyzer bench-1"), "{todo}");
        let (code, text) = said(&config, &["day"]);
        assert_eq!(code, 1);
        fixture("day-open.txt", &timeless(&text, &date));
        let long = text.lines().find(|l| l.chars().count() > 100 && !l.contains("wickline "));
        assert_eq!(long, None, "a hundred columns, and only a command is longer");
        let (_, wide) = said(&config, &["day", "--wide"]);
        assert!(wide.contains("at receivers") && wide.contains("lis accepted"), "{wide}");
        refusals(&config, &date);
        paper(&folder, &config, &date);
        settle(&config, &date, &day);

        let late = strips(&[("7", "KP-00007", Fault::None)]);
        bench.run(&late, |_, _| ()).await.expect("the line holds");
        daemon.wait_for(|e| e["event"] == "report");
        until(|| ask(&config, &["queue"])["totals"]["waiting"] == 0);
        let (code, text) = said(&config, &["day", &date]);
        assert_eq!(code, 0, "{text}");
        fixture("day-closed.txt", &timeless(&text, &date));
        let after = ask(&config, &["day"])["closed"]["after"].clone();
        assert_eq!(after.as_array().map(Vec::len), Some(1), "{after}");
        assert_eq!(daemon.stop(), 0);
        spoil(&folder.0.join("ledger.db")).await;
        let (code, text) = said(&config, &["day", &date]);
        assert_eq!(code, 4, "{text}");
        assert!(text.contains("DOES NOT ADD UP") && text.contains("no message"), "{text}");
    });
}

fn refusals(config: &Path, date: &str) {
    for (words, code, part) in [
        (&["day", "14.3.2026"][..], 2, "not a date"),
        (&["day", "--analyzer", "bench-9"], 2, "configured: bench-1"),
        (&["day", "explain", "4", "--reason", "x"], 2, "accepted, not missing"),
        (&["day", "explain", "3"], 2, "--reason"),
        (&["day", "explain", "3", "--reason", "x", "--date", "2020-01-01"], 2, "--date"),
        (&["day", "close", "2999-01-01"], 2, "not begun"),
        (&["day", "close", date], 2, "bench-1: Q1001 was heard last"),
        (&["day", "close", date, "--last", "5"], 2, "bench-1=57"),
        (&["day", "close", date, "--last", "bench-1=5"], 2, "--last bench-1=Q1001"),
        (
            &["day", "close", date, "--last", "bench-1=5", "--last", "bench-1=Q1001"],
            1,
            "outstanding",
        ),
    ] {
        let (got, text) = said(config, words);
        assert!(got == code && text.contains(part), "{words:?}: {got} {text}");
    }
}

/// On paper: escaped, and with all that a person needs.
fn paper(folder: &Folder, config: &Path, date: &str) {
    let file = folder.0.join("day.html");
    let (code, text) = said(config, &["day", date, "--html", &file.to_string_lossy()]);
    assert!(code == 1 && text.contains("specimen ids"), "{code} {text}");
    let page = std::fs::read_to_string(&file).expect("a page");
    assert!(!page.contains("<b>&<") && page.contains("&#60;b&#62;&#38;"), "{page}");
    for part in
        ["Kestrel Point Clinic", "2 outstanding", "Signature", "At each receiver", "day explain 3"]
    {
        assert!(page.contains(part), "{part}: {page}");
    }
}

/// Explains, sets aside, confirms one too many, and closes.
fn settle(config: &Path, date: &str, day: &Value) {
    let (code, text) =
        said(config, &["day", "explain", "3", "--reason", "strip jammed", "--as", "J. Mast"]);
    assert!(code == 0 && text.contains("number 3 of bench-1 is now explained"), "{code} {text}");
    let items = day["items"].as_array().expect("items");
    let held = items.iter().find(|i| i["state"] == "held").and_then(|i| i["id"].as_str());
    said(config, &["held", "set-aside", held.expect("an id"), "--reason", "run again"]);
    let close = |last: &str| {
        let last = format!("bench-1={last}");
        let last = ["--last", &last, "--last", "bench-1=Q1001", "--as", "J. Mast"];
        said(config, &[&["day", "close", date][..], &last].concat())
    };
    let (code, text) = close("6");
    assert!(code == 1 && text.contains("did not come: 6"), "{code} {text}");
    many(config, date);
    let explain = ["day", "explain", "6", "--reason", "no urine", "--as", "J. Mast"];
    assert_eq!(said(config, &explain).0, 0);
    let (code, text) = close("16");
    assert!(code == 0 && text.contains("is closed by J. Mast"), "{code} {text}");
    let closed = ask(config, &["day"])["closed"].clone();
    assert_eq!(closed["last"]["bench-1"], serde_json::json!(["16", "Q1001"]));
    assert_eq!(
        (closed["who"].as_str(), closed["after"].as_array().map(Vec::len)),
        (Some("J. Mast"), Some(0))
    );
    assert_eq!(said(config, &["day"]).0, 0);
}

/// A last number that would make many others missing is refused with the command that says it again; what a
/// hint says is run as it stands, and taken back.
fn many(config: &Path, date: &str) {
    let last = ["--last", "bench-1=16", "--last", "bench-1=Q1001"];
    let (code, text) = said(config, &[&["day", "close", date][..], &last].concat());
    assert!(code == 2 && text.contains("10 would be missing: 7-16"), "{code} {text}");
    let hint = text.lines().last().expect("a hint").trim();
    assert!(hint.ends_with("--again bench-1=16"), "{hint}");
    let (code, text) = run_hint(config, hint);
    assert!(code == 1 && text.contains("did not come: 7-16"), "{code} {text}");
    let day = ask(config, &["day"]);
    let items = day["items"].as_array().expect("items");
    let line = items.iter().find(|i| i["number"] == "6-16").unwrap_or_else(|| panic!("{day}"));
    assert_eq!(line["numbers"], 11);
    let todo = line["todo"].as_str().expect("what to do");
    let hint = &todo[todo.find("wickline").expect("a command")..];
    let (code, text) = run_hint(config, hint);
    assert!(code == 0 && text.contains("number 6-16 of bench-1 is now explained"), "{code} {text}");
    let back = ["day", "unexplain", "6", "--reason", "it is in the tray", "--as", "J. Mast"];
    let (code, text) = said(config, &back);
    assert!(code == 0 && text.contains("number 6 of bench-1 is now missing"), "{code} {text}");
}

/// Runs a command as a person would copy it; what it would ask at a terminal is given.
fn run_hint(config: &Path, hint: &str) -> (i32, String) {
    let mut words: Vec<&str> = hint.split_whitespace().skip(1).collect();
    if words.contains(&"explain") {
        words.extend(["--reason", "strips jammed"]);
    }
    said(config, &words)
}

/// A message that no program of ours would take away.
async fn spoil(ledger: &Path) {
    use sqlx::Connection;
    sqlx::any::install_default_drivers();
    let url = format!("sqlite://{}", ledger.display());
    let mut conn = sqlx::AnyConnection::connect(&url).await.expect("the ledger opens");
    let done = sqlx::query("DELETE FROM message WHERE report = 1").execute(&mut conn).await;
    assert_eq!(done.expect("changed").rows_affected(), 1);
    conn.close().await.expect("closed");
}

/// A sheet as it was once looked at.
fn fixture(name: &str, found: &str) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/wickline").join(name);
    if std::env::var("WICKLINE_BLESS").is_ok_and(|v| v == "1") {
        std::fs::write(&path, found).expect("written");
    }
    let wanted = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        found == wanted,
        "{name}: WICKLINE_BLESS=1 writes it anew; read the difference\n{found}"
    );
}
