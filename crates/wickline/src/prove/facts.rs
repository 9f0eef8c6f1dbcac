//! The facts that a proof speaks of: every value of configuration, dialect and strips, each with what it is and
//! where it stands. The fingerprint is of them, and they are compared one by one: neither can tell a change that
//! the other does not.

use std::collections::BTreeMap;

use serde::Serialize;
use toml::{Table, Value};

use super::{fingerprint, without};

/// What values are called, by the key that they stand under; any other by the key itself.
const WORDS: &[(&str, &str)] = &[
    ("names", "label"),
    ("words", "word"),
    ("lines", "form"),
    ("control", "form of control material"),
    ("urgent", "form of urgent work"),
    ("first_line", "first line"),
    ("last_line", "last line"),
    ("marks", "mark"),
    ("class_digits", "class digit"),
    ("automated", "automated code"),
    ("manual", "manual code"),
    ("unread", "word for not read"),
    ("spellings", "spelling of the unit"),
    ("ucum", "unit"),
];

/// Tables whose keys are not ours: what stands in them is called after the table.
const OPEN: &[&str] =
    &["words", "marks", "automated", "manual", "reference", "class_digits", "comparators"];

/// What a list of things is called, before their kind; and where the outermost stand.
const EVERY: &str = "every ";
const WHOLE: &str = "the proof";

/// One value.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
pub struct Fact {
    /// `label`, `word`, `mark`, `units`.
    pub what: String,
    /// `ten-pad GLU`, `receiver lis`.
    pub place: String,
    pub value: String,
}

/// All of a proof, by what and where; lists in their order.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Facts(BTreeMap<(String, String), Vec<String>>);

impl Facts {
    /// One value more.
    pub fn add(&mut self, fact: Fact) {
        self.0.entry((fact.what, fact.place)).or_default().push(fact.value);
    }

    /// Every value of the configuration.
    pub fn add_configuration(&mut self, table: &Table) {
        self.walk(&[], &Value::Table(table.clone()));
    }

    /// Every value of a dialect's or a strip's file.
    pub fn add_file(&mut self, kind: &str, name: &str, text: &str) -> Result<(), String> {
        let table: Table = text.parse().map_err(|e| format!("{name}: {e}"))?;
        let whole = |what| Fact { what, place: WHOLE.into(), value: name.into() };
        self.add(whole(format!("{EVERY}{kind}")));
        self.walk(&[name.to_owned()], &Value::Table(table));
        Ok(())
    }

    fn walk(&mut self, path: &[String], value: &Value) {
        let below = |key: String| [path, &[key]].concat();
        match value {
            Value::Table(table) => {
                for (key, value) in table {
                    self.walk(&below(key.clone()), value);
                }
            }
            Value::Array(list) if list.iter().any(Value::is_table) => {
                let (list_name, above) =
                    path.split_last().map_or(("", path), |(l, a)| (l.as_str(), a));
                let names: Vec<String> =
                    (1..).zip(list).map(|(n, item)| item_name(list_name, item, n)).collect();
                for (name, item) in names.iter().zip(list) {
                    self.walk(&[above, std::slice::from_ref(name)].concat(), item);
                }
                let place = if above.is_empty() { WHOLE.to_owned() } else { above.join(" ") };
                for value in names {
                    self.add(Fact {
                        what: format!("{EVERY}{list_name}"),
                        place: place.clone(),
                        value,
                    });
                }
            }
            Value::Array(list) => list.iter().for_each(|item| self.leaf(path, item)),
            value => self.leaf(path, value),
        }
    }

    fn leaf(&mut self, path: &[String], value: &Value) {
        let value = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
        let named = |key: &str| {
            let known = WORDS.iter().find(|(known, _)| *known == key);
            known.map_or(key, |(_, word)| word).to_owned()
        };
        let (what, place) = match path {
            [above @ .., table, key] if OPEN.contains(&table.as_str()) => {
                (named(table), [above, std::slice::from_ref(key)].concat())
            }
            [above @ .., key] => (named(key), above.to_vec()),
            [] => return,
        };
        self.add(Fact { what, place: place.join(" "), value });
    }

    /// Each by itself, in order.
    pub fn list(&self) -> impl Iterator<Item = Fact> {
        let one = |((what, place), values): (&(String, String), &Vec<String>)| {
            let (what, place) = (what.clone(), place.clone());
            let fact = move |value: &String| Fact {
                what: what.clone(),
                place: place.clone(),
                value: value.clone(),
            };
            values.iter().map(fact).collect::<Vec<_>>()
        };
        self.0.iter().flat_map(one)
    }

    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    #[must_use]
    pub fn fingerprint(&self) -> String {
        let texts: Vec<String> = self.list().flat_map(|f| [f.what, f.place, f.value]).collect();
        fingerprint(&texts.iter().map(String::as_str).collect::<Vec<_>>())
    }

    /// What is not as it was, in words: `label of ten-pad PRO: was PROT, is PRO`. What came or went whole is told
    /// once.
    #[must_use]
    pub fn changes(&self, old: &Facts) -> Vec<String> {
        let mut keys: Vec<&(String, String)> = self.0.keys().chain(old.0.keys()).collect();
        keys.sort();
        keys.dedup();
        let whole: Vec<String> = keys.iter().flat_map(|key| self.whole(old, key)).collect();
        let within = |place: &str| {
            let below = |name: &String| {
                place
                    .strip_prefix(name.as_str())
                    .is_some_and(|r| r.is_empty() || r.starts_with(' '))
            };
            whole.iter().any(below)
        };
        let told = |key: &(String, String)| {
            let (what, place) = key;
            let at = if place.is_empty() { what.clone() } else { format!("{what} of {place}") };
            let how = different(&old.of(key), &self.of(key)).into_iter();
            how.map(|how| format!("{at}: {how}")).collect::<Vec<_>>()
        };
        keys.into_iter().filter(|(_, place)| !within(place)).flat_map(told).collect()
    }

    fn of(&self, key: &(String, String)) -> Vec<String> {
        self.0.get(key).cloned().unwrap_or_default()
    }

    /// Where those stand that came or went whole, if this key is the list of them.
    fn whole(&self, old: &Facts, key: &(String, String)) -> Vec<String> {
        let (what, place) = key;
        if !what.starts_with(EVERY) {
            return Vec::new();
        }
        let (before, now) = (old.of(key), self.of(key));
        let moved = without(&before, &now).into_iter().chain(without(&now, &before));
        let above = if place == WHOLE { String::new() } else { format!("{place} ") };
        moved.map(|name| format!("{above}{name}")).collect()
    }
}

/// `receiver lis`, `GLU` of the pads, `rung 3`.
fn item_name(list: &str, item: &Value, n: usize) -> String {
    let keys: &[&str] = match list {
        "control" => &["level", "lot"],
        "comment" => &["code"],
        _ => &["id"],
    };
    let names: Vec<&str> = keys.iter().filter_map(|key| item.get(key)?.as_str()).collect();
    match (list, names.is_empty()) {
        ("pad", false) => names.join(" "),
        (_, false) => format!("{list} {}", names.join(" ")),
        (_, true) => format!("{} {n}", list.strip_suffix('s').unwrap_or(list)),
    }
}

/// What came, went or moved between two lists.
fn different(before: &[String], now: &[String]) -> Vec<String> {
    let (gone, come) = (without(before, now), without(now, before));
    if gone.is_empty() && come.is_empty() && before != now {
        return vec![format!(
            "was in the order {}, is in the order {}",
            before.join(", "),
            now.join(", ")
        )];
    }
    let shown = |text: &str| if text.is_empty() { "empty".to_owned() } else { text.to_owned() };
    let pairs =
        gone.iter().zip(&come).map(|(was, is)| format!("was {}, is {}", shown(was), shown(is)));
    let gone_only = gone.iter().skip(come.len()).map(|was| format!("{} is gone", shown(was)));
    let come_only = come.iter().skip(gone.len()).map(|is| format!("{} is new", shown(is)));
    pairs.chain(gone_only).chain(come_only).collect()
}
