//! What a new configuration changes of an old one, value by value: comments, order and defaults written out are none.

use std::collections::BTreeMap;

use toml::{Table, Value};

use crate::address::masked_address;
use crate::settings::with_defaults;

/// Each value that is not as it was, and each analyzer, receiver or lot that comes or goes, a line for each. None: the
/// old text is no TOML.
#[must_use]
pub fn difference(old: &str, new: &str) -> Option<Vec<String>> {
    old.parse::<Table>().ok()?;
    let (old, new) = (Tables::of(old), Tables::of(new));
    let mut names: Vec<&String> = old.0.keys().chain(new.0.keys()).collect();
    names.sort();
    names.dedup();
    Some(names.into_iter().flat_map(|name| old.against(&new, name)).collect())
}

/// What an old configuration says of its own and a new one does not: `alarm night`, `store.keep_days`, in the order of
/// their names. Empty where the old one is no TOML.
#[must_use]
pub fn left_out(old: &str, new: &str) -> Vec<String> {
    let plain = |text: &str| text.parse::<Table>().unwrap_or_default();
    let (said, all) = (Tables::of_root(&plain(new)).0, Tables::of(new).0);
    let mut names = Vec::new();
    for (name, values) in Tables::of_root(&plain(old)).0 {
        let Some(all) = all.get(&name) else {
            names.push(name);
            continue;
        };
        let said = |key| said.get(&name).is_some_and(|said| said.contains_key(key));
        let gone =
            values.iter().filter(|(key, value)| !said(*key) && all.get(*key) != Some(*value));
        names.extend(gone.map(|(key, _)| format!("{name}.{key}")));
    }
    names
}

type Values = BTreeMap<String, String>;

/// Tables by the names that people know them by.
struct Tables(BTreeMap<String, Values>);

impl Tables {
    fn of(text: &str) -> Self {
        Self::of_root(&with_defaults(text))
    }

    fn of_root(root: &Table) -> Self {
        let mut all = BTreeMap::new();
        for (table, value) in root {
            match value {
                Value::Table(inner) => {
                    all.insert(table.clone(), values(inner));
                }
                Value::Array(items) => {
                    for (n, inner) in (1..).zip(items.iter().filter_map(Value::as_table)) {
                        let id = inner.get("id").and_then(Value::as_str).map(str::to_owned);
                        let id = id.unwrap_or_else(|| n.to_string());
                        all.insert(format!("{table} {id}"), values(inner));
                    }
                }
                _ => {}
            }
        }
        Self(all)
    }

    fn against(&self, new: &Self, name: &String) -> Vec<String> {
        let (old, new) = match (self.0.get(name), new.0.get(name)) {
            (Some(old), Some(new)) => (old, new),
            (Some(_), None) => return vec![format!("{name}: goes")],
            (None, _) => return vec![format!("{name}: comes")],
        };
        let mut keys: Vec<&String> = old.keys().chain(new.keys()).collect();
        keys.sort();
        keys.dedup();
        let told = |values: &Values, key: &String| {
            values.get(key).cloned().unwrap_or_else(|| "nothing".into())
        };
        let changed = keys.into_iter().filter(|key| old.get(*key) != new.get(*key));
        changed
            .map(|key| format!("{name}, {key}: was {}, will be {}", told(old, key), told(new, key)))
            .collect()
    }
}

/// As TOML, without passwords.
fn values(table: &Table) -> Values {
    table.iter().map(|(key, value)| (key.clone(), masked_address(&value.to_string()))).collect()
}
