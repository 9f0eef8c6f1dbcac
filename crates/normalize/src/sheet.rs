//! Reads a TOML file strictly: every value with its place, every fault with what is allowed.
//!
//! Strips and dialects are read through this. The way: make a [`Source`], parse it, read each table through
//! [`Keys`] and [`Keys::close`] it, take the faults. Reading goes on after a fault, so that a person sees all of
//! them at once; whoever reads must refuse the whole if there is any.

use std::cell::RefCell;

use toml::Spanned;
use toml::de::{DeTable, DeValue};

use crate::fault::Fault;
use crate::words::{nearest, quote};

/// Bytes of a file at most.
const LONGEST: usize = 256 * 1024;

/// A value and where it stands in the text.
#[derive(Clone, Debug)]
pub struct Spot<T> {
    /// The byte of the text that it begins at.
    pub at: usize,
    /// What stands there.
    pub value: T,
}

/// The file being read, and the faults found in it so far.
pub struct Source<'a> {
    file: &'a str,
    text: &'a str,
    faults: RefCell<Vec<Fault>>,
}

impl<'a> Source<'a> {
    /// `file` is only a name, for the faults; nothing is opened.
    #[must_use]
    pub fn new(file: &'a str, text: &'a str) -> Self {
        Self { file, text, faults: RefCell::default() }
    }

    /// The file's tables. None: it is no TOML, and the fault is noted.
    pub fn parse(&self) -> Option<Spanned<DeTable<'a>>> {
        if self.text.len() > LONGEST {
            let found = format!("a file of {} bytes", self.text.len());
            self.fault(0, "(file)", found, format!("at most {LONGEST} bytes"));
            return None;
        }
        DeTable::parse(self.text)
            .map_err(|e| {
                let at = e.span().map_or(0, |s| s.start);
                self.fault(at, "(file)", e.message().to_owned(), "TOML: key = \"text\"".into());
            })
            .ok()
    }

    /// Notes a fault at a byte of the text.
    pub fn fault(&self, at: usize, key: &str, found: String, allowed: String) {
        let before = self.text.get(..self.text.floor_char_boundary(at)).unwrap_or(self.text);
        let start = before.rfind('\n').map_or(0, |n| n + 1);
        let text = self.text.get(start..).and_then(|t| t.lines().next()).unwrap_or("");
        self.faults.borrow_mut().push(Fault {
            file: self.file.into(),
            line: before.matches('\n').count() + 1,
            column: before.get(start..).map_or(1, |t| t.chars().count() + 1),
            key: key.into(),
            found,
            allowed,
            text: text.chars().take(200).collect(),
        });
    }

    /// In the order of the text. Empty: nothing is wrong so far.
    pub fn into_faults(self) -> Vec<Fault> {
        let mut faults = self.faults.into_inner();
        faults.sort_by_key(|f| (f.line, f.column));
        faults
    }
}

/// One table being read. [`Keys::close`] refuses the keys that nobody asked for.
pub struct Keys<'s, 'a> {
    /// The file that it stands in; takes the faults.
    pub source: &'s Source<'a>,
    /// For faults: `pad.GLU.`, empty at the top.
    pub path: String,
    /// The byte of the text that it begins at: where a fault about a missing key is told.
    pub at: usize,
    table: &'s DeTable<'a>,
    known: RefCell<Vec<&'static str>>,
}

impl<'s, 'a> Keys<'s, 'a> {
    /// For a table found by hand; [`Keys::table`] makes the others. Nothing is asked for yet.
    pub fn new(source: &'s Source<'a>, path: String, at: usize, table: &'s DeTable<'a>) -> Self {
        Self { source, path, at, table, known: RefCell::default() }
    }

    fn get(&self, key: &'static str) -> Option<&'s Spanned<DeValue<'a>>> {
        self.known.borrow_mut().push(key);
        self.table.get(key)
    }

    /// Whether a key is given.
    #[must_use]
    pub fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// Where the value of a key stands; the table itself, where it is not given.
    #[must_use]
    pub fn place(&self, key: &str) -> usize {
        self.table.get(key).map_or(self.at, |value| value.span().start)
    }

    /// Notes a fault about a key of this table.
    pub fn fault(
        &self,
        at: usize,
        key: &str,
        found: impl Into<String>,
        allowed: impl Into<String>,
    ) {
        self.source.fault(at, &format!("{}{key}", self.path), found.into(), allowed.into());
    }

    fn wrong(&self, key: &str, value: &Spanned<DeValue<'a>>, allowed: &str) {
        self.fault(value.span().start, key, describe(value.get_ref()), allowed);
    }

    /// A text, where the key is given.
    ///
    /// One of more than 80 characters, empty, or with control characters is a fault.
    pub fn text(&self, key: &'static str) -> Option<Spot<String>> {
        let value = self.get(key)?;
        let spot = text_of(value);
        if spot.is_none() {
            self.wrong(key, value, "text in quotes, 1 to 80 printable characters");
        }
        spot
    }

    /// A text that must be given.
    pub fn needed(&self, key: &'static str, example: &str) -> Option<Spot<String>> {
        let value = self.text(key);
        if value.is_none() && !self.table.contains_key(key) {
            self.fault(self.at, key, "nothing", format!("{key} = \"{example}\""));
        }
        value
    }

    /// A list of texts; empty when the key is not given.
    pub fn texts(&self, key: &'static str) -> Vec<Spot<String>> {
        self.get(key).map(|value| self.list(key, value)).unwrap_or_default()
    }

    fn list(&self, key: &str, value: &'s Spanned<DeValue<'a>>) -> Vec<Spot<String>> {
        let DeValue::Array(items) = value.get_ref() else {
            self.wrong(key, value, "a list of texts, such as [\"a\", \"b\"]");
            return Vec::new();
        };
        let read = |item: &Spanned<DeValue<'a>>| {
            let spot = text_of(item);
            if spot.is_none() {
                self.wrong(key, item, "text in quotes, 1 to 80 printable characters");
            }
            spot
        };
        items.iter().filter_map(read).collect()
    }

    /// A table whose keys are names of the author's choosing, each with a list of texts.
    pub fn lists(&self, key: &'static str) -> Vec<(Spot<String>, Vec<Spot<String>>)> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let DeValue::Table(table) = value.get_ref() else {
            self.wrong(key, value, "a table of lists, such as { NEG = [\"neg\"] }");
            return Vec::new();
        };
        let read = |(name, list): (&Spanned<_>, &'s Spanned<DeValue<'a>>)| {
            let name: Spot<String> = Spot {
                at: name.span().start,
                value: AsRef::<str>::as_ref(name.get_ref()).to_owned(),
            };
            let texts = self.list(&format!("{key}.{}", name.value), list);
            (name, texts)
        };
        table.iter().map(|(n, l)| read((n, l))).collect()
    }

    /// True or false; false when not given.
    pub fn switch(&self, key: &'static str) -> bool {
        match self.get(key) {
            None => false,
            Some(value) => match value.get_ref() {
                DeValue::Boolean(yes) => *yes,
                _ => {
                    self.wrong(key, value, "true or false");
                    false
                }
            },
        }
    }

    /// A small whole number that must be given.
    ///
    /// From 0 to `most`; anything else is a fault.
    pub fn count(&self, key: &'static str, most: u32) -> Option<u32> {
        let Some(value) = self.get(key) else {
            self.fault(self.at, key, "nothing", format!("a whole number from 0 to {most}"));
            return None;
        };
        let number = number_of(value).filter(|n| *n <= most);
        if number.is_none() {
            self.wrong(key, value, &format!("a whole number from 0 to {most}"));
        }
        number
    }

    /// A small whole number, or what it is when the key is not given.
    pub fn count_or(&self, key: &'static str, most: u32, usual: u32) -> Option<u32> {
        if self.has(key) {
            return self.count(key, most);
        }
        self.known.borrow_mut().push(key);
        Some(usual)
    }

    /// A list of small whole numbers; empty when the key is not given.
    pub fn numbers(&self, key: &'static str, most: u32) -> Vec<Spot<u32>> {
        let allowed = format!("a list of whole numbers from 0 to {most}, such as [4, 12]");
        let Some(value) = self.get(key) else { return Vec::new() };
        let DeValue::Array(items) = value.get_ref() else {
            self.wrong(key, value, &allowed);
            return Vec::new();
        };
        let read = |item: &Spanned<DeValue<'a>>| {
            let number = number_of(item).filter(|number| *number <= most);
            if number.is_none() {
                self.wrong(key, item, &allowed);
            }
            Some(Spot { at: item.span().start, value: number? })
        };
        items.iter().filter_map(read).collect()
    }

    /// A table whose keys are names of the author's choosing, each with a text.
    pub fn pairs(&self, key: &'static str) -> Vec<(Spot<String>, Spot<String>)> {
        let read = |name: Spot<String>, value: &Spanned<DeValue<'a>>| {
            let text = text_of(value);
            if text.is_none() {
                self.wrong(&format!("{key}.{}", name.value), value, "text in quotes");
            }
            Some((name, text?))
        };
        self.named(key, "a table of texts, such as { A = \"b\" }", read)
    }

    /// A table whose keys are names of the author's choosing, each with a small whole number.
    pub fn counts(&self, key: &'static str, most: u32) -> Vec<(Spot<String>, u32)> {
        let read = |name: Spot<String>, value: &Spanned<DeValue<'a>>| {
            let number = number_of(value).filter(|n| *n <= most);
            if number.is_none() {
                let allowed = format!("a whole number from 0 to {most}");
                self.wrong(&format!("{key}.{}", name.value), value, &allowed);
            }
            Some((name, number?))
        };
        self.named(key, "a table of numbers, such as { A = 1 }", read)
    }

    fn named<T>(
        &self,
        key: &'static str,
        allowed: &str,
        read: impl Fn(Spot<String>, &'s Spanned<DeValue<'a>>) -> Option<T>,
    ) -> Vec<T> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let DeValue::Table(table) = value.get_ref() else {
            self.wrong(key, value, allowed);
            return Vec::new();
        };
        let spot = |name: &Spanned<_>| Spot {
            at: name.span().start,
            value: AsRef::<str>::as_ref(name.get_ref()).to_owned(),
        };
        table.iter().filter_map(|(name, value)| read(spot(name), value)).collect()
    }

    /// A table, where it is given.
    pub fn table(&self, key: &'static str) -> Option<Keys<'s, 'a>> {
        let value = self.get(key)?;
        match value.get_ref() {
            DeValue::Table(table) => {
                let path = format!("{}{key}.", self.path);
                Some(Keys::new(self.source, path, value.span().start, table))
            }
            _ => {
                self.wrong(key, value, "a table");
                None
            }
        }
    }

    /// A list of tables; empty when not given.
    pub fn tables(&self, key: &'static str) -> Vec<Keys<'s, 'a>> {
        let Some(value) = self.get(key) else { return Vec::new() };
        let DeValue::Array(items) = value.get_ref() else {
            self.wrong(key, value, "a list of tables");
            return Vec::new();
        };
        let read = |(n, item): (usize, &'s Spanned<DeValue<'a>>)| match item.get_ref() {
            DeValue::Table(table) => {
                let path = format!("{}{key}.{}.", self.path, n + 1);
                Some(Keys::new(self.source, path, item.span().start, table))
            }
            _ => {
                self.wrong(key, item, "a table");
                None
            }
        };
        items.iter().enumerate().filter_map(read).collect()
    }

    /// Refuses every key that was not asked for, and offers the nearest that is known.
    pub fn close(&self) {
        let known = self.known.borrow();
        for (name, _) in self.table.iter() {
            let text: &str = name.get_ref().as_ref();
            if !known.contains(&text) {
                let near = nearest(text, &known).unwrap_or("");
                let allowed = format!("did you mean `{near}`? Known here: {}", known.join(", "));
                self.fault(name.span().start, text, "a key that does not exist", allowed);
            }
        }
    }
}

fn number_of(value: &Spanned<DeValue<'_>>) -> Option<u32> {
    match value.get_ref() {
        DeValue::Integer(n) => u32::from_str_radix(n.as_str(), n.radix()).ok(),
        _ => None,
    }
}

fn text_of(value: &Spanned<DeValue<'_>>) -> Option<Spot<String>> {
    let DeValue::String(text) = value.get_ref() else { return None };
    let fits = (1..=80).contains(&text.chars().count()) && !text.chars().any(char::is_control);
    fits.then(|| Spot { at: value.span().start, value: text.as_ref().to_owned() })
}

fn describe(value: &DeValue<'_>) -> String {
    match value {
        DeValue::String(text) => quote(text),
        DeValue::Integer(number) => format!("the number {}", quote(number.as_str())),
        DeValue::Float(number) => format!("the number {}", quote(number.as_str())),
        DeValue::Boolean(yes) => format!("{yes}"),
        DeValue::Datetime(_) => "a date".into(),
        DeValue::Array(_) => "a list".into(),
        DeValue::Table(_) => "a table".into(),
    }
}
