//! Reports as programs see them: each with everything that is known of it, found by whatever somebody has in hand.

use std::collections::BTreeMap;

use serde::Serialize;
use serde_json::{Value, json};

use crate::acts::comparing;
use crate::acts::holdings::Holding;
use crate::settings::bench::Bench;
use crate::sheet::meant::meant;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::find::Before;
use crate::store::lists::names::{Listed, Typed};
use crate::store::lists::orders::{AskedOrders, OrderView};
use crate::store::lists::reports::{Item, Kept};
use crate::store::rows::order::called;
use crate::store::rows::question::Said;
use crate::store::trail::Row;
use crate::texts;

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
    pub messages: Vec<Sent>,
    pub receivers: Vec<Holding>,
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
    strip: texts::Said,
    disputed: bool,
    /// Of which specimens a person has said that they are not its patient's, and what takes that back.
    #[serde(skip_serializing_if = "Option::is_none")]
    wrong_for: Option<texts::Said>,
    #[serde(skip_serializing_if = "Option::is_none")]
    todo: Option<texts::Said>,
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
            wrong_for: view.called_wrong(),
            todo: view.todo(),
        }
    }

    /// In one line, for people.
    #[must_use]
    pub fn words(&self) -> String {
        let Self { order, source, standing, strip, here, .. } = self;
        let also = if self.disputed && *standing != "disputed" { ", disputed" } else { "" };
        let todo = self.todo.as_ref().map_or(String::new(), |todo| format!("; {todo}"));
        let wrong =
            self.wrong_for.as_ref().map_or(String::new(), |text| format!("; wrong for {text}"));
        format!(
            "order {order} of {source}: {standing}{also}, {strip} (order {here} here){wrong}{todo}"
        )
    }
}

/// One source that was asked about its specimen.
#[derive(Debug, Serialize)]
pub struct Asked {
    pub source: String,
    pub at: String,
    said: &'static str,
    #[serde(skip)]
    pub words: &'static str,
}

/// One message of it.
#[derive(Debug, Serialize)]
pub struct Sent {
    pub message: String,
    pub control_id: String,
    pub state: &'static str,
}

/// What was found by a text.
#[derive(Debug)]
pub struct Found {
    /// The latest, in the order in which it happened.
    pub reports: Vec<Whole>,
    /// Orders of which no report is known.
    pub orders: Vec<OrderOf>,
    /// How many reports there are.
    pub all: usize,
}

impl Found {
    /// Nothing at all.
    #[must_use]
    pub fn is_nothing(&self) -> bool {
        self.all == 0 && self.orders.is_empty()
    }

    /// As programs get it.
    #[must_use]
    pub fn document(&self) -> Value {
        json!({"items": self.reports, "orders": self.orders, "totals": {"reports": self.all}})
    }
}

/// The latest reports of a specimen id, number, control id, OBR-3, order or report id, as somebody typed or scanned it.
pub async fn found(
    ledger: &Ledger,
    bench: &Bench,
    text: &str,
    most: usize,
) -> Result<Found, StoreError> {
    let mut found = ledger.found(&meant(bench, text)).await?;
    let ordered = ordered(ledger, bench, text).await?;
    for (n, by) in &ordered.reports {
        found.entry(*n).or_insert_with(|| by.clone());
    }
    let mut reports = Vec::new();
    for (n, by) in found.iter().rev().take(most) {
        reports.extend(whole(ledger, bench, *n, by.clone()).await?);
    }
    // The latest were looked up; people read in the order in which it happened.
    reports.reverse();
    Ok(Found { reports, orders: ordered.without, all: found.len() })
}

/// What the orders of a number or a specimen id lead to.
#[derive(Default)]
struct Ordered {
    /// The reports that answer them, and those of their specimens.
    reports: BTreeMap<i64, Vec<&'static str>>,
    /// Orders of which no report is known.
    without: Vec<OrderOf>,
}

async fn ordered(ledger: &Ledger, bench: &Bench, text: &str) -> Result<Ordered, StoreError> {
    let mut found = Ordered::default();
    if !bench.has_orders() {
        return Ok(found);
    }
    for view in ledger.orders(&AskedOrders::Text(text.trim().to_owned())).await? {
        let wanted = view.kept.order.wanted.iter().flat_map(|wanted| &wanted.specimens);
        let specimens: Vec<String> = wanted.map(|id| id.expose().to_owned()).collect();
        let mut reports = view.reports.clone();
        reports.extend(ledger.found(&specimens).await?.into_keys());
        if reports.is_empty() {
            found.without.push(OrderOf::of(&view));
        }
        found.reports.extend(reports.into_iter().map(|n| (n, vec!["order"])));
    }
    Ok(found)
}

/// One report. None: it is not there.
pub async fn whole(
    ledger: &Ledger,
    bench: &Bench,
    n: i64,
    found_by: Vec<&'static str>,
) -> Result<Option<Whole>, StoreError> {
    let Some(kept) = ledger.report(n, &bench.clock).await? else { return Ok(None) };
    let typed = Typed::Reports { first: n, last: n, receiver: None, withdraws: false };
    let messages = ledger.messages_named(&typed).await?;
    let named: Vec<_> = messages.iter().map(|m| (m.n, m.name.clone())).collect();
    let specimen = kept.item.specimen.as_deref().filter(|_| bench.has_orders());
    Ok(Some(Whole {
        readings: readings(&kept),
        orders: orders(ledger, specimen).await?,
        asked: asked_about(ledger, bench, specimen).await?,
        found_by,
        serial: ledger.instrument_of(n).await?.map(|one| one.serial),
        before: ledger.named_before(n).await?,
        history: ledger.history(n, &named).await?,
        numbers: messages.iter().map(|m| m.n).collect(),
        messages: messages.into_iter().map(sent).collect(),
        receivers: ledger.holdings(n).await?,
        item: kept.item,
    }))
}

async fn orders(ledger: &Ledger, specimen: Option<&str>) -> Result<Vec<OrderOf>, StoreError> {
    let Some(specimen) = specimen else { return Ok(Vec::new()) };
    let found = ledger.orders(&AskedOrders::Specimen(specimen.to_owned())).await?;
    Ok(found.iter().map(OrderOf::of).collect())
}

async fn asked_about(
    ledger: &Ledger,
    bench: &Bench,
    specimen: Option<&str>,
) -> Result<Vec<Asked>, StoreError> {
    let Some(specimen) = specimen else { return Ok(Vec::new()) };
    let found = ledger.asked_about(specimen).await?.into_iter();
    let one = |(source, at, said): (String, i64, Said)| {
        let at = bench.clock.rfc3339(at);
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
