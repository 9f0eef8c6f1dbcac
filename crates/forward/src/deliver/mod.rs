//! Delivery to one receiver: one kept connection, or one folder. The thin driver of `exchange`.
//!
//! A receiver may have several addresses: the first that opens is used until its connection ends. Nothing here
//! decides when to try again or what a refusal means for those behind it; the caller does, by [`Outcome`].

mod address;
mod certificate;
mod courier;
mod files;
mod opened;
mod serving;
#[cfg(test)]
mod tests;
mod tls;
mod wire;

use std::net::IpAddr;
use std::time::Duration;

pub use address::Address;
pub use courier::Courier;
pub use opened::Opened;
pub use serving::{Secured, Serving, no_tls};
pub use tls::Tls;

use crate::mllp::MllpRelease;
use crate::verdict::Verdict;

/// How one connection is used, how long things may take, and how large an answer may be.
#[derive(Clone, Debug)]
pub struct Limits {
    /// For each address of a name by itself.
    pub connect_timeout: Duration,
    /// From when a message is offered on an open connection until its last answer.
    pub ack_timeout: Duration,
    /// Bytes of an answer at most.
    pub answer_cap: usize,
    /// Messages in flight at most; release 2 of MLLP takes one.
    pub window: usize,
    /// Which release of MLLP the receiver speaks.
    pub release: MllpRelease,
    /// A commit (CA) is not the end: the application's answer is waited for.
    pub application: bool,
    /// The local address to connect from.
    pub source: Option<IpAddr>,
}

impl Limits {
    /// The usual limits with this patience for an acknowledgment.
    ///
    /// Ten seconds to connect, answers of 1 MiB at most, one message in flight, release 1, the first
    /// answer final.
    #[must_use]
    pub fn with_ack_timeout(ack_timeout: Duration) -> Self {
        Self {
            connect_timeout: Duration::from_secs(10),
            ack_timeout,
            answer_cap: 1 << 20,
            window: 1,
            release: MllpRelease::One,
            application: false,
            source: None,
        }
    }

    /// Messages in flight at most.
    fn most(&self) -> usize {
        match self.release {
            MllpRelease::One => self.window.max(1),
            MllpRelease::Two => 1,
        }
    }
}

/// How one sending ended.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Outcome {
    /// The receiver answered; `answer` is what it said, for the ledger.
    Settled {
        /// What becomes of the message.
        verdict: Verdict,
        /// The block as it came; it may quote a patient.
        answer: Vec<u8>,
    },
    /// Nothing of this message was sent.
    NotConnected {
        /// Every address that was tried, and why it failed.
        why: String,
    },
    /// Sent, perhaps, and not answered: send the same bytes again.
    Unanswered {
        /// What did not come, or what ended the connection.
        why: String,
    },
}
