//! The day sheet on A4 paper.

use askama::Template;

use super::sums::{Counts, PARTS};
use super::{Line, Sheet, Waits, time_on};

/// The lines of one analyzer.
struct Table<'a> {
    analyzer: &'a str,
    lines: Vec<&'a Line>,
}

#[derive(Template)]
#[template(path = "day.html")]
struct Page<'a> {
    sheet: &'a Sheet,
    printed: String,
    trail: Option<&'a str>,
    tables: Vec<Table<'a>>,
    open: u64,
    waits: Vec<Waits>,
    acts: Vec<&'a Line>,
    after: Vec<&'a Line>,
    parts: Vec<&'static str>,
}

impl Page<'_> {
    fn taken(&self, line: &Line) -> String {
        time_on(&self.sheet.date, line.item.taken_at.as_deref())
    }

    fn heard(&self, line: &Line) -> String {
        time_on(&self.sheet.date, line.item.heard_at.as_deref())
    }

    fn count(&self, counts: &Counts, state: &str) -> u64 {
        counts.get(state).copied().unwrap_or(0)
    }

    fn total(&self) -> String {
        let named = self.sheet.totals.iter().filter(|(_, n)| **n > 0);
        named.map(|(state, n)| format!("{n} {state}")).collect::<Vec<_>>().join(", ")
    }
}

pub(super) fn render(
    sheet: &Sheet,
    printed: String,
    trail: Option<&str>,
) -> Result<String, askama::Error> {
    let mut tables: Vec<Table<'_>> = Vec::new();
    for line in &sheet.lines {
        let analyzer = line.item.analyzer.as_str();
        match tables.last_mut().filter(|t| t.analyzer == analyzer) {
            Some(table) => table.lines.push(line),
            None => tables.push(Table { analyzer, lines: vec![line] }),
        }
    }
    let page = Page {
        sheet,
        printed,
        trail,
        tables,
        open: sheet.outstanding,
        waits: sheet.waits(),
        acts: sheet.open().filter(|l| l.needs_person()).collect(),
        after: sheet.after().collect(),
        parts: PARTS.iter().map(|s| s.text()).collect(),
    };
    page.render()
}
