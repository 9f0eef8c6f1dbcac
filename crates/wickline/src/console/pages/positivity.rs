//! How many of a month's strips were positive, by analyzer and analyte, beside the months before: so that a shift is
//! seen. Counts alone.

use askama::Template;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::Response;

use crate::acts::reviewing::Month;
use crate::clock;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::sheet::positivity::{BEFORE, Count, Positive, Positivity};

/// Dots of a bar and its height.
const BAR: u64 = 12;
const HIGH: u64 = 26;

struct Row {
    analyte: String,
    title: String,
    shares: Vec<String>,
    now: String,
    of: String,
    shift: String,
    bars: String,
}

/// The rows of one analyzer.
struct Part {
    id: String,
    rows: Vec<Row>,
}

#[derive(Template)]
#[template(path = "console/positivity.html")]
struct Page {
    frame: Frame,
    month: String,
    before: String,
    next: String,
    line: String,
    months: Vec<String>,
    parts: Vec<Part>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

/// A bar a month, each row by its own highest one.
fn bars(counts: &[Count]) -> String {
    let share = |one: &Count| (one.positive * 1_000).checked_div(one.read).unwrap_or(0);
    let most = counts.iter().map(share).max().unwrap_or(0).max(1);
    let mut text = String::new();
    for (nth, one) in (0_u64..).zip(counts) {
        let height = share(one) * HIGH / most;
        let (x, y) = (nth * BAR, HIGH - height);
        text.push_str(&format!("M{x} {y}h9V{HIGH}h-9z"));
    }
    let width = BAR * u64::try_from(counts.len()).unwrap_or(0);
    let foot = HIGH + 2;
    format!(
        "<svg class=\"bars\" width=\"{width}\" height=\"{foot}\" viewBox=\"0 0 {width} {foot}\" \
         aria-hidden=\"true\"><path class=\"s-b\" d=\"M0 {HIGH}h{width}\"/><path class=\"s-a\" d=\"{text}\"/></svg>"
    )
}

/// A decimal as people of this language write it.
fn decimal(here: &Here, text: Option<String>, unit: &str) -> String {
    let point = here.t("positivity.point");
    text.map_or("–".to_owned(), |text| format!("{}{unit}", text.replace('.', point)))
}

fn row(here: &Here, one: &Positive) -> Row {
    let now = one.now();
    let shares = one.counts.iter().rev().skip(1).rev();
    Row {
        analyte: visible(&one.analyte),
        title: visible(&one.title),
        shares: shares.map(|count| decimal(here, count.percent(), " %")).collect(),
        now: decimal(here, now.percent(), " %"),
        of: format!("{} / {}", now.positive, now.read),
        shift: decimal(here, one.shift(), ""),
        bars: bars(&one.counts),
    }
}

/// `GET /positivity/2026-11`; `now` is this month.
pub async fn page(here: Here, Path(month): Path<String>) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let today = bench.clock.day(clock::now_us());
    let found = if month == "now" { Month::of_day(&today) } else { Month::of(&month) };
    let month = found.ok_or_else(|| Halt::lost(here.language))?;
    let read = ledger.within(Positivity::read(ledger, bench, &month, BEFORE, None)).await;
    let mut read = read.map_err(|e| Halt::store(here.language, &e))?;
    let mut parts: Vec<Part> = Vec::new();
    for one in &read.rows {
        match parts.last_mut().filter(|part| part.id == one.analyzer) {
            Some(part) => part.rows.push(row(&here, one)),
            None => parts.push(Part { id: one.analyzer.clone(), rows: vec![row(&here, one)] }),
        }
    }
    // Of each analyzer the pad that was read most: a strip has each pad once.
    let most = |part: &Part| {
        let own = read.rows.iter().filter(|one| one.analyzer == part.id);
        own.map(|one| one.now().read).max().unwrap_or(0)
    };
    let strips: u64 = parts.iter().map(most).sum();
    read.months.pop();
    let beside = |months| month.later(months).map_or(String::new(), |m| m.name);
    let page = Page {
        line: match strips {
            0 => here.t("positivity.none").to_owned(),
            n => here.language.counted("positivity.strips", i64::try_from(n).unwrap_or(i64::MAX)),
        },
        before: beside(-1),
        next: beside(1),
        months: read.months,
        parts,
        frame: Frame::of(&here, "positivity").await?,
        month: month.name,
    };
    Ok(frame::shown(&here, StatusCode::OK, page.render()))
}
