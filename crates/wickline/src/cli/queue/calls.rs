//! The telephone list at a terminal.

use super::super::output::Output;
use super::super::{Answer, Desk, Exit};
use crate::sheet::calls::Calls;

/// What must be told by telephone now, and who was told today.
pub async fn list(desk: &Desk, out: &Output) -> Answer {
    let calls = Calls::read(&desk.ledger, &desk.bench).await?;
    let exit = if calls.items.is_empty() { Exit::Done } else { Exit::NotClean };
    if out.json {
        out.document(&calls)?;
        return Ok(exit);
    }
    match calls.items.len() {
        0 => out.line("no urgent result has to be told by telephone"),
        1 => out.line("1 urgent result is at no receiver: telephone it"),
        n => out.line(&format!("{n} urgent results are at no receiver: telephone them")),
    }
    for item in &calls.items {
        let (number, specimen) = (item.number.as_deref(), item.specimen.as_deref());
        let at = |d: &crate::store::lists::reports::Delivery| {
            format!("{} {}", d.receiver, d.state.shown(d.on_hold))
        };
        let at: Vec<String> = item.deliveries.iter().map(at).collect();
        out.line(&format!(
            "  report {}: {} of {}, specimen {}, {}; `wickline find {}` has what became of it, \
             `wickline report telephoned {}` notes the call",
            item.id,
            number.unwrap_or("-"),
            item.analyzer,
            specimen.unwrap_or("-"),
            at.join(", "),
            item.id,
            item.id,
        ));
    }
    for told in &calls.told {
        let number = told.number.as_deref().unwrap_or("-");
        out.line(&format!(
            "told at {}: report {} ({number}) by {} {}",
            told.at, told.id, told.who, told.told
        ));
    }
    Ok(exit)
}
