//! What a receiver reads of a result by what its table says: types, flags, statuses, places, materials.

use wickline_forward::hl7::Message;

use super::*;
use crate::acts::decide::Decision;

/// A bench whose one analyzer and receiver have these further keys.
fn bench(site: &str, analyzer: &str, receiver: &str) -> Bench {
    let text = format!(
        "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n{site}\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
         control_specimens = [\"QC-L1=1\"]\n{analyzer}\n\
         [[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n{receiver}\n"
    );
    let loaded = from_text(std::path::Path::new("./w.toml"), text).expect("a good configuration");
    Bench::build(&loaded).expect("a good configuration")
}

impl Lab {
    async fn read_by_it(&self, n: i64) -> Message {
        Message::read(&self.whole(n).await.body).expect("a message")
    }
}

/// These fields of each OBX of an analyte, joined.
fn of(message: &Message, analyte: &str, fields: &[usize]) -> Vec<String> {
    let named = |n: &usize| {
        let own = [4, 1].map(|part| message.component("OBX", *n, 3, part));
        own.iter().any(|id| id == analyte || id.starts_with(&format!("{analyte}-")))
    };
    let told = |n| {
        let all: Vec<&str> =
            fields.iter().map(|f| message.field("OBX", n, *f).unwrap_or("")).collect();
        all.join("|")
    };
    (1..=message.count("OBX")).filter(named).map(told).collect()
}

on_both!(
    an_unread_number_is_never_a_coded_one,
    a_flag_stands_on_what_its_reference_is_of,
    control_material_is_named_in_coded_fields,
    what_is_verified_elsewhere_goes_so,
    ids_have_their_namespaces_and_urine_its_kind,
    a_patients_id_that_is_too_long_is_called_so,
    a_result_has_its_place_whatever_stands_beside_it,
);

/// OBX-2 of a pad that was not read: what its result would have had.
async fn an_unread_number_is_never_a_coded_one(mut lab: Lab) {
    let cases = [
        ("", "CE", "NM"),
        ("grades = \"never\"\nversion = \"2.4\"", "NM", "NM"),
        ("coded = \"ST\"\nends = \"ST\"\nversion = \"2.3.1\"", "ST", "NM"),
        ("grades = \"never\"\nname_of = [\"GLU number=UGLU^Sugar^99KPC\"]", "NM", "NM"),
    ];
    for (n, (receiver, glucose, gravity)) in (1..).zip(cases) {
        lab.bench = bench("", "", receiver);
        let mut unread = lab.heard(&format!("{n}"), &format!("KP-{n:05}"), "ERR");
        unread.report.readings[3].parts = ["---".into()].into_iter().collect();
        let id = lab.take(&[unread], 1).await.reports[0].id;
        let actor = Actor::person(None);
        lab.ledger.report_release(&lab.bench, &actor, id, "seen").await.expect("released");
        let last = *lab.waiting().await.last().expect("a message");
        let message = lab.read_by_it(last).await;
        let own = if receiver.contains("UGLU") { "UGLU" } else { "GLU" };
        assert_eq!(of(&message, own, &[2, 5, 11]), [format!("{glucose}||X")], "{receiver}");
        assert_eq!(of(&message, "SG", &[2, 5, 11]), [format!("{gravity}||X")], "{receiver}");
    }
}

/// OBX-8 of a grade and of the number beside it.
async fn a_flag_stands_on_what_its_reference_is_of(mut lab: Lab) {
    let cases = [
        ("", ["CE|A", "NM|"].as_slice(), "NM|H"),
        ("flags = \"both\"", &["CE|A", "NM|H"], "NM|H"),
        ("grades = \"only\"", &["CE|A"], "NM|H"),
        ("grades = \"never\"", &["NM|H"], "NM|H"),
    ];
    for (n, (receiver, glucose, acidity)) in (1..).zip(cases) {
        lab.bench = bench("[reference]\nGLU = \"NEG\"\nPH = \"5.0-8.0\"", "", receiver);
        let mut heard = lab.heard(&format!("{n}"), &format!("KP-{n:05}"), "2+");
        heard.report.readings[0].parts.push("400".into());
        heard.report.readings[0].unit = Some("mg/dL".into());
        heard.report.readings[5].parts = ["8.5".into()].into_iter().collect();
        lab.take(&[heard], 1).await;
        let last = *lab.waiting().await.last().expect("a message");
        let message = lab.read_by_it(last).await;
        assert_eq!(of(&message, "GLU", &[2, 8]), glucose, "{receiver}");
        assert_eq!(of(&message, "PH", &[2, 8]), [acidity], "{receiver}");
    }
}

/// Level, lot and expiry, each in a field of its own, by version and structure.
async fn control_material_is_named_in_coded_fields(mut lab: Lab) {
    let expect = "\"GLU=NEG\", \"BIL=NEG\", \"KET=NEG\", \"SG=1.016\", \"BLD=NEG\", \"PH=6.0\", \
                  \"PRO=NEG\", \"URO=NORM\", \"NIT=NEG\", \"LEU=NEG\"";
    let lot = format!(
        "[[control]]\nlevel = \"1\"\nlot = \"KP-101\"\nfirst_day = \"2026-01-01\"\n\
         last_day = \"2026-06-30\"\nexpires = \"2026-12-31\"\nexpect = [{expect}]"
    );
    let own = [
        "CONTROL-LEVEL|CE|1^Control level 1^99WKL",
        "CONTROL-LOT|ST|KP-101",
        "CONTROL-EXPIRY|DT|20261231",
    ];
    let inventory =
        "1^Control level 1^99WKL|OK^OK Status^HL70383|CO^Control^HL70384|20261231|KP-101";
    for (n, (receiver, by_specimen)) in (1..).zip([
        ("version = \"2.4\"", false),
        ("version = \"2.5\"", false),
        ("", false),
        ("without = [\"SPM\"]\nspecimen_in = \"obr-2\"", false),
        ("version = \"2.5\"\nstructure = \"OUL^R22\"", true),
        ("structure = \"OUL^R22\"", true),
    ]) {
        lab.bench = bench(&lot, "", &format!("{receiver}\ncontrols = true"));
        let heard = [lab.heard(&format!("{n}"), "QC-L1", "NEG")];
        assert_eq!(states(&lab.take(&heard, 1).await), [(ReportState::Filed, None)]);
        let last = *lab.waiting().await.last().expect("a message");
        let message = lab.read_by_it(last).await;
        let told: Vec<String> = (1..=message.count("OBX"))
            .map(|n| (message.component("OBX", n, 3, 1), n))
            .filter(|(code, _)| code.starts_with("CONTROL-"))
            .map(|(code, n)| {
                let field = |f| message.field("OBX", n, f).unwrap_or("");
                format!("{code}|{}|{}", field(2), field(5))
            })
            .collect();
        let held = |f| message.field("INV", 1, f).unwrap_or("");
        let inv = [1, 2, 3, 12, 16].map(held).join("|");
        if by_specimen {
            assert_eq!((told.len(), inv.as_str()), (0, inventory), "{receiver}");
            assert_eq!(message.field("SAC", 1, 3), Some("QC-L1"));
            assert_eq!(message.field("SPM", 1, 2), Some("QC-L1"));
        } else {
            assert_eq!(
                (told, message.count("INV")),
                (own.map(str::to_owned).to_vec(), 0),
                "{receiver}"
            );
        }
        assert_eq!(message.count("PID"), 0);
    }
}

/// OBX-11 and OBR-25, first and after a change.
async fn what_is_verified_elsewhere_goes_so(mut lab: Lab) {
    for (n, (status, letter)) in (1..).zip([("preliminary", "P"), ("unverified", "R")]) {
        lab.bench = bench("", "", &format!("status = \"{status}\""));
        let (number, specimen) = (format!("{n}"), format!("KP-{n:05}"));
        let heard = [lab.heard(&number, &specimen, "NEG"), lab.heard(&number, &specimen, "2+")];
        let mut told = Vec::new();
        for (place, one) in heard.iter().enumerate() {
            let id = lab.take(std::slice::from_ref(one), 1).await.reports[0].id;
            if place == 1 {
                let what = Decision::Correction { of: None };
                let actor = Actor::person(None);
                let done = lab.ledger.report_decide(&lab.bench, &actor, id, what, "again").await;
                done.expect("decided");
            }
            let last = *lab.waiting().await.last().expect("a message");
            told.push(lab.read_by_it(last).await);
            let accepted = [settled(last, MessageState::Accepted)];
            lab.ledger.queue_settle("lis", 0, &accepted).await.expect("recorded");
        }
        for message in &told {
            assert_eq!(message.component("OBR", 1, 25, 1), letter);
            let all =
                (1..=message.count("OBX")).all(|n| message.component("OBX", n, 11, 1) == letter);
            assert!(all, "{status}");
        }
        assert_eq!(told[0].field("OBR", 1, 3), told[1].field("OBR", 1, 3));
        assert_eq!(of(&told[1], "GLU", &[5]), ["2+^2+^99WKL"]);
    }
}

async fn ids_have_their_namespaces_and_urine_its_kind(mut lab: Lab) {
    let site = "";
    let analyzer = "serial = \"A-20417\"\nmodel = \"STRIP-2\"";
    let receiver = "specimen_namespace = \"KESTREL\"\nequipment_namespace = \"KPC\"\n\
                    patient = \"as-heard\"\npatient_authority = \"KPC^1.2.3^ISO\"\n\
                    patient_id_type = \"MR\"";
    for (n, (version, words, kind)) in (1..).zip([
        ("2.5.1", "", "UR^Urine^HL70487"),
        ("2.5.1", "specimen_words = [\"UR=URINM\"]", "URINM^Urine, Midstream^HL70487"),
        ("2.4", "specimen_type = \"URINC\"", "URT&Urine catheter&HL70070"),
    ]) {
        let receiver = format!("version = \"{version}\"\n{receiver}");
        lab.bench = bench(site, analyzer, &receiver);
        lab.bench.urines = told_of(words);
        let mut heard = lab.heard(&format!("{n}"), &format!("KP-{n:05}"), "NEG");
        heard.report.patient = Some(wickline_normalize::Patient {
            id: Some(wickline_normalize::Private::new("H1")),
            name: Some(wickline_normalize::Private::new("Lantern^Marnie")),
            ..Default::default()
        });
        lab.take(&[heard], 1).await;
        let last = *lab.waiting().await.last().expect("a message");
        let message = lab.read_by_it(last).await;
        let field = |segment, n| message.field(segment, 1, n).unwrap_or("").to_owned();
        assert_eq!(field("PID", 3), "H1^^^KPC&1.2.3&ISO^MR");
        assert_eq!(field("OBX", 18), "bench-1^KPC~A-20417^STRIP-2");
        let (id, source) = if version == "2.4" { (("OBR", 2), 15) } else { (("SPM", 2), 4) };
        let separator = if version == "2.4" { '^' } else { '&' };
        assert_eq!(field(id.0, id.1), format!("KP-{n:05}{separator}KESTREL"));
        assert_eq!(field(id.0, source), kind);
    }
}

/// The specimen id is right, and nobody need identify anything: what is too long is the patient's.
async fn a_patients_id_that_is_too_long_is_called_so(mut lab: Lab) {
    for (n, (version, id)) in
        (1..).zip([("2.5.1", "H004417H004417H0"), ("2.3.1", "H004417H004417")])
    {
        let keys = "patient = \"as-heard\"\npatient_authority = \"KPC\"\npatient_id_type = \"MR\"";
        lab.bench = bench("", "", &format!("version = \"{version}\"\n{keys}"));
        let mut heard = lab.heard(&format!("{n}"), &format!("KP-{n:05}"), "NEG");
        heard.report.patient = Some(wickline_normalize::Patient {
            id: Some(wickline_normalize::Private::new(id)),
            name: Some(wickline_normalize::Private::new("Lantern^Marnie")),
            ..Default::default()
        });
        let report = lab.take(&[heard], 1).await.reports[0].id;
        let item = lab.item(report).await;
        assert_eq!(item.reason.as_deref(), Some("unreadable"));
        let said = item.detail.unwrap_or_default();
        assert!(said.contains("the patient's id, ") && !said.contains(id), "{said}");
    }
}

/// A negative has no number beside it: its OBX-4 is the one that it has beside one.
async fn a_result_has_its_place_whatever_stands_beside_it(mut lab: Lab) {
    for (n, (parts, places)) in
        (1..).zip([(vec!["NEG"], vec!["1"]), (vec!["2+", "400"], vec!["1", "2"])])
    {
        lab.bench =
            bench("", "", "names = \"local\"\nname_of = [\"GLU=UGLU^Urine glucose^99KPC\"]");
        let mut heard = lab.heard(&format!("{n}"), &format!("KP-{n:05}"), parts[0]);
        let glucose = heard.report.readings.iter_mut().find(|r| r.label == "GLU").expect("GLU");
        glucose.parts = parts.iter().map(|part| (*part).into()).collect();
        glucose.unit = parts.get(1).map(|_| "mg/dL".into());
        lab.take(&[heard], 1).await;
        let last = *lab.waiting().await.last().expect("a message");
        let message = lab.read_by_it(last).await;
        assert_eq!(of(&message, "UGLU", &[4]), places, "{parts:?}");
    }
}

/// What these keys of the site say of urine.
fn told_of(words: &str) -> crate::settings::bench::Urines {
    let text = format!(
        "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n{words}\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n[[analyzer]]\nid = \"a\"\nline = \"tcp:127.0.0.1:1\"\n\
         dialect = \"lis02\"\ncontrols = \"none\"\n[[receiver]]\nid = \"l\"\naddress = \"dir:out\"\n"
    );
    let loaded = from_text(std::path::Path::new("./w.toml"), text).expect("a good configuration");
    Bench::build(&loaded).expect("a good configuration").urines
}
