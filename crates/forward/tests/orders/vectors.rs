//! The kept messages: what must be read of each, and which answer goes back, byte by byte.

use wickline_forward::hl7::Version;
use wickline_forward::orders::Stamp;
use wickline_forward::orders::{Asker, query};
use wickline_forward::orders::{Decided, Incoming, Profile, Unread, not_kept, read, refused};
use wickline_normalize::orders::{Meet, Refusal, Standing, Wait};
use wickline_normalize::{Moment, Private};

use crate::desk::{Desk, changed, kept, pads};

/// The answer that a desk gives to a message, at the time and under the id of a kept one.
fn same(desk: &mut Desk, asked: &[u8], answer: &str) {
    let wanted = String::from_utf8(kept(answer)).expect("text");
    let fields: Vec<&str> = wanted.split('\r').next().expect("MSH").split('|').collect();
    let answers = desk.answers(asked, fields[9], fields[6]).expect("an answer");
    let given = answers.application.expect("the application's answer");
    assert_eq!(
        String::from_utf8(given).expect("text").replace('\r', "\n"),
        wanted.replace('\r', "\n")
    );
    assert_eq!(answers.accept, None, "nobody asked for it");
}

#[test]
fn message_01_is_taken_and_answered_as_02_has_it() {
    let mut desk = Desk::new();
    same(&mut desk, &kept("01-oml-o21-new-251"), "02-orl-o22-ok-251");
    assert_eq!(desk.standing("K884417"), Some(Standing::Open));
    assert!(matches!(desk.strip("KP-20417"), Meet::Goes { .. }));
}

#[test]
fn of_message_01_all_is_read_that_goes_back_and_nothing_else() {
    let read = read(&kept("01-oml-o21-new-251"), &Desk::new().site).expect("a message");
    let Incoming::Orders(message) = read else { panic!("orders: {read:?}") };
    let line = &message.orders[0];
    let provider = "D0417^Marsh-Invented^Petra^^^^^^KESTREL";
    let test = "UADIP^Urine strip^99KPL^50556-0^Urinalysis dipstick panel - Urine by Automated test strip^LN";
    let fields = [
        (&line.placer, "K884417^LIS"),
        (&line.filler, ""),
        (&line.group, "R5521^LIS"),
        (&line.provider, provider),
        (&line.test, test),
        (&line.priority, "R"),
        (&line.back[0], "BAG 7"),
        (&line.back[1], "R5521"),
        (&message.specimens[0].id, "KP-20417&LIS"),
        (&message.specimens[0].kind, "URC^Urine clean catch^HL70487"),
        (&message.specimens[0].role, "P^Patient^HL70369"),
    ];
    for (given, wanted) in fields {
        assert_eq!(given.text(), wanted);
    }
    let digits = |at: Option<Moment>| at.map(|at| at.digits());
    assert_eq!(digits(line.at).as_deref(), Some("20260314081455+0000"));
    assert_eq!(digits(line.collected).as_deref(), Some("20260314080500+0000"));
    let patient = message.patient.as_ref().expect("a patient");
    assert_eq!(patient.person.id.expose(), "KP700101^^^KESTREL");
    assert_eq!(patient.person.number.expose(), "KP700101");
    assert_eq!(patient.person.name.expose(), "Sandpiper-Invented^Odile");
    assert_eq!((patient.person.born.expose(), patient.person.sex.expose()), ("19580203", "F"));
    assert_eq!(patient.field(3).text(), "KP700101^^^KESTREL^MR");
    let visit = message.visit.as_ref().expect("a visit").clone().map(|v| v.text().to_owned());
    assert_eq!(visit, ["O", "WALKIN^R2^^KESTREL", ""]);
    let mut all = String::new();
    for given in [&line.placer, &line.source, &line.parent, &line.facility, &line.set, &line.action]
        .into_iter()
        .chain(&line.back)
        .chain(patient.fields.iter().map(|(_, field)| field))
    {
        all.push_str(given.text());
    }
    assert!(
        !all.contains("Dysuria") && !all.contains("No such patient"),
        "OBR-13 and NTE are not kept"
    );
}

#[test]
fn message_03_is_answered_as_04_has_it_and_again_by_profile() {
    let asked = kept("03-oml-o33-law-two-orders-251");
    let mut desk = Desk::new();
    same(&mut desk, &asked, "04-orl-o34-one-ok-one-ua-251");
    assert!(desk.order("A90021").and_then(|o| o.wanted.as_ref()).is_some_and(|w| w.urgent));
    assert_eq!(desk.standing("A90022"), None);
    let again = changed("03-oml-o33-law-two-orders-251", "KL260314000002", "KL260314000099");
    let said = desk.say(&again);
    assert_eq!(
        (said.code.as_str(), said.orders()),
        ("AA", vec![("OK", ""), ("UA", "test-unknown")])
    );
    desk.site.profile = Profile::Law;
    let said = desk.say(&again);
    let refused = vec![("UA", "duplicate-order"), ("UA", "test-unknown")];
    assert_eq!((said.code.as_str(), said.orders()), ("AE", refused));
    assert_eq!(said.kind, "ORL^O34^ORL_O42", "the structure that the profile asks for");
}

#[test]
fn message_05_is_answered_as_06_before_a_result_and_as_07_after_it() {
    let asked = kept("05-oml-o33-cancel-251");
    let mut desk = Desk::after(&["03-oml-o33-law-two-orders-251"]);
    same(&mut desk, &asked, "06-orl-o34-cancel-cr-251");
    assert_eq!(desk.strip("KP-20418"), Meet::Waits(Wait::OrderCancelled));
    let mut desk = Desk::after(&["03-oml-o33-law-two-orders-251"]);
    desk.sent("A90021", "KP-20418", "B1-0314-0018");
    same(&mut desk, &asked, "07-orl-o34-cancel-uc-251");
    assert_eq!(desk.standing("A90021"), Some(Standing::Answered));
}

#[test]
fn messages_08_and_10_are_answered_as_09_and_11_have_it() {
    let mut desk = Desk::new();
    same(&mut desk, &kept("08-orm-o01-new-231"), "09-orr-o02-ok-231");
    let wanted = desk.order("KP-20419").and_then(|o| o.wanted.clone()).expect("an order");
    assert!(wanted.urgent && wanted.specimens[0].expose() == "KP-20419", "OBR-2 is the label");
    assert!(matches!(desk.strip("KP-20419"), Meet::Goes { .. }));
    same(&mut desk, &kept("10-orm-o01-cancel-231"), "11-orr-o02-cr-231");
    assert_eq!(desk.standing("KP-20419"), Some(Standing::Cancelled));
}

#[test]
fn messages_12_14_and_15_replace_change_and_dispute() {
    let mut desk = Desk::after(&["01-oml-o21-new-251"]);
    same(&mut desk, &kept("12-oml-o21-replace-251"), "13-orl-o22-rq-251");
    assert_eq!(desk.standing("K884417"), Some(Standing::Replaced));
    assert_eq!(desk.standing("K884493"), Some(Standing::Open));
    let wanted = desk.order("K884493").and_then(|o| o.wanted.clone()).expect("an order");
    assert_eq!(wanted.pads, pads(&["GLU"]));
    assert_eq!(
        desk.strip("KP-20417"),
        Meet::Waits(Wait::PadsUnordered),
        "pads that nobody ordered"
    );

    let said = desk.say(&kept("14-oml-o21-change-stat-251"));
    assert_eq!((said.code.as_str(), said.orders()), ("AA", vec![("XR", "")]));
    assert!(desk.order("K884493").and_then(|o| o.wanted.as_ref()).is_some_and(|w| w.urgent));

    let asked = kept("15-oml-o21-same-specimen-other-patient-251");
    same(&mut desk, &asked, "16-orl-o22-ua-251");
    assert_eq!(desk.standing("K884493"), Some(Standing::Disputed));
    assert_eq!(desk.strip("KP-20417"), Meet::Waits(Wait::PatientConflict));
    let known: String = desk
        .orders
        .iter()
        .filter_map(|o| o.wanted.as_ref()?.patient.clone())
        .map(|patient| patient.name.expose().to_owned())
        .collect();
    assert!(!known.contains("Plover"), "the name of a refused order is kept nowhere");

    // By name and date of birth KP700103 is somebody else: nobody is made her without a person.
    let patient = |desk: &Desk| {
        let own = desk.order("K884493").and_then(|o| o.wanted.clone()?.patient);
        own.expect("a patient").id.expose().to_owned()
    };
    let mut other = desk.clone();
    same(&mut other, &kept("24-adt-a40-merge-251"), "25-ack-a40-aa-251");
    assert_eq!(patient(&other), "KP700101^^^KESTREL");
    let alike = changed("24-adt-a40-merge-251", "||19850517|", "||19580203|");
    same(&mut desk, &alike, "25-ack-a40-aa-251");
    assert_eq!(patient(&desk), "KP700103^^^KESTREL");
    for desk in [&desk, &other] {
        assert_eq!(desk.standing("K884493"), Some(Standing::Disputed), "a person lifts it");
    }
    same(&mut Desk::new(), &kept("24-adt-a40-merge-251"), "25-ack-a40-aa-251");
}

#[test]
fn message_17_is_one_order_of_two_specimens() {
    let mut desk = Desk::new();
    let said = desk.say(&kept("17-oml-o21-two-specimens-251"));
    assert_eq!((said.code.as_str(), said.orders()), ("AA", vec![("OK", "")]));
    assert!(matches!(desk.strip("KP-20421"), Meet::Goes { .. }));
    desk.sent("K884510", "KP-20421", "B1-1");
    assert_eq!(desk.strip("KP-20422"), Meet::Waits(Wait::AnsweredElsewhere));
}

#[test]
fn message_18_names_the_specimen_and_not_its_tube() {
    let mut desk = Desk::new();
    let said = desk.say(&kept("18-oml-o35-container-251"));
    assert_eq!((said.code.as_str(), said.kind.as_str()), ("AA", "ORL^O36^ORL_O36"));
    assert_eq!(said.segments, ["MSH", "MSA", "PID", "SPM", "SAC", "ORC", "OBR"]);
    assert!(matches!(desk.strip("KP-20423"), Meet::Goes { .. }));
    assert_eq!(desk.strip("KP-20423-1"), Meet::Waits(Wait::SpecimenUnknown));
}

#[test]
fn message_19_of_2_4_has_its_specimen_in_sac_and_times_in_the_sites_zone() {
    let mut desk = Desk::new();
    let said = desk.say(&kept("19-oml-o21-new-24"));
    assert_eq!((said.code.as_str(), said.orders()), ("AA", vec![("OK", "")]));
    assert_eq!(said.kind, "ORL^O22^ORL_O22");
    let wanted = desk.order("K884512").and_then(|o| o.wanted.clone()).expect("an order");
    let at = Moment::from_digits("20260314091300+0000").and_then(|at| at.instant());
    assert_eq!(wanted.collected, at);
    assert!(matches!(desk.strip("KP-20424"), Meet::Goes { .. }));
}

#[test]
fn message_20_is_our_question() {
    let made = Moment::from_digits("20260314092000+0000").expect("a time");
    let parties = ["WICKLINE", "KESTRELPOINT", "LIS", "KESTREL"];
    let asker = Asker { parties, processing: "P", version: Version::V251, law: true };
    let id = ("WK-00001209", made);
    let asked = query(asker, &Private::new("KP-20425"), id).expect("a question");
    assert_eq!(asked, kept("20-qbp-q11-wos-251"));
    let plain = query(Asker { law: false, ..asker }, &Private::new("KP-20425"), id);
    let without = String::from_utf8(asked).expect("text").replace("|||||LAB-27^IHE\r", "\r");
    assert_eq!(plain.expect("a question"), without.as_bytes());
    let old = Asker { version: Version::V24, ..asker };
    assert!(query(old, &Private::new("KP-20425"), id).is_err());
    for bad in ["", "KP\r20425", "\"\""] {
        assert!(query(asker, &Private::new(bad), id).is_err(), "{bad:?}");
    }
}

#[test]
fn message_21_answers_our_question_and_holds_no_work() {
    let read = read(&kept("21-rsp-k11-ok-251"), &Desk::new().site).expect("a message");
    let Incoming::Found(_, found) = read else { panic!("an answer: {read:?}") };
    assert_eq!((found.code.text(), found.status.text()), ("AA", "OK"));
    assert_eq!((found.control_id.text(), found.tag.text()), ("WK-00001209", "WK-00001209"));
}

/// 23 has MSH-16 `AL` and the structure that the checker knows. Ours has `NE`, since no answer is owed to an answer
/// (HL7 v2.5.1 section 2.9.3), and the structure that the profile asks for.
#[test]
fn message_22_says_that_there_is_no_work() {
    let asked = kept("22-oml-o33-no-work-251");
    let mut desk = Desk::new();
    desk.site.profile = Profile::Law;
    desk.queried.push("KP-20425");
    let answers = desk.answers(&asked, "WK-00001210", "20260314092001+0000").expect("an answer");
    let given = String::from_utf8(answers.application.expect("the application's")).expect("text");
    let wanted = String::from_utf8(kept("23-orl-o34-no-work-251")).expect("text");
    assert_eq!(given, wanted.replace("|NE|AL|", "|NE|NE|").replace("ORL_O34", "ORL_O42"));
    assert!(matches!(&desk.decided, Some(Decided::NoWork(ids)) if ids[0].expose() == "KP-20425"));
    desk.queried.clear();
    let said = desk.say(&asked);
    assert_eq!((said.code.as_str(), said.errors()), ("AR", vec![("204", "SAC^1^3")]));
}

#[test]
fn message_26_changes_the_name_on_open_orders() {
    let mut desk = Desk::after(&["18-oml-o35-container-251"]);
    let said = desk.say(&kept("26-adt-a08-name-251"));
    assert_eq!((said.code.as_str(), said.kind.as_str()), ("AA", "ACK^A08^ACK"));
    let patient = desk.order("K884511").and_then(|o| o.wanted.clone()?.patient).expect("a patient");
    assert_eq!(patient.name.expose(), "Plover-Tern-Invented^Ines");
    assert_eq!(desk.standing("K884511"), Some(Standing::Open));
}

#[test]
fn messages_that_we_send_are_not_taken() {
    let sent = [
        "02-orl-o22-ok-251",
        "20-qbp-q11-wos-251",
        "27-oru-r01-from-01-251",
        "28-oul-r22-from-03-251",
        "30-oru-r01-from-08-231",
        "31-ack-o21-ca-251",
    ];
    for name in sent {
        let said = Desk::new().say(&kept(name));
        assert_eq!((said.code.as_str(), said.errors()[0].0), ("AR", "200"), "{name}");
    }
}

#[test]
fn message_31_is_the_accept_acknowledgment_of_01() {
    let asked = changed("01-oml-o21-new-251", "|P|2.5.1\r", "|P|2.5.1|||AL\r");
    let answers =
        Desk::new().answers(&asked, "WK-00001216", "20260314081502+0000").expect("answers");
    assert_eq!(answers.accept.as_deref(), Some(&kept("31-ack-o21-ca-251")[..]));
    assert!(answers.application.is_some(), "and then what became of the order");
}

#[test]
fn message_32_is_what_goes_back_where_nothing_could_be_kept() {
    let desk = Desk::new();
    let Ok(Incoming::Orders(message)) = read(&kept("01-oml-o21-new-251"), &desk.site) else {
        panic!("orders")
    };
    let envelope = Some(message.envelope.clone());
    let unread = Unread { envelope, kind: Some(message.kind), fault: not_kept() };
    let made = Moment::from_digits("20260314081502+0000").expect("a time");
    let stamp = Stamp { control_ids: ["WK-00001217", "WK-00001217"], made };
    let answers = refused(&unread, &desk.site, stamp).expect("somebody").expect("an answer");
    assert_eq!(answers.application.as_deref(), Some(&kept("32-ack-o21-ar-store-251")[..]));
}

#[test]
fn a_later_order_with_another_name_and_birth_date_is_disputed() {
    let mut desk = Desk::after(&["01-oml-o21-new-251"]);
    let asked = changed("15-oml-o21-same-specimen-other-patient-251", "KP700103", "KP700101");
    let said = desk.say(&asked);
    assert_eq!((said.code.as_str(), said.orders()), ("AA", vec![("OK", "")]));
    assert_eq!(desk.replies()[0].done, Ok::<(), Refusal>(()));
    for number in ["K884417", "K884501"] {
        assert_eq!(desk.standing(number), Some(Standing::Disputed), "{number}");
    }
}
