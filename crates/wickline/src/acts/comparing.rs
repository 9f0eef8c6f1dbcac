//! What one reading of a print saw, and how two readings of it differ.

use serde::Serialize;
use wickline_normalize::Figure;
use wickline_normalize::readings::Reading;

use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::stretch::Key;
use crate::store::state::State;

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

impl Ledger {
    /// The reports that begin between two offsets of a line's tape, in order.
    pub async fn seen_between(
        &self,
        tape: &str,
        analyzer: &str,
        from: i64,
        to: i64,
    ) -> Result<Vec<(Key, Seen)>, StoreError> {
        let found = self.between(tape, analyzer, from, to).await?;
        let seen = found.into_iter().map(|one| {
            // What people did with it since is not what was read.
            let held = !one.reasons.is_empty();
            let state = if held { State::Held.text() } else { one.state.text() };
            let seen = Seen {
                state: state.to_owned(),
                reasons: one.reasons,
                class: one.class.code().to_owned(),
                number: one.number,
                specimen: one.specimen,
                readings: texts(&one.readings),
            };
            (one.key, seen)
        });
        Ok(seen.collect())
    }
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
