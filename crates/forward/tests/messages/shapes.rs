//! Kept examples of what layouts make of a report, byte for byte: `WICKLINE_BLESS=1` as in `examples`.

use wickline_forward::hl7::{
    EndAs, Equipment, GradeAs, GradeCodes, Layout, Names, Party, Structure,
};
use wickline_forward::{Outgoing, Version, result_message};
use wickline_normalize::{Code, CodeSystem, Comparator, Content, Remark};

use crate::examples::{VERSIONS, kept_as, kept_bytes, named, routine};
use crate::sample::{
    Sample, acidity, ascorbate, changed, follows, glucose, glucose_grade, gravity, level_one,
    local, moment, unread, unread_number,
};

const NEW: [Version; 2] = [Version::V25, Version::V251];

/// One of each kind of value, with a grade that has a SNOMED CT code.
fn mixed() -> Sample {
    let mut grade = glucose_grade();
    let snomed = Code { code: "260348001".into(), text: "++".into(), system: CodeSystem::SnomedCt };
    grade.content = Content::Grade { code: local("GLU-2P", "2+"), alternate: Some(snomed) };
    let end = glucose(Some(Comparator::AtLeast), "2400");
    Sample::new(vec![ascorbate(), grade, end, acidity(), gravity(None, "1.020"), unread()])
}

fn remarks() -> Vec<Remark> {
    vec![
        Remark::new("clock-off", "Time of the report by the carrier's clock."),
        Remark {
            code: "UA-INT-ASC".into(),
            text: "Ascorbate may lower glucose & blood.".into(),
            about: vec!["GLU".into(), "BLD".into()],
        },
    ]
}

fn with(version: Version, sample: &Sample, name: &str, change: impl FnOnce(&mut Layout)) {
    kept_as(name, &changed(version, change), &sample.outgoing());
}

#[test]
fn by_specimen() {
    for version in NEW {
        let oul = changed(version, |l| l.structure = Structure::Oul);
        let patient = Sample { remarks: remarks(), ..named("op7") };
        kept_as("oul-patient", &oul, &patient.outgoing());
        let sample = routine();
        let control = Outgoing { control: Some(level_one()), ..sample.outgoing() };
        kept_as("oul-control", &oul, &control);
        with(version, &sample, "oul-bare", |l| {
            l.structure = Structure::Oul;
            (l.segments.orc, l.segments.nte) = (false, false);
        });
    }
}

#[test]
fn in_the_receivers_own_words() {
    for version in VERSIONS {
        let own = if version == Version::V231 { "L" } else { "99KPC" };
        with(version, &mixed(), "own-names", |l| {
            l.panel_local = Some(format!("UADIP^Dipstick^{own}").parse().expect("a name"));
            l.local_system = own.into();
            l.names = Names::LocalFirst;
            l.set_name("GLU grade", &format!("1234^Glucose, grade^{own}")).expect("a name");
            l.set_name("GLU number", &format!("1235^Glucose, amount^{own}")).expect("a name");
            l.set_names("PH", "loinc").expect("a choice");
            l.set_names("SG", "local").expect("a choice");
            ["SG", "PH", "GLU", "*"].iter().for_each(|id| l.add_to_order(id).expect("an id"));
        });
    }
}

#[test]
fn grades_and_ends() {
    for version in VERSIONS {
        with(version, &mixed(), "grades-st", |l| {
            (l.grade_as, l.end_as) = (GradeAs::St, EndAs::St);
        });
        with(version, &mixed(), "grades-sn", |l| l.grade_as = GradeAs::Sn);
        with(version, &mixed(), "grades-snomed", |l| {
            (l.grade_as, l.grade_codes) = (GradeAs::Cwe, GradeCodes::SnomedFirst);
        });
    }
}

#[test]
fn segments_and_places() {
    for version in VERSIONS {
        let all = if version.has_spm() { "obr-2 obr-3 spm-2 pid-3" } else { "obr-2 obr-3 pid-3" };
        with(version, &mixed(), "places", |l| l.specimen_in = all.parse().expect("places"));
        with(version, &mixed(), "bare", |l| {
            l.specimen_in = "obr-2".parse().expect("a place");
            for name in ["ORC", "SPM", "NTE"] {
                l.set_segment(name, false).expect("a segment");
            }
        });
    }
}

#[test]
fn headers_and_fixed_values() {
    for version in VERSIONS {
        with(version, &mixed(), "header", |l| {
            l.sending_application = Party::of("WICKLINE^2.16.840.1.113883.19.77.1^ISO");
            l.receiving_facility = Party::of("KESTREL^kestrel.example^DNS");
            l.acknowledge = "accept".parse().expect("a way");
            l.profile = match version {
                Version::V231 => "",
                Version::V24 => "KP_ORU_1",
                _ => "KP_ORU_1^KESTREL^2.16.840.1.113883.19.77.9^ISO",
            }
            .into();
            let mut fixed = vec![
                ("MSH-8", "bench"),
                ("MSH-17", if version == Version::V231 { "NL" } else { "NLD" }),
                ("OBR-18", "dipstick"),
                ("OBR-24", "LAB"),
                ("OBX-17", "STRIP^Test strip^L"),
            ];
            if version == Version::V251 {
                fixed.push(("OBX-23", "Kestrel Point Clinic^L"));
            }
            fixed.iter().for_each(|(field, value)| l.set_fixed(field, value).expect("a value"));
        });
    }
}

#[test]
fn remarks_about_the_report_and_about_its_results() {
    for version in VERSIONS {
        with(version, &Sample { remarks: remarks(), ..mixed() }, "remarks", |_| ());
    }
}

/// Verified at the receiver: as it goes first, and as what changed goes.
#[test]
fn results_that_are_verified_elsewhere() {
    let before = Sample::new(vec![glucose_grade(), glucose(None, "250"), unread_number()]);
    let now = Sample::new(vec![glucose_grade(), glucose(None, "500"), gravity(None, "1.020")]);
    for version in VERSIONS {
        for (name, status) in [("preliminary", "preliminary"), ("unverified", "unverified")] {
            let layout = changed(version, |l| l.status = status.parse().expect("a status"));
            let first = result_message(&layout, &before.outgoing()).expect("a message");
            kept_bytes(name, &layout, &first);
            let next = follows(&layout, &[&first], &now.outgoing(), "strip read again");
            let next = next.expect("a message").expect("it says something");
            kept_bytes(&format!("{name}-again"), &layout, &next);
        }
    }
}

/// Who gave which id, what the specimen is, and what the maker calls the analyzer.
#[test]
fn ids_with_their_namespaces() {
    let sample = named("op7");
    for version in VERSIONS {
        let layout = changed(version, |l| {
            l.specimen_in =
                if version.has_spm() { "both" } else { "obr-2" }.parse().expect("places");
            l.specimen_namespace = Party::of("KESTREL");
            l.patient_authority = Party::of("KPC");
            l.patient_id_type = "MR".into();
            if version > Version::V231 {
                l.patient_authority = Party::of("KESTREL^2.16.840.1.113883.19.77^ISO");
                l.equipment_namespace = "KESTREL".into();
            }
        });
        let equipment =
            (version > Version::V231).then_some(Equipment { serial: "A-20417", model: "STRIP-2" });
        let out = Outgoing {
            equipment,
            urine: "URINM".parse().expect("a kind"),
            collected: Some(moment("202603140855+0100")),
            ..sample.outgoing()
        };
        kept_as("namespaces", &layout, &out);
    }
}

#[test]
fn corrections_and_withdrawals() {
    let before = Sample::new(vec![glucose_grade(), glucose(None, "400"), acidity(), unread()]);
    let now = vec![glucose_grade(), glucose(None, "1200"), gravity(None, "1.020"), unread()];
    let revised = Sample { remarks: remarks(), ..Sample::new(now) };
    let withdrawn = Sample::new(Vec::new());
    for version in VERSIONS {
        let layout = changed(version, |_| ());
        let first = result_message(&layout, &before.outgoing()).expect("a message");
        let kept = |name, sample: &Sample, reason| {
            let bytes = follows(&layout, &[&first], &sample.outgoing(), reason).expect("a message");
            kept_bytes(name, &layout, &bytes.expect("it says something"));
        };
        kept("revised", &revised, "strip read again & found\nmisplaced");
        kept("withdrawn", &withdrawn, "another patient's specimen");
    }
}
