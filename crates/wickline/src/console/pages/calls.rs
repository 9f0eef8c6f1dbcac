//! The telephone list: urgent results that no receiver has, each with the act that says who was told; and who was told
//! today.

use askama::Template;
use axum::http::StatusCode;
use axum::response::{IntoResponse, Redirect, Response};

use super::held::{one_strip, taken};
use crate::acts::people::PersonRole;
use crate::acts::telephoned::Called;
use crate::console::form::Signed;
use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::seen::visible;
use crate::sheet::calls::{Calls, Told};
use crate::store::StoreError;
use crate::store::lists::reports::Item;
use crate::texts::Said;

/// One result that must be told.
struct Row {
    id: String,
    number: String,
    analyzer: String,
    specimen: String,
    taken: String,
    way: String,
    strip: String,
    abnormal: String,
}

/// One that was told today.
struct Done {
    id: String,
    number: String,
    specimen: String,
    at: String,
    who: String,
    told: String,
}

#[derive(Template)]
#[template(path = "console/calls.html")]
struct Page {
    frame: Frame,
    line: String,
    rows: Vec<Row>,
    told: Vec<Done>,
    may: bool,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

/// `GET /calls`
pub async fn page(here: Here) -> Result<Response, Halt> {
    shown(here, None).await
}

async fn row(here: &Here, item: &Item) -> Result<Row, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let kept = ledger.within(ledger.report(item.id.parse().unwrap_or(0), &bench.clock)).await;
    let kept = kept.map_err(|e| Halt::store(here.language, &e))?;
    let readings = kept.map(|kept| kept.readings).unwrap_or_default();
    Ok(Row {
        id: item.id.clone(),
        number: frame::cell(item.number.as_deref().unwrap_or("-")),
        analyzer: item.analyzer.clone(),
        specimen: frame::cell(item.specimen.as_deref().unwrap_or("")),
        taken: taken(bench, item),
        way: frame::way(here, item),
        strip: frame::strip(&readings, one_strip(bench, item)),
        abnormal: frame::abnormal(&readings),
    })
}

fn done(here: &Here, told: &Told) -> Done {
    Done {
        id: told.id.clone(),
        number: frame::cell(told.number.as_deref().unwrap_or("-")),
        specimen: frame::cell(told.specimen.as_deref().unwrap_or("")),
        at: frame::moment(&here.bench, &told.at),
        who: visible(&told.who),
        told: here.told(&Said::kept(&told.told)),
    }
}

async fn shown(here: Here, halt: Option<Halt>) -> Result<Response, Halt> {
    let (ledger, bench) = (&here.ledger, &here.bench);
    let calls = ledger.within(Calls::read(ledger, bench)).await;
    let calls = calls.map_err(|e| Halt::store(here.language, &e))?;
    let mut rows = Vec::new();
    for item in &calls.items {
        rows.push(row(&here, item).await?);
    }
    let code = halt.as_ref().map_or(StatusCode::OK, Halt::code);
    let page = Page {
        line: match i64::try_from(rows.len()).unwrap_or(i64::MAX) {
            0 => here.t("calls.none").to_owned(),
            n => here.language.counted("calls.due", n),
        },
        rows,
        told: calls.told.iter().map(|told| done(&here, told)).collect(),
        may: here.may(PersonRole::Technologist),
        frame: Frame::of(&here, "calls").await?.with(halt.map(|h| h.text().to_owned())),
    };
    Ok(frame::shown(&here, code, page.render()))
}

/// `POST /calls`
pub async fn call(signed: Signed) -> Result<Response, Halt> {
    let here = signed.here.clone();
    here.must(PersonRole::Technologist)?;
    if !signed.is_first() {
        return Ok(Redirect::to("/calls").into_response());
    }
    match noted(&signed, signed.fields.get("report")).await {
        Ok(told) => {
            here.tell(told);
            Ok(Redirect::to("/calls").into_response())
        }
        Err(halt) => shown(here, Some(halt)).await,
    }
}

/// Notes the call that a form tells of.
pub async fn noted(signed: &Signed, report: &str) -> Result<String, Halt> {
    let (here, fields) = (&signed.here, &signed.fields);
    let id: i64 = report.parse().map_err(|_| Halt::lost(here.language))?;
    let called = Called {
        who: fields.get("who").to_owned(),
        when: fields.get("when").to_owned(),
        read_back: fields.get("read_back") == "yes",
    };
    let (ledger, actor) = (&here.ledger, here.actor());
    let clock = &here.bench.clock;
    let done = ledger.within(ledger.report_telephoned(clock, &actor, id, &called)).await;
    done.map_err(|e: StoreError| Halt::store(here.language, &e))?;
    Ok(here.language.say("done.telephoned", &[("n", &id.to_string())]))
}
