//! How forms meet a line: what is empty in them, which of two is meant, and what a line lacks that begins like one.

use wickline_normalize::Report;

use super::TWO_COLUMN;
use super::notation::{doubts, report, with};
use crate::dialect;

fn ids(report: &Report) -> (String, String, bool, usize) {
    let own = |field: &Option<wickline_normalize::Private>| {
        field.as_ref().map_or(String::new(), |text| text.expose().to_owned())
    };
    (own(&report.specimen), own(&report.operator), report.signs.stat, report.doubts.len())
}

#[test]
fn a_placeholder_that_may_be_empty_takes_no_word_of_its_form() {
    let dialect = with(
        "[header]\nlines = [\"TUBE {specimen?} BY {operator}\", \"Flacon: {specimen?} / Agent: {operator?}\", \
         \"Unit {any?} {date} {time}\", \"{any?} LOT {lot}\"]\n",
    );
    for (line, specimen, operator) in [
        ("TUBE KP-1 BY mw", "KP-1", "mw"),
        ("TUBE BY mw", "", "mw"),
        ("TUBE   BY mw jr", "", "mw jr"),
        ("TUBE BYRON BY mw", "BYRON", "mw"),
        ("Flacon: KP-1 / Agent: CD", "KP-1", "CD"),
        ("Flacon: / Agent: CD", "", "CD"),
        ("Flacon:  / Agent:", "", ""),
    ] {
        let found = ids(&report(dialect.as_ref(), &[line, "NIT NEG"]));
        assert_eq!(found, (specimen.into(), operator.into(), false, 0), "{line}");
    }
    for line in ["Unit 2026-03-14 09:14", "Unit of the west 2026-03-14 09:14"] {
        let read = report(dialect.as_ref(), &[line, "NIT NEG"]);
        let taken = read.taken.map(|taken| taken.digits());
        assert_eq!((taken.as_deref(), read.doubts.len()), (Some("202603140914"), 0), "{line}");
    }
    let lot = report(dialect.as_ref(), &["LOT L4", "NIT NEG"]);
    assert_eq!((lot.control_lot.as_deref(), lot.doubts.len()), (Some("L4"), 0));
}

#[test]
fn a_placeholder_before_another_may_be_empty_where_the_line_tells_it() {
    let dialect = with(
        "[header]\nlines = [\"Tube {specimen?} {date} {time}\", \"Bei {operator?} {number} (N)\", \
         \"Seen {date?} {time?} by {any?}\", \"Um {any?} {hour}h{minute}\"]\n",
    );
    let said = |lines: &[&str]| {
        let read = report(dialect.as_ref(), lines);
        let taken = read.taken.map_or(String::new(), |taken| taken.digits());
        let (specimen, operator, _, doubts) = ids(&read);
        (specimen, operator, taken, read.number.unwrap_or_default(), doubts)
    };
    let date = "Seen 2026-03-14 by x";
    for (lines, wanted) in [
        (["Tube KP-1 2026-03-14 09:14", "NIT NEG"], ("KP-1", "", "202603140914", "", 0)),
        (["Tube 2026-03-14 09:14", "NIT NEG"], ("", "", "202603140914", "", 0)),
        (["Tube   2026-03-14  09:14", "NIT NEG"], ("", "", "202603140914", "", 0)),
        // An id that reads like a date, and all the rest behind it.
        (["Tube 20260314 2026-03-15 09:14", "NIT NEG"], ("20260314", "", "202603150914", "", 0)),
        (["Bei 0042 (N)", "NIT NEG"], ("", "", "", "0042", 0)),
        (["Bei mw 0042 (N)", "NIT NEG"], ("", "mw", "", "0042", 0)),
        (["Bei 7 0042 (N)", "NIT NEG"], ("", "7", "", "0042", 0)),
        (["Seen 2026-03-14 09:14 by", "NIT NEG"], ("", "", "202603140914", "", 0)),
        ([date, "Um 9h14"], ("", "", "202603140914", "", 0)),
        ([date, "Seen 09:14 by x"], ("", "", "202603140914", "", 0)),
        ([date, "Um ca. 9h14"], ("", "", "202603140914", "", 0)),
        (["Tube KP-1 09:14", "NIT NEG"], ("", "", "", "", 1)),
    ] {
        let (specimen, operator, taken, number, doubts) = said(&lines);
        let found = (specimen.as_str(), operator.as_str(), taken.as_str(), number.as_str(), doubts);
        assert_eq!(found, wanted, "{lines:?}");
    }
}

#[test]
fn a_line_that_is_read_with_it_empty_and_not_empty_is_not_read() {
    let dialect =
        with("[header]\nlines = [\"Tube {specimen?} {date} {operator?}\", \"At {time}\"]\n");
    for (line, wanted) in [
        ("Tube 2026-03-14 mw", ("", "mw", 0)),
        ("Tube 2026-03-14", ("", "", 0)),
        ("Tube KP-1 2026-03-14", ("KP-1", "", 0)),
        // And the time that stands below is without a date.
        ("Tube 20260314 20260315", ("", "", 2)),
    ] {
        let (specimen, operator, _, doubts) = ids(&report(dialect.as_ref(), &[line, "At 09:14"]));
        assert_eq!((specimen.as_str(), operator.as_str(), doubts), wanted, "{line}");
    }
    let read = report(dialect.as_ref(), &["Tube 20260314 20260315"]);
    let told = doubts(&read).remove(0).1;
    assert!(
        told.contains("Tube {specimen?} {date} {operator?} fits the line in two ways"),
        "{told}"
    );
}

#[test]
fn what_no_line_can_tell_is_refused_with_what_to_write() {
    for form in [
        "FOR {specimen?} {operator?}",
        "FOR {specimen?} {operator}",
        "FOR {specimen?} {lot?}",
        "FOR {strip?} {any?} {operator}",
    ] {
        let refused = headed(&[form], &[]).err().unwrap_or_default();
        assert!(
            refused.contains("nothing tells which of its placeholders is empty"),
            "{form}: {refused}"
        );
        assert!(refused.contains("two forms of which no line has both"), "{form}: {refused}");
    }
    for form in ["{number?} {specimen}", "{operator?} {lot}"] {
        let refused = headed(&[form], &[]).err().unwrap_or_default();
        assert!(refused.contains("any line would have this form"), "{form}: {refused}");
    }
    let many = headed(&["A {any?} {any?} {any?} {any?} {any?} {any?} {any?} {any?} {any?}"], &[]);
    assert!(many.err().unwrap_or_default().contains("at most 3 placeholders"));
    assert!(headed(&["FOR {specimen} {operator?}", "FOR"], &[]).is_ok());
}

/// The built-in with other forms of the header.
fn headed(lines: &[&str], urgent: &[&str]) -> Result<std::sync::Arc<dyn dialect::Dialect>, String> {
    let from = TWO_COLUMN.find("[header]").expect("a header");
    let to = TWO_COLUMN.find("[results]").expect("results");
    let own = format!("[header]\nlines = {lines:?}\nurgent = {urgent:?}\n");
    let text = format!("{}{own}{}", &TWO_COLUMN[..from], &TWO_COLUMN[to..]);
    dialect::parse(&text, "own.toml").map_err(|faults| format!("{faults:?}"))
}

#[test]
fn of_two_forms_the_narrower_is_meant() {
    let plain = "Flacon: {specimen?} / Agent: {operator}";
    let urgent = "Flacon: {specimen?} / Agent: {operator} / URGENT";
    let dialect = headed(&["No. {number}", plain], &[urgent]).expect("both stand");
    for (line, wanted) in [
        ("Flacon: KP-1 / Agent: CD", ("KP-1", "CD", false)),
        ("Flacon: KP-1 / Agent: CD EF", ("KP-1", "CD EF", false)),
        ("Flacon: KP-1 / Agent: CD / URGENT", ("KP-1", "CD", true)),
        ("Flacon: / Agent: CD / URGENT", ("", "CD", true)),
        ("Flacon: KP-1 / Agent: CD / URGENTE", ("KP-1", "CD / URGENTE", false)),
    ] {
        let found = ids(&report(dialect.as_ref(), &[line, "NIT NEG"]));
        let (specimen, operator, stat) = wanted;
        assert_eq!(found, (specimen.into(), operator.into(), stat, 0), "{line}");
    }
    // Whichever is written first.
    let also = "Flacon: {specimen?} / Agent: {operator} / DE NUIT";
    let dialect = headed(&[plain, also], &[]).expect("both stand");
    let found = ids(&report(dialect.as_ref(), &["Flacon: KP-1 / Agent: CD / DE NUIT", "NIT NEG"]));
    assert_eq!(found, ("KP-1".into(), "CD".into(), false, 0));
}

#[test]
fn two_forms_of_which_none_is_the_narrower_are_refused() {
    for (lines, urgent) in [
        // Each fits lines of the other.
        (&["Flacon: {specimen?} / Agent: {operator}"][..], &["{any} / URGENT"][..]),
        // No words of its own tell which is meant.
        (&["Operator {operator?}", "Operator {specimen}"], &[]),
        (&["ID {specimen}", "ID {specimen} {operator}"], &[]),
        // The narrower would take the class from a line that says it.
        (&["STAT by {operator}"], &["STAT {any?}"]),
    ] {
        let refused = headed(lines, urgent).err().unwrap_or_default();
        assert!(refused.contains("fits the same line"), "{lines:?} {urgent:?}: {refused}");
    }
}

#[test]
fn words_read_past_reach_to_all_that_stands_behind_them() {
    let dialect = headed(&["Agent: {any} / jour", "No. {number}"], &["{any} / URGENT"]);
    let dialect = dialect.expect("a good dialect");
    let urgent = report(dialect.as_ref(), &["Poste: CD / EF / URGENT", "NIT NEG"]);
    assert!(urgent.signs.stat && urgent.doubts.is_empty(), "{urgent:?}");
    let plain = report(dialect.as_ref(), &["Agent: CD / EF / jour", "NIT NEG"]);
    assert!(!plain.signs.stat && plain.doubts.is_empty(), "{plain:?}");
}

#[test]
fn a_line_that_begins_as_a_form_does_is_no_result() {
    let dialect = with(
        "[dates]\norder = \"dmy\"\n[header]\nlines = [\"Le {date} at {time} N. {number}\", \
         \"#{number} day {level} of {any}\", \"Tube: {specimen} by {operator}\"]\n",
    );
    for (line, wanted) in [
        (
            "Le 18/03/2026 at 7 h 42  N. 0188",
            "the nearest is Le {date} at {time} N. {number}, which wants a time as 7:42, 7.42 or 0742, \
             or {hour} and {minute} in its place, in column 18",
        ),
        (
            "#0412 day 073 of 2026",
            "the nearest is #{number} day {level} of {any}, which wants what {level} can be in column 11",
        ),
        (
            "Tube: KP-1 mw",
            "the nearest is Tube: {specimen} by {operator}, which wants `by` in column 12",
        ),
    ] {
        let read = report(dialect.as_ref(), &["NIT NEG", line]);
        assert_eq!((read.readings.len(), read.doubts.len()), (1, 1), "{line}: {read:?}");
        let (at, told) = doubts(&read).remove(0);
        assert!(at == Some(1) && told.ends_with(wanted), "{line}: {told}");
    }
    // A label that is the first word of a form, without what comes behind it there, is a label.
    let dialect = with("[header]\nlines = [\"PH meter {any}\", \"GLU lot {lot}\"]\n");
    assert_eq!(report(dialect.as_ref(), &["PH 6.0", "GLU NEG"]).readings.len(), 2);
}
