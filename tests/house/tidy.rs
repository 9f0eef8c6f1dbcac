//! The house about itself: layers, headers, sizes, words that do not belong, and the reference.

use std::fs;
use std::path::{Path, PathBuf};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn sources(folder: &str) -> Vec<(PathBuf, String)> {
    let mut found = Vec::new();
    let mut folders = vec![root().join(folder)];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).into_iter().flatten().flatten() {
            let path = entry.path();
            if path.is_dir() {
                folders.push(path);
            } else if path.extension().is_some_and(|e| e == "rs") {
                let text = fs::read_to_string(&path).expect("a source is text");
                found.push((path, text));
            }
        }
    }
    found
}

/// Code without comments, so that a word in an explanation does not count.
fn code(text: &str) -> String {
    let lines = text.lines().map(|l| l.split("//").next().unwrap_or(""));
    lines.collect::<Vec<_>>().join("\n")
}

/// A source without what is compiled for tests alone: each item behind `#[cfg(test)]`.
fn without_tests(text: &str) -> String {
    let mut kept = String::new();
    let mut lines = text.lines();
    while let Some(line) = lines.next() {
        if line.trim() != "#[cfg(test)]" {
            kept.push_str(line);
            kept.push('\n');
            continue;
        }
        let indent = &line[..line.len() - line.trim_start().len()];
        let close = format!("{indent}}}");
        let first = lines.by_ref().find(|l| !l.trim_start().starts_with("#["));
        if first.is_some_and(|l| !l.trim_end().ends_with([';', '}', ','])) {
            lines.by_ref().find(|l| *l == close);
        }
    }
    kept
}

fn dependencies(krate: &str) -> Vec<String> {
    let path = root().join("crates").join(krate).join("Cargo.toml");
    let text = fs::read_to_string(path).expect("every crate has a manifest");
    let table: toml::Table = text.parse().expect("a manifest is TOML");
    let list = table["dependencies"].as_table().expect("a table of dependencies");
    list.keys().cloned().collect()
}

#[test]
fn the_top_level_is_as_given() {
    let allowed = [
        "Cargo.toml",
        "Cargo.lock",
        "README.md",
        "DEVELOPERS.md",
        "crates",
        "config",
        "tests",
        "fixtures",
        "deploy",
        "rust-toolchain.toml",
        "rustfmt.toml",
        "clippy.toml",
        "LICENSE",
        "target",
    ];
    for entry in fs::read_dir(root()).expect("the root can be read").flatten() {
        let name = entry.file_name().to_string_lossy().into_owned();
        assert!(name.starts_with('.') || allowed.contains(&name.as_str()), "{name} at top level");
    }
}

#[test]
fn layers_go_one_way() {
    let no = |krate: &str, banned: &[&str]| {
        for name in dependencies(krate) {
            assert!(!banned.iter().any(|b| name == *b), "{krate} must not know {name}");
        }
    };
    no(
        "normalize",
        &[
            "tokio",
            "sqlx",
            "nom",
            "tokio-serial",
            "tracing",
            "wickline-listen",
            "wickline-forward",
            "wickline",
        ],
    );
    no("listen", &["sqlx", "wickline-forward", "wickline", "axum"]);
    no("forward", &["sqlx", "nom", "tokio-serial", "wickline-listen", "wickline"]);
}

/// The floors of `crates/wickline`, from the ground up: each uses what lies on its own floor or below.
const FLOORS: [&[&str]; 9] = [
    &["address", "clock", "csv", "digest", "marks", "pulse", "seen", "texts", "tripped"],
    &["settings"],
    &["store"],
    &["acts"],
    &["pipeline"],
    &["daemon"],
    &["backup", "chart", "prove", "setup", "sheet", "simulate", "sketch", "views"],
    &["alarm"],
    &["cli", "console"],
];

#[test]
fn each_floor_stands_on_those_below_it() {
    let src = root().join("crates/wickline/src");
    let floor = |room: &str| FLOORS.iter().position(|rooms| rooms.contains(&room));
    for (path, text) in sources("crates/wickline/src") {
        let shown = path.display();
        let inside = path.strip_prefix(&src).expect("below src").with_extension("");
        let mut rooms: Vec<_> = inside.iter().map(|part| part.to_string_lossy()).collect();
        let last = rooms.last().expect("a name").clone();
        if rooms.iter().any(|r| r == "tests" || r.ends_with("_tests"))
            || ["lib", "main", "testing"].contains(&&*last)
        {
            continue;
        }
        rooms.retain(|room| room != "mod");
        let own = floor(&rooms[0]).unwrap_or_else(|| panic!("{shown}: on which floor is it?"));
        let code = code(&without_tests(&text));
        for used in code.split("crate::").skip(1) {
            let name = used.split(|c: char| !c.is_alphanumeric() && c != '_').next().unwrap_or("");
            let used =
                floor(name).unwrap_or_else(|| panic!("{shown}: on which floor is `{name}`?"));
            assert!(used <= own, "{shown}: `crate::{name}` is above it");
            // What is kept outlives each configuration.
            assert!(
                rooms[0] != "store" || name != "settings",
                "{shown}: the store knows no settings"
            );
        }
        // Else the names of other rooms could be reached past this test.
        let root = "super::".repeat(rooms.len());
        assert!(!code.contains(&root), "{shown}: `{root}` is the crate's root: say `crate::`");
    }
}

#[test]
fn pure_rooms_are_pure() {
    let impure = [
        "Instant::now",
        "SystemTime",
        "std::net",
        "std::fs",
        "tokio",
        "sqlx",
        "TcpStream",
        "File::",
        "println!",
        "Timestamp",
        "Zoned",
        "TimeZone",
        "jiff::tz",
        "jiff::fmt",
    ];
    let pure = |path: &Path| {
        let text = path.to_string_lossy().replace('\\', "/");
        let test = text.contains("/tests") || text.contains("/benches/");
        let impure_room = text.contains("/listen/src/line")
            || text.contains("/forward/src/deliver")
            || text.contains("/forward/src/receive");
        !test && !impure_room && text.contains("/src/")
    };
    for krate in ["crates/normalize", "crates/listen", "crates/forward"] {
        for (path, text) in sources(krate).into_iter().filter(|(p, _)| pure(p)) {
            let code = code(&without_tests(&text));
            for word in impure {
                assert!(!code.contains(word), "{}: `{word}` in a pure room", path.display());
            }
        }
    }
    for (path, text) in sources("crates/wickline/src") {
        let code = code(&text);
        // Its tests may break what the store keeps.
        let store = ["/store/", "/acts/tests/"].iter().any(|f| path.to_string_lossy().contains(f));
        assert!(store || !code.contains("sqlx::"), "{}: only the store names sqlx", path.display());
        let clock = path.ends_with("clock.rs");
        assert!(
            clock || !code.contains("SystemTime"),
            "{}: only clock.rs reads it",
            path.display()
        );
    }
}

/// What people ask for is written in one place, which looks at links, owners and signs that a terminal obeys. Drafts
/// that take the place of no file are made new, and the demonstration has a folder of its own.
#[test]
fn one_room_writes_the_files_that_people_ask_for() {
    for (path, text) in sources("crates/wickline/src/cli") {
        let code = code(without_tests(&text).as_str());
        let own = path.ends_with("cli/file.rs") || path.ends_with("cli/demo/laboratory.rs");
        for way in ["fs::write(", "File::create(", "to_writer("] {
            assert!(own || !code.contains(way), "{}: {way}..) is for cli/file.rs", path.display());
        }
    }
}

#[test]
fn every_file_says_what_it_is_for_and_can_be_read() {
    for folder in ["crates", "tests"] {
        for (path, text) in sources(folder) {
            let shown = path.display();
            assert!(text.starts_with("//!"), "{shown}: no `//!` line on top");
            let lines = text.lines().count();
            assert!(lines <= 600, "{shown}: {lines} lines; split it");
            for (number, line) in text.lines().enumerate() {
                let data = line.trim_start().starts_with(['"', '\\']) || line.contains("\\n");
                assert!(data || line.chars().count() <= 120, "{shown}:{}: too wide", number + 1);
            }
            functions_fit_a_screen(&path, &text);
        }
    }
}

/// A function begins at `fn` and ends at the closing brace of its own indentation.
fn functions_fit_a_screen(path: &Path, text: &str) {
    let lines: Vec<&str> = text.lines().collect();
    for (start, line) in lines.iter().enumerate() {
        let trimmed = line.trim_start();
        let indent = line.len() - trimmed.len();
        let words =
            ["fn ", "pub fn ", "async fn ", "pub async fn ", "pub(super) fn ", "pub(crate) fn "];
        if !words.iter().any(|w| trimmed.starts_with(w)) || trimmed.ends_with(';') {
            continue;
        }
        let close = format!("{}}}", " ".repeat(indent));
        let length = lines[start..].iter().position(|l| *l == close).unwrap_or(0);
        assert!(length <= 80, "{}:{}: a function of {length} lines", path.display(), start + 1);
    }
}

#[test]
fn unfinished_work_and_foreign_words_stay_out() {
    // `WICKLINE_LONG=0` is not long: who looks only whether it is there runs for hours.
    let long = "var_os(\"WICKLINE_LONG\")";
    let banned = ["todo!(", "unimplemented!(", "FIXME", "#[ignore", "#[allow(", long];
    for folder in ["crates", "tests"] {
        for (path, text) in sources(folder) {
            if path.ends_with("tidy.rs") {
                continue;
            }
            for word in banned {
                assert!(!text.contains(word), "{}: `{word}`", path.display());
            }
        }
    }
}

#[test]
fn the_commented_configuration_is_the_table_of_keys() {
    let path = root().join("config/wickline.toml");
    let wanted = wickline::settings::keys::commented_file();
    if std::env::var_os("WICKLINE_WRITE_REFERENCE").is_some() {
        fs::write(&path, &wanted).expect("the reference can be written");
    }
    let found = fs::read_to_string(&path).expect("config/wickline.toml is there");
    assert!(found == wanted, "run: WICKLINE_WRITE_REFERENCE=1 cargo test -p wickline commented");
    let faults = wickline::settings::reader::faults("wickline.toml", &found);
    assert_eq!(faults, [], "the commented file is itself a good configuration");
}

/// What stands between backticks is copied and run: a reason `TEXT` stands in the trail for ever. Help texts,
/// which are comments in the sources, explain forms.
#[test]
fn no_hint_holds_a_place_for_what_only_the_person_knows() {
    let loud = |word: &str| word.len() > 1 && word.bytes().all(|b| b.is_ascii_uppercase());
    let mut hints = 0;
    let said = root().join("crates/wickline/text/en.toml");
    let texts = fs::read_to_string(&said).expect("the texts");
    for (path, text) in sources("crates/wickline/src").into_iter().chain([(said, texts)]) {
        let code = without_tests(&text);
        let lines = code.lines().filter(|l| !l.trim_start().starts_with("//"));
        let mut whole = String::new();
        for line in lines {
            match line.trim().strip_suffix('\\') {
                Some(goes_on) => whole.push_str(&format!("{} ", goes_on.trim_end())),
                None => whole.push_str(&format!("{}\n", line.trim())),
            }
        }
        for hint in whole.lines().flat_map(|l| l.split('`').skip(1).step_by(2)) {
            let words: Vec<&str> = hint.split_whitespace().collect();
            let runs = words.first() == Some(&"wickline");
            let option = words.windows(2).any(|w| w[0].starts_with("--") && loud(w[1]));
            hints += usize::from(runs);
            let held = option || (runs && words.iter().any(|w| loud(w)));
            assert!(!held, "{}: `{hint}`", path.display());
        }
    }
    assert!(hints > 50, "only {hints} hints were found");
}
