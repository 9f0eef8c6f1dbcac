//! Why the door says no, in words for the person who asked: what was found, and what to do.

use wickline_normalize::{Reason, Remedy};

use super::{Asked, Facts, Guard, Post, Under};
use crate::store::lists::names::Name;
use crate::store::state::{MessageState, ReportState};
use crate::texts::say;

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
            return Some(format!(
                "report {n} was withdrawn: that cannot be taken back; `wickline find {n}` tells what \
                 receivers hold"
            ));
        }
        _ => (state == ReportState::SetAside, "set aside"),
    };
    (!right).then(|| format!("report {n} {}, not {wanted}; {}", stands(facts), where_to(facts)))
}

/// How a report stands, for a person: `waiting` is a word for messages.
fn stands(facts: &Facts<'_>) -> &'static str {
    match facts.state {
        Some(ReportState::Waiting) => "is on its way or out",
        Some(ReportState::SetAside) if facts.aside_by_person => "was set aside",
        Some(ReportState::SetAside) => "was withdrawn",
        Some(ReportState::Filed) => "is filed as control material",
        Some(ReportState::Repeat) => "was heard before",
        Some(ReportState::Held) => "is held",
        None => "is not in the ledger yet",
    }
}

/// The command with which a person goes on.
fn where_to(facts: &Facts<'_>) -> String {
    let n = facts.n;
    match facts.state {
        Some(ReportState::Held) => format!("`wickline held show {n}` tells what lets it go"),
        Some(ReportState::SetAside) if facts.aside_by_person => {
            format!("`wickline undo {n}` takes that back")
        }
        Some(ReportState::SetAside) => format!("`wickline find {n}` tells what receivers hold"),
        _ => format!("`wickline find {n}` tells where"),
    }
}

/// What `undo` does not take back: nobody named it, or what was named went out.
pub(super) fn not_undone(guard: Guard, facts: &Facts<'_>) -> Option<String> {
    let n = facts.n;
    let (bars, why) = match guard {
        Guard::IsNamed => (!facts.named, "nobody said whose or what it is"),
        _ => (facts.sent, "it went out, or may have"),
    };
    let next = if facts.state == Some(ReportState::Waiting) && !facts.control {
        let withdraw = format!("`wickline report withdraw {n}`");
        format!("{withdraw} asks for the right specimen id, or takes it back for good")
    } else {
        where_to(facts)
    };
    bars.then(|| {
        format!("report {n} {}, and {why}: there is nothing to undo; {next}", stands(facts))
    })
}

pub(super) fn answers_nothing(asked: Asked, facts: &Facts<'_>) -> Option<String> {
    if facts.holds.iter().any(|r| asked.is_asked_for(*r)) {
        return None;
    }
    let n = facts.n;
    Some(match asked {
        Asked::Identify | Asked::FileAsControl => {
            format!("report {n} is not held for its specimen id; {}", where_to(facts))
        }
        _ => {
            let held_for = codes(facts.holds);
            format!(
                "report {n} is held for {held_for}: there is nothing to decide; {}",
                where_to(facts)
            )
        }
    })
}

/// The reasons of holds, for people and the trail.
#[must_use]
pub fn codes(reasons: &[Reason]) -> String {
    let codes: Vec<&str> = reasons.iter().map(|r| r.code()).collect();
    if codes.is_empty() { say!("kept.no_hold").to_string() } else { codes.join(", ") }
}

pub(super) fn of_control(asked: Asked, facts: &Facts<'_>) -> String {
    let n = facts.n;
    match asked {
        Asked::Correct | Asked::CorrectAsIn | Asked::Withdraw | Asked::Rename => {
            format!("report {n} is control material: it is in nobody's chart")
        }
        Asked::Correction => {
            format!(
                "report {n} bears a sign of control material: it corrects no patient's report; {}",
                where_to(facts)
            )
        }
        _ => format!(
            "report {n} bears a sign of control material: it never goes to a patient receiver; {}",
            where_to(facts)
        ),
    }
}

/// What is out, or on its way: its orders say otherwise since.
pub(super) fn kept_by_orders(facts: &Facts<'_>, reason: Reason) -> String {
    let (n, code) = (facts.n, reason.code());
    let disputed = reason == Reason::PatientConflict;
    let nowhere = facts.post.as_ref().filter(|_| facts.nowhere);
    let listed = match (nowhere, disputed) {
        (_, true) => "`wickline orders --standing disputed` lists them, and ",
        (None, false) => "`wickline orders --standing cancelled` lists them, and ",
        (Some(_), false) => "",
    };
    let end = match nowhere {
        Some(Post { name, .. }) => {
            format!("nothing of it is out: `wickline queue set-aside {name}` ends it")
        }
        None => format!("`wickline report withdraw {n}` takes back what is out"),
    };
    format!("the orders of report {n} keep it back (`{code}`): {listed}{end}")
}

pub(super) fn still_held(asked: Asked, n: i64, reason: Reason) -> String {
    let remedy = match reason.remedy() {
        Remedy::Identify => format!("`wickline held identify {n}` asks whose it is"),
        Remedy::Reread => format!(
            "mend the dialect, strip or configuration, then `wickline held reread {n}`; or \
             `wickline held set-aside {n}`"
        ),
        Remedy::Release | Remedy::Decide => {
            format!("`wickline held show {n}` tells what lets it go")
        }
        Remedy::Settle => {
            format!(
                "`wickline find {n}` names the orders of its specimen and the command that settles each; or \
                 `wickline held set-aside {n}`"
            )
        }
        Remedy::SetAside => format!("`wickline held set-aside {n}`"),
    };
    let code = reason.code();
    match asked {
        Asked::Release => {
            format!("report {n} is held for `{code}`, which a release does not lift: {remedy}")
        }
        _ => format!("report {n} is also held for `{code}`: {remedy}"),
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
            format!(
                "report {root}, which {n} was to correct, was withdrawn since: `wickline held set-aside {n}`"
            )
        }
        None => {
            format!(
                "report {n}: what was told under its OBR-3 was withdrawn, nothing follows that; \
                 `wickline find {n}` tells what receivers hold"
            )
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
                     withdrawal again; once it was told otherwise, `wickline report told {report} \
                     --receiver {receiver}` asks who was told, when and how. Nothing was changed"
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
pub(super) fn overtaken(asked: Asked, facts: &Facts<'_>) -> Option<String> {
    let (n, Under::Report(now)) = (facts.n, facts.under) else { return None };
    if now == n || (facts.state == Some(ReportState::Held) && now < n) {
        return None;
    }
    Some(match facts.state {
        Some(ReportState::Held) => {
            format!(
                "report {now}, heard later, has corrected the same report since: `wickline held set-aside {n}`"
            )
        }
        _ => {
            let instead = match asked {
                Asked::Correct => format!("`wickline report correct {now}`"),
                Asked::Withdraw => format!("`wickline report withdraw {now}`"),
                _ => format!("`wickline find {now}` tells of it"),
            };
            format!(
                "report {now} goes under its OBR-3 now: name that one in place of {n}; {instead}"
            )
        }
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
             `wickline held decide {n} new-run`, or `wickline report withdraw {of}` if that one went under \
             the wrong specimen"
        ),
        _ => format!(
            "report {of} bears another specimen id than report {n}: readings never move between specimens. If \
             cups were swapped, give each report its right id: `wickline report withdraw {n}` and `wickline \
             report withdraw {of}` ask for it"
        ),
    })
}
