//! Who asks, in which language, of which bench: what every page begins with. Nobody gets past it who has not signed in.

use std::sync::Arc;

use axum::extract::{FromRequestParts, Request, State};
use axum::http::request::Parts;
use axum::http::{HeaderMap, Method, StatusCode, header};
use axum::middleware::Next;
use axum::response::{IntoResponse, Response};

use super::door::Way;
use super::halt::Halt;
use super::memory::{Memory, Told};
use super::pages::live::Stir;
use super::{form, password, sign};
use crate::acts::people::{Person, PersonRole, Session, at_console};
use crate::clock;
use crate::daemon::Sight;
use crate::digest;
use crate::seen::visible;
use crate::settings::bench::Bench;
use crate::store::ledger::Ledger;
use crate::store::trail::Actor;
use crate::texts::{Language, Said};

/// For so long the password counts for the acts that ask for it.
const PROVED_US: i64 = 5 * 60 * 1_000_000;

/// What the pages are made of.
pub(super) struct Site {
    pub sight: Sight,
    pub memory: Arc<Memory>,
    /// Who has a page open is told by it that something changed.
    pub stir: Stir,
}

pub(super) type Shared = State<Arc<Site>>;

impl Site {
    pub fn bench(&self) -> Arc<Bench> {
        self.sight.bench.borrow().clone()
    }

    /// The ledger, or why it cannot be asked.
    pub fn ledger(&self, language: Language) -> Result<Ledger, Halt> {
        let ledger = self.sight.ledger.borrow().clone();
        ledger.ok_or_else(|| Halt::away(language, self.sight.events.seen.ledger_away().as_deref()))
    }
}

/// What a person chose for the eyes and hands.
#[derive(Clone, Debug, Default, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[serde(default)]
pub(super) struct Choices {
    /// `light`, `dark`; empty: as the system has it.
    pub theme: String,
    /// A language's code; empty: as the browser asks.
    pub language: String,
    /// Single keys act.
    pub keys: bool,
}

/// Somebody who signed in, at this bench, now.
#[derive(Clone)]
pub(super) struct Here {
    pub site: Arc<Site>,
    pub bench: Arc<Bench>,
    pub ledger: Ledger,
    pub person: Arc<Person>,
    pub session: Session,
    pub language: Language,
    pub choices: Choices,
    /// What every form must bring.
    pub token: String,
    /// What was typed into the form that is being judged, but for secrets, as a form has it.
    pub typed: String,
    pub way: Way,
}

impl Here {
    /// For the trail.
    pub fn actor(&self) -> Actor {
        at_console(&self.person)
    }

    pub fn may(&self, role: PersonRole) -> bool {
        self.person.role >= role
    }

    /// An error: this person may not.
    pub fn must(&self, role: PersonRole) -> Result<(), Halt> {
        if self.may(role) { Ok(()) } else { Err(Halt::role(self, role)) }
    }

    /// Whether the password was given within the last minutes.
    pub fn has_proved(&self) -> bool {
        clock::now_us() - self.session.proved_at < PROVED_US
    }

    /// An error: the password that an act asks for was not given, or is not the one.
    pub async fn must_prove(&self, password: &str) -> Result<(), Halt> {
        if self.has_proved() {
            return Ok(());
        }
        let pin = self.person.pin.as_deref().filter(|_| self.session.by_badge);
        self.proves(password, pin.or(self.person.secret.as_deref())).await?;
        let seen = self.ledger.within(self.ledger.session_seen(&self.session, true)).await;
        seen.map_err(|e| Halt::store(self.language, &e))
    }

    /// An error: it is not the one that a secret of this person proves, or was wrong too often.
    pub async fn proves(&self, given: &str, secret: Option<&str>) -> Result<(), Halt> {
        let halt = |place| Halt::new(StatusCode::FORBIDDEN, self.language, self.t(place));
        let (memory, name) = (&self.site.memory, &self.person.folded);
        if memory.waits(name, self.way.peer).is_some() {
            return Err(halt("sign.wait"));
        }
        if !password::proves(given, secret).await {
            memory.wrong(name, self.way.peer);
            return Err(halt("sign.password"));
        }
        memory.right(name, self.way.peer);
        Ok(())
    }

    /// Whether the session goes on: what a page asks by itself does not prolong it.
    pub async fn is_still_there(&self) -> bool {
        let ledger = self.site.sight.ledger.borrow().clone();
        let Some(ledger) = ledger else { return true };
        // A ledger that is away ends nobody's session.
        let found = ledger
            .within(ledger.session_marked(&self.session.mark, self.bench.console_rules.idle_us))
            .await;
        found.map_or(true, |found| found.is_some())
    }

    /// What the next page says first.
    pub fn tell(&self, text: String) {
        self.site.memory.tell(&self.session.mark, Told { good: true, text });
    }

    /// A text of the pages.
    pub fn t(&self, place: &str) -> &'static str {
        self.language.text(place)
    }

    /// In this person's language, with nothing in it that is obeyed or hidden.
    pub fn told(&self, said: &Said) -> String {
        visible(&said.told(self.language))
    }
}

impl<S: Sync> FromRequestParts<S> for Here {
    type Rejection = Halt;

    async fn from_request_parts(parts: &mut Parts, _: &S) -> Result<Self, Halt> {
        let here = parts.extensions.get::<Self>().cloned();
        here.ok_or_else(|| Halt::lost(Language::English))
    }
}

/// The name of the cookie: of the port, for cookies do not tell ports apart (RFC 6265, 8.5), and bound to this host
/// where TLS closes the way (RFC 6265bis, 4.1.3).
pub(super) fn cookie_name(headers: &HeaderMap, closed: bool) -> String {
    let host = headers.get(header::HOST).and_then(|h| h.to_str().ok()).unwrap_or("");
    let port = host.rsplit_once(':').map(|(_, port)| port).filter(|p| p.parse::<u16>().is_ok());
    let prefix = if closed { "__Host-" } else { "" };
    format!("{prefix}wickline-{}", port.unwrap_or(if closed { "443" } else { "80" }))
}

/// What the browser keeps for us.
pub(super) fn cookie(headers: &HeaderMap, closed: bool) -> Option<String> {
    let name = cookie_name(headers, closed);
    let all = headers.get_all(header::COOKIE).iter().filter_map(|line| line.to_str().ok());
    let mut pairs =
        all.flat_map(|line| line.split(';')).filter_map(|pair| pair.trim().split_once('='));
    let value = pairs.find(|(known, _)| *known == name)?.1;
    let plain = value.len() == 64 && value.bytes().all(|b| b.is_ascii_hexdigit());
    plain.then(|| value.to_owned())
}

/// The language of somebody who has not signed in.
pub(super) fn asked(headers: &HeaderMap) -> Language {
    let accepted = headers.get(header::ACCEPT_LANGUAGE).and_then(|value| value.to_str().ok());
    accepted.and_then(Language::asked).unwrap_or_default()
}

/// Lets in who signed in; others are shown the way.
pub(super) async fn let_in(State(site): Shared, mut request: Request, next: Next) -> Response {
    let (headers, way) = (request.headers().clone(), request.extensions().get::<Way>().cloned());
    let language = asked(&headers);
    match known(&site, &headers, way).await {
        Ok(Some(here)) => {
            request.extensions_mut().insert(here);
            next.run(request).await
        }
        Ok(None) if matches!(*request.method(), Method::GET | Method::HEAD) => {
            sign::shown_the_way(request.uri().path())
        }
        // What was sent is not lost without a word: nothing was changed.
        Ok(None) => form::ended(request, language).await.into_response(),
        Err(halt) => halt.into_response(),
    }
}

async fn known(
    site: &Arc<Site>,
    headers: &HeaderMap,
    way: Option<Way>,
) -> Result<Option<Here>, Halt> {
    let asked = asked(headers);
    let way = way.ok_or_else(|| Halt::lost(asked))?;
    let Some(key) = cookie(headers, way.closed) else { return Ok(None) };
    let ledger = site.ledger(asked)?;
    let found = ledger.within(ledger.session(&key, site.bench().console_rules.idle_us)).await;
    let Some((person, session)) = found.map_err(|e| Halt::store(asked, &e))? else {
        return Ok(None);
    };
    // What a page fetches by itself keeps nobody signed in.
    if !headers.contains_key("x-by-itself") {
        let seen = ledger.within(ledger.session_seen(&session, false)).await;
        seen.map_err(|e| Halt::store(asked, &e))?;
    }
    let choices: Choices = serde_json::from_str(&person.choices).unwrap_or_default();
    let language = Language::of(&choices.language).unwrap_or(asked);
    let token = digest::of(&format!("a form of {key}"));
    let (site, bench, person) = (site.clone(), site.bench(), Arc::new(person));
    let typed = String::new();
    Ok(Some(Here { site, bench, ledger, person, session, language, choices, token, typed, way }))
}
