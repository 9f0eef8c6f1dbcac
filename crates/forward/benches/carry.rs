//! How fast messages are carried to a receiver that answers at once: `cargo bench -p wickline-forward
//! --bench carry`.
//!
//! The peer writes the same blocks to the same receiver over a bare socket and only counts the blocks
//! that come back: no deadline, no id, no verdict, nothing kept to send again. Look at the ratio: both
//! sides are taken in turn.

use std::io::{Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::path::Path;
use std::time::{Duration, Instant};

use wickline_forward::{Address, Courier, Limits, Outcome, Tls};

const ROUNDS: usize = 5;
const MESSAGES: usize = 20_000;
/// About an ORU of ten pads.
const BODY: usize = 2_000;

fn main() {
    let address = receiver();
    let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
    let runtime = runtime.expect("a runtime");
    println!("{BODY} bytes a message, loopback, median of {ROUNDS} pairs of {MESSAGES}");
    for window in [1, 32] {
        let mut pairs: Vec<(f64, f64)> = (0..ROUNDS)
            .map(|_| (runtime.block_on(carried(address, window)), bare(address, window)))
            .collect();
        pairs.sort_by(|a, b| (a.0 / a.1).total_cmp(&(b.0 / b.1)));
        let (ours, bare) = pairs[ROUNDS / 2];
        println!(
            "window {window:>2}  courier {ours:>8.0}/s  bare {bare:>8.0}/s  {:.2}",
            ours / bare
        );
    }
}

fn message(n: usize) -> (String, Vec<u8>) {
    let id = format!("KP{n:08}");
    let text = format!("MSH|^~\\&|WICKLINE|K|LIS|K|20260314||ORU^R01|{id}|P|2.5.1\r");
    let body = [text.as_bytes(), &vec![b'x'; BODY - text.len() - 1], b"\r"].concat();
    (id, body)
}

/// Messages a second.
async fn carried(address: SocketAddr, window: usize) -> f64 {
    let to = Address::parse(&format!("mllp://{address}"), Path::new("."), &Tls::default());
    let limits = Limits { window, ..Limits::with_ack_timeout(Duration::from_secs(10)) };
    let mut courier = Courier::new(vec![to.expect("an address")], limits);
    let messages: Vec<_> = (0..MESSAGES).map(message).collect();
    let mut messages = messages.into_iter();
    let (mut key, mut done) = (0, 0);
    let began = Instant::now();
    while done < MESSAGES {
        while courier.can_take()
            && let Some((id, body)) = messages.next()
        {
            courier.offer(key, &id, body);
            key += 1;
        }
        for (_, outcome) in courier.next().await {
            assert!(matches!(outcome, Outcome::Settled { .. }), "{outcome:?}");
            done += 1;
        }
    }
    rate(began)
}

fn bare(address: SocketAddr, window: usize) -> f64 {
    let mut stream = TcpStream::connect(address).expect("it listens");
    stream.set_nodelay(true).expect("an option");
    let messages: Vec<_> = (0..MESSAGES).map(message).collect();
    let (mut sent, mut done, mut out) = (0, 0, Vec::new());
    let mut bytes = [0; 16 * 1024];
    let began = Instant::now();
    while done < MESSAGES {
        out.clear();
        while sent < MESSAGES && sent - done < window {
            out.push(0x0B);
            out.extend_from_slice(&messages[sent].1);
            out.extend_from_slice(b"\x1C\r");
            sent += 1;
        }
        stream.write_all(&out).expect("it reads");
        let count = stream.read(&mut bytes).expect("an answer");
        assert!(count > 0, "it hung up");
        done += memchr::memchr_iter(0x1C, &bytes[..count]).count();
    }
    rate(began)
}

fn rate(began: Instant) -> f64 {
    #[expect(clippy::cast_precision_loss, reason = "a count far below 2^52, for a printed rate")]
    let count = MESSAGES as f64;
    count / began.elapsed().as_secs_f64()
}

/// Answers whatever comes, at once, each connection on its own thread.
fn receiver() -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a port");
    let address = listener.local_addr().expect("it listens");
    std::thread::spawn(move || {
        for stream in listener.incoming() {
            let stream = stream.expect("a connection");
            std::thread::spawn(move || answer(stream));
        }
    });
    address
}

fn answer(mut stream: TcpStream) {
    stream.set_nodelay(true).expect("an option");
    let (mut kept, mut bytes) = (Vec::new(), vec![0; 256 * 1024]);
    loop {
        let count = stream.read(&mut bytes).unwrap_or(0);
        if count == 0 {
            return;
        }
        kept.extend_from_slice(&bytes[..count]);
        let (mut out, mut from) = (Vec::new(), 0);
        while let Some(end) = memchr::memchr(0x1C, &kept[from..]) {
            let id = kept[from..from + end].split(|b| *b == b'|').nth(9).unwrap_or_default();
            out.extend_from_slice(
                b"\x0BMSH|^~\\&|LIS|K|WICKLINE|K|20260314||ACK|1|P|2.5.1\rMSA|AA|",
            );
            out.extend_from_slice(id);
            out.extend_from_slice(b"\r\x1C\r");
            from += end + 2;
        }
        kept.drain(..from.min(kept.len()));
        if stream.write_all(&out).is_err() {
            return;
        }
    }
}
