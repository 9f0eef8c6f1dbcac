//! A kept corpus, changed by a seed: what must hold of any bytes (`tests/fuzz/targets.rs`). A few seconds on every run;
//! `WICKLINE_LONG=1` for hours. The seed and the turn that failed are named, and give the same bytes again.

#[path = "../fuzz/targets.rs"]
mod targets;

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use crate::kit::rounds;
use crate::prove::root;

/// Draws without a library, so that a seed means the same for ever (splitmix64, Steele and others 2014).
struct Dice(u64);

impl Dice {
    fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    fn below(&mut self, limit: usize) -> usize {
        usize::try_from(self.next() % u64::try_from(limit.max(1)).unwrap_or(1)).unwrap_or(0)
    }

    fn of<'a, T: ?Sized>(&mut self, all: &[&'a T]) -> &'a T {
        all[self.below(all.len())]
    }
}

/// What tends to break a reader.
const WORDS: &[&[u8]] = &[
    b"\x00",
    b"\x02",
    b"\x03",
    b"\x04",
    b"\x05",
    b"\x06",
    b"\x0b",
    b"\x15",
    b"\x17",
    b"\x1c\r",
    b"\x1b[2J",
    b"\r",
    b"\n",
    b"\r\r",
    b"|",
    b"^",
    b"&",
    b"~",
    b"\\",
    b"\\X0D\\",
    b"\\.br\\",
    b"\"\"",
    b"-",
    b"99999999999999999999",
    b"-1",
    b"1e400",
    b"0.00000000000000000000000000001",
    b"\xff\xff",
    b"\xc3",
    b"\xe2\x80\xae",
    b"\xef\xbb\xbf",
    b"=",
    b"[",
    b"]",
    b"{",
    b"'''",
    b"MSH|^~\\&|",
    b"OBR|",
    b"R|1|^^^GLU|",
    b"H|\\^&",
    b"L|1|N",
];

/// One to six changes of a kept input.
fn changed(dice: &mut Dice, corpus: &[Vec<u8>]) -> Vec<u8> {
    const LONGEST: usize = 64 << 10;
    let mut bytes = corpus[dice.below(corpus.len())].clone();
    for _ in 0..=dice.below(6) {
        let (at, many) = (dice.below(bytes.len() + 1), dice.below(40));
        let end = (at + many).min(bytes.len());
        match dice.below(9) {
            0 => bytes.truncate(at),
            1 => drop(bytes.drain(at..end)),
            2 => {
                let piece = bytes[at..end].to_vec();
                bytes.splice(at..at, piece);
            }
            3 => {
                let other = &corpus[dice.below(corpus.len())];
                let from = dice.below(other.len() + 1);
                bytes.truncate(at);
                bytes.extend_from_slice(&other[from..]);
            }
            4 => {
                let word = dice.of(WORDS);
                bytes.splice(at..at, word.iter().copied());
            }
            5 => {
                let word = dice.of(WORDS).repeat(many);
                bytes.splice(at..end, word);
            }
            6 => bytes[at..end].reverse(),
            7 => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte = dice.next().to_le_bytes()[0];
                }
            }
            _ => {
                if let Some(byte) = bytes.get_mut(at) {
                    *byte ^= 1 << dice.below(8);
                }
            }
        }
    }
    bytes.truncate(LONGEST);
    bytes
}

fn corpus(kept: &[(&str, &str)]) -> Vec<Vec<u8>> {
    let mut paths = Vec::new();
    for (folder, ending) in kept {
        let all = std::fs::read_dir(root(folder)).expect("a folder");
        let own = all.map(|one| one.expect("a file").path());
        paths.extend(own.filter(|path| path.extension().is_some_and(|own| own == *ending)));
    }
    paths.sort();
    assert!(!paths.is_empty(), "nothing is kept in {kept:?}");
    paths.iter().map(|path| std::fs::read(path).expect("a file")).collect()
}

#[test]
fn what_must_hold_of_any_bytes_holds_of_a_changed_corpus() {
    let each = Duration::from_secs(rounds(2, 20 * 60) as u64);
    for (name, kept, holds) in targets::ALL {
        let corpus = corpus(kept);
        corpus.iter().for_each(|bytes| holds(bytes));
        let seed: u64 =
            std::env::var("WICKLINE_SEED").ok().and_then(|n| n.parse().ok()).unwrap_or(1);
        let (begun, mut turn) = (Instant::now(), 0_u64);
        while begun.elapsed() < each {
            let mut dice = Dice(seed.wrapping_mul(1 << 40).wrapping_add(turn));
            let bytes = changed(&mut dice, &corpus);
            if catch_unwind(AssertUnwindSafe(|| holds(&bytes))).is_err() {
                let path = std::env::temp_dir().join(format!("wickline-{name}-{seed}-{turn}"));
                std::fs::write(&path, &bytes).expect("written");
                panic!("{name}, seed {seed}, turn {turn}: the bytes are in {}", path.display());
            }
            turn += 1;
        }
        println!("{name}: {turn} inputs");
    }
}
