//! Our own flag for a reading, from the site's reference, and whether a printed mark contradicts
//! it.
//!
//! Two questions are kept apart: which flag goes out (only by a configured reference), and whether the analyzer's
//! own mark contradicts what the ladder or the reference says, which holds the report.

use crate::grades::Grade;
use crate::observation::{Comparator, Flag};
use crate::readings::Reading;
use crate::report::MarkMeaning;
use crate::rules::Reference;
use crate::strip::{Kind, Pad, Sense};

/// What we say of a reading.
#[derive(Default)]
pub(crate) struct Own {
    /// The flag to send: only with a reference.
    pub sent: Option<Flag>,
    pub text: Option<String>,
    /// The flag that a printed mark is compared with: ours, else the ladder's.
    pub compared: Option<Flag>,
}

pub(crate) fn own(pad: &Pad, reading: &Reading, reference: Option<&Reference>) -> Own {
    if reading.grade.is_none() && reading.number.is_none() {
        return Own::default();
    }
    let ladder = ladder(pad, reading);
    let Some(reference) = reference else {
        return Own { compared: ladder.and_then(Sense::flag), ..Own::default() };
    };
    let sent = match reference {
        Reference::AtMost(highest) => grade_flag(pad, reading, highest),
        Reference::Between(..) => number_flag(pad, reading, reference),
    };
    // What a trace means is policy: the analyzer's and the site's may differ.
    let compared = if ladder == Some(Sense::Policy) { None } else { sent };
    Own { sent, text: Some(text(pad, reference)), compared }
}

/// What the ladder says of every rung that the reading can be; None when they differ.
fn ladder(pad: &Pad, reading: &Reading) -> Option<Sense> {
    if let Some(rung) = reading.rung {
        return pad.rungs.get(rung).map(|r| r.sense);
    }
    let mut senses = pad.rungs.iter().filter(|r| r.grade == reading.grade).map(|r| r.sense);
    let first = senses.next()?;
    senses.all(|s| s == first).then_some(first)
}

fn grade_flag(pad: &Pad, reading: &Reading, highest: &str) -> Option<Flag> {
    let grade = reading.grade.as_deref()?;
    let normal = if pad.kind == Kind::Nominal {
        grade == highest
    } else {
        Grade::find(grade)?.rank <= Grade::find(highest)?.rank
    };
    Some(if normal { Flag::N } else { Flag::A })
}

/// By the interval. An end rung such as `>=1.028` may be in or out: then there is no flag.
fn number_flag(pad: &Pad, reading: &Reading, reference: &Reference) -> Option<Flag> {
    let Reference::Between(low, high) = reference else { return None };
    let rung = reading.rung.and_then(|r| pad.rungs.get(r));
    let figure = rung.and_then(|r| r.label(reading.units)).or(reading.number.as_ref())?;
    let (value, low, high) = (figure.value(), low.value(), high.value());
    match figure.comparator {
        None if value < low => Some(Flag::L),
        None if value > high => Some(Flag::H),
        None => Some(Flag::N),
        Some(Comparator::Less) => (value <= low).then_some(Flag::L),
        Some(Comparator::AtMost) => (value < low).then_some(Flag::L),
        Some(Comparator::More) => (value >= high).then_some(Flag::H),
        Some(Comparator::AtLeast) => (value > high).then_some(Flag::H),
    }
}

/// The reference as a receiver shows it.
fn text(pad: &Pad, reference: &Reference) -> String {
    match reference {
        Reference::Between(low, high) => format!("{}-{}", low.digits, high.digits),
        Reference::AtMost(highest) => {
            let text = |grade: &str| {
                let rung = pad.rungs.iter().find(|r| r.grade.as_deref() == Some(grade));
                rung.map_or_else(|| grade.to_owned(), |r| r.text.clone())
            };
            match pad.grades().first() {
                Some(lowest) if pad.kind != Kind::Nominal && lowest != highest => {
                    format!("{} to {}", text(lowest), text(highest))
                }
                _ => text(highest),
            }
        }
    }
}

/// True when a printed mark claims what our flag denies.
pub(crate) fn disagree(mark: MarkMeaning, flag: Flag) -> bool {
    match mark {
        MarkMeaning::Other => false,
        MarkMeaning::Normal => flag != Flag::N,
        MarkMeaning::Abnormal => flag == Flag::N,
        MarkMeaning::Low => matches!(flag, Flag::N | Flag::H),
        MarkMeaning::High => matches!(flag, Flag::N | Flag::L),
    }
}
