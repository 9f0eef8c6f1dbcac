//! Saying whose specimen a report is: the print is shown, and the id is entered twice.

use std::io::{BufRead, IsTerminal, Write};

use super::output::{Output, visible};
use super::{Desk, Failure};
use crate::acts::again;
use crate::store::lists::reports::Kept;

/// Characters of an answer at most: no id is nearly as long.
const LONGEST: u64 = 200;

/// How often the id was entered, for the trail.
pub const TWICE: &str = "specimen id entered twice";
/// A program gave it, or a person in one command.
pub const ONCE: &str = "specimen id entered once";

/// Shows what the analyzer said and has the id entered a second time: with `--again`, or at the
/// terminal. Where neither is there, as in a script, it stands as it was given.
pub async fn confirmed(
    desk: &Desk,
    id: i64,
    specimen: &str,
    again: Option<&str>,
    out: &Output,
) -> Result<&'static str, Failure> {
    let second = match again {
        Some(again) => Some(again.to_owned()),
        None if !out.json && std::io::stdin().is_terminal() => {
            let kept = desk.ledger.report(id, desk.clock()).await?;
            let kept = kept.ok_or_else(|| Failure::wrong(format!("there is no report {id}")))?;
            for line in shown(&kept) {
                eprintln!("{}", visible(&line));
            }
            Some(asked()?)
        }
        None => None,
    };
    match second {
        Some(second) if second != specimen => Err(Failure::wrong(
            "the specimen ids that were entered differ; nothing was changed, enter it again",
        )),
        Some(_) => Ok(TWICE),
        None => Ok(ONCE),
    }
}

/// The strip as a person can compare it with the tube: number, time, readings.
fn shown(kept: &Kept) -> Vec<String> {
    let item = &kept.item;
    let dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
    let number = dash(&item.number);
    let mut lines = vec![format!(
        "report {}: {} number {number}, {}, taken {}, heard {}",
        item.id,
        item.analyzer,
        item.class,
        dash(&item.taken_at),
        dash(&item.heard_at)
    )];
    let readings = again::texts(&kept.readings);
    lines.extend(readings.into_iter().map(|(name, text)| format!("    {name:<6}{text}")));
    lines
}

fn asked() -> Result<String, Failure> {
    eprint!("specimen id again: ");
    std::io::stderr().flush()?;
    let mut line = String::new();
    std::io::Read::take(std::io::stdin().lock(), LONGEST).read_line(&mut line)?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}
