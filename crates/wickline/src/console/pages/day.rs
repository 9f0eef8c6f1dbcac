//! Day sheet: the sum of a day, what is outstanding, every number by analyzer; numbers that never came are explained
//! here, and the day is closed.

use std::collections::BTreeMap;

use askama::Template;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::held::taken;
use super::one_held::reason;
use crate::acts::closing::{Closing, Confirmed, words};
use crate::acts::explaining::Explanation;
use crate::acts::people::PersonRole;
use crate::clock;
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::sheet::{Line, Sheet};
use crate::store::StoreError;
use crate::store::state::State;

/// Rows of one analyzer that are shown; outstanding ones all are.
const MOST: usize = 2000;

/// One row.
struct Row {
    link: String,
    name: String,
    specimen: String,
    class_name: String,
    taken: String,
    way: String,
    noted: String,
    state: &'static str,
    class: &'static str,
    glyph: &'static str,
    open: bool,
    todo: String,
}

/// The rows of one analyzer.
struct Part {
    id: String,
    rows: Vec<Row>,
    more: usize,
}

#[derive(Template)]
#[template(path = "console/day.html")]
struct Page {
    frame: Frame,
    date: String,
    before: String,
    after: String,
    line: String,
    open: bool,
    sums: Vec<(&'static str, u64)>,
    receivers: Vec<(String, Vec<(&'static str, u64)>)>,
    outstanding: Vec<(String, Row)>,
    parts: Vec<Part>,
    notices: Vec<String>,
    /// What was signed beside the numbers.
    beside: Vec<String>,
    closed: Option<String>,
    seal: String,
    analyzers: Vec<String>,
    may: bool,
    reasons: Vec<String>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

/// `GET /day`
pub async fn today(here: Here) -> Response {
    let day = here.bench.clock.day(clock::now_us());
    Redirect::to(&format!("/day/{day}")).into_response()
}

/// `GET /day/2026-11-28`
pub async fn page(here: Here, Path(date): Path<String>) -> Result<Response, Halt> {
    let date = date_of(&here, &date)?;
    shown(here, &date, None).await
}

fn date_of(here: &Here, text: &str) -> Result<String, Halt> {
    let date: Result<jiff::civil::Date, _> = text.parse();
    date.map(|d| d.to_string()).map_err(|_| Halt::lost(here.language))
}

/// The day before or after.
fn beside(date: &str, days: i64) -> String {
    let date: Result<jiff::civil::Date, _> = date.parse();
    let other = date.ok().and_then(|d| d.checked_add(jiff::Span::new().days(days)).ok());
    other.map_or(String::new(), |d| d.to_string())
}

fn row(here: &Here, line: &Line) -> Row {
    let item = &line.item;
    Row {
        link: match (line.is_heard(), item.state == State::Held) {
            (true, true) => format!("/held/{}", item.id),
            (true, false) => format!("/report/{}", item.id),
            (false, _) => String::new(),
        },
        name: frame::cell(&line.name()),
        specimen: frame::cell(item.specimen.as_deref().unwrap_or("")),
        class_name: frame::class_name(here, item),
        taken: taken(&here.bench, item),
        way: frame::way(here, item),
        noted: here.told(&line.noted()),
        state: here.t(&format!("state.{}", item.state.text())),
        class: frame::class(item.state),
        glyph: frame::glyph(item.state),
        open: item.is_open(),
        // What is held has a page that says it better.
        todo: match &line.todo {
            Some(todo) if item.state != State::Held => here.told(&todo.words),
            _ => String::new(),
        },
    }
}

fn counts(here: &Here, counts: &BTreeMap<&'static str, u64>) -> Vec<(&'static str, u64)> {
    let some = counts.iter().filter(|(_, n)| **n > 0);
    some.map(|(state, n)| (here.t(&format!("state.{state}")), *n)).collect()
}

async fn shown(here: Here, date: &str, halt: Option<Halt>) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let read = async {
        let sheet = Sheet::read(ledger, bench, date, None).await?;
        Ok((sheet, ledger.trail_head().await?))
    };
    let (sheet, head) = ledger.within(read).await.map_err(wrong)?;
    let mut parts: Vec<Part> = Vec::new();
    for line in &sheet.lines {
        let place = parts.iter().position(|part| part.id == line.item.analyzer);
        let place = place.unwrap_or_else(|| {
            parts.push(Part { id: line.item.analyzer.clone(), rows: Vec::new(), more: 0 });
            parts.len() - 1
        });
        let part = &mut parts[place];
        if part.rows.len() < MOST { part.rows.push(row(&here, line)) } else { part.more += 1 }
    }
    let open = i64::try_from(sheet.outstanding()).unwrap_or(i64::MAX);
    let fault = sheet
        .faults
        .first()
        .map(|fault| here.language.say("day.fault", &[("why", &here.told(fault))]));
    let line = match (open, sheet.lines.is_empty()) {
        (0, true) => here.t("day.nothing").to_owned(),
        (0, false) => here.t("day.clear").to_owned(),
        (n, _) => here.language.counted("day.outstanding", n),
    };
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    let told = halt.map(|h| h.text().to_owned()).or(fault);
    let page = Page {
        before: beside(date, -1),
        after: beside(date, 1),
        line,
        open: open > 0,
        sums: counts(&here, &sheet.totals),
        receivers: sheet.receivers.iter().map(|(id, of)| (id.clone(), counts(&here, of))).collect(),
        outstanding: sheet
            .open()
            .map(|l| (l.item.analyzer.clone(), row(&here, l)))
            .take(MOST)
            .collect(),
        parts,
        notices: sheet
            .notices
            .iter()
            .chain(&sheet.replaced)
            .chain(&sheet.questions)
            .map(|said| here.told(said))
            .chain(sheet.unheard.iter().map(|one| here.told(&one.words())))
            .collect(),
        beside: sheet.review.iter().chain(&sheet.care).map(|said| here.told(said)).collect(),
        closed: sheet.closed.as_ref().map(|closed| {
            let at = frame::moment(bench, &closed.at);
            here.language.say("day.closed", &[("who", &visible(&closed.who)), ("at", &at)])
        }),
        seal: format!("{}:{}", head.n, head.hash.get(..16).unwrap_or(&head.hash)),
        analyzers: bench.analyzers.iter().map(|a| a.id.clone()).collect(),
        may: here.may(PersonRole::Technologist),
        reasons: bench.people.reasons.clone(),
        date: date.to_owned(),
        frame: Frame::of(&here, "day").await?.with(told),
    };
    Ok(frame::shown(&here, code, page.render()))
}

/// `POST /day/2026-11-28/explain` and the other acts on a day.
pub async fn act(
    Path((date, act)): Path<(String, String)>,
    signed: Signed,
) -> Result<Response, Halt> {
    let here = signed.here.clone();
    here.must(PersonRole::Technologist)?;
    let date = date_of(&here, &date)?;
    let to = format!("/day/{date}");
    if !signed.is_first() {
        return Ok(Redirect::to(&to).into_response());
    }
    let done = match act.as_str() {
        "explain" => explained(&signed, &date).await,
        "close" => closed(&signed, &date).await,
        _ => Err(Halt::lost(here.language)),
    };
    match done {
        Ok(told) => {
            here.tell(told);
            Ok(Redirect::to(&to).into_response())
        }
        Err(halt) => shown(here, &date, Some(halt)).await,
    }
}

async fn explained(signed: &Signed, date: &str) -> Result<String, Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let reason = reason(here, fields.get("reason"))?.to_owned();
    let numbers: Vec<String> =
        fields.get("numbers").split_whitespace().map(str::to_owned).collect();
    let analyzer = Some(fields.get("analyzer").to_owned()).filter(|id| !id.is_empty());
    let what = Explanation { day: date.to_owned(), analyzer, numbers, reason };
    let (ledger, actor) = (&here.ledger, here.actor());
    let said = ledger.within(ledger.day_explain(&actor, &here.bench.clock, &what)).await;
    let said = said.map_err(|e| Halt::store(here.language, &e))?;
    let names: Vec<&str> = said.iter().map(|one| one.name.as_str()).collect();
    Ok(here.language.say("day.explained", &[("numbers", &visible(&names.join(", ")))]))
}

/// What a person typed from each analyzer's own screen.
fn typed(signed: &Signed, name: &str) -> Vec<Confirmed> {
    let of = |analyzer: &String| {
        let text = signed.fields.get(&format!("{name} {analyzer}")).trim();
        let none = matches!(text.to_lowercase().as_str(), "none" | "-" | "nenhum");
        (!text.is_empty()).then(|| Confirmed {
            analyzer: analyzer.clone(),
            last: (!none).then(|| text.to_owned()),
        })
    };
    let ids: Vec<String> = signed.here.bench.analyzers.iter().map(|a| a.id.clone()).collect();
    ids.iter().filter_map(of).collect()
}

async fn closed(signed: &Signed, date: &str) -> Result<String, Halt> {
    let here = &signed.here;
    here.must_prove(signed.fields.get("password")).await?;
    let (ledger, actor) = (&here.ledger, here.actor());
    let (confirmed, again) = (typed(signed, "last"), typed(signed, "again"));
    let closing = ledger.day_close(&here.bench, &actor, date, &confirmed, &again);
    let closing = ledger.within(closing).await.map_err(|e| Halt::store(here.language, &e))?;
    let halt = |text: String| Err(Halt::new(StatusCode::CONFLICT, here.language, text));
    match closing {
        Closing::Closed { .. } => Ok(here.language.say("day.did_close", &[("date", date)])),
        Closing::Entered(missing) => {
            let one = |(id, gaps): &(String, Vec<_>)| format!("{id}: {}", words(gaps));
            let all = missing.iter().map(one).collect::<Vec<_>>().join("; ");
            halt(here.language.say("day.entered", &[("numbers", &visible(&all))]))
        }
        Closing::Unsure(unsure) => {
            let one = |one: &crate::acts::closing::Unsure| {
                format!("{}: {} ({})", one.analyzer, one.last, words(&one.gaps))
            };
            let all = unsure.iter().map(one).collect::<Vec<_>>().join("; ");
            halt(here.language.say("day.unsure", &[("numbers", &visible(&all))]))
        }
        Closing::Outstanding(items) => {
            let n = i64::try_from(items.len()).unwrap_or(i64::MAX);
            halt(here.language.counted("day.not_closed", n))
        }
    }
}
