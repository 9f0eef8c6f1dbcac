//! The table of cases, each by its row, as far as it is about orders alone.

use super::super::Progress;
use super::*;

#[test]
fn row_1_a_new_order_is_open_and_its_strip_goes_to_it() {
    let mut desk = Desk::new();
    let reply = desk.ask(&request(Ask::New, "K1", 0));
    assert_eq!((reply.done, reply.progress), (Ok(()), Some(Progress::Scheduled)));
    assert_eq!(reply.deeds, [Deed::Keep(key("K1")), Deed::JudgeAgain(key("K1"))]);
    assert_eq!(desk.standing("K1"), Some(Standing::Open));
    assert_eq!(desk.goes_to("KP-20417"), [key("K1")]);
}

#[test]
fn row_4_the_same_order_again_is_taken_and_changes_nothing_and_refused_where_the_profile_wants_it()
{
    let mut desk = Desk::with_one();
    let before = desk.orders.clone();
    let again = desk.ask(&request(Ask::New, "K1", 0));
    assert_eq!((again.done, again.deeds), (Ok(()), vec![]));
    desk.rules.again_refused = true;
    assert_eq!(desk.ask(&request(Ask::New, "K1", 0)).done, Err(Refusal::DuplicateOrder));
    assert_eq!(desk.orders, before);
}

#[test]
fn row_5_the_same_number_for_something_else_is_refused_and_told() {
    let other: [fn(&mut Wanted); 5] = [
        |w| w.test = private("UGLU"),
        |w| w.specimens = vec![private("KP-20418")],
        |w| (w.specimens[0], w.patient) = (private("KP-20418"), Some(ines())),
        |w| w.urgent = true,
        |w| w.collected = Some(NOW),
    ];
    for change in other {
        let mut desk = Desk::with_one();
        let before = desk.orders.clone();
        let mut again = request(Ask::New, "K1", 5);
        again.wanted.as_mut().map(change).expect("wanted");
        let reply = desk.ask(&again);
        assert_eq!(reply.done, Err(Refusal::DuplicateOrder));
        let other = again.wanted.is_ok_and(|said| said.patient == Some(ines()));
        let told = if other { Deed::NumberTwice } else { Deed::NumberShared };
        assert_eq!(reply.deeds, [told(key("K1"))]);
        assert_eq!(desk.orders, before);
    }
}

#[test]
fn row_6_a_closed_number_is_no_new_order_but_a_cancelled_one_may_be_asked_anew_and_later() {
    let mut desk = Desk::with_one();
    assert_eq!(desk.ask(&request(Ask::Cancel, "K1", 10)).done, Ok(()));
    for late in [9, 10] {
        assert_eq!(desk.ask(&request(Ask::New, "K1", late)).done, Err(Refusal::Closed));
    }
    let unsaid = Request { at: None, ..request(Ask::New, "K1", 0) };
    assert_eq!(desk.ask(&unsaid).done, Err(Refusal::Closed));
    assert_eq!(desk.ask(&request(Ask::New, "K1", 11)).done, Ok(()));
    assert_eq!(desk.goes_to("KP-20417"), [key("K1")]);
    assert!(desk.trace("K1", Trace::Sent));
    assert_eq!(desk.ask(&request(Ask::New, "K1", 30)).done, Err(Refusal::Closed));
}

#[test]
fn row_7_a_replaced_order_is_not_met_any_more() {
    let mut desk = Desk::with_one();
    let both = [request(Ask::Replace, "K1", 5), request(Ask::Replacing, "K2", 5)];
    let replies = desk.orders.take(&both, &desk.rules, NOW);
    assert_eq!(replies[0].done, Ok(()));
    assert_eq!(replies[0].progress, Some(Progress::Replaced));
    assert_eq!((replies[1].done, replies[1].progress), (Ok(()), Some(Progress::Scheduled)));
    assert_eq!(desk.standing("K1"), Some(Standing::Replaced));
    assert_eq!(desk.goes_to("KP-20417"), [key("K2")]);
}

#[test]
fn row_7_nothing_is_replaced_where_the_replacing_order_cannot_be_taken() {
    let mut desk = Desk::with_one();
    let before = desk.orders.clone();
    let mut new = request(Ask::Replacing, "K2", 5);
    new.wanted = Err(Refusal::TestUnknown);
    let replies = desk.orders.take(&[request(Ask::Replace, "K1", 5), new], &desk.rules, NOW);
    assert_eq!(replies[0].done, Err(Refusal::ReplacementRefused));
    assert_eq!(replies[1].done, Err(Refusal::TestUnknown));
    let alone = [request(Ask::Replace, "K1", 5), request(Ask::Status, "K1", 5)];
    let replies = desk.orders.take(&alone, &desk.rules, NOW);
    assert_eq!(replies[0].done, Err(Refusal::ReplacementRefused));
    let reply = desk.ask(&request(Ask::Replacing, "K2", 5));
    assert_eq!(reply.done, Err(Refusal::ReplacementRefused));
    assert_eq!(desk.orders, before);
}

#[test]
fn row_7a_what_is_answered_is_not_replaced() {
    for (trace, why) in
        [(Trace::Waiting, Refusal::ResultOnItsWay), (Trace::Sent, Refusal::ResultSent)]
    {
        let mut desk = Desk::with_one();
        assert!(desk.trace("K1", trace));
        let both = [request(Ask::Replace, "K1", 5), request(Ask::Replacing, "K2", 5)];
        let replies = desk.orders.take(&both, &desk.rules, NOW);
        assert_eq!(replies[0].done, Err(why));
        assert_eq!(replies[1].done, Err(Refusal::ReplacementRefused));
        assert_eq!(desk.standing("K2"), None);
    }
}

#[test]
fn row_7b_what_replaces_an_unknown_order_is_a_new_one() {
    let mut desk = Desk::new();
    let both = [request(Ask::Replace, "K1", 5), request(Ask::Replacing, "K2", 5)];
    let replies = desk.orders.take(&both, &desk.rules, NOW);
    assert_eq!(replies[0].done, Err(Refusal::OrderUnknown));
    assert_eq!(replies[1].done, Ok(()));
    assert_eq!((desk.standing("K1"), desk.standing("K2")), (None, Some(Standing::Open)));
}

#[test]
fn row_8_test_priority_and_times_change_and_patient_and_specimen_never_do() {
    let mut desk = Desk::with_one();
    let mut change = request(Ask::Change, "K1", 20);
    change.wanted.as_mut().map(|w| w.urgent = true).expect("wanted");
    let reply = desk.ask(&change);
    assert_eq!((reply.done, reply.deeds), (Ok(()), vec![Deed::Amend(key("K1"))]));
    assert!(desk.orders.get(&key("K1")).and_then(|o| o.wanted.as_ref()).is_some_and(|w| w.urgent));
    let before = desk.orders.clone();
    let other = Ok(wanted("KP-20418", odile()));
    let change = Request { wanted: other, ..request(Ask::Change, "K1", 21) };
    assert_eq!(desk.ask(&change).done, Err(Refusal::NotChangeable));
    let other = Ok(wanted("KP-20499", ines()));
    let change = Request { wanted: other, ..request(Ask::Change, "K1", 21) };
    assert_eq!(desk.ask(&change).done, Err(Refusal::OtherPatient));
    assert_eq!(desk.ask(&request(Ask::Change, "K9", 21)).done, Err(Refusal::OrderUnknown));
    let late = [request(Ask::Replace, "K1", 19), request(Ask::Replacing, "K2", 19)];
    let replies = desk.orders.take(&late, &desk.rules, NOW);
    assert_eq!(replies[0].done, Err(Refusal::Overtaken), "a replacement is no small thing");
    // Older than what was applied: no effect, and no complaint.
    let reply = desk.ask(&request(Ask::Change, "K1", 19));
    assert_eq!((reply.done, reply.deeds), (Ok(()), vec![Deed::Note(key("K1"))]));
    assert_eq!(desk.orders, before);
    desk.trace("K1", Trace::Held);
    let reply = desk.ask(&request(Ask::Change, "K1", 25));
    assert_eq!(reply.deeds, [Deed::Amend(key("K1")), Deed::JudgeAgain(key("K1"))]);
    desk.trace("K1", Trace::Sent);
    assert_eq!(desk.ask(&request(Ask::Change, "K1", 30)).done, Err(Refusal::ResultSent));
}

#[test]
fn row_9_what_is_cancelled_before_its_strip_holds_the_strip() {
    let mut desk = Desk::with_one();
    let reply = desk.ask(&request(Ask::Cancel, "K1", 5));
    assert_eq!((reply.done, reply.progress), (Ok(()), Some(Progress::Cancelled)));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::OrderCancelled));
    assert_eq!(desk.ask(&request(Ask::Cancel, "K1", 5)).done, Ok(()), "said again");
    assert!(!desk.trace("K1", Trace::Waiting), "no message is made for it");
}

#[test]
fn row_10_a_cancel_draws_a_waiting_message_back() {
    let mut desk = Desk::with_one();
    assert!(desk.trace("K1", Trace::Waiting));
    assert_eq!(desk.standing("K1"), Some(Standing::Answered));
    let reply = desk.ask(&request(Ask::Cancel, "K1", 5));
    assert_eq!(reply.done, Ok(()));
    let wanted = [
        Deed::DrawBack(key("K1")),
        Deed::Stand(key("K1"), Standing::Cancelled),
        Deed::JudgeAgain(key("K1")),
    ];
    assert_eq!(reply.deeds, wanted);
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::OrderCancelled));
}

#[test]
fn row_11_a_cancel_that_meets_a_tried_message_is_refused() {
    let mut desk = Desk::with_one();
    desk.trace("K1", Trace::Tried);
    let before = desk.orders.clone();
    let reply = desk.ask(&request(Ask::Cancel, "K1", 5));
    assert_eq!(reply.done, Err(Refusal::ResultOnItsWay));
    assert_eq!(reply.progress, Some(Progress::InProcess));
    assert_eq!(desk.orders, before);
}

#[test]
fn row_12_a_cancel_after_the_result_is_refused_with_our_number() {
    for (trace, progress) in [(Trace::Sent, Progress::Complete), (Trace::Partly, Progress::Partly)]
    {
        let mut desk = Desk::with_one();
        desk.trace("K1", trace);
        let reply = desk.ask(&request(Ask::Cancel, "K1", 5));
        assert_eq!(reply.done, Err(Refusal::ResultSent));
        assert_eq!(reply.progress, Some(progress));
        assert_eq!(reply.number.as_deref(), Some("B1-0314-0017"));
        // Told instead of asked: it cannot be refused, so a person is told.
        let told = desk.ask(&request(Ask::Cancelled, "K1", 6));
        assert_eq!((told.done, told.deeds), (Ok(()), vec![Deed::TellPerson(key("K1"))]));
        assert_eq!(desk.standing("K1"), Some(Standing::Answered));
    }
}

#[test]
fn row_13_a_cancel_that_comes_first_refuses_the_late_order() {
    let mut desk = Desk::new();
    let reply = desk.ask(&request(Ask::Cancel, "K1", 10));
    assert_eq!(reply.done, Err(Refusal::OrderUnknown));
    assert_eq!(reply.progress, Some(Progress::NotFound));
    assert_eq!(reply.deeds, [Deed::KeepNumber(key("K1"))]);
    assert_eq!(desk.ask(&request(Ask::New, "K1", 9)).done, Err(Refusal::Closed));
    assert_eq!(desk.ask(&request(Ask::Cancel, "K1", 12)).done, Err(Refusal::OrderUnknown));
    assert_eq!(desk.ask(&request(Ask::New, "K1", 11)).done, Err(Refusal::Closed));
    assert_eq!(desk.ask(&request(Ask::New, "K1", 13)).done, Ok(()));
}

#[test]
fn row_14_an_unknown_test_undoes_no_other_order_of_its_message() {
    let mut desk = Desk::new();
    let unknown = Request { wanted: Err(Refusal::TestUnknown), ..request(Ask::New, "K2", 0) };
    let both = [request(Ask::New, "K1", 0), unknown];
    let replies = desk.orders.take(&both, &desk.rules, NOW);
    assert_eq!(replies[0].done, Ok(()));
    assert_eq!((replies[1].done, replies[1].progress), (Err(Refusal::TestUnknown), None));
    assert_eq!(desk.standing("K2"), None, "a refused order is no order");
}

#[test]
fn row_15_one_specimen_for_two_patients_goes_for_neither() {
    let mut desk = Desk::with_one();
    let second = Request { wanted: Ok(wanted("KP-20417", ines())), ..request(Ask::New, "K2", 9) };
    let reply = desk.ask(&second);
    assert_eq!(reply.done, Err(Refusal::PatientConflict));
    let deeds = [Deed::Stand(key("K1"), Standing::Disputed), Deed::Dispute(key("K1"))];
    assert_eq!(reply.deeds, deeds);
    assert_eq!(desk.standing("K2"), None);
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::PatientConflict));
    // Cancelling the older order makes no room for the other patient.
    desk.ask(&request(Ask::Cancel, "K1", 20));
    let second = Request { at: at(30), ..second };
    assert_eq!(desk.ask(&second).done, Err(Refusal::PatientConflict));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::PatientConflict));
}

#[test]
fn row_15_a_waiting_message_is_drawn_back_and_a_sent_one_stays() {
    for (trace, standing) in
        [(Trace::Waiting, Standing::Disputed), (Trace::Tried, Standing::Answered)]
    {
        let mut desk = Desk::with_one();
        desk.trace("K1", trace);
        let second =
            Request { wanted: Ok(wanted("KP-20417", ines())), ..request(Ask::New, "K2", 9) };
        let reply = desk.ask(&second);
        assert_eq!(reply.done, Err(Refusal::PatientConflict));
        let back = [
            Deed::DrawBack(key("K1")),
            Deed::Stand(key("K1"), Standing::Disputed),
            Deed::JudgeAgain(key("K1")),
        ];
        let told = [Deed::Dispute(key("K1"))];
        let back: &[Deed] = if trace == Trace::Waiting { &back } else { &[] };
        assert_eq!(reply.deeds, [back, &told].concat());
        assert_eq!(desk.standing("K1"), Some(standing));
    }
}

#[test]
fn row_15_a_person_settles_a_dispute() {
    for (right, standing) in [(true, Standing::Open), (false, Standing::ClosedElsewhere)] {
        let mut desk = Desk::with_one();
        assert!(!desk.orders.settle(&key("K1"), right, NOW), "nothing is disputed");
        let second =
            Request { wanted: Ok(wanted("KP-20417", ines())), ..request(Ask::New, "K2", 9) };
        desk.ask(&second);
        assert!(desk.orders.settle(&key("K1"), right, NOW));
        assert_eq!(desk.standing("K1"), Some(standing));
        // What was wrong claims the specimen no more: the right order can come.
        let other = if right { Err(Refusal::PatientConflict) } else { Ok(()) };
        assert_eq!(desk.ask(&second).done, other);
    }
}

#[test]
fn row_15_a_cancelled_order_gives_its_specimen_free_when_a_person_says_so() {
    let mut desk = Desk::with_one();
    desk.ask(&request(Ask::Cancel, "K1", 5));
    assert!(!desk.orders.settle(&key("K1"), false, NOW), "nobody disputes it");
    let second = Request { wanted: Ok(wanted("KP-20417", ines())), ..request(Ask::New, "K2", 9) };
    assert_eq!(desk.ask(&second).done, Err(Refusal::PatientConflict));
    assert!(desk.orders.settle(&key("K1"), false, NOW));
    assert_eq!(desk.standing("K1"), Some(Standing::Cancelled));
    assert_eq!(desk.ask(&second).done, Ok(()));
    assert_eq!(desk.goes_to("KP-20417"), [key("K2")]);
}

#[test]
fn row_15a_an_id_that_was_closed_long_ago_may_be_another_specimens() {
    let mut desk = Desk::with_one();
    desk.trace("K1", Trace::Sent);
    let second = Request { wanted: Ok(wanted("KP-20417", ines())), ..request(Ask::New, "K2", 9) };
    desk.now = NOW + 30 * DAY;
    assert_eq!(desk.ask(&second).done, Err(Refusal::PatientConflict));
    desk.now += 1;
    assert_eq!(desk.ask(&second).done, Ok(()));
    assert_eq!(desk.goes_to("KP-20417"), [key("K2")]);
}

#[test]
fn rows_16_and_17_without_a_good_specimen_id_there_is_no_order_or_one_that_waits_for_it() {
    let mut desk = Desk::new();
    let mut none = request(Ask::New, "K1", 0);
    none.wanted.as_mut().map(|w| w.specimens.clear()).expect("wanted");
    assert_eq!(desk.ask(&none).done, Err(Refusal::SpecimenMissing));
    desk.rules.specimen_later = true;
    assert_eq!(desk.ask(&none).done, Err(Refusal::SpecimenMissing), "it is not said to come");
    none.wanted.as_mut().map(|w| w.to_come = true).expect("wanted");
    assert_eq!(desk.ask(&none).done, Ok(()));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::SpecimenUnknown));
    let reply = desk.ask(&request(Ask::Change, "K1", 5));
    assert_eq!(reply.deeds, [Deed::Amend(key("K1")), Deed::JudgeAgain(key("K1"))]);
    assert_eq!(desk.goes_to("KP-20417"), [key("K1")]);
    let bad = Request { wanted: Err(Refusal::SpecimenMalformed), ..request(Ask::New, "K2", 0) };
    assert_eq!(desk.ask(&bad).done, Err(Refusal::SpecimenMalformed));
}

#[test]
fn row_20_what_is_open_goes_to_the_patient_that_stays_and_chains_are_followed() {
    let mut desk = Desk::with_one();
    let patient =
        |desk: &Desk| desk.orders.get(&key("K1")).and_then(|o| o.patient()).map(|p| p.id.clone());
    let (second, third) = (known_as("KP700103"), known_as("KP700109"));
    assert_eq!(desk.orders.merge(&odile().id, &second, NOW), Ok(vec![Deed::Person(key("K1"))]));
    assert_eq!(patient(&desk), Some(second.id.clone()));
    assert_eq!(desk.orders.merge(&odile().id, &second, NOW), Ok(vec![]), "said again");
    assert!(desk.orders.merge(&second.id, &odile(), NOW).is_err(), "a circle");
    assert_eq!(desk.orders.merge(&second.id, &third, NOW), Ok(vec![Deed::Person(key("K1"))]));
    assert_eq!(
        desk.orders.merge(&odile().id, &third, NOW),
        Ok(vec![]),
        "known by the way of another"
    );
    assert!(desk.orders.merge(&third.id, &odile(), NOW).is_err(), "a longer circle");
    assert_eq!(patient(&desk), Some(third.id));
    // An order that still names the first is the same patient's.
    assert_eq!(desk.ask(&request(Ask::New, "K2", 9)).done, Ok(()));
    let nobody = person("KP700999", "", "");
    assert_eq!(desk.orders.merge(&nobody.id, &second, NOW), Ok(vec![]));
    assert_eq!(desk.orders.merged().count(), 2, "nothing is kept of patients without orders");
}

#[test]
fn row_20_a_merge_lifts_no_dispute_but_tells_of_it() {
    let mut desk = Desk::with_one();
    let second = Request { wanted: Ok(wanted("KP-20417", ines())), ..request(Ask::New, "K2", 9) };
    desk.ask(&second);
    let deeds = desk.orders.merge(&odile().id, &known_as("KP700103"), NOW);
    assert_eq!(deeds, Ok(vec![Deed::Person(key("K1")), Deed::Dispute(key("K1"))]));
    assert_eq!(desk.standing("K1"), Some(Standing::Disputed));
}

#[test]
fn row_21_what_is_told_after_a_result_was_sent_is_told_of_the_patient_as_known_then() {
    for trace in [Trace::Tried, Trace::Sent] {
        let mut desk = Desk::with_one();
        desk.trace("K1", trace);
        let renamed = person("KP700101", "Tern-Invented^Odile", "");
        assert_eq!(desk.orders.update(&renamed, NOW), [Deed::Person(key("K1"))]);
        let stays = known_as("KP700103");
        let deeds = desk.orders.merge(&odile().id, &stays, NOW);
        assert_eq!(deeds, Ok(vec![Deed::Person(key("K1"))]));
        assert_eq!(desk.orders.get(&key("K1")).and_then(|o| o.patient()), Some(&stays));
        assert_eq!(desk.standing("K1"), Some(Standing::Answered));
    }
}

#[test]
fn row_21_whom_a_closed_order_has_forgotten_it_does_not_learn_again() {
    let mut desk = Desk::with_one();
    desk.trace("K1", Trace::Sent);
    let mut own = desk.orders.get(&key("K1")).expect("an order").clone();
    let patient = own.wanted.as_mut().and_then(|wanted| wanted.patient.as_mut());
    *patient.expect("a patient") = person("KP700101", "", "");
    let mut orders = Orders::new([own], []);
    assert_eq!(orders.update(&odile(), NOW), []);
    assert_eq!(orders.merge(&odile().id, &ines(), NOW), Ok(vec![]));
    let patient = orders.get(&key("K1")).and_then(|o| o.patient());
    assert!(patient.is_some_and(|own| own.name.is_empty() && own.born.is_empty()));
}

#[test]
fn row_22_somebody_else_by_name_and_birth_date_is_told_where_the_result_is_out_and_keeps_nothing_back()
 {
    let mut desk = Desk::with_one();
    desk.trace("K1", Trace::Sent);
    let other = person("KP700101", "Plover-Invented^Ines", "19850517");
    let second = Request { wanted: Ok(wanted("KP-20419", other)), ..request(Ask::New, "K2", 9) };
    let reply = desk.ask(&second);
    assert!(reply.deeds.contains(&Deed::Dispute(key("K1"))), "{:?}", reply.deeds);
    assert_eq!(desk.standing("K1"), Some(Standing::Answered));
    assert_eq!(desk.standing("K2"), Some(Standing::Open));
    assert_eq!(desk.orders.get(&key("K1")).map(|o| o.rivals.len()), Some(1), "it is listed");
    assert!(desk.orders.settle(&key("K1"), true, NOW), "and can be settled");
}

#[test]
fn row_22_a_changed_name_is_taken_over_and_another_name_and_birth_date_are_somebody_else() {
    let mut desk = Desk::with_one();
    let renamed = person("KP700101", "Tern-Invented^Odile", "");
    assert_eq!(desk.orders.update(&renamed, NOW), [Deed::Person(key("K1"))]);
    let own = desk.orders.get(&key("K1")).and_then(|o| o.patient()).expect("a patient");
    assert_eq!((own.name.expose(), own.born.expose()), ("Tern-Invented^Odile", "19580203"));
    assert_eq!(desk.orders.update(&renamed, NOW), [], "nothing new");
    let other = person("KP700101", "Plover-Invented^Ines", "19850517");
    let second = Request { wanted: Ok(wanted("KP-20419", other)), ..request(Ask::New, "K2", 9) };
    assert_eq!(desk.ask(&second).done, Ok(()));
    for number in ["K1", "K2"] {
        assert_eq!(desk.standing(number), Some(Standing::Disputed), "{number}");
    }
    assert_eq!(desk.strip("KP-20419"), Meet::Waits(Wait::PatientChanged));
}

#[test]
fn row_22_two_quotes_erase_and_nothing_says_nothing() {
    let mut desk = Desk::with_one();
    desk.orders.update(&person("KP700101", "\"\"", ""), NOW);
    let own = desk.orders.get(&key("K1")).and_then(|o| o.patient()).expect("a patient");
    assert_eq!((own.name.expose(), own.born.expose()), ("", "19580203"));
}

#[test]
fn row_33_an_order_without_a_strip_expires_by_our_clock() {
    let mut desk = Desk::with_one();
    let mut collected = request(Ask::New, "K2", 0);
    collected.wanted.as_mut().map(|w| w.collected = Some(NOW - 2 * HOUR)).expect("wanted");
    let mut ahead = request(Ask::New, "K3", 0);
    ahead.wanted.as_mut().map(|w| w.collected = Some(NOW + 9_000 * DAY)).expect("wanted");
    desk.ask(&collected);
    desk.ask(&ahead);
    let rules = desk.rules;
    assert_eq!(desk.orders.expire(&rules, NOW + 70 * HOUR), []);
    let expired = |number| [Deed::Stand(key(number), Standing::Expired)];
    assert_eq!(desk.orders.expire(&rules, NOW + 70 * HOUR + 1), expired("K2"));
    assert_eq!(desk.orders.expire(&rules, NOW + 7 * DAY + 1), expired("K1"));
    assert_eq!(desk.orders.expire(&rules, NOW + 10 * DAY + 1), expired("K3"));
    desk.now = NOW + 10 * DAY + 1;
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::OrderExpired));
    assert_eq!(desk.ask(&request(Ask::New, "K1", 50)).done, Err(Refusal::Closed));
}

#[test]
fn row_33_a_heard_strip_keeps_its_order() {
    let mut desk = Desk::with_one();
    desk.trace("K1", Trace::Held);
    let rules = desk.rules;
    assert_eq!(desk.orders.expire(&rules, NOW + 90 * DAY), []);
}

#[test]
fn a_held_order_waits_until_its_source_releases_it() {
    let mut desk = Desk::with_one();
    assert_eq!(desk.ask(&request(Ask::Hold, "K1", 5)).done, Ok(()));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::OrderOnHold));
    let stale = desk.ask(&request(Ask::Release, "K1", 4));
    assert_eq!(stale.done, Err(Refusal::Overtaken));
    assert_eq!(desk.ask(&request(Ask::Release, "K1", 6)).done, Ok(()));
    assert_eq!(desk.goes_to("KP-20417"), [key("K1")]);
    assert_eq!(desk.ask(&request(Ask::Held, "K1", 7)).done, Ok(()));
    assert_eq!(desk.standing("K1"), Some(Standing::OnHold));
}

#[test]
fn what_a_source_has_from_elsewhere_is_closed_and_what_is_out_is_told_a_person() {
    let mut desk = Desk::with_one();
    desk.ask(&request(Ask::Completed, "K1", 5));
    assert_eq!(desk.standing("K1"), Some(Standing::ClosedElsewhere));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::OrderClosed));
    assert_eq!(desk.ask(&request(Ask::Cancel, "K1", 9)).done, Err(Refusal::Closed));
    let mut desk = Desk::with_one();
    desk.trace("K1", Trace::Waiting);
    let reply = desk.ask(&request(Ask::Completed, "K1", 5));
    assert_eq!(reply.deeds, [Deed::TellPerson(key("K1"))]);
}

#[test]
fn what_may_have_arrived_is_never_untold() {
    use Trace::{Held, None, Partly, Sent, Tried, Waiting};
    let all = [None, Held, Waiting, Tried, Partly, Sent];
    let rows: [(Trace, &[Trace]); 6] = [
        (None, &all),
        (Held, &all),
        (Waiting, &all),
        // Its receiver has refused it: it never had it.
        (Tried, &[Held, Tried, Partly, Sent]),
        (Partly, &[Partly, Sent]),
        (Sent, &[Sent]),
    ];
    for (from, to) in rows {
        for next in all {
            assert_eq!(from.may_become(next), to.contains(&next), "{from:?} to {next:?}");
        }
    }
    let mut desk = Desk::with_one();
    assert!(desk.trace("K1", Tried) && desk.trace("K1", Held));
    assert_eq!(desk.standing("K1"), Some(Standing::Open));
    assert_eq!(desk.ask(&request(Ask::Cancel, "K1", 5)).done, Ok(()));
}

#[test]
fn standings_are_known_by_their_codes() {
    for standing in Standing::ALL {
        assert_eq!(standing.code().parse(), Ok(standing));
    }
    let told = "lost".parse::<Standing>().expect_err("no standing");
    assert!(told.contains("open, on-hold, answered"), "{told}");
}
