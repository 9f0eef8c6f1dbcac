//! Faults that orders meet, by their number in the list of what must hold: replays, messages out of order, clocks,
//! merges, and a configuration that changed.

use wickline_forward::hl7::Message;
use wickline_normalize::orders::Standing;

use super::*;
use crate::store::lists::orders::AskedOrders;
use crate::store::rows::order::Kept;

on_both!(
    o6_a_replay_of_yesterday_under_new_names_opens_and_sends_nothing,
    o8_a_cancel_that_overtakes_its_order_refuses_it_and_not_a_newer_one,
    o13_of_two_changes_the_later_made_stands_whichever_came_last,
    o25_a_sender_s_clock_that_is_ahead_keeps_no_order_for_ever,
    o26_a_merge_reaches_what_nobody_tried_and_leaves_what_was_tried,
    o27_a_chain_of_merges_is_followed_and_one_that_goes_back_is_refused,
    o34_an_order_of_a_test_that_was_taken_out_holds_its_strip,
);

/// One order as its source says it; what is asked of it and when.
struct Says<'a> {
    control: &'a str,
    number: &'a str,
    id: &'a str,
    made: &'a str,
    /// More segments behind ORC.
    timing: &'a str,
    test: &'a str,
    collected: &'a str,
}

fn says<'a>(control: &'a str, number: &'a str, id: &'a str, made: &'a str) -> Says<'a> {
    Says { control, number, id, made, timing: "", test: "UADIP", collected: "" }
}

impl Says<'_> {
    fn text(&self) -> String {
        let Self { control, number, id, made, timing, test, collected } = self;
        let specimen = format!("KP-{}", &number[1..]);
        format!(
            "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|{made}||OML^O21^OML_O21|{id}|P|2.5.1\r\
             PID|1||KP700101^^^KESTREL^MR||Heron-Invented^Ada||19700101|F\r\
             ORC|{control}|{number}^LIS|||||||{made}\r{timing}\
             OBR|1|{number}^LIS||{test}^Urine strip^99KPL\r\
             SPM|1|{specimen}&LIS||UR^Urine^HL70487|||||||||||||{collected}\r"
        )
    }
}

/// A40 (HL7 v2.5.1 chapter 3): one patient became another.
fn merged(gone: &str, stays: &str, id: &str) -> String {
    format!(
        "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314082000+0000||ADT^A40^ADT_A39|{id}|P|2.5.1\r\
         EVN||20260314082000\rPID|1||{stays}^^^KESTREL^MR||Heron-Invented^Ada||19700101|F\r\
         MRG|{gone}^^^KESTREL^MR\r"
    )
}

impl Lab {
    /// MSA-1 and the first ORC-1 of what is answered.
    async fn hears(&self, text: &str) -> (String, String) {
        let source = &self.bench.sources[0];
        let heard = self.ledger.order_heard(&self.bench, source, text.as_bytes()).await;
        let answer = heard.expect("heard").answers.application.expect("an answer");
        let answer = Message::read(&answer).expect("a message");
        (answer.component("MSA", 1, 1, 1), answer.component("ORC", 1, 1, 1))
    }

    async fn order(&self, number: &str) -> Kept {
        let asked = AskedOrders::Text(number.to_owned());
        self.ledger.orders(&asked).await.expect("a list").remove(0).kept
    }

    /// PID-3.1 of what waits for the receiver.
    async fn patients(&self) -> Vec<String> {
        let mut all = Vec::new();
        for n in self.waiting().await {
            let message = Message::read(&self.whole(n).await.body).expect("a message");
            all.push(message.component("PID", 1, 3, 1));
        }
        all
    }
}

fn answered(msa: &str, orc: &str) -> (String, String) {
    (msa.to_owned(), orc.to_owned())
}

const MADE: &str = "20260314081500+0000";
const LATER: &str = "20260314083000+0000";

async fn o6_a_replay_of_yesterday_under_new_names_opens_and_sends_nothing(mut lab: Lab) {
    lab.bench = bench("");
    let yesterday = [("NW", "K20417", MADE), ("NW", "K20418", MADE), ("CA", "K20418", LATER)];
    for (control, number, made) in yesterday {
        let id = format!("{control}{number}");
        assert_eq!(lab.hears(&says(control, number, &id, made).text()).await.0, "AA");
    }
    assert_eq!(lab.run_of("1", "KP-20417", "NEG").await.1, None);
    lab.said_yes().await;
    let told = ["UA", "UA", "CR"];
    for ((control, number, made), told) in yesterday.into_iter().zip(told) {
        let id = format!("again-{control}{number}");
        assert_eq!(lab.hears(&says(control, number, &id, made).text()).await.1, told);
    }
    let stand = |kept: Kept| kept.order.standing;
    assert_eq!(stand(lab.order("K20417").await), Standing::Answered);
    assert_eq!(stand(lab.order("K20418").await), Standing::Cancelled);
    assert!(lab.waiting().await.is_empty(), "no result goes twice");
}

async fn o8_a_cancel_that_overtakes_its_order_refuses_it_and_not_a_newer_one(mut lab: Lab) {
    lab.bench = bench("");
    let cancel = says("CA", "K20417", "A1", LATER).text();
    assert_eq!(lab.hears(&cancel).await, answered("AE", "UC"));
    assert_eq!(lab.hears(&says("NW", "K20417", "A2", MADE).text()).await, answered("AE", "UA"));
    let newer = says("NW", "K20417", "A3", "20260314084500+0000").text();
    assert_eq!(lab.hears(&newer).await, answered("AA", "OK"));
}

async fn o13_of_two_changes_the_later_made_stands_whichever_came_last(mut lab: Lab) {
    lab.bench = bench("");
    lab.hears(&says("NW", "K20417", "A1", MADE).text()).await;
    let stat = Says { timing: "TQ1|1||||||||S\r", ..says("XO", "K20417", "A2", LATER) };
    assert_eq!(lab.hears(&stat.text()).await, answered("AA", "XR"));
    let routine = "20260314082000+0000";
    let routine = Says { timing: "TQ1|1||||||||R\r", ..says("XO", "K20417", "A3", routine) };
    assert_eq!(lab.hears(&routine.text()).await, answered("AA", "XR"), "without effect");
    let wanted = lab.order("K20417").await.order.wanted.expect("an order");
    assert!(wanted.urgent);
}

async fn o25_a_sender_s_clock_that_is_ahead_keeps_no_order_for_ever(mut lab: Lab) {
    lab.bench = bench("");
    let ahead = "20990101000000+0000";
    assert_eq!(lab.hears(&says("NW", "K20417", "A1", ahead).text()).await, answered("AA", "OK"));
    let cup = Says { collected: ahead, ..says("NW", "K20418", "A2", MADE) };
    assert_eq!(lab.hears(&cup.text()).await, answered("AA", "OK"));
    let rules = &lab.bench.orders.rules;
    for number in ["K20417", "K20418"] {
        let order = lab.order(number).await.order;
        let most = order.received + rules.expire_unknown + rules.expire;
        assert!(order.deadline(rules) <= most, "it expires by our own clock");
    }
    assert_eq!(lab.run_of("1", "KP-20418", "NEG").await.1, Some(Reason::OrderAfterTest));
}

async fn o26_a_merge_reaches_what_nobody_tried_and_leaves_what_was_tried(mut lab: Lab) {
    lab.bench = bench("");
    for number in ["K20417", "K20418"] {
        lab.hears(&says("NW", number, number, MADE).text()).await;
    }
    lab.run_of("1", "KP-20417", "NEG").await;
    let tried = lab.waiting().await[0];
    lab.ledger.queue_flies("lis", tried).await.expect("noted");
    lab.run_of("2", "KP-20418", "NEG").await;
    assert_eq!(lab.hears(&merged("KP700101", "KP700777", "A9")).await.0, "AA");
    assert_eq!(lab.waiting().await[0], tried);
    assert_eq!(lab.patients().await, ["KP700101", "KP700777"]);
}

async fn o27_a_chain_of_merges_is_followed_and_one_that_goes_back_is_refused(mut lab: Lab) {
    lab.bench = bench("");
    lab.hears(&says("NW", "K20417", "A1", MADE).text()).await;
    for (gone, stays, id) in [("KP700101", "KP700102", "A2"), ("KP700102", "KP700103", "A3")] {
        assert_eq!(lab.hears(&merged(gone, stays, id)).await.0, "AA");
    }
    assert_eq!(lab.hears(&merged("KP700103", "KP700101", "A4")).await.0, "AE");
    lab.run_of("1", "KP-20417", "NEG").await;
    assert_eq!(lab.patients().await, ["KP700103"]);
}

async fn o34_an_order_of_a_test_that_was_taken_out_holds_its_strip(mut lab: Lab) {
    lab.bench = bench("[orders]\nunordered_pads = \"drop\"\n");
    for (number, id) in [("K20417", "A1"), ("K20418", "A2")] {
        let sugar = Says { test: "UGLU", ..says("NW", number, id, MADE) };
        assert_eq!(lab.hears(&sugar.text()).await, answered("AA", "OK"));
    }
    assert_eq!(lab.run_of("1", "KP-20417", "2+").await.1, None);
    let whole = std::mem::replace(&mut lab.bench, bench("[orders]\nunordered_pads = \"drop\"\n"));
    let source = std::sync::Arc::get_mut(&mut lab.bench.sources[0]).expect("ours alone");
    source.site.tests.retain(|(code, _)| code != "UGLU");
    assert_eq!(lab.run_of("2", "KP-20418", "2+").await.1, Some(Reason::OrderMismatch));
    assert_eq!(lab.order("K20418").await.order.standing, Standing::Open, "it is listed");
    lab.bench = whole;
    assert_eq!(lab.ledger.orders_met_again(&lab.bench).await.expect("judged"), 1);
}
