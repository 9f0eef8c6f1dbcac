//! Draining a queue after an outage, against a sender that has no store at all: ratios of one run.
//!
//! `taskset -c 0 cargo bench -p wickline --bench drain`, pinned to one core: on two, a loopback compares
//! how processors wake up. With `WICKLINE_LONG=1` also 288,000 messages with the memory they take, and a
//! queue of 1,000,000; with `WICKLINE_LEDGER=postgres://...` (an empty database) on that server.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use tokio::sync::oneshot;
use wickline::acts::intake::HeardReport;
use wickline::clock::SiteClock;
use wickline::daemon::Daemon;
use wickline::pipeline::event::{Events, Shown};
use wickline::settings::{bench::Bench, from_text};
use wickline::simulate::print::two_column;
use wickline::simulate::script::Script;
use wickline::store::ledger::Ledger;
use wickline::store::lists::queue::Asked;
use wickline::store::rows::position::Span;
use wickline_forward::deliver::{Address, Courier, Limits, Outcome, Tls};
use wickline_forward::verdict::Verdict;
use wickline_listen::ear::Ear;
use wickline_normalize::strip::Strip;

fn main() {
    let folder = std::env::temp_dir().join(format!("wickline-drain-{}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a temporary folder");
    let runtime =
        tokio::runtime::Builder::new_current_thread().enable_all().build().expect("a runtime");
    let sync = raw_sync(&folder);
    println!("raw append + fdatasync             {sync:>9.0}/s");
    let count = 20_000;
    for window in [1, 32] {
        let bare = runtime.block_on(from_memory(count, window, Duration::ZERO));
        let ours = runtime.block_on(drain(&folder, count, window, Duration::ZERO)).rate;
        println!("no store, {window:>2} in flight            {bare:>9.0}/s");
        println!(
            "drained,  {window:>2} in flight            {ours:>9.0}/s  {:.2} of no store, {:.1} raw syncs",
            ours / bare,
            ours / sync
        );
    }
    let slow = Duration::from_millis(5);
    let bare_one = runtime.block_on(from_memory(1_000, 1, slow));
    let one = runtime.block_on(drain(&folder, 1_000, 1, slow)).rate;
    let many = runtime.block_on(drain(&folder, 20_000, 32, slow)).rate;
    println!("answers after 5 ms, no store, 1    {bare_one:>9.0}/s");
    println!(
        "answers after 5 ms, drained, 1     {one:>9.0}/s  {:.3} of 1/5 ms, {:.2} of no store",
        one / 200.0,
        one / bare_one
    );
    println!(
        "answers after 5 ms, drained, 32    {many:>9.0}/s  {:.1} times one in flight",
        many / one
    );
    if std::env::var("WICKLINE_LONG").is_ok_and(|v| v == "1") {
        long(&folder, &runtime);
    }
    let _ = std::fs::remove_dir_all(&folder);
}

fn long(folder: &Path, runtime: &tokio::runtime::Runtime) {
    let night = runtime.block_on(drain(folder, 288_000, 1, Duration::ZERO));
    println!(
        "288,000 drained, 1 in flight       {:>9.0}/s  resident {} KiB above idle at most",
        night.rate, night.grown_kib
    );
    runtime.block_on(million(folder));
}

fn raw_sync(folder: &Path) -> f64 {
    let mut file = std::fs::File::create(folder.join("raw")).expect("a file");
    let count = 1000;
    let start = Instant::now();
    for _ in 0..count {
        file.write_all(&[7; 1024]).expect("written");
        file.sync_data().expect("synced");
    }
    f64::from(count) / start.elapsed().as_secs_f64()
}

/// A receiver that says yes, each answer `delay` after its message, and how many it had.
fn receiver(delay: Duration) -> (SocketAddr, Arc<AtomicUsize>) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("bound");
    let had = Arc::new(AtomicUsize::new(0));
    let count = had.clone();
    std::thread::spawn(move || {
        for stream in listener.incoming().map_while(Result::ok) {
            let _ = serve(stream, delay, &count);
        }
    });
    (address, had)
}

fn serve(mut stream: TcpStream, delay: Duration, had: &AtomicUsize) -> std::io::Result<()> {
    stream.set_nodelay(true)?;
    let (later, due) = std::sync::mpsc::channel::<(Instant, Vec<u8>)>();
    let mut back = stream.try_clone()?;
    std::thread::spawn(move || {
        for (at, text) in due {
            std::thread::sleep(at.saturating_duration_since(Instant::now()));
            if back.write_all(&text).is_err() {
                return;
            }
        }
    });
    let mut bytes = Vec::new();
    let mut chunk = vec![0; 1 << 16];
    loop {
        let n = stream.read(&mut chunk)?;
        if n == 0 {
            return Ok(());
        }
        bytes.extend_from_slice(&chunk[..n]);
        let (mut out, mut from) = (Vec::new(), 0);
        while let Some(end) = memchr::memchr(0x1c, &bytes[from..]) {
            let text = answer(&bytes[from..from + end]);
            from += end + 2;
            if delay.is_zero() {
                out.extend_from_slice(&text);
            } else {
                let _ = later.send((Instant::now() + delay, text));
            }
            had.fetch_add(1, Ordering::Relaxed);
        }
        bytes.drain(..from);
        stream.write_all(&out)?;
    }
}

fn answer(block: &[u8]) -> Vec<u8> {
    let id = block.split(|b| *b == b'|').nth(9).expect("MSH-10");
    let mut text =
        b"\x0bMSH|^~\\&|LIS|K|W|K|20260314091503||ACK^R01^ACK|A1|P|2.5.1\rMSA|AA|".to_vec();
    text.extend_from_slice(id);
    text.extend_from_slice(b"\r\x1c\r");
    text
}

/// The same sender without any store: messages made in memory, answers judged and forgotten.
async fn from_memory(count: usize, window: usize, delay: Duration) -> f64 {
    let (address, _) = receiver(delay);
    let address = Address::parse(&format!("mllp://{address}"), Path::new("."), &Tls::default());
    let mut limits = Limits::with_ack_timeout(Duration::from_secs(30));
    limits.window = window;
    let mut courier = Courier::new(vec![address.expect("an address")], limits);
    let filling = "x".repeat(1200);
    let (mut sent, mut answered) = (0, 0);
    let start = Instant::now();
    while answered < count {
        while sent < count && courier.can_take() {
            let id = format!("WKB{sent:013}");
            let body =
                format!("MSH|^~\\&|W|K|L|K|20260314091502||ORU|{id}|P|2.5.1\rNTE|1|L|{filling}\r");
            courier.offer(sent as i64, &id, body.into_bytes());
            sent += 1;
        }
        for (_, outcome) in courier.next().await {
            let accepted = matches!(outcome, Outcome::Settled { verdict: Verdict::Accepted, .. });
            assert!(accepted, "{outcome:?}");
            answered += 1;
        }
    }
    count as f64 / start.elapsed().as_secs_f64()
}

struct Drained {
    rate: f64,
    grown_kib: u64,
}

struct Site {
    bench: Arc<Bench>,
    ledger: Ledger,
}

async fn site(folder: &Path, address: SocketAddr, window: usize, name: &str) -> Site {
    let place = match std::env::var("WICKLINE_LEDGER") {
        Ok(url) => url,
        Err(_) => format!("sqlite:{name}-ledger.db"),
    };
    let text = format!(
        "[site]\nname = \"B\"\nshort = \"B\"\ntimezone = \"UTC\"\n[store]\ntape = \"{name}-tape.db\"\n\
         ledger = \"{place}\"\nlow_water_mib = 0\nballast_mib = 0\n\
         [[analyzer]]\nid = \"{name}\"\nline = \"listen:127.0.0.1:0\"\ndialect = \"two-column\"\ncontrols = \"none\"\n\
         [[receiver]]\nid = \"{name}\"\naddress = \"mllp://{address}\"\nwindow = {window}\n"
    );
    let loaded = from_text(&folder.join("wickline.toml"), text).expect("a good configuration");
    let bench = Arc::new(Bench::build(&loaded).expect("a good configuration"));
    let ledger = Ledger::open(bench.ledger.clone()).await.expect("a ledger");
    Site { bench, ledger }
}

impl Site {
    /// Takes in so many prints, as reading a tape does.
    async fn fill(&self, count: usize, tape: &str) {
        let strip = Strip::builtin("ten-pad").expect("a built-in");
        let pads: Vec<_> = strip
            .pads
            .iter()
            .filter(|p| !p.optional)
            .map(|p| (p.id.clone(), p.rungs.len()))
            .collect();
        let clock = SiteClock::new("UTC").expect("a zone");
        let now = wickline::clock::now_us();
        let analyzer = &self.bench.analyzers[0];
        let mut ear = Ear::new(analyzer.dialect.as_ref());
        let (mut at, mut taken) = (0, 0);
        while taken < count {
            let script = Script::plain(500.min(count - taken), taken as u64, &pads);
            let mut heard = Vec::new();
            for (nth, run) in script.run.iter().enumerate() {
                let mut run = run.clone();
                run.number = format!("{:06}", taken + nth + 1);
                run.specimen = format!("KP-{:07}", taken + nth);
                let text = two_column(&strip, &run, clock.moment(now));
                ear.handle_input(0, &text, at, &[]);
                at += text.len() as u64;
                while let Some(transmission) = ear.poll_transmission() {
                    for (part, report) in
                        analyzer.dialect.read(&transmission).into_iter().enumerate()
                    {
                        heard.push(HeardReport { report, part, heard_at: now, unheard: false });
                    }
                }
            }
            taken += script.run.len();
            let done = self.ledger.intake(&self.bench, analyzer, tape, &heard, Span::to(0)).await;
            done.expect("taken in");
        }
    }
}

async fn drain(folder: &Path, count: usize, window: usize, delay: Duration) -> Drained {
    static RUNS: AtomicUsize = AtomicUsize::new(0);
    let name = format!("lis{}", RUNS.fetch_add(1, Ordering::Relaxed));
    let (address, had) = receiver(delay);
    let site = site(folder, address, window, &name).await;
    site.fill(count, &name).await;
    let idle = resident_kib();
    let mut most = idle;
    let mut daemon = Daemon::open(site.bench.clone(), Events::default()).await.expect("stores");
    daemon.start(Shown::default()).await.expect("started");
    let (stop, stopped) = oneshot::channel::<()>();
    let running = tokio::spawn(daemon.until_stopped(async {
        let _ = stopped.await;
    }));
    while had.load(Ordering::Relaxed) == 0 {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    let start = Instant::now();
    while had.load(Ordering::Relaxed) < count {
        tokio::time::sleep(Duration::from_millis(5)).await;
        most = most.max(resident_kib());
    }
    while site.ledger.waiting(&name).await.expect("counts").waiting > 0 {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    let rate = count as f64 / start.elapsed().as_secs_f64();
    let _ = stop.send(());
    running.await.expect("no panic").expect("a clean end");
    Drained { rate, grown_kib: most - idle }
}

/// A queue of a million: how long until it is open, until the next message, until a page of the list.
async fn million(folder: &Path) {
    let count = 1_000_000;
    let nowhere: SocketAddr = "127.0.0.1:1".parse().expect("an address");
    let site = site(folder, nowhere, 1, "million").await;
    site.fill(count, "million").await;
    let clock = SiteClock::new("UTC").expect("a zone");
    drop(site.ledger);
    let start = Instant::now();
    let mut daemon = Daemon::open(site.bench.clone(), Events::default()).await.expect("stores");
    daemon.start(Shown::default()).await.expect("started");
    println!("1,000,000 queued: started in       {:>9.1} ms", ms(start));
    let ledger = daemon.ledger.clone().expect("a file");
    let mut times = Vec::new();
    for after in (0..1_000_000).step_by(997) {
        let start = Instant::now();
        let page = ledger.queue_page("million", after, 1).await.expect("a page");
        assert_eq!(page[0].n, after + 1);
        times.push(ms(start));
    }
    times.sort_by(f64::total_cmp);
    println!(
        "next message, median and p99       {:>9.3} ms, {:.3} ms",
        times[times.len() / 2],
        times[times.len() * 99 / 100]
    );
    let start = Instant::now();
    let asked = Asked { limit: 40, after: 500_000, ..Asked::default() };
    assert_eq!(ledger.queue(&asked, &clock).await.expect("a page").len(), 40);
    println!("a page of the list                 {:>9.1} ms", ms(start));
    let start = Instant::now();
    assert_eq!(ledger.waiting("million").await.expect("counts").waiting, 1_000_000);
    println!("counting what waits                {:>9.1} ms", ms(start));
    daemon.until_stopped(async {}).await.expect("a clean end");
}

fn ms(since: Instant) -> f64 {
    since.elapsed().as_secs_f64() * 1e3
}

fn resident_kib() -> u64 {
    let text = std::fs::read_to_string(PathBuf::from("/proc/self/status")).expect("a status");
    let line = text.lines().find(|l| l.starts_with("VmRSS")).expect("with its memory");
    line.split_whitespace().nth(1).and_then(|n| n.parse().ok()).expect("in KiB")
}
