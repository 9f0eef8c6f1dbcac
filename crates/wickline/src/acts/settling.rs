//! What a person says of orders: whose of a disputed specimen is right, and who looked at the list of those that wait.

use wickline_normalize::Reason;
use wickline_normalize::orders::{Key, Orders};

use super::facts::{reasoned, refused, whole};
use super::meeting;
use crate::clock;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::order::{self, Which};
use crate::store::trail::{Act, Actor, record};

const SECOND: i64 = 1_000_000;

/// What a person's word about a disputed order did, and what is left to do.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Settled {
    /// How many reports go now.
    pub goes: usize,
    /// Reports that told its specimen's results under its patient, and that stay told.
    pub out: Vec<i64>,
    /// Reports of its specimen that are still held, each with why.
    pub held: Vec<(i64, Vec<Reason>)>,
}

impl Ledger {
    /// A person compared labels and people: a disputed order is right about its specimen, or claims it no more.
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
            return Err(refused("there is no such order; `wickline orders` lists them"));
        };
        let specimens = row.order.by.iter().filter(|_| row.order.is_denied()).cloned().collect();
        let beside = order::load(&mut write, &Which { specimens, ..Which::default() }).await?;
        let merges = order::merges(&mut write).await?;
        let beside = beside.into_iter().map(|kept| kept.order);
        let mut orders = Orders::new(beside.chain([row.order.clone()]), merges);
        let now = clock::now_us() / SECOND;
        if !orders.settle(key, right, now) {
            return Err(refused(match row.order.is_of_material() {
                true => {
                    "it is an order of control material, which no patient's strip answers: it can only be wrong"
                }
                false if orders.is_taken(key) => {
                    "it was called wrong, and since then its specimen is another patient's: what is out under it can \
                     only be taken back"
                }
                false => {
                    "nobody disputes this order: `wickline orders --standing disputed` lists those that wait for a \
                     person"
                }
            }));
        }
        if let Some(order) = orders.get(key) {
            meeting::keep(&mut write, bench, Some(row.n), order, row.wants_back.as_deref()).await?;
        }
        let mut settled = Settled::default();
        for specimen in row.order.wanted.iter().flat_map(|wanted| &wanted.specimens) {
            for n in order::held_of(&mut write, specimen.expose()).await? {
                if self.meet_again(&mut write, bench, n).await? {
                    settled.goes += 1;
                } else {
                    let holds = whole(&mut write, n).await?.holds;
                    settled.held.push((n, holds.iter().map(|hold| hold.reason).collect()));
                }
            }
        }
        if !right && row.order.trace.is_past_recall() {
            settled.out = order::reports_of(&mut write, row.n).await?;
        }
        let act = Act {
            verb: "settle",
            object: order::own_name(row.n, &key.source),
            reason: Some(reason.to_owned()),
            was: Some(row.order.standing.code().into()),
            became: Some(if right { "right".into() } else { "wrong about its specimen".into() }),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(settled)
    }

    /// Notes that somebody looked at the list of specimens that wait, with the names of their patients.
    pub async fn orders_looked_at(&self, actor: &Actor, many: usize) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        let became = Some(format!("{many} shown"));
        let act = Act { verb: "look", object: "orders that wait".into(), became, ..Act::default() };
        record(&mut write, actor, act).await?;
        write.commit().await
    }
}
