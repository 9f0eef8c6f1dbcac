//! One value printed in both unit systems: whether the second number says what the first says.
//!
//! The rule stands here and nowhere else. A printed number stands for everything that rounds to it: half a unit of its
//! last printed digit to either side. Two numbers agree where what the first stands for, converted, and what the
//! second stands for have a value in common, each end of a range with its own, and their comparators are the same.
//! They agree as well where the ladder has both on one rung, since an insert's SI labels need not be our rounding
//! (the source of the factors is that of `units`).

use rust_decimal::Decimal;

use crate::codes::Analyte;
use crate::figure::Figure;
use crate::hold::Reason;
use crate::report::SecondValue;
use crate::strip::Pad;
use crate::units::Units;
use crate::words::quote;

/// Whether the second value is the first one in the other unit system, or why it cannot be taken for it.
pub(crate) fn agrees(
    pad: &Pad,
    units: Units,
    first: &Figure,
    second: &SecondValue,
) -> Result<(), (Reason, String)> {
    let unit = |units| pad.measure(units).map_or("", |m| m.unit.text);
    let printed = quote(&format!("{} {}", second.value, second.unit));
    if !pad.is_spelled(units.other(), &second.unit) {
        let expected = match unit(units.other()) {
            "" => "nothing, for this pad has no other unit".to_owned(),
            unit => unit.to_owned(),
        };
        let detail = format!("the value is printed again as {printed}; expected {expected}");
        return Err((Reason::UnitUnexpected, detail));
    }
    let figure = Figure::read(&second.value);
    if figure.as_ref().is_some_and(|figure| on_one_rung(pad, units, first, figure)) {
        return Ok(());
    }
    let factor = factor(pad, units);
    if figure.zip(factor).is_some_and(|(figure, factor)| rounds_to(first, &figure, factor)) {
        return Ok(());
    }
    let converted = factor.and_then(|factor| first.value().checked_mul(factor));
    let converted = converted.map_or_else(String::new, |value| {
        let value = value.round_sf(4).unwrap_or(value).normalize();
        format!(": the first is {value} {}", unit(units.other()))
    });
    let own = quote(format!("{} {}", first.text(), unit(units)).trim_end());
    let detail = format!("{own} and {printed} are printed as one value and differ{converted}");
    Err((Reason::Unreadable, detail))
}

fn on_one_rung(pad: &Pad, units: Units, first: &Figure, second: &Figure) -> bool {
    let rungs = pad.rungs_meant(second, units.other());
    pad.rungs_meant(first, units).iter().any(|rung| rungs.contains(rung))
}

/// How many of the other unit one of this is. None: nothing converts them.
fn factor(pad: &Pad, units: Units) -> Option<Decimal> {
    if let Some(measured) = &pad.measured {
        return match units {
            Units::Conventional => Some(measured.factor),
            Units::Si => Decimal::ONE.checked_div(measured.factor),
        };
    }
    let (from, to) = (pad.measure(units)?, pad.measure(units.other())?);
    let mass = Analyte::find(&pad.id).and_then(Analyte::molar_mass);
    if let Some(factor) = from.unit.factor(to.unit, mass) {
        return Some(factor);
    }
    Decimal::ONE.checked_div(to.unit.factor(from.unit, mass)?)
}

/// What rounding to the printed digits of either explains.
fn rounds_to(first: &Figure, second: &Figure, factor: Decimal) -> bool {
    let meet = |one: Decimal, other: Decimal, (half, other_half): (Decimal, Decimal)| {
        let apart = one.checked_mul(factor)?.checked_sub(other)?.abs();
        let room = half.checked_mul(factor)?.checked_add(other_half)?;
        Some(apart <= room)
    };
    let halves = |one: &str, other: &str| (half_a_digit(one), half_a_digit(other));
    let of = |figure: &Figure| figure.to.clone().unwrap_or_else(|| figure.digits.clone());
    let lower = meet(first.value(), second.value(), halves(&first.digits, &second.digits));
    let upper = meet(first.upper(), second.upper(), halves(&of(first), &of(second)));
    first.comparator == second.comparator
        && first.to.is_some() == second.to.is_some()
        && lower == Some(true)
        && upper == Some(true)
}

/// Half a unit of the last printed digit: 0.5 of `400`, 0.05 of `22.0`.
fn half_a_digit(digits: &str) -> Decimal {
    let decimals = digits.split_once('.').map_or(0, |(_, decimals)| decimals.len());
    Decimal::new(5, u32::try_from(decimals).unwrap_or(0).saturating_add(1))
}

#[cfg(test)]
mod tests {
    use super::agrees;
    use crate::figure::Figure;
    use crate::prints::strip;
    use crate::report::SecondValue;
    use crate::units::Units;

    fn agree(id: &str, units: Units, first: &str, value: &str, unit: &str) -> Result<(), String> {
        let strip = strip("fourteen-pad");
        let pad = strip.pads.iter().find(|pad| pad.id == id).expect("a pad");
        let second = SecondValue { value: value.into(), unit: unit.into() };
        let figure = Figure::read(first).expect("a number");
        agrees(pad, units, &figure, &second).map_err(|(_, detail)| detail)
    }

    /// Factors as published (`fixtures/normalize/conversion.csv`): 0.0555 for glucose, 88.4 for creatinine, 1 for
    /// cells; the rungs are those of `fixtures/normalize/ladder.csv`.
    #[test]
    fn two_numbers_agree_where_rounding_explains_what_lies_between_them() {
        use Units::{Conventional, Si};
        for (id, units, first, value, unit, good) in [
            ("GLU", Conventional, "400", "22", "mmol/L", true),
            ("GLU", Conventional, "400", "22.2", "mmol/L", true),
            // 399.5 to 400.5 mg/dL are 22.175 to 22.231 mmol/L, and 22.17 is 22.165 to below 22.175.
            ("GLU", Conventional, "400", "22.18", "mmol/L", true),
            ("GLU", Conventional, "400", "22.17", "mmol/L", false),
            ("GLU", Conventional, "400", "22.24", "mmol/L", false),
            ("GLU", Conventional, "400", "23", "mmol/L", false),
            ("GLU", Conventional, "400", "2.2", "mmol/L", false),
            ("GLU", Si, "22", "400", "mg/dL", true),
            ("GLU", Si, "22", "386", "mg/dL", false),
            ("GLU", Conventional, ">=2400", ">=133", "mmol/L", true),
            ("GLU", Conventional, ">=2400", "133", "mmol/L", true),
            ("GLU", Conventional, ">=2400", ">=134", "mmol/L", false),
            ("GLU", Conventional, ">=2400", "<133", "mmol/L", false),
            ("GLU", Conventional, "100", "<5.6", "mmol/L", false),
            ("GLU", Conventional, "100-400", "5.6-22", "mmol/L", true),
            ("GLU", Conventional, "100-400", "5.6-23", "mmol/L", false),
            ("GLU", Conventional, "400", "22", "umol/L", false),
            ("GLU", Conventional, "400", "22", "mg/dL", false),
            ("GLU", Conventional, "400", "22 3", "mmol/L", false),
            // On one rung of the ladder, whatever rounding would say.
            ("KET", Conventional, "200", "20", "mmol/L", true),
            ("CRE", Conventional, "300", "26.5", "mmol/L", true),
            ("CRE", Conventional, "300", "2.65", "mmol/L", false),
            ("LEU", Conventional, "35", "35", "10*6/L", true),
            ("LEU", Conventional, "35", "350", "10*6/L", false),
            ("NIT", Conventional, "1", "1", "mmol/L", false),
        ] {
            let found = agree(id, units, first, value, unit);
            assert_eq!(found.is_ok(), good, "{id} {first} {value} {unit}: {found:?}");
        }
        let told = agree("GLU", Conventional, "400", "2.2", "mmol/L").expect_err("it differs");
        let said = "`400 mg/dL` and `2.2 mmol/L` are printed as one value and differ: the first is 22.2 mmol/L";
        assert_eq!(told, said);
    }
}
