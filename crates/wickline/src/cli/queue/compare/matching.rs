//! Which lines of the file belong to which result that was told. A line serves one result; where one specimen ran
//! several times and no number of ours tells its lines apart, they are paired.

use std::collections::{BTreeMap, BTreeSet};

use super::filed::Filed;
use super::same::Manner;
use super::told::{Known, Told};

/// What was laid beside what.
#[derive(Default)]
pub struct Laid {
    /// For each result that was told the lines of the file that are of it, by their places.
    pub lines: Vec<Vec<usize>>,
    /// Lines that no result of ours stands beside.
    pub strangers: Vec<usize>,
    /// The orders that the file names.
    pub named: BTreeSet<usize>,
    /// Some line names an order of ours: then each must.
    pub by_order: bool,
}

/// What is laid.
pub struct Ground<'a> {
    pub known: &'a Known,
    pub told: &'a [Told<'a>],
    pub filed: &'a [Filed],
    pub manner: &'a Manner<'a>,
    /// The receiver was told the specimen id in OBR-2.
    pub specimen_in_obr_2: bool,
}

/// Lines that can be of the same results, those with a number of ours and those with one choice first.
type Groups = BTreeMap<(bool, usize, Vec<usize>), Vec<usize>>;

impl Ground<'_> {
    pub fn lay(&self) -> Laid {
        let mut laid = Laid { lines: vec![Vec::new(); self.told.len()], ..Laid::default() };
        let mut of_order: BTreeMap<usize, Vec<usize>> = BTreeMap::new();
        for (at, told) in self.told.iter().enumerate() {
            of_order.entry(told.holding).or_default().push(at);
        }
        let mut groups = Groups::new();
        for (at, filed) in self.filed.iter().enumerate() {
            let own = self.known.order_of(filed);
            laid.by_order |= own.is_some();
            let orders = match own {
                Some(order) => vec![order],
                None => self
                    .specimen(filed)
                    .map(|s| self.known.orders_under(s))
                    .unwrap_or_default()
                    .to_vec(),
            };
            laid.named.extend(&orders);
            let results = orders.iter().filter_map(|order| of_order.get(order)).flatten().copied();
            let fits = |told: &usize| self.told.get(*told).is_some_and(|t| self.is_of(filed, t));
            let choices: Vec<usize> = results.filter(fits).collect();
            if choices.is_empty() {
                laid.strangers.push(at);
            } else {
                groups.entry((own.is_none(), choices.len(), choices)).or_default().push(at);
            }
        }
        for ((.., choices), lines) in groups {
            self.pair(&choices, lines, &mut laid.lines);
        }
        laid
    }

    /// The specimen id of a line. None: the file does not say.
    pub fn specimen<'f>(&self, filed: &'f Filed) -> Option<&'f str> {
        let placer = filed.placer.as_deref().filter(|id| !self.known.is_order(id));
        match filed.specimen.as_deref() {
            // OBR-2 where our number is kept there.
            Some(id) if filed.placer.as_deref() == Some(id) => placer,
            Some(id) => Some(id),
            None => placer
                .filter(|id| self.specimen_in_obr_2 || !self.known.orders_under(id).is_empty()),
        }
    }

    /// Whether the specimen of a line is the one that was told.
    pub fn same_specimen(&self, filed: &Filed, told: &Told<'_>) -> bool {
        let own = told.order.specimen.as_deref();
        let same = |theirs: &str| {
            own.is_some_and(|own| {
                // Two of ours may be told apart by case alone.
                own == theirs
                    || (own.eq_ignore_ascii_case(theirs) && !self.known.is_specimen(theirs))
            })
        };
        let said = self.specimen(filed);
        let other = filed.placer.as_deref().filter(|id| self.known.is_specimen(id));
        said.is_none_or(|theirs| same(theirs) || (own.is_none() && theirs.is_empty()))
            && other.is_none_or(same)
    }

    fn is_of(&self, filed: &Filed, told: &Told<'_>) -> bool {
        filed.codes.iter().any(|code| {
            told.has_code(code) || self.manner.wording.codes_of(code).any(|own| told.has_code(own))
        })
    }

    fn agree(&self, told: usize, line: usize) -> bool {
        let pair = self.told.get(told).zip(self.filed.get(line));
        pair.is_some_and(|(told, filed)| self.manner.differences(told, filed).is_empty())
    }

    fn is_back(&self, line: usize) -> bool {
        self.filed.get(line).is_some_and(|filed| self.manner.is_taken_back(filed))
    }

    /// Lines and the results that they can be of. First what agrees, then what was taken back, then what is left in
    /// the order of time and of sending; what is too many stands with one that agrees or that was told oftenest.
    fn pair(&self, choices: &[usize], mut lines: Vec<usize>, laid: &mut [Vec<usize>]) {
        if let [only] = *choices {
            laid.get_mut(only).into_iter().for_each(|own| own.append(&mut lines));
            return;
        }
        let times: Option<Vec<i64>> =
            lines.iter().map(|at| self.filed.get(*at).and_then(|f| f.time)).collect();
        if times.is_some() {
            lines.sort_by_key(|at| self.filed.get(*at).and_then(|filed| filed.time));
        }
        let is_free = |at: &usize| laid.get(*at).is_some_and(Vec::is_empty);
        let free = choices.iter().copied().filter(is_free);
        let gone = |at: &usize| self.told.get(*at).is_some_and(Told::is_gone);
        let (mut gone, mut valid): (Vec<usize>, Vec<usize>) = free.partition(gone);
        let mut pairs = taken(&mut valid, &mut lines, |told, line| {
            self.same_sub_id(told, line) && self.agree(told, line)
        });
        pairs.extend(taken(&mut valid, &mut lines, |told, line| self.agree(told, line)));
        pairs.extend(taken(&mut gone, &mut lines, |_, line| self.is_back(line)));
        pairs.extend(taken(&mut valid, &mut lines, |told, line| self.same_sub_id(told, line)));
        pairs.extend(taken(&mut valid, &mut lines, |_, _| true));
        pairs.extend(taken(&mut gone, &mut lines, |_, _| true));
        for (told, line) in pairs {
            laid.get_mut(told).into_iter().for_each(|own| own.push(line));
        }
        for line in lines {
            let room = |at: &usize| {
                let sent = self.told.get(*at).map_or(0, |t| t.order.sent.len());
                sent.saturating_sub(laid.get(*at).map_or(0, Vec::len))
            };
            let best = choices.iter().copied().max_by_key(|at| (self.agree(*at, line), room(at)));
            let own = best.and_then(|at| laid.get_mut(at));
            own.into_iter().for_each(|own| own.push(line));
        }
    }

    fn same_sub_id(&self, told: usize, line: usize) -> bool {
        let pair = self.told.get(told).zip(self.filed.get(line));
        pair.is_some_and(|(told, filed)| told.held.sub_id == filed.sub_id)
    }
}

/// Takes from both what fits together, one for one.
fn taken(
    told: &mut Vec<usize>,
    lines: &mut Vec<usize>,
    fits: impl Fn(usize, usize) -> bool,
) -> Vec<(usize, usize)> {
    let mut pairs = Vec::new();
    told.retain(|told| {
        let Some(at) = lines.iter().position(|line| fits(*told, *line)) else { return true };
        pairs.push((*told, lines.remove(at)));
        false
    });
    pairs
}
