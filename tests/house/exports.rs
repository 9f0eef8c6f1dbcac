//! Exports as receivers write them, each odd or wrong in one way, and what `queue compare` must say of it. What is
//! expected was written by hand; the exports are made of the bytes that arrived, by splitting them.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde_json::Value;
use wickline::simulate::analyzer::Style;

use crate::compare::faults;
use crate::kit::{Daemon, Folder, ask, configuration, run, until};
use crate::way::{analyzer, pty, runtime, script};

/// Columns of a table, by their places.
const HEAD: [&str; 7] = ["order", "specimen", "code", "value", "unit", "flag", "status"];
const ORDER: usize = 0;
const SPECIMEN: usize = 1;
const CODE: usize = 2;
const VALUE: usize = 3;
const UNIT: usize = 4;
const FLAG: usize = 5;
const STATUS: usize = 6;

type Line = Vec<String>;

/// One export and what must be said of it: how often each fault.
struct Case {
    name: String,
    file: String,
    more: String,
    exit: i32,
    wants: Vec<(String, usize)>,
}

fn case(name: &str, file: String, more: &str, wants: &[(&str, usize)]) -> Case {
    let exit = i32::from(!wants.is_empty());
    let wants = wants.iter().map(|(fault, n)| ((*fault).to_owned(), *n)).collect();
    Case { name: name.to_owned(), file, more: more.to_owned(), exit, wants }
}

/// Five strips: the first's specimen has zeros in front, the third and the fourth are of one specimen, the last was
/// withdrawn.
struct House {
    folder: Folder,
    config: PathBuf,
    daemon: Daemon,
    day: String,
    /// As they came, the withdrawal last.
    messages: Vec<String>,
}

async fn house() -> House {
    let folder = Folder::new("exports");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    let (port, line) = pty();
    let text = configuration(&line, "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    let daemon = Daemon::start(&config);
    let mut plan = script(5, 11);
    for (run, specimen) in plan.run.iter_mut().zip(["00012345", "KP-2", "KP-3", "KP-3", "KP-5"]) {
        run.specimen = specimen.into();
    }
    let mut bench = analyzer(port, Style::Lis02);
    bench.run(&plan, |_, _| ()).await.expect("the line holds");
    until(|| ask(&config, &["queue"])["totals"]["accepted"] == 5);
    let day = ask(&config, &["day"]);
    let id = day["items"][4]["id"].as_str().expect("an id").to_owned();
    let words = ["report", "withdraw", &id, "--reason", "wrong patient", "--as", "J. Mast"];
    let withdrawn = run(&config, &words);
    assert!(withdrawn.status.success(), "{}", String::from_utf8_lossy(&withdrawn.stderr));
    until(|| ask(&config, &["queue"])["totals"]["accepted"] == 6);
    let out = std::fs::read_dir(folder.0.join("out")).expect("a folder").flatten();
    let mut names: Vec<PathBuf> = out.map(|entry| entry.path()).collect();
    names.sort();
    let read = |name: &PathBuf| std::fs::read_to_string(name).expect("a message");
    let messages = names.iter().map(read).collect();
    let day = day["date"].as_str().expect("a date").to_owned();
    House { folder, config, daemon, day, messages }
}

/// Writes a field of every segment of a name.
fn put(message: &str, segment: &str, field: usize, text: &str) -> String {
    put_nth(message, segment, None, field, text)
}

fn put_nth(message: &str, segment: &str, nth: Option<usize>, field: usize, text: &str) -> String {
    let mut seen = 0;
    let line = |line: &str| {
        let mut cells: Vec<&str> = line.split('|').collect();
        seen += usize::from(cells[0] == segment);
        if cells[0] == segment && nth.is_none_or(|nth| nth == seen) {
            cells[field] = text;
        }
        cells.join("|")
    };
    message.split('\r').map(line).collect::<Vec<_>>().join("\r")
}

fn field(message: &str, segment: &str, nth: usize, field: usize) -> String {
    let mut own = message.split('\r').filter(|l| l.split('|').next() == Some(segment));
    let line = own.nth(nth - 1).expect("a segment");
    line.split('|').nth(field).unwrap_or("").to_owned()
}

/// The place of the first OBX that has these cells.
fn obx(message: &str, cells: &[(usize, &str)]) -> usize {
    let own = message.split('\r').filter(|l| l.starts_with("OBX|"));
    let fits = |line: &str| {
        let own: Vec<&str> = line.split('|').collect();
        cells.iter().all(|(at, text)| own[*at].split('^').any(|part| part == *text))
    };
    own.enumerate().find(|(_, line)| fits(line)).expect("one of them").0 + 1
}

impl House {
    /// What a laboratory system keeps of it, one line a result.
    fn lines(&self) -> Vec<Line> {
        let mut lines = Vec::new();
        for (n, text) in self.messages.iter().take(5).enumerate() {
            let first = |text: &str| text.split(['^', '&']).next().unwrap_or("").to_owned();
            let (order, specimen) = (field(text, "OBR", 1, 3), field(text, "SPM", 1, 2));
            for line in text.split('\r').filter(|l| l.starts_with("OBX|")) {
                let cells: Vec<&str> = line.split('|').collect();
                let value = match cells[2] {
                    "SN" => cells[5].replace('^', ""),
                    "CE" => cells[5].split('^').nth(1).expect("a text").to_owned(),
                    _ => cells[5].to_owned(),
                };
                let status = if n == 4 { "W" } else { cells[11] };
                let more =
                    [first(cells[3]), value, first(cells[6]), cells[8].into(), status.into()];
                let mut line = vec![first(&order), first(&specimen)];
                line.extend(more);
                lines.push(line);
            }
        }
        lines
    }

    fn of(&self, n: usize) -> usize {
        self.messages[n].split('\r').filter(|l| l.starts_with("OBX|")).count()
    }

    /// The messages, some changed.
    fn log(&self, change: impl Fn(usize, &str) -> String) -> String {
        self.messages.iter().enumerate().map(|(n, text)| change(n, text) + "\n").collect()
    }

    /// The first message changed alone.
    fn first(&self, change: impl Fn(&str) -> String) -> String {
        self.log(|n, text| if n == 0 { change(text) } else { text.to_owned() })
    }
}

fn csv(separator: &str, columns: &[usize], lines: &[Line]) -> String {
    let quoted = |text: &str| format!("\"{}\"", text.replace('"', "\"\""));
    let head: Vec<&str> = columns.iter().map(|at| HEAD[*at]).collect();
    let mut text = head.join(separator) + "\n";
    for line in lines {
        let cells: Vec<String> = columns.iter().map(|at| quoted(&line[*at])).collect();
        text += &(cells.join(separator) + "\n");
    }
    text
}

const ALL: [usize; 7] = [ORDER, SPECIMEN, CODE, VALUE, UNIT, FLAG, STATUS];
const NO_ORDER: [usize; 6] = [SPECIMEN, CODE, VALUE, UNIT, FLAG, STATUS];

/// Lines with one changed: the first that has this text in this column.
fn changed(lines: &[Line], of: (usize, &str), change: impl Fn(&mut Line)) -> Vec<Line> {
    let mut lines = lines.to_vec();
    let line = lines.iter_mut().find(|line| line[of.0] == of.1).unwrap_or_else(|| panic!("{of:?}"));
    change(line);
    lines
}

/// What agreed and must not.
fn tables_that_are_wrong(house: &House) -> Vec<Case> {
    let lines = house.lines();
    let all = |lines: &[Line]| csv(",", &ALL, lines);
    let mut cases = Vec::new();
    let mut spoilt = |name: &str, column, text: &str, wants: &str| {
        let file = all(&changed(&lines, (UNIT, "mg/dL"), |line| line[column] = text.into()));
        cases.push(case(name, file, "", &[(wants, 1)]));
    };
    spoilt("1 another specimen", SPECIMEN, "KP-2", "differs specimen");
    spoilt("1 no specimen", SPECIMEN, "", "differs specimen");
    for status in ["W", "D", "P", "R", "I", "", "Withdrawn", "deleted", "cancelled", "garbage", "C"]
    {
        spoilt(&format!("2 status {status}"), STATUS, status, "differs status");
    }
    let mut twice = lines.clone();
    twice.push(lines[0].clone());
    cases.push(case("3 a line twice", all(&twice), "", &[("twice", 1)]));
    let valid = lines.iter().filter(|line| line[STATUS] != "W").count();
    cases.push(case("3 a file twice", all(&lines).repeat(2), "", &[("twice", valid)]));
    let one_run: Vec<Line> = {
        let second = &lines.iter().rev().find(|l| l[SPECIMEN] == "KP-3").expect("a run")[ORDER];
        lines.iter().filter(|l| l[ORDER] != *second).cloned().collect()
    };
    let file = csv(",", &NO_ORDER, &one_run);
    cases.push(case("6 one run of two", file, "", &[("not-filed", house.of(3))]));
    let zeros = lines.iter().map(|line| {
        let mut line = line.clone();
        line[SPECIMEN] = line[SPECIMEN].trim_start_matches('0').into();
        line
    });
    let file = csv(",", &NO_ORDER, &zeros.collect::<Vec<_>>());
    cases.push(case("8 zeros are gone", file, "", &[("mangled", house.of(0))]));
    let power = |line: &mut Line| line[SPECIMEN] = "1.2E+11".into();
    let file = csv(",", &NO_ORDER, &changed(&lines, (SPECIMEN, "KP-2"), power));
    cases.push(case("8 a power of ten", file, "", &[("mangled", 1), ("not-filed", 1)]));
    cases
}

fn messages_that_are_wrong(house: &House) -> Vec<Case> {
    let (first, n) = (&house.messages[0], house.of(0));
    let specimens = [0, 1].map(|at| field(&house.messages[at], "SPM", 1, 2));
    let exchanged = house.log(|at, text| match at {
        0 | 1 => put(text, "SPM", 2, &specimens[1 - at]),
        _ => text.to_owned(),
    });
    let both = n + house.of(1);
    let as_is = house.log(|_, text| text.to_owned());
    let again = |change: &dyn Fn(&str) -> String| format!("{}\n{as_is}", change(first));
    let number = obx(first, &[(6, "mg/dL")]);
    let line = first.split('\r').filter(|l| l.starts_with("OBX|")).nth(number - 1).expect("a line");
    let wrong = put_nth(line, "OBX", None, 5, "7777");
    let beside = |other: &str| house.first(|text| text.replace(line, &format!("{other}\r{line}")));
    let newer = |text: &str| {
        let text = put(&put(text, "MSH", 6, "20991231235959"), "MSH", 9, "OTHER-1");
        put_nth(&put_nth(&text, "OBX", Some(number), 5, "7777"), "OBX", Some(number), 11, "C")
    };
    let mut cases = vec![
        case("1 specimens exchanged", exchanged, "", &[("differs specimen", both)]),
        case("1 a copy", again(&|t| put(t, "SPM", 2, "KP-99")), "", &[("differs specimen", n)]),
        case("3 an OBX twice", beside(line), "", &[("twice", 1)]),
        case("3 a message twice", again(&str::to_owned), "", &[("twice", n)]),
        case("3 two values", beside(&wrong), "", &[("twice value", 1)]),
        case("4 a newer one", again(&newer), "", &[("twice", n - 1), ("twice value+status", 1)]),
        case("7 a foreign order", house.first(foreign), "", &[("differs order", n)]),
    ];
    let (grade, flagged) = (obx(first, &[(5, "NEG")]), obx(first, &[(8, "A")]));
    for (at, name, cell, text, wants) in [
        (grade, "5 a grade's code", 5, "2+^Negative^99WKL", "differs value"),
        (grade, "5 a grade's text", 5, "NEG^Positive", "differs value"),
        (grade, "5 another SNOMED id", 5, "NEG^Negative^99WKL^10828004^x^SCT", "differs value"),
        (number, "5 a second unit", 6, "mg/dL^mmol/L", "differs unit"),
        (flagged, "5 a second flag", 8, "A~H", "differs flag"),
        (number, "2 no status", 11, "", "differs status"),
        (number, "2 withdrawn", 11, "W", "differs status"),
    ] {
        let told = field(first, "OBX", at, cell);
        assert_ne!(told, text);
        let file = house.first(|message| put_nth(message, "OBX", Some(at), cell, text));
        cases.push(case(name, file, "", &[(wants, 1)]));
    }
    let value = field(first, "OBX", number, 5);
    let file = house.first(|m| put_nth(m, "OBX", Some(number), 5, &format!("{value}~7777")));
    cases.push(case("5 a second value", file, "", &[("differs value", 1)]));
    let published = field(first, "OBX", number, 3).split('^').next().expect("a code").to_owned();
    let own = field(first, "OBX", number, 3).split('^').nth(3).expect("a code").to_owned();
    for codes in [format!("{published}^^LN^KET-MASS"), format!("2345-7^^LN^{own}")] {
        let file = house.first(|m| put_nth(m, "OBX", Some(number), 3, &codes));
        cases.push(case(&format!("5 {codes}"), file, "", &[("differs code", 1)]));
    }
    cases
}

/// Under a number of theirs.
fn foreign(text: &str) -> String {
    let number = format!("LIS{}", &field(text, "MSH", 1, 9)[..12]);
    put(&put(text, "OBR", 3, &number), "ORC", 3, &number)
}

/// What differed and must not.
fn messages_that_are_right(house: &House) -> Vec<Case> {
    let none = |text: &str| put(&put(text, "OBR", 3, "LIS1"), "ORC", 3, "LIS1");
    let reversed: Vec<&str> = house.messages.iter().rev().map(String::as_str).collect();
    let in_placer = |_: usize, text: &str| put(&none(text), "OBR", 2, &field(text, "OBR", 1, 3));
    let in_orc = |_: usize, text: &str| put(text, "OBR", 3, "LIS1");
    let grade = obx(&house.messages[0], &[(5, "NEG")]);
    let coded =
        |value: &'static str| house.first(|text| put_nth(text, "OBX", Some(grade), 5, value));
    vec![
        case("5 their own code", coded("10^negative^LAB"), "", &[]),
        case("5 its SNOMED id", coded("NEG^Negative^99WKL^260385009^Negative^SCT"), "", &[]),
        case("0 as it was", house.log(|_, text| text.to_owned()), "", &[]),
        case("4 reversed", reversed.join("\n"), "", &[]),
        case("12 their numbers", house.log(|_, text| foreign(text)), "", &[]),
        case("12 in ORC-3", house.log(in_orc), "", &[]),
        case("12 in OBR-2", house.log(in_placer), "", &[]),
    ]
}

fn tables_that_are_right(house: &House) -> Vec<Case> {
    let lines = house.lines();
    let mut cases = Vec::new();
    let mut like = |name: &str, column: usize, change: &dyn Fn(&Line) -> String, more: &str| {
        let mut lines = lines.clone();
        lines.iter_mut().for_each(|line| line[column] = change(line));
        assert_ne!(lines, house.lines(), "{name} changes nothing");
        cases.push(case(name, csv(";", &ALL, &lines), more, &[]));
    };
    like("12 a namespace", ORDER, &|l| format!("{}^WICKLINE", l[ORDER]), "");
    like("13 upper case", VALUE, &|l| l[VALUE].to_uppercase(), "");
    like("13 lower case", VALUE, &|l| l[VALUE].to_lowercase(), "");
    let words = [("Negative", "neg"), ("Trace", "±"), ("1+", "+1"), ("3+", "+++")];
    for (ours, theirs) in words {
        let word = |l: &Line| if l[VALUE] == ours { theirs.into() } else { l[VALUE].clone() };
        like(&format!("13 {ours}"), VALUE, &word, "");
    }
    like("14 a comma", VALUE, &|l| l[VALUE].replace('.', ","), "");
    let unit = |from: &'static str, to: &'static str| {
        move |l: &Line| if l[UNIT] == from { to.to_owned() } else { l[UNIT].clone() }
    };
    like(
        "13 their word",
        VALUE,
        &|l| l[VALUE].replace("Negative", "none"),
        "--same value:none=NEG",
    );
    for (ours, theirs) in [
        ("{Leu}/uL", "/µL"),
        ("{Leu}/uL", "Leu/uL"),
        ("{Ery}/uL", "Ery/µL"),
        ("[pH]", "pH"),
        ("[pH]", ""),
    ] {
        like(&format!("15 {ours} {theirs}"), UNIT, &unit(ours, theirs), "");
    }
    let ratio = |l: &Line| if l[CODE] == "53326-5" { "1".into() } else { l[UNIT].clone() };
    like("15 a plain ratio", UNIT, &ratio, "");
    for word in ["cancelled", "Withdrawn", "D", "entered-in-error"] {
        let back = |l: &Line| if l[STATUS] == "W" { word.into() } else { l[STATUS].clone() };
        like(&format!("16 {word}"), STATUS, &back, "");
    }
    like("16 final", STATUS, &|l| l[STATUS].replace('F', "Final"), "");
    like("17 a star", FLAG, &|l| l[FLAG].replace('A', "*"), "--same flag:*=A");
    let normal = |l: &Line| if l[FLAG].is_empty() { "N".into() } else { l[FLAG].clone() };
    like("17 normal", FLAG, &normal, "--same flag:N=");
    like("17 codes", CODE, &|l| l[CODE].replace("53326-5", "SPGR"), "--same code:SPGR=53326-5");
    let mut named = |name: &str, column: usize, change: &dyn Fn(&str) -> String| {
        let mut lines = lines.clone();
        lines.iter_mut().for_each(|line| line[column] = change(&line[column]));
        assert_ne!(lines, house.lines(), "{name} changes nothing");
        cases.push(case(name, csv(",", &NO_ORDER, &lines), "", &[]));
    };
    named("18 lower case", SPECIMEN, &str::to_lowercase);
    named("18 an apostrophe", SPECIMEN, &|text| format!("'{text}"));
    named("18 a formula", SPECIMEN, &|text| format!("=\"{text}\""));
    named("18 a code with its text", CODE, &|text| format!("{text}^Text^LN"));
    let runs = csv(",", &NO_ORDER, &lines);
    cases.push(case("11 two runs", runs, "", &[]));
    let back: Vec<Line> = lines.iter().rev().cloned().collect();
    cases.push(case("11 two runs, reversed", csv(",", &NO_ORDER, &back), "", &[]));
    let gone: Vec<Line> = lines.iter().filter(|l| l[STATUS] != "W").cloned().collect();
    cases.push(case("16 not there any more", csv(",", &ALL, &gone), "", &[]));
    cases.push(case("21 sep=", format!("sep=|\n{}", csv("|", &ALL, &lines)), "", &[]));
    cases.push(case("21 a title", format!("Of today\n\n{}", csv(",", &ALL, &lines)), "", &[]));
    cases
}

#[test]
fn every_export_gets_the_answer_that_it_deserves() {
    runtime().block_on(async {
        let house = house().await;
        let mut wrong = Vec::new();
        let cases = [
            messages_that_are_right(&house),
            tables_that_are_right(&house),
            tables_that_are_wrong(&house),
            messages_that_are_wrong(&house),
        ];
        for case in cases.into_iter().flatten() {
            let file = house.folder.write("export", &case.file);
            let shown = file.display().to_string();
            let mut words = vec!["--json", "queue", "compare", &shown];
            words.extend(case.more.split_whitespace());
            // Without a day what is missing of an order is told all the same, of those that are named.
            let output = run(&house.config, &words);
            let said: Value = serde_json::from_slice(&output.stdout).unwrap_or_default();
            let mut found: BTreeMap<String, usize> = BTreeMap::new();
            let faults = if said["items"].is_array() { faults(&said) } else { Vec::new() };
            for fault in faults {
                *found.entry(fault).or_default() += 1;
            }
            let wants: BTreeMap<String, usize> = case.wants.into_iter().collect();
            if (output.status.code(), &found) != (Some(case.exit), &wants) {
                let error = String::from_utf8_lossy(&output.stderr);
                wrong.push(format!("{}: {:?} {found:?} {error}", case.name, output.status.code()));
            }
        }
        assert!(wrong.is_empty(), "{} cases:\n{}", wrong.len(), wrong.join("\n"));
        assert_eq!(house.daemon.stop(), 0);
    });
}

#[test]
fn what_is_asked_wrongly_or_cannot_be_read_is_said() {
    runtime().block_on(async {
        let house = house().await;
        let lines = house.lines();
        let log = house.log(|_, text| text.to_owned());
        let table = csv(",", &ALL, &lines);
        let utf16: Vec<u8> = table.encode_utf16().flat_map(u16::to_le_bytes).collect();
        let files: [(&str, &[u8]); 4] = [
            ("table", table.as_bytes()),
            ("log", log.as_bytes()),
            ("utf16", &utf16),
            ("batch", b"FHS|^~\\&|LIS\rBHS|^~\\&|LIS\rBTS|0\rFTS|1\r"),
        ];
        for (name, bytes) in files {
            std::fs::write(house.folder.0.join(name), bytes).expect("written");
        }
        for (words, wants) in [
            ("compare table --day 2020-02-02", "nothing was told to lis of 2020-02-02"),
            ("compare table --day yesterday", "is not a date"),
            ("compare log --column order=foo", "is for a table"),
            ("compare table --column order=order --column order=specimen", "say order once"),
            ("--receiver nope compare table", "no receiver `nope` is configured; known: lis"),
            ("compare table --receiver nope", "no receiver `nope` is configured; known: lis"),
            ("--state refused compare table", "takes no --state"),
            ("--analyzer bench-1 compare table", "takes no --analyzer"),
            ("compare utf16", "UTF-16"),
            ("compare batch", "no message"),
            ("compare table --same flag:N=A", "say different things"),
        ] {
            let words: Vec<String> = words
                .split(' ')
                .map(|word| match files.iter().any(|(name, _)| *name == word) {
                    true => house.folder.0.join(word).display().to_string(),
                    false => word.to_owned(),
                })
                .collect();
            let all = std::iter::once("queue").chain(words.iter().map(String::as_str));
            let output = run(&house.config, &all.collect::<Vec<_>>());
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert!(output.status.code() == Some(2) && said.contains(wants), "{words:?}: {said}");
        }
        let both = house.folder.write("both", &csv(",", &ALL, &two_values(&lines)));
        let said = run(&house.config, &["queue", "compare", &both.display().to_string()]);
        let said = String::from_utf8_lossy(&said.stdout).into_owned();
        let twice = said.lines().find(|l| l.contains("filed twice")).expect("it is told");
        let last = lines.len() + 2;
        assert!(twice.contains(&format!("row 2; row {last}")), "{twice}");
        assert!(twice.contains("row 2: wrong") && twice.contains(&lines[0][VALUE]), "{twice}");
        let bare = |text: &str| {
            let kept = text.split('\r').filter(|line| !line.starts_with("SPM|"));
            kept.collect::<Vec<_>>().join("\r")
        };
        for (text, lacks) in [
            (house.log(|_, text| bare(text)), "specimen"),
            (
                csv(",", &[ORDER, CODE, VALUE], &lines[..lines.len() - house.of(4)]),
                "specimen, unit, flag, status",
            ),
        ] {
            let file = house.folder.write("lacks", &text);
            let said = run(&house.config, &["queue", "compare", &file.display().to_string()]);
            let text = String::from_utf8_lossy(&said.stdout).into_owned();
            let told = text.contains(&format!("the file does not have it: {lacks}\n"));
            assert!(said.status.code() == Some(0) && told, "{text}");
        }
        let mut long = lines.clone();
        long[0][VALUE] = "9".repeat(5 << 20);
        let long = house.folder.write("long", &csv(",", &ALL, &long));
        let said = run(&house.config, &["queue", "compare", &long.display().to_string()]).stdout;
        assert!(said.len() < 4000, "{} bytes", said.len());
        let day = format!("--day={}", house.day);
        let words = ["queue", "compare", "--receiver", "lis", &day];
        let table = house.folder.0.join("table").display().to_string();
        let good = run(&house.config, &[&words[..], &[&table]].concat());
        assert_eq!(good.status.code(), Some(0), "{}", String::from_utf8_lossy(&good.stdout));
        assert_eq!(house.daemon.stop(), 0);
    });
}

/// The first line with another value, and once more as it was at the end.
fn two_values(lines: &[Line]) -> Vec<Line> {
    let mut both = lines.to_vec();
    both[0][VALUE] = "wrong".into();
    both.push(lines[0].clone());
    both
}
