//! The charts of one level of control material: every analyte on one page, which prints on one sheet, and the same as a
//! table.

use askama::Template;
use axum::extract::{Path, Query};
use axum::http::StatusCode;
use axum::response::Response;
use serde::Deserialize;

use crate::chart::drawn::letter;
use crate::chart::runs::{LevelCharts, OfAnalyte};
use crate::clock;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;

/// How many runs may be asked for; the first where nobody asks.
const RUNS: [i64; 3] = [14, 30, 90];

struct Figure {
    id: String,
    title: String,
    out: usize,
    svg: String,
}

struct Row {
    link: String,
    number: String,
    at: String,
    cells: Vec<(String, bool)>,
    verdict: &'static str,
    failed: bool,
    notes: Vec<String>,
}

/// One strip type of the analyzer.
struct Strip {
    strip: String,
    lots: Vec<(String, String, String)>,
    figures: Vec<Figure>,
    rows: Vec<Row>,
}

#[derive(Template)]
#[template(path = "console/charts.html")]
struct Page {
    frame: Frame,
    analyzer: String,
    level: String,
    line: String,
    failed: bool,
    path: String,
    choices: Vec<(i64, bool)>,
    others: Vec<(String, String)>,
    strips: Vec<Strip>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

#[derive(Debug, Deserialize)]
pub struct Asked {
    runs: Option<i64>,
}

/// A text as a part of an address.
pub(super) fn part(text: &str) -> String {
    let byte = |b: u8| match b {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' => char::from(b).to_string(),
        b => format!("%{b:02X}"),
    };
    text.bytes().map(byte).collect()
}

pub(super) fn path_to(analyzer: &str, level: &str) -> String {
    format!("/controls/{}/{}", part(analyzer), part(level))
}

fn figure(here: &Here, one: &OfAnalyte) -> Figure {
    let (runs, out) = (one.chart.points.len(), one.out);
    let with =
        [("analyte", one.analyte.as_str()), ("runs", &runs.to_string()), ("out", &out.to_string())];
    let said = here.language.say("charts.said", &with);
    Figure {
        id: visible(&one.analyte),
        title: visible(&one.title),
        out,
        svg: one.chart.drawn(&said),
    }
}

fn strip(here: &Here, charts: &LevelCharts) -> Strip {
    let since = |at: i64| {
        let run = usize::try_from(at).ok().and_then(|at| charts.runs.get(at));
        run.map_or(String::new(), |run| frame::moment(&here.bench, &run.at))
    };
    let lots = charts.lots.iter().enumerate();
    let rows = charts.runs.iter().rev().map(|run| Row {
        link: format!("/report/{}", run.id),
        number: frame::cell(run.number.as_deref().unwrap_or("-")),
        // With its day, which paper does not know else.
        at: run.at.get(..16).unwrap_or(&run.at).replace('T', " "),
        cells: charts
            .charts
            .iter()
            .map(|one| charts.cell(run, &one.analyte))
            .map(|(found, out)| (visible(&found), out))
            .collect(),
        verdict: here.t(&format!("control.{}", run.verdict)),
        failed: run.verdict == "failed",
        notes: run.notes.iter().map(|one| super::review::note(here, one)).collect(),
    });
    Strip {
        strip: charts.strip.clone(),
        lots: lots.map(|(nth, lot)| (letter(nth), visible(&lot.name), since(lot.at))).collect(),
        figures: charts.charts.iter().map(|one| figure(here, one)).collect(),
        rows: rows.collect(),
    }
}

/// `GET /controls/bench-1/2`
pub async fn page(
    here: Here,
    Path((id, level)): Path<(String, String)>,
    Query(asked): Query<Asked>,
) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let many = asked.runs.filter(|n| RUNS.contains(n)).unwrap_or(RUNS[0]);
    let analyzer = bench.analyzer(&id).ok_or_else(|| Halt::lost(here.language))?;
    let mut strips = Vec::new();
    for of in &analyzer.strips {
        let wanted = (id.as_str(), level.as_str(), of.id.as_str());
        let runs = ledger.last_runs(wanted, clock::now_us() + 1, many, &bench.clock);
        let runs = ledger.within(runs).await.map_err(|e| Halt::store(here.language, &e))?;
        strips.extend(LevelCharts::of(bench, runs).map(|charts| strip(&here, &charts)));
    }
    let levels = analyzer.controls.plan.levels();
    // Whatever somebody writes into the address is shown by no page.
    if strips.is_empty() && !levels.contains(&level) {
        return Err(Halt::lost(here.language));
    }
    let out = strips.iter().flat_map(|s| &s.rows).filter(|row| row.failed).count();
    let out = i64::try_from(out).unwrap_or(i64::MAX);
    let others = bench.analyzers.iter().flat_map(|a| {
        let named = a.controls.plan.levels().iter();
        named.map(|l| (path_to(&a.id, l), format!("{} · {}", a.id, visible(l))))
    });
    let path = path_to(&id, &level);
    let page = Page {
        line: match (strips.is_empty(), out) {
            (true, _) => here.t("charts.none").to_owned(),
            (false, 0) => here.t("charts.all_within").to_owned(),
            (false, n) => here.language.counted("charts.failed", n),
        },
        failed: out > 0,
        others: others.filter(|(other, _)| *other != path).collect(),
        choices: RUNS.iter().map(|n| (*n, *n == many)).collect(),
        frame: Frame::of(&here, "charts").await?,
        level: visible(&level),
        analyzer: id,
        path,
        strips,
    };
    Ok(frame::shown(&here, StatusCode::OK, page.render()))
}
