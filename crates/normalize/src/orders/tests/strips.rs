//! A strip and the orders of its specimen.

use super::super::{SameTest, Share, Unordered};
use super::*;
use crate::hold::Reason;

fn heard<'a>(specimen: &'a Private, pads: &'a [Text]) -> Heard<'a> {
    Heard { specimen, patient: None, pads, taken: None, optional: &[], control: false }
}

fn order(number: &str, second: u8, asked: &[&str]) -> Request {
    let mut request = request(Ask::New, number, second);
    request.wanted.as_mut().map(|w| w.pads = pads(asked)).expect("wanted");
    request
}

#[test]
fn row_18_an_order_of_two_specimens_is_answered_by_the_first() {
    let mut desk = Desk::new();
    let mut both = request(Ask::New, "K1", 0);
    both.wanted.as_mut().map(|w| w.specimens.push(private("KP-20422"))).expect("wanted");
    desk.ask(&both);
    assert_eq!(desk.goes_to("KP-20422"), [key("K1")]);
    desk.trace("K1", Trace::Waiting);
    assert_eq!(desk.strip("KP-20422"), Meet::Waits(Wait::AnsweredElsewhere));
    assert_eq!(desk.strip("KP-20417"), Meet::Again(vec![key("K1")]), "row 32: as without orders");
}

#[test]
fn row_19_each_order_gets_its_own_pads_and_a_shared_pad_twice() {
    let mut desk = Desk::new();
    desk.ask(&order("K1", 0, &["GLU", "PH"]));
    desk.ask(&order("K2", 0, &["GLU"]));
    let shares = vec![
        Share { key: key("K2"), pads: pads(&["GLU"]) },
        Share { key: key("K1"), pads: pads(&["GLU", "PH"]) },
    ];
    let wanted = Meet::Goes { shares, doubled: vec![], unordered: vec![] };
    assert_eq!(desk.strip("KP-20417"), wanted);
}

#[test]
fn of_two_orders_for_the_same_the_newest_is_answered() {
    for (first, second) in [("K1", "K2"), ("K2", "K1")] {
        let mut desk = Desk::new();
        desk.ask(&order(first, 1, &["GLU", "PH"]));
        desk.ask(&order(second, 2, &["GLU", "PH"]));
        let Meet::Goes { shares, doubled, .. } = desk.strip("KP-20417") else { panic!("it goes") };
        assert_eq!((&shares[0].key, doubled), (&key(second), vec![key(first)]));
        desk.rules.same_test = SameTest::All;
        assert_eq!(desk.goes_to("KP-20417").len(), 2);
    }
}

#[test]
fn row_26_pads_that_nobody_ordered_go_as_the_laboratory_decided() {
    let mut desk = Desk::new();
    desk.ask(&order("K1", 0, &["GLU"]));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::PadsUnordered));
    for unordered in [Unordered::Drop, Unordered::Send] {
        desk.rules.unordered = unordered;
        let Meet::Goes { shares, unordered, .. } = desk.strip("KP-20417") else {
            panic!("it goes")
        };
        assert_eq!((&shares[0].pads, unordered), (&pads(&["GLU"]), pads(&["PH"])));
    }
}

#[test]
fn row_27_a_strip_without_an_ordered_pad_waits() {
    let mut desk = Desk::new();
    desk.ask(&order("K1", 0, &["ALB", "GLU"]));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::PadsMissing));
}

#[test]
fn rows_23b_and_24_another_cup_and_an_id_that_nobody_ordered_wait() {
    let mut desk = Desk::new();
    let mut one = request(Ask::New, "K1", 0);
    one.wanted.as_mut().map(|w| w.collected = Some(NOW)).expect("wanted");
    desk.ask(&one);
    let (specimen, pads) = (private("KP-20417"), pads(&["GLU", "PH"]));
    let at = |taken| {
        let strip = Heard { taken: Some(taken), ..heard(&specimen, &pads) };
        desk.orders.meet(&strip, &desk.rules, NOW)
    };
    assert_eq!(at(NOW - 15 * 60 - 1), Meet::Waits(Wait::OrderAfterTest));
    assert!(matches!(at(NOW - 15 * 60), Meet::Goes { .. }));
    assert!(matches!(at(NOW + DAY), Meet::Goes { .. }));
    assert_eq!(at(NOW + DAY + 1), Meet::Waits(Wait::CollectedBefore));
    for other in ["KP-2041", "KP-20417-1", "kp-20417", "0KP-20417", ""] {
        assert_eq!(desk.strip(other), Meet::Waits(Wait::SpecimenUnknown), "{other}");
    }
}

#[test]
fn row_29_control_material_meets_no_order_and_its_order_lets_no_patient_go() {
    let mut desk = Desk::with_one();
    let (specimen, pads) = (private("KP-20417"), pads(&["GLU", "PH"]));
    let strip = Heard { optional: &[], control: true, ..heard(&specimen, &pads) };
    assert_eq!(desk.orders.meet(&strip, &desk.rules, NOW), Meet::Control);
    let mut material = request(Ask::New, "K2", 0);
    material
        .wanted
        .as_mut()
        .map(|w| (w.patient, w.control, w.specimens[0]) = (None, true, private("QC-L1")))
        .expect("wanted");
    assert_eq!(desk.ask(&material).done, Ok(()));
    assert_eq!(desk.strip("QC-L1"), Meet::Waits(Wait::OfMaterial));
    assert_eq!(Wait::OfMaterial.reason(), Reason::PatientConflict);
    // Where it was a patient's cup after all a person says that the order is wrong, and it is never right.
    assert!(!desk.orders.settle(&key("K2"), true, NOW));
    assert!(desk.orders.settle(&key("K2"), false, NOW));
    assert_eq!(desk.strip("QC-L1"), Meet::Waits(Wait::SpecimenUnknown));
    let nobody = Request {
        wanted: Ok(Wanted { patient: None, ..wanted("KP-20500", odile()) }),
        ..request(Ask::New, "K3", 0)
    };
    assert_eq!(desk.ask(&nobody).done, Err(Refusal::PatientMissing));
}

#[test]
fn row_34_an_analyzer_that_names_another_patient_holds() {
    let desk = Desk::with_one();
    let (specimen, pads) = (private("KP-20417"), pads(&["GLU", "PH"]));
    for (named, goes) in [("KP700101", true), ("KP700103", false), ("", true)] {
        let named = private(named);
        let strip = Heard { patient: Some(&named), ..heard(&specimen, &pads) };
        let met = desk.orders.meet(&strip, &desk.rules, NOW);
        assert_eq!(matches!(met, Meet::Goes { .. }), goes, "{met:?}");
        assert!(goes || met == Meet::Waits(Wait::PatientNamed));
    }
}

#[test]
fn row_34_a_replaced_order_says_nothing_of_who_the_patient_is_now() {
    let mut desk = Desk::with_one();
    let both = [request(Ask::Replace, "K1", 5), request(Ask::Replacing, "K2", 5)];
    desk.orders.take(&both, &desk.rules, NOW);
    let stays = known_as("KP700103");
    assert!(desk.orders.merge(&odile().id, &stays, NOW).is_ok());
    let (specimen, pads, named) = (private("KP-20417"), pads(&["GLU", "PH"]), stays.number);
    let strip = Heard { patient: Some(&named), ..heard(&specimen, &pads) };
    let met = desk.orders.meet(&strip, &desk.rules, NOW);
    assert!(matches!(met, Meet::Goes { .. }), "{met:?}");
}

#[test]
fn row_35_two_sources_count_alike_and_the_same_test_of_both_is_nobodys() {
    let mut desk = Desk::with_one();
    let mut ward = order("K1", 0, &["GLU"]);
    ward.key.source = "ward".into();
    assert_eq!(desk.ask(&ward).done, Ok(()));
    assert_eq!(desk.goes_to("KP-20417").len(), 2);
    let mut same = order("K2", 0, &["GLU", "PH"]);
    same.key.source = "ward".into();
    desk.ask(&same);
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::TwoSources));
}

#[test]
fn an_order_of_a_whole_strip_is_answered_without_the_pads_that_it_may_leave_out() {
    let (specimen, measured, optional) =
        (private("KP-20417"), pads(&["GLU", "PH"]), pads(&["COL"]));
    let mut desk = Desk::new();
    desk.ask(&order("K1", 0, &["COL", "GLU", "PH"]));
    let meet = |desk: &Desk, measured: &[Text]| {
        let heard = Heard { optional: &optional, ..heard(&specimen, measured) };
        desk.orders.meet(&heard, &desk.rules, desk.now)
    };
    assert!(matches!(meet(&desk, &measured), Meet::Goes { .. }));
    assert_eq!(
        desk.strip("KP-20417"),
        Meet::Waits(Wait::PadsMissing),
        "a pad that none may leave out"
    );
    // An order of that pad alone is not answered by a strip without it.
    let mut desk = Desk::new();
    desk.rules.unordered = Unordered::Drop;
    desk.ask(&order("K1", 0, &["COL"]));
    assert_eq!(meet(&desk, &measured), Meet::Waits(Wait::PadsMissing));
    assert!(matches!(meet(&desk, &pads(&["COL", "GLU", "PH"])), Meet::Goes { .. }));
}

#[test]
fn an_analyzer_is_told_the_orders_with_which_its_strip_would_go_and_no_others() {
    let asked = |desk: &Desk, specimen: &str, has: &[&str]| {
        desk.orders.asked(&private(specimen), &pads(has), &desk.rules, desk.now)
    };
    let ten = ["ALB", "GLU", "PH"];
    let mut desk = Desk::with_one();
    assert_eq!(asked(&desk, "KP-20417", &ten), [key("K1")], "whatever else the strip measures");
    assert_eq!(asked(&desk, "KP-20417", &["GLU"]), [], "a strip without an ordered pad would wait");
    for other in ["KP-2041", "KP-20417-1", "kp-20417", "0KP-20417", "", "KP-20499"] {
        assert_eq!(asked(&desk, other, &ten), [], "{other}");
    }
    desk.trace("K1", Trace::Sent);
    assert_eq!(asked(&desk, "KP-20417", &ten), [key("K1")], "a second strip of it would go too");
    for ask in [Ask::Cancel, Ask::Hold] {
        let mut desk = Desk::with_one();
        assert_eq!(desk.ask(&request(ask, "K1", 5)).done, Ok(()));
        assert_eq!(asked(&desk, "KP-20417", &ten), [], "{ask:?}");
    }
    let mut desk = Desk::with_one();
    let mut other = request(Ask::New, "K2", 1);
    other.wanted = Ok(wanted("KP-20417", ines()));
    desk.ask(&other);
    assert_eq!(asked(&desk, "KP-20417", &ten), [], "claimed for two patients: told of neither");
    let mut desk = Desk::new();
    let mut control = request(Ask::New, "K1", 0);
    control.wanted.as_mut().map(|w| (w.control, w.patient) = (true, None)).expect("wanted");
    assert_eq!(desk.ask(&control).done, Ok(()));
    assert_eq!(asked(&desk, "KP-20417", &ten), [], "control material has no orders here");
}

#[test]
fn row_32_a_second_strip_of_a_specimen_with_two_answered_orders_is_both_orders() {
    let mut desk = Desk::new();
    desk.ask(&order("K1", 0, &["GLU", "PH"]));
    desk.ask(&order("K2", 0, &["GLU"]));
    for number in ["K1", "K2"] {
        desk.trace(number, Trace::Sent);
    }
    assert_eq!(desk.strip("KP-20417"), Meet::Again(vec![key("K1"), key("K2")]));
}

/// The older one stays open, and no strip is taken for its own without a person.
#[test]
fn of_two_orders_for_the_same_the_older_one_is_not_answered_by_a_later_strip() {
    let mut desk = Desk::new();
    desk.ask(&order("K1", 1, &["GLU", "PH"]));
    desk.ask(&order("K2", 2, &["GLU", "PH"]));
    desk.trace("K2", Trace::Sent);
    assert_eq!(desk.standing("K1"), Some(Standing::Open));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::NewerAnswered));
    desk.ask(&order("K3", 3, &["GLU", "PH"]));
    assert_eq!(desk.goes_to("KP-20417"), [key("K3")], "a newer one gets its own");
    desk.rules.same_test = SameTest::All;
    assert_eq!(desk.goes_to("KP-20417").len(), 2);
}

/// Of two answered orders for the same a further strip is the newest one's alone.
#[test]
fn row_25_a_third_strip_answers_the_newest_alone() {
    let mut desk = Desk::new();
    desk.ask(&order("K1", 0, &["GLU", "PH"]));
    desk.trace("K1", Trace::Sent);
    desk.ask(&order("K2", 1, &["GLU", "PH"]));
    desk.trace("K2", Trace::Sent);
    assert_eq!(desk.strip("KP-20417"), Meet::Again(vec![key("K2")]));
}

/// Who ordered hears at once that no strip of it is waited for.
#[test]
fn row_33_what_was_collected_longer_ago_than_a_strip_is_waited_for_is_refused() {
    for (ago, done) in [(0, Ok(())), (1, Err(Refusal::CollectedLongAgo))] {
        let mut desk = Desk::new();
        let mut one = request(Ask::New, "K1", 0);
        let collected = NOW - desk.rules.expire - ago;
        one.wanted.as_mut().map(|w| w.collected = Some(collected)).expect("wanted");
        assert_eq!(desk.ask(&one).done, done);
        assert_eq!(desk.standing("K1").is_some(), done.is_ok());
        // Nor does a change make it so.
        let mut desk = Desk::with_one();
        let change = Request { ask: Ask::Change, at: at(5), ..one };
        assert_eq!(desk.ask(&change).done, done);
        assert_eq!(desk.standing("K1"), Some(Standing::Open));
    }
}
