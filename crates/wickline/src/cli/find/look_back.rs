//! Looking back over many reports: a recalled strip lot, a failed control run, a mapping.

use std::collections::BTreeSet;
use std::path::Path;

use serde_json::{Value, json};

use crate::acts::holdings::Holding;
use crate::cli::output::{Output, class, plain, short_time, state};
use crate::cli::{Answer, Desk, Exit, Failure};
use crate::clock::moment_of;
use crate::csv::line;
use crate::store::lists::lookback::{Candidate, MOST};
use crate::store::lists::reports::Item;

/// Which reports.
pub enum Asked {
    Lot(String),
    SincePass(i64),
    Fingerprint(String),
}

/// What was found, and by what bounds.
struct Found {
    about: String,
    ids: BTreeSet<i64>,
}

pub async fn look(desk: &Desk, asked: &Asked, csv: Option<&Path>, out: &Output) -> Answer {
    let found = match asked {
        Asked::Lot(lot) => of_lot(desk, lot.trim()).await?,
        Asked::SincePass(run) => since_pass(desk, *run).await?,
        Asked::Fingerprint(print) => under(desk, print).await?,
    };
    if found.ids.len() > MOST {
        return Err(Failure::wrong(format!("{}: more than {MOST} reports", found.about)));
    }
    let mut rows = Vec::with_capacity(found.ids.len());
    for n in &found.ids {
        let Some(kept) = desk.ledger.report(*n, desk.clock()).await? else { continue };
        rows.push((kept.item, desk.ledger.holdings(*n).await?));
    }
    if let Some(path) = csv {
        crate::cli::file::write(path, &table(&rows))?;
    }
    if out.json {
        let items: Vec<Value> = rows.iter().map(item).collect();
        let totals = json!({"reports": items.len()});
        out.document(&json!({"about": found.about, "items": items, "totals": totals}))?;
    } else {
        show(&found.about, &rows, csv, out);
    }
    Ok(if rows.is_empty() { Exit::NotClean } else { Exit::Done })
}

fn item((item, holdings): &(Item, Vec<Holding>)) -> Value {
    let mut value = serde_json::to_value(item).unwrap_or_default();
    value["receivers"] = json!(holdings);
    value
}

fn show(about: &str, rows: &[(Item, Vec<Holding>)], csv: Option<&Path>, out: &Output) {
    out.line(&format!("{about}: {} patient report(s)", rows.len()));
    if let Some(path) = csv {
        let path = path.display();
        out.line(&format!("in {path}; it holds specimen ids: keep it as you keep reports"));
        return;
    }
    let cells: Vec<_> = rows
        .iter()
        .map(|(item, holdings)| {
            let held: Vec<String> =
                holdings.iter().map(|h| format!("{} {}", h.receiver, h.holds.text())).collect();
            vec![
                plain(&item.id),
                plain(&item.analyzer),
                plain(item.number.as_deref().unwrap_or("-")),
                class(&item.class),
                plain(item.specimen.as_deref().unwrap_or("-")),
                plain(short_time(item.taken_at.as_deref().or(item.heard_at.as_deref()))),
                state(item.state.text()),
                plain(held.join(", ")),
            ]
        })
        .collect();
    if !cells.is_empty() {
        out.table(
            &["id", "analyzer", "number", "class", "specimen", "taken", "state", "receivers hold"],
            &cells,
        );
    }
}

/// One line for each report and what each receiver holds of it.
fn table(rows: &[(Item, Vec<Holding>)]) -> String {
    let head = [
        "report",
        "analyzer",
        "number",
        "class",
        "specimen",
        "taken",
        "heard",
        "state",
        "receiver",
        "obr3",
        "specimen_there",
        "holds",
    ];
    let mut text = line(&head.map(str::to_owned));
    for (item, holdings) in rows {
        let state = item.state.to_string();
        let own = [
            Some(&item.id),
            Some(&item.analyzer),
            item.number.as_ref(),
            Some(&item.class),
            item.specimen.as_ref(),
            item.taken_at.as_ref(),
            item.heard_at.as_ref(),
            Some(&state),
        ];
        let own: Vec<String> = own.iter().map(|c| c.cloned().unwrap_or_default()).collect();
        if holdings.is_empty() {
            text.push_str(&line(&[own.clone(), vec![String::new(); 4]].concat()));
        }
        for holding in holdings {
            let Holding { receiver, obr3, specimen, holds, .. } = holding;
            let specimen = specimen.clone().unwrap_or_default();
            let there = vec![receiver.clone(), obr3.clone(), specimen, holds.text().to_owned()];
            text.push_str(&line(&[own.clone(), there].concat()));
        }
    }
    text
}

/// What a print names stands above what was entered.
async fn of_lot(desk: &Desk, lot: &str) -> Result<Found, Failure> {
    let ledger = &desk.ledger;
    let mut ids: BTreeSet<i64> = ledger.printed_lot(lot).await?.into_iter().collect();
    for analyzer in ledger.analyzers_ever().await? {
        let lots = ledger.strip_lots(&analyzer).await?;
        for entered in lots.iter().filter(|e| e.lot.lot == lot) {
            let next = lots.iter().find(|e| e.strip == entered.strip && e.since > entered.since);
            let until = next.map_or_else(crate::clock::now_us, |e| e.since);
            let found = ledger.taken_between(&analyzer, entered.since, until).await?;
            // Prints have no parts of a second: a strip of that very second is rather recalled than not.
            let since = entered.since - entered.since.rem_euclid(1_000_000);
            let fits = |c: &&Candidate| {
                c.strip == entered.strip && c.lot.is_none() && (since..until).contains(&at(desk, c))
            };
            ids.extend(found.iter().filter(fits).map(|c| c.n));
        }
    }
    Ok(Found { about: format!("strip lot {lot}"), ids })
}

async fn since_pass(desk: &Desk, run: i64) -> Result<Found, Failure> {
    let ledger = &desk.ledger;
    let failed = ledger.run_at(run).await?.ok_or_else(|| {
        Failure::wrong(format!(
            "report {run} is no run of control material; `wickline controls` lists them"
        ))
    })?;
    if failed.verdict == "passed" {
        return Err(Failure::wrong(format!("run {run} passed: name the one that failed")));
    }
    let pass = ledger.last_pass(&failed).await?;
    // Of the very second of a run, which many clocks print no parts of, what was heard on its other side is
    // left out and nothing else: rather looked at than missed.
    let stood = ledger.instrument_of(run).await?.filter(|one| one.n > 0);
    let began = stood.map(|one| one.since);
    let from = (pass.as_ref().map(|p| (p.at, p.report)))
        .unwrap_or_else(|| (began.unwrap_or(i64::MIN / 2), 0));
    let to = (failed.at, failed.report);
    let found = ledger.taken_between(&failed.analyzer, from.0, failed.at).await?;
    let fits = |c: &&Candidate| {
        let at = (at(desk, c), c.n);
        c.strip == failed.strip && at > from && at < to
    };
    let ids = found.iter().filter(fits).map(|c| c.n).collect();
    let level = failed.level.as_deref().unwrap_or("-");
    let since = match pass {
        Some(pass) => format!("run {} that passed", pass.report),
        None if began.is_some() => "its instrument's beginning: no run passed before it".to_owned(),
        None => "the beginning: no run passed before it".to_owned(),
    };
    let analyzer = &failed.analyzer;
    let about = format!("{analyzer}, level {level}, from {since}, to run {run} that did not");
    Ok(Found { about, ids })
}

async fn under(desk: &Desk, begins: &str) -> Result<Found, Failure> {
    let (print, _) = desk.ledger.configuration(begins).await?;
    let mut ids = BTreeSet::new();
    for span in desk.ledger.in_use(&print).await? {
        ids.extend(desk.ledger.sent_in(&span).await?);
    }
    let short = print.get(..16).unwrap_or(&print);
    Ok(Found { about: format!("sent under configuration {short}"), ids })
}

/// When a report was taken: by its own clock where that is believed, else when it was heard.
fn at(desk: &Desk, candidate: &Candidate) -> i64 {
    let taken = candidate.taken_at.as_deref().and_then(moment_of);
    taken.and_then(|t| desk.clock().us(t)).unwrap_or(candidate.heard_at)
}
