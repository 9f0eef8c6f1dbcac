//! A strip whose id was given, taken back and given anew: what its orders say follows the id that it bears.

use wickline_forward::hl7::Message;

use super::bench;
use super::*;
use crate::sheet::Sheet;
use crate::store::lists::orders::{AskedOrders, OrderView};

const REFUSED: &str = "its result is among the refused";

on_both!(
    what_was_met_under_an_id_that_was_taken_back_goes_with_it,
    an_id_that_is_given_meets_its_open_order_after_a_wrong_one_was_taken_back,
    an_id_that_is_given_meets_its_answered_order_after_a_wrong_one_was_taken_back,
    a_report_that_is_held_after_its_withdrawal_is_held_on_its_sheet,
    what_was_refused_and_then_cancelled_can_only_be_set_aside_and_the_sheet_says_so,
    what_could_not_be_said_goes_by_itself_once_its_patient_s_name_can_be_said,
    a_release_is_of_the_id_that_it_was_said_of,
    an_order_is_found_by_the_number_that_its_receiver_has,
);

impl Lab {
    pub(super) async fn reasons(&self, n: i64) -> Vec<String> {
        let kept = self.ledger.report(n, &self.clock()).await.expect("read").expect("there");
        kept.item.reasons().into_iter().map(str::to_owned).collect()
    }

    pub(super) async fn is_named(&self, n: i64, specimen: &str) -> String {
        let actor = Actor::person(Some("J. Mast".into()));
        let twice = twice(specimen);
        let became = self.ledger.report_identify(&self.bench, &actor, n, &twice).await;
        became.expect("identified").remove(0).1
    }

    /// The day of a report's sheet.
    pub(super) async fn day_of(&self, n: i64) -> String {
        let mut moment = self.ledger.db.moment().await.expect("a look");
        let row = crate::store::rows::report::read(&mut moment, n).await.expect("read");
        moment.commit().await.expect("looked");
        row.expect("there").day
    }

    /// The patient of every order here under another given name (HL7 v2.5.1: ADT^A08); MSA-1.
    pub(super) async fn renamed(&self, given: &str) -> String {
        let id = crate::clock::now_us();
        let text = format!(
            "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314082000+0000||ADT^A08^ADT_A01|{id}|P|2.5.1||||||\
             UNICODE UTF-8\rEVN||20260314082000\r\
             PID|1||KP700101^^^KESTREL^MR||Heron-Invented^{given}||19700101|F\rPV1|1|O\r"
        );
        let source = &self.bench.sources[0];
        let heard = self.ledger.order_heard(&self.bench, source, text.as_bytes()).await;
        let answer = heard.expect("taken in").answers.application.expect("an answer");
        Message::read(&answer).expect("a message").component("MSA", 1, 1, 1)
    }

    async fn undone(&self, n: i64) {
        let actor = Actor::person(Some("J. Mast".into()));
        self.ledger.report_undo(&self.bench, &actor, n, "a slip").await.expect("undone");
    }

    /// A strip without an id that got one that nobody ordered, which was taken back.
    async fn named_wrongly(&mut self) -> i64 {
        let (n, held) = self.run_of("1", "", "2+").await;
        assert_eq!(held, Some(Reason::SpecimenBlank));
        assert_eq!(self.is_named(n, "KP-60009").await, "held");
        assert_eq!(self.reasons(n).await, ["specimen-unknown"]);
        self.undone(n).await;
        n
    }
}

async fn what_was_met_under_an_id_that_was_taken_back_goes_with_it(mut lab: Lab) {
    lab.bench = bench("");
    let n = lab.named_wrongly().await;
    assert_eq!(lab.reasons(n).await, ["specimen-blank"]);
}

async fn an_id_that_is_given_meets_its_open_order_after_a_wrong_one_was_taken_back(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("F2", "KP-60002", "UADIP", "KP700102").await, "OK");
    let n = lab.named_wrongly().await;
    assert_eq!(lab.is_named(n, "KP-60002").await, "waiting");
    assert_eq!(lab.waiting().await.len(), 1);
}

/// What holds it then is what is so: the receiver has a result under that number.
async fn an_id_that_is_given_meets_its_answered_order_after_a_wrong_one_was_taken_back(
    mut lab: Lab,
) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("F2", "KP-60002", "UADIP", "KP700102").await, "OK");
    let n = lab.named_wrongly().await;
    assert_eq!(lab.run_of("2", "KP-60002", "NEG").await.1, None);
    lab.said_yes().await;
    assert_eq!(lab.is_named(n, "KP-60002").await, "held");
    assert_eq!(lab.reasons(n).await, ["order-ambiguous"]);
}

/// The sheet of a report that was withdrawn and is held under its other id: held, and its withdrawal beside it.
async fn a_report_that_is_held_after_its_withdrawal_is_held_on_its_sheet(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("A1", "KP-40001", "UADIP", "KP700101").await, "OK");
    let (n, _) = lab.run_of("1", "KP-40001", "2+").await;
    lab.said_yes().await;
    lab.taken_back(n, Some("KP-40002")).await;
    let day = lab.day_of(n).await;
    for done in [false, true] {
        let sheet = Sheet::read(&lab.ledger, &lab.bench, &day, None).await.expect("a sheet");
        let line = sheet.lines.iter().find(|line| line.item.id == n.to_string()).expect("a line");
        assert_eq!(line.item.state, "held", "withdrawal accepted: {done}");
        let todo = line.todo.as_ref().expect("it says what to do").to_string();
        assert!(todo.contains("`wickline held release 1`"), "{todo}");
        assert_eq!(line.item.reasons(), ["specimen-unknown"]);
        assert!(line.noted().contains("withdrawn"), "{}", line.noted());
        assert_eq!((sheet.outstanding, sheet.receivers["lis"]["held"]), (1, 1));
        assert_eq!((sheet.receivers["lis"]["heard"], sheet.faults.len()), (1, 0));
        lab.said_yes().await;
    }
}

/// What its receiver refused and its order took back: nothing of it is out.
async fn what_was_refused_and_then_cancelled_can_only_be_set_aside_and_the_sheet_says_so(
    mut lab: Lab,
) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let (n, _) = lab.run_of("1", "KP-20417", "2+").await;
    let message = lab.waiting().await[0];
    let refused =
        Settled { reason: Some("receiver-error"), ..settled(message, MessageState::Refused) };
    lab.ledger.queue_settle("lis", 0, &[refused]).await.expect("recorded");
    assert_eq!(lab.source_says("CA", "K1", "KP-20417", "UADIP", "KP700101").await, "CR");
    let day = lab.day_of(n).await;
    let sheet = Sheet::read(&lab.ledger, &lab.bench, &day, None).await.expect("a sheet");
    let todo = sheet.lines[0].todo.as_ref().expect("it says what to do").to_string();
    assert!(!todo.contains("queue retry"), "{todo}");
    assert!(
        todo.contains("`order-cancelled`") && todo.contains("queue set-aside 1@lis`"),
        "{todo}"
    );
    let actor = Actor::person(None);
    let all = Which::Refused { receiver: None };
    let why = lab.ledger.message_retry(&lab.bench, &actor, &all).await.expect_err("barred");
    let why = why.to_string();
    assert!(!why.contains("report withdraw"), "{why}");
    assert!(why.contains("`wickline queue set-aside 1@lis`"), "{why}");
    lab.ledger.message_set_aside(&actor, &[message], "cancelled").await.expect("set aside");
    let sheet = Sheet::read(&lab.ledger, &lab.bench, &day, None).await.expect("a sheet");
    assert_eq!(sheet.outstanding, 0);
}

/// A name outside ISO 8859-1, then one within it again, as the LIS corrects it (ADT^A08).
async fn what_could_not_be_said_goes_by_itself_once_its_patient_s_name_can_be_said(mut lab: Lab) {
    lab.bench = bench("");
    let target = std::sync::Arc::get_mut(&mut lab.bench.targets[0]).expect("ours alone");
    target.layout.charset = "8859/1".parse().expect("a character set");
    let names = [("1", "Adela", "a new name"), ("2", "Ada", "the name as it was built first")];
    for (strip, name, again) in names {
        let (number, specimen) = (format!("K{name}"), format!("KP-{name}"));
        assert_eq!(lab.ordered(&number, &specimen, "UADIP", "KP700101").await, "OK");
        let (n, held) = lab.run_of(strip, &specimen, "2+").await;
        assert_eq!(held, None);
        assert_eq!(lab.renamed("\u{0410}\u{0434}\u{0430}").await, "AA");
        assert!(lab.waiting().await.is_empty(), "{again}: a person is asked");
        let open = lab.ledger.orders(&AskedOrders::Open(50)).await.expect("a list");
        assert_eq!(open.iter().map(OrderView::trace).collect::<Vec<_>>(), [REFUSED]);
        let day = lab.day_of(n).await;
        let sheet = Sheet::read(&lab.ledger, &lab.bench, &day, None).await.expect("a sheet");
        let line = sheet.lines.iter().find(|line| line.item.id == n.to_string()).expect("a line");
        let todo = line.todo.as_ref().expect("it says what to do").to_string();
        assert!(todo.contains("lis was not asked") && todo.contains("ADT^A08"), "{todo}");
        assert_eq!(lab.renamed(name).await, "AA");
        let waiting = lab.waiting().await;
        assert_eq!(waiting.len(), 1, "{again}");
        let message = Message::read(&lab.whole(waiting[0]).await.body).expect("a message");
        assert_eq!(message.component("PID", 1, 5, 2), name);
        lab.said_yes().await;
        let open = lab.ledger.orders(&AskedOrders::Open(50)).await.expect("a list");
        assert!(open.is_empty(), "what is answered waits for nothing");
        assert!(lab.ledger.order_counts().await.expect("counts").is_empty());
        let own = lab.ledger.orders(&AskedOrders::Text(number)).await.expect("a list").remove(0);
        let own = own.kept.order;
        assert!(own.by.is_some() && own.number.is_some() && own.closed.is_some(), "{own:?}");
    }
}

/// What a person let go under one id says nothing of the next.
async fn a_release_is_of_the_id_that_it_was_said_of(mut lab: Lab) {
    lab.bench = bench("");
    let (n, held) = lab.run_of("1", "KP-40001", "2+").await;
    assert_eq!(held, Some(Reason::SpecimenUnknown));
    let actor = Actor::person(None);
    lab.ledger.report_release(&lab.bench, &actor, n, "asked by telephone").await.expect("it goes");
    lab.said_yes().await;
    assert_eq!(lab.ordered("K2", "KP-40002", "UADIP", "KP700102").await, "OK");
    lab.taken_back(n, Some("KP-40002")).await;
    let anew = *lab.waiting().await.last().expect("it goes anew");
    let text = String::from_utf8(lab.whole(anew).await.body).expect("text");
    assert!(text.contains("|K2^LIS|"), "it goes with the order: {text}");
    assert!(!text.contains("no order for this specimen is known here"), "{text}");
    lab.said_yes().await;
    lab.taken_back(n, Some("KP-40003")).await;
    assert_eq!(lab.reasons(n).await, ["specimen-unknown"], "of that id nobody said anything");
}

/// The receiver goes by the number that the order brought (OBR-3): people have that in their hand.
async fn an_order_is_found_by_the_number_that_its_receiver_has(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-40001", "UADIP", "KP700101").await, "OK");
    let (n, _) = lab.run_of("1", "KP-40001", "2+").await;
    lab.said_yes().await;
    for text in ["F-K1", "F-K1^KESTRELLAB"] {
        let asked = crate::store::lists::orders::AskedOrders::Text(text.into());
        let found = lab.ledger.orders(&asked).await.expect("a list");
        assert_eq!(found.len(), 1, "{text}");
        assert_eq!(found[0].reports, [n]);
    }
    let holdings = lab.ledger.holdings(n).await.expect("known");
    assert_eq!(holdings[0].ordered, ["F-K1"]);
}
