//! Why the door says no, in words for the person who asked: what was found, and what to do.

use wickline_normalize::{Reason, Remedy};

use super::{Asked, Facts, Guard, Post, Under};
use crate::store::lists::names::Name;
use crate::store::state::{MessageState, ReportState};

pub(super) fn wrong_state(guard: Guard, facts: &Facts<'_>) -> Option<String> {
    let n = facts.n;
    let state = facts.state?;
    let (right, wanted) = match guard {
        Guard::IsHeld => (state == ReportState::Held, "held"),
        Guard::IsOut if facts.control => {
            (matches!(state, ReportState::Waiting | ReportState::Filed), "on its way or out")
        }
        Guard::IsOut => (state == ReportState::Waiting, "on its way or out"),
        _ if state == ReportState::SetAside && !facts.aside_by_person => {
            return Some(format!("report {n} was withdrawn: that cannot be taken back"));
        }
        _ => (state == ReportState::SetAside, "set aside"),
    };
    (!right).then(|| format!("report {n} is {state}, not {wanted}"))
}

pub(super) fn answers_nothing(asked: Asked, facts: &Facts<'_>) -> Option<String> {
    if facts.holds.iter().any(|r| asked.is_asked_for(*r)) {
        return None;
    }
    let n = facts.n;
    Some(match asked {
        Asked::Identify | Asked::FileAsControl => {
            format!("report {n} is not held for its specimen id")
        }
        _ => format!("report {n} is held for {}: there is nothing to decide", codes(facts.holds)),
    })
}

/// The reasons of holds, for people and the trail.
#[must_use]
pub fn codes(reasons: &[Reason]) -> String {
    let codes: Vec<&str> = reasons.iter().map(|r| r.code()).collect();
    if codes.is_empty() { "no hold".into() } else { codes.join(", ") }
}

pub(super) fn of_control(asked: Asked, n: i64) -> String {
    match asked {
        Asked::Correct | Asked::CorrectAsIn | Asked::Withdraw | Asked::Rename => {
            format!("report {n} is control material: it is in nobody's chart")
        }
        Asked::Correction => {
            format!("report {n} bears a sign of control material: it corrects no patient's report")
        }
        _ => format!(
            "report {n} bears a sign of control material: it never goes to a patient receiver"
        ),
    }
}

pub(super) fn still_held(asked: Asked, n: i64, reason: Reason) -> String {
    let remedy = match reason.remedy() {
        Remedy::Release => "release it",
        Remedy::Identify => "identify the specimen",
        Remedy::Reread => "mend the dialect, strip or configuration and reread it, or set it aside",
        Remedy::Decide => "decide what it is",
        Remedy::SetAside => "set it aside",
    };
    let code = reason.code();
    match asked {
        Asked::Release => {
            format!("report {n} is held for `{code}`, which a release does not lift: {remedy}")
        }
        _ => format!("report {n} is also held for `{code}`"),
    }
}

/// What was told under the OBR-3 was taken back.
pub(super) fn withdrawn(facts: &Facts<'_>) -> Option<String> {
    if let Some(Post { name, retired: true, .. }) = &facts.post {
        return Some(match name.withdraws {
            true => format!("{name}: its OBR-3 was withdrawn already"),
            false => {
                format!(
                    "{name}: its OBR-3 was withdrawn; `wickline queue set-aside {name}` ends it"
                )
            }
        });
    }
    let n = facts.n;
    (facts.under == Under::Withdrawn).then(|| match facts.corrects {
        Some(root) => {
            format!("report {root}, which {n} was to correct, was withdrawn since: set it aside")
        }
        None => {
            format!("report {n}: what was told under its OBR-3 was withdrawn, nothing follows that")
        }
    })
}

/// A message that is not where the act begins.
pub(super) fn wrong_message(guard: Guard, post: &Post) -> Option<String> {
    let Post { name, state, kept_back, aside_by_person, amends, .. } = post;
    let put_off = (*kept_back && *state == MessageState::Waiting)
        || (*aside_by_person && *state == MessageState::SetAside);
    let (right, must_be) = match guard {
        Guard::NoAmends => {
            let Name { report, receiver, .. } = name;
            return amends.then(|| {
                format!(
                    "{name}: the receiver still has the wrong result. `wickline queue retry {name}` sends the \
                     withdrawal again; once it was told otherwise, `wickline report told {report} --receiver {receiver}` asks who was \
                     told, when and how. Nothing was changed"
                )
            });
        }
        Guard::Waits => {
            (*state == MessageState::Waiting && !kept_back, "waiting and not kept back already")
        }
        Guard::Unsettled => {
            (matches!(state, MessageState::Waiting | MessageState::Refused), "waiting or refused")
        }
        Guard::Stuck => (
            put_off || *state == MessageState::Refused,
            "refused, kept back or set aside by a person",
        ),
        _ => (put_off, "kept back or set aside by a person"),
    };
    (!right).then(|| {
        format!("{name} is {state}, not {must_be}; `wickline queue show {name}` tells. Nothing was changed")
    })
}

/// A report speaks under its OBR-3, or follows the one that does.
pub(super) fn overtaken(facts: &Facts<'_>) -> Option<String> {
    let (n, Under::Report(now)) = (facts.n, facts.under) else { return None };
    if now == n || (facts.state == Some(ReportState::Held) && now < n) {
        return None;
    }
    Some(match facts.state {
        Some(ReportState::Held) => {
            format!("report {now}, heard later, has corrected the same report since: set {n} aside")
        }
        _ => format!("report {now} goes under its OBR-3 now: name that one in place of {n}"),
    })
}

/// Readings never move between specimens. A held correction without an id of its own, or with the one that
/// the earlier print bore, takes the earlier report's.
pub(super) fn other_specimen(asked: Asked, facts: &Facts<'_>) -> Option<String> {
    let (n, other) = (facts.n, facts.other?);
    let own = facts.bears.filter(|s| !s.trim().is_empty());
    let same = own.is_some() && own == other.specimen;
    let blank = asked == Asked::Correction && own.is_none();
    let printed = asked == Asked::Correction && own.is_some() && own == other.printed;
    if same || blank || printed {
        return None;
    }
    let of = other.n;
    Some(match asked {
        Asked::Correction => format!(
            "report {n} bears another specimen id than report {of}, under whose specimen a correction goes: \
             decide it is a new run, or withdraw report {of} if that one went under the wrong specimen"
        ),
        _ => format!(
            "report {of} bears another specimen id than report {n}: readings never move between specimens. If \
             cups were swapped, give each report its right id: `wickline report withdraw {n} --specimen ID \
             --reason TEXT`, and the same of {of}"
        ),
    })
}
