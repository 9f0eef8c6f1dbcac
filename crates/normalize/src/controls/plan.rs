//! The plan of control material: which lots, what each reading must be, and what cannot be meant.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt;
use std::str::FromStr;

use crate::codes::{ANALYTES, Analyte};
use crate::controls::Lots;
use crate::figure::Figure;
use crate::grades::Grade;
use crate::moment::Moment;
use crate::rules::is_level;
use crate::strip::{Kind, Pad, Strip};
use crate::units::Units;
use crate::words::{nearest, quote};

/// Steps that a rule may allow at most: more would let a positive of any kind pass.
const WITHIN_MOST: usize = 3;

/// How far a reading may be from its target.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rule {
    /// The target's own rung.
    Exact,
    /// So many rungs to each side, and never across negative: a positive that reads negative is out,
    /// and a negative must be negative.
    Within(usize),
    /// The lower and the upper limit as they are written, even across negative.
    Limits,
}

impl FromStr for Rule {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        let steps = text.strip_prefix("within-").and_then(|n| n.parse().ok());
        match (text, steps) {
            ("exact", _) => Ok(Rule::Exact),
            ("limits", _) => Ok(Rule::Limits),
            (_, Some(n)) if (1..=WITHIN_MOST).contains(&n) => Ok(Rule::Within(n)),
            _ => Err(format!(
                "{} is no rule; allowed: exact, within-1, within-2, within-3, limits",
                quote(text)
            )),
        }
    }
}

impl Rule {
    /// What is usual for a kind of pad: common practice, no published source.
    #[must_use]
    pub fn usual(kind: Kind) -> Rule {
        match kind {
            // Density by 0.005, pH by 0.5 or 1: one step of their scale either way.
            Kind::Graded | Kind::Stepped => Rule::Within(1),
            Kind::TwoStep | Kind::Nominal => Rule::Exact,
            Kind::Measured => Rule::Limits,
        }
    }
}

/// One lot of control material with its targets, as a configuration says it.
#[derive(Clone, Debug, Default)]
pub struct Entry {
    pub level: String,
    pub control_lot: String,
    /// The id of the strip type; may be empty where there is only one.
    pub strip: String,
    /// Empty: every lot of that strip type.
    pub strip_lot: String,
    /// `2025-03-14`, both included.
    pub first_day: String,
    pub last_day: String,
    /// By analyte id.
    pub expected: BTreeMap<String, Expected>,
}

/// What one reading must be: a grade or a label of the ladder (`2+`, `1.020`), a lower and an upper
/// one (`1+..3+`, `30..70` for free numbers), or `any` for no matter what.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Expected(pub String);

impl From<&str> for Expected {
    fn from(text: &str) -> Expected {
        Expected(text.to_owned())
    }
}

/// What is wrong in a plan: where, what was found, what is allowed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct PlanFault {
    /// Which entry, from 0. None: the plan as a whole.
    pub entry: Option<usize>,
    /// The key: `level`, `first_day`, an analyte id, a rule.
    pub key: String,
    pub found: String,
    pub allowed: String,
}

impl fmt::Display for PlanFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let PlanFault { entry, key, found, allowed } = self;
        match entry {
            Some(n) => write!(f, "control lot {}: `{key}`: ", n + 1)?,
            None => write!(f, "controls: `{key}`: ")?,
        }
        write!(f, "found {}; allowed: {allowed}", quote(found))
    }
}

/// What one reading must be, settled against its ladder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) enum Limits {
    Any,
    /// Both included.
    Rungs {
        low: usize,
        high: usize,
    },
    Numbers {
        low: Figure,
        high: Figure,
        units: Units,
    },
}

impl Limits {
    pub fn rungs(&self) -> Option<(usize, usize)> {
        match self {
            Limits::Rungs { low, high } => Some((*low, *high)),
            Limits::Any | Limits::Numbers { .. } => None,
        }
    }

    pub fn hold(&self, rung: usize) -> bool {
        self.rungs().is_some_and(|(low, high)| (low..=high).contains(&rung))
    }

    pub fn shown(&self, pad: &Pad) -> String {
        let name = |rung: usize| {
            let rung = pad.rungs.get(rung);
            let label = |units| rung.and_then(|r| r.label(units)).map(Figure::text);
            let grade = rung.and_then(|r| r.grade.clone());
            grade.or_else(|| label(Units::Conventional)).unwrap_or_default()
        };
        match self {
            Limits::Any => "anything".into(),
            Limits::Rungs { low, high } if name(*low) == name(*high) => name(*low),
            Limits::Rungs { low, high } => format!("{} to {}", name(*low), name(*high)),
            Limits::Numbers { low, high, .. } => format!("{} to {}", low.text(), high.text()),
        }
    }
}

/// One lot, settled.
#[derive(Clone, Debug)]
pub(super) struct Lot {
    pub level: String,
    pub control_lot: String,
    strip: String,
    strip_lot: String,
    first_day: String,
    last_day: String,
    pub limits: BTreeMap<String, Limits>,
}

/// Every lot of control material of one analyzer, and the levels that must be run.
#[derive(Clone, Debug, Default)]
pub struct ControlPlan {
    levels: Vec<String>,
    lots: Vec<Lot>,
}

impl ControlPlan {
    /// Builds a plan from what a configuration says; every fault it has is in the error. Labels are
    /// those of the unit system that the analyzer prints. Rules go by analyte id; what has none
    /// goes by what is usual for its pad.
    pub fn build(
        levels: &[String],
        rules: &BTreeMap<String, String>,
        entries: &[Entry],
        strips: &[Strip],
        units: Units,
    ) -> Result<ControlPlan, Vec<PlanFault>> {
        let mut builder = Builder { strips, units, rules: BTreeMap::new(), faults: Vec::new() };
        builder.levels(levels);
        builder.rules(rules);
        let lots: Vec<Option<Lot>> =
            entries.iter().enumerate().map(|(n, e)| builder.lot(n, e, levels)).collect();
        builder.overlaps(&lots);
        if builder.faults.is_empty() {
            Ok(ControlPlan { levels: levels.to_vec(), lots: lots.into_iter().flatten().collect() })
        } else {
            Err(builder.faults)
        }
    }

    /// The levels that must pass before patients go.
    #[must_use]
    pub fn levels(&self) -> &[String] {
        &self.levels
    }

    /// The lot whose targets a run is held against; the error says why there is none.
    pub(super) fn lot(
        &self,
        strip: &Strip,
        level: Option<&str>,
        lots: Lots<'_>,
        day: &str,
    ) -> Result<&Lot, String> {
        let Some(level) = level else {
            return Err("no sign names the level of this control".into());
        };
        let mut candidates: Vec<&Lot> =
            self.lots.iter().filter(|l| l.level == level && l.strip == strip.id).collect();
        let mut narrow = |keep: &dyn Fn(&Lot) -> bool, why: String| {
            candidates.retain(|l| keep(l));
            if candidates.is_empty() { Err(why) } else { Ok(()) }
        };
        narrow(&|_| true, format!("the plan has no level {} on strip {}", quote(level), strip.id))?;
        if let Some(printed) = lots.control.map(str::trim).filter(|l| !l.is_empty()) {
            let why = format!("the plan has no control lot {} of level {level}", quote(printed));
            narrow(&|l| l.control_lot == printed, why)?;
        }
        let valid = |l: &Lot| (l.first_day.as_str()..=l.last_day.as_str()).contains(&day);
        narrow(&valid, format!("no control lot of level {level} is valid on {day}"))?;
        let why = match lots.strip {
            Some(lot) => format!("the plan has no targets for strip lot {}", quote(lot)),
            None => {
                "the targets are for certain strip lots, and the one in use is not known".into()
            }
        };
        narrow(&|l| l.strip_lot.is_empty() || Some(l.strip_lot.as_str()) == lots.strip, why)?;
        if candidates.iter().any(|l| !l.strip_lot.is_empty()) {
            candidates.retain(|l| !l.strip_lot.is_empty());
        }
        match candidates.as_slice() {
            [one] => Ok(one),
            several => {
                let names: Vec<&str> = several.iter().map(|l| l.control_lot.as_str()).collect();
                let names = names.join(", ");
                Err(format!("several control lots are valid ({names}), and the print names none"))
            }
        }
    }
}

struct Builder<'a> {
    strips: &'a [Strip],
    units: Units,
    rules: BTreeMap<String, Rule>,
    faults: Vec<PlanFault>,
}

impl<'a> Builder<'a> {
    fn fault(&mut self, entry: Option<usize>, key: &str, found: &str, allowed: impl Into<String>) {
        let (key, found) = (key.to_owned(), found.to_owned());
        self.faults.push(PlanFault { entry, key, found, allowed: allowed.into() });
    }

    fn levels(&mut self, levels: &[String]) {
        let distinct: BTreeSet<&String> = levels.iter().collect();
        if levels.is_empty() || distinct.len() < levels.len() || !levels.iter().all(|l| is_level(l))
        {
            let allowed = "one level or more, each of 1 to 8 letters or digits, none twice";
            self.fault(None, "levels", &levels.join(", "), allowed);
        }
    }

    fn rules(&mut self, rules: &BTreeMap<String, String>) {
        for (analyte, text) in rules {
            if Analyte::find(analyte).is_none() {
                self.unknown(None, analyte);
            }
            match text.parse() {
                Ok(rule) => {
                    self.rules.insert(analyte.clone(), rule);
                }
                Err(why) => self.fault(None, &format!("rule {analyte}"), text, why),
            }
        }
    }

    fn unknown(&mut self, entry: Option<usize>, analyte: &str) {
        let known: Vec<&str> = ANALYTES.iter().map(|a| a.id).collect();
        let near = nearest(analyte, &known).unwrap_or_default();
        let allowed = format!("an analyte id, perhaps {near}: {}", known.join(", "));
        self.fault(entry, "analyte", analyte, allowed);
    }

    fn lot(&mut self, n: usize, entry: &Entry, levels: &[String]) -> Option<Lot> {
        let before = self.faults.len();
        if !levels.contains(&entry.level) {
            self.fault(Some(n), "level", &entry.level, format!("one of {}", levels.join(", ")));
        }
        if entry.control_lot.trim().is_empty() || entry.control_lot.trim() != entry.control_lot {
            self.fault(Some(n), "control_lot", &entry.control_lot, "the lot as its label names it");
        }
        let days = [("first_day", &entry.first_day), ("last_day", &entry.last_day)];
        for (key, text) in days {
            if Moment::from_day(text).is_none() {
                self.fault(Some(n), key, text, "a date such as 2025-03-14");
            }
        }
        if self.faults.len() == before && entry.last_day < entry.first_day {
            let allowed = format!("{} or later", entry.first_day);
            self.fault(Some(n), "last_day", &entry.last_day, allowed);
        }
        let strip = self.strip(n, &entry.strip)?;
        for id in entry.expected.keys() {
            if Analyte::find(id).is_none() {
                self.unknown(Some(n), id);
            } else if strip.pad(id).is_none() {
                self.fault(Some(n), "analyte", id, format!("a pad of strip {}", strip.id));
            }
        }
        let mut limits = BTreeMap::new();
        for pad in &strip.pads {
            match entry.expected.get(&pad.id) {
                Some(expected) => match self.limits(pad, &expected.0) {
                    Ok(found) => {
                        limits.insert(pad.id.clone(), found);
                    }
                    Err(allowed) => self.fault(Some(n), &pad.id, &expected.0, allowed),
                },
                None if pad.optional => {}
                None => {
                    let allowed = "a target for every pad of the strip, or \"any\"";
                    self.fault(Some(n), &pad.id, "", allowed);
                }
            }
        }
        (self.faults.len() == before).then(|| Lot {
            level: entry.level.clone(),
            control_lot: entry.control_lot.clone(),
            strip: strip.id.clone(),
            strip_lot: entry.strip_lot.clone(),
            first_day: entry.first_day.clone(),
            last_day: entry.last_day.clone(),
            limits,
        })
    }

    fn strip(&mut self, n: usize, id: &str) -> Option<&'a Strip> {
        let strips: &'a [Strip] = self.strips;
        let found = match strips {
            [only] if id.is_empty() => Some(only),
            several => several.iter().find(|s| s.id == id),
        };
        if found.is_none() {
            let known: Vec<&str> = strips.iter().map(|s| s.id.as_str()).collect();
            self.fault(
                Some(n),
                "strip",
                id,
                format!("a strip of this analyzer: {}", known.join(", ")),
            );
        }
        found
    }

    /// What a pad must read; the error says what may be written.
    fn limits(&self, pad: &Pad, text: &str) -> Result<Limits, String> {
        let text = text.trim();
        if text == "any" {
            return Ok(Limits::Any);
        }
        let (low, high) = text.split_once("..").unwrap_or((text, text));
        let ranged = text.contains("..");
        if pad.kind == Kind::Measured {
            return self.numbers(low, high);
        }
        let (low, high) = (self.rungs(pad, low)?, self.rungs(pad, high)?);
        let (low, high) = (low.0, high.1);
        if high < low {
            return Err("a lower limit that is not above the upper one".into());
        }
        let rule = self.rules.get(&pad.id).copied();
        let nominal = pad.kind == Kind::Nominal;
        if nominal && (ranged || !matches!(rule, None | Some(Rule::Exact))) {
            return Err("one of its words and the rule exact: they have no order".into());
        }
        let negatives = negatives(pad);
        let crosses = low < negatives && high >= negatives;
        match rule {
            Some(Rule::Limits) => Ok(Limits::Rungs { low, high }),
            _ if crosses => Err("limits on one side of negative, or the rule limits".into()),
            _ if ranged => Ok(Limits::Rungs { low, high }),
            Some(Rule::Exact) => Ok(Limits::Rungs { low, high }),
            // A negative must be negative, whichever of several normal rungs it is.
            _ if high < negatives => {
                Ok(Limits::Rungs { low: 0, high: negatives.saturating_sub(1) })
            }
            _ => {
                let steps = match rule.unwrap_or(Rule::usual(pad.kind)) {
                    Rule::Within(steps) => steps,
                    Rule::Exact | Rule::Limits => 0,
                };
                let top = pad.rungs.len().saturating_sub(1);
                let low = low.saturating_sub(steps).max(negatives);
                Ok(Limits::Rungs { low, high: (high + steps).min(top) })
            }
        }
    }

    fn numbers(&self, low: &str, high: &str) -> Result<Limits, String> {
        let plain = |text: &str| Figure::read(text).filter(|f| f.comparator.is_none());
        match (plain(low), plain(high)) {
            (Some(low), Some(high)) if low.value() <= high.value() => {
                Ok(Limits::Numbers { low, high, units: self.units })
            }
            _ => Err("a lower and an upper number, such as 30..70".into()),
        }
    }

    /// The rungs that a grade or a label names: several where one grade stands on several.
    fn rungs(&self, pad: &Pad, text: &str) -> Result<(usize, usize), String> {
        let text = text.trim();
        let figure = Figure::read(text);
        let named = |r: &usize| {
            let Some(rung) = pad.rungs.get(*r) else { return false };
            let graded = rung.grade.is_some() && rung.grade.as_deref() == pad.grade_of(text);
            let label = rung.label(self.units);
            graded || figure.as_ref().zip(label).is_some_and(|(f, label)| label.is_meant_by(f))
        };
        let mut found = (0..pad.rungs.len()).filter(named);
        let first = found.next();
        let last = found.next_back().or(first);
        first.zip(last).ok_or_else(|| {
            let labels = pad.rungs.iter().filter_map(|r| r.label(self.units)).map(Figure::text);
            let grades = pad.grades().into_iter().map(str::to_owned);
            let known: Vec<String> = grades.chain(labels).collect();
            format!(
                "a rung of its ladder ({}), two with `..` between them, or any",
                known.join(", ")
            )
        })
    }

    /// Two entries that say what the same lot must be on the same day.
    fn overlaps(&mut self, lots: &[Option<Lot>]) {
        for (n, lot) in lots.iter().enumerate() {
            let Some(lot) = lot else { continue };
            let same = |other: &&Lot| {
                other.level == lot.level
                    && other.control_lot == lot.control_lot
                    && other.strip == lot.strip
                    && other.strip_lot == lot.strip_lot
                    && other.first_day <= lot.last_day
                    && lot.first_day <= other.last_day
            };
            if let Some(other) = lots.iter().take(n).flatten().find(same) {
                let found = format!("{} to {}", lot.first_day, lot.last_day);
                let allowed = format!(
                    "days outside {} to {}, which an earlier entry has for this level and lot",
                    other.first_day, other.last_day
                );
                self.fault(Some(n), "first_day", &found, allowed);
            }
        }
    }
}

/// How many rungs at the bottom of a ladder are negative or normal.
pub(super) fn negatives(pad: &Pad) -> usize {
    let lowest = |grade: &Option<String>| {
        grade.as_deref().and_then(Grade::find).is_some_and(|g| g.rank == 0)
    };
    if pad.kind == Kind::Nominal {
        return 0;
    }
    pad.rungs.iter().take_while(|r| lowest(&r.grade)).count()
}
