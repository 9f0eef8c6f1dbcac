//! What the pages say: one file a language, by page. Whoever shows a text names its place; none stands in a template.

use std::collections::BTreeMap;
use std::sync::OnceLock;

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

    /// The same with what stands in its braces: `{n} held`.
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
    TEXTS.get_or_init(|| read(include_str!("../../text/en.toml")))
}

fn portuguese() -> &'static Texts {
    static TEXTS: OnceLock<Texts> = OnceLock::new();
    TEXTS.get_or_init(|| read(include_str!("../../text/pt.toml")))
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
mod tests {
    use std::collections::{BTreeMap, BTreeSet};
    use std::path::Path;

    use wickline_normalize::Reason;

    use super::{Language, english, portuguese};
    use crate::store::state::State;

    /// The names in the braces of a text.
    fn places(text: &str) -> BTreeSet<&str> {
        text.split('{').skip(1).filter_map(|rest| rest.split('}').next()).collect()
    }

    #[test]
    fn both_languages_have_the_same_places_with_the_same_braces() {
        assert!(english().len() > 50, "the file is not read");
        let keys = |texts: &BTreeMap<String, String>| texts.keys().cloned().collect::<Vec<_>>();
        assert_eq!(keys(english()), keys(portuguese()));
        for (place, text) in english() {
            assert_eq!(places(text), places(&portuguese()[place]), "{place}");
            assert!(!text.trim().is_empty() && !portuguese()[place].trim().is_empty(), "{place}");
        }
    }

    fn sources(folder: &Path, ending: &str) -> Vec<(String, String)> {
        let mut found = Vec::new();
        for entry in std::fs::read_dir(folder).expect("a folder").flatten() {
            let path = entry.path();
            if path.is_dir() {
                found.extend(sources(&path, ending));
            } else if path.extension().is_some_and(|e| e == ending) {
                let text = std::fs::read_to_string(&path).expect("a text");
                found.push((path.display().to_string(), text));
            }
        }
        found
    }

    /// Every place that a template or a page names is there, and no text stands in a template.
    #[test]
    fn what_is_named_is_there_and_templates_have_no_text_of_their_own() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR"));
        for (file, text) in sources(&root.join("templates/console"), "html") {
            for rest in text.split("t(\"").skip(1) {
                let place = rest.split('"').next().unwrap_or("");
                assert_ne!(Language::English.text(place), "[?]", "{file}: {place}");
            }
            // What stands outside of expressions, statements and tags.
            let mut bare = text.clone();
            for (from, to) in [("{%", "%}"), ("{{", "}}"), ("<", ">")] {
                while let Some((before, rest)) = bare.split_once(from) {
                    let after = rest.split_once(to).map_or("", |(_, after)| after);
                    bare = format!("{before}{after}");
                }
            }
            bare.retain(char::is_alphabetic);
            assert!(bare.is_empty(), "{file} has a text of its own: {bare}");
        }
        for (file, text) in sources(&root.join("src/console"), "rs") {
            for call in [".text(\"", ".say(\"", ".t(\""] {
                for rest in text.split(call).skip(1) {
                    let place = rest.split('"').next().unwrap_or("");
                    assert_ne!(Language::English.text(place), "[?]", "{file}: {place}");
                }
            }
            for rest in text.split(".counted(\"").skip(1) {
                let place = rest.split('"').next().unwrap_or("");
                for which in ["one", "several"] {
                    let place = format!("{place}.{which}");
                    assert_ne!(Language::English.text(&place), "[?]", "{file}: {place}");
                }
            }
        }
    }

    /// Places that are put together from words of the program: each word has its text.
    #[test]
    fn every_word_of_the_program_has_its_text() {
        let mut places: Vec<String> = Vec::new();
        places.extend(State::ALL.iter().map(|state| format!("state.{}", state.text())));
        places.extend(Reason::ALL.iter().map(|reason| format!("reason.{}", reason.code())));
        places.extend(
            ["passed", "failed", "due", "no-plan", "no-target"].map(|w| format!("control.{w}")),
        );
        places.extend(["nothing", "results", "withdrawn", "unknown"].map(|w| format!("holds.{w}")));
        places.extend((1..=12).map(|month| format!("month.{month:02}")));
        places.extend((0..7).map(|day| format!("weekday.{day}")));
        for place in places {
            assert_ne!(Language::English.text(&place), "[?]", "{place}");
        }
    }

    #[test]
    fn numbers_are_written_as_people_do() {
        for (n, en, pt) in [
            (0, "0", "0"),
            (9_999, "9999", "9999"),
            (10_000, "10,000", "10\u{202f}000"),
            (1_234_567, "1,234,567", "1\u{202f}234\u{202f}567"),
            (-12_345, "-12,345", "-12\u{202f}345"),
        ] {
            assert_eq!(Language::English.number(n), en);
            assert_eq!(Language::Portuguese.number(n), pt);
        }
        assert_eq!(Language::asked("pt-PT,pt;q=0.9,en;q=0.8"), Some(Language::Portuguese));
        assert_eq!(Language::asked("fr, de"), None);
    }
}
