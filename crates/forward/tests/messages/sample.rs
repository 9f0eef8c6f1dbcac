//! Invented reports of Kestrel Point Clinic, to be written as messages.

use wickline_forward::hl7::{
    ControlRole, Correction, Message, Outgoing, Told, Urine, correction_message, told,
};
use wickline_forward::{EncodeFault, Layout, Version, result_message};
use wickline_normalize::correction::{Known, Sent, learn};
use wickline_normalize::{
    Code, CodeSystem, Comparator, Content, Flag, Moment, Observation, Patient, Private, Remark,
    Unit,
};

pub fn moment(digits: &str) -> Moment {
    Moment::from_digits(digits).expect("a time")
}

fn code(code: &str, text: &str, system: CodeSystem) -> Code {
    Code { code: code.into(), text: text.into(), system }
}

pub fn local(id: &str, text: &str) -> Code {
    code(id, text, CodeSystem::Local)
}

fn observation(loinc: (&str, &str), own: (&str, &str), content: Content) -> Observation {
    Observation {
        reading: 0,
        code: code(loinc.0, loinc.1, CodeSystem::Loinc),
        local: local(own.0, own.1),
        content,
        flag: None,
        reference: None,
    }
}

fn number(comparator: Option<Comparator>, digits: &str, unit: Option<(&str, &str)>) -> Content {
    let unit = unit.map(|(ucum, text)| Unit { ucum: ucum.into(), text: text.into() });
    Content::Number { comparator, digits: digits.into(), unit }
}

pub fn glucose_grade() -> Observation {
    let grade = Content::Grade { code: local("GLU-2P", "2+"), alternate: None };
    let loinc = ("50555-2", "Glucose [Presence] in Urine by Automated test strip");
    Observation {
        flag: Some(Flag::A),
        reference: Some("Negative".into()),
        ..observation(loinc, ("GLU", "Glucose"), grade)
    }
}

pub fn glucose(comparator: Option<Comparator>, digits: &str) -> Observation {
    let loinc = ("53328-1", "Glucose [Mass/volume] in Urine by Automated test strip");
    let content = number(comparator, digits, Some(("mg/dL", "mg/dL")));
    Observation {
        flag: Some(Flag::H),
        reference: Some("<40".into()),
        ..observation(loinc, ("GLU", "Glucose"), content)
    }
}

/// A rung that is a range.
pub fn leukocytes(from: &str, to: &str) -> Observation {
    let loinc = ("58805-3", "Leukocytes [#/volume] in Urine by Automated test strip");
    let unit = Some(Unit { ucum: "{Leu}/uL".into(), text: "Leu/uL".into() });
    let content = Content::Range { from: from.into(), to: to.into(), unit };
    observation(loinc, ("LEU", "Leukocytes"), content)
}

pub fn gravity(comparator: Option<Comparator>, digits: &str) -> Observation {
    let loinc = ("53326-5", "Specific gravity of Urine by Automated test strip");
    observation(loinc, ("SG", "Specific gravity"), number(comparator, digits, None))
}

pub fn acidity() -> Observation {
    let loinc = ("50560-2", "pH of Urine by Automated test strip");
    observation(loinc, ("PH", "pH"), number(None, "6.5", Some(("[pH]", "pH"))))
}

/// Known in our own table only.
pub fn ascorbate() -> Observation {
    let grade = Content::Grade { code: local("ASC-NEG", "neg"), alternate: None };
    Observation {
        code: local("ASC", "Ascorbate"),
        ..observation(("", ""), ("ASC", "Ascorbate"), grade)
    }
}

pub fn unread() -> Observation {
    let content =
        Content::Unread { reason: "pad not read: error text on the print".into(), number: false };
    let loinc = ("57735-3", "Protein [Presence] in Urine by Automated test strip");
    observation(loinc, ("PRO", "Protein"), content)
}

/// Known by its number alone.
pub fn unread_number() -> Observation {
    let content = Content::Unread { reason: "pad not read: ERR".into(), number: true };
    Observation { content, ..gravity(None, "") }
}

pub fn remark(text: &str) -> Remark {
    Remark::new("", text)
}

/// What a test may change about a report.
pub struct Sample {
    pub specimen: Private,
    pub operator: Option<Private>,
    pub patient: Option<Patient>,
    pub remarks: Vec<Remark>,
    pub observations: Vec<Observation>,
}

impl Sample {
    pub fn new(observations: Vec<Observation>) -> Sample {
        Sample {
            specimen: Private::new("KP-004417"),
            operator: Some(Private::new("op7")),
            patient: None,
            remarks: Vec::new(),
            observations,
        }
    }

    pub fn outgoing(&self) -> Outgoing<'_> {
        Outgoing {
            control_id: "KP1-000417",
            made: moment("20260314091502+0100"),
            filler: "KP1-417",
            specimen: &self.specimen,
            number: Some("57"),
            stat: false,
            collected: None,
            taken: Some(moment("20260314091420+0100")),
            heard: moment("20260314091425+0100"),
            operator: self.operator.as_ref(),
            analyzer: "bench-1",
            equipment: None,
            urine: Urine::default(),
            patient: self.patient.as_ref(),
            control: None,
            orders: &[],
            unordered: None,
            remarks: &self.remarks,
            observations: &self.observations,
        }
    }
}

pub fn layout(version: Version) -> Layout {
    Layout::new(version, "KESTRELPOINT", "LIS", "KESTREL")
}

/// The layout of a version, changed.
pub fn changed(version: Version, change: impl FnOnce(&mut Layout)) -> Layout {
    let mut layout = layout(version);
    change(&mut layout);
    layout
}

pub fn level_one() -> ControlRole<'static> {
    ControlRole { level: "1", lot: Some("KELP0226"), expires: Some(moment("20261231")) }
}

pub fn read(version: Version, out: &Outgoing<'_>) -> Message {
    read_with(&layout(version), out)
}

pub fn read_with(layout: &Layout, out: &Outgoing<'_>) -> Message {
    Message::read(&result_message(layout, out).expect("a message")).expect("what we write, we read")
}

pub fn fault(layout: &Layout, out: &Outgoing<'_>) -> EncodeFault {
    result_message(layout, out).expect_err("this must not be written")
}

/// What a receiver knows that accepted these messages.
pub fn knows(messages: &[&[u8]]) -> Vec<Known<Told>> {
    let mut known = Vec::new();
    for message in messages {
        learn(&mut known, told(message).expect("what we write, we read"), Sent::Accepted);
    }
    known
}

/// What follows these under one OBR-3, if it says anything new.
pub fn follows(
    layout: &Layout,
    before: &[&[u8]],
    out: &Outgoing<'_>,
    reason: &str,
) -> Result<Option<Vec<u8>>, EncodeFault> {
    correction_message(layout, out, &Correction { reason, known: &knows(before), named: None })
}
