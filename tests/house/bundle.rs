//! What is given to support names no patient and nobody who works there.

use wickline::simulate::analyzer::Style;

use crate::kit::{Daemon, Folder, ask, configuration, run, until};
use crate::way::{analyzer, pty, runtime, script};

/// Runs an act that must be done.
fn done(config: &std::path::Path, words: &[&str]) {
    let output = run(config, words);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(output.status.code().is_some_and(|code| code <= 1), "{words:?}: {said}");
}

#[test]
fn a_bundle_has_what_helps_and_names_nobody() {
    let folder = Folder::new("bundle");
    runtime().block_on(async {
        std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
        let (port, wire) = pty();
        let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "");
        let text = format!(
            "# Ask Pat Quillfeather, tube KP-99881.\n[watch]\nlisten = \"127.0.0.1:0\"\n{text}"
        );
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        let (mut plan, mut bench) = (script(40, 5), analyzer(port, Style::Lis02));
        plan.run[7].specimen = String::new();
        plan.run[9].specimen = String::new();
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["queue"])["totals"]["accepted"] == 38);
        let held = ask(&config, &["held"]);
        let held: Vec<&str> = held["items"]
            .as_array()
            .expect("a list")
            .iter()
            .filter_map(|i| i["id"].as_str())
            .collect();
        let who = ["--as", "Jocasta Mastwick"];
        let named = ["held", "identify", held[0], "--specimen", "KP-77123", "--again", "KP-77123"];
        done(&config, &[&named[..], &who].concat());
        let aside =
            ["held", "set-aside", held[1], "--reason", "the tube of Pat Quillfeather is lost"];
        done(&config, &[&aside[..], &who].concat());
        let pause = ["queue", "pause", "lis", "--as", "Jocasta Mastwick"];
        done(&config, &pause);
        let path = folder.0.join("support.json");
        let file = path.display().to_string();
        done(&config, &["bundle", &file]);
        let bytes = std::fs::read(&path).expect("a bundle");
        let found = |text: &str| memchr::memmem::find(&bytes, text.as_bytes()).is_some();
        let ids = plan.run.iter().map(|r| r.specimen.as_str()).filter(|s| !s.is_empty());
        let secret = ids.chain([
            "KP-77123",
            "KP-99881",
            "Quillfeather",
            "Pat",
            "Jocasta",
            "Mastwick",
            "the tube",
        ]);
        for text in secret {
            assert!(!found(text), "{text}");
        }
        // What was printed as a reading, by the standard's own signs: label and value in one record.
        for label in ["GLU", "PRO", "BLD", "KET", "LEU", "NIT", "PH", "SG"] {
            assert!(!found(&format!("^^^{label}|")), "{label}");
        }
        let said: serde_json::Value = serde_json::from_slice(&bytes).expect("JSON");
        assert_eq!(said["version"], env!("CARGO_PKG_VERSION"));
        let tables = &said["configuration"]["file"];
        assert_eq!(tables["site"]["name"], "Kestrel Point Clinic", "{tables}");
        let reports = said["ledger"]["counts"]["reports"].as_array().expect("sums");
        let many: i64 = reports.iter().filter_map(|sum| sum["many"].as_i64()).sum();
        assert_eq!(many, 40, "{reports:?}");
        let acts = said["ledger"]["counts"]["acts"].as_array().expect("acts");
        assert!(acts.iter().any(|act| act["verb"] == "identify"), "{acts:?}");
        let last = said["tape"]["lines"]["bench-1"]["last"].as_array().expect("entries");
        let shapes = last.iter().filter_map(|entry| entry["shape"].as_str());
        assert!(
            shapes.clone().any(|shape| shape.contains("A|9|^^^AAA|")),
            "{:?}",
            shapes.collect::<Vec<_>>()
        );
        use std::os::unix::fs::PermissionsExt;
        let mode = std::fs::metadata(&path).expect("there").permissions().mode();
        assert_eq!(mode & 0o077, 0, "{mode:o}");
        assert_eq!(daemon.stop(), 0);
    });
}

/// Help is asked for when something is wrong, the configuration before all.
#[test]
fn a_bundle_is_made_while_the_configuration_is_wrong() {
    let folder = Folder::new("bundle-wrong");
    runtime().block_on(async {
        let (port, wire) = pty();
        let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        let (plan, mut bench) = (script(3, 5), analyzer(port, Style::Lis02));
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["queue"])["totals"]["accepted"] == 3);
        let id = plan.run[0].specimen.as_str();
        let path = folder.0.join("support.json");
        let bundled = |wrong: &str| {
            std::fs::write(&config, wrong).expect("written");
            let done = run(&config, &["bundle", &path.display().to_string(), "--offline"]);
            let told = String::from_utf8_lossy(&done.stdout).into_owned();
            let said = String::from_utf8_lossy(&done.stderr).into_owned();
            assert_eq!(done.status.code(), Some(2), "{said}");
            assert!(
                said.contains("the configuration is wrong") && said.contains("support.json"),
                "{said}"
            );
            let text = std::fs::read_to_string(&path).expect("a bundle");
            (serde_json::from_str::<serde_json::Value>(&text).expect("JSON"), text, told)
        };
        // A key that means nothing and may be a secret, a dialect that is none, a comment, an id of the ledger's.
        let wrong = text
            .replace("dialect = \"lis02\"", &format!("dialect = \"{id}\" # Pat Quillfeather"))
            .replace("[[receiver]]", "[[receiver]]\npasword = \"hunter2\"");
        let (said, whole, told) = bundled(&wrong);
        let faults = said["faults"].to_string();
        assert!(faults.contains("receiver.pasword"), "{faults}");
        assert_eq!(said["configuration"]["file"]["site"]["name"], "Kestrel Point Clinic");
        assert_eq!(said["configuration"]["file"]["receiver"][0]["pasword"], "***");
        let sums = said["ledger"]["counts"]["reports"].as_array().expect("sums");
        assert_eq!(sums.iter().filter_map(|sum| sum["many"].as_i64()).sum::<i64>(), 3);
        assert!(said["tape"]["lines"]["bench-1"]["last"].as_array().is_some_and(|l| !l.is_empty()));
        let left = said["left_out"].to_string();
        assert!(left.contains("check") && told.contains("left out: check: "), "{left} {told}");
        for secret in [id, "hunter2", "Quillfeather"] {
            assert!(!whole.contains(secret), "{secret}");
        }
        // The same where only a meaning is wrong, and where it is no table at all.
        let (said, whole, _) = bundled(&text.replace("\"lis02\"", &format!("\"{id}\"")));
        assert!(said["faults"].to_string().contains("analyzer.dialect"), "{said}");
        assert!(!whole.contains(id), "it is masked among the faults, too");
        let (said, _, told) =
            bundled(&text.replace("[[receiver]]", "[[receiver]\npassword = hunter2"));
        assert!(said["ledger"]["counts"].is_object() && said["configuration"].is_null(), "{said}");
        assert!(told.contains("left out: configuration: "), "{told}");
        assert!(!said.to_string().contains("hunter2"), "{said}");
        // Where the ledger is, is what is wrong: the tape has what it has.
        let (said, whole, told) =
            bundled(&text.replace("sqlite:ledger.db", "postgrse:/w:hunter2@db/w"));
        assert!(said["tape"]["lines"]["bench-1"]["last_entry"].is_i64(), "{said}");
        assert!(said["ledger"].is_null() && told.contains("left out: ledger: "), "{told}");
        assert!(!whole.contains("hunter2") && !whole.contains(id), "{whole}");
        let (said, _, told) = bundled("nothing");
        assert!(said["ledger"].is_null() && said["system"]["kernel"].is_string(), "{said}");
        for what in ["check", "configuration", "disk", "ledger", "tape", "metrics"] {
            let offline = what == "metrics";
            assert_eq!(told.contains(&format!("left out: {what}: ")), !offline, "{what}: {told}");
        }
        assert_eq!(daemon.stop(), 0);
    });
}
