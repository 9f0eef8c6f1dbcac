//! The specimens that wait for a strip, beside a strip without an id; and whose the id is that a person entered, to be
//! compared with the label in the hand. The list helps to find the tube: it enters nothing.

use wickline_normalize::orders::Person;

use crate::cli::output::{short_time, visible};
use crate::cli::person::asked;
use crate::cli::{Desk, Failure};
use crate::store::lists::orders::{AskedOrders, OrderView};
use crate::store::trail::Actor;

/// Lines of the list at most: beyond that it helps nobody to find a tube.
const MOST: i64 = 25;

/// Shows what waits, and notes in the trail who looked.
pub async fn show(desk: &Desk, actor: &Actor) -> Result<(), Failure> {
    if !desk.bench.has_orders() {
        return Ok(());
    }
    let found = desk.ledger.orders(&AskedOrders::Awaited(MOST)).await?;
    desk.ledger.orders_looked_at(actor, found.len()).await?;
    if found.is_empty() {
        eprintln!("no specimen waits for a strip");
        return Ok(());
    }
    eprintln!("wait for a strip (compare with the label in your hand):");
    for view in &found {
        eprintln!("{}", visible(&format!("    {}", line(desk, view))));
    }
    Ok(())
}

fn line(desk: &Desk, view: &OrderView) -> String {
    let wanted = view.kept.order.wanted.as_ref();
    let ids: Vec<&str> = wanted.iter().flat_map(|w| &w.specimens).map(|id| id.expose()).collect();
    let patient = wanted.and_then(|w| w.patient.as_ref()).map_or(String::new(), who);
    let collected = wanted.and_then(|w| w.collected).map(|at| at.saturating_mul(1_000_000));
    let collected = collected.map(|at| desk.clock().rfc3339(at));
    let urgent = if wanted.is_some_and(|w| w.urgent) { "   URGENT" } else { "" };
    format!(
        "{:<16} {patient}   collected {}{urgent}",
        ids.join(", "),
        short_time(collected.as_deref())
    )
}

/// Name and date of birth.
fn who(person: &Person) -> String {
    let name = person.name.expose().replace('^', ", ");
    let name = if name.is_empty() { "no name" } else { &name };
    let born = person.born.expose();
    if born.is_empty() { name.to_owned() } else { format!("{name}, born {born}") }
}

/// Says whose specimen this is by its orders, and asks whether the label says so too. An error: it does not.
pub async fn compared(desk: &Desk, specimen: &str) -> Result<(), Failure> {
    if !desk.bench.has_orders() {
        return Ok(());
    }
    let found = desk.ledger.orders(&AskedOrders::Specimen(specimen.to_owned())).await?;
    let people = found.iter().filter_map(|view| view.kept.order.wanted.as_ref()?.patient.as_ref());
    let mut people: Vec<String> = people.map(who).collect();
    people.sort();
    people.dedup();
    if people.is_empty() {
        eprintln!("{}", visible(&format!("nobody ordered {specimen}, or not for a named patient")));
        return Ok(());
    }
    eprintln!("{}", visible(&format!("{specimen} is ordered for {}", people.join("; and for "))));
    let said = asked("does the label in your hand say so? (yes/no)")?;
    match said.trim() {
        "yes" | "y" => Ok(()),
        _ => Err(Failure::wrong(
            "the label says something else than the order: nothing was changed; have the label looked at",
        )),
    }
}
