//! Which answer goes back: what is said of the message (MSA-1), of each order (ORC-1), and where it is wrong (ERR).
//!
//! Common practice, no standard says it so: `AA` as soon as one order was taken, for the others speak their ORC-1 and
//! ORC-16; `AE` where none was, and where no ORC goes back as soon as one was not, each with an ERR. Nothing of this
//! may be sent before what it says is kept.

use wickline_normalize::Moment;
use wickline_normalize::orders::{Progress, Refusal, Reply};

use super::decide::{Decided, is_urine};
use super::envelope::{Envelope, Kind};
use super::fault::{Code, Fault, Location};
use super::read::{Line, OrderMessage, Unread};
use super::site::{Profile, Site};
use super::write;
use crate::hl7::{AckCode, EncodeFault};

/// The most ERR segments.
const ERRORS_MAX: usize = 32;

/// What only the one who answers knows.
#[derive(Clone, Copy, Debug)]
pub struct Stamp<'a> {
    /// MSH-10 of the accept acknowledgment and of the application's answer.
    pub control_ids: [&'a str; 2],
    /// MSH-7, and ORC-9.
    pub made: Moment,
}

/// What goes back, each a whole message. Both may be none: the sender wants no answer.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Answers {
    /// That it is kept, or not.
    pub accept: Option<Vec<u8>>,
    /// What became of it.
    pub application: Option<Vec<u8>>,
}

/// What an answer says of one order.
pub(super) struct OrderSaid<'a> {
    pub line: &'a Line,
    pub code: &'static str,
    pub number: Option<&'a str>,
    pub progress: Option<&'static str>,
    pub refusal: Option<Refusal>,
}

/// All that an answer says.
pub(super) struct Said<'a> {
    pub code: AckCode,
    pub faults: Vec<Fault>,
    /// None: a plain acknowledgment.
    pub answer: Option<(&'static str, &'static str)>,
    pub orders: Vec<OrderSaid<'a>>,
    /// The message whose orders they are.
    pub message: Option<&'a OrderMessage>,
}

/// What is not told to whom has a place of its own in the ledger: what cannot be kept is answered by nothing, or so.
#[must_use]
pub fn not_kept() -> Fault {
    Fault::nowhere(Code::Internal, "Not stored, please send again")
}

impl OrderMessage {
    /// The answers to a message whose orders were decided, to be kept with them.
    pub fn answers(
        &self,
        decided: &Decided,
        site: &Site,
        stamp: Stamp<'_>,
    ) -> Result<Answers, EncodeFault> {
        let said = match decided {
            Decided::Orders(replies) => self.said(replies, site),
            Decided::NoWork(_) => self.bare(AckCode::Aa, Vec::new()),
            Decided::NotAsked => {
                let sac = self.specimens.iter().flat_map(|s| &s.containers).next();
                let place = Location::new("SAC", sac.map_or(1, |(nth, _)| *nth), 3);
                let words = "Nobody here asked about this container";
                self.bare(AckCode::Ar, vec![Fault::new(place, Code::UnknownKey, words)])
            }
        };
        both(&self.envelope, &said, site, stamp)
    }

    fn bare(&self, code: AckCode, faults: Vec<Fault>) -> Said<'_> {
        Said { code, faults, answer: self.kind.answer(), orders: Vec::new(), message: Some(self) }
    }

    fn said<'a>(&'a self, replies: &'a [Reply], site: &Site) -> Said<'a> {
        let pairs = || self.orders.iter().zip(replies);
        let taken = pairs().filter(|(_, reply)| reply.done.is_ok()).count();
        // What is told needs no answer of its own.
        let only_told = self.orders.iter().all(|line| line.ask.is_some_and(|ask| ask.is_told()));
        let plain = site.plain || only_told;
        // But in an ORR an order is named below a patient only.
        let named = self.kind == Kind::Orm || (self.patient.is_some() && site.echo_patient);
        let speaks = !plain && named;
        let good = if speaks { taken > 0 } else { taken == self.orders.len() };
        let code =
            if good || (site.refusals_accepted && !site.plain) { AckCode::Aa } else { AckCode::Ae };
        // Nobody is told no without a reason.
        let fault = |(line, reply): (&Line, &Reply)| {
            let why = reply.done.err()?;
            self.fault(line, why, site).or_else(|| (!speaks).then(|| unfitting(line, why)))
        };
        let told = code != AckCode::Aa || !speaks;
        let faults = pairs().filter(|_| told).filter_map(fault).take(ERRORS_MAX).collect();
        if plain {
            return Said { answer: None, ..self.bare(code, faults) };
        }
        let orders = pairs().filter_map(|(line, reply)| order_said(line, reply)).collect();
        Said { orders, ..self.bare(code, faults) }
    }

    /// Where an order is wrong, where table 0357 has a code for that.
    fn fault(&self, line: &Line, refusal: Refusal, site: &Site) -> Option<Fault> {
        let specimen = || {
            let version = self.envelope.version.unwrap_or(crate::hl7::Version::V251);
            let from = site.specimen_from.in_version(version);
            let nth = match from.place(1).segment {
                "SPM" => self.specimens_of(line).next().map_or(1, |specimen| specimen.nth),
                "SAC" => {
                    self.specimens_of(line).flat_map(|s| &s.containers).next().map_or(1, |c| c.0)
                }
                "ORC" => line.orc,
                _ => line.obr.max(1),
            };
            from.place(nth)
        };
        let number = || Location::new("ORC", line.orc, 2);
        let (place, code) = match refusal {
            Refusal::FieldWrong => return line.fault.clone(),
            Refusal::TestUnknown => {
                (Location::new("OBR", line.obr.max(1), 4).at(1), Code::TableValue)
            }
            Refusal::NotUrine => (self.kind_of_specimen(line, site), Code::TableValue),
            Refusal::NotSupported => (Location::new("ORC", line.orc, 1), Code::TableValue),
            Refusal::PatientConflict => (specimen(), Code::DuplicateKey),
            Refusal::SpecimenMissing => (specimen(), Code::FieldMissing),
            Refusal::SpecimenMalformed | Refusal::SpecimenOfMaterial => {
                (specimen(), Code::DataType)
            }
            Refusal::PatientMissing => (Location::new("PID", 1, 3), Code::FieldMissing),
            Refusal::DuplicateOrder | Refusal::Closed | Refusal::OtherPatient => {
                (number(), Code::DuplicateKey)
            }
            Refusal::OrderUnknown => (number(), Code::UnknownKey),
            // Its material is a key of ours.
            Refusal::ControlUnknown => (specimen(), Code::UnknownKey),
            _ => return None,
        };
        Some(Fault::new(place, code, refusal.words()))
    }

    /// Where the first specimen says that it is no urine.
    fn kind_of_specimen(&self, line: &Line, site: &Site) -> Location {
        let other = self.specimens_of(line).find(|specimen| !is_urine(specimen, site));
        match other {
            Some(specimen) => Location::new("SPM", specimen.nth, 4).at(1),
            None => Location::new("OBR", line.obr.max(1), 15).at(1),
        }
    }
}

/// A reason for which table 0357 has nothing but its catch-all, with our own code beside it: said where no order of the
/// answer can say it.
fn unfitting(line: &Line, refusal: Refusal) -> Fault {
    let place = Location::new("ORC", line.orc, 1);
    Fault { own: Some(refusal), ..Fault::new(place, Code::Internal, refusal.words()) }
}

/// None: nothing is said of this order.
fn order_said<'a>(line: &'a Line, reply: &'a Reply) -> Option<OrderSaid<'a>> {
    if line.ask.is_some_and(|ask| ask.is_told()) {
        return None;
    }
    let refusal = reply.done.err();
    // ORC-6, table 0121.
    match line.flag.value(1).as_str() {
        "N" => return None,
        "E" if refusal.is_none() => return None,
        _ => {}
    }
    let (yes, no) = line.control.map_or(("UA", "UA"), |row| (row.yes, row.no));
    let code = if refusal.is_none() { yes } else { no };
    let progress = reply.progress.map(progress);
    let number = reply.number.as_deref();
    Some(OrderSaid { line, code, number, progress, refusal })
}

/// ORC-5 (table 0038).
fn progress(progress: Progress) -> &'static str {
    match progress {
        Progress::Scheduled => "SC",
        Progress::InProcess => "IP",
        Progress::Partly => "A",
        Progress::Complete => "CM",
        Progress::Cancelled => "CA",
        Progress::Discontinued => "DC",
        Progress::OnHold => "HD",
        Progress::Replaced => "RP",
        Progress::NotFound => "ER",
    }
}

/// The answers to a message that could not be read, or could not be kept. None: there is nobody to answer.
pub fn refused(
    unread: &Unread,
    site: &Site,
    stamp: Stamp<'_>,
) -> Option<Result<Answers, EncodeFault>> {
    let envelope = unread.envelope.as_ref()?;
    let rejected = matches!(
        unread.fault.code,
        Code::MessageType | Code::EventCode | Code::ProcessingId | Code::VersionId | Code::Internal
    );
    // An event that is told in ORC-1 is a fault of the content.
    let in_header = unread.fault.place.is_none_or(|place| place.segment == "MSH");
    let stranger = in_header && unread.fault.code == Code::TableValue;
    let code = if stranger || (rejected && in_header) { AckCode::Ar } else { AckCode::Ae };
    let answer = unread.kind.and_then(Kind::answer).filter(|_| code == AckCode::Ae);
    let faults = vec![unread.fault.clone()];
    let said = Said { code, faults, answer, orders: Vec::new(), message: None };
    Some(both(envelope, &said, site, stamp))
}

/// The answers to what is told of patients.
pub fn told(
    envelope: &Envelope,
    fault: Option<Fault>,
    site: &Site,
    stamp: Stamp<'_>,
) -> Result<Answers, EncodeFault> {
    let code = if fault.is_some() { AckCode::Ae } else { AckCode::Aa };
    let faults = fault.into_iter().collect();
    let said = Said { code, faults, answer: None, orders: Vec::new(), message: None };
    both(envelope, &said, site, stamp)
}

/// A merge that would go in a circle.
#[must_use]
pub fn circle() -> Fault {
    let words = "Merged the other way round before";
    Fault::new(Location::new("MRG", 1, 1), Code::UnknownKey, words)
}

/// HL7 v2.5.1 section 2.9.3: the accept acknowledgment says whether it is kept, the other what became of it.
fn both(
    envelope: &Envelope,
    said: &Said<'_>,
    site: &Site,
    stamp: Stamp<'_>,
) -> Result<Answers, EncodeFault> {
    let [accept_id, application_id] = stamp.control_ids;
    let application =
        || write::answer(envelope, said, site, (application_id, stamp.made)).map(Some);
    let Some([accept, application_owed]) = envelope.owed else {
        return Ok(Answers { accept: None, application: application()? });
    };
    let kept = said.code != AckCode::Ar && (said.message.is_some() || said.faults.is_empty());
    let commit = match (kept, said.code) {
        (true, _) => AckCode::Ca,
        (false, AckCode::Ar) => AckCode::Cr,
        (false, _) => AckCode::Ce,
    };
    let faults = if kept { Vec::new() } else { said.faults.clone() };
    let ack = Said { code: commit, faults, answer: None, orders: Vec::new(), message: None };
    let owes_accept = accept.is_owed(kept);
    let accept = owes_accept
        .then(|| write::answer(envelope, &ack, site, (accept_id, stamp.made)))
        .transpose()?;
    // What was not kept has been told so, and nothing follows.
    let follows = application_owed.is_owed(said.code == AckCode::Aa) && (kept || !owes_accept);
    Ok(Answers { accept, application: if follows { application()? } else { None } })
}

impl Said<'_> {
    /// Structure and profile of IHE's analyzer profile.
    pub(super) fn is_law(&self, site: &Site) -> bool {
        site.profile == Profile::Law && self.answer == Some(("ORL", "O34"))
    }
}
