//! Why a reading goes out as it does: how its number was converted, and what decided its flag.

use serde::Serialize;
use wickline_normalize::codes::Analyte;
use wickline_normalize::readings::Reading;
use wickline_normalize::references::{Interval, Reference};
use wickline_normalize::strip::{Kind, Measure, Pad, Rung};
use wickline_normalize::words::quote;
use wickline_normalize::{Choice, Class, Figure, Flag, Grades, Units};

const LADDER: &str = "by the ladder";

/// How a printed number becomes the one that is sent.
#[derive(Debug, Serialize)]
pub struct Conversion {
    /// As printed, in the unit that it was taken for.
    pub from: String,
    /// As sent.
    pub to: String,
    /// `as printed`, `by the ladder`, `measured` or `not sent`.
    pub how: &'static str,
    /// How many of the unit sent one of the printed unit is.
    pub factor: Option<String>,
    pub words: String,
}

/// None: no number was printed, so none is sent.
pub fn conversion(pad: &Pad, reading: &Reading, choice: &Choice) -> Option<Conversion> {
    let printed = reading.number.as_ref()?;
    let from = pad.measure(reading.units);
    if let Some(unit) =
        reading.printed.unit.as_deref().filter(|u| !pad.is_spelled(reading.units, u))
    {
        let words = format!("not converted: {} is not the unit that is expected", quote(unit));
        return Some(not_sent(format!("{} {unit}", printed.text()), words));
    }
    let shown = with_unit(printed, from);
    if choice.grades == Grades::Only && reading.grade.is_some() {
        return Some(not_sent(shown, "not sent: this receiver takes the grade alone".into()));
    }
    let to = pad.measure(choice.units);
    let factor = factor(pad, reading.units, choice.units);
    if pad.kind == Kind::Measured {
        return Some(measured(pad, reading, choice, shown, factor));
    }
    let rung = reading.rung.and_then(|r| pad.rungs.get(r));
    let Some((rung, label)) = rung.and_then(|r| Some((r, r.label(choice.units)?))) else {
        // With its unit lacking, or with another grade beside it, it was found and not taken.
        let found = !pad.rungs_meant(printed, reading.units).is_empty();
        let why = if found { "taken for no rung: see why it is held" } else { "on no rung" };
        // Without a unit of its own it is shown with none.
        let shown = if reading.printed.unit.is_some() { shown } else { printed.text() };
        let words = format!("{shown} is {why}");
        return Some(not_sent(shown, words));
    };
    let sent = with_unit(label, to);
    let (how, words) = match &factor {
        _ if sent == shown => ("as printed", "as printed: the ladder has this label".to_owned()),
        _ if rung.as_printed => {
            let words = format!("by the ladder: {shown} is {sent} as the strip's insert prints it");
            return Some(Conversion { from: shown, to: sent, how: LADDER, factor: None, words });
        }
        Some(factor) => {
            let exact = format!("calculated, 1 {} is {factor} {}", unit(from), unit(to));
            (LADDER, format!("by the ladder, with its own rounding: {shown} is {sent} ({exact})"))
        }
        None => (LADDER, format!("by the ladder: {shown} is {sent}")),
    };
    Some(Conversion { from: shown, to: sent, how, factor, words })
}

fn not_sent(from: String, words: String) -> Conversion {
    Conversion { from, to: String::new(), how: "not sent", factor: None, words }
}

fn measured(
    pad: &Pad,
    reading: &Reading,
    choice: &Choice,
    shown: String,
    factor: Option<String>,
) -> Conversion {
    if reading.units == choice.units {
        let words = "as printed: nothing is converted".to_owned();
        return Conversion { to: shown.clone(), from: shown, how: "as printed", factor, words };
    }
    let by = pad.measured.as_ref();
    let words = by.map_or_else(String::new, |by| match choice.units {
        Units::Si => format!("times {}, rounded to {} decimals", by.factor, by.si_digits),
        Units::Conventional => {
            format!("divided by {}, rounded to {} decimals", by.factor, by.conventional_digits)
        }
    });
    // What it becomes is in the OBX: the calculation itself is not done a second time here.
    let to = unit(pad.measure(choice.units)).to_owned();
    Conversion { from: shown, to, how: "measured", factor, words }
}

/// How many of one unit the other is. None: the same, or nothing converts them.
fn factor(pad: &Pad, from: Units, to: Units) -> Option<String> {
    if from == to {
        return None;
    }
    if let Some(measured) = &pad.measured {
        return Some(measured.factor.normalize().to_string());
    }
    let mass = Analyte::find(&pad.id).and_then(Analyte::molar_mass);
    let factor = pad.measure(from)?.unit.factor(pad.measure(to)?.unit, mass)?;
    let factor = factor.round_sf(5).unwrap_or(factor).normalize();
    (factor.to_string() != "1").then(|| factor.to_string())
}

fn unit(measure: Option<&Measure>) -> &'static str {
    measure.map_or("", |m| m.unit.text)
}

fn with_unit(figure: &Figure, measure: Option<&Measure>) -> String {
    format!("{} {}", figure.text(), unit(measure)).trim_end().to_owned()
}

/// What decided the flag, or why there is none.
pub fn flag(
    pad: Option<&Pad>,
    reading: &Reading,
    reference: Option<&Reference>,
    class: Class,
) -> String {
    let Some(pad) = pad else { return "none: the label is no pad of this strip".into() };
    if reading.unread.is_some() {
        return "none: the pad was not read".into();
    }
    if reading.grade.is_none() && reading.number.is_none() {
        return "none: the result was not understood".into();
    }
    if class == Class::Control && reading.flag.is_none() {
        return "none: control material gets no flag".into();
    }
    let Some(reference) = reference else {
        let bare = format!("no reference is configured for {}", pad.id);
        return match (reading.flag, &reading.printed.mark) {
            (Some(flag), Some(mark)) => {
                format!("{}: the analyzer's own mark {}; {bare}", flag.text(), quote(mark))
            }
            (None, Some(mark)) => {
                format!("none: the analyzer's own mark {} has no flag, and {bare}", quote(mark))
            }
            _ => format!("none: {bare}"),
        };
    };
    let said = format!("reference {} = {}", pad.id, String::from(reference.clone()));
    if let (true, Some(flag), Some(mark)) = (reading.by_mark, reading.flag, &reading.printed.mark) {
        let text = flag.text();
        return format!("{text}: the analyzer's own mark {}; {said} cannot tell", quote(mark));
    }
    match reference {
        Reference::AtMost(highest) => by_grade(pad, reading, highest, &said),
        Reference::Between(_) => match reference.judging(pad, reading.units) {
            Some((units, interval)) => by_interval(pad, reading, units, interval, &said),
            None => format!("none: {said} has no interval for this pad"),
        },
    }
}

fn by_grade(pad: &Pad, reading: &Reading, highest: &str, said: &str) -> String {
    let rung = reading.rung.and_then(|r| pad.rungs.get(r)).map(Rung::name);
    let Some(grade) = reading.grade.as_ref().or(rung.as_ref()) else {
        return format!("none: {said} is a grade, and this reading has none");
    };
    match reading.flag {
        None => format!("none: {said} cannot be compared with {grade}"),
        Some(flag) if pad.kind == Kind::Nominal => {
            let not = if flag == Flag::N { "" } else { "not " };
            format!("{}: {grade} is {not}{highest} ({said})", flag.text())
        }
        Some(Flag::N) => format!("N: {grade} is not above {highest} ({said})"),
        Some(flag) => format!("{}: {grade} is above {highest} ({said})", flag.text()),
    }
}

fn by_interval(
    pad: &Pad,
    reading: &Reading,
    units: Units,
    interval: &Interval,
    said: &str,
) -> String {
    let rungs = pad.rungs_of(reading);
    let rung = rungs.first().and_then(|r| pad.rungs.get(*r)).filter(|_| rungs.len() == 1);
    let printed = reading.number.as_ref().filter(|_| units == reading.units);
    let Some(label) = rung.and_then(|r| r.label(units)).or(printed) else {
        let name = reading.grade.as_deref().unwrap_or("this reading");
        return match reading.flag {
            Some(Flag::N) => format!("N: {name} lies below every number, and {said} begins with 0"),
            Some(flag) => format!("{}: {name} lies below every number ({said})", flag.text()),
            None => format!("none: {name} has no number that {said} could judge"),
        };
    };
    let text = label.text();
    match reading.flag {
        Some(Flag::N) => format!("N: {text} lies in {said}"),
        Some(Flag::L) => format!("L: {text} lies below {} ({said})", interval.low.digits),
        Some(Flag::H) => format!("H: {text} lies above {} ({said})", interval.high.digits),
        Some(Flag::A) => format!("A: {text} ({said})"),
        None if label.comparator.is_some() => {
            format!("none: {text} has no end and may lie in or out of {said}")
        }
        None if label.to.is_some() => format!("none: {text} lies across an end of {said}"),
        None => format!("none: {text} cannot be compared with {said}"),
    }
}
