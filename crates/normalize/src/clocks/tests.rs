//! Clocks around both changes, over New Year, with exchanged parts, and with a steady drift.

use proptest::prelude::*;

use super::{ByClock, Clock, ClockFacts, ClockLimits, ClockPolicy, Swap, clock};
use crate::hold::Reason;
use crate::moment::Moment;

fn at(text: &str) -> Moment {
    Moment::from_digits(text).expect(text)
}

/// The offsets of Lisbon in 2026 (tz database): summer time from 29 March, 01:00 UTC, to 25 October,
/// 01:00 UTC. 01:00 to 02:00 is skipped in March and comes twice in October.
fn lisbon(printed: Moment) -> Vec<i16> {
    let wall = printed.wall();
    let spring = at("202603290100").wall();
    let autumn = at("202610250100").wall();
    match wall {
        _ if wall < spring || wall >= autumn + 3_600 => vec![0],
        _ if wall < spring + 3_600 => vec![],
        _ if wall < autumn => vec![60],
        _ => vec![60, 0],
    }
}

fn facts<'a>(printed: &str, heard: &str, offsets: &'a [i16]) -> ClockFacts<'a> {
    let (printed, heard) = (at(printed), at(heard));
    ClockFacts { printed, heard, offsets, drift: None, late: false }
}

fn of(printed: &str, heard: &str) -> Clock {
    let offsets = lisbon(at(printed));
    clock(&facts(printed, heard, &offsets), &ClockLimits::default())
}

#[test]
fn within_its_limits_a_clock_is_believed() {
    for (printed, heard, offset) in [
        ("20260629101500", "20260629101530+0100", 60),
        ("20260629111530", "20260629101530+0100", 60),
        ("20260626101530", "20260629101530+0100", 60),
        ("20260114101500", "20260114101530+0000", 0),
        ("20260629111500+0200", "20260629101530+0100", 120),
        ("20260629", "20260629101530+0100", 60),
        ("20260626", "20260629101530+0100", 60),
    ] {
        assert_eq!(of(printed, heard), Clock::Fine { offset }, "{printed} {heard}");
    }
}

#[test]
fn beyond_them_it_is_ahead_or_behind() {
    let heard = "20260629101530+0100";
    assert_eq!(of("20260629111531", heard), Clock::Ahead { by: 3_601 });
    assert_eq!(of("20260626101529", heard), Clock::Behind { by: -72 * 3_600 - 1 });
    assert_eq!(of("20260630", heard).code(), "ahead", "midnight is more than an hour away");
    assert_eq!(of("20260630", "20260629231530+0100").code(), "fine");
    let offsets = [60];
    let late = ClockFacts { late: true, ..facts("20260520101500", heard, &offsets) };
    assert_eq!(clock(&late, &ClockLimits::default()).code(), "fine", "a memory read out late");
    let ahead = ClockFacts { late: true, ..facts("20260730101500", heard, &offsets) };
    assert_eq!(clock(&ahead, &ClockLimits::default()).code(), "ahead");
}

#[test]
fn spring_skips_an_hour() {
    assert_eq!(of("20260329005930", "20260329005940+0000"), Clock::Fine { offset: 0 });
    assert_eq!(of("20260329010000", "20260329020010+0100"), Clock::InGap);
    assert_eq!(of("20260329015959", "20260329025959+0100"), Clock::InGap);
    assert_eq!(of("20260329020000", "20260329020010+0100"), Clock::Fine { offset: 60 });
    // A clock that was not put forward is an hour behind from then on.
    let offsets = [60];
    let slow = facts("20260330090000", "20260330100000+0100", &offsets);
    let slow = ClockFacts { drift: Some(-3_590), ..slow };
    assert_eq!(clock(&slow, &ClockLimits::default()), Clock::Drifted { by: -3_600 });
    let own = facts("20260329013000+0000", "20260329023010+0100", &[]);
    assert_eq!(clock(&own, &ClockLimits::default()), Clock::Fine { offset: 0 }, "its own offset");
}

#[test]
fn autumn_brings_an_hour_twice() {
    assert_eq!(of("20261025005959", "20261025010010+0100"), Clock::Fine { offset: 60 });
    assert_eq!(of("20261025013000", "20261025013010+0100"), Clock::AmbiguousHour);
    assert_eq!(of("20261025013000", "20261025013010+0000"), Clock::AmbiguousHour);
    assert_eq!(of("20261025020000", "20261025020010+0000"), Clock::Fine { offset: 0 });
    // Where only one of the two fits, that one is meant.
    let strict = ClockLimits { ahead: 600, behind: 600, drift: 600 };
    for (heard, offset) in [("20261025013010+0100", 60), ("20261025013010+0000", 0)] {
        let offsets = [60, 0];
        let found = clock(&facts("20261025013000", heard, &offsets), &strict);
        assert_eq!(found, Clock::Fine { offset });
    }
    let offsets = [60, 0];
    let own = facts("20261025013000+0000", "20261025013010+0000", &offsets);
    assert_eq!(clock(&own, &ClockLimits::default()), Clock::Fine { offset: 0 });
}

#[test]
fn a_wrong_year_and_exchanged_parts_are_named() {
    let heard = "20260305101530+0000";
    for (printed, wanted) in [
        ("20250305101500", Clock::WrongYear { fits: at("20260305101500") }),
        ("20000305101500", Clock::WrongYear { fits: at("20260305101500") }),
        (
            "20260503101500",
            Clock::Exchanged { swap: Swap::DayAndMonth, fits: at("20260305101500") },
        ),
        ("20050326101500", Clock::Exchanged { swap: Swap::DayAndYear, fits: at("20260305101500") }),
    ] {
        assert_eq!(of(printed, heard), wanted, "{printed}");
    }
    let eve = of("20261231235900", "20260101000010+0000");
    assert_eq!(eve, Clock::WrongYear { fits: at("20251231235900") });
    assert_eq!(of("20000101000230", heard).code(), "behind", "a clock that lost its battery");
    assert_eq!(of("20240229101500", "20260301101500+0000").code(), "behind", "no such day in 2026");
    assert_eq!(of("20261212101500", heard).code(), "ahead");
}

#[test]
fn a_steady_distance_is_a_drift() {
    let offsets = [60];
    let of = |printed: &str, drift: Option<i64>, late: bool| {
        let heard = "20260629101530+0100";
        let facts = ClockFacts { drift, late, ..facts(printed, heard, &offsets) };
        clock(&facts, &ClockLimits::default())
    };
    assert_eq!(of("20260629094530", Some(-1_810), false), Clock::Drifted { by: -1_800 });
    assert_eq!(of("20260629094530", Some(-60), false).code(), "fine", "this one came late");
    assert_eq!(of("20260629094530", None, false).code(), "fine");
    assert_eq!(of("20260629094530", Some(-1_810), true).code(), "fine");
    assert_eq!(of("20260629102500", Some(570), false).code(), "fine", "within the limit of drifts");
    assert_eq!(of("20260629131530", Some(10_800), false), Clock::Drifted { by: 10_800 });
}

#[test]
fn a_policy_holds_or_sends_with_the_daemons_time() {
    let printed = at("20260503101500");
    let verdict = of("20260503101500", "20260305101530+0000");
    let ByClock::Held(hold) = verdict.settle(&printed, ClockPolicy::Hold) else { panic!("held") };
    assert_eq!(hold.reason, Reason::ClockOff);
    assert!(hold.detail.contains("day and month exchanged it would be 2026-03-05 10:15"));
    let ByClock::DaemonTime(remark) = verdict.settle(&printed, ClockPolicy::DaemonTime) else {
        panic!("sent")
    };
    assert_eq!(remark.code, "clock-off");
    for policy in [ClockPolicy::Hold, ClockPolicy::DaemonTime] {
        let fine = Clock::Fine { offset: 60 }.settle(&printed, policy);
        assert_eq!(fine, ByClock::AsPrinted { offset: 60 });
    }
    assert_eq!("daemon-time".parse(), Ok(ClockPolicy::DaemonTime));
    assert!("off".parse::<ClockPolicy>().is_err());
}

proptest! {
    /// Fine is only what lies within the limits at the offset it names; whatever else is said, a
    /// policy never lets it go with its printed time.
    #[test]
    fn fine_is_within_the_limits_and_nothing_else_goes_as_printed(
        minutes in -200_000..200_000_i64,
        heard in 0..525_600_i64,
        drift in proptest::option::of(-10_000..10_000_i64),
        policy in any::<bool>(),
    ) {
        let base = at("202601010000").wall();
        let wall = Moment::at_wall(base + heard * 60).expect("a real time");
        let heard = Moment { offset: Some(*lisbon(wall).first().unwrap_or(&60)), ..wall };
        let printed = Moment::at_wall(wall.wall() + minutes * 60).expect("a real time");
        let offsets = lisbon(printed);
        let facts = ClockFacts { printed, heard, offsets: &offsets, drift, late: false };
        let limits = ClockLimits::default();
        let found = clock(&facts, &limits);
        let policy = if policy { ClockPolicy::Hold } else { ClockPolicy::DaemonTime };
        match (found, found.settle(&printed, policy)) {
            (Clock::Fine { offset }, ByClock::AsPrinted { offset: sent }) => {
                let by = Moment { offset: Some(offset), ..printed }.instant().expect("a time")
                    - heard.instant().expect("a time");
                prop_assert_eq!(offset, sent);
                prop_assert!(offsets.contains(&offset));
                prop_assert!(by <= limits.ahead && by >= -limits.behind);
            }
            (Clock::InGap, _) => prop_assert!(offsets.is_empty()),
            (Clock::AmbiguousHour, _) => prop_assert_eq!(offsets.len(), 2),
            (_, settled) => {
                let printed = matches!(settled, ByClock::AsPrinted { .. });
                prop_assert!(!printed);
            }
        }
    }
}
