//! The answers that a practice receiver can give.

use std::fmt;
use std::str::FromStr;

macro_rules! answers {
    ($($name:ident $text:literal $about:literal),+ $(,)?) => {
        /// One scripted answer.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Answer { $(#[doc = $about] $name),+ }

        impl FromStr for Answer {
            type Err = String;

            fn from_str(text: &str) -> Result<Self, String> {
                match text {
                    $($text => Ok(Answer::$name),)+
                    _ => Err(format!(
                        "`{}` is no answer; allowed: {}", text.escape_debug(), [$($text),+].join(", ")
                    )),
                }
            }
        }

        impl fmt::Display for Answer {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.pad(match self { $(Answer::$name => $text),+ })
            }
        }
    };
}

answers! {
    Aa "aa" "Accepted.",
    Ae "ae" "An error in the content.",
    Ar "ar" "Rejected, without a reason.",
    Ca "ca" "Commit accepted.",
    Ce "ce" "Commit error.",
    Cr "cr" "Commit rejected, without a reason.",
    Header "header" "Rejected: the version in the header is not known.",
    Busy "busy" "Rejected: not now.",
    Late "late" "Accepted, but late.",
    None "none" "No answer at all.",
    Wrong "wrong" "Accepted, under another control id.",
    Junk "junk" "Bytes that are no block.",
    Split "split" "Accepted, byte by byte.",
    Double "double" "Accepted, twice.",
    Reset "reset" "The connection is reset.",
    Close "close" "The connection is closed.",
}

impl Answer {
    /// The acknowledgment's text, in the version of the message.
    pub(super) fn text(self, control_id: &str, version: &str, nth: usize) -> String {
        let (code, error) = match self {
            Answer::Ae => {
                ("AE", "OBX^1^5^1|102^Data type error^HL70357|E|||practice: value not taken")
            }
            Answer::Ce => {
                ("CE", "OBX^1^5^1|102^Data type error^HL70357|E|||practice: value not taken")
            }
            Answer::Ar => ("AR", ""),
            Answer::Cr => ("CR", ""),
            Answer::Header => ("AR", "MSH^1^12|203^Unsupported version id^HL70357|E"),
            Answer::Busy => ("AR", "|207^Application internal error^HL70357|E|||practice: not now"),
            Answer::Ca => ("CA", ""),
            _ => ("AA", ""),
        };
        let id = if self == Answer::Wrong { "NOT-YOURS" } else { control_id };
        let version = if version.is_empty() { "2.5.1" } else { version };
        let mut text = format!(
            "MSH|^~\\&|PRACTICE|PRACTICE|WICKLINE||20260314091503+0000||ACK^R01^ACK|P{nth}|P|{version}\r\
             MSA|{code}|{id}\r"
        );
        if !error.is_empty() {
            text.push_str(&format!("ERR||{error}\r"));
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::Answer;

    #[test]
    fn an_unknown_answer_names_the_known_ones() {
        assert_eq!("ae".parse(), Ok(Answer::Ae));
        assert!("yes".parse::<Answer>().expect_err("no answer").contains("aa, ae, ar"));
        assert_eq!(Answer::Busy.to_string(), "busy");
    }
}
