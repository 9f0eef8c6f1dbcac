//! Orders that change behind a result: what is not out stays in, what is out is taken back, and it goes under the right
//! specimen once that one is ordered.

use serde_json::Value;

use crate::kit::{ask, run, until};
use crate::orders::{House, order};
use crate::way::{runtime, specimen};

/// A result that its receiver refused: nobody has it.
async fn refused(name: &str) -> House {
    let mut house = House::answered(name, "", &["ae", "aa"]).await;
    house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
    house.strip("KP-20417").await;
    house.receiver.next().await.expect("it is tried");
    house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "refused");
    house
}

/// What a command says, and how it ends.
fn says(house: &House, words: &[&str]) -> (Option<i32>, String) {
    let done = run(&house.config, words);
    let text = [done.stdout, done.stderr].concat();
    (done.status.code(), String::from_utf8_lossy(&text).into_owned())
}

fn waiting(house: &House) -> Value {
    ask(&house.config, &["queue"])["totals"]["waiting"].clone()
}

#[test]
fn a_refused_result_of_a_cancelled_order_is_not_sent_again() {
    runtime().block_on(async {
        let house = refused("taken-cancelled").await;
        let (code, orders) = house.say(&order("CA", "K1", "KP-20417", "KP700101"), "A2");
        assert_eq!((code.as_str(), &*orders[0]), ("AA", "CR"), "nobody has it");
        let (code, said) = says(&house, &["queue", "retry", "--refused"]);
        assert_ne!(code, Some(0), "{said}");
        assert!(
            said.contains("`order-cancelled`") && said.contains("nothing of it is out"),
            "{said}"
        );
        assert!(said.contains("queue set-aside 1@lis"), "{said}");
        assert_eq!(waiting(&house), 0);
        let refused = ask(&house.config, &["queue"])["totals"]["refused"].clone();
        assert_eq!(refused, 1, "it stays for a person");
    });
}

#[test]
fn a_refused_result_of_a_disputed_specimen_is_sent_when_a_person_has_settled_whose_it_is() {
    runtime().block_on(async {
        let mut house = refused("taken-disputed").await;
        let (_, orders) = house.say(&order("NW", "K2", "KP-20417", "KP700102"), "A2");
        assert_eq!(orders, ["UA"]);
        assert_eq!(house.standing("K1"), "disputed");
        let (code, said) = says(&house, &["queue", "retry", "--refused"]);
        assert_ne!(code, Some(0), "{said}");
        assert!(said.contains("orders --standing disputed"), "{said}");
        assert_eq!(waiting(&house), 0);
        let words = ["orders", "settle", "K1", "--right", "--reason", "label compared"];
        assert_eq!(says(&house, &words).0, Some(0));
        let (code, said) = says(&house, &["queue", "retry", "--refused"]);
        assert_eq!(code, Some(0), "{said}");
        house.receiver.next().await.expect("it goes");
    });
}

/// Of two that were refused one cannot go again: the other goes, and the one is named.
#[test]
fn one_that_cannot_go_again_stops_no_other() {
    runtime().block_on(async {
        let mut house = House::answered("taken-one-of-two", "", &["ae", "ae", "aa"]).await;
        for (number, specimen) in [("K1", "KP-20417"), ("K2", "KP-20418")] {
            house.say(&order("NW", number, specimen, "KP700101"), number);
            house.strip(specimen).await;
            house.receiver.next().await.expect("it is tried");
            house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "refused");
        }
        house.say(&order("CA", "K1", "KP-20417", "KP700101"), "A2");
        let (code, said) = says(&house, &["queue", "retry", "--refused"]);
        assert_eq!(code, Some(1), "{said}");
        assert!(said.contains("1 message(s) back in the queue"), "{said}");
        assert!(
            said.contains("1@lis stays as it is") && said.contains("set-aside 1@lis"),
            "{said}"
        );
        house.receiver.next().await.expect("the other goes");
        let left = ask(&house.config, &["queue", "--state", "refused"]);
        assert_eq!(left["items"].as_array().map(Vec::len), Some(1), "{left}");
    });
}

/// The wrong tube: what stands under the wrong id is taken back at once, whatever is known of the right one.
#[test]
fn a_result_is_withdrawn_to_a_specimen_that_nobody_has_ordered_yet() {
    runtime().block_on(async {
        let mut house = House::new("taken-renamed", "").await;
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        house.strip("KP-20417").await;
        house.receiver.next().await.expect("it goes");
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        let words = ["report", "withdraw", "1", "--specimen", "KP-20418", "--again", "KP-20418"];
        let (code, said) = says(&house, &[&words[..], &["--reason", "wrong tube"]].concat());
        assert_eq!(code, Some(0), "{said}");
        assert!(said.contains("report 1 (KP-20418) is now held"), "{said}");
        let gone = house.receiver.next().await.expect("it is taken back").body;
        assert_eq!(specimen(&gone), "KP-20417");
        assert!(String::from_utf8_lossy(&gone).contains("|W|"), "OBX-11");
        assert_eq!(house.held(), [("1".to_owned(), "specimen-unknown".to_owned())]);
        assert_eq!(house.standing("K1"), "open", "it waits for its own strip");
        house.say(&order("NW", "K2", "KP-20418", "KP700102"), "A2");
        let message = house.receiver.next().await.expect("it goes by itself").body;
        assert_eq!(specimen(&message), "KP-20418");
        assert!(!String::from_utf8_lossy(&message).contains("KP700101"), "nothing of the other");
        until(|| house.standing("K2") == "answered");
    });
}
