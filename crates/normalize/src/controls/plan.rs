//! The plan of control material: which lots, what each reading must be, and what cannot be meant.

use std::collections::BTreeMap;
use std::fmt;
use std::str::FromStr;

use crate::class::EXTERNAL;
use crate::controls::Lots;
use crate::figure::Figure;
use crate::strip::{Kind, Pad, Rung, Strip};
use crate::units::Units;
use crate::words::quote;

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
    /// As the signs of control material name it, such as `1`; one of the levels that must pass.
    pub level: String,
    /// As its label and the print name it.
    pub control_lot: String,
    /// The id of the strip type; may be empty where there is only one.
    pub strip: String,
    /// Empty: every lot of that strip type.
    pub strip_lot: String,
    /// `2025-03-14`, both included.
    pub first_day: String,
    /// The last day that it may be used on.
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
    /// What is written there; empty where something lacks.
    pub found: String,
    /// What may be written, in words.
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

    /// The lowest and the highest that is allowed, as the ladder writes them. None: anything.
    pub fn ends(&self, pad: &Pad) -> Option<(String, String)> {
        let name = |rung: usize| pad.rungs.get(rung).map(Rung::name).unwrap_or_default();
        match self {
            Limits::Any => None,
            Limits::Rungs { low, high } => Some((name(*low), name(*high))),
            Limits::Numbers { low, high, .. } => Some((low.text(), high.text())),
        }
    }

    pub fn shown(&self, pad: &Pad) -> String {
        match self.ends(pad) {
            None => "anything".into(),
            Some((low, high)) if low == high => low,
            Some((low, high)) => format!("{low} to {high}"),
        }
    }
}

/// One lot, settled.
#[derive(Clone, Debug)]
pub(super) struct Lot {
    pub level: String,
    pub control_lot: String,
    pub strip: String,
    pub strip_lot: String,
    pub first_day: String,
    pub last_day: String,
    pub limits: BTreeMap<String, Limits>,
}

/// When a lot may be used, `2025-03-14`, both included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LotDays<'a> {
    /// Its level.
    pub level: &'a str,
    /// As its label names it.
    pub control_lot: &'a str,
    /// The id of the strip type that its targets are for.
    pub strip: &'a str,
    /// `2025-03-14`.
    pub first_day: &'a str,
    /// `2025-03-14`.
    pub last_day: &'a str,
}

/// Every lot of control material of one analyzer, and the levels that must be run.
#[derive(Clone, Debug, Default)]
pub struct ControlPlan {
    pub(super) levels: Vec<String>,
    pub(super) lots: Vec<Lot>,
    /// The levels that the configuration knows, also where no lot says what they must read.
    pub(super) known: Vec<String>,
}

impl ControlPlan {
    /// The levels that must pass before patients go.
    ///
    /// In the order of the configuration. Empty: nothing says what control material must read.
    #[must_use]
    pub fn levels(&self) -> &[String] {
        &self.levels
    }

    /// Of an analyzer whose control material has no targets.
    #[must_use]
    pub fn untargeted(known: &[String]) -> ControlPlan {
        ControlPlan { known: known.to_vec(), ..ControlPlan::default() }
    }

    /// Whether there is something to say of runs of this level: what it must read, or that nobody knows it.
    #[must_use]
    pub fn tells(&self, level: Option<&str>) -> bool {
        let stranger = |level: &str| level != EXTERNAL && !self.knows(level);
        !self.lots.is_empty() || level.is_some_and(stranger)
    }

    fn knows(&self, level: &str) -> bool {
        self.known.iter().any(|known| known == level)
    }

    /// Every lot that the plan has targets for.
    pub fn lots(&self) -> impl Iterator<Item = LotDays<'_>> {
        self.lots.iter().map(|lot| LotDays {
            level: &lot.level,
            control_lot: &lot.control_lot,
            strip: &lot.strip,
            first_day: &lot.first_day,
            last_day: &lot.last_day,
        })
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
        if level == EXTERNAL {
            return Err("an external quality sample: the scheme judges it".into());
        }
        let mut candidates: Vec<&Lot> =
            self.lots.iter().filter(|l| l.level == level && l.strip == strip.id).collect();
        if !self.knows(level) {
            let known = self.known.join(", ");
            return Err(format!("level {} is none of control_levels ({known})", quote(level)));
        }
        if self.lots.is_empty() {
            return Err("no [[control]] says what control material must read".into());
        }
        let mut narrow = |keep: &dyn Fn(&Lot) -> bool, why: String| {
            candidates.retain(|l| keep(l));
            if candidates.is_empty() { Err(why) } else { Ok(()) }
        };
        narrow(
            &|_| true,
            format!("no [[control]] is of level {} on strip {}", quote(level), strip.id),
        )?;
        if let Some(printed) = lots.control.map(str::trim).filter(|l| !l.is_empty()) {
            let why = format!("no [[control]] names lot {} for level {level}", quote(printed));
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
