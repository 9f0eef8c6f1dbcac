//! Reads the configuration strictly: every fault with its file, line, column and key.

use toml::Spanned;
use toml::de::{DeTable, DeValue};
pub use wickline_normalize::fault::Fault;
use wickline_normalize::words::nearest;

use super::keys::{Allowed, Key, OPTIONAL, TABLES, of_table};
use crate::address::{first_place, first_word, masked_address, masked_at};

/// A file's text with what is needed to say where something stands in it.
pub struct Source<'a> {
    pub file: &'a str,
    pub text: &'a str,
}

impl Source<'_> {
    /// A fault at a byte offset of the text.
    #[must_use]
    pub fn fault(
        &self,
        at: usize,
        key: &str,
        found: impl Into<String>,
        allowed: impl Into<String>,
    ) -> Fault {
        let before = &self.text[..self.text.floor_char_boundary(at.min(self.text.len()))];
        let line = before.matches('\n').count() + 1;
        let column = before.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        let own = masked_at(self.text, line - 1);
        let own = own.chars().take(200).collect();
        Fault {
            file: self.file.to_owned(),
            line,
            column,
            key: key.to_owned(),
            found: found.into(),
            allowed: allowed.into(),
            text: own,
        }
    }
}

/// Checks a file's shape against the table of keys. Empty: it can be read into settings.
#[must_use]
pub fn faults(file: &str, text: &str) -> Vec<Fault> {
    let source = Source { file, text };
    let root = match DeTable::parse(text) {
        Ok(root) => root,
        Err(error) => {
            let at = error.span().map_or(0, |span| span.start);
            if let Some(fault) = twice(&source, at) {
                return vec![fault];
            }
            let why = error.message().to_owned();
            return vec![source.fault(at, "(file)", why, "a TOML file as in config/wickline.toml")];
        }
    };
    let mut found = Vec::new();
    for (name, value) in root.get_ref() {
        check_table(&source, name, value, &mut found);
    }
    for (table, list, _) in TABLES {
        let required = !OPTIONAL.contains(table) && of_table(table).any(|k| k.default.is_none());
        if required && !root.get_ref().contains_key(*table) {
            let shape = if *list { format!("[[{table}]]") } else { format!("[{table}]") };
            found.push(source.fault(
                text.len(),
                table,
                "nothing",
                format!("{shape} with its keys"),
            ));
        }
    }
    found
}

/// What stands there a second time, where that is what is wrong: a table, or a key of one.
fn twice(source: &Source<'_>, at: usize) -> Option<Fault> {
    let nth = source.text.get(..at)?.matches('\n').count();
    let header = |line: &str| {
        let line = line.trim().strip_prefix('[')?;
        let name = line.trim_start_matches('[').split(']').next()?.trim();
        Some((name.to_owned(), line.starts_with('[')))
    };
    let lines: Vec<&str> = source.text.lines().collect();
    let own = lines.get(nth)?;
    if let Some((name, _)) = header(own) {
        let of_name = |line: &&str| header(line).is_some_and(|(other, _)| other == name);
        let first = lines.iter().take(nth).position(of_name)? + 1;
        let list = TABLES.iter().any(|(table, list, _)| *table == name && *list);
        let allowed = match list {
            true => format!("[[{name}]] in double brackets, one for each"),
            false => format!("one [{name}], with all of its keys under it"),
        };
        let found = format!("a second table of this name; the first is in line {first}");
        return Some(source.fault(at, &name, found, allowed));
    }
    let key = |line: &str| Some(line.split_once('=')?.0.trim().to_owned());
    let name = key(own)?;
    let table = lines.iter().take(nth).rposition(|line| header(line).is_some());
    let (begin, table) = table.map_or((0, String::new()), |n| {
        (n, header(lines[n]).map(|(name, _)| format!("{name}.")).unwrap_or_default())
    });
    let same = |line: &&str| key(line).as_deref() == Some(&name);
    let first = begin + lines.get(begin..nth)?.iter().position(same)? + 1;
    let found = format!("the same key a second time; the first is in line {first}");
    Some(source.fault(at, &format!("{table}{name}"), found, "each key once in its table"))
}

fn check_table(
    source: &Source<'_>,
    name: &Spanned<std::borrow::Cow<'_, str>>,
    value: &Spanned<DeValue<'_>>,
    found: &mut Vec<Fault>,
) {
    let table = name.get_ref().as_ref();
    let Some((_, list, _)) = TABLES.iter().find(|(known, _, _)| *known == table) else {
        let known: Vec<&str> = TABLES.iter().map(|(t, _, _)| *t).collect();
        found.push(unknown(source, name.span().start, table, "a table", &known));
        return;
    };
    match (value.get_ref(), list) {
        (DeValue::Table(inner), false) => {
            check_keys(source, table, value.span().start, inner, found)
        }
        (DeValue::Array(items), true) => {
            for item in items.iter() {
                match item.get_ref() {
                    DeValue::Table(inner) => {
                        check_keys(source, table, item.span().start, inner, found);
                    }
                    other => found.push(source.fault(
                        item.span().start,
                        table,
                        describe(other),
                        format!("tables that begin with [[{table}]]"),
                    )),
                }
            }
        }
        (_, true) => found.push(source.fault(
            value.span().start,
            table,
            "one table",
            format!("[[{table}]] in double brackets, one for each"),
        )),
        (other, false) => found.push(source.fault(
            value.span().start,
            table,
            describe(other),
            format!("one table that begins with [{table}]"),
        )),
    }
}

fn check_keys(
    source: &Source<'_>,
    table: &str,
    at: usize,
    inner: &DeTable<'_>,
    found: &mut Vec<Fault>,
) {
    for (name, value) in inner {
        let path = format!("{table}.{}", name.get_ref());
        let at = value.span().start;
        // References are keyed by analyte; which analytes there are, the strips say.
        if table == "reference" {
            check_value(source, &path, at, value.get_ref(), Allowed::Text(40), found);
            continue;
        }
        match of_table(table).find(|k| k.name == name.get_ref().as_ref()) {
            Some(key) => check_value(source, &path, at, value.get_ref(), key.allowed, found),
            None => {
                let known: Vec<&str> = of_table(table).map(|k| k.name).collect();
                found.push(unknown(source, name.span().start, &path, "a key", &known));
            }
        }
    }
    for key in of_table(table).filter(|k| k.default.is_none()) {
        if !inner.contains_key(key.name) {
            found.push(source.fault(at, &format!("{table}.{}", key.name), "nothing", needed(key)));
        }
    }
}

fn needed(key: &Key) -> String {
    format!(
        "{}, such as {} ({})",
        key.allowed.words(),
        key.example,
        key.about.trim_end_matches('.')
    )
}

fn unknown(source: &Source<'_>, at: usize, path: &str, what: &str, known: &[&str]) -> Fault {
    let name = path.rsplit('.').next().unwrap_or(path);
    let near = nearest(name, known).unwrap_or("");
    source.fault(
        at,
        path,
        format!("{what} that does not exist"),
        format!("did you mean `{near}`? Known here: {}", known.join(", ")),
    )
}

fn check_value(
    source: &Source<'_>,
    path: &str,
    at: usize,
    value: &DeValue<'_>,
    allowed: Allowed,
    found: &mut Vec<Fault>,
) {
    let fits = match (value, allowed) {
        (DeValue::String(text), Allowed::Text(most)) => {
            text.chars().count() <= most && !text.chars().any(char::is_control)
        }
        (DeValue::String(text), Allowed::OneOf(list)) => list.contains(&text.as_ref()),
        (DeValue::Integer(number), Allowed::Whole(least, most)) => {
            i64::from_str_radix(number.as_str(), number.radix())
                .is_ok_and(|n| (least..=most).contains(&n))
        }
        (DeValue::Boolean(_), Allowed::Switch) => true,
        (DeValue::Array(items), Allowed::Texts) => {
            items.iter().all(|item| matches!(item.get_ref(), DeValue::String(_)))
        }
        _ => false,
    };
    if !fits {
        found.push(source.fault(at, path, described(path, value), allowed.words()));
    }
}

/// What somebody wrote, in quotes and bounded; of an address, without what may be its password.
#[must_use]
pub fn quoted(text: &str, most: usize) -> String {
    let shown = if text.contains("://") { masked_address(text) } else { text.into() };
    let short: String = shown.chars().take(most).flat_map(char::escape_default).collect();
    format!("\"{short}\"")
}

/// What somebody wrote at a key, right or wrong, without what may be a password.
#[must_use]
pub fn masked_at_key(path: &str, text: &str) -> String {
    match path {
        "alarm.command" => first_word(&masked_address(text)),
        "alarm.to" => first_place(&masked_address(text)),
        _ => masked_address(text),
    }
}

/// What stands at a key.
fn described(path: &str, value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => quoted_at(path, &masked_address(text), 60),
        other => describe(other),
    }
}

/// What somebody wrote at a key: of an alarm's command and place no more than the first word.
#[must_use]
pub fn quoted_at(path: &str, text: &str, most: usize) -> String {
    match path {
        "alarm.command" => quoted(&first_word(text), most),
        "alarm.to" => quoted(&first_place(text), most),
        _ => quoted(text, most),
    }
}

fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => quoted(&masked_address(text), 60),
        DeValue::Integer(number) => format!("the number {}", number.as_str()),
        DeValue::Float(number) => format!("the number {}", number.as_str()),
        DeValue::Boolean(yes) => format!("{yes}"),
        DeValue::Datetime(_) => "a date".into(),
        DeValue::Array(_) => "a list".into(),
        DeValue::Table(_) => "a table".into(),
    }
}

/// Where a key of the n-th table of a list (or of a single table) stands, for faults found later.
#[must_use]
pub fn place(file: &str, text: &str, table: &str, index: usize, key: &str) -> (usize, usize) {
    let source = Source { file, text };
    let spot = found(text, table, index, key).map_or(0, |(table, key)| key.unwrap_or(table));
    let fault = source.fault(spot, key, "", "");
    (fault.line, fault.column)
}

/// Whether the n-th table of a list has a key.
#[must_use]
pub fn has_key(text: &str, table: &str, index: usize, key: &str) -> bool {
    found(text, table, index, key).is_some_and(|(_, key)| key.is_some())
}

/// Where a table begins, and where the value of a key in it does.
fn found(text: &str, table: &str, index: usize, key: &str) -> Option<(usize, Option<usize>)> {
    let root = DeTable::parse(text).ok()?.into_inner();
    let value = root.get(table)?;
    let inner = match value.get_ref() {
        DeValue::Array(items) => items.get(index)?,
        _ => value,
    };
    let DeValue::Table(keys) = inner.get_ref() else { return None };
    Some((inner.span().start, keys.get(key).map(|value| value.span().start)))
}
