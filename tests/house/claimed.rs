//! A specimen id that two patients claim, and a patient who changes, when results are out already.

use std::io::Write;
use std::net::TcpStream;

use crate::hints::at_a_terminal;
use crate::kit::{ask, run, until};
use crate::orders::{House, Sender, field, order};
use crate::way::runtime;

fn shown(house: &House, words: &[&str]) -> String {
    let done = run(&house.config, words);
    String::from_utf8_lossy(&[done.stdout, done.stderr].concat()).into_owned()
}

/// An order whose result a receiver has accepted.
async fn out(house: &mut House) {
    house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
    house.strip("KP-20417").await;
    house.receiver.next().await.expect("it goes");
    house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
}

fn event(kind: &str, id: &str, pid: &str, more: &str) -> Vec<u8> {
    format!(
        "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314082000+0000||{kind}|{id}|P|2.5.1\r\
         EVN||20260314082000\rPID|1||{pid}\r{more}"
    )
    .into_bytes()
}

fn tell(house: &House, message: &[u8]) {
    let answer = Sender::to(&house.source).say(message).expect("an answer");
    assert_eq!(field(&answer, "MSA", 1), "AA");
}

#[test]
fn a_specimen_that_is_claimed_after_its_result_went_is_told_and_its_report_can_be_withdrawn() {
    runtime().block_on(async {
        let mut house = House::new("claimed-out", "").await;
        out(&mut house).await;
        let other = order("NW", "K2", "KP-20417", "KP700102");
        assert_eq!(house.say(&other, "A2"), ("AE".into(), vec!["UA".into()]));
        assert_eq!(house.standing("K1"), "answered", "what is out stays out");

        let told = ask(&house.config, &["ledger", "notices"]).to_string();
        assert!(told.contains("order-claimed"), "{told}");
        for secret in ["K1", "KP-", "KP7001", "Heron"] {
            assert!(!told.contains(secret), "{secret} in {told}");
        }
        for look in ["status", "day"] {
            let text = shown(&house, &[look]);
            assert!(text.contains("an order whose result was out by then"), "{look}: {text}");
        }
        let listed = ask(&house.config, &["orders", "--standing", "disputed"]);
        assert_eq!(listed["items"][0]["order"], "K1", "{listed}");
        let here = listed["items"][0]["here"].as_str().expect("our own number").to_owned();
        assert!(told.contains(&format!("order {here} of lis")), "{told}");
        let own = ask(&house.config, &["orders", "show", &format!("order {here}")]);
        assert_eq!(own["items"][0]["order"], "K1", "the notice leads to it: {own}");
        let text = shown(&house, &["find", "KP-20417"]);
        assert!(text.contains("order K1 of lis: answered, disputed, accepted"), "{text}");
        let text = shown(&house, &["orders", "show", "K1"]);
        assert!(text.contains("its specimen id is claimed for patient KP700102 too"), "{text}");
        assert!(!shown(&house, &["orders"]).contains("KP700102"), "and nowhere else");

        let text =
            shown(&house, &["orders", "settle", "K1", "--wrong", "--reason", "label says so"]);
        let hint = "wickline report withdraw 1";
        assert!(text.contains(&format!("`{hint}`")), "{text}");
        assert!(text.contains("is not kept: have its source send it again"), "{text}");
        let text = shown(&house, &["orders", "settle", "K2", "--right", "--reason", "label"]);
        assert!(text.contains("one that was refused is not kept"), "{text}");
        // It is not out of sight before that is done.
        for look in [["find", "KP-20417"].as_slice(), &["orders", "show", "K1"]] {
            let text = shown(&house, look);
            assert!(text.contains(&format!("`{hint}` takes it back")), "{look:?}: {text}");
        }
        assert!(shown(&house, &["orders", "--standing", "disputed"]).contains("K1"));
        assert!(shown(&house, &["trail"]).contains(&format!("order {here} of lis")));
        let words = ["report", "withdraw", "1", "--reason", "another patient's"];
        assert_eq!(run(&house.config, &words).status.code(), Some(0));
        let back = house.receiver.next().await.expect("it is taken back").body;
        assert_eq!(field(&back, "OBX", 11), "W", "{}", String::from_utf8_lossy(&back));
        let listed = ask(&house.config, &["orders", "--standing", "disputed"]);
        assert_eq!(listed["items"].as_array().map(Vec::len), Some(0), "{listed}");
    });
}

#[test]
fn what_is_told_after_a_merge_or_a_new_name_bears_the_patient_as_known_then() {
    runtime().block_on(async {
        let mut house = House::new("claimed-merged", "").await;
        out(&mut house).await;
        let pid = "KP700101^^^KESTREL^MR||Heron-Invented^Adela||19700101|F";
        tell(&house, &event("ADT^A08^ADT_A01", "A2", pid, "PV1|1|O\r"));
        house.strip("KP-20417").await;
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(field(&message, "PID", 5), "Heron-Invented^Adela");

        let pid = "KP700777^^^KESTREL^MR||Heron-Invented^Adelaide||19700101|F";
        let gone = "MRG|KP700101^^^KESTREL^MR\r";
        tell(&house, &event("ADT^A40^ADT_A39", "A3", pid, gone));
        house.strip("KP-20417").await;
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(field(&message, "PID", 3), "KP700777^^^KESTREL^MR");
        assert_eq!(field(&message, "PID", 5), "Heron-Invented^Adelaide");
    });
}

#[test]
fn a_patient_who_became_somebody_else_is_told_in_words_that_are_true() {
    runtime().block_on(async {
        let house = House::new("claimed-other", "").await;
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        let pid = "KP700101^^^KESTREL^MR||Plover-Invented^Ines||19850517|F";
        tell(&house, &event("ADT^A08^ADT_A01", "A2", pid, "PV1|1|O\r"));
        assert_eq!(house.standing("K1"), "disputed");
        let text = shown(&house, &["orders", "show", "K1"]);
        assert!(
            text.contains("its patient became somebody else by name and date of birth"),
            "{text}"
        );
        assert!(!text.contains("claimed for"), "{text}");
        for line in [
            "name         Heron-Invented, Ada",
            "said now     KP700101, Plover-Invented, Ines, 19850517",
        ] {
            assert!(text.contains(line), "what was, and what is now: {text}");
        }
    });
}

#[test]
fn the_list_beside_a_blank_id_is_of_tubes_that_wait_urgent_first_and_says_how_many_more() {
    runtime().block_on(async {
        let mut house = House::new("claimed-list", "").await;
        house.say(&order("NW", "QC", "QC-L1", "KP700100"), "Q");
        let mut sender = Sender::to(&house.source);
        for n in 0..27 {
            let (number, id) = (format!("K{n}"), format!("KP-30{n:03}"));
            let text = order("NW", &number, &id, "KP700101").text(&number);
            let text = String::from_utf8(text).expect("text");
            // The first asks one pad alone, the last one is urgent (TQ1-9).
            let text =
                if n == 0 { text.replace("UADIP^Urine strip", "UGLU^Glucose") } else { text };
            let text =
                if n == 26 { text.replace("\rOBR|", "\rTQ1|1||||||||S\rOBR|") } else { text };
            assert_eq!(field(&sender.say(text.as_bytes()).expect("an answer"), "MSA", 1), "AA");
        }
        // More pads than ordered: it is held, and its tube was used.
        let report = house.strip("KP-30000").await;
        assert_eq!(report["reason"], "order-mismatch", "{report}");
        assert_eq!(house.standing("K0"), "open");
        house.strip("").await;
        let blank = house.held().into_iter().find(|(_, why)| why != "order-mismatch");
        let (id, _) = blank.expect("a strip without an id");
        let text = shown_at(&house, &id).await;
        let lines: Vec<&str> = text.lines().filter(|line| line.starts_with("    KP-")).collect();
        assert!(lines[0].contains("KP-30026") && lines[0].contains("URGENT"), "{text}");
        assert!(!text.contains("KP-30000") && !text.contains("QC-L1"), "{text}");
        assert!(text.contains("and 1 more: `wickline orders --limit 1000`"), "{text}");
    });
}

/// What stands before the question, of a person who then enters nothing.
async fn shown_at(house: &House, id: &str) -> String {
    let line = format!("wickline held identify {id}");
    at_a_terminal(&house.config, &line, "").await.1.replace('\r', "")
}

#[test]
fn a_specimen_of_two_patients_is_not_asked_about_with_one_yes() {
    runtime().block_on(async {
        let mut house = House::new("claimed-asked", "").await;
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        house.say(&order("NW", "K2", "KP-20417", "KP700102"), "A2");
        house.strip("").await;
        let id = house.held()[0].0.clone();
        let line = format!("wickline held identify {id}");
        let (code, said) = at_a_terminal(&house.config, &line, "KP-20417").await;
        assert_eq!(code, 2, "{said}");
        assert!(said.contains("claimed for more than one patient"), "{said}");
        assert!(said.contains("`wickline orders show KP-20417`"), "{said}");
        assert!(said.contains("`wickline orders settle K1 --right`"), "{said}");
        assert!(!said.contains("yes/no"), "{said}");
        house.say(&order("NW", "K8", "KP-20488", "KP700108"), "A8");
        let pid = "KP700108^^^KESTREL^MR||Wren-Invented^Ute||19510203|F";
        tell(&house, &event("ADT^A08^ADT_A01", "A9", pid, "PV1|1|O\r"));
        let (code, said) = at_a_terminal(&house.config, &line, "KP-20488").await;
        assert_eq!(code, 2, "{said}");
        assert!(said.contains("became somebody else") && !said.contains("claimed for"), "{said}");
        assert_eq!(house.held().len(), 1, "nothing was changed");
    });
}

#[test]
fn what_is_said_of_orders_is_what_is_so() {
    runtime().block_on(async {
        let mut house = House::new("claimed-words", "").await;
        assert!(shown(&house, &["orders"]).contains("no order waits for its strip"));
        house.say(&order("NW", "K9", "KP-20499", "KP700109"), "A9");
        let text = shown(&house, &["find", "K9"]);
        assert!(text.contains("order K9 of lis: open, no strip yet"), "{text}");
        out(&mut house).await;
        let found = ask(&house.config, &["find", "K1"]);
        assert_eq!(found["items"][0]["id"], "1", "{found}");
        let words = ["report", "withdraw", "1", "--reason", "the tube was mixed up"];
        assert_eq!(run(&house.config, &words).status.code(), Some(0));
        house.receiver.next().await.expect("it is taken back");
        let text = shown(&house, &["orders", "show", "K1"]);
        assert!(!text.contains("held"), "{text}");

        // What still holds a report once the dispute is settled is said.
        house.say(&order("NW", "K5", "KP-20455", "KP700105"), "B1");
        house.say(&order("NW", "K6", "KP-20455", "KP700106"), "B2");
        house.strip("KP-20455").await;
        let text = shown(&house, &["orders", "settle", "K5", "--wrong", "--reason", "the label"]);
        assert!(
            text.contains("is still held (") && text.contains("`wickline held show 2`"),
            "{text}"
        );
    });
}

#[test]
fn idle_connections_do_not_shut_a_source_out() {
    runtime().block_on(async {
        let house = House::new("claimed-idle", "").await;
        let mut idle: Vec<TcpStream> =
            (0..4).map(|_| TcpStream::connect(&house.source).expect("it listens")).collect();
        // One of them is at work: a message has begun.
        idle[0].write_all(b"\x0bMSH|").expect("written");
        let text = order("NW", "K1", "KP-20417", "KP700101").text("A1");
        let turned = Sender::to(&house.source).say(&text);
        assert_eq!(turned, None, "all places are taken, and none is idle for long");
        let says = |what: &str| {
            let status = ask(&house.config, &["status"]);
            let all = status["items"].as_array().expect("items").clone();
            let own = all.into_iter().find(|i| i["about"] == "orders" && i["which"] == "lis");
            own.expect("the source").to_string().contains(what)
        };
        until(|| says("all 4 of its connections"));
        until(|| says("lis") && Sender::to(&house.source).say(&text).is_some());
        assert_eq!(house.standing("K1"), "open");
        until(|| says("may connect"));
    });
}

/// O15: letters that are put together, and a mark that turns the text behind it about.
#[test]
fn o15_a_name_goes_back_as_it_came_and_its_marks_are_shown_as_such() {
    runtime().block_on(async {
        let mut house = House::new("claimed-letters", "").await;
        let given = "A\u{301}da\u{202e}gnirB";
        let text = String::from_utf8(order("NW", "K1", "KP-20417", "KP700101").text("A1"));
        let text = text.expect("text").replace("^Ada|", &format!("^{given}|"));
        let text = text.replace("|P|2.5.1\r", "|P|2.5.1||||||UNICODE UTF-8\r");
        tell(&house, text.as_bytes());
        let page = shown(&house, &["orders", "show", "K1"]);
        assert!(page.contains("Heron-Invented") && !page.contains('\u{202e}'), "{page}");
        house.strip("KP-20417").await;
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(field(&message, "PID", 5), format!("Heron-Invented^{given}"));
    });
}
