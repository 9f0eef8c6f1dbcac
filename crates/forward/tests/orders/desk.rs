//! A source's desk: it knows orders, takes messages and gives answers, as the listening side will.

use wickline_forward::hl7::{Ack, Message};
use wickline_forward::orders::{
    Answers, Decided, Incoming, Now, OrderMessage, Site, Stamp, circle, merge, read, refused, told,
};
use wickline_normalize::orders::{
    Heard, Key, Meet, Order, OrderRules, Orders, Reply, Standing, Trace,
};
use wickline_normalize::report::Text;
use wickline_normalize::{Moment, Private};

/// 2026-03-14 08:15:02 UTC.
pub const NOW: i64 = 1_773_476_102;

/// A kept message.
pub fn kept(name: &str) -> Vec<u8> {
    let path = format!("{}/../../fixtures/orders/{name}.hl7", env!("CARGO_MANIFEST_DIR"));
    std::fs::read(&path).unwrap_or_else(|e| panic!("{path}: {e}"))
}

/// A kept message with a piece of it changed, which must be there.
pub fn changed(name: &str, from: &str, to: &str) -> Vec<u8> {
    let text = String::from_utf8(kept(name)).expect("text");
    assert!(text.contains(from), "{name} has no `{from}`");
    text.replace(from, to).into_bytes()
}

pub fn pads(names: &[&str]) -> Vec<Text> {
    names.iter().map(|name| Text::from(*name)).collect()
}

#[derive(Clone)]
pub struct Desk {
    pub site: Site,
    pub rules: OrderRules,
    pub orders: Orders,
    pub queried: Vec<&'static str>,
    /// What became of the last message.
    pub decided: Option<Decided>,
}

impl Desk {
    pub fn new() -> Desk {
        let mut site = Site::new("lis");
        site.tests = vec![("UADIP".into(), pads(&["GLU", "PH"])), ("UGLU".into(), pads(&["GLU"]))];
        Desk {
            site,
            rules: OrderRules::default(),
            orders: Orders::default(),
            queried: Vec::new(),
            decided: None,
        }
    }

    /// That has heard these messages.
    pub fn after(names: &[&str]) -> Desk {
        let mut desk = Desk::new();
        for name in names {
            desk.say(&kept(name));
        }
        desk
    }

    pub fn decide(&mut self, message: &OrderMessage) -> Decided {
        let queried = self.queried.clone();
        let asked = |id: &Private| queried.contains(&id.expose());
        let now = Now {
            seconds: NOW,
            local: &|at| Some(at.wall()),
            queried: &asked,
            of_material: &|_| false,
        };
        message.take(&mut self.orders, &self.site, &self.rules, &now)
    }

    /// What goes back, as if the message came at the time that its answer has.
    pub fn answers(&mut self, bytes: &[u8], id: &str, made: &str) -> Option<Answers> {
        let made = Moment::from_digits(made).expect("a time");
        let stamp = Stamp { control_ids: [id, id], made };
        let answers = match read(bytes, &self.site) {
            Err(unread) => refused(&unread, &self.site, stamp)?,
            Ok(Incoming::Orders(message)) => {
                let decided = self.decide(&message);
                let answers = message.answers(&decided, &self.site, stamp);
                self.decided = Some(decided);
                answers
            }
            Ok(Incoming::Merge(envelope, pairs)) => {
                let fault = merge(&mut self.orders, &pairs, NOW).err().map(|_| circle());
                told(&envelope, fault, &self.site, stamp)
            }
            Ok(Incoming::Update(envelope, patient)) => {
                self.orders.update(&patient.person, NOW);
                told(&envelope, None, &self.site, stamp)
            }
            Ok(Incoming::Found(..)) => return None,
        };
        Some(answers.expect("an answer can be written"))
    }

    /// The application's answer.
    pub fn say(&mut self, bytes: &[u8]) -> Said {
        let answers = self.answers(bytes, "WK-1", "20260314081502+0000").expect("an answer");
        Said::read(&answers.application.expect("an answer of the application"))
    }

    pub fn replies(&self) -> &[Reply] {
        match &self.decided {
            Some(Decided::Orders(replies)) => replies,
            other => panic!("no replies: {other:?}"),
        }
    }

    pub fn order(&self, number: &str) -> Option<&Order> {
        let key = Key { source: "lis".into(), number: Private::new(format!("{number}^LIS")) };
        self.orders.get(&key)
    }

    pub fn standing(&self, number: &str) -> Option<Standing> {
        self.order(number).map(|order| order.standing)
    }

    pub fn strip(&self, specimen: &str) -> Meet {
        let (specimen, pads) = (Private::new(specimen), pads(&["GLU", "PH"]));
        let heard = Heard {
            specimen: &specimen,
            patient: None,
            pads: &pads,
            taken: None,
            optional: &[],
            control: false,
        };
        self.orders.meet(&heard, &self.rules, NOW)
    }

    /// The result of an order went out.
    pub fn sent(&mut self, number: &str, specimen: &str, ours: &str) {
        let key = self.order(number).expect("an order").key.clone();
        let by = Private::new(specimen);
        assert!(self.orders.trace(&key, Trace::Sent, (&by, ours), NOW));
    }
}

/// An answer as its receiver reads it.
#[derive(Debug, PartialEq, Eq)]
pub struct Said {
    /// MSA-1.
    pub code: String,
    /// Code and place of each ERR.
    pub errors: Vec<(String, String)>,
    /// ORC-1 and the reason's code, of each order.
    pub orders: Vec<(String, String)>,
    /// Names of its segments.
    pub segments: Vec<String>,
    /// MSH-9.
    pub kind: String,
}

impl Said {
    pub fn read(bytes: &[u8]) -> Said {
        let ack = Ack::read(bytes).expect("an answer is one");
        let message = Message::read(bytes).expect("a message");
        let orders = (1..=message.count("ORC"))
            .map(|n| (message.component("ORC", n, 1, 1), message.component("ORC", n, 16, 1)));
        let errors = ack.errors.iter().map(|e| (e.code.clone(), e.location.clone()));
        Said {
            code: ack.code.text().to_owned(),
            errors: errors.collect(),
            orders: orders.collect(),
            segments: message.names().map(str::to_owned).collect(),
            kind: message.field("MSH", 1, 9).unwrap_or("").to_owned(),
        }
    }

    pub fn orders(&self) -> Vec<(&str, &str)> {
        self.orders.iter().map(|(code, reason)| (code.as_str(), reason.as_str())).collect()
    }

    pub fn errors(&self) -> Vec<(&str, &str)> {
        self.errors.iter().map(|(code, place)| (code.as_str(), place.as_str())).collect()
    }
}
