//! What the receiver was told: the reports that an export names, and those of a day.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use wickline_normalize::strip::Pad;

use super::super::super::{Desk, Failure};
use super::filed::Filed;
use crate::acts::holdings::{Held, Holding, Holds};

/// Names without regard to case: no two things are told apart by it alone.
pub fn key(text: &str) -> String {
    text.to_ascii_uppercase()
}

/// One result that was told, with what is needed to lay something beside it.
pub struct Told<'a> {
    /// The place of its order among all.
    pub holding: usize,
    pub order: &'a Holding,
    pub held: &'a Held,
    /// The pads that it can be of, by its codes, on every strip that is configured.
    pub pads: Vec<&'a Pad>,
}

impl Told<'_> {
    pub fn is_gone(&self) -> bool {
        self.held.status == "W"
    }

    pub fn has_code(&self, code: &str) -> bool {
        self.held.codes.iter().any(|own| own.eq_ignore_ascii_case(code))
    }
}

/// Everything that was told and may stand in the file.
#[derive(Default)]
pub struct Known {
    pub orders: Vec<Holding>,
    by_order: HashMap<String, usize>,
    by_specimen: HashMap<String, Vec<usize>>,
    specimens: BTreeSet<String>,
    asked: BTreeSet<i64>,
}

impl Known {
    /// What the file and the day name. Numbers first: a specimen id is looked up only where no number of ours stands
    /// beside it, and no report of the day has it.
    pub async fn read(
        desk: &Desk,
        receiver: &str,
        filed: &[Filed],
        day: Option<&str>,
    ) -> Result<Known, Failure> {
        let mut known = Known::default();
        if let Some(day) = day {
            if desk.clock().day_span(day).is_none() {
                return Err(Failure::wrong(format!("`{day}` is not a date; write YYYY-MM-DD")));
            }
            let items = desk.ledger.day(day, desk.clock()).await?;
            let ids = items.iter().filter_map(|item| item.id.parse::<i64>().ok()).collect();
            known.add(desk, receiver, ids).await?;
            if known.orders.iter().all(|order| order.results.is_empty()) {
                return Err(Failure::wrong(format!(
                    "nothing was told to {receiver} of {day}: a report is of the day on which it was taken, or heard \
                     where it has no time; `wickline day {day}` lists them"
                )));
            }
        }
        let orders = filed.iter().flat_map(|f| f.orders.iter());
        let ids = desk.ledger.called(&spellings(orders)).await?;
        let of_day: BTreeSet<String> = known.by_specimen.keys().cloned().collect();
        known.add(desk, receiver, ids).await?;
        let others = filed.iter().filter(|f| known.order_of(f).is_none());
        let named = others.flat_map(|f| f.specimen.iter().chain(&f.placer));
        let named = named.filter(|id| !of_day.contains(&key(id)));
        let ids = desk.ledger.called(&spellings(named)).await?;
        known.add(desk, receiver, ids).await?;
        Ok(known)
    }

    async fn add(
        &mut self,
        desk: &Desk,
        receiver: &str,
        ids: BTreeSet<i64>,
    ) -> Result<(), Failure> {
        for id in ids.into_iter().filter(|id| self.asked.insert(*id)).collect::<Vec<_>>() {
            let told = desk.ledger.holdings(id).await?;
            for holding in told.into_iter().filter(|h| h.receiver == receiver) {
                if holding.holds == Holds::Unknown {
                    let why = holding.why.unwrap_or_default();
                    return Err(Failure::unreachable(format!("OBR-3 {}: {why}", holding.obr3)));
                }
                self.put(holding);
            }
        }
        Ok(())
    }

    /// One that is corrected and its correction are told under one OBR-3, and kept once.
    fn put(&mut self, holding: Holding) {
        let at = self.orders.len();
        if *self.by_order.entry(key(&holding.obr3)).or_insert(at) != at {
            return;
        }
        if let Some(specimen) = &holding.specimen {
            self.specimens.insert(specimen.clone());
            self.by_specimen.entry(key(specimen)).or_default().push(at);
        }
        self.orders.push(holding);
    }

    /// The order of ours that a line names.
    pub fn order_of(&self, filed: &Filed) -> Option<usize> {
        filed.orders.iter().find_map(|order| self.by_order.get(&key(order))).copied()
    }

    pub fn is_order(&self, text: &str) -> bool {
        self.by_order.contains_key(&key(text))
    }

    /// The orders that were told under a specimen id.
    pub fn orders_under(&self, specimen: &str) -> &[usize] {
        self.by_specimen.get(&key(specimen)).map_or(&[], Vec::as_slice)
    }

    /// Whether a specimen id, exactly so, is one of ours.
    pub fn is_specimen(&self, text: &str) -> bool {
        self.specimens.contains(text)
    }

    /// Every result, in the order of sending.
    pub fn results<'a>(&'a self, pads: &HashMap<String, Vec<&'a Pad>>) -> Vec<Told<'a>> {
        let mut order: Vec<usize> = (0..self.orders.len()).collect();
        order.sort_by_key(|at| self.orders.get(*at).map(|o| (o.sent.first(), &o.obr3)));
        let orders = order.into_iter().filter_map(|at| Some((at, self.orders.get(at)?)));
        orders
            .flat_map(|(holding, order)| {
                order.results.iter().map(move |held| (holding, order, held))
            })
            .map(|(holding, order, held)| {
                let pads = held.codes.iter().filter_map(|code| pads.get(&key(code)));
                let pads = pads.flatten().copied().collect();
                Told { holding, order, held, pads }
            })
            .collect()
    }
}

/// Each name once, in the cases in which the ledger may have it.
fn spellings<'a>(names: impl Iterator<Item = &'a String>) -> Vec<String> {
    let all = names.flat_map(|n| [n.clone(), n.to_ascii_uppercase(), n.to_ascii_lowercase()]);
    all.filter(|name| !name.is_empty()).collect::<BTreeSet<_>>().into_iter().collect()
}

/// The pads of the configured strips by every code that their results can have.
pub fn pads(desk: &Desk) -> HashMap<String, Vec<&Pad>> {
    let mut known: BTreeMap<String, Vec<&Pad>> = BTreeMap::new();
    let strips = desk.bench.analyzers.iter().flat_map(|analyzer| &analyzer.strips);
    for pad in strips.flat_map(|strip| &strip.pads) {
        for property in pad.properties() {
            let published = [true, false].into_iter().filter_map(|by| pad.code(property, by));
            let mut codes: Vec<String> = published.map(|code| key(&code.code)).collect();
            codes.push(key(&pad.local(property).code));
            codes.sort();
            codes.dedup();
            codes.into_iter().for_each(|code| known.entry(code).or_default().push(pad));
        }
    }
    known.into_iter().collect()
}
