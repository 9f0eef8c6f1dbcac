//! Find: a scan or what was typed, kept in the session, so that no id stands in an address.

use askama::Template;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::today::{Heard, heard};
use crate::acts::people;
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::sheet::meant::meant;

/// Reports that are shown.
const MOST: usize = 50;
/// Characters that are looked for at most.
const LONGEST: usize = 200;

#[derive(Template)]
#[template(path = "console/found.html")]
struct Page {
    frame: Frame,
    words: String,
    line: String,
    found: Vec<Heard>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

/// `POST /find`: one hit opens, several are listed.
pub async fn look(signed: Signed) -> Result<Response, Halt> {
    let here = &signed.here;
    let words: String = signed.fields.get("find").chars().take(LONGEST).collect();
    if words.trim().is_empty() {
        return Ok(Redirect::to("/today").into_response());
    }
    let found = here.ledger.within(here.ledger.found(&meant(&here.bench, &words))).await;
    let found = found.map_err(|e| Halt::store(here.language, &e))?;
    if let (1, Some(only)) = (found.len(), found.keys().next()) {
        return Ok(Redirect::to(&format!("/report/{only}")).into_response());
    }
    let name = people::key().map_err(|e| Halt::store(here.language, &e))?;
    let name = name.get(..16).unwrap_or(&name);
    here.site.memory.keep_words(&here.session.mark, name, &words);
    Ok(Redirect::to(&format!("/find/{name}")).into_response())
}

/// `GET /find/7f3a…`
pub async fn page(here: Here, Path(name): Path<String>) -> Result<Response, Halt> {
    let Some(words) = here.site.memory.words(&here.session.mark, &name) else {
        return Err(Halt::lost(here.language));
    };
    let (ledger, bench) = (&here.ledger, &here.bench);
    let hits = ledger.within(ledger.found(&meant(bench, &words))).await;
    let hits = hits.map_err(|e| Halt::store(here.language, &e))?;
    let mut found = Vec::new();
    for n in hits.keys().rev().take(MOST) {
        let kept = ledger.within(ledger.report(*n, &bench.clock)).await;
        if let Some(kept) = kept.map_err(|e| Halt::store(here.language, &e))? {
            found.push(heard(&here, &kept.item).await?);
        }
    }
    let shown = frame::cell(&words);
    let line = match hits.len() {
        0 => here.language.say("find.none", &[("words", &shown)]),
        n => here.language.counted("find.line", i64::try_from(n).unwrap_or(i64::MAX)),
    };
    let frame = Frame::of(&here, "find").await?;
    let page = Page { frame, words: visible(&words), line, found };
    Ok(frame::shown(&here, StatusCode::OK, page.render()))
}
