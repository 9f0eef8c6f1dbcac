//! What becomes of sessions, hang-ups and lost bytes.

use super::{Ear, Ending, MAX_RECORDS, Transmission};
use crate::SECOND;
use crate::dialect::builtin;
use crate::link::frame;
use crate::link::sign::{ENQ, EOT};

fn ear(dialect: &str) -> Ear {
    Ear::new(builtin(dialect).expect("built in").as_ref())
}

/// Frames of these records, the first numbered `from`.
fn frames(from: usize, records: &[&str]) -> Vec<u8> {
    let number = |n: usize| u8::try_from((from + n) % 8).expect("below eight");
    let one =
        |(n, record): (usize, &&str)| frame(number(n), format!("{record}\r").as_bytes(), true);
    records.iter().enumerate().flat_map(one).collect()
}

fn heard(ear: &mut Ear) -> Vec<(String, String)> {
    let said = |t: Transmission| {
        let text = |bytes: &[u8]| String::from_utf8_lossy(bytes).into_owned();
        let lines: Vec<String> = t.lines.iter().map(|line| text(&line.bytes)).collect();
        let ending = match t.ending {
            Ending::Complete => "complete".to_owned(),
            Ending::Cut(why) => why,
        };
        (lines.join(" "), ending)
    };
    std::iter::from_fn(|| ear.poll_transmission()).map(said).collect()
}

fn session(records: &[&str]) -> Vec<u8> {
    [&[ENQ][..], &frames(1, records)].concat()
}

#[test]
fn a_session_may_hold_many_messages() {
    let mut ear = ear("lis02");
    assert!(ear.is_idle());
    ear.handle_input(0, &session(&["H|1", "L|1", "H|2", "P|1"]), 0, &[]);
    assert!(!ear.is_idle());
    assert_eq!(heard(&mut ear), [("H|1 L|1".to_owned(), "complete".to_owned())]);
    ear.handle_input(1, &frames(5, &["L|1"]), 60, &[]);
    ear.handle_input(1, &[EOT], 80, &[]);
    assert!(!ear.is_idle(), "something waits to be taken");
    assert_eq!(heard(&mut ear), [("H|2 P|1 L|1".to_owned(), "complete".to_owned())]);
    assert!(ear.is_idle());
}

#[test]
fn what_was_acknowledged_is_never_discarded() {
    let begun = session(&["H|1", "P|1"]);
    let why = |finish: &dyn Fn(&mut Ear)| {
        let mut ear = ear("lis02");
        ear.handle_input(0, &begun, 0, &[]);
        assert_eq!(heard(&mut ear), []);
        finish(&mut ear);
        let mut heard = heard(&mut ear);
        assert_eq!((heard.len(), heard[0].0.as_str()), (1, "H|1 P|1"));
        heard.remove(0).1
    };
    let at = begun.len() as u64;
    assert!(why(&|ear| ear.handle_input(1, &[EOT], at, &[])).contains("ended the session"));
    assert!(why(&|ear| ear.handle_input(1, &[ENQ], at, &[])).contains("started the session again"));
    assert!(why(&|ear| ear.handle_input(1, &frames(3, &["H|2"]), at, &[])).contains("new header"));
    assert!(why(&|ear| ear.handle_closed(1)).contains("line was closed"));
    assert!(why(&|ear| ear.handle_timeout(30 * SECOND)).contains("fell silent"));
    assert!(why(&|ear| ear.handle_input(99 * SECOND, &[ENQ], at, &[])).contains("fell silent"));
}

#[test]
fn lost_bytes_do_not_end_a_message() {
    let mut ear = ear("lis02");
    ear.handle_input(0, &session(&["H|1"]), 0, &[]);
    ear.handle_gap(1);
    ear.handle_input(2, &frames(2, &["P|1", "L|1"]), 40, &[]);
    assert_eq!(heard(&mut ear), [("H|1 P|1 L|1".to_owned(), "complete".to_owned())]);
}

#[test]
fn a_message_without_end_is_cut_at_its_bound() {
    let mut ear = ear("lis02");
    let records: Vec<&str> =
        std::iter::once("H|1").chain(std::iter::repeat_n("C|1", MAX_RECORDS)).collect();
    ear.handle_input(0, &session(&records), 0, &[]);
    let heard = heard(&mut ear);
    assert!(heard.len() == 1 && heard[0].1.contains("longer than"), "{:?}", heard[0].1);
}

#[test]
fn prints_go_through_the_same_calls() {
    let mut ear = ear("two-column");
    ear.handle_input(0, b"KESTREL POINT CLINIC\r\nGLU NEG\r\n", 0, &[]);
    assert_eq!(ear.poll_timeout(), Some(3 * SECOND));
    ear.handle_timeout(3 * SECOND);
    ear.handle_input(4 * SECOND, b"No. 2\r\n", 31, &[]);
    ear.handle_gap(4 * SECOND);
    ear.handle_input(5 * SECOND, b"No. 3\r\n", 45, &[]);
    ear.handle_closed(5 * SECOND);
    let endings: Vec<bool> = heard(&mut ear).iter().map(|(_, why)| why == "complete").collect();
    assert_eq!(endings, [true, false, false]);
    assert!(ear.is_idle());
}
