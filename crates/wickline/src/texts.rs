//! What people are told: one file a language, by place. Whoever says something names its place; no text stands in a
//! template. Commands speak English, pages the language of who reads them.

mod kept;
mod said;

use std::collections::BTreeMap;
use std::sync::OnceLock;

pub use self::said::Said;
pub(crate) use self::said::{say, way};

/// A language of the pages.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Language {
    #[default]
    English,
    Portuguese,
}

impl Language {
    pub const ALL: [Self; 2] = [Self::English, Self::Portuguese];

    /// As browsers and pages name it (BCP 47).
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::English => "en",
            Self::Portuguese => "pt",
        }
    }

    /// In its own words.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::English => "English",
            Self::Portuguese => "Português",
        }
    }

    /// The one of a code.
    #[must_use]
    pub fn of(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|language| language.code() == code)
    }

    /// The first that a browser asks for and that is here (RFC 9110, 12.5.4; weights are not looked at: browsers send
    /// what they like best first).
    #[must_use]
    pub fn asked(accepted: &str) -> Option<Self> {
        let codes = accepted.split(',').take(20).filter_map(|one| one.split([';', '-']).next());
        codes.map(str::trim).find_map(Self::of)
    }

    /// The text at a place such as `held.none`. A place that is not there shows itself: a test finds it.
    #[must_use]
    pub fn text(self, place: &str) -> &'static str {
        let texts = match self {
            Self::English => english(),
            Self::Portuguese => portuguese(),
        };
        texts.get(place).map_or("[?]", String::as_str)
    }

    /// Whether there is a text at a place.
    #[must_use]
    pub fn has(place: &str) -> bool {
        english().contains_key(place)
    }

    /// The text at a place with what stands in its braces: `{n} held`.
    #[must_use]
    pub fn say(self, place: &str, with: &[(&str, &str)]) -> String {
        let mut said = String::new();
        let mut rest = self.text(place);
        while let Some((before, behind)) = rest.split_once('{') {
            said.push_str(before);
            let (name, after) = behind.split_once('}').unwrap_or((behind, ""));
            let value = with.iter().find(|(known, _)| *known == name).map_or("?", |(_, v)| v);
            said.push_str(value);
            rest = after;
        }
        said.push_str(rest);
        said
    }

    /// One text for one, another for several, with how many: `held.one` and `held.several`.
    #[must_use]
    pub fn counted(self, place: &str, n: i64) -> String {
        let which = if n == 1 { "one" } else { "several" };
        self.say(&format!("{place}.{which}"), &[("n", &self.number(n))])
    }

    /// A whole number as people of this language write it.
    #[must_use]
    pub fn number(self, n: i64) -> String {
        let separator = match self {
            Self::English => ',',
            Self::Portuguese => '\u{202f}',
        };
        let digits = n.unsigned_abs().to_string();
        let mut shown = String::new();
        for (at, digit) in digits.chars().enumerate() {
            // Four digits stand together.
            if at > 0 && digits.len() > 4 && (digits.len() - at).is_multiple_of(3) {
                shown.push(separator);
            }
            shown.push(digit);
        }
        if n < 0 { format!("-{shown}") } else { shown }
    }
}

type Texts = BTreeMap<String, String>;

fn english() -> &'static Texts {
    static TEXTS: OnceLock<Texts> = OnceLock::new();
    TEXTS.get_or_init(|| read(include_str!("../text/en.toml")))
}

fn portuguese() -> &'static Texts {
    static TEXTS: OnceLock<Texts> = OnceLock::new();
    TEXTS.get_or_init(|| read(include_str!("../text/pt.toml")))
}

fn read(text: &str) -> Texts {
    let mut texts = Texts::new();
    let table: toml::Table = toml::from_str(text).unwrap_or_default();
    flat("", &toml::Value::Table(table), &mut texts);
    texts
}

fn flat(place: &str, value: &toml::Value, texts: &mut Texts) {
    match value {
        toml::Value::Table(table) => {
            for (name, value) in table {
                let place = if place.is_empty() { name.clone() } else { format!("{place}.{name}") };
                flat(&place, value, texts);
            }
        }
        toml::Value::String(text) => {
            texts.insert(place.to_owned(), text.clone());
        }
        _ => {}
    }
}

#[cfg(test)]
mod tests;
