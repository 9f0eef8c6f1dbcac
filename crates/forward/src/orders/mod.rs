//! Orders that come in: read, decided, answered. Pure: bytes in, bytes and deeds out.
//!
//! [`read()`] makes of a message what it asks ([`OrderMessage`]) or says of patients, by the rules of its source
//! ([`Site`]); [`OrderMessage::take`] hands its requests to the machine that knows the orders
//! ([`wickline_normalize::orders`]); [`OrderMessage::answers`] writes what goes back. Whoever listens keeps what the
//! machine did and what is answered in one transaction, and only then sends the answer; a message that comes again
//! byte by byte gets the kept one.
//!
//! Everything that comes is hostile: bounded, never quoted in a fault, never in a log. What the laboratory does not
//! need (OBR-13, NTE, DG1, what was asked at order entry) is not even read.

mod answer;
mod control;
mod decide;
mod envelope;
mod fault;
mod given;
mod groups;
mod query;
mod read;
mod references;
mod site;
mod write;

pub use answer::{Answers, Stamp, circle, not_kept, refused, told};
pub use control::{Control, Meaning};
pub use decide::{Decided, Now, merge};
pub use envelope::{Envelope, Kind, Owed};
pub use fault::{Code, Fault, Location};
pub use given::Given;
pub use query::{Asker, query};
pub use read::{Incoming, Line, OrderMessage, Patient, QueryAnswer, Specimen, Unread, read};
pub use references::{References, SpecimenReferences};
pub use site::{OrderKey, Profile, Site, SpecimenFrom};
