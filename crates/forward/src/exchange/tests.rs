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

/// Who talks on without an answer is not listened to until the time is up: the next connection comes after a pause
/// that grows.
#[test]
fn endless_talk_without_an_answer_ends_the_connection() {
    let junk = vec![b'x'; 100];
    let (strange, endless) = (frame(&[b'Q'; 90]), [&[0x0B_u8][..], &[b'x'; 99]].concat());
    for talk in [junk, strange, endless] {
        let mut exchange = in_flight(1, &["A"]);
        let mut heard = 0;
        while !exchange.is_over() {
            exchange.handle_input(1, &talk);
            heard += talk.len();
            assert!(heard <= 2 * BOUNDS.answer_cap + talk.len(), "{heard} bytes");
        }
        assert!(heard > BOUNDS.answer_cap, "as long as an answer may be");
        let last = events(&mut exchange).pop();
        assert!(matches!(last, Some(Event::Unanswered { key: 1, begun: true, .. })), "{last:?}");
    }
    // An answer of the greatest length allowed, and talk between answers, are none.
    let mut exchange = in_flight(1, &["A"]);
    let long = ack("AA", "A", &format!("NTE|1||{}\r", "x".repeat(BOUNDS.answer_cap - 200)));
    exchange.handle_input(1, &[b'x'; 3000]);
    exchange.handle_input(1, &long);
    assert_eq!(verdicts(&mut exchange), [(1, Verdict::Accepted)]);
    assert!(!exchange.is_over());
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

const ENHANCED: Bounds = Bounds { application: true, ..BOUNDS };
const RELEASE_2: Bounds = Bounds { release: MllpRelease::Two, ..BOUNDS };

fn words(exchange: &mut Exchange) -> Vec<String> {
    let word = |event| match event {
        Event::Settled { key, verdict, answer } => {
            let code = String::from_utf8_lossy(&answer);
            let code = code.split("MSA|").nth(1).map_or("", |rest| &rest[..2]).to_owned();
            let accepted = if verdict == Verdict::Accepted { "accepted" } else { "refused" };
            format!("{key} {accepted} {code}")
        }
        Event::Unanswered { key, begun, why } => format!("{key} {begun} {why}"),
        Event::Noise { what } => what.to_owned(),
    };
    events(exchange).into_iter().map(word).collect()
}

#[test]
fn a_commit_is_noted_and_the_application_decides() {
    for (code, wanted) in [("AA", "1 accepted AA"), ("AE", "1 refused AE"), ("AR", "1 refused AR")]
    {
        let mut exchange = exchange(ENHANCED, &["A1"]);
        exchange.handle_input(1, &ack("CA", "A1", ""));
        assert!(!exchange.has_event() && !exchange.can_take(), "it goes on waiting");
        exchange.handle_input(2, &ack("CA", "A1", ""));
        assert_eq!(words(&mut exchange), ["an answer that came twice"]);
        exchange.handle_input(3, &ack(code, "A1", ""));
        assert_eq!(words(&mut exchange), [wanted]);
        assert!(exchange.can_take() && exchange.unsent().is_empty(), "no answer to an answer");
    }
}

#[test]
fn without_a_commit_the_application_decides_too_and_a_refused_commit_at_once() {
    for (code, wanted) in [("AA", "1 accepted AA"), ("CE", "1 refused CE"), ("CR", "1 refused CR")]
    {
        let mut exchange = exchange(ENHANCED, &["A1"]);
        exchange.handle_input(1, &ack(code, "A1", ""));
        assert_eq!(words(&mut exchange), [wanted]);
    }
}

#[test]
fn a_commit_alone_counts_when_the_time_is_up_or_the_connection_gone() {
    let mut late = exchange(ENHANCED, &["A1"]);
    late.handle_input(1, &ack("CA", "A1", ""));
    late.handle_timeout(1_000);
    assert_eq!(words(&mut late), ["1 accepted CA"]);
    assert!(late.can_take(), "the receiver kept its word: the connection is good");
    late.handle_input(1_001, &ack("AE", "A1", ""));
    assert_eq!(words(&mut late), ["an answer that came twice"]);
    let mut gone = exchange(Bounds { window: 2, ..ENHANCED }, &["A1", "A2"]);
    gone.handle_input(1, &ack("CA", "A1", ""));
    gone.handle_closed("gone");
    assert_eq!(words(&mut gone), ["1 accepted CA", "2 true gone"]);
}

#[test]
fn release_2_waits_for_the_transport_and_confirms_the_answer() {
    let mut exchange = exchange(RELEASE_2, &["A1"]);
    exchange.handle_input(1, b"\x0b\x06\x1c\x0d");
    assert!(!exchange.has_event() && exchange.unsent().is_empty());
    exchange.handle_input(2, &ack("AA", "A1", ""));
    assert_eq!(words(&mut exchange), ["1 accepted AA"]);
    assert_eq!(exchange.unsent(), b"\x0b\x06\x1c\x0d", "the answer is confirmed");
    exchange.offer(3, 2, &"A2".into(), b"MSH|");
    assert_eq!(exchange.unsent(), [b"\x0b\x06\x1c\x0d".as_slice(), &frame(b"MSH|")].concat());
}

#[test]
fn release_2_ends_when_the_transport_refuses_or_says_nothing() {
    let mut refused = exchange(RELEASE_2, &["A1"]);
    refused.handle_input(1, b"\x0b\x15\x1c\x0d");
    assert_eq!(
        words(&mut refused),
        ["1 true the receiver's transport did not store it (MLLP release 2)"]
    );
    assert!(refused.is_over());
    let mut silent = exchange(RELEASE_2, &["A1"]);
    silent.handle_timeout(1_000);
    assert!(words(&mut silent)[0].contains("not even from the transport"));
    let mut half = exchange(RELEASE_2, &["A1"]);
    half.handle_input(1, b"\x0b\x06\x1c\x0d");
    half.handle_timeout(1_000);
    assert_eq!(words(&mut half), ["1 true no answer in time"]);
}

#[test]
fn release_2_takes_an_answer_without_the_transports() {
    let mut exchange = exchange(RELEASE_2, &["A1"]);
    exchange.handle_input(1, &ack("AE", "A1", ""));
    assert_eq!(words(&mut exchange), ["1 refused AE"]);
    exchange.handle_input(2, b"\x0b\x15\x1c\x0d");
    assert_eq!(words(&mut exchange), ["a transport answer to no block of ours"]);
    assert!(exchange.can_take());
}

#[test]
fn an_answer_before_the_message_was_sent_whole_is_none() {
    let mut exchange = Exchange::new(BOUNDS);
    exchange.offer(0, 1, &"A1".into(), b"MSH|");
    exchange.handle_sent(6);
    exchange.handle_input(1, &ack("AA", "A1", ""));
    assert_eq!(words(&mut exchange), ["an answer before its message was sent whole"]);
    exchange.handle_sent(1);
    exchange.handle_input(2, &ack("AA", "A1", ""));
    assert_eq!(words(&mut exchange), ["1 accepted AA"]);
}

#[test]
fn what_was_not_begun_is_told_as_such_and_is_never_sent_later() {
    let mut exchange = Exchange::new(Bounds { window: 3, ..BOUNDS });
    for (key, id) in [(1, "A1"), (2, "A2"), (3, "A3")] {
        exchange.offer(0, key, &id.into(), b"MSH|");
    }
    exchange.handle_sent(8);
    exchange.handle_timeout(1_000);
    let why = "the receiver took no bytes in time";
    let wanted =
        ["1 true no answer in time".to_owned(), format!("2 true {why}"), format!("3 false {why}")];
    assert_eq!(words(&mut exchange), wanted);
    assert!(exchange.unsent().is_empty());
}

#[test]
fn answers_of_a_window_come_in_any_order() {
    let ids: Vec<_> = (0..32).map(|n| format!("W{n}")).collect();
    let names: Vec<_> = ids.iter().map(String::as_str).collect();
    let mut exchange = in_flight(32, &names);
    assert!(!exchange.can_take());
    // 13 and 32 have no common divisor: each comes once.
    let order: Vec<i64> = (0..32).map(|n| (n * 13 + 5) % 32).collect();
    let name = |n: &i64| ack("AA", &format!("W{n}"), "");
    exchange.handle_input(1, &order.iter().flat_map(name).collect::<Vec<_>>());
    let keys: Vec<_> = verdicts(&mut exchange).into_iter().map(|(key, _)| key - 1).collect();
    assert_eq!(keys, order);
    assert!(exchange.is_idle() && exchange.can_take());
}

#[test]
fn only_a_receiver_that_answered_and_is_silent_since_may_hang_up() {
    let mut exchange = in_flight(2, &["A1", "A2"]);
    assert!(!exchange.is_kept_and_silent(), "nothing was ever answered");
    let [first, second] = ["A1", "A2"].map(|id| ack("AA", id, ""));
    exchange.handle_input(1, &first);
    assert!(exchange.is_kept_and_silent());
    exchange.handle_input(1, &second[..1]);
    assert!(!exchange.is_kept_and_silent(), "an answer has begun");
    exchange.handle_input(1, &second[1..]);
    assert!(exchange.is_kept_and_silent());
    exchange.handle_input(1, b"HTTP");
    assert!(!exchange.is_kept_and_silent(), "it said something else");
}
