//! Which flag wins: the site's reference where it can tell, else the analyzer's own mark, which is never lost.

use crate::observe::{Choice, Flags, Grades, observe};
use crate::prints::{DAY, codes, mark, reading, report, strip};
use crate::report::MarkMeaning;
use crate::strip::Strip;
use crate::units::Units;
use crate::{Facts, Flag, Judged, Moment, Rules, judge};

/// One print: the pad, its parts, its unit, its mark.
type Print<'a> = (&'a str, &'a [&'a str], &'a str, Option<MarkMeaning>);

fn judged(strip: &Strip, units: Units, reference: &str, print: Print<'_>) -> Judged {
    let (label, parts, unit, meaning) = print;
    let mut own = reading(label, parts, unit);
    own.mark = meaning.and_then(|meaning| mark("*", meaning));
    let mut rules = Rules { print_units: units, ..Rules::default() };
    if !reference.is_empty() {
        rules.add_reference(label, reference).expect(reference);
    }
    let heard = Moment::from_digits("20250314091530").expect("a time");
    let (earlier, day) = (&[][..], DAY);
    let facts = Facts { earlier, heard, day, sequence: None, controls: None, lot: None };
    let mut print = report(strip, units);
    print.readings.retain(|r| r.label != label);
    print.readings.push(own);
    judge(&print, std::slice::from_ref(strip), &rules, &facts)
}

/// What stands on the pad's grade and on its number, at a receiver that takes these.
fn letters(strip: &Strip, found: &Judged, choice: Choice, id: &str) -> [Option<Flag>; 2] {
    let mut letters = [None, None];
    for sent in observe(&found.readings, strip, &choice).expect("it goes") {
        if found.readings[sent.reading].analyte.as_deref() == Some(id) {
            letters[usize::from(!matches!(sent.content, crate::Content::Grade { .. }))] = sent.flag;
        }
    }
    letters
}

/// Columns: reference, units printed, print, mark, and what stands on the grade and on the number.
#[test]
fn no_abnormal_mark_is_lost_where_a_reference_cannot_tell() {
    use MarkMeaning::{Abnormal, High, Low, Normal};
    use Units::{Conventional, Si};
    const NONE: Option<MarkMeaning> = None;
    let (a, h, l, n) = (Some(Flag::A), Some(Flag::H), Some(Flag::L), Some(Flag::N));
    let strip = strip("twelve-pad");
    for (reference, units, print, on_grade, on_number) in [
        // The interval of the other system judges the same step by its label there.
        ("0-15 mg/dL", Si, ("GLU", &["2+", "22"][..], "mmol/L", NONE), None, h),
        ("0-15 mg/dL", Conventional, ("GLU", &["2+", "400"], "mg/dL", NONE), None, h),
        ("0-2.5 mg/dL", Si, ("ALB", &["60"], "mg/L", NONE), None, h),
        ("0-2.5 mg/dL", Si, ("ALB", &["25"], "mg/L", NONE), None, n),
        // A grade alone is judged by the number that the ladder has for it.
        ("0-20 {Leu}/uL, 0-20 10*6/L", Conventional, ("LEU", &["1+"], "", NONE), a, None),
        ("0-20 {Leu}/uL, 0-20 10*6/L", Conventional, ("LEU", &["NEG"], "", NONE), n, None),
        ("0-15 mg/dL, 0-0.8 mmol/L", Conventional, ("GLU", &["NEG"], "", NONE), n, None),
        // Negative is below the first number, which itself would lie in it.
        ("40-500 mg/dL", Conventional, ("GLU", &["NEG"], "", NONE), a, None),
        // An open end may lie in or out: then the analyzer's word stands.
        ("1.003-1.030", Conventional, ("SG", &[">=1.028"], "", NONE), None, None),
        ("1.003-1.030", Conventional, ("SG", &[">=1.028"], "", Some(High)), None, h),
        ("1.003-1.030", Conventional, ("SG", &["<=1.004"], "", Some(Low)), None, l),
        ("1.003-1.030", Conventional, ("SG", &["1.020"], "", Some(Normal)), None, n),
        // Where the reference can tell, it decides.
        ("TR", Conventional, ("PRO", &["TR", "12"], "mg/dL", Some(Abnormal)), n, None),
        // Without one the mark is the flag, with its own letter.
        ("", Conventional, ("GLU", &["2+", "400"], "mg/dL", Some(Abnormal)), a, None),
        ("", Conventional, ("GLU", &["2+", "400"], "mg/dL", Some(High)), None, h),
    ] {
        let found = judged(&strip, units, reference, print);
        assert_eq!(codes(&found), [""; 0], "{reference} {print:?}");
        let sent = letters(&strip, &found, Choice::default(), print.0);
        assert_eq!(sent, [on_grade, on_number], "{reference} {units:?} {print:?}");
    }
}

/// Whatever a receiver takes and wherever its flags stand, an abnormal reading has one.
#[test]
fn every_choice_of_a_receiver_keeps_the_flag() {
    let strip = strip("twelve-pad");
    for (reference, print) in [
        ("0-15 mg/dL", ("GLU", &["2+", "400"][..], "mg/dL", None)),
        ("NEG", ("GLU", &["2+", "400"], "mg/dL", None)),
        ("", ("GLU", &["2+", "400"], "mg/dL", Some(MarkMeaning::Abnormal))),
        ("0-20 {Leu}/uL, 0-20 10*6/L", ("LEU", &["3+"], "", None)),
    ] {
        let found = judged(&strip, Units::Conventional, reference, print);
        for units in [Units::Conventional, Units::Si] {
            for grades in [Grades::Beside, Grades::Only, Grades::Never] {
                for flags in [Flags::Judged, Flags::Both] {
                    let choice = Choice { units, grades, flags, ..Choice::default() };
                    let sent = letters(&strip, &found, choice, print.0);
                    let abnormal = |f: &Option<Flag>| matches!(f, Some(Flag::A | Flag::H));
                    assert!(sent.iter().any(abnormal), "{reference} {choice:?}: {sent:?}");
                }
            }
        }
    }
}

/// Low where nothing above could be normal, high where nothing below could: on the wrong pad, or misread.
#[test]
fn a_mark_that_points_the_wrong_way_is_held() {
    use MarkMeaning::{Abnormal, High, Low};
    let strip = strip("ten-pad");
    for (label, parts, meaning, held) in [
        ("GLU", &["4+"][..], Low, true),
        ("GLU", &["1+"], Low, true),
        ("GLU", &["1+"], High, false),
        ("NIT", &["POS"], Low, true),
        ("SG", &[">=1.028"], Low, true),
        ("SG", &["1.024"], Low, false), // above it a step may be normal
        ("SG", &["<=1.004"], High, true),
        ("PH", &["5.0"], High, true),
        ("PH", &["5.0"], Low, false),
        ("COL", &["red"], Low, false), // colours have no order
        ("SG", &[">=1.028"], Abnormal, false),
    ] {
        let found = judged(&strip, Units::Conventional, "", (label, parts, "", Some(meaning)));
        let expected: &[&str] = if held { &["mark-disagree"] } else { &[] };
        assert_eq!(codes(&found), expected, "{label} {parts:?} {meaning:?}");
    }
}
