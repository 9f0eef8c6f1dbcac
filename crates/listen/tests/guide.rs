//! The guide to dialects, followed to the letter: its blocks are taken from the page, step by step,
//! and each must give what the page says.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use wickline_listen::dialect;
use wickline_listen::ear::Ear;
use wickline_normalize::{Report, Text};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

/// A fenced block: what it is, of which file, and its text.
struct Block {
    kind: String,
    of: String,
    text: String,
}

fn blocks(page: &str) -> Vec<Block> {
    let mut blocks = Vec::new();
    let mut lines = page.lines();
    while let Some(line) = lines.next() {
        let Some(info) = line.strip_prefix("```") else { continue };
        let mut words = info.split(' ').map(str::to_owned);
        let (kind, of) = (words.next().expect("a kind"), words.next().unwrap_or_default());
        let text: Vec<&str> = lines.by_ref().take_while(|line| *line != "```").collect();
        blocks.push(Block { kind, of, text: text.join("\n") + "\n" });
    }
    blocks
}

/// The tables of a file by their names; the keys above the first stand under the empty one.
fn tables(text: &str) -> BTreeMap<String, String> {
    let mut tables: BTreeMap<String, String> = BTreeMap::new();
    let mut name = String::new();
    for line in text.lines() {
        if let Some(table) = line.strip_prefix('[') {
            name = table.trim_end_matches(']').to_owned();
        }
        let table = tables.entry(name.clone()).or_default();
        table.push_str(line);
        table.push('\n');
    }
    tables
}

/// Puts the tables of a block in place of those of the same name.
fn put(file: &mut BTreeMap<String, String>, block: &str) {
    file.extend(tables(block).into_iter().filter(|(_, text)| !text.trim().is_empty()));
}

fn text(file: &BTreeMap<String, String>) -> String {
    let texts: Vec<&str> = file.values().map(|table| table.trim_end()).collect();
    texts.join("\n\n") + "\n"
}

fn read(file: &str, capture: &str) -> Vec<Report> {
    let path = root().join("fixtures/listen/guide").join(capture);
    heard(file, &std::fs::read(path).expect("a capture"))
}

fn heard(file: &str, bytes: &[u8]) -> Vec<Report> {
    let dialect = dialect::parse(file, "harbour.toml").unwrap_or_else(|faults| {
        let told: Vec<String> = faults.iter().map(ToString::to_string).collect();
        panic!("{}\n{file}", told.join("\n"))
    });
    let mut ear = Ear::new(dialect.as_ref());
    ear.handle_input(0, bytes, 0, &[]);
    while let Some(deadline) = ear.poll_timeout() {
        ear.handle_timeout(deadline);
    }
    std::iter::from_fn(|| ear.poll_transmission()).flat_map(|t| dialect.read(&t)).collect()
}

/// What holds the reports, as the guide quotes it.
fn held(reports: &[Report]) -> String {
    let doubts = reports.iter().flat_map(|report| &report.doubts);
    let told: Vec<String> = doubts
        .map(|doubt| {
            let line = doubt.line.map_or(String::new(), |line| format!("line {}: ", line + 1));
            format!("{line}{}\n", doubt.detail)
        })
        .collect();
    if told.is_empty() { "nothing\n".to_owned() } else { told.concat() }
}

#[test]
fn every_step_gives_what_the_page_says() {
    let page = std::fs::read_to_string(root().join("config/dialects/README.md")).expect("the page");
    let mut file = BTreeMap::new();
    let mut steps = 0;
    for block in blocks(&page) {
        match block.kind.as_str() {
            "capture" => {
                let path = root().join("fixtures/listen/guide").join(&block.of);
                let bytes = std::fs::read(path).expect("a capture");
                let shown: String = bytes.iter().copied().map(char::from).collect();
                assert_eq!(block.text, shown.replace("\r\n", "\n"), "{}", block.of);
            }
            "toml" if block.of == "harbour.toml" => put(&mut file, &block.text),
            "held" => {
                let found = held(&read(&text(&file), &block.of));
                assert_eq!(found, block.text, "{}\n{}", block.of, text(&file));
                steps += 1;
            }
            _ => {}
        }
    }
    assert!(steps >= 6, "{steps} steps");
    let path = root().join("fixtures/listen/guide/harbour.toml");
    if std::env::var("WICKLINE_BLESS").is_ok_and(|bless| bless == "1") {
        std::fs::write(&path, text(&file)).expect("writable");
    }
    let wanted = std::fs::read_to_string(&path).expect("the finished dialect stands there");
    assert_eq!(text(&file), wanted);
    let reports = [read(&wanted, "harbour.cap"), read(&wanted, "harbour-more.cap")].concat();
    let readings: Vec<usize> = reports.iter().map(|report| report.readings.len()).collect();
    assert_eq!(readings, [10, 9, 3], "a pad is off, and the control has three");
    let marks = reports[0].readings.iter().filter(|reading| reading.mark.is_some()).count();
    assert_eq!(marks, 2);
    assert_eq!(reports[0].taken.map(|taken| taken.digits()).as_deref(), Some("202603140914"));
    assert_eq!(reports[0].readings[9].unit.as_deref(), Some("/µL"));
    assert!(reports[2].signs.control_order && !reports[1].signs.control_order);
    assert_eq!(reports[2].control_lot.as_deref(), Some("L4471"));
}

/// What is read of lines, as the page writes it.
fn shown(reports: &[Report]) -> String {
    let mut told = Vec::new();
    for report in reports {
        told.extend(report.number.iter().map(|number| format!("number {number}")));
        told.extend(report.specimen.iter().map(|id| format!("specimen {}", id.expose())));
        told.extend(report.signs.control_order.then(|| "control".to_owned()));
        told.extend(report.control_lot.iter().map(|lot| format!("lot {lot}")));
        told.extend(report.taken.iter().map(|taken| format!("taken {}", taken.digits())));
        for reading in &report.readings {
            let mut parts = vec![reading.label.to_string()];
            parts.extend(reading.parts.iter().chain(&reading.unit).map(Text::to_string));
            let again = reading.second.iter();
            parts.extend(again.map(|second| format!("= {} {}", second.value, second.unit)));
            let meaning = |mark: &wickline_normalize::Mark| format!("{:?}", mark.meaning);
            parts.extend(reading.mark.as_ref().map(|mark| meaning(mark).to_lowercase()));
            told.push(parts.join(" | "));
        }
        let held = held(std::slice::from_ref(report));
        told.extend(
            held.lines().filter(|line| *line != "nothing").map(|line| format!("held {line}")),
        );
    }
    told.join("\n") + "\n"
}

#[test]
fn every_print_of_the_page_is_read_as_it_says() {
    let page = std::fs::read_to_string(root().join("config/dialects/README.md")).expect("the page");
    let shipped = root().join("config/dialects/two-column.toml");
    let base = std::fs::read_to_string(shipped).expect("a shipped dialect");
    let (mut part, mut print, mut prints) = (String::new(), String::new(), 0);
    for block in blocks(&page) {
        match block.kind.as_str() {
            "toml" if block.of == "part" => part = block.text,
            "print" if block.of == "joined" => print = block.text.replace('\n', ""),
            "print" => print = block.text.replace('\n', "\r\n"),
            "read" => {
                let mut file = tables(&base);
                put(&mut file, &part);
                // Only lines of the middle are shown.
                if !part.contains("[report]") {
                    put(&mut file, "[report]\nsilence_ms = 3000\n");
                }
                assert_eq!(shown(&heard(&text(&file), print.as_bytes())), block.text, "{part}");
                prints += 1;
            }
            _ => {}
        }
    }
    assert!(prints >= 12, "{prints} prints");
}

#[test]
fn every_fragment_of_the_page_can_be_loaded_and_every_key_is_in_it() {
    let page = std::fs::read_to_string(root().join("config/dialects/README.md")).expect("the page");
    let shipped = root().join("config/dialects/two-column.toml");
    let base = std::fs::read_to_string(shipped).expect("a shipped dialect");
    let mut fragments = 0;
    for block in blocks(&page).iter().filter(|block| block.kind == "toml") {
        if block.of == "part" {
            let mut file = tables(&base);
            put(&mut file, &block.text);
            let taken = dialect::parse(&text(&file), "part.toml");
            assert!(taken.is_ok(), "{:?}\n{}", taken.err(), block.text);
            fragments += 1;
        } else {
            block.text.parse::<toml::Table>().expect("TOML");
        }
    }
    assert!(fragments >= 4, "{fragments} fragments");
    // A key that does not exist is answered with the list of those that do.
    let known = |table: &str| {
        let mut file = tables(&base);
        let entry = file.entry(table.to_owned()).or_insert_with(|| format!("[{table}]\n"));
        entry.push_str("no_such_key = 1\n");
        let faults = dialect::parse(&text(&file), "own.toml").err().expect("refused");
        let fault = faults.iter().find(|fault| fault.text.contains("no_such_key")).expect("told");
        let list = fault.allowed.split("Known here: ").nth(1).expect("a list").to_owned();
        list.split(", ").map(str::to_owned).collect::<Vec<String>>()
    };
    for table in ["dates", "line", "report", "number", "record", "check", "header", "results"] {
        for key in known(table) {
            let named = page.contains(&format!("`{table}.{key}`")) || key == "cells";
            assert!(named, "the page says nothing of {table}.{key}");
        }
    }
    let named = |key: &String| page.contains(&format!("`{key}"));
    assert!(known("").iter().all(named), "{:?}", known(""));
}

#[test]
fn the_file_of_an_analyzer_that_asks_is_one() {
    let page = std::fs::read_to_string(root().join("config/dialects/README.md")).expect("the page");
    let asks: Vec<Block> = blocks(&page).into_iter().filter(|b| b.of == "asks.toml").collect();
    let [file] = &asks[..] else { panic!("the page has one such file") };
    let dialect = dialect::parse(&file.text, "asks.toml").unwrap_or_else(|faults| {
        panic!("{:?}", faults.iter().map(ToString::to_string).collect::<Vec<_>>())
    });
    assert_eq!((dialect.name(), dialect.answers()), ("asks", true));
}
