//! A ledger that is not as it was: under a reader, under a deliverer, and for what it still holds itself.

use super::*;
use crate::acts::set_back::Ends;
use crate::sheet::Sheet;
use crate::store::rows::notice::Kind;

on_both!(
    a_reader_is_refused_by_a_ledger_that_stands_before_it,
    an_answer_to_a_message_of_another_history_counts_for_no_other,
    what_a_set_back_ledger_holds_itself_needs_a_person_too,
);

async fn a_reader_is_refused_by_a_ledger_that_stands_before_it(mut lab: Lab) {
    let (first, next) = (lab.heard("1", "KP-00001", "NEG"), lab.heard("2", "KP-00002", "NEG"));
    lab.take(&[first], 7).await;
    let span = Span { noted: 9, safe: 12 };
    let (bench, tape) = (&lab.bench, &lab.tape.id);
    let next = [next];
    let refused = lab.ledger.intake(bench, &bench.analyzers[0], tape, &next, span).await;
    assert!(matches!(refused, Err(StoreError::Unsafe { .. })), "{refused:?}");
    let span = Span { noted: 7, safe: 12 };
    let taken = lab.ledger.intake(bench, &bench.analyzers[0], tape, &next, span).await;
    assert_eq!(taken.expect("where it was left").reports.len(), 1);
}

async fn an_answer_to_a_message_of_another_history_counts_for_no_other(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "NEG")];
    lab.take(&heard, 1).await;
    let n = lab.waiting().await[0];
    let answer = |control_id: &str| Settled {
        control_id: Some(control_id.to_owned()),
        answer: Some(b"MSA|AA".to_vec()),
        ..settled(n, MessageState::Accepted)
    };
    lab.ledger.queue_settle("lis", 0, &[answer("WK0000001AAAAAAAAAAA")]).await.expect("recorded");
    assert_eq!(lab.waiting().await, [n], "another message was acknowledged");
    let own = lab.whole(n).await.item.control_id;
    lab.ledger.queue_settle("lis", 0, &[answer(&own)]).await.expect("recorded");
    assert!(lab.waiting().await.is_empty());
}

/// The tape remembers more than this ledger has: what is held may have been sent since, what waits as well.
async fn what_a_set_back_ledger_holds_itself_needs_a_person_too(mut lab: Lab) {
    let heard = [lab.heard("1", "", "NEG"), lab.heard("2", "KP-00002", "NEG")];
    let taken = lab.take(&heard, 1).await;
    let n = taken.reports[0].id;
    let ends = Ends::from([("bench-1".to_owned(), (9, lab.at))]);
    lab.ledger.compared(&lab.bench, &lab.tape, &ends).await.expect("the first time");
    let mut seen = lab.tape.ledger_seen().await.expect("read").expect("noted");
    assert!(lab.ledger.notices().await.expect("a list").is_empty());
    seen.trail.n += 3;
    for _ in 0..2 {
        // The second time as after a crash before the tape had noted it.
        lab.tape.note_ledger(&seen, &["bench-1"]).await.expect("noted");
        lab.ledger.compared(&lab.bench, &lab.tape, &ends).await.expect("seen to");
    }
    let notices = lab.ledger.notices().await.expect("a list");
    assert_eq!(notices.iter().map(|n| n.kind).collect::<Vec<_>>(), [Kind::LedgerSetBack]);
    let sheet = Sheet::read(&lab.ledger, &lab.bench, "2025-03-01", None).await.expect("a sheet");
    assert!(sheet.notices[0].contains("set back"), "on the sheet of any day: {:?}", sheet.notices);
    let paper = sheet.html(&lab.bench, None).expect("a page");
    assert!(paper.contains("the ledger was set back"), "{paper}");
    assert!(lab.ledger.gate("lis").await.expect("a gate").paused);
    let actor = Actor::person(Some("J. Mast".into()));
    let next = lab.heard("3", "KP-00003", "NEG");
    let taken = lab.take(&[next], 2).await;
    assert_eq!(taken.reports[0].reason, None, "behind what the tape remembers");
    let all = lab.ledger.held(AskedHeld::ALL, &lab.clock()).await.expect("a list");
    let one = all.iter().find(|i| i.id == n.to_string()).expect("held");
    let open: Vec<&str> =
        one.holds.iter().filter(|h| !h.cleared).map(|h| h.reason.as_str()).collect();
    assert_eq!(open, ["specimen-blank", "after-restore"]);
    let lifted = lab.ledger.notice_lift(&actor, notices[0].n, "compared").await;
    assert_eq!(lifted.expect("lifted").kind, Kind::LedgerSetBack);
    assert!(lab.ledger.notice_lift(&actor, notices[0].n, "compared").await.is_err(), "once");
    let sheet = Sheet::read(&lab.ledger, &lab.bench, "2025-03-01", None).await.expect("a sheet");
    assert!(sheet.notices.is_empty(), "lifted");
}
