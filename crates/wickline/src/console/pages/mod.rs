//! The pages, their addresses, and what every answer says of itself.

pub mod assets;
mod calls;
mod care;
mod charts;
mod controls;
mod day;
mod finding;
mod held;
mod line;
pub mod live;
mod mapping;
mod one_held;
mod orders;
mod people;
mod positivity;
mod queue;
mod report;
mod review;
mod today;
mod trail;
mod wall;

use std::sync::Arc;

use axum::Router;
use axum::extract::Request;
use axum::http::{HeaderName, HeaderValue, header};
use axum::middleware::{self, Next};
use axum::response::{IntoResponse, Redirect, Response};
use axum::routing::{any, get, post};

use super::api;
use super::door::Way;
use super::halt::Halt;
use super::here::{self, Site, asked};
use super::sign;

/// Where a list goes on: behind this row.
#[derive(serde::Deserialize, Default)]
#[serde(default)]
pub struct After {
    after: String,
}

impl After {
    fn row(&self) -> i64 {
        self.after.parse().unwrap_or(0)
    }
}

/// Every page, behind who may see it.
pub(super) fn routes(site: Arc<Site>) -> Router {
    let inside = Router::new()
        .route("/", get(async || Redirect::to("/today")))
        .route("/today", get(today::page))
        .route("/held", get(held::page).post(held::release))
        .route("/held/{n}", get(one_held::page))
        .route("/held/{n}/{act}", post(one_held::act))
        .route("/report/{n}", get(report::page))
        .route("/report/{n}/message/{name}", get(report::message))
        .route("/report/{n}/{act}", post(report::act))
        .route("/queue", get(queue::page))
        .route("/queue/{act}", post(queue::act))
        .route("/calls", get(calls::page).post(calls::call))
        .route("/controls", get(controls::page).post(controls::lot))
        .route("/controls/note", post(review::noted))
        .route("/controls/{analyzer}/{level}", get(charts::page))
        .route("/care", get(care::today))
        .route("/care/{analyzer}/{month}", get(care::page))
        .route("/care/{analyzer}/{month}/{act}", post(care::act))
        .route("/positivity/{month}", get(positivity::page))
        .route("/review/{month}", get(review::page).post(review::sign))
        .route("/orders", get(orders::page))
        .route("/day", get(day::today))
        .route("/day/{date}", get(day::page))
        .route("/day/{date}/{act}", post(day::act))
        .route("/events", get(live::events))
        .route("/beat", get(live::beat))
        .route("/find", post(finding::look))
        .route("/find/{name}", get(finding::page))
        .route("/line", get(line::page))
        .route("/line/{id}", get(line::one))
        .route("/mapping", get(mapping::page))
        .route("/mapping/{id}", get(mapping::one))
        .route("/trail", get(trail::page))
        .route("/people", get(people::page).post(people::act))
        .route("/me", get(people::me).post(people::choose))
        .route("/leave", post(sign::leave))
        .route_layer(middleware::from_fn_with_state(site.clone(), here::let_in));
    let outside = Router::new()
        .route("/login", get(sign::login).post(sign::sign_in))
        .route("/first", get(sign::first).post(sign::choose))
        .route("/look/{name}", get(assets::one))
        .route("/wall", get(wall::page))
        .route("/api/{*rest}", any(api::nothing));
    inside
        .merge(outside)
        .merge(api::routes(&site))
        .fallback(async |request: Request| Halt::lost(asked(request.headers())).into_response())
        .with_state(site)
        .layer(middleware::from_fn(guarded))
}

/// What a browser may do with a page: nothing but show it, run our own script and send our own forms to us. Nothing of
/// it is kept, and nobody is told where somebody came from (OWASP Secure Headers; CSP level 3).
const HEADERS: [(HeaderName, &str); 6] = [
    (
        header::CONTENT_SECURITY_POLICY,
        "default-src 'none'; style-src 'self'; script-src 'self'; connect-src 'self'; img-src 'self'; \
         form-action 'self'; object-src 'none'; frame-ancestors 'none'; base-uri 'none'",
    ),
    (header::X_CONTENT_TYPE_OPTIONS, "nosniff"),
    (header::X_FRAME_OPTIONS, "DENY"),
    (header::REFERRER_POLICY, "no-referrer"),
    (HeaderName::from_static("cross-origin-opener-policy"), "same-origin"),
    (HeaderName::from_static("cross-origin-resource-policy"), "same-origin"),
];

async fn guarded(request: Request, next: Next) -> Response {
    let closed = request.extensions().get::<Way>().is_some_and(|way| way.closed);
    let mut response = next.run(request).await;
    let headers = response.headers_mut();
    for (name, value) in HEADERS {
        headers.insert(name, HeaderValue::from_static(value));
    }
    let nothing = HeaderValue::from_static("no-store");
    headers.entry(header::CACHE_CONTROL).or_insert(nothing);
    if closed {
        let always = HeaderValue::from_static("max-age=31536000; includeSubDomains");
        headers.insert(header::STRICT_TRANSPORT_SECURITY, always);
    }
    response
}
