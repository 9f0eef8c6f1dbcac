//! The flag of a reading, from the site's reference, else from the analyzer's own mark; and whether a printed mark
//! contradicts it.
//!
//! Two questions are kept apart: which flag goes out, and whether the analyzer's own mark contradicts what the ladder
//! or the reference says, which holds the report. A mark goes out as a flag only where the site has no reference: a
//! receiver then finds OBX-8 without OBX-7.

use crate::observation::Flag;
use crate::readings::Reading;
use crate::references::Reference;
use crate::report::{Mark, MarkMeaning};
use crate::strip::{Kind, Pad, Sense};

/// What is said of a reading.
#[derive(Default)]
pub(crate) struct Own {
    /// The flag to send: ours where there is a reference, else what the analyzer marked.
    pub sent: Option<Flag>,
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
        return Own { sent: marked(marks), compared: ladder.and_then(Sense::flag) };
    };
    let sent = match reference {
        Reference::AtMost(highest) => grade_flag(pad, reading, highest),
        Reference::Between(_) => number_flag(pad, reading, reference),
    };
    // What a trace means is policy: the analyzer's and the site's may differ.
    let compared = if ladder == Some(Sense::Policy) { None } else { sent };
    Own { sent, compared }
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
        pad.compared(grade, highest)?.is_le()
    };
    Some(if normal { Flag::N } else { Flag::A })
}

fn number_flag(pad: &Pad, reading: &Reading, reference: &Reference) -> Option<Flag> {
    let interval = reference.interval(pad, reading.units)?;
    let rung = reading.number.as_ref().and(reading.rung).and_then(|r| pad.rungs.get(r));
    interval.flag(rung.and_then(|r| r.label(reading.units)).or(reading.number.as_ref())?)
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
