//! The proof itself on trial: a strip that is wrong, a spreadsheet that would be harmed.

use std::collections::BTreeSet;

use super::expect::{End, Obx};
use super::facts::Facts;
use super::files::shipped;
use super::paper::{Comparison, compare, csv};
use super::press::Press;
use super::sheet::{Habits, Sheet, builtin_strip};
use super::signs::{Class, Sign};
use super::wishes::Wishes;
use super::{Row, Trial, Verdict, fingerprint};
use crate::settings::{self, bench::Bench};

/// The ten pads under another name, with something changed.
fn strip(from: &str, to: &str) -> String {
    let text = builtin_strip("ten-pad").expect("it comes with the program");
    assert!(from.is_empty() || text.contains(from), "{from}");
    text.replace("id = \"ten-pad\"", "id = \"site-pad\"").replace(from, to)
}

/// Tries the program's strip file against what another one says.
fn tried(loaded_strip: &str, sheet: &str) -> Vec<Row> {
    tried_under(&Sign::default(), loaded_strip, sheet)
}

/// The same under a sign.
fn tried_under(sign: &Sign, loaded_strip: &str, sheet: &str) -> Vec<Row> {
    let folder = std::env::temp_dir().join(format!(
        "wickline-prove-{}-{}",
        std::process::id(),
        fingerprint(&[loaded_strip])
    ));
    std::fs::create_dir_all(&folder).expect("a folder");
    std::fs::write(folder.join("site.toml"), loaded_strip).expect("a strip file");
    let text = "[site]\nname = \"Kestrel Point Clinic\"\nshort = \"KESTRELPOINT\"\ntimezone = \"UTC\"\n\
        [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
        [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\n\
        dialect = \"two-column\"\nstrip = \"site.toml\"\n\
        [[receiver]]\nid = \"lis\"\naddress = \"dir:.\"\nunits = \"si\"\n";
    let loaded =
        settings::from_text(&folder.join("w.toml"), text.to_owned()).expect("a configuration");
    let bench = Bench::build(&loaded).expect("a bench");
    std::fs::remove_dir_all(&folder).expect("it was ours");
    let habits = Habits::read(super::sheet::builtin_dialect("two-column").expect("known"));
    let analyzer = bench.analyzers.first().expect("one");
    let capture = shipped("two-column").expect("one");
    let habits = habits.expect("a dialect");
    let press = Press::new(analyzer.dialect.as_ref(), &habits, capture).expect("a template");
    let receiver = loaded.settings.receiver.first().expect("one");
    let wishes = Wishes::new(receiver, &loaded.settings.reference, true);
    let trial = Trial {
        bench: &bench,
        analyzer,
        target: bench.targets.first().expect("one"),
        sheet: &Sheet::read(sheet).expect("a strip"),
        habits: &habits,
        wishes: &wishes,
        press: &press,
        prints_si: false,
        series: "000000",
    };
    trial.matrix(&[(Class::Routine, sign.clone())], 0).expect("it can be printed")
}

/// Who has to mend the dialect reads in the case which line it did not understand.
#[test]
fn a_case_that_is_held_as_unreadable_shows_the_line() {
    let sign = Sign { line: "ROOM".into(), ..Sign::default() };
    let own = strip("", "");
    let rows = tried_under(&sign, &own, &own);
    let row = rows.iter().find(|row| row.case == "site-pad/GLU/00-NEG/conventional/-/routine");
    let row = row.expect("a case");
    assert_eq!(row.verdict, Verdict::Differs);
    assert_eq!(row.remark, "held: unreadable: not understood: `ROOM`");
}

fn differing(rows: &[Row]) -> BTreeSet<&str> {
    rows.iter().filter(|r| r.verdict == Verdict::Differs).map(|r| r.case.as_str()).collect()
}

#[test]
fn a_wrong_si_label_shows_in_its_own_cases_and_in_no_other() {
    let good = strip("", "");
    assert!(differing(&tried(&good, &good)).is_empty());
    let wrong = strip("\"400\", si = \"22\"", "\"400\", si = \"21.9\"");
    let rows = tried(&wrong, &good);
    let differ = differing(&rows);
    // No mark of this dialect denies an abnormal rung: each of its prints goes out.
    let meant: BTreeSet<&str> = rows
        .iter()
        .filter(|r| r.case.contains("/GLU/03-2+") && r.units == "conventional")
        .filter(|r| matches!(r.expected, End::Sent(_)))
        .map(|r| r.case.as_str())
        .collect();
    assert!(!meant.is_empty());
    assert_eq!(differ, meant);
    let one = rows.iter().find(|r| differ.contains(r.case.as_str())).expect("one");
    assert!(one.expected.to_string().contains(" 22 mmol/L"), "{}", one.expected);
    assert!(one.sent_text().contains(" 21.9 mmol/L"), "{}", one.sent_text());
}

/// Pads that go on from inherited ones, a dropped pad, ranges, grades of their own, labels as printed, and a ratio
/// whose ladder has neither end.
const OWN: &str = r#"
id = "site-pad"
name = "Site"
extends = "fourteen-pad"
drop = ["CLA", "CA"]
[words]
HIGH = ["hoch"]
[[pad]]
id = "LEU"
rungs = [
    { grade = "NORMAL", text = "Normal", conventional = "<10", si = "<10", flag = "N" },
    { grade = "HIGH", text = "High", conventional = "10-25", si = "10-25", flag = "A" },
    { grade = "5+", conventional = "30-300", si = "30-300", flag = "A" },
]
[[pad]]
id = "URO"
as-printed = true
rungs = [
    { grade = "NORM", conventional = "0.2", si = "3.2", flag = "N" },
    { grade = "0.5+", conventional = "2", si = "32", flag = "A" },
]
[[pad]]
id = "CRE"
rungs = [
    { conventional = "20", si = "1.8", flag = "range" },
    { conventional = "60", si = "5.3", flag = "range" },
    { conventional = ">=180", si = ">=15.9", flag = "range" },
]
[[pad]]
id = "ACR"
rungs = [
    { grade = "NORMAL", text = "Normal", conventional = "<30", si = "<3.4", flag = "N" },
    { grade = "ABNORMAL", text = "Abnormal", conventional = "30-300", si = "3.4-34", flag = "A" },
    { grade = "HIGH", text = "High", conventional = ">300", si = ">34", flag = "A" },
]
"#;

#[test]
fn what_a_laboratorys_own_strip_says_is_proved() {
    let rows = tried(OWN, OWN);
    // Names of two words have no room in a print whose columns end with a blank.
    let fits = |r: &&Row| r.verdict == Verdict::Differs || !r.case.contains(" named ");
    let odd: Vec<_> =
        rows.iter().filter(|r| r.verdict != Verdict::AsExpected).filter(fits).collect();
    assert!(
        odd.is_empty(),
        "{}: {:?} not {:?}; {}",
        odd[0].case,
        odd[0].sent,
        odd[0].expected,
        odd[0].remark
    );
    let sent = |part: &str| {
        let row =
            rows.iter().find(|r| r.case.contains(part)).unwrap_or_else(|| panic!("no {part}"));
        row.sent_text()
    };
    assert!(
        sent("/LEU/01-HIGH/conventional/").contains("HIGH F | 58805-3 LEU-CELLS SN 10-25 10*6/L")
    );
    assert!(sent("/URO/01-0.5+/conventional/").contains(" 32 umol/L"));
    assert!(sent("/ACR/02-HIGH/conventional/").contains(">34 mg/mmol"));
    assert!(rows.iter().all(|r| r.pad != "CLA"));
    // Another label of the range shows in its own cases.
    let wrong = OWN.replace("si = \"10-25\"", "si = \"10-26\"");
    let rows = tried(&wrong, OWN);
    let differ = differing(&rows);
    assert!(!differ.is_empty() && differ.iter().all(|c| c.contains("/LEU/01-HIGH")), "{differ:?}");
}

#[test]
fn a_wrong_word_shows() {
    let good = strip("", "");
    let wrong = strip(
        "{ grade = \"3+\", conventional = \"1200\"",
        "{ grade = \"3+\", conventional = \"1201\"",
    );
    let differ = tried(&wrong, &good);
    let differ = differing(&differ);
    assert!(differ.iter().all(|c| c.contains("/GLU/04-3+")) && !differ.is_empty());
}

fn row(case: &str, printed: &str, sent: &str) -> Row {
    let obx = Obx { code: sent.into(), ..Obx::default() };
    Row {
        case: case.into(),
        strip: "ten-pad".into(),
        pad: "GLU".into(),
        rung: "+1".into(),
        units: "si".into(),
        mark: "@".into(),
        class: "routine".into(),
        printed: printed.into(),
        expected: End::Filed,
        sent: Some(End::Sent(vec![obx])),
        remark: "a \"quote\", and a comma".into(),
        verdict: Verdict::Differs,
        control_id: "PRV1".into(),
        answered: "-1".into(),
        message: None,
        body: None,
    }
}

#[test]
fn a_spreadsheet_takes_no_cell_for_a_formula() {
    let text = csv(&[row("a", "=1+1", "\t2")], &Facts::default(), "f");
    for guarded in ["\"'=1+1\"", "\"'\t2\"", "\"'+1\"", "\"'@\"", "\"'-1\""] {
        assert!(text.contains(guarded), "{guarded}: {text}");
    }
    assert!(text.contains("\"a \"\"quote\"\", and a comma\""), "{text}");
    assert_eq!(text.lines().count(), 2);
    let again = compare(&text, &[row("a", "=1+1", "\t2")], &Facts::default());
    assert_eq!(again, Ok(Comparison::default()), "read back as written");
}

#[test]
fn what_changed_appeared_and_vanished_is_told() {
    let old =
        csv(&[row("a", "1", "x"), row("b", "1", "x"), row("c", "1", "x")], &Facts::default(), "f");
    let now = [row("a", "1", "x"), row("b", "-1", "y"), row("d", "1", "x")];
    let none = Facts::default();
    let changes = compare(&old, &now, &none).expect("a proof");
    assert_eq!(changes.facts, None, "this one carries no facts");
    let changes = changes.cases;
    let told: Vec<_> = changes.iter().map(|c| (c.case.as_str(), c.how, c.columns.len())).collect();
    assert_eq!(told, [("b", "changed", 2), ("d", "appeared", 0), ("c", "vanished", 0)]);
    assert_eq!(changes[0].columns[0], ("printed", "1".into(), "-1".into()));
    assert!(compare("case,strip\r\n", &now, &none).is_err());
    assert!(compare(&(old.clone() + "\"x\",\"y\"\r\n"), &now, &none).is_err());
}

#[test]
fn fingerprints_tell_texts_apart() {
    assert_eq!(fingerprint(&["a", "b"]).len(), 16);
    assert_ne!(fingerprint(&["a", "b"]), fingerprint(&["ab", ""]));
    // SHA-256 of eight zero bytes: the length of an empty text (FIPS 180-4; by Python's hashlib).
    assert_eq!(fingerprint(&[""]), "af5570f5a1810b7a");
}
