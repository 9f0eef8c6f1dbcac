//! Signs glued to a number, and what a person is told of a line that is nearly of a form.

use super::notation::{doubts, report, results, with};

const COLUMNS: &str = "[results]\ncolumns = [\n    { cell = \"label\", from = 1, to = 4 },\n    \
                       { cell = \"grade\", from = 5, to = 9 },\n    { cell = \"value\", from = 10, to = 30 },\n]\n\
                       comparators = { \"+\" = \">=\", \"-\" = \"<=\", \"p\" = \">=\" }\n";

#[test]
fn an_end_of_a_ladder_with_a_sign_glued_behind_the_number() {
    let dialect = with(COLUMNS);
    for (line, wanted) in [
        ("GLU ++++ 55+ mmol/L", "GLU ++++ >=55 mmol/L"),
        ("GLU ++++ 55 + mmol/L", "GLU ++++ >=55 mmol/L"),
        ("GLU ++++ 55 mmol/L +", "GLU ++++ >=55 mmol/L"),
        ("GLU ++++ 55p mmol/L", "GLU ++++ >=55 mmol/L"),
        ("SG       1.005-", "SG <=1.005 -"),
        ("SG       1.005-1.010", "SG 1.005-1.010 -"),
        ("PRO +    0.3 g/L", "PRO + 0.3 g/L"),
    ] {
        let read = report(dialect.as_ref(), &[line]);
        assert_eq!((results(&read), doubts(&read)), (vec![wanted.to_owned()], vec![]), "{line}");
    }
    // A grade that slid into the number's place, two of them, and what nobody can mean.
    for line in [
        "PRO      + 0.3 g/L",
        "PRO +    >=55+ g/L",
        "PRO +    55++ g/L",
        "PRO +    55+- g/L",
        "PRO +    5-9+",
    ] {
        let read = report(dialect.as_ref(), &[line]);
        assert!(
            read.readings.is_empty() && !read.doubts.is_empty(),
            "{line}: {:?}",
            results(&read)
        );
    }
}

#[test]
fn a_sign_that_no_grade_is_made_of_is_glued_in_a_result_as_well() {
    let dialect = with(
        "[results]\nsplit = \"blanks\"\ncells = [\"label\", \"result\"]\ncomparators = { \"^\" = \">=\" }\n",
    );
    for (line, wanted) in [
        ("GLU 4+ 55^ mmol/L", "GLU 4+ >=55 mmol/L"),
        ("GLU 2+", "GLU 2+ -"),
        ("GLU + 55", "GLU + 55 -"),
    ] {
        let read = report(dialect.as_ref(), &[line]);
        assert_eq!((results(&read), doubts(&read)), (vec![wanted.to_owned()], vec![]), "{line}");
    }
}

const CLASSES: &str = "[dates]\norder = \"dmy\"\n[header]\nlines = [\"ID:{specimen?} PR:{number} {date} {time}\", \
                       \"Tube: {specimen?}\"]\n\
                       control = [\"ID:LIV{level}/L{lot} PR:{number} {date} {time} QC\"]\n\
                       urgent = [\"ID:{specimen?} PR:{number} {date} {time} !!\", \"Tube: {specimen} (URGENT)\"]\n";

fn told(tables: &str, lines: &[&str]) -> String {
    let read = report(with(tables).as_ref(), lines);
    doubts(&read).into_iter().map(|(_, why)| why).collect::<Vec<_>>().join("\n")
}

#[test]
fn the_nearest_form_is_the_one_whose_words_are_there() {
    for (line, wanted) in [
        ("ID:LIV1 PR:1 14.03.26 0830 QC", "control"),
        ("ID:LIV1/L PR:1 14.03.26 0830 QC", "control"),
        ("ID:LIV/L330 PR:1 14.03.26 0830 QC", "control"),
        ("ID:LIV1L330 PR:1 14.03.26 0830 QC", "control"),
        ("ID:KP-1 PR:1 14.03.26 083x", "plain"),
        ("ID:KP-1 PR:1 14.03.26 0830 !", "urgent"),
        ("ID:KP-1 PR:1 14.03.26 083x !!", "urgent"),
    ] {
        let near = match wanted {
            "control" => "the nearest is ID:LIV{level}/L{lot} PR:{number} {date} {time} QC, which",
            "urgent" => "the nearest is ID:{specimen?} PR:{number} {date} {time} !!, which",
            _ => "the nearest is ID:{specimen?} PR:{number} {date} {time}, which",
        };
        let told = told(CLASSES, &[line, "NIT NEG"]);
        assert!(told.contains(near), "{line}: {told}");
    }
}

#[test]
fn a_word_of_class_that_is_misspelt_behind_an_id_is_told() {
    for line in
        ["Tube: KP-1 (URGEMT)", "Tube: KP-1 (urgent)", "Tube: KP-1 (URGENT", "Tube: KP-1 URGENT)"]
    {
        let told = told(CLASSES, &[line, "NIT NEG"]);
        let wanted = "the line is nearly Tube: {specimen} (URGENT), which says a class and wants `(URGENT)` \
                      in column 12";
        assert_eq!(told, wanted, "{line}");
    }
    for line in ["Tube: KP-1", "Tube: KP-1 (MILLER)", "Tube: KP-1 (URGENT)", "Tube:"] {
        assert_eq!(told(CLASSES, &[line, "NIT NEG"]), "", "{line}");
    }
}

#[test]
fn what_lacks_a_half_of_the_day_or_is_said_twice_is_named() {
    let tables = "[dates]\norder = \"dmy\"\nam = [\"a.m.\"]\npm = [\"p.m.\"]\n[header]\nlines = [\"No. {number}\", \
                  \"Tube {specimen}\", \"At {date} {time}\"]\n";
    assert_eq!(told(tables, &["At 16/03/2026 09:12 a.m."]), "");
    let lost = told(tables, &["At 16/03/2026 09:12"]);
    assert_eq!(lost, "the time says no half of the day, `a.m.` or `p.m.`, and may be of either");
    assert!(told(tables, &["At 31/02/2026 09:12"]).contains("not one that the calendar has"));
    for (lines, wanted) in [
        (
            ["No. 0042", "No. 0043"],
            "the number is printed twice, and not alike: `0042` above, `0043` here",
        ),
        (
            ["Tube KP-1", "Tube KP-2"],
            "the specimen is printed twice, and not alike: `KP-1` above, `KP-2` here",
        ),
    ] {
        assert_eq!(told(tables, &lines), wanted);
    }
}

#[test]
fn the_sign_before_decimals_is_named_where_nothing_else_is_wrong() {
    let cells = "[results]\nsplit = \"blanks\"\ncells = [\"label\", \"grade\", \"value\"]\n";
    let hint = "cell 3 `7,5 g/L` is no number with a unit: decimal is point, and a comma stands before its decimals";
    let told_of = |line: &str| told(cells, &[line]);
    assert!(told_of("PRO 1+ 7,5 g/L").ends_with(hint), "{}", told_of("PRO 1+ 7,5 g/L"));
    assert!(!told_of("PRO 1+ 7,x g/L").contains("decimal is"), "more than the sign is wrong");
    let dialect = super::changed("decimal = \"point\"", "decimal = \"comma\"");
    let read = report(dialect.as_ref(), &["SG 1.015"]);
    let why = &doubts(&read)[0].1;
    assert!(why.ends_with("decimal is comma, and a point stands before its decimals"), "{why}");
}
