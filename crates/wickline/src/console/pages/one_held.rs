//! One held report: its print with the line at fault, its readings, and the acts that let it go.

use askama::Template;
use axum::extract::Path;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};
use wickline_normalize::{Reason, Remedy};

use super::held::{one_strip, taken, words};
use crate::acts::comparing::{Difference, texts};
use crate::acts::decide::Decision;
use crate::acts::identify::{Entered, Material, Twice};
use crate::acts::people::PersonRole;
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::settings::bench;
use crate::store::StoreError;
use crate::store::lists::reports::{AskedHeld, Item, Kept};
use crate::store::state::State;
use crate::store::tape::Tape;
use crate::texts::Said;

/// Printed lines that are shown: the rest is on the page of the report.
const LINES: usize = 200;

/// One printed line.
pub struct Line {
    pub number: usize,
    pub text: String,
    pub fault: bool,
}

/// What holds it, in words.
struct Why {
    words: &'static str,
    remedy: &'static str,
    detail: String,
}

#[derive(Template)]
#[template(path = "console/one_held.html")]
struct Page {
    frame: Frame,
    id: String,
    seen: String,
    analyzer: String,
    number: String,
    specimen: String,
    urgent: bool,
    taken: String,
    strip: String,
    abnormal: String,
    readings: Vec<(String, String)>,
    lines: Vec<Line>,
    why: Vec<Why>,
    identify: bool,
    release: bool,
    decide: bool,
    reread: bool,
    may: bool,
    analyst: bool,
    beside: Option<(i64, Vec<Difference>)>,
    reasons: Vec<String>,
    receivers: String,
    /// What was entered the first time.
    first: String,
    notices: Vec<String>,
    /// Another result of this specimen, or nothing.
    left: i64,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }

    fn line(&self) -> String {
        self.frame
            .here
            .language
            .say("one_held.line", &[("number", &self.number), ("analyzer", &self.analyzer)])
    }

    fn left(&self) -> String {
        self.frame.here.language.counted("one_held.left", self.left)
    }

    fn button(&self, place: &str) -> String {
        let with = [("number", self.number.as_str()), ("receivers", self.receivers.as_str())];
        self.frame.here.language.say(place, &with)
    }
}

/// What a page says beside the report itself.
#[derive(Default)]
struct Beside {
    first: String,
    notices: Vec<String>,
    halt: Option<Halt>,
}

/// `GET /held/13`
pub async fn page(here: Here, Path(n): Path<String>) -> Result<Response, Halt> {
    let id = number(&here, &n)?;
    let kept = kept(&here, id).await?;
    if kept.item.state != State::Held {
        return Ok(Redirect::to(&format!("/report/{id}")).into_response());
    }
    shown(here, kept, Beside::default()).await
}

/// An id in an address.
pub fn number(here: &Here, text: &str) -> Result<i64, Halt> {
    text.parse().ok().filter(|n| *n > 0).ok_or_else(|| Halt::no_report(here, &frame::cell(text)))
}

/// A report whole.
pub async fn kept(here: &Here, id: i64) -> Result<Kept, Halt> {
    let kept = here.ledger.within(here.ledger.report(id, &here.bench.clock)).await;
    let kept = kept.map_err(|e| Halt::store(here.language, &e))?;
    kept.ok_or_else(|| Halt::no_report(here, &id.to_string()))
}

/// The printed lines, with those at fault.
pub fn lines(kept: &Kept) -> Vec<Line> {
    let faults: Vec<i64> =
        kept.item.holds.iter().filter(|h| !h.cleared).filter_map(|h| h.line).collect();
    let all = kept.print.lines.iter().take(LINES).enumerate();
    all.map(|(at, line)| Line {
        number: at + 1,
        text: visible(line.text.expose()),
        fault: faults.contains(&i64::try_from(at).unwrap_or(-1)),
    })
    .collect()
}

async fn shown(here: Here, kept: Kept, beside: Beside) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let id = kept.item.id.parse().unwrap_or(0);
    let code = beside.halt.as_ref().map_or(StatusCode::OK, Halt::code);
    let remedies: Vec<Remedy> = open(&kept).iter().map(|reason| reason.remedy()).collect();
    let item = &kept.item;
    let why = |reason: &Reason| {
        let (words, remedy) = words(&here, reason.code());
        let detail = item.holds.iter().find(|h| h.reason == reason.code());
        Why { words, remedy, detail: detail.map_or(String::new(), |h| visible(&h.detail)) }
    };
    let asked = async { Ok((ledger.side_by_side(id).await?, ledger.held_count().await?)) };
    let (other, all) = ledger.within(asked).await.map_err(wrong)?;
    let receivers: Vec<&str> = bench
        .targets_of(&item.analyzer, wickline_normalize::Role::Patient)
        .map(|target| target.id.as_str())
        .collect();
    let page = Page {
        id: item.id.clone(),
        seen: frame::seen(item),
        analyzer: item.analyzer.clone(),
        number: frame::cell(item.number.as_deref().unwrap_or("-")),
        specimen: visible(item.specimen.as_deref().unwrap_or("")),
        urgent: item.class == "stat",
        taken: taken(bench, item),
        strip: frame::strip(&kept.readings, one_strip(bench, item)),
        abnormal: frame::abnormal(&kept.readings),
        readings: texts(&kept.readings),
        lines: lines(&kept),
        why: open(&kept).iter().map(why).collect(),
        identify: remedies.contains(&Remedy::Identify),
        release: !remedies.is_empty() && remedies.iter().all(|r| *r == Remedy::Release),
        decide: remedies.contains(&Remedy::Decide),
        reread: remedies.contains(&Remedy::Reread),
        may: here.may(PersonRole::Technologist),
        analyst: here.may(PersonRole::Analyst),
        beside: other,
        reasons: bench.people.reasons.clone(),
        receivers: receivers.join(", "),
        first: beside.first,
        notices: beside.notices,
        left: all - 1,
        frame: Frame::of(&here, "held").await?.with(beside.halt.map(|h| h.text().to_owned())),
    };
    Ok(frame::shown(&here, code, page.render()))
}

/// What still holds it, each once.
fn open(kept: &Kept) -> Vec<Reason> {
    kept.item.reasons().iter().filter_map(|code| code.parse().ok()).collect()
}

/// An error: the report is not any more as the page had it. What it is now stands on the page that follows.
pub async fn as_it_was(here: &Here, n: i64, seen: &str) -> Result<(), Halt> {
    let kept = kept(here, n).await?;
    if frame::seen(&kept.item) == seen {
        return Ok(());
    }
    let last = here.ledger.within(here.ledger.history(n, &[])).await;
    let last = last.map_err(|e| Halt::store(here.language, &e))?.pop();
    let text = match last {
        Some(row) => {
            let (who, at) = (visible(&row.who), frame::time(&here.bench, row.at));
            let what = here.told(&Said::verb(&row.verb));
            here.language.say("halt.quicker", &[("who", &who), ("at", &at), ("what", &what)])
        }
        None => here.t("halt.changed").to_owned(),
    };
    Err(Halt::new(StatusCode::CONFLICT, here.language, text))
}

/// A reason as the laboratory wants it.
pub fn reason<'a>(here: &Here, text: &'a str) -> Result<&'a str, Halt> {
    let fits = |text: &str| text.chars().count() <= 500 && bench::words(text).is_ok();
    let text = text.trim();
    let halt = |text: String| Halt::new(StatusCode::UNPROCESSABLE_ENTITY, here.language, text);
    if !fits(text) {
        return Err(halt(here.t("act.reason_needed").to_owned()));
    }
    here.bench.people.reason(text).map_err(halt)?;
    Ok(text)
}

/// `POST /held/13/identify` and the other acts on one held report.
pub async fn act(Path((n, act)): Path<(String, String)>, signed: Signed) -> Result<Response, Halt> {
    let here = signed.here.clone();
    let id = number(&here, &n)?;
    here.must(if act == "reread" { PersonRole::Analyst } else { PersonRole::Technologist })?;
    if act == "identify" && signed.fields.get("again").is_empty() {
        return looked_at(here, id, signed.fields.get("specimen")).await;
    }
    if !signed.is_first() {
        return next(&here, (id, &act), None).await;
    }
    let done = match as_it_was(&here, id, signed.fields.get("seen")).await {
        Ok(()) => acted(&signed, id, &act).await,
        Err(halt) => Err(halt),
    };
    match done {
        Ok(told) => next(&here, (id, &act), Some(told)).await,
        Err(halt) => {
            let kept = kept(&here, id).await?;
            if kept.item.state != State::Held {
                return Err(halt);
            }
            shown(here, kept, Beside { halt: Some(halt), ..Beside::default() }).await
        }
    }
}

async fn acted(signed: &Signed, n: i64, act: &str) -> Result<String, Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let (ledger, bench, actor) = (&here.ledger, &here.bench, here.actor());
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let number = kept(here, n).await?.item.number.unwrap_or_else(|| "-".to_owned());
    let (n_text, number) = (n.to_string(), visible(&number));
    let told = |place: &str| here.language.say(place, &[("n", &n_text), ("number", &number)]);
    match act {
        "identify" => {
            let [first, again] = [
                scanned(here, n, fields.get("specimen")).await?,
                scanned(here, n, fields.get("again")).await?,
            ];
            let twice = Twice::of(Entered::Specimens, &first, &again).map_err(wrong)?;
            let done = ledger.within(ledger.report_identify(bench, &actor, n, &twice)).await;
            done.map_err(wrong)?;
            let specimen = visible(&first);
            let with = [("n", n_text.as_str()), ("number", &number), ("specimen", &specimen)];
            Ok(here.language.say("done.identify", &with) + &still(here, n).await?)
        }
        "control" => {
            let reason = reason(here, fields.get("reason"))?;
            let level = Twice::of(Entered::Levels, fields.get("level"), fields.get("level_again"))
                .map_err(wrong)?;
            let lot = Twice::of(Entered::Lots, fields.get("lot"), fields.get("lot_again"))
                .map_err(wrong)?;
            let material = Material { level, lot };
            let filed = ledger.report_is_control(bench, &actor, n, &material, reason);
            ledger.within(filed).await.map_err(wrong)?;
            Ok(told("done.control"))
        }
        "release" => {
            let reason = reason(here, fields.get("reason"))?;
            let done = ledger.within(ledger.report_release(bench, &actor, n, reason)).await;
            done.map_err(wrong)?;
            Ok(told("done.release"))
        }
        "new-run" | "correction" | "mistake" => {
            let reason = reason(here, fields.get("reason"))?;
            let decision = match act {
                "new-run" => Decision::NewRun,
                "correction" => Decision::Correction { of: None },
                _ => Decision::Mistake,
            };
            let done =
                ledger.within(ledger.report_decide(bench, &actor, n, decision, reason)).await;
            done.map_err(wrong)?;
            Ok(told("done.decide"))
        }
        "set-aside" => {
            let reason = reason(here, fields.get("reason"))?;
            here.must_prove(fields.get("password")).await?;
            let done = ledger.within(ledger.report_set_aside(bench, &actor, n, reason)).await;
            done.map_err(wrong)?;
            Ok(told("done.set_aside"))
        }
        "reread" => {
            let tape = Tape::look(&bench.tape).await.map_err(wrong)?;
            let done = ledger.within(ledger.report_reread(bench, &tape, &actor, n)).await;
            done.map_err(wrong)?;
            Ok(told("done.reread") + &still(here, n).await?)
        }
        _ => Err(Halt::lost(here.language)),
    }
}

/// What still holds it, in words; nothing where it goes.
async fn still(here: &Here, n: i64) -> Result<String, Halt> {
    let kept = kept(here, n).await?;
    if kept.item.state != State::Held {
        return Ok(String::new());
    }
    let reasons: Vec<&str> = open(&kept).iter().map(|r| words(here, r.code()).0).collect();
    Ok(format!(" {} {}", here.t("done.still"), reasons.join("; ")))
}

/// What a scanner puts around an id comes off by the analyzer's own rules.
async fn scanned(here: &Here, n: i64, text: &str) -> Result<String, Halt> {
    let kept = kept(here, n).await?;
    let analyzer = here.bench.analyzer(&kept.item.analyzer);
    let text = text.trim();
    Ok(analyzer.map_or(text, |analyzer| analyzer.rules.rubbish.strip(text)).to_owned())
}

/// The first of two scans: the id is judged and shown, nothing is changed.
async fn looked_at(here: Here, n: i64, text: &str) -> Result<Response, Halt> {
    let kept = kept(&here, n).await?;
    if kept.item.state != State::Held {
        return Ok(Redirect::to(&format!("/report/{n}")).into_response());
    }
    let first = scanned(&here, n, text).await?;
    let item = &kept.item;
    let checked = here.bench.check_specimen(&item.analyzer, &first, item.number.as_deref());
    if let Err(why) = checked {
        let halt = Halt::new(StatusCode::UNPROCESSABLE_ENTITY, here.language, why);
        return shown(here, kept, Beside { halt: Some(halt), ..Beside::default() }).await;
    }
    let others = here.ledger.within(here.ledger.results_beside(n, &first)).await;
    let others = others.map_err(|e| Halt::store(here.language, &e))?;
    let notice = |n: &i64| here.language.say("one_held.other", &[("n", &n.to_string())]);
    let notices = others.iter().map(notice).collect();
    shown(here, kept, Beside { first, notices, halt: None }).await
}

/// After an act the list; after a tube was named the next strip of the same analyzer that has none: no other one is
/// taken for it.
async fn next(here: &Here, (id, act): (i64, &str), told: Option<String>) -> Result<Response, Halt> {
    if let Some(told) = told {
        here.tell(told);
    }
    if act != "identify" {
        return Ok(Redirect::to("/held").into_response());
    }
    let asked = AskedHeld { after: 0, limit: super::held::MOST };
    let found = async {
        let named = here.ledger.report(id, &here.bench.clock).await?;
        Ok((named, here.ledger.held(asked, &here.bench.clock).await?))
    };
    let (named, items) =
        here.ledger.within(found).await.map_err(|e| Halt::store(here.language, &e))?;
    let analyzer = named.map(|kept| kept.item.analyzer).unwrap_or_default();
    let blank = |item: &&Item| {
        let behind = item.id.parse::<i64>().is_ok_and(|n| n > id);
        let own = item.reasons();
        item.analyzer == analyzer && behind && own.contains(&Reason::SpecimenBlank.code())
    };
    let to = items.iter().filter(blank).min_by_key(|item| item.id.parse::<i64>().unwrap_or(0));
    let to = to.map_or_else(|| "/held".to_owned(), |item| format!("/held/{}", item.id));
    Ok(Redirect::to(&to).into_response())
}
