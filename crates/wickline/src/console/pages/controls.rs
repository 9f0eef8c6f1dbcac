//! Controls: how each analyzer stands with each level, which strip lot is in use, the last runs; and a new strip lot.

use askama::Template;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use wickline_normalize::StripLot;

use super::one_held::reason;
use super::{charts, review};
use crate::acts::people::PersonRole;
use crate::acts::reviewing::Month;
use crate::clock;
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::store::StoreError;
use crate::store::lists::runs::AskedRuns;

/// Days of runs that are shown, and how many at most.
const DAYS: i64 = 7;
const MOST: usize = 100;

/// How one level stands.
struct Level {
    level: String,
    state: &'static str,
    passed: bool,
    when: String,
    charts: String,
}

/// How one analyzer stands, for one strip type.
struct Stand {
    analyzer: String,
    strip: String,
    lot: String,
    last_day: String,
    expired: bool,
    planned: bool,
    levels: Vec<Level>,
    held: i64,
}

/// One run.
struct Run {
    id: String,
    number: String,
    analyzer: String,
    level: String,
    at: String,
    lot: String,
    strip_lot: String,
    verdict: &'static str,
    failed: bool,
    detail: String,
    notes: Vec<String>,
}

/// The last month, and how far it is reviewed.
struct Last {
    month: String,
    line: String,
    open: bool,
}

#[derive(Template)]
#[template(path = "console/controls.html")]
struct Page {
    frame: Frame,
    line: String,
    wrong: bool,
    planned: bool,
    stands: Vec<Stand>,
    runs: Vec<Run>,
    last: Option<Last>,
    may: bool,
    reasons: Vec<String>,
    back: &'static str,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

/// `GET /controls`
pub async fn page(here: Here) -> Result<Response, Halt> {
    list(here, None).await
}

async fn stands(here: &Here) -> Result<Vec<Stand>, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let mut all = Vec::new();
    for analyzer in &bench.analyzers {
        let read = ledger.control_standing(bench, analyzer, clock::now_us());
        let read = ledger.within(read).await.map_err(|e| Halt::store(here.language, &e))?;
        for stand in read {
            let level = |of: &crate::acts::control_views::Stands| {
                let when = of.until.as_deref().or(of.since.as_deref());
                Level {
                    level: visible(of.level.as_deref().unwrap_or("")),
                    state: here.t(&format!("control.{}", of.state)),
                    passed: of.state == "passed",
                    charts: charts::path_to(&analyzer.id, of.level.as_deref().unwrap_or("")),
                    when: when.map_or(String::new(), |at| frame::moment(bench, at)),
                }
            };
            all.push(Stand {
                analyzer: analyzer.id.clone(),
                planned: stand.overall.state != "no-plan",
                levels: stand.levels.iter().map(level).collect(),
                lot: stand.strip_lot.as_deref().map_or(String::new(), visible),
                last_day: stand.strip_last_day.unwrap_or_default(),
                expired: stand.strip_expired,
                strip: stand.strip,
                held: stand.held,
            });
        }
    }
    Ok(all)
}

async fn list(here: Here, halt: Option<Halt>) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let stands = stands(&here).await?;
    let now = clock::now_us();
    let asked =
        AskedRuns { from: now - DAYS * 86_400_000_000, to: i64::MAX, ..AskedRuns::default() };
    let runs = ledger.within(ledger.control_runs(&asked, &bench.clock)).await;
    let runs = runs.map_err(|e| Halt::store(here.language, &e))?;
    let run = |run: &crate::store::lists::runs::RunView| Run {
        id: run.id.clone(),
        number: frame::cell(run.number.as_deref().unwrap_or("-")),
        analyzer: run.analyzer.clone(),
        level: visible(run.level.as_deref().unwrap_or("-")),
        at: frame::moment(bench, &run.at),
        lot: visible(run.control_lot.as_deref().unwrap_or("")),
        strip_lot: visible(run.strip_lot.as_deref().unwrap_or("")),
        verdict: here.t(&format!("control.{}", run.verdict)),
        failed: run.verdict == "failed",
        detail: visible(&run.detail),
        notes: run.notes.iter().map(|one| review::note(&here, one)).collect(),
    };
    let open = |s: &&Stand| s.planned && (s.expired || s.levels.iter().any(|l| !l.passed));
    let wrong = i64::try_from(stands.iter().filter(open).count()).unwrap_or(0);
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    let page = Page {
        line: match (wrong, stands.iter().any(|s| s.planned)) {
            (0, false) => here.t("controls.no_plan").to_owned(),
            (0, true) => here.t("controls.all_passed").to_owned(),
            (n, _) => here.language.counted("controls.open", n),
        },
        wrong: wrong > 0,
        planned: stands.iter().any(|s| s.planned),
        runs: runs.iter().rev().take(MOST).map(run).collect(),
        may: here.may(PersonRole::Technologist),
        reasons: bench.people.reasons.clone(),
        last: last_month(&here).await?,
        back: "/controls",
        frame: Frame::of(&here, "controls").await?.with(halt.map(|h| h.text().to_owned())),
        stands,
    };
    Ok(frame::shown(&here, code, page.render()))
}

async fn last_month(here: &Here) -> Result<Option<Last>, Halt> {
    let (ledger, clock) = (&here.ledger, &here.bench.clock);
    let last = Month::of_day(&clock.day(clock::now_us())).and_then(|month| month.later(-1));
    let Some(month) = last else { return Ok(None) };
    let found = ledger.within(ledger.review(clock, &month)).await;
    let found = found.map_err(|e| Halt::store(here.language, &e))?;
    let open = found.runs > 0 && !found.is_signed();
    Ok(Some(Last { line: review::line(here, &found), open, month: month.name }))
}

/// `POST /controls`: a strip lot is in use from now on.
pub async fn lot(signed: Signed) -> Result<Response, Halt> {
    let here = signed.here.clone();
    here.must(PersonRole::Technologist)?;
    if !signed.is_first() {
        return Ok(Redirect::to("/controls").into_response());
    }
    match entered(&signed).await {
        Ok(told) => {
            here.tell(told);
            Ok(Redirect::to("/controls").into_response())
        }
        Err(halt) => list(here, Some(halt)).await,
    }
}

async fn entered(signed: &Signed) -> Result<String, Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let analyzer = here.bench.analyzer(fields.get("analyzer")).cloned();
    let analyzer = analyzer.ok_or_else(|| Halt::lost(here.language))?;
    let why = match fields.get("reason").trim() {
        "" => None,
        text => Some(reason(here, text)?),
    };
    let lot = fields.get("lot").trim().to_owned();
    let halt = |place| Halt::new(StatusCode::UNPROCESSABLE_ENTITY, here.language, here.t(place));
    // A tube that was scanned for a box.
    let known = here.ledger.within(here.ledger.specimens_among(std::slice::from_ref(&lot))).await;
    if !known.map_err(wrong)?.is_empty() {
        return Err(halt("controls.is_a_tube"));
    }
    let last_day = match fields.get("last_day").trim() {
        "" => None,
        day => {
            let date: Result<jiff::civil::Date, _> = day.parse();
            Some(date.map_err(|_| halt("controls.no_day"))?.to_string())
        }
    };
    let lot = StripLot { lot, last_day };
    let (ledger, actor, strip) = (&here.ledger, here.actor(), fields.get("strip"));
    let strip = Some(strip).filter(|strip| !strip.is_empty());
    let done = ledger.strip_lot_enter(&here.bench, &actor, &analyzer, strip, &lot, why);
    ledger.within(done).await.map_err(wrong)?;
    let (id, lot) = (analyzer.id.as_str(), visible(&lot.lot));
    Ok(here.language.say("controls.entered", &[("analyzer", id), ("lot", &lot)]))
}
