//! `queue compare`: what a receiver filed against what it was told, result by result.

mod filed;
mod verdict;

use std::collections::{BTreeMap, BTreeSet};
use std::path::{Path, PathBuf};

use clap::Args;
use serde::Serialize;
use serde_json::json;

use super::super::output::{Output, plain};
use super::super::{Answer, Desk, Exit, Failure};
use crate::acts::holdings::{Holding, Holds};
use crate::sheet::todo::word;
use filed::Filed;
use verdict::{Verdict, differences};

/// `wickline queue compare export.csv --day 2026-03-02`
#[derive(Debug, Args)]
pub struct Options {
    /// The receiver's export: HL7 messages, or a table (CSV) with a heading
    file: PathBuf,
    /// Every report of this local date must stand in the file; without it, what is not in the file is not missed
    #[arg(long, value_name = "YYYY-MM-DD")]
    day: Option<String>,
    /// Which column is which, where its heading says something else: order, specimen, code, value, unit, flag, status
    #[arg(long = "column", value_name = "OURS=THEIRS")]
    columns: Vec<String>,
}

/// One result: ours, theirs, and how they stand to each other.
#[derive(Debug, Serialize)]
struct Row {
    verdict: Verdict,
    order: String,
    specimen: Option<String>,
    name: String,
    ours: Option<String>,
    theirs: Option<String>,
    /// In which of value, unit, flag and status they differ.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    differs: Vec<&'static str>,
    /// Where it stands in the file.
    place: Option<String>,
}

pub async fn compare(
    desk: &Desk,
    options: &Options,
    receiver: Option<&str>,
    out: &Output,
) -> Answer {
    let receiver = whose(desk, receiver, &options.file)?;
    let filed = filed::read(&options.file, &options.columns)?;
    let mut rows = Vec::new();
    let (mut holdings, mut seen) = (Vec::new(), BTreeSet::new());
    for id in asked_about(desk, &filed, options.day.as_deref()).await? {
        let told = desk.ledger.holdings(id).await?;
        for holding in told.into_iter().filter(|h| h.receiver == receiver) {
            if holding.holds == Holds::Unknown {
                let why = holding.why.unwrap_or_default();
                return Err(Failure::unreachable(format!("OBR-3 {}: {why}", holding.obr3)));
            }
            // One that is corrected and its correction are told under one OBR-3.
            if seen.insert(holding.obr3.clone()) {
                holdings.push(holding);
            }
        }
    }
    let mut used = BTreeSet::new();
    let named = by_name(&filed);
    for holding in &holdings {
        let mine = of_holding(holding, &filed, &named);
        of_order(holding, &mine, options.day.is_some(), &mut used, &mut rows);
    }
    let told = holdings.iter().flat_map(|h| [Some(&h.obr3), h.specimen.as_ref()]);
    let told: BTreeSet<&String> = told.flatten().collect();
    for (at, theirs) in filed.iter().enumerate().filter(|(at, _)| !used.contains(at)) {
        rows.push(stranger(theirs, &told, at));
    }
    show(&rows, &options.file, &receiver, out)
}

fn whose(desk: &Desk, receiver: Option<&str>, file: &Path) -> Result<String, Failure> {
    let ids: Vec<&str> = desk.bench.targets.iter().map(|t| t.id.as_str()).collect();
    match (receiver, ids.as_slice()) {
        (Some(id), _) if ids.contains(&id) => Ok(id.to_owned()),
        (None, [only]) => Ok((*only).to_owned()),
        _ => {
            let file = word(&file.display().to_string());
            let command = |id: &&str| format!("`wickline queue --receiver {id} compare {file}`");
            let commands: Vec<String> = ids.iter().map(command).collect();
            Err(Failure::wrong(format!("whose export is it? {}", commands.join(" or "))))
        }
    }
}

/// The reports that the file names, and those of the day.
async fn asked_about(
    desk: &Desk,
    filed: &[Filed],
    day: Option<&str>,
) -> Result<BTreeSet<i64>, Failure> {
    let mut ids = BTreeSet::new();
    if let Some(day) = day {
        if desk.clock().day_span(day).is_none() {
            return Err(Failure::wrong(format!("`{day}` is not a date; write YYYY-MM-DD")));
        }
        let items = desk.ledger.day(day, desk.clock()).await?;
        ids.extend(items.iter().filter_map(|item| item.id.parse::<i64>().ok()));
    }
    let named = filed.iter().filter_map(|f| f.order.clone().or_else(|| f.specimen.clone()));
    let named: BTreeSet<String> = named.collect();
    let named: Vec<String> = named.into_iter().collect();
    ids.extend(desk.ledger.found(&named).await?.into_keys());
    Ok(ids)
}

/// The places of the file's lines by their order, those without one by their specimen.
fn by_name(filed: &[Filed]) -> BTreeMap<(bool, &str), Vec<usize>> {
    let mut named: BTreeMap<(bool, &str), Vec<usize>> = BTreeMap::new();
    for (at, line) in filed.iter().enumerate() {
        let name = match (&line.order, &line.specimen) {
            (Some(order), _) => (true, order.as_str()),
            (None, Some(specimen)) => (false, specimen.as_str()),
            (None, None) => continue,
        };
        named.entry(name).or_default().push(at);
    }
    named
}

/// The lines of the file that are of one order, in its order.
fn of_holding<'f>(
    holding: &Holding,
    filed: &'f [Filed],
    named: &BTreeMap<(bool, &str), Vec<usize>>,
) -> Vec<(usize, &'f Filed)> {
    let specimen = holding.specimen.as_deref().map(|specimen| (false, specimen));
    let names = [Some((true, holding.obr3.as_str())), specimen].into_iter().flatten();
    let mut places: Vec<usize> =
        names.filter_map(|name| named.get(&name)).flatten().copied().collect();
    places.sort_unstable();
    places.into_iter().filter_map(|at| Some((at, filed.get(at)?))).collect()
}

/// What stands in the file of one order, by result.
fn of_order(
    holding: &Holding,
    theirs: &[(usize, &Filed)],
    all: bool,
    used: &mut BTreeSet<usize>,
    rows: &mut Vec<Row>,
) {
    if theirs.is_empty() && !all {
        return;
    }
    for held in &holding.results {
        let named: Vec<_> = theirs
            .iter()
            .filter(|(_, f)| f.codes.iter().any(|code| held.codes.contains(code)))
            .collect();
        used.extend(named.iter().map(|(at, _)| *at));
        let row = |verdict, theirs: Option<&Filed>, differs| Row {
            verdict,
            order: holding.obr3.clone(),
            specimen: holding.specimen.clone(),
            name: held.line.name.clone(),
            ours: Some(verdict::ours(held)),
            theirs: theirs.map(verdict::theirs),
            differs,
            place: theirs.map(|f| f.place.clone()),
        };
        let gone = held.status == "W";
        match named.as_slice() {
            [] if gone => rows.push(row(Verdict::Agrees, None, Vec::new())),
            [] => rows.push(row(Verdict::NotFiled, None, Vec::new())),
            [.., (_, last)] => {
                let other = |f: &Filed| f.values != last.values || f.unit != last.unit;
                // An export of messages has what was corrected before its correction; a table has one line each.
                let twice = last.place.starts_with("row") && named.iter().any(|(_, f)| other(f));
                let differs = differences(held, last);
                let verdict = match differs.is_empty() {
                    _ if twice => Verdict::Twice,
                    _ if gone && !verdict::taken_back(last) => Verdict::StillFiled,
                    true => Verdict::Agrees,
                    false => Verdict::Differs,
                };
                rows.push(row(verdict, Some(last), if gone { Vec::new() } else { differs }));
            }
        }
    }
}

/// A line of the file that no result of ours stands beside.
fn stranger(theirs: &Filed, told: &BTreeSet<&String>, at: usize) -> Row {
    let name = theirs.order.as_ref().or(theirs.specimen.as_ref());
    let known = name.is_some_and(|name| told.contains(name));
    let verdict = if known { Verdict::NotSent } else { Verdict::NotOurs };
    Row {
        verdict,
        order: theirs.order.clone().unwrap_or_default(),
        specimen: theirs.specimen.clone(),
        name: theirs.codes.first().cloned().unwrap_or_else(|| format!("line {}", at + 1)),
        ours: None,
        theirs: Some(verdict::theirs(theirs)),
        differs: Vec::new(),
        place: Some(theirs.place.clone()),
    }
}

fn show(rows: &[Row], file: &Path, receiver: &str, out: &Output) -> Answer {
    let mut totals: BTreeMap<Verdict, usize> = Verdict::ALL.into_iter().map(|v| (v, 0)).collect();
    for row in rows {
        *totals.entry(row.verdict).or_default() += 1;
    }
    let agree = totals.get(&Verdict::Agrees).copied().unwrap_or(0);
    // What others filed there is none of ours, and no fault.
    let strange = totals.get(&Verdict::NotOurs).copied().unwrap_or(0);
    let clean = agree > 0 && agree + strange == rows.len();
    if out.json {
        out.document(&json!({"receiver": receiver, "items": rows, "totals": totals}))?;
        return Ok(if clean { Exit::Done } else { Exit::NotClean });
    }
    let shown = rows.iter().filter(|r| !matches!(r.verdict, Verdict::Agrees | Verdict::NotOurs));
    let dash = |text: Option<&String>| plain(text.map_or("-", String::as_str));
    let table: Vec<_> = shown
        .map(|r| {
            let verdict = match r.differs.as_slice() {
                [] => r.verdict.text().to_owned(),
                differs => format!("{}: {}", r.verdict.text(), differs.join(", ")),
            };
            vec![
                plain(&r.order),
                dash(r.specimen.as_ref()),
                plain(&r.name),
                dash(r.ours.as_ref()),
                dash(r.theirs.as_ref()),
                plain(verdict),
                dash(r.place.as_ref()),
            ]
        })
        .collect();
    if !table.is_empty() {
        let head = ["OBR-3", "specimen", "result", "told", "filed", "how it stands", "where"];
        out.table(&head, &table);
    }
    let counted = totals.iter().filter(|(_, n)| **n > 0);
    let counted: Vec<String> = counted.map(|(v, n)| format!("{n} {}", v.text())).collect();
    out.line(&format!("{} against {receiver}: {}", file.display(), counted.join(", ")));
    if agree == 0 {
        out.line("nothing of the file could be laid beside what was told: look at its order and code columns");
    }
    Ok(if clean { Exit::Done } else { Exit::NotClean })
}
