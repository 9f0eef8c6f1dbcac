//! `controls positivity`: how many of a month's strips were positive, beside the months before.

use std::path::PathBuf;

use clap::Args;

use super::review::month;
use crate::cli::output::{Output, Tone, plain};
use crate::cli::{Answer, Desk, Exit, configured};
use crate::csv::line;
use crate::sheet::positivity::{BEFORE, Count, Positive, Positivity};

/// `wickline controls positivity 2026-11 --csv positivity.csv`
#[derive(Debug, Args)]
pub struct Options {
    /// YYYY-MM [default: this month]
    month: Option<String>,
    /// So many months before it
    #[arg(long, value_name = "N", default_value_t = BEFORE, value_parser = clap::value_parser!(i64).range(0..=24))]
    before: i64,
    /// Of one analyzer
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// One analyte and month a line, as CSV
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
}

pub async fn positivity(desk: &Desk, options: Options, out: &Output) -> Answer {
    let month = month(desk, options.month.as_deref(), 0)?;
    if let Some(id) = &options.analyzer {
        configured(desk, id)?;
    }
    let analyzer = options.analyzer.as_deref();
    let found =
        Positivity::read(&desk.ledger, &desk.bench, &month, options.before, analyzer).await?;
    if let Some(path) = &options.csv {
        crate::cli::file::write(path, &csv(&found))?;
    }
    if out.json {
        out.document(&found)?;
        return Ok(Exit::Done);
    }
    let (site, name) = (&desk.bench.site_name, &month.name);
    out.line(&format!(
        "{site}   positive strips of {name}, beside the {} months before",
        options.before
    ));
    if found.rows.is_empty() {
        out.line("no patient's strip was read in these months");
        return Ok(Exit::Done);
    }
    let mut head = vec!["analyzer", "analyte"];
    head.extend(found.months.iter().map(String::as_str));
    head.push("shift");
    let rows: Vec<_> = found.rows.iter().map(row).collect();
    out.table(&head, &rows);
    out.line(
        "percent, and positive of read; shift: percent points above all months before together",
    );
    Ok(Exit::Done)
}

fn row(one: &Positive) -> Vec<(String, Tone)> {
    let share = |count: &Count| match count.percent() {
        Some(percent) => format!("{percent} ({}/{})", count.positive, count.read),
        None => "-".to_owned(),
    };
    let mut cells = vec![plain(&one.analyzer), plain(&one.analyte)];
    cells.extend(one.counts.iter().map(|count| plain(share(count))));
    cells.push(plain(one.shift().unwrap_or_else(|| "-".into())));
    cells
}

fn csv(found: &Positivity) -> String {
    let head = ["analyzer", "analyte", "month", "read", "positive", "percent"];
    let mut text = line(&head.map(str::to_owned));
    for one in &found.rows {
        for (month, count) in found.months.iter().zip(&one.counts) {
            let (read, positive) = (count.read.to_string(), count.positive.to_string());
            let percent = count.percent().unwrap_or_default();
            let cells =
                [one.analyzer.clone(), one.analyte.clone(), month.clone(), read, positive, percent];
            text.push_str(&line(&cells));
        }
    }
    text
}
