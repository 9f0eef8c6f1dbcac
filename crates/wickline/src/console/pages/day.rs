//! Day sheet: the sum of a day, what is outstanding, every number by analyzer; numbers that never came are explained
//! here, and the day is closed.

use askama::Template;
use axum::extract::{Path, Query};
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
use crate::sheet::leaf::Leaf;
use crate::sheet::sums::{Counts, PARTS};
use crate::sheet::{Line, Sheet, Waits};
use crate::store::StoreError;
use crate::store::state::State;

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
    todo: Todo,
}

/// What is to be done about a row; `own`: in the words of the pages, else in those of the commands.
#[derive(Default)]
struct Todo {
    words: String,
    own: bool,
}

/// The rows of one analyzer.
struct Part {
    id: String,
    rows: Vec<Row>,
}

/// What is summed up, in words: how many were heard, what became of them, and what stands outside.
struct Sum {
    head: String,
    parts: Vec<(&'static str, String)>,
    beside: Vec<String>,
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
    sums: Vec<Sum>,
    outstanding: Vec<Part>,
    more: Option<String>,
    waits: Vec<(String, String)>,
    parts: Vec<Part>,
    first: bool,
    next: Option<i64>,
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

/// Which leaf of the day: the one after this report.
#[derive(serde::Deserialize, Default)]
#[serde(default)]
pub struct After {
    after: String,
}

/// `GET /day/2026-11-28`
pub async fn page(
    here: Here,
    Path(date): Path<String>,
    Query(after): Query<After>,
) -> Result<Response, Halt> {
    let date = date_of(&here, &date)?;
    shown(here, &date, after.after.parse().unwrap_or(0), None).await
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
        // At one receiver its state says all.
        way: match item.deliveries.as_slice() {
            [only] if only.state == item.state && !only.on_hold => String::new(),
            _ => frame::way(here, item),
        },
        noted: noted(here, line),
        state: here.t(&format!("state.{}", item.state.text())),
        class: frame::class(item.state),
        glyph: frame::glyph(item.state),
        open: item.is_open(),
        todo: Todo::default(),
    }
}

/// What people noted of it, and why one set it aside or explained it.
fn noted(here: &Here, line: &Line) -> String {
    let noted = here.told(&line.noted());
    let said = matches!(line.item.state, State::SetAside | State::Explained);
    match line.item.detail.as_deref().filter(|why| said && !why.is_empty()) {
        None => noted,
        Some(why) if noted.is_empty() => visible(why),
        Some(why) => format!("{noted}; {}", visible(why)),
    }
}

/// What is to be done about a line, where somebody does it by the pages.
fn todo(here: &Here, line: &Line) -> Todo {
    let item = &line.item;
    let place = match item.state {
        // What is held has a page that says it better.
        State::Held => return Todo::default(),
        State::Missing if item.reason.as_deref() == Some("last-unknown") => "day.do_last",
        State::Missing if line.count() > 1 => "day.do_missing_several",
        State::Missing => "day.do_missing_one",
        State::Refused => "day.do_refused",
        State::Waiting if item.deliveries.iter().any(|d| d.on_hold) => "day.do_kept_back",
        _ => {
            let words = line.todo.as_ref().map(|todo| here.told(&todo.words)).unwrap_or_default();
            return Todo { words, own: false };
        }
    };
    Todo { words: here.t(place).to_owned(), own: true }
}

/// How many of a state there are.
fn of(counts: &Counts, state: State) -> i64 {
    counts.get(state.text()).and_then(|n| i64::try_from(*n).ok()).unwrap_or(0)
}

/// What became of what was heard, each report in one state; where there is any.
fn became(here: &Here, counts: &Counts) -> Vec<(&'static str, String)> {
    let states = PARTS.into_iter().map(|state| (state, of(counts, state)));
    let some = states.filter(|(_, n)| *n > 0);
    some.map(|(state, n)| (here.t(&format!("state.{}", state.text())), here.language.number(n)))
        .collect()
}

/// The sum of the day, then that of each receiver: of the same reports, as far as they are meant for it.
fn sums(here: &Here, sheet: &Sheet) -> Vec<Sum> {
    let totals = &sheet.totals;
    let [missing, explained] = [State::Missing, State::Explained].map(|s| of(totals, s));
    let all: i64 = State::ALL.into_iter().map(|state| of(totals, state)).sum();
    let heard = all - missing - explained;
    let outside = [("day.never_came", missing), ("day.were_explained", explained)];
    let outside = outside.into_iter().filter(|(_, n)| *n > 0);
    let mut sums = vec![Sum {
        head: here.language.counted("day.heard", heard),
        parts: became(here, totals),
        beside: outside.map(|(place, n)| here.language.counted(place, n)).collect(),
    }];
    sums.extend(sheet.receivers.iter().map(|(receiver, counts)| {
        let its = counts.get("heard").and_then(|n| i64::try_from(*n).ok()).unwrap_or(0);
        let its = here.language.number(its);
        let words = [("receiver", receiver.as_str()), ("n", its.as_str())];
        let head = here.language.say("day.its", &words);
        Sum { head, parts: became(here, counts), beside: Vec::new() }
    }));
    sums
}

/// Rows by analyzer, in the order of the sheet. `asks`: each with what is to be done about it.
fn parts(here: &Here, lines: &[Line], asks: bool) -> Vec<Part> {
    let mut parts: Vec<Part> = Vec::new();
    for line in lines {
        let mut row = row(here, line);
        if asks {
            row.todo = todo(here, line);
        }
        match parts.iter_mut().find(|part| part.id == line.item.analyzer) {
            Some(part) => part.rows.push(row),
            None => parts.push(Part { id: line.item.analyzer.clone(), rows: vec![row] }),
        }
    }
    parts
}

/// What only waits, by receiver.
fn waiting(here: &Here, leaf: &Leaf) -> Vec<(String, String)> {
    let one = |one: &Waits| {
        let n = here.language.number(one.count);
        let words = [("receiver", one.receiver.as_str()), ("n", n.as_str())];
        match leaf.sheet.barriers.get(&one.receiver) {
            None => (here.language.say("day.goes", &words), String::new()),
            Some(barrier) => (here.language.say("day.waits", &words), here.told(&barrier.words)),
        }
    };
    leaf.waits.iter().map(one).collect()
}

async fn shown(here: Here, date: &str, after: i64, halt: Option<Halt>) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let read = async {
        let leaf = Leaf::read(ledger, bench, date, after).await?;
        Ok((leaf, ledger.trail_head().await?))
    };
    let (leaf, head) = ledger.within(read).await.map_err(wrong)?;
    let sheet = &leaf.sheet;
    let open = i64::try_from(sheet.outstanding).unwrap_or(i64::MAX);
    let fault = sheet
        .faults
        .first()
        .map(|fault| here.language.say("day.fault", &[("why", &here.told(fault))]));
    let line = match (open, leaf.is_empty) {
        (0, true) => here.t("day.nothing").to_owned(),
        (0, false) => here.t("day.clear").to_owned(),
        (n, _) => here.language.counted("day.outstanding", n),
    };
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    let told = halt.map(|h| h.text().to_owned()).or(fault);
    let more = i64::try_from(leaf.more).ok().filter(|more| *more > 0);
    let page = Page {
        before: beside(date, -1),
        after: beside(date, 1),
        line,
        open: open > 0,
        sums: if leaf.is_empty { Vec::new() } else { sums(&here, sheet) },
        outstanding: parts(&here, &leaf.open, true),
        more: more.map(|more| here.language.counted("day.more", more)),
        waits: waiting(&here, &leaf),
        parts: parts(&here, &sheet.lines, false),
        first: after <= 0,
        next: leaf.next,
        notices: [&sheet.notices, &sheet.replaced, &sheet.questions]
            .into_iter()
            .flatten()
            .map(|said| here.told(said))
            .chain(sheet.unheard.iter().map(|one| here.told(&one.words())))
            .collect(),
        beside: sheet.review.iter().chain(&sheet.care).map(|said| here.told(said)).collect(),
        closed: sheet.closed.as_ref().map(|closed| {
            let at = frame::moment(bench, &closed.at);
            let words = [("who", visible(&closed.who)), ("at", at)];
            let words = words.each_ref().map(|(name, text)| (*name, text.as_str()));
            let place = if closed.after.is_empty() { "day.closed" } else { "day.closed_before" };
            here.language.say(place, &words)
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
        Err(halt) => shown(here, &date, 0, Some(halt)).await,
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
