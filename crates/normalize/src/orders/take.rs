//! What becomes of an order when its source asks something: one request after the other, by the order's standing.

use super::request::{Ask, Deed, Refusal, Reply, Request, Wanted};
use super::standing::{Progress, Standing, Trace};
use super::{Key, Order, OrderRules, Orders, Person, Private};
use crate::moment::Moment;

/// Rules and our own clock.
type By<'a> = (&'a OrderRules, i64);

/// Whether a new order is one.
enum Fresh {
    /// It is.
    New,
    /// It is here already, and says the same.
    Again,
}

/// Later by the sender's clock; where one of the two is not known nobody can say so.
fn later(one: Option<Moment>, two: Option<Moment>) -> bool {
    one.zip(two).is_some_and(|(one, two)| one.order() > two.order())
}

impl Orders {
    /// What a message asks, in its order: one reply each. Refused requests undo none that was taken.
    pub fn take(&mut self, requests: &[Request], rules: &OrderRules, now: i64) -> Vec<Reply> {
        let by = (rules, now);
        let mut replies = Vec::with_capacity(requests.len());
        let mut rest = requests;
        while let [request, behind @ ..] = rest {
            rest = behind;
            if matches!(request.ask, Ask::Replace | Ask::Replaced) {
                let many = behind.iter().take_while(|r| r.ask == Ask::Replacing).count();
                let (replacing, after) = behind.split_at(many);
                replies.extend(self.replace(request, replacing, by));
                rest = after;
            } else {
                replies.push(self.one(request, by));
            }
        }
        replies
    }

    fn one(&mut self, request: &Request, by: By<'_>) -> Reply {
        if self.is_anothers(request) {
            let deeds = self.after_refusal(request, Refusal::OtherPatient, by);
            return self.reply(request, Err(Refusal::OtherPatient), deeds);
        }
        let mut reply = self.asked_of(request, by);
        // What is refused still says whose the order is: under one id somebody else is not passed over.
        if reply.done.is_err()
            && let Some(said) = self.somebody_else(request)
        {
            let deeds = self.update(&said, by.1);
            reply.deeds.extend(deeds);
        }
        reply
    }

    /// Whom a request names in place of its order's patient, by the same id and another name and date of birth.
    fn somebody_else(&self, request: &Request) -> Option<Person> {
        let own = self.list.get(&request.key).and_then(Order::patient)?;
        let said = request.wanted.as_ref().ok()?.patient.as_ref()?;
        self.are_two_of_one_id(own, said).then(|| said.clone())
    }

    fn asked_of(&mut self, request: &Request, by: By<'_>) -> Reply {
        match request.ask {
            Ask::New => self.new_order(request, by),
            Ask::Cancel | Ask::Cancelled => self.cancel(request, by.1),
            Ask::Change | Ask::Changed => self.change(request, by),
            Ask::Hold | Ask::Held | Ask::Release => self.pause(request, by.1),
            Ask::Completed => self.complete(request, by.1),
            Ask::Status | Ask::Noted => self.reply(request, Ok(()), Vec::new()),
            // Nothing stands before it that it could take the place of.
            Ask::Replace | Ask::Replaced | Ask::Replacing => {
                self.reply(request, Err(Refusal::ReplacementRefused), Vec::new())
            }
        }
    }

    /// It asks something of an order that is here, for another patient than the order's. A new order has rules of its
    /// own for that: its number may be free again.
    fn is_anothers(&self, request: &Request) -> bool {
        let order = self.list.get(&request.key).filter(|_| !request.ask.is_new());
        let own = order.and_then(Order::patient).map(|own| &own.id);
        let said = request.claims().patient;
        own.zip(said.as_ref()).is_some_and(|(own, said)| !self.same_patient(own, said))
    }

    /// What is told cannot be refused: where it changes nothing it is noted.
    fn reply(&self, request: &Request, done: Result<(), Refusal>, mut deeds: Vec<Deed>) -> Reply {
        let order = self.list.get(&request.key);
        let known = order.filter(|order| order.wanted.is_some());
        let progress = match known {
            Some(order) => Some(Progress::of(order.standing, order.trace)),
            None if request.ask.is_new() => None,
            None => Some(Progress::NotFound),
        };
        if request.ask.is_told() && done.is_err() && deeds.is_empty() {
            deeds.push(Deed::Note(request.key.clone()));
        }
        let done = if request.ask.is_told() { Ok(()) } else { done };
        Reply { done, progress, number: known.and_then(|order| order.number.clone()), deeds }
    }

    fn new_order(&mut self, request: &Request, by: By<'_>) -> Reply {
        let key = &request.key;
        let fresh = match self.may_be_new(request, by) {
            Ok(fresh) => fresh,
            Err(refusal) => {
                let deeds = self.after_refusal(request, refusal, by);
                return self.reply(request, Err(refusal), deeds);
            }
        };
        let Ok(wanted) = &request.wanted else {
            return self.reply(request, Err(Refusal::FieldWrong), Vec::new());
        };
        let mut deeds = Vec::new();
        if matches!(fresh, Fresh::New) {
            self.keep(request, wanted.clone(), by.1);
            deeds.push(Deed::Keep(key.clone()));
            deeds.extend(self.joins(key, by));
        }
        if let Some(patient) = &wanted.patient {
            deeds.extend(self.update(patient, by.1));
        }
        if matches!(fresh, Fresh::New) {
            deeds.push(Deed::JudgeAgain(key.clone()));
        }
        self.reply(request, Ok(()), deeds)
    }

    fn keep(&mut self, request: &Request, wanted: Wanted, now: i64) {
        let n = self.next_number();
        let before = self.list.remove(&request.key);
        let mut wanted = wanted;
        let (mut rivals, mut refuted) = (Vec::new(), Vec::new());
        if let Some(Order { wanted: Some(was), rivals: by, refuted: past, .. }) = &before
            && let (Some(own), Some(other)) = (&was.patient, &wanted.patient)
            && self.same_patient(&own.id, &other.id)
        {
            wanted.wrong.clone_from(&was.wrong);
            if was.specimens.iter().any(|one| wanted.specimens.contains(one)) {
                (rivals, refuted) = (by.clone(), past.clone());
            }
        }
        let order = Order {
            n: before.as_ref().map_or(n, |before| before.n),
            key: request.key.clone(),
            standing: Standing::Open,
            // A report that is held for the cancelled order is this one's now.
            trace: before.map_or(Trace::None, |before| before.trace),
            wanted: Some(wanted),
            asked: request.at,
            received: now,
            closed: None,
            number: None,
            by: None,
            rivals,
            refuted,
        };
        self.list.insert(request.key.clone(), order);
    }

    /// Changes nothing, so that a replacement can ask before anything is done.
    fn may_be_new(&self, request: &Request, (rules, now): By<'_>) -> Result<Fresh, Refusal> {
        let known = self.list.get(&request.key);
        let closed = known.is_some_and(|order| match order.standing {
            Standing::Open | Standing::OnHold | Standing::Disputed => false,
            Standing::Cancelled => !later(request.at, order.asked),
            _ => true,
        });
        if closed {
            return Err(Refusal::Closed);
        }
        let wanted = request.wanted.as_ref().map_err(|refusal| *refusal)?;
        if let Some(order) = known.filter(|order| order.standing != Standing::Cancelled) {
            let own = order.wanted.as_ref();
            let same = own.is_some_and(|own| self.asks_the_same(own, wanted));
            return if same && !rules.again_refused {
                Ok(Fresh::Again)
            } else {
                Err(Refusal::DuplicateOrder)
            };
        }
        if wanted.specimens.is_empty() && !(rules.specimen_later && wanted.to_come) {
            return Err(Refusal::SpecimenMissing);
        }
        if wanted.patient.is_none() && !wanted.control {
            return Err(Refusal::PatientMissing);
        }
        self.may_claim(&request.key, wanted, (rules, now)).map(|()| Fresh::New)
    }

    /// No other patient has its specimens, and nobody has said that they are not this one's.
    fn may_claim(&self, key: &Key, wanted: &Wanted, by: By<'_>) -> Result<(), Refusal> {
        // No strip of it is waited for any more: it would expire at once, and nobody who ordered would hear of it.
        if wanted.collected.is_some_and(|at| at + by.0.expire < by.1) {
            return Err(Refusal::CollectedLongAgo);
        }
        let free = self.claimed(key, wanted, by).is_empty() && !self.is_called_wrong(wanted, by);
        free.then_some(()).ok_or(Refusal::PatientConflict)
    }

    fn claimed(&self, key: &Key, wanted: &Wanted, by: By<'_>) -> Vec<Key> {
        let patient = wanted.patient.as_ref().map(|patient| &patient.id);
        self.claimed_by_others(key, &wanted.specimens, patient, by)
    }

    /// A change of what was ordered comes as a change: a repeat says the same in all that we go by.
    fn asks_the_same(&self, one: &Wanted, two: &Wanted) -> bool {
        self.is_of(one, two.patient.as_ref().map(|two| &two.id))
            && one.test == two.test
            && one.specimens == two.specimens
            && one.urgent == two.urgent
            && one.collected == two.collected
            && one.control == two.control
    }

    /// Nothing is kept of what is refused, but others may have to know of it.
    fn after_refusal(&mut self, request: &Request, refusal: Refusal, by: By<'_>) -> Vec<Deed> {
        match (refusal, &request.wanted) {
            (Refusal::PatientConflict, Ok(wanted)) if !self.is_called_wrong(wanted, by) => {
                let claimed = self.claimed(&request.key, wanted, by);
                let rival = wanted.patient.as_ref().map(|patient| &patient.id);
                self.dispute(&claimed, rival, by.1)
            }
            (Refusal::DuplicateOrder | Refusal::Closed, Ok(wanted))
                if request.ask.is_new() && self.is_another(&request.key, wanted, refusal) =>
            {
                self.number_twice(request, by)
            }
            (Refusal::OtherPatient, _) => self.number_twice(request, by),
            _ => Vec::new(),
        }
    }

    /// Whether a new order under a number that is known is another order. What waits says so by all that it asks; what
    /// is closed by whose specimen it asks, as a change may have altered the rest.
    fn is_another(&self, key: &Key, wanted: &Wanted, refusal: Refusal) -> bool {
        let own = self.list.get(key).and_then(|order| order.wanted.as_ref());
        own.is_some_and(|own| match refusal {
            Refusal::Closed => {
                let specimens = !own.specimens.is_empty() && own.specimens != wanted.specimens;
                specimens || !self.is_of(own, wanted.patient.as_ref().map(|said| &said.id))
            }
            _ => !self.asks_the_same(own, wanted),
        })
    }

    /// Whether an order is of this patient, or of nobody.
    fn is_of(&self, own: &Wanted, said: Option<&Private>) -> bool {
        match (own.patient.as_ref().map(|own| &own.id), said) {
            (Some(own), Some(said)) => self.same_patient(own, said),
            (own, said) => own == said,
        }
    }

    /// One number for two orders: somebody must say which of them counts. Of one specimen neither patient gets a result
    /// until then.
    fn number_twice(&mut self, request: &Request, by: By<'_>) -> Vec<Deed> {
        let (key, claim) = (&request.key, request.claims());
        let Some(own) = self.list.get(key).and_then(|order| order.wanted.as_ref()) else {
            return Vec::new();
        };
        let patient = claim.patient.as_ref();
        let shared = own.specimens.iter().any(|specimen| claim.specimens.contains(specimen));
        if self.is_of(own, patient) {
            return vec![Deed::NumberShared(key.clone())];
        }
        let mut deeds = Vec::new();
        if shared {
            let mut keys = vec![key.clone()];
            keys.extend(self.claimed_by_others(key, &claim.specimens, patient, by));
            deeds = self.dispute(&keys, patient, by.1);
        }
        deeds.push(Deed::NumberTwice(key.clone()));
        deeds
    }

    fn cancel(&mut self, request: &Request, now: i64) -> Reply {
        let key = &request.key;
        let Some(order) = self.list.get_mut(key) else {
            let n = self.next_number();
            self.list.insert(key.clone(), unseen(request, n, now));
            let deeds = vec![Deed::KeepNumber(key.clone())];
            return self.reply(request, Err(Refusal::OrderUnknown), deeds);
        };
        let mut deeds = Vec::new();
        let done = match order.standing {
            Standing::Cancelled => {
                if later(request.at, order.asked) {
                    order.asked = request.at;
                }
                order.wanted.as_ref().map(|_| ()).ok_or(Refusal::OrderUnknown)
            }
            Standing::Replaced | Standing::ClosedElsewhere => Err(Refusal::Closed),
            _ if later(order.asked, request.at) => Err(Refusal::Overtaken),
            _ if order.trace.is_past_recall() => {
                if request.ask.is_told() {
                    deeds.push(Deed::TellPerson(key.clone()));
                }
                Err(out(order.trace))
            }
            _ => {
                if order.trace == Trace::Waiting {
                    order.trace = Trace::Held;
                    deeds.push(Deed::DrawBack(key.clone()));
                }
                (order.number, order.by, order.asked) = (None, None, request.at);
                order.stand(Standing::Cancelled, now);
                deeds.push(Deed::Stand(key.clone(), Standing::Cancelled));
                if order.trace == Trace::Held {
                    deeds.push(Deed::JudgeAgain(key.clone()));
                }
                Ok(())
            }
        };
        self.reply(request, done, deeds)
    }

    /// Test, times and priority: never patient or specimen, but for a specimen that nobody knew.
    fn change(&mut self, request: &Request, by: By<'_>) -> Reply {
        let (done, late) = match self.may_change(request, by) {
            Ok(changed) => (Ok(changed), false),
            Err(Refusal::Overtaken) => (Err(Refusal::Overtaken), true),
            Err(refusal) => (Err(refusal), false),
        };
        let key = &request.key;
        let wanted = match done {
            Ok(wanted) => wanted,
            Err(_) if late => {
                return self.reply(request, Ok(()), vec![Deed::Note(key.clone())]);
            }
            Err(refusal) => {
                let deeds = self.after_refusal(request, refusal, by);
                return self.reply(request, Err(refusal), deeds);
            }
        };
        // What the change says of the patient, which stays the order's own until the one rule for names has heard it.
        let said = request.wanted.as_ref().ok().and_then(|wanted| wanted.patient.clone());
        let mut deeds = vec![Deed::Amend(key.clone())];
        let mut specimen_came = false;
        if let Some(order) = self.list.get_mut(key) {
            specimen_came = order.wanted.as_ref().is_some_and(|own| own.specimens.is_empty());
            order.wanted = Some(wanted);
            order.asked = request.at.or(order.asked);
            if order.trace == Trace::Held || specimen_came {
                deeds.push(Deed::JudgeAgain(key.clone()));
            }
        }
        if specimen_came {
            deeds.extend(self.joins(key, by));
        }
        if let Some(said) = said {
            deeds.extend(self.update(&said, by.1));
        }
        self.reply(request, Ok(()), deeds)
    }

    fn may_change(&self, request: &Request, by: By<'_>) -> Result<Wanted, Refusal> {
        let order = self.list.get(&request.key).ok_or(Refusal::OrderUnknown)?;
        waits(order)?;
        if later(order.asked, request.at) {
            return Err(Refusal::Overtaken);
        }
        let mut wanted = request.wanted.clone()?;
        let own = order.wanted.as_ref().ok_or(Refusal::OrderUnknown)?;
        // What is not said stays.
        if wanted.specimens.is_empty() {
            wanted.specimens.clone_from(&own.specimens);
        }
        wanted.collected = wanted.collected.or(own.collected);
        let specimens = own.specimens == wanted.specimens || own.specimens.is_empty();
        if !specimens || own.control != wanted.control {
            return Err(Refusal::NotChangeable);
        }
        // Its name is learned apart, by the one rule for names.
        wanted.patient.clone_from(&own.patient);
        wanted.ordered.clone_from(&own.ordered);
        wanted.said.clone_from(&own.said);
        wanted.wrong.clone_from(&own.wrong);
        self.may_claim(&request.key, &wanted, by).map(|()| wanted)
    }

    fn pause(&mut self, request: &Request, now: i64) -> Reply {
        let standing = match request.ask {
            Ask::Release => Standing::Open,
            _ => Standing::OnHold,
        };
        let mut deeds = Vec::new();
        let done = match self.list.get_mut(&request.key) {
            None => Err(Refusal::OrderUnknown),
            Some(order) => waits(order).and_then(|()| {
                if later(order.asked, request.at) {
                    return Err(Refusal::Overtaken);
                }
                order.asked = request.at.or(order.asked);
                if order.standing != standing {
                    order.stand(standing, now);
                    deeds.push(Deed::Stand(order.key.clone(), standing));
                    if order.trace == Trace::Held {
                        deeds.push(Deed::JudgeAgain(order.key.clone()));
                    }
                }
                Ok(())
            }),
        };
        self.reply(request, done, deeds)
    }

    /// The source has the result from elsewhere. What is out here stays: a person must look.
    fn complete(&mut self, request: &Request, now: i64) -> Reply {
        let key = &request.key;
        let mut deeds = Vec::new();
        if let Some(order) = self.list.get_mut(key) {
            if order.trace.is_out() {
                deeds.push(Deed::TellPerson(key.clone()));
            } else if waits(order).is_ok() {
                order.stand(Standing::ClosedElsewhere, now);
                deeds.push(Deed::Stand(key.clone(), Standing::ClosedElsewhere));
                if order.trace == Trace::Held {
                    deeds.push(Deed::JudgeAgain(key.clone()));
                }
            }
        }
        self.reply(request, Ok(()), deeds)
    }

    /// Replaced and replacing orders are taken together or not at all; where the replaced one is not known, those
    /// that replace it are new ones.
    fn replace(&mut self, request: &Request, replacing: &[Request], by: By<'_>) -> Vec<Reply> {
        let refusal = match self.list.get(&request.key).filter(|order| order.wanted.is_some()) {
            None => Some(Refusal::OrderUnknown),
            Some(_) if self.is_anothers(request) => Some(Refusal::OtherPatient),
            Some(order) => waits(order)
                .err()
                .or_else(|| later(order.asked, request.at).then_some(Refusal::Overtaken)),
        };
        // What is told has happened: the new orders stand for themselves.
        if refusal == Some(Refusal::OrderUnknown) || (request.ask.is_told() && refusal.is_some()) {
            let done = refusal.map_or(Ok(()), Err);
            let out = self.list.get(&request.key).is_some_and(|order| order.trace.is_out());
            let mut deeds =
                self.after_refusal(request, refusal.unwrap_or(Refusal::OrderUnknown), by);
            if out && request.ask.is_told() && deeds.is_empty() {
                deeds.push(Deed::TellPerson(request.key.clone()));
            }
            let mut replies = vec![self.reply(request, done, deeds)];
            replies.extend(replacing.iter().map(|new| self.new_order(new, by)));
            return replies;
        }
        let wrong: Vec<_> = replacing.iter().map(|new| self.may_be_new(new, by).err()).collect();
        if refusal.is_some() || wrong.is_empty() || wrong.iter().any(Option::is_some) {
            let whole = refusal.unwrap_or(Refusal::ReplacementRefused);
            let deeds = self.after_refusal(request, whole, by);
            let mut replies = vec![self.reply(request, Err(whole), deeds)];
            for (new, own) in replacing.iter().zip(wrong) {
                let own = own.filter(|_| refusal.is_none()).unwrap_or(Refusal::ReplacementRefused);
                let deeds = self.after_refusal(new, own, by);
                replies.push(self.reply(new, Err(own), deeds));
            }
            return replies;
        }
        let mut deeds = Vec::new();
        if let Some(order) = self.list.get_mut(&request.key) {
            order.asked = request.at.or(order.asked);
            order.stand(Standing::Replaced, by.1);
            deeds.push(Deed::Stand(request.key.clone(), Standing::Replaced));
        }
        let mut replies = vec![self.reply(request, Ok(()), deeds)];
        replies.extend(replacing.iter().map(|new| self.new_order(new, by)));
        replies
    }
}

/// Whether an order can still be changed, paused or replaced.
fn waits(order: &Order) -> Result<(), Refusal> {
    match order.standing {
        Standing::Open | Standing::OnHold => Ok(()),
        Standing::Answered => Err(out(order.trace)),
        Standing::Disputed => Err(Refusal::PatientConflict),
        _ if order.wanted.is_none() => Err(Refusal::OrderUnknown),
        _ => Err(Refusal::Closed),
    }
}

fn out(trace: Trace) -> Refusal {
    match trace {
        Trace::Partly | Trace::Sent => Refusal::ResultSent,
        _ => Refusal::ResultOnItsWay,
    }
}

/// Cancelled before it came: a late order that is no newer will be refused.
fn unseen(request: &Request, n: i64, now: i64) -> Order {
    Order {
        n,
        key: request.key.clone(),
        standing: Standing::Cancelled,
        trace: Trace::None,
        wanted: None,
        asked: request.at,
        received: now,
        closed: Some(now),
        number: None,
        by: None,
        rivals: Vec::new(),
        refuted: Vec::new(),
    }
}
