//! The whole way against this disk's own syncs: ratios of one run, never absolute claims.
//!
//! `cargo bench -p wickline --bench way`. Pin it to one core (`taskset -c 0`) to compare runs.

use std::fs::OpenOptions;
use std::io::Write;
use std::path::Path;
use std::time::{Duration, Instant};

use tokio::io::AsyncWriteExt;
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
    let _ = std::fs::remove_dir_all(&folder);
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
    stop: oneshot::Sender<()>,
    running: tokio::task::JoinHandle<Result<(), wickline::store::StoreError>>,
}

async fn rig(folder: &Path, name: &str, dialect: &str) -> Rig {
    let receiver =
        Receiver::bind("127.0.0.1:0", vec!["aa".parse().expect("an answer")], Duration::ZERO, None)
            .await
            .expect("a port");
    let text = format!(
        "[site]\nname = \"B\"\nshort = \"B\"\ntimezone = \"UTC\"\n[store]\ntape = \"{name}-tape.db\"\n\
         ledger = \"sqlite:{name}-ledger.db\"\nlow_water_mib = 0\nballast_mib = 0\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"listen:127.0.0.1:0\"\ndialect = \"{dialect}\"\ncontrols = \"none\"\n\
         [[receiver]]\nid = \"lis\"\naddress = \"mllp://{}\"\n",
        receiver.address()
    );
    let loaded = from_text(&folder.join("wickline.toml"), text).expect("a good configuration");
    let bench = Bench::build(&loaded).expect("a good configuration");
    let events = Events::default();
    let mut watch = events.watch();
    let mut daemon = Daemon::open(std::sync::Arc::new(bench), events).await.expect("stores");
    daemon.start(Shown::default()).await.expect("started");
    let line = loop {
        if let Ok(Event::Ready { lines, .. }) = watch.recv().await {
            break lines[0].address.clone();
        }
    };
    let ledger = daemon.ledger.clone().expect("a file");
    let (stop, stopped) = oneshot::channel();
    let running = tokio::spawn(daemon.until_stopped(async {
        let _ = stopped.await;
    }));
    Rig { receiver, ledger, line, stop, running }
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
    let now = clock().moment(wickline::clock::now_us());
    let mut stream = tokio::net::TcpStream::connect(&rig.line).await.expect("the line");
    let mut times = Vec::new();
    for run in &script(count).run {
        let text = two_column(&strip(), run, now);
        let start = Instant::now();
        stream.write_all(&text).await.expect("written");
        rig.receiver.next().await.expect("a message");
        times.push(start.elapsed().as_secs_f64());
    }
    rig.end().await;
    times.sort_by(f64::total_cmp);
    times[times.len() / 2]
}
