//! Repeats, reused numbers, and halves that are never joined.

use crate::hold::{Hold, Reason};
use crate::judge::{Earlier, Facts, Judged, Way, judge, superseded};
use crate::moment::Moment;
use crate::prints::{DAY, codes, judged, mark, reading, strip, ten, with};
use crate::report::{MarkMeaning, Private, RawLine, Report, Signs, Status};
use crate::rules::Rules;

fn after(first: &Report, then: &Report) -> Judged {
    let earlier = judged(first, &Rules::default(), &[]);
    let earlier = [Earlier::of(7, DAY, first, &earlier)];
    judged(then, &Rules::default(), &earlier)
}

fn cut(readings: usize) -> Report {
    let mut print = ten();
    print.readings.truncate(readings);
    print.doubts.push(Hold::new(Reason::Incomplete, "the message ended early"));
    print
}

#[test]
fn the_same_run_again_is_a_repeat_whatever_carried_it() {
    let mut again = ten();
    again.place.from = 9000;
    again.readings.iter_mut().for_each(|r| r.line += 40);
    again.lines.push(RawLine { place: again.place, text: Private::new("H|...|20250314101500") });
    again.operator = Some(Private::new("KPC"));
    let found = after(&ten(), &again);
    assert_eq!(found.way, Way::Repeat { of: 7 });
    assert_eq!(found.holds, []);
    let held = with(ten(), reading("GLU", &["250"], "mg/dL"));
    assert_eq!(after(&held, &held).way, Way::Repeat { of: 7 }, "of a held one as well");
}

#[test]
fn number_reused_is_the_same_number_with_anything_else_different() {
    let mut marked = ten();
    marked.readings[0].mark = mark("A", MarkMeaning::Other);
    let mut corrected = ten();
    corrected.readings[0].status = Status::Correction;
    for (other, also) in [
        (with(ten(), reading("GLU", &["2+"], "")), None),
        (with(ten(), reading("PH", &["6.50"], "")), None),
        (Report { specimen: Some(Private::new("KP-10024")), ..ten() }, None),
        (Report { taken: Moment::from_digits("20250314091600"), ..ten() }, None),
        (Report { taken: None, ..ten() }, None),
        (Report { signs: Signs { stat: true, ..Signs::default() }, ..ten() }, None),
        (marked, None),
        (corrected, Some("correction-heard")),
    ] {
        let found = after(&ten(), &other);
        assert_eq!(found.way, Way::Held);
        let expected: Vec<&str> = also.into_iter().chain(["number-reused"]).collect();
        assert_eq!(codes(&found), expected);
        let detail = &found.holds.last().expect("one").detail;
        assert!(detail.contains("as report 7"), "{detail}");
    }
}

#[test]
fn controls_may_be_counted_apart_but_no_strip_is_both() {
    let signs = Signs { control_order: true, ..Signs::default() };
    let lot = Some("KP-101".into());
    let same = Report { signs, specimen: None, control_lot: lot, ..ten() };
    assert_eq!(codes(&after(&ten(), &same)), ["number-reused"], "the strip of a patient before");
    assert_eq!(codes(&after(&same, &ten())), ["number-reused"], "and the other way");
    let own = Report { taken: Moment::from_digits("20250314070000"), ..same };
    assert_eq!(after(&ten(), &own).way, Way::Filed);
    assert_eq!(after(&own, &ten()).way, Way::Ready);
    let third = with(own.clone(), reading("GLU", &["2+"], ""));
    assert_eq!(codes(&after(&own, &third)), ["number-reused"], "two controls under one number");
}

#[test]
fn another_number_another_day_or_no_number_is_another_run() {
    let other = Report { number: Some("0013".into()), ..ten() };
    assert_eq!(after(&ten(), &other).way, Way::Ready);
    let mut earlier = Earlier::of(7, "2025-03-13", &ten(), &judged(&ten(), &Rules::default(), &[]));
    assert_eq!(judged(&ten(), &Rules::default(), &[earlier.clone()]).way, Way::Ready);
    earlier.day = DAY.into();
    assert_eq!(judged(&ten(), &Rules::default(), &[earlier]).way, Way::Repeat { of: 7 });
    // Without numbers a second strip of one specimen is legitimate; the same print again is not.
    let first = Report { number: None, ..ten() };
    let second = with(first.clone(), reading("GLU", &["TR"], ""));
    assert_eq!(after(&first, &second).way, Way::Ready);
    assert_eq!(after(&first, &first).way, Way::Repeat { of: 7 });
    let nameless = Report { number: None, specimen: None, ..ten() };
    assert_eq!(codes(&after(&nameless, &nameless)), ["specimen-blank"]);
}

#[test]
fn incomplete_is_held_and_superseded_by_the_whole_report() {
    for readings in [0, 1, 9, 10] {
        let half = cut(readings);
        let found = judged(&half, &Rules::default(), &[]);
        assert_eq!(codes(&found), ["incomplete"], "what is missing was cut off, not left out");
        let old = Earlier::of(7, DAY, &half, &found);
        let whole = judged(&ten(), &Rules::default(), std::slice::from_ref(&old));
        assert_eq!(whole.way, Way::Ready, "the whole one goes its way");
        assert!(superseded(&old, &whole, &ten(), DAY));
    }
}

#[test]
fn halves_are_never_joined() {
    let half = cut(4);
    let old = Earlier::of(7, DAY, &half, &judged(&half, &Rules::default(), &[]));
    let mut tail = cut(10);
    tail.readings.drain(..4);
    let found = judged(&tail, &Rules::default(), std::slice::from_ref(&old));
    assert_eq!(codes(&found), ["incomplete"]);
    assert!(!superseded(&old, &found, &tail, DAY));
    for other in [
        with(ten(), reading("BIL", &["1+"], "")),
        Report { specimen: Some(Private::new("KP-10024")), ..ten() },
        Report { signs: Signs { stat: true, ..Signs::default() }, ..ten() },
    ] {
        let found = judged(&other, &Rules::default(), std::slice::from_ref(&old));
        assert!(!superseded(&old, &found, &other, DAY));
        assert_eq!(codes(&found), ["number-reused"]);
    }
    let next = Report { number: Some("0013".into()), ..ten() };
    let found = judged(&next, &Rules::default(), std::slice::from_ref(&old));
    assert!(!superseded(&old, &found, &next, DAY) && found.way == Way::Ready);
    assert!(!superseded(&old, &judged(&ten(), &Rules::default(), &[]), &ten(), "2025-03-15"));
    let whole = Earlier::of(7, DAY, &ten(), &judged(&ten(), &Rules::default(), &[]));
    assert!(!superseded(&whole, &judged(&ten(), &Rules::default(), &[]), &ten(), DAY));
}

#[test]
fn no_printed_text_can_forge_an_identity() {
    let plain = |a: &str, b: &str| Report {
        number: Some(a.into()),
        specimen: Some(Private::new(b)),
        ..ten()
    };
    let identity = |r: &Report| judged(r, &Rules::default(), &[]).identity;
    assert_ne!(identity(&plain("1|2", "3")), identity(&plain("1", "2|3")));
    assert_ne!(identity(&plain("1\\", "|3")), identity(&plain("1\\|", "3")));
    let parts = |p: &[&str]| identity(&with(ten(), reading("GLU", p, "")));
    assert_ne!(parts(&["2+", "400"]), parts(&["2+=400"]));
    assert_eq!(parts(&["2+"]), parts(&[" 2+ ", ""]), "blanks are no difference");
}

#[test]
fn a_number_is_used_twice_only_within_its_sequence() {
    let judged = |print: &Report, sequence, earlier: &[Earlier]| {
        let heard = print.taken.expect("a time");
        let facts = Facts { earlier, heard, day: DAY, sequence, controls: None, lot: None };
        judge(print, &[strip("ten-pad")], &Rules::default(), &facts)
    };
    let print = ten();
    let other = with(ten(), reading("NIT", &["POS"], ""));
    let first = judged(&print, Some("#1.0"), &[]);
    let earlier = [Earlier::of(7, DAY, &print, &first)];
    assert_eq!(codes(&judged(&other, Some("#1.0"), &earlier)), ["number-reused"]);
    assert_eq!(codes(&judged(&other, None, &earlier)), ["number-reused"], "by the day");
    let after_reset = judged(&other, Some("#2.0"), &earlier);
    assert_eq!((codes(&after_reset), after_reset.way), (vec![], Way::Ready));
    let repeat = judged(&print, Some("#2.0"), &earlier);
    assert_eq!(repeat.way, Way::Repeat { of: 7 }, "the same print is a repeat all the same");
    let old = [Earlier { day: "2025-03-01".into(), ..earlier[0].clone() }];
    let found = judged(&other, Some("#1.0"), &old);
    assert_eq!(codes(&found), ["number-reused"], "numbers that never begin again know no day");
    assert!(found.holds[0].detail.contains("2025-03-01"));
}
