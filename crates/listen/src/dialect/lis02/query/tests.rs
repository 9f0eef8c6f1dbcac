//! Questions and answers as records and frames; the checksums were counted by hand, by the rule of LIS1-A 6.3.3.

use proptest::prelude::*;
use wickline_normalize::Place;

use super::*;
use crate::ear::{Cut, Ending};
use crate::link::frame;

fn heard(records: &[&[u8]]) -> Transmission {
    let place = Place { from: 0, to: 1 };
    let cut = |bytes: &&[u8]| Cut { place, bytes: bytes.to_vec(), flawed: false };
    Transmission { place, lines: records.iter().map(cut).collect(), ending: Ending::Complete }
}

fn asks(record: &str, at: IdAt) -> Option<Question> {
    let head = b"H|\\^&|||BENCH-1|||||WICKLINE||P|LIS2-A2|20260314090000";
    question(&heard(&[head, record.as_bytes(), b"L|1|N"]), at)
}

fn question(transmission: &Transmission, at: IdAt) -> Option<Question> {
    asked(transmission, at).map(|asked| asked.question)
}

fn specimens(ids: &[&str]) -> Option<Question> {
    Some(Question::Specimens(ids.iter().map(|id| Private::new(*id)).collect()))
}

#[test]
fn a_question_names_specimens_where_its_dialect_has_them() {
    let plain = "Q|1|^KP-20417||ALL||||||||O";
    assert_eq!(asks(plain, IdAt::Second), specimens(&["KP-20417"]));
    assert_eq!(
        asks("Q|1|KP700101^KP-20417\\^KP-20418||ALL", IdAt::Second),
        specimens(&["KP-20417", "KP-20418"])
    );
    assert_eq!(asks("Q|1|KP-20417||ALL", IdAt::First), specimens(&["KP-20417"]));
    assert_eq!(asks("Q|1|ALL||ALL||||||||O", IdAt::Second), Some(Question::All));
    // In the id's own component the word is the same (NCCLS LIS2-A2 clause 11: an id, or the word).
    for (all, at) in
        [("Q|1|^ALL", IdAt::Second), ("Q|1|^all||ALL", IdAt::Second), ("Q|1|ALL^", IdAt::First)]
    {
        assert_eq!(asks(all, at), Some(Question::All), "{all}");
    }
    assert_eq!(asks("Q|1|^A&F&B", IdAt::Second), specimens(&["A|B"]));
    assert_eq!(asks("O|1|KP-20417", IdAt::Second), None, "no question");
    let many = vec!["^KP-20417"; 51].join("\\");
    for unclear in [
        "Q|1|KP-20417",
        "Q|1|",
        "Q|1|^",
        "Q|1|^KP-1^^|^KP-9",
        "Q|1|^KP-1\\^",
        &format!("Q|1|{many}"),
    ] {
        assert!(matches!(asks(unclear, IdAt::Second), Some(Question::Unclear(_))), "{unclear}");
    }
}

#[test]
fn a_question_is_taken_back_by_its_status_or_its_end() {
    assert_eq!(asks("Q|1|^KP-20417||ALL||||||||A", IdAt::Second), Some(Question::Aborted));
    let taken_back = heard(&[b"H|\\^&", b"Q|1|^KP-20417", b"L|1|R"]);
    assert_eq!(question(&taken_back, IdAt::Second), Some(Question::Aborted));
    let twice = heard(&[b"H|\\^&", b"Q|1|^KP-20417", b"Q|2|^KP-20418", b"L|1|N"]);
    assert!(matches!(question(&twice, IdAt::Second), Some(Question::Unclear(_))));
    let own = heard(&[b"H!*$%", b"Q!1!$KP-20417*$KP-20418", b"L!1!N"]);
    assert_eq!(question(&own, IdAt::Second), specimens(&["KP-20417", "KP-20418"]));
}

#[test]
fn a_question_that_is_broken_off_is_told_and_not_answered() {
    let mut heard = heard(&[b"H|\\^&|||BENCH-1|||||WICKLINE", b"Q|1|^KP-20417"]);
    let whole = asked(&heard, IdAt::Second).expect("a question");
    assert_eq!((whole.sender.as_str(), whole.receiver.as_str()), ("BENCH-1", "WICKLINE"));
    heard.ending = Ending::Cut("the line was closed".to_owned());
    let cut = asked(&heard, IdAt::Second).expect("a question");
    assert_eq!(cut.question, Question::Broken);
}

#[test]
fn thousands_of_questions_in_one_message_are_one_that_nobody_answers() {
    let mut records: Vec<&[u8]> = vec![b"H|\\^&"];
    records.extend(std::iter::repeat_n(&b"Q|1|^KP-20417<script>"[..], 4_000));
    records.push(b"L|1|N");
    let question = question(&heard(&records), IdAt::Second).expect("a question");
    assert_eq!(
        question.words(),
        "asks what cannot be read: it has several questions; one at a time"
    );
}

/// Number, checksum and record of each frame.
fn frames(told: Told<'_>) -> Vec<String> {
    let made = Moment::from_digits("20260314090001").expect("a time");
    let heading = Heading { sender: "WICKLINE", receiver: "BENCH-1", made };
    let records = answer(heading, told).expect("an answer");
    let frame = |(number, text): (usize, Vec<u8>)| {
        let number = u8::try_from(number + 1).expect("few");
        let framed = [&text[..], b"\r"].concat();
        let framed = String::from_utf8(frame(number, &framed, true)).expect("ASCII");
        let sum = framed.trim_end().chars().rev().take(2).collect::<Vec<_>>();
        let text = String::from_utf8(text).expect("ASCII");
        format!("{number} {}{} {text}", sum[1], sum[0])
    };
    records.into_iter().enumerate().map(frame).collect()
}

const HEAD: &str = "1 8F H|\\^&|||WICKLINE|||||BENCH-1||P|LIS2-A2|20260314090001";

#[test]
fn each_answer_has_its_records_and_sums() {
    let specimen = Private::new("KP-20417");
    let patient = Patient {
        id: Some(Private::new("KP700101")),
        name: Some(Private::new("Sandpiper-Invented^Odile")),
        born: Some(Private::new("19580203")),
        sex: Some(Private::new("F")),
    };
    let bare = Ordered {
        specimen: &specimen,
        test: "UADIP",
        urgent: false,
        collected: None,
        descriptor: "UR",
        cancelled: false,
        patient: None,
    };
    let collected = Moment::from_digits("20260314080500");
    let named = Ordered { collected, patient: Some(&patient), ..bare };
    let gone = Private::new("KP-20418");
    let cancelled = Ordered { specimen: &gone, cancelled: true, ..bare };
    let rows: [(Told<'_>, &[&str]); 7] = [
        (
            Told::Orders(&[named]),
            &[
                "2 A4 P|1|KP700101|||Sandpiper-Invented^Odile||19580203|F",
                "3 89 O|1|KP-20417||^^^UADIP|R||20260314080500||||N||||UR||||||||||Q",
                "4 FF L|1|F",
            ],
        ),
        (
            Told::Orders(&[bare]),
            &["2 3F P|1", "3 CA O|1|KP-20417||^^^UADIP|R||||||N||||UR||||||||||Q", "4 FF L|1|F"],
        ),
        (
            Told::Orders(&[cancelled]),
            &["2 3F P|1", "3 C7 O|1|KP-20418||^^^UADIP|||||||C||||||||||||||Q", "4 FF L|1|F"],
        ),
        (
            Told::NoSuchOrder(&Private::new("KP-20499"), "UADIP"),
            &["2 3F P|1", "3 95 O|1|KP-20499||^^^UADIP|||||||||||||||||||||Y", "4 FF L|1|F"],
        ),
        (Told::Nothing, &["2 00 L|1|I"]),
        (Told::Orders(&[]), &["2 00 L|1|I"]),
        (Told::NotUnderstood, &["2 08 L|1|Q"]),
    ];
    for (told, wanted) in rows {
        let wanted: Vec<&str> = [HEAD].into_iter().chain(wanted.iter().copied()).collect();
        assert_eq!(frames(told), wanted);
    }
    assert!(frames(Told::NotNow)[1].ends_with("L|1|E"), "never that nothing is known");
}

#[test]
fn orders_of_one_patient_stand_below_one_record() {
    let (one, two) = (Private::new("KP-20417"), Private::new("KP-20418"));
    let order = |specimen| Ordered {
        specimen,
        test: "UADIP",
        urgent: true,
        collected: None,
        descriptor: "",
        cancelled: false,
        patient: None,
    };
    let ada = Patient { id: Some(Private::new("KP700109")), ..Patient::default() };
    let records = frames(Told::Orders(&[
        order(&one),
        order(&two),
        Ordered { patient: Some(&ada), ..order(&two) },
    ]));
    let starts: Vec<String> =
        records.iter().map(|record| record.chars().skip(5).take(3).collect()).collect();
    assert_eq!(starts, ["H|\\", "P|1", "O|1", "O|2", "P|2", "O|1", "L|1"]);
}

#[test]
fn what_cannot_be_written_whole_is_not_written() {
    let made = Moment::from_digits("20260314090001").expect("a time");
    let heading = Heading { sender: "WICKLINE", receiver: "BENCH-1", made };
    for bad in ["KP\r204", "\u{4e00}", "\u{ff}", &"K".repeat(65)] {
        assert_eq!(
            answer(heading, Told::NoSuchOrder(&Private::new(bad), "UADIP")),
            None,
            "{bad:?}"
        );
    }
}

proptest! {
    #![proptest_config(ProptestConfig { failure_persistence: None, ..ProptestConfig::default() })]

    /// Whatever comes is a question or none; and what is written is read as it was meant.
    #[test]
    fn questions_are_read_whatever_they_hold(
        records in prop::collection::vec(prop::collection::vec(any::<u8>(), 0..40), 0..6)
    ) {
        let records: Vec<&[u8]> = records.iter().map(Vec::as_slice).collect();
        for at in [IdAt::First, IdAt::Second] {
            let read = question(&heard(&records), at);
            let several = |q: &Question| matches!(q, Question::Specimens(ids) if ids.is_empty());
            prop_assert!(!read.as_ref().is_some_and(several));
        }
    }

    #[test]
    fn an_id_is_read_as_it_was_written(id in "[A-Za-z0-9|^&\\\\ -]{1,20}") {
        prop_assume!(id.trim() == id);
        let record = format!("Q|1|^{}", value(&id).expect("it can be written"));
        prop_assert_eq!(asks(&record, IdAt::Second), specimens(&[&id]));
    }
}
