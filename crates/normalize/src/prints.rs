//! Prints for tests: whole reports as a dialect would hand them over, and tables of
//! values.

use crate::figure::Figure;
use crate::hold::Reason;
use crate::judge::{Earlier, Facts, Judged, judge};
use crate::moment::Moment;
use crate::report::{Mark, MarkMeaning, PrintedReading, Private, Report, Status, Text};
use crate::rules::Rules;
use crate::strip::{Kind, Pad, Rung, Strip};
use crate::units::Units;

pub(crate) const DAY: &str = "2025-03-14";

/// One printed reading.
pub(crate) fn reading(label: &str, parts: &[&str], unit: &str) -> PrintedReading {
    PrintedReading {
        label: label.into(),
        parts: parts.iter().map(|p| Text::new(p)).collect(),
        unit: Some(Text::new(unit)).filter(|u| !u.is_empty()),
        unit_implied: false,
        second: None,
        mark: None,
        status: Status::Final,
        taken: None,
        line: 0,
    }
}

/// How a rung is printed: its grade, its label, its unit.
pub(crate) fn printed(pad: &Pad, rung: &Rung, units: Units) -> PrintedReading {
    let label = rung.label(units).map(Figure::text);
    let parts: Vec<&str> =
        [rung.grade.as_deref(), label.as_deref()].into_iter().flatten().collect();
    let unit = label.as_ref().and(pad.measure(units)).map_or("", |m| m.unit.text);
    reading(&pad.id, &parts, unit)
}

/// A routine report of every pad that must be there, each on its lowest rung, scales in the middle.
pub(crate) fn report(strip: &Strip, units: Units) -> Report {
    let usual = |pad: &Pad| if pad.kind == Kind::Stepped { pad.rungs.len() / 2 } else { 0 };
    let pads = strip.pads.iter().filter(|p| !p.optional && !p.rungs.is_empty());
    let mut readings: Vec<_> = pads.map(|p| printed(p, &p.rungs[usual(p)], units)).collect();
    readings.iter_mut().enumerate().for_each(|(n, r)| r.line = n + 3);
    Report {
        number: Some("0012".into()),
        specimen: Some(Private::new("KP-10023")),
        taken: Moment::from_digits("20250314091500"),
        readings,
        ..Report::default()
    }
}

/// The ten-pad report that nothing is wrong with.
pub(crate) fn ten() -> Report {
    report(&strip("ten-pad"), Units::Conventional)
}

pub(crate) fn strip(name: &str) -> Strip {
    Strip::builtin(name).expect(name)
}

/// Puts another reading in the place of the one with the same label.
pub(crate) fn with(mut report: Report, new: PrintedReading) -> Report {
    let old = report.readings.iter_mut().find(|r| r.label == new.label).expect("the pad is there");
    *old = PrintedReading { line: old.line, ..new };
    report
}

pub(crate) fn mark(text: &str, meaning: MarkMeaning) -> Option<Mark> {
    Some(Mark { text: text.into(), meaning })
}

/// Judges with the ten-pad strip.
pub(crate) fn judged(report: &Report, rules: &Rules, earlier: &[Earlier]) -> Judged {
    let heard = Moment::from_digits("20250314091530").expect("a time");
    judge(
        report,
        &[strip("ten-pad")],
        rules,
        &Facts { earlier, heard, day: DAY, sequence: None, controls: None, lot: None },
    )
}

/// The codes of why a report is held, under the default rules.
pub(crate) fn reasons(report: &Report) -> Vec<&'static str> {
    codes(&judged(report, &Rules::default(), &[]))
}

pub(crate) fn codes(judged: &Judged) -> Vec<&'static str> {
    let mut codes: Vec<_> = judged.holds.iter().map(|h| h.reason).map(Reason::code).collect();
    codes.dedup();
    codes
}

/// The rows of a table under `fixtures/normalize`, without its source line and head.
pub(crate) fn table(text: &'static str) -> Vec<Vec<&'static str>> {
    text.lines().filter(|l| !l.starts_with('#')).skip(1).map(|l| l.split(',').collect()).collect()
}
