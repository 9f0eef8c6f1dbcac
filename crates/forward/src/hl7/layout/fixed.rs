//! Fields that a receiver wants always the same: only such as hold no result, id, time or status.
//!
//! Two lists say it all: the fields that may be set, each with its length, its components and its table by version, and
//! the fields that may not, each with the reason. What is on neither list may not be set either.

use super::super::version::Version;

/// A field that may be set, with what the versions say of it (HL7 v2.3.1 to 2.5.1, chapters 2, 4, 7).
#[derive(Debug, PartialEq, Eq)]
struct Rule {
    /// As `OBR-24`.
    name: &'static str,
    number: usize,
    since: Version,
    /// The most characters in 2.3.1 and from 2.4 on.
    most: [usize; 2],
    /// How many components its type has.
    parts: usize,
    /// Those of the table; empty: any text.
    values: &'static [&'static str],
    required: bool,
}

impl Rule {
    fn segment(&self) -> &'static str {
        self.name.split('-').next().unwrap_or(self.name)
    }
}

const fn free(name: &'static str, number: usize, most: [usize; 2], parts: usize) -> Rule {
    let values = &[];
    Rule { name, number, since: Version::V231, most, parts, values, required: false }
}

const fn since(version: Version, rule: Rule) -> Rule {
    Rule { since: version, ..rule }
}

const fn listed(rule: Rule, values: &'static [&'static str]) -> Rule {
    Rule { values, ..rule }
}

/// Table 0074.
const SECTIONS: &[&str] = &[
    "AU", "BG", "BLB", "CH", "CP", "CT", "CTH", "CUS", "EC", "EN", "HM", "ICU", "IMM", "LAB", "MB",
    "MCB", "MYC", "NMR", "NMS", "NRS", "OSL", "OT", "OTH", "OUS", "PF", "PHR", "PHY", "PT", "RAD",
    "RC", "RT", "RUS", "RX", "SP", "SR", "TX", "VR", "VUS", "XRC",
];

static RULES: [Rule; 19] = [
    free("MSH-8", 8, [40; 2], 1),
    free("MSH-17", 17, [2, 3], 1),
    free("MSH-19", 19, [60, 250], 6),
    // Of table 0119 those that change no order.
    Rule { required: true, ..listed(free("ORC-1", 1, [2; 2], 1), &["RE", "SC"]) },
    free("ORC-17", 17, [60, 250], 6),
    free("ORC-21", 21, [60, 250], 10),
    // Of table 0065 those that can be true of a specimen with results.
    listed(free("OBR-11", 11, [1; 2], 1), &["A", "G", "L", "O"]),
    free("OBR-13", 13, [300; 2], 1),
    free("OBR-18", 18, [60; 2], 1),
    free("OBR-19", 19, [60; 2], 1),
    listed(free("OBR-24", 24, [10; 2], 1), SECTIONS),
    free("OBX-13", 13, [20; 2], 1),
    free("OBX-15", 15, [60, 250], 6),
    free("OBX-17", 17, [60, 250], 6),
    since(Version::V251, free("OBX-23", 23, [567; 2], 10)),
    since(Version::V251, free("OBX-24", 24, [631; 2], 14)),
    since(Version::V251, free("OBX-25", 25, [3002; 2], 23)),
    // Table 0105.
    listed(free("NTE-2", 2, [8; 2], 1), &["L", "P", "O"]),
    since(Version::V25, free("SPM-7", 7, [250; 2], 9)),
];

/// Why a field that we write may not be set, for the first that fits.
static HELD: [(&str, &[usize], &str); 21] = [
    ("MSH", &[1, 2], "it declares the separators"),
    ("MSH", &[3, 4, 5, 6], "applications and facilities have keys of their own"),
    ("MSH", &[7], "it is the time of the message"),
    ("MSH", &[9, 11, 12, 15, 16, 18, 21], "it has a key of its own"),
    ("MSH", &[10], "it is the id of the message"),
    ("PID", &[], "it says who the patient is"),
    ("ORC", &[2, 3], "it is an id of the order"),
    ("ORC", &[5], "it is a status"),
    ("OBR", &[2, 3, 20, 21], "it is an id of the order, the report or the analyzer"),
    ("OBR", &[4], "the panel has a key of its own"),
    ("OBR", &[5, 27], "it says how urgent a report is"),
    ("OBR", &[7, 8, 14, 22], "it is a time"),
    ("OBR", &[15], "it tells control material from a patient's specimen"),
    ("OBR", &[25], "it is a status"),
    ("OBX", &[1, 2, 3, 4, 5, 6, 7, 8], "it is part of the result"),
    ("OBX", &[11], "it is a status"),
    ("OBX", &[12, 14, 19], "it is a time"),
    ("OBX", &[16, 18], "it says who read the strip, and on what"),
    ("NTE", &[1, 3, 4], "it is part of the remark"),
    ("SPM", &[1, 2, 3, 17, 18], "it is an id or a time of the specimen"),
    ("SPM", &[4, 11, 14], "it tells control material from a patient's specimen"),
];

/// One field that is always the same.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct FixedField {
    rule: &'static Rule,
    value: String,
}

impl FixedField {
    pub(super) fn new(field: &str, value: &str) -> Result<Self, String> {
        let rule = find(field)?;
        let refuse = |why: String| {
            let shown: String = value.chars().take(80).flat_map(char::escape_debug).collect();
            Err(format!("`{shown}` for {field}; allowed: {why}"))
        };
        let odd = |b: u8| !(0x20..0x7F).contains(&b) || matches!(b, b'|' | b'~' | b'\\');
        if value.bytes().any(odd) || value == "\"\"" {
            return refuse("printable ASCII without | ~ \\, or nothing; never two quotes".into());
        }
        let parts: Vec<&str> = value.split('^').collect();
        if parts.len() > rule.parts || (rule.parts == 1 && value.contains('&')) {
            return refuse(match rule.parts {
                1 => "text without ^ or &".into(),
                parts => format!("at most {parts} components"),
            });
        }
        if value.ends_with(['^', '&']) || value.contains("&^") {
            return refuse("no separator with nothing behind it".into());
        }
        if value.is_empty() && rule.required {
            return refuse(format!("one of {}", rule.values.join(", ")));
        }
        if !value.is_empty() && !rule.values.is_empty() && !rule.values.contains(&value) {
            return refuse(format!("nothing, or one of {}", rule.values.join(", ")));
        }
        let coded =
            matches!(rule.parts, 6 | 9) && parts.first().is_some_and(|code| !code.is_empty());
        if coded && parts.get(2).is_none_or(|system| system.is_empty()) {
            return refuse("a code with its text and coding system, CODE^TEXT^SYSTEM".into());
        }
        Ok(Self { rule, value: value.into() })
    }

    /// As `OBR-24`.
    #[must_use]
    pub fn field(&self) -> &'static str {
        self.rule.name
    }

    /// As it goes out, separators and all; empty: the field is left empty.
    #[must_use]
    pub fn value(&self) -> &str {
        &self.value
    }

    pub(super) fn segment(&self) -> &'static str {
        self.rule.segment()
    }

    pub(super) fn same_place(&self, other: &Self) -> bool {
        std::ptr::eq(self.rule, other.rule)
    }

    /// What the version does not allow of it.
    pub(super) fn fault(&self, version: Version) -> Option<String> {
        if version < self.rule.since {
            return Some(format!("{} from {} on", self.field(), self.rule.since));
        }
        let most = self.rule.most[usize::from(version > Version::V231)];
        (self.value.len() > most).then(|| format!("at most {most} characters in {version}"))
    }
}

fn find(field: &str) -> Result<&'static Rule, String> {
    let parsed = field.split_once('-').and_then(|(segment, number)| {
        let plain = number.bytes().all(|b| b.is_ascii_digit()) && !number.starts_with('0');
        Some((segment, number.parse::<usize>().ok().filter(|_| plain)?))
    });
    let open = || RULES.each_ref().map(|r| r.name).join(", ");
    let Some((segment, number)) = parsed else {
        let shown: String = field.chars().take(40).flat_map(char::escape_debug).collect();
        return Err(format!("`{shown}` names no field as OBR-24 does; allowed: {}", open()));
    };
    if let Some(rule) = RULES.iter().find(|r| r.segment() == segment && r.number == number) {
        return Ok(rule);
    }
    let why = HELD
        .iter()
        .find(|(name, numbers, _)| {
            *name == segment && (numbers.is_empty() || numbers.contains(&number))
        })
        .map_or("it is not among those that hold no result, id, time or status", |held| held.2);
    let shown: String = field.chars().take(40).flat_map(char::escape_debug).collect();
    Err(format!("{shown} is never set to a fixed value: {why}; allowed: {}", open()))
}

/// Puts each value in its place, in every segment of its name.
pub(super) fn apply(message: &[u8], fixed: &[FixedField]) -> Vec<u8> {
    let mut out = Vec::with_capacity(message.len() + 64);
    for segment in message.split(|b| *b == b'\r').filter(|s| !s.is_empty()) {
        let own = |f: &&FixedField| segment.starts_with(f.segment().as_bytes());
        if !fixed.iter().any(|f| own(&f)) {
            out.extend_from_slice(segment);
            out.push(b'\r');
            continue;
        }
        let mut fields: Vec<&[u8]> = segment.split(|b| *b == b'|').collect();
        for field in fixed.iter().filter(own) {
            // MSH-1 is the separator itself, so that counting is one behind.
            let at = field.rule.number - usize::from(field.segment() == "MSH");
            if fields.len() <= at {
                fields.resize(at + 1, b"");
            }
            // What an order brought goes back as it came.
            let returned = matches!(field.field(), "ORC-21" | "OBR-18" | "OBR-19");
            if !returned || fields[at].is_empty() {
                fields[at] = field.value.as_bytes();
            }
        }
        while fields.last().is_some_and(|last| last.is_empty()) {
            fields.pop();
        }
        out.extend_from_slice(&fields.join(&b'|'));
        out.push(b'\r');
    }
    out
}
