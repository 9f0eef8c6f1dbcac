//! Whatever the text is, a receiver reads it as it was given, and finds as many segments.

use proptest::prelude::*;
use wickline_forward::hl7::Message;
use wickline_forward::{Charset, Layout, Outgoing, Version, result_message};
use wickline_normalize::{Content, Observation, Private};

use crate::sample::{Sample, changed, glucose_grade, local, read_with, remark as said, unread};

/// Text as unpleasant as it comes: delimiters, escapes, controls, wide characters.
fn text(most: usize) -> impl Strategy<Value = String> {
    let pieces = prop_oneof![
        Just("|"),
        Just("^"),
        Just("&"),
        Just("~"),
        Just("\\"),
        Just("\\F\\"),
        Just("\\.br\\"),
        Just("\r"),
        Just("\n"),
        Just("\t"),
        Just("\u{0B}"),
        Just("\u{1C}"),
        Just("\u{7F}"),
        Just("\u{85}"),
        Just("\rOBX|9|NM|"),
        Just("é"),
        Just("\u{FEFF}"),
        Just("a"),
        Just(" b"),
    ];
    prop_oneof![
        prop::collection::vec(pieces, 1..8).prop_map(|p| p.concat()),
        "\\PC{1,20}".prop_map(|s| s),
    ]
    .prop_map(move |s| s.chars().take(most).collect())
    .prop_filter("two quotes are refused", |s: &String| s != "\"\"")
}

/// What a string field makes of a text: control characters were only layout.
fn spaced(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).collect()
}

/// Formatted text keeps its line breaks.
fn formatted(text: &str) -> String {
    text.chars().map(|c| if c.is_control() && c != '\n' { ' ' } else { c }).collect()
}

/// Mostly what passes, often what is special, sometimes anything: any of it may stand in any field.
fn anything() -> impl Strategy<Value = String> {
    prop_oneof![
        6 => "[ -~]{1,12}",
        3 => "[|^~&\\\\.brFSTREXHN\"#]{1,12}",
        2 => "[ -~\u{A0}-ÿ]{1,12}",
        1 => text(20),
        1 => any::<String>(),
    ]
}

/// Code and text of the code, of the local code and of the grade.
fn coded(texts: &[String; 6]) -> Observation {
    let [code, text, own, own_text, grade, grade_text] = texts;
    let mut one = glucose_grade();
    (one.code.code, one.code.text) = (code.clone(), text.clone());
    one.local = local(own, own_text);
    one.content = Content::Grade { code: local(grade, grade_text), alternate: None };
    one
}

/// The fields of one message that may carry anything.
fn same(
    layout: &Layout,
    bytes: &[u8],
    ids: &[String; 2],
    codes: &[String; 6],
) -> Result<(), TestCaseError> {
    let message = Message::read(bytes).map_err(TestCaseError::fail)?;
    let expected = if layout.version.has_spm() { 7 } else { 5 };
    prop_assert_eq!(message.names().count(), expected);
    let (segment, field) = if layout.version.has_spm() { ("SPM", 2) } else { ("OBR", 2) };
    prop_assert_eq!(&message.component(segment, 1, field, 1), &ids[0]);
    prop_assert_eq!(&message.component("OBX", 1, 16, 1), &ids[1]);
    for (n, (field, part)) in [(3, 1), (3, 4), (5, 1)].into_iter().enumerate() {
        prop_assert_eq!(&message.component("OBX", 1, field, part), &codes[2 * n]);
        let words = spaced(&codes[2 * n + 1]);
        prop_assert_eq!(message.component("OBX", 1, field, part + 1), words);
    }
    Ok(())
}

fn well_formed(bytes: &[u8]) -> Result<(), TestCaseError> {
    prop_assert!(bytes.iter().all(|b| *b >= 0x20 || *b == b'\r'), "a raw control byte");
    prop_assert_eq!(bytes.last(), Some(&b'\r'));
    for segment in bytes.split(|b| *b == b'\r') {
        prop_assert_ne!(segment.last(), Some(&b'|'), "{}", segment.escape_ascii());
        for field in segment.split(|b| *b == b'|') {
            prop_assert_ne!(field.last(), Some(&b'^'), "{}", segment.escape_ascii());
        }
    }
    Ok(())
}

fn any_layout() -> impl Strategy<Value = Layout> {
    let version =
        prop::sample::select(&[Version::V231, Version::V24, Version::V25, Version::V251][..]);
    let charset = prop::sample::select(&[Charset::Ascii, Charset::Latin1, Charset::Utf8][..]);
    (version, charset).prop_map(|(version, charset)| changed(version, |l| l.charset = charset))
}

fn of_version(new: bool) -> Layout {
    let charset = Charset::Utf8;
    changed(if new { Version::V251 } else { Version::V231 }, |l| l.charset = charset)
}

proptest! {
    #[test]
    fn words_arrive_as_they_were_given(
        grade in text(20), name in text(199), reference in text(60), reason in text(200),
        remark in text(200), new: bool,
    ) {
        let mut graded = glucose_grade();
        graded.content = Content::Grade { code: local("G", &grade), alternate: None };
        graded.reference = Some(reference.clone());
        graded.local.text = name.clone();
        let mut pad = unread();
        pad.content = Content::Unread { reason: reason.clone(), number: false };
        let sample = Sample { remarks: vec![said(&remark)], ..Sample::new(vec![graded, pad]) };
        let layout = of_version(new);
        let message = read_with(&layout, &sample.outgoing());
        prop_assert_eq!(message.component("OBX", 1, 5, 2), spaced(&grade));
        prop_assert_eq!(message.component("OBX", 1, 3, 5), spaced(&name));
        prop_assert_eq!(message.component("OBX", 1, 7, 1), spaced(&reference));
        prop_assert_eq!(message.component("NTE", 1, 3, 1), formatted(&remark));
        prop_assert_eq!(message.component("NTE", 2, 3, 1), formatted(&reason));
        let expected = if new { 9 } else { 7 };
        prop_assert_eq!(message.names().count(), expected);
    }

    #[test]
    fn ids_arrive_or_are_refused(specimen in text(20), operator in text(15), number in text(20)) {
        let control = |s: &str| s.chars().any(char::is_control);
        let sample = Sample {
            specimen: Private::new(specimen.clone()),
            operator: Some(Private::new(operator.clone())),
            ..Sample::new(vec![glucose_grade()])
        };
        let out = Outgoing { number: Some(&number), ..sample.outgoing() };
        let layout = of_version(true);
        if control(&specimen) || control(&operator) || control(&number) {
            let fault = result_message(&layout, &out).expect_err("a control character in an id");
            prop_assert!(["SPM-2", "OBX-16.1", "OBR-20"].contains(&fault.field));
        } else {
            let message = read_with(&layout, &out);
            prop_assert_eq!(message.component("SPM", 1, 2, 1), specimen);
            prop_assert_eq!(message.component("OBX", 1, 16, 1), operator);
            prop_assert_eq!(message.component("OBR", 1, 20, 1), number);
        }
    }

    #[test]
    fn no_byte_could_end_a_block_or_a_segment(remark in text(200), name in text(60)) {
        let mut graded = glucose_grade();
        graded.code.text = name;
        let sample = Sample { remarks: vec![said(&remark)], ..Sample::new(vec![graded]) };
        let bytes = result_message(&of_version(true), &sample.outgoing()).expect("a message");
        prop_assert!(bytes.iter().all(|b| *b >= 0x20 && *b != 0x7F || *b == b'\r'));
    }

    #[test]
    fn any_text_in_any_set_is_refused_or_read_back(
        layout in any_layout(),
        ids in prop::array::uniform2(anything()),
        codes in prop::array::uniform6(anything()),
        remark in anything(),
    ) {
        let sample = Sample {
            specimen: Private::new(ids[0].clone()),
            operator: Some(Private::new(ids[1].clone())),
            remarks: vec![said(&format!(".{remark}"))],
            ..Sample::new(vec![coded(&codes)])
        };
        if let Ok(bytes) = result_message(&layout, &sample.outgoing()) {
            well_formed(&bytes)?;
            same(&layout, &bytes, &ids, &codes)?;
            let message = Message::read(&bytes).map_err(TestCaseError::fail)?;
            let expected = formatted(&format!(".{remark}"));
            prop_assert_eq!(message.component("NTE", 1, 3, 1), expected);
        }
    }

    /// Without this, to refuse everything would pass above.
    #[test]
    fn printable_text_that_fits_is_never_refused(
        layout in any_layout(),
        ids in prop::array::uniform2("[!-~][ -~]{2,11}"),
        codes in prop::array::uniform6("[!-~][ -~]{2,11}"),
    ) {
        let sample = Sample {
            specimen: Private::new(ids[0].clone()),
            operator: Some(Private::new(ids[1].clone())),
            remarks: vec![said("a")],
            ..Sample::new(vec![coded(&codes)])
        };
        let bytes = result_message(&layout, &sample.outgoing());
        let bytes = bytes.map_err(|fault| TestCaseError::fail(fault.to_string()))?;
        well_formed(&bytes)?;
        same(&layout, &bytes, &ids, &codes)?;
    }
}
