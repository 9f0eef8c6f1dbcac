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

/// Tables by the names that people know them by.
struct Tables(BTreeMap<String, BTreeMap<String, String>>);

impl Tables {
    fn of(text: &str) -> Self {
        let mut all = BTreeMap::new();
        for (table, value) in with_defaults(text) {
            match value {
                Value::Table(inner) => {
                    all.insert(table, values(&inner));
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
        let told = |values: &BTreeMap<String, String>, key: &String| {
            values.get(key).cloned().unwrap_or_else(|| "nothing".into())
        };
        let changed = keys.into_iter().filter(|key| old.get(*key) != new.get(*key));
        changed
            .map(|key| format!("{name}, {key}: was {}, will be {}", told(old, key), told(new, key)))
            .collect()
    }
}

/// As TOML, without passwords.
fn values(table: &Table) -> BTreeMap<String, String> {
    table.iter().map(|(key, value)| (key.clone(), masked_address(&value.to_string()))).collect()
}
