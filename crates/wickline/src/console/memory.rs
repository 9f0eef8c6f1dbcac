//! What the console remembers for a while and loses with the process: tries, forms that were sent, what was found, what
//! became of an act. Each is bounded. Nothing of it is needed to be safe after a restart.

use std::collections::{HashMap, VecDeque};
use std::net::IpAddr;
use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Mutex, MutexGuard, PoisonError};

use crate::clock;

/// Of each at most so many are remembered; the oldest go first.
const MOST: usize = 4096;
/// Wrong tries that cost nothing: for one name from one address, for one address, for one name from everywhere.
const FREE: [u32; 3] = [5, 20, 50];
/// What the next one costs, doubled by each: 30 s, up to an hour.
const WAIT_US: i64 = 30_000_000;
const LONGEST_WAIT_US: i64 = 3_600_000_000;
/// How long after its last question a page without a stream counts as open: three of its turns.
const LOOKED_US: i64 = 15_000_000;
/// How long what was found is remembered.
const FOUND_US: i64 = 600_000_000;

/// A map that forgets what it got first.
struct Bounded<V> {
    values: HashMap<String, V>,
    order: VecDeque<String>,
}

impl<V> Default for Bounded<V> {
    fn default() -> Self {
        Self { values: HashMap::new(), order: VecDeque::new() }
    }
}

impl<V> Bounded<V> {
    fn put(&mut self, key: String, value: V) {
        if self.values.insert(key.clone(), value).is_none() {
            self.order.push_back(key);
        }
        while self.order.len() > MOST {
            if let Some(first) = self.order.pop_front() {
                self.values.remove(&first);
            }
        }
    }

    fn take(&mut self, key: &str) -> Option<V> {
        let value = self.values.remove(key)?;
        self.order.retain(|known| known != key);
        Some(value)
    }
}

#[derive(Clone, Copy)]
struct Tried {
    wrong: u32,
    /// Steady clock.
    until: i64,
}

/// What became of an act, shown once on the next page.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Told {
    pub good: bool,
    pub text: String,
}

/// All of it.
#[derive(Default)]
pub struct Memory {
    tries: Mutex<Bounded<Tried>>,
    sent: Mutex<Bounded<()>>,
    told: Mutex<Bounded<Told>>,
    found: Mutex<Bounded<(i64, String)>>,
    /// When a page without a stream asked last; steady clock.
    looked: AtomicI64,
}

fn locked<T>(mutex: &Mutex<T>) -> MutexGuard<'_, T> {
    mutex.lock().unwrap_or_else(PoisonError::into_inner)
}

fn keys(name: &str, from: IpAddr) -> [String; 3] {
    [format!("both {from} {name}"), format!("from {from}"), format!("name {name}")]
}

impl Memory {
    /// A page without a stream asks what changed.
    pub fn looks(&self) {
        self.looked.store(clock::steady_us(), Ordering::Relaxed);
    }

    /// Whether one did within the last seconds.
    pub fn is_looked_at(&self) -> bool {
        let at = self.looked.load(Ordering::Relaxed);
        at > 0 && clock::steady_us() - at < LOOKED_US
    }

    /// Seconds until somebody may try again.
    pub fn waits(&self, name: &str, from: IpAddr) -> Option<i64> {
        let (tries, now) = (locked(&self.tries), clock::steady_us());
        let keys = keys(name, from);
        let until = keys.iter().filter_map(|key| tries.values.get(key)).map(|t| t.until).max();
        let until = until.filter(|until| *until > now)?;
        Some((until - now).div_euclid(1_000_000) + 1)
    }

    /// A try was wrong.
    pub fn wrong(&self, name: &str, from: IpAddr) {
        let (mut tries, now) = (locked(&self.tries), clock::steady_us());
        for (key, free) in keys(name, from).into_iter().zip(FREE) {
            let wrong = tries.values.get(&key).map_or(0, |tried| tried.wrong).saturating_add(1);
            let over = wrong.saturating_sub(free);
            let wait = match over {
                0 => 0,
                over => WAIT_US.saturating_mul(1 << (over - 1).min(20)).min(LONGEST_WAIT_US),
            };
            tries.put(key, Tried { wrong, until: now + wait });
        }
    }

    /// It was right: the name's wrong tries from there are forgotten.
    pub fn right(&self, name: &str, from: IpAddr) {
        let mut tries = locked(&self.tries);
        let [both, ..] = keys(name, from);
        tries.take(&both);
    }

    /// Whether a form comes for the first time.
    pub fn is_first(&self, mark: &str, once: &str) -> bool {
        let (mut sent, key) = (locked(&self.sent), format!("{mark} {once}"));
        if sent.values.contains_key(&key) {
            return false;
        }
        sent.put(key, ());
        true
    }

    /// What the next page of this session says first.
    pub fn tell(&self, mark: &str, told: Told) {
        locked(&self.told).put(mark.to_owned(), told);
    }

    /// It, once.
    pub fn told(&self, mark: &str) -> Option<Told> {
        locked(&self.told).take(mark)
    }

    /// Remembers what somebody looked for under a name that tells nothing.
    pub fn keep_words(&self, mark: &str, name: &str, words: &str) {
        let until = clock::steady_us() + FOUND_US;
        locked(&self.found).put(format!("{mark} {name}"), (until, words.to_owned()));
    }

    /// What was looked for.
    pub fn words(&self, mark: &str, name: &str) -> Option<String> {
        let found = locked(&self.found);
        let (until, words) = found.values.get(&format!("{mark} {name}"))?;
        (*until > clock::steady_us()).then(|| words.clone())
    }
}

#[cfg(test)]
mod tests {
    use std::net::{IpAddr, Ipv4Addr};

    use super::{MOST, Memory, Told};

    const HERE: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);

    #[test]
    fn the_sixth_wrong_try_costs_half_a_minute_and_each_further_one_twice_as_much() {
        let memory = Memory::default();
        let mut waits = Vec::new();
        for _ in 0..8 {
            memory.wrong("j. mast", HERE);
            waits.push(memory.waits("j. mast", HERE).unwrap_or(0));
        }
        let near = |n: usize, s: i64| (s - 1..=s + 1).contains(&waits[n]);
        assert!(waits[..5].iter().all(|w| *w == 0), "{waits:?}");
        assert!(near(5, 30) && near(6, 60) && near(7, 120), "{waits:?}");
        // Another person at the same bench is not kept out by it, nor the same one elsewhere.
        assert_eq!(memory.waits("r. olsen", HERE), None);
        assert_eq!(memory.waits("j. mast", IpAddr::V4(Ipv4Addr::new(192, 0, 2, 7))), None);
        for _ in 0..40 {
            memory.wrong("nobody", HERE);
        }
        assert!(memory.waits("r. olsen", HERE).is_some(), "the address itself was too often wrong");
    }

    #[test]
    fn nothing_grows_without_end() {
        let memory = Memory::default();
        for n in 0..3 * MOST {
            memory.wrong(&format!("n{n}"), HERE);
            assert!(memory.is_first("m", &n.to_string()));
        }
        assert_eq!(memory.tries.lock().expect("free").values.len(), MOST);
        assert_eq!(memory.sent.lock().expect("free").order.len(), MOST);
        assert!(!memory.is_first("m", &(3 * MOST - 1).to_string()));
        memory.tell("m", Told { good: true, text: "done".into() });
        assert!(memory.told("m").is_some() && memory.told("m").is_none());
        memory.keep_words("m", "7f3a", "KP-20417");
        assert_eq!(memory.words("m", "7f3a").as_deref(), Some("KP-20417"));
        assert_eq!(memory.words("other", "7f3a"), None);
    }
}
