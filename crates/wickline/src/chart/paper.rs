//! The charts of levels on A4 paper: all analytes of a level on one page, and what they show as a table behind it.

use askama::Template;

use super::drawn::letter;
use super::runs::{LevelCharts, OfAnalyte};
use crate::clock;
use crate::settings::bench::Bench;
use crate::store::lists::runs::RunView;

#[derive(Template)]
#[template(path = "levels.html")]
struct Page<'a> {
    site: &'a str,
    printed: String,
    levels: &'a [LevelCharts],
}

impl Page<'_> {
    fn drawn(&self, one: &OfAnalyte) -> String {
        let (runs, out) = (one.chart.points.len(), one.out);
        one.chart.drawn(&format!("{}: {runs} runs, {out} out", one.analyte))
    }

    fn letter(&self, nth: &usize) -> String {
        letter(*nth)
    }

    fn time(&self, run: &RunView) -> String {
        run.at.get(..16).unwrap_or(&run.at).replace('T', " ")
    }

    fn since(&self, level: &LevelCharts, at: &i64) -> String {
        let run = usize::try_from(*at).ok().and_then(|at| level.runs.get(at));
        run.map_or(String::new(), |run| run.at.get(..10).unwrap_or_default().to_owned())
    }
}

/// The file.
pub fn render(bench: &Bench, levels: &[LevelCharts]) -> Result<String, askama::Error> {
    let printed = bench.clock.rfc3339(clock::now_us());
    Page { site: &bench.site_name, printed, levels }.render()
}
