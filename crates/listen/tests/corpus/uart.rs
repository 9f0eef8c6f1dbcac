//! A UART that hears another: bits sent at one speed and framing, sampled at another. Exact, no noise.
//!
//! The usual receiver: it waits for the line to fall, looks again half a bit later (a high line there
//! was a false start), then takes one sample in the middle of each bit. A low stop bit is a framing
//! error, and a break if nothing was high; then it waits for the line to rise.

/// How bytes are put on a line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Mode {
    pub speed: u64,
    pub bits: u32,
    pub parity: Option<Parity>,
    pub stops: usize,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Parity {
    Even,
    Odd,
    Mark,
    Space,
}

/// One byte as heard, and what was wrong with it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Sampled {
    pub byte: u8,
    pub parity: bool,
    pub framing: bool,
    pub pause: bool,
}

impl Sampled {
    pub fn is_marked(self) -> bool {
        self.parity || self.framing || self.pause
    }
}

impl Parity {
    fn of(self, ones: u32) -> bool {
        match self {
            Parity::Even => !ones.is_multiple_of(2),
            Parity::Odd => ones.is_multiple_of(2),
            Parity::Mark => true,
            Parity::Space => false,
        }
    }
}

/// `9600-8N1`.
pub fn mode(text: &str) -> Mode {
    let (speed, rest) = text.split_once('-').expect("a speed");
    let mut letters = rest.chars();
    let mut next = || letters.next().expect("bits, parity, stop bits");
    let (bits, parity, stops) = (next(), next(), next());
    let parity = match parity {
        'E' => Some(Parity::Even),
        'O' => Some(Parity::Odd),
        'M' => Some(Parity::Mark),
        'S' => Some(Parity::Space),
        _ => None,
    };
    let digit = |letter: char| letter.to_digit(10).expect("a digit");
    Mode {
        speed: speed.parse().expect("a speed"),
        bits: digit(bits),
        parity,
        stops: digit(stops) as usize,
    }
}

/// The levels of the line, one for each bit of the sender.
fn sent(bytes: &[u8], by: Mode, pause: usize) -> Vec<bool> {
    // It was idle before.
    let mut levels = vec![true];
    for byte in bytes {
        let bits = (0..by.bits).map(|n| byte >> n & 1 == 1);
        levels.push(false);
        levels.extend(bits.clone());
        let ones = bits.filter(|bit| *bit).count();
        levels.extend(by.parity.map(|parity| parity.of(ones as u32)));
        levels.extend(std::iter::repeat_n(true, by.stops + pause));
    }
    levels
}

/// The line as it is heard: times count so that every half bit of either side is whole.
struct Wire {
    levels: Vec<bool>,
    /// Of one bit of the sender.
    length: u64,
}

impl Wire {
    /// Before the first and after the last bit the line is high.
    fn is_high(&self, time: u64) -> bool {
        let place = usize::try_from(time / self.length).unwrap_or(usize::MAX);
        self.levels.get(place).copied().unwrap_or(true)
    }

    /// When the line is next at this level, from `time` on.
    fn next(&self, time: u64, high: bool) -> Option<u64> {
        if self.is_high(time) == high {
            return Some(time);
        }
        let first = time / self.length + 1;
        let last = self.levels.len() as u64;
        (first..=last).map(|bit| bit * self.length).find(|time| self.is_high(*time) == high)
    }
}

/// What a receiver hears of bytes that are sent with so many idle bit times between them.
pub fn hear(bytes: &[u8], from: Mode, at: Mode, pause: usize) -> Vec<Sampled> {
    let wire = Wire { levels: sent(bytes, from, pause), length: 2 * at.speed };
    let (half, bit) = (from.speed, 2 * from.speed);
    let mut heard = Vec::new();
    let mut now = 0;
    while let Some(fallen) = wire.next(now, true).and_then(|high| wire.next(high, false)) {
        let middle = fallen + half;
        if wire.is_high(middle) {
            now = middle;
            continue;
        }
        let sample = |n: u32| wire.is_high(middle + u64::from(n) * bit);
        let mut got = Sampled::default();
        for n in (0..at.bits).filter(|n| sample(n + 1)) {
            got.byte |= 1 << n;
        }
        let checked = at.parity.map(|parity| (parity, sample(at.bits + 1)));
        got.parity = checked.is_some_and(|(parity, bit)| bit != parity.of(got.byte.count_ones()));
        let stop = at.bits + 1 + u32::from(checked.is_some());
        got.framing = !sample(stop);
        if got.framing && got.byte == 0 && checked.is_none_or(|(_, bit)| !bit) {
            got = Sampled { pause: true, ..Sampled::default() };
        }
        heard.push(got);
        now = middle + u64::from(stop) * bit;
    }
    heard
}
