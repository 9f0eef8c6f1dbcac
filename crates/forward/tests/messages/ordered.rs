//! Kept results of orders, which other people's libraries judge (`tests/outside`). What must stand in them is said in
//! `tests/orders`; the orders are those of `fixtures/orders`.

use wickline_forward::hl7::{FillerNumber, Ordered, OrderedPatient, Structure};
use wickline_forward::orders::{Given, Incoming, References, Site, read};
use wickline_forward::{Layout, Outgoing, Version};
use wickline_normalize::Private;
use wickline_normalize::report::Text;

use crate::examples::{kept_as, routine};
use crate::sample::{Sample, changed, remark};

fn references(name: &str) -> References {
    let path = format!("{}/../../fixtures/orders/{name}.hl7", env!("CARGO_MANIFEST_DIR"));
    let bytes = std::fs::read(&path).unwrap_or_else(|e| panic!("{path}: {e}"));
    let site = Site::new("lis");
    let Ok(Incoming::Orders(message)) = read(&bytes, &site) else { panic!("orders") };
    References::of(&message, &message.orders[0], &site)
}

fn whole(version: Version, change: impl FnOnce(&mut Layout)) -> Layout {
    changed(version, |layout| {
        layout.ordered_patient = OrderedPatient::Whole;
        change(layout);
    })
}

/// All pads but the one of our own table alone.
fn sample() -> Sample {
    let mut sample = routine();
    sample.observations.remove(0);
    Sample { remarks: vec![remark("Second strip")], ..sample }
}

fn answered(name: &str, layout: &Layout, specimen: &str, all: &[(References, &[&str])]) {
    let sample = Sample { specimen: Private::new(specimen), ..sample() };
    let pads: Vec<Vec<Text>> =
        all.iter().map(|(_, pads)| pads.iter().map(|pad| Text::from(*pad)).collect()).collect();
    let orders: Vec<Ordered<'_>> = all
        .iter()
        .zip(&pads)
        .zip(["KP1-417", "KP1-418"])
        .map(|(((references, _), pads), filler)| Ordered { references, pads, filler })
        .collect();
    kept_as(name, layout, &Outgoing { orders: &orders, ..sample.outgoing() });
}

const ALL: &[&str] = &["GLU", "PH", "SG"];

#[test]
fn results_of_one_order_in_each_version() {
    for (order, version, specimen) in [
        ("08-orm-o01-new-231", Version::V231, "KP-20419"),
        ("19-oml-o21-new-24", Version::V24, "KP-20424"),
        ("01-oml-o21-new-251", Version::V25, "KP-20417"),
        ("01-oml-o21-new-251", Version::V251, "KP-20417"),
    ] {
        let order = [(references(order), ALL)];
        answered("ordered", &whole(version, |_| {}), specimen, &order);
        let mut theirs = order.clone();
        theirs[0].0.filler = Given::kept("F77^LIS");
        let layout = whole(version, |l| l.filler = FillerNumber::Ordered);
        answered("ordered-filler", &layout, specimen, &theirs);
    }
}

#[test]
fn results_by_specimen_and_in_the_analyzer_profile() {
    let oul = whole(Version::V251, |l| l.structure = Structure::Oul);
    let order = [(references("18-oml-o35-container-251"), ALL)];
    answered("oul-ordered", &oul, "KP-20423", &order);
    let analyzers = whole(Version::V251, |l| {
        l.structure = Structure::Oul;
        l.profile = "LAB-29^IHE".into();
        l.acknowledge = wickline_forward::Acknowledge::Application;
    });
    let order = [(references("03-oml-o33-law-two-orders-251"), ALL)];
    answered("analyzers-ordered", &analyzers, "KP-20418", &order);
    answered("analyzers-bare", &analyzers, "KP-20425", &[]);
}

#[test]
fn results_of_two_orders() {
    let one = references("01-oml-o21-new-251");
    let two = References { placer: Given::kept("K884493^LIS"), ..one.clone() };
    let orders = [(one, ALL), (two, &["GLU"][..])];
    answered("several", &whole(Version::V251, |_| {}), "KP-20417", &orders);
    let oul = whole(Version::V251, |l| l.structure = Structure::Oul);
    answered("oul-several", &oul, "KP-20417", &orders);
}
