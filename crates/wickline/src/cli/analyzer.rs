//! `analyzer`: another instrument stands at an analyzer from now on.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;

use super::output::Output;
use super::person::given;
use super::{Answer, As, Desk, Exit, Why, configured};
use crate::clock;

/// `wickline analyzer replace bench-1 --serial A-20418 --reason "service took the other"`
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    act: Act,
    #[command(flatten)]
    who: As,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Say that another instrument stands there: its numbers begin anew, and every control is due
    Replace {
        /// The analyzer's id
        id: String,
        /// The serial number as it stands on the instrument; at a terminal it is asked for
        #[arg(long, value_name = "SERIAL", value_parser = super::person::words)]
        serial: Option<String>,
        #[command(flatten)]
        why: Why,
    },
}

pub async fn analyzer(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let desk = Desk::open(config).await?;
    let Act::Replace { id, serial, why } = options.act;
    let analyzer = configured(&desk, &id)?;
    let actor = desk.actor(&options.who)?;
    let serial = given("serial", "serial number on the instrument", serial, out)?;
    let reason = desk.reason(&why, out)?;
    let now = clock::now_us();
    let (bench, ledger) = (&desk.bench, &desk.ledger);
    let was = ledger.instrument_replace(bench, &actor, analyzer, &serial, &reason, now).await?;
    let since = desk.clock().rfc3339(now);
    if out.json {
        out.document(
            &json!({"analyzer": id, "serial": serial, "since": since, "before": was.serial}),
        )?;
    }
    out.line(&format!("{id} is the instrument with serial {serial} since {since}"));
    out.line(&format!("before: {}", was.told(desk.clock())));
    out.line("its numbers begin anew; what the one before did not send stays missing until it is explained");
    if !analyzer.controls.plan.levels().is_empty() {
        out.line("every level of control material is due: nothing that the one before passed counts for it");
    }
    out.line(&format!("a proof that was signed is of the one before: `wickline prove --analyzer {id}` makes another"));
    Ok(Exit::Done)
}
