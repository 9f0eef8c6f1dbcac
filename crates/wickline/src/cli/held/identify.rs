//! Saying whose specimen a report is: the print is shown, and the id is entered twice. Many at once from a
//! file.

use std::io::Read;
use std::path::Path;

use super::Done;
use crate::acts::again;
use crate::cli::output::{Output, visible};
use crate::cli::person::{asked, can_ask};
use crate::cli::{Answer, Desk, Failure, id};
use crate::store::lists::reports::Kept;
use crate::store::trail::Actor;

/// Bytes of a file at most.
const LARGEST: u64 = 1 << 20;

/// How often the id was entered, for the trail.
pub const TWICE: &str = "specimen id entered twice";
/// A program gave it, or a person in one command.
pub const ONCE: &str = "specimen id entered once";

/// Shows what the analyzer said and has the id entered a second time: with `--again`, or at the
/// terminal. Where neither is there, as in a script, it stands as it was given.
pub async fn confirmed(
    desk: &Desk,
    id: i64,
    (specimen, again): (Option<&str>, Option<&str>),
    out: &Output,
) -> Result<(String, &'static str), Failure> {
    let asks = again.is_none() && can_ask(out);
    if asks {
        let kept = desk.ledger.report(id, desk.clock()).await?;
        let kept = kept.ok_or_else(|| Failure::wrong(format!("there is no report {id}")))?;
        for line in shown(&kept) {
            eprintln!("{}", visible(&line));
        }
    }
    let specimen = match specimen {
        Some(specimen) => specimen.to_owned(),
        None if asks => asked("specimen id")?,
        None => {
            return Err(Failure::wrong(
                "whose is it? give --specimen S and --again S, --control LEVEL, or --from FILE",
            ));
        }
    };
    let second = match again {
        Some(again) => Some(again.to_owned()),
        None if asks => Some(asked("specimen id again")?),
        None => None,
    };
    match second {
        Some(second) if second != specimen => Err(Failure::wrong(DIFFER)),
        Some(_) => Ok((specimen, TWICE)),
        None => Ok((specimen, ONCE)),
    }
}

const DIFFER: &str =
    "the specimen ids that were entered differ; nothing was changed, enter it again";

/// Every line of a file or of standard input: what one line is refused, the others are not.
pub async fn many(desk: &Desk, actor: &Actor, from: &Path, out: &Output) -> Answer {
    let name = from.display();
    let mut text = String::new();
    let read = if from == Path::new("-") {
        std::io::stdin().lock().take(LARGEST).read_to_string(&mut text)
    } else {
        std::fs::File::open(from).and_then(|f| f.take(LARGEST).read_to_string(&mut text))
    };
    let bytes = read.map_err(|e| Failure::wrong(format!("{name}: {e}")))?;
    if u64::try_from(bytes).is_ok_and(|bytes| bytes == LARGEST) {
        return Err(Failure::wrong(format!("{name}: larger than 1 MiB; nothing was changed")));
    }
    let mut done = Done::default();
    let lines = text.lines().map(str::trim).enumerate();
    for (number, line) in lines.filter(|(_, l)| !l.is_empty() && !l.starts_with('#')) {
        let place = format!("line {}", number + 1);
        match entry(line) {
            Err(why) => done.refused.push((place.clone(), format!("{place}: {why}"))),
            Ok((n, specimen)) => {
                let identified =
                    desk.ledger.report_identify(&desk.bench, actor, n, specimen, TWICE);
                done.took(n, identified.await)?;
            }
        }
    }
    done.tell(out)
}

/// `17 KP-20417 KP-20417`: report, specimen id, specimen id again.
fn entry(line: &str) -> Result<(i64, &str), String> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let [n, first, second] = words[..] else {
        return Err("write a report, its specimen id, and the specimen id again".into());
    };
    let n = id(n).map_err(|failure| failure.text)?;
    if first == second { Ok((n, first)) } else { Err(DIFFER.into()) }
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
