//! Whom a result names after merges, under which number it goes, and what a restart knows of what was sent.

use wickline_forward::hl7::Message;
use wickline_normalize::orders::Standing;

use super::bench;
use super::settled_by_a_person::{MADE, described, order};
use super::*;
use crate::store::lists::queue::Asked;

on_both!(
    what_waits_untried_can_be_cancelled_after_a_restart_too,
    what_was_never_noted_may_have_been_sent_before_a_restart,
    after_a_merge_who_speaks_of_the_old_id_does_not_bring_it_back,
    two_orders_of_one_whom_a_merge_made_one_go_with_who_stayed,
    of_two_orders_with_one_number_of_their_own_the_second_is_held,
    an_id_that_nobody_ordered_is_put_right_while_it_is_held,
    the_trail_says_which_orders_were_refused_and_why,
    a_change_that_names_somebody_else_disputes_its_order,
    what_is_said_under_an_id_that_was_merged_away_is_no_news_of_who_stayed,
    what_one_receiver_has_goes_to_no_other_while_it_is_disputed,
    what_answers_an_urgent_order_is_to_be_telephoned,
);

/// ADT^A40 (HL7 v2.5.1 chapter 3): who was `gone` is the one that `stays`.
fn merged(gone: &str, stays: &str, id: &str) -> String {
    described("Heron-Invented^Adela", "19700101", id)
        .replace("ADT^A08^ADT_A01", "ADT^A40^ADT_A39")
        .replace("KP700101^^^KESTREL^MR", &format!("{stays}^^^KESTREL^MR"))
        .replace("PV1|1|O\r", &format!("MRG|{gone}^^^KESTREL^MR\r"))
}

impl Lab {
    /// As a daemon begins with the queue, and as one begins anew after a reload.
    async fn begins(&self, notes: bool) {
        self.ledger.queue_begins("lis", 33, notes).await.expect("begun");
    }

    async fn last(&self) -> Message {
        let last = *self.waiting().await.last().expect("a message waits");
        Message::read(&self.whole(last).await.body).expect("a message")
    }
}

async fn what_waits_untried_can_be_cancelled_after_a_restart_too(mut lab: Lab) {
    lab.bench = bench("");
    lab.ledger.receiver_known("lis", true).await.expect("known");
    // Each message is noted before it is sent; or it is not, and the daemon before came to a clean end.
    for (number, notes) in [("K1", true), ("K2", false)] {
        let specimen = format!("KP-2042{}", &number[1..]);
        lab.begins(notes).await;
        assert_eq!(lab.ordered(number, &specimen, "UADIP", "KP700101").await, "OK");
        assert_eq!(lab.run_of(number, &specimen, "2+").await.1, None);
        if !notes {
            lab.ledger.queue_ends("lis", 0).await.expect("ended");
        }
        lab.begins(notes).await;
        let cancel = order(["CA", number, &specimen, "UADIP"], "KP700101", (MADE, number));
        assert_eq!(lab.told(&cancel).await, "CR", "nobody has tried to send it");
        assert_eq!(lab.own(number).await.kept.order.standing, Standing::Cancelled);
    }
}

async fn what_was_never_noted_may_have_been_sent_before_a_restart(mut lab: Lab) {
    lab.bench = bench("");
    lab.ledger.receiver_known("lis", true).await.expect("known");
    // Before orders were taken in nothing was noted; nor where that ended for a while.
    for before in [false, true] {
        lab.begins(before).await;
        lab.begins(false).await;
        let (number, specimen) = if before { ("K2", "KP-20418") } else { ("K1", "KP-20417") };
        assert_eq!(lab.ordered(number, specimen, "UADIP", "KP700101").await, "OK");
        assert_eq!(lab.run_of(number, specimen, "2+").await.1, None);
        lab.begins(true).await;
        let cancel = order(["CA", number, specimen, "UADIP"], "KP700101", (MADE, number));
        assert_eq!(lab.told(&cancel).await, "UC");
    }
}

async fn after_a_merge_who_speaks_of_the_old_id_does_not_bring_it_back(mut lab: Lab) {
    lab.bench = bench("");
    let changed = |id: &str| order(["XO", "K1", "KP-20417", "UADIP"], "KP700101", (MADE, id));
    for (n, late) in
        [("1", described("Heron-Invented^Ada Maria", "19700101", "A8")), ("2", changed("X8"))]
    {
        let (number, specimen) = (format!("K{n}"), format!("KP-2041{n}"));
        let patient = format!("KP70010{n}");
        assert_eq!(lab.ordered(&number, &specimen, "UADIP", &patient).await, "OK");
        let stays = format!("KP70077{n}");
        assert_eq!(lab.told(&merged(&patient, &stays, &format!("M{n}"))).await, "AA");
        let late = late.replace("KP700101", &patient).replace("K1^", &format!("{number}^"));
        let late = late.replace("KP-20417", &specimen);
        assert!(["AA", "XR"].contains(&lab.told(&late).await.as_str()));
        assert_eq!(lab.run_of(n, &specimen, "2+").await.1, None);
        let shown = lab.own(&number).await.kept.order.wanted.and_then(|own| own.patient);
        assert_eq!(shown.expect("a patient").number.expose(), stays);
        let body = lab.last().await;
        assert_eq!(body.component("PID", 1, 3, 1), stays, "as it is shown");
        assert_eq!(body.component("PID", 1, 5, 1), "Heron-Invented");
    }
}

async fn two_orders_of_one_whom_a_merge_made_one_go_with_who_stayed(mut lab: Lab) {
    lab.bench = bench("[orders]\nunordered_pads = \"drop\"\n");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.told(&merged("KP700101", "KP700777", "M1")).await, "AA");
    // Its sender goes by the old id still.
    assert_eq!(lab.ordered("K2", "KP-20417", "UGLU", "KP700101").await, "OK");
    let (n, held) = lab.run_of("1", "KP-20417", "2+").await;
    assert_eq!(held, None, "report {n}");
    let body = lab.last().await;
    assert_eq!(body.count("OBR"), 2);
    assert_eq!((body.count("PID"), body.component("PID", 1, 3, 1)), (1, "KP700777".into()));
}

async fn of_two_orders_with_one_number_of_their_own_the_second_is_held(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let text = order(["NW", "K2", "KP-20418", "UADIP"], "KP700102", (MADE, "A2"));
    let text = text.replace("ORC|NW|K2^LIS|", "ORC|NW|K2^LIS|F-K1^KESTRELLAB");
    assert_eq!(lab.told(&text).await, "OK");
    assert_eq!(lab.run_of("1", "KP-20417", "2+").await.1, None);
    for said_yes in [false, true] {
        if said_yes {
            lab.said_yes().await;
        }
        let strip = if said_yes { "3" } else { "2" };
        let (_, held) = lab.run_of(strip, "KP-20418", "1+").await;
        assert_eq!(
            held,
            Some(Reason::OrderAmbiguous),
            "its receiver would take it for a correction"
        );
    }
}

async fn an_id_that_nobody_ordered_is_put_right_while_it_is_held(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let (n, held) = lab.run_of("1", "KP-20471", "2+").await;
    assert_eq!(held, Some(Reason::SpecimenUnknown));
    assert_eq!(lab.is_named(n, "KP-20417").await, "waiting");
    assert_eq!(lab.last().await.component("OBR", 1, 2, 1), "K1");
}

async fn the_trail_says_which_orders_were_refused_and_why(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UHCG", "KP700101").await, "UA");
    let rows = lab.trail_of("order").await;
    assert_eq!(rows[0].reason.as_deref(), Some("order 1 of the message: test-unknown"));
    let all = format!("{rows:?}");
    for mark in ["K1", "KP700101", "Invented"] {
        assert!(!all.contains(mark), "and nothing of the order or its patient: {all}");
    }
}

async fn a_change_that_names_somebody_else_disputes_its_order(mut lab: Lab) {
    lab.bench = bench("");
    let changed = |name: &str, born: &str, id: &str| {
        order(["XO", "K1", "KP-20417", "UADIP"], "KP700101", (MADE, id))
            .replace("Heron-Invented^Ada", name)
            .replace("19700101", born)
    };
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    // Another name alone is learned, and shown as it is sent.
    assert_eq!(lab.told(&changed("Heron-Invented^Adela", "19700101", "X1")).await, "XR");
    let own = lab.own("K1").await.kept.order.wanted.and_then(|own| own.patient).expect("a patient");
    assert_eq!(own.name.expose(), "Heron-Invented^Adela");
    assert_eq!(lab.told(&changed("Plover-Invented^Ines", "19850517", "X2")).await, "XR");
    assert_eq!(lab.own("K1").await.kept.order.standing, Standing::Disputed);
    let (n, held) = lab.run_of("1", "KP-20417", "2+").await;
    assert_eq!(held, Some(Reason::PatientConflict), "report {n}");
    lab.settles("K1", true).await;
    assert_eq!(lab.last().await.component("PID", 1, 5, 2), "Adela", "right is who is shown");
}

async fn what_is_said_under_an_id_that_was_merged_away_is_no_news_of_who_stayed(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.ordered("K2", "KP-20418", "UADIP", "KP700777").await, "OK");
    assert_eq!(lab.told(&merged("KP700101", "KP700777", "M1")).await, "AA");
    let late = described("Heron-Invented^Wrong", "19700101", "A1");
    assert_eq!(lab.told(&late).await, "AA");
    // A new order under the old id says no more, for its cup or for another.
    assert_eq!(lab.ordered("K3", "KP-20419", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.ordered("K4", "KP-20418", "UADIP", "KP700101").await, "OK");
    for (strip, specimen, given) in [("1", "KP-20417", "Adela"), ("2", "KP-20418", "Ada")] {
        assert_eq!(lab.run_of(strip, specimen, "2+").await.1, None);
        let body = lab.last().await;
        assert_eq!(body.component("PID", 1, 3, 1), "KP700777", "{specimen}");
        assert_eq!(body.component("PID", 1, 5, 2), given, "{specimen}");
    }
}

async fn what_one_receiver_has_goes_to_no_other_while_it_is_disputed(mut lab: Lab) {
    lab.bench = bench("[[receiver]]\nid = \"ehr\"\naddress = \"dir:out2\"\n");
    for (number, right) in [("K1", true), ("K2", false)] {
        let specimen = format!("KP-2042{}", &number[1..]);
        assert_eq!(lab.ordered(number, &specimen, "UADIP", "KP700101").await, "OK");
        assert_eq!(lab.run_of(number, &specimen, "2+").await.1, None);
        let due = async |receiver: &str| {
            let page = lab.ledger.queue_page(receiver, 0, 10).await.expect("a page");
            page.iter().map(|one| one.n).collect::<Vec<_>>()
        };
        let first: Vec<_> =
            due("lis").await.iter().map(|n| settled(*n, MessageState::Accepted)).collect();
        lab.ledger.queue_settle("lis", 0, &first).await.expect("recorded");
        assert_eq!(due("ehr").await.len(), 1);
        let rival = order(["NW", "K9", &specimen, "UADIP"], "KP700199", (MADE, number));
        assert_eq!(lab.told(&rival).await, "UA");
        assert_eq!(due("ehr").await.len(), 0, "nobody has said whose it is");
        // Who looks why it waits is told; and it is not what goes next.
        let mine = Asked { receiver: Some("ehr".into()), after: first[0].n, ..Asked::default() };
        let listed = lab.ledger.queue(&mine, &lab.bench.clock).await.expect("a page");
        let last = listed.last().expect("it is there");
        assert!(last.detail.as_deref().is_some_and(|d| d.contains("disputed")), "{listed:?}");
        let head = lab.ledger.queue(&Asked::head("ehr"), &lab.bench.clock).await.expect("a page");
        assert!(head.is_empty(), "{head:?}");
        let out = lab.settles(number, right).await.out;
        assert_eq!(due("ehr").await.len(), usize::from(right));
        if right {
            let gone: Vec<_> =
                due("ehr").await.iter().map(|n| settled(*n, MessageState::Accepted)).collect();
            lab.ledger.queue_settle("ehr", 0, &gone).await.expect("recorded");
        } else {
            assert_eq!(out.len(), 1);
            lab.taken_back(out[0], None).await;
            assert!(
                lab.ledger.queue_page("lis", 0, 10).await.expect("a page").len() == 1,
                "what takes it back goes"
            );
            assert_eq!(lab.ledger.queue_page("ehr", 0, 10).await.expect("a page").len(), 0);
        }
    }
}

async fn what_answers_an_urgent_order_is_to_be_telephoned(mut lab: Lab) {
    lab.bench = bench("");
    let text = order(["NW", "K1", "KP-20417", "UADIP"], "KP700101", (MADE, "A1"));
    assert_eq!(lab.told(&text.replace("\rOBR|", "\rTQ1|1||||||||S\rOBR|")).await, "OK");
    let (n, held) = lab.run_of("1", "KP-20417", "2+").await;
    assert_eq!(held, None);
    let refused = settled(lab.waiting().await[0], MessageState::Refused);
    lab.ledger.queue_settle("lis", 0, &[refused]).await.expect("recorded");
    let due = crate::sheet::calls::due(&lab.ledger, &lab.bench).await.expect("a list");
    assert_eq!(due.iter().map(|item| item.id.clone()).collect::<Vec<_>>(), [n.to_string()]);
}
