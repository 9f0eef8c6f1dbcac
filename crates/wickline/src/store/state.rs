//! The states of reports and messages, and the only arrows along which they move.
//!
//! A row changes its state only along an [`Arrow`], and an arrow that the rules do not have cannot be made:
//! asking for it is an error in every build.

use std::fmt;

use super::StoreError;

/// An allowed move from one state to another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Arrow<S> {
    from: S,
    to: S,
}

impl<S: Copy> Arrow<S> {
    /// The state that the row must be in.
    pub fn from(self) -> S {
        self.from
    }

    /// The state that it gets.
    pub fn to(self) -> S {
        self.to
    }

    /// No move at all: the row stays as it is while something else about it changes.
    pub fn stays(at: S) -> Self {
        Self { from: at, to: at }
    }
}

macro_rules! states {
    ($(#[$doc:meta])* $name:ident, $what:literal: $($state:ident $text:literal => [$($next:ident),*]),+ $(,)?) => {
        $(#[$doc])*
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum $name { $($state),+ }

        impl $name {
            pub const ALL: &[$name] = &[$($name::$state),+];

            /// As the ledger and people have it.
            #[must_use]
            pub fn text(self) -> &'static str {
                match self { $($name::$state => $text),+ }
            }

            /// The state that a stored text names. None: this program has no such state.
            #[must_use]
            pub fn of(text: &str) -> Option<Self> {
                Self::ALL.iter().copied().find(|s| s.text() == text)
            }

            /// The arrow from here to `next`, where there is one.
            pub fn to(self, next: Self) -> Result<Arrow<Self>, StoreError> {
                let allowed: &[$name] = match self { $($name::$state => &[$($name::$next),*]),+ };
                if allowed.contains(&next) {
                    return Ok(Arrow { from: self, to: next });
                }
                let why = format!("{self} never becomes {next}");
                Err(StoreError::Wrong { what: concat!("the state of a ", $what).into(), why })
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(self.text())
            }
        }
    };
}

states! {
    /// Where a report stands.
    ReportState, "report":
    Held "held" => [Waiting, Filed, Repeat, SetAside],
    // Withdrawn; or back to a person who took an identification back before anything was sent.
    Waiting "waiting" => [SetAside, Held],
    // A person takes back that it was control material.
    Filed "filed" => [Held],
    Repeat "repeat" => [],
    // A person takes the decision back.
    SetAside "set-aside" => [Held],
}

states! {
    /// Where a message stands.
    MessageState, "message":
    Waiting "waiting" => [Accepted, Refused, SetAside],
    Accepted "accepted" => [],
    Refused "refused" => [Waiting, SetAside],
    // On the wire while it was set aside: what the receiver accepted, it has. Or a person takes it back.
    SetAside "set-aside" => [Accepted, Waiting],
}

states! {
    /// Where a number stands that an analyzer gave out and nobody heard in its turn.
    NumberState, "number":
    Missing "missing" => [Explained, Heard],
    // A person takes the explanation back; or it came after all.
    Explained "explained" => [Missing, Heard],
    Heard "heard" => [],
}

/// Where a report, a message or a number is on its way, in the words that people read.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum State {
    #[default]
    Heard,
    Held,
    Waiting,
    Accepted,
    Refused,
    SetAside,
    Filed,
    Repeat,
    Missing,
    Explained,
}

impl State {
    pub const ALL: [State; 10] = [
        State::Heard,
        State::Held,
        State::Waiting,
        State::Accepted,
        State::Refused,
        State::SetAside,
        State::Filed,
        State::Repeat,
        State::Missing,
        State::Explained,
    ];

    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            State::Heard => "heard",
            State::Held => "held",
            State::Waiting => "waiting",
            State::Accepted => "accepted",
            State::Refused => "refused",
            State::SetAside => "set-aside",
            State::Filed => "filed",
            State::Repeat => "repeat",
            State::Missing => "missing",
            State::Explained => "explained",
        }
    }

    /// What people read of a message in this state; one that a person keeps back says that.
    #[must_use]
    pub fn shown(self, kept_back: bool) -> &'static str {
        if kept_back { "kept back" } else { self.text() }
    }

    /// The state of this name. None: there is no such state.
    #[must_use]
    pub fn of(text: &str) -> Option<State> {
        State::ALL.into_iter().find(|s| s.text() == text)
    }

    /// True where nobody has to do anything any more.
    #[must_use]
    pub fn is_done(self) -> bool {
        match self {
            State::Accepted | State::SetAside | State::Filed | State::Repeat | State::Explained => {
                true
            }
            State::Heard | State::Held | State::Waiting | State::Refused | State::Missing => false,
        }
    }
}

/// Tests read what people read.
#[cfg(test)]
impl PartialEq<&str> for State {
    fn eq(&self, text: &&str) -> bool {
        self.text() == *text
    }
}

impl serde::Serialize for State {
    fn serialize<S: serde::Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(self.text())
    }
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.text())
    }
}

impl From<ReportState> for State {
    fn from(state: ReportState) -> Self {
        match state {
            ReportState::Held => State::Held,
            ReportState::Waiting => State::Waiting,
            ReportState::Filed => State::Filed,
            ReportState::Repeat => State::Repeat,
            ReportState::SetAside => State::SetAside,
        }
    }
}

impl From<NumberState> for State {
    fn from(state: NumberState) -> Self {
        match state {
            NumberState::Missing => State::Missing,
            NumberState::Explained => State::Explained,
            NumberState::Heard => State::Heard,
        }
    }
}

impl From<MessageState> for State {
    fn from(state: MessageState) -> Self {
        match state {
            MessageState::Waiting => State::Waiting,
            MessageState::Accepted => State::Accepted,
            MessageState::Refused => State::Refused,
            MessageState::SetAside => State::SetAside,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::{MessageState, NumberState, ReportState, State};

    #[test]
    fn only_the_arrows_that_were_drawn_can_be_made() {
        use ReportState::{Filed, Held, Repeat, SetAside, Waiting};
        let drawn = [
            (Held, Waiting),
            (Held, Filed),
            (Held, Repeat),
            (Held, SetAside),
            (Waiting, SetAside),
            (Waiting, Held),
            (Filed, Held),
            (SetAside, Held),
        ];
        for from in ReportState::ALL {
            for to in ReportState::ALL {
                assert_eq!(from.to(*to).is_ok(), drawn.contains(&(*from, *to)), "{from} to {to}");
            }
        }
    }

    #[test]
    fn what_a_receiver_accepted_stays_accepted_and_nothing_is_accepted_unless_it_may_have_gone() {
        for to in MessageState::ALL {
            assert!(MessageState::Accepted.to(*to).is_err());
            assert!(to.to(*to).is_err(), "{to} to itself");
        }
        assert!(MessageState::Refused.to(MessageState::Accepted).is_err());
    }

    #[test]
    fn a_text_that_no_state_has_names_none() {
        for state in ReportState::ALL {
            assert_eq!(ReportState::of(state.text()), Some(*state));
            assert_eq!(State::from(*state).text(), state.text());
        }
        for state in MessageState::ALL {
            assert_eq!(MessageState::of(state.text()), Some(*state));
            assert_eq!(State::from(*state).text(), state.text());
        }
        assert_eq!(ReportState::of("accepted"), None);
        assert_eq!(MessageState::of("held"), None);
    }

    #[test]
    fn a_number_that_came_is_never_missing_again() {
        use NumberState::{Explained, Heard, Missing};
        let drawn =
            [(Missing, Explained), (Missing, Heard), (Explained, Missing), (Explained, Heard)];
        for from in NumberState::ALL {
            assert_eq!(NumberState::of(from.text()), Some(*from));
            for to in NumberState::ALL {
                assert_eq!(from.to(*to).is_ok(), drawn.contains(&(*from, *to)), "{from} to {to}");
            }
        }
        assert_eq!(NumberState::of("waiting"), None);
    }
}
