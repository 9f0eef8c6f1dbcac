//! What must hold of every pad before a single result is read with it.

use rust_decimal::Decimal;

use super::{Kind, Pad, Rung};
use crate::codes::Analyte;
use crate::figure::Figure;
use crate::grades::{Grade, is_grade};
use crate::observation::Comparator;
use crate::sheet::Keys;
use crate::units::Units;
use crate::words::quote;

/// An SI label may differ so much from the converted conventional label. Printed ladders round
/// freely; more than this is a typing error or another substance. Common practice, no source.
const TOLERANCE: Decimal = Decimal::from_parts(5, 0, 0, false, 2);

/// Pads with numbers have a unit in both systems, and something turns one into the other.
pub(super) fn units(keys: &Keys<'_, '_>, pad: &Pad, analyte: &Analyte) {
    let (conventional, si) = (pad.measure(Units::Conventional), pad.measure(Units::Si));
    match (pad.kind, conventional, si) {
        (Kind::TwoStep | Kind::Nominal, None, None) | (Kind::Graded, None, None) => {}
        (Kind::TwoStep | Kind::Nominal, ..) => {
            keys.fault(keys.at, "conventional", "a unit", "no unit on a pad without numbers");
        }
        (_, Some(conventional), Some(si)) => {
            if conventional.unit.factor(si.unit, analyte.molar_mass()).is_none() {
                let found = format!("{} and {}", conventional.unit.ucum, si.unit.ucum);
                keys.fault(keys.at, "si", found, "two units of one quantity of this analyte");
            }
        }
        _ => {
            let allowed = "conventional = { ucum = \"mg/dL\" } and si = { ucum = \"mmol/L\" }";
            keys.fault(keys.at, "conventional", "not both unit systems", allowed);
        }
    }
}

/// The ladder fits the pad's kind, ascends, and says the same in both unit systems.
pub(super) fn ladder(keys: &Keys<'_, '_>, pad: &Pad, analyte: &Analyte, rungs: &[(usize, Rung)]) {
    let least = if pad.kind == Kind::Measured { 0 } else { 2 };
    if rungs.len() < least || (pad.kind == Kind::Measured && !rungs.is_empty()) {
        let allowed = "two rungs or more; none on a measured pad";
        keys.fault(keys.at, "rungs", format!("{} rungs", rungs.len()), allowed);
    }
    for (at, rung) in rungs {
        if let Some((found, allowed)) = misfit(pad.kind, rung) {
            keys.fault(*at, "rungs", found, allowed);
        }
        if let Some((found, allowed)) = systems(pad, analyte, rung) {
            keys.fault(*at, "rungs", found, allowed);
        }
    }
    for pair in rungs.windows(2) {
        let [(_, lower), (at, upper)] = pair else { continue };
        if !ascends(pad.kind, lower, upper) {
            let found = format!("{} after {}", name(upper), name(lower));
            keys.fault(*at, "rungs", found, "rungs in ascending order, each once");
        }
    }
    if let Some(at) = in_order(rungs).filter(|_| pad.kind == Kind::Graded) {
        keys.fault(at, "rungs", "a grade out of its order", "each grade once, from the lowest up");
    }
    if pad.kind == Kind::Graded && rungs.iter().all(|(_, rung)| rung.grade.is_none()) {
        keys.fault(keys.at, "rungs", "no grade", "a grade on a rung, or kind = \"stepped\"");
    }
    if pad.kind == Kind::TwoStep {
        let grades: Vec<_> = rungs.iter().filter_map(|(_, r)| r.grade.as_deref()).collect();
        if grades != ["NEG", "POS"] {
            keys.fault(keys.at, "rungs", grades.join(", "), "NEG, POS");
        }
    }
}

fn name(rung: &Rung) -> String {
    let label = rung.conventional.as_ref().map(Figure::text);
    let parts: Vec<String> = [rung.grade.clone(), label].into_iter().flatten().collect();
    quote(&parts.join(" "))
}

/// What a rung of this kind of pad may not be.
fn misfit(kind: Kind, rung: &Rung) -> Option<(String, &'static str)> {
    let numbers = rung.conventional.is_some() || rung.si.is_some();
    match (kind, &rung.grade) {
        (Kind::Stepped | Kind::Measured, Some(grade)) => {
            Some((format!("grade {}", quote(grade)), "numbers only on a stepped pad"))
        }
        (Kind::Stepped, None) => {
            let whole = rung.conventional.is_some() && rung.si.is_some();
            (!whole).then(|| ("a rung without number".into(), "a number in both unit systems"))
        }
        // Many inserts list NEG and then numbers.
        (Kind::Graded, None) => {
            (!numbers).then(|| ("neither grade nor number".into(), "a grade or a number, or both"))
        }
        (_, None) => Some(("a rung without grade".into(), "grade = \"1+\"")),
        (Kind::Nominal | Kind::TwoStep, Some(_)) if numbers => {
            Some(("a number".into(), "no numbers on a pad of this kind"))
        }
        (Kind::Nominal, Some(grade)) => (!is_own(grade, &rung.text) || grade.contains(['+', '.']))
            .then(|| (quote(grade), "a code in capitals and text = \"...\"")),
        (_, Some(grade)) => (Grade::find(grade).is_none() && !is_own(grade, &rung.text)).then(|| {
            let allowed = "NEG, NORM, TR, 0.5+, 1+, 2+, 3+, 4+, 5+, POS, or a code of its own in capitals with \
                           text = \"...\"";
            (quote(grade), allowed)
        }),
    }
}

/// A grade that the strip names itself: its code is sent in our local table, its text beside it.
fn is_own(grade: &str, text: &str) -> bool {
    is_grade(grade) && !text.is_empty()
}

/// Both labels are there with the same comparator, and the SI one is the converted conventional
/// one.
fn systems(pad: &Pad, analyte: &Analyte, rung: &Rung) -> Option<(String, String)> {
    let (conventional, si) = match (&rung.conventional, &rung.si) {
        (None, None) => return None,
        (Some(conventional), Some(si)) => (conventional, si),
        _ => return Some((name(rung), "a number in both unit systems, or in neither".into())),
    };
    if conventional.comparator != si.comparator || conventional.to.is_some() != si.to.is_some() {
        let found = format!("{} and {}", conventional.text(), si.text());
        let allowed = "the same comparator in both unit systems, or a range in both";
        return Some((found, allowed.into()));
    }
    let (low, high) = converted(pad, analyte, conventional)?;
    let apart = |label: Decimal, exact: Decimal| (label - exact).abs() > exact * TOLERANCE;
    let far = apart(si.value(), low) || apart(si.upper(), high);
    (far && !rung.as_printed).then(|| {
        let unit = pad.measure(Units::Si).map_or("", |m| m.unit.ucum);
        let found = format!("{} {unit} for {}", si.text(), conventional.text());
        let exact = exact_text(conventional, low, high);
        let allowed = format!(
            "within 5 % of the converted {exact} {unit}, or as-printed = true where the insert prints it so"
        );
        (found, allowed)
    })
}

/// A conventional label in the SI unit, both ends of a range.
fn converted(pad: &Pad, analyte: &Analyte, label: &Figure) -> Option<(Decimal, Decimal)> {
    let measures = (pad.measure(Units::Conventional)?, pad.measure(Units::Si)?);
    let factor = measures.0.unit.factor(measures.1.unit, analyte.molar_mass())?;
    Some((label.value().checked_mul(factor)?, label.upper().checked_mul(factor)?))
}

fn exact_text(label: &Figure, low: Decimal, high: Decimal) -> String {
    let sign = label.comparator.map_or("", Comparator::text);
    let to = label.to.as_ref().map(|_| format!("-{}", high.round_dp(4).normalize()));
    format!("{sign}{}{}", low.round_dp(4).normalize(), to.unwrap_or_default())
}

/// What `check` tells of SI labels that are the insert's own.
fn as_printed(pad: &Pad) -> Vec<String> {
    let Some(analyte) = Analyte::find(&pad.id) else { return Vec::new() };
    let unit = |units| pad.measure(units).map_or("", |m| m.unit.ucum);
    let note = |rung: &Rung| {
        let (conventional, si) = (rung.conventional.as_ref()?, rung.si.as_ref()?);
        let (low, high) = converted(pad, analyte, conventional)?;
        let off =
            |label: Decimal, exact: Decimal| (label - exact).checked_div(exact).unwrap_or_default();
        let (first, last) = (off(si.value(), low), off(si.upper(), high));
        let off = if last.abs() > first.abs() { last } else { first } * Decimal::ONE_HUNDRED;
        let text = format!(
            "{}: {} {} is {} {} as the insert prints it; converted it is {}, {:+} %",
            pad.id,
            conventional.text(),
            unit(Units::Conventional),
            si.text(),
            unit(Units::Si),
            exact_text(conventional, low, high),
            off.round_dp(1).normalize(),
        );
        Some((off.abs(), text))
    };
    let mut notes: Vec<_> = pad.rungs.iter().filter(|r| r.as_printed).filter_map(note).collect();
    // The one that is most likely a typing error first.
    notes.sort_by_key(|note| std::cmp::Reverse(note.0));
    notes.into_iter().map(|(_, text)| text).collect()
}

fn ascends(kind: Kind, lower: &Rung, upper: &Rung) -> bool {
    if kind == Kind::Nominal {
        return lower.grade != upper.grade;
    }
    // A rung without number can only be lowest.
    let rises = |units| match (lower.label(units), upper.label(units)) {
        (Some(a), Some(b)) => a.is_below(b),
        (below, above) => below.is_none() && above.is_some(),
    };
    let numbers = rises(Units::Conventional) && rises(Units::Si);
    let same = lower.conventional == upper.conventional && lower.si == upper.si;
    let none = lower.conventional.is_none() && upper.conventional.is_none();
    match (&lower.grade, &upper.grade, lower.rank(), upper.rank()) {
        (a, b, Some(one), Some(other)) if one == other => a == b && numbers,
        (.., Some(one), Some(other)) => one < other && (numbers || none),
        // Grades of its own stand in the order of the file, and two may stand beside one number: trace of
        // intact cells, trace of haemolysed ones.
        (Some(a), Some(b), ..) => numbers || (a != b && (none || same)),
        _ => numbers,
    }
}

/// No grade comes back after another, and those of our table stand in its order also across its own.
fn in_order(rungs: &[(usize, Rung)]) -> Option<usize> {
    let mut seen: Vec<&str> = Vec::new();
    let mut rank = 0;
    for (at, rung) in rungs {
        let Some(grade) = rung.grade.as_deref() else { continue };
        let again = seen.contains(&grade) && seen.last() != Some(&grade);
        if again || rung.rank().is_some_and(|r| r < rank) {
            return Some(*at);
        }
        rank = rung.rank().unwrap_or(rank);
        seen.push(grade);
    }
    None
}

/// A measured pad's factor is the exact one, within the ladder's tolerance.
pub(super) fn factor(keys: &Keys<'_, '_>, at: usize, value: Decimal, pad: &Pad, analyte: &Analyte) {
    let measures = pad.measure(Units::Conventional).zip(pad.measure(Units::Si));
    let exact = measures.and_then(|(c, s)| c.unit.factor(s.unit, analyte.molar_mass()));
    if let Some(exact) = exact
        && (value - exact).abs() > exact * TOLERANCE
    {
        let allowed = format!("within 5 % of {}", exact.round_dp(6).normalize());
        keys.fault(at, "factor", value.to_string(), allowed);
    }
}

/// What `check` tells of a pad's labels, and of one that is not `required` any more.
pub(super) fn notes(pad: &Pad, required: bool) -> Vec<String> {
    let lax = (required && pad.optional).then(|| {
        format!(
            "{}: optional here and required on the strip that this one extends: a report without it is complete, and \
             nobody asks where it is",
            pad.id
        )
    });
    as_printed(pad).into_iter().chain(lax).collect()
}

/// What `check` tells of a pad's codes to whom gets the automated set, or the manual one.
pub(super) fn gaps(pad: &Pad, automated: bool) -> Vec<String> {
    let note = |property| {
        let what = super::Property::key(property);
        let local = pad.local(property).code;
        match (pad.automated.get(&property), pad.manual.get(&property)) {
            (Some(_), _) if automated => None,
            (_, Some(_)) if !automated => None,
            (_, Some(manual)) => Some(format!(
                "{}: no automated code for its {what}; the manual one, {}, is sent in both sets",
                pad.id, manual.code
            )),
            (Some(_), _) => Some(format!(
                "{}: no manual code for its {what}; our local code {local} is sent in that set",
                pad.id
            )),
            (None, None) => Some(format!(
                "{}: no published code for its {what}; our local code {local} is sent",
                pad.id
            )),
        }
    };
    pad.properties().into_iter().filter_map(note).collect()
}
