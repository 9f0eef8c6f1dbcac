//! What the program's own reader makes of the captures by a guess, and how much of it makes sense.

use wickline_listen::dialect;
use wickline_listen::ear::hear;
use wickline_normalize::strip::{Kind, Pad};
use wickline_normalize::{Figure, PrintedReading, Report, Text, Units};

use super::Capture;
use super::words;

/// The reports of all captures by one guess, and of which capture each is.
#[derive(Debug)]
pub(super) struct Trial {
    pub reports: Vec<(usize, Report)>,
    pub score: i64,
}

impl Trial {
    /// None: the guess is no dialect.
    pub fn of(dialect: &str, captures: &[Capture<'_>]) -> Option<Trial> {
        let dialect = dialect::parse(dialect, "the draft").ok()?;
        let mut reports = Vec::new();
        for (n, capture) in captures.iter().enumerate() {
            let heard = hear(dialect.as_ref(), capture.bytes);
            reports
                .extend(heard.iter().flat_map(|one| dialect.read(one)).map(|report| (n, report)));
        }
        let score = found(&reports).map(|(pad, reading)| worth(pad, reading)).sum();
        Some(Trial { reports, score })
    }

    /// Readings whose label is known.
    pub fn known(&self) -> usize {
        found(&self.reports).count()
    }
}

/// The pad of a reading. None: its label is known to nobody, the layout cut it, or its line is one of labels.
pub(super) fn pad_of(report: &Report, reading: &PrintedReading) -> Option<&'static Pad> {
    let pad = words::pad(&reading.label)?;
    let line = report.lines.get(reading.line).map_or("", |line| line.text.expose());
    let is_label = |part: &Text| Figure::read(part).is_none() && words::pad(part).is_some();
    let of_labels = reading.parts.iter().any(is_label);
    (!of_labels && !words::is_cut(&reading.label, line)).then_some(pad)
}

/// The readings of known labels, each with its pad.
fn found(reports: &[(usize, Report)]) -> impl Iterator<Item = (&'static Pad, &PrintedReading)> {
    let dated = |report: &Report, line: usize| {
        report.lines.get(line).is_some_and(|line| words::is_dated(line.text.expose()))
    };
    let all =
        reports.iter().flat_map(|(_, report)| report.readings.iter().map(move |r| (report, r)));
    let named = all.filter(move |(report, reading)| !dated(report, reading.line));
    named.filter_map(|(report, reading)| Some((pad_of(report, reading)?, reading)))
}

/// How well a reading fits its pad.
fn worth(pad: &Pad, reading: &PrintedReading) -> i64 {
    let mut worth = 5 + i64::from(reading.mark.is_some());
    for part in &reading.parts {
        worth += match Figure::read(part) {
            Some(figure) => number(pad, &figure, reading.unit.as_deref()),
            None => grade(pad, part),
        };
    }
    worth
}

fn number(pad: &Pad, figure: &Figure, unit: Option<&str>) -> i64 {
    let measure = |units| pad.measure(units);
    let plain =
        measure(Units::Conventional).is_some_and(|measure| measure.unit.goes_without_saying());
    let density = pad.id == "SG" && !figure.digits.starts_with("1.0");
    let spelled = |unit: &str| {
        [Units::Conventional, Units::Si]
            .into_iter()
            .filter_map(measure)
            .any(|measure| measure.is_spelled(unit))
    };
    match unit {
        _ if density || matches!(pad.kind, Kind::TwoStep | Kind::Nominal) => -10,
        None => 2 * i64::from(plain),
        Some(unit) if spelled(unit) => 4,
        Some(unit) => {
            if words::is_unit(unit) {
                3
            } else {
                -5
            }
        }
    }
}

fn grade(pad: &Pad, word: &str) -> i64 {
    if words::grade_on(pad, word).is_some() || words::is_unread(word) || words::is_off(word) {
        return 3;
    }
    // A number that no layout divides from its grade reads as one long word.
    if word.contains(|c: char| c.is_ascii_digit()) { -6 } else { -1 }
}

/// Whether a reading of an unknown label says what only a result does: a grade, or a number with its unit.
pub(super) fn tells(reading: &PrintedReading) -> bool {
    let grade = |part: &Text| words::grade(part).is_some() || words::is_unread(part);
    let unit = reading.unit.as_deref().is_some_and(words::is_unit);
    is_result(reading) && (unit || reading.parts.iter().any(grade))
}

/// Whether a reading of an unknown label is a result all the same: then the strip has to learn the label.
pub(super) fn is_result(reading: &PrintedReading) -> bool {
    let mut sure = false;
    for part in &reading.parts {
        match Figure::read(part) {
            Some(_) => sure = true,
            None if words::grade(part).is_some() || words::is_unread(part) => sure = true,
            None => return false,
        }
    }
    sure
}
