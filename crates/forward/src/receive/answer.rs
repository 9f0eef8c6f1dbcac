//! The answers that a practice receiver can give.

use std::fmt;
use std::str::FromStr;

use crate::hl7::Message;

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
    CaAa "ca+aa" "Commit accepted, then accepted.",
    CaAe "ca+ae" "Commit accepted, then an error in the content.",
    Nak "nak" "The transport does not store it (MLLP release 2).",
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
    /// MSA-1.
    fn code(self) -> &'static str {
        match self {
            Answer::Ae => "AE",
            Answer::Ar | Answer::Header | Answer::Busy => "AR",
            Answer::Ca => "CA",
            Answer::Ce => "CE",
            Answer::Cr => "CR",
            _ => "AA",
        }
    }

    /// The fault named beside it: place, code of table 0357 and its text, words for people.
    fn fault(self) -> Option<[&'static str; 4]> {
        match self {
            Answer::Ae | Answer::Ce => {
                Some(["OBX^1^5", "102", "Data type error", "practice: value not taken"])
            }
            Answer::Header => {
                Some(["MSH^1^12", "203", "Unsupported version id", "practice: not this version"])
            }
            Answer::Busy => Some(["", "207", "Application internal error", "practice: not now"]),
            _ => None,
        }
    }

    /// The text of each acknowledgment, in the version of the message.
    pub(super) fn texts(self, message: &Message, nth: usize) -> Vec<String> {
        let parts = match self {
            Answer::CaAa => vec![Answer::Ca, Answer::Aa],
            Answer::CaAe => vec![Answer::Ca, Answer::Ae],
            one => vec![one],
        };
        parts.into_iter().map(|one| one.text(message, nth)).collect()
    }

    fn text(self, message: &Message, nth: usize) -> String {
        let field = |n| message.field("MSH", 1, n).unwrap_or("");
        let old = matches!(field(12), "2.3.1" | "2.4");
        let kind = if old { "ACK^R01" } else { "ACK^R01^ACK" };
        let id = if self == Answer::Wrong { "NOT-YOURS" } else { field(10) };
        // Its clock is the sender's: it answers in the second in which it was spoken to.
        let mut text = format!(
            "MSH|^~\\&|{}|{}|{}|{}|{}||{kind}|P{nth}|{}|{}\rMSA|{}|{id}\r",
            field(5),
            field(6),
            field(3),
            field(4),
            field(7),
            field(11),
            field(12),
            self.code(),
        );
        match self.fault() {
            Some([place, code, what, _]) if old => {
                text.push_str(&format!("ERR|{place}^{code}&{what}&HL70357\r"));
            }
            Some([place, code, what, words]) => {
                text.push_str(&format!("ERR||{place}|{code}^{what}^HL70357|E||||{words}\r"));
            }
            None => {}
        }
        text
    }
}

#[cfg(test)]
mod tests {
    use super::Answer;
    use crate::hl7::{Ack, Message};
    use crate::verdict::{Verdict, verdict};

    #[test]
    fn an_unknown_answer_names_the_known_ones() {
        assert_eq!("ae".parse(), Ok(Answer::Ae));
        assert!("yes".parse::<Answer>().expect_err("no answer").contains("aa, ae, ar"));
        assert_eq!(Answer::Busy.to_string(), "busy");
    }

    #[test]
    fn each_answer_means_what_it_is_for_in_either_form() {
        for version in ["2.3.1", "2.4", "2.5", "2.5.1"] {
            let text = format!("MSH|^~\\&|WICKLINE|K|LIS|K|20260314||ORU^R01|A1|P|{version}\r");
            let message = Message::read(text.as_bytes()).expect("a message");
            for (word, wanted) in [
                ("aa", "accepted"),
                ("ca", "accepted"),
                ("ae", "error"),
                ("ce", "error"),
                ("ar", "busy"),
                ("cr", "busy"),
                ("header", "reject"),
                ("busy", "busy"),
                ("wrong", "accepted"),
            ] {
                let answer: Answer = word.parse().expect("an answer");
                let ack = Ack::read(answer.text(&message, 1).as_bytes()).expect("readable");
                let got = match verdict(&ack) {
                    Verdict::Accepted => "accepted",
                    Verdict::RefusedError { .. } => "error",
                    Verdict::RefusedReject { .. } => "reject",
                    Verdict::Busy { .. } => "busy",
                };
                assert_eq!(got, wanted, "{version} {word}");
                assert_eq!(ack.control_id == "A1", word != "wrong");
            }
        }
    }
}
