//! The texts of dialects and strips: of those that come with the program, or of files beside the configuration.

use std::path::Path;

use super::sheet::{builtin_dialect, builtin_strip};
use crate::settings::{AnalyzerKeys, Loaded};

/// The text of a strip.
pub fn strip(loaded: &Loaded, name: &str) -> Result<String, String> {
    builtin_strip(name).map_or_else(|| beside(loaded, name), |text| Ok(text.to_owned()))
}

/// The text of a dialect. None: it has no file.
pub fn dialect(loaded: &Loaded, name: &str) -> Result<Option<String>, String> {
    if name == "lis02" {
        return Ok(None);
    }
    builtin_dialect(name).map_or_else(|| beside(loaded, name), |text| Ok(text.to_owned())).map(Some)
}

/// Drafts of which nobody answered every question, a sentence for each file: what was guessed there may read well.
pub fn open_questions(loaded: &Loaded, raw: &AnalyzerKeys) -> Result<Vec<String>, String> {
    let mut told = Vec::new();
    let mut ask = |name: &str, text: &str| {
        let asking: Vec<usize> =
            text.lines().enumerate().filter(|(_, line)| asks(line)).map(|(n, _)| n + 1).collect();
        if let Some(first) = asking.first() {
            told.push(format!(
                "{name} is a draft with {} open questions, the first in line {first}: answer each `# ?` from \
                 the paper or the insert, mend what it guessed, and delete it",
                asking.len()
            ));
        }
    };
    if let Some(text) = dialect(loaded, &raw.dialect)? {
        ask(&raw.dialect, &text);
    }
    for name in raw.all_strips() {
        ask(name, &strip(loaded, name)?);
    }
    Ok(told)
}

/// Whether a line of a file is a question of its draft.
#[must_use]
pub fn asks(line: &str) -> bool {
    line.trim_start().starts_with("# ?")
}

fn beside(loaded: &Loaded, name: &str) -> Result<String, String> {
    let path = loaded.file.parent().unwrap_or(Path::new(".")).join(name);
    std::fs::read_to_string(&path).map_err(|e| format!("{}: {e}", path.display()))
}

/// The captures that the built-in dialects print from.
#[must_use]
pub fn shipped(dialect: &str) -> Option<&'static [u8]> {
    Some(match dialect {
        "lis02" => include_bytes!("../../../../fixtures/listen/lis02/normal.cap"),
        "two-column" => include_bytes!("../../../../fixtures/listen/two-column/complete.cap"),
        "three-field" => include_bytes!("../../../../fixtures/listen/three-field/abnormal.cap"),
        "wide-label" => include_bytes!("../../../../fixtures/listen/wide-label/abnormal.cap"),
        "ticket" => include_bytes!("../../../../fixtures/listen/ticket/abnormal.cap"),
        _ => return None,
    })
}
