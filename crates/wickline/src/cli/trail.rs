//! `trail`: who did what, when and why; whether that record is whole; and which configurations were used.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use super::output::{Output, Tone, json_of, plain, visible_lines};
use super::{Answer, Desk, Exit, Failure, file};
use crate::clock::SiteClock;
use crate::csv::line;
use crate::settings::effective::readable;
use crate::store::StoreError;
use crate::store::seen::Seen;
use crate::store::tape::Tape;
use crate::store::trail::verify::{Fault, NOTED, Verified};
use crate::store::trail::view::Asked;
use crate::store::trail::{Head, Row};
use crate::views::trail::document;

/// Rows that people see at once.
const PAGE: i64 = 50;

/// `wickline trail`, `wickline trail --object "report 57"`, `wickline trail verify`
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    act: Option<Act>,
    #[command(flatten)]
    filter: Filter,
    /// Write the rows as CSV instead, all of them unless --last says how many
    #[arg(long, value_name = "FILE")]
    csv: Option<PathBuf>,
}

/// Which rows.
#[derive(Debug, Args)]
struct Filter {
    /// From this local date on, YYYY-MM-DD
    #[arg(long, value_name = "DATE")]
    from: Option<String>,
    /// Up to this local date, which is included
    #[arg(long, value_name = "DATE")]
    to: Option<String>,
    /// What this person did: the name given with --as, or the login
    #[arg(long, value_name = "NAME")]
    who: Option<String>,
    /// What was done to this: `report 57`, `receiver lis`, or `report` for every report
    #[arg(long, value_name = "WHAT")]
    object: Option<String>,
    /// The last so many [default: 50]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(i64).range(1..=1_000_000))]
    last: Option<i64>,
    /// Only those before this row: the page before
    #[arg(long, value_name = "ROW")]
    before: Option<i64>,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Recomputes every seal, and says the first place where a row was altered, taken out, put in or moved
    Verify {
        /// A row and its seal that were noted or printed earlier: a trail that was written anew, or whose
        /// end was cut off, does not have it any more
        #[arg(long, value_name = "ROW:SEAL", value_parser = noted)]
        known: Vec<Head>,
    },
    /// Writes every row with its seal as JSON lines, to be checked without this program
    Export { file: PathBuf },
    /// The configurations that were ever in use; or one of them, whole, without passwords
    Configuration {
        /// The first digits of its fingerprint
        fingerprint: Option<String>,
    },
}

/// A head as it is printed: `57:3fa9...`, the seal whole or its first digits.
fn noted(text: &str) -> Result<Head, String> {
    let allowed = || {
        format!("ROW:SEAL with at least {NOTED} digits of the seal, as `trail verify` prints it")
    };
    let (n, hash) = text.split_once(':').ok_or_else(allowed)?;
    let n = n.parse().ok().filter(|n| *n >= 0).ok_or_else(allowed)?;
    let hash = hash.to_ascii_lowercase();
    let digits = hash.chars().all(|c| c.is_ascii_hexdigit());
    if !digits || !(NOTED..=64).contains(&hash.len()) {
        return Err(allowed());
    }
    Ok(Head { n, hash })
}

pub async fn trail(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let work = async |desk: &Desk| match options.act {
        None => list(desk, &options.filter, options.csv.as_deref(), out).await,
        Some(Act::Verify { known }) => verify(desk, &known, out).await,
        Some(Act::Export { file }) => export(desk, &file, out).await,
        Some(Act::Configuration { fingerprint: None }) => configurations(desk, out).await,
        Some(Act::Configuration { fingerprint: Some(begins) }) => {
            configuration(desk, &begins, out).await
        }
    };
    Desk::with(config, true, work).await
}

fn asked(filter: &Filter, clock: &SiteClock, whole: bool) -> Result<Asked, Failure> {
    let span = |text: &str| {
        clock
            .day_span(text)
            .ok_or_else(|| Failure::wrong(format!("`{text}` is not a date; write YYYY-MM-DD")))
    };
    let mut asked = Asked {
        who: filter.who.clone(),
        object: filter.object.clone(),
        last: filter.last.unwrap_or(if whole { i64::MAX } else { PAGE }),
        before: filter.before.unwrap_or(i64::MAX),
        ..Asked::default()
    };
    if let Some(from) = &filter.from {
        asked.from = span(from)?.0;
    }
    if let Some(to) = &filter.to {
        asked.to = span(to)?.1;
    }
    Ok(asked)
}

async fn list(desk: &Desk, filter: &Filter, csv: Option<&Path>, out: &Output) -> Answer {
    let clock = desk.clock();
    let (rows, count) = desk.ledger.trail(&asked(filter, clock, csv.is_some())?).await?;
    if let Some(path) = csv {
        let mut text = line(&HEAD.map(str::to_owned));
        rows.iter().for_each(|row| text.push_str(&line(&cells(row, clock))));
        file::write(path, &text)?;
    }
    let head = desk.ledger.trail_head().await?;
    if out.json {
        out.document(&document(&rows, count, &head, clock))?;
        return Ok(Exit::Done);
    }
    if let Some(path) = csv {
        out.line(&format!("{} rows written to {}", rows.len(), path.display()));
        return Ok(Exit::Done);
    }
    let table: Vec<_> = rows.iter().map(|row| shown(row, clock)).collect();
    out.table(&["row", "when", "who", "did", "to", "why, what changed"], &table);
    let shown = i64::try_from(rows.len()).unwrap_or(i64::MAX);
    if let Some(first) = rows.first().filter(|_| shown < count) {
        out.line(&format!("{shown} of {count} rows; --before {} shows those before", first.n));
    }
    out.line(&format!("the last row and its seal: {}:{}", head.n, head.hash));
    Ok(Exit::Done)
}

const HEAD: [&str; 10] =
    ["row", "when", "who", "login", "verb", "object", "reason", "was", "became", "seal"];

fn cells(row: &Row, clock: &SiteClock) -> [String; 10] {
    let some = |text: &Option<String>| text.clone().unwrap_or_default();
    [
        row.n.to_string(),
        clock.rfc3339(row.at),
        row.who.clone(),
        row.login.clone(),
        row.verb.clone(),
        row.object.clone(),
        some(&row.reason),
        some(&row.was),
        some(&row.became),
        some(&row.hash),
    ]
}

fn shown(row: &Row, clock: &SiteClock) -> Vec<(String, Tone)> {
    let change = match (&row.was, &row.became) {
        (None, None) => None,
        (was, became) => {
            let dash = |text: &Option<String>| text.clone().unwrap_or_else(|| "-".into());
            Some(format!("{} -> {}", dash(was), dash(became)))
        }
    };
    let why: Vec<String> = row.reason.iter().cloned().chain(change).collect();
    let who =
        if row.who == row.login { row.who.clone() } else { format!("{} ({})", row.who, row.login) };
    vec![
        plain(row.n.to_string()),
        plain(clock.rfc3339(row.at)),
        plain(who),
        plain(&row.verb),
        plain(&row.object),
        plain(why.join("; ")),
    ]
}

async fn verify(desk: &Desk, known: &[Head], out: &Output) -> Answer {
    let mut verified = desk.ledger.trail_verify(known).await?;
    if let Some(seen) = forgotten(desk).await? {
        verified.faults.push(Fault::SetBack { n: seen.trail.n, noted: seen.trail.hash });
    }
    tell(&verified, known, out)?;
    Ok(if verified.faults.is_empty() { Exit::Done } else { Exit::Unsafe })
}

/// What the tape of this bench remembers and the ledger does not have.
async fn forgotten(desk: &Desk) -> Result<Option<Seen>, StoreError> {
    if !desk.bench.tape.exists() {
        return Ok(None);
    }
    let tape = Tape::look(&desk.bench.tape).await?;
    let seen = tape.ledger_seen().await?;
    let now = desk.ledger.stands(&tape.id).await?;
    tape.db().close().await?;
    let Some(seen) = seen else { return Ok(None) };
    Ok((!desk.ledger.goes_on(&now, &seen).await?).then_some(seen))
}

fn tell(verified: &Verified, known: &[Head], out: &Output) -> std::io::Result<()> {
    let Verified { rows, head, sealed_late, faults, unjudged } = verified;
    if out.json {
        let told: Vec<Value> = faults
            .iter()
            .map(|f| json!({"n": f.row(), "fault": f.code(), "text": f.to_string()}))
            .collect();
        return out.document(&json!({
            "whole": faults.is_empty(),
            "rows": rows,
            "head": head,
            "sealed_late": sealed_late,
            "known": known.len(),
            "unjudged": unjudged,
            "faults": told,
        }));
    }
    for fault in faults {
        out.pieces(&[("not whole: ".into(), Tone::Bad), (fault.to_string(), Tone::Plain)]);
    }
    if *sealed_late > 0 {
        out.line(&format!("rows 1 to {sealed_late} were written before rows were sealed"));
    }
    for head in unjudged {
        out.line(&format!("{}:{} was not reached", head.n, head.hash));
    }
    out.line(&if faults.is_empty() {
        format!("whole: {rows} rows, each sealed over the one before it")
    } else {
        format!("{rows} rows fit, from the first on")
    });
    if faults.is_empty() && !known.is_empty() {
        out.line(&format!("{} noted seals are as they were noted", known.len()));
    }
    out.line(&format!("the last row that fits and its seal: {}:{}", head.n, head.hash));
    Ok(())
}

async fn export(desk: &Desk, path: &Path, out: &Output) -> Answer {
    let failed = |e: std::io::Error| file::cannot(path, &e);
    let mut file = std::io::BufWriter::new(file::create(path)?);
    let (epoch, made_at) = desk.ledger.trail_label().await?;
    writeln!(file, "{}", json!({"ledger": epoch, "made_at": made_at})).map_err(failed)?;
    let (mut rows, mut last) = (0, None);
    let written = desk.ledger.trail_all(|row| {
        rows += 1;
        last = Some(json!({"n": row.n, "hash": row.hash}));
        file.write_all(json_of(row)?.as_bytes())?;
        file.write_all(b"\n")
    });
    written.await?.map_err(failed)?;
    file.flush().map_err(failed)?;
    if out.json {
        out.document(&json!({"file": path.display().to_string(), "rows": rows, "head": last}))?;
    }
    out.line(&format!("{rows} rows written to {}", path.display()));
    Ok(Exit::Done)
}

async fn configurations(desk: &Desk, out: &Output) -> Answer {
    let used = desk.ledger.configurations().await?;
    if out.json {
        let items: Vec<Value> = used
            .iter()
            .map(|u| {
                json!({
                    "fingerprint": u.fingerprint,
                    "first_at": desk.clock().rfc3339(u.first_at),
                    "benches": u.benches,
                })
            })
            .collect();
        out.document(&json!({"items": items, "totals": {"configurations": used.len()}}))?;
        return Ok(Exit::Done);
    }
    let rows: Vec<_> = used
        .iter()
        .map(|u| {
            let print = u.fingerprint.get(..NOTED).unwrap_or(&u.fingerprint);
            vec![plain(print), plain(desk.clock().rfc3339(u.first_at)), plain(u.benches.join(", "))]
        })
        .collect();
    out.table(&["fingerprint", "first", "benches"], &rows);
    if let Some(last) = used.last() {
        let print = last.fingerprint.get(..NOTED).unwrap_or(&last.fingerprint);
        out.line(&format!("`wickline trail configuration {print}` shows the last whole"));
    }
    Ok(Exit::Done)
}

async fn configuration(desk: &Desk, begins: &str, out: &Output) -> Answer {
    let (fingerprint, body) = desk.ledger.configuration(begins).await?;
    if out.json {
        let whole: Value = serde_json::from_str(&body).unwrap_or_default();
        out.document(&json!({"fingerprint": fingerprint, "configuration": whole}))?;
        return Ok(Exit::Done);
    }
    out.line(&format!("# configuration {fingerprint}, without passwords"));
    for text in visible_lines(&readable(&body)).lines() {
        out.line(text);
    }
    Ok(Exit::Done)
}

#[cfg(test)]
mod tests {
    use super::noted;

    #[test]
    fn a_noted_head_is_a_row_and_enough_of_its_seal() {
        let head = noted("57:3FA9c1d2e4b58877").expect("a head");
        assert_eq!((head.n, head.hash.as_str()), (57, "3fa9c1d2e4b58877"));
        for wrong in ["57", "57:", "57:3fa9", "x:3fa9c1d2e4b58877", "-1:3fa9c1d2e4b58877"] {
            assert!(noted(wrong).is_err(), "{wrong}");
        }
        assert!(noted(&format!("1:{}", "a".repeat(65))).is_err());
        assert!(noted("1:3fa9c1d2e4b5887g").is_err());
    }
}
