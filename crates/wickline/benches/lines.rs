//! What many lines cost: the program's processor time and memory by how many pseudo-terminals it hears at bench pace.
//!
//! `cargo bench -p wickline --bench lines`. Each analyzer prints one report in every 30 s, at 9600 baud and so that 16
//! bytes come at a time, as a UART's FIFO hands them over. `WICKLINE_BENCH_LINES=1,5,20` chooses how many.

use std::io::{BufRead, BufReader};
use std::process::{Child, Command, Stdio};
use std::time::Duration;

use wickline::clock::SiteClock;
use wickline::simulate::port::SimPort;
use wickline::simulate::print::two_column;
use wickline::simulate::script::Script;
use wickline_forward::receive::Receiver;
use wickline_normalize::strip::Strip;

/// Between two reports of one analyzer, and how long is measured: one report of each.
const PACE: Duration = Duration::from_secs(30);
/// 16 bytes of ten bits each at 9600 baud.
const PIECE: usize = 16;
const PIECE_TAKES: Duration = Duration::from_micros(16_667);

/// Of proc(5)'s clock, a second: USER_HZ, which is the same on whatever this is built for.
const TICKS: f64 = 100.0;

fn main() {
    let asked = std::env::var("WICKLINE_BENCH_LINES").unwrap_or("1,5,20,50,200".into());
    let runtime =
        tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
    let runtime = runtime.expect("a runtime");
    println!("lines   % of a core   MiB resident   threads   reports accepted");
    for many in asked.split(',').map(|text| text.trim().parse().expect("a number of lines")) {
        let Cost { percent, mib, threads, accepted } = runtime.block_on(measured(many));
        println!("{many:>5}   {percent:>11.1}   {mib:>12.1}   {threads:>7}   {accepted:>16}");
    }
}

struct Cost {
    percent: f64,
    mib: f64,
    threads: u64,
    accepted: usize,
}

async fn measured(many: usize) -> Cost {
    let folder = std::env::temp_dir().join(format!("wickline-lines-{}-{many}", std::process::id()));
    std::fs::create_dir_all(&folder).expect("a temporary folder");
    let answers = vec!["aa".parse().expect("an answer")];
    let receiver = Receiver::bind("127.0.0.1:0", answers, Duration::ZERO, None).await;
    let mut receiver = receiver.expect("a port");
    let ports: Vec<SimPort> = (0..many).map(|_| SimPort::pty().expect("a terminal")).collect();
    let mut text = format!(
        "[site]\nname = \"B\"\nshort = \"B\"\ntimezone = \"UTC\"\n[store]\ntape = \"tape.db\"\n\
         ledger = \"sqlite:ledger.db\"\nlow_water_mib = 0\nballast_mib = 0\n\
         [[receiver]]\nid = \"lis\"\naddress = \"mllp://{}\"\n",
        receiver.address()
    );
    for (n, port) in ports.iter().enumerate() {
        let SimPort::Pty { path, .. } = port else { panic!("a terminal") };
        text.push_str(&format!(
            "[[analyzer]]\nid = \"bench-{n}\"\nline = \"serial:{path}\"\ndialect = \"two-column\"\ncontrols = \"none\"\n"
        ));
    }
    let config = folder.join("wickline.toml");
    std::fs::write(&config, text).expect("written");
    let mut child = Command::new(env!("CARGO_BIN_EXE_wickline"))
        .args(["--json", "--config"])
        .arg(&config)
        .arg("run")
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program");
    until_open(&mut child, many).await;
    let before = ticks(child.id());
    let begun = tokio::time::Instant::now();
    for (n, port) in ports.into_iter().enumerate() {
        let phase = PACE.mul_f64(n as f64 / many as f64);
        tokio::spawn(prints(port, n, begun + phase));
    }
    let mut accepted = 0;
    while let Ok(Some(_)) = tokio::time::timeout_at(begun + PACE, receiver.next()).await {
        accepted += 1;
    }
    tokio::time::sleep_until(begun + PACE).await;
    let spent = (ticks(child.id()) - before) as f64 / TICKS;
    let percent = 100.0 * spent / begun.elapsed().as_secs_f64();
    let status = std::fs::read_to_string(format!("/proc/{}/status", child.id())).expect("it runs");
    let field = |name: &str| -> u64 {
        let line = status.lines().find_map(|line| line.strip_prefix(name)).expect("a field");
        line.split_whitespace().next().and_then(|n| n.parse().ok()).expect("a number")
    };
    let (mib, threads) = (field("VmRSS:") as f64 / 1024.0, field("Threads:"));
    child.kill().expect("ended");
    child.wait().expect("ended");
    std::fs::remove_dir_all(&folder).expect("removed");
    Cost { percent, mib, threads, accepted }
}

/// Until every line is open.
async fn until_open(child: &mut Child, many: usize) {
    let out = child.stdout.take().expect("its output");
    tokio::task::spawn_blocking(move || {
        let (mut open, mut out) = (0, BufReader::new(out));
        let mut line = String::new();
        while open < many {
            line.clear();
            assert!(out.read_line(&mut line).expect("text") > 0, "it ended");
            open += usize::from(line.contains("\"line-up\""));
        }
        // What it tells later is read and dropped, as a pipe holds so much alone.
        std::thread::spawn(move || std::io::copy(&mut out, &mut std::io::sink()));
    })
    .await
    .expect("it opens its lines");
}

/// One report at its time, 16 bytes at a time.
async fn prints(mut port: SimPort, n: usize, at: tokio::time::Instant) {
    let strip = Strip::builtin("ten-pad").expect("a built-in");
    let pads = strip.pads.iter().filter(|p| !p.optional).map(|p| (p.id.clone(), p.rungs.len()));
    let script = Script::plain(1, n as u64 + 1, &pads.collect::<Vec<_>>());
    let clock = SiteClock::new("UTC").expect("a zone");
    tokio::time::sleep_until(at).await;
    let text = two_column(&strip, &script.run[0], clock.moment(wickline::clock::now_us()));
    for (nth, piece) in (0_u32..).zip(text.chunks(PIECE)) {
        tokio::time::sleep_until(at + PIECE_TAKES * nth).await;
        port.write_all(piece).await.expect("written");
    }
    // The terminal stays open.
    std::future::pending::<()>().await;
}

/// What a process has spent, in clock ticks (proc(5), stat: utime and stime).
fn ticks(process: u32) -> u64 {
    let stat = std::fs::read_to_string(format!("/proc/{process}/stat")).expect("it runs");
    let (_, fields) = stat.rsplit_once(')').expect("a name");
    fields.split_whitespace().skip(11).take(2).map(|n| n.parse::<u64>().expect("a number")).sum()
}
