//! Reading again: one print's bytes with today's dialect, and how what is read differs from before.

use serde::Serialize;
use wickline_listen::dialect::LinkKind;
use wickline_listen::ear::Ear;
use wickline_normalize::readings::Reading;
use wickline_normalize::{Figure, Reason, Report};

use super::compose;
use crate::settings::bench::Analyzer;
use crate::store::StoreError;
use crate::store::tape::ticks::TapeClock;
use crate::store::tape::{Kind, Tape};

/// Bytes before and after a print that may belong to it: what begins and ends a report is none of its
/// lines.
const MARGIN: u64 = 4096;
/// Longer than any silence that ends a report, in microseconds.
const SILENCE: i64 = 3_600_000_000;

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
    let (from, to) = (kept.place.from.saturating_sub(MARGIN), kept.place.to + MARGIN);
    let mut ear = Ear::new(analyzer.dialect.as_ref());
    // A silence that was heard out stands on no tape: where it ended the report, it is taken as said.
    let cut = kept.doubts.iter().any(|doubt| doubt.reason == Reason::Incomplete);
    let mut clock = if cut { TapeClock::default() } else { TapeClock::over_restarts() };
    for entry in tape.around(&analyzer.id, from, to).await? {
        let now = clock.at(&entry);
        match entry.kind {
            Kind::Bytes => ear.handle_input(now, &entry.data, entry.start, &entry.flaws),
            Kind::Opened | Kind::Closed => ear.handle_closed(now),
            Kind::Gap => ear.handle_gap(now),
        }
    }
    ear.handle_timeout(clock.last().saturating_add(SILENCE));
    let reports = std::iter::from_fn(|| ear.poll_transmission())
        .flat_map(|transmission| analyzer.dialect.read(&transmission));
    let there =
        |report: &Report| report.place.from < kept.place.to && kept.place.from < report.place.to;
    Ok(reports.filter(there).collect())
}

/// What one reading of a report saw, as far as two can be compared.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Seen {
    pub state: String,
    pub reasons: Vec<String>,
    pub class: String,
    pub number: Option<String>,
    pub specimen: Option<String>,
    /// Analyte or label, and what was read, in the order of the print.
    pub readings: Vec<(String, String)>,
}

/// One thing that two readings of a report saw differently.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Difference {
    pub what: String,
    pub before: String,
    pub after: String,
}

/// The readings of a report's row, as text to compare.
#[must_use]
pub fn texts(readings: &[Reading]) -> Vec<(String, String)> {
    let text = |reading: &Reading| {
        let parts = [
            reading.grade.clone(),
            reading.number.as_ref().map(Figure::text),
            reading.printed.unit.clone(),
            reading.flag.map(|f| f.text().to_owned()),
            reading.unread.clone(),
        ];
        let parts: Vec<String> = parts.into_iter().flatten().filter(|p| !p.is_empty()).collect();
        let name = reading.analyte.as_ref().unwrap_or(&reading.label);
        (name.clone(), parts.join(" "))
    };
    readings.iter().map(text).collect()
}

/// Every analyte of two readings of a report, as it was before and as it is after, equal or not.
#[must_use]
pub fn beside(before: &[(String, String)], after: &[(String, String)]) -> Vec<Difference> {
    let of = |readings: &[(String, String)], name: &str| {
        let texts = readings.iter().filter(|(n, _)| n == name).map(|(_, t)| t.as_str());
        texts.collect::<Vec<_>>().join(" | ")
    };
    let mut names: Vec<&str> = before.iter().chain(after).map(|(name, _)| name.as_str()).collect();
    let mut known = std::collections::HashSet::new();
    names.retain(|name| known.insert(*name));
    let row = |name: &str| Difference {
        what: name.to_owned(),
        before: of(before, name),
        after: of(after, name),
    };
    names.into_iter().map(row).collect()
}

/// Everything that differs, named.
#[must_use]
pub fn differences(before: &Seen, after: &Seen) -> Vec<Difference> {
    let mut found = Vec::new();
    let mut compare = |what: &str, before: String, after: String| {
        if before != after {
            found.push(Difference { what: what.to_owned(), before, after });
        }
    };
    let dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
    compare("state", before.state.clone(), after.state.clone());
    compare("reasons", before.reasons.join(", "), after.reasons.join(", "));
    compare("class", before.class.clone(), after.class.clone());
    compare("number", dash(&before.number), dash(&after.number));
    compare("specimen", dash(&before.specimen), dash(&after.specimen));
    for Difference { what, before, after } in beside(&before.readings, &after.readings) {
        compare(&what, before, after);
    }
    found
}

#[cfg(test)]
mod tests {
    use super::{Seen, differences};

    #[test]
    fn what_differs_is_named_and_nothing_else() {
        let seen = |state: &str, glucose: &str| Seen {
            state: state.into(),
            readings: vec![("GLU".into(), glucose.into()), ("PH".into(), "6.0".into())],
            ..Seen::default()
        };
        assert!(differences(&seen("held", "2+"), &seen("held", "2+")).is_empty());
        let found = differences(&seen("held", "2+"), &seen("waiting", "3+"));
        let found: Vec<_> = found.iter().map(|d| (d.what.as_str(), d.after.as_str())).collect();
        assert_eq!(found, [("state", "waiting"), ("GLU", "3+")]);
        let gone = Seen { readings: Vec::new(), ..seen("held", "") };
        assert_eq!(differences(&seen("held", "2+"), &gone).len(), 2);
    }
}
