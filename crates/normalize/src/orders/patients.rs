//! Whose order it is: merges, changed names, and two patients for one specimen.

use serde::{Deserialize, Serialize};

use super::request::{Deed, Wanted};
use super::standing::{Standing, Trace};
use super::{Key, Order, OrderRules, Orders, Private};

/// A patient as a source names one. Compared by `id` alone; names are only looked at.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Person {
    /// The id with who gave it.
    pub id: Private,
    /// The id alone, as an analyzer could print it.
    pub number: Private,
    /// Family and given name.
    pub name: Private,
    /// Date of birth.
    pub born: Private,
    /// Sex.
    pub sex: Private,
}

/// What a field holds that is to be erased.
const ERASED: &str = "\"\"";

impl Person {
    /// Whether two texts speak of different people: what is not said differs from nothing.
    fn differ(one: &Private, two: &Private) -> bool {
        let said = |text: &Private| !text.is_empty() && text.expose() != ERASED;
        said(one) && said(two) && one != two
    }

    /// It says who it is beyond its id. What a closed order does not say any more was forgotten.
    #[must_use]
    pub fn is_described(&self) -> bool {
        [&self.name, &self.born, &self.sex].into_iter().any(|said| !said.is_empty())
    }

    /// The same id with another name and another date of birth: nobody should believe that.
    fn is_somebody_else(&self, said: &Person) -> bool {
        Self::differ(&self.name, &said.name) && Self::differ(&self.born, &said.born)
    }

    /// Both are described alike, as far as two people are told apart by that.
    fn is_described_as(&self, said: &Person) -> bool {
        self.name == said.name && self.born == said.born
    }

    /// Takes what is said; false where nothing is new.
    fn learn(&mut self, said: &Person) -> bool {
        let mut news = false;
        let own = [&mut self.name, &mut self.born, &mut self.sex];
        for (own, said) in own.into_iter().zip([&said.name, &said.born, &said.sex]) {
            let said = match said.expose() {
                "" => continue,
                ERASED => Private::default(),
                _ => said.clone(),
            };
            news |= *own != said;
            *own = said;
        }
        news
    }

    /// Is this one from now on; false where it was already.
    fn become_one(&mut self, said: &Person) -> bool {
        let news = self != said;
        self.clone_from(said);
        news
    }
}

/// How an order takes over what is said of its patient. False: it is nothing new.
type TakeOver = fn(&mut Person, &Person) -> bool;

/// The merge would go in a circle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct MergeRefused;

impl Orders {
    /// Who a patient is found to be, after all merges.
    #[must_use]
    pub fn true_id<'a>(&'a self, id: &'a Private) -> &'a Private {
        let mut id = id;
        // A circle is refused when it would begin; the bound holds whatever was kept.
        for _ in 0..=self.merged.len() {
            match self.merged.get(id) {
                Some(next) => id = next,
                None => break,
            }
        }
        id
    }

    /// Whether merges lead from one patient to another.
    fn leads_to(&self, from: &Private, to: &Private) -> bool {
        let steps = std::iter::successors(Some(from), |id| self.merged.get(*id));
        steps.take(self.merged.len() + 1).any(|id| id == to)
    }

    pub(super) fn same_patient(&self, one: &Private, two: &Private) -> bool {
        self.true_id(one) == self.true_id(two)
    }

    /// Both are one patient: by the id, after all merges, and as far as they are described. Under one id somebody of
    /// another name and date of birth is somebody else.
    pub(super) fn are_one(&self, one: &Person, two: &Person) -> bool {
        self.same_patient(&one.id, &two.id) && !one.is_somebody_else(two)
    }

    /// One id after all merges, and not one patient.
    pub(super) fn are_two_of_one_id(&self, one: &Person, two: &Person) -> bool {
        self.same_patient(&one.id, &two.id) && !self.are_one(one, two)
    }

    /// The orders that know one of these specimens as another patient's.
    pub(super) fn claimed_by_others(
        &self,
        key: &Key,
        specimens: &[Private],
        patient: Option<&Private>,
        (rules, now): (&OrderRules, i64),
    ) -> Vec<Key> {
        let others = self.list.values().filter(|other| {
            other.key != *key
                && other.is_recent(rules, now)
                && specimens.iter().any(|specimen| other.has_specimen(specimen))
                && match (other.patient().map(|own| &own.id), patient) {
                    (Some(own), Some(patient)) => !self.same_patient(own, patient),
                    // Control material is nobody's.
                    (own, patient) => own != patient,
                }
        });
        others.map(|other| other.key.clone()).collect()
    }

    /// The other orders of an order's patient for one of these specimens, or for one that they claimed.
    pub(super) fn kin(&self, key: &Key, specimens: &[Private]) -> Vec<Key> {
        let patient = self.list.get(key).and_then(Order::patient);
        let Some(patient) = patient else { return Vec::new() };
        let kin = self.list.values().filter(|other| {
            let theirs = other.wanted.as_ref().is_some_and(|wanted| {
                let mut known = wanted.specimens.iter().chain(&wanted.wrong);
                known.any(|one| specimens.contains(one))
            });
            let same = |own: &Person| self.are_one(own, patient);
            other.key != *key && theirs && other.patient().is_some_and(same)
        });
        kin.map(|other| other.key.clone()).collect()
    }

    /// A person has said that one of these specimens is not this patient's: under whichever number the claim comes
    /// again, it is the same, and it disputes nothing.
    pub(super) fn is_called_wrong(
        &self,
        wanted: &Wanted,
        (rules, now): (&OrderRules, i64),
    ) -> bool {
        let Some(patient) = &wanted.patient else { return false };
        self.list.values().filter(|order| order.is_recent(rules, now)).any(|order| {
            // Whom a merge or a changed name made somebody else is not whom that person called wrong.
            let same = |own: &Person| self.are_one(own, patient);
            let wrong = order.wanted.iter().flat_map(|own| &own.wrong);
            order.patient().is_some_and(same)
                && wrong.into_iter().any(|one| wanted.specimens.contains(one))
        })
    }

    /// Orders of one of these specimens under the same patient's id, for somebody of another name and date of birth.
    fn others_of_the_id(
        &self,
        key: &Key,
        specimens: &[Private],
        (rules, now): (&OrderRules, i64),
    ) -> Vec<Key> {
        let Some(patient) = self.list.get(key).and_then(Order::patient) else { return Vec::new() };
        let others = self.list.values().filter(|other| {
            other.key != *key
                && other.is_recent(rules, now)
                && specimens.iter().any(|specimen| other.has_specimen(specimen))
                && other.patient().is_some_and(|own| self.are_two_of_one_id(own, patient))
        });
        others.map(|other| other.key.clone()).collect()
    }

    /// A dispute is of the specimen: who orders of it later, for a patient of the dispute, is in it too, and what a
    /// person has refuted before is refuted there.
    pub(super) fn joins(&mut self, key: &Key, (rules, now): (&OrderRules, i64)) -> Vec<Deed> {
        let own = self.list.get(key);
        let specimens = own.and_then(|order| Some(order.wanted.as_ref()?.specimens.clone()));
        let specimens = specimens.unwrap_or_default();
        let mut kin = self.kin(key, &specimens);
        let others = self.others_of_the_id(key, &specimens, (rules, now));
        kin.push(key.clone());
        let kin = kin.iter().filter_map(|key| self.list.get(key));
        let kin: Vec<Order> = kin.filter(|order| order.is_recent(rules, now)).cloned().collect();
        let mut deeds = Vec::new();
        if !others.is_empty() {
            let both = [&others[..], std::slice::from_ref(key)].concat();
            deeds = self.dispute(&both, Some(&Private::default()), now);
        }
        for other in kin.iter().filter(|other| other.is_disputed()) {
            let said = other.wanted.as_ref().and_then(|wanted| wanted.said.clone());
            let own = self.list.get_mut(key).and_then(|order| order.wanted.as_mut());
            if let (Some(own), Some(said)) = (own, said) {
                own.said = Some(said);
            }
            let rivals =
                other.rivals.iter().map(Some).chain(other.rivals.is_empty().then_some(None));
            for rival in rivals {
                deeds.extend(self.dispute(std::slice::from_ref(key), rival, now));
            }
        }
        if let Some(order) = self.list.get_mut(key) {
            for past in kin.iter().flat_map(|other| &other.refuted).filter(|past| !past.is_empty())
            {
                if !order.refuted.contains(past) && !order.rivals.contains(past) {
                    order.refuted.push(past.clone());
                }
            }
        }
        deeds
    }

    /// Nobody gets a result until a person has decided; what is out stays out.
    pub(super) fn dispute(&mut self, keys: &[Key], rival: Option<&Private>, now: i64) -> Vec<Deed> {
        let mut deeds = Vec::new();
        for key in keys {
            if self.is_refuted(key, rival) {
                continue;
            }
            let Some(order) = self.list.get_mut(key) else { continue };
            if let Some(rival) = rival.filter(|rival| !order.rivals.contains(rival)) {
                order.rivals.push(rival.clone());
            }
            let drawn = order.trace == Trace::Waiting;
            if !order.trace.is_past_recall()
                && matches!(order.standing, Standing::Open | Standing::OnHold | Standing::Answered)
            {
                if drawn {
                    order.trace = Trace::Held;
                    deeds.push(Deed::DrawBack(key.clone()));
                }
                order.stand(Standing::Disputed, now);
                deeds.push(Deed::Stand(key.clone(), Standing::Disputed));
            }
            // Closed or not: its strip waits for a person who says whose it is, and for nothing else.
            if order.trace == Trace::Held {
                deeds.push(Deed::JudgeAgain(key.clone()));
            }
            deeds.push(Deed::Dispute(key.clone()));
        }
        deeds
    }

    /// Whether a person has said of this very claim that it is wrong.
    fn is_refuted(&self, key: &Key, rival: Option<&Private>) -> bool {
        let rival = rival.filter(|rival| !rival.is_empty());
        let refuted = self.list.get(key).map_or(&[][..], |order| &order.refuted);
        rival.is_some_and(|rival| refuted.iter().any(|own| self.same_patient(own, rival)))
    }

    /// The orders of a patient for whom something may still be sent: what is answered may get a second strip or a
    /// correction. Whom an order has forgotten it does not learn again.
    fn of_patient(&self, id: &Private) -> Vec<Key> {
        let theirs = self.list.values().filter(|order| {
            let told = order.standing == Standing::Answered || order.trace == Trace::Waiting;
            order.patient().is_some_and(|own| {
                (!order.standing.is_closed() || (told && own.is_described()))
                    && self.same_patient(&own.id, id)
            })
        });
        theirs.map(|order| order.key.clone()).collect()
    }

    /// Those of them that name the patient by this very id.
    fn of_the_id(&self, id: &Private) -> Vec<Key> {
        let mut theirs = self.of_patient(id);
        let own = |key: &Key| self.list.get(key).and_then(Order::patient);
        theirs.retain(|key| own(key).is_some_and(|own| own.id == *id));
        theirs
    }

    /// What a source says of a patient now: a changed name is taken over; a changed name *and* date of birth are
    /// somebody else's. Nothing is kept of patients without orders.
    ///
    /// Who is called by an id that was merged away is described as before the merge: that is no news of who stayed.
    pub fn update(&mut self, said: &Person, now: i64) -> Vec<Deed> {
        let theirs = match *self.true_id(&said.id) == said.id {
            true => self.of_patient(&said.id),
            false => self.of_the_id(&said.id),
        };
        self.hear(theirs, (said, Person::learn), now)
    }

    /// The one rule for what is said of a patient who has these orders, by a name or by a merge.
    fn hear(&mut self, theirs: Vec<Key>, said: (&Person, TakeOver), now: i64) -> Vec<Deed> {
        // What is out and what is not are compared apart: an old result does not keep a new order from going.
        let (out, open): (Vec<Key>, Vec<Key>) = theirs
            .into_iter()
            .partition(|key| self.list.get(key).is_some_and(|order| order.trace.is_past_recall()));
        let mut deeds = self.believe(open, said, now);
        for key in out {
            deeds.extend(self.believe(vec![key], said, now));
        }
        deeds
    }

    fn believe(
        &mut self,
        mut keys: Vec<Key>,
        (said, take_over): (&Person, TakeOver),
        now: i64,
    ) -> Vec<Deed> {
        keys.retain(|key| self.list.get(key).is_some_and(|order| !order.knows_better(said)));
        let is_asked = |key: &Key| self.list.get(key).is_some_and(Order::is_somebody_else);
        let (asked, keys): (Vec<Key>, Vec<Key>) = keys.into_iter().partition(is_asked);
        let mut deeds = self.believe_later(asked, (said, take_over), now);
        let other = |key: &&Key| {
            let wanted = self.list.get(*key).and_then(|order| order.wanted.as_ref());
            wanted
                .and_then(|wanted| Some((wanted.patient.as_ref()?, wanted.ordered.as_ref())))
                .is_some_and(|(own, ordered)| {
                    // Step by step somebody may become another as well.
                    let mut then = own.clone();
                    take_over(&mut then, said);
                    own.is_somebody_else(said)
                        || ordered.is_some_and(|ordered| ordered.is_somebody_else(&then))
                })
        };
        if keys.iter().any(|key| other(&key)) {
            for key in &keys {
                let Some(order) = self.list.get_mut(key) else { continue };
                order.refuted.retain(|own| !own.is_empty());
                if let Some(wanted) = &mut order.wanted {
                    wanted.said = Some(said.clone());
                }
            }
            deeds.extend(self.dispute(&keys, Some(&Private::default()), now));
            return deeds;
        }
        for key in keys {
            let held = self.list.get(&key).is_some_and(|order| order.trace == Trace::Held);
            let own = self.list.get_mut(&key).and_then(|order| order.wanted.as_mut());
            let own = own.and_then(|wanted| Some((wanted.patient.as_mut()?, &mut wanted.ordered)));
            let Some((own, ordered)) = own else { continue };
            let was = own.clone();
            if take_over(own, said) {
                ordered.get_or_insert(was);
                deeds.push(Deed::Person(key.clone()));
                // It may be held because the name before could not be said.
                deeds.extend(held.then_some(Deed::JudgeAgain(key)));
            }
        }
        deeds
    }

    /// A person is asked who the patient of these orders is: the one whom they saw stays until they have answered, and
    /// what is said meanwhile stands beside that one.
    fn believe_later(
        &mut self,
        mut keys: Vec<Key>,
        (said, take_over): (&Person, TakeOver),
        now: i64,
    ) -> Vec<Deed> {
        keys.retain(|key| {
            let wanted = self.list.get_mut(key).and_then(|order| order.wanted.as_mut());
            let Some(wanted) = wanted else { return false };
            let news = wanted.patient.clone().is_some_and(|mut then| take_over(&mut then, said));
            if news {
                wanted.said = Some(said.clone());
            } else if wanted.patient.as_ref().is_some_and(|own| own.is_described_as(said)) {
                // It was taken back: what is shown as said now is what is said now.
                wanted.said = None;
            }
            news
        });
        self.dispute(&keys, Some(&Private::default()), now)
    }

    /// Two patients were found to be one: what is open goes to the one that stays, chains are followed. One who is
    /// somebody else by name and date of birth disputes it, as where a name changes.
    ///
    /// Disputes are not lifted by this: a person does that, who is told.
    pub fn merge(
        &mut self,
        gone: &Private,
        stays: &Person,
        now: i64,
    ) -> Result<Vec<Deed>, MergeRefused> {
        if gone == &stays.id {
            return Ok(Vec::new());
        }
        if self.leads_to(&stays.id, gone) {
            // The other way round it would be a circle.
            return Err(MergeRefused);
        }
        if self.leads_to(gone, &stays.id) {
            // Known already: it is for what was ordered under the old id since.
            return Ok(self.hear(self.of_the_id(gone), (stays, Person::become_one), now));
        }
        if self.same_patient(&stays.id, gone) {
            return Ok(Vec::new());
        }
        let known = |order: &Order| {
            let own = order.patient().is_some_and(|own| self.same_patient(&own.id, gone));
            let mut claims = order.rivals.iter().chain(&order.refuted);
            own || claims.any(|rival| self.same_patient(rival, gone))
        };
        let touched: Vec<Key> =
            self.list.values().filter(|o| known(o)).map(|o| o.key.clone()).collect();
        if touched.is_empty() {
            return Ok(Vec::new());
        }
        let theirs = self.of_patient(gone);
        self.merged.insert(self.true_id(gone).clone(), stays.id.clone());
        let mut deeds = self.hear(theirs, (stays, Person::become_one), now);
        let disputed = touched.into_iter().filter(|key| {
            self.list.get(key).is_some_and(|order| order.standing == Standing::Disputed)
        });
        for deed in disputed.map(Deed::Dispute) {
            if !deeds.contains(&deed) {
                deeds.push(deed);
            }
        }
        Ok(deeds)
    }

    /// Who became whom, to be kept with the orders.
    pub fn merged(&self) -> impl Iterator<Item = (&Private, &Private)> {
        self.merged.iter()
    }
}

impl Order {
    /// A person has looked at this very description and said that the order's own is right.
    fn knows_better(&self, said: &Person) -> bool {
        let known = self.wanted.as_ref().and_then(|wanted| wanted.said.as_ref());
        let refuted = self.refuted.iter().any(Private::is_empty);
        refuted && known.is_some_and(|known| known.is_described_as(said))
    }

    /// Its own patient became somebody else, and nobody has said yet who is right.
    fn is_somebody_else(&self) -> bool {
        self.rivals.iter().any(Private::is_empty)
    }

    /// That alone is disputed: nobody else claims its specimen.
    #[must_use]
    pub fn is_only_somebody_else(&self) -> bool {
        self.is_somebody_else() && self.rivals.iter().all(Private::is_empty)
    }

    /// Takes out who its patient is beyond the id: by that a specimen id that is used again is noticed.
    pub fn forget_patient(&mut self) {
        let Some(wanted) = self.wanted.as_mut() else { return };
        (wanted.ordered, wanted.said) = (None, None);
        if let Some(Person { name, born, sex, .. }) = &mut wanted.patient {
            (*name, *born, *sex) = Default::default();
        }
    }
}
