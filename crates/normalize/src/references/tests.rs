//! References: what is refused, what is told, what each one judges.

use super::Reference;
use crate::observation::Flag;
use crate::rules::Rules;
use crate::strip::Strip;
use crate::units::Units;

fn rules(id: &str, text: &str) -> Rules {
    let mut rules = Rules::default();
    rules.add_reference(id, text).expect(text);
    rules
}

fn strips() -> [Strip; 1] {
    [Strip::builtin("twelve-pad").expect("built in")]
}

#[test]
fn what_can_be_meant_is_taken() {
    for (id, text) in [
        ("GLU", "NEG"),
        ("PRO", "TR"),
        ("URO", "NORM"),
        ("COL", "STRAW"),
        ("PH", "5.0-8.0"),
        ("SG", "1.003-1.030"),
        ("ALB", "0-3 mg/dL"),
        ("ALB", "0-3 mg/dL, 0-30 mg/L"),
        ("CRE", "40-240 mg/dl,3.5-21.2 mmol/l"),
        ("BLD", "0-20 {Ery}/uL, 0-20 10*6/L"),
        ("BLD", "0-5 {Ery}/uL"),
        ("PH", "7.0-7.0"),
        ("GLU", "1+"),
    ] {
        assert_eq!(rules(id, text).faults(&strips()), [""; 0], "{id} {text}");
        let read: Reference = text.parse().expect(text);
        let again: Reference = String::from(read.clone()).parse().expect("as written");
        assert_eq!(again, read);
    }
}

/// Each with the word of its refusal that tells the person what is wrong.
#[test]
fn what_no_result_could_meet_is_refused() {
    for (id, text, why) in [
        ("GLU", "NORM", "no grade of this pad"),
        ("CLA", "YELLOW", "no grade of this pad"),
        ("PH", "NEG", "allowed: an interval"),
        ("NIT", "0-1", "no numbers"),
        ("GLU", "50-80", "in which unit"),
        ("GLU", "60-90 mg/dL", "no step of this pad lies in 60-90"),
        ("PH", "50-80", "no step of this pad lies in 50-80; they go from 5.0 to 9.0 [pH]"),
        ("PH", "5.1-5.4", "no step"),
        ("SG", "1005-1030", "no step"),
        ("ALB", "0-3", "in which unit"),
        ("ALB", "0-0.5 mg/dL", "no step"),
        ("ALB", "0-3 g/L", "no unit of this pad"),
        ("ALB", "0-3 mg/dL, 0-4 mg/dL", "two intervals in one unit"),
        ("ALB", "0-3 mg/dL, 0-300 mg/L", "judge one step differently"),
        ("NIT", "POS", "no result could be abnormal"),
        ("GLU", "4+", "no result could be abnormal"),
    ] {
        let found = rules(id, text).faults(&strips());
        assert_eq!(found.len(), 1, "{id} {text}: {found:?}");
        assert!(found[0].contains(why), "{id} {text}: {found:?}");
    }
    for text in [
        "",
        "8.0-5.0",
        "5.0",
        "<5-8",
        "neg",
        "5.0-",
        "-",
        "1,0-2,0",
        "0-1, 2-3",
        "0-1 a, 0-2 b, 0-3 c",
    ] {
        assert!(text.parse::<Reference>().is_err(), "{text}");
    }
    // As many characters as a grade may have, and as two intervals with their units need.
    let grade = |length: usize| "B".repeat(length).parse::<Reference>();
    assert!(grade(20).is_ok() && grade(21).is_err());
    let interval = |length: usize| format!("0-1 {}", "u".repeat(length - 4)).parse::<Reference>();
    assert!(interval(60).is_ok() && interval(61).is_err());
}

#[test]
fn what_never_flags_is_told() {
    let told = |id: &str, text: &str| {
        let notes = rules(id, text).notes(&strips());
        notes.into_iter().filter(|n| n.starts_with("reference")).collect::<Vec<_>>().join("; ")
    };
    assert_eq!(told("PH", "5.0-8.0"), "");
    assert_eq!(told("PRO", "TR"), "", "a grade needs no interval");
    assert!(told("PH", "5.0-9.0").contains("no step is surely outside 5.0-9.0"));
    let half = told("ALB", "0-3 mg/dL");
    assert!(half.contains("numbers in mg/L have no interval: they are judged by"), "{half}");
    let bare = Rules::default().notes(&strips()).join("; ");
    assert!(bare.contains("no reference for ") && bare.contains("GLU"), "{bare}");
    assert!(bare.contains("nothing of theirs is flagged by us"), "{bare}");
}

/// An end is flagged only where all that it can mean lies outside.
#[test]
fn an_interval_judges_ends_by_what_they_can_mean() {
    let reference: Reference = "5-8".parse().expect("an interval");
    let Reference::Between(intervals) = &reference else { panic!("it is one") };
    for (label, flag) in [
        ("4", Some(Flag::L)),
        ("5", Some(Flag::N)),
        ("8.0", Some(Flag::N)),
        ("8.1", Some(Flag::H)),
        ("<5", Some(Flag::L)),
        ("<=5", None),
        ("<=4.9", Some(Flag::L)),
        ("<6", None),
        (">8", Some(Flag::H)),
        (">=8", None),
        (">=8.1", Some(Flag::H)),
        (">7", None),
        // A range across an end may be on either side of it.
        ("4-6", None),
        ("7-9", None),
        ("4-9", None),
        ("5-8", Some(Flag::N)),
        ("1-4", Some(Flag::L)),
        ("9-12", Some(Flag::H)),
    ] {
        let figure = crate::Figure::read(label).expect(label);
        assert_eq!(intervals[0].flag(&figure), flag, "{label}");
    }
}

/// A concentration is never below nothing: then a lowest end that is low enough is normal.
#[test]
fn from_nothing_on_a_low_end_is_inside() {
    let reference: Reference = "0-5".parse().expect("an interval");
    let Reference::Between(intervals) = &reference else { panic!("it is one") };
    for (label, flag) in [
        ("<=5", Some(Flag::N)),
        ("<5", Some(Flag::N)),
        ("<=1.2", Some(Flag::N)),
        ("<=6", None),
        ("<5.1", None),
        (">=5", None),
        (">5", Some(Flag::H)),
    ] {
        let figure = crate::Figure::read(label).expect(label);
        assert_eq!(intervals[0].flag(&figure), flag, "{label}");
    }
    assert_eq!(
        rules("ALB", "0-1.2 mg/dL").faults(&strips()),
        [""; 0],
        "only the lowest step is normal"
    );
}

#[test]
fn each_unit_system_is_shown_its_own() {
    let strip = Strip::builtin("twelve-pad").expect("built in");
    let pad = |id: &str| strip.pad(id).expect(id);
    let shown =
        |id: &str, text: &str, units| text.parse::<Reference>().expect(text).shown(pad(id), units);
    let (conventional, si) = (Units::Conventional, Units::Si);
    let both = "0-3 mg/dL, 0-30 mg/L";
    assert_eq!(shown("ALB", both, conventional).as_deref(), Some("0-3"));
    assert_eq!(shown("ALB", both, si).as_deref(), Some("0-30"));
    assert_eq!(shown("ALB", "0-3 mg/dL", si), None);
    assert_eq!(shown("PRO", "TR", si).as_deref(), Some("Negative to Trace"));
    assert_eq!(shown("COL", "STRAW", si).as_deref(), Some("straw"));
}
