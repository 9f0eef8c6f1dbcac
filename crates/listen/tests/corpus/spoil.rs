//! Captures spoiled in the ways of serial lines and of people, by a seed: the same every time.

use std::path::Path;

use super::uart::{self, mode};

/// One capture as it came in.
pub struct Spoiled {
    /// Whose dialect reads it.
    pub dialect: &'static str,
    /// Which capture it was made of, and how.
    pub name: String,
    pub way: Way,
    pub bytes: Vec<u8>,
    /// Bytes that the port marked.
    pub flaws: Vec<usize>,
}

/// How a capture was spoiled.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Way {
    CutInFront,
    CutBehind,
    LineLost,
    LineTwice,
    Doubled,
    BitsFlipped,
    ByteLost,
    WrongSpeed,
    WrongFraming,
    WrongCodePage,
    WrongDialect,
}

pub const WAYS: &[Way] = &[
    Way::CutInFront,
    Way::CutBehind,
    Way::LineLost,
    Way::LineTwice,
    Way::Doubled,
    Way::BitsFlipped,
    Way::ByteLost,
    Way::WrongSpeed,
    Way::WrongFraming,
    Way::WrongCodePage,
    Way::WrongDialect,
];

/// Marsaglia's xorshift (2003), 64 bits.
pub struct Dice(pub u64);

impl Dice {
    pub fn below(&mut self, most: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % most.max(1) as u64).expect("below a usize")
    }

    pub fn one<'a, T>(&mut self, of: &'a [T]) -> &'a T {
        &of[self.below(of.len())]
    }
}

/// Every shipped capture of these dialects: the dialect, its name, its bytes.
pub fn captures(
    fixtures: &Path,
    dialects: &[&'static str],
) -> Vec<(&'static str, String, Vec<u8>)> {
    let mut found = Vec::new();
    for dialect in dialects {
        let folder = std::fs::read_dir(fixtures.join(dialect)).expect("a folder of captures");
        for entry in folder.flatten() {
            let path = entry.path();
            if path.extension().is_some_and(|extension| extension == "cap") {
                let name = path.file_stem().expect("a name").to_string_lossy().into_owned();
                found.push((*dialect, name, std::fs::read(&path).expect("readable")));
            }
        }
    }
    found.sort();
    found
}

/// Each capture in each way so often.
pub fn corpus(fixtures: &Path, dialects: &[&'static str], often: usize, seed: u64) -> Vec<Spoiled> {
    let captures = captures(fixtures, dialects);
    let mut dice = Dice(seed | 1);
    let mut corpus = Vec::new();
    for (dialect, name, bytes) in &captures {
        for way in WAYS {
            for n in 0..often {
                let reader = match way {
                    Way::WrongDialect => {
                        let others: Vec<&'static str> =
                            dialects.iter().copied().filter(|other| other != dialect).collect();
                        *dice.one(&others)
                    }
                    _ => dialect,
                };
                let (bytes, flaws) = spoil(bytes, *way, &mut dice);
                let name = format!("{dialect}/{name} {way:?} {n}");
                corpus.push(Spoiled { dialect: reader, name, way: *way, bytes, flaws });
            }
        }
    }
    corpus
}

fn spoil(bytes: &[u8], way: Way, dice: &mut Dice) -> (Vec<u8>, Vec<usize>) {
    let place = dice.below(bytes.len());
    let line = |at: usize| {
        let start = bytes[..at].iter().rposition(|byte| *byte == b'\n').map_or(0, |n| n + 1);
        let end =
            bytes[at..].iter().position(|byte| *byte == b'\n').map_or(bytes.len(), |n| at + n + 1);
        start..end
    };
    let mut spoiled = bytes.to_vec();
    match way {
        Way::CutInFront => drop(spoiled.drain(..place)),
        Way::CutBehind => spoiled.truncate(place),
        Way::LineLost => drop(spoiled.drain(line(place))),
        Way::LineTwice => {
            let range = line(place);
            let again = bytes[range.clone()].to_vec();
            spoiled.splice(range.start..range.start, again);
        }
        Way::Doubled => spoiled.extend_from_slice(bytes),
        Way::BitsFlipped => {
            for _ in 0..=dice.below(3) {
                let at = dice.below(spoiled.len());
                spoiled[at] ^= 1 << dice.below(8);
            }
        }
        Way::ByteLost => drop(spoiled.remove(place)),
        Way::WrongSpeed => {
            let speeds = ["1200-8N1", "2400-8N1", "4800-8N1", "19200-8N1", "38400-8N1"];
            return hear(bytes, "9600-8N1", speeds[dice.below(5)], dice);
        }
        Way::WrongFraming => {
            let framings = ["9600-7E1", "9600-7O1", "9600-8E1", "9600-7S1"];
            return hear(bytes, "9600-8N1", framings[dice.below(4)], dice);
        }
        Way::WrongCodePage => {
            let high = [0xB5, 0xE6, 0xF2, 0x81, 0xFF, 0xC2];
            match spoiled.iter().position(|byte| *byte >= 0x80) {
                Some(at) => spoiled[at] = *dice.one(&high),
                None => spoiled.insert(place, *dice.one(&high)),
            }
        }
        Way::WrongDialect => {}
    }
    (spoiled, Vec::new())
}

/// What a port set like this hears, with its marks or without: not every driver hands them on.
fn hear(bytes: &[u8], from: &str, at: &str, dice: &mut Dice) -> (Vec<u8>, Vec<usize>) {
    let heard = uart::hear(bytes, mode(from), mode(at), *dice.one(&[0, 0, 1, 10, 40]));
    let marked = dice.below(2) == 0;
    let flaws = heard.iter().enumerate().filter(|(_, got)| marked && got.is_marked());
    let flaws = flaws.map(|(at, _)| at).collect();
    (heard.iter().map(|got| got.byte).collect(), flaws)
}
