//! Control material: what each reading must be, and what a run of it amounts to.
//!
//! What the rules rest on:
//! - graded or titred tests need a negative control and one of graded reactivity, at least once each
//!   day of patient testing: 42 CFR 493.1256(d)(2)-(3);
//! - results meet the laboratory's own criteria before patients are reported: 42 CFR 493.1256(f);
//! - within one rung of the target and never across negative, the negative exactly negative, nitrite
//!   exact, density and pH by step: common practice, no published source;
//! - an expired lot, an unknown lot and a missing run count as not in control: common practice.
//!
//! The parts: a [`ControlPlan`] is built from the configuration and refuses what cannot be meant; [`assess`]
//! holds one run against it; [`standing()`] says from all runs how an analyzer stands at a time; a [`Lockout`]
//! says what patients' reports meet meanwhile. Nothing in here sends anything.

mod build;
mod lockout;
mod plan;
mod standing;

use crate::figure::Figure;
use crate::readings::Reading;
use crate::strip::{Kind, Pad, Strip};
use crate::words::quote;

pub(crate) use lockout::Locked;
pub use lockout::{Lockout, Policy};
use plan::Limits;
pub use plan::{ControlPlan, Entry, Expected, LotDays, PlanFault, Rule};
pub use standing::{Every, Period, Ran, Standing, State, standing};

/// What a run of control material amounts to.
#[derive(
    Clone, Copy, Debug, Default, PartialEq, Eq, Hash, serde::Serialize, serde::Deserialize,
)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Every reading is where it must be.
    Passed,
    /// One reading at least is out.
    Failed,
    /// Nothing says what it must be: it counts as no run.
    #[default]
    NoTarget,
}

impl Verdict {
    /// As scripts and the ledger know it.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Verdict::Passed => "passed",
            Verdict::Failed => "failed",
            Verdict::NoTarget => "no-target",
        }
    }

    /// In words, with what there is to say of it.
    #[must_use]
    pub fn told(self, why: &str) -> String {
        let why = if why.is_empty() { String::new() } else { format!(": {why}") };
        match self {
            Verdict::Passed => "passed".to_owned(),
            Verdict::Failed => format!("FAILED{why}"),
            Verdict::NoTarget => format!("says nothing{why}"),
        }
    }
}

/// Where one reading stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Range {
    /// Within its limits, or any result is allowed.
    In,
    /// Outside of them, not read, or not printed where it must be.
    Out,
    /// Nothing says what it must be.
    NoTarget,
}

/// One reading of a run, held against its limits.
#[derive(Clone, Debug, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Checked {
    /// Its id; what the print calls it where no pad of the strip is called so.
    pub analyte: String,
    /// Where it stands.
    pub range: Range,
    /// In words: what was found and what is allowed.
    pub why: String,
    /// As printed; empty where nothing was.
    pub found: String,
    /// The lowest and the highest that is allowed, as the ladder or the plan writes them. None:
    /// anything is, or there is no target.
    pub allowed: Option<(String, String)>,
    /// The rungs allowed, lowest and highest; None on free numbers and without a target.
    pub rungs: Option<(usize, usize)>,
    /// The rung found.
    pub rung: Option<usize>,
    /// The lowest and the highest rung that it can be: a grade alone may stand on several.
    pub span: Option<(usize, usize)>,
    /// The number found, on a pad that measures.
    pub number: Option<Figure>,
}

impl Checked {
    /// A reading that nothing is said of yet.
    fn bare(analyte: impl Into<String>, range: Range, why: impl Into<String>) -> Checked {
        Checked {
            analyte: analyte.into(),
            range,
            why: why.into(),
            found: String::new(),
            allowed: None,
            rungs: None,
            rung: None,
            span: None,
            number: None,
        }
    }

    /// What was printed, and where it stands.
    fn with(self, reading: &Reading, pad: Option<&Pad>) -> Checked {
        let rungs = pad.map(|pad| pad.rungs_of(reading)).unwrap_or_default();
        let measured = pad.is_some_and(|pad| pad.kind == Kind::Measured);
        Checked {
            found: reading.printed.parts.join(" "),
            rung: reading.rung,
            span: rungs.iter().min().copied().zip(rungs.iter().max().copied()),
            number: reading.number.clone().filter(|_| measured),
            ..self
        }
    }

    /// What it is held against.
    fn against(self, pad: &Pad, limits: Option<&Limits>) -> Checked {
        let (allowed, rungs) = limits.map(|l| (l.ends(pad), l.rungs())).unwrap_or_default();
        Checked { allowed, rungs, ..self }
    }
}

/// One run of one level.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub struct Run {
    /// What counts: one reading out fails the run, one without a target makes it say nothing.
    pub verdict: Verdict,
    /// In the order of the strip.
    pub readings: Vec<Checked>,
    /// The control lot whose targets were taken.
    pub control_lot: Option<String>,
    /// Why there is no target, or which readings are out; empty when it passed.
    pub why: String,
}

/// The lots of a run, as far as they are known.
#[derive(Clone, Copy, Debug, Default)]
pub struct Lots<'a> {
    /// As printed.
    pub control: Option<&'a str>,
    /// The strip lot in use.
    pub strip: Option<&'a str>,
}

/// Holds one run against the targets of its level and lots on its local day, `2025-03-14`.
///
/// The lot is the one that the print names, else the only one of this level that is valid on that day
/// for the strips in use: a choice between several is never made. Every pad with limits must be there.
#[must_use]
pub fn assess(
    readings: &[Reading],
    strip: &Strip,
    plan: &ControlPlan,
    level: Option<&str>,
    lots: Lots<'_>,
    day: &str,
) -> Run {
    let lot = match plan.lot(strip, level, lots, day) {
        Ok(lot) => lot,
        Err(why) => return Run::untargeted(readings, strip, &why),
    };
    let mut checked: Vec<Checked> = Vec::with_capacity(strip.pads.len());
    for pad in &strip.pads {
        let of_pad = || readings.iter().filter(|r| r.analyte.as_deref() == Some(pad.id.as_str()));
        let limits = lot.limits.get(&pad.id);
        if of_pad().next().is_none() && limits.is_some_and(|l| *l != Limits::Any) {
            checked.push(missing(pad, limits));
        }
        checked.extend(of_pad().map(|reading| check(pad, reading, limits)));
    }
    let strangers =
        readings.iter().filter(|r| r.analyte.as_deref().is_none_or(|id| strip.pad(id).is_none()));
    checked.extend(strangers.map(|r| {
        let name = r.analyte.as_ref().unwrap_or(&r.label);
        Checked::bare(name, Range::NoTarget, format!("no pad of strip {}", strip.id)).with(r, None)
    }));
    let told = |range: Range| {
        let of_range = checked.iter().filter(|c| c.range == range);
        let told: Vec<String> = of_range.map(|c| format!("{}: {}", c.analyte, c.why)).collect();
        told.join("; ")
    };
    let (out, bare) = (told(Range::Out), told(Range::NoTarget));
    let (verdict, why) = match (out.is_empty(), bare.is_empty()) {
        (false, _) => (Verdict::Failed, out),
        (true, false) => (Verdict::NoTarget, bare),
        (true, true) if checked.is_empty() => (Verdict::NoTarget, "nothing was read".to_owned()),
        (true, true) => (Verdict::Passed, String::new()),
    };
    Run { verdict, readings: checked, control_lot: Some(lot.control_lot.clone()), why }
}

impl Run {
    /// A run that nothing can be said of, and why.
    #[must_use]
    pub fn untargeted(readings: &[Reading], strip: &Strip, why: &str) -> Run {
        let checked = |reading: &Reading| {
            let name = reading.analyte.as_ref().unwrap_or(&reading.label);
            let pad = reading.analyte.as_deref().and_then(|id| strip.pad(id));
            Checked::bare(name, Range::NoTarget, why).with(reading, pad)
        };
        let readings = readings.iter().map(checked).collect();
        Run { verdict: Verdict::NoTarget, readings, control_lot: None, why: why.to_owned() }
    }

    /// A run whose report waits for a person, or was made with strips that are too old: that it reads as
    /// it must does not count. A reading that is out does, where it `counts`.
    ///
    /// What is out counts even then, for a failure is never explained away by another fault.
    #[must_use]
    pub fn without_pass(self, why: String, counts: impl Fn(&Checked) -> bool) -> Run {
        if self.readings.iter().any(|c| c.range == Range::Out && counts(c)) {
            return self;
        }
        Run { verdict: Verdict::NoTarget, why, ..self }
    }
}

fn missing(pad: &Pad, limits: Option<&Limits>) -> Checked {
    Checked::bare(&pad.id, Range::Out, "it was not printed").against(pad, limits)
}

fn check(pad: &Pad, reading: &Reading, limits: Option<&Limits>) -> Checked {
    let (range, why) = match limits {
        None => {
            let why =
                format!("the plan has no target; write {} = \"any\" if none is meant", pad.id);
            (Range::NoTarget, why)
        }
        Some(limits) => within(pad, reading, limits),
    };
    Checked::bare(&pad.id, range, why).with(reading, Some(pad)).against(pad, limits)
}

fn within(pad: &Pad, reading: &Reading, limits: &Limits) -> (Range, String) {
    if *limits == Limits::Any {
        return (Range::In, "any result is allowed".into());
    }
    let allowed = limits.shown(pad);
    if let Some(why) = &reading.unread {
        return (Range::Out, format!("it was not read ({why}); allowed: {allowed}"));
    }
    let printed = reading.printed.parts.join(" ");
    let fits = match limits {
        Limits::Any => true,
        Limits::Rungs { .. } => {
            let rungs = pad.rungs_of(reading);
            !rungs.is_empty() && rungs.iter().all(|r| limits.hold(*r))
        }
        // A comparator leaves open how far the number is from the limit.
        Limits::Numbers { low, high, units } => reading.number.as_ref().is_some_and(|n| {
            n.is_bare()
                && reading.units == *units
                && (low.value()..=high.value()).contains(&n.value())
        }),
    };
    let why = format!("{}; allowed: {allowed}", quote(&printed));
    (if fits { Range::In } else { Range::Out }, why)
}

#[cfg(test)]
mod tests;
