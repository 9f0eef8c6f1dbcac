//! A strip meets the orders of its specimen: by the id alone, exactly, and never by place, time or likeness.

use std::collections::BTreeMap;

use super::standing::Standing;
use super::{Key, Order, OrderRules, Orders, Private, SameTest, Unordered};
use crate::hold::Reason;
use crate::report::Text;

/// What a strip shows.
#[derive(Clone, Copy, Debug)]
pub struct Heard<'a> {
    /// Its specimen id, cleaned as those of orders are.
    pub specimen: &'a Private,
    /// The patient that the analyzer names, if it does.
    pub patient: Option<&'a Private>,
    /// The pads that it measured.
    pub pads: &'a [Text],
    /// Pads that such a strip may leave out: an order of the whole strip asks for them where they are.
    pub optional: &'a [Text],
    /// When it was read, in seconds of UTC.
    pub taken: Option<i64>,
    /// Control material, by any sign.
    pub control: bool,
}

/// What one order gets of a strip.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Share {
    /// The order.
    pub key: Key,
    /// Its pads: a pad that two orders ask is in both.
    pub pads: Vec<Text>,
}

/// Why a report waits for a person.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Wait {
    /// Nobody ordered anything of this specimen.
    SpecimenUnknown,
    /// Its order was cancelled.
    OrderCancelled,
    /// Its order is held by its source.
    OrderOnHold,
    /// Its order expired.
    OrderExpired,
    /// Its source has the result from elsewhere.
    OrderClosed,
    /// Two sources ordered the same.
    TwoSources,
    /// The newest order for the same is answered, and an older one is open.
    NewerAnswered,
    /// Its order is answered by another specimen of it.
    AnsweredElsewhere,
    /// It has pads that nobody ordered.
    PadsUnordered,
    /// It has not all pads that its order asks.
    PadsMissing,
    /// Its specimen was collected long before.
    CollectedBefore,
    /// Its specimen is claimed for two patients.
    PatientConflict,
    /// Its patient became somebody else.
    PatientChanged,
    /// It was ordered as control material, and nothing else says that it is.
    OfMaterial,
    /// The analyzer names another patient than its order.
    PatientNamed,
    /// The specimen was collected after the strip was read: another cup.
    OrderAfterTest,
}

impl Wait {
    /// The reason for which the report is held.
    #[must_use]
    pub fn reason(self) -> Reason {
        match self {
            Wait::SpecimenUnknown => Reason::SpecimenUnknown,
            Wait::OrderCancelled => Reason::OrderCancelled,
            Wait::OrderOnHold => Reason::OrderOnHold,
            Wait::OrderExpired => Reason::OrderExpired,
            Wait::OrderClosed => Reason::OrderClosed,
            Wait::TwoSources | Wait::NewerAnswered | Wait::AnsweredElsewhere => {
                Reason::OrderAmbiguous
            }
            Wait::PadsUnordered | Wait::PadsMissing | Wait::CollectedBefore => {
                Reason::OrderMismatch
            }
            Wait::PatientConflict | Wait::PatientChanged | Wait::OfMaterial => {
                Reason::PatientConflict
            }
            Wait::PatientNamed => Reason::PatientNamed,
            Wait::OrderAfterTest => Reason::OrderAfterTest,
        }
    }

    /// For a person; names no patient.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Wait::SpecimenUnknown => "no order for this specimen is known here",
            Wait::OrderCancelled => "the order of this specimen was cancelled by who sent it",
            Wait::OrderOnHold => "the order of this specimen waits by the wish of who sent it",
            Wait::OrderExpired => "the order of this specimen expired before its strip came",
            Wait::OrderClosed => "who ordered this specimen has the result from elsewhere",
            Wait::TwoSources => "two sources ordered the same of this specimen, each for itself",
            Wait::NewerAnswered => {
                "the newest order for the same of this specimen is answered, an older one is open: this strip may be a \
                 second one for the newest"
            }
            Wait::AnsweredElsewhere => {
                "the order of this specimen is for several specimens, and another one of them answered it"
            }
            Wait::PadsUnordered => {
                "this strip has pads that nobody ordered; `unordered_pads` says what becomes of such strips"
            }
            Wait::PadsMissing => {
                "an order of this specimen asks for pads that this strip does not have"
            }
            Wait::CollectedBefore => {
                "by its order the specimen was collected more than a day before this strip"
            }
            Wait::PatientConflict => "this specimen id is claimed for two patients",
            Wait::PatientChanged => {
                "the patient of its order became somebody else, by another name and another date of birth"
            }
            Wait::OfMaterial => {
                "this specimen id is ordered as control material, and its strip does not say that it is"
            }
            Wait::PatientNamed => {
                "the analyzer names another patient than the order of this specimen"
            }
            Wait::OrderAfterTest => {
                "by its order the specimen was collected after this strip was read"
            }
        }
    }
}

/// What becomes of a strip.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Meet {
    /// Control material: it meets no order, whatever there is.
    Control,
    /// It goes, with these orders.
    Goes {
        /// Who gets which pads.
        shares: Vec<Share>,
        /// Orders for the same as a newer one: a person is asked about them.
        doubled: Vec<Key>,
        /// Pads that nobody ordered.
        unordered: Vec<Text>,
    },
    /// These orders are answered by this specimen: a second strip, decided as without orders.
    Again(Vec<Key>),
    /// It waits for a person.
    Waits(Wait),
}

impl Orders {
    /// Which orders a strip is for.
    #[must_use]
    pub fn meet(&self, heard: &Heard<'_>, rules: &OrderRules, now: i64) -> Meet {
        if heard.control {
            return Meet::Control;
        }
        let of_specimen: Vec<&Order> = self
            .list
            .values()
            .filter(|order| order.has_specimen(heard.specimen) && order.is_recent(rules, now))
            .filter(|order| order.standing != Standing::Replaced)
            .collect();
        let find = |standing| of_specimen.iter().copied().find(|o| o.standing == standing);
        if self.is_doubtful(&of_specimen) {
            let of_material = |o: &&Order| o.patient().is_none() && !o.is_disputed();
            let changed = |order: &&Order| order.is_disputed() && !order.is_only_somebody_else();
            let claimed = of_specimen.iter().any(changed) || self.are_of_two(&of_specimen);
            return Meet::Waits(match claimed {
                _ if of_specimen.iter().all(of_material) => Wait::OfMaterial,
                true => Wait::PatientConflict,
                false => Wait::PatientChanged,
            });
        }
        if heard.patient.is_some_and(|named| names_another(&of_specimen, named)) {
            return Meet::Waits(Wait::PatientNamed);
        }
        let stand = |standing| of_specimen.iter().copied().filter(move |o| o.standing == standing);
        let older = |order: &&Order| {
            let newest = rules.same_test == SameTest::Newest;
            newest && of_specimen.iter().any(|other| other.answers_newer_than(order))
        };
        let open: Vec<&Order> = stand(Standing::Open).filter(|order| !older(order)).collect();
        if !open.is_empty() {
            return shared(&open, heard, rules);
        }
        let of_another = |order: &&Order| order.by.as_ref().is_some_and(|by| by != heard.specimen);
        let answered: Vec<&Order> =
            stand(Standing::Answered).filter(|order| !older(order)).collect();
        if !answered.is_empty() {
            // It may be the older order's, or the newer one's a second time.
            return match find(Standing::Open) {
                Some(_) => Meet::Waits(Wait::NewerAnswered),
                None if answered.iter().any(of_another) => Meet::Waits(Wait::AnsweredElsewhere),
                None => Meet::Again(answered.iter().map(|order| order.key.clone()).collect()),
            };
        }
        let waits = [
            (Standing::OnHold, Wait::OrderOnHold),
            (Standing::Cancelled, Wait::OrderCancelled),
            (Standing::Expired, Wait::OrderExpired),
            (Standing::ClosedElsewhere, Wait::OrderClosed),
        ];
        let wait = waits.into_iter().find(|(standing, _)| find(*standing).is_some());
        Meet::Waits(wait.map_or(Wait::SpecimenUnknown, |(_, wait)| wait))
    }

    /// The orders that an analyzer is told of when it asks for a specimen: those with which a strip would go that has
    /// these pads, whatever else it measures. None where the strip would wait: a disputed, cancelled or held order is
    /// not told.
    #[must_use]
    pub fn asked(
        &self,
        specimen: &Private,
        pads: &[Text],
        rules: &OrderRules,
        now: i64,
    ) -> Vec<Key> {
        let heard = Heard {
            specimen,
            patient: None,
            pads,
            optional: &[],
            taken: Some(now),
            control: false,
        };
        let rules = OrderRules { unordered: Unordered::Drop, ..*rules };
        match self.meet(&heard, &rules, now) {
            Meet::Goes { shares, .. } => shares.into_iter().map(|share| share.key).collect(),
            Meet::Again(keys) => keys,
            Meet::Control | Meet::Waits(_) => Vec::new(),
        }
    }

    /// Two patients, a dispute (also of what is out: a second strip may be either's), or control material under a
    /// patient's specimen id.
    fn is_doubtful(&self, orders: &[&Order]) -> bool {
        orders.iter().any(|order| order.is_disputed()) || self.are_of_two(orders)
    }

    /// Not all of them are of one patient.
    fn are_of_two(&self, orders: &[&Order]) -> bool {
        let Some(first) = orders.first() else { return false };
        orders.iter().any(|order| match (order.patient(), first.patient()) {
            (Some(own), Some(first)) => !self.are_one(own, first),
            _ => true,
        })
    }
}

impl Order {
    /// By the sender's clock, then by ours; what came in one second by our own numbers.
    fn age(&self) -> (Option<i64>, i64, i64) {
        (self.asked.map(|at| at.order()), self.received, self.n)
    }

    /// It is answered, and asked the same of its specimen as an older order of its source: that one may wait for ever.
    #[must_use]
    pub fn answers_newer_than(&self, older: &Order) -> bool {
        let (Some(own), Some(other)) = (&self.wanted, &older.wanted) else { return false };
        self.standing == Standing::Answered
            && self.key != older.key
            && self.key.source == older.key.source
            && own.pads == other.pads
            && own.specimens.iter().any(|specimen| other.specimens.contains(specimen))
            && self.age() > older.age()
    }
}

/// Whether the patient whom the analyzer names is none of theirs. Nobody disputes the orders then: the strip may go
/// without them, by a person's reason, never with them.
fn names_another(orders: &[&Order], named: &Private) -> bool {
    let is_other = |order: &&Order| {
        order.patient().is_some_and(|own| own.number != *named && own.id != *named)
    };
    !named.is_empty() && orders.iter().any(is_other)
}

/// What each open order gets of the strip.
fn shared(open: &[&Order], heard: &Heard<'_>, rules: &OrderRules) -> Meet {
    // The newest for the same pads of one source; two sources that ask the same are not one order.
    let mut newest: BTreeMap<&[Text], &Order> = BTreeMap::new();
    let mut doubled = Vec::new();
    for order in open.iter().copied() {
        let Some(wanted) = &order.wanted else { continue };
        if let Some(wait) = unfit(order, heard, rules) {
            return Meet::Waits(wait);
        }
        let Some(before) = newest.insert(&wanted.pads, order) else { continue };
        if before.key.source != order.key.source {
            return Meet::Waits(Wait::TwoSources);
        }
        let older = if before.age() > order.age() {
            newest.insert(&wanted.pads, before)
        } else {
            Some(before)
        };
        doubled.extend(older.map(|order| order.key.clone()));
    }
    let goes: Vec<&Order> = match rules.same_test {
        SameTest::All => {
            doubled.clear();
            open.to_vec()
        }
        SameTest::Newest => newest.into_values().collect(),
    };
    let asked = |order: &Order| order.wanted.as_ref().map(|w| w.pads.clone()).unwrap_or_default();
    let shares: Vec<Share> =
        goes.into_iter().map(|o| Share { key: o.key.clone(), pads: asked(o) }).collect();
    let is_asked = |pad: &&Text| shares.iter().any(|share| share.pads.contains(pad));
    let unordered: Vec<Text> = heard.pads.iter().filter(|pad| !is_asked(pad)).cloned().collect();
    if !unordered.is_empty() && rules.unordered == Unordered::Hold {
        return Meet::Waits(Wait::PadsUnordered);
    }
    Meet::Goes { shares, doubled, unordered }
}

/// Why a strip cannot be this order's.
fn unfit(order: &Order, heard: &Heard<'_>, rules: &OrderRules) -> Option<Wait> {
    let wanted = order.wanted.as_ref()?;
    if let Some((collected, taken)) = wanted.collected.zip(heard.taken) {
        if collected > taken + rules.tolerance {
            return Some(Wait::OrderAfterTest);
        }
        if taken - collected > rules.oldest {
            return Some(Wait::CollectedBefore);
        }
    }
    let missing = |pad: &&Text| !heard.pads.contains(pad) && !heard.optional.contains(pad);
    let nothing = !wanted.pads.iter().any(|pad| heard.pads.contains(pad));
    (nothing || wanted.pads.iter().any(|pad| missing(&pad))).then_some(Wait::PadsMissing)
}
