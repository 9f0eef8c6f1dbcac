//! `explain`: from print to reading to OBX, side by side, and every line that was not understood.

mod account;
mod capture;
mod follow;
mod page;
mod printed;
mod screen;
mod watch;
mod why;

use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;
use wickline_listen::ear::hear;
use wickline_normalize::Place;
use wickline_normalize::controls::State;

use self::account::{Account, Explained, Missed};
use self::capture::KeptBytes;
use super::output::{self, Output};
use super::{Answer, Exit, Failure, faults, or_gone};
use crate::clock;
use crate::marks;
use crate::settings::bench::{Analyzer, Bench, Supposed, Target};
use crate::settings::{self, Loaded};
use crate::store::ledger::Ledger;

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
    /// As if the analyzer were set to print these units
    #[arg(long, value_name = "UNITS", value_parser = ["conventional", "si"])]
    printed: Option<String>,
    /// As if it were heard at this time, 2026-03-14T09:20 by the site's clock: says what is held for the analyzer's
    #[arg(long, value_name = "TIME", conflicts_with = "follow")]
    at: Option<String>,
    /// As if the controls stood so: says what is held for them
    #[arg(long, value_name = "STANDING", value_parser = ["passed", "failed", "due"])]
    controls: Option<String>,
    /// Again whenever the dialect, a strip, the configuration or the capture is saved, until ctrl-c
    #[arg(long, conflicts_with = "follow")]
    watch: bool,
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
    let Some(path) = &options.capture else {
        let bench = Bench::build(&loaded(config, &options)?).map_err(faults)?;
        let account = account(&bench, &options)?.0;
        return follow::follow(account, options.all, options.count, out).await;
    };
    if options.watch {
        return watch::watch(config, path, &options, out).await;
    }
    once(&loaded(config, &options)?, path, &options, out).await
}

/// The configuration, as if the analyzer printed what `--printed` says.
fn loaded(config: Option<PathBuf>, options: &Options) -> Result<Loaded, Failure> {
    let mut loaded = match &options.dialect {
        None => super::loaded(config)?,
        Some(dialect) => without_configuration(dialect, &options.strip, &options.units)?,
    };
    if let Some(units) = &options.printed {
        let asked = |id: &String| options.analyzer.as_ref().is_none_or(|asked| asked == id);
        for analyzer in loaded.settings.analyzer.iter_mut().filter(|a| asked(&a.id)) {
            analyzer.units.clone_from(units);
        }
    }
    Ok(loaded)
}

/// What is explained by, and the time at which the capture counts as heard.
fn account<'a>(bench: &'a Bench, options: &Options) -> Result<(Account<'a>, i64), Failure> {
    let (analyzer, target) = chosen(bench, options)?;
    let at = match &options.at {
        None => clock::now_us(),
        Some(text) => {
            let moment = clock::moment_of(text.trim_end_matches('Z'));
            moment.and_then(|moment| bench.clock.us(moment)).ok_or_else(|| {
                let text = output::visible(text);
                Failure::wrong(format!(
                    "--at {text}: write a time of the site's clock as 2026-03-14T09:20, or with its offset as \
                     2026-03-14T09:20:00+01:00"
                ))
            })?
        }
    };
    let state = options.controls.as_deref().map(|standing| match standing {
        "passed" => State::Passed { until: bench.clock.moment(at) },
        "failed" => State::Failed { since: bench.clock.moment(at) },
        _ => State::Due { since: None },
    });
    let supposed = Supposed { clock: options.at.is_some(), controls: state };
    Ok((Account::new(bench, analyzer, target, supposed), at))
}

async fn once(loaded: &Loaded, path: &Path, options: &Options, out: &Output) -> Answer {
    let bench = Bench::build(loaded).map_err(faults)?;
    let (account, at) = account(&bench, options)?;
    let account = account.with_orders(orders(&bench).await);
    let (analyzer, target, supposed) = (account.analyzer, account.target, account.supposed);
    let bytes = std::fs::read(path)
        .map_err(|e| Failure::unreachable(format!("reading {}: {e}", path.display())))?;
    let whole = explained(account, path, &bytes, at).await?;
    if let Some(file) = &options.html {
        page::write(file, &whole, &bench, analyzer, target)?;
    }
    if out.json {
        let Whole { reports, missed, outside, questions, .. } = &whole;
        let outside: Vec<_> = outside
            .iter()
            .map(|(place, text)| json!({"from": place.from, "to": place.to, "text": text}))
            .collect();
        out.document(&json!({
            "reports": reports, "not_understood": missed, "outside": outside, "questions": questions,
        }))?;
    } else if let Some(file) = &options.html {
        let (count, file) = (whole.reports.len(), file.display());
        out.line(&format!(
            "{count} report(s) on {file}; it holds specimen ids: keep it as you keep reports"
        ));
    } else {
        screen::whole(&whole, out);
        if let Some(state) = &supposed.controls {
            let told = analyzer.rules.controls_policy.told_now(state);
            out.line(&format!("with controls {}: {told}", state.code()));
        }
    }
    Ok(if whole.is_clean() { Exit::Done } else { Exit::NotClean })
}

/// Everything that a capture says.
pub struct Whole {
    pub name: String,
    pub reports: Vec<Explained>,
    pub missed: Vec<Missed>,
    /// What the analyzer asks.
    pub questions: Vec<String>,
    /// What belongs to no report, with control characters by their names.
    pub outside: Vec<(Place, String)>,
}

impl Whole {
    fn is_clean(&self) -> bool {
        let holds = self.reports.iter().any(|r| !r.holds.is_empty());
        let nothing = self.reports.is_empty() && self.questions.is_empty();
        !holds && self.missed.is_empty() && !nothing
    }
}

/// Where the orders that a strip meets are looked up, if any are taken in. Without them the rest is explained.
async fn orders(bench: &Bench) -> Option<Ledger> {
    if !bench.has_orders() {
        return None;
    }
    let looked = or_gone(bench, Ledger::look(bench.ledger.clone()).await).await;
    looked
        .map_err(|why| eprintln!("orders are not looked up: {}", output::visible(&why.to_string())))
        .ok()
}

async fn explained(
    mut account: Account<'_>,
    path: &Path,
    bytes: &[u8],
    at: i64,
) -> Result<Whole, Failure> {
    let heard = KeptBytes::of(bytes);
    let found = hear(account.analyzer.dialect.as_ref(), bytes);
    let (mut reports, mut questions) = (Vec::new(), Vec::new());
    for transmission in &found {
        questions.extend(account.question(transmission));
        reports.extend(account.transmission(transmission, &heard, at).await?);
    }
    let missed = reports.iter().flat_map(Explained::missed).collect();
    let outside = capture::outside(bytes, &found)
        .into_iter()
        .map(|place| (place, marks::heard(&heard.cut(place), &[])))
        .collect();
    account.close().await?;
    Ok(Whole { name: path.display().to_string(), reports, missed, questions, outside })
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

/// One analyzer and one receiver, for a capture without a configuration.
fn without_configuration(dialect: &str, strip: &str, units: &str) -> Result<Loaded, Failure> {
    let quoted = |text: &str| toml::Value::from(text).to_string();
    let text = format!(
        "[site]\nname = \"-\"\nshort = \"EXPLAIN\"\ntimezone = \"UTC\"\n[store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"analyzer\"\nline = \"tcp:127.0.0.1:1\"\ncontrols = \"none\"\ndialect = {}\nstrip = {}\n\
         [[receiver]]\nid = \"receiver\"\naddress = \"dir:.\"\nunits = {}\n",
        quoted(dialect),
        quoted(strip),
        quoted(units)
    );
    settings::from_text(Path::new("./(none)"), text).map_err(faults)
}
