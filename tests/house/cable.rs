//! Serial lines in trouble: pulled and put back, babbling, talking to themselves. What was cut is never
//! taken for a report, other lines notice nothing, nothing runs hot or grows.

use std::path::Path;
use std::time::{Duration, Instant};

use wickline::clock::SiteClock;
use wickline::simulate::analyzer::{Sent, Style};
use wickline::simulate::port::SimPort;
use wickline::simulate::script::{Dice, Run, Script};
use wickline_forward::receive::Receiver;

use crate::kit::{Daemon, Folder, ask, configuration, rounds};
use crate::way::{analyzer, check, gather, hang_up, practice, pty, runtime, script, strip};

/// Bytes of a long printout of nothing, in one write.
const PIECE: usize = 1024;

fn plugged(port: &SimPort, socket: &Path) {
    let SimPort::Pty { path, .. } = port else { unreachable!("a test's line is one") };
    let _ = std::fs::remove_file(socket);
    std::os::unix::fs::symlink(path, socket).expect("a stable name can be given");
}

/// The whole of one report's transmission, as the analyzer says it when all is acknowledged.
pub fn transmission(run: &Script) -> Vec<Vec<u8>> {
    let clock = SiteClock::new("Europe/Lisbon").expect("a zone");
    let now = clock.moment(wickline::clock::now_us());
    let records = wickline::simulate::print::lis02(&strip("ten-pad"), run, &run.run[0], now);
    let frame = |(n, record): (usize, Vec<u8>)| {
        let number = u8::try_from((n + 1) % 8).expect("a digit");
        wickline_listen::link::frame(number, &[record, b"\r".to_vec()].concat(), true)
    };
    records.into_iter().enumerate().map(frame).collect()
}

/// The analyzer is pulled in the middle of a frame and comes back as another device under the same
/// name: told, the half never sent, the whole carried once.
#[test]
fn pulled_in_the_middle_of_a_frame_and_back_under_the_same_name() {
    let folder = Folder::new("pulled");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let socket = folder.0.join("bench");
        let text = std::fs::read_to_string(&config).expect("the configuration");
        let SimPort::Pty { path, .. } = &port else { unreachable!("a test's line is one") };
        std::fs::write(&config, text.replace(path, &socket.to_string_lossy())).expect("written");
        plugged(&port, &socket);
        let mut daemon = Daemon::start(&config);
        let script = script(rounds(6, 60), 81);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let clock = SiteClock::new("Europe/Lisbon").expect("a zone");
        let mut dice = Dice::new(81);
        let mut port = Some(port);
        let mut got = Vec::new();
        for (nth, run) in script.run.iter().enumerate() {
            // A strip is read once: what is said after the pull is the same to the byte.
            let run =
                Run { taken: clock.moment(wickline::clock::now_us()).digits(), ..run.clone() };
            let one = Script { sender: "SIM".into(), run: vec![run] };
            let mut pulled = port.take().expect("one is plugged in");
            pull(&mut pulled, &transmission(&one), &mut dice).await;
            std::fs::remove_file(&socket).expect("its name goes with it");
            hang_up(pulled);
            daemon.wait_for(|e| e["event"] == "line-down");
            let (now, from) = (daemon.worked_ms(), Instant::now());
            let _ = daemon.tells(Duration::from_millis(500), |_| false);
            let worked = daemon.worked_ms() - now;
            assert!(worked < 200, "{worked} ms of work in {:?} without a line", from.elapsed());
            let (back, _) = pty();
            plugged(&back, &socket);
            daemon.wait_for(|e| e["event"] == "line-up");
            let mut bench = analyzer(back, Style::Lis02);
            bench.run(&one, |_, _| ()).await.expect("the line holds");
            let done = || ask(&config, &["queue"])["totals"]["accepted"] == nth + 1;
            gather(&mut receiver, &mut got, done).await;
            port = Some(bench.port);
        }
        check(&got, &wanted);
        let day = ask(&config, &["day"]);
        let count = script.run.len();
        assert_eq!(day["totals"]["accepted"], count);
        assert_eq!(day["totals"]["repeat"], count, "each half is shown beside its whole");
        assert_eq!(day["totals"]["held"], 0, "{}", ask(&config, &["held"]));
        assert_eq!(daemon.stop(), 0);
    });
}

/// Says frames, waiting for each yes, and stops inside one of the later ones.
async fn pull(port: &mut SimPort, frames: &[Vec<u8>], dice: &mut Dice) {
    let last = 3 + dice.roll(frames.len() - 3);
    port.write_all(b"\x05").await.expect("the line takes it");
    let mut heard = Vec::new();
    for frame in &frames[..last] {
        port.read(&mut heard).await.expect("a yes");
        port.write_all(frame).await.expect("the line takes it");
    }
    port.read(&mut heard).await.expect("a yes");
    assert!(heard.iter().all(|b| *b == 6), "{heard:?}");
    let half = &frames[last][..1 + dice.roll(frames[last].len() - 1)];
    port.write_all(half).await.expect("the line takes it");
    // On its way: pulled with bytes in the cable, they are lost in it.
    tokio::time::sleep(Duration::from_millis(30)).await;
}

/// A device that babbles for seconds, in noise, in print and in frames: bounded memory, and the line
/// beside it is as quick as ever.
#[test]
fn a_babbling_device_costs_no_memory_and_no_other_line_its_time() {
    for dialect in ["lis02", "two-column"] {
        let folder = Folder::new("babble");
        runtime().block_on(async {
            let aa = vec!["aa".parse().expect("an answer")];
            let mut receiver =
                Receiver::bind("127.0.0.1:0", aa, Duration::ZERO, None).await.expect("a port");
            let address = format!("mllp://{}", receiver.address());
            let ((mut loud, loud_line), (quiet, quiet_line)) = (pty(), pty());
            let more = format!(
                "[[analyzer]]\nid = \"loud\"\nline = \"{loud_line}\"\ndialect = \"{dialect}\"\n\
                 controls = \"none\"\n"
            );
            let text = configuration(&quiet_line, "lis02", "ten-pad", &address, &more);
            let config = folder.write("wickline.toml", &text);
            let daemon = Daemon::start(&config);
            let babbling = tokio::spawn(async move {
                let mut dice = Dice::new(82);
                let signs = b"\x02\x05\x03\r\n 1|AZ";
                let end = Instant::now() + Duration::from_secs(rounds(3, 30) as u64);
                let mut count = 0;
                while Instant::now() < end {
                    let piece: Vec<u8> = (0..PIECE)
                        .map(|_| signs.get(dice.roll(200)).copied().unwrap_or(b'x'))
                        .collect();
                    loud.write_all(&piece).await.expect("the line takes it");
                    count += piece.len();
                    // What it is answered is nobody's.
                    let mut heard = Vec::new();
                    let _ = tokio::time::timeout(Duration::ZERO, loud.read(&mut heard)).await;
                }
                (count, loud)
            });
            let script = script(5, 82);
            let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
            let began = Instant::now();
            let mut bench = analyzer(quiet, Style::Lis02);
            bench.run(&script, |_, _| ()).await.expect("the line holds");
            let mut got = Vec::new();
            while got.len() < wanted.len() {
                got.extend(receiver.next().await);
            }
            let quick = began.elapsed();
            assert!(quick < Duration::from_secs(10), "{dialect}: beside it: {quick:?}");
            let mut most = 0;
            while !babbling.is_finished() {
                most = most.max(daemon.resident_kib());
                tokio::time::sleep(Duration::from_millis(20)).await;
            }
            let (count, _loud) = babbling.await.expect("it babbled");
            assert!(most < 96 * 1024, "{dialect}: {most} KiB after {count} bytes of babble");
            assert!(count > 100 * PIECE, "it babbled only {count} bytes");
            check(&got, &wanted);
            assert_eq!(daemon.stop(), 0);
        });
    }
}

/// A plug that gives back whatever is said: no endless talk with oneself, nothing taken for a report,
/// and the analyzer that is then plugged in is heard.
#[test]
fn a_loopback_plug_is_no_conversation() {
    let folder = Folder::new("loopback");
    runtime().block_on(async {
        let (mut receiver, mut port, config) = practice(&folder, &["aa"]).await;
        let daemon = Daemon::start(&config);
        let mut returned = 0;
        for sign in [b"\x05".as_slice(), b"\x06", b"\x15", b"\x04", b"\x02", b"\r", b"\x051\x02"] {
            port.write_all(sign).await.expect("the line takes it");
            let mut heard = Vec::new();
            let quiet = Duration::from_millis(300);
            while let Ok(read) = tokio::time::timeout(quiet, port.read(&mut heard)).await {
                read.expect("the line holds");
                returned += heard.len();
                assert!(returned < 100, "it talks with itself: {sign:?}, then {heard:?}");
                port.write_all(&std::mem::take(&mut heard)).await.expect("the line takes it");
            }
        }
        let day = ask(&config, &["day"]);
        assert_eq!(day["items"], serde_json::json!([]), "nothing of it is a report");
        // The plug out, the analyzer in: the session that the noise had opened is begun anew.
        let script = script(2, 83);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let mut got = Vec::new();
        let mut bench = analyzer(port, Style::Lis02);
        for run in &script.run {
            // What is not taken while the noise's session lasts stays in the analyzer and comes again.
            let one = Script { sender: script.sender.clone(), run: vec![run.clone()] };
            let mut sent = Sent::Kept;
            while sent == Sent::Kept {
                bench.run(&one, |_, how| sent = how).await.expect("the line holds");
            }
        }
        let done = || ask(&config, &["queue"])["totals"]["accepted"] == 2;
        gather(&mut receiver, &mut got, done).await;
        check(&got, &wanted);
        assert_eq!(daemon.stop(), 0);
    });
}
