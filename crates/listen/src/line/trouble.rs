//! What went wrong on a line beneath its bytes, counted.

/// One kind of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Trouble {
    /// The line was held low: a cable that was pulled, an analyzer that was switched off.
    Break,
    /// Bytes that nobody took in time.
    Overrun,
    /// The parity bit did not fit: a wrong framing, or noise.
    Parity,
    /// No stop bit where one has to be: a wrong speed or framing, or noise.
    Framing,
    /// Parity or framing: a port of this machine marks the byte and does not say which.
    Damage,
}

impl Trouble {
    /// All of them, in the order in which they are told.
    pub const ALL: [Trouble; 5] =
        [Trouble::Break, Trouble::Overrun, Trouble::Parity, Trouble::Framing, Trouble::Damage];

    /// Its name in metrics and events.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Trouble::Break => "break",
            Trouble::Overrun => "overrun",
            Trouble::Parity => "parity",
            Trouble::Framing => "framing",
            Trouble::Damage => "damage",
        }
    }

    fn words(self, count: u64) -> &'static str {
        match (self, count) {
            (Trouble::Break, 1) => "break",
            (Trouble::Break, _) => "breaks",
            (Trouble::Overrun, 1) => "overrun",
            (Trouble::Overrun, _) => "overruns",
            (Trouble::Parity, 1) => "parity error",
            (Trouble::Parity, _) => "parity errors",
            (Trouble::Framing, 1) => "framing error",
            (Trouble::Framing, _) => "framing errors",
            (Trouble::Damage, 1) => "byte with a parity or framing error",
            (Trouble::Damage, _) => "bytes with a parity or framing error",
        }
    }
}

/// How often each of them was.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Counts([u64; Trouble::ALL.len()]);

impl Counts {
    /// How often this one was.
    #[must_use]
    pub fn of(&self, trouble: Trouble) -> u64 {
        self.0.get(trouble as usize).copied().unwrap_or(0)
    }

    /// So many more of this one.
    pub fn add(&mut self, trouble: Trouble, more: u64) {
        if let Some(count) = self.0.get_mut(trouble as usize) {
            *count = count.saturating_add(more);
        }
    }

    /// Both together.
    pub fn add_all(&mut self, more: &Counts) {
        for trouble in Trouble::ALL {
            self.add(trouble, more.of(trouble));
        }
    }

    /// How many more than before, where none can become fewer.
    #[must_use]
    pub fn since(&self, before: &Counts) -> Counts {
        let mut grown = Counts::default();
        for trouble in Trouble::ALL {
            grown.add(trouble, self.of(trouble).saturating_sub(before.of(trouble)));
        }
        grown
    }

    /// Nothing went wrong.
    #[must_use]
    pub fn is_none(&self) -> bool {
        *self == Counts::default()
    }
}

/// Those that were, by their names.
impl serde::Serialize for Counts {
    fn serialize<S: serde::Serializer>(&self, to: S) -> Result<S::Ok, S::Error> {
        let there = Trouble::ALL.into_iter().filter(|trouble| self.of(*trouble) > 0);
        to.collect_map(there.map(|trouble| (trouble.code(), self.of(trouble))))
    }
}

/// "2 breaks, 1 overrun".
impl std::fmt::Display for Counts {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let there = Trouble::ALL.into_iter().filter(|trouble| self.of(*trouble) > 0);
        for (nth, trouble) in there.enumerate() {
            let count = self.of(trouble);
            let comma = if nth == 0 { "" } else { ", " };
            write!(f, "{comma}{count} {}", trouble.words(count))?;
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::{Counts, Trouble};

    #[test]
    fn counts_grow_and_are_told() {
        let mut counts = Counts::default();
        assert!(counts.is_none() && counts.to_string().is_empty());
        counts.add(Trouble::Damage, 3);
        let before = counts;
        counts.add(Trouble::Break, 1);
        counts.add(Trouble::Damage, u64::MAX);
        assert_eq!(counts.of(Trouble::Damage), u64::MAX);
        assert_eq!(counts.since(&before).of(Trouble::Break), 1);
        assert_eq!(before.to_string(), "3 bytes with a parity or framing error");
        before.since(&counts).is_none().then_some(()).expect("none becomes fewer");
        let mut both = before;
        both.add(Trouble::Overrun, 2);
        both.add(Trouble::Break, 1);
        assert_eq!(both.to_string(), "1 break, 2 overruns, 3 bytes with a parity or framing error");
    }
}
