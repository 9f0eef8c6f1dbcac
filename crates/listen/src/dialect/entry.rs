//! One reading of a printout: how its line falls into cells, and what stands in each.
//!
//! The analyst says which cells a line has and in which order; here each cell takes what its kind can be and refuses
//! the rest, so that a line either has the layout as a whole or has it not. A figure keeps its digits as printed,
//! with a point before the decimals; a grade keeps its words.

mod divided;
mod figure;
mod refusal;

use std::ops::Range;

use wickline_normalize::{MarkMeaning, SecondValue, Text};

use self::divided::divided;
use self::figure::figure;
pub(super) use self::figure::{Figure, may_be_a_grade};
use super::record::Table;
use super::steps;
use super::text::apart;

/// Words of a grade at most; a longer one is no grade but a line that was not understood.
const MAX_GRADE_WORDS: usize = 4;
/// Letters of a label at most.
const MAX_LABEL: usize = 28;
/// Letters of a unit at most, where a sign is looked for that may stand in it.
const MAX_UNIT: usize = 60;
/// Grades and numbers of one reading at most.
const MAX_PARTS: usize = 4;

/// How result lines are read.
#[derive(Clone, Debug, Default)]
pub(super) struct Results {
    /// The lines of one reading, in turn. Each but the first may be left out if it says so.
    pub layouts: Vec<Layout>,
    /// Several readings in one line.
    pub entries: Option<Entries>,
    pub unit_implied: bool,
    /// Words for a pad that could not be read, and for one that is switched off.
    pub unread: Vec<String>,
    pub off: Vec<String>,
    /// Words for comparators, each with its sign, the longest first.
    pub comparators: Vec<(String, &'static str)>,
    /// Signs of abnormality, the longest first.
    pub marks: Vec<(String, MarkMeaning)>,
    /// Those of the marks that may stand without a blank at a grade, a number or a unit.
    pub glued: Vec<(String, MarkMeaning)>,
    /// Signs that may stand between a grade and its number.
    pub between: Vec<char>,
    /// A number may be printed again in the other unit system.
    pub both_units: bool,
    /// The sign that leads from a label to its result, several times over.
    pub leader: Option<char>,
    /// Labels by place. Empty: every reading has its own.
    pub order: Vec<String>,
    pub table: Option<Table>,
    pub decimal: char,
}

/// One line of a reading.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Layout {
    pub split: Split,
    pub optional: bool,
}

/// How a line falls into cells.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Split {
    /// By character columns, from 0, the end excluded.
    Columns(Vec<(Cell, Range<usize>)>),
    /// By runs of blanks; the last cell takes what is left.
    Blanks(Vec<Cell>),
    /// By one character.
    Sign(char, Vec<Cell>),
    /// By any of several characters.
    Signs(Vec<char>, Vec<Cell>),
    /// By a character that stands several times over.
    Leader(char, Vec<Cell>),
}

impl Split {
    /// The cells of a line, in their order.
    pub fn cells(&self) -> Vec<Cell> {
        match self {
            Split::Columns(columns) => columns.iter().map(|(cell, _)| *cell).collect(),
            Split::Blanks(cells)
            | Split::Sign(_, cells)
            | Split::Signs(_, cells)
            | Split::Leader(_, cells) => cells.clone(),
        }
    }
}

/// What stands between several readings in one line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Entries {
    Sign(char),
    /// Each so many characters wide.
    Width(usize),
}

/// What stands in one cell of a result line.
///
/// Which of them a line must have between them, the loader checks.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Cell {
    /// What the print calls the pad: it has letters, and at most 28.
    Label,
    /// A grade, a number with its unit, or both.
    Result,
    /// A grade in words or signs.
    Grade,
    /// A number, with or without a comparator, and perhaps its unit behind it.
    Value,
    /// The unit of the number beside it.
    Unit,
    /// A sign of abnormality that the dialect lists.
    Mark,
    /// The same number in the other unit system, with its unit.
    Again,
    /// Read past, whatever it holds.
    Ignore,
}

/// Every cell by its name in a dialect file.
pub(super) const CELLS: &[(&str, Cell)] = &[
    ("label", Cell::Label),
    ("result", Cell::Result),
    ("grade", Cell::Grade),
    ("value", Cell::Value),
    ("unit", Cell::Unit),
    ("mark", Cell::Mark),
    ("again", Cell::Again),
    ("ignore", Cell::Ignore),
];

/// A grade or a number, not yet owned.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Part<'t> {
    Grade(&'t str),
    Figure(Figure<'t>),
}

/// What stands in place of a result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Word<'t> {
    Unread(&'t str),
    Off(&'t str),
}

/// One reading in its parts, not yet owned.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) struct Entry<'t> {
    pub label: &'t str,
    pub parts: [Option<Part<'t>>; MAX_PARTS],
    pub unit: Option<&'t str>,
    /// The number once more, in another unit.
    second: Option<(Figure<'t>, &'t str)>,
    pub mark: Option<(&'t str, MarkMeaning)>,
    pub word: Option<Word<'t>>,
    /// Cells that held something.
    taken: u8,
}

impl<'t> Entry<'t> {
    /// Reads the first line of a reading.
    pub fn read(results: &Results, layout: &Layout, text: &'t str) -> Option<Self> {
        let mut entry = Self::default();
        entry.add(results, layout, text)?;
        Some(entry)
    }

    /// A reading of which only the label is known.
    pub fn named(label: &'t str) -> Self {
        Self { label, ..Self::default() }
    }

    /// Takes one line. None: it has not this layout, or says nothing; the entry is then spoiled.
    pub fn add(&mut self, results: &Results, layout: &Layout, text: &'t str) -> Option<()> {
        let before = self.taken;
        let text = self.take_marks(results, layout, text)?;
        match &layout.split {
            Split::Columns(columns) => self.columns(results, columns, text)?,
            Split::Blanks(cells) => {
                let mut rest = text.trim_ascii();
                for (index, cell) in cells.iter().enumerate() {
                    let last = index + 1 == cells.len();
                    let end = if last { None } else { blank(rest) };
                    let (word, after) = rest.split_at(end.unwrap_or(rest.len()));
                    self.cell(results, *cell, word)?;
                    rest = after.trim_ascii_start();
                }
            }
            Split::Sign(sign, cells) if *sign != '=' => {
                self.apart(results, cells, apart(text, *sign))?;
            }
            Split::Sign(sign, cells) => self.apart(results, cells, cut(text, &[*sign]))?,
            Split::Signs(signs, cells) => {
                self.apart(results, cells, cut(text, signs))?;
            }
            Split::Leader(sign, cells) => {
                self.apart(results, cells, runs(text, *sign).into_iter())?;
            }
        }
        (self.taken > before && self.is_begun()).then_some(())
    }

    /// Takes the words between signs, of which only blank ones may be left over.
    fn apart(
        &mut self,
        results: &Results,
        cells: &[Cell],
        mut words: impl Iterator<Item = &'t str>,
    ) -> Option<()> {
        for cell in cells {
            self.cell(results, *cell, words.next().unwrap_or(""))?;
        }
        words.all(|word| word.trim().is_empty()).then_some(())
    }

    /// Nothing in it can be wrong whatever the next line says.
    pub fn is_begun(&self) -> bool {
        self.label.len() <= MAX_LABEL
            && (self.label.is_empty() || self.label.chars().any(char::is_alphabetic))
            && (self.word.is_none() || self.parts.iter().all(Option::is_none))
    }

    /// A label, and something beside it.
    pub fn is_whole(&self) -> bool {
        !self.label.is_empty() && (self.word.is_some() || self.parts.iter().any(Option::is_some))
    }

    /// The number in its other unit, as the report carries it.
    pub fn second(&self, decimal: char) -> Option<SecondValue> {
        let (figure, unit) = self.second?;
        Some(SecondValue { value: figure.owned(decimal), unit: unit.into() })
    }

    /// What it was read from, piece by piece.
    pub fn pieces(&self) -> Vec<(&'t str, &'static str)> {
        let mut found = vec![(self.label, "label")];
        found.extend(self.parts.iter().flatten().map(|part| match part {
            Part::Grade(text) => (*text, "grade"),
            Part::Figure(figure) => (figure.whole, "value"),
        }));
        found.extend(self.figure().map(|figure| (figure.behind, "value")));
        found.extend(self.unit.map(|unit| (unit, "unit")));
        if let Some((figure, unit)) = self.second {
            found.extend([(figure.whole, "second value"), (unit, "second unit")]);
            found.push((figure.behind, "second value"));
        }
        found.extend(self.mark.map(|(mark, _)| (mark, "mark")));
        found.extend(self.word.map(|word| match word {
            Word::Unread(text) => (text, "unread"),
            Word::Off(text) => (text, "off"),
        }));
        found
    }

    /// Takes a mark from either end of the line. With fixed columns one in front has its own cell,
    /// so that the other columns stay where they are.
    fn take_marks(&mut self, results: &Results, layout: &Layout, text: &'t str) -> Option<&'t str> {
        let mut rest = text.trim_ascii_end();
        for (mark, meaning) in &results.marks {
            let alone = |before: &str| before.is_empty() || before.ends_with([' ', '\t']);
            if rest.as_bytes().last() != mark.as_bytes().last() {
                continue;
            }
            if let Some(before) = rest.strip_suffix(mark.as_str()).filter(|b| alone(b)) {
                self.set_mark(rest.get(before.len()..)?, *meaning)?;
                rest = before.trim_ascii_end();
                break;
            }
        }
        if matches!(layout.split, Split::Columns(_)) {
            return Some(rest);
        }
        let begun = rest.trim_ascii_start();
        for (mark, meaning) in &results.marks {
            if begun.as_bytes().first() != mark.as_bytes().first() {
                continue;
            }
            let Some(after) = begun.strip_prefix(mark.as_str()) else { continue };
            let letters = mark.ends_with(char::is_alphanumeric);
            if !letters || after.starts_with([' ', '\t']) {
                self.set_mark(begun.get(..mark.len())?, *meaning)?;
                return Some(after);
            }
        }
        Some(rest)
    }

    fn set_mark(&mut self, text: &'t str, meaning: MarkMeaning) -> Option<()> {
        self.mark.replace((text, meaning)).is_none().then_some(())
    }

    /// The same word may stand in the grade's cell and in the number's.
    fn set_word(&mut self, word: Word<'t>) -> Option<()> {
        (*self.word.get_or_insert(word) == word).then_some(())
    }

    /// Takes the columns. None: one holds what it cannot, or something is printed outside of them.
    fn columns(
        &mut self,
        results: &Results,
        columns: &[(Cell, Range<usize>)],
        text: &'t str,
    ) -> Option<()> {
        let (mut rest, mut column) = (text, 0);
        for (cell, range) in columns {
            let (outside, after) = rest.split_at(place(rest, range.start.saturating_sub(column)));
            given(outside).is_none().then_some(())?;
            let (word, after) = after.split_at(place(after, range.len()));
            self.cell(results, *cell, word)?;
            (rest, column) = (after, range.end);
        }
        given(rest).is_none().then_some(())
    }

    /// Takes one cell. None: it holds what its kind cannot be.
    pub fn cell(&mut self, results: &Results, cell: Cell, text: &'t str) -> Option<()> {
        let text = results.led(cell, text.trim_ascii());
        steps::take(text.len());
        if text.is_empty() {
            return Some(());
        }
        self.taken = self.taken.saturating_add(u8::from(cell != Cell::Ignore));
        match cell {
            Cell::Ignore => {}
            Cell::Again => {
                let more = self.again(results, text)?;
                (self.second.is_some() && given(more).is_none()).then_some(())?;
            }
            Cell::Label => {
                (self.label.is_empty() || self.label == text).then_some(())?;
                self.label = text;
            }
            Cell::Unit => {
                let mut unit = self.unglued(results, text)?;
                if let Some(Part::Figure(figure)) = self.parts.iter_mut().rev().flatten().next() {
                    unit = figure.apart(results, unit)?;
                }
                let unit = Some(unit).filter(|unit| !unit.is_empty());
                unit.is_none_or(|unit| self.unit.replace(unit).is_none()).then_some(())?;
            }
            Cell::Mark => {
                let known = results.marks.iter().find(|(mark, _)| mark == text);
                self.set_mark(text, known?.1)?;
            }
            _ => match results.word(text) {
                Some(word) => self.set_word(word)?,
                None => {
                    let bare = self.unglued(results, text)?;
                    match results.word(bare).filter(|_| bare.len() < text.len()) {
                        Some(word) => self.set_word(word)?,
                        None => self.said(results, cell, bare)?,
                    }
                }
            },
        }
        Some(())
    }

    /// A grade, a number or both, by what the cell may hold.
    fn said(&mut self, results: &Results, cell: Cell, text: &'t str) -> Option<()> {
        match cell {
            Cell::Grade => self.grade(results, text),
            Cell::Value => {
                let (rest, figure) = figure(results, text).ok()?;
                self.tail(results, figure, rest, false)
            }
            _ => match divided(results, text)? {
                Some((grade, figure, unit)) => {
                    self.grade(results, grade)?;
                    self.tail(results, figure, unit, false)
                }
                None => self.words(results, text),
            },
        }
    }

    /// Takes a mark that stands without a blank at either end of a cell.
    ///
    /// One of letters is a mark only behind the sign of a grade (`2+H`): elsewhere it may be a unit's.
    fn unglued(&mut self, results: &Results, text: &'t str) -> Option<&'t str> {
        for (mark, meaning) in &results.glued {
            let letters = mark.starts_with(char::is_alphabetic);
            let fits = |bare: &&str| match bare.as_bytes().last() {
                Some(last) => {
                    if letters {
                        b"+-)".contains(last)
                    } else {
                        !last.is_ascii_whitespace()
                    }
                }
                None => false,
            };
            if let Some(bare) = text.strip_suffix(mark.as_str()).filter(fits) {
                self.set_mark(text.get(bare.len()..)?, *meaning)?;
                return Some(bare);
            }
            let inked =
                |bare: &&str| !letters && !bare.is_empty() && !bare.starts_with([' ', '\t']);
            if let Some(bare) = text.strip_prefix(mark.as_str()).filter(inked) {
                self.set_mark(text.get(..mark.len())?, *meaning)?;
                return Some(bare);
            }
        }
        Some(text)
    }

    fn figure(&self) -> Option<&Figure<'t>> {
        self.parts.iter().flatten().find_map(|part| match part {
            Part::Figure(figure) => Some(figure),
            Part::Grade(_) => None,
        })
    }

    fn part(&mut self, part: Part<'t>) -> Option<()> {
        let slot = self.parts.iter_mut().find(|slot| slot.is_none())?;
        *slot = Some(part);
        Some(())
    }

    /// A grade in words or signs. What would be a number under the other decimal sign is none: the
    /// file or the analyzer is set wrong.
    fn grade(&mut self, results: &Results, text: &'t str) -> Option<()> {
        let foreign = if results.decimal == ',' { b'.' } else { b',' };
        let digit = |byte: Option<&u8>| byte.is_some_and(u8::is_ascii_digit);
        let bytes = text.as_bytes();
        let inside = |at: usize| digit(bytes.get(at.wrapping_sub(1))) && digit(bytes.get(at + 1));
        let mut signs = bytes.iter().enumerate().filter(|(_, byte)| **byte == foreign);
        (!signs.any(|(at, _)| inside(at))).then_some(())?;
        let words = || text.split([' ', '\t']).filter(|word| !word.is_empty()).count();
        (blank(text).is_none() || words() <= MAX_GRADE_WORDS).then_some(())?;
        let text = self.unglued(results, text)?;
        self.part(Part::Grade(text))
    }

    /// Takes a number and what stands behind it: its unit, the same value in the other unit system if there may be
    /// one, and a grade if it `may` stand there.
    fn tail(
        &mut self,
        results: &Results,
        mut figure: Figure<'t>,
        rest: &'t str,
        may: bool,
    ) -> Option<()> {
        let (unit, mut more) = figure.unit(results, rest)?;
        self.part(Part::Figure(figure))?;
        if !unit.is_empty() {
            let unit = self.unglued(results, unit)?;
            self.unit.replace(unit).is_none().then_some(())?;
        }
        if results.both_units {
            more = self.again(results, more)?;
        }
        match given(more) {
            None => Some(()),
            Some(grade) if may => self.grade(results, grade),
            Some(_) => None,
        }
    }

    /// Takes the same value in the other unit system, in brackets or behind a sign or as it is, and gives
    /// what stands behind it. None: it lacks its unit, or the first number does.
    fn again(&mut self, results: &Results, more: &'t str) -> Option<&'t str> {
        let text = more.trim_ascii();
        let text = text.strip_prefix(['/', '=']).unwrap_or(text).trim_ascii_start();
        let closing = match text.chars().next() {
            Some('(') => Some(')'),
            Some('[') => Some(']'),
            _ => None,
        };
        let (inside, behind) = match closing {
            Some(closing) => text.get(1..)?.split_once(closing).unwrap_or((text, "")),
            None => (text, ""),
        };
        let Ok((rest, mut figure)) = figure(results, inside.trim_ascii()) else {
            return Some(more);
        };
        let (other, after) = figure.unit(results, rest)?;
        (!other.is_empty() && self.unit.is_some_and(|unit| unit != other)).then_some(())?;
        self.second.replace((figure, other)).is_none().then_some(())?;
        match closing {
            Some(_) => given(after).is_none().then_some(behind),
            None => Some(after),
        }
    }

    /// A result cell: a grade, a number with its unit, or both, in either order.
    fn words(&mut self, results: &Results, text: &'t str) -> Option<()> {
        let mut start = 0;
        loop {
            let (before, from) = text.split_at_checked(start)?;
            if let Ok((rest, figure)) = figure(results, from) {
                let grade = given(before);
                if let Some(grade) = grade {
                    self.grade(results, grade)?;
                }
                return self.tail(results, figure, rest, grade.is_none());
            }
            let Some(end) = blank(from) else { return self.grade(results, text) };
            let after = from.get(end..)?.trim_ascii_start();
            start = text.len() - after.len();
        }
    }
}

impl Results {
    /// A cell without the leader between a label and its result: behind the one, or before the other.
    fn led<'t>(&self, cell: Cell, text: &'t str) -> &'t str {
        let Some(sign) = self.leader else { return text };
        let bare = match cell {
            Cell::Label => text.trim_end_matches(sign).trim_ascii_end(),
            Cell::Result | Cell::Grade | Cell::Value => {
                text.trim_start_matches(sign).trim_ascii_start()
            }
            _ => text,
        };
        // One alone is part of the word: an abbreviation, or a grade.
        if text.len() > bare.len() + sign.len_utf8() { bare } else { text }
    }

    /// The word of the dialect that stands in place of a result.
    fn word<'t>(&self, text: &'t str) -> Option<Word<'t>> {
        let among = |words: &[String]| words.iter().any(|word| word == text);
        if among(&self.unread) {
            return Some(Word::Unread(text));
        }
        among(&self.off).then_some(Word::Off(text))
    }
}

impl Part<'_> {
    /// As the report carries it.
    pub fn owned(&self, decimal: char) -> Text {
        match self {
            Part::Grade(text) => (*text).into(),
            Part::Figure(figure) => figure.owned(decimal),
        }
    }
}

/// What stands between the signs. The second letter of `<=` and `>=` is none of them.
fn cut<'t>(text: &'t str, signs: &[char]) -> impl Iterator<Item = &'t str> {
    let own = |(at, sign): &(usize, &str)| {
        *sign != "=" || !text.get(..*at).is_some_and(|before| before.ends_with(['<', '>']))
    };
    let ends = text.match_indices(signs).filter(own).map(|(at, sign)| (at, at + sign.len()));
    let mut from = 0;
    ends.chain([(text.len(), text.len())]).map(move |(end, next)| {
        let piece = text.get(from..end).unwrap_or("");
        from = next;
        piece
    })
}

/// What stands between runs of a sign: one of it alone is a decimal point, or part of a word.
fn runs(text: &str, sign: char) -> Vec<&str> {
    let two = String::from_iter([sign; 2]);
    let (mut rest, mut pieces) = (text, Vec::new());
    while let Some((before, after)) = rest.split_once(two.as_str()) {
        pieces.push(before);
        rest = after.trim_start_matches(sign);
    }
    pieces.push(rest);
    pieces
}

/// What is there beside blanks.
fn given(text: &str) -> Option<&str> {
    Some(text.trim_ascii()).filter(|text| !text.is_empty())
}

/// Where the first blank stands.
fn blank(text: &str) -> Option<usize> {
    text.bytes().position(|byte| byte == b' ' || byte == b'\t')
}

/// Where a column of a line begins; its end where it has not so many characters.
pub(super) fn place(text: &str, column: usize) -> usize {
    let before = text.as_bytes().get(..column).unwrap_or(text.as_bytes());
    if before.is_ascii() {
        return before.len();
    }
    text.char_indices().nth(column).map_or(text.len(), |(at, _)| at)
}
