//! Which rungs stand beside a printed ratio, so that it is one that the analyzer could have calculated.

use super::expect::{cut, thousandths};
use super::sheet::{Pad, Rung, Sheet};

/// Each ratio with the pads above and below its line.
const RATIOS: &[(&str, &str, &str)] = &[("ACR", "ALB", "CRE"), ("PCR", "PRO", "CRE")];

/// The pads that a ratio comes from, each with the rung that it should stand on. Empty: it is no ratio, or nothing
/// better than the usual rungs was found.
pub(super) fn beside(sheet: &Sheet, ratio: &Pad, nth: usize) -> Vec<(&'static str, usize)> {
    let Some((_, above, below)) = RATIOS.iter().find(|(id, ..)| *id == ratio.id) else {
        return Vec::new();
    };
    let (Some(over), Some(under)) = (sheet.pad(above), sheet.pad(below)) else { return Vec::new() };
    // The lowest over less than the lowest number is a ratio of any size.
    if over.rungs.is_empty() || under.rungs.is_empty() {
        return Vec::new();
    }
    if under.rungs.first().and_then(conventional).is_some_and(|label| label.starts_with('<')) {
        return vec![(above, 0), (below, 0)];
    }
    // Next to nothing over much is in the lowest category, much over little in the highest.
    let (top, last) = (over.rungs.len() - 1, under.rungs.len() - 1);
    let (lowest, highest) = (over.rungs.first(), over.rungs.last());
    if nth == 0 && lowest.is_some_and(|r| conventional(r).is_none_or(|l| l.starts_with('<'))) {
        return vec![(above, 0), (below, last)];
    }
    let open = |r: &Rung| conventional(r).is_some_and(|l| l.starts_with('>'));
    if nth + 1 == ratio.rungs.len() && highest.is_some_and(open) {
        return vec![(above, top), (below, 0)];
    }
    let exact = |pad: &Pad, n: usize| pad.rungs.get(n).and_then(conventional).and_then(thousandths);
    let (low, high) = category(ratio, nth);
    for a in 0..over.rungs.len() {
        for b in 0..under.rungs.len() {
            let (Some(top), Some(bottom)) = (exact(over, a), exact(under, b)) else { continue };
            // Both are in mg/dL; the ratio is in mg/g. Strictly inside, so that no limit is in question.
            let made = i128::from(top) * 1000 * 1_000_000;
            let limit = |l: i64| i128::from(l) * i128::from(bottom);
            if bottom > 0 && limit(low) < made && high.is_none_or(|h| made < limit(h)) {
                return vec![(above, a), (below, b)];
            }
        }
    }
    Vec::new()
}

fn conventional(rung: &Rung) -> Option<&str> {
    rung.labels[0].as_deref()
}

/// From where to where a category goes: to the next label, and down to the one before where it is a bare number.
fn category(ratio: &Pad, nth: usize) -> (i64, Option<i64>) {
    let label = |n: usize| ratio.rungs.get(n).and_then(conventional).map(cut);
    let first = |text: &str| thousandths(text.split('-').next().unwrap_or(text)).unwrap_or(0);
    let Some((sign, digits)) = label(nth) else { return (0, None) };
    if sign.starts_with('<') {
        return (0, Some(first(digits)));
    }
    (first(digits), label(nth + 1).map(|(_, next)| first(next)))
}
