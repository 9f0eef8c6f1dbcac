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
