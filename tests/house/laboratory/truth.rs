//! What must have become of every strip, by a model of its own: it shares nothing with the program but
//! the laboratory's rules in words.

use std::collections::BTreeMap;

use super::machine::{Kind, LADDER, Strip};

/// One message as a receiver accepted it.
#[derive(Clone, Debug)]
pub struct Arrived {
    /// Simulated time, seconds since 1970.
    pub at: i64,
    pub control_id: String,
    pub text: String,
}

impl Arrived {
    fn segment(&self, name: &str) -> Option<Vec<&str>> {
        let found = self.text.split('\r').find(|s| s.split('|').next() == Some(name))?;
        Some(found.split('|').collect())
    }

    /// A field of the first segment of a name, its first component.
    pub fn field(&self, name: &str, n: usize) -> String {
        let fields = self.segment(name).unwrap_or_default();
        let text = fields.get(n).copied().unwrap_or_default();
        text.split(['^', '&']).find(|c| !c.is_empty()).unwrap_or_default().to_owned()
    }

    /// Grade and number of an analyte, by our own local code beside the LOINC one.
    pub fn result(&self, analyte: &str) -> (String, String) {
        let mut found = (String::new(), String::new());
        for segment in self.text.split('\r').filter(|s| s.starts_with("OBX|")) {
            let fields: Vec<&str> = segment.split('|').collect();
            let name: Vec<&str> = fields[3].split('^').collect();
            let own = name.get(3).copied().unwrap_or_default();
            if own.split('-').next() != Some(analyte) {
                continue;
            }
            match fields[2] {
                "NM" => found.1 = fields[5].to_owned(),
                "SN" => found.1 = fields[5].replace('^', ""),
                _ => found.0 = fields[5].split('^').next().unwrap_or_default().to_owned(),
            }
        }
        found
    }

    pub fn notes(&self) -> String {
        let notes = self.text.split('\r').filter(|s| s.starts_with("NTE|"));
        notes.collect::<Vec<_>>().join("\n")
    }
}

/// One run of control material, as it truly went.
#[derive(Clone, Debug)]
pub struct Outcome {
    pub at: i64,
    pub level: char,
    pub passed: bool,
    pub lot: String,
}

/// What the laboratory decided for one analyzer.
#[derive(Clone, Copy, Debug)]
pub struct Policy {
    pub hold_when_due: bool,
    pub urgent_goes: bool,
}

/// Controls of one analyzer as they truly went: both levels must have passed since seven o'clock, with
/// the strip lot in use, and none failed since.
#[derive(Clone, Debug, Default)]
pub struct Controls {
    pub outcomes: Vec<Outcome>,
    /// Since when which strip lot was in use.
    pub lots: Vec<(i64, String)>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Door {
    Open,
    Failed,
    Due,
}

impl Controls {
    /// How the door stood at a time; `morning` is the last seven o'clock before it.
    pub fn door(&self, at: i64, morning: i64) -> Door {
        let lot = self.lots.iter().rev().find(|(since, _)| *since <= at).map(|(_, l)| l.as_str());
        let mut doors = ['1', '2'].map(|level| {
            let own = self.outcomes.iter().filter(|o| o.level == level && o.at <= at);
            let last = own.clone().max_by_key(|o| o.at);
            match last {
                Some(o) if !o.passed => Door::Failed,
                _ => {
                    let of_lot = own.filter(|o| lot.is_none_or(|lot| o.lot == lot));
                    match of_lot.max_by_key(|o| o.at) {
                        Some(o) if o.at >= morning => Door::Open,
                        _ => Door::Due,
                    }
                }
            }
        });
        doors.sort_by_key(|d| match d {
            Door::Failed => 0,
            Door::Due => 1,
            Door::Open => 2,
        });
        doors[0]
    }

    /// True when a strip taken then may have gone out by `until`: the door was open, or opened later.
    pub fn let_go(&self, taken: i64, until: i64, morning_of: impl Fn(i64) -> i64) -> bool {
        let open = |at: i64| self.door(at, morning_of(at)) == Door::Open;
        let later = self.outcomes.iter().filter(|o| o.at >= taken && o.at <= until);
        open(taken) || later.map(|o| o.at).any(open)
    }
}

/// What a strip's message must say of every pad.
pub fn check_results(strip: &Strip, message: &Arrived) {
    for (pad, rungs) in LADDER {
        let usual = if matches!(*pad, "PH" | "SG") { 2 } else { 0 };
        let (grade, value, _) = rungs[strip.rungs.get(pad).copied().unwrap_or(usual)];
        let said = message.result(pad);
        // A grade may go out that was not printed, a number never.
        let shown = message.text.replace('\r', "\n");
        assert!(grade.is_empty() || said.0 == grade, "{pad} of {strip:?}: {said:?}\n{shown}");
        assert_eq!(said.1, value, "{pad} of {strip:?}\n{shown}");
    }
}

/// The first arrivals of each control id; a repeat must be the same to the byte.
pub fn distinct(arrived: &[Arrived]) -> Vec<&Arrived> {
    let mut seen: BTreeMap<&str, &Arrived> = BTreeMap::new();
    let mut first = Vec::new();
    for one in arrived {
        match seen.get(one.control_id.as_str()) {
            None => {
                seen.insert(&one.control_id, one);
                first.push(one);
            }
            Some(known) => assert_eq!(known.text, one.text, "a repeat must be byte-identical"),
        }
    }
    first
}

pub fn is_control(kind: Kind) -> bool {
    matches!(kind, Kind::Control(_))
}
