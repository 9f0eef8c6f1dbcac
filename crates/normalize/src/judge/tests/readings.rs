//! Readings: labels, grades, numbers, units, marks.

use crate::figure::Figure;
use crate::judge::{Facts, Way, judge};
use crate::moment::Moment;
use crate::observation::Flag;
use crate::prints::{
    DAY, codes, judged, mark, printed, reading, reasons, report, strip, ten, with,
};
use crate::readings::Reading;
use crate::report::{Mark, MarkMeaning, Status};
use crate::rules::Rules;
use crate::strip::Strip;
use crate::units::Units;

/// The reading of the pad, after the ten-pad report was printed with this one in it.
fn read(label: &str, parts: &[&str], unit: &str) -> (Vec<&'static str>, Reading) {
    let found = judged(&with(ten(), reading(label, parts, unit)), &Rules::default(), &[]);
    let this = found.readings.iter().find(|r| r.label == label).expect(label).clone();
    (codes(&found), this)
}

/// What holds the ten-pad report with this reading in it.
fn held(label: &str, parts: &[&str], unit: &str) -> Vec<&'static str> {
    read(label, parts, unit).0
}

#[test]
fn a_report_that_nothing_is_wrong_with_is_ready() {
    for name in Strip::builtin_names() {
        for units in [Units::Conventional, Units::Si] {
            let strip = strip(name);
            let print = report(&strip, units);
            let rules = Rules { print_units: units, ..Rules::default() };
            let facts = Facts {
                earlier: &[],
                heard: print.taken.expect("a time"),
                day: DAY,
                sequence: None,
                controls: None,
                lot: None,
            };
            let judged = judge(&print, std::slice::from_ref(&strip), &rules, &facts);
            assert_eq!(judged.holds, [], "{name}");
            assert_eq!((judged.way, judged.strip.as_str()), (Way::Ready, *name));
            assert_eq!(judged.readings.len(), print.readings.len());
        }
    }
}

#[test]
fn every_rung_is_read_as_itself_however_it_is_printed() {
    let strip = strip("twelve-pad");
    for units in [Units::Conventional, Units::Si] {
        let rules = Rules { print_units: units, ..Rules::default() };
        for pad in &strip.pads {
            for (index, rung) in pad.rungs.iter().enumerate() {
                let mut print = report(&strip, units);
                print.readings.retain(|r| r.label != pad.id);
                print.readings.push(printed(pad, rung, units));
                let facts = Facts {
                    earlier: &[],
                    heard: print.taken.expect("a time"),
                    day: DAY,
                    sequence: None,
                    controls: None,
                    lot: None,
                };
                let judged = judge(&print, std::slice::from_ref(&strip), &rules, &facts);
                assert_eq!(judged.holds, [], "{} {rung:?}", pad.id);
                let read = judged.readings.last().expect("it");
                assert_eq!(read.rung, Some(index), "{} {rung:?}", pad.id);
                assert_eq!(read.grade, rung.grade);
                assert_eq!(read.number.as_ref(), rung.label(units));
            }
        }
    }
}

#[test]
fn unknown_analyte_is_a_label_that_no_strip_has() {
    let mut print = ten();
    print.readings[2].label = "XYZ".into();
    let found = judged(&print, &Rules::default(), &[]);
    assert_eq!(codes(&found), ["unknown-analyte", "pads-missing"]);
    assert_eq!(found.holds[0].line, Some(print.readings[2].line));
    assert_eq!(found.readings[2].analyte, None);
    assert!(found.holds[0].detail.contains("`XYZ`"), "{}", found.holds[0].detail);
}

#[test]
fn off_ladder_is_a_number_that_no_rung_has() {
    assert_eq!(held("GLU", &["2+", "250"], "mg/dL"), ["off-ladder"]);
    assert_eq!(held("GLU", &["250"], "mg/dL"), ["off-ladder"]);
    assert_eq!(held("SG", &["1.017"], ""), ["off-ladder"]);
    assert_eq!(held("PH", &["6.4"], ""), ["off-ladder"]);
    assert_eq!(held("NIT", &["POS", "1"], ""), ["off-ladder"], "nitrite has no numbers");
    assert_eq!(held("GLU", &["NEG", "0"], "mg/dL"), ["off-ladder"], "negative has no number here");
    assert_eq!(held("GLU", &["5+"], ""), ["off-ladder"]);
    assert_eq!(held("GLU", &["NORM"], ""), ["off-ladder"], "normal is not negative");
    assert_eq!(held("URO", &["NEG"], ""), ["off-ladder"], "nor the other way");
    assert_eq!(held("SG", &["NEG"], ""), ["off-ladder"]);
    assert_eq!(held("KET", &["2,0"], "mg/dL"), ["off-ladder"], "a comma is the dialect's to read");
}

/// A digit that strayed behind a number is no unit: 1.011 would go out as 1.010.
#[test]
fn unit_unexpected_is_a_lone_one_behind_a_number_that_has_no_unit() {
    assert_eq!(held("SG", &["1.012"], "1"), ["unit-unexpected"]);
    let own = "id = \"own\"\nname = \"Own\"\nextends = \"ten-pad\"\n[[pad]]\nid = \"SG\"\n\
               conventional = { ucum = \"1\", spellings = [\"1\"] }\n";
    let own = Strip::parse(own, "own.toml").expect("a strip");
    let gravity = own.pad("SG").expect("SG");
    assert!(gravity.is_spelled(Units::Conventional, "1"), "the strip lists it");
}

#[test]
fn off_ladder_is_a_comparator_that_is_not_the_ladders() {
    for (parts, unit) in [
        (["4+", ">2400"], "mg/dL"),
        (["4+", "<=2400"], "mg/dL"),
        (["3+", ">=1200"], "mg/dL"),
        (["3+", ">1200"], "mg/dL"),
    ] {
        assert_eq!(held("GLU", &parts, unit), ["off-ladder"], "{parts:?}");
    }
    assert_eq!(held("GLU", &["4+", "2400"], "mg/dL"), Vec::<&str>::new(), "absent is allowed");
    assert_eq!(held("SG", &["1.028"], ""), Vec::<&str>::new());
    assert_eq!(held("SG", &["<1.004"], ""), ["off-ladder"]);
}

#[test]
fn grade_value_disagree_is_a_grade_beside_another_rungs_number() {
    assert_eq!(held("GLU", &["2+", "100"], "mg/dL"), ["grade-value-disagree"]);
    assert_eq!(held("GLU", &["NEG", "100"], "mg/dL"), ["grade-value-disagree"]);
    assert_eq!(held("URO", &["NORM", "2.5"], "mg/dL"), ["grade-value-disagree"]);
    assert_eq!(held("URO", &["NORM", "0.9"], "mg/dL"), Vec::<&str>::new());
}

#[test]
fn unit_unexpected_is_a_unit_of_another_system_kind_or_none() {
    assert_eq!(held("GLU", &["2+", "400"], "mmol/L"), ["unit-unexpected"]);
    assert_eq!(held("GLU", &["2+", "22"], "mmol/L"), ["unit-unexpected"]);
    assert_eq!(held("GLU", &["2+", "400"], ""), ["unit-unexpected"], "no unit beside a number");
    assert_eq!(
        held("GLU", &["2+"], "mmol/L"),
        ["unit-unexpected"],
        "a foreign unit beside a grade"
    );
    assert_eq!(held("GLU", &["2+"], "mg/dL"), Vec::<&str>::new(), "the own unit beside a grade");
    assert_eq!(held("GLU", &["2+", "400"], "Mg/dL"), ["unit-unexpected"], "mega is not milli");
    assert_eq!(held("NIT", &["POS"], "mg/dL"), ["unit-unexpected"]);
    assert_eq!(held("SG", &["1.008"], "kg/L"), ["unit-unexpected"]);
    assert_eq!(held("BLD", &["1+", "20"], "Leu/uL"), ["unit-unexpected"]);
    assert_eq!(held("PRO", &["1+", "30"], "g/L"), ["unit-unexpected"], "the SI unit");
    for unit in ["RBC/uL", "/uL", "ery/µl", "10^6/L"] {
        assert_eq!(held("BLD", &["1+", "20"], unit), Vec::<&str>::new(), "{unit}");
    }
    for unit in ["", "pH", "[pH]"] {
        assert_eq!(held("PH", &["6.5"], unit), Vec::<&str>::new(), "{unit}");
    }
    let mut implied = reading("GLU", &["2+", "400"], "");
    implied.unit_implied = true;
    assert_eq!(reasons(&with(ten(), implied)), Vec::<&str>::new());
    let swapped = judged(&with(ten(), reading("GLU", &["22"], "mmol/L")), &Rules::default(), &[]);
    let strange = judged(&with(ten(), reading("GLU", &["22"], "g/L")), &Rules::default(), &[]);
    assert!(swapped.holds[0].detail.contains("configured to print"), "{:?}", swapped.holds);
    assert!(strange.holds[0].detail.contains("expected mg/dL"), "{:?}", strange.holds);
    let (_, read) = read("GLU", &["2+", "22"], "mmol/L");
    assert_eq!(read.rung, Some(3), "the grade stands, the number is compared with nothing");
}

#[test]
fn pads_missing_names_them_and_optional_pads_may_be_absent() {
    let mut print = ten();
    print.readings.retain(|r| r.label != "KET" && r.label != "PH");
    let found = judged(&print, &Rules::default(), &[]);
    assert_eq!(codes(&found), ["pads-missing"]);
    assert!(found.holds[0].detail.contains("KET, PH"), "{}", found.holds[0].detail);
}

#[test]
fn pads_unexpected_is_a_pad_of_another_strip_or_a_pad_twice() {
    let mut print = ten();
    print.readings.push(reading("ASC", &["NEG"], ""));
    let found = judged(&print, &Rules::default(), &[]);
    assert_eq!(codes(&found), ["pads-unexpected"]);
    assert!(found.holds[0].detail.contains("Ascorbic acid"), "{}", found.holds[0].detail);
    for second in [
        reading("GLU", &["NEG"], ""),
        reading("GLUC", &["2+"], ""),
        reading("GLU", &["2+", "400"], "mg/dL"),
        reading("GLU", &[""], ""),
    ] {
        let mut print = ten();
        print.readings.push(second);
        assert_eq!(reasons(&print), ["pads-unexpected"]);
    }
}

#[test]
fn a_graded_and_a_measured_line_of_one_pad_are_one_reading() {
    let mut print = with(ten(), reading("GLU", &["2+"], ""));
    print
        .readings
        .push(crate::report::PrintedReading { line: 30, ..reading("Glucose", &["400"], "mg/dL") });
    let found = judged(&print, &Rules::default(), &[]);
    assert_eq!(found.holds, []);
    assert_eq!(found.readings.len(), 10);
    let glucose = found.readings.iter().find(|r| r.label == "GLU").expect("GLU");
    assert_eq!((glucose.rung, glucose.lines.len()), (Some(3), 2));
    assert_eq!(glucose.printed.parts, ["2+", "400"]);
    assert_eq!(glucose.printed.value.as_deref(), Some("400"));
    print.readings.push(reading("GLU", &["400"], "mg/dL"));
    assert_eq!(reasons(&print), ["pads-unexpected"], "a third one is one too many");
    let mut apart = with(ten(), reading("GLU", &["1+"], ""));
    apart.readings.push(reading("GLU", &["400"], "mg/dL"));
    assert_eq!(reasons(&apart), ["grade-value-disagree"]);
}

#[test]
fn unreadable_is_two_results_in_one() {
    assert_eq!(held("GLU", &["2+", "3+"], ""), ["unreadable"]);
    assert_eq!(held("GLU", &["100", "400"], "mg/dL"), ["unreadable"]);
    assert_eq!(held("GLU", &["2+", "++", "400"], "mg/dL"), ["unreadable"]);
    assert_eq!(held("GLU", &["400", "2+"], "mg/dL"), Vec::<&str>::new(), "in any order");
}

#[test]
fn bare_signs_mean_nothing_unless_the_pad_says_so() {
    for sign in ["-", "+", "(+)", "*", "?"] {
        assert_eq!(held("NIT", &[sign], ""), ["off-ladder"], "{sign}");
        assert_eq!(held("GLU", &[sign], ""), ["off-ladder"], "{sign}");
    }
    let text = r#"
        id = "own"
        name = "Own"
        [[pad]]
        id = "NIT"
        title = "Nitrite"
        kind = "two-step"
        rungs = [{ grade = "NEG", flag = "N" }, { grade = "POS", flag = "A" }]
        words = { NEG = ["-"], POS = ["+"] }
        unread = ["?"]
    "#;
    let own = Strip::parse(text, "own.toml").expect("whole");
    let of = |sign: &str| {
        let print = crate::report::Report { readings: vec![reading("NIT", &[sign], "")], ..ten() };
        let facts = Facts {
            earlier: &[],
            heard: Moment::from_digits("20250314").expect("a day"),
            day: DAY,
            sequence: None,
            controls: None,
            lot: None,
        };
        let judged = judge(&print, std::slice::from_ref(&own), &Rules::default(), &facts);
        (codes(&judged), judged.readings[0].grade.clone())
    };
    assert_eq!(of("+"), (vec![], Some("POS".into())));
    assert_eq!(of("-"), (vec![], Some("NEG".into())));
    assert_eq!(of("?"), (vec!["pad-unread"], None));
    assert_eq!(of("(+)"), (vec!["off-ladder"], None));
}

#[test]
fn pad_unread_is_never_negative() {
    for parts in [&[][..], &[""], &["  "], &["ERR"], &["---"], &["error", "100"], &["NEG", "err"]] {
        let (codes, read) = read("GLU", parts, "");
        assert_eq!(codes, ["pad-unread"], "{parts:?}");
        assert!(read.unread.is_some() && read.grade.is_none() && read.number.is_none());
    }
    let unread =
        crate::report::PrintedReading { status: Status::Unread, ..reading("GLU", &["NEG"], "") };
    let found = judged(&with(ten(), unread), &Rules::default(), &[]);
    assert_eq!(codes(&found), ["pad-unread"]);
    assert!(found.readings.iter().any(|r| r.unread.is_some() && r.grade.is_none()));
}

#[test]
fn not_final_and_correction_heard_hold_the_report_once() {
    let mut print = ten();
    for reading in &mut print.readings {
        reading.status = Status::NotFinal('P');
    }
    let found = judged(&print, &Rules::default(), &[]);
    assert_eq!((codes(&found), found.holds.len()), (vec!["not-final"], 1));
    assert!(found.holds[0].detail.starts_with("10 readings"), "{}", found.holds[0].detail);
    print.readings[3].status = Status::Correction;
    assert_eq!(reasons(&print), ["correction-heard", "not-final"]);
}

#[test]
fn mark_disagree_compares_what_can_be_compared() {
    use MarkMeaning::{Abnormal, High, Low, Normal, Other};
    let marked = |label: &str, parts: &[&str], unit: &str, meaning, rules: &Rules| {
        let mut reading = reading(label, parts, unit);
        reading.mark = mark("M", meaning);
        codes(&judged(&with(ten(), reading), rules, &[]))
    };
    let mut rules = Rules::default();
    rules.add_reference("SG", "1.008-1.024").expect("an interval");
    rules.add_reference("PRO", "TR").expect("a grade");
    for (label, parts, meaning, agrees) in [
        ("GLU", ["2+", "400"], Normal, false),
        ("GLU", ["2+", "400"], Abnormal, true),
        ("GLU", ["2+", "400"], High, true),
        ("GLU", ["2+", "400"], Other, true),
        ("GLU", ["TR", "40"], Normal, true), // policy
        ("GLU", ["TR", "40"], Abnormal, true),
        ("PRO", ["TR", "12"], Abnormal, true), // policy, whatever the site's reference says
        ("PRO", ["1+", "30"], Normal, false),
        ("GLU", ["NEG", ""], Abnormal, false),
        ("GLU", ["NEG", ""], Normal, true),
        ("URO", ["NORM", ""], Abnormal, false),
        ("SG", ["1.028", ""], High, true),
        ("SG", ["1.028", ""], Low, false),
        ("SG", ["<=1.004", ""], High, false),
        ("SG", ["1.020", ""], Normal, true),
        ("SG", ["1.020", ""], Abnormal, false),
        ("PH", ["9.0", ""], Normal, true), // no reference
    ] {
        let unit = if matches!(label, "SG" | "PH") { "" } else { "mg/dL" };
        let expected: &[&str] = if agrees { &[] } else { &["mark-disagree"] };
        let found = marked(label, &parts, unit, meaning, &rules);
        assert_eq!(found, expected, "{label} {parts:?} {meaning:?}");
    }
    let silent = Rules { compare_marks: false, ..Rules::default() };
    assert!(marked("GLU", &["2+"], "", Normal, &silent).is_empty());
}

#[test]
fn flags_come_from_the_sites_references_alone() {
    let mut rules = Rules::default();
    let of = |rules: &Rules, label: &str, part: &str| {
        let mut report = ten();
        report.readings.retain(|r| r.label != label);
        report.readings.push(reading(label, &[part], ""));
        let found = judged(&report, rules, &[]);
        let read = found.readings.into_iter().find(|r| r.label == label).expect(label);
        let shown = read.reference.and_then(|r| r.shown(strip("ten-pad").pad(label)?, read.units));
        (read.flag, shown)
    };
    assert_eq!(of(&rules, "GLU", "3+"), (None, None), "no reference, no flag");
    for (id, text) in
        [("GLU", "NEG"), ("PRO", "TR"), ("PH", "5.0-8.0"), ("SG", "1.003-1.030"), ("COL", "YELLOW")]
    {
        rules.add_reference(id, text).expect(text);
    }
    for (label, part, flag, reference) in [
        ("COL", "yellow", Some(Flag::N), "yellow"),
        ("COL", "red", Some(Flag::A), "yellow"),
        ("COL", "straw", Some(Flag::A), "yellow"),
        ("GLU", "NEG", Some(Flag::N), "Negative"),
        ("GLU", "TR", Some(Flag::A), "Negative"),
        ("PRO", "TR", Some(Flag::N), "Negative to Trace"),
        ("PRO", "1+", Some(Flag::A), "Negative to Trace"),
        ("PH", "8.0", Some(Flag::N), "5.0-8.0"),
        ("PH", "8.5", Some(Flag::H), "5.0-8.0"),
        ("SG", "1.008", Some(Flag::N), "1.003-1.030"),
        ("SG", "1.028", None, "1.003-1.030"), // the end rung may be beyond
        ("SG", "1.004", None, "1.003-1.030"),
    ] {
        assert_eq!(of(&rules, label, part), (flag, Some(reference.into())), "{label} {part}");
    }
}

/// Without a reference the analyzer's own mark goes out as what it means; with one, ours does.
#[test]
fn an_analyzers_mark_is_the_flag_where_the_site_has_no_reference() {
    let flag = |rules: &Rules, marks: &[MarkMeaning]| {
        let own = strip("ten-pad");
        let pad = own.pad("PH").expect("a pad");
        let found = judged(&with(ten(), reading("PH", &["8.5"], "")), rules, &[]);
        let read = found.readings.into_iter().find(|r| r.label == "PH").expect("it was printed");
        let mark = |m: &MarkMeaning| Mark { text: "x".into(), meaning: *m };
        let marks: Vec<Mark> = marks.iter().map(mark).collect();
        crate::flags::own(pad, &read, rules.references.get("PH"), &marks).sent
    };
    let none = Rules::default();
    for (marks, sent) in [
        (&[][..], None),
        (&[MarkMeaning::Abnormal][..], Some(Flag::A)),
        (&[MarkMeaning::High], Some(Flag::H)),
        (&[MarkMeaning::Low], Some(Flag::L)),
        (&[MarkMeaning::Normal], Some(Flag::N)),
        (&[MarkMeaning::Other], None),
        (&[MarkMeaning::High, MarkMeaning::Abnormal], None),
        (&[MarkMeaning::High, MarkMeaning::High], Some(Flag::H)),
    ] {
        assert_eq!(flag(&none, marks), sent, "{marks:?}");
    }
    let mut ours = Rules::default();
    ours.add_reference("PH", "5.0-9.0").expect("an interval");
    assert_eq!(
        flag(&ours, &[MarkMeaning::High]),
        Some(Flag::N),
        "ours is sent, the mark is compared"
    );
}

#[test]
fn a_grade_that_stands_on_two_rungs_stays_a_grade_without_number() {
    let (codes, read) = read("URO", &["NORM"], "");
    assert!(codes.is_empty());
    assert_eq!((read.rung, read.grade.as_deref(), read.number), (None, Some("NORM"), None));
}

#[test]
fn a_number_without_grade_has_the_ladders_grade() {
    let (codes, read) = read("GLU", &["1200"], "mg/dL");
    assert!(codes.is_empty());
    assert_eq!((read.rung, read.grade.as_deref()), (Some(4), Some("3+")));
    assert_eq!(read.number.as_ref().map(Figure::text).as_deref(), Some("1200"));
    assert_eq!(read.printed.grade, None, "what was printed stays what was printed");
}

#[test]
fn numbers_are_compared_exactly() {
    for same in ["400", "400.0", "0400", "400.000"] {
        assert!(held("GLU", &[same], "mg/dL").is_empty(), "{same}");
    }
    for other in ["400.0000000001", "399.999999999", "4e2", "400."] {
        assert_eq!(held("GLU", &[other], "mg/dL"), ["off-ladder"], "{other}");
    }
}

/// A hold says what the pad has, so that a person need not look for it.
#[test]
fn what_is_off_the_ladder_is_told_beside_what_is_on_it() {
    let details = |reading| {
        let found = judged(&with(ten(), reading), &Rules::default(), &[]);
        found.holds.iter().map(|h| h.detail.clone()).collect::<Vec<_>>().join("; ")
    };
    assert_eq!(
        details(reading("GLU", &["6+"], "")),
        "GLU: `6+` is no result of this pad; known: NEG, TR, 1+, 2+, 3+, 4+"
    );
    assert_eq!(
        details(reading("LEU", &["18"], "Leu/uL")),
        "LEU: `18` is on no rung; the ladder has 12, 35, 120, >=420 Leu/uL"
    );
    assert_eq!(details(reading("PH", &["acid"], "")), "PH: `acid` is no number");
    assert_eq!(details(reading("NIT", &["5"], "")), "NIT: `5` is a number on a pad that has none");
}
