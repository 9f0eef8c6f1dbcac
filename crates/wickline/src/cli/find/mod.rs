//! `find`: every report of a specimen id, number, control id or OBR-3; and looking back over many.

mod look_back;
mod page;

use std::collections::BTreeMap;
use std::path::PathBuf;

use clap::Args;
use serde::Serialize;

use super::output::Output;
use super::{Answer, Desk, Exit, Failure, id};
use crate::acts::comparing;
use crate::acts::holdings::Holding;
pub use crate::sheet::meant::meant;
use crate::store::lists::find::Before;
use crate::store::lists::names::{Listed, Typed};
use crate::store::lists::orders::{AskedOrders, OrderView};
use crate::store::lists::reports::{Item, Kept};
use crate::store::rows::order::called;
use crate::store::rows::question::Said;
use crate::store::trail::Row;

/// `wickline find KP-20417`, `wickline find --lot S-2207 --csv recalled.csv`
#[derive(Debug, Args)]
pub struct Options {
    /// A specimen id (of now or of before, also as scanned), a number, a control id, an OBR-3 or a
    /// report's id
    #[arg(required_unless_present_any = ["lot", "since_pass", "fingerprint"])]
    text: Option<String>,
    /// Every patient's report of a strip lot
    #[arg(long, value_name = "LOT", conflicts_with_all = ["text", "since_pass", "fingerprint"])]
    lot: Option<String>,
    /// Every patient's report between the last run that passed and this one that failed, by its report
    #[arg(long, value_name = "RUN", conflicts_with_all = ["text", "fingerprint"])]
    since_pass: Option<String>,
    /// Every patient's report that was sent under a configuration, by the first digits of its fingerprint
    #[arg(long, value_name = "FINGERPRINT", conflicts_with = "text")]
    fingerprint: Option<String>,
    /// Into a table (CSV) instead; it holds specimen ids
    #[arg(long, value_name = "FILE", conflicts_with = "text")]
    csv: Option<PathBuf>,
    /// At most so many reports, the latest
    #[arg(long, default_value_t = 20, value_parser = clap::value_parser!(u16).range(1..=1000))]
    limit: u16,
}

/// One report with everything that is known of it.
#[derive(Debug, Serialize)]
pub struct Whole {
    #[serde(flatten)]
    pub item: Item,
    pub found_by: Vec<&'static str>,
    /// The serial number of the instrument, where one took another's place.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub serial: Option<String>,
    pub readings: Vec<Reading>,
    /// The orders of its specimen, and who was asked about it.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub orders: Vec<OrderOf>,
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub asked: Vec<Asked>,
    /// Specimen ids that it had before.
    pub before: Vec<Before>,
    pub history: Vec<Row>,
    messages: Vec<Sent>,
    receivers: Vec<Holding>,
    /// Its messages, as the ledger numbers them.
    #[serde(skip)]
    pub numbers: Vec<i64>,
}

/// One pad in words.
#[derive(Debug, Serialize)]
pub struct Reading {
    pub analyte: String,
    pub text: String,
}

/// One order of its specimen.
#[derive(Debug, Serialize)]
pub struct OrderOf {
    order: String,
    source: String,
    standing: &'static str,
    /// Our own number of it, as the trail and notices have it.
    here: String,
    strip: &'static str,
    disputed: bool,
    #[serde(skip_serializing_if = "Option::is_none")]
    todo: Option<String>,
}

impl OrderOf {
    fn of(view: &OrderView) -> Self {
        let order = &view.kept.order;
        let disputed = order.is_disputed();
        let (source, standing) = (order.key.source.clone(), order.standing.code());
        Self {
            order: called(&order.key).to_owned(),
            source,
            standing,
            here: view.kept.n.to_string(),
            strip: view.trace(),
            disputed,
            todo: view.todo(),
        }
    }

    fn words(&self) -> String {
        let Self { order, source, standing, strip, here, .. } = self;
        let also = if self.disputed && *standing != "disputed" { ", disputed" } else { "" };
        let todo = self.todo.as_ref().map_or(String::new(), |todo| format!("; {todo}"));
        format!("order {order} of {source}: {standing}{also}, {strip} (order {here} here){todo}")
    }
}

/// One source that was asked about its specimen.
#[derive(Debug, Serialize)]
pub struct Asked {
    source: String,
    at: String,
    said: &'static str,
    #[serde(skip)]
    words: &'static str,
}

/// One message of it.
#[derive(Debug, Serialize)]
struct Sent {
    message: String,
    control_id: String,
    state: &'static str,
}

pub async fn find(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    Desk::with(config, true, async |desk| asked(desk, &options, out).await).await
}

async fn asked(desk: &Desk, options: &Options, out: &Output) -> Answer {
    let asked = match (&options.lot, &options.since_pass, &options.fingerprint) {
        (Some(lot), ..) => look_back::Asked::Lot(lot.clone()),
        (_, Some(run), _) => look_back::Asked::SincePass(id(run)?),
        (.., Some(print)) => look_back::Asked::Fingerprint(print.clone()),
        _ => return by_text(desk, options, out).await,
    };
    look_back::look(desk, &asked, options.csv.as_deref(), out).await
}

async fn by_text(desk: &Desk, options: &Options, out: &Output) -> Answer {
    let text = options.text.as_deref().unwrap_or_default();
    let mut found = desk.ledger.found(&meant(&desk.bench, text)).await?;
    let ordered = ordered(desk, text).await?;
    for (n, by) in &ordered.reports {
        found.entry(*n).or_insert_with(|| by.clone());
    }
    let most = usize::from(options.limit);
    let mut whole = Vec::new();
    for (n, by) in found.iter().rev().take(most) {
        whole.push(read(desk, *n, by.clone()).await?);
    }
    // The latest were looked up; people read in the order in which it happened.
    whole.reverse();
    if out.json {
        let totals = serde_json::json!({"reports": found.len()});
        let orders = &ordered.without;
        out.document(&serde_json::json!({"items": whole, "orders": orders, "totals": totals}))?;
    } else {
        for order in &ordered.without {
            out.line(&order.words());
        }
        for one in &whole {
            page::show(one, desk.clock(), out);
        }
        match found.len() {
            0 if !ordered.without.is_empty() => {}
            0 => {
                out.line(&format!("no report has or had {text} as an id, a number or a control id"))
            }
            many if many > most => out.line(&format!(
                "{most} of {many}, the latest; `wickline find {} --limit 1000` shows more",
                crate::sheet::todo::word(text)
            )),
            _ => {}
        }
    }
    let nothing = found.is_empty() && ordered.without.is_empty();
    Ok(if nothing { Exit::NotClean } else { Exit::Done })
}

/// What the orders of a number or a specimen id lead to.
#[derive(Default)]
struct Found {
    /// The reports that answer them, and those of their specimens.
    reports: BTreeMap<i64, Vec<&'static str>>,
    /// Orders of which no report is known.
    without: Vec<OrderOf>,
}

async fn ordered(desk: &Desk, text: &str) -> Result<Found, Failure> {
    let mut found = Found::default();
    if !desk.bench.has_orders() {
        return Ok(found);
    }
    for view in desk.ledger.orders(&AskedOrders::Text(text.trim().to_owned())).await? {
        let wanted = view.kept.order.wanted.iter().flat_map(|wanted| &wanted.specimens);
        let specimens: Vec<String> = wanted.map(|id| id.expose().to_owned()).collect();
        let mut reports = view.reports.clone();
        reports.extend(desk.ledger.found(&specimens).await?.into_keys());
        if reports.is_empty() {
            found.without.push(OrderOf::of(&view));
        }
        found.reports.extend(reports.into_iter().map(|n| (n, vec!["order"])));
    }
    Ok(found)
}

pub async fn read(desk: &Desk, n: i64, found_by: Vec<&'static str>) -> Result<Whole, Failure> {
    let (ledger, clock) = (&desk.ledger, desk.clock());
    let kept = ledger.report(n, clock).await?;
    let kept = kept.ok_or_else(|| Failure::unreachable(format!("report {n} is gone")))?;
    let typed = Typed::Reports { first: n, last: n, receiver: None, withdraws: false };
    let messages = ledger.messages_named(&typed).await?;
    let named: Vec<_> = messages.iter().map(|m| (m.n, m.name.clone())).collect();
    let specimen = kept.item.specimen.as_deref().filter(|_| desk.bench.has_orders());
    Ok(Whole {
        readings: readings(&kept),
        orders: orders(desk, specimen).await?,
        asked: asked_about(desk, specimen).await?,
        found_by,
        serial: ledger.instrument_of(n).await?.map(|one| one.serial),
        before: ledger.named_before(n).await?,
        history: ledger.history(n, &named).await?,
        numbers: messages.iter().map(|m| m.n).collect(),
        messages: messages.into_iter().map(sent).collect(),
        receivers: ledger.holdings(n).await?,
        item: kept.item,
    })
}

async fn orders(desk: &Desk, specimen: Option<&str>) -> Result<Vec<OrderOf>, Failure> {
    let Some(specimen) = specimen else { return Ok(Vec::new()) };
    let found = desk.ledger.orders(&AskedOrders::Specimen(specimen.to_owned())).await?;
    Ok(found.iter().map(OrderOf::of).collect())
}

async fn asked_about(desk: &Desk, specimen: Option<&str>) -> Result<Vec<Asked>, Failure> {
    let Some(specimen) = specimen else { return Ok(Vec::new()) };
    let found = desk.ledger.asked_about(specimen).await?.into_iter();
    let one = |(source, at, said): (String, i64, Said)| {
        let at = desk.clock().rfc3339(at);
        Asked { source, at, said: said.code(), words: said.words() }
    };
    Ok(found.map(one).collect())
}

fn sent(message: Listed) -> Sent {
    let Listed { name, control_id, state, kept_back, .. } = message;
    Sent { message: name.to_string(), control_id, state: state.shown(kept_back) }
}

/// The readings of a report in words.
fn readings(kept: &Kept) -> Vec<Reading> {
    let texts = comparing::texts(&kept.readings).into_iter();
    texts.map(|(analyte, text)| Reading { analyte, text }).collect()
}
