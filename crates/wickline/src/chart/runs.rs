//! The charts of runs of control material: what was read of each analyte against what was allowed, along a time, or run
//! by run in equal steps.

use std::collections::BTreeMap;

use wickline_normalize::controls::{Checked, Range};
use wickline_normalize::strip::{Kind, Pad};

use super::{Band, Change, Chart, Place, Point};
use crate::settings::bench::Bench;
use crate::store::lists::runs::RunView;

/// Steps of an axis of free numbers.
const STEPS: i64 = 6;
/// Decimal places of free numbers that a chart tells apart.
const PLACES: u32 = 4;

/// What one chart is about.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct About {
    pub analyzer: String,
    pub strip: String,
    pub level: String,
    pub analyte: String,
}

/// The readings of one analyte, each with its run.
pub type Read<'a> = Vec<(&'a RunView, &'a Checked)>;

/// Where each run stands along a chart, by the id of its report.
#[derive(Clone, Debug, Default)]
pub struct Along {
    pub from: i64,
    pub to: i64,
    pub times: Vec<(i64, String)>,
    pub at: BTreeMap<String, i64>,
}

impl Along {
    fn of(&self, run: &RunView) -> i64 {
        self.at.get(&run.id).copied().unwrap_or(self.from)
    }
}

/// Times as they are, but none so near to the one before it that one sign hides the other.
#[must_use]
pub fn spread(times: &[i64], from: i64, to: i64, gap: i64) -> Vec<i64> {
    let many = i64::try_from(times.len()).unwrap_or(1).max(1);
    let gap = gap.min((to - from) / many).max(1);
    let mut spread = times.to_vec();
    for n in 1..spread.len() {
        spread[n] = spread[n].max(spread[n - 1] + gap);
    }
    // Those at the end go back to where they have room.
    let mut last = to;
    for at in spread.iter_mut().rev() {
        *at = (*at).min(last);
        last = *at - gap;
    }
    spread
}

/// Readings by what their chart is about. A run whose level is not known is on none.
#[must_use]
pub fn sorted<'a>(runs: &'a [RunView], analyte: Option<&str>) -> BTreeMap<About, Read<'a>> {
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

fn pad_of<'a>(bench: &'a Bench, about: &About) -> Option<&'a Pad> {
    let analyzer = bench.analyzer(&about.analyzer)?;
    analyzer.strips.iter().find(|s| s.id == about.strip)?.pad(&about.analyte)
}

/// One chart. `period` is what stands below its title.
#[must_use]
pub fn chart(bench: &Bench, about: &About, read: &Read<'_>, along: &Along, period: &str) -> Chart {
    let pad = pad_of(bench, about);
    let measured = pad.is_some_and(|pad| pad.kind == Kind::Measured);
    let About { analyzer, level, analyte, .. } = about;
    let title = pad.map_or(analyte.as_str(), |pad| pad.title.as_str());
    let site = &bench.site_name;
    let mut chart = Chart {
        title: format!("{site}: {analyzer}, level {level}, {analyte} ({title})"),
        period: period.to_owned(),
        from: along.from,
        to: along.to,
        times: along.times.clone(),
        measured,
        points: read.iter().map(|(run, checked)| point(run, checked, along)).collect(),
        bands: bands(read, along),
        changes: changes(read.iter().map(|(run, _)| *run), along),
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

/// Every chart of one level of one strip type, run by run in equal steps: its length is not time.
pub struct LevelCharts {
    pub analyzer: String,
    pub strip: String,
    pub level: String,
    /// The oldest first.
    pub runs: Vec<RunView>,
    pub charts: Vec<OfAnalyte>,
    /// New lots, by the column at which each was first run.
    pub lots: Vec<Change>,
}

/// One of them.
pub struct OfAnalyte {
    pub analyte: String,
    pub title: String,
    pub chart: Chart,
    pub out: usize,
}

impl LevelCharts {
    /// Of runs of one level and strip, the oldest first. The pads stand in the strip's own order.
    #[must_use]
    pub fn of(bench: &Bench, runs: Vec<RunView>) -> Option<Self> {
        let (first, mut days) = (runs.first()?, Vec::new());
        let (analyzer, strip) = (first.analyzer.clone(), first.strip.clone());
        let level = first.level.clone()?;
        let mut along = Along { to: i64::try_from(runs.len()).ok()?, ..Along::default() };
        for (run, at) in runs.iter().zip(0..) {
            let day = run.at.get(5..10).unwrap_or_default().to_owned();
            if days.last() != Some(&day) {
                along.times.push((at, day.clone()));
                days.push(day);
            }
            along.at.insert(run.id.clone(), at);
        }
        let known = bench.analyzer(&analyzer);
        let pads = known.and_then(|a| a.strips.iter().find(|s| s.id == strip)).map(|s| &s.pads);
        let place = |analyte: &str| {
            let place = pads.and_then(|pads| pads.iter().position(|p| p.id == analyte));
            place.unwrap_or(usize::MAX)
        };
        let one = |(about, read): (About, Read<'_>)| OfAnalyte {
            title: pad_of(bench, &about).map_or(String::new(), |pad| pad.title.clone()),
            chart: chart(bench, &about, &read, &along, ""),
            out: read.iter().filter(|(_, checked)| checked.range == Range::Out).count(),
            analyte: about.analyte,
        };
        let mut charts: Vec<OfAnalyte> = sorted(&runs, None).into_iter().map(one).collect();
        charts.sort_by_key(|one| place(&one.analyte));
        let lots = changes(runs.iter(), &along);
        Some(Self { analyzer, strip, level, runs, charts, lots })
    }

    /// What was found in a run, and whether it is out; for the table beside the charts.
    #[must_use]
    pub fn cell(&self, run: &RunView, analyte: &str) -> (String, bool) {
        let read = run.readings.iter().find(|one| one.analyte == analyte);
        let Some(read) = read else { return (String::new(), false) };
        let out = read.range == Range::Out;
        match &read.allowed {
            Some((low, high)) if out && low == high => (format!("{} ({low})", read.found), true),
            Some((low, high)) if out => (format!("{} ({low} – {high})", read.found), true),
            _ => (read.found.clone(), out),
        }
    }
}

/// A reading that stands nowhere is drawn below the ladder.
const NOWHERE: i64 = -2;

fn point(run: &RunView, checked: &Checked, along: &Along) -> Point {
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
    Point { at: along.of(run), low, high, place }
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

/// What was allowed: from each run whose targets differ from those before it to the next such one.
fn bands(read: &Read<'_>, along: &Along) -> Vec<Band> {
    let mut bands: Vec<Band> = Vec::new();
    for (run, checked) in read {
        let at = along.of(run);
        let rung = |rung: usize| 2 * i64::try_from(rung).unwrap_or(0);
        let rungs = checked.rungs.map(|(low, high)| (rung(low), rung(high)));
        let numbers = || {
            let (low, high) = checked.allowed.as_ref()?;
            checked.rungs.is_none().then_some(())?;
            scaled(low).zip(scaled(high))
        };
        let Some((low, high)) = rungs.or_else(numbers) else { continue };
        if bands.last().is_none_or(|b| (b.low, b.high) != (low, high)) {
            bands.push(Band { from: at, to: along.to, low, high });
        }
    }
    for n in 1..bands.len() {
        bands[n - 1].to = bands[n].from;
    }
    bands
}

/// New lots, of controls and of strips, each where it was first run.
fn changes<'a>(runs: impl Iterator<Item = &'a RunView>, along: &Along) -> Vec<Change> {
    let mut changes = Vec::new();
    let mut last: [Option<&str>; 2] = [None; 2];
    for run in runs {
        let lots = [("control lot", &run.control_lot), ("strip lot", &run.strip_lot)];
        let mut names = Vec::new();
        for ((what, lot), last) in lots.into_iter().zip(&mut last) {
            if let Some(lot) = lot.as_deref().filter(|lot| *last != Some(lot)) {
                names.push(format!("{what} {lot}"));
                *last = Some(lot);
            }
        }
        if !names.is_empty() {
            changes.push(Change { at: along.of(run), name: names.join(", ") });
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

    use super::{Along, Place, RunView, bands, changes, point, scaled, spread, unscaled};
    use crate::store::state::State;

    fn run(at: i64, verdict: &'static str, lot: &str, strip_lot: Option<&str>) -> RunView {
        RunView {
            id: at.to_string(),
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
            notes: Vec::new(),
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
        let at = runs.iter().map(|run| (run.id.clone(), run.at_us / 1_000_000)).collect();
        let along = Along { to: 99, at, ..Along::default() };
        let found: Vec<_> =
            bands(&all, &along).iter().map(|b| (b.from, b.to, b.low, b.high)).collect();
        assert_eq!(found, [(10, 30, 2, 6), (30, 99, 4, 4)]);
        let names: Vec<_> =
            changes(runs.iter(), &along).into_iter().map(|c| (c.at, c.name)).collect();
        let named = |at, name: &str| (at, name.to_owned());
        let wanted = [
            named(10, "control lot KP-1"),
            named(20, "strip lot S-1"),
            named(30, "control lot KP-2"),
        ];
        assert_eq!(names, wanted);
        let points: Vec<_> = all.iter().map(|(run, checked)| point(run, checked, &along)).collect();
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

    /// A run that is done again within minutes stands beside the one before, whatever the length of the chart.
    #[test]
    fn what_lies_near_is_drawn_apart_and_stays_inside() {
        let month = 30 * 86_400;
        let near = [86_400, 86_460, 86_500, 20 * 86_400, month - 30, month - 10];
        let gap = month / 55;
        let apart = spread(&near, 0, month, gap);
        assert!(apart.windows(2).all(|two| two[1] - two[0] >= gap), "{apart:?}");
        assert!(apart[0] >= 0 && apart[5] <= month, "{apart:?}");
        assert_eq!((apart[0], apart[3]), (86_400, 20 * 86_400), "who has room stays");
        let many: Vec<i64> = (0..500).collect();
        let apart = spread(&many, 0, month, gap);
        assert!(apart.windows(2).all(|two| two[1] > two[0]) && apart[499] <= month);
    }
}
