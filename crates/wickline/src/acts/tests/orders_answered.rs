//! Strips that answer orders, message by message, as a receiver that goes by the orders' own numbers gets them.

use wickline_forward::hl7::Message;

use super::*;
use crate::settings::bench::About;
use crate::sheet::now::Now;
use crate::store::rows::question::Said;

#[path = "orders_disputed.rs"]
mod disputed;
#[path = "orders_faults.rs"]
mod faults;
#[path = "orders_known_as.rs"]
mod known_as;
#[path = "orders_settled.rs"]
mod settled_by_a_person;
#[path = "orders_taken_back.rs"]
mod taken_back;

on_both!(
    after_a_withdrawal_the_right_strip_goes_under_the_ordered_number_as_a_correction,
    after_one_withdrawn_for_another_specimen_too,
    nothing_goes_under_an_ordered_number_before_what_stands_there_is_taken_back,
    a_withdrawal_that_is_built_again_stays_with_the_order_that_it_was_told_of,
    what_was_put_off_does_not_come_back_under_a_number_that_another_strip_has,
    pads_that_nobody_ordered_go_as_the_laboratory_wants,
    a_question_that_nobody_answers_is_told_until_somebody_does,
    a_strip_of_another_patient_gets_the_id_that_is_right_and_meets_its_order,
    an_order_of_control_material_is_closed_where_a_patient_s_cup_bears_its_id,
);

const TABLES: &str = "patient = \"ordered\"\nfiller = \"ordered\"\n[[source]]\nid = \"lis\"\n\
    listen = \"127.0.0.1:2576\"\ntests = [\"UADIP=ten-pad\", \"UGLU=GLU\"]\n";

/// A bench whose receiver wants the orders' own numbers.
fn bench(more: &str) -> Bench {
    let text = format!(
        "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
         controls = \"none\"\n[[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n{TABLES}{more}"
    );
    let loaded = from_text(std::path::Path::new("./w.toml"), text);
    Bench::build(&loaded.expect("a good configuration")).expect("a good configuration")
}

impl Lab {
    /// Takes in an order whose sender numbers its results itself (HL7 v2.5.1: OML^O21); what is answered to it (ORC-1).
    pub(super) async fn ordered(
        &self,
        number: &str,
        specimen: &str,
        test: &str,
        patient: &str,
    ) -> String {
        self.source_says("NW", number, specimen, test, patient).await
    }

    pub(super) async fn source_says(
        &self,
        control: &str,
        number: &str,
        specimen: &str,
        test: &str,
        patient: &str,
    ) -> String {
        let made = "20260314081500+0000";
        let text = format!(
            "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|{made}||OML^O21^OML_O21|{control}{number}|P|2.5.1\r\
             PID|1||{patient}^^^KESTREL^MR||Heron-Invented^Ada||19700101|F\r\
             ORC|{control}|{number}^LIS|F-{number}^KESTRELLAB||||||{made}\r\
             OBR|1|{number}^LIS|F-{number}^KESTRELLAB|{test}^Urine strip^99KPL\r\
             SPM|1|{specimen}&LIS||UR^Urine^HL70487\r"
        );
        let source = &self.bench.sources[0];
        let heard = self.ledger.order_heard(&self.bench, source, text.as_bytes()).await;
        let answer = heard.expect("taken in").answers.application.expect("an answer");
        Message::read(&answer).expect("a message").component("ORC", 1, 1, 1)
    }

    /// A strip of this number, specimen and glucose: its report, and how it stands.
    async fn run_of(
        &mut self,
        number: &str,
        specimen: &str,
        glucose: &str,
    ) -> (i64, Option<Reason>) {
        let heard = [self.heard(number, specimen, glucose)];
        let safe = i64::try_from(self.at).expect("a place");
        let taken = self.take(&heard, safe).await;
        (taken.reports[0].id, taken.reports[0].reason)
    }

    async fn said_yes(&self) {
        let all: Vec<_> =
            self.waiting().await.iter().map(|n| settled(*n, MessageState::Accepted)).collect();
        self.ledger.queue_settle("lis", 0, &all).await.expect("recorded");
    }

    /// What waits: its OBR-2, OBR-3, OBR-25 and the statuses of its results.
    async fn goes(&self) -> Vec<(String, String, String, String)> {
        let mut all = Vec::new();
        for n in self.waiting().await {
            let message = Message::read(&self.whole(n).await.body).expect("a message");
            let field = |segment, nth, n| message.field(segment, nth, n).unwrap_or("").to_owned();
            let statuses = (1..=message.count("OBX")).map(|n| field("OBX", n, 11));
            let mut statuses: Vec<String> = statuses.collect();
            statuses.sort_unstable();
            statuses.dedup();
            let obr = |n| field("OBR", 1, n);
            all.push((obr(2), obr(3), obr(25), statuses.concat()));
        }
        all
    }

    pub(super) async fn taken_back(&self, n: i64, specimen: Option<&str>) {
        let twice = specimen.map(twice);
        let actor = Actor::person(Some("J. Mast".into()));
        let done =
            self.ledger.report_withdraw(&self.bench, &actor, n, "another cup", twice.as_ref());
        done.await.expect("withdrawn");
    }
}

fn told(
    placer: &str,
    filler: &str,
    report: &str,
    results: &str,
) -> (String, String, String, String) {
    (placer.into(), filler.into(), report.into(), results.into())
}

/// Plainly: the strip was another's, and nobody knows whose.
async fn after_a_withdrawal_the_right_strip_goes_under_the_ordered_number_as_a_correction(
    mut lab: Lab,
) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let (wrong, held) = lab.run_of("1", "KP-20417", "2+").await;
    assert_eq!(held, None);
    let under = "F-K1^KESTRELLAB";
    assert_eq!(lab.goes().await, [told("K1^LIS", under, "F", "F")]);
    lab.said_yes().await;
    lab.taken_back(wrong, None).await;
    assert_eq!(lab.goes().await, [told("K1^LIS", under, "C", "W")]);
    lab.said_yes().await;
    let (right, held) = lab.run_of("2", "KP-20417", "NEG").await;
    assert_eq!(held, None);
    assert_eq!(lab.goes().await, [told("K1^LIS", under, "C", "C")]);
    let queue = lab.ledger.queue(&Asked::default(), &lab.clock()).await.expect("a list");
    let last = queue.last().expect("it waits");
    assert_eq!(last.amends.as_deref(), Some("corrects"));
    let message = Message::read(&lab.whole(last.n).await.body).expect("a message");
    let note = message.component("NTE", 1, 3, 1);
    assert!(note.contains("it stands in place of a result that was withdrawn"), "{note}");
    // What is said of it later follows it there, and a third strip waits for a person as ever.
    lab.said_yes().await;
    assert_eq!(lab.run_of("3", "KP-20417", "1+").await.1, Some(Reason::OrderAmbiguous));
    lab.taken_back(right, None).await;
    assert_eq!(lab.goes().await, [told("K1^LIS", under, "C", "W")]);
}

/// The strip was another order's: its results go there, and the right strip takes their place.
async fn after_one_withdrawn_for_another_specimen_too(mut lab: Lab) {
    lab.bench = bench("");
    for (number, specimen, patient) in
        [("K1", "KP-20417", "KP700101"), ("K2", "KP-20418", "KP700102")]
    {
        assert_eq!(lab.ordered(number, specimen, "UADIP", patient).await, "OK");
    }
    let (wrong, _) = lab.run_of("1", "KP-20417", "2+").await;
    lab.said_yes().await;
    lab.taken_back(wrong, Some("KP-20418")).await;
    assert_eq!(
        lab.goes().await,
        [told("K1^LIS", "F-K1^KESTRELLAB", "C", "W"), told("K2^LIS", "F-K2^KESTRELLAB", "F", "F")]
    );
    lab.said_yes().await;
    assert_eq!(lab.run_of("2", "KP-20417", "NEG").await.1, None);
    assert_eq!(lab.goes().await, [told("K1^LIS", "F-K1^KESTRELLAB", "C", "C")]);
}

/// A withdrawal that waits or was refused: the right strip waits too, and goes once the receiver has said yes to it.
async fn nothing_goes_under_an_ordered_number_before_what_stands_there_is_taken_back(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    let (wrong, _) = lab.run_of("1", "KP-20417", "2+").await;
    lab.said_yes().await;
    lab.taken_back(wrong, None).await;
    let withdrawal = lab.waiting().await[0];
    let (right, held) = lab.run_of("2", "KP-20417", "NEG").await;
    assert_eq!(held, Some(Reason::OrderAmbiguous));
    let refused =
        Settled { reason: Some("receiver-error"), ..settled(withdrawal, MessageState::Refused) };
    lab.ledger.queue_settle("lis", 0, &[refused]).await.expect("recorded");
    assert_eq!(lab.ledger.orders_met_again(&lab.bench).await.expect("judged"), 0);
    let actor = Actor::person(None);
    let again = Which::These(vec![withdrawal]);
    lab.ledger.message_retry(&lab.bench, &actor, &again).await.expect("again");
    lab.said_yes().await;
    assert_eq!(lab.ledger.orders_met_again(&lab.bench).await.expect("judged"), 1);
    assert_eq!(lab.goes().await, [told("K1^LIS", "F-K1^KESTRELLAB", "C", "C")]);
    let row = lab.ledger.report(right, &lab.clock()).await.expect("read").expect("there");
    assert_eq!(row.item.state, "waiting");
}

/// Its report answers another order by then: that one's number and patient are not in it.
async fn a_withdrawal_that_is_built_again_stays_with_the_order_that_it_was_told_of(mut lab: Lab) {
    lab.bench = bench("");
    for (number, specimen, patient) in
        [("K1", "KP-20417", "KP700101"), ("K2", "KP-20418", "KP700102")]
    {
        assert_eq!(lab.ordered(number, specimen, "UADIP", patient).await, "OK");
    }
    let (wrong, _) = lab.run_of("1", "KP-20417", "2+").await;
    lab.said_yes().await;
    lab.taken_back(wrong, Some("KP-20418")).await;
    let withdrawal = lab.waiting().await[0];
    let refused =
        Settled { reason: Some("receiver-error"), ..settled(withdrawal, MessageState::Refused) };
    lab.ledger.queue_settle("lis", 0, &[refused]).await.expect("recorded");
    let before = lab.whole(withdrawal).await.body;
    let again = Which::These(vec![withdrawal]);
    let done = lab.ledger.message_retry(&lab.bench, &Actor::person(None), &again).await;
    assert_eq!(done.expect("again")[0].went, Went::Same);
    assert_eq!(lab.whole(withdrawal).await.body, before);
}

async fn pads_that_nobody_ordered_go_as_the_laboratory_wants(mut lab: Lab) {
    lab.bench = bench("[orders]\nunordered_pads = \"send\"\n");
    assert_eq!(lab.ordered("K1", "KP-20417", "UGLU", "KP700101").await, "OK");
    let (n, held) = lab.run_of("1", "KP-20417", "2+").await;
    assert_eq!(held, None);
    let groups = |message: &Message| -> Vec<(String, String, String)> {
        let field = |nth, n| message.field("OBR", nth, n).unwrap_or("").to_owned();
        (1..=message.count("OBR"))
            .map(|nth| (field(nth, 2), field(nth, 3), field(nth, 11)))
            .collect()
    };
    let message = Message::read(&lab.whole(lab.waiting().await[0]).await.body).expect("a message");
    let [asked, apart] = &groups(&message)[..] else { panic!("two groups") };
    assert_eq!(*asked, ("K1^LIS".to_owned(), "F-K1^KESTRELLAB".to_owned(), String::new()));
    assert_eq!((apart.0.as_str(), apart.2.as_str()), ("", "G"));
    assert!(apart.1.ends_with("^WICKLINE"), "our own number: {}", apart.1);
    assert!(message.count("OBX") > 9, "all pads go, each once");
    lab.said_yes().await;
    lab.taken_back(n, None).await;
    assert_eq!(lab.goes().await[0].3, "W");
    // Whoever asks for everything on the strip has nothing beside it.
    assert_eq!(lab.ordered("K2", "KP-20418", "UADIP", "KP700101").await, "OK");
    lab.said_yes().await;
    lab.run_of("2", "KP-20418", "NEG").await;
    let message = Message::read(&lab.whole(lab.waiting().await[0]).await.body).expect("a message");
    assert_eq!(message.count("OBR"), 1);
}

/// What the analyzer was told of the patient stands; the scan was of another cup.
async fn a_strip_of_another_patient_gets_the_id_that_is_right_and_meets_its_order(mut lab: Lab) {
    lab.bench = bench("");
    for (number, specimen, patient) in
        [("K1", "KP-20417", "KP700101"), ("K2", "KP-20418", "KP700102")]
    {
        assert_eq!(lab.ordered(number, specimen, "UADIP", patient).await, "OK");
    }
    let mut ids = Vec::new();
    for (number, patient) in [("1", "KP700102"), ("2", "KP700999")] {
        let mut heard = lab.heard(number, "KP-20417", "NEG");
        let id = Some(wickline_normalize::Private::new(patient));
        heard.report.patient = Some(wickline_normalize::Patient { id, ..Default::default() });
        let taken = lab.take(&[heard], i64::try_from(lab.at).expect("a place")).await;
        assert_eq!(taken.reports[0].reason, Some(Reason::PatientNamed));
        ids.push(taken.reports[0].id);
    }
    let actor = Actor::person(None);
    let named = |id, specimen| {
        let (ledger, bench, actor) = (&lab.ledger, &lab.bench, &actor);
        async move {
            let twice = twice(specimen);
            let became = ledger.report_identify(bench, actor, id, &twice).await;
            became.expect("identified").remove(0).1
        }
    };
    // Where the order of that id is another's as well it is held again, for that.
    assert_eq!(named(ids[1], "KP-20418").await, "held");
    let again = lab.ledger.report(ids[1], &lab.clock()).await.expect("read").expect("there");
    let holds: Vec<_> = again.item.holds.iter().map(|h| (h.reason.as_str(), h.cleared)).collect();
    assert_eq!(holds, [("patient-named", true), ("patient-named", false)]);
    assert_eq!(named(ids[0], "KP-20418").await, "waiting");
    assert_eq!(lab.goes().await, [told("K2^LIS", "F-K2^KESTRELLAB", "F", "F")]);
}

async fn an_order_of_control_material_is_closed_where_a_patient_s_cup_bears_its_id(mut lab: Lab) {
    lab.bench = bench("control_specimens = [\"KP-20417\"]\n");
    let text = "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314081500+0000||OML^O21^OML_O21|Q1|P|2.5.1\r\
                ORC|NW|Q1^LIS|||||||20260314081500+0000\rOBR|1|Q1^LIS||UADIP^Urine strip^99KPL\r\
                SPM|1|KP-20417&LIS||UR^Urine^HL70487|||||||Q^Control specimen^HL70369\r";
    let heard = lab.ledger.order_heard(&lab.bench, &lab.bench.sources[0], text.as_bytes()).await;
    assert_eq!(heard.expect("taken in").taken, 1);
    let (n, held) = lab.run_of("1", "KP-20417", "2+").await;
    assert_eq!(held, Some(Reason::PatientConflict));
    let all = crate::store::lists::orders::AskedOrders::Text("Q1".into());
    let todo = lab.ledger.orders(&all).await.expect("a list").remove(0).todo();
    assert!(todo.is_some_and(|todo| todo.contains("--wrong`")), "it says what settles it");
    let key = wickline_normalize::orders::Key {
        source: "lis".into(),
        number: wickline_normalize::Private::new("Q1^LIS"),
    };
    let actor = Actor::person(None);
    let settle = |right| lab.ledger.order_settle(&lab.bench, &actor, &key, right, "a ward's cup");
    let why = settle(true).await.expect_err("no patient's strip answers it").to_string();
    assert!(why.contains("control material"), "{why}");
    let done = settle(false).await.expect("closed");
    assert_eq!(done.held, [(n, vec![Reason::SpecimenUnknown])]);
    lab.ledger.report_release(&lab.bench, &actor, n, "asked by telephone").await.expect("it goes");
    assert_eq!(lab.goes().await.len(), 1);
}

/// Asked of a receiver that hears nothing; the strip was heard long ago.
async fn a_question_that_nobody_answers_is_told_until_somebody_does(mut lab: Lab) {
    lab.bench = bench(
        "ask = \"work\"\nprofile = \"law\"\nversions = [\"2.5.1\"]\n[[receiver]]\nid = \"work\"\n\
         address = \"mllp://127.0.0.1:1\"\npatients = false\n",
    );
    let heard = [lab.heard("1", "KP-20425", "NEG"), lab.heard("2", "KP-20426", "NEG")];
    let taken = lab.take(&heard, i64::try_from(lab.at).expect("a place")).await;
    assert!(taken.reports.iter().all(|r| r.reason == Some(Reason::SpecimenUnknown)));
    let told = || async {
        let now = Now::read(&lab.ledger, &lab.bench).await.expect("a look");
        now.of(About::Orders, "lis, questions").map(|found| (found.wrong, found.text.clone()))
    };
    let (wrong, text) = told().await.expect("it is told");
    assert!(wrong && text.starts_with("work is asked about 2 specimen(s)"), "{text}");
    assert!(!text.contains("KP-2042"), "{text}");
    let source = &lab.bench.sources[0];
    for (specimen, said) in [("KP-20425", Said::Heard), ("KP-20426", Said::Refused)] {
        let specimen = wickline_normalize::Private::new(specimen);
        lab.ledger.question_answered(source, &specimen, said).await.expect("noted");
    }
    assert_eq!(told().await, None, "a no is an answer");
}

/// Refused and set aside by a person, then the specimen was run again.
async fn what_was_put_off_does_not_come_back_under_a_number_that_another_strip_has(mut lab: Lab) {
    lab.bench = bench("");
    assert_eq!(lab.ordered("K1", "KP-20417", "UADIP", "KP700101").await, "OK");
    lab.run_of("1", "KP-20417", "2+").await;
    let first = lab.waiting().await[0];
    let refused = Settled {
        reason: Some("receiver-error"),
        answer: Some(b"MSA|AE".to_vec()),
        ..settled(first, MessageState::Refused)
    };
    lab.ledger.queue_settle("lis", 0, &[refused]).await.expect("recorded");
    // As long as a person may send it again, nothing else goes there.
    assert_eq!(lab.run_of("2", "KP-20417", "NEG").await.1, Some(Reason::OrderAmbiguous));
    let actor = Actor::person(None);
    lab.ledger.message_set_aside(&actor, &[first], "run again").await.expect("set aside");
    assert_eq!(lab.ledger.orders_met_again(&lab.bench).await.expect("judged"), 1);
    assert_eq!(lab.goes().await, [told("K1^LIS", "F-K1^KESTRELLAB", "F", "F")]);
    let back = lab.ledger.message_retry(&lab.bench, &actor, &Which::These(vec![first])).await;
    let why = back.expect_err("another strip has the number").to_string();
    assert!(why.contains("another report goes under the number of its order"), "{why}");
}
