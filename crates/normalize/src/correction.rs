//! Corrections: what to say under an OBR-3 that has gone out already.
//!
//! The statuses are those of HL7 v2 table 0085, as far as we use it. The law: a value that differs
//! from the one sent never goes as final.

use crate::observation::{Code, Observation, ResultStatus};

/// An observation with the status it goes out with.
pub type Said = (Observation, ResultStatus);

/// What a receiver knows an observation by: OBX-3. We leave OBX-4 alone, so that an OBX-3 that occurs
/// twice is told apart by its place.
fn name(observation: &Observation) -> (&Code, &Code) {
    (&observation.code, &observation.local)
}

fn same_name(a: &Observation, b: &Observation) -> bool {
    let ((code, local), (other, other_local)) = (name(a), name(b));
    let same = |a: &Code, b: &Code| a.code == b.code && a.system == b.system;
    same(code, other) && same(local, other_local)
}

/// Everything that a receiver shows of it, its name apart.
fn says_the_same(a: &Observation, b: &Observation) -> bool {
    a.content == b.content && a.flag == b.flag && a.reference == b.reference
}

/// What goes out the first time.
#[must_use]
pub fn said_first(observations: &[Observation]) -> Vec<Said> {
    observations.iter().map(|o| (o.clone(), ResultStatus::first(o))).collect()
}

/// The observations of a correction: what is right now, in its order, then what was said and is no
/// more. `said` is what the receiver has last been told of each OBX-3 under this OBR-3.
#[must_use]
pub fn plan_correction(said: &[Said], now: &[Observation]) -> Vec<Said> {
    let mut left: Vec<Option<&Said>> = said.iter().map(Some).collect();
    let mut plan = Vec::with_capacity(said.len() + now.len());
    for observation in now {
        let before = left
            .iter_mut()
            .find(|old| old.is_some_and(|(old, _)| same_name(old, observation)))
            .and_then(Option::take);
        let status = match (before, ResultStatus::first(observation)) {
            (_, ResultStatus::Unread) | (None, _) => ResultStatus::first(observation),
            // What was withdrawn, or had no result, is replaced whatever it said.
            (Some((_, ResultStatus::Withdrawn | ResultStatus::Unread)), _) => {
                ResultStatus::Corrected
            }
            (Some((old, _)), _) if !says_the_same(old, observation) => ResultStatus::Corrected,
            (Some(_), first) => first,
        };
        plan.push((observation.clone(), status));
    }
    let gone = left.into_iter().flatten().filter(|(_, status)| *status != ResultStatus::Withdrawn);
    plan.extend(gone.map(|(old, _)| (old.clone(), ResultStatus::Withdrawn)));
    plan
}

/// The observations that take a whole result back: as they were sent, each withdrawn.
#[must_use]
pub fn plan_withdrawal(said: &[Said]) -> Vec<Said> {
    plan_correction(said, &[])
}

/// What the receiver has last been told once a plan has gone out: the plan, and what was withdrawn
/// before it.
#[must_use]
pub fn said_after(said: &[Said], plan: &[Said]) -> Vec<Said> {
    let count =
        |list: &[Said], o: &Observation| list.iter().filter(|(p, _)| same_name(p, o)).count();
    let mut after = plan.to_vec();
    for (old, status) in said {
        if *status == ResultStatus::Withdrawn && count(&after, old) < count(said, old) {
            after.push((old.clone(), *status));
        }
    }
    after
}

/// True when a plan says anything that the receiver has not been told.
#[must_use]
pub fn says_anything(said: &[Said], plan: &[Said]) -> bool {
    let known = |new: &Observation| {
        said.iter().any(|(old, _)| same_name(old, new) && says_the_same(old, new))
    };
    let new =
        |status: ResultStatus| matches!(status, ResultStatus::Corrected | ResultStatus::Withdrawn);
    plan.iter().any(|(observation, status)| new(*status) || !known(observation))
}

#[cfg(test)]
mod tests;
