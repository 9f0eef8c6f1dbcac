//! Where a reading stands in a print: the lines, or pieces of lines, with the places of its parts.

use std::ops::Range;

use wickline_listen::dialect::LineAnatomy;

use super::press::Words;

const PARTS: [&str; 9] =
    ["label", "grade", "value", "unit", "second value", "second unit", "mark", "unread", "off"];

/// The same value in the other unit system, which a print may have a place for.
pub const SECOND: [&str; 2] = ["second value", "second unit"];

/// One reading of a print.
#[derive(Clone, Debug, Default)]
pub struct Slot {
    pub pieces: Vec<Piece>,
}

/// What stands in one line of it.
#[derive(Clone, Debug)]
pub struct Piece {
    pub line: usize,
    text: Vec<char>,
    /// By character.
    spans: Vec<(Range<usize>, &'static str)>,
    /// Another reading stands before it in the line.
    behind: bool,
}

/// Readings that stand in a line with other things, or without labels of their own.
#[derive(Clone, Debug)]
pub struct Row {
    pub line: usize,
    /// The bytes of the line that they stand in.
    pub place: Range<usize>,
    /// What stands between two of them.
    pub between: String,
}

/// The readings of a print, by its anatomy: each begins at a label (or the mark in front of it).
#[must_use]
pub fn slots(anatomy: &[LineAnatomy]) -> Vec<Slot> {
    let mut slots: Vec<Slot> = Vec::new();
    for line in anatomy {
        // What is ignored in a line of readings are the signs between its fields.
        let mut parts = line.parts.clone();
        parts.retain(|(_, kind)| *kind != "ignored");
        if !parts.iter().all(|(_, kind)| PARTS.contains(kind)) {
            slots.extend(among_others(line, true).0);
            continue;
        }
        if parts.is_empty() {
            continue;
        }
        let text = line.text.expose();
        let chars: Vec<char> = text.chars().collect();
        let at = |byte: usize| text.get(..byte).map_or(0, |t| t.chars().count());
        let spans: Vec<(Range<usize>, &'static str)> =
            parts.iter().map(|(r, k)| (at(r.start)..at(r.end), *k)).collect();
        let labels: Vec<usize> =
            spans.iter().enumerate().filter(|(_, (_, k))| *k == "label").map(|(n, _)| n).collect();
        if labels.is_empty() {
            if let Some(last) = slots.last_mut() {
                last.pieces.push(Piece { line: line.line, text: chars, spans, behind: false });
            }
            continue;
        }
        for (n, label) in labels.iter().enumerate() {
            let first = if n == 0 { 0 } else { *label };
            let end = labels.get(n + 1).copied().unwrap_or(spans.len());
            let Some(own) = spans.get(first..end) else { continue };
            let start = if n == 0 { 0 } else { own.first().map_or(0, |(r, _)| r.start) };
            let stop = spans.get(end).map_or(chars.len(), |(r, _)| r.start);
            let text: Vec<char> = chars.get(start..stop).unwrap_or_default().to_vec();
            let spans = own.iter().map(|(r, k)| (r.start - start..r.end - start, *k)).collect();
            slots
                .push(Slot { pieces: vec![Piece { line: line.line, text, spans, behind: n > 0 }] });
        }
    }
    slots
}

/// The readings of a print whose lines give no labels, in their order.
#[must_use]
pub fn unnamed(anatomy: &[LineAnatomy]) -> Vec<Slot> {
    anatomy.iter().flat_map(|line| among_others(line, false).0).collect()
}

/// Where the readings of such lines stand.
#[must_use]
pub fn rows(anatomy: &[LineAnatomy], named: bool) -> Vec<Row> {
    anatomy.iter().filter_map(|line| among_others(line, named).1).collect()
}

/// The readings in a line of other things: each begins at its label, or where something stands between its parts and
/// those before it.
fn among_others(line: &LineAnatomy, named: bool) -> (Vec<Slot>, Option<Row>) {
    let text = line.text.expose();
    let mut groups: Vec<Vec<(Range<usize>, &'static str)>> = Vec::new();
    for part in line.parts.iter().filter(|(_, kind)| PARTS.contains(kind)) {
        let end = groups.last().and_then(|group| group.last()).map(|(range, _)| range.end);
        let gap = end.and_then(|end| text.get(end..part.0.start)).unwrap_or("");
        let begins = if named { part.1 == "label" } else { !gap.trim().is_empty() };
        match groups.last_mut().filter(|_| !begins) {
            Some(group) => group.push(part.clone()),
            None => groups.push(vec![part.clone()]),
        }
    }
    let whole = |group: &Vec<(Range<usize>, &'static str)>| {
        Some(group.first()?.0.start..group.last()?.0.end)
    };
    let places: Vec<Range<usize>> = groups.iter().filter_map(whole).collect();
    let slot = |(group, place): (&Vec<(Range<usize>, &'static str)>, &Range<usize>)| {
        let own = text.get(place.clone()).unwrap_or("");
        let at = |byte: usize| own.get(..byte - place.start).map_or(0, |t| t.chars().count());
        let spans = group.iter().map(|(r, kind)| (at(r.start)..at(r.end), *kind)).collect();
        let text = own.chars().collect();
        Slot { pieces: vec![Piece { line: line.line, text, spans, behind: false }] }
    };
    let slots = groups.iter().zip(&places).map(slot).collect();
    let row = places.first().zip(places.last()).map(|(first, last)| {
        let next = places.get(1).and_then(|next| text.get(first.end..next.start));
        let between = next.unwrap_or("").to_owned();
        Row { line: line.line, place: first.start..last.end, between }
    });
    (slots, row)
}

impl Slot {
    /// True when other readings can be printed on it.
    #[must_use]
    pub fn is_donor(&self) -> bool {
        !self.has("off")
    }

    /// Another reading stands before it in its line.
    #[must_use]
    pub fn is_behind(&self) -> bool {
        self.pieces.iter().any(|p| p.behind)
    }

    /// Which parts it has, with what stands around them: two of one shape have room for the same readings.
    #[must_use]
    pub fn shape(&self) -> String {
        self.pieces.iter().map(Piece::shape).collect::<Vec<_>>().join("\n")
    }

    /// Its parts in words: `label, value and unit`.
    #[must_use]
    pub fn kinds(&self) -> String {
        let all: Vec<&str> = self.spans().map(|(_, (_, kind))| kind).collect();
        match all.as_slice() {
            [first @ .., last] if !first.is_empty() => format!("{} and {last}", first.join(", ")),
            all => all.concat(),
        }
    }

    #[must_use]
    pub fn has(&self, kind: &str) -> bool {
        self.spans().any(|(_, (_, k))| k == kind)
    }

    #[must_use]
    pub fn label(&self) -> String {
        self.text("label")
    }

    /// What stands in its parts of a kind.
    #[must_use]
    pub fn text(&self, kind: &str) -> String {
        let texts = self.spans().filter(|(_, (_, k))| *k == kind);
        let text = |(p, (r, _)): (&Piece, (Range<usize>, _))| -> String {
            p.text.get(r).unwrap_or_default().iter().collect()
        };
        texts.map(text).collect::<Vec<_>>().join(" ")
    }

    fn spans(&self) -> impl Iterator<Item = (&Piece, (Range<usize>, &'static str))> {
        self.pieces.iter().flat_map(|p| p.spans.iter().map(move |s| (p, s.clone())))
    }

    /// Parts that it has and these words do not.
    #[must_use]
    pub fn surplus(&self, words: &Words) -> usize {
        let kinds = ["grade", "value", "unit", "mark", "unread", SECOND[0], SECOND[1]];
        kinds.into_iter().filter(|k| self.has(k) && words.part(k).is_empty()).count()
    }

    /// What stands before the label, where that is more than blanks and no part of the reading.
    #[must_use]
    pub fn lead(&self) -> Option<String> {
        let piece = self.pieces.first()?;
        let (label, _) = piece.spans.first().filter(|(_, kind)| *kind == "label")?;
        let lead: String = piece.text.get(..label.start)?.iter().collect();
        Some(lead).filter(|lead| !lead.trim().is_empty())
    }

    /// Its lines with this in the place of what stands before the label. None: nothing does.
    #[must_use]
    pub fn led_by(&self, lead: &str, mut lines: Vec<String>) -> Option<Vec<String>> {
        let own = self.lead()?;
        let first = lines.first_mut()?;
        *first = format!("{lead}{}", first.strip_prefix(own.as_str())?);
        Some(lines)
    }

    /// Its lines with these words; `leader` leads from labels to results. None: it has no place for them.
    #[must_use]
    pub fn render(&self, words: &Words, leader: Option<char>) -> Option<Vec<String>> {
        let placed = |kind: &str| words.part(kind).is_empty() || self.has(kind);
        let graded = placed("grade") || self.has("unread");
        if !graded || !placed("value") || !placed("unit") {
            return None;
        }
        let mut lines: Vec<String> = self.pieces.iter().map(|p| p.render(words, leader)).collect();
        if !placed("mark")
            && let Some(last) = lines.last_mut()
        {
            *last = format!("{} {}", last.trim_end(), words.mark);
        }
        Some(lines)
    }
}

impl Piece {
    fn shape(&self) -> String {
        let mut shape = String::new();
        let mut from = 0;
        for (range, kind) in &self.spans {
            shape.extend(self.text.get(from..range.start).unwrap_or_default());
            shape += &format!("\0{kind}\0");
            from = range.end;
        }
        shape.extend(self.text.get(from..).unwrap_or_default());
        let behind = if self.behind { "\0" } else { "" };
        shape.split_whitespace().collect::<Vec<_>>().join(" ") + behind
    }

    /// Its text with other words, in the same columns as far as they have room.
    fn render(&self, words: &Words, leader: Option<char>) -> String {
        let mut text = self.text.clone();
        for (n, (range, kind)) in self.spans.iter().enumerate().rev() {
            // What stands in two places, as a number and the word behind it, is printed in the first.
            let again = self.spans.iter().take(n).any(|(_, own)| own == kind);
            let new = if again { "" } else { words.part(kind) };
            let new: Vec<char> = new.chars().collect();
            if *kind != "label" || !led(&mut text, range, &new, leader) {
                put(&mut text, range.clone(), &new, *kind == "value");
            }
        }
        text.into_iter().collect::<String>().trim_end().to_owned()
    }
}

/// Puts a label in the place of another, before signs that lead to its result: they give way or fill up, so that the
/// result stays in its columns. False: there are none, or too few.
fn led(text: &mut Vec<char>, range: &Range<usize>, new: &[char], leader: Option<char>) -> bool {
    let after = text.get(range.end..).unwrap_or_default();
    let signs = after.iter().take_while(|c| Some(**c) == leader).count();
    let room = range.len() + signs;
    let (Some(leader), true) = (leader, signs > 0 && new.len() < room) else { return false };
    let filled = new.iter().copied().chain(std::iter::repeat_n(leader, room - new.len()));
    text.splice(range.start..range.end + signs, filled.collect::<Vec<_>>());
    true
}

/// Puts a word in the place of another. Where blanks stand around, they give way or fill up, so that
/// what stands beside stays in its columns.
fn put(text: &mut Vec<char>, range: Range<usize>, new: &[char], right: bool) {
    let blank = |c: Option<&char>| c == Some(&' ');
    let old = range.end - range.start;
    let after = text.get(range.end..).unwrap_or_default();
    let free_right = after.iter().take_while(|c| **c == ' ').count();
    let at_end = after.len() == free_right;
    let before = text.get(..range.start).unwrap_or_default();
    let free_left = before.iter().rev().take_while(|c| **c == ' ').count();
    // Signs stand between the fields: nothing has to keep its column.
    let apart = !at_end && !blank(after.first());
    let (mut from, mut to) = (range.start, range.end);
    let mut word: Vec<char> = new.to_vec();
    if new.len() > old && !apart {
        let mut need = new.len() - old;
        let left = if free_left == before.len() { 0 } else { free_left.saturating_sub(1) };
        let spare = if at_end { need } else { free_right.saturating_sub(1) };
        let mut take = |most: usize| {
            let taken = need.min(most);
            need -= taken;
            taken
        };
        if right {
            from -= take(left);
            to += take(spare).min(free_right);
        } else {
            to += take(spare).min(free_right);
            from -= take(left);
        }
    } else if new.len() < old && !apart {
        let fill = vec![' '; old - new.len()];
        word = if right { [fill, word].concat() } else { [word, fill].concat() };
    }
    text.splice(from..to, word);
}

#[cfg(test)]
mod tests {
    use wickline_listen::dialect::LineAnatomy;
    use wickline_normalize::Private;

    use super::{Words, slots};

    /// As a printer sets it: the column of the results stays, whatever the label's length.
    #[test]
    fn a_label_is_filled_up_with_the_sign_that_leads_to_its_result() {
        let text = Private::new("Leukozyten.....  neg");
        let parts = vec![(0..10, "label"), (17..20, "grade")];
        let found = slots(&[LineAnatomy { line: 0, text, parts }]);
        let [slot] = found.as_slice() else { panic!("{found:?}") };
        let printed = |label: &str, leader| {
            let words = Words { label: label.into(), grade: "pos".into(), ..Words::default() };
            slot.render(&words, leader).expect("it has room").concat()
        };
        assert_eq!(printed("LEU", Some('.')), "LEU............  pos");
        assert_eq!(printed("Leukozytenzahl", Some('.')), "Leukozytenzahl.  pos");
        assert_eq!(printed("LEU", None), "LEU.....  pos", "a sign between fields is no leader");
    }
}
