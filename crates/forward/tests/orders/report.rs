//! A report of two pads, and what stands in a message that carries it.

use wickline_forward::hl7::{Message, Ordered, Outgoing, Urine};
use wickline_forward::orders::{Given, Incoming, References, Site, read};
use wickline_forward::{Layout, Version};
use wickline_normalize::report::Text;
use wickline_normalize::{
    Code, CodeSystem, Content, Flag, Moment, Observation, Private, Remark, Unit,
};

use crate::desk::{kept, pads};

pub fn moment(digits: &str) -> Moment {
    Moment::from_digits(digits).expect("a time")
}

fn code(code: &str, text: &str, system: CodeSystem) -> Code {
    Code { code: code.into(), text: text.into(), system }
}

fn named(loinc: [&str; 2], own: [&str; 2], content: Content) -> Observation {
    Observation {
        reading: 0,
        code: code(loinc[0], loinc[1], CodeSystem::Loinc),
        local: code(own[0], own[1], CodeSystem::Local),
        content,
        flag: None,
        reference: None,
    }
}

/// A grade, by its code and its words.
pub fn glucose(grade: &str, words: &str, flag: Flag) -> Observation {
    let content = Content::Grade { code: code(grade, words, CodeSystem::Local), alternate: None };
    let loinc = ["50555-2", "Glucose [Presence] in Urine by Automated test strip"];
    let reference = Some("Negative".into());
    Observation { flag: Some(flag), reference, ..named(loinc, ["GLU", "Glucose"], content) }
}

pub fn acidity(digits: &str) -> Observation {
    let unit = Some(Unit { ucum: "[pH]".into(), text: "pH".into() });
    let content = Content::Number { comparator: None, digits: digits.into(), unit };
    named(["50560-2", "pH of Urine by Automated test strip"], ["PH", "pH"], content)
}

pub fn gravity(digits: &str) -> Observation {
    let content = Content::Number { comparator: None, digits: digits.into(), unit: None };
    let loinc = ["53326-5", "Specific gravity of Urine by Automated test strip"];
    named(loinc, ["SG", "Specific gravity"], content)
}

/// What of the n-th order of a kept message goes back.
pub fn references(name: &str, nth: usize) -> References {
    of(&kept(name), nth)
}

pub fn of(bytes: &[u8], nth: usize) -> References {
    let site = Site::new("lis");
    let Ok(Incoming::Orders(message)) = read(bytes, &site) else { panic!("orders") };
    References::of(&message, &message.orders[nth], &site)
}

/// What a test may say otherwise of a report.
pub struct Report {
    pub id: &'static str,
    pub made: &'static str,
    pub taken: &'static str,
    pub specimen: Private,
    pub number: &'static str,
    pub filler: &'static str,
    pub orders: Vec<(References, Vec<Text>, &'static str)>,
    pub unordered: Option<Vec<Text>>,
    pub observations: Vec<Observation>,
    pub remarks: Vec<Remark>,
}

impl Report {
    pub fn new(orders: Vec<(References, Vec<Text>, &'static str)>) -> Report {
        Report {
            id: "WK-00001212",
            made: "20260314090120+0000",
            taken: "20260314090114+0000",
            specimen: Private::new("KP-20417"),
            number: "17",
            filler: "B1-0314-0017",
            orders,
            unordered: None,
            observations: vec![glucose("G0", "Negative", Flag::N), acidity("6.0")],
            remarks: Vec::new(),
        }
    }

    /// That answers one order with all of its pads.
    pub fn answering(references: References) -> Report {
        Report::new(vec![(references, pads(&["GLU", "PH"]), "B1-0314-0017")])
    }

    /// Hands the message's words to whoever writes it.
    pub fn with<T>(&self, write: impl FnOnce(&Outgoing<'_>) -> T) -> T {
        let of = |order: &'_ (References, Vec<Text>, &'static str)| order.2;
        let orders: Vec<Ordered<'_>> = self
            .orders
            .iter()
            .map(|order| Ordered { references: &order.0, pads: &order.1, filler: of(order) })
            .collect();
        write(&Outgoing {
            control_id: self.id,
            made: moment(self.made),
            filler: self.filler,
            specimen: &self.specimen,
            number: Some(self.number),
            stat: false,
            collected: None,
            taken: Some(moment(self.taken)),
            heard: moment(self.taken),
            operator: None,
            analyzer: "BENCH-1",
            equipment: None,
            urine: Urine::default(),
            patient: None,
            control: None,
            orders: &orders,
            unordered: self.unordered.as_deref(),
            remarks: &self.remarks,
            observations: &self.observations,
        })
    }

    pub fn written(&self, layout: &Layout) -> Message {
        let bytes = self.with(|out| wickline_forward::result_message(layout, out));
        Message::read(&bytes.expect("a message")).expect("what we write, we read")
    }

    /// Field and words of what refuses it.
    pub fn refused(&self, layout: &Layout) -> (&'static str, String) {
        let fault = self.with(|out| wickline_forward::result_message(layout, out));
        let fault = fault.expect_err("this must not be written");
        (fault.field, fault.to_string())
    }
}

/// As the vectors have it.
pub fn layout(version: Version, change: impl FnOnce(&mut Layout)) -> Layout {
    let mut layout = Layout::new(version, "KESTRELPOINT", "LIS", "KESTREL");
    if version > Version::V231 {
        layout.equipment_namespace = "WICKLINE".into();
    }
    change(&mut layout);
    layout
}

/// A field of a message as it is kept.
pub fn given(message: &Message, segment: &str, nth: usize, field: usize) -> Given {
    Given::of(message, message.field(segment, nth, field).unwrap_or(""))
}
