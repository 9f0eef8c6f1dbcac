//! What is wrong with a message that came: where, what was found, what is allowed. Never the value.

use std::fmt;

use wickline_normalize::orders::Refusal;

/// Table 0357 (HL7 v2.5.1 section 2.17.1).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Code {
    /// Segments that do not follow each other so.
    SegmentSequence,
    /// A field that must be there.
    FieldMissing,
    /// A field that cannot be read.
    DataType,
    /// A code that no table has.
    TableValue,
    /// Not a message for us.
    MessageType,
    /// Not an event for us.
    EventCode,
    /// Practice where results count, or the other way round.
    ProcessingId,
    /// Not a version that is read.
    VersionId,
    /// A number that nobody knows.
    UnknownKey,
    /// A number that is somebody else's.
    DuplicateKey,
    /// It could not be kept.
    Internal,
}

impl Code {
    /// Number and text of the table.
    #[must_use]
    pub fn row(self) -> (&'static str, &'static str) {
        match self {
            Code::SegmentSequence => ("100", "Segment sequence error"),
            Code::FieldMissing => ("101", "Required field missing"),
            Code::DataType => ("102", "Data type error"),
            Code::TableValue => ("103", "Table value not found"),
            Code::MessageType => ("200", "Unsupported message type"),
            Code::EventCode => ("201", "Unsupported event code"),
            Code::ProcessingId => ("202", "Unsupported processing id"),
            Code::VersionId => ("203", "Unsupported version id"),
            Code::UnknownKey => ("204", "Unknown key identifier"),
            Code::DuplicateKey => ("205", "Duplicate key identifier"),
            Code::Internal => ("207", "Application internal error"),
        }
    }
}

/// Where in a message: the n-th segment of its name, a field, a component.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Location {
    /// The segment's name.
    pub segment: &'static str,
    /// Which of its name, from 1.
    pub nth: usize,
    /// From 1; 0: the segment itself.
    pub field: usize,
    /// From 1; 0: the field itself.
    pub component: usize,
}

impl Location {
    /// A field.
    #[must_use]
    pub fn new(segment: &'static str, nth: usize, field: usize) -> Self {
        Self { segment, nth, field, component: 0 }
    }

    /// One of its components.
    #[must_use]
    pub fn at(self, component: usize) -> Self {
        Self { component, ..self }
    }

    /// As ERR-2 has it: `SPM^1^2^1^1`.
    #[must_use]
    pub fn written(&self) -> String {
        let Self { segment, nth, field, component } = self;
        match (field, component) {
            (0, _) => format!("{segment}^{nth}"),
            (_, 0) => format!("{segment}^{nth}^{field}"),
            _ => format!("{segment}^{nth}^{field}^1^{component}"),
        }
    }
}

/// One thing that is wrong.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Fault {
    /// Where. None: in nothing that came.
    pub place: Option<Location>,
    /// What kind.
    pub code: Code,
    /// What was found and what is allowed, without the value.
    pub words: String,
    /// Why an order is refused, where the table has no code for that.
    pub own: Option<Refusal>,
}

impl Fault {
    /// At a place.
    pub fn new(place: Location, code: Code, words: impl Into<String>) -> Self {
        Self { place: Some(place), code, words: words.into(), own: None }
    }

    /// In nothing that came.
    pub(super) fn nowhere(code: Code, words: impl Into<String>) -> Self {
        Self { place: None, code, words: words.into(), own: None }
    }

    pub(super) fn missing(place: Location, allowed: &str) -> Self {
        Self::new(place, Code::FieldMissing, format!("Nothing is there; allowed: {allowed}"))
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        if let Some(Location { segment, nth, field, .. }) = self.place {
            write!(f, "{segment}-{field} of {segment} {nth}: ")?;
        }
        f.write_str(&self.words)
    }
}
