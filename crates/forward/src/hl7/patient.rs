//! PID and PV1: whom a message is about, as an order says it or as the analyzer printed it, never a mixture. What takes
//! a result back names whom that named.
//!
//! Control material has neither. Where an order's patient goes, the printed one does not.

use std::fmt;

use wickline_normalize::{Moment, Patient, Private};

use super::layout::{Layout, OrderedPatient, Party};
use super::read::Message;
use super::report::Outgoing;
use super::version::Version;
use super::write::{EncodeFault, Field, Writer};
use crate::orders::References;

/// The fields of PID by number (HL7 v2.5.1 section 3.4.2). In PID-3 a specimen id may stand; a patient's is PID-3.1.
const PID: [&str; 40] = [
    "PID", "PID-1", "PID-2", "PID-3.1", "PID-4", "PID-5", "PID-6", "PID-7", "PID-8", "PID-9",
    "PID-10", "PID-11", "PID-12", "PID-13", "PID-14", "PID-15", "PID-16", "PID-17", "PID-18",
    "PID-19", "PID-20", "PID-21", "PID-22", "PID-23", "PID-24", "PID-25", "PID-26", "PID-27",
    "PID-28", "PID-29", "PID-30", "PID-31", "PID-32", "PID-33", "PID-34", "PID-35", "PID-36",
    "PID-37", "PID-38", "PID-39",
];
/// Of each repetition. 2.3.1 has 20 for a patient's id, which an id with its authority and kind passes at once: what
/// came in a field of that version goes back in it.
const ORDERED: usize = 250;

/// Whom a kept message named: its PID and PV1 as they were written. It may have named nobody.
#[derive(Clone, Default, PartialEq, Eq)]
pub struct Named {
    segments: Vec<String>,
}

impl Named {
    /// In a message that we made.
    pub fn in_message(message: &[u8]) -> Result<Named, String> {
        let message = Message::read(message)?;
        let named = |line: &&str| line.starts_with("PID|") || line.starts_with("PV1|");
        Ok(Named { segments: message.lines().filter(named).map(str::to_owned).collect() })
    }

    /// Says it again.
    pub(super) fn write(&self, w: &mut Writer) -> Result<(), EncodeFault> {
        for line in &self.segments {
            let (name, rest) = line.split_once('|').unwrap_or((line, ""));
            w.segment(name);
            for cell in rest.split('|') {
                w.fields(1);
                w.written(Field::private("PID", usize::MAX), cell)?;
            }
        }
        Ok(())
    }
}

impl fmt::Debug for Named {
    /// What may be logged: nothing of the patient.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Named").field("segments", &self.segments.len()).finish()
    }
}

/// The patient, where one is known or the receiver files by the specimen id: never for control
/// material.
pub(super) fn patient(
    w: &mut Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
) -> Result<(), EncodeFault> {
    if out.control.is_some() {
        return Ok(());
    }
    match ordered(layout, out) {
        Some(references) => as_ordered(w, layout, references),
        None => as_heard(w, layout, out),
    }
}

/// Whether the message says who the patient is.
pub(super) fn is_told(layout: &Layout, out: &Outgoing<'_>) -> bool {
    out.control.is_none() && (ordered(layout, out).is_some() || heard(out).is_some())
}

/// The order whose patient goes. All of a message's orders are one patient's: that was checked.
fn ordered<'a>(layout: &Layout, out: &Outgoing<'a>) -> Option<&'a References> {
    let wanted = layout.ordered_patient != OrderedPatient::Never;
    let mut all = out.orders.iter().map(|order| order.references).filter(|_| wanted);
    all.find(|references| references.has_patient())
}

fn as_ordered(w: &mut Writer, layout: &Layout, references: &References) -> Result<(), EncodeFault> {
    let short = layout.ordered_patient == OrderedPatient::Short;
    let last = match layout.version {
        Version::V231 => 30,
        Version::V24 => 38,
        Version::V25 | Version::V251 => 39,
    };
    w.segment("PID");
    w.fixed(1, "1");
    let mut at = 1;
    for (n, name) in PID.iter().enumerate().take(last + 1).skip(2) {
        if !short || matches!(n, 3 | 5 | 7 | 8) {
            w.fields(n - at);
            at = n;
            w.given(Field::private(name, ORDERED), &references.patient_field(n))?;
        }
    }
    if short || !references.has_visit() {
        return Ok(());
    }
    w.segment("PV1");
    w.fixed(1, "1");
    w.fields(1);
    w.given(Field::private("PV1-2", ORDERED), &references.visit_class)?;
    w.fields(1);
    w.given(Field::private("PV1-3", ORDERED), &references.visit_location)?;
    w.fields(16);
    w.given(Field::private("PV1-19", ORDERED), &references.visit_number)
}

/// Who a print says it is of: an id and a name together, or nobody.
fn heard<'a>(out: &Outgoing<'a>) -> Option<(&'a Patient, &'a Private, &'a Private)> {
    let patient = out.patient?;
    let (id, name) = (patient.id.as_ref()?, patient.name.as_ref()?);
    // A name of separators alone is none, and PID-5 is required.
    let lacking = id.is_empty() || name.expose().bytes().all(|b| b == b'^');
    (!lacking).then_some((patient, id, name))
}

fn as_heard(w: &mut Writer, layout: &Layout, out: &Outgoing<'_>) -> Result<(), EncodeFault> {
    let known = heard(out);
    let filed = layout.specimen_in.pid_3;
    if known.is_none() && !filed {
        return Ok(());
    }
    w.segment("PID");
    w.fixed(1, "1");
    w.fields(2);
    if filed {
        // CX.1 is 15 long where it has a length of its own, the whole field 20 in 2.3.1.
        let most = if layout.version.has_spm() { 15 } else { 20 };
        w.id(Field::private("PID-3", most), out.specimen.expose())?;
    }
    let Some((patient, id, name)) = known else {
        // PID-5 is required: a name of the type "unspecified" (table 0200) says that none is known.
        w.fixed(2, "^^^^^^U");
        return Ok(());
    };
    person(w, layout, patient, id, name)
}

/// A party as one component: its parts are subcomponents.
pub(super) fn subparts(w: &mut Writer, field: Field, party: &Party) -> Result<(), EncodeFault> {
    w.words(field, &party.name)?;
    if !party.universal.is_empty() {
        w.plain("&");
        w.id(field, &party.universal)?;
        w.plain("&");
        w.plain(&party.kind);
    }
    Ok(())
}

fn person(
    w: &mut Writer,
    layout: &Layout,
    patient: &Patient,
    id: &Private,
    name: &Private,
) -> Result<(), EncodeFault> {
    let before = w.position();
    let of = |what: &'static str| {
        move |fault: EncodeFault| EncodeFault { found: format!("{what}, {}", fault.found), ..fault }
    };
    w.id(Field::private("PID-3.1", 15), id.expose()).map_err(of("the patient's id"))?;
    (0..3).for_each(|_| w.component());
    subparts(w, Field::new("PID-3.4", 199), &layout.patient_authority)?;
    w.component();
    w.plain(&layout.patient_id_type);
    // The whole field is that long in 2.3.1, the separators before it with it.
    let most = if layout.version == Version::V231 { 22 } else { 250 };
    let whole = w.position() - before;
    if whole > most {
        let found =
            format!("the patient's id, {} characters with its authority and type", whole - 2);
        let allowed = "20 characters in 2.3.1, 250 after; nothing is cut";
        return Err(EncodeFault::new("PID-3.4", found, allowed));
    }
    w.fields(2);
    // LIS02 writes a name in the order of XPN: family, given, middle, suffix, prefix.
    for (n, part) in name.expose().split('^').enumerate() {
        if n > 0 {
            w.component();
        }
        w.words(Field::private("PID-5", 194), part).map_err(of("the patient's name"))?;
    }
    w.fields(2);
    if let Some(born) = patient.born.as_ref().filter(|b| !b.is_empty()) {
        let born = Moment::from_digits(born.expose()).ok_or_else(|| {
            EncodeFault::new("PID-7", "a date of birth that is no date", "YYYYMMDD")
        })?;
        w.plain(&born.digits());
    }
    w.fields(1);
    if let Some(sex) = patient.sex.as_ref().filter(|s| !s.is_empty()) {
        if !matches!(sex.expose(), "F" | "M" | "O" | "U" | "A" | "N") {
            return Err(EncodeFault::new("PID-8", "a code that is not there", "F M O U A N"));
        }
        w.plain(sex.expose());
    }
    Ok(())
}
