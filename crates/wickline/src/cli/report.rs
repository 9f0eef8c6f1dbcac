//! `report`: putting right what went out already.

use std::path::PathBuf;

use clap::builder::NonEmptyStringValueParser;
use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::output::Output;
use super::{Answer, As, Desk, Exit, id, identify};
use crate::acts::aside::Statement;
use crate::acts::correct::Corrected;
use crate::acts::telling::{Outcome, Said};
use crate::acts::withdraw::Withdrawn;
use crate::store::tape::Tape;

/// `wickline report correct 17 --reason TEXT`, `wickline report withdraw 17 --reason TEXT --specimen KP-20417`
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    act: Act,
    #[command(flatten)]
    who: As,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Read it again from the tape with today's dialect, strip and rules, and correct what receivers have
    Correct {
        id: String,
        /// For those who read the result, and for the trail
        #[arg(long, value_parser = NonEmptyStringValueParser::new())]
        reason: String,
        /// Take the readings of this other report of the same analyzer instead
        #[arg(long, value_name = "ID")]
        as_in: Option<String>,
    },
    /// Take back all that was told of it; with a specimen id, send it anew under that one
    Withdraw {
        id: String,
        /// For those who read the result, and for the trail
        #[arg(long, value_parser = NonEmptyStringValueParser::new())]
        reason: String,
        /// The right specimen id, where it went under a wrong one
        #[arg(long, value_name = "ID")]
        specimen: Option<String>,
        /// The specimen id a second time; at a terminal it is asked for
        #[arg(long, value_name = "ID", requires = "specimen")]
        again: Option<String>,
    },
    /// State how a receiver was told that what it has is taken back, where no message could say it
    Told {
        id: String,
        #[arg(long, value_name = "ID")]
        receiver: String,
        /// Who was told there
        #[arg(long, value_parser = NonEmptyStringValueParser::new())]
        who: String,
        /// When, as it is written down
        #[arg(long, value_parser = NonEmptyStringValueParser::new())]
        when: String,
        /// How: by telephone, in their own system
        #[arg(long, value_parser = NonEmptyStringValueParser::new())]
        how: String,
    },
}

pub async fn report(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let desk = Desk::open(config).await?;
    let (ledger, actor) = (&desk.ledger, options.who.actor());
    match options.act {
        Act::Correct { id: text, reason, as_in } => {
            let as_in = as_in.as_deref().map(id).transpose()?;
            let tape = Tape::look(&desk.bench.tape).await?;
            let n = id(&text)?;
            let done = ledger.report_correct(&desk.bench, &tape, &actor, n, as_in, &reason).await?;
            tell_corrected(&done, out)
        }
        Act::Withdraw { id: text, reason, specimen, again } => {
            let n = id(&text)?;
            let given = match &specimen {
                None => None,
                Some(first) => {
                    let (asked, again) = (identify::SPECIMEN, again.as_deref());
                    Some(identify::confirmed(&desk, n, asked, first, again, out).await?)
                }
            };
            let given = given.as_ref();
            let done = ledger.report_withdraw(&desk.bench, &actor, n, &reason, given).await?;
            tell_withdrawn(&done, out)
        }
        Act::Told { id: text, receiver, who, when, how } => {
            let (n, statement) = (id(&text)?, Statement { who, when, how });
            ledger.report_told(&actor, n, &receiver, &statement).await?;
            if out.json {
                out.document(
                    &json!({ "id": n.to_string(), "receiver": receiver, "state": "set-aside" }),
                )?;
            }
            out.line(&format!(
                "report {n}: it stands in the trail and on the sheet how {receiver} was told"
            ));
            Ok(Exit::Done)
        }
    }
}

fn tell_corrected(done: &Corrected, out: &Output) -> Answer {
    if out.json {
        let differences = &done.differences;
        out.document(&json!({
            "id": done.n.to_string(), "differences": differences, "deliveries": all(&done.outcomes),
        }))?;
        return Ok(exit(&done.outcomes));
    }
    if done.differences.is_empty() {
        out.line(&format!("report {}: nothing that was read differs", done.n));
    }
    for one in &done.differences {
        out.line(&format!("    {}: {} -> {}", one.what, one.before, one.after));
    }
    lines(&done.outcomes, out);
    Ok(exit(&done.outcomes))
}

/// What became of a report that was withdrawn.
pub(super) fn tell_withdrawn(done: &Withdrawn, out: &Output) -> Answer {
    let clean = [&done.withdrawn, &done.anew].into_iter().all(|o| exit(o) == Exit::Done);
    if out.json {
        out.document(&json!({
            "id": done.n.to_string(), "state": done.state.text(),
            "withdrawn": all(&done.withdrawn), "anew": all(&done.anew),
        }))?;
    } else {
        out.line(&format!("report {} is now {}", done.n, done.state));
        lines(&done.withdrawn, out);
        lines(&done.anew, out);
    }
    Ok(if clean { Exit::Done } else { Exit::NotClean })
}

fn all(outcomes: &[Outcome]) -> Vec<Value> {
    let one = |o: &Outcome| {
        json!({
            "receiver": o.receiver, "said": o.said.code(),
            "message": o.message.map(|n| n.to_string()),
        })
    };
    outcomes.iter().map(one).collect()
}

fn lines(outcomes: &[Outcome], out: &Output) {
    for one in outcomes {
        let message = one.message.map_or(String::new(), |n| format!(", message {n}"));
        let what = match one.said {
            Said::First => "gets the result",
            Said::Corrected => "gets a correction",
            Said::Withdrawn => "gets a withdrawal",
            Said::Nothing => "gets nothing: it has, or waits for, nothing else",
            Said::Unreachable => {
                "was told of it and is not configured here any more: tell it by hand"
            }
        };
        out.line(&format!("{} {what}{message}", one.receiver));
    }
}

fn exit(outcomes: &[Outcome]) -> Exit {
    let lost = outcomes.iter().any(|o| o.said == Said::Unreachable);
    if lost { Exit::NotClean } else { Exit::Done }
}
