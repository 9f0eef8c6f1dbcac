//! `controls lot`: the strip lots of an analyzer, and a new one.

use clap::Args;
use serde_json::json;
use wickline_normalize::StripLot;

use crate::cli::output::{Output, Tone, plain};
use crate::cli::person::chosen;
use crate::cli::{Answer, As, Desk, Exit, Failure, configured};
use crate::clock;
use crate::settings::bench::Analyzer;
use crate::views::controls::date;

#[derive(Debug, Args)]
pub struct Options {
    /// The analyzer's id
    analyzer: String,
    /// The lot as it stands on the box: in use from now on. What a print names stands above it
    lot: Option<String>,
    /// The strip type, where the analyzer has several
    #[arg(long, value_name = "ID")]
    strip: Option<String>,
    /// The last day on which these strips may be used, YYYY-MM-DD
    #[arg(long, value_name = "DAY", requires = "lot")]
    last_day: Option<String>,
    #[arg(long, value_name = "TEXT", requires = "lot", value_parser = crate::cli::person::words)]
    reason: Option<String>,
}

impl Options {
    /// Whether a lot is entered, and not only asked for.
    pub fn enters(&self) -> bool {
        self.lot.is_some()
    }
}

pub async fn lot(desk: &Desk, options: Options, who: &As, out: &Output) -> Answer {
    let analyzer = configured(desk, &options.analyzer)?;
    let Some(lot) = options.lot else { return list(desk, analyzer, out).await };
    let last_day = options.last_day.as_deref().map(date).transpose().map_err(Failure::wrong)?;
    let lot = StripLot { lot, last_day };
    let (actor, strip) = (desk.actor(who)?, options.strip.as_deref());
    let reason = options.reason.as_deref().map(|r| chosen(r, &desk.bench.people)).transpose()?;
    let reason = reason.as_deref();
    let strip =
        desk.ledger.strip_lot_enter(&desk.bench, &actor, analyzer, strip, &lot, reason).await?;
    if out.json {
        let (id, lot, last_day) = (&analyzer.id, &lot.lot, &lot.last_day);
        out.document(&json!({"analyzer": id, "strip": strip, "lot": lot, "last_day": last_day}))?;
    }
    out.line(&format!("{} uses strip lot {} of {strip} from now on", analyzer.id, lot.lot));
    if lot.last_day.is_none() {
        out.line("its last day is not known: nothing stops these strips when it has passed");
    }
    if analyzer.controls.period.new_lot && !analyzer.controls.plan.levels().is_empty() {
        out.line("every level of control material is due on a new lot");
    }
    Ok(Exit::Done)
}

async fn list(desk: &Desk, analyzer: &Analyzer, out: &Output) -> Answer {
    let lots = desk.ledger.strip_lots(&analyzer.id).await?;
    let now = clock::now_us();
    let in_use = |strip: &str, since: i64| {
        let later = |e: &&crate::acts::strip_lots::Entered| {
            e.strip == strip && e.since <= now && e.since > since
        };
        lots.iter().find(later).is_none()
    };
    if out.json {
        let items: Vec<_> = lots
            .iter()
            .map(|e| {
                json!({"analyzer": analyzer.id, "strip": e.strip, "lot": e.lot.lot,
                    "last_day": e.lot.last_day, "since": desk.clock().rfc3339(e.since),
                    "in_use": in_use(&e.strip, e.since)})
            })
            .collect();
        out.document(&json!({ "items": items }))?;
    }
    let rows: Vec<_> = lots
        .iter()
        .map(|e| {
            let used = if in_use(&e.strip, e.since) { "in use" } else { "" };
            vec![
                plain(&e.strip),
                plain(&e.lot.lot),
                plain(desk.clock().rfc3339(e.since)),
                plain(e.lot.last_day.as_deref().unwrap_or("-")),
                (used.to_owned(), Tone::Good),
            ]
        })
        .collect();
    if rows.is_empty() {
        out.line(&format!("no strip lot was entered for {}", analyzer.id));
    } else if !out.json {
        out.table(&["strip", "lot", "since", "last day", ""], &rows);
    }
    Ok(Exit::Done)
}
