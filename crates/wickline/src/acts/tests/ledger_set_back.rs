//! A ledger that is not as it was: under a reader, under a deliverer, and for what it still holds itself.

use super::*;
use crate::acts::set_back::Ends;
use crate::acts::telling::Said;
use crate::sheet::Sheet;
use crate::store::rows::notice::Kind;
use crate::store::rows::report;

on_both!(
    what_is_held_goes_under_another_obr_3_after_a_set_back,
    what_was_refused_before_a_set_back_may_be_known_to_the_receiver,
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

impl Lab {
    /// The tape remembers more than this ledger has.
    async fn is_set_back(&self) {
        let ends = Ends::from([("bench-1".to_owned(), (9, self.at))]);
        self.ledger.compared(&self.bench, &self.tape, &ends).await.expect("the first time");
        let mut seen = self.tape.ledger_seen().await.expect("read").expect("noted");
        seen.trail.n += 3;
        self.tape.note_ledger(&seen, &["bench-1"]).await.expect("noted");
        self.ledger.compared(&self.bench, &self.tape, &ends).await.expect("seen to");
    }

    async fn filler(&self, n: i64) -> String {
        let mut write = self.ledger.db.write().await.expect("a write");
        report::read(&mut write, n).await.expect("read").expect("there").filler
    }
}

/// In the history that is lost it may have been let go under the OBR-3 of its row, as another specimen's, and
/// been withdrawn: nothing follows under that one.
async fn what_is_held_goes_under_another_obr_3_after_a_set_back(mut lab: Lab) {
    let heard =
        [lab.heard("1", "", "NEG"), lab.heard("2", "", "2+"), lab.heard("3", "KP-3", "NEG")];
    let taken = lab.take(&heard, 1).await;
    let [held, aside, waits] = [0, 1, 2].map(|n| taken.reports[n].id);
    let actor = Actor::person(Some("J. Mast".into()));
    lab.ledger.report_set_aside(&lab.bench, &actor, aside, "no tube").await.expect("set aside");
    let before = [lab.filler(held).await, lab.filler(aside).await, lab.filler(waits).await];
    lab.is_set_back().await;
    let after = [lab.filler(held).await, lab.filler(aside).await, lab.filler(waits).await];
    assert_ne!(after[0], before[0]);
    assert_ne!(after[1], before[1]);
    assert_eq!(after[2], before[2], "it is in its message already");
    lab.ledger.report_undo(&lab.bench, &actor, aside, "there it is").await.expect("taken back");
    for n in [held, aside] {
        let given = twice(&format!("KP-0000{n}"));
        lab.ledger.report_identify(&lab.bench, &actor, n, &given).await.expect("named");
        assert_eq!(lab.waiting().await.len(), 1, "it was perhaps sent: a person looks first");
    }
}

/// It was refused, and perhaps sent again and accepted since: what takes it back is told.
async fn what_was_refused_before_a_set_back_may_be_known_to_the_receiver(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "2+"), lab.heard("2", "KP-00002", "2+")];
    let taken = lab.take(&heard, 1).await;
    let (all, actor) = (lab.waiting().await, Actor::person(Some("J. Mast".into())));
    let answer = Some(b"MSA|AE".to_vec());
    let refused = Settled { answer, ..settled(all[0], MessageState::Refused) };
    lab.ledger.queue_settle("lis", 0, &[refused]).await.expect("recorded");
    lab.ledger.message_set_aside(&actor, &all[1..], "no").await.expect("set aside");
    lab.is_set_back().await;
    for report in &taken.reports {
        let done = lab.ledger.report_withdraw(&lab.bench, &actor, report.id, "wrong", None).await;
        assert_eq!(done.expect("withdrawn").withdrawn[0].said, Said::Withdrawn);
    }
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
    let blank = lab.ledger.notice_lift(&actor, notices[0].n, " ").await;
    assert!(blank.expect_err("no").to_string().contains("a reason is needed"));
    let lifted = lab.ledger.notice_lift(&actor, notices[0].n, "compared").await;
    assert_eq!(lifted.expect("lifted").kind, Kind::LedgerSetBack);
    assert!(lab.ledger.notice_lift(&actor, notices[0].n, "compared").await.is_err(), "once");
    let sheet = Sheet::read(&lab.ledger, &lab.bench, "2025-03-01", None).await.expect("a sheet");
    assert!(sheet.notices.is_empty(), "lifted");
}
