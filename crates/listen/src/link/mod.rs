//! The LIS01 link level (CLSI LIS01-A2, formerly ASTM E1381): frames, checksums, acknowledgments.
//!
//! [`Receiver`] hears, [`Sender`] speaks, and [`Dialogue`] is both on one line: the computer's side hears results and
//! answers an analyzer that asks. Rules are numbered R1 to R19 and S1 to S11; each has a test that carries its number.
//!
//! A session runs from ENQ to EOT. Each frame is `STX FN text ETB|ETX C1 C2 CR LF`: FN counts 1 to 7 and then from
//! 0, ETB says that the record goes on in the next frame, C1 C2 are the sum of everything from FN through ETB or ETX
//! modulo 256 in two hexadecimal digits (NCCLS LIS1-A 6.3). The receiver answers each frame with ACK or NAK; a sender
//! sends a frame six times at most, then ends the session and keeps the message.
//!
//! Two things follow for a carrier. An ACK is a receipt: it leaves only when the bytes are on the tape. And a lost
//! answer makes a sender begin the whole message again, which the link cannot see: repeats of that kind are found by
//! what the reports say.

mod dialogue;
mod frame;
mod receiver;
mod sender;

#[cfg(test)]
mod pair_tests;

use std::fmt;

use wickline_normalize::Place;

pub use dialogue::{Dialogue, Said};
pub use frame::{checksum, frame};
pub use receiver::Receiver;
pub use sender::{Sender, SenderEvent};

/// The control characters that steer the link (ISO 646).
pub mod sign {
    /// Start of a frame.
    pub const STX: u8 = 0x02;
    /// End of a record's last frame.
    pub const ETX: u8 = 0x03;
    /// End of a session; as an answer: accepted, please yield the line.
    pub const EOT: u8 = 0x04;
    /// May I send?
    pub const ENQ: u8 = 0x05;
    /// Yes.
    pub const ACK: u8 = 0x06;
    /// End of a frame, after CR.
    pub const LF: u8 = 0x0A;
    /// End of a record.
    pub const CR: u8 = 0x0D;
    /// No: repeat, or busy.
    pub const NAK: u8 = 0x15;
    /// End of a frame whose record goes on in the next.
    pub const ETB: u8 = 0x17;
}

/// Most text bytes in one frame (NCCLS LIS1-A 8.3.1: 64,000 less the overhead of seven).
pub const MAX_FRAME_TEXT: usize = 63_993;
/// Most text that frames closed by ETB may add up to before one closed by ETX ends it.
pub const MAX_PART: usize = 1 << 20;
/// Text bytes that [`Sender`] puts into one frame: what E1381-95 allowed (from
/// memory), so that all can read it.
pub const SENT_FRAME_TEXT: usize = 240;

/// What the receiver has to tell.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Event {
    /// The sender asked for the line and got it.
    SessionOpened,
    /// A good new frame waits for [`Receiver::confirm`]: is every byte of this place on the tape?
    Keep {
        /// From its STX to its line end.
        place: Place,
    },
    /// One record, acknowledged: its text without the CR.
    Record {
        /// As sent, of at least one byte.
        bytes: Vec<u8>,
        /// From its first to its last byte, frame overhead between them included.
        place: Place,
    },
    /// Something was heard and not delivered.
    Dropped {
        /// What kind of thing.
        what: Loss,
        /// Where it stands; the bytes stay on the tape.
        place: Place,
    },
    /// A negative answer was due: counted, and the sender repeats.
    Refused {
        /// For the log and the counters.
        why: Refusal,
    },
    /// A frame with marked bytes came twice the same under a right checksum and was taken: counted.
    Flawed {
        /// Where the frame stands that was taken.
        place: Place,
    },
    /// The session is over.
    SessionClosed {
        /// How it ended.
        why: Closing,
    },
}

/// What was not delivered.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Loss {
    /// A record of which only the first frames came.
    Part,
    /// A frame that was broken off.
    Frame,
    /// A frame that had been delivered already, sent again because our answer was garbled.
    Repeat,
}

/// Why a frame or an enquiry got a negative answer.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub enum Refusal {
    /// We cannot keep results now.
    NotReady,
    /// The sum does not match, or is none.
    Checksum,
    /// The port marked bytes of it.
    Flawed,
    /// No digit from 0 to 7 in its place.
    FrameNumber,
    /// Neither the expected frame nor the one before it.
    OutOfTurn,
    /// Beyond what a frame or a record may hold.
    TooLong,
    /// It stopped in the middle.
    Silence,
    /// The tape could not take it.
    NotStored,
}

/// Why a session ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Closing {
    /// The sender said so (EOT).
    Said,
    /// The sender asked for the line again instead of going on.
    Restarted,
    /// Nothing came for thirty seconds.
    Silence,
    /// The port closed or the far end hung up.
    HungUp,
}

impl fmt::Display for Closing {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Closing::Said => "the analyzer ended the session",
            Closing::Restarted => "the analyzer started the session again",
            Closing::Silence => "the analyzer fell silent for 30 s",
            Closing::HungUp => "the line was closed",
        })
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Refusal::NotReady => "not ready to keep results",
            Refusal::Checksum => "wrong checksum",
            Refusal::Flawed => "parity or framing error inside the frame",
            Refusal::FrameNumber => "no frame number from 0 to 7",
            Refusal::OutOfTurn => "frame number out of turn",
            Refusal::TooLong => "longer than allowed",
            Refusal::Silence => "silence inside the frame",
            Refusal::NotStored => "could not be kept on the tape",
        })
    }
}
