//! Classes: one sign makes a control, and a control never becomes a patient's result.

use proptest::prelude::*;

use crate::class::{Class, Role};
use crate::hold::{Hold, Reason};
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
    let lot = || Report { control_lot: Some("KP-101".into()), ..nobody() };
    for (print, level) in [
        (control(), Some("1")),
        (Report { specimen: Some(Private::new("QC-L2")), ..ten() }, Some("2")),
        (Report { number: Some("Q2007".into()), ..nobody() }, Some("2")),
        (Report { signs: order, ..lot() }, None),
        (Report { signs: message, ..lot() }, None),
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
    // A sign of class by itself says too little: neither of what nor of which level.
    for signs in [order, message] {
        let found = judged(&Report { signs, ..nobody() }, &rules(), &[]);
        assert_eq!(codes(&found), ["specimen-blank"]);
        assert_eq!((found.class, found.way), (Class::Control, Way::Held));
        assert!(found.control_sign);
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

#[test]
fn an_external_quality_sample_is_filed_whatever_else_its_print_says() {
    let mut rules = rules();
    rules.add_external_quality("EQA-[0-9]{4}").expect("a pattern");
    rules.rubbish.leading.push("]C1".into());
    for form in ["0xxx=routine", "5xxx=stat", "9xxx=control:2"] {
        rules.add_leading_digit(form).expect(form);
    }
    let of = |number: &str, specimen: &str, signs: Signs| {
        let specimen = Some(Private::new(specimen));
        let print = Report { number: Some(number.into()), specimen, signs, ..ten() };
        judged(&print, &rules, &[])
    };
    let plain = Signs::default();
    let order = Signs { control_order: true, ..plain };
    let stat = Signs { stat: true, ..plain };
    // It is run as a patient's specimen is, so that nothing of a patient's number speaks against it.
    for (number, specimen, signs) in [
        ("0012", "EQA-0107", plain),
        ("0012", "]C1EQA-0107", plain),
        ("5012", "EQA-0107", plain),
        ("S012", "EQA-0107", stat),
        ("0012", "EQA-0107", order),
        ("", "EQA-0107", plain),
    ] {
        let found = of(number, specimen, signs);
        assert_eq!((found.way, &found.holds), (Way::Filed, &vec![]), "{number}");
        assert_eq!((found.class, found.level.as_deref()), (Class::Control, Some("external")));
        assert_eq!(found.role(), Role::External);
        assert!(found.control_sign && found.specimen.is_none());
        assert!(found.readings.iter().all(|r| r.flag.is_none()));
    }
    // What names a level of our own material, or a patient, is looked at.
    let level = Signs { level: Some('1'), ..order };
    for (number, signs) in [("9012", plain), ("Q1012", plain), ("0012", level)] {
        let found = of(number, "EQA-0107", signs);
        assert_eq!((codes(&found), found.role()), (vec!["class-disagree"], Role::External));
    }
    let id = Patient { id: Some(Private::new("PT-7")), ..Patient::default() };
    let named = Report { specimen: Some(Private::new("EQA-0107")), patient: Some(id), ..ten() };
    assert_eq!(codes(&judged(&named, &rules, &[])), ["class-disagree"]);
    assert_eq!(of("0012", "EQA-01070", plain).role(), Role::Patient, "another id");
    let why = rules.check_specimen("EQA-0107", None).expect_err("no patient's");
    assert!(why.contains("external"), "{why}");
    assert_eq!(of("", "QC-L1-2031", plain).role(), Role::Control);
}

#[test]
fn a_second_id_beside_a_patients_specimen_is_held() {
    let beside = |lot: &str| Report { control_lot: Some(lot.into()), ..ten() };
    for lot in ["KP-9999", "0004", " KP-9999 "] {
        assert_eq!(reasons(&beside(lot)), ["specimen-malformed"], "{lot}");
    }
    // A place on a rack, the same id again, and what no id looks like.
    for lot in ["7", "A1", "KP-10023", "cup 12"] {
        assert_eq!(reasons(&beside(lot)), [""; 0], "{lot}");
    }
    let found = judged(&beside("QC-L1"), &rules(), &[]);
    assert_eq!(codes(&found), ["specimen-malformed"], "control material's");
    let control = Report { control_lot: Some("KP-2026-1".into()), ..control() };
    assert_eq!(judged(&control, &rules(), &[]).way, Way::Filed, "there it is the lot");
    let mut named = beside("KP-9999");
    named.identify("KP-4711");
    let found = judged(&named, &Rules::default(), &[]);
    assert_eq!((found.way, found.specimen), (Way::Ready, Some(Private::new("KP-4711"))));
}

#[test]
fn who_names_the_specimen_settles_what_the_dialect_doubted_of_it() {
    let mut print = Report { specimen: Some(Private::new(r"KP-1234\KP-9999")), ..ten() };
    print.doubts.push(Hold::new(Reason::SpecimenMalformed, "two ids").at(1));
    print.doubts.push(Hold::new(Reason::LineError, "a bad byte").at(2));
    let found = judged(&print, &Rules::default(), &[]);
    assert_eq!(codes(&found), ["specimen-malformed", "line-error"]);
    assert_eq!(found.holds.len(), 2, "said once");
    print.identify("KP-1234");
    assert_eq!(reasons(&print), ["line-error"]);
    let found = judged(&print, &Rules::default(), &[]);
    assert_eq!(found.specimen, Some(Private::new("KP-1234")), "another doubt is none of the id");
}

#[test]
fn leading_digits_say_the_class_and_a_number_of_no_form_has_none() {
    let mut rules = rules();
    for form in ["0xxx=routine", "5xxx=stat", "8xxx=control", "9xxx=control:2"] {
        rules.add_leading_digit(form).expect(form);
    }
    let of = |number: &str, specimen: &str| {
        let specimen = Some(Private::new(specimen)).filter(|s| !s.is_empty());
        let print = Report { number: Some(number.into()), specimen, ..ten() };
        let found = judged(&print, &rules, &[]);
        (found.class, found.level.clone(), found.way, codes(&found))
    };
    let patient = "KP-10023";
    assert_eq!(of("0012", patient), (Class::Routine, None, Way::Ready, vec![]));
    assert_eq!(of("5012", patient), (Class::Stat, None, Way::Ready, vec![]));
    assert_eq!(of("8012", ""), (Class::Control, None, Way::Held, vec!["specimen-blank"]));
    assert_eq!(of("9012", ""), (Class::Control, Some("2".into()), Way::Filed, vec![]));
    assert_eq!(of("9012", "QC-L2-7"), (Class::Control, Some("2".into()), Way::Filed, vec![]));
    for (number, specimen, class, reason) in [
        ("9012", patient, Class::Control, "class-disagree"),
        ("9012", "QC-L1-7", Class::Control, "class-disagree"),
        ("0012", "QC-L1-7", Class::Control, "class-disagree"),
        ("5012", "QC-L1-7", Class::Control, "class-disagree"),
        ("1012", patient, Class::Routine, "unreadable"),
        ("90012", patient, Class::Routine, "unreadable"),
        ("012", patient, Class::Routine, "unreadable"),
        ("", patient, Class::Routine, "unreadable"),
    ] {
        let found = of(number, specimen);
        assert_eq!((found.0, found.2, found.3), (class, Way::Held, vec![reason]), "{number}");
    }
    assert_eq!(of("S012", patient).2, Way::Ready, "a mark is as good as a digit");
    assert_eq!(of("Q1012", "").2, Way::Filed);
    for wrong in ["9=control", "xxx=stat", "9xxx", "9xxx=stat:1", "9x1x=stat", "9xxx=control:"] {
        assert!(rules.clone().add_leading_digit(wrong).is_err(), "{wrong}");
    }
    rules.add_leading_digit("9xxx=stat").expect("a form");
    assert_eq!(rules.faults(&[]).len(), 1, "one form has one class");
    let text = toml::to_string(&rules).expect("rules are text");
    assert_eq!(toml::from_str::<Rules>(&text).expect("as written"), rules);
}

#[test]
fn a_scanners_rubbish_hides_no_control_and_a_check_character_is_a_patients() {
    let mut rules = rules();
    rules.rubbish.leading.push("]C1".into());
    rules.check_character = Some(crate::check::CheckCharacter::Mod37And36);
    let of = |specimen: &str| {
        let print = Report { specimen: Some(Private::new(specimen)), ..ten() };
        let found = judged(&print, &rules, &[]);
        let specimen = found.specimen.as_ref().map(|s| s.expose().to_owned());
        (found.class, specimen, codes(&found))
    };
    assert_eq!(of("]C1QC-L1-2031"), (Class::Control, None, vec![]));
    assert_eq!(of("QC-L1-2031"), (Class::Control, None, vec![]));
    let good = "A12425GABC1234002M";
    assert_eq!(of(&format!("]C1{good}")), (Class::Routine, Some(good.into()), vec![]));
    assert_eq!(of("A12425GABC1234002N").2, ["specimen-malformed"]);
    assert_eq!(of("]C1").2, ["specimen-blank"]);
    assert_eq!(of("]D1A12425GABC1234002M").2, ["specimen-malformed"], "only by rule");
}

proptest! {
    /// The class by the signs alone, written again as one expression: any one control sign makes a
    /// control, and no control is ever ready.
    #[test]
    fn classes_agree_with_their_signs(
        number in "(Q[12]?|S|[0589])?[0-9]{0,4}",
        specimen in "(QC-L[12]|KP-)?[0-9]{0,6}",
        order in any::<bool>(),
        message in any::<bool>(),
        stat in any::<bool>(),
    ) {
        let mut rules = rules();
        for form in ["0xxx=routine", "5xxx=stat", "8xxx=control", "9xxx=control:2"] {
            rules.add_leading_digit(form).expect(form);
        }
        let signs = Signs { control_order: order, control_message: message, stat, level: None };
        let print = Report {
            number: Some(number.clone()),
            specimen: Some(Private::new(specimen.clone())),
            signs,
            ..ten()
        };
        let found = judged(&print, &rules, &[]);
        let four = number.len() == 4 && number.bytes().all(|b| b.is_ascii_digit());
        let lead = |digits: &str| four && digits.contains(&number[..1]);
        let marked = number.starts_with("Q1") || number.starts_with("Q2");
        let material = specimen.starts_with("QC-L");
        let control = order || message || marked || material || lead("89");
        let urgent = stat || number.starts_with('S') || lead("5");
        let class = match (control, urgent) {
            (true, _) => Class::Control,
            (false, true) => Class::Stat,
            (false, false) => Class::Routine,
        };
        prop_assert_eq!((found.class, found.control_sign), (class, control));
        if control {
            prop_assert_ne!(found.way, Way::Ready);
            prop_assert!(found.specimen.is_none());
        } else if !(lead("05") || number.starts_with('S')) {
            prop_assert_eq!(found.way, Way::Held);
        }
    }
}
