//! Whatever the layout and the report: refused, or read back as it was meant, in the structure's order.

use proptest::prelude::*;
use wickline_forward::hl7::{Layout, Message, Structure};
use wickline_forward::{Outgoing, Version, result_message};
use wickline_normalize::{
    Code, CodeSystem, Comparator, Content, Finality, Observation, Patient, Private, Remark,
    ResultStatus,
};

use crate::sample::{
    Sample, acidity, ascorbate, follows, glucose, glucose_grade, gravity, layout, level_one, local,
    unread,
};

const VERSIONS: [Version; 4] = [Version::V231, Version::V24, Version::V25, Version::V251];
const ANALYTES: [&str; 5] = ["ASC", "GLU", "PH", "SG", "PRO"];
const FIXED: [(&str, &str); 6] = [
    ("MSH-8", "bench"),
    ("OBR-24", "LAB"),
    ("OBX-13", ""),
    ("OBX-17", "STRIP^Test strip^L"),
    ("NTE-2", "O"),
    ("SPM-7", "CC^Clean catch^L"),
];

/// A choice of each kind, as a configuration would word it.
#[derive(Clone, Debug)]
struct Words {
    version: Version,
    structure: &'static str,
    places: Vec<&'static str>,
    names: [&'static str; 2],
    codes: &'static str,
    kinds: [&'static str; 2],
    sent: [bool; 4],
    order: Vec<&'static str>,
    acknowledge: &'static str,
    fixed: Vec<(&'static str, &'static str)>,
    more: [bool; 3],
    status: &'static str,
}

impl Words {
    fn finality(&self) -> Finality {
        self.status.parse().expect("a status")
    }
}

fn words() -> impl Strategy<Value = Words> {
    let one = |list: &'static [&'static str]| prop::sample::select(list);
    let names = || one(&["loinc-first", "local-first", "loinc", "local"]);
    let places = &["obr-2", "obr-3", "spm-2", "pid-3"][..];
    let orders = &["ASC", "GLU", "PH", "SG", "PRO", "*"][..];
    let shape = (
        prop::sample::select(&VERSIONS[..]),
        one(&["ORU^R01", "OUL^R22"]),
        prop::sample::subsequence(places, 1..=4),
        any::<[bool; 4]>(),
        prop::sample::subsequence(&FIXED[..], 0..=3),
        one(&["final", "preliminary", "unverified"]),
    );
    let content = (
        [names(), names()],
        one(&["local-first", "snomed-first", "local", "snomed"]),
        (one(&["CE", "CWE", "ST", "SN"]), one(&["SN", "ST"])),
        prop_oneof![Just(Vec::new()), prop::sample::subsequence(orders, 1..=6).prop_shuffle()],
        one(&["original", "accept", "application", "both"]),
        any::<[bool; 3]>(),
    );
    (shape, content).prop_map(|(shape, content)| {
        let (version, structure, places, sent, fixed, status) = shape;
        let (names, codes, (grade, end), order, acknowledge, more) = content;
        let kinds = [grade, end];
        let (a, b) = ((version, structure, places), (sent, fixed));
        let ((version, structure, places), (sent, fixed)) = (a, b);
        Words {
            version,
            structure,
            places,
            names,
            codes,
            kinds,
            sent,
            order,
            acknowledge,
            fixed,
            more,
            status,
        }
    })
}

fn built(words: &Words) -> Layout {
    let mut l = layout(words.version);
    l.structure = words.structure.parse().expect("a structure");
    l.specimen_in = words.places.join(", ").parse().expect("places");
    l.names = words.names[0].parse().expect("names");
    l.set_names("GLU number", words.names[1]).expect("names");
    l.grade_codes = words.codes.parse().expect("codes");
    l.grade_as = words.kinds[0].parse().expect("a type");
    l.end_as = words.kinds[1].parse().expect("a type");
    for (name, sent) in ["ORC", "SPM", "SFT", "NTE"].into_iter().zip(words.sent) {
        l.set_segment(name, sent).expect("a segment");
    }
    words.order.iter().for_each(|id| l.add_to_order(id).expect("an id"));
    l.status = words.finality();
    l.acknowledge = words.acknowledge.parse().expect("a way");
    words.fixed.iter().for_each(|(field, value)| l.set_fixed(field, value).expect("a value"));
    let [own, panel, profile] = words.more;
    if own {
        l.set_name("GLU grade", "1234^Sugar | grade^L").expect("a name");
    }
    if panel {
        l.panel_local = Some("UADIP^Dipstick^L".parse().expect("a name"));
    }
    if profile {
        l.profile = "KP_ORU".into();
    }
    l
}

/// True where the words alone say that no message could be built: written apart from `check`.
fn contradicts(words: &Words) -> bool {
    let old = matches!(words.version, Version::V231 | Version::V24);
    let [orc, spm, sft, nte] = words.sent;
    let (oul, in_spm) = (words.structure == "OUL^R22", words.places.contains(&"spm-2"));
    let fixed = |segment: &str| words.fixed.iter().any(|(field, _)| field.starts_with(segment));
    let lost = |segment: &str, sent: bool| fixed(segment) && !sent;
    (old && (oul || spm || sft || in_spm || fixed("SPM")))
        || (!spm && (oul || in_spm))
        || (words.more[2] && words.version == Version::V231)
        || lost("ORC", orc)
        || lost("SPM", spm)
        || lost("NTE", nte)
}

fn observations() -> impl Strategy<Value = Vec<Observation>> {
    let comparator = prop::sample::select(
        &[None, Some(Comparator::AtLeast), Some(Comparator::Less), Some(Comparator::More)][..],
    );
    let grade = (prop::sample::select(&["2+", "neg", "4+", "trace ±"][..]), any::<bool>());
    (comparator, "[0-9]{1,4}(\\.[0-9]{1,3})?", grade, 0..4_u8).prop_map(
        |(comparator, digits, (text, snomed), kind)| {
            let alternate = snomed.then(|| Code {
                code: "260348001".into(),
                text: "++".into(),
                system: CodeSystem::SnomedCt,
            });
            let content = Content::Grade { code: local("GLU-X", text), alternate };
            let graded = Observation { content, ..glucose_grade() };
            let measured = glucose(comparator, &digits);
            match kind {
                0 => vec![graded, measured, acidity()],
                1 => vec![ascorbate(), graded, unread()],
                2 => vec![measured, gravity(None, &digits)],
                _ => vec![ascorbate(), graded, measured, acidity(), gravity(None, "1.008")],
            }
        },
    )
}

/// Segments as one word each, to be held against the structure of the version.
fn in_order(message: &Message, layout: &Layout) -> bool {
    let names: Vec<&str> = message.names().collect();
    let new = matches!(layout.version, Version::V25 | Version::V251);
    let before: &[&str] = match layout.structure {
        Structure::Oru => &["MSH", "SFT?", "PID?", "ORC?", "OBR", "NTE*", "TQ1?"],
        Structure::Oul => {
            &["MSH", "SFT?", "PID?", "SPM", "SAC?", "INV?", "OBR", "ORC?", "NTE*", "TQ1?"]
        }
    };
    let mut rest = &names[..];
    let mut take = |pattern: &str| {
        let (name, most) = match pattern.split_at(3) {
            (name, "*") => (name, usize::MAX),
            (name, _) => (name, 1),
        };
        let count = rest.iter().take(most).take_while(|n| **n == name).count();
        rest = &rest[count..];
        count > 0 || pattern.len() > 3
    };
    let begins = before.iter().all(|pattern| take(pattern));
    let mut results = 0;
    while take("OBX") {
        results += 1;
        take("NTE*");
    }
    let ends = layout.structure == Structure::Oul || (take("SPM?") && take("OBX*"));
    let known = new || !names.iter().any(|n| ["SFT", "SPM", "TQ1"].contains(n));
    begins && results > 0 && ends && rest.is_empty() && known
}

/// What a receiver understands of one OBX, whatever type it came in.
fn understood(message: &Message, n: usize) -> (String, String) {
    let part = |field, part| message.component("OBX", n, field, part);
    let value = match part(2, 1).as_str() {
        "SN" => [1, 2, 3, 4].map(|p| part(5, p)).concat(),
        "CE" | "CWE" => part(5, 2),
        _ => part(5, 1),
    };
    (value, part(11, 1))
}

/// The same of what was meant, with the words of SNOMED CT where those come first.
fn meant(observation: &Observation, words: &Words) -> (String, String) {
    let coded = words.kinds[0].starts_with('C') && words.codes.starts_with("snomed");
    let value = match &observation.content {
        Content::Grade { alternate: Some(snomed), .. } if coded => snomed.text.clone(),
        Content::Grade { code, .. } => code.text.clone(),
        Content::Number { comparator, digits, .. } => {
            format!("{}{digits}", comparator.map_or("", Comparator::text))
        }
        Content::Range { from, to, .. } => format!("{from}-{to}"),
        Content::Unread { .. } => String::new(),
    };
    (value, ResultStatus::first(observation, words.finality()).text().to_owned())
}

/// How many OBX say which control material it is: the last ones.
fn material(message: &Message) -> usize {
    let of = |n: &usize| message.component("OBX", *n, 3, 1).starts_with("CONTROL-");
    (1..=message.count("OBX")).rev().take_while(of).count()
}

fn goes_out(observation: &Observation, words: &Words) -> bool {
    let order = &words.order;
    order.is_empty() || order.contains(&"*") || order.contains(&observation.local.code.as_str())
}

fn person() -> Patient {
    let (id, name) = (Some(Private::new("H1")), Some(Private::new("Lantern^Marnie")));
    Patient { id, name, ..Patient::default() }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(1024))]

    #[test]
    fn a_layout_is_refused_exactly_where_its_words_contradict_each_other(words in words()) {
        let checked = built(&words).check();
        prop_assert_eq!(checked.is_err(), contradicts(&words), "{:?}", checked);
    }

    #[test]
    fn what_is_meant_is_what_a_receiver_understands(
        words in words(), observations in observations(), patient: bool, control: bool,
        about in prop::sample::subsequence(&ANALYTES[..], 0..=5),
    ) {
        let layout = built(&words);
        let code = "UA-INT".to_owned();
        let about = about.into_iter().map(str::to_owned).collect();
        let remark = Remark { code, text: "of & one\nremark".into(), about };
        let sample = Sample {
            remarks: vec![remark],
            patient: (patient && !control).then(person),
            ..Sample::new(observations)
        };
        let control = control.then(level_one);
        let out = Outgoing { control, ..sample.outgoing() };
        let sent: Vec<_> = sample.observations.iter().filter(|o| goes_out(o, &words)).collect();
        let two = sample.patient.is_some() && words.places.contains(&"pid-3");
        let mute = two || (control.is_some() && words.version == Version::V231);
        let bytes = match result_message(&layout, &out) {
            Ok(bytes) => bytes,
            Err(fault) => {
                let refused = contradicts(&words) || mute || sent.is_empty();
                prop_assert!(refused, "{}", fault);
                return Ok(());
            }
        };
        prop_assert!(!contradicts(&words) && !mute && !sent.is_empty());
        let message = Message::read(&bytes).map_err(TestCaseError::fail)?;
        prop_assert!(in_order(&message, &layout), "{:?}", message.names().collect::<Vec<_>>());

        let results = message.count("OBX") - material(&message);
        let mut seen: Vec<_> = (1..=results).map(|n| understood(&message, n)).collect();
        let mut expected: Vec<_> = sent.iter().map(|s| meant(s, &words)).collect();
        if !words.order.is_empty() {
            seen.sort();
            expected.sort();
        }
        prop_assert_eq!(seen, expected);
        prop_assert_eq!(message.component("OBR", 1, 25, 1), words.finality().status().text());

        let mut keys: Vec<_> = (1..=results)
            .map(|n| [(3, 1), (3, 3), (4, 1)].map(|(f, p)| message.component("OBX", n, f, p)))
            .collect();
        keys.sort();
        keys.dedup();
        prop_assert_eq!(keys.len(), results, "each result has a name of its own");
        let inventory = message.count("INV") == 1 && message.count("SAC") == 1;
        let named = if words.structure == "OUL^R22" { inventory } else { material(&message) == 3 };
        prop_assert_eq!(named, control.is_some(), "its material, in coded fields");

        let remarks = (1..=message.count("NTE"))
            .filter(|n| message.component("NTE", *n, 3, 1) == "of & one\nremark").count();
        prop_assert_eq!(remarks > 0, words.sent[3], "said at least once, or never");
    }

    /// Whatever the layouts then and now: one history under one OBR-3, as a receiver sees it.
    #[test]
    fn no_changed_value_ever_goes_as_final_under_any_layout(
        history in prop::collection::vec((words(), observations(), 0..5_u8), 2..5),
    ) {
        let mut sent: Vec<Vec<u8>> = Vec::new();
        // By OBX-3 and OBX-4: what was last said.
        let mut has: std::collections::HashMap<[String; 3], [String; 2]> = std::collections::HashMap::new();
        // By OBX-3: whether it was ever told as final, or as less.
        let mut ever: std::collections::HashSet<([String; 2], bool)> = Default::default();
        for (words, observations, gone) in history {
            let now = if gone == 0 && !sent.is_empty() { Vec::new() } else { observations };
            let (layout, sample) = (built(&words), Sample::new(now));
            let before: Vec<&[u8]> = sent.iter().map(Vec::as_slice).collect();
            let made = match sent.len() {
                0 => result_message(&layout, &sample.outgoing()).map(Some),
                _ => follows(&layout, &before, &sample.outgoing(), "read again"),
            };
            let Ok(Some(bytes)) = made else { continue };
            let message = Message::read(&bytes).map_err(TestCaseError::fail)?;
            prop_assert!(in_order(&message, &layout), "{:?}", message.names().collect::<Vec<_>>());
            let mut told = std::collections::HashMap::new();
            for n in 1..=message.count("OBX") {
                prop_assert_eq!(message.component("OBX", n, 1, 1), n.to_string());
                let key = [(3, 1), (3, 3), (4, 1)].map(|(f, p)| message.component("OBX", n, f, p));
                let field = |f| message.field("OBX", n, f).unwrap_or("").to_owned();
                let says = [2, 5, 6, 7, 8].map(field).join("|");
                let known = has.iter().filter(|(k, _)| k[..2] == key[..2]);
                let known: Vec<_> = known.map(|(_, said)| said).collect();
                let ended = ever.contains(&([key[0].clone(), key[1].clone()], true));
                let early = ever.contains(&([key[0].clone(), key[1].clone()], false));
                let kept = known.iter().any(|[said, status]| *said == says && status != "W");
                match field(11).as_str() {
                    "F" => prop_assert!(known.is_empty() || kept || (early && !ended)),
                    "P" | "R" => prop_assert!(!ended && field(11) == words.finality().status().text()),
                    // Under another name perhaps, where the layout changed.
                    "C" => prop_assert!(
                        ever.iter().any(|(_, ended)| *ended)
                            || (ever.is_empty() && words.status == "final")
                    ),
                    _ => {}
                }
                let twice = told.insert(key, [says, field(11)]);
                prop_assert!(twice.is_none(), "each result has a name of its own");
            }
            for (key, [_, status]) in &told {
                let of = |stage| ([key[0].clone(), key[1].clone()], stage);
                match status.as_str() {
                    "F" | "C" => _ = ever.insert(of(true)),
                    "P" | "R" => _ = ever.insert(of(false)),
                    _ => {}
                }
            }
            has.extend(told);
            sent.push(bytes);
        }
    }

    #[test]
    fn control_material_and_patients_are_never_taken_for_each_other(
        words in words(), observations in observations(), patient: bool, control: bool,
    ) {
        let patient = patient.then(person);
        let sample = Sample { patient, ..Sample::new(observations) };
        let control = control.then(level_one);
        let out = Outgoing { control, ..sample.outgoing() };
        let Ok(bytes) = result_message(&built(&words), &out) else { return Ok(()) };
        let message = Message::read(&bytes).map_err(TestCaseError::fail)?;
        let role = message.component("SPM", 1, 11, 1);
        let source = message.field("OBR", 1, 15).unwrap_or("").to_owned();
        let marked = role == "Q" || source.starts_with("^^^^^^Q&");
        prop_assert_eq!(marked, control.is_some());
        if control.is_some() {
            prop_assert!(sample.patient.is_none(), "both at once are refused");
            prop_assert_eq!([message.count("PID"), message.count("PV1")], [0, 0]);
            prop_assert!(role != "P" && !source.starts_with("UR"));
        } else {
            prop_assert!(role == "P" || source.starts_with("UR&Urine"));
            prop_assert!(!String::from_utf8_lossy(&bytes).contains("QC3"));
        }
    }

    #[test]
    fn whatever_is_set_a_layout_never_takes_a_byte_that_ends_a_field(
        field in "(MSH|ORC|OBR|OBX|NTE|SPM|PID)-[0-9]{1,2}", value in any::<String>(),
    ) {
        let mut own = layout(Version::V251);
        if own.set_fixed(&field, &value).is_err() || own.check().is_err() {
            return Ok(());
        }
        let sample = Sample::new(vec![glucose_grade(), unread()]);
        let plain = result_message(&layout(Version::V251), &sample.outgoing()).expect("a message");
        let plain = Message::read(&plain).map_err(TestCaseError::fail)?;
        let set = result_message(&own, &sample.outgoing()).expect("a message");
        let set = Message::read(&set).map_err(TestCaseError::fail)?;
        prop_assert_eq!(plain.names().collect::<Vec<_>>(), set.names().collect::<Vec<_>>());
        for segment in ["MSH", "ORC", "OBR", "OBX", "NTE", "SPM", "TQ1"] {
            for number in 1..30 {
                let (one, two) = (plain.field(segment, 1, number), set.field(segment, 1, number));
                let same = one.unwrap_or("") == two.unwrap_or("");
                let own_place = format!("{segment}-{number}") == field;
                prop_assert!(same || own_place);
            }
        }
    }
}
