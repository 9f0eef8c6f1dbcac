//! Whatever comes: nothing panics, every answer can be read, and no fault or log line can name a patient.

use proptest::prelude::*;
use wickline_forward::hl7::Message;
use wickline_forward::orders::{Given, Profile, read};

use crate::desk::{Desk, Said, kept};

const KEPT: [&str; 14] = [
    "01-oml-o21-new-251",
    "03-oml-o33-law-two-orders-251",
    "05-oml-o33-cancel-251",
    "08-orm-o01-new-231",
    "10-orm-o01-cancel-231",
    "12-oml-o21-replace-251",
    "14-oml-o21-change-stat-251",
    "15-oml-o21-same-specimen-other-patient-251",
    "17-oml-o21-two-specimens-251",
    "18-oml-o35-container-251",
    "19-oml-o21-new-24",
    "22-oml-o33-no-work-251",
    "24-adt-a40-merge-251",
    "26-adt-a08-name-251",
];

/// One thing that goes wrong with a message: bytes, fields and segments changed, doubled, gone or elsewhere.
#[derive(Clone, Debug)]
enum Harm {
    Byte(usize, u8),
    Cut(usize),
    Gone(usize),
    Twice(usize),
    Swap(usize, usize),
    Field(usize, usize, String),
}

fn harm() -> impl Strategy<Value = Harm> {
    let text = prop_oneof![
        Just(String::new()),
        Just("\"\"".to_owned()),
        Just("^^^".to_owned()),
        Just("Heron-Invented^Ada".to_owned()),
        Just("\\X00\\\\E\\\\F\\".to_owned()),
        "[A-Z]{2}",
        "[ -~]{0,30}",
        "\\PC{0,10}",
    ];
    prop_oneof![
        (any::<usize>(), any::<u8>()).prop_map(|(at, byte)| Harm::Byte(at, byte)),
        any::<usize>().prop_map(Harm::Cut),
        any::<usize>().prop_map(Harm::Gone),
        any::<usize>().prop_map(Harm::Twice),
        any::<[usize; 2]>().prop_map(|[a, b]| Harm::Swap(a, b)),
        (any::<usize>(), 0..24_usize, text).prop_map(|(s, f, t)| Harm::Field(s, f, t)),
    ]
}

fn harmed(bytes: Vec<u8>, harm: &Harm) -> Vec<u8> {
    let mut lines: Vec<Vec<u8>> = bytes.split(|b| *b == b'\r').map(<[u8]>::to_vec).collect();
    let many = lines.len();
    match harm {
        Harm::Byte(at, byte) => {
            let mut bytes = bytes;
            let at = at % bytes.len().max(1);
            if let Some(own) = bytes.get_mut(at) {
                *own = *byte;
            }
            return bytes;
        }
        Harm::Cut(at) => return bytes[..at % (bytes.len() + 1)].to_vec(),
        Harm::Gone(at) => drop(lines.remove(at % many)),
        Harm::Twice(at) => lines.insert(at % many, lines[at % many].clone()),
        Harm::Swap(a, b) => lines.swap(a % many, b % many),
        Harm::Field(at, field, text) => {
            let line = &mut lines[at % many];
            let mut fields: Vec<Vec<u8>> = line.split(|b| *b == b'|').map(<[u8]>::to_vec).collect();
            if let Some(own) = fields.get_mut(*field) {
                *own = text.clone().into_bytes();
            }
            *line = fields.join(&b'|');
        }
    }
    lines.join(&b'\r')
}

/// Says a message to a desk, and looks at all that a log or a person could see.
fn say(desk: &mut Desk, bytes: &[u8]) {
    let seen = match read(bytes, &desk.site) {
        Ok(incoming) => format!("{incoming:?}"),
        Err(unread) => format!("{unread:?} {}", unread.fault),
    };
    assert!(!seen.contains("Invented"), "a name can be seen: {seen}");
    let Some(answers) = desk.answers(bytes, "WK-1", "20260314081502+0000") else { return };
    let seen = format!("{:?} {:?}", desk.orders, desk.decided);
    assert!(!seen.contains("Invented"), "a name can be seen: {seen}");
    for answer in [answers.accept, answers.application].into_iter().flatten() {
        let said = Said::read(&answer);
        let orders = said.segments.iter().any(|name| name == "ORC");
        assert!(!(said.code == "AR" && orders), "rejected, and answered one by one");
    }
}

proptest! {
    #![proptest_config(ProptestConfig {
        cases: 1_000, failure_persistence: None, ..ProptestConfig::default()
    })]

    #[test]
    fn whatever_harm_is_done_to_messages_they_are_answered(
        messages in prop::collection::vec(
            (prop::sample::select(&KEPT[..]), prop::collection::vec(harm(), 0..4)), 1..5),
        law in any::<bool>(),
    ) {
        let mut desk = Desk::new();
        desk.site.profile = if law { Profile::Law } else { Profile::Hl7 };
        for (name, harms) in messages {
            let bytes = harms.iter().fold(kept(name), harmed);
            say(&mut desk, &bytes);
        }
    }

    #[test]
    fn bytes_that_are_no_message_are_no_order(bytes in prop::collection::vec(any::<u8>(), 0..300)) {
        let mut desk = Desk::new();
        say(&mut desk, &bytes);
        let headed = [&b"MSH|^~\\&|LIS|K|W|K|20260314||OML^O21^OML_O21|1|P|2.5.1\r"[..], &bytes].concat();
        say(&mut desk, &headed);
        prop_assert_eq!(desk.orders.iter().count(), 0);
    }

    /// What came goes back as it came, whatever separators its sender declares.
    #[test]
    fn a_field_means_the_same_in_our_separators(
        parts in prop::collection::vec(prop::collection::vec("[a-z|^&~\\\\!*$% \n\u{e9}]{0,4}", 1..4), 1..4)
    ) {
        let escape = |text: &String| {
            let mut out = String::new();
            for c in text.chars() {
                match c {
                    '*' => out.push_str("!S!"),
                    '%' => out.push_str("!T!"),
                    '$' => out.push_str("!R!"),
                    '!' => out.push_str("!E!"),
                    '|' => out.push_str("!F!"),
                    '\n' => out.push_str("!X0A!"),
                    c => out.push(c),
                }
            }
            out
        };
        let field: Vec<String> = parts.iter()
            .map(|subs| subs.iter().map(escape).collect::<Vec<_>>().join("%")).collect();
        let text = format!("MSH|*$!%\rORC|{}", field.join("*"));
        let message = Message::read(text.as_bytes()).expect("a message");
        let given = Given::of(&message, message.field("ORC", 1, 1).expect("a field"));
        for (n, subs) in parts.iter().enumerate() {
            for (m, sub) in subs.iter().enumerate() {
                prop_assert_eq!(&given.sub(n + 1, m + 1), sub);
            }
        }
        let kept = format!("MSH|^~\\&\rORC|{}", given.text());
        let own = Message::read(kept.as_bytes()).expect("a message");
        let again = Given::of(&own, own.field("ORC", 1, 1).expect("a field"));
        prop_assert_eq!(again.text(), given.text());
    }
}
