//! Whose report it is: a patient's, routine or urgent, or control material. And the specimen id.

use serde::{Deserialize, Serialize};

use crate::hold::{Hold, Reason};
use crate::report::{Private, Report};
use crate::rules::Rules;
use crate::words::quote;

/// The class of a report.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Class {
    /// A patient's, without any sign.
    Routine,
    /// A patient's, marked as urgent by the print, its number or a configured mark.
    Stat,
    /// Control material, or an external quality sample; never a patient's.
    Control,
}

impl Class {
    /// As scripts and the ledger know it.
    ///
    /// `routine`, `stat` or `control`: in the ledger's rows, in JSON and in metrics; never changed.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Class::Routine => "routine",
            Class::Stat => "stat",
            Class::Control => "control",
        }
    }

    /// The class of a number that nobody heard: what its mark alone says.
    #[must_use]
    pub fn of_number(number: &str, rules: &Rules) -> Class {
        class(&Report { number: Some(number.to_owned()), ..Report::default() }, rules).class
    }
}

/// What an external quality sample has in place of a level: no material of ours is called so.
pub const EXTERNAL: &str = "external";

/// Whose a result is: this alone says who may be told of it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Role {
    /// A patient's: for receivers of patients' results.
    Patient,
    /// The laboratory's own control material: for receivers that ask for it.
    Control,
    /// A sample of an external quality assessment scheme (proficiency testing): for no receiver. The
    /// laboratory reports it to the scheme, and to nobody before (42 CFR 493.801(b)).
    External,
}

impl Role {
    /// By any sign of control material, and the level beside it.
    #[must_use]
    pub fn of(control_sign: bool, level: Option<&str>) -> Role {
        match (control_sign, level) {
            (false, _) => Role::Patient,
            (true, Some(EXTERNAL)) => Role::External,
            (true, _) => Role::Control,
        }
    }
}

/// What the signs on a print amount to.
pub(crate) struct Classed {
    pub class: Class,
    pub level: Option<String>,
    /// Any one sign of control material, whatever else the print says.
    pub control_sign: bool,
    pub holds: Vec<Hold>,
}

/// Reads every sign of class. One sign makes a control; its absence says nothing.
///
/// What several signs say apart is held as [`Reason::ClassDisagree`]; the class is then control all the
/// same, since that is the one that goes to no chart.
pub(crate) fn class(report: &Report, rules: &Rules) -> Classed {
    let number = report.number.as_deref().unwrap_or("").trim();
    let specimen = report.specimen.as_ref().map_or("", |s| s.expose());
    let mark = rules
        .control_marks
        .iter()
        .filter(|m| !m.mark.is_empty() && number.starts_with(&m.mark))
        .max_by_key(|m| m.mark.len());
    let material = rules.control_specimen(specimen);
    let external = rules.is_external(specimen);
    let signs = report.signs;
    let lead = rules.leading_digit(number);
    let leads_to = |class: Class| lead.is_some_and(|l| l.class == class);
    let control_sign = signs.control_order
        || signs.control_message
        || mark.is_some()
        || material.is_some()
        || external
        || leads_to(Class::Control);
    let stat = signs.stat
        || leads_to(Class::Stat)
        || rules.stat_marks.iter().any(|m| {
            !m.is_empty() && number.starts_with(m) && mark.is_none_or(|c| c.mark.len() < m.len())
        });
    let class = match (control_sign, stat) {
        (true, _) => Class::Control,
        (false, true) => Class::Stat,
        (false, false) => Class::Routine,
    };
    if !control_sign {
        let marked = rules.stat_marks.iter().any(|m| !m.is_empty() && number.starts_with(m));
        let holds = without_class(number, rules, lead.is_some() || marked);
        return Classed { class, level: None, control_sign, holds };
    }
    let mut levels: Vec<String> = signs.level.map(String::from).into_iter().collect();
    levels.extend(mark.and_then(|m| m.level.clone()));
    levels.extend(lead.and_then(|l| l.level.clone()));
    levels.extend(material.filter(|_| !external).and_then(|c| c.level.clone()));
    levels.dedup();
    if external {
        // First of all: whatever else is found wrong, it is nobody's but the scheme's.
        levels.insert(0, EXTERNAL.to_owned());
    }
    let contradictions = contradictions(report, rules, stat, external, &levels);
    let hold = |what: &str| {
        Hold::new(Reason::ClassDisagree, format!("marked as control material, but {what}"))
    };
    let mut holds: Vec<Hold> = contradictions.iter().map(|what| hold(what)).collect();
    let lot = report.control_lot.as_deref().is_some_and(|lot| !lot.trim().is_empty());
    if levels.is_empty() && !lot && specimen.trim().is_empty() {
        // A slip of a key marks a patient's strip as quickly as a control's.
        let why = "marked as control material, and neither an id, a level nor a lot says of what";
        holds.push(Hold::new(Reason::SpecimenBlank, why));
    }
    Classed { class, level: levels.into_iter().next(), control_sign, holds }
}

/// Where leading digits say the class, a number without any of them may be anybody's.
fn without_class(number: &str, rules: &Rules, known: bool) -> Vec<Hold> {
    if rules.leading_digits.is_empty() || known {
        return Vec::new();
    }
    let forms: Vec<String> = rules.leading_digits.iter().cloned().map(String::from).collect();
    let detail = format!("number {} has no class; configured: {}", quote(number), forms.join(", "));
    vec![Hold::new(Reason::Unreadable, detail)]
}

/// What on the print speaks against control material.
fn contradictions(
    report: &Report,
    rules: &Rules,
    stat: bool,
    external: bool,
    levels: &[String],
) -> Vec<&'static str> {
    let filled =
        |text: &Option<Private>| text.as_ref().is_some_and(|t| !t.expose().trim().is_empty());
    let patient = report.patient.as_ref().is_some_and(|p| filled(&p.id) || filled(&p.name));
    let number = report.number.as_deref().unwrap_or("");
    let routine = rules.leading_digit(number).is_some_and(|l| l.class == Class::Routine);
    let patients_specimen = specimen(report, rules).is_ok();
    // An external quality sample is run as a patient's specimen is, under a patient's number.
    let found = [
        (stat && !external, "also as urgent"),
        (routine && !external, "its leading digit is a routine number's"),
        (patient, "it names a patient"),
        (
            patients_specimen,
            "its specimen id is a patient's, and control_specimens names it for no control",
        ),
        (levels.len() > 1, "its signs name two levels"),
    ];
    found.into_iter().filter_map(|(yes, what)| yes.then_some(what)).collect()
}

/// The specimen id, when it can be one; else why it cannot. Only what a rule names as a scanner's
/// rubbish is taken off: never cut otherwise, never mended.
pub(crate) fn specimen(report: &Report, rules: &Rules) -> Result<Private, Hold> {
    let text = rules.rubbish.strip(report.specimen.as_ref().map_or("", |s| s.expose()));
    if text.trim().is_empty() {
        return Err(Hold::new(Reason::SpecimenBlank, "no specimen id was read"));
    }
    rules.check_specimen(text, report.number.as_deref()).map_err(|why| {
        Hold::new(Reason::SpecimenMalformed, format!("specimen id {} {why}", quote(text)))
    })?;
    Ok(Private::new(text))
}

/// What stands where control material has its lot (LIS02 O-3.2) and looks like a specimen id: on a
/// patient's print nobody knows which of the two it is.
pub(crate) fn second_specimen(report: &Report, rules: &Rules) -> Option<Hold> {
    let beside = rules.rubbish.strip(report.control_lot.as_deref()?).trim();
    let own = rules.rubbish.strip(report.specimen.as_ref().map_or("", |s| s.expose()));
    let is_id = rules.check_specimen(beside, None).is_ok();
    let of_control = rules.control_specimen(beside).is_some();
    if beside == own.trim() || !(is_id || of_control) {
        return None;
    }
    let detail = format!("{} stands beside the specimen id and looks like one, too", quote(beside));
    Some(Hold::new(Reason::SpecimenMalformed, detail))
}
