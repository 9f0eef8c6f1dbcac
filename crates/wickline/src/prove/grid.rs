//! A table whose columns are headed once, as its analyzer prints it: by the dialect's file, read here a second time.

use toml::{Table, Value};

use super::press::Words;

/// How such a table is printed.
#[derive(Clone, Debug, Default)]
pub struct Grid {
    /// How the line begins that names the pads.
    headed: String,
    /// How each other line begins, and the cell that it has of each pad.
    rows: Vec<(String, String)>,
    /// What stands where nothing is said.
    blank: String,
    /// What stands between the columns.
    between: String,
}

impl Grid {
    /// From the table `results` of a dialect file. None: its lines are no such table.
    #[must_use]
    pub fn read(results: &Table) -> Option<Grid> {
        let text = |key: &str| results.get(key).and_then(Value::as_str);
        let rows = results.get("rows").and_then(Value::as_table).into_iter().flatten();
        let rows = rows.filter_map(|(word, cell)| Some((word.clone(), cell.as_str()?.to_owned())));
        let blank = results.get("blank").and_then(Value::as_array).and_then(|list| list.first());
        let between = match text("split") {
            Some("blanks") | None => "  ",
            Some("tab") => "\t",
            Some(sign) => sign,
        };
        Some(Grid {
            headed: text("headed")?.to_owned(),
            rows: rows.collect(),
            blank: blank.and_then(Value::as_str).unwrap_or("").to_owned(),
            between: between.to_owned(),
        })
    }

    /// Whether a line of a print is one of the table's.
    #[must_use]
    pub fn has(&self, line: &str) -> bool {
        let mut words = self.rows.iter().map(|(word, _)| word).chain([&self.headed]);
        words.any(|word| line.trim_start().starts_with(word.as_str()))
    }

    /// The lines of a table with these readings.
    #[must_use]
    pub fn lines(&self, readings: &[&Words]) -> Vec<String> {
        let line = |word: &str, cells: Vec<String>| {
            let filled = cells.into_iter().map(|cell| match cell.as_str() {
                "" => self.blank.clone(),
                _ => cell,
            });
            let all: Vec<String> = [word.to_owned()].into_iter().chain(filled).collect();
            all.join(&self.between)
        };
        let cell = |words: &Words, kind: &str| match kind {
            "result" => {
                let parts = [&words.grade, &words.value, &words.unit].into_iter();
                let parts: Vec<&str> =
                    parts.map(String::as_str).filter(|part| !part.is_empty()).collect();
                parts.join(" ")
            }
            kind => words.part(kind).to_owned(),
        };
        let head = line(&self.headed, readings.iter().map(|words| words.label.clone()).collect());
        let row = |(word, kind): &(String, String)| {
            line(word, readings.iter().map(|words| cell(words, kind)).collect())
        };
        [head].into_iter().chain(self.rows.iter().map(row)).collect()
    }
}
