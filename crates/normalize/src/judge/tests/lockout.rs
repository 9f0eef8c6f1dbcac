//! Lockout: what patients' reports meet while controls are failed or due, and that no policy and no
//! standing ever opens a way to a patient's chart for control material.

use crate::check::{CheckCharacter, Rubbish};
use crate::class::Class;
use crate::controls::{Lockout, Policy, Standing, State};
use crate::hold::{Reason, Remedy};
use crate::judge::{Facts, Judged, Way, judge};
use crate::moment::Moment;
use crate::prints::{DAY, codes, strip, ten};
use crate::report::{Patient, Private, Report, Signs};
use crate::rules::Rules;

fn time(text: &str) -> Moment {
    Moment::from_digits(text).expect("a time")
}

fn standings() -> Vec<Option<Standing>> {
    let passed = State::Passed { until: time("202503150000") };
    let failed = State::Failed { since: time("202503140730") };
    let due = State::Due { since: Some(time("202503140000")) };
    let of = |one: State, overall: State| {
        Some(Standing { levels: vec![("1".into(), passed), ("2".into(), one)], overall })
    };
    let none = Some(Standing { levels: Vec::new(), overall: State::Due { since: None } });
    vec![None, none, of(passed, passed), of(failed, failed), of(due, due)]
}

fn policies() -> Vec<Lockout> {
    let mut all = Vec::new();
    for failed in Policy::ALL {
        for due in Policy::ALL {
            for urgent_goes in [false, true] {
                all.push(Lockout { failed: *failed, due: *due, urgent_goes });
            }
        }
    }
    all
}

fn judged(print: &Report, rules: &Rules, standing: Option<&Standing>) -> Judged {
    let heard = time("20250314091530");
    let facts =
        Facts { earlier: &[], heard, day: DAY, sequence: None, controls: standing, lot: None };
    judge(print, &[strip("ten-pad")], rules, &facts)
}

fn stat() -> Report {
    Report { signs: Signs { stat: true, ..Signs::default() }, ..ten() }
}

#[test]
fn what_patients_meet_is_the_policy_and_nothing_else() {
    for policy in policies() {
        let rules = Rules { controls_policy: policy, ..Rules::default() };
        for standing in standings() {
            let state = standing.as_ref().map_or("due", |s| s.overall.code());
            let (own, reason) = match state {
                "passed" => (Policy::Off, ""),
                "failed" => (policy.failed, "controls-failed"),
                _ => (policy.due, "controls-due"),
            };
            for (print, urgent) in [(ten(), false), (stat(), true)] {
                let found = judged(&print, &rules, standing.as_ref());
                let held = own == Policy::Hold && !(urgent && policy.urgent_goes);
                let marked = !held && own != Policy::Off;
                let way = if held { Way::Held } else { Way::Ready };
                assert_eq!(found.way, way, "{policy:?} {state} {urgent}");
                assert_eq!(codes(&found), if held { vec![reason] } else { vec![] });
                let remarks: Vec<&str> = found.remarks.iter().map(|r| r.code.as_str()).collect();
                assert_eq!(remarks, if marked { vec![reason] } else { vec![] });
            }
        }
    }
}

#[test]
fn a_hold_and_a_remark_say_which_level_and_since_when() {
    let failed = &standings()[3];
    let mut rules = Rules::default();
    rules.controls_policy.failed = Policy::Hold;
    let found = judged(&ten(), &rules, failed.as_ref());
    assert_eq!(found.holds[0].detail, "controls have failed: level 2 since 2025-03-14 07:30");
    rules.controls_policy.failed = Policy::Warn;
    let found = judged(&ten(), &rules, failed.as_ref());
    assert!(found.remarks[0].text.starts_with("Released while controls have failed: level 2"));
}

/// Whatever our own runs say, and whether there are any.
#[test]
fn what_the_analyzer_says_of_its_controls_is_held_by_the_policy_of_failed_ones() {
    for policy in policies() {
        let rules = Rules { controls_policy: policy, ..Rules::default() };
        for standing in standings() {
            for (plain, urgent) in [(ten(), false), (stat(), true)] {
                let mut print = plain.clone();
                print.controls_not_passed = true;
                let before = judged(&plain, &rules, standing.as_ref());
                let found = judged(&print, &rules, standing.as_ref());
                let of = |code: &str| codes(&found).iter().filter(|c| **c == code).count();
                let told = |code: &str| found.remarks.iter().filter(|r| r.code == code).count();
                let held = policy.failed == Policy::Hold && !(urgent && policy.urgent_goes);
                let marked = !held && policy.failed != Policy::Off;
                assert_eq!(of("controls-not-passed"), usize::from(held), "{policy:?}");
                assert_eq!(told("controls-not-passed"), usize::from(marked), "{policy:?}");
                assert_eq!(found.way == Way::Held, held || before.way == Way::Held);
                assert_eq!(found.identity, before.identity, "the same run");
            }
        }
    }
}

#[test]
fn no_run_of_ours_takes_back_what_the_analyzer_says() {
    assert!(!Reason::ControlsNotPassed.is_of_controls());
    assert_eq!(Reason::ControlsNotPassed.remedy(), Remedy::Release);
    let mut print = Report { specimen: Some(Private::new("QC-L2-7")), ..ten() };
    print.controls_not_passed = true;
    let mut rules = Rules::default();
    rules.controls_policy.failed = Policy::Hold;
    rules.add_control_specimen("QC-L2*=2").expect("a pattern");
    assert_eq!(judged(&print, &rules, None).way, Way::Filed, "controls are none of its business");
}

/// Every combination of policy, signs of class, signs of a patient, rules of ids and standing: a
/// report with any sign of control material is filed or held, and neither sent nor marked.
#[test]
fn no_policy_opens_the_door_for_control_material() {
    let (mut controls, mut patients) = (0, 0);
    let checks = [None, Some(CheckCharacter::Luhn), Some(CheckCharacter::Mod37And36)];
    for policy in policies() {
        for standing in standings() {
            for signs in 0..128_u32 {
                let on = |bit: u32| signs & (1 << bit) != 0;
                let mut rules = Rules { controls_policy: policy, ..Rules::default() };
                rules.check_character = checks[(signs % 3) as usize];
                rules.rubbish = Rubbish { leading: vec!["]C1".into()], ..Rubbish::default() };
                rules.add_control_mark("Q1=1").expect("a mark");
                rules.add_control_specimen("QC-L2*=2").expect("a pattern");
                rules.add_stat_mark("S").expect("a mark");
                let number = match (on(0), on(1)) {
                    (true, _) => "Q1003",
                    (false, true) => "S0003",
                    (false, false) => "0003",
                };
                let specimen = match (on(2), on(3)) {
                    (true, true) => "]C1QC-L2-7",
                    (true, false) => "QC-L2-7",
                    (false, true) => "10023",
                    (false, false) => "",
                };
                let patient = Patient { id: Some(Private::new("77")), ..Patient::default() };
                let print = Report {
                    number: Some(number.into()),
                    specimen: Some(Private::new(specimen)),
                    signs: Signs {
                        control_order: on(4),
                        control_message: on(5),
                        stat: on(1),
                        level: None,
                    },
                    patient: on(6).then_some(patient),
                    controls_not_passed: signs % 5 == 0,
                    ..ten()
                };
                let found = judged(&print, &rules, standing.as_ref());
                let sign = on(0) || on(2) || on(4) || on(5);
                assert_eq!(found.control_sign, sign, "{signs:b}");
                if sign {
                    controls += 1;
                    assert_eq!(found.class, Class::Control);
                    assert!(matches!(found.way, Way::Filed | Way::Held), "{signs:b} {policy:?}");
                    assert!(found.specimen.is_none() && found.remarks.is_empty());
                    let locked = ["controls-failed", "controls-due", "controls-not-passed"];
                    assert!(!codes(&found).iter().any(|c| locked.contains(c)), "no patient's hold");
                } else {
                    patients += 1;
                    assert_ne!(found.class, Class::Control);
                }
            }
        }
    }
    assert_eq!((controls, patients), (18 * 5 * 120, 18 * 5 * 8));
}
