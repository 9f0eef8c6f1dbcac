//! `simulate`: an analyzer to practise with, on a pseudo-terminal, a TCP line or a real port.

use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use serde_json::json;
use tokio::time::Instant;
use wickline_listen::line::LineSpec;
use wickline_normalize::strip::Strip;

use super::output::Output;
use super::{Answer, Exit, Failure};
use crate::clock::SiteClock;
use crate::simulate::analyzer::{Sent, SimulatedAnalyzer, Style};
use crate::simulate::orders::Orders;
use crate::simulate::port::SimPort;
use crate::simulate::script::Script;

/// Between two tries to connect.
const AGAIN: Duration = Duration::from_millis(250);

/// `wickline simulate --dialect lis02 --reports 10`, `wickline simulate --script day.toml`
#[derive(Debug, Args)]
pub struct Options {
    /// What it prints: lis02 or two-column
    #[arg(long, default_value = "lis02")]
    dialect: Style,
    /// A built-in strip, or the path of a strip file
    #[arg(long, default_value = "ten-pad")]
    strip: String,
    /// What it runs, as a script file; like example-script.toml (config/ of the source, or
    /// /usr/share/doc/wickline/examples of the package)
    #[arg(long, value_name = "FILE")]
    script: Option<PathBuf>,
    /// A strip of each specimen that is ordered in this file, like example-orders.toml (config/ of the source, or
    /// /usr/share/doc/wickline/examples of the package)
    #[arg(long, value_name = "FILE", conflicts_with = "script")]
    orders: Option<PathBuf>,
    /// Without a script: so many patient strips
    #[arg(long, value_name = "N", default_value_t = 10)]
    reports: usize,
    /// Without a script: the number of the first strip; on the same day no number is used twice
    #[arg(long, value_name = "N", default_value_t = 1, conflicts_with = "script",
        value_parser = clap::value_parser!(u32).range(1..))]
    first: u32,
    /// Without a script: the seed of the results
    #[arg(long, value_name = "N", default_value_t = 1)]
    seed: u64,
    /// Connect to a line that listens, HOST:PORT, instead of making a pseudo-terminal
    #[arg(long, value_name = "ADDR", conflicts_with = "port")]
    connect: Option<String>,
    /// With --connect: so long it is tried again where nothing listens yet
    #[arg(long, value_name = "S", default_value_t = 60, requires = "connect",
        value_parser = clap::value_parser!(u64).range(..=86_400))]
    wait: u64,
    /// Use a real serial port instead of making a pseudo-terminal
    #[arg(long, value_name = "PATH")]
    port: Option<String>,
    /// Bits a second
    #[arg(long, default_value_t = 9600)]
    speed: u32,
    /// Seconds between strips
    #[arg(long, value_name = "S", default_value_t = 7)]
    every: u64,
    /// So many times faster than the clock; 0: as fast as it goes
    #[arg(long, value_name = "N", default_value_t = 1)]
    speed_up: u32,
    /// The zone of its clock
    #[arg(long, value_name = "ZONE", default_value = "Europe/Lisbon")]
    timezone: String,
    /// Begin only when somebody has opened the line for this many seconds
    #[arg(long, value_name = "S", default_value_t = 1)]
    settle: u64,
}

pub async fn simulate(options: Options, out: &Output) -> Answer {
    let strip = strip(&options.strip)?;
    let script = script(&options, &strip)?;
    let port = port(&options, out).await?;
    let whose = whose(&options, &port);
    if let SimPort::Pty { path, .. } = &port {
        if out.json {
            out.document(&json!({"event": "line", "path": path}))?;
        }
        out.line(path);
    }
    let clock = SiteClock::new(&options.timezone).map_err(Failure::wrong)?;
    let mut analyzer = SimulatedAnalyzer::new(port, options.dialect, strip, clock);
    if let Some(faster) = std::num::NonZeroU32::new(options.speed_up) {
        analyzer.speed = options.speed.saturating_mul(faster.get());
        analyzer.pause = Duration::from_secs(options.every) / faster.get();
    }
    tokio::time::sleep(Duration::from_secs(options.settle)).await;
    let mut done = 0;
    let ran = analyzer
        .run(&script, |run, sent| {
            done += 1;
            let how = if sent == Sent::Delivered { "sent" } else { "not acknowledged, kept" };
            if out.json {
                let _ = out.document(&json!({"event": "strip", "number": run.number, "sent": sent == Sent::Delivered}));
            }
            out.line(&format!("number {} {how}", run.number));
        })
        .await;
    ran.map_err(|error| lost(&whose, &error, done, script.run.len()))?;
    // What the line still holds would be lost with the pseudo-terminal.
    tokio::time::sleep(Duration::from_secs(options.settle)).await;
    Ok(Exit::Done)
}

/// The far end of its line, in words.
fn whose(options: &Options, port: &SimPort) -> String {
    match (&options.connect, port) {
        (Some(address), _) => format!("what listens at {address}"),
        (None, SimPort::Pty { path, .. }) => format!("the program that has {path} open"),
        (None, _) => format!("the port {}", options.port.as_deref().unwrap_or_default()),
    }
}

/// What became of the line, and how far the script went.
fn lost(whose: &str, error: &std::io::Error, done: usize, all: usize) -> Failure {
    use std::io::ErrorKind as Kind;
    let ended =
        [Kind::BrokenPipe, Kind::ConnectionReset, Kind::ConnectionAborted, Kind::UnexpectedEof];
    let what = match ended.contains(&error.kind()) {
        true if whose.starts_with("what listens") => format!(
            "{whose} ended the connection ({error}); a line that turns this machine away (`allow`), or hears another \
             connection in its place, does so: `wickline status` tells"
        ),
        true => format!("{whose} closed the line ({error})"),
        false => format!("{whose}: {error}"),
    };
    Failure::unreachable(format!("{what}. {done} of {all} strips were run before"))
}

/// What it runs: as a file says, what a file orders, or what the dice say.
fn script(options: &Options, strip: &Strip) -> Result<Script, Failure> {
    if let Some(path) = &options.script {
        return practice(path, Script::parse);
    }
    let pads: Vec<_> =
        strip.pads.iter().filter(|p| !p.optional).map(|p| (p.id.clone(), p.rungs.len())).collect();
    let Some(path) = &options.orders else {
        return Ok(Script::plain(options.reports, options.seed, &pads).numbered_from(options.first));
    };
    let orders = practice(path, Orders::parse)?;
    let specimens = orders.specimens();
    let mut script = Script::plain(specimens.len(), options.seed, &pads);
    for (run, specimen) in script.run.iter_mut().zip(specimens) {
        specimen.clone_into(&mut run.specimen);
    }
    Ok(script.numbered_from(options.first))
}

/// A file to practise with.
pub fn practice<T>(path: &Path, parse: fn(&str) -> Result<T, String>) -> Result<T, Failure> {
    let wrong = |why: String| Failure::wrong(format!("{}: {why}", path.display()));
    let text = std::fs::read_to_string(path).map_err(|e| wrong(e.to_string()))?;
    parse(&text).map_err(wrong)
}

fn strip(name: &str) -> Result<Strip, Failure> {
    if let Some(strip) = Strip::builtin(name) {
        return Ok(strip);
    }
    let text = std::fs::read_to_string(name).map_err(|e| {
        Failure::wrong(format!(
            "strip `{name}`: a built-in ({}) or a file ({e})",
            Strip::builtin_names().join(", ")
        ))
    })?;
    Strip::parse(&text, name).map_err(|faults| {
        let lines: Vec<String> = faults.iter().map(ToString::to_string).collect();
        Failure::wrong(lines.join("\n"))
    })
}

async fn port(options: &Options, out: &Output) -> Result<SimPort, Failure> {
    let port = match (&options.connect, &options.port) {
        (Some(address), _) => connected(address, options.wait, out).await,
        (None, Some(path)) => {
            let line = format!("serial:{path}");
            let spec = LineSpec::parse(&line, options.speed, "8N1", "none", &[])
                .map_err(Failure::wrong)?;
            SimPort::serial(&spec).await
        }
        (None, None) => SimPort::pty(),
    };
    port.map_err(|e| Failure::unreachable(format!("the simulated analyzer's line: {e}")))
}

/// A line that is not there yet is waited for, as an analyzer that is switched on first does, and it is told once.
async fn connected(address: &str, wait: u64, out: &Output) -> std::io::Result<SimPort> {
    let end = Instant::now() + Duration::from_secs(wait);
    let mut told = false;
    loop {
        // A host that says nothing at all must not keep it for longer than it was to wait, nor be given up at once.
        let within = end.max(Instant::now() + AGAIN);
        let error = match tokio::time::timeout_at(within, SimPort::connect(address)).await {
            Ok(Err(error)) => error,
            Ok(connected) => return connected,
            Err(_) => std::io::ErrorKind::TimedOut.into(),
        };
        if Instant::now() >= end || !may_come(&error) {
            return Err(std::io::Error::new(error.kind(), format!("{address}: {error}")));
        }
        if !std::mem::replace(&mut told, true) {
            if out.json {
                out.document(
                    &json!({"event": "waiting", "address": address, "why": error.to_string()}),
                )?;
            }
            eprintln!(
                "nothing takes the connection at {address} ({error}): trying again for up to {wait} s"
            );
        }
        tokio::time::sleep_until(end.min(Instant::now() + AGAIN)).await;
    }
}

/// Whether somebody may listen there a moment later: of an address that is none nobody ever will.
fn may_come(error: &std::io::Error) -> bool {
    use std::io::ErrorKind as Kind;
    matches!(
        error.kind(),
        Kind::ConnectionRefused
            | Kind::ConnectionReset
            | Kind::ConnectionAborted
            | Kind::HostUnreachable
            | Kind::NetworkUnreachable
            | Kind::TimedOut
    )
}
