//! The specimens that wait for a strip, beside a strip without an id; and whose the id is that a person entered, to be
//! compared with the label in the hand. The list helps to find the tube: it enters nothing.

use wickline_normalize::Private;
use wickline_normalize::orders::{Order, Person, Standing};

use crate::cli::output::{short_time, visible};
use crate::cli::person::asked;
use crate::cli::{Desk, Failure};
use crate::store::lists::orders::{AskedOrders, OrderView};
use crate::store::rows::order::called;
use crate::store::trail::Actor;

/// Lines of the list at most: beyond that it helps nobody to find a tube.
const MOST: usize = 25;
/// Orders that are looked through for them.
const READ: i64 = 1000;

/// Shows what waits, and notes in the trail who looked.
pub async fn show(desk: &Desk, actor: &Actor) -> Result<(), Failure> {
    if !desk.bench.has_orders() {
        return Ok(());
    }
    let mut found = desk.ledger.orders(&AskedOrders::Awaited(READ)).await?;
    found.retain(|view| waits(desk, view));
    let more = found.len().saturating_sub(MOST);
    found.truncate(MOST);
    desk.ledger.orders_looked_at(actor, found.len()).await?;
    if found.is_empty() {
        eprintln!("no specimen waits for a strip");
        return Ok(());
    }
    eprintln!("wait for a strip (compare with the label in your hand):");
    for view in &found {
        eprintln!("{}", visible(&format!("    {}", line(desk, view))));
    }
    if more > 0 {
        eprintln!("    and {more} more: `wickline orders --limit 1000` lists them");
    }
    Ok(())
}

/// A patient's specimen of which no strip was heard, or whose result was set aside.
fn waits(desk: &Desk, view: &OrderView) -> bool {
    let order = &view.kept.order;
    let control = order.wanted.as_ref().is_none_or(|wanted| {
        let known = |id: &Private| {
            desk.bench.analyzers.iter().any(|a| a.rules.control_specimen(id.expose()).is_some())
        };
        wanted.control || wanted.specimens.iter().any(known)
    });
    order.standing == Standing::Open && !view.held && !control
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
    let now = crate::clock::now_us().div_euclid(1_000_000);
    let orders: Vec<&Order> = found
        .iter()
        .map(|view| &view.kept.order)
        .filter(|order| order.standing != Standing::Replaced)
        .filter(|order| !order.is_wrong_about(&Private::new(specimen)))
        .filter(|order| order.is_recent(&desk.bench.orders.rules, now))
        .collect();
    // Where one still counts, what was cancelled or expired says nothing; nor does one who was forgotten.
    let counts = |o: &&&Order| !o.standing.is_closed() || o.standing == Standing::Answered;
    let any = orders.iter().any(|order| counts(&order));
    let people: Vec<&Person> = orders
        .iter()
        .filter(|order| !any || counts(order))
        .filter_map(|order| order.wanted.as_ref()?.patient.as_ref())
        .filter(|person| person.is_described())
        .collect();
    let disputed = orders.iter().find(|order| order.is_disputed());
    if disputed.is_some() || people.iter().any(|person| person.id != people[0].id) {
        return Err(claimed_twice(specimen, disputed.or(orders.first()).copied()));
    }
    let Some(person) = people.first() else {
        eprintln!("{}", visible(&format!("nobody ordered {specimen}, or not for a named patient")));
        return Ok(());
    };
    eprintln!("{}", visible(&format!("{specimen} is ordered for {}", who(person))));
    let said = asked("does the label in your hand say so? (yes/no)")?;
    match said.trim() {
        "yes" | "y" => Ok(()),
        _ => Err(Failure::wrong(
            "the label says something else than the order: nothing was changed; have the label looked at",
        )),
    }
}

/// A yes would not say whose it is.
fn claimed_twice(specimen: &str, one: Option<&Order>) -> Failure {
    let word = crate::sheet::todo::word;
    let settle = one.filter(|order| order.is_disputed());
    let settle = settle.map_or(String::new(), |order| {
        let number = word(called(&order.key));
        format!(
            ", and `wickline orders settle {number} --right` (or --wrong) says whether {number} is"
        )
    });
    let changed = one.is_some_and(Order::is_only_somebody_else);
    let what = match changed {
        true => {
            "is ordered for a patient who became somebody else, by another name and date of birth"
        }
        false => "is claimed for more than one patient",
    };
    Failure::wrong(format!(
        "{specimen} {what}: nothing was changed; compare label and people by \
         `wickline orders show {}`{settle}",
        word(specimen)
    ))
}
