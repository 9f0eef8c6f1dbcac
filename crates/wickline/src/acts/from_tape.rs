//! Reading again: one print's bytes on the tape, with today's dialect.

use wickline_listen::dialect::LinkKind;
use wickline_listen::ear::Ear;
use wickline_listen::printed::MAX_PRINT;
use wickline_normalize::{Reason, Report};

use super::compose;
use crate::settings::bench::Analyzer;
use crate::store::StoreError;
use crate::store::tape::ticks::TapeClock;
use crate::store::tape::{Kind, Tape};

/// Bytes before and after a print that may belong to it: what begins and ends a report is none of its
/// lines.
const MARGIN: u64 = 4096;
/// The same where it may stand on a page with others: all of the page, its line ends among it.
const PAGE: u64 = 2 * MAX_PRINT as u64;

/// Bytes before a print that reading it again may need.
pub(super) fn margin(analyzer: Option<&Analyzer>) -> u64 {
    match analyzer {
        Some(one) if one.dialect.link() == LinkKind::Lis01 => 0,
        Some(one) if !one.dialect.several() => MARGIN,
        _ => PAGE,
    }
}

/// The reports that today's dialect finds where one was found before. The records of a framed message
/// are cut by the standard and not by the dialect: they are read as they were kept.
pub async fn read(
    tape: &Tape,
    analyzer: &Analyzer,
    kept: &Report,
) -> Result<Vec<Report>, StoreError> {
    if analyzer.dialect.link() == LinkKind::Lis01 {
        return Ok(compose::reread(analyzer, kept).into_iter().collect());
    }
    let margin = margin(Some(analyzer));
    let (from, to) = (kept.place.from.saturating_sub(margin), kept.place.to + margin);
    let mut ear = Ear::new(analyzer.dialect.as_ref());
    // A silence that was heard out stands on no tape: where it ended the report, it is taken as said.
    let cut =
        kept.doubts.iter().any(|doubt| doubt.reason == Reason::Incomplete && doubt.line.is_none());
    let mut clock = if cut { TapeClock::default() } else { TapeClock::over_restarts() };
    for entry in tape.around(&analyzer.id, from, to).await? {
        let now = clock.at(&entry);
        match entry.kind {
            Kind::Bytes => ear.handle_input(now, &entry.data, entry.start, &entry.flaws),
            Kind::Opened | Kind::Closed => ear.handle_closed(now),
            Kind::Gap => ear.handle_gap(now),
        }
    }
    ear.fall_silent(clock.last());
    let reports = std::iter::from_fn(|| ear.poll_transmission())
        .flat_map(|transmission| analyzer.dialect.read(&transmission));
    let there =
        |report: &Report| report.place.from < kept.place.to && kept.place.from < report.place.to;
    Ok(reports.filter(there).collect())
}
