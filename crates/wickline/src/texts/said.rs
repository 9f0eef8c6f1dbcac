//! Something that is said before it is known to whom: places in the texts with what stands in their braces. Commands
//! say it in English, a page in its reader's language.

use std::borrow::Cow;
use std::fmt;

use serde::{Serialize, Serializer};

use super::Language;

/// It.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Said(Vec<Piece>);

#[derive(Clone, PartialEq, Eq)]
enum Piece {
    /// The same in every language: ids, numbers, times, commands, what people and machines wrote.
    Plain(String),
    Text(Cow<'static, str>, Vec<(&'static str, Said)>),
    /// A word that scripts know, by the room of its text: commands say it as it is.
    Code(&'static str, String),
    /// What to do: at a terminal a command, of the room `way`; on a page a place on one, of the room `here`.
    Way(&'static str, Vec<(&'static str, Said)>),
}

/// The text at a place with what stands in its braces: `say!("found.away", at = time)`. A test reads each of these in
/// the sources and finds the place, with these braces and no others.
macro_rules! say {
    ($place:literal $(, $name:ident = $value:expr)* $(,)?) => {
        $crate::texts::Said::at($place, vec![$((stringify!($name), $crate::texts::Said::from($value))),*])
    };
}
pub(crate) use say;

/// What to do about it, by what stands under this name in the rooms `way` and `here`.
macro_rules! way {
    ($name:literal $(, $brace:ident = $value:expr)* $(,)?) => {
        $crate::texts::Said::way($name, vec![$((stringify!($brace), $crate::texts::Said::from($value))),*])
    };
}
pub(crate) use way;

impl Said {
    /// The text at a place. Where its name is put together from words of the program a test names them all.
    pub fn at(place: impl Into<Cow<'static, str>>, with: Vec<(&'static str, Self)>) -> Self {
        Self(vec![Piece::Text(place.into(), with)])
    }

    /// This, and that behind it.
    #[must_use]
    pub fn then(mut self, more: impl Into<Self>) -> Self {
        self.0.extend(more.into().0);
        self
    }

    /// One behind the other.
    pub fn list(between: &str, all: impl IntoIterator<Item = Self>) -> Self {
        let mut said = Self::default();
        for one in all {
            if !said.0.is_empty() {
                said.0.push(Piece::Plain(between.to_owned()));
            }
            said.0.extend(one.0);
        }
        said
    }

    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// A word that scripts know, such as the code of a state.
    #[must_use]
    pub fn code(room: &'static str, code: &str) -> Self {
        Self(vec![Piece::Code(room, code.to_owned())])
    }

    /// What `way!` makes.
    #[must_use]
    pub fn way(name: &'static str, with: Vec<(&'static str, Self)>) -> Self {
        Self(vec![Piece::Way(name, with)])
    }

    /// On a page, in its reader's language.
    #[must_use]
    pub fn told(&self, language: Language) -> String {
        self.spoken(language, true)
    }

    fn spoken(&self, language: Language, page: bool) -> String {
        let text = |place: &str, with: &[(&'static str, Self)]| {
            let with: Vec<_> =
                with.iter().map(|(name, said)| (*name, said.spoken(language, page))).collect();
            let with: Vec<_> = with.iter().map(|(name, text)| (*name, &**text)).collect();
            language.say(place, &with)
        };
        let one = |piece: &Piece| match piece {
            Piece::Plain(text) => text.clone(),
            Piece::Text(place, with) => text(place, with),
            Piece::Code(_, code) if language == Language::English => code.clone(),
            Piece::Code(room, code) => language.text(&format!("{room}.{code}")).to_owned(),
            Piece::Way(name, with) if page => text(&format!("here.{name}"), with),
            Piece::Way(name, with) => text(&format!("way.{name}"), with),
        };
        self.0.iter().map(one).collect()
    }

    /// The same with something done to whatever is no text of ours.
    #[must_use]
    pub fn plain(self, change: &impl Fn(String) -> String) -> Self {
        let all = |with: Vec<(&'static str, Self)>| {
            with.into_iter().map(|(name, said)| (name, said.plain(change))).collect()
        };
        let piece = |piece| match piece {
            Piece::Plain(text) => Piece::Plain(change(text)),
            Piece::Text(place, with) => Piece::Text(place, all(with)),
            Piece::Way(name, with) => Piece::Way(name, all(with)),
            Piece::Code(..) => piece,
        };
        Self(self.0.into_iter().map(piece).collect())
    }
}

impl fmt::Display for Said {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.spoken(Language::English, false))
    }
}

impl fmt::Debug for Said {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{:?}", self.to_string())
    }
}

impl Serialize for Said {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl From<String> for Said {
    fn from(text: String) -> Self {
        if text.is_empty() { Self::default() } else { Self(vec![Piece::Plain(text)]) }
    }
}

macro_rules! plain {
    ($($kind:ty),*) => {
        $(impl From<$kind> for Said {
            fn from(value: $kind) -> Self {
                Self::from(value.to_string())
            }
        })*
    };
}
plain!(&str, &&str, &String, i64, &i64, u64, &u64, usize, &usize, u32);

impl From<&Self> for Said {
    fn from(said: &Self) -> Self {
        said.clone()
    }
}

#[cfg(test)]
impl Said {
    pub fn contains(&self, part: &str) -> bool {
        self.to_string().contains(part)
    }

    pub fn ends_with(&self, part: &str) -> bool {
        self.to_string().ends_with(part)
    }

    pub fn starts_with(&self, part: &str) -> bool {
        self.to_string().starts_with(part)
    }
}

#[cfg(test)]
impl PartialEq<&str> for Said {
    fn eq(&self, other: &&str) -> bool {
        self.to_string() == **other
    }
}
