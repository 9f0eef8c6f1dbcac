//! What each part of a line was taken for, for a person who is writing a dialect.
//!
//! Parts are found by where they stand in the line's text and not by searching for them, so that the same word
//! twice is two parts. What no part covers is named by what the whole line was.

use std::ops::Range;

use wickline_normalize::Private;

/// One line of a transmission, taken apart.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineAnatomy {
    /// Index into the transmission's lines.
    pub line: usize,
    /// The line as text.
    pub text: Private,
    /// Bytes of that text, in order and never overlapping, and what they were taken for: `label`,
    /// `grade`, `value`, `unit`, `mark`, `number`, `specimen`, ... , `words` (what tells the form of
    /// the line), `ignored`, `not understood`. Blanks between them belong to none.
    pub parts: Vec<(Range<usize>, &'static str)>,
}

impl LineAnatomy {
    /// Takes in the parts of a further piece of the same line.
    pub(super) fn join(&mut self, other: LineAnatomy, whole: &str, piece: &str) {
        let Some(at) = (piece.as_ptr() as usize).checked_sub(whole.as_ptr() as usize) else {
            return;
        };
        let moved = |(range, what): (Range<usize>, _)| (range.start + at..range.end + at, what);
        self.parts.extend(other.parts.into_iter().map(moved));
        self.parts.sort_by_key(|(range, _)| range.start);
    }
}

/// Takes one line apart: `found` are pieces of `text`, the rest is `rest`.
pub(super) fn line(
    line: usize,
    text: &str,
    found: &[(&str, &'static str)],
    rest: &'static str,
) -> LineAnatomy {
    let mut parts: Vec<(Range<usize>, &'static str)> = found
        .iter()
        .filter(|(piece, _)| !piece.is_empty())
        .filter_map(|(piece, what)| Some((place(text, piece)?, *what)))
        .collect();
    parts.sort_by_key(|(range, _)| range.start);
    let mut gaps = Vec::new();
    let mut from = 0;
    for (range, _) in &parts {
        gaps.extend(text.get(from..range.start).and_then(|gap| inked(gap, from)));
        from = range.end;
    }
    gaps.extend(text.get(from..).and_then(|gap| inked(gap, from)));
    parts.extend(gaps.into_iter().map(|gap| (gap, rest)));
    parts.sort_by_key(|(range, _)| range.start);
    LineAnatomy { line, text: Private::new(text), parts }
}

/// Where a piece of a text stands in it. None: it is a piece of another text.
fn place(text: &str, piece: &str) -> Option<Range<usize>> {
    let from = (piece.as_ptr() as usize).checked_sub(text.as_ptr() as usize)?;
    let range = from..from + piece.len();
    (text.get(range.clone()) == Some(piece)).then_some(range)
}

/// A gap without the blanks around it.
fn inked(gap: &str, from: usize) -> Option<Range<usize>> {
    let start = from + (gap.len() - gap.trim_start().len());
    let inked = gap.trim();
    (!inked.is_empty()).then(|| start..start + inked.len())
}
