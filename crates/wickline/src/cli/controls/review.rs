//! `controls note` and `controls review`: what was done about a run, and the signature under a month of them.

use clap::Args;

use crate::acts::reviewing::{LevelSum, Month, Review};
use crate::cli::output::{Output, Tone, plain};
use crate::cli::person::{Why, chosen};
use crate::cli::{Answer, As, Desk, Exit, Failure, id};
use crate::clock;

/// `wickline controls note 15 --reason "vial warmed up, run again"`
#[derive(Debug, Args)]
pub struct NoteOptions {
    /// The report of the run
    id: String,
    #[command(flatten)]
    why: Why,
}

/// `wickline controls review 2026-10 --sign`
#[derive(Debug, Args)]
pub struct Options {
    /// YYYY-MM [default: the last month]
    month: Option<String>,
    /// Sign for it: it was looked at, run by run
    #[arg(long)]
    sign: bool,
    /// Why; needed where a run failed and nothing is noted of it
    #[arg(long, value_name = "TEXT", requires = "sign", value_parser = crate::cli::person::words)]
    reason: Option<String>,
}

impl Options {
    /// Whether it is signed, and not only looked at.
    pub fn signs(&self) -> bool {
        self.sign
    }
}

pub async fn note(desk: &Desk, options: NoteOptions, who: &As, out: &Output) -> Answer {
    let report = id(&options.id)?;
    let reason = desk.reason(&options.why, out)?;
    let run = desk.ledger.run_note(&desk.actor(who)?, desk.clock(), report, &reason).await?;
    if out.json {
        let run = desk.ledger.control_run(report, desk.clock()).await?;
        out.document(&run)?;
    }
    let level = run.level.as_deref().unwrap_or("-");
    out.line(&format!("run {report} of {}, level {level}: noted", run.analyzer));
    Ok(Exit::Done)
}

/// A month by its name, or the last one.
pub fn month(desk: &Desk, text: Option<&str>, ago: i64) -> Result<Month, Failure> {
    let today = desk.clock().day(clock::now_us());
    let found = match text {
        Some(text) => Month::of(text),
        None => Month::of_day(&today).and_then(|month| month.later(-ago)),
    };
    let text = text.unwrap_or(&today);
    found.ok_or_else(|| Failure::wrong(format!("`{text}` is not a month; write YYYY-MM")))
}

pub async fn review(desk: &Desk, options: Options, who: &As, out: &Output) -> Answer {
    let month = month(desk, options.month.as_deref(), 1)?;
    let reason = options.reason.as_deref().map(|r| chosen(r, &desk.bench.people)).transpose()?;
    let review = match options.sign {
        false => desk.ledger.review(desk.clock(), &month).await?,
        true => {
            let actor = desk.actor(who)?;
            desk.ledger.review_sign(&desk.bench, &actor, &month, reason.as_deref()).await?
        }
    };
    if out.json {
        out.document(&review)?;
    } else {
        show(&desk.bench.site_name, &review, out);
    }
    Ok(if review.is_signed() { Exit::Done } else { Exit::NotClean })
}

fn show(site: &str, review: &Review, out: &Output) {
    let Review { month, runs, .. } = review;
    out.line(&format!("{site}   controls of {month}: {runs} runs"));
    let row = |sum: &LevelSum| {
        vec![
            plain(&sum.analyzer),
            plain(&sum.level),
            plain(sum.passed.to_string()),
            plain(sum.failed.to_string()),
            plain(sum.no_target.to_string()),
            plain(sum.control_lots.join(", ")),
            plain(sum.strip_lots.join(", ")),
        ]
    };
    let rows: Vec<_> = review.levels.iter().map(row).collect();
    if !rows.is_empty() {
        let head =
            ["analyzer", "level", "passed", "failed", "no target", "control lots", "strip lots"];
        out.table(&head, &rows);
    }
    for run in &review.failed {
        let at: String = run.at.chars().take(16).collect();
        let level = run.level.as_deref().unwrap_or("-");
        let (id, at) = (&run.id, at.replace('T', " "));
        out.line(&format!("run {id}   {} level {level}, {at}: {}", run.analyzer, run.detail));
        for note in &run.notes {
            out.line(&format!("  {}", note.words()));
        }
        if run.notes.is_empty() {
            let text = format!("  nothing says what was done: `wickline controls note {id}`");
            out.pieces(&[(text, Tone::Bad)]);
        }
    }
    let (text, tone) = match review.words() {
        Some(words) if review.is_signed() => (words.to_string(), Tone::Good),
        Some(words) => (words.to_string(), Tone::Bad),
        None if review.running => (format!("{month} is not over yet"), Tone::Quiet),
        None if *runs == 0 => ("no control was run in it".to_owned(), Tone::Quiet),
        None => {
            let how = format!("not signed: `wickline controls review {month} --sign`");
            (how, Tone::Bad)
        }
    };
    out.pieces(&[(text, tone)]);
}
