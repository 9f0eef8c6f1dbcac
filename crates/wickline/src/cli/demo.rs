//! `demo`: the whole way with nothing configured, and what it must come to.

mod shown;

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use tokio::sync::oneshot;
use wickline_forward::receive::Receiver;
use wickline_normalize::strip::Strip;

use super::output::{Output, Tone};
use super::{Answer, Exit, Failure, faults};
use crate::clock;
use crate::pipeline::event::{Event, Events};
use crate::settings;
use crate::settings::bench::Bench;
use crate::sheet::Sheet;
use crate::simulate::analyzer::{SimulatedAnalyzer, Style};
use crate::simulate::port::SimPort;
use crate::simulate::script::{Class, Dice, Fault, Run, Script, dice_rungs};
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
    let bench = bench(&folder, &ports, &receiver.address().to_string())?;
    introduce(out, &folder, reports);
    let events = Events::default();
    let mut watch = events.watch();
    let bench = std::sync::Arc::new(bench);
    let (daemon, _console) = super::run::started(bench.clone(), &events).await?;
    let Some(ledger) = daemon.ledger.clone() else {
        return Err(Failure::unreachable("the ledger could not be opened"));
    };
    let (stop, stopped) = oneshot::channel::<()>();
    let running = tokio::spawn(daemon.until_stopped(async {
        let _ = stopped.await;
    }));
    let analyzers = tokio::spawn(run_both(ports, first, second));
    let got = follow(&mut receiver, &mut watch, &expected, out).await;
    analyzers.await.map_err(|e| Failure::unreachable(e.to_string()))??;
    let _ = stop.send(());
    running.await.map_err(|e| Failure::unreachable(e.to_string()))??;
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
    Ok(if faults.is_empty() { Exit::Done } else { Exit::NotClean })
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

fn bench(folder: &Path, ports: &(SimPort, SimPort), receiver: &str) -> Result<Bench, Failure> {
    let path = |port: &SimPort| match port {
        SimPort::Pty { path, .. } => path.clone(),
        _ => String::new(),
    };
    let text = format!(
        "[site]\nname = \"Kestrel Point Clinic\"\nshort = \"KESTRELPOINT\"\ntimezone = \"Europe/Lisbon\"\n\n\
         [store]\ntape = \"tape.db\"\nledger = \"sqlite:ledger.db\"\nlow_water_mib = 8\nballast_mib = 0\n\n\
         [reference]\nGLU = \"NEG\"\nPRO = \"TR\"\nPH = \"5.0-8.0\"\nSG = \"1.003-1.030\"\n\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"serial:{}\"\ndialect = \"lis02\"\nstrip = \"ten-pad\"\n\
         control_specimens = [\"QC-L1=1\", \"QC-L2=2\"]\n\n\
         [[analyzer]]\nid = \"bench-2\"\nline = \"serial:{}\"\ndialect = \"two-column\"\nstrip = \"eleven-pad\"\n\
         control_marks = [\"Q1=1\", \"Q2=2\"]\ncontrol_specimens = [\"QC-L1=1\", \"QC-L2=2\"]\n\n\
         [[receiver]]\nid = \"lis\"\naddress = \"mllp://{receiver}\"\nfacility = \"KESTREL\"\nunits = \"si\"\n\
         ack_timeout = 5\nretry_first = 1\nretry_max = 2\n",
        path(&ports.0),
        path(&ports.1),
    );
    let file = folder.join("wickline.toml");
    std::fs::write(&file, &text)?;
    let loaded = settings::from_text(&file, text).map_err(faults)?;
    Bench::build(&loaded).map_err(faults)
}

/// Both days' work: patients, controls, and one of each thing that goes wrong.
fn scripts(reports: usize) -> (Script, Script) {
    let mut dice = Dice::new(2026);
    let ten = pads("ten-pad");
    let eleven = pads("eleven-pad");
    let mut patient = |number: String, pads: &[(String, usize)], specimen: usize| Run {
        number,
        specimen: format!("KP-{specimen:05}"),
        rungs: dice_rungs(&mut dice, pads),
        ..Run::default()
    };
    let control = |number: &str, level: &str, raised: usize, pads: &[(String, usize)]| Run {
        number: number.into(),
        specimen: format!("QC-L{level}"),
        class: Class::Control,
        rungs: pads.iter().map(|(id, rungs)| (id.clone(), raised.min(rungs - 1))).collect(),
        ..Run::default()
    };
    let half = reports / 2;
    let mut first = vec![control("1", "1", 0, &ten), control("2", "2", 2, &ten)];
    for n in 3..=half {
        let mut run = patient(n.to_string(), &ten, 20_400 + n);
        match n {
            5 => run.fault = Fault::BadChecksum,
            6 => run.specimen.clear(),
            8 => run.class = Class::Stat,
            9 => run.fault = Fault::SentTwice,
            _ => {}
        }
        first.push(run);
    }
    let mut second = vec![control("Q1001", "1", 0, &eleven), control("Q2001", "2", 2, &eleven)];
    // Number 5 is run and never sent: the gap.
    for n in (1..=reports - half - 1).filter(|n| *n != 5) {
        let mut run = patient(format!("{n:03}"), &eleven, 31_700 + n);
        if n == 7 {
            run.fault = Fault::WrongUnit;
            run.rungs.insert("GLU".into(), 2);
        }
        second.push(run);
    }
    (Script { sender: "SIM-1".into(), run: first }, Script { sender: "SIM-2".into(), run: second })
}

fn pads(strip: &str) -> Vec<(String, usize)> {
    Strip::builtin(strip).map_or(Vec::new(), |strip| {
        strip.pads.iter().filter(|p| !p.optional).map(|p| (p.id.clone(), p.rungs.len())).collect()
    })
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

async fn run_both(ports: (SimPort, SimPort), first: Script, second: Script) -> std::io::Result<()> {
    let zone = || clock::SiteClock::new("Europe/Lisbon").map_err(std::io::Error::other);
    let strip = |name| Strip::builtin(name).ok_or_else(|| std::io::Error::other("no such strip"));
    let mut one = SimulatedAnalyzer::new(ports.0, Style::Lis02, strip("ten-pad")?, zone()?);
    let mut two = SimulatedAnalyzer::new(ports.1, Style::TwoColumn, strip("eleven-pad")?, zone()?);
    one.pause = Duration::from_millis(150);
    two.pause = Duration::from_millis(150);
    tokio::try_join!(one.run(&first, |_, _| ()), two.run(&second, |_, _| ()))?;
    Ok(())
}

/// What the practice receiver got, in order.
#[derive(Default)]
struct Got {
    ids: Vec<String>,
    outage: bool,
}

/// Shows what happens until every expected message was accepted; takes the receiver away in the middle.
async fn follow(
    receiver: &mut Receiver,
    watch: &mut tokio::sync::broadcast::Receiver<Event>,
    expected: &Expected,
    out: &Output,
) -> Got {
    let mut got = Got::default();
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
                    got.ids.push(message.control_id);
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
            Ok(Some(message)) => got.ids.push(message.control_id),
            _ => break,
        }
    }
    got
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
    let mut faults = sheet.faults.clone();
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
    if !got.outage {
        faults.push("the outage did not take place".into());
    }
    faults
}
