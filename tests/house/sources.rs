//! What a source of orders meets when not all is well: nothing can be kept, too many wait, strips do not come, and
//! what is known of patients is forgotten.

use sqlx::{ConnectOptions, Connection, Executor};

use crate::kit::{ask, until};
use crate::orders::{House, Order, Sender, field, order};
use crate::way::runtime;

/// Somebody else writes in the ledger and does not end.
async fn engaged(house: &House) -> sqlx::sqlite::SqliteConnection {
    let path = house.config.with_file_name("ledger.db");
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
    let mut other = options.connect().await.expect("it is there");
    other.execute("BEGIN IMMEDIATE").await.expect("nobody else writes");
    other
}

/// By what the laboratory wants: no answer, so that it comes again, or a no that blames nothing on what was sent.
#[test]
fn what_cannot_be_kept_is_never_answered_with_yes() {
    runtime().block_on(async {
        for (keys, rejects) in [("", false), ("store_down = \"reject\"\n", true)] {
            let house = House::new(&format!("source-store-{rejects}"), keys).await;
            let message = order("NW", "K1", "KP-20417", "KP700101").text("A1");
            let other = engaged(&house).await;
            let source = house.source.clone();
            let sent = message.clone();
            let answer = tokio::task::spawn_blocking(move || Sender::to(&source).say(&sent));
            match (answer.await.expect("it ends"), rejects) {
                (None, false) => {}
                (Some(answer), true) => {
                    assert_eq!(field(&answer, "MSA", 1), "AR");
                    assert!(field(&answer, "ERR", 3).starts_with("207^"), "{answer:?}");
                }
                (other, _) => panic!("{other:?}"),
            }
            other.close().await.expect("it lets go");
            let answer = Sender::to(&house.source).say(&message).expect("an answer");
            assert_eq!(field(&answer, "MSA", 1), "AA", "the same bytes again are taken");
            assert_eq!(house.standing("K1"), "open");
        }
    });
}

#[test]
fn a_source_with_too_many_open_orders_is_turned_away_until_some_are_done() {
    runtime().block_on(async {
        let mut house = House::new("source-full", "max_open = 2\n").await;
        for (number, specimen) in [("K1", "KP-20417"), ("K2", "KP-20418")] {
            assert_eq!(house.say(&order("NW", number, specimen, "KP700101"), number).0, "AA");
        }
        let third = order("NW", "K3", "KP-20419", "KP700101").text("K3");
        assert_eq!(Sender::to(&house.source).say(&third), None, "it is to send that again");
        let cut = house.daemon.wait_for(|e| e["event"] == "source-cut");
        assert!(cut["why"].as_str().is_some_and(|why| why.starts_with("too many")), "{cut}");
        house.strip("KP-20417").await;
        house.receiver.next().await.expect("it goes");
        until(|| Sender::to(&house.source).say(&third).is_some());
        assert_eq!(house.standing("K3"), "open");
    });
}

/// Collected so long ago that its strip does not come any more: it stands on the sheet of the day on which that was
/// seen, and a strip that comes after all waits for a person.
#[test]
fn an_order_whose_strip_does_not_come_expires_and_stands_on_the_day_sheet() {
    runtime().block_on(async {
        let mut house = House::new("source-expires", "[orders]\nexpire_hours = 1\n").await;
        let text = order("NW", "K1", "KP-20417", "KP700101").text("A1");
        let text = String::from_utf8(text).expect("text");
        // SPM-17, long ago.
        let old = text.replace("^HL70487\r", "^HL70487|||||||||||||20260314081000+0000\r");
        assert_ne!(old, text);
        let answer = Sender::to(&house.source).say(old.as_bytes()).expect("an answer");
        assert_eq!(field(&answer, "MSA", 1), "AA");
        until(|| house.standing("K1") == "expired");
        let sheet = ask(&house.config, &["day"]);
        assert_eq!(sheet["unheard"][0]["order"], "K1", "{sheet}");
        assert_eq!(sheet["unheard"][0]["specimens"][0], "KP-20417");
        let shown = crate::kit::run(&house.config, &["day"]).stdout;
        let shown = String::from_utf8_lossy(&shown).into_owned();
        assert!(shown.contains("order K1 of lis for KP-20417"), "{shown}");
        let page = house.config.with_file_name("day.html");
        let words = ["day", "--html", &*page.to_string_lossy()];
        assert!(crate::kit::run(&house.config, &words).status.success());
        let page = std::fs::read_to_string(page).expect("a page");
        assert!(page.contains("Ordered, and never heard") && page.contains("order K1 of lis"));
        let report = house.strip("KP-20417").await;
        assert_eq!(report["reason"], "order-expired", "{report}");
    });
}

#[test]
fn what_is_known_of_a_patient_is_forgotten_when_the_laboratory_wants_that() {
    runtime().block_on(async {
        let mut house = House::new("source-forgets", "[orders]\npatient_days = 0\n").await;
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        house.say(&order("NW", "K2", "KP-20418", "KP700101"), "A2");
        house.strip("KP-20417").await;
        house.receiver.next().await.expect("it goes");
        let name = |number: &str| {
            let found = ask(&house.config, &["orders", "show", number]);
            found["items"][0]["patient"]["name"].as_str().unwrap_or("").to_owned()
        };
        until(|| name("K1").is_empty());
        assert_eq!(name("K2"), "Heron-Invented^Ada", "it waits for its strip");
        assert_eq!(house.standing("K1"), "answered");
    });
}

/// What nothing here can put right is told until somebody has seen to it, and bears no number or name.
#[test]
fn what_a_source_closed_too_late_or_numbered_twice_is_told_until_it_is_lifted() {
    runtime().block_on(async {
        let mut house = House::new("source-told", "").await;
        let first = order("NW", "K1", "KP-20417", "KP700101");
        assert_eq!(house.say(&first, "A1").0, "AA");
        let other = Order { specimen: "KP-29999", patient: "KP700102", ..first };
        assert_eq!(house.say(&other, "A2").1, ["UA"], "the number is taken");
        house.strip("KP-20417").await;
        house.receiver.next().await.expect("it goes");
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        // OC: the source itself has cancelled it, and only tells that.
        house.say(&order("OC", "K1", "KP-20417", "KP700101"), "A3");
        let told = ask(&house.config, &["ledger", "notices"]).to_string();
        assert!(told.contains("under a number that it had used"), "{told}");
        assert!(told.contains("whose result was out already"), "{told}");
        let status = ask(&house.config, &["status"]).to_string();
        assert!(status.contains("ledger notices"), "{status}");
        assert!(!told.contains("K1") && !told.contains("KP-"), "{told}");
    });
}
