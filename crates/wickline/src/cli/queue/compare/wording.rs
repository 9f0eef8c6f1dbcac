//! The words of a receiver: what its statuses mean, and what the site says that it writes in place of ours.

use clap::ValueEnum;
use wickline_normalize::Figure;
use wickline_normalize::units::{KNOWN, fold as unit_fold};
use wickline_normalize::words::fold;

/// What a word of the receiver's own may stand for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub enum Column {
    Code,
    Value,
    Unit,
    Flag,
    Status,
}

/// `--same flag:*=A`.
#[derive(Clone, Debug)]
struct Same {
    column: Column,
    theirs: String,
    ours: String,
}

/// Which words of the receiver stand for ours.
#[derive(Debug, Default)]
pub struct Wording(Vec<Same>);

/// Words of a result status with the letters (HL7 v2 table 0085) that each may stand for, as the table of HL7's
/// mapping of its statuses to FHIR has them (v2-to-FHIR, table 0085; FHIR R4 observation-status), and what the
/// letters are called in 0085 itself.
const STATUSES: &[(&str, &str)] = &[
    ("f", "F"),
    ("final", "F"),
    ("c", "C"),
    ("corrected", "C"),
    ("amended", "C"),
    ("p", "P"),
    ("preliminary", "P"),
    ("r", "R"),
    ("unverified", "R"),
    ("not verified", "R"),
    ("x", "XW"),
    ("not read", "X"),
    ("cancelled", "XW"),
    ("canceled", "XW"),
    ("w", "W"),
    ("withdrawn", "W"),
    ("wrong", "W"),
    ("d", "W"),
    ("deleted", "W"),
    ("entered in error", "W"),
    ("entered-in-error", "W"),
];

impl Wording {
    /// Reads each `COLUMN:THEIRS=OURS`.
    pub fn parse(texts: &[String]) -> Result<Self, String> {
        texts.iter().map(|text| Same::parse(text)).collect::<Result<_, _>>().map(Self)
    }

    /// Whether the site says that this word of theirs stands for this one of ours.
    pub fn stands_for(&self, column: Column, theirs: &str, ours: &str) -> bool {
        let mut own = self.0.iter().filter(|same| same.column == column);
        own.any(|same| fold(&same.theirs) == fold(theirs) && fold(&same.ours) == fold(ours))
    }

    /// The codes that a code of theirs stands for.
    pub fn codes_of<'a>(&'a self, theirs: &'a str) -> impl Iterator<Item = &'a str> {
        let own = self.0.iter().filter(|same| same.column == Column::Code);
        own.filter(|same| same.theirs.eq_ignore_ascii_case(theirs)).map(|same| same.ours.as_str())
    }

    /// Whether a status of theirs may stand beside a result that was told with this one. What was corrected may be
    /// filed as final, for that it is there is what counts; and what was told to be verified there may stand as
    /// final or unverified.
    pub fn may_stand_for(&self, theirs: &str, told: &str) -> bool {
        let fits = match told {
            "C" => "CF",
            "P" | "R" => "PRF",
            other => other,
        };
        let letters = STATUSES.iter().find(|(word, _)| *word == fold(theirs)).map_or("", |s| s.1);
        let told = |letter: char| fits.contains(letter);
        letters.chars().any(told)
            || fits.chars().any(|l| self.stands_for(Column::Status, theirs, &l.to_string()))
    }
}

impl Same {
    fn parse(text: &str) -> Result<Self, String> {
        let form = || {
            format!(
                "--same {text}: write code, value, unit, flag or status, a colon, what they write, = and what we \
                 tell: flag:*=A"
            )
        };
        let (column, rest) = text.split_once(':').ok_or_else(form)?;
        let (theirs, ours) = rest.rsplit_once('=').ok_or_else(form)?;
        let column = Column::from_str(column, true).map_err(|_| form())?;
        let (theirs, ours) = (theirs.trim().to_owned(), ours.trim().to_owned());
        let same = Same { column, theirs, ours };
        match same.fault() {
            Some(why) => Err(format!("--same {text}: {why}")),
            None => Ok(same),
        }
    }

    /// What no mapping may say: that one of two known things is the other.
    fn fault(&self) -> Option<&'static str> {
        let (theirs, ours) = (self.theirs.as_str(), self.ours.as_str());
        let number = |text: &str| Figure::read(text).is_some();
        let flags =
            |pairs: &[&str]| pairs.contains(&format!("{theirs}{ours}").to_uppercase().as_str());
        let is_flag =
            |text: &str| matches!(text.to_uppercase().as_str(), "" | "N" | "A" | "L" | "H");
        let known = |text: &str| STATUSES.iter().any(|(word, _)| *word == fold(text));
        match self.column {
            Column::Code if theirs.is_empty() || ours.is_empty() => Some("a code is not empty"),
            Column::Value if theirs.is_empty() || ours.is_empty() => Some("a value is not empty"),
            Column::Value if number(theirs) || number(ours) => {
                Some("numbers are compared as numbers; this is for words")
            }
            Column::Unit if is_unit(theirs) => Some("that is a unit of its own"),
            Column::Flag if !is_flag(ours) => Some("our flags are N, A, L and H, or none"),
            Column::Flag if is_flag(theirs) && !flags(&["N", "AH", "AL", "HA", "LA"]) => {
                Some("these two flags say different things")
            }
            Column::Status if !matches!(ours, "F" | "C" | "P" | "R" | "X" | "W") => {
                Some("our statuses are F, C, P, R, X and W")
            }
            Column::Status if known(theirs) => Some("that status is known and says something else"),
            _ => None,
        }
    }
}

fn is_unit(text: &str) -> bool {
    let folded = unit_fold(text);
    KNOWN.iter().any(|unit| unit.is_spelled(&folded) || folded == unit_fold(unit.ucum))
}

#[cfg(test)]
mod tests {
    use super::{Column, Wording};

    #[test]
    fn statuses_are_known_by_their_letters_and_words() {
        let none = Wording::default();
        for (told, may, may_not) in [
            (
                "F",
                "F|final|FINAL|Final",
                "|W|D|P|R|I|X|Withdrawn|deleted|cancelled|garbage|C|corrected",
            ),
            ("C", "C|corrected|amended|F|final", "P|W|"),
            ("P", "P|preliminary|R|F", "C|W|X|"),
            ("R", "R|P|F", "C|W|X|"),
            ("X", "X|not read|cancelled", "F|W|withdrawn|"),
            ("W", "W|D|X|withdrawn|Cancelled|DELETED|entered-in-error", "F|C|P|final|garbage|"),
        ] {
            for word in may.split('|') {
                assert!(none.may_stand_for(word, told), "{word} for {told}");
            }
            for word in may_not.split('|') {
                assert!(!none.may_stand_for(word, told), "{word} for {told}");
            }
        }
    }

    #[test]
    fn the_sites_own_words_never_turn_one_known_thing_into_another() {
        let read = |text: &str| Wording::parse(&[text.to_owned()]);
        for (text, column, theirs, ours) in [
            ("flag:*=A", Column::Flag, "*", "A"),
            ("flag:abnormal=H", Column::Flag, "Abnormal", "H"),
            ("flag:N=", Column::Flag, "N", ""),
            ("flag:=N", Column::Flag, "", "N"),
            ("unit:=mg/dL", Column::Unit, "", "mg/dL"),
            ("value:absent=NEG", Column::Value, "absent", "NEG"),
            ("status:=F", Column::Status, "", "F"),
        ] {
            let own = read(text).expect(text);
            assert!(own.stands_for(column, theirs, ours), "{text}");
            assert!(!own.stands_for(column, theirs, "L") && !own.stands_for(column, "o", ours));
        }
        assert!(read("status:verified=F").expect("a word").may_stand_for("Verified", "C"));
        for text in [
            "flag",
            "flag:*",
            "colour:*=A",
            "flag:*=B",
            "flag:N=A",
            "flag:A=N",
            "flag:H=L",
            "flag:A=",
            "unit:mmol/L=mg/dL",
            "value:400=1200",
            "value:=NEG",
            "code:=1",
            "status:W=F",
            "status:done=Z",
        ] {
            assert!(read(text).is_err(), "{text}");
        }
    }
}
