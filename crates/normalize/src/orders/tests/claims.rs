//! One specimen, or one number, for two patients: who hears of it, whatever stands where.

use super::*;

fn claimed_by_ines(desk: &mut Desk, second: u8) -> Result<(), Refusal> {
    let other =
        Request { wanted: Ok(wanted("KP-20417", ines())), ..request(Ask::New, "K2", second) };
    desk.ask(&other).done
}

#[test]
fn row_15_a_claim_that_a_person_has_refuted_is_refused_again_and_disputes_nothing() {
    let mut desk = Desk::with_one();
    assert_eq!(claimed_by_ines(&mut desk, 1), Err(Refusal::PatientConflict));
    assert!(desk.orders.settle(&key("K1"), true, NOW));
    assert_eq!(claimed_by_ines(&mut desk, 2), Err(Refusal::PatientConflict));
    assert_eq!(desk.standing("K1"), Some(Standing::Open), "the same again says nothing new");
    // The refuted one is found to be somebody who claims it by another id: the same claim.
    let third = person("KP700109", "Plover-Invented^Ines", "19850517");
    assert_eq!(desk.orders.merge(&ines().id, &third, NOW), Ok(vec![]));
    let again = Request { wanted: Ok(wanted("KP-20417", third)), ..request(Ask::New, "K3", 3) };
    assert_eq!(desk.ask(&again).done, Err(Refusal::PatientConflict));
    assert_eq!(desk.standing("K1"), Some(Standing::Open));
    // A slip of the person: it is wrong after all, and the claim that was refuted is taken.
    let mut slip = Desk { orders: desk.orders.clone(), ..Desk::with_one() };
    assert!(slip.orders.settle(&key("K1"), false, NOW));
    assert_eq!(slip.standing("K1"), Some(Standing::ClosedElsewhere));
    assert_eq!(claimed_by_ines(&mut slip, 5), Ok(()));
    assert!(!slip.orders.settle(&key("K1"), true, NOW), "its specimen was given away");
    // Somebody else's claim is another one.
    let other = person("KP700111", "Wren-Invented^Ute", "19700101");
    let other = Request { wanted: Ok(wanted("KP-20417", other)), ..request(Ask::New, "K4", 4) };
    assert_eq!(desk.ask(&other).done, Err(Refusal::PatientConflict));
    assert_eq!(desk.standing("K1"), Some(Standing::Disputed));
}

#[test]
fn what_was_called_right_by_a_slip_is_wrong_in_sight_until_it_is_taken_back() {
    let mut desk = Desk::with_one();
    assert_eq!(claimed_by_ines(&mut desk, 1), Err(Refusal::PatientConflict));
    assert!(desk.orders.settle(&key("K1"), true, NOW));
    desk.trace("K1", Trace::Sent);
    assert!(desk.orders.settle(&key("K1"), false, NOW));
    let own = desk.orders.get(&key("K1")).expect("an order");
    assert!(own.is_disputed(), "what is out under it stays in sight");
    // An order that nobody ever claimed is disputed by nobody.
    let mut desk = Desk::with_one();
    assert!(!desk.orders.settle(&key("K1"), false, NOW));
}

#[test]
fn row_22_a_description_that_a_person_has_refuted_disputes_nothing_again() {
    let mut desk = Desk::with_one();
    let other = person("KP700101", "Plover-Invented^Ines", "19850517");
    desk.orders.update(&other, NOW);
    let said = |desk: &Desk| desk.orders.get(&key("K1")).and_then(|o| o.wanted.clone()?.said);
    assert_eq!(said(&desk), Some(other.clone()), "what is said now is kept beside what was");
    assert!(desk.orders.settle(&key("K1"), true, NOW));
    assert_eq!(desk.orders.update(&other, NOW), []);
    assert_eq!(desk.standing("K1"), Some(Standing::Open));
    let own = desk.orders.get(&key("K1")).and_then(|o| o.patient()).expect("a patient");
    assert_eq!(own.name, odile().name, "it was refuted: it is not learned");
    let third = person("KP700101", "Wren-Invented^Ute", "19700101");
    desk.orders.update(&third, NOW);
    assert_eq!(desk.standing("K1"), Some(Standing::Disputed), "another description is news");
    assert_eq!(said(&desk), Some(third));
}

#[test]
fn what_a_person_called_wrong_stays_disputed_until_what_is_out_is_taken_back() {
    let mut desk = Desk::with_one();
    desk.trace("K1", Trace::Sent);
    assert_eq!(claimed_by_ines(&mut desk, 1), Err(Refusal::PatientConflict));
    assert!(desk.orders.settle(&key("K1"), false, NOW));
    let own = |desk: &Desk| desk.orders.get(&key("K1")).expect("an order").clone();
    assert!(own(&desk).is_denied() && own(&desk).is_disputed());
    assert_eq!(claimed_by_ines(&mut desk, 2), Ok(()), "it claims its specimen no more");
    let back = own(&desk).traced(Trace::None, None);
    assert_eq!((back.standing, back.is_disputed()), (Standing::ClosedElsewhere, false));
    // A slip of the person: it is its strip's again, unless that is another patient's by now.
    assert!(!desk.orders.settle(&key("K1"), true, NOW), "its specimen was given away");
    let theirs = wanted("KP-20417", ines());
    let cancel = Request { wanted: Ok(theirs), ..request(Ask::Cancel, "K2", 3) };
    assert_eq!(desk.ask(&cancel).done, Ok(()));
    assert_eq!(desk.standing("K2"), Some(Standing::Cancelled));
    assert!(desk.orders.settle(&key("K1"), true, NOW));
    assert!(!own(&desk).is_disputed());
    assert_eq!(own(&desk).wanted.expect("wanted").specimens, [private("KP-20417")]);
}

#[test]
fn row_22_a_merge_into_somebody_else_by_name_and_birth_date_is_a_person_s_to_decide() {
    let mut desk = Desk::with_one();
    let deeds = desk.orders.merge(&odile().id, &ines(), NOW);
    let told = [Deed::Stand(key("K1"), Standing::Disputed), Deed::Dispute(key("K1"))];
    assert_eq!(deeds, Ok(told.to_vec()));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::PatientChanged));
    let wanted = |desk: &Desk| desk.orders.get(&key("K1")).and_then(|o| o.wanted.clone());
    let own = wanted(&desk).expect("wanted");
    assert_eq!((own.patient, own.said), (Some(odile()), Some(ines())), "as was, and as is said");
    assert!(desk.orders.settle(&key("K1"), true, NOW));
    assert_eq!(desk.goes_to("KP-20417"), [key("K1")]);
    assert_eq!(wanted(&desk).and_then(|own| own.patient), Some(odile()), "as ordered");
    assert_eq!(desk.orders.update(&ines(), NOW), [], "that is known");
    // Where the result is out it is told, and what is told later is of whom it went for.
    for trace in [Trace::Tried, Trace::Sent] {
        let mut desk = Desk::with_one();
        desk.trace("K1", trace);
        let deeds = desk.orders.merge(&odile().id, &ines(), NOW);
        assert_eq!(deeds, Ok(vec![Deed::Dispute(key("K1"))]));
        assert_eq!(desk.standing("K1"), Some(Standing::Answered));
        assert!(desk.orders.get(&key("K1")).is_some_and(|order| order.is_disputed()));
        assert_eq!(wanted(&desk).and_then(|own| own.patient), Some(odile()));
    }
}

#[test]
fn row_22_what_was_called_wrong_is_ordered_anew_for_whom_the_source_names_now() {
    let now = Person { id: odile().id, number: odile().number, ..ines() };
    for (merged, patient) in [(true, ines()), (false, now)] {
        let mut desk = Desk::with_one();
        if merged {
            desk.orders.merge(&odile().id, &ines(), NOW).expect("merged");
        } else {
            desk.orders.update(&patient, NOW);
        }
        assert!(desk.orders.settle(&key("K1"), false, NOW));
        // Whom a person called wrong stays wrong under any number; who is somebody else is the right patient now.
        let again = super::wanted("KP-20417", odile());
        let refused = desk.ask(&Request { wanted: Ok(again), ..request(Ask::New, "K8", 8) });
        assert_eq!(refused.done, Err(Refusal::PatientConflict), "{merged}");
        let anew = super::wanted("KP-20417", patient);
        let taken = desk.ask(&Request { wanted: Ok(anew), ..request(Ask::New, "K9", 9) });
        assert_eq!(taken.done, Ok(()), "{merged}");
        assert_eq!(desk.goes_to("KP-20417"), [key("K9")], "{merged}");
    }
}

/// Under the number K1, which the desk knows for Odile's KP-20417.
fn under_k1(desk: &mut Desk, specimen: &str, patient: Person) -> Reply {
    desk.ask(&Request { wanted: Ok(wanted(specimen, patient)), ..request(Ask::New, "K1", 9) })
}

#[test]
fn row_6_another_patient_s_order_under_a_closed_number_is_told() {
    let out = || {
        let mut desk = Desk::with_one();
        desk.trace("K1", Trace::Sent);
        desk
    };
    let mut desk = out();
    let reply = under_k1(&mut desk, "KP-20491", ines());
    assert_eq!(
        (reply.done, reply.deeds),
        (Err(Refusal::Closed), vec![Deed::NumberTwice(key("K1"))])
    );
    // Of the same specimen: who got the result may be the wrong one.
    let mut desk = out();
    let reply = under_k1(&mut desk, "KP-20417", ines());
    assert_eq!(reply.done, Err(Refusal::Closed));
    assert_eq!(reply.deeds, [Deed::Dispute(key("K1")), Deed::NumberTwice(key("K1"))]);
    let own = desk.orders.get(&key("K1")).expect("an order");
    assert_eq!((own.standing, &own.rivals[..]), (Standing::Answered, &[ines().id][..]));
    // Yesterday's file once more says nothing new, not even where it was changed since.
    let mut desk = out();
    assert_eq!(under_k1(&mut desk, "KP-20417", odile()).deeds, []);
    let mut again = request(Ask::New, "K1", 9);
    again.wanted.as_mut().map(|w| w.urgent = true).expect("wanted");
    assert_eq!(desk.ask(&again).deeds, []);
}

#[test]
fn row_5_another_patient_under_the_number_and_specimen_of_an_open_order_gets_no_result_either() {
    let mut desk = Desk::with_one();
    let reply = under_k1(&mut desk, "KP-20417", ines());
    assert_eq!(reply.done, Err(Refusal::DuplicateOrder));
    assert!(reply.deeds.contains(&Deed::NumberTwice(key("K1"))), "{:?}", reply.deeds);
    assert_eq!(desk.standing("K1"), Some(Standing::Disputed));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::PatientConflict));
}

#[test]
fn row_15_a_strip_of_what_was_cancelled_and_is_another_s_now_waits_for_who_settles_that() {
    let mut desk = Desk::with_one();
    desk.ask(&request(Ask::Cancel, "K1", 1));
    desk.trace("K1", Trace::Held);
    let second = Request { wanted: Ok(wanted("KP-20417", ines())), ..request(Ask::New, "K2", 9) };
    let reply = desk.ask(&second);
    assert_eq!(reply.done, Err(Refusal::PatientConflict));
    assert_eq!(reply.deeds, [Deed::JudgeAgain(key("K1")), Deed::Dispute(key("K1"))]);
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::PatientConflict));
    // The tube may be hers whose order was cancelled.
    let mut right = Desk { orders: desk.orders.clone(), ..Desk::new() };
    assert!(right.orders.settle(&key("K1"), true, NOW));
    assert_eq!(right.strip("KP-20417"), Meet::Waits(Wait::OrderCancelled));
    assert!(desk.orders.settle(&key("K1"), false, NOW));
    assert_eq!(desk.ask(&second).done, Ok(()));
    assert_eq!(desk.goes_to("KP-20417"), [key("K2")]);
}

#[test]
fn of_two_orders_in_one_second_the_later_one_is_answered_and_the_older_one_not_by_a_second_strip() {
    // By their names the one that came first would be the later.
    for (first, second) in [("K5", "K6"), ("K6", "K5")] {
        let mut desk = Desk::new();
        let both = [request(Ask::New, first, 0), request(Ask::New, second, 0)];
        desk.orders.take(&both, &desk.rules, NOW);
        assert_eq!(desk.goes_to("KP-20417"), [key(second)]);
        desk.trace(second, Trace::Sent);
        assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::NewerAnswered));
    }
}

#[test]
fn what_is_among_the_refused_keeps_its_number_and_specimen() {
    let mut desk = Desk::with_one();
    desk.trace("K1", Trace::Waiting);
    let own = desk.orders.get(&key("K1")).expect("an order").clone();
    let refused = own.clone().traced(Trace::Held, None);
    assert_eq!((refused.standing, refused.closed), (Standing::Open, None));
    let again = refused.traced(Trace::Waiting, None);
    assert_eq!(
        (again.standing, &again.by, &again.number),
        (Standing::Answered, &own.by, &own.number)
    );
    assert!(again.closed.is_some(), "what is closed was closed at some time");
}

/// The same patient's order of the same specimen under another number.
fn second_of_odile(desk: &mut Desk, number: &str, second: u8) -> Result<(), Refusal> {
    desk.ask(&request(Ask::New, number, second)).done
}

#[test]
fn row_15_a_dispute_and_what_a_person_says_of_it_are_of_every_order_of_the_patient_for_the_specimen()
 {
    for cancelled in [false, true] {
        let mut desk = Desk::with_one();
        if cancelled {
            desk.ask(&request(Ask::Cancel, "K1", 1));
        }
        assert_eq!(claimed_by_ines(&mut desk, 2), Err(Refusal::PatientConflict));
        assert_eq!(second_of_odile(&mut desk, "K4", 3), Ok(()));
        assert_eq!(desk.standing("K4"), Some(Standing::Disputed), "as the first is");
        let mut right = Desk { orders: desk.orders.clone(), ..Desk::new() };
        assert!(right.orders.settle(&key("K1"), true, NOW));
        assert_eq!(right.standing("K4"), Some(Standing::Open), "right is right for both");
        assert_eq!(second_of_odile(&mut right, "K5", 4), Ok(()));
        assert_eq!(claimed_by_ines(&mut right, 5), Err(Refusal::PatientConflict));
        assert_eq!(right.standing("K5"), Some(Standing::Open), "refuted, also for the later one");
        assert!(desk.orders.settle(&key("K1"), false, NOW));
        assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::SpecimenUnknown));
        // Also for what comes later, under whichever number; it disputes nothing.
        assert_eq!(second_of_odile(&mut desk, "K5", 4), Err(Refusal::PatientConflict));
        assert!(second_of_odile(&mut desk, "K1", 5).is_err());
        assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::SpecimenUnknown));
        assert_eq!(claimed_by_ines(&mut desk, 6), Ok(()));
        assert_eq!(second_of_odile(&mut desk, "K6", 7), Err(Refusal::PatientConflict));
        assert_eq!(desk.goes_to("KP-20417"), [key("K2")]);
    }
}

#[test]
fn row_22_whom_a_merge_made_somebody_else_is_settled_apart() {
    let mut desk = Desk::with_one();
    assert!(desk.orders.merge(&odile().id, &ines(), NOW).is_ok());
    assert_eq!(claimed_by_ines(&mut desk, 2), Ok(()), "one patient by the id");
    assert_eq!(desk.standing("K2"), Some(Standing::Disputed));
    assert!(desk.orders.settle(&key("K1"), false, NOW));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::PatientChanged));
    assert!(desk.orders.settle(&key("K2"), true, NOW));
    assert_eq!(desk.goes_to("KP-20417"), [key("K2")]);
}

#[test]
fn row_15_a_cancelled_order_that_comes_again_is_still_disputed() {
    let mut desk = Desk::with_one();
    desk.ask(&request(Ask::Cancel, "K1", 1));
    assert_eq!(claimed_by_ines(&mut desk, 2), Err(Refusal::PatientConflict));
    assert_eq!(second_of_odile(&mut desk, "K1", 3), Ok(()));
    assert_eq!(desk.standing("K1"), Some(Standing::Disputed));
}

#[test]
fn row_15_what_is_wrong_for_one_specimen_leaves_a_second_order_its_other_one() {
    let mut desk = Desk::with_one();
    let mut two = request(Ask::New, "K4", 1);
    two.wanted.as_mut().map(|w| w.specimens.push(private("KP-20422"))).expect("wanted");
    assert_eq!(desk.ask(&two).done, Ok(()));
    assert_eq!(claimed_by_ines(&mut desk, 2), Err(Refusal::PatientConflict));
    assert!(desk.orders.settle(&key("K1"), false, NOW));
    assert_eq!(desk.strip("KP-20422"), Meet::Waits(Wait::PatientConflict), "a person says so");
    assert!(desk.orders.settle(&key("K4"), true, NOW));
    assert_eq!(desk.goes_to("KP-20422"), [key("K4")]);
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::SpecimenUnknown));
}

#[test]
fn row_15_a_second_strip_of_what_is_out_and_disputed_waits() {
    let mut by_claim = Desk::with_one();
    by_claim.trace("K1", Trace::Sent);
    let mut by_merge = Desk { orders: by_claim.orders.clone(), ..Desk::new() };
    assert_eq!(claimed_by_ines(&mut by_claim, 1), Err(Refusal::PatientConflict));
    assert!(by_merge.orders.merge(&odile().id, &ines(), NOW).is_ok());
    for (mut desk, wait) in [(by_claim, Wait::PatientConflict), (by_merge, Wait::PatientChanged)] {
        assert_eq!(desk.strip("KP-20417"), Meet::Waits(wait));
        assert!(desk.orders.settle(&key("K1"), true, NOW));
        assert_eq!(desk.strip("KP-20417"), Meet::Again(vec![key("K1")]));
    }
}

#[test]
fn row_22_who_becomes_somebody_else_step_by_step_is_compared_with_the_patient_as_ordered() {
    let born = person("KP700101", "Sandpiper-Invented^Odile", "19850517");
    let named = person("KP700101", "Plover-Invented^Ines", "");
    let merged = person("KP700109", "Sandpiper-Invented^Odile", "19850517");
    for by_merge in [false, true] {
        let mut desk = Desk::with_one();
        if by_merge {
            assert_eq!(
                desk.orders.merge(&odile().id, &merged, NOW),
                Ok(vec![Deed::Person(key("K1"))])
            );
        } else {
            assert_eq!(desk.orders.update(&born, NOW), [Deed::Person(key("K1"))]);
        }
        let id = if by_merge { &merged } else { &born };
        let said = Person { name: named.name.clone(), born: named.born.clone(), ..id.clone() };
        desk.orders.update(&said, NOW);
        assert_eq!(desk.standing("K1"), Some(Standing::Disputed));
        let own = desk.orders.get(&key("K1")).and_then(|o| o.wanted.clone()).expect("wanted");
        assert_eq!((own.ordered, own.said), (Some(odile()), Some(said)));
    }
    // Back again is nothing but that.
    let mut desk = Desk::with_one();
    desk.orders.update(&born, NOW);
    assert_eq!(desk.orders.update(&odile(), NOW), [Deed::Person(key("K1"))]);
    assert_eq!(desk.standing("K1"), Some(Standing::Open));
}

/// Rows 8 to 13: whatever is asked of an order that is here, for whom it is asked is looked at first.
#[test]
fn what_asks_something_of_an_order_for_another_patient_is_refused_and_told() {
    let asked = [Ask::Cancel, Ask::Hold, Ask::Release, Ask::Change, Ask::Replace, Ask::Status];
    let told = [Ask::Cancelled, Ask::Held, Ask::Changed, Ask::Replaced, Ask::Completed, Ask::Noted];
    let all = asked.iter().map(|ask| (*ask, Err(Refusal::OtherPatient)));
    for (ask, done) in all.chain(told.map(|ask| (ask, Ok(())))) {
        for (specimen, shared) in [("KP-20499", false), ("KP-20417", true)] {
            let by_test = Ok(wanted(specimen, ines()));
            for wanted in [by_test, Err(Refusal::TestUnknown)] {
                let mut desk = Desk::with_one();
                let specimens = vec![private(specimen)];
                let claim = Claim { patient: Some(ines().id), specimens };
                let reply = desk.ask(&Request { wanted, claim, ..request(ask, "K1", 5) });
                assert_eq!(reply.done, done, "{ask:?}");
                assert_eq!(reply.deeds.last(), Some(&Deed::NumberTwice(key("K1"))), "{ask:?}");
                let stands = if shared { Standing::Disputed } else { Standing::Open };
                assert_eq!(desk.standing("K1"), Some(stands), "{ask:?} of {specimen}");
            }
        }
    }
    // Who names nobody, or the same patient under another id, may.
    let mut desk = Desk::with_one();
    let nobody = Request { wanted: Err(Refusal::TestUnknown), ..request(Ask::Hold, "K1", 5) };
    assert_eq!(desk.ask(&nobody).done, Ok(()));
    let merged = known_as("KP700109");
    assert!(desk.orders.merge(&odile().id, &merged, NOW).is_ok());
    assert_eq!(desk.ask(&request(Ask::Cancel, "K1", 6)).done, Ok(()));
}

#[test]
fn a_disputed_order_whose_result_is_taken_back_stays_disputed() {
    let mut desk = Desk::with_one();
    desk.trace("K1", Trace::Sent);
    assert_eq!(claimed_by_ines(&mut desk, 1), Err(Refusal::PatientConflict));
    let back = desk.orders.get(&key("K1")).expect("an order").clone().traced(Trace::None, None);
    assert_eq!((back.standing, back.closed), (Standing::Disputed, None));
    // Told by hand after all that its receiver has it.
    let out = back.clone().traced(Trace::Sent, None);
    assert_eq!((out.standing, out.is_disputed()), (Standing::Answered, true));
    let mut desk = Desk { orders: Orders::new([back], []), ..Desk::new() };
    assert!(desk.orders.settle(&key("K1"), true, NOW));
    assert_eq!(desk.goes_to("KP-20417"), [key("K1")]);
}

#[test]
fn what_a_person_called_wrong_by_a_slip_is_right_again_while_nothing_went_out() {
    let mut desk = Desk::with_one();
    assert_eq!(second_of_odile(&mut desk, "K4", 1), Ok(()));
    assert_eq!(claimed_by_ines(&mut desk, 2), Err(Refusal::PatientConflict));
    assert!(desk.orders.settle(&key("K1"), false, NOW));
    assert!(!desk.orders.settle(&key("K1"), false, NOW), "it is wrong already");
    let mut taken = Desk { orders: desk.orders.clone(), ..Desk::new() };
    assert_eq!(claimed_by_ines(&mut taken, 3), Ok(()));
    assert!(!taken.orders.settle(&key("K1"), true, NOW), "its specimen is another patient's now");
    assert_eq!(taken.goes_to("KP-20417"), [key("K2")]);
    assert!(desk.orders.settle(&key("K1"), true, NOW));
    for number in ["K1", "K4"] {
        assert_eq!(desk.standing(number), Some(Standing::Open), "{number}");
    }
    assert_eq!(desk.goes_to("KP-20417"), [key("K4")], "the newer one, as before");
    assert_eq!(claimed_by_ines(&mut desk, 4), Err(Refusal::PatientConflict));
    assert_eq!(desk.standing("K1"), Some(Standing::Disputed), "whose it is was said by nobody");
    // One that its source cancelled stays cancelled.
    let mut desk = Desk::with_one();
    desk.ask(&request(Ask::Cancel, "K1", 1));
    assert_eq!(claimed_by_ines(&mut desk, 2), Err(Refusal::PatientConflict));
    assert!(desk.orders.settle(&key("K1"), false, NOW));
    assert!(desk.orders.settle(&key("K1"), true, NOW));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::OrderCancelled));
}

#[test]
fn row_22_right_is_the_patient_whom_a_person_saw_whatever_is_said_meanwhile() {
    let mut desk = Desk::with_one();
    desk.orders.update(&person("KP700101", "Plover-Invented^Ines", "19850517"), NOW);
    let slight = person("KP700101", "Sandpiper-Invented^Odette", "19580203");
    desk.orders.update(&slight, NOW);
    let wanted = |desk: &Desk| desk.orders.get(&key("K1")).and_then(|o| o.wanted.clone());
    let own = wanted(&desk).expect("wanted");
    assert_eq!((own.patient, own.said), (Some(odile()), Some(slight.clone())));
    // The source takes it back: nothing stands beside the one whom a person saw, who is asked all the same.
    let odile_again = odile();
    desk.orders.update(&odile_again, NOW);
    let own = wanted(&desk).expect("wanted");
    assert_eq!((own.patient, own.said), (Some(odile()), None));
    assert_eq!(desk.standing("K1"), Some(Standing::Disputed));
    desk.orders.update(&slight, NOW);
    assert!(desk.orders.settle(&key("K1"), true, NOW));
    assert_eq!(wanted(&desk).and_then(|own| own.patient), Some(odile()));
    // Another order of that patient, which nobody disputes, learns it.
    let mut desk = Desk::with_one();
    desk.orders.update(&person("KP700101", "Plover-Invented^Ines", "19850517"), NOW);
    let new = person("KP700101", "Plover-Invented^Ines", "19850517");
    let other = super::wanted("KP-20418", new);
    assert_eq!(desk.ask(&Request { wanted: Ok(other), ..request(Ask::New, "K3", 3) }).done, Ok(()));
    let slight = person("KP700101", "Plover-Invented^Inez", "19850517");
    desk.orders.update(&slight, NOW);
    assert_eq!(desk.standing("K3"), Some(Standing::Open));
    let third = desk.orders.get(&key("K3")).and_then(|o| o.patient()).expect("a patient");
    assert_eq!(third.name, slight.name);
}

/// Two people under one id claim one cup: one of the two is right, and no strip goes before both are settled.
#[test]
fn row_22_under_one_id_somebody_of_another_name_and_birth_is_settled_apart() {
    let other = person("KP700101", "Plover-Invented^Ines", "19850517");
    let by_other = |number: &str, second| {
        let wanted = wanted("KP-20417", other.clone());
        Request { wanted: Ok(wanted), ..request(Ask::New, number, second) }
    };
    let mut desk = Desk::with_one();
    assert_eq!(desk.ask(&by_other("K2", 1)).done, Ok(()));
    for (right, wrong) in [("K1", "K2"), ("K2", "K1")] {
        for wrong_first in [false, true] {
            let mut desk = Desk { orders: desk.orders.clone(), ..Desk::new() };
            for (number, is_right) in [(wrong, false), (right, true)]
                .iter()
                .cycle()
                .skip(usize::from(!wrong_first))
                .take(2)
            {
                assert_eq!(desk.standing(number), Some(Standing::Disputed));
                assert!(matches!(desk.strip("KP-20417"), Meet::Waits(_)), "one is not settled");
                assert!(desk.orders.settle(&key(number), *is_right, NOW));
            }
            assert_eq!(desk.goes_to("KP-20417"), [key(right)]);
            assert!(!desk.orders.settle(&key(wrong), true, NOW), "its specimen is somebody else's");
            assert_eq!(desk.goes_to("KP-20417"), [key(right)]);
        }
    }
    // Both cannot be right.
    assert!(desk.orders.settle(&key("K1"), true, NOW));
    assert!(!desk.orders.settle(&key("K2"), true, NOW));
    // Called wrong by a slip, and ordered anew meanwhile.
    let mut desk = Desk::with_one();
    desk.orders.update(&other, NOW);
    assert!(desk.orders.settle(&key("K1"), false, NOW));
    assert_eq!(desk.ask(&by_other("K2", 2)).done, Ok(()));
    assert_eq!(desk.goes_to("KP-20417"), [key("K2")]);
    assert!(!desk.orders.settle(&key("K1"), true, NOW));
}

/// What is said of the right order says nothing of the wrong one under the same id.
#[test]
fn row_22_settling_the_right_order_does_not_take_back_that_another_was_wrong() {
    let other = person("KP700101", "Plover-Invented^Ines", "19850517");
    let mut desk = Desk::with_one();
    desk.trace("K1", Trace::Sent);
    desk.orders.update(&other, NOW);
    assert!(desk.orders.settle(&key("K1"), false, NOW));
    let new = Request { wanted: Ok(wanted("KP-20417", other)), ..request(Ask::New, "K2", 2) };
    assert_eq!(desk.ask(&new).done, Ok(()));
    assert_eq!(desk.standing("K2"), Some(Standing::Open), "nobody disputes it");
    let third = Request { wanted: Ok(wanted("KP-20417", ines())), ..request(Ask::New, "K3", 3) };
    assert_eq!(desk.ask(&third).done, Err(Refusal::PatientConflict));
    assert!(desk.orders.settle(&key("K2"), true, NOW));
    assert!(desk.orders.get(&key("K1")).expect("an order").is_denied(), "it is wrong still");
    assert_eq!(desk.goes_to("KP-20417"), [key("K2")]);
}

/// Row 20: what is ordered under an id that was merged away belongs to who stays, once that is said again.
#[test]
fn row_20_a_merge_that_comes_again_is_for_what_was_ordered_since() {
    let stays = known_as("KP700109");
    let mut desk = Desk::with_one();
    assert!(desk.orders.merge(&odile().id, &stays, NOW).is_ok());
    let mut late = request(Ask::New, "K4", 2);
    late.wanted = Ok(wanted("KP-20444", odile()));
    assert_eq!(desk.ask(&late).done, Ok(()));
    assert_eq!(
        desk.orders.merge(&odile().id, &stays, NOW),
        Ok(vec![Deed::Person(key("K4"))]),
        "the first has it already"
    );
    let patient = |number: &str| {
        let order = desk.orders.get(&key(number)).expect("an order");
        order.wanted.as_ref().and_then(|own| own.patient.clone()).expect("a patient").id
    };
    assert_eq!((patient("K1"), patient("K4")), (stays.id.clone(), stays.id.clone()));
    assert_eq!(desk.orders.merge(&odile().id, &stays, NOW), Ok(Vec::new()));
}

/// Rows 8 to 14: what comes too late to be followed still says that the order is somebody else's.
#[test]
fn row_22_a_refused_change_for_somebody_else_disputes_what_waits_and_what_is_out() {
    let other = person("KP700101", "Plover-Invented^Ines", "19850517");
    for ask in [Ask::Change, Ask::New] {
        for (trace, refusal) in [
            (Trace::Waiting, Refusal::ResultOnItsWay),
            (Trace::Tried, Refusal::ResultOnItsWay),
            (Trace::Sent, Refusal::ResultSent),
        ] {
            let mut desk = Desk::with_one();
            desk.trace("K1", trace);
            let said =
                Request { wanted: Ok(wanted("KP-20417", other.clone())), ..request(ask, "K1", 5) };
            let reply = desk.ask(&said);
            let refused = if ask == Ask::New { Refusal::Closed } else { refusal };
            assert_eq!(reply.done, Err(refused), "{ask:?} {trace:?}");
            assert!(reply.deeds.contains(&Deed::Dispute(key("K1"))), "{ask:?} {trace:?}");
            let drawn = reply.deeds.contains(&Deed::DrawBack(key("K1")));
            assert_eq!(drawn, trace == Trace::Waiting, "{ask:?} {trace:?}");
            assert!(desk.orders.get(&key("K1")).expect("an order").is_only_somebody_else());
            assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::PatientChanged));
        }
    }
}
