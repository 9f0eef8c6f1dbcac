//! `find`: every report of a specimen id, number, control id or OBR-3; and looking back over many.

mod look_back;
mod page;

use std::path::PathBuf;

use clap::Args;

use super::output::Output;
use super::{Answer, Desk, Exit, id};
pub use crate::sheet::meant::meant;
use crate::views::report::found;

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
    let most = usize::from(options.limit);
    let found = found(&desk.ledger, &desk.bench, text, most).await?;
    if out.json {
        out.document(&found.document())?;
        return Ok(if found.is_nothing() { Exit::NotClean } else { Exit::Done });
    }
    for order in &found.orders {
        out.line(&order.words());
    }
    for one in &found.reports {
        page::show(one, desk.clock(), out);
    }
    match found.all {
        0 if !found.orders.is_empty() => {}
        0 => out.line(&format!("no report has or had {text} as an id, a number or a control id")),
        many if many > most => out.line(&format!(
            "{most} of {many}, the latest; `wickline find {} --limit 1000` shows more",
            crate::sheet::todo::word(text)
        )),
        _ => {}
    }
    Ok(if found.is_nothing() { Exit::NotClean } else { Exit::Done })
}
