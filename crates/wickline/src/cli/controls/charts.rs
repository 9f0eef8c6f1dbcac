//! `controls chart`: one chart for each analyzer, strip, level and analyte.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;
use wickline_normalize::controls::{Checked, Range};
use wickline_normalize::strip::{Kind, Pad};

use super::{Period, Which};
use crate::chart::{Band, Change, Chart, Place, Point};
use crate::cli::output::Output;
use crate::cli::{Answer, Desk, Exit, Failure};
use crate::store::copying::for_results;
use crate::store::lists::runs::RunView;

/// Days that are named along a chart at most.
const NAMED: i64 = 8;
/// Steps of an axis of free numbers.
const STEPS: i64 = 6;
/// Decimal places of free numbers that a chart tells apart.
const PLACES: u32 = 4;
const SECOND: i64 = 1_000_000;

/// `wickline controls chart --analyzer bench-1 --level 2 --analyte GLU --svg glucose.svg`
#[derive(Debug, Args)]
pub struct Options {
    #[command(flatten)]
    which: Which,
    /// Of one analyte, by its id
    #[arg(long, value_name = "ID")]
    analyte: Option<String>,
    /// The one chart that fits
    #[arg(long, value_name = "FILE", required_unless_present = "dir", conflicts_with = "dir")]
    svg: Option<PathBuf>,
    /// A folder for every chart that fits, each in a file of its own
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
}

/// What one chart is about.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
struct About {
    analyzer: String,
    strip: String,
    level: String,
    analyte: String,
}

impl About {
    /// A file name that is one, whatever stood in the data.
    fn file(&self, several: bool) -> String {
        let strip = if several { self.strip.as_str() } else { "" };
        let parts = [self.analyzer.as_str(), strip, &self.level, &self.analyte];
        let safe = |c: char| if c.is_ascii_alphanumeric() { c } else { '-' };
        let parts: Vec<String> = parts
            .iter()
            .filter(|part| !part.is_empty())
            .map(|part| part.chars().map(safe).collect())
            .collect();
        format!("{}.svg", parts.join("_"))
    }
}

type Read<'a> = Vec<(&'a RunView, &'a Checked)>;

pub async fn charts(desk: &Desk, options: Options, out: &Output) -> Answer {
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
            let fit: Vec<String> = found.keys().map(|a| a.file(true)).collect();
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
            files.push((folder.join(about.file(strips > 1)), about, read));
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

fn write(path: &Path, chart: &Chart) -> Result<(), Failure> {
    let text = chart.svg().map_err(Failure::wrong)?;
    crate::cli::file::write(path, &text)
}

/// Readings by what their chart is about. A run whose level is not known is on none.
fn sorted<'a>(runs: &'a [RunView], analyte: Option<&str>) -> BTreeMap<About, Read<'a>> {
    let mut found: BTreeMap<About, Read<'a>> = BTreeMap::new();
    for run in runs {
        let Some(level) = &run.level else { continue };
        let wanted = |c: &&Checked| analyte.is_none_or(|id| c.analyte.eq_ignore_ascii_case(id));
        for checked in run.readings.iter().filter(wanted) {
            let about = About {
                analyzer: run.analyzer.clone(),
                strip: run.strip.clone(),
                level: level.clone(),
                analyte: checked.analyte.clone(),
            };
            found.entry(about).or_default().push((run, checked));
        }
    }
    found
}

fn chart(desk: &Desk, period: &Period, about: &About, read: &Read<'_>) -> Chart {
    let pad = desk.bench.analyzer(&about.analyzer).and_then(|analyzer| {
        let strip = analyzer.strips.iter().find(|s| s.id == about.strip)?;
        strip.pad(&about.analyte)
    });
    let measured = pad.is_some_and(|pad| pad.kind == Kind::Measured);
    let About { analyzer, strip, level, analyte } = about;
    let title = pad.map_or(analyte.as_str(), |pad| pad.title.as_str());
    let site = &desk.bench.site_name;
    let (from, to) = (period.from / SECOND, period.to / SECOND);
    let mut chart = Chart {
        title: format!("{site}: {analyzer}, level {level}, {analyte} ({title})"),
        period: format!(
            "{} to {}, {}; strip {strip}",
            period.from_day,
            period.to_day,
            desk.clock().zone_name()
        ),
        from,
        to,
        times: times(desk, period),
        measured,
        points: read.iter().map(|(run, checked)| point(run, checked)).collect(),
        bands: bands(read, to),
        changes: changes(read),
        steps: Vec::new(),
    };
    if measured {
        let all = chart.points.len();
        chart.points.retain(|p| p.low != NOWHERE);
        if chart.points.len() < all {
            let gave = format!("; {} runs gave no number", all - chart.points.len());
            chart.period.push_str(&gave);
        }
        chart.steps = numbers(&chart);
    } else {
        chart.steps = rungs(pad, &chart.points);
    }
    chart
}

/// A reading that stands nowhere is drawn below the ladder.
const NOWHERE: i64 = -2;

fn point(run: &RunView, checked: &Checked) -> Point {
    let rung = |rung: usize| 2 * i64::try_from(rung).unwrap_or(0);
    let number = checked.number.as_ref().and_then(|n| scaled(&n.digits));
    let place = match checked.range {
        _ if run.verdict == "no-target" => Place::Untold,
        Range::In => Place::In,
        Range::Out => Place::Out,
        Range::NoTarget => Place::Untold,
    };
    let (low, high) = match (number, checked.span) {
        (Some(number), _) => (number, number),
        (None, Some((low, high))) => (rung(low), rung(high)),
        (None, None) => (NOWHERE, NOWHERE),
    };
    Point { at: run.at_us / SECOND, low, high, place }
}

/// A number in whole ten-thousandths: what is finer is not told apart by eye.
fn scaled(digits: &str) -> Option<i64> {
    let (whole, part) = digits.split_once('.').unwrap_or((digits, ""));
    let places = usize::try_from(PLACES).ok()?;
    let part: String = part.chars().chain(std::iter::repeat('0')).take(places).collect();
    let whole: i64 = whole.parse().ok()?;
    whole.checked_mul(10_i64.pow(PLACES))?.checked_add(part.parse().ok()?)
}

fn unscaled(value: i64) -> String {
    let one = 10_i64.pow(PLACES);
    let (whole, part) = (value / one, value % one);
    if part == 0 {
        return whole.to_string();
    }
    let places = usize::try_from(PLACES).unwrap_or(0);
    format!("{whole}.{part:0places$}").trim_end_matches('0').to_owned()
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

/// What was allowed: from each run whose targets differ from those before it to the next such one.
fn bands(read: &Read<'_>, to: i64) -> Vec<Band> {
    let mut bands: Vec<Band> = Vec::new();
    for (run, checked) in read {
        let at = run.at_us / SECOND;
        let rung = |rung: usize| 2 * i64::try_from(rung).unwrap_or(0);
        let rungs = checked.rungs.map(|(low, high)| (rung(low), rung(high)));
        let numbers = || {
            let (low, high) = checked.allowed.as_ref()?;
            checked.rungs.is_none().then_some(())?;
            scaled(low).zip(scaled(high))
        };
        let Some((low, high)) = rungs.or_else(numbers) else { continue };
        if bands.last().is_none_or(|b| (b.low, b.high) != (low, high)) {
            bands.push(Band { from: at, to, low, high });
        }
    }
    for n in 1..bands.len() {
        bands[n - 1].to = bands[n].from;
    }
    bands
}

/// New lots, of controls and of strips, each where it was first run.
fn changes(read: &Read<'_>) -> Vec<Change> {
    let mut changes = Vec::new();
    let mut last: [Option<&str>; 2] = [None; 2];
    for (run, _) in read {
        let lots = [("control lot", &run.control_lot), ("strip lot", &run.strip_lot)];
        let mut names = Vec::new();
        for ((what, lot), last) in lots.into_iter().zip(&mut last) {
            if let Some(lot) = lot.as_deref().filter(|lot| *last != Some(lot)) {
                names.push(format!("{what} {lot}"));
                *last = Some(lot);
            }
        }
        if !names.is_empty() {
            changes.push(Change { at: run.at_us / SECOND, name: names.join(", ") });
        }
    }
    changes
}

/// Every rung of the ladder by its grade, and by its number too where one grade stands on several.
fn rungs(pad: Option<&Pad>, points: &[Point]) -> Vec<(i64, String)> {
    let ladder = pad.map(|pad| pad.rungs.as_slice()).unwrap_or_default();
    let names: Vec<String> = ladder.iter().map(|rung| rung.name()).collect();
    let name = |n: usize| {
        let several = names.iter().filter(|name| **name == names[n]).count() > 1;
        let label = ladder[n].conventional.as_ref().or(ladder[n].si.as_ref());
        match label.filter(|_| several) {
            Some(label) => format!("{} {}", names[n], label.text()),
            None => names[n].clone(),
        }
    };
    let mut steps = Vec::new();
    if points.iter().any(|p| p.low == NOWHERE) {
        steps.push((NOWHERE, "on no rung".to_owned()));
    }
    steps.extend((0..ladder.len()).map(|n| (2 * i64::try_from(n).unwrap_or(0), name(n))));
    steps
}

/// Round numbers between the lowest and the highest.
fn numbers(chart: &Chart) -> Vec<(i64, String)> {
    let points = chart.points.iter().flat_map(|p| [p.low, p.high]);
    let all: Vec<i64> = points.chain(chart.bands.iter().flat_map(|b| [b.low, b.high])).collect();
    let (Some(low), Some(high)) = (all.iter().min(), all.iter().max()) else { return Vec::new() };
    let wanted = ((high - low) / STEPS).max(1);
    let tens = 10_i64.pow(wanted.ilog10());
    let round = [1, 2, 5, 10].map(|n| n * tens);
    let step = round.into_iter().find(|step| *step >= wanted).unwrap_or(wanted);
    let first = low.div_euclid(step) * step;
    let steps = (0..=high.saturating_sub(first) / step + 1).map(|n| first + n * step);
    steps.map(|at| (at, unscaled(at))).collect()
}

#[cfg(test)]
mod tests {
    use wickline_normalize::controls::{Checked, Range};

    use super::{Place, RunView, bands, changes, point, scaled, unscaled};
    use crate::store::state::State;

    fn run(at: i64, verdict: &'static str, lot: &str, strip_lot: Option<&str>) -> RunView {
        RunView {
            id: "1".into(),
            analyzer: "bench-1".into(),
            number: None,
            specimen: None,
            class: "control",
            level: Some("1".into()),
            state: State::Filed,
            verdict,
            detail: String::new(),
            at: String::new(),
            at_us: at * 1_000_000,
            taken_at: None,
            heard_at: String::new(),
            control_lot: Some(lot.into()),
            strip: "ten-pad".into(),
            strip_lot: strip_lot.map(str::to_owned),
            readings: Vec::new(),
        }
    }

    fn read(range: Range, rungs: (usize, usize), span: Option<(usize, usize)>) -> Checked {
        let checked = serde_json::json!({"analyte": "GLU", "range": range, "why": "", "found": "2+",
            "rungs": rungs, "span": span});
        serde_json::from_value(checked).expect("a reading")
    }

    #[test]
    fn bands_and_lots_change_where_they_do() {
        let runs = [
            run(10, "passed", "KP-1", None),
            run(20, "failed", "KP-1", Some("S-1")),
            run(30, "no-target", "KP-2", Some("S-1")),
        ];
        let readings = [
            read(Range::In, (1, 3), Some((2, 2))),
            read(Range::Out, (1, 3), None),
            read(Range::In, (2, 2), Some((1, 2))),
        ];
        let all: Vec<_> = runs.iter().zip(&readings).collect();
        let found: Vec<_> = bands(&all, 99).iter().map(|b| (b.from, b.to, b.low, b.high)).collect();
        assert_eq!(found, [(10, 30, 2, 6), (30, 99, 4, 4)]);
        let names: Vec<_> = changes(&all).into_iter().map(|c| (c.at, c.name)).collect();
        let named = |at, name: &str| (at, name.to_owned());
        let wanted = [
            named(10, "control lot KP-1"),
            named(20, "strip lot S-1"),
            named(30, "control lot KP-2"),
        ];
        assert_eq!(names, wanted);
        let points: Vec<_> = all.iter().map(|(run, checked)| point(run, checked)).collect();
        let places: Vec<_> = points.iter().map(|p| (p.low, p.high, p.place)).collect();
        assert_eq!(places, [(4, 4, Place::In), (-2, -2, Place::Out), (2, 4, Place::Untold)]);
    }

    #[test]
    fn numbers_keep_their_digits() {
        for (text, value) in
            [("12", 120_000), ("0.5", 5_000), ("1.0005", 10_005), ("3.00009", 30_000)]
        {
            assert_eq!(scaled(text), Some(value), "{text}");
        }
        assert_eq!(scaled("99999999999999999"), None);
        for (value, text) in [(120_000, "12"), (5_000, "0.5"), (10_005, "1.0005"), (0, "0")] {
            assert_eq!(unscaled(value), text);
        }
    }
}
