//! The trail of the real daemon: every change of configuration with who and why, every act, and what is
//! said when somebody has been at the rows.

use std::path::Path;

use serde_json::Value;
use sqlx::{AssertSqlSafe, Connection, Executor};

use crate::faults::preload;
use crate::kit::{Daemon, Folder, ask, configuration, run, said, until};
use crate::way::runtime;

/// A bench whose line nobody calls and whose receiver is a folder.
fn bench(folder: &Folder, late: u32) -> std::path::PathBuf {
    let _ = std::fs::create_dir_all(folder.0.join("out"));
    let more = format!("late_minutes = {late}");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", &more);
    folder.write("wickline.toml", &text)
}

fn rows(config: &Path) -> Vec<Value> {
    let all = ask(config, &["trail"]);
    assert_eq!(all["totals"]["rows"], all["totals"]["shown"], "all of them at once");
    all["items"].as_array().expect("rows").clone()
}

fn verbs(config: &Path) -> Vec<String> {
    let text = |row: &Value| row["verb"].as_str().expect("a verb").to_owned();
    rows(config).iter().map(text).collect()
}

/// Has the daemon read its configuration again, and waits until it works with it: then so many rows are there.
fn reload(daemon: &mut Daemon, config: &Path, wanted: usize) {
    daemon.hang_up();
    daemon.wait_for(|e| e["event"] == "ready");
    until(|| verbs(config).len() == wanted);
}

fn tamper(folder: &Folder, statement: &str) {
    runtime().block_on(async {
        sqlx::any::install_default_drivers();
        let url = format!("sqlite://{}", folder.0.join("ledger.db").display());
        let mut conn = sqlx::AnyConnection::connect(&url).await.expect("the ledger opens");
        conn.execute(AssertSqlSafe(statement)).await.expect("a change past the program");
        conn.close().await.expect("closed");
    });
}

fn text(output: &std::process::Output) -> String {
    let both = [output.stdout.as_slice(), output.stderr.as_slice()].concat();
    String::from_utf8_lossy(&both).into_owned()
}

#[test]
fn each_change_of_configuration_is_in_the_trail_and_an_altered_row_is_found() {
    let folder = Folder::new("trail");
    let config = bench(&folder, 5);
    let early = ["check", "--record", "--as", "J. Mast", "--reason", "first"];
    assert_eq!(run(&config, &early).status.code(), Some(3), "no bench to announce it for yet");
    let mut daemon = Daemon::start(&config);
    until(|| verbs(&config) == ["configuration", "start"]);
    bench(&folder, 7);
    reload(&mut daemon, &config, 3);
    assert_eq!(verbs(&config), ["configuration", "start", "configuration"]);
    let change = rows(&config)[2].clone();
    let became = change["became"].as_str().expect("what changed");
    assert!(became.ends_with(": changed receiver lis.late_minutes: 5 -> 7"), "{became}");
    // Read again without a change: nothing is added.
    reload(&mut daemon, &config, 3);
    bench(&folder, 9);
    let announced = ["check", "--record", "--as", "J. Mast", "--reason", "the LIS is slower now"];
    let output = run(&config, &announced);
    assert_eq!(output.status.code(), Some(0), "{}", text(&output));
    reload(&mut daemon, &config, 5);
    assert_eq!(verbs(&config)[3..], ["configuration", "in-use"]);
    let row = rows(&config)[3].clone();
    assert_eq!((&row["who"], &row["reason"]), (&"J. Mast".into(), &"the LIS is slower now".into()));
    let output = run(&config, &announced);
    assert!(text(&output).contains("in use already"), "{}", text(&output));
    run(&config, &["queue", "pause", "lis", "--as", "J. Mast"]);
    assert_eq!(daemon.stop(), 0);
    let used = ask(&config, &["trail", "configuration"]);
    assert_eq!(used["items"].as_array().map(Vec::len), Some(3));
    let print = used["items"][1]["fingerprint"].as_str().expect("a fingerprint");
    let output = run(&config, &["trail", "configuration", &print[..12]]);
    assert!(text(&output).contains("late_minutes = 7"), "{}", text(&output));
    let output = run(&config, &["trail", "--object", "receiver lis"]);
    assert!(text(&output).contains("J. Mast") && text(&output).contains("pause"));
    altered(&folder, &config);
}

fn altered(folder: &Folder, config: &Path) {
    let verify = |known: &[&str]| {
        let output = run(config, &[&["trail", "verify"], known].concat());
        (output.status.code(), text(&output))
    };
    let head = ask(config, &["trail", "verify"]);
    assert_eq!((&head["whole"], &head["head"]["n"]), (&true.into(), &7.into()), "{head}");
    let seal = head["head"]["hash"].as_str().expect("a seal");
    let noted = format!("7:{}", &seal[..20]);
    let (code, said) = verify(&["--known", &noted]);
    assert_eq!(code, Some(0), "{said}");
    tamper(folder, "UPDATE trail SET who = 'nobody' WHERE n = 4");
    let (code, said) = verify(&[]);
    assert_eq!(code, Some(4), "{said}");
    assert!(said.contains("row 4 is altered"), "{said}");
    tamper(folder, "UPDATE trail SET who = 'J. Mast' WHERE n = 4");
    assert_eq!(verify(&[]).0, Some(0));
    tamper(folder, "DELETE FROM trail WHERE n = 7");
    let (code, said) = verify(&[]);
    assert!(code == Some(4) && said.contains("taken from the end"), "{said}");
    tamper(folder, "UPDATE counter SET value = 6 WHERE name = 'trail'");
    let (code, said) = verify(&[]);
    assert!(code == Some(4) && said.contains("set back"), "the tape remembers row 7: {said}");
    let (code, said) = verify(&["--known", &noted]);
    assert!(code == Some(4) && said.contains("row 7") && said.contains("cut off"), "{said}");
    assert_eq!(verify(&["--known", "7"]).0, Some(2));
}

#[test]
fn a_table_and_a_file_of_the_trail() {
    let folder = Folder::new("trail-csv");
    let config = bench(&folder, 5);
    assert_eq!(Daemon::start(&config).stop(), 0);
    let hostile = "=HYPERLINK(\"x\")\u{1b}[31m, 'y'";
    for verb in ["pause", "resume", "pause"] {
        let done = run(&config, &["queue", verb, "lis", "--as", hostile]);
        assert_eq!(done.status.code(), Some(0), "{}", text(&done));
    }
    let csv = folder.0.join("trail.csv");
    let done = run(&config, &["trail", "--who", hostile, "--csv", &csv.to_string_lossy()]);
    assert_eq!(done.status.code(), Some(0), "{}", text(&done));
    let table = std::fs::read_to_string(csv).expect("a table");
    assert_eq!(table.matches("\r\n").count(), 4, "{table}");
    assert!(table.contains("\"'=HYPERLINK(\"\"x\"\")"), "{table}");
    let shown = text(&run(&config, &["trail", "--last", "2"]));
    assert!(shown.contains("2 of 6 rows; --before 5") && !shown.contains('\u{1b}'), "{shown}");
    assert_eq!(
        ask(&config, &["trail", "--from", "2020-01-01", "--to", "2020-01-02"])["totals"]["rows"],
        0
    );
    assert_eq!(run(&config, &["trail", "--from", "noon"]).status.code(), Some(2));
}

/// The last row that a daemon writes may fail as any other: what a failed sync left is not known.
#[test]
fn a_stop_that_cannot_be_kept_ends_with_4() {
    let folder = Folder::new("trail-stop");
    let library = preload(&folder);
    let config = bench(&folder, 5);
    let daemon = Daemon::start_with(&config, &library, &folder.0);
    until(|| verbs(&config) == ["configuration", "start"]);
    // The ledger alone: the tape, on which something is noted every 2 s, would end it as well, and first.
    let broken = folder.write("broken", "ledger.db");
    assert_eq!(daemon.stop(), 4, "{}", said(&config));
    let ledger =
        format!("wickline: {} failed to write or sync", folder.0.join("ledger.db").display());
    assert!(said(&config).contains(&ledger), "{}", said(&config));
    std::fs::remove_file(broken).expect("mended");
    let daemon = Daemon::start(&config);
    until(|| verbs(&config).iter().filter(|verb| *verb == "start").count() == 2);
    assert_eq!(daemon.stop(), 0);
    assert_eq!(run(&config, &["trail", "verify"]).status.code(), Some(0));
}
