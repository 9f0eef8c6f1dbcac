//! Saying whose specimen a report is: the print is shown, and the id is entered twice.

use std::io::{BufRead, IsTerminal, Write};

use super::output::{Output, visible};
use super::{Desk, Failure};
use crate::acts::again;
use crate::acts::identify::Twice;
use crate::store::lists::reports::Kept;

/// Characters of an answer at most: no id is nearly as long.
const LONGEST: u64 = 200;

/// What is entered twice, and under which option a script gives it the second time.
#[derive(Clone, Copy)]
pub struct Asked {
    pub what: &'static str,
    pub option: &'static str,
}

/// A specimen id.
pub const SPECIMEN: Asked = Asked { what: "specimen ids", option: "--again" };

/// Shows what the analyzer said and has something entered a second time: with its option, or at the
/// terminal. Where neither is there nothing is done.
pub async fn confirmed(
    desk: &Desk,
    id: i64,
    asked: Asked,
    first: &str,
    again: Option<&str>,
    out: &Output,
) -> Result<Twice, Failure> {
    let Asked { what, option } = asked;
    let second = match again {
        Some(again) => again.to_owned(),
        None if !out.json && std::io::stdin().is_terminal() => {
            let kept = desk.ledger.report(id, desk.clock()).await?;
            let kept = kept.ok_or_else(|| Failure::wrong(format!("there is no report {id}")))?;
            for line in shown(&kept) {
                eprintln!("{}", visible(&line));
            }
            if asked.what == SPECIMEN.what {
                tell_beside(desk, id, first).await?;
            }
            entered(what)?
        }
        None => {
            return Err(Failure::wrong(format!(
                "{what} are entered twice: give it a second time with `{option}`, as it was read the second \
                 time; nothing was changed"
            )));
        }
    };
    Ok(Twice::of(what, first, &second)?)
}

/// Another result of this specimen on the same day is shown before this one becomes a second.
async fn tell_beside(desk: &Desk, id: i64, specimen: &str) -> Result<(), Failure> {
    for other in desk.ledger.results_beside(id, specimen).await? {
        eprintln!(
            "report {other} is a result of this specimen on the same day: wickline held show {other}"
        );
    }
    Ok(())
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

fn entered(what: &str) -> Result<String, Failure> {
    eprint!("{what}, once more: ");
    std::io::stderr().flush()?;
    let mut line = String::new();
    std::io::Read::take(std::io::stdin().lock(), LONGEST).read_line(&mut line)?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}
