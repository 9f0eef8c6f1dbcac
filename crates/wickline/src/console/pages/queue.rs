//! Queue: how each receiver stands, what was refused and why, what waits.

use askama::Template;
use axum::extract::{Path, Query};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::After;
use super::one_held::reason;
use crate::acts::people::PersonRole;
use crate::acts::retry::Which;
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::sheet::now::{About, Now};
use crate::sheet::todo::shown;
use crate::store::StoreError;
use crate::store::lists::calls::Call;
use crate::store::lists::names::Typed;
use crate::store::lists::queue::{Asked, QueueItem};
use crate::store::state::State;
use crate::texts::Said;

/// Rows of a page.
const MOST: i64 = 200;

/// How a receiver stands.
struct Receiver {
    id: String,
    text: String,
    wrong: bool,
    todo: String,
    paused: bool,
    stopped: bool,
    refused: i64,
}

/// A message that is not accepted.
struct Row {
    report: String,
    control_id: String,
    number: String,
    analyzer: String,
    specimen: String,
    receiver: String,
    urgent: bool,
    ready: String,
    words: String,
    withdraws: bool,
    kept_back: bool,
    /// To whom it was telephoned; nothing in it where that is still to be done.
    call: Option<String>,
}

#[derive(Template)]
#[template(path = "console/queue.html")]
struct Page {
    frame: Frame,
    line: String,
    open: bool,
    receivers: Vec<Receiver>,
    refused: Vec<Row>,
    waiting: Vec<Row>,
    next: Option<String>,
    may: bool,
    reasons: Vec<String>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }

    fn counted(&self, place: &str, n: &i64) -> String {
        self.frame.here.language.counted(place, *n)
    }
}

/// `GET /queue`
pub async fn page(here: Here, Query(after): Query<After>) -> Result<Response, Halt> {
    list(here, after.row(), None).await
}

fn row(here: &Here, item: QueueItem) -> Row {
    Row {
        report: item.id,
        control_id: item.control_id,
        number: frame::cell(item.number.as_deref().unwrap_or("-")),
        analyzer: item.analyzer,
        specimen: frame::cell(item.specimen.as_deref().unwrap_or("")),
        receiver: item.receiver,
        urgent: item.class == "stat",
        ready: frame::moment(&here.bench, &item.ready_at),
        words: visible(item.detail.as_deref().or(item.reason.as_deref()).unwrap_or("")),
        withdraws: item.amends.as_deref() == Some("withdraws"),
        kept_back: item.on_hold,
        call: None,
    }
}

/// The rows of a list; of urgent ones, whether somebody was told by telephone.
async fn rows(frame: &Frame, here: &Here, items: Vec<QueueItem>) -> Result<Vec<Row>, Halt> {
    let mut rows: Vec<Row> = items.into_iter().map(|item| row(here, item)).collect();
    let mut urgent: Vec<(i64, &mut Row)> = rows
        .iter_mut()
        .filter(|row| row.urgent && !row.withdraws)
        .filter_map(|row| Some((row.report.parse().ok()?, row)))
        .collect();
    let ids: Vec<i64> = urgent.iter().map(|(n, _)| *n).collect();
    let calls = here.ledger.within(here.ledger.calls_about(&ids)).await;
    let calls = calls.map_err(|e| Halt::store(here.language, &e))?;
    for (n, row) in &mut urgent {
        let told = |call: &Call| here.told(&Said::kept(&call.text));
        row.call = match frame.is_due(&row.report) {
            true => Some(String::new()),
            false => calls.get(n).map(told),
        };
    }
    Ok(rows)
}

async fn list(here: Here, after: i64, halt: Option<Halt>) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let now = ledger.within(Now::read(ledger, bench)).await.map_err(wrong)?;
    let mut receivers = Vec::new();
    for target in &bench.targets {
        let gate = ledger.within(ledger.gate(&target.id)).await.map_err(wrong)?;
        let found = now.of(About::Receiver, &target.id);
        receivers.push(Receiver {
            id: target.id.clone(),
            text: found.map_or(String::new(), |f| here.told(&f.text)),
            wrong: found.is_some_and(|f| f.wrong),
            todo: found
                .and_then(|f| f.todo.as_ref())
                .map(|todo| shown(&here.told(todo)))
                .unwrap_or_default(),
            paused: gate.paused,
            stopped: gate.stopped,
            refused: ledger.within(ledger.refused_at(&target.id)).await.map_err(wrong)?,
        });
    }
    let asked =
        |state, after, limit| Asked { states: vec![state], after, limit, ..Asked::default() };
    let (refused, waiting) =
        (asked(State::Refused, 0, MOST), asked(State::Waiting, after, MOST + 1));
    let refused = ledger.within(ledger.queue(&refused, &bench.clock)).await.map_err(wrong)?;
    let waiting = ledger.within(ledger.queue(&waiting, &bench.clock)).await;
    let mut waiting = waiting.map_err(wrong)?;
    let more = i64::try_from(waiting.len()).unwrap_or(0) > MOST;
    waiting.truncate(usize::try_from(MOST).unwrap_or(0));
    let next = waiting.last().filter(|_| more).map(|item| item.n.to_string());
    let n: i64 = receivers.iter().map(|r| r.refused).sum();
    let standing: Vec<&str> =
        receivers.iter().filter(|r| r.paused || r.stopped).map(|r| r.id.as_str()).collect();
    let line = match (n, waiting.is_empty()) {
        (0, true) => here.t("queue.nothing").to_owned(),
        (0, false) if !standing.is_empty() => {
            here.language.say("queue.stands", &[("receivers", &standing.join(", "))])
        }
        (0, false) => here.t("queue.waits").to_owned(),
        (n, _) => here.language.counted("queue.refused", n),
    };
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    let frame = Frame::of(&here, "queue").await?.with(halt.map(|h| h.text().to_owned()));
    let page = Page {
        line,
        open: n > 0 || receivers.iter().any(|r| r.wrong),
        refused: rows(&frame, &here, refused).await?,
        waiting: rows(&frame, &here, waiting).await?,
        next,
        receivers,
        may: here.may(PersonRole::Technologist),
        reasons: bench.people.reasons.clone(),
        frame,
    };
    Ok(frame::shown(&here, code, page.render()))
}

/// `POST /queue/again` and the other acts on messages and receivers.
pub async fn act(Path(act): Path<String>, signed: Signed) -> Result<Response, Halt> {
    let here = signed.here.clone();
    here.must(PersonRole::Technologist)?;
    if !signed.is_first() {
        return Ok(Redirect::to("/queue").into_response());
    }
    match acted(&signed, &act).await {
        Ok(told) => {
            here.tell(told);
            Ok(Redirect::to("/queue").into_response())
        }
        Err(halt) => list(here, 0, Some(halt)).await,
    }
}

async fn acted(signed: &Signed, act: &str) -> Result<String, Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let (ledger, bench, actor) = (&here.ledger, &here.bench, here.actor());
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let receiver = fields.get("receiver");
    let known = || match bench.targets.iter().any(|t| t.id == receiver) {
        true => Ok(()),
        false => Err(Halt::lost(here.language)),
    };
    match act {
        "again" => {
            let which = Which::These(vec![message(here, fields.get("message")).await?]);
            let sent = ledger.within(ledger.message_retry(bench, &actor, &which)).await;
            let sent = i64::try_from(sent.map_err(wrong)?.len()).unwrap_or(0);
            Ok(here.language.counted("queue.sent_again", sent))
        }
        "all-again" => {
            known()?;
            let which = Which::Refused { receiver: Some(receiver.to_owned()) };
            let sent = ledger.within(ledger.message_retry(bench, &actor, &which)).await;
            let sent = i64::try_from(sent.map_err(wrong)?.len()).unwrap_or(0);
            Ok(here.language.counted("queue.sent_again", sent))
        }
        "keep-back" => {
            let reason = reason(here, fields.get("reason"))?;
            let ids = [message(here, fields.get("message")).await?];
            let done = ledger.within(ledger.message_hold(&actor, &ids, reason)).await;
            done.map_err(wrong)?;
            Ok(here.t("queue.kept_back").to_owned())
        }
        "set-aside" => {
            let reason = reason(here, fields.get("reason"))?;
            here.must_prove(fields.get("password")).await?;
            let ids = [message(here, fields.get("message")).await?];
            let done = ledger.within(ledger.message_set_aside(&actor, &ids, reason)).await;
            done.map_err(wrong)?;
            Ok(here.t("queue.aside").to_owned())
        }
        "pause" | "resume" => {
            known()?;
            let done = ledger.within(ledger.receiver_pause(&actor, receiver, act == "pause")).await;
            done.map_err(wrong)?;
            let place = if act == "pause" { "queue.did_pause" } else { "queue.did_resume" };
            Ok(here.language.say(place, &[("receiver", receiver)]))
        }
        _ => Err(Halt::lost(here.language)),
    }
}

/// A message by its control id.
async fn message(here: &Here, control_id: &str) -> Result<i64, Halt> {
    let typed = Typed::Control(control_id.to_owned());
    let found = here.ledger.within(here.ledger.messages_named(&typed)).await;
    let found = found.map_err(|e| Halt::store(here.language, &e))?;
    found.last().map(|m| m.n).ok_or_else(|| Halt::lost(here.language))
}
