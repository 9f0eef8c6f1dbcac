//! Against the practice receiver: enhanced answers, MLLP release 2, several addresses, where from.

use std::path::Path;
use std::time::{Duration, Instant};

use super::{MESSAGE, accepted, message, once, send};
use crate::deliver::{Address, Courier, Limits, Outcome, Tls};
use crate::mllp::MllpRelease;
use crate::receive::{Manner, Receiver};
use crate::verdict::Verdict;

fn limits() -> Limits {
    Limits::with_ack_timeout(Duration::from_secs(1))
}

async fn receiver(answers: &str, release: MllpRelease, delay: Duration) -> Receiver {
    let answers = answers.split(',').map(|a| a.parse().expect("an answer")).collect();
    let manner = Manner { release, delay, ..Manner::new(answers) };
    Receiver::open("127.0.0.1:0", manner).await.expect("a port")
}

fn courier(addresses: &[String], limits: Limits) -> Courier {
    let parse = |text: &String| Address::parse(text, Path::new("."), &Tls::default());
    let addresses = addresses.iter().map(|text| parse(text).expect("an address")).collect();
    Courier::new(addresses, limits)
}

fn to(receiver: &Receiver, limits: Limits) -> Courier {
    courier(&[format!("mllp://{}", receiver.address())], limits)
}

fn word(outcome: &Outcome) -> &'static str {
    match outcome {
        Outcome::Settled { verdict: Verdict::Accepted, .. } => "accepted",
        Outcome::Settled { verdict: Verdict::RefusedError { .. }, .. } => "error",
        Outcome::Settled { verdict: Verdict::RefusedReject { .. }, .. } => "reject",
        Outcome::Settled { verdict: Verdict::Busy { .. }, .. } => "busy",
        Outcome::Unanswered { .. } => "unanswered",
        Outcome::NotConnected { .. } => "not connected",
    }
}

#[tokio::test]
async fn the_application_has_the_last_word_where_it_is_waited_for() {
    for (answer, first, last) in [
        ("ca+aa", "accepted", "accepted"),
        ("ca+ae", "accepted", "error"),
        ("ca", "accepted", "accepted"),
        ("ce", "error", "error"),
        ("cr", "busy", "busy"),
        ("aa", "accepted", "accepted"),
        ("ae", "error", "error"),
    ] {
        for (application, wanted) in [(false, first), (true, last)] {
            let other = receiver(answer, MllpRelease::One, Duration::ZERO).await;
            let mut courier = to(&other, Limits { application, ..limits() });
            // Where it is not waited for, the second answer to B1 is passed over while B2 waits.
            for id in ["B1", "B2"] {
                let outcome = send(&mut courier, id, &message(id)).await;
                assert_eq!(word(&outcome), wanted, "{answer} {application} {id}");
                let Outcome::Settled { answer: said, .. } = &outcome else { panic!("{outcome:?}") };
                let commit = String::from_utf8_lossy(said).contains(&format!("MSA|CA|{id}"));
                let counts = answer.starts_with("ca") && (answer == "ca" || !application);
                assert_eq!(commit, counts, "{answer} {application}: the commit is the answer");
            }
        }
    }
}

#[tokio::test]
async fn release_2_is_spoken_from_end_to_end() {
    let mut other = receiver("aa,ae,aa", MllpRelease::Two, Duration::ZERO).await;
    let mut courier = to(&other, Limits { release: MllpRelease::Two, window: 32, ..limits() });
    for (id, wanted) in [("B1", "accepted"), ("B2", "error"), ("B3", "accepted")] {
        assert!(courier.can_take());
        assert_eq!(word(&send(&mut courier, id, &message(id)).await), wanted);
    }
    let first = other.next().await.expect("a message");
    let last = [other.next().await, other.next().await].map(|m| m.expect("a message"));
    assert!(last.iter().all(|m| m.peer == first.peer), "one connection");
    courier.offer(1, "B4", message("B4"));
    assert!(!courier.can_take(), "one block at a time");
}

#[tokio::test]
async fn release_2_refusals_and_silence_are_told_apart() {
    let other = receiver("nak,none,aa", MllpRelease::Two, Duration::ZERO).await;
    let mut courier = to(&other, Limits { release: MllpRelease::Two, ..limits() });
    for (id, wanted) in [("B1", "did not store"), ("B2", "no answer in time")] {
        match send(&mut courier, id, &message(id)).await {
            Outcome::Unanswered { why } => assert!(why.contains(wanted), "{why}"),
            outcome => panic!("{outcome:?}"),
        }
    }
    assert!(accepted(&send(&mut courier, "B2", &message("B2")).await));
    // A receiver that only speaks release 1 is understood all the same.
    let plain = receiver("aa", MllpRelease::One, Duration::ZERO).await;
    let mut courier = to(&plain, Limits { release: MllpRelease::Two, ..limits() });
    assert!(accepted(&send(&mut courier, "B1", &message("B1")).await));
    // And one of release 2 by a sender that takes it for one of release 1.
    let second = receiver("aa", MllpRelease::Two, Duration::ZERO).await;
    assert!(accepted(&send(&mut to(&second, limits()), "B1", &message("B1")).await));
}

#[tokio::test]
async fn a_window_pays_where_answers_take_their_time() {
    let delay = Duration::from_millis(100);
    let other = receiver("aa", MllpRelease::One, delay).await;
    let patient = Limits::with_ack_timeout(Duration::from_secs(30));
    let mut courier = to(&other, Limits { window: 32, ..patient });
    let began = Instant::now();
    for key in 0..32 {
        let id = format!("W{key}");
        courier.offer(key, &id, message(&id));
    }
    let mut done = 0;
    while courier.in_flight() > 0 {
        let outcomes = courier.next().await;
        assert!(outcomes.iter().all(|(_, outcome)| accepted(outcome)), "{outcomes:?}");
        done += outcomes.len();
    }
    let took = began.elapsed();
    assert_eq!(done, 32);
    assert!(took >= delay && took < 16 * delay, "one after the other is 32 delays: {took:?}");
}

#[tokio::test]
async fn addresses_are_tried_in_their_order_at_every_connection() {
    let mut first = receiver("aa", MllpRelease::One, Duration::ZERO).await;
    let mut second = receiver("aa", MllpRelease::One, Duration::ZERO).await;
    let shown = [&first, &second].map(|r| format!("mllp://{}", r.address()));
    let mut courier = courier(&shown, limits());
    assert_eq!(courier.connected_to(), None);
    assert!(accepted(&send(&mut courier, "B1", &message("B1")).await));
    assert_eq!(courier.connected_to().as_ref(), Some(&shown[0]));
    first.pause().await;
    assert!(accepted(&send(&mut courier, "B2", &message("B2")).await));
    assert_eq!(courier.connected_to().as_ref(), Some(&shown[1]));
    first.resume().await.expect("the same port");
    second.pause().await;
    assert!(accepted(&send(&mut courier, "B3", &message("B3")).await));
    assert_eq!(courier.connected_to().as_ref(), Some(&shown[0]));
    first.pause().await;
    match send(&mut courier, "B4", &message("B4")).await {
        Outcome::NotConnected { why } => {
            let both = [&first, &second].map(|r| r.address().to_string());
            assert!(both.iter().all(|address| why.contains(address)), "both are named: {why}");
        }
        outcome => panic!("{outcome:?}"),
    }
}

#[tokio::test]
async fn a_connection_comes_from_where_it_should() {
    // All of 127/8 is the loopback's on Linux.
    let mut other = receiver("aa", MllpRelease::One, Duration::ZERO).await;
    let source = Some("127.0.0.2".parse().expect("an address"));
    let mut courier = to(&other, Limits { source, ..limits() });
    assert!(accepted(&send(&mut courier, "A1", MESSAGE).await));
    let peer = other.next().await.expect("a message").peer;
    assert_eq!(peer.ip().to_string(), "127.0.0.2");
    let source = Some("192.0.2.1".parse().expect("an address"));
    match send(&mut to(&other, Limits { source, ..limits() }), "A1", MESSAGE).await {
        Outcome::NotConnected { why } => assert!(why.contains("not from 192.0.2.1"), "{why}"),
        outcome => panic!("not an address of ours: {outcome:?}"),
    }
}

#[tokio::test]
async fn ipv6_is_an_address_like_another() {
    let manner = Manner::new(vec!["aa".parse().expect("an answer")]);
    // A machine may have no IPv6: then there is nothing to show.
    let Ok(other) = Receiver::open("[::1]:0", manner).await else { return };
    let text = format!("mllp://[::1]:{}", other.address().port());
    let mut courier = courier(std::slice::from_ref(&text), limits());
    assert!(accepted(&send(&mut courier, "A1", MESSAGE).await));
    assert_eq!(courier.connected_to(), Some(text));
}

#[tokio::test]
async fn a_folder_takes_what_is_in_flight_in_order_and_nothing_after_a_fault() {
    let folder = std::env::temp_dir().join(format!("wickline-window-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    let mut courier =
        courier(&[format!("dir:{}", folder.display())], Limits { window: 4, ..limits() });
    for (key, id) in [(1, "A1"), (2, "A2"), (3, "../A3"), (4, "A4")] {
        courier.offer(key, id, message(id));
    }
    let mut outcomes = once(&mut courier).await.unwrap_or_default();
    while courier.in_flight() > 0 {
        outcomes.extend(courier.next().await);
    }
    let ends: Vec<_> = outcomes.iter().map(|(key, outcome)| (*key, word(outcome))).collect();
    let wanted = [(1, "accepted"), (2, "accepted"), (3, "not connected"), (4, "not connected")];
    assert_eq!(ends, wanted);
    assert!(folder.join("A2.hl7").exists() && !folder.join("A4.hl7").exists());
    courier.offer(3, "../A3", message("../A3"));
    if once(&mut courier).await.is_none() {
        courier.offer(4, "A4", message("A4"));
        let ends: Vec<_> = courier.next().await.iter().map(|(_, o)| word(o)).collect();
        assert_eq!(ends, ["not connected"; 2], "what came meanwhile does not pass it");
    }
    let _ = std::fs::remove_dir_all(&folder);
}
