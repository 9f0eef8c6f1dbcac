//! Every reading of every run as CSV, one a line.

use wickline_normalize::controls::{Checked, Range};

use crate::csv::line;
use crate::store::lists::runs::RunView;

/// The columns. Rungs are counted from 0, the lowest.
const HEAD: [&str; 22] = [
    "run",
    "at",
    "heard_at",
    "analyzer",
    "number",
    "specimen",
    "level",
    "state",
    "verdict",
    "control_lot",
    "strip",
    "strip_lot",
    "analyte",
    "found",
    "lowest_allowed",
    "highest_allowed",
    "rung",
    "lowest_rung_allowed",
    "highest_rung_allowed",
    "range",
    "why",
    "run_remark",
];

pub fn csv(runs: &[RunView]) -> String {
    let mut text = line(&HEAD.map(str::to_owned));
    for run in runs {
        for reading in &run.readings {
            text.push_str(&line(&cells(run, reading)));
        }
    }
    text
}

fn cells(run: &RunView, reading: &Checked) -> [String; 22] {
    let or_empty = |text: &Option<String>| text.clone().unwrap_or_default();
    let rung = |rung: Option<usize>| rung.map(|r| r.to_string()).unwrap_or_default();
    let (lowest, highest) = reading.allowed.clone().unwrap_or_default();
    let range = match reading.range {
        Range::In => "in",
        Range::Out => "out",
        Range::NoTarget => "no-target",
    };
    [
        run.id.clone(),
        run.at.clone(),
        run.heard_at.clone(),
        run.analyzer.clone(),
        or_empty(&run.number),
        or_empty(&run.specimen),
        or_empty(&run.level),
        run.state.to_string(),
        run.verdict.to_owned(),
        or_empty(&run.control_lot),
        run.strip.clone(),
        or_empty(&run.strip_lot),
        reading.analyte.clone(),
        reading.found.clone(),
        lowest,
        highest,
        rung(reading.rung),
        rung(reading.rungs.map(|r| r.0)),
        rung(reading.rungs.map(|r| r.1)),
        range.to_owned(),
        reading.why.clone(),
        run.detail.clone(),
    ]
}
