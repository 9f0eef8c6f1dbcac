//! What must hold of every pad before a single result is read with it.

use rust_decimal::Decimal;

use super::{Kind, Pad, Rung};
use crate::codes::Analyte;
use crate::figure::Figure;
use crate::grades::Grade;
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
        (_, None) => Some(("a rung without grade".into(), "grade = \"1+\"")),
        (Kind::Nominal | Kind::TwoStep, Some(_)) if numbers => {
            Some(("a number".into(), "no numbers on a pad of this kind"))
        }
        (Kind::Nominal, Some(grade)) => {
            let plain = |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'-';
            let fits = (1..=20).contains(&grade.len()) && grade.bytes().all(plain);
            let named = fits && !rung.text.is_empty();
            (!named).then(|| (quote(grade), "a code in capitals and text = \"...\""))
        }
        (_, Some(grade)) => Grade::find(grade)
            .is_none()
            .then(|| (quote(grade), "NEG, NORM, TR, 1+, 2+, 3+, 4+, POS")),
    }
}

/// Both labels are there with the same comparator, and the SI one is the converted conventional
/// one.
fn systems(pad: &Pad, analyte: &Analyte, rung: &Rung) -> Option<(String, String)> {
    let (conventional, si) = match (&rung.conventional, &rung.si) {
        (None, None) => return None,
        (Some(conventional), Some(si)) => (conventional, si),
        _ => return Some((name(rung), "a number in both unit systems, or in neither".into())),
    };
    let measures = (pad.measure(Units::Conventional)?, pad.measure(Units::Si)?);
    if conventional.comparator != si.comparator {
        let found = format!("{} and {}", conventional.text(), si.text());
        return Some((found, "the same comparator in both unit systems".into()));
    }
    let factor = measures.0.unit.factor(measures.1.unit, analyte.molar_mass())?;
    let exact = conventional.value().checked_mul(factor)?;
    let apart = (si.value() - exact).abs();
    (apart > exact * TOLERANCE).then(|| {
        let unit = measures.1.unit.ucum;
        let found = format!("{} {unit} for {}", si.text(), conventional.text());
        (found, format!("within 5 % of the converted {} {unit}", exact.round_dp(4).normalize()))
    })
}

fn ascends(kind: Kind, lower: &Rung, upper: &Rung) -> bool {
    if kind == Kind::Nominal {
        return lower.grade != upper.grade;
    }
    let number = |rung: &Rung| rung.conventional.as_ref().map(Figure::order);
    let si = |rung: &Rung| rung.si.as_ref().map(Figure::order);
    // A rung without number can only be lowest: None is before Some.
    let numbers = number(lower) < number(upper) && si(lower) < si(upper);
    match (lower.rank(), upper.rank()) {
        (Some(a), Some(b)) if a == b => lower.grade == upper.grade && numbers,
        (Some(a), Some(b)) => {
            a < b && (numbers || (number(lower).is_none() && number(upper).is_none()))
        }
        _ => numbers,
    }
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

/// What `check` tells of a pad's codes.
pub(super) fn notes(pad: &Pad) -> Vec<String> {
    let note = |property| {
        let what = super::Property::key(property);
        let local = pad.local(property).code;
        match (pad.automated.get(&property), pad.manual.get(&property)) {
            (Some(_), Some(_)) => None,
            (None, Some(manual)) => Some(format!(
                "{}: no automated code for its {what}; the manual one, {}, is sent in both sets",
                pad.id, manual.code
            )),
            (Some(_), None) => Some(format!(
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
