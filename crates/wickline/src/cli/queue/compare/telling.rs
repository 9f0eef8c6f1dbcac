//! What `queue compare` says: one line for each result that does not agree, the totals, and what was not compared.

use std::collections::BTreeMap;
use std::path::Path;

use serde_json::json;

use super::super::super::output::{Output, plain};
use super::super::super::{Answer, Exit};
use super::filed::Filed;
use super::matching::Laid;
use super::told::Told;
use super::verdict::{Row, Verdict};

/// What a person must know of the file to trust the answer.
pub fn notes(filed: &[Filed], laid: &Laid, told: &[Told<'_>]) -> Vec<String> {
    let mut notes = Vec::new();
    let there = [
        ("specimen", filed.iter().any(|f| f.specimen.is_some())),
        ("unit", filed.iter().any(|f| f.unit.is_some())),
        ("flag", filed.iter().any(|f| f.flag.is_some())),
        ("status", filed.iter().any(|f| f.status.is_some())),
    ];
    let missing: Vec<&str> =
        there.into_iter().filter(|(_, there)| !there).map(|(name, _)| name).collect();
    if !missing.is_empty() {
        notes.push(format!("not compared, the file does not have it: {}", missing.join(", ")));
    }
    if !laid.by_order && !told.is_empty() && filed.iter().any(|f| !f.orders.is_empty()) {
        notes.push("no order number of the file is ours: laid side by side by specimen".into());
    }
    notes
}

pub fn show(rows: &[Row], notes: &[String], file: &Path, receiver: &str, out: &Output) -> Answer {
    let mut totals: BTreeMap<Verdict, usize> = Verdict::ALL.into_iter().map(|v| (v, 0)).collect();
    for row in rows {
        *totals.entry(row.verdict).or_default() += 1;
    }
    let agree = totals.get(&Verdict::Agrees).copied().unwrap_or(0);
    // What others filed there is none of ours, and no fault.
    let strange = totals.get(&Verdict::NotOurs).copied().unwrap_or(0);
    let clean = agree > 0 && agree + strange == rows.len();
    let exit = if clean { Exit::Done } else { Exit::NotClean };
    if out.json {
        out.document(&json!({
            "receiver": receiver, "items": rows, "totals": totals, "notes": notes,
        }))?;
        return Ok(exit);
    }
    let shown = rows.iter().filter(|r| !matches!(r.verdict, Verdict::Agrees | Verdict::NotOurs));
    let table: Vec<_> = shown.map(line).collect();
    if !table.is_empty() {
        let head = ["OBR-3", "specimen", "result", "told", "filed", "how it stands", "where"];
        out.table(&head, &table);
    }
    let counted = totals.iter().filter(|(_, n)| **n > 0);
    let counted: Vec<String> = counted.map(|(v, n)| format!("{n} {}", v.text())).collect();
    out.line(&format!("{} against {receiver}: {}", file.display(), counted.join(", ")));
    notes.iter().for_each(|note| out.line(note));
    if strange > 0 {
        out.line("`--json` lists also what is of other orders");
    }
    if agree == 0 {
        out.line(
            "nothing of the file agrees with what was told: look at its order and code columns",
        );
    }
    Ok(exit)
}

fn line(row: &Row) -> Vec<(String, super::super::super::output::Tone)> {
    let dash = |text: Option<&String>| plain(text.map_or("-", String::as_str));
    let verdict = match row.differs.as_slice() {
        [] => row.verdict.text().to_owned(),
        differs => format!("{}: {}", row.verdict.text(), differs.join(", ")),
    };
    vec![
        plain(&row.order),
        dash(row.specimen.as_ref()),
        plain(&row.name),
        dash(row.ours.as_ref()),
        dash(row.theirs.as_ref()),
        plain(verdict),
        dash(row.place.as_ref()),
    ]
}
