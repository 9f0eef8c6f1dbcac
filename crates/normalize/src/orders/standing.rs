//! Where an order stands, how far its result went, and what a source is told of both.

use crate::Reason;

/// What has become of an order; the codes are stable.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Standing {
    /// It waits for its strip.
    Open,
    /// Its source wants it to wait.
    OnHold,
    /// A result carries it.
    Answered,
    /// Its source took it back.
    Cancelled,
    /// Another took its place.
    Replaced,
    /// Its strip did not come in time.
    Expired,
    /// Its source has the result from elsewhere.
    ClosedElsewhere,
    /// Its specimen, or who its patient is, is claimed twice: a person decides.
    Disputed,
}

impl Standing {
    /// Each of them.
    pub const ALL: [Standing; 8] = [
        Standing::Open,
        Standing::OnHold,
        Standing::Answered,
        Standing::Cancelled,
        Standing::Replaced,
        Standing::Expired,
        Standing::ClosedElsewhere,
        Standing::Disputed,
    ];

    /// As scripts and rows know it.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Standing::Open => "open",
            Standing::OnHold => "on-hold",
            Standing::Answered => "answered",
            Standing::Cancelled => "cancelled",
            Standing::Replaced => "replaced",
            Standing::Expired => "expired",
            Standing::ClosedElsewhere => "closed-elsewhere",
            Standing::Disputed => "disputed",
        }
    }

    /// Nothing more is expected of it.
    #[must_use]
    pub fn is_closed(self) -> bool {
        !matches!(self, Standing::Open | Standing::OnHold | Standing::Disputed)
    }

    /// Whether a result may go out that carries it.
    #[must_use]
    pub fn may_be_told(self) -> bool {
        matches!(self, Standing::Open | Standing::Answered)
    }

    /// Why nothing more is said under an order that stands here.
    #[must_use]
    pub fn bars(self) -> Option<Reason> {
        match self {
            Standing::Open | Standing::Answered | Standing::Expired => None,
            Standing::Disputed => Some(Reason::PatientConflict),
            Standing::OnHold => Some(Reason::OrderOnHold),
            Standing::Cancelled | Standing::Replaced => Some(Reason::OrderCancelled),
            Standing::ClosedElsewhere => Some(Reason::OrderClosed),
        }
    }

    /// The arrows: where it may go from here.
    #[must_use]
    pub fn may_become(self, next: Standing) -> bool {
        use Standing as S;
        match self {
            S::Open | S::OnHold => next != self && (next != S::Answered || self == S::Open),
            // A message that nobody tried is drawn back; what was sent stays answered.
            // What a person called wrong claims nothing once that was taken back.
            S::Answered => {
                matches!(next, S::Cancelled | S::Open | S::Disputed | S::ClosedElsewhere)
            }
            // Asked for anew, by its source, later than it was cancelled.
            S::Cancelled => matches!(next, S::Open | S::Disputed),
            S::Disputed => matches!(next, S::Open | S::Cancelled | S::ClosedElsewhere),
            S::Expired => next == S::Cancelled,
            // A person takes back that it was wrong.
            S::ClosedElsewhere => next == S::Open,
            S::Replaced => false,
        }
    }
}

impl std::str::FromStr for Standing {
    type Err = String;

    fn from_str(code: &str) -> Result<Self, String> {
        Standing::ALL.into_iter().find(|one| one.code() == code).ok_or_else(|| {
            let known = Standing::ALL.map(Standing::code).join(", ");
            format!("`{}` is not where an order can stand; known: {known}", code.escape_debug())
        })
    }
}

/// How far the result of an order went.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Trace {
    /// No strip was heard.
    #[default]
    None,
    /// A strip was heard, and its report is held.
    Held,
    /// Its message waits, and nobody has tried to send it.
    Waiting,
    /// Its message was tried and not answered: the receiver may have it.
    Tried,
    /// A receiver has it, not yet as final.
    Partly,
    /// A receiver has it.
    Sent,
}

impl Trace {
    /// Whether a receiver has it or may have it.
    #[must_use]
    pub fn is_out(self) -> bool {
        self >= Trace::Waiting
    }

    /// Whether nothing can be taken back any more without telling the receiver.
    #[must_use]
    pub fn is_past_recall(self) -> bool {
        self >= Trace::Tried
    }

    /// What has arrived is never untold; what was tried may turn out to be refused, and is held then.
    #[must_use]
    pub fn may_become(self, next: Trace) -> bool {
        match self {
            Trace::None | Trace::Held | Trace::Waiting => true,
            Trace::Tried => next >= self || next == Trace::Held,
            Trace::Partly | Trace::Sent => next >= self,
        }
    }
}

/// What a source is told of an order's state (ORC-5, table 0038).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Progress {
    /// It waits for its strip.
    Scheduled,
    /// The strip was heard, nothing was sent.
    InProcess,
    /// Something was sent, not as final.
    Partly,
    /// It was sent.
    Complete,
    /// It was cancelled.
    Cancelled,
    /// Nothing will be done for it any more.
    Discontinued,
    /// It is held.
    OnHold,
    /// Another took its place.
    Replaced,
    /// No such order is known.
    NotFound,
}

impl Progress {
    pub(super) fn of(standing: Standing, trace: Trace) -> Self {
        match standing {
            Standing::Open | Standing::Answered => match trace {
                Trace::None => Progress::Scheduled,
                Trace::Held | Trace::Waiting | Trace::Tried => Progress::InProcess,
                Trace::Partly => Progress::Partly,
                Trace::Sent => Progress::Complete,
            },
            Standing::OnHold | Standing::Disputed => Progress::OnHold,
            Standing::Cancelled => Progress::Cancelled,
            Standing::Replaced => Progress::Replaced,
            Standing::Expired => Progress::Discontinued,
            Standing::ClosedElsewhere => Progress::Complete,
        }
    }
}
