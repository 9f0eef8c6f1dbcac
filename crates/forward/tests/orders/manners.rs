//! How a source wants to be answered: modes, flags, plain acknowledgments, and without a patient's name.

use wickline_forward::orders::{OrderKey, SpecimenFrom};
use wickline_normalize::Moment;
use wickline_normalize::orders::Meet;

use crate::desk::{Desk, Said, changed, kept};

const NEW: &str = "01-oml-o21-new-251";

fn modes(accept: &str, application: &str, good: bool) -> [Option<String>; 2] {
    let text = changed(NEW, "|P|2.5.1\r", &format!("|P|2.5.1|||{accept}|{application}\r"));
    let text = String::from_utf8(text).expect("text");
    let text = if good { text } else { text.replace("KP-20417&LIS", "&LIS") };
    let answers =
        Desk::new().answers(text.as_bytes(), "WK-1", "20260314081502+0000").expect("answers");
    [answers.accept, answers.application].map(|one| one.map(|bytes| Said::read(&bytes).code))
}

#[test]
fn each_mode_gets_what_it_asks_for() {
    // HL7 v2.5.1 table 0155: always, never, on error, on success. A message that was kept is no error of keeping.
    let rows = [
        ("", "", true, [None, Some("AA")]),
        ("NE", "AL", true, [None, Some("AA")]),
        ("AL", "NE", true, [Some("CA"), None]),
        ("AL", "AL", true, [Some("CA"), Some("AA")]),
        ("AL", "", true, [Some("CA"), Some("AA")]),
        ("SU", "ER", true, [Some("CA"), None]),
        ("ER", "SU", true, [None, Some("AA")]),
        ("NE", "NE", true, [None, None]),
        ("AL", "ER", false, [Some("CA"), Some("AE")]),
        ("ER", "SU", false, [None, None]),
        ("", "", false, [None, Some("AE")]),
    ];
    for (accept, application, good, wanted) in rows {
        let wanted = wanted.map(|one: Option<&str>| one.map(str::to_owned));
        assert_eq!(modes(accept, application, good), wanted, "{accept} {application} {good}");
    }
}

#[test]
fn what_cannot_be_kept_is_told_once() {
    let row = |mode: &str, from: &str, to: &str| {
        let text = changed(NEW, "|P|2.5.1\r", &format!("|P|2.5.1|||{mode}\r"));
        let text = String::from_utf8(text).expect("text").replace(from, to);
        let answers =
            Desk::new().answers(text.as_bytes(), "WK-1", "20260314081502+0000").expect("answers");
        [answers.accept, answers.application].map(|one| one.map(|bytes| Said::read(&bytes).code))
    };
    let code = |code: &str| Some(code.to_owned());
    assert_eq!(row("AL|AL", "|P|", "|T|"), [code("CR"), None]);
    assert_eq!(row("NE|AL", "|P|", "|T|"), [None, code("AR")]);
    assert_eq!(row("AL|AL", "KP700101^^^KESTREL^MR", ""), [code("CE"), None]);
}

#[test]
fn plain_acknowledgments_say_ae_when_one_order_was_not_taken() {
    let mut desk = Desk::new();
    desk.site.plain = true;
    let said = desk.say(&kept("03-oml-o33-law-two-orders-251"));
    assert_eq!((said.code.as_str(), said.kind.as_str()), ("AE", "ACK^O33^ACK"));
    assert_eq!(said.errors(), [("103", "OBR^2^4^1^1")]);
    assert_eq!(said.segments, ["MSH", "MSA", "ERR"]);
    let said = desk.say(&kept(NEW));
    assert_eq!((said.code.as_str(), said.kind.as_str()), ("AA", "ACK^O21^ACK"));
}

#[test]
fn a_queue_that_would_stop_gets_aa_and_the_order_still_says_no() {
    let mut desk = Desk::new();
    desk.site.refusals_accepted = true;
    let said = desk.say(&changed(NEW, "KP-20417&LIS", "&LIS"));
    assert_eq!((said.code.as_str(), said.errors()), ("AA", vec![]));
    assert_eq!(said.orders(), [("UA", "specimen-missing")]);
}

#[test]
fn without_the_patient_only_2_3_1_can_name_an_order() {
    let mut desk = Desk::new();
    desk.site.echo_patient = false;
    assert_eq!(desk.say(&kept(NEW)).segments, ["MSH", "MSA"]);
    let said = desk.say(&kept("08-orm-o01-new-231"));
    assert_eq!(said.segments, ["MSH", "MSA", "ORC", "OBR"]);
}

#[test]
fn orc_6_leaves_out_what_the_sender_does_not_want() {
    for (flag, orders) in [("N", 0), ("E", 1), ("D", 2), ("", 2)] {
        let text = String::from_utf8(kept("03-oml-o33-law-two-orders-251")).expect("text");
        let text =
            text.replace("^LIS|||||||20260314082009", &format!("^LIS||||{flag}|||20260314082009"));
        let said = Desk::new().say(text.as_bytes());
        assert_eq!(said.orders.len(), orders, "{flag}");
    }
}

#[test]
fn what_is_told_gets_a_plain_acknowledgment() {
    let mut desk = Desk::after(&[NEW]);
    let said = desk.say(&changed(NEW, "ORC|NW", "ORC|OC"));
    assert_eq!((said.code.as_str(), said.kind.as_str()), ("AA", "ACK^O21^ACK"));
    assert!(matches!(desk.strip("KP-20417"), Meet::Waits(_)));
}

#[test]
fn our_separators_are_not_everybodys() {
    let text = String::from_utf8(kept(NEW)).expect("text");
    let other = text.replace("^~\\&", "$*!%").replace('^', "$").replace('&', "%");
    let mut desk = Desk::new();
    let said = desk.say(other.as_bytes());
    assert_eq!((said.code.as_str(), said.orders()), ("AA", vec![("OK", "")]));
    assert!(desk.order("K884417").is_some(), "the same order, however it is written");
}

/// HL7 v2.5.1 section 2.A.77: the zone of MSH-7 is that of all times of its message that have none.
#[test]
fn a_time_without_a_zone_is_in_the_messages() {
    let text = String::from_utf8(kept(NEW)).expect("text").replace("080500+0000", "080500");
    let text = text.replace("|20260314081502+0000|", "|20260314091502+0100|");
    let mut desk = Desk::new();
    desk.say(text.as_bytes());
    let wanted = desk.order("K884417").and_then(|o| o.wanted.clone()).expect("an order");
    let seven = Moment::from_digits("20260314070500+0000").and_then(|at| at.instant());
    assert_eq!(wanted.collected, seven);
}

#[test]
fn the_key_and_the_place_of_the_specimen_are_the_sources() {
    let mut desk = Desk::new();
    desk.site.key = OrderKey::PlacerAndTest;
    desk.say(&kept(NEW));
    let second = changed(NEW, "|UADIP^Urine strip", "|UGLU^Glucose");
    assert_eq!(desk.say(&second).orders(), [("OK", "")], "one number, two tests");
    assert_eq!(desk.orders.iter().count(), 2);
    let places = [
        (SpecimenFrom::Obr2, "K884417"),
        (SpecimenFrom::Orc4, "R5521"),
        (SpecimenFrom::Spm2Placer, "KP-20417"),
    ];
    for (place, id) in places {
        let mut desk = Desk::new();
        desk.site.specimen_from = place;
        desk.say(&kept(NEW));
        assert!(matches!(desk.strip(id), Meet::Goes { .. }), "{place:?}");
    }
    let mut desk = Desk::new();
    desk.site.specimen_from = SpecimenFrom::Spm2Filler;
    assert_eq!(
        desk.say(&kept(NEW)).orders(),
        [("UA", "specimen-missing")],
        "no other place is looked at"
    );
}

#[test]
fn the_patient_id_that_counts_is_of_the_type_that_the_site_names() {
    let mut desk = Desk::new();
    desk.site.patient_type = Some("MR".into());
    let two = changed(NEW, "|KP700101^^^KESTREL^MR|", "|V1^^^KESTREL^VN~KP700101^^^KESTREL^MR|");
    desk.say(&two);
    let patient = desk.order("K884417").and_then(|o| o.wanted.clone()?.patient).expect("a patient");
    assert_eq!(patient.number.expose(), "KP700101");
    let none = changed(NEW, "KESTREL^MR|", "KESTREL^VN|");
    assert_eq!(Desk { site: desk.site, ..Desk::new() }.say(&none).errors(), [("101", "PID^1^3")]);
}

/// Where OBR-2 is the specimen's id, ORC-2 is the order's number, and the two differ.
#[test]
fn in_2_3_1_the_order_has_its_number_and_the_specimen_its_id() {
    let mut desk = Desk::new();
    let text = changed("08-orm-o01-new-231", "ORC|NW|KP-20419^LIS", "ORC|NW|K7^LIS");
    assert_eq!(desk.say(&text).orders(), [("OK", "")]);
    let order = desk.order("K7").expect("by its number");
    let wanted = order.wanted.as_ref().expect("what it asks");
    assert_eq!(wanted.specimens[0].expose(), "KP-20419");
    // Elsewhere two numbers for one order are a mistake of the sender's.
    let mut desk = Desk::new();
    desk.site.specimen_from = wickline_forward::orders::SpecimenFrom::Obr18;
    assert_eq!(desk.say(&text).orders()[0].0, "UA");
}
