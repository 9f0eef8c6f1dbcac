//! Random histories of two sources, three numbers, two specimens and three patients: what must hold after each step.

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::*;

#[derive(Clone, Debug)]
enum Step {
    Ask(Vec<Request>),
    Merge(usize, usize),
    Update(Person),
    Expire(i64),
    Strip(&'static str),
    Trace(Key, Trace),
    Settle(Key, bool),
}

const SPECIMENS: [&str; 2] = ["KP-20417", "KP-20418"];

fn people() -> [Person; 3] {
    [odile(), ines(), person("KP700109", "Tern-Invented^Odile", "19580203")]
}

fn a_key() -> impl Strategy<Value = Key> {
    (prop::sample::select(&["lis", "ward"][..]), prop::sample::select(&["K1", "K2", "K3"][..]))
        .prop_map(|(source, number)| Key { source: source.into(), number: private(number) })
}

fn a_request() -> impl Strategy<Value = Request> {
    let asks = [
        Ask::New,
        Ask::New,
        Ask::New,
        Ask::Cancel,
        Ask::Replace,
        Ask::Replacing,
        Ask::Change,
        Ask::Hold,
        Ask::Release,
        Ask::Status,
        Ask::Cancelled,
        Ask::Replaced,
        Ask::Changed,
        Ask::Held,
        Ask::Completed,
        Ask::Noted,
    ];
    let what = (0..3_usize, prop::sample::select(&SPECIMENS[..]), any::<bool>(), 0..10_u8);
    (prop::sample::select(asks.to_vec()), a_key(), 0..60_u8, what).prop_map(
        |(ask, key, second, (patient, specimen, urgent, bad))| {
            let wanted = Wanted { urgent, ..wanted(specimen, people()[patient].clone()) };
            let id = people()[patient].id.clone();
            let claim = Claim { patient: Some(id), specimens: vec![private(specimen)] };
            let wanted = if bad == 0 { Err(Refusal::TestUnknown) } else { Ok(wanted) };
            let at = if second == 59 { None } else { at(second) };
            Request { ask, key, at, wanted, claim }
        },
    )
}

fn a_step() -> impl Strategy<Value = Step> {
    let traces = [Trace::Held, Trace::Waiting, Trace::Tried, Trace::Partly, Trace::Sent];
    prop_oneof![
        6 => prop::collection::vec(a_request(), 1..4).prop_map(Step::Ask),
        1 => (0..3_usize, 0..3_usize).prop_map(|(a, b)| Step::Merge(a, b)),
        1 => (0..3_usize, 0..3_usize, 0..3_usize).prop_map(|(id, name, born)| {
            let [id, name, born] = [id, name, born].map(|n| people()[n].clone());
            Step::Update(Person { name: name.name, born: born.born, ..id })
        }),
        1 => (0..8 * DAY).prop_map(Step::Expire),
        4 => prop::sample::select(&SPECIMENS[..]).prop_map(Step::Strip),
        4 => (a_key(), prop::sample::select(traces.to_vec())).prop_map(|(k, t)| Step::Trace(k, t)),
        1 => (a_key(), any::<bool>()).prop_map(|(key, right)| Step::Settle(key, right)),
    ]
}

/// What a bystander writes down: for whom an order was taken, which are promised to be cancelled, and what went out.
#[derive(Default)]
struct Bystander {
    patients: BTreeMap<Key, Private>,
    cancelled: BTreeMap<Key, bool>,
    became: Vec<(Private, Private)>,
}

impl Bystander {
    fn now(&self, id: &Private) -> Private {
        let mut id = id.clone();
        while let Some((_, to)) = self.became.iter().find(|(from, _)| *from == id) {
            id = to.clone();
        }
        id
    }

    fn asked(&mut self, desk: &Desk, request: &Request, reply: &Reply) {
        let key = &request.key;
        if reply.done.is_err() {
            assert!(!reply.deeds.contains(&Deed::Keep(key.clone())), "refused, and kept");
            return;
        }
        match request.ask {
            Ask::New | Ask::Replacing => {
                let wanted = request.wanted.as_ref().expect("nothing unclear is taken");
                let patient = wanted.patient.as_ref().expect("a patient").id.clone();
                if reply.deeds.contains(&Deed::Keep(key.clone())) {
                    self.cancelled.insert(key.clone(), false);
                    self.patients.insert(key.clone(), patient);
                }
            }
            Ask::Cancel => {
                self.cancelled.insert(key.clone(), true);
                let order = desk.orders.get(key).expect("an order was cancelled");
                assert!(!order.trace.is_out(), "cancelled and out: {order:?}");
            }
            _ => {}
        }
    }

    /// The laws, looked at after each step.
    fn look(&self, desk: &Desk) {
        for order in desk.orders.iter() {
            let promised = self.cancelled.get(&order.key) == Some(&true);
            assert!(
                !(promised && order.trace.is_out()),
                "cancelled, and its result goes: {order:?}"
            );
            assert!(!order.trace.is_out() || order.standing == Standing::Answered, "{order:?}");
            assert_eq!(order.closed.is_some(), order.standing.is_closed());
            if let Some(own) = order.patient().filter(|_| !order.standing.is_closed()) {
                let taken_for = self.now(self.patients.get(&order.key).expect("it was taken"));
                assert_eq!(self.now(&own.id), taken_for, "a name on another's order");
            }
        }
        for specimen in SPECIMENS {
            let Meet::Goes { shares, doubled, .. } = desk.strip(specimen) else { continue };
            let patients = shares.iter().map(|share| &share.key).chain(&doubled).map(|key| {
                assert_ne!(
                    self.cancelled.get(key),
                    Some(&true),
                    "a strip goes to what was cancelled"
                );
                self.now(self.patients.get(key).expect("it was taken"))
            });
            let mut patients: Vec<_> = patients.collect();
            patients.dedup();
            assert_eq!(patients.len(), 1, "one strip for several patients");
        }
    }

    fn step(&mut self, desk: &mut Desk, step: Step) {
        let before: BTreeMap<Key, Standing> =
            desk.orders.iter().map(|o| (o.key.clone(), o.standing)).collect();
        let mut moves = 1;
        match step {
            Step::Ask(requests) => {
                let replies = desk.orders.take(&requests, &desk.rules, desk.now);
                assert_eq!(replies.len(), requests.len());
                moves = requests.len();
                for (request, reply) in requests.iter().zip(&replies) {
                    if requests.iter().filter(|r| r.key == request.key).count() == 1 {
                        self.asked(desk, request, reply);
                    } else {
                        self.asked_together(desk, request, reply);
                    }
                }
            }
            Step::Merge(gone, stays) => {
                let (gone, stays) = (&people()[gone].id, &people()[stays]);
                let known = desk.orders.merged().count();
                let circle = desk.orders.merge(gone, stays, desk.now).is_err();
                assert!(!circle || known > 0);
                if desk.orders.merged().count() > known {
                    let from = self.now(gone);
                    self.became.push((from, stays.id.clone()));
                }
            }
            Step::Update(said) => drop(desk.orders.update(&said, desk.now)),
            Step::Expire(after) => {
                desk.now += after;
                let rules = desk.rules;
                desk.orders.expire(&rules, desk.now);
            }
            Step::Strip(specimen) => {
                if let Meet::Goes { shares, .. } = desk.strip(specimen) {
                    for share in shares {
                        let by = private(specimen);
                        assert!(desk.orders.trace(
                            &share.key,
                            Trace::Waiting,
                            (&by, "N"),
                            desk.now
                        ));
                    }
                }
            }
            Step::Trace(key, trace) => {
                // What never waited cannot have been tried.
                let out = desk.orders.get(&key).is_some_and(|order| order.trace.is_out());
                if out || trace == Trace::Held {
                    let by = private("KP-20417");
                    desk.orders.trace(&key, trace, (&by, "N"), desk.now);
                }
            }
            Step::Settle(key, right) => Self::settled(desk, &key, right),
        }
        for order in desk.orders.iter().filter(|_| moves == 1) {
            let Some(was) = before.get(&order.key) else { continue };
            let arrow = *was == order.standing || was.may_become(order.standing);
            assert!(arrow, "{was:?} became {:?}", order.standing);
        }
    }

    /// What a person called wrong goes under no other order of that patient; under one id somebody of another name and
    /// date of birth is somebody else, whom a person called right.
    fn settled(desk: &mut Desk, key: &Key, right: bool) {
        let was = desk.orders.get(key).and_then(|order| order.wanted.clone());
        if !desk.orders.settle(key, right, desk.now) || right {
            return;
        }
        let Some(Wanted { specimens, patient: Some(patient), .. }) = was else { return };
        for specimen in specimens {
            let Meet::Goes { shares, .. } = desk.strip(specimen.expose()) else { continue };
            for share in shares {
                let other = desk.orders.get(&share.key).and_then(|order| order.patient());
                let same = other.is_some_and(|other| desk.orders.are_one(other, &patient));
                assert!(!same, "wrong, and it goes to them");
            }
        }
    }

    /// Several requests for one order in one message: where it stands now is the last one's doing.
    fn asked_together(&mut self, desk: &Desk, request: &Request, reply: &Reply) {
        let Some(order) = desk.orders.get(&request.key) else { return };
        if let (Ok(()), Some(patient)) = (reply.done, order.patient()) {
            self.cancelled.insert(request.key.clone(), order.standing == Standing::Cancelled);
            if !self.patients.contains_key(&request.key) {
                self.patients.insert(request.key.clone(), patient.id.clone());
            }
        }
        if reply.deeds.contains(&Deed::Keep(request.key.clone())) {
            let patient = order.patient().expect("a patient").id.clone();
            self.patients.insert(request.key.clone(), patient);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 2_000, ..ProptestConfig::default() })]

    /// No name on another's order; one specimen goes for one patient; cancelled and held, or refused and sent.
    #[test]
    fn whatever_comes_no_strip_gets_anothers_order_and_nothing_cancelled_goes(
        steps in prop::collection::vec(a_step(), 1..40)
    ) {
        let (mut desk, mut bystander) = (Desk::new(), Bystander::default());
        for step in steps {
            bystander.step(&mut desk, step);
            bystander.look(&desk);
        }
    }

    /// A message that is refused whole leaves everything as it was, but for disputes and numbers seen cancelled.
    #[test]
    fn what_is_refused_changes_nothing(
        first in prop::collection::vec(a_request(), 0..8),
        asked in a_request(),
    ) {
        let mut desk = Desk::new();
        desk.orders.take(&first, &desk.rules, NOW);
        let before = desk.orders.clone();
        let reply = desk.ask(&asked);
        let quiet = |deed: &Deed| {
            matches!(deed, Deed::Note(_) | Deed::NumberTwice(_) | Deed::NumberShared(_))
        };
        let quiet = reply.deeds.iter().all(quiet);
        if reply.done.is_err() && quiet && asked.ask != Ask::Cancel {
            prop_assert_eq!(&desk.orders, &before);
        }
    }
}
