//! What has room on the two pages that are signed: what has none stands behind, whole, and the first page says so.
//!
//! Heights follow from the page's style and from a wide face, in tenths of a millimetre and rather too large; a browser
//! checks them.

use std::iter::once;

use super::Proof;
use super::page::{Captured, Item};
use crate::prove::against::Held;
use crate::prove::map::{Map, PadMap, Step};

/// Two pages of A4 on its side, without their margins.
const PAGE: usize = 1845;
/// The signatures, at the end of the second.
const SIGNED: usize = 460;
/// The room between the edges.
const WIDTH: usize = 2700;
/// A line of text, of small text, and of a capture; what stands around a row.
const LINE: usize = 33;
const SMALL: usize = 25;
const HEARD: usize = 28;
const AROUND: usize = 15;
/// How large text, small text, and bold text of a result is, in hundredths; a letter of a print, in tenths.
const TEXT: usize = 265;
const SMALL_TEXT: usize = 203;
const BOLD_TEXT: usize = 300;
const PRINTED: usize = 15;
/// So much of what is not proved is told there at most, in height and in number.
const NOT_PROVED: usize = 600;
const MOST_ITEMS: usize = 12;
/// So many lines of a capture, and rows of what was typed otherwise.
const MOST_LINES: usize = 75;
const MOST_TYPED: usize = 6;
/// The name of a capture, its frame, and what is told of it.
const OF_CAPTURE: usize = 150;
/// So much of a capture stands there at least.
const LEAST: usize = OF_CAPTURE + 4 * HEARD;

/// How much of each stands on the pages to sign, from its beginning.
#[derive(Debug, Default)]
pub(super) struct Plan {
    pub items: usize,
    /// By their places in the proof.
    pub maps: Vec<usize>,
    pub mistyped: usize,
    /// Lines of each capture; of one that has no room, none.
    pub lines: Vec<usize>,
}

/// What is full already, from the top of the first page.
#[derive(Clone, Copy)]
struct Full(usize);

impl Full {
    /// Puts a piece that stands whole on one page.
    fn put(&mut self, height: usize) {
        if self.0 < PAGE && self.0 + height > PAGE {
            self.0 = PAGE;
        }
        self.0 += height;
    }

    fn left(self) -> usize {
        (2 * PAGE - SIGNED).saturating_sub(self.0)
    }

    /// Puts all of these, or nothing.
    fn take(&mut self, heights: impl Iterator<Item = usize>) -> bool {
        let mut after = *self;
        heights.for_each(|height| after.put(height));
        let fits = after.0 + SIGNED <= 2 * PAGE;
        if fits {
            *self = after;
        }
        fits
    }
}

impl Plan {
    /// Of a proof with this title and these lines of facts above its maps.
    pub fn of(proof: &Proof, items: &[Item<'_>], head: [&str; 2]) -> Plan {
        let mut plan = Plan::default();
        let mut full = Full(0);
        full.put(wrapped(head[0], 520, WIDTH) * 54 + wrapped(head[1], BOLD_TEXT, WIDTH) * LINE);
        // Its frame, what is said below every list, and what is said of the places in the maps.
        full.put(9 * LINE);
        let mut told = 0;
        for item in items.iter().take(MOST_ITEMS) {
            let height = wrapped(&item.whole(), TEXT + 10, WIDTH) * LINE + 10;
            if told + height > NOT_PROVED {
                break;
            }
            (told, plan.items) = (told + height, plan.items + 1);
        }
        full.put(told);
        // What is said of what was typed has its place before any map.
        let typed_at_all = if proof.typed.is_empty() { 0 } else { 2 * LINE };
        for (n, map) in proof.maps.iter().enumerate() {
            let mut with_typed = full;
            if with_typed.take(heights(map, proof).chain([typed_at_all])) {
                full.take(heights(map, proof));
                plan.maps.push(n);
            }
        }
        full.put(typed_at_all);
        let mistyped = proof.typed.iter().filter(|one| one.differs);
        for one in mistyped.take(MOST_TYPED) {
            let mut with_last = full;
            if !with_last.take([typed(one), LEAST].into_iter()) {
                break;
            }
            full.put(typed(one));
            plan.mistyped += 1;
        }
        plan.lines = lines(&proof.captures, full.left());
        plan
    }
}

/// How many lines of each capture have room, where all share it.
fn lines(captures: &[Captured], left: usize) -> Vec<usize> {
    let shown = captures.len().min(left / LEAST);
    let each = left.checked_div(shown).map_or(0, |own| own.saturating_sub(OF_CAPTURE));
    let of = |(n, captured): (usize, &Captured)| {
        if n >= shown {
            return 0;
        }
        let mut room = each * captured.columns / HEARD;
        let width = WIDTH / captured.columns - 50;
        let fits = captured.lines.iter().take(MOST_LINES / shown.clamp(1, 6)).take_while(|line| {
            let rows = (line.chars().map(columns).sum::<usize>() * 14).div_ceil(width).max(1);
            let fits = rows <= room;
            room = room.saturating_sub(rows);
            fits
        });
        fits.count()
    };
    captures.iter().enumerate().map(of).collect()
}

/// The pieces of a map: its head, which comes again on a second page, a row a pad, the words below.
fn heights<'a>(map: &'a Map, proof: &'a Proof) -> impl Iterator<Item = usize> + 'a {
    let below = [
        words_of(map),
        proof.classes.iter().map(|(class, what)| format!("{class} {what}.")).collect(),
    ];
    let below = wrapped(&below.join(" "), SMALL_TEXT + 20, WIDTH) * SMALL + 20;
    once(2 * (LINE + AROUND)).chain(map.pads.iter().map(row)).chain([below])
}

fn words_of(map: &Map) -> String {
    let words = map.words.iter().map(|(grade, words)| format!("{grade} {}; ", words.join(", ")));
    words.chain(map.unread.iter().map(|word| format!("{word}, "))).collect()
}

fn row(pad: &PadMap) -> usize {
    let named = format!("{} {}", pad.id, pad.title);
    let label = pad.label.as_deref().unwrap_or("not in the capture");
    let names = format!("{label} {}", pad.names.join(", "));
    let codes = pad
        .codes
        .iter()
        .map(|(kind, code, unit)| wrapped(&format!("{kind} {code} {unit}"), TEXT, 440) * LINE);
    let reference = pad.reference.as_deref().unwrap_or("none");
    let cells = [
        wrapped(&named, TEXT, 260) * LINE,
        wrapped(&names, SMALL_TEXT, 490) * LINE,
        codes.sum(),
        ladder(&pad.rungs),
        wrapped(reference, TEXT, 145) * LINE,
    ];
    // A face is seldom as wide as the one that is counted with.
    cells.into_iter().max().unwrap_or(0) * 92 / 100 + AROUND
}

/// Steps beside each other, as many as have room.
fn ladder(steps: &[Step]) -> usize {
    const OWN: usize = 1330;
    let (mut all, mut across, mut tallest) = (0, 0, LINE);
    for step in steps {
        let words = step.words.join(", ");
        let sent = wide(&step.sent, BOLD_TEXT) + wide(&step.flag, TEXT) + 10;
        let small = wide(&words, SMALL_TEXT).min(250);
        let printed = step.printed.chars().map(columns).sum::<usize>() * PRINTED;
        let width = printed.max(sent).max(small).max(105) + 35;
        let below = if words.is_empty() { 0 } else { wrapped(&words, SMALL_TEXT, 250) * SMALL };
        let height = 70 + below + LINE * (width / OWN);
        if across + width > OWN && across > 0 {
            (all, across, tallest) = (all + tallest + 4, 0, LINE);
        }
        (across, tallest) = (across + width.min(OWN), tallest.max(height));
    }
    all + tallest
}

/// A row of what was typed: its longest text has about a third of the page.
fn typed(one: &Held) -> usize {
    let texts = [&one.typed, &one.read, &one.sent];
    let longest = texts.into_iter().map(|text| wrapped(text, TEXT, WIDTH / 4));
    longest.max().unwrap_or(1) * LINE + AROUND
}

/// How many lines a text of this size has whose words stay whole.
fn wrapped(text: &str, size: usize, width: usize) -> usize {
    let (mut lines, mut across) = (1, 0);
    for word in text.split_whitespace() {
        let own = wide(word, size);
        if across > 0 && across + own > width {
            (lines, across) = (lines + 1, 0);
        }
        // One that is longer than a line is broken.
        lines += own.saturating_sub(1) / width;
        across += own + size / 30;
    }
    lines
}

/// How wide a text of this size is, by a wide face.
fn wide(text: &str, size: usize) -> usize {
    let parts = text.chars().map(|letter| match letter {
        'i' | 'j' | 'l' | 't' | 'f' | 'I' | 'J' | ' ' => 38,
        ',' | '.' | ';' | ':' | '-' | '/' | '\'' | '(' | ')' => 38,
        'r' | 's' | 'c' | 'z' | 'v' | 'x' | 'y' | 'k' => 56,
        'm' | 'w' | 'M' | 'W' => 98,
        'a'..='z' | '0'..='9' => 64,
        'A'..='Z' => 69,
        letter if letter.is_ascii_graphic() => 84,
        _ => 110,
    });
    (parts.sum::<usize>() * size).div_ceil(1000)
}

/// A letter of a face in which all are alike wide; what is not ASCII may have two columns.
fn columns(letter: char) -> usize {
    if letter.is_ascii() { 1 } else { 2 }
}
