//! The table of answers, and the receiver's words.

use super::{DETAIL_MAX, Verdict, verdict};
use crate::hl7::Ack;

fn judged(rest: &str) -> Verdict {
    let text = format!("MSH|^~\\&|LIS|K|||20260314||ACK^R01^ACK|9|P|2.5.1\r{rest}");
    verdict(&Ack::read(text.as_bytes()).expect("an answer"))
}

fn detail(verdict: Verdict) -> String {
    match verdict {
        Verdict::RefusedError { detail }
        | Verdict::RefusedReject { detail }
        | Verdict::Busy { detail } => detail,
        Verdict::Accepted => panic!("accepted"),
    }
}

fn word(verdict: &Verdict) -> &'static str {
    match verdict {
        Verdict::Accepted => "accepted",
        Verdict::RefusedError { .. } => "error",
        Verdict::RefusedReject { .. } => "reject",
        Verdict::Busy { .. } => "busy",
    }
}

#[test]
fn the_table() {
    let rows = [
        ("AA", "", "accepted"),
        ("CA", "", "accepted"),
        ("AA", "ERR||PID^1^5|101^Required field missing^HL70357|W\r", "accepted"),
        ("AE", "", "error"),
        ("CE", "", "error"),
        ("AE", "ERR||MSH^1^12|203^Unsupported version id^HL70357|E\r", "error"),
        ("AR", "", "busy"),
        ("CR", "", "busy"),
        ("AR", "ERR|||200^Unsupported message type^HL70357|E\r", "reject"),
        ("AR", "ERR|||201^Unsupported event code^HL70357|E\r", "reject"),
        ("AR", "ERR|||202^Unsupported processing id^HL70357|E\r", "reject"),
        ("CR", "ERR|||203^Unsupported version id^HL70357|E\r", "reject"),
        ("AR", "ERR||MSH^1^4|103^Table value not found^HL70357|E\r", "reject"),
        ("AR", "ERR||MSH|\r", "reject"),
        ("AR", "ERR|MSH^1^12^203&Unsupported version id&HL70357\r", "reject"),
        ("AR", "ERR|||204^Unknown key identifier^HL70357|E\r", "error"),
        ("CR", "ERR|||205^Duplicate key identifier^HL70357|E\r", "error"),
        ("AR", "ERR||OBR^1^3|205^Duplicate key identifier^HL70357|E\r", "error"),
        ("AR", "ERR|||206^Application record locked^HL70357|E\r", "busy"),
        ("AR", "ERR|||207^Application internal error^HL70357|E\r", "busy"),
        ("AR", "ERR||OBX^1^5|102^Data type error^HL70357|E\r", "busy"),
        ("AR", "ERR||MSH^1^12|203^Unsupported version id^HL70357|W\r", "busy"),
        ("AR", "ERR|||204^x|E\rERR||MSH^1^12|203^y|E\r", "reject"),
    ];
    for (code, errors, wanted) in rows {
        let got = judged(&format!("MSA|{code}|KP1-1\r{errors}"));
        assert_eq!(word(&got), wanted, "{code} {errors}");
    }
}

#[test]
fn an_older_reject_tells_its_code_in_msa() {
    assert_eq!(word(&judged("MSA|AR|KP1-1||||203^Unsupported version id\r")), "reject");
    assert_eq!(word(&judged("MSA|AR|KP1-1||||207\r")), "busy");
}

#[test]
fn the_receivers_own_words_are_kept() {
    let said = detail(judged(
        "MSA|AE|KP1-1|see below\rERR||OBX^4^5^1|102^Data type error^HL70357|E|||not a number|Not filed\r",
    ));
    assert_eq!(said, "AE: see below; 102 Data type error at OBX^4^5^1: not a number; Not filed");
    assert_eq!(detail(judged("MSA|AR|KP1-1\r")), "AR: gives no reason");
}

#[test]
fn words_are_bounded_and_cannot_play_with_a_terminal() {
    let said = detail(judged("MSA|AE|KP1-1|\u{1B}[31mred\t\u{202E}\\X0D0A\\ \\.br\\end\r"));
    assert!(said.chars().all(|c| !c.is_control()), "{said:?}");
    assert!(!said.contains('\u{202E}') && said.contains("red") && said.contains("end"), "{said}");
    let long = detail(judged(&format!("MSA|AE|KP1-1|{}\r", "é\u{1}".repeat(5000))));
    assert!(long.chars().count() <= DETAIL_MAX && long.ends_with("..."), "{long}");
    let exact = detail(judged(&format!("MSA|AE|KP1-1|{}\r", "x".repeat(DETAIL_MAX - 7))));
    assert!(!exact.ends_with("...") && exact.len() == DETAIL_MAX - 3);
}

#[test]
fn a_flood_of_errors_is_bounded() {
    let flood = format!("MSA|AR|KP1-1\r{}", "ERR||OBX^1^5~OBX^2^5|102^x|E\r".repeat(4000));
    assert!(detail(judged(&flood)).chars().count() <= DETAIL_MAX);
}
