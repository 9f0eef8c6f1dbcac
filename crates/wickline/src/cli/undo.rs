//! `undo`: taking back what a person decided of a report.

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::output::Output;
use super::{Answer, As, Desk, Exit, Why, id};

/// `wickline undo 17 --reason "the wrong line"`
#[derive(Debug, Args)]
pub struct Options {
    /// The report
    id: String,
    #[command(flatten)]
    why: Why,
    #[command(flatten)]
    who: As,
}

pub async fn undo(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let desk = Desk::open(config).await?;
    let (n, actor) = (id(&options.id)?, desk.actor(&options.who)?);
    let reason = desk.reason(&options.why, out)?;
    let became = desk.ledger.report_undo(&desk.bench, &actor, n, &reason).await?;
    if out.json {
        let items: Vec<_> =
            became.iter().map(|(n, state)| json!({"id": n.to_string(), "state": state})).collect();
        out.document(&json!({ "items": items }))?;
    }
    for (n, state) in &became {
        out.line(&format!("report {n} is {state} again"));
    }
    Ok(Exit::Done)
}
