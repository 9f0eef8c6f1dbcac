//! What stands on a line beside its state: what people did to the report, and what control material read.

use std::collections::BTreeMap;

use wickline_normalize::controls::Verdict;

use super::Line;
use crate::store::lists::reports::Item;
use crate::store::lists::sheet::Beside;
use crate::store::state::State;
use crate::texts::{Said, say};

/// Of each report whose specimen has another result on this day, that other one, by id. A correction is none.
pub(super) fn seconds(items: &[Item]) -> BTreeMap<String, Said> {
    let stands =
        |i: &&Item| i.class != "control" && !matches!(i.state, State::Repeat | State::SetAside);
    let root = |i: &Item| i.corrects.clone().unwrap_or_else(|| i.id.clone());
    let mut first: BTreeMap<&str, &Item> = BTreeMap::new();
    let mut found = BTreeMap::new();
    for item in items.iter().filter(stands) {
        let Some(specimen) = item.specimen.as_deref().filter(|s| !s.trim().is_empty()) else {
            continue;
        };
        let other = first.entry(specimen).or_insert(item);
        if root(other) != root(item) {
            found.entry(other.id.clone()).or_insert_with(|| also(item));
            found.insert(item.id.clone(), also(other));
        }
    }
    found
}

/// That this other report is of the same specimen, as one finds it on paper and by commands.
fn also(other: &Item) -> Said {
    let (id, number) = (&other.analyzer, other.number.as_deref().unwrap_or("-"));
    say!("noted.also_in", id = id, number = number, n = &other.id)
}

/// Writes the notes of every line.
pub(super) fn write(lines: &mut [Line], beside: &Beside, seconds: &BTreeMap<String, Said>) {
    let mut corrected: BTreeMap<String, String> = BTreeMap::new();
    for line in lines.iter() {
        // One that is held or set aside has corrected nothing.
        let goes = !matches!(line.item.state, State::Held | State::SetAside);
        if let (true, Some(of)) = (goes, &line.item.corrects) {
            corrected.insert(of.clone(), line.item.id.clone());
        }
    }
    for line in lines.iter_mut() {
        line.notes = notes(line, beside, corrected.get(&line.item.id));
        line.notes.extend(seconds.get(&line.item.id).cloned());
    }
}

fn notes(line: &Line, beside: &Beside, corrected: Option<&String>) -> Vec<Said> {
    let item = &line.item;
    let n: i64 = item.id.parse().unwrap_or(0);
    let mut notes = Vec::new();
    if let Some(run) = beside.runs.get(&n) {
        notes.push(verdict(run.verdict, &run.why));
    }
    notes.extend(beside.noted.get(&n).into_iter().flatten().cloned());
    let told = |amends: &str| {
        let mut all = item.deliveries.iter().filter(|d| d.amends.as_deref() == Some(amends));
        all.next().map(|d| (d.receiver.as_str(), d.state))
    };
    let withdrawn = told("withdraws");
    if beside.named.contains(&n) {
        let anew = withdrawn.is_some() && item.deliveries.iter().any(|d| d.retired.is_none());
        notes.push(if anew { say!("noted.anew") } else { say!("noted.identified") });
    }
    if let Some(reasons) = beside.released.get(&n) {
        let codes = reasons.join(", ");
        notes.push(say!("noted.released", what = Said::kept(&codes)));
    }
    if let Some(of) = &item.corrects {
        notes.push(say!("noted.corrects", n = of));
    }
    match corrected {
        Some(by) => notes.push(say!("noted.corrected_by", n = by)),
        None if item.corrects.is_none() && told("corrects").is_some() => {
            notes.push(say!("noted.corrected"));
        }
        None => {}
    }
    if let Some((receiver, state)) = withdrawn {
        notes.push(match state {
            State::Accepted => say!("noted.withdrawn", receiver = receiver),
            _ => say!("noted.not_withdrawn", receiver = receiver, state = Said::kept(state.text())),
        });
    }
    notes
}

/// What control material read.
fn verdict(verdict: Verdict, why: &str) -> Said {
    let said = match verdict {
        Verdict::Passed => return say!("noted.passed"),
        Verdict::Failed => say!("noted.failed"),
        Verdict::NoTarget => say!("noted.no_target"),
    };
    if why.is_empty() { said } else { said.then(format!(": {why}")) }
}
