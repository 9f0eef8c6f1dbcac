//! What waits, with its readings as they would arrive, for those who report by hand meanwhile.

use std::path::Path;

use askama::Template;
use serde::Serialize;
use serde_json::json;
use wickline_forward::hl7::Message;

use super::super::output::Output;
use super::super::{Answer, Desk, Exit, Failure};
use crate::clock;
use crate::store::lists::queue::{Asked, QueueItem};

/// The most messages on one list.
const MOST: i64 = 5000;

/// One message that waits.
#[derive(Debug, Serialize)]
struct Slip {
    #[serde(flatten)]
    item: QueueItem,
    readings: Vec<Shown>,
}

impl Slip {
    fn text(text: &Option<String>) -> &str {
        text.as_deref().unwrap_or("-")
    }

    fn specimen(&self) -> &str {
        Self::text(&self.item.specimen)
    }

    fn number(&self) -> &str {
        Self::text(&self.item.number)
    }

    fn taken(&self) -> &str {
        self.item.taken_at.as_deref().unwrap_or(&self.item.heard_at)
    }
}

/// One OBX, as the receiver would have it.
#[derive(Debug, Serialize)]
struct Shown {
    name: String,
    value: String,
    unit: String,
    flag: String,
}

#[derive(Template)]
#[template(path = "waiting.html")]
struct Page<'a> {
    site: &'a str,
    printed: String,
    slips: &'a [Slip],
}

/// `queue print`
pub async fn print(desk: &Desk, asked: &Asked, html: Option<&Path>, out: &Output) -> Answer {
    let asked = Asked { limit: MOST, ..asked.clone() };
    let mut slips = Vec::new();
    for item in desk.ledger.queue(&asked, desk.clock()).await? {
        let body =
            desk.ledger.message(item.n, desk.clock()).await?.map(|w| w.body).unwrap_or_default();
        slips.push(Slip { readings: readings(&body), item });
    }
    let site = desk.bench.site_name.as_str();
    let printed = desk.clock().rfc3339(clock::now_us());
    if let Some(path) = html {
        let page = Page { site, printed, slips: &slips };
        let text = page.render().map_err(|e| Failure::unreachable(e.to_string()))?;
        std::fs::write(path, text)
            .map_err(|e| Failure::unreachable(format!("{}: {e}", path.display())))?;
        let (count, path) = (slips.len(), path.display());
        out.line(&format!(
            "{count} message(s) on {path}; it holds specimen ids: keep it as you keep reports"
        ));
        return Ok(Exit::Done);
    }
    if out.json {
        out.document(&json!({ "printed": printed, "items": slips }))?;
        return Ok(Exit::Done);
    }
    out.line(&format!("{site}   not yet accepted, {printed}"));
    for slip in &slips {
        let item = &slip.item;
        out.line(&format!(
            "specimen {}   {} number {}   taken {}   for {}: {}",
            slip.specimen(),
            item.analyzer,
            slip.number(),
            slip.taken(),
            item.receiver,
            item.state
        ));
        for shown in &slip.readings {
            let Shown { name, value, unit, flag } = shown;
            out.line(format!("    {name:<24} {value} {unit} {flag}").trim_end());
        }
    }
    out.line(
        "What is reported by hand still goes out by itself: set aside what must not come twice.",
    );
    Ok(Exit::Done)
}

fn readings(body: &[u8]) -> Vec<Shown> {
    let Ok(message) = Message::read(body) else { return Vec::new() };
    let part = |nth, field, component| message.component("OBX", nth, field, component);
    (1..=message.count("OBX"))
        .map(|nth| {
            // Our own name where there is one, else the code's.
            let ours = [part(nth, 3, 5), part(nth, 3, 2), part(nth, 3, 1)];
            let value = match part(nth, 2, 1).as_str() {
                "SN" => (1..=4).map(|c| part(nth, 5, c)).collect(),
                "CE" | "CWE" => part(nth, 5, 2),
                _ => part(nth, 5, 1),
            };
            let unread = part(nth, 11, 1) == "X";
            Shown {
                name: ours.into_iter().find(|n| !n.is_empty()).unwrap_or_default(),
                value: if unread { "not read".into() } else { value },
                unit: part(nth, 6, 1),
                flag: part(nth, 8, 1),
            }
        })
        .collect()
}
