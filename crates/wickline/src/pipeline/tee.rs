//! A copy of what a line says, for a second program that used to listen on it: into a file, or over TCP.
//!
//! Byte for byte as it was heard, and never in the way of the line: bytes wait in bounded memory, and what does not fit
//! there, the oldest first, is lost to the copy, counted and told. The line itself is on the tape all the same.

mod sink;
#[cfg(test)]
mod tests;

use std::collections::VecDeque;
use std::io;
use std::sync::{Arc, Mutex, PoisonError};
use std::time::Duration;

use tokio::sync::{Notify, watch};
use tracing::{info, warn};

use self::sink::{Door, Sink};
use super::event::{Event, Events};
use crate::clock;
use crate::settings::bench::TeeTo;

/// Bytes that may wait: some twenty minutes of a line that never stops at 9600 bits a second. Our own choice.
const WAITING: usize = 1024 * 1024;
/// Bytes taken at a time.
const CHUNK: usize = 4096;
/// How often it is told that more was lost, in microseconds. Our own choice.
const EVERY: i64 = 60_000_000;
/// How long a stop waits for what has not gone yet.
const LAST: Duration = Duration::from_secs(2);

/// What a line hands its copy to.
#[derive(Clone, Debug, Default)]
pub struct Tee(Arc<Shared>);

#[derive(Debug, Default)]
struct Shared {
    waiting: Mutex<Waiting>,
    more: Notify,
}

#[derive(Debug, Default)]
struct Waiting {
    bytes: VecDeque<u8>,
    lost: u64,
}

impl Tee {
    /// Takes a copy. Waits for nothing.
    pub fn copy(&self, bytes: &[u8]) {
        let mut waiting = self.0.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        waiting.bytes.extend(bytes);
        let over = waiting.bytes.len().saturating_sub(WAITING);
        waiting.bytes.drain(..over);
        waiting.lost += u64::try_from(over).unwrap_or(0);
        drop(waiting);
        self.0.more.notify_one();
    }

    fn take(&self) -> Vec<u8> {
        let mut waiting = self.0.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        let count = waiting.bytes.len().min(CHUNK);
        waiting.bytes.drain(..count).collect()
    }

    fn lost(&self) -> u64 {
        self.0.waiting.lock().unwrap_or_else(PoisonError::into_inner).lost
    }

    /// What still waits will not go any more.
    fn give_up(&self, beside: usize) {
        let mut waiting = self.0.waiting.lock().unwrap_or_else(PoisonError::into_inner);
        let count = waiting.bytes.len() + beside;
        waiting.bytes.clear();
        waiting.lost += u64::try_from(count).unwrap_or(0);
    }
}

/// Carries the copy of one line to where it goes.
pub struct Copying {
    pub analyzer: String,
    pub to: TeeTo,
    pub tee: Tee,
    /// Room on the disk that belongs to the stores.
    pub low_water: u64,
    pub events: Events,
    pub stop: watch::Receiver<bool>,
}

/// What was told of it last.
#[derive(Debug, Default)]
struct Told {
    up: bool,
    why: Option<String>,
    to: String,
    lost: u64,
    at: Option<i64>,
}

impl Copying {
    /// Carries until told to stop, and then what waits, for a moment.
    pub async fn run(mut self) {
        let mut told = Told { to: self.to.to_string(), ..Told::default() };
        let mut pause = Duration::from_millis(250);
        let (mut door, mut hand) = (None, Vec::new());
        while !*self.stop.borrow() {
            match self.open(&mut door, &mut told).await {
                None => break,
                Some(Ok(sink)) => {
                    pause = Duration::from_millis(250);
                    self.tell(&mut told, true, None);
                    match self.pour(sink, &mut hand, &mut told).await {
                        Ok(()) => break,
                        Err(error) => self.tell(&mut told, false, Some(error.to_string())),
                    }
                }
                Some(Err(error)) => {
                    self.tell(&mut told, false, Some(error.to_string()));
                    self.rest(pause).await;
                    pause = (pause * 2).min(Duration::from_secs(5));
                }
            }
        }
        self.tee.give_up(hand.len());
        if self.tee.lost() > told.lost {
            told.at = None;
            let (up, why) = (told.up, told.why.clone());
            self.tell(&mut told, up, why);
        }
    }

    /// Opens where it goes to. None: told to stop meanwhile.
    async fn open(&mut self, door: &mut Option<Door>, told: &mut Told) -> Option<io::Result<Sink>> {
        let mut stop = self.stop.clone();
        if let (TeeTo::Listen(address), None) = (&self.to, &door) {
            match Door::bind(*address).await {
                Ok(bound) => {
                    told.to = bound.to_string();
                    *door = Some(bound);
                    let why = "nobody is connected to it".to_owned();
                    self.tell(told, false, Some(why));
                }
                Err(error) => return Some(Err(error)),
            }
        }
        let opening = Sink::open(&self.to, door.as_mut(), self.low_water);
        tokio::pin!(opening);
        loop {
            tokio::select! {
                sink = &mut opening => return Some(sink),
                () = super::stopped(&mut stop) => return None,
                () = due(told.at, self.tee.lost() > told.lost) => {
                    let (up, why) = (told.up, told.why.clone());
                    self.tell(told, up, why);
                }
            }
        }
    }

    /// Writes what comes. Ends well when told to stop, with an error when the far end is gone.
    async fn pour(
        &mut self,
        mut sink: Sink,
        hand: &mut Vec<u8>,
        told: &mut Told,
    ) -> io::Result<()> {
        let (mut stop, tee) = (self.stop.clone(), self.tee.clone());
        loop {
            if hand.is_empty() {
                *hand = tee.take();
            }
            if self.tee.lost() > told.lost
                && told.at.is_none_or(|at| clock::tick_us() >= at + EVERY)
            {
                self.tell(told, true, None);
            }
            if !hand.is_empty() {
                let ends = *stop.borrow();
                let written = sink.write(hand);
                let written = match ends {
                    true => tokio::time::timeout(LAST, written).await,
                    false => tokio::select! {
                        written = written => Ok(written),
                        () = patience(&mut stop) => return Ok(()),
                    },
                };
                let Ok(count) = written else { return Ok(()) };
                hand.drain(..count?);
                continue;
            }
            if *stop.borrow() {
                return Ok(());
            }
            tokio::select! {
                () = tee.0.more.notified() => {}
                () = super::stopped(&mut stop) => {}
                error = sink.gone() => return Err(error),
                () = due(told.at, self.tee.lost() > told.lost) => {}
            }
        }
    }

    async fn rest(&mut self, pause: Duration) {
        let mut stop = self.stop.clone();
        tokio::select! {
            () = tokio::time::sleep(pause) => {}
            () = super::stopped(&mut stop) => {}
        }
    }

    /// Tells how it stands, unless that is known; of what was lost once a minute.
    fn tell(&self, told: &mut Told, up: bool, why: Option<String>) {
        let (lost, now) = (self.tee.lost(), clock::tick_us());
        let minute = told.at.is_none_or(|at| now >= at + EVERY);
        let more = if minute { lost - told.lost } else { 0 };
        if (up, &why) == (told.up, &told.why) && more == 0 {
            return;
        }
        let (analyzer, to) = (self.analyzer.clone(), told.to.clone());
        match (&why, more) {
            (_, 1..) => {
                warn!(%analyzer, %to, lost, why, "the copy of a line lacks bytes: nobody took them in time")
            }
            (Some(why), 0) => warn!(%analyzer, %to, why, "the copy of a line waits"),
            (None, 0) => info!(%analyzer, %to, "a line is copied"),
        }
        if more > 0 {
            (told.lost, told.at) = (told.lost + more, Some(now));
        }
        (told.up, told.why) = (up, why.clone());
        self.events.tell(Event::Tee { analyzer, to, up, why, more, lost: told.lost });
    }
}

/// When a loss may be told that waits for its minute.
async fn due(told_at: Option<i64>, waits: bool) {
    match told_at.filter(|_| waits) {
        Some(at) => tokio::time::sleep_until(clock::instant_at(at + EVERY)).await,
        None if waits => tokio::time::sleep(Duration::from_secs(1)).await,
        None => std::future::pending().await,
    }
}

/// The moment that a stop gives to what is being written.
async fn patience(stop: &mut watch::Receiver<bool>) {
    super::stopped(stop).await;
    tokio::time::sleep(LAST).await;
}
