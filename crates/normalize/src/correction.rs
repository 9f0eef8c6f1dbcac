//! Corrections: what to say under an OBR-3 that has gone out already.
//!
//! The statuses are those of HL7 v2 table 0085, as far as we use it. The law: a value that differs from one that
//! the receiver has or may have as final goes as corrected, never as final again. What was told as preliminary or
//! unverified alone is no correction when it changes: it goes as what the receiver takes results for today.
//!
//! Pure bookkeeping over results that know only how to be compared ([`Entry`]): [`learn`] follows what a
//! receiver was told, message by message, and [`plan`] says with which status each result goes now. HL7's own
//! words stay in `forward`, which makes entries of kept messages.

use crate::observation::ResultStatus;

/// One result as it stands in a message: it knows others of its kind.
pub trait Entry {
    /// Both are named alike: one of them is called (OBX-3) what the other is called or also called.
    fn same_name(&self, other: &Self) -> bool;
    /// A receiver files both in one place: the first name (OBX-3) and what tells namesakes apart (OBX-4).
    fn same_place(&self, other: &Self) -> bool;
    /// Both are numbers, or both are not.
    fn same_kind(&self, other: &Self) -> bool;
    /// Everything that a receiver shows of it, its name apart, is the same.
    fn says_the_same(&self, other: &Self) -> bool;
}

/// What a receiver has, or may have, of one result.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Known<E> {
    /// As it was last told.
    pub entry: E,
    /// What it was last told with.
    pub status: ResultStatus,
    /// It may have this or something else: no answer came to the last that was said of it.
    pub doubtful: bool,
    /// It has this, or will have it without anybody's help.
    pub sure: bool,
    /// The furthest that it was ever told as.
    pub stage: Stage,
}

/// How far a result was told.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    /// No value of it: not read, or withdrawn.
    Bare,
    /// As preliminary or unverified.
    Early,
    /// As final.
    Final,
}

impl Stage {
    fn of(status: ResultStatus) -> Stage {
        match status {
            ResultStatus::Final | ResultStatus::Corrected => Stage::Final,
            ResultStatus::Preliminary | ResultStatus::Unverified => Stage::Early,
            ResultStatus::Withdrawn | ResultStatus::Unread => Stage::Bare,
        }
    }
}

/// What became of a message that was sent.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sent {
    /// The receiver said yes to it, by its control id.
    Accepted,
    /// Not answered yet; it goes out again until it is.
    OnItsWay,
    /// Never answered, and not sent any more.
    Unanswered,
}

/// What goes out of a correction.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Plan {
    /// For each result of now, in its order: its status, and the known one whose name and place it
    /// keeps, by index.
    pub now: Vec<(ResultStatus, Option<usize>)>,
    /// The known ones that are no more, by index: to be withdrawn as they were told.
    pub gone: Vec<usize>,
    /// It says something that the receiver has not been told.
    pub says_anything: bool,
}

/// Adds a message to what a receiver knows.
///
/// Call it for each message in the order of sending; a message that was never tried is left out.
pub fn learn<E: Entry>(
    known: &mut Vec<Known<E>>,
    message: impl IntoIterator<Item = (E, ResultStatus)>,
    sent: Sent,
) {
    let before = known.len();
    for (entry, status) in message {
        let there = |k: &&mut Known<E>| k.entry.same_place(&entry);
        let Some(old) = known.iter_mut().find(there) else {
            // Beside another of its name it is either there or that other one stands alone.
            let named = known.iter().take(before).any(|k| k.entry.same_name(&entry));
            let doubtful = sent != Sent::Accepted && named;
            let (sure, stage) = (sent != Sent::Unanswered, Stage::of(status));
            known.push(Known { entry, status, doubtful, sure, stage });
            continue;
        };
        let same = standing(old.status) == standing(status) && old.entry.says_the_same(&entry);
        let doubtful = sent != Sent::Accepted && (old.doubtful || !same);
        let covered = covers(old.status, status);
        let sure = sent != Sent::Unanswered || (old.sure && !doubtful && covered);
        let stage = old.stage.max(Stage::of(status));
        *old = Known { entry, status, doubtful, sure, stage };
    }
}

/// A status without how far its value is to be trusted.
fn standing(status: ResultStatus) -> ResultStatus {
    match Stage::of(status) {
        Stage::Bare => status,
        Stage::Early | Stage::Final => ResultStatus::Final,
    }
}

/// A receiver that has a value with the one status need not be told it with the other: what is final is not
/// made preliminary again.
fn covers(has: ResultStatus, says: ResultStatus) -> bool {
    match (Stage::of(has), Stage::of(says)) {
        (Stage::Final, Stage::Early | Stage::Final) => true,
        _ => has == says,
    }
}

/// What to say now to a receiver that was told something before; `now` has what each would go with the
/// first time.
///
/// The plan is for one message: results of now in their order, withdrawals behind them. Where nothing
/// new would be said, [`Plan::says_anything`] is false and no message need go.
#[must_use]
pub fn plan<E: Entry>(known: &[Known<E>], now: &[(E, ResultStatus)]) -> Plan {
    let (pairs, open) = (pairs(known, now), is_open(known));
    let mut plan =
        Plan { now: Vec::with_capacity(now.len()), gone: Vec::new(), says_anything: false };
    for ((entry, first), pair) in now.iter().zip(&pairs) {
        let before = pair.and_then(|at| known.get(at));
        // It goes out under the name of the one that it stands for, which others may share.
        let as_before = |k: &Known<E>| before.is_some_and(|b| b.entry.same_name(&k.entry));
        let named = known.iter().filter(|k| k.entry.same_name(entry) || as_before(k));
        let same =
            |k: &Known<E>| standing(k.status) == standing(*first) && k.entry.says_the_same(entry);
        let status = match (first, before) {
            (ResultStatus::Unread, _) => ResultStatus::Unread,
            (_, Some(before)) if same(before) && !before.doubtful => {
                // What it has as final stays final.
                if before.stage == Stage::Final { ResultStatus::Final } else { *first }
            }
            _ => match (named.map(|k| k.stage).max(), Stage::of(*first)) {
                (Some(Stage::Final), _) => ResultStatus::Corrected,
                (Some(Stage::Bare), Stage::Final) if !open => ResultStatus::Corrected,
                _ => *first,
            },
        };
        plan.says_anything |=
            !before.is_some_and(|k| k.sure && same(k) && covers(k.status, *first));
        plan.now.push((status, *pair));
    }
    for (at, left) in known.iter().enumerate().filter(|(at, _)| !pairs.contains(&Some(*at))) {
        let withdrawn = left.status == ResultStatus::Withdrawn;
        plan.says_anything |= !(withdrawn && left.sure);
        if !(withdrawn && left.sure && !left.doubtful) {
            plan.gone.push(at);
        }
    }
    plan
}

/// Something was told as preliminary or unverified, and nothing as final: what follows corrects nothing.
#[must_use]
pub fn is_open<E>(known: &[Known<E>]) -> bool {
    known.iter().map(|k| k.stage).max() == Some(Stage::Early)
}

/// Which known one each result of now stands for: the one of its name, among several the most alike.
fn pairs<E: Entry>(known: &[Known<E>], now: &[(E, ResultStatus)]) -> Vec<Option<usize>> {
    type Alike<E> = fn(&E, &E) -> bool;
    let steps: [Alike<E>; 4] = [
        |a, b| a.same_kind(b) && a.same_place(b),
        |a, b| a.same_kind(b),
        |a, b| a.same_place(b),
        |_, _| true,
    ];
    let mut pairs = vec![None; now.len()];
    for alike in steps {
        for (place, (entry, _)) in now.iter().enumerate() {
            if pairs.get(place).copied().flatten().is_some() {
                continue;
            }
            let free = |at: &usize| !pairs.contains(&Some(*at));
            let fits = |at: &usize| {
                known.get(*at).is_some_and(|k| k.entry.same_name(entry) && alike(&k.entry, entry))
            };
            let found = (0..known.len()).filter(free).find(fits);
            if let Some(pair) = pairs.get_mut(place) {
                *pair = found;
            }
        }
    }
    pairs
}

#[cfg(test)]
mod tests;
