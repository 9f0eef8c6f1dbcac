//! Broken configurations: each is refused with file, line, key, what was found, what is allowed.

use crate::kit::{Folder, configuration, run};

/// What is changed in a good configuration, and what the refusal must say.
const BROKEN: &[(&str, &str, &[&str])] = &[
    (
        "timezone = \"Europe/Lisbon\"",
        "timezone = \"Kestrel\"",
        &[":4:", "site.timezone", "Kestrel", "IANA"],
    ),
    (
        "short = \"KESTRELPOINT\"",
        "short = \"KESTRELPOINTCLINICLABORATORY\"",
        &[":3:", "site.short", "at most 20"],
    ),
    ("name = \"Kestrel Point Clinic\"", "nmae = \"x\"", &["site.nmae", "did you mean `name`"]),
    ("[store]", "[stroe]", &["stroe", "did you mean `store`"]),
    ("tape = \"tape.db\"\n", "", &["store.tape", "nothing", "SQLite"]),
    (
        "ledger = \"sqlite:ledger.db\"",
        "ledger = \"mysql:x\"",
        &["store.ledger", "mysql:x", "postgres://"],
    ),
    ("low_water_mib = 1", "low_water_mib = \"1\"", &["store.low_water_mib", "whole number"]),
    ("low_water_mib = 1", "low_water_mib = -1", &["store.low_water_mib", "-1", "from 0"]),
    ("dialect = \"lis02\"", "dialect = \"lis03\"", &["analyzer.dialect", "lis03", "two-column"]),
    ("strip = \"ten-pad\"", "strip = \"nine-pad\"", &["analyzer.strip", "nine-pad", "eleven-pad"]),
    (
        "id = \"bench-1\"",
        "id = \"bench 1\"",
        &["analyzer.id", "bench 1", "letters, digits and hyphens"],
    ),
    ("id = \"bench-1\"", "id = \"bench-1\"\nspeed = 9601", &["analyzer.speed", "9601", "19200"]),
    (
        "id = \"bench-1\"",
        "id = \"bench-1\"\nframing = \"9N1\"",
        &["analyzer.framing", "9N1", "8E1"],
    ),
    ("id = \"bench-1\"", "id = \"bench-1\"\nflow = \"dtr\"", &["analyzer.flow", "dtr", "xon-xoff"]),
    ("line = \"listen:127.0.0.1:0\"", "line = \"usb:1\"", &["analyzer.line", "usb:1", "serial:"]),
    (
        "line = \"listen:127.0.0.1:0\"",
        "line = \"listen:0.0.0.0:4002\"",
        &["analyzer.line", "allow"],
    ),
    (
        "address = \"mllp://127.0.0.1:1\"",
        "address = \"http://x\"",
        &["receiver.address", "http://x", "mllp://"],
    ),
    ("id = \"lis\"", "id = \"lis\"\nversion = \"2.7\"", &["receiver.version", "2.7", "2.5.1"]),
    (
        R,
        "id = \"lis\"\nversion = \"2.3.1\"\ncontrols = true",
        &["receiver.controls", "true", "2.3.1"],
    ),
    (
        "id = \"lis\"",
        "id = \"lis\"\nanalyzers = [\"bench-9\"]",
        &["receiver.analyzers", "bench-9", "bench-1"],
    ),
    (
        "id = \"lis\"",
        "id = \"lis\"\ngrade = \"only\"",
        &["receiver.grade", "did you mean `grades`"],
    ),
    ("[[receiver]]", "[receiver]", &["receiver", "[[receiver]]"]),
    ("[[analyzer]]", "[reference]\nZZZ = \"NEG\"\n[[analyzer]]", &["reference.ZZZ"]),
    (
        "control_marks = [\"Q1=1\", \"Q2=2\"]",
        "control_marks = \"Q\"",
        &["analyzer.control_marks", "list"],
    ),
    ("[site]", "[site", &[":1:", "(file)"]),
    (R, "id = \"lis\"\nwindow = 8\nmllp = \"2\"", &["receiver.window", "one block"]),
    (R, "id = \"lis\"\nsource = \"eth0\"", &["receiver.source", "eth0", "IP address"]),
    (R, "id = \"lis\"\nalso = [\"dir:out\"]", &["receiver.also", "mllp://"]),
    (R, "id = \"lis\"\nversion = \"2.4\"\nstructure = \"OUL^R22\"", &["receiver.structure", "2.5"]),
    (R, "id = \"lis\"\nversion = \"2.3.1\"\nspecimen_in = \"spm-2\"", &["specimen_in", "SPM"]),
    (R, "id = \"lis\"\nspecimen_in = \"pv1-3\"", &["receiver.specimen_in", "pv1-3", "obr-2"]),
    (R, "id = \"lis\"\npanel = \"50556-1^x^LN\"", &["receiver.panel", "50556-1"]),
    (R, "id = \"lis\"\npanel = \"UADIP\"", &["receiver.panel", "CODE^TEXT^SYSTEM"]),
    (R, "id = \"lis\"\nname_of = [\"GLU\"]", &["receiver.name_of", "NAME=VALUE"]),
    (R, "id = \"lis\"\nname_of = [\"GLU colour=a^b^L\"]", &["receiver.name_of", "grade"]),
    (R, "id = \"lis\"\norder = [\"GLC\", \"*\"]", &["receiver.order", "GLC", "GLU"]),
    (R, "id = \"lis\"\norder = [\"GLU\", \"GLU\"]", &["receiver.order", "each once"]),
    (R, "id = \"lis\"\nwithout = [\"OBX\"]", &["receiver.without", "OBX", "ORC, SPM"]),
    (R, "id = \"lis\"\nfixed = [\"OBX-5=NEG\"]", &["receiver.fixed", "OBX-5"]),
    (R, "id = \"lis\"\nfixed = [\"OBR-24=URINE\"]", &["receiver.fixed", "OBR-24", "LAB"]),
    (R, "id = \"lis\"\nsending_application = \"W^1.2\"", &["receiver.sending_application"]),
    (R, "id = \"lis\"\nlocal_system = \"mine\"", &["99"]),
    (R, "id = \"lis\"\ngrade_codes = \"icd\"", &["receiver.grade_codes", "snomed-first"]),
    (R, "id = \"lis\"\npatients = false", &["receiver.patients", "get nothing"]),
    (A, "id = \"bench-1\"\ncontrols_due = \"hold\"", &["analyzer.controls_due", "[[control]]"]),
    (A, "id = \"bench-1\"\ncontrols_from = \"25:00\"", &["analyzer.controls_from", "07:00"]),
    (A, "id = \"bench-1\"\nnumber_last = 5", &["analyzer.number_last", "from 10"]),
    (
        A,
        "id = \"bench-1\"\nnumber_classes = [\"9=qc\"]",
        &["analyzer.number_classes", "9xxx=control"],
    ),
    ("[site]", "[site]\ncomments = [\"UA-INT\"]", &["site.comments", "UA-INT-ASC"]),
    ("[site]", "[site]\nspecimen_check = \"mod-11\"", &["site.specimen_check", "luhn"]),
    (
        "[site]",
        "[site]\nexternal_quality = [\"[0-9]{8}\"]",
        &["site.external_quality", "00000000", "EQA-[0-9]{4}"],
    ),
    (
        "control_marks = [\"Q1=1\", \"Q2=2\"]",
        "control_marks = [\"Q1=external\"]",
        &["analyzer.control_marks", "not external"],
    ),
    (
        "[[receiver]]",
        "[[control]]\nlevel = \"1\"\n[[receiver]]",
        &["control.lot", "control.expect"],
    ),
    (
        "[[receiver]]",
        "[[control]]\nlevel = \"3\"\nlot = \"KP-1\"\nfirst_day = \"2026-01-01\"\nlast_day = \"2025-01-01\"\n\
         expect = [\"GLU=5+\", \"PRO=NEG\", \"PRO=NEG\", \"URO\"]\n[[receiver]]",
        &["control.level", "control.expect", "5+", "each analyte once", "ANALYTE=WHAT"],
    ),
    (
        "[[receiver]]",
        "[[comment]]\ncode = \"KP-X\"\nconditions = [\"GLC >= 1+\"]\ntext = \"x\"\nsource = \"common practice\"\n\
         [[receiver]]",
        &["comment.code", "GLC"],
    ),
];

const R: &str = "id = \"lis\"";
const A: &str = "id = \"bench-1\"";

#[test]
fn each_broken_configuration_says_where_what_and_what_is_allowed() {
    let folder = Folder::new("broken");
    let good = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "mllp://127.0.0.1:1", "");
    let mut all = String::new();
    for (from, to, needed) in BROKEN {
        assert!(good.contains(from), "the good configuration has {from}");
        let path = folder.write("wickline.toml", &good.replacen(from, to, 1));
        let output = run(&path, &["check", "--offline"]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{to}: {said}");
        assert!(said.contains("wickline.toml:"), "{to}: no file in: {said}");
        for word in *needed {
            assert!(said.contains(word), "{to}: no `{word}` in: {said}");
        }
        let said = said.replace(&folder.0.display().to_string(), "");
        all.push_str(&format!("== {from}\n-> {to}\n{said}\n"));
    }
    snapshot(&all);
    let path = folder.write("wickline.toml", &good);
    let output = run(&path, &["check", "--offline"]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
}

/// Every refusal word for word, to be read aloud: would you know what to do?
fn snapshot(all: &str) {
    let path = std::path::Path::new(env!("CARGO_MANIFEST_DIR"))
        .join("../../fixtures/wickline/refusals.txt");
    if std::env::var("WICKLINE_BLESS").is_ok_and(|v| v == "1") {
        std::fs::create_dir_all(path.parent().expect("a folder")).expect("made");
        std::fs::write(&path, all).expect("written");
    }
    let wanted = std::fs::read_to_string(&path).expect("the snapshot");
    assert_eq!(all, wanted, "WICKLINE_BLESS=1 writes it anew; read the difference first");
}

#[test]
fn a_missing_file_and_a_wrong_environment_are_told() {
    let folder = Folder::new("missing");
    let output = run(&folder.0.join("none.toml"), &["check"]);
    assert_eq!(output.status.code(), Some(2));
    let good = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "mllp://127.0.0.1:1", "");
    let path = folder.write("wickline.toml", &good);
    let output = std::process::Command::new(crate::kit::binary())
        .args(["--config", &path.to_string_lossy(), "check", "--offline"])
        .env("WICKLINE__STORE__LOW_WATER_MIB", "plenty")
        .output()
        .expect("the binary can be run");
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2));
    assert!(said.contains("WICKLINE__STORE__LOW_WATER_MIB") && said.contains("plenty"), "{said}");
}
