//! Every value that a proof is about shows in its fingerprint and in words; nothing else shows in either.

use super::facts::Facts;
use super::paper::{compare, csv};
use super::sheet::{DIALECTS, STRIPS};
use crate::settings;

const CONFIGURATION: &str = r#"
[site]
name = "Kestrel Point Clinic"
short = "KESTRELPOINT"
timezone = "Europe/Lisbon"
[reference]
GLU = "NEG"
PH = "5.0-8.0"
[[analyzer]]
id = "bench-1"
line = "tcp:127.0.0.1:1"
dialect = "two-column"
strip = "ten-pad"
units = "conventional"
control_marks = ["Q1=1"]
control_specimens = ["QC-L[0-9]"]
stat_marks = ["S"]
compare_marks = true
[[receiver]]
id = "lis"
address = "dir:out"
units = "si"
grades = "beside"
codes = "automated"
flags = "one"
status = "final"
names = "loinc-first"
name_of = ["GLU=UGLU^Glucose^99KPC"]
order = ["PRO", "*", "GLU"]
coded = "CE"
version = "2.5.1"
"#;

/// The facts of the configuration, one dialect and one strip.
fn facts(configuration: &str, dialect: (&str, &str), strip: (&str, &str)) -> Facts {
    let mut facts = Facts::default();
    facts.add_configuration(&settings::with_defaults(configuration));
    facts.add_file("dialect", dialect.0, dialect.1).expect("a dialect");
    facts.add_file("strip", strip.0, strip.1).expect("a strip");
    facts
}

fn usual() -> Facts {
    facts(CONFIGURATION, DIALECTS[0], STRIPS[0])
}

/// What is said of one change, after a journey through the CSV.
fn told(was: &Facts, is: &Facts) -> Vec<String> {
    let old = csv(&[], was, "f");
    let facts = compare(&old, &[], is).expect("a proof").facts.expect("it carries facts");
    assert_eq!(facts, is.changes(was), "the CSV loses nothing");
    assert_eq!(facts.is_empty(), was.fingerprint() == is.fingerprint(), "{facts:?}");
    facts
}

/// A text with one thing in one line changed: its last quoted word, or its last number or truth.
fn changed(line: &str) -> Option<String> {
    let code = line.trim_start();
    if code.starts_with(['#', '[']) || code.is_empty() {
        return None;
    }
    if let Some((before, _)) = line.rsplit_once('"') {
        return Some(format!("{before}~{}", line.get(before.len()..)?));
    }
    let (key, value) = line.split_once('=')?;
    let other = match value.trim() {
        "true" => "false".to_owned(),
        "false" => "true".to_owned(),
        number => format!("{}7", number.parse::<u64>().ok()?),
    };
    Some(format!("{key}= {other}"))
}

#[test]
fn each_line_changed_alone_shows_in_the_fingerprint_and_in_words() {
    let mut tried = 0;
    let mut each = |text: &str, of: &dyn Fn(&str) -> Facts| {
        let was = of(text);
        let lines: Vec<&str> = text.lines().collect();
        for (n, line) in lines.iter().enumerate() {
            let Some(other) = changed(line) else { continue };
            let mut now = lines.clone();
            now[n] = &other;
            let now = now.join("\n");
            // A line inside a list of several lines is no line of TOML by itself, but the whole is.
            assert!(now.parse::<toml::Table>().is_ok(), "{other}");
            let said = told(&was, &of(&now));
            assert!(!said.is_empty() && said.len() <= 6, "{line} -> {other}: {said:?}");
            tried += 1;
        }
    };
    each(CONFIGURATION, &|text| facts(text, DIALECTS[0], STRIPS[0]));
    for &(name, text) in DIALECTS {
        each(text, &|text| facts(CONFIGURATION, (name, text), STRIPS[0]));
    }
    for &(name, text) in STRIPS {
        each(text, &|text| facts(CONFIGURATION, DIALECTS[0], (name, text)));
    }
    assert!(tried > 300, "{tried}");
}

#[test]
fn comments_blanks_and_defaults_written_out_show_in_neither() {
    let with_comments =
        |text: &str| format!("# another word\n\n{}\n# the end\n", text.replace(" = ", "  =  "));
    let configuration =
        with_comments(CONFIGURATION).replace("[[receiver]]", "[[receiver]]\npaused = false");
    let (dialect, strip) = (with_comments(DIALECTS[0].1), with_comments(STRIPS[0].1));
    let now = facts(&configuration, (DIALECTS[0].0, &dialect), (STRIPS[0].0, &strip));
    assert!(!usual().is_empty());
    assert_eq!(told(&usual(), &now), Vec::<String>::new());
}

/// File (c, d, s), what stood, what stands, what is said.
const CHANGES: &[(char, &str, &str, &str)] = &[
    ('s', "\"PROT\"", "\"GLIC\"", "label of ten-pad PRO: was PROT, is GLIC"),
    ('s', "names = [\"GLUC\", ", "names = [", "label of ten-pad GLU: GLUC is gone"),
    (
        's',
        "names = [\"GLUC\", ",
        "names = [\"ZUCK\", \"GLUC\", ",
        "label of ten-pad GLU: ZUCK is new",
    ),
    (
        's',
        "\"GLUC\", \"Glucose\"",
        "\"Glucose\", \"GLUC\"",
        "label of ten-pad GLU: was in the order GLUC",
    ),
    ('s', "\"trace\"", "\"traco\"", "word of ten-pad TR: was trace, is traco"),
    ('s', "\"rojo\"", "\"roxo\"", "word of ten-pad COL RED: was rojo, is roxo"),
    ('s', "\"err.\"", "\"e\"", "word for not read of ten-pad: was err., is e"),
    ('s', "si = \"22\"", "si = \"21.9\"", "si of ten-pad GLU rung 4: was 22, is 21.9"),
    ('s', "\"policy\"", "\"A\"", "flag of ten-pad BLD rung 2: was policy, is A"),
    (
        's',
        "\"50555-2\"",
        "\"50557-8\"",
        "automated code of ten-pad GLU presence: was 50555-2, is 50557-8",
    ),
    ('s', "ucum = \"g/L\"", "ucum = \"mg/L\"", "unit of ten-pad PRO si: was g/L, is mg/L"),
    ('s', "optional = true", "optional = false", "optional of ten-pad CLA: was true, is false"),
    ('d', "\"*\" = ", "\"!\" = ", "mark of two-column *: abnormal is gone"),
    ('d', "= \"abnormal\"", "= \"high\"", "mark of two-column *: was abnormal, is high"),
    ('d', "\"No. {number}\"", "\"Nr. {number}\"", "form of two-column header: was No. "),
    (
        'd',
        "decimal = \"point\"",
        "decimal = \"comma\"",
        "decimal of two-column: was point, is comma",
    ),
    ('c', "GLU = \"NEG\"", "GLU = \"TR\"", "reference of GLU: was NEG, is TR"),
    ('c', "PH = \"5.0-8.0\"\n", "", "reference of PH: 5.0-8.0 is gone"),
    (
        'c',
        "units = \"si\"",
        "units = \"conventional\"",
        "units of receiver lis: was si, is conventional",
    ),
    ('c', "flags = \"one\"", "flags = \"both\"", "flags of receiver lis: was one, is both"),
    (
        'c',
        "\"PRO\", \"*\", \"GLU\"",
        "\"GLU\", \"*\", \"PRO\"",
        "order of receiver lis: was in the order PRO, *, GLU",
    ),
    (
        'c',
        "stat_marks = [\"S\"]",
        "stat_marks = [\"E\"]",
        "stat_marks of analyzer bench-1: was S, is E",
    ),
    ('c', "\"Q1=1\"", "\"Q1=2\"", "control_marks of analyzer bench-1: was Q1=1, is Q1=2"),
    (
        'c',
        "UGLU",
        "UGLC",
        "name_of of receiver lis: was GLU=UGLU^Glucose^99KPC, is GLU=UGLC^Glucose^99KPC",
    ),
    (
        'c',
        "id = \"lis\"",
        "id = \"his\"",
        "every receiver of the proof: was receiver lis, is receiver his",
    ),
];

#[test]
fn single_changes_are_told_by_their_names() {
    for (file, was, is, said) in CHANGES {
        let [mut c, mut d, mut s] = [CONFIGURATION, DIALECTS[0].1, STRIPS[0].1].map(str::to_owned);
        let text = match file {
            'c' => &mut c,
            'd' => &mut d,
            _ => &mut s,
        };
        assert!(text.contains(was), "{was}");
        *text = text.replacen(was, is, 1);
        let found = told(&usual(), &facts(&c, ("two-column", &d), ("ten-pad", &s)));
        assert!(found.iter().any(|line| line.starts_with(said)), "{was} -> {is}: {found:?}");
    }
}
