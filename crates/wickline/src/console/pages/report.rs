//! One report: its way, its print line by line beside what was read, what each receiver has of it, who did what.

use askama::Template;
use axum::extract::Path;
use axum::http::{StatusCode, header};
use axum::response::{IntoResponse, Redirect, Response};

use super::held::{one_strip, taken};
use super::one_held::{Line, as_it_was, kept, lines, number, reason};
use crate::acts::comparing::texts;
use crate::acts::holdings::Holding;
use crate::acts::identify::{Entered, Twice};
use crate::acts::people::PersonRole;
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::store::StoreError;
use crate::store::lists::names::{Listed, Typed};
use crate::store::lists::reports::Item;
use crate::store::state::State;
use crate::store::tape::Tape;
use crate::store::trail::Row;
use crate::texts::Said;

/// Who did what the daemon does.
pub const OURSELVES: &str = "wickline";

/// A line of the print and what was read in it.
struct Read {
    line: Line,
    taken_for: String,
    odd: bool,
}

/// A row of its history.
struct Done {
    at: String,
    who: String,
    by_itself: bool,
    what: String,
    reason: String,
}

/// A message of it.
struct Sent {
    name: String,
    control_id: String,
    state: &'static str,
    words: String,
}

#[derive(Template)]
#[template(path = "console/report.html")]
struct Page {
    frame: Frame,
    id: String,
    seen: String,
    analyzer: String,
    number: String,
    specimen: String,
    urgent: bool,
    class_name: String,
    taken: String,
    heard: String,
    state: &'static str,
    class: &'static str,
    glyph: &'static str,
    detail: String,
    strip: String,
    abnormal: String,
    reads: Vec<Read>,
    more: usize,
    sent: Vec<Sent>,
    holdings: Vec<Holding>,
    /// The reports before and after it, of its analyzer.
    beside: [Option<i64>; 2],
    before: Vec<String>,
    history: Vec<Done>,
    held: bool,
    withdraws: bool,
    /// Whoever waits for it may be told by telephone.
    calls: bool,
    /// A person said whose it is, and it has not gone: that can be taken back.
    named: bool,
    corrects: bool,
    aside: bool,
    reasons: Vec<String>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }

    fn holds(&self, holding: &Holding) -> &'static str {
        self.t(&format!("holds.{}", holding.holds.text()))
    }
}

/// `GET /report/15`
pub async fn page(here: Here, Path(n): Path<String>) -> Result<Response, Halt> {
    let id = number(&here, &n)?;
    shown(here, id, None).await
}

async fn shown(here: Here, id: i64, halt: Option<Halt>) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let kept = kept(&here, id).await?;
    let item = &kept.item;
    let typed = Typed::Reports { first: id, last: id, receiver: None, withdraws: false };
    let asked = async {
        let messages = ledger.messages_named(&typed).await?;
        let named: Vec<_> = messages.iter().map(|m| (m.n, m.name.clone())).collect();
        let history = ledger.history(id, &named).await?;
        let (holdings, before) = (ledger.holdings(id).await?, ledger.named_before(id).await?);
        Ok((messages, history, holdings, before, ledger.beside(id, &item.analyzer).await?))
    };
    let (messages, history, holdings, before, beside) =
        ledger.within(asked).await.map_err(wrong)?;
    let words = texts(&kept.readings);
    let read = |line: Line| {
        let at = line.number - 1;
        let here = kept.readings.iter().zip(&words).filter(|(r, _)| r.lines.first() == Some(&at));
        let odd = |r: &wickline_normalize::readings::Reading| {
            !matches!(r.flag, None | Some(wickline_normalize::Flag::N))
        };
        let (odd, texts): (Vec<bool>, Vec<String>) =
            here.map(|(r, (name, text))| (odd(r), format!("{name} {text}"))).unzip();
        Read { line, taken_for: visible(&texts.join("; ")), odd: odd.contains(&true) }
    };
    let all = kept.print.lines.len();
    let reads: Vec<Read> = lines(&kept).into_iter().map(read).collect();
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    let out = matches!(item.state, State::Accepted | State::Waiting | State::Refused);
    let page = Page {
        id: item.id.clone(),
        seen: frame::seen(item),
        analyzer: item.analyzer.clone(),
        number: frame::cell(item.number.as_deref().unwrap_or("-")),
        specimen: visible(item.specimen.as_deref().unwrap_or("")),
        urgent: item.class == "stat",
        class_name: frame::class_name(&here, item),
        taken: taken(bench, item),
        heard: item.heard_at.as_deref().map_or(String::new(), |at| frame::moment(bench, at)),
        state: here.t(&format!("state.{}", item.state.text())),
        class: frame::class(item.state),
        glyph: frame::glyph(item.state),
        detail: visible(item.detail.as_deref().unwrap_or("")),
        strip: frame::strip(&kept.readings, one_strip(bench, item)),
        abnormal: frame::abnormal(&kept.readings),
        more: all - reads.len(),
        reads,
        sent: messages.iter().map(|m| self::sent(&here, item, m)).collect(),
        holdings,
        beside,
        before: before.iter().map(|b| visible(&b.specimen)).collect(),
        history: history.iter().map(|row| done(&here, row)).collect(),
        held: item.state == State::Held,
        withdraws: out && item.level.is_none() && here.may(PersonRole::Technologist),
        corrects: out && item.level.is_none() && here.may(PersonRole::Analyst),
        calls: item.level.is_none() && here.may(PersonRole::Technologist),
        named: item.state == State::Held
            && history.iter().any(|row| row.verb == "identify")
            && here.may(PersonRole::Technologist),
        aside: item.state == State::SetAside
            && !item.deliveries.iter().any(|d| d.amends.as_deref() == Some("withdraws"))
            && here.may(PersonRole::Technologist),
        reasons: bench.people.reasons.clone(),
        frame: Frame::of(&here, "report").await?.with(halt.map(|h| h.text().to_owned())),
    };
    Ok(frame::shown(&here, code, page.render()))
}

/// One message of it, with what its receiver said.
fn sent(here: &Here, item: &Item, message: &Listed) -> Sent {
    let name = message.name.to_string();
    let own = item.deliveries.iter().find(|d| d.message == name);
    Sent {
        control_id: message.control_id.clone(),
        state: here.t(&format!("state.{}", message.state.text())),
        words: own.and_then(|d| d.detail.as_deref()).map_or(String::new(), visible),
        name,
    }
}

/// One act that was done to it.
fn done(here: &Here, row: &Row) -> Done {
    Done {
        at: frame::time(&here.bench, row.at),
        who: visible(&row.who),
        by_itself: row.who == OURSELVES,
        what: here.told(&what(&row.verb, row.was.as_deref(), row.became.as_deref())),
        reason: reason_of(here, row),
    }
}

/// An act in one line.
pub fn what(verb: &str, was: Option<&str>, became: Option<&str>) -> Said {
    let verb = Said::verb(verb);
    match (was.map(Said::kept), became.map(Said::kept)) {
        (Some(was), Some(became)) => verb.then(": ").then(was).then(" → ").then(became),
        (None, Some(text)) | (Some(text), None) => verb.then(": ").then(text),
        (None, None) => verb,
    }
}

/// Why it was done: in the words of whoever did it; what we did by ourselves has ours.
pub fn reason_of(here: &Here, row: &Row) -> String {
    let reason = row.reason.as_deref().unwrap_or("");
    match row.who == OURSELVES {
        true => here.told(&Said::kept(reason)),
        false => visible(reason),
    }
}

/// `GET /report/15/message/15@lis`: a message byte for byte, segment by segment.
pub async fn message(
    here: Here,
    Path((n, name)): Path<(String, String)>,
) -> Result<Response, Halt> {
    let id = number(&here, &n)?;
    let typed = Typed::Reports { first: id, last: id, receiver: None, withdraws: false };
    let ledger = &here.ledger;
    let asked = async {
        let listed = ledger.messages_named(&typed).await?;
        match listed.iter().find(|m| m.control_id == name) {
            Some(one) => ledger.message(one.n, &here.bench.clock).await,
            None => Ok(None),
        }
    };
    let found = ledger.within(asked).await.map_err(|e| Halt::store(here.language, &e))?;
    let whole = found.ok_or_else(|| Halt::lost(here.language))?;
    let text = String::from_utf8_lossy(&whole.body);
    let lines: Vec<String> = text.split('\r').map(visible).collect();
    let kind = [(header::CONTENT_TYPE, "text/plain; charset=utf-8")];
    Ok((kind, lines.join("\n")).into_response())
}

/// `POST /report/15/withdraw`, `correct`, `undo`: what was told, or what a person decided, is amended.
pub async fn act(Path((n, act)): Path<(String, String)>, signed: Signed) -> Result<Response, Halt> {
    let here = signed.here.clone();
    let id = number(&here, &n)?;
    here.must(if act == "correct" { PersonRole::Analyst } else { PersonRole::Technologist })?;
    let to = format!("/report/{id}");
    if !signed.is_first() {
        return Ok(Redirect::to(&to).into_response());
    }
    let done = match as_it_was(&here, id, signed.fields.get("seen")).await {
        Ok(()) => acted(&signed, id, &act).await,
        Err(halt) => Err(halt),
    };
    match done {
        Ok(told) => {
            here.tell(told);
            Ok(Redirect::to(&to).into_response())
        }
        Err(halt) => shown(here, id, Some(halt)).await,
    }
}

async fn acted(signed: &Signed, id: i64, act: &str) -> Result<String, Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let (ledger, bench, actor) = (&here.ledger, &here.bench, here.actor());
    let wrong = |e: StoreError| Halt::store(here.language, &e);
    let told = |place: &str| here.language.say(place, &[("n", &id.to_string())]);
    if act == "telephoned" {
        return super::calls::noted(signed, &id.to_string()).await;
    }
    let reason = reason(here, fields.get("reason"))?;
    match act {
        "withdraw" => {
            let (first, again) = (fields.get("specimen").trim(), fields.get("again").trim());
            let right =
                match fields.get("for_good") == "yes" && first.is_empty() && again.is_empty() {
                    true => None,
                    false if first.is_empty() && again.is_empty() => {
                        let code = StatusCode::UNPROCESSABLE_ENTITY;
                        return Err(Halt::new(code, here.language, here.t("report.which")));
                    }
                    false => Some(Twice::of(Entered::Specimens, first, again).map_err(wrong)?),
                };
            here.must_prove(fields.get("password")).await?;
            let done = ledger.report_withdraw(bench, &actor, id, reason, right.as_ref());
            ledger.within(done).await.map_err(wrong)?;
            Ok(told("done.withdraw"))
        }
        "correct" => {
            let tape = Tape::look(&bench.tape).await.map_err(wrong)?;
            let done = ledger.report_correct(bench, &tape, &actor, id, None, reason);
            let done = ledger.within(done).await.map_err(wrong)?;
            let changed = i64::try_from(done.differences.len()).unwrap_or(i64::MAX);
            Ok(here.language.counted("done.correct", changed))
        }
        "undo" => {
            let done = ledger.report_undo(bench, &actor, id, reason);
            ledger.within(done).await.map_err(wrong)?;
            Ok(told("done.undo"))
        }
        _ => Err(Halt::lost(here.language)),
    }
}
