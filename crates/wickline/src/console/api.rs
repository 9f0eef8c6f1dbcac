//! The lists for programs: the same JSON as the commands give, to who brings the token of a role.
//!
//! Programs look; people act. A browser's cookie counts nothing here, and a token nothing on a page.

use std::sync::Arc;

use axum::Router;
use axum::extract::{FromRequestParts, Path, Query, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Response};
use axum::routing::{get, post};
use serde::Deserialize;
use serde_json::json;

use super::here::{Shared, Site};
use crate::acts::people::PersonRole;
use crate::acts::reviewing::Month;
use crate::acts::tokens::Token;
use crate::clock;
use crate::settings::bench::Bench;
use crate::sheet::Sheet;
use crate::sheet::calls::Calls;
use crate::sheet::now::Now;
use crate::sheet::positivity::{BEFORE, Positivity};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::names::Typed;
use crate::store::lists::orders::AskedOrders;
use crate::store::lists::queue;
use crate::store::lists::reports::AskedHeld;
use crate::store::lists::runs::AskedRuns;
use crate::store::state;
use crate::store::trail::view;
use crate::texts::Language;
use crate::views;
use crate::views::controls::Period;

/// What it offers, in the words of OpenAPI 3.1.
const DESCRIPTION: &str = include_str!("../../assets/openapi.json");
/// Rows of an answer at most.
const MOST: i64 = 1000;
/// Bytes of what is looked for at most.
const LARGEST: usize = 4096;

/// Every list, behind who may see it.
pub(super) fn routes(site: &Arc<Site>) -> Router<Arc<Site>> {
    Router::new()
        .route("/api/openapi.json", get(description))
        .route("/api/today", get(today))
        .route("/api/held", get(held))
        .route("/api/report/{n}", get(report))
        .route("/api/queue", get(queue))
        .route("/api/calls", get(calls))
        .route("/api/day", get(this_day))
        .route("/api/day/{date}", get(day))
        .route("/api/controls", get(controls))
        .route("/api/controls/review/{month}", get(review))
        .route("/api/controls/positivity/{month}", get(positivity))
        .route("/api/care", get(care))
        .route("/api/orders", get(orders))
        .route("/api/find", post(find))
        .route("/api/trail", get(trail))
        .route("/api/people", get(people))
        .route_layer(middleware::from_fn_with_state(site.clone(), let_in))
}

/// A program that may ask, at this bench, now.
#[derive(Clone)]
struct Caller {
    bench: Arc<Bench>,
    ledger: Ledger,
    role: PersonRole,
}

/// Why there is no answer: a code and a sentence.
#[derive(Debug)]
struct Wrong(StatusCode, String);

impl Wrong {
    fn store(error: &StoreError) -> Self {
        tracing::warn!(%error, "a program could not be answered");
        Self(StatusCode::SERVICE_UNAVAILABLE, "the ledger cannot be asked now; try again".into())
    }

    fn ask(text: impl Into<String>) -> Self {
        Self(StatusCode::UNPROCESSABLE_ENTITY, text.into())
    }
}

impl IntoResponse for Wrong {
    fn into_response(self) -> Response {
        let mut response =
            (self.0, json_text(json!({"error": self.1}).to_string())).into_response();
        if self.0 == StatusCode::UNAUTHORIZED {
            // RFC 6750, 3.
            let bearer = HeaderValue::from_static("Bearer realm=\"wickline\"");
            response.headers_mut().insert(header::WWW_AUTHENTICATE, bearer);
        }
        response
    }
}

impl<S: Sync> FromRequestParts<S> for Caller {
    type Rejection = Wrong;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Wrong> {
        let caller = parts.extensions.get::<Self>().cloned();
        caller.ok_or_else(|| Wrong(StatusCode::UNAUTHORIZED, "a token is missing".into()))
    }
}

/// The token of a request, where it has the form of one (RFC 6750, 2.1).
fn brought(headers: &HeaderMap) -> Option<&str> {
    let value = headers.get(header::AUTHORIZATION)?.to_str().ok()?;
    let (scheme, token) = value.split_once(' ')?;
    let plain = token.len() == 64 && token.bytes().all(|b| b.is_ascii_hexdigit());
    (scheme.eq_ignore_ascii_case("bearer") && plain).then_some(token)
}

async fn let_in(State(site): Shared, mut request: Request, next: Next) -> Response {
    match caller(&site, request.headers()).await {
        Ok(caller) => {
            request.extensions_mut().insert(caller);
            next.run(request).await
        }
        Err(wrong) => wrong.into_response(),
    }
}

async fn caller(site: &Arc<Site>, headers: &HeaderMap) -> Result<Caller, Wrong> {
    let nobody = || {
        let text = "send `Authorization: Bearer` with a token of `wickline user token`";
        Wrong(StatusCode::UNAUTHORIZED, text.into())
    };
    let token = brought(headers).ok_or_else(nobody)?;
    let away = |_| Wrong(StatusCode::SERVICE_UNAVAILABLE, "the ledger is away: try again".into());
    let ledger = site.ledger(Language::English).map_err(away)?;
    let found = ledger.within(ledger.token(token)).await.map_err(|e| Wrong::store(&e))?;
    let Token { role, .. } = found.ok_or_else(nobody)?;
    Ok(Caller { bench: site.bench(), ledger, role })
}

/// An answer as commands print it: no control byte of anybody stands in it raw.
fn answer(value: &impl serde::Serialize) -> Result<Response, Wrong> {
    let text = crate::seen::json_of(value);
    let text = text.map_err(|e| Wrong(StatusCode::INTERNAL_SERVER_ERROR, e.to_string()))?;
    Ok(json_text(text).into_response())
}

fn json_text<T>(text: T) -> ([(header::HeaderName, &'static str); 1], T) {
    ([(header::CONTENT_TYPE, "application/json")], text)
}

/// How much of a list, and from where.
#[derive(Default, Deserialize)]
#[serde(default, deny_unknown_fields)]
struct Page {
    after: Option<String>,
    before: Option<i64>,
    limit: Option<i64>,
    receiver: Option<String>,
    analyzer: Option<String>,
    state: Option<String>,
    from: Option<String>,
    to: Option<String>,
}

impl Page {
    fn limit(&self) -> Result<i64, Wrong> {
        match self.limit.unwrap_or(200) {
            limit @ 1..=MOST => Ok(limit),
            other => Err(Wrong::ask(format!("limit={other}: 1 to {MOST}"))),
        }
    }
}

/// A query that names what there is not is no question.
type Asked = Result<Query<Page>, axum::extract::rejection::QueryRejection>;

fn page(asked: Asked) -> Result<Page, Wrong> {
    asked.map(|Query(page)| page).map_err(|e| Wrong::ask(e.body_text()))
}

async fn description() -> impl IntoResponse {
    json_text(DESCRIPTION)
}

async fn today(caller: Caller) -> Result<Response, Wrong> {
    let now = caller.ledger.within(Now::read(&caller.ledger, &caller.bench)).await;
    answer(&now.map_err(|e| Wrong::store(&e))?)
}

async fn held(caller: Caller, asked: Asked) -> Result<Response, Wrong> {
    let asked = page(asked)?;
    let after = asked.after.as_deref().map_or(Ok(0), str::parse);
    let after = after.map_err(|_| Wrong::ask("after: the id of a report"))?;
    let asked = AskedHeld { after, limit: asked.limit()? };
    let Caller { ledger, bench, .. } = &caller;
    let found = ledger.within(views::held::held(ledger, &bench.clock, asked)).await;
    let (items, all) = found.map_err(|e| Wrong::store(&e))?;
    answer(&views::held::document(&items, all))
}

async fn report(caller: Caller, Path(n): Path<i64>) -> Result<Response, Wrong> {
    let Caller { ledger, bench, .. } = &caller;
    let found = ledger.within(views::report::whole(ledger, bench, n, vec!["report"])).await;
    match found.map_err(|e| Wrong::store(&e))? {
        Some(whole) => answer(&whole),
        None => Err(Wrong(StatusCode::NOT_FOUND, format!("there is no report {n}"))),
    }
}

async fn queue(caller: Caller, asked: Asked) -> Result<Response, Wrong> {
    let (page, Caller { ledger, bench, .. }) = (page(asked)?, &caller);
    let states = match page.state.as_deref() {
        None => Vec::new(),
        Some(text) => vec![state::State::of(text).ok_or_else(|| {
            Wrong::ask("state: waiting, refused, accepted or set-aside".to_owned())
        })?],
    };
    let (limit, typed) = (page.limit()?, page.after.as_deref().map(Typed::parse).transpose());
    let typed = typed.map_err(Wrong::ask)?;
    let (receiver, analyzer) = (page.receiver, page.analyzer);
    let mut asked = queue::Asked { receiver, analyzer, states, limit, ..queue::Asked::default() };
    let read = async {
        if let Some(typed) = &typed {
            let named = ledger.messages_named(typed).await?;
            asked.after = named.last().map_or(i64::MAX, |last| last.n);
        }
        let boards = views::queue::boards(ledger, bench).await?;
        let items = ledger.queue(&asked, &bench.clock).await?;
        views::queue::document(ledger, &boards, &items).await
    };
    answer(&ledger.within(read).await.map_err(|e| Wrong::store(&e))?)
}

async fn this_day(caller: Caller) -> Result<Response, Wrong> {
    let date = caller.bench.clock.day(clock::now_us());
    sheet(&caller, &date).await
}

async fn day(caller: Caller, Path(date): Path<String>) -> Result<Response, Wrong> {
    sheet(&caller, &date).await
}

async fn sheet(caller: &Caller, date: &str) -> Result<Response, Wrong> {
    let Caller { ledger, bench, .. } = caller;
    if bench.clock.day_span(date).is_none() {
        return Err(Wrong::ask("a date is written YYYY-MM-DD"));
    }
    let sheet = ledger.within(Sheet::read(ledger, bench, date, None)).await;
    answer(&sheet.map_err(|e| Wrong::store(&e))?)
}

async fn controls(caller: Caller, asked: Asked) -> Result<Response, Wrong> {
    let (page, Caller { ledger, bench, .. }) = (page(asked)?, &caller);
    let period = Period::of(&bench.clock, page.from.as_deref(), page.to.as_deref());
    let period = period.map_err(Wrong::ask)?;
    let Period { from, to, .. } = period;
    let read = async {
        let mut stands = Vec::new();
        for analyzer in &bench.analyzers {
            stands.extend(ledger.control_standing(bench, analyzer, clock::now_us()).await?);
        }
        let asked = AskedRuns { from, to, ..AskedRuns::default() };
        Ok((stands, ledger.control_runs(&asked, &bench.clock).await?))
    };
    let (stands, runs) = ledger.within(read).await.map_err(|e| Wrong::store(&e))?;
    answer(&views::controls::document(bench, &period, &stands, &runs))
}

fn month(text: &str) -> Result<Month, Wrong> {
    Month::of(text).ok_or_else(|| Wrong::ask("a month is written YYYY-MM"))
}

async fn review(caller: Caller, Path(text): Path<String>) -> Result<Response, Wrong> {
    let (month, Caller { ledger, bench, .. }) = (month(&text)?, &caller);
    let review = ledger.within(ledger.review(&bench.clock, &month)).await;
    answer(&review.map_err(|e| Wrong::store(&e))?)
}

async fn positivity(caller: Caller, Path(text): Path<String>) -> Result<Response, Wrong> {
    let (month, Caller { ledger, bench, .. }) = (month(&text)?, &caller);
    let found = ledger.within(Positivity::read(ledger, bench, &month, BEFORE, None)).await;
    answer(&found.map_err(|e| Wrong::store(&e))?)
}

async fn calls(caller: Caller) -> Result<Response, Wrong> {
    let Caller { ledger, bench, .. } = &caller;
    let calls = ledger.within(Calls::read(ledger, bench)).await.map_err(|e| Wrong::store(&e))?;
    answer(&calls)
}

async fn care(caller: Caller) -> Result<Response, Wrong> {
    let Caller { ledger, bench, .. } = &caller;
    let read = async {
        let mut stands = Vec::new();
        for analyzer in &bench.analyzers {
            stands.extend(ledger.care_stands(bench, analyzer).await?);
        }
        Ok(stands)
    };
    let stands = ledger.within(read).await.map_err(|e| Wrong::store(&e))?;
    answer(&json!({ "items": stands }))
}

async fn orders(caller: Caller, asked: Asked) -> Result<Response, Wrong> {
    let (page, Caller { ledger, bench, .. }) = (page(asked)?, &caller);
    let asked = AskedOrders::Open(page.limit()?);
    let found = ledger.within(views::orders::document(ledger, bench, &asked)).await;
    answer(&found.map_err(|e| Wrong::store(&e))?)
}

/// What is looked for.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Sought {
    text: String,
}

/// In a body: no specimen id stands in an address, where logs would keep it.
async fn find(caller: Caller, request: Request) -> Result<Response, Wrong> {
    let unread = || Wrong::ask("send JSON: {\"text\": \"KP-20417\"}, at most 200 characters");
    let body = axum::body::to_bytes(request.into_body(), LARGEST).await.map_err(|_| unread())?;
    let Sought { text } = serde_json::from_slice(&body).map_err(|_| unread())?;
    let Caller { ledger, bench, .. } = &caller;
    if text.trim().is_empty() || text.chars().count() > 200 || bench.console_rules.is_badge(&text) {
        return Err(unread());
    }
    let found = ledger.within(views::report::found(ledger, bench, &text, 50)).await;
    answer(&found.map_err(|e| Wrong::store(&e))?.document())
}

async fn trail(caller: Caller, asked: Asked) -> Result<Response, Wrong> {
    let (page, Caller { ledger, bench, .. }) = (page(asked)?, &caller);
    let (last, before) = (page.limit()?, page.before.unwrap_or(i64::MAX));
    let asked = view::Asked { last, before, ..view::Asked::default() };
    let read = async { Ok((ledger.trail(&asked).await?, ledger.trail_head().await?)) };
    let ((rows, all), head) = ledger.within(read).await.map_err(|e| Wrong::store(&e))?;
    answer(&views::trail::document(&rows, all, &head, &bench.clock))
}

async fn people(caller: Caller) -> Result<Response, Wrong> {
    if caller.role < PersonRole::Keeper {
        let text = "who may use the console is for keepers: this token is of another role";
        return Err(Wrong(StatusCode::FORBIDDEN, text.into()));
    }
    let ledger = &caller.ledger;
    let read = async { Ok((ledger.people().await?, ledger.tokens().await?)) };
    let (people, tokens) = ledger.within(read).await.map_err(|e| Wrong::store(&e))?;
    answer(&views::people::document(&people, &tokens, &caller.bench.clock))
}

/// What was asked for is not there.
pub(super) async fn nothing() -> Response {
    let text = "there is nothing of this name: /api/openapi.json says what there is";
    Wrong(StatusCode::NOT_FOUND, text.into()).into_response()
}
