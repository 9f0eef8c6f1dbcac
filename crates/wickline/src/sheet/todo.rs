//! What a person has to do about a line of the day sheet, in words.

use wickline_normalize::{Reason, Remedy};

use crate::store::lists::reports::{Delivery, Item};
use crate::store::state::State;

/// What a person can do about a hold: commands that run as they stand, and ask for what they need.
#[must_use]
pub fn remedy_words(reason: Reason, id: &str) -> String {
    let aside = format!("`wickline held set-aside {id}`");
    match reason.remedy() {
        Remedy::Release => {
            format!("`wickline held release {id}` sends it as it is, {aside} does not")
        }
        Remedy::Identify => {
            format!("`wickline held identify {id}` asks whose it is, or {aside}")
        }
        Remedy::Reread => format!(
            "mend the dialect, strip or configuration, then `wickline held reread {id}`; or {aside}"
        ),
        Remedy::Decide => format!(
            "`wickline held decide {id} new-run`, `wickline held decide {id} correction` or \
             `wickline held decide {id} mistake`"
        ),
        Remedy::SetAside => format!("{aside}; have the analyzer send it again where it can"),
    }
}

/// The same of a report that no ledger has: in words.
#[must_use]
pub fn remedy_in_words(reason: Reason) -> &'static str {
    match reason.remedy() {
        Remedy::Release => "a person releases it with a reason, or sets it aside",
        Remedy::Identify => "a person says whose it is, or which control, or sets it aside",
        Remedy::Reread => "mend the dialect, strip or configuration and have it read again",
        Remedy::Decide => "a person decides: a new run, a correction or a mistake",
        Remedy::SetAside => "a person sets it aside; the analyzer sends it again where it can",
    }
}

/// What is to be done about a line, in one sentence. None: nothing.
#[must_use]
pub fn todo(item: &Item, date: &str) -> Option<String> {
    let at = |state: State| item.deliveries.iter().find(|d| d.state == state.text());
    match State::of(&item.state) {
        State::Missing => return Some(missing(item, date)),
        State::Held | State::Heard => return Some(held(item)),
        _ => {}
    }
    if let Some(refused) = at(State::Refused) {
        let Delivery { message, receiver, .. } = refused;
        return Some(format!(
            "`wickline queue show {message}` says what {receiver} answered; then `wickline queue retry \
             {message}`, or `wickline queue set-aside {message}`"
        ));
    }
    if let Some(waiting) = at(State::Waiting) {
        let Delivery { message, receiver, .. } = waiting;
        return Some(if waiting.on_hold {
            format!("a person keeps it back: `wickline queue retry {message}` lets it go")
        } else {
            format!(
                "nothing but time: it goes to {receiver} by itself; `wickline queue` shows when"
            )
        });
    }
    item.is_open().then(|| "configure a receiver that takes this analyzer's results".to_owned())
}

/// Whether it is open and goes on by itself: of many such lines their count says enough.
#[must_use]
pub fn goes_by_itself(item: &Item) -> bool {
    let mut open = item.deliveries.iter().filter(|d| !State::of(&d.state).is_done()).peekable();
    let held = matches!(State::of(&item.state), State::Held | State::Heard | State::Missing);
    !held
        && open.peek().is_some()
        && open.all(|d| State::of(&d.state) == State::Waiting && !d.on_hold)
}

fn held(item: &Item) -> String {
    let mut open = item.holds.iter().filter(|h| !h.cleared);
    let first = open.next().and_then(|h| h.reason.parse::<Reason>().ok());
    let Some(reason) = first else { return format!("`wickline held show {}` tells why", item.id) };
    let barred = item.class == "control" && reason.remedy() == Remedy::Release;
    let words = if barred {
        format!("`wickline held set-aside {}`: control material is never released", item.id)
    } else {
        remedy_words(reason, &item.id)
    };
    let more = match open.count() {
        0 => String::new(),
        more => format!("; `wickline held show {}` names {more} more reason(s)", item.id),
    };
    format!("{words}{more}")
}

fn missing(item: &Item, date: &str) -> String {
    let number = item.number.as_deref().unwrap_or("");
    let (analyzer, id) = (word(&item.analyzer), word(&item.id));
    if item.reason.as_deref() == Some("last-unknown") {
        let last = number.strip_prefix("after ").unwrap_or(number);
        let confirm = word(&format!("{}={last}", item.analyzer));
        return format!(
            "look in the analyzer's memory which was its last number: day close {date} --last {confirm} \
             confirms it, else day explain {id} --date {date} --reason TEXT"
        );
    }
    format!(
        "look for it in the analyzer's memory and have it sent again; if it never comes: day explain {} \
         --analyzer {analyzer} --date {date} --reason TEXT",
        word(number)
    )
}

/// One word of a command line, whatever an analyzer printed.
pub fn word(text: &str) -> String {
    let plain =
        |c: char| c.is_ascii_alphanumeric() || matches!(c, '.' | '_' | '/' | '-' | '=' | '#' | '@');
    if !text.is_empty() && text.chars().all(plain) {
        return text.to_owned();
    }
    format!("'{}'", text.replace('\'', "'\\''"))
}

#[cfg(test)]
mod tests {
    use super::{goes_by_itself, todo, word};
    use crate::store::lists::reports::{Delivery, HoldView, Item};

    fn item(state: &str, class: &str, reasons: &[&str]) -> Item {
        let hold = |reason: &&str| HoldView {
            reason: (*reason).to_owned(),
            detail: String::new(),
            line: None,
            cleared: false,
        };
        Item {
            id: "17".into(),
            analyzer: "bench-1".into(),
            number: Some("41".into()),
            class: class.into(),
            state: state.into(),
            holds: reasons.iter().map(hold).collect(),
            ..Item::default()
        }
    }

    fn at(state: &str, on_hold: bool) -> Delivery {
        Delivery {
            receiver: "lis".into(),
            state: state.into(),
            message: "17@lis".into(),
            control_id: String::new(),
            attempts: 0,
            reason: None,
            detail: None,
            next_attempt_at: None,
            accepted_at: None,
            on_hold,
            amends: None,
            retired: None,
        }
    }

    #[test]
    fn every_open_line_says_what_to_do_and_a_finished_one_says_nothing() {
        let said = |item: &Item| todo(item, "2026-03-14").unwrap_or_default();
        for (item, part) in [
            (item("held", "routine", &["specimen-blank"]), "held identify 17`"),
            (item("held", "routine", &["clock-off", "pad-unread"]), "names 1 more"),
            (item("held", "control", &["clock-off"]), "held set-aside 17"),
            (
                item("missing", "routine", &[]),
                "day explain 41 --analyzer bench-1 --date 2026-03-14",
            ),
            (item("waiting", "routine", &[]), "configure a receiver"),
        ] {
            assert!(said(&item).contains(part), "{item:?}: {}", said(&item));
        }
        let sent =
            |delivery| Item { deliveries: vec![delivery], ..item("waiting", "routine", &[]) };
        assert!(said(&sent(at("refused", false))).starts_with("`wickline queue show 17@lis`"));
        assert!(said(&sent(at("waiting", false))).starts_with("nothing but time"));
        assert!(said(&sent(at("waiting", true))).contains("wickline queue retry 17@lis`"));
        for (state, on_hold, alone) in [
            ("waiting", false, true),
            ("waiting", true, false),
            ("refused", false, false),
            ("accepted", false, false),
        ] {
            assert_eq!(goes_by_itself(&sent(at(state, on_hold))), alone, "{state} {on_hold}");
        }
        assert!(!goes_by_itself(&item("waiting", "routine", &[])), "nothing carries it");
        for state in ["accepted", "filed", "repeat", "set-aside", "explained"] {
            assert_eq!(todo(&item(state, "routine", &[]), "2026-03-14"), None, "{state}");
        }
    }

    #[test]
    fn nothing_printed_steers_a_shell() {
        assert_eq!(word("Q1003"), "Q1003");
        assert_eq!(word("a'; rm"), "'a'\\''; rm'");
        assert_eq!(word(""), "''");
    }
}
