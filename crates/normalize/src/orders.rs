//! The orders that a laboratory's sources have sent: what is known of each, and what becomes of it.
//!
//! A pure machine. [`Orders`] holds what is known of some orders; what a source asks ([`Request`]) or what a strip
//! shows ([`Heard`]) goes in, and an answer ([`Reply`], [`Meet`]) with what is to be done ([`Deed`]) comes out. Whoever
//! keeps orders hands in those that could matter (same key, same specimen, same patient), inside the transaction that
//! keeps what comes out. Keys, specimen ids and patients are only compared: digests of all of them do as well.
//!
//! Two laws hold whatever comes in which order: a strip never gets another patient's order, and an order that was
//! positively cancelled never has a result of its own go out.

mod meet;
mod patients;
mod request;
mod standing;
mod take;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use crate::moment::Moment;
use crate::report::Private;

pub use meet::{Heard, Meet, Share, Wait};
pub use patients::{MergeRefused, Person};
pub use request::{Ask, Claim, Deed, Refusal, Reply, Request, Wanted};
pub use standing::{Progress, Standing, Trace};

/// What names an order: the source that sent it, and the number that the source goes by.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Key {
    /// As the configuration names it: two sources may count alike.
    pub source: String,
    /// Its number there.
    pub number: Private,
}

/// One order.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Order {
    /// Our own number of it: of two that came in one second the later one has the higher. One that came just now is
    /// behind all that are kept, until whoever keeps it gives it a number.
    pub n: i64,
    /// What names it.
    pub key: Key,
    /// Where it stands.
    pub standing: Standing,
    /// What was heard of its strip, and how far its result went.
    pub trace: Trace,
    /// What it asks. None: it was cancelled before it came.
    pub wanted: Option<Wanted>,
    /// When what was last applied to it was asked (ORC-9), by the sender's clock.
    pub asked: Option<Moment>,
    /// When it was taken in, in seconds of UTC by our clock.
    pub received: i64,
    /// When it was closed, by the same clock. None while it is open.
    pub closed: Option<i64>,
    /// Our own number for its result, where there is one.
    pub number: Option<String>,
    /// The specimen whose strip answers it.
    pub by: Option<Private>,
    /// The patients for whom its specimen was claimed besides. One without an id: its own patient became somebody else
    /// by name and date of birth.
    pub rivals: Vec<Private>,
    /// Those of whom a person has said that they are wrong: the same claim says nothing new.
    pub refuted: Vec<Private>,
}

/// Which strips go when several orders of one source ask the same pads of one specimen.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum SameTest {
    /// The newest is answered, for the others a person is asked.
    #[default]
    Newest,
    /// Each is answered.
    All,
}

/// What becomes of a strip with pads that nobody ordered.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Unordered {
    /// The whole report waits for a person.
    #[default]
    Hold,
    /// They stay in the ledger.
    Drop,
    /// They go out without an order.
    Send,
}

/// What a laboratory has decided about orders. Times are in seconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct OrderRules {
    /// A new order that comes again is refused: so IHE's analyzer profile wants it.
    pub again_refused: bool,
    /// An order may come before anybody knows its specimen.
    pub specimen_later: bool,
    /// How long after its collection an order waits for its strip.
    pub expire: i64,
    /// How long after it came, where nobody said when its specimen was collected.
    pub expire_unknown: i64,
    /// How long after closing a specimen id may not be used for somebody else.
    pub reuse: i64,
    /// How much later than the strip a collection may be, for clocks differ.
    pub tolerance: i64,
    /// How far before its strip a specimen may have been collected.
    pub oldest: i64,
    /// Several orders for the same pads.
    pub same_test: SameTest,
    /// Pads that nobody ordered.
    pub unordered: Unordered,
}

impl Default for OrderRules {
    fn default() -> Self {
        const HOUR: i64 = 3_600;
        const DAY: i64 = 24 * HOUR;
        Self {
            again_refused: false,
            specimen_later: false,
            expire: 72 * HOUR,
            expire_unknown: 7 * DAY,
            reuse: 30 * DAY,
            tolerance: 15 * 60,
            oldest: DAY,
            same_test: SameTest::Newest,
            unordered: Unordered::Hold,
        }
    }
}

/// What is known of orders that could matter to one another.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Orders {
    list: BTreeMap<Key, Order>,
    /// Patients who were found to be somebody else: from the one to the other.
    merged: BTreeMap<Private, Private>,
}

impl Orders {
    /// What is known at the beginning of a transaction.
    ///
    /// `merged` names patients whose orders are another's now.
    pub fn new(
        orders: impl IntoIterator<Item = Order>,
        merged: impl IntoIterator<Item = (Private, Private)>,
    ) -> Self {
        let list = orders.into_iter().map(|order| (order.key.clone(), order)).collect();
        Self { list, merged: merged.into_iter().collect() }
    }

    /// For one that comes now.
    fn next_number(&self) -> i64 {
        const BEHIND_ALL: i64 = i64::MAX / 2;
        BEHIND_ALL + i64::try_from(self.list.len()).unwrap_or(0)
    }

    /// The order of this key.
    #[must_use]
    pub fn get(&self, key: &Key) -> Option<&Order> {
        self.list.get(key)
    }

    /// Every order, by key.
    pub fn iter(&self) -> impl Iterator<Item = &Order> {
        self.list.values()
    }

    /// Says how far the result of an order went. False: there is no such order, or it does not go from there to here.
    ///
    /// `by` is the specimen whose strip it is of, and our own number for that result.
    pub fn trace(&mut self, key: &Key, trace: Trace, by: (&Private, &str), now: i64) -> bool {
        let Some(order) = self.list.get_mut(key) else { return false };
        if !order.trace.may_become(trace) || (trace.is_out() && !order.standing.may_be_told()) {
            return false;
        }
        order.trace = trace;
        order.by = trace.is_out().then(|| by.0.clone());
        order.number = trace.is_out().then(|| by.1.to_owned());
        match (trace.is_out(), order.standing) {
            (true, Standing::Open) => order.stand(Standing::Answered, now),
            // A person set it aside, or its message was drawn back: the order waits again.
            (false, Standing::Answered) => order.waits_again(now),
            _ => {}
        }
        true
    }

    /// Lets every order expire whose strip did not come in time, and says which.
    pub fn expire(&mut self, rules: &OrderRules, now: i64) -> Vec<Deed> {
        let mut deeds = Vec::new();
        for order in self.list.values_mut() {
            let waits = matches!(order.standing, Standing::Open | Standing::OnHold);
            if waits && order.trace == Trace::None && order.deadline(rules) < now {
                order.stand(Standing::Expired, now);
                deeds.push(Deed::Stand(order.key.clone(), Standing::Expired));
            }
        }
        deeds
    }

    /// A person has looked at labels and people: this order is right about its specimen, or it is not and claims it
    /// no more.
    ///
    /// False: nobody disputes it. An order of control material can be wrong without that: a patient's cup bears its id.
    /// What was called wrong by a slip is right again as long as its specimen is nobody else's; what was called right
    /// by one is wrong, and what it was disputed for claims it again.
    pub fn settle(&mut self, key: &Key, right: bool, now: i64) -> bool {
        let taken = self.is_taken(key);
        let Some(order) = self.list.get_mut(key) else { return false };
        // What a person says is of the specimen and the patient, so of every order of theirs.
        let may = match right {
            true => (order.is_disputed() || order.is_closed_as_wrong()) && !taken,
            false => order.is_disputed() || order.is_of_material() || !order.refuted.is_empty(),
        };
        if !may {
            return false;
        }
        if !right && !order.is_disputed() {
            order.rivals = std::mem::take(&mut order.refuted);
        }
        let (claim, rivals) = (order.claim(), order.rivals.clone());
        if right {
            order.is_wrong_no_more(&claim, now);
            order.is_right(now);
        } else {
            order.is_wrong(now)
        }
        let kin = self.kin(key, &claim);
        for order in self.list.iter_mut().filter(|(key, _)| kin.contains(key)).map(|(_, o)| o) {
            order.settled_with(&claim, (right, &rivals), now);
        }
        true
    }

    /// Its specimen is another patient's by an order that nobody disputes: it cannot be right as long as that one is.
    #[must_use]
    pub fn is_taken(&self, key: &Key) -> bool {
        let Some(order) = self.list.get(key) else { return false };
        let claim = order.claim();
        let claims = |other: &&Order| {
            claim.iter().any(|one| other.has_specimen(one)) && !other.is_disputed()
        };
        // What was closed with nothing out has its specimen no more.
        let holds = |other: &&Order| !other.standing.is_closed() || other.trace.is_out();
        let others = self.list.values().filter(|other| other.key != *key);
        let mut others = others.filter(claims).filter(holds);
        others.any(|other| match (order.patient(), other.patient()) {
            (Some(own), Some(other)) => !self.are_one(own, other),
            _ => true,
        })
    }
}

impl Order {
    fn stand(&mut self, standing: Standing, now: i64) {
        self.standing = standing;
        self.closed = standing.is_closed().then_some(now);
    }

    fn is_right(&mut self, now: i64) {
        for rival in std::mem::take(&mut self.rivals) {
            if !self.refuted.contains(&rival) {
                self.refuted.push(rival);
            }
        }
        // Called wrong before, while its result was out: it is its strip's again.
        if let (Some(wanted), Some(by)) = (&mut self.wanted, &self.by)
            && wanted.specimens.is_empty()
        {
            wanted.specimens.push(by.clone());
        }
        if let Some(wanted) = &mut self.wanted {
            wanted.wrong.retain(|one| !wanted.specimens.contains(one));
        }
        if self.standing == Standing::Disputed {
            self.stand(Standing::Open, now);
        }
    }

    /// A person takes back that these specimens are not its patient's.
    fn is_wrong_no_more(&mut self, claim: &[Private], now: i64) {
        let (closed, denied) = (self.is_closed_as_wrong(), self.is_denied());
        let Some(wanted) = &mut self.wanted else { return };
        let (back, rest) =
            std::mem::take(&mut wanted.wrong).into_iter().partition(|one| claim.contains(one));
        wanted.wrong = rest;
        let back: Vec<Private> = back;
        // What is out says itself of which specimen it is.
        wanted.specimens.extend(back.into_iter().filter(|_| !denied));
        if closed && !wanted.specimens.is_empty() && self.standing == Standing::ClosedElsewhere {
            self.stand(Standing::Open, now);
        }
    }

    /// A person has said of another order of its patient that these specimens are that patient's, or are not. What is
    /// out and disputed by nobody may be of the same id's earlier use.
    fn settled_with(&mut self, claim: &[Private], (right, rivals): (bool, &[Private]), now: i64) {
        if right {
            if self.is_disputed() && self.rivals.iter().all(|rival| rivals.contains(rival)) {
                self.is_right(now);
            }
            self.is_wrong_no_more(claim, now);
        } else if !self.trace.is_out() || self.is_disputed() {
            let answered = self.by.as_ref().is_some_and(|by| claim.contains(by));
            let keeps = |wanted: &Wanted| wanted.specimens.iter().any(|one| !claim.contains(one));
            match self.wanted.as_mut().filter(|wanted| keeps(wanted) && !answered) {
                Some(wanted) => wanted.are_wrong(|one| claim.contains(one)),
                None => self.is_wrong(now),
            }
        }
    }

    /// The specimens that it claims, or claimed until a person called it wrong.
    fn claim(&self) -> Vec<Private> {
        let mut claim = self.wanted.as_ref().map(|w| w.specimens.clone()).unwrap_or_default();
        claim.extend(self.by.clone().filter(|_| self.is_denied()));
        if self.is_closed_as_wrong() {
            claim.extend(self.wanted.iter().flat_map(|wanted| wanted.wrong.iter().cloned()));
        }
        claim
    }

    /// What is out under it stands disputed until that is taken back.
    fn is_wrong(&mut self, now: i64) {
        let of_patient = self.patient().is_some();
        if let Some(wanted) = &mut self.wanted {
            wanted.are_wrong(|_| true);
            if !of_patient {
                wanted.wrong.clear();
            }
        }
        if self.is_denied() && self.trace.is_past_recall() {
            return;
        }
        self.rivals.clear();
        if !self.standing.is_closed() {
            self.stand(Standing::ClosedElsewhere, now);
        }
    }

    /// Nothing carries it any more: it waits for its strip, or for a person while it is disputed, unless one has said
    /// that no strip is its.
    fn waits_again(&mut self, now: i64) {
        if self.is_denied() {
            self.rivals.clear();
            self.stand(Standing::ClosedElsewhere, now);
        } else if self.is_disputed() {
            // Nobody has said yet whose its specimen is: no strip goes under it.
            self.stand(Standing::Disputed, now);
        } else {
            self.stand(Standing::Open, now);
        }
    }

    /// A person is to say whose specimen it is, or to take back what is out under it.
    #[must_use]
    pub fn is_disputed(&self) -> bool {
        self.standing == Standing::Disputed || !self.rivals.is_empty()
    }

    /// A person has called it wrong about its specimen, and its result is out under it.
    #[must_use]
    pub fn is_denied(&self) -> bool {
        let claims_none = self.wanted.as_ref().is_some_and(|wanted| wanted.specimens.is_empty());
        self.standing == Standing::Answered && claims_none && !self.rivals.is_empty()
    }

    /// A person has called it wrong about all of its specimens, and nothing of it is out.
    #[must_use]
    pub fn is_closed_as_wrong(&self) -> bool {
        let wrong = |wanted: &Wanted| wanted.specimens.is_empty() && !wanted.wrong.is_empty();
        self.standing.is_closed()
            && self.standing != Standing::Answered
            && !self.trace.is_out()
            && self.wanted.as_ref().is_some_and(wrong)
    }

    /// Nothing of its result is kept here any more: there is nothing to be taken back.
    #[must_use]
    pub fn purged(mut self) -> Self {
        if self.is_denied() {
            self.rivals.clear();
        }
        self
    }

    /// As it stands by how far its result went: whoever keeps orders learns that from the messages, and a message that
    /// a person set aside answers nothing any more.
    ///
    /// `by` is the specimen whose strip it is of, and our own number for that result.
    #[must_use]
    pub fn traced(mut self, trace: Trace, by: Option<(&Private, &str)>) -> Self {
        self.trace = trace;
        match (trace.is_out(), self.standing) {
            (true, Standing::Open | Standing::Disputed) => {
                self.standing = Standing::Answered;
                self.closed = self.closed.or(Some(self.received));
                if let Some((specimen, number)) = by {
                    (self.by, self.number) = (Some(specimen.clone()), Some(number.to_owned()));
                }
            }
            (false, Standing::Answered) => {
                self.waits_again(self.closed.unwrap_or(self.received));
                // What is among the refused may go yet, as what it is.
                if trace == Trace::None {
                    (self.by, self.number) = (None, None);
                }
            }
            _ => {}
        }
        self
    }

    /// The last second in which its strip may be heard.
    ///
    /// A collection that is said to be far ahead does not keep an order for ever.
    #[must_use]
    pub fn deadline(&self, rules: &OrderRules) -> i64 {
        let unknown = self.received + rules.expire_unknown;
        let collected = self.wanted.as_ref().and_then(|wanted| wanted.collected);
        collected.map_or(unknown, |at| at.min(unknown) + rules.expire)
    }

    /// Whether its specimen ids still mean this order's specimen.
    #[must_use]
    pub fn is_recent(&self, rules: &OrderRules, now: i64) -> bool {
        self.closed.is_none_or(|closed| now - closed <= rules.reuse)
    }

    fn has_specimen(&self, specimen: &Private) -> bool {
        self.wanted.as_ref().is_some_and(|wanted| wanted.specimens.contains(specimen))
    }

    /// A person has said that this specimen is not its patient's.
    #[must_use]
    pub fn is_wrong_about(&self, specimen: &Private) -> bool {
        self.wanted.as_ref().is_some_and(|wanted| wanted.wrong.contains(specimen))
    }

    /// It claims a specimen for nobody.
    #[must_use]
    pub fn is_of_material(&self) -> bool {
        let of = |wanted: &Wanted| wanted.patient.is_none() && !wanted.specimens.is_empty();
        self.wanted.as_ref().is_some_and(of)
    }

    fn patient(&self) -> Option<&Person> {
        self.wanted.as_ref()?.patient.as_ref()
    }
}
