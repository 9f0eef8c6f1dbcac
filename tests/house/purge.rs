//! What is purged leaves the files, beside a daemon that goes on, and comes back as a repeat.

use std::path::Path;
use std::process::{Command, Output};

use wickline::simulate::analyzer::{SimulatedAnalyzer, Style};
use wickline::simulate::port::SimPort;
use wickline::simulate::script::Script;

use crate::faults::preload;
use crate::kit::{Daemon, Folder, ask, binary, configuration, run, until};
use crate::way::{analyzer, pty, runtime, script};

/// Runs a command so many days later.
pub fn later(folder: &Folder, config: &Path, days: u64, words: &[&str]) -> Output {
    std::fs::write(folder.0.join("clock"), (days * 86_400).to_string()).expect("an order");
    let output = Command::new(binary())
        .args(["--config", &config.to_string_lossy(), "--json"])
        .args(words)
        .env("LD_PRELOAD", preload(folder))
        .env("FAULT_DIR", &folder.0)
        .output();
    std::fs::remove_file(folder.0.join("clock")).expect("taken back");
    output.expect("the binary can be run")
}

/// Whether some bytes stand in a file of the stores, logs included.
fn stands(folder: &Folder, text: &str) -> Vec<String> {
    let found = std::fs::read_dir(&folder.0).expect("a folder").flatten().filter(|entry| {
        let name = entry.file_name().to_string_lossy().into_owned();
        let bytes = std::fs::read(entry.path()).unwrap_or_default();
        name.contains(".db") && memchr::memmem::find(&bytes, text.as_bytes()).is_some()
    });
    found.map(|entry| entry.file_name().to_string_lossy().into_owned()).collect()
}

/// So many strips, accepted all. The last one apart: on a busy machine the end of one and the start of the next come
/// in one read, and what was read together goes together.
async fn heard(
    folder: &Folder,
    config: &Path,
    port: SimPort,
    many: usize,
) -> (Script, SimulatedAnalyzer) {
    let (plan, mut bench) = (script(many, 5), analyzer(port, Style::Lis02));
    let (first, last) = plan.run.split_at(many - 1);
    for (runs, all) in [(first, many - 1), (last, many)] {
        let part = Script { run: runs.to_vec(), ..plan.clone() };
        bench.run(&part, |_, _| ()).await.expect("the line holds");
        until(|| ask(config, &["queue"])["totals"]["accepted"] == all);
    }
    for run in &plan.run {
        assert!(!stands(folder, &run.specimen).is_empty(), "{} is nowhere", run.specimen);
    }
    (plan, bench)
}

#[test]
fn what_is_purged_leaves_the_files_and_is_known_when_it_comes_again() {
    let folder = Folder::new("purge");
    runtime().block_on(async {
        std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
        let (port, wire) = pty();
        let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        let (plan, mut bench) = heard(&folder, &config, port, 60).await;
        // Nothing says how long: nothing goes. A look changes nothing.
        let refused = run(&config, &["purge", "--yes"]);
        assert_eq!(refused.status.code(), Some(2));
        let words = ["purge", "--older-than", "30d", "--reason", "kept long enough"];
        // Nothing is old enough: no command is said to do it all the same.
        let looked = run(&config, &words);
        let said = String::from_utf8_lossy(&looked.stdout).into_owned();
        assert!(said.contains("no report that was last touched more than 30 days ago"), "{said}");
        assert!(said.contains("bench-1: all stays, for report 1 is not old enough"), "{said}");
        assert!(said.contains("nothing to purge") && !said.contains("--yes"), "{said}");
        let shown = later(&folder, &config, 40, &words);
        let shown: serde_json::Value = serde_json::from_slice(&shown.stdout).expect("JSON");
        // The last report of a line marks how far it was read: it stays until another one is heard.
        assert_eq!((&shown["reports"], &shown["purged"]), (&59.into(), &false.into()), "{shown}");
        assert!(!stands(&folder, &plan.run[0].specimen).is_empty());
        // Beside the daemon, which goes on.
        let words = [&words[..], &["--yes"]].concat();
        let done = later(&folder, &config, 40, &words);
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        let done: serde_json::Value = serde_json::from_slice(&done.stdout).expect(&said);
        assert_eq!((&done["reports"], &done["purged"]), (&59.into(), &true.into()), "{done}");
        assert!(!stands(&folder, &plan.run[59].specimen).is_empty());
        for run in &plan.run[..59] {
            assert_eq!(stands(&folder, &run.specimen), Vec::<String>::new(), "{}", run.specimen);
        }
        let more = script(3, 6);
        bench.run(&more, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["queue"])["totals"]["accepted"] == 4);
        // What went is still known to have been there; of what stays, everything is given, and noted.
        let (gone, there) = (&plan.run[3].specimen, &more.run[1].specimen);
        let dir = folder.0.display().to_string();
        let words = ["export", gone, "--dir", &dir, "--reason", "asked for by its owner"];
        assert_eq!(run(&config, &words).status.code(), Some(1));
        let said = ask(&config, &words);
        assert_eq!(said["purged"].as_array().map(Vec::len), Some(1), "{said}");
        let words = ["export", there, "--dir", &dir, "--reason", "asked for by its owner"];
        let said = ask(&config, &words);
        assert_eq!(said["reports"], 1, "{said}");
        // Again within the same second: beside it, under a name of its own.
        for _ in 0..3 {
            let again = ask(&config, &words);
            assert_eq!(again["reports"], 1, "{again}");
            assert_ne!(again["files"], said["files"]);
        }
        let page =
            std::fs::read_to_string(said["files"][1].as_str().expect("a page")).expect("read");
        assert!(
            page.contains(there) && page.contains("MSH|") && page.contains("|^^^GLU|"),
            "{page}"
        );
        let other = more.run.iter().map(|r| &r.specimen).find(|s| *s != there).expect("another");
        assert!(!page.contains(other), "{other}");
        let trail = ask(&config, &["trail", "--object", "reports"]);
        let verbs: Vec<_> =
            trail["items"].as_array().expect("rows").iter().map(|r| &r["verb"]).collect();
        assert_eq!(
            verbs,
            ["purge-failed", "purge", "export", "export", "export", "export"],
            "{trail}"
        );
        assert_eq!(daemon.stop(), 0);
        assert_eq!(run(&config, &["trail", "verify"]).status.code(), Some(0));
        // The tape goes on where it was: after a start nothing is read twice, and nothing is missing.
        let daemon = Daemon::start(&config);
        let found = ask(&config, &["find", &more.run[2].specimen]);
        assert_eq!(found["items"].as_array().map(Vec::len), Some(1), "{found}");
        assert_eq!(daemon.stop(), 0);
    });
}

/// A unit as it is shipped.
fn unit(name: &str) -> String {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy");
    std::fs::read_to_string(folder.join(name)).expect("it is shipped")
}

/// What the weekly timer starts, run as it stands in its unit: nothing without a policy, and what the policy says with
/// one.
#[test]
fn the_command_of_the_weekly_unit_purges_by_the_policy_alone() {
    let folder = Folder::new("purge-unit");
    let service = unit("wickline-purge.service");
    let command = service.lines().find_map(|line| line.strip_prefix("ExecStart=")).expect("one");
    let words = command
        .strip_prefix("/usr/bin/wickline --config /etc/wickline/wickline.toml ")
        .expect("the package's program and configuration");
    let words: Vec<&str> = words.split(' ').collect();
    runtime().block_on(async {
        std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
        let (port, wire) = pty();
        let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        let (_, _bench) = heard(&folder, &config, port, 3).await;
        let refused = later(&folder, &config, 800, &words);
        assert_eq!(refused.status.code(), Some(2), "nothing says how long");
        // Nobody looks at a timer: `status` tells, until one is good.
        let told = || {
            let status = ask(&config, &["status"]);
            let items = status["items"].as_array().expect("findings").clone();
            items.into_iter().find(|f| f["which"] == "purge" && f["wrong"] == true)
        };
        let said = told().expect("it is told")["text"].as_str().expect("words").to_owned();
        assert!(said.contains("failed") && said.contains("keep_days"), "{said}");
        let policy = text.replace("[store]\n", "[store]\nkeep_days = 730\n");
        assert_ne!(policy, text);
        folder.write("wickline.toml", &policy);
        let early = later(&folder, &config, 100, &words);
        let early: serde_json::Value = serde_json::from_slice(&early.stdout).expect("JSON");
        assert_eq!((&early["reports"], &early["bytes"]), (&0.into(), &0.into()), "{early}");
        assert!(told().is_none(), "nothing was to be purged, and that is good");
        let done = later(&folder, &config, 800, &words);
        assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
        let done: serde_json::Value = serde_json::from_slice(&done.stdout).expect("JSON");
        assert!(done["reports"].as_i64().is_some_and(|many| many > 0), "{done}");
        assert_eq!(daemon.stop(), 0);
    });
}

/// The two units that work at the stores beside the daemon have the same walls, and both timers are off until somebody
/// enables them, which each names.
#[test]
fn the_weekly_unit_has_the_walls_of_the_nightly_one() {
    let walls = |name: &str| {
        let text = unit(name);
        let (_, service) = text.split_once("[Service]\n").expect("a service");
        let own = ["#", "Exec", "ReadWritePaths="];
        let lines = service.lines().filter(|l| !own.iter().any(|begins| l.starts_with(begins)));
        lines.map(str::to_owned).collect::<Vec<_>>()
    };
    assert_eq!(walls("wickline-purge.service"), walls("wickline-backup.service"));
    assert!(walls("wickline-purge.service").contains(&"User=wickline".to_owned()));
    for timer in ["wickline-purge.timer", "wickline-backup.timer"] {
        let text = unit(timer);
        assert!(
            text.contains("Persistent=yes") && text.contains("WantedBy=timers.target"),
            "{timer}"
        );
    }
    assert!(unit("README.md").contains("systemctl enable --now wickline-purge.timer"));
}
