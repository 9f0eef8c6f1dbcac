//! A technologist's day played by commands alone: an outage of sixty strips, a refusal, blank ids, a wrong id,
//! a failed control, a withdrawal, the closing and what comes after it. Every command is counted.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::time::Duration;

use wickline::simulate::analyzer::Style;
use wickline::simulate::port::SimPort;
use wickline::simulate::script::{Class, Run, Script};
use wickline_forward::receive::{Received, Receiver};

use crate::controls::{HOLD, material};
use crate::kit::{Daemon, Folder, ask, configuration, run, until};
use crate::way::{analyzer, gather, runtime, specimen};

/// Numbers of the strips whose barcode was not read.
const BLANK: [usize; 5] = [10, 20, 30, 40, 50];
/// Whose tube was scanned for another's: `KP-20999` instead of `KP-20025`.
const WRONG: usize = 25;
/// Strips before the second control run, which fails.
const BEFORE: usize = 30;
const STRIPS: usize = 60;
/// Commands for the same day before there was one first look, one search and many ids in one act, counted
/// by a person who played it then.
const WERE: [(&str, usize); 2] = [("what is wrong now", 6), ("five blank ids", 6)];

/// The person at the bench, who has nothing but commands.
struct Person {
    config: PathBuf,
    counts: BTreeMap<&'static str, usize>,
}

impl Person {
    /// Runs a command for a purpose; what it said, and how it ended.
    fn says(&mut self, purpose: &'static str, words: &[&str], code: i32) -> String {
        *self.counts.entry(purpose).or_default() += 1;
        let output = run(&self.config, words);
        let text = [output.stdout, output.stderr].concat();
        let text = String::from_utf8_lossy(&text).into_owned();
        assert_eq!(output.status.code(), Some(code), "{words:?}: {text}");
        text
    }
}

fn id_of(number: usize) -> String {
    match number {
        n if BLANK.contains(&n) => String::new(),
        WRONG => "KP-20999".into(),
        n => format!("KP-{:05}", 20_000 + n),
    }
}

fn patients(numbers: impl Iterator<Item = usize>) -> Vec<Run> {
    let one = |n: usize| Run { number: n.to_string(), specimen: id_of(n), ..Run::default() };
    numbers.map(one).collect()
}

fn controls(number: &str, glucose: usize) -> Vec<Run> {
    let one = |level: usize, glucose: usize| Run {
        number: format!("Q{level}{number}"),
        specimen: format!("QC-L{level}"),
        class: Class::Control,
        rungs: [("GLU".to_owned(), glucose)].into(),
        ..Run::default()
    };
    vec![one(1, 0), one(2, glucose)]
}

struct Bench {
    daemon: Daemon,
    port: wickline::simulate::analyzer::SimulatedAnalyzer,
}

impl Bench {
    async fn run(&mut self, strips: Vec<Run>) {
        let count = strips.len();
        let script = Script { sender: "SIM".into(), run: strips };
        self.port.run(&script, |_, _| ()).await.expect("the line holds");
        for _ in 0..count {
            self.daemon.wait_for(|e| e["event"] == "report");
        }
    }
}

fn write_config(folder: &Folder, address: &str) -> PathBuf {
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", address, &material())
        .replace(
            "control_specimens = [\"QC-L1=1\"]",
            &format!("control_specimens = [\"QC-L1=1\", \"QC-L2=2\"]\n{HOLD}"),
        );
    folder.write("wickline.toml", &text)
}

#[test]
fn a_technologists_day_by_commands_alone() {
    let folder = Folder::new("technologist");
    runtime().block_on(async {
        // The seventh message is refused.
        let answers = (0..200).map(|n| if n == 6 { "ae" } else { "aa" });
        let answers = answers.map(|a| a.parse().expect("an answer")).collect();
        let receiver = Receiver::bind("127.0.0.1:0", answers, Duration::ZERO, None).await;
        let mut receiver = receiver.expect("a port");
        let config = write_config(&folder, &format!("mllp://{}", receiver.address()));
        let daemon = Daemon::start(&config);
        let stream = tokio::net::TcpStream::connect(&daemon.lines[0]).await.expect("it listens");
        let mut bench = Bench { daemon, port: analyzer(SimPort::Tcp(stream), Style::Lis02) };
        let mut person = Person { config: config.clone(), counts: BTreeMap::new() };
        let mut got = Vec::new();

        receiver.pause().await;
        outage(&mut bench, &mut person).await;
        bench.run(controls("03", 3)).await;
        until(|| ask(&config, &["held"])["totals"]["held"] == BLANK.len());
        identify(&folder, &mut person);
        receiver.resume().await.expect("the receiver is back");
        let settled = || {
            let totals = ask(&config, &["queue"])["totals"].clone();
            totals["waiting"] == 0
        };
        gather(&mut receiver, &mut got, settled).await;

        refused(&config, &mut person);
        gather(&mut receiver, &mut got, settled).await;
        put_right(&mut person);
        gather(&mut receiver, &mut got, settled).await;
        close(&config, &mut person);
        bench.run(patients(STRIPS + 1..=STRIPS + 1)).await;
        gather(&mut receiver, &mut got, settled).await;
        let late = person.says("what came after the closing", &["status"], 1);
        assert!(late.contains("after"), "{late}");

        told(&got);
        println!("{:#?} (before: {WERE:?})", person.counts);
        for (purpose, before) in WERE {
            assert!(person.counts[purpose] == 1 && before > 1, "{purpose}");
        }
        assert_eq!(person.counts["where a specimen is"], 1, "there was no command for it");
        assert_eq!(person.counts.values().sum::<usize>(), 10);
        assert_eq!(bench.daemon.stop(), 0);
    });
}

/// Sixty strips while the cable to the laboratory system is out; the second control run fails.
async fn outage(bench: &mut Bench, person: &mut Person) {
    bench.run(controls("01", 3)).await;
    bench.run(patients(1..=BEFORE)).await;
    bench.run(controls("02", 0)).await;
    bench.run(patients(BEFORE + 1..=STRIPS)).await;
    let config = person.config.clone();
    let down = |text: &str| text.contains("cannot be reached") || text.contains("away since");
    until(|| {
        let output = run(&config, &["status"]);
        down(&String::from_utf8_lossy(&output.stdout))
    });
    let text = person.says("what is wrong now", &["status"], 1);
    for part in ["away since", "FAILED", "33 of today", "wickline held", "wickline controls"] {
        assert!(text.contains(part), "{part}: {text}");
    }
}

/// The blank ids, read from the tubes into a file, each twice.
fn identify(folder: &Folder, person: &mut Person) {
    let held = ask(&person.config, &["held"]);
    let items = held["items"].as_array().expect("items");
    let line = |item: &serde_json::Value| {
        let (id, number) = (item["id"].as_str().expect("an id"), item["number"].as_str());
        let id_of = 20_000 + number.expect("a number").parse::<usize>().expect("digits");
        format!("{id} KP-{id_of:05} KP-{id_of:05}\n")
    };
    let text: String = items.iter().map(line).collect();
    let file = folder.write("tubes.txt", &text).display().to_string();
    person.says("five blank ids", &["held", "identify", "--from", &file], 0);
}

/// One message that the receiver did not take: seen, and sent again.
fn refused(config: &Path, person: &mut Person) {
    let queue = person.says("a refusal", &["queue"], 1);
    let name = ask(config, &["queue"])["items"][0]["message"].as_str().expect("a name").to_owned();
    assert!(queue.contains(&name) && queue.contains("value not taken"), "{queue}");
    person.says("a refusal", &["queue", "retry", &name], 0);
}

/// A wrong id is found and put right, and a strip that was no urine is taken back.
fn put_right(person: &mut Person) {
    let found = person.says("where a specimen is", &["find", "KP-20999"], 0);
    assert!(found.contains("accepted"), "{found}");
    let id = |text: &str| {
        let found = ask(&person.config, &["find", text]);
        found["items"][0]["id"].as_str().expect("an id").to_owned()
    };
    let (wrong, water) = (id("KP-20999"), id("KP-20033"));
    let right = ["--specimen", "KP-20025", "--again", "KP-20025"];
    let words = ["report", "withdraw", &wrong, "--reason", "another tube was scanned"];
    person.says("a wrong id", &[&words[..], &right].concat(), 0);
    let words = ["report", "withdraw", &water, "--reason", "water for practice"];
    person.says("a withdrawal", &words, 0);
}

fn close(config: &Path, person: &mut Person) {
    let day = ask(config, &["day"]);
    let date = day["date"].as_str().expect("a date").to_owned();
    person.says("the day", &["day"], 0);
    let last = format!("bench-1={STRIPS}");
    let words = ["day", "close", &date, "--last", &last, "--last", "bench-1=Q103"];
    let words = [&words[..], &["--last", "bench-1=Q203"]].concat();
    person.says("the day", &words, 0);
}

/// What the receiver believes in the end, read from what it got and by nothing of ours: for each specimen
/// the status of its last word.
fn told(got: &[Received]) {
    let mut last: BTreeMap<String, String> = BTreeMap::new();
    for message in got {
        let text = String::from_utf8_lossy(&message.body).into_owned();
        let obx = text.split('\r').find(|s| s.starts_with("OBX|")).expect("a result");
        let status = obx.split('|').nth(11).expect("OBX-11").to_owned();
        last.insert(specimen(&message.body), status);
    }
    let of = |id: &str| last.get(id).map(String::as_str);
    for number in 1..=STRIPS + 1 {
        let id = format!("KP-{:05}", 20_000 + number);
        let wanted = if number == 33 { "W" } else { "F" };
        assert_eq!(of(&id), Some(wanted), "{id}");
    }
    assert_eq!(of("KP-20999"), Some("W"), "nothing stands under the wrong id");
    assert_eq!(last.len(), STRIPS + 2, "and nobody else was told of");
}
