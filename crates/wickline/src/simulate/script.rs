//! What a simulated analyzer runs: strips in order, with what goes wrong on the way.

use serde::Deserialize;
use wickline_normalize::Moment;

/// A day's work, read from a script file or made up from a seed.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Script {
    /// What the sender calls itself in LIS02 H-5.
    #[serde(default = "sender")]
    pub sender: String,
    pub run: Vec<Run>,
}

fn sender() -> String {
    "SIM".into()
}

/// One strip.
#[derive(Clone, Debug, Default, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Run {
    pub number: String,
    pub specimen: String,
    /// `routine`, `stat` or `control`.
    pub class: Class,
    /// Rung of each pad that is not at its lowest, by pad id.
    pub rungs: std::collections::BTreeMap<String, usize>,
    pub fault: Fault,
    /// YYYYMMDDHHMMSS; empty: the clock's.
    pub taken: String,
}

#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    #[default]
    Routine,
    Stat,
    Control,
}

/// What goes wrong with a strip or with its transmission.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Fault {
    #[default]
    None,
    /// The report is sent a second time, as after a lost answer.
    SentTwice,
    /// A number is printed beside the unit of the other unit system.
    WrongUnit,
    /// One pad's result is not on the ladder.
    OffLadder,
    /// A label that no strip knows.
    UnknownLabel,
    /// One pad is missing.
    PadMissing,
    /// One pad could not be read.
    PadUnread,
    /// The first try of every frame has a wrong checksum (LIS01 only).
    BadChecksum,
    /// The transmission stops half way and never goes on.
    CutOff,
}

/// A small generator of its own, so that a seed gives the same day everywhere.
#[derive(Clone, Debug)]
pub struct Dice(u64);

impl Dice {
    #[must_use]
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) | 1)
    }

    /// A number below `sides`.
    pub fn roll(&mut self, sides: usize) -> usize {
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        usize::try_from(self.0 % sides.max(1) as u64).unwrap_or(0)
    }
}

impl Script {
    /// Reads a script file.
    pub fn parse(text: &str) -> Result<Self, String> {
        toml::from_str(text).map_err(|e| e.to_string())
    }

    /// So many patient strips from a seed, numbered from 1, nothing wrong with any of them.
    #[must_use]
    pub fn plain(count: usize, seed: u64, pads: &[(String, usize)]) -> Self {
        let mut dice = Dice::new(seed);
        let run = (1..=count)
            .map(|n| Run {
                number: n.to_string(),
                specimen: format!("KP-{:05}", 20_000 + n + dice.roll(7) * 1000),
                rungs: dice_rungs(&mut dice, pads),
                ..Run::default()
            })
            .collect();
        Self { sender: sender(), run }
    }

    /// The same with its strips numbered from another number on.
    #[must_use]
    pub fn numbered_from(mut self, first: u32) -> Self {
        for (run, number) in self.run.iter_mut().zip(u64::from(first)..) {
            run.number = number.to_string();
        }
        self
    }
}

/// Mostly lowest rungs, a few raised ones. `pads` are ids with their number of rungs.
pub fn dice_rungs(
    dice: &mut Dice,
    pads: &[(String, usize)],
) -> std::collections::BTreeMap<String, usize> {
    let mut raised = std::collections::BTreeMap::new();
    for (id, rungs) in pads {
        if dice.roll(3) == 0 {
            raised.insert(id.clone(), dice.roll(*rungs));
        }
    }
    raised
}

impl Run {
    /// When it was taken, `now` where the script does not say.
    #[must_use]
    pub fn taken_at(&self, now: Moment) -> Moment {
        Moment::from_digits(&self.taken).unwrap_or(Moment { offset: None, ..now })
    }
}
