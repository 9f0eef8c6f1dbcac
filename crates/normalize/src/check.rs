//! Check characters at the end of specimen ids, and what a scanner puts around an id.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// A system of check characters. Hyphens in an id are for the eye: they do not count.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub enum CheckCharacter {
    /// Luhn's formula over digits: US patent 2,950,048 and ISO/IEC 7812-1, annex B.
    Luhn,
    /// Mod 10 with weights 3, 1, 3 .. from the right: GS1 General Specifications, check digits.
    Mod10,
    /// Luhn's formula in base 36 over 0-9 and A-Z ("Luhn mod N"): common practice.
    Mod36,
    /// ISO/IEC 7064, hybrid system MOD 37,36, over 0-9 and A-Z.
    Mod37And36,
    /// ISO/IEC 7064, pure system MOD 37-2, over 0-9 and A-Z; the check character may be `*`.
    Mod37Radix2,
}

use CheckCharacter::{Luhn, Mod10, Mod36, Mod37And36, Mod37Radix2};

/// The words of a configuration.
const WORDS: &[(&str, CheckCharacter)] = &[
    ("luhn", Luhn),
    ("mod-10", Mod10),
    ("mod-36", Mod36),
    ("mod-37-36", Mod37And36),
    ("mod-37-2", Mod37Radix2),
];

/// The values of the characters, in order; the last one only as a check character of MOD 37-2.
const ALPHABET: &[u8; 37] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*";

impl CheckCharacter {
    /// The check character that belongs after this text. None: it has a character that the system
    /// does not know, or none at all.
    #[must_use]
    pub fn of(self, body: &str) -> Option<char> {
        let size = if matches!(self, Luhn | Mod10) { 10 } else { 36 };
        let mut values: Vec<u32> = Vec::with_capacity(body.len());
        for letter in body.chars().filter(|l| *l != '-') {
            let place = ALPHABET.iter().take(size).position(|a| char::from(*a) == letter)?;
            values.push(u32::try_from(place).ok()?);
        }
        if values.is_empty() {
            return None;
        }
        let value = match self {
            Luhn => doubling(&values, 10),
            Mod36 => doubling(&values, 36),
            Mod10 => {
                let weighed = values.iter().rev().zip([3, 1].into_iter().cycle());
                10 - weighed.fold(0, |sum, (v, weight)| (sum + v * weight) % 10)
            }
            Mod37And36 => {
                // The product is kept between 1 and 36: 0 stands for 36 (ISO/IEC 7064, hybrid systems).
                let next = |p: u32, v: &u32| match (p + v) % 36 {
                    0 => 36 * 2 % 37,
                    sum => sum * 2 % 37,
                };
                (37 - values.iter().fold(36, next)) % 36
            }
            Mod37Radix2 => (38 - values.iter().fold(0, |sum, v| (sum + v) * 2 % 37)) % 37,
        };
        let value = if matches!(self, Luhn | Mod10) { value % 10 } else { value };
        usize::try_from(value).ok().and_then(|v| ALPHABET.get(v)).map(|b| char::from(*b))
    }

    /// Whether an id ends with its check character; the error goes on from "specimen id X ..." and
    /// names no more of the id than its last character.
    ///
    /// Hyphens do not count. The error never repeats more than one character of the id.
    pub fn check(self, id: &str) -> Result<(), String> {
        let mut letters = id.chars();
        let last = letters.next_back().unwrap_or(' ');
        let known = if matches!(self, Luhn | Mod10) { "digits" } else { "0-9 and A-Z" };
        let expected = self.of(letters.as_str()).ok_or_else(|| {
            format!("has no check character: {self} needs {known} before it, hyphens apart")
        })?;
        if last == expected {
            return Ok(());
        }
        let shown = if last.is_ascii_graphic() { last } else { '?' };
        Err(format!("ends with `{shown}` where its check character ({self}) would be `{expected}`"))
    }
}

/// Luhn's formula in any even base: every second value from the right doubled, its digits added.
fn doubling(values: &[u32], base: u32) -> u32 {
    let sum = values.iter().rev().zip([2, 1].into_iter().cycle()).fold(0, |sum, (v, times)| {
        let product = v * times;
        (sum + product / base + product % base) % base
    });
    (base - sum) % base
}

impl fmt::Display for CheckCharacter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let word = WORDS.iter().find(|(_, system)| system == self).map_or("", |(word, _)| *word);
        f.write_str(word)
    }
}

impl FromStr for CheckCharacter {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        WORDS.iter().find(|(word, _)| *word == text).map(|(_, system)| *system).ok_or_else(|| {
            let known: Vec<&str> = WORDS.iter().map(|(word, _)| *word).collect();
            format!("`{text}` is not allowed; allowed: {}", known.join(", "))
        })
    }
}

impl TryFrom<String> for CheckCharacter {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl From<CheckCharacter> for String {
    fn from(system: CheckCharacter) -> String {
        system.to_string()
    }
}

/// What this laboratory's scanner puts around an id. Nothing is taken off that is not named here.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct Rubbish {
    /// Before the id, once; of several that fit the longest, such as the `]C1` that scanners send
    /// for Code 128 (symbology identifiers: ISO/IEC 15424).
    pub leading: Vec<String>,
    /// Behind the id, once; of several that fit the longest.
    pub trailing: Vec<String>,
    /// Characters taken off both ends wherever they stand there.
    pub characters: String,
}

impl Rubbish {
    /// The id without what a rule takes off it.
    ///
    /// What remains may be empty; then nothing was scanned.
    #[must_use]
    pub fn strip<'a>(&self, printed: &'a str) -> &'a str {
        let loose = |text: &'a str| text.trim_matches(|l| self.characters.contains(l));
        let id = loose(printed);
        let mut fits = self.leading.iter().filter_map(|a| id.strip_prefix(a.as_str()));
        let id = fits.by_ref().min_by_key(|rest| rest.len()).unwrap_or(id);
        let fits = self.trailing.iter().filter_map(|a| id.strip_suffix(a.as_str()));
        loose(fits.min_by_key(|rest| rest.len()).unwrap_or(id))
    }
}

#[cfg(test)]
mod tests;
