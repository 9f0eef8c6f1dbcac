//! The tape is full in the middle of a report: what is heard waits in memory, and no silence may end the
//! report before what was said of it can be read. What a stop or a kill loses is never half a result.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use wickline::clock::SiteClock;
use wickline::simulate::port::SimPort;
use wickline::simulate::print::two_column;
use wickline::store::tape::{Entry, Kind, Tape};
use wickline_forward::receive::{Received, Receiver};

use crate::cable::transmission;
use crate::controls::metrics;
use crate::faults::preload;
use crate::kit::{Daemon, Folder, ask, configuration, rounds, said, until};
use crate::way::{gather, runtime, script, strip};

/// Longer than the silence that ends a print, three seconds.
const PAUSE: Duration = Duration::from_secs(4);
/// Longer than the patience of LIS01 with a sender, thirty seconds.
const PATIENCE: u64 = 33;

/// A bench with one analyzer over TCP, and a disk that can be full.
struct Bench {
    folder: Folder,
    library: PathBuf,
    config: PathBuf,
    receiver: Receiver,
}

impl Bench {
    async fn new(dialect: &str) -> Self {
        let folder = Folder::new("half");
        let library = preload(&folder);
        let aa = vec!["aa".parse().expect("an answer")];
        let receiver =
            Receiver::bind("127.0.0.1:0", aa, Duration::ZERO, None).await.expect("a port");
        let address = format!("mllp://{}", receiver.address());
        let text = configuration("listen:127.0.0.1:0", dialect, "ten-pad", &address, "");
        let config = folder.write("wickline.toml", &text);
        Self { folder, library, config, receiver }
    }

    async fn start(&self) -> (Daemon, SimPort) {
        let daemon = Daemon::start_with(&self.config, &self.library, &self.folder.0);
        let port = SimPort::connect(&daemon.lines[0]).await.expect("the line listens");
        (daemon, port)
    }

    /// From now on the tape is full, and nothing else.
    fn fill(&self) {
        self.folder.write("full", "tape.db");
    }

    fn clear(&self) {
        std::fs::remove_file(self.folder.0.join("full")).expect("it was full");
    }

    /// Waits until so many bytes stand on the tape.
    async fn on_tape(&self, bytes: usize) {
        let end = Instant::now() + crate::kit::PATIENCE;
        loop {
            let entries = tape(&self.folder.0).await;
            let heard = entries.iter().filter(|e| e.kind == Kind::Bytes);
            if heard.map(|e| e.data.len()).sum::<usize>() >= bytes {
                return;
            }
            assert!(Instant::now() < end, "{bytes} bytes do not come onto the tape");
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
    }

    async fn all(&mut self, accepted: usize) -> Vec<Received> {
        let mut got = Vec::new();
        let config = self.config.clone();
        let done = || ask(&config, &["queue"])["totals"]["accepted"] == accepted;
        gather(&mut self.receiver, &mut got, done).await;
        got
    }

    fn held(&self) -> Vec<String> {
        let held = ask(&self.config, &["held"]);
        let items = held["items"].as_array().expect("items").iter();
        items.map(|item| item["reason"].as_str().expect("a reason").to_owned()).collect()
    }
}

async fn tape(folder: &Path) -> Vec<Entry> {
    let tape = Tape::look(&folder.join("tape.db")).await.expect("a tape");
    tape.after("bench-1", 0, 1000).await.expect("entries")
}

/// A print whose first half has all that its strip asks for, and whose second half says more.
fn halves() -> [Vec<u8>; 2] {
    let clock = SiteClock::new("Europe/Lisbon").expect("a zone");
    let mut run = script(1, 91).run.remove(0);
    run.rungs.insert("COL".into(), 6);
    let whole = two_column(&strip("ten-pad"), &run, clock.moment(wickline::clock::now_us()));
    let text = String::from_utf8(whole).expect("text");
    let (colour, rest): (Vec<&str>, Vec<&str>) =
        text.trim_end().split("\r\n").partition(|line| line.starts_with("COL"));
    assert_eq!(colour.len(), 1);
    [
        format!("{}\r\n", rest.join("\r\n")).into_bytes(),
        format!("{}\r\n\r\n", colour[0]).into_bytes(),
    ]
}

/// Full for seconds (and, where asked for, for minutes) between the halves of a print.
#[test]
fn a_print_is_not_cut_by_silence_while_its_second_half_waits_for_the_disk() {
    runtime().block_on(async {
        let mut bench = Bench::new("two-column").await;
        let (mut daemon, mut port) = bench.start().await;
        let [first, second] = halves();
        port.write_all(&first).await.expect("the line takes it");
        bench.on_tape(first.len()).await;
        bench.fill();
        port.write_all(&second).await.expect("the line takes it");
        daemon.wait_for(|e| e["event"] == "tape-away");
        let full = Duration::from_secs(rounds(5, 150) as u64);
        let cut = daemon.tells(full, |e| e["event"] == "report");
        assert!(cut.is_none(), "half of it was read: {cut:?}");
        bench.clear();
        let got = bench.all(1).await;
        let [message] = got.as_slice() else { panic!("{} messages", got.len()) };
        let text = String::from_utf8_lossy(&message.body);
        assert!(text.contains("50553-7"), "its colour is in it: {text}");
        assert_eq!(bench.held(), [""; 0]);
        assert_eq!(daemon.stop(), 0);
    });
}

/// A print that stands whole on the tape is ended by silence also while the disk is full, with nothing
/// of it in memory.
#[test]
fn a_whole_print_goes_out_although_the_disk_is_full_behind_it() {
    runtime().block_on(async {
        let bench = Bench::new("two-column").await;
        let (mut daemon, mut port) = bench.start().await;
        let [first, _] = halves();
        port.write_all(&first).await.expect("the line takes it");
        bench.on_tape(first.len()).await;
        bench.fill();
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        bench.clear();
        assert_eq!(daemon.stop(), 0);
    });
}

/// The session of a framed message outlives the time for which an analyzer that is told no is silent on
/// the tape: no half of the message is held, and the whole goes out once.
#[test]
fn a_session_is_not_cut_while_what_was_said_in_it_waits_for_the_disk() {
    runtime().block_on(async {
        let mut bench = Bench::new("lis02").await;
        let (mut daemon, mut port) = bench.start().await;
        let frames = transmission(&script(1, 92));
        port.write_all(b"\x05").await.expect("the line takes it");
        let (last, first) = frames.split_last().expect("frames");
        for frame in first {
            assert_eq!(answer(&mut port).await, 6);
            port.write_all(frame).await.expect("the line takes it");
        }
        assert_eq!(answer(&mut port).await, 6);
        bench.fill();
        let end = Instant::now() + Duration::from_secs(rounds(PATIENCE as usize, 150) as u64);
        let every = Duration::from_secs(10);
        while Instant::now() < end {
            port.write_all(last).await.expect("the line takes it");
            assert_eq!(answer(&mut port).await, 21, "nothing is kept, so the answer is no");
            let left = end.saturating_duration_since(Instant::now()).min(every);
            let cut = daemon.tells(left, |e| e["event"] == "report");
            assert!(cut.is_none(), "half of it was read: {cut:?}");
        }
        bench.clear();
        daemon.wait_for(|e| e["event"] == "tape-back");
        port.write_all(last).await.expect("the line takes it");
        assert_eq!(answer(&mut port).await, 6);
        port.write_all(b"\x04").await.expect("the line takes it");
        assert_eq!(bench.all(1).await.len(), 1);
        assert_eq!(ask(&bench.config, &["day"])["items"].as_array().map(Vec::len), Some(1));
        assert_eq!(daemon.stop(), 0);
    });
}

async fn answer(port: &mut SimPort) -> u8 {
    let mut heard = Vec::new();
    let read = tokio::time::timeout(crate::kit::PATIENCE, port.read(&mut heard)).await;
    read.expect("an answer in time").expect("the line holds");
    assert_eq!(heard.len(), 1, "{heard:?}");
    heard[0]
}

/// Killed or stopped while the second half is in memory only: what is on the tape is held as incomplete,
/// whatever time has passed when the next daemon reads it, and the second half alone is no report either.
#[test]
fn what_a_kill_or_a_stop_loses_never_leaves_half_a_result_behind() {
    for killed in [true, false] {
        runtime().block_on(async {
            let bench = Bench::new("two-column").await;
            let (mut daemon, mut port) = bench.start().await;
            let [first, second] = halves();
            port.write_all(&first).await.expect("the line takes it");
            bench.on_tape(first.len()).await;
            let printed = Instant::now();
            bench.fill();
            port.write_all(&second).await.expect("the line takes it");
            daemon.wait_for(|e| e["event"] == "tape-away");
            if killed {
                daemon.kill();
            } else {
                assert_eq!(daemon.stop(), 4, "what was heard is lost: {}", said(&bench.config));
                let said = said(&bench.config);
                let lost = format!("{} bytes", second.len());
                assert!(said.contains(&lost) && said.contains("bench-1"), "{said}");
            }
            bench.clear();
            until(|| printed.elapsed() > PAUSE);
            let (mut daemon, _port) = bench.start().await;
            let report = daemon.wait_for(|e| e["event"] == "report");
            assert_eq!(
                (&report["state"], &report["reason"]),
                (&"held".into(), &"incomplete".into())
            );
            assert_eq!(ask(&bench.config, &["queue"])["totals"]["waiting"], 0);
            assert_eq!(daemon.stop(), 0);
        });
    }
}

/// A stop keeps what is in memory where the disk still has room: the low-water mark is for those who go
/// on working.
#[test]
fn a_stop_writes_what_is_in_memory_below_the_low_water_mark() {
    runtime().block_on(async {
        let bench = Bench::new("two-column").await;
        let text = std::fs::read_to_string(&bench.config).expect("the configuration");
        let high = text.replace("low_water_mib = 1\n", "low_water_mib = 1000000\n");
        let high = format!("{high}[console]\nlisten = \"127.0.0.1:0\"\n");
        bench.folder.write("wickline.toml", &high);
        let (mut daemon, mut port) = bench.start().await;
        let print = halves().concat();
        port.write_all(&print).await.expect("the line takes it");
        // What is on its way through the cable is not in memory yet.
        let ready = daemon.seen.iter().find(|e| e["event"] == "ready").expect("it said so").clone();
        let heard = format!("wickline_heard_bytes_total{{analyzer=\"bench-1\"}} {}\n", print.len());
        until(|| metrics(&ready).contains(&heard));
        daemon.wait_for(|e| e["event"] == "tape-away");
        assert_eq!(daemon.stop(), 0, "{}", said(&bench.config));
        let kept = tape(&bench.folder.0).await;
        assert!(kept.iter().any(|e| e.kind == Kind::Bytes), "{kept:?}");
        bench.folder.write("wickline.toml", &text);
        let (mut daemon, _port) = bench.start().await;
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        assert_eq!(daemon.stop(), 0);
    });
}

/// What was put aside for a full disk is given up when it is full, and comes back by itself when it is not any more.
#[test]
fn the_ballast_comes_back_while_it_runs() {
    runtime().block_on(async {
        let bench = Bench::new("two-column").await;
        let text = std::fs::read_to_string(&bench.config).expect("a configuration");
        let text = text.replace("ballast_mib = 0", "ballast_mib = 1");
        std::fs::write(&bench.config, text).expect("written");
        let (mut daemon, mut port) = bench.start().await;
        let ballast = bench.folder.0.join("ballast");
        assert!(ballast.exists());
        bench.fill();
        port.write_all(&halves()[0]).await.expect("heard");
        daemon.wait_for(|e| e["event"] == "tape-away");
        until(|| !ballast.exists());
        bench.clear();
        daemon.wait_for(|e| e["event"] == "tape-back");
        until(|| std::fs::metadata(&ballast).is_ok_and(|file| file.len() == 1 << 20));
        assert_eq!(daemon.stop(), 0);
    });
}
