//! What is left of a dispute, a withdrawal, a second strip: who is told, what stands where, and what goes with it.

use wickline_forward::hl7::Message;
use wickline_normalize::Private;
use wickline_normalize::orders::{Key, Standing};

use super::bench;
use super::*;
use crate::acts::decide::Decision;
use crate::settings::bench::About;
use crate::store::lists::orders::{AskedOrders, OrderView};
use crate::store::rows::notice::Notice;

on_both!(
    what_a_person_called_wrong_is_seen_until_what_is_out_is_taken_back,
    each_order_has_a_notice_of_its_own_and_lifting_one_silences_no_other,
    a_patient_who_changed_is_no_order_in_the_trail,
    a_claim_that_was_settled_as_wrong_disputes_nothing_again,
    a_patient_who_became_somebody_else_is_known_as_was_and_as_is_until_that_is_forgotten,
    an_order_whose_result_was_withdrawn_waits_for_its_strip_and_expires,
    an_order_whose_message_a_person_set_aside_waits_until_that_is_taken_back,
    an_older_order_for_the_same_says_why_it_stands,
    a_decided_correction_goes_under_the_order_of_what_it_corrects,
    one_message_that_cannot_go_again_keeps_no_other_from_going,
    a_patient_s_order_of_a_control_s_specimen_id_is_refused,
    a_second_strip_answers_both_orders_of_its_specimen,
    a_merge_into_somebody_else_is_asked_about_and_what_is_out_keeps_its_patient,
    another_patient_s_order_under_a_number_whose_result_is_out_is_told,
    a_cancelled_order_that_keeps_another_patient_s_out_is_told_until_it_is_settled,
    of_two_orders_of_one_message_the_second_is_the_newer,
    what_its_receiver_refused_is_among_the_refused_and_nobody_set_it_aside,
    a_source_s_number_that_looks_like_ours_is_found_beside_it,
    an_empty_specimen_id_is_said_to_be_that,
    o31_after_a_purge_a_repeat_and_a_cancel_are_known,
);

pub(super) const MADE: &str = "20260314081500+0000";

/// What a source says of one order: what is asked, its number, its specimen, its test, its patient, and when.
pub(super) fn order(
    [control, number, specimen, test]: [&str; 4],
    patient: &str,
    (made, id): (&str, &str),
) -> String {
    format!(
        "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|{made}||OML^O21^OML_O21|{id}|P|2.5.1\r\
         PID|1||{patient}^^^KESTREL^MR||Heron-Invented^Ada||19700101|F\r\
         ORC|{control}|{number}^LIS|||||||{made}\rOBR|1|{number}^LIS||{test}^Urine strip^99KPL\r\
         SPM|1|{specimen}&LIS||UR^Urine^HL70487\r"
    )
}

/// ADT^A08 (HL7 v2.5.1 chapter 3): what is known of KP700101.
pub(super) fn described(name: &str, born: &str, id: &str) -> String {
    format!(
        "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314082000+0000||ADT^A08^ADT_A01|{id}|P|2.5.1\r\
         EVN||20260314082000\rPID|1||KP700101^^^KESTREL^MR||{name}||{born}|F\rPV1|1|O\r"
    )
}

/// A bench whose receiver goes by our own numbers.
fn bench_of(site: &str, analyzer: &str) -> Bench {
    let text = format!(
        "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n{site}\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n{analyzer}\
         [[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\npatient = \"ordered\"\n\
         [[source]]\nid = \"lis\"\nlisten = \"127.0.0.1:2576\"\ntests = [\"UADIP=ten-pad\", \"UGLU=GLU\"]\n"
    );
    let loaded = from_text(std::path::Path::new("./w.toml"), text);
    Bench::build(&loaded.expect("a good configuration")).expect("a good configuration")
}

pub(super) fn key(number: &str) -> Key {
    Key { source: "lis".into(), number: Private::new(format!("{number}^LIS")) }
}

pub(super) fn person() -> Actor {
    Actor::person(Some("J. Mast".into()))
}

impl Lab {
    /// ORC-1 of the answer; MSA-1 where it has none.
    pub(super) async fn told(&self, text: &str) -> String {
        let source = &self.bench.sources[0];
        let heard = self.ledger.order_heard(&self.bench, source, text.as_bytes()).await;
        let answer = heard.expect("heard").answers.application.expect("an answer");
        let answer = Message::read(&answer).expect("a message");
        match answer.component("ORC", 1, 1, 1) {
            none if none.is_empty() => answer.component("MSA", 1, 1, 1),
            code => code,
        }
    }

    pub(super) async fn listed(&self, asked: AskedOrders) -> Vec<OrderView> {
        self.ledger.orders(&asked).await.expect("a list")
    }

    pub(super) async fn own(&self, number: &str) -> OrderView {
        self.listed(AskedOrders::Text(number.to_owned())).await.remove(0)
    }

    /// An order whose result its receiver has; the report.
    pub(super) async fn went(&mut self, strip: &str, number: &str, specimen: &str) -> i64 {
        assert_eq!(self.ordered(number, specimen, "UADIP", "KP700101").await, "OK");
        let (n, held) = self.run_of(strip, specimen, "2+").await;
        assert_eq!(held, None);
        self.said_yes().await;
        n
    }

    pub(super) async fn settles(
        &self,
        number: &str,
        right: bool,
    ) -> crate::acts::settling::Settled {
        let (actor, key, reason) = (person(), key(number), "label and wristband compared");
        let done = self.ledger.order_settle(&self.bench, &actor, &key, right, reason);
        done.await.expect("settled")
    }

    pub(super) async fn notices(&self) -> Vec<Notice> {
        self.ledger.notices().await.expect("notices")
    }
}

async fn what_a_person_called_wrong_is_seen_until_what_is_out_is_taken_back(mut lab: Lab) {
    lab.bench = bench("");
    let n = lab.went("1", "K1", "KP-20417").await;
    assert_eq!(lab.ordered("K2", "KP-20417", "UADIP", "KP700102").await, "UA");
    assert_eq!(lab.settles("K1", false).await.out, [n]);
    let disputed = AskedOrders::Standing(Standing::Disputed, 50);
    for asked in [disputed.clone(), AskedOrders::Text("KP-20417".into())] {
        let found = lab.listed(asked).await;
        let todo = found.first().and_then(OrderView::todo).expect("it says what is left");
        assert!(todo.contains(&format!("`wickline report withdraw {n}`")), "{todo}");
    }
    let now = crate::sheet::now::Now::read(&lab.ledger, &lab.bench).await.expect("a look");
    let told = now.of(About::Orders, "orders").expect("it is told");
    assert!(told.wrong && told.text.contains("the result of 1 is out"), "{}", told.text);
    // What is right gets its order meanwhile.
    let again = order(["NW", "K2", "KP-20417", "UADIP"], "KP700102", (MADE, "again"));
    assert_eq!(lab.told(&again).await, "OK");
    lab.taken_back(n, None).await;
    assert!(lab.listed(disputed).await.is_empty());
    let own = lab.own("K1").await;
    assert_eq!((own.kept.order.standing, own.todo()), (Standing::ClosedElsewhere, None));
}

async fn each_order_has_a_notice_of_its_own_and_lifting_one_silences_no_other(mut lab: Lab) {
    lab.bench = bench("");
    for (strip, number, specimen) in [("1", "K1", "KP-20417"), ("2", "K2", "KP-20418")] {
        lab.went(strip, number, specimen).await;
        let other = order(["NW", "K9", specimen, "UADIP"], "KP700102", (MADE, specimen));
        assert_eq!(lab.told(&other).await, "UA");
    }
    let told = lab.notices().await;
    let own: Vec<i64> = [lab.own("K1").await.kept.n, lab.own("K2").await.kept.n].into();
    for (notice, n) in told.iter().zip(&own) {
        assert!(notice.detail.contains(&format!("order {n} of lis")), "{}", notice.detail);
        let found = lab.listed(AskedOrders::Text(format!("order {n}"))).await;
        assert_eq!(found[0].kept.n, *n, "and is found by that");
        for secret in ["K1", "K2", "KP-", "KP7001"] {
            assert!(!notice.detail.contains(secret), "{}", notice.detail);
        }
    }
    assert_eq!(told.len(), 2);
    let lifted = lab.ledger.notice_lift(&person(), told[0].n, "seen to").await;
    lifted.expect("lifted");
    let left = lab.notices().await;
    assert_eq!((left.len(), left[0].n), (1, told[1].n));
    let third = order(["NW", "K8", "KP-20417", "UADIP"], "KP700103", (MADE, "third"));
    assert_eq!(lab.told(&third).await, "UA");
    assert_eq!(lab.notices().await.len(), 2, "what comes after the lifting is told anew");
}

async fn a_patient_who_changed_is_no_order_in_the_trail(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.told(&described("Heron-Invented^Adela", "19700101", "A2")).await, "AA");
    let merged = |gone: &str, stays: &str, id: &str| {
        described("Heron-Invented^Adela", "19700101", id)
            .replace("ADT^A08^ADT_A01", "ADT^A40^ADT_A39")
            .replace("PID|1||KP700101", &format!("PID|1||{stays}"))
            .replace("PV1|1|O", &format!("MRG|{gone}^^^KESTREL^MR"))
    };
    assert_eq!(lab.told(&merged("KP700101", "KP700777", "A3")).await, "AA");
    assert_eq!(lab.told(&merged("KP700777", "KP700101", "A4")).await, "AE");
    assert_eq!(lab.trail_of("order").await.len(), 1);
    let text = described("Heron-Invented^Adele", "19700101", "A5");
    let source = &lab.bench.sources[0];
    let heard = lab.ledger.order_heard(&lab.bench, source, text.as_bytes()).await.expect("heard");
    assert_eq!((heard.taken, heard.refused), (0, 0), "nor in the metrics");
    let became = |row: &crate::store::trail::Row| row.became.clone().unwrap_or_default();
    let patients: Vec<String> = lab.trail_of("patient").await.iter().map(became).collect();
    let [changed, merged] = ["patient data changed", "patients merged"];
    assert_eq!(patients, [changed, merged, "patients not merged", changed]);
}

/// A40 into somebody else by name and date of birth.
fn became(gone: &str, stays: &str, id: &str) -> String {
    described("Wholly-Invented^Other", "20100202", id)
        .replace("ADT^A08^ADT_A01", "ADT^A40^ADT_A39")
        .replace("PID|1||KP700101", &format!("PID|1||{stays}"))
        .replace("PV1|1|O", &format!("MRG|{gone}^^^KESTREL^MR"))
}

async fn a_merge_into_somebody_else_is_asked_about_and_what_is_out_keeps_its_patient(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.told(&became("KP700101", "KP700109", "A2")).await, "AA");
    assert_eq!(lab.own("K1").await.kept.order.standing, Standing::Disputed);
    assert_eq!(lab.run_of("1", "KP-20417", "2+").await.1, Some(Reason::PatientConflict));
    assert!(lab.waiting().await.is_empty(), "nothing goes under either");
    assert_eq!(lab.ordered("K2", "KP-20418", "UADIP", "KP700102").await, "OK");
    let (n, _) = lab.run_of("2", "KP-20418", "2+").await;
    lab.said_yes().await;
    assert_eq!(lab.told(&became("KP700102", "KP700110", "A3")).await, "AA");
    let notices = lab.notices().await;
    assert!(notices.len() == 1 && notices[0].detail.contains("became somebody else"));
    lab.taken_back(n, None).await;
    let back = lab.waiting().await;
    let back = Message::read(&lab.whole(back[0]).await.body).expect("a message");
    assert_eq!(back.component("PID", 1, 3, 1), "KP700102", "as it went");
}

async fn another_patient_s_order_under_a_number_whose_result_is_out_is_told(mut lab: Lab) {
    lab.bench = bench("");
    lab.went("1", "K1", "KP-20417").await;
    let under = |specimen, id| order(["NW", "K1", specimen, "UADIP"], "KP700102", (MADE, id));
    assert_eq!(lab.told(&under("KP-20491", "A2")).await, "UA");
    let notices = lab.notices().await;
    assert!(
        notices.len() == 1 && notices[0].detail.contains("for another patient under the number of")
    );
    let disputed = AskedOrders::Standing(Standing::Disputed, 50);
    assert!(lab.listed(disputed.clone()).await.is_empty(), "another cup");
    assert_eq!(lab.told(&under("KP-20417", "A3")).await, "UA");
    assert_eq!((lab.notices().await.len(), lab.listed(disputed).await.len()), (2, 1));
}

async fn a_cancelled_order_that_keeps_another_patient_s_out_is_told_until_it_is_settled(
    mut lab: Lab,
) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let later = "20260314083000+0000";
    let cancel = order(["CA", "K1", "KP-20417", "UADIP"], "KP700101", (later, "A2"));
    assert_eq!(lab.told(&cancel).await, "CR");
    assert_eq!(lab.run_of("1", "KP-20417", "2+").await.1, Some(Reason::OrderCancelled));
    let right = |id| order(["NW", "K2", "KP-20417", "UADIP"], "KP700102", (later, id));
    assert_eq!(lab.told(&right("A3")).await, "UA");
    let now = crate::sheet::now::Now::read(&lab.ledger, &lab.bench).await.expect("a look");
    let told = now.of(About::Orders, "orders").expect("it is told");
    assert!(told.wrong && told.text.contains("1 disputed"), "{}", told.text);
    let kept = lab.ledger.report(1, &lab.clock()).await.expect("read").expect("there");
    assert_eq!(kept.item.reasons(), ["patient-conflict"], "its hint leads to who settles it");
    let own = lab.listed(AskedOrders::Standing(Standing::Disputed, 50)).await.remove(0);
    let todo = own.todo().expect("it says what to do");
    assert!(todo.contains("--wrong`, then have it sent again"), "{todo}");
    lab.settles("K1", false).await;
    assert_eq!(lab.told(&right("A4")).await, "OK");
    assert_eq!(lab.waiting().await.len(), 1, "it goes by itself");
    let counts = lab.ledger.order_counts().await.expect("counts");
    assert!(counts.is_empty(), "{counts:?}");
}

/// By their names the first would be the later one.
async fn of_two_orders_of_one_message_the_second_is_the_newer(mut lab: Lab) {
    lab.bench = bench_of("", "controls = \"none\"\n");
    let one = order(["NW", "K6", "KP-20417", "UADIP"], "KP700101", (MADE, "A1"));
    let second = one[one.find("ORC|").expect("a group")..].replace("K6", "K5");
    assert_eq!(lab.told(&(one + &second.replace("OBR|1", "OBR|2"))).await, "OK");
    assert_eq!(lab.run_of("1", "KP-20417", "2+").await.1, None);
    lab.said_yes().await;
    assert_eq!(lab.own("K5").await.kept.order.standing, Standing::Answered);
    assert_eq!(lab.own("K6").await.trace(), "a newer order for the same is answered");
    assert_eq!(lab.run_of("2", "KP-20417", "NEG").await.1, Some(Reason::OrderAmbiguous));
}

async fn what_its_receiver_refused_is_among_the_refused_and_nobody_set_it_aside(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.run_of("1", "KP-20417", "2+").await.1, None);
    let no: Vec<_> =
        lab.waiting().await.iter().map(|n| settled(*n, MessageState::Refused)).collect();
    lab.ledger.queue_settle("lis", 0, &no).await.expect("recorded");
    let other = order(["NW", "K2", "KP-20417", "UADIP"], "KP700102", (MADE, "A2"));
    assert_eq!(lab.told(&other).await, "UA");
    assert_eq!(lab.own("K1").await.trace(), "its result is among the refused");
}

async fn a_source_s_number_that_looks_like_ours_is_found_beside_it(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let own = format!("order {}", lab.own("K1").await.kept.n);
    let other = order(["NW", &own, "KP-20418", "UADIP"], "KP700101", (MADE, "A2"));
    assert_eq!(lab.told(&other).await, "OK");
    assert_eq!(lab.listed(AskedOrders::Text(own)).await.len(), 2);
}

async fn an_empty_specimen_id_is_said_to_be_that(mut lab: Lab) {
    lab.bench = bench("");
    let n = lab.went("1", "K1", "KP-20417").await;
    let done = lab.ledger.report_withdraw(&lab.bench, &person(), n, "x", Some(&twice(""))).await;
    let why = done.expect_err("nothing was given").to_string();
    assert!(why.contains("that was given is empty") && !why.contains("identify"), "{why}");
}

async fn a_claim_that_was_settled_as_wrong_disputes_nothing_again(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let claim = |id| order(["NW", "K2", "KP-20417", "UADIP"], "KP700102", (MADE, id));
    assert_eq!(lab.told(&claim("A1")).await, "UA");
    assert_eq!(lab.own("K1").await.kept.order.standing, Standing::Disputed);
    lab.settles("K1", true).await;
    assert_eq!(lab.told(&claim("A2")).await, "UA", "it is refused as before");
    assert_eq!(lab.own("K1").await.kept.order.standing, Standing::Open);
    lab.run_of("1", "KP-20417", "2+").await;
    lab.said_yes().await;
    assert_eq!(lab.told(&claim("A3")).await, "UA");
    assert!(lab.notices().await.is_empty(), "nor is anybody told");
    assert!(lab.listed(AskedOrders::Standing(Standing::Disputed, 50)).await.is_empty());
    let third = order(["NW", "K3", "KP-20417", "UADIP"], "KP700103", (MADE, "A4"));
    assert_eq!(lab.told(&third).await, "UA");
    assert_eq!(lab.notices().await.len(), 1, "somebody else's claim is another one");
}

async fn a_patient_who_became_somebody_else_is_known_as_was_and_as_is_until_that_is_forgotten(
    mut lab: Lab,
) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let other = |id| described("Plover-Invented^Ines", "19850517", id);
    assert_eq!(lab.told(&other("A2")).await, "AA");
    let own = lab.own("K1").await.kept.order;
    assert_eq!(own.standing, Standing::Disputed);
    let wanted = own.wanted.expect("wanted");
    let (was, is) = (wanted.patient.expect("a patient"), wanted.said.expect("as said now"));
    assert_eq!((was.name.expose(), was.born.expose()), ("Heron-Invented^Ada", "19700101"));
    assert_eq!((is.name.expose(), is.born.expose()), ("Plover-Invented^Ines", "19850517"));
    lab.settles("K1", true).await;
    assert_eq!(lab.told(&other("A3")).await, "AA");
    assert_eq!(lab.own("K1").await.kept.order.standing, Standing::Open, "said before");
    // Closed, and long enough ago.
    let cancel = order(["CA", "K1", "KP-20417", "UADIP"], "KP700101", ("20260314083000", "A4"));
    assert_eq!(lab.told(&cancel).await, "CR");
    lab.bench.orders.patient_keep = -1;
    lab.ledger.orders_tidied(&lab.bench).await.expect("tidied");
    let wanted = lab.own("K1").await.kept.order.wanted.expect("wanted");
    assert!(wanted.said.is_none() && wanted.patient.is_some_and(|own| own.name.is_empty()));
}

async fn an_order_whose_result_was_withdrawn_waits_for_its_strip_and_expires(mut lab: Lab) {
    lab.bench = bench("");
    let n = lab.went("1", "K1", "KP-20417").await;
    assert!(lab.listed(AskedOrders::Open(50)).await.is_empty());
    lab.taken_back(n, None).await;
    let open = lab.listed(AskedOrders::Open(50)).await;
    assert_eq!(open.len(), 1, "it is among those that wait");
    assert_eq!(open[0].kept.order.standing, Standing::Open);
    assert_eq!(open[0].trace(), "its result was taken back or set aside");
    lab.said_yes().await;
    assert_eq!(lab.run_of("2", "KP-20417", "NEG").await.1, None);
    assert!(lab.listed(AskedOrders::Open(50)).await.is_empty());
    lab.said_yes().await;
    // Without a strip it does not wait for ever.
    let n = lab.went("3", "K3", "KP-20419").await;
    lab.taken_back(n, None).await;
    let rules = &mut lab.bench.orders.rules;
    (rules.expire, rules.expire_unknown) = (-HOUR, -HOUR);
    let n = lab.went("4", "K4", "KP-20420").await;
    lab.taken_back(n, None).await;
    lab.ledger.orders_tidied(&lab.bench).await.expect("tidied");
    assert_eq!(lab.own("K4").await.kept.order.standing, Standing::Expired);
    assert_eq!(lab.own("K3").await.kept.order.standing, Standing::Open, "its time is not over");
}

const HOUR: i64 = 3_600;

async fn an_order_whose_message_a_person_set_aside_waits_until_that_is_taken_back(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let (n, _) = lab.run_of("1", "KP-20417", "2+").await;
    let message = lab.waiting().await[0];
    let aside = lab.ledger.message_set_aside(&person(), &[message], "by telephone").await;
    aside.expect("set aside");
    assert_eq!(lab.listed(AskedOrders::Open(50)).await.len(), 1);
    let undone = lab.ledger.report_undo(&lab.bench, &person(), n, "a slip").await;
    undone.expect("undone");
    assert!(lab.listed(AskedOrders::Open(50)).await.is_empty());
    assert_eq!(lab.own("K1").await.kept.order.standing, Standing::Answered);
}

async fn an_older_order_for_the_same_says_why_it_stands(mut lab: Lab) {
    lab.bench = bench_of("", "controls = \"none\"\n");
    let newer = "20260314083000+0000";
    for (number, made) in [("K1", MADE), ("K2", newer)] {
        let text = order(["NW", number, "KP-20417", "UADIP"], "KP700101", (made, number));
        assert_eq!(lab.told(&text).await, "OK");
    }
    assert_eq!(lab.own("K1").await.trace(), "no strip yet");
    assert_eq!(lab.run_of("1", "KP-20417", "NEG").await.1, None);
    let open = lab.listed(AskedOrders::Open(50)).await;
    assert_eq!(open.len(), 1);
    assert_eq!(open[0].trace(), "a newer order for the same is answered");
    let second = lab.run_of("2", "KP-20417", "NEG").await.1;
    assert_eq!(second, Some(Reason::OrderAmbiguous), "no strip is taken for its own");
}

/// It bears the same id, and a result stands under the number of its order: the one that it corrects.
async fn a_decided_correction_goes_under_the_order_of_what_it_corrects(mut lab: Lab) {
    lab.bench = bench("");
    lab.went("1", "K1", "KP-20417").await;
    let (n, held) = lab.run_of("1", "KP-20417", "NEG").await;
    assert_eq!(held, Some(Reason::NumberReused));
    let decision = Decision::Correction { of: None };
    let became = lab.ledger.report_decide(&lab.bench, &person(), n, decision, "read anew").await;
    assert_eq!(became.expect("decided"), [(n, "waiting".to_owned())]);
    let goes = lab.goes().await;
    assert_eq!((goes[0].0.as_str(), goes[0].1.as_str()), ("K1^LIS", "F-K1^KESTRELLAB"));
    assert!(goes[0].3.contains('C'), "{goes:?}");
    let row = lab.ledger.report(n, &lab.clock()).await.expect("read").expect("there");
    assert!(row.item.holds.iter().all(|hold| hold.cleared), "{:?}", row.item.holds);
}

async fn one_message_that_cannot_go_again_keeps_no_other_from_going(mut lab: Lab) {
    lab.bench = bench("");
    for (strip, number, specimen) in [("1", "K1", "KP-20417"), ("2", "K2", "KP-20418")] {
        assert_eq!(lab.ordered(number, specimen, "UADIP", "KP700101").await, "OK");
        lab.run_of(strip, specimen, "2+").await;
    }
    let both = lab.waiting().await;
    let refused =
        |n: &i64| Settled { reason: Some("receiver-error"), ..settled(*n, MessageState::Refused) };
    let all: Vec<_> = both.iter().map(refused).collect();
    lab.ledger.queue_settle("lis", 0, &all).await.expect("recorded");
    assert_eq!(lab.source_says("CA", "K1", "KP-20417", "UADIP", "KP700101").await, "CR");
    let all = Which::Refused { receiver: None };
    let done = lab.ledger.message_retry(&lab.bench, &person(), &all).await.expect("one goes");
    let went: Vec<_> = done.iter().map(|one| (one.n, one.went)).collect();
    assert_eq!(went, [(both[0], Went::Nowhere), (both[1], Went::Same)]);
    let why = done[0].left.as_ref().expect("it says why");
    assert!(why.contains("`order-cancelled`"), "{why}");
    assert_eq!(lab.waiting().await, [both[1]]);
    assert_eq!(lab.trail_of("retry").await.len(), 1, "what stays was not touched");
    let none = lab.ledger.message_retry(&lab.bench, &person(), &all).await;
    assert!(none.is_err(), "where none can go nothing was done");
}

/// Row 29: a control's strip is never a patient's, whatever was ordered of it.
async fn a_patient_s_order_of_a_control_s_specimen_id_is_refused(mut lab: Lab) {
    let external = "external_quality = [\"EQA-[0-9]{2}\"]\n";
    lab.bench = bench_of(external, "control_specimens = [\"QC-L[12]=1\"]\n");
    for (specimen, wrong) in [("QC-L1", true), ("EQA-17", true), ("KP-20417", false)] {
        let text = order(["NW", specimen, specimen, "UADIP"], "KP700101", (MADE, specimen));
        let source = &lab.bench.sources[0];
        let heard = lab.ledger.order_heard(&lab.bench, source, text.as_bytes()).await;
        let answer = heard.expect("heard").answers.application.expect("an answer");
        let answer = Message::read(&answer).expect("a message");
        let code = |segment, field, part| answer.component(segment, 1, field, part);
        if wrong {
            assert_eq!((code("MSA", 1, 1), code("ORC", 1, 1)), ("AE".into(), "UA".into()));
            assert_eq!(code("ERR", 3, 1), "102", "{specimen}");
            assert_eq!(code("ORC", 16, 1), "specimen-of-material");
        } else {
            assert_eq!(code("ORC", 1, 1), "OK");
        }
    }
    assert_eq!(lab.listed(AskedOrders::Open(50)).await.len(), 1, "nothing of them is kept");
}

async fn a_second_strip_answers_both_orders_of_its_specimen(mut lab: Lab) {
    lab.bench = bench_of("", "controls = \"none\"\n");
    for (number, test) in [("K1", "UADIP"), ("K2", "UGLU")] {
        let text = order(["NW", number, "KP-20417", test], "KP700101", (MADE, number));
        assert_eq!(lab.told(&text).await, "OK");
    }
    for strip in ["1", "2"] {
        let (n, held) = lab.run_of(strip, "KP-20417", "2+").await;
        assert_eq!(held, None);
        let text = lab.whole(lab.waiting().await[0]).await.body;
        let message = Message::read(&text).expect("a message");
        let mut orders: Vec<String> =
            (1..=message.count("OBR")).map(|nth| message.component("OBR", nth, 2, 1)).collect();
        orders.sort();
        assert_eq!(orders, ["K1", "K2"], "strip {strip}");
        for number in ["K1", "K2"] {
            assert!(lab.own(number).await.reports.contains(&n));
        }
        lab.said_yes().await;
    }
}

/// Nothing of the report is left; what its orders are is.
async fn o31_after_a_purge_a_repeat_and_a_cancel_are_known(mut lab: Lab) {
    lab.bench = bench("");
    let new = order(["NW", "K1", "KP-20417", "UADIP"], "KP700101", (MADE, "A1"));
    assert_eq!(lab.told(&new).await, "OK");
    let heard = lab.heard("1", "KP-20417", "2+");
    lab.on_tape(&heard).await;
    let (last, _) = lab.tape.tail("bench-1", 0).await.expect("read");
    assert_eq!(lab.take(&[heard], last).await.reports[0].reason, None);
    lab.said_yes().await;
    let all = crate::acts::purge::Kept { since: i64::MAX, controls_since: i64::MAX };
    let purged = lab.ledger.purge(&lab.bench, &lab.tape, &person(), all, "kept long enough").await;
    assert_eq!(purged.expect("purged").reports, 1);
    assert_eq!(lab.told(&new.replace("|A1|", "|A2|")).await, "UA", "closed");
    let cancel = order(["CA", "K1", "KP-20417", "UADIP"], "KP700101", ("20260314083000", "A3"));
    assert_eq!(lab.told(&cancel).await, "UC", "its result was sent");
    assert_eq!(lab.own("K1").await.kept.order.standing, Standing::Answered);
    assert!(lab.waiting().await.is_empty());
    // An order that a restored ledger does not have: its strip does not go bare.
    assert_eq!(lab.run_of("2", "KP-20418", "NEG").await.1, Some(Reason::SpecimenUnknown));
    assert!(lab.waiting().await.is_empty());
}
