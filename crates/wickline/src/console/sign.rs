//! In and out: the first password by a one-time code, the login, the leave.

use askama::Template;
use axum::Extension;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, HeaderValue, StatusCode, header};
use axum::response::{Html, IntoResponse, Redirect, Response};

use super::door::Way;
use super::form::{Open, Signed};
use super::halt::Halt;
use super::here::{Shared, asked, cookie, cookie_name};
use super::password::{self, Weak};
use crate::acts::people::{Person, folded};
use crate::digest;
use crate::store::ledger::Ledger;
use crate::texts::Language;

#[derive(Template)]
#[template(path = "console/login.html")]
struct Login<'a> {
    language: Language,
    site: &'a str,
    to: &'a str,
    name: &'a str,
    wrong: Option<String>,
    /// Nobody may sign in yet.
    nobody: bool,
    /// Badges open the console here.
    badges: bool,
    /// The name is one: its PIN is asked for.
    by_badge: bool,
}

#[derive(Template)]
#[template(path = "console/first.html")]
struct First<'a> {
    language: Language,
    site: &'a str,
    wrong: Option<String>,
}

impl Login<'_> {
    fn t(&self, place: &str) -> &'static str {
        self.language.text(place)
    }
}

impl First<'_> {
    fn t(&self, place: &str) -> &'static str {
        self.language.text(place)
    }
}

/// The login, which leads on to where somebody wanted to go.
pub(super) fn shown_the_way(path: &str) -> Response {
    let to: String = form_urlencoded::byte_serialize(path.as_bytes()).collect();
    Redirect::to(&format!("/login?to={to}")).into_response()
}

/// A page of ours, or the first one: never an address of somebody else.
fn own(to: &str) -> &str {
    let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'/' | b'-' | b'_' | b'.');
    let ours = to.starts_with('/') && !to.starts_with("//") && to.len() <= 200;
    if ours && to.bytes().all(plain) && !to.starts_with("/events") { to } else { "/today" }
}

#[derive(serde::Deserialize, Default)]
#[serde(default)]
pub(super) struct To {
    to: String,
}

fn page(code: StatusCode, page: Result<String, askama::Error>, language: Language) -> Response {
    match page {
        Ok(page) => (code, Html(page)).into_response(),
        Err(_) => Halt::lost(language).into_response(),
    }
}

/// `GET /login`. It hands out no cookie: whoever follows a link from elsewhere keeps the session that is there.
pub(super) async fn login(
    State(site): Shared,
    headers: HeaderMap,
    Query(to): Query<To>,
) -> Result<Response, Halt> {
    let language = asked(&headers);
    let ledger = site.ledger(language)?;
    let people = ledger.within(ledger.people()).await.map_err(|e| Halt::store(language, &e))?;
    let (bench, nobody) = (site.bench(), people.is_empty());
    let (site, to, badges) =
        (bench.site_name.as_str(), own(&to.to), bench.console_rules.badge.is_some());
    let login =
        Login { language, site, to, name: "", wrong: None, nobody, badges, by_badge: false };
    Ok(page(StatusCode::OK, login.render(), language))
}

/// `POST /login`
pub(super) async fn sign_in(
    State(site): Shared,
    Extension(way): Extension<Way>,
    headers: HeaderMap,
    Open { fields }: Open,
) -> Result<Response, Halt> {
    let (language, bench) = (asked(&headers), site.bench());
    let ledger = site.ledger(language)?;
    let (name, to) = (fields.get("name").trim(), own(fields.get("to")));
    let rules = &bench.console_rules;
    let (badges, by_badge) = (rules.badge.is_some(), rules.is_badge(name));
    let again = |code, wrong: Option<String>| {
        let site = bench.site_name.as_str();
        let login = Login { language, site, to, name, wrong, nobody: false, badges, by_badge };
        page(code, login.render(), language)
    };
    let given = fields.get("password");
    if badges && given.is_empty() {
        // The badge was scanned, or the name was typed: what belongs to it comes next.
        return Ok(again(StatusCode::OK, None));
    }
    let key = tried(name, by_badge);
    if let Some(seconds) = site.memory.waits(&key, way.peer) {
        let wrong = language.say("login.wait", &[("s", &seconds.to_string())]);
        return Ok(again(StatusCode::TOO_MANY_REQUESTS, Some(wrong)));
    }
    let found = async {
        if by_badge { ledger.person_with_badge(name).await } else { ledger.person(name).await }
    };
    let person = ledger.within(found).await.map_err(|e| Halt::store(language, &e))?;
    let secret = |one: &Person| if by_badge { one.pin.clone() } else { one.secret.clone() };
    let secret = person.as_ref().and_then(secret);
    let proved = password::proves(given, secret.as_deref()).await;
    let Some(person) = person.filter(|_| proved) else {
        // What was typed as a name may be a password: it is not told.
        site.memory.wrong(&key, way.peer);
        metrics::counter!("wickline_console_sign_ins_total", "result" => "wrong").increment(1);
        tracing::warn!(peer = %way.peer, "somebody could not sign in to the console");
        let wrong = language.text(if by_badge { "login.wrong_pin" } else { "login.wrong" });
        return Ok(again(StatusCode::FORBIDDEN, Some(wrong.to_owned())));
    };
    site.memory.right(&key, way.peer);
    signed_in(&ledger, &person, by_badge, (&headers, &way), to, language).await
}

/// Under which name tries are counted. What stands on a badge is not kept, not even for that.
fn tried(name: &str, by_badge: bool) -> String {
    match by_badge {
        true => format!("\u{0}badge {}", digest::of(&folded(name))),
        false => folded(name).chars().take(60).collect(),
    }
}

/// Begins a session and goes to a page.
async fn signed_in(
    ledger: &Ledger,
    person: &Person,
    by_badge: bool,
    (headers, way): (&HeaderMap, &Way),
    to: &str,
    language: Language,
) -> Result<Response, Halt> {
    // The session that this browser had ends: one browser, one session.
    if let Some(key) = cookie(headers, way.closed) {
        let ended = ledger.within(ledger.session_end(&digest::of(&key))).await;
        ended.map_err(|e| Halt::store(language, &e))?;
    }
    let key = ledger.within(ledger.session_begin(person, by_badge)).await;
    let key = key.map_err(|e| Halt::store(language, &e))?;
    metrics::counter!("wickline_console_sign_ins_total", "result" => "right").increment(1);
    tracing::info!(peer = %way.peer, role = person.role.code(), "somebody signed in to the console");
    let secure = if way.closed { "; Secure" } else { "" };
    let name = cookie_name(headers, way.closed);
    let cookie = format!("{name}={key}; Path=/; HttpOnly; SameSite=Strict{secure}");
    Ok(with_cookie(Redirect::to(to).into_response(), &cookie))
}

fn with_cookie(mut response: Response, cookie: &str) -> Response {
    if let Ok(value) = HeaderValue::from_str(cookie) {
        response.headers_mut().insert(header::SET_COOKIE, value);
    }
    response
}

/// `GET /first`
pub(super) async fn first(State(site): Shared, headers: HeaderMap) -> Response {
    let (language, bench) = (asked(&headers), site.bench());
    let first = First { language, site: &bench.site_name, wrong: None };
    page(StatusCode::OK, first.render(), language)
}

/// `POST /first`: a one-time code becomes a password.
pub(super) async fn choose(
    State(site): Shared,
    Extension(way): Extension<Way>,
    headers: HeaderMap,
    Open { fields }: Open,
) -> Result<Response, Halt> {
    let (language, bench) = (asked(&headers), site.bench());
    let ledger = site.ledger(language)?;
    let again = |code, wrong: String| {
        let first = First { language, site: &bench.site_name, wrong: Some(wrong) };
        page(code, first.render(), language)
    };
    // Whoever tries codes does so under one name.
    const CODES: &str = "\u{0}codes";
    if let Some(seconds) = site.memory.waits(CODES, way.peer) {
        let wrong = language.say("login.wait", &[("s", &seconds.to_string())]);
        return Ok(again(StatusCode::TOO_MANY_REQUESTS, wrong));
    }
    let (code, chosen) = (fields.get("code"), fields.get("password"));
    let found = ledger.within(ledger.person_with_code(code)).await;
    let Some(person) = found.map_err(|e| Halt::store(language, &e))? else {
        site.memory.wrong(CODES, way.peer);
        tracing::warn!(peer = %way.peer, "a one-time code was given that is not good");
        return Ok(again(StatusCode::FORBIDDEN, language.text("first.code_wrong").to_owned()));
    };
    let names = [person.name.as_str(), bench.site_name.as_str(), "wickline"];
    if let Err(weak) = password::judged(chosen, &names) {
        return Ok(again(StatusCode::UNPROCESSABLE_ENTITY, too_weak(language, weak)));
    }
    if chosen != fields.get("again") {
        let wrong = language.text("first.differ").to_owned();
        return Ok(again(StatusCode::UNPROCESSABLE_ENTITY, wrong));
    }
    let secret = password::secret(chosen).await;
    let secret = secret.map_err(|_| {
        Halt::new(StatusCode::INTERNAL_SERVER_ERROR, language, language.text("halt.store"))
    })?;
    let taken = ledger.within(ledger.person_redeem(code, &secret)).await;
    let Some(person) = taken.map_err(|e| Halt::store(language, &e))? else {
        return Ok(again(StatusCode::FORBIDDEN, language.text("first.code_wrong").to_owned()));
    };
    site.memory.right(CODES, way.peer);
    signed_in(&ledger, &person, false, (&headers, &way), "/today", language).await
}

/// Why a password is not taken.
pub(super) fn too_weak(language: Language, weak: Weak) -> String {
    let (least, most) = (password::SHORTEST.to_string(), password::LONGEST.to_string());
    match weak {
        Weak::Short => language.say("weak.short", &[("n", &least)]),
        Weak::Long => language.say("weak.long", &[("n", &most)]),
        Weak::Common => language.text("weak.common").to_owned(),
        Weak::Named => language.text("weak.named").to_owned(),
    }
}

/// `POST /leave`
pub(super) async fn leave(
    headers: HeaderMap,
    Signed { here, .. }: Signed,
) -> Result<Response, Halt> {
    let ended = here.ledger.within(here.ledger.session_end(&here.session.mark)).await;
    ended.map_err(|e| Halt::store(here.language, &e))?;
    let secure = if here.way.closed { "; Secure" } else { "" };
    let name = cookie_name(&headers, here.way.closed);
    let gone = format!("{name}=; Path=/; Max-Age=0; HttpOnly; SameSite=Strict{secure}");
    Ok(with_cookie(Redirect::to("/login").into_response(), &gone))
}

#[cfg(test)]
mod tests {
    use super::own;

    #[test]
    fn nobody_is_led_elsewhere() {
        for to in ["/held", "/report/15", "/day/2026-11-28"] {
            assert_eq!(own(to), to);
        }
        for to in [
            "",
            "//evil.test",
            "https://evil.test",
            "/\\evil.test",
            "/a?b=c",
            "/events",
            "held",
            "/%2f",
        ] {
            assert_eq!(own(to), "/today", "{to}");
        }
    }
}
