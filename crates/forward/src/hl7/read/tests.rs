//! Well-formed, sloppy and hostile messages and answers.

use proptest::prelude::*;

use super::{MESSAGE_MAX, Message, SEGMENTS_MAX};
use crate::hl7::{Ack, AckCode};

fn message(text: &str) -> Message {
    Message::read(text.as_bytes()).expect("a message")
}

const HEAD: &str = "MSH|^~\\&|LIS|K|WICKLINE|K|20260314||ACK^R01^ACK|9|P|2.5.1\r";

#[test]
fn fields_count_from_the_separator_in_msh_and_from_the_name_elsewhere() {
    let m = message("MSH|^~\\&|A|B\rOBX|1|NM\rOBX|2|SN||\r");
    assert_eq!(
        [1, 2, 3, 4].map(|n| m.field("MSH", 1, n)),
        [Some("|"), Some("^~\\&"), Some("A"), Some("B")]
    );
    assert_eq!(m.field("MSH", 1, 0), None);
    assert_eq!(m.field("OBX", 2, 2), Some("SN"));
    assert_eq!(m.field("OBX", 2, 0), Some("OBX"));
    assert_eq!([m.field("OBX", 2, 4), m.field("OBX", 2, 5)], [Some(""), None]);
    assert_eq!([m.field("OBX", 3, 1), m.field("OBX", 0, 1), m.field("NTE", 1, 1)], [None; 3]);
    assert_eq!(m.count("OBX"), 2);
    assert_eq!(m.names().collect::<Vec<_>>(), ["MSH", "OBX", "OBX"]);
}

#[test]
fn delimiters_are_those_that_the_message_declares() {
    let m = message("MSH$@*!%$A\rNTE$1$a@b!S!c*second$%\r");
    assert_eq!(m.field("MSH", 1, 1), Some("$"));
    assert_eq!(m.component("NTE", 1, 2, 2), "b@c");
    let field = m.field("NTE", 1, 2).expect("a field");
    assert_eq!(m.repetitions(field).collect::<Vec<_>>(), ["a@b!S!c", "second"]);
    let blank = message("MSH|^ \\&|A\rNTE|1|a b\\T\\^c\r");
    assert_eq!(blank.component("NTE", 1, 2, 1), "a b&", "a blank declares nothing, others stay");
    let short = message("MSH|^\rNTE|1|a~b\\F\\\r");
    assert_eq!(short.component("NTE", 1, 2, 1), "a~b\\F\\", "no repetition, no escape declared");
}

#[test]
fn line_ends_are_read_as_sloppily_as_they_are_written() {
    for end in ["\r", "\n", "\r\n", "\n\r", "\r\r"] {
        let m = message(&["MSH|^~\\&|A", "MSA|AA|1", ""].join(end));
        assert_eq!(m.names().collect::<Vec<_>>(), ["MSH", "MSA"], "{end:?}");
    }
    let m = message("\u{FEFF}\r\n MSH|^~\\&|A\rMSA|AA|1");
    assert_eq!(m.field("MSA", 1, 2), Some("1"), "no last line end, and something before the first");
}

#[test]
fn escapes_are_resolved_in_one_pass() {
    let m = message(HEAD);
    for (text, plain) in [
        ("\\F\\\\S\\\\T\\\\R\\\\E\\", "|^&~\\"),
        ("\\E\\F\\E\\", "\\F\\"),
        ("a\\.br\\b", "a\nb"),
        ("\\X41C3A9\\", "Aé"),
        ("\\XE9\\", "é"),
        ("\\H\\loud\\N\\", "loud"),
        ("\\Q\\", "\\Q\\"),
        ("50\\ off", "50\\ off"),
        ("\\X4\\", "\\X4\\"),
        ("\\X\\", "\\X\\"),
        ("\\Xé\\", "\\Xé\\"),
        ("\\X+F\\", "\\X+F\\"),
        ("\\X1c+b\\", "\\X1c+b\\"),
        ("a\\", "a\\"),
    ] {
        assert_eq!(m.unescape(text), plain, "{text}");
    }
}

#[test]
fn character_sets_are_told_apart() {
    let with = |set: &str, bytes: &[u8]| {
        let head = format!("MSH|^~\\&|||||||||P|2.5.1||||||{set}\rNTE|1|");
        Message::read(&[head.as_bytes(), bytes].concat())
            .expect("a message")
            .component("NTE", 1, 2, 1)
    };
    assert_eq!(with("UNICODE UTF-8", "é".as_bytes()), "é");
    assert_eq!(with("", "é".as_bytes()), "é");
    assert_eq!(with("", b"\xE9"), "é", "not UTF-8, so Latin-1");
    assert_eq!(with("8859/1", b"\xC3\xA9"), "Ã©", "declared, so believed");
    let late = b"\r\n MSH|^~\\&|||||||||P|2.5.1||||||8859/1\rNTE|1|\xC3\xA9\r";
    let late = Message::read(late).expect("a message");
    assert_eq!(late.component("NTE", 1, 2, 1), "Ã©", "whatever stands before the message");
}

#[test]
fn what_is_no_message_is_refused_without_quoting_it() {
    for bytes in [&b""[..], b"HELLO", b"MSH", b"MSHA", b"MSH|", b"MSH||", b"MSH|\r", b"MSH\xFF^~"] {
        let fault = Message::read(bytes).expect_err("no message");
        assert!(!fault.contains("HELLO"), "{fault}");
    }
    assert!(Message::read(&vec![b'M'; MESSAGE_MAX + 1]).is_err());
    let many = format!("{HEAD}{}", "A\r".repeat(SEGMENTS_MAX));
    assert!(Message::read(many.as_bytes()).is_err());
}

#[test]
fn answers_of_2_5_name_every_fault() {
    let text = format!(
        "{HEAD}MSA|AE|KP1-1\r\
         ERR||PID^1^3^1^1|204^Unknown key identifier^HL70357|E||||Patient not on file\r\
         ERR||OBX^4^5^1|102^Data type error^HL70357|W|||not numeric|Result not filed\r"
    );
    let ack = Ack::read(text.as_bytes()).expect("an answer");
    assert_eq!((ack.code, ack.control_id.as_str()), (AckCode::Ae, "KP1-1"));
    let [first, second] = &ack.errors[..] else { panic!("two faults: {:?}", ack.errors) };
    assert_eq!([&first.location, &first.code, &first.severity], ["PID^1^3^1^1", "204", "E"]);
    assert_eq!([&first.text, &first.words], ["Unknown key identifier", "Patient not on file"]);
    assert_eq!([&second.words, &second.severity], ["not numeric; Result not filed", "W"]);
    assert!(first.is_fault() && !second.is_fault());
}

#[test]
fn older_answers_name_theirs_in_err_1_and_msa() {
    let text = "MSH|^~\\&|LIS|K|||20260314||ACK|1|P|2.3.1\n\
                MSA|AE|KP1-1|OBX-5 not numeric|||102^Data type error\n\
                ERR|OBX^3^5^102&Data type error&HL70357~MSH^1^12^203\n";
    let ack = Ack::read(text.as_bytes()).expect("an answer");
    assert_eq!(ack.text, "OBX-5 not numeric");
    let found: Vec<_> = ack.errors.iter().map(|e| (e.location.as_str(), e.code.as_str())).collect();
    assert_eq!(found, [("", "102"), ("OBX^3^5", "102"), ("MSH^1^12", "203")]);
}

#[test]
fn answers_are_recognised_in_any_clothes() {
    for kind in ["ACK", "ACK^R01", "ACK^R01^ACK", "", "ORU^R01"] {
        let text = format!("MSH|^~\\&|||||||{kind}|1|P|2.8\rMSA| AA |KP1-1 \r");
        let ack = Ack::read(text.as_bytes()).expect("an answer");
        assert_eq!((ack.code, ack.control_id.as_str()), (AckCode::Aa, "KP1-1"));
    }
    for wrong in ["", "MSA\r", "MSA||KP1-1\r", "MSA|OK|KP1-1\r", "MSA|aa|KP1-1\r", "MSAX|AA|1\r"] {
        assert!(Ack::read(format!("{HEAD}{wrong}").as_bytes()).is_err(), "{wrong}");
    }
}

#[test]
fn a_flood_of_faults_is_cut_off() {
    let many = "ERR|OBX^1^5^102~OBX^2^5^102|PID^1|204|E\r".repeat(100);
    let ack = Ack::read(format!("{HEAD}MSA|AE|KP1-1\r{many}").as_bytes()).expect("an answer");
    assert_eq!(ack.errors.len(), super::super::ack::ERRORS_MAX);
    let wide = format!("{HEAD}MSA|AE|KP1-1\rERR|{}\r", "OBX^1^5^102~".repeat(100));
    let ack = Ack::read(wide.as_bytes()).expect("an answer");
    assert_eq!(ack.errors.len(), super::super::ack::ERRORS_MAX);
}

proptest! {
    #[test]
    fn whatever_is_asked_of_whatever_message_there_is_an_answer(
        signs in "[!-/:-@|^~\\\\&]{2,6}",
        body in "(MSA|ERR|MSH|[|^~\\\\&!-/]|\r|\n|[AX09é]|\\PC){0,80}",
        (nth, field, component) in (0_usize..4, 0_usize..9, 0_usize..4),
    ) {
        let Ok(m) = Message::read(format!("MSH{signs}{body}").as_bytes()) else { return Ok(()) };
        prop_assert_eq!(m.names().next(), Some("MSH"));
        for segment in ["MSH", "MSA", "ERR", ""] {
            let whole = m.field(segment, nth, field).unwrap_or("");
            let part = m.component(segment, nth, field, component);
            prop_assert!(m.unescape(whole).len() <= 2 * whole.len());
            prop_assert!(part.len() <= 2 * whole.len(), "a part of the whole");
            prop_assert!(whole.is_empty() || m.count(segment) >= nth);
        }
    }

    #[test]
    fn bytes_of_any_kind_are_read_or_refused(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = Ack::read(&bytes);
        let framed = [b"MSH|^~\\&|".as_slice(), &bytes, b"\rMSA|AR|1\rERR|", &bytes].concat();
        if let Ok(ack) = Ack::read(&framed) {
            let _ = crate::verdict::verdict(&ack);
        }
    }

    #[test]
    fn unescaping_never_grows_a_text_without_bound(text in "(\\\\|[A-FNHRSTX0-9.]|é){0,60}") {
        let m = message(HEAD);
        prop_assert!(m.unescape(&text).len() <= 2 * text.len());
    }
}
