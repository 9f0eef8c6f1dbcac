//! Strips: the shipped ones hold the invented ladders, and a bad one is refused with its place.

mod numbers;
mod own;

use std::collections::BTreeMap;

use proptest::prelude::*;

use super::{Kind, Pad, Rung, Sense, Strip};
use crate::fault::Fault;
use crate::figure::Figure;
use crate::prints::{strip, table};
use crate::units::{Property, Units};

const LADDER: &str = include_str!("../../../../fixtures/normalize/ladder.csv");

/// The smallest strip that is whole, with one pad to spoil.
const OWN: &str = r#"
id = "own"
name = "Own"
[[pad]]
id = "GLU"
title = "Glucose"
kind = "graded"
conventional = { ucum = "mg/dL" }
si = { ucum = "mmol/L" }
automated = { presence = "50555-2", mass = "53328-1" }
manual = { presence = "25428-4", mass = "5792-7", moles = "22705-8" }
rungs = [
    { grade = "NEG", flag = "N" },
    { grade = "1+", conventional = "100", si = "5.6", flag = "A" },
    { grade = "2+", conventional = ">=400", si = ">=22", flag = "A" },
]
words = { "1+" = ["+"] }
"#;

fn faults(text: &str) -> Vec<Fault> {
    Strip::parse(text, "own.toml").err().unwrap_or_default()
}

/// The single fault of a strip in which one text is replaced.
fn fault(old: &str, new: &str) -> Fault {
    assert!(OWN.contains(old), "{old}");
    let mut faults = faults(&OWN.replacen(old, new, 1));
    assert_eq!(faults.len(), 1, "{faults:#?}");
    faults.remove(0)
}

/// The faults when one text is replaced: one mistake may show in other places too.
fn spoiled(old: &str, new: &str) -> Vec<Fault> {
    assert!(OWN.contains(old), "{old}");
    let faults = faults(&OWN.replacen(old, new, 1));
    assert!(!faults.is_empty(), "{new}");
    faults
}

#[test]
fn every_shipped_strip_is_read_by_anyone() {
    for (name, text) in [
        ("ten-pad", include_str!("../../../../config/strips/ten-pad.toml")),
        ("eleven-pad", include_str!("../../../../config/strips/eleven-pad.toml")),
        ("twelve-pad", include_str!("../../../../config/strips/twelve-pad.toml")),
        ("fourteen-pad", include_str!("../../../../config/strips/fourteen-pad.toml")),
    ] {
        assert!(text.contains("INVENTED for demonstration"), "{name}");
        let own = text.replace(&format!("id = \"{name}\""), "id = \"own\"");
        assert!(faults(&own).is_empty(), "{:#?}", faults(&own));
        assert_eq!(fault_keys(text), ["id"], "the name of a shipped strip is taken");
        let pads: Vec<String> = strip(name).pads.iter().map(|p| p.id.clone()).collect();
        assert!(pads.is_sorted(), "{pads:?}");
    }
    assert_eq!(strip("ten-pad").pads.iter().filter(|p| !p.optional).count(), 10);
    assert_eq!(strip("eleven-pad").pads.iter().filter(|p| !p.optional).count(), 11);
    assert_eq!(strip("twelve-pad").pads.iter().filter(|p| !p.optional).count(), 12);
    assert_eq!(strip("fourteen-pad").pads.iter().filter(|p| !p.optional).count(), 14);
    assert!(Strip::builtin("own").is_none());
}

fn fault_keys(text: &str) -> Vec<String> {
    faults(text).into_iter().map(|f| f.key).collect()
}

#[test]
fn every_rung_has_the_values_of_the_invented_ladders() {
    let strip = strip("fourteen-pad");
    let mut rows = 0;
    for row in table(LADDER) {
        let [id, rung, grade, cc, cv, cu, sc, sv, su, exact, flag, ord, conv, si] = row[..] else {
            panic!("{row:?}")
        };
        let pad = strip.pad(id).expect(id);
        let rung = &pad.rungs[rung.parse::<usize>().expect("a rung")];
        rows += 1;
        let code = grade.to_uppercase().replace(' ', "-");
        assert_eq!(rung.grade.as_deref().unwrap_or("VAL"), code, "{id}");
        let label = |units| rung.label(units).map(Figure::text).unwrap_or_default();
        assert_eq!(label(Units::Conventional), format!("{cc}{cv}"), "{id} {code}");
        assert_eq!(label(Units::Si), format!("{sc}{sv}"), "{id} {code}");
        let unit = |units| pad.measure(units).map_or("", |m| m.unit.ucum);
        if !cv.is_empty() {
            assert_eq!((unit(Units::Conventional), unit(Units::Si)), (cu, su), "{id}");
        }
        let sense = match flag {
            "N" => Sense::Normal,
            "A" => Sense::Abnormal,
            "policy" => Sense::Policy,
            _ => Sense::Range,
        };
        assert_eq!(rung.sense, sense, "{id} {code}");
        for (from_table, units) in [(conv, Units::Conventional), (si, Units::Si)] {
            let property = pad.measure(units).map(|m| m.unit.property);
            let own = property.and_then(|p| pad.code(p, false)).map_or("", |c| c.code.as_str());
            assert_eq!(own, from_table, "{id} {units:?}");
        }
        let own = pad.code(pad.grade_property(), false).map_or("", |c| c.code.as_str());
        assert_eq!(own, ord, "{id}");
        if !exact.is_empty() {
            let (exact, label): (f64, f64) = (exact.parse().unwrap(), sv.parse().unwrap());
            assert!(((label - exact) / exact).abs() <= 0.05, "{id} {code}: {label} for {exact}");
        }
    }
    let all: usize = strip.pads.iter().map(|p| p.rungs.len()).sum();
    assert_eq!(rows, all, "every rung is in the table");
}

/// Our own steps, second edition, written down by hand: no other number may stand in a strip of the program.
#[test]
fn the_shipped_strips_have_exactly_our_own_steps() {
    let ten = [
        ("BIL", "NEG|1+ 1.5 26|2+ 3 51|3+ >=6 >=103"),
        ("BLD", "NEG|TR 6 6|1+ 20 20|2+ 60 60|3+ >=180 >=180"),
        ("GLU", "NEG|TR 40 2.2|1+ 100 5.6|2+ 400 22|3+ 1200 67|4+ >=2400 >=133"),
        ("KET", "NEG|TR 8 0.8|1+ 20 2.0|2+ 50 4.9|3+ 100 9.8|4+ >=200 >=20"),
        ("LEU", "NEG|TR 12 12|1+ 35 35|2+ 120 120|3+ >=420 >=420"),
        ("NIT", "NEG|POS"),
        ("PH", "5.0|5.5|6.0|6.5|7.0|7.5|8.0|8.5|9.0"),
        ("PRO", "NEG|TR 12 0.12|1+ 30 0.30|2+ 120 1.2|3+ 400 4.0|4+ >=1200 >=12"),
        ("SG", "<=1.004|1.008|1.012|1.016|1.020|1.024|>=1.028"),
        ("URO", "NORM 0.3 5.1|NORM 0.9 15|1+ 2.5 42|2+ 5 85|3+ >=10 >=169"),
    ];
    let ascorbate = [("ASC", "NEG|1+ 15 0.85|2+ >=45 >=2.6")];
    let numbers = [
        ("ALB", "<=1.2 <=12|2.5 25|6 60|>=12 >=120"),
        ("CRE", "<=15 <=1.3|40 3.5|90 8.0|160 14.1|>=240 >=21.2"),
    ];
    let more = [
        ("CA", "<=3 <=0.75|9 2.2|18 4.5|>=36 >=9.0"),
        ("ACR", "NORM <30 <3.4|1+ >=30 >=3.4|2+ >=300 >=34"),
        ("PCR", "NORM <150 <17|1+ >=150 >=17|2+ >=500 >=57"),
    ];
    for (name, parts) in [
        ("ten-pad", &[&ten[..]][..]),
        ("eleven-pad", &[&ten, &ascorbate]),
        ("twelve-pad", &[&ten, &numbers]),
        ("fourteen-pad", &[&ten, &ascorbate, &numbers, &more]),
    ] {
        let strip = strip(name);
        let own = strip.pads.iter().filter(|p| p.kind != Kind::Nominal);
        let found: BTreeMap<&str, String> = own.map(|p| (p.id.as_str(), steps(p))).collect();
        let wanted = parts.iter().flat_map(|part| part.iter());
        let wanted: BTreeMap<&str, String> =
            wanted.map(|(id, steps)| (*id, (*steps).to_owned())).collect();
        assert_eq!(found, wanted, "{name}");
    }
}

/// A ladder as the hand writes it: grade, label, and the SI label where there is a system to tell apart.
fn steps(pad: &Pad) -> String {
    let step = |rung: &Rung| {
        let figure = |units| rung.label(units).map(Figure::text);
        let (conventional, si) = (figure(Units::Conventional), figure(Units::Si));
        let si = si.filter(|_| !["PH", "SG"].contains(&pad.id.as_str()));
        let parts = [rung.grade.clone(), conventional, si];
        parts.into_iter().flatten().collect::<Vec<String>>().join(" ")
    };
    pad.rungs.iter().map(step).collect::<Vec<String>>().join("|")
}

#[test]
fn codes_that_are_missing_are_told_and_filled_from_the_other_set() {
    let strip = strip("fourteen-pad");
    let notes = strip.gaps(true).join("\n");
    for note in [
        "ASC: no published code for its presence; our local code ASC-GRADE",
        "ASC: no automated code for its mass; the manual one, 5768-7",
        "CRE: no automated code for its moles; the manual one, 30002-0",
    ] {
        assert!(notes.contains(note), "{note} in\n{notes}");
    }
    assert!(!notes.contains("GLU") && !notes.contains("no manual code"), "{notes}");
    // Each set has gaps of its own, and whoever gets the other one is not told of them.
    let notes = strip.gaps(false).join("\n");
    assert!(notes.contains("ASC: no published code for its presence"), "{notes}");
    assert!(!notes.contains("no automated code"), "{notes}");
    let ascorbate = strip.pad("ASC").expect("ASC");
    assert_eq!(ascorbate.code(Property::Presence, true), None);
    assert_eq!(ascorbate.local(Property::Presence).code, "ASC-GRADE");
    assert_eq!(strip.pad("NIT").expect("NIT").local(Property::Presence).code, "NIT");
}

#[test]
fn labels_of_six_languages_name_their_pad() {
    let strip = strip("twelve-pad");
    for (label, id) in [
        ("glu", "GLU"),
        ("ZU", "GLU"),
        ("Eiweiß", "PRO"),
        ("DENSITÉ", "SG"),
        ("  Spez.  Gewicht ", "SG"),
        ("P.S.", "SG"),
        ("CC", "KET"),
        ("CR", "CRE"),
        ("Bilirrubina", "BIL"),
        ("pH", "PH"),
        ("Trübung", ""),
        ("GLU:", ""),
        ("", ""),
    ] {
        let found = strip.pad_of(label).map_or("", |p| strip.pads[p].id.as_str());
        assert_eq!(found, id, "{label}");
    }
}

#[test]
fn the_smallest_strip_is_read_and_its_pad_keeps_its_own_words() {
    let strip = Strip::parse(OWN, "own.toml").expect("whole");
    let pad = strip.pad("GLU").expect("GLU");
    assert_eq!(pad.kind, Kind::Graded);
    assert_eq!(pad.grade_of(" + "), Some("1+"));
    assert_eq!(pad.grade_of("negative"), Some("NEG"), "a grade's own name is a word for it");
    assert_eq!(pad.grade_of("-"), None);
    assert_eq!(strip.gaps(true).len(), 1, "moles by eye only");
}

#[test]
fn a_fault_names_its_place_what_was_found_and_what_is_allowed() {
    let fault = fault("flag = \"A\"", "flag = \"B\"");
    assert_eq!((fault.line, fault.column), (14, 62), "{fault}");
    assert_eq!(
        fault.text.trim(),
        r#"{ grade = "1+", conventional = "100", si = "5.6", flag = "B" },"#
    );
    assert_eq!(
        fault.to_string(),
        "own.toml:14:62: `pad.GLU.rungs.2.flag`: found `B`; allowed: N, A, policy, range"
    );
}

#[test]
fn every_kind_of_mistake_is_refused() {
    for (old, new, key, word) in [
        ("title =", "tilte = \"x\"\ntitle =", "pad.GLU.tilte", "`title`"),
        ("\"GLU\"", "\"GLX\"", "pad.1.id", "GLU"),
        ("\"graded\"", "\"gradual\"", "pad.GLU.kind", "two-step"),
        ("\"mg/dL\"", "\"mg/dl\"", "pad.GLU.conventional.ucum", "mg/dL"),
        ("\"mmol/L\"", "\"pH\"", "pad.GLU.si.ucum", "picohenry"),
        ("\"mmol/L\"", "\"EU/dL\"", "pad.GLU.si.ucum", "exa"),
        ("si = { ucum = \"mmol/L\" }", "", "pad.GLU.conventional", "si = "),
        ("\"5.6\"", "\"6.6\"", "pad.GLU.rungs", "5.5507 mmol/L"),
        ("\"5.6\"", "\"<5.6\"", "pad.GLU.rungs", "same comparator"),
        ("\"100\"", "\"1e2\"", "pad.GLU.rungs.2.conventional", "400"),
        ("\"5792-7\"", "\"5792-8\"", "pad.GLU.manual.mass", "check digit"),
        ("\"5792-7\"", "\"20406-5\"", "pad.GLU.manual.mass", "deprecated"),
        ("\"5792-7\"", "\"22705-8\"", "pad.GLU.manual.mass", "property MCnc"),
        ("\"5792-7\"", "\"5797-6\"", "pad.GLU.manual.mass", "component Glucose"),
        ("\"5792-7\"", "\"53328-1\"", "pad.GLU.manual.mass", "by eye"),
        ("mass = \"53328-1\"", "number = \"58805-3\"", "pad.GLU.automated.number", "presence"),
        ("{ \"1+\" = [\"+\"] }", "{ \"3+\" = [\"+\"] }", "pad.GLU.words", "NEG, 1+, 2+"),
        ("[\"+\"]", "[\"neg\"]", "pad.GLU.words", "one grade"),
        ("[\"+\"]", "[\"100\"]", "pad.GLU.words", "no number"),
        ("flag = \"N\"", "flag = \"n\"", "pad.GLU.rungs.1.flag", "policy"),
        ("grade = \"2+\"", "grade = \"6+\"", "pad.GLU.rungs", "a code of its own"),
        ("id = \"own\"", "id = \"Own strip\"", "id", "small letters"),
        ("name = \"Own\"", "name = 7", "name", "text in quotes"),
        ("id = \"own\"", "id = \"own\"\nextends = \"mine\"", "extends", "ten-pad"),
        ("id = \"own\"", "id = \"own\"\nunread = [\"?\"]", "unread", "at its pad"),
        ("id = \"own\"", "id = \"own\"\nwords = { NEG = [\"-\"] }", "words", "at its pad"),
        ("id = \"own\"", "id = \"own\"\nwords = { LOW = [\"low\"] }", "words", "NEG, NORM"),
        ("words = {", "optional = 1\nwords = {", "pad.GLU.optional", "true or false"),
    ] {
        let faults = spoiled(old, new);
        let told = |f: &&Fault| f.key == key && f.allowed.contains(word) && f.file == "own.toml";
        assert!(faults.iter().any(|f| told(&f)), "{key}, {word}: {faults:#?}");
    }
}

/// Codes met under a wrong name in public mappings: each is refused where it does not belong, with the
/// code and what stands there instead. (Found in published code; LOINC's own table says what each is.)
#[test]
fn codes_that_others_have_confused_are_refused() {
    for (pad, property, code) in [
        ("GLU", "presence", "5792-7"),
        ("KET", "presence", "5797-6"),
        ("PRO", "presence", "5804-0"),
        ("PRO", "mass", "20621-9"),
        ("ASC", "presence", "5778-6"),
        ("ASC", "presence", "5800-8"),
        ("COL", "nominal", "20627-6"),
        ("BIL", "presence", "5802-4"),
        ("PRO", "presence", "25428-4"),
        ("GLU", "mass", "6299-2"),
        ("PRO", "mass", "2890-2"),
        ("PRO", "mass", "34366-5"),
    ] {
        let units = match (property, pad) {
            ("mass", "GLU") => "conventional = { ucum = \"mg/dL\" }\nsi = { ucum = \"mmol/L\" }\n",
            ("mass", _) => "conventional = { ucum = \"mg/dL\" }\nsi = { ucum = \"g/L\" }\n",
            _ => "",
        };
        let kind = if pad == "COL" { "nominal" } else { "graded" };
        let text = format!(
            "id = \"own\"\nname = \"Own\"\n[[pad]]\nid = \"{pad}\"\ntitle = \"x\"\nkind = \"{kind}\"\n{units}\
             manual = {{ {property} = \"{code}\" }}\nrungs = [{{ grade = \"NEG\" }}, {{ grade = \"1+\" }}]\n"
        );
        let key = format!("pad.{pad}.manual.{property}");
        let faults = faults(&text);
        let told = |f: &&Fault| f.key == key && f.found.contains(code) && !f.allowed.is_empty();
        assert!(faults.iter().any(|f| told(&f)), "{key} = {code}: {faults:#?}");
    }
}

#[test]
fn ladders_ascend_and_labels_name_one_pad() {
    let descending = OWN.replace("\"100\", si = \"5.6\"", "\"400\", si = \"22.2\"");
    let found = faults(&descending);
    assert_eq!(found.len(), 1, "{found:#?}");
    assert!(found[0].found.contains("2+ >=400"), "{}", found[0]);
    assert_eq!(faults(&OWN.replace("\"2+\"", "\"1+\"")).len(), 0, "one grade on two rungs may be");
    assert!(!faults(&OWN.replace("\"NEG\"", "\"3+\"")).is_empty());
    let twice = format!(
        "{OWN}\n{}",
        OWN.split("\n[[pad]]").nth(1).map_or(String::new(), |pad| {
            format!(
                "[[pad]]{}",
                pad.replace("\"GLU\"", "\"KET\"").replace("kind =", "names = [\"glu\"]\nkind =")
            )
        })
    );
    let found = faults(&twice);
    let told = |f: &Fault| f.key == "pad.names" && f.found.contains("GLU") && f.line == 19;
    assert!(found.iter().any(told), "{found:#?}");
}

#[test]
fn a_hostile_file_is_refused_in_bounded_time() {
    for text in
        ["", "pad = 1", "[[pad]]", "[pad]", "= =", "id = [[[", "\u{0}", "pad = [[1]]", "words = 3"]
    {
        assert!(!faults(text).is_empty(), "{text:?}");
    }
    assert_eq!(faults(&"#".repeat(300_000))[0].key, "(file)");
    let many = faults(&"[[pad]]\nid = \"GLU\"\n".repeat(5000));
    assert!(many.iter().any(|f| f.key == "pad" && f.allowed == "at most 40"), "too many pads");
    assert!(many.len() < 500, "{}", many.len());
}

proptest! {
    /// Whatever is typed over whatever place: a strip or faults with places in the file.
    #[test]
    fn any_change_of_a_file_is_answered(at in 0..700_usize, until in 0..40_usize, typed in ".{0,12}") {
        let from = OWN.floor_char_boundary(at.min(OWN.len()));
        let to = OWN.floor_char_boundary((from + until).min(OWN.len()));
        let text = format!("{}{typed}{}", &OWN[..from], &OWN[to..]);
        if let Err(faults) = Strip::parse(&text, "own.toml") {
            prop_assert!(!faults.is_empty());
            let lines = text.matches('\n').count() + 1;
            prop_assert!(faults.iter().all(|f| (1..=lines).contains(&f.line) && f.column > 0));
        }
    }
}

#[test]
fn a_strip_may_go_on_from_a_shipped_one() {
    let pad = OWN.split("\n[[pad]]").nth(1).expect("a pad");
    let text = format!("id = \"own\"\nname = \"Own\"\nextends = \"ten-pad\"\n[[pad]]{pad}");
    let own = Strip::parse(&text, "own.toml").expect("whole");
    assert_eq!(own.pads.len(), strip("ten-pad").pads.len());
    assert_eq!(
        own.pad("GLU").expect("GLU").rungs.len(),
        3,
        "the new pad replaces the inherited one"
    );
    assert_eq!(own.pad("KET").expect("KET").grade_of("traza"), Some("TR"), "words are inherited");
    assert_eq!(own.pad("GLU").expect("GLU").grade_of("++"), Some("2+"), "for new pads as well");
}

#[test]
fn measured_pads_say_how_they_convert() {
    let measured = r#"
id = "own"
name = "Own"
[[pad]]
id = "CRE"
title = "Creatinine"
kind = "measured"
conventional = { ucum = "mg/dL" }
si = { ucum = "umol/L" }
manual = { mass = "30004-6", moles = "30002-0" }
measured = { factor = "88.4", digits = 1, si_digits = 0 }
"#;
    let own = Strip::parse(measured, "own.toml").expect("whole");
    assert_eq!(own.pads[0].measured.as_ref().map(|m| m.si_digits), Some(0));
    let wrong = faults(&measured.replace("88.4", "8.84"));
    assert_eq!(wrong.len(), 1);
    assert!(wrong[0].allowed.contains("88.403182"), "{}", wrong[0]);
    for (old, new) in [
        ("kind = \"measured\"", "kind = \"stepped\""),
        ("measured = { factor = \"88.4\", digits = 1, si_digits = 0 }", ""),
        ("digits = 1", "digits = 9"),
        ("\"88.4\"", "\"0\""),
        ("\"88.4\"", "\">88\""),
    ] {
        assert!(!faults(&measured.replacen(old, new, 1)).is_empty(), "{new}");
    }
}
