//! What of an order goes back with its result, field by field as it came.
//!
//! It is kept with the order, as JSON, and read by later versions: a name stays what it is, and what is missing says
//! nothing. What the laboratory does not need (OBR-13, NTE, DG1, AL1, IN1, what was asked at order entry) is not in it,
//! for it was never read.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use wickline_normalize::Private;

use super::decide::is_urgent;
use super::given::Given;
use super::read::{Line, OrderMessage, Patient, Specimen};
use super::site::{Site, SpecimenFrom};
use crate::hl7::{Message, NAMESPACE, Version};

/// What goes back of one order. `{:?}` shows lengths alone.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct References {
    /// ORC-2 and OBR-2.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub placer: Given,
    /// The filler number that it brought: ORC-3 and OBR-3, where the receiver wants it.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub filler: Given,
    /// ORC-4.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub group: Given,
    /// OBR-29.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub parent: Given,
    /// OBR-16 and ORC-12.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub provider: Given,
    /// ORC-21.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub facility: Given,
    /// OBR-4, all of its parts.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub test: Given,
    /// OBR-18.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub placer_field_1: Given,
    /// OBR-19.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub placer_field_2: Given,
    /// TQ1-9, before 2.5 OBR-5 and OBR-27.6: the code alone.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub priority: Given,
    /// OBR-7, where the specimen does not say when it was collected.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub collected: Given,
    /// OBR-15, before 2.5.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub source: Given,
    /// One of them was measured.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub specimens: Vec<SpecimenReferences>,
    /// Whose order it is: the patient's id with who gave it.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub patient_id: Given,
    /// Fields of PID by number.
    #[serde(skip_serializing_if = "BTreeMap::is_empty")]
    pub patient: BTreeMap<usize, Given>,
    /// PV1-2.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub visit_class: Given,
    /// PV1-3.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub visit_location: Given,
    /// PV1-19.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub visit_number: Given,
}

/// What goes back of one specimen.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(default)]
pub struct SpecimenReferences {
    /// Its id in the one place that its source has for it, to be found by.
    #[serde(skip_serializing_if = "Private::is_empty")]
    pub label: Private,
    /// SPM-2, both halves.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub id: Given,
    /// SPM-4.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub kind: Given,
    /// SPM-11.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub role: Given,
    /// SPM-17.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub collected: Given,
    /// SAC-3.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub container: Given,
    /// SAC-4.
    #[serde(skip_serializing_if = "Given::is_empty")]
    pub primary_container: Given,
}

/// What is to be erased is not said: a result erases nothing.
fn said(given: &Given) -> Given {
    if given.is_said() { given.clone() } else { Given::default() }
}

impl References {
    /// Of one order of a message.
    #[must_use]
    pub fn of(message: &OrderMessage, line: &Line, site: &Site) -> References {
        let version = message.envelope.version.unwrap_or(Version::V251);
        let from = site.specimen_from.in_version(version);
        let time = |given: &Given| zoned(&said(given), message.envelope.offset);
        let specimens = message.specimens_of(line).enumerate();
        let [back_1, back_2] = &line.back;
        let visit = message.visit.clone().unwrap_or_default();
        let [visit_class, visit_location, visit_number] = visit.each_ref().map(said);
        let references = References {
            placer: said(&line.placer),
            filler: said(&line.filler),
            group: said(&line.group),
            parent: said(&line.parent),
            provider: said(&line.provider),
            facility: said(&line.facility),
            test: said(&line.test),
            placer_field_1: said(back_1),
            placer_field_2: said(back_2),
            priority: said(&line.priority),
            collected: time(&line.observed),
            source: said(&line.source),
            specimens: specimens
                .map(|(n, specimen)| {
                    // The order names a container of its first specimen alone.
                    let container = line.container.filter(|_| n == 0).unwrap_or(0);
                    let own = specimen_references(specimen, container, from);
                    SpecimenReferences { collected: time(&own.collected), ..own }
                })
                .collect(),
            visit_class,
            visit_location,
            visit_number,
            ..References::default()
        };
        match &message.patient {
            Some(patient) => references.with_patient(patient),
            None => references,
        }
    }

    /// With another patient's fields in place of those that it had, after a merge or a changed name.
    #[must_use]
    pub fn with_patient(self, patient: &Patient) -> References {
        let fields = patient.fields.iter().filter(|(_, field)| field.is_said()).cloned();
        let patient_id = Given::kept(patient.person.id.expose());
        References { patient_id, patient: fields.collect(), ..self }
    }

    /// Under the patient's id that it had `before`: whoever else describes that patient may still go by an id that was
    /// merged away.
    #[must_use]
    pub fn with_id_of(mut self, before: &References) -> References {
        self.patient_id = before.patient_id.clone();
        for n in [2, 3, 4] {
            self.patient.remove(&n);
            self.patient.extend(before.patient.get(&n).map(|own| (n, own.clone())));
        }
        self
    }

    /// Of the patient of these: two orders of one whom a merge made one.
    #[must_use]
    pub fn with_patient_of(self, one: &References) -> References {
        References { patient_id: one.patient_id.clone(), patient: one.patient.clone(), ..self }
    }

    /// Without what says who the patient is, and where.
    #[must_use]
    pub fn without_patient(self) -> References {
        References {
            patient_id: Given::default(),
            patient: BTreeMap::new(),
            visit_class: Given::default(),
            visit_location: Given::default(),
            visit_number: Given::default(),
            ..self
        }
    }

    /// Somebody waits for it.
    #[must_use]
    pub fn is_urgent(&self) -> bool {
        is_urgent(&self.priority)
    }

    /// It names a patient: an id and a name.
    #[must_use]
    pub fn has_patient(&self) -> bool {
        [3, 5].iter().all(|n| self.patient.get(n).is_some_and(Given::is_said))
    }

    /// It says something of the visit.
    #[must_use]
    pub fn has_visit(&self) -> bool {
        [&self.visit_class, &self.visit_location, &self.visit_number].iter().any(|v| v.is_said())
    }

    /// The filler number that it brought. One that brings a number of ours back has none of its own.
    #[must_use]
    pub fn own_number(&self) -> Option<&Given> {
        Some(&self.filler).filter(|own| own.is_said() && own.value(2) != NAMESPACE)
    }

    /// Whether a message that we made names this order: its number in an OBR-2. None: that cannot be said.
    #[must_use]
    pub fn named_in(&self, made: &[u8]) -> Option<bool> {
        let message = Message::read(made).ok().filter(|_| self.placer.is_said())?;
        let is_ours = |nth| {
            let placer = message.field("OBR", nth, 2);
            placer.is_some_and(|field| Given::of(&message, field) == self.placer)
        };
        Some((1..=message.count("OBR")).any(is_ours))
    }

    /// A field of PID.
    #[must_use]
    pub fn patient_field(&self, n: usize) -> Given {
        self.patient.get(&n).cloned().unwrap_or_default()
    }

    /// The specimen that was measured: the only one, else the one that is called so. None among several: no one is, or
    /// not one alone.
    #[must_use]
    pub fn specimen(&self, id: &Private) -> Option<&SpecimenReferences> {
        if let [only] = &self.specimens[..] {
            return Some(only);
        }
        let mut called = self.specimens.iter().filter(|specimen| specimen.label == *id);
        called.next().filter(|_| called.next().is_none())
    }
}

fn specimen_references(
    specimen: &Specimen,
    container: usize,
    from: SpecimenFrom,
) -> SpecimenReferences {
    let container = specimen.containers.get(container);
    let [container, primary_container] =
        container.map(|(_, sac)| sac.each_ref().map(said)).unwrap_or_default();
    let label = match from {
        SpecimenFrom::Spm2Filler => specimen.id.value(2),
        SpecimenFrom::Sac3 => container.value(1),
        _ => specimen.id.value(1),
    };
    SpecimenReferences {
        label: Private::new(label),
        id: said(&specimen.id),
        kind: said(&specimen.kind),
        role: said(&specimen.role),
        collected: said(&specimen.collected),
        container,
        primary_container,
    }
}

/// A time without a zone is in its message's (HL7 v2.5.1 section 2.A.77): in ours it would be in ours.
fn zoned(given: &Given, offset: Option<i16>) -> Given {
    let Some(offset) = offset else { return given.clone() };
    let sign = if offset < 0 { '-' } else { '+' };
    let minutes = offset.unsigned_abs();
    let zone = format!("{sign}{:02}{:02}", minutes / 60, minutes % 60);
    let one = |text: &str| {
        let bare = text.len() >= 10 && text.bytes().all(|b| b.is_ascii_digit() || b == b'.');
        if bare { format!("{text}{zone}") } else { text.to_owned() }
    };
    let parts: Vec<String> = given.text().split('^').map(one).collect();
    Given::kept(&parts.join("^"))
}
