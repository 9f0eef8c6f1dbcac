//! After an outage: a long queue drained in order, refusals put right, receivers of every kind, and what
//! a person sees meanwhile.

use std::collections::HashMap;
use std::io::Write;
use std::net::TcpStream;
use std::time::Duration;

use wickline::clock::SiteClock;
use wickline::simulate::analyzer::Style;
use wickline::simulate::print::two_column;
use wickline::simulate::script::{Dice, Script};
use wickline_forward::hl7::Message;
use wickline_forward::mllp::MllpRelease;
use wickline_forward::receive::{Manner, Received, Receiver};
use wickline_normalize::strip::Strip;

use crate::kit::{Daemon, Folder, ask, configuration, program, rounds, run, until, until_it_is};
use crate::status::get;
use crate::way::{analyzer, check, gather, pads, practice, pty, runtime, script, specimen};

fn specimens(script: &Script) -> Vec<String> {
    script.run.iter().map(|r| r.specimen.clone()).collect()
}

async fn receiver(words: &str) -> Receiver {
    let answers = words.split(',').map(|a| a.parse().expect("an answer")).collect();
    Receiver::bind("127.0.0.1:0", answers, Duration::ZERO, None).await.expect("a port")
}

/// Nothing lost, nothing under two control ids, in order; killed while it drains.
#[test]
fn twenty_thousand_messages_after_a_weekend() {
    let folder = Folder::new("weekend");
    runtime().block_on(async {
        let mut receiver = receiver("aa").await;
        let address = format!("mllp://{}", receiver.address());
        let more = "paused = true\nlate_count = 1000\n";
        let text = configuration("listen:127.0.0.1:0", "two-column", "ten-pad", &address, more);
        let config = folder.write("wickline.toml", &text);
        let mut daemon = Daemon::start(&config);
        let count = rounds(20_000, 288_000);
        let plan = printed(&daemon.lines[0], 0, count);
        let total = |of: &str| ask(&config, &["queue"])["totals"][of].as_u64().expect("a count");
        until_it_is(count as u64, || total("waiting"));
        let late = daemon.wait_for(|e| e["event"] == "queue-late");
        assert!(late["waiting"].as_u64().expect("a count") >= 1000);
        let idle = daemon.resident_kib();
        assert_eq!(run(&config, &["queue", "resume", "lis"]).status.code(), Some(0));
        let (mut seen, mut order) = (HashMap::new(), Vec::new());
        let mut dice = Dice::new(4);
        let mut kills = 3;
        while order.len() < count {
            let message = receiver.next().await.expect("a message");
            note(&message, &mut seen, &mut order);
            if kills > 0 && dice.roll(count / 4) == 0 {
                daemon.kill();
                daemon = Daemon::start(&config);
                kills -= 1;
            }
        }
        until_it_is(count as u64, || total("accepted"));
        let grown = daemon.resident_kib().saturating_sub(idle);
        assert!(grown < 16 * 1024, "{grown} KiB more than when it stood idle");
        assert!(order == plan, "each once, in the order in which they were printed");
        assert_eq!(daemon.stop(), 0);
    });
}

/// Prints so many strips down a line, behind so many before, and says whose they were.
pub fn printed(line: &str, before: usize, count: usize) -> Vec<String> {
    printed_lines(line, before, count).0
}

/// The same, and how many lines they were.
fn printed_lines(line: &str, before: usize, count: usize) -> (Vec<String>, usize) {
    let mut lines = 0;
    let strip = Strip::builtin("ten-pad").expect("a built-in strip");
    let clock = SiteClock::new("Europe/Lisbon").expect("a zone of the tz database");
    let mut script = Script::plain(count, 21, &pads());
    let mut stream = TcpStream::connect(line).expect("the line");
    for (nth, run) in script.run.iter_mut().enumerate() {
        let nth = before + nth;
        (run.number, run.specimen) = (format!("{:06}", nth + 1), format!("KPW-{nth:06}"));
        let now = clock.moment(wickline::clock::now_us());
        let print = two_column(&strip, run, now);
        lines += memchr::memchr_iter(b'\n', &print).count();
        stream.write_all(&print).expect("written");
    }
    (specimens(&script), lines)
}

/// What it holds does not grow with what went through it: a million lines with --long. Caches of the stores fill first
/// (SQLite: 2,000 KiB a connection, and what the allocator keeps), on a million lines before.
#[test]
fn memory_files_and_threads_stay_as_they_are() {
    let folder = Folder::new("flat");
    runtime().block_on(async {
        let mut receiver = receiver("aa").await;
        let address = format!("mllp://{}", receiver.address());
        let text = configuration("listen:127.0.0.1:0", "two-column", "ten-pad", &address, "");
        let config = folder.write("wickline.toml", &text);
        // As our unit starts it.
        let mut unit = program();
        unit.env("MALLOC_ARENA_MAX", "2");
        let mut daemon = Daemon::spawn(unit, &config);
        let ready = daemon.wait_for(|e| e["event"] == "ready");
        let line = ready["lines"][0]["address"].as_str().expect("it listens");
        let count = rounds(400, 18_000);
        let (mut held, mut lines) = (Vec::<[u64; 3]>::new(), 0);
        for round in 0..8 {
            let (plan, more) = printed_lines(line, round * count, count);
            lines += if round < 4 { 0 } else { more };
            for wanted in plan {
                let message = receiver.next().await.expect("a message");
                assert_eq!(specimen(&message.body), wanted);
            }
            // The line is closed by then, and nothing is on its way.
            let heard = round as u64 * count as u64 + count as u64;
            let total = || ask(&config, &["queue"])["totals"]["accepted"].as_u64();
            until_it_is(heard, || total().expect("a count"));
            held.push([daemon.private_kib(), daemon.open_files(), daemon.threads()]);
        }
        assert!(lines >= rounds(20_000, 1_000_000), "{lines} lines are too few to show it");
        println!("KiB, files, threads, of {lines} lines in the last four rounds: {held:?}");
        let [_, _, _, first, .., last] = held.as_slice() else { unreachable!("eight rounds") };
        assert!(last[0] < first[0] + 4 * 1024, "KiB, files, threads: {held:?}");
        // Connections and threads that are kept for a while come and go; none stays for each report.
        assert!(last[1] <= first[1] + 4 && last[2] <= first[2] + 4, "{held:?}");
        assert_eq!(daemon.stop(), 0);
    });
}

fn note(
    message: &Received,
    seen: &mut HashMap<String, (String, Vec<u8>)>,
    order: &mut Vec<String>,
) {
    let of = specimen(&message.body);
    match seen.get(&of) {
        None => {
            seen.insert(of.clone(), (message.control_id.clone(), message.body.clone()));
            order.push(of);
        }
        Some((id, body)) => {
            assert_eq!(*id, message.control_id, "{of} came under two control ids");
            assert_eq!(*body, message.body, "{of}: a repeat must be byte-identical");
        }
    }
}

/// The receiver's words and what they point at are shown; mended, it goes anew under a new control id.
#[test]
fn a_refusal_is_shown_mended_and_sent_again() {
    let folder = Folder::new("refusal");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["ae", "ae", "aa"]).await;
        let daemon = Daemon::start(&config);
        let script = script(3, 2);
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["refused"] == 2)
            .await;
        let list = ask(&config, &["queue", "--state", "refused"]);
        let items = list["items"].as_array().expect("items");
        assert_eq!(items[0]["reason"], "receiver-error");
        let id = |n: usize| items[n]["id"].as_str().expect("an id");
        let whole = ask(&config, &["queue", "show", id(0)]);
        let message = Message::read(&got[0].body).expect("a message");
        assert_eq!(whole["pointed_at"][0]["at"], "OBX^1^5");
        assert_eq!(whole["pointed_at"][0]["sent"], message.field("OBX", 1, 5).expect("a value"));
        let shown = run(&config, &["queue", "show", id(0)]);
        let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
        assert!(shown.contains("practice: value not taken"), "{shown}");
        let same = ask(&config, &["queue", "retry", id(1)]);
        assert!(same["items"][0]["instead"].is_null(), "nothing changed: the same bytes");
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["refused"] == 2)
            .await;
        assert_eq!(got[3].body, got[1].body);
        let text = std::fs::read_to_string(&config).expect("the file");
        folder
            .write("wickline.toml", &text.replace("id = \"lis\"", "id = \"lis\"\nunits = \"si\""));
        let anew = ask(&config, &["queue", "retry", "--refused"]);
        assert!(anew["items"].as_array().expect("items").iter().all(|i| !i["instead"].is_null()));
        let wrong = run(&config, &["queue", "retry", id(0)]);
        assert_eq!(wrong.status.code(), Some(2), "it was set aside");
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["waiting"] == 0)
            .await;
        let [.., before_last, last] = &got[..] else { panic!("too few") };
        assert!(before_last.control_id < last.control_id);
        assert!(got[..4].iter().all(|m| m.control_id != last.control_id));
        assert_eq!(daemon.stop(), 0);
    });
}

/// Paused, counted, printed for those who report by hand, set aside by range.
#[test]
fn what_waits_can_be_printed_and_set_aside() {
    let folder = Folder::new("paper");
    runtime().block_on(async {
        let (_receiver, port, config) = practice(&folder, &["aa"]).await;
        let daemon = Daemon::start(&config);
        run(&config, &["queue", "pause", "lis"]);
        let mut script = script(5, 3);
        script.run[4].specimen = "KP-PAPER".into();
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["queue"])["totals"]["waiting"] == 5);
        let board = &ask(&config, &["queue"])["receivers"][0];
        assert_eq!((&board["paused"], &board["waiting"]), (&true.into(), &5.into()));
        let printed = run(&config, &["queue", "print"]);
        let printed = String::from_utf8_lossy(&printed.stdout).into_owned();
        assert!(printed.contains("KP-PAPER") && printed.contains("Glucose"), "{printed}");
        let open = ask(&config, &["queue", "counts"]);
        let wanted = serde_json::json!([
            {"receiver": "lis", "analyzer": "bench-1", "state": "waiting", "messages": 5}
        ]);
        assert_eq!(open["open"], wanted);
        let page = folder.0.join("waiting.html");
        let path = page.to_string_lossy().into_owned();
        assert_eq!(run(&config, &["queue", "print", "--html", &path]).status.code(), Some(0));
        let html = std::fs::read_to_string(&page).expect("a page");
        assert!(html.contains("KP-PAPER") && html.contains("size: A4"));
        let aside = run(&config, &["queue", "set-aside", "2-4", "--reason", "told by telephone"]);
        assert_eq!(aside.status.code(), Some(0));
        run(&config, &["queue", "resume", "lis"]);
        until(|| ask(&config, &["queue"])["totals"]["accepted"] == 2);
        let counts = ask(&config, &["queue", "counts"]);
        assert_eq!(counts["items"][0]["accepted"], 2);
        assert_ne!(counts["items"][0]["first_control_id"], counts["items"][0]["last_control_id"]);
        assert_eq!(daemon.stop(), 0);
    });
}

/// Release 2 of MLLP, both acknowledgments asked for, and a first address where nobody listens.
#[test]
fn a_receiver_of_the_other_kind() {
    let folder = Folder::new("other");
    runtime().block_on(async {
        let answers = vec!["ca+aa".parse().expect("an answer")];
        let manner = Manner { release: MllpRelease::Two, ..Manner::new(answers) };
        let mut receiver = Receiver::open("127.0.0.1:0", manner).await.expect("a port");
        let (port, line) = pty();
        let more = format!(
            "also = [\"mllp://{}\"]\nmllp = \"2\"\nacknowledge = \"both\"\nsource = \"127.0.0.1\"\n",
            receiver.address()
        );
        let text = configuration(&line, "lis02", "ten-pad", "mllp://127.0.0.1:1", &more);
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        let script = script(12, 6);
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["accepted"] == 12)
            .await;
        check(&got, &specimens(&script));
        let message = Message::read(&got[0].body).expect("a message");
        assert_eq!((message.field("MSH", 1, 15), message.field("MSH", 1, 16)), (Some("AL"), Some("AL")));
        assert_eq!(daemon.stop(), 0);
    });
}

/// With a window the receiver may answer in any order and be cut off: each message is accepted once.
#[test]
fn a_window_loses_and_doubles_nothing() {
    let folder = Folder::new("window");
    runtime().block_on(async {
        let answers = "aa,aa,aa,aa,aa,close,aa,aa,aa,aa,late,aa,aa,aa,reset,aa,aa,busy,aa,aa,none"
            .split(',')
            .map(|a| a.parse().expect("an answer"))
            .collect();
        let manner = Manner {
            delay: Duration::from_millis(5),
            late: Duration::from_millis(1200),
            ..Manner::new(answers)
        };
        let mut receiver = Receiver::open("127.0.0.1:0", manner).await.expect("a port");
        let (port, line) = pty();
        let address = format!("mllp://{}", receiver.address());
        let text =
            configuration(&line, "lis02", "ten-pad", &address, "window = 8\npaused = true\n");
        let config = folder.write("wickline.toml", &text);
        let mut daemon = Daemon::start(&config);
        let script = script(150, 12);
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["queue"])["totals"]["waiting"] == 150);
        run(&config, &["queue", "resume", "lis"]);
        let (mut seen, mut order, mut got) = (HashMap::new(), Vec::new(), 0);
        while order.len() < 150 {
            let message = receiver.next().await.expect("a message");
            note(&message, &mut seen, &mut order);
            got += 1;
            if got == 60 {
                daemon.kill();
                daemon = Daemon::start(&config);
            }
        }
        let mut rest = Vec::new();
        gather(&mut receiver, &mut rest, || ask(&config, &["queue"])["totals"]["accepted"] == 150)
            .await;
        rest.iter().for_each(|message| note(message, &mut seen, &mut order));
        order.sort();
        let mut wanted = specimens(&script);
        wanted.sort();
        assert_eq!(order, wanted);
        assert_eq!(daemon.stop(), 0);
    });
}

/// Health and metrics, while all is well and while a receiver is away; never an id of a patient.
#[test]
fn metrics_tell_and_keep_quiet() {
    let folder = Folder::new("metrics");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let text = std::fs::read_to_string(&config).expect("the file");
        folder.write("wickline.toml", &format!("{text}[console]\nlisten = \"127.0.0.1:0\"\n"));
        let (daemon, ready) = Daemon::start_ready(&config);
        let console = ready["console"].as_str().expect("an address").to_owned();
        assert!(get(&console, "/healthz").starts_with("HTTP/1.1 200"));
        assert!(get(&console, "/readyz").starts_with("HTTP/1.1 200"));
        assert!(get(&console, "/nothing").starts_with("HTTP/1.1 404"));
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script(4, 1), |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["accepted"] == 4)
            .await;
        let page = get(&console, "/metrics");
        for line in [
            "wickline_reports_total{analyzer=\"bench-1\",class=\"routine\",state=\"waiting\"} 4",
            "wickline_deliveries_total{receiver=\"lis\",outcome=\"accepted\"} 4",
            "wickline_queue_messages{receiver=\"lis\",state=\"waiting\"} 0",
            "wickline_line_up{analyzer=\"bench-1\"} 1",
            "wickline_ledger_up 1",
            "wickline_tape_up 1",
        ] {
            assert!(page.contains(line), "{line} is not in {page}");
        }
        assert!(page.contains("wickline_heard_bytes_total") && page.contains("# HELP"));
        assert!(!got.iter().any(|m| page.contains(&specimen(&m.body))), "no patient in a metric");
        assert_eq!(daemon.stop(), 0);
    });
}

/// A daemon that keeps a pause from before its restart has the message in its hand: what a person decides
/// meanwhile counts.
#[test]
fn what_is_decided_during_a_pause_counts() {
    let folder = Folder::new("pause");
    runtime().block_on(async {
        let place = std::net::TcpListener::bind("127.0.0.1:0").expect("a port");
        let at = place.local_addr().expect("bound").to_string();
        drop(place);
        let (port, line) = pty();
        let text = configuration(&line, "lis02", "ten-pad", &format!("mllp://{at}"), "")
            .replace("retry_first = 1\nretry_max = 1", "retry_first = 4\nretry_max = 4");
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        let plan = script(2, 3);
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["queue"])["items"][0]["reason"] == "receiver-away");
        assert_eq!(daemon.stop(), 0);
        let answers = vec!["aa".parse().expect("an answer")];
        let mut receiver =
            Receiver::bind(&at, answers, Duration::ZERO, None).await.expect("the same port");
        let daemon = Daemon::start(&config);
        let aside = run(&config, &["queue", "set-aside", "1", "--reason", "wrong specimen"]);
        assert_eq!(aside.status.code(), Some(0));
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || ask(&config, &["queue"])["totals"]["accepted"] == 1)
            .await;
        check(&got, &specimens(&plan)[1..]);
        assert_eq!(daemon.stop(), 0);
    });
}
