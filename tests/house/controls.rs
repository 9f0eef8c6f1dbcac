//! Control material with the real binary: runs over TCP, patients that wait for them, lots, charts.

use std::path::Path;
use std::process::Command;

use serde_json::Value;
use wickline::simulate::analyzer::{SimulatedAnalyzer, Style};
use wickline::simulate::port::SimPort;
use wickline::simulate::script::{Class, Run, Script};

use crate::kit::{Daemon, Folder, PATIENCE, ask, configuration, run, skipped, until};
use crate::way::{analyzer, runtime, strip};

/// Two levels: one without glucose, one with.
pub fn material() -> String {
    let strip = strip("ten-pad");
    let level = |level: &str, glucose: usize| {
        let pads = strip.pads.iter().filter(|p| !p.optional).map(|pad| {
            let name = match pad.id.as_str() {
                "GLU" => pad.rungs[glucose].name(),
                // What the simulated strip reads where a script says nothing.
                "PH" => "7.0".into(),
                "SG" => "1.020".into(),
                _ => pad.rungs[0].name(),
            };
            format!("\"{}={name}\"", pad.id)
        });
        let pads: Vec<String> = pads.collect();
        format!(
            "[[control]]\nlevel = \"{level}\"\nlot = \"KP-{level}01\"\nfirst_day = \"2020-01-01\"\n\
             last_day = \"2099-12-31\"\nexpect = [{}]\n",
            pads.join(", ")
        )
    };
    format!("{}{}", level("1", 0), level("2", 3))
}

pub fn config(folder: &Folder, more: &str) -> std::path::PathBuf {
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", &material())
        .replace(
            "control_specimens = [\"QC-L1=1\"]",
            &format!("control_specimens = [\"QC-L1=1\", \"QC-L2=2\"]\n{more}"),
        )
        .replace("[[analyzer]]", "[console]\nlisten = \"127.0.0.1:0\"\n[[analyzer]]");
    folder.write("wickline.toml", &text)
}

pub const HOLD: &str = "controls_failed = \"hold\"\ncontrols_due = \"hold\"";

pub async fn connect(daemon: &Daemon) -> SimulatedAnalyzer {
    let stream = tokio::net::TcpStream::connect(&daemon.lines[0]).await.expect("it listens");
    analyzer(SimPort::Tcp(stream), Style::Lis02)
}

/// One strip, sent until it is acknowledged: it is on the tape then.
pub async fn send(analyzer: &mut SimulatedAnalyzer, number: &str, specimen: &str, glucose: usize) {
    let class = if specimen.starts_with("QC") { Class::Control } else { Class::Routine };
    let (number, specimen) = (number.to_owned(), specimen.to_owned());
    let rungs = [("GLU".to_owned(), glucose)].into();
    let run = vec![Run { number, specimen, class, rungs, ..Run::default() }];
    let script = Script { sender: "SIM".into(), run };
    analyzer.run(&script, |_, _| ()).await.expect("the line holds");
}

fn state(config: &Path, number: &str) -> String {
    let day = ask(config, &["day"]);
    let item = day["items"].as_array().expect("items").iter().find(|i| i["number"] == number);
    item.map_or("unheard", |i| i["state"].as_str().expect("a state")).to_owned()
}

fn standing(config: &Path) -> Value {
    ask(config, &["controls"])["standing"][0].clone()
}

#[test]
fn patients_wait_for_controls_and_go_when_they_pass() {
    let folder = Folder::new("controls");
    let config = config(&folder, HOLD);
    runtime().block_on(async {
        let (daemon, ready) = Daemon::start_ready(&config);
        let mut daemon = daemon;
        daemon.lines = vec![ready["lines"][0]["address"].as_str().expect("an address").into()];
        assert_eq!(run(&config, &["controls"]).status.code(), Some(1), "due");
        let mut analyzer = connect(&daemon).await;
        send(&mut analyzer, "1", "KP-20001", 0).await;
        let held = daemon.wait_for(|e| e["event"] == "report" && e["number"] == "1");
        assert_eq!((&held["state"], &held["reason"]), (&"held".into(), &"controls-due".into()));
        send(&mut analyzer, "2", "QC-L1", 0).await;
        send(&mut analyzer, "3", "QC-L2", 0).await;
        daemon.wait_for(|e| e["event"] == "report" && e["number"] == "3");
        let failed = standing(&config);
        assert_eq!((&failed["state"], &failed["held"]), (&"failed".into(), &1.into()));
        let runs = ask(&config, &["controls"])["items"].to_string();
        assert_eq!(failed["levels"][0]["state"], "passed", "{runs}");
        assert_eq!(failed["patients"], "patients' reports are held");
        assert!(metrics(&ready).contains("wickline_controls_state{analyzer=\"bench-1\"} 2"));
        send(&mut analyzer, "4", "QC-L2", 3).await;
        until(|| state(&config, "1") == "accepted");
        assert_eq!(standing(&config)["state"], "passed");
        assert!(metrics(&ready).contains("wickline_controls_state{analyzer=\"bench-1\"} 0"));
        let out = run(&config, &["controls"]);
        assert_eq!(out.status.code(), Some(0));
        let text = String::from_utf8(out.stdout).expect("text");
        for words in ["passed until", "1 failed", "GLU: ", "urgent ones too", "strip lot not known"]
        {
            assert!(text.contains(words), "{words}: {text}");
        }
        on_paper(&folder, &config);
        assert_eq!(daemon.stop(), 0);
    });
}

pub fn metrics(ready: &Value) -> String {
    use std::io::{Read, Write};
    let address = ready["console"].as_str().expect("it listens");
    let mut stream = std::net::TcpStream::connect(address).expect("it answers");
    stream.set_read_timeout(Some(PATIENCE)).expect("a timeout");
    let ask = format!("GET /metrics HTTP/1.0\r\nHost: {address}\r\n\r\n");
    stream.write_all(ask.as_bytes()).expect("asked");
    let mut text = String::new();
    stream.read_to_string(&mut text).expect("text");
    text
}

/// The runs as JSON, CSV and charts.
fn on_paper(folder: &Folder, config: &Path) {
    let path = |name: &str| folder.0.join(name).display().to_string();
    let (csv, charts, one) = (path("controls.csv"), path("charts"), path("glucose.svg"));
    let all = ask(config, &["controls", "--csv", &csv]);
    assert_eq!(all["totals"], serde_json::json!({"passed": 2, "failed": 1, "no-target": 0}));
    let failed = all["items"].as_array().expect("runs").iter().find(|r| r["verdict"] == "failed");
    let id = failed.expect("one failed")["id"].as_str().expect("an id").to_owned();
    let since = ask(config, &["find", "--since-pass", &id]);
    assert_eq!(since["items"][0]["number"], "1", "{since}");
    assert_eq!(since["totals"]["reports"], 1);
    let shown = ask(config, &["controls", "show", &id]);
    let glucose = shown["readings"].as_array().expect("readings").iter();
    let glucose = glucose.clone().find(|r| r["analyte"] == "GLU").expect("glucose");
    assert_eq!((&glucose["range"], &glucose["found"]), (&"out".into(), &"NEG".into()));
    assert_eq!(run(config, &["controls", "show", &id]).status.code(), Some(1));
    let text = std::fs::read_to_string(&csv).expect("written");
    assert_eq!(text.lines().count(), 1 + 3 * 10, "one line a reading");
    assert!(text.lines().any(|l| l.contains("\"GLU\",\"NEG\"") && l.contains("\"out\"")));
    assert_eq!(run(config, &["controls", "chart", "--dir", &charts]).status.code(), Some(0));
    let files: Vec<_> = std::fs::read_dir(&charts).expect("a folder").flatten().collect();
    assert_eq!(files.len(), 2 * 10, "each level and analyte");
    let which = ["controls", "chart", "--svg", &one, "--level", "2"];
    assert_eq!(run(config, &which).status.code(), Some(2), "ten fit");
    let which = [&which[..], &["--analyte", "GLU"]].concat();
    assert_eq!(run(config, &which).status.code(), Some(0));
    let paths = files.iter().map(|f| f.path().display().to_string()).chain([one]);
    let parse = "import sys, xml.dom.minidom\n[xml.dom.minidom.parse(f) for f in sys.argv[1:]]";
    match Command::new("python3").arg("-c").arg(parse).args(paths).status() {
        Ok(status) => assert!(status.success(), "a chart is XML"),
        Err(error) => skipped("python3", &format!("no python3 to parse charts with: {error}")),
    }
}

/// The daemon dies when the last control is on the tape: the next one reads it and lets patients go.
#[test]
fn controls_that_passed_while_it_was_down_let_patients_go() {
    let folder = Folder::new("controls-restart");
    let config = config(&folder, HOLD);
    runtime().block_on(async {
        let mut daemon = Daemon::start(&config);
        let mut analyzer = connect(&daemon).await;
        send(&mut analyzer, "1", "KP-20001", 0).await;
        send(&mut analyzer, "2", "QC-L1", 0).await;
        daemon.wait_for(|e| e["event"] == "report" && e["number"] == "2");
        assert_eq!(state(&config, "1"), "held");
        send(&mut analyzer, "3", "QC-L2", 3).await;
        daemon.kill();
        let daemon = Daemon::start(&config);
        until(|| state(&config, "1") == "accepted");
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn a_new_strip_lot_makes_controls_due_and_an_old_one_is_refused() {
    let folder = Folder::new("lots");
    let config = config(&folder, HOLD);
    let code = |words: &[&str]| run(&config, words).status.code();
    assert_eq!(code(&["controls", "lot", "bench-1"]), Some(3), "a question makes no ledger");
    assert_eq!(Daemon::start(&config).stop(), 0, "the daemon does");
    let enter = ["controls", "lot", "bench-1", "S-2207", "--last-day", "2099-12-31"];
    assert_eq!(code(&[&enter[..], &["--as", "J. Mast", "--reason", "new box"]].concat()), Some(0));
    assert_eq!(code(&enter), Some(2), "it is the present one");
    assert_eq!(code(&["controls", "lot", "bench-9", "S-1"]), Some(2), "no such analyzer");
    assert_eq!(code(&["controls", "lot", "bench-1", "S-1", "--last-day", "2020-01-31"]), Some(2));
    let now = standing(&config);
    assert_eq!((&now["strip_lot"], &now["state"]), (&"S-2207".into(), &"due".into()));
    assert_eq!(ask(&config, &["controls", "lot", "bench-1"])["items"][0]["in_use"], true);
    let checked = ask(&config, &["check", "--offline"]);
    let told = checked["items"].to_string();
    assert!(told.contains("are held until every level has passed"), "{told}");
    let period = ["controls", "--from", "2026-03-14", "--to", "2026-03-01"];
    assert_eq!(code(&period), Some(2), "nothing lies between");
    let bare = folder
        .write("bare.toml", &configuration("tcp:127.0.0.1:1", "lis02", "ten-pad", "dir:out", ""));
    let told = ask(&bare, &["check", "--offline"])["items"].to_string();
    assert!(told.contains("neither pass nor fail"), "{told}");
    assert_eq!(run(&bare, &["controls"]).status.code(), Some(0), "no plan is nobody's fault");
    let stale = material().replace("2099-12-31", "2020-12-31");
    let stale = configuration("tcp:127.0.0.1:1", "lis02", "ten-pad", "dir:out", &stale);
    let stale =
        folder.write("stale.toml", &stale.replace("dir:out\"", "dir:out\"\ncontrols = true"));
    let told = run(&stale, &["check", "--offline"]);
    assert_eq!(told.status.code(), Some(1));
    let told = String::from_utf8_lossy(&told.stdout).into_owned();
    assert!(
        told.contains("is valid today") && told.contains("every run of control material"),
        "{told}"
    );
}

/// The example of the guide is a configuration, and its policy is told in words.
#[test]
fn the_example_of_the_guide_is_a_configuration() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let guide = std::fs::read_to_string(root.join("deploy/README.md")).expect("a guide");
    let section = guide.split("## Control material").nth(1).expect("the section");
    let example = section.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next());
    let site = "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
                [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
                [[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n";
    let folder = Folder::new("guide");
    let config = folder.write("wickline.toml", &format!("{site}{}", example.expect("an example")));
    let told = run(&config, &["check", "--offline"]);
    let words = String::from_utf8_lossy(&[told.stdout, told.stderr].concat()).into_owned();
    assert!(words.contains("urgent ones go with a remark instead of waiting"), "{words}");
    assert!(!words.contains("configuration is wrong"), "{words}");
}

/// Analyzers print whole seconds, or minutes: a pass, a patient, a failure and the next patient of one time.
#[test]
fn of_one_second_what_lies_between_two_runs_is_found_and_nothing_else() {
    let folder = Folder::new("second");
    let config = config(&folder, "");
    runtime().block_on(async {
        let mut daemon = Daemon::start(&config);
        let mut bench = connect(&daemon).await;
        let clock = wickline::clock::SiteClock::new("Europe/Lisbon").expect("a zone");
        let mut taken = clock.moment(wickline::clock::now_us()).digits();
        taken.truncate(14);
        let strips = [("1", "KP-20001", 0), ("2", "QC-L2", 3), ("3", "KP-20003", 0)];
        let strips = [&strips[..], &[("4", "QC-L2", 0), ("5", "KP-20005", 0)]].concat();
        let run = strips.iter().map(|(number, specimen, glucose)| Run {
            number: (*number).to_owned(),
            specimen: (*specimen).to_owned(),
            class: if specimen.starts_with("QC") { Class::Control } else { Class::Routine },
            rungs: [("GLU".to_owned(), *glucose)].into(),
            taken: taken.clone(),
            ..Run::default()
        });
        let script = Script { sender: "SIM".into(), run: run.collect() };
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        (0..5).for_each(|_| drop(daemon.wait_for(|e| e["event"] == "report")));
        let runs = ask(&config, &["controls"])["items"].clone();
        let failed = runs.as_array().expect("runs").iter().find(|r| r["verdict"] == "failed");
        let id = failed.expect("one failed")["id"].as_str().expect("an id").to_owned();
        let found = ask(&config, &["find", "--since-pass", &id]);
        let numbers: Vec<&str> = found["items"]
            .as_array()
            .expect("items")
            .iter()
            .filter_map(|i| i["number"].as_str())
            .collect();
        assert_eq!(numbers, ["3"], "{found}");
        assert_eq!(daemon.stop(), 0);
    });
}
