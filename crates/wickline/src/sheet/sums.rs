//! Sums of the day sheet: at each receiver everything heard is in exactly one state, or the sheet says so.

use std::collections::BTreeMap;

use super::Line;
use crate::settings::bench::Target;
use crate::store::state::State;

/// Counts by state, every state named; `heard` is all of it.
pub type Counts = BTreeMap<&'static str, u64>;

/// The states that make up what was heard.
pub const PARTS: [State; 7] = [
    State::Held,
    State::Waiting,
    State::Accepted,
    State::Refused,
    State::SetAside,
    State::Filed,
    State::Repeat,
];

/// The sums at each receiver, and what does not add up.
pub fn receivers(
    lines: &[Line],
    targets: &[impl AsRef<Target>],
) -> (BTreeMap<String, Counts>, Vec<String>) {
    let mut sums = BTreeMap::new();
    let mut faults: Vec<String> = lines.iter().filter_map(adrift).collect();
    let mut ids: Vec<&str> = targets.iter().map(|t| t.as_ref().id.as_str()).collect();
    // A receiver that was taken out of the configuration still has what it got.
    ids.extend(lines.iter().flat_map(|l| l.item.deliveries.iter().map(|d| d.receiver.as_str())));
    ids.sort_unstable();
    ids.dedup();
    for id in ids {
        let target = targets.iter().map(AsRef::as_ref).find(|t| t.id == id);
        let (counts, lost) = at(id, target, lines);
        let heard = counts.get("heard").copied().unwrap_or(0);
        let parts: u64 = PARTS.iter().filter_map(|s| counts.get(s.text())).sum();
        if heard != parts {
            faults.push(format!(
                "{id}: {heard} reports were heard, and {parts} are accounted for; look at {}",
                lost.join(", ")
            ));
        }
        sums.insert(id.to_owned(), counts);
    }
    (sums, faults)
}

fn at(id: &str, target: Option<&Target>, lines: &[Line]) -> (Counts, Vec<String>) {
    let mut counts: Counts = State::ALL.into_iter().map(|s| (s.text(), 0)).collect();
    let mut lost = Vec::new();
    for line in lines {
        let Some(text) = state_at(id, target, line) else { continue };
        let state = State::ALL.into_iter().find(|s| s.text() == text);
        let heard = line.is_heard();
        if heard {
            *counts.entry("heard").or_default() += 1;
        }
        match state.filter(|s| PARTS.contains(s) == heard && *s != State::Heard) {
            Some(state) => *counts.entry(state.text()).or_default() += 1,
            None => lost.push(format!("report {}, which is `{text}`", line.item.id)),
        }
    }
    (counts, lost)
}

/// What a line is at a receiver: its latest message there, else the report's own state. None: this
/// receiver does not take it.
fn state_at<'a>(id: &str, target: Option<&Target>, line: &'a Line) -> Option<&'a str> {
    let item = &line.item;
    let latest = item.deliveries.iter().rev().find(|d| d.receiver == id);
    if let Some(latest) = latest {
        return Some(&latest.state);
    }
    let target = target?;
    let control = item.class == "control";
    let takes = target.analyzers.iter().any(|a| a == "*" || *a == item.analyzer);
    // A patient's report that went to others when it was ready was not meant for this one.
    let elsewhere = !control && !item.deliveries.is_empty();
    (takes && (control || target.patients) && !elsewhere).then_some(item.state.as_str())
}

/// A report that waits and that nothing will ever carry.
fn adrift(line: &Line) -> Option<String> {
    let item = &line.item;
    let nothing = item.deliveries.is_empty() && !item.unsent;
    (item.state == State::Waiting.text() && nothing)
        .then(|| format!("report {} waits, and there is no message that would carry it", item.id))
}
