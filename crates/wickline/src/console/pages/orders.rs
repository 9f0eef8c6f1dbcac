//! Orders: what sources wait for, urgent first, how far each is. Who is ordered is no part of it: the number and the
//! specimen are.

use askama::Template;
use axum::http::StatusCode;
use axum::response::Response;
use wickline_normalize::orders::Standing;

use crate::console::frame::{self, Frame};
use crate::console::halt::Halt;
use crate::console::here::Here;
use crate::store::lists::orders::{AskedOrders, OrderView};
use crate::store::rows::order::called;

/// Rows of a page.
const MOST: i64 = 200;

/// One order.
struct Row {
    number: String,
    here: i64,
    source: String,
    specimens: String,
    urgent: bool,
    received: String,
    standing: &'static str,
    strip: String,
    todo: String,
    reports: Vec<i64>,
}

#[derive(Template)]
#[template(path = "console/orders.html")]
struct Page {
    frame: Frame,
    line: String,
    wrong: bool,
    disputed: Vec<Row>,
    open: Vec<Row>,
}

impl Page {
    fn t(&self, place: &str) -> &'static str {
        self.frame.t(place)
    }
}

fn row(here: &Here, view: &OrderView) -> Row {
    let order = &view.kept.order;
    let wanted = order.wanted.as_ref();
    let ids: Vec<&str> = wanted.iter().flat_map(|w| &w.specimens).map(|id| id.expose()).collect();
    Row {
        number: frame::cell(called(&order.key)),
        here: view.kept.n,
        source: order.key.source.clone(),
        specimens: frame::cell(&ids.join(", ")),
        urgent: wanted.is_some_and(|wanted| wanted.urgent),
        received: frame::time(&here.bench, order.received.saturating_mul(1_000_000)),
        standing: here.t(&format!("standing.{}", order.standing.code())),
        strip: here.told(&view.trace()),
        todo: view.todo().map_or(String::new(), |todo| here.told(&todo)),
        reports: view.reports.clone(),
    }
}

/// `GET /orders`
pub async fn page(here: Here) -> Result<Response, Halt> {
    let ledger = &here.ledger;
    let asked = async {
        let disputed = ledger.orders(&AskedOrders::Standing(Standing::Disputed, MOST)).await?;
        Ok((disputed, ledger.orders(&AskedOrders::Open(MOST)).await?))
    };
    let (disputed, open) =
        ledger.within(asked).await.map_err(|e| Halt::store(here.language, &e))?;
    let n = |all: &[OrderView]| i64::try_from(all.len()).unwrap_or(i64::MAX);
    let page = Page {
        line: match (n(&disputed), n(&open)) {
            (0, 0) => here.t("orders.none").to_owned(),
            (0, n) => here.language.counted("orders.open", n),
            (n, _) => here.language.counted("orders.disputed", n),
        },
        wrong: !disputed.is_empty(),
        disputed: disputed.iter().map(|view| row(&here, view)).collect(),
        open: open.iter().map(|view| row(&here, view)).collect(),
        frame: Frame::of(&here, "orders").await?,
    };
    Ok(frame::shown(&here, StatusCode::OK, page.render()))
}
