//! The whole way against this disk's own syncs: ratios of one run, never absolute claims.
//!
//! `cargo bench -p wickline --bench way`. Pin it to one core (`taskset -c 0`) to compare runs.

use std::fs::OpenOptions;
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

use tokio::io::AsyncWriteExt;
use tokio::net::TcpStream;
use tokio::sync::oneshot;
use wickline::clock::SiteClock;
use wickline::daemon::Daemon;
use wickline::pipeline::event::{Event, Events, Shown};
use wickline::settings::{bench::Bench, from_text};
use wickline::simulate::analyzer::{SimulatedAnalyzer, Style};
use wickline::simulate::port::SimPort;
use wickline::simulate::print::two_column;
use wickline::simulate::script::Script;
use wickline::store::ledger::Ledger;
use wickline_forward::receive::Receiver;
use wickline_normalize::strip::Strip;

fn main() {
    let folder = std::env::temp_dir().join(format!("wickline-bench-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a temporary folder");
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let sync = raw_sync(&folder);
    println!("raw append + fdatasync          {sync:>10.0}/s");
    let printed = runtime.block_on(printed(&folder, 10_000));
    println!(
        "printed reports, line to accepted {printed:>8.0}/s   {:.2} of raw syncs",
        printed / sync
    );
    let (frames, strips) = runtime.block_on(lis01(&folder, 300));
    println!(
        "LIS01 frames, a record each     {frames:>10.0}/s   {:.2} of raw syncs ({strips:.0} strips/s)",
        frames / sync
    );
    let latency = runtime.block_on(latency(&folder, 200));
    println!(
        "end of report to message, median {:>8.2} ms  {:.1} raw syncs",
        latency * 1e3,
        latency * sync
    );
    let taken = runtime.block_on(orders(&folder, orders_asked()));
    println!(
        "orders taken and answered       {:>10.0}/s   {:.2} of raw syncs",
        taken.rate,
        taken.rate / sync
    );
    println!(
        "the same latency meanwhile      {:>10.2} ms  {:.2} of that without",
        taken.busy * 1e3,
        taken.busy / taken.quiet
    );
    let _ = std::fs::remove_dir_all(&folder);
}

/// How many orders a source sends: `WICKLINE_BENCH_ORDERS=50000` for a morning of a large laboratory.
fn orders_asked() -> usize {
    std::env::var("WICKLINE_BENCH_ORDERS").ok().and_then(|n| n.parse().ok()).unwrap_or(2000)
}

fn raw_sync(folder: &Path) -> f64 {
    let path = folder.join("raw");
    let mut file = OpenOptions::new().create(true).append(true).open(path).expect("a file");
    let count = 2000;
    let start = Instant::now();
    for _ in 0..count {
        file.write_all(&[7; 1024]).expect("written");
        file.sync_data().expect("synced");
    }
    f64::from(count) / start.elapsed().as_secs_f64()
}

/// A daemon in this process, with a receiver that says yes at once.
struct Rig {
    receiver: Receiver,
    ledger: Ledger,
    line: String,
    /// Where orders come, where any do.
    source: Option<String>,
    stop: oneshot::Sender<()>,
    running: tokio::task::JoinHandle<Result<(), wickline::store::StoreError>>,
}

async fn rig(folder: &Path, name: &str, dialect: &str) -> Rig {
    rig_with(folder, name, dialect, "").await
}

async fn rig_with(folder: &Path, name: &str, dialect: &str, more: &str) -> Rig {
    let receiver =
        Receiver::bind("127.0.0.1:0", vec!["aa".parse().expect("an answer")], Duration::ZERO, None)
            .await
            .expect("a port");
    let text = format!(
        "[site]\nname = \"B\"\nshort = \"B\"\ntimezone = \"UTC\"\n[store]\ntape = \"{name}-tape.db\"\n\
         ledger = \"sqlite:{name}-ledger.db\"\nlow_water_mib = 0\nballast_mib = 0\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"listen:127.0.0.1:0\"\ndialect = \"{dialect}\"\ncontrols = \"none\"\n\
         [[receiver]]\nid = \"lis\"\naddress = \"mllp://{}\"\n{more}",
        receiver.address()
    );
    let loaded = from_text(&folder.join("wickline.toml"), text).expect("a good configuration");
    let bench = Bench::build(&loaded).expect("a good configuration");
    let events = Events::default();
    let mut watch = events.watch();
    let mut daemon = Daemon::open(std::sync::Arc::new(bench), events).await.expect("stores");
    daemon.start(Shown::default()).await.expect("started");
    let (mut line, mut source) = (None, None);
    while line.is_none() || (source.is_none() && !more.is_empty()) {
        match watch.recv().await.expect("it tells") {
            Event::Ready { lines, .. } => line = Some(lines[0].address.clone()),
            Event::SourceUp { address, .. } => source = Some(address),
            _ => {}
        }
    }
    let line = line.expect("a line");
    let ledger = daemon.ledger.clone().expect("a file");
    let (stop, stopped) = oneshot::channel();
    let running = tokio::spawn(daemon.until_stopped(async {
        let _ = stopped.await;
    }));
    Rig { receiver, ledger, line, source, stop, running }
}

impl Rig {
    /// Until the receiver has had this many and the ledger has settled them all.
    async fn until_accepted(&mut self, count: usize) {
        for _ in 0..count {
            self.receiver.next().await.expect("a message");
        }
        while self.ledger.waiting("lis").await.expect("counts").waiting > 0 {
            tokio::task::yield_now().await;
        }
    }

    async fn end(self) {
        let _ = self.stop.send(());
        self.running.await.expect("no panic").expect("a clean end");
    }
}

fn strip() -> Strip {
    Strip::builtin("ten-pad").expect("a built-in")
}

fn script(count: usize) -> Script {
    let pads: Vec<_> = strip()
        .pads
        .iter()
        .filter(|p| !p.optional)
        .map(|p| (p.id.clone(), p.rungs.len()))
        .collect();
    Script::plain(count, 1, &pads)
}

fn clock() -> SiteClock {
    SiteClock::new("UTC").expect("a zone")
}

async fn printed(folder: &Path, count: usize) -> f64 {
    let mut rig = rig(folder, "printed", "two-column").await;
    let now = clock().moment(wickline::clock::now_us());
    let text: Vec<u8> =
        script(count).run.iter().flat_map(|run| two_column(&strip(), run, now)).collect();
    let line = rig.line.clone();
    let start = Instant::now();
    let writing = tokio::spawn(async move {
        let mut stream = tokio::net::TcpStream::connect(line).await.expect("the line");
        stream.write_all(&text).await.expect("written");
        stream
    });
    rig.until_accepted(count).await;
    let rate = count as f64 / start.elapsed().as_secs_f64();
    drop(writing.await);
    rig.end().await;
    rate
}

async fn lis01(folder: &Path, count: usize) -> (f64, f64) {
    let mut rig = rig(folder, "lis01", "lis02").await;
    let port = SimPort::connect(&rig.line).await.expect("the line");
    let mut analyzer = SimulatedAnalyzer::new(port, Style::Lis02, strip(), clock());
    let script = script(count);
    // H, P, O, ten R, L.
    let frames = count * 14;
    let start = Instant::now();
    let sending = async {
        analyzer.run(&script, |_, _| ()).await.expect("the line holds");
        start.elapsed().as_secs_f64()
    };
    let (seconds, ()) = tokio::join!(sending, rig.until_accepted(count));
    rig.end().await;
    (frames as f64 / seconds, count as f64 / seconds)
}

async fn latency(folder: &Path, count: usize) -> f64 {
    let mut rig = rig(folder, "latency", "two-column").await;
    let mut stream = connected(&rig).await;
    let median = strips(&mut rig, &mut stream, &script(count)).await;
    rig.end().await;
    median
}

/// One for all strips: whoever calls again at once is turned away until it is seen that the first has gone.
async fn connected(rig: &Rig) -> TcpStream {
    TcpStream::connect(&rig.line).await.expect("the line")
}

/// The median time from the end of a print to its message.
async fn strips(rig: &mut Rig, stream: &mut TcpStream, script: &Script) -> f64 {
    let now = clock().moment(wickline::clock::now_us());
    let mut times = Vec::new();
    for run in &script.run {
        let text = two_column(&strip(), run, now);
        let start = Instant::now();
        stream.write_all(&text).await.expect("written");
        rig.receiver.next().await.expect("a message");
        times.push(start.elapsed().as_secs_f64());
    }
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}

struct Orders {
    rate: f64,
    quiet: f64,
    busy: f64,
}

/// A source that sends as fast as it is answered, while strips that nobody ordered are printed.
async fn orders(folder: &Path, count: usize) -> Orders {
    let more = "[orders]\nwithout_order = \"send\"\n[[source]]\nid = \"lis\"\nlisten = \"127.0.0.1:0\"\n\
                tests = [\"UADIP=ten-pad\"]\n";
    let mut rig = rig_with(folder, "orders", "two-column", more).await;
    let mut all = script(400);
    let second = Script { run: all.run.split_off(200), ..all.clone() };
    let mut stream = connected(&rig).await;
    let quiet = strips(&mut rig, &mut stream, &all).await;
    let source = rig.source.clone().expect("it listens");
    let sending = std::thread::spawn(move || send(&source, count));
    let busy = strips(&mut rig, &mut stream, &second).await;
    let rate = loop {
        if sending.is_finished() {
            break sending.join().expect("each was answered");
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    };
    rig.end().await;
    Orders { rate, quiet, busy }
}

/// Orders of as many patients, each answered before the next is sent. How many a second.
fn send(source: &str, count: usize) -> f64 {
    use std::io::Read;
    let mut stream = std::net::TcpStream::connect(source).expect("it listens");
    stream.set_nodelay(true).expect("set");
    let (start, mut answer) = (Instant::now(), [0; 4096]);
    for n in 0..count {
        let text = format!(
            "\x0bMSH|^~\\&|LIS|KESTREL|||20260314081500+0000||OML^O21^OML_O21|A{n}|P|2.5.1\r\
             PID|1||P{n}^^^KESTREL^MR||Heron-Invented^Ada||19700101|F\rORC|NW|B{n}^LIS|||||||20260314081500+0000\r\
             OBR|1|B{n}^LIS||UADIP^Urine strip^99KPL\rSPM|1|S{n:06}&LIS||UR^Urine^HL70487\r\x1c\r"
        );
        stream.write_all(text.as_bytes()).expect("sent");
        let mut got = 0;
        while got < 2 || answer[got - 2..got] != *b"\x1c\r" {
            got += stream.read(&mut answer[got..]).ok().filter(|n| *n > 0).expect("an answer");
        }
        assert!(answer[..got].windows(7).any(|seven| seven == b"MSA|AA|"), "a yes");
    }
    count as f64 / start.elapsed().as_secs_f64()
}
