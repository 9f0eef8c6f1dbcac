//! Between who hears a line and who reads its tape: that something ended, answers to be said, and what became of them.
//!
//! Each side leaves what it has and waits for nothing; what is left is bounded, and an answer that nobody fetched in
//! its time is told as not said.

use std::collections::VecDeque;
use std::sync::{Mutex, PoisonError};

use tokio::sync::Notify;
use wickline_listen::link::Said;

use crate::store::rows::line_query::Outcome;

/// Answers, and outcomes, that may wait here.
const MOST: usize = 64;

/// What is to be said on a line.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// To the question at this place on the tape: its records, not begun after this tick.
    Say { to: u64, records: Vec<Vec<u8>>, until: i64 },
    /// Nothing any more: the analyzer has taken its question back.
    Nothing,
}

/// Shared by the two.
#[derive(Debug, Default)]
pub struct Between {
    /// A framed message or session ended, or an answer was said: now reading is worth while.
    pub ended: Notify,
    /// There is something to say.
    pub offered: Notify,
    answers: Mutex<VecDeque<Answer>>,
    said: Mutex<VecDeque<(u64, Said)>>,
}

impl Between {
    /// Has an answer said as soon as the line is free.
    pub fn offer(&self, answer: Answer) {
        push(&self.answers, answer);
        self.offered.notify_one();
    }

    /// The next that is to be said.
    pub fn answer(&self) -> Option<Answer> {
        self.answers.lock().unwrap_or_else(PoisonError::into_inner).pop_front()
    }

    /// Leaves what became of the answer to the question at this place.
    pub fn tell(&self, to: u64, said: Said) {
        push(&self.said, (to, said));
        self.ended.notify_one();
    }

    /// What became of answers since the last time.
    pub fn told(&self) -> VecDeque<(u64, Said)> {
        std::mem::take(&mut *self.said.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

/// What became of an answer, as the ledger and everybody who watches has it.
#[must_use]
pub fn became(said: Said) -> (Outcome, Option<&'static str>) {
    match said {
        Said::Delivered => (Outcome::Delivered, None),
        Said::Dropped(why) => (Outcome::Dropped, Some(why)),
    }
}

/// The oldest makes room: it is of no use by now.
fn push<T>(queue: &Mutex<VecDeque<T>>, one: T) {
    let mut queue = queue.lock().unwrap_or_else(PoisonError::into_inner);
    if queue.len() >= MOST {
        queue.pop_front();
    }
    queue.push_back(one);
}
