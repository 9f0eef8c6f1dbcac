//! What an id looks like: a small notation for specimen ids and control material.
//!
//! Literal characters, sets in brackets and `*`, each set or character with an optional count:
//! `[A-Za-z0-9-]{4,20}`, `QC-L1[0-9]{6}`, `QC-*`. A hyphen first or last in a set is itself; `\`
//! makes the next character literal; `*` is any printable characters, none included.

use std::collections::{BTreeMap, VecDeque};
use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

/// Characters of an id at most: longer ones never match.
const LONGEST: usize = 80;

/// A pattern that a whole id matches or not. Matching takes bounded time whatever is printed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(try_from = "String", into = "String")]
pub struct Pattern {
    text: String,
    atoms: Vec<Atom>,
}

#[derive(Clone, Debug, PartialEq, Eq)]
struct Atom {
    set: Vec<(char, char)>,
    least: usize,
    most: usize,
}

impl Pattern {
    /// The shortest id that matches, of the first character of each set.
    #[must_use]
    pub fn example(&self) -> String {
        let of = |atom: &Atom| {
            let first = atom.set.first().map(|(first, _)| *first);
            first.into_iter().collect::<String>().repeat(atom.least)
        };
        self.atoms.iter().map(of).collect()
    }

    /// Ids that match, one as different from the others as the pattern lets it: short and long ones, of the first,
    /// the last and alternating characters of each set. For trying what else must hold of an id.
    #[must_use]
    pub fn examples(&self) -> Vec<String> {
        let of = |long: bool, which: fn(usize) -> bool| {
            let mut id = String::new();
            for atom in &self.atoms {
                let most = if long { atom.most.min(atom.least + 4) } else { atom.least };
                let ends = atom.set.first().zip(atom.set.last());
                let letters =
                    ends.into_iter().map(|((first, _), (_, last))| (*first, *last)).cycle();
                let picked = letters.take(most).enumerate();
                id.extend(picked.map(|(n, (first, last))| if which(n) { last } else { first }));
            }
            id
        };
        let kinds: [fn(usize) -> bool; 3] = [|n| n % 2 == 1, |_| false, |_| true];
        [false, true].into_iter().flat_map(|long| kinds.map(|which| of(long, which))).collect()
    }

    /// True when the whole text matches.
    #[must_use]
    pub fn matches(&self, text: &str) -> bool {
        let letters: Vec<char> = text.chars().take(LONGEST + 1).collect();
        if letters.len() > LONGEST {
            return false;
        }
        // Which lengths of the text the atoms so far can have eaten.
        let mut reached = vec![false; letters.len() + 1];
        if let Some(start) = reached.first_mut() {
            *start = true;
        }
        for atom in &self.atoms {
            reached = atom.after(&reached, &letters);
        }
        reached.last().copied().unwrap_or(false)
    }
}

impl Pattern {
    /// A shortest id that fits this pattern and the other one. None: no id does.
    ///
    /// For `check`: two patterns that share an id would let one id mean two things.
    /// ```
    /// use wickline_normalize::Pattern;
    ///
    /// let patients: Pattern = "[A-Za-z0-9-]{4,20}".parse().expect("a pattern");
    /// let external: Pattern = "EQA-[0-9]{4}".parse().expect("a pattern");
    /// assert_eq!(patients.shared(&external).as_deref(), Some("EQA-0000"));
    /// ```
    #[must_use]
    pub fn shared(&self, other: &Pattern) -> Option<String> {
        let (own, others) = (self.steps(), other.steps());
        let end = (own.len(), others.len());
        // A place is how many steps of each are done; kept with each is where it was reached from.
        let mut from = BTreeMap::new();
        let mut ahead = VecDeque::from([((0_usize, 0_usize), None)]);
        while let Some((place, reached)) = ahead.pop_front() {
            if from.contains_key(&place) {
                continue;
            }
            from.insert(place, reached);
            if place == end {
                return Some(spelled(&from, end)).filter(|id| id.chars().count() <= LONGEST);
            }
            let (one, two) = (own.get(place.0), others.get(place.1));
            // What costs no letter comes first, so that each place is reached with as few as can be.
            if one.is_some_and(|step| step.may_lack) {
                ahead.push_front(((place.0 + 1, place.1), Some((place, None))));
            }
            if two.is_some_and(|step| step.may_lack) {
                ahead.push_front(((place.0, place.1 + 1), Some((place, None))));
            }
            if let Some(letter) = one.zip(two).and_then(|(one, two)| one.common(two)) {
                ahead.push_back(((place.0 + 1, place.1 + 1), Some((place, Some(letter)))));
            }
        }
        None
    }

    /// Characters that stand in every id of this pattern and are no choice of several.
    #[must_use]
    pub fn literals(&self) -> usize {
        let alone = |atom: &&Atom| matches!(atom.set.as_slice(), [(from, to)] if from == to);
        self.atoms.iter().filter(alone).map(|atom| atom.least).sum()
    }

    /// One for each character that an id may have.
    fn steps(&self) -> Vec<Step<'_>> {
        let mut steps = Vec::new();
        for atom in &self.atoms {
            let step = |n| Step { set: &atom.set, may_lack: n >= atom.least };
            steps.extend((0..atom.most).map(step));
        }
        steps
    }
}

/// From which place, and with which letter.
type Reached = ((usize, usize), Option<char>);

/// The letters on the way to a place.
fn spelled(from: &BTreeMap<(usize, usize), Option<Reached>>, end: (usize, usize)) -> String {
    let mut letters: Vec<char> = Vec::new();
    let mut place = end;
    while let Some(Some((before, letter))) = from.get(&place) {
        letters.extend(letter);
        place = *before;
    }
    letters.iter().rev().collect()
}

/// One character of an id: what it may be, and whether it may lack.
struct Step<'a> {
    set: &'a [(char, char)],
    may_lack: bool,
}

impl Step<'_> {
    /// A character that both can be.
    fn common(&self, other: &Step<'_>) -> Option<char> {
        let both = |a: &(char, char), b: &(char, char)| {
            let (from, to) = (a.0.max(b.0), a.1.min(b.1));
            (from <= to).then_some(from)
        };
        self.set.iter().find_map(|a| other.set.iter().find_map(|b| both(a, b)))
    }
}

impl Atom {
    fn after(&self, before: &[bool], letters: &[char]) -> Vec<bool> {
        let mut after = vec![false; before.len()];
        for start in before.iter().enumerate().filter_map(|(n, yes)| yes.then_some(n)) {
            let rest = letters.iter().skip(start).take(self.most);
            let run = rest.take_while(|l| self.holds(**l)).count();
            for eaten in self.least..=run {
                if let Some(place) = after.get_mut(start + eaten) {
                    *place = true;
                }
            }
        }
        after
    }

    fn holds(&self, letter: char) -> bool {
        self.set.iter().any(|(from, to)| (*from..=*to).contains(&letter))
    }
}

/// Patterns of 1 to 120 characters; the error says what is wrong and shows an example.
impl FromStr for Pattern {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let wrong =
            |why: &str| format!("`{text}` is no pattern: {why}; an example: [A-Z0-9-]{{4,20}}");
        if text.is_empty() || text.len() > 120 {
            return Err(wrong("there are not 1 to 120 characters"));
        }
        let mut letters = text.chars().peekable();
        let mut atoms = Vec::new();
        while let Some(letter) = letters.next() {
            let (set, least, most) = match letter {
                '[' => (set(&mut letters).map_err(&wrong)?, 1, 1),
                '*' => (vec![(' ', '~')], 0, LONGEST),
                '\\' => {
                    let literal = letters.next().ok_or_else(|| wrong("nothing follows `\\`"))?;
                    (vec![(literal, literal)], 1, 1)
                }
                ']' | '{' | '}' => return Err(wrong("a bracket stands where none can; use `\\`")),
                literal => (vec![(literal, literal)], 1, 1),
            };
            let (least, most) = if letters.next_if_eq(&'{').is_some() {
                count(&mut letters).map_err(&wrong)?
            } else {
                (least, most)
            };
            atoms.push(Atom { set, least, most });
        }
        let shortest: usize = atoms.iter().map(|atom: &Atom| atom.least).sum();
        if shortest > LONGEST {
            return Err(wrong(
                "no id fits it, for the shortest would have more than 80 characters",
            ));
        }
        Ok(Pattern { text: text.to_owned(), atoms })
    }
}

type Letters<'a> = std::iter::Peekable<std::str::Chars<'a>>;

fn set(letters: &mut Letters<'_>) -> Result<Vec<(char, char)>, &'static str> {
    let mut set: Vec<(char, char)> = Vec::new();
    loop {
        let from = match letters.next().ok_or("a `[` is not closed")? {
            ']' if set.is_empty() => return Err("a set is empty"),
            ']' => return Ok(set),
            '\\' => letters.next().ok_or("nothing follows `\\`")?,
            letter => letter,
        };
        let mut ahead = letters.clone();
        let range = ahead.next() == Some('-') && ahead.peek().is_some_and(|l| *l != ']');
        let to = if range {
            letters.next();
            letters.next().unwrap_or(from)
        } else {
            from
        };
        if to < from {
            return Err("a range in a set runs backwards");
        }
        set.push((from, to));
    }
}

fn count(letters: &mut Letters<'_>) -> Result<(usize, usize), &'static str> {
    if !letters.clone().any(|l| l == '}') {
        return Err("a `{` is not closed");
    }
    let rest: String = letters.by_ref().take_while(|l| *l != '}').collect();
    let (least, most) = rest.split_once(',').unwrap_or((&rest, &rest));
    let number = |text: &str| text.parse::<usize>().ok().filter(|n| *n <= LONGEST);
    match (number(least), number(most)) {
        (Some(least), Some(most)) if least <= most => Ok((least, most)),
        _ => Err("a count is {n} or {least,most}, 80 at most"),
    }
}

impl TryFrom<String> for Pattern {
    type Error = String;

    fn try_from(text: String) -> Result<Self, String> {
        text.parse()
    }
}

impl From<Pattern> for String {
    fn from(pattern: Pattern) -> String {
        pattern.text
    }
}

impl fmt::Display for Pattern {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.text)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::{LONGEST, Pattern};

    fn matches(pattern: &str, text: &str) -> bool {
        pattern.parse::<Pattern>().expect(pattern).matches(text)
    }

    #[test]
    fn the_notation_means_what_it_says() {
        for (pattern, yes, no) in [
            (
                "[A-Za-z0-9-]{4,20}",
                vec!["A-12", "00123456"],
                vec!["A12", "A 12", "A_12", "", "Ä123"],
            ),
            ("QC-L1[0-9]{2}", vec!["QC-L107"], vec!["QC-L1", "QC-L1077", "qc-l107"]),
            ("QC-*", vec!["QC-", "QC-L1 lot 7"], vec!["QC", "XQC-"]),
            ("A{2,3}B", vec!["AAB", "AAAB"], vec!["AB", "AAAAB"]),
            ("[-A]{1}\\*", vec!["-*", "A*"], vec!["A", "AB"]),
        ] {
            yes.iter().for_each(|t| assert!(matches(pattern, t), "{pattern} {t}"));
            no.iter().for_each(|t| assert!(!matches(pattern, t), "{pattern} {t}"));
        }
    }

    #[test]
    fn a_pattern_that_means_nothing_is_refused() {
        for text in
            ["", "[A-Z", "[]", "[Z-A]", "A{", "A{2", "A{3,2}", "A{99}", "A{x}", "]", "x}", "\\"]
        {
            assert!(text.parse::<Pattern>().is_err(), "{text}");
        }
    }

    #[test]
    fn a_pattern_that_no_id_is_short_enough_for_is_none() {
        assert!("B{80}B".parse::<Pattern>().is_err() && "B{79}B".parse::<Pattern>().is_ok());
    }

    #[test]
    fn an_id_that_fits_two_patterns_is_found() {
        let shared = |one: &str, other: &str| {
            let (one, other) = (one.parse::<Pattern>().expect(one), other.parse().expect(other));
            let found = one.shared(&other);
            assert_eq!(found.is_some(), other.shared(&one).is_some());
            assert!(found.iter().all(|id| one.matches(id) && other.matches(id)), "{found:?}");
            found
        };
        for (one, other, both) in [
            ("[A-Za-z0-9-]{4,20}", "EQA-[0-9]{4}", Some("EQA-0000")),
            ("KP-[0-9]{5}", "EQA-[0-9]{4}", None),
            ("[0-9]{8}", "[0-9]{9,10}", None),
            ("*-QC", "EQA-*", Some("EQA-QC")),
            ("*", "B{80}", Some(&*"B".repeat(80))),
            ("A{2,3}B", "A{3}[BC]", Some("AAAB")),
            ("a*", "A*", None),
        ] {
            assert_eq!(shared(one, other).as_deref(), both, "{one} {other}");
        }
    }

    proptest! {
        #[test]
        fn what_matches_both_is_shared(
            one in r"[A-C]{0,2}(\[AB\]|\*)[0-2]{0,2}",
            other in r"(\[A-C\]\{1,3\}|\*)[0-2]{1,2}",
            text in "[A-C]{0,3}[0-2]{0,3}",
        ) {
            let (one, other) = (one.parse::<Pattern>(), other.parse::<Pattern>());
            let (one, other) = (one.expect("a pattern"), other.expect("a pattern"));
            if one.matches(&text) && other.matches(&text) {
                let found = one.shared(&other).expect("this one at least");
                prop_assert!(found.len() <= text.len() && one.matches(&found) && other.matches(&found));
            }
        }

        #[test]
        fn any_text_is_answered(pattern in ".{0,40}", text in ".{0,200}") {
            if let Ok(pattern) = pattern.parse::<Pattern>() {
                let again: Pattern = pattern.to_string().parse().expect("what was read once");
                prop_assert_eq!(pattern.matches(&text), again.matches(&text));
                prop_assert!(!pattern.matches(&"A".repeat(LONGEST + 1)));
            }
        }

        /// The notation's parts are a regular expression's; what that one makes, is matched, and no more.
        #[test]
        fn a_pattern_means_what_its_regular_expression_means(
            (pattern, made) in r"([A-C0-2-]|\[[A-C]-?\]|\[0-2\]\{1,3\}|[AB]\{2\}){1,5}"
                .prop_flat_map(|p| (Just(p.clone()), proptest::string::string_regex(&p).expect(&p))),
            other in "[A-C0-2-]{0,8}",
        ) {
            let read: Pattern = pattern.parse().expect("a pattern");
            prop_assert!(read.matches(&made), "{pattern} {made}");
            let longer = format!("{made}x");
            prop_assert!(!read.matches(&longer), "{pattern} {longer}");
            // Another text is matched only where it has as many letters as the pattern allows.
            if read.matches(&other) {
                let most: usize = read.atoms.iter().map(|a| a.most).sum();
                let least: usize = read.atoms.iter().map(|a| a.least).sum();
                prop_assert!((least..=most).contains(&other.chars().count()));
            }
        }
    }
}
