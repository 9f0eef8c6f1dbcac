//! `care`: the care log of the analyzers, signed for and struck through.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;

use super::output::{Output, Tone, plain};
use super::person::chosen;
use super::{Answer, As, Desk, Exit, Failure, Why, configured, id};
use crate::acts::caring::{CareEntry, CareStand, Signing};
use crate::acts::reviewing::Month;
use crate::settings::bench::Analyzer;

/// `wickline care`, `wickline care --month 2026-11`
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct Options {
    #[command(subcommand)]
    act: Option<Act>,
    /// Of one analyzer
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// The entries of a month instead, YYYY-MM
    #[arg(long, value_name = "MONTH")]
    month: Option<String>,
    #[command(flatten)]
    who: As,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Sign that it was done: `care sign "Platform and tray cleaned"`
    Sign(SignOptions),
    /// Strike an entry through: it stays, and counts no more
    Strike {
        /// The number of the entry
        n: String,
        #[command(flatten)]
        why: Why,
    },
}

#[derive(Debug, Args)]
struct SignOptions {
    /// Its name, as [[care]] has it
    #[arg(value_name = "NAME")]
    what: String,
    /// The analyzer, where there are several
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// The day on which it was done, YYYY-MM-DD [default: today]
    #[arg(long, value_name = "DAY")]
    day: Option<String>,
    /// The lot that was opened
    #[arg(long, value_name = "LOT")]
    lot: Option<String>,
    /// The last day on which what was opened may be used
    #[arg(long, value_name = "DAY")]
    use_until: Option<String>,
    /// The strip type of a canister, where the analyzer has several
    #[arg(long, value_name = "ID")]
    strip: Option<String>,
    /// Why; needed for an earlier day
    #[arg(long, value_name = "TEXT", value_parser = super::person::words)]
    reason: Option<String>,
}

pub async fn care(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let asks = options.act.is_none();
    let work = async |desk: &Desk| match options.act {
        None => list(desk, options.analyzer.as_deref(), options.month.as_deref(), out).await,
        Some(Act::Sign(what)) => sign(desk, &what, &options.who, out).await,
        Some(Act::Strike { n, why }) => {
            let (n, reason) = (id(&n)?, desk.reason(&why, out)?);
            let actor = desk.actor(&options.who)?;
            let entry = desk.ledger.care_strike(&desk.bench, &actor, n, &reason).await?;
            told(&entry, out)?;
            Ok(Exit::Done)
        }
    };
    Desk::with(config, asks, work).await
}

fn told(entry: &CareEntry, out: &Output) -> std::io::Result<()> {
    if out.json {
        return out.document(entry);
    }
    out.line(&format!("{} on {}: {}", entry.n, entry.day, entry.words()));
    Ok(())
}

async fn sign(desk: &Desk, what: &SignOptions, who: &As, out: &Output) -> Answer {
    let analyzer: &Analyzer = match (&what.analyzer, desk.bench.analyzers.as_slice()) {
        (Some(id), _) => configured(desk, id)?,
        (None, [only]) => only,
        (None, all) => {
            let known: Vec<&str> = all.iter().map(|a| a.id.as_str()).collect();
            let why = format!("say which analyzer with --analyzer: {}", known.join(", "));
            return Err(Failure::wrong(why));
        }
    };
    let reason = what.reason.as_deref().map(|r| chosen(r, &desk.bench.people)).transpose()?;
    let signing = Signing {
        name: &what.what,
        day: what.day.as_deref(),
        lot: what.lot.as_deref(),
        use_until: what.use_until.as_deref(),
        strip: what.strip.as_deref(),
        reason: reason.as_deref(),
    };
    let actor = desk.actor(who)?;
    let entry = desk.ledger.care_sign(&desk.bench, &actor, analyzer, &signing).await?;
    told(&entry, out)?;
    Ok(Exit::Done)
}

async fn list(desk: &Desk, analyzer: Option<&str>, month: Option<&str>, out: &Output) -> Answer {
    if let Some(id) = analyzer {
        configured(desk, id)?;
    }
    let wanted = desk.bench.analyzers.iter().filter(|a| analyzer.is_none_or(|id| id == a.id));
    if let Some(text) = month {
        let month = Month::of(text)
            .ok_or_else(|| Failure::wrong(format!("`{text}` is not a month; write YYYY-MM")))?;
        let mut entries = Vec::new();
        for one in wanted {
            let days = (month.days().0, format!("{}-31", month.name));
            let days = (days.0.as_str(), days.1.as_str());
            entries.extend(desk.ledger.care_entries(&desk.bench, &one.id, days).await?);
        }
        return log(&entries, out);
    }
    let mut stands = Vec::new();
    for one in wanted {
        stands.extend(desk.ledger.care_stands(&desk.bench, one).await?);
    }
    if out.json {
        out.document(&json!({ "items": stands }))?;
    } else if stands.is_empty() {
        out.line(
            "nothing is asked for: write [[care]] tables, as the analyzer's own instructions say",
        );
    } else {
        let row = |one: &CareStand| {
            let tone = if one.due { Tone::Bad } else { Tone::Plain };
            vec![
                plain(&one.analyzer),
                plain(&one.name),
                plain(one.every),
                (one.words.to_string(), tone),
            ]
        };
        let rows: Vec<_> = stands.iter().map(row).collect();
        out.table(&["analyzer", "what", "every", "how it stands"], &rows);
    }
    Ok(if stands.iter().any(|one| one.due) { Exit::NotClean } else { Exit::Done })
}

fn log(entries: &[CareEntry], out: &Output) -> Answer {
    if out.json {
        out.document(&json!({ "items": entries }))?;
        return Ok(Exit::Done);
    }
    let row = |one: &CareEntry| {
        vec![plain(one.n.to_string()), plain(&one.day), plain(one.words().to_string())]
    };
    let rows: Vec<_> = entries.iter().map(row).collect();
    if rows.is_empty() {
        out.line("nothing was signed in this month");
    } else {
        out.table(&["entry", "day", "what"], &rows);
    }
    Ok(Exit::Done)
}
