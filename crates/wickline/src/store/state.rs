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
    /// Where a number stands that an analyzer gave out and nobody heard in its turn.
    NumberState, "number":
    Missing "missing" => [Explained, Heard],
    // A person takes the explanation back; or it came after all.
    Explained "explained" => [Missing, Heard],
    Heard "heard" => [],
}

/// Where a report or a message is on its way.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum State {
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

    /// The state that a stored text names. An unknown text is shown as held: a person must look.
    #[must_use]
    pub fn of(text: &str) -> State {
        State::ALL.into_iter().find(|s| s.text() == text).unwrap_or(State::Held)
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

    /// The arrows.
    #[must_use]
    pub fn may_become(self, next: State) -> bool {
        match (self, next) {
            (State::Heard, State::Held | State::Waiting | State::Filed | State::Repeat)
            | (State::Held, State::Waiting | State::Filed | State::Repeat | State::SetAside)
            | (State::Waiting, State::Accepted | State::Refused | State::SetAside)
            | (State::Refused, State::Waiting | State::SetAside)
            | (State::Missing, State::Explained | State::Heard)
            // Set aside while it was on the wire: what the receiver accepted, it has.
            | (State::SetAside, State::Accepted) => true,
            // Accepted, filed and repeat are ends.
            _ => false,
        }
    }
}

impl fmt::Display for State {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.text())
    }
}

#[cfg(test)]
mod tests {
    use super::{NumberState, State};

    #[test]
    fn nothing_leaves_an_end_and_nothing_is_accepted_unless_it_waited() {
        for state in State::ALL {
            assert_eq!(State::of(state.text()), state);
            for next in State::ALL {
                let crossed = state == State::SetAside && next == State::Accepted;
                assert!(
                    crossed || !(state.is_done() && state.may_become(next)),
                    "{state} to {next}"
                );
                let sent = state == State::Waiting || crossed;
                assert!(next != State::Accepted || sent || !state.may_become(next));
            }
        }
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
