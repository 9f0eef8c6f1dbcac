//! Two patients for one order, by whichever message; what of an order cannot be said to its receiver.

use wickline_forward::hl7::Message;
use wickline_normalize::Private;
use wickline_normalize::orders::Standing;

use super::bench;
use super::settled_by_a_person::{MADE, described, key, order, person};
use super::*;
use crate::settings::bench::About;
use crate::sheet::now::Now;
use crate::sheet::{Sheet, todo::remedy_words};
use crate::store::lists::orders::AskedOrders;

on_both!(
    what_takes_a_result_back_names_whom_that_named,
    a_name_that_could_not_be_said_from_the_first_holds_its_strip_until_it_can,
    what_cannot_be_said_with_its_order_can_be_released_without_it,
    a_cancel_for_another_patient_is_refused_and_told,
    several_orders_under_one_number_are_one_notice_of_their_source,
    what_is_disputed_and_withdrawn_stays_disputed_after_its_notice_is_lifted,
    what_was_called_wrong_by_a_slip_gets_its_strip_after_all,
    what_goes_after_a_dispute_is_the_patient_that_was_shown,
    each_disputed_order_names_what_settles_it,
    what_a_strip_is_held_for_is_told_as_it_is_now,
    what_is_called_wrong_goes_under_no_other_order_of_that_patient,
    what_was_called_wrong_is_found_by_its_specimen_and_claims_it_no_more,
    who_changed_step_by_step_is_said_to_be_right_as_shown_alone,
    what_an_urgent_order_waits_for_stands_first_among_the_held,
);

const CYRILLIC: &str = "\u{0410}\u{0434}\u{0430}";

impl Lab {
    /// Its receiver has ISO 8859-1 alone.
    fn latin(&mut self) {
        self.bench = bench("");
        let target = std::sync::Arc::get_mut(&mut self.bench.targets[0]).expect("ours alone");
        target.layout.charset = "8859/1".parse().expect("a character set");
    }

    async fn last_body(&self) -> Message {
        let last = *self.waiting().await.last().expect("a message waits");
        Message::read(&self.whole(last).await.body).expect("a message")
    }

    async fn found_wrong(&self) -> Option<String> {
        let now = Now::read(&self.ledger, &self.bench).await.expect("a look");
        now.of(About::Orders, "orders").filter(|told| told.wrong).map(|told| told.text.to_string())
    }
}

async fn what_takes_a_result_back_names_whom_that_named(mut lab: Lab) {
    lab.latin();
    for (strip, number, specimen) in [("1", "K1", "KP-20417"), ("2", "K2", "KP-20418")] {
        let n = lab.went(strip, number, specimen).await;
        assert_eq!(lab.renamed(CYRILLIC).await, "AA", "it is not said in 8859/1");
        // Taken back for good, and sent anew under an id that nobody ordered: that is held.
        let anew = (strip == "2").then_some("KP-60009");
        lab.taken_back(n, anew).await;
        let back = lab.last_body().await;
        assert_eq!(back.component("OBX", 1, 11, 1), "W");
        assert_eq!(back.component("PID", 1, 3, 1), "KP700101");
        assert_eq!(back.component("PID", 1, 5, 2), "Ada", "as the result that it takes back");
        lab.said_yes().await;
        assert_eq!(lab.renamed("Ada").await, "AA");
    }
}

async fn a_name_that_could_not_be_said_from_the_first_holds_its_strip_until_it_can(mut lab: Lab) {
    lab.latin();
    let text = order(["NW", "K1", "KP-20417", "UADIP"], "KP700101", (MADE, "A1"));
    let text = text.replace("|P|2.5.1\r", "|P|2.5.1||||||UNICODE UTF-8\r");
    assert_eq!(lab.told(&text.replace("^Ada", &format!("^{CYRILLIC}"))).await, "OK");
    let (n, held) = lab.run_of("1", "KP-20417", "2+").await;
    assert_eq!(held, Some(Reason::OrderUnsayable));
    let kept = lab.ledger.report(n, &lab.clock()).await.expect("read").expect("there");
    let detail = &kept.item.holds[0].detail;
    for part in ["receiver lis", "8859/1", "PID-5"] {
        assert!(detail.contains(part), "{detail}");
    }
    let day = lab.day_of(n).await;
    let sheet = Sheet::read(&lab.ledger, &lab.bench, &day, None).await.expect("a sheet");
    let todo = sheet.lines[0].todo.as_ref().expect("it says what to do").to_string();
    assert!(todo.contains("ADT^A08") && !todo.contains("dialect"), "{todo}");
    // Another one that cannot be said either changes nothing, and is answered.
    assert_eq!(lab.renamed(&format!("{CYRILLIC}{CYRILLIC}")).await, "AA");
    assert_eq!(lab.reasons(n).await, ["order-unsayable"]);
    assert_eq!(lab.renamed("Adela").await, "AA");
    assert_eq!(lab.last_body().await.component("PID", 1, 5, 2), "Adela", "it goes by itself");
    assert_eq!(lab.own("K1").await.trace(), "on its way");
    // Where it is the receiver that learned the letters, the next look lets it go.
    assert_eq!(lab.renamed(CYRILLIC).await, "AA");
    let second = order(["NW", "K2", "KP-20418", "UADIP"], "KP700101", (MADE, "A2"));
    let second = second.replace("|P|2.5.1\r", "|P|2.5.1||||||UNICODE UTF-8\r");
    assert_eq!(lab.told(&second.replace("^Ada", &format!("^{CYRILLIC}"))).await, "OK");
    assert_eq!(lab.run_of("2", "KP-20418", "2+").await.1, Some(Reason::OrderUnsayable));
    assert_eq!(lab.ledger.orders_met_again(&lab.bench).await.expect("judged"), 0);
    lab.bench = bench("");
    let target = std::sync::Arc::get_mut(&mut lab.bench.targets[0]).expect("ours alone");
    target.layout.charset = "utf-8".parse().expect("a character set");
    assert_eq!(lab.ledger.orders_met_again(&lab.bench).await.expect("judged"), 1);
    assert_eq!(lab.last_body().await.component("PID", 1, 5, 2), CYRILLIC);
}

async fn what_cannot_be_said_with_its_order_can_be_released_without_it(mut lab: Lab) {
    lab.latin();
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.renamed(CYRILLIC).await, "AA");
    let (n, held) = lab.run_of("1", "KP-20417", "2+").await;
    assert_eq!(held, Some(Reason::OrderUnsayable));
    let released = lab.ledger.report_release(&lab.bench, &person(), n, "asked for").await;
    released.expect("it goes");
    let body = lab.last_body().await;
    assert_eq!((body.count("PID"), body.component("OBR", 1, 2, 1)), (0, String::new()));
}

/// Rows 9 to 12: also where nobody here knows the test that the cancel names.
async fn a_cancel_for_another_patient_is_refused_and_told(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let later = "20260314083000+0000";
    for (code, test, no) in [("CA", "UADIP", "UC"), ("HD", "UHCG", "UH")] {
        let other = order([code, "K1", "KP-20499", test], "KP700102", (later, code));
        assert_eq!(lab.told(&other).await, no);
        assert_eq!(lab.own("K1").await.kept.order.standing, Standing::Open, "{code}");
    }
    let notices = lab.notices().await;
    assert_eq!(notices.len(), 1, "{notices:?}");
    assert!(notices[0].detail.contains("another patient"), "{}", notices[0].detail);
    // Of the same specimen somebody has to look first.
    let same = order(["CA", "K1", "KP-20417", "UHCG"], "KP700102", (later, "A9"));
    assert_eq!(lab.told(&same).await, "UC");
    assert_eq!(lab.run_of("1", "KP-20417", "2+").await.1, Some(Reason::PatientConflict));
    assert!(lab.waiting().await.is_empty());
}

/// One notice says it of all of them: what names an order there is set wrong.
async fn several_orders_under_one_number_are_one_notice_of_their_source(mut lab: Lab) {
    lab.bench = bench("");
    for (number, specimen) in [("K1", "KP-20417"), ("K2", "KP-20418")] {
        assert_eq!(lab.ordered(number, specimen, "UADIP", "KP700101").await, "OK");
        let second = order(["NW", number, specimen, "UGLU"], "KP700101", (MADE, number));
        assert_eq!(lab.told(&second).await, "UA");
    }
    let notices = lab.notices().await;
    assert_eq!(notices.len(), 1, "{notices:?}");
    assert!(notices[0].detail.contains("`order_key`"), "{}", notices[0].detail);
}

async fn what_is_disputed_and_withdrawn_stays_disputed_after_its_notice_is_lifted(mut lab: Lab) {
    lab.bench = bench("");
    let n = lab.went("1", "K1", "KP-20417").await;
    assert_eq!(lab.ordered("K2", "KP-20417", "UADIP", "KP700102").await, "UA");
    lab.taken_back(n, None).await;
    let wrong = |text: Option<String>| text.is_some_and(|text| text.starts_with("1 disputed"));
    assert!(wrong(lab.found_wrong().await), "before its withdrawal is accepted");
    lab.said_yes().await;
    let notice = lab.notices().await.remove(0);
    let lifted = lab.ledger.notice_lift(&person(), notice.n, "seen to").await;
    lifted.expect("lifted");
    assert!(wrong(lab.found_wrong().await), "nobody has said whose the specimen is");
    let own = lab.own("K1").await;
    assert_eq!(own.kept.order.standing, Standing::Disputed);
    assert!(own.todo().is_some_and(|todo| todo.contains("--right`")), "it says what settles it");
    assert_eq!(lab.run_of("2", "KP-20417", "NEG").await.1, Some(Reason::PatientConflict));
    assert_eq!(lab.settles("K1", true).await.goes, 1);
    assert_eq!(lab.found_wrong().await, None);
}

async fn what_was_called_wrong_by_a_slip_gets_its_strip_after_all(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.ordered("K2", "KP-20417", "UADIP", "KP700102").await, "UA");
    let (n, _) = lab.run_of("1", "KP-20417", "2+").await;
    let settled = lab.settles("K1", false).await;
    assert!(settled.claimed && settled.held[0].0 == n);
    assert_eq!(lab.reasons(n).await, ["specimen-unknown"]);
    let settled = lab.settles("K1", true).await;
    assert_eq!((settled.goes, settled.held), (1, vec![]));
    assert_eq!(lab.last_body().await.component("OBR", 1, 2, 1), "K1");
    let trail = lab.trail_of("settle").await;
    let row = &trail[1];
    let (was, became) = (row.was.as_deref(), row.became.as_deref());
    assert_eq!((was, became), (Some("closed-elsewhere"), Some("right")));
    assert!(row.reason.is_some());
    // Not where somebody else has the specimen by now.
    assert_eq!(lab.ordered("K3", "KP-20418", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.ordered("K4", "KP-20418", "UADIP", "KP700102").await, "UA");
    lab.settles("K3", false).await;
    let again = order(["NW", "K4", "KP-20418", "UADIP"], "KP700102", (MADE, "again"));
    assert_eq!(lab.told(&again).await, "OK");
    let done = lab.ledger.order_settle(&lab.bench, &person(), &key("K3"), true, "a slip").await;
    let why = done.expect_err("it is another's").to_string();
    assert!(why.contains("another patient's"), "{why}");
}

/// The second word makes somebody else of the patient as ordered, the third comes while a person looks.
const STEPS: [(&str, &str); 3] = [
    ("Tern-Invented^Ada", "19700101"),
    ("Tern-Invented^Ada", "19820304"),
    ("Wren-Invented^Ada", "19820304"),
];

/// What somebody was step by step is shown beside what goes.
async fn what_goes_after_a_dispute_is_the_patient_that_was_shown(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    for (n, (name, born)) in STEPS.iter().enumerate() {
        assert_eq!(lab.told(&described(name, born, &format!("B{n}"))).await, "AA");
    }
    let own = lab.own("K1").await.kept.order;
    assert_eq!(own.standing, Standing::Disputed);
    let wanted = own.wanted.expect("wanted");
    let shown = wanted.patient.expect("a patient");
    let ordered = wanted.ordered.expect("as ordered");
    assert_eq!(shown.name.expose(), "Tern-Invented^Ada", "goes where it is called right");
    assert_ne!(ordered.name, shown.name, "and as first ordered is kept to be shown");
    assert_eq!(lab.run_of("1", "KP-20417", "2+").await.1, Some(Reason::PatientConflict));
    let settled = lab.settles("K1", true).await;
    assert_eq!(settled.goes_with.as_ref(), Some(&shown));
    let body = lab.last_body().await;
    assert_eq!(body.component("PID", 1, 5, 1), "Tern-Invented");
    assert_eq!(body.component("PID", 1, 7, 1), shown.born.expose());
}

async fn what_is_called_wrong_goes_under_no_other_order_of_that_patient(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.ordered("K2", "KP-20417", "UADIP", "KP700102").await, "UA");
    assert_eq!(lab.ordered("K4", "KP-20417", "UADIP", "KP700101").await, "OK");
    let held = lab.run_of("1", "KP-20417", "2+").await.1;
    assert_eq!(held, Some(Reason::PatientConflict));
    assert_eq!(lab.settles("K1", false).await.goes, 0);
    assert!(lab.waiting().await.is_empty(), "nothing goes under K4");
    assert_eq!(lab.own("K4").await.kept.order.standing, Standing::ClosedElsewhere);
    assert_eq!(lab.ordered("K5", "KP-20417", "UADIP", "KP700101").await, "UA");
    assert!(lab.waiting().await.is_empty(), "nor under a later one");
}

async fn what_a_strip_is_held_for_is_told_as_it_is_now(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.told(&described("Wren-Invented^Ute", "19820304", "B1")).await, "AA");
    let (n, _) = lab.run_of("1", "KP-20417", "2+").await;
    let words = ["became somebody else", "claimed for two patients"];
    for (claims, wanted) in [(0, words[0]), (1, words[1])] {
        if claims > 0 {
            assert_eq!(lab.ordered("K2", "KP-20417", "UADIP", "KP700102").await, "UA");
        }
        let kept = lab.ledger.report(n, &lab.clock()).await.expect("read").expect("there");
        let open: Vec<_> = kept.item.holds.iter().filter(|hold| !hold.cleared).collect();
        assert_eq!(open.len(), 1, "{open:?}");
        assert!(open[0].detail.contains(wanted), "{}", open[0].detail);
    }
}

async fn each_disputed_order_names_what_settles_it(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.ordered("K2", "KP-20417", "UADIP", "KP700102").await, "UA");
    lab.went("2", "K3", "KP-20418").await;
    assert_eq!(lab.ordered("K4", "KP-20418", "UADIP", "KP700102").await, "UA");
    let found = lab.listed(AskedOrders::Standing(Standing::Disputed, 50)).await;
    assert_eq!(found.len(), 2);
    for view in &found {
        let own = format!("`wickline orders settle \"order {}\"", view.kept.n);
        let todo = view.todo().expect("it says what to do");
        assert!(todo.contains(&format!("{own} --right`")), "{todo}");
        assert!(todo.contains(&format!("{own} --wrong`")), "{todo}");
    }
    let hint = remedy_words(Reason::PatientConflict, "17");
    assert!(hint.contains("`wickline find 17`") && !hint.contains("orders settle`"), "{hint}");
}

async fn what_was_called_wrong_is_found_by_its_specimen_and_claims_it_no_more(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    assert_eq!(lab.ordered("K2", "KP-20417", "UADIP", "KP700102").await, "UA");
    lab.settles("K1", false).await;
    for asked in ["KP-20417", "K1"] {
        let found = lab.listed(AskedOrders::Text(asked.into())).await;
        let [own] = &found[..] else { panic!("{asked}: {found:?}") };
        assert!(own.kept.order.is_wrong_about(&Private::new("KP-20417")));
        let said = own.called_wrong().expect("it says so");
        assert!(said.contains("KP-20417") && said.contains("--right`"), "{said}");
    }
    // It is found, and it is not met.
    let (n, held) = lab.run_of("1", "KP-20417", "2+").await;
    assert_eq!(held, Some(Reason::SpecimenUnknown));
    let whole = crate::views::report::whole(&lab.ledger, &lab.bench, n, Vec::new()).await;
    let orders = whole.expect("read").expect("a report").orders;
    assert!(orders[0].words().contains("wrong for KP-20417"), "{}", orders[0].words());
    let again = order(["NW", "K2", "KP-20417", "UADIP"], "KP700102", (MADE, "again"));
    assert_eq!(lab.told(&again).await, "OK");
    assert_eq!(lab.reasons(n).await, [""; 0], "it goes with the right one");
    assert_eq!(lab.own("K1").await.trace(), "no strip yet");
}

async fn who_changed_step_by_step_is_said_to_be_right_as_shown_alone(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let told = |name: &str, born: &str, id: &str| described(name, born, id);
    assert_eq!(lab.told(&told("Plover-Invented^Ada", "19700101", "S1")).await, "AA");
    assert_eq!(lab.told(&told("Plover-Invented^Ines", "19850517", "S2")).await, "AA");
    let own = lab.own("K1").await;
    assert_eq!(own.kept.order.standing, Standing::Disputed);
    let todo = own.todo().expect("a person is asked");
    assert!(todo.contains("ordered anew under a new number"), "{todo}");
    // Where it was one step there is no third patient.
    assert_eq!(lab.ordered("K2", "KP-20418", "UADIP", "KP700103").await, "OK");
    assert_eq!(lab.ordered("K3", "KP-20418", "UADIP", "KP700104").await, "UA");
    let todo = lab.own("K2").await.todo().expect("a person is asked");
    assert!(!todo.contains("anew"), "{todo}");
}

async fn what_an_urgent_order_waits_for_stands_first_among_the_held(mut lab: Lab) {
    lab.bench = bench("");
    let (first, held) = lab.run_of("1", "KP-20490", "2+").await;
    assert_eq!(held, Some(Reason::SpecimenUnknown));
    // TQ1-9 `S` (HL7 table 0485): stat. Its strip has more pads than are asked.
    let text = order(["NW", "K1", "KP-20417", "UGLU"], "KP700101", (MADE, "A1"));
    let text = text.replace("\rOBR|", "\rTQ1|1||||||||S\rOBR|");
    assert_eq!(lab.told(&text).await, "OK");
    let (second, held) = lab.run_of("2", "KP-20417", "2+").await;
    assert_eq!(held, Some(Reason::OrderMismatch));
    for limit in [1, 50] {
        let (mut after, mut seen) = (0, Vec::new());
        while seen.len() < 2 {
            let asked = crate::store::lists::reports::AskedHeld { after, limit };
            let page = lab.ledger.held(asked, &lab.clock()).await.expect("a list");
            seen.extend(page.iter().map(|item| (item.id.clone(), item.urgent)));
            after = page.last().expect("there are two").id.parse().expect("a number");
        }
        assert_eq!(seen, [(second.to_string(), true), (first.to_string(), false)]);
    }
    let now = Now::read(&lab.ledger, &lab.bench).await.expect("a look");
    assert!(now.of(About::Held, "reports").expect("told").urgent, "{now:?}");
    // Once nobody waits for it any more it is as the others.
    assert_eq!(
        lab.told(&order(["CA", "K1", "KP-20417", "UGLU"], "KP700101", (MADE, "C1"))).await,
        "CR"
    );
    let all = lab.ledger.held(crate::store::lists::reports::AskedHeld::ALL, &lab.clock()).await;
    let all: Vec<String> = all.expect("a list").iter().map(|item| item.id.clone()).collect();
    assert_eq!(all, [first.to_string(), second.to_string()]);
}
