//! A receiver in trouble, one kind after the other: messages wait for it in order and go once it is
//! well, the same bytes under the same ids; the trouble is told; another receiver notices nothing.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use wickline::simulate::analyzer::Style;
use wickline_forward::receive::Received;

use crate::kit::{Daemon, Folder, ask};
use crate::peer::{Conn, Peer, agree, answer};
use crate::way::{analyzer, check, gather, practice, received, runtime, script};

const REPORTS: usize = 4;
/// How soon the trouble must be told, beyond the configured patience of a second.
const TOLD: Duration = Duration::from_secs(5);
/// How soon after its end everything must have arrived: the longest pause here is one second.
const HEALED: Duration = Duration::from_secs(10);

fn arrived(peer: &Peer) -> Vec<Received> {
    peer.arrivals().into_iter().map(|a| received(&a.control_id, a.body)).collect()
}

/// One daemon with two receivers: `lis`, which is well, and `other`, which the peer is.
async fn house(
    folder: &Folder,
    peer: &str,
) -> (wickline_forward::receive::Receiver, Daemon, Bench) {
    let (receiver, port, config) = practice(folder, &["aa"]).await;
    let text = std::fs::read_to_string(&config).expect("the configuration");
    let other = format!(
        "[[receiver]]\nid = \"other\"\naddress = \"mllp://{peer}\"\nack_timeout = 1\n\
         retry_first = 1\nretry_max = 1\n"
    );
    std::fs::write(&config, text + &other).expect("the configuration");
    let daemon = Daemon::start(&config);
    (receiver, daemon, Bench { config, analyzer: analyzer(port, Style::Lis02) })
}

struct Bench {
    config: std::path::PathBuf,
    analyzer: wickline::simulate::analyzer::SimulatedAnalyzer,
}

impl Bench {
    fn accepted(&self) -> u64 {
        ask(&self.config, &["queue"])["totals"]["accepted"].as_u64().expect("a count")
    }
}

/// Runs strips while `other` does as `ill` does, then lets it be well.
fn suffers(name: &str, ill: impl Fn(&mut Conn) + Send + Sync + 'static) {
    let folder = Folder::new("ill");
    let well = Arc::new(AtomicBool::new(false));
    let is_well = well.clone();
    let peer = Peer::new(
        move |conn| {
            if is_well.load(Ordering::Relaxed) { agree(conn) } else { ill(conn) }
        },
    );
    runtime().block_on(async {
        let address = peer.address.to_string();
        let (mut receiver, mut daemon, mut bench) = house(&folder, &address).await;
        let script = script(REPORTS, 51);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        bench.analyzer.run(&script, |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        let run = Instant::now();
        gather(&mut receiver, &mut got, || bench.accepted() >= REPORTS as u64).await;
        assert!(run.elapsed() < TOLD, "{name}: the other receiver waited {:?}", run.elapsed());
        check(&got, &wanted);
        let down =
            |e: &serde_json::Value| e["event"] == "receiver-down" && e["receiver"] == "other";
        let told = daemon.seen.iter().any(down) || daemon.tells(TOLD, down).is_some();
        assert!(told, "{name} was not told");
        let queue = ask(&bench.config, &["queue"]);
        let first = &queue["items"][0];
        assert_eq!(first["receiver"], "other", "{name}: {queue}");
        assert!(first["detail"].as_str().is_some_and(|d| !d.is_empty()), "{name}: {first}");
        assert!(daemon.resident_kib() < 96 * 1024, "{name}: {} KiB", daemon.resident_kib());
        well.store(true, Ordering::Relaxed);
        let end = Instant::now() + HEALED;
        while bench.accepted() < 2 * REPORTS as u64 {
            assert!(Instant::now() < end, "{name} is over and not healed: {queue}");
        }
        check(&arrived(&peer), &wanted);
        let up = |e: &serde_json::Value| e["event"] == "receiver-up" && e["receiver"] == "other";
        assert!(daemon.tells(TOLD, up).is_some(), "{name}: its end is told");
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn reset_in_the_middle_of_a_message_at_several_bytes() {
    for bytes in [0, 1, 2, 100, 700] {
        suffers("reset mid-message", move |conn| conn.bite(bytes));
    }
}

#[test]
fn closed_or_reset_in_the_middle_of_an_answer() {
    for bytes in [1, 30] {
        suffers("half an answer", move |conn| {
            if let Some(message) = conn.message() {
                let whole = answer("AA", &message.control_id);
                conn.say(&whole[..bytes]);
            }
        });
    }
}

#[test]
fn silence_after_connecting_and_after_a_message() {
    suffers("a peer that reads and says nothing", Conn::sit);
    suffers("a peer that takes nothing", |conn| {
        while !conn.over() {
            std::thread::park_timeout(Duration::from_millis(50));
        }
    });
}

/// One byte at a time, each in time, the whole of it never: one deadline for all of it.
#[test]
fn an_answer_that_dribbles() {
    suffers("an answer that dribbles", |conn| {
        while let Some(message) = conn.message() {
            for byte in answer("AA", &message.control_id) {
                std::thread::park_timeout(Duration::from_millis(300));
                if !conn.say(&[byte]) {
                    return;
                }
            }
        }
    });
}

#[test]
fn garbage_instead_of_an_answer() {
    suffers("bytes that are no block", |conn| {
        while conn.message().is_some() && conn.say(b"HTTP/1.1 400 Bad Request\r\n\r\n") {}
    });
    suffers("a block that is no answer", |conn| {
        while conn.message().is_some() && conn.say(b"\x0bNOT HL7\x1c\r") {}
    });
    suffers("garbage without end", |conn| {
        let _ = conn.message();
        while !conn.over() && conn.say(&[b'x'; 65536]) {}
    });
    suffers("a block without end", |conn| {
        let _ = conn.message();
        conn.say(b"\x0bMSH|^~\\&|");
        while !conn.over() && conn.say(&[b'x'; 65536]) {}
    });
}

#[test]
fn a_yes_under_another_id_is_no_yes() {
    suffers("another id", |conn| {
        while conn.message().is_some() && conn.say(&answer("AA", "WK0000000000")) {}
    });
    suffers("no id", |conn| while conn.message().is_some() && conn.say(&answer("AA", "")) {});
}

/// Nobody listens; then somebody does.
#[test]
fn refused_until_somebody_listens() {
    let folder = Folder::new("refused");
    runtime().block_on(async {
        let free = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = free.local_addr().expect("it listens").to_string();
        drop(free);
        let (mut receiver, mut daemon, mut bench) = house(&folder, &address).await;
        let script = script(REPORTS, 52);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        bench.analyzer.run(&script, |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || bench.accepted() >= REPORTS as u64).await;
        check(&got, &wanted);
        let down = daemon.seen.iter().find(|e| e["event"] == "receiver-down").cloned();
        let down = down.unwrap_or_else(|| daemon.wait_for(|e| e["event"] == "receiver-down"));
        assert!(down["why"].as_str().is_some_and(|w| w.contains("refused")), "{down}");
        let peer = Peer::at(&address, || 0, agree);
        let end = Instant::now() + HEALED;
        while bench.accepted() < 2 * REPORTS as u64 {
            assert!(Instant::now() < end, "somebody listens and gets nothing");
        }
        check(&arrived(&peer), &wanted);
        assert_eq!(daemon.stop(), 0);
    });
}
