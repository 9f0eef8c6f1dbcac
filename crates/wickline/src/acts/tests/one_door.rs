//! Side roads that were open once: each act meets the guards that its neighbours have.

use wickline_forward::hl7::Message;

use super::*;
use crate::acts::aside::Statement;
use crate::acts::decide::Decision;
use crate::acts::telling::Said;
use crate::settings::bench::Second;
use crate::sheet::Sheet;
use crate::store::state::State;

const WHY: &str = "strip misplaced";

fn person() -> Actor {
    Actor::person(Some("J. Mast".into()))
}

fn statement() -> Statement {
    let (who, when, how) = ("ward 3, sister in charge", "today 14:20", "by telephone");
    Statement { who: who.into(), when: when.into(), how: how.into() }
}

impl Lab {
    async fn settled(&self, n: i64, state: MessageState) {
        let answer = (state == MessageState::Refused).then(|| b"MSA|AE".to_vec());
        let one = Settled { answer, ..settled(n, state) };
        self.ledger.queue_settle("lis", 0, &[one]).await.expect("recorded");
    }

    /// One report that went out and was accepted.
    async fn accepted(&mut self, number: &str, specimen: &str, glucose: &str) -> i64 {
        let heard = [self.heard(number, specimen, glucose)];
        let id = self.take(&heard, 1).await.reports[0].id;
        for n in self.waiting().await {
            self.settled(n, MessageState::Accepted).await;
        }
        id
    }

    async fn withdraw_it(&self, n: i64, specimen: Option<&str>) -> Vec<Said> {
        let specimen = specimen.map(twice);
        let (bench, specimen) = (&self.bench, specimen.as_ref());
        let done = self.ledger.report_withdraw(bench, &person(), n, WHY, specimen).await;
        done.expect("withdrawn").withdrawn.iter().map(|o| o.said).collect()
    }

    async fn shown(&self, n: i64) -> crate::store::lists::reports::Item {
        self.ledger.report(n, &self.clock()).await.expect("read").expect("there").item
    }

    async fn message_read(&self, n: i64) -> Message {
        Message::read(&self.whole(n).await.body).expect("a message")
    }

    /// As if something other than this program had written into a row.
    async fn spoil(&self, sql: &'static str) {
        let mut write = self.ledger.db.write().await.expect("a write");
        assert!(write.run(sql).await.expect("changed") > 0);
        write.commit().await.expect("committed");
    }

    async fn undo(&self, n: i64) -> Result<super::super::Became, StoreError> {
        self.ledger.report_undo(&self.bench, &person(), n, "the wrong line").await
    }
}

on_both!(
    reading_again_sends_nothing_under_what_was_withdrawn,
    a_withdrawal_is_outstanding_until_it_is_accepted_or_told,
    a_receiver_that_is_gone_is_told_by_hand,
    what_is_released_against_a_rule_says_so,
    what_a_person_set_aside_is_taken_back_and_a_withdrawal_is_not,
    an_identification_is_taken_back_until_something_was_sent,
    keeping_back_and_setting_aside_need_a_reason,
    what_was_put_off_under_an_old_name_hinders_no_undo,
    what_was_put_off_on_its_way_is_taken_back_as_an_act_of_its_own,
    what_was_on_the_wire_when_it_was_withdrawn_is_withdrawn_after_all,
    what_was_on_the_wire_when_it_was_replaced_is_corrected_after_all,
    a_row_that_cannot_be_read_is_nothing_else,
    a_second_result_of_a_specimen_is_held_where_the_laboratory_wants_that,
);

async fn a_second_result_of_a_specimen_is_held_where_the_laboratory_wants_that(mut lab: Lab) {
    lab.bench.second = Second::Hold;
    let heard = [lab.heard("7", "KP-00007", "NEG"), lab.heard("8", "KP-00007", "2+")];
    let taken = lab.take(&heard, 1).await;
    let second = Some(Reason::SecondResult);
    assert_eq!(states(&taken), [(ReportState::Waiting, None), (ReportState::Held, second)]);
    let held = lab.shown(taken.reports[1].id).await.detail.expect("why");
    assert!(held.contains("report 1 is a result of this specimen"), "{held}");
    // Later, by another bench, and by hand.
    let later = [
        lab.heard("9", "KP-00007", "3+"),
        lab.heard("10", "", "3+"),
        lab.heard("11", "KP-00011", "NEG"),
    ];
    let later = lab.take(&later, 2).await;
    assert_eq!(later.reports[0].reason, second);
    assert_eq!(later.reports[2].state, ReportState::Waiting);
    let (blank, given) = (later.reports[1].id, twice("KP-00011"));
    assert_eq!(
        lab.ledger.results_beside(blank, "KP-00011").await.expect("read"),
        [later.reports[2].id]
    );
    let named = lab.ledger.report_identify(&lab.bench, &person(), blank, &given).await;
    assert_eq!(named.expect("identified"), [(blank, "held".to_owned())]);
    let item = lab.shown(blank).await;
    assert_eq!(
        (item.reason.as_deref(), item.specimen.as_deref()),
        (Some("second-result"), Some("KP-00011"))
    );
    lab.ledger
        .report_release(&lab.bench, &person(), blank, "repeated on purpose")
        .await
        .expect("goes");
    lab.bench.second = Second::Warn;
    let warned = [lab.heard("12", "KP-00011", "1+")];
    let warned = lab.take(&warned, 3).await.reports.remove(0);
    assert_eq!(warned.state, ReportState::Waiting);
    let sheet = Sheet::read(&lab.ledger, &lab.bench, "2026-03-14", None).await.expect("a sheet");
    let notes = |id: i64| {
        let line = sheet.lines.iter().find(|l| l.item.id == id.to_string()).expect("a line");
        line.noted().to_string()
    };
    let other = later.reports[2].id;
    let also = |id: i64| notes(id).contains("this specimen also as bench-1 ");
    assert!(also(warned.id) && also(other), "{}", notes(warned.id));
    let as_said = format!("bench-1 10 (report {blank})");
    assert!(notes(warned.id).contains(&as_said), "{}", notes(warned.id));
    assert!(notes(blank).contains("released by a person: second-result"), "{}", notes(blank));
}

/// Two prints of one number; the second was decided to correct the first, and waits for its pad. Then the
/// first is withdrawn: whatever a mended dialect makes of the second, it has nothing to correct.
async fn reading_again_sends_nothing_under_what_was_withdrawn(mut lab: Lab) {
    let first = lab.accepted("7", "KP-00007", "NEG").await;
    let heard = [lab.heard("7", "KP-00007", "???")];
    let second = lab.take(&heard, 1).await.reports[0].id;
    let what = Decision::Correction { of: None };
    lab.ledger.report_decide(&lab.bench, &person(), second, what, WHY).await.expect("decided");
    lab.withdraw_it(first, None).await;
    lab.settled(lab.waiting().await[0], MessageState::Accepted).await;
    lab.spoil("UPDATE report SET print = replace(print, '^^^GLU|???|', '^^^GLU|2+|') WHERE n = 2")
        .await;
    let (bench, tape) = (&lab.bench, &lab.tape);
    let again = lab.ledger.report_reread(bench, tape, &person(), second).await;
    assert!(again.expect_err("no").to_string().contains("withdrawn since"));
    assert!(lab.waiting().await.is_empty(), "nothing follows a withdrawal");
    assert_eq!(lab.shown(second).await.state, "held");
}

async fn a_withdrawal_is_outstanding_until_it_is_accepted_or_told(mut lab: Lab) {
    let id = lab.accepted("7", "KP-00007", "2+").await;
    lab.withdraw_it(id, None).await;
    let gone = lab.waiting().await[0];
    lab.settled(gone, MessageState::Refused).await;
    assert_eq!(lab.shown(id).await.state, "refused");
    let aside = lab.ledger.message_set_aside(&person(), &[gone], "as if it were a result").await;
    let words = aside.expect_err("no").to_string();
    assert!(words.contains("the receiver still has the wrong result"), "{words}");
    assert!(words.contains(&format!("wickline report told {id} --receiver lis")), "{words}");
    let blank = Statement { who: "  ".into(), ..statement() };
    assert!(lab.ledger.report_told(&person(), id, "lis", &blank).await.is_err(), "who is needed");
    lab.ledger.report_told(&person(), id, "lis", &statement()).await.expect("stated");
    let item = lab.shown(id).await;
    assert_eq!(item.state, "set-aside");
    let said = item.deliveries.last().and_then(|d| d.detail.clone()).expect("it stays marked");
    assert!(said.contains("ward 3, sister in charge was told today 14:20, by telephone"), "{said}");
    assert!(said.contains("stated by J. Mast"), "{said}");
    assert_eq!(lab.trail_of("told").await[0].who, "J. Mast");
    // A result is no withdrawal.
    let heard = [lab.heard("8", "KP-00008", "NEG")];
    let result = lab.take(&heard, 2).await.reports[0].id;
    let told = lab.ledger.report_told(&person(), result, "lis", &statement()).await;
    assert!(told.expect_err("no").to_string().contains("nothing that lis still has"));
}

/// It was told, and is taken out of the configuration: that it still has the wrong result stays in the list.
async fn a_receiver_that_is_gone_is_told_by_hand(mut lab: Lab) {
    let id = lab.accepted("7", "KP-00007", "2+").await;
    let targets = std::mem::take(&mut lab.bench.targets);
    assert_eq!(lab.withdraw_it(id, None).await, [Said::Unreachable]);
    let item = lab.shown(id).await;
    assert_eq!((item.state.text(), item.reason.as_deref()), ("refused", Some("receiver-gone")));
    let asked = Asked { states: vec![State::Refused], ..Asked::default() };
    let open = lab.ledger.queue(&asked, &lab.clock()).await.expect("a list");
    let [one] = &open[..] else { panic!("it is in the list: {open:?}") };
    let n = one.n;
    let retry = lab.ledger.message_retry(&lab.bench, &person(), &Which::These(vec![n])).await;
    assert!(retry.expect_err("no").to_string().contains("not configured here"));
    lab.ledger.report_told(&person(), id, "lis", &statement()).await.expect("stated");
    assert_eq!(lab.shown(id).await.state, "set-aside");
    lab.bench.targets = targets;
}

async fn what_is_released_against_a_rule_says_so(mut lab: Lab) {
    for remarks in [true, false] {
        lab.bench.remark_released = remarks;
        let number = if remarks { "21" } else { "22" };
        let heard = [lab.heard(number, &format!("KP-000{number}"), "???")];
        let taken = lab.take(&heard, 1).await.reports.remove(0);
        assert_eq!(taken.reason, Some(Reason::PadUnread));
        lab.ledger
            .report_release(&lab.bench, &person(), taken.id, "looked at it")
            .await
            .expect("released");
        let message = lab.message_read(*lab.waiting().await.last().expect("a message")).await;
        let notes: Vec<String> =
            (1..=message.count("NTE")).map(|n| message.component("NTE", n, 3, 1)).collect();
        let said = notes.iter().any(|n| n.starts_with("Released although it was held: "));
        assert_eq!(said, remarks, "{notes:?}");
        let row = lab.trail_of("release").await.pop().expect("a row");
        assert_eq!(row.was.as_deref(), Some("held: pad-unread"));
    }
}

async fn what_a_person_set_aside_is_taken_back_and_a_withdrawal_is_not(mut lab: Lab) {
    let heard = [lab.heard("7", "", "NEG")];
    let id = lab.take(&heard, 1).await.reports[0].id;
    lab.ledger.report_set_aside(&lab.bench, &person(), id, "no tube").await.expect("set aside");
    assert_eq!(lab.undo(id).await.expect("taken back"), [(id, "held".to_owned())]);
    let item = lab.shown(id).await;
    assert_eq!((item.state.text(), item.reason.as_deref()), ("held", Some("specimen-blank")));
    assert_eq!(lab.trail_of("undo").await[0].was.as_deref(), Some("set-aside"));
    let out = lab.accepted("8", "KP-00008", "NEG").await;
    assert!(lab.undo(out).await.is_err(), "nobody decided anything of it");
    lab.withdraw_it(out, None).await;
    let words = lab.undo(out).await.expect_err("no").to_string();
    assert!(words.contains("was withdrawn"), "{words}");
}

async fn an_identification_is_taken_back_until_something_was_sent(mut lab: Lab) {
    let heard = [lab.heard("7", "", "NEG"), lab.heard("8", "", "NEG")];
    let taken = lab.take(&heard, 1).await;
    let ids = [taken.reports[0].id, taken.reports[1].id];
    for (id, specimen) in ids.iter().zip(["KP-00007", "KP-00008"]) {
        let given = twice(specimen);
        lab.ledger.report_identify(&lab.bench, &person(), *id, &given).await.expect("identified");
    }
    let [first, second] = lab.waiting().await[..] else { panic!("two messages") };
    lab.settled(second, MessageState::Accepted).await;
    let words = lab.undo(ids[1]).await.expect_err("it went out").to_string();
    assert!(words.contains(&format!("`wickline report withdraw {}` asks", ids[1])), "{words}");
    let old = lab.message_read(first).await.component("OBR", 1, 3, 1);
    lab.undo(ids[0]).await.expect("taken back");
    assert!(lab.waiting().await.is_empty());
    let item = lab.shown(ids[0]).await;
    assert_eq!((item.state.text(), item.specimen), ("held", None));
    assert_eq!(item.reason.as_deref(), Some("specimen-blank"));
    let given = twice("KP-00017");
    lab.ledger.report_identify(&lab.bench, &person(), ids[0], &given).await.expect("again");
    let anew = lab.message_read(lab.waiting().await[0]).await;
    assert_eq!(anew.component("SPM", 1, 2, 1), "KP-00017");
    assert_ne!(anew.component("OBR", 1, 3, 1), old, "the other id's may be on the wire");
}

async fn keeping_back_and_setting_aside_need_a_reason(mut lab: Lab) {
    let heard = [lab.heard("7", "KP-00007", "2+")];
    lab.take(&heard, 1).await;
    let wire = lab.waiting().await;
    let kept = lab.ledger.message_hold(&person(), &wire, " ").await;
    let aside = lab.ledger.message_set_aside(&person(), &wire, "").await;
    for words in [kept.expect_err("no").to_string(), aside.expect_err("no").to_string()] {
        assert!(words.contains("a reason is needed"), "{words}");
    }
    assert_eq!(lab.waiting().await, wire, "nothing was changed");
}

/// Kept back, and set aside by a person: undo needs a reason and stands in the trail with it, once.
async fn what_was_put_off_on_its_way_is_taken_back_as_an_act_of_its_own(mut lab: Lab) {
    let heard = [lab.heard("7", "KP-00007", "2+")];
    let id = lab.take(&heard, 1).await.reports[0].id;
    let wire = lab.waiting().await;
    for round in 1..=2 {
        match round {
            1 => lab.ledger.message_hold(&person(), &wire, "stuck").await.expect("kept back"),
            _ => lab.ledger.message_set_aside(&person(), &wire, "no").await.expect("set aside"),
        }
        let blank = lab.ledger.report_undo(&lab.bench, &person(), id, " ").await;
        let words = blank.expect_err("no").to_string();
        assert!(words.contains("a reason is needed"), "{words}");
        assert!(lab.waiting().await.is_empty(), "nothing was changed");
        let undone = lab.undo(id).await.expect("taken back");
        assert_eq!(undone, [(id, "waiting".to_owned())]);
        assert_eq!(lab.waiting().await, wire);
        let rows = lab.trail_of("undo").await;
        assert_eq!(rows.len(), round, "one row each");
        let last = rows.iter().max_by_key(|row| row.n).expect("a row");
        assert_eq!(last.object, format!("report {id} at lis"));
        assert_eq!(last.reason.as_deref(), Some("the wrong line"));
        assert!(lab.trail_of("retry").await.is_empty());
    }
}

/// A message under an OBR-3 that is not used any more is no hindrance to those that go now.
async fn what_was_put_off_under_an_old_name_hinders_no_undo(mut lab: Lab) {
    let heard = [lab.heard("7", "KP-00007", "2+")];
    let id = lab.take(&heard, 1).await.reports[0].id;
    lab.ledger.message_set_aside(&person(), &lab.waiting().await, "no").await.expect("set aside");
    lab.withdraw_it(id, Some("KP-00070")).await;
    let anew = lab.waiting().await;
    lab.ledger.message_hold(&person(), &anew, "stuck").await.expect("kept back");
    assert_eq!(lab.undo(id).await.expect("taken back"), [(id, "waiting".to_owned())]);
    assert_eq!(lab.waiting().await, anew);
    // The withdrawal of what was told is taken back from its hold as well.
    lab.settled(anew[0], MessageState::Accepted).await;
    lab.withdraw_it(id, None).await;
    let gone = lab.waiting().await;
    lab.ledger.message_hold(&person(), &gone, "not yet").await.expect("kept back");
    lab.undo(id).await.expect("taken back");
    assert_eq!(lab.waiting().await, gone);
}

/// Nobody knew that it was on the wire: nothing was told, so nothing was taken back. Then the receiver says
/// that it has it.
async fn what_was_on_the_wire_when_it_was_withdrawn_is_withdrawn_after_all(mut lab: Lab) {
    for (number, specimen) in [("7", None), ("8", Some("KP-00099"))] {
        let heard = [lab.heard(number, &format!("KP-0000{number}"), "2+")];
        let id = lab.take(&heard, 1).await.reports[0].id;
        let wire = lab.waiting().await[0];
        assert_eq!(lab.withdraw_it(id, specimen).await, [Said::Nothing]);
        lab.settled(wire, MessageState::Accepted).await;
        assert_eq!(lab.ledger.messages_arrived(&lab.bench).await.expect("put right"), 1);
        let waiting = lab.waiting().await;
        let gone = lab.message_read(*waiting.last().expect("a withdrawal")).await;
        assert_eq!(gone.component("OBX", 1, 11, 1), "W");
        let told = lab.message_read(wire).await;
        for (segment, field) in [("OBR", 3), ("SPM", 2)] {
            let of = |m: &Message| m.component(segment, 1, field, 1);
            assert_eq!(of(&gone), of(&told), "{segment}-{field}");
        }
        assert_eq!(lab.ledger.messages_arrived(&lab.bench).await.expect("nothing more"), 0);
        for n in waiting {
            lab.settled(n, MessageState::Accepted).await;
        }
    }
}

/// Corrected back before anything went out, while the correction was on the wire.
async fn what_was_on_the_wire_when_it_was_replaced_is_corrected_after_all(mut lab: Lab) {
    let id = lab.accepted("7", "KP-00007", "NEG").await;
    let (bench, tape) = (&lab.bench, &lab.tape);
    let correct = async || {
        lab.ledger.report_correct(bench, tape, &person(), id, None, WHY).await.expect("corrected")
    };
    lab.spoil("UPDATE report SET print = replace(print, '^^^GLU|NEG|', '^^^GLU|2+|') WHERE n = 1")
        .await;
    correct().await;
    let wire = lab.waiting().await[0];
    lab.spoil("UPDATE report SET print = replace(print, '^^^GLU|2+|', '^^^GLU|NEG|') WHERE n = 1")
        .await;
    assert_eq!(correct().await.outcomes[0].said, Said::Nothing);
    assert!(lab.waiting().await.is_empty());
    lab.settled(wire, MessageState::Accepted).await;
    assert_eq!(lab.ledger.messages_arrived(bench).await.expect("put right"), 1);
    let right = lab.message_read(lab.waiting().await[0]).await;
    let glucose = (1..=10).find(|n| right.component("OBX", *n, 11, 1) == "C").expect("corrected");
    assert_eq!(right.component("OBX", glucose, 5, 2), "Negative");
}

/// Not as no marks, not as held, not as an empty list: as what cannot be read.
async fn a_row_that_cannot_be_read_is_nothing_else(mut lab: Lab) {
    let heard = [lab.heard("7", "", "NEG"), lab.heard("8", "KP-00008", "NEG")];
    lab.take(&heard, 1).await;
    let given = twice("KP-00007");
    for (sql, back, column) in [
        ("UPDATE report SET print = '{' WHERE n = 1", None, "print"),
        ("UPDATE report SET readings = '[{}]' WHERE n = 1", None, "readings"),
        ("UPDATE report SET remarks = 'none' WHERE n = 1", None, "remarks"),
        ("UPDATE report SET class = 'other' WHERE n = 1", None, "class"),
        ("UPDATE hold SET reason = 'why-not' WHERE report = 1", Some(()), "reason"),
    ] {
        let before = lab.row_one().await;
        lab.spoil(sql).await;
        let act = lab.ledger.report_identify(&lab.bench, &person(), 1, &given).await;
        let error = act.expect_err("it cannot be read");
        assert!(matches!(error, StoreError::Undecodable { .. }), "{error}");
        assert!(error.to_string().contains(column), "{error}");
        assert_eq!(lab.waiting().await.len(), 1, "nothing went out");
        match back {
            None => lab.row_one_again(before).await,
            Some(()) => {
                lab.spoil("UPDATE hold SET reason = 'specimen-blank' WHERE report = 1").await
            }
        }
    }
    lab.spoil("UPDATE report SET state = 'gone' WHERE n = 1").await;
    let list = lab.ledger.day("2026-03-14", &lab.clock()).await.expect_err("it cannot be read");
    assert!(list.to_string().contains("row 1 of report"), "{list}");
}

impl Lab {
    async fn row_one(&self) -> [String; 4] {
        let mut conn = self.ledger.db.read().await.expect("a connection");
        let sql = "SELECT print, readings, remarks, class FROM report WHERE n = 1";
        let row = conn.fetch_one(sql).await.expect("a row");
        [0, 1, 2, 3].map(|n| sqlx::Row::get(&row, n))
    }

    async fn row_one_again(&self, [print, readings, remarks, class]: [String; 4]) {
        let mut write = self.ledger.db.write().await.expect("a write");
        let query = sqlx::query(
            "UPDATE report SET print = $1, readings = $2, remarks = $3, class = $4 WHERE n = 1",
        );
        let query = query.bind(print).bind(readings).bind(remarks).bind(class);
        write.conn().execute(query).await.expect("written");
        write.commit().await.expect("committed");
    }
}
