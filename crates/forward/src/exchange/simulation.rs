//! Whole conversations by seed, with a receiver that does everything it should and should not do.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::{Bounds, Event, Exchange};
use crate::Tick;
use crate::mllp::{self, MllpRelease, frame, transport_answer};
use crate::verdict::Verdict;

const STEPS: usize = 300;
const CODES: [&str; 6] = ["AA", "AE", "AR", "CA", "CE", "CR"];

/// Chance by SplitMix64.
struct Chance(u64);

impl Chance {
    fn below(&mut self, most: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        usize::try_from((z ^ (z >> 31)) % most.max(1) as u64).expect("small")
    }

    fn of<T: Clone>(&mut self, all: &[T]) -> Option<T> {
        all.get(self.below(all.len())).cloned()
    }
}

/// One conversation: ours, the receiver's, and what must hold.
struct World {
    chance: Chance,
    bounds: Bounds,
    exchange: Exchange,
    now: Tick,
    offered: Vec<i64>,
    /// What became of each message.
    ended: BTreeMap<i64, bool>,
    peer: mllp::Reader,
    /// Messages that the receiver has whole, and blocks that it has to answer.
    heard: Vec<String>,
    /// What the receiver said that we have not read.
    said: Vec<u8>,
}

fn id(key: i64) -> String {
    format!("K{key}")
}

impl World {
    fn new(seed: u64, bounds: Bounds) -> Self {
        Self {
            chance: Chance(seed),
            bounds,
            exchange: Exchange::new(bounds),
            now: 0,
            offered: Vec::new(),
            ended: BTreeMap::new(),
            peer: mllp::Reader::default(),
            heard: Vec::new(),
            said: Vec::new(),
        }
    }

    fn run(mut self) {
        for _ in 0..STEPS {
            match self.chance.below(10) {
                0..=2 => self.offer(),
                3..=4 => self.send(),
                5..=6 => self.answer(),
                7..=8 => self.hear(),
                _ => {
                    self.now += 1 + Tick::try_from(self.chance.below(200)).expect("small");
                    self.exchange.handle_timeout(self.now);
                }
            }
            self.check();
        }
        self.exchange.handle_closed("the end");
        self.check();
        assert_eq!(self.ended.len(), self.offered.len(), "each message has its end");
    }

    fn offer(&mut self) {
        if self.exchange.can_take() {
            let key = i64::try_from(self.offered.len()).expect("few");
            let message = format!("MSH|^~\\&|WICKLINE||||||ORU|{}|P|2.5.1\r", id(key));
            self.exchange.offer(self.now, key, &id(key).into(), message.as_bytes());
            self.offered.push(key);
        }
    }

    fn send(&mut self) {
        let most = self.exchange.unsent().len();
        let count = if self.chance.below(3) == 0 { self.chance.below(most + 1) } else { most };
        let bytes = self.exchange.unsent()[..count].to_vec();
        self.exchange.handle_sent(count);
        self.peer.handle_input(&bytes);
        while let Some(event) = self.peer.poll_event() {
            match event {
                mllp::Event::Block(block) => {
                    let text = String::from_utf8(block).expect("ours is ASCII");
                    assert_eq!(text.matches("MSH").count(), 1, "never one block in another");
                    self.heard.push(text.split('|').nth(9).expect("MSH-10").to_owned());
                    if self.bounds.release == MllpRelease::Two && self.chance.below(20) > 0 {
                        let stored = self.chance.below(20) > 0;
                        self.said.extend(transport_answer(stored));
                    }
                }
                mllp::Event::TransportAck(true) => {
                    assert_eq!(self.bounds.release, MllpRelease::Two)
                }
                event => panic!("we send blocks alone: {event:?}"),
            }
        }
    }

    fn answer(&mut self) {
        let code = self.chance.of(&CODES).expect("a code");
        let about = match self.chance.below(12) {
            0 => "STRANGER".to_owned(),
            // Perhaps before it has it.
            1 => self.offered.last().map_or_else(String::new, |key| id(*key)),
            2 => return self.said.extend(b"no block"),
            3 => return self.said.extend(frame(b"no answer")),
            _ => match self.chance.of(&self.heard) {
                Some(id) => id,
                None => return,
            },
        };
        let text = format!("MSH|^~\\&|LIS||||||ACK|1|P|2.5.1\rMSA|{code}|{about}\r");
        self.said.extend(frame(text.as_bytes()));
    }

    fn hear(&mut self) {
        let count = self.chance.below(self.said.len() + 1);
        let bytes: Vec<u8> = self.said.drain(..count).collect();
        self.exchange.handle_input(self.now, &bytes);
    }

    fn check(&mut self) {
        while let Some(event) = self.exchange.poll_event() {
            let (key, settled) = match event {
                Event::Settled { key, verdict, answer } => {
                    self.fits(key, &verdict, &answer);
                    (key, true)
                }
                Event::Unanswered { key, .. } => {
                    assert!(self.exchange.is_over());
                    (key, false)
                }
                Event::Noise { .. } => continue,
            };
            assert!(self.offered.contains(&key));
            assert_eq!(self.ended.insert(key, settled), None, "{key} ended twice");
        }
        if self.exchange.is_over() {
            assert!(self.exchange.unsent().is_empty() && !self.exchange.can_take());
        }
        let waiting = self.offered.len() - self.ended.len();
        assert_eq!(self.exchange.is_idle(), waiting == 0);
        assert!(waiting <= self.bounds.window);
        assert_eq!(self.exchange.poll_timeout().is_some(), waiting > 0);
        assert!(self.exchange.poll_timeout().is_none_or(|at| at <= self.now + 1_000));
    }

    /// The answer names the message, its code is the verdict, and the receiver had the message.
    fn fits(&self, key: i64, verdict: &Verdict, answer: &[u8]) {
        let answer = std::str::from_utf8(answer).expect("the answer is ASCII");
        let (code, named) = answer
            .split_once("MSA|")
            .and_then(|(_, msa)| msa.trim_end().split_once('|'))
            .expect("an answer has them");
        assert_eq!(named, id(key));
        assert!(self.heard.contains(&id(key)), "answered before it was there");
        match verdict {
            Verdict::Accepted => assert!(matches!(code, "AA" | "CA")),
            Verdict::RefusedError { .. } => assert!(matches!(code, "AE" | "CE")),
            Verdict::Busy { .. } => assert!(matches!(code, "AR" | "CR")),
            Verdict::RefusedReject { .. } => panic!("nothing was said of a header"),
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(400))]

    #[test]
    fn each_message_ends_once_and_by_its_own_answer(
        seed: u64,
        window in prop::sample::select(vec![1_usize, 2, 3, 32]),
        application: bool,
        second: bool,
    ) {
        let release = if second { MllpRelease::Two } else { MllpRelease::One };
        let window = if second { 1 } else { window };
        let bounds = Bounds { window, ack_timeout: 1_000, answer_cap: 512, application, release };
        World::new(seed, bounds).run();
    }
}
