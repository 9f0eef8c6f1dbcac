//! Over real TCP: one kept connection, and what happens when it is not kept.

mod faults;
mod manners;
mod secured;

use std::os::unix::fs::PermissionsExt;
use std::path::Path;
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};
use tokio::net::TcpListener;

use super::{Address, Courier, Limits, Outcome, Tls};
use crate::hl7::Message;
use crate::mllp::{Event, Reader, frame};
use crate::receive::Receiver;
use crate::verdict::Verdict;

const MESSAGE: &[u8] = b"MSH|^~\\&|WICKLINE|K|LIS|K|20260314||ORU^R01|A1|P|2.5.1\r";

async fn receiver(answers: &str) -> Receiver {
    let answers = answers.split(',').map(|a| a.parse().expect("an answer")).collect();
    Receiver::bind("127.0.0.1:0", answers, Duration::from_millis(400), None).await.expect("a port")
}

fn courier(receiver: &Receiver) -> Courier {
    courier_to(&format!("mllp://{}", receiver.address()), &Tls::default())
}

fn courier_to(text: &str, tls: &Tls) -> Courier {
    limited(text, tls, Limits::with_ack_timeout(Duration::from_millis(200)))
}

fn limited(text: &str, tls: &Tls, limits: Limits) -> Courier {
    let address = Address::parse(text, Path::new("."), tls).expect("an address");
    Courier::new(vec![address], limits)
}

/// One message, and what becomes of it.
async fn send(courier: &mut Courier, id: &str, message: &[u8]) -> Outcome {
    courier.offer(7, id, message.to_vec());
    let mut outcomes = courier.next().await;
    assert_eq!((outcomes.len(), courier.in_flight()), (1, 0));
    let (key, outcome) = outcomes.remove(0);
    assert_eq!(key, 7);
    outcome
}

/// Polls once and drops: what is at hand, if anything.
async fn once(courier: &mut Courier) -> Option<Vec<(i64, Outcome)>> {
    tokio::select! {
        biased;
        outcomes = courier.next() => Some(outcomes),
        () = std::future::ready(()) => None,
    }
}

fn message(id: &str) -> Vec<u8> {
    format!("MSH|^~\\&|WICKLINE|K|LIS|K|20260314||ORU^R01|{id}|P|2.5.1\r").into_bytes()
}

fn accepted(outcome: &Outcome) -> bool {
    matches!(outcome, Outcome::Settled { verdict: Verdict::Accepted, .. })
}

#[tokio::test]
async fn every_answer_comes_to_its_end() {
    for (answer, wanted) in [
        ("aa", "accepted"),
        ("ca", "accepted"),
        ("split", "accepted"),
        ("double", "accepted"),
        ("ae", "error"),
        ("ce", "error"),
        ("header", "reject"),
        ("busy", "busy"),
        ("ar", "busy"),
        ("late", "unanswered"),
        ("none", "unanswered"),
        ("wrong", "unanswered"),
        ("junk", "unanswered"),
        ("reset", "unanswered"),
        ("close", "unanswered"),
    ] {
        let mut other = receiver(&format!("{answer},aa")).await;
        let mut courier = courier(&other);
        let got = match send(&mut courier, "A1", MESSAGE).await {
            Outcome::Settled { verdict: Verdict::Accepted, .. } => "accepted",
            Outcome::Settled { verdict: Verdict::RefusedError { .. }, .. } => "error",
            Outcome::Settled { verdict: Verdict::RefusedReject { .. }, .. } => "reject",
            Outcome::Settled { verdict: Verdict::Busy { .. }, .. } => "busy",
            Outcome::Unanswered { .. } => "unanswered",
            Outcome::NotConnected { .. } => "not connected",
        };
        assert_eq!(got, wanted, "{answer}");
        assert!(
            accepted(&send(&mut courier, "A1", MESSAGE).await),
            "after {answer} the same goes again"
        );
        let (first, second) = (other.next().await, other.next().await);
        let bodies = [first.expect("one").body, second.expect("two").body];
        assert_eq!(bodies, [MESSAGE, MESSAGE], "byte-identical");
    }
}

#[tokio::test]
async fn a_receiver_that_goes_away_and_comes_back_is_found_again() {
    let mut other = receiver("aa").await;
    let mut courier = courier(&other);
    assert!(accepted(&send(&mut courier, "A1", MESSAGE).await));
    other.pause().await;
    let away = send(&mut courier, "A1", MESSAGE).await;
    assert!(matches!(away, Outcome::NotConnected { .. }), "closed while idle: {away:?}");
    other.resume().await.expect("the same port");
    assert!(accepted(&send(&mut courier, "A1", MESSAGE).await));
}

#[tokio::test]
async fn a_receiver_that_hangs_up_after_each_answer_costs_no_attempt() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("it listens");
    let peer = tokio::spawn(async move {
        let mut conversations = 0;
        loop {
            let (mut stream, _) = listener.accept().await.expect("a connection");
            conversations += 1;
            if answer_one(&mut stream, b"B3").await == Some(true) {
                return conversations;
            }
        }
    });
    let mut courier = courier_to(&format!("mllp://{address}"), &Tls::default());
    for id in ["B1", "B2", "B3"] {
        let outcome = send(&mut courier, id, &message(id)).await;
        assert!(accepted(&outcome), "{id}: {outcome:?}");
    }
    assert_eq!(peer.await.expect("the peer ends"), 3, "a connection for each");
}

/// Takes one message and answers it; true when it was the last, none when we hung up.
async fn answer_one(
    stream: &mut (impl AsyncRead + AsyncWrite + Unpin),
    last: &[u8],
) -> Option<bool> {
    let (mut reader, mut bytes) = (Reader::default(), Vec::new());
    let block = loop {
        if let Some(Event::Block(block)) = reader.poll_event() {
            break block;
        }
        bytes.clear();
        stream.read_buf(&mut bytes).await.ok().filter(|count| *count > 0)?;
        reader.handle_input(&bytes);
    };
    let id = Message::read(&block).expect("a message").component("MSH", 1, 10, 1);
    let answer = format!("MSH|^~\\&|LIS||||||ACK|1|P|2.5.1\rMSA|AA|{id}\r");
    stream.write_all(&frame(answer.as_bytes())).await.expect("an answer");
    stream.flush().await.expect("an answer");
    Some(id.as_bytes() == last)
}

#[tokio::test]
async fn a_close_that_crosses_a_message_is_no_failure_once() {
    // The first connection answers, then closes only when the second message has come.
    let mut other = receiver("aa,close,aa,close,close").await;
    let mut courier = courier(&other);
    assert!(accepted(&send(&mut courier, "A1", MESSAGE).await));
    assert!(accepted(&send(&mut courier, "A1", MESSAGE).await), "closed, and sent again at once");
    let twice = send(&mut courier, "A1", MESSAGE).await;
    assert!(matches!(twice, Outcome::Unanswered { .. }), "not for ever: {twice:?}");
    for _ in 0..5 {
        assert_eq!(other.next().await.expect("a message").body, MESSAGE);
    }
}

#[tokio::test]
async fn a_message_sent_and_then_not_sendable_counts_as_sent() {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("it listens");
    let peer = tokio::spawn(async move {
        let (mut stream, _) = listener.accept().await.expect("a connection");
        answer_one(&mut stream, b"").await;
        let mut bytes = Vec::new();
        stream.read_buf(&mut bytes).await.expect("the second message");
        // Nobody listens any more when the connection closes.
        drop(listener);
        drop(stream);
    });
    let mut courier = courier_to(&format!("mllp://{address}"), &Tls::default());
    assert!(accepted(&send(&mut courier, "B1", &message("B1")).await));
    let outcome = send(&mut courier, "B2", &message("B2")).await;
    assert!(matches!(&outcome, Outcome::Unanswered { why } if why.contains("then")), "{outcome:?}");
    peer.await.expect("the peer ends");
    let outcome = send(&mut courier, "B2", &message("B2")).await;
    assert!(matches!(outcome, Outcome::NotConnected { .. }), "{outcome:?}");
}

#[tokio::test]
async fn a_send_that_was_given_up_never_meets_the_next_answer() {
    let mut other = receiver("late,aa").await;
    let mut courier = courier(&other);
    courier.offer(1, "A1", MESSAGE.to_vec());
    let waited = tokio::time::timeout(Duration::from_millis(20), courier.next()).await;
    assert!(waited.is_err(), "the answer is late");
    let given_up = courier.close();
    assert!(matches!(&given_up[..], [(1, Outcome::Unanswered { .. })]), "{given_up:?}");
    assert_eq!((courier.in_flight(), courier.connected_to()), (0, None));
    assert!(accepted(&send(&mut courier, "A1", MESSAGE).await));
    assert!(other.next().await.is_some() && other.next().await.is_some());
}

#[tokio::test]
async fn a_name_with_several_addresses_is_tried_through() {
    // `localhost` is 127.0.0.1 and, where there is IPv6, ::1: the receiver listens on the former.
    let other = receiver("aa").await;
    let text = format!("mllp://localhost:{}", other.address().port());
    assert!(accepted(&send(&mut courier_to(&text, &Tls::default()), "A1", MESSAGE).await));
    let why =
        match send(&mut courier_to("mllp://localhost:1", &Tls::default()), "A1", MESSAGE).await {
            Outcome::NotConnected { why } => why,
            outcome => panic!("nobody listens on port 1: {outcome:?}"),
        };
    assert!(why.contains("127.0.0.1:1: "), "it says what was tried: {why}");
}

#[tokio::test]
async fn a_folder_never_loses_what_is_in_it() {
    let folder = std::env::temp_dir().join(format!("wickline-taken-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a folder");
    std::fs::write(folder.join(".A1.part"), "left by a crash").expect("a file");
    std::fs::write(folder.join("A2.hl7"), "someone else's").expect("a file");
    let mut courier = courier_to(&format!("dir:{}", folder.display()), &Tls::default());
    assert!(accepted(&send(&mut courier, "A1", MESSAGE).await));
    assert!(accepted(&send(&mut courier, "A1", MESSAGE).await), "the same again is the same");
    let taken = send(&mut courier, "A2", MESSAGE).await;
    assert!(
        matches!(&taken, Outcome::Settled { verdict: Verdict::RefusedError { .. }, .. }),
        "{taken:?}"
    );
    assert_eq!(std::fs::read(folder.join("A2.hl7")).expect("untouched"), b"someone else's");
    let mode = std::fs::metadata(folder.join("A1.hl7")).expect("a file").permissions().mode();
    assert_eq!(mode & 0o777, 0o600);
    assert!(!folder.join(".A1.part").exists());
    let _ = std::fs::remove_dir_all(&folder);
}

#[tokio::test]
async fn a_folder_gets_whole_files_of_its_own() {
    let folder = std::env::temp_dir().join(format!("wickline-files-{}", std::process::id()));
    let address = Address::parse("dir:out", &folder, &Tls::default()).expect("an address");
    let mut courier = Courier::new(vec![address], Limits::with_ack_timeout(Duration::from_secs(1)));
    assert!(accepted(&send(&mut courier, "A1", MESSAGE).await));
    assert!(matches!(send(&mut courier, "../A1", MESSAGE).await, Outcome::NotConnected { .. }));
    let names: Vec<_> = std::fs::read_dir(folder.join("out"))
        .expect("the folder")
        .map(|e| e.expect("an entry").file_name())
        .collect();
    assert_eq!(names, ["A1.hl7"]);
    assert_eq!(std::fs::read(folder.join("out/A1.hl7")).expect("a file"), MESSAGE);
    let _ = std::fs::remove_dir_all(&folder);
}

#[test]
fn addresses_are_read_strictly() {
    let parse = |text: &str| Address::parse(text, Path::new("/w"), &Tls::default());
    for (text, shown) in [
        ("mllp://192.0.2.20:2575", "mllp://192.0.2.20:2575"),
        ("mllp://[2001:db8::20]:2575", "mllp://[2001:db8::20]:2575"),
        ("mllp://lis.example:2575", "mllp://lis.example:2575"),
        ("dir:out", "dir:/w/out"),
    ] {
        assert_eq!(parse(text).map(|a| a.to_string()).as_deref(), Ok(shown));
    }
    for text in [
        "http://x:1",
        "mllp://x",
        "mllp://:1",
        "mllp://x:0",
        "mllp://::1:2",
        "dir:",
        "mllp://a b:1",
    ] {
        assert!(parse(text).is_err(), "{text}");
    }
    assert!(parse("mllps://lis.example:2575").is_err_and(|why| why.contains("`ca`")));
}
