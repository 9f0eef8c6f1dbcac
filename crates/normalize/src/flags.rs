//! The flag of a reading, from the site's reference, else from the analyzer's own mark; and whether a printed mark
//! contradicts it.
//!
//! Two questions are kept apart: which flag goes out, and whether the analyzer's own mark contradicts what the ladder
//! or the reference says, which holds the report. A mark goes out as a flag only where no reference can tell: there is
//! none, or the step is an open end that may lie in its interval or out of it. An abnormal mark is never lost.

use crate::observation::Flag;
use crate::readings::Reading;
use crate::references::Reference;
use crate::report::{Mark, MarkMeaning};
use crate::strip::{Kind, Pad, Rung, Sense};

/// What is said of a reading.
#[derive(Default)]
pub(crate) struct Own {
    /// The flag to send: ours where a reference can tell, else what the analyzer marked.
    pub sent: Option<Flag>,
    /// That it is what the analyzer marked.
    pub by_mark: bool,
    /// The flag that a printed mark is compared with: ours, else the ladder's.
    pub compared: Option<Flag>,
}

pub(crate) fn own(
    pad: &Pad,
    reading: &Reading,
    reference: Option<&Reference>,
    marks: &[Mark],
) -> Own {
    if reading.grade.is_none() && reading.number.is_none() {
        return Own::default();
    }
    let ladder = ladder(pad, reading);
    let Some(reference) = reference else {
        return Own { sent: marked(marks), by_mark: true, compared: ladder.and_then(Sense::flag) };
    };
    let ours = match reference {
        Reference::AtMost(highest) => grade_flag(pad, reading, highest),
        Reference::Between(_) => reference.by_interval(pad, reading),
    };
    // What a trace means is policy: the analyzer's and the site's may differ.
    let compared = if ladder == Some(Sense::Policy) { None } else { ours };
    Own { sent: ours.or_else(|| marked(marks)), by_mark: ours.is_none(), compared }
}

/// What the analyzer marked, in the letters of table 0078; None where its marks differ or have none.
fn marked(marks: &[Mark]) -> Option<Flag> {
    let mut flags = marks.iter().map(|mark| match mark.meaning {
        MarkMeaning::Normal => Some(Flag::N),
        MarkMeaning::Abnormal => Some(Flag::A),
        MarkMeaning::Low => Some(Flag::L),
        MarkMeaning::High => Some(Flag::H),
        MarkMeaning::Other => None,
    });
    let first = flags.next()?;
    if flags.all(|flag| flag == first) { first } else { None }
}

/// What the ladder says of every rung that the reading can be; None when they differ.
fn ladder(pad: &Pad, reading: &Reading) -> Option<Sense> {
    let rungs = pad.rungs_of(reading);
    let mut senses = rungs.iter().filter_map(|r| pad.rungs.get(*r)).map(|r| r.sense);
    let first = senses.next()?;
    senses.all(|s| s == first).then_some(first)
}

fn grade_flag(pad: &Pad, reading: &Reading, highest: &str) -> Option<Flag> {
    let grade = reading.grade.as_deref();
    let normal = if pad.kind == Kind::Nominal {
        grade? == highest
    } else {
        pad.stands(grade, reading.rung, highest)?.is_le()
    };
    Some(if normal { Flag::N } else { Flag::A })
}

/// True when a mark says low where no step above could be normal, or high where none below could.
pub(crate) fn misplaced(mark: MarkMeaning, pad: &Pad, reading: &Reading) -> bool {
    let rungs = pad.rungs_of(reading);
    let (Some(first), Some(last)) = (rungs.first(), rungs.last()) else { return false };
    let abnormal = |rungs: Option<&[Rung]>| {
        rungs.is_some_and(|rungs| rungs.iter().all(|r| r.sense == Sense::Abnormal))
    };
    match mark {
        _ if pad.kind == Kind::Nominal => false,
        MarkMeaning::Low => abnormal(pad.rungs.get(last + 1..)),
        MarkMeaning::High => abnormal(pad.rungs.get(..*first)),
        MarkMeaning::Normal | MarkMeaning::Abnormal | MarkMeaning::Other => false,
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
