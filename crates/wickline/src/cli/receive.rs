//! `receive`: a practice receiver that answers as it is told to.

use std::path::PathBuf;
use std::time::Duration;

use clap::Args;
use serde_json::json;
use wickline_forward::mllp::MllpRelease;
use wickline_forward::receive::{Answer as Script, Manner, Receiver};

use super::ordered::Ordered;
use super::output::Output;
use super::simulate::practice;
use super::{Answer, Failure};
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
        (Some(file), Some(source)) => {
            Some(Ordered::send(practice(file, Orders::parse)?, source, out).await?)
        }
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
        if !ordered.came(&message.body, "       ", out)? {
            out.line("        answers no order of the file");
        }
    }
    Ok(ordered.end(out))
}
