//! The result message: one report of one strip for one receiver, as ORU^R01 or OUL^R22.
//!
//! Fields and their lengths: HL7 v2.5.1 chapters 2, 4, 7 and 13, and what 2.3.1, 2.4 and 2.5 do
//! otherwise. Which code, unit and value go together was decided before; here they are only written.
//!
//! A message is refused, with the field and what is allowed, where it would say less than the report does: an id too
//! long for its field, a character that the character set does not have, control material for a version that cannot
//! tell it from a patient's specimen. Control material never gets a PID, whatever the print says.

use wickline_normalize::report::Text;
use wickline_normalize::{Moment, Observation, Patient, Private, Remark};

use super::group::{Group, shares};
use super::is_control_id;
use super::layout::{Layout, Party, Structure};
use super::patient::{self, Named};
use super::scribe::{FILLER, Scribe};
use super::specimen::Urine;
use super::told::{Amended, Correction};
use super::version::Version;
use super::write::{EncodeFault, Field, Writer};
use crate::orders::References;

/// Control material: never a patient's result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ControlRole<'a> {
    /// As its signs name it, or `not named`.
    pub level: &'a str,
    /// As the print names it, else the only one that is in use.
    pub lot: Option<&'a str>,
    /// The day after which it is not used any more.
    pub expires: Option<Moment>,
}

/// What the maker of an analyzer calls it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Equipment<'a> {
    /// Its serial number.
    pub serial: &'a str,
    /// Its model; may be empty.
    pub model: &'a str,
}

/// An order that a report answers.
#[derive(Clone, Copy, Debug)]
pub struct Ordered<'a> {
    /// What of it goes back.
    pub references: &'a References,
    /// The pads that it asked for.
    pub pads: &'a [Text],
    /// Our number of its results: at most 13 characters, permanent for a report and an order.
    pub filler: &'a str,
}

/// All that one message says.
#[derive(Clone, Copy, Debug)]
pub struct Outgoing<'a> {
    /// MSH-10: the message's name for life.
    pub control_id: &'a str,
    /// When it was built: MSH-7 and OBR-22.
    pub made: Moment,
    /// OBR-3.1: at most 13 characters, permanent for a report and specimen.
    pub filler: &'a str,
    /// Where the layout wants it; empty on control material without an id alone.
    pub specimen: &'a Private,
    /// The analyzer's own test number: OBR-20.
    pub number: Option<&'a str>,
    /// Urgent: OBR-5 or OBR-27 before 2.5, TQ1-9 from 2.5 on.
    pub stat: bool,
    /// When the specimen was collected, if the analyzer knew.
    pub collected: Option<Moment>,
    /// When the strip was read, by the analyzer's clock.
    pub taken: Option<Moment>,
    /// When the report was heard, by our clock.
    pub heard: Moment,
    /// Who ran the strip: OBX-16.
    pub operator: Option<&'a Private>,
    /// Our name for the bench: OBX-18, before 2.5 where the version has room.
    pub analyzer: &'a str,
    /// Sent behind that name where both are known.
    pub equipment: Option<Equipment<'a>>,
    /// What kind of urine it is: SPM-4, OBR-15 before 2.5.
    pub urine: Urine,
    /// Sent in PID when it has both an id and a name.
    pub patient: Option<&'a Patient>,
    /// Set on control material: what the message says of it.
    pub control: Option<ControlRole<'a>>,
    /// The orders that it answers, each with a group of its own for the pads that it asked for; empty: one group of
    /// all pads, without an order. Control material has none.
    pub orders: &'a [Ordered<'a>],
    /// Pads that none of them asked and that go all the same, in a group of their own under the report's own OBR-3.
    pub unordered: Option<&'a [Text]>,
    /// One NTE each: under OBR, or behind the results that they are about.
    pub remarks: &'a [Remark],
    /// In the strip's order; the layout may choose and order otherwise.
    pub observations: &'a [Observation],
}

/// Builds the message: segments ended by CR, unframed.
///
/// The first message under this OBR-3, each result final or not read. An error is one fault, the first
/// that was found.
pub fn result_message(layout: &Layout, out: &Outgoing<'_>) -> Result<Vec<u8>, EncodeFault> {
    let (times, mut groups) = checked(layout, out, None)?;
    groups.retain(|group| !group.results.is_empty());
    if groups.is_empty() {
        let allowed = "at least one observation of an analyte that this receiver takes";
        return Err(EncodeFault::new("OBX", "nothing to send", allowed));
    }
    written(&Scribe { layout, out, times: &times, reason: None, named: None }, &groups)
}

/// Builds the message under an OBR-3 that the receiver was told something under. Without observations
/// it takes all of that back. None: it would say nothing new.
///
/// Each result gets its status by what the receiver has ([`Correction::known`]); the reason goes with
/// it in a note. Of several orders' results those groups go that say something new.
pub fn correction_message(
    layout: &Layout,
    out: &Outgoing<'_>,
    correction: &Correction<'_>,
) -> Result<Option<Vec<u8>>, EncodeFault> {
    let named = correction.named.filter(|_| out.observations.is_empty());
    let (times, groups) = checked(layout, out, named)?;
    if correction.reason.trim().is_empty() {
        let allowed = "the reason, in words for those who read it";
        return Err(EncodeFault::new("NTE-3", "a correction without a reason", allowed));
    }
    let shares = shares(&groups, correction.known)?;
    let mut said = Vec::with_capacity(groups.len());
    for (mut group, (number, known)) in groups.into_iter().zip(shares) {
        group.keep_number(&number);
        let now = group.results.as_told(&Writer::new(layout.charset, 0), out, &times)?;
        group.amended = Amended::new(&known, now, layout.status);
        if group.amended.is_some() {
            said.push(group);
        }
    }
    if said.is_empty() {
        return Ok(None);
    }
    let scribe = Scribe { layout, out, times: &times, reason: Some(correction.reason), named };
    written(&scribe, &said).map(Some)
}

/// What both begin with.
fn checked<'a>(
    layout: &'a Layout,
    out: &Outgoing<'a>,
    named: Option<&Named>,
) -> Result<(Times, Vec<Group<'a>>), EncodeFault> {
    layout.check().map_err(|faults| EncodeFault::of_layout(&faults))?;
    check(layout, out, named)?;
    let groups = Group::all(layout, out)?;
    for (n, group) in groups.iter().enumerate() {
        let (filler, number) = (group.filler, &group.number);
        if filler.is_empty() {
            return Err(EncodeFault::new(FILLER.name, "nothing", "1 to 13 characters"));
        }
        let same = |other: &Group<'_>| {
            other.filler == filler || (number.is_some() && other.number == *number)
        };
        if groups.iter().take(n).any(same) {
            let found = "two orders' results under one number";
            return Err(EncodeFault::new("ORC-3", found, "a number for each order of a message"));
        }
    }
    Ok((Times::new(out)?, groups))
}

fn written(scribe: &Scribe<'_>, groups: &[Group<'_>]) -> Result<Vec<u8>, EncodeFault> {
    let Scribe { layout, out, times, .. } = *scribe;
    let mut w = Writer::new(layout.charset, 512 + 192 * out.observations.len());
    let charset_at = msh(&mut w, layout, out, times)?;
    if layout.segments.sft {
        sft(&mut w);
    }
    match scribe.named {
        Some(named) => named.write(&mut w)?,
        None => patient::patient(&mut w, layout, out)?,
    }
    scribe.write(&mut w, groups)?;
    Ok(layout.with_fixed(w.finish(charset_at)))
}

/// What no field rule can see.
///
/// A patient's result without a specimen id is never written, and neither is control material with a
/// patient.
fn check(layout: &Layout, out: &Outgoing<'_>, named: Option<&Named>) -> Result<(), EncodeFault> {
    if !is_control_id(out.control_id) {
        return Err(EncodeFault::new(
            "MSH-10",
            format!("`{}`", out.control_id.escape_debug()),
            "a control id of 1 to 20 of A-Z a-z 0-9 - _ . that does not begin with a dot",
        ));
    }
    if out.filler.is_empty() {
        return Err(EncodeFault::new(FILLER.name, "nothing", "1 to 13 characters"));
    }
    if out.specimen.is_empty() && out.control.is_none() {
        let field = layout.specimen_in.field();
        return Err(EncodeFault::new(field, "no specimen id", "a patient's result has one"));
    }
    if out.control.is_some() && !(out.orders.is_empty() && out.unordered.is_none()) {
        let allowed = "either; control material never gets anything of an order";
        return Err(EncodeFault::new("ORC", "an order in a report of control material", allowed));
    }
    let ids =
        || out.orders.iter().map(|order| &order.references.patient_id).filter(|id| id.is_said());
    if named.is_none() && ids().any(|id| Some(id) != ids().next()) {
        let found = "orders of two patients for one report";
        return Err(EncodeFault::new("PID", found, "orders of the patient whose specimen it is"));
    }
    if out.control.is_some() && out.patient.is_some() {
        return Err(EncodeFault::new(
            "PID",
            "a patient in a report of control material",
            "either; a report that shows signs of both is held, not sent",
        ));
    }
    if out.patient.is_some() && layout.specimen_in.pid_3 {
        return Err(EncodeFault::new(
            "PID-3",
            "a patient's id beside the specimen's, which says neither who gave it nor of which kind it is",
            "either; the specimen id stands in another field where patients are told",
        ));
    }
    if out.control.is_some() && layout.version == Version::V231 {
        return Err(EncodeFault::new(
            "OBR-15",
            "control material for a receiver of version 2.3.1",
            "2.4 or later: before, no field tells control material from a patient's specimen",
        ));
    }
    Ok(())
}

/// The message's times, written once.
///
/// As digits, each checked to be real.
pub(super) struct Times {
    pub(super) made: String,
    pub(super) observed: String,
    pub(super) collected: String,
    pub(super) taken: String,
}

impl Times {
    fn new(out: &Outgoing<'_>) -> Result<Times, EncodeFault> {
        let digits = |field, moment: Option<Moment>| match moment {
            None => Ok(String::new()),
            Some(moment) if moment.is_real() => Ok(moment.digits()),
            Some(moment) => Err(EncodeFault::new(
                field,
                format!("`{}`", moment.digits()),
                "a day that the calendar has and a time that the clock has",
            )),
        };
        let taken = digits("OBX-19", out.taken)?;
        let collected = digits("OBR-7", out.collected)?;
        let observed = match (out.collected, out.taken) {
            (Some(_), _) => collected.clone(),
            (None, Some(_)) => taken.clone(),
            (None, None) => digits("OBR-7", Some(out.heard))?,
        };
        Ok(Times { made: digits("MSH-7", Some(out.made))?, observed, collected, taken })
    }
}

/// Returns where MSH-18 would follow, and how many fields after the last one written.
fn msh(
    w: &mut Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
    times: &Times,
) -> Result<(usize, usize), EncodeFault> {
    w.segment("MSH");
    w.plain("|^~\\&");
    let parties = [
        (["MSH-3.1", "MSH-3.2"], &layout.sending_application),
        (["MSH-4.1", "MSH-4.2"], &layout.sending_facility),
        (["MSH-5.1", "MSH-5.2"], &layout.receiving_application),
        (["MSH-6.1", "MSH-6.2"], &layout.receiving_facility),
    ];
    for ([name_field, universal_field], Party { name, universal, kind }) in parties {
        w.fields(1);
        w.words(Field::new(name_field, 20), name)?;
        if !universal.is_empty() {
            w.component();
            w.id(Field::new(universal_field, 199), universal)?;
            w.component();
            w.plain(kind);
        }
    }
    w.fixed(1, &times.made);
    // 2.3.1 has 7 characters here: no room for the structure.
    let kind = match (layout.structure, layout.version) {
        (Structure::Oul, _) => "OUL^R22^OUL_R22",
        (Structure::Oru, Version::V231) => "ORU^R01",
        (Structure::Oru, _) => "ORU^R01^ORU_R01",
    };
    w.fixed(2, kind);
    w.fixed(1, out.control_id);
    w.fixed(1, layout.processing.text());
    w.fixed(1, layout.version.text());
    let mut bars = 6;
    if let Some([accept, application]) = layout.acknowledge.codes() {
        w.fixed(3, accept);
        w.fixed(1, application);
        bars = 2;
    }
    let at = w.position();
    if layout.profile.is_empty() {
        return Ok((at, bars));
    }
    // Checked with the layout: nothing in it needs an escape, and its separators are meant.
    w.fixed(bars + 3, &layout.profile);
    Ok((at + bars, 0))
}

/// Who wrote the message.
fn sft(w: &mut Writer) {
    w.segment("SFT");
    for text in ["Wickline", env!("CARGO_PKG_VERSION"), "WICKLINE", env!("CARGO_PKG_VERSION")] {
        w.fixed(1, text);
    }
}
