//! A receiver that does with each connection what a test wants, and notes what came before it answers.

use std::io::{ErrorKind, Read, Write};
use std::net::{SocketAddr, TcpListener, TcpStream};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use wickline_forward::hl7::Message;
use wickline_forward::mllp;

/// How often a waiting connection looks whether the test is over.
const LOOK: Duration = Duration::from_millis(50);

/// One message that came whole.
#[derive(Clone, Debug)]
pub struct Arrival {
    pub control_id: String,
    pub body: Vec<u8>,
    /// What the test's own count said when it had come and was not yet answered.
    pub stamp: u64,
}

#[derive(Clone)]
struct Notes {
    arrivals: Arc<Mutex<Vec<Arrival>>>,
    stamp: Arc<dyn Fn() -> u64 + Send + Sync>,
    over: Arc<AtomicBool>,
}

/// The receiver, there until it is dropped.
pub struct Peer {
    pub address: SocketAddr,
    notes: Notes,
}

impl Peer {
    /// Listens and does `manner` with each connection; it is closed when that returns.
    pub fn new(manner: impl Fn(&mut Conn) + Send + Sync + 'static) -> Self {
        Self::at("127.0.0.1:0", || 0, manner)
    }

    /// The same at an address, with a count of the test's own in each arrival.
    pub fn at(
        address: &str,
        stamp: impl Fn() -> u64 + Send + Sync + 'static,
        manner: impl Fn(&mut Conn) + Send + Sync + 'static,
    ) -> Self {
        let listener = TcpListener::bind(address).expect("a port");
        let address = listener.local_addr().expect("it listens");
        let notes =
            Notes { arrivals: Arc::default(), stamp: Arc::new(stamp), over: Arc::default() };
        let (seen, manner) = (notes.clone(), Arc::new(manner));
        std::thread::spawn(move || {
            for stream in listener.incoming().map_while(Result::ok) {
                if seen.over.load(Ordering::Relaxed) {
                    return;
                }
                let (notes, manner) = (seen.clone(), manner.clone());
                std::thread::spawn(move || {
                    stream.set_read_timeout(Some(LOOK)).expect("a timeout");
                    let _ = stream.set_nodelay(true);
                    manner(&mut Conn { stream, reader: mllp::Reader::default(), notes });
                });
            }
        });
        Self { address, notes }
    }

    /// What came so far.
    pub fn arrivals(&self) -> Vec<Arrival> {
        self.notes.arrivals.lock().expect("no one panics with it").clone()
    }
}

impl Drop for Peer {
    fn drop(&mut self) {
        self.notes.over.store(true, Ordering::Relaxed);
        let _ = TcpStream::connect(self.address);
    }
}

/// One connection, from the receiver's side.
pub struct Conn {
    stream: TcpStream,
    reader: mllp::Reader,
    notes: Notes,
}

impl Conn {
    /// True once the test is over: a manner that waits must end then.
    pub fn over(&self) -> bool {
        self.notes.over.load(Ordering::Relaxed)
    }

    fn read(&mut self, most: usize) -> Option<Vec<u8>> {
        let mut bytes = vec![0; most];
        while !self.over() {
            match self.stream.read(&mut bytes) {
                Ok(0) => return None,
                Ok(count) => {
                    bytes.truncate(count);
                    return Some(bytes);
                }
                Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {}
                Err(_) => return None,
            }
        }
        None
    }

    /// The next whole message, noted. None: closed, or the test is over.
    pub fn message(&mut self) -> Option<Arrival> {
        loop {
            while let Some(event) = self.reader.poll_event() {
                let mllp::Event::Block(body) = event else { continue };
                let Ok(message) = Message::read(&body) else { continue };
                let control_id = message.component("MSH", 1, 10, 1);
                let arrival = Arrival { control_id, body, stamp: (self.notes.stamp)() };
                let mut arrivals = self.notes.arrivals.lock().expect("no one panics with it");
                arrivals.push(arrival.clone());
                return Some(arrival);
            }
            let bytes = self.read(4096)?;
            self.reader.handle_input(&bytes);
        }
    }

    /// Reads so many bytes of a message and no more. Closing then resets the connection.
    pub fn bite(&mut self, count: usize) {
        let mut left = count;
        while left > 0
            && let Some(bytes) = self.read(left)
        {
            left -= bytes.len();
        }
    }

    /// Says these bytes. False: it could not.
    pub fn say(&mut self, bytes: &[u8]) -> bool {
        self.stream.write_all(bytes).is_ok()
    }

    /// Does nothing until the other side closes or the test is over.
    pub fn sit(&mut self) {
        while self.read(4096).is_some() {}
    }
}

/// An acknowledgment in its block.
pub fn answer(code: &str, control_id: &str) -> Vec<u8> {
    let text = format!("MSH|^~\\&|LIS||||||ACK|1|P|2.5.1\rMSA|{code}|{control_id}\r");
    mllp::frame(text.as_bytes())
}

/// The usual manner: yes to everything.
pub fn agree(conn: &mut Conn) {
    while let Some(message) = conn.message() {
        conn.say(&answer("AA", &message.control_id));
    }
}
