//! What an analyst may choose, choice by choice, and what is refused with its reason.

use wickline_forward::hl7::{
    EndAs, GradeAs, GradeCodes, Layout, Message, Name, Names, Party, SpecimenIn, Structure,
};
use wickline_forward::{Outgoing, Version, result_message};
use wickline_normalize::{Code, CodeSystem, Comparator, Content, Observation, Patient, Private};

use crate::sample::{
    Sample, acidity, ascorbate, changed, fault, glucose, glucose_grade, gravity, layout,
    leukocytes, level_one, local, read_with, unread,
};

const ALL: [Version; 4] = [Version::V231, Version::V24, Version::V25, Version::V251];
const NEW: [Version; 2] = [Version::V25, Version::V251];

fn routine() -> Sample {
    let end = glucose(Some(Comparator::AtLeast), "2400");
    Sample::new(vec![ascorbate(), glucose_grade(), end, acidity(), gravity(None, "1.020")])
}

fn with_snomed() -> Observation {
    let sct = Code { code: "260348001".into(), text: "++".into(), system: CodeSystem::SnomedCt };
    let content = Content::Grade { code: local("GLU-2P", "2+"), alternate: Some(sct) };
    Observation { content, ..glucose_grade() }
}

fn field(message: &Message, segment: &str, nth: usize, number: usize) -> String {
    message.field(segment, nth, number).unwrap_or("").to_owned()
}

fn column(message: &Message, number: usize) -> Vec<String> {
    (1..=message.count("OBX")).map(|n| field(message, "OBX", n, number)).collect()
}

fn faults(layout: &Layout) -> Vec<&'static str> {
    layout.check().expect_err("this must be refused").into_iter().map(|f| f.field).collect()
}

#[test]
fn the_specimen_id_goes_to_each_place_that_is_asked_for() {
    let sample = routine();
    let places = |layout: &Layout| {
        let message = read_with(layout, &sample.outgoing());
        [("ORC", 2), ("OBR", 2), ("OBR", 3), ("PID", 3), ("SPM", 2)]
            .map(|(segment, n)| field(&message, segment, 1, n))
    };
    let set =
        |version, words: &str| changed(version, |l| l.specimen_in = words.parse().expect("places"));
    let (id, ours) = ("KP-004417", "KP1-417^WICKLINE");
    let both = "KP-004417^KP1-417";
    assert_eq!(places(&set(Version::V251, "obr-3")), ["", "", both, "", ""]);
    assert_eq!(places(&set(Version::V251, "pid-3")), ["", "", ours, id, ""]);
    assert_eq!(places(&set(Version::V251, "pid-3, spm-2")), ["", "", ours, id, id]);
    let all = "obr-2 obr-3 pid-3 spm-2";
    assert_eq!(places(&set(Version::V25, all)), [id, id, both, id, id]);
    assert_eq!(places(&set(Version::V231, "obr-2, pid-3")), [id, id, ours, id, ""]);
    for bad in ["", " ", "pid-2", "obr-2;obr-3"] {
        assert!(bad.parse::<SpecimenIn>().expect_err(bad).contains("obr-2, obr-3, spm-2"));
    }
}

#[test]
fn a_specimen_id_in_obr_3_leaves_room_for_our_number_or_is_refused() {
    let layout = changed(Version::V251, |l| l.specimen_in = "obr-3".parse().expect("places"));
    for (long, fits) in [(14, true), (15, false)] {
        let specimen = Private::new("K".repeat(long));
        let sample = routine();
        let out = Outgoing { specimen: &specimen, ..sample.outgoing() };
        if fits {
            let message = read_with(&layout, &out);
            assert_eq!(field(&message, "OBR", 1, 3).len(), 22);
            assert_eq!(field(&message, "ORC", 1, 3), field(&message, "OBR", 1, 3));
        } else {
            let found = fault(&layout, &out);
            assert_eq!(found.field, "OBR-3");
            assert!(!found.to_string().contains("KK"), "a specimen id is not quoted: {found}");
        }
    }
}

#[test]
fn a_specimen_id_in_pid_3_needs_no_name_and_stands_beside_no_patient() {
    let filed = |version| changed(version, |l| l.specimen_in = "pid-3".parse().expect("places"));
    let person = Patient {
        id: Some(Private::new("H004417")),
        name: Some(Private::new("Lantern^Marnie")),
        ..Patient::default()
    };
    let known = Sample { patient: Some(person), ..routine() };
    for version in ALL {
        let message = read_with(&filed(version), &routine().outgoing());
        assert_eq!([3, 5].map(|n| field(&message, "PID", 1, n)), ["KP-004417", "^^^^^^U"]);
        let found = fault(&filed(version), &known.outgoing());
        assert!(found.field == "PID-3" && found.found.contains("beside the specimen's"), "{found}");
    }
    let specimen = Private::new("K".repeat(16));
    let sample = routine();
    let out = Outgoing { specimen: &specimen, ..sample.outgoing() };
    assert_eq!(fault(&filed(Version::V251), &out).field, "PID-3");
    assert_eq!(field(&read_with(&filed(Version::V24), &out), "PID", 1, 3).len(), 16);
}

#[test]
fn control_material_keeps_its_id_without_a_patient() {
    let layout = changed(Version::V251, |l| l.specimen_in = "pid-3".parse().expect("places"));
    let sample = routine();
    let out = Outgoing { control: Some(level_one()), ..sample.outgoing() };
    let message = read_with(&layout, &out);
    assert_eq!(message.count("PID"), 0);
    assert_eq!(field(&message, "OBR", 1, 2), "KP-004417");
}

#[test]
fn the_panel_has_the_receivers_words_before_or_behind_ours() {
    let own: Name = "UADIP^Dip|stick^99KPC".parse().expect("a name");
    let layout = changed(Version::V251, |l| l.panel_local = Some(own.clone()));
    let message = read_with(&layout, &routine().outgoing());
    let panel = "Urinalysis dipstick panel - Urine by Automated test strip";
    let expected = format!("50556-0^{panel}^LN^UADIP^Dip\\F\\stick^99KPC");
    assert_eq!(field(&message, "OBR", 1, 4), expected);
    let alone = changed(Version::V24, |l| l.panel = own.clone());
    let message = read_with(&alone, &routine().outgoing());
    assert_eq!(field(&message, "OBR", 1, 4), "UADIP^Dip\\F\\stick^99KPC");
    assert_eq!(faults(&changed(Version::V231, |l| l.panel = own.clone())), ["OBR-4"]);
    let wrong = Name { code: "50556-1".into(), ..wickline_forward::hl7::panel_automated() };
    let wrong = changed(Version::V251, |l| l.panel = wrong);
    assert!(wrong.check().expect_err("a check digit")[0].allowed.contains("check digit"));
    let wide = Name { text: "x".repeat(199), ..own };
    let wide = changed(Version::V251, |l| l.panel_local = Some(wide));
    assert_eq!(faults(&wide), ["OBR-4"], "250 characters in all");
}

/// In the receiver's own names a system must be of the version, and a code of its system; our own codes are never
/// called by a published one.
#[test]
fn a_coding_system_is_one_of_its_version_and_true() {
    let panel = |version, text: &str| {
        let name = text.parse().expect("a name");
        changed(version, |l| l.panel = name).check().is_ok()
    };
    for (text, from) in [
        ("81003^Urinalysis^C4", Version::V231),
        ("122575003^Urine^SCT", Version::V231),
        ("UADIP^Dipstick^L", Version::V231),
        ("UADIP^Dipstick^99KPC", Version::V24),
        ("1A010000000190111^Urinalysis^JC10", Version::V25),
    ] {
        for version in ALL {
            assert_eq!(panel(version, text), version >= from, "{text} in {version}");
        }
    }
    for bad in ["8100^Urinalysis^C4", "122575004^Urine^SCT", "50556-1^p^LN", "1^x^JC11", "1^x^CPT"]
    {
        assert!(!panel(Version::V251, bad), "{bad}");
    }
    for published in ["LN", "SCT", "C4", "JC10", "99kpc", ""] {
        let own = changed(Version::V251, |l| l.local_system = published.into());
        assert_eq!(faults(&own), ["OBX-3.6"], "{published}");
    }
}

#[test]
fn analytes_go_by_the_names_that_are_asked_for() {
    let names = |change: &dyn Fn(&mut Layout)| {
        let layout = changed(Version::V251, change);
        column(&read_with(&layout, &routine().outgoing()), 3)
    };
    let loinc = "50555-2^Glucose [Presence] in Urine by Automated test strip^LN";
    let ours = "GLU^Glucose^99WKL";
    let at = |change: &dyn Fn(&mut Layout), n: usize| names(change)[n].clone();
    assert_eq!(at(&|_| (), 1), format!("{loinc}^{ours}"));
    assert_eq!(at(&|l| l.names = Names::LocalFirst, 1), format!("{ours}^{loinc}"));
    assert_eq!(at(&|l| l.names = Names::Published, 1), loinc);
    assert_eq!(at(&|l| l.names = Names::Local, 1), ours);
    assert_eq!(at(&|l| l.names = Names::Published, 0), "ASC^Ascorbate^99WKL", "there is no other");
    let special = |l: &mut Layout| {
        l.set_name("GLU", "1234^Sugar^99KPC").expect("a name");
        l.set_name("GLU number", "1235^Sugar, amount^99KPC").expect("a name");
        l.set_names("GLU number", "local").expect("a choice");
        l.set_name("ASC", "77^Vitamin C^99KPC").expect("a name");
    };
    assert_eq!(at(&special, 0), "77^Vitamin C^99KPC");
    assert_eq!(at(&special, 1), format!("{loinc}^1234^Sugar^99KPC"));
    assert_eq!(at(&special, 2), "1235^Sugar, amount^99KPC");
    assert!(at(&special, 3).ends_with("^PH^pH^99WKL"), "others as before");
    assert_eq!(at(&|l| l.local_system = "99KPC".into(), 1), format!("{loinc}^GLU^Glucose^99KPC"));
    let mut layout = layout(Version::V251);
    for bad in ["", "GLU/x", "GLU rung", "é", "*"] {
        assert!(layout.set_name(bad, "1^2^L").is_err(), "{bad}");
    }
    assert!(layout.set_name("GLU", "1234").expect_err("no system").contains("CODE^TEXT^SYSTEM"));
    assert!(layout.set_names("GLU", "both").expect_err("a word").contains("loinc-first"));
    layout.set_name("GLU", "5792-8^Glucose^LN").expect("well formed");
    assert_eq!(faults(&layout), ["OBX-3"], "its check digit");
}

#[test]
fn results_that_share_the_name_they_are_sent_by_are_told_apart() {
    let sub = |names| {
        let layout = changed(Version::V251, |l| l.names = names);
        column(&read_with(&layout, &routine().outgoing()), 4)
    };
    assert_eq!(sub(Names::PublishedFirst), [""; 5]);
    assert_eq!(sub(Names::Published), [""; 5]);
    assert_eq!(sub(Names::Local), ["1", "1", "2", "1", "1"]);
    assert_eq!(sub(Names::LocalFirst), ["1", "1", "2", "1", "1"]);
}

#[test]
fn grades_carry_the_codes_and_the_type_that_are_asked_for() {
    let sample = Sample::new(vec![with_snomed(), ascorbate(), unread()]);
    let value = |kind, codes| {
        let layout = changed(Version::V251, |l| (l.grade_as, l.grade_codes) = (kind, codes));
        let message = read_with(&layout, &sample.outgoing());
        [1, 2, 3].map(|n| [2, 5].map(|f| field(&message, "OBX", n, f)).join(" "))
    };
    let (own, sct) = ("GLU-2P^2+^99WKL", "260348001^++^SCT");
    let ce = |text: String| [format!("CE {text}"), "CE ASC-NEG^neg^99WKL".into(), "CE ".into()];
    assert_eq!(value(GradeAs::Ce, GradeCodes::LocalFirst), ce(format!("{own}^{sct}")));
    assert_eq!(value(GradeAs::Ce, GradeCodes::SnomedFirst), ce(format!("{sct}^{own}")));
    assert_eq!(value(GradeAs::Ce, GradeCodes::Local), ce(own.into()));
    assert_eq!(value(GradeAs::Ce, GradeCodes::Snomed), ce(sct.into()));
    for codes in [GradeCodes::LocalFirst, GradeCodes::Snomed] {
        assert_eq!(value(GradeAs::St, codes), ["ST 2+", "ST neg", "ST "]);
        assert_eq!(value(GradeAs::Sn, codes), ["SN ^2^+", "ST neg", "ST "]);
    }
    let special = changed(Version::V24, |l| {
        l.set_grade_as("GLU", "ST").expect("a type");
        l.set_end_as("GLU", "ST").expect("a type");
    });
    let message = read_with(&special, &routine().outgoing());
    assert_eq!(column(&message, 2), ["CE", "ST", "ST", "NM", "NM"]);
    assert_eq!(column(&message, 5)[2], ">=2400");
    assert_eq!(column(&message, 6)[2], "mg/dL^mg/dL^UCUM", "the unit stays beside it");
}

#[test]
fn ends_of_ladders_go_as_structured_numbers_or_as_text() {
    for (end_as, expected) in [(EndAs::Sn, ["SN", ">=^2400"]), (EndAs::St, ["ST", ">=2400"])] {
        for version in ALL {
            let layout = changed(version, |l| l.end_as = end_as);
            let message = read_with(&layout, &routine().outgoing());
            assert_eq!([2, 5].map(|f| field(&message, "OBX", 3, f)), expected, "{version}");
        }
    }
}

/// SN is comparator, number, separator or suffix, number (HL7 v2.3.1 to 2.5.1, chapter 2, data type SN): the
/// standard gives a range as number, hyphen, number.
#[test]
fn ranges_go_as_structured_numbers_or_as_text() {
    for (end_as, expected) in [(EndAs::Sn, ["SN", "^10^-^25"]), (EndAs::St, ["ST", "10-25"])] {
        for version in ALL {
            let layout = changed(version, |l| l.end_as = end_as);
            let message = read_with(&layout, &Sample::new(vec![leukocytes("10", "25")]).outgoing());
            assert_eq!([2, 5].map(|f| field(&message, "OBX", 1, f)), expected, "{version}");
            assert_eq!(field(&message, "OBX", 1, 6), "{Leu}/uL^Leu/uL^UCUM", "{version}");
            assert_eq!(
                wickline_forward::hl7::shown(&message, 1).value,
                "10-25",
                "as people read it"
            );
        }
    }
    let wrong = Sample::new(vec![leukocytes("10", "2^5")]);
    assert!(result_message(&layout(Version::V251), &wrong.outgoing()).is_err());
}

#[test]
fn analytes_go_in_the_order_that_is_asked_for_or_not_at_all() {
    let order = |words: &[&str]| {
        let layout = changed(Version::V251, |l| {
            words.iter().for_each(|word| l.add_to_order(word).expect("an id"));
        });
        let message = read_with(&layout, &routine().outgoing());
        let numbers = column(&message, 1);
        assert_eq!(numbers, (1..=numbers.len()).map(|n| n.to_string()).collect::<Vec<_>>());
        (1..=numbers.len())
            .map(|n| {
                let all = message.components(message.field("OBX", n, 3).unwrap_or(""));
                all.filter(|c| ["ASC", "GLU", "PH", "SG"].contains(c)).collect::<String>()
            })
            .collect::<Vec<_>>()
    };
    assert_eq!(order(&[]), ["ASC", "GLU", "GLU", "PH", "SG"]);
    assert_eq!(order(&["SG", "*", "ASC"]), ["SG", "GLU", "GLU", "PH", "ASC"]);
    assert_eq!(order(&["SG", "GLU"]), ["SG", "GLU", "GLU"], "the others stay at home");
    let mut layout = layout(Version::V251);
    layout.add_to_order("BIL").expect("an id");
    assert_eq!(fault(&layout, &routine().outgoing()).field, "OBX", "a message of nothing is none");
    assert!(layout.add_to_order("BIL").is_err() && layout.add_to_order("B L").is_err());
    layout.set_end_as("GLU", "ST").expect("a type");
    assert!(layout.leaves_out("GLU") && !layout.leaves_out("BIL"));
    layout.add_to_order("*").expect("all others");
    assert!(!layout.leaves_out("GLU"));
}

/// What a table says of one thing twice would be one word silently over the other.
#[test]
fn each_thing_is_said_once_of_an_analyte_or_its_part() {
    let mut layout = layout(Version::V251);
    type Set = fn(&mut Layout, &str, &str) -> Result<(), String>;
    let all: [(Set, [&str; 2]); 4] = [
        (Layout::set_name, ["A^x^L", "B^x^L"]),
        (Layout::set_names, ["local", "loinc"]),
        (Layout::set_grade_as, ["ST", "SN"]),
        (Layout::set_end_as, ["ST", "SN"]),
    ];
    for (set, [one, other]) in all {
        for key in ["GLU", "GLU grade", "GLU number"] {
            set(&mut layout, key, one).expect("the first time");
            assert!(
                set(&mut layout, key, other).expect_err("again").contains("each once"),
                "{key}"
            );
        }
    }
    let code = |number| layout.own_name("GLU", number).map(|name| name.code.as_str());
    assert_eq!([code(false), code(true)], [Some("A"), Some("A")]);
    assert_eq!(layout.own_name("PH", true), None);
}

/// A name of two pads is found as the first or as the other one; grade and number of one pad share theirs.
#[test]
fn two_pads_of_one_name_are_found() {
    let sample = routine();
    let found = |set: fn(&mut Layout)| {
        let layout = changed(Version::V251, set);
        let twice = layout.has_namesakes(sample.outgoing().observations);
        (twice, layout.pads_of_one_name(sample.outgoing().observations))
    };
    assert_eq!(found(|_| ()), (false, None));
    let both = Some(("UX of 99KPC".to_owned(), ["GLU".to_owned(), "PH".to_owned()]));
    let other = |layout: &mut Layout| {
        ["GLU grade", "PH"].iter().for_each(|key| {
            layout.set_name(key, "UX^X^99KPC").expect("a name");
        })
    };
    assert_eq!(found(other), (false, both.clone()), "behind the published names");
    let first = |layout: &mut Layout| {
        layout.names = Names::Local;
        ["GLU", "PH"].iter().for_each(|key| layout.set_name(key, "UX^X^99KPC").expect("a name"));
    };
    assert_eq!(found(first), (true, both));
    let one = |layout: &mut Layout| {
        layout.names = Names::Local;
        layout.set_name("GLU", "UX^X^99KPC").expect("a name");
    };
    assert_eq!(found(one), (true, None), "grade and number of one pad");
}

/// A result's place does not hang on what stands beside it, where the layout says that names are shared.
#[test]
fn a_result_keeps_its_sub_id_whatever_stands_beside_it() {
    for (sub_ids, expected) in [(false, ""), (true, "1")] {
        let layout = changed(Version::V251, |l| l.sub_ids = sub_ids);
        let message = read_with(&layout, &Sample::new(vec![unread()]).outgoing());
        assert_eq!(field(&message, "OBX", 1, 4), expected);
    }
}

#[test]
fn segments_are_left_out_where_the_structure_allows_it() {
    let names = |version, left: &[&str]| {
        let layout = changed(version, |l| {
            l.specimen_in = SpecimenIn::OBR_2;
            left.iter().for_each(|name| l.set_segment(name, false).expect("a segment"));
        });
        let sample = Sample::new(vec![unread()]);
        let message = read_with(&layout, &sample.outgoing());
        (message.names().collect::<Vec<_>>().join(" "), field(&message, "OBR", 1, 15))
    };
    let full = ("MSH ORC OBR TQ1 OBX NTE SPM".to_owned(), String::new());
    assert_eq!(names(Version::V251, &[]), full);
    let bare = ("MSH OBR TQ1 OBX".to_owned(), "UR&Urine&HL70070".to_owned());
    assert_eq!(names(Version::V251, &["ORC", "NTE", "SPM"]), bare, "the specimen is still named");
    assert_eq!(names(Version::V231, &["ORC", "NTE"]).0, "MSH OBR OBX");
    let mut one = layout(Version::V251);
    assert!(one.set_segment("OBR", false).expect_err("it must be there").contains("ORC, SPM"));
    one.set_segment("SPM", false).expect("a segment");
    assert_eq!(faults(&one), ["SPM-2"], "the specimen id would be lost");
    one.structure = Structure::Oul;
    assert_eq!(faults(&one), ["SPM", "SPM-2"]);
    for version in [Version::V231, Version::V24] {
        for name in ["SPM", "SFT"] {
            let layout = changed(version, |l| l.set_segment(name, true).expect("a segment"));
            assert_eq!(faults(&layout), [name]);
        }
    }
}

#[test]
fn control_material_is_marked_with_and_without_spm() {
    let sample = routine();
    let out = Outgoing { control: Some(level_one()), ..sample.outgoing() };
    for version in NEW {
        let layout = changed(version, |l| {
            l.specimen_in = SpecimenIn::OBR_2;
            l.segments.spm = false;
        });
        let message = read_with(&layout, &out);
        assert_eq!(field(&message, "OBR", 1, 15), "^^^^^^Q&Control specimen&HL70369");
        assert_eq!(field(&message, "NTE", 1, 3), "Control level 1, lot KELP0226, expires 20261231");
    }
}

#[test]
fn who_wrote_the_message_is_said_where_it_is_asked_for() {
    for version in NEW {
        let layout = changed(version, |l| l.segments.sft = true);
        let message = read_with(&layout, &routine().outgoing());
        let own = env!("CARGO_PKG_VERSION");
        let expected = ["Wickline", own, "WICKLINE", own];
        assert_eq!([1, 2, 3, 4].map(|n| field(&message, "SFT", 1, n)), expected);
        assert_eq!(message.names().nth(1), Some("SFT"));
    }
}

#[test]
fn parties_have_up_to_three_components() {
    let layout = changed(Version::V251, |l| {
        l.sending_application = Party::of("WICK^2.16.840.1.113883.19.77.1^ISO");
        l.sending_facility = Party::of("KESTREL^kestrel.example^DNS");
        l.receiving_application = Party::of("A&B");
        l.receiving_facility = Party::of("");
    });
    let message = read_with(&layout, &routine().outgoing());
    assert_eq!(
        [3, 4, 5, 6].map(|n| field(&message, "MSH", 1, n)),
        ["WICK^2.16.840.1.113883.19.77.1^ISO", "KESTREL^kestrel.example^DNS", "A\\T\\B", ""]
    );
    for bad in ["A^1.2", "A^^ISO", "A^1.2^OID", "A^1..2^ISO", "A^x^ISO", "A^1.2^ISO^B"] {
        let layout = changed(Version::V251, |l| l.receiving_application = Party::of(bad));
        assert!(faults(&layout).iter().all(|f| *f == "MSH-5"), "{bad}");
    }
    let long = format!("A^{}^DNS", "x".repeat(178));
    let old = changed(Version::V24, |l| l.receiving_application = Party::of(&long));
    assert_eq!(faults(&old), ["MSH-5"], "180 in all");
    assert!(changed(Version::V25, |l| l.receiving_application = Party::of(&long)).check().is_ok());
}

#[test]
fn a_profile_is_named_after_the_character_set() {
    let wide = Sample { operator: Some(Private::new("Zoë")), ..routine() };
    let profile = "KP_1^KESTREL^2.16.840.1.113883.19.77.9^ISO~KP_2";
    for word in ["original", "both"] {
        let layout = changed(Version::V251, |l| {
            l.profile = profile.into();
            l.acknowledge = word.parse().expect("a way");
        });
        for (sample, set) in [(&wide, "UNICODE UTF-8"), (&routine(), "")] {
            let message = read_with(&layout, &sample.outgoing());
            assert_eq!([18, 21].map(|n| field(&message, "MSH", 1, n)), [set, profile], "{word}");
            let expected = if word == "both" { "AL" } else { "" };
            assert_eq!([15, 16].map(|n| field(&message, "MSH", 1, n)), [expected; 2]);
        }
    }
    let refused =
        |version, profile: &str| changed(version, |l| l.profile = profile.into()).check().is_err();
    assert!(refused(Version::V231, "KP_1"));
    assert!(!refused(Version::V24, "KP_1") && refused(Version::V24, "KP_1^KESTREL"));
    for bad in ["a|b", "a\\b", "a^b^c", "a^b^c^OID", "a^b^c^ISO^d", "~", "a~", "^", "é"] {
        assert!(refused(Version::V251, bad), "{bad}");
    }
}

#[test]
fn a_field_may_be_set_that_holds_no_result_id_time_or_status() {
    let layout = changed(Version::V251, |l| {
        for (field, value) in [
            ("MSH-8", "secret"),
            ("MSH-17", "NLD"),
            ("MSH-19", "en^English^ISO639"),
            ("OBR-24", "LAB"),
            ("OBR-11", ""),
            ("OBX-17", "STRIP^Test strip^99KPC"),
            ("OBX-23", "Kestrel Point Clinic^L"),
            ("ORC-1", "SC"),
            ("NTE-2", ""),
        ] {
            l.set_fixed(field, value).expect(field);
        }
    });
    layout.check().expect("it can be meant");
    let sample = Sample { operator: Some(Private::new("Zoë")), ..routine() };
    let sample = Sample { remarks: vec![crate::sample::remark("one")], ..sample };
    let message = read_with(&layout, &sample.outgoing());
    let at = |segment, n| field(&message, segment, 1, n);
    assert_eq!([8, 17, 18].map(|n| at("MSH", n)), ["secret", "NLD", "UNICODE UTF-8"]);
    assert_eq!([24, 25].map(|n| at("OBR", n)), ["LAB", "F"]);
    assert_eq!(column(&message, 17), ["STRIP^Test strip^99KPC"; 5]);
    assert_eq!(column(&message, 16), ["Zoë"; 5], "its neighbours stay");
    assert_eq!(column(&message, 23), ["Kestrel Point Clinic^L"; 5]);
    assert_eq!([at("ORC", 1), at("NTE", 2), at("NTE", 3)], ["SC", "", "one"]);
}

#[test]
fn fields_that_matter_are_never_set_to_a_fixed_value() {
    let mut layout = layout(Version::V251);
    for (field, why) in [
        ("MSH-10", "id of the message"),
        ("MSH-11", "key of its own"),
        ("PID-3", "who the patient is"),
        ("OBR-3", "an id"),
        ("OBR-7", "a time"),
        ("OBR-25", "a status"),
        ("OBX-5", "part of the result"),
        ("OBX-8", "part of the result"),
        ("OBX-11", "a status"),
        ("OBX-19", "a time"),
        ("SPM-11", "control material"),
        ("OBR-15", "control material"),
        ("TQ1-9", "not among those"),
        ("ZZZ-1", "not among those"),
    ] {
        let refused = layout.set_fixed(field, "x").expect_err(field);
        assert!(refused.contains(why) && refused.contains("OBR-24"), "{refused}");
    }
    for bad in ["OBR", "OBR-", "OBR-x", "OBR-024", "OBR-+24", "", "OBR-99999999999999999999"] {
        assert!(layout.set_fixed(bad, "").expect_err(bad).contains("names no field"), "{bad}");
    }
    for (field, value, allowed) in [
        ("OBR-24", "URI", "LAB"),
        ("ORC-1", "CA", "RE, SC"),
        ("ORC-1", "", "RE, SC"),
        ("MSH-8", "\"\"", "two quotes"),
        ("MSH-8", "a|b", "printable"),
        ("MSH-8", "a\rOBX|1", "printable"),
        ("MSH-8", "a^b", "without ^"),
        ("OBX-17", "a^b^L^a^b^L^x", "at most 6"),
        ("OBX-17", "a^b", "CODE^TEXT^SYSTEM"),
        ("OBX-17", "a^b^L^", "nothing behind it"),
    ] {
        let refused = layout.set_fixed(field, value).expect_err(value);
        assert!(refused.contains(allowed), "{refused}");
    }
    layout.set_fixed("OBR-24", "LAB").expect("a section");
    assert!(layout.set_fixed("OBR-24", "CH").expect_err("twice").contains("once"));
}

#[test]
fn fixed_values_are_held_to_the_version_and_to_its_lengths() {
    let with = |version, field: &str, value: &str| {
        changed(version, |l| l.set_fixed(field, value).expect("well formed"))
    };
    for (version, field, value, good) in [
        (Version::V25, "OBX-23", "Kestrel", false),
        (Version::V251, "OBX-23", "Kestrel", true),
        (Version::V24, "SPM-7", "a^b^L", false),
        (Version::V231, "MSH-17", "NLD", false),
        (Version::V24, "MSH-17", "NLD", true),
        (Version::V251, "OBX-13", "123456789012345678901", false),
    ] {
        assert_eq!(with(version, field, value).check().is_ok(), good, "{version} {field}");
    }
    let mut layout = with(Version::V251, "NTE-2", "P");
    layout.segments.nte = false;
    assert_eq!(faults(&layout), ["NTE-2"]);
}

#[test]
fn every_fault_of_a_layout_is_told_at_once() {
    let layout = changed(Version::V231, |l| {
        l.structure = Structure::Oul;
        l.specimen_in = SpecimenIn::BOTH;
        l.segments.sft = true;
        l.sending_application = Party::of(&"W".repeat(21));
        l.profile = "KP".into();
        l.local_system = "99KPC".into();
        l.set_fixed("OBX-24", "Quay 1").expect("well formed");
    });
    let expected = ["MSH-9", "SFT", "SPM-2", "MSH-3", "OBX-3.6", "MSH-21", "OBX-24"];
    assert_eq!(faults(&layout), expected);
    for found in layout.check().expect_err("many") {
        assert!(!found.found.is_empty() && !found.allowed.is_empty(), "{found}");
    }
}
