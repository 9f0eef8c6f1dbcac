//! The runs of control material of a month, as a person looks at them and signs for them; and a note of what was done
//! about a run.

use askama::Template;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::one_held::reason;
use crate::acts::people::PersonRole;
use crate::acts::reviewing::{LevelSum, Month, Review};
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::store::lists::runs::{RunNote, RunView};

struct Level {
    analyzer: String,
    level: String,
    passed: usize,
    failed: usize,
    no_target: usize,
    lots: String,
}

struct Failed {
    id: String,
    number: String,
    analyzer: String,
    level: String,
    at: String,
    detail: String,
    notes: Vec<String>,
}

#[derive(Template)]
#[template(path = "console/review.html")]
struct Page {
    frame: Frame,
    month: String,
    before: String,
    next: String,
    line: String,
    words: Option<String>,
    signed: bool,
    after: Vec<String>,
    levels: Vec<Level>,
    failed: Vec<Failed>,
    bare: usize,
    may: bool,
    can_sign: bool,
    reasons: Vec<String>,
    /// Where a note leads back to.
    back: String,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

/// A note in the hand of who wrote it.
pub(super) fn note(here: &Here, note: &RunNote) -> String {
    let at = frame::moment(&here.bench, &note.at);
    format!("{} · {}, {at}", visible(&note.text), visible(&note.who))
}

fn level(sum: &LevelSum) -> Level {
    let lots: Vec<&str> =
        sum.control_lots.iter().chain(&sum.strip_lots).map(String::as_str).collect();
    Level {
        analyzer: sum.analyzer.clone(),
        level: visible(&sum.level),
        passed: sum.passed,
        failed: sum.failed,
        no_target: sum.no_target,
        lots: visible(&lots.join(", ")),
    }
}

fn failed(here: &Here, run: &RunView) -> Failed {
    Failed {
        id: run.id.clone(),
        number: frame::cell(run.number.as_deref().unwrap_or("-")),
        analyzer: run.analyzer.clone(),
        level: visible(run.level.as_deref().unwrap_or("-")),
        at: frame::moment(&here.bench, &run.at),
        detail: visible(&run.detail),
        notes: run.notes.iter().map(|one| note(here, one)).collect(),
    }
}

/// How a month stands, in one line.
pub(super) fn line(here: &Here, review: &Review) -> String {
    let bare = i64::try_from(review.without_note.len()).unwrap_or(i64::MAX);
    match (review.runs, &review.signed) {
        (0, _) => here.t("review.nothing").to_owned(),
        (_, Some(_)) if review.is_signed() => here.t("review.signed").to_owned(),
        (_, Some(_)) => here.t("review.open_again").to_owned(),
        (_, None) if review.running => here.t("review.running").to_owned(),
        (_, None) if bare > 0 => here.language.counted("review.bare", bare),
        (_, None) => here.t("review.to_sign").to_owned(),
    }
}

fn month_of(here: &Here, text: &str) -> Result<Month, Halt> {
    Month::of(text).ok_or_else(|| Halt::lost(here.language))
}

/// `GET /review/2026-10`
pub async fn page(here: Here, Path(month): Path<String>) -> Result<Response, Halt> {
    let month = month_of(&here, &month)?;
    shown(here, &month, None).await
}

async fn shown(here: Here, month: &Month, halt: Option<Halt>) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let review = ledger.within(ledger.review(&bench.clock, month)).await;
    let review = review.map_err(|e| Halt::store(here.language, &e))?;
    let beside = |months| month.later(months).map_or(String::new(), |m| m.name);
    let page = Page {
        month: month.name.clone(),
        before: beside(-1),
        next: beside(1),
        line: line(&here, &review),
        words: review.signed.as_ref().map(|signed| {
            let at = frame::moment(bench, &signed.at);
            here.language.say("review.by", &[("who", &visible(&signed.who)), ("at", &at)])
        }),
        signed: review.is_signed(),
        can_sign: review.runs > 0 && !review.running && !review.is_signed(),
        levels: review.levels.iter().map(level).collect(),
        failed: review.failed.iter().map(|run| failed(&here, run)).collect(),
        bare: review.without_note.len(),
        after: review.after,
        may: here.may(PersonRole::Technologist),
        reasons: bench.people.reasons.clone(),
        back: format!("/review/{}", month.name),
        frame: Frame::of(&here, "review").await?.with(halt.as_ref().map(|h| h.text().to_owned())),
    };
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    Ok(frame::shown(&here, code, page.render()))
}

/// `POST /review/2026-10`: somebody signs for it.
pub async fn sign(Path(month): Path<String>, signed: Signed) -> Result<Response, Halt> {
    let here = signed.here.clone();
    here.must(PersonRole::Technologist)?;
    let month = month_of(&here, &month)?;
    let to = format!("/review/{}", month.name);
    if !signed.is_first() {
        return Ok(Redirect::to(&to).into_response());
    }
    let done = async {
        here.must_prove(signed.fields.get("password")).await?;
        let why = match signed.fields.get("reason").trim() {
            "" => None,
            text => Some(reason(&here, text)?),
        };
        let (ledger, actor) = (&here.ledger, here.actor());
        let done = ledger.within(ledger.review_sign(&here.bench, &actor, &month, why)).await;
        done.map_err(|e| Halt::store(here.language, &e))
    };
    match done.await {
        Ok(_) => {
            here.tell(here.language.say("review.did_sign", &[("month", &month.name)]));
            Ok(Redirect::to(&to).into_response())
        }
        Err(halt) => shown(here, &month, Some(halt)).await,
    }
}

/// `POST /controls/note`: what was done about a run. It leads back to the page on which it was written.
pub async fn noted(signed: Signed) -> Result<Response, Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    here.must(PersonRole::Technologist)?;
    let back = fields.get("back").strip_prefix("/review/").and_then(Month::of);
    let to = back.map_or("/controls".to_owned(), |month| format!("/review/{}", month.name));
    if signed.is_first() {
        let id = fields.get("run");
        let run: i64 = id.parse().map_err(|_| Halt::no_report(here, &visible(id)))?;
        let (ledger, text) = (&here.ledger, reason(here, fields.get("reason"))?);
        let actor = here.actor();
        let done = ledger.run_note(&actor, &here.bench.clock, run, text);
        ledger.within(done).await.map_err(|e| Halt::store(here.language, &e))?;
        here.tell(here.language.say("review.noted", &[("run", id)]));
    }
    Ok(Redirect::to(&to).into_response())
}
