//! `explain`: from print to reading to OBX, side by side, and every line that was not understood.

mod account;
mod capture;
mod follow;
mod page;
mod screen;
mod why;

use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;
use wickline_listen::ear::hear;
use wickline_normalize::Place;

use self::account::{Account, Explained, Missed};
use self::capture::KeptBytes;
use super::output::Output;
use super::{Answer, Exit, Failure, faults, marks};
use crate::clock;
use crate::settings;
use crate::settings::bench::{Analyzer, Bench, Target};

/// `wickline explain capture.bin --analyzer bench-1`, or without a configuration
/// `wickline explain capture.bin --dialect lis02 --strip ten-pad`, or live
/// `wickline explain --follow --analyzer bench-1`
#[derive(Debug, Args)]
pub struct Options {
    /// The bytes as they came from the line
    #[arg(required_unless_present = "follow", conflicts_with = "follow")]
    capture: Option<PathBuf>,
    /// Whose dialect and strip [default: the first analyzer]
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// For which receiver [default: the first]
    #[arg(long, value_name = "ID")]
    receiver: Option<String>,
    /// Without a configuration: the dialect
    #[arg(long, conflicts_with_all = ["analyzer", "receiver", "follow"])]
    dialect: Option<String>,
    /// Without a configuration: the strip
    #[arg(long, requires = "dialect", default_value = "ten-pad")]
    strip: String,
    /// Without a configuration: the units that the receiver wants
    #[arg(long, requires = "dialect", default_value = "conventional", value_parser = ["conventional", "si"])]
    units: String,
    /// Write a page that stands alone, for a browser or A4
    #[arg(long, value_name = "FILE", conflicts_with = "follow")]
    html: Option<PathBuf>,
    /// Show each report as the running daemon hears it, until ctrl-c
    #[arg(long)]
    follow: bool,
    /// With --follow: begin with what the tape holds already
    #[arg(long, requires = "follow")]
    all: bool,
    /// With --follow: end after so many reports
    #[arg(long, value_name = "N", requires = "follow")]
    count: Option<usize>,
}

pub async fn explain(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let bench = match &options.dialect {
        None => super::bench(config)?,
        Some(dialect) => without_configuration(dialect, &options.strip, &options.units)?,
    };
    let (analyzer, target) = chosen(&bench, &options)?;
    let account = Account::new(&bench, analyzer, target);
    let Some(path) = &options.capture else {
        return follow::follow(account, options.all, options.count, out).await;
    };
    let bytes = std::fs::read(path)
        .map_err(|e| Failure::unreachable(format!("reading {}: {e}", path.display())))?;
    let whole = explained(account, path, &bytes);
    if let Some(file) = &options.html {
        page::write(file, &whole, &bench, analyzer, target)?;
    }
    if out.json {
        let Whole { reports, missed, outside, .. } = &whole;
        let outside: Vec<_> = outside
            .iter()
            .map(|(place, text)| json!({"from": place.from, "to": place.to, "text": text}))
            .collect();
        out.document(&json!({"reports": reports, "not_understood": missed, "outside": outside}))?;
    } else if let Some(file) = &options.html {
        let (count, file) = (whole.reports.len(), file.display());
        out.line(&format!(
            "{count} report(s) on {file}; it holds specimen ids: keep it as you keep reports"
        ));
    } else {
        screen::whole(&whole, out);
    }
    Ok(if whole.is_clean() { Exit::Done } else { Exit::NotClean })
}

/// Everything that a capture says.
pub struct Whole {
    pub name: String,
    pub reports: Vec<Explained>,
    pub missed: Vec<Missed>,
    /// What belongs to no report, with control characters by their names.
    pub outside: Vec<(Place, String)>,
}

impl Whole {
    fn is_clean(&self) -> bool {
        let holds = self.reports.iter().any(|r| !r.holds.is_empty());
        !holds && self.missed.is_empty() && !self.reports.is_empty()
    }
}

fn explained(mut account: Account<'_>, path: &Path, bytes: &[u8]) -> Whole {
    let heard = KeptBytes::of(bytes);
    let found = hear(account.analyzer.dialect.as_ref(), bytes);
    let mut reports = Vec::new();
    for transmission in &found {
        reports.extend(account.transmission(transmission, &heard, clock::now_us()));
    }
    let missed = reports.iter().flat_map(Explained::missed).collect();
    let outside = capture::outside(bytes, &found)
        .into_iter()
        .map(|place| (place, marks::heard(&heard.cut(place), &[])))
        .collect();
    Whole { name: path.display().to_string(), reports, missed, outside }
}

fn chosen<'a>(bench: &'a Bench, options: &Options) -> Result<(&'a Analyzer, &'a Target), Failure> {
    let none = |what: &str, id: &Option<String>, known: Vec<&str>| {
        let known = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
        let id = id.as_deref().unwrap_or("");
        Failure::wrong(format!("no {what} `{id}` is configured; configured: {known}"))
    };
    let analyzer = match &options.analyzer {
        Some(id) => bench.analyzer(id),
        None => bench.analyzers.first(),
    };
    let known = || bench.analyzers.iter().map(|a| a.id.as_str()).collect();
    let analyzer = analyzer.ok_or_else(|| none("analyzer", &options.analyzer, known()))?;
    let target = match &options.receiver {
        Some(id) => bench.targets.iter().find(|t| t.id == *id),
        None => bench.targets.first(),
    };
    let known = || bench.targets.iter().map(|t| t.id.as_str()).collect();
    let target = target.ok_or_else(|| none("receiver", &options.receiver, known()))?;
    Ok((analyzer, target))
}

/// A bench with one analyzer and one receiver, for a capture without a configuration.
fn without_configuration(dialect: &str, strip: &str, units: &str) -> Result<Bench, Failure> {
    let quoted = |text: &str| toml::Value::from(text).to_string();
    let text = format!(
        "[site]\nname = \"-\"\nshort = \"EXPLAIN\"\ntimezone = \"UTC\"\n[store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"analyzer\"\nline = \"tcp:127.0.0.1:1\"\ncontrols = \"none\"\ndialect = {}\nstrip = {}\n\
         [[receiver]]\nid = \"receiver\"\naddress = \"dir:.\"\nunits = {}\n",
        quoted(dialect),
        quoted(strip),
        quoted(units)
    );
    let loaded = settings::from_text(Path::new("./(none)"), text).map_err(faults)?;
    Bench::build(&loaded).map_err(faults)
}
