//! A grade and its number in one cell, with a sign between them.

use super::figure::{Figure, figure};
use super::{MAX_UNIT, Results, given};
use crate::dialect::steps;

/// A grade and its number with a sign between them (`2+/400 mg/dL`). None: in two ways, so in none.
///
/// The number stands behind the sign, so that the sign may be in its unit as well. A bracket is closed behind the unit,
/// where the cell ends.
#[expect(clippy::option_option, reason = "no such sign is no fault, two are")]
pub(super) fn divided<'t>(
    results: &Results,
    text: &'t str,
) -> Option<Option<(&'t str, Figure<'t>, &'t str)>> {
    if results.between.is_empty() || figure(results, text).is_ok() {
        return Some(None);
    }
    let mut found = None;
    for (at, sign) in text.match_indices(results.between.as_slice()) {
        steps::take(1);
        let (before, after) = (text.get(..at)?, text.get(at + sign.len()..)?);
        let closing = closing(sign);
        let inside = closing.map_or(Some(after), |closing| after.strip_suffix(closing));
        let number = figure(results, inside.unwrap_or(after).trim_ascii_start());
        let (Ok((rest, figure)), Some(grade)) = (number, given(before)) else { continue };
        // A unit that runs on holds a further sign or is none: either way it is not looked through.
        if rest.len() > MAX_UNIT {
            continue;
        }
        (inside.is_some() && !closing.is_some_and(|closing| rest.contains(closing)))
            .then_some(())?;
        let (_, more) = { figure }.unit(results, rest)?;
        if !results.both_units && given(more).is_some() {
            continue;
        }
        found.replace((grade, figure, rest)).is_none().then_some(())?;
    }
    Some(found)
}

/// What closes a bracket. None: the sign is none.
fn closing(sign: &str) -> Option<char> {
    match sign {
        "(" => Some(')'),
        "[" => Some(']'),
        "{" => Some('}'),
        _ => None,
    }
}
