//! What is wrong in a dialect file: where, what was found, what is allowed.

use std::fmt;

/// One fault, with all that is needed to mend it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    pub file: String,
    /// From 1.
    pub line: usize,
    /// From 1, in characters.
    pub column: usize,
    pub key: String,
    pub found: String,
    pub allowed: String,
    /// The line of the file.
    pub text: String,
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Fault { file, line, column, key, found, allowed, .. } = self;
        write!(f, "{file}:{line}:{column}: `{key}`: found {found}; allowed: {allowed}")
    }
}

impl std::error::Error for Fault {}

impl Fault {
    /// A fault at a byte of the file's text.
    pub(super) fn at(
        (file, text): (&str, &str),
        at: usize,
        key: &str,
        found: impl Into<String>,
        allowed: impl Into<String>,
    ) -> Fault {
        let before = text.get(..text.floor_char_boundary(at)).unwrap_or(text);
        let start = before.rfind('\n').map_or(0, |end| end + 1);
        let line = text.get(start..).and_then(|rest| rest.lines().next()).unwrap_or("");
        Fault {
            file: file.to_owned(),
            line: before.matches('\n').count() + 1,
            column: before.get(start..).map_or(1, |begun| begun.chars().count() + 1),
            key: key.to_owned(),
            found: found.into(),
            allowed: allowed.into(),
            text: line.chars().take(200).collect(),
        }
    }
}

/// What the TOML reader says, as a fault. An unknown key names the nearest known one.
pub(super) fn of_toml(source: (&str, &str), error: &toml::de::Error) -> Fault {
    let at = error.span().map_or(0, |span| span.start);
    let message = error.message();
    let mut quoted = message.split('`').skip(1).step_by(2);
    if message.starts_with("unknown field") {
        let key = quoted.next().unwrap_or("");
        let known: Vec<&str> = quoted.collect();
        let near = nearest(key, &known);
        let allowed = format!("did you mean `{near}`? Known here: {}", known.join(", "));
        return Fault::at(source, at, key, "a key that does not exist", allowed);
    }
    if message.starts_with("missing field") {
        let key = quoted.next().unwrap_or("");
        return Fault::at(source, at, key, "nothing", "this key has to be given");
    }
    let line = source.1.get(..at).and_then(|text| text.rsplit('\n').next()).unwrap_or("");
    let key = line.split('=').next().unwrap_or("").trim();
    let key = if key.is_empty() { "(file)" } else { key };
    Fault::at(source, at, key, message, "what `config/dialects/two-column.toml` describes")
}

fn nearest<'a>(word: &str, known: &[&'a str]) -> &'a str {
    known.iter().copied().min_by_key(|candidate| distance(word, candidate)).unwrap_or("")
}

/// Levenshtein's distance.
fn distance(left: &str, right: &str) -> usize {
    let mut row: Vec<usize> = (0..=right.len()).collect();
    for (i, a) in left.bytes().take(64).enumerate() {
        let mut above_left = i;
        let mut before = i + 1;
        for (cell, b) in row.iter_mut().skip(1).zip(right.bytes()) {
            let changed = above_left + usize::from(a != b);
            above_left = *cell;
            before = changed.min(above_left + 1).min(before + 1);
            *cell = before;
        }
    }
    row.last().copied().unwrap_or(0)
}
