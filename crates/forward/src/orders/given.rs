//! A field as it came, so that it can go back as it came: in our own separators, decoded part by part.

use std::fmt;

use serde::{Deserialize, Serialize};
use wickline_normalize::Private;

use crate::hl7::Message;

/// A field in `|^~\&`, whatever its sender declared. Shows only its length, for most of them may name a patient.
#[derive(Clone, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Given(Private);

impl Given {
    /// From a field as its message wrote it. What only separates nothing from nothing is left out.
    #[must_use]
    pub fn of(message: &Message, field: &str) -> Given {
        let subs = |part: &str| {
            let subs = message.subcomponents(part).map(|sub| escaped(&message.unescape(sub)));
            joined(subs, '&')
        };
        let one = |one: &str| joined(message.components(one).map(subs), '^');
        Given(Private::new(joined(message.repetitions(field).map(one), '~')))
    }

    /// From a text that means itself.
    #[must_use]
    pub fn plain(text: &str) -> Given {
        Given(Private::new(escaped(text)))
    }

    /// From what was kept: a field in our own separators.
    #[must_use]
    pub fn kept(text: &str) -> Given {
        Given(Private::new(text))
    }

    /// In our own separators, escapes and all.
    #[must_use]
    pub fn text(&self) -> &str {
        self.0.expose()
    }

    /// It says nothing.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Two quotes: what is held is to be erased.
    #[must_use]
    pub fn is_erased(&self) -> bool {
        self.text() == "\"\""
    }

    /// It names something.
    #[must_use]
    pub fn is_said(&self) -> bool {
        !self.is_empty() && !self.is_erased()
    }

    /// Its repetitions, one at least.
    pub fn repetitions(&self) -> impl Iterator<Item = Given> {
        self.text().split('~').map(Given::kept)
    }

    /// The text of a component of the first repetition, with what is below it.
    #[must_use]
    pub fn part(&self, component: usize) -> Given {
        Given::kept(nth(nth(self.text(), '~', 1), '^', component))
    }

    /// The text of a subcomponent of the first repetition.
    #[must_use]
    pub fn sub(&self, component: usize, sub: usize) -> String {
        plain(nth(self.part(component).text(), '&', sub))
    }

    /// The first subcomponent of a component of the first repetition.
    #[must_use]
    pub fn value(&self, component: usize) -> String {
        self.sub(component, 1)
    }

    /// For comparing: what cannot be told apart by a receiver is the same.
    #[must_use]
    pub fn private(&self) -> Private {
        self.0.clone()
    }
}

impl fmt::Debug for Given {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

fn nth(text: &str, sign: char, n: usize) -> &str {
    n.checked_sub(1).and_then(|n| text.split(sign).nth(n)).unwrap_or("")
}

fn joined(parts: impl Iterator<Item = String>, sign: char) -> String {
    let mut text = String::new();
    for (n, part) in parts.enumerate() {
        if n > 0 {
            text.push(sign);
        }
        text.push_str(&part);
    }
    text.truncate(text.trim_end_matches(sign).len());
    text
}

/// Our own separators and what no terminal should see are escaped.
fn escaped(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '|' => out.push_str("\\F\\"),
            '^' => out.push_str("\\S\\"),
            '&' => out.push_str("\\T\\"),
            '~' => out.push_str("\\R\\"),
            '\\' => out.push_str("\\E\\"),
            c if c.is_control() => {
                let bytes = c.to_string().into_bytes();
                let hex: String = bytes.iter().map(|byte| format!("{byte:02X}")).collect();
                out.push_str(&format!("\\X{hex}\\"));
            }
            c => out.push(c),
        }
    }
    out
}

/// The text that was escaped. Nothing else is read here: the tokenizer knows all escapes.
fn plain(text: &str) -> String {
    if !text.contains('\\') {
        return text.to_owned();
    }
    Message::read(b"MSH|^~\\&|").map_or_else(|_| text.to_owned(), |own| own.unescape(text))
}
