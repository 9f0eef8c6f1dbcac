//! Each rule of the sender by its number.

use super::super::sign::{ACK, ENQ, EOT, NAK};
use super::{AGAIN, ANSWER, BUSY, CONTENTION, Sender, SenderEvent, YIELD, frame};
use crate::{SECOND, Tick};

struct Rig {
    link: Sender,
}

impl Rig {
    /// A sender that has asked for the line, with a message of these records.
    fn asking(records: &[&[u8]]) -> Self {
        let mut rig = Self { link: Sender::new() };
        rig.offer(records);
        assert_eq!(rig.wait(0), [ENQ]);
        rig
    }

    fn offer(&mut self, records: &[&[u8]]) {
        let records: Vec<Vec<u8>> = records.iter().map(|record| record.to_vec()).collect();
        self.link.offer(&records);
    }

    fn wait(&mut self, now: Tick) -> Vec<u8> {
        self.link.handle_timeout(now);
        self.sent()
    }

    fn hear(&mut self, now: Tick, byte: u8) -> Vec<u8> {
        self.link.handle_input(now, &[byte]);
        self.sent()
    }

    fn sent(&mut self) -> Vec<u8> {
        let mut out = Vec::new();
        self.link.poll_transmit(&mut out);
        out
    }

    fn kept(&mut self) -> bool {
        matches!(self.link.poll_event(), Some(SenderEvent::Kept { .. }))
    }
}

#[test]
fn s01_data_asks_for_the_line_as_soon_as_it_may() {
    let mut rig = Rig { link: Sender::new() };
    assert_eq!(rig.link.poll_timeout(), None);
    rig.offer(&[b"H|"]);
    assert_eq!(rig.wait(5), [ENQ]);
    assert_eq!(rig.link.poll_timeout(), Some(5 + ANSWER));
}

#[test]
fn s02_and_s07_a_yes_sends_the_frames_one_by_one_and_then_eot() {
    let mut rig = Rig::asking(&[b"H|", b"L|1"]);
    assert_eq!(rig.hear(1, ACK), frame(1, b"H|\r", true));
    assert_eq!(rig.hear(2, ACK), frame(2, b"L|1\r", true));
    assert_eq!(rig.hear(3, ACK), [EOT]);
    assert_eq!(rig.link.poll_event(), Some(SenderEvent::Delivered));
    assert_eq!((rig.link.waiting(), rig.link.poll_timeout()), (0, None));
}

#[test]
fn s03_busy_waits_ten_seconds() {
    let mut rig = Rig::asking(&[b"H|"]);
    assert_eq!(rig.hear(SECOND, NAK), []);
    assert!(rig.kept());
    assert_eq!(rig.wait(SECOND + BUSY - 1), []);
    assert_eq!(rig.wait(SECOND + BUSY), [ENQ]);
}

#[test]
fn s04_contention_waits_a_second() {
    let mut rig = Rig::asking(&[b"H|"]);
    assert_eq!(rig.hear(1, ENQ), []);
    assert_eq!(rig.wait(CONTENTION), []);
    assert_eq!(rig.wait(1 + CONTENTION), [ENQ]);
}

#[test]
fn s05_no_answer_to_the_enquiry() {
    let mut rig = Rig::asking(&[b"H|"]);
    assert_eq!(rig.wait(ANSWER - 1), []);
    assert_eq!(rig.wait(ANSWER), [EOT]);
    assert!(rig.kept());
    assert_eq!(rig.wait(ANSWER + AGAIN), [ENQ]);
}

#[test]
fn s06_noise_is_no_answer_to_the_enquiry() {
    let mut rig = Rig::asking(&[b"H|"]);
    assert_eq!(rig.hear(1, 0x41), []);
    assert_eq!(rig.hear(2, ACK), frame(1, b"H|\r", true));
}

#[test]
fn s08_numbers_wrap_and_long_records_are_split() {
    let long = vec![b'x'; 500];
    let records: Vec<&[u8]> = std::iter::repeat_n(&b"R"[..], 6).chain([&long[..]]).collect();
    let mut rig = Rig::asking(&records);
    for number in 1..=6 {
        assert_eq!(rig.hear(1, ACK), frame(number, b"R\r", true));
    }
    assert_eq!(rig.hear(1, ACK), frame(7, &[b'x'; 240], false));
    assert_eq!(rig.hear(1, ACK), frame(0, &[b'x'; 240], false));
    let mut tail = vec![b'x'; 20];
    tail.push(b'\r');
    assert_eq!(rig.hear(1, ACK), frame(1, &tail, true));
}

#[test]
fn s09_a_receiver_that_wants_the_line_gets_it_after_this_message() {
    let mut rig = Rig::asking(&[b"H|", b"L|1"]);
    rig.offer(&[b"H|2"]);
    rig.hear(1, ACK);
    assert_eq!(rig.hear(2, EOT), frame(2, b"L|1\r", true));
    assert_eq!(rig.hear(3, ACK), [EOT]);
    assert_eq!(rig.wait(2 + YIELD), []);
    assert_eq!(rig.wait(3 + YIELD), [ENQ]);
}

#[test]
fn s10_six_refusals_keep_the_message() {
    for refusal in [NAK, 0x00, b'x'] {
        let mut rig = Rig::asking(&[b"H|"]);
        assert_eq!(rig.hear(1, ACK), frame(1, b"H|\r", true));
        for _ in 0..5 {
            assert_eq!(rig.hear(2, refusal), frame(1, b"H|\r", true));
        }
        assert_eq!(rig.hear(3, refusal), [EOT]);
        assert!(rig.kept());
        assert_eq!(rig.link.waiting(), 1);
    }
}

#[test]
fn s11_no_answer_to_a_frame_sends_the_whole_message_again_later() {
    let mut rig = Rig::asking(&[b"H|", b"L|1"]);
    rig.hear(0, ACK);
    rig.hear(0, ACK);
    assert_eq!(rig.wait(ANSWER), [EOT]);
    assert!(rig.kept());
    assert_eq!(rig.hear(ANSWER + 1, ACK), [], "too late");
    assert_eq!(rig.wait(ANSWER + AGAIN), [ENQ]);
    assert_eq!(rig.hear(ANSWER + AGAIN, ACK), frame(1, b"H|\r", true));
}
