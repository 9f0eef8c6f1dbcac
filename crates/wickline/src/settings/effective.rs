//! The configuration as it takes effect: the file, what the environment lays over it, and the dialect
//! and strip files that it names; with a fingerprint, without passwords and without comments.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::keys::{TABLES, of_table};
use super::reader::masked_at_key;
use crate::address::masked_address;
use crate::digest;

/// Characters of a list of changes, and of one value in it.
const LIST: usize = 4000;
const VALUE: usize = 200;
/// What is kept of a word of a command behind the program's name, which may be a password.
const UNSHOWN: &str = "***";

/// A configuration in one text, and its fingerprint: the SHA-256 of that text.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Effective {
    pub fingerprint: String,
    pub body: String,
}

/// What the text holds.
#[derive(Serialize, Deserialize, Default)]
struct Body {
    text: String,
    environment: BTreeMap<String, String>,
    /// Dialect and strip files by the names that the configuration gives them.
    files: BTreeMap<String, String>,
}

impl Effective {
    /// Of a file's text and the files it names, under the environment of this process.
    #[must_use]
    pub fn new(text: &str, files: BTreeMap<String, String>) -> Self {
        let files = files.into_iter().map(|(name, text)| (name, in_force(&text))).collect();
        Self::of(&Body { text: in_force(text), environment: laid_over(), files })
    }

    /// As tables. One that an older program kept may have comments: they are left out.
    #[must_use]
    pub fn without_comments(&self) -> serde_json::Value {
        let body: Body = serde_json::from_str(&self.body).unwrap_or_default();
        let tables = |text: &str| toml::from_str::<toml::Table>(text).ok();
        let file = |(name, text): (&String, &String)| {
            let file = serde_json::json!({"sha256": digest::of(text), "content": tables(text)});
            (name.clone(), file)
        };
        let files: BTreeMap<String, _> = body.files.iter().map(file).collect();
        serde_json::json!({
            "fingerprint": self.fingerprint, "file": tables(&body.text), "environment": body.environment,
            "files": files,
        })
    }

    fn of(body: &Body) -> Self {
        // A server takes no NUL in a text; JSON escapes it.
        let body = serde_json::to_string(body).unwrap_or_default();
        Self { fingerprint: digest::of(&body), body }
    }
}

/// Whether the text of a configuration has an analyzer of this name.
#[must_use]
pub fn names_analyzer(body: &str, id: &str) -> bool {
    let body: Body = serde_json::from_str(body).unwrap_or_default();
    let tables: toml::Table = toml::from_str(&body.text).unwrap_or_default();
    let all = tables.get("analyzer").and_then(toml::Value::as_array);
    all.is_some_and(|all| all.iter().any(|one| one.get("id").and_then(|v| v.as_str()) == Some(id)))
}

/// What the environment of this process lays over a file, without passwords.
fn laid_over() -> BTreeMap<String, String> {
    let own = std::env::vars_os().filter_map(|(name, value)| {
        let name = name.into_string().ok().filter(|n| n.starts_with("WICKLINE__"))?;
        Some((name, masked_address(&value.to_string_lossy())))
    });
    own.collect()
}

/// The tables of a file that is wrong, for who helps to mend it. What stands at a key that is none may be a password:
/// it is shown by its key alone. None: it is no TOML.
#[must_use]
pub fn of_wrong(text: &str) -> Option<serde_json::Value> {
    let mut root: toml::Table = text.parse().ok()?;
    for (name, value) in &mut root {
        let known = TABLES.iter().find(|(table, ..)| table == name).map(|(table, ..)| *table);
        match (known, value) {
            (Some(table), toml::Value::Table(inner)) => without_unknown(table, inner),
            (Some(table), toml::Value::Array(items)) => {
                for item in items {
                    match item.as_table_mut() {
                        Some(inner) => without_unknown(table, inner),
                        None => *item = UNSHOWN.into(),
                    }
                }
            }
            (_, value) => *value = UNSHOWN.into(),
        }
    }
    Some(serde_json::json!({"file": root, "environment": laid_over()}))
}

fn without_unknown(table: &str, inner: &mut toml::Table) {
    for (name, value) in inner {
        // References are keyed by analyte.
        let known = table == "reference" || of_table(table).any(|key| key.name == name);
        let path = format!("{table}.{name}");
        let shown = |value: &mut toml::Value| match value {
            toml::Value::String(text) if known => *text = masked_at_key(&path, text),
            toml::Value::Integer(_) | toml::Value::Boolean(_) if known => {}
            other => *other = UNSHOWN.into(),
        };
        match value {
            toml::Value::Array(words) if path == "alarm.command" => {
                words.iter_mut().skip(1).for_each(|word| *word = UNSHOWN.into());
                words.iter_mut().take(1).for_each(shown);
            }
            toml::Value::Array(items) => items.iter_mut().for_each(shown),
            other => shown(other),
        }
    }
}

/// Of a text only what is in force, written anew: a comment may say anything, a password of before too. Two texts that
/// differ in comments, order of keys or layout are one. A text that is no TOML, which nobody loads, says nothing.
fn in_force(text: &str) -> String {
    let mut root: toml::Table = text.parse().unwrap_or_default();
    root.iter_mut().for_each(|(_, value)| without_password(value));
    root.to_string()
}

/// Takes out the passwords of addresses, and of a command all that stands behind the program's name.
fn without_password(value: &mut toml::Value) {
    match value {
        toml::Value::String(text) if text.contains("://") => *text = masked_address(text),
        toml::Value::Array(items) => items.iter_mut().for_each(without_password),
        toml::Value::Table(inner) => {
            inner.iter_mut().for_each(|(name, value)| match value.as_array_mut() {
                Some(words) if name == "command" => {
                    words.iter_mut().skip(1).for_each(|word| *word = UNSHOWN.into());
                }
                _ => without_password(value),
            });
        }
        _ => {}
    }
}

/// A kept text for people: the file, then the environment, then the other files.
#[must_use]
pub fn readable(body: &str) -> String {
    let body: Body = serde_json::from_str(body).unwrap_or_default();
    let mut text = body.text;
    for (name, value) in &body.environment {
        text.push_str(&format!("\n# from the environment: {name}={value}\n"));
    }
    for (name, file) in &body.files {
        text.push_str(&format!("\n# ---- the file {name} ----\n{file}"));
    }
    text
}

/// What is different between two kept texts, in a bounded list.
#[must_use]
pub fn changes(before: &str, after: &str) -> String {
    let read = |body: &str| -> Body { serde_json::from_str(body).unwrap_or_default() };
    let (before, after) = (read(before), read(after));
    let mut list = Vec::new();
    differences(&keys(&before.text), &keys(&after.text), &mut list);
    differences(&environment(&before), &environment(&after), &mut list);
    for name in before.files.keys().filter(|n| !after.files.contains_key(*n)) {
        list.push(format!("removed file {name}"));
    }
    for (name, text) in &after.files {
        match before.files.get(name) {
            None => list.push(format!("added file {name}")),
            Some(was) if was != text => list.push(format!("changed file {name}")),
            Some(_) => {}
        }
    }
    if list.is_empty() {
        return "no key: the order, or a default written out".to_owned();
    }
    bounded(&list)
}

fn environment(body: &Body) -> BTreeMap<String, String> {
    let named = |(name, value): (&String, &String)| {
        (format!("environment {name}"), short(&format!("{value:?}")))
    };
    body.environment.iter().map(named).collect()
}

fn differences(
    before: &BTreeMap<String, String>,
    after: &BTreeMap<String, String>,
    list: &mut Vec<String>,
) {
    for (key, value) in after {
        match before.get(key) {
            None => list.push(format!("added {key} = {}", short(value))),
            Some(was) if was != value => {
                list.push(format!("changed {key}: {} -> {}", short(was), short(value)));
            }
            Some(_) => {}
        }
    }
    for (key, value) in before.iter().filter(|(key, _)| !after.contains_key(*key)) {
        list.push(format!("removed {key} = {}", short(value)));
    }
}

fn short(value: &str) -> String {
    if value.chars().count() <= VALUE {
        return value.to_owned();
    }
    value.chars().take(VALUE).chain("...".chars()).collect()
}

fn bounded(list: &[String]) -> String {
    let mut text = String::new();
    for (index, one) in list.iter().enumerate() {
        if text.chars().count() + one.chars().count() + 30 > LIST {
            text.push_str(&format!("; and {} more", list.len() - index));
            break;
        }
        if index > 0 {
            text.push_str("; ");
        }
        text.push_str(one);
    }
    text
}

/// Every key of a file with its value: `site.name`, `analyzer bench-1.speed`.
fn keys(text: &str) -> BTreeMap<String, String> {
    let root: toml::Table = text.parse().unwrap_or_default();
    let mut keys = BTreeMap::new();
    for (table, value) in &root {
        match value {
            toml::Value::Table(inner) => put(table, inner, &mut keys),
            toml::Value::Array(items) => {
                for (index, item) in items.iter().enumerate() {
                    let Some(inner) = item.as_table() else { continue };
                    let mut name = format!("{table} {}", called(inner));
                    // Two of one name are told apart by their place.
                    if keys.keys().any(|k: &String| k.starts_with(&format!("{name}."))) {
                        name.push_str(&format!("#{}", index + 1));
                    }
                    put(&name, inner, &mut keys);
                }
            }
            other => {
                keys.insert(table.clone(), other.to_string());
            }
        }
    }
    keys
}

fn put(name: &str, table: &toml::Table, keys: &mut BTreeMap<String, String>) {
    for (key, value) in table {
        keys.insert(format!("{name}.{key}"), value.to_string());
    }
}

/// What tells a table of a list from the others.
fn called(table: &toml::Table) -> String {
    let names = ["id", "code", "level", "lot"];
    let words: Vec<&str> = names.iter().filter_map(|n| table.get(*n)?.as_str()).collect();
    words.join("/")
}

#[cfg(test)]
#[path = "effective_tests.rs"]
mod tests;
