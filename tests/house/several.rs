//! Several benches, one laboratory: daemons that share a ledger on Postgres, killed, frozen and cut off
//! from it. Needs $WICKLINE_POSTGRES, which `tests/run` sets; says so without.

use std::io::{Read, Write};
use std::net::{Shutdown, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Duration;

use wickline::simulate::analyzer::{Sent, Style};
use wickline::simulate::script::{Dice, Script};
use wickline_forward::receive::{Received, Receiver};

use crate::kit::{Daemon, Folder, ask, rounds, run, skipped};
use crate::way::{analyzer, check, gather, pads, pty, runtime, specimen};

/// A server of this test's own, to be taken away and brought back.
pub struct Server {
    pub folder: PathBuf,
    pub url: String,
}

impl Server {
    /// None: there is no Postgres here, and it was said.
    pub fn start(name: &str) -> Option<Self> {
        if std::env::var("WICKLINE_POSTGRES").is_err() {
            skipped("postgres", "no $WICKLINE_POSTGRES; tests/run has it");
            return None;
        }
        let folder =
            std::env::temp_dir().join(format!("wickline-pg-{name}-{}", std::process::id()));
        let url = Self::order(&folder, "start");
        Some(Self { folder, url })
    }

    fn order(folder: &Path, verb: &str) -> String {
        let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../tests/postgres");
        let done = Command::new(script).arg(verb).arg(folder).output().expect("it can be run");
        assert!(done.status.success(), "{verb}: {}", String::from_utf8_lossy(&done.stderr));
        String::from_utf8_lossy(&done.stdout).trim().to_owned()
    }

    pub fn halt(&self) {
        Self::order(&self.folder, "halt");
    }

    pub fn resume(&self) {
        Self::order(&self.folder, "resume");
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        Self::order(&self.folder, "stop");
    }
}

/// The configuration of one bench of the laboratory.
pub fn bench(
    folder: &Folder,
    name: &str,
    line: &str,
    ledger: &str,
    receiver: &Receiver,
    more: &str,
) -> PathBuf {
    let text = format!(
        "[site]\nname = \"Kestrel Point Clinic\"\nshort = \"KESTRELPOINT\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"{name}-tape.db\"\nledger = \"{ledger}\"\nlease = 2\nlow_water_mib = 1\nballast_mib = 0\n\
         [[analyzer]]\nid = \"{name}\"\nline = \"{line}\"\ndialect = \"lis02\"\nstrip = \"ten-pad\"\ncontrols = \"none\"\n\
         [[receiver]]\nid = \"lis\"\naddress = \"mllp://{}\"\nack_timeout = 1\nretry_first = 1\nretry_max = 1\n{more}\n",
        receiver.address()
    );
    folder.write(&format!("{name}.toml"), &text)
}

async fn receiver() -> Receiver {
    let answers = vec!["aa".parse().expect("an answer")];
    Receiver::bind("127.0.0.1:0", answers, Duration::ZERO, None).await.expect("a port")
}

/// Strips of one bench: their specimens have letters of their own, their numbers go on from `seed`
/// hundred, so that no two scripts use one twice.
fn strips(count: usize, seed: u64, letters: &str) -> Script {
    let mut script = Script::plain(count, seed, &pads());
    for (nth, run) in script.run.iter_mut().enumerate() {
        run.number = format!("{}", 100 * seed + nth as u64 + 1);
        run.specimen = format!("{letters}-{nth:05}");
    }
    script
}

fn specimens(script: &Script) -> Vec<String> {
    script.run.iter().map(|r| r.specimen.clone()).collect()
}

/// What the receiver had, for one bench alone: the order of two benches among each other is nobody's.
fn of(got: &[Received], letters: &str) -> Vec<Received> {
    got.iter().filter(|m| specimen(&m.body).starts_with(letters)).cloned().collect()
}

fn nothing_waits(config: &Path) -> bool {
    ask(config, &["queue"])["totals"]["waiting"] == 0
}

fn accepted(config: &Path) -> u64 {
    ask(config, &["queue"])["totals"]["accepted"].as_u64().expect("a count")
}

/// One control id and one text for each specimen, whoever sent it; nothing lost; each bench in order.
#[test]
fn two_benches_killed_at_random_instants() {
    let Some(server) = Server::start("kills") else { return };
    let folder = Folder::new("several");
    runtime().block_on(async {
        let mut receiver = receiver().await;
        let ((port_a, line_a), (port_b, line_b)) = (pty(), pty());
        let configs = [
            bench(&folder, "bench-a", &line_a, &server.url, &receiver, ""),
            bench(&folder, "bench-b", &line_b, &server.url, &receiver, ""),
        ];
        let (script_a, script_b) = (strips(120, 5, "KPA"), strips(120, 6, "KPB"));
        let mut daemons = configs.each_ref().map(|c| Some(Daemon::start(c)));
        let (mut bench_a, mut bench_b) =
            (analyzer(port_a, Style::Lis02), analyzer(port_b, Style::Lis02));
        (bench_a.pause, bench_b.pause) = (Duration::from_millis(60), Duration::from_millis(60));
        let running = async {
            tokio::join!(bench_a.run(&script_a, |_, _| ()), bench_b.run(&script_b, |_, _| ()))
        };
        tokio::pin!(running);
        let mut dice = Dice::new(17);
        let (mut got, mut killed, mut done) = (Vec::new(), 0, false);
        let kills = rounds(30, 300);
        let instant = tokio::time::sleep(Duration::from_millis(300));
        tokio::pin!(instant);
        while !done || killed < kills {
            tokio::select! {
                (a, b) = &mut running, if !done => {
                    a.and(b).expect("the lines hold");
                    done = true;
                }
                message = receiver.next() => got.extend(message),
                () = &mut instant, if killed < kills => {
                    let which = dice.roll(2);
                    daemons[which].take().expect("one is running").kill();
                    killed += 1;
                    daemons[which] = Some(Daemon::start(&configs[which]));
                    let wait = Duration::from_millis(20 + dice.roll(400) as u64);
                    instant.as_mut().reset(tokio::time::Instant::now() + wait);
                }
            }
        }
        gather(&mut receiver, &mut got, || {
            let settled = nothing_waits(&configs[0]) && accepted(&configs[0]) == 240;
            if !settled {
                let of = |words: &[&str]| ask(&configs[0], words)["totals"].clone();
                eprintln!("queue {}, day {}", of(&["queue"]), of(&["day"]));
            }
            settled
        })
        .await;
        check(&of(&got, "KPA"), &specimens(&script_a));
        check(&of(&got, "KPB"), &specimens(&script_b));
        let day = ask(&configs[1], &["day"]);
        assert_eq!(day["totals"]["accepted"], 240, "both benches see the whole laboratory");
        for daemon in daemons {
            assert_eq!(daemon.expect("one is running").stop(), 0);
        }
    });
}

/// The deliverer is frozen for longer than its lease: another takes over; thawed, it sends nothing more.
#[test]
fn a_frozen_deliverer_is_succeeded() {
    let Some(server) = Server::start("frozen") else { return };
    let folder = Folder::new("frozen");
    runtime().block_on(async {
        let mut receiver = receiver().await;
        let ((port, line), (_idle, other)) = (pty(), pty());
        let config = bench(&folder, "bench-a", &line, &server.url, &receiver, "");
        let second = bench(&folder, "bench-b", &other, &server.url, &receiver, "");
        let reading = Daemon::start(&config);
        let mut first = reading;
        // The second bench delivers: the first gives its lease up for a moment by stopping.
        let run = strips(40, 8, "KPA");
        let deliverer = |config: &Path| {
            ask(config, &["queue"])["receivers"][0]["deliverer"].as_str().map(str::to_owned)
        };
        crate::kit::until(|| deliverer(&config).is_some());
        let holder = deliverer(&config);
        assert_eq!(first.stop(), 0);
        let frozen = Daemon::start(&second);
        crate::kit::until(|| deliverer(&config).is_some_and(|d| Some(d) != holder));
        first = Daemon::start(&config);
        frozen.signal(rustix::process::Signal::STOP);
        let mut bench_a = analyzer(port, Style::Lis02);
        bench_a.run(&run, |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || accepted(&config) == 40).await;
        assert_eq!(deliverer(&config), holder, "the first took over");
        frozen.signal(rustix::process::Signal::CONT);
        let more = strips(20, 9, "KPC");
        bench_a.run(&more, |_, _| ()).await.expect("the line holds");
        gather(&mut receiver, &mut got, || accepted(&config) == 60).await;
        check(&of(&got, "KPA"), &specimens(&run));
        check(&of(&got, "KPC"), &specimens(&more));
        assert_eq!(got.len(), 60, "nothing came twice");
        assert_eq!((first.stop(), frozen.stop()), (0, 0));
    });
}

/// The server is gone at the start and goes away again in the middle: every line is heard and
/// acknowledged, everything arrives once, nobody helps.
#[test]
fn the_ledger_goes_away_and_comes_back() {
    let Some(server) = Server::start("away") else { return };
    let folder = Folder::new("away");
    runtime().block_on(async {
        let mut receiver = receiver().await;
        let (port, line) = pty();
        let config = bench(&folder, "bench-a", &line, &server.url, &receiver, "");
        server.halt();
        let mut daemon = Daemon::start_any(&config, |e| e["event"] == "ledger-away");
        let script = strips(60, 3, "KPA");
        let mut bench_a = analyzer(port, Style::Lis02);
        let part = |from: usize, to: usize| Script {
            sender: script.sender.clone(),
            run: script.run[from..to].to_vec(),
        };
        let mut delivered = 0;
        bench_a
            .run(&part(0, 20), |_, sent| delivered += usize::from(sent == Sent::Delivered))
            .await
            .expect("the line holds");
        server.resume();
        daemon.wait_for(|e| e["event"] == "ledger-back");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || accepted(&config) == 20).await;
        for (from, to) in [(20, 40), (40, 60)] {
            server.halt();
            bench_a
                .run(&part(from, to), |_, sent| delivered += usize::from(sent == Sent::Delivered))
                .await
                .expect("the line holds");
            daemon.wait_for(|e| e["event"] == "ledger-away");
            server.resume();
            gather(&mut receiver, &mut got, || accepted(&config) == to as u64).await;
        }
        assert_eq!(delivered, 60, "each was acknowledged to the analyzer at once");
        check(&got, &specimens(&script));
        assert_eq!(daemon.stop(), 0);
    });
}

/// Between the daemon and the server, cutting every connection when told to: some commits land whose
/// answer never comes.
struct Cutter {
    port: u16,
    cut: Arc<AtomicUsize>,
}

impl Cutter {
    fn before(server: &Server) -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
        let port = listener.local_addr().expect("bound").port();
        let cut = Arc::new(AtomicUsize::new(0));
        let (url, told) = (server.url.clone(), cut.clone());
        std::thread::spawn(move || {
            for near in listener.incoming().map_while(Result::ok) {
                let to = url.split('@').nth(1).and_then(|u| u.split('/').next()).expect("a host");
                let far = TcpStream::connect(to).expect("the server");
                for (mut from, mut to) in [
                    (near.try_clone().expect("a copy"), far.try_clone().expect("a copy")),
                    (far, near),
                ] {
                    let told = told.clone();
                    std::thread::spawn(move || pass(&mut from, &mut to, &told));
                }
            }
        });
        Self { port, cut }
    }

    fn cut(&self) {
        self.cut.fetch_add(1, Ordering::Relaxed);
    }
}

/// Passes bytes on until the next cut, which ends it between what was read and what is written.
fn pass(from: &mut TcpStream, to: &mut TcpStream, cut: &AtomicUsize) {
    let begun = cut.load(Ordering::Relaxed);
    let mut bytes = [0; 4096];
    while let Ok(n) = from.read(&mut bytes) {
        if n == 0 || cut.load(Ordering::Relaxed) != begun || to.write_all(&bytes[..n]).is_err() {
            break;
        }
    }
    let _ = from.shutdown(Shutdown::Both);
    let _ = to.shutdown(Shutdown::Both);
}

/// The connection is lost around commits, again and again: what landed is found by its key, nothing is
/// doubled. The first of two servers is never there.
#[test]
fn a_commit_whose_answer_is_lost() {
    let Some(server) = Server::start("commits") else { return };
    let folder = Folder::new("commits");
    runtime().block_on(async {
        let mut receiver = receiver().await;
        let cutter = Cutter::before(&server);
        let url = format!("postgres://wickline@127.0.0.1:1,127.0.0.1:{}/postgres", cutter.port);
        let (port, line) = pty();
        let config = bench(&folder, "bench-a", &line, &url, &receiver, "");
        let daemon = Daemon::start(&config);
        let script = strips(rounds(60, 600), 2, "KPA");
        let mut bench_a = analyzer(port, Style::Lis02);
        bench_a.pause = Duration::from_millis(30);
        let running = bench_a.run(&script, |_, _| ());
        tokio::pin!(running);
        let (mut got, mut dice) = (Vec::new(), Dice::new(8));
        let instant = tokio::time::sleep(Duration::from_millis(100));
        tokio::pin!(instant);
        loop {
            tokio::select! {
                done = &mut running => { done.expect("the line holds"); break }
                message = receiver.next() => got.extend(message),
                () = &mut instant => {
                    cutter.cut();
                    let wait = Duration::from_millis(20 + dice.roll(120) as u64);
                    instant.as_mut().reset(tokio::time::Instant::now() + wait);
                }
            }
        }
        let direct = bench(&folder, "bench-a", &line, &server.url, &receiver, "");
        let count = script.run.len() as u64;
        gather(&mut receiver, &mut got, || accepted(&direct) == count).await;
        check(&got, &specimens(&script));
        assert_eq!(ask(&direct, &["day"])["totals"]["accepted"], count);
        assert_eq!(daemon.stop(), 0);
    });
}

/// Whatever a start is at when the connection is lost: it is tried again, and ends nothing.
#[test]
fn a_start_while_connections_are_lost() {
    let Some(server) = Server::start("starts") else { return };
    let folder = Folder::new("starts");
    runtime().block_on(async {
        let receiver = receiver().await;
        let cutter = Cutter::before(&server);
        let url = format!("postgres://wickline@127.0.0.1:{}/postgres", cutter.port);
        let (_port, line) = pty();
        let config = bench(&folder, "bench-a", &line, &url, &receiver, "");
        let direct = bench(&folder, "bench-b", &line, &server.url, &receiver, "");
        let mut dice = Dice::new(21);
        for _ in 0..rounds(6, 60) {
            let (waits, cut) = ((0..150).map(|_| 1 + dice.roll(10) as u64), cutter.cut.clone());
            let waits: Vec<u64> = waits.collect();
            let cutting = std::thread::spawn(move || {
                for wait in waits {
                    std::thread::sleep(Duration::from_millis(wait));
                    cut.fetch_add(1, Ordering::Relaxed);
                }
            });
            let daemon = Daemon::start(&config);
            cutting.join().expect("it cuts");
            let works = || {
                let said = run(&direct, &["status"]).stdout;
                String::from_utf8_lossy(&said).contains("bench-a")
            };
            crate::kit::until(works);
            assert_eq!(daemon.stop(), 0);
        }
    });
}

/// Two benches were set up from one copied file: the second stands by instead of mixing numbers.
#[test]
fn an_analyzer_has_one_reader() {
    let Some(server) = Server::start("copied") else { return };
    let folder = Folder::new("copied");
    runtime().block_on(async {
        let mut receiver = receiver().await;
        let ((port_a, line_a), (port_b, line_b)) = (pty(), pty());
        let config = bench(&folder, "bench-a", &line_a, &server.url, &receiver, "");
        let first = Daemon::start(&config);
        let mut got = Vec::new();
        analyzer(port_a, Style::Lis02).run(&strips(3, 1, "KPA"), |_, _| ()).await.expect("holds");
        gather(&mut receiver, &mut got, || accepted(&config) == 3).await;
        let copy = std::fs::read_to_string(&config).expect("the file");
        let copy = copy.replace("bench-a-tape", "copy-tape").replace(&line_a, &line_b);
        let second = Daemon::start(&folder.write("copy.toml", &copy));
        analyzer(port_b, Style::Lis02).run(&strips(3, 1, "KPB"), |_, _| ()).await.expect("holds");
        let day = ask(&config, &["day"]);
        assert_eq!(day["totals"]["accepted"], 3, "kept on the other's tape, not mixed in");
        assert_eq!(first.stop(), 0);
        // Its only reader is gone: then they are read, and held where a number is used twice.
        crate::kit::until(|| ask(&config, &["held"])["totals"]["held"] == 3);
        assert_eq!(second.stop(), 0);
        check(&got, &specimens(&strips(3, 1, "KPA")));
    });
}

/// A file becomes a server: nothing is lost, the order goes on, the old file is barred.
#[test]
fn a_ledger_moves_to_a_server() {
    let Some(server) = Server::start("moved") else { return };
    let folder = Folder::new("moved");
    runtime().block_on(async {
        let (mut receiver, port, config) = crate::way::practice(&folder, &["aa"]).await;
        let daemon = Daemon::start(&config);
        let mut bench_1 = analyzer(port, Style::Lis02);
        let first = strips(30, 4, "KPF");
        bench_1.run(&first, |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        gather(&mut receiver, &mut got, || accepted(&config) == 30).await;
        let to = server.url.as_str();
        let from = format!("sqlite:{}", folder.0.join("ledger.db").display());
        let running = crate::kit::run(&config, &["ledger", "move", &from, to]);
        assert_eq!(running.status.code(), Some(4), "not while a daemon runs");
        crate::kit::run(&config, &["queue", "pause", "lis"]);
        let second = strips(10, 5, "KPM");
        bench_1.run(&second, |_, _| ()).await.expect("the line holds");
        crate::kit::until(|| ask(&config, &["queue"])["totals"]["waiting"] == 10);
        assert_eq!(daemon.stop(), 0);
        let before = ask(&config, &["day"]);
        let moved = crate::kit::run(&config, &["ledger", "move", &from, to]);
        assert_eq!(moved.status.code(), Some(0), "{}", String::from_utf8_lossy(&moved.stderr));
        let old = crate::kit::run(&config, &["queue"]);
        assert_eq!(old.status.code(), Some(4), "{}", String::from_utf8_lossy(&old.stderr));
        let text = std::fs::read_to_string(&config).expect("the file");
        let config = folder.write("wickline.toml", &text.replace("sqlite:ledger.db", to));
        assert_eq!(ask(&config, &["day"])["items"], before["items"]);
        let daemon = Daemon::start(&config);
        crate::kit::run(&config, &["queue", "resume", "lis"]);
        gather(&mut receiver, &mut got, || accepted(&config) == 40).await;
        let all = [specimens(&first), specimens(&second)].concat();
        check(&got, &all);
        assert_eq!(daemon.stop(), 0);
    });
}
