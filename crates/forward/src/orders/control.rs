//! ORC-1: what each code asks, and how it is answered (table 0119).

use wickline_normalize::orders::Ask;

/// What an ORC-1 means for us.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Meaning {
    /// It asks or tells something of an order.
    Asks(Ask),
    /// It tells a status, which stands in ORC-5.
    Status,
    /// Results of old work that come along.
    Prior,
    /// Nobody does that here.
    Unsupported,
    /// It answers what we never asked.
    Answer,
}

/// One row of the table.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Control {
    /// ORC-1 as it came.
    pub code: &'static str,
    /// What it means.
    pub meaning: Meaning,
    /// ORC-1 of the answer where it is done.
    pub yes: &'static str,
    /// ORC-1 of the answer where it is not.
    pub no: &'static str,
}

const fn asks(code: &'static str, ask: Ask, yes: &'static str, no: &'static str) -> Control {
    Control { code, meaning: Meaning::Asks(ask), yes, no }
}

const fn other(code: &'static str, meaning: Meaning) -> Control {
    Control { code, meaning, yes: "UA", no: "UA" }
}

/// HL7 table 0119, 2.3.1 to 2.5.1. Which answer goes with which request: its comments, and for `RO` common practice.
const TABLE: &[Control] = &[
    asks("NW", Ask::New, "OK", "UA"),
    asks("CH", Ask::New, "OK", "UA"),
    asks("CA", Ask::Cancel, "CR", "UC"),
    asks("DC", Ask::Cancel, "DR", "UD"),
    asks("RP", Ask::Replace, "RQ", "UM"),
    asks("RO", Ask::Replacing, "RO", "UA"),
    asks("XO", Ask::Change, "XR", "UX"),
    asks("HD", Ask::Hold, "HR", "UH"),
    asks("RL", Ask::Release, "OR", "UR"),
    asks("SS", Ask::Status, "SR", "SR"),
    asks("OC", Ask::Cancelled, "OK", "UA"),
    asks("OD", Ask::Cancelled, "OK", "UA"),
    asks("OH", Ask::Held, "OK", "UA"),
    asks("RU", Ask::Replaced, "OK", "UA"),
    asks("XX", Ask::Changed, "OK", "UA"),
    other("SC", Meaning::Status),
    other("PR", Meaning::Prior),
    other("RE", Meaning::Prior),
    other("SN", Meaning::Unsupported),
    other("PA", Meaning::Unsupported),
    other("AF", Meaning::Unsupported),
    other("DF", Meaning::Unsupported),
    other("FU", Meaning::Unsupported),
    other("RF", Meaning::Unsupported),
    other("OE", Meaning::Unsupported),
    other("OF", Meaning::Unsupported),
    other("OP", Meaning::Unsupported),
    other("PY", Meaning::Unsupported),
    other("LI", Meaning::Unsupported),
    other("UN", Meaning::Unsupported),
    other("NA", Meaning::Answer),
    other("OK", Meaning::Answer),
    other("OR", Meaning::Answer),
    other("CR", Meaning::Answer),
    other("DE", Meaning::Answer),
    other("DR", Meaning::Answer),
    other("HR", Meaning::Answer),
    other("RQ", Meaning::Answer),
    other("RR", Meaning::Answer),
    other("SR", Meaning::Answer),
    other("XR", Meaning::Answer),
    other("UA", Meaning::Answer),
    other("UC", Meaning::Answer),
    other("UD", Meaning::Answer),
    other("UH", Meaning::Answer),
    other("UM", Meaning::Answer),
    other("UR", Meaning::Answer),
    other("UX", Meaning::Answer),
];

impl Control {
    /// The row of a code.
    #[must_use]
    pub fn of(code: &str) -> Option<Control> {
        TABLE.iter().copied().find(|row| row.code == code)
    }

    /// What is asked, with the status of ORC-5 where the code tells one.
    #[must_use]
    pub fn ask(self, status: &str) -> Option<Ask> {
        match self.meaning {
            Meaning::Asks(ask) => Some(ask),
            Meaning::Status => Some(match status {
                "CA" | "DC" | "RP" => Ask::Cancelled,
                "CM" => Ask::Completed,
                _ => Ask::Noted,
            }),
            _ => None,
        }
    }

    /// It belongs to no old work that comes along.
    #[must_use]
    pub fn is_of_an_order(self) -> bool {
        self.meaning != Meaning::Prior
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_code_stands_once_and_a_status_says_what_it_says() {
        for (n, row) in TABLE.iter().enumerate() {
            assert!(TABLE[..n].iter().all(|before| before.code != row.code), "{}", row.code);
        }
        let status = Control::of("SC").expect("a row");
        assert_eq!(status.ask("DC"), Some(Ask::Cancelled));
        assert_eq!(status.ask("CM"), Some(Ask::Completed));
        assert_eq!(status.ask("IP"), Some(Ask::Noted));
        assert_eq!(Control::of("QQ"), None);
    }
}
