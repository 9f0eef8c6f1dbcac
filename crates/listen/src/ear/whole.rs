//! A capture heard to its end, as every question about one hears it.

use wickline_normalize::Place;

use super::{Cut, Ear, Ending, Transmission};
use crate::dialect::{Dialect, LinkKind};

/// What the line's own ear makes of bytes that end in silence. A file of bare records, without the frames of LIS01,
/// is read as one message for each header.
#[must_use]
pub fn hear(dialect: &dyn Dialect, bytes: &[u8]) -> Vec<Transmission> {
    if dialect.link() == LinkKind::Lis01 && !bytes.contains(&0x02) {
        return bare_records(bytes);
    }
    let mut ear = Ear::new(dialect);
    ear.handle_input(0, bytes, 0, &[]);
    let time = ear.fall_silent(0);
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
