//! What the documents tell people to type is a command, and the examples do what is said.

use std::path::Path;
use std::process::Command;

use crate::kit::{Folder, binary, configuration};

/// Every line in a shell block of a document that begins with `wickline`.
fn commands(name: &str) -> Vec<String> {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(name);
    let text = std::fs::read_to_string(path).expect("a document");
    let mut found = Vec::new();
    let mut inside = false;
    for line in text.lines() {
        if line.starts_with("```") {
            inside = line == "```sh";
        } else if inside && line.starts_with("wickline ") {
            found.push(line.split('#').next().unwrap_or("").trim().to_owned());
        }
    }
    found
}

/// Words as a shell cuts them, as far as the documents need it.
fn words(line: &str) -> Vec<String> {
    let mut words = Vec::new();
    for (index, part) in line.split('"').enumerate() {
        if index % 2 == 1 {
            words.push(part.to_owned());
        } else {
            words.extend(part.split_whitespace().map(str::to_owned));
        }
    }
    words
}

#[test]
fn every_command_in_the_documents_is_one() {
    let mut count = 0;
    for name in ["README.md", "deploy/README.md"] {
        for line in commands(name) {
            let words = words(&line);
            let words: Vec<&str> = words.iter().map(String::as_str).collect();
            assert_eq!(wickline::cli::parses(&words), Ok(()), "{name}: {line}");
            count += 1;
        }
    }
    assert!(count >= 10, "{count} commands were found");
}

/// A command that is named within a sentence is one too, and has the options that stand behind it.
#[test]
fn every_command_in_a_sentence_is_one() {
    let mut count = 0;
    for name in ["README.md", "deploy/README.md", "deploy/golive.md"] {
        let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(name);
        let text = std::fs::read_to_string(path).expect("a document");
        let spans = text.lines().flat_map(|line| line.split('`').skip(1).step_by(2));
        for span in spans.filter_map(|span| span.strip_prefix("wickline ")) {
            let is_verb = |word: &&str| word.bytes().all(|b| b.is_ascii_lowercase() || b == b'-');
            let words: Vec<&str> = span.split_whitespace().take_while(is_verb).collect();
            let verbs: Vec<&str> = words.into_iter().take_while(|w| !w.starts_with('-')).collect();
            let asked =
                Command::new(binary()).args(&verbs).arg("--help").output().expect("it runs");
            let help = String::from_utf8_lossy(&asked.stdout);
            assert!(asked.status.success(), "{name}: wickline {span}");
            for option in span.split_whitespace().filter(|word| word.starts_with("--")) {
                assert!(help.contains(option), "{name}: wickline {span}: {option}");
            }
            count += 1;
        }
    }
    assert!(count >= 40, "{count} commands were found");
}

#[test]
fn the_example_of_explain_explains() {
    let line = commands("README.md").into_iter().find(|l| l.starts_with("wickline explain "));
    let words = words(&line.expect("the README shows it"));
    let output = Command::new(binary())
        .args(&words[1..])
        .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../.."))
        .output()
        .expect("it runs");
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(said.contains("GLU") && said.contains("OBX"), "{said}");
}

/// One whole report of each dialect: every reading with its line and the OBX it became.
#[test]
fn a_capture_of_each_dialect_is_explained_whole() {
    for dialect in ["lis02", "two-column"] {
        let capture = format!("fixtures/listen/{dialect}/complete.cap");
        let output = Command::new(binary())
            .args(["--json", "explain", &capture, "--dialect", dialect, "--units", "si"])
            .current_dir(Path::new(env!("CARGO_MANIFEST_DIR")).join("../.."))
            .output()
            .expect("it runs");
        assert_eq!(output.status.code(), Some(0), "{dialect}");
        let value: serde_json::Value = serde_json::from_slice(&output.stdout).expect("JSON");
        let report = &value["reports"][0];
        let readings = report["readings"].as_array().expect("readings");
        assert_eq!(readings.len(), 10);
        for reading in readings {
            let line = reading["lines"][0].as_u64().expect("a line") as usize;
            let text = report["lines"][line].as_str().expect("the line's text");
            assert!(text.contains(reading["label"].as_str().expect("a label")), "{text}");
            assert!(!reading["obx"].as_array().expect("OBX").is_empty(), "{text}");
        }
    }
}

#[test]
fn the_example_script_is_simulated_and_read() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let text = std::fs::read_to_string(root.join("config/example-script.toml")).expect("a file");
    let script = wickline::simulate::script::Script::parse(&text).expect("a script");
    assert_eq!(script.run.len(), 4);
}

/// What README shows of a source is taken as it stands.
#[test]
fn the_source_of_the_documents_is_one() {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let text = std::fs::read_to_string(root.join("README.md")).expect("a document");
    let blocks = text.split("```toml\n").skip(1).filter_map(|rest| rest.split("```").next());
    let blocks: Vec<&str> = blocks.filter(|block| block.contains("[[source]]")).collect();
    assert_eq!(blocks.len(), 1, "{blocks:?}");
    let folder = Folder::new("documented-source");
    let plain = configuration("tcp:127.0.0.1:1", "lis02", "ten-pad", "mllp://127.0.0.1:2", "");
    let config = folder.write("wickline.toml", &format!("{plain}{}ask = \"lis\"\n", blocks[0]));
    let loaded = wickline::settings::load(&config).expect("it is read");
    let bench = wickline::settings::bench::Bench::build(&loaded);
    let bench = bench.unwrap_or_else(|faults| panic!("{faults:?}"));
    assert_eq!(bench.sources[0].site.tests.len(), 2);
}
