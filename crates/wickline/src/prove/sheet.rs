//! A second, small reading of strip and dialect files: what a case should say is taken from here,
//! never from the rooms that are on trial.

use std::collections::{BTreeMap, BTreeSet};

use super::expect::cut;
use toml::{Table, Value};
use unicode_normalization::UnicodeNormalization;
use unicode_normalization::char::is_combining_mark;

use super::grid::Grid;
use super::measured::Measured;
use super::signs::placeholders;

pub(super) const STRIPS: &[(&str, &str)] = &[
    ("ten-pad", include_str!("../../../../config/strips/ten-pad.toml")),
    ("eleven-pad", include_str!("../../../../config/strips/eleven-pad.toml")),
    ("twelve-pad", include_str!("../../../../config/strips/twelve-pad.toml")),
    ("fourteen-pad", include_str!("../../../../config/strips/fourteen-pad.toml")),
];

pub(super) const DIALECTS: &[(&str, &str)] = &[
    ("two-column", include_str!("../../../../config/dialects/two-column.toml")),
    ("three-field", include_str!("../../../../config/dialects/three-field.toml")),
    ("wide-label", include_str!("../../../../config/dialects/wide-label.toml")),
    ("ticket", include_str!("../../../../config/dialects/ticket.toml")),
];

/// The text of a strip that comes with the program.
#[must_use]
pub fn builtin_strip(name: &str) -> Option<&'static str> {
    STRIPS.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}

/// The text of a dialect that comes with the program; `lis02` has none.
#[must_use]
pub fn builtin_dialect(name: &str) -> Option<&'static str> {
    DIALECTS.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}

/// One unit system of a pad.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Scale {
    pub ucum: String,
    pub spellings: Vec<String>,
}

/// One rung as the file has it. Labels are `400`, `>=2400`.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Rung {
    pub grade: Option<String>,
    pub text: Option<String>,
    /// Conventional, then SI.
    pub labels: [Option<String>; 2],
    pub flag: String,
}

/// One pad as the file has it.
#[derive(Clone, Debug)]
pub struct Pad {
    pub id: String,
    pub title: String,
    pub names: Vec<String>,
    pub kind: String,
    pub optional: bool,
    /// Conventional, then SI.
    pub scales: [Option<Scale>; 2],
    pub automated: BTreeMap<String, String>,
    pub manual: BTreeMap<String, String>,
    pub rungs: Vec<Rung>,
    /// How the free numbers of a pad without a ladder are converted.
    pub measured: Option<Measured>,
    /// Printed words of a grade, its own and the shared ones.
    pub words: BTreeMap<String, Vec<String>>,
    pub unread: Vec<String>,
}

/// A strip as its file has it.
#[derive(Clone, Debug)]
pub struct Sheet {
    pub id: String,
    pub pads: Vec<Pad>,
    /// The file, and those it goes on from, each with its id.
    pub texts: Vec<(String, String)>,
}

impl Sheet {
    /// Reads a strip file that the loader has passed.
    pub fn read(text: &str) -> Result<Sheet, String> {
        let mut texts = Vec::new();
        let mut pads: Vec<Table> = Vec::new();
        let mut words: BTreeMap<String, Vec<String>> = BTreeMap::new();
        let mut unread: Vec<String> = Vec::new();
        let mut layers: Vec<Table> = Vec::new();
        let mut next = Some(text.to_owned());
        while let Some(text) = next.take().filter(|_| layers.len() < 8) {
            let table: Table = text.parse().map_err(|e| format!("a strip file: {e}"))?;
            let base = table.get("extends").and_then(Value::as_str).and_then(builtin_strip);
            texts.push((string(&table, "id"), text));
            next = base.map(str::to_owned);
            layers.push(table);
        }
        let id = layers.first().map(|l| string(l, "id")).unwrap_or_default();
        for layer in layers.iter().rev() {
            unread.extend(strings(layer.get("unread")));
            for (grade, list) in layer.get("words").and_then(Value::as_table).into_iter().flatten()
            {
                words.entry(grade.clone()).or_default().extend(strings(Some(list)));
            }
            let dropped = strings(layer.get("drop"));
            pads.retain(|known| !dropped.contains(&string(known, "id")));
            for pad in tables(layer.get("pad")) {
                match pads.iter_mut().find(|known| known.get("id") == pad.get("id")) {
                    // Each key that is given stands in the place of the inherited one.
                    Some(known) => known.extend(pad.clone()),
                    None => pads.push(pad.clone()),
                }
            }
        }
        let mut pads: Vec<Pad> = pads.iter().map(|table| pad(table, &words, &unread)).collect();
        // The order in which results go out: that of the file, with others before it by their ids.
        if layers.len() > 1 {
            pads.sort_by(|a, b| a.id.cmp(&b.id));
        }
        Ok(Sheet { id, pads, texts })
    }

    /// For prints in these units: what measures gets numbers in the place of its ladder.
    #[must_use]
    pub fn printed(mut self, si: bool) -> Sheet {
        for pad in &mut self.pads {
            if let Some(measured) = &mut pad.measured {
                measured.system = usize::from(si);
                pad.rungs = measured.steps();
            }
        }
        self
    }

    /// The pad of an analyte.
    #[must_use]
    pub fn pad(&self, id: &str) -> Option<&Pad> {
        self.pads.iter().find(|p| p.id == id)
    }

    /// Whether a step has a label with this comparator in this unit system.
    #[must_use]
    pub fn has_end(&self, sign: &str, system: usize) -> bool {
        let mut labels =
            self.pads.iter().flat_map(|pad| &pad.rungs).filter_map(|r| r.labels[system].as_deref());
        labels.any(|label| cut(label).0 == sign)
    }

    /// The first step whose label has a comparator in this unit system, with its pad.
    #[must_use]
    pub fn an_end(&self, system: usize) -> Option<(&str, &str)> {
        let labels = self.pads.iter().flat_map(|pad| {
            let own = pad.rungs.iter().filter_map(|rung| rung.labels[system].as_deref());
            own.map(|label| (pad.id.as_str(), label))
        });
        labels.into_iter().find(|(_, label)| !cut(label).0.is_empty())
    }

    /// The pad that a printed label names.
    #[must_use]
    pub fn named(&self, label: &str) -> Option<&Pad> {
        let same = |name: &String| alike(name, label);
        self.pads.iter().find(|p| same(&p.id) || p.names.iter().any(same))
    }
}

/// One word in two spellings: neither case nor accents nor how many blanks tell words of a print apart.
///
/// By Unicode's own tables (UAX 15 and the simple mapping of case), of which the reader of prints knows nothing.
#[must_use]
pub fn alike(one: &str, other: &str) -> bool {
    let plain = |text: &str| {
        let words = text.split_whitespace().collect::<Vec<_>>().join(" ");
        let letters = words.nfd().filter(|letter| !is_combining_mark(*letter));
        letters.flat_map(char::to_lowercase).collect::<String>().replace('ß', "ss")
    };
    plain(one) == plain(other)
}

fn pad(table: &Table, shared: &BTreeMap<String, Vec<String>>, unread: &[String]) -> Pad {
    let scales = ["conventional", "si"].map(|system| {
        let scale = table.get(system)?.as_table()?;
        Some(Scale { ucum: string(scale, "ucum"), spellings: strings(scale.get("spellings")) })
    });
    let same = scales[0].as_ref().map(|s| &s.ucum) == scales[1].as_ref().map(|s| &s.ucum);
    let mut words = shared.clone();
    for (grade, list) in table.get("words").and_then(Value::as_table).into_iter().flatten() {
        words.entry(grade.clone()).or_default().extend(strings(Some(list)));
    }
    let codes = |set: &str| {
        let table = table.get(set).and_then(Value::as_table).into_iter().flatten();
        table.filter_map(|(k, v)| Some((k.clone(), v.as_str()?.to_owned()))).collect()
    };
    let own = strings(table.get("unread"));
    Pad {
        id: string(table, "id"),
        title: string(table, "title"),
        names: strings(table.get("names")),
        kind: string(table, "kind"),
        optional: table.get("optional").and_then(Value::as_bool).unwrap_or(false),
        scales,
        automated: codes("automated"),
        manual: codes("manual"),
        rungs: tables(table.get("rungs")).map(|rung| read_rung(rung, same)).collect(),
        measured: Measured::read(table),
        words,
        unread: own.into_iter().chain(unread.iter().cloned()).collect(),
    }
}

fn read_rung(table: &Table, same: bool) -> Rung {
    let get = |key: &str| table.get(key).and_then(Value::as_str).map(str::to_owned);
    let conventional = get("conventional");
    let si = get("si").or_else(|| conventional.clone().filter(|_| same));
    Rung {
        grade: get("grade"),
        text: get("text"),
        labels: [conventional, si],
        flag: string(table, "flag"),
    }
}

fn string(table: &Table, key: &str) -> String {
    table.get(key).and_then(Value::as_str).unwrap_or("").to_owned()
}

fn strings(value: Option<&Value>) -> Vec<String> {
    let list = value.and_then(Value::as_array).into_iter().flatten();
    list.filter_map(Value::as_str).map(str::to_owned).collect()
}

fn tables(value: Option<&Value>) -> impl Iterator<Item = &Table> {
    value.and_then(Value::as_array).into_iter().flatten().filter_map(Value::as_table)
}

/// What a dialect can print beside results.
#[derive(Clone, Debug, Default)]
pub struct Habits {
    /// Each sign of abnormality with what it means.
    pub marks: Vec<(String, String)>,
    /// Forms of lines that mean control material, and of those that mean urgent work.
    pub control: Vec<String>,
    pub urgent: Vec<String>,
    /// What the other lines of a report's head say, by the names of their placeholders.
    pub said: BTreeSet<String>,
    /// Lines of a report's head that are the same in each.
    pub fixed: Vec<String>,
    /// Forms of lines by which the analyzer says that its controls have not passed.
    pub not_passed: Vec<String>,
    /// The first digit of a number by class.
    pub digits: BTreeMap<String, String>,
    /// What stands behind a number, with its class.
    pub suffixes: Vec<(String, String)>,
    /// Words in place of a result, of a pad that could not be read and of one that is switched off.
    pub unread: Vec<String>,
    pub off: Vec<String>,
    pub unit_implied: bool,
    /// Words printed for comparators, each with the sign that it stands for.
    pub comparators: Vec<(String, String)>,
    /// What leads from a label to its result, several times over.
    pub leader: Option<char>,
    /// The labels of readings that have none, in their order.
    pub order: Vec<String>,
    /// Its readings stand in a table that is headed once.
    pub grid: Option<Grid>,
    /// A line may hold readings among other things.
    pub records: bool,
    /// Its reports are records of LIS02 in frames.
    pub framed: bool,
}

impl Habits {
    /// R-7 of LIS02 as we compare it (NCCLS LIS2-A2 9.7), and what HL7's table 0078 has besides (`AA`). Below the
    /// scale a result may be as it should.
    #[must_use]
    pub fn lis02() -> Habits {
        let marks = [
            ("N", "normal"),
            ("A", "abnormal"),
            ("L", "low"),
            ("H", "high"),
            ("AA", "abnormal"),
            ("LL", "low"),
            ("HH", "high"),
            (">", "high"),
            ("<", "other"),
        ];
        let owned = |(sign, meaning): (&str, &str)| (sign.to_owned(), meaning.to_owned());
        Habits { marks: marks.map(owned).to_vec(), framed: true, ..Habits::default() }
    }

    /// From a dialect file's text.
    pub fn read(text: &str) -> Result<Habits, String> {
        let table: Table = text.parse().map_err(|e| format!("a dialect file: {e}"))?;
        if table.contains_key("records") {
            return Ok(Self::lis02());
        }
        let part = |key: &str| table.get(key).and_then(Value::as_table);
        let map = |table: Option<&Table>| -> Vec<(String, String)> {
            let pairs = table.into_iter().flatten();
            pairs.filter_map(|(k, v)| Some((k.clone(), v.as_str()?.to_owned()))).collect()
        };
        let line = |key| strings(part("header").and_then(|h| h.get(key)));
        let results = part("results");
        let number = |key| part("number").and_then(|n| n.get(key)).and_then(Value::as_table);
        let words = results.and_then(|r| r.get("comparators")).and_then(Value::as_table);
        Ok(Habits {
            marks: map(part("marks")),
            control: line("control"),
            urgent: line("urgent"),
            said: line("lines").iter().flat_map(|form| placeholders(form)).collect(),
            fixed: line("lines").into_iter().filter(|form| !form.contains('{')).collect(),
            not_passed: line("controls_not_passed"),
            digits: map(number("class_digits")).into_iter().map(|(d, class)| (class, d)).collect(),
            suffixes: map(number("suffixes")),
            unread: strings(results.and_then(|r| r.get("unread"))),
            off: strings(results.and_then(|r| r.get("off"))),
            unit_implied: results
                .and_then(|r| r.get("unit_implied"))
                .and_then(Value::as_bool)
                .unwrap_or(false),
            comparators: map(words),
            leader: results.and_then(|r| string(r, "leader").chars().next()),
            order: strings(results.and_then(|r| r.get("order"))),
            grid: results.and_then(Grid::read),
            records: part("record").is_some(),
            framed: false,
        })
    }
}
