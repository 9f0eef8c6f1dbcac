//! A reload: what did not change is not touched, no byte is lost by it, and what cannot be used changes nothing.

use std::collections::BTreeMap;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use serde_json::Value;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use wickline::simulate::analyzer::Style;
use wickline::simulate::port::SimPort;
use wickline::simulate::script::Script;
use wickline_forward::receive::Receiver;

use crate::cable::transmission;
use crate::kit::{Daemon, Folder, PATIENCE, ask, configuration, rounds, said, until};
use crate::several::{Server, bench};
use crate::status::get;
use crate::way::{analyzer, check, gather, pty, runtime, script, specimen};

const CONSOLE: &str = "[console]\nlisten = \"127.0.0.1:0\"\n";

fn second(id: &str, line: &str, dialect: &str) -> String {
    format!(
        "[[analyzer]]\nid = \"{id}\"\nline = \"{line}\"\ndialect = \"{dialect}\"\nstrip = \"ten-pad\"\n\
         control_marks = [\"Q1=1\"]\n"
    )
}

/// What the configuration has that no line knows of, changed each time.
fn changed(config: &Path, text: &str, nth: usize) {
    let minutes = format!("retry_max = 1\nlate_minutes = {}", 10 + nth % 7);
    std::fs::write(config, text.replace("retry_max = 1", &minutes)).expect("written");
}

async fn practice() -> (Receiver, String) {
    let aa = vec!["aa".parse().expect("an answer")];
    let receiver = Receiver::bind("127.0.0.1:0", aa, Duration::ZERO, None).await.expect("a port");
    let address = format!("mllp://{}", receiver.address());
    (receiver, address)
}

fn address_of(ready: &Value, id: &str) -> String {
    let lines = ready["lines"].as_array().expect("the lines that listen");
    let line = lines.iter().find(|l| l["analyzer"] == id).expect("it listens");
    line["address"].as_str().expect("an address").to_owned()
}

/// Prints one report after the other at the speed of a line until told to end: the specimens.
async fn prints(port: SimPort, first: usize, end: Arc<AtomicBool>) -> Vec<String> {
    let mut bench = analyzer(port, Style::TwoColumn);
    bench.speed = 115_200;
    let mut printed = Vec::new();
    while !end.load(Ordering::Relaxed) {
        let mut one = script(1, (first + printed.len()) as u64);
        one.run[0].number = (printed.len() + 1).to_string();
        one.run[0].specimen = format!("KP-{:05}", first + printed.len());
        printed.push(one.run[0].specimen.clone());
        bench.run(&one, |_, _| ()).await.expect("the line holds");
    }
    printed
}

#[test]
fn analyzers_in_full_flow_notice_no_reload() {
    let folder = Folder::new("flow");
    runtime().block_on(async {
        let (mut receiver, address) = practice().await;
        let (port, line) = pty();
        let more = second("bench-2", "listen:127.0.0.1:0", "two-column") + CONSOLE;
        let text = configuration(&line, "two-column", "ten-pad", &address, &more);
        let config = folder.write("wickline.toml", &text);
        let (mut daemon, ready) = Daemon::start_ready(&config);
        let console = ready["console"].as_str().expect("an address").to_owned();
        daemon.first_up("bench-1");
        let connected = SimPort::connect(&address_of(&ready, "bench-2")).await.expect("connected");
        daemon.first_up("bench-2");
        let end = Arc::new(AtomicBool::new(false));
        let printing = [(port, 20_000), (connected, 50_000)]
            .map(|(port, first)| tokio::spawn(prints(port, first, end.clone())));
        let count = rounds(20, 200);
        for nth in 1..=count {
            changed(&config, &text, nth);
            daemon.hang_up();
            let again = daemon.wait_for(|e| e["event"] == "ready");
            assert_eq!((&again["lines"], &again["console"]), (&ready["lines"], &ready["console"]));
            // So that every reload meets another place in the flow of reports.
            daemon.wait_for(|e| e["event"] == "report");
        }
        end.store(true, Ordering::Relaxed);
        let mut wanted = Vec::new();
        for one in printing {
            wanted.extend(one.await.expect("no panic"));
        }
        let mut got = Vec::new();
        let done = || ask(&config, &["queue"])["totals"]["accepted"] == wanted.len();
        gather(&mut receiver, &mut got, done).await;
        let mut heard: BTreeMap<String, Vec<String>> = BTreeMap::new();
        for message in &got {
            heard.entry(specimen(&message.body)).or_default().push(message.control_id.clone());
        }
        assert!(heard.keys().eq(&wanted), "each of them and nothing else");
        let day = ask(&config, &["day"]);
        assert_eq!(day["totals"]["accepted"], wanted.len(), "{}", day["totals"]);
        for none in ["held", "missing", "repeat", "waiting", "refused"] {
            assert_eq!(day["totals"][none], 0, "{none}: {}", day["totals"]);
        }
        for ids in heard.values() {
            assert!(ids.iter().all(|id| *id == ids[0]), "one message each: {ids:?}");
        }
        let page = get(&console, "/metrics");
        for id in ["bench-1", "bench-2"] {
            let opens = format!("wickline_line_opens_total{{analyzer=\"{id}\"}} 1\n");
            assert!(page.contains(&opens), "{opens} is not in {page}");
        }
        assert_eq!(daemon.stop(), 0);
    });
}

async fn yes(line: &mut tokio::net::TcpStream) {
    let mut answer = [0];
    let read = line.read_exact(&mut answer);
    tokio::time::timeout(PATIENCE, read).await.expect("in time").expect("the line holds");
    assert_eq!(answer, [6]);
}

/// One line moves, one goes, one comes, and one is in the middle of a framed message, which is taken whole.
#[test]
fn a_line_that_did_not_change_keeps_its_connection_and_its_link() {
    let folder = Folder::new("kept");
    runtime().block_on(async {
        let (mut receiver, address) = practice().await;
        let places: Vec<String> = free(3);
        let line = |n: usize| format!("listen:{}", places[n]);
        let base = |more: &str| {
            configuration("listen:127.0.0.1:0", "lis02", "ten-pad", &address, more) + CONSOLE
        };
        let old = second("moves", &line(0), "two-column") + &second("goes", &line(1), "two-column");
        let new =
            second("moves", &line(1), "two-column") + &second("comes", &line(2), "two-column");
        let config = folder.write("wickline.toml", &base(&old));
        let (mut daemon, ready) = Daemon::start_ready(&config);
        let mut held = tokio::net::TcpStream::connect(address_of(&ready, "bench-1")).await;
        let held = held.as_mut().expect("connected");
        let mut moved = tokio::net::TcpStream::connect(&places[0]).await.expect("connected");
        daemon.wait_for(|e| e["event"] == "line-up" && e["analyzer"] == "moves");
        let plan: Script = script(1, 9);
        let frames = transmission(&plan);
        held.write_all(b"\x05").await.expect("written");
        yes(held).await;
        for (nth, frame) in frames.iter().enumerate() {
            if nth == frames.len() / 2 {
                let (half, rest) = frame.split_at(frame.len() / 2);
                held.write_all(half).await.expect("written");
                std::fs::write(&config, base(&new)).expect("written");
                daemon.hang_up();
                let again = daemon.wait_for(|e| e["event"] == "ready");
                assert_eq!(address_of(&again, "bench-1"), address_of(&ready, "bench-1"));
                assert_eq!(address_of(&again, "moves"), places[1]);
                held.write_all(rest).await.expect("written");
            } else {
                held.write_all(frame).await.expect("written");
            }
            yes(held).await;
        }
        held.write_all(b"\x04").await.expect("written");
        assert_eq!(moved.read(&mut [0]).await.expect("closed, not broken"), 0);
        tokio::net::TcpStream::connect(&places[0]).await.expect_err("nobody is there any more");
        let came = tokio::net::TcpStream::connect(&places[2]).await.expect("connected");
        daemon.wait_for(|e| e["event"] == "line-up" && e["analyzer"] == "comes");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["accepted"] == 1)
            .await;
        assert_eq!(specimen(&got[0].body), plan.run[0].specimen);
        assert_eq!(ask(&config, &["held"])["totals"]["held"], 0);
        let console = ready["console"].as_str().expect("an address");
        let page = get(console, "/metrics");
        assert!(page.contains("wickline_line_up{analyzer=\"comes\"} 1"), "{page}");
        assert!(!page.contains("\"goes\""), "what is configured no more is not shown: {page}");
        drop(came);
        assert_eq!(daemon.stop(), 0);
    });
}

/// Addresses that were free a moment ago.
pub fn free(count: usize) -> Vec<String> {
    let places: Vec<_> =
        (0..count).map(|_| std::net::TcpListener::bind("127.0.0.1:0").expect("a port")).collect();
    places.iter().map(|p| p.local_addr().expect("bound").to_string()).collect()
}

/// What parses may still not open, or not while the stores are open: then the old one goes on, whole.
#[test]
fn what_cannot_be_opened_or_needs_a_start_changes_nothing() {
    let folder = Folder::new("refused");
    runtime().block_on(async {
        let (mut receiver, address) = practice().await;
        let taken = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
        let taken = taken.local_addr().map(|a| (a, taken)).expect("bound");
        let places = free(1);
        let first = format!("listen:{}", places[0]);
        let good = configuration(&first, "two-column", "ten-pad", &address, "");
        let config = folder.write("wickline.toml", &good);
        let mut daemon = Daemon::start(&config);
        let elsewhere = format!("listen:{}", taken.0);
        let bad = [
            (good.replace("ten-pad", "nine-pad"), "wrong"),
            (good.replace(&first, &elsewhere), "in use"),
            (good.clone() + &format!("[console]\nlisten = \"{}\"\n", taken.0), "in use"),
            (good.replace("tape.db", "other.db"), "restart"),
            (good.replace("sqlite:ledger.db", "sqlite:other.db"), "restart"),
            (good.replace("low_water_mib = 1", "low_water_mib = 2"), "restart"),
        ];
        for (text, why) in &bad {
            std::fs::write(&config, text).expect("written");
            daemon.hang_up();
            let refused = daemon.wait_for(|e| e["event"] == "configuration-refused");
            assert!(refused["why"].as_str().expect("why").contains(why), "{refused}");
        }
        assert_eq!(
            std::fs::read_dir(&folder.0)
                .expect("listed")
                .flatten()
                .filter(|f| f.file_name().to_string_lossy().starts_with("other"))
                .count(),
            0
        );
        std::fs::write(&config, &good).expect("written");
        let port = SimPort::connect(&places[0]).await.expect("the old line is there");
        let plan = script(3, 5);
        analyzer(port, Style::TwoColumn).run(&plan, |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["accepted"] == 3)
            .await;
        assert_eq!(got.len(), 3);
        daemon.hang_up();
        daemon.wait_for(|e| e["event"] == "ready");
        assert_eq!(daemon.stop(), 0, "{}", said(&config));
    });
}

/// Nobody watches a journal: a file that is refused is told to whoever is told of anything, without its words, until
/// one is taken.
#[test]
fn a_configuration_that_is_refused_is_told_until_one_is_taken() {
    let folder = Folder::new("refused-told");
    let mail = folder.0.join("mail");
    let more = format!(
        "{CONSOLE}[[alarm]]\nid = \"it\"\nto = \"mailto:it@kestrelpoint.example\"\nafter_minutes = 0\n\
         command = [\"/usr/bin/tee\", \"-a\", {:?}]\n",
        mail.display().to_string()
    );
    let good = configuration("listen:127.0.0.1:0", "two-column", "ten-pad", "dir:out", &more);
    let config = folder.write("wickline.toml", &good);
    let (mut daemon, ready) = Daemon::start_ready(&config);
    let console = ready["console"].as_str().expect("an address").to_owned();
    let figure = "wickline_wrong{about=\"daemon\",which=\"configuration\"} 1\n";
    assert!(!get(&console, "/metrics").contains(figure));
    std::fs::write(&config, good.replace("ten-pad", "nine-pad")).expect("written");
    daemon.hang_up();
    daemon.wait_for(|e| e["event"] == "configuration-refused");
    until(|| get(&console, "/metrics").contains(figure));
    let mails = || std::fs::read_to_string(&mail).unwrap_or_default();
    until(|| mails().contains("daemon configuration, known since"));
    let told = mails();
    assert!(told.contains("`wickline check`") && !told.contains("nine-pad"), "{told}");
    // The file is right again and nobody said so to the daemon, which runs on what it read before.
    std::fs::write(&config, &good).expect("written");
    let shown = || {
        let status = ask(&config, &["status"]);
        let items = status["items"].as_array().expect("items").clone();
        items.into_iter().find(|i| i["about"] == "daemon" && i["which"] == "configuration")
    };
    until(|| shown().is_some_and(|i| i["wrong"] == true));
    daemon.hang_up();
    daemon.wait_for(|e| e["event"] == "ready");
    until(|| !get(&console, "/metrics").contains(figure) && shown().is_none());
    until(|| mails().contains("Over:\n- URGENT, daemon configuration"));
    assert_eq!(daemon.stop(), 0, "{}", said(&config));
}

/// A receiver that is down stays down over a reload, and is told to be up when it is.
#[test]
fn what_is_known_of_a_receiver_outlives_a_reload() {
    let folder = Folder::new("known");
    runtime().block_on(async {
        let place = free(1).remove(0);
        let (port, line) = pty();
        let text = configuration(&line, "lis02", "ten-pad", &format!("mllp://{place}"), "");
        let config = folder.write("wickline.toml", &text);
        let mut daemon = Daemon::start(&config);
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script(1, 3), |_, _| ()).await.expect("the line holds");
        daemon.wait_for(|e| e["event"] == "receiver-down");
        until(|| ask(&config, &["queue"])["items"][0]["reason"] == "receiver-away");
        changed(&config, &text, 1);
        daemon.hang_up();
        daemon.wait_for(|e| e["event"] == "ready");
        let aa = vec!["aa".parse().expect("an answer")];
        let _receiver = Receiver::bind(&place, aa, Duration::ZERO, None).await.expect("the port");
        daemon.wait_for(|e| e["event"] == "receiver-up");
        assert_eq!(daemon.stop(), 0);
    });
}

/// On a server, the ledger may be away before, during and after a reload: lines are heard on, and everything is
/// read and sent by the newest configuration once it is back.
#[test]
fn a_reload_while_the_ledger_is_away_waits_for_it_and_for_nothing_else() {
    let Some(server) = Server::start("reload") else { return };
    let folder = Folder::new("ledger-away");
    runtime().block_on(async {
        let (mut receiver, _) = practice().await;
        let (port, line) = pty();
        let config = bench(&folder, "bench-a", &line, &server.url, &receiver, CONSOLE);
        let text = std::fs::read_to_string(&config).expect("the configuration");
        let renamed = |nth: usize| text.replace("\"lis\"", &format!("\"lis-{nth}\""));
        server.halt();
        let mut daemon = Daemon::start_any(&config, |e| e["event"] == "ready");
        let reload = |daemon: &mut Daemon, nth: usize| {
            std::fs::write(&config, renamed(nth)).expect("written");
            daemon.hang_up();
            daemon.wait_for(|e| e["event"] == "ready")
        };
        let plan = script(9, 4);
        let part = |n: usize| Script { run: plan.run[n..n + 3].to_vec(), ..plan.clone() };
        let mut speaks = analyzer(port, Style::Lis02);
        reload(&mut daemon, 1);
        speaks.run(&part(0), |_, _| ()).await.expect("the line holds");
        server.resume();
        daemon.wait_for(|e| e["event"] == "ledger-back");
        let mut got = Vec::new();
        let accepted = |count: usize| ask(&config, &["queue"])["totals"]["accepted"] == count;
        gather(&mut receiver, &mut got, || accepted(3)).await;
        server.halt();
        speaks.run(&part(3), |_, _| ()).await.expect("the line holds");
        let ready = reload(&mut daemon, 1);
        speaks.run(&part(6), |_, _| ()).await.expect("the line holds");
        server.resume();
        gather(&mut receiver, &mut got, || accepted(9)).await;
        let wanted: Vec<String> = plan.run.iter().map(|r| r.specimen.clone()).collect();
        check(&got, &wanted);
        let page = get(ready["console"].as_str().expect("an address"), "/metrics");
        assert!(page.contains("wickline_line_opens_total{analyzer=\"bench-a\"} 1\n"), "{page}");
        let trail = ask(&config, &["trail"]);
        let rows = trail["items"].as_array().expect("rows");
        assert_eq!(rows.iter().filter(|row| row["verb"] == "start").count(), 1, "{trail}");
        assert_eq!(daemon.stop(), 0, "{}", said(&config));
    });
}

/// From this machine alone to all of its addresses, and back: the port is the same, and was ours.
#[test]
fn what_is_served_moves_to_other_addresses_of_its_port() {
    let folder = Folder::new("moves");
    let place = free(1).remove(0);
    let port = place.rsplit(':').next().expect("a port");
    let base = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let at = |host: &str| format!("{base}[watch]\nlisten = \"{host}:{port}\"\n");
    let config = folder.write("wickline.toml", &at("127.0.0.1"));
    let mut daemon = Daemon::start(&config);
    let is_served = |host: &str| {
        std::net::TcpStream::connect(format!("{host}:{port}")).is_ok()
            && get(&format!("{host}:{port}"), "/healthz").starts_with("HTTP/1.1 200")
    };
    for host in ["0.0.0.0", "127.0.0.1", "127.0.0.2", "0.0.0.0"] {
        std::fs::write(&config, at(host)).expect("written");
        daemon.hang_up();
        let told =
            daemon.wait_for(|e| e["event"] == "ready" || e["event"] == "configuration-refused");
        assert_eq!(told["watch"], format!("{host}:{port}"), "{told}");
        assert!(is_served(host));
        assert_eq!(is_served("127.0.0.1"), host != "127.0.0.2");
    }
    // What else cannot be used takes nothing away.
    let held = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
    let taken = format!("listen:{}", held.local_addr().expect("bound"));
    let bad = at("127.0.0.1").replace("listen:127.0.0.1:0", &taken);
    std::fs::write(&config, bad).expect("written");
    daemon.hang_up();
    let refused = daemon.wait_for(|e| e["event"] == "configuration-refused");
    assert!(refused["why"].as_str().expect("why").contains("in use"), "{refused}");
    assert!(is_served("127.0.0.2"), "the old configuration goes on");
    assert_eq!(daemon.stop(), 0, "{}", said(&config));
}
