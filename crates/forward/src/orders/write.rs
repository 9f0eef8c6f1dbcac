//! Writes an answer, in the version and with the separators that we write everything with.

use wickline_normalize::Moment;
use wickline_normalize::orders::Refusal;

use super::answer::{OrderSaid, Said};
use super::envelope::{Envelope, Kind};
use super::fault::Fault;
use super::given::Given;
use super::read::{OrderMessage, Specimen};
use super::site::Site;
use crate::hl7::write::{EncodeFault, Field, Writer};
use crate::hl7::{Version, is_control_id};

/// What is given back as it came was bounded when it was read.
const BACK: Field = Field::private("given back", usize::MAX);
const WORDS: Field = Field::new("ERR-8", 250);
/// HL7 v2.3.1 section 2.24.2.
const MSA_3: usize = 80;
const NUMBER: Field = Field::new("ORC-3.1", 13);

/// Writes one answer. What names a patient falls away where the sender's character set cannot have it: an answer
/// without its orders is one all the same.
pub(super) fn answer(
    envelope: &Envelope,
    said: &Said<'_>,
    site: &Site,
    stamp: (&str, Moment),
) -> Result<Vec<u8>, EncodeFault> {
    let whole = written(envelope, said, site, stamp);
    if whole.is_ok() || said.orders.is_empty() {
        return whole;
    }
    let Said { code, answer, message, .. } = *said;
    let bare = Said { code, faults: said.faults.clone(), answer, orders: Vec::new(), message };
    written(envelope, &bare, site, stamp)
}

fn written(
    envelope: &Envelope,
    said: &Said<'_>,
    site: &Site,
    (control_id, made): (&str, Moment),
) -> Result<Vec<u8>, EncodeFault> {
    if !is_control_id(control_id) {
        return Err(EncodeFault::new("MSH-10", "no control id", "1 to 20 of A-Z a-z 0-9 - _ ."));
    }
    let version = envelope.version.unwrap_or(Version::V251);
    let mut w = Writer::new(envelope.charset, 512);
    let place = head(&mut w, envelope, said, site, (control_id, made))?;
    w.segment("MSA");
    w.fixed(1, said.code.text());
    w.fields(1);
    w.words(Field::new("MSA-2", 199), envelope.control_id.expose())?;
    if !version.has_spm() {
        // Before 2.5 an ERR has no room for words.
        w.fields(1);
        let words = said.faults.first().map_or("", |fault| &fault.words);
        if words.len() <= MSA_3 {
            w.words(Field::new("MSA-3", MSA_3), words)?;
        }
    }
    for fault in &said.faults {
        error(&mut w, version, fault)?;
    }
    if let Some(message) = said.message.filter(|_| !said.orders.is_empty()) {
        orders(&mut w, message, said, site, &made.digits())?;
    }
    Ok(w.finish(place))
}

/// Returns where MSH-18 would follow, and how many fields after the last one written.
fn head(
    w: &mut Writer,
    envelope: &Envelope,
    said: &Said<'_>,
    site: &Site,
    (control_id, made): (&str, Moment),
) -> Result<(usize, usize), EncodeFault> {
    w.segment("MSH");
    w.plain("|^~\\&");
    // Whom it went to answers whom it came from.
    for party in [2, 3, 0, 1] {
        w.fields(1);
        w.written(BACK, envelope.parties.get(party).map_or("", Given::text))?;
    }
    w.fixed(1, &made.digits());
    let version = envelope.version.unwrap_or(Version::V251);
    let event = envelope.event.text();
    let (kind, code) = said.answer.unwrap_or(("ACK", event));
    w.fields(2);
    w.written(BACK, kind)?;
    if !code.is_empty() {
        w.component();
        w.written(BACK, code)?;
        // 2.3.1 has 7 characters here: no room for the structure.
        if version > Version::V231 {
            w.component();
            match said.answer {
                _ if said.is_law(site) => w.plain("ORL_O42"),
                Some((kind, code)) => w.plain(&format!("{kind}_{code}")),
                None => w.plain("ACK"),
            }
        }
    }
    w.fixed(1, control_id);
    w.fields(1);
    w.written(BACK, envelope.processing.text())?;
    w.fixed(1, version.text());
    if !said.is_law(site) {
        return Ok((w.position(), 6));
    }
    // No answer is owed to an answer (HL7 v2.5.1 section 2.9.3).
    w.fixed(3, "NE");
    w.fixed(1, "NE");
    let at = w.position();
    w.fields(5);
    w.written(BACK, envelope.profile.text())?;
    Ok(if envelope.profile.is_empty() { (at, 2) } else { (at + 2, 0) })
}

fn error(w: &mut Writer, version: Version, fault: &Fault) -> Result<(), EncodeFault> {
    let (code, text) = fault.code.row();
    let place = fault.place.map(|place| place.written()).unwrap_or_default();
    w.segment("ERR");
    if version.has_spm() {
        w.fixed(2, &place);
        w.fixed(1, &format!("{code}^{text}^HL70357"));
        w.fixed(1, "E");
        w.fields(1);
        if let Some(refusal) = fault.own {
            reason(w, refusal);
        }
        w.fields(3);
        return w.words(WORDS, &fault.words);
    }
    let mut parts = place.split('^').take(3).chain(["", "", ""]);
    let mut next = || parts.next().unwrap_or("");
    w.fixed(1, &format!("{}^{}^{}^{code}&{text}&HL70357", next(), next(), next()));
    Ok(())
}

/// A patient, and what is said of each order, in the order in which they came.
fn orders(
    w: &mut Writer,
    message: &OrderMessage,
    said: &Said<'_>,
    site: &Site,
    now: &str,
) -> Result<(), EncodeFault> {
    let patient = message.patient.as_ref().filter(|_| site.echo_patient);
    if let Some(patient) = patient {
        w.segment("PID");
        w.fields(3);
        w.written(BACK, patient.field(3).text())?;
        w.fields(2);
        w.written(BACK, patient.field(5).text())?;
    } else if message.kind != Kind::Orm {
        // By the structures from 2.4 on an order can only be named below a patient.
        return Ok(());
    }
    let mut shown = None;
    for order in &said.orders {
        let leads = order.line.specimens.first().filter(|_| message.kind.specimen_leads());
        let group = leads.map(|at| (*at, order.line.container));
        if group.is_some() && group != shown {
            let same_specimen = shown.is_some_and(|(at, _)| Some(at) == group.map(|g| g.0));
            if let Some((specimen, container)) =
                leads.and_then(|at| message.specimens.get(*at)).zip(Some(order.line.container))
            {
                spm(
                    w,
                    specimen,
                    !same_specimen,
                    container.filter(|_| message.kind == Kind::OmlContainers),
                )?;
            }
            shown = group;
        }
        one(w, message.kind, order, now)?;
    }
    Ok(())
}

fn spm(
    w: &mut Writer,
    specimen: &Specimen,
    new: bool,
    container: Option<usize>,
) -> Result<(), EncodeFault> {
    if new {
        w.segment("SPM");
        w.fields(1);
        w.written(BACK, specimen.set.text())?;
        w.fields(1);
        w.written(BACK, specimen.id.text())?;
        w.fields(2);
        w.written(BACK, specimen.kind.text())?;
    }
    for (n, (_, [id, _])) in specimen.containers.iter().enumerate() {
        if container.is_none_or(|own| own == n) {
            w.segment("SAC");
            w.fields(3);
            w.written(BACK, id.text())?;
        }
    }
    Ok(())
}

fn one(w: &mut Writer, kind: Kind, order: &OrderSaid<'_>, now: &str) -> Result<(), EncodeFault> {
    let line = order.line;
    w.segment("ORC");
    w.fixed(1, order.code);
    w.fields(1);
    w.written(BACK, line.placer.text())?;
    w.fields(1);
    filler(w, order)?;
    w.fixed(2, order.progress.unwrap_or(""));
    // ORR is for those who know 2.3.1: it has said no more than this since then.
    w.fixed(4, if kind == Kind::Orm { "" } else { now });
    w.fields(7);
    if let Some(refusal) = order.refusal {
        reason(w, refusal);
    }
    if kind == Kind::OmlOrders {
        return Ok(());
    }
    w.segment("OBR");
    w.fields(1);
    w.written(BACK, line.set.text())?;
    w.fields(1);
    w.written(BACK, line.placer.text())?;
    w.fields(1);
    filler(w, order)?;
    w.fields(1);
    w.written(BACK, line.test.text())
}

/// Ours where there is one, else the one that came.
fn filler(w: &mut Writer, order: &OrderSaid<'_>) -> Result<(), EncodeFault> {
    match order.number {
        Some(number) => {
            w.id(NUMBER, number)?;
            w.component();
            w.plain("WICKLINE");
            Ok(())
        }
        None => w.written(BACK, order.line.filler.text()),
    }
}

fn reason(w: &mut Writer, refusal: Refusal) {
    w.plain(&format!("{}^{}^99WKL", refusal.code(), refusal.words()));
}
