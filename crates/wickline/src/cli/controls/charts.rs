//! `controls chart`: one chart for each analyzer, strip, level and analyte.

use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;

use super::Which;
use crate::chart::Chart;
use crate::chart::paper;
use crate::chart::runs::{self, About, Along, LevelCharts, Read, sorted, spread};
use crate::cli::output::Output;
use crate::cli::{Answer, Desk, Exit, Failure};
use crate::store::copying::for_results;
use crate::views::controls::Period;

/// Days that are named along a chart at most.
const NAMED: i64 = 8;
/// Signs that stand side by side along a chart at most: nearer ones are drawn apart.
const APART: i64 = 55;
const SECOND: i64 = 1_000_000;
/// Runs on a page of a level, where nobody asks for more.
const RUNS: i64 = 14;

/// `wickline controls chart --analyzer bench-1 --level 2 --analyte GLU --svg glucose.svg`
#[derive(Debug, Args)]
pub struct Options {
    #[command(flatten)]
    which: Which,
    /// Of one analyte, by its id
    #[arg(long, value_name = "ID")]
    analyte: Option<String>,
    /// The one chart that fits
    #[arg(long, value_name = "FILE", required_unless_present_any = ["dir", "html"], conflicts_with = "dir")]
    svg: Option<PathBuf>,
    /// A folder for every chart that fits, each in a file of its own
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
    /// One A4 page for each level instead, with every analyte run by run
    #[arg(long, value_name = "FILE", conflicts_with_all = ["svg", "dir", "analyte", "from"])]
    html: Option<PathBuf>,
    /// On such a page the last so many runs up to --to, 90 at most
    #[arg(long, value_name = "N", default_value_t = RUNS, requires = "html")]
    #[arg(value_parser = clap::value_parser!(i64).range(1..=90))]
    runs: i64,
}

/// A file name that is one, whatever stood in the data.
fn file(about: &About, several: bool) -> String {
    let strip = if several { about.strip.as_str() } else { "" };
    let parts = [about.analyzer.as_str(), strip, &about.level, &about.analyte];
    let safe = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
    let parts: Vec<String> = parts
        .iter()
        .filter(|part| !part.is_empty())
        .map(|part| part.chars().map(safe).collect())
        .collect();
    format!("{}.svg", parts.join("_"))
}

pub async fn charts(desk: &Desk, options: Options, out: &Output) -> Answer {
    if let Some(path) = &options.html {
        return pages(desk, &options, path, out).await;
    }
    let (period, runs) = options.which.runs(desk).await?;
    let found = sorted(&runs, options.analyte.as_deref());
    if found.is_empty() {
        let (from, to) = (&period.from_day, &period.to_day);
        let why =
            format!("no control that fits was run from {from} to {to}: there is nothing to draw");
        return Err(Failure::wrong(why));
    }
    let mut files = Vec::new();
    if let Some(path) = &options.svg {
        if found.len() > 1 {
            let fit: Vec<String> = found.keys().map(|a| file(a, true)).collect();
            let why = format!(
                "{} charts fit; say which with --analyzer, --level and --analyte, or write them all with --dir: {}",
                fit.len(),
                fit.join(", ")
            );
            return Err(Failure::wrong(why));
        }
        files.extend(found.iter().map(|(about, read)| (path.clone(), about, read)));
    }
    if let Some(folder) = &options.dir {
        let made = std::fs::create_dir_all(folder);
        made.map_err(|e| Failure::unreachable(format!("{}: {e}", folder.display())))?;
        for_results(folder, &desk.bench.tape)?;
        for (about, read) in &found {
            let strips = desk.bench.analyzer(&about.analyzer).map_or(0, |a| a.strips.len());
            files.push((folder.join(file(about, strips > 1)), about, read));
        }
    }
    for (path, about, read) in &files {
        write(path, &chart(desk, &period, about, read))?;
    }
    if out.json {
        let item = |(path, about, read): &(PathBuf, &About, &Read<'_>)| {
            json!({"file": path.display().to_string(), "analyzer": about.analyzer, "strip": about.strip,
                "level": about.level, "analyte": about.analyte, "runs": read.len()})
        };
        let items: Vec<_> = files.iter().map(item).collect();
        out.document(&json!({ "items": items }))?;
    }
    for (path, _, read) in &files {
        out.line(&format!("{}: {} runs", path.display(), read.len()));
    }
    Ok(Exit::Done)
}

/// Every level that fits on a page of its own.
async fn pages(desk: &Desk, options: &Options, path: &Path, out: &Output) -> Answer {
    let (period, _) = options.which.runs(desk).await?;
    let mut levels = Vec::new();
    for analyzer in &desk.bench.analyzers {
        let fits = |wanted: &Option<String>, id: &str| wanted.as_deref().is_none_or(|w| w == id);
        if !fits(&options.which.analyzer, &analyzer.id) {
            continue;
        }
        let named = analyzer.controls.plan.levels().iter();
        for level in named.filter(|level| fits(&options.which.level, level)) {
            for strip in &analyzer.strips {
                let of = (analyzer.id.as_str(), level.as_str(), strip.id.as_str());
                let last = desk.ledger.last_runs(of, period.to, options.runs, desk.clock()).await?;
                levels.extend(LevelCharts::of(&desk.bench, last));
            }
        }
    }
    if levels.is_empty() {
        let until = &period.to_day;
        let why = format!("no control that fits was run up to {until}: there is nothing to draw");
        return Err(Failure::wrong(why));
    }
    let text = paper::render(&desk.bench, &levels);
    crate::cli::file::write(path, &text.map_err(|e| Failure::unreachable(e.to_string()))?)?;
    if out.json {
        let item = |one: &LevelCharts| {
            json!({"analyzer": one.analyzer, "strip": one.strip, "level": one.level,
                "analytes": one.charts.len(), "runs": one.runs.len()})
        };
        let items: Vec<_> = levels.iter().map(item).collect();
        out.document(&json!({"file": path.display().to_string(), "items": items}))?;
    }
    let (path, many) = (path.display(), levels.len());
    out.line(&format!("{path}: {many} levels, each on a page of its own and with its table"));
    Ok(Exit::Done)
}

fn write(path: &Path, chart: &Chart) -> Result<(), Failure> {
    let text = chart.svg().map_err(Failure::wrong)?;
    crate::cli::file::write(path, &text)
}

fn chart(desk: &Desk, period: &Period, about: &About, read: &Read<'_>) -> Chart {
    let (from, to) = (period.from / SECOND, period.to / SECOND);
    let heard: Vec<i64> = read.iter().map(|(run, _)| run.at_us / SECOND).collect();
    let apart = spread(&heard, from, to, (to - from) / APART);
    let at = read.iter().zip(apart).map(|((run, _), at)| (run.id.clone(), at)).collect();
    let along = Along { from, to, times: times(desk, period), at };
    let below = format!(
        "{} to {}, {}; strip {}",
        period.from_day,
        period.to_day,
        desk.clock().zone_name(),
        about.strip
    );
    runs::chart(&desk.bench, about, read, &along, &below)
}

/// Midnights that are named, evenly.
fn times(desk: &Desk, period: &Period) -> Vec<(i64, String)> {
    let mut days = Vec::new();
    let mut day = period.from_day.clone();
    while day <= period.to_day {
        let Some((from, to)) = desk.clock().day_span(&day) else { break };
        days.push((from / SECOND, day));
        day = desk.clock().day(to);
    }
    let count = i64::try_from(days.len()).unwrap_or(NAMED);
    let step = usize::try_from((count + NAMED - 1) / NAMED).unwrap_or(1).max(1);
    days.into_iter().step_by(step).collect()
}
