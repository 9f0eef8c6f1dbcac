//! What a receiver was promised, by its keys of the configuration: names, types, units, flags, status, order.
//!
//! Read apart from the rooms that build messages, from the same keys: what a proof expects is worked out twice.

use std::collections::{BTreeMap, BTreeSet};

use super::expect::{Obx, cut};
use super::sheet::{Pad, Rung};
use crate::settings::Receiver;

/// LOINC terms as data: code, name, component, property, scale, method, status.
const LOINC: &str = include_str!("../../../normalize/src/codes/loinc.csv");

/// UCUM units with the property that LOINC gives a code for them, and that property's key in a strip.
const UNITS: &[(&str, &str, &str)] = &[
    ("mg/dL", "mass", "MCnc"),
    ("g/dL", "mass", "MCnc"),
    ("g/L", "mass", "MCnc"),
    ("mg/L", "mass", "MCnc"),
    ("mmol/L", "moles", "SCnc"),
    ("umol/L", "moles", "SCnc"),
    ("{Ery}/uL", "number", "NCnc"),
    ("{Leu}/uL", "number", "NCnc"),
    ("/uL", "number", "NCnc"),
    ("10*6/L", "number", "NCnc"),
    ("[EU]/dL", "units", "ACnc"),
    ("1", "density", "RDen"),
    ("[pH]", "ph", "LsCnc"),
    ("mg/g", "mass-ratio", "MRto"),
    ("mg/mmol", "ratio", "Ratio"),
];

/// The end of our own name for a property where a pad has several, in code and in words.
const ENDINGS: &[(&str, &str, &str)] = &[
    ("presence", "-GRADE", ", grade"),
    ("mass", "-MASS", ", mass concentration"),
    ("moles", "-MOLES", ", substance concentration"),
    ("number", "-CELLS", ", cells"),
    ("units", "-UNITS", ", arbitrary units"),
    ("mass-ratio", "-MASSRATIO", ", mass ratio"),
    ("ratio", "-RATIO", ", ratio"),
];

/// What grades of our own table are called in words, where the strip says nothing else.
const GRADES: &[(&str, &str)] =
    &[("NEG", "Negative"), ("NORM", "Normal"), ("TR", "Trace"), ("POS", "Positive")];

/// What one receiver and the site want, in the words of the configuration.
#[derive(Clone, Debug, Default)]
pub struct Wishes {
    pub si: bool,
    /// beside, only or never.
    pub grades: String,
    pub automated: bool,
    /// The flag of a grade stands on the number beside it as well.
    pub flags_both: bool,
    pub references: BTreeMap<String, String>,
    pub compare_marks: bool,
    /// `F`, `P` or `R`.
    pub status: String,
    names: String,
    names_of: BTreeMap<String, String>,
    name_of: BTreeMap<String, String>,
    coded: String,
    coded_of: BTreeMap<String, String>,
    ends: String,
    ends_of: BTreeMap<String, String>,
    order: Vec<String>,
    /// SNOMED CT's code of a grade stands first, or alone.
    snomed_first: bool,
}

impl Wishes {
    pub fn new(
        receiver: &Receiver,
        references: &BTreeMap<String, String>,
        compare_marks: bool,
    ) -> Wishes {
        let status = match receiver.status.as_str() {
            "preliminary" => "P",
            "unverified" => "R",
            _ => "F",
        };
        Wishes {
            si: receiver.units == "si",
            grades: receiver.grades.clone(),
            automated: receiver.codes == "automated",
            flags_both: receiver.flags == "both",
            references: references.clone(),
            compare_marks,
            status: status.to_owned(),
            names: receiver.names.clone(),
            names_of: pairs(&receiver.names_of),
            name_of: pairs(&receiver.name_of),
            coded: receiver.coded.clone(),
            coded_of: pairs(&receiver.coded_of),
            ends: receiver.ends.clone(),
            ends_of: pairs(&receiver.ends_of),
            order: receiver.order.clone(),
            snomed_first: receiver.snomed && receiver.grade_codes.starts_with("snomed"),
        }
    }

    /// Where a pad's results stand among those that go out. None: they do not go.
    #[must_use]
    pub fn place(&self, pad: &str) -> Option<usize> {
        let at = |id: &str| self.order.iter().position(|known| known == id);
        if self.order.is_empty() { Some(0) } else { at(pad).or_else(|| at("*")) }
    }

    /// A grade as this receiver gets it.
    pub(super) fn grade(&self, pad: &Pad, rung: &Rung, grade: &str) -> Result<Obx, String> {
        let key = if pad.kind == "nominal" { "nominal" } else { "presence" };
        let property = if key == "nominal" { "Type" } else { "PrThr" };
        let mut obx = self.named(pad, key, property, "grade")?;
        let kind = self.coded_of.get(&pad.id).unwrap_or(&self.coded).as_str();
        let steps = grade.strip_suffix('+').filter(|n| n.parse::<f32>().is_ok() && n.len() <= 3);
        let standard = GRADES.iter().find(|(code, _)| *code == grade).map(|(_, text)| *text);
        let text = rung.text.as_deref().or(standard).unwrap_or(grade);
        (obx.kind, obx.value) = match (kind, steps) {
            ("SN", Some(_)) => ("SN".into(), grade.to_owned()),
            ("SN" | "ST", _) => ("ST".into(), text.to_owned()),
            (coded, _) => (coded.to_owned(), self.grade_code(pad, grade)),
        };
        Ok(obx)
    }

    /// SNOMED CT's codes come from the table of the program: that they mean these grades is not proved here.
    fn grade_code(&self, pad: &Pad, grade: &str) -> String {
        let mut steps: Vec<&str> = pad.rungs.iter().filter_map(|r| r.grade.as_deref()).collect();
        steps.retain(|g| g.ends_with('+'));
        steps.dedup();
        let whole = (1..).zip(&steps).all(|(n, step)| **step == format!("{n}+"));
        let count = if whole { steps.len() } else { 0 };
        let snomed = wickline_normalize::grades::snomed(grade, count);
        snomed.filter(|_| self.snomed_first).map_or_else(|| grade.to_owned(), |code| code.code)
    }

    /// A number, an end or a range as this receiver gets it.
    pub(super) fn number(&self, pad: &Pad, label: &str, ucum: &str) -> Result<Obx, String> {
        let (key, property) = unit_property(ucum)?;
        let mut obx = self.named(pad, key, property, "number")?;
        let open = !cut(label).0.is_empty() || label.contains('-');
        let ends = self.ends_of.get(&pad.id).unwrap_or(&self.ends);
        obx.kind = if open { ends.clone() } else { "NM".to_owned() };
        obx.value = label.to_owned();
        if ucum != "1" {
            obx.unit = ucum.to_owned();
        }
        Ok(obx)
    }

    /// OBX-3: the published name and the local one, in the order that was asked for.
    fn named(&self, pad: &Pad, key: &str, property: &str, part: &str) -> Result<Obx, String> {
        let one = format!("{} {part}", pad.id);
        let of =
            |map: &BTreeMap<String, String>| map.get(&one).or_else(|| map.get(&pad.id)).cloned();
        let local = match of(&self.name_of) {
            None => local(pad, key)?,
            Some(own) => {
                let mut parts = own.split('^').map(str::to_owned);
                (parts.next().unwrap_or_default(), parts.next().unwrap_or_default())
            }
        };
        let names = of(&self.names_of).unwrap_or_else(|| self.names.clone());
        let none = || (String::new(), String::new());
        let (first, second) = match (self.published(pad, key, property)?, names.as_str()) {
            (None, _) => (local, none()),
            (Some(published), "local-first") => (local, published),
            (Some(published), "loinc") => (published, none()),
            (Some(_), "local") => (local, none()),
            (Some(published), _) => (published, local),
        };
        let status = self.status.clone();
        Ok(Obx { code: first.0, name: first.1, second: second.0, status, ..Obx::default() })
    }

    /// The published code of the method set, else by eye, with its name. It must be of the property.
    fn published(
        &self,
        pad: &Pad,
        key: &str,
        property: &str,
    ) -> Result<Option<(String, String)>, String> {
        let own = if self.automated { pad.automated.get(key) } else { None };
        let Some(code) = own.or_else(|| pad.manual.get(key)) else { return Ok(None) };
        let row = LOINC.lines().find(|l| l.split(',').next() == Some(code));
        let row = row.ok_or_else(|| format!("{}: {code} is in no table of ours", pad.id))?;
        // Names hold no comma; the property is the fourth field.
        let cells: Vec<&str> = row.split(',').collect();
        match (cells.get(1), cells.get(3)) {
            (Some(name), Some(found)) if *found == property => {
                Ok(Some((code.clone(), (*name).to_owned())))
            }
            (_, found) => {
                Err(format!("{}: {code} is of property {found:?}, not {property}", pad.id))
            }
        }
    }
}

fn pairs(list: &[String]) -> BTreeMap<String, String> {
    let cut = list.iter().filter_map(|text| text.split_once('='));
    cut.map(|(key, value)| (key.trim().to_owned(), value.trim().to_owned())).collect()
}

fn unit_property(ucum: &str) -> Result<(&'static str, &'static str), String> {
    let known = UNITS.iter().find(|(unit, ..)| *unit == ucum);
    known
        .map(|(_, key, loinc)| (*key, *loinc))
        .ok_or_else(|| format!("unit {ucum} is in no table of ours"))
}

/// Our own name for what a pad says: the bare id where it says one thing only.
fn local(pad: &Pad, key: &str) -> Result<(String, String), String> {
    let mut kinds = BTreeSet::new();
    for scale in pad.scales.iter().flatten() {
        kinds.insert(unit_property(&scale.ucum)?.0);
    }
    if pad.rungs.iter().any(|r| r.grade.is_some()) {
        kinds.insert(if pad.kind == "nominal" { "nominal" } else { "presence" });
    }
    let ending = ENDINGS.iter().find(|(known, ..)| *known == key).filter(|_| kinds.len() > 1);
    let (code, words) = ending.map_or(("", ""), |(_, code, words)| (*code, *words));
    Ok((format!("{}{code}", pad.id), format!("{}{words}", pad.title)))
}
