//! Messages that are wrong in one place: what is answered, and that nothing of them is taken.

use wickline_forward::hl7::{Charset, Version};
use wickline_forward::orders::{Incoming, read};
use wickline_normalize::orders::Standing;

use crate::desk::{Desk, Said, changed, kept};

const NEW: &str = "01-oml-o21-new-251";

/// Pairs as [`Said`] has them.
type Pairs = Vec<(String, String)>;

/// What a fresh desk answers, having taken nothing: MSA-1, errors, orders.
fn refused(bytes: &[u8]) -> (String, Pairs, Pairs) {
    let mut desk = Desk::new();
    let said: Said = desk.say(bytes);
    assert_eq!(desk.orders.iter().count(), 0, "nothing of it is taken");
    (said.code, said.errors, said.orders)
}

#[test]
fn each_fault_is_answered_with_its_code_and_place() {
    let family = format!("|{}^Odile", "X".repeat(10_000));
    let long = format!("|{}|", "K".repeat(250));
    let rows = [
        (
            "|UADIP^Urine strip^99KPL^50556-0^Urinalysis dipstick panel - Urine by Automated test strip^LN|",
            "||",
            "AE",
            "101",
            "OBR^1^4",
        ),
        ("ORC|NW", "ORC|QQ", "AE", "103", "ORC^1^1"),
        ("ORC|NW", "ORC|", "AE", "101", "ORC^1^1"),
        ("ORC|NW", "ORC|OK", "AE", "201", "ORC^1^1"),
        ("OBR|1|K884417^LIS", "OBR|1|K884418^LIS", "AE", "102", "OBR^1^2"),
        ("SPM|1|KP-20417&LIS|", "SPM|1||", "AE", "101", "SPM^1^2^1^1"),
        ("KP-20417&LIS", "KP 20417&LIS", "AE", "102", "SPM^1^2^1^1"),
        ("|P|2.5.1", "|T|2.5.1", "AR", "202", "MSH^1^11"),
        ("|P|2.5.1", "|P|2.7", "AR", "203", "MSH^1^12"),
        ("|P|2.5.1", "|P|", "AE", "101", "MSH^1^12"),
        ("|OML^O21^OML_O21|", "||", "AE", "101", "MSH^1^9"),
        ("OML^O21^OML_O21", "ORU^R01^ORU_R01", "AR", "200", "MSH^1^9"),
        ("OML^O21^OML_O21", "OML^O99^OML_O99", "AR", "201", "MSH^1^9"),
        ("KP700101^^^KESTREL^MR", "", "AE", "101", "PID^1^3"),
        ("KP700101^^^KESTREL^MR", "^^^KESTREL^MR", "AE", "101", "PID^1^3"),
        ("Sandpiper-Invented^Odile^^^^^L", "\"\"", "AE", "101", "PID^1^5"),
        ("|Sandpiper-Invented^Odile", &family, "AE", "102", "PID^1^5"),
        ("|KL260314000001|", "||", "AE", "101", "MSH^1^10"),
        ("|KL260314000001|", &long, "AE", "102", "MSH^1^10"),
        ("|KL260314000001|", "|KL260314000001-and-more|", "AE", "102", "MSH^1^10"),
        ("MSH|^~\\&|", "MSH|^^\\&|", "AE", "102", "MSH^1^2"),
        ("20260314081455+0000", "yesterday", "AE", "102", "ORC^1^9"),
        ("K884417^LIS", "K884417000000000000000^LIS", "AE", "102", "ORC^1^2"),
        ("\rOBR|1", "\rOBR|1\rOBR|1", "AE", "100", "OBR^2"),
        ("UADIP^", "UHCG^", "AE", "103", "OBR^1^4^1^1"),
    ];
    for (from, to, code, error, place) in rows {
        let text = changed(NEW, from, to);
        // The other code of a test would do as well.
        let text = String::from_utf8(text).expect("text").replace("50556-0", "50556-9");
        let (said, errors, _) = refused(text.as_bytes());
        let shown: String = to.chars().take(40).collect();
        assert_eq!(said, code, "{shown}");
        assert_eq!(errors[0], (error.to_owned(), place.to_owned()), "{shown}");
    }
}

#[test]
fn the_orders_that_can_be_read_say_what_is_wrong_with_them() {
    for (from, to, reason) in [
        ("SPM|1|KP-20417&LIS|", "SPM|1||", "specimen-missing"),
        ("KP-20417&LIS", "KKKKKKKK&LIS", "specimen-malformed"),
        ("URC^Urine clean catch", "BLD^Whole blood", "not-urine"),
        ("ORC|NW", "ORC|AF", "not-supported"),
        ("P^Patient", "Q^Control", "control-unknown"),
        ("OBR|1|K884417^LIS", "OBR|1|K884418^LIS", "field-wrong"),
    ] {
        let (code, _, orders) = refused(&changed(NEW, from, to));
        assert_eq!((code.as_str(), orders), ("AE", vec![("UA".into(), reason.into())]), "{to}");
    }
    let unknown = Desk::new().say(&kept("05-oml-o33-cancel-251"));
    assert_eq!((unknown.code.as_str(), unknown.orders()), ("AE", vec![("UC", "order-unknown")]));
    assert_eq!(unknown.errors(), [("204", "ORC^1^2")]);
}

/// HL7 v2.5.1 section 2.9.2: what is said no to says why; an ORL names its orders below a patient only.
#[test]
fn nobody_is_told_no_without_a_reason() {
    let patient = "PID|1||KP700101^^^KESTREL^MR||Sandpiper-Invented^Odile^^^^^L||19580203|F\r";
    let text = String::from_utf8(changed(NEW, "P^Patient", "Q^Control")).expect("text");
    let bare = text.replace(patient, "").replace("NTE|1||Invented person. No such patient.\r", "");
    assert_ne!(bare, text);
    for (text, why) in [
        (bare.clone(), ("204", "SPM^1^2^1^1")),
        (text, ("204", "SPM^1^2^1^1")),
        (bare.replace("ORC|NW", "ORC|AF"), ("103", "ORC^1^1")),
    ] {
        let (code, errors, _) = refused(text.as_bytes());
        assert_eq!((code.as_str(), errors), ("AE", vec![(why.0.to_owned(), why.1.to_owned())]));
    }
}

#[test]
fn one_wrong_order_undoes_no_other() {
    let both = "03-oml-o33-law-two-orders-251";
    let mut desk = Desk::new();
    let said = desk.say(&changed(both, "OBR|2|A90022^LIS", "OBR|2|A90099^LIS"));
    let orders = vec![("OK", ""), ("UA", "field-wrong")];
    assert_eq!((said.code.as_str(), said.orders(), said.errors()), ("AA", orders, vec![]));
    assert_eq!(desk.standing("A90021"), Some(Standing::Open));
}

#[test]
fn another_patient_in_the_same_message_takes_nothing_for_the_first() {
    let text = String::from_utf8(kept(NEW)).expect("text");
    let second = "PID|1||KP700103^^^KESTREL^MR||Plover-Invented^Ines\rORC|NW|K884999^LIS\r\
                  OBR|2|K884999^LIS||UADIP\rSPM|2|KP-20499&LIS||UR\r";
    let mut desk = Desk::new();
    let said = desk.say(format!("{text}{second}").as_bytes());
    assert_eq!(said.orders(), [("OK", ""), ("UA", "field-wrong")]);
    assert_eq!(desk.standing("K884999"), None);
}

#[test]
fn old_results_that_come_along_are_no_orders() {
    let text = String::from_utf8(kept(NEW)).expect("text");
    let old = "PID|1||KP700101^^^KESTREL^MR||Sandpiper-Invented^Odile\rORC|PR|K100^LIS\r\
               OBR|1|K100^LIS||UADIP\rOBX|1|NM|GLU||5\rORC|RE|K101^LIS\rOBR|1|K101^LIS||UADIP\r";
    let mut desk = Desk::new();
    let said = desk.say(
        format!(
            "{text}{old}ORC|NW|K884418^LIS\rOBR|2|K884418^LIS||UADIP\rSPM|2|KP-20418&LIS||UR\r"
        )
        .as_bytes(),
    );
    assert_eq!(said.orders(), [("OK", ""), ("OK", "")]);
    assert_eq!(desk.orders.iter().count(), 2);
    let (code, errors, _) = refused(&changed(NEW, "ORC|NW", "ORC|RE"));
    assert_eq!((code.as_str(), errors[0].0.as_str()), ("AE", "200"));
}

#[test]
fn old_results_are_known_by_their_patient_or_visit_where_they_have_no_orc() {
    let text = String::from_utf8(kept(NEW)).expect("text");
    let patient = "PID|1||KP700101^^^KESTREL^MR||Sandpiper-Invented^Odile\r";
    for head in [patient, "PV1|1|I|WARD9\r", "AL1|1\r"] {
        let old = format!("{text}{head}OBR|1|K100^LIS||UADIP\rOBX|1|NM|GLU||5\r");
        let Ok(Incoming::Orders(message)) = read(old.as_bytes(), &Desk::new().site) else {
            panic!("orders: {head}")
        };
        assert_eq!(message.orders.len(), 1, "{head}");
        let visit = message.visit.as_ref().expect("a visit");
        assert_eq!(visit[1].text(), "WALKIN^R2^^KESTREL", "that of the order: {head}");
    }
}

#[test]
fn an_order_that_is_here_says_how_far_it_is_when_it_is_refused() {
    let mut desk = Desk::after(&[NEW]);
    desk.sent("K884417", "KP-20417", "B1-0314-0017");
    let again = changed(NEW, "KL260314000001", "KL260314000099");
    let answers = desk.answers(&again, "WK-1", "20260314081502+0000").expect("an answer");
    let text = String::from_utf8(answers.application.expect("the application's")).expect("text");
    let wanted = "ORC|UA|K884417^LIS|B1-0314-0017^WICKLINE||CM||||20260314081502+0000\
                  |||||||closed^Order is closed^99WKL\r";
    assert!(text.contains(wanted), "{text:?}");
}

#[test]
fn letters_in_no_declared_set_are_refused_and_in_the_declared_one_they_are_right() {
    let law = "03-oml-o33-law-two-orders-251";
    let (code, errors, _) = refused(&changed(law, "UNICODE UTF-8", ""));
    assert_eq!((code.as_str(), errors[0].clone()), ("AE", ("102".into(), "MSH^1^18".into())));
    for set in ["UTF-8", "8859/15", "ISO IR87"] {
        let (_, errors, _) = refused(&changed(law, "UNICODE UTF-8", set));
        assert_eq!(errors[0], ("102".into(), "MSH^1^18".into()), "{set}");
    }
    let mut broken = kept(law);
    let at = broken.iter().position(|b| *b == 0xC3).expect("a letter of two bytes");
    broken[at + 1] = b'(';
    assert_eq!(refused(&broken).1[0].1, "MSH^1^18");
    let mut desk = Desk::new();
    desk.site.charset = Some(Charset::Utf8);
    assert_eq!(desk.say(&changed(law, "UNICODE UTF-8", "")).code, "AA");
    let latin: Vec<u8> = changed(law, "UNICODE UTF-8", "8859/1");
    let latin: Vec<u8> = String::from_utf8(latin).expect("text").chars().map(|c| c as u8).collect();
    let Ok(Incoming::Orders(message)) = read(&latin, &Desk::new().site) else { panic!("orders") };
    let patient = message.patient.as_ref().expect("a patient");
    assert_eq!(patient.person.name.expose(), "Curlew-Invented^Tomé");
}

#[test]
fn line_feeds_are_no_segment_ends_unless_the_source_is_known_for_them() {
    let text = String::from_utf8(kept(NEW)).expect("text").replace('\r', "\n");
    let (code, errors, _) = refused(text.as_bytes());
    assert_eq!((code.as_str(), errors[0].0.as_str()), ("AE", "100"));
    let mut desk = Desk::new();
    desk.site.lenient_lf = true;
    assert_eq!(desk.say(text.as_bytes()).code, "AA");
    let both = String::from_utf8(kept(NEW)).expect("text").replace('\r', "\r\n");
    assert_eq!(Desk::new().say(both.as_bytes()).code, "AA");
}

#[test]
fn a_version_that_this_source_does_not_speak_is_refused() {
    let mut desk = Desk::new();
    desk.site.versions = vec![Version::V251];
    let said = desk.say(&kept("08-orm-o01-new-231"));
    assert_eq!((said.code.as_str(), said.kind.as_str()), ("AR", "ACK^O01"));
    assert_eq!(said.errors()[0], ("203", "MSH^1^12"), "{said:?}");
}

#[test]
fn in_2_3_1_place_and_code_stand_in_one_field_and_the_words_beside_msa() {
    let mut desk = Desk::new();
    let bytes = changed("08-orm-o01-new-231", "UADIP^Urine strip^L", "UHCG^Pregnancy^L");
    let answers = desk.answers(&bytes, "WK-1", "20260314084000").expect("an answer");
    let text = String::from_utf8(answers.application.expect("the application's")).expect("text");
    let wanted = "MSH|^~\\&|WICKLINE|KESTRELPOINT|LIS|KESTREL|20260314084000||ORR^O02|WK-1|P|2.3.1\n\
                  MSA|AE|KL260314000004|No analyzer here performs this test\n\
                  ERR|OBR^1^4^103&Table value not found&HL70357\n\
                  PID|||KP700103^^^KESTREL^MR||Plover-Invented^Ines\n\
                  ORC|UA|KP-20419^LIS||||||||||||||test-unknown^No analyzer here performs this test^99WKL\n\
                  OBR|1|KP-20419^LIS||UHCG^Pregnancy^L\n";
    assert_eq!(text.replace('\r', "\n"), wanted);
}

#[test]
fn what_asks_something_of_an_order_names_it() {
    let text = String::from_utf8(kept(NEW)).expect("text").replace("K884417^LIS", "");
    for code in ["NW", "CA", "XO", "HD"] {
        let (said, errors, orders) =
            refused(text.replace("ORC|NW", &format!("ORC|{code}")).as_bytes());
        assert_eq!((said.as_str(), errors[0].clone()), ("AE", ("101".into(), "ORC^1^2".into())));
        assert_eq!(orders[0].1, "field-wrong", "{code}");
    }
    let mut desk = Desk::new();
    let said = desk.say(&kept("22-oml-o33-no-work-251"));
    assert_eq!(
        said.errors(),
        [("101", "ORC^1^2")],
        "only the analyzer profile says so without a number"
    );
}

#[test]
fn who_sends_and_for_whom_is_as_the_site_says() {
    for (n, party) in ["LIS", "KESTREL", "WICKLINE", "KESTRELPOINT"].into_iter().enumerate() {
        let mut desk = Desk::new();
        desk.site.parties[n] = Some(party.into());
        assert_eq!(desk.say(&kept(NEW)).code, "AA");
        desk.site.parties[n] = Some("OTHER".into());
        let said = desk.say(&kept("05-oml-o33-cancel-251"));
        assert_eq!((said.code.as_str(), said.errors()[0].0), ("AR", "103"));
        assert_eq!(said.errors()[0].1, format!("MSH^1^{}", 3 + n));
    }
}

#[test]
fn control_material_of_2_4_says_so_in_obr_15_and_is_nobodys() {
    let role = "UR&Urine&HL70070^^^^^^Q|D0417";
    let bytes = changed("19-oml-o21-new-24", "UR&Urine&HL70070|D0417", role);
    let said = Desk::new().say(&bytes);
    assert_eq!(said.orders(), [("UA", "control-unknown")]);
    let mut desk = Desk::new();
    desk.site.controls = vec!["KP-20424".into()];
    assert_eq!(desk.say(&bytes).orders(), [("OK", "")]);
    assert!(
        desk.order("K884512").and_then(|o| o.wanted.as_ref()).is_some_and(|w| w.patient.is_none())
    );
    let said = desk.say(&changed("19-oml-o21-new-24", "K884512", "K884513"));
    assert_eq!(
        said.orders(),
        [("UA", "specimen-of-material")],
        "and a patient's order does not get its id"
    );
}

#[test]
fn what_is_too_long_or_too_much_is_refused_and_not_cut() {
    let bag = "X".repeat(2_000);
    let (_, errors, _) = refused(&changed(NEW, "BAG 7", &bag));
    assert_eq!(errors[0], ("102".into(), "OBR^1^18".into()));
    let mut text = String::from_utf8(kept(NEW)).expect("text");
    text.push_str(&"SPM|1|KP-20417&LIS||UR\r".repeat(400));
    let (_, errors, _) = refused(text.as_bytes());
    assert_eq!(errors[0], ("100".into(), "SPM^401".into()));
}

#[test]
fn a_version_takes_the_messages_that_it_has() {
    for (name, from, to, code) in [
        ("03-oml-o33-law-two-orders-251", "|P|2.5.1|", "|P|2.4|", "201"),
        ("19-oml-o21-new-24", "|P|2.4", "|P|2.3.1", "200"),
    ] {
        let (said, errors, _) = refused(&changed(name, from, to));
        assert_eq!((said.as_str(), errors[0].0.as_str()), ("AR", code), "{name}");
    }
}

#[test]
fn the_legal_name_is_the_one_to_compare() {
    let names = "|Heron-Invented^Ada^^^^^A~Sandpiper-Invented^Odile^^^^^L|";
    let bytes = changed(NEW, "|Sandpiper-Invented^Odile^^^^^L|", names);
    let Ok(Incoming::Orders(message)) = read(&bytes, &Desk::new().site) else { panic!("orders") };
    let patient = message.patient.as_ref().expect("a patient");
    assert_eq!(patient.person.name.expose(), "Sandpiper-Invented^Odile");
    assert_eq!(patient.field(5).text(), names.trim_matches('|'), "and both go back");
}

#[test]
fn too_many_orders_are_no_message() {
    let mut text = String::from_utf8(kept(NEW)).expect("text");
    for n in 0..200 {
        text.push_str(&format!("ORC|NW|X{n}^LIS\rOBR|1|X{n}^LIS||UADIP\r"));
    }
    let (code, errors, _) = refused(text.as_bytes());
    assert_eq!((code.as_str(), errors[0].clone()), ("AE", ("100".into(), "ORC^201".into())));
}

/// What is wrong is the head, and nothing is said of a version.
#[test]
fn a_head_that_is_broken_is_answered_with_where_it_ends() {
    for (head, place, words) in [
        ("MSH|^~\\&|LIS|KESTREL", "MSH^1^9", "MSH ends with field 4"),
        (
            "MSH|^~\\&|LIS|KESTREL|W|K|20260314081500||OML^O21^OML_O21|A1",
            "MSH^1^12",
            "MSH ends with field 10",
        ),
        ("MSH|^~\\&|LIS|KESTREL|W|K|20260314081500|||A1|P|2.5.1", "MSH^1^9", "Nothing is there"),
    ] {
        let text = format!("{head}\rPID|1||KP700101\r");
        let answer = Desk::new().answers(text.as_bytes(), "WK-1", "20260314081502+0000");
        let answer = answer.and_then(|answers| answers.application).expect("an answer");
        let text = String::from_utf8_lossy(&answer).into_owned();
        assert!(text.contains("MSA|AE") && text.contains(place), "{text}");
        assert!(text.contains(words) && !text.to_lowercase().contains("version id"), "{text}");
    }
}

/// Where the table has a code, an ERR says it beside ORC-16; where no ORC goes back, each refusal has one.
#[test]
fn what_is_refused_says_so_in_an_err_where_a_code_fits_or_nothing_else_can() {
    for (from, to, why) in [
        ("URC^Urine clean catch", "BLD^Whole blood", ("103", "SPM^1^4^1^1")),
        ("ORC|NW", "ORC|AF", ("103", "ORC^1^1")),
    ] {
        let (_, errors, _) = refused(&changed(NEW, from, to));
        assert_eq!(errors, [(why.0.to_owned(), why.1.to_owned())], "{to}");
    }
    let old = "UR&Urine&HL70070|D0417";
    let (_, errors, _) = refused(&changed("19-oml-o21-new-24", old, "BLD&Blood&HL70070|D0417"));
    assert_eq!(errors, [("103".to_owned(), "OBR^1^15".to_owned())]);
    // A plain acknowledgment: MSA-1 is of all of them, the reason of each in an ERR of its own.
    let plain = |text: &[u8], sent: bool| {
        let mut desk = Desk::new();
        desk.site.plain = true;
        if sent {
            desk.say(&kept(NEW));
            desk.sent("K884417", "KP-20417", "B1-0314-0017");
        }
        let answers = desk.answers(text, "WK-1", "20260314081502+0000").expect("an answer");
        String::from_utf8(answers.application.expect("the application's")).expect("text")
    };
    let law = plain(&kept("03-oml-o33-law-two-orders-251"), false);
    assert!(law.contains("MSA|AE|"), "{law:?}");
    assert!(law.contains("ERR||OBR^2^4^1^1|103^Table value not found^HL70357|E||||No"), "{law:?}");
    assert_eq!(law.matches("ERR|").count(), 1);
    let cancel = changed(NEW, "ORC|NW", "ORC|CA");
    let out = plain(&cancel, true);
    let wanted = "ERR||ORC^1^1|207^Application internal error^HL70357|E\
                  |result-sent^Result already sent^99WKL|||Result already sent\r";
    assert!(out.contains("MSA|AE|") && out.contains(wanted), "{out:?}");
    // Of two orders one is taken, and no ORC may go back: the sender hears of the other.
    let mut desk = Desk::new();
    desk.site.echo_patient = false;
    let said = desk.say(&kept("03-oml-o33-law-two-orders-251"));
    assert_eq!((said.code.as_str(), said.orders(), said.errors().len()), ("AE", vec![], 1));
    // Where it goes back, it says all.
    let said = Desk::new().say(&kept("03-oml-o33-law-two-orders-251"));
    assert_eq!((said.code.as_str(), said.errors()), ("AA", vec![]));
    assert_eq!(said.orders(), [("OK", ""), ("UA", "test-unknown")]);
}

/// Also where nobody here knows the test that the message names.
#[test]
fn a_cancel_or_a_pause_for_another_patient_is_refused_whatever_else_it_says() {
    for (code, no) in [("CA", "UC"), ("DC", "UD"), ("HD", "UH"), ("XO", "UX"), ("RP", "UM")] {
        for test in ["UADIP^", "UHCG^"] {
            let mut desk = Desk::after(&[NEW]);
            let bytes = changed(NEW, "ORC|NW", &format!("ORC|{code}"));
            let text = String::from_utf8(bytes).expect("text").replace("KP700101", "KP700103");
            let text = text.replace("UADIP^", test).replace("50556-0", "50556-9");
            let said = desk.say(text.replace("KP-20417", "KP-20499").as_bytes());
            assert_eq!((said.code.as_str(), said.orders()), ("AE", vec![(no, "other-patient")]));
            assert_eq!(said.errors(), [("205", "ORC^1^2")], "{code} {test}");
            assert_eq!(desk.standing("K884417"), Some(Standing::Open), "{code} {test}");
        }
    }
}
