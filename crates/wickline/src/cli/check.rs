//! `check`: everything that can be wrong before the first result, one line a finding.

pub(super) mod account;
mod backups;
mod laboratory;
mod ports;
mod print;
mod rights;

use std::path::PathBuf;

use clap::Args;
use serde_json::json;
use wickline_normalize::Role;

use self::rights::Judge;
use super::output::Output;
use super::person::chosen;
use super::{Answer, As, Exit, Failure, loaded};
use crate::daemon::ledger_work::{bench_name, or_gone};
use crate::settings::Loaded;
use crate::settings::bench::Bench;
use crate::sheet::now::tape_gone;
use crate::store::StoreError;
use crate::store::disk_room::{folder_of, free_bytes};
use crate::store::ledger::Ledger;
use crate::store::tape::Tape;
use crate::texts::say;

/// `wickline check`, `wickline check --user wickline`, `wickline check --record --as "J. Mast" --reason "new lot"`
#[derive(Debug, Args)]
pub struct Options {
    /// Leave out what needs the ledger or a receiver to be there; a serial port may lack
    #[arg(long)]
    offline: bool,
    /// Judge what may be opened as this user with its groups [default: for root the service's, else who asks]
    #[arg(long, value_name = "NAME")]
    user: Option<String>,
    /// Note in the trail, if nothing is bad, that this configuration is going to be used and why; then
    /// have the daemon read it (SIGHUP)
    #[arg(long, requires = "reason", conflicts_with = "offline")]
    record: bool,
    /// Why the configuration changes
    #[arg(long, value_name = "TEXT", requires = "record", value_parser = super::person::words)]
    reason: Option<String>,
    #[command(flatten)]
    who: As,
}

/// One finding: what was looked at, how it stands, what to do.
pub struct Finding {
    level: Level,
    about: String,
    text: String,
    /// It did not answer when it was looked for: its results wait meanwhile.
    is_of_a_receiver_away: bool,
}

#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
enum Level {
    Good,
    Note,
    /// Out of date: a person must see to it.
    Stale,
    Bad,
    /// Bad, and the store is not safe.
    Unsafe,
}

impl Level {
    fn word(self) -> &'static str {
        match self {
            Level::Good => "good",
            Level::Note => "note",
            Level::Stale | Level::Bad | Level::Unsafe => "bad",
        }
    }
}

impl Finding {
    /// For those who read it by program.
    pub fn as_json(&self) -> serde_json::Value {
        json!({"level": self.level.word(), "about": self.about, "text": self.text})
    }
}

/// Everything that is found; `offline` leaves out what needs the ledger or a receiver to be there.
pub async fn findings(
    loaded: &Loaded,
    bench: &Bench,
    user: Option<&str>,
    offline: bool,
) -> Result<Vec<Finding>, Failure> {
    let file = loaded.file.display().to_string();
    let mut found =
        vec![finding(Level::Good, "configuration", format!("{file}: read, every key known"))];
    for note in bench.notes.iter().chain(&bench.idle(loaded)) {
        found.push(finding(Level::Note, "strips", note.clone()));
    }
    let told = bench.cautions.iter().map(|c| finding(Level::Note, &c.about, &c.text));
    found.extend(told);
    print::fits(loaded, bench, &mut found);
    let judge = Judge::of(user)?;
    judge.files(loaded, bench, &mut found);
    stores(bench, &mut found);
    judge.lines(bench, offline, &mut found);
    if !offline {
        ports::ports(bench, &mut found);
    }
    unheard(bench, &mut found);
    trials(loaded, &mut found);
    laboratory::rules(bench, &mut found);
    if !offline {
        reach(bench, &mut found).await;
    }
    Ok(found)
}

pub async fn check(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let loaded = loaded(config)?;
    let bench = Bench::build(&loaded).map_err(super::faults)?;
    let mut found = findings(&loaded, &bench, options.user.as_deref(), options.offline).await?;
    let clean = found.iter().all(|f| f.level < Level::Bad);
    if options.record && clean {
        let reason = chosen(options.reason.as_deref().unwrap_or_default(), &bench.people)?;
        found.push(announce(&bench, &options.who, &reason).await?);
    }
    show(&found, out)?;
    if options.record && !clean {
        return Err(Failure::unreachable(
            "nothing was recorded: mend what is bad, then check again",
        ));
    }
    Ok(ends(&found))
}

/// How a command ends that found this.
pub fn ends(found: &[Finding]) -> Exit {
    match found.iter().map(|f| f.level).max() {
        Some(Level::Unsafe) => Exit::Unsafe,
        Some(Level::Bad) => Exit::Unreachable,
        Some(Level::Stale) => Exit::NotClean,
        _ => Exit::Done,
    }
}

/// Whether a daemon that starts by this configuration works: a receiver that is away is waited for, and what is out of
/// date is told by the daemon as well.
pub fn can_start(found: &[Finding]) -> bool {
    found.iter().all(|f| f.level < Level::Bad || f.is_of_a_receiver_away)
}

/// Notes who changes the configuration, and why, before the daemon reads it.
async fn announce(bench: &Bench, who: &As, reason: &str) -> Result<Finding, Failure> {
    let tape = Tape::look(&bench.tape).await.map_err(|error| {
        Failure::unreachable(format!(
            "{error}; a bench is known by its tape, which the daemon makes: it notes the first \
             configuration by itself"
        ))
    })?;
    let ledger = Ledger::existing(bench.ledger.clone()).await?;
    let (actor, name) = (who.actor(&bench.people)?, bench_name(&tape.id));
    let told = ledger.configuration_announce(&actor, &name, &bench.effective, reason).await?;
    let print = &bench.effective.fingerprint[..16];
    Ok(match told {
        Ok(()) => finding(
            Level::Good,
            "trail",
            format!("configuration {print} recorded by {}; have the daemon read it", actor.name),
        ),
        Err(why) => finding(Level::Note, "trail", format!("nothing to record: {why} ({print})")),
    })
}

fn finding(level: Level, about: impl Into<String>, text: impl Into<String>) -> Finding {
    Finding { level, about: about.into(), text: text.into(), is_of_a_receiver_away: false }
}

fn stores(bench: &Bench, found: &mut Vec<Finding>) {
    let folder = folder_of(&bench.tape);
    let shown = folder.display();
    match free_bytes(folder) {
        Err(error) => {
            let text = format!("{shown}: {error}; make the folder and give it to the service user");
            found.push(finding(Level::Bad, "store.tape", text));
        }
        Ok(free) if free < 4 * (bench.low_water + bench.ballast) => {
            let text = format!(
                "{shown}: {} MiB free; intake stops below {} MiB",
                free >> 20,
                bench.low_water >> 20
            );
            found.push(finding(Level::Note, "store.tape", text));
        }
        Ok(free) => {
            found.push(finding(
                Level::Good,
                "store.tape",
                format!("{shown}: {} MiB free", free >> 20),
            ));
        }
    }
}

fn unheard(bench: &Bench, found: &mut Vec<Finding>) {
    for analyzer in &bench.analyzers {
        if bench.targets_of(&analyzer.id, Role::Patient).next().is_none() {
            let text = "no receiver takes its results: they will wait for ever";
            found.push(finding(Level::Note, format!("analyzer {}", analyzer.id), text));
        }
    }
}

/// What was right while a receiver was tried, and is forgotten easily.
fn trials(loaded: &Loaded, found: &mut Vec<Finding>) {
    for receiver in &loaded.settings.receiver {
        let about = format!("receiver {}", receiver.id);
        if receiver.processing != "P" {
            let text = format!(
                "processing = \"{}\": each result says that it is none in production, and may be filed nowhere",
                receiver.processing
            );
            found.push(finding(Level::Note, &about, text));
        }
        if receiver.test_system {
            let text =
                "test_system = true: nobody is asked before `prove` sends final results to it";
            found.push(finding(Level::Note, &about, text));
        }
    }
}

async fn ledger(bench: &Bench, found: &mut Vec<Finding>) -> Result<(), StoreError> {
    let ledger = or_gone(bench, Ledger::look(bench.ledger.clone()).await).await?;
    found.push(finding(Level::Good, "store.ledger", format!("{}: opened", ledger.label())));
    if let Some(gone) = tape_gone(bench, &ledger.daemons().await?) {
        // Said in place of the note that the first start makes one.
        found.retain(|f| f.about != "store.tape" || f.level != Level::Note);
        found.push(finding(Level::Bad, "store.tape", format!("{gone}: {}", say!("do.tape_gone"))));
    }
    laboratory::strips(bench, &ledger, found).await?;
    laboratory::instruments(bench, &ledger, found).await?;
    backups::backups(bench, &ledger, found).await?;
    ledger.close().await
}

async fn tape(bench: &Bench, found: &mut Vec<Finding>) -> Result<(), StoreError> {
    let tape = Tape::look(&bench.tape).await?;
    let text = format!("{}: opened", bench.tape.display());
    found.push(finding(Level::Good, "store.tape", text));
    tape.db().close().await
}

/// A store that could not be opened.
fn closed(about: &str, error: &StoreError) -> Finding {
    let level = match error {
        // `check` comes before the first start.
        StoreError::Absent { .. } => Level::Note,
        other if Failure::exit_of(other) == Exit::Unsafe => Level::Unsafe,
        _ => Level::Bad,
    };
    finding(level, about, error.to_string())
}

async fn reach(bench: &Bench, found: &mut Vec<Finding>) {
    if let Err(error) = tape(bench, found).await {
        found.push(closed("store.tape", &error));
    }
    if let Err(error) = ledger(bench, found).await {
        found.push(closed("store.ledger", &error));
    }
    for target in &bench.targets {
        let about = format!("receiver {}", target.id);
        for address in &target.addresses {
            match address.probe(&target.limits).await {
                Ok(text) => found.push(finding(Level::Good, &about, text)),
                Err(error) => {
                    let away = finding(Level::Bad, &about, error);
                    found.push(Finding { is_of_a_receiver_away: true, ..away });
                }
            }
        }
    }
}

fn show(found: &[Finding], out: &Output) -> std::io::Result<()> {
    if out.json {
        let items: Vec<_> = found.iter().map(Finding::as_json).collect();
        return out.document(&json!({ "items": items }));
    }
    tell(found, out);
    Ok(())
}

/// One line a finding, for people.
pub fn tell(found: &[Finding], out: &Output) {
    for f in found {
        out.line(&format!("{:<5} {}: {}", f.level.word(), f.about, f.text));
    }
}
