//! The bytes of a capture or a tape by their places, and what of a capture belongs to no transmission.

use std::collections::VecDeque;

use wickline_listen::ear::Transmission;
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
