//! From an analyzer's line to an accepted message: nothing lost, nothing doubled, in order.

use std::collections::BTreeMap;
use std::os::fd::OwnedFd;
use std::path::PathBuf;
use std::sync::Mutex;
use std::time::Duration;

use wickline::clock::SiteClock;
use wickline::simulate::analyzer::{Sent, SimulatedAnalyzer, Style};
use wickline::simulate::port::SimPort;
use wickline::simulate::script::{Class, Dice, Fault, Run, Script};
use wickline_forward::receive::{Received, Receiver};
use wickline_normalize::strip::Strip;

use crate::kit::{Daemon, Folder, ask, configuration, rounds};

pub fn runtime() -> tokio::runtime::Runtime {
    // The receiver must answer while a test waits for a child process.
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(1)
        .enable_all()
        .build()
        .expect("a runtime")
}

pub fn strip(name: &str) -> Strip {
    Strip::builtin(name).expect("a built-in strip")
}

pub fn pads() -> Vec<(String, usize)> {
    let strip = strip("ten-pad");
    strip.pads.iter().filter(|p| !p.optional).map(|p| (p.id.clone(), p.rungs.len())).collect()
}

pub fn analyzer(port: SimPort, style: Style) -> SimulatedAnalyzer {
    let clock = SiteClock::new("Europe/Lisbon").expect("a zone of the tz database");
    SimulatedAnalyzer::new(port, style, strip("ten-pad"), clock)
}

/// Each keeps its number until these tests end: given out again, a daemon that still waits for its line
/// would hear, and answer, what is another test's.
pub fn pty() -> (SimPort, String) {
    let port = SimPort::pty().expect("a pseudo-terminal");
    let SimPort::Pty { path, master } = &port else { unreachable!("it is one") };
    let kept = master.get_ref().try_clone().expect("a second descriptor");
    PLUGGED.lock().expect("no test holds it").insert(path.clone(), kept);
    let line = format!("serial:{path}");
    (port, line)
}

static PLUGGED: Mutex<BTreeMap<String, OwnedFd>> = Mutex::new(BTreeMap::new());

/// Hangs up. Its number is free: no daemon may know the line by it.
pub fn hang_up(port: SimPort) {
    let SimPort::Pty { path, .. } = &port else { unreachable!("a test's line is one") };
    PLUGGED.lock().expect("no test holds it").remove(path);
}

/// A practice receiver with these answers, an analyzer's end of a line, and the configuration of a
/// daemon between them.
pub async fn practice(folder: &Folder, answers: &[&str]) -> (Receiver, SimPort, PathBuf) {
    let answers = answers.iter().map(|a| a.parse().expect("an answer")).collect();
    let late = Duration::from_millis(1200);
    let receiver = Receiver::bind("127.0.0.1:0", answers, late, None).await.expect("a port");
    let (port, line) = pty();
    let address = format!("mllp://{}", receiver.address());
    let text = configuration(&line, "lis02", "ten-pad", &address, "");
    (receiver, port, folder.write("wickline.toml", &text))
}

/// So many plain strips.
pub fn script(count: usize, seed: u64) -> Script {
    Script::plain(count, seed, &pads())
}

/// The specimen id that a message is about, read without our own encoder.
pub fn specimen(message: &[u8]) -> String {
    let text = String::from_utf8_lossy(message);
    let spm = text.split('\r').find(|s| s.starts_with("SPM|")).expect("a specimen segment");
    let id = spm.split('|').nth(2).expect("SPM-2");
    id.split(['^', '&']).find(|c| !c.is_empty()).expect("an id").to_owned()
}

/// A message as a receiver of another make got it.
pub fn received(control_id: &str, body: Vec<u8>) -> Received {
    let answer = "aa".parse().expect("an answer");
    let peer = std::net::SocketAddr::from(([127, 0, 0, 1], 1));
    Received { peer, control_id: control_id.to_owned(), body, answer }
}

/// What a receiver must have got: for each specimen one control id and one text, first arrivals in
/// the order in which the specimens were run.
pub fn check(got: &[Received], wanted: &[String]) {
    let mut ids: BTreeMap<String, (String, Vec<u8>)> = BTreeMap::new();
    let mut order = Vec::new();
    for message in got {
        let of = specimen(&message.body);
        let known = ids.entry(of.clone()).or_insert_with(|| {
            order.push(of.clone());
            (message.control_id.clone(), message.body.clone())
        });
        assert_eq!(known.0, message.control_id, "{of} came under two control ids");
        assert_eq!(known.1, message.body, "{of}: a repeat must be byte-identical");
    }
    for of in wanted {
        assert!(ids.contains_key(of), "{of} was lost");
    }
    let wanted_order: Vec<&String> = wanted.iter().collect();
    let got_order: Vec<&String> = order.iter().filter(|o| wanted.contains(o)).collect();
    assert_eq!(got_order, wanted_order, "order of first arrival");
    assert_eq!(order.len(), wanted.len(), "nothing else may arrive");
}

/// How many of the messages are not a repeat of another.
fn distinct(got: &[Received]) -> usize {
    got.iter().map(|m| &m.control_id).collect::<std::collections::BTreeSet<_>>().len()
}

/// Takes what arrives until `done` says that all is settled, and then what is still on its way.
pub async fn gather(
    receiver: &mut Receiver,
    got: &mut Vec<Received>,
    mut done: impl FnMut() -> bool,
) {
    let end = std::time::Instant::now() + crate::kit::PATIENCE;
    let mut settled = false;
    loop {
        match tokio::time::timeout(Duration::from_millis(200), receiver.next()).await {
            Ok(Some(message)) => got.push(message),
            _ if settled => return,
            _ => settled = done(),
        }
        if std::time::Instant::now() >= end {
            let repeats = got.len() - distinct(got);
            panic!("not settled in time; {} messages came, {repeats} of them again", got.len());
        }
    }
}

#[test]
fn two_hundred_reports_through_every_trouble() {
    let folder = Folder::new("trouble");
    runtime().block_on(async {
        // One trouble of each kind, with five good answers after each.
        let troubles = "ae,late,busy,none,wrong,split,double,reset,junk,close";
        let answers: Vec<&str> = troubles
            .split(',')
            .flat_map(|a| [a, "aa", "aa", "aa", "aa", "aa", "aa", "aa"])
            .collect();
        let (mut receiver, port, config) = practice(&folder, &answers).await;
        let daemon = Daemon::start(&config);
        let mut dice = Dice::new(7);
        let count = 200;
        let mut script = Script::plain(count, 7, &pads());
        for run in &mut script.run {
            run.fault = match dice.roll(10) {
                0 => Fault::BadChecksum,
                1 => Fault::SentTwice,
                _ => Fault::None,
            };
        }
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        // One is cut in the middle and never comes again: held, not sent.
        script.run.insert(
            100,
            Run {
                number: "900".into(),
                specimen: "KP-CUT".into(),
                fault: Fault::CutOff,
                ..Run::default()
            },
        );
        let mut bench = analyzer(port, Style::Lis02);
        let mut got = Vec::new();
        let run = bench.run(&script, |_, _| ());
        tokio::pin!(run);
        loop {
            tokio::select! {
                done = &mut run => { done.expect("the line holds"); break }
                message = receiver.next() => got.extend(message),
            }
        }
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["waiting"] == 0)
            .await;
        check(&got, &wanted);
        let day = ask(&config, &["day"]);
        let twice = script.run.iter().filter(|r| r.fault == Fault::SentTwice).count();
        let refused = day["totals"]["refused"].as_u64().expect("a count");
        assert_eq!(day["totals"]["accepted"].as_u64().expect("a count") + refused, count as u64);
        assert!(refused > 0, "some were answered AE");
        assert_eq!(day["totals"]["repeat"], twice as u64);
        assert_eq!(day["totals"]["held"], 1, "the one that was cut: {}", ask(&config, &["held"]));
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn killed_at_random_instants_nothing_is_lost_or_doubled() {
    let folder = Folder::new("kill");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let mut dice = Dice::new(99);
        let kills = rounds(100, 1000);
        let script = Script::plain(200, 11, &pads());
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let mut bench = analyzer(port, Style::Lis02);
        bench.pause = Duration::from_millis(60);
        let mut got = Vec::new();
        let mut delivered = 0;
        {
            let run =
                bench.run(&script, |_, sent| delivered += usize::from(sent == Sent::Delivered));
            tokio::pin!(run);
            let mut daemon = Some(Daemon::start(&config));
            let mut killed = 0;
            let instant = tokio::time::sleep(Duration::from_millis(100));
            tokio::pin!(instant);
            let mut done = false;
            while !done || killed < kills {
                tokio::select! {
                    ended = &mut run, if !done => {
                        ended.expect("the line holds");
                        done = true;
                    }
                    message = receiver.next() => got.extend(message),
                    () = &mut instant, if killed < kills => {
                        daemon.take().expect("one is running").kill();
                        killed += 1;
                        daemon = Some(Daemon::start(&config));
                        let wait = Duration::from_millis(20 + dice.roll(250) as u64);
                        instant.as_mut().reset(tokio::time::Instant::now() + wait);
                    }
                }
            }
            gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["waiting"] == 0)
                .await;
            assert_eq!(daemon.expect("one is running").stop(), 0);
        }
        assert_eq!(delivered, 200);
        check(&got, &wanted);
        let day = ask(&config, &["day"]);
        assert_eq!(day["totals"]["accepted"], 200);
        assert_eq!(day["totals"]["held"], 0, "{}", ask(&config, &["held"]));
    });
}

/// A control, one of each of four troubles, a skipped number and an urgent one.
fn troubled() -> Script {
    let run = |number: &str, specimen: &str, class, fault| Run {
        number: number.into(),
        specimen: specimen.into(),
        class,
        fault,
        ..Run::default()
    };
    let run = vec![
        run("1", "QC-L1", Class::Control, Fault::None),
        run("2", "", Class::Routine, Fault::None),
        run("3", "KP-30003", Class::Routine, Fault::UnknownLabel),
        run("4", "KP-30004", Class::Routine, Fault::PadMissing),
        run("5", "KP-30005", Class::Routine, Fault::PadUnread),
        run("7", "KP-30007", Class::Stat, Fault::None),
    ];
    Script { sender: "SIM".into(), run }
}

/// What a technologist does with them, and what is refused.
fn put_right(config: &std::path::Path, held: &serde_json::Value) {
    let id = |n: usize| held["items"][n]["id"].as_str().expect("an id").to_owned();
    let code = |words: &[&str]| crate::kit::run(config, words).status.code();
    assert_eq!(
        code(&["held", "release", &id(0), "--reason", "no"]),
        Some(2),
        "a blank id is not released"
    );
    assert_eq!(
        code(&["held", "identify", &id(0), "--specimen", "2", "--again", "2"]),
        Some(2),
        "the number is no id"
    );
    let once = ["held", "identify", &id(0), "--specimen", "KP-30002"];
    assert_eq!(code(&once), Some(2), "an id is entered twice");
    assert_eq!(code(&[&once[..], &["--again", "KP-30020"]].concat()), Some(2), "and alike");
    assert_eq!(code(&[&once[..], &["--again", "KP-30002"]].concat()), Some(0));
    assert_eq!(
        code(&["held", "release", &id(1), "--reason", "no"]),
        Some(2),
        "an unknown label is not released"
    );
    assert_eq!(code(&["held", "set-aside", &id(1), "--reason", "wrong strip"]), Some(0));
    assert_eq!(code(&["held", "release", &id(2), "--reason", "pad off by order"]), Some(0));
    assert_eq!(code(&["held", "release", &id(3), "--reason", "repeated by hand"]), Some(0));
}

#[test]
fn controls_never_reach_a_receiver_and_holds_are_put_right() {
    let folder = Folder::new("holds");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let mut daemon = Daemon::start(&config);
        let script = troubled();
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        let last = daemon.wait_for(|e| e["event"] == "report" && e["number"] == "7");
        assert_eq!(last["state"], "waiting");
        let held = ask(&config, &["held"]);
        let reasons: Vec<&str> = held["items"]
            .as_array()
            .expect("items")
            .iter()
            .map(|i| i["reason"].as_str().expect("a reason"))
            .collect();
        assert_eq!(reasons, ["specimen-blank", "unknown-analyte", "pads-missing", "pad-unread"]);
        put_right(&config, &held);
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["accepted"] == 4)
            .await;
        let of = |id: &str| {
            got.iter()
                .find(|m| specimen(&m.body) == id)
                .map(|m| String::from_utf8_lossy(&m.body).into_owned())
        };
        assert_eq!(got.len(), 4, "no control among them");
        assert!(of("KP-30002").is_some(), "identified");
        assert!(
            of("KP-30005").is_some_and(|m| m.contains("||||||X")),
            "an unread pad goes as X, without a value"
        );
        let day = ask(&config, &["day"]);
        assert_eq!(day["totals"]["filed"], 1);
        assert_eq!(day["totals"]["set-aside"], 1);
        assert_eq!(day["totals"]["missing"], 1, "number 6 never came");
        assert_eq!(day["totals"]["accepted"], 4);
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn a_second_daemon_on_one_tape_is_refused() {
    let folder = Folder::new("second");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "mllp://127.0.0.1:1", "");
    let config = folder.write("wickline.toml", &text);
    let first = Daemon::start(&config);
    let second = crate::kit::run(&config, &["run"]);
    assert_eq!(second.status.code(), Some(4), "{}", String::from_utf8_lossy(&second.stderr));
    assert!(first.resident_kib() < 64 * 1024, "an idle daemon is small, even unoptimized");
    assert_eq!(first.stop(), 0);
}

#[test]
fn a_hang_up_takes_a_good_configuration_and_keeps_the_old_one_else() {
    let folder = Folder::new("reload");
    let good = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &good);
    let mut daemon = Daemon::start(&config);
    folder.write("wickline.toml", &good.replace("ten-pad", "nine-pad"));
    daemon.hang_up();
    daemon.wait_for(|e| e["event"] == "configuration-refused");
    folder.write("wickline.toml", &good.replace("\"lis\"", "\"lis-2\""));
    daemon.hang_up();
    let ready = daemon.wait_for(|e| e["event"] == "ready");
    assert_eq!(ready["receivers"], serde_json::json!(["lis-2"]));
    assert_eq!(daemon.stop(), 0);
}
