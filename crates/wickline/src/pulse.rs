//! Whether the loops on which everything depends still turn, for who would start a hanging process anew.
//!
//! Each loop says so at one place of every turn. Where it waits for what may take as long as it likes (a
//! line that is silent, a queue that is empty) the waiting says it; work never does.

use std::collections::BTreeMap;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use crate::clock;

/// How often a loop that waits says that it lives.
const EVERY: Duration = Duration::from_secs(1);

/// The loops of this process, numbered, so that two of one name can follow each other.
struct Loops {
    last: u64,
    /// The name, and the tick of the last turn.
    turning: BTreeMap<u64, (String, i64)>,
}

static LOOPS: Mutex<Loops> = Mutex::new(Loops { last: 0, turning: BTreeMap::new() });

fn loops() -> MutexGuard<'static, Loops> {
    LOOPS.lock().unwrap_or_else(PoisonError::into_inner)
}

/// One loop, as long as it is there.
#[derive(Debug)]
pub struct Beat {
    n: u64,
}

impl Beat {
    /// A loop that begins to turn.
    #[must_use]
    pub fn of(name: impl Into<String>) -> Self {
        let mut loops = loops();
        loops.last += 1;
        let n = loops.last;
        loops.turning.insert(n, (name.into(), clock::tick_us()));
        Self { n }
    }

    /// It turned once more.
    pub fn beat(&self) {
        if let Some((_, last)) = loops().turning.get_mut(&self.n) {
            *last = clock::tick_us();
        }
    }

    /// Waits for what may take as long as it likes.
    pub async fn during<T>(&self, wait: impl Future<Output = T>) -> T {
        tokio::pin!(wait);
        loop {
            self.beat();
            if let Ok(done) = tokio::time::timeout(EVERY, &mut wait).await {
                self.beat();
                return done;
            }
        }
    }
}

impl Drop for Beat {
    fn drop(&mut self) {
        loops().turning.remove(&self.n);
    }
}

/// The loops that did not turn for longer than this.
#[must_use]
pub fn hanging(longest: Duration) -> Vec<String> {
    let longest = i64::try_from(longest.as_micros()).unwrap_or(i64::MAX);
    let now = clock::tick_us();
    let hangs = |(_, last): &&(String, i64)| now.saturating_sub(*last) > longest;
    loops().turning.values().filter(hangs).map(|(name, _)| name.clone()).collect()
}

#[cfg(test)]
mod tests {
    use std::time::Duration;

    use super::{Beat, hanging};

    #[tokio::test(start_paused = true)]
    async fn a_loop_that_works_too_long_hangs_and_one_that_waits_does_not() {
        let long = Duration::from_millis(30);
        let (waits, works) = (Beat::of("one that waits"), Beat::of("one that works"));
        let late = |name: &str| hanging(long).iter().any(|l| l == name);
        assert!(!late("one that works"));
        std::thread::sleep(long * 2);
        assert!(late("one that works") && late("one that waits"));
        waits.during(tokio::time::sleep(Duration::from_secs(60))).await;
        assert!(late("one that works") && !late("one that waits"));
        works.beat();
        assert!(!late("one that works"));
        std::thread::sleep(long * 2);
        drop(works);
        assert!(!late("one that works"), "it is not there any more");
    }
}
