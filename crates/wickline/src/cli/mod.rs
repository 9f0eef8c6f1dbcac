//! The command line: what can be said, and how it ends.

mod alarm;
mod analyzer;
mod backup;
mod bundle;
mod care;
mod check;
mod controls;
mod day;
mod demo;
mod explain;
mod export;
mod file;
mod find;
mod held;
mod journal;
mod ledger;
mod listen;
mod ordered;
mod orders;
mod output;
mod person;
mod prove;
mod purge;
mod queue;
mod receive;
mod replay;
mod report;
mod restore;
mod run;
mod setup;
mod simulate;
mod sketch;
mod status;
mod trail;
mod undo;
mod user;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use clap::{Parser, Subcommand};

use self::output::Output;
use self::person::{As, Why};
use crate::backup::statement::STATEMENT;
use crate::clock::SiteClock;
use crate::daemon::ledger_work::or_gone;
use crate::settings::bench::{Analyzer, Bench};
use crate::settings::{self, Loaded};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::trail::Actor;
use crate::texts::say;

/// Carries urine-strip results from an analyzer's serial line into the laboratory information system.
///
/// A carrier, not a medical device: verify each mapping in your own laboratory before use; local
/// rules and licensed staff decide. Try `wickline demo` first: it needs no configuration.
#[derive(Debug, Parser)]
#[command(version, max_term_width = 100)]
struct Line {
    /// Configuration file [default: $WICKLINE_CONFIG, ./wickline.toml, /etc/wickline/wickline.toml]
    #[arg(long, global = true, value_name = "FILE")]
    config: Option<PathBuf>,
    /// Print one JSON document (or one event a line) on standard output, and nothing else there
    #[arg(long, global = true)]
    json: bool,
    #[command(subcommand)]
    command: Command,
}

/// The command line as it is, for manual pages and completions.
#[must_use]
pub fn command() -> clap::Command {
    <Line as clap::CommandFactory>::command()
}

#[derive(Debug, Subcommand)]
enum Command {
    /// The daemon, in the foreground: hears, reads, delivers until SIGTERM or SIGINT
    Run,
    /// The whole way with nothing configured: simulated analyzers, a practice receiver, an outage
    Demo(demo::Options),
    /// Asks, listens, writes a commented configuration, checks it, tries one test message, starts the service
    Setup(Box<setup::Options>),
    /// Checks configuration, dialects, strips, files and ports; one line a finding
    Check(check::Options),
    /// Shows what arrives on a line, control characters by their names; answers nothing
    Listen(listen::Options),
    /// Shows each report of a capture: print, reading, OBX; sends and stores nothing
    Explain(explain::Options),
    /// Drafts a dialect and a strip from captures, a question at every guess; sends and stores nothing
    Sketch(sketch::Options),
    /// The whole matrix of a strip through the real way, as a table to sign
    Prove(prove::Options),
    /// Is anything wrong now? Lines, controls, receivers, what is open of all days, stores, clocks
    Status(status::Options),
    /// Sends a test to each place that is told when something needs a person, and says whether it arrived
    Alarm(alarm::Options),
    /// Every report of a specimen id, number, control id or OBR-3; or of a strip lot, a failed run, a mapping
    Find(find::Options),
    /// Everything kept of one specimen, as a page and as JSON, for whoever is entitled to it
    Export(export::Options),
    /// What is not yet accepted, in the order of sending, and why
    Queue(queue::Options),
    /// Reports that need a person
    Held(held::Options),
    /// What the LIS waits for: orders, urgent first; one of them; whose is right where two claim a specimen
    Orders(orders::Options),
    /// Corrects or withdraws a report that went out
    Report(report::Options),
    /// Takes back what a person decided: a set-aside, a hold, an identification of which nothing was sent
    Undo(undo::Options),
    /// The day sheet: every number, its place on the way, what is outstanding
    Day(day::Options),
    /// Another instrument stands at an analyzer: service took the one before
    Analyzer(analyzer::Options),
    /// Control material: how analyzers stand, every run, charts, strip lots
    Controls(controls::Options),
    /// The care log: what is due of cleaning, canisters and vials; signed for, struck through
    Care(care::Options),
    /// Reads old tape again with today's dialects and strips and shows every difference; sends nothing
    Replay(replay::Options),
    /// Who did what, when and why; `trail verify` finds any alteration
    Trail(trail::Options),
    /// What the laboratory need not keep any longer, gone from ledger and tape; shows it first
    Purge(purge::Options),
    /// Moves the ledger from a file to a server
    Ledger(ledger::Options),
    /// Copies both stores beside the work, with a statement of what is in the copies
    Backup(backup::Options),
    /// Puts a backup back while the daemon is stopped; what stands there is moved aside
    Restore(restore::Options),
    /// What support needs to know, in one readable text without patients and people
    Bundle(bundle::Options),
    /// An analyzer on a pseudo-terminal or a port
    Simulate(simulate::Options),
    /// A practice receiver with scripted answers
    Receive(receive::Options),
    /// Who may use the console in a browser: lets people in and out
    User(user::Options),
}

/// How a command ended, as an exit code.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Exit {
    Done = 0,
    /// Done, but something needs a person.
    NotClean = 1,
    /// The command line or the configuration is wrong.
    Wrong = 2,
    /// Something needed could not be reached or opened.
    Unreachable = 3,
    /// The store is not safe.
    Unsafe = 4,
}

/// Why a command could not do its work.
#[derive(Debug)]
pub struct Failure {
    pub exit: Exit,
    pub text: String,
}

impl Failure {
    fn wrong(text: impl Into<String>) -> Self {
        Self { exit: Exit::Wrong, text: text.into() }
    }

    fn unreachable(text: impl Into<String>) -> Self {
        Self { exit: Exit::Unreachable, text: text.into() }
    }

    /// How a command ends that a store failed.
    fn exit_of(error: &StoreError) -> Exit {
        match error {
            StoreError::Refused { .. } => Exit::Wrong,
            StoreError::Absent { .. }
            | StoreError::Gone { .. }
            | StoreError::Open { .. }
            | StoreError::Full { .. }
            | StoreError::Denied { .. }
            | StoreError::Busy { .. } => Exit::Unreachable,
            StoreError::Newer { .. }
            | StoreError::Older { .. }
            | StoreError::Unsafe { .. }
            | StoreError::Damaged { .. }
            | StoreError::Broken { .. }
            | StoreError::Undecodable { .. }
            | StoreError::Tripped(_)
            | StoreError::Wrong { .. } => Exit::Unsafe,
        }
    }
}

impl From<StoreError> for Failure {
    fn from(error: StoreError) -> Self {
        let mut text = error.to_string();
        // A copy that is damaged is another matter: it has its statement beside it.
        if let StoreError::Damaged { what, .. } = &error
            && !Path::new(what).with_file_name(STATEMENT).exists()
        {
            text.push_str(&format!("; {}", say!("do.restore")));
        }
        Self { exit: Self::exit_of(&error), text }
    }
}

impl From<std::io::Error> for Failure {
    fn from(error: std::io::Error) -> Self {
        Self::unreachable(error.to_string())
    }
}

type Answer = Result<Exit, Failure>;

/// Told by `check` and at a start.
const AS_ROOT: &str = "it runs as root: whoever found a fault in it would have the whole machine. Give it a user of \
     its own, as the unit does";

/// Whether a command line is one, for the tests of the documents.
pub fn parses(words: &[&str]) -> Result<(), String> {
    Line::try_parse_from(words).map(drop).map_err(|e| e.to_string())
}

/// Reads the command line, does what it says, and ends with the right code.
pub fn main() -> ExitCode {
    let line = match Line::try_parse() {
        Ok(line) => line,
        Err(error) => {
            let _ = error.print();
            return ExitCode::from(if error.use_stderr() { Exit::Wrong as u8 } else { 0 });
        }
    };
    // Files that a command makes are for their owner only, and what it has in memory is nobody's file at all: a core
    // dump would hold ids of patients.
    rustix::process::umask(rustix::fs::Mode::from_raw_mode(0o077));
    if !settings::bench::asks_for_core_dumps() {
        let none = rustix::process::DumpableBehavior::NotDumpable;
        // Where the kernel has no such thing, the unit's LimitCORE=0 is left.
        let _ = rustix::process::set_dumpable_behavior(none);
    }
    let runtime = match tokio::runtime::Builder::new_current_thread().enable_all().build() {
        Ok(runtime) => runtime,
        Err(error) => {
            eprintln!("wickline: cannot start: {error}");
            return ExitCode::from(Exit::Unreachable as u8);
        }
    };
    let out = Output::new(line.json);
    let answer = runtime.block_on(obey(line, &out));
    // A port that will not close must not keep the program.
    runtime.shutdown_timeout(std::time::Duration::from_millis(500));
    match answer {
        Ok(exit) => ExitCode::from(exit as u8),
        Err(failure) => {
            journal::complain(&format!("wickline: {}", output::visible_lines(&failure.text)));
            ExitCode::from(failure.exit as u8)
        }
    }
}

/// `1 try`, `2 tries`
fn tries(count: i64) -> String {
    format!("{count} {}", if count == 1 { "try" } else { "tries" })
}

async fn obey(line: Line, out: &Output) -> Answer {
    let config = line.config;
    match line.command {
        Command::Run => run::run(config, out).await,
        Command::Demo(options) => demo::demo(options, out).await,
        Command::Setup(options) => setup::setup(config, *options, out).await,
        Command::Check(options) => check::check(config, options, out).await,
        Command::Explain(options) => explain::explain(config, options, out).await,
        Command::Listen(options) => listen::listen(options, out).await,
        Command::Sketch(options) => sketch::run(options, out).await,
        Command::Prove(options) => prove::prove(config, options, out).await,
        Command::Status(options) => status::status(config, options, out).await,
        Command::Alarm(options) => alarm::alarm(config, options, out).await,
        Command::Find(options) => find::find(config, options, out).await,
        Command::Export(options) => export::export(config, options, out).await,
        Command::Queue(options) => queue::queue(config, options, out).await,
        Command::Held(options) => held::held(config, options, out).await,
        Command::Orders(options) => orders::orders(config, options, out).await,
        Command::Report(options) => report::report(config, options, out).await,
        Command::Undo(options) => undo::undo(config, options, out).await,
        Command::Day(options) => day::day(config, options, out).await,
        Command::Analyzer(options) => analyzer::analyzer(config, options, out).await,
        Command::Controls(options) => controls::controls(config, options, out).await,
        Command::Care(options) => care::care(config, options, out).await,
        Command::Replay(options) => replay::replay(config, options, out).await,
        Command::Trail(options) => trail::trail(config, options, out).await,
        Command::Purge(options) => purge::purge(config, options, out).await,
        Command::Ledger(options) => ledger::ledger(config, options, out).await,
        Command::Backup(options) => backup::backup(config, options, out).await,
        Command::Restore(options) => restore::restore(config, options, out).await,
        Command::Bundle(options) => bundle::bundle(config, options, out).await,
        Command::Simulate(options) => simulate::simulate(options, out).await,
        Command::Receive(options) => receive::receive(options, out).await,
        Command::User(options) => user::user(config, options, out).await,
    }
}

/// The configuration, read, or every fault it has.
fn loaded(config: Option<PathBuf>) -> Result<Loaded, Failure> {
    let file = settings::find(config.as_deref()).map_err(Failure::wrong)?;
    settings::load(&file).map_err(faults)
}

fn faults(faults: Vec<settings::reader::Fault>) -> Failure {
    let lines: Vec<String> = faults.iter().map(ToString::to_string).collect();
    Failure::wrong(format!("the configuration is wrong:\n{}", lines.join("\n")))
}

/// The configuration as the benches and receivers it describes.
fn bench(config: Option<PathBuf>) -> Result<Bench, Failure> {
    Bench::build(&loaded(config)?).map_err(faults)
}

/// The stores alone, by a file that is wrong. None: not even they can be read from it.
fn stores_bench(config: Option<PathBuf>) -> Option<Bench> {
    let file = settings::find(config.as_deref()).ok()?;
    settings::stores_alone(&file).and_then(|loaded| Bench::build(&loaded).ok())
}

/// What a command works at: the configuration and the ledger.
struct Desk {
    bench: Bench,
    ledger: Ledger,
}

impl Desk {
    /// For an act: it writes rows. A ledger is made and brought up to date by the daemon, which compares it with
    /// the tape: one that was lost is no empty one.
    async fn open(config: Option<PathBuf>) -> Result<Self, Failure> {
        let bench = bench(config)?;
        let ledger = or_gone(&bench, Ledger::existing(bench.ledger.clone()).await).await?;
        Ok(Self { bench, ledger })
    }

    /// For a command that asks or acts. To ask makes and changes nothing, and waits for no daemon that
    /// writes; what reading put beside a file is gone when it is closed.
    async fn with(
        config: Option<PathBuf>,
        asks: bool,
        work: impl AsyncFnOnce(&Desk) -> Answer,
    ) -> Answer {
        if !asks {
            return work(&Self::open(config).await?).await;
        }
        let bench = bench(config)?;
        let ledger = or_gone(&bench, Ledger::look(bench.ledger.clone()).await).await?;
        let desk = Self { bench, ledger };
        let answer = work(&desk).await;
        desk.ledger.close().await?;
        answer
    }

    fn clock(&self) -> &SiteClock {
        &self.bench.clock
    }

    /// Who acts, as the laboratory wants it recorded.
    fn actor(&self, who: &As) -> Result<Actor, Failure> {
        who.actor(&self.bench.people)
    }

    /// Why: as given, or asked at the terminal.
    fn reason(&self, why: &Why, out: &Output) -> Result<String, Failure> {
        why.reason(&self.bench.people, out)
    }
}

/// An analyzer by its id.
fn configured<'a>(desk: &'a Desk, id: &str) -> Result<&'a Analyzer, Failure> {
    let known: Vec<&str> = desk.bench.analyzers.iter().map(|a| a.id.as_str()).collect();
    desk.bench.analyzer(id).map(AsRef::as_ref).ok_or_else(|| {
        let known = known.join(", ");
        Failure::wrong(format!("there is no analyzer {id}; the configuration has {known}"))
    })
}

/// An id as people type it.
fn id(text: &str) -> Result<i64, Failure> {
    text.trim_start_matches('#').parse().ok().filter(|n| *n > 0).ok_or_else(|| {
        Failure::wrong(format!("`{text}` is not an id; ids are whole numbers, as listed"))
    })
}
