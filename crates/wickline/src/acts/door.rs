//! The door: whether an act of a person or of the daemon may do what it asks, and what becomes of the report.
//!
//! A pure function: an act and the facts about it go in, a [`Pass`] or a refusal comes out. Whatever changes
//! what a receiver is told passes here, and nothing else can make a pass. The guards of each act stand in one
//! table; those of everything that tells results stand in [`TELLING`] and cannot be left out by any row.

mod words;

use wickline_normalize::{Reason, Remedy};

pub use self::words::codes;
use self::words::{
    answers_nothing, kept_by_orders, not_undone, of_control, other_specimen, overtaken, still_held,
    withdrawn, wrong_message, wrong_state,
};

use crate::store::StoreError;
use crate::store::lists::names::Name;
use crate::store::state::{Arrow, MessageState, ReportState};
use crate::texts::{Said, say, way};

/// What is asked for a report.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Asked {
    /// The daemon read it from the tape.
    TakeIn,
    /// The daemon found a receiver for what had none.
    Deliver,
    /// Every level of control material has passed since.
    ControlsPassed,
    /// The orders of its specimen are others now, and none of them stands in its way any more.
    OrdersChanged,
    /// Its order was taken back, or is disputed, before anybody tried to send it.
    DrawBack,
    /// A receiver has, or may have, what had been set aside for something else: it is told what is right.
    Arrived,
    /// The same of what was withdrawn meanwhile.
    ArrivedWithdrawn,
    Release,
    Identify,
    FileAsControl,
    NewRun,
    Correction,
    Mistake,
    Reread,
    SetAside,
    UndoSetAside,
    UndoNaming,
    Correct,
    CorrectAsIn,
    Withdraw,
    /// Withdraw it, and send it anew under another specimen id.
    Rename,
    /// Send again what was refused, kept back or set aside by a person.
    Retry,
    /// The same of a withdrawal.
    RetryWithdrawal,
    /// Keep a message back while the rest passes.
    KeepBack,
    /// Decide that a message is not to be sent.
    SetMessageAside,
    /// State how a receiver was told by hand what no message told it.
    TellByHand,
    /// Take back that a message was kept back or set aside.
    UndoPutOff,
    /// The same of a withdrawal.
    UndoPutOffWithdrawal,
}

/// What an act leads to when it is allowed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Leads {
    /// Results go to those who take them.
    Results,
    /// Results go, or where other holds stand it stays held.
    ResultsOrHeld,
    /// What was told is taken back.
    Withdrawal,
    /// What was told is taken back, and results go anew.
    Anew,
    /// It is kept as control material.
    File,
    /// It is not sent.
    Aside,
    /// It is held again.
    Held,
    /// One message is not sent; the report stays as it is.
    Unsaid,
}

/// What bars an act.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Guard {
    /// It must be held.
    IsHeld,
    /// It must be on its way or out.
    IsOut,
    /// It must have been set aside by a person.
    IsAside,
    /// A person must have said whose or what it is.
    IsNamed,
    /// Its analyzer is read at this bench.
    Here,
    /// Something that holds it is what this act answers.
    Answers,
    /// No sign of control material or of an external sample: those never reach a patient's chart.
    Patients,
    /// A specimen id that it goes under.
    Identified,
    /// What a person entered was entered twice, alike.
    Twice,
    /// A reason that is not blank, where an act of a person asks for one.
    Reasoned,
    /// Nothing that holds it is left.
    Free,
    /// What was told under its OBR-3 was not taken back.
    NotWithdrawn,
    /// No report heard later speaks under its OBR-3.
    NotOvertaken,
    /// The orders of its specimen let it go, or a person did in spite of them.
    Ordered,
    /// Both reports bear one specimen id.
    OneSpecimen,
    /// Nothing was sent, or may have been.
    Unsent,
    /// A message can be built for every receiver.
    Sayable,
    /// The message waits, and nobody keeps it back already.
    Waits,
    /// The message waits or was refused.
    Unsettled,
    /// The message was refused, kept back or set aside by a person.
    Stuck,
    /// The message was kept back or set aside by a person.
    PutOff,
    /// The message does not tell that something is taken back or wrong: until that is told, its receiver has
    /// the wrong result.
    NoAmends,
}

impl Guard {
    /// In the table of the documents.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Guard::IsHeld => "held",
            Guard::IsOut => "out",
            Guard::IsAside => "set aside by a person",
            Guard::IsNamed => "named by a person",
            Guard::Here => "analyzer of this bench",
            Guard::Answers => "a hold that it answers",
            Guard::Patients => "no control sign",
            Guard::Identified => "specimen known",
            Guard::Twice => "entered twice",
            Guard::Reasoned => "reason",
            Guard::Free => "no other hold",
            Guard::NotWithdrawn => "OBR-3 not withdrawn",
            Guard::NotOvertaken => "not overtaken",
            Guard::Ordered => "its orders let it go",
            Guard::OneSpecimen => "one specimen",
            Guard::Unsent => "nothing sent",
            Guard::Sayable => "can be built",
            Guard::Waits => "message waits",
            Guard::Unsettled => "message waits or refused",
            Guard::Stuck => "message refused or put off by a person",
            Guard::PutOff => "message put off by a person",
            Guard::NoAmends => "receiver has nothing wrong",
        }
    }
}

/// The guards of everything that tells results, whatever asks for it.
pub const TELLING: &[Guard] = &[
    Guard::Here,
    Guard::Patients,
    Guard::Free,
    Guard::Identified,
    Guard::Ordered,
    Guard::NotWithdrawn,
    Guard::NotOvertaken,
    Guard::Sayable,
];

/// One row: the act, where it leads, and its own guards beside those of where it leads.
pub struct Rule {
    pub asked: Asked,
    pub leads: Leads,
    pub guards: &'static [Guard],
}

macro_rules! rules {
    ($($asked:ident -> $leads:ident: $($guard:ident)*;)+) => {
        /// Every act and its guards.
        pub const TABLE: &[Rule] = &[$(Rule {
            asked: Asked::$asked,
            leads: Leads::$leads,
            guards: &[$(Guard::$guard),*],
        }),+];
    };
}

rules! {
    TakeIn         -> ResultsOrHeld: ;
    Deliver        -> Results:       IsOut;
    ControlsPassed -> ResultsOrHeld: IsHeld Answers;
    OrdersChanged  -> ResultsOrHeld: IsHeld Answers;
    DrawBack       -> Held:          IsOut Patients Unsent;
    Arrived        -> Results:       IsOut;
    ArrivedWithdrawn -> Withdrawal:  ;
    Release        -> Results:       IsHeld Patients Reasoned;
    Identify       -> ResultsOrHeld: IsHeld Here Answers Identified Twice;
    FileAsControl  -> File:          IsHeld Here Answers Twice Reasoned Free;
    NewRun         -> ResultsOrHeld: IsHeld Here Answers Reasoned;
    Correction     -> ResultsOrHeld: IsHeld Here Patients Answers Reasoned OneSpecimen;
    Mistake        -> Aside:         IsHeld Answers Reasoned;
    Reread         -> ResultsOrHeld: IsHeld Here;
    SetAside       -> Aside:         IsHeld Reasoned;
    UndoSetAside   -> Held:          IsAside Reasoned;
    UndoNaming     -> Held:          IsNamed Here Unsent Reasoned;
    Correct        -> Results:       IsOut Patients NotOvertaken Here Reasoned;
    CorrectAsIn    -> Results:       IsOut Patients NotOvertaken Here Reasoned OneSpecimen;
    Withdraw       -> Withdrawal:    IsOut Patients NotOvertaken Here Reasoned;
    Rename         -> Anew:          Stuck IsOut Patients NotOvertaken Here Reasoned Identified Twice;
    Retry          -> Results:       Stuck NotWithdrawn IsOut;
    RetryWithdrawal -> Withdrawal:   Stuck;
    KeepBack       -> Unsaid:        Waits Reasoned;
    SetMessageAside -> Unsaid:       NoAmends Unsettled Reasoned;
    TellByHand     -> Unsaid:        Unsettled Reasoned;
    UndoPutOff     -> Results:       PutOff Reasoned NotWithdrawn IsOut;
    UndoPutOffWithdrawal -> Withdrawal: PutOff Reasoned;
}

impl Asked {
    /// Its row.
    #[must_use]
    pub fn rule(self) -> &'static Rule {
        // Every act has one: a test holds the table against this list.
        TABLE.iter().find(|r| r.asked == self).unwrap_or(&TABLE[0])
    }

    /// Whether this act answers what a report is held for.
    #[must_use]
    pub fn answers(self, reason: Reason) -> bool {
        match self {
            Asked::Release => reason.remedy() == Remedy::Release,
            Asked::ControlsPassed => reason.is_of_controls(),
            Asked::OrdersChanged => reason.is_of_orders(),
            // The orders of the id that it gets are met anew.
            Asked::Identify => reason.remedy() == Remedy::Identify || reason.is_of_orders(),
            // What holds patients alone does not matter on control material.
            Asked::FileAsControl => {
                let of_patients =
                    [Reason::AfterRestore, Reason::ClockOff, Reason::ControlsNotPassed];
                of_patients.contains(&reason)
                    || reason.is_of_controls()
                    || reason.is_of_orders()
                    || reason.remedy() == Remedy::Identify
            }
            Asked::NewRun | Asked::Mistake => reason.remedy() == Remedy::Decide,
            // It goes under the earlier report's specimen: its own has not to be told.
            Asked::Correction => matches!(reason.remedy(), Remedy::Decide | Remedy::Identify),
            _ => false,
        }
    }

    /// What must be among the holds for the act to make sense.
    fn is_asked_for(self, reason: Reason) -> bool {
        match self {
            Asked::FileAsControl => reason.remedy() == Remedy::Identify,
            // What its orders say is said of the id that it bears, which may be another cup's.
            Asked::Identify => reason.remedy() == Remedy::Identify || reason.is_of_orders(),
            Asked::Correction => reason.remedy() == Remedy::Decide,
            other => other.answers(reason),
        }
    }
}

/// How the OBR-3 stands under which a report goes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Under {
    /// Nobody speaks under it yet, and nothing of it was taken back.
    Nobody,
    /// This report speaks under it today.
    Report(i64),
    /// What was told under it was taken back.
    Withdrawn,
}

/// Another report that an act names.
#[derive(Clone, Copy, Debug)]
pub struct Other<'a> {
    pub n: i64,
    pub specimen: Option<&'a str>,
    /// The id that its print bears, where that is another.
    pub printed: Option<&'a str>,
}

/// The message that an act is about.
#[derive(Clone, Debug)]
pub struct Post {
    pub name: Name,
    pub state: MessageState,
    pub kept_back: bool,
    /// Set aside by a person, not for another message.
    pub aside_by_person: bool,
    /// Its receiver has the wrong result until it is told.
    pub amends: bool,
    /// Its OBR-3 is not its report's own any more: what was told under it was taken back.
    pub retired: bool,
}

/// What the door looks at.
#[derive(Clone, Debug)]
pub struct Facts<'a> {
    pub n: i64,
    /// None: it is not in the ledger yet.
    pub state: Option<ReportState>,
    /// A sign of control material, or of an external sample.
    pub control: bool,
    /// Heard before: nothing has to be said of it.
    pub repeats: bool,
    /// Its analyzer is configured at this bench.
    pub here: bool,
    pub analyzer: &'a str,
    /// The id that it bears.
    pub bears: Option<&'a str>,
    /// The id that it would go under.
    pub specimen: Option<&'a str>,
    /// What holds it before the act; where it is read anew, after it.
    pub holds: &'a [Reason],
    /// The report whose OBR-3 it goes under, where that is not its own.
    pub corrects: Option<i64>,
    pub under: Under,
    pub other: Option<Other<'a>>,
    pub post: Option<Post>,
    /// What a person entered was entered twice.
    pub twice: bool,
    pub reason: Option<&'a str>,
    /// Set aside by a person, not with a withdrawal.
    pub aside_by_person: bool,
    /// A person said whose or what it is.
    pub named: bool,
    /// Some message of it went out, or may have.
    pub sent: bool,
    /// No receiver has anything of it, as far as that was looked up: only words hang on it.
    pub nowhere: bool,
    /// Why the orders of its specimen would hold it, where nobody let it go in spite of that.
    pub waits: Option<Reason>,
    /// Why no message can be built. Looked at only where results go.
    pub unsayable: Option<&'a str>,
}

impl Facts<'_> {
    /// Nothing known yet of report `n`: what a test or a fresh print begins with.
    #[must_use]
    pub fn of(n: i64, analyzer: &str) -> Facts<'_> {
        Facts {
            n,
            state: None,
            control: false,
            repeats: false,
            here: true,
            analyzer,
            bears: None,
            specimen: None,
            holds: &[],
            corrects: None,
            under: Under::Nobody,
            other: None,
            post: None,
            twice: false,
            reason: None,
            aside_by_person: false,
            named: false,
            sent: false,
            nowhere: false,
            waits: None,
            unsayable: None,
        }
    }
}

/// What becomes of a report.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Then {
    /// Results go to those who take them.
    Goes,
    /// What was told is taken back.
    TakenBack,
    /// What was told is taken back, and results go anew.
    GoesAnew,
    /// What was told is taken back; under its other specimen id it is held for what orders say.
    HeldAnew,
    Filed,
    Repeat,
    Held,
    Aside,
    /// It stays as it is; one message is not sent.
    Stays,
}

/// Leave to do what was asked, for one report. Only the door makes one.
#[derive(Clone, Debug)]
pub struct Pass {
    n: i64,
    asked: Asked,
    then: Then,
    state: Option<ReportState>,
}

impl Pass {
    /// The report that it is for.
    #[must_use]
    pub fn report(&self) -> i64 {
        self.n
    }

    #[must_use]
    pub fn then(&self) -> Then {
        self.then
    }

    /// Whether the act lifts what a report is held for.
    #[must_use]
    pub fn lifts(&self, reason: Reason) -> bool {
        self.asked.answers(reason)
    }

    /// Whether a person lets it go against a rule.
    #[must_use]
    pub fn is_release(&self) -> bool {
        self.asked == Asked::Release
    }

    /// Whether receivers may be told results of this report.
    #[must_use]
    pub fn tells_results(&self) -> bool {
        matches!(self.then, Then::Goes | Then::GoesAnew | Then::Filed)
    }

    /// Whether receivers may be told that what they have of this report is taken back.
    #[must_use]
    pub fn tells_withdrawal(&self) -> bool {
        matches!(self.then, Then::TakenBack | Then::GoesAnew | Then::HeldAnew)
    }

    /// The move of the report's own state.
    pub fn arrow(&self) -> Result<Arrow<ReportState>, StoreError> {
        let from = self.state.unwrap_or(ReportState::Held);
        let to = match self.then {
            Then::Goes | Then::GoesAnew => ReportState::Waiting,
            Then::Filed => ReportState::Filed,
            Then::Repeat => ReportState::Repeat,
            Then::Held | Then::HeldAnew => ReportState::Held,
            Then::Aside | Then::TakenBack => ReportState::SetAside,
            Then::Stays => from,
        };
        if from == to { Ok(Arrow::stays(from)) } else { from.to(to) }
    }
}

/// Why not, in words for the person who asked.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Refusal {
    pub guard: Guard,
    pub why: Said,
}

impl From<Refusal> for StoreError {
    fn from(refusal: Refusal) -> Self {
        StoreError::Refused { why: refusal.why }
    }
}

/// Whether `asked` may be done with the report that `facts` are about.
pub fn pass(asked: Asked, facts: &Facts<'_>) -> Result<Pass, Refusal> {
    let rule = asked.rule();
    for guard in rule.guards {
        look(*guard, asked, facts)?;
    }
    let then = match rule.leads {
        Leads::Held => Then::Held,
        Leads::Aside => Then::Aside,
        Leads::File => Then::Filed,
        Leads::Withdrawal => Then::TakenBack,
        Leads::Unsaid => Then::Stays,
        // Control material goes to those alone who ask for it.
        Leads::Results if facts.control && facts.state == Some(ReportState::Filed) => Then::Filed,
        Leads::Results => Then::Goes,
        Leads::Anew if facts.waits.is_some() => Then::HeldAnew,
        Leads::Anew => Then::GoesAnew,
        Leads::ResultsOrHeld if facts.repeats => Then::Repeat,
        Leads::ResultsOrHeld if rest(asked, facts).next().is_some() => Then::Held,
        // Control material that nothing holds any more is kept, whatever it was held for.
        Leads::ResultsOrHeld if facts.control => Then::Filed,
        Leads::ResultsOrHeld => Then::Goes,
    };
    if matches!(then, Then::Goes | Then::GoesAnew) {
        for guard in TELLING {
            look(*guard, asked, facts)?;
        }
    }
    Ok(Pass { n: facts.n, asked, then, state: facts.state })
}

/// What holds a report that the act does not answer.
fn rest<'a>(asked: Asked, facts: &'a Facts<'_>) -> impl Iterator<Item = Reason> + 'a {
    let stays = move |r: &Reason| {
        !asked.answers(*r) || (asked == Asked::Identify && facts.waits == Some(*r))
    };
    facts.holds.iter().copied().filter(stays)
}

/// A guard that a test takes out, to see that it is missed.
#[cfg(test)]
pub(crate) mod taken_out {
    use std::cell::Cell;

    use super::Guard;

    thread_local! {
        pub(crate) static GUARD: Cell<Option<Guard>> = const { Cell::new(None) };
    }
}

/// One guard.
fn look(guard: Guard, asked: Asked, facts: &Facts<'_>) -> Result<(), Refusal> {
    #[cfg(test)]
    if taken_out::GUARD.get() == Some(guard) {
        return Ok(());
    }
    let n = facts.n;
    let why = match guard {
        Guard::IsHeld | Guard::IsOut | Guard::IsAside => wrong_state(guard, facts),
        Guard::IsNamed | Guard::Unsent => not_undone(guard, facts),
        Guard::Here => (!facts.here).then(|| say!("no.own_bench", n = n, id = facts.analyzer)),
        Guard::Answers => answers_nothing(asked, facts),
        Guard::Patients => facts.control.then(|| of_control(asked, facts)),
        Guard::Identified => facts
            .specimen
            .is_none_or(|s| s.trim().is_empty())
            .then(|| say!("no.no_specimen", n = n, how = way!("identify_for", n = n))),
        Guard::Twice => (!facts.twice).then(|| say!("no.twice", n = n)),
        Guard::Reasoned => {
            facts.reason.is_none_or(|r| r.trim().is_empty()).then(|| say!("no.reason_of", n = n))
        }
        Guard::Free => rest(asked, facts).next().map(|reason| still_held(asked, n, reason)),
        Guard::NotWithdrawn => withdrawn(facts),
        Guard::NotOvertaken => overtaken(asked, facts),
        Guard::Ordered => {
            // Only a person lets it go in spite of them.
            let released = |reason: &Reason| asked == Asked::Release && asked.answers(*reason);
            let waits = facts.waits.filter(|reason| !released(reason));
            waits.map(|reason| match facts.state {
                Some(ReportState::Waiting) => kept_by_orders(facts, reason),
                _ => still_held(asked, n, reason),
            })
        }
        Guard::OneSpecimen => other_specimen(asked, facts),
        Guard::Sayable => facts.unsayable.map(|why| say!("no.of_report", n = n, why = why)),
        Guard::Waits | Guard::Unsettled | Guard::Stuck | Guard::PutOff | Guard::NoAmends => {
            facts.post.as_ref().and_then(|post| wrong_message(guard, post))
        }
    };
    match why {
        None => Ok(()),
        Some(why) => Err(Refusal { guard, why }),
    }
}

#[cfg(test)]
#[path = "tests/door.rs"]
mod tests;
