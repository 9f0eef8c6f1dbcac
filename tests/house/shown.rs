//! What goes out, or is taken back for good, is shown to a person first, who says at the terminal what they saw.

use std::path::{Path, PathBuf};

use serde_json::Value;
use wickline::simulate::analyzer::Style;
use wickline::simulate::script::Script;

use crate::hints::{answering, at_a_terminal, hints};
use crate::kit::{Daemon, Folder, ask, configuration, run, until};
use crate::way::{analyzer, pty, runtime, script};

/// A daemon that heard these strips. Its line is kept until it has ended.
struct Bench {
    daemon: Daemon,
    config: PathBuf,
    _line: Box<dyn std::any::Any>,
}

async fn heard(folder: &Folder, second: &str, plan: &Script) -> Bench {
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    let (port, wire) = pty();
    let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "")
        .replace("[store]", &format!("second = \"{second}\"\n[store]"));
    let config = folder.write("wickline.toml", &text);
    let mut daemon = Daemon::start(&config);
    let mut bench = analyzer(port, Style::Lis02);
    bench.run(plan, |_, _| ()).await.expect("the line holds");
    for _ in &plan.run {
        daemon.wait_for(|e| e["event"] == "report");
    }
    Bench { daemon, config, _line: Box::new(bench) }
}

/// What a command says, and how it ends.
fn says(config: &Path, words: &[&str]) -> (Option<i32>, String) {
    let output = run(config, words);
    let text = [output.stdout, output.stderr].concat();
    (output.status.code(), String::from_utf8_lossy(&text).into_owned())
}

fn report(config: &Path, id: &str) -> Value {
    ask(config, &["held", "show", id])
}

fn is_out(config: &Path, id: &str) {
    until(|| report(config, id)["deliveries"][0]["state"] == "accepted");
}

#[test]
fn a_result_is_taken_back_for_good_only_where_its_specimen_id_is_typed() {
    let folder = Folder::new("for-good");
    runtime().block_on(async {
        let plan = script(3, 7);
        let Bench { daemon, config, _line } = heard(&folder, "warn", &plan).await;
        let ids: Vec<&str> = plan.run.iter().map(|r| r.specimen.as_str()).collect();
        for id in ["1", "2", "3"] {
            is_out(&config, id);
        }
        // Neither nothing, nor another specimen's id, nor the word of a document takes it back.
        for typed in ["", "KP-99999", ids[1]] {
            let answers = ["", typed, "water for practice"];
            let (code, said) = answering(&config, "wickline report withdraw 1", &answers).await;
            assert_eq!(code, 2, "{typed}: {said}");
            assert!(said.contains("GLU") && said.contains(ids[0]), "{said}");
            assert!(said.contains("nothing was changed"), "{said}");
        }
        let (code, said) =
            answering(&config, "wickline report withdraw 1 --reason TEXT", &["TEXT", "other", ""])
                .await;
        assert_eq!(code, 2, "{said}");
        assert_eq!(report(&config, "1")["state"], "accepted");
        assert!(
            ask(&config, &["trail", "--object", "report 1"])["items"]
                .as_array()
                .expect("rows")
                .iter()
                .all(|row| row["verb"] != "withdraw")
        );
        let answers = ["", ids[0], "water for practice"];
        let (code, said) = answering(&config, "wickline report withdraw 1", &answers).await;
        assert_eq!(code, 0, "{said}");
        assert!(said.contains(&format!("report 1 ({}) is now set-aside", ids[0])), "{said}");
        // An id that is typed is the right one, entered twice.
        let differ = ["KP-00077", "KP-00070", "wrong tube"];
        let (code, said) = answering(&config, "wickline report withdraw 2", &differ).await;
        assert_eq!(code, 2, "{said}");
        let answers = ["KP-00077", "KP-00077", "wrong tube"];
        let (code, said) = answering(&config, "wickline report withdraw 2", &answers).await;
        assert_eq!(code, 0, "{said}");
        assert!(said.contains("report 2 (KP-00077) is now waiting"), "{said}");
        // A script says all at once, as before.
        let words = ["report", "withdraw", "3", "--reason", "water"];
        let (code, said) = says(&config, &words);
        assert_eq!(code, Some(0), "{said}");
        assert!(said.contains(&format!("report 3 ({}) is now set-aside", ids[2])), "{said}");
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn what_undo_offers_for_what_went_out_destroys_nothing_when_it_is_copied() {
    let folder = Folder::new("offered");
    runtime().block_on(async {
        let mut plan = script(2, 7);
        plan.run[1].specimen.clear();
        let Bench { daemon, config, _line } = heard(&folder, "warn", &plan).await;
        let named = ["held", "identify", "2", "--specimen", "KP-00077", "--again", "KP-00077"];
        assert_eq!(says(&config, &named).0, Some(0));
        for id in ["1", "2"] {
            is_out(&config, id);
            let (code, said) = says(&config, &["undo", id, "--reason", "the wrong line"]);
            assert_eq!(code, Some(2), "{said}");
            let found = hints(&said);
            assert!(found.contains(&format!("wickline report withdraw {id}")), "{said}");
            for hint in found {
                let (code, said) = at_a_terminal(&config, &hint, "").await;
                assert_eq!(code, 2, "`{hint}`: {said}");
            }
            assert_eq!(report(&config, id)["state"], "accepted");
        }
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn many_are_released_by_a_person_who_saw_how_many() {
    let folder = Folder::new("release-many");
    runtime().block_on(async {
        let mut plan = script(5, 7);
        for run in &mut plan.run {
            run.specimen = "KP-00007".into();
        }
        plan.run[4].specimen.clear();
        let Bench { daemon, config, _line } = heard(&folder, "hold", &plan).await;
        let held = || ask(&config, &["held"])["totals"]["held"].clone();
        assert_eq!(held(), 4);
        let release = "wickline held release 1-3 5";
        for wrong in ["", "3", "4", "two"] {
            let (code, said) = answering(&config, release, &[wrong, "all fine", ""]).await;
            assert_eq!(code, 2, "{said}");
            for part in ["2 ", "KP-00007", "second-result", "is a result of this specimen"] {
                assert!(said.contains(part), "{part}: {said}");
            }
            assert!(said.contains("nothing was changed"), "{said}");
        }
        let bulk = format!("{release} --reason 'all fine'");
        assert_eq!(answering(&config, &bulk, &["3", "", ""]).await.0, 2);
        assert_eq!(held(), 4, "nothing was changed");
        let (code, said) = answering(&config, &bulk, &["2", "", ""]).await;
        assert_eq!(code, 1, "the first and the last cannot be released: {said}");
        assert!(said.contains("report 3 is now waiting"), "{said}");
        assert_eq!(held(), 2);
        // One is shown with what it is held for before a reason is asked for; where it cannot go, none is.
        let (code, said) = answering(&config, "wickline held release 4", &["on purpose"]).await;
        assert_eq!(code, 0, "{said}");
        let (shown, asked) = (said.find("is a result of this specimen"), said.find("reason: "));
        assert!(said.contains("GLU") && shown.is_some() && shown < asked, "{said}");
        let (code, said) = answering(&config, "wickline held release 5", &["on purpose"]).await;
        assert!(code == 2 && !said.contains("reason: "), "{said}");
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn a_file_of_ids_with_a_wrong_line_is_run_again_with_that_line_mended() {
    let folder = Folder::new("second-run");
    runtime().block_on(async {
        let mut plan = script(4, 7);
        for run in &mut plan.run[..3] {
            run.specimen.clear();
        }
        let Bench { daemon, config, _line } = heard(&folder, "warn", &plan).await;
        let file = |text: &str| folder.write("tubes.txt", text).display().to_string();
        let wrong = file("1 KP-00001 KP-00001\n2 KP-00002 KP-00020\n");
        let (code, said) = says(&config, &["held", "identify", "--from", &wrong]);
        assert_eq!(code, Some(1), "{said}");
        let line = said.lines().find(|l| l.contains("line 2")).expect("the wrong line");
        assert!(line.contains("this line changed nothing"), "{said}");
        assert!(said.contains("the others were done") && said.contains("mended"), "{said}");
        assert!(!said.contains("nothing was changed"), "one was done: {said}");
        // Mended, and the whole file once more: what was done is no error.
        let mended = file("1 KP-00001 KP-00001\n2 KP-00002 KP-00002\n");
        let (code, said) = says(&config, &["held", "identify", "--from", &mended]);
        assert_eq!(code, Some(0), "{said}");
        assert!(said.contains("report 1 was identified as KP-00001 already"), "{said}");
        assert!(said.contains("report 2 is now waiting"), "{said}");
        let again = ask(&config, &["held", "identify", "--from", &mended]);
        assert_eq!(again["items"][1]["already"], true, "{again}");
        // Another id is no repeat of what was done, nor is the id that an analyzer printed.
        let printed = plan.run[3].specimen.as_str();
        let other = file(&format!("1 KP-00009 KP-00009\n4 {printed} {printed}\n"));
        let (code, said) = says(&config, &["held", "identify", "--from", &other]);
        assert_eq!(code, Some(2), "{said}");
        assert!(said.contains("nothing was changed"), "{said}");
        // A file that says two things of one report is believed in neither.
        let both = file("3 KP-00031 KP-00031\n3 KP-00032 KP-00032\n");
        let (code, said) = says(&config, &["held", "identify", "--from", &both]);
        assert_eq!(code, Some(2), "{said}");
        assert_eq!(said.matches("different specimen ids").count(), 2, "{said}");
        assert_eq!(ask(&config, &["held"])["totals"]["held"], 1, "{said}");
        // A strip that was taken back is not on its way any more.
        is_out(&config, "1");
        let words = ["report", "withdraw", "1", "--reason", "water"];
        assert_eq!(says(&config, &words).0, Some(0));
        let gone = file("1 KP-00001 KP-00001\n");
        let (code, said) = says(&config, &["held", "identify", "--from", &gone]);
        assert_eq!(code, Some(2), "{said}");
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn a_second_result_is_told_wherever_an_id_is_given() {
    let folder = Folder::new("second-told");
    runtime().block_on(async {
        let mut plan = script(5, 7);
        let first = plan.run[0].specimen.clone();
        for run in &mut plan.run[1..] {
            run.specimen.clear();
        }
        let Bench { daemon, config, _line } = heard(&folder, "warn", &plan).await;
        is_out(&config, "1");
        let notice = "report 1 (accepted; lis holds results) is a result of this specimen";
        let identify = |id| ["held", "identify", id, "--specimen", &first, "--again", &first];
        let (code, said) = says(&config, &identify("2"));
        assert_eq!(code, Some(0), "{said}");
        let line = said.lines().find(|l| l.starts_with("report 2 is now waiting"));
        assert!(line.is_some_and(|l| l.contains(notice)), "{said}");
        let named = ask(&config, &identify("3"));
        let second = &named["items"][0]["second"];
        assert_eq!(second.as_array().map(Vec::len), Some(2), "{named}");
        let one = &second[0];
        assert_eq!((&one["id"], &one["state"]), (&"1".into(), &"accepted".into()), "{named}");
        assert_eq!(
            (&one["receivers"][0]["receiver"], &one["receivers"][0]["holds"]),
            (&"lis".into(), &"results".into())
        );
        let text = format!("4 {first} {first}\n");
        let file = folder.write("tubes.txt", &text).display().to_string();
        let (code, said) = says(&config, &["held", "identify", "--from", &file]);
        assert_eq!(code, Some(0), "{said}");
        assert!(
            said.lines().any(|l| l.contains("report 4 is now") && l.contains(notice)),
            "{said}"
        );
        let typed = [first.as_str(), &first];
        let (code, said) = answering(&config, "wickline held identify 5", &typed).await;
        assert!(code == 0 && said.contains(notice), "{said}");
        assert_eq!(daemon.stop(), 0);
    });
}
