//! The judgment: what becomes of a report, given its strip, the rules and what was heard before.
//!
//! [`judge`] is the one function through which a print becomes something that may be sent. It asks the parts in
//! a fixed order: whose it is ([`mod@crate::class`]), what the dialect and the rules doubt, what each pad says
//! (`strip_reading`), how controls stand, whether it was heard before. All reasons are kept; the first that was found
//! is the first that is shown. It reads no clock and no store: what it must know beside the print comes as
//! [`Facts`], so that judging again the same way gives the same.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::class::{Class, Role, class, second_specimen, specimen};
use crate::controls::{Locked, Standing};
use crate::hold::{Hold, Reason};
use crate::identity;
use crate::moment::Moment;
use crate::readings::Reading;
use crate::remark::Remark;
use crate::report::{PrintedReading, Private, Report};
use crate::rules::Rules;
use crate::strip::Strip;
use crate::strip_reading::StripReading;
use crate::words::quote;

/// Holds of one reason that a report keeps; the last one says how many more there were.
const SAME_REASON: usize = 20;

/// What is known beside the report.
#[derive(Clone, Copy, Debug)]
pub struct Facts<'a> {
    /// Earlier reports of this analyzer with the same number or specimen, repeats left out.
    pub earlier: &'a [Earlier],
    /// When the line brought it, by our own clock with the site's offset.
    pub heard: Moment,
    /// The local date taken, else heard: `2025-03-14`.
    pub day: &'a str,
    /// The sequence that its number belongs to ([`crate::account::Spot::sequence`]): the same number
    /// in another one is not used twice. None: by the day alone.
    pub sequence: Option<&'a str>,
    /// How the analyzer's controls stood when the report was taken. None counts as due: without a
    /// lockout it does not matter.
    pub controls: Option<&'a Standing>,
    /// The strips in use, as a person entered them. What the print names stands above it.
    pub lot: Option<&'a StripLot>,
}

/// A lot of strips in use.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StripLot {
    /// As the box names it.
    pub lot: String,
    /// The last day that it may be used on, `2026-03-31`.
    pub last_day: Option<String>,
}

impl StripLot {
    /// The lot that a report was run with: as printed, else as entered.
    #[must_use]
    pub fn of<'s>(report: &'s Report, entered: Option<&'s StripLot>) -> Option<&'s str> {
        let printed = report.strip_lot.as_deref().map(str::trim).filter(|l| !l.is_empty());
        printed.or_else(|| entered.map(|e| e.lot.as_str()))
    }
}

/// A report heard before, as far as a later one is compared with it.
#[derive(Clone)]
pub struct Earlier {
    /// The report's id in the ledger.
    pub id: i64,
    /// A class by its code.
    pub class: String,
    /// As printed.
    pub number: Option<String>,
    /// As printed, with what the scanner put around it.
    pub specimen: Option<String>,
    /// The date that it prints, else the day that it was heard on: `2025-03-14`.
    pub day: String,
    /// [`Judged::sequence`] of then.
    pub sequence: Option<String>,
    /// [`Judged::identity`] of then.
    pub identity: String,
    /// False while it is known to be cut off.
    pub complete: bool,
    /// As printed.
    pub readings: Vec<PrintedReading>,
}

/// What became of a report.
#[derive(Clone)]
pub struct Judged {
    /// Routine, urgent or control; what contradicts it is among the holds.
    pub class: Class,
    /// Of control material, where a sign names it.
    pub level: Option<String>,
    /// The specimen id, accepted: None on controls and while it is blank or malformed.
    pub specimen: Option<Private>,
    /// In the order of the print; what was not understood is among them, with a hold.
    pub readings: Vec<Reading>,
    /// Empty on a repeat, and on what is filed or ready. At most 20 of one reason, the last saying how
    /// many more.
    pub holds: Vec<Hold>,
    /// What goes out with it, should it go: never on controls.
    pub remarks: Vec<Remark>,
    /// Where it goes from here.
    pub way: Way,
    /// Equal for two prints of the same run, whatever carried them.
    pub identity: String,
    /// As the facts had it.
    pub sequence: Option<String>,
    /// The strip that it was read with; empty when none could be chosen.
    pub strip: String,
    /// Any sign of control material: bars the way to a patient's chart for ever.
    pub control_sign: bool,
}

/// Where a report goes from here.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", tag = "way")]
pub enum Way {
    /// Control material, understood: kept, never sent as a patient's.
    Filed,
    /// Heard before: kept, linked, not sent.
    Repeat {
        /// [`Earlier::id`] of the report that was heard first.
        of: i64,
    },
    /// Waits for a person.
    Held,
    /// Can go out.
    Ready,
}

impl Judged {
    /// Whose it is, and so who may be told of it.
    #[must_use]
    pub fn role(&self) -> Role {
        Role::of(self.control_sign, self.level.as_deref())
    }

    /// An earlier report with this identity is known by that alone: this one is a repeat of it, unless nothing
    /// but its readings tells whose it is.
    pub fn repeats(&mut self, report: &Report, of: i64) {
        let specimen = report.specimen.as_ref().map(Private::expose);
        let linked = report.number.is_some() || specimen.is_some_and(|s| !s.is_empty());
        if linked && !matches!(self.way, Way::Repeat { .. }) {
            self.holds.clear();
            self.way = Way::Repeat { of };
        }
    }
}

impl Earlier {
    /// A report just judged, for those that follow it.
    #[must_use]
    pub fn of(id: i64, day: &str, report: &Report, judged: &Judged) -> Earlier {
        Earlier {
            id,
            class: judged.class.code().to_owned(),
            number: report.number.clone(),
            specimen: report.specimen.as_ref().map(|s| s.expose().to_owned()),
            day: day.to_owned(),
            sequence: judged.sequence.clone(),
            identity: judged.identity.clone(),
            complete: is_complete(report),
            readings: report.readings.clone(),
        }
    }

    /// True when both prints are of one run as far as number (else specimen) and day tell.
    ///
    /// Nothing is the same run by its readings alone.
    fn is_of(&self, report: &Report, day: &str) -> bool {
        let specimen = || report.specimen.as_ref().map(Private::expose).filter(|s| !s.is_empty());
        let same = match (&report.number, &self.number) {
            (Some(number), Some(earlier)) => number == earlier,
            (None, None) => specimen().is_some_and(|s| self.specimen.as_deref() == Some(s)),
            _ => false,
        };
        same && self.day == day
    }

    /// True when both have the same number in the same sequence; where none is known, on one day.
    fn shares_number(&self, report: &Report, facts: &Facts<'_>) -> bool {
        match (&self.sequence, facts.sequence) {
            (Some(own), Some(other)) => own == other && self.number == report.number,
            _ => self.is_of(report, facts.day),
        }
    }

    /// True when this is the beginning of that report, cut off, and holds nothing else.
    fn is_part_of(&self, class: Class, report: &Report, day: &str) -> bool {
        let specimen = report.specimen.as_ref().map(Private::expose);
        let recurs = |old: &PrintedReading| {
            report.readings.iter().any(|new| identity::same_reading(old, new))
        };
        !self.complete
            && is_complete(report)
            && self.class == class.code()
            && self.is_of(report, day)
            && self.specimen.as_deref() == specimen
            && self.readings.iter().all(recurs)
    }
}

/// True when an incomplete report may become a repeat of this complete one: same class, number, day
/// and specimen, and every reading of it recurs here. Halves are never joined.
#[must_use]
pub fn superseded(incomplete: &Earlier, complete: &Judged, report: &Report, day: &str) -> bool {
    incomplete.is_part_of(complete.class, report, day)
}

fn is_complete(report: &Report) -> bool {
    !report.doubts.iter().any(|d| d.reason == Reason::Incomplete)
}

/// Judges one report. Pure: the same arguments give the same judgment, and nothing is guessed.
///
/// The strips are those of the analyzer; the rules are its own with the laboratory's. A report is ready
/// only when no part of it raised a hold.
#[must_use]
pub fn judge(report: &Report, strips: &[Strip], rules: &Rules, facts: &Facts<'_>) -> Judged {
    let classed = class(report, rules);
    let control = classed.control_sign;
    let mut holds = report.doubts.clone();
    // Half a line is no fault of the dialect: that the print was cut off says it first.
    holds.sort_by_key(|hold| hold.reason != Reason::Incomplete);
    holds.extend(classed.holds);
    holds.extend(sender(report, rules));
    // An expired strip makes a control run none; it need not be held for that.
    holds.extend(expired(report, facts.lot, facts.day).filter(|_| !control));
    let accepted = if control { None } else { accepted(report, rules, &mut holds) };
    let strip = choose(report, strips);
    let mut readings = Vec::new();
    match strip {
        Ok(strip) => {
            let (read, found) = StripReading { strip, strips, rules, control }.read(report);
            readings = read;
            holds.extend(found);
        }
        Err(ref hold) => holds.push(hold.clone()),
    }
    let mut remarks: Vec<Remark> = undated(report).filter(|_| !control).into_iter().collect();
    let policy = &rules.controls_policy;
    let sign = report.controls_not_passed.then(|| policy.of_own_sign(classed.class));
    for locked in [Some(policy.of(classed.class, facts.controls)), sign].into_iter().flatten() {
        match locked {
            Locked::Held(hold) => holds.push(hold),
            Locked::Warned(remark) => remarks.push(remark),
            Locked::No => {}
        }
    }
    let identity = identity::of(report, classed.class, facts.day);
    let same = |e: &&Earlier| e.is_of(report, facts.day);
    let repeat = facts.earlier.iter().filter(same).find(|e| e.identity == identity).map(|e| e.id);
    if repeat.is_none() {
        holds.extend(reused(report, classed.class, &identity, facts));
    }
    let way = match repeat {
        Some(of) => Way::Repeat { of },
        None if !holds.is_empty() => Way::Held,
        None if control => Way::Filed,
        None => Way::Ready,
    };
    Judged {
        class: classed.class,
        level: classed.level,
        specimen: accepted,
        readings,
        // A repeat waits for nobody: what was held is the report that it repeats.
        holds: if repeat.is_some() { Vec::new() } else { bounded(holds) },
        remarks,
        way,
        identity,
        sequence: facts.sequence.map(str::to_owned),
        strip: strip.map(|s| s.id.clone()).unwrap_or_default(),
        control_sign: control,
    }
}

/// A patient's specimen id, unless something speaks against it; then a person says whose it is.
fn accepted(report: &Report, rules: &Rules, holds: &mut Vec<Hold>) -> Option<Private> {
    // What the dialect doubts of the id is said by its doubt.
    if report.doubts.iter().any(|d| d.reason == Reason::SpecimenMalformed) {
        return None;
    }
    let beside = second_specimen(report, rules);
    match (specimen(report, rules), beside) {
        (Ok(id), None) => Some(id),
        (found, beside) => {
            holds.extend(found.err());
            holds.extend(beside);
            None
        }
    }
}

/// Where the print has no date, ours goes out in its place, and the receiver is told.
fn undated(report: &Report) -> Option<Remark> {
    report.taken.is_none().then(|| {
        Remark::new(
            "time-heard",
            "Time of reception: the analyzer printed no date with this result",
        )
    })
}

/// Stands in [`Rules::sender`] where the instrument's serial number does.
pub const SERIAL: &str = "{serial}";

/// The serial number in what a sender says of itself. None: the pattern asks for none, or it says something else.
#[must_use]
pub fn serial_in<'h>(pattern: &str, heard: &'h str) -> Option<&'h str> {
    let (before, after) = pattern.split_once(SERIAL)?;
    let serial = heard.trim().strip_prefix(before)?.strip_suffix(after)?;
    // Part of a component would be another's.
    let whole = !serial.trim().is_empty() && !serial.contains('^');
    whole.then(|| serial.trim())
}

fn sender(report: &Report, rules: &Rules) -> Option<Hold> {
    let expected = rules.sender.as_deref().filter(|s| !s.is_empty())?;
    let heard = report.sender.as_deref().unwrap_or("").trim();
    (heard != expected && serial_in(expected, heard).is_none()).then(|| {
        let detail =
            format!("the sender says it is {}; expected {}", quote(heard), quote(expected));
        Hold::new(Reason::SenderUnexpected, detail)
    })
}

/// Strips past their last day on this one. The day that a person entered is for the lot entered with
/// it: where the print names another lot, only the print knows.
#[must_use]
pub fn expired(report: &Report, entered: Option<&StripLot>, day: &str) -> Option<Hold> {
    let lot = StripLot::of(report, entered);
    let printed = report.strip_expiry.map(|last| last.day_text());
    let entered = entered.filter(|e| Some(e.lot.as_str()) == lot);
    let last = printed.or_else(|| entered.and_then(|e| e.last_day.clone()))?;
    (day > last.as_str()).then(|| {
        let lot = lot.unwrap_or("without a number");
        let detail = format!("strip lot {} was good until {last}", quote(lot));
        Hold::new(Reason::StripExpired, detail)
    })
}

/// The strip of a report, where it can be told.
#[must_use]
pub fn strip_of<'a>(report: &Report, strips: &'a [Strip]) -> Option<&'a Strip> {
    choose(report, strips).ok()
}

/// The strip of a report: the one that the print names, else the only one there is. Never by pads. An only strip that
/// has no list of names takes any.
fn choose<'a>(report: &Report, strips: &'a [Strip]) -> Result<&'a Strip, Hold> {
    let name = report.strip.as_deref().map(str::trim).filter(|n| !n.is_empty());
    if let [only] = strips
        && (name.is_none() || only.accepts.is_empty())
    {
        return Ok(only);
    }
    let known: Vec<&str> = strips.iter().map(|s| s.id.as_str()).collect();
    let known = known.join(", ");
    let Some(name) = name else {
        let detail = format!("the print names no strip type, and there are several: {known}");
        return Err(Hold::new(Reason::Unreadable, detail));
    };
    strips.iter().find(|s| s.is_called(name)).ok_or_else(|| {
        let detail =
            format!("strip type {} is none of {known}; add it to a strip's `accepts`", quote(name));
        Hold::new(Reason::Unreadable, detail)
    })
}

/// The same number on the same day with anything else different, unless one is the other's cut-off
/// beginning. Controls and patients may be counted apart: there only the same strip is a matter.
fn reused(report: &Report, class: Class, identity: &str, facts: &Facts<'_>) -> Option<Hold> {
    let number = report.number.as_deref()?;
    if !is_complete(report) {
        return None;
    }
    let apart = |e: &Earlier| (e.class == Class::Control.code()) != (class == Class::Control);
    let other = |e: &&Earlier| {
        e.shares_number(report, facts)
            && !e.is_part_of(class, report, facts.day)
            && (!apart(e) || identity::run(&e.identity) == identity::run(identity))
    };
    facts.earlier.iter().find(other).map(|earlier| {
        let detail = format!(
            "number {} was heard before on {} as report {}, and this one differs from it",
            quote(number),
            earlier.day,
            earlier.id
        );
        Hold::new(Reason::NumberReused, detail)
    })
}

/// Keeps the list of holds readable, and loses no reason.
fn bounded(holds: Vec<Hold>) -> Vec<Hold> {
    let mut kept: Vec<Hold> = Vec::with_capacity(holds.len().min(64));
    let mut more = 0_usize;
    for hold in holds {
        let same = kept.iter().filter(|k| k.reason == hold.reason).count();
        if same < SAME_REASON {
            kept.push(hold);
        } else {
            more += 1;
        }
    }
    if more > 0
        && let Some(last) = kept.last_mut()
    {
        last.detail.push_str(&format!(" (and {more} more of the reasons given)"));
    }
    kept
}

impl fmt::Debug for Judged {
    /// What may be logged: no id, no reading.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let reasons: Vec<Reason> = self.holds.iter().map(|h| h.reason).collect();
        f.debug_struct("Judged")
            .field("class", &self.class)
            .field("way", &self.way)
            .field("holds", &reasons)
            .finish_non_exhaustive()
    }
}

impl fmt::Debug for Earlier {
    /// What may be logged: no id, no reading.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Earlier")
            .field("id", &self.id)
            .field("day", &self.day)
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests;
