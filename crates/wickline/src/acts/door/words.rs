//! Why the door says no, in words for the person who asked: what was found, and what to do.

use wickline_normalize::{Reason, Remedy};

use super::{Asked, Facts, Guard, Post, Under};
use crate::store::lists::names::Name;
use crate::store::state::{MessageState, ReportState};
use crate::texts::{Said, say, way};

pub(super) fn wrong_state(guard: Guard, facts: &Facts<'_>) -> Option<Said> {
    let n = facts.n;
    let state = facts.state?;
    let (right, wanted) = match guard {
        Guard::IsHeld => (state == ReportState::Held, say!("no.wanted_held")),
        Guard::IsOut if facts.control => {
            (matches!(state, ReportState::Waiting | ReportState::Filed), say!("no.wanted_out"))
        }
        Guard::IsOut => (state == ReportState::Waiting, say!("no.wanted_out")),
        _ if state == ReportState::SetAside && !facts.aside_by_person => {
            return Some(say!("no.was_withdrawn", n = n, how = way!("find_holds", n = n)));
        }
        _ => (state == ReportState::SetAside, say!("no.wanted_aside")),
    };
    let how = where_to(facts);
    (!right).then(|| say!("no.is_not", n = n, stands = stands(facts), wanted = wanted, how = how))
}

/// How a report stands, for a person: `waiting` is a word for messages.
fn stands(facts: &Facts<'_>) -> Said {
    match facts.state {
        Some(ReportState::Waiting) => say!("no.stands_out"),
        Some(ReportState::SetAside) if facts.aside_by_person => say!("no.stands_aside"),
        Some(ReportState::SetAside) => say!("no.stands_withdrawn"),
        Some(ReportState::Filed) => say!("no.stands_filed"),
        Some(ReportState::Repeat) => say!("no.stands_repeat"),
        Some(ReportState::Held) => say!("no.stands_held"),
        None => say!("no.stands_new"),
    }
}

/// With what a person goes on.
fn where_to(facts: &Facts<'_>) -> Said {
    let n = facts.n;
    match facts.state {
        Some(ReportState::Held) => way!("held_show", n = n),
        Some(ReportState::SetAside) if facts.aside_by_person => way!("undo", n = n),
        Some(ReportState::SetAside) => way!("find_holds", n = n),
        _ => way!("find_where", n = n),
    }
}

/// What `undo` does not take back: nobody named it, or what was named went out.
pub(super) fn not_undone(guard: Guard, facts: &Facts<'_>) -> Option<Said> {
    let n = facts.n;
    let (bars, why) = match guard {
        Guard::IsNamed => (!facts.named, say!("no.nobody_named")),
        _ => (facts.sent, say!("no.went_out")),
    };
    let how = match facts.state == Some(ReportState::Waiting) && !facts.control {
        true => way!("withdraw_ask", n = n),
        false => where_to(facts),
    };
    bars.then(|| say!("no.nothing_to_undo", n = n, stands = stands(facts), why = why, how = how))
}

pub(super) fn answers_nothing(asked: Asked, facts: &Facts<'_>) -> Option<Said> {
    if facts.holds.iter().any(|r| asked.is_asked_for(*r)) {
        return None;
    }
    let (n, how) = (facts.n, where_to(facts));
    Some(match asked {
        Asked::Identify | Asked::FileAsControl => say!("no.not_for_specimen", n = n, how = how),
        _ => {
            let what = Said::kept(&codes(facts.holds));
            say!("no.nothing_to_decide", n = n, what = what, how = how)
        }
    })
}

/// The reasons of holds, for people and the trail.
#[must_use]
pub fn codes(reasons: &[Reason]) -> String {
    let codes: Vec<&str> = reasons.iter().map(|r| r.code()).collect();
    if codes.is_empty() { say!("kept.no_hold").to_string() } else { codes.join(", ") }
}

pub(super) fn of_control(asked: Asked, facts: &Facts<'_>) -> Said {
    let (n, how) = (facts.n, where_to(facts));
    match asked {
        Asked::Correct | Asked::CorrectAsIn | Asked::Withdraw | Asked::Rename => {
            say!("no.control_chart", n = n)
        }
        Asked::Correction => say!("no.control_corrects", n = n, how = how),
        _ => say!("no.control_goes", n = n, how = how),
    }
}

fn coded(reason: Reason) -> Said {
    Said::code("reason", reason.code())
}

/// What is out, or on its way: its orders say otherwise since.
pub(super) fn kept_by_orders(facts: &Facts<'_>, reason: Reason) -> Said {
    let n = facts.n;
    let disputed = reason == Reason::PatientConflict;
    let nowhere = facts.post.as_ref().filter(|_| facts.nowhere);
    let listed = match (nowhere, disputed) {
        (_, true) => way!("orders_disputed"),
        (None, false) => way!("orders_cancelled"),
        (Some(_), false) => Said::default(),
    };
    let end = match nowhere {
        Some(Post { name, .. }) => say!("no.nothing_of_it_out")
            .then(": ")
            .then(way!("message_ends", name = name.to_string())),
        None => way!("withdraw_out", n = n),
    };
    say!("no.orders_keep", n = n, code = coded(reason), how = listed.then(end))
}

pub(super) fn still_held(asked: Asked, n: i64, reason: Reason) -> Said {
    let how = match reason.remedy() {
        Remedy::Identify => way!("identify", n = n),
        Remedy::Reread => way!("reread", n = n),
        Remedy::Release | Remedy::Decide => way!("held_show", n = n),
        Remedy::Settle => way!("settle", n = n),
        Remedy::SetAside => way!("set_aside", n = n),
    };
    match asked {
        Asked::Release => say!("no.held_release", n = n, code = coded(reason), how = how),
        _ => say!("no.held_also", n = n, code = coded(reason), how = how),
    }
}

/// What was told under the OBR-3 was taken back.
pub(super) fn withdrawn(facts: &Facts<'_>) -> Option<Said> {
    if let Some(Post { name, retired: true, .. }) = &facts.post {
        let shown = name.to_string();
        return Some(match name.withdraws {
            true => say!("no.retired_already", name = shown),
            false => say!("no.retired", name = &shown)
                .then("; ")
                .then(way!("message_ends", name = shown)),
        });
    }
    let n = facts.n;
    (facts.under == Under::Withdrawn).then(|| match facts.corrects {
        Some(root) => {
            say!("no.root_withdrawn", root = root, n = n).then(": ").then(way!("set_aside", n = n))
        }
        None => say!("no.under_withdrawn", n = n, how = way!("find_holds", n = n)),
    })
}

/// A message that is not where the act begins.
pub(super) fn wrong_message(guard: Guard, post: &Post) -> Option<Said> {
    let Post { name, state, kept_back, aside_by_person, amends, .. } = post;
    let shown = name.to_string();
    let put_off = (*kept_back && *state == MessageState::Waiting)
        || (*aside_by_person && *state == MessageState::SetAside);
    let (right, wanted) = match guard {
        Guard::NoAmends => {
            let Name { report, receiver, .. } = name;
            return amends.then(|| {
                let how =
                    way!("withdrawal_again", name = &shown, report = report, receiver = receiver);
                say!("no.still_wrong", name = &shown, how = how)
            });
        }
        Guard::Waits => (*state == MessageState::Waiting && !kept_back, say!("no.wanted_waits")),
        Guard::Unsettled => (
            matches!(state, MessageState::Waiting | MessageState::Refused),
            say!("no.wanted_unsettled"),
        ),
        Guard::Stuck => (put_off || *state == MessageState::Refused, say!("no.wanted_stuck")),
        _ => (put_off, say!("no.wanted_put_off")),
    };
    let how = way!("message_show", name = &shown);
    let state = Said::code("state", state.text());
    (!right).then(|| say!("no.message_is", name = shown, state = state, wanted = wanted, how = how))
}

/// A report speaks under its OBR-3, or follows the one that does.
pub(super) fn overtaken(asked: Asked, facts: &Facts<'_>) -> Option<Said> {
    let (n, Under::Report(now)) = (facts.n, facts.under) else { return None };
    if now == n || (facts.state == Some(ReportState::Held) && now < n) {
        return None;
    }
    if facts.state == Some(ReportState::Held) {
        return Some(say!("no.corrected_since", now = now, how = way!("set_aside", n = n)));
    }
    let how = match asked {
        Asked::Correct => way!("correct", n = now),
        Asked::Withdraw => way!("withdraw", n = now),
        _ => way!("find_of", n = now),
    };
    Some(say!("no.name_other", now = now, n = n, how = how))
}

/// Readings never move between specimens. A held correction without an id of its own, or with the one that
/// the earlier print bore, takes the earlier report's.
pub(super) fn other_specimen(asked: Asked, facts: &Facts<'_>) -> Option<Said> {
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
        Asked::Correction => {
            say!("no.other_specimen", n = n, of = of, how = way!("new_run", n = n, of = of))
        }
        _ => say!("no.between_specimens", n = n, of = of, how = way!("swapped", n = n, of = of)),
    })
}
