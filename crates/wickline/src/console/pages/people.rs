//! People: who may come in, as what; and what each chose for the own eyes and hands.

use askama::Template;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use crate::acts::people::PersonRole;
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::{self, Halt};
use crate::console::here::{Choices, Here};
use crate::console::{password, sign};
use crate::seen::visible;
use crate::store::StoreError;
use crate::texts::Language;

/// Somebody in the list.
struct One {
    name: String,
    role: &'static str,
    code: &'static str,
    seen: String,
    own: bool,
    badge: bool,
}

#[derive(Template)]
#[template(path = "console/people.html")]
struct People {
    frame: Frame,
    all: Vec<One>,
    roles: Vec<(&'static str, &'static str)>,
    line: String,
    badges: bool,
}

#[derive(Template)]
#[template(path = "console/me.html")]
struct Me {
    frame: Frame,
    languages: Vec<(&'static str, &'static str, bool)>,
    themes: Vec<(&'static str, &'static str, bool)>,
    keys: bool,
    /// They have a badge; and whether its PIN was chosen.
    badge: Option<bool>,
    sessions: Vec<Session>,
}

/// One session of somebody.
struct Session {
    began: String,
    seen: String,
    by_badge: bool,
    own: bool,
}

impl People {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

impl Me {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

/// `GET /people`
pub async fn page(here: Here) -> Result<Response, Halt> {
    here.must(PersonRole::Keeper)?;
    list(here, None).await
}

async fn list(here: Here, halt: Option<Halt>) -> Result<Response, Halt> {
    let people = here.ledger.within(here.ledger.people()).await;
    let people = people.map_err(|e| Halt::store(here.language, &e))?;
    let one = |one: &crate::acts::people::Person| One {
        name: visible(&one.name),
        role: here.t(halt::role(one.role)),
        code: one.role.code(),
        seen: match (one.seen_at, &one.secret) {
            (Some(at), Some(_)) => frame::time(&here.bench, at),
            (_, None) => here.t("people.no_password").to_owned(),
            (None, Some(_)) => here.t("people.never").to_owned(),
        },
        own: one.folded == here.person.folded,
        badge: one.badge.is_some(),
    };
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    let page = People {
        line: here.language.counted("people.line", i64::try_from(people.len()).unwrap_or(0)),
        all: people.iter().map(one).collect(),
        badges: here.bench.console_rules.badge.is_some(),
        roles: PersonRole::ALL.into_iter().map(|r| (r.code(), here.t(halt::role(r)))).collect(),
        frame: Frame::of(&here, "people").await?.with(halt.map(|h| h.text().to_owned())),
    };
    Ok(frame::shown(&here, code, page.render()))
}

/// `POST /people`
pub async fn act(signed: Signed) -> Result<Response, Halt> {
    let here = signed.here.clone();
    here.must(PersonRole::Keeper)?;
    if !signed.is_first() {
        return Ok(Redirect::to("/people").into_response());
    }
    match acted(&signed).await {
        Ok(told) => {
            here.tell(told);
            Ok(Redirect::to("/people").into_response())
        }
        Err(halt) => list(here, Some(halt)).await,
    }
}

async fn acted(signed: &Signed) -> Result<String, Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let (ledger, actor, name) = (&here.ledger, here.actor(), fields.get("name").trim());
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let role = || PersonRole::of(fields.get("role")).ok_or_else(|| Halt::lost(here.language));
    here.must_prove(fields.get("password")).await?;
    let shown = visible(name);
    let told =
        |place: &str, code: &str| here.language.say(place, &[("name", &shown), ("code", code)]);
    match fields.get("act") {
        "add" => {
            let code = ledger.within(ledger.person_add(&actor, name, role()?)).await;
            Ok(told("people.added", code.map_err(wrong)?.text()))
        }
        "code" => {
            let code = ledger.within(ledger.person_code(&actor, name)).await;
            Ok(told("people.coded", code.map_err(wrong)?.text()))
        }
        "badge" => {
            let Some(prefix) = &here.bench.console_rules.badge else {
                return Err(Halt::lost(here.language));
            };
            let badge = ledger.within(ledger.badge_give(&actor, name, prefix)).await;
            Ok(told("people.badged", &badge.map_err(wrong)?))
        }
        "badge-take" => {
            let done = ledger.within(ledger.badge_take(&actor, name)).await;
            done.map_err(wrong)?;
            Ok(told("people.badge_taken", ""))
        }
        "role" => {
            let done = ledger.within(ledger.person_role(&actor, name, role()?)).await;
            done.map_err(wrong)?;
            Ok(told("people.changed", ""))
        }
        "remove" => {
            let done = ledger.within(ledger.person_remove(&actor, name)).await;
            done.map_err(wrong)?;
            Ok(told("people.removed", ""))
        }
        _ => Err(Halt::lost(here.language)),
    }
}

/// `GET /me`
pub async fn me(here: Here) -> Result<Response, Halt> {
    own(here, None).await
}

async fn own(here: Here, halt: Option<Halt>) -> Result<Response, Halt> {
    let choices = here.choices.clone();
    let idle = here.bench.console_rules.idle_us;
    let sessions = here.ledger.within(here.ledger.sessions(&here.person, idle)).await;
    let sessions = sessions.map_err(|e| Halt::store(here.language, &e))?;
    let session = |one: &crate::acts::people::Session| Session {
        began: frame::time(&here.bench, one.began_at),
        seen: frame::time(&here.bench, one.seen_at),
        by_badge: one.by_badge,
        own: one.mark == here.session.mark,
    };
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    let language = |l: Language| (l.code(), l.name(), choices.language == l.code());
    let themes = [("", "me.system"), ("light", "me.light"), ("dark", "me.dark")];
    let page = Me {
        languages: Language::ALL.into_iter().map(language).collect(),
        themes: themes.map(|(code, place)| (code, here.t(place), choices.theme == code)).to_vec(),
        keys: choices.keys,
        sessions: sessions.iter().map(session).collect(),
        badge: here.person.badge.as_ref().map(|_| here.person.pin.is_some()),
        frame: Frame::of(&here, "me").await?.with(halt.map(|h| h.text().to_owned())),
    };
    Ok(frame::shown(&here, code, page.render()))
}

/// `POST /me`: what is chosen, or another password.
pub async fn choose(signed: Signed) -> Result<Response, Halt> {
    let here = signed.here.clone();
    match chosen(&signed).await {
        Ok(()) => {
            here.tell(here.t("me.kept").to_owned());
            Ok(Redirect::to("/me").into_response())
        }
        Err(halt) => own(here, Some(halt)).await,
    }
}

async fn chosen(signed: &Signed) -> Result<(), Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    match fields.get("act") {
        "password" => return changed(signed).await,
        "pin" => return pin(signed).await,
        "others" => {
            let done = here.ledger.sessions_end_others(&here.person, &here.session.mark);
            return here.ledger.within(done).await.map_err(wrong);
        }
        _ => {}
    }
    let known = |text: &str, all: &[&str]| {
        if all.contains(&text) { text.to_owned() } else { String::new() }
    };
    let choices = Choices {
        theme: known(fields.get("theme"), &["light", "dark"]),
        language: known(fields.get("language"), &["en", "pt"]),
        keys: fields.get("keys") == "yes",
    };
    let text = serde_json::to_string(&choices).unwrap_or_default();
    let kept = here.ledger.within(here.ledger.person_choices(&here.person, &text)).await;
    kept.map_err(wrong)
}

/// The present password is asked for each time: a screen that was left open is nobody's to take over.
async fn changed(signed: &Signed) -> Result<(), Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let halt = |text: String| Halt::new(StatusCode::UNPROCESSABLE_ENTITY, here.language, text);
    here.proves(fields.get("password"), here.person.secret.as_deref()).await?;
    let new = fields.get("new");
    let names = [here.person.name.as_str(), here.bench.site_name.as_str(), "wickline"];
    password::judged(new, &names).map_err(|weak| halt(sign::too_weak(here.language, weak)))?;
    if new != fields.get("again") {
        return Err(halt(here.t("first.differ").to_owned()));
    }
    let secret = password::secret(new).await.map_err(|_| halt(here.t("halt.store").to_owned()))?;
    let done = here.ledger.person_password(&here.person, &secret, &here.session.mark);
    here.ledger.within(done).await.map_err(|e| Halt::store(here.language, &e))
}

/// The PIN of a badge, by whoever knows the password.
async fn pin(signed: &Signed) -> Result<(), Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let halt =
        |place: &str| Halt::new(StatusCode::UNPROCESSABLE_ENTITY, here.language, here.t(place));
    here.proves(fields.get("password"), here.person.secret.as_deref()).await?;
    let new = fields.get("new");
    if !password::is_pin(new) {
        return Err(halt("me.pin_rule"));
    }
    if new != fields.get("again") {
        return Err(halt("me.pin_differ"));
    }
    let proof = password::secret(new).await.map_err(|_| halt("halt.store"))?;
    let done = here.ledger.within(here.ledger.badge_pin(&here.person, &proof)).await;
    done.map_err(|e| Halt::store(here.language, &e))
}
