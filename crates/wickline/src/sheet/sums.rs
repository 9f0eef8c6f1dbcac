//! Sums of the day sheet: at each receiver everything heard is in exactly one state, or the sheet says so.

use std::collections::BTreeMap;

use super::Line;
use crate::settings::bench::Target;
use crate::store::state::State;
use crate::texts::{Said, say};

/// Counts by state, every state named; `heard` is all of it.
pub type Counts = BTreeMap<&'static str, u64>;

/// The sums of a day.
#[derive(Clone, Debug, Default)]
pub struct Sums {
    pub totals: Counts,
    pub receivers: BTreeMap<String, Counts>,
    /// What does not add up.
    pub faults: Vec<Said>,
    /// How many reports and numbers are open.
    pub outstanding: u64,
}

/// Sums up the lines of a day, or kinds of them: a line counts for as many as it stands for. Each gets the state that
/// one word says of it.
pub fn of(lines: &mut [Line], targets: &[impl AsRef<Target>]) -> Sums {
    let (receivers, faults) = receivers(lines, targets);
    for line in lines.iter_mut() {
        line.item.state = shown(line, targets);
    }
    let outstanding = lines.iter().filter(|l| l.item.is_open()).map(Line::count).sum();
    Sums { totals: totals(lines), receivers, faults, outstanding }
}

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
fn receivers(
    lines: &[Line],
    targets: &[impl AsRef<Target>],
) -> (BTreeMap<String, Counts>, Vec<Said>) {
    let mut sums = BTreeMap::new();
    let mut faults: Vec<Said> = lines.iter().filter_map(adrift).collect();
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
            let lost = Said::list(", ", lost);
            faults.push(say!("fault.sum", id = id, heard = heard, parts = parts, reports = lost));
        }
        sums.insert(id.to_owned(), counts);
    }
    (sums, faults)
}

fn at(id: &str, target: Option<&Target>, lines: &[Line]) -> (Counts, Vec<Said>) {
    let mut counts: Counts = State::ALL.into_iter().map(|s| (s.text(), 0)).collect();
    let mut lost = Vec::new();
    for line in lines {
        let Some(state) = state_at(id, target, line) else { continue };
        let heard = line.is_heard();
        if heard {
            *counts.entry("heard").or_default() += line.count();
        }
        if PARTS.contains(&state) == heard && state != State::Heard {
            *counts.entry(state.text()).or_default() += line.count();
        } else {
            lost.push(match alike(line) {
                0 => say!("fault.lost", n = &line.item.id, state = state.text()),
                more => {
                    say!("fault.lost_more", n = &line.item.id, state = state.text(), more = more)
                }
            });
        }
    }
    (counts, lost)
}

/// What a line is at a receiver: the least finished of its messages there, else the latest; without any, the
/// report's own state. None: this receiver does not take it. One that was withdrawn and is held under its other id is
/// held, whatever became of the withdrawal.
fn state_at(id: &str, target: Option<&Target>, line: &Line) -> Option<State> {
    let item = &line.item;
    let held = item.state == State::Held;
    let own: Vec<_> = item.deliveries.iter().filter(|d| d.receiver == id && !held).collect();
    if let Some(latest) = own.last() {
        let of = |state: State| own.iter().find(|d| d.state == state);
        let open = of(State::Refused).or_else(|| of(State::Waiting));
        // A withdrawal that was accepted leaves nothing there.
        let withdrawn = latest.withdraws();
        let withdrawn = withdrawn && latest.state == State::Accepted;
        return Some(match open {
            Some(open) => open.state,
            None if withdrawn => State::SetAside,
            None => latest.state,
        });
    }
    let target = target?;
    let control = item.class == "control";
    let takes = target.analyzers.iter().any(|a| a == "*" || *a == item.analyzer);
    // A patient's report that went to others when it was ready was not meant for this one.
    let elsewhere = !control && !held && !item.deliveries.is_empty();
    (takes && (control || target.patients) && !elsewhere).then_some(item.state)
}

/// What one word says of a line: what it is at every receiver that has it, where that is the same; else the
/// least finished; else the report's own state. So the head of the sheet counts what the receivers' sums do.
fn shown(line: &Line, targets: &[impl AsRef<Target>]) -> State {
    let mut ids: Vec<&str> = targets.iter().map(|t| t.as_ref().id.as_str()).collect();
    ids.extend(line.item.deliveries.iter().map(|d| d.receiver.as_str()));
    ids.sort_unstable();
    ids.dedup();
    let target = |id: &str| targets.iter().map(AsRef::as_ref).find(|t| t.id == id);
    let states: Vec<State> =
        ids.into_iter().filter_map(|id| state_at(id, target(id), line)).collect();
    let open = [State::Held, State::Refused, State::Waiting];
    if let Some(open) = open.into_iter().find(|s| states.contains(s)) {
        return open;
    }
    match states.as_slice() {
        [first, rest @ ..] if PARTS.contains(first) && rest.iter().all(|s| s == first) => *first,
        _ => line.item.state,
    }
}

/// A report that waits and that nothing will ever carry.
fn adrift(line: &Line) -> Option<Said> {
    let item = &line.item;
    let nothing = item.deliveries.is_empty() && !item.unsent;
    (item.state == State::Waiting && nothing).then(|| match alike(line) {
        0 => say!("fault.adrift", n = &item.id),
        more => say!("fault.adrift_more", n = &item.id, more = more),
    })
}

/// How many others are as this one.
fn alike(line: &Line) -> u64 {
    line.count().saturating_sub(1)
}

/// Counts by state, every state named: of numbers that never came each one.
fn totals(lines: &[Line]) -> Counts {
    let mut totals: Counts = State::ALL.into_iter().map(|s| (s.text(), 0)).collect();
    for line in lines {
        *totals.entry(line.item.state.text()).or_default() += line.count();
    }
    totals
}
