//! What a person has to do about a line of the day sheet, in words.

use std::fmt;

use serde::{Serialize, Serializer};
use wickline_normalize::{Reason, Remedy};

use super::barriers::{Barrier, Barriers};
use crate::store::lists::reports::{Delivery, Item};
use crate::store::state::State;
use crate::texts::{Said, say, way};

/// What a person can do about a hold: commands that run as they stand, and ask for what they need.
#[must_use]
pub fn remedy_words(reason: Reason, id: &str) -> String {
    let aside = format!("`wickline held set-aside {id}`");
    if reason.is_of_controls() {
        return format!(
            "run the controls that are due or failed: it goes by itself once they pass. `wickline held release {id}` \
             sends it in spite of them, {aside} does not"
        );
    }
    if reason == Reason::PatientNamed {
        return format!(
            "compare the label of the cup with its order (`wickline orders`) and with what the analyzer was told: a new \
             strip under the right id goes by itself, and `wickline held identify {id}` gives this one the id that is \
             right. `wickline held release {id}` sends it without the order and its patient, {aside} does not"
        );
    }
    if reason == Reason::OrderUnsayable {
        return format!(
            "its reason names the receiver, its character set and the field: it goes by itself once who ordered it \
             sends that so that it can be written (a name by ADT^A08), or once the receiver's `charset` has it. \
             `wickline held release {id}` sends it without the order and its patient, {aside} does not"
        );
    }
    if reason == Reason::OrderAmbiguous {
        return format!(
            "`wickline find {id}` names the orders of its specimen and what became of each. Where this strip is a second \
             one of the same cup, {aside}; where it is to go all the same, `wickline held release {id}` sends it \
             without an order. It goes by itself once one order alone fits"
        );
    }
    if reason == Reason::SpecimenUnknown {
        return format!(
            "`wickline find {id}` tells what is known of its specimen's orders: it goes by itself once one fits. Where its \
             id is wrong, `wickline held identify {id}` gives it the right one. `wickline held release {id}` sends it \
             without an order, a patient and their priority, {aside} does not"
        );
    }
    if reason.is_of_orders() && reason.remedy() == Remedy::Release {
        return format!(
            "`wickline find {id}` tells what is known of its specimen's orders: it goes by itself once one fits. \
             `wickline held release {id}` sends it without an order, a patient and their priority, {aside} does not"
        );
    }
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
        Remedy::Settle => format!(
            "`wickline find {id}` names the orders of its specimen and the command that settles each; or {aside}"
        ),
        Remedy::SetAside => format!("{aside}; have the analyzer send it again where it can"),
    }
}

/// What to do as people read it: a command between backticks, a sentence as it is.
#[must_use]
pub fn shown(todo: &str) -> String {
    let command = ["wickline ", "systemctl "].iter().any(|program| todo.starts_with(program));
    if command { format!("`{todo}`") } else { todo.to_owned() }
}

/// The same of a report that no ledger has: in words.
#[must_use]
pub fn remedy_in_words(reason: Reason) -> &'static str {
    match reason.remedy() {
        Remedy::Release => "a person releases it with a reason, or sets it aside",
        Remedy::Identify => "a person says whose it is, or which control, or sets it aside",
        Remedy::Reread => "mend the dialect, strip or configuration and have it read again",
        Remedy::Decide => "a person decides: a new run, a correction or a mistake",
        Remedy::Settle => "a person settles whose order of its specimen is right, or sets it aside",
        Remedy::SetAside => "a person sets it aside; the analyzer sends it again where it can",
    }
}

/// What is to be done about a line: in words, and where one command does it, that command as it is run.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Todo {
    pub words: Said,
    pub command: Option<String>,
}

impl Todo {
    fn of(words: impl Into<Said>) -> Option<Self> {
        Some(Self { words: words.into(), command: None })
    }

    fn run(words: impl Into<Said>, command: impl Into<String>) -> Option<Self> {
        Some(Self { words: words.into(), command: Some(command.into()) })
    }
}

impl fmt::Display for Todo {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match &self.command {
            Some(command) => write!(f, "{}: {command}", self.words),
            None => self.words.fmt(f),
        }
    }
}

impl Serialize for Todo {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

/// What is to be done about a line. None: nothing.
#[must_use]
pub fn todo(item: &Item, date: &str, barriers: &Barriers) -> Option<Todo> {
    let at = |state: State| item.deliveries.iter().find(|d| d.state == state);
    match item.state {
        State::Missing => return missing(item, date),
        State::Held | State::Heard => {
            // Under the id that it had until now something may be wrong yet.
            let before = at(State::Refused).filter(|d| d.withdraws());
            let before = before.map(|d| not_taken(item, d));
            let all = std::iter::once(Said::from(held(item))).chain(before);
            return Todo::of(Said::list("; ", all));
        }
        _ => {}
    }
    if let Some(refused) = at(State::Refused) {
        let Delivery { message, .. } = refused;
        if refused.withdraws() {
            return Todo::run(not_taken(item, refused), format!("wickline queue show {message}"));
        }
        return Todo::run(stuck(item, refused), format!("wickline queue show {message}"));
    }
    if let Some(waiting) = at(State::Waiting) {
        let Delivery { message, receiver, .. } = waiting;
        if waiting.on_hold {
            let mut why = match waiting.detail.as_deref() {
                Some(why) => Said::from(why),
                None => say!("todo.kept_back"),
            };
            if waiting.withdraws() {
                why = why.then(". ").then(say!("todo.has_wrong", receiver = receiver));
            }
            return Todo::of(why.then("; ").then(way!("lets_go", message = message)));
        }
        return match barriers.get(receiver) {
            Some(Barrier { words, command }) => {
                Some(Todo { words: words.clone(), command: command.clone() })
            }
            None => Todo::of(
                say!("todo.it_goes", receiver = receiver).then("; ").then(way!("queue_when")),
            ),
        };
    }
    item.is_open().then(|| Todo::of(say!("todo.no_receiver"))).flatten()
}

/// What can be done about results that were refused.
fn stuck(item: &Item, Delivery { message, receiver, reason, .. }: &Delivery) -> Said {
    if let Some(barred) = item.barred {
        let code = Said::code("reason", barred.code());
        let first = match barred.remedy() {
            Remedy::Settle => way!("settled_first"),
            _ => Said::default(),
        };
        let ends = way!("message_ends", name = message);
        return say!("todo.orders_keep", code = code, how = first.then(ends));
    }
    if reason.as_deref() == Some("unsayable") {
        return say!(
            "todo.unsayable",
            receiver = receiver,
            how = way!("unsayable", message = message)
        );
    }
    say!("todo.refused", receiver = receiver, how = way!("again_or_aside", message = message))
}

/// A withdrawal that was refused.
fn not_taken(item: &Item, Delivery { message, receiver, .. }: &Delivery) -> Said {
    let (n, to) = (&item.id, receiver);
    let how = way!("tell_again", message = message, n = n, receiver = to);
    say!("todo.not_taken", receiver = receiver, how = how)
}

/// Whether it is open and only waits for its receivers: of many such lines their count says enough.
#[must_use]
pub fn only_waits(item: &Item) -> bool {
    let mut open = item.deliveries.iter().filter(|d| !d.state.is_done()).peekable();
    let held = matches!(item.state, State::Held | State::Heard | State::Missing);
    !held && open.peek().is_some() && open.all(|d| d.state == State::Waiting && !d.on_hold)
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

fn missing(item: &Item, date: &str) -> Option<Todo> {
    let number = item.number.as_deref().unwrap_or("");
    let (analyzer, id) = (word(&item.analyzer), word(&item.id));
    if item.reason.as_deref() == Some("last-unknown") {
        let last = number.strip_prefix("after ").unwrap_or(number);
        let confirm = word(&format!("{}={last}", item.analyzer));
        let how = way!("last_number", date = date, confirm = confirm);
        let words = say!("todo.last_unknown", how = how).then("; ").then(way!("else"));
        return Todo::run(words, format!("wickline day explain {id} --date {date}"));
    }
    let words = match item.numbers.is_some_and(|n| n > 1) {
        true => say!("todo.missing_several", how = way!("if_never_several")),
        false => say!("todo.missing_one", how = way!("if_never")),
    };
    // A number of the first run of its day is named as it is printed; of another its id tells which.
    let which = if item.id.contains('#') { id } else { word(number) };
    let command = format!("wickline day explain {which} --analyzer {analyzer} --date {date}");
    Todo::run(words, command)
}

/// One word of a command line, whatever an analyzer printed.
#[must_use]
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
    use super::super::barriers::{Barrier, Barriers};
    use super::{only_waits, todo, word};
    use crate::store::lists::reports::{Delivery, HoldView, Item};
    use crate::store::state::State;

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
            state: State::of(state).expect("a state"),
            holds: reasons.iter().map(hold).collect(),
            ..Item::default()
        }
    }

    fn at(state: &str, on_hold: bool) -> Delivery {
        Delivery {
            receiver: "lis".into(),
            state: State::of(state).expect("a state"),
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

    fn said(item: &Item, barriers: &Barriers) -> String {
        todo(item, "2026-03-14", barriers).map(|t| t.to_string()).unwrap_or_default()
    }

    #[test]
    fn every_open_line_says_what_to_do_and_a_finished_one_says_nothing() {
        let none = Barriers::new();
        for (item, part) in [
            (item("held", "routine", &["specimen-blank"]), "held identify 17`"),
            (item("held", "routine", &["clock-off", "pad-unread"]), "names 1 more"),
            (item("held", "control", &["clock-off"]), "wickline held set-aside 17"),
            (
                item("missing", "routine", &[]),
                "wickline day explain 41 --analyzer bench-1 --date 2026-03-14",
            ),
            (item("waiting", "routine", &[]), "configure a receiver"),
        ] {
            assert!(said(&item, &none).contains(part), "{item:?}: {}", said(&item, &none));
        }
        let sent =
            |delivery| Item { deliveries: vec![delivery], ..item("waiting", "routine", &[]) };
        assert!(said(&sent(at("refused", false)), &none).contains("wickline queue show 17@lis"));
        assert!(said(&sent(at("waiting", false)), &none).starts_with("nothing but time"));
        assert!(said(&sent(at("waiting", true)), &none).contains("queue retry 17@lis"));
        for (state, on_hold, alone) in [
            ("waiting", false, true),
            ("waiting", true, false),
            ("refused", false, false),
            ("accepted", false, false),
        ] {
            assert_eq!(only_waits(&sent(at(state, on_hold))), alone, "{state} {on_hold}");
        }
        assert!(!only_waits(&item("waiting", "routine", &[])), "nothing carries it");
        for state in ["accepted", "filed", "repeat", "set-aside", "explained"] {
            assert_eq!(todo(&item(state, "routine", &[]), "2026-03-14", &none), None, "{state}");
        }
    }

    #[test]
    fn what_waits_for_a_receiver_that_takes_nothing_does_not_go_by_itself() {
        let words = "lis was paused by J. Mast".into();
        let command = Some("wickline queue resume lis".to_owned());
        let barriers = Barriers::from([("lis".to_owned(), Barrier { words, command })]);
        let item =
            Item { deliveries: vec![at("waiting", false)], ..item("waiting", "routine", &[]) };
        let said = said(&item, &barriers);
        assert_eq!(said, "lis was paused by J. Mast: wickline queue resume lis");
    }

    #[test]
    fn nothing_printed_steers_a_shell() {
        assert_eq!(word("Q1003"), "Q1003");
        assert_eq!(word("a'; rm"), "'a'\\''; rm'");
        assert_eq!(word(""), "''");
    }
}
