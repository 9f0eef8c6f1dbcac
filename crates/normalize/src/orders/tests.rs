//! Orders: row by row of the table of cases, and whatever a source sends in whichever order.

mod claims;
mod histories;
mod rows;
mod strips;

use super::{
    Ask, Claim, Deed, Heard, Key, Meet, OrderRules, Orders, Person, Refusal, Reply, Request,
    Standing, Trace, Wait, Wanted,
};
use crate::moment::Moment;
use crate::report::{Private, Text};

const NOW: i64 = 1_773_475_200;
const HOUR: i64 = 3_600;
const DAY: i64 = 24 * HOUR;

fn private(text: &str) -> Private {
    Private::new(text)
}

fn key(number: &str) -> Key {
    Key { source: "lis".into(), number: private(number) }
}

fn person(id: &str, name: &str, born: &str) -> Person {
    Person {
        id: private(&format!("{id}^^^KESTREL")),
        number: private(id),
        name: private(name),
        born: private(born),
        sex: Private::default(),
    }
}

fn odile() -> Person {
    person("KP700101", "Sandpiper-Invented^Odile", "19580203")
}

fn ines() -> Person {
    person("KP700103", "Plover-Invented^Ines", "19850517")
}

/// The same person under another id: described alike, so that a merge is believed.
fn known_as(id: &str) -> Person {
    person(id, "Sandpiper-Invented^Odile", "19580203")
}

fn pads(names: &[&str]) -> Vec<Text> {
    names.iter().map(|name| Text::from(*name)).collect()
}

fn wanted(specimen: &str, patient: Person) -> Wanted {
    Wanted {
        test: private("UADIP^Urine strip^99KPL"),
        pads: pads(&["GLU", "PH"]),
        specimens: vec![private(specimen)],
        to_come: false,
        patient: Some(patient),
        ordered: None,
        said: None,
        wrong: Vec::new(),
        urgent: false,
        collected: None,
        control: false,
    }
}

/// The second of the sender's clock in which something was asked.
fn at(second: u8) -> Option<Moment> {
    Moment::from_digits(&format!("202603140815{second:02}+0000"))
}

fn request(ask: Ask, number: &str, second: u8) -> Request {
    let wanted = Ok(wanted("KP-20417", odile()));
    Request { ask, key: key(number), at: at(second), wanted, claim: Claim::default() }
}

/// What is known, and what was asked of it so far.
struct Desk {
    orders: Orders,
    rules: OrderRules,
    now: i64,
}

impl Desk {
    fn new() -> Desk {
        Desk { orders: Orders::default(), rules: OrderRules::default(), now: NOW }
    }

    /// With one open order, K1 for KP-20417.
    fn with_one() -> Desk {
        let mut desk = Desk::new();
        assert_eq!(desk.ask(&request(Ask::New, "K1", 0)).done, Ok(()));
        desk
    }

    fn ask(&mut self, request: &Request) -> Reply {
        let replies = self.orders.take(std::slice::from_ref(request), &self.rules, self.now);
        assert_eq!(replies.len(), 1);
        replies.into_iter().next().expect("one reply")
    }

    fn standing(&self, number: &str) -> Option<Standing> {
        self.orders.get(&key(number)).map(|order| order.standing)
    }

    fn strip(&self, specimen: &str) -> Meet {
        let specimen = private(specimen);
        let pads = pads(&["GLU", "PH"]);
        let heard = Heard {
            specimen: &specimen,
            patient: None,
            pads: &pads,
            taken: None,
            optional: &[],
            control: false,
        };
        self.orders.meet(&heard, &self.rules, self.now)
    }

    fn goes_to(&self, specimen: &str) -> Vec<Key> {
        match self.strip(specimen) {
            Meet::Goes { shares, .. } => shares.into_iter().map(|share| share.key).collect(),
            other => panic!("it does not go: {other:?}"),
        }
    }

    fn trace(&mut self, number: &str, trace: Trace) -> bool {
        let by = private("KP-20417");
        self.orders.trace(&key(number), trace, (&by, "B1-0314-0017"), self.now)
    }
}
