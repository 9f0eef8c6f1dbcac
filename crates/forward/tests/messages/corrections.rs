//! What goes out under an OBR-3 that was told before, and the remarks about it.

use wickline_forward::hl7::{EndAs, Message, Names, Structure};
use wickline_forward::{Charset, Layout, Outgoing, Version, result_message};
use wickline_normalize::{Observation, Remark};

use crate::sample::{
    Sample, acidity, changed, fault, follows, glucose, glucose_grade, gravity, layout, leukocytes,
    level_one, read, read_with, remark, unread, unread_number,
};

const ALL: [Version; 4] = [Version::V231, Version::V24, Version::V25, Version::V251];

/// OBX-11 of each, in order.
fn statuses(message: &Message) -> String {
    (1..=message.count("OBX")).map(|n| message.component("OBX", n, 11, 1)).collect()
}

fn notes(message: &Message) -> Vec<String> {
    (1..=message.count("NTE")).map(|n| message.component("NTE", n, 3, 1)).collect()
}

fn first(layout: &Layout, now: Vec<Observation>) -> Vec<u8> {
    result_message(layout, &Sample::new(now).outgoing()).expect("a message")
}

/// The next message under the OBR-3, if there is anything to say.
fn next(layout: &Layout, before: &[&[u8]], now: Vec<Observation>) -> Option<Vec<u8>> {
    follows(layout, before, &Sample::new(now).outgoing(), "read again").expect("a message")
}

fn parsed(message: Option<Vec<u8>>) -> Message {
    Message::read(&message.expect("something new")).expect("what we write, we read")
}

#[test]
fn what_changed_is_corrected_and_what_is_no_more_is_withdrawn() {
    for version in ALL {
        let layout = layout(version);
        let old = || vec![glucose_grade(), glucose(None, "400"), acidity(), unread()];
        let before = first(&layout, old());
        assert_eq!(next(&layout, &[&before], old()), None, "nothing new is said");
        let now = vec![glucose_grade(), glucose(None, "1200"), unread(), gravity(None, "1.020")];
        let second = next(&layout, &[&before], now.clone()).expect("a correction");
        let message = Message::read(&second).expect("a message");
        assert_eq!(statuses(&message), "FCXFW");
        let obr = |n| message.field("OBR", 1, n).unwrap_or("").to_owned();
        assert_eq!([3, 22, 25].map(obr), ["KP1-417^WICKLINE", "20260314091502+0100", "C"]);
        assert_eq!(notes(&message)[0], "Corrected: read again");
        assert_eq!(message.component("OBX", 5, 1, 1), "5");
        assert_eq!(message.component("OBX", 5, 5, 1), "6.5", "withdrawn as it was sent");
        let last = message.names().last().map(str::to_owned);
        assert_eq!(last.as_deref() == Some("SPM"), version.has_spm(), "behind what is withdrawn");
        assert_eq!(next(&layout, &[&before, &second], now), None);
        let third = parsed(next(&layout, &[&before, &second], old()));
        assert_eq!(statuses(&third), "FCCXW", "corrected back");
    }
}

/// What was said of results that are another's must not stay behind in the record they are taken out of.
#[test]
fn a_withdrawal_says_why_and_nothing_about_the_results() {
    for version in ALL {
        let layout = layout(version);
        let before = first(&layout, vec![glucose_grade(), unread()]);
        let remarks = vec![remark("Microscopy is suggested"), Remark::new("GLU", "second strip")];
        let gone = Sample { remarks, ..Sample::new(Vec::new()) };
        let bytes = follows(&layout, &[&before], &gone.outgoing(), "another's specimen");
        let message = parsed(bytes.expect("a message"));
        assert_eq!(statuses(&message), "WW");
        assert_eq!(notes(&message), ["Withdrawn: another's specimen"]);
    }
}

#[test]
fn a_whole_result_is_taken_back_once() {
    let layout = layout(Version::V251);
    let before = first(&layout, vec![glucose_grade(), unread()]);
    let gone = next(&layout, &[&before], Vec::new()).expect("a withdrawal");
    let message = Message::read(&gone).expect("a message");
    assert_eq!(statuses(&message), "WW");
    assert_eq!(message.field("OBR", 1, 25), Some("C"));
    assert_eq!(notes(&message), ["Withdrawn: read again"]);
    assert_eq!(next(&layout, &[&before, &gone], Vec::new()), None);
}

#[test]
fn results_of_one_name_keep_the_numbers_they_were_sent_by() {
    let local = changed(Version::V251, |l| l.names = Names::Local);
    let numbers = |message: &Message| -> Vec<String> {
        let seen = |n| [11, 2, 4].map(|f| message.component("OBX", n, f, 1)).join(" ");
        (1..=message.count("OBX")).map(seen).collect()
    };
    let before = first(&local, vec![glucose_grade(), glucose(None, "400")]);
    assert_eq!(numbers(&parsed(Some(before.clone()))), ["F CE 1", "F NM 2"]);
    let second = parsed(next(&local, &[&before], vec![glucose(None, "1200")]));
    assert_eq!(numbers(&second), ["C NM 2", "W CE 1"]);
    let alone = first(&local, vec![glucose_grade()]);
    let both = parsed(next(&local, &[&alone], vec![glucose_grade(), glucose(None, "400")]));
    assert_eq!(numbers(&both), ["F CE ", "C NM 2"]);
    for end_as in [EndAs::Sn, EndAs::St] {
        let local = changed(Version::V251, |l| (l.names, l.end_as) = (Names::Local, end_as));
        let range = || leukocytes("10", "25");
        let grade = || Observation { local: range().local, code: range().local, ..glucose_grade() };
        let before = first(&local, vec![grade(), range()]);
        assert_eq!(next(&local, &[&before], vec![grade(), range()]), None);
        let now = parsed(next(&local, &[&before], vec![leukocytes("25", "80")]));
        assert_eq!(statuses(&now), "CW", "a range replaces the range, never the grade");
        assert_eq!(now.component("OBX", 1, 4, 1), "2");
    }
}

#[test]
fn a_layout_that_changed_does_not_hide_what_was_told() {
    let published = layout(Version::V251);
    let local = changed(Version::V251, |l| l.names = Names::LocalFirst);
    let old = || vec![glucose_grade(), acidity()];
    let before = first(&published, old());
    assert_eq!(next(&local, &[&before], old()), None, "the same, by its name");
    let message = parsed(next(&local, &[&before], vec![glucose_grade(), gravity(None, "1.020")]));
    assert_eq!(statuses(&message), "FFW");
    let names = [1, 2, 3].map(|n| message.component("OBX", n, 3, 1));
    assert_eq!(names, ["50555-2", "SG", "50560-2"], "known ones keep the name they were told by");
    let words = changed(Version::V251, |l| l.grade_as = "ST".parse().expect("a kind"));
    let message = parsed(next(&words, &[&before], old()));
    assert_eq!(statuses(&message), "CF", "told otherwise, and said so");
}

/// It goes out under the name of the one that it stands for: what others of that name were told counts too.
#[test]
fn a_result_under_an_old_name_is_no_first_one_beside_a_final_namesake() {
    let local = |status: &str| {
        changed(Version::V251, |l| {
            (l.names, l.status) = (Names::LocalFirst, status.parse().expect("a status"));
        })
    };
    let before = first(&local("preliminary"), vec![glucose_grade(), glucose(None, "250")]);
    let number = vec![glucose(None, "250")];
    let second = next(&local("final"), &[&before], number.clone()).expect("it becomes final");
    assert_eq!(statuses(&parsed(Some(second.clone()))), "FW");
    let published = changed(Version::V251, |l| l.names = Names::Published);
    let both = [vec![glucose_grade()], number].concat();
    let third = parsed(next(&published, &[&before, &second], both));
    assert_eq!(statuses(&third), "CF", "GLU was told as final");
    assert_eq!(third.component("OBX", 1, 3, 1), "GLU");
}

#[test]
fn what_was_told_in_another_character_set_is_put_into_todays_or_refused() {
    let with = |charset| changed(Version::V251, |l| l.charset = charset);
    let (utf8, latin1, ascii) = (with(Charset::Utf8), with(Charset::Latin1), with(Charset::Ascii));
    let accented = || Observation { reference: Some("n\u{e9}gatif & plus".into()), ..acidity() };
    let before = first(&utf8, vec![accented(), glucose(None, "400")]);
    let now = || vec![glucose(None, "400")];
    let second = next(&latin1, &[&before], now()).expect("a correction");
    let message = Message::read(&second).expect("a message");
    assert_eq!((message.field("MSH", 1, 18), statuses(&message)), (Some("8859/1"), "FW".into()));
    assert_eq!(message.component("OBX", 2, 7, 1), "n\u{e9}gatif & plus");
    let back = parsed(next(&utf8, &[&before, &second], vec![accented()]));
    assert_eq!(statuses(&back), "CW");
    let sample = Sample::new(now());
    let refused = follows(&ascii, &[&before], &sample.outgoing(), "read again");
    let refused = refused.expect_err("no such byte");
    assert!(refused.field == "OBX" && !refused.to_string().contains('\u{e9}'), "{refused}");
}

/// What was never final is no correction when it changes; a withdrawal is one all the same.
#[test]
fn what_changes_after_p_or_r_goes_again_as_p_or_r() {
    for (status, letter) in [("preliminary", "P"), ("unverified", "R")] {
        for version in ALL {
            let early = changed(version, |l| l.status = status.parse().expect("a status"));
            let ended = layout(version);
            let obr = |message: &Message| message.component("OBR", 1, 25, 1);
            let old = || vec![glucose_grade(), glucose(None, "250"), unread_number()];
            let new = || vec![glucose_grade(), glucose(None, "500"), unread_number()];
            let before = first(&early, old());
            let message = parsed(Some(before.clone()));
            assert_eq!(
                (statuses(&message), obr(&message)),
                (format!("{letter}{letter}X"), letter.into())
            );
            assert_eq!(next(&early, &[&before], old()), None);
            let message = parsed(next(&early, &[&before], new()));
            assert_eq!(
                (statuses(&message), obr(&message)),
                (format!("{letter}{letter}X"), letter.into())
            );
            assert_eq!(notes(&message)[0], "Changed: read again");
            let final_now = next(&ended, &[&before], new()).expect("it becomes final");
            let message = parsed(Some(final_now.clone()));
            assert_eq!((statuses(&message), obr(&message)), ("FFX".into(), "F".into()));
            let message = parsed(next(&early, &[&before, &final_now], old()));
            assert_eq!((statuses(&message), obr(&message)), ("FCX".into(), "C".into()));
            let message = parsed(next(&early, &[&before], Vec::new()));
            assert_eq!((statuses(&message), obr(&message)), ("WWW".into(), "C".into()));
        }
    }
}

/// The material is no result: it is neither corrected nor withdrawn.
#[test]
fn control_material_is_named_in_what_follows_too() {
    let sample = Sample::new(vec![glucose_grade()]);
    let control = Some(level_one());
    for version in [Version::V24, Version::V25, Version::V251] {
        let layout = layout(version);
        let out = Outgoing { control, ..sample.outgoing() };
        let before = result_message(&layout, &out).expect("a message");
        let none = Sample::new(Vec::new());
        let gone = Outgoing { control, ..none.outgoing() };
        let gone = parsed(follows(&layout, &[&before], &gone, "not ours").expect("a message"));
        assert_eq!(statuses(&gone), "WFFF");
        let codes = [2, 3, 4].map(|n| gone.component("OBX", n, 3, 1));
        assert_eq!(codes, ["CONTROL-LEVEL", "CONTROL-LOT", "CONTROL-EXPIRY"]);
        let values = [2, 3, 4].map(|n| gone.component("OBX", n, 5, 1));
        assert_eq!(values, ["1", "KELP0226", "20261231"]);
        let follows = next(&layout, &[&before], vec![glucose_grade()]);
        assert_eq!(follows, None, "nothing new");
    }
}

#[test]
fn a_reason_is_for_readers() {
    let layout = layout(Version::V251);
    let before = first(&layout, vec![acidity()]);
    let sample = Sample::new(vec![unread()]);
    let found = follows(&layout, &[&before], &sample.outgoing(), " ").expect_err("a fault");
    assert_eq!(found.field, "NTE-3");
}

#[test]
fn remarks_stand_under_the_report_or_behind_the_last_result_they_are_about() {
    let about = |code: &str, text: &str, about: &[&str]| Remark {
        about: about.iter().map(|s| (*s).to_owned()).collect(),
        ..Remark::new(code, text)
    };
    let remarks = vec![
        Remark::new("clock-off", "by our clock"),
        about("UA-INT", "of glucose & pH\nand more", &["GLU", "PH"]),
        about("UA-MIC", "of what is not here", &["BLD"]),
        remark("without a code"),
    ];
    let all = vec![glucose_grade(), glucose(None, "400"), acidity(), unread()];
    let sample = Sample { remarks, ..Sample::new(all) };
    for version in ALL {
        let message = read(version, &sample.outgoing());
        let names: Vec<&str> = message.names().skip_while(|n| *n != "OBR").collect();
        let under = names.iter().skip(1).take_while(|n| **n == "NTE").count();
        assert_eq!(under, 3, "{names:?}");
        let results: Vec<&str> =
            names.into_iter().skip_while(|n| *n != "OBX").filter(|n| *n != "SPM").collect();
        assert_eq!(results, ["OBX", "OBX", "NTE", "OBX", "NTE", "OBX", "NTE"]);
        let formatted = "of glucose & pH\nand more";
        let text = ["by our clock", "of what is not here", "without a code", formatted, formatted];
        assert_eq!(notes(&message)[..5], text);
        let field = |nth, n| message.field("NTE", nth, n).unwrap_or("").to_owned();
        let own = if version == Version::V231 { "L" } else { "99WKL" };
        assert_eq!([1, 2, 4].map(|n| field(1, n)), ["1", "L", &format!("clock-off^^{own}")]);
        assert_eq!([1, 4].map(|n| field(3, n)), ["3", ""]);
        assert_eq!(field(4, 3), "of glucose \\T\\ pH\\.br\\and more");
    }
}

#[test]
fn remarks_are_bounded_and_go_only_to_those_who_take_notes() {
    let sample = Sample { remarks: vec![remark("one")], ..Sample::new(vec![unread()]) };
    let none = changed(Version::V251, |l| l.segments.nte = false);
    assert_eq!(read_with(&none, &sample.outgoing()).count("NTE"), 0);
    let plain = Sample::new(vec![acidity()]);
    assert_eq!(read(Version::V251, &plain.outgoing()).count("NTE"), 0, "none without a remark");
    let long = Sample { remarks: vec![remark(&"x".repeat(65_537))], ..plain };
    let found = fault(&layout(Version::V251), &long.outgoing());
    assert_eq!(found.field, "NTE-3");
    assert!(!found.to_string().contains("xx"), "a remark is not quoted");
    let code = Sample { remarks: vec![Remark::new("x".repeat(21), "y")], ..long };
    assert_eq!(fault(&layout(Version::V251), &code.outgoing()).field, "NTE-4.1");
}

#[test]
fn a_message_by_specimen_says_the_same_in_another_order() {
    let sample = Sample { remarks: vec![remark("one")], ..Sample::new(vec![acidity(), unread()]) };
    for version in [Version::V25, Version::V251] {
        let oul = changed(version, |l| l.structure = Structure::Oul);
        let message = read_with(&oul, &sample.outgoing());
        let order = ["MSH", "SPM", "OBR", "ORC", "NTE", "TQ1", "OBX", "OBX", "NTE"];
        assert_eq!(message.names().collect::<Vec<_>>(), order);
        assert_eq!(message.field("MSH", 1, 9), Some("OUL^R22^OUL_R22"));
        let other = read(version, &sample.outgoing());
        for (segment, n) in [("SPM", 1), ("OBR", 1), ("OBX", 1), ("OBX", 2), ("TQ1", 1)] {
            for number in 1..30 {
                let (ours, theirs) =
                    (message.field(segment, n, number), other.field(segment, n, number));
                assert_eq!(ours, theirs, "{segment}-{number}");
            }
        }
    }
    for version in [Version::V231, Version::V24] {
        let oul = changed(version, |l| l.structure = Structure::Oul);
        assert_eq!(fault(&oul, &sample.outgoing()).field, "MSH-9");
    }
}
