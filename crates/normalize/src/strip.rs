//! A strip type: its pads, each with its ladder, the words and units it is printed with, its codes.
//!
//! A strip file says everything that a print of its pads can mean: which labels name a pad, which words are
//! which grade, which unit it has in which system, which rungs there are and what each is called in both. It is
//! read once and checked as a whole ([`Strip::parse`]); what is read is then asked and never changed. Values of
//! a shipped strip are our own (`config/strips`), not any maker's.

mod builtin;
mod checks;
mod load;
mod strange;

use std::cmp::Ordering;
use std::collections::{BTreeMap, BTreeSet, HashMap};

use rust_decimal::Decimal;

use crate::codes::Analyte;
use crate::fault::Fault;
use crate::figure::Figure;
use crate::grades::Grade;
use crate::observation::{Code, CodeSystem, Flag};
use crate::readings::Reading;
use crate::units::{Known, Property, Units};
use crate::words::fold;

/// A strip type, read and checked.
#[derive(Clone, Debug)]
pub struct Strip {
    /// Small letters, digits and hyphens: what configurations and the ledger's rows name.
    pub id: String,
    /// For people.
    pub name: String,
    /// Names by which a print may call it, beside its id.
    pub accepts: Vec<String>,
    /// In the order in which they are sent.
    pub pads: Vec<Pad>,
    /// Grade words that mean the same on every pad that has the grade.
    words: BTreeMap<String, Vec<String>>,
    /// Words for a pad that could not be read, folded.
    unread: Vec<String>,
    /// Folded label to pad.
    labels: HashMap<String, usize>,
    notes: Vec<String>,
    questions: Vec<String>,
}

/// What kind of result a pad gives.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// Grades on a ladder, most with a number.
    Graded,
    /// Numbers only, in steps.
    Stepped,
    /// Negative or positive.
    TwoStep,
    /// Words without order, such as colours.
    Nominal,
    /// Free numbers: a real measurement, converted and rounded.
    Measured,
}

/// One pad of a strip.
#[derive(Clone, Debug)]
pub struct Pad {
    /// The analyte's id, in capitals.
    pub id: String,
    /// What people call it: `Glucose`.
    pub title: String,
    /// What its results are, and so how they are compared.
    pub kind: Kind,
    /// A report without it is complete.
    pub optional: bool,
    /// From the lowest to the highest; of a nominal pad in the order of the file. Empty on measured
    /// pads.
    pub rungs: Vec<Rung>,
    /// Only on measured pads.
    pub measured: Option<Measured>,
    conventional: Option<Measure>,
    si: Option<Measure>,
    /// Labels that name it, folded.
    names: BTreeSet<String>,
    /// Printed word to grade, folded.
    words: HashMap<String, String>,
    unread: BTreeSet<String>,
    /// What its table says of its own words, for a pad that goes on from it.
    own_words: BTreeMap<String, Vec<String>>,
    own_unread: Vec<String>,
    automated: BTreeMap<Property, Code>,
    manual: BTreeMap<Property, Code>,
}

/// One step of a ladder.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rung {
    /// None on pads that give numbers only.
    pub grade: Option<String>,
    /// The grade in words.
    pub text: String,
    /// The label in conventional units, as printed; None: the rung has none there.
    pub conventional: Option<Figure>,
    /// The label in SI units, as printed, never as computed.
    pub si: Option<Figure>,
    /// What the ladder says of it.
    pub sense: Sense,
    /// The SI label is the insert's, however far from the converted one.
    pub as_printed: bool,
}

/// What the ladder itself says of a rung; the site's references decide flags.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sense {
    /// In every laboratory.
    Normal,
    /// In every laboratory.
    Abnormal,
    /// The site decides (trace, most colours).
    Policy,
    /// By the reference interval.
    Range,
}

impl Sense {
    /// The flag, where the ladder has one.
    #[must_use]
    pub fn flag(self) -> Option<Flag> {
        match self {
            Sense::Normal => Some(Flag::N),
            Sense::Abnormal => Some(Flag::A),
            Sense::Policy | Sense::Range => None,
        }
    }
}

/// How a measured pad's numbers go from one system to the other.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Measured {
    /// Conventional times this is SI.
    pub factor: Decimal,
    /// Decimal places sent.
    pub conventional_digits: u32,
    /// The same for SI units.
    pub si_digits: u32,
}

/// One unit system of a pad.
#[derive(Clone, Debug)]
pub struct Measure {
    /// The unit that goes out.
    pub unit: &'static Known,
    /// Further spellings of this strip's analyzers, folded.
    spellings: Vec<String>,
}

impl Measure {
    /// True when the print spells this unit so.
    #[must_use]
    pub fn is_spelled(&self, printed: &str) -> bool {
        let folded = crate::units::fold(printed);
        self.unit.is_spelled(&folded) || self.spellings.contains(&folded)
    }
}

impl Rung {
    /// What people call it: its grade, else its conventional label, else that of the SI.
    #[must_use]
    pub fn name(&self) -> String {
        let label = self.conventional.as_ref().or(self.si.as_ref());
        self.grade.clone().or_else(|| label.map(Figure::text)).unwrap_or_default()
    }

    /// The ladder's label in a unit system.
    ///
    /// None: the rung has no number in that system.
    #[must_use]
    pub fn label(&self, units: Units) -> Option<&Figure> {
        match units {
            Units::Conventional => self.conventional.as_ref(),
            Units::Si => self.si.as_ref(),
        }
    }
}

impl Pad {
    /// How many rungs at the bottom of its ladder are negative or normal.
    #[must_use]
    pub fn negatives(&self) -> usize {
        let lowest = |rung: &&Rung| {
            let Some(grade) = rung.grade.as_deref() else { return false };
            // Of a grade of the strip's own, only the ladder knows whether it is normal.
            Grade::find(grade).map_or(rung.sense == Sense::Normal, |g| g.rank == 0)
        };
        if self.kind == Kind::Nominal {
            return 0;
        }
        self.rungs.iter().take_while(lowest).count()
    }

    /// Whether a reading stands above what is negative. None: it is not known, or the pad has no negative.
    #[must_use]
    pub fn is_positive(&self, rung: Option<usize>, grade: Option<&str>) -> Option<bool> {
        let negatives = self.negatives();
        let named = |grade| self.rungs.iter().position(|r| r.grade.as_deref() == Some(grade));
        let at = rung.or_else(|| grade.and_then(named))?;
        (negatives > 0).then_some(at >= negatives)
    }

    /// A pad of which nothing is said yet.
    fn blank(id: &str) -> Pad {
        Pad {
            id: id.to_owned(),
            title: String::new(),
            kind: Kind::Graded,
            optional: false,
            rungs: Vec::new(),
            measured: None,
            conventional: None,
            si: None,
            names: BTreeSet::new(),
            words: HashMap::new(),
            unread: BTreeSet::new(),
            own_words: BTreeMap::new(),
            own_unread: Vec::new(),
            automated: BTreeMap::new(),
            manual: BTreeMap::new(),
        }
    }

    /// True when the print spells the pad's unit of this system so. Cells are counted alike by the
    /// microlitre and by the litre (`Ery/uL`, `10*6/L`): there either spelling is the one unit.
    #[must_use]
    pub fn is_spelled(&self, units: Units, printed: &str) -> bool {
        let of = |units| self.measure(units).filter(|m: &&Measure| m.is_spelled(printed));
        let cells = |m: &&Measure| m.unit.property == Property::Number;
        of(units).is_some()
            || (self.measure(units).is_some_and(|m| cells(&m))
                && of(units.other()).is_some_and(|m| cells(&m)))
    }

    /// A label in the other unit system as chemistry has it, to three digits: inserts round in their own way.
    ///
    /// None: both systems have one unit, or nothing converts them.
    #[must_use]
    pub fn calculated(&self, label: &Figure, from: Units) -> Option<Figure> {
        let (own, other) = (self.measure(from)?.unit, self.measure(from.other())?.unit);
        let mass = Analyte::find(&self.id)?.molar_mass();
        let there = |value: Decimal| match own.factor(other, mass) {
            Some(factor) => value.checked_mul(factor),
            None => value.checked_div(other.factor(own, mass)?),
        };
        let digits = |value| Some(there(value)?.round_sf(3)?.normalize().to_string());
        let to = label.to.as_ref().map(|_| digits(label.upper()));
        let to = if label.to.is_some() { Some(to??) } else { None };
        let made = Figure { comparator: label.comparator, digits: digits(label.value())?, to };
        (own.ucum != other.ucum).then_some(made)
    }

    /// The pad's unit in a system. None: it has no numbers.
    #[must_use]
    pub fn measure(&self, units: Units) -> Option<&Measure> {
        match units {
            Units::Conventional => self.conventional.as_ref(),
            Units::Si => self.si.as_ref(),
        }
    }

    /// True when its rungs have grades.
    #[must_use]
    pub fn has_grades(&self) -> bool {
        matches!(self.kind, Kind::Graded | Kind::TwoStep | Kind::Nominal)
    }

    /// The property of its grades.
    #[must_use]
    pub fn grade_property(&self) -> Property {
        if self.kind == Kind::Nominal { Property::Nominal } else { Property::Presence }
    }

    /// The grade that a printed word means on this pad, by its code.
    #[must_use]
    pub fn grade_of(&self, printed: &str) -> Option<&str> {
        self.words.get(&fold(printed)).map(String::as_str)
    }

    /// True when the printed word says that the pad could not be read.
    #[must_use]
    pub fn says_unread(&self, printed: &str) -> bool {
        self.unread.contains(&fold(printed))
    }

    /// The rungs that a printed number means: one, several where the ladder has it twice, or none.
    #[must_use]
    pub fn rungs_meant(&self, printed: &Figure, units: Units) -> Vec<usize> {
        let labels = self.rungs.iter().enumerate();
        printed.means(labels.filter_map(|(place, rung)| Some((place, rung.label(units)?))))
    }

    /// Every rung that a reading of this pad can be: several where a grade alone stands on several.
    #[must_use]
    pub fn rungs_of(&self, reading: &Reading) -> Vec<usize> {
        if self.kind == Kind::Measured {
            return Vec::new();
        }
        if let Some(rung) = reading.rung {
            return vec![rung];
        }
        let Some(grade) = &reading.grade else { return Vec::new() };
        let has = |r: &usize| self.rungs.get(*r).is_some_and(|r| r.grade.as_ref() == Some(grade));
        (0..self.rungs.len()).filter(has).collect()
    }

    /// The grades of the ladder, each once, in order.
    #[must_use]
    pub fn grades(&self) -> Vec<&str> {
        let mut grades: Vec<&str> = self.rungs.iter().filter_map(|r| r.grade.as_deref()).collect();
        grades.dedup();
        grades
    }

    /// How a grade of the ladder stands to another grade: by their places where the ladder has both, else by
    /// their ranks on any ladder. None: nobody can tell.
    #[must_use]
    pub fn compared(&self, grade: &str, to: &str) -> Option<Ordering> {
        let grades = self.grades();
        let place = |code: &str| grades.iter().position(|known| *known == code);
        let rank = |code: &str| Grade::find(code).map(|g| g.rank);
        let places = place(grade).zip(place(to)).map(|(one, other)| one.cmp(&other));
        places.or_else(|| Some(rank(grade)?.cmp(&rank(to)?)))
    }

    /// How a reading with this grade or on this rung stands to a grade: as [`Pad::compared`] says, and a rung
    /// that has a number alone by its place among those that have the grade.
    #[must_use]
    pub fn stands(&self, grade: Option<&str>, rung: Option<usize>, to: &str) -> Option<Ordering> {
        if let Some(grade) = grade {
            return self.compared(grade, to);
        }
        let of = |r: &Rung| r.grade.as_deref() == Some(to);
        let (first, last) = (self.rungs.iter().position(of)?, self.rungs.iter().rposition(of)?);
        Some(match rung? {
            rung if rung < first => Ordering::Less,
            rung if rung > last => Ordering::Greater,
            _ => Ordering::Equal,
        })
    }

    /// How many plus steps the ladder has; 0 where they are not 1+, 2+ and so on, each once (a ladder with
    /// `0.5+` is of no family that SNOMED CT has names for).
    #[must_use]
    pub fn plus_steps(&self) -> usize {
        let steps = self.grades().into_iter().filter(|g| g.ends_with('+'));
        let whole = |(n, grade): (usize, &str)| grade == format!("{n}+");
        let count = steps.clone().count();
        if (1..).zip(steps).all(whole) { count } else { 0 }
    }

    /// The published code for a property: of the method set, else by eye. None: our local code
    /// goes.
    ///
    /// Codes are checked when the strip is read, so that what comes from here agrees with its property.
    #[must_use]
    pub fn code(&self, property: Property, automated: bool) -> Option<&Code> {
        let own = if automated { self.automated.get(&property) } else { None };
        own.or_else(|| self.manual.get(&property))
    }

    /// Our own name for what this pad says of a property: the bare id where it says only one thing.
    #[must_use]
    pub fn local(&self, property: Property) -> Code {
        let properties = self.properties();
        let (suffix, what) = match property {
            _ if properties.len() < 2 => ("", ""),
            Property::Presence => ("-GRADE", ", grade"),
            Property::Mass => ("-MASS", ", mass concentration"),
            Property::Moles => ("-MOLES", ", substance concentration"),
            Property::Number => ("-CELLS", ", cells"),
            Property::Units => ("-UNITS", ", arbitrary units"),
            Property::MassRatio => ("-MASSRATIO", ", mass ratio"),
            Property::Ratio => ("-RATIO", ", ratio"),
            Property::Density | Property::Ph | Property::Nominal => ("", ""),
        };
        Code {
            code: format!("{}{suffix}", self.id),
            text: format!("{}{what}", self.title),
            system: CodeSystem::Local,
        }
    }

    /// Every property that an observation of this pad can have.
    #[must_use]
    pub fn properties(&self) -> BTreeSet<Property> {
        let numbers = [&self.conventional, &self.si].into_iter().flatten().map(|m| m.unit.property);
        numbers.chain(self.has_grades().then(|| self.grade_property())).collect()
    }
}

impl Strip {
    /// Reads and checks a strip file. Every fault it has is in the error.
    ///
    /// Refused are an unknown key, a ladder out of order, two rungs alike, a word with two meanings, a
    /// code of another property, units that do not belong together. `where_from` is the file's name, for the
    /// faults.
    pub fn parse(text: &str, where_from: &str) -> Result<Strip, Vec<Fault>> {
        load::strip(text, where_from, true)
    }

    /// A strip that comes with the program.
    ///
    /// None: no strip of this name is shipped; [`Strip::builtin_names`] lists them.
    #[must_use]
    pub fn builtin(name: &str) -> Option<Strip> {
        builtin::read(name).cloned()
    }

    /// The names of the strips that come with the program.
    #[must_use]
    pub fn builtin_names() -> &'static [&'static str] {
        builtin::NAMES
    }

    /// The shipped strip with the most pads, for telling a pad of another strip from an unknown
    /// word.
    pub(crate) fn largest_builtin() -> Option<&'static Strip> {
        builtin::read("fourteen-pad")
    }

    /// What a person should know who checks a configuration.
    #[must_use]
    pub fn notes(&self) -> &[String] {
        &self.notes
    }

    /// Where the code set that a receiver gets has gaps: the automated one, or the manual one.
    #[must_use]
    pub fn gaps(&self, automated: bool) -> Vec<String> {
        self.pads.iter().flat_map(|pad| checks::gaps(pad, automated)).collect()
    }

    /// Labels and words that the program's own strips know for something else; one sentence each.
    #[must_use]
    pub fn questions(&self) -> &[String] {
        &self.questions
    }

    /// The pad that a printed label names.
    ///
    /// An index into [`Strip::pads`]; case, accents and runs of blanks do not count.
    #[must_use]
    pub fn pad_of(&self, label: &str) -> Option<usize> {
        self.labels.get(&fold(label)).copied()
    }

    /// The only pad that has a label which begins so: what a shortened label most likely names.
    #[must_use]
    pub fn begun_by(&self, beginning: &str) -> Option<usize> {
        let folded = fold(beginning);
        self.labelled(|label| label.starts_with(&folded))
    }

    /// The pad of every label that is so, folded. None: there is none, or they are of several pads.
    #[must_use]
    pub fn labelled(&self, is: impl Fn(&str) -> bool) -> Option<usize> {
        let mut own = self.labels.iter().filter(|(label, _)| is(label));
        let (_, first) = own.next()?;
        own.all(|(_, at)| at == first).then_some(*first)
    }

    /// The pad of an analyte.
    #[must_use]
    pub fn pad(&self, id: &str) -> Option<&Pad> {
        self.pads.iter().find(|p| p.id == id)
    }

    /// True when the print may call this strip so.
    #[must_use]
    pub fn is_called(&self, printed: &str) -> bool {
        let printed = fold(printed);
        fold(&self.id) == printed || self.accepts.iter().any(|name| fold(name) == printed)
    }
}

impl Rung {
    /// The grade's rank; rungs without grade are ordered by their numbers alone.
    fn rank(&self) -> Option<u8> {
        Grade::find(self.grade.as_deref()?).map(|g| g.rank)
    }
}

#[cfg(test)]
mod tests;
