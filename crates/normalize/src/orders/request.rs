//! What a source asks of an order, and what it gets back.

use serde::{Deserialize, Serialize};

use super::patients::Person;
use super::standing::{Progress, Standing};
use super::{Key, Private};
use crate::moment::Moment;
use crate::report::Text;

/// What is asked for one order, or told of it. What is told needs no answer and cannot be refused.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ask {
    /// A new order.
    New,
    /// Take it back.
    Cancel,
    /// Another takes its place: the requests behind this one that say so.
    Replace,
    /// Takes the place of the one before.
    Replacing,
    /// Other tests, times or priority.
    Change,
    /// Let it wait.
    Hold,
    /// Let it wait no more.
    Release,
    /// How far is it?
    Status,
    /// Told: it is cancelled.
    Cancelled,
    /// Told: another takes its place.
    Replaced,
    /// Told: it was changed.
    Changed,
    /// Told: it waits.
    Held,
    /// Told: its result came from elsewhere.
    Completed,
    /// Told: something that changes nothing here.
    Noted,
}

impl Ask {
    /// It brings an order that is not here yet.
    #[must_use]
    pub fn is_new(self) -> bool {
        matches!(self, Ask::New | Ask::Replacing)
    }

    /// Told, not asked: no answer is owed for the order.
    #[must_use]
    pub fn is_told(self) -> bool {
        matches!(
            self,
            Ask::Cancelled | Ask::Replaced | Ask::Changed | Ask::Held | Ask::Completed | Ask::Noted
        )
    }
}

/// What an order asks for.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Wanted {
    /// The test as it was ordered, whole.
    pub test: Private,
    /// The pads of our strips that it means; sorted, none twice.
    pub pads: Vec<Text>,
    /// The ids that stand on its specimens; empty where nobody knows yet.
    pub specimens: Vec<Private>,
    /// The specimen is still to be collected (OBR-11 `P`, `L`, `S`).
    pub to_come: bool,
    /// Whose specimen it is; none on control material.
    pub patient: Option<Person>,
    /// As the patient was ordered, where something else was believed of them since: every later word is compared with
    /// that.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ordered: Option<Person>,
    /// As its source describes that patient now, where that is somebody else by name and date of birth.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub said: Option<Person>,
    /// The specimens of which a person has said that they are not this patient's: no order of the patient claims them.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub wrong: Vec<Private>,
    /// Before all others.
    pub urgent: bool,
    /// When it was collected, in seconds of UTC.
    pub collected: Option<i64>,
    /// Control material: never a patient's.
    pub control: bool,
}

impl Wanted {
    /// A person has said that such specimens are not its patient's.
    pub(super) fn are_wrong(&mut self, which: impl Fn(&Private) -> bool) {
        let (wrong, rest) = std::mem::take(&mut self.specimens).into_iter().partition(which);
        self.specimens = rest;
        let wrong: Vec<Private> = wrong;
        self.wrong.extend(wrong);
    }
}

/// One request of a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Request {
    /// What is asked.
    pub ask: Ask,
    /// Of which order.
    pub key: Key,
    /// When it was asked, by the sender's clock (ORC-9).
    pub at: Option<Moment>,
    /// What is asked for, or why nobody can do it here. Only new and changed orders need it.
    pub wanted: Result<Wanted, Refusal>,
    /// Whose it is, also where what is asked for cannot be said.
    pub claim: Claim,
}

/// For whom a request speaks, and of which specimens.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Claim {
    /// The patient's id. None: it names nobody, or control material.
    pub patient: Option<Private>,
    /// The ids of the specimens.
    pub specimens: Vec<Private>,
}

impl Request {
    /// What it names, whatever else of it is understood.
    pub(super) fn claims(&self) -> Claim {
        let Ok(wanted) = &self.wanted else { return self.claim.clone() };
        let patient = wanted.patient.as_ref().map(|patient| patient.id.clone());
        Claim { patient, specimens: wanted.specimens.clone() }
    }
}

macro_rules! refusals {
    ($($(#[doc = $about:literal])+ $name:ident $code:literal $words:literal),+ $(,)?) => {
        /// Why something is not done; the codes are stable, and no text names a value.
        #[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub enum Refusal { $($(#[doc = $about])+ $name),+ }

        impl Refusal {
            /// Each of them.
            pub const ALL: &[Refusal] = &[$(Refusal::$name),+];

            /// As the sender, scripts and rows know it.
            #[must_use]
            pub fn code(self) -> &'static str {
                match self { $(Refusal::$name => $code),+ }
            }

            /// In words for the sender's people.
            #[must_use]
            pub fn words(self) -> &'static str {
                match self { $(Refusal::$name => $words),+ }
            }
        }
    };
}

refusals! {
    /// No strip here has what it asks for.
    TestUnknown "test-unknown" "No analyzer here performs this test",
    /// The specimen id is another patient's.
    PatientConflict "patient-conflict" "Specimen id is in use for another patient",
    /// The result went out.
    ResultSent "result-sent" "Result already sent",
    /// The result waits to be sent, or was tried and may have arrived.
    ResultOnItsWay "result-on-its-way" "Result waits to be sent or is on its way",
    /// No order has this number.
    OrderUnknown "order-unknown" "No such order is known here",
    /// Nothing says whose specimen id to wait for.
    SpecimenMissing "specimen-missing" "No specimen id where this laboratory looks for it",
    /// It cannot be a specimen id.
    SpecimenMalformed "specimen-malformed" "Specimen id has a form that no label here has",
    /// A patient's order names what is control material or an external sample here.
    SpecimenOfMaterial "specimen-of-material" "Specimen id is one of control material or of an external sample here",
    /// Its strip would have had to come before now.
    CollectedLongAgo "collected-long-ago" "Specimen was collected longer ago than this laboratory waits for a strip",
    /// It is no urine.
    NotUrine "not-urine" "Specimen type is not tested here",
    /// The number is another order's.
    DuplicateOrder "duplicate-order" "Order number is in use; a change comes as a change or a replacement",
    /// It is closed.
    Closed "closed" "Order is closed",
    /// A later request was applied.
    Overtaken "overtaken" "A later request for this order has been applied",
    /// A change of the specimen.
    NotChangeable "not-changeable" "Patient and specimen of an order cannot be changed",
    /// What names a known order names another patient than it has.
    OtherPatient "other-patient" "The order of this number is another patient's",
    /// Neither half of a replacement is taken alone.
    ReplacementRefused "replacement-refused" "Replaced and replacing order are taken together or not at all",
    /// Nothing says whose specimen it is.
    PatientMissing "patient-missing" "No patient is named",
    /// Control material that is not configured here.
    ControlUnknown "control-unknown" "Control material is not known here",
    /// A field is wrong: the fault beside it says which.
    FieldWrong "field-wrong" "A field of the order cannot be read",
    /// This is not done here.
    NotSupported "not-supported" "This request is not supported here",
}

/// What one request gets.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Reply {
    /// Done, or why not.
    pub done: Result<(), Refusal>,
    /// How far the order is now. None: nothing is known that could be said.
    pub progress: Option<Progress>,
    /// Our own number of its result.
    pub number: Option<String>,
    /// What is to be done with rows and reports, in this order.
    pub deeds: Vec<Deed>,
}

/// What is to be done, by whoever keeps orders and reports.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Deed {
    /// Keep a new order with all that its request says, or keep it again.
    Keep(Key),
    /// What the request says takes the place of what was kept.
    Amend(Key),
    /// A number that was cancelled before it came: keep it, and nothing of the patient.
    KeepNumber(Key),
    /// The order stands here now.
    Stand(Key, Standing),
    /// Its message is drawn back, and the report is held.
    DrawBack(Key),
    /// The reports of its specimens are judged again.
    JudgeAgain(Key),
    /// The patient of the order is this one now.
    Person(Key),
    /// Its specimen is claimed for another patient, or the patient became another person: a person must look.
    Dispute(Key),
    /// It was closed where nothing can be taken back: the result is out, and a person must look.
    TellPerson(Key),
    /// A request came late and changed nothing.
    Note(Key),
    /// The source uses one number for two patients.
    NumberTwice(Key),
    /// It uses one number for several orders of one patient: what names an order there is not what we go by.
    NumberShared(Key),
}
