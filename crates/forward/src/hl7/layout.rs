//! How one receiver wants its messages: version, names, and where things go.
//!
//! [`Layout::new`] is what most take. Each method that sets something takes the text of a
//! configuration and says what is wrong with it; [`Layout::check`] sees what only the whole can show.
//!
//! A layout says where things go and how they are called, and nothing about what they are: values, units and flags
//! come decided. Whatever a configuration can say wrong is found before the first message, by the setters where the
//! word itself is wrong and by the check where two words do not go together or a version has no such field.

mod check;
mod choices;
mod fixed;
mod identifiers;
mod names;
mod systems;

use wickline_normalize::{Content, Finality, Observation};

pub use check::LayoutFault;
pub use choices::{
    EndAs, FillerNumber, GradeAs, GradeCodes, Names, OrderedPatient, Segments, SpecimenIn,
    Structure,
};
pub use fixed::FixedField;
pub use names::{Name, Party};

use super::version::{Acknowledge, Charset, Processing, Version};

/// OBR-4 when results carry codes of the method "automated test strip".
#[must_use]
pub fn panel_automated() -> Name {
    panel("50556-0", "Urinalysis dipstick panel - Urine by Automated test strip")
}

/// OBR-4 when results carry codes of the method "test strip".
#[must_use]
pub fn panel_manual() -> Name {
    panel("24357-6", "Urinalysis macro (dipstick) panel - Urine")
}

fn panel(code: &str, text: &str) -> Name {
    Name { code: code.into(), text: text.into(), system: "LN".into() }
}

/// Which observations of an analyte something is said of.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
enum Part {
    Any,
    Grade,
    Number,
}

/// What a receiver wants otherwise for one analyte, or for its grade or its number alone.
#[derive(Clone, Debug, PartialEq, Eq)]
struct Special {
    analyte: String,
    part: Part,
    name: Option<Name>,
    names: Option<Names>,
    grade_as: Option<GradeAs>,
    end_as: Option<EndAs>,
}

/// How one observation is told.
pub(super) struct Manner<'a> {
    /// The receiver's own name for it.
    pub name: Option<&'a Name>,
    pub names: Names,
    pub grade_as: GradeAs,
    pub end_as: EndAs,
}

/// How one receiver wants its messages.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Layout {
    /// MSH-12, and everything that differs by it.
    pub version: Version,
    /// MSH-9.
    pub structure: Structure,
    /// MSH-3.
    pub sending_application: Party,
    /// MSH-4: the site's short name.
    pub sending_facility: Party,
    /// MSH-5.
    pub receiving_application: Party,
    /// MSH-6.
    pub receiving_facility: Party,
    /// MSH-11.
    pub processing: Processing,
    /// Which fields carry the specimen id.
    pub specimen_in: SpecimenIn,
    /// OBR-4.1 to 3.
    pub panel: Name,
    /// OBR-4.4 to 6.
    pub panel_local: Option<Name>,
    /// The coding system of our own codes: `99WKL`, or `L` before 2.4.
    pub local_system: String,
    /// OBX-3: published and local names.
    pub names: Names,
    /// OBX-5 of grades: our own codes and SNOMED CT's.
    pub grade_codes: GradeCodes,
    /// OBX-2 of grades.
    pub grade_as: GradeAs,
    /// OBX-2 of numbers with a comparator.
    pub end_as: EndAs,
    /// Those that may be left out.
    pub segments: Segments,
    /// MSH-18: what goes beyond ASCII.
    pub charset: Charset,
    /// OBX-11 and OBR-25 of what was not told before.
    pub status: Finality,
    /// Who gave the specimen ids: behind the id in SPM-2.1 and OBR-2.
    pub specimen_namespace: Party,
    /// Who gave the patients' ids (PID-3.4), and of which kind they are (PID-3.5, table 0203).
    pub patient_authority: Party,
    /// Table 0203; empty: it is not said.
    pub patient_id_type: String,
    /// Who named the analyzers: OBX-18.2.
    pub equipment_namespace: String,
    /// OBR-7 stays empty: outside the standard, where a report must have it.
    pub observed_left_out: bool,
    /// OBX-4 stands in every OBX, so that a result has the same place whatever stands beside it. False: only where
    /// two results of one message share a name, and always in 2.3.1.
    pub sub_ids: bool,
    /// MSH-15 and MSH-16.
    pub acknowledge: Acknowledge,
    /// MSH-21: `ID^NAMESPACE^UNIVERSAL^KIND`, several with `~` between them; before 2.5 only `ID`.
    pub profile: String,
    /// OBR-3 and ORC-3 of an order's results.
    pub filler: FillerNumber,
    /// PID and PV1 of an order's results.
    pub ordered_patient: OrderedPatient,
    /// Analytes in the order they go out; `*` stands for all others. Empty: all, in the strip's order.
    order: Vec<String>,
    /// Those of a whole analyte before those of its grade or number, which overrule them.
    special: Vec<Special>,
    fixed: Vec<FixedField>,
}

impl Layout {
    /// A layout with every default of its version: production, automated panel, CE.
    ///
    /// `site` is MSH-4, `application` and `facility` are MSH-5 and MSH-6. Nothing is checked here.
    #[must_use]
    pub fn new(version: Version, site: &str, application: &str, facility: &str) -> Layout {
        Layout {
            version,
            structure: Structure::Oru,
            sending_application: Party::of("WICKLINE"),
            sending_facility: Party::of(site),
            receiving_application: Party::of(application),
            receiving_facility: Party::of(facility),
            processing: Processing::Production,
            specimen_in: SpecimenIn::by_version(version),
            panel: panel_automated(),
            panel_local: None,
            local_system: if version == Version::V231 { "L" } else { "99WKL" }.into(),
            names: Names::default(),
            grade_codes: GradeCodes::default(),
            grade_as: GradeAs::default(),
            end_as: EndAs::default(),
            segments: Segments::by_version(version),
            charset: Charset::by_version(version),
            status: Finality::default(),
            specimen_namespace: Party::default(),
            patient_authority: Party::default(),
            patient_id_type: String::new(),
            equipment_namespace: String::new(),
            observed_left_out: false,
            sub_ids: false,
            acknowledge: Acknowledge::Original,
            profile: String::new(),
            filler: FillerNumber::default(),
            ordered_patient: OrderedPatient::default(),
            order: Vec::new(),
            special: Vec::new(),
            fixed: Vec::new(),
        }
    }

    /// Sends or leaves out a segment: `ORC`, `SPM`, `SFT` or `NTE`.
    ///
    /// The error lists the four.
    pub fn set_segment(&mut self, name: &str, sent: bool) -> Result<(), String> {
        let own = match name {
            "ORC" => &mut self.segments.orc,
            "SPM" => &mut self.segments.spm,
            "SFT" => &mut self.segments.sft,
            "NTE" => &mut self.segments.nte,
            _ => {
                return Err(format!(
                    "`{}` is no segment that can be sent or left out; allowed: ORC, SPM, SFT, NTE",
                    name.escape_debug()
                ));
            }
        };
        *own = sent;
        Ok(())
    }

    /// Adds an analyte to those that go out, in this order; `*` stands for all others in the strip's
    /// order. What is not named goes out only if there is a `*`, or if no order is given at all.
    pub fn add_to_order(&mut self, analyte: &str) -> Result<(), String> {
        if analyte != "*" {
            is_id(analyte)?;
        }
        if self.order.iter().any(|known| known == analyte) {
            return Err(format!("`{analyte}` stands in the order already; allowed: each once"));
        }
        self.order.push(analyte.into());
        Ok(())
    }

    /// A receiver's own name for an analyte, `CODE^TEXT^SYSTEM`, in place of our local one. The key is
    /// the analyte's id (`GLU`), or that and what is meant of it (`GLU grade`, `GLU number`).
    ///
    /// The name replaces our local one wherever that would stand.
    pub fn set_name(&mut self, key: &str, name: &str) -> Result<(), String> {
        once(key, &mut self.special(key)?.name, name.parse()?)
    }

    /// Which names of one analyte are sent, in a [`Names`] word; keys as for [`Layout::set_name`].
    pub fn set_names(&mut self, key: &str, names: &str) -> Result<(), String> {
        once(key, &mut self.special(key)?.names, names.parse()?)
    }

    /// How one analyte's grade is sent, in a [`GradeAs`] word.
    pub fn set_grade_as(&mut self, analyte: &str, kind: &str) -> Result<(), String> {
        once(analyte, &mut self.special(analyte)?.grade_as, kind.parse()?)
    }

    /// How one analyte's value with a comparator is sent, in an [`EndAs`] word.
    pub fn set_end_as(&mut self, analyte: &str, kind: &str) -> Result<(), String> {
        once(analyte, &mut self.special(analyte)?.end_as, kind.parse()?)
    }

    /// Writes one field always the same: `set_fixed("OBR-24", "LAB")`, or empty. Only fields that hold
    /// no result, id, time or status; the error says why another may not be set.
    pub fn set_fixed(&mut self, field: &str, value: &str) -> Result<(), String> {
        let fixed = FixedField::new(field, value)?;
        if self.fixed.iter().any(|known| known.same_place(&fixed)) {
            return Err(format!("`{field}` is set already; allowed: each field once"));
        }
        self.fixed.push(fixed);
        Ok(())
    }

    /// The receiver's own name for what an analyte says, as a number or as a grade.
    #[must_use]
    pub fn own_name(&self, analyte: &str, number: bool) -> Option<&Name> {
        self.manner_of(analyte, if number { Part::Number } else { Part::Grade }).name
    }

    /// True for an analyte that the order does not let out.
    #[must_use]
    pub fn leaves_out(&self, analyte: &str) -> bool {
        self.place(analyte).is_none()
    }

    fn special(&mut self, key: &str) -> Result<&mut Special, String> {
        let (analyte, part) = match key.split_once(' ') {
            None => (key, Part::Any),
            Some((analyte, "grade")) => (analyte, Part::Grade),
            Some((analyte, "number")) => (analyte, Part::Number),
            Some(_) => {
                return Err(format!(
                    "`{}` names no part of an analyte; allowed: ID, ID grade, ID number",
                    key.escape_debug()
                ));
            }
        };
        is_id(analyte)?;
        let known = self.special.iter().position(|s| s.analyte == analyte && s.part == part);
        let at = known.unwrap_or_else(|| {
            let at = self.special.partition_point(|s| s.part <= part);
            let analyte = analyte.to_owned();
            let none = (None, None, None, None);
            let (name, names, grade_as, end_as) = none;
            self.special.insert(at, Special { analyte, part, name, names, grade_as, end_as });
            at
        });
        Ok(&mut self.special[at])
    }

    /// How one observation is told.
    pub(super) fn manner(&self, observation: &Observation) -> Manner<'_> {
        let part = match observation.content {
            Content::Number { .. }
            | Content::Range { .. }
            | Content::Unread { number: true, .. } => Part::Number,
            Content::Grade { .. } | Content::Unread { number: false, .. } => Part::Grade,
        };
        self.manner_of(observation.pad(), part)
    }

    fn manner_of(&self, analyte: &str, part: Part) -> Manner<'_> {
        let mut manner =
            Manner { name: None, names: self.names, grade_as: self.grade_as, end_as: self.end_as };
        for own in &self.special {
            if own.analyte == analyte && matches!(own.part, p if p == Part::Any || p == part) {
                manner.name = own.name.as_ref().or(manner.name);
                manner.names = own.names.unwrap_or(manner.names);
                manner.grade_as = own.grade_as.unwrap_or(manner.grade_as);
                manner.end_as = own.end_as.unwrap_or(manner.end_as);
            }
        }
        manner
    }

    /// The place of an analyte among those that go out. None: it does not.
    pub(super) fn place(&self, analyte: &str) -> Option<usize> {
        let named = |id: &str| self.order.iter().position(|known| known == id);
        if self.order.is_empty() { Some(0) } else { named(analyte).or_else(|| named("*")) }
    }

    /// The form of IHE's analyzer profile: its transaction of results is LAB-29, an OUL^R22.
    pub(super) fn is_of_analyzers(&self) -> bool {
        self.names_lab_29() && self.structure == Structure::Oul
    }

    fn names_lab_29(&self) -> bool {
        self.profile.split('~').any(|one| one.split('^').next() == Some("LAB-29"))
    }

    /// True when observations go out as they come.
    pub(super) fn keeps_order(&self) -> bool {
        self.order.is_empty()
    }

    /// The message with the fields that this receiver wants always the same.
    pub(super) fn with_fixed(&self, message: Vec<u8>) -> Vec<u8> {
        if self.fixed.is_empty() { message } else { fixed::apply(&message, &self.fixed) }
    }
}

/// What is said of one thing twice would be one word silently over the other.
fn once<T>(key: &str, place: &mut Option<T>, value: T) -> Result<(), String> {
    if place.is_some() {
        return Err(format!("`{key}` stands there already; allowed: each once"));
    }
    *place = Some(value);
    Ok(())
}

fn is_id(analyte: &str) -> Result<(), String> {
    let plain = |b: u8| b.is_ascii_alphanumeric() || b == b'-' || b == b'_';
    if (1..=20).contains(&analyte.len()) && analyte.bytes().all(plain) {
        return Ok(());
    }
    Err(format!(
        "`{}` is no id of an analyte; allowed: the id of a pad, such as GLU",
        analyte.chars().take(40).collect::<String>().escape_debug()
    ))
}
