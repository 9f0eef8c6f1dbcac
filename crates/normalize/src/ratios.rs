//! Ratios that the analyzer calculates: their category must fit what it printed of the two pads they come from.
//!
//! A rung is no measurement, so a ratio of two rungs is an interval. Exact labels count as printed, an end is open to
//! its side, a range has both its ends, and a grade without number lies below the first number of its ladder. The
//! category is that of the ladder of ratios: from its own label up to the next one. Where the two have nothing in
//! common in either unit system, one of the three prints is wrong, and nobody can say which.

use rust_decimal::Decimal;

use crate::codes::Analyte;
use crate::hold::{Hold, Reason};
use crate::observation::Comparator;
use crate::readings::Reading;
use crate::strip::{Pad, Rung, Strip};
use crate::units::Units;

/// From and to; each end with whether it belongs to it. No upper end: it is open.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
struct Span {
    low: (Decimal, bool),
    high: Option<(Decimal, bool)>,
}

impl Span {
    /// What a rung can mean in these units.
    fn of(pad: &Pad, rung: &Rung, units: Units) -> Option<Span> {
        let nothing = (Decimal::ZERO, true);
        let Some(label) = rung.label(units) else {
            let first = pad.rungs.iter().find_map(|r| r.label(units))?;
            return Some(Span { low: nothing, high: Some((first.value(), false)) });
        };
        let (value, upper) = (label.value(), label.upper());
        Some(match label.comparator {
            None => Span { low: (value, true), high: Some((upper, true)) },
            Some(Comparator::Less) => Span { low: nothing, high: Some((value, false)) },
            Some(Comparator::AtMost) => Span { low: nothing, high: Some((value, true)) },
            Some(Comparator::More) => Span { low: (value, false), high: None },
            Some(Comparator::AtLeast) => Span { low: (value, true), high: None },
        })
    }

    /// What a category of the ratio can mean: an end with `<` or `<=` ends there, any other goes on to the next
    /// label; a bare number begins where the one before it ends.
    fn category(pad: &Pad, place: usize, units: Units) -> Option<Span> {
        let rung = pad.rungs.get(place)?;
        let own = Span::of(pad, rung, units)?;
        let label = rung.label(units);
        let neighbour = |place: Option<usize>| Span::of(pad, pad.rungs.get(place?)?, units);
        let until = neighbour(place.checked_add(1)).map(|next| (next.low.0, !next.low.1));
        let goes_on = label.is_some_and(|l| l.comparator.is_none());
        let bare = label.is_some_and(crate::Figure::is_bare);
        let high = match (own.high, until) {
            (None, until) => until,
            (Some(_), None) if bare => None,
            (Some((high, _)), Some(until)) if goes_on && until.0 > high => Some(until),
            (high, _) => high,
        };
        let before = neighbour(place.checked_sub(1)).filter(|_| bare).and_then(|b| b.high);
        let low = before.map_or(own.low, |(high, included)| (high, !included));
        Some(Span { low, high })
    }

    /// One over the other. None: nothing can be divided, or the lower one may be zero.
    fn over(self, below: Span) -> Option<Span> {
        let part = |(a, one): (Decimal, bool), (b, other): (Decimal, bool)| {
            Some((a.checked_div(b)?, one && other))
        };
        // With nothing above it the ratio may be nothing; with nothing below it, anything.
        let low = match below.high {
            None => (Decimal::ZERO, self.low.0.is_zero() && self.low.1),
            Some(high) => part(self.low, high)?,
        };
        let high = match self.high {
            Some(high) if !below.low.0.is_zero() => Some(part(high, below.low)?),
            _ => None,
        };
        Some(Span { low, high })
    }

    fn times(self, factor: Decimal) -> Option<Span> {
        let scaled =
            |(value, included): (Decimal, bool)| Some((value.checked_mul(factor)?, included));
        let high = match self.high {
            Some(high) => Some(scaled(high)?),
            None => None,
        };
        Some(Span { low: scaled(self.low)?, high })
    }

    /// True when some ratio lies in both.
    fn meets(&self, other: &Span) -> bool {
        let reaches = |low: (Decimal, bool), high: Option<(Decimal, bool)>| {
            high.is_none_or(|(high, included)| low.0 < high || (low.0 == high && low.1 && included))
        };
        reaches(self.low, other.high) && reaches(other.low, self.high)
    }

    fn text(&self) -> String {
        let short = |value: Decimal| value.round_dp(1).normalize().to_string();
        match self.high {
            None => format!("{} or more", short(self.low.0)),
            Some((high, _)) if high == self.low.0 => short(high),
            Some((high, _)) => format!("{} to {}", short(self.low.0), short(high)),
        }
    }
}

/// One printed ratio with the rungs that it comes from.
struct Calculated<'a> {
    ratio: (&'a Pad, usize),
    above: (&'a Pad, usize),
    below: (&'a Pad, usize),
    /// In which the ratio was printed.
    units: Units,
}

impl Calculated<'_> {
    /// What the printed rungs permit in this system, in the unit of the ratio. None: the units do not make one.
    fn permitted(&self, units: Units) -> Option<Span> {
        let span = |(pad, rung): (&Pad, usize)| Span::of(pad, pad.rungs.get(rung)?, units);
        let unit = |pad: &Pad| pad.measure(units).map(|m| m.unit);
        let factor = unit(self.above.0)?.over(unit(self.below.0)?, unit(self.ratio.0)?)?;
        span(self.above)?.over(span(self.below)?)?.times(factor)
    }

    /// None: it fits in one of the unit systems at least, or nothing can be said.
    fn misfit(&self) -> Option<String> {
        let (pad, place) = self.ratio;
        let judged = |units| {
            let permitted = self.permitted(units)?;
            let category = Span::category(pad, place, units)?;
            Some((permitted, category.meets(&permitted)))
        };
        let systems = [self.units, self.units.other()];
        let known: Vec<_> = systems.iter().filter_map(|u| Some((*u, judged(*u)?))).collect();
        let (units, (permitted, _)) = *known.first()?;
        if known.iter().any(|(_, (_, fits))| *fits) {
            return None;
        }
        let name = |(pad, place): (&Pad, usize)| {
            let rung = pad.rungs.get(place);
            let label = rung.and_then(|r| r.label(units)).map(crate::Figure::text);
            let grade = rung.and_then(|r| r.grade.clone());
            let parts: Vec<String> = grade.into_iter().chain(label).collect();
            format!("{} {}", pad.id, parts.join(" "))
        };
        let ucum = pad.measure(units).map_or("", |m| m.unit.text);
        Some(format!(
            "{} was printed, and {} over {} is {} {ucum}",
            name(self.ratio),
            name(self.above),
            name(self.below),
            permitted.text()
        ))
    }
}

/// The ratios that do not fit the rungs printed beside them.
pub(crate) fn misfits(strip: &Strip, readings: &[Reading]) -> Vec<Hold> {
    let rung = |id: &str| {
        let reading = readings.iter().find(|r| r.analyte.as_deref() == Some(id))?;
        let pad = strip.pad(id)?;
        Some(((pad, reading.rung.filter(|_| reading.unread.is_none())?), reading))
    };
    let misfit = |pad: &Pad| {
        let (above, below) = Analyte::find(&pad.id)?.ratio()?;
        let (ratio, reading) = rung(&pad.id)?;
        let (above, below) = (rung(above)?.0, rung(below)?.0);
        let calculated = Calculated { ratio, above, below, units: reading.units };
        let line = reading.lines.first().copied().unwrap_or(0);
        Some(Hold::new(Reason::GradeValueDisagree, calculated.misfit()?).at(line))
    };
    strip.pads.iter().filter_map(misfit).collect()
}

#[cfg(test)]
mod tests;
