//! Each rule of the receiver by its number; what must hold whatever is heard stands in `props`.

mod props;

use wickline_normalize::Place;

use super::super::frame::frame;
use super::super::sign::{ACK, ENQ, EOT, NAK, STX};
use super::super::{Closing, Event, Loss, MAX_FRAME_TEXT, MAX_PART, Refusal};
use super::{ANSWER_LIMIT, DOUBLED, PATIENCE, Receiver, SILENCE, TAIL};
use crate::{SECOND, Tick};

/// A receiver whose driver answers every `Keep` at once, as when the tape is read again.
struct Rig {
    link: Receiver,
    at: u64,
    stored: bool,
    events: Vec<Event>,
}

impl Rig {
    fn new() -> Self {
        Self { link: Receiver::new(), at: 0, stored: true, events: Vec::new() }
    }

    /// In a session, nothing accepted yet.
    fn open() -> Self {
        let mut rig = Self::new();
        assert_eq!(rig.hear(0, &[ENQ]), [ACK]);
        rig.events.clear();
        rig
    }

    fn hear(&mut self, now: Tick, bytes: &[u8]) -> Vec<u8> {
        self.hear_marked(now, bytes, &[])
    }

    fn hear_marked(&mut self, now: Tick, bytes: &[u8], flaws: &[usize]) -> Vec<u8> {
        self.link.handle_input(now, bytes, self.at, flaws);
        self.at += bytes.len() as u64;
        self.settle(now)
    }

    fn wait(&mut self, now: Tick) -> Vec<u8> {
        self.link.handle_timeout(now);
        self.settle(now)
    }

    fn settle(&mut self, now: Tick) -> Vec<u8> {
        while let Some(event) = self.link.poll_event() {
            if matches!(event, Event::Keep { .. }) {
                self.link.confirm(now, self.stored);
            }
            self.events.push(event);
        }
        let mut out = Vec::new();
        self.link.poll_transmit(&mut out);
        out
    }

    fn records(&self) -> Vec<String> {
        let text = |event: &Event| match event {
            Event::Record { bytes, .. } => Some(String::from_utf8_lossy(bytes).into_owned()),
            _ => None,
        };
        self.events.iter().filter_map(text).collect()
    }

    fn lost(&self) -> Vec<Loss> {
        let what = |event: &Event| match event {
            Event::Dropped { what, .. } => Some(*what),
            _ => None,
        };
        self.events.iter().filter_map(what).collect()
    }

    fn refused(&self) -> Vec<Refusal> {
        let why = |event: &Event| match event {
            Event::Refused { why } => Some(*why),
            _ => None,
        };
        self.events.iter().filter_map(why).collect()
    }

    fn closed(&self) -> Option<Closing> {
        self.events.iter().find_map(|event| match event {
            Event::SessionClosed { why } => Some(*why),
            _ => None,
        })
    }
}

/// A frame with one bit of its text turned.
fn spoiled(number: u8, text: &[u8]) -> Vec<u8> {
    let mut bytes = frame(number, text, true);
    bytes[2] ^= 0x01;
    bytes
}

#[test]
fn r01_an_enquiry_is_welcome_and_the_first_frame_is_number_one() {
    let mut rig = Rig::new();
    assert_eq!(rig.hear(0, &[ENQ]), [ACK]);
    assert_eq!(rig.events, [Event::SessionOpened]);
    assert_eq!(rig.link.poll_timeout(), Some(PATIENCE));
    assert_eq!(rig.hear(1, &frame(1, b"H|\r", true)), [ACK]);
    assert_eq!(rig.records(), ["H|"]);
}

#[test]
fn r02_not_ready_says_busy_and_stays_idle() {
    let mut rig = Rig::new();
    rig.link.set_ready(false);
    assert_eq!(rig.hear(0, &[ENQ]), [NAK]);
    assert_eq!(rig.refused(), [Refusal::NotReady]);
    assert!(rig.link.is_idle());
    assert_eq!(rig.hear(1, &frame(1, b"H|\r", true)), []);
    rig.link.set_ready(true);
    assert_eq!(rig.hear(11 * SECOND, &[ENQ]), [ACK]);
}

#[test]
fn r03_idle_ignores_everything_else() {
    let mut rig = Rig::new();
    let noise: Vec<u8> = (0..=255).filter(|byte| *byte != ENQ).collect();
    assert_eq!(rig.hear(0, &noise), []);
    assert!(rig.link.is_idle() && rig.events.is_empty());
    assert_eq!(rig.link.poll_timeout(), None);
}

#[test]
fn r04_every_byte_of_a_frame_restarts_the_timers() {
    // A legal frame of 64,000 bytes takes over a minute at 9600 baud.
    let mut rig = Rig::open();
    let bytes = frame(1, &[b'x'; 100], true);
    let mut now = 0;
    let mut answer = Vec::new();
    for byte in &bytes {
        now += SECOND;
        answer.extend(rig.hear(now, &[*byte]));
    }
    assert!(now > 3 * PATIENCE);
    assert_eq!(answer, [ACK]);
}

#[test]
fn r05_other_bytes_between_frames_are_ignored() {
    let mut rig = Rig::open();
    assert_eq!(rig.hear(1, b"\r\n\x06\x15noise\x11"), []);
    assert_eq!(rig.hear(2, &frame(1, b"H|\r", true)), [ACK]);
}

#[test]
fn r06_the_end_of_a_session_drops_a_half_record() {
    let mut rig = Rig::open();
    assert_eq!(rig.hear(1, &frame(1, b"C|1|half", false)), [ACK]);
    assert_eq!(rig.hear(2, &[EOT]), []);
    assert_eq!((rig.lost(), rig.closed()), (vec![Loss::Part], Some(Closing::Said)));
    assert!(rig.records().is_empty() && rig.link.is_idle());
}

#[test]
fn r07_thirty_seconds_of_silence_end_a_session_without_a_word() {
    let mut rig = Rig::open();
    rig.hear(SECOND, &frame(1, b"C|1|half", false));
    assert_eq!(rig.wait(SECOND + PATIENCE - 1), []);
    assert_eq!(rig.closed(), None);
    assert_eq!(rig.wait(SECOND + PATIENCE), []);
    assert_eq!((rig.lost(), rig.closed()), (vec![Loss::Part], Some(Closing::Silence)));
}

#[test]
fn r08_an_enquiry_in_a_session_starts_again() {
    let mut rig = Rig::open();
    rig.hear(1, &frame(1, b"C|1|half", false));
    assert_eq!(rig.hear(2, &[ENQ]), [ACK]);
    assert_eq!((rig.lost(), rig.closed()), (vec![Loss::Part], Some(Closing::Restarted)));
    assert_eq!(rig.hear(3, &frame(1, b"H|\r", true)), [ACK]);
    assert_eq!(rig.records(), ["H|"]);
}

#[test]
fn r08_a_doubled_enquiry_is_answered_once() {
    let mut rig = Rig::new();
    assert_eq!(rig.hear(0, &[ENQ, ENQ]), [ACK]);
    assert_eq!(rig.hear(DOUBLED - 1, &[ENQ]), []);
    assert_eq!(rig.hear(DOUBLED, &[ENQ]), [ACK]);
}

#[test]
fn r09_nothing_is_acknowledged_or_delivered_before_the_tape_has_it() {
    let mut rig = Rig::open();
    rig.link.handle_input(1, &frame(1, b"H|\r", true), 1, &[]);
    let place = Place { from: 1, to: 11 };
    assert_eq!(rig.link.poll_event(), Some(Event::Keep { place }));
    let mut out = Vec::new();
    assert!(!rig.link.poll_transmit(&mut out) && rig.link.poll_event().is_none());
    assert_eq!(rig.link.poll_timeout(), None, "waiting for us, not for the sender");
    rig.link.confirm(2, true);
    let place = Place { from: 3, to: 5 };
    assert_eq!(rig.link.poll_event(), Some(Event::Record { bytes: b"H|".to_vec(), place }));
    assert!(rig.link.poll_transmit(&mut out));
    assert_eq!(out, [ACK]);
}

#[test]
fn r09_what_could_not_be_stored_is_refused_and_taken_when_it_comes_again() {
    let mut rig = Rig::open();
    rig.stored = false;
    assert_eq!(rig.hear(1, &frame(1, b"H|\r", true)), [NAK]);
    assert_eq!((rig.refused(), rig.records().len()), (vec![Refusal::NotStored], 0));
    rig.stored = true;
    assert_eq!(rig.hear(2, &frame(1, b"H|\r", true)), [ACK]);
    assert_eq!(rig.records(), ["H|"]);
}

#[test]
fn r09_a_word_that_comes_too_late_is_not_said() {
    let mut rig = Rig::open();
    rig.link.handle_input(SECOND, &frame(1, b"H|\r", true), 1, &[]);
    assert!(matches!(rig.link.poll_event(), Some(Event::Keep { .. })));
    rig.link.confirm(SECOND + ANSWER_LIMIT + 1, true);
    assert_eq!(rig.settle(SECOND + ANSWER_LIMIT + 1), [], "the sender has given up");
    assert_eq!(rig.records(), ["H|"], "and yet nothing that was heard is dropped");
}

#[test]
fn r09_numbers_run_from_seven_to_zero_and_parts_join() {
    let mut rig = Rig::open();
    for number in 1..=7 {
        assert_eq!(rig.hear(1, &frame(number, b"R|1\r", true)), [ACK]);
    }
    assert_eq!(rig.hear(2, &frame(8, b"C|1|I|long comm", false)), [ACK]);
    assert_eq!(rig.hear(3, &frame(9, b"ent|G\r", true)), [ACK]);
    assert_eq!(rig.records().last().map(String::as_str), Some("C|1|I|long comment|G"));
}

#[test]
fn r09_a_whole_message_in_one_run_of_frames_is_cut_at_each_cr() {
    let mut rig = Rig::open();
    rig.hear(1, &frame(1, b"H|\\^&\r\nP|", false));
    rig.hear(1, &frame(2, b"1\rL|1|N\r", true));
    assert_eq!(rig.records(), ["H|\\^&", "P|1", "L|1|N"]);
    let places: Vec<(u64, u64)> = rig
        .events
        .iter()
        .filter_map(|event| match event {
            Event::Record { place, .. } => Some((place.from, place.to)),
            _ => None,
        })
        .collect();
    // ENQ at 0; the first frame's text begins at 3, the second's at 19.
    assert_eq!(places, [(3, 8), (10, 20), (21, 26)]);
}

#[test]
fn r10_a_repeat_is_acknowledged_and_not_delivered_again() {
    let mut rig = Rig::open();
    rig.hear(1, &frame(1, b"H|\r", true));
    assert_eq!(rig.hear(2, &frame(1, b"H|\r", true)), [ACK]);
    assert_eq!((rig.records(), rig.lost()), (vec!["H|".to_owned()], vec![Loss::Repeat]));
    assert_eq!(rig.hear(3, &frame(2, b"L|1\r", true)), [ACK]);
}

#[test]
fn r11_a_first_frame_numbered_zero_is_the_repeat_of_nothing() {
    let mut rig = Rig::open();
    assert_eq!(rig.hear(1, &frame(0, b"H|\r", true)), [NAK]);
    assert_eq!(rig.refused(), [Refusal::OutOfTurn]);
    assert!(rig.records().is_empty());
}

#[test]
fn r12_any_other_number_is_refused() {
    for number in [0, 3, 4, 5, 6, 7] {
        let mut rig = Rig::open();
        rig.hear(1, &frame(1, b"H|\r", true));
        rig.hear(1, &frame(2, b"P|\r", true));
        let answer = rig.hear(2, &frame(number, b"O|1\r", true));
        assert_eq!(answer, if number == 3 { [ACK] } else { [NAK] }, "{number}");
    }
}

#[test]
fn r13_wrong_sum_no_number_and_too_long_are_refused() {
    let mut rig = Rig::open();
    assert_eq!(rig.hear(1, &spoiled(1, b"H|\r")), [NAK]);
    assert_eq!(rig.hear(1, b"\x02:H|\r\x032A\r\n"), [NAK]);
    assert_eq!(rig.hear(1, b"\x021H|\r\x03zz\r\n"), [NAK]);
    assert_eq!(rig.hear(1, &frame(1, &vec![b'x'; MAX_FRAME_TEXT + 1], true)), [NAK]);
    let why = [Refusal::Checksum, Refusal::FrameNumber, Refusal::Checksum, Refusal::TooLong];
    assert_eq!(rig.refused(), why);
    assert_eq!(rig.hear(1, &frame(1, &vec![b'x'; MAX_FRAME_TEXT], true)), [ACK]);
}

#[test]
fn r13_parts_beyond_the_bound_are_refused() {
    let mut rig = Rig::open();
    let text = vec![b'x'; MAX_FRAME_TEXT];
    let fit = MAX_PART / MAX_FRAME_TEXT;
    for number in 1..=fit {
        let number = u8::try_from(number % 8).expect("below eight");
        assert_eq!(rig.hear(1, &frame(number, &text, false)), [ACK]);
    }
    let number = u8::try_from((fit + 1) % 8).expect("below eight");
    assert_eq!(rig.hear(1, &frame(number, &text, false)), [NAK]);
    assert_eq!(rig.refused(), [Refusal::TooLong]);
}

#[test]
fn r13_marked_bytes_are_asked_for_again_once() {
    let mut rig = Rig::open();
    let bytes = frame(1, b"H|\r", true);
    assert_eq!(rig.hear_marked(1, &bytes, &[3]), [NAK]);
    assert_eq!(rig.refused(), [Refusal::Flawed]);
    // An adapter that marks whole packets may mark the repeat as well: the checksum decides.
    assert_eq!(rig.hear_marked(2, &bytes, &[0, 1, 2, 3]), [ACK]);
    assert_eq!(rig.records(), ["H|"]);
    assert!(rig.events.iter().any(|event| matches!(event, Event::Flawed { .. })));
    // Another text under another mark is no repeat.
    assert_eq!(rig.hear_marked(3, &frame(2, b"P|1\r", true), &[3]), [NAK]);
    assert_eq!(rig.hear_marked(4, &frame(2, b"P|2\r", true), &[3]), [NAK]);
}

#[test]
fn r14_stx_inside_a_frame_starts_it_again() {
    let mut rig = Rig::open();
    let mut bytes = b"\x021H|\\^&||broken".to_vec();
    bytes.extend(frame(1, b"H|\r", true));
    assert_eq!(rig.hear(1, &bytes), [ACK]);
    assert_eq!(rig.records(), ["H|"]);
}

#[test]
fn r15_eot_inside_a_frame_ends_the_session() {
    let mut rig = Rig::open();
    rig.hear(1, &frame(1, b"C|1|half", false));
    assert_eq!(rig.hear(2, b"\x022ent\x04"), []);
    assert_eq!((rig.lost(), rig.closed()), (vec![Loss::Frame, Loss::Part], Some(Closing::Said)));
}

#[test]
fn r16_silence_inside_a_frame_asks_for_it_again() {
    let mut rig = Rig::open();
    assert_eq!(rig.hear(SECOND, b"\x021H|"), []);
    assert_eq!(rig.wait(SECOND + SILENCE - 1), []);
    assert_eq!(rig.wait(SECOND + SILENCE), [NAK]);
    assert_eq!(rig.refused(), [Refusal::Silence]);
    assert_eq!(rig.hear(4 * SECOND, &frame(1, b"H|\r", true)), [ACK]);
}

#[test]
fn r16_an_stx_left_alone_is_noise_and_gets_no_answer() {
    let mut rig = Rig::open();
    assert_eq!(rig.hear(SECOND, &[STX]), []);
    assert_eq!(rig.wait(SECOND + SILENCE), []);
    assert_eq!(rig.hear(4 * SECOND, &frame(1, b"H|\r", true)), [ACK]);
}

#[test]
fn r16_an_enquiry_left_alone_inside_a_frame_is_one() {
    let mut rig = Rig::open();
    assert_eq!(rig.hear(SECOND, b"\x021H|\x05"), []);
    assert_eq!(rig.wait(SECOND + SILENCE), [ACK]);
    assert_eq!(rig.closed(), Some(Closing::Restarted));
    assert_eq!(rig.hear(4 * SECOND, &frame(1, b"H|\r", true)), [ACK]);
}

#[test]
fn r17_a_frame_that_never_goes_on_ends_the_session() {
    let mut rig = Rig::open();
    rig.hear(SECOND, b"\x021H|");
    assert_eq!(rig.wait(SECOND + SILENCE), [NAK]);
    assert_eq!(rig.wait(SECOND + SILENCE + PATIENCE - 1), []);
    assert_eq!(rig.closed(), None);
    assert_eq!(rig.wait(SECOND + SILENCE + PATIENCE), []);
    assert_eq!(rig.closed(), Some(Closing::Silence));
}

#[test]
fn r18_eot_instead_of_ack_accepts_and_asks_for_the_line() {
    let mut rig = Rig::open();
    rig.link.ask_for_line(true);
    assert_eq!(rig.hear(1, &frame(1, b"H|\r", true)), [EOT]);
    assert_eq!(rig.hear(2, &frame(1, b"H|\r", true)), [EOT]);
    rig.link.ask_for_line(false);
    assert_eq!(rig.hear(3, &frame(2, b"L|1\r", true)), [ACK]);
    assert_eq!(rig.records(), ["H|", "L|1"]);
}

#[test]
fn r19_a_hang_up_drops_the_half_record_and_keeps_what_was_delivered() {
    let mut rig = Rig::open();
    rig.hear(1, &frame(1, b"H|\r", true));
    rig.hear(1, &frame(2, b"C|1|half", false));
    rig.hear(1, b"\x023en");
    rig.link.handle_closed(2);
    assert_eq!(rig.settle(2), []);
    assert_eq!((rig.lost(), rig.closed()), (vec![Loss::Frame, Loss::Part], Some(Closing::HungUp)));
    assert_eq!(rig.records(), ["H|"]);
    assert!(rig.link.is_idle());
}

#[test]
fn the_answer_waits_for_lf_or_half_a_second() {
    let bytes = frame(1, b"H|\r", true);
    let (head, tail) = bytes.split_at(bytes.len() - 2);
    let mut rig = Rig::open();
    assert_eq!(rig.hear(SECOND, head), []);
    assert_eq!(rig.hear(SECOND, &tail[..1]), []);
    assert_eq!(rig.hear(SECOND, &tail[1..]), [ACK]);
    let mut rig = Rig::open();
    rig.hear(SECOND, head);
    assert_eq!(rig.wait(SECOND + TAIL - 1), []);
    assert_eq!(rig.wait(SECOND + TAIL), [ACK]);
    // The next thing may come before either.
    let mut rig = Rig::open();
    rig.hear(SECOND, head);
    assert_eq!(rig.hear(SECOND, &frame(2, b"L|1\r", true)), [ACK, ACK]);
    assert_eq!(rig.records(), ["H|", "L|1"]);
    // A CR that noise made an ENQ gets no answer of its own.
    let mut spoiled = frame(3, b"H|\r", true);
    spoiled[8] = ENQ;
    assert_eq!(rig.hear(SECOND, &spoiled), [ACK]);
    rig.hear(SECOND, &frame(4, b"H|\r", true)[..8]);
    assert_eq!(rig.hear(SECOND, &[EOT]), [ACK]);
    assert_eq!(rig.closed(), Some(Closing::Said));
}

#[test]
fn lost_bytes_abandon_the_frame_and_not_the_session() {
    let mut rig = Rig::open();
    rig.hear(1, &frame(1, b"H|\r", true));
    rig.hear(1, b"\x022P|");
    rig.link.handle_gap(2);
    assert_eq!(rig.hear(3, &frame(2, b"P|1\r", true)), [ACK]);
    assert_eq!((rig.records(), rig.lost()), (vec!["H|".into(), "P|1".into()], vec![Loss::Frame]));
    // A repeat is still one, and another session may have begun among the lost bytes.
    rig.link.handle_gap(4);
    assert_eq!(rig.hear(5, &frame(2, b"P|1\r", true)), [ACK]);
    assert_eq!(rig.records().len(), 2);
    assert_eq!(rig.hear(6, &frame(1, b"H|2\r", true)), [ACK]);
    assert_eq!(rig.hear(7, &frame(2, b"P|1\r", true)), [ACK]);
    assert_eq!(rig.records(), ["H|", "P|1", "H|2", "P|1"]);
}

#[test]
fn lost_bytes_may_have_held_the_enquiry() {
    let mut rig = Rig::new();
    rig.link.handle_gap(1);
    assert!(!rig.link.is_idle());
    assert_eq!(rig.hear(2, &frame(1, b"H|\r", true)), [ACK]);
    assert_eq!(rig.records(), ["H|"]);
}

#[test]
fn a_vector_for_each_published_checksum() {
    // Sums computed with two independent libraries; see the file's head.
    let vectors = include_str!("../../../../../fixtures/listen/checksums.txt");
    let mut seen = 0;
    for line in vectors.lines().filter(|line| !line.is_empty() && !line.starts_with('#')) {
        let bytes: Vec<u8> = line
            .split_whitespace()
            .map(|hex| u8::from_str_radix(hex, 16).expect("two hex digits"))
            .collect();
        let (number, last) = (bytes[1] - b'0', bytes[bytes.len() - 5] == 0x03);
        assert_eq!(frame(number, &bytes[2..bytes.len() - 5], last), bytes, "{line}");
        let mut rig = Rig::open();
        rig.link.expected = number;
        assert_eq!(rig.hear(1, &bytes), [ACK], "{line}");
        seen += 1;
    }
    assert_eq!(seen, 12);
}

#[test]
fn the_practice_run_of_the_normal_message() {
    let text = [
        "H|\\^&",
        "P|1",
        "O|1|U2503140017",
        "R|1|^^^GLU|NEG",
        "R|2|^^^PH|6.0",
        "R|3|^^^SG|1.012",
        "L|1|N",
    ];
    let whole = |n: usize| {
        let number = u8::try_from(n).expect("small");
        frame(number, format!("{}\r", text[n - 1]).as_bytes(), true)
    };
    let mut rig = Rig::open();
    for n in 1..=3 {
        assert_eq!(rig.hear(1, &whole(n)), [ACK]);
    }
    let mut bad = whole(4);
    bad[9] ^= 0x04;
    assert_eq!(rig.hear(2, &bad), [NAK]);
    assert_eq!(rig.hear(3, &whole(4)), [ACK]);
    assert_eq!(rig.hear(4, &whole(4)), [ACK]);
    assert_eq!(rig.hear(5, &whole(6)), [NAK]);
    assert_eq!(rig.hear(6, &whole(5)), [ACK]);
    assert_eq!(rig.hear(7, &[EOT]), []);
    assert_eq!(rig.records(), text[..5]);
}
