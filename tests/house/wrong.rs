//! Wrong on purpose: mistakes that an interface analyst makes, each made in a right configuration, and who catches it
//! first. `fixtures/prove/wrong.toml` is the list, `config/wrong.md` its table.

use std::collections::BTreeSet;
use std::path::Path;
use std::process::Output;

use serde::Deserialize;
use serde_json::Value;
use wickline::prove::truth::digest;

use crate::kit::{Folder, private, run};
use crate::prove::root;

/// The right configurations, each with the shipped dialect that it is named after.
const RIGHT: [&str; 3] = ["two-column", "three-field", "wide-label"];
/// What the proof is given, each with what a person read on its paper.
const CAPTURES: [&str; 3] = ["routine.cap", "stat.cap", "control.cap"];

/// Who catches a mistake, in the order in which they are asked, and how the table says it.
const WHO: [(&str, &str); 5] = [
    ("load", "refused when it is loaded"),
    ("check", "told by `check`"),
    ("prove", "differs in `prove`"),
    ("daemon", "held by the daemon"),
    ("nobody", "cannot be known here"),
];

#[derive(Deserialize)]
struct List {
    wrong: Vec<Wrong>,
}

/// One mistake.
#[derive(Deserialize)]
struct Wrong {
    /// What is wrong, for the table.
    what: String,
    /// The right configuration that it is made in.
    of: String,
    /// File, what stands there, what stands there instead. In a capture a letter is a byte.
    edits: Vec<[String; 3]>,
    /// When the later print is heard, where the clock is a matter.
    #[serde(default)]
    at: String,
    /// One of [`WHO`].
    caught: String,
    /// Of what is then said; where nobody can know it, why.
    says: String,
}

fn list() -> Vec<Wrong> {
    let text = std::fs::read_to_string(root("fixtures/prove/wrong.toml")).expect("the list");
    toml::from_str::<List>(&text).expect("a list").wrong
}

/// What each step said of one configuration.
#[derive(Default)]
struct Said {
    refused: Option<String>,
    checked: BTreeSet<String>,
    /// None: all is proved.
    differs: Option<String>,
    /// Reasons that hold the later print.
    held: BTreeSet<String>,
}

/// A right configuration in a folder of its own.
fn set_up(of: &str) -> Folder {
    let folder = Folder::new("wrong");
    for entry in std::fs::read_dir(root("fixtures/prove/right").join(of)).expect("a folder") {
        let path = entry.expect("an entry").path();
        let name = path.file_name().expect("a name");
        std::fs::copy(&path, folder.0.join(name)).expect("a copy");
        private(&folder.0.join(name));
    }
    let dialect = root("config/dialects").join(of).with_extension("toml");
    std::fs::copy(dialect, folder.0.join("dialect.toml")).expect("a copy");
    folder
}

/// Bytes of a capture, letter by letter; text elsewhere.
fn bytes(file: &str, text: &str) -> Vec<u8> {
    if !file.ends_with(".cap") {
        return text.as_bytes().to_vec();
    }
    text.chars().map(|c| u8::try_from(u32::from(c)).expect("a byte")).collect()
}

/// Puts the new in the place of the old, wherever it stands; behind everything, where nothing is old.
fn edit(folder: &Path, [file, old, new]: &[String; 3]) {
    let path = folder.join(file);
    let (was, old, new) = (std::fs::read(&path).expect(file), bytes(file, old), bytes(file, new));
    let (mut now, mut rest) = (Vec::new(), was.as_slice());
    while let [first, behind @ ..] = rest {
        match rest.strip_prefix(old.as_slice()).filter(|_| !old.is_empty()) {
            Some(after) => {
                now.extend(&new);
                rest = after;
            }
            None => {
                now.push(*first);
                rest = behind;
            }
        }
    }
    if old.is_empty() {
        now.extend(&new);
    }
    assert_ne!(now, was, "{file} has no {:?}", text(&old));
    std::fs::write(path, now).expect("the folder is ours");
}

/// What a truth calls a capture.
fn named(folder: &Path, capture: &str) -> String {
    digest(&std::fs::read(folder.join(capture)).expect("a capture"))
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8_lossy(bytes).into_owned()
}

fn document(output: &Output) -> Value {
    serde_json::from_slice(&output.stdout).unwrap_or_default()
}

/// Each step until one says what nobody says of the right configuration; without one to compare with, every step.
fn asked(folder: &Path, at: &str, right: Option<&Said>) -> Said {
    let config = folder.join("wickline.toml");
    let mut said = Said::default();
    let checked = run(&config, &["--json", "check", "--offline"]);
    if checked.status.code() == Some(2) {
        said.refused = Some(text(&checked.stderr));
        return said;
    }
    let items = document(&checked)["items"].as_array().cloned().unwrap_or_default();
    let words = |value: &Value| value.as_str().unwrap_or_default().to_owned();
    let line = |item: &Value| format!("{}: {}", words(&item["about"]), words(&item["text"]));
    let told = items.iter().filter(|item| item["level"] != "good");
    said.checked = told.map(line).collect();
    if right.is_some_and(|right| !said.checked.is_subset(&right.checked)) {
        return said;
    }
    let path = |name: &str| folder.join(name).to_string_lossy().into_owned();
    let captures = CAPTURES.map(path);
    let given = captures.iter().flat_map(|path| ["--capture", path]);
    let words: Vec<&str> = ["--json", "prove"].into_iter().chain(given).collect();
    let proof = run(&config, &words);
    said.differs = (proof.status.code() != Some(0)).then(|| differing(&proof));
    if right.is_some() && said.differs.is_some() {
        return said;
    }
    said.held = held(&config, &path("later.cap"), at);
    said
}

/// The reasons that hold the later print.
fn held(config: &Path, later: &str, at: &str) -> BTreeSet<String> {
    let mut words = vec!["--json", "explain", later, "--analyzer", "bench-1"];
    if !at.is_empty() {
        words.extend(["--at", at]);
    }
    let output = run(config, &words);
    let explained = document(&output);
    let reports = explained["reports"].as_array().cloned().unwrap_or_default();
    assert_eq!(reports.len(), 1, "{words:?}: {}", text(&output.stderr));
    let holds = reports[0]["holds"].as_array().cloned().unwrap_or_default();
    holds.iter().map(|hold| hold["reason"].as_str().unwrap_or("").to_owned()).collect()
}

/// What a proof found, in one text.
fn differing(output: &Output) -> String {
    let proof = document(output);
    let all = |key: &str| proof[key].as_array().cloned().unwrap_or_default().into_iter();
    let gaps = all("not_proved").filter(|gap| gap["accepted"].is_null());
    let typed = all("typed").filter(|one| one["differs"] == true);
    let cases = all("cases").filter(|case| case["verdict"] == "differs");
    let found: Vec<String> = gaps.chain(typed).chain(cases).map(|v| v.to_string()).collect();
    found.join("\n") + &text(&output.stderr)
}

/// Who catches it first, and what was said then.
fn caught(said: &Said, right: &Said) -> (&'static str, String) {
    let lines = |now: &BTreeSet<String>, before: &BTreeSet<String>| {
        now.difference(before).cloned().collect::<Vec<_>>().join("\n")
    };
    let told = lines(&said.checked, &right.checked);
    let held = lines(&said.held, &right.held);
    match &said.refused {
        Some(why) => ("load", why.clone()),
        None if !told.is_empty() => ("check", told),
        None if said.differs.is_some() => ("prove", said.differs.clone().unwrap_or_default()),
        None if !held.is_empty() => ("daemon", held),
        None => ("nobody", String::new()),
    }
}

/// What the right configurations come to: nothing is refused or differs, and no wrong time holds the later print.
fn rights() -> Vec<Said> {
    let all = RIGHT.iter().map(|of| {
        let folder = set_up(of);
        let said = asked(&folder.0, "", None);
        assert_eq!((&said.refused, &said.differs), (&None, &None), "{of}");
        // Nothing but what is not there yet, what is true of the shipped print, and who runs the tests.
        let known = |note: &&String| {
            note.contains("no [[control]]")
                || (*of == "two-column" && note.contains("says that a report is whole"))
                || note.contains("it runs as root")
        };
        let told: Vec<&String> = said.checked.iter().filter(|note| !known(note)).collect();
        assert_eq!(told, Vec::<&String>::new(), "{of}");
        let (config, later) = (folder.0.join("wickline.toml"), folder.0.join("later.cap"));
        let in_time = if *of == "two-column" { "2026-03-04T09:36" } else { "" };
        assert_eq!(said.held, held(&config, &later.to_string_lossy(), in_time), "{of}");
        said
    });
    all.collect()
}

/// Why an entry of the list is not as the list has it. None: it is.
fn odd(wrong: &Wrong, rights: &[Said]) -> Option<String> {
    let folder = set_up(&wrong.of);
    let before = CAPTURES.map(|name| named(&folder.0, name));
    wrong.edits.iter().for_each(|change| edit(&folder.0, change));
    // A capture that is another one has its own truth: the person typed it from this paper.
    for (name, was) in CAPTURES.iter().zip(before) {
        let truth = folder.0.join(name).with_extension("truth.csv");
        let typed = std::fs::read_to_string(&truth).expect("a truth");
        std::fs::write(&truth, typed.replace(&was, &named(&folder.0, name))).expect("ours");
    }
    let of = RIGHT.iter().position(|of| *of == wrong.of).expect("a right configuration");
    let said = asked(&folder.0, &wrong.at, Some(&rights[of]));
    let (who, found) = caught(&said, &rights[of]);
    let alike = who == wrong.caught && (who == "nobody" || found.contains(&wrong.says));
    let found: String = found.chars().take(700).collect();
    (!alike).then(|| format!("{}: {who}, not {}: {found}", wrong.what, wrong.caught))
}

/// Two at a time: each is a few processes, one after another.
#[test]
fn every_mistake_is_caught_by_whom_the_list_names() {
    let (list, rights) = (list(), rights());
    assert!(list.len() >= 60, "{}", list.len());
    let (one, other) = list.split_at(list.len() / 2);
    let part = |part: &[Wrong]| part.iter().filter_map(|w| odd(w, &rights)).collect::<Vec<_>>();
    let odd = std::thread::scope(|threads| {
        let second = threads.spawn(|| part(other));
        let mut odd = part(one);
        odd.extend(second.join().expect("it ends"));
        odd
    });
    assert!(odd.is_empty(), "{} of {}:\n{}", odd.len(), list.len(), odd.join("\n\n"));
}

/// The table of the list, with its counts.
fn table() -> String {
    let list = list();
    let mut text = String::from("| who catches it first | mistakes |\n| --- | --- |\n");
    for (who, told) in WHO {
        let count = list.iter().filter(|wrong| wrong.caught == who).count();
        text += &format!("| {told} | {count} |\n");
    }
    text += &format!("| all | {} |\n", list.len());
    for (who, told) in WHO {
        let says = if who == "nobody" { "why" } else { "what is said of it" };
        let mut letters = told.chars();
        let first = letters.next().map(|c| c.to_uppercase().to_string()).unwrap_or_default();
        text +=
            &format!("\n## {first}{}\n\n| mistake | {says} |\n| --- | --- |\n", letters.as_str());
        for wrong in list.iter().filter(|wrong| wrong.caught == who) {
            let said = if who == "nobody" {
                wrong.says.clone()
            } else {
                format!("`{}`", wrong.says.replace('`', "'"))
            };
            text += &format!("| {} | {} |\n", wrong.what, said.replace('|', "\\|"));
        }
    }
    text
}

/// `WICKLINE_WRITE_REFERENCE=1` writes it anew.
#[test]
fn the_guide_prints_the_table_of_the_list() {
    let path = root("config/wrong.md");
    let page = std::fs::read_to_string(&path).expect("the page");
    let (head, _) = page.split_once("<!-- table -->").expect("where the table begins");
    let wanted = format!("{head}<!-- table -->\n\n{}", table());
    if std::env::var_os("WICKLINE_WRITE_REFERENCE").is_some() {
        std::fs::write(&path, &wanted).expect("the page can be written");
    }
    let page = std::fs::read_to_string(&path).expect("the page");
    assert!(
        page == wanted,
        "config/wrong.md is not of the list; WICKLINE_WRITE_REFERENCE=1 writes it anew"
    );
}
