//! Check characters over lines: what they do not vouch for is held, and never read as right.

use wickline_normalize::{Reason, Report};

use super::notation::{doubts, report, results, with};
use super::read;
use crate::dialect::Dialect;

fn reasons(report: &Report) -> Vec<(Reason, Option<usize>)> {
    report.doubts.iter().map(|doubt| (doubt.reason, doubt.line)).collect()
}

/// The sums were computed by another program.
const EACH: [&str; 3] = ["No. 0042*D1", "GLU 2+ 400 mg/dL*EC", "NIT NEG*e5"];

#[test]
fn check_characters_at_the_end_of_each_line() {
    let dialect = with("[check]\nkind = \"add\"\nbehind = \"*\"\n");
    let whole = report(dialect.as_ref(), &EACH);
    assert_eq!(results(&whole), ["GLU 2+ 400 mg/dL", "NIT NEG -"]);
    assert_eq!((whole.number.as_deref(), reasons(&whole)), (Some("0042"), Vec::new()));
    for (n, instead) in [
        (0, "No. 0043*D1"),
        (1, "GLU 1+ 400 mg/dL*EC"),
        (1, "GLU 2+ 400 mg/dL*ED"),
        (2, "NIT NEG"),
        (2, "NIT NEG*"),
        (2, "NIT NEG*E"),
        (2, "NIT  NEG*E5"),
        (2, "*E5"),
    ] {
        let mut lines = EACH;
        lines[n] = instead;
        let spoiled = report(dialect.as_ref(), &lines);
        assert_eq!(reasons(&spoiled), [(Reason::LineError, Some(n))], "{instead}");
        let left = if n == 0 { 2 } else { 1 };
        assert_eq!(spoiled.readings.len(), left, "{instead}: nothing is read of that line");
        assert_eq!(spoiled.number.is_none(), n == 0);
    }
    let told = report(dialect.as_ref(), &["NIT POS*E5"]);
    assert!(doubts(&told)[0].1.contains("say E5, and it comes to FD"), "{:?}", told.doubts);
}

#[test]
fn line_ends_and_the_sign_before_it_are_counted_where_the_file_says_so() {
    let xor = with("[check]\nkind = \"xor\"\n");
    assert_eq!(results(&report(xor.as_ref(), &["NIT NEG3F"])), ["NIT NEG -"]);
    let ended = with("[check]\nkind = \"add\"\nwith = [\"CR\", \"LF\"]\n");
    assert_eq!(results(&report(ended.as_ref(), &["NIT NEGFC"])), ["NIT NEG -"]);
    assert!(report(ended.as_ref(), &["NIT NEGE5"]).readings.is_empty());
    let counted = with("[check]\nkind = \"add\"\nbehind = \"*\"\nbehind_counted = true\n");
    assert_eq!(results(&report(counted.as_ref(), &["NIT NEG*0F"])), ["NIT NEG -"]);
    assert!(report(counted.as_ref(), &["NIT NEG*E5"]).readings.is_empty());
}

/// As sent: 35 /µL in ISO 8859-1 has the byte B5. The lines of a kept report are UTF-8, and are read alike.
#[test]
fn what_was_sent_is_counted_and_not_how_it_is_kept() {
    let tables = "[check]\nkind = \"add\"\n";
    let latin = with(tables);
    let text = super::TWO_COLUMN.replacen("encoding = \"utf-8\"", "encoding = \"latin-1\"", 1);
    let latin_1 = crate::dialect::parse(&format!("{text}{tables}"), "own.toml").expect("good");
    let sent = b"LEU 1+ 35 /\xb5L3A";
    let sum = sent[..13].iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
    assert_eq!(sum, 0x3A);
    let unit = |dialect: &dyn Dialect, line: &[u8]| {
        let report = read(dialect, &[line]).remove(0);
        report.readings.first().and_then(|reading| reading.unit.clone())
    };
    assert_eq!(unit(latin_1.as_ref(), sent).as_deref(), Some("/\u{b5}L"));
    assert_eq!(
        unit(latin_1.as_ref(), "LEU 1+ 35 /\u{b5}L3A".as_bytes()).as_deref(),
        Some("/\u{b5}L")
    );
    assert_eq!(unit(latin.as_ref(), "LEU 1+ 35 /\u{b5}L3A".as_bytes()), None, "two bytes there");
}

const OWN: [&str; 4] = ["No. 0042", "GLU 2+ 400 mg/dL", "NIT NEG", "CHK A2"];

#[test]
fn check_characters_in_a_line_of_their_own() {
    let dialect = with(
        "[check]\nkind = \"add\"\nown_line = \"CHK\"\n[report]\nlast_line = [\"END\"]\nsilence_ms = 3000\n\
         [header]\nlines = [\"No. {number}\", \"END\"]\n",
    );
    for lines in [
        &OWN[..],
        &[&OWN[..], &["END"]].concat(),
        &["GLU 2+ 400 mg/dL", "CHK EC", "NIT NEG", "CHK E5"],
    ] {
        let whole = report(dialect.as_ref(), lines);
        assert_eq!((results(&whole).len(), reasons(&whole)), (2, Vec::new()), "{lines:?}");
    }
    for (lines, line) in [
        (vec!["No. 0042", "GLU 1+ 400 mg/dL", "NIT NEG", "CHK A2"], 3),
        (vec!["No. 0042", "NIT NEG", "CHK A2"], 2),
        (vec!["No. 0042", "GLU 2+ 400 mg/dL", "NIT NEG", "CHK"], 3),
        (vec!["No. 0042", "GLU 2+ 400 mg/dL", "NIT NEG", "CHK A2 "], 3),
        (vec!["No. 0042", "GLU 2+ 400 mg/dL", "NIT NEG"], 2),
        (vec!["No. 0042", "GLU 2+ 400 mg/dL", "NIT NEG", "CHK A2", "KET NEG"], 4),
        (vec!["No. 0042", "GLU 2+ 400 mg/dL", "NIT NEG", "CHK A2", "No. 0042"], 4),
        (vec!["CHK A2", "No. 0042", "GLU 2+ 400 mg/dL", "NIT NEG"], 0),
    ] {
        let spoiled = report(dialect.as_ref(), &lines);
        let good = lines == ["No. 0042", "GLU 2+ 400 mg/dL", "NIT NEG", "CHK A2 "];
        let found = reasons(&spoiled).contains(&(Reason::Incomplete, Some(line)));
        assert_eq!(found, !good, "{lines:?}: {:?}", spoiled.doubts);
    }
    assert!(
        read(dialect.as_ref(), &["END"]).is_empty(),
        "a print that says nothing has no results to check"
    );
}
