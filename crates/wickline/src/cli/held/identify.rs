//! Saying whose specimen a report is: the print is shown, and the id is entered twice. Many at once from a
//! file.

use std::io::Read;
use std::path::Path;

use super::Done;
use crate::acts::comparing;
use crate::acts::identify::Twice;
use crate::cli::output::{Output, visible};
use crate::cli::person::{asked, can_ask};
use crate::cli::{Answer, Desk, Failure, id};
use crate::store::lists::reports::Kept;
use crate::store::trail::Actor;

/// Bytes of a file at most.
const LARGEST: u64 = 1 << 20;

/// What is entered twice, and under which options a script gives it.
#[derive(Clone, Copy)]
pub struct Asked {
    one: &'static str,
    many: &'static str,
    first: &'static str,
    again: &'static str,
}

pub const SPECIMEN: Asked =
    Asked { one: "specimen id", many: "specimen ids", first: "--specimen", again: "--again" };
pub const LEVEL: Asked =
    Asked { one: "level", many: "levels", first: "--control", again: "--control-again" };
pub const LOT: Asked = Asked { one: "lot", many: "lots", first: "--lot", again: "--lot-again" };

/// Shows what the analyzer said and has something entered twice: with its options, or at the terminal. Where
/// neither is there nothing is done.
pub async fn confirmed(
    desk: &Desk,
    id: i64,
    entry: Asked,
    first: Option<&str>,
    again: Option<&str>,
    out: &Output,
) -> Result<Twice, Failure> {
    let Asked { one, many, .. } = entry;
    let asks = again.is_none() && can_ask(out);
    if asks {
        let kept = desk.ledger.report(id, desk.clock()).await?;
        let kept = kept.ok_or_else(|| Failure::wrong(format!("there is no report {id}")))?;
        for line in shown(&kept) {
            eprintln!("{}", visible(&line));
        }
    }
    let missing = |option: &str, when: &str| {
        Failure::wrong(format!(
            "{many} are entered twice: give it {when} with `{option}`; nothing was changed"
        ))
    };
    let first = match first {
        Some(first) => first.to_owned(),
        None if asks => asked(one)?,
        None => return Err(missing(entry.first, "the first time")),
    };
    if asks && many == SPECIMEN.many {
        tell_beside(desk, id, &first).await?;
    }
    let second = match again {
        Some(again) => again.to_owned(),
        None if asks => asked(&format!("{one} again"))?,
        None => return Err(missing(entry.again, "a second time, as it was read the second time,")),
    };
    Ok(Twice::of(many, &first, &second)?)
}

/// Another result of this specimen on the same day is shown before this one becomes a second.
async fn tell_beside(desk: &Desk, id: i64, specimen: &str) -> Result<(), Failure> {
    for other in desk.ledger.results_beside(id, specimen).await? {
        eprintln!(
            "report {other} is a result of this specimen on the same day: `wickline held show {other}`"
        );
    }
    Ok(())
}

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
            Ok((n, given)) => {
                let identified = desk.ledger.report_identify(&desk.bench, actor, n, &given);
                done.took(n, identified.await)?;
            }
        }
    }
    done.tell(out)
}

/// `17 KP-20417 KP-20417`: report, specimen id, specimen id again.
fn entry(line: &str) -> Result<(i64, Twice), String> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let [n, first, second] = words[..] else {
        return Err("write a report, its specimen id, and the specimen id again".into());
    };
    let n = id(n).map_err(|failure| failure.text)?;
    let given = Twice::of(SPECIMEN.many, first, second).map_err(|e| e.to_string())?;
    Ok((n, given))
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
    let readings = comparing::texts(&kept.readings);
    lines.extend(readings.into_iter().map(|(name, text)| format!("    {name:<6}{text}")));
    lines
}
