//! Trail: who did what, when and why, the newest first.

use askama::Template;
use axum::extract::Query;
use axum::http::StatusCode;
use axum::response::Response;

use super::report::{OURSELVES, reason_of, what};
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::store::trail::view::Asked;
use crate::texts::Said;

/// Rows of a page.
const MOST: i64 = 200;

/// One row.
struct Row {
    n: i64,
    at: String,
    who: String,
    by_itself: bool,
    object: String,
    what: String,
    reason: String,
}

#[derive(Template)]
#[template(path = "console/trail.html")]
struct Page {
    frame: Frame,
    rows: Vec<Row>,
    line: String,
    next: Option<i64>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

#[derive(serde::Deserialize, Default)]
#[serde(default)]
pub struct Before {
    before: String,
}

/// `GET /trail`
pub async fn page(here: Here, Query(before): Query<Before>) -> Result<Response, Halt> {
    let before = before.before.parse().unwrap_or(i64::MAX);
    let asked = Asked { before, last: MOST, ..Asked::default() };
    let read = here.ledger.within(here.ledger.trail(&asked)).await;
    let (rows, all) = read.map_err(|e| Halt::store(here.language, &e))?;
    let next = rows.first().map(|row| row.n).filter(|n| *n > 1);
    let row = |row: &crate::store::trail::Row| Row {
        n: row.n,
        at: frame::time(&here.bench, row.at),
        who: visible(&row.who),
        by_itself: row.who == OURSELVES,
        object: here.told(&Said::kept_in("object", &row.object)),
        what: here.told(&what(&row.verb, row.was.as_deref(), row.became.as_deref())),
        reason: reason_of(&here, row),
    };
    let page = Page {
        rows: rows.iter().rev().map(row).collect(),
        line: here.language.counted("trail.line", all),
        next,
        frame: Frame::of(&here, "trail").await?,
    };
    Ok(frame::shown(&here, StatusCode::OK, page.render()))
}
