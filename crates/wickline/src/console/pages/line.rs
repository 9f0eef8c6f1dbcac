//! Line: how each line stands, and the last that was heard on it, sign by sign, with what became of it.

use std::collections::VecDeque;

use askama::Template;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::Response;

use crate::acts::people::PersonRole;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::marks;
use crate::seen::visible;
use crate::settings::bench::Analyzer;
use crate::sheet::now::{About, Now};
use crate::store::StoreError;
use crate::store::tape::{Entry, Kind, Tape};

/// Lines of what was heard, and signs of one, that are shown.
const MOST: usize = 200;
const WIDEST: usize = 400;
/// Entries of the tape that are read for them, and at once: none is larger than a read of the port.
const ENTRIES: i64 = 400;

/// One analyzer's line.
struct One {
    id: String,
    settings: String,
    dialect: String,
    facts: Vec<(&'static str, String, bool)>,
}

/// One line of what was heard, or what became of the line.
struct Row {
    at: String,
    text: String,
    odd: bool,
}

#[derive(Template)]
#[template(path = "console/line.html")]
struct Page {
    frame: Frame,
    lines: Vec<One>,
    /// What was heard on one; None: of this role, or none was chosen.
    heard: Option<(String, Vec<Row>)>,
    may: bool,
    wrong: Option<&'static str>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

/// `GET /line`
pub async fn page(here: Here) -> Result<Response, Halt> {
    let first = here.bench.analyzers.first().map(|one| one.id.clone());
    list(here, first).await
}

/// `GET /line/bench-1`
pub async fn one(here: Here, Path(id): Path<String>) -> Result<Response, Halt> {
    let known = here.bench.analyzer(&id).is_some();
    if !known {
        return Err(Halt::lost(here.language));
    }
    list(here, Some(id)).await
}

async fn list(here: Here, which: Option<String>) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let now = ledger.within(Now::read(ledger, bench)).await;
    let now = now.map_err(|e| Halt::store(here.language, &e))?;
    let may = here.may(PersonRole::Technologist);
    let mut wrong = None;
    let heard = match which.filter(|_| may) {
        None => None,
        Some(id) => match heard(&here, &id).await {
            Ok(rows) => Some((id, rows)),
            Err(_) => {
                wrong = Some(here.t("line.no_tape"));
                None
            }
        },
    };
    let lines = bench.analyzers.iter().map(|analyzer| of(&here, analyzer, &now)).collect();
    let page = Page { lines, heard, may, wrong, frame: Frame::of(&here, "line").await? };
    Ok(frame::shown(&here, StatusCode::OK, page.render()))
}

fn of(here: &Here, analyzer: &Analyzer, now: &Now) -> One {
    let abouts = [About::Line, About::Instrument, About::Clock];
    let own = now.findings.iter().filter(|f| f.which == analyzer.id && abouts.contains(&f.about));
    let fact = |f: &crate::sheet::now::Finding| {
        (here.t(super::today::about(f.about)), here.told(&f.text), f.wrong)
    };
    One {
        id: analyzer.id.clone(),
        settings: visible(&analyzer.line.to_string()),
        dialect: analyzer.dialect.name().to_owned(),
        facts: own.map(fact).collect(),
    }
}

/// The last lines, by the tape: it has what nothing was made of, too.
async fn heard(here: &Here, id: &str) -> Result<Vec<Row>, StoreError> {
    let tape = Tape::look(&here.bench.tape).await?;
    let (_, from) = tape.tail(id, ENTRIES).await?;
    let entries = tape.after(id, from, ENTRIES + 1).await?;
    Ok(rows(here, &entries))
}

/// Whole lines of what was heard, each with the time of its last byte; ends stay with their line.
fn rows(here: &Here, entries: &[Entry]) -> Vec<Row> {
    let mut rows: VecDeque<Row> = VecDeque::new();
    let (mut bytes, mut flaws, mut at) = (Vec::new(), Vec::new(), 0);
    let mut push = |row: Row| {
        rows.push_back(row);
        if rows.len() > MOST {
            rows.pop_front();
        }
    };
    let time = |at: i64| frame::time(&here.bench, at);
    let text = |bytes: &[u8], flaws: &[usize], at: i64| {
        let shown: String = marks::heard(bytes, flaws).chars().take(WIDEST).collect();
        Row { at: time(at), text: shown, odd: !flaws.is_empty() }
    };
    for entry in entries {
        if entry.kind != Kind::Bytes {
            if !bytes.is_empty() {
                push(text(&bytes, &flaws, at));
                (bytes, flaws) = Default::default();
            }
            let place = match entry.kind {
                Kind::Opened => "line.opened",
                Kind::Closed => "line.closed",
                Kind::Gap | Kind::Bytes => "line.gap",
            };
            push(Row { at: time(entry.at), text: here.t(place).to_owned(), odd: true });
            continue;
        }
        at = entry.at;
        for (nth, byte) in entry.data.iter().enumerate() {
            if entry.flaws.contains(&nth) {
                flaws.push(bytes.len());
            }
            bytes.push(*byte);
            if *byte == b'\n' || bytes.len() >= WIDEST {
                push(text(&bytes, &flaws, at));
                (bytes, flaws) = Default::default();
            }
        }
    }
    if !bytes.is_empty() {
        push(text(&bytes, &flaws, at));
    }
    // The newest first: it is what somebody looks for.
    rows.into_iter().rev().collect()
}
