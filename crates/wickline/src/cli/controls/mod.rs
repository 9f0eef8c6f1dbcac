//! `controls`: runs of control material, what they let patients' reports do, charts, strip lots, notes, reviews.

mod board;
mod charts;
mod lot;
mod paper;
mod positivity;
mod review;

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};

use super::output::Output;
use super::{Answer, As, Desk, Exit, Failure, configured, id};
use crate::acts::control_views::ControlStanding;
use crate::clock;
use crate::settings::bench::Analyzer;
use crate::store::lists::runs::{AskedRuns, RunView};
use crate::views::controls::{Period, document};

/// `wickline controls`, `wickline controls --analyzer bench-1 --from 2026-03-01 --csv controls.csv`
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Options {
    #[command(subcommand)]
    act: Option<Act>,
    #[command(flatten)]
    which: Which,
    /// Every reading of these runs, one a line, as CSV
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
    #[command(flatten)]
    who: As,
}

/// Which runs.
#[derive(Clone, Debug, Default, Args)]
struct Which {
    /// Of one analyzer
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// Of one level
    #[arg(long, value_name = "LEVEL")]
    level: Option<String>,
    /// From this local day on, YYYY-MM-DD [default: 7 days, today the last]
    #[arg(long, value_name = "DAY")]
    from: Option<String>,
    /// To this local day, YYYY-MM-DD [default: today]
    #[arg(long, value_name = "DAY")]
    to: Option<String>,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// One run, reading by reading
    Show { id: String },
    /// What was read over time against what is allowed, as SVG
    Chart(charts::Options),
    /// The strip lots of an analyzer, or the one that is in use from now on
    Lot(lot::Options),
    /// Note what was done about a run: `controls note 15 --reason "vial warmed up, run again"`
    Note(review::NoteOptions),
    /// The runs of a month, as they are looked at and signed for
    Review(review::Options),
    /// How many of a month's strips were positive, by analyte, beside the months before: is there a shift?
    Positivity(positivity::Options),
}

impl Act {
    /// Whether it changes nothing.
    fn asks(&self) -> bool {
        match self {
            Act::Show { .. } | Act::Chart(_) | Act::Positivity(_) => true,
            Act::Lot(lot) => !lot.enters(),
            Act::Note(_) => false,
            Act::Review(review) => !review.signs(),
        }
    }
}

impl Which {
    fn period(&self, desk: &Desk) -> Result<Period, Failure> {
        let (from, to) = (self.from.as_deref(), self.to.as_deref());
        Period::of(desk.clock(), from, to).map_err(Failure::wrong)
    }

    /// The runs asked for, and the analyzers they may be of.
    async fn runs(&self, desk: &Desk) -> Result<(Period, Vec<RunView>), Failure> {
        if let Some(id) = &self.analyzer {
            configured(desk, id)?;
        }
        let period = self.period(desk)?;
        let asked = AskedRuns {
            analyzer: self.analyzer.clone(),
            level: self.level.clone(),
            from: period.from,
            to: period.to,
        };
        let runs = desk.ledger.control_runs(&asked, desk.clock()).await?;
        Ok((period, runs))
    }
}

pub async fn controls(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let asks = options.act.as_ref().is_none_or(Act::asks);
    let work = async |desk: &Desk| match options.act {
        Some(Act::Show { id }) => show(desk, &id, out).await,
        Some(Act::Chart(options)) => charts::charts(desk, options, out).await,
        Some(Act::Lot(lot)) => lot::lot(desk, lot, &options.who, out).await,
        Some(Act::Note(note)) => review::note(desk, note, &options.who, out).await,
        Some(Act::Review(month)) => review::review(desk, month, &options.who, out).await,
        Some(Act::Positivity(month)) => positivity::positivity(desk, month, out).await,
        None => list(desk, &options.which, options.csv.as_deref(), out).await,
    };
    Desk::with(config, asks, work).await
}

async fn list(desk: &Desk, which: &Which, csv: Option<&Path>, out: &Output) -> Answer {
    let (period, runs) = which.runs(desk).await?;
    let mut stands = Vec::new();
    let wanted = |a: &Analyzer| which.analyzer.as_ref().is_none_or(|id| *id == a.id);
    for analyzer in desk.bench.analyzers.iter().filter(|a| wanted(a)) {
        let now = clock::now_us();
        stands.extend(desk.ledger.control_standing(&desk.bench, analyzer, now).await?);
    }
    if let Some(path) = csv {
        super::file::write(path, &paper::csv(&runs))?;
    }
    if out.json {
        out.document(&document(&desk.bench, &period, &stands, &runs))?;
    } else {
        board::show(desk, &period, &stands, &runs, out);
    }
    Ok(if stands.iter().all(is_clean) { Exit::Done } else { Exit::NotClean })
}

/// Whether nobody has to do anything about it.
fn is_clean(stands: &ControlStanding) -> bool {
    matches!(stands.overall.state, "passed" | "no-plan") && !stands.strip_expired
}

async fn show(desk: &Desk, text: &str, out: &Output) -> Answer {
    let Some(run) = desk.ledger.control_run(id(text)?, desk.clock()).await? else {
        let why =
            format!("report {text} is no run of control material; `wickline controls` lists them");
        return Err(Failure::wrong(why));
    };
    if out.json {
        out.document(&run)?;
    } else {
        board::show_run(&run, out);
    }
    Ok(if run.verdict == "passed" { Exit::Done } else { Exit::NotClean })
}
