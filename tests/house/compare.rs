//! What a receiver filed against what it was told. Its export is made here from the bytes that arrived, by
//! splitting them and by nothing of ours.

use std::path::{Path, PathBuf};

use serde_json::Value;
use wickline::simulate::analyzer::Style;

use crate::kit::{Daemon, Folder, ask, configuration, run, until};
use crate::way::{analyzer, pty, runtime, script};

/// One result as a laboratory system keeps it.
#[derive(Clone)]
struct Row {
    accession: String,
    sample: String,
    test: String,
    result: String,
    unit: String,
    flag: String,
}

/// What came, filed: a structured number with its comparator before it, a grade by its text.
fn file_away(folder: &Path) -> Vec<Row> {
    let mut names: Vec<PathBuf> =
        std::fs::read_dir(folder).expect("a folder").flatten().map(|e| e.path()).collect();
    names.sort();
    let mut rows = Vec::new();
    for name in names {
        let text = std::fs::read_to_string(name).expect("a message");
        let field = |segment: &str, n: usize| {
            let line = text.split('\r').find(|l| l.starts_with(segment)).expect("a segment");
            line.split('|').nth(n).unwrap_or("").to_owned()
        };
        let first =
            |text: &str| text.split(['^', '&']).find(|t| !t.is_empty()).unwrap_or("").to_owned();
        for line in text.split('\r').filter(|l| l.starts_with("OBX|")) {
            let cells: Vec<&str> = line.split('|').collect();
            let parts: Vec<&str> = cells[5].split('^').collect();
            let result = match cells[2] {
                "SN" => parts.concat(),
                "CE" | "CWE" => parts[1].to_owned(),
                _ => cells[5].to_owned(),
            };
            rows.push(Row {
                accession: first(&field("OBR|", 3)),
                sample: first(&field("SPM|", 2)),
                test: first(cells[3]),
                result,
                unit: first(cells[6]),
                flag: cells[8].to_owned(),
            });
        }
    }
    rows
}

fn table(rows: &[Row]) -> String {
    let mut text = String::from("ACCESSION;SAMPLE;TEST;RESULT;UNITS;ABN\r\n");
    for row in rows {
        let cells = [&row.accession, &row.sample, &row.test, &row.result, &row.unit, &row.flag];
        let cells: Vec<String> = cells.map(|c| format!("\"{c}\"")).into();
        text += &(cells.join(";") + "\r\n");
    }
    text
}

const COLUMNS: &str = "--column order=ACCESSION --column specimen=SAMPLE --column code=TEST \
     --column value=RESULT --column unit=UNITS --column flag=ABN";

fn compared(config: &Path, file: &Path, more: &str) -> (i32, Value) {
    let shown = file.display().to_string();
    let mut words = vec!["--json", "queue", "compare", &shown];
    words.extend(more.split_whitespace());
    let output = run(config, &words);
    let said = String::from_utf8_lossy(&output.stdout);
    let value = serde_json::from_str(&said).unwrap_or_else(|_| {
        panic!("{said}{}", String::from_utf8_lossy(&output.stderr));
    });
    (output.status.code().expect("a code"), value)
}

/// The verdicts other than agreement, each with its result and what differs.
pub fn faults(value: &Value) -> Vec<String> {
    let items = value["items"].as_array().expect("items");
    let told = |item: &Value| {
        let differs: Vec<&str> = item["differs"]
            .as_array()
            .map(|d| d.iter().filter_map(Value::as_str).collect())
            .unwrap_or_default();
        format!("{} {}", item["verdict"].as_str().expect("a word"), differs.join("+"))
            .trim()
            .to_owned()
    };
    items.iter().map(told).filter(|t| t != "agrees").collect()
}

/// Four strips accepted by a receiver that files what it gets.
struct Bench {
    folder: Folder,
    config: PathBuf,
    daemon: Daemon,
    filed: Vec<Row>,
    day: String,
}

async fn bench(name: &str) -> Bench {
    let folder = Folder::new(name);
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    let (port, line) = pty();
    let config =
        folder.write("wickline.toml", &configuration(&line, "lis02", "ten-pad", "dir:out", ""));
    let daemon = Daemon::start(&config);
    let mut bench = analyzer(port, Style::Lis02);
    bench.run(&script(4, 11), |_, _| ()).await.expect("the line holds");
    until(|| ask(&config, &["queue"])["totals"]["accepted"] == 4);
    let filed = file_away(&folder.0.join("out"));
    let day = ask(&config, &["day"])["date"].as_str().expect("a date").to_owned();
    Bench { folder, config, daemon, filed, day }
}

impl Bench {
    fn table(&self, rows: &[Row]) -> (i32, Value) {
        let file = self.folder.write("export.csv", &table(rows));
        compared(&self.config, &file, &format!("{COLUMNS} --day {}", self.day))
    }

    /// Results of one report.
    fn of_one(&self) -> usize {
        self.filed.len() / 4
    }
}

#[test]
fn what_a_receiver_filed_is_laid_beside_what_it_was_told() {
    runtime().block_on(async {
        let bench = bench("compare").await;
        let filed = &bench.filed;
        let (code, all) = bench.table(filed);
        assert_eq!((code, faults(&all)), (0, vec![]), "{all}");
        assert_eq!(all["totals"]["agrees"], filed.len());
        // Columns that the export lacks are not compared; what it has of an order, is missed of that order.
        let Row { accession, test, result, .. } = &filed[0];
        let few = format!("ACCESSION,CODE,VALUE\n{accession},{test},{result}\n");
        let few = bench.folder.write("few.csv", &few);
        let (code, one) = compared(&bench.config, &few, "--column order=ACCESSION");
        assert_eq!((code, &one["totals"]["agrees"]), (1, &1.into()));
        assert_eq!(one["totals"]["not-filed"], bench.of_one() - 1);
        // The messages themselves, joined in one file as a receiver may export them.
        let mut joined = Vec::new();
        for entry in std::fs::read_dir(bench.folder.0.join("out")).expect("a folder").flatten() {
            joined.extend(std::fs::read(entry.path()).expect("a message"));
        }
        let export = bench.folder.0.join("export.hl7");
        std::fs::write(&export, &joined).expect("written");
        let of_day = format!("--day {}", bench.day);
        let (code, all) = compared(&bench.config, &export, &of_day);
        assert_eq!((code, faults(&all)), (0, vec![]), "{all}");
        // Withdrawn here, and the export is of before.
        let id = ask(&bench.config, &["day"])["items"][0]["id"].as_str().expect("an id").to_owned();
        let words = ["report", "withdraw", &id, "--reason", "wrong patient", "--as", "J. Mast"];
        let withdrawn = run(&bench.config, &words);
        assert!(withdrawn.status.success(), "{}", String::from_utf8_lossy(&withdrawn.stderr));
        until(|| ask(&bench.config, &["queue"])["totals"]["accepted"] == 5);
        let (code, still) = compared(&bench.config, &export, &of_day);
        assert_eq!((code, &still["totals"]["still-filed"]), (1, &bench.of_one().into()), "{still}");
        let said = run(&bench.config, &["queue", "compare", &export.display().to_string()]).stdout;
        let said = String::from_utf8_lossy(&said).into_owned();
        assert!(said.contains("withdrawn and still filed"), "{said}");
        assert_eq!(bench.daemon.stop(), 0);
    });
}

/// Each spoilt in one way by the receiver, and each told.
#[test]
fn each_thing_that_a_receiver_filed_wrongly_is_told() {
    runtime().block_on(async {
        let bench = bench("compare-spoilt").await;
        let filed = &bench.filed;
        let at = |fits: &dyn Fn(&Row) -> bool| filed.iter().position(fits).expect("one of them");
        let number = at(&|r| r.unit == "mg/dL" && r.result.bytes().all(|b| b.is_ascii_digit()));
        let grade = at(&|r| r.result == "Negative");
        let end = at(&|r| r.result.starts_with(">=") || r.result.starts_with("<="));
        let spoil = |at: usize, change: &dyn Fn(&mut Row)| {
            let mut rows = filed.clone();
            change(&mut rows[at]);
            faults(&bench.table(&rows).1)
        };
        assert_eq!(spoil(number, &|r| r.unit = "mmol/L".into()), ["differs unit"]);
        assert_eq!(spoil(number, &|r| r.unit.clear()), ["differs unit"]);
        assert_eq!(spoil(number, &|r| r.result += "0"), ["differs value"]);
        assert_eq!(spoil(number, &|r| r.result += ".0"), [""; 0], "the same number");
        assert_eq!(spoil(number, &|r| r.flag = "HH".into()), ["differs flag"]);
        assert_eq!(spoil(grade, &|r| r.result = "Trace".into()), ["differs value"]);
        let less: &[char] = &['<', '>', '='];
        assert_eq!(spoil(end, &|r| r.result.retain(|c| c != '=')), ["differs value"]);
        assert_eq!(spoil(end, &|r| r.result = r.result.replace(less, "")), ["differs value"]);
        assert_eq!(spoil(grade, &|r| r.test = "99999-9".into()), ["not-filed", "not-sent"]);
        let strange: &dyn Fn(&mut Row) =
            &|r| (r.accession, r.sample) = ("NONE".into(), "NONE".into());
        assert_eq!(spoil(grade, strange), ["not-filed", "not-ours"]);

        let mut rows = filed.clone();
        rows.retain(|r| r.accession != filed[0].accession);
        let (code, missing) = bench.table(&rows);
        assert_eq!((code, &missing["totals"]["not-filed"]), (1, &bench.of_one().into()));
        let file = bench.folder.write("export.csv", &table(&rows));
        let (code, asked) = compared(&bench.config, &file, COLUMNS);
        assert_eq!((code, &asked["totals"]["not-filed"]), (0, &0.into()), "only what it names");
        let mut rows = filed.clone();
        rows.push(Row { result: "Trace".into(), ..filed[grade].clone() });
        assert_eq!(faults(&bench.table(&rows).1), ["twice value"]);
        assert_eq!(bench.daemon.stop(), 0);
    });
}
