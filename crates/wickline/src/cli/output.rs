//! What a person or a program sees: aligned text or one JSON document, never a raw control byte.

use std::io::{self, IsTerminal, Write};
use std::sync::{Mutex, PoisonError};

use serde::Serialize;

pub use crate::seen::{json_of, span, visible, visible_lines};

/// Standard output, in one of two languages.
#[derive(Debug)]
pub struct Output {
    pub json: bool,
    colour: bool,
    /// What is gathered, to be written at once. None: each line is written as it comes.
    page: Mutex<Option<String>>,
}

/// How a cell stands out on a terminal.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Tone {
    Plain,
    Good,
    Bad,
    Quiet,
    /// Underlined, in one of the terminal's colours (1 to 6), or in its own (9).
    Part(u8),
}

impl Output {
    #[must_use]
    pub fn new(json: bool) -> Self {
        let plain = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        Self { json, colour: !json && !plain && io::stdout().is_terminal(), page: Mutex::default() }
    }

    /// From now on lines are gathered.
    pub fn gather(&self) {
        *self.page.lock().unwrap_or_else(PoisonError::into_inner) = Some(String::new());
    }

    /// What was gathered.
    pub fn gathered(&self) -> String {
        self.page.lock().unwrap_or_else(PoisonError::into_inner).take().unwrap_or_default()
    }

    fn put(&self, line: &str) {
        if let Some(page) = self.page.lock().unwrap_or_else(PoisonError::into_inner).as_mut() {
            page.push_str(line);
            page.push('\n');
            return;
        }
        // A closed pipe is the reader's wish, not our fault.
        let _ = writeln!(io::stdout().lock(), "{line}");
    }

    /// One JSON document on one line.
    pub fn document(&self, value: &impl Serialize) -> io::Result<()> {
        let mut out = io::stdout().lock();
        out.write_all(json_of(value)?.as_bytes())?;
        out.write_all(b"\n")?;
        out.flush()
    }

    /// One line for a person; nothing in JSON.
    pub fn line(&self, text: &str) {
        if !self.json {
            self.put(&visible(text));
        }
    }

    /// Text in a tone, where there is colour.
    #[must_use]
    fn toned(&self, text: &str, tone: Tone) -> String {
        let text = visible(text);
        if !self.colour {
            return text;
        }
        match tone {
            Tone::Plain => text,
            Tone::Good => format!("\x1b[32m{text}\x1b[0m"),
            Tone::Bad => format!("\x1b[31m{text}\x1b[0m"),
            Tone::Quiet => format!("\x1b[2m{text}\x1b[0m"),
            Tone::Part(hue) => format!("\x1b[4;3{}m{text}\x1b[0m", hue % 10),
        }
    }

    /// Whether tones are seen.
    #[must_use]
    pub fn has_colour(&self) -> bool {
        self.colour
    }

    /// One line of pieces, each in its tone; nothing in JSON.
    pub fn pieces(&self, pieces: &[(String, Tone)]) {
        if !self.json {
            let line: String = pieces.iter().map(|(text, tone)| self.toned(text, *tone)).collect();
            self.put(line.trim_end());
        }
    }

    /// A table with a head, columns as wide as their widest cell.
    pub fn table(&self, head: &[&str], rows: &[Vec<(String, Tone)>]) {
        let mut widths: Vec<usize> = head.iter().map(|h| h.chars().count()).collect();
        let shown: Vec<Vec<(String, Tone)>> = rows
            .iter()
            .map(|row| row.iter().map(|(text, tone)| (visible(text), *tone)).collect())
            .collect();
        for row in &shown {
            for (width, (text, _)) in widths.iter_mut().zip(row) {
                *width = (*width).max(text.chars().count());
            }
        }
        let head: Vec<(String, Tone)> =
            head.iter().map(|h| ((*h).to_owned(), Tone::Quiet)).collect();
        for row in std::iter::once(&head).chain(&shown) {
            let mut text = String::new();
            for (index, (cell, tone)) in row.iter().enumerate() {
                text.push_str(&self.toned(cell, *tone));
                if index + 1 < row.len() {
                    let fill = widths[index].saturating_sub(cell.chars().count()) + 2;
                    text.push_str(&" ".repeat(fill));
                }
            }
            self.put(text.trim_end());
        }
    }
}

/// A cell without a tone.
#[must_use]
pub fn plain(text: impl Into<String>) -> (String, Tone) {
    (text.into(), Tone::Plain)
}

/// A class as people see it: urgent work stands out.
#[must_use]
pub fn class(text: &str) -> (String, Tone) {
    if text == "stat" { ("URGENT".into(), Tone::Bad) } else { plain(text) }
}

/// A time for a table: `2026-03-14 09:15`. What is no time with its date stays as it is.
#[must_use]
pub fn short_time(time: Option<&str>) -> String {
    let Some(time) = time else { return "-".into() };
    match (time.get(..10), time.get(10..11), time.get(11..16)) {
        (Some(day), Some("T"), Some(minute)) => format!("{day} {minute}"),
        _ => time.to_owned(),
    }
}

/// A state, toned by whether it asks for a person.
#[must_use]
pub fn state(text: &str) -> (String, Tone) {
    let tone = match text {
        "accepted" | "filed" => Tone::Good,
        "held" | "refused" | "missing" => Tone::Bad,
        "repeat" | "set-aside" | "explained" => Tone::Quiet,
        _ => Tone::Plain,
    };
    (text.to_owned(), tone)
}

#[cfg(test)]
mod tests {
    use super::{json_of, short_time, span, visible};

    #[test]
    fn lengths_of_time_read_well() {
        let all = [5, 119, 120, 7199, 7200, 11_520, 200_000].map(span);
        assert_eq!(all, ["5 s", "119 s", "2 min", "119 min", "2 h 0 min", "3 h 12 min", "2 days"]);
        assert_eq!(short_time(Some("2026-03-14T09:15:02+00:00")), "2026-03-14 09:15");
        assert_eq!([short_time(Some("2026-03-14")), short_time(None)], ["2026-03-14", "-"]);
    }

    #[test]
    fn nothing_from_data_can_steer_a_terminal() {
        assert_eq!(
            visible("a\x1b[31mb\r\n\u{202e}c\u{9b}"),
            "a\\u{1b}[31mb\\u{d}\\u{a}\\u{202e}c\\u{9b}"
        );
        assert_eq!(visible("400 µL ≥ é"), "400 µL ≥ é");
    }

    #[test]
    fn a_document_has_no_sign_that_a_terminal_obeys_and_says_the_same() {
        let text = "a\u{1b}[2J\u{9b}31m\u{85}\u{202e}b\u{feff}\u{2028}\u{e9}\u{1f9ea}";
        let json = json_of(&[text]).expect("a document");
        assert_eq!(json, "[\"a\\u001b[2J\\u009b31m\\u0085\\u202eb\\ufeff\\u2028\u{e9}\u{1f9ea}\"]");
        assert_eq!(serde_json::from_str::<Vec<String>>(&json).expect("JSON"), [text]);
        assert_eq!(
            visible(text),
            "a\\u{1b}[2J\\u{9b}31m\\u{85}\\u{202e}b\\u{feff}\\u{2028}\u{e9}\u{1f9ea}"
        );
    }
}
