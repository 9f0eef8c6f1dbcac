//! Each result goes out with the status that was decided for it, and with the remarks about it.

use wickline_forward::hl7::{Message, Names, Structure};
use wickline_forward::{Outgoing, Version};
use wickline_normalize::correction::{plan_correction, plan_withdrawal, said_first};
use wickline_normalize::{Remark, ResultStatus};

use crate::sample::{
    Sample, acidity, changed, fault, glucose, glucose_grade, gravity, layout, read, read_with,
    remark, unread,
};

const ALL: [Version; 4] = [Version::V231, Version::V24, Version::V25, Version::V251];

fn statuses(message: &Message) -> String {
    (1..=message.count("OBX")).map(|n| message.component("OBX", n, 11, 1)).collect()
}

fn notes(message: &Message) -> Vec<String> {
    (1..=message.count("NTE")).map(|n| message.component("NTE", n, 3, 1)).collect()
}

#[test]
fn what_was_decided_of_each_result_is_what_is_sent() {
    let said = said_first(&[glucose_grade(), glucose(None, "250"), acidity(), unread()]);
    let now = [glucose_grade(), glucose(None, "500"), unread(), gravity(None, "1.020")];
    let plan = plan_correction(&said, &now);
    let expected: String = plan.iter().map(|(_, status)| status.text()).collect();
    assert_eq!(expected, "FCXFW", "the planner's part");
    let sample = Sample { observations: plan, ..Sample::new(Vec::new()) };
    let out = Outgoing { correction: Some("read again"), ..sample.outgoing() };
    for version in ALL {
        let message = read(version, &out);
        assert_eq!(statuses(&message), expected);
        let obr = |n| message.field("OBR", 1, n).unwrap_or("").to_owned();
        assert_eq!([3, 22, 25].map(obr), ["KP1-417^WICKLINE", "20260314091502+0100", "C"]);
        assert_eq!(notes(&message)[0], "Corrected: read again");
        assert_eq!(message.component("OBX", 5, 5, 1), "6.5", "withdrawn as it was sent");
    }
}

#[test]
fn a_whole_result_is_taken_back() {
    let said = said_first(&[glucose_grade(), unread()]);
    let sample = Sample { observations: plan_withdrawal(&said), ..Sample::new(Vec::new()) };
    let out = Outgoing { correction: Some("wrong specimen"), ..sample.outgoing() };
    let message = read(Version::V251, &out);
    assert_eq!(statuses(&message), "WW");
    assert_eq!(message.field("OBR", 1, 25), Some("C"));
    assert_eq!(notes(&message)[0], "Withdrawn: wrong specimen");
}

#[test]
fn results_of_one_name_keep_the_numbers_they_were_sent_by() {
    let local = changed(Version::V251, |l| l.names = Names::Local);
    let numbers = |message: &Message| -> Vec<String> {
        let seen = |n| [11, 2, 4].map(|f| message.component("OBX", n, f, 1)).join(" ");
        (1..=message.count("OBX")).map(seen).collect()
    };
    let first = Sample::new(vec![glucose_grade(), glucose(None, "250")]);
    assert_eq!(numbers(&read_with(&local, &first.outgoing())), ["F CE 1", "F NM 2"]);
    let plan = plan_correction(&first.observations, &[glucose(None, "500")]);
    let sample = Sample { observations: plan, ..Sample::new(Vec::new()) };
    let out = Outgoing { correction: Some("no grade"), ..sample.outgoing() };
    assert_eq!(numbers(&read_with(&local, &out)), ["C NM 2", "W CE 1"]);
}

#[test]
fn a_status_that_nothing_supports_is_refused() {
    let with = |observation, status, correction| {
        let sample =
            Sample { observations: vec![(observation, status)], ..Sample::new(Vec::new()) };
        fault(&layout(Version::V251), &Outgoing { correction, ..sample.outgoing() }).field
    };
    use ResultStatus::{Corrected, Final, Unread, Withdrawn};
    assert_eq!(with(acidity(), Corrected, None), "OBX-11");
    assert_eq!(with(acidity(), Withdrawn, None), "OBX-11");
    assert_eq!(with(acidity(), Unread, None), "OBX-11");
    assert_eq!(with(unread(), Final, None), "OBX-11");
    assert_eq!(with(unread(), Corrected, Some("read again")), "OBX-11");
    assert_eq!(with(acidity(), Corrected, Some(" ")), "NTE-3", "a reason is for readers");
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
    let all = vec![glucose_grade(), glucose(None, "250"), acidity(), unread()];
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
