//! Texts of a draft: TOML strings and comments that nothing printed can break out of.

use std::fmt::Write;

use wickline_normalize::words::quote;

/// A basic string of TOML, on one line.
pub fn text(text: &str) -> String {
    let mut out = String::from("\"");
    for letter in text.chars() {
        let shown = letter == ' ' || letter.is_ascii_graphic() || letter.is_alphanumeric();
        match letter {
            '"' | '\\' => {
                out.push('\\');
                out.push(letter);
            }
            _ if shown || "±≤≥°µ".contains(letter) => out.push(letter),
            _ => drop(write!(out, "\\U{:08X}", u32::from(letter))),
        }
    }
    out.push('"');
    out
}

/// A list on one line.
pub fn list<T: AsRef<str>>(texts: impl IntoIterator<Item = T>) -> String {
    let texts: Vec<String> = texts.into_iter().map(|t| text(t.as_ref())).collect();
    format!("[{}]", texts.join(", "))
}

/// A file that is being drafted.
#[derive(Default)]
pub struct Page(String);

impl Page {
    pub fn line(&mut self, line: impl AsRef<str>) {
        self.0.push_str(line.as_ref());
        self.0.push('\n');
    }

    /// A question to the analyst. What it quotes is quoted already; a line break in it would end the comment.
    pub fn ask(&mut self, question: impl AsRef<str>) {
        self.line(format!("# ? {}", one_line(question.as_ref())));
    }

    pub fn note(&mut self, note: impl AsRef<str>) {
        self.line(format!("# {}", one_line(note.as_ref())));
    }

    pub fn finish(self) -> String {
        self.0
    }
}

fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// Printed texts, quoted for a person, a few of them.
pub fn few<T: AsRef<str>>(texts: &[T]) -> String {
    let shown: Vec<String> = texts.iter().take(6).map(|t| quote(t.as_ref())).collect();
    let more = if texts.len() > 6 { " and others" } else { "" };
    format!("{}{more}", shown.join(", "))
}
