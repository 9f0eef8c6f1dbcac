//! What a peer and the way to it may do to a message and to its answer.

use std::net::SocketAddr;
use std::time::Duration;

use rustix::net::sockopt;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};

use super::{MESSAGE, accepted, courier_to, limited, message, once, send};
use crate::deliver::{Courier, Limits, Outcome, Tls};
use crate::mllp::{MllpRelease, frame};

/// How a peer ends a connection.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Ending {
    Reset,
    Close,
}

impl Ending {
    fn end(self, stream: TcpStream) {
        if self == Ending::Reset {
            sockopt::set_socket_linger(&stream, Some(Duration::ZERO)).expect("a socket");
        }
        drop(stream);
    }
}

async fn listening() -> (TcpListener, SocketAddr) {
    let listener = TcpListener::bind("127.0.0.1:0").await.expect("a port");
    let address = listener.local_addr().expect("it listens");
    (listener, address)
}

fn courier(address: SocketAddr) -> Courier {
    courier_to(&format!("mllp://{address}"), &Tls::default())
}

/// One that does not lose patience while a machine is busy.
fn patient(address: SocketAddr, window: usize) -> Courier {
    let limits = Limits { window, ..Limits::with_ack_timeout(Duration::from_secs(30)) };
    limited(&format!("mllp://{address}"), &Tls::default(), limits)
}

fn answer(id: &str) -> Vec<u8> {
    frame(format!("MSH|^~\\&|LIS||||||ACK|1|P|2.5.1\rMSA|AA|{id}\r").as_bytes())
}

async fn accept(listener: &TcpListener) -> TcpStream {
    listener.accept().await.expect("a connection").0
}

/// Reads so many bytes, no more.
async fn read(stream: &mut TcpStream, count: usize) -> Vec<u8> {
    let mut bytes = vec![0; count];
    stream.read_exact(&mut bytes).await.expect("so many bytes");
    bytes
}

async fn write(stream: &mut TcpStream, bytes: &[u8]) {
    stream.write_all(bytes).await.expect("it reads");
}

/// A look at the courier that finds nothing: what was begun must go on unharmed.
async fn glance(courier: &mut Courier) {
    let looked = tokio::time::timeout(Duration::from_millis(1), courier.next()).await;
    assert!(looked.is_err(), "nothing yet: {looked:?}");
}

fn unanswered(outcome: &Outcome) -> bool {
    matches!(outcome, Outcome::Unanswered { .. })
}

fn keys(outcomes: &[(i64, Outcome)]) -> Vec<i64> {
    outcomes.iter().map(|(key, _)| *key).collect()
}

/// All outcomes, in their order.
async fn all(courier: &mut Courier) -> Vec<(i64, Outcome)> {
    let mut outcomes = Vec::new();
    while courier.in_flight() > 0 {
        outcomes.extend(courier.next().await);
    }
    outcomes
}

#[tokio::test]
async fn a_message_cut_at_any_byte_goes_again_whole() {
    let (listener, address) = listening().await;
    let block = frame(MESSAGE);
    for ending in [Ending::Reset, Ending::Close] {
        for cut in 0..=block.len() {
            let mut courier = patient(address, 1);
            let peer = async {
                let mut stream = accept(&listener).await;
                read(&mut stream, cut).await;
                ending.end(stream);
                let mut stream = accept(&listener).await;
                assert_eq!(read(&mut stream, block.len()).await, block, "byte-identical");
                write(&mut stream, &answer("A1")).await;
            };
            let ours = async {
                let first = send(&mut courier, "A1", MESSAGE).await;
                assert!(unanswered(&first), "{ending:?} at {cut}: {first:?}");
                let second = send(&mut courier, "A1", MESSAGE).await;
                assert!(accepted(&second), "{ending:?} at {cut}: {second:?}");
            };
            tokio::join!(peer, ours);
        }
    }
}

#[tokio::test]
async fn an_answer_cut_at_any_byte_is_none_and_a_whole_one_counts_before_a_hang_up() {
    let (listener, address) = listening().await;
    let (block, whole) = (frame(MESSAGE), answer("A1"));
    for ending in [Ending::Reset, Ending::Close] {
        for cut in 0..=whole.len() {
            let mut courier = patient(address, 1);
            let peer = async {
                let mut stream = accept(&listener).await;
                read(&mut stream, block.len()).await;
                write(&mut stream, &whole[..cut]).await;
                ending.end(stream);
            };
            let (outcome, ()) = tokio::join!(send(&mut courier, "A1", MESSAGE), peer);
            let got = (accepted(&outcome), unanswered(&outcome));
            let complete = cut == whole.len();
            assert_eq!(got, (complete, !complete), "{ending:?} at {cut}: {outcome:?}");
        }
    }
}

#[tokio::test]
async fn an_answer_in_two_parts_is_the_same_wherever_it_is_parted() {
    let (listener, address) = listening().await;
    let (block, whole) = (frame(MESSAGE), answer("A1"));
    let mut courier = patient(address, 1);
    courier.offer(0, "A1", MESSAGE.to_vec());
    let (mut stream, ()) = tokio::join!(accept(&listener), glance(&mut courier));
    for cut in 1..whole.len() {
        glance(&mut courier).await;
        assert_eq!(read(&mut stream, block.len()).await, block);
        write(&mut stream, &whole[..cut]).await;
        glance(&mut courier).await;
        write(&mut stream, &whole[cut..]).await;
        let outcomes = courier.next().await;
        assert!(matches!(&outcomes[..], [(_, one)] if accepted(one)), "{cut}: {outcomes:?}");
        courier.offer(0, "A1", MESSAGE.to_vec());
    }
}

#[tokio::test]
async fn a_peer_that_says_nothing_is_closed_before_the_same_goes_again() {
    let (listener, address) = listening().await;
    let block = frame(MESSAGE);
    let mut courier = courier(address);
    let peer = async {
        let mut stream = accept(&listener).await;
        assert_eq!(read(&mut stream, block.len()).await, block);
        // Everything that comes more is the end.
        assert_eq!(stream.read(&mut [0; 1]).await.expect("an end"), 0);
        let mut stream = accept(&listener).await;
        assert_eq!(read(&mut stream, block.len()).await, block, "byte-identical");
        write(&mut stream, &answer("A1")).await;
    };
    let ours = async {
        let first = send(&mut courier, "A1", MESSAGE).await;
        assert!(matches!(&first, Outcome::Unanswered { why } if why == "no answer in time"));
        assert_eq!(courier.connected_to(), None);
        assert!(accepted(&send(&mut courier, "A1", MESSAGE).await));
        assert_eq!(courier.connected_to(), Some(format!("mllp://{address}")));
    };
    tokio::join!(peer, ours);
}

#[tokio::test]
async fn bytes_that_trickle_do_not_prolong_the_deadline() {
    let (listener, address) = listening().await;
    let mut courier = courier(address);
    let peer = async {
        let mut stream = accept(&listener).await;
        for byte in answer("A1").iter().cycle() {
            if stream.write_all(&[*byte]).await.is_err() {
                return;
            }
            tokio::time::sleep(Duration::from_millis(20)).await;
        }
    };
    let (outcome, ()) = tokio::join!(
        async {
            let outcome = send(&mut courier, "A1", MESSAGE).await;
            courier.close();
            outcome
        },
        peer
    );
    assert!(unanswered(&outcome), "{outcome:?}");
}

#[tokio::test]
async fn an_answer_without_end_is_bounded_by_the_deadline_and_the_cap() {
    let (listener, address) = listening().await;
    let limits = Limits::with_ack_timeout(Duration::from_millis(200));
    let limits = Limits { answer_cap: 64 * 1024, ..limits };
    let mut courier = limited(&format!("mllp://{address}"), &Tls::default(), limits);
    let peer = async {
        let mut stream = accept(&listener).await;
        let (mut sent, chunk) = (0_usize, vec![b'x'; 1 << 20]);
        write(&mut stream, b"\x0bMSH|").await;
        while sent < 1 << 30 && stream.write_all(&chunk).await.is_ok() {
            sent += chunk.len();
        }
    };
    let (outcome, ()) = tokio::join!(send(&mut courier, "A1", MESSAGE), peer);
    assert!(unanswered(&outcome), "{outcome:?}");
}

#[tokio::test]
async fn an_answer_before_the_message_was_sent_is_not_taken() {
    let (listener, address) = listening().await;
    // More than both hosts keep for a connection.
    let large = [MESSAGE, &vec![b'x'; 32 << 20]].concat();
    let mut courier = patient(address, 1);
    courier.offer(0, "A1", large.clone());
    let (mut stream, ()) = tokio::join!(accept(&listener), glance(&mut courier));
    write(&mut stream, &answer("A1")).await;
    for _ in 0..10 {
        glance(&mut courier).await;
    }
    assert_eq!(courier.in_flight(), 1);
    let peer = async {
        assert_eq!(read(&mut stream, large.len() + 3).await, frame(&large));
        write(&mut stream, &answer("A1")).await;
    };
    let (outcomes, ()) = tokio::join!(courier.next(), peer);
    assert!(matches!(&outcomes[..], [(0, one)] if accepted(one)));
}

#[tokio::test]
async fn a_window_is_answered_in_any_order_and_many_answers_at_once() {
    let (listener, address) = listening().await;
    let mut courier = patient(address, 32);
    let ids: Vec<_> = (0..32).map(|n| format!("W{n:02}")).collect();
    let blocks: Vec<u8> = ids.iter().flat_map(|id| frame(&message(id))).collect();
    for (key, id) in (0..).zip(&ids) {
        assert!(courier.can_take());
        courier.offer(key, id, message(id));
    }
    assert!(!courier.can_take() && courier.in_flight() == 32);
    let peer = async {
        let mut stream = accept(&listener).await;
        assert_eq!(read(&mut stream, blocks.len()).await, blocks, "in their order");
        // 13 and 32 have no common divisor; each answer comes twice.
        let order = (0..32).map(|n| (n * 13 + 5) % 32);
        let answers: Vec<u8> = order.flat_map(|n| answer(&ids[n]).repeat(2)).collect();
        write(&mut stream, &answers).await;
        stream
    };
    let (outcomes, _stream) = tokio::join!(all(&mut courier), peer);
    assert!(outcomes.iter().all(|(_, outcome)| accepted(outcome)));
    assert_eq!(keys(&outcomes), (0..32).map(|n| (n * 13 + 5) % 32).collect::<Vec<_>>());
}

#[tokio::test]
async fn a_hang_up_after_an_answer_sends_the_rest_once_more_in_order() {
    let (listener, address) = listening().await;
    let mut courier = patient(address, 4);
    let blocks = |ids: &[&str]| ids.iter().flat_map(|id| frame(&message(id))).collect::<Vec<_>>();
    for (key, id) in [(0, "W0"), (1, "W1"), (2, "W2"), (3, "W3")] {
        courier.offer(key, id, message(id));
    }
    let peer = async {
        for ids in [&["W0", "W1", "W2", "W3"][..], &["W1", "W2", "W3"]] {
            let mut stream = accept(&listener).await;
            let wanted = blocks(ids);
            assert_eq!(read(&mut stream, wanted.len()).await, wanted);
            write(&mut stream, &answer(ids[0])).await;
        }
    };
    let (outcomes, ()) = tokio::join!(all(&mut courier), peer);
    assert_eq!(keys(&outcomes), [0, 1, 2, 3]);
    let ends: Vec<_> = outcomes.iter().map(|(_, o)| (accepted(o), unanswered(o))).collect();
    let (yes, no) = ((true, false), (false, true));
    assert_eq!(ends, [yes, yes, no, no], "once more, not for ever");
    let third = tokio::time::timeout(Duration::from_millis(20), listener.accept()).await;
    assert!(third.is_err(), "there is no third connection");
}

#[tokio::test]
async fn a_first_connection_that_hangs_up_is_no_kept_one() {
    let (listener, address) = listening().await;
    let mut courier = patient(address, 2);
    courier.offer(1, "W1", message("W1"));
    courier.offer(2, "W2", message("W2"));
    let peer = async { drop(accept(&listener).await) };
    let (outcomes, ()) = tokio::join!(all(&mut courier), peer);
    assert_eq!(keys(&outcomes), [1, 2]);
    assert!(!outcomes.iter().any(|(_, outcome)| accepted(outcome)), "{outcomes:?}");
}

#[tokio::test]
async fn looking_away_at_any_moment_loses_nothing() {
    let (listener, address) = listening().await;
    let mut courier = patient(address, 8);
    const COUNT: i64 = 200;
    let peer = async {
        let mut stream = accept(&listener).await;
        for n in 0..COUNT {
            let wanted = frame(&message(&format!("W{n}")));
            assert_eq!(read(&mut stream, wanted.len()).await, wanted, "in order, each once");
            let whole = answer(&format!("W{n}"));
            let (head, tail) = whole.split_at(usize::try_from(n).expect("small") % whole.len());
            write(&mut stream, head).await;
            tokio::task::yield_now().await;
            write(&mut stream, tail).await;
        }
        stream
    };
    let ours = async {
        let (mut next, mut done) = (0, Vec::new());
        while done.len() < 200 {
            while courier.can_take() && next < COUNT {
                let id = format!("W{next}");
                courier.offer(next, &id, message(&id));
                next += 1;
            }
            let outcomes = once(&mut courier).await.unwrap_or_default();
            assert!(outcomes.iter().all(|(_, outcome)| accepted(outcome)), "{outcomes:?}");
            done.extend(keys(&outcomes));
            tokio::task::yield_now().await;
        }
        assert_eq!(done, (0..COUNT).collect::<Vec<_>>());
    };
    tokio::join!(peer, ours);
}

#[tokio::test]
async fn release_2_confirms_an_answer_before_it_is_told() {
    let (listener, address) = listening().await;
    let limits = Limits::with_ack_timeout(Duration::from_secs(30));
    let limits = Limits { release: MllpRelease::Two, ..limits };
    let mut courier = limited(&format!("mllp://{address}"), &Tls::default(), limits);
    let peer = async {
        let mut stream = accept(&listener).await;
        let block = frame(MESSAGE);
        assert_eq!(read(&mut stream, block.len()).await, block);
        write(&mut stream, &[b"\x0b\x06\x1c\x0d", &answer("A1")[..]].concat()).await;
        stream
    };
    let (outcome, mut stream) = tokio::join!(send(&mut courier, "A1", MESSAGE), peer);
    assert!(accepted(&outcome), "{outcome:?}");
    // Nobody asks the courier for anything more.
    let confirmed = tokio::time::timeout(Duration::from_secs(10), read(&mut stream, 4)).await;
    assert_eq!(confirmed.expect("it is confirmed"), b"\x0b\x06\x1c\x0d");
}
