//! Letting held reports go: at a terminal a person sees what would go, and why it is held, before they say so.

use super::done::Done;
use super::identify::{head, show};
use crate::acts::door::Asked;
use crate::cli::output::{Output, visible};
use crate::cli::person::{asked, can_ask};
use crate::cli::{Answer, Desk, Failure, Why};
use crate::store::lists::reports::Item;
use crate::store::trail::Actor;

pub async fn release(desk: &Desk, actor: &Actor, ids: Vec<i64>, why: &Why, out: &Output) -> Answer {
    let mut done = Done::default();
    let ids = if can_ask(out) { looked_at(desk, ids, &mut done).await? } else { ids };
    if ids.is_empty() {
        return done.tell(out);
    }
    let reason = desk.reason(why, out)?;
    for n in ids {
        done.took(n, desk.ledger.report_release(&desk.bench, actor, n, &reason).await)?;
    }
    done.tell(out)
}

/// Those that may go, shown to a person: one with its readings; of several the person types how many they are.
async fn looked_at(desk: &Desk, ids: Vec<i64>, done: &mut Done) -> Result<Vec<i64>, Failure> {
    let all = ids.len();
    let mut go = Vec::new();
    for n in ids {
        let may = desk.ledger.report_may(&desk.bench, Asked::Release, n).await;
        if done.took(n, may.map(|()| Vec::new()))? {
            go.push(n);
        }
    }
    for n in &go {
        let item = if all == 1 { show(desk, *n).await? } else { listed(desk, *n).await? };
        for hold in item.holds.iter().filter(|h| !h.cleared) {
            eprintln!("    {}: {}", hold.reason, visible(&hold.detail));
        }
    }
    if all == 1 || go.is_empty() {
        return Ok(go);
    }
    eprintln!("{} of {all} would be released as they are", go.len());
    let typed = asked("how many are to be released")?;
    if typed.trim() == go.len().to_string() {
        return Ok(go);
    }
    Err(Failure::wrong(format!(
        "`{}` is not how many would be released, which are {}; nothing was changed",
        typed.trim(),
        go.len()
    )))
}

/// In one line, without its readings.
async fn listed(desk: &Desk, n: i64) -> Result<Item, Failure> {
    let item = super::identify::kept(desk, n).await?.item;
    eprintln!("{}", visible(&head(&item)));
    Ok(item)
}
