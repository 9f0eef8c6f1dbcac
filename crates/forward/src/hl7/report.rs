//! The result message: one report of one strip for one receiver, as ORU^R01 or OUL^R22.
//!
//! Fields and their lengths: HL7 v2.5.1 chapters 2, 4, 7 and 13, and what 2.3.1, 2.4 and 2.5 do
//! otherwise. Which code, unit and value go together was decided before; here they are only written.
//!
//! A message is refused, with the field and what is allowed, where it would say less than the report does: an id too
//! long for its field, a character that the character set does not have, control material for a version that cannot
//! tell it from a patient's specimen. Control material never gets a PID, whatever the print says.

use wickline_normalize::{Moment, Observation, Patient, Private, Remark, ResultStatus};

use super::is_control_id;
use super::layout::{Layout, Party, Structure};
use super::material;
use super::results::{Notes, OBR_4, Results, Triplet, coded};
use super::specimen::Urine;
use super::told::{Amended, Correction};
use super::version::Version;
use super::write::{EncodeFault, Field, Writer};

/// The namespace of our own ids.
const NAMESPACE: &str = "^WICKLINE";
/// OBR-3 is 22 long and its namespace takes 9.
const FILLER: Field = Field::new("OBR-3.1", 13);
const OBR_3: usize = 22;

/// ORC-2 is the same: a fault of either is told of this one.
const PLACER: Field = Field::private("OBR-2", 22);

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
    let Checked { times, results } = checked(layout, out)?;
    if results.is_empty() {
        let allowed = "at least one observation of an analyte that this receiver takes";
        return Err(EncodeFault::new("OBX", "nothing to send", allowed));
    }
    written(layout, out, &times, &results, None)
}

/// Builds the message under an OBR-3 that the receiver was told something under. Without observations
/// it takes all of that back. None: it would say nothing new.
///
/// Each result gets its status by what the receiver has ([`Correction::known`]); the reason goes with
/// it in a note.
pub fn correction_message(
    layout: &Layout,
    out: &Outgoing<'_>,
    correction: &Correction<'_>,
) -> Result<Option<Vec<u8>>, EncodeFault> {
    let Checked { times, results } = checked(layout, out)?;
    if correction.reason.trim().is_empty() {
        let allowed = "the reason, in words for those who read it";
        return Err(EncodeFault::new("NTE-3", "a correction without a reason", allowed));
    }
    let now = results.as_told(&Writer::new(layout.charset, 0), out, &times)?;
    let Some(amended) = Amended::new(correction, now, layout.status) else { return Ok(None) };
    let word = match amended.status {
        _ if amended.is_withdrawal() => "Withdrawn",
        ResultStatus::Corrected => "Corrected",
        _ => "Changed",
    };
    let note = format!("{word}: {}", correction.reason);
    // What is said of results that are taken back would stay in the record they are taken out of.
    let silent = Outgoing { remarks: &[], ..*out };
    let out = if amended.is_withdrawal() { &silent } else { out };
    written(layout, out, &times, &results, Some((&amended, &note))).map(Some)
}

/// What both begin with.
struct Checked<'a> {
    times: Times,
    results: Results<'a>,
}

fn checked<'a>(layout: &'a Layout, out: &Outgoing<'a>) -> Result<Checked<'a>, EncodeFault> {
    layout.check().map_err(|faults| EncodeFault::of_layout(&faults))?;
    check(layout, out)?;
    Ok(Checked { times: Times::new(out)?, results: Results::new(layout, out.observations) })
}

fn written(
    layout: &Layout,
    out: &Outgoing<'_>,
    times: &Times,
    results: &Results<'_>,
    amended: Option<(&Amended, &str)>,
) -> Result<Vec<u8>, EncodeFault> {
    let mut w = Writer::new(layout.charset, 512 + 192 * out.observations.len());
    let charset_at = msh(&mut w, layout, out, times)?;
    if layout.segments.sft {
        sft(&mut w);
    }
    pid(&mut w, layout, out)?;
    let ids = Ids::new(layout, out);
    let status = amended.map_or(layout.status.status(), |(amended, _)| amended.status).text();
    match layout.structure {
        Structure::Oru => {
            if layout.segments.orc {
                orc(&mut w, &ids)?;
            }
            obr(&mut w, layout, out, times, &ids, status)?;
        }
        Structure::Oul => {
            spm(&mut w, layout, out, times)?;
            if let Some(control) = out.control {
                material::inventory(&mut w, layout, control, called(out), out.taken)?;
            }
            obr(&mut w, layout, out, times, &ids, status)?;
            if layout.segments.orc {
                orc(&mut w, &ids)?;
            }
        }
    }
    notes(&mut w, layout, out, results, amended.map(|(_, note)| note))?;
    if layout.version.has_spm() && out.control.is_none() {
        w.segment("TQ1");
        w.fixed(1, "1");
        w.fixed(8, if out.stat { "S^Stat^HL70485" } else { "R^Routine^HL70485" });
    }
    let count = results.write(&mut w, out, times, amended.map(|(amended, _)| amended))?;
    if layout.structure == Structure::Oru {
        let before = if layout.segments.spm { 0 } else { count };
        if layout.segments.spm {
            spm(&mut w, layout, out, times)?;
        }
        if let Some(control) = out.control {
            material::observations(&mut w, layout, control, before)?;
        }
    }
    Ok(layout.with_fixed(w.finish(charset_at)))
}

/// What a specimen is called: control material without an id goes by its lot, where that fits every place.
fn called<'a>(out: &Outgoing<'a>) -> &'a str {
    let specimen = out.specimen.expose();
    let lot = || out.control.and_then(|control| control.lot).filter(|lot| lot.len() <= PLACER.most);
    if specimen.is_empty() { lot().unwrap_or("") } else { specimen }
}

/// What no field rule can see.
///
/// A patient's result without a specimen id is never written, and neither is control material with a
/// patient.
fn check(layout: &Layout, out: &Outgoing<'_>) -> Result<(), EncodeFault> {
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
    made: String,
    observed: String,
    collected: String,
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

/// The patient, where one is known or the receiver files by the specimen id: never for control
/// material.
fn pid(w: &mut Writer, layout: &Layout, out: &Outgoing<'_>) -> Result<(), EncodeFault> {
    if out.control.is_some() {
        return Ok(());
    }
    let known = out.patient.and_then(|patient| {
        let (id, name) = (patient.id.as_ref()?, patient.name.as_ref()?);
        // A name of separators alone is none, and PID-5 is required.
        let lacking = id.is_empty() || name.expose().bytes().all(|b| b == b'^');
        (!lacking).then_some((patient, id, name))
    });
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
fn subparts(w: &mut Writer, field: Field, party: &Party) -> Result<(), EncodeFault> {
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

/// OBR-2 and OBR-3, which ORC repeats.
struct Ids<'a> {
    placer: &'a str,
    /// The specimen id, where the receiver wants it in OBR-3.
    before: Option<&'a str>,
    filler: &'a str,
    /// Behind the placer's.
    namespace: &'a Party,
}

impl<'a> Ids<'a> {
    fn new(layout: &'a Layout, out: &Outgoing<'a>) -> Self {
        let places = layout.specimen_in;
        let specimen = called(out);
        // Control material may have no specimen id; then our own number stands alone.
        let before = (places.obr_3 && !specimen.is_empty()).then_some(specimen);
        // Control material has no PID for its id to be in.
        let lost = out.control.is_some() && !(places.obr_2 || places.obr_3 || places.spm_2);
        let placer = if places.obr_2 || lost { specimen } else { "" };
        Self { placer, before, filler: out.filler, namespace: &layout.specimen_namespace }
    }

    fn placer(&self, w: &mut Writer) -> Result<(), EncodeFault> {
        w.id(PLACER, self.placer)?;
        let Party { name, universal, kind } = self.namespace;
        if self.placer.is_empty() || name.is_empty() {
            return Ok(());
        }
        let behind = self.namespace.text();
        let whole = self.placer.chars().count() + 1 + behind.chars().count();
        if whole > PLACER.most {
            let found = format!("{whole} characters with the namespace {behind}");
            return Err(EncodeFault::new(PLACER.name, found, "22 characters; nothing is cut"));
        }
        for part in [name, universal, kind].into_iter().take_while(|part| !part.is_empty()) {
            w.component();
            w.words(PLACER, part)?;
        }
        Ok(())
    }

    /// Fields 2 and 3.
    fn write(&self, w: &mut Writer) -> Result<(), EncodeFault> {
        w.fields(1);
        self.placer(w)?;
        w.fields(1);
        let Some(specimen) = self.before else {
            w.id(FILLER, self.filler)?;
            w.plain(NAMESPACE);
            return Ok(());
        };
        // With our number as its namespace the whole is as permanent and as unique as that number.
        if specimen.chars().count() + 1 + self.filler.len() > OBR_3 {
            let count = specimen.chars().count();
            return Err(EncodeFault::new(
                "OBR-3",
                format!("a specimen id of {count} characters before the number {}", self.filler),
                format!("{OBR_3} characters for both and the ^ between them; nothing is cut"),
            ));
        }
        w.id(Field::private("OBR-3", OBR_3), specimen)?;
        w.component();
        w.id(FILLER, self.filler)
    }
}

fn orc(w: &mut Writer, ids: &Ids<'_>) -> Result<(), EncodeFault> {
    w.segment("ORC");
    w.fixed(1, "RE");
    ids.write(w)
}

/// What is said of the whole report: why it corrects, remarks, and which control it is of where no
/// field says so.
fn notes(
    w: &mut Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
    results: &Results<'_>,
    amendment: Option<&str>,
) -> Result<(), EncodeFault> {
    let mut notes = Notes::default();
    notes.write(w, layout, amendment.unwrap_or(""))?;
    for remark in out.remarks.iter().filter(|r| !results.has(r)) {
        notes.remark(w, layout, remark)?;
    }
    if let (Some(control), false) = (out.control, layout.segments.spm) {
        notes.write(w, layout, &material::in_words(control))?;
    }
    Ok(())
}

fn obr(
    w: &mut Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
    times: &Times,
    ids: &Ids<'_>,
    status: &str,
) -> Result<(), EncodeFault> {
    let old = !layout.version.has_spm();
    let priority = if out.stat { "S" } else { "R" };
    w.segment("OBR");
    w.fixed(1, "1");
    ids.write(w)?;
    w.fields(1);
    let local = layout.panel_local.as_ref().map(Triplet::named);
    coded(w, &OBR_4, Triplet::named(&layout.panel), local)?;
    w.fixed(1, if old && out.control.is_none() { priority } else { "" });
    w.fixed(2, if layout.observed_left_out { "" } else { &times.observed });
    w.fields(8);
    if !layout.segments.spm {
        // Table 0070 has no control material; its role (from 2.4) says what it is.
        let urine = out.urine.source();
        w.plain(out.control.map_or(&urine, |_| "^^^^^^Q&Control specimen&HL70369"));
    }
    w.fields(5);
    w.id(Field::new("OBR-20", 60), out.number.unwrap_or(""))?;
    w.fields(1);
    if layout.version == Version::V231 {
        w.id(Field::new("OBR-21", 60), out.analyzer)?;
    }
    w.fixed(1, &times.made);
    w.fixed(3, status);
    if old && out.control.is_none() {
        // OBR-5 was withdrawn in favour of this component; receivers of that age read either.
        w.fixed(2, if out.stat { "^^^^^S" } else { "^^^^^R" });
    }
    Ok(())
}

fn spm(
    w: &mut Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
    times: &Times,
) -> Result<(), EncodeFault> {
    w.segment("SPM");
    w.fixed(1, "1");
    w.fields(1);
    if layout.specimen_in.spm_2 {
        let id = called(out);
        w.id(Field::private("SPM-2", 80), id)?;
        if !(id.is_empty() || layout.specimen_namespace.name.is_empty()) {
            w.plain("&");
            subparts(w, Field::new("SPM-2.1", 80), &layout.specimen_namespace)?;
        }
    }
    let urine = out.urine.coded();
    let (kind, role) = match out.control {
        None => (urine.as_str(), "P^Patient^HL70369"),
        Some(_) => ("QC3^Quality Control^HL70487", "Q^Control specimen^HL70369"),
    };
    w.fixed(2, kind);
    w.fixed(7, role);
    w.fields(3);
    if let Some(control) = out.control {
        w.words(Field::new("SPM-14", 250), &material::in_words(control))?;
    }
    w.fixed(3, &times.collected);
    Ok(())
}
