//! What people see of messages that wait for a person or are reported by hand meanwhile: what was withdrawn is
//! nothing to report, and what a colleague keeps back says who and why.

use wickline::simulate::analyzer::Style;

use crate::kit::{Daemon, Folder, ask, configuration, run, until};
use crate::way::{analyzer, practice, pty, runtime, script};

#[test]
fn what_waits_on_paper_says_what_is_withdrawn_and_what_is_kept_back() {
    let folder = Folder::new("by-hand");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    runtime().block_on(async {
        let (port, wire) = pty();
        let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        let mut daemon = Daemon::start(&config);
        let mut bench = analyzer(port, Style::Lis02);
        let mut plan = script(3, 7);
        let later = plan.run.split_off(1);
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        let first = plan.run[0].specimen.clone();
        assert_eq!(run(&config, &["queue", "pause", "lis"]).status.code(), Some(0));
        plan.run = later;
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["queue"])["totals"]["waiting"] == 2);
        let withdraw = ["report", "withdraw", "1", "--reason", "wrong strip"];
        assert_eq!(run(&config, &withdraw).status.code(), Some(0));
        let hold = ["queue", "hold", "3@lis", "--reason", "ward asks", "--as", "J. Mast"];
        assert_eq!(run(&config, &hold).status.code(), Some(0));
        let said = |words: &[&str]| {
            let output = run(&config, words);
            String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned()
        };

        let page = folder.0.join("waiting.html").display().to_string();
        said(&["queue", "print", "--html", &page]);
        let page = std::fs::read_to_string(page).expect("a page");
        for paper in [said(&["queue", "print"]), page] {
            let (report, not) = paper.split_once(&first).expect("it is named");
            assert!(report.matches("Glucose").count() >= 2, "{paper}");
            assert!(not.to_lowercase().contains("do not report"), "{paper}");
            assert!(!not.contains("Glucose"), "what is taken back is read out: {paper}");
            assert!(report.contains("kept back, kept back by J. Mast: ward asks"), "{paper}");
        }
        // A withdrawal that nobody answers may be kept back, so that the rest passes; what that means is said.
        said(&["queue", "hold", "1@lis/withdrawal", "--reason", "no answer"]);
        assert!(
            said(&["day"]).contains("no answer. lis still has the wrong result"),
            "{}",
            said(&["day"])
        );
        assert!(
            said(&["status"]).contains("it still has 1 wrong result(s)"),
            "{}",
            said(&["status"])
        );
        for words in [&["queue"][..], &["queue", "show", "3@lis"], &["day"], &["find", "3"]] {
            let text = said(words);
            assert!(text.contains("kept back"), "{words:?}: {text}");
        }
        for words in [&["queue"][..], &["queue", "show", "3@lis"], &["day"]] {
            assert!(said(words).contains("J. Mast: ward asks"), "{words:?}");
        }
        let status = said(&["status"]);
        assert!(status.contains("2 kept back") && !status.contains("queue retry"), "{status}");

        // It is killed: the first question knows, whatever it said of itself a moment ago.
        daemon.kill();
        assert_eq!(run(&config, &["queue", "resume", "lis"]).status.code(), Some(0));
        assert!(said(&["queue"]).contains("nothing goes: no daemon runs"), "{}", said(&["queue"]));
        let status = said(&["status"]);
        assert!(status.contains("nothing goes: no daemon runs"), "{status}");
        let shown = ask(&config, &["status"]);
        let items = shown["items"].as_array().expect("items");
        let lis = items.iter().find(|i| i["about"] == "receiver" && i["which"] == "lis");
        assert_eq!(lis.expect("the receiver")["todo"], "systemctl status wickline", "{shown}");
        assert!(status.contains("the daemon does not run: last heard at"), "{status}");

        // A ledger that is lost is no empty one: no act makes it anew, or today would look clean.
        let ledger = folder.0.join("ledger.db");
        std::fs::rename(&ledger, folder.0.join("lost.db")).expect("moved");
        for words in [&["queue", "pause", "lis"][..], &["undo", "1", "--reason", "x"]] {
            assert_eq!(run(&config, words).status.code(), Some(3), "{words:?}");
        }
        assert!(!ledger.exists(), "an act made it");
    });
}

/// What a person set aside goes out by nobody's mistake: where something else of the report needs them, that is
/// what its bare id means.
#[test]
fn a_bare_id_never_sends_what_was_set_aside_while_its_withdrawal_stands() {
    let folder = Folder::new("bare-id");
    runtime().block_on(async {
        let (_receiver, port, config) = practice(&folder, &["aa", "ae", "ae", "aa"]).await;
        let mut daemon = Daemon::start(&config);
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script(1, 7), |_, _| ()).await.expect("the line holds");
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        let right = ["--specimen", "KP-20444", "--again", "KP-20444"];
        let words = [&["report", "withdraw", "1", "--reason", "another tube"][..], &right].concat();
        assert_eq!(run(&config, &words).status.code(), Some(0));
        until(|| ask(&config, &["queue"])["totals"]["refused"] == 2);
        let aside = ["queue", "set-aside", "1@lis", "--reason", "neither is right"];
        assert_eq!(run(&config, &aside).status.code(), Some(0));
        assert_eq!(run(&config, &["queue", "retry", "1"]).status.code(), Some(0));
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        let found = ask(&config, &["find", "KP-20444"])["items"][0].clone();
        let state = |name: &str| {
            let all = found["messages"].as_array().expect("messages").iter();
            let one = all.clone().find(|m| m["message"] == name && m["state"] != "accepted");
            one.map(|m| m["state"].clone())
        };
        assert_eq!(state("1@lis"), Some("set-aside".into()), "{found}");
        assert_eq!(state("1@lis/withdrawal"), None, "{found}");
        assert_eq!(daemon.stop(), 0);
    });
}
