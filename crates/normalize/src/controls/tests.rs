//! Runs of control material: every rung against every target, lots and days, and plans that cannot
//! be meant.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::{Checked, ControlPlan, Entry, Lots, PlanFault, Range, Run, Verdict, assess};
use crate::judge::{Facts, judge};
use crate::prints::{DAY, printed, reading, report, strip, with};
use crate::readings::Reading;
use crate::report::{Report, Signs};
use crate::rules::Rules;
use crate::strip::{Kind, Pad, Strip};
use crate::units::Units;

const LEVELS: [&str; 2] = ["1", "2"];
const LOTS: Lots<'_> = Lots { control: None, strip: None };

/// A target as a configuration writes it: the grade where there is one, else the label.
fn name(pad: &Pad, rung: usize) -> String {
    let rung = &pad.rungs[rung];
    let label = rung.label(Units::Conventional).map(|l| l.text());
    rung.grade.clone().or(label).expect("a rung has a name")
}

/// An entry in which every pad must read its lowest rung.
fn entry(strip: &Strip) -> Entry {
    let pads = strip.pads.iter().filter(|p| !p.rungs.is_empty());
    Entry {
        level: "2".into(),
        control_lot: "C-77".into(),
        strip: strip.id.clone(),
        first_day: "2025-01-01".into(),
        last_day: "2025-12-31".into(),
        expected: pads.map(|p| (p.id.clone(), name(p, 0).as_str().into())).collect(),
        ..Entry::default()
    }
}

fn plan(
    rules: &[(&str, &str)],
    entries: &[Entry],
    strip: &Strip,
) -> Result<ControlPlan, Vec<PlanFault>> {
    let text = |t: &&str| (*t).to_owned();
    let levels: Vec<String> = LEVELS.iter().map(text).collect();
    let rules: BTreeMap<String, String> = rules.iter().map(|(a, r)| (text(a), text(r))).collect();
    let strips = std::slice::from_ref(strip);
    ControlPlan::build(&levels, &rules, entries, strips, Units::Conventional)
}

/// What reading makes of a print of control material.
fn readings(print: &Report, strip: &Strip) -> Vec<Reading> {
    let signs = Signs { control_order: true, ..Signs::default() };
    let print = Report { signs, specimen: None, ..print.clone() };
    let heard = print.taken.expect("a time");
    let facts = Facts { earlier: &[], heard, day: DAY, sequence: None, controls: None, lot: None };
    judge(&print, std::slice::from_ref(strip), &Rules::default(), &facts).readings
}

/// Every pad on its lowest rung.
fn lowest(strip: &Strip) -> Report {
    let mut print = report(strip, Units::Conventional);
    for pad in strip.pads.iter().filter(|p| !p.rungs.is_empty()) {
        let new = printed(pad, &pad.rungs[0], Units::Conventional);
        match print.readings.iter_mut().find(|r| r.label == pad.id) {
            Some(old) => *old = new,
            None => print.readings.push(new),
        }
    }
    print
}

fn run(plan: &ControlPlan, readings: &[Reading], strip: &Strip) -> Run {
    assess(readings, strip, plan, Some("2"), LOTS, DAY)
}

fn of<'a>(run: &'a Run, id: &str) -> &'a Checked {
    run.readings.iter().find(|c| c.analyte == id).expect(id)
}

/// The trade's rules, written again without the plan: may a pad with this target read that rung?
fn may(pad: &Pad, target: usize, found: usize) -> bool {
    let normal = |r: usize| matches!(pad.rungs[r].grade.as_deref(), Some("NEG" | "NORM"));
    match pad.kind {
        Kind::TwoStep | Kind::Nominal => target == found,
        Kind::Graded if normal(target) => normal(found),
        Kind::Graded => !normal(found) && target.abs_diff(found) < 2,
        Kind::Stepped => target.abs_diff(found) < 2,
        Kind::Measured => unreachable!("the built-in strips measure nothing"),
    }
}

#[test]
fn every_rung_against_every_target_of_every_pad() {
    let strip = strip("twelve-pad");
    let mut pairs = 0;
    for pad in &strip.pads {
        for target in 0..pad.rungs.len() {
            let mut entry = entry(&strip);
            entry.expected.insert(pad.id.clone(), name(pad, target).as_str().into());
            let plan = plan(&[], &[entry], &strip).expect("a plan");
            for (found, rung) in pad.rungs.iter().enumerate() {
                let print = with(lowest(&strip), printed(pad, rung, Units::Conventional));
                let run = run(&plan, &readings(&print, &strip), &strip);
                let fits = may(pad, target, found);
                let range = if fits { Range::In } else { Range::Out };
                let checked = of(&run, &pad.id);
                assert_eq!(checked.range, range, "{} {target} {found}: {}", pad.id, checked.why);
                let verdict = if fits { Verdict::Passed } else { Verdict::Failed };
                assert_eq!(run.verdict, verdict, "{}", run.why);
                assert_eq!(run.why.contains(&pad.id), !fits, "{}", run.why);
                assert_eq!(checked.rung, Some(found));
                pairs += 1;
            }
        }
    }
    assert!(pairs > 400, "{pairs}");
}

#[test]
fn a_grade_alone_that_stands_on_two_rungs_must_fit_with_both() {
    let strip = strip("ten-pad");
    for (expected, rules, range) in [
        ("NORM", &[][..], Range::In),
        ("0.3", &[][..], Range::In),
        ("0.3", &[("URO", "exact")][..], Range::Out),
        ("0.9..2.5", &[("URO", "limits")][..], Range::Out),
        ("2.5", &[][..], Range::Out),
    ] {
        let mut entry = entry(&strip);
        entry.expected.insert("URO".into(), expected.into());
        let plan = plan(rules, &[entry], &strip).expect("a plan");
        let print = with(lowest(&strip), reading("URO", &["NORM"], ""));
        let run = run(&plan, &readings(&print, &strip), &strip);
        assert_eq!(of(&run, "URO").range, range, "{expected}");
    }
}

#[test]
fn rules_and_limits_of_the_laboratory_go_before_what_is_usual() {
    let strip = strip("ten-pad");
    for (expected, rule, fitting) in [
        ("2+", "exact", &["2+"][..]),
        ("2+", "within-2", &["TR", "1+", "2+", "3+", "4+"]),
        ("TR", "within-2", &["TR", "1+", "2+"]),
        ("1+..2+", "within-1", &["1+", "2+"]),
        ("NEG..TR", "limits", &["NEG", "TR"]),
        ("100..400", "within-1", &["1+", "2+"]),
        ("any", "exact", &["NEG", "TR", "1+", "2+", "3+", "4+"]),
    ] {
        let mut entry = entry(&strip);
        entry.expected.insert("GLU".into(), expected.into());
        let plan = plan(&[("GLU", rule)], &[entry], &strip).expect("a plan");
        let glucose = strip.pad("GLU").expect("a pad");
        for rung in &glucose.rungs {
            let print = with(lowest(&strip), printed(glucose, rung, Units::Conventional));
            let run = run(&plan, &readings(&print, &strip), &strip);
            let grade = rung.grade.as_deref().expect("a grade");
            let fits = of(&run, "GLU").range == Range::In;
            assert_eq!(fits, fitting.contains(&grade), "{expected} {rule} {grade}");
        }
    }
}

#[test]
fn a_pad_not_read_or_not_printed_is_out_and_one_without_target_is_no_pass() {
    let strip = strip("ten-pad");
    let plan = plan(&[], &[entry(&strip)], &strip).expect("a plan");
    let passes = |print: &Report| run(&plan, &readings(print, &strip), &strip);
    assert_eq!(passes(&lowest(&strip)).verdict, Verdict::Passed);
    assert_eq!(passes(&lowest(&strip)).control_lot.as_deref(), Some("C-77"));
    let unread = with(lowest(&strip), reading("KET", &["ERR"], ""));
    assert_eq!(passes(&unread).verdict, Verdict::Failed);
    let off = with(lowest(&strip), reading("KET", &["17"], "mg/dL"));
    assert_eq!(passes(&off).verdict, Verdict::Failed, "what is on no rung is in no limits");
    let mut short = lowest(&strip);
    short.readings.retain(|r| r.label != "LEU");
    assert!(passes(&short).why.contains("LEU: it was not printed"));
    let mut twice = lowest(&strip);
    twice.readings.push(reading("NIT", &["POS"], ""));
    assert_eq!(passes(&twice).verdict, Verdict::Failed, "the second one counts as well");
    let mut stranger = lowest(&strip);
    stranger.readings.push(reading("XYZ", &["1"], ""));
    assert_eq!(passes(&stranger).verdict, Verdict::NoTarget);
    let bare = Report { readings: Vec::new(), ..lowest(&strip) };
    assert_eq!(passes(&bare).verdict, Verdict::Failed);

    let mut some = entry(&strip);
    some.expected.remove("COL");
    let plan = self::plan(&[], &[some.clone()], &strip).expect("colour is optional");
    let found = run(&plan, &readings(&lowest(&strip), &strip), &strip);
    assert_eq!((found.verdict, of(&found, "COL").range), (Verdict::NoTarget, Range::NoTarget));
    some.expected.insert("COL".into(), "any".into());
    let plan = self::plan(&[], &[some], &strip).expect("a plan");
    let mut colourless = lowest(&strip);
    colourless.readings.retain(|r| r.label != "COL");
    for print in [lowest(&strip), colourless] {
        assert_eq!(run(&plan, &readings(&print, &strip), &strip).verdict, Verdict::Passed);
    }
}

#[test]
fn the_targets_are_those_of_the_level_the_lots_and_the_day() {
    let strip = strip("ten-pad");
    let first = Entry { last_day: "2025-03-14".into(), ..entry(&strip) };
    let next = Entry {
        control_lot: "C-78".into(),
        first_day: "2025-03-14".into(),
        last_day: "2025-06-30".into(),
        ..entry(&strip)
    };
    let special = Entry { strip_lot: "S-9".into(), ..first.clone() };
    let only = Entry { control_lot: "C-79".into(), level: "1".into(), ..special.clone() };
    let plan = plan(&[], &[first, next, special, only], &strip).expect("a plan");
    let print = readings(&lowest(&strip), &strip);
    let of = |level, control, lot, day| {
        let run = assess(&print, &strip, &plan, level, Lots { control, strip: lot }, day);
        assert_eq!(run.verdict == Verdict::NoTarget, run.control_lot.is_none());
        run.control_lot.ok_or(run.why)
    };
    let two = Some("2");
    let lot = |text: &str| Ok(text.to_owned());
    assert_eq!(of(two, None, None, "2025-03-13"), lot("C-77"));
    assert_eq!(of(two, None, None, "2025-03-15"), lot("C-78"));
    assert_eq!(of(two, Some(" C-78 "), None, "2025-03-14"), lot("C-78"));
    assert_eq!(of(two, None, Some("S-9"), "2025-03-13"), lot("C-77"));
    assert_eq!(of(Some("1"), None, Some("S-9"), "2025-03-13"), lot("C-79"));
    for (level, control, strip_lot, day, why) in [
        (None, None, None, DAY, "level"),
        (Some("3"), None, None, DAY, "level `3` is none of control_levels (1, 2)"),
        (two, None, None, "2025-03-14", "several control lots"),
        (two, Some("C-1"), None, DAY, "no [[control]] names lot `C-1` for level 2"),
        (two, Some("C-78"), None, "2025-07-01", "valid on 2025-07-01"),
        (two, None, None, "2024-12-31", "valid on"),
        (Some("1"), None, None, "2025-03-13", "not known"),
        (Some("1"), None, Some("S-8"), "2025-03-13", "strip lot `S-8`"),
    ] {
        let found = of(level, control, strip_lot, day).expect_err(why);
        assert!(found.contains(why), "{found}");
    }
    let other = crate::prints::strip("eleven-pad");
    let run = assess(&print, &other, &plan, two, LOTS, DAY);
    assert_eq!(run.verdict, Verdict::NoTarget, "another strip's targets say nothing");
}

#[test]
fn a_plan_that_cannot_be_meant_says_what_is_wrong() {
    let strip = strip("ten-pad");
    let good = || entry(&strip);
    let with = |id: &str, text: &str| {
        let mut entry = good();
        entry.expected.insert(id.into(), text.into());
        vec![entry]
    };
    let mut short = good();
    short.expected.remove("LEU");
    let none: &[(&str, &str)] = &[];
    for (rules, entries, key, allowed) in [
        (none, with("GLUC", "NEG"), "analyte", "perhaps GLU"),
        (none, with("ASC", "NEG"), "analyte", "a pad of strip ten-pad"),
        (none, with("GLU", "NORM"), "GLU", "NEG, TR, 1+"),
        (none, with("GLU", "5+"), "GLU", "a rung of its ladder"),
        (none, with("GLU", "250"), "GLU", "1200"),
        (none, with("SG", "1.010"), "SG", "1.008"),
        (none, with("GLU", "3+..1+"), "GLU", "not above the upper"),
        (none, with("GLU", "NEG..1+"), "GLU", "one side of negative"),
        (none, with("COL", "YELLOW..RED"), "COL", "no order"),
        (&[("COL", "within-1")], vec![good()], "COL", "no order"),
        (none, with("GLU", ""), "GLU", "a rung"),
        (none, vec![short], "LEU", "every pad"),
        (none, vec![Entry { level: "3".into(), ..good() }], "level", "1, 2"),
        (none, vec![Entry { control_lot: " ".into(), ..good() }], "control_lot", "label"),
        (none, vec![Entry { strip: "other".into(), ..good() }], "strip", "ten-pad"),
        (none, vec![Entry { first_day: "2025-02-30".into(), ..good() }], "first_day", "a date"),
        (none, vec![Entry { last_day: "2024-12-31".into(), ..good() }], "last_day", "or later"),
        (none, vec![good(), good()], "first_day", "earlier entry"),
        (&[("GLU", "within-4")], vec![], "rule GLU", "within-3"),
        (&[("XX", "exact")], vec![], "analyte", "perhaps"),
    ] {
        let faults = plan(rules, &entries, &strip).expect_err(key);
        assert_eq!(faults.len(), 1, "{faults:?}");
        assert_eq!(faults[0].key, key);
        assert!(faults[0].to_string().contains(allowed), "{}", faults[0]);
    }
    let strips = std::slice::from_ref(&strip);
    for levels in [vec![], vec!["1".into(), "1".into()], vec!["a level".into()]] {
        let built = ControlPlan::build(&levels, &BTreeMap::new(), &[], strips, Units::Si);
        assert_eq!(built.expect_err("no levels")[0].key, "levels");
    }
    let apart = Entry { first_day: "2026-01-01".into(), last_day: "2026-02-01".into(), ..good() };
    assert!(plan(&[], &[good(), apart], &strip).is_ok());
    let only = Entry { strip: String::new(), ..good() };
    assert!(plan(&[], &[only], &strip).is_ok(), "one strip needs no name");
}

#[test]
fn a_measured_pad_has_numbers_for_limits() {
    let text = r#"
        id = "own"
        name = "Own"
        [[pad]]
        id = "CRE"
        title = "Creatinine"
        kind = "measured"
        conventional = { ucum = "mg/dL" }
        si = { ucum = "mmol/L" }
        measured = { factor = "0.0884", digits = 0, si_digits = 1 }
    "#;
    let own = Strip::parse(text, "own.toml").expect("whole");
    let entry = |expected: &str| Entry {
        strip: "own".into(),
        expected: BTreeMap::from([("CRE".to_owned(), expected.into())]),
        ..self::entry(&own)
    };
    for wrong in ["30", "<30..70", "70..30", "..", "NEG"] {
        let built = plan(&[], &[entry(wrong)], &own);
        assert_eq!(built.is_err(), wrong != "30", "{wrong}");
    }
    let plan = plan(&[], &[entry("30..70")], &own).expect("a plan");
    for (print, range) in
        [("30", Range::In), ("70.0", Range::In), ("29", Range::Out), (">60", Range::Out)]
    {
        let print = Report { readings: vec![reading("CRE", &[print], "mg/dL")], ..lowest(&own) };
        let run = run(&plan, &readings(&print, &own), &own);
        assert_eq!(of(&run, "CRE").range, range, "{print:?}");
    }
}

proptest! {
    /// Whatever targets above negative a laboratory writes without the rule `limits`: a negative
    /// reading never passes for them, and a reading above negative never for a negative target.
    #[test]
    fn no_rule_crosses_negative_unless_it_says_so(
        pad in 0..20_usize,
        low in 0..10_usize,
        high in 0..10_usize,
        found in 0..10_usize,
        steps in 1..4_usize,
    ) {
        let strip = strip("twelve-pad");
        let graded: Vec<&Pad> = strip.pads.iter().filter(|p| p.kind == Kind::Graded).collect();
        let pad = graded[pad % graded.len()];
        let count = pad.rungs.len();
        let (low, high, found) = (low % count, high % count, found % count);
        let mut entry = entry(&strip);
        let range = format!("{}..{}", name(pad, low), name(pad, high));
        let text = if low == high { name(pad, low) } else { range };
        entry.expected.insert(pad.id.clone(), text.as_str().into());
        let rule = format!("within-{steps}");
        let Ok(plan) = plan(&[(&pad.id, &rule)], &[entry], &strip) else { return Ok(()) };
        let print = with(lowest(&strip), printed(pad, &pad.rungs[found], Units::Conventional));
        let run = run(&plan, &readings(&print, &strip), &strip);
        let normal = |r: usize| matches!(pad.rungs[r].grade.as_deref(), Some("NEG" | "NORM"));
        if of(&run, &pad.id).range == Range::In {
            prop_assert_eq!(normal(found), normal(low));
            prop_assert_eq!(normal(found), normal(high));
            prop_assert!(found + steps >= low && found <= high + steps);
        }
        prop_assert!(of(&run, &pad.id).range == Range::In || !(low..=high).contains(&found));
    }
}
