//! What a dialect file may say, and what is read by it.

mod checks;
mod forms;
mod notation;
mod pages;
mod prints;
mod random;
mod rows;
mod side_roads;

use proptest::prelude::*;
use wickline_normalize::{MarkMeaning, Place, PrintedReading, Reason, Report, Status, Text};

use crate::dialect::{self, Dialect, LinkKind};
use crate::ear::{Cut, Ending, Transmission};

const TWO_COLUMN: &str = include_str!("../../../../../config/dialects/two-column.toml");

/// The built-in with one piece of its text replaced.
fn changed(from: &str, to: &str) -> std::sync::Arc<dyn Dialect> {
    assert!(TWO_COLUMN.contains(from), "{from}");
    dialect::parse(&TWO_COLUMN.replacen(from, to, 1), "test.toml").expect("a good dialect")
}

fn read<T: AsRef<[u8]>>(dialect: &dyn Dialect, lines: &[T]) -> Vec<Report> {
    let place = Place { from: 0, to: 1 };
    let lines =
        lines.iter().map(|line| Cut { place, bytes: line.as_ref().to_vec(), flawed: false });
    dialect.read(&Transmission { place, lines: lines.collect(), ending: Ending::Complete })
}

fn one(dialect: &dyn Dialect, line: &str) -> Option<PrintedReading> {
    read(dialect, &[line]).pop().and_then(|mut report| report.readings.pop())
}

/// Parts, unit and mark of a result line of the built-in.
fn result(line: &str) -> Option<(String, Text, Text)> {
    let reading = one(dialect::builtin("two-column").expect("built in").as_ref(), line)?;
    let mark = reading.mark.map(|mark| mark.text).unwrap_or_default();
    Some((reading.parts.join(" "), reading.unit.unwrap_or_default(), mark))
}

#[test]
fn results_of_words() {
    let said =
        |line: &str| result(line).map(|(parts, unit, mark)| format!("{parts}|{unit}|{mark}"));
    for (line, wanted) in [
        ("GLU   2+     400 mg/dL *", "2+ 400|mg/dL|*"),
        ("GLU   400 mg/dL 2+ *", "400 2+|mg/dL|*"),
        ("GLU 400mg/dL", "400|mg/dL|"),
        ("GLU >= 2400 mg/dL H", ">=2400|mg/dL|H"),
        ("GLU ≥2400 mg/dL", "≥2400|mg/dL|"),
        ("* GLU 1+", "1+||*"),
        ("*GLU 1+", "1+||*"),
        ("L PH 4.0", "4.0||L"),
        ("LEU NEG", "NEG||"),
        ("COL DARK YELLOW BROWN", "DARK YELLOW BROWN||"),
        ("LEU 35/uL", "35|/uL|"),
        ("PRO 30 %", "30|%|"),
        ("SG 1.0.0", "1.0.0||"),
        ("BLD ++", "++||"),
        ("BLD + -", "+ -||"),
    ] {
        assert_eq!(said(line).as_deref(), Some(wanted), "{line}");
    }
    for line in [
        "GLU",
        "*",
        "42 17",
        "* GLU 1+ *",
        "GLU one two three four five",
        "GLU 5 mg dL 1+ x y z",
        "averyveryverylongnameofnolabel 1+",
    ] {
        assert_eq!(said(line), None, "{line}");
    }
}

#[test]
fn words_for_a_pad_that_was_not_read() {
    let dialect = dialect::builtin("two-column").expect("built in");
    let reading = one(dialect.as_ref(), "GLU   ----").expect("a reading");
    assert_eq!((reading.status, reading.parts.len()), (Status::Unread, 0));
}

#[test]
fn what_nobody_understood_is_kept_and_said() {
    let dialect = dialect::builtin("two-column").expect("built in");
    let reports = read(dialect.as_ref(), &["No. 1", "??", "GLU NEG"]);
    assert_eq!((reports.len(), reports[0].lines.len()), (1, 3));
    let doubts: Vec<_> = reports[0].doubts.iter().map(|d| (d.reason, d.line)).collect();
    assert_eq!(doubts, [(Reason::Unreadable, Some(1))]);
    assert_eq!(read(dialect.as_ref(), &["KESTREL POINT CLINIC WEST"]), []);
    let reports = read(dialect.as_ref(), &["SELF TEST PASSED WITHOUT ANY FAULT"]);
    assert_eq!(reports[0].doubts.len(), 1);
}

#[test]
fn header_lines() {
    let dialect = dialect::builtin("two-column").expect("built in");
    let report = read(
        dialect.as_ref(),
        &[
            "CONTROL LEVEL 2 LOT Q7",
            "No. 0003",
            "ID",
            "Operator  jo b",
            "2025-3-4 7:05",
            "Strip TEN",
            "GLU NEG",
        ],
    )
    .remove(0);
    assert!(report.signs.control_order && report.specimen.is_none() && report.doubts.is_empty());
    assert_eq!((report.signs.level, report.control_lot.as_deref()), (Some('2'), Some("Q7")));
    assert_eq!(report.operator.expect("an operator").expose(), "jo b");
    assert_eq!(report.taken.map(|moment| moment.digits()).as_deref(), Some("202503040705"));
    assert_eq!(report.strip.as_deref(), Some("TEN"));
}

#[test]
fn two_prints_in_one_are_noticed() {
    let dialect = dialect::builtin("two-column").expect("built in");
    let report = read(dialect.as_ref(), &["No. 1", "GLU NEG", "No. 2", "GLU 2+"]).remove(0);
    assert_eq!(report.doubts.len(), 1);
    assert_eq!(report.doubts[0].line, Some(2));
    assert!(read(dialect.as_ref(), &["No. 1", "No. 1", "GLU NEG"])[0].doubts.is_empty());
}

#[test]
fn dates_in_every_order_and_never_one_that_is_not() {
    let taken = |dates: &str, line: &str| {
        let dialect = changed("order = \"ymd\"", &format!("order = \"{dates}\""));
        let report = read(dialect.as_ref(), &["No. 1", line]).remove(0);
        assert_eq!(report.taken.is_none(), report.doubts.len() == 1);
        report.taken.map(|moment| moment.digits()).unwrap_or_default()
    };
    assert_eq!(taken("ymd", "2025/03/14 09:14:55"), "20250314091455");
    assert_eq!(taken("dmy", "14.03.25 9:14"), "202503140914");
    assert_eq!(taken("mdy", "03/14/2025 09:14"), "202503140914");
    for line in [
        "2025-02-30 09:14",
        "2025-03-14 24:00",
        "2025-03 09:14",
        "25-3-14-1 09:14",
        "2025-03-14 09",
        "2025-03-14 09:14:55:00",
        "025-03-14 09:14",
    ] {
        assert_eq!(taken("ymd", line), "", "{line}");
    }
}

/// The built-in with fixed columns.
fn in_columns() -> std::sync::Arc<dyn Dialect> {
    let columns = "columns = [
        { cell = \"mark\", from = 1, to = 2 },
        { cell = \"label\", from = 3, to = 8 },
        { cell = \"grade\", from = 9, to = 14 },
        { cell = \"value\", from = 15, to = 20 },
        { cell = \"unit\", from = 21, to = 30 },
    ]";
    let text = TWO_COLUMN.replacen("split = \"blanks\"", columns, 1).replacen(
        "cells = [\"label\", \"result\"]",
        "",
        1,
    );
    dialect::parse(&text, "test.toml").expect("a good dialect")
}

#[test]
fn fixed_columns_and_separated_cells() {
    let dialect = in_columns();
    let reading = one(dialect.as_ref(), "* SP GR TRACE   1.02 µg/µL").expect("a reading");
    assert_eq!(
        (reading.label.as_str(), reading.parts.as_slice()),
        ("SP GR", &["TRACE".into(), "1.02".into()][..])
    );
    assert_eq!(
        (reading.unit.as_deref(), reading.mark.expect("a mark").meaning),
        (Some("µg/µL"), MarkMeaning::Abnormal)
    );
    let semicolons = changed("split = \"blanks\"", "split = \";\"");
    let reading = one(semicolons.as_ref(), "GLU; 2+ 400 mg/dL ;").expect("a reading");
    assert_eq!(reading.parts[..], ["2+", "400"]);
    assert_eq!(one(semicolons.as_ref(), "GLU;2+;extra"), None);
}

#[test]
fn decimal_comma_and_implied_units() {
    let dialect = changed("decimal = \"point\"", "decimal = \"comma\"");
    let reading = one(dialect.as_ref(), "SG   >=1,028").expect("a reading");
    assert_eq!(reading.parts[..], [">=1.028"]);
    assert!(!reading.unit_implied);
    assert!(
        one(changed("unit_implied = false", "unit_implied = true").as_ref(), "PH 6")
            .expect("one")
            .unit_implied
    );
}

#[test]
fn latin_1_where_the_file_says_so() {
    let latin = changed("encoding = \"utf-8\"", "encoding = \"latin-1\"");
    let unit = |dialect: &dyn Dialect, bytes: &[u8]| {
        read(dialect, &[bytes])[0].readings.first().and_then(|reading| reading.unit.clone())
    };
    assert_eq!(unit(latin.as_ref(), b"LEU 35 /\xb5L").as_deref(), Some("/µL"));
    assert_eq!(
        unit(latin.as_ref(), "LEU 35 /µL".as_bytes()).as_deref(),
        Some("/µL"),
        "kept, read again"
    );
    let utf8 = dialect::builtin("two-column").expect("built in");
    let report = read(utf8.as_ref(), &[&b"LEU 35 /\xb5L"[..]]).remove(0);
    assert_eq!((report.readings.len(), report.doubts.len()), (0, 1));
}

#[test]
fn built_ins_by_name() {
    for name in dialect::builtin_names() {
        let dialect = dialect::builtin(name).expect("each name has its dialect");
        assert_eq!(dialect.name(), *name);
        assert!(dialect.control_sign());
    }
    assert!(dialect::builtin("no-such").is_none());
    assert!(!changed("control = [", "control = []\n#").control_sign());
    let LinkKind::Printed(rules) = dialect::builtin("two-column").expect("built in").link() else {
        panic!("two-column prints");
    };
    assert_eq!((rules.blank_lines, rules.ends.has(0x0C), rules.silence), (1, true, 3_000_000));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn nothing_printed_can_break_it_and_every_line_is_kept(
        lines in prop::collection::vec(prop_oneof![
            3 => r"[ *]{0,2}[A-Z]{0,4} {0,3}[0-9+.<>=≥]{0,6} {0,2}[a-z/µ%]{0,5} ?[*HL]?"
                .prop_map(String::into_bytes),
            1 => r"(No\.|ID|Operator|CONTROL|CONTROL LEVEL|URGENT) ?[A-Z0-9]{0,5}"
                .prop_map(String::into_bytes),
            1 => prop::collection::vec(any::<u8>(), 0..30),
        ], 1..8),
        columns in any::<bool>(),
    ) {
        let two_column = dialect::builtin("two-column").expect("built in");
        let dialect = if columns { in_columns() } else { two_column };
        for report in read(dialect.as_ref(), &lines) {
            prop_assert_eq!(report.lines.len(), lines.len());
            for reading in &report.readings {
                prop_assert!(reading.line < lines.len() && !reading.label.is_empty());
            }
        }
    }
}
