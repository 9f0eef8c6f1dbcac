//! Corrections: what changed is said to have changed, whatever was said before.

use proptest::prelude::*;

use super::{Said, plan_correction, plan_withdrawal, said_after, said_first, says_anything};
use crate::observation::{Content, Observation, ResultStatus};
use crate::observe::{Choice, observe};
use crate::prints::{judged, reading, strip, ten, with};
use crate::report::{PrintedReading, Report};
use crate::rules::Rules;
use crate::units::Units;

fn observations(print: &Report, choice: &Choice) -> Vec<Observation> {
    let mut rules = Rules::default();
    rules.add_reference("PRO", "NEG").expect("a grade");
    let found = judged(print, &rules, &[]);
    observe(&found.readings, &strip("ten-pad"), choice).expect("all on the ladder")
}

fn normal() -> Vec<Observation> {
    observations(&ten(), &Choice::default())
}

fn with_pad(new: PrintedReading) -> Vec<Observation> {
    observations(&with(ten(), new), &Choice::default())
}

fn high() -> Vec<Observation> {
    with_pad(reading("GLU", &["2+", "300"], "mg/dL"))
}

/// Local code and status of whatever is not final.
fn told(plan: &[Said]) -> Vec<(&str, &str)> {
    let changed = plan.iter().filter(|(_, status)| *status != ResultStatus::Final);
    changed.map(|(o, status)| (o.local.code.as_str(), status.text())).collect()
}

#[test]
fn only_what_changed_is_corrected() {
    let of = |new| plan_correction(&said_first(&normal()), &with_pad(new));
    assert_eq!(told(&of(reading("NIT", &["NEG"], ""))), []);
    assert_eq!(told(&of(reading("NIT", &["POS"], ""))), [("NIT", "C")]);
    let glucose = of(reading("GLU", &["2+", "300"], "mg/dL"));
    assert_eq!(told(&glucose), [("GLU-GRADE", "C")], "its number was never sent: final");
    assert_eq!(glucose.len(), normal().len() + 1);
    assert_eq!(told(&of(reading("KET", &["ERR"], ""))), [("KET-GRADE", "X")]);
    let unread = said_first(&with_pad(reading("KET", &["ERR"], "")));
    assert_eq!(told(&plan_correction(&unread, &normal())), [("KET-GRADE", "C")]);
}

#[test]
fn what_was_sent_and_is_no_more_is_withdrawn() {
    let said = said_first(&high());
    let plan = plan_correction(&said, &normal());
    assert_eq!(told(&plan), [("GLU-GRADE", "C"), ("GLU-MASS", "W")]);
    // Put back, the withdrawn one is a correction; it is not withdrawn twice.
    let after = said_after(&said, &plan);
    let again = plan_correction(&after, &high());
    assert_eq!(told(&again), [("GLU-GRADE", "C"), ("GLU-MASS", "C")]);
    let still = plan_correction(&after, &normal());
    assert_eq!(told(&still), []);
    let later = plan_correction(&said_after(&after, &still), &high());
    assert_eq!(told(&later), [("GLU-GRADE", "C"), ("GLU-MASS", "C")], "it is not forgotten");
    // Another unit is another OBX-3: the old one must not stay beside it.
    let si = Choice { units: Units::Si, ..Choice::default() };
    let print = with(ten(), reading("GLU", &["2+", "300"], "mg/dL"));
    let plan = plan_correction(&said, &observations(&print, &si));
    assert!(told(&plan).contains(&("GLU-MASS", "W")));
    assert!(plan.iter().any(|(o, s)| o.local.code == "GLU-MOLES" && s.text() == "F"));
    let all = plan_withdrawal(&said);
    assert_eq!(all.len(), said.len());
    assert!(all.iter().zip(&said).all(|((o, s), (old, _))| o == old && s.text() == "W"));
    assert_eq!(plan_withdrawal(&said_after(&said, &all)), [], "once is enough");
}

#[test]
fn a_flag_or_a_reference_alone_is_a_change() {
    let said = said_first(&normal());
    let mut now = normal();
    let protein = now.iter_mut().find(|o| o.reference.is_some()).expect("a reference");
    protein.reference = None;
    assert_eq!(told(&plan_correction(&said, &now)), [("PRO-GRADE", "C")]);
    let anything = |now: &[Observation]| says_anything(&said, &plan_correction(&said, now));
    assert!(!anything(&normal()) && anything(&now));
    assert!(anything(&normal()[1..]) && anything(&high()));
}

/// A few names and values, so that names recur with other values.
fn any_observations() -> impl Strategy<Value = Vec<Observation>> {
    let mut pool = normal();
    pool.truncate(3);
    pool.extend(with_pad(reading("BIL", &["1+", "1"], "mg/dL")).into_iter().take(3));
    pool.extend(with_pad(reading("BIL", &["2+", "2"], "mg/dL")).into_iter().take(2));
    pool.extend(with_pad(reading("BIL", &["ERR"], "")).into_iter().take(3));
    proptest::collection::vec(proptest::sample::select(pool), 0..7)
}

proptest! {
    /// Over a history of corrections: under one name, whatever goes as final is what was last said
    /// of it, or the first thing said of it at all.
    #[test]
    fn no_changed_value_ever_goes_as_final(
        history in proptest::collection::vec(any_observations(), 1..6),
    ) {
        let same = |a: &Observation, b: &Observation| {
            (a.code.code.as_str(), a.code.system) == (b.code.code.as_str(), b.code.system)
                && a.local.code == b.local.code
        };
        let mut said: Vec<Said> = Vec::new();
        // Everything ever sent: name, place among its namesakes, value, status.
        let mut ever: Vec<(Observation, usize, ResultStatus)> = Vec::new();
        for now in history {
            let plan = plan_correction(&said, &now);
            let spoken: Vec<&Observation> = plan.iter().take(now.len()).map(|(o, _)| o).collect();
            prop_assert_eq!(spoken, now.iter().collect::<Vec<_>>());
            for (place, (observation, status)) in plan.iter().enumerate() {
                let nth = plan[..place].iter().filter(|(o, _)| same(o, observation)).count();
                let known = |(o, n, _): &&(Observation, usize, ResultStatus)| {
                    *n == nth && same(o, observation)
                };
                let last = ever.iter().rev().find(known);
                let unread = matches!(observation.content, Content::Unread { .. });
                match status {
                    ResultStatus::Final => {
                        let kept = last.is_none_or(|(o, _, status)| {
                            o.content == observation.content
                                && o.flag == observation.flag
                                && *status != ResultStatus::Withdrawn
                        });
                        prop_assert!(kept && !unread);
                    }
                    ResultStatus::Corrected => prop_assert!(last.is_some() && !unread),
                    ResultStatus::Unread => prop_assert!(unread),
                    ResultStatus::Withdrawn => {
                        let open = |(o, _, s): &(Observation, usize, ResultStatus)| {
                            o == observation && *s != ResultStatus::Withdrawn
                        };
                        prop_assert!(last.is_some_and(open));
                    }
                }
            }
            let mut counts: Vec<&Observation> = Vec::new();
            for (observation, status) in &plan {
                let nth = counts.iter().filter(|o| same(o, observation)).count();
                counts.push(observation);
                ever.push((observation.clone(), nth, *status));
            }
            said = said_after(&said, &plan);
            for (old, _) in &said {
                let count = said.iter().filter(|(o, _)| same(o, old)).count();
                let most = ever.iter().filter(|(o, ..)| same(o, old)).map(|(_, n, _)| n + 1).max();
                prop_assert_eq!(Some(count), most, "every name ever sent is answered for");
            }
        }
    }
}
