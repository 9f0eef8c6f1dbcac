//! Classes: one sign makes a control, and a control never becomes a patient's result.

use crate::class::Class;
use crate::judge::Way;
use crate::prints::{codes, judged, mark, reading, reasons, ten, with};
use crate::report::{MarkMeaning, Patient, Private, Report, Signs};
use crate::rules::Rules;

fn rules() -> Rules {
    let mut rules = Rules::default();
    rules.add_control_mark("Q1=1").expect("a mark");
    rules.add_control_mark("Q2=2").expect("a mark");
    rules.add_control_specimen("QC-L1*=1").expect("a pattern");
    rules.add_control_specimen("QC-L2*=2").expect("a pattern");
    rules.add_stat_mark("S").expect("a mark");
    rules
}

fn control() -> Report {
    Report { specimen: Some(Private::new("QC-L1-2031")), ..ten() }
}

#[test]
fn any_one_sign_makes_a_control_that_is_filed() {
    let order = Signs { control_order: true, ..Signs::default() };
    let message = Signs { control_message: true, ..Signs::default() };
    let nobody = || Report { specimen: None, ..ten() };
    for (print, level) in [
        (control(), Some("1")),
        (Report { specimen: Some(Private::new("QC-L2")), ..ten() }, Some("2")),
        (Report { number: Some("Q2007".into()), ..nobody() }, Some("2")),
        (Report { signs: order, ..nobody() }, None),
        (Report { signs: message, ..nobody() }, None),
        (Report { signs: Signs { level: Some('2'), ..order }, ..nobody() }, Some("2")),
        (
            Report {
                signs: Signs { level: Some('1'), ..order },
                number: Some("Q1003".into()),
                ..control()
            },
            Some("1"),
        ),
    ] {
        let found = judged(&print, &rules(), &[]);
        assert_eq!(found.holds, []);
        assert_eq!((found.class, found.way), (Class::Control, Way::Filed));
        assert_eq!(found.level.as_deref(), level);
        assert!(found.control_sign && found.specimen.is_none());
    }
}

#[test]
fn class_disagree_is_a_control_with_signs_of_a_patient() {
    let stat = Signs { stat: true, ..Signs::default() };
    let order = Signs { control_order: true, ..Signs::default() };
    let id = Patient { id: Some(Private::new("1")), ..Patient::default() };
    let name = Patient { name: Some(Private::new("A^B")), ..Patient::default() };
    for (print, what) in [
        (Report { signs: stat, ..control() }, "urgent"),
        (Report { patient: Some(id), ..control() }, "patient"),
        (Report { patient: Some(name), ..control() }, "patient"),
        (Report { signs: order, ..ten() }, "specimen id"),
        (Report { number: Some("Q2001".into()), ..control() }, "two levels"),
    ] {
        let found = judged(&print, &rules(), &[]);
        assert_eq!((codes(&found), found.way), (vec!["class-disagree"], Way::Held), "{what}");
        assert!(found.holds[0].detail.contains(what), "{}", found.holds[0].detail);
        assert_eq!(found.class, Class::Control, "held as a control, never as a patient");
        assert!(found.control_sign);
    }
    let bare = Report { patient: Some(Patient::default()), ..control() };
    assert!(judged(&bare, &rules(), &[]).holds.is_empty(), "an empty patient record says nothing");
}

#[test]
fn a_control_with_doubts_is_held_as_a_control() {
    let broken = with(control(), reading("GLU", &["250"], "mg/dL"));
    let found = judged(&broken, &rules(), &[]);
    assert_eq!((codes(&found), found.way), (vec!["off-ladder"], Way::Held));
    assert_eq!(found.class, Class::Control);
}

#[test]
fn a_control_has_neither_flags_nor_marks_to_compare() {
    let mut rules = rules();
    rules.add_reference("GLU", "NEG").expect("a grade");
    let mut high = reading("GLU", &["3+"], "");
    high.mark = mark("N", MarkMeaning::Normal);
    let found = judged(&with(control(), high), &rules, &[]);
    assert_eq!(found.way, Way::Filed);
    assert!(found.readings.iter().all(|r| r.flag.is_none() && r.reference.is_none()));
}

#[test]
fn urgent_work_is_told_by_the_print_or_a_mark() {
    let sign = Report { signs: Signs { stat: true, ..Signs::default() }, ..ten() };
    let mark = Report { number: Some("S0012".into()), ..ten() };
    for print in [sign, mark] {
        let found = judged(&print, &rules(), &[]);
        assert_eq!((found.class, found.way), (Class::Stat, Way::Ready));
    }
    assert_eq!(judged(&ten(), &rules(), &[]).class, Class::Routine);
}

#[test]
fn specimen_blank_and_specimen_malformed_are_told_apart() {
    let of = |id: Option<&str>| reasons(&Report { specimen: id.map(Private::new), ..ten() });
    assert_eq!(of(None), ["specimen-blank"]);
    assert_eq!(of(Some("")), ["specimen-blank"]);
    assert_eq!(of(Some("   ")), ["specimen-blank"]);
    assert_eq!(of(Some("0012")), ["specimen-malformed"], "the test number");
    for id in
        ["0000", "KP1", "KP 10023", "KP-1002310023100231002", "KP_10023", "Ä1234", "KP10023\u{7}"]
    {
        assert_eq!(of(Some(id)), ["specimen-malformed"], "{id:?}");
    }
    let found = judged(&ten(), &Rules::default(), &[]);
    assert_eq!(found.specimen, Some(Private::new("KP-10023")), "as printed, never cut");
}
