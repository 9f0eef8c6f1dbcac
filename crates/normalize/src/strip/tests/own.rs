//! What a laboratory's own strip may say: pads that go on from inherited ones, labels as printed, ranges, grades and
//! words of its own.

use super::{faults, spoiled};
use crate::figure::Figure;
use crate::prints::{codes, reading, report, with};
use crate::strip::Strip;
use crate::units::{Property, Units};
use crate::{Choice, Content, Grades, Moment, Rules};

/// A strip that goes on from the ten pads.
pub(super) fn ten(more: &str) -> Strip {
    Strip::parse(&text(more), "own.toml").unwrap_or_else(|faults| panic!("{faults:#?}"))
}

fn text(more: &str) -> String {
    format!("id = \"own\"\nname = \"Own\"\nextends = \"ten-pad\"\n{more}")
}

pub(super) fn refused(more: &str, key: &str, word: &str) {
    let found = faults(&text(more));
    let told = found.iter().any(|f| f.key == key && f.allowed.contains(word));
    assert!(told, "{key}, {word}: {found:#?}");
}

#[test]
fn a_pad_given_again_has_what_it_does_not_give() {
    let shipped = Strip::builtin("ten-pad").expect("built in");
    let own = ten("[words]\n\"2+\" = [\"zwei\"]\n[[pad]]\nid = \"GLU\"\nrungs = [\n\
         { grade = \"NEG\", flag = \"N\" },\n\
         { grade = \"2+\", conventional = \"400\", si = \"22\", flag = \"A\" } ]\n\
         [[pad]]\nid = \"KET\"\ntitle = \"Acetone\"\nnames = [\"Azeton\"]\nwords = { TR = [\"(+)\"] }\n");
    let (old, new) = (shipped.pad("GLU").expect("GLU"), own.pad("GLU").expect("GLU"));
    assert_eq!(new.title, old.title);
    assert_eq!(new.grades(), ["NEG", "2+"], "a ladder is given whole");
    for property in [Property::Presence, Property::Mass, Property::Moles] {
        for automated in [true, false] {
            assert_eq!(new.code(property, automated), old.code(property, automated));
        }
    }
    assert_eq!(own.pad_of("Glukose"), own.pad_of("GLU"), "and its names");
    assert_eq!(new.grade_of("++"), Some("2+"), "the shipped words");
    assert_eq!(new.grade_of("zwei"), Some("2+"), "and those of the file");
    assert_eq!(new.grade_of("trace"), None, "of a grade that it no longer has");
    let ketones = own.pad("KET").expect("KET");
    assert_eq!((ketones.title.as_str(), ketones.grades().len()), ("Acetone", 6));
    assert_eq!(ketones.grade_of("(+)"), Some("TR"));
    assert_eq!(own.pad_of("azeton"), own.pad_of("KET"));
    assert_eq!(own.pad_of("Ketones"), None, "names are given whole too");
    assert_eq!(
        own.pad("PRO").and_then(|p| p.grade_of("zwei")),
        Some("2+"),
        "a pad not given again"
    );
    refused("[[pad]]\nid = \"GLU\"\nconventional = { ucum = \"g/L\" }\n", "pad.GLU.rungs", "5 %");
    refused("[[pad]]\nid = \"GLU\"\n[[pad]]\nid = \"GLU\"\n", "pad", "once");
    refused("[words]\nTR = [\"neg\"]\n", "pad.GLU.words", "one grade");
    refused("[[pad]]\nid = \"ASC\"\n", "pad.ASC.title", "");
}

#[test]
fn inherited_pads_may_be_dropped() {
    let own = ten("drop = [\"COL\", \"CLA\"]\n");
    assert_eq!(own.pads.len(), 10);
    assert_eq!((own.pad_of("Colour"), own.pad("CLA").is_none()), (None, true));
    refused("drop = [\"ASC\"]\n", "drop", "BIL, BLD");
    let alone = super::OWN.replace("name =", "drop = [\"GLU\"]\nname =");
    assert_eq!(faults(&alone)[0].key, "drop", "nothing is inherited");
}

#[test]
fn si_labels_are_what_the_insert_prints() {
    let pad = |extra: &str| {
        format!(
            "[[pad]]\nid = \"URO\"\n{extra}rungs = [\n\
             {{ grade = \"NORM\", conventional = \"0.2\", si = \"3.2\", flag = \"N\" }},\n\
             {{ grade = \"NORM\", conventional = \"1\", si = \"16\", flag = \"N\" }},\n\
             {{ grade = \"1+\", conventional = \"2\", si = \"34\", flag = \"A\" }} ]\n"
        )
    };
    refused(&pad(""), "pad.URO.rungs", "as-printed = true");
    let own = ten(&pad("as-printed = true\n"));
    let notes = own.notes().join("\n");
    let told = "URO: 0.2 mg/dL is 3.2 umol/L as the insert prints it; converted it is 3.3857";
    assert!(notes.contains(told), "{notes}");
    let one = pad("").replace("si = \"16\", ", "si = \"16\", as-printed = true, ");
    refused(&one, "pad.URO.rungs", "3.3857 umol/L");
    assert!(spoiled("\"5.6\"", "\"6.6\"")[0].allowed.contains("as-printed"));
}

#[test]
fn cells_are_cells_in_either_spelling() {
    let own = ten("");
    for (id, own_spelling, strange) in [("BLD", "Ery/µL", "Leu/uL"), ("LEU", "Leu/uL", "Ery/uL")] {
        let pad = own.pad(id).expect(id);
        for units in [Units::Conventional, Units::Si] {
            for known in [own_spelling, "10*6/L", "10^6/L", "/uL"] {
                assert!(pad.is_spelled(units, known), "{id} {known} {units:?}");
            }
            assert!(!pad.is_spelled(units, strange) && !pad.is_spelled(units, "10*9/L"), "{id}");
        }
    }
    let glucose = own.pad("GLU").expect("GLU");
    assert!(!glucose.is_spelled(Units::Si, "mg/dL"), "what is converted is not one thing");
}

const RANGES: &str = r#"
[[pad]]
id = "LEU"
rungs = [
    { grade = "NORMAL", text = "Normal", conventional = "<10", si = "<10", flag = "N" },
    { grade = "HIGH", text = "High", conventional = "10-25", si = "10-25", flag = "A" },
    { grade = "5+", conventional = "30-300", si = "30-300", flag = "A" },
]
words = { HIGH = ["erhöht"], NORMAL = ["o.B."] }
[[pad]]
id = "BLD"
conventional = { ucum = "mg/dL" }
si = { ucum = "mg/L" }
automated = { presence = "57751-0", mass = "50559-4" }
rungs = [
    { grade = "NEG", flag = "N" },
    { grade = "TR-INTACT", text = "Trace, intact cells", conventional = "0.03", si = "0.3", flag = "policy" },
    { grade = "TR-LYSED", text = "Trace, haemolysed", conventional = "0.03", si = "0.3", flag = "policy" },
    { grade = "0.5+", conventional = "0.06-0.15", si = "0.6-1.5", flag = "A" },
    { grade = "1+", conventional = ">0.15", si = ">1.5", flag = "A" },
]
"#;

/// A print judged against one strip.
pub(super) fn judged(print: &crate::Report, strip: &Strip, rules: &Rules) -> crate::Judged {
    let heard = Moment::from_digits("20250314091530").expect("a time");
    let facts = crate::Facts {
        earlier: &[],
        heard,
        day: crate::prints::DAY,
        sequence: None,
        controls: None,
        lot: None,
    };
    crate::judge(print, std::slice::from_ref(strip), rules, &facts)
}

/// What is held of one print, or what goes out of it.
fn told(strip: &Strip, print: (&str, &[&str], &str), units: Units) -> String {
    let (label, parts, unit) = print;
    let rules = Rules { print_units: units, ..Rules::default() };
    let print = with(report(strip, units), reading(label, parts, unit));
    let found = judged(&print, strip, &rules);
    if !found.holds.is_empty() {
        return codes(&found).join(" ");
    }
    let choice = Choice { units: Units::Si, grades: Grades::Beside, ..Choice::default() };
    let sent = crate::observe(&found.readings, strip, &choice).expect("it can be sent");
    let said = sent.iter().filter(|o| o.pad() == label).map(|o| match &o.content {
        Content::Grade { code, .. } => format!("{}={}", code.code, code.text),
        Content::Number { comparator, digits, .. } => {
            format!("{}{digits}", comparator.map_or("", crate::Comparator::text))
        }
        Content::Range { from, to, .. } => format!("{from}-{to}"),
        Content::Unread { .. } => "unread".into(),
    });
    said.collect::<Vec<String>>().join(" ")
}

#[test]
fn ranges_and_own_grades_are_read_and_sent_as_they_stand() {
    let own = ten(RANGES);
    let leukocytes = "LEU";
    for (label, parts, unit, wanted) in [
        (leukocytes, &["HIGH", "10-25"][..], "/uL", "HIGH=High 10-25"),
        (leukocytes, &["erhöht"], "", "HIGH=High"),
        (leukocytes, &["10 - 25"], "Leu/µL", "HIGH=High 10-25"),
        (leukocytes, &["10-25"], "10*6/L", "HIGH=High 10-25"),
        (leukocytes, &["17"], "/uL", "off-ladder"),
        (leukocytes, &["10"], "/uL", "off-ladder"),
        (leukocytes, &["25"], "/uL", "off-ladder"),
        (leukocytes, &["10-30"], "/uL", "off-ladder"),
        (leukocytes, &["NORMAL", "10-25"], "/uL", "grade-value-disagree"),
        (leukocytes, &["5+", "30-300"], "/uL", "5+=5+ 30-300"),
        (leukocytes, &["o.B.", "<10"], "/uL", "NORMAL=Normal <10"),
        ("BLD", &["TR-LYSED", "0.03"], "mg/dL", "TR-LYSED=Trace, haemolysed 0.3"),
        ("BLD", &["TR-INTACT", "0.03"], "mg/dL", "TR-INTACT=Trace, intact cells 0.3"),
        ("BLD", &["0.03"], "mg/dL", "off-ladder"),
        ("BLD", &["0.06-0.15"], "mg/dL", "0.5+=0.5+ 0.6-1.5"),
        ("BLD", &["1+", ">0.15"], "mg/dL", "1+=1+ >1.5"),
    ] {
        assert_eq!(told(&own, (label, parts, unit), Units::Conventional), wanted, "{parts:?}");
    }
    assert_eq!(told(&own, ("BLD", &["0.6-1.5"], "mg/L"), Units::Si), "0.5+=0.5+ 0.6-1.5");
    let blood = own.pad("BLD").expect("BLD");
    assert_eq!(blood.code(Property::Mass, true).map(|c| c.code.as_str()), Some("50559-4"));
    assert!(blood.code(Property::Number, true).is_none(), "cells are no mass");
    assert_eq!((blood.plus_steps(), own.pad("LEU").expect("LEU").plus_steps()), (0, 0));
}

#[test]
fn a_ladder_of_ranges_and_own_grades_is_checked_too() {
    for (old, new, word) in [
        ("\"10-25\", si = \"10-25\"", "\"8-25\", si = \"8-25\"", "ascending"),
        ("\"30-300\", si = \"30-300\"", "\"20-300\", si = \"20-300\"", "ascending"),
        ("si = \"0.6-1.5\"", "si = \"0.6\"", "a range in both"),
        ("si = \"0.6-1.5\"", "si = \"0.6-1.8\"", "0.6-1.5 mg/L"),
        ("\"HIGH\", text = \"High\"", "\"High\", text = \"High\"", "a code of its own"),
        ("\"HIGH\", text = \"High\"", "\"HIGH\"", "a code of its own"),
        ("\"5+\"", "\"NORMAL\", text = \"Normal\"", "each grade once"),
        ("grade = \"0.5+\"", "grade = \"2+\"", "ascending"),
    ] {
        assert!(RANGES.contains(old), "{old}");
        let found = faults(&text(&RANGES.replacen(old, new, 1)));
        assert!(found.iter().any(|f| f.allowed.contains(word)), "{new}, {word}: {found:#?}");
    }
}

#[test]
fn shared_words_reach_grades_of_ones_own() {
    let own = ten(&format!("[words]\nHIGH = [\"hoch\"]\n{RANGES}"));
    assert_eq!(own.pad("LEU").and_then(|p| p.grade_of("Hoch")), Some("HIGH"));
    refused("[words]\nHIGH = [\"hoch\"]\n", "words", "a grade of one of its pads");
    assert_eq!(Figure::read("10-25").map(|f| f.text()).as_deref(), Some("10-25"));
}

const GUIDE: &str = include_str!("../../../../../config/strips/README.md");

/// The guide's strips, in its order.
fn of_the_guide() -> Vec<Strip> {
    let blocks = GUIDE.split("```toml\n").skip(1).filter_map(|rest| rest.split("```").next());
    let read = |text| Strip::parse(text, "guide.toml").unwrap_or_else(|f| panic!("{f:#?}"));
    blocks.map(read).collect()
}

#[test]
fn the_guides_first_strip_reads_what_it_says() {
    let strips = of_the_guide();
    assert_eq!(strips.len(), 2);
    let pad = |id: &str| strips[0].pad(id).unwrap_or_else(|| panic!("no {id}"));
    assert_eq!(pad("GLU").grade_of("(2+)"), Some("2+"));
    assert_eq!(pad("GLU").grade_of("1+,"), Some("1+"), "a comma stays with its grade");
    assert_eq!(strips[0].pad_of("spec. gravity"), strips[0].pad_of("SG"));
    assert_eq!(pad("KET").grade_of("(1+)"), Some("1+"), "the file's words reach inherited pads");
    for id in ["KET", "GLU"] {
        assert!(pad(id).code(Property::Presence, true).is_some(), "and {id} its codes");
    }
    assert!(strips[0].pad("COL").is_none());
}

/// Each row of the guide's table, printed and sent.
#[test]
fn the_guides_table_is_true() {
    let strip = &of_the_guide()[1];
    let rows = GUIDE.lines().filter_map(|line| line.strip_prefix("| `")?.split_once("` | "));
    let pads = ["BLD ", "LEU ", "GLU ", "URO "];
    let rows: Vec<_> =
        rows.filter(|(print, _)| pads.iter().any(|p| print.starts_with(p))).collect();
    assert_eq!(rows.len(), 10);
    for (print, wanted) in rows {
        let (label, rest) = print.split_once(' ').expect("a label");
        let number = rest.find(|c: char| c.is_ascii_digit() && !rest.starts_with("0.5+"));
        let number = if rest.starts_with("0.5+") { Some(5) } else { number };
        let (grade, rest) = rest.split_at(number.unwrap_or(rest.len()));
        let (value, unit) = rest.split_once(' ').unwrap_or((rest, ""));
        let parts: Vec<&str> =
            [grade.trim(), value].into_iter().filter(|part| !part.is_empty()).collect();
        let found = told(strip, (label, &parts, unit), Units::Conventional);
        assert_eq!(found, wanted.trim_end_matches(" |"), "{print}");
    }
    let notes = strip.notes().join("\n");
    assert!(
        notes
            .contains("GLU: 100 mg/dL is 6 mmol/L as the insert prints it; converted it is 5.5507")
    );
}

/// Every key of a strip file stands in the heading of the first shipped one and in the guide.
#[test]
fn every_key_is_documented() {
    let heading = include_str!("../../../../../config/strips/ten-pad.toml");
    for key in [
        "extends",
        "drop",
        "words",
        "unread",
        "kind",
        "optional",
        "names",
        "conventional",
        "automated",
        "manual",
        "rungs",
        "as-printed",
        "text",
    ] {
        assert!(heading.split("id = ").next().is_some_and(|h| h.contains(key)), "{key}");
        assert!(GUIDE.contains(key), "{key}");
    }
}

#[test]
fn a_label_or_word_that_means_something_else_elsewhere_is_asked_about() {
    let swapped = "[[pad]]\nid = \"GLU\"\nnames = [\"GLUC\", \"PROT\"]\n[[pad]]\nid = \"PRO\"\n\
         names = [\"GLIC\"]\nwords = { TR = [\"dim\"] }\n[words]\n\"1+\" = [\"traco\"]\n";
    let own = Strip::parse(&text(swapped), "own.toml");
    let own = own.map_err(|faults| faults.iter().map(|f| f.allowed.clone()).collect::<String>());
    let notes = match own {
        Ok(own) => own.questions().join("; "),
        // A word with two meanings is refused before anybody has to ask.
        Err(why) => panic!("{why}"),
    };
    for told in ["GLU: label `prot` is Protein (PRO)", "PRO: label `glic` is Glucose (GLU)"] {
        assert!(notes.contains(told), "{told}: {notes}");
    }
    let quiet = ten("[words]\nTR = [\"dim\"]\n[[pad]]\nid = \"GLU\"\nnames = [\"Zucker\"]\n");
    assert_eq!(quiet.questions(), [""; 0]);
}
