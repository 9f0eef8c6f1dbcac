//! Writes the groups of a message: ORC, OBR, SPM and what stands between them.
//!
//! What an order brought goes back as it came (HL7 v2.5.1 chapters 4, 7 and 13; IHE's analyzer profile in messages of
//! LAB-29). Lengths are those of 2.5.1 in every version: what came in a field of 2.3.1 goes back in it.

use wickline_normalize::ResultStatus;

use super::group::{Group, NAMESPACE, ORDERED_FILLER, ORDERED_SPECIMEN};
use super::layout::{Layout, Party, Structure};
use super::material;
use super::patient::{Named, is_told, subparts};
use super::report::{Outgoing, Times};
use super::results::{Notes, OBR_4, Triplet, coded};
use super::specimen::Urine;
use super::told::Amended;
use super::version::Version;
use super::write::{EncodeFault, Field, Writer};
use crate::orders::{Given, References, SpecimenReferences};

/// OBR-3 is 22 long and its namespace takes 9.
pub(super) const FILLER: Field = Field::new("OBR-3.1", 13);
const OBR_3: Field = Field::private("OBR-3", 22);
/// ORC-2 is the same: a fault of either is told of this one.
const PLACER: Field = Field::private("OBR-2", 22);
const ORDERED_PLACER: Field = Field::private("ORC-2", 22);

/// What a message's groups are written with.
pub(super) struct Scribe<'a> {
    pub layout: &'a Layout,
    pub out: &'a Outgoing<'a>,
    pub times: &'a Times,
    /// Why results go out again.
    pub reason: Option<&'a str>,
    /// Whom what is taken back named.
    pub named: Option<&'a Named>,
}

impl Scribe<'_> {
    /// All groups, in the order of the structure.
    pub(super) fn write(&self, w: &mut Writer, groups: &[Group<'_>]) -> Result<(), EncodeFault> {
        let (layout, mut specimens) = (self.layout, 0);
        for (n, group) in groups.iter().enumerate() {
            let before = n.checked_sub(1).and_then(|before| groups.get(before));
            if layout.structure == Structure::Oru {
                if layout.segments.orc {
                    self.orc(w, group)?;
                }
                self.obr(w, group, n + 1)?;
            } else {
                if !before.is_some_and(|before| group.shares_specimen(before)) {
                    specimens += 1;
                    self.specimen(w, group, specimens)?;
                }
                self.obr(w, group, n + 1)?;
                if layout.segments.orc {
                    self.orc(w, group)?;
                }
            }
            self.notes(w, group)?;
            self.timing(w, group)?;
            let count = group.results.write(w, self.out, self.times, group.amended.as_ref())?;
            if layout.structure == Structure::Oru {
                self.behind(w, group, count)?;
            }
        }
        Ok(())
    }

    /// The specimen that groups of OUL^R22 stand under.
    fn specimen(&self, w: &mut Writer, group: &Group<'_>, nth: usize) -> Result<(), EncodeFault> {
        let (layout, out) = (self.layout, self.out);
        self.spm(w, group, nth)?;
        if let Some(control) = out.control {
            return material::inventory(w, layout, control, called(out), out.taken);
        }
        self.sac(w, group)
    }

    /// What follows the results in ORU^R01.
    fn behind(&self, w: &mut Writer, group: &Group<'_>, count: usize) -> Result<(), EncodeFault> {
        let spm = self.layout.segments.spm;
        if spm {
            self.spm(w, group, 1)?;
        }
        match self.out.control {
            Some(control) => {
                material::observations(w, self.layout, control, if spm { 0 } else { count })
            }
            None => Ok(()),
        }
    }

    /// Fields 2 and 3 of ORC and OBR.
    fn ids(&self, w: &mut Writer, group: &Group<'_>, in_obr: bool) -> Result<(), EncodeFault> {
        w.fields(1);
        match group.references().filter(|references| references.placer.is_said()) {
            Some(references) => w.given(ORDERED_PLACER, &references.placer)?,
            // Two quotes say that no order is known: OBR-2 is the order's in the analyzer profile.
            None if self.layout.is_of_analyzers() => w.plain(if in_obr { "\"\"" } else { "" }),
            None => placer(w, self.layout, self.out)?,
        }
        w.fields(1);
        match &group.number {
            Some(number) => w.given(ORDERED_FILLER, number),
            None => filler(w, self.layout, self.out, group.filler),
        }
    }

    fn orc(&self, w: &mut Writer, group: &Group<'_>) -> Result<(), EncodeFault> {
        let analyzers = self.layout.is_of_analyzers();
        w.segment("ORC");
        w.fixed(1, if analyzers { "SC" } else { "RE" });
        self.ids(w, group, false)?;
        let none = References::default();
        let references = group.references().unwrap_or(&none);
        w.fields(1);
        w.given(Field::private("ORC-4", 22), &references.group)?;
        w.fixed(1, if analyzers { self.progress(group) } else { "" });
        w.fields(7);
        if !analyzers {
            w.given(Field::private("ORC-12", 250), &references.provider)?;
        }
        w.fields(9);
        w.given(Field::private("ORC-21", 250), &references.facility)
    }

    /// ORC-5 (table 0038): results that are not final yet complete no order, and none is left where all were taken
    /// back.
    fn progress(&self, group: &Group<'_>) -> &'static str {
        match self.status(group) {
            _ if group.amended.as_ref().is_some_and(Amended::is_withdrawal) => "IP",
            ResultStatus::Preliminary | ResultStatus::Unverified => "A",
            _ => "CM",
        }
    }

    fn status(&self, group: &Group<'_>) -> ResultStatus {
        group.amended.as_ref().map_or(self.layout.status.status(), |amended| amended.status)
    }

    fn obr(&self, w: &mut Writer, group: &Group<'_>, nth: usize) -> Result<(), EncodeFault> {
        let (layout, out) = (self.layout, self.out);
        let old = !layout.version.has_spm() && out.control.is_none();
        let none = References::default();
        let references = group.references().unwrap_or(&none);
        w.segment("OBR");
        w.count(nth);
        self.ids(w, group, true)?;
        w.fields(1);
        if references.test.is_said() {
            let most = if layout.version > Version::V231 { 250 } else { 200 };
            w.given(Field::private("OBR-4", most), &references.test)?;
        } else {
            let local = layout.panel_local.as_ref().map(Triplet::named);
            coded(w, &OBR_4, Triplet::named(&layout.panel), local)?;
        }
        w.fields(1);
        let priority = self.priority(group);
        // The field has room for two letters; the component behind has them all.
        if old && priority.text().len() <= 2 {
            w.given(Field::private("OBR-5", 2), &priority)?;
        }
        w.fields(2);
        if !layout.observed_left_out {
            match group.collected() {
                Some(collected) => w.given(Field::private("OBR-7", 26), &collected.part(1))?,
                None => w.plain(&self.times.observed),
            }
        }
        // Table 0065.
        w.fixed(4, if group.is_generated() { "G" } else { "" });
        w.fields(4);
        if !layout.segments.spm {
            self.source(w, group)?;
        }
        w.fields(1);
        w.given(Field::private("OBR-16", 250), &references.provider)?;
        w.fields(2);
        w.given(Field::private("OBR-18", 60), &references.placer_field_1)?;
        w.fields(1);
        w.given(Field::private("OBR-19", 60), &references.placer_field_2)?;
        w.fields(1);
        let (theirs, first) = (group.is_under_theirs(), layout.version == Version::V231);
        let number = if theirs && first { group.filler } else { out.number.unwrap_or("") };
        w.id(Field::new("OBR-20", 60), number)?;
        w.fields(1);
        match (first, theirs) {
            (true, _) => w.id(Field::new("OBR-21", 60), out.analyzer)?,
            (false, true) => w.id(Field::new("OBR-21", 60), group.filler)?,
            (false, false) => {}
        }
        w.fixed(1, &self.times.made);
        w.fixed(3, self.status(group).text());
        w.fields(2);
        if old {
            // OBR-5 was withdrawn in favour of this component; receivers of that age read either.
            (0..5).for_each(|_| w.component());
            w.given(Field::private("OBR-27.6", 20), &priority)?;
        }
        w.fields(2);
        w.given(Field::private("OBR-29", 200), &references.parent)
    }

    /// The order's, else what the analyzer says.
    fn priority(&self, group: &Group<'_>) -> Given {
        let ordered = group.references().map(|r| &r.priority).filter(|p| p.is_said());
        let heard = || Given::plain(if self.out.stat { "S" } else { "R" });
        ordered.cloned().unwrap_or_else(heard)
    }

    /// OBR-15.
    fn source(&self, w: &mut Writer, group: &Group<'_>) -> Result<(), EncodeFault> {
        if self.out.control.is_some() {
            // Table 0070 has no control material; its role (from 2.4) says what it is.
            w.plain("^^^^^^Q&Control specimen&HL70369");
            return Ok(());
        }
        let ordered = group.references().map(|r| &r.source).filter(|source| source.is_said());
        if let Some(source) = ordered {
            return w.given(Field::private("OBR-15", 300), source);
        }
        let kind = group.specimen.and_then(|specimen| specimen.kind.value(1).parse::<Urine>().ok());
        w.plain(&kind.unwrap_or(self.out.urine).source());
        Ok(())
    }

    /// TQ1 from 2.5 on, not at all in the analyzer profile. Under an order's own number a routine one is left out of
    /// ORU^R01: table 0485 takes what is not said for routine.
    fn timing(&self, w: &mut Writer, group: &Group<'_>) -> Result<(), EncodeFault> {
        let layout = self.layout;
        let priority = self.priority(group);
        let by_order = group.order.is_some() && layout.structure == Structure::Oru;
        let unsaid = by_order && priority.text() == "R";
        let none = !layout.version.has_spm() || self.out.control.is_some();
        if none || unsaid || layout.is_of_analyzers() {
            return Ok(());
        }
        w.segment("TQ1");
        w.fixed(1, "1");
        w.fields(8);
        w.given(Field::private("TQ1-9", 250), &priority)?;
        // Table 0485.
        let text = match priority.text() {
            "S" => "Stat",
            "A" => "ASAP",
            "R" => "Routine",
            "P" => "Preop",
            "C" => "Callback",
            "T" => "Timing critical",
            _ => return Ok(()),
        };
        w.component();
        w.plain(text);
        w.component();
        w.plain("HL70485");
        Ok(())
    }

    /// What is said of the whole report: why it corrects, remarks, and which control it is of where no
    /// field says so. An order hears what it asked about, and nothing about other pads.
    fn notes(&self, w: &mut Writer, group: &Group<'_>) -> Result<(), EncodeFault> {
        let (layout, out) = (self.layout, self.out);
        let mut notes = Notes::default();
        let withdraws = group.amended.as_ref().is_some_and(Amended::is_withdrawal);
        if let (Some(amended), Some(reason)) = (&group.amended, self.reason) {
            let word = match amended.status {
                _ if withdraws => "Withdrawn",
                ResultStatus::Corrected => "Corrected",
                _ => "Changed",
            };
            notes.write(w, layout, &format!("{word}: {reason}"))?;
        }
        let asked = |id: &String| group.pads.is_none_or(|pads| pads.iter().any(|pad| *pad == **id));
        // What is said of results that are taken back would stay in the record they are taken out of.
        for remark in out.remarks.iter().filter(|_| !withdraws) {
            let concerns = remark.about.is_empty() || remark.about.iter().any(asked);
            if concerns && !group.results.has(remark) {
                notes.remark(w, layout, remark)?;
            }
        }
        if let (Some(control), false) = (out.control, layout.segments.spm) {
            notes.write(w, layout, &material::in_words(control))?;
        }
        Ok(())
    }

    fn spm(&self, w: &mut Writer, group: &Group<'_>, nth: usize) -> Result<(), EncodeFault> {
        let (layout, out) = (self.layout, self.out);
        let none = SpecimenReferences::default();
        let ordered = group.specimen.unwrap_or(&none);
        w.segment("SPM");
        w.count(nth);
        w.fields(1);
        if ordered.id.is_said() {
            w.given(ORDERED_SPECIMEN, &ordered.id)?;
        } else if layout.specimen_in.spm_2 {
            let id = called(out);
            w.id(Field::private("SPM-2", 80), id)?;
            if !(id.is_empty() || layout.specimen_namespace.name.is_empty()) {
                w.plain("&");
                subparts(w, Field::new("SPM-2.1", 80), &layout.specimen_namespace)?;
            }
        }
        w.fields(2);
        self.kind(w, group)?;
        w.fields(7);
        if ordered.role.is_said() {
            w.given(Field::private("SPM-11", 250), &ordered.role)?;
        } else {
            w.plain(self.role(group));
        }
        w.fields(3);
        if let Some(control) = out.control {
            w.words(Field::new("SPM-14", 250), &material::in_words(control))?;
        }
        w.fields(3);
        match group.collected() {
            Some(collected) => w.given(Field::private("SPM-17", 53), collected),
            None => {
                w.plain(&self.times.collected);
                Ok(())
            }
        }
    }

    /// SPM-11. The analyzer profile says `U` where neither an order nor a patient is known.
    fn role(&self, group: &Group<'_>) -> &'static str {
        let analyzers = self.layout.is_of_analyzers();
        let known = group.order.is_some() || is_told(self.layout, self.out);
        match self.out.control {
            Some(_) => "Q^Control specimen^HL70369",
            None if analyzers && !known => "U^Unknown^IHELAW",
            None => "P^Patient^HL70369",
        }
    }

    /// SPM-4.
    fn kind(&self, w: &mut Writer, group: &Group<'_>) -> Result<(), EncodeFault> {
        if self.out.control.is_some() {
            w.plain("QC3^Quality Control^HL70487");
            return Ok(());
        }
        let ordered = group.specimen.map(|specimen| &specimen.kind).filter(|kind| kind.is_said());
        if let Some(kind) = ordered {
            return w.given(Field::private("SPM-4", 250), kind);
        }
        let source = group.references().and_then(|r| r.source.value(1).parse::<Urine>().ok());
        w.plain(&source.unwrap_or(self.out.urine).coded());
        Ok(())
    }

    /// The container that an order named; in the analyzer profile always, else by the specimen's id.
    fn sac(&self, w: &mut Writer, group: &Group<'_>) -> Result<(), EncodeFault> {
        let (layout, out) = (self.layout, self.out);
        let none = SpecimenReferences::default();
        let ordered = group.specimen.unwrap_or(&none);
        let named = ordered.container.is_said() || ordered.primary_container.is_said();
        if !(named || layout.is_of_analyzers()) {
            return Ok(());
        }
        let field = Field::private("SAC-3", 80);
        w.segment("SAC");
        w.fields(3);
        if named {
            w.given(field, &ordered.container)?;
        } else if !ordered.id.part(1).is_empty() {
            // The parts of SPM-2.1 are those of an EI.
            w.given(field, &Given::kept(&ordered.id.part(1).text().replace('&', "^")))?;
        } else {
            w.id(field, out.specimen.expose())?;
            namespace(w, field, &layout.specimen_namespace)?;
        }
        w.fields(1);
        w.given(Field::private("SAC-4", 80), &ordered.primary_container)
    }
}

/// What a specimen is called: control material without an id goes by its lot, where that fits every place.
fn called<'a>(out: &Outgoing<'a>) -> &'a str {
    let specimen = out.specimen.expose();
    let lot = || out.control.and_then(|control| control.lot).filter(|lot| lot.len() <= PLACER.most);
    if specimen.is_empty() { lot().unwrap_or("") } else { specimen }
}

fn namespace(w: &mut Writer, field: Field, party: &Party) -> Result<(), EncodeFault> {
    let Party { name, universal, kind } = party;
    for part in [name, universal, kind].into_iter().take_while(|part| !part.is_empty()) {
        w.component();
        w.words(field, part)?;
    }
    Ok(())
}

/// OBR-2 where no order says it.
fn placer(w: &mut Writer, layout: &Layout, out: &Outgoing<'_>) -> Result<(), EncodeFault> {
    let places = layout.specimen_in;
    // Control material has no PID for its id to be in.
    let lost = out.control.is_some() && !(places.obr_2 || places.obr_3 || places.spm_2);
    let placer = if places.obr_2 || lost { called(out) } else { "" };
    w.id(PLACER, placer)?;
    if placer.is_empty() || layout.specimen_namespace.name.is_empty() {
        return Ok(());
    }
    let behind = layout.specimen_namespace.text();
    let whole = placer.chars().count() + 1 + behind.chars().count();
    if whole > PLACER.most {
        let found = format!("{whole} characters with the namespace {behind}");
        return Err(EncodeFault::new(PLACER.name, found, "22 characters; nothing is cut"));
    }
    namespace(w, PLACER, &layout.specimen_namespace)
}

/// OBR-3 by our own number.
fn filler(
    w: &mut Writer,
    layout: &Layout,
    out: &Outgoing<'_>,
    filler: &str,
) -> Result<(), EncodeFault> {
    let specimen = called(out);
    // Control material may have no specimen id; then our own number stands alone.
    if !layout.specimen_in.obr_3 || specimen.is_empty() {
        w.id(FILLER, filler)?;
        w.component();
        w.plain(NAMESPACE);
        return Ok(());
    }
    // With our number as its namespace the whole is as permanent and as unique as that number.
    let count = specimen.chars().count();
    if count + 1 + filler.len() > OBR_3.most {
        let most = OBR_3.most;
        return Err(EncodeFault::new(
            "OBR-3",
            format!("a specimen id of {count} characters before the number {filler}"),
            format!("{most} characters for both and the ^ between them; nothing is cut"),
        ));
    }
    w.id(OBR_3, specimen)?;
    w.component();
    w.id(FILLER, filler)
}
