//! What a receiver that goes by an order's own number was told under it, whichever report that was of. Nothing follows
//! a withdrawal but this: once all of it was taken back, the right strip goes under that number as a correction.

use wickline_forward::hl7::{FillerNumber, Told, told_under};
use wickline_forward::orders::References;
use wickline_normalize::ResultStatus;
use wickline_normalize::correction::{Known, learn};

use std::sync::Arc;

use super::facts::refused;
use crate::settings::bench::{Bench, Target};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::rows;
use crate::store::rows::message::{self, Past};
use crate::store::rows::order::{self, Link};
use crate::store::state::MessageState;
use crate::texts::say;

/// Why such a result goes, where nobody gave a reason.
pub(crate) const IN_PLACE: &str = "it stands in place of a result that was withdrawn";

/// A message under an order's number, and what it says there.
pub(crate) struct Said {
    pub past: Past,
    pub rows: Vec<(Told, ResultStatus)>,
}

/// How an order's number stands at the receivers that go by it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Number {
    /// Nothing was told under it.
    Unused,
    /// What was told under it was withdrawn, and they said yes to that.
    TakenBack,
    /// A result stands under it, or may yet come there.
    InUse,
    /// Its source gave it to this order of ours too, of which something was told: there the two are one.
    Twin(i64),
}

/// What goes back of an order that a report answers.
fn references(link: &Link) -> Result<References, StoreError> {
    let text = link.wants_back.as_deref().unwrap_or("{}");
    rows::at("lab_order", link.order).json("wants_back", text)
}

/// The order that brought the same number, where a report answered it.
async fn twin(write: &mut Write, link: &Link) -> Result<Option<i64>, StoreError> {
    for other in order::of_number(write, &references(link)?).await? {
        if other != link.order && !order::told_of(write, other).await?.is_empty() {
            return Ok(Some(other));
        }
    }
    Ok(None)
}

/// All that one receiver was told under the numbers of these orders by others than `own`: a report and its OBR-3.
pub(crate) async fn said(
    write: &mut Write,
    target: &Target,
    links: &[Link],
    own: (i64, &str),
) -> Result<Vec<Said>, StoreError> {
    let mut said = Vec::new();
    let by_number = target.layout.filler == FillerNumber::Ordered;
    for link in links.iter().filter(|link| by_number && target.gets_orders_of(&link.source)) {
        let references = references(link)?;
        if references.own_number().is_none() {
            continue;
        }
        for (root, under) in order::told_of(write, link.order).await? {
            if (root, under.as_str()) == own {
                continue;
            }
            for past in message::history(write, root, &under, &target.id).await? {
                let body = past.body.as_deref().ok_or("its bytes are not kept any more".to_owned());
                let rows = body.and_then(|body| told_under(body, &references)).map_err(|why| {
                    let n = past.report;
                    refused(say!("no.told_unread", n = n, why = why.to_string()))
                })?;
                if !rows.is_empty() {
                    said.push(Said { past, rows });
                }
            }
        }
    }
    // As the receiver got them: what was taken back and what came in its place are of two reports.
    said.sort_by_key(|one| one.past.n);
    Ok(said)
}

/// Whether a result may go under an order's number, by what others than `own` said there.
pub(crate) async fn stands(
    write: &mut Write,
    bench: &Bench,
    link: &Link,
    own: (i64, &str),
) -> Result<Number, StoreError> {
    let mut number = Number::Unused;
    let by_number = |target: &Arc<Target>| {
        target.layout.filler == FillerNumber::Ordered && target.gets_orders_of(&link.source)
    };
    if bench.targets.iter().any(by_number)
        && let Some(other) = twin(write, link).await?
    {
        return Ok(Number::Twin(other));
    }
    for target in &bench.targets {
        let mut known: Vec<Known<Told>> = Vec::new();
        for Said { past, rows } in said(write, target, std::slice::from_ref(link), own).await? {
            if matches!(past.state, MessageState::Waiting | MessageState::Refused) {
                return Ok(Number::InUse);
            }
            if let Some(sent) = past.may_be_known() {
                learn(&mut known, rows, sent);
            }
        }
        let back = |k: &Known<Told>| k.status == ResultStatus::Withdrawn && k.sure && !k.doubtful;
        match known.iter().all(back) {
            false => return Ok(Number::InUse),
            true if known.is_empty() => {}
            true => number = Number::TakenBack,
        }
    }
    Ok(number)
}
