//! Every answer a receiver may give, and those it may not.

use proptest::prelude::*;

use super::{Bounds, Event, Exchange};
use crate::mllp::{MllpRelease, frame};
use crate::verdict::Verdict;

const BOUNDS: Bounds = Bounds {
    window: 1,
    ack_timeout: 1_000,
    answer_cap: 4096,
    application: false,
    release: MllpRelease::One,
};

fn ack(code: &str, id: &str, more: &str) -> Vec<u8> {
    let text =
        format!("MSH|^~\\&|LIS|K|WICKLINE|K|20260314||ACK^R01|9|P|2.5.1\rMSA|{code}|{id}\r{more}");
    frame(text.as_bytes())
}

fn exchange(bounds: Bounds, ids: &[&str]) -> Exchange {
    let mut exchange = Exchange::new(bounds);
    for (key, id) in (1..).zip(ids) {
        exchange.offer(0, key, &(*id).into(), b"MSH|");
    }
    assert_eq!(exchange.unsent(), frame(b"MSH|").repeat(ids.len()));
    exchange.handle_sent(usize::MAX);
    assert!(exchange.unsent().is_empty());
    exchange
}

fn in_flight(window: usize, ids: &[&str]) -> Exchange {
    exchange(Bounds { window, ..BOUNDS }, ids)
}

fn events(exchange: &mut Exchange) -> Vec<Event> {
    std::iter::from_fn(|| exchange.poll_event()).collect()
}

fn verdicts(exchange: &mut Exchange) -> Vec<(i64, Verdict)> {
    let of = |event| match event {
        Event::Settled { key, verdict, .. } => Some((key, verdict)),
        _ => None,
    };
    events(exchange).into_iter().filter_map(of).collect()
}

#[test]
fn each_code_is_judged() {
    let header = "ERR||MSH^1^12|203^Unsupported version id^HL70357|E\r";
    let busy = "ERR|||207^Application internal error^HL70357|E\r";
    let key = "ERR||PID^1^3|204^Unknown key identifier^HL70357|E\r";
    for (code, more, wanted) in [
        ("AA", "", "accepted"),
        ("CA", "", "accepted"),
        ("AE", "", "error"),
        ("CE", "", "error"),
        ("AR", header, "reject"),
        ("CR", header, "reject"),
        ("AR", key, "error"),
        ("CR", key, "error"),
        ("AR", busy, "busy"),
        ("CR", busy, "busy"),
        ("AR", "", "busy"),
    ] {
        let mut exchange = in_flight(1, &["A1"]);
        exchange.handle_input(1, &ack(code, "A1", more));
        let got = verdicts(&mut exchange);
        assert_eq!(got.len(), 1, "{code}");
        let word = match got[0].1 {
            Verdict::Accepted => "accepted",
            Verdict::RefusedError { .. } => "error",
            Verdict::RefusedReject { .. } => "reject",
            Verdict::Busy { .. } => "busy",
        };
        assert_eq!(word, wanted, "{code} {more}");
        assert!(exchange.can_take(), "the next may go");
    }
}

#[test]
fn a_wrong_id_settles_nothing_and_three_end_it() {
    let mut exchange = in_flight(1, &["A1"]);
    for _ in 0..2 {
        exchange.handle_input(1, &ack("AA", "B7", ""));
        assert!(matches!(events(&mut exchange)[..], [Event::Noise { .. }]));
    }
    exchange.handle_input(1, &ack("AA", "B7", ""));
    let all = events(&mut exchange);
    assert!(matches!(
        &all[..],
        [Event::Noise { .. }, Event::Unanswered { key: 1, begun: true, .. }]
    ));
    assert!(exchange.is_over() && !exchange.can_take());
}

#[test]
fn junk_and_unreadable_blocks_are_waited_out() {
    let mut exchange = in_flight(1, &["A1"]);
    exchange.handle_input(1, b"HTTP/1.1 200 OK");
    exchange.handle_input(1, &frame(b"not HL7"));
    exchange.handle_input(1, &frame(b"MSH|^~\\&|LIS\rMSA|ZZ|A1\r"));
    exchange.handle_input(1, &ack("AA", "A1", ""));
    assert_eq!(verdicts(&mut exchange), [(1, Verdict::Accepted)]);
}

#[test]
fn a_doubled_answer_settles_once() {
    let mut exchange = in_flight(1, &["A1"]);
    let twice = ack("AA", "A1", "").repeat(2);
    exchange.handle_input(1, &twice);
    assert_eq!(verdicts(&mut exchange).len(), 1);
    exchange.offer(2, 2, &"A2".into(), b"MSH|");
    exchange.handle_sent(usize::MAX);
    exchange.handle_input(3, &ack("AA", "A1", ""));
    assert!(matches!(
        events(&mut exchange)[..],
        [Event::Noise { what: "an answer that came twice" }]
    ));
    assert!(!exchange.is_over());
}

#[test]
fn silence_ends_it_exactly_at_the_deadline_and_a_late_answer_is_nothing() {
    let mut exchange = in_flight(1, &["A1"]);
    exchange.handle_timeout(999);
    assert!(events(&mut exchange).is_empty());
    assert_eq!(exchange.poll_timeout(), Some(1_000));
    exchange.handle_timeout(1_000);
    assert!(matches!(events(&mut exchange)[..], [Event::Unanswered { .. }]));
    exchange.handle_input(1_001, &ack("AA", "A1", ""));
    assert!(verdicts(&mut exchange).is_empty(), "the connection is not to be believed any more");
}

#[test]
fn a_closed_connection_leaves_every_flight_unknown() {
    let mut exchange = in_flight(3, &["A1", "A2", "A3"]);
    exchange.handle_input(1, &ack("AA", "A2", ""));
    exchange.handle_closed("gone");
    let all = events(&mut exchange);
    let unknown: Vec<i64> = all
        .iter()
        .filter_map(|e| match e {
            Event::Unanswered { key, .. } => Some(*key),
            _ => None,
        })
        .collect();
    assert_eq!(unknown, [1, 3]);
}

proptest! {
    #[test]
    fn however_the_answer_is_cut_it_is_the_same(cuts in prop::collection::vec(1_usize..40, 0..20)) {
        let answer = ack("AE", "A1", "ERR||OBX^4^5^1|102^Data type error^HL70357|E\r");
        let mut exchange = in_flight(1, &["A1"]);
        let mut rest = &answer[..];
        for cut in cuts {
            let (head, tail) = rest.split_at(cut.min(rest.len()));
            exchange.handle_input(1, head);
            rest = tail;
        }
        exchange.handle_input(1, rest);
        let got = verdicts(&mut exchange);
        prop_assert_eq!(got.len(), 1);
        prop_assert!(matches!(&got[0].1, Verdict::RefusedError { detail } if detail.contains("OBX")), "{:?}", got);
    }

    #[test]
    fn rubbish_never_settles_anything(bytes in prop::collection::vec(any::<u8>(), 0..600)) {
        let mut exchange = in_flight(1, &["A1"]);
        exchange.handle_input(1, &bytes);
        prop_assert!(verdicts(&mut exchange).is_empty());
    }
}
