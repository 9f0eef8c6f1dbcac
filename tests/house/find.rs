//! A scan, a number, a control id, an OBR-3: every report of it, and what each receiver holds of it now.

use std::io::Write;
use std::path::Path;
use std::process::{Command, Stdio};

use serde_json::Value;
use wickline::simulate::analyzer::Style;

use crate::kit::{Daemon, Folder, ask, binary, configuration, run, until};
use crate::way::{analyzer, pty, runtime, script};

fn find(config: &Path, text: &str) -> Vec<Value> {
    ask(config, &["find", text])["items"].as_array().expect("items").clone()
}

fn ids(items: &[Value]) -> Vec<&str> {
    items.iter().filter_map(|i| i["id"].as_str()).collect()
}

#[test]
fn a_report_is_found_by_everything_that_it_was_ever_called() {
    let folder = Folder::new("find");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    runtime().block_on(async {
        let (port, wire) = pty();
        let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "")
            .replace("timezone", "scanner_leading = [\"]C1\"]\ntimezone");
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        let lot = ["controls", "lot", "bench-1", "S-2207", "--reason", "new box"];
        assert_eq!(run(&config, &lot).status.code(), Some(0));
        let mut plan = script(2, 9);
        let (first, second) = (plan.run[0].specimen.clone(), plan.run[1].specimen.clone());
        plan.run[0].number = "0041".into();
        plan.run[1].number = "0042".into();
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["queue"])["totals"]["accepted"] == 2);
        let before = find(&config, &first);
        let holding = before[0]["receivers"][0].clone();
        assert_eq!(
            (&holding["holds"], &holding["specimen"]),
            (&"results".into(), &first.clone().into())
        );
        let withdraw =
            ["report", "withdraw", "1", "--specimen", "KP-00099", "--reason", "wrong tube"];
        let withdraw = [&withdraw[..], &["--again", "KP-00099"]].concat();
        assert_eq!(
            run(&config, &[&withdraw[..], &["--as", "J. Mast"]].concat()).status.code(),
            Some(0)
        );
        until(|| ask(&config, &["queue"])["totals"]["accepted"] == 4);

        let old = find(&config, &first);
        assert_eq!(ids(&old), ["1"]);
        assert_eq!(old[0]["specimen"], "KP-00099");
        assert_eq!(old[0]["before"][0]["specimen"], first.as_str());
        let holds: Vec<_> = old[0]["receivers"].as_array().expect("receivers").iter().collect();
        let of = |obr3: &Value| {
            holds.iter().find(|h| h["obr3"] == *obr3).expect("there")["holds"].clone()
        };
        assert_eq!(of(&holding["obr3"]), "withdrawn");
        assert_eq!(holds.iter().filter(|h| h["holds"] == "results").count(), 1);
        let acts = old[0]["history"].as_array().expect("acts");
        assert!(acts.iter().any(|a| a["verb"] == "withdraw" && a["who"] == "J. Mast"), "{acts:?}");
        let control = old[0]["messages"][0]["control_id"].as_str().expect("a control id");
        let obr3 = holding["obr3"].as_str().expect("an OBR-3");
        let any = ["]C1KP-00099", "kp-00099", "0041", "1@lis", control, obr3];
        for text in any.into_iter().chain([format!("{obr3}^WICKLINE").as_str()]) {
            assert_eq!(ids(&find(&config, text)), ["1"], "{text}");
        }
        let shown = run(&config, &["find", &first]);
        let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
        for part in
            ["found by specimen id, before", "GLU", "until", "withdraw", "holds nothing under"]
        {
            assert!(shown.contains(part), "{part}: {shown}");
        }
        let none = run(&config, &["find", "KP-77777"]);
        assert_eq!(none.status.code(), Some(1));

        let csv = folder.0.join("recalled.csv");
        let recalled = ["find", "--lot", "S-2207", "--csv", &csv.to_string_lossy()];
        assert_eq!(run(&config, &recalled).status.code(), Some(0));
        let table = std::fs::read_to_string(csv).expect("a table");
        assert!(table.contains(&second) && table.contains("\"withdrawn\""), "{table}");
        assert_eq!(run(&config, &["find", "--lot", "S-0000"]).status.code(), Some(1));
        let used = ask(&config, &["trail", "configuration"]);
        let print = used["items"][0]["fingerprint"].as_str().expect("a fingerprint");
        let under = ask(&config, &["find", "--fingerprint", &print[..12]]);
        assert_eq!(ids(under["items"].as_array().expect("items")), ["1", "2"]);
        assert_eq!(daemon.stop(), 0);
    });
}

/// Five blank ids, one command; what is unequal is refused, the others are done.
#[test]
fn blank_ids_are_identified_from_a_file() {
    let folder = Folder::new("many");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    runtime().block_on(async {
        let (port, wire) = pty();
        let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        let mut plan = script(5, 4);
        plan.run.iter_mut().for_each(|r| r.specimen.clear());
        plan.run[4].class = wickline::simulate::script::Class::Stat;
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["held"])["items"].as_array().map(Vec::len) == Some(5));
        let held = ask(&config, &["held"]);
        assert_eq!(held["items"][0]["class"], "stat", "urgent first");
        let listed = run(&config, &["held"]);
        let listed = String::from_utf8_lossy(&listed.stdout).into_owned();
        assert!(listed.lines().nth(1).is_some_and(|l| l.contains("URGENT")), "{listed}");
        let shown = run(&config, &["held", "show", "1"]);
        let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
        assert!(shown.lines().any(|l| l.contains("^^^GLU|") && l.contains("| GLU ")), "{shown}");
        let mut child = Command::new(binary())
            .args(["--config", &config.to_string_lossy(), "held", "identify", "--from", "-"])
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("the binary");
        let lines = "# the morning's\n1 KP-00101 KP-00101\n2 KP-00102 KP-00120\n\n3 KP-00103 KP-00103\n\
                     4 KP-00104\n";
        child.stdin.take().expect("its input").write_all(lines.as_bytes()).expect("written");
        let output = child.wait_with_output().expect("it ends");
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(1), "{said}");
        assert!(said.contains("line 3: the specimen ids") && said.contains("line 6:"), "{said}");
        let left = ask(&config, &["held"]);
        assert_eq!(ids(left["items"].as_array().expect("items")), ["5", "2", "4"]);
        assert_eq!(ids(&find(&config, "KP-00103")), ["3"]);
        // Several at once: what cannot be is said, the others are done.
        let aside = ["held", "set-aside", "2", "3-4", "--reason", "run again"];
        assert_eq!(run(&config, &aside).status.code(), Some(1));
        assert_eq!(ids(ask(&config, &["held"])["items"].as_array().expect("items")), ["5"]);
        assert_eq!(daemon.stop(), 0);
    });
}

/// Names and reasons are words, and the laboratory says which; who became another user stands beside.
#[test]
fn a_name_and_a_reason_are_never_blank_and_as_the_laboratory_wants() {
    let folder = Folder::new("names");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    let text = configuration("tcp:127.0.0.1:1", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    assert_eq!(Daemon::start(&config).stop(), 0);
    let code = |words: &[&str]| run(&config, words).status.code();
    for blank in ["", " ", "\t", "\u{a0}", "\u{200b}"] {
        for command in [
            ["queue", "pause", "lis", "--as", blank].as_slice(),
            &["held", "release", "1", "--reason", blank],
            &["held", "set-aside", "1", "--reason", blank],
            &["held", "decide", "1", "mistake", "--reason", blank],
            &["queue", "hold", "1", "--reason", blank],
            &["queue", "set-aside", "1", "--reason", blank],
            &["report", "withdraw", "1", "--reason", blank],
            &["report", "correct", "1", "--reason", blank],
            &["day", "explain", "1", "--reason", blank],
            &["check", "--record", "--reason", blank],
            &["controls", "lot", "bench-1", "S-1", "--reason", blank],
        ] {
            let output = run(&config, command);
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            let refused = said.contains("empty or blank") || said.contains("a value is required");
            assert!(output.status.code() == Some(2) && refused, "{command:?}: {said}");
        }
    }
    assert_eq!(code(&["queue", "pause", "lis", "--as", " J. Mast "]), Some(0));
    let last = |config: &Path| {
        let rows = ask(config, &["trail"])["items"].clone();
        rows.as_array().and_then(|r| r.last()).expect("a row").clone()
    };
    assert_eq!(last(&config)["who"], "J. Mast");
    let by_sudo = Command::new(binary())
        .args(["--config", &config.to_string_lossy(), "queue", "resume", "lis"])
        .env("SUDO_USER", "jmast")
        .output()
        .expect("the binary");
    assert_eq!(by_sudo.status.code(), Some(0));
    let row = last(&config);
    if std::fs::read_to_string("/proc/self/loginuid").is_ok_and(|t| t.trim() == "4294967295") {
        let login = row["login"].as_str().expect("a login");
        assert!(row["who"] == "jmast" && login.ends_with(", for jmast"), "{row}");
    }
    let strict = "reasons = [\"told by telephone\", \"other\"]\nwho = \"login\"\ntimezone";
    let config = folder.write("wickline.toml", &text.replace("timezone", strict));
    let said = |words: &[&str]| {
        let output = run(&config, words);
        (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
    };
    let (code, why) = said(&["queue", "pause", "lis", "--as", "J. Mast"]);
    assert!(code == Some(2) && why.contains("site.who"), "{why}");
    assert_eq!(said(&["queue", "pause", "lis"]).0, Some(0));
    let lot = |reason: &str| said(&["controls", "lot", "bench-1", "S-1", "--reason", reason]);
    let (code, why) = lot("because");
    assert!(code == Some(2) && why.contains("told by telephone; other"), "{why}");
    assert_eq!(lot("other: new box").0, Some(0));
}
