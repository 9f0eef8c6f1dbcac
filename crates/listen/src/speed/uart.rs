//! A serial line bit by bit, and a receiver that may be set wrongly: what a port hands over then.
//!
//! Times are picoseconds. An idle line is high; a character is a low start bit, its data bits from the lowest, its
//! parity bit if it has one, and a high stop bit. The receiver waits for the line to fall, looks again half a bit
//! later (high: it was nothing) and then takes one sample in the middle of every bit. After a low stop bit it
//! either waits for the line to be high or, as some do, takes that bit for the next start. The circuits' handbooks
//! describe both; neither was measured here.

use super::{Framing, Heard, Setting};

const SECOND: u64 = 1_000_000_000_000;

/// Chance from a seed, the same on every machine (the xorshift generator of Marsaglia, 2003).
pub struct Dice(pub u64);

impl Dice {
    pub fn below(&mut self, bound: u64) -> u64 {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        (self.0 >> 11) % bound
    }
}

/// The high and low of a line: the times at which it changes, low first.
#[derive(Default)]
pub struct Wire {
    edges: Vec<u64>,
}

/// What is not as it should be.
#[derive(Clone, Copy, Default, Debug)]
pub struct Trouble {
    /// Idle bits behind each character: at most so many, by chance.
    pub idle: u64,
    /// The same number behind each.
    pub even: bool,
    /// The receiver's clock, in thousandths off the sender's.
    pub clock: i64,
    /// One sample of so many is wrong; 0: none.
    pub noise: u64,
    /// A low stop bit is taken for the next start bit.
    pub hasty: bool,
    /// The port listens from this time on; the first character begins after one second.
    pub from: u64,
}

pub fn shape(framing: Framing) -> (u32, Option<bool>) {
    match framing {
        Framing::Eight => (8, None),
        Framing::SevenEven => (7, Some(false)),
        Framing::SevenOdd => (7, Some(true)),
        Framing::EightEven => (8, Some(false)),
        Framing::EightOdd => (8, Some(true)),
    }
}

fn parity(byte: u8, odd: bool) -> bool {
    (byte.count_ones() % 2 == 1) != odd
}

impl Wire {
    pub fn sent(bytes: &[u8], at: Setting, trouble: Trouble, dice: &mut Dice) -> Wire {
        let (bits, odd) = shape(at.framing);
        let bit = SECOND / u64::from(at.speed);
        let (mut wire, mut time, mut high) = (Wire::default(), SECOND, true);
        for byte in bytes {
            let data = (0..bits).map(|index| byte >> index & 1 == 1);
            let levels = std::iter::once(false).chain(data);
            for level in levels.chain(odd.map(|odd| parity(*byte, odd))).chain([true]) {
                if level != high {
                    wire.edges.push(time);
                    high = level;
                }
                time += bit;
            }
            let idle = if trouble.even { trouble.idle } else { dice.below(trouble.idle + 1) };
            time += idle * bit;
        }
        wire
    }

    /// Nobody sends; the line falls and rises by chance.
    pub fn noise(changes: usize, longest: u64, dice: &mut Dice) -> Wire {
        let mut time = SECOND;
        let mut next = || {
            time += 1 + dice.below(longest);
            time
        };
        Wire { edges: (0..changes / 2 * 2).map(|_| next()).collect() }
    }

    /// High before the first change, then by turns.
    fn is_high(&self, time: u64) -> bool {
        self.edges.partition_point(|edge| *edge <= time) % 2 == 0
    }

    /// When the line is at that level, from this time on.
    fn when(&self, high: bool, time: u64) -> Option<u64> {
        let index = self.edges.partition_point(|edge| *edge <= time);
        if (index % 2 == 0) == high { Some(time) } else { self.edges.get(index).copied() }
    }

    /// What a port hands over that is set like this.
    pub fn received(&self, at: Setting, trouble: Trouble, dice: &mut Dice) -> Heard {
        let off = u64::try_from(1000 + trouble.clock).expect("a clock that runs");
        let bit = SECOND / u64::from(at.speed) * 1000 / off;
        let (bits, odd) = shape(at.framing);
        let mut sample = |time: u64| {
            let wrong = trouble.noise > 0 && dice.below(trouble.noise) == 0;
            self.is_high(time) != wrong
        };
        let (mut heard, mut time) = (Heard::default(), trouble.from);
        while let Some(fall) = self.when(true, time).and_then(|high| self.when(false, high)) {
            let mut middle = fall + bit / 2;
            time = middle;
            if sample(middle) {
                continue;
            }
            loop {
                let mut next = || {
                    middle += bit;
                    sample(middle)
                };
                let byte = (0..bits).fold(0_u8, |byte, index| byte | u8::from(next()) << index);
                let right = odd.is_none_or(|odd| next() == parity(byte, odd));
                let stopped = next();
                if !(right && stopped) {
                    heard.flaws.push(heard.bytes.len());
                }
                heard.bytes.push(byte);
                time = middle;
                // A break is followed by a high line in any receiver.
                if stopped || byte == 0 || !trouble.hasty {
                    break;
                }
            }
        }
        heard
    }
}
