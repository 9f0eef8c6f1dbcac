//! Why a line is no reading, for the person who mends the dialect: which cell refuses what stands in it.

use std::ops::Range;

use wickline_normalize::words::quote;

use super::{Cell, Entry, Layout, Results, Split, blank, cut, place, runs};

impl<'t> Entry<'t> {
    /// Why a line is no reading: the first cell that refuses what stands in it. None: it names no pad, or no cell by
    /// itself is to blame.
    pub fn refusal(results: &Results, layout: &Layout, text: &'t str) -> Option<String> {
        let mut entry = Self::default();
        let text = entry.take_marks(results, layout, text)?;
        for (n, (cell, word)) in (1..).zip(layout.split.words(text)) {
            if entry.cell(results, cell, word).is_none() {
                let wanted = match cell {
                    Cell::Grade => "no grade",
                    Cell::Value => "no number with a unit",
                    Cell::Unit => "no unit",
                    Cell::Mark => "no mark of [marks]",
                    Cell::Again => "not the number once more with its other unit",
                    Cell::Label => "another label than the first",
                    Cell::Result | Cell::Ignore => "neither a grade nor a number with a unit",
                };
                let hint = decimals(results, cell, word);
                return (!entry.label.is_empty() && entry.is_begun())
                    .then(|| format!("cell {n} {} is {wanted}{hint}", quote(word.trim())));
            }
        }
        None
    }
}

/// What to say where nothing but the sign before the decimals keeps a number from being one.
fn decimals(results: &Results, cell: Cell, word: &str) -> &'static str {
    let (foreign, hint) = match results.decimal {
        ',' => ('.', ": decimal is comma, and a point stands before its decimals"),
        _ => (',', ": decimal is point, and a comma stands before its decimals"),
    };
    let other = word.replace(foreign, results.decimal.encode_utf8(&mut [0; 4]));
    let reads = Entry::default().cell(results, cell, &other).is_some();
    if other != word && reads { hint } else { "" }
}

impl Split {
    /// What of a line stands in which cell, for people.
    fn words<'t>(&self, text: &'t str) -> Vec<(Cell, &'t str)> {
        let apart =
            |cells: &[Cell], words: Vec<&'t str>| cells.iter().copied().zip(words).collect();
        match self {
            Split::Columns(columns) => {
                let cut = |(cell, range): &(Cell, Range<usize>)| {
                    let column = place(text, range.start)..place(text, range.end);
                    (*cell, text.get(column).unwrap_or(""))
                };
                columns.iter().map(cut).collect()
            }
            Split::Blanks(cells) => {
                let mut rest = text.trim_ascii();
                let mut words = Vec::new();
                for _ in 1..cells.len() {
                    let (word, after) = rest.split_at(blank(rest).unwrap_or(rest.len()));
                    words.push(word);
                    rest = after.trim_ascii_start();
                }
                words.push(rest);
                apart(cells, words)
            }
            Split::Sign(sign, cells) => apart(cells, cut(text, &[*sign]).collect()),
            Split::Signs(signs, cells) => apart(cells, cut(text, signs).collect()),
            Split::Leader(sign, cells) => apart(cells, runs(text, *sign)),
        }
    }
}
