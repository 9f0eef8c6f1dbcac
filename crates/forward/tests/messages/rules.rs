//! Each rule of the message alone.

use wickline_forward::hl7::{GradeAs, Party, panel_manual};
use wickline_forward::{Acknowledge, Charset, Processing, SpecimenIn, Version, result_message};
use wickline_normalize::{Code, CodeSystem, Comparator, Content, Patient, Private};

use crate::sample::{
    Sample, acidity, ascorbate, changed, fault, glucose, glucose_grade, gravity, layout, level_one,
    local, moment, read, read_with, remark, unread,
};

const ALL: [Version; 4] = [Version::V231, Version::V24, Version::V25, Version::V251];

fn two() -> Sample {
    Sample::new(vec![glucose_grade(), glucose(None, "400")])
}

#[test]
fn the_header_is_as_the_version_has_it() {
    let sample = two();
    for version in ALL {
        let message = read(version, &sample.outgoing());
        let field = |n| message.field("MSH", 1, n).unwrap_or("");
        let kind = if version == Version::V231 { "ORU^R01" } else { "ORU^R01^ORU_R01" };
        assert_eq!(
            [1, 2, 3, 4, 5, 6].map(field),
            ["|", "^~\\&", "WICKLINE", "KESTRELPOINT", "LIS", "KESTREL"]
        );
        assert_eq!([7, 9, 10].map(field), ["20260314091502+0100", kind, "KP1-000417"]);
        assert_eq!([11, 12].map(field), ["P", version.text()]);
        assert_eq!(message.field("MSH", 1, 13), None, "nothing after the version");
    }
}

#[test]
fn the_header_asks_for_the_answers_that_are_waited_for() {
    let sample = Sample { operator: Some(Private::new("Zoë")), ..two() };
    for version in ALL {
        for (word, codes, waits) in [
            ("original", ["", ""], false),
            ("accept", ["AL", "NE"], false),
            ("application", ["NE", "AL"], true),
            ("both", ["AL", "AL"], true),
        ] {
            let acknowledge: Acknowledge = word.parse().expect("a way to acknowledge");
            assert_eq!(acknowledge.waits_for_application(), waits);
            let layout = changed(version, |l| l.acknowledge = acknowledge);
            let message = read_with(&layout, &sample.outgoing());
            let field = |n| message.field("MSH", 1, n).unwrap_or("");
            assert_eq!([15, 16].map(field), codes, "{version} {word}");
            assert_eq!([17, 18].map(field), ["", layout.charset.text()], "{version} {word}");
            let plain = read_with(&layout, &two().outgoing());
            let last = if word == "original" { 12 } else { 16 };
            assert_eq!(plain.field("MSH", 1, last + 1), None, "nothing after the last");
        }
    }
    assert!("enhanced".parse::<Acknowledge>().expect_err("which").contains("accept, application"));
}

#[test]
fn no_segment_field_or_component_ends_with_a_separator() {
    let sample = Sample { operator: None, ..Sample::new(vec![gravity(None, "1.020"), unread()]) };
    for version in ALL {
        let text = String::from_utf8(
            result_message(&layout(version), &sample.outgoing()).expect("a message"),
        );
        let text = text.expect("ASCII");
        assert!(text.ends_with('\r') && !text.contains('\n'));
        for segment in text.split_terminator('\r') {
            assert!(!segment.ends_with(['|', '^', '&', '~']), "{segment}");
            assert!(!segment.contains("^|") && !segment.contains("&^"), "{segment}");
        }
    }
}

#[test]
fn segments_stand_in_the_order_of_the_structure() {
    let person = Patient {
        id: Some(Private::new("H004417")),
        name: Some(Private::new("Lantern^Marnie")),
        born: Some(Private::new("19710206")),
        sex: Some(Private::new("F")),
    };
    let sample = Sample {
        patient: Some(person),
        remarks: vec![remark("one"), remark("two")],
        ..Sample::new(vec![glucose_grade(), unread()])
    };
    let names =
        |version| read(version, &sample.outgoing()).names().map(str::to_owned).collect::<Vec<_>>();
    let common = ["MSH", "PID", "ORC", "OBR", "NTE", "NTE"];
    let results = ["OBX", "OBX", "NTE"];
    assert_eq!(names(Version::V24), [&common[..], &results].concat());
    assert_eq!(names(Version::V251), [&common[..], &["TQ1"], &results, &["SPM"]].concat());
    let message = read(Version::V251, &sample.outgoing());
    assert_eq!(message.field("PID", 1, 3), Some("H004417"));
    assert_eq!(message.field("PID", 1, 5), Some("Lantern^Marnie"));
    assert_eq!([7, 8].map(|n| message.field("PID", 1, n).unwrap_or("")), ["19710206", "F"]);
    assert_eq!([1, 2].map(|n| message.field("NTE", n, 1).unwrap_or("")), ["1", "2"]);
    assert_eq!(message.field("NTE", 3, 1), Some("1"), "each group counts its own notes");
}

#[test]
fn no_patient_without_both_an_id_and_a_name() {
    let lacking = [
        (None, Some("Lantern")),
        (Some("H1"), None),
        (Some(""), Some("Lantern")),
        (Some("H1"), Some("")),
        (Some("H1"), Some("^^")),
    ];
    for (id, name) in lacking {
        let patient = Patient {
            id: id.map(Private::new),
            name: name.map(Private::new),
            ..Patient::default()
        };
        let sample = Sample { patient: Some(patient), ..two() };
        assert_eq!(read(Version::V251, &sample.outgoing()).count("PID"), 0);
    }
}

#[test]
fn the_specimen_id_is_where_the_layout_wants_it() {
    let sample = two();
    let where_is = |layout: &wickline_forward::Layout| {
        let message = read_with(layout, &sample.outgoing());
        let at = |segment, n| message.field(segment, 1, n).unwrap_or("").to_owned();
        [at("ORC", 2), at("OBR", 2), at("SPM", 2)]
    };
    let id = "KP-004417";
    assert_eq!(where_is(&layout(Version::V251)), ["", "", id]);
    assert_eq!(where_is(&layout(Version::V24)), [id, id, ""]);
    let with = |specimen_in| changed(Version::V251, |l| l.specimen_in = specimen_in);
    assert_eq!(where_is(&with(SpecimenIn::BOTH)), [id, id, id]);
    assert_eq!(where_is(&with(SpecimenIn::OBR_2)), [id, id, ""]);
}

#[test]
fn urine_is_named_by_the_table_of_the_version() {
    let sample = two();
    assert_eq!(
        read(Version::V251, &sample.outgoing()).field("SPM", 1, 4),
        Some("UR^Urine^HL70487")
    );
    assert_eq!(
        read(Version::V251, &sample.outgoing()).field("SPM", 1, 11),
        Some("P^Patient^HL70369")
    );
    for version in [Version::V231, Version::V24] {
        let message = read(version, &sample.outgoing());
        assert_eq!(message.field("OBR", 1, 15), Some("UR&Urine&HL70070"));
        assert_eq!(message.count("SPM"), 0);
    }
}

#[test]
fn order_numbers_agree_and_carry_our_namespace() {
    let sample = two();
    let message = read(Version::V251, &sample.outgoing());
    assert_eq!(message.field("OBR", 1, 3), Some("KP1-417^WICKLINE"));
    assert_eq!(message.field("ORC", 1, 3), message.field("OBR", 1, 3));
    assert_eq!([1, 20, 25].map(|n| message.field("OBR", 1, n).unwrap_or("")), ["1", "57", "F"]);
}

#[test]
fn the_panel_and_the_processing_id_come_from_the_layout() {
    let sample = two();
    let mut layout = layout(Version::V251);
    layout.panel = panel_manual();
    layout.processing = Processing::Training;
    let message = read_with(&layout, &sample.outgoing());
    assert_eq!(message.component("OBR", 1, 4, 1), "24357-6");
    assert_eq!(message.component("OBR", 1, 4, 3), "LN");
    assert_eq!(message.field("MSH", 1, 11), Some("T"));
}

#[test]
fn priority_is_said_as_the_version_says_it() {
    let sample = two();
    for (stat, letter, coded) in [(true, "S", "S^Stat^HL70485"), (false, "R", "R^Routine^HL70485")]
    {
        let out = wickline_forward::Outgoing { stat, ..sample.outgoing() };
        for version in ALL {
            let message = read(version, &out);
            if version.has_spm() {
                assert_eq!(message.field("TQ1", 1, 9), Some(coded));
                assert_eq!(message.field("OBR", 1, 5), Some(""));
                assert_eq!(message.field("OBR", 1, 27), None);
            } else {
                assert_eq!(message.field("OBR", 1, 5), Some(letter));
                assert_eq!(message.component("OBR", 1, 27, 6), letter);
                assert_eq!(message.count("TQ1"), 0);
            }
        }
    }
}

#[test]
fn the_time_of_observation_is_the_best_that_is_known() {
    let sample = two();
    let observed = |collected: Option<&str>, taken: Option<&str>| {
        let (collected, taken) = (collected.map(moment), taken.map(moment));
        let out = wickline_forward::Outgoing { collected, taken, ..sample.outgoing() };
        let message = read(Version::V251, &out);
        let at = |segment, n| message.field(segment, 1, n).unwrap_or("").to_owned();
        [at("OBR", 7), at("SPM", 17), at("OBX", 19)]
    };
    let (early, read) = ("202603140855+0100", "20260314091420+0100");
    assert_eq!(observed(Some(early), Some(read)), [early, early, read]);
    assert_eq!(observed(None, Some(read)), [read, "", read]);
    assert_eq!(observed(None, None), ["20260314091425+0100", "", ""]);
}

#[test]
fn origin_stands_where_the_version_has_room_for_it() {
    let sample = two();
    let new = read(Version::V24, &sample.outgoing());
    let of = |message: &wickline_forward::hl7::Message, n| {
        message.field("OBX", 2, n).unwrap_or("").to_owned()
    };
    assert_eq!(
        [14, 16, 18, 19].map(|n| of(&new, n)),
        ["", "op7", "bench-1", "20260314091420+0100"]
    );
    assert_eq!(new.field("OBR", 1, 21), Some(""));
    let old = read(Version::V231, &sample.outgoing());
    assert_eq!([14, 16, 18, 19].map(|n| of(&old, n)), ["20260314091420+0100", "op7", "", ""]);
    assert_eq!(old.field("OBR", 1, 21), Some("bench-1"));
}

#[test]
fn each_kind_of_value_has_its_type() {
    let ends = vec![
        glucose_grade(),
        glucose(None, "400"),
        glucose(Some(Comparator::AtLeast), "2400"),
        gravity(Some(Comparator::AtMost), "1.004"),
        acidity(),
        unread(),
    ];
    let sample = Sample::new(ends);
    let message = read(Version::V251, &sample.outgoing());
    let row = |n| [2, 5, 6, 11].map(|f| message.field("OBX", n, f).unwrap_or("").to_owned());
    assert_eq!(row(1), ["CE", "GLU-2P^2+^99WKL", "", "F"]);
    assert_eq!(row(2), ["NM", "400", "mg/dL^mg/dL^UCUM", "F"]);
    assert_eq!(row(3), ["SN", ">=^2400", "mg/dL^mg/dL^UCUM", "F"]);
    assert_eq!(row(4), ["SN", "<=^1.004", "", "F"]);
    assert_eq!(row(5), ["NM", "6.5", "[pH]^pH^UCUM", "F"]);
    assert_eq!(row(6), ["CE", "", "", "X"]);
    assert_eq!([7, 8].map(|f| message.field("OBX", 1, f).unwrap_or("")), ["Negative", "A"]);
    assert_eq!(message.field("NTE", 1, 3), Some("pad not read: error text on the print"));
    let with = changed(Version::V251, |l| l.grade_as = GradeAs::Cwe);
    assert_eq!(read_with(&with, &sample.outgoing()).field("OBX", 1, 2), Some("CWE"));
}

#[test]
fn an_unread_pad_carries_neither_value_nor_flag() {
    let mut pad = unread();
    pad.flag = Some(wickline_normalize::Flag::A);
    let sample = Sample::new(vec![pad]);
    let message = read(Version::V251, &sample.outgoing());
    assert_eq!([5, 8].map(|f| message.field("OBX", 1, f).unwrap_or("")), ["", ""]);
}

#[test]
fn names_and_grades_are_coded_with_their_systems() {
    let sct = Code { code: "260348001".into(), text: "++".into(), system: CodeSystem::SnomedCt };
    let mut grade = glucose_grade();
    grade.content = Content::Grade { code: local("GLU-2P", "2+"), alternate: Some(sct) };
    let sample = Sample::new(vec![grade, ascorbate()]);
    let field = |version, n, f| {
        read(version, &sample.outgoing()).field("OBX", n, f).unwrap_or("").to_owned()
    };
    let glucose = "50555-2^Glucose [Presence] in Urine by Automated test strip^LN^GLU^Glucose^";
    assert_eq!(field(Version::V24, 1, 3), format!("{glucose}99WKL"));
    assert_eq!(field(Version::V231, 1, 3), format!("{glucose}L"));
    assert_eq!(field(Version::V251, 1, 5), "GLU-2P^2+^99WKL^260348001^++^SCT");
    assert_eq!(field(Version::V251, 2, 3), "ASC^Ascorbate^99WKL", "no other property's code");
}

#[test]
fn results_that_share_a_code_are_told_apart() {
    let sample = Sample::new(vec![glucose(None, "400"), acidity(), glucose(None, "1200")]);
    let sub = |version| {
        let message = read(version, &sample.outgoing());
        [1, 2, 3].map(|n| message.field("OBX", n, 4).unwrap_or("").to_owned())
    };
    assert_eq!(sub(Version::V251), ["1", "1", "2"]);
    assert_eq!(sub(Version::V231), ["1", "1", "2"]);
    assert_eq!(read(Version::V251, &two().outgoing()).field("OBX", 1, 4), Some(""));
}

#[test]
fn control_material_is_marked_and_has_no_patient() {
    let sample = two();
    let out = wickline_forward::Outgoing { control: Some(level_one()), ..sample.outgoing() };
    let message = read(Version::V251, &out);
    assert_eq!(message.field("SPM", 1, 4), Some("QC3^Quality Control^HL70487"));
    assert_eq!(message.field("SPM", 1, 11), Some("Q^Control specimen^HL70369"));
    assert_eq!(
        message.field("SPM", 1, 14),
        Some("Control level 1, lot KELP0226, expires 20261231")
    );
    assert_eq!([message.count("PID"), message.count("TQ1")], [0, 0]);
    let old = read(Version::V24, &out);
    assert_eq!(old.field("OBR", 1, 15), Some("^^^^^^Q&Control specimen&HL70369"));
    assert_eq!(old.field("NTE", 1, 3), Some("Control level 1, lot KELP0226, expires 20261231"));
    assert_eq!(fault(&layout(Version::V231), &out).field, "OBR-15");
    let both = Sample { patient: Some(Patient::default()), ..two() };
    let out = wickline_forward::Outgoing { control: Some(level_one()), ..both.outgoing() };
    assert_eq!(fault(&layout(Version::V251), &out).field, "PID");
}

#[test]
fn ids_are_never_cut() {
    let sample = two();
    let good = sample.outgoing();
    let field = |out: wickline_forward::Outgoing<'_>| fault(&layout(Version::V251), &out).field;
    let with = |control_id| wickline_forward::Outgoing { control_id, ..good };
    for id in ["", "123456789012345678901", ".x", "a b", "a|b", "é", "../a"] {
        assert_eq!(field(with(id)), "MSH-10", "{id}");
    }
    let filler = |filler| wickline_forward::Outgoing { filler, ..good };
    assert_eq!(field(filler("")), "OBR-3.1");
    assert_eq!(field(filler("12345678901234")), "OBR-3.1");
    let analyzer = "an-analyzer-with-a-long-name";
    assert_eq!(field(wickline_forward::Outgoing { analyzer, ..good }), "OBX-18.1");
    let number = Some("1\u{0B}2");
    assert_eq!(field(wickline_forward::Outgoing { number, ..good }), "OBR-20");
    for (version, name, long) in [(Version::V251, "SPM-2", 81), (Version::V231, "OBR-2", 23)] {
        let specimen = Private::new("K".repeat(long));
        let found =
            fault(&layout(version), &wickline_forward::Outgoing { specimen: &specimen, ..good });
        assert_eq!(found.field, name);
        assert!(!found.to_string().contains("KK"), "a specimen id is not quoted: {found}");
        let specimen = Private::new("K".repeat(long - 1));
        assert!(
            result_message(
                &layout(version),
                &wickline_forward::Outgoing { specimen: &specimen, ..good }
            )
            .is_ok()
        );
    }
    let specimen = Private::default();
    assert_eq!(field(wickline_forward::Outgoing { specimen: &specimen, ..good }), "SPM-2");
}

#[test]
fn only_a_number_is_sent_as_a_number() {
    for digits in
        ["", "abc", ">5", "1e5", "1,5", "1.", ".5", " 1", "1 ", "--1", "1.2.3", "1234567890123456"]
    {
        let sample = Sample::new(vec![glucose(None, digits)]);
        assert_eq!(fault(&layout(Version::V251), &sample.outgoing()).field, "OBX-5", "{digits}");
    }
    for digits in ["0", "1.020", "-0.5", "+3", "123456789012345"] {
        let sample = Sample::new(vec![glucose(None, digits)]);
        assert_eq!(read(Version::V251, &sample.outgoing()).field("OBX", 1, 5), Some(digits));
    }
}

#[test]
fn times_that_no_clock_shows_are_refused() {
    let sample = two();
    let unreal = wickline_normalize::Moment { day: 31, month: 2, ..moment("20260301") };
    let out = wickline_forward::Outgoing { taken: Some(unreal), ..sample.outgoing() };
    assert_eq!(fault(&layout(Version::V251), &out).field, "OBX-19");
    let out = wickline_forward::Outgoing { made: unreal, ..sample.outgoing() };
    assert_eq!(fault(&layout(Version::V251), &out).field, "MSH-7");
}

#[test]
fn the_character_set_is_announced_only_when_it_is_needed() {
    let operator = Some(Private::new("Zoë"));
    let sample = Sample { operator, ..two() };
    let bytes = |charset| {
        result_message(&changed(Version::V251, |l| l.charset = charset), &sample.outgoing())
    };
    let has = |bytes: &[u8], part: &[u8]| bytes.windows(part.len()).any(|w| w == part);
    let utf8 = bytes(Charset::Utf8).expect("a message");
    assert!(has(&utf8, "|P|2.5.1||||||UNICODE UTF-8\r".as_bytes()) && has(&utf8, "Zoë".as_bytes()));
    let latin = bytes(Charset::Latin1).expect("a message");
    assert!(has(&latin, b"|P|2.5.1||||||8859/1\r") && has(&latin, b"Zo\xEB"));
    let refused = bytes(Charset::Ascii).expect_err("ASCII has no ë");
    assert_eq!(refused.field, "OBX-16.1");
    assert!(!refused.to_string().contains('ë'), "an operator is not quoted: {refused}");
    let beyond = Sample { operator: Some(Private::new("Zoł")), ..two() };
    assert_eq!(fault(&layout(Version::V231), &beyond.outgoing()).field, "OBX-16.1");
}

#[test]
fn two_quotes_never_tell_a_receiver_to_delete() {
    let sample = Sample { remarks: vec![remark("\"\"")], ..two() };
    assert_eq!(fault(&layout(Version::V251), &sample.outgoing()).field, "NTE-3");
}

#[test]
fn what_the_tables_do_not_have_is_refused() {
    let whole = Patient {
        id: Some(Private::new("H004417")),
        name: Some(Private::new("Lantern^Marnie")),
        ..Patient::default()
    };
    let born = |born| Patient { born: Some(Private::new(born)), ..whole.clone() };
    let sex = |sex| Patient { sex: Some(Private::new(sex)), ..whole.clone() };
    let long = |id: &str| Patient { id: Some(Private::new(id)), ..whole.clone() };
    for (patient, field, quoted) in [
        (born("19701302"), "PID-7", "1970"),
        (born("6 Feb 1971"), "PID-7", "Feb"),
        (sex("f|"), "PID-8", "`f"),
        (long("H004417H004417H0"), "PID-3.1", "H00"),
        (long("H00\r4417"), "PID-3.1", "H00"),
    ] {
        let sample = Sample { patient: Some(patient), ..two() };
        let found = fault(&layout(Version::V251), &sample.outgoing());
        assert_eq!(found.field, field);
        assert!(!found.to_string().contains(quoted), "a patient is not quoted: {found}");
        let own = !field.starts_with("PID-3") || found.found.starts_with("the patient's id, ");
        assert!(own, "whose id it is: {found}");
    }
}

#[test]
fn names_without_a_code_and_codes_that_are_too_long_are_refused() {
    let with = |change: fn(&mut wickline_normalize::Observation)| {
        let mut one = glucose_grade();
        change(&mut one);
        fault(&layout(Version::V251), &Sample::new(vec![one]).outgoing()).field
    };
    assert_eq!(with(|o| o.code.code.clear()), "OBX-3.1");
    assert_eq!(with(|o| o.code.code = "5".repeat(21)), "OBX-3.1");
    assert_eq!(with(|o| o.code.text = "G".repeat(200)), "OBX-3.2");
    assert_eq!(with(|o| o.local.code.clear()), "OBX-3.4");
    assert_eq!(with(|o| o.local.text = "G".repeat(200)), "OBX-3.5");
    assert_eq!(with(|o| o.reference = Some("x".repeat(61))), "OBX-7");
    let header = changed(Version::V251, |l| l.receiving_facility = Party::of(&"K".repeat(21)));
    assert_eq!(fault(&header, &two().outgoing()).field, "MSH-6");
    let spm = changed(Version::V24, |l| l.specimen_in = SpecimenIn::BOTH);
    assert_eq!(fault(&spm, &two().outgoing()).field, "SPM-2");
}
