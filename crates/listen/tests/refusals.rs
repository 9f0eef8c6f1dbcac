//! Every refusal of a dialect file, word for word: `fixtures/listen/refusals.txt` holds what a person
//! is told. `WICKLINE_BLESS=1` writes it anew; read each line aloud: would you know what to do?

use std::fmt::Write as _;
use std::path::Path;

use wickline_listen::dialect;

fn root() -> std::path::PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// Changes of shipped dialect files: the file, what is replaced, and by what.
const CHANGES: &[(&str, &str, &str)] = &[
    // No TOML, or not the keys that there are.
    ("two-column", "order = \"ymd\"", "order = ymd"),
    ("two-column", "encoding = \"utf-8\"", "encodings = \"utf-8\""),
    ("two-column", "blank_lines = 1", "blank_line = 1"),
    ("two-column", "name = \"two-column\"", ""),
    ("two-column", "name = \"two-column\"", "name = \"Two Columns\""),
    ("two-column", "name = \"two-column\"", "name = 7"),
    ("two-column", "[dates]", "[date]"),
    ("two-column", "encoding = \"utf-8\"", "encoding = \"latin1\""),
    ("two-column", "encoding = \"utf-8\"", "encoding = \"cp-437\""),
    ("two-column", "decimal = \"point\"", "decimal = \".\""),
    // Dates.
    ("two-column", "order = \"ymd\"", ""),
    ("two-column", "order = \"ymd\"", "order = \"yyyy-mm-dd\""),
    ("two-column", "order = \"ymd\"", "order = \"ymd\"\nmonths = [\"JAN\", \"FEB\"]"),
    ("wide-label", "\"DEC\"", "\"Jan\""),
    ("wide-label", "pm = [\"PM\"]", ""),
    ("wide-label", "pm = [\"PM\"]", "pm = [\"AM\"]"),
    ("two-column", "order = \"ymd\"", "order = \"ymd\"\nyears_from = 80"),
    ("two-column", "order = \"ymd\"", "order = \"ymd\"\ntimes = \"latest\""),
    ("two-column", "order = \"ymd\"", "order = \"ymd\"\ntime_alone = true"),
    // The line.
    ("two-column", "flow = \"xon-xoff\"", "flow = true"),
    ("two-column", "flow = \"xon-xoff\"", "flow = \"rts-cts\""),
    ("two-column", "flow = \"xon-xoff\"", "bits = 6"),
    ("two-column", "flow = \"xon-xoff\"", "lone_cr = \"bold\""),
    ("two-column", "flow = \"xon-xoff\"", "printer = \"esc\""),
    ("two-column", "flow = \"xon-xoff\"", "printer = \"ecma48\""),
    ("ticket", "printer = \"esc\"", "printer = \"ecma-48\""),
    ("ticket", "\"@\" = 0,", "\"@@\" = 0,"),
    ("ticket", "\"@\" = 0,", "\"@\" = \"none\","),
    ("ticket", "\"@\" = 0,", "\"@\" = 256,"),
    ("ticket", "GS = {", "RS = {"),
    ("ticket", "\"BEL\"]", "\"BELL\"]"),
    ("ticket", "\"BEL\"]", "\"LF\"]"),
    ("ticket", "\"BEL\"]", "\"ETX\"]"),
    // The report.
    ("two-column", "silence_ms = 3000", ""),
    ("two-column", "silence_ms = 3000", "silence_ms = 30"),
    ("two-column", "silence_ms = 3000", "silence_ms = 3_000_000"),
    (
        "two-column",
        "first_line = [\"KESTREL POINT CLINIC\"]",
        "first_line = \"KESTREL POINT CLINIC\"",
    ),
    ("two-column", "first_line = [\"KESTREL POINT CLINIC\"]", "first_line = [\" \"]"),
    ("ticket", "end_bytes = [\"ETX\"]", "first_line = [\"VERSÃO\"]\nend_bytes = [\"ETX\"]"),
    ("two-column", "end_bytes = [\"FF\"]", "end_bytes = [\"0C\"]"),
    ("two-column", "end_bytes = [\"FF\"]", "end_bytes = [\"CR\"]"),
    ("two-column", "end_bytes = [\"FF\"]", "end_bytes = [\"DC3\"]"),
    ("two-column", "end_bytes = [\"FF\"]", "must_end = true"),
    ("two-column", "blank_lines = 1", "blank_lines = 51"),
    // Test numbers.
    ("wide-label", "\"8\" = \"urgent\"", "\"8\" = \"stat\""),
    ("wide-label", "\"8\" = \"urgent\"", "\"80\" = \"urgent\""),
    ("wide-label", "\"R\" = \"routine\"", "\"R2\" = \"routine\""),
    // Header forms.
    ("two-column", "\"No. {number}\"", "\"No. {nummer}\""),
    ("two-column", "\"No. {number}\"", "\"No. {number\""),
    ("two-column", "\"No. {number}\"", "\"{number}{time}\""),
    ("two-column", "\"No. {number}\"", "\"{number} of {number}\""),
    ("two-column", "\"No. {number}\"", "\"{specimen}\""),
    ("two-column", "\"No. {number}\"", "\"{number} {specimen}\""),
    ("two-column", "\"No. {number}\"", "\"Operator {specimen}\""),
    ("two-column", "\"No. {number}\"", "\"{any} TEN\""),
    ("two-column", "\"No. {number}\"", "\"FOR {specimen?} {operator?}\""),
    ("two-column", "\"No. {number}\"", "\"A {any?} {strip?} {lot?} {level?} {number}\""),
    ("two-column", "[\"URGENT\"]", "[\"{any} / URGENT\"]"),
    (
        "two-column",
        "\"No. {number}\"",
        "\"Operator {operator} of {specimen}\", \"Operator night {specimen}\"",
    ),
    ("two-column", "[\"URGENT\"]", "[\"CONTROL\"]"),
    ("two-column", "[\"URGENT\"]", "\"URGENT\""),
    // Results.
    ("two-column", "split = \"blanks\"", "split = \"commas\""),
    ("two-column", "split = \"blanks\"", "split = \"::\""),
    ("two-column", "split = \"blanks\"", "split = \"leader\""),
    ("two-column", "split = \"blanks\"", ""),
    ("two-column", "split = \"blanks\"", "columns = [{ cell = \"label\", from = 1, to = 4 }]"),
    ("two-column", "[\"label\", \"result\"]", "[\"result\"]"),
    ("two-column", "[\"label\", \"result\"]", "[\"label\", \"results\"]"),
    ("ticket", "from = 1, to = 4", "from = 0, to = 4"),
    ("ticket", "from = 1, to = 4", "from = 1, to = 6"),
    ("ticket", "from = 1, to = 4", "from = 1"),
    ("ticket", "{ cell = \"label\", from", "{ cel = \"label\", from"),
    ("ticket", "entry_width = 26", "entry_width = 26\nentry_sign = \"|\""),
    ("ticket", "entry_width = 26", "entry_sign = \"ab\""),
    ("wide-label", "cells = [\"result\"]", "cells = [\"result\"], optional = true"),
    ("wide-label", "unread = [", "entry_sign = \"|\"\nunread = ["),
    ("wide-label", "\"AT LEAST\" = \">=\"", "\"AT LEAST\" = \"=>\""),
    ("two-column", "off = [\"OFF\"]", "off = [\"ERR\"]"),
    ("two-column", "off = [", "comparators = { \"or H\" = \">=\" }\noff = ["),
    ("two-column", "off = [", "comparators = { \"+\" = \">=\" }\noff = ["),
    ("two-column", "off = [", "comparators = { \"*>\" = \">=\" }\noff = ["),
    ("two-column", "\"No. {number}\"", "\"No. {number} {day}{month}{year}\""),
    ("two-column", "cells = [\"label\", \"result\"]\n", "\n"),
    ("two-column", "unit_implied = false", "unit_implied = \"no\""),
    ("ticket", "to = 24 }", "to = 2400 }"),
    ("wide-label", NEXT, "next = \"result\""),
    ("wide-label", NEXT, "next = [\"result\"]"),
    ("wide-label", NEXT, "next = [{ cells = [\"result\"] }]"),
    ("wide-label", NEXT, "next = [{ split = \"blanks\", cells = [\"result\"], maybe = true }]"),
    (
        "wide-label",
        "suffixes = { \"R\" = \"routine\", \"#\" = \"controls-not-passed\" }",
        "suffixes = \"R\"",
    ),
    ("wide-label", "\"R\" = \"routine\"", "\"\" = \"routine\""),
    ("wide-label", "\"R\" = \"routine\"", "\"R\" = 1"),
    ("two-column", "off = [", "between = [\".\"]\noff = ["),
    ("two-column", "off = [", "between = [\"//\"]\noff = ["),
    ("two-column", "off = [", "marks_glued = [\"!\"]\noff = ["),
    ("two-column", "off = [", "both_units = \"si\"\noff = ["),
    ("two-column", "off = [", "order = [\"GLU\", \"KET\"]\noff = ["),
    ("two-column", "[\"label\", \"result\"]", "[\"result\"]\norder = [\"GLU\", \"GLU\"]"),
    ("two-column", "off = [", "headed = \"PADS\"\nrows = { GRADE = \"grade\" }\noff = ["),
    (
        "two-column",
        "cells = [\"label\", \"result\"]",
        "headed = \"PADS\"\nrows = { UNIT = \"unit\" }",
    ),
    ("two-column", "cells = [\"label\", \"result\"]", "headed = \"P\"\nrows = { PA = \"grade\" }"),
    ("two-column", "off = [", "rows = { GRADE = \"grade\" }\noff = ["),
    // Records.
    ("two-column", "[results]", "[record]\n[results]"),
    ("two-column", "[results]", "[record]\nsplit = \"blanks\"\n[results]"),
    ("two-column", "[results]", "[record]\nsplit = \",\"\nfields = [\"{nummer}\"]\n[results]"),
    ("two-column", "[results]", "[record]\nwidths = [4, 0]\n[results]"),
    ("two-column", "[results]", "[record]\nwidths = []\n[results]"),
    ("two-column", "[results]", "[record]\nwidths = [4, 2000]\n[results]"),
    ("two-column", "[results]", "[record]\nwidths = \"4, 12\"\n[results]"),
    ("two-column", "[results]", "[record]\nwidths = [4]\nsplit = \",\"\n[results]"),
    // Lines of a fixed length.
    ("ticket", "lone_cr = \"overprint\"", "length = 0"),
    ("ticket", "lone_cr = \"overprint\"", "length = 5000"),
    ("ticket", "lone_cr = \"overprint\"", "length = \"40\""),
    ("ticket", "lone_cr = \"overprint\"", "lone_cr = \"overprint\"\nlength = 40"),
    ("two-column", "flow = \"xon-xoff\"", "flow = \"xon-xoff\"\nlength = 40"),
    ("three-field", "[line]\n", "[record]\nwidths = [4, 12]\n[line]\nlength = 40\n"),
    // Check characters.
    ("two-column", "[results]", "[check]\n[results]"),
    ("two-column", "[results]", "[check]\nkind = \"crc\"\n[results]"),
    (
        "two-column",
        "[results]",
        "[check]\nkind = \"add\"\nbehind = \"*\"\nown_line = \"CHK\"\n[results]",
    ),
    ("two-column", "[results]", "[check]\nkind = \"add\"\nbehind_counted = true\n[results]"),
    ("two-column", "[results]", "[check]\nkind = \"add\"\nwith = [\"CRLF\"]\n[results]"),
    // Pages and reports.
    ("two-column", "\"No. {number}\"", "\"No. {number}\", \"Page {page}\""),
    ("two-column", "blank_lines = 1", "page_bytes = [\"FF\"]"),
    ("two-column", "blank_lines = 1", "each = [\"No.\"]\neach_line = true"),
    ("two-column", "blank_lines = 1", "foot = [\"Operator\"]"),
    // Marks.
    ("two-column", "\"*\" = \"abnormal\"", "\"* *\" = \"abnormal\""),
    ("two-column", "\"*\" = \"abnormal\"", "\"*\" = \"bad\""),
    // Records of LIS02 have no layout, and prints ask nothing.
    ("two-column", "name = \"two-column\"", "name = \"two-column\"\nrecords = \"lis02\""),
    ("two-column", "[results]", "[query]\nanswer = true\n[results]"),
    // Several at once.
    ("two-column", "decimal = \"point\"\n\n[dates]", "decimal = \"dot\"\n\n[dates]\ncentury = 20"),
];

/// The further line of wide-label.
const NEXT: &str = "next = [{ split = \"blanks\", cells = [\"result\"] }]";

fn told(name: &str, from: &str, to: &str) -> String {
    let path = root().join(format!("config/dialects/{name}.toml"));
    let text = std::fs::read_to_string(path).expect("a shipped dialect");
    assert!(text.contains(from), "{name} has no {from}");
    let text = text.replacen(from, to, 1);
    let faults = dialect::parse(&text, "own.toml").err().unwrap_or_default();
    let mut told = format!("{name}: {from:?} -> {to:?}\n");
    for fault in &faults {
        let line = fault.text.trim_end();
        writeln!(told, "    {fault}\n        {line}").expect("a string");
    }
    assert!(!faults.is_empty(), "nothing is refused: {told}");
    told
}

#[test]
fn every_refusal_says_where_what_and_what_to_do() {
    let found: String = CHANGES.iter().map(|(name, from, to)| told(name, from, to)).collect();
    let path = root().join("fixtures/listen/refusals.txt");
    if std::env::var("WICKLINE_BLESS").is_ok_and(|bless| bless == "1") {
        std::fs::write(&path, &found).expect("writable");
    }
    let wanted = std::fs::read_to_string(&path).expect("the refusals stand there");
    assert!(wanted == found, "refusals have changed; WICKLINE_BLESS=1 writes them anew\n{found}");
}

#[test]
fn faults_are_told_in_the_order_of_the_file_and_all_at_once() {
    let text = "name = \"X\"\ncolour = 1\n[dates]\norder = \"dym\"\n[report]\nsilence_ms = 3\n\
                [header]\nlines = [\"{x}\", \"{any}\"]\n[results]\nsplit = \"blanks\"\n\
                cells = [\"label\"]\n[marks]\n\"*\" = \"bad\"\n";
    let faults = dialect::parse(text, "own.toml").err().expect("faults");
    let lines: Vec<usize> = faults.iter().map(|fault| fault.line).collect();
    assert_eq!(lines, [1, 2, 4, 6, 8, 8, 11, 13], "{faults:#?}");
    let forms: Vec<String> = (0..61).map(|n| format!("\"LINE {n} {{any}}\"")).collect();
    let many = format!("lines = [{}]\n[results]", forms.join(", "));
    let next = ["{ split = \"blanks\", cells = [\"unit\"] }"; 6].join(", ");
    let text = format!(
        "name = \"x\"\n[dates]\norder = \"dmy\"\n[report]\nsilence_ms = 3000\n[header]\n{many}\n\
         split = \"blanks\"\ncells = [\"label\", \"result\"]\nnext = [{next}]\n"
    );
    let faults = dialect::parse(&text, "own.toml").err().expect("too many");
    let told: Vec<String> = faults.iter().map(|f| format!("{}; {}", f.found, f.allowed)).collect();
    assert_eq!(
        told,
        [
            "61 forms; at most 60 of all kinds; one with {x?} right before another placeholder is two",
            "6 further lines; at most 5"
        ]
    );
    let long = dialect::parse(&"#".repeat(300_000), "own.toml").err().expect("too long");
    assert!(long[0].found.contains("300000 bytes"), "{}", long[0]);
}
