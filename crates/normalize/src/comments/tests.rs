//! Comments: when they are made, and that they change nothing.

use std::collections::BTreeSet;

use proptest::prelude::*;

use super::{CATALOGUE, CommentRule, Condition, When, comments, find};
use crate::observe::{Choice, observe};
use crate::prints::{judged, printed, reading, report, strip, ten, with};
use crate::readings::Reading;
use crate::report::PrintedReading;
use crate::rules::Rules;
use crate::strip::Strip;
use crate::units::Units;

fn catalogue() -> Vec<CommentRule> {
    CATALOGUE.iter().map(|e| e.rule().expect(e.code)).collect()
}

fn codes(readings: &[Reading]) -> Vec<String> {
    comments(readings, &strip("ten-pad"), &catalogue()).into_iter().map(|r| r.code).collect()
}

/// The comments on a ten-pad print with these readings.
fn of(readings: &[PrintedReading]) -> Vec<String> {
    let print = readings.iter().fold(ten(), |print, new| {
        if print.readings.iter().any(|r| r.label == new.label) {
            with(print, new.clone())
        } else {
            let mut print = print;
            print.readings.push(new.clone());
            print
        }
    });
    codes(&judged(&print, &Rules::default(), &[]).readings)
}

#[test]
fn every_entry_of_the_catalogue_is_a_rule_with_a_source_that_fits_the_strips() {
    let strips: Vec<Strip> =
        ["ten-pad", "eleven-pad", "twelve-pad", "fourteen-pad"].iter().map(|n| strip(n)).collect();
    for rule in catalogue() {
        assert_eq!(rule.faults(&strips), [""; 0], "{}", rule.code);
        let year = |y: usize| rule.source.contains(&format!(" {y};"));
        let looked_up = (1970..2030).any(year)
            && ["doi 10.", "PMID ", "Am J Clin Pathol 1979;71:452"]
                .iter()
                .any(|k| rule.source.contains(k));
        assert!(looked_up || rule.source.starts_with("common practice"), "{}", rule.source);
        assert!(find(&rule.code).is_some());
        for condition in &rule.conditions {
            assert_eq!(condition.to_string().parse().as_ref(), Ok(condition));
        }
    }
    let distinct: BTreeSet<&str> = CATALOGUE.iter().map(|e| e.code).collect();
    assert_eq!(distinct.len(), CATALOGUE.len());
    assert!(find("UA-NONE").is_none());
}

#[test]
fn a_comment_is_made_where_its_readings_call_for_it() {
    let micro = ["UA-MICRO", "UA-MICRO-WIDE"];
    assert_eq!(of(&[]), [""; 0], "nothing on a normal strip");
    assert_eq!(of(&[reading("NIT", &["POS"], "")]), micro);
    assert_eq!(of(&[reading("BLD", &["TR", "6"], "{Ery}/uL")]), micro);
    assert_eq!(
        of(&[reading("LEU", &["1+", "35"], "{Leu}/uL")]),
        ["UA-NIT-NEG", "UA-MICRO", "UA-MICRO-WIDE"]
    );
    assert_eq!(
        of(&[reading("PRO", &["3+", "400"], "mg/dL")]),
        ["UA-INT-LEU", "UA-MICRO", "UA-MICRO-WIDE", "UA-MICRO-SEDIMENT"]
    );
    assert_eq!(of(&[reading("SG", &["1.024"], "")]), [""; 0]);
    assert_eq!(of(&[reading("SG", &[">=1.028"], "")]), ["UA-INT-SG-HIGH"]);
    assert_eq!(of(&[reading("SG", &["1.020"], "")]), [""; 0]);
    assert_eq!(of(&[reading("SG", &["<=1.004"], "")]), ["UA-INT-SG-LOW"]);
    assert_eq!(of(&[reading("PH", &["8.0"], "")]), ["UA-INT-PH-HIGH"]);
    assert_eq!(of(&[reading("PH", &["5.0"], "")]), ["UA-INT-PH-LOW", "UA-INT-PH-LOW-BLD"]);
    assert_eq!(of(&[reading("PH", &["5.5"], "")]), ["UA-INT-PH-LOW"]);
    assert_eq!(of(&[reading("PH", &["6.0"], "")]), [""; 0]);
    assert_eq!(of(&[reading("COL", &["RED"], "")]), ["UA-INT-COLOUR"]);
    assert_eq!(of(&[reading("CLA", &["CLOUDY"], "")]), ["UA-MICRO-WIDE"]);
    assert_eq!(of(&[reading("NIT", &["ERR"], "")]), [""; 0], "what was not read says nothing");
    assert_eq!(of(&[reading("LEU", &["7+"], "")]), [""; 0], "nor what was not understood");
}

#[test]
fn an_end_rung_lies_on_its_own_side() {
    for (print, text, met) in [
        (">=1.028", "SG >= 1.028", true),
        (">=1.028", "SG <= 1.028", false),
        ("1.024", "SG <= 1.024", true),
        ("<=1.004", "SG <= 1.004", true),
        ("<=1.004", "SG >= 1.004", false),
    ] {
        let rule = CommentRule::new("X", When::All, &[text], &[], "t", "s").expect(text);
        let print = with(ten(), reading("SG", &[print], ""));
        let found = judged(&print, &Rules::default(), &[]);
        assert_eq!(rule.is_met(&found.readings, &strip("ten-pad")), met, "{text}");
    }
}

#[test]
fn ascorbate_is_said_of_the_pads_it_disturbs() {
    let eleven = strip("eleven-pad");
    let print = with(report(&eleven, Units::Si), reading("ASC", &["1+", "0.85"], "mmol/L"));
    let rules = Rules { print_units: Units::Si, ..Rules::default() };
    let heard = print.taken.expect("a time");
    let facts = crate::judge::Facts {
        earlier: &[],
        heard,
        day: "2025-03-14",
        sequence: None,
        controls: None,
        lot: None,
    };
    let found = crate::judge::judge(&print, std::slice::from_ref(&eleven), &rules, &facts);
    let made = comments(&found.readings, &eleven, &catalogue());
    assert_eq!(made[0].code, "UA-INT-ASC");
    assert_eq!(made[0].about, ["GLU", "BLD", "LEU", "BIL", "NIT"]);
    assert_eq!(comments(&found.readings, &eleven, &[]), [], "off unless a rule is given");
}

/// Grades of a strip's own have their place on its ladder; where nobody can tell, `check` says so.
#[test]
fn grades_of_a_strips_own_are_compared_by_their_place() {
    let own = Strip::parse(
        r#"
            id = "own"
            name = "Own"
            extends = "ten-pad"
            [[pad]]
            id = "BLD"
            rungs = [
                { grade = "NEG", flag = "N" },
                { grade = "TR-INTACT", text = "Trace, intact cells", flag = "policy" },
                { grade = "1+", conventional = "20", si = "20", flag = "A" },
                { grade = "1.5+", text = "1.5+", conventional = "40", si = "40", flag = "A" },
            ]
        "#,
        "own.toml",
    )
    .expect("a strip");
    let rule = |text: &str| CommentRule::new("X", When::All, &[text], &[], "t", "s").expect(text);
    let print = |grade: &str| {
        let print = with(ten(), reading("BLD", &[grade], ""));
        let heard = print.taken.expect("a time");
        let (earlier, day) = (&[][..], "2025-03-14");
        let facts =
            crate::judge::Facts { earlier, heard, day, sequence: None, controls: None, lot: None };
        crate::judge::judge(&print, std::slice::from_ref(&own), &Rules::default(), &facts).readings
    };
    for (grade, text, met) in [
        ("TR-INTACT", "BLD >= TR-INTACT", true),
        ("NEG", "BLD >= TR-INTACT", false),
        ("1+", "BLD >= TR-INTACT", true),
        ("1.5+", "BLD >= 1+", true),
        ("1.5+", "BLD >= 1.5+", true),
        ("1+", "BLD >= 1.5+", false),
        ("TR-INTACT", "BLD <= 1+", true),
        ("1+", "BLD >= TR", true),
        ("TR-INTACT", "BLD >= TR", false),
    ] {
        assert_eq!(rule(text).is_met(&print(grade), &own), met, "{grade}: {text}");
    }
    let strips = [own, strip("ten-pad")];
    let told = rule("BLD >= TR").notes(&strips).join("; ");
    assert!(told.contains("has no TR") && told.contains("TR-INTACT, 1.5+"), "{told}");
    assert_eq!(rule("BLD >= 1+").notes(&strips), [""; 0]);
    let strange = rule("BLD >= TR-INTACT").faults(&strips).join("; ");
    assert!(strange.contains("strip ten-pad: `TR-INTACT` is no grade of this pad"), "{strange}");
}

/// Cells are counted alike in both systems, so a rule may name the number; by the ladder also where the print had the
/// grade alone.
#[test]
fn cells_are_compared_by_their_number() {
    let rule = |text: &str| CommentRule::new("X", When::All, &[text], &[], "t", "s").expect(text);
    let strips = [strip("ten-pad")];
    for (parts, text, met) in [
        (&["1+", "35"][..], "LEU >= 35", true),
        (&["1+"], "LEU >= 35", true),
        (&["1+"], "LEU >= 36", false),
        (&["3+"], "LEU >= 420", true),
        (&["3+"], "LEU <= 420", false),
        (&["NEG"], "LEU >= 12", false),
        (&["NEG"], "LEU <= 12", true),
        (&["NEG"], "LEU <= 5", false),
    ] {
        for units in [Units::Conventional, Units::Si] {
            let unit = if parts.len() < 2 { "" } else { "Leu/uL" };
            let print = with(report(&strips[0], units), reading("LEU", parts, unit));
            let rules = Rules { print_units: units, ..Rules::default() };
            let readings = judged(&print, &rules, &[]).readings;
            assert_eq!(rule(text).is_met(&readings, &strips[0]), met, "{parts:?}: {text}");
        }
        assert_eq!(rule(text).faults(&strips), [""; 0]);
    }
    assert_eq!(rule("GLU >= 100").faults(&strips).len(), 1, "which unit?");
}

#[test]
fn a_rule_that_cannot_be_meant_says_why() {
    for (text, why) in [
        ("ASC", "nothing is compared"),
        ("ASCO >= 1+", "perhaps ASC"),
        ("ASC > 1+", "only >="),
        ("SG >= >1.028", "neither a grade"),
        ("COL >= red", "neither a grade"),
        ("COL = RED|", "missing"),
        ("NIT =", "missing"),
    ] {
        let found = text.parse::<Condition>().expect_err(text);
        assert!(found.contains(why), "{found}");
    }
    let strips = [strip("eleven-pad")];
    for (text, faults) in [
        ("NIT = NORM", 1),
        ("COL = MAUVE", 1),
        ("GLU >= 100", 1),
        ("COL >= 1+", 1),
        ("SG >= 1+", 1),
        ("ALB >= 3", 0),
        ("PH >= 7.5", 0),
    ] {
        let rule = CommentRule::new("X", When::All, &[text], &["GLU"], "t", "s").expect(text);
        assert_eq!(rule.faults(&strips).len(), faults, "{text}");
    }
    let new = |code, conditions: &[&str], about: &[&str], text, source| {
        CommentRule::new(code, When::Any, conditions, about, text, source).is_err()
    };
    assert!(!new("A-1", &["NIT = POS"], &[], "t", "s"));
    assert!(new("a-1", &["NIT = POS"], &[], "t", "s"));
    assert!(new("A-1", &[], &[], "t", "s"));
    assert!(new("A-1", &["NIT = POS"], &["XX"], "t", "s"));
    assert!(new("A-1", &["NIT = POS"], &[], " ", "s"));
    assert!(new("A-1", &["NIT = POS"], &[], "t", ""), "no rule without a source");
}

proptest! {
    /// Whatever the strip reads, with every comment of the catalogue on: the readings, and so the
    /// observations with their values and flags, are what they are without.
    #[test]
    fn comments_change_no_value_and_no_flag(rungs in proptest::collection::vec(0..12_usize, 14)) {
        let twelve = strip("twelve-pad");
        let mut print = report(&twelve, Units::Conventional);
        for (pad, rung) in twelve.pads.iter().zip(rungs) {
            let rung = &pad.rungs[rung % pad.rungs.len()];
            let new = printed(pad, rung, Units::Conventional);
            match print.readings.iter_mut().find(|r| r.label == pad.id) {
                Some(old) => *old = new,
                None => print.readings.push(new),
            }
        }
        let mut rules = Rules::default();
        rules.add_reference("PRO", "NEG").expect("a grade");
        rules.add_reference("SG", "1.003-1.030").expect("an interval");
        let heard = print.taken.expect("a time");
        let facts = crate::judge::Facts {
            earlier: &[],
            heard,
            day: "2025-03-14",
            sequence: None,
            controls: None,
            lot: None,
        };
        let found = crate::judge::judge(&print, std::slice::from_ref(&twelve), &rules, &facts);
        let before = found.readings.clone();
        let sent = observe(&before, &twelve, &Choice::default()).expect("all on the ladder");
        let made = comments(&found.readings, &twelve, &catalogue());
        prop_assert_eq!(&found.readings, &before);
        let after = observe(&found.readings, &twelve, &Choice::default()).expect("as before");
        prop_assert_eq!(sent, after);
        let distinct: BTreeSet<&str> = made.iter().map(|r| r.code.as_str()).collect();
        prop_assert_eq!(distinct.len(), made.len());
    }
}
