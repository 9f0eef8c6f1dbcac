//! One strip's print, exactly as printed: nothing in here has been interpreted yet.
//!
//! A dialect makes a [`Report`] of one transmission and hands over what it could not vouch for as doubts; `judge`
//! decides. Texts stand as they were printed, decoded but not trimmed of meaning: words, units and marks are the
//! strip's to understand. Whatever may identify a patient is [`Private`].

use std::fmt;

use serde::{Deserialize, Serialize};
use smallvec::SmallVec;

use crate::hold::{Hold, Remedy};
use crate::moment::Moment;

/// Text as printed. A label, a grade, a unit, an id: up to 23 bytes stand where they are kept, with no
/// memory of their own, and copying a longer one copies no text.
pub type Text = compact_str::CompactString;

/// The parts of one printed result: a grade or a number, or both, and seldom more.
pub type Parts = SmallVec<[Text; 2]>;

/// Text that may identify a patient. It can be compared, stored and sent, but `{:?}` shows only its
/// length and there is no `{}`: logs, metrics and panics cannot carry it by accident.
#[derive(Clone, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Private(Text);

impl Private {
    /// Any text; nothing is checked here.
    pub fn new(text: impl Into<Text>) -> Self {
        Self(text.into())
    }

    /// The text itself: for the ledger, the message and the screen of a person who asked.
    #[must_use]
    pub fn expose(&self) -> &str {
        &self.0
    }

    /// True for no characters at all; blanks count as text.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
}

impl fmt::Debug for Private {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "<private, {} characters>", self.0.chars().count())
    }
}

/// Where bytes stand on a line's tape: offsets from the first byte ever heard on that line.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
pub struct Place {
    /// The first byte.
    pub from: u64,
    /// One past the last byte.
    pub to: u64,
}

impl Place {
    /// The smallest place that holds both.
    #[must_use]
    pub fn join(self, other: Place) -> Place {
        Place { from: self.from.min(other.from), to: self.to.max(other.to) }
    }
}

/// One printed line (or LIS02 record), decoded to text, with its place.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct RawLine {
    /// Where its bytes stand on the tape.
    pub place: Place,
    /// Decoded, without its line end.
    pub text: Private,
}

/// Everything one strip's print says.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Report {
    /// From its first to its last byte: with the tape and the analyzer this is the report's key.
    pub place: Place,
    /// Every line of the print, understood or not, in order.
    pub lines: Vec<RawLine>,
    /// The analyzer's own test number, as printed. None: it prints none, so gaps cannot be told.
    pub number: Option<String>,
    /// The id in the specimen's own field. Where that names several, all of it: none is taken for the
    /// right one.
    pub specimen: Option<Private>,
    /// The lot of the control material, where the print has a place for it (LIS02 O-3.2).
    pub control_lot: Option<String>,
    /// The strip type that the print names, if it does.
    pub strip: Option<String>,
    /// The lot of the strips and its last day, if the print names them.
    #[serde(default)]
    pub strip_lot: Option<String>,
    /// The last day that the strips may be used on.
    #[serde(default)]
    pub strip_expiry: Option<Moment>,
    /// Who the sender says it is (LIS02 H-5).
    pub sender: Option<String>,
    /// Who ran it.
    pub operator: Option<Private>,
    /// None: the print says nothing of a patient.
    pub patient: Option<Patient>,
    /// What the print says of the specimen itself, such as how it was collected (LIS02 O-16).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub descriptor: Option<String>,
    /// When the urine was collected (LIS02 O-8).
    pub collected: Option<Moment>,
    /// When the strip was read, by the analyzer's clock; of several readings the latest.
    pub taken: Option<Moment>,
    /// What it says of its class.
    pub signs: Signs,
    /// The analyzer says that it sent this before (LIS02 R-9 `R`): its age says nothing about its clock.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub again: bool,
    /// The analyzer's own sign that its controls have not passed (`00041#`, where a dialect says so).
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub controls_not_passed: bool,
    /// In the order of the print. A pad that is switched off is not among them.
    pub readings: Vec<PrintedReading>,
    /// What the analyzer or its operator remarked, in words.
    pub comments: Vec<Private>,
    /// What the dialect itself could not vouch for: each one holds the report.
    pub doubts: Vec<Hold>,
}

impl Report {
    /// A person said whose specimen it is: what the dialect doubted of the id, and what stood beside
    /// it, is settled. The lines still have all of it.
    pub fn identify(&mut self, specimen: impl Into<Text>) {
        self.specimen = Some(Private::new(specimen));
        self.control_lot = None;
        self.doubts.retain(|doubt| doubt.reason.remedy() != Remedy::Identify);
    }
}

/// What the print says of a patient, as printed.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Patient {
    /// By the practice, else by the laboratory, else a third one (LIS02 P-3 to P-5).
    pub id: Option<Private>,
    /// With its components as they were sent.
    pub name: Option<Private>,
    /// Digits as sent; not read as a date.
    pub born: Option<Private>,
    /// The letter as sent.
    pub sex: Option<Private>,
}

/// Signs of class that the print itself carries; configured marks are read by `judge`.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Signs {
    /// The order is marked as control (LIS02 O-12 `Q`, or a printed control word).
    pub control_order: bool,
    /// The whole message is marked as control (LIS02 H-12 `Q`).
    pub control_message: bool,
    /// The order is marked urgent (LIS02 O-6 `S`, or a printed urgent word).
    pub stat: bool,
    /// The control's level, where the print names one.
    #[serde(default)]
    pub level: Option<char>,
}

/// One pad's result as printed.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct PrintedReading {
    /// What the print calls the pad.
    pub label: Text,
    /// The result as printed, cut where the dialect cuts it (`2+`, `>1200`, `2+` and `400`): each part
    /// is a grade word or a number with or without a comparator. Which is which, the strip decides.
    pub parts: Parts,
    /// As printed beside the result; None: none was.
    pub unit: Option<Text>,
    /// The dialect says that this analyzer never prints units, so that none is missing.
    #[serde(default)]
    pub unit_implied: bool,
    /// The same value once more, in the other unit system. None: it was printed once.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub second: Option<SecondValue>,
    /// None: none was printed, which says nothing.
    pub mark: Option<Mark>,
    /// How far the analyzer stands behind it.
    pub status: Status,
    /// When this pad was read, where each pad says so (LIS02 R-13, else R-12).
    pub taken: Option<Moment>,
    /// Index into [`Report::lines`].
    pub line: usize,
}

impl PrintedReading {
    /// Its mark says that it is not as it should be; a mark of a normal result says that it is.
    #[must_use]
    pub fn is_marked(&self) -> bool {
        self.mark.as_ref().is_some_and(|mark| mark.meaning != MarkMeaning::Normal)
    }
}

/// A value that is printed a second time, in another unit.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct SecondValue {
    /// With its comparator, and a point before its decimals.
    pub value: Text,
    /// As printed beside it.
    pub unit: Text,
}

/// The analyzer's own abnormal mark.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Mark {
    /// As printed.
    pub text: Text,
    /// What the dialect says that it claims.
    pub meaning: MarkMeaning,
}

/// What a mark claims, so that it can be compared with our own flag.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum MarkMeaning {
    /// Nothing to remark.
    Normal,
    /// Not normal, in no said direction.
    Abnormal,
    /// Below what is normal.
    Low,
    /// Above what is normal.
    High,
    /// Says something that no flag of ours could contradict (`<`, `>`, trends): not compared.
    Other,
}

/// How far the analyzer stands behind a reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Status {
    /// Final, sent before, or verified by a person: it counts.
    Final,
    /// The pad could not be read: no value, never negative.
    Unread,
    /// A correction of something sent before.
    Correction,
    /// Anything else that is not final, with the code as printed.
    NotFinal(char),
}
