//! A print of pairs, with signs behind its numbers and its classes within a line of other words, proved.

use std::path::{Path, PathBuf};

use serde_json::Value;
use wickline::prove::truth::digest;

use crate::kit::{Folder, run};
use crate::prove::{cases, text};

const DIALECT: &str = r#"
name = "pairs"
decimal = "comma"
[dates]
order = "dmy"
[report]
first_line = ["Bandelette"]
last_line = ["Fin "]
must_end = true
silence_ms = 3000
[header]
lines = [
    "Bandelette, poste {any}",
    "Le {date} {time} N. {number}",
    "Flacon: {specimen?} / Agent: {operator}",
    "Fin {number}",
]
control = ["Flacon: TEMOIN niveau {level}, lot {lot} / Agent: {operator}"]
urgent = ["URGENT / Flacon: {specimen?} / Agent: {operator}"]
[results]
split = "blanks"
cells = ["label", "result"]
entry_sign = "|"
between = ["("]
marks_glued = ["!"]
unread = ["illisible"]
[marks]
"!" = "abnormal"
"#;

const STRIP: &str = r#"
id = "pairs"
name = "Pairs"
extends = "ten-pad"
drop = ["BIL", "CLA", "COL", "PRO", "SG", "URO"]
[words]
NEG = ["neg"]
POS = ["positif"]
[[pad]]
id = "GLU"
names = ["GLUC"]
[[pad]]
id = "KET"
names = ["CETO"]
[[pad]]
id = "BLD"
names = ["SANG"]
[[pad]]
id = "NIT"
names = ["NITR"]
[[pad]]
id = "LEU"
names = ["LEUC"]
"#;

const CAPTURE: &str = "Bandelette, poste 2\n\
Le 18/03/2026 07:42 N. 0188\n\
Flacon: KP-20417 / Agent: CD\n\
GLUC  neg                 | LEUC  2+ (120 /uL)!\n\
CETO  traces (8 mg/dL)    | PH    6,5\n\
SANG  1+ (20 /uL)!        | NITR  positif!\n\
Fin 0188\n";

const CONTROL: &str = "Bandelette, poste 2\n\
Le 18/03/2026 08:01 N. 0190\n\
Flacon: TEMOIN niveau 1, lot K120 / Agent: CD\n\
GLUC  neg                 | LEUC  neg\n\
CETO  neg                 | PH    6,0\n\
SANG  neg                 | NITR  neg\n\
Fin 0190\n";

/// The same with PH on the left, where a line begins with a bare number.
fn ph_first() -> String {
    let line = "CETO  traces (8 mg/dL)    | PH    6,5\n";
    CAPTURE.replace(line, "PH    6,5                 | CETO  traces (8 mg/dL)\n")
}

/// The configuration of an analyzer that prints so, in a folder of its own.
fn bench(dialect: &str) -> (Folder, PathBuf) {
    let folder = Folder::new("prove-pairs");
    folder.write("pairs.toml", dialect);
    folder.write("strip.toml", STRIP);
    let config = "[site]\nname = \"Kestrel Point Clinic\"\nshort = \"KESTRELPOINT\"\ntimezone = \"UTC\"\n\
        [store]\ntape = \"t.db\"\nledger = \"sqlite:l.db\"\n\
        [[analyzer]]\nid = \"bench-1\"\nline = \"listen:127.0.0.1:0\"\ndialect = \"pairs.toml\"\n\
        strip = \"strip.toml\"\n\
        [[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n";
    let config = folder.write("w.toml", config);
    (folder, config)
}

/// What a proof of these captures says, and what it says on the other side where it cannot be made.
fn proved(folder: &Folder, config: &Path, captures: &[&str]) -> (Value, String) {
    let mut options = vec!["--json".to_owned(), "prove".to_owned()];
    for (n, capture) in captures.iter().enumerate() {
        let path = folder.write(&format!("{n}.cap"), capture);
        // What was typed of it says so.
        let truth = path.with_extension("truth.csv");
        if let Ok(typed) = std::fs::read_to_string(&truth) {
            let typed = typed.replace("CAPTURE", &digest(capture.as_bytes()));
            std::fs::write(&truth, typed).expect("the folder is ours");
        }
        options.extend(["--capture".to_owned(), path.to_string_lossy().into_owned()]);
    }
    let options: Vec<&str> = options.iter().map(String::as_str).collect();
    let done = run(config, &options);
    let proof = serde_json::from_slice(&done.stdout).unwrap_or_default();
    (proof, String::from_utf8_lossy(&done.stderr).into_owned())
}

fn open(proof: &Value) -> Vec<(&str, &str)> {
    let list = proof["not_proved"].as_array().expect("a list").iter();
    list.map(|gap| (text(&gap["id"]), text(&gap["text"]))).collect()
}

/// PH and its number stand only right of the bar, and every number left of it is in brackets.
#[test]
fn a_reading_behind_another_lends_its_place() {
    let (folder, config) = bench(DIALECT);
    let (proof, told) = proved(&folder, &config, &[CAPTURE]);
    assert!(proof.is_object(), "{told}");
    let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] != "as-expected").collect();
    let fits = |case: &&&Value| !text(&case["case"]).contains(" named ");
    assert_eq!(odd.iter().filter(fits).count(), 0, "{:?}", odd.iter().find(fits));
    let numbers =
        cases(&proof).iter().filter(|c| c["pad"] == "PH" && c["verdict"] == "as-expected");
    assert!(numbers.count() > 9);
}

/// A pad that the template has no room for is printed as another report of a capture has it; where none has it so, what
/// was looked for is told, and what there is.
#[test]
fn a_place_is_looked_for_in_every_report_and_what_is_missing_is_told() {
    let (folder, config) = bench(DIALECT);
    let bare = CAPTURE.replace("| PH    6,5", "| PH    illisible");
    let (proof, told) = proved(&folder, &config, &[&bare]);
    assert!(proof.is_null(), "{proof}");
    for said in [
        "pad PH finds no place",
        "a label with number,",
        "the captures have it only as label and unread",
    ] {
        assert!(told.contains(said), "{said}: {told}");
    }
    for captures in [&[&bare[..], CONTROL][..], &[&(bare.clone() + CONTROL)]] {
        let (proof, told) = proved(&folder, &config, captures);
        assert!(proof.is_object(), "{told}");
        let found = cases(&proof).iter().find(|case| case["pad"] == "PH").expect("a case");
        assert_eq!(found["verdict"], "as-expected", "{found}");
    }
}

/// The lot of control material chooses its targets: a dialect that reads past it differs from the paper.
#[test]
fn a_lot_that_is_read_past_differs_from_the_paper() {
    let typed = "report,what,label,pad,grade,value,unit,mark,code\n,capture,,,,CAPTURE,,,\n\
        ,read-by,,,,A. Vidal,,,\n1,number,,,,0190,,,\n1,class,,,,control,,,\n\
        1,level,,,,1,,,\n1,lot,,,,K120,,,\n1,taken,,,,2026-03-18 08:01,,,\n1,operator,,,,CD,,,\n1,end,,,,filed,,,\n\
        1,reading,GLUC,GLU,neg,,,,\n1,reading,LEUC,LEU,neg,,,,\n1,reading,CETO,KET,neg,,,,\n\
        1,reading,PH,PH,,\"6,0\",,,\n1,reading,SANG,BLD,neg,,,,\n1,reading,NITR,NIT,neg,,,,\n";
    for (dialect, differs) in
        [(DIALECT.to_owned(), 0), (DIALECT.replace("lot {lot}", "lot {any}"), 1)]
    {
        let (folder, config) = bench(&dialect);
        folder.write("1.truth.csv", typed);
        let (proof, told) = proved(&folder, &config, &[&ph_first(), CONTROL]);
        let all = proof["typed"].as_array().unwrap_or_else(|| panic!("{told}"));
        let odd: Vec<&Value> = all.iter().filter(|one| one["differs"] == true).collect();
        assert_eq!(odd.len(), differs, "{odd:?}");
        for one in odd {
            assert_eq!(
                (text(&one["label"]), text(&one["typed"]), text(&one["read"])),
                ("lot", "K120", "")
            );
        }
    }
}

/// A sign that stands in a line with the operator is shown by cases, and one that no case can show is still a sign.
#[test]
fn a_sign_within_a_line_is_no_missing_sign() {
    let (folder, config) = bench(DIALECT);
    let (proof, told) = proved(&folder, &config, &[&ph_first()]);
    assert!(proof.is_object(), "{told}");
    let ids: Vec<&str> = open(&proof).into_iter().map(|(id, _)| id).collect();
    assert_eq!(ids, ["truth-routine", "truth-stat", "truth-control", "ends"], "{:?}", open(&proof));
    for class in ["stat", "control"] {
        let mut own = cases(&proof).iter().filter(|case| case["class"] == class);
        assert!(own.any(|case| case["verdict"] == "as-expected"), "{class}");
    }
    // A day and a month in pieces, which no line of the template says.
    let dated =
        DIALECT.replace("TEMOIN niveau {level}, lot {lot}", "TEMOIN {level} du {day}.{month}");
    let dated = dated.replace("urgent = [", "urgent = [\"URGENT {day}.{month}\"] #");
    let (folder, config) = bench(&dated);
    let (proof, told) = proved(&folder, &config, &[&ph_first()]);
    assert!(proof.is_object(), "{told}");
    let ids: Vec<&str> = open(&proof).into_iter().map(|(id, _)| id).collect();
    let wanted = ["sign-1", "sign-2", "truth-routine", "truth-stat", "truth-control", "ends"];
    assert_eq!(ids, wanted, "{:?}", open(&proof));
}

/// Class, number and a time in pieces share one line, and one form of urgent work leaves the specimen out: each is
/// shown by a case, and the last one is held as a print without an id is.
#[test]
fn a_class_beside_number_and_time_is_shown() {
    let line = |class: &str| {
        format!("\"N. {{number}} {{hour}}h{{minute}} {class} / Agent: {{operator}}\"")
    };
    let lines =
        "    \"Le {date} {time} N. {number}\",\n    \"Flacon: {specimen?} / Agent: {operator}\",\n";
    let own = format!("    \"Le {{date}}\",\n    {},\n", line("Flacon: {specimen}"));
    let control = "control = [\"Flacon: TEMOIN niveau {level}, lot {lot} / Agent: {operator}\"]";
    let urgent = "urgent = [\"URGENT / Flacon: {specimen?} / Agent: {operator}\"]";
    let dialect = DIALECT
        .replace(lines, &own)
        .replace(control, &format!("control = [{}]", line("TEMOIN {level}, lot {lot}")))
        .replace(urgent, &format!("urgent = [{}, {}]", line("URG {specimen}"), line("URG ?")));
    let (folder, config) = bench(&dialect);
    let head = "Le 18/03/2026\nN. 0188 7h42 Flacon: KP-20417 / Agent: CD\n";
    let print =
        ph_first().replace("Le 18/03/2026 07:42 N. 0188\nFlacon: KP-20417 / Agent: CD\n", head);
    assert!(print.contains(head));
    let (proof, told) = proved(&folder, &config, &[&print]);
    assert!(proof.is_object(), "{told}");
    let ids: Vec<&str> = open(&proof).into_iter().map(|(id, _)| id).collect();
    assert_eq!(ids, ["truth-routine", "truth-stat", "truth-control", "ends"], "{:?}", open(&proof));
    let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] == "differs").collect();
    assert!(odd.is_empty(), "{:?}", odd.first());
    let blank = cases(&proof).iter().find(|c| text(&c["case"]).contains("URG ?")).expect("a case");
    assert_eq!(blank["sent"]["held"], serde_json::json!(["specimen-blank"]), "{blank}");
}

/// What a person says to stand on a patient's paper and the dialect reads past differs as well.
#[test]
fn a_truth_that_says_more_than_is_read_differs() {
    let (folder, config) = bench(DIALECT);
    folder.write(
        "0.truth.csv",
        "report,what,label,pad,grade,value,unit,mark,code\n,capture,,,,CAPTURE,,,\n\
         ,read-by,,,,A. Vidal,,,\n1,number,,,,0188,,,\n1,class,,,,routine,,,\n\
         1,level,,,,9,,,\n1,lot,,,,Z9,,,\n1,end,,,,sent,,,\n",
    );
    let (proof, told) = proved(&folder, &config, &[&ph_first()]);
    let all = proof["typed"].as_array().unwrap_or_else(|| panic!("{told}"));
    for (label, typed) in [("level", "9"), ("lot", "Z9")] {
        let one = all.iter().find(|one| one["label"] == label).unwrap_or_else(|| panic!("{all:?}"));
        assert_eq!((text(&one["typed"]), text(&one["read"])), (typed, ""));
        assert_eq!(one["differs"], true);
    }
}

/// Control material of which the paper says the lot alone is known by it, and filed.
#[test]
fn a_lot_says_of_which_control_material_a_print_is() {
    let dialect = DIALECT.replace("TEMOIN niveau {level}, lot {lot}", "TEMOIN, lot {lot}");
    let (folder, config) = bench(&dialect);
    let (proof, told) = proved(&folder, &config, &[&ph_first()]);
    assert!(proof.is_object(), "{told}");
    let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] == "differs").collect();
    assert!(odd.is_empty(), "{:?}", odd.first());
    let mut filed = cases(&proof).iter().filter(|c| c["class"] == "control");
    assert!(filed.any(|c| c["verdict"] == "as-expected"));
}

/// What is asked of a print without an id, and of control material that bears none, stands where this print has it.
#[test]
fn a_blank_id_is_printed_by_the_line_that_the_dialect_has_for_it() {
    let dialect = DIALECT
        .replace(
            "    \"Flacon: {specimen?} / Agent: {operator}\",\n",
            "    \"Flacon: {specimen}\",\n    \"Flacon: (sans)\",\n    \"Agent: {operator}\",\n",
        )
        .replace(
            "Flacon: TEMOIN niveau {level}, lot {lot} / Agent: {operator}",
            "TEMOIN {level} lot {lot}",
        )
        .replace("URGENT / Flacon: {specimen?} / Agent: {operator}", "URGENT");
    let print = ph_first().replace("KP-20417 / Agent: CD", "KP-20417\nAgent: CD");
    let (folder, config) = bench(&dialect);
    let (proof, told) = proved(&folder, &config, &[&print]);
    assert!(proof.is_object(), "{told}");
    let odd: Vec<_> = cases(&proof).iter().filter(|c| c["verdict"] == "differs").collect();
    assert!(odd.is_empty(), "{} {:?}", odd.len(), odd.first());
    let blank = cases(&proof).iter().find(|c| text(&c["case"]).ends_with("hold/specimen-blank"));
    let blank = blank.expect("a case");
    assert_eq!(blank["sent"]["held"], serde_json::json!(["specimen-blank"]), "{blank}");
}

/// What numbers the lines of a print is read past, and stays each pad's own: here it says where a report begins.
#[test]
fn a_line_that_is_numbered_keeps_its_number() {
    let dialect = DIALECT
        .replace("first_line = [\"Bandelette\"]", "first_line = [\"01 SANG\"]")
        .replace("    \"Bandelette, poste {any}\",\n", "")
        .replace("entry_sign = \"|\"\nbetween = [\"(\"]\n", "")
        .replace("cells = [\"label\", \"result\"]", "cells = [\"ignore\", \"label\", \"result\"]");
    let print = "01 SANG  neg\n02 GLUC  neg\n03 CETO  traces 8 mg/dL\n04 LEUC  2+ 120 /uL !\n05 NITR  neg\n\
        06 PH    6,5\nLe 18/03/2026 07:42 N. 0188\nFlacon: KP-20417 / Agent: CD\nFin 0188\n";
    let (folder, config) = bench(&dialect);
    let (proof, told) = proved(&folder, &config, &[print]);
    assert!(proof.is_object(), "{told}");
    // But where the line by which the report begins lacks, bears another label or stands there twice.
    let of = |c: &Value| {
        let case = text(&c["case"]);
        ["/missing/", " named ", "pads-unexpected"].iter().any(|part| case.contains(part))
    };
    let odd = cases(&proof).iter().filter(|c| c["verdict"] == "differs" && !of(c));
    let odd: Vec<_> = odd.collect();
    assert!(odd.is_empty(), "{} {:?}", odd.len(), odd.first());
    let own =
        cases(&proof).iter().filter(|c| c["pad"] == "BLD" && text(&c["printed"]).contains("/uL"));
    assert!(own.count() > 3, "its numbers stand on another pad's line");
}
