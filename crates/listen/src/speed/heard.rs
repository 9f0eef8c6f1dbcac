//! One hearing of a line, judged as if it had been at this setting or at that one.
//!
//! What marks a wrong setting, in the order in which it speaks: bytes that the port marked as damaged (framing,
//! parity, breaks), bytes that no print or frame has, few different bytes, and no line ends. Character by character
//! a wrong speed can look like text; all of these together it does not.

use std::collections::BTreeSet;

/// Fewer bytes decide nothing.
pub const ENOUGH: usize = 40;
/// Text has at least so many different bytes; a wrong speed without marks has two or three.
const DIFFERENT: usize = 8;
/// Longest that a line or a record may be.
const LONGEST: usize = 400;
const ENQ: u8 = 0x05;

/// Data bits, parity and stop bits.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Framing {
    /// 8N1
    Eight,
    /// 7E1
    SevenEven,
    /// 7O1
    SevenOdd,
    /// 8E1
    EightEven,
    /// 8O1
    EightOdd,
}

impl Framing {
    /// All of them, the most frequent first.
    pub const ALL: [Framing; 5] =
        [Self::Eight, Self::SevenEven, Self::SevenOdd, Self::EightEven, Self::EightOdd];

    /// As a line is configured.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Eight => "8N1",
            Self::SevenEven => "7E1",
            Self::SevenOdd => "7O1",
            Self::EightEven => "8E1",
            Self::EightOdd => "8O1",
        }
    }

    /// Whether the ones of a character and its parity bit are odd in number.
    fn is_odd(self) -> bool {
        matches!(self, Self::SevenOdd | Self::EightOdd)
    }

    fn is_seven(self) -> bool {
        matches!(self, Self::SevenEven | Self::SevenOdd)
    }
}

/// Bytes as they came, and the indexes of those that the port marked, in rising order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Heard {
    /// The bytes; a break is a marked 00.
    pub bytes: Vec<u8>,
    /// Which of them arrived with an error.
    pub flaws: Vec<usize>,
}

impl Heard {
    /// What a port set to `framing` would have handed over where this one, at the same speed, was set to `own`;
    /// nothing where that cannot be known.
    ///
    /// A character of 8N1 is as long as one of 7E1 and 7O1: their parity bit is its highest. Behind the eight bits
    /// of 8E1 and 8O1 comes a parity bit, where 8N1 looks for the stop bit: exactly the characters with a parity
    /// bit of 0 are marked, as long as the port finds the next start again.
    fn as_if(&self, own: Framing, framing: Framing) -> Option<Heard> {
        // Some ports cannot do seven bits and hand over eight.
        let eight = own.is_seven() && self.bytes.iter().any(|b| *b >= 0x80);
        if own == framing && !eight {
            return Some(self.clone());
        }
        if own != framing && own != Framing::Eight {
            return None;
        }
        let mut marks = self.flaws.iter().copied().peekable();
        let mut other = Heard::default();
        for (index, byte) in self.bytes.iter().copied().enumerate() {
            let marked = marks.next_if_eq(&index).is_some();
            let odd = byte.count_ones() % 2 == 1;
            let (byte, flawed) = if framing.is_seven() {
                (byte & 0x7F, marked || odd != framing.is_odd())
            } else {
                let low = odd == framing.is_odd();
                (byte, marked != low)
            };
            if flawed {
                other.flaws.push(index);
            }
            other.bytes.push(byte);
        }
        Some(other)
    }

    /// Judged as if heard in `framing`, by a port that was set to `own`; nothing where that cannot be known.
    #[must_use]
    pub fn judge(&self, own: Framing, framing: Framing) -> Option<Judgement> {
        self.as_if(own, framing).map(|heard| Judgement::of(&heard))
    }

    /// Whether more from the same print would change nothing: enough was heard, or what was heard is damaged in
    /// whichever framing.
    #[must_use]
    pub fn is_settled(&self, own: Framing) -> bool {
        let judged = || Framing::ALL.into_iter().filter_map(|framing| self.judge(own, framing));
        self.bytes.len() >= ENOUGH || !judged().any(|j| j.text == j.bytes)
    }
}

/// What speaks for a setting and against it, in numbers.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Judgement {
    /// Bytes heard.
    pub bytes: usize,
    /// Of them marked as damaged, or in a wrong parity.
    pub flawed: usize,
    /// Of the damaged ones: breaks.
    pub breaks: usize,
    /// Undamaged bytes that print or that a print or frame is ended with.
    pub text: usize,
    /// Bytes that would be text, damaged or not.
    pub legible: usize,
    /// Different undamaged bytes.
    pub different: usize,
    /// Lines or records that ended.
    pub lines: usize,
    /// Bytes of the longest of them.
    pub longest: usize,
    /// Undamaged ENQs.
    pub enquiries: usize,
}

impl Judgement {
    fn of(heard: &Heard) -> Self {
        let mut marks = heard.flaws.iter().copied().peekable();
        let mut seen = BTreeSet::new();
        let mut judged = Self { bytes: heard.bytes.len(), ..Self::default() };
        let mut line = 0;
        for (index, byte) in heard.bytes.iter().copied().enumerate() {
            let (plain, ends) = (is_text(byte), matches!(byte, b'\r' | b'\n'));
            judged.legible += usize::from(plain);
            if marks.next_if_eq(&index).is_some() {
                judged.flawed += 1;
                judged.breaks += usize::from(byte == 0);
            } else {
                judged.text += usize::from(plain);
                judged.enquiries += usize::from(byte == ENQ);
                seen.insert(byte);
                judged.lines += usize::from(ends && line > 0);
            }
            line = if ends { 0 } else { line + 1 };
            judged.longest = judged.longest.max(line);
        }
        judged.different = seen.len();
        judged
    }

    /// Enough was heard, and it is undamaged text in lines, but for noise: no wrong setting gives that.
    #[must_use]
    pub fn fits(&self) -> bool {
        self.bytes >= ENOUGH
            && self.text * 20 >= self.bytes * 19
            && self.different >= DIFFERENT
            && self.lines > 0
            && self.longest <= LONGEST
    }

    /// Text, if one overlooks the marks: the speed may be right and the framing wrong.
    #[must_use]
    pub fn is_legible(&self) -> bool {
        self.bytes >= ENOUGH / 2 && self.legible * 10 >= self.bytes * 8 && self.different > 2
    }

    /// Nothing but ENQ: an analyzer asks to send. It may mean the right speed and says nothing of the framing.
    #[must_use]
    pub fn asks(&self) -> bool {
        self.bytes > 0 && self.enquiries == self.bytes
    }

    /// Undamaged text, in hundredths of what was heard.
    #[must_use]
    pub fn share(&self) -> usize {
        (self.text * 100).checked_div(self.bytes).unwrap_or(0)
    }

    /// In words.
    #[must_use]
    pub fn reason(&self) -> String {
        let Self { bytes, flawed, breaks, different, lines, .. } = self;
        if *bytes == 0 {
            return "nothing was heard".into();
        }
        if self.asks() {
            return format!("{bytes} times ENQ and nothing else: an analyzer that asks to send");
        }
        if self.fits() {
            let damage = if *flawed > 0 { format!(", {flawed} damaged") } else { String::new() };
            return format!("{bytes} bytes, text in {lines} lines{damage}");
        }
        let mut against = Vec::new();
        if *breaks * 10 > *bytes {
            against.push(format!("{breaks} of {bytes} bytes are breaks"));
        } else if *flawed > 0 {
            against.push(format!("{flawed} of {bytes} bytes are damaged"));
        }
        let whole = bytes - flawed;
        if self.text * 20 < whole * 19 {
            against.push(format!("{} of {whole} undamaged bytes are no text", whole - self.text));
        }
        if *bytes < ENOUGH {
            against.push(format!("{bytes} bytes are too few, {ENOUGH} are wanted"));
        } else if *different < DIFFERENT {
            against.push(format!("only {different} different undamaged bytes"));
        }
        if *lines == 0 {
            against.push("no line ends".into());
        } else if self.longest > LONGEST {
            against.push(format!("a line of {} bytes", self.longest));
        }
        against.join(", ")
    }
}

/// What prints, and what prints and frames are laid out, begun and ended with.
fn is_text(byte: u8) -> bool {
    matches!(byte, b' '..=b'~' | b'\t' | b'\n' | b'\r' | 0x0C | 0x02..=0x05 | 0x17)
}
