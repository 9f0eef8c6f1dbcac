//! What a person says of orders: whose of a disputed specimen is right, and who looked at the list of those that wait.

use std::collections::BTreeSet;

use wickline_normalize::orders::{Key, Order, Orders, Person, Wanted};
use wickline_normalize::{Private, Reason};

use super::facts::{reasoned, refused, whole};
use super::meeting;
use crate::clock;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::order::{self, Kept, Which};
use crate::store::trail::{Act, Actor, record};
use crate::texts::{say, way};

const SECOND: i64 = 1_000_000;

/// What a person's word about a disputed order did, and what is left to do.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Settled {
    /// Our own number of the order.
    pub n: i64,
    /// Its specimen was claimed for somebody else.
    pub claimed: bool,
    /// Called right: whose results they are.
    pub goes_with: Option<Person>,
    /// How many reports go now.
    pub goes: usize,
    /// Reports that told its specimen's results under its patient, and that stay told.
    pub out: Vec<i64>,
    /// Our own numbers of the others of its patient for that specimen: the same was said of them.
    pub others: Vec<i64>,
    /// Reports of its specimen that are still held, each with why.
    pub held: Vec<(i64, Vec<Reason>)>,
}

impl Ledger {
    /// A person compared labels and people: a disputed order is right about its specimen, or claims it no more. What
    /// was called wrong by a slip is right again while nothing of it went out.
    pub async fn order_settle(
        &self,
        bench: &Bench,
        actor: &Actor,
        key: &Key,
        right: bool,
        reason: &str,
    ) -> Result<Settled, StoreError> {
        reasoned(reason)?;
        let mut write = self.act().await?;
        order::alone(&mut write).await?;
        let which = Which { keys: [key.clone()].into(), ..Which::default() };
        let rows = order::load(&mut write, &which).await?;
        let Some(row) = rows.into_iter().next() else {
            return Err(refused(say!("no.order").then("; ").then(way!("orders"))));
        };
        let (mut orders, beside) = of_the_claim(&mut write, &row).await?;
        let now = clock::now_us() / SECOND;
        if !orders.settle(key, right, now) {
            return Err(unsettled(&orders, &row.order));
        }
        if let Some(order) = orders.get(key) {
            meeting::keep(&mut write, bench, Some(row.n), order, row.wants_back.as_deref()).await?;
        }
        let changed = |kept: &&Kept| orders.get(&kept.order.key) != Some(&kept.order);
        let beside: Vec<&Kept> = beside.iter().filter(changed).collect();
        for kept in &beside {
            if let Some(order) = orders.get(&kept.order.key) {
                let wants_back = kept.wants_back.as_deref();
                meeting::keep(&mut write, bench, Some(kept.n), order, wants_back).await?;
            }
        }
        let each = beside.iter().map(|kept| &kept.order).chain([&row.order]);
        let wanted = each.flat_map(|order| &order.wanted);
        let specimens: BTreeSet<&Private> =
            wanted.flat_map(|wanted| wanted.specimens.iter().chain(&wanted.wrong)).collect();
        let patient = row.order.wanted.as_ref().and_then(|wanted| wanted.patient.clone());
        let mut settled = Settled {
            n: row.n,
            claimed: row.order.rivals.iter().any(|rival| !rival.is_empty()),
            others: beside.iter().map(|kept| kept.n).collect(),
            goes_with: patient.filter(|patient| right && patient.is_described()),
            ..Settled::default()
        };
        for specimen in specimens {
            for n in order::held_of(&mut write, specimen.expose()).await? {
                if self.meet_again(&mut write, bench, n).await? {
                    settled.goes += 1;
                } else {
                    let holds = whole(&mut write, n).await?.holds;
                    settled.held.push((n, holds.iter().map(|hold| hold.reason).collect()));
                }
            }
        }
        let out = |order: &Order| !right && order.trace.is_past_recall();
        for kept in beside.into_iter().chain([&row]).filter(|kept| out(&kept.order)) {
            settled.out.extend(order::reports_of(&mut write, kept.n).await?);
        }
        // One report may tell several.
        settled.out.sort_unstable();
        settled.out.dedup();
        let act = Act {
            verb: "settle",
            object: order::own_name(row.n, &key.source),
            reason: Some(reason.to_owned()),
            was: Some(row.order.standing.code().into()),
            became: Some(
                if right { say!("kept.right") } else { say!("kept.wrong_specimen") }.to_string(),
            ),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(settled)
    }

    /// Notes that somebody looked at the list of specimens that wait, with the names of their patients.
    pub async fn orders_looked_at(&self, actor: &Actor, many: usize) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        let became = Some(say!("kept.shown", n = many).to_string());
        let act = Act { verb: "look", object: "orders that wait".into(), became, ..Act::default() };
        record(&mut write, actor, act).await?;
        write.commit().await
    }
}

/// What is said of an order is said of the others of its specimens and its patient too: all of them, and those beside
/// it.
async fn of_the_claim(write: &mut Write, row: &Kept) -> Result<(Orders, Vec<Kept>), StoreError> {
    let wanted = row.order.wanted.iter();
    let known = |wanted: &'_ Wanted| [&wanted.specimens[..], &wanted.wrong[..]].concat();
    let claims = wanted.clone().flat_map(known).chain(row.order.by.clone());
    let patient = wanted.filter_map(|wanted| wanted.patient.as_ref());
    let which = Which {
        specimens: claims.collect(),
        patients: patient.map(|patient| patient.id.clone()).collect(),
        ..Which::default()
    };
    let mut beside = order::load(write, &which).await?;
    beside.retain(|kept| kept.n != row.n);
    let known = beside.iter().map(|kept| kept.order.clone());
    let orders = Orders::new(known.chain([row.order.clone()]), order::merges(write).await?);
    Ok((orders, beside))
}

/// Why nothing can be said of it.
fn unsettled(orders: &Orders, order: &Order) -> StoreError {
    refused(match order.is_of_material() {
        true => say!("no.settle_material"),
        false if orders.is_taken(&order.key) => say!("no.settle_taken"),
        false => say!("no.settle_nobody").then(": ").then(way!("disputed")),
    })
}
