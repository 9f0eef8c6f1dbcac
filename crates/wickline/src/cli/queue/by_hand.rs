//! What waits, with its readings as they would arrive, for those who report by hand meanwhile.

use std::path::Path;

use askama::Template;
use serde::Serialize;
use serde_json::json;
use wickline_forward::hl7::{Message, results, shown};

use super::super::output::Output;
use super::super::{Answer, Desk, Exit, Failure};
use crate::acts::holdings::Line;
use crate::clock;
use crate::store::lists::queue::{Asked, QueueItem};

/// The most messages on one list.
const MOST: i64 = 5000;

/// One message that waits.
#[derive(Debug, Serialize)]
struct Slip {
    #[serde(flatten)]
    item: QueueItem,
    readings: Vec<Line>,
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

    /// What stands behind its state: that it replaces what was told, or why it is kept back.
    fn beside(&self) -> String {
        let corrects = self.item.amends.as_deref() == Some("corrects");
        let why = self.item.detail.as_deref().filter(|_| self.item.on_hold);
        let corrects = if corrects { ", corrects what was told before" } else { "" };
        format!("{corrects}{}", why.map_or(String::new(), |why| format!(", {why}")))
    }

    fn taken(&self) -> &str {
        self.item.taken_at.as_deref().unwrap_or(&self.item.heard_at)
    }
}

#[derive(Template)]
#[template(path = "waiting.html")]
struct Page<'a> {
    site: &'a str,
    printed: String,
    slips: &'a [Slip],
    /// Results that a receiver has and that are taken back.
    withdrawals: &'a [Slip],
}

/// `queue print`
pub async fn print(desk: &Desk, asked: &Asked, html: Option<&Path>, out: &Output) -> Answer {
    let asked = Asked { limit: MOST, ..asked.clone() };
    let (mut slips, mut withdrawals) = (Vec::new(), Vec::new());
    for item in desk.ledger.queue(&asked, desk.clock()).await? {
        let body =
            desk.ledger.message(item.n, desk.clock()).await?.map(|w| w.body).unwrap_or_default();
        // What is taken back is nothing to report, whatever its message repeats.
        let list = if item.withdraws() { &mut withdrawals } else { &mut slips };
        list.push(Slip { readings: readings(&body), item });
    }
    let site = desk.bench.site_name.as_str();
    let printed = desk.clock().rfc3339(clock::now_us());
    if let Some(path) = html {
        let page = Page { site, printed, slips: &slips, withdrawals: &withdrawals };
        let text = page.render().map_err(|e| Failure::unreachable(e.to_string()))?;
        crate::cli::file::write(path, &text)?;
        let (count, path) = (slips.len() + withdrawals.len(), path.display());
        out.line(&format!(
            "{count} message(s) on {path}; it holds specimen ids: keep it as you keep reports"
        ));
        return Ok(Exit::Done);
    }
    if out.json {
        out.document(&json!({"printed": printed, "items": slips, "withdrawals": withdrawals}))?;
        return Ok(Exit::Done);
    }
    out.line(&format!("{site}   not yet accepted, {printed}"));
    for slip in &slips {
        let item = &slip.item;
        out.line(&format!(
            "specimen {}   {} number {}   taken {}   for {}: {}{}",
            slip.specimen(),
            item.analyzer,
            slip.number(),
            slip.taken(),
            item.receiver,
            item.state.shown(item.on_hold),
            slip.beside()
        ));
        for reading in &slip.readings {
            let Line { name, value, unit, flag } = reading;
            out.line(format!("    {name:<24} {value} {unit} {flag}").trim_end());
        }
    }
    for slip in &withdrawals {
        let (specimen, receiver) = (slip.specimen(), &slip.item.receiver);
        out.line(&format!(
            "specimen {specimen}   DO NOT REPORT: {} is withdrawn, and {receiver} still has it; the withdrawal \
             goes out by itself",
            slip.number()
        ));
    }
    out.line(
        "What is reported by hand still goes out by itself: set aside what must not come twice.",
    );
    Ok(Exit::Done)
}

fn readings(body: &[u8]) -> Vec<Line> {
    let Ok(message) = Message::read(body) else { return Vec::new() };
    results(&message).into_iter().map(|nth| shown(&message, nth).into()).collect()
}
