//! A receiver behind a line that swallows everything, in a network of the test's own: before connecting
//! and while connected. What is meant for it waits, is told, and goes when the line is back; another
//! receiver notices nothing.

use std::process::Command;
use std::time::{Duration, Instant};

use wickline::simulate::analyzer::Style;

use crate::kit::{Daemon, Folder, ask, skipped};
use crate::peer::{Peer, agree};
use crate::way::{analyzer, check, gather, practice, received, runtime, script};

/// Set for the copy of this test that runs inside.
const INSIDE: &str = "WICKLINE_TEST_INSIDE";
const NAME: &str = "hole::a_black_hole_before_connecting_and_while_connected";
/// Ten seconds of patience for a connection, and one for what comes after.
const CONNECTING: Duration = Duration::from_secs(15);

fn works(command: &mut Command) -> bool {
    command.output().is_ok_and(|done| done.status.success())
}

/// A program in a network of its own, as root in it.
fn inside(program: &std::path::Path) -> Command {
    let mut command = Command::new("unshare");
    if !rustix::process::geteuid().is_root() {
        command.arg("--map-root-user");
    }
    command.arg("--net").arg(program);
    command
}

#[test]
fn a_black_hole_before_connecting_and_while_connected() {
    if std::env::var_os(INSIDE).is_some() {
        return swallowed();
    }
    if !works(&mut inside("true".as_ref())) || !works(Command::new("nft").arg("--version")) {
        return skipped("packets", "needs root (or user namespaces), unshare and nft");
    }
    let me = std::env::current_exe().expect("this test is a program");
    let done = inside(&me).args(["--exact", NAME, "--nocapture"]).env(INSIDE, "1").output();
    let done = done.expect("it can be run");
    let said = String::from_utf8_lossy(&done.stdout);
    assert!(done.status.success(), "{said}{}", String::from_utf8_lossy(&done.stderr));
    assert!(said.contains("1 passed"), "{said}");
    if said.contains("skipped:") {
        skipped("packets", "the kernel gives no filter of packets");
    }
}

fn nft(rule: &str) -> bool {
    works(Command::new("nft").arg(rule))
}

fn swallowed() {
    assert!(works(Command::new("ip").args(["link", "set", "lo", "up"])), "loopback");
    let made = nft("add table inet hole")
        && nft("add chain inet hole in { type filter hook input priority 0 ; }");
    if !made {
        println!("skipped: no filter");
        return;
    }
    let peer = Peer::new(agree);
    let port = peer.address.port();
    let swallow = || {
        for way in ["dport", "sport"] {
            assert!(nft(&format!("add rule inet hole in tcp {way} {port} drop")));
        }
    };
    let folder = Folder::new("hole");
    runtime().block_on(async {
        let (mut receiver, line, config) = practice(&folder, &["aa"]).await;
        let text = std::fs::read_to_string(&config).expect("the configuration");
        let other = format!(
            "[[receiver]]\nid = \"other\"\naddress = \"mllp://{}\"\nack_timeout = 1\n\
             retry_first = 1\nretry_max = 1\n",
            peer.address
        );
        std::fs::write(&config, text + &other).expect("the configuration");
        let mut daemon = Daemon::start(&config);
        let mut bench = analyzer(line, Style::Lis02);
        let mut all = script(6, 61);
        let wanted: Vec<String> = all.run.iter().map(|r| r.specimen.clone()).collect();
        let last = all.run.split_off(3);
        let mut got = Vec::new();
        for (runs, so_far) in [(std::mem::take(&mut all.run), 3), (last, 6)] {
            swallow();
            all.run = runs;
            bench.run(&all, |_, _| ()).await.expect("the line holds");
            let began = Instant::now();
            let accepted = || ask(&config, &["queue"])["totals"]["accepted"].as_u64();
            let well = || accepted() == Some(2 * so_far - 3);
            gather(&mut receiver, &mut got, well).await;
            assert!(began.elapsed() < Duration::from_secs(5), "{:?}", began.elapsed());
            let down = |e: &serde_json::Value| e["event"] == "receiver-down";
            let told = daemon.tells(CONNECTING, down).expect("it is told");
            assert_eq!(told["receiver"], "other");
            assert!(nft("flush chain inet hole in"));
            let end = Instant::now() + CONNECTING;
            while accepted() != Some(2 * so_far) {
                assert!(Instant::now() < end, "the line is back and nothing goes");
            }
            daemon.wait_for(|e| e["event"] == "receiver-up");
        }
        check(&got, &wanted);
        let other: Vec<_> =
            peer.arrivals().into_iter().map(|a| received(&a.control_id, a.body)).collect();
        check(&other, &wanted);
        assert_eq!(daemon.stop(), 0);
    });
}
