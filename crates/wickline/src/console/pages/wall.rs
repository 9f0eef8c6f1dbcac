//! The wall: how things stand, for whoever stands before the bench. No specimen id, no reading, nobody's words, no act.

use askama::Template;
use axum::Extension;
use axum::extract::State;
use axum::http::{HeaderMap, StatusCode};
use axum::response::{Html, IntoResponse, Response};

use super::today::about;
use crate::console::door::Way;
use crate::console::halt::Halt;
use crate::console::here::{Shared, asked};
use crate::seen::visible;
use crate::sheet::now::{About, Now};
use crate::texts::Language;

struct Row {
    about: &'static str,
    which: String,
    text: String,
    refused: bool,
}

#[derive(Template)]
#[template(path = "console/wall.html")]
struct Page<'a> {
    language: Language,
    site: &'a str,
    time: String,
    line: String,
    wrong: bool,
    rows: Vec<Row>,
}

impl Page<'_> {
    fn t(&self, place: &str) -> &'static str {
        self.language.text(place)
    }
}

/// `GET /wall`, from this machine alone and where it is configured.
pub async fn page(
    State(site): Shared,
    Extension(way): Extension<Way>,
    headers: HeaderMap,
) -> Result<Response, Halt> {
    let (language, bench) = (asked(&headers), site.bench());
    if !bench.console_rules.wall || !way.peer.is_loopback() {
        return Err(Halt::lost(language));
    }
    let ledger = site.ledger(language)?;
    let now = ledger.within(Now::read(&ledger, &bench)).await;
    let now = now.map_err(|e| Halt::store(language, &e))?;
    let rows: Vec<Row> = now
        .wrong()
        .map(|found| Row {
            about: language.text(about(found.about)),
            which: visible(&found.named().told(language)),
            text: visible(&found.outside.as_ref().unwrap_or(&found.text).told(language)),
            refused: matches!(found.about, About::Refused | About::Missing | About::Store),
        })
        .collect();
    let line = match rows.len() {
        0 => language.text("today.nothing").to_owned(),
        n => language.counted("today.need", i64::try_from(n).unwrap_or(i64::MAX)),
    };
    let page = Page {
        language,
        site: &bench.site_name,
        time: now.at.get(11..19).unwrap_or("").to_owned(),
        line,
        wrong: !rows.is_empty(),
        rows,
    };
    let page = page.render().map_err(|_| Halt::lost(language))?;
    Ok((StatusCode::OK, Html(page)).into_response())
}
