//! What a laboratory has said about one source of orders, and which field holds what there.

use wickline_normalize::report::Text;

use super::fault::Location;
use crate::hl7::{Charset, Version};

/// Whose rules a source keeps to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Profile {
    /// Plain HL7: what is sent again is taken again.
    #[default]
    Hl7,
    /// IHE's analyzer profile.
    Law,
}

/// What names an order of this source.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum OrderKey {
    /// The placer's number.
    #[default]
    Placer,
    /// The placer's number names a whole request: the test makes it an order's.
    PlacerAndTest,
    /// The filler's number.
    Filler,
}

/// The one place of the specimen id: no other is looked at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SpecimenFrom {
    /// SPM-2.1, before 2.5 SAC-3, and OBR-2 in 2.3.1.
    #[default]
    ByVersion,
    /// The placer's half.
    Spm2Placer,
    /// The filler's half.
    Spm2Filler,
    /// The container.
    Sac3,
    /// The placer's number.
    Obr2,
    /// The filler's number.
    Obr3,
    /// The number of the whole request.
    Orc4,
    /// The placer's own field.
    Obr18,
}

impl SpecimenFrom {
    /// What a version has.
    #[must_use]
    pub fn in_version(self, version: Version) -> SpecimenFrom {
        match (self, version) {
            (SpecimenFrom::ByVersion, Version::V231) => SpecimenFrom::Obr2,
            (SpecimenFrom::ByVersion, Version::V24) => SpecimenFrom::Sac3,
            (SpecimenFrom::ByVersion, _) => SpecimenFrom::Spm2Placer,
            (one, _) => one,
        }
    }

    /// Where it stands, for an answer that says so.
    pub(super) fn place(self, nth: usize) -> Location {
        match self {
            SpecimenFrom::ByVersion | SpecimenFrom::Spm2Placer => {
                Location::new("SPM", nth, 2).at(1)
            }
            SpecimenFrom::Spm2Filler => Location::new("SPM", nth, 2).at(2),
            SpecimenFrom::Sac3 => Location::new("SAC", nth, 3).at(1),
            SpecimenFrom::Obr2 => Location::new("OBR", nth, 2).at(1),
            SpecimenFrom::Obr3 => Location::new("OBR", nth, 3).at(1),
            SpecimenFrom::Orc4 => Location::new("ORC", nth, 4).at(1),
            SpecimenFrom::Obr18 => Location::new("OBR", nth, 18),
        }
    }
}

/// One source of orders.
#[derive(Clone, Debug)]
pub struct Site {
    /// As the configuration names it.
    pub name: String,
    /// Whose rules it keeps to.
    pub profile: Profile,
    /// The versions that it may send.
    pub versions: Vec<Version>,
    /// MSH-3 to MSH-6, where the site says who they are.
    pub parties: [Option<String>; 4],
    /// MSH-11.
    pub processing: String,
    /// The character set of messages that say nothing of theirs.
    pub charset: Option<Charset>,
    /// Segments may end with LF.
    pub lenient_lf: bool,
    /// What names an order.
    pub key: OrderKey,
    /// Where the specimen id stands.
    pub specimen_from: SpecimenFrom,
    /// Codes of OBR-4.1 or OBR-4.4, each with the pads that it means.
    pub tests: Vec<(String, Vec<Text>)>,
    /// Codes of SPM-4 that are urine.
    pub specimen_types: Vec<String>,
    /// Specimen ids of control material.
    pub controls: Vec<String>,
    /// Which repetition of PID-3 counts, by its type (CX.5). None: the first.
    pub patient_type: Option<String>,
    /// An ORC without a code is a new order.
    pub absent_is_new: bool,
    /// Plain acknowledgments instead of an answer for each order.
    pub plain: bool,
    /// `AA` although nothing was taken, where a queue would stop.
    pub refusals_accepted: bool,
    /// Answers name the patient: without one most structures cannot name an order.
    pub echo_patient: bool,
    /// More of a patient than its id is read at all.
    pub keeps_names: bool,
    /// Orders in one message.
    pub max_orders: usize,
}

impl Site {
    /// With what holds where nobody said otherwise.
    #[must_use]
    pub fn new(name: &str) -> Self {
        let types = ["UR", "URC", "URT", "URINM", "URINC", "RANDU", "URINP", "URINN", "USCOP"];
        Self {
            name: name.to_owned(),
            profile: Profile::Hl7,
            versions: vec![Version::V231, Version::V24, Version::V25, Version::V251],
            parties: Default::default(),
            processing: "P".to_owned(),
            charset: None,
            lenient_lf: false,
            key: OrderKey::Placer,
            specimen_from: SpecimenFrom::ByVersion,
            tests: Vec::new(),
            specimen_types: types.map(str::to_owned).to_vec(),
            controls: Vec::new(),
            patient_type: None,
            absent_is_new: false,
            plain: false,
            refusals_accepted: false,
            echo_patient: true,
            keeps_names: true,
            max_orders: 200,
        }
    }
}

/// Whether a text can stand on a label: `[A-Za-z0-9-]{4,20}`, and not one character again and again.
pub(super) fn is_specimen_id(text: &str) -> bool {
    let first = text.bytes().next();
    (4..=20).contains(&text.len())
        && text.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-')
        && text.bytes().any(|b| Some(b) != first)
}
