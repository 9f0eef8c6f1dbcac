//! Reading lines that hold more than one thing, and readings that are told by their place.
//!
//! A label that is known by its place alone is believed only if every place was there: with one line lost, each pad
//! behind it would have its neighbour's result.

use smallvec::SmallVec;
use wickline_normalize::{Hold, Reason};

use super::{HALF, NO_FORM, Page};
use crate::dialect::entry::{Entries, Entry, Layout, place};
use crate::dialect::record::{Record, Table};
use crate::dialect::shape::{Sign, agree};

const UNHEADED: &str = "no line above this one names the pads of its columns";
const COLUMNS: &str = "the line has not as many columns as the line above it names pads";
const AGAIN: &str = "the same line of the table comes twice";

/// A table under way: the line that names its pads, what is known of each, and which lines came.
pub(super) struct Headed<'t> {
    line: usize,
    entries: Vec<Entry<'t>>,
    seen: Vec<bool>,
}

impl<'s: 't, 't> Page<'s, 't> {
    /// Reads a line field by field.
    pub(super) fn record(&mut self, record: &Record, index: usize, text: &'t str) {
        let pieces = match record.pieces(text) {
            Ok(pieces) => pieces,
            Err(why) => return self.not_understood(index, text, why),
        };
        if record.is_heading(&pieces) {
            return self.apart(index, text, &[], "words");
        }
        let Some((placed, rest)) = pieces.split_at_checked(record.fields.len()) else {
            let why = format!(
                "the record has fewer than the {} fields that record.fields names",
                record.fields.len()
            );
            return self.not_understood(index, text, &why);
        };
        let mut all = Vec::with_capacity(placed.len());
        for (n, (forms, piece)) in record.fields.iter().zip(placed).enumerate() {
            let fits = forms.iter().filter_map(|form| {
                let mut found = Vec::new();
                let calendar = &self.shape.calendar;
                form.fits_field(piece.trim_ascii(), calendar, &mut found).then_some(found)
            });
            let mut fits: Vec<_> = fits.collect();
            let Some(found) = fits.pop().filter(|last| fits.iter().all(|one| agree(one, last)))
            else {
                let form = forms.first().map_or("", |form| &form.text);
                let why = format!("field {} of the record is not {form}", n + 1);
                return self.not_understood(index, text, &why);
            };
            all.extend(found);
        }
        // So that a line has its place among the others even if all of its fields are empty.
        self.apart(index, text.get(..0).unwrap_or(text), &[], "words");
        if let Some(last) = placed.last() {
            let end = (last.as_ptr() as usize + last.len()).saturating_sub(text.as_ptr() as usize);
            self.settle();
            self.fields(index, text.get(..end).unwrap_or(text), Sign::None, &all);
        }
        let in_order = !self.shape.results.order.is_empty();
        for piece in rest {
            if piece.trim_ascii().is_empty() {
                self.place += usize::from(self.place < self.shape.results.order.len());
                self.lacks();
            } else if in_order && !placed.is_empty() || !self.header(index, piece) {
                self.results(index, piece);
            }
        }
        // The next printed line is another pad's: it completes nothing that this one began.
        self.settle();
    }

    /// An empty field stands for a further line of the reading under way that does not come.
    fn lacks(&mut self) {
        let Some(pending) = &mut self.pending else { return };
        let layout = self.shape.results.layouts.get(pending.next);
        if layout.is_some_and(|layout| layout.optional) {
            pending.next += 1;
        } else {
            self.settle();
        }
    }

    /// Reads several readings in one line: all of them, or none.
    ///
    /// One piece that is no reading makes the whole line none.
    pub(super) fn side_by_side(&mut self, entries: Entries, index: usize, text: &'t str) {
        let results = &self.shape.results;
        let Some(layout) = results.layouts.first() else { return };
        let mut found = SmallVec::<[_; 2]>::new();
        for (n, piece) in pieces(entries, text).enumerate() {
            if piece.trim_start().is_empty() {
                self.place += usize::from(self.place < results.order.len());
                continue;
            }
            match self.begin(layout, piece).filter(Entry::is_whole) {
                Some(entry) => found.push(entry),
                None => {
                    let all: Vec<_> = pieces(entries, text).collect();
                    return self.no_reading(index, text, &all, n);
                }
            }
        }
        for entry in &found {
            self.push(entry, index);
        }
        self.taken_apart(&found, index, text);
    }

    /// The first line of a reading; its label by its place, where the dialect gives it so.
    pub(super) fn begin(&mut self, layout: &Layout, text: &'t str) -> Option<Entry<'t>> {
        let results = &self.shape.results;
        let mut entry = Entry::read(results, layout, text)?;
        if !results.order.is_empty() {
            entry.label = results.order.get(self.place)?;
            self.place += 1;
        }
        Some(entry)
    }

    /// Where labels are told by place, all places must be there.
    pub(super) fn placed(&mut self) {
        let order = self.shape.results.order.len();
        if self.place == 0 || self.place == order {
            return;
        }
        let why = format!(
            "{} readings came in the order of results.order, which names {order}: which of them lack nobody knows",
            self.place
        );
        self.report.readings.clear();
        self.off.clear();
        let last = self.report.lines.len().saturating_sub(1);
        self.report.doubts.push(Hold::new(Reason::Incomplete, why).at(last));
    }

    /// Reads a line of a table. False: it is none.
    pub(super) fn table(&mut self, table: &Table, index: usize, text: &'t str) -> bool {
        if let Some(rest) = table.behind(text, &table.headed) {
            self.settle_table();
            let entries: Vec<_> = table.columns(rest).into_iter().map(Entry::named).collect();
            if entries.is_empty() || !entries.iter().all(|e| e.is_begun() && !e.label.is_empty()) {
                self.not_understood(index, text, NO_FORM);
                return true;
            }
            self.taken_apart(&entries, index, text);
            self.headed =
                Some(Headed { line: index, entries, seen: vec![false; table.rows.len()] });
            return true;
        }
        let mut rows = table.rows.iter().enumerate();
        let Some((n, rest, cell)) =
            rows.find_map(|(n, (word, cell))| Some((n, table.behind(text, word)?, *cell)))
        else {
            return false;
        };
        let Some(mut headed) = self.headed.take() else {
            self.not_understood(index, text, UNHEADED);
            return true;
        };
        let words = table.columns(rest);
        let filled = |entry: &mut Entry<'t>, word: &'t str| {
            let says = !table.blank.iter().any(|blank| blank == word);
            if says { entry.cell(&self.shape.results, cell, word) } else { Some(()) }
        };
        let why = if words.len() != headed.entries.len() {
            Some(COLUMNS)
        } else if std::mem::replace(&mut headed.seen[n], true) {
            Some(AGAIN)
        } else {
            let mut pairs = headed.entries.iter_mut().zip(&words);
            let all = pairs.all(|(entry, word)| filled(entry, word).is_some());
            (!all).then_some(NO_FORM)
        };
        match why {
            // What was half read is no reading: the whole table is held with the line.
            Some(why) => self.not_understood(index, text, why),
            None => {
                self.taken_apart(&headed.entries, index, text);
                self.headed = Some(headed);
            }
        }
        true
    }

    /// The table is at its end: every line of it must have come, and say a result wherever it says anything.
    pub(super) fn settle_table(&mut self) {
        let Some(headed) = self.headed.take() else { return };
        if !headed.seen.iter().all(|seen| *seen) {
            return self.unreadable(headed.line, HALF);
        }
        for entry in &headed.entries {
            if entry.is_whole() {
                self.push(entry, headed.line);
            } else if entry.unit.is_some() || entry.mark.is_some() {
                self.unreadable(headed.line, HALF);
            }
        }
    }
}

/// The pieces of a line that each hold one reading.
fn pieces(entries: Entries, text: &str) -> impl Iterator<Item = &str> {
    let mut rest = Some(text);
    std::iter::from_fn(move || {
        let (piece, after) = match entries {
            Entries::Sign(sign) => match rest?.split_once(sign) {
                Some((piece, after)) => (piece, Some(after)),
                None => (rest?, None),
            },
            Entries::Width(width) => {
                let text = rest.filter(|text| !text.is_empty())?;
                let (piece, after) = text.split_at(place(text, width));
                (piece, Some(after))
            }
        };
        rest = after;
        Some(piece)
    })
}
