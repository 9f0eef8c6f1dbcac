//! Building a plan of control material: every word of the configuration against its ladder.

use std::collections::{BTreeMap, BTreeSet};

use crate::codes::{ANALYTES, Analyte};
use crate::controls::plan::{ControlPlan, Entry, Limits, Lot, PlanFault, Rule};
use crate::figure::Figure;
use crate::moment::Moment;
use crate::rules::is_level;
use crate::strip::{Kind, Pad, Strip};
use crate::units::Units;
use crate::words::nearest;

impl ControlPlan {
    /// Builds a plan from what a configuration says; every fault it has is in the error. Labels are
    /// those of the unit system that the analyzer prints. Rules go by analyte id; what has none
    /// goes by what is usual for its pad.
    ///
    /// A plan without a fault answers every run: each lot has a target, or `any`, for each pad that its
    /// strip must have, and no two entries say different things of one lot on one day.
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
            let lots = lots.into_iter().flatten().collect();
            Ok(ControlPlan { levels: levels.to_vec(), lots, known: levels.to_vec() })
        } else {
            Err(builder.faults)
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
            let allowed = "one level or more, each of 1 to 8 letters or digits, none twice, none \
                           called external";
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
        let mut bare = Vec::new();
        for pad in &strip.pads {
            match entry.expected.get(&pad.id) {
                Some(expected) => match self.limits(pad, &expected.0) {
                    Ok(found) => {
                        limits.insert(pad.id.clone(), found);
                    }
                    Err(allowed) => self.fault(Some(n), &pad.id, &expected.0, allowed),
                },
                None if pad.optional => {}
                None => bare.push(pad.id.as_str()),
            }
        }
        if !bare.is_empty() {
            let allowed = "a target for every pad of the strip, or \"any\"";
            self.fault(Some(n), &bare.join(", "), "", allowed);
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
        let negatives = pad.negatives();
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
        let plain = |text: &str| Figure::read(text).filter(Figure::is_bare);
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
        let meant = figure.map_or(Vec::new(), |figure| pad.rungs_meant(&figure, self.units));
        let named = |r: &usize| {
            let Some(rung) = pad.rungs.get(*r) else { return false };
            let graded = rung.grade.is_some() && rung.grade.as_deref() == pad.grade_of(text);
            graded || meant.contains(r)
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
