//! Who did what, when and why, as programs see it.

use serde_json::{Value, json};

use crate::clock::SiteClock;
use crate::store::trail::{Head, Row};

/// A page of rows, how many there are, and the last one with its seal.
#[must_use]
pub fn document(rows: &[Row], all: i64, head: &Head, clock: &SiteClock) -> Value {
    let items: Vec<Value> = rows.iter().map(|row| item(row, clock)).collect();
    json!({"items": items, "totals": {"shown": rows.len(), "rows": all}, "head": head})
}

fn item(row: &Row, clock: &SiteClock) -> Value {
    json!({
        "n": row.n,
        "at": clock.rfc3339(row.at),
        "who": row.who,
        "login": row.login,
        "verb": row.verb,
        "object": row.object,
        "reason": row.reason,
        "was": row.was,
        "became": row.became,
        "hash": row.hash,
    })
}
