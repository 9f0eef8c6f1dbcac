//! What contradicts itself in a layout, or the version it is for: every fault, before any message.

use std::fmt;

use wickline_normalize::codes::Term;

use super::super::material::is_of_material;
use super::super::version::Version;
use super::identifiers::is_kind;
use super::systems::{is_known, is_own, untrue};
use super::{FillerNumber, Layout, Name, OrderedPatient, Party, Structure};

/// One thing that a layout may not say.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
#[error("{field}: found {found}; allowed: {allowed}")]
pub struct LayoutFault {
    /// The field or segment, as `OBR-4`.
    pub field: &'static str,
    /// What the layout says there.
    pub found: String,
    /// What it may say, or what to choose instead.
    pub allowed: String,
}

/// The most characters of components that many types share (HL7 v2.5.1 chapter 2A: CE, EI, HD).
const CODE: usize = 20;
const TEXT: usize = 199;
const KIND: usize = 6;
/// Table 0301.
const KINDS: [&str; 13] =
    ["DNS", "GUID", "HCD", "HL7", "ISO", "L", "M", "N", "Random", "URI", "UUID", "x400", "x500"];

#[derive(Default)]
struct Faults(Vec<LayoutFault>);

impl Faults {
    fn add(&mut self, field: &'static str, found: impl fmt::Display, allowed: impl Into<String>) {
        self.0.push(LayoutFault { field, found: found.to_string(), allowed: allowed.into() });
    }

    /// Bytes are never fewer than characters.
    fn longest(&mut self, field: &'static str, text: &str, most: usize) {
        if text.len() > most && text.chars().count() > most {
            let found = format!("{} characters", text.chars().count());
            self.add(field, found, format!("at most {most}"));
        }
    }
}

impl Layout {
    /// Everything that no message of this version could be built with.
    pub fn check(&self) -> Result<(), Vec<LayoutFault>> {
        let mut faults = Faults::default();
        self.check_structure(&mut faults);
        self.check_orders(&mut faults);
        let most = if self.version.has_spm() { 227 } else { 180 };
        for (field, party) in [
            ("MSH-3", &self.sending_application),
            ("MSH-4", &self.sending_facility),
            ("MSH-5", &self.receiving_application),
            ("MSH-6", &self.receiving_facility),
        ] {
            check_party(&mut faults, field, party, most);
        }
        self.check_names(&mut faults);
        self.check_ids(&mut faults);
        if !self.profile.is_empty() {
            self.check_profile(&mut faults);
        }
        for fixed in &self.fixed {
            if let Some(allowed) = fixed.fault(self.version) {
                faults.add(fixed.field(), format_args!("`{}`", fixed.value()), allowed);
            }
            if !self.sends(fixed.segment()) {
                let found = format!("a fixed value, and no {}", fixed.segment());
                faults.add(fixed.field(), found, "the segment, or no value for its fields");
            }
        }
        if faults.0.is_empty() { Ok(()) } else { Err(faults.0) }
    }

    fn sends(&self, segment: &str) -> bool {
        match segment {
            "ORC" => self.segments.orc,
            "SPM" => self.segments.spm,
            "NTE" => self.segments.nte,
            _ => true,
        }
    }

    fn check_structure(&self, faults: &mut Faults) {
        let (version, oul) = (self.version, self.structure == Structure::Oul);
        let new = version.has_spm();
        if oul && !new {
            faults.add(
                "MSH-9",
                format_args!("OUL^R22 in {version}"),
                "OUL^R22 from 2.5 on; ORU^R01",
            );
        }
        for (name, sent) in [("SPM", self.segments.spm), ("SFT", self.segments.sft)] {
            if sent && !new {
                faults.add(
                    name,
                    format_args!("{name} in {version}"),
                    format!("{name} from 2.5 on"),
                );
            }
        }
        if oul && new && !self.segments.spm {
            faults.add("SPM", "OUL^R22 without SPM", "SPM, which OUL^R22 begins with; or ORU^R01");
        }
        let places = self.specimen_in;
        if places.spm_2 && !new {
            let found = format!("the specimen id to be in SPM-2 of a {version} message");
            faults.add("SPM-2", found, "SPM-2 from 2.5 on; before, choose obr-2");
        } else if places.spm_2 && !self.segments.spm {
            let allowed = "SPM, or the specimen id in obr-2, obr-3 or pid-3";
            faults.add("SPM-2", "the specimen id to be in SPM-2, and no SPM", allowed);
        }
        if !(places.spm_2 || places.obr_2 || places.obr_3 || places.pid_3) {
            let allowed = "one or more of obr-2, obr-3, spm-2, pid-3";
            faults.add("OBR-2", "no place for the specimen id", allowed);
        }
    }

    /// What orders bring back, and what IHE's analyzer profile asks for.
    fn check_orders(&self, faults: &mut Faults) {
        let places = self.specimen_in;
        if self.filler == FillerNumber::Ordered && places.obr_3 {
            let allowed = "obr-2 or spm-2; with obr-3 only our own number (filler ours)";
            faults.add("OBR-3", "the specimen id beside the number that an order brought", allowed);
        }
        if self.ordered_patient != OrderedPatient::Never && places.pid_3 {
            let allowed = "obr-2, obr-3 or spm-2 where an order's patient is told";
            faults.add("PID-3", "the specimen id beside the id of an ordered patient", allowed);
        }
        if !self.names_lab_29() {
            return;
        }
        if self.structure != Structure::Oul || self.version != Version::V251 {
            let allowed = "OUL^R22 in 2.5.1, which LAB-29 is; or another profile";
            faults.add("MSH-21", "LAB-29 on another message", allowed);
        }
        if places.obr_2 {
            let allowed =
                "spm-2: the analyzer profile has the order's number in OBR-2, or two quotes";
            faults.add("OBR-2", "the specimen id in a message of LAB-29", allowed);
        }
    }

    fn check_names(&self, faults: &mut Faults) {
        let version = self.version;
        let panel = if version > Version::V231 { 250 } else { 200 };
        check_panel(faults, "OBR-4", &self.panel, version);
        if let Some(local) = &self.panel_local {
            check_panel(faults, "OBR-4.4", local, version);
        }
        let local = self.panel_local.as_ref();
        let whole = length(&self.panel) + local.map_or(0, |local| 1 + length(local));
        if whole > panel {
            let found = format!("{whole} characters in all");
            faults.add("OBR-4", found, format!("at most {panel} in {}", self.version));
        }
        if !is_own(&self.local_system, version) || self.local_system.len() > CODE {
            let found = format!("the coding system `{}`", self.local_system.escape_debug());
            faults.add("OBX-3.6", found, own_systems(version));
        }
        for name in self.special.iter().filter_map(|s| s.name.as_ref()) {
            check_name(faults, "OBX-3", name, version);
            if is_of_material(&name.code) {
                let allowed = "another code: this one says what control material is";
                faults.add("OBX-3", format_args!("`{}`", name.code.escape_debug()), allowed);
            }
        }
    }

    /// Who gave ids out: of specimens, patients and analyzers.
    fn check_ids(&self, faults: &mut Faults) {
        let most = if self.version.has_spm() { 227 } else { 180 };
        check_party(faults, "SPM-2.1", &self.specimen_namespace, most);
        check_party(faults, "PID-3.4", &self.patient_authority, most);
        let kind = self.patient_id_type.as_str();
        if !(kind.is_empty() || is_kind(kind, self.version)) {
            let found = format!("`{}`", kind.escape_debug());
            let allowed = format!("a code of table 0203 in {}, such as MR, PI or AN", self.version);
            faults.add("PID-3.5", found, allowed);
        }
        faults.longest("OBX-18.2", &self.equipment_namespace, CODE);
        if !self.equipment_namespace.is_empty() && self.version == Version::V231 {
            faults.add("OBX-18.2", "a namespace in 2.3.1", "none: OBX-18 came with 2.4");
        }
    }

    fn check_profile(&self, faults: &mut Faults) {
        let found = format!("`{}`", self.profile.escape_debug());
        let odd = |b: u8| !(0x20..0x7F).contains(&b) || matches!(b, b'|' | b'\\' | b'&');
        let allowed = match self.version {
            Version::V231 => "nothing: MSH-21 came with 2.4",
            Version::V24 if self.profile.contains(['^', '~']) || self.profile.len() > 10 => {
                "an id of at most 10 characters; components came with 2.5"
            }
            _ if self.profile.bytes().any(odd) => "printable ASCII without | \\ &",
            Version::V24 => return,
            _ if self.profile.len() > 427 => "at most 427 characters",
            _ if !self.profile.split('~').all(is_entity) => {
                "ID^NAMESPACE^UNIVERSAL^KIND of at most 199, 20, 199 and 6 characters, the last two \
                 together or neither, KIND of table 0301; several with ~ between them"
            }
            _ => return,
        };
        faults.add("MSH-21", found, allowed);
    }
}

fn is_entity(text: &str) -> bool {
    let parts: Vec<&str> = text.split('^').collect();
    let lengths = [TEXT, CODE, TEXT, KIND];
    let named = parts.iter().any(|p| !p.is_empty()) && !text.ends_with('^');
    let fits = parts.len() <= 4 && parts.iter().zip(lengths).all(|(part, most)| part.len() <= most);
    let part = |n: usize| parts.get(n).copied().unwrap_or("");
    let whole = part(2).is_empty() == part(3).is_empty();
    named && fits && whole && (part(3).is_empty() || KINDS.contains(&part(3)))
}

fn check_party(faults: &mut Faults, field: &'static str, party: &Party, most: usize) {
    faults.longest(field, &party.name, CODE);
    if party.universal.is_empty() && party.kind.is_empty() {
        return;
    }
    let found = format!("`{}`", party.text().escape_debug());
    if party.universal.is_empty() || !KINDS.contains(&party.kind.as_str()) {
        let kinds = KINDS.join(", ");
        faults.add(field, &found, format!("NAME, or NAME^UNIVERSAL^KIND with KIND one of {kinds}"));
    }
    let oid = |text: &str| {
        text.split('.').all(|arc| !arc.is_empty() && arc.bytes().all(|b| b.is_ascii_digit()))
    };
    if party.kind == "ISO" && !oid(&party.universal) {
        faults.add(field, &found, "an OID, digits and points, where KIND is ISO");
    }
    faults.longest(field, &party.universal, TEXT);
    faults.longest(field, &party.text(), most);
}

/// Characters with their separators.
fn length(name: &Name) -> usize {
    let parts = [&name.code, &name.text, &name.system];
    // Most names are ASCII, and this is asked for each message.
    let count = |text: &&String| if text.is_ascii() { text.len() } else { text.chars().count() };
    2 + parts.iter().map(count).sum::<usize>()
}

fn check_name(faults: &mut Faults, field: &'static str, name: &Name, version: Version) {
    if name.code.is_empty() {
        faults.add(field, "no code", "a code with its system");
    }
    faults.longest(field, &name.code, CODE);
    faults.longest(field, &name.text, TEXT);
    if !is_known(&name.system, version) || name.system.len() > CODE {
        let own = own_systems(version);
        let allowed = format!("a coding system of table 0396 in {version} (LN, SCT, C4), {own}");
        faults.add(field, format_args!("`{}`", name.system.escape_debug()), allowed);
    } else if let Some(allowed) = untrue(&name.code, &name.system) {
        faults.add(field, format_args!("`{}`", name.code.escape_debug()), allowed);
    }
}

/// A panel is no single result: of the LOINC codes that are known here, one of another kind is refused.
fn check_panel(faults: &mut Faults, field: &'static str, name: &Name, version: Version) {
    check_name(faults, field, name, version);
    let known = Some(&name.code).filter(|_| name.system == "LN").and_then(|code| Term::find(code));
    if let Some(term) = known.filter(|term| !term.is_panel()) {
        let allowed = format!("the code of a panel; this one is \"{}\"", term.name);
        faults.add(field, format_args!("`{}`", term.code), allowed);
    }
}

fn own_systems(version: Version) -> &'static str {
    match version {
        Version::V231 => "L; 99KPC and the like came with 2.4",
        _ => "L, or 99 with capital letters and digits behind it, such as 99KPC",
    }
}
