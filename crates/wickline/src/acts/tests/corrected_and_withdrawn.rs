//! Corrections and withdrawals: in every situation a receiver is told what changed, as a change.

use std::sync::Arc;

use wickline_forward::hl7::Message;

use super::*;
use crate::acts::decide::Decision;
use crate::acts::telling::{Outcome, Said};

const WHY: &str = "strip misplaced";

/// What a message says, in short: OBR-3, OBR-25, and OBX-3, 5 and 11 of what is not final.
fn gist(body: &[u8]) -> (String, String, String) {
    let message = Message::read(body).expect("a message");
    let mut told = String::new();
    for n in 1..=message.count("OBX") {
        let of = |field, part| message.component("OBX", n, field, part);
        if of(11, 1) != "F" {
            told.push_str(&format!("{} {} {}; ", of(3, 4), of(5, 2), of(11, 1)));
        }
    }
    (message.component("OBR", 1, 3, 1), message.component("OBR", 1, 25, 1), told)
}

fn person() -> Actor {
    Actor::person(Some("J. Mast".into()))
}

impl Lab {
    async fn body(&self, n: i64) -> Vec<u8> {
        self.whole(n).await.body
    }

    async fn gist(&self, n: i64) -> (String, String, String) {
        gist(&self.body(n).await)
    }

    async fn queue_of(&self, receiver: &str) -> Vec<i64> {
        let page = self.ledger.queue_page(receiver, 0, 100).await.expect("a page");
        page.iter().map(|due| due.n).collect()
    }

    async fn settle(&self, receiver: &str, n: i64, state: MessageState) {
        let answer = (state == MessageState::Refused).then(|| b"MSA|AE".to_vec());
        let one = Settled { answer, ..settled(n, state) };
        self.ledger.queue_settle(receiver, 0, &[one]).await.expect("recorded");
    }

    async fn unanswered(&self, receiver: &str, n: i64) {
        let tried = [Tried::times(n, 1)];
        let noted =
            self.ledger.queue_tried(receiver, 0, &tried, 1, "unanswered", "no answer").await;
        noted.expect("noted");
    }

    async fn decide(&self, n: i64, what: Decision) -> crate::acts::Became {
        let done = self.ledger.report_decide(&self.bench, &person(), n, what, WHY).await;
        done.expect("decided")
    }

    async fn correction(&self, n: i64) -> String {
        self.decide(n, Decision::Correction { of: None }).await.remove(0).1
    }

    async fn withdraw(&self, n: i64, specimen: Option<&str>) -> crate::acts::withdraw::Withdrawn {
        let specimen = specimen.map(twice);
        let done =
            self.ledger.report_withdraw(&self.bench, &person(), n, WHY, specimen.as_ref()).await;
        done.expect("withdrawn")
    }

    async fn correct(&self, n: i64) -> crate::acts::correct::Corrected {
        let (bench, tape) = (&self.bench, &self.tape);
        let done = self.ledger.report_correct(bench, tape, &person(), n, None, WHY).await;
        done.expect("corrected")
    }

    /// As if the analyzer had printed otherwise: the records of a framed message are kept in the row.
    async fn reprint(&self, n: i64, was: &str, now: &str) {
        let mut write = self.ledger.db.write().await.expect("a write");
        let query = sqlx::query("UPDATE report SET print = replace(print, $1, $2) WHERE n = $3");
        let query = query.bind(was.to_owned()).bind(now.to_owned()).bind(n);
        write.conn().execute(query).await.expect("changed");
        write.commit().await.expect("committed");
    }

    pub(super) async fn item(&self, n: i64) -> crate::store::lists::reports::Item {
        self.ledger.report(n, &self.clock()).await.expect("read").expect("there").item
    }

    fn second_receiver(&mut self) {
        let text = "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
             [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
             [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
             control_specimens = [\"QC-L1=1\"]\n[[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n\
             [[receiver]]\nid = \"ward\"\naddress = \"dir:ward\"\nversion = \"2.3.1\"\n";
        let loaded = from_text(std::path::Path::new("./w.toml"), text.into()).expect("good");
        self.bench = Bench::build(&loaded).expect("a good configuration");
    }

    fn layout(&mut self) -> &mut wickline_forward::Layout {
        &mut Arc::get_mut(&mut self.bench.targets[0]).expect("ours alone").layout
    }
}

/// One report that went out, and a second print of its number with other readings.
async fn two(lab: &mut Lab, specimen: &str) -> (i64, i64) {
    let heard = [lab.heard("7", "KP-00007", "NEG"), lab.heard("7", specimen, "2+")];
    let taken = lab.take(&heard, 1).await;
    assert_eq!(taken.reports[1].reason, Some(Reason::NumberReused));
    (taken.reports[0].id, taken.reports[1].id)
}

on_both!(
    what_was_never_tried_is_replaced,
    what_was_told_is_corrected,
    a_new_run_goes_out_as_any_other_and_a_mistake_does_not,
    a_correction_needs_one_report_that_it_fits,
    other_holds_stay,
    a_held_correction_follows_what_it_corrects,
    what_the_analyzer_calls_a_correction,
    controls_are_never_decided_into_a_chart,
    two_receivers_in_different_situations,
    corrected_twice_and_back,
    a_correction_that_was_refused_is_heeded_when_it_goes_again,
    what_was_kept_back_never_goes_behind_its_correction,
    withdrawn_and_sent_anew_under_the_right_specimen,
    a_withdrawal_refused_twice_goes_all_the_same,
    what_was_on_the_wire_is_not_overtaken,
    read_again_and_corrected,
    the_readings_of_another_print,
    layout_strip_and_character_set_may_change_in_between,
);

async fn what_was_never_tried_is_replaced(mut lab: Lab) {
    let (first, second) = two(&mut lab, "KP-00007").await;
    let [old] = lab.waiting().await[..] else { panic!("one message") };
    assert_eq!(lab.correction(second).await, "waiting");
    let [new] = lab.waiting().await[..] else { panic!("one in its place") };
    assert_ne!(old, new);
    let (filler, status, told) = lab.gist(new).await;
    assert_eq!((status.as_str(), told.as_str()), ("F", ""), "nobody was told anything");
    assert_eq!(filler, lab.gist(old).await.0, "the OBR-3 of the earlier report");
    assert_eq!(lab.whole(old).await.item.state, "set-aside");
    assert_eq!(lab.item(second).await.corrects, Some(first.to_string()));
}

async fn what_was_told_is_corrected(mut lab: Lab) {
    for answered in [true, false] {
        let number = if answered { "1" } else { "2" };
        let specimen = format!("KP-0000{number}");
        let heard = [lab.heard(number, &specimen, "NEG"), lab.heard(number, &specimen, "2+^300")];
        let taken = lab.take(&heard, 1).await;
        let old = *lab.waiting().await.last().expect("a message");
        if answered {
            lab.settle("lis", old, MessageState::Accepted).await;
        } else {
            lab.unanswered("lis", old).await;
        }
        // Glucose as a grade with a number needs its unit: this one stays held for that.
        let id = taken.reports[1].id;
        assert_eq!(lab.correction(id).await, "held");
        let again = [lab.heard(number, &specimen, "2+")];
        let id = lab.take(&again, 2).await.reports[0].id;
        assert_eq!(lab.correction(id).await, "waiting");
        let waiting = lab.waiting().await;
        assert_eq!(waiting.contains(&old), !answered, "its bytes stay until they are answered");
        let new = *waiting.last().expect("a correction");
        let (filler, status, told) = lab.gist(new).await;
        assert_eq!((status.as_str(), told.as_str()), ("C", "GLU-GRADE 2+ C; "));
        assert_eq!(filler, lab.gist(old).await.0);
        let text = String::from_utf8(lab.body(new).await).expect("text");
        assert!(text.contains("|Corrected: strip misplaced\r"), "{text}");
        assert_eq!(lab.item(id).await.deliveries[0].amends.as_deref(), Some("corrects"));
        if !answered {
            lab.settle("lis", old, MessageState::Accepted).await;
        }
        lab.settle("lis", new, MessageState::Accepted).await;
        assert_eq!(lab.item(id).await.state, "accepted");
    }
    let mut conn = lab.ledger.db.read().await.expect("a connection");
    let sql = "SELECT became FROM trail WHERE verb = 'decide' ORDER BY n DESC LIMIT 1";
    let row = conn.fetch_one(sql).await.expect("a row");
    let became: String = sqlx::Row::try_get(&row, 0).expect("text");
    assert!(became.ends_with("; GLU: NEG -> 2+"), "{became}");
    assert!(
        became.contains("; specimen KP-0000"),
        "whose it is, before and after, stands in the trail"
    );
}

async fn a_new_run_goes_out_as_any_other_and_a_mistake_does_not(mut lab: Lab) {
    let (_, second) = two(&mut lab, "KP-00009").await;
    let old = lab.waiting().await[0];
    let shown = lab.ledger.side_by_side(second).await.expect("read");
    let (_, rows) = shown.expect("both versions");
    let glucose = rows.iter().find(|r| r.what == "GLU").expect("a pad");
    assert_eq!((glucose.before.as_str(), glucose.after.as_str()), ("NEG", "2+"));
    lab.decide(second, Decision::NewRun).await;
    let waiting = lab.waiting().await;
    assert_eq!((waiting.len(), waiting[0]), (2, old));
    let (filler, status, told) = lab.gist(waiting[1]).await;
    assert_ne!(filler, lab.gist(old).await.0);
    assert_eq!((status.as_str(), told.as_str()), ("F", ""));
    let third = [lab.heard("7", "KP-00007", "3+")];
    let third = lab.take(&third, 2).await.reports[0].id;
    assert_eq!(lab.decide(third, Decision::Mistake).await, [(third, "set-aside".to_owned())]);
    assert_eq!(lab.waiting().await, waiting);
    let no = Decision::NewRun;
    let no = lab.ledger.report_decide(&lab.bench, &person(), third, no, WHY).await;
    assert!(no.is_err(), "an end is an end");
}

async fn a_correction_needs_one_report_that_it_fits(mut lab: Lab) {
    let (_, second) = two(&mut lab, "KP-00009").await;
    let decide = |of| {
        let (ledger, bench) = (lab.ledger.clone(), &lab.bench);
        async move {
            let what = Decision::Correction { of };
            ledger
                .report_decide(bench, &person(), second, what, WHY)
                .await
                .map_err(|e| e.to_string())
        }
    };
    assert!(decide(None).await.expect_err("no").contains("another specimen id"));
    assert!(decide(Some(999)).await.expect_err("no").contains("no report 999"));
    assert!(decide(Some(second)).await.is_err(), "not itself");
    // A second run of that number: the analyzer began again, and what follows is of its new numbers.
    lab.decide(second, Decision::NewRun).await;
    let third = [lab.heard("7", "KP-00007", "3+")];
    let third = lab.take(&third, 2).await.reports[0].id;
    let newest = Decision::Correction { of: None };
    let newest = lab.ledger.report_decide(&lab.bench, &person(), third, newest, WHY).await;
    assert!(newest.expect_err("no").to_string().contains("another specimen id than report 2"));
    lab.decide(third, Decision::Correction { of: Some(1) }).await;
    assert_eq!(lab.item(third).await.corrects.as_deref(), Some("1"));
}

async fn other_holds_stay(mut lab: Lab) {
    let heard = [lab.heard("7", "KP-00007", "NEG"), lab.heard("7", "", "???")];
    lab.take(&heard, 1).await;
    let old = lab.waiting().await[0];
    lab.settle("lis", old, MessageState::Accepted).await;
    assert_eq!(lab.correction(2).await, "held", "its unread pad is not decided by that");
    let item = lab.item(2).await;
    assert_eq!(item.reason.as_deref(), Some("pad-unread"));
    assert_eq!(item.specimen.as_deref(), Some("KP-00007"), "the earlier report's");
    lab.ledger.report_release(&lab.bench, &person(), 2, "seen").await.expect("released");
    let [new] = lab.waiting().await[..] else { panic!("one message") };
    let (filler, status, told) = lab.gist(new).await;
    assert_eq!((status.as_str(), told.as_str()), ("C", "GLU-GRADE  X; "));
    assert_eq!(filler, lab.gist(old).await.0);
}

/// Decided, and still held for its pad, while the report that it corrects goes elsewhere.
async fn a_held_correction_follows_what_it_corrects(mut lab: Lab) {
    for withdrawn in [false, true] {
        let number = if withdrawn { "1" } else { "2" };
        let specimen = format!("KP-0000{number}");
        let heard = [lab.heard(number, &specimen, "NEG"), lab.heard(number, &specimen, "???")];
        let taken = lab.take(&heard, 1).await;
        let (first, second) = (taken.reports[0].id, taken.reports[1].id);
        let old = lab.waiting().await[0];
        lab.settle("lis", old, MessageState::Accepted).await;
        assert_eq!(lab.correction(second).await, "held");
        lab.withdraw(first, Some("KP-00044").filter(|_| !withdrawn)).await;
        for n in lab.waiting().await {
            lab.settle("lis", n, MessageState::Accepted).await;
        }
        let release = lab.ledger.report_release(&lab.bench, &person(), second, "seen").await;
        if withdrawn {
            assert!(release.expect_err("no").to_string().contains("withdrawn since"));
            continue;
        }
        release.expect("released");
        let [new] = lab.waiting().await[..] else { panic!("one message") };
        let (filler, status, told) = lab.gist(new).await;
        assert_eq!((status.as_str(), told.as_str()), ("C", "GLU-GRADE  X; "));
        assert_ne!(filler, lab.gist(old).await.0);
        assert_eq!(lab.item(second).await.specimen.as_deref(), Some("KP-00044"));
        lab.settle("lis", new, MessageState::Accepted).await;
    }
}

/// R-9 is `C`: it is offered with what it corrects, by its specimen where there is no number.
async fn what_the_analyzer_calls_a_correction(mut lab: Lab) {
    for number in ["", "8"] {
        let specimen = format!("KP-0001{number}");
        let marked = "2+|||||C||||20260314091455\nC|1|I|mended";
        let heard = [lab.heard(number, &specimen, "NEG"), lab.heard(number, &specimen, marked)];
        let taken = lab.take(&heard, 1).await;
        let id = taken.reports[1].id;
        assert_eq!(taken.reports[1].reason, Some(Reason::CorrectionHeard));
        lab.settle("lis", lab.waiting().await[0], MessageState::Accepted).await;
        let beside = lab.ledger.side_by_side(id).await.expect("read").expect("both");
        assert_eq!(beside.0, taken.reports[0].id);
        assert_eq!(lab.correction(id).await, "waiting");
        let [new] = lab.waiting().await[..] else { panic!("one message") };
        assert_eq!(lab.gist(new).await.2, "GLU-GRADE 2+ C; ");
        lab.settle("lis", new, MessageState::Accepted).await;
    }
}

async fn controls_are_never_decided_into_a_chart(mut lab: Lab) {
    let heard = [lab.heard("1", "QC-L1", "NEG"), lab.heard("1", "QC-L1", "2+")];
    let taken = lab.take(&heard, 1).await;
    assert_eq!(taken.reports[1].reason, Some(Reason::NumberReused));
    let what = Decision::Correction { of: Some(1) };
    assert!(lab.ledger.report_decide(&lab.bench, &person(), 2, what, WHY).await.is_err());
    assert_eq!(lab.decide(2, Decision::NewRun).await, [(2, "filed".to_owned())]);
    assert!(lab.waiting().await.is_empty());
    let withdrawn = lab.ledger.report_withdraw(&lab.bench, &person(), 2, WHY, None).await;
    assert!(withdrawn.is_err(), "it is in nobody's chart");
}

async fn two_receivers_in_different_situations(mut lab: Lab) {
    lab.second_receiver();
    let (_, second) = two(&mut lab, "KP-00007").await;
    let (lis, ward) = (lab.waiting().await[0], lab.queue_of("ward").await[0]);
    lab.settle("lis", lis, MessageState::Accepted).await;
    lab.settle("ward", ward, MessageState::Refused).await;
    lab.correction(second).await;
    let new = (lab.waiting().await, lab.queue_of("ward").await);
    let ([one], [two]) = (&new.0[..], &new.1[..]) else { panic!("one each: {new:?}") };
    assert_eq!(lab.gist(*one).await.1, "C");
    assert_eq!(lab.gist(*two).await.1, "F", "it said no to the first");
    lab.settle("lis", *one, MessageState::Accepted).await;
    assert_eq!(lab.item(second).await.state, "waiting", "the ward's is not in yet");
    let refused = Which::These(vec![ward]);
    let retried = lab.ledger.message_retry(&lab.bench, &person(), &refused).await;
    assert!(retried.is_err(), "the refused one was replaced");
    // A receiver that is not configured any more and was told: somebody must tell it.
    lab.settle("ward", *two, MessageState::Accepted).await;
    lab.bench.targets.retain(|t| t.id == "lis");
    let done = lab.withdraw(second, None).await;
    let said: Vec<(&str, Said)> =
        done.withdrawn.iter().map(|o| (o.receiver.as_str(), o.said)).collect();
    assert_eq!(said, [("lis", Said::Withdrawn), ("ward", Said::Unreachable)]);
}

async fn corrected_twice_and_back(mut lab: Lab) {
    two(&mut lab, "KP-00007").await;
    let more = [lab.heard("7", "KP-00007", "3+"), lab.heard("7", "KP-00007", "3+")];
    let taken = lab.take(&more, 2).await;
    assert_eq!(taken.reports[1].state, ReportState::Repeat);
    lab.settle("lis", lab.waiting().await[0], MessageState::Accepted).await;
    lab.correction(2).await;
    lab.settle("lis", lab.waiting().await[0], MessageState::Accepted).await;
    lab.correction(3).await;
    let [new] = lab.waiting().await[..] else { panic!("one message") };
    assert_eq!(lab.gist(new).await.2, "GLU-GRADE 3+ C; ");
    assert_eq!(lab.item(3).await.corrects.as_deref(), Some("1"), "all under the first one's OBR-3");
    for id in [1, 2] {
        let no = lab.ledger.report_withdraw(&lab.bench, &person(), id, WHY, None).await;
        assert!(no.expect_err("no").to_string().contains("report 3"), "the last one speaks");
    }
    // Corrected back before it went out: nothing is to be said any more.
    lab.reprint(3, "|3+|", "|2+|").await;
    let done = lab.correct(3).await;
    assert_eq!(done.outcomes[0].said, Said::Nothing);
    assert!(lab.waiting().await.is_empty());
    lab.reprint(3, "|2+|", "|NEG|").await;
    let done = lab.correct(3).await;
    assert_eq!(done.outcomes[0].said, Said::Corrected);
    let [new] = lab.waiting().await[..] else { panic!("one message") };
    assert_eq!(lab.gist(new).await.2, "GLU-GRADE Negative C; ");
}

async fn a_correction_that_was_refused_is_heeded_when_it_goes_again(mut lab: Lab) {
    let (_, second) = two(&mut lab, "KP-00007").await;
    let old = lab.waiting().await[0];
    lab.unanswered("lis", old).await;
    lab.correction(second).await;
    let new = lab.waiting().await[1];
    // The first is refused after all, and so is the correction of what it never took.
    lab.settle("lis", old, MessageState::Refused).await;
    lab.settle("lis", new, MessageState::Refused).await;
    let all = Which::Refused { receiver: None };
    let resent = lab.ledger.message_retry(&lab.bench, &person(), &all).await.expect("again");
    assert_eq!((resent[0].n, resent[0].went), (old, Went::SaidSince(Some(new))));
    let Went::Anew(anew) = resent[1].went else { panic!("{resent:?}") };
    assert_eq!(lab.waiting().await, [anew]);
    let (_, status, told) = lab.gist(anew).await;
    assert_eq!(
        (status.as_str(), told.as_str()),
        ("F", ""),
        "nothing was told: nothing is corrected"
    );
}

async fn what_was_kept_back_never_goes_behind_its_correction(mut lab: Lab) {
    let (_, second) = two(&mut lab, "KP-00007").await;
    let old = lab.waiting().await[0];
    lab.unanswered("lis", old).await;
    lab.ledger.message_hold(&person(), &[old], "stuck").await.expect("kept back");
    lab.correction(second).await;
    let [new] = lab.waiting().await[..] else { panic!("one message") };
    assert_eq!(lab.gist(new).await.1, "C", "it may have the first");
    assert_eq!(lab.whole(old).await.item.state, "set-aside");
    // Kept back after its correction was made: the correction says it all.
    let heard = [lab.heard("8", "KP-00008", "NEG"), lab.heard("8", "KP-00008", "2+")];
    let id = lab.take(&heard, 2).await.reports[1].id;
    let old = *lab.waiting().await.last().expect("a message");
    lab.unanswered("lis", old).await;
    lab.correction(id).await;
    lab.ledger.message_hold(&person(), &[old], "stuck").await.expect("kept back");
    let later = *lab.waiting().await.last().expect("a correction");
    let these = Which::These(vec![old]);
    let resent = lab.ledger.message_retry(&lab.bench, &person(), &these).await.expect("again");
    assert_eq!(resent[0].went, Went::SaidSince(Some(later)));
}

async fn withdrawn_and_sent_anew_under_the_right_specimen(mut lab: Lab) {
    lab.second_receiver();
    let heard = [lab.heard("7", "KP-00007", "2+")];
    let id = lab.take(&heard, 1).await.reports[0].id;
    let (lis, ward) = (lab.waiting().await[0], lab.queue_of("ward").await[0]);
    lab.settle("lis", lis, MessageState::Accepted).await;
    for wrong in ["KP-00007", "7777", ""] {
        let no =
            lab.ledger.report_withdraw(&lab.bench, &person(), id, WHY, Some(&twice(wrong))).await;
        assert!(no.is_err(), "{wrong}");
    }
    let done = lab.withdraw(id, Some("KP-00011")).await;
    let of = |outcomes: &[Outcome]| outcomes.iter().map(|o| o.said).collect::<Vec<_>>();
    assert_eq!(of(&done.withdrawn), [Said::Withdrawn, Said::Nothing]);
    assert_eq!(of(&done.anew), [Said::First, Said::First]);
    let [gone, anew] = lab.waiting().await[..] else { panic!("the withdrawal, then the result") };
    let specimen = |body: &[u8]| Message::read(body).expect("read").component("SPM", 1, 2, 1);
    let (filler, status, told) = lab.gist(gone).await;
    assert_eq!((filler.clone(), status.as_str()), (lab.gist(lis).await.0, "C"));
    assert_eq!(told.matches(" W; ").count(), 10, "all of it: {told}");
    assert_eq!(specimen(&lab.body(gone).await), "KP-00007");
    let (new_filler, status, told) = lab.gist(anew).await;
    assert_eq!((status.as_str(), told.as_str()), ("F", ""));
    assert_ne!(new_filler, filler);
    assert_eq!(specimen(&lab.body(anew).await), "KP-00011");
    assert_eq!(lab.whole(ward).await.item.state, "set-aside", "it was never told of it");
    assert_eq!(lab.queue_of("ward").await.len(), 1);
    let mut item = lab.item(id).await;
    assert_eq!((item.state.text(), item.specimen.as_deref()), ("waiting", Some("KP-00011")));
    lab.settle("lis", anew, MessageState::Accepted).await;
    lab.settle("ward", lab.queue_of("ward").await[0], MessageState::Accepted).await;
    lab.settle("lis", gone, MessageState::Refused).await;
    item = lab.item(id).await;
    assert_eq!(item.state, "refused", "the wrong patient still has it");
    let row = lab.trail_of("withdraw").await.pop().expect("a row");
    assert_eq!(row.was.as_deref(), Some("specimen KP-00007"));
    assert!(row.became.is_some_and(|b| b.contains("specimen KP-00011")));
}

async fn a_withdrawal_refused_twice_goes_all_the_same(mut lab: Lab) {
    let heard = [lab.heard("7", "KP-00007", "2+")];
    let id = lab.take(&heard, 1).await.reports[0].id;
    lab.settle("lis", lab.waiting().await[0], MessageState::Accepted).await;
    let done = lab.withdraw(id, None).await;
    assert_eq!(done.state, ReportState::SetAside);
    assert_eq!(lab.item(id).await.state, "waiting", "until it is taken");
    let mut gone = lab.waiting().await[0];
    for again in 0..2 {
        lab.settle("lis", gone, MessageState::Refused).await;
        assert_eq!(lab.item(id).await.state, "refused");
        if again == 1 {
            lab.layout().processing = "D".parse().expect("a processing id");
        }
        let all = Which::Refused { receiver: None };
        let resent = lab.ledger.message_retry(&lab.bench, &person(), &all).await.expect("again");
        gone = resent[0].went.instead().unwrap_or(gone);
        assert_eq!(lab.waiting().await, [gone]);
        assert_eq!(lab.gist(gone).await.2.matches(" W; ").count(), 10);
    }
    let message = Message::read(&lab.body(gone).await).expect("a message");
    let parts = [("MSH", 11), ("SPM", 2)].map(|(s, f)| message.component(s, 1, f, 1));
    assert_eq!(parts, ["D", "KP-00007"]);
    lab.settle("lis", gone, MessageState::Accepted).await;
    let item = lab.item(id).await;
    assert_eq!(item.state, "set-aside");
    assert_eq!(item.detail.as_deref(), Some("withdrawn: strip misplaced"));
    let again = lab.ledger.report_withdraw(&lab.bench, &person(), id, WHY, None).await;
    assert!(again.is_err(), "once is enough");
}

/// A message is handed to the receiver while a person replaces it: nobody knew that it was tried.
async fn what_was_on_the_wire_is_not_overtaken(mut lab: Lab) {
    for accepted in [true, false] {
        let number = if accepted { "1" } else { "2" };
        let specimen = format!("KP-0000{number}");
        let heard = [lab.heard(number, &specimen, "NEG"), lab.heard(number, &specimen, "2+")];
        let id = lab.take(&heard, 1).await.reports[1].id;
        let old = lab.waiting().await[0];
        lab.correction(id).await;
        let new = lab.waiting().await[0];
        let due = lab.ledger.queue_page("lis", 0, 1).await.expect("a page").remove(0);
        assert!(due.built_on);
        assert!(!lab.ledger.queue_overtaken("lis", new).await.expect("asked"));
        if accepted {
            lab.settle("lis", old, MessageState::Accepted).await;
        } else {
            lab.unanswered("lis", old).await;
        }
        assert!(lab.ledger.queue_overtaken("lis", new).await.expect("asked"));
        assert!(lab.waiting().await.is_empty());
        let all = Which::Refused { receiver: None };
        let resent = lab.ledger.message_retry(&lab.bench, &person(), &all).await.expect("again");
        let anew = resent[0].went.instead().expect("built anew");
        assert_eq!(lab.gist(anew).await.2, "GLU-GRADE 2+ C; ");
        assert!(!lab.ledger.queue_overtaken("lis", anew).await.expect("asked"));
        lab.settle("lis", anew, MessageState::Accepted).await;
    }
}

async fn read_again_and_corrected(mut lab: Lab) {
    let heard = [lab.heard("7", "KP-00007", "NEG"), lab.heard("8", "KP-00008", "NEG")];
    lab.take(&heard, 1).await;
    let same = lab.correct(1).await;
    assert!(same.differences.is_empty() && same.outcomes[0].said == Said::Nothing);
    lab.settle("lis", 1, MessageState::Accepted).await;
    assert_eq!(lab.correct(1).await.outcomes[0].said, Said::Nothing);
    lab.reprint(1, "^^^GLU|NEG|", "^^^GLU|2+|").await;
    let done = lab.correct(1).await;
    assert_eq!(done.differences.len(), 1);
    assert_eq!(lab.gist(done.outcomes[0].message.expect("sent")).await.2, "GLU-GRADE 2+ C; ");
    assert_eq!(lab.item(1).await.state, "waiting");
    // What it reads as now could not go out: nothing is changed.
    lab.reprint(1, "^^^GLU|2+|", "^^^GLU|777|").await;
    let held = lab.ledger.report_correct(&lab.bench, &lab.tape, &person(), 1, None, WHY).await;
    assert!(held.expect_err("held").to_string().contains("unit-unexpected"));
    lab.reprint(2, "|KP-00008|", "|KP-00009|").await;
    let other = lab.ledger.report_correct(&lab.bench, &lab.tape, &person(), 2, None, WHY).await;
    assert!(other.expect_err("no").to_string().contains("`wickline report withdraw 2` asks"));
    lab.bench.analyzers.clear();
    let away = lab.ledger.report_correct(&lab.bench, &lab.tape, &person(), 1, None, WHY).await;
    assert!(away.expect_err("no").to_string().contains("its own bench"));
}

/// A strip was read twice for one specimen: the report that went out takes the other print's readings. What
/// another specimen read is never put on it, as when cups were swapped.
async fn the_readings_of_another_print(mut lab: Lab) {
    let heard = [
        lab.heard("7", "KP-00007", "NEG"),
        lab.heard("8", "KP-00007", "3+"),
        lab.heard("9", "QC-L1", "NEG"),
        lab.heard("10", "KP-00010", "2+"),
    ];
    lab.take(&heard, 1).await;
    for n in lab.waiting().await {
        lab.settle("lis", n, MessageState::Accepted).await;
    }
    let take_over = |n, other| {
        let (ledger, bench, tape) = (lab.ledger.clone(), &lab.bench, &lab.tape);
        async move { ledger.report_correct(bench, tape, &person(), n, Some(other), WHY).await }
    };
    assert!(take_over(1, 1).await.is_err() && take_over(1, 3).await.is_err());
    for (n, other) in [(1, 4), (4, 1)] {
        let swapped = take_over(n, other).await.expect_err("another specimen").to_string();
        assert!(swapped.contains("readings never move between specimens"), "{swapped}");
    }
    assert!(lab.waiting().await.is_empty(), "nothing was sent");
    let done = take_over(1, 2).await.expect("corrected");
    let body = lab.body(done.outcomes[0].message.expect("sent")).await;
    assert_eq!(gist(&body).2, "GLU-GRADE 3+ C; ");
    let message = Message::read(&body).expect("a message");
    assert_eq!(message.component("SPM", 1, 2, 1), "KP-00007");
    assert_eq!(message.component("OBR", 1, 20, 1), "7");
    let rows = lab.trail_of("correct").await;
    assert_eq!(rows[0].became.as_deref(), Some("readings of report 2; GLU: 3+"), "{rows:?}");
}

async fn layout_strip_and_character_set_may_change_in_between(mut lab: Lab) {
    let (_, second) = two(&mut lab, "KP-00007").await;
    lab.settle("lis", lab.waiting().await[0], MessageState::Accepted).await;
    let layout = lab.layout();
    layout.names = "local-first".parse().expect("names");
    layout.charset = "8859/1".parse().expect("a set");
    lab.correction(second).await;
    let new = lab.waiting().await[0];
    let message = Message::read(&lab.body(new).await).expect("a message");
    let glucose = (1..=10).find(|n| message.component("OBX", *n, 11, 1) == "C").expect("changed");
    assert_eq!(
        message.component("OBX", glucose, 3, 4),
        "GLU-GRADE",
        "under the name it was told by"
    );
    lab.settle("lis", new, MessageState::Accepted).await;
    // The strip is not configured any more: nothing can be read again, all can be taken back.
    let analyzer = Arc::get_mut(&mut lab.bench.analyzers[0]).expect("ours alone");
    analyzer.strips.clear();
    let no = lab.ledger.report_correct(&lab.bench, &lab.tape, &person(), second, None, WHY).await;
    assert!(no.is_err());
    lab.withdraw(second, None).await;
    assert_eq!(lab.gist(lab.waiting().await[0]).await.2.matches(" W; ").count(), 10);
}
