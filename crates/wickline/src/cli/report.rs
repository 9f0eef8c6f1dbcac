//! `report`: putting right what went out already.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::held::identify;
use super::output::Output;
use super::person;
use super::{Answer, As, Desk, Exit, Why, id};
use crate::acts::aside::Statement;
use crate::acts::correct::Corrected;
use crate::acts::telephoned::Called;
use crate::acts::telling::{Outcome, Said};
use crate::acts::withdraw::Withdrawn;
use crate::store::lists::names::Name;
use crate::store::tape::Tape;

/// `wickline report correct 17`, `wickline report withdraw 17 --specimen KP-20417`
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
        #[command(flatten)]
        why: Why,
        /// Take the readings of this other report of the same analyzer instead
        #[arg(long, value_name = "ID")]
        as_in: Option<String>,
    },
    /// Take back all that was told of it; with a specimen id, send it anew under that one. At a terminal it is
    /// shown and asked for; without one it is taken back for good
    Withdraw {
        id: String,
        #[command(flatten)]
        why: Why,
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
        /// Who was told there; at a terminal it is asked for
        #[arg(long, value_parser = super::person::words)]
        who: Option<String>,
        /// When, as it is written down; at a terminal it is asked for
        #[arg(long, value_parser = super::person::words)]
        when: Option<String>,
        /// How: by telephone, in their own system; at a terminal it is asked for
        #[arg(long, value_parser = super::person::words)]
        how: Option<String>,
    },
    /// State to whom the results were told by telephone, and when: for the trail and the day sheet. The message goes
    /// all the same
    Telephoned {
        id: String,
        /// Who was told; at a terminal it is asked for
        #[arg(long, value_parser = super::person::words)]
        who: Option<String>,
        /// When: 14:05 of the last 12 hours, or 2026-11-28 23:10; at a terminal it is asked for
        #[arg(long, value_parser = super::person::words)]
        when: Option<String>,
        /// They read it back
        #[arg(long)]
        read_back: bool,
    },
}

pub async fn report(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let desk = Desk::open(config).await?;
    let (ledger, actor) = (&desk.ledger, desk.actor(&options.who)?);
    match options.act {
        Act::Correct { id: text, why, as_in } => {
            let reason = desk.reason(&why, out)?;
            let as_in = as_in.as_deref().map(id).transpose()?;
            let tape = Tape::look(&desk.bench.tape).await?;
            let n = id(&text)?;
            let done = ledger.report_correct(&desk.bench, &tape, &actor, n, as_in, &reason).await?;
            tell_corrected(&done, out)
        }
        Act::Withdraw { id: text, why, specimen, again } => {
            let n = id(&text)?;
            let (first, again) = (specimen.as_deref(), again.as_deref());
            let given = identify::right_one((&desk, &actor), n, first, again, out).await?;
            let reason = desk.reason(&why, out)?;
            let given = given.as_ref();
            let done = ledger.report_withdraw(&desk.bench, &actor, n, &reason, given).await?;
            tell_withdrawn(&done, out)
        }
        Act::Telephoned { id: text, who, when, read_back } => {
            let n = id(&text)?;
            let who = person::given("who", "who was told", who, out)?;
            let when = person::given("when", "when", when, out)?;
            let called = Called { who, when, read_back };
            ledger.report_telephoned(&desk.bench.clock, &actor, n, &called).await?;
            let Called { who, when, .. } = called;
            if out.json {
                let id = n.to_string();
                out.document(
                    &json!({"id": id, "telephoned": who, "when": when, "read_back": read_back}),
                )?;
            }
            out.line(&format!(
                "report {n}: it stands in the trail and on the sheet that {who} was told"
            ));
            Ok(Exit::Done)
        }
        Act::Told { id: text, receiver, who, when, how } => {
            let n = id(&text)?;
            let given = |what, asked, text| person::given(what, asked, text, out);
            let who = given("who", "who was told there", who)?;
            let when = given("when", "when", when)?;
            let how = given("how", "how (by telephone, in their own system)", how)?;
            let statement = Statement { who, when, how };
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
            "id": done.n.to_string(), "differences": differences, "deliveries": all(done.n, &done.outcomes),
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
            "id": done.n.to_string(), "specimen": done.specimen, "state": done.state.text(),
            "withdrawn": all(done.n, &done.withdrawn), "anew": all(done.n, &done.anew),
        }))?;
    } else {
        let specimen = done.specimen.as_deref().unwrap_or("-");
        out.line(&format!("report {} ({specimen}) is now {}", done.n, done.state));
        lines(&done.withdrawn, out);
        lines(&done.anew, out);
    }
    Ok(if clean { Exit::Done } else { Exit::NotClean })
}

fn all(report: i64, outcomes: &[Outcome]) -> Vec<Value> {
    let name = |o: &Outcome| {
        let withdraws = o.said == Said::Withdrawn;
        Name { report, receiver: o.receiver.clone(), withdraws }
    };
    let one = |o: &Outcome| {
        let message = o.message.map(|_| name(o));
        json!({"receiver": o.receiver, "said": o.said.code(), "message": message})
    };
    outcomes.iter().map(one).collect()
}

fn lines(outcomes: &[Outcome], out: &Output) {
    for one in outcomes {
        let what = match one.said {
            Said::First => "gets the result",
            Said::Corrected => "gets a correction",
            Said::Withdrawn => "gets a withdrawal",
            Said::Nothing => "gets nothing: it has, or waits for, nothing else",
            Said::Unreachable => {
                "was told of it and is not configured here any more: tell it by hand"
            }
        };
        out.line(&format!("{} {what}", one.receiver));
    }
}

fn exit(outcomes: &[Outcome]) -> Exit {
    let lost = outcomes.iter().any(|o| o.said == Said::Unreachable);
    if lost { Exit::NotClean } else { Exit::Done }
}
