//! A simulated analyzer against the receiver, by seed: a line that loses, spoils and delays bytes,
//! a tape that fails. The seed of a failing run is printed; `WICKLINE_LONG=1` runs ten times as
//! many.

use std::collections::VecDeque;

use super::sign::{ACK, EOT, NAK};
use super::{Event, Receiver, Sender, SenderEvent};
use crate::{SECOND, Tick};

/// SplitMix64 (Steele, Lea, Flood 2014): small, and the same everywhere.
pub(super) struct Dice(pub u64);

impl Dice {
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }

    pub fn below(&mut self, limit: u64) -> u64 {
        self.next() % limit
    }

    pub fn one_in(&mut self, chance: u64) -> bool {
        chance > 0 && self.below(chance) == 0
    }
}

/// How bad the line is: one byte in so many; 0 is never.
#[derive(Clone, Copy)]
struct Faults {
    lost: u64,
    spoiled: u64,
    marked: u64,
    answer_lost: u64,
    answer_spoiled: u64,
    not_stored: u64,
    longest_delay: u64,
}

/// One read as it would stand on the tape.
pub(super) type Read = (Tick, Vec<u8>, Vec<usize>);

struct World {
    dice: Dice,
    faults: Faults,
    now: Tick,
    sender: Sender,
    receiver: Receiver,
    to_receiver: VecDeque<Read>,
    to_sender: VecDeque<(Tick, u8)>,
    /// A frame waits for the tape until then.
    storing: Option<Tick>,
    tape: Vec<Read>,
    at: u64,
    events: Vec<Event>,
    delivered: usize,
}

impl World {
    fn new(seed: u64) -> Self {
        let mut dice = Dice(seed);
        let rate =
            |dice: &mut Dice, from: u64| if dice.one_in(3) { 0 } else { from + dice.below(from) };
        let faults = Faults {
            lost: rate(&mut dice, 200),
            spoiled: rate(&mut dice, 200),
            marked: rate(&mut dice, 300),
            answer_lost: rate(&mut dice, 15),
            answer_spoiled: rate(&mut dice, 15),
            not_stored: rate(&mut dice, 8),
            longest_delay: 1 + dice.below(4_000_000),
        };
        Self {
            dice,
            faults,
            now: 0,
            sender: Sender::new(),
            receiver: Receiver::new(),
            to_receiver: VecDeque::new(),
            to_sender: VecDeque::new(),
            storing: None,
            tape: Vec::new(),
            at: 0,
            events: Vec::new(),
            delivered: 0,
        }
    }

    /// Runs until every message is delivered or `limit` is reached.
    fn run(&mut self, messages: &[Vec<Vec<u8>>], limit: Tick) {
        messages.iter().for_each(|message| self.sender.offer(message));
        while self.delivered < messages.len() && self.now < limit {
            let arrivals = [
                self.to_receiver.front().map(|read| read.0),
                self.to_sender.front().map(|read| read.0),
                self.storing,
                self.sender.poll_timeout(),
                self.receiver.poll_timeout(),
            ];
            let Some(next) = arrivals.into_iter().flatten().min() else { break };
            self.now = self.now.max(next);
            self.step();
        }
    }

    fn step(&mut self) {
        if let Some(read) = self.to_receiver.pop_front_if(|read| read.0 <= self.now) {
            self.receiver.handle_input(self.now, &read.1, self.at, &read.2);
            self.at += read.1.len() as u64;
            self.tape.push((self.now, read.1, read.2));
        }
        if let Some((_, byte)) = self.to_sender.pop_front_if(|read| read.0 <= self.now) {
            self.sender.handle_input(self.now, &[byte]);
        }
        self.receiver.handle_timeout(self.now);
        self.sender.handle_timeout(self.now);
        self.heard();
        if self.storing.is_some_and(|until| until <= self.now) {
            self.storing = None;
            let stored = !self.dice.one_in(self.faults.not_stored);
            self.receiver.confirm(self.now, stored);
            self.heard();
        }
        self.sent();
    }

    fn heard(&mut self) {
        while let Some(event) = self.receiver.poll_event() {
            if matches!(event, Event::Keep { .. }) {
                self.storing = Some(self.now + self.delay());
            }
            self.events.push(event);
        }
        while let Some(event) = self.sender.poll_event() {
            self.delivered += usize::from(event == SenderEvent::Delivered);
        }
    }

    fn delay(&mut self) -> Tick {
        Tick::try_from(self.dice.below(self.faults.longest_delay)).expect("seconds")
    }

    /// What both sides said goes on the wire, where things happen to it. Bytes stay in order.
    fn sent(&mut self) {
        let mut out = Vec::new();
        if self.sender.poll_transmit(&mut out) {
            let mut read: Read = (0, Vec::new(), Vec::new());
            // One damage a frame: two can cancel out in a plain sum, which no receiver can see.
            let mut whole = true;
            for byte in out {
                if whole && self.dice.one_in(self.faults.lost) {
                    whole = false;
                    continue;
                }
                let spoiled = whole && self.dice.one_in(self.faults.spoiled);
                whole &= !spoiled;
                let turned = u8::from(spoiled) << self.dice.below(8);
                if self.dice.one_in(self.faults.marked) {
                    read.2.push(read.1.len());
                }
                read.1.push(byte ^ turned);
                if self.dice.one_in(8) {
                    self.arrive(std::mem::take(&mut read));
                }
            }
            self.arrive(read);
        }
        let mut answers = Vec::new();
        self.receiver.poll_transmit(&mut answers);
        for answer in answers {
            if self.dice.one_in(self.faults.answer_lost) {
                continue;
            }
            let spoiled = self.dice.one_in(self.faults.answer_spoiled);
            let after = self.to_sender.back().map_or(0, |read| read.0);
            let arrives = (self.now + self.delay() / 4).max(after);
            // One bit turned makes ACK no EOT and NAK no ACK: what a plain sum and single letters
            // cannot defend against is not the machine's fault.
            let byte = if spoiled { answer ^ 0x40 } else { answer };
            assert!(!spoiled || ![ACK, NAK, EOT].contains(&byte));
            self.to_sender.push_back((arrives, byte));
        }
    }

    fn arrive(&mut self, mut read: Read) {
        if read.1.is_empty() {
            return;
        }
        let after = self.to_receiver.back().map_or(0, |read| read.0);
        read.0 = (self.now + self.delay() / 8).max(after);
        self.to_receiver.push_back(read);
    }
}

/// Records by session, in the order of delivery.
pub(super) fn sessions(events: &[Event]) -> Vec<Vec<Vec<u8>>> {
    let mut sessions = vec![Vec::new()];
    for event in events {
        match event {
            Event::SessionOpened => sessions.push(Vec::new()),
            Event::Record { bytes, .. } => {
                sessions.last_mut().expect("never empty").push(bytes.clone());
            }
            _ => {}
        }
    }
    sessions.retain(|session| !session.is_empty());
    sessions
}

/// Reads the tape as the reading side does: each frame counts as kept, timeouts fire late.
pub(super) fn read_again(tape: &[Read], end: Tick) -> Vec<Event> {
    let mut link = Receiver::new();
    let (mut at, mut events) = (0, Vec::new());
    let nothing = (end, Vec::new(), Vec::new());
    for (now, bytes, flaws) in tape.iter().chain([&nothing]) {
        link.handle_input(*now, bytes, at, flaws);
        at += bytes.len() as u64;
        while let Some(event) = link.poll_event() {
            if matches!(event, Event::Keep { .. }) {
                link.confirm(*now, true);
            }
            events.push(event);
        }
    }
    events
}

pub(super) fn messages(dice: &mut Dice) -> Vec<Vec<Vec<u8>>> {
    (0..1 + dice.below(4))
        .map(|message| {
            (0..1 + dice.below(9))
                .map(|record| {
                    let long = if dice.one_in(6) { 200 + dice.below(400) } else { dice.below(30) };
                    let text = "x".repeat(usize::try_from(long).expect("short"));
                    format!("R|{message}.{record}|{text}").into_bytes()
                })
                .collect()
        })
        .collect()
}

fn simulate(seed: u64) -> World {
    let messages = messages(&mut Dice(!seed));
    let mut world = World::new(seed);
    world.run(&messages, 900 * SECOND);
    let live = sessions(&world.events);
    let again = sessions(&read_again(&world.tape, world.now));
    for session in live.iter().chain(&again) {
        // One session is one try of one message: its records from the first on, each once.
        let whole = messages.iter().any(|message| message.starts_with(session));
        assert!(whole, "seed {seed}: a session holds something else");
    }
    for message in &messages[..world.delivered] {
        assert!(live.contains(message), "seed {seed}: believed delivered, and is not");
        assert!(again.contains(message), "seed {seed}: the tape gives less than was acknowledged");
    }
    let firsts = messages.iter().filter_map(|message| live.iter().position(|s| s == message));
    assert!(firsts.is_sorted(), "seed {seed}: out of order");
    if world.faults.not_stored == 0 {
        assert_eq!(live, again, "seed {seed}: the tape gives something else");
    }
    world
}

#[test]
fn whatever_the_sender_believes_delivered_was_delivered() {
    let long = std::env::var("WICKLINE_LONG").is_ok_and(|long| long == "1");
    let seeds = if long { 40_000 } else { 4_000 };
    let (mut delivered, mut refused, mut repeated) = (0, 0, 0);
    for seed in 0..seeds {
        let world = simulate(seed);
        delivered += world.delivered;
        let count = |test: fn(&&Event) -> bool| world.events.iter().filter(test).count();
        refused += count(|event| matches!(event, Event::Refused { .. }));
        repeated += count(|event| matches!(event, Event::Dropped { .. }));
    }
    // The runs must have met what they are for.
    assert!(
        delivered > seeds as usize && refused > seeds as usize && repeated > 500,
        "{delivered} delivered, {refused} refused, {repeated} dropped"
    );
}

#[test]
fn a_quiet_line_delivers_at_the_first_try() {
    let messages = messages(&mut Dice(7));
    let mut world = World::new(7);
    world.faults = Faults {
        lost: 0,
        spoiled: 0,
        marked: 0,
        answer_lost: 0,
        answer_spoiled: 0,
        not_stored: 0,
        longest_delay: 1000,
    };
    world.run(&messages, 600 * SECOND);
    assert_eq!((sessions(&world.events), world.delivered), (messages.clone(), messages.len()));
}
