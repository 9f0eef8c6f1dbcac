//! The bytes of a capture or a tape, and what the line's own ear cuts them into.

use std::collections::VecDeque;

use wickline_listen::dialect::{Dialect, LinkKind};
use wickline_listen::ear::{Cut, Ear, Ending, Transmission};
use wickline_normalize::Place;

/// Bytes by their places on the line, as far as they are still wanted.
#[derive(Default)]
pub struct KeptBytes {
    pieces: VecDeque<(u64, Vec<u8>)>,
}

impl KeptBytes {
    pub fn of(bytes: &[u8]) -> Self {
        Self { pieces: VecDeque::from([(0, bytes.to_vec())]) }
    }

    pub fn push(&mut self, start: u64, bytes: Vec<u8>) {
        self.pieces.push_back((start, bytes));
    }

    pub fn forget(&mut self) {
        self.pieces.clear();
    }

    /// What stands there.
    pub fn cut(&self, place: Place) -> Vec<u8> {
        let index = |at: u64, start: u64| usize::try_from(at.saturating_sub(start)).ok();
        let mut found = Vec::new();
        for (start, bytes) in &self.pieces {
            let (from, to) = (index(place.from, *start), index(place.to, *start));
            if let (Some(from), Some(to)) = (from, to) {
                found.extend(bytes.get(from..to.min(bytes.len())).unwrap_or_default());
            }
        }
        found
    }
}

/// What the line's own ear makes of a capture; a file of bare records is read as one message each.
pub fn transmissions(dialect: &dyn Dialect, bytes: &[u8]) -> Vec<Transmission> {
    if dialect.link() == LinkKind::Lis01 && !bytes.contains(&0x02) {
        return bare_records(bytes);
    }
    let mut ear = Ear::new(dialect);
    ear.handle_input(0, bytes, 0, &[]);
    // A capture ends in silence.
    let mut time = 0;
    while let Some(deadline) = ear.poll_timeout().filter(|t| *t < 3_600_000_000) {
        time = deadline.max(time + 1);
        ear.handle_timeout(time);
    }
    ear.handle_closed(time + 1);
    std::iter::from_fn(|| ear.poll_transmission()).collect()
}

fn bare_records(bytes: &[u8]) -> Vec<Transmission> {
    let mut found: Vec<Transmission> = Vec::new();
    let mut from = 0;
    for line in bytes.split(|b| matches!(b, b'\r' | b'\n')) {
        let place = Place { from, to: from + line.len() as u64 };
        from = place.to + 1;
        if line.is_empty() {
            continue;
        }
        let starts = matches!(line.first(), Some(b'H' | b'h'));
        if starts || found.is_empty() {
            let ending = Ending::Cut("no terminator record follows".into());
            found.push(Transmission { place, lines: Vec::new(), ending });
        }
        if let Some(last) = found.last_mut() {
            last.place = last.place.join(place);
            last.lines.push(Cut { place, bytes: line.to_vec(), flawed: false });
            if matches!(line.first(), Some(b'L' | b'l')) {
                last.ending = Ending::Complete;
            }
        }
    }
    found
}

/// So many printable bytes in a row are text: the link's own bytes and what only a printer obeys are
/// shorter.
const TEXT: usize = 6;

/// The places of a capture that belong to no transmission and hold text.
pub fn outside(bytes: &[u8], found: &[Transmission]) -> Vec<Place> {
    let length = bytes.len() as u64;
    let mut places: Vec<Place> = found.iter().map(|t| t.place).collect();
    places.sort_unstable();
    let heard = KeptBytes::of(bytes);
    let mut from = 0;
    let mut gaps = Vec::new();
    for place in places.into_iter().chain([Place { from: length, to: length }]) {
        let gap = Place { from, to: place.from.max(from) };
        let cut = heard.cut(gap);
        let mut runs = cut.split(|b| *b <= b' ' || *b == 0x7f);
        gaps.extend(runs.any(|run| run.len() >= TEXT).then_some(gap));
        from = from.max(place.to);
    }
    gaps
}
