//! A receiver of the simulated laboratory: keeps what it accepted, each with its simulated time, and can
//! go away and come back.

use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use tokio::sync::{mpsc, oneshot};
use wickline_forward::receive::Receiver;

use super::real;
use super::truth::Arrived;

/// What it is told, and when that is done.
type Order = (bool, oneshot::Sender<()>);

/// A receiver and what it got.
pub struct Listener {
    pub address: String,
    got: Arc<Mutex<Vec<Arrived>>>,
    ahead: Arc<AtomicI64>,
    orders: mpsc::Sender<Order>,
}

impl Listener {
    pub async fn open() -> Self {
        let answers = vec!["aa".parse().expect("an answer")];
        let bound = Receiver::bind("127.0.0.1:0", answers, Duration::ZERO, None).await;
        let mut receiver = bound.expect("a port");
        let address = receiver.address().to_string();
        let (got, ahead) = (Arc::new(Mutex::new(Vec::new())), Arc::new(AtomicI64::new(0)));
        let (orders, mut ordered) = mpsc::channel::<Order>(1);
        let (kept, shift) = (got.clone(), ahead.clone());
        tokio::spawn(async move {
            loop {
                tokio::select! {
                    message = receiver.next() => {
                        let Some(message) = message else { return };
                        let at = real() + shift.load(Ordering::SeqCst);
                        let text = String::from_utf8(message.body).expect("UTF-8");
                        let control_id = message.control_id;
                        let mut kept = kept.lock().expect("one at a time");
                        kept.push(Arrived { at, control_id, text });
                    }
                    order = ordered.recv() => {
                        let Some((there, done)) = order else { return };
                        if there {
                            receiver.resume().await.expect("the same port again");
                        } else {
                            receiver.pause().await;
                        }
                        let _ = done.send(());
                    }
                }
            }
        });
        Self { address, got, ahead, orders }
    }

    pub fn set(&self, ahead: i64) {
        self.ahead.store(ahead, Ordering::SeqCst);
    }

    async fn order(&self, there: bool) {
        let (done, told) = oneshot::channel();
        self.orders.send((there, done)).await.expect("it listens");
        told.await.expect("it obeys");
    }

    pub async fn away(&self) {
        self.order(false).await;
    }

    pub async fn back(&self) {
        self.order(true).await;
    }

    pub fn all(&self) -> Vec<Arrived> {
        self.got.lock().expect("one at a time").clone()
    }
}
