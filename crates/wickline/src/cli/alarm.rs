//! `alarm`: a test to each place that is to be told, and whether it arrived.

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::output::{Output, Tone, plain};
use super::{Answer, Exit, Failure, bench};
use crate::alarm::tried;

/// `wickline alarm`, `wickline alarm night`
#[derive(Debug, Args)]
pub struct Options {
    /// Only this one
    id: Option<String>,
}

pub async fn alarm(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let bench = bench(config)?;
    let known: Vec<&str> = bench.alarms.iter().map(|alarm| alarm.id.as_str()).collect();
    if let Some(id) = options.id.as_deref().filter(|id| !known.contains(id)) {
        let all = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
        return Err(Failure::wrong(format!("no [[alarm]] has the id `{id}`; configured: {all}")));
    }
    let asked = |id: &str| options.id.as_deref().is_none_or(|wanted| wanted == id);
    let (mut rows, mut items, mut arrived) = (Vec::new(), Vec::new(), true);
    for alarm in bench.alarms.iter().filter(|alarm| asked(&alarm.id)) {
        let why = tried(alarm, &bench).await.err();
        arrived &= why.is_none();
        items.push(
            json!({"id": alarm.id, "to": alarm.place(), "delivered": why.is_none(), "why": why}),
        );
        let end = why.map_or_else(|| ("delivered".to_owned(), Tone::Good), |why| (why, Tone::Bad));
        rows.push(vec![plain(&alarm.id), plain(alarm.place()), end]);
    }
    if out.json {
        out.document(&json!({ "items": items }))?;
    } else if rows.is_empty() {
        out.line("no [[alarm]] is configured: nobody is told");
    } else {
        out.table(&["alarm", "to", "a test"], &rows);
    }
    Ok(if arrived { Exit::Done } else { Exit::Unreachable })
}
