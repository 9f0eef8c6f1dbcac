//! The log of a SQLite database, read as its format is published (sqlite.org/fileformat2.html, section 4):
//! is a frame damaged that was certainly on the disk?
//!
//! The frames behind the last sync may be torn after a power cut, and whole transactions of before the
//! last reset stand behind them; both are as they should be. But a transaction is written only when the
//! one before it is on the disk. So where a commit and a frame of the next transaction follow behind a bad
//! frame, that frame was on the disk, and was damaged there.

#[cfg(test)]
mod tests;

use std::fs::File;
use std::io::{self, BufReader, Read};
use std::path::Path;

/// Bytes of the log's head and of each frame's.
const HEAD: usize = 32;
const FRAME: usize = 24;
/// What a log begins with; the lowest bit tells the order of bytes in its sums.
const MAGIC: u32 = 0x377F_0682;
/// Where the head cannot say it: what this program's databases have.
const PAGE: usize = 4096;

type Sum = (u32, u32);

/// The place of the first damaged frame of a log. None: it is whole, or there is none.
pub fn damage(path: &Path) -> io::Result<Option<u64>> {
    let file = match File::open(path) {
        Ok(file) => file,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(None),
        Err(error) => return Err(error),
    };
    let mut file = BufReader::with_capacity(1 << 16, file);
    let mut head = [0; HEAD];
    if !fill(&mut file, &mut head)? {
        return Ok(None);
    }
    let mut order = Order { big: word(&head, 0) == MAGIC | 1 };
    let stored = (word(&head, 24), word(&head, 28));
    let good = word(&head, 0) & !1 == MAGIC && order.sum(&head[..24], (0, 0)) == stored;
    if !good {
        // It was written in the order of a machine such as this.
        order.big = cfg!(target_endian = "big");
    }
    let size = usize::try_from(word(&head, 8)).unwrap_or(0);
    let page =
        if good || size.is_power_of_two() && (512..=65_536).contains(&size) { size } else { PAGE };
    let mut walk = Walk {
        order,
        salts: good.then(|| head[16..24].to_vec()),
        before: stored,
        bad: (!good).then_some(0),
        committed: false,
    };
    let (mut frame, mut at) = (vec![0; FRAME + page], HEAD as u64);
    while fill(&mut file, &mut frame)? {
        if walk.step(&frame, at) {
            return Ok(walk.bad);
        }
        at += frame.len() as u64;
    }
    Ok(None)
}

/// Reads as much as is wanted. False: there is less.
fn fill(file: &mut impl Read, into: &mut [u8]) -> io::Result<bool> {
    match file.read_exact(into) {
        Ok(()) => Ok(true),
        Err(error) if error.kind() == io::ErrorKind::UnexpectedEof => Ok(false),
        Err(error) => Err(error),
    }
}

/// From frame to frame.
struct Walk {
    order: Order,
    /// Of this generation of the log; where the head is damaged, those of the frame before.
    salts: Option<Vec<u8>>,
    /// The sum that stands in the frame before.
    before: Sum,
    bad: Option<u64>,
    /// A commit stands behind the bad frame (or is it), and only good frames since.
    committed: bool,
}

impl Walk {
    /// True: what is bad was on the disk before this frame was written.
    fn step(&mut self, frame: &[u8], at: u64) -> bool {
        let salts = &frame[8..16];
        let ours = self.salts.as_ref().is_none_or(|known| known == salts);
        let stored = (word(frame, 16), word(frame, 20));
        let sum = self.order.sum(&frame[FRAME..], self.order.sum(&frame[..8], self.before));
        let good = ours && sum == stored;
        let commit = word(frame, 4) != 0;
        self.before = stored;
        if self.bad == Some(0) {
            self.salts = Some(salts.to_vec());
        }
        match (self.bad, good) {
            (None, true) => {}
            (None, false) => (self.bad, self.committed) = (Some(at), ours && commit),
            (Some(_), true) if self.committed => return true,
            (Some(_), good) => self.committed = good && commit,
        }
        false
    }
}

/// How the words of a sum are read.
struct Order {
    big: bool,
}

impl Order {
    fn sum(&self, bytes: &[u8], from: Sum) -> Sum {
        let word = |part: &[u8]| {
            let part = part.try_into().unwrap_or_default();
            if self.big { u32::from_be_bytes(part) } else { u32::from_le_bytes(part) }
        };
        bytes.chunks_exact(8).fold(from, |(one, two), pair| {
            let one = one.wrapping_add(word(&pair[..4])).wrapping_add(two);
            (one, two.wrapping_add(word(&pair[4..])).wrapping_add(one))
        })
    }
}

fn word(bytes: &[u8], at: usize) -> u32 {
    bytes[at..at + 4].try_into().map_or(0, u32::from_be_bytes)
}
