//! What a practice information system has ordered of a daemon, and what of it came back.

use std::collections::BTreeSet;
use std::path::Path;
use std::time::Duration;

use serde_json::json;
use wickline_forward::deliver::{Address, Courier, Limits, Outcome, Tls};
use wickline_forward::hl7::Message;

use super::output::Output;
use super::{Exit, Failure};
use crate::clock::{self, SiteClock};
use crate::simulate::orders::Orders;

/// What was ordered, and what of it came back.
#[derive(Default)]
pub struct Ordered {
    orders: Option<Orders>,
    /// Numbers of orders that no result has answered.
    pub open: BTreeSet<String>,
    /// Something that came back was not as ordered.
    pub differs: bool,
}

impl Ordered {
    /// Orders all of it, one message after the other.
    pub async fn send(orders: Orders, source: &str, out: &Output) -> Result<Self, Failure> {
        let address = Address::parse(&format!("mllp://{source}"), Path::new("."), &Tls::default());
        let address = address.map_err(|why| Failure::wrong(format!("--source: {why}")))?;
        let limits = Limits::with_ack_timeout(Duration::from_secs(10));
        let mut courier = Courier::new(vec![address], limits);
        let clock = SiteClock::new("UTC").map_err(Failure::wrong)?;
        let mut all = Self::default();
        for (key, order) in (0..).zip(&orders.order) {
            // Whoever asks again with the same file asks something else: the same bytes would get the first answer.
            let id = format!("P{}", clock::now_us());
            courier.offer(key, &id, orders.message(order, &id, clock.moment(clock::now_us())));
            let said = match courier.next().await.into_iter().next() {
                Some((_, Outcome::Settled { answer, .. })) => said(&answer),
                Some((_, Outcome::NotConnected { why } | Outcome::Unanswered { why })) => {
                    return Err(Failure::unreachable(format!("{source}: {why}")));
                }
                None => return Err(Failure::unreachable(format!("{source}: no answer"))),
            };
            let number = &order.number;
            if order.control == "NW" && said.ends_with("OK") {
                all.open.insert(number.clone());
            }
            if out.json {
                out.document(&json!({"event": "ordered", "order": number, "answer": said}))?;
            }
            out.line(&format!("        {} {number}: {said}", order.control));
        }
        all.orders = Some(orders);
        Ok(all)
    }

    /// Compares a result with what was ordered. Each line of it begins with `lead`. Whether it answers anything.
    pub fn came(&mut self, body: &[u8], lead: &str, out: &Output) -> Result<bool, Failure> {
        let Some(orders) = &self.orders else { return Ok(true) };
        let answered = orders.compare(body).map_err(Failure::unreachable)?;
        let any = !answered.is_empty();
        for one in answered {
            self.open.remove(&one.number);
            self.differs |= !one.wrong.is_empty();
            if out.json {
                let (number, wrong) = (&one.number, &one.wrong);
                out.document(&json!({"event": "answered", "order": number, "differs": wrong}))?;
            }
            let how = match one.wrong.is_empty() {
                true => "as ordered".to_owned(),
                false => format!("but {}", one.wrong.join("; ")),
            };
            out.line(&format!("{lead} answers {}, {how}", one.number));
        }
        Ok(any)
    }

    /// What was ordered and did not come.
    pub fn end(self, out: &Output) -> Exit {
        let open: Vec<&str> = self.open.iter().map(String::as_str).collect();
        if !open.is_empty() {
            out.line(&format!("no result came for {}", open.join(", ")));
        }
        let clean = open.is_empty() && !self.differs;
        if clean { Exit::Done } else { Exit::NotClean }
    }
}

/// MSA-1 of an answer and each ORC-1 in it.
fn said(answer: &[u8]) -> String {
    let Ok(message) = Message::read(answer) else { return "it answered no message".into() };
    let orders = (1..=message.count("ORC")).map(|nth| message.component("ORC", nth, 1, 1));
    let all: Vec<String> = [message.component("MSA", 1, 1, 1)].into_iter().chain(orders).collect();
    all.join(" ")
}
