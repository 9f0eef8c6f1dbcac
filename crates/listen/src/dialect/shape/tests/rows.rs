//! Readings told by their place, tables headed once, and records of fields; and that reading them takes no more
//! steps than a print is long.

use super::notation::{doubts, report, results, with};
use crate::dialect::steps;

const GOOD: usize = 0;

fn held(report: &wickline_normalize::Report) -> usize {
    report.doubts.len()
}

#[test]
fn readings_in_a_fixed_order_all_of_them_or_none() {
    let dialect = with(
        "[results]\nsplit = \"blanks\"\ncells = [\"result\"]\norder = [\"GLU\", \"KET\", \"PH\"]\n",
    );
    let all = report(dialect.as_ref(), &["No. 1", "2+ 400 mg/dL *", "NEG", "6.0"]);
    assert_eq!(results(&all), ["GLU 2+ 400 mg/dL", "KET NEG -", "PH 6.0 -"]);
    assert_eq!(held(&all), GOOD);
    for lines in [&["2+ 400 mg/dL", "6.0"][..], &["2+", "NEG", "6.0", "NEG"]] {
        let short = report(dialect.as_ref(), lines);
        assert_ne!(held(&short), GOOD, "{lines:?}");
    }
    let short = report(dialect.as_ref(), &["2+ 400 mg/dL", "6.0"]);
    assert!(short.readings.is_empty(), "a lost line gives each pad its neighbour's result");
    assert!(doubts(&short)[0].1.contains("2 readings came"), "{:?}", short.doubts);
    let beside = with(
        "[results]\nsplit = \"blanks\"\ncells = [\"result\"]\norder = [\"GLU\", \"KET\", \"PH\"]\n\
         entry_sign = \"|\"\n",
    );
    let one = report(beside.as_ref(), &["2+ 400 mg/dL | | 6.0"]);
    assert_eq!(results(&one), ["GLU 2+ 400 mg/dL", "PH 6.0 -"], "the second place is empty");
    assert_eq!(held(&one), GOOD);
}

const TABLE: &str = "[results]\nsplit = \"blanks\"\nheaded = \"PADS\"\nblank = [\"-\"]\n\
                     rows = { GRADE = \"grade\", VALUE = \"value\", UNIT = \"unit\" }\n";

#[test]
fn a_table_that_is_headed_once() {
    let dialect = with(TABLE);
    let lines = ["PADS  GLU BIL KET", "GRADE 2+ NEG -", "VALUE 400 - -", "UNIT mg/dL - -"];
    let whole = report(dialect.as_ref(), &lines);
    assert_eq!(results(&whole), ["GLU 2+ 400 mg/dL", "BIL NEG -"]);
    assert_eq!(held(&whole), GOOD, "{:?}", whole.doubts);
    let twice = [&lines[..], &["PADS PH", "GRADE -", "VALUE 6.0", "UNIT -"]].concat();
    assert_eq!(results(&report(dialect.as_ref(), &twice)).last().expect("one"), "PH 6.0 -");
    for (n, instead, why) in [
        (1, "GRADE 2+ NEG", "as many columns"),
        (1, "GRADE 2+ NEG - -", "as many columns"),
        (2, "GRADE 2+ NEG -", "comes twice"),
        (2, "VALUE 400 x -", "no form"),
        (0, "PADS", "no form"),
        (0, "No. 1", "names the pads"),
        (2, "No. 1", "did not come"),
    ] {
        let mut lines = lines;
        lines[n] = instead;
        let spoiled = report(dialect.as_ref(), &lines);
        assert!(spoiled.readings.is_empty(), "{instead}: {spoiled:?}");
        assert!(doubts(&spoiled)[0].1.contains(why), "{instead}: {:?}", spoiled.doubts);
    }
}

#[test]
fn pairs_of_name_and_value() {
    let dialect = with(
        "[record]\nsplit = \";\"\n[header]\nlines = [\"NO={number}\", \"ID={specimen?}\", \"AT={date} {time}\"]\n\
         [results]\nsplit = \"=\"\ncells = [\"label\", \"result\"]\n",
    );
    let line = "NO=0042;ID=KP-1;AT=2026-03-14 09:14;GLU=2+ 400 mg/dL *;NIT=NEG;";
    let whole = report(dialect.as_ref(), &[line]);
    assert_eq!(results(&whole), ["GLU 2+ 400 mg/dL", "NIT NEG -"]);
    assert_eq!((whole.number.as_deref(), held(&whole)), (Some("0042"), GOOD));
    assert_eq!(whole.taken.map(|taken| taken.digits()).as_deref(), Some("202603140914"));
    let odd = report(dialect.as_ref(), &["NO=0042;GLU=2+;what"]);
    assert_eq!((results(&odd).len(), doubts(&odd)[0].0), (1, Some(0)));
}

#[test]
fn fields_by_their_place_and_in_quotes() {
    let dialect = with(
        "[record]\nsplit = \",\"\nquoted = true\nfields = [\"{number}\", \"{specimen?}\", \"{date} {time}\"]\n\
         heading = [\"No\", \"Patient\", \"When\", \"GLU\", \"KET\"]\n\
         [results]\nsplit = \"blanks\"\ncells = [\"result\"]\norder = [\"GLU\", \"KET\"]\n",
    );
    let heading = "No,Patient,When,GLU,KET";
    let line = "0042,\"KP, 1\",2026-03-14 09:14,\"2+ 400 mg/dL\",NEG";
    let whole = report(dialect.as_ref(), &[heading, line]);
    assert_eq!(results(&whole), ["GLU 2+ 400 mg/dL", "KET NEG -"]);
    assert_eq!(whole.specimen.as_ref().map(|id| id.expose()), Some("KP, 1"));
    assert_eq!(held(&whole), GOOD, "{:?}", whole.doubts);
    let empty = report(dialect.as_ref(), &["0042,,2026-03-14 09:14,,NEG,"]);
    assert_eq!((results(&empty), held(&empty)), (vec!["KET NEG -".into()], GOOD));
    for (line, why) in [
        ("0042,KP-1", "fewer than the 3 fields"),
        ("0042,KP-1,yesterday,2+,NEG", "field 3 of the record is not {date} {time}"),
        ("0042,\"KP-1,2026-03-14 09:14,2+,NEG", "no end"),
        ("0042,\"KP\"-1,2026-03-14 09:14,2+,NEG", "no end"),
        ("No,Patient,When,KET,GLU", "field 1 of the record"),
        ("0042,KP-1,2026-03-14 09:14,2+", "1 readings came"),
        ("0042,KP-1,2026-03-14 09:14,2+,NEG,TR", "no form"),
    ] {
        let spoiled = report(dialect.as_ref(), &[line]);
        assert!(doubts(&spoiled)[0].1.contains(why), "{line}: {:?}", spoiled.doubts);
    }
    // Two strips in one print are two numbers: which reading is whose, nobody says.
    let two = report(dialect.as_ref(), &[line, "0043,KP-2,2026-03-14 09:15,NEG,NEG"]);
    assert_ne!(held(&two), GOOD);
}

/// What a printed line begins ends with it: the next line is another reading, and may be any pad's.
#[test]
fn a_field_of_one_line_is_never_completed_by_the_next_line() {
    let base = "[record]\nsplit = \";\"\n[header]\nlines = [\"No. {number}\"]\n[results]\nsplit = \"blanks\"\n";
    let two = format!(
        "{base}cells = [\"result\"]\nnext = [{{ split = \"blanks\", cells = [\"label\"] }}]\n"
    );
    let lines = ["No. 7", "neg;GLU", "2+;", ";LEU", "neg;NIT"];
    let lost = report(with(&two).as_ref(), &lines);
    assert_eq!(results(&lost), ["GLU neg -", "NIT neg -"]);
    let places: Vec<_> = doubts(&lost).into_iter().map(|(line, _)| line).collect();
    assert_eq!(places, [Some(2), Some(3)], "{:?}", lost.doubts);
    // In one line an empty field stands for what lacks there, and for nothing else.
    let beside = report(with(&two).as_ref(), &["No. 7", "2+;;neg;LEU"]);
    assert_eq!((results(&beside), held(&beside)), (vec!["LEU neg -".to_owned()], 1));
    let three = format!(
        "{base}cells = [\"label\"]\nnext = [{{ split = \"blanks\", cells = [\"grade\"], optional = true }}, \
         {{ split = \"blanks\", cells = [\"value\"] }}]\n"
    );
    let lacks =
        report(with(&three).as_ref(), &["No. 7", "GLU;2+;400 mg/dL;PH;;6.0", "SG;", "1.012"]);
    assert_eq!(results(&lacks), ["GLU 2+ 400 mg/dL", "PH 6.0 -"]);
    assert_eq!(doubts(&lacks)[0].0, Some(2), "{:?}", lacks.doubts);
}

#[test]
fn fields_by_their_widths() {
    let record = "[record]\nwidths = [4, 6, 16, 10, 10]\nfields = [\"{number}\", \"{specimen?}\", \"{date} {time}\"]\n\
                  [results]\nsplit = \"blanks\"\ncells = [\"label\", \"result\"]\n";
    let by_ends = with(record);
    let fixed = with(&format!("[line]\nlength = 46\n[report]\nsilence_ms = 3000\n{record}"));
    let line = "0042KP-1  2026-03-14 09:14GLU 2+    NIT NEG   ";
    for dialect in [&by_ends, &fixed] {
        let whole = report(dialect.as_ref(), &[line]);
        assert_eq!(results(&whole), ["GLU 2+ -", "NIT NEG -"]);
        assert_eq!((whole.number.as_deref(), held(&whole)), (Some("0042"), GOOD));
        assert_eq!(whole.specimen.as_ref().map(|id| id.expose()), Some("KP-1"));
        let bare = report(dialect.as_ref(), &["0042      2026-03-14 09:14          NIT NEG   "]);
        assert_eq!((results(&bare), held(&bare)), (vec!["NIT NEG -".into()], GOOD));
        assert!(bare.specimen.is_none());
        let longer = report(dialect.as_ref(), &[&format!("{line}x")]);
        assert!(doubts(&longer)[0].1.contains("not as long as record.widths"), "{longer:?}");
    }
    // Blanks at the end may lack where lines have ends; where they have none, nothing may.
    let trimmed = report(by_ends.as_ref(), &[line.trim_end()]);
    assert_eq!((results(&trimmed).len(), held(&trimmed)), (2, GOOD));
    let short = report(fixed.as_ref(), &[line.trim_end()]);
    assert!(short.readings.is_empty() && held(&short) != GOOD);
    // A letter of two bytes would move every column behind it.
    let moved = report(fixed.as_ref(), &["0042KP-1  2026-03-14 09:14GLU 2+ \u{b5}  NIT NEG  "]);
    assert!(moved.readings.is_empty() && held(&moved) != GOOD);
    let returned = report(fixed.as_ref(), &["0042KP-1  2026-03-14 09:14GLU 2+   \rNIT NEG   "]);
    assert!(doubts(&returned)[0].1.contains("control character CR"), "{returned:?}");
}

/// Every notation at once, with lines made to bring out the worst of each.
#[test]
fn no_notation_takes_more_steps_than_a_print_is_long() {
    let header = "[header]\nlines = [\"A {any} B {any} C {any} D\", \"{any} {date} {time}\", \
                  \"{any}/{any}/{any}/{lot}\", \"~{count}\"]\n";
    let kinds = [
        "[results]\nsplit = \"blanks\"\ncells = [\"label\", \"result\"]\nbetween = [\"/\", \":\"]\n\
         both_units = true\nmarks_glued = [\"*\"]\n",
        "[record]\nsplit = \",\"\nquoted = true\n[results]\nsplit = \"=:\"\ncells = [\"label\", \"result\"]\n\
         between = [\"/\"]\n",
        TABLE,
        "[record]\nwidths = [3, 1000, 1, 200, 17, 900]\n[results]\nsplit = \"blanks\"\n\
         cells = [\"label\", \"result\"]\nbetween = [\"/\"]\n",
        "[results]\nsplit = \"blanks\"\ncells = [\"result\"]\norder = [\"A\", \"B\"]\nentry_sign = \"|\"\n",
    ];
    let seeds = [
        "A B ",
        "A x ",
        "/1",
        "/",
        "x/1/",
        "1 a/",
        "\"",
        ",",
        ",\"",
        "=",
        "|",
        "1|",
        "*",
        "2+* ",
        "(1 a",
        "~1 ",
        "2026-03-14 ",
        "PADS A ",
        "GRADE 1 ",
        " ",
    ];
    for kind in kinds {
        let dialect = with(&format!("{header}{kind}"));
        for seed in seeds.iter().flat_map(|one| seeds.iter().map(move |two| (one, two))) {
            let line = |bytes: usize| {
                let (one, two) = seed;
                let head = one.repeat(bytes / one.len());
                format!("{head}{}", two.repeat(bytes / two.len()))
            };
            for bytes in [200, 3_000] {
                let line = line(bytes);
                steps::taken();
                super::read(dialect.as_ref(), &[line.as_str()]);
                let (taken, most) = (steps::taken(), 16 * line.len() + 500);
                assert!(taken <= most, "{seed:?}: {taken} steps for {bytes} bytes twice in {kind}");
            }
        }
    }
}
