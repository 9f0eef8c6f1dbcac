//! What a store keeps in English words: read back by the text that made them, so that a page can say it in its reader's
//! language. What no text fits stands as it was kept.

use std::collections::BTreeMap;
use std::sync::OnceLock;

use super::{Language, Said, english};

/// Braces whose content is read in the same way; what stands in any other is an id, a number or somebody's words.
const READ: [&str; 4] = ["what", "had", "has", "orders"];

/// A text of ours taken apart: what stands before the first brace, then each brace with what stands behind it.
struct Pattern {
    place: &'static str,
    first: &'static str,
    rest: Vec<(&'static str, &'static str)>,
}

impl Pattern {
    fn of(place: &'static str, text: &'static str) -> Self {
        let (first, braces) = text.split_at(text.find('{').unwrap_or(text.len()));
        let brace = |piece: &'static str| piece.split_once('}').unwrap_or((piece, ""));
        Self { place, first, rest: braces.split('{').skip(1).map(brace).collect() }
    }

    /// How much of it is said by itself: of two that fit the one that says more is right.
    fn says(&self) -> usize {
        self.first.len() + self.rest.iter().map(|(_, behind)| behind.len()).sum::<usize>()
    }

    fn read(&self, text: &str) -> Option<Said> {
        let mut left = text.strip_prefix(self.first)?;
        let mut with = Vec::new();
        for (nth, (name, behind)) in self.rest.iter().enumerate() {
            let last = nth + 1 == self.rest.len();
            let (value, after) = match last {
                true => (left.strip_suffix(behind)?, ""),
                false => left.split_once(behind)?,
            };
            let value = if READ.contains(name) { Said::kept(value) } else { Said::from(value) };
            with.push((*name, value));
            left = after;
        }
        left.is_empty().then(|| Said::at(self.place, with))
    }
}

type Patterns = BTreeMap<&'static str, Vec<Pattern>>;

/// By room.
fn patterns() -> &'static Patterns {
    static PATTERNS: OnceLock<Patterns> = OnceLock::new();
    PATTERNS.get_or_init(|| {
        let mut rooms = Patterns::new();
        for (place, text) in english() {
            let room = place.split('.').next().unwrap_or("");
            rooms.entry(room).or_default().push(Pattern::of(place, text));
        }
        rooms.values_mut().for_each(|all| all.sort_by_key(|one| std::cmp::Reverse(one.says())));
        rooms
    })
}

fn read(room: &str, text: &str) -> Option<Said> {
    patterns().get(room)?.iter().find_map(|pattern| pattern.read(text))
}

impl Said {
    /// Words that were kept, of what stood before or after an act: a text of ours, or several in a list.
    #[must_use]
    pub fn kept(text: &str) -> Self {
        if let Some(said) = ["kept", "notice", "point"].iter().find_map(|room| read(room, text)) {
            return said;
        }
        if Language::has(&format!("reason.{text}")) {
            return Self::code("reason", text);
        }
        for between in ["; ", ", "] {
            if text.contains(between) {
                return Self::list(between, text.split(between).map(Self::kept));
            }
        }
        Self::from(text)
    }

    /// The same, of texts of one room.
    #[must_use]
    pub fn kept_in(room: &str, text: &str) -> Self {
        read(room, text).unwrap_or_else(|| Self::from(text))
    }

    /// An act of the trail by its verb.
    #[must_use]
    pub fn verb(verb: &str) -> Self {
        let place = format!("verb.{verb}");
        if Language::has(&place) { Self::at(place, Vec::new()) } else { Self::from(verb) }
    }
}
