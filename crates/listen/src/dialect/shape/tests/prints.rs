//! Cells, forms, dates and counts that prints of other kinds need.

use wickline_normalize::{Reason, Report};

use super::notation::{doubts, report, results, with};
use super::{TWO_COLUMN, changed, one};
use crate::dialect::{self, Dialect};

const RESULTS: &str = "[results]\nsplit = \"blanks\"\ncells = [\"label\", \"result\"]\n";

/// The built-in with further keys of results.
fn results_with(keys: &str) -> std::sync::Arc<dyn Dialect> {
    with(&format!("{RESULTS}{keys}\n"))
}

fn said(dialect: &dyn Dialect, line: &str) -> Option<String> {
    let reading = one(dialect, line)?;
    let mark = reading.mark.map(|mark| mark.text).unwrap_or_default();
    Some(format!("{}|{}|{mark}", reading.parts.join(" "), reading.unit.unwrap_or_default()))
}

#[test]
fn a_sign_between_grade_and_number_may_be_in_the_unit_too() {
    let dialect = results_with("between = [\"/\", \":\"]");
    for (line, wanted) in [
        ("GLU 2+/400 mg/dL", Some("2+ 400|mg/dL|")),
        ("GLU 2+ / 400 mg/dL *", Some("2+ 400|mg/dL|*")),
        ("LEU 1+:35 /uL", Some("1+ 35|/uL|")),
        ("GLU 400 mg/dL", Some("400|mg/dL|")),
        ("GLU TR/>=1.5 mg/dL", Some("TR >=1.5|mg/dL|")),
        ("NIT NEG", Some("NEG||")),
        ("NIT +/-", Some("+/-||")),
        ("GLU TR/10/40", None),
        ("GLU TR/10 mg/dL x", Some("TR/10 mg/dL x||")),
    ] {
        assert_eq!(said(dialect.as_ref(), line).as_deref(), wanted, "{line}");
    }
}

#[test]
fn a_bracket_between_grade_and_number_is_closed_behind_the_unit() {
    let dialect = results_with(
        "between = [\"(\", \"[\"]\nmarks_glued = [\"*\"]\ncomparators = { \"or more\" = \">=\" }",
    );
    for (line, wanted) in [
        ("GLU 2+ (22 mmol/l)", Some("2+ 22|mmol/l|")),
        ("GLU 2+ (22 mmol/l)*", Some("2+ 22|mmol/l|*")),
        ("GLU 2+ (22 mmol/l) *", Some("2+ 22|mmol/l|*")),
        ("GLU 2+(22 mmol/l)", Some("2+ 22|mmol/l|")),
        ("GLU 2+ [>=22 mmol/l]", Some("2+ >=22|mmol/l|")),
        ("GLU 4+ (133 mmol/l or more)*", Some("4+ >=133|mmol/l|*")),
        ("GLU 4+ (133 or more)", Some("4+ >=133||")),
        ("NIT NEG", Some("NEG||")),
        ("GLU 2+ (22) mmol/l", Some("2+ (22) mmol/l||")),
        // What is not closed, or not where it ends, is not read.
        ("GLU 2+ (22 mmol/l", None),
        ("GLU 2+ (22 mmol/l]", None),
        ("GLU 2+ (22 mmol/l) x", None),
        ("GLU 2+ (22 mmol/l) (1 x)", None),
    ] {
        assert_eq!(said(dialect.as_ref(), line).as_deref(), wanted, "{line}");
    }
    let both = results_with("between = [\"(\"]\nboth_units = true");
    let twice = "GLU 2+ (400 mg/dL / 22 mmol/L)";
    assert_eq!(said(both.as_ref(), twice).as_deref(), Some("2+ 400|mg/dL|"));
}

#[test]
fn a_comparator_in_words_stands_before_its_number_or_behind_it() {
    let words = "comparators = { \"& up\" = \">=\", \"ou plus\" = \">=\", \"ou moins\" = \"<=\", OVER = \">\" }";
    let dialect = results_with(words);
    for (line, wanted) in [
        ("SG 1.028 & up", Some(">=1.028||")),
        ("BLD 3+ 180 & up /uL *", Some("3+ >=180|/uL|*")),
        ("GLU 133 mmol/l ou plus", Some(">=133|mmol/l|")),
        ("SG 1.004 ou moins", Some("<=1.004||")),
        ("GLU 400 mg/dL ou plus 2+", Some(">=400 2+|mg/dL|")),
        ("GLU OVER 400 mg/dL", Some(">400|mg/dL|")),
        ("GLU 400 OVERT", Some("400|OVERT|")),
        // Before and behind it, twice behind it, or behind a range: nobody knows what it says.
        ("SG >= 1.028 ou plus", None),
        ("SG OVER 1.028 ou plus", None),
        ("GLU 133 ou plus mmol/l ou plus", None),
        ("LEU 10-25 /uL ou plus", None),
        ("LEU 10-25 ou plus", None),
    ] {
        assert_eq!(said(dialect.as_ref(), line).as_deref(), wanted, "{line}");
    }
    let both = results_with(&format!("both_units = true\n{words}"));
    for line in [
        "GLU 4+ 2400 mg/dL ou plus (133 mmol/l ou plus)",
        "GLU 4+ 2400 & up mg/dL / 133 & up mmol/l",
    ] {
        let second = one(both.as_ref(), line).and_then(|reading| reading.second);
        let second = second.map(|second| format!("{} {}", second.value, second.unit));
        assert_eq!(second.as_deref(), Some(">=133 mmol/l"), "{line}");
    }
    let cells = with(&format!(
        "[results]\nsplit = \"|\"\ncells = [\"label\", \"value\", \"unit\"]\n{words}\n"
    ));
    for line in ["GLU | 133 & up | mmol/l", "GLU | 133 | mmol/l ou plus", "GLU | 133 mmol/l & up"] {
        assert_eq!(said(cells.as_ref(), line).as_deref(), Some(">=133|mmol/l|"), "{line}");
    }
    assert_eq!(said(cells.as_ref(), "GLU | >133 | mmol/l ou plus"), None);
}

#[test]
fn a_leader_divides_a_line_whichever_cell_comes_first() {
    let dialect = with(
        "[results]\nsplit = \"leader\"\ncells = [\"result\", \"label\"]\nleader = \".\"\n\
         unread = [\"not read\"]\n[marks]\n\"<<\" = \"abnormal\"\n",
    );
    let shown = |line: &str| results(&report(dialect.as_ref(), &[line])).pop();
    for (line, wanted) in [
        ("2+ 400 mg/dL ........... GLU <<", Some("GLU 2+ 400 mg/dL")),
        ("1.016 .................. SG", Some("SG 1.016 -")),
        ("1.016....SP GR", Some("SP GR 1.016 -")),
        ("not read ............... LEUK", Some("LEUK  -")),
        // One point divides nothing, and a line falls into as many cells as it should have.
        ("6.0 . PH", None),
        ("6.0 .. PH .. x", None),
        ("6.0 ..........", None),
    ] {
        assert_eq!(shown(line).as_deref(), wanted, "{line}");
    }
    let before = with(
        "[results]\nsplit = \"leader\"\ncells = [\"label\", \"grade\", \"value\"]\nleader = \"_\"\n",
    );
    let three = results(&report(before.as_ref(), &["SP GR __ NORM ____ 1.016"]));
    assert_eq!(three, ["SP GR NORM 1.016 -"]);
}

#[test]
fn days_of_the_year_and_times_in_words_of_their_own() {
    let ordinal = with(
        "[dates]\norder = \"ordinal\"\n[header]\nlines = [\"No. {number} day {day} of {year} {time}\"]\n",
    );
    let at = |line: &str| taken(ordinal.as_ref(), &[line, "NIT NEG"]);
    assert_eq!(at("No. 1 day 073 of 2026 14:05"), ("202603141405".into(), vec![]));
    assert_eq!(at("No. 1 day 366 of 2028 14:05"), ("202812311405".into(), vec![]));
    for line in
        ["No. 1 day 366 of 2026 14:05", "No. 1 day 73 of 2026 14:05", "No. 1 day 000 of 2026 14:05"]
    {
        assert_eq!(at(line), (String::new(), vec![Some(0)]), "{line}");
    }
    let other = with("[header]\nlines = [\"No. {number} day {day} of {year} {time}\"]\n");
    assert_eq!(
        taken(other.as_ref(), &["No. 1 day 14 of 2026 14:05"]).1,
        [Some(0)],
        "a month lacks"
    );
    let hours = with(
        "[dates]\norder = \"dmy\"\npm = [\"soir\"]\nam = [\"matin\"]\n\
         [header]\nlines = [\"Le {date} at {hour} h {minute} N. {number}\", \"Le {date} at {hour}h{minute}m{second}\", \
         \"{hour} h {minute}\", \"{half} {date}\"]\n",
    );
    let at = |lines: &[&str]| taken(hours.as_ref(), lines);
    assert_eq!(at(&["Le 18/03/2026 at 7 h 42 N. 0188", "NIT NEG"]).1.len(), 1, "matin or soir?");
    let with_half = ["Le 18/03/2026 at 7 h 42  N. 0188", "soir 18/03/2026"];
    assert_eq!(at(&with_half), ("202603181942".into(), vec![]));
    let plain = with(
        "[dates]\norder = \"dmy\"\n[header]\nlines = [\"Le {date} at {hour} h {minute} N. {number}\", \
         \"Le {date} at {hour}h{minute}m{second}\", \"At {time}\"]\n",
    );
    let at = |lines: &[&str]| taken(plain.as_ref(), lines);
    assert_eq!(at(&["Le 18/03/2026 at 7 h 42   N. 0188"]), ("202603180742".into(), vec![]));
    assert_eq!(at(&["Le 18/03/2026 at 7h42m09"]), ("20260318074209".into(), vec![]));
    for lines in [
        &["Le 18/03/2026 at 24 h 42 N. 0188"][..],
        &["Le 18/03/2026 at 7 h 60 N. 0188"],
        &["Le 18/03/2026 at 7 h 42 N. 0188", "At 7:43"],
        &["Le 18/03/2026 at 7 h 42 N. 0188", "At 7:42"],
    ] {
        assert_eq!(at(lines).0, "", "{lines:?}");
    }
}

#[test]
fn a_line_of_several_readings_names_the_one_that_is_none() {
    let dialect = results_with("entry_sign = \"|\"");
    let held = report(dialect.as_ref(), &["GLU 2+ 400 mg/dL x y | BIL NEG"]);
    assert!(held.readings.is_empty(), "{held:?}");
    assert_eq!(
        doubts(&held),
        [(Some(0), "the line has no form that this dialect knows; reading 1 of 2 in it, `GLU 2+ 400 mg/dL x y`: cell 2 \
           `2+ 400 mg/dL x y` is neither a grade nor a number with a unit; none of them was taken".to_owned())]
    );
    let bare = report(dialect.as_ref(), &["GLU 2+ | NIT"]);
    assert!(
        doubts(&bare)[0]
            .1
            .ends_with("; reading 2 of 2 in it, `NIT`, is none; none of them was taken"),
        "{bare:?}"
    );
}

#[test]
fn a_line_that_several_signs_divide() {
    let dialect = with("[results]\nsplit = \":=\"\ncells = [\"label\", \"grade\", \"value\"]\n");
    for line in ["GLU:2+=400 mg/dL", "GLU=2+:400 mg/dL"] {
        assert_eq!(said(dialect.as_ref(), line).as_deref(), Some("2+ 400|mg/dL|"), "{line}");
    }
    assert_eq!(said(dialect.as_ref(), "GLU:2+=400 mg/dL:x"), None);
}

#[test]
fn marks_without_a_blank() {
    let tables = format!(
        "{RESULTS}marks_glued = [\"*\", \"!!\", \"H\"]\nunread = [\"***\"]\n\
         [marks]\n\"*\" = \"abnormal\"\n\"!!\" = \"high\"\nH = \"high\"\nL = \"low\"\n"
    );
    let dialect = with(&tables);
    for (line, wanted) in [
        ("GLU 2+ 400 mg/dL*", Some("2+ 400|mg/dL|*")),
        ("GLU 2+* 400 mg/dL", Some("2+ 400|mg/dL|*")),
        ("GLU 400 mg/dL!! 2+", Some("400 2+|mg/dL|!!")),
        ("PH 9.0*", Some("9.0||*")),
        ("PH *9.0", Some("9.0||*")),
        ("GLU 2+H", Some("2+||H")),
        ("GLU 2+ H", Some("2+||H")),
        // The unit of a number may end with a letter, which is then no mark.
        ("KET 400 mgH", Some("400|mgH|")),
        ("LEU 35/L", Some("35|/L|")),
        ("GLU 2+L", Some("2+L||")),
        ("GLU ***", Some("||")),
        // A number with a mark before its unit is no number: nobody says that it is one.
        ("GLU 400* mg/dL", Some("400* mg/dL||")),
        ("GLU 2+* 400 mg/dL*", None),
        ("GLU 2+* *", None),
    ] {
        assert_eq!(said(dialect.as_ref(), line).as_deref(), wanted, "{line}");
    }
    assert_eq!(said(with("").as_ref(), "PH 9.0*").as_deref(), Some("9.0*||"), "not by itself");
}

#[test]
fn a_value_in_both_unit_systems() {
    let dialect = results_with("both_units = true");
    for (line, wanted) in [
        ("GLU 2+ 400 mg/dL 22 mmol/L", Some("2+ 400|mg/dL|")),
        ("GLU 2+ 400 mg/dL (22 mmol/L) *", Some("2+ 400|mg/dL|*")),
        ("GLU 400 mg/dL / 22 mmol/L", Some("400|mg/dL|")),
        ("GLU 400 mg/dL [22 mmol/L] 2+", Some("400 2+|mg/dL|")),
        ("GLU 400 mg/dL 22 mmol/L 2+", Some("400 2+|mg/dL|")),
        ("GLU 400 mg/dL 2+", Some("400 2+|mg/dL|")),
        // Without its unit nobody knows what the second number is.
        ("GLU 400 mg/dL 22", None),
        ("GLU 400 mg/dL 200 mg/dL", None),
        ("GLU 400 mg/dL (22 mmol/L x)", None),
        ("GLU 2+ 400 mg/dL 22 mmol/L 3+", None),
    ] {
        assert_eq!(said(dialect.as_ref(), line).as_deref(), wanted, "{line}");
    }
    assert_eq!(said(with("").as_ref(), "GLU 2+ 400 mg/dL 22 mmol/L"), None, "not by itself");
}

#[test]
fn several_words_are_read_past() {
    let header =
        "[header]\nlines = [\"Unit {any} LOT {lot}\", \"{any} {date} {time}\", \"No. {number}\"]\n";
    let dialect = with(header);
    let said = |line: &str| {
        let report = report(dialect.as_ref(), &[line, "NIT NEG"]);
        let taken = report.taken.map(|taken| taken.digits()).unwrap_or_default();
        (report.control_lot.unwrap_or_default(), taken, report.doubts.len())
    };
    let none = String::new;
    assert_eq!(said("Unit of the west wing LOT L4"), ("L4".into(), none(), 0));
    assert_eq!(said("Unit west LOT L4"), ("L4".into(), none(), 0));
    assert_eq!(said("Unit LOTUS LOT L4"), ("L4".into(), none(), 0));
    assert_eq!(said("Unit A LOT B LOT L4"), (none(), none(), 1), "which of the two, nobody knows");
    assert_eq!(said("Kestrel Point Clinic 2026-03-14 09:14"), (none(), "202603140914".into(), 0));
}

#[test]
fn a_line_of_no_form_names_the_nearest() {
    let dialect = with(
        "[header]\nlines = [\"Specimen: {specimen}\", \"No. {number} of {date}\"]\n\
         [results]\nsplit = \";\"\ncells = [\"label\", \"result\"]\n",
    );
    let why = |line: &str| doubts(&report(dialect.as_ref(), &["NIT;NEG", line])).remove(0);
    for (line, wanted) in [
        ("Specimen:", "{specimen}, or {specimen?} in its place if it may be empty in column 10"),
        ("  No. 42 on 2026", "`of` in column 10"),
        ("No. 42 of x", "what {date} can be in column 11"),
    ] {
        let (at, told) = why(line);
        assert_eq!(at, Some(1));
        assert!(told.ends_with(&format!(", which wants {wanted}")), "{line}: {told}");
    }
    assert!(!why("what is this").1.contains("nearest"));
}

/// With other dates, and a header of one date form and one time form.
fn dated(dates: &str) -> std::sync::Arc<dyn Dialect> {
    with(&format!(
        "[dates]\n{dates}\n[header]\nlines = [\"Day {{date}}\", \"At {{time}}\", \"{{date}} {{time}}\"]\n"
    ))
}

fn taken(dialect: &dyn Dialect, lines: &[&str]) -> (String, Vec<Option<usize>>) {
    let report = report(dialect, lines);
    let at = report.doubts.iter().map(|doubt| doubt.line).collect();
    (report.taken.map(|taken| taken.digits()).unwrap_or_default(), at)
}

#[test]
fn several_times_and_the_date_above_them() {
    let last = dated("order = \"ymd\"\ntimes = \"last\"");
    let first = dated("order = \"ymd\"\ntimes = \"first\"");
    let lines = ["Day 2026-03-14", "At 09:12", "NIT NEG", "At 09:14"];
    assert_eq!(taken(last.as_ref(), &lines), ("202603140914".into(), vec![]));
    assert_eq!(taken(first.as_ref(), &lines), ("202603140912".into(), vec![]));
    assert_eq!(taken(dated("order = \"ymd\"").as_ref(), &lines).1, [Some(3)], "not by itself");
    let night = ["Day 2026-03-14", "At 23:59", "At 00:01"];
    assert_eq!(taken(last.as_ref(), &night).1, [Some(2)], "the second has another date");
    let two = ["2026-03-14 23:59", "2026-03-15 00:01"];
    assert_eq!(taken(last.as_ref(), &two), ("202603150001".into(), vec![]));
    assert_eq!(taken(last.as_ref(), &["At 09:12", "Day 2026-03-14"]).1, [Some(0)]);
}

#[test]
fn a_time_that_never_has_a_date() {
    let held = taken(dated("order = \"ymd\"").as_ref(), &["At 09:12", "NIT NEG"]);
    assert_eq!(held, (String::new(), vec![Some(0)]));
    let ignored = dated("order = \"ymd\"\ntime_alone = \"ignored\"");
    assert_eq!(taken(ignored.as_ref(), &["At 09:12", "NIT NEG"]), (String::new(), vec![]));
    assert_eq!(taken(ignored.as_ref(), &["Day 2026-02-30", "At 09:12"]).1.len(), 1);
    let week = dated("order = \"week\"");
    assert_eq!(taken(week.as_ref(), &["2026-W48-3 09:14"]), ("202611250914".into(), vec![]));
    let ordinal = dated("order = \"ordinal\"\nyears_from = 1980");
    assert_eq!(taken(ordinal.as_ref(), &["Day 26.329"]), ("20261125".into(), vec![]));
}

fn incomplete(report: &Report) -> Vec<Option<usize>> {
    let doubts = report.doubts.iter().filter(|doubt| doubt.reason == Reason::Incomplete);
    doubts.map(|doubt| doubt.line).collect()
}

#[test]
fn a_count_that_differs_holds_the_report() {
    let dialect = with("[header]\nlines = [\"No. {number}\", \"~{count}\"]\n");
    let at = |lines: &[&str]| incomplete(&report(dialect.as_ref(), lines));
    assert_eq!(at(&["NIT NEG", "GLU NEG", "~2"]), []);
    assert_eq!(at(&["NIT NEG", "GLU OFF", "~02"]), [], "one that is off is printed as well");
    assert_eq!(at(&["NIT NEG", "~2"]), [Some(1)]);
    assert_eq!(at(&["NIT NEG", "GLU NEG", "~1"]), [Some(2)]);
    assert_eq!(at(&["NIT NEG"]), [Some(0)], "the count did not come");
    assert_eq!(at(&["No. 1"]), [], "no reading, nothing to count");
    let twice = report(dialect.as_ref(), &["NIT NEG", "~1", "~2"]);
    assert_eq!(doubts(&twice).len(), 1, "{twice:?}");
    let may = with("[header]\nlines = [\"~{count?}\"]\n");
    assert!(incomplete(&report(may.as_ref(), &["NIT NEG"])).is_empty());
    assert_eq!(results(&twice), ["NIT NEG -"]);
}

#[test]
fn a_number_of_marked_readings_that_differs_holds_the_report() {
    let dialect = with(
        "[header]\nlines = [\"No. {number}\", \"= {count} pads, {marked} marked\"]\n\
                        [marks]\n\"*\" = \"abnormal\"\n\"H\" = \"high\"\n\"ok\" = \"normal\"\n",
    );
    let told = |lines: &[&str]| doubts(&report(dialect.as_ref(), lines));
    let two = ["GLU 2+ *", "NIT NEG ok", "SG 1.030 H"];
    let with_end = |end: &'static str| told(&[&two[..], &[end]].concat());
    assert_eq!(with_end("= 3 pads, 2 marked"), []);
    for (end, why) in [
        ("= 3 pads, 3 marked", "the print says that it has 3 marked readings, and 2 were read"),
        ("= 3 pads, 0 marked", "the print says that it has 0 marked readings, and 2 were read"),
    ] {
        let held = report(dialect.as_ref(), &[&two[..], &[end]].concat());
        assert_eq!(doubts(&held), [(Some(3), why.to_owned())]);
        assert_eq!(incomplete(&held), [Some(3)]);
    }
    let lost = "the line that says how many readings there are did not come".to_owned();
    assert_eq!(told(&two), [(Some(2), lost)], "told once");
    assert_eq!(told(&["NIT NEG", "= 1 pads, 0 marked"]), []);
    assert_eq!(told(&["No. 1"]), []);
    assert_eq!(
        told(&["GLU 2+ *", "= 1 pads, 1 marked", "= 1 pads, 0 marked"]).len(),
        1,
        "twice, and not alike"
    );
}

#[test]
fn marked_readings_are_counted_only_where_there_are_marks() {
    let own = TWO_COLUMN.replacen("\"No. {number}\"", "\"No. {number}\", \"= {marked}\"", 1);
    assert!(dialect::parse(&own, "test.toml").is_ok());
    let bare: String =
        own.lines().take_while(|line| *line != "[marks]").flat_map(|line| [line, "\n"]).collect();
    let faults = dialect::parse(&bare, "test.toml").err().expect("no marks");
    let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
    assert!(told.iter().any(|fault| fault.contains("a form with {marked}")), "{told:?}");
}

#[test]
fn what_was_read_before_is_read_alike() {
    let dialect = changed("off =", "between = [\"/\"]\nboth_units = true\noff =");
    assert_eq!(said(dialect.as_ref(), "GLU 2+ 400 mg/dL *").as_deref(), Some("2+ 400|mg/dL|*"));
}
