//! Results of orders: the kept messages byte by byte, every field as it came, and what is refused.

use proptest::prelude::*;
use wickline_forward::hl7::{
    ControlRole, FillerNumber, Message, Names, OrderedPatient, Outgoing, Party, Structure,
};
use wickline_forward::orders::{Given, Incoming, References, Site, read};
use wickline_forward::{Acknowledge, Charset, Layout, Version, result_message};
use wickline_normalize::{Flag, Patient, Private, Remark};

use crate::desk::{changed, kept, pads};
use crate::report::{Report, acidity, given, glucose, layout, of, references};

fn lines(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("text").replace('\r', "\n")
}

fn text(report: &Report, layout: &Layout) -> String {
    lines(&report.with(|out| result_message(layout, out)).expect("a message"))
}

/// A message with a line behind its PID.
fn with_visit(message: &str, visit: &str) -> String {
    message.replace("\nORC|", &format!("\n{visit}\nORC|"))
}

/// PID-3, 5, 7 and 8 are all that 01 says of its patient. With PID whole its visit goes back as well, which 27 leaves
/// out.
#[test]
fn message_27_is_the_result_of_01() {
    let wanted = lines(&kept("27-oru-r01-from-01-251"));
    let report = Report::answering(references("01-oml-o21-new-251", 0));
    let of = |patient| layout(Version::V251, |l| l.ordered_patient = patient);
    assert_eq!(text(&report, &of(OrderedPatient::Short)), wanted);
    let whole = with_visit(&wanted, "PV1|1|O|WALKIN^R2^^KESTREL");
    assert_eq!(text(&report, &of(OrderedPatient::Whole)), whole);
    let never: String =
        wanted.split_inclusive('\n').filter(|line| !line.starts_with("PID")).collect();
    assert_eq!(text(&report, &of(OrderedPatient::Never)), never);
}

fn analyzers(layout: &mut Layout) {
    layout.structure = Structure::Oul;
    layout.profile = "LAB-29^IHE".into();
    layout.acknowledge = Acknowledge::Application;
    layout.ordered_patient = OrderedPatient::Whole;
}

/// In 28 the results were ready (OBR-22) four minutes before the message was made (MSH-7). Ours is made when they are.
#[test]
fn message_28_is_the_result_of_03_in_the_analyzer_profile() {
    let mut report = Report::answering(references("03-oml-o33-law-two-orders-251", 0));
    report.observations = vec![glucose("G2", "2+", Flag::A), acidity("7.0")];
    (report.id, report.made) = ("WK-00001213", "20260314090520+0000");
    (report.number, report.specimen) = ("18", Private::new("KP-20418"));
    report.orders[0].2 = "B1-0314-0018";
    let wanted = lines(&kept("28-oul-r22-from-03-251"));
    let wanted = wanted.replace("|18||20260314090120+0000|", "|18||20260314090520+0000|");
    let law = layout(Version::V251, analyzers);
    assert_eq!(text(&report, &law), wanted);
    let early = layout(Version::V251, |l| {
        analyzers(l);
        l.status = "preliminary".parse().expect("a status");
    });
    assert_eq!(report.written(&early).field("ORC", 1, 5), Some("A"), "not complete yet");
}

/// 29 has in OBR-7 a time at which neither the cup was taken (no SPM-17) nor the strip read (OBX-19). Ours is when the
/// strip was read.
#[test]
fn message_29_is_a_result_without_an_order_in_the_analyzer_profile() {
    let mut report = Report::new(Vec::new());
    report.observations = vec![glucose("G0", "Negative", Flag::N)];
    (report.id, report.made) = ("WK-00001214", "20260314092520+0000");
    (report.number, report.specimen) = ("19", Private::new("KP-20425"));
    report.filler = "B1-0314-0019";
    let law = layout(Version::V251, |l| {
        analyzers(l);
        l.specimen_namespace = Party::of("WICKLINE");
    });
    let wanted = lines(&kept("29-oul-r22-no-order-251"));
    let wanted = wanted.replace("|20260314092400+0000|", "|20260314090114+0000|");
    assert_eq!(text(&report, &law), wanted);
}

/// As 27: the visit of 08 goes back with PID whole.
#[test]
fn message_30_is_the_result_of_08() {
    let mut report = Report::answering(references("08-orm-o01-new-231", 0));
    report.observations = vec![glucose("G0", "Negative", Flag::N)];
    (report.id, report.made, report.taken) = ("WK-00001215", "20260314090900", "20260314090814");
    (report.number, report.specimen) = ("20", Private::new("KP-20419"));
    report.orders[0].2 = "B1-0314-0020";
    let of =
        |patient| layout(Version::V231, |l| (l.names, l.ordered_patient) = (Names::Local, patient));
    let wanted = lines(&kept("30-oru-r01-from-08-231"));
    assert_eq!(text(&report, &of(OrderedPatient::Short)), wanted);
    let whole = with_visit(&wanted, "PV1|1|I|WARD3^4^B^KESTREL");
    assert_eq!(text(&report, &of(OrderedPatient::Whole)), whole);
}

#[test]
fn what_is_not_needed_goes_back_nowhere() {
    let order = changed("01-oml-o21-new-251", "\rTQ1", "\rNTE|1||Heron\rTQ1");
    let order = String::from_utf8(order).expect("text");
    let asked = "\rDG1|1||R30.0^Heron^I10\rOBX|1|ST|FAST^Heron^L||Heron||||||F\rSPM";
    let order = order.replace("\rSPM", asked);
    let order = order.replace("\rORC", "\rAL1|1||Heron\rIN1|1|Heron\rORC");
    let report = Report::answering(of(order.as_bytes(), 0));
    let whole = layout(Version::V251, |l| l.ordered_patient = OrderedPatient::Whole);
    let said = text(&report, &whole);
    let kept = serde_json::to_string(&report.orders[0].0).expect("JSON");
    for word in ["Heron", "Dysuria", "No such patient"] {
        assert!(!said.contains(word) && !kept.contains(word), "{word}");
    }
}

/// A time without a zone is in its message's; in ours it would be in ours.
#[test]
fn a_collection_time_keeps_its_moment() {
    let order = changed("01-oml-o21-new-251", "20260314080500+0000", "20260314080500");
    let order = String::from_utf8(order)
        .expect("text")
        .replace("20260314081502+0000", "20260314081502-0330");
    let own = of(order.as_bytes(), 0);
    assert_eq!(own.specimens[0].collected.text(), "20260314080500-0330");
    let message = Report::answering(own).written(&layout(Version::V251, |_| {}));
    let times = [("OBR", 7), ("SPM", 17)].map(|(s, n)| message.field(s, 1, n));
    assert_eq!(times, [Some("20260314080500-0330"); 2]);
    let bare = references("08-orm-o01-new-231", 0);
    assert_eq!(bare.collected.text(), "20260314083000", "its message has none either");
}

#[test]
fn of_several_specimens_the_one_goes_back_that_was_measured() {
    let mut report = Report::answering(references("17-oml-o21-two-specimens-251", 0));
    for id in ["KP-20421", "KP-20422"] {
        report.specimen = Private::new(id);
        let message = report.written(&layout(Version::V251, |_| {}));
        assert_eq!(
            (message.count("SPM"), message.component("SPM", 1, 2, 1)),
            (1, format!("{id}&LIS"))
        );
    }
    report.specimen = Private::new("KP-20417");
    assert_eq!(report.refused(&layout(Version::V251, |_| {})).0, "SPM-2.1");
}

#[test]
fn containers_go_back_by_specimen() {
    let report = Report::answering(references("18-oml-o35-container-251", 0));
    let oul = layout(Version::V251, |l| l.structure = Structure::Oul);
    let message = report.written(&oul);
    let wanted = kept("18-oml-o35-container-251");
    let wanted = Message::read(&wanted).expect("a message");
    for n in [3, 4] {
        assert_eq!(given(&message, "SAC", 1, n), given(&wanted, "SAC", 1, n));
    }
    assert_eq!(report.written(&layout(Version::V251, |_| {})).count("SAC"), 0, "ORU^R01 has none");
}

/// Table 0487 of 2.5 and table 0070 before it call urine alike as far as both have it.
#[test]
fn an_order_of_another_version_says_what_urine_it_is() {
    let new = Report::answering(references("01-oml-o21-new-251", 0));
    let message = new.written(&layout(Version::V231, |_| {}));
    assert_eq!(message.field("OBR", 1, 15), Some("URC&Urine clean catch&HL70070"));
    assert_eq!(message.field("OBR", 1, 5), Some("R"));
    let order = changed("08-orm-o01-new-231", "UR&Urine&HL70070", "URC^Urine clean catch^HL70070");
    let message = Report::answering(of(&order, 0)).written(&layout(Version::V251, |_| {}));
    assert_eq!(message.field("SPM", 1, 4), Some("URC^Urine clean catch^HL70487"));
    let oul = layout(Version::V251, |l| l.structure = Structure::Oul);
    let message = Report::answering(of(&order, 0)).written(&oul);
    assert_eq!(message.field("TQ1", 1, 9), Some("S^Stat^HL70485"));
}

#[test]
fn an_orders_own_filler_number_stands_where_the_receiver_wants_it() {
    let order =
        changed("01-oml-o21-new-251", "ORC|NW|K884417^LIS||", "ORC|NW|K884417^LIS|F77^LIS|");
    let mut report = Report::answering(of(&order, 0));
    let theirs = |version| layout(version, |l| l.filler = FillerNumber::Ordered);
    let seen = |report: &Report, layout: &Layout| {
        let message = report.written(layout);
        let field = |s, n| message.field(s, 1, n).unwrap_or("").to_owned();
        [field("ORC", 3), field("OBR", 3), field("OBR", 20), field("OBR", 21)]
    };
    let ours = ["B1-0314-0017^WICKLINE", "B1-0314-0017^WICKLINE", "17", ""];
    assert_eq!(seen(&report, &layout(Version::V251, |_| {})), ours);
    let new = ["F77^LIS", "F77^LIS", "17", "B1-0314-0017"];
    assert_eq!(seen(&report, &theirs(Version::V251)), new);
    let old = ["F77^LIS", "F77^LIS", "B1-0314-0017", "BENCH-1"];
    assert_eq!(seen(&report, &theirs(Version::V231)), old);
    // An order that sends a number of ours back, of another report perhaps, has none of its own.
    report.orders[0].0.filler = Given::kept("B1-0313-0009^WICKLINE");
    assert_eq!(seen(&report, &theirs(Version::V251)), ours);
    report.orders[0].0.filler = Given::default();
    assert_eq!(seen(&report, &theirs(Version::V251)), ours);
}

#[test]
fn layouts_that_contradict_what_orders_bring_are_refused() {
    let fault = |version, change: fn(&mut Layout)| {
        let faults = layout(version, change).check().err().unwrap_or_default();
        faults.iter().map(|fault| fault.field).collect::<Vec<_>>()
    };
    assert_eq!(fault(Version::V251, analyzers), [""; 0]);
    assert_eq!(fault(Version::V25, analyzers), ["MSH-21"]);
    let by_order: fn(&mut Layout) = |l| l.profile = "X^Y~LAB-29^IHE".into();
    assert_eq!(fault(Version::V251, by_order), ["MSH-21"]);
    let in_obr_2: fn(&mut Layout) = |l| {
        analyzers(l);
        l.specimen_in = "both".parse().expect("places");
    };
    assert_eq!(fault(Version::V251, in_obr_2), ["OBR-2"]);
    let theirs: fn(&mut Layout) = |l| {
        (l.filler, l.specimen_in) = (FillerNumber::Ordered, "obr-3".parse().expect("places"));
    };
    assert_eq!(fault(Version::V24, theirs), ["OBR-3"]);
    let patient: fn(&mut Layout) = |l| {
        let places = "spm-2, pid-3".parse().expect("places");
        (l.ordered_patient, l.specimen_in) = (OrderedPatient::Short, places);
    };
    assert_eq!(fault(Version::V251, patient), ["PID-3"]);
}

#[test]
fn control_material_and_another_patient_get_nothing_of_an_order() {
    let report = Report::answering(references("01-oml-o21-new-251", 0));
    let new = layout(Version::V251, |_| {});
    let control = Some(ControlRole { level: "1", lot: None, expires: None });
    let fault = report.with(|out| result_message(&new, &Outgoing { control, ..*out }));
    assert_eq!(fault.expect_err("a fault").field, "ORC");
    let (orders, unordered) = (&[][..], Some(&[][..]));
    let fault =
        report.with(|out| result_message(&new, &Outgoing { control, orders, unordered, ..*out }));
    assert_eq!(fault.expect_err("nor what goes beside an order").field, "ORC");

    let mut two = Report::answering(references("01-oml-o21-new-251", 0));
    let other = references("03-oml-o33-law-two-orders-251", 0);
    two.orders.push((other, pads(&["GLU"]), "B1-0314-0018"));
    assert_eq!(two.refused(&new).0, "PID");
    two.orders[1].0 = two.orders[1].0.clone().without_patient();
    two.written(&new);

    for (field, text) in [("SPM-11", "|P^Patient^HL70369|"), ("OBR-15", "|||D0417^Marsh")] {
        let to = if field == "SPM-11" {
            "|Q^Control specimen^HL70369|"
        } else {
            "||^^^^^^Q&Control specimen&HL70369|D0417^Marsh"
        };
        let order = changed("01-oml-o21-new-251", text, to);
        assert_eq!(Report::answering(of(&order, 0)).refused(&new).0, "SPM-11", "{field}");
    }
}

/// Never a mixture of what the order says and what the analyzer printed.
#[test]
fn where_an_orders_patient_goes_the_printed_one_does_not() {
    let some = |text: &str| Some(Private::new(text));
    let born = some("19710206");
    let patient = Patient { id: some("H1"), name: some("Lantern^Marnie"), born, sex: some("M") };
    let order = changed("01-oml-o21-new-251", "||19580203|F", "");
    let report = Report::answering(of(&order, 0));
    for what in [OrderedPatient::Short, OrderedPatient::Whole] {
        let own = layout(Version::V251, |l| l.ordered_patient = what);
        let bytes =
            report.with(|out| result_message(&own, &Outgoing { patient: Some(&patient), ..*out }));
        let message = Message::read(&bytes.expect("a message")).expect("a message");
        let field = |n| message.field("PID", 1, n).unwrap_or("").to_owned();
        let wanted = ["KP700101^^^KESTREL^MR", "Sandpiper-Invented^Odile^^^^^L", "", ""];
        assert_eq!([3, 5, 7, 8].map(field), wanted);
    }
}

#[test]
fn what_a_charset_or_a_field_cannot_take_is_refused_by_its_name() {
    let order = |from: &str, to: &str| {
        let order = changed("03-oml-o33-law-two-orders-251", from, to);
        Report { specimen: Private::new("KP-20418"), ..Report::answering(of(&order, 0)) }
    };
    let with = |charset| {
        layout(Version::V251, |l| {
            (l.charset, l.ordered_patient) = (charset, OrderedPatient::Whole);
        })
    };
    let polish = order("Curlew-Invented^Tomé", "Żuraw-Invented^Łucja");
    let (field, words) = polish.refused(&with(Charset::Latin1));
    assert_eq!(field, "PID-5");
    assert!(words.contains("8859/1") && !words.contains("uraw") && !words.contains('Ż'), "{words}");
    assert_eq!(polish.refused(&with(Charset::Ascii)).0, "PID-5");
    assert_eq!(polish.written(&with(Charset::Utf8)).component("PID", 1, 5, 1), "Żuraw-Invented");
    let latin = order("Tomé", "Tomé");
    let bytes = latin.with(|out| result_message(&with(Charset::Latin1), out)).expect("a message");
    assert!(bytes.windows(4).any(|four| four == b"Tom\xE9"), "one byte a letter");

    let long = order("Curlew", &"C".repeat(300));
    let (field, words) = long.refused(&with(Charset::Utf8));
    assert!(field == "PID-5" && !words.contains("CCC"), "{words}");
    let mut long = order("Tomé", "Tom");
    long.orders[0].0.placer_field_1 = Given::plain(&"&".repeat(60));
    assert_eq!(long.written(&with(Charset::Ascii)).component("OBR", 1, 18, 1), "&".repeat(60));
    long.orders[0].0.placer_field_1 = Given::plain(&"&".repeat(61));
    assert_eq!(long.refused(&with(Charset::Ascii)).0, "OBR-18");
    // What was kept is not believed to be whole.
    for bad in ["A\rZZZ|1", "A|B", "A\u{85}B"] {
        long.orders[0].0.placer_field_1 = Given::kept(bad);
        assert_eq!(long.refused(&with(Charset::Utf8)).0, "OBR-18", "{bad:?}");
    }
}

#[test]
fn a_fixed_value_stands_back_for_what_an_order_brought() {
    let fixed = layout(Version::V251, |l| {
        l.set_fixed("OBR-18", "BENCH").expect("a value");
        l.set_fixed("ORC-21", "Kestrel").expect("a value");
    });
    let message = Report::answering(references("01-oml-o21-new-251", 0)).written(&fixed);
    let seen = [("OBR", 18), ("ORC", 21)].map(|(s, n)| message.field(s, 1, n));
    assert_eq!(seen, [Some("BAG 7"), Some("Kestrel")]);
    let message = Report::new(Vec::new()).written(&fixed);
    assert_eq!(message.field("OBR", 1, 18), Some("BENCH"));
}

#[test]
fn an_order_hears_remarks_about_its_own_pads_alone() {
    let mut report = Report::answering(references("01-oml-o21-new-251", 0));
    report.orders[0].1 = pads(&["GLU"]);
    let about = |id: &str, text: &str| Remark { about: vec![id.into()], ..Remark::new("", text) };
    report.remarks = vec![
        Remark::new("", "whole"),
        about("GLU", "sugar"),
        about("PH", "acid"),
        about("BLD", "blood"),
    ];
    let message = report.written(&layout(Version::V251, |_| {}));
    let notes: Vec<String> =
        (1..=message.count("NTE")).map(|n| message.component("NTE", n, 3, 1)).collect();
    assert_eq!((notes, message.count("OBX")), (vec!["whole".to_owned(), "sugar".into()], 1));
}

/// Written by hand: what an earlier version kept, and what a later one may add.
#[test]
fn kept_references_can_be_read_by_another_version() {
    let kept = r#"{"placer":"K884417^LIS","test":"UADIP^Urine strip^99KPL","from_a_later_version":{"a":[1]},
        "specimens":[{"label":"KP-20417","id":"KP-20417&LIS","colour":"x"}],"patient_id":"KP700101^^^KESTREL",
        "patient":{"3":"KP700101^^^KESTREL^MR","5":"Sandpiper-Invented^Odile"},"visit_class":"O"}"#;
    let references: References = serde_json::from_str(kept).expect("references");
    assert_eq!(references.patient_field(5).text(), "Sandpiper-Invented^Odile");
    assert_eq!(references.specimens[0].id.text(), "KP-20417&LIS");
    let empty: References = serde_json::from_str("{}").expect("references");
    assert_eq!(serde_json::to_string(&empty).expect("JSON"), "{}");
    let bare = serde_json::to_string(&references.without_patient()).expect("JSON");
    let wanted = r#"{"placer":"K884417^LIS","test":"UADIP^Urine strip^99KPL","#.to_owned()
        + r#""specimens":[{"label":"KP-20417","id":"KP-20417&LIS"}]}"#;
    assert_eq!(bare, wanted);
}

#[test]
fn a_merge_replaces_the_patient_and_nothing_else() {
    let before = references("01-oml-o21-new-251", 0);
    let Ok(Incoming::Merge(_, pairs)) = read(&kept("24-adt-a40-merge-251"), &Site::new("lis"))
    else {
        panic!("a merge")
    };
    let after = before.clone().with_patient(&pairs[0].1);
    assert_eq!(after.patient_id.text(), "KP700103^^^KESTREL");
    assert_ne!(after.patient, before.patient);
    let visit = after.visit_class.clone();
    assert_eq!((visit.text(), after.clone().without_patient()), ("O", before.without_patient()));
    let shown = format!("{after:?}");
    assert!(
        !shown.contains("KP7") && !shown.contains("Plover") && !shown.contains("K884417"),
        "{shown}"
    );
}

/// One part of a field: any letters, separators, escapes and marks that turn the direction of what follows.
fn part(most: usize) -> impl Strategy<Value = String> {
    let letter = prop_oneof![
        6 => prop::char::range('!', '~'),
        1 => prop::sample::select("|^&~\\\" \u{202E}\u{200F}ée\u{301}\u{65E5}".chars().collect::<Vec<_>>()),
    ];
    prop::collection::vec(letter, 1..=most)
        .prop_map(|letters| letters.into_iter().collect::<String>())
        .prop_filter("two quotes erase", |text| text != "\"\"")
}

/// A field of so many parts, in our own separators.
fn field(parts: usize, most: usize) -> impl Strategy<Value = String> {
    prop::collection::vec(part(most), parts).prop_map(|parts| {
        let parts: Vec<String> =
            parts.iter().map(|part| Given::plain(part).text().to_owned()).collect();
        parts.join("^")
    })
}

/// The fields of an order that go back, each with its place there.
const PLACES: [(&str, usize, usize, usize); 18] = [
    ("ORC", 2, 2, 10),
    ("ORC", 3, 2, 10),
    ("ORC", 4, 2, 10),
    ("ORC", 21, 3, 20),
    ("OBR", 4, 6, 15),
    ("OBR", 15, 1, 30),
    ("OBR", 16, 4, 20),
    ("OBR", 18, 1, 60),
    ("OBR", 19, 1, 60),
    ("OBR", 29, 2, 20),
    ("SPM", 2, 2, 20),
    ("SPM", 4, 3, 20),
    ("SAC", 3, 2, 20),
    ("PID", 3, 5, 12),
    ("PID", 5, 3, 30),
    ("PID", 18, 2, 20),
    ("PV1", 3, 4, 20),
    ("PV1", 19, 1, 20),
];

fn segment(name: &str, fields: &[(usize, &str)]) -> String {
    let last = fields.iter().map(|(n, _)| *n).max().unwrap_or(0);
    let text = |n: usize| fields.iter().find(|(at, _)| *at == n).map_or("", |(_, text)| text);
    (1..=last).fold(name.to_owned(), |line, n| line + "|" + text(n)) + "\r"
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    #[test]
    fn from_the_order_to_the_result_every_field_is_the_same_text(
        texts in PLACES.map(|(_, _, parts, most)| field(parts, most)).into_iter().collect::<Vec<_>>(),
        version in prop::sample::select(&[Version::V231, Version::V24, Version::V25, Version::V251][..]),
        oul: bool, theirs: bool,
    ) {
        let of = |name: &str| {
            let own = PLACES.iter().zip(&texts).filter(|((s, ..), _)| *s == name);
            own.map(|((_, n, ..), text)| (*n, text.as_str())).collect::<Vec<_>>()
        };
        let order = [
            "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314081502+0000||OML^O21^OML_O21|KL1|P|2.5.1".to_owned(),
            "||||||UNICODE UTF-8\r".to_owned(),
            segment("PID", &of("PID")),
            segment("PV1", &[&[(2, "I")][..], &of("PV1")].concat()),
            segment("ORC", &[&[(1, "NW")][..], &of("ORC")].concat()),
            segment("OBR", &of("OBR")),
            segment("SPM", &of("SPM")),
            segment("SAC", &of("SAC")),
        ].concat();
        let site = Site::new("lis");
        let Ok(Incoming::Orders(message)) = read(order.as_bytes(), &site) else {
            return Err(TestCaseError::reject("a field that makes it no order"));
        };
        prop_assume!(message.orders[0].fault.is_none());
        let references = References::of(&message, &message.orders[0], &site);
        let again = serde_json::to_string(&references).expect("JSON");
        prop_assert_eq!(&serde_json::from_str::<References>(&again).expect("JSON"), &references);
        let new = version.has_spm();
        let layout = layout(version, |l| {
            l.charset = Charset::Utf8;
            l.ordered_patient = OrderedPatient::Whole;
            l.filler = if theirs { FillerNumber::Ordered } else { FillerNumber::Ours };
            l.structure = if oul && new { Structure::Oul } else { Structure::Oru };
        });
        let report = Report::answering(references);
        let bytes = match report.with(|out| result_message(&layout, out)) {
            Ok(bytes) => bytes,
            // The panel's name is shorter there.
            Err(fault) => {
                prop_assert!(fault.field == "OBR-4" && version == Version::V231, "{}", fault);
                return Ok(());
            }
        };
        let sent = Message::read(&bytes).map_err(TestCaseError::fail)?;
        for ((name, n, ..), text) in PLACES.iter().zip(&texts) {
            let there = match (*name, *n) {
                ("ORC", 3) => theirs,
                ("OBR", 15) => !new,
                ("SPM", _) => new,
                ("SAC", _) => oul && new,
                _ => true,
            };
            if there {
                prop_assert_eq!(sent.field(name, 1, *n), Some(text.as_str()), "{}-{}", name, n);
            }
        }
        let pairs = [(("ORC", 2), ("OBR", 2)), (("ORC", 3), ("OBR", 3)), (("ORC", 12), ("OBR", 16))];
        for (one, two) in pairs {
            prop_assert_eq!(sent.field(one.0, 1, one.1), sent.field(two.0, 1, two.1));
        }
        let names: Vec<&str> = sent.names().collect();
        let known = ["MSH", "PID", "PV1", "ORC", "OBR", "OBX", "SPM", "SAC", "TQ1"];
        prop_assert!(names.iter().all(|name| known.contains(name)), "{:?}", names);
        prop_assert_eq!(sent.count("OBX"), 2);
    }
}

/// HL7 v2.5.1 chapter 7 has TQ1 behind the OBR of ORU^R01; by table 0485 what is not said is routine, as in 27.
#[test]
fn an_urgent_order_is_answered_as_urgent() {
    let order = changed("01-oml-o21-new-251", "R^Routine^HL70485", "S^Stat^HL70485");
    let message = Report::answering(of(&order, 0)).written(&layout(Version::V251, |_| {}));
    assert_eq!(message.field("TQ1", 1, 9), Some("S^Stat^HL70485"));
    let names: Vec<&str> = message.names().collect();
    let at = |name| names.iter().position(|own| *own == name);
    assert!(at("OBR") < at("TQ1") && at("TQ1") < at("OBX"), "{names:?}");
}
