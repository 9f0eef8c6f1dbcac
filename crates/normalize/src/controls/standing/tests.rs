//! Standings: periods against a calendar that walks, and the order of runs.

use proptest::prelude::*;

use super::{Every, Period, Ran, Standing, State, standing};
use crate::controls::Verdict::{self, Failed, NoTarget, Passed};
use crate::moment::Moment;

fn at(text: &str) -> Moment {
    Moment::from_digits(text).expect(text)
}

fn ran(level: &str, time: &str, verdict: Verdict) -> Ran {
    Ran { level: level.into(), at: at(time), verdict, strip_lot: Some("S-1".into()) }
}

fn levels() -> Vec<String> {
    vec!["1".into(), "2".into()]
}

fn stand(runs: &[Ran], now: &str) -> Standing {
    standing(&levels(), runs, &Period { start: (6, 0), ..Period::default() }, None, at(now))
}

#[test]
fn every_level_must_have_passed_in_the_period() {
    let one = ran("1", "202503140630", Passed);
    let two = ran("2", "202503140640", Passed);
    let until = at("20250315060000");
    let since = Some(until);
    assert_eq!(stand(&[], "202503140700").overall, State::Due { since: None });
    let half = stand(std::slice::from_ref(&one), "202503140700");
    assert_eq!(half.levels[0].1, State::Passed { until });
    assert_eq!(half.overall, State::Due { since: None });
    let both = [one, two];
    assert_eq!(
        stand(&both, "202503140635").overall,
        State::Due { since: None },
        "level 2 was later"
    );
    assert_eq!(stand(&both, "202503140640").overall, State::Passed { until });
    assert_eq!(stand(&both, "20250315055959").overall, State::Passed { until });
    assert_eq!(stand(&both, "202503150600").overall, State::Due { since });
    assert_eq!(
        stand(&both, "20250314").overall,
        State::Due { since },
        "a bare date tells no shift"
    );
    assert!(stand(&both, "202503140640").is_passed() && !half.is_passed());
    let nobody = standing(&[], &both, &Period::default(), None, at("202503140700"));
    assert_eq!(nobody.overall, State::Due { since: None }, "no level is no pass");
}

#[test]
fn a_failure_stands_until_its_level_passes() {
    let mut runs = vec![
        ran("1", "202503140630", Passed),
        ran("2", "202503140640", Failed),
        ran("2", "202503140650", Failed),
    ];
    let since = at("202503140640");
    assert_eq!(stand(&runs, "202503140700").overall, State::Failed { since });
    assert_eq!(stand(&runs, "202503200700").overall, State::Failed { since }, "no period ends it");
    assert_eq!(stand(&runs, "202503140639").overall, State::Due { since: None });
    runs.push(ran("1", "202503140705", Passed));
    assert_eq!(stand(&runs, "202503140710").overall, State::Failed { since });
    runs.insert(0, ran("2", "202503140715", Passed));
    assert!(stand(&runs, "202503140720").is_passed(), "whatever the order of the list");
    assert_eq!(stand(&runs, "202503140714").overall, State::Failed { since }, "as it stood then");
    runs.push(ran("2", "202503140800", NoTarget));
    let since = Some(at("202503140800"));
    assert_eq!(stand(&runs, "202503140810").overall, State::Due { since }, "no target, no pass");
    runs.push(ran("2", "202503140820", Failed));
    runs.push(ran("2", "202503140830", NoTarget));
    let since = at("202503140820");
    let found = stand(&runs, "202503140840").overall;
    assert_eq!(found, State::Failed { since }, "what says nothing lifts no failure");
}

#[test]
fn a_new_strip_lot_makes_every_level_due() {
    let mut runs = vec![ran("1", "202503140630", Passed), ran("2", "202503140640", Passed)];
    let of = |runs: &[Ran], new_lot: bool, lot: Option<&str>| {
        let period = Period { new_lot, ..Period::default() };
        standing(&levels(), runs, &period, lot, at("202503141200")).overall.code()
    };
    assert_eq!(of(&runs, true, Some("S-1")), "passed");
    assert_eq!(of(&runs, true, Some("S-2")), "due");
    assert_eq!(of(&runs, false, Some("S-2")), "passed");
    assert_eq!(of(&runs, true, None), "passed", "an unknown lot is no new one");
    let other = |time, verdict| Ran { strip_lot: Some("S-2".into()), ..ran("1", time, verdict) };
    runs.push(other("202503140900", Failed));
    assert_eq!(of(&runs, true, Some("S-1")), "failed", "the fault may be the analyzer's");
    runs.push(other("202503140930", Passed));
    assert_eq!(of(&runs, true, Some("S-1")), "passed");
    assert_eq!(of(&runs, true, Some("S-2")), "due", "level 2 has not been run with it");
    let unknown = Ran { strip_lot: None, ..ran("2", "202503141000", Passed) };
    runs.push(unknown);
    assert_eq!(of(&runs, true, Some("S-2")), "due", "an unknown lot is not this one");
}

#[test]
fn the_hour_that_comes_twice_keeps_its_order() {
    // 2026-10-25, Lisbon: 01:50 summer time comes before 01:10 winter time.
    let level = vec!["1".to_owned()];
    let runs = [ran("1", "20261025013000+0100", Passed), ran("1", "20261025015000+0100", Failed)];
    let of = |time| standing(&level, &runs, &Period::default(), None, at(time)).overall.code();
    assert_eq!(of("20261025014000+0100"), "passed");
    assert_eq!(of("20261025011000+0000"), "failed", "later, though the clock shows less");
    assert_eq!(of("20261025012000+0100"), "due", "earlier than both");
}

#[test]
fn words_of_a_configuration() {
    for (text, every) in ["shift", "daily", "weekly", "monthly"].iter().zip(Every::ALL) {
        assert_eq!(text.parse(), Ok(*every));
    }
    assert!("hourly".parse::<Every>().expect_err("none").contains("weekly"));
}

/// Sakamoto's method: 0 is Sunday.
fn weekday(m: Moment) -> i64 {
    let shift = [0, 3, 2, 5, 0, 3, 5, 1, 4, 6, 2, 4];
    let year = i64::from(m.year) - i64::from(m.month < 3);
    let month = shift[usize::from(m.month) - 1];
    (year + year / 4 - year / 100 + year / 400 + month + i64::from(m.day)) % 7
}

/// True when a period begins at this minute on the wall.
fn begins(minute: Moment, every: Every, start: (u8, u8)) -> bool {
    let (hour, min) = minute.time.expect("a time");
    let shifts = [start.0, (start.0 + 8) % 24, (start.0 + 16) % 24];
    match every {
        Every::Shift => min == start.1 && shifts.contains(&hour),
        Every::Day => (hour, min) == start,
        Every::Week => (hour, min) == start && weekday(minute) == 1,
        Every::Month => (hour, min) == start && minute.day == 1,
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(96))]

    /// A passed run is good until a walk over every minute after it meets the start of a period.
    #[test]
    fn a_pass_is_good_until_a_walk_over_the_minutes_meets_a_start(
        first in 0..36_500_i64 * 1_440,
        later in 0..40_i64 * 1_440,
        every in 0..4_usize,
        start in (0..24_u8, 0..60_u8),
    ) {
        let every = Every::ALL[every];
        let minute = |n: i64| Moment::at_wall(n * 60).expect("a real time");
        let meets = (1..=later).map(|n| minute(first + n)).find(|m| begins(*m, every, start));
        let run = Ran { level: "1".into(), at: minute(first), verdict: Passed, strip_lot: None };
        let period = Period { every, start, new_lot: true };
        let found = standing(&["1".into()], &[run], &period, None, minute(first + later)).overall;
        match (meets, found) {
            (None, State::Passed { until }) => prop_assert!(begins(until, every, start)),
            (Some(end), State::Due { since }) => prop_assert_eq!(since, Some(end)),
            (model, found) => prop_assert!(false, "{model:?} {found:?}"),
        }
    }

    /// Failed if the last run of any level that says something failed, passed only if every level's
    /// last run passed.
    #[test]
    fn the_last_run_of_each_level_decides(
        history in proptest::collection::vec((0..3_usize, 0..3_usize, 0..1_440_i64), 0..12),
        now in 0..1_440_i64,
    ) {
        let names = ["1", "2", "3"];
        let verdicts = [Passed, Failed, NoTarget];
        let minute = |n: i64| Moment::at_wall(20_000 * 86_400 + n * 60).expect("a real time");
        let mut last: [Option<(i64, Verdict)>; 3] = [None; 3];
        let mut told = last;
        let mut runs = Vec::new();
        for (level, verdict, time) in history {
            let verdict = verdicts[verdict];
            let level_name = names[level].to_owned();
            runs.push(Ran { level: level_name, at: minute(time), verdict, strip_lot: None });
            let counts = |known: Option<(i64, Verdict)>| known.is_none_or(|(t, _)| t <= time);
            if time <= now && counts(last[level]) {
                last[level] = Some((time, verdict));
            }
            if time <= now && verdict != NoTarget && counts(told[level]) {
                told[level] = Some((time, verdict));
            }
        }
        let levels: Vec<String> = names.iter().map(|n| (*n).to_owned()).collect();
        let found = standing(&levels, &runs, &Period::default(), None, minute(now));
        let verdicts: Vec<Option<Verdict>> = last.iter().map(|l| l.map(|(_, v)| v)).collect();
        let expected = if told.iter().any(|l| matches!(l, Some((_, Failed)))) {
            "failed"
        } else if verdicts.iter().all(|v| *v == Some(Passed)) {
            "passed"
        } else {
            "due"
        };
        prop_assert_eq!(found.overall.code(), expected);
    }
}
