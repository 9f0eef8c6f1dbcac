//! `demo`: the whole way with nothing configured, and what it must come to.

mod laboratory;
mod served;
mod shown;

use std::collections::BTreeSet;
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use tokio::sync::broadcast::error::RecvError;
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use wickline_forward::receive::{Received, Receiver};
use wickline_normalize::strip::Strip;

use self::laboratory::{NEVER_RUN, bench, scripts};
use super::ordered::Ordered;
use super::output::{Output, Tone};
use super::{Answer, Exit, Failure};
use crate::clock;
use crate::pipeline::event::{Event, Events};
use crate::sheet::Sheet;
use crate::simulate::analyzer::{SimulatedAnalyzer, Style};
use crate::simulate::port::SimPort;
use crate::simulate::script::{Class, Script};
use crate::store::StoreError;
use crate::store::state::State;

/// `wickline demo`, `wickline demo --reports 60 --keep demo-run`
#[derive(Debug, Args)]
pub struct Options {
    /// How many strips are run, at least 24
    #[arg(long, default_value_t = 30, value_parser = clap::value_parser!(u32).range(24..=2000))]
    reports: u32,
    /// Keep the stores and the configuration in this folder, to look at with `queue`, `held`, `day`
    #[arg(long, value_name = "DIR")]
    keep: Option<PathBuf>,
    /// Afterwards leave its pages up for a browser of this machine, until Ctrl-C
    #[arg(long, value_name = "ADDR", num_args = 0..=1, default_missing_value = "127.0.0.1:8420")]
    #[arg(value_parser = of_this_machine)]
    serve: Option<SocketAddr>,
}

/// The demonstration is nobody else's to see.
fn of_this_machine(text: &str) -> Result<SocketAddr, String> {
    let address: Option<SocketAddr> = text.parse().ok();
    address
        .filter(|a| a.ip().is_loopback())
        .ok_or_else(|| "an address of this machine alone, such as 127.0.0.1:8420".to_owned())
}

/// What must have happened when all is over.
struct Expected {
    accepted: usize,
    held: BTreeSet<(&'static str, &'static str)>,
    filed: usize,
    repeats: usize,
    missing: usize,
}

pub async fn demo(options: Options, out: &Output) -> Answer {
    let scratch;
    let folder = match &options.keep {
        Some(folder) => folder.clone(),
        None => {
            scratch = Scratch::new()?;
            scratch.0.clone()
        }
    };
    std::fs::create_dir_all(&folder)?;
    let reports = options.reports as usize;
    let (first, second) = scripts(reports);
    let expected = expected(&first, &second);
    let ports = (SimPort::pty()?, SimPort::pty()?);
    let mut receiver = Receiver::bind(
        "127.0.0.1:0",
        vec!["aa".parse().map_err(Failure::wrong)?],
        Duration::ZERO,
        None,
    )
    .await?;
    let bench = bench(&folder, &ports, &receiver.address().to_string(), options.serve)?;
    introduce(out, &folder, reports);
    let events = Events::default();
    let mut watch = events.watch();
    let bench = std::sync::Arc::new(bench);
    let (daemon, console) = super::run::started(bench.clone(), &events).await?;
    let Some(ledger) = daemon.ledger.clone() else {
        return Err(Failure::unreachable("the ledger could not be opened"));
    };
    let (stop, stopped) = oneshot::channel::<()>();
    let mut running = Some(tokio::spawn(daemon.until_stopped(async {
        let _ = stopped.await;
    })));
    let mut stop = Some(stop);
    let ordered = order(&mut watch, out).await?;
    let analyzers = tokio::spawn(run_both(ports, first, second));
    let got = follow(&mut receiver, &mut watch, (&expected, ordered), out).await?;
    let analyzers = analyzers.await.map_err(|e| Failure::unreachable(e.to_string()))??;
    if options.serve.is_none() {
        ended(&mut stop, &mut running).await?;
    }
    let today = bench.clock.day(clock::now_us());
    let sheet = Sheet::read(&ledger, &bench, &today, None).await?;
    super::day::show(&sheet, false, out)?;
    if !out.json {
        shown::one_result(&sheet, &ledger, &bench, out).await?;
        shown::afterwards(options.keep.as_deref(), out);
    }
    let faults = verdict(&expected, &got, &sheet);
    for fault in &faults {
        eprintln!("not as scripted: {fault}");
    }
    if faults.is_empty() {
        let told =
            "As scripted: every result accepted once and in order; the held ones are named above.";
        out.pieces(&[(told.into(), Tone::Good)]);
    }
    if options.serve.is_some() {
        served::until_stopped(&ledger, &console, &mut receiver, out).await?;
    }
    // Their lines stay up until here.
    drop(analyzers);
    ended(&mut stop, &mut running).await?;
    Ok(if faults.is_empty() { Exit::Done } else { Exit::NotClean })
}

/// Ends the daemon, where it still works.
async fn ended(
    stop: &mut Option<oneshot::Sender<()>>,
    running: &mut Option<JoinHandle<Result<(), StoreError>>>,
) -> Result<(), Failure> {
    if let Some(stop) = stop.take() {
        let _ = stop.send(());
    }
    match running.take() {
        Some(running) => Ok(running.await.map_err(|e| Failure::unreachable(e.to_string()))??),
        None => Ok(()),
    }
}

/// The information system orders, as soon as it may connect.
async fn order(
    watch: &mut tokio::sync::broadcast::Receiver<Event>,
    out: &Output,
) -> Result<Ordered, Failure> {
    let up = async {
        loop {
            match watch.recv().await {
                Ok(Event::SourceUp { address, .. }) => break Ok(address),
                Ok(_) | Err(RecvError::Lagged(_)) => {}
                Err(RecvError::Closed) => break Err(Failure::unreachable("the daemon ended")),
            }
        }
    };
    let address = tokio::time::timeout(Duration::from_secs(30), up).await;
    let address =
        address.map_err(|_| Failure::unreachable("no order could be sent within 30 s"))??;
    out.line("lis orders three specimens (NW: a new order; AA OK: taken):");
    Ordered::send(laboratory::orders()?, &address, out).await
}

/// A folder that goes away with the demo.
struct Scratch(PathBuf);

impl Scratch {
    fn new() -> std::io::Result<Self> {
        let name = format!("wickline-demo-{}-{}", std::process::id(), clock::now_us());
        let folder = std::env::temp_dir().join(name);
        std::fs::create_dir(&folder)?;
        Ok(Self(folder))
    }
}

impl Drop for Scratch {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

fn introduce(out: &Output, folder: &Path, reports: usize) {
    out.line("Kestrel Point Clinic, an invented laboratory: two simulated analyzers, one practice receiver.");
    out.line(&format!(
        "bench-1 speaks LIS01, bench-2 just prints; {reports} strips; stores in {}",
        folder.display()
    ));
    out.line(
        "A carrier, not a medical device. Verify each mapping in your own laboratory before use.",
    );
    out.line("");
}

fn expected(first: &Script, second: &Script) -> Expected {
    let runs = || first.run.iter().chain(&second.run);
    let controls = runs().filter(|r| r.class == Class::Control).count();
    Expected {
        accepted: runs().count() - controls - 2,
        held: BTreeSet::from([("bench-1", "specimen-blank"), ("bench-2", "unit-unexpected")]),
        filed: controls,
        repeats: 1,
        missing: 1,
    }
}

async fn run_both(
    ports: (SimPort, SimPort),
    first: Script,
    second: Script,
) -> std::io::Result<[SimulatedAnalyzer; 2]> {
    let zone = || clock::SiteClock::new("Europe/Lisbon").map_err(std::io::Error::other);
    let strip = |name| Strip::builtin(name).ok_or_else(|| std::io::Error::other("no such strip"));
    let mut one = SimulatedAnalyzer::new(ports.0, Style::Lis02, strip("ten-pad")?, zone()?);
    let mut two = SimulatedAnalyzer::new(ports.1, Style::TwoColumn, strip("eleven-pad")?, zone()?);
    one.pause = Duration::from_millis(150);
    two.pause = Duration::from_millis(150);
    tokio::try_join!(one.run(&first, |_, _| ()), two.run(&second, |_, _| ()))?;
    Ok([one, two])
}

/// What the practice receiver got, in order, and what of its orders was answered.
struct Got {
    ids: Vec<String>,
    outage: bool,
    ordered: Ordered,
}

/// Shows what happens until every expected message was accepted; takes the receiver away in the middle.
async fn follow(
    receiver: &mut Receiver,
    watch: &mut tokio::sync::broadcast::Receiver<Event>,
    (expected, ordered): (&Expected, Ordered),
    out: &Output,
) -> Result<Got, Failure> {
    let mut got = Got { ids: Vec::new(), outage: false, ordered };
    let reports = expected.accepted + expected.held.len() + expected.filed + expected.repeats;
    let (mut read, mut accepted) = (0, 0);
    let patience = tokio::time::sleep(Duration::from_secs(50));
    tokio::pin!(patience);
    let back = tokio::time::sleep(Duration::from_secs(3600));
    tokio::pin!(back);
    while read < reports || accepted < expected.accepted {
        tokio::select! {
            message = receiver.next() => {
                if let Some(message) = message {
                    got.took(message, out)?;
                }
                if got.ids.len() == expected.accepted / 3 && !got.outage {
                    got.outage = true;
                    out.line("           -- the receiver goes away --");
                    receiver.pause().await;
                    back.as_mut().reset(tokio::time::Instant::now() + Duration::from_secs(2));
                }
            }
            () = &mut back => {
                out.line("           -- the receiver is back --");
                let _ = receiver.resume().await;
                back.as_mut().reset(tokio::time::Instant::now() + Duration::from_secs(3600));
            }
            event = watch.recv() => {
                let Ok(event) = event else { continue };
                read += usize::from(matches!(event, Event::Report { .. }));
                accepted += usize::from(matches!(event, Event::Delivery { state: "accepted", .. }));
                tell(&event, out);
            }
            () = &mut patience => break,
        }
    }
    // What is still on its way to us was accepted already.
    while got.ids.len() < accepted {
        match tokio::time::timeout(Duration::from_secs(2), receiver.next()).await {
            Ok(Some(message)) => got.took(message, out)?,
            _ => break,
        }
    }
    Ok(got)
}

impl Got {
    fn took(&mut self, message: Received, out: &Output) -> Result<(), Failure> {
        self.ordered.came(&message.body, &format!("lis      {}", message.control_id), out)?;
        self.ids.push(message.control_id);
        Ok(())
    }
}

fn tell(event: &Event, out: &Output) {
    if out.json {
        let _ = out.document(event);
        return;
    }
    let text = match event {
        Event::Report { id, analyzer, number, class, state, reason } => format!(
            "{analyzer}  number {:<6} {class:<8} report {id:<4} {state}{}",
            number.as_deref().unwrap_or("-"),
            reason.map_or(String::new(), |r| format!(": {r}"))
        ),
        Event::Missing { analyzer, number, .. } => {
            format!("{analyzer}  number {number:<6} never came")
        }
        Event::Delivery { receiver, control_id, state, attempts } => {
            format!("{receiver:<7}  {control_id} {state} after {}", super::tries(*attempts))
        }
        Event::ReceiverDown { receiver, why } => format!("{receiver:<7}  not delivered: {why}"),
        Event::ReceiverUp { receiver } => format!("{receiver:<7}  delivering again"),
        Event::LineUp { analyzer, line } => format!("{analyzer}  hears {line}"),
        _ => return,
    };
    out.line(&text);
}

fn verdict(expected: &Expected, got: &Got, sheet: &Sheet) -> Vec<String> {
    let mut faults: Vec<String> = sheet.faults.iter().map(ToString::to_string).collect();
    let mut check = |what: &str, found: usize, wanted: usize| {
        if found != wanted {
            faults.push(format!("{what}: {found}, expected {wanted}"));
        }
    };
    let items = || sheet.lines.iter().map(|l| &l.item);
    let count = |state: State| items().filter(|i| i.state == state).count();
    check("accepted", count(State::Accepted), expected.accepted);
    check("filed controls", count(State::Filed), expected.filed);
    check("repeats", count(State::Repeat), expected.repeats);
    check("missing numbers", count(State::Missing), expected.missing);
    let once: BTreeSet<&String> = got.ids.iter().collect();
    check("control ids at the receiver", once.len(), expected.accepted);
    let held: BTreeSet<(&str, &str)> = items()
        .filter(|i| i.state == State::Held)
        .map(|i| (i.analyzer.as_str(), i.reason.as_deref().unwrap_or("")))
        .collect();
    if held != expected.held {
        faults.push(format!("held: {held:?}, expected {:?}", expected.held));
    }
    let mut first_seen: Vec<&String> = Vec::new();
    for id in &got.ids {
        if !first_seen.contains(&id) {
            first_seen.push(id);
        }
    }
    if !first_seen.is_sorted() {
        faults.push("messages came out of order".into());
    }
    if got.ordered.differs || got.ordered.open != BTreeSet::from([NEVER_RUN.to_owned()]) {
        faults.push(format!("orders that nothing answered as ordered: {:?}", got.ordered.open));
    }
    if !got.outage {
        faults.push("the outage did not take place".into());
    }
    faults
}
