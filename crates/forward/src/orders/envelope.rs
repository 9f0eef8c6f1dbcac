//! The head of a message that came: who sends what in which version, and which answers are owed.

use std::str::FromStr;

use wickline_normalize::{Moment, Private};

use super::fault::{Code, Fault, Location};
use super::given::Given;
use super::site::Site;
use crate::hl7::{CONTROL_ID_MAX, Charset, Message, Version};

/// The last field of a head that is looked at.
const LAST: usize = 21;
/// The longest field of a head that goes back (HD, HL7 v2.5.1 section 2.15.9).
const BACK_MAX: usize = 227;

/// A message that is read here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// ORM^O01.
    Orm,
    /// OML^O21: orders, with their specimens below them.
    OmlOrders,
    /// OML^O33: specimens, with their orders below them.
    OmlSpecimens,
    /// OML^O35: specimens, their containers, and the orders below those.
    OmlContainers,
    /// ADT^A08: what is known of a patient changed.
    Update,
    /// ADT^A40: two patients are one.
    Merge,
    /// RSP^K11: the answer to our question for work.
    QueryAnswer,
}

/// Type, event, the first version that has it, and what it is.
const KINDS: [(&str, &str, Version, Kind); 7] = [
    ("ORM", "O01", Version::V231, Kind::Orm),
    ("OML", "O21", Version::V24, Kind::OmlOrders),
    ("OML", "O33", Version::V25, Kind::OmlSpecimens),
    ("OML", "O35", Version::V25, Kind::OmlContainers),
    ("ADT", "A08", Version::V231, Kind::Update),
    ("ADT", "A40", Version::V231, Kind::Merge),
    ("RSP", "K11", Version::V24, Kind::QueryAnswer),
];

impl Kind {
    /// Type and structure of its answer.
    pub(super) fn answer(self) -> Option<(&'static str, &'static str)> {
        match self {
            Kind::Orm => Some(("ORR", "O02")),
            Kind::OmlOrders => Some(("ORL", "O22")),
            Kind::OmlSpecimens => Some(("ORL", "O34")),
            Kind::OmlContainers => Some(("ORL", "O36")),
            Kind::Update | Kind::Merge | Kind::QueryAnswer => None,
        }
    }

    /// Specimens stand above their orders.
    pub(super) fn specimen_leads(self) -> bool {
        matches!(self, Kind::OmlSpecimens | Kind::OmlContainers)
    }
}

/// When an answer is owed (table 0155).
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Owed {
    /// `AL`.
    Always,
    /// `NE`.
    Never,
    /// `ER`.
    OnError,
    /// `SU`.
    OnSuccess,
}

impl Owed {
    /// Whether it is owed when all went well, or not.
    #[must_use]
    pub fn is_owed(self, well: bool) -> bool {
        match self {
            Owed::Always => true,
            Owed::Never => false,
            Owed::OnError => !well,
            Owed::OnSuccess => well,
        }
    }
}

/// The head of a message.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Envelope {
    /// MSH-3 to MSH-6.
    pub parties: [Given; 4],
    /// MSH-10. Whoever writes it into a log decides whether it can be one.
    pub control_id: Private,
    /// MSH-9.2, for an answer to what nobody knows.
    pub event: Given,
    /// MSH-11.
    pub processing: Given,
    /// MSH-12. None: not one that is read.
    pub version: Option<Version>,
    /// What the bytes are in.
    pub charset: Charset,
    /// MSH-15 and MSH-16; none in the original mode.
    pub owed: Option<[Owed; 2]>,
    /// The zone of MSH-7, which is that of all times without one (HL7 v2.5.1 section 2.A.77).
    pub offset: Option<i16>,
    /// MSH-21.
    pub profile: Given,
}

impl Envelope {
    /// Reads what an answer needs, however wrong the rest may be.
    #[must_use]
    pub fn read(message: &Message) -> Envelope {
        let charset = match message.component("MSH", 1, 18, 1).as_str() {
            "UNICODE UTF-8" => Charset::Utf8,
            "8859/1" => Charset::Latin1,
            _ => Charset::Ascii,
        };
        // What goes back must be one that can: whoever has sent something else is answered without it.
        let given = |n| {
            let field = Given::of(message, message.field("MSH", 1, n).unwrap_or(""));
            let fits = field.text().len() <= BACK_MAX
                && (field.text().is_ascii() || charset == Charset::Utf8);
            if fits { field } else { Given::default() }
        };
        let owed = |n| match message.component("MSH", 1, n, 1).as_str() {
            "AL" => Some(Owed::Always),
            "NE" => Some(Owed::Never),
            "ER" => Some(Owed::OnError),
            "SU" => Some(Owed::OnSuccess),
            _ => None,
        };
        let owed = match (owed(15), owed(16)) {
            (None, None) => None,
            // Nobody is left without a word on what became of an order.
            (accept, application) => {
                Some([accept.unwrap_or(Owed::Never), application.unwrap_or(Owed::Always)])
            }
        };
        let id = message.component("MSH", 1, 10, 1);
        let echoed = id.bytes().all(|b| b.is_ascii_graphic() || b == b' ') && id.len() <= BACK_MAX;
        let echoed = echoed && id.trim() != "\"\"";
        let made = Moment::from_digits(&message.component("MSH", 1, 7, 1));
        Envelope {
            parties: [given(3), given(4), given(5), given(6)],
            control_id: Private::new(if echoed { id.trim() } else { "" }),
            event: given(9).part(2),
            processing: given(11).part(1),
            version: Version::from_str(&message.component("MSH", 1, 12, 1)).ok(),
            charset,
            owed,
            offset: made.and_then(|made| made.offset),
            profile: given(21),
        }
    }

    /// What the message is, where it is for us.
    pub(super) fn kind(&self, message: &Message, site: &Site) -> Result<Kind, Fault> {
        let header =
            |field, code, words: &str| Fault::new(Location::new("MSH", 1, field), code, words);
        let said = |n| message.field("MSH", 1, n).is_some_and(|field| !field.is_empty());
        if !are_apart(message) {
            let words =
                "One separator stands for two things; allowed: each another one, such as ^~\\&";
            return Err(header(2, Code::DataType, words));
        }
        if let Some(n) = [9, 12].into_iter().find(|n| !said(*n)) {
            let fields = (2..=LAST).rev().find(|n| said(*n)).unwrap_or(1);
            let words = match fields < n {
                true => format!(
                    "MSH ends with field {fields}; allowed: MSH-2 to MSH-12, each in its place"
                ),
                false => "Nothing is there; allowed: MSH-2 to MSH-12, each in its place".to_owned(),
            };
            return Err(header(n, Code::FieldMissing, &words));
        }
        let version = self.version.filter(|v| site.versions.contains(v)).ok_or_else(|| {
            let known: Vec<_> = site.versions.iter().map(|v| v.text()).collect();
            header(
                12,
                Code::VersionId,
                &format!("Not a version of this source; allowed: {}", known.join(", ")),
            )
        })?;
        for (n, (own, wanted)) in self.parties.iter().zip(&site.parties).enumerate() {
            if wanted.as_ref().is_some_and(|wanted| own.value(1) != *wanted) {
                let words = "Not who this source is known as, or not for us";
                return Err(header(3 + n, Code::TableValue, words));
            }
        }
        let part = |n| message.component("MSH", 1, 9, n);
        let (kind, event) = (part(1), part(2));
        let rows = || KINDS.iter().filter(|row| row.0 == kind && version >= row.2);
        if rows().next().is_none() {
            return Err(header(
                9,
                Code::MessageType,
                "Not a message that is taken here; allowed: ORM, OML, ADT, RSP",
            ));
        }
        let kind = rows().find(|row| row.1 == event).map(|row| row.3).ok_or_else(|| {
            let known = "O01, O21, O33, O35, A08, A40, K11";
            header(
                9,
                Code::EventCode,
                &format!("Not an event that is taken here; allowed: {known}"),
            )
        })?;
        if self.processing.value(1) != site.processing {
            let words = format!("Not the processing of this source; allowed: {}", site.processing);
            return Err(header(11, Code::ProcessingId, &words));
        }
        if self.control_id.is_empty() || self.control_id.expose().len() > CONTROL_ID_MAX {
            let allowed = format!("1 to {CONTROL_ID_MAX} printable characters of ASCII");
            if message.field("MSH", 1, 10).is_none_or(|field| field.trim().is_empty()) {
                return Err(Fault::missing(Location::new("MSH", 1, 10), &allowed));
            }
            let words = format!("What is there cannot be a message's id; allowed: {allowed}");
            return Err(header(10, Code::DataType, &words));
        }
        Ok(kind)
    }
}

/// Whether no separator of MSH-1 and MSH-2 stands for two things: then nobody can say where a field has its parts.
fn are_apart(message: &Message) -> bool {
    let all = [1, 2].map(|n| message.field("MSH", 1, n).unwrap_or(""));
    let all: Vec<char> = all.iter().flat_map(|field| field.chars()).collect();
    all.iter().enumerate().all(|(at, one)| !all[..at].contains(one))
}

/// Letters beyond ASCII must say in which set they are: a name that is half right is somebody else's.
pub(super) fn charset(bytes: &[u8], message: &Message, site: &Site) -> Result<(), Fault> {
    if bytes.is_ascii() {
        return Ok(());
    }
    let declared = message.component("MSH", 1, 18, 1);
    let fits = match declared.as_str() {
        "UNICODE UTF-8" => std::str::from_utf8(bytes).is_ok(),
        "8859/1" => true,
        // The site has said it for this source; the tokenizer reads valid UTF-8 as such, and else Latin-1.
        "" => match site.charset {
            Some(Charset::Utf8) => std::str::from_utf8(bytes).is_ok(),
            Some(Charset::Latin1) => std::str::from_utf8(bytes).is_err(),
            _ => false,
        },
        _ => false,
    };
    if fits {
        return Ok(());
    }
    let words = "Letters beyond ASCII in no set that is read; allowed: UNICODE UTF-8, 8859/1";
    Err(Fault::new(Location::new("MSH", 1, 18), Code::DataType, words))
}
