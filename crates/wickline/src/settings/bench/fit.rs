//! Each receiver's layout against the analyzers and strips that it is told of: what only both together can show.

use std::collections::BTreeSet;
use std::sync::Arc;

use wickline_forward::EncodeFault;
use wickline_normalize::codes::{Analyte, Term};
use wickline_normalize::controls::Policy;
use wickline_normalize::observe::{Choice, Codes, Grades};
use wickline_normalize::strip::{Pad, Strip};
use wickline_normalize::units::Property;

use super::super::Settings;
use super::layout::{keys_of, lists};
use super::{Analyzer, Builder, Target, trial};

/// One receiver with all that it may be told of.
struct Fit<'a> {
    settings: &'a Settings,
    index: usize,
    target: &'a Target,
    strips: &'a [(&'a Analyzer, &'a Strip)],
}

/// The strips of those analyzers whose results a receiver gets.
pub(super) fn strips_of<'a>(
    target: &Target,
    analyzers: &'a [Arc<Analyzer>],
) -> Vec<(&'a Analyzer, &'a Strip)> {
    let takes = |a: &&Arc<Analyzer>| target.analyzers.iter().any(|t| t == "*" || *t == a.id);
    let strips = |a: &'a Arc<Analyzer>| a.strips.iter().map(move |strip| (&**a, strip));
    analyzers.iter().filter(takes).flat_map(strips).collect()
}

/// What a pad may say to a receiver: whether it is a number, and of which property.
fn said(pad: &Pad, choice: &Choice) -> Vec<(bool, Property)> {
    let grade = pad.has_grades().then(|| (false, pad.grade_property()));
    // A rung without a grade goes as its number, whatever is asked for.
    let all_graded = pad.has_grades() && pad.rungs.iter().all(|rung| rung.grade.is_some());
    let numbers = !(choice.grades == Grades::Only && all_graded);
    let number = pad.measure(choice.units).filter(|_| numbers).map(|m| (true, m.unit.property));
    grade.into_iter().chain(number).collect()
}

/// Why a LOINC code may not stand for a property of an analyte, in words that go on from "allowed:". The receiver may
/// have its codes by either method. None: it may, or nobody here knows it.
fn untrue(analyte: &str, code: &str, property: Property) -> Option<String> {
    Term::find(code)?;
    let analyte = Analyte::find(analyte)?;
    let automated = analyte.term(code, property, true).err()?;
    analyte.term(code, property, false).is_err().then_some(automated)
}

impl Builder<'_> {
    /// Everything that would hold each message of a receiver, or tell it a result under a name that is not its own.
    pub(super) fn layouts_fit(
        &mut self,
        settings: &Settings,
        analyzers: &[Arc<Analyzer>],
        targets: &mut [Target],
    ) {
        if !self.faults.is_empty() {
            // Strips may be missing that could not be read.
            return;
        }
        for (index, target) in targets.iter_mut().enumerate() {
            let strips = strips_of(target, analyzers);
            let fit = Fit { settings, index, target, strips: &strips };
            let before = self.faults.len();
            self.analytes_known(&fit);
            self.codes_true(&fit);
            self.remarks_arrive(&fit);
            if self.faults.len() == before {
                self.pads_apart(&fit);
                self.messages_made(&fit);
            }
            let twice = |(_, strip): &(&Analyzer, &Strip)| {
                let mut all = trial::observations(target, strip).into_iter();
                all.any(|observations| target.layout.has_namesakes(&observations))
            };
            let sub_ids = strips.iter().any(twice);
            target.layout.sub_ids = sub_ids;
        }
    }

    /// An analyte that a layout names must be on some strip: a misspelt one would silently not go out.
    fn analytes_known(&mut self, fit: &Fit<'_>) {
        let known = |id: &str| fit.strips.iter().any(|(_, strip)| strip.pad(id).is_some());
        for (key, texts) in lists(&fit.settings.receiver[fit.index]) {
            for text in texts.iter().filter(|_| key != "fixed") {
                let id = text.split(['=', ' ']).next().unwrap_or_default();
                if id != "*" && !known(id) {
                    let pads = fit.strips.iter().flat_map(|(_, strip)| &strip.pads);
                    let ids: BTreeSet<&str> = pads.map(|pad| pad.id.as_str()).collect();
                    let ids = ids.into_iter().collect::<Vec<_>>().join(", ");
                    self.fault("receiver", fit.index, key, text, ids);
                }
            }
        }
    }

    /// No two pads of all its strips go under one name.
    fn pads_apart(&mut self, fit: &Fit<'_>) {
        let layout = &fit.target.layout;
        let strips = fit.strips.iter();
        let all: Vec<_> =
            strips.flat_map(|(_, strip)| trial::observations(fit.target, strip).concat()).collect();
        if let Some((name, [one, other])) = layout.pads_of_one_name(&all) {
            let allowed = format!(
                "a code for each pad: this one is of {one} and of {other}, which only OBX-4 would tell apart, and \
                 that moves when a pad is missing; the grade and the number of one pad may share a code"
            );
            self.fault("receiver", fit.index, "name_of", &name, allowed);
        }
    }

    /// A LOINC code of the receiver's is of the analyte and the property that it stands for, as those of strips are.
    fn codes_true(&mut self, fit: &Fit<'_>) {
        let mut told = BTreeSet::new();
        for (pad, number, property, code) in own_codes(fit.target, fit.strips) {
            let part = if number { "number" } else { "grade" };
            let found = format!("{pad} {part} = {code}");
            if let Some(allowed) = untrue(pad, code, property)
                && told.insert(found.clone())
            {
                self.fault("receiver", fit.index, "name_of", &found, allowed);
            }
        }
    }

    /// Results that go although controls failed or are due have a remark, and the receiver takes it.
    fn remarks_arrive(&mut self, fit: &Fit<'_>) {
        if fit.target.layout.segments.nte || !fit.target.patients {
            return;
        }
        let warns = |analyzer: &&Analyzer| {
            let rules = analyzer.rules.controls_policy;
            let either = |policy| rules.failed == policy || rules.due == policy;
            either(Policy::Warn) || (rules.urgent_goes && either(Policy::Hold))
        };
        let mut analyzers = fit.strips.iter().map(|(analyzer, _)| *analyzer);
        if let Some(analyzer) = analyzers.find(warns) {
            let allowed = format!(
                "NTE, or controls_failed and controls_due that hold results, and no urgent_goes: those of {} go with \
                 a remark that stands in NTE alone",
                analyzer.id
            );
            self.fault("receiver", fit.index, "without", "NTE", allowed);
        }
    }

    /// Each message of the trial can be built; of a receiver's faults the first one.
    fn messages_made(&mut self, fit: &Fit<'_>) {
        let tried = |(analyzer, strip): &(&Analyzer, &Strip)| {
            trial::messages(fit.target, analyzer, strip)
                .err()
                .map(|fault| (fault, strip.id.clone()))
        };
        let Some((fault, strip)) = fit.strips.iter().find_map(tried) else { return };
        let EncodeFault { field, found, allowed } = fault;
        let written = |key: &&&str| self.is_written(fit.index, key);
        let namespaced = !fit.target.layout.specimen_namespace.name.is_empty();
        let of = if namespaced && matches!(field, "OBR-2" | "SPM-2") { "SPM-2.1" } else { field };
        let key = keys_of(of, fit.settings.receiver.get(fit.index));
        let key = key.iter().find(written).or(key.first()).copied().unwrap_or("id");
        let allowed = format!(
            "{field}: {allowed}; every result of strip {strip} with this in it would be held for receiver {}",
            fit.target.id
        );
        let found = if field == "NTE-3" { format!("a comment with {found}") } else { found };
        self.fault("receiver", fit.index, key, &found, allowed);
    }
}

/// Each LOINC code that a receiver gives to what a pad says: pad, whether it is its number, property, code.
fn own_codes<'a>(
    target: &'a Target,
    strips: &[(&'a Analyzer, &'a Strip)],
) -> Vec<(&'a str, bool, Property, &'a str)> {
    let pads = strips.iter().flat_map(|(_, strip)| &strip.pads);
    let own = |pad: &'a Pad| {
        let code = move |(number, property)| {
            let name =
                target.layout.own_name(&pad.id, number).filter(|name| name.system == "LN")?;
            Some((pad.id.as_str(), number, property, name.code.as_str()))
        };
        said(pad, &target.choice).into_iter().filter_map(code)
    };
    pads.flat_map(own).collect()
}

/// Names of the receiver's for a pad that have a word for another pad in them: most likely exchanged.
fn misnamed(target: &Target, strips: &[(&Analyzer, &Strip)]) -> BTreeSet<String> {
    let shipped = Strip::builtin("fourteen-pad");
    let mut told = BTreeSet::new();
    for (strip, pad) in
        strips.iter().flat_map(|(_, strip)| strip.pads.iter().map(move |pad| (strip, pad)))
    {
        let parts = [false, true].into_iter();
        for name in parts.filter_map(|number| target.layout.own_name(&pad.id, number)) {
            let words = name.text.split(|c: char| !c.is_alphabetic());
            for word in words.filter(|word| word.chars().count() > 3) {
                let known = [Some(*strip), shipped.as_ref()].into_iter().flatten();
                let mut others = known.filter_map(|strip| strip.pads.get(strip.pad_of(word)?));
                if let Some(other) = others.next().filter(|other| other.id != pad.id) {
                    told.insert(format!(
                        "the name `{}` of {} has a word for {} ({}): is it meant?",
                        name.text, pad.id, other.title, other.id
                    ));
                }
            }
        }
    }
    told
}

/// Where the code set that a receiver gets has gaps: those of the other set are nobody's concern.
pub(super) fn gaps(target: &Target, analyzers: &[Arc<Analyzer>]) -> Vec<String> {
    let strips = strips_of(target, analyzers).into_iter();
    let of = |strip: &Strip| {
        let gaps = strip.gaps(target.choice.codes == Codes::Automated).into_iter();
        gaps.map(|gap| format!("strip {}: {gap}", strip.id)).collect::<Vec<_>>()
    };
    strips.flat_map(|(_, strip)| of(strip)).collect()
}

/// What `check` should say of a receiver although it is not wrong.
pub(super) fn notes(target: &Target, analyzers: &[Arc<Analyzer>]) -> Vec<String> {
    let (layout, strips) = (&target.layout, strips_of(target, analyzers));
    let mut notes = Vec::new();
    let mut say = |text: String| notes.push(format!("receiver {}: {text}", target.id));
    if layout.observed_left_out {
        say("OBR-7 stays empty, which is outside the standard: a report must have it (HL7 v2 chapter 7, OBR-7)"
            .into());
    }
    if layout.specimen_in.obr_3 {
        say("OBR-3 is the specimen id with our report number behind it, which is outside the standard: its second \
             component is the application that gave the id (HL7 v2 chapter 2, EI)"
            .into());
    }
    if !layout.segments.nte {
        say("no notes go out: it is not told why a result is corrected or withdrawn, that a report was released \
             although held, that a time is ours, why a pad was not read, and no comment"
            .into());
    }
    for (_, strip) in &strips {
        let out = strip.pads.iter().filter(|pad| layout.leaves_out(&pad.id));
        let out: Vec<&str> = out.map(|pad| pad.id.as_str()).collect();
        if !out.is_empty() {
            say(format!(
                "order leaves out {} of strip {}: they are not sent",
                out.join(", "),
                strip.id
            ));
        }
    }
    misnamed(target, &strips).into_iter().for_each(&mut say);
    let panels = [Some(&layout.panel), layout.panel_local.as_ref()].into_iter().flatten();
    let panels =
        panels.filter(|name| name.system == "LN").map(|name| ("the panel", name.code.as_str()));
    let pads = own_codes(target, &strips).into_iter().map(|(pad, _, _, code)| (pad, code));
    for (what, code) in panels.chain(pads).filter(|(_, code)| Term::find(code).is_none()) {
        say(format!(
            "the LOINC code {code} of {what} is not known here: that it is the right one could not be checked"
        ));
    }
    notes
}
