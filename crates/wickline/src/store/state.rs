//! The states of reports and messages, and the only arrows along which they move.

use std::fmt;

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
    use super::State;

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
}
