//! Runs of control material and how analyzers stand, as programs see them.

use std::collections::BTreeMap;

use jiff::civil::Date;
use serde_json::{Value, json};
use wickline_normalize::Lockout;
use wickline_normalize::controls::Verdict;

use crate::acts::control_views::ControlStanding;
use crate::clock::{self, SiteClock};
use crate::settings::bench::Bench;
use crate::store::lists::runs::RunView;

/// Days that are shown where nobody says which.
const DAYS: i64 = 7;
const DAY_US: i64 = 86_400_000_000;

/// A span of local days.
#[derive(Clone, Debug)]
pub struct Period {
    pub from_day: String,
    pub to_day: String,
    pub from: i64,
    pub to: i64,
}

impl Period {
    /// From a day to a day, both of the site's calendar: today and the six before it where they are not given. An error
    /// says what is allowed.
    pub fn of(clock: &SiteClock, from: Option<&str>, to: Option<&str>) -> Result<Self, String> {
        let day = |text: Option<&str>| text.map(date).transpose();
        let (first, last) = (day(from)?, day(to)?);
        let to_day = last.unwrap_or_else(|| clock.day(clock::now_us()));
        let span = |day: &str| {
            let wrong = || format!("{day} is no day of the site's calendar");
            clock.day_span(day).ok_or_else(wrong)
        };
        let (noon, to) = (span(&to_day)?.0 + DAY_US / 2, span(&to_day)?.1);
        let from_day = first.unwrap_or_else(|| clock.day(noon - (DAYS - 1) * DAY_US));
        if from_day > to_day {
            return Err(format!("--from {from_day} is after --to {to_day}: nothing lies between"));
        }
        Ok(Self { from: span(&from_day)?.0, from_day, to_day, to })
    }
}

/// A date as it is written everywhere, or what is allowed.
pub fn date(text: &str) -> Result<String, String> {
    let wrong = |_| format!("`{text}` is not a date; write YYYY-MM-DD");
    text.parse::<Date>().map(|d| d.to_string()).map_err(wrong)
}

/// How analyzers stand, and the runs of some days.
#[must_use]
pub fn document(
    bench: &Bench,
    period: &Period,
    stands: &[ControlStanding],
    runs: &[RunView],
) -> Value {
    let standing: Vec<Value> = stands.iter().map(|s| self::standing(bench, s)).collect();
    let period = json!({"from": period.from_day, "to": period.to_day});
    json!({"items": runs, "standing": standing, "totals": totals(runs), "period": period})
}

/// Runs by verdict, every verdict named.
#[must_use]
pub fn totals(runs: &[RunView]) -> BTreeMap<&'static str, usize> {
    let verdicts = [Verdict::Passed, Verdict::Failed, Verdict::NoTarget];
    let count = |v: Verdict| runs.iter().filter(|r| r.verdict == v.code()).count();
    verdicts.into_iter().map(|v| (v.code(), count(v))).collect()
}

/// What becomes of patients' reports there while a control is due or failed.
#[must_use]
pub fn policy(bench: &Bench, analyzer: &str) -> Lockout {
    bench.analyzer(analyzer).map(|a| a.rules.controls_policy).unwrap_or_default()
}

/// A standing as scripts get it, with the policy in words.
fn standing(bench: &Bench, stands: &ControlStanding) -> Value {
    let policy = policy(bench, &stands.analyzer);
    let mut value = serde_json::to_value(stands).unwrap_or_default();
    value["policy"] = json!(policy);
    value["patients"] = json!(policy.told_now(&stands.at));
    value
}
