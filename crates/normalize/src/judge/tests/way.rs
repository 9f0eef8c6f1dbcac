//! What else decides the way: doubts of the dialect, the sender, the strip; and hostile prints.

use proptest::prelude::*;

use crate::class::Class;
use crate::hold::{Hold, Reason};
use crate::judge::{Facts, StripLot, Way, judge};
use crate::moment::Moment;
use crate::observe::{Choice, observe};
use crate::prints::{DAY, codes, judged, reading, strip, ten, with};
use crate::report::{PrintedReading, Private, Report, Signs, Status};
use crate::rules::Rules;

#[test]
fn doubts_of_the_dialect_hold_the_report() {
    for reason in [
        Reason::Incomplete,
        Reason::Unreadable,
        Reason::TestMessage,
        Reason::LineError,
        Reason::CorrectionHeard,
        Reason::PadUnread,
    ] {
        let mut print = ten();
        print.doubts.push(Hold::new(reason, "as the dialect says").at(2));
        let found = judged(&print, &Rules::default(), &[]);
        assert_eq!((codes(&found), found.way), (vec![reason.code()], Way::Held));
        assert_eq!(found.holds[0].line, Some(2));
    }
}

/// What is judged may be logged by its reasons alone; and the strip of a report is the one that it names.
#[test]
fn a_judgment_shows_no_id_and_no_reading() {
    let found = judged(&with(ten(), reading("GLU", &["17"], "mg/dL")), &Rules::default(), &[]);
    let shown = format!("{found:?}");
    assert!(shown.contains("OffLadder"), "{shown}");
    assert!(!shown.contains("KP-10023") && !shown.contains("17"), "{shown}");
    let mut strips = [strip("ten-pad"), strip("eleven-pad")];
    strips[1].accepts = vec!["11-pad".into()];
    let named = |name: Option<&str>| Report { strip: name.map(str::to_owned), ..ten() };
    let of = |name| crate::judge::strip_of(&named(name), &strips).map(|s| s.id.clone());
    assert_eq!(of(Some("11-pad")).as_deref(), Some("eleven-pad"));
    assert_eq!((of(None), of(Some("12-pad"))), (None, None));
}

/// The last day of a lot is a good one; what a person entered is for the lot entered with it, and the print wins.
#[test]
fn expired_strips_hold_patients_and_no_control() {
    let lot =
        |last: Option<&str>| StripLot { lot: "K27".into(), last_day: last.map(str::to_owned) };
    let day = |text: &str| Moment::from_digits(text).expect("a day");
    let (before, on) = ("2025-03-13", "2025-03-14");
    assert_eq!(DAY, on);
    for (printed_lot, printed, entered, expired) in [
        (None, None, None, false),
        (None, None, Some(lot(Some(on))), false),
        (None, None, Some(lot(Some(before))), true),
        (None, None, Some(lot(None)), false),
        (Some("K27"), None, Some(lot(Some(before))), true),
        (Some("K28"), None, Some(lot(Some(before))), false),
        (Some(" "), None, Some(lot(Some(before))), true),
        (None, Some(day("20250313")), Some(lot(Some(on))), true),
        (None, Some(day("20250314")), Some(lot(Some(before))), false),
    ] {
        let mut print = ten();
        print.strip_lot = printed_lot.map(str::to_owned);
        print.strip_expiry = printed;
        let heard = Moment::from_digits("20250314091530").expect("a time");
        let (lot, day) = (entered.as_ref(), DAY);
        let facts = Facts { earlier: &[], heard, day, sequence: None, controls: None, lot };
        let found = judge(&print, &[strip("ten-pad")], &Rules::default(), &facts);
        let wanted: &[&str] = if expired { &["strip-expired"] } else { &[] };
        assert_eq!(codes(&found), wanted, "{printed_lot:?} {printed:?} {entered:?}");
        print.signs.control_order = true;
        let found = judge(&print, &[strip("ten-pad")], &Rules::default(), &facts);
        assert!(!codes(&found).contains(&"strip-expired"), "{printed_lot:?}");
    }
}

/// The receiver is told that the time is ours; control material goes nowhere and needs no such word.
#[test]
fn a_print_without_a_date_goes_with_our_time_and_a_remark() {
    let undated = |print: Report| Report { taken: None, ..print };
    let told = |print: &Report| {
        let found = judged(print, &Rules::default(), &[]);
        found.remarks.iter().map(|r| (r.code.clone(), r.text.clone())).collect::<Vec<_>>()
    };
    assert_eq!(told(&ten()), []);
    let remarks = told(&undated(ten()));
    let [(code, text)] = remarks.as_slice() else { panic!("{remarks:?}") };
    assert_eq!(code, "time-heard");
    assert!(text.contains("Time of reception") && text.contains("no date"), "{text}");
    assert_eq!(judged(&undated(ten()), &Rules::default(), &[]).way, Way::Ready);
    let signs = Signs { control_order: true, level: Some('1'), ..Signs::default() };
    assert_eq!(told(&Report { signs, ..undated(ten()) }), []);
}

/// Half a line is no fault of the dialect: what a person reads first is that the print was cut off.
#[test]
fn that_a_print_was_cut_off_stands_before_what_its_last_line_looks_like() {
    let mut print = ten();
    print.doubts.push(Hold::new(Reason::Unreadable, "`GL` is no line of this dialect").at(9));
    print.doubts.push(Hold::new(Reason::Incomplete, "the line was closed before the print ended"));
    let found = judged(&print, &Rules::default(), &[]);
    assert_eq!(codes(&found), ["incomplete", "unreadable"]);
}

#[test]
fn sender_unexpected_is_another_name_or_none() {
    let mut rules = Rules { sender: Some("STRIP1".into()), ..Rules::default() };
    let of = |name: Option<&str>, rules: &Rules| {
        codes(&judged(&Report { sender: name.map(str::to_owned), ..ten() }, rules, &[]))
    };
    assert!(of(Some("STRIP1"), &rules).is_empty());
    assert_eq!(of(Some("STRIP2"), &rules), ["sender-unexpected"]);
    assert_eq!(of(None, &rules), ["sender-unexpected"]);
    rules.sender = Some(String::new());
    assert!(of(None, &rules).is_empty(), "an empty expectation expects nothing");
}

/// Heard when it was taken, and nothing else is known.
fn at_once() -> Facts<'static> {
    let heard = ten().taken.expect("a time");
    Facts { earlier: &[], heard, day: DAY, sequence: None, controls: None, lot: None }
}

/// An only strip takes a print that calls it nothing, or as it says; without a list of names, whatever it is called.
#[test]
fn an_only_strip_with_names_takes_no_other() {
    let of = |accepts: &[&str], printed: Option<&str>| {
        let mut only = strip("ten-pad");
        only.accepts = accepts.iter().map(|name| (*name).to_owned()).collect();
        let print = Report { strip: printed.map(str::to_owned), ..ten() };
        let found = judge(&print, &[only], &Rules::default(), &at_once());
        (codes(&found), found.holds.first().map(|hold| hold.detail.clone()).unwrap_or_default())
    };
    for (accepts, printed) in [
        (&[][..], Some("U11")),
        (&["U10"], None),
        (&["U10"], Some(" ")),
        (&["U10"], Some("u10")),
        (&["U9", "U10"], Some("U10")),
        (&["U10"], Some("Ten-Pad")),
    ] {
        assert_eq!(of(accepts, printed).0, Vec::<&str>::new(), "{accepts:?} {printed:?}");
    }
    let (held, why) = of(&["U10"], Some("U11"));
    assert_eq!(held, ["unreadable"]);
    assert!(why.contains("`U11`") && why.contains("`accepts`"), "{why}");
}

#[test]
fn one_of_several_strips_is_chosen_by_name_never_by_pads() {
    let mut strips = [strip("ten-pad"), strip("eleven-pad")];
    let facts = at_once();
    let one = judge(&ten(), &strips[..1], &Rules::default(), &facts);
    assert_eq!(one.way, Way::Ready, "a single strip needs no name");
    for (strip, name) in strips.iter_mut().zip(["10-pad", "11-pad"]) {
        strip.accepts = vec![name.to_owned()];
    }
    let of = |name: Option<&str>| {
        let print = Report { strip: name.map(str::to_owned), ..ten() };
        let found = judge(&print, &strips, &Rules::default(), &facts);
        (codes(&found), found.strip)
    };
    assert_eq!(of(Some("TEN-PAD")), (vec![], "ten-pad".to_owned()));
    assert_eq!(of(Some("10-pad")), (vec![], "ten-pad".to_owned()));
    assert_eq!(of(Some("11-pad")), (vec!["pads-missing"], "eleven-pad".to_owned()));
    assert_eq!(of(None), (vec!["unreadable"], String::new()));
    assert_eq!(of(Some("other")), (vec!["unreadable"], String::new()));
    assert_eq!(judge(&ten(), &[], &Rules::default(), &facts).way, Way::Held);
}

#[test]
fn a_flood_of_holds_is_told_in_few_words() {
    let mut print = ten();
    let strange = |n: usize| reading(&format!("X{n}"), &["1"], "");
    print.readings.extend((0..500).map(strange));
    let found = judged(&print, &Rules::default(), &[]);
    assert_eq!(codes(&found), ["unknown-analyte"]);
    assert_eq!(found.holds.len(), 20);
    assert!(found.holds[19].detail.ends_with("(and 480 more of the reasons given)"));
}

#[test]
fn what_may_be_logged_names_no_specimen_and_no_reading() {
    let found =
        judged(&with(ten(), reading("GLU", &["2+", "400"], "mg/dL")), &Rules::default(), &[]);
    let shown = format!("{found:?}");
    assert!(!shown.contains("KP-10023") && !shown.contains("400"), "{shown}");
}

fn any_reading() -> impl Strategy<Value = PrintedReading> {
    let label = prop_oneof!["(GLU|KET|SG|PH|NIT|URO|BLD|ASC|XX)", ".{0,12}"];
    let part = prop_oneof![
        "(NEG|TR|[1-5][+]|NORM|POS|ERR|-|[+]|)",
        "[<>]?=?[0-9]{1,5}(.[0-9]{1,3})?",
        ".{0,12}"
    ];
    let unit = prop_oneof!["(mg/dL|mmol/L|/uL|pH|)", ".{0,8}"];
    let status =
        prop_oneof![Just(Status::Final), Just(Status::Unread), Just(Status::NotFinal('P'))];
    let parts = proptest::collection::vec(part, 0..5);
    (label, parts, unit, status, any::<bool>()).prop_map(
        |(label, parts, unit, status, unit_implied)| {
            let parts: Vec<&str> = parts.iter().map(String::as_str).collect();
            PrintedReading { status, unit_implied, ..reading(&label, &parts, &unit) }
        },
    )
}

proptest! {
    /// Whatever is printed: an answer; a control sign bars the way out; and what is ready can be
    /// sent with every number standing in the print.
    #[test]
    fn nothing_is_guessed(
        readings in proptest::collection::vec(any_reading(), 0..14),
        whole in any::<bool>(),
        specimen in ".{0,24}",
        control in any::<bool>(),
    ) {
        let mut print = ten();
        print.specimen = Some(Private::new(specimen));
        print.signs = Signs { control_order: control, ..Signs::default() };
        for reading in readings {
            match print.readings.iter_mut().find(|r| r.label == reading.label) {
                Some(old) if whole => *old = reading,
                _ => print.readings.push(reading),
            }
        }
        let found = judged(&print, &Rules::default(), &[]);
        prop_assert!(!control || (found.class == Class::Control && found.way != Way::Ready));
        prop_assert_eq!(found.way == Way::Held, !found.holds.is_empty());
        for hold in &found.holds {
            prop_assert!(hold.detail.chars().count() < 1000);
            prop_assert!(!hold.detail.chars().any(char::is_control));
        }
        if found.way == Way::Ready {
            let sent = observe(&found.readings, &strip("ten-pad"), &Choice::default());
            prop_assert!(sent.is_ok(), "{:?}", sent);
        }
        for read in &found.readings {
            let value = read.number.as_ref().map(|n| n.digits.clone());
            let printed = value.is_none_or(|v| read.printed.parts.iter().any(|p| p.contains(&v)));
            prop_assert!(printed, "a number that nobody printed");
        }
    }
}
