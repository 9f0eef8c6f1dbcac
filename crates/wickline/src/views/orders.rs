//! Orders, as programs see them.

use serde_json::{Map, Value, json};
use wickline_forward::hl7::FillerNumber;
use wickline_normalize::Private;
use wickline_normalize::orders::{Order, Person, Wanted};

use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::orders::{AskedOrders, OrderView};
use crate::store::rows::order;
use crate::store::rows::order::called;

/// Orders of one list, and how many there are of each standing. No patient stands in it.
pub async fn document(
    ledger: &Ledger,
    bench: &Bench,
    asked: &AskedOrders,
) -> Result<Value, StoreError> {
    let found = ledger.orders(asked).await?;
    let counts = ledger.order_counts().await?.into_iter();
    let counts: Map<String, Value> = counts.map(|(k, n)| (k, n.into())).collect();
    let items: Vec<Value> = found.iter().map(|view| item(bench, view, false)).collect();
    Ok(json!({"items": items, "totals": counts}))
}

/// The pads that it asks for.
#[must_use]
pub fn pads(view: &OrderView) -> Vec<String> {
    let wanted = view.kept.order.wanted.as_ref();
    wanted.iter().flat_map(|wanted| &wanted.pads).map(ToString::to_string).collect()
}

/// When the specimen was collected, where that is said.
#[must_use]
pub fn collected(bench: &Bench, view: &OrderView) -> Option<String> {
    let at = view.kept.order.wanted.as_ref()?.collected?;
    Some(bench.clock.rfc3339(at.saturating_mul(1_000_000)))
}

/// One order as a document; `whole` with its patient, for who asked for this one.
#[must_use]
pub fn item(bench: &Bench, view: &OrderView, whole: bool) -> Value {
    let order = &view.kept.order;
    let wanted = order.wanted.as_ref();
    let ids = |own: fn(&Wanted) -> &[Private]| -> Vec<&str> {
        wanted.iter().flat_map(|wanted| own(wanted)).map(|id| id.expose()).collect()
    };
    let mut document = json!({
        "order": called(&order.key),
        "here": view.kept.n.to_string(),
        "source": order.key.source,
        "specimens": ids(|wanted| &wanted.specimens),
        "wrong_for": ids(|wanted| &wanted.wrong),
        "standing": order.standing.code(),
        "strip": view.trace(),
        "asked": pads(view),
        "urgent": wanted.is_some_and(|wanted| wanted.urgent),
        "collected": collected(bench, view),
        "received": bench.clock.rfc3339(order.received.saturating_mul(1_000_000)),
        "obr3": order.number,
        "obr3_there": brought(bench, view).0,
        "reports": view.reports.iter().map(ToString::to_string).collect::<Vec<_>>(),
        "rivals": order.rivals.len(),
    });
    if let (true, Some(person)) = (whole, wanted.and_then(|wanted| wanted.patient.as_ref())) {
        document["patient"] = patient(person);
    }
    if let (true, Some(ordered)) = (whole, ordered(order)) {
        document["patient_ordered"] = patient(ordered);
    }
    if let (true, Some(said)) = (whole, said(order)) {
        document["patient_said"] = patient(said);
    }
    if whole {
        document["disputed"] = order.rivals.iter().map(claim).collect::<Vec<_>>().into();
        document["todo"] = json!(view.todo());
    }
    document
}

fn patient(person: &Person) -> Value {
    let [id, name, born, sex] =
        [&person.number, &person.name, &person.born, &person.sex].map(Private::expose);
    json!({"id": id, "name": name, "born": born, "sex": sex})
}

/// As its source describes the patient now, where that is what is disputed.
#[must_use]
pub fn said(order: &Order) -> Option<&Person> {
    let by_description = order.rivals.iter().any(Private::is_empty);
    order.wanted.as_ref()?.said.as_ref().filter(|_| by_description)
}

/// As the patient was ordered, where that is not what is believed now.
#[must_use]
pub fn ordered(order: &Order) -> Option<&Person> {
    let wanted = order.wanted.as_ref()?;
    wanted.ordered.as_ref().filter(|ordered| Some(*ordered) != wanted.patient.as_ref())
}

/// The number that receivers have of its results in place of ours, where they go by the orders' own; and which do.
#[must_use]
pub fn brought<'a>(bench: &'a Bench, view: &OrderView) -> (Option<String>, Vec<&'a str>) {
    let source = &view.kept.order.key.source;
    let ordered = bench.targets.iter().filter(|target| {
        target.layout.filler == FillerNumber::Ordered && target.gets_orders_of(source)
    });
    let receivers: Vec<&str> = ordered.map(|target| target.id.as_str()).collect();
    let number = order::brought(view.kept.wants_back.as_deref()).filter(|_| !receivers.is_empty());
    (number, receivers)
}

/// Who else claims its specimen: the id alone, as whoever gave it writes it.
#[must_use]
pub fn claim(rival: &Private) -> String {
    match rival.expose() {
        "" => "its patient became somebody else by name and date of birth".to_owned(),
        id => format!(
            "its specimen id is claimed for patient {} too",
            id.split('^').next().unwrap_or(id)
        ),
    }
}
