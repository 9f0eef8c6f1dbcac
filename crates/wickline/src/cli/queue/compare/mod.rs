//! `queue compare`: what a receiver filed against what it was told, result by result.
//!
//! The file is read into records ([`filed`]), what was told comes from the ledger ([`told`]), records are laid beside
//! results ([`matching`]), each result is judged ([`verdict`]) and all of it is told ([`telling`]).

mod filed;
mod matching;
mod messages;
mod same;
mod table;
mod telling;
mod told;
mod verdict;
mod wording;

use std::collections::BTreeSet;
use std::path::PathBuf;

use clap::Args;

use super::super::output::Output;
use super::super::{Answer, Desk, Failure};
use crate::settings::bench::Target;
use crate::sheet::todo::word;
use matching::Ground;
use verdict::{Judge, Row, Verdict};

/// `wickline queue compare export.csv --day 2026-03-02`
#[derive(Debug, Args)]
pub struct Options {
    /// The receiver's export: HL7 messages, or a table (CSV) with a heading
    file: PathBuf,
    /// Every report of this local date must stand in the file: those that were taken on it, or heard where they have
    /// no time, as on the day sheet. Without it, only of orders that the file names is anything missed
    #[arg(long, value_name = "YYYY-MM-DD")]
    day: Option<String>,
    /// Whose export it is, where there are several receivers
    #[arg(long, value_name = "ID")]
    receiver: Option<String>,
    /// Which column of a table is which, where its heading says something else: order, specimen, code, value, unit,
    /// flag, status, time (when it was filed)
    #[arg(long = "column", value_name = "OURS=THEIRS")]
    columns: Vec<String>,
    /// A word of theirs that stands for one of ours, of a code, value, unit, flag or status: `flag:*=A`, `flag:N=`
    /// (N where we tell none), `status:verified=F`
    #[arg(long, value_name = "COLUMN:THEIRS=OURS")]
    same: Vec<String>,
}

pub async fn compare(
    desk: &Desk,
    options: &Options,
    receiver: Option<&str>,
    out: &Output,
) -> Answer {
    let target = whose(desk, options, receiver)?;
    let wording = wording::Wording::parse(&options.same).map_err(Failure::wrong)?;
    let layout = &target.layout;
    let (columns, clock) = (options.columns.as_slice(), desk.clock());
    let form = filed::Form { columns, specimen_in: layout.specimen_in, clock };
    let filed = filed::read(&options.file, &form)?;
    let known = told::Known::read(desk, &target.id, &filed, options.day.as_deref()).await?;
    let pads = told::pads(desk);
    let results = known.results(&pads);
    let manner = same::Manner { wording: &wording, own_system: &layout.local_system };
    let ground = Ground {
        known: &known,
        told: &results,
        filed: &filed,
        manner: &manner,
        specimen_in_obr_2: layout.specimen_in.obr_2,
    };
    let laid = ground.lay();
    let codes = results.iter().flat_map(|told| &told.held.codes).map(|code| told::key(code));
    let codes: BTreeSet<String> = codes.chain(pads.keys().cloned()).collect();
    let judge = Judge { ground: &ground, laid: &laid, all: options.day.is_some(), codes };
    let mut rows = judge.rows();
    mangled(desk, &mut rows).await?;
    let notes = telling::notes(&filed, &laid, &results);
    telling::show(&rows, &notes, &options.file, &target.id, out)
}

fn whose<'d>(
    desk: &'d Desk,
    options: &Options,
    before: Option<&str>,
) -> Result<&'d Target, Failure> {
    let targets = &desk.bench.targets;
    let receiver = options.receiver.as_deref().or(before);
    let ids: Vec<&str> = targets.iter().map(|t| t.id.as_str()).collect();
    if before.is_some_and(|before| receiver != Some(before)) {
        return Err(Failure::wrong("--receiver is said twice, and not the same"));
    }
    match (receiver, targets.as_slice()) {
        (None, [only]) => Ok(only),
        (Some(id), _) => targets.iter().find(|t| t.id == id).map(AsRef::as_ref).ok_or_else(|| {
            let known = ids.join(", ");
            Failure::wrong(format!("no receiver `{id}` is configured; known: {known}"))
        }),
        (None, _) => {
            let file = word(&options.file.display().to_string());
            let command = |id: &&str| format!("`wickline queue compare {file} --receiver {id}`");
            let commands: Vec<String> = ids.iter().map(command).collect();
            Err(Failure::wrong(format!("whose export is it? {}", commands.join(" or "))))
        }
    }
}

/// Marks lines whose specimen id is one of ours as a spreadsheet writes it: without the zeros in front of it, or as
/// a power of ten, of which nobody can tell what it was.
async fn mangled(desk: &Desk, rows: &mut [Row]) -> Result<(), Failure> {
    /// The longest id that zeros are put before.
    const LONGEST: usize = 20;
    let of = |row: &Row| row.specimen.clone().filter(|_| row.verdict == Verdict::NotOurs);
    let strange: BTreeSet<String> = rows.iter().filter_map(of).collect();
    let digits = |id: &&String| !id.is_empty() && id.bytes().all(|b| b.is_ascii_digit());
    let strange: Vec<&String> = strange.iter().filter(digits).collect();
    let mut without = BTreeSet::new();
    for some in strange.chunks(1000) {
        let wider = |id: &&String| (id.len() + 1..=LONGEST).map(|n| format!("{id:0>n$}")).collect();
        let before: Vec<Vec<String>> = some.iter().map(wider).collect();
        let before = desk.ledger.specimens_among(&before.concat()).await?;
        without.extend(before.iter().map(|id| id.trim_start_matches('0').to_owned()));
    }
    for row in rows.iter_mut().filter(|row| row.verdict == Verdict::NotOurs) {
        let Some(id) = &row.specimen else { continue };
        if is_power(id) || (!id.starts_with('0') && without.contains(id)) {
            row.verdict = Verdict::Mangled;
        }
    }
    Ok(())
}

/// `1.2E+11`
fn is_power(id: &str) -> bool {
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    let upper = id.to_ascii_uppercase();
    upper
        .split_once("E+")
        .is_some_and(|(number, power)| digits(power) && digits(&number.replacen(['.', ','], "", 1)))
}

/// The longest text of a file that is shown.
const CELL: usize = 60;

/// A text of the file as it is shown: bounded, for it may be as long as the file.
fn clipped(text: &str) -> String {
    let mut shown: String = text.chars().take(CELL).collect();
    if shown.len() < text.len() {
        shown.push_str("...");
    }
    shown
}
