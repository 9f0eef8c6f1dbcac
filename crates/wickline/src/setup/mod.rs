//! What a person answers at the first setting up, as a configuration with the comments of its keys.
//!
//! An answer is judged by the program's own road: it is put into a configuration of which everything else is an
//! example, and what the loader says against its key is said to the person. Nothing here asks or listens.

pub mod difference;
pub mod fits;

#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::path::Path;

use toml::Value;

use crate::settings::bench::Bench;
use crate::settings::keys::{Allowed, Key, OPTIONAL, TABLES, commented_with, of_table};
use crate::settings::{self, reader};

/// What stands above the first table.
const HEAD: &str = "# Wickline: written by `wickline setup` from what was answered. A key that is not here has its \
     default.\n# Every key is explained in config/wickline.toml, which the package has in /usr/share/doc/wickline.\n";

/// Values by table and key, of the first table where there may be several.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Answers(BTreeMap<(&'static str, &'static str), Value>);

impl Answers {
    /// Takes an answer as it is typed, where it is what the key may hold. An error says what is allowed.
    pub fn put(&mut self, table: &str, name: &str, typed: &str) -> Result<(), String> {
        let key = of_table(table).find(|key| key.name == name);
        let key = key.ok_or_else(|| format!("a key that exists; {table}.{name} is none"))?;
        let empty = typed.trim().is_empty() && key.default.is_none();
        let value = read(key, typed).ok_or_else(|| match empty {
            true => format!(
                "something must be given, such as {} ({})",
                key.example,
                key.allowed.words()
            ),
            false => key.allowed.words(),
        })?;
        self.0.insert((key.table, key.name), value);
        Ok(())
    }

    /// As it was answered: of a list, with commas between.
    #[must_use]
    pub fn get(&self, table: &str, name: &str) -> Option<String> {
        let text = |value: &Value| value.as_str().map_or_else(|| value.to_string(), str::to_owned);
        let (_, value) = self.0.iter().find(|((t, n), _)| (*t, *n) == (table, name))?;
        Some(match value {
            Value::Array(items) => items.iter().map(text).collect::<Vec<_>>().join(", "),
            value => text(value),
        })
    }

    /// What does not apply any more.
    pub fn forget(&mut self, table: &str, name: &str) {
        self.0.retain(|(t, n), _| (*t, *n) != (table, name));
    }

    /// The configuration: what was answered, each key under its comment.
    #[must_use]
    pub fn text(&self) -> String {
        let value = |table: &str, name: &str| {
            self.0.iter().find(|((t, n), _)| (*t, *n) == (table, name)).map(|(_, v)| v.to_string())
        };
        HEAD.to_owned() + &commented_with(value)
    }

    /// What the loader says against one key, should the rest be well: what was found, and what is allowed.
    #[must_use]
    pub fn objection(&self, file: &Path, table: &str, name: &str) -> Option<String> {
        let whole = Self(self.0.clone()).filled();
        let built = settings::from_text(file, whole.text()).and_then(|loaded| {
            Bench::build(&loaded)?;
            Ok(())
        });
        let key = format!("{table}.{name}");
        let fault = built.err()?.into_iter().find(|fault| fault.key == key)?;
        Some(format!("found {}; allowed: {}", fault.found, fault.allowed))
    }

    /// With an example wherever something that must be given is still to be answered.
    fn filled(mut self) -> Self {
        let tables = TABLES.iter().map(|(table, ..)| *table).filter(|t| !OPTIONAL.contains(t));
        for key in tables.flat_map(of_table).filter(|key| key.default.is_none()) {
            let example = || value(key.example).unwrap_or_else(|| Value::String(String::new()));
            self.0.entry((key.table, key.name)).or_insert_with(example);
        }
        self
    }
}

/// A value as TOML has it.
fn value(text: &str) -> Option<Value> {
    format!("v = {text}").parse::<toml::Table>().ok()?.remove("v")
}

/// What was typed as what the key holds. None: it cannot hold that.
fn read(key: &Key, typed: &str) -> Option<Value> {
    let typed = typed.trim();
    if typed.chars().any(char::is_control) {
        return None;
    }
    let value = match key.allowed {
        Allowed::Text(most) => {
            (typed.chars().count() <= most).then(|| Value::String(typed.to_owned()))
        }
        Allowed::OneOf(list) => list.contains(&typed).then(|| Value::String(typed.to_owned())),
        Allowed::Whole(least, most) => {
            let number = typed.parse::<i64>().ok()?;
            (least..=most).contains(&number).then_some(Value::Integer(number))
        }
        Allowed::Switch => typed.parse::<bool>().ok().map(Value::Boolean),
        Allowed::Texts => {
            let items = typed.split(',').map(str::trim).filter(|item| !item.is_empty());
            Some(Value::Array(items.map(|item| Value::String(item.to_owned())).collect()))
        }
    }?;
    // What may not be empty is a fault that the loader has no words for.
    let needed = key.default.is_none() && value.as_str().is_some_and(str::is_empty);
    (!needed).then_some(value)
}

/// The faults of a whole configuration, one a line. Empty: it can be used.
#[must_use]
pub fn faults(found: Vec<reader::Fault>) -> String {
    found.iter().map(ToString::to_string).collect::<Vec<_>>().join("\n")
}
