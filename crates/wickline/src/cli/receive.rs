//! `receive`: a practice receiver that answers as it is told to.

use std::collections::BTreeSet;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use serde_json::json;
use wickline_forward::deliver::{Address, Courier, Limits, Outcome, Tls};
use wickline_forward::hl7::Message;
use wickline_forward::mllp::MllpRelease;
use wickline_forward::receive::{Answer as Script, Manner, Receiver};

use super::output::Output;
use super::simulate::practice;
use super::{Answer, Exit, Failure};
use crate::clock::{self, SiteClock};
use crate::simulate::orders::Orders;

/// `wickline receive --listen 127.0.0.1:2575 --answer aa`
#[derive(Debug, Args)]
pub struct Options {
    /// Address to listen on; port 0 takes a free one
    #[arg(long, default_value = "127.0.0.1:2575")]
    listen: String,
    /// Answers, taken in turn and round again: aa, ae, ar, ca, ce, cr, header, busy, late, none,
    /// wrong, junk, split, double, reset, close
    #[arg(long, value_delimiter = ',', default_value = "aa")]
    answer: Vec<Script>,
    /// Folder for the messages, one file each
    #[arg(long, value_name = "DIR")]
    save: Option<PathBuf>,
    /// End after so many messages
    #[arg(long, value_name = "N")]
    count: Option<u64>,
    /// How late `late` is, in milliseconds
    #[arg(long, value_name = "MS", default_value_t = 2000)]
    late: u64,
    /// How long each answer takes, in milliseconds, from the end of its own message
    #[arg(long, value_name = "MS", default_value_t = 0)]
    delay: u64,
    /// Release of MLLP; 2 gives a transport answer to each block first
    #[arg(long, value_parser = ["1", "2"], default_value = "1")]
    mllp: String,
    /// Order what this file says, and compare what comes back with it, like example-orders.toml (config/ of the
    /// source, or /usr/share/doc/wickline/examples of the package)
    #[arg(long, value_name = "FILE", requires = "source")]
    orders: Option<PathBuf>,
    /// Where orders go: HOST:PORT, where a `[[source]]` listens
    #[arg(long, value_name = "ADDR", requires = "orders")]
    source: Option<String>,
}

pub async fn receive(options: Options, out: &Output) -> Answer {
    if let Some(folder) = &options.save {
        std::fs::create_dir_all(folder)?;
    }
    let manner = Manner {
        late: Duration::from_millis(options.late),
        delay: Duration::from_millis(options.delay),
        release: if options.mllp == "2" { MllpRelease::Two } else { MllpRelease::One },
        save: options.save,
        ..Manner::new(options.answer)
    };
    let mut receiver = Receiver::open(&options.listen, manner)
        .await
        .map_err(|e| Failure::unreachable(format!("cannot listen on {}: {e}", options.listen)))?;
    let address = receiver.address().to_string();
    if out.json {
        out.document(&json!({"event": "listening", "address": address}))?;
    }
    out.line(&format!("listening on {address}"));
    let ordered = match (&options.orders, &options.source) {
        (Some(file), Some(source)) => Some(Ordered::send(file, source, out).await?),
        _ => None,
    };
    let mut ordered = ordered.unwrap_or_default();
    let mut left = options.count;
    let mut heard: u64 = 0;
    while left != Some(0) {
        let message = tokio::select! {
            message = receiver.next() => message,
            _ = tokio::signal::ctrl_c() => None,
        };
        let Some(message) = message else { break };
        heard += 1;
        left = left.map(|n| n - 1);
        if out.json {
            out.document(&json!({
                "event": "message", "control_id": message.control_id, "answer": message.answer.to_string(),
            }))?;
        }
        out.line(&format!("{heard:>6}  {}  answered {}", message.control_id, message.answer));
        ordered.came(&message.body, out)?;
    }
    ordered.end(out)
}

/// What was ordered, and what of it came back.
#[derive(Default)]
struct Ordered {
    orders: Option<Orders>,
    /// Numbers of orders that no result has answered.
    open: BTreeSet<String>,
    differs: bool,
}

impl Ordered {
    /// Orders what a file says, one message after the other.
    async fn send(file: &Path, source: &str, out: &Output) -> Result<Self, Failure> {
        let orders = practice(file, Orders::parse)?;
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

    /// Compares a result with what was ordered.
    fn came(&mut self, body: &[u8], out: &Output) -> Result<(), Failure> {
        let Some(orders) = &self.orders else { return Ok(()) };
        let answered = orders.compare(body).map_err(Failure::unreachable)?;
        if answered.is_empty() {
            out.line("        answers no order of the file");
        }
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
            out.line(&format!("        answers {}, {how}", one.number));
        }
        Ok(())
    }

    /// What was ordered and did not come.
    fn end(self, out: &Output) -> Answer {
        let open: Vec<&str> = self.open.iter().map(String::as_str).collect();
        if !open.is_empty() {
            out.line(&format!("no result came for {}", open.join(", ")));
        }
        let clean = open.is_empty() && !self.differs;
        Ok(if clean { Exit::Done } else { Exit::NotClean })
    }
}

/// MSA-1 of an answer and each ORC-1 in it.
fn said(answer: &[u8]) -> String {
    let Ok(message) = Message::read(answer) else { return "it answered no message".into() };
    let orders = (1..=message.count("ORC")).map(|nth| message.component("ORC", nth, 1, 1));
    let all: Vec<String> = [message.component("MSA", 1, 1, 1)].into_iter().chain(orders).collect();
    all.join(" ")
}
