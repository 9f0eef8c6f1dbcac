//! Saying whose specimen a report is: the print is shown, and the id is entered twice. Many at once from a
//! file.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Read;
use std::path::Path;

use serde::Serialize;

use super::done::{Done, One};
use super::waiting;
use crate::acts::holdings::Holding;
use crate::acts::identify::{Entered, Twice};
use crate::acts::{comparing, door};
use crate::cli::output::{Output, visible};
use crate::cli::person::{asked, can_ask};
use crate::cli::{Answer, Desk, Failure, id};
use crate::store::lists::reports::{Item, Kept};
use crate::store::state::State;
use crate::store::trail::Actor;

/// Bytes of a file at most.
const LARGEST: u64 = 1 << 20;

/// What is entered twice, and under which options a script gives it.
#[derive(Clone, Copy)]
pub struct Asked {
    what: Entered,
    one: &'static str,
    many: &'static str,
    first: &'static str,
    again: &'static str,
}

pub const SPECIMEN: Asked = Asked {
    what: Entered::Specimens,
    one: "specimen id",
    many: "specimen ids",
    first: "--specimen",
    again: "--again",
};
pub const LEVEL: Asked = Asked {
    what: Entered::Levels,
    one: "level",
    many: "levels",
    first: "--control",
    again: "--control-again",
};
pub const LOT: Asked =
    Asked { what: Entered::Lots, one: "lot", many: "lots", first: "--lot", again: "--lot-again" };

/// Shows what the analyzer said and has something entered twice: with its options, or at the terminal. Where
/// neither is there nothing is done.
pub async fn confirmed(
    (desk, actor): (&Desk, &Actor),
    id: i64,
    entry: Asked,
    first: Option<&str>,
    again: Option<&str>,
    out: &Output,
) -> Result<Twice, Failure> {
    let asks = again.is_none() && can_ask(out);
    if asks {
        show(desk, id).await?;
        if entry.what == Entered::Specimens {
            waiting::show(desk, actor).await?;
        }
    }
    entered(desk, id, entry, (first, again), asks).await
}

/// The right specimen id of a report that went out, with its options, or at a terminal, where it is shown. None:
/// no id is right, and what was told is taken back for good; at a terminal by typing the id that it stands under.
pub async fn right_one(
    (desk, actor): (&Desk, &Actor),
    id: i64,
    first: Option<&str>,
    again: Option<&str>,
    out: &Output,
) -> Result<Option<Twice>, Failure> {
    if first.is_some() {
        return Ok(Some(confirmed((desk, actor), id, SPECIMEN, first, again, out).await?));
    }
    if !can_ask(out) {
        return Ok(None);
    }
    let item = show(desk, id).await?;
    desk.ledger.report_may(&desk.bench, door::Asked::Withdraw, id).await?;
    let right = asked("right specimen id (nothing: no other is right)")?;
    if !right.trim().is_empty() {
        let given = (Some(right.as_str()), None);
        return Ok(Some(entered(desk, id, SPECIMEN, given, true).await?));
    }
    let typed = asked("specimen id that it stands under, to take it back for good")?;
    let stands = item.specimen.unwrap_or_default();
    if typed.trim().is_empty() || typed != stands {
        return Err(Failure::wrong(format!(
            "report {id} does not stand under `{typed}`: it was not taken back, nothing was changed"
        )));
    }
    Ok(None)
}

async fn entered(
    desk: &Desk,
    id: i64,
    entry: Asked,
    (first, again): (Option<&str>, Option<&str>),
    asks: bool,
) -> Result<Twice, Failure> {
    let Asked { one, many, .. } = entry;
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
    if asks && entry.what == Entered::Specimens {
        for other in beside(desk, id, &first).await? {
            eprintln!("{}", visible(&other.notice()));
        }
    }
    let second = match again {
        Some(again) => again.to_owned(),
        None if asks => asked(&format!("{one} again"))?,
        None => return Err(missing(entry.again, "a second time, as it was read the second time,")),
    };
    let twice = Twice::of(entry.what, &first, &second)
        .map_err(|e| Failure::wrong(format!("{e}; nothing was changed, enter it again")))?;
    if asks && entry.what == Entered::Specimens {
        waiting::compared(desk, twice.text()).await?;
    }
    Ok(twice)
}

/// Another result of a specimen on the same day.
#[derive(Debug, Serialize)]
pub struct Beside {
    id: String,
    state: State,
    receivers: Vec<Holding>,
}

impl Beside {
    pub fn notice(&self) -> String {
        let Self { id, state, receivers } = self;
        let holds = |h: &Holding| format!("; {} holds {}", h.receiver, h.holds.text());
        let holds: String = receivers.iter().map(holds).collect();
        format!(
            "report {id} ({state}{holds}) is a result of this specimen on the same day: `wickline held show {id}`"
        )
    }
}

/// Other results of this specimen on the same day: told wherever a report becomes a second one.
async fn beside(desk: &Desk, id: i64, specimen: &str) -> Result<Vec<Beside>, Failure> {
    let mut all = Vec::new();
    for other in desk.ledger.results_beside(id, specimen).await? {
        let item = kept(desk, other).await?.item;
        let receivers = desk.ledger.holdings(other).await?;
        all.push(Beside { id: item.id, state: item.state, receivers });
    }
    Ok(all)
}

/// Says whose specimen a report is, and which other results that one has.
pub async fn identify(
    desk: &Desk,
    actor: &Actor,
    n: i64,
    given: &Twice,
    done: &mut Done,
) -> Result<(), Failure> {
    let second = beside(desk, n, given.text()).await?;
    let became = desk.ledger.report_identify(&desk.bench, actor, n, given).await;
    if let (true, Some(one)) = (done.took(n, became)?, done.became.last_mut()) {
        one.second = second;
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
    let (mut done, mut places) = (Done::default(), Vec::new());
    let lines = text.lines().map(str::trim).enumerate();
    let lines: Vec<_> = lines
        .filter(|(_, l)| !l.is_empty() && !l.starts_with('#'))
        .map(|(n, l)| (n, entry(l)))
        .collect();
    let contradicted = contradicted(lines.iter().filter_map(|(_, line)| line.as_ref().ok()));
    for (number, line) in lines {
        let place = format!("line {}", number + 1);
        match line {
            Ok((n, _)) if contradicted.contains(&n) => {
                let why = format!("report {n} stands in this file with different specimen ids");
                done.refused.push((place.clone(), why));
            }
            Err(why) => done.refused.push((place.clone(), why)),
            Ok((n, given)) => one_of_many(desk, actor, n, &given, &mut done).await?,
        }
        places.resize(done.refused.len(), place);
    }
    let ending = match (done.became.is_empty(), places.len()) {
        (true, _) => "nothing was changed",
        (false, 1) => {
            "this line changed nothing; the others were done: run this one again by itself, mended"
        }
        (false, _) => {
            "this line changed nothing; the others were done: run those named here again by themselves, mended"
        }
    };
    for ((_, why), place) in done.refused.iter_mut().zip(places) {
        *why = format!("{place}: {why}; {ending}");
    }
    done.tell(out)
}

/// Reports that stand in a file with more than one specimen id: none of them is believed.
fn contradicted<'a>(all: impl Iterator<Item = &'a (i64, Twice)>) -> BTreeSet<i64> {
    let mut ids: BTreeMap<i64, BTreeSet<&str>> = BTreeMap::new();
    for (n, given) in all {
        ids.entry(*n).or_default().insert(given.text());
    }
    ids.into_iter().filter(|(_, ids)| ids.len() > 1).map(|(n, _)| n).collect()
}

/// What a person said before is no error in a second run.
async fn one_of_many(
    desk: &Desk,
    actor: &Actor,
    n: i64,
    given: &Twice,
    done: &mut Done,
) -> Result<(), Failure> {
    match desk.ledger.report_identified(n, given).await {
        Ok(Some(state)) => {
            let (state, already) = (state.text().to_owned(), Some(given.text().to_owned()));
            done.became.push(One { n, state, already, second: Vec::new() });
            Ok(())
        }
        Ok(None) => identify(desk, actor, n, given, done).await,
        Err(error) => {
            done.took(n, Err(error))?;
            Ok(())
        }
    }
}

/// `17 KP-20417 KP-20417`: report, specimen id, specimen id again.
fn entry(line: &str) -> Result<(i64, Twice), String> {
    let words: Vec<&str> = line.split_whitespace().collect();
    let [n, first, second] = words[..] else {
        return Err("write a report, its specimen id, and the specimen id again".into());
    };
    let n = id(n).map_err(|failure| failure.text)?;
    let given = Twice::of(Entered::Specimens, first, second).map_err(|e| e.to_string())?;
    Ok((n, given))
}

/// Shows the strip at the terminal as a person can compare it with the tube: number, time, readings.
pub async fn show(desk: &Desk, id: i64) -> Result<Item, Failure> {
    let kept = kept(desk, id).await?;
    eprintln!("{}", visible(&head(&kept.item)));
    for (name, text) in comparing::texts(&kept.readings) {
        eprintln!("{}", visible(&format!("    {name:<6}{text}")));
    }
    Ok(kept.item)
}

pub async fn kept(desk: &Desk, id: i64) -> Result<Kept, Failure> {
    let kept = desk.ledger.report(id, desk.clock()).await?;
    kept.ok_or_else(|| Failure::wrong(format!("there is no report {id}")))
}

/// A report in one line.
pub fn head(item: &Item) -> String {
    let dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
    format!(
        "report {}: {} number {}, {}, specimen {}, {}, taken {}, heard {}",
        item.id,
        item.analyzer,
        dash(&item.number),
        item.class,
        dash(&item.specimen),
        item.state,
        dash(&item.taken_at),
        dash(&item.heard_at)
    )
}
