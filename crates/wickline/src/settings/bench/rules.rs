//! One analyzer's rules from the words of its table: ids, classes, numbers, clock, control material,
//! comments.

use std::collections::BTreeMap;

use wickline_forward::hl7::{ControlRole, Urine};
use wickline_normalize::account::Counting;
use wickline_normalize::clocks::{ByClock, Clock, ClockFacts, ClockLimits, ClockPolicy, clock};
use wickline_normalize::comments::{self, CommentRule, When};
use wickline_normalize::controls::{
    ControlPlan, Entry, Every, Expected, Lockout, LotDays, Period, Policy, Standing, State,
};
use wickline_normalize::judge::{Facts, Judged, SERIAL, judge, strip_of};
use wickline_normalize::rules::{Rules, is_level};
use wickline_normalize::strip::Strip;
use wickline_normalize::{Class, EXTERNAL, Moment, Report, Way};

use super::super::{self as settings, Settings};
use super::{Analyzer, Bench, Builder, units};
use crate::clock::SiteClock;

/// What `site.specimen` is where nobody gives it: it fits almost any id.
const USUAL_SPECIMEN: &str = "[A-Za-z0-9-]{4,20}";

/// How the analyzer's clock is held against ours.
#[derive(Clone, Copy, Debug, Default)]
pub struct ClockRules {
    pub limits: ClockLimits,
    pub policy: ClockPolicy,
}

/// What control material must read, and how often.
#[derive(Clone, Debug, Default)]
pub struct ControlRules {
    pub plan: ControlPlan,
    pub period: Period,
    /// False: the configuration says that none is ever run on this analyzer.
    pub are_run: bool,
    /// By level and lot, the last day that the material is used, where the configuration has it.
    pub expiries: BTreeMap<(String, String), Moment>,
}

impl ControlRules {
    /// Control material with what the configuration knows of it: the lot where the print names none and only one
    /// of its level is valid on that day, as runs are judged too; and when that expires.
    #[must_use]
    pub fn named<'a>(&'a self, found: ControlRole<'a>, strip: &str, day: &str) -> ControlRole<'a> {
        let fits = |lot: &LotDays<'_>| {
            let days = lot.first_day..=lot.last_day;
            lot.level == found.level && lot.strip == strip && days.contains(&day)
        };
        let mut lots: Vec<&str> =
            self.plan.lots().filter(fits).map(|lot| lot.control_lot).collect();
        lots.sort_unstable();
        lots.dedup();
        let only = if let [one] = lots[..] { Some(one) } else { None };
        let lot = found.lot.or(only);
        let key = lot.map(|lot| (found.level.to_owned(), lot.to_owned()));
        let expires = key.and_then(|key| self.expiries.get(&key)).copied();
        ControlRole { lot, expires, ..found }
    }
}

/// What kind of urine a specimen is, by what its print says of it.
#[derive(Clone, Debug, Default)]
pub struct Urines {
    /// Where the print says nothing that is known.
    any: Urine,
    words: BTreeMap<String, Urine>,
}

impl Urines {
    #[must_use]
    pub fn of(&self, print: &Report) -> Urine {
        let word = print.descriptor.as_deref().unwrap_or_default();
        self.words.get(word).copied().unwrap_or(self.any)
    }
}

/// What a question supposes of a print that it judges by itself.
#[derive(Clone, Copy, Debug, Default)]
pub struct Supposed {
    /// The time at which it was heard is meant: the analyzer's clock is held against it.
    pub clock: bool,
    /// How every level of control material stands.
    pub controls: Option<State>,
}

impl Analyzer {
    /// Judges a print for itself, heard at this time, with its comments: what was heard before and how controls stand
    /// is no matter then, but what the print itself says of them is.
    #[must_use]
    pub fn read_alone(&self, print: &Report, clock: &SiteClock, at: i64) -> Judged {
        self.read_supposing(print, clock, at, Supposed::default()).0
    }

    /// The same, as if more were known; and whether the print's times are believed.
    #[must_use]
    pub fn read_supposing(
        &self,
        print: &Report,
        site: &SiteClock,
        at: i64,
        supposed: Supposed,
    ) -> (Judged, bool) {
        let day = print.taken.map_or_else(|| site.day(at), |taken| taken.day_text());
        let levels = self.controls.plan.levels().iter().cloned();
        let standing = supposed
            .controls
            .map(|state| Standing { levels: levels.map(|l| (l, state)).collect(), overall: state });
        let facts = Facts {
            earlier: &[],
            heard: site.moment(at),
            day: &day,
            sequence: None,
            controls: standing.as_ref(),
            lot: None,
        };
        let mut rules = self.rules.clone();
        if supposed.controls.is_none() {
            rules.controls_policy = Lockout { due: Policy::Off, ..rules.controls_policy };
        }
        let mut judged = judge(print, &self.strips, &rules, &facts);
        let mut believed = true;
        if let Some(printed) =
            print.taken.filter(|_| supposed.clock && judged.class != Class::Control)
        {
            match self.by_clock(site, printed, at, None, false).1 {
                ByClock::AsPrinted { .. } => {}
                ByClock::Held(hold) => {
                    (judged.way, believed) = (Way::Held, false);
                    judged.holds.push(hold);
                }
                ByClock::DaemonTime(remark) => {
                    believed = false;
                    judged.remarks.push(remark);
                }
            }
        }
        let strip = strip_of(print, &self.strips).filter(|_| judged.class != Class::Control);
        if let Some(strip) = strip {
            judged.remarks.extend(comments::comments(&judged.readings, strip, &self.comments));
        }
        (judged, believed)
    }

    /// How a printed time stands to the one that it was heard at, and what becomes of the report. `drift` is how far
    /// the last reports were off; what comes `late` may be old.
    #[must_use]
    pub fn by_clock(
        &self,
        site: &SiteClock,
        printed: Moment,
        heard_at: i64,
        drift: Option<i64>,
        late: bool,
    ) -> (Clock, ByClock) {
        let offsets = site.offsets(printed);
        let heard = site.moment(heard_at);
        let facts = ClockFacts { printed, heard, offsets: &offsets, drift, late };
        let found = clock(&facts, &self.clock.limits);
        let settled = found.settle(&printed, self.clock.policy);
        (found, settled)
    }

    /// Whether a person may call a report control material of this level.
    pub fn check_level(&self, level: &str) -> Result<(), String> {
        let levels = self.controls.plan.levels();
        if level == EXTERNAL {
            let none = self.rules.external_quality.is_empty();
            let why = "site.external_quality names no external quality samples";
            return if none { Err(why.into()) } else { Ok(()) };
        }
        if levels.is_empty() {
            let why = "a level is 1 to 8 letters or digits";
            return if is_level(level) { Ok(()) } else { Err(why.into()) };
        }
        if levels.iter().any(|l| l == level) {
            return Ok(());
        }
        Err(format!("there is no level {level}; the plan has {}", levels.join(", ")))
    }
}

impl Bench {
    /// Whether a person may give this specimen id to a report of this analyzer: held to the same rules
    /// as a printed one.
    pub fn check_specimen(
        &self,
        analyzer: &str,
        id: &str,
        number: Option<&str>,
    ) -> Result<(), String> {
        let Some(analyzer) = self.analyzer(analyzer) else {
            return Err(format!("analyzer {analyzer} is not configured any more"));
        };
        analyzer.rules.check_specimen(id, number).map_err(|why| {
            format!(
                "this specimen id {why}; control material is identified with --control LEVEL, an external \
                 quality sample with --control external"
            )
        })
    }
}

impl Builder<'_> {
    /// `own_sign`: the dialect knows the analyzer's sign that its controls have not passed.
    pub(super) fn rules(
        &mut self,
        settings: &Settings,
        index: usize,
        own_sign: bool,
    ) -> Option<Rules> {
        let raw = &settings.analyzer[index];
        let has_lots = !lots_of(settings, &raw.id).is_empty();
        let mut rules = Rules {
            print_units: units(&raw.units),
            compare_marks: raw.compare_marks,
            sender: Some(raw.sender.clone()).filter(|s| !s.is_empty()),
            controls_policy: Lockout {
                failed: policy(&raw.controls_failed, has_lots || own_sign),
                due: policy(&raw.controls_due, has_lots),
                urgent_goes: raw.urgent_goes,
            },
            ..Rules::default()
        };
        let before = self.faults.len();
        self.specimens(settings, &mut rules);
        for text in &raw.control_marks {
            let set = rules.add_control_mark(text);
            self.good("analyzer", index, "control_marks", text, set);
        }
        for text in &raw.control_specimens {
            let set = rules.add_control_specimen(text);
            self.good("analyzer", index, "control_specimens", text, set);
        }
        self.some_id_fits(settings, &rules, before);
        for text in &raw.stat_marks {
            self.good("analyzer", index, "stat_marks", text, rules.add_stat_mark(text));
        }
        for text in &raw.number_classes {
            let set = rules.add_leading_digit(text);
            self.good("analyzer", index, "number_classes", text, set);
        }
        for (analyte, text) in &settings.reference {
            let set = rules.add_reference(analyte, text);
            self.good("reference", 0, analyte, text, set);
        }
        (self.faults.len() == before).then_some(rules)
    }

    /// A test message must never be taken for somebody's: its specimen id is none that a patient can have.
    fn prove_specimen(&mut self, site: &settings::Site, rules: &Rules) {
        let id = site.prove_specimen.as_str();
        let plain = id.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
        let usual = site.specimen == USUAL_SPECIMEN;
        let allowed = match (id, usual) {
            ("", _) => return,
            _ if !plain => "letters, digits and hyphens".to_owned(),
            (_, true) if !id.starts_with("TEST") => {
                "an id that begins with TEST, as long as site.specimen is the usual pattern"
                    .to_owned()
            }
            (_, false) if rules.check_specimen(id, None).is_ok() => {
                format!(
                    "an id that site.specimen, {}, does not fit: a patient could have this one",
                    site.specimen
                )
            }
            _ => return,
        };
        self.fault("site", 0, "prove_specimen", id, allowed);
    }

    /// A pattern of which nothing fits the other rules would hold every patient's report. Check characters are left
    /// out: made-up ids have none.
    fn some_id_fits(&mut self, settings: &Settings, rules: &Rules, before: usize) {
        let rules = Rules { check_character: None, ..rules.clone() };
        let why = |id: &String| rules.check_specimen(id, None).err().map(|why| (id.clone(), why));
        let barred: Option<Vec<_>> = rules.specimen.examples().iter().map(why).collect();
        let told = self.faults.iter().any(|fault| fault.key == "site.specimen");
        if self.faults.len() > before || told {
            return;
        }
        if let Some((id, why)) = barred.and_then(|all| all.into_iter().next()) {
            let allowed = format!("a pattern that some patient's specimen id fits: {id} {why}");
            self.fault("site", 0, "specimen", &settings.site.specimen, allowed);
        }
    }

    /// Specimen ids are the laboratory's, not an analyzer's.
    fn specimens(&mut self, settings: &Settings, rules: &mut Rules) {
        let site = &settings.site;
        self.good("site", 0, "specimen", &site.specimen, rules.set_specimen(&site.specimen));
        rules.check_character = match site.specimen_check.as_str() {
            "" => None,
            system => self.good("site", 0, "specimen_check", system, system.parse()),
        };
        self.prove_specimen(site, rules);
        rules.rubbish.leading.clone_from(&site.scanner_leading);
        rules.rubbish.trailing.clone_from(&site.scanner_trailing);
        rules.rubbish.characters.clone_from(&site.scanner_characters);
        for text in &site.external_quality {
            let set = rules.add_external_quality(text);
            self.good("site", 0, "external_quality", text, set);
        }
        for (key, list) in [
            ("scanner_leading", &site.scanner_leading),
            ("scanner_trailing", &site.scanner_trailing),
        ] {
            if list.iter().any(String::is_empty) {
                self.fault("site", 0, key, "", "texts of one character or more".into());
            }
        }
    }

    /// What rules and strips say together.
    pub(super) fn together(
        &mut self,
        settings: &Settings,
        index: usize,
        rules: &Rules,
        strips: &[Strip],
    ) {
        for why in rules.faults(strips) {
            let analyte = settings.reference.keys().find(|id| why.contains(&format!("`{id}`")));
            match analyte {
                Some(id) => {
                    let found = settings.reference[id].clone();
                    self.fault("reference", 0, id, &found, why);
                }
                None if why.starts_with("external quality") => {
                    let names = |p: &&String| why.contains(&format!("`{p}`"));
                    let found = settings.site.external_quality.iter().find(names);
                    let found = found.cloned().unwrap_or_default();
                    self.fault("site", 0, "external_quality", &found, why);
                }
                None if why.starts_with("leading digit") => {
                    self.fault("analyzer", index, "number_classes", "", why);
                }
                None => self.fault("analyzer", index, "control_marks", "", why),
            }
        }
    }

    pub(super) fn counting(&mut self, settings: &Settings, index: usize) -> Counting {
        let raw = &settings.analyzer[index];
        let top = Some(raw.number_last).filter(|top| *top > 0);
        let counting = Counting::of(&raw.numbers, raw.number_first, top);
        let found = format!("{} to {}", raw.number_first, raw.number_last);
        self.good("analyzer", index, "number_last", &found, counting).unwrap_or_default()
    }

    pub(super) fn clock(&self, settings: &Settings, index: usize) -> ClockRules {
        let raw = &settings.analyzer[index];
        let limits = ClockLimits {
            ahead: raw.clock_ahead_minutes * 60,
            behind: raw.clock_behind_hours * 3_600,
            drift: raw.clock_drift_minutes * 60,
        };
        ClockRules { limits, policy: raw.clock.parse().unwrap_or_default() }
    }

    /// The comments that are on: of the catalogue, and the laboratory's own.
    pub(super) fn comments(&mut self, settings: &Settings, strips: &[Strip]) -> Vec<CommentRule> {
        let mut rules = Vec::new();
        for code in &settings.site.comments {
            let known: Vec<&str> = comments::CATALOGUE.iter().map(|e| e.code).collect();
            let entry = comments::find(code).ok_or_else(|| known.join(", "));
            let rule = entry.and_then(comments::Entry::rule);
            rules.extend(self.good("site", 0, "comments", code, rule).map(|r| (None, r)));
        }
        for (index, raw) in settings.comment.iter().enumerate() {
            let when = if raw.when == "any" { When::Any } else { When::All };
            let conditions: Vec<&str> = raw.conditions.iter().map(String::as_str).collect();
            let about: Vec<&str> = raw.about.iter().map(String::as_str).collect();
            let rule =
                CommentRule::new(&raw.code, when, &conditions, &about, &raw.text, &raw.source);
            rules.extend(
                self.good("comment", index, "code", &raw.code, rule).map(|r| (Some(index), r)),
            );
        }
        for (own, rule) in &rules {
            for why in rule.faults(strips) {
                match own {
                    Some(index) => self.fault("comment", *index, "conditions", &rule.code, why),
                    None => self.fault("site", 0, "comments", &rule.code, why),
                }
            }
        }
        rules.into_iter().map(|(_, rule)| rule).collect()
    }

    /// What control material must read on one analyzer.
    pub(super) fn controls(
        &mut self,
        settings: &Settings,
        index: usize,
        strips: &[Strip],
        own_sign: bool,
    ) -> ControlRules {
        let raw = &settings.analyzer[index];
        let period = self.period(settings, index);
        let lots = lots_of(settings, &raw.id);
        let are_run = raw.controls != "none";
        if lots.is_empty() {
            let on = |policy: &str| !matches!(policy, "" | "off");
            // What the analyzer itself says of its controls needs no lots of ours.
            let failed = Some(("controls_failed", &raw.controls_failed)).filter(|_| !own_sign);
            for (key, policy) in failed.into_iter().chain([("controls_due", &raw.controls_due)]) {
                if on(policy) {
                    let allowed = "\"off\" while no [[control]] says what control material must \
                                   read: without it every patient would wait for ever";
                    self.fault("analyzer", index, key, policy, allowed.into());
                }
            }
            let plan = ControlPlan::untargeted(&raw.control_levels);
            return ControlRules { plan, period, are_run, ..ControlRules::default() };
        }
        let rules = self.pairs("analyzer", index, "control_rules", &raw.control_rules);
        let entries: Vec<Entry> = lots.iter().map(|n| self.entry(settings, *n)).collect();
        let built =
            ControlPlan::build(&raw.control_levels, &rules, &entries, strips, units(&raw.units));
        let plan = built.unwrap_or_else(|faults| {
            for fault in faults {
                self.plan_fault(index, &lots, fault);
            }
            ControlPlan::default()
        });
        let expiries = lots.iter().filter_map(|n| self.expiry(settings, *n)).collect();
        ControlRules { plan, period, are_run, expiries }
    }

    fn expiry(&mut self, settings: &Settings, n: usize) -> Option<((String, String), Moment)> {
        let raw = &settings.control[n];
        if raw.expires.is_empty() {
            return None;
        }
        let day =
            Moment::from_day(&raw.expires).ok_or_else(|| "a day such as 2026-12-31".to_owned());
        let day = self.good("control", n, "expires", &raw.expires, day)?;
        Some(((raw.level.clone(), raw.lot.clone()), day))
    }

    pub(super) fn urines(&mut self, settings: &Settings) -> Urines {
        let site = &settings.site;
        let any = site.specimen_type.parse().unwrap_or_default();
        let pairs = self.pairs("site", 0, "specimen_words", &site.specimen_words);
        let mut words = BTreeMap::new();
        for (word, code) in pairs {
            let kind = code.parse().map_err(|why: String| why);
            if let Some(kind) = self.good("site", 0, "specimen_words", &code, kind) {
                words.insert(word, kind);
            }
        }
        Urines { any, words }
    }

    /// What OBX-18 says of an analyzer behind our name for it: serial number and model.
    pub(super) fn equipment(
        &mut self,
        settings: &Settings,
        index: usize,
    ) -> Option<(String, String)> {
        let raw = &settings.analyzer[index];
        let (serial, model) = (raw.serial.trim(), raw.model.trim());
        let named = raw.sender.matches(SERIAL).count();
        if named > 1 || (named == 1 && serial.is_empty()) {
            let allowed =
                format!("{SERIAL} once, and `serial` set: what stands there must be that one's");
            self.fault("analyzer", index, "sender", &raw.sender, allowed);
        }
        let whole = serial.chars().count() + 1 + model.chars().count();
        let allowed = match (serial.is_empty(), model.is_empty()) {
            (true, true) => return None,
            (true, false) => "the model with the serial key: alone it is no instance",
            (false, false) if whole > 22 => "with the serial, at most 21 characters (OBX-18)",
            (false, _) => return Some((serial.to_owned(), model.to_owned())),
        };
        self.fault("analyzer", index, "model", model, allowed.to_owned());
        None
    }

    fn entry(&mut self, settings: &Settings, n: usize) -> Entry {
        let raw = &settings.control[n];
        let expected = self.pairs("control", n, "expect", &raw.expect);
        Entry {
            level: raw.level.clone(),
            control_lot: raw.lot.clone(),
            strip: raw.strip.clone(),
            strip_lot: raw.strip_lot.clone(),
            first_day: raw.first_day.clone(),
            last_day: raw.last_day.clone(),
            expected: expected.into_iter().map(|(id, text)| (id, Expected(text))).collect(),
        }
    }

    /// `GLU=2+` and its like, each analyte once.
    fn pairs(
        &mut self,
        table: &str,
        index: usize,
        key: &str,
        list: &[String],
    ) -> BTreeMap<String, String> {
        let mut pairs = BTreeMap::new();
        for text in list {
            let pair = text.split_once('=').map(|(id, rest)| (id.trim(), rest.trim()));
            match pair {
                Some((id, rest)) if pairs.insert(id.to_owned(), rest.to_owned()).is_none() => {}
                Some(_) => self.fault(table, index, key, text, "each analyte once".into()),
                None => self.fault(table, index, key, text, "ANALYTE=WHAT, such as GLU=2+".into()),
            }
        }
        pairs
    }

    /// A fault of the plan where its words stand in the file.
    fn plan_fault(
        &mut self,
        analyzer: usize,
        lots: &[usize],
        fault: wickline_normalize::controls::PlanFault,
    ) {
        let id = self.loaded.settings.analyzer[analyzer].id.clone();
        let allowed = format!("{} (analyzer {id})", fault.allowed);
        match fault.entry.and_then(|n| lots.get(n)) {
            Some(index) => {
                let own = match fault.key.as_str() {
                    "control_lot" => "lot",
                    key @ ("level" | "first_day" | "last_day" | "strip" | "strip_lot") => key,
                    _ => "expect",
                };
                let found = match own {
                    "expect" => format!("{}={}", fault.key, fault.found),
                    _ => fault.found,
                };
                self.fault("control", *index, own, &found, allowed);
            }
            None if fault.key == "levels" => {
                self.fault("analyzer", analyzer, "control_levels", &fault.found, allowed);
            }
            None => {
                let found = format!("{}: {}", fault.key, fault.found);
                self.fault("analyzer", analyzer, "control_rules", &found, allowed);
            }
        }
    }

    fn period(&mut self, settings: &Settings, index: usize) -> Period {
        let raw = &settings.analyzer[index];
        let start = raw.controls_from.split_once(':').and_then(|(hour, minute)| {
            let (hour, minute): (u8, u8) = (hour.parse().ok()?, minute.parse().ok()?);
            (hour < 24 && minute < 60).then_some((hour, minute))
        });
        let start = start.ok_or_else(|| "a time of day such as \"07:00\"".to_owned());
        let start = self.good("analyzer", index, "controls_from", &raw.controls_from, start);
        Period {
            every: raw.controls_every.parse().unwrap_or(Every::Day),
            start: start.unwrap_or((0, 0)),
            new_lot: raw.controls_new_lot,
        }
    }
}

/// The lots of control material of one analyzer, by their place in the file.
fn lots_of(settings: &Settings, analyzer: &str) -> Vec<usize> {
    let names =
        |n: &usize| settings.control[*n].analyzers.iter().any(|a| a == "*" || a == analyzer);
    (0..settings.control.len()).filter(names).collect()
}

/// Who says what control material must read, or by which sign an analyzer says that its controls have
/// not passed, means it: patients are held unless the configuration says otherwise.
fn policy(word: &str, meant: bool) -> Policy {
    word.parse().unwrap_or(if meant { Policy::Hold } else { Policy::Off })
}
