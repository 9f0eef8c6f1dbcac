//! What the practice receiver keeps and tells, and when it is there.

use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use super::{Answer, Manner, Receiver};
use crate::hl7::Ack;
use crate::mllp::{Event, MllpRelease, Reader, frame};

fn message(id: &str) -> Vec<u8> {
    format!("MSH|^~\\&|WICKLINE|K|LIS|K|20260314||ORU^R01|{id}|P|2.5.1\r").into_bytes()
}

async fn receiver(answers: Vec<Answer>, save: Option<&Path>) -> Receiver {
    let save = save.map(Path::to_owned);
    Receiver::bind("127.0.0.1:0", answers, Duration::ZERO, save).await.expect("a port")
}

/// As many answers as are wanted.
async fn answers(stream: &mut TcpStream, wanted: usize) -> Vec<Ack> {
    let (mut reader, mut found) = (Reader::default(), Vec::new());
    let mut bytes = Vec::new();
    while found.len() < wanted {
        bytes.clear();
        assert_ne!(stream.read_buf(&mut bytes).await.expect("bytes"), 0, "{found:?}");
        reader.handle_input(&bytes);
        while let Some(event) = reader.poll_event() {
            let Event::Block(block) = event else { panic!("{event:?}") };
            found.push(Ack::read(&block).expect("an answer"));
        }
    }
    found
}

#[tokio::test]
async fn messages_that_come_together_are_answered_in_turn_and_round_again() {
    let mut receiver = receiver(vec![Answer::Aa, Answer::Ae], None).await;
    let mut stream = TcpStream::connect(receiver.address()).await.expect("it listens");
    let noise = [b"junk".as_slice(), &frame(b"no message")].concat();
    let three = ["A1", "A2", "A1"].map(|id| frame(&message(id))).concat();
    stream.write_all(&[noise, three].concat()).await.expect("it reads");
    let said: Vec<_> = answers(&mut stream, 3)
        .await
        .into_iter()
        .map(|ack| format!("{} {}", ack.control_id, ack.code.text()))
        .collect();
    assert_eq!(said, ["A1 AA", "A2 AE", "A1 AA"]);
    for (id, answer) in [("A1", Answer::Aa), ("A2", Answer::Ae), ("A1", Answer::Aa)] {
        let told = receiver.next().await.expect("each is told, repeats too");
        assert_eq!((told.control_id.as_str(), told.answer), (id, answer));
        assert_eq!(told.body, message(id));
    }
}

#[tokio::test]
async fn messages_are_kept_under_safe_names_only() {
    let folder: PathBuf =
        std::env::temp_dir().join(format!("wickline-receive-{}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a folder");
    let receiver = receiver(vec![Answer::Aa], Some(&folder)).await;
    let mut stream = TcpStream::connect(receiver.address()).await.expect("it listens");
    let two = ["A1", "../../A2"].map(|id| frame(&message(id))).concat();
    stream.write_all(&two).await.expect("it reads");
    answers(&mut stream, 2).await;
    let mut names: Vec<_> = std::fs::read_dir(&folder)
        .expect("the folder")
        .map(|entry| entry.expect("an entry").file_name())
        .collect();
    names.sort();
    assert_eq!(names, ["A1.hl7", "unnamed-1.hl7"]);
    assert_eq!(std::fs::read(folder.join("A1.hl7")).expect("a file"), message("A1"));
    let _ = std::fs::remove_dir_all(&folder);
}

#[tokio::test]
async fn a_pause_drops_connections_and_a_return_is_on_the_same_port() {
    let mut receiver = receiver(vec![Answer::None], None).await;
    let mut stream = TcpStream::connect(receiver.address()).await.expect("it listens");
    stream.write_all(&frame(&message("A1"))).await.expect("it reads");
    assert!(receiver.next().await.is_some());
    receiver.pause().await;
    let mut bytes = Vec::new();
    assert!(matches!(stream.read_buf(&mut bytes).await, Ok(0) | Err(_)), "dropped");
    assert!(TcpStream::connect(receiver.address()).await.is_err(), "nobody listens");
    receiver.resume().await.expect("the same port");
    assert!(TcpStream::connect(receiver.address()).await.is_ok());
}

#[tokio::test]
async fn without_an_answer_to_give_there_is_no_receiver() {
    let none = Receiver::bind("127.0.0.1:0", Vec::new(), Duration::ZERO, None).await;
    assert!(none.is_err());
}

fn manner(answers: &str) -> Manner {
    Manner::new(answers.split(',').map(|a| a.parse().expect("an answer")).collect())
}

#[tokio::test]
async fn a_commit_comes_before_what_the_application_says() {
    let mut receiver = Receiver::open("127.0.0.1:0", manner("ca+aa,ca+ae")).await.expect("a port");
    let mut stream = TcpStream::connect(receiver.address()).await.expect("it listens");
    let two = ["A1", "A2"].map(|id| frame(&message(id))).concat();
    stream.write_all(&two).await.expect("it reads");
    let said: Vec<_> = answers(&mut stream, 4)
        .await
        .into_iter()
        .map(|ack| format!("{} {}", ack.control_id, ack.code.text()))
        .collect();
    assert_eq!(said, ["A1 CA", "A1 AA", "A2 CA", "A2 AE"]);
    let told = receiver.next().await.expect("it is told");
    assert_eq!(Some(told.peer), stream.local_addr().ok());
}

#[tokio::test]
async fn the_transport_answers_first_in_release_2() {
    let manner = Manner { release: MllpRelease::Two, ..manner("aa,nak") };
    let receiver = Receiver::open("127.0.0.1:0", manner).await.expect("a port");
    let mut stream = TcpStream::connect(receiver.address()).await.expect("it listens");
    let two = ["A1", "A2"].map(|id| frame(&message(id))).concat();
    // Our own transport's answer to what is answered is no message.
    stream.write_all(&[&two, b"\x0b\x06\x1c\x0d".as_slice()].concat()).await.expect("it reads");
    stream.shutdown().await.expect("an end");
    let mut all = Vec::new();
    stream.read_to_end(&mut all).await.expect("until the end");
    let mut reader = Reader::default();
    reader.handle_input(&all);
    let events: Vec<_> = std::iter::from_fn(|| reader.poll_event()).collect();
    let [Event::TransportAck(true), rest @ ..] = &events[..] else { panic!("{events:?}") };
    let refused = rest.iter().filter(|e| **e == Event::TransportAck(false)).count();
    let blocks = rest.iter().filter(|e| matches!(e, Event::Block(_))).count();
    assert_eq!((refused, blocks, rest.len()), (1, 1, 2), "{events:?}");
}

#[tokio::test]
async fn what_is_due_later_is_given_to_one_who_says_no_more() {
    let delay = Duration::from_millis(30);
    let late = Duration::from_millis(30);
    let manner = Manner { delay, late, ..manner("late,aa") };
    let receiver = Receiver::open("127.0.0.1:0", manner).await.expect("a port");
    let mut stream = TcpStream::connect(receiver.address()).await.expect("it listens");
    let began = std::time::Instant::now();
    let two = ["A1", "A2"].map(|id| frame(&message(id))).concat();
    stream.write_all(&two).await.expect("it reads");
    stream.shutdown().await.expect("an end");
    let said = answers(&mut stream, 2).await;
    assert!(began.elapsed() >= delay + late);
    let ids: Vec<_> = said.iter().map(|ack| ack.control_id.as_str()).collect();
    assert_eq!(ids, ["A2", "A1"], "each at its own time");
}
