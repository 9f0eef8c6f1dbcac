//! What answers an order, and what does not: two orders of one strip, urgent ones, a strip of somebody else, a result
//! that went before its order came, and a source that no receiver answers.

use serde_json::Value;

use crate::asks::{Analyzer, frames, strip};
use crate::kit::{Folder, ask, configuration, program, run};
use crate::orders::{House, SOURCE, Sender, order, said, started};
use crate::way::{practice, runtime, specimen};

/// One cup with two orders, as a message led by its specimen says it: the whole strip, and glucose in haste.
fn two(control: &str, id: &str) -> Vec<u8> {
    let one = |n: usize, number: &str, test: &str, priority: &str| {
        format!(
            "ORC|{control}|{number}^LIS|||||||20260314081500+0000\rTQ1|1||||||||{priority}\r\
             OBR|{n}|{number}^LIS||{test}\r"
        )
    };
    format!(
        "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314081500+0000||OML^O33^OML_O33|{id}|P|2.5.1\r\
         PID|1||KP700101^^^KESTREL^MR||Heron-Invented^Ada||19700101|F\r\
         SPM|1|KP-20417&LIS||UR^Urine^HL70487\r{}{}",
        one(1, "K1", "UADIP^Urine strip^99KPL", "R^Routine^HL70485"),
        one(2, "K2", "UGLU^Glucose^99KPL", "S^Stat^HL70485"),
    )
    .into_bytes()
}

/// A field of each segment of a name, by the bars alone.
fn each(message: &[u8], segment: &str, n: usize) -> Vec<String> {
    let text = String::from_utf8_lossy(message).into_owned();
    let own = text.split('\r').filter(|line| line.split('|').next() == Some(segment));
    own.map(|line| line.split('|').nth(n).unwrap_or("").to_owned()).collect()
}

fn tell(house: &House, message: &[u8]) -> (String, Vec<String>) {
    said(&Sender::to(&house.source).say(message).expect("an answer"))
}

fn answers_both(message: &[u8]) {
    assert_eq!(specimen(message), "KP-20417");
    for segment in ["ORC", "OBR"] {
        assert_eq!(each(message, segment, 2), ["K1^LIS", "K2^LIS"]);
    }
    assert_eq!(each(message, "OBR", 4), ["UADIP^Urine strip^99KPL", "UGLU^Glucose^99KPL"]);
    let numbers = each(message, "OBR", 3);
    assert!(numbers[0] != numbers[1] && !numbers[1].is_empty(), "{numbers:?}");
    // Each order has the pads that it asked.
    let all = String::from_utf8_lossy(message).into_owned();
    let (strip, glucose) = all.rsplit_once("\rOBR|").expect("two groups");
    let pads = |text: &str| each(text.as_bytes(), "OBX", 3);
    assert!(pads(strip).len() >= 10, "{all}");
    let alone = pads(glucose);
    assert!(!alone.is_empty() && alone.iter().all(|pad| pad.starts_with("50555-2^")), "{all}");
    // What is routine needs no word; what is urgent says so.
    assert_eq!(each(message, "TQ1", 9), ["S^Stat^HL70485"]);
}

#[test]
fn two_orders_that_came_before_the_strip_are_answered_by_it() {
    runtime().block_on(async {
        let mut house = House::new("answered-two", "").await;
        assert_eq!(tell(&house, &two("NW", "A1")).0, "AA");
        let report = house.strip("KP-20417").await;
        assert_eq!(report["state"], "waiting", "{report} {:?}", house.held());
        answers_both(&house.receiver.next().await.expect("it goes").body);
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        assert_eq!([house.standing("K1"), house.standing("K2")], ["answered", "answered"]);
    });
}

#[test]
fn two_orders_that_come_after_the_strip_are_answered_by_it() {
    runtime().block_on(async {
        let mut house = House::new("answered-two-after", "").await;
        assert_eq!(house.strip("KP-20417").await["reason"], "specimen-unknown");
        assert_eq!(tell(&house, &two("NW", "A1")).0, "AA");
        answers_both(&house.receiver.next().await.expect("it goes").body);
    });
}

#[test]
fn one_of_two_that_is_cancelled_keeps_the_other_from_nothing() {
    runtime().block_on(async {
        let mut house = House::new("answered-one", "[orders]\nunordered_pads = \"drop\"\n").await;
        assert_eq!(tell(&house, &two("NW", "A1")).0, "AA");
        let cancel = order("CA", "K1", "KP-20417", "KP700101");
        assert_eq!(house.say(&cancel, "A2"), ("AA".into(), vec!["CR".into()]));
        assert_eq!(house.strip("KP-20417").await["state"], "waiting");
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(each(&message, "OBR", 2), ["K2^LIS"]);
        let pads = each(&message, "OBX", 3);
        assert!(!pads.is_empty() && pads.iter().all(|pad| pad.starts_with("50555-2^")), "{pads:?}");
        assert_eq!(house.standing("K1"), "cancelled");
    });
}

/// A strip of which the analyzer says whose it is.
fn named(number: usize, of: &str, patient: &str) -> Vec<Vec<u8>> {
    let text = |frame: Vec<u8>| String::from_utf8(frame[2..frame.len() - 6].to_vec());
    let records = strip(number, of).into_iter().map(|frame| text(frame).expect("ASCII"));
    let records = records.map(|one| if one == "P|1" { format!("P|1|{patient}") } else { one });
    frames(&records.collect::<Vec<_>>())
}

#[test]
fn a_strip_of_another_patient_than_its_order_goes_without_it_or_not_at_all() {
    runtime().block_on(async {
        let folder = Folder::new("answered-named");
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let text = std::fs::read_to_string(&config).expect("a configuration");
        std::fs::write(&config, format!("{text}patient = \"ordered\"\n{SOURCE}")).expect("written");
        let (mut daemon, source) = started(&config);
        let mut analyzer = Analyzer::on(port);
        let first = order("NW", "K1", "KP-20417", "KP700101").text("A1");
        assert_eq!(said(&Sender::to(&source).say(&first).expect("an answer")).0, "AA");
        analyzer.says(&named(1, "KP-20417", "KP700999")).await;
        let report = daemon.wait_for(|e| e["event"] == "report" && e["number"] == "1");
        assert_eq!(report["reason"], "patient-named", "{report}");
        let disputed = ask(&config, &["orders", "--standing", "disputed"]);
        assert_eq!(disputed["items"], Value::Array(Vec::new()), "nobody disputes its order");
        let held = ask(&config, &["held"]);
        let id = held["items"][0]["id"].as_str().expect("an id").to_owned();
        let shown = run(&config, &["held", "show", &*id]).stdout;
        let shown =
            String::from_utf8_lossy(&shown).split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(shown.contains(&format!("wickline held release {id}")), "{shown}");
        assert!(!shown.contains("disputed"), "{shown}");
        // A word of a person lets it go, and never with the order or its patient.
        let words =
            ["held", "release", &*id, "--reason", "the ward gave the analyzer a wrong name"];
        assert_eq!(run(&config, &words).status.code(), Some(0));
        let message = receiver.next().await.expect("it goes").body;
        let all = String::from_utf8_lossy(&message).into_owned();
        for theirs in ["K1", "KP700101", "Heron-Invented"] {
            assert!(!all.contains(theirs), "{theirs} in {all}");
        }
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        let standing = |number| ask(&config, &["orders", number])["items"][0]["standing"].clone();
        assert_eq!(standing("K1"), "open");
        analyzer.says(&named(2, "KP-20417", "KP700101")).await;
        let message = receiver.next().await.expect("the right one goes with its order").body;
        assert_eq!(each(&message, "OBR", 2), ["K1^LIS"]);
        assert_eq!(standing("K1"), "answered");
    });
}

#[test]
fn an_order_is_not_called_accepted_where_no_message_named_it() {
    runtime().block_on(async {
        let mut house = House::new("answered-before", "").await;
        let strip_of = |house: &House, number: &str| {
            let found = ask(&house.config, &["orders", number]);
            found["items"][0]["strip"].as_str().unwrap_or("").to_owned()
        };
        assert_eq!(house.strip("KP-20417").await["reason"], "specimen-unknown");
        let (id, _) = house.held().remove(0);
        let words = ["held", "release", id.as_str(), "--reason", "the ward asked by telephone"];
        assert_eq!(run(&house.config, &words).status.code(), Some(0));
        house.receiver.next().await.expect("it goes");
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        assert_eq!(house.standing("K1"), "answered");
        assert_eq!(strip_of(&house, "K1"), "sent without its number");
        let shown = run(&house.config, &["orders", "show", "K1"]).stdout;
        let shown = String::from_utf8_lossy(&shown).into_owned();
        assert!(
            shown.contains("sent without its number") && !shown.contains("accepted"),
            "{shown}"
        );
        // One that came in time is.
        house.say(&order("NW", "K2", "KP-20418", "KP700102"), "A2");
        house.strip("KP-20418").await;
        house.receiver.next().await.expect("it goes");
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        assert_eq!(strip_of(&house, "K2"), "accepted");
    });
}

#[test]
fn a_source_that_gets_no_number_or_no_patient_back_is_told_by_check() {
    let folder = Folder::new("answered-check");
    let notes = |receiver: &str, source: &str| {
        let source = format!("{receiver}{}", SOURCE.replace("id = \"lis\"", source));
        let text =
            configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "mllp://127.0.0.1:1", &source);
        let config = folder.write("wickline.toml", &text);
        let mut command = program();
        command.args(["--config", &config.to_string_lossy(), "check", "--offline"]);
        let done = command.output().expect("it can be run");
        let out = String::from_utf8_lossy(&done.stdout).into_owned();
        assert_eq!(done.status.code(), Some(0), "{out}{}", String::from_utf8_lossy(&done.stderr));
        let notes = out.lines().filter(|line| line.starts_with("note  source "));
        notes.map(str::to_owned).collect::<Vec<_>>()
    };
    let own = "id = \"lis\"";
    for (receiver, source, words) in [
        ("patient = \"ordered\"\n", "id = \"ward\"", "orders_for = [\"ward\"]"),
        ("", own, "patient = \"ordered\" under receiver lis"),
    ] {
        let told = notes(receiver, source);
        assert!(told.len() == 1 && told[0].contains(words), "{told:?}");
    }
    assert_eq!(notes("patient = \"ordered\"\n", own), Vec::<String>::new());
    let named = "patient = \"ordered-short\"\norders_for = [\"ward\"]\n";
    assert_eq!(notes(named, "id = \"ward\""), Vec::<String>::new());
}

#[test]
fn explain_says_which_order_a_strip_would_answer_and_what_would_hold_it() {
    runtime().block_on(async {
        let house = House::new("answered-explained", "").await;
        assert_eq!(house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1").0, "AA");
        let explained = |of: &str| {
            let bytes = [b"\x05".to_vec(), strip(7, of).concat(), b"\x04".to_vec()].concat();
            let capture = house.config.with_file_name(format!("{of}.cap"));
            std::fs::write(&capture, bytes).expect("written");
            let said = ask(&house.config, &["explain", capture.to_str().expect("text")]);
            said["reports"][0].clone()
        };
        let report = explained("KP-20417");
        assert_eq!(report["orders"], serde_json::json!(["K1 of lis"]), "{report}");
        let message = report["message"].as_str().expect("a message").as_bytes().to_vec();
        assert_eq!(each(&message, "OBR", 2), ["K1^LIS"]);
        // Nobody ordered this one.
        let report = explained("KP-20418");
        assert_eq!(report["holds"][0]["reason"], "specimen-unknown", "{report}");
        assert_eq!((&report["message"], report.get("orders")), (&Value::Null, None));
        // It was a look: the order waits as before.
        assert_eq!(house.standing("K1"), "open");
    });
}
