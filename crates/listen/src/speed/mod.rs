//! Which speed and framing a serial line has, found by listening alone.
//!
//! A pure machine. [`Search::next_try`] says at which setting to listen next, [`Search::take`] is given what was
//! heard there, and [`Search::verdict`] says at any time what fits, how sure that is and what speaks against the
//! rest. First each speed is heard at 8N1, the most frequent first, until one gives text: from what 8N1 hears the
//! other framings can mostly be judged, too. What fits is then heard again at its own setting, because one print is
//! no proof. A port that never marked a byte may be one that reports no damage: 8E1 is then heard as the counter-proof.

mod heard;
#[cfg(test)]
mod tests;
#[cfg(test)]
mod uart;

use std::fmt;

pub use heard::{ENOUGH, Framing, Heard, Judgement};

/// Speeds in the order in which they are tried, the most frequent first.
const ORDER: [u32; 9] = [9600, 19_200, 38_400, 4800, 2400, 1200, 115_200, 57_600, 300];
/// Prints that must fit before a setting is sure.
const PRINTS: usize = 2;
/// Most tries at one setting.
const TRIES: usize = 4;

/// How a line is set.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Setting {
    /// Bits per second.
    pub speed: u32,
    /// Bits of a character.
    pub framing: Framing,
}

impl fmt::Display for Setting {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.speed, self.framing.name())
    }
}

/// What was heard so far.
#[derive(Debug, Default)]
pub struct Search {
    tries: Vec<Try>,
}

/// One hearing: nothing of its text is kept.
#[derive(Debug)]
struct Try {
    at: Setting,
    /// As each framing of its speed, where that can be known.
    judged: Vec<(Framing, Judgement)>,
    bytes: usize,
    flaws: usize,
}

/// What came out of a search.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// What fits best, if anything does.
    pub best: Option<Setting>,
    /// It is heard twice, and nothing else fits.
    pub sure: bool,
    /// What fits as well: these bytes do not tell them apart.
    pub equal: Vec<Setting>,
    /// Why, in sentences.
    pub why: Vec<String>,
    /// The next best, and what speaks against it.
    pub next: Option<(Setting, String)>,
}

impl Search {
    /// Where to listen next; nothing: more of it would not help.
    #[must_use]
    pub fn next_try(&self) -> Option<Setting> {
        let fitting = self.fitting();
        let wanting = |s: &&Setting| !self.is_proven(**s) && self.count(**s) < TRIES;
        if let Some(setting) = fitting.iter().find(wanting) {
            return Some(*setting);
        }
        if let Some(setting) = fitting.first() {
            let counter = Setting { framing: Framing::EightEven, ..*setting };
            return (self.may_be_mute(*setting) && self.count(counter) == 0).then_some(counter);
        }
        let untried = |s: &Setting| self.count(*s) == 0;
        // Text with marks: the speed is right, and the parity bit is where 8N1 has none.
        let legible = ORDER.into_iter().filter(|speed| {
            let first = Setting { speed: *speed, framing: Framing::Eight };
            self.judged(first, first.framing).any(|j| j.is_legible())
        });
        let plain = ORDER.map(|speed| Setting { speed, framing: Framing::Eight });
        let mut rest =
            legible.flat_map(longer).chain(plain).chain(ORDER.into_iter().flat_map(longer));
        rest.find(untried)
    }

    /// What was heard at a setting. Says which framing it reads best in, and how.
    pub fn take(&mut self, at: Setting, heard: &Heard) -> (Setting, Judgement) {
        let judge = |framing| Some((framing, heard.judge(at.framing, framing)?));
        let judged: Vec<_> = Framing::ALL.into_iter().filter_map(judge).collect();
        // Among equals the setting that was heard.
        let key = |(f, j): &&(Framing, Judgement)| (j.fits(), j.text, *f == at.framing);
        let (framing, judgement) =
            judged.iter().max_by_key(key).copied().unwrap_or((at.framing, Judgement::default()));
        self.tries.push(Try { at, judged, bytes: heard.bytes.len(), flaws: heard.flaws.len() });
        (Setting { framing, ..at }, judgement)
    }

    /// What is known by now.
    #[must_use]
    pub fn verdict(&self) -> Verdict {
        let fitting = self.fitting();
        let Some((best, equal)) = fitting.split_first() else { return self.nothing_fits() };
        let (prints, against) = self.prints(*best);
        let mut why = vec![format!("{best}: {}", self.best_of(*best).reason())];
        if !self.is_proven(*best) {
            why.push(format!("prints that fitted: {prints}, that did not: {against}; {PRINTS} and more are wanted"));
        }
        let mute = self.may_be_mute(*best);
        if mute {
            why.push("the port marked no byte: it may report no damage, and 8N1 reads like 8E1 and 8O1 then".into());
        }
        if !equal.is_empty() {
            let names: Vec<String> = equal.iter().map(Setting::to_string).collect();
            why.push(format!("what was heard reads the same at {}", names.join(", ")));
        }
        let sure = self.is_proven(*best) && equal.is_empty() && !mute;
        let next = self.next_best(&fitting);
        Verdict { best: Some(*best), sure, equal: equal.to_vec(), why, next }
    }

    /// The best guess where nothing fits.
    fn nothing_fits(&self) -> Verdict {
        let silent = self.tries.iter().all(|tried| tried.bytes == 0);
        let asks = |s: &Setting| self.best_of(*s).asks();
        let mut asking: Vec<Setting> = self.settings().into_iter().filter(asks).collect();
        asking.dedup();
        let (best, equal) = match asking.split_first() {
            Some((best, equal)) => (Some(*best), equal.to_vec()),
            None => (None, Vec::new()),
        };
        let why = match best {
            Some(best) => format!(
                "{best}: {}; ENQ alone does not tell the framing, and one byte is little for a speed",
                self.best_of(best).reason()
            ),
            None if silent => "nothing was heard".into(),
            None => "nothing that was heard is text in lines".into(),
        };
        let next = if silent { None } else { self.next_best(&asking) };
        Verdict { best, sure: false, equal, why: vec![why], next }
    }

    /// Of what does not fit, the setting that comes nearest.
    fn next_best(&self, but: &[Setting]) -> Option<(Setting, String)> {
        let others = self.settings().into_iter().filter(|s| !but.contains(s));
        let heard = others.map(|s| (s, self.best_of(s))).filter(|(_, j)| j.bytes > 0);
        let (setting, judgement) = heard.max_by_key(|(_, j)| (j.bytes >= ENOUGH, j.share()))?;
        Some((setting, judgement.reason()))
    }

    /// All settings of which something is known.
    fn settings(&self) -> Vec<Setting> {
        let of = |tried: &Try| Framing::ALL.map(|framing| Setting { framing, ..tried.at });
        let mut all: Vec<Setting> = self.tries.iter().flat_map(of).collect();
        all.sort();
        all.dedup();
        all
    }

    /// What was heard at a setting, judged as one framing of its speed.
    fn judged(&self, at: Setting, framing: Framing) -> impl Iterator<Item = Judgement> {
        let own = self.tries.iter().filter(move |tried| tried.at == at);
        let judged = own.flat_map(|tried| tried.judged.iter());
        judged.filter(move |(known, _)| *known == framing).map(|(_, judgement)| *judgement)
    }

    fn count(&self, at: Setting) -> usize {
        self.tries.iter().filter(|tried| tried.at == at).count()
    }

    /// The fullest judgement of a setting: one that fits, else of its own tries, else of what 8N1 heard.
    fn best_of(&self, setting: Setting) -> Judgement {
        let first = Setting { framing: Framing::Eight, ..setting };
        let own = self.judged(setting, setting.framing).map(|j| (true, j));
        let all = own.chain(self.judged(first, setting.framing).map(|j| (false, j)));
        let best = all.max_by_key(|(own, j)| (j.fits(), *own, j.text));
        best.map(|(_, judgement)| judgement).unwrap_or_default()
    }

    /// How many hearings fit a setting, and how many at this very setting do not. That something heard at 8N1 does
    /// not read in another framing is held against nobody: some adapters mark whole packets.
    fn prints(&self, setting: Setting) -> (usize, usize) {
        let own = self.judged(setting, setting.framing);
        let against = own.filter(|j| !j.fits() && j.bytes >= ENOUGH).count();
        let first = Setting { framing: Framing::Eight, ..setting };
        let mut fits = self.judged(setting, setting.framing).filter(Judgement::fits).count();
        if first != setting {
            fits += self.judged(first, setting.framing).filter(Judgement::fits).count();
        }
        (fits, against)
    }

    fn is_proven(&self, setting: Setting) -> bool {
        let (prints, against) = self.prints(setting);
        prints >= PRINTS && prints > against
    }

    /// What fits at least as often as not, the best proven first.
    fn fitting(&self) -> Vec<Setting> {
        let prints = |s: &Setting| self.prints(*s);
        let mut all = self.settings();
        all.retain(|s| prints(s).0 > 0 && prints(s).0 >= prints(s).1);
        // Stable: among equals the more frequent framing is first.
        all.sort_by_key(|s| std::cmp::Reverse((prints(s).0, self.best_of(*s).text)));
        all
    }

    /// Whether nothing shows that this port marks damage, where that matters: without marks 8N1 and 8E1 read alike.
    fn may_be_mute(&self, best: Setting) -> bool {
        let eight = !matches!(best.framing, Framing::SevenEven | Framing::SevenOdd);
        eight && self.tries.iter().all(|tried| tried.flaws == 0)
    }
}

/// The framings of a speed whose characters are longer than those of 8N1.
fn longer(speed: u32) -> [Setting; 2] {
    [Framing::EightEven, Framing::EightOdd].map(|framing| Setting { speed, framing })
}
