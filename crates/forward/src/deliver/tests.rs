//! Over real TCP: one kept connection, and what happens when it is not kept.

use std::path::Path;
use std::time::Duration;

use super::{Address, Courier, Limits, Outcome, Tls};
use crate::receive::Receiver;
use crate::verdict::Verdict;

const MESSAGE: &[u8] = b"MSH|^~\\&|WICKLINE|K|LIS|K|20260314||ORU^R01|A1|P|2.5.1\r";

async fn receiver(answers: &str) -> Receiver {
    let answers = answers.split(',').map(|a| a.parse().expect("an answer")).collect();
    Receiver::bind("127.0.0.1:0", answers, Duration::from_millis(400), None).await.expect("a port")
}

fn courier(receiver: &Receiver) -> Courier {
    let text = format!("mllp://{}", receiver.address());
    let address = Address::parse(&text, Path::new("."), &Tls::default()).expect("an address");
    Courier::new(address, Limits::with_ack_timeout(Duration::from_millis(200)))
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
        let got = match courier.send("A1", MESSAGE).await {
            Outcome::Settled { verdict: Verdict::Accepted, .. } => "accepted",
            Outcome::Settled { verdict: Verdict::RefusedError { .. }, .. } => "error",
            Outcome::Settled { verdict: Verdict::RefusedReject { .. }, .. } => "reject",
            Outcome::Settled { verdict: Verdict::Busy { .. }, .. } => "busy",
            Outcome::Unanswered { .. } => "unanswered",
            Outcome::NotConnected { .. } => "not connected",
        };
        assert_eq!(got, wanted, "{answer}");
        assert!(accepted(&courier.send("A1", MESSAGE).await), "after {answer} the same goes again");
        let (first, second) = (other.next().await, other.next().await);
        let bodies = [first.expect("one").body, second.expect("two").body];
        assert_eq!(bodies, [MESSAGE, MESSAGE], "byte-identical");
    }
}

#[tokio::test]
async fn a_receiver_that_goes_away_and_comes_back_is_found_again() {
    let mut other = receiver("aa").await;
    let mut courier = courier(&other);
    assert!(accepted(&courier.send("A1", MESSAGE).await));
    other.pause().await;
    let away = courier.send("A1", MESSAGE).await;
    assert!(matches!(away, Outcome::NotConnected { .. }), "closed while idle: {away:?}");
    other.resume().await.expect("the same port");
    assert!(accepted(&courier.send("A1", MESSAGE).await));
}

#[tokio::test]
async fn a_folder_gets_whole_files_of_its_own() {
    let folder = std::env::temp_dir().join(format!("wickline-files-{}", std::process::id()));
    let address = Address::parse("dir:out", &folder, &Tls::default()).expect("an address");
    let mut courier = Courier::new(address, Limits::with_ack_timeout(Duration::from_secs(1)));
    assert!(accepted(&courier.send("A1", MESSAGE).await));
    assert!(matches!(courier.send("../A1", MESSAGE).await, Outcome::NotConnected { .. }));
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
