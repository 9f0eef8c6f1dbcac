//! The result message, ORU^R01: one report of one strip for one receiver.
//!
//! Fields and their lengths: HL7 v2.5.1 chapters 2, 4 and 7, and what 2.3.1, 2.4 and 2.5 do
//! otherwise. Which code, unit and value go together was decided before; here they are only written.

use wickline_normalize::{Code, CodeSystem, Content, Moment, Observation, Patient, Private, Unit};

use super::is_control_id;
use super::layout::{Layout, Version};
use super::write::{EncodeFault, Field, Writer};

/// The namespace of our own ids.
const NAMESPACE: &str = "^WICKLINE";
/// OBR-3 is 22 long and its namespace takes 9.
const FILLER: Field = Field::new("OBR-3.1", 13);

/// ORC-2 is the same: a fault of either is told of this one.
const PLACER: Field = Field::private("OBR-2", 22);

/// OBR-25.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum ReportStatus {
    Final,
    /// Replaces a final report sent before under the same OBR-3.
    Corrected,
}

/// Control material: never a patient's result.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ControlRole<'a> {
    pub level: &'a str,
    pub lot: Option<&'a str>,
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
    pub specimen: &'a Private,
    /// The analyzer's own test number: OBR-20.
    pub number: Option<&'a str>,
    pub stat: bool,
    /// When the specimen was collected, if the analyzer knew.
    pub collected: Option<Moment>,
    /// When the strip was read, by the analyzer's clock.
    pub taken: Option<Moment>,
    /// When the report was heard, by our clock.
    pub heard: Moment,
    pub operator: Option<&'a Private>,
    pub analyzer: &'a str,
    /// Sent in PID when it has both an id and a name.
    pub patient: Option<&'a Patient>,
    pub control: Option<ControlRole<'a>>,
    pub report_status: ReportStatus,
    /// One NTE each, under OBR.
    pub remarks: &'a [String],
    pub observations: &'a [Observation],
}

/// Builds the message: segments ended by CR, unframed.
pub fn oru(layout: &Layout, out: &Outgoing<'_>) -> Result<Vec<u8>, EncodeFault> {
    layout.check()?;
    check(layout, out)?;
    let times = Times::new(out)?;
    let mut w = Writer::new(layout.charset, 512 + 192 * out.observations.len());
    let msh_end = msh(&mut w, layout, out, &times)?;
    if let (Some(patient), None) = (out.patient, out.control) {
        pid(&mut w, patient)?;
    }
    order(&mut w, layout, out, &times)?;
    results(&mut w, layout, out, &times)?;
    if layout.version.has_spm() {
        spm(&mut w, layout, out, &times)?;
    }
    Ok(w.finish(msh_end))
}

/// What no field rule can see.
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
        let field = if layout.specimen_in.in_spm() { "SPM-2" } else { "OBR-2" };
        return Err(EncodeFault::new(field, "no specimen id", "a patient's result has one"));
    }
    if out.control.is_some() && out.patient.is_some() {
        return Err(EncodeFault::new(
            "PID",
            "a patient in a report of control material",
            "either; a report that shows signs of both is held, not sent",
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
struct Times {
    made: String,
    observed: String,
    collected: String,
    taken: String,
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
        (Field::new("MSH-3", 20), &layout.sending_application),
        (Field::new("MSH-4", 20), &layout.sending_facility),
        (Field::new("MSH-5", 20), &layout.receiving_application),
        (Field::new("MSH-6", 20), &layout.receiving_facility),
    ];
    for (field, name) in parties {
        w.fields(1);
        w.words(field, name)?;
    }
    w.fixed(1, &times.made);
    // 2.3.1 has 7 characters here: no room for the structure.
    let kind = if layout.version == Version::V231 { "ORU^R01" } else { "ORU^R01^ORU_R01" };
    w.fixed(2, kind);
    w.fixed(1, out.control_id);
    w.fixed(1, layout.processing.text());
    w.fixed(1, layout.version.text());
    let Some([accept, application]) = layout.acknowledge.codes() else {
        return Ok((w.position(), 6));
    };
    w.fixed(3, accept);
    w.fixed(1, application);
    Ok((w.position(), 2))
}

fn pid(w: &mut Writer, patient: &Patient) -> Result<(), EncodeFault> {
    let (Some(id), Some(name)) = (&patient.id, &patient.name) else { return Ok(()) };
    // A name of separators alone is none, and PID-5 is required.
    if id.is_empty() || name.expose().bytes().all(|b| b == b'^') {
        return Ok(());
    }
    w.segment("PID");
    w.fixed(1, "1");
    w.fields(2);
    w.id(Field::private("PID-3.1", 15), id.expose())?;
    w.fields(2);
    // LIS02 writes a name in the order of XPN: family, given, middle, suffix, prefix.
    for (n, part) in name.expose().split('^').enumerate() {
        if n > 0 {
            w.component();
        }
        w.words(Field::private("PID-5", 194), part)?;
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

/// ORC, OBR, its notes and its priority.
fn order(
    w: &mut Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
    times: &Times,
) -> Result<(), EncodeFault> {
    let placer = if layout.specimen_in.in_obr() { out.specimen.expose() } else { "" };
    w.segment("ORC");
    w.fixed(1, "RE");
    w.fields(1);
    w.id(PLACER, placer)?;
    w.fields(1);
    w.id(FILLER, out.filler)?;
    w.plain(NAMESPACE);
    obr(w, layout, out, times, placer)?;
    let mut notes = Notes::default();
    for remark in out.remarks {
        notes.write(w, remark)?;
    }
    if let (Some(control), false) = (out.control, layout.version.has_spm()) {
        notes.write(w, &about_control(control))?;
    }
    if layout.version.has_spm() && out.control.is_none() {
        w.segment("TQ1");
        w.fixed(1, "1");
        w.fixed(8, if out.stat { "S^Stat^HL70485" } else { "R^Routine^HL70485" });
    }
    Ok(())
}

fn obr(
    w: &mut Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
    times: &Times,
    placer: &str,
) -> Result<(), EncodeFault> {
    let old = !layout.version.has_spm();
    let priority = if out.stat { "S" } else { "R" };
    w.segment("OBR");
    w.fixed(1, "1");
    w.fields(1);
    w.id(PLACER, placer)?;
    w.fields(1);
    w.id(FILLER, out.filler)?;
    w.plain(NAMESPACE);
    w.fields(1);
    coded(w, layout, OBR_4, &layout.panel)?;
    w.fixed(1, if old && out.control.is_none() { priority } else { "" });
    w.fixed(2, &times.observed);
    w.fields(8);
    if old {
        // Table 0070 has no control material; its role (from 2.4) says what it is.
        let urine = "UR^Urine^HL70070";
        w.plain(out.control.map_or(urine, |_| "^^^^^^Q&Control specimen&HL70369"));
    }
    w.fields(5);
    w.id(Field::new("OBR-20", 60), out.number.unwrap_or(""))?;
    w.fields(1);
    if layout.version == Version::V231 {
        w.id(Field::new("OBR-21", 60), out.analyzer)?;
    }
    w.fixed(1, &times.made);
    w.fixed(3, if out.report_status == ReportStatus::Final { "F" } else { "C" });
    if old && out.control.is_none() {
        // OBR-5 was withdrawn in favour of this component; receivers of that age read either.
        w.fixed(2, if out.stat { "^^^^^S" } else { "^^^^^R" });
    }
    Ok(())
}

/// The fields of one coded name.
struct CodedField {
    code: Field,
    text: Field,
}

const OBR_4: CodedField =
    CodedField { code: Field::new("OBR-4.1", 20), text: Field::new("OBR-4.2", 199) };
const OBX_3: CodedField =
    CodedField { code: Field::new("OBX-3.1", 20), text: Field::new("OBX-3.2", 199) };
const OBX_3_LOCAL: CodedField =
    CodedField { code: Field::new("OBX-3.4", 20), text: Field::new("OBX-3.5", 199) };
const OBX_5: CodedField =
    CodedField { code: Field::new("OBX-5.1", 20), text: Field::new("OBX-5.2", 199) };
const OBX_5_ALTERNATE: CodedField =
    CodedField { code: Field::new("OBX-5.4", 20), text: Field::new("OBX-5.5", 199) };

fn coded(
    w: &mut Writer,
    layout: &Layout,
    field: CodedField,
    code: &Code,
) -> Result<(), EncodeFault> {
    if code.code.is_empty() {
        return Err(EncodeFault::new(field.code.name, "no code", "a code with its system"));
    }
    w.id(field.code, &code.code)?;
    w.component();
    w.words(field.text, &code.text)?;
    w.component();
    w.plain(match code.system {
        CodeSystem::Loinc => "LN",
        CodeSystem::SnomedCt => "SCT",
        // `99zzz` came with 2.4.
        CodeSystem::Local if layout.version == Version::V231 => "L",
        CodeSystem::Local => "99WKL",
    });
    Ok(())
}

/// Numbers the NTE of one group.
#[derive(Default)]
struct Notes(usize);

impl Notes {
    fn write(&mut self, w: &mut Writer, text: &str) -> Result<(), EncodeFault> {
        if text.is_empty() {
            return Ok(());
        }
        self.0 += 1;
        w.segment("NTE");
        w.count(self.0);
        w.fixed(1, "L");
        w.fields(1);
        w.formatted(Field::private("NTE-3", 65_536), text)
    }
}

fn results(
    w: &mut Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
    times: &Times,
) -> Result<(), EncodeFault> {
    let origin = origin(w, layout, out, times)?;
    // OBX-4 tells apart results that share a code; 2.3.1 receivers want one always.
    let numbered = layout.version == Version::V231 || any_code_twice(out.observations);
    for (n, observation) in out.observations.iter().enumerate() {
        w.segment("OBX");
        w.count(n + 1);
        w.fixed(1, value_type(layout, &observation.content));
        w.fields(1);
        coded(w, layout, OBX_3, &observation.code)?;
        if observation.code.system != CodeSystem::Local {
            w.component();
            coded(w, layout, OBX_3_LOCAL, &observation.local)?;
        }
        if numbered {
            w.count(
                1 + out.observations.iter().take(n).filter(|o| o.code == observation.code).count(),
            );
        } else {
            w.fields(1);
        }
        value(w, layout, observation)?;
        w.append(&origin);
        if let Content::Unread { reason } = &observation.content {
            Notes::default().write(w, reason)?;
        }
    }
    Ok(())
}

/// What every OBX says alike: who, on which analyzer, when (OBX-14 or OBX-16 to 19).
fn origin(
    w: &Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
    times: &Times,
) -> Result<Writer, EncodeFault> {
    let mut origin = w.apart();
    let old = layout.version == Version::V231;
    origin.fixed(3, if old { &times.taken } else { "" });
    origin.fields(2);
    if let Some(operator) = out.operator {
        origin.id(Field::private("OBX-16.1", 15), operator.expose())?;
    }
    if !old {
        origin.fields(2);
        origin.id(Field::new("OBX-18.1", 22), out.analyzer)?;
        origin.fixed(1, &times.taken);
    }
    Ok(origin)
}

fn value_type(layout: &Layout, content: &Content) -> &'static str {
    match content {
        Content::Grade { .. } | Content::Unread { .. } => layout.coded_type.text(),
        Content::Number { comparator: None, .. } => "NM",
        Content::Number { comparator: Some(_), .. } => "SN",
    }
}

fn any_code_twice(all: &[Observation]) -> bool {
    all.iter().enumerate().any(|(n, one)| all.iter().skip(n + 1).any(|o| o.code == one.code))
}

/// OBX-5 to OBX-11.
fn value(w: &mut Writer, layout: &Layout, observation: &Observation) -> Result<(), EncodeFault> {
    w.fields(1);
    let mut units = None;
    match &observation.content {
        Content::Grade { code, alternate } => {
            coded(w, layout, OBX_5, code)?;
            if let Some(alternate) = alternate {
                w.component();
                coded(w, layout, OBX_5_ALTERNATE, alternate)?;
            }
        }
        Content::Number { comparator, digits, unit } => {
            check_number(digits)?;
            if let Some(comparator) = comparator {
                w.plain(comparator.text());
                w.component();
            }
            w.plain(digits);
            units = unit.as_ref();
        }
        Content::Unread { .. } => {}
    }
    w.fields(1);
    if let Some(Unit { ucum, text }) = units {
        w.id(Field::new("OBX-6.1", 20), ucum)?;
        w.component();
        w.words(Field::new("OBX-6.2", 199), text)?;
        w.component();
        w.plain("UCUM");
    }
    w.fields(1);
    w.words(Field::new("OBX-7", 60), observation.reference.as_deref().unwrap_or(""))?;
    let read = !matches!(observation.content, Content::Unread { .. });
    w.fixed(1, observation.flag.filter(|_| read).map_or("", |flag| flag.text()));
    w.fixed(3, if read { "F" } else { "X" });
    Ok(())
}

/// NM: an optional sign, digits, an optional point; at most 15 characters, so that SN takes it too.
fn check_number(digits: &str) -> Result<(), EncodeFault> {
    let bare = digits.strip_prefix(['+', '-']).unwrap_or(digits);
    let (whole, part) = bare.split_once('.').unwrap_or((bare, "0"));
    let all = |s: &str| !s.is_empty() && s.bytes().all(|b| b.is_ascii_digit());
    if digits.len() <= 15 && all(whole) && all(part) {
        return Ok(());
    }
    let shown: String = digits.chars().take(40).flat_map(char::escape_debug).collect();
    Err(EncodeFault::new(
        "OBX-5",
        format!("`{shown}` as a number"),
        "a sign, digits, a point and digits: at most 15 characters",
    ))
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
    if layout.specimen_in.in_spm() {
        w.id(Field::private("SPM-2", 80), out.specimen.expose())?;
    }
    let (kind, role) = match out.control {
        None => ("UR^Urine^HL70487", "P^Patient^HL70369"),
        Some(_) => ("QC3^Quality Control^HL70487", "Q^Control specimen^HL70369"),
    };
    w.fixed(2, kind);
    w.fixed(7, role);
    w.fields(3);
    if let Some(control) = out.control {
        w.words(Field::new("SPM-14", 250), &about_control(control))?;
    }
    w.fixed(3, &times.collected);
    Ok(())
}

fn about_control(control: ControlRole<'_>) -> String {
    match control.lot {
        Some(lot) => format!("Control level {}, lot {lot}", control.level),
        None => format!("Control level {}", control.level),
    }
}
