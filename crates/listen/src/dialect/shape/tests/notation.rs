//! What the notation can express, key by key, and that what it cannot is held.

use super::{TWO_COLUMN, changed, one, read};
use crate::dialect::{self, Dialect};
use wickline_normalize::{PrintedReading, Report, Status};

/// The built-in with other tables at its end, each in place of its own.
pub(super) fn with(tables: &str) -> std::sync::Arc<dyn Dialect> {
    let names: Vec<&str> = tables.lines().filter(|line| line.starts_with('[')).collect();
    let mut keep = true;
    let kept: Vec<&str> = TWO_COLUMN
        .lines()
        .filter(|line| {
            if line.starts_with('[') {
                keep = !names.contains(line);
            }
            keep
        })
        .collect();
    let text = format!("{}\n{tables}", kept.join("\n"));
    dialect::parse(&text, "test.toml").unwrap_or_else(|faults| panic!("{faults:#?}\n{text}"))
}

pub(super) fn report(dialect: &dyn Dialect, lines: &[&str]) -> Report {
    read(dialect, lines).pop().expect("a report")
}

pub(super) fn doubts(report: &Report) -> Vec<(Option<usize>, String)> {
    report.doubts.iter().map(|doubt| (doubt.line, doubt.detail.clone())).collect()
}

fn shown(reading: &PrintedReading) -> String {
    let unit = reading.unit.as_deref().unwrap_or("-");
    format!("{} {} {unit}", reading.label, reading.parts.join(" "))
}

pub(super) fn results(report: &Report) -> Vec<String> {
    report.readings.iter().map(shown).collect()
}

#[test]
fn a_pad_that_is_off_is_no_fault_and_no_reading() {
    let dialect = with("");
    let off = report(dialect.as_ref(), &["No. 1", "GLU OFF", "NIT NEG"]);
    assert_eq!((results(&off), doubts(&off)), (vec!["NIT NEG -".to_owned()], vec![]));
    let both = report(dialect.as_ref(), &["GLU OFF", "GLU NEG"]);
    assert!(doubts(&both)[0].1.contains("is off in this line"), "{:?}", both.doubts);
    let all = report(dialect.as_ref(), &["GLU OFF"]);
    assert!(all.readings.is_empty() && all.doubts.is_empty(), "the strip holds it as missing");
}

#[test]
fn further_lines_of_a_reading() {
    let dialect = with(
        "[results]\nsplit = \"blanks\"\ncells = [\"label\", \"grade\"]\n\
         next = [{ split = \"blanks\", cells = [\"value\"], optional = true }]\n",
    );
    let two = report(dialect.as_ref(), &["GLU 2+", "400 mg/dL", "NIT NEG", "KET 1+", "20 mg/dL"]);
    assert_eq!(results(&two), ["GLU 2+ 400 mg/dL", "NIT NEG -", "KET 1+ 20 mg/dL"]);
    assert_eq!(two.readings.iter().map(|r| r.line).collect::<Vec<_>>(), [0, 2, 3]);
    assert!(two.doubts.is_empty());
    let header = report(dialect.as_ref(), &["GLU 2+", "No. 1", "400 mg/dL"]);
    assert_eq!(results(&header), ["GLU 2+ -"]);
    assert_eq!(header.doubts.len(), 1, "a value behind a header line belongs to nothing");
    let third = report(dialect.as_ref(), &["GLU 2+", "400 mg/dL", "400 mg/dL"]);
    assert_eq!(third.doubts[0].line, Some(2));
}

#[test]
fn a_line_that_may_be_either_is_held() {
    let dialect = with(
        "[results]\nsplit = \"blanks\"\ncells = [\"label\", \"result\"]\n\
         next = [{ split = \"blanks\", cells = [\"grade\"], optional = true }]\n",
    );
    let either = report(dialect.as_ref(), &["GLU 400 mg/dL", "LIGHT YELLOW"]);
    assert_eq!(results(&either), ["GLU 400 mg/dL"]);
    assert!(doubts(&either)[0].1.contains("may end the reading above"));
    let one = report(dialect.as_ref(), &["GLU 400 mg/dL", "2+"]);
    assert_eq!((results(&one), one.doubts.len()), (vec!["GLU 400 2+ mg/dL".to_owned()], 0));
}

#[test]
fn lines_that_must_follow_and_do_not() {
    let dialect = dialect::builtin("wide-label").expect("built in");
    let good = report(dialect.as_ref(), &["GLUCOSE", "  2+ 400 mg/dL", "NITRITE", "NEG"]);
    assert_eq!(results(&good), ["GLUCOSE 2+ 400 mg/dL", "NITRITE NEG -"]);
    for lines in [&["GLUCOSE", "END OF RUN"][..], &["GLUCOSE"], &["GLUCOSE", "SAMPLE X", "NEG"]] {
        let cut = report(dialect.as_ref(), lines);
        assert!(cut.readings.is_empty(), "{lines:?}");
        assert!(doubts(&cut)[0].1.contains("did not come"), "{:?}", cut.doubts);
    }
}

#[test]
fn several_readings_in_a_line_or_none_of_them() {
    let dialect = with(
        "[results]\nsplit = \"blanks\"\ncells = [\"label\", \"result\"]\nentry_sign = \"|\"\n",
    );
    let two = report(dialect.as_ref(), &["GLU 2+ 400 mg/dL * | NIT NEG |"]);
    assert_eq!(results(&two), ["GLU 2+ 400 mg/dL", "NIT NEG -"]);
    assert!(two.readings[0].mark.is_some() && two.doubts.is_empty());
    let spoiled = report(dialect.as_ref(), &["GLU 2+ | NIT", "KET NEG"]);
    assert_eq!((results(&spoiled), spoiled.doubts[0].line), (vec!["KET NEG -".into()], Some(0)));
}

#[test]
fn nothing_outside_of_the_columns_is_read_past() {
    let dialect = dialect::builtin("ticket").expect("built in");
    let line = "GLU  2+     400 mg/dL  *  NIT  NEG";
    assert_eq!(results(&report(dialect.as_ref(), &[line])), ["GLU 2+ 400 mg/dL", "NIT NEG -"]);
    for line in [
        "GLU x2+     400 mg/dL  *",
        "GLU  2+     400 mg/dL x*",
        "GLU  2+     400 mg/dL  *x",
        "GLU  2+     400 mg/dL  *  NIT  NEGATIVE",
    ] {
        let held = report(dialect.as_ref(), &[line]);
        assert!(held.readings.is_empty() && held.doubts.len() == 1, "{line}: {held:?}");
    }
}

#[test]
fn comparators_in_words_and_ranges() {
    let text =
        "comparators = { \"LESS THAN\" = \"<\", OVER = \">\", \"AT LEAST\" = \">=\" }\noff =";
    let words = changed("off =", text);
    let parts = |line: &str| one(words.as_ref(), line).map(|reading| shown(&reading));
    for (line, wanted) in [
        ("GLU OVER 1200 mg/dL", Some("GLU >1200 mg/dL")),
        ("GLU LESS THAN 40mg/dL", Some("GLU <40 mg/dL")),
        ("SG AT LEAST 1.028", Some("SG >=1.028 -")),
        ("GLU 2+ OVER 1200 mg/dL", Some("GLU 2+ >1200 mg/dL")),
        ("GLU OVERDUE", Some("GLU OVERDUE -")),
        ("LEU 10-35 /uL", Some("LEU 10-35 /uL")),
        ("LEU 1+ 10-35 /uL", Some("LEU 1+ 10-35 /uL")),
        ("LEU 10-", Some("LEU 10- -")),
        ("LEU <10-35 /uL", Some("LEU <10-35 /uL -")),
    ] {
        assert_eq!(parts(line).as_deref(), wanted, "{line}");
    }
    let comma = changed("decimal = \"point\"", "decimal = \"comma\"");
    let range = one(comma.as_ref(), "URO 3,2-16,5 umol/L").expect("a reading");
    assert_eq!(range.parts[..], ["3.2-16.5"], "the ends of a range are numbers");
    for (dialect, line) in [(&comma, "SG 1.012"), (&words, "SG 1,012"), (&comma, "GLU 2+ 1.000")] {
        assert!(one(dialect.as_ref(), line).is_none(), "{line}: the other decimal sign");
    }
}

#[test]
fn class_digits_and_suffixes_of_the_number() {
    let dialect = dialect::builtin("wide-label").expect("built in");
    let of = |number: &str| report(dialect.as_ref(), &[&format!("RUN {number}"), "NITRITE", "NEG"]);
    let said = |number: &str| {
        let report = of(number);
        let signs = report.signs;
        (report.number, signs.control_order, signs.stat, report.doubts.len())
    };
    assert_eq!(said("0042"), (Some("0042".into()), false, false, 0));
    assert_eq!(said("0042R"), (Some("0042".into()), false, false, 0));
    assert_eq!(said("9042"), (Some("9042".into()), true, false, 0));
    assert_eq!(said("8042R"), (Some("8042".into()), false, true, 0));
    for wrong in ["5042", "0042X", "0042RR", "R0042", "00-42"] {
        assert_eq!(said(wrong), (None, false, false, 1), "{wrong}");
    }
    assert!(dialect.control_sign(), "a class digit is one");
}

#[test]
fn the_analyzers_own_sign_that_its_controls_have_not_passed() {
    let dialect = dialect::builtin("wide-label").expect("built in");
    let said = |number: &str| {
        let read = report(dialect.as_ref(), &[&format!("RUN {number}"), "NITRITE", "NEG"]);
        (read.number, read.controls_not_passed, read.signs.control_order, read.doubts.len())
    };
    assert_eq!(said("0041"), (Some("0041".into()), false, false, 0));
    assert_eq!(said("0041#"), (Some("0041".into()), true, false, 0));
    assert_eq!(said("0041R#"), (Some("0041".into()), true, false, 0));
    assert_eq!(said("0041#R"), (Some("0041".into()), true, false, 0));
    assert_eq!(said("9041#"), (Some("9041".into()), true, true, 0));
    for wrong in ["0041##", "#0041", "0041#X", "0041R#R", "00#41"] {
        assert_eq!(said(wrong), (None, false, false, 1), "{wrong}");
    }
    assert!(dialect.not_passed_sign());
    let plain = dialect::builtin("two-column").expect("built in");
    assert!(!plain.not_passed_sign());
    // A line that says it is as good as a sign.
    let line = "urgent = [\"URGENT\"]\ncontrols_not_passed = [\"CONTROLS OUT\"]";
    let dialect = changed("urgent = [\"URGENT\"]", line);
    assert!(dialect.not_passed_sign());
    let read = report(dialect.as_ref(), &["CONTROLS OUT", "NIT NEG"]);
    assert!(read.controls_not_passed && read.doubts.is_empty(), "{:?}", read.doubts);
}

#[test]
fn strips_with_their_lot_and_last_day() {
    let dialect = dialect::builtin("three-field").expect("built in");
    let said = |line: &str| {
        let report = report(dialect.as_ref(), &[line, "NIT;NEG;"]);
        let expiry = report.strip_expiry.map(|day| day.digits());
        (report.strip, report.strip_lot, expiry, report.doubts.len())
    };
    assert_eq!(said("STR;TEN;S7731"), (Some("TEN".into()), Some("S7731".into()), None, 0));
    assert_eq!(said("EXP;02/2028;"), (None, None, Some("20280229".into()), 0));
    assert_eq!(said("EXP;31.12.27;"), (None, None, Some("20271231".into()), 0));
    assert_eq!(said("EXP;31.02.27;"), (None, None, None, 1));
}

#[test]
fn code_pages_and_what_they_do_not_have() {
    for (page, bytes, unit) in [
        ("latin-1", &b"LEU 35 /\xb5L"[..], Some("/µL")),
        ("windows-1252", b"LEU 35 /\xb5L", Some("/µL")),
        ("windows-1252", b"LEU 35 /\x81L", None),
        ("cp437", b"LEU 35 /\xe6L", Some("/µL")),
        ("cp850", b"LEU 35 /\xe6L", Some("/µL")),
        ("latin-1", b"LEU 35 /\x85L", None),
    ] {
        let encoding = format!("encoding = \"{page}\"");
        let dialect = changed("encoding = \"utf-8\"", &encoding);
        let report = read(dialect.as_ref(), &[bytes]).remove(0);
        let found = report.readings.first().and_then(|reading| reading.unit.as_deref());
        assert_eq!(found, unit, "{page} {bytes:x?}");
        assert_eq!(report.doubts.len(), usize::from(unit.is_none()), "{page}");
    }
}

#[test]
fn control_characters_and_overprint() {
    let dialect = with("");
    let why = |line: &str| doubts(&report(dialect.as_ref(), &[line])).pop().map(|(_, why)| why);
    assert!(why("GLU \u{11}NEG").is_some_and(|why| why.contains("DC1")));
    assert!(why("GLU \u{1b}q5 NEG").is_some_and(|why| why.contains("ESC")));
    assert!(why("GLU N\u{8}PEG").is_some_and(|why| why.contains("over one another")));
    let bold = report(dialect.as_ref(), &["GLU N\u{8}NEG\rGLU NEG *"]);
    assert_eq!((results(&bold), bold.doubts.len()), (vec!["GLU NEG -".to_owned()], 0));
    assert!(bold.readings[0].mark.is_some());
    assert_eq!(bold.lines[0].text.expose(), "GLU NEG *", "the line as it stands on the paper");
    assert_eq!(bold.readings[0].status, Status::Final);
}

#[test]
fn two_forms_that_fit_one_line_hold_it() {
    let dialect = changed("\"Strip {strip}\",", "\"Strip {strip}\", \"{any}p EL{lot}\",");
    let report = report(dialect.as_ref(), &["Strip ELEVEN", "NIT NEG"]);
    assert!(report.strip.is_none(), "{report:?}");
    assert!(
        doubts(&report)[0].1.contains("Strip {strip} and {any}p EL{lot}"),
        "{:?}",
        report.doubts
    );
    let same = changed("\"Strip {strip}\",", "\"Strip {strip}\", \"Strip {strip} {any?}\",");
    let strip = super::read(same.as_ref(), &["Strip TEN", "NIT NEG"]).remove(0).strip;
    assert_eq!(strip.as_deref(), Some("TEN"), "they say the same");
}

#[test]
fn anatomy_of_lines() {
    let said = |name: &str, lines: &[&[u8]]| {
        let dialect = dialect::builtin(name).expect("built in");
        let place = wickline_normalize::Place { from: 0, to: 1 };
        let cut = |line: &&[u8]| crate::Cut { place, bytes: line.to_vec(), flawed: false };
        let transmission = crate::Transmission {
            place,
            lines: lines.iter().map(cut).collect(),
            ending: crate::Ending::Complete,
        };
        let line = |line: dialect::LineAnatomy| {
            let part = |(range, what): &(std::ops::Range<usize>, &str)| {
                format!("{what}={}", &line.text.expose()[range.clone()])
            };
            line.parts.iter().map(part).collect::<Vec<_>>().join(" ")
        };
        dialect.anatomy(&transmission).into_iter().map(line).collect::<Vec<_>>()
    };
    assert_eq!(
        said(
            "two-column",
            &[
                b"KESTREL POINT CLINIC west",
                b"No. 0042",
                b"2025-03-14 09:14:55",
                b"CONTROL LEVEL 2 LOT L4471",
                b"  *GLU   2+ >=400 mg/dL",
                b"NIT   OFF",
                b"LEU   ----",
                b"what is this line about then",
            ]
        ),
        [
            "words=KESTREL POINT CLINIC ignored=west",
            "words=No. number=0042",
            "date=2025-03-14 time=09:14:55",
            "control=CONTROL LEVEL level=2 control=LOT lot=L4471",
            "mark=* label=GLU grade=2+ value=>=400 unit=mg/dL",
            "label=NIT off=OFF",
            "label=LEU unread=----",
            "not understood=what is this line about then",
        ]
    );
    assert_eq!(
        said("ticket", &[b"BLD  1+      20 /\xe6L    *  PH          6.0"]),
        ["label=BLD grade=1+ value=20 unit=/µL mark=* label=PH value=6.0"]
    );
    assert_eq!(
        said("wide-label", &[b"* GLUCOSE", b"  2+ 400 mg/dL", b"END OF RUN"]),
        ["mark=* label=GLUCOSE", "grade=2+ value=400 unit=mg/dL", "words=END OF RUN"]
    );
    assert_eq!(
        said(
            "lis02",
            &[
                br"H|\^&|||STRIP1|||||||P||20250314",
                b"O|1|U25|0041|^^^TEN|R",
                b"R|1|^^^GLU|2+^400|mg/dL||A",
                b"?|1",
            ]
        ),
        [
            r"ignored=H|\^&||| sender=STRIP1 ignored=||||||| processing=P ignored=|| date=20250314",
            "ignored=O|1| specimen=U25 ignored=| number=0041 ignored=| strip=^^^TEN ignored=| priority=R",
            "ignored=R|1| label=^^^GLU ignored=| value=2+^400 ignored=| unit=mg/dL ignored=|| mark=A",
            "not understood=?|1",
        ]
    );
}
