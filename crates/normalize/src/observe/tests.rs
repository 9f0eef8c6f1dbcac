//! Observations: code, unit and value agree, whatever is chosen and whatever was printed.

use crate::codes::{Analyte, Term};
use crate::grades::Grade;
use crate::hold::{Hold, Reason};
use crate::judge::{Facts, Judged, judge};
use crate::observation::{CodeSystem, Comparator, Content, Flag, Observation};
use crate::observe::{Choice, Codes, Flags, Grades, observe};
use crate::prints::{DAY, judged, printed, reading, report, strip, table, ten, with};
use crate::report::PrintedReading;
use crate::rules::Rules;
use crate::strip::{Pad, Rung, Strip};
use crate::units::Units;

const BOTH: [Units; 2] = [Units::Conventional, Units::Si];

fn choices() -> impl Iterator<Item = Choice> {
    let grades = [Grades::Beside, Grades::Only, Grades::Never];
    let codes = [Codes::Automated, Codes::Manual];
    BOTH.into_iter().flat_map(move |units| {
        grades.into_iter().flat_map(move |grades| {
            codes.into_iter().flat_map(move |codes| {
                [false, true].map(|snomed| Choice {
                    units,
                    grades,
                    codes,
                    snomed,
                    ..Choice::default()
                })
            })
        })
    })
}

/// A report of this strip in which one pad is printed so.
fn with_pad(strip: &Strip, units: Units, print: PrintedReading) -> Judged {
    let mut whole = report(strip, units);
    whole.readings.retain(|r| r.label != print.label);
    whole.readings.push(print);
    let rules = Rules { print_units: units, ..Rules::default() };
    let facts = Facts {
        earlier: &[],
        heard: whole.taken.expect("a time"),
        day: DAY,
        sequence: None,
        controls: None,
        lot: None,
    };
    judge(&whole, std::slice::from_ref(strip), &rules, &facts)
}

/// What is sent of a pad of the ten-pad strip.
fn sent(print: PrintedReading, choice: &Choice) -> Vec<Observation> {
    let id = print.label.clone();
    let found = judged(&with(ten(), print), &Rules::default(), &[]);
    let strip = strip("ten-pad");
    let all = observe(&found.readings, &strip, choice).expect("it can be sent");
    let own = |o: &Observation| found.readings[o.reading].label == id;
    all.into_iter().filter(own).collect()
}

/// `code value unit` of each observation.
fn short(observations: &[Observation]) -> Vec<String> {
    let one = |o: &Observation| {
        let value = match &o.content {
            Content::Grade { code, .. } => code.code.clone(),
            Content::Range { from, to, unit } => {
                format!("{from}-{to} {}", unit.as_ref().map_or("-", |u| u.ucum.as_str()))
            }
            Content::Number { comparator, digits, unit } => {
                let unit = unit.as_ref().map_or("-", |u| u.ucum.as_str());
                format!("{}{digits} {unit}", comparator.map_or("", Comparator::text))
            }
            Content::Unread { number: true, .. } => "number unread".into(),
            Content::Unread { .. } => "unread".into(),
        };
        format!("{} {value}", o.code.code)
    };
    observations.iter().map(one).collect()
}

/// Code, unit and value agree: the law of every observation.
fn agrees(pad: &Pad, rung: Option<&Rung>, choice: &Choice, observation: &Observation) {
    let told = format!("{} {rung:?} {choice:?} {observation:?}", pad.id);
    assert_eq!(observation.local.system, CodeSystem::Local, "{told}");
    assert!(observation.local.code.starts_with(&pad.id), "{told}");
    let term = (observation.code.system == CodeSystem::Loinc)
        .then(|| Term::find(&observation.code.code).expect("a code of the table"));
    assert!(term.is_some() || observation.code == observation.local, "{told}");
    if choice.codes == Codes::Manual {
        assert!(term.is_none_or(|t| !t.is_automated()), "{told}");
    }
    match &observation.content {
        Content::Grade { code, alternate } => {
            assert!(term.is_none_or(|t| matches!(t.scale, "Ord" | "Nom")), "{told}");
            assert_eq!(Some(&code.code), rung.and_then(|r| r.grade.as_ref()), "{told}");
            assert_eq!(code.system, CodeSystem::Local, "{told}");
            assert!(choice.snomed || alternate.is_none(), "{told}");
        }
        Content::Number { comparator, digits, unit } => {
            let label = rung.and_then(|r| r.label(choice.units)).expect("a label");
            assert_eq!((comparator, digits), (&label.comparator, &label.digits), "{told}");
            let property = term.map(|t| t.property);
            let unit = unit.as_ref().map(|u| u.ucum.as_str());
            let allowed: &[&str] = match unit {
                Some("mg/dL" | "g/L" | "mg/L") => &["MCnc"],
                Some("mmol/L" | "umol/L") => &["SCnc"],
                Some("{Ery}/uL" | "{Leu}/uL" | "10*6/L") => &["NCnc"],
                Some("[pH]") => &["LsCnc"],
                Some("mg/g") => &["MRto"],
                Some("mg/mmol") => &["Ratio"],
                None => &["RDen"],
                Some(other) => panic!("{other}: {told}"),
            };
            assert!(property.is_none_or(|p| allowed.contains(&p)), "{told}");
            assert!(term.is_none_or(|t| t.scale == "Qn"), "{told}");
        }
        Content::Range { .. } => panic!("no shipped strip has ranges: {told}"),
        Content::Unread { .. } => assert!(observation.flag.is_none(), "{told}"),
    }
}

#[test]
fn code_unit_and_value_agree_for_every_strip_rung_and_choice() {
    let mut seen = 0;
    for name in Strip::builtin_names() {
        let strip = strip(name);
        for units in BOTH {
            for pad in &strip.pads {
                for rung in &pad.rungs {
                    let found = with_pad(&strip, units, printed(pad, rung, units));
                    // The pads beside it are always the same, whatever ratio is printed.
                    let fits = |h: &Hold| h.reason != Reason::GradeValueDisagree;
                    let calculated = Analyte::find(&pad.id).is_some_and(|a| a.ratio().is_some());
                    let holds = found.holds.iter().filter(|h| !calculated || fits(h));
                    assert_eq!(holds.count(), 0, "{} {rung:?}: {:?}", pad.id, found.holds);
                    for choice in choices() {
                        let all =
                            observe(&found.readings, &strip, &choice).expect("it can be sent");
                        let last = found.readings.len() - 1;
                        let own: Vec<_> = all.iter().filter(|o| o.reading == last).collect();
                        let (grade, number) = (rung.grade.is_some(), rung.conventional.is_some());
                        let kept = match choice.grades {
                            Grades::Beside => usize::from(grade) + usize::from(number),
                            Grades::Only | Grades::Never => 1,
                        };
                        assert_eq!(own.len(), kept, "{} {rung:?} {choice:?}", pad.id);
                        let has_grade =
                            own.iter().any(|o| matches!(o.content, Content::Grade { .. }));
                        let wanted = grade && (choice.grades != Grades::Never || !number);
                        assert_eq!(has_grade, wanted, "{} {rung:?} {choice:?}", pad.id);
                        own.iter().for_each(|o| agrees(pad, Some(rung), &choice, o));
                        seen += own.len();
                    }
                }
            }
        }
    }
    assert!(seen > 5_000, "{seen}");
}

#[test]
fn the_table_of_the_invented_ladders_goes_out_as_it_stands() {
    let strip = strip("fourteen-pad");
    for row in table(include_str!("../../../../fixtures/normalize/ladder.csv")) {
        let [id, rung, _, cc, cv, cu, sc, sv, su, _, _, ord, conv, si] = row[..] else {
            panic!("{row:?}")
        };
        let pad = strip.pad(id).expect(id);
        let rung = &pad.rungs[rung.parse::<usize>().expect("a rung")];
        let found = with_pad(&strip, Units::Conventional, printed(pad, rung, Units::Conventional));
        for (units, code, label, unit) in [
            (Units::Conventional, conv, format!("{cc}{cv}"), cu),
            (Units::Si, si, format!("{sc}{sv}"), su),
        ] {
            let choice = Choice { units, codes: Codes::Manual, ..Choice::default() };
            let all = observe(&found.readings, &strip, &choice).expect("it can be sent");
            let last = found.readings.len() - 1;
            let own: Vec<Observation> = all.into_iter().filter(|o| o.reading == last).collect();
            let grade = rung.grade.as_ref().map(|g| {
                format!(
                    "{} {g}",
                    if ord.is_empty() { format!("{id}-GRADE") } else { ord.to_owned() }
                )
            });
            let local = if units == Units::Si { "-MOLES" } else { "-MASS" };
            let code = if code.is_empty() { format!("{id}{local}") } else { code.to_owned() };
            let unit = if unit == "1" { "-" } else { unit };
            let number = (!cv.is_empty()).then(|| format!("{code} {label} {unit}"));
            let expected: Vec<String> = grade.into_iter().chain(number).collect();
            assert_eq!(short(&own), expected, "{id} {rung:?}");
        }
    }
}

#[test]
fn a_number_goes_out_only_if_one_was_printed() {
    for units in BOTH {
        let choice = Choice { units, ..Choice::default() };
        assert_eq!(short(&sent(reading("GLU", &["2+"], ""), &choice)), ["50555-2 2+"]);
        assert_eq!(short(&sent(reading("URO", &["NORM"], ""), &choice)), ["62487-4 NORM"]);
    }
    let never = Choice { grades: Grades::Never, ..Choice::default() };
    assert_eq!(
        short(&sent(reading("GLU", &["2+"], ""), &never)),
        ["50555-2 2+"],
        "nothing else is there"
    );
    assert_eq!(short(&sent(reading("GLU", &["NEG"], ""), &never)), ["50555-2 NEG"]);
}

#[test]
fn what_goes_out_is_the_ladders_label_in_the_chosen_units() {
    let si = Choice { units: Units::Si, ..Choice::default() };
    let of = |parts: &[&str], choice: &Choice| short(&sent(reading("GLU", parts, "mg/dL"), choice));
    assert_eq!(of(&["4+", "2400"], &si), ["50555-2 4+", "59156-0 >=133 mmol/L"]);
    assert_eq!(of(&["400.0"], &Choice::default()), ["50555-2 2+", "53328-1 400 mg/dL"]);
    let only = Choice { grades: Grades::Only, ..si };
    assert_eq!(of(&["400"], &only), ["50555-2 2+"], "the grade that the ladder has for the number");
    let steps = |label, part| short(&sent(reading(label, &[part], ""), &si));
    assert_eq!(steps("SG", "1.028"), ["53326-5 >=1.028 -"]);
    assert_eq!(steps("PH", "6"), ["50560-2 6.0 [pH]"]);
}

#[test]
fn an_unread_pad_says_so_under_the_code_that_would_have_carried_it() {
    let unread = || reading("GLU", &["ERR"], "");
    assert_eq!(short(&sent(unread(), &Choice::default())), ["50555-2 unread"]);
    let never = Choice { grades: Grades::Never, units: Units::Si, ..Choice::default() };
    assert_eq!(short(&sent(unread(), &never)), ["59156-0 number unread"]);
    assert_eq!(short(&sent(reading("NIT", &[""], ""), &never)), ["50558-6 unread"]);
    assert_eq!(short(&sent(reading("SG", &["---"], ""), &never)), ["53326-5 number unread"]);
}

#[test]
fn observations_stand_in_strip_order_with_grades_first() {
    let strip = strip("ten-pad");
    let mut print = with(ten(), reading("GLU", &["2+", "400"], "mg/dL"));
    print.readings.reverse();
    print.readings.push(reading("COL", &["dark yellow"], ""));
    let found = judged(&print, &Rules::default(), &[]);
    let sent = observe(&found.readings, &strip, &Choice::default()).expect("it can be sent");
    let pads: Vec<&str> = sent.iter().map(|o| o.local.code.as_str()).collect();
    let expected = [
        "BIL-GRADE",
        "BLD-GRADE",
        "COL",
        "GLU-GRADE",
        "GLU-MASS",
        "KET-GRADE",
        "LEU-GRADE",
        "NIT",
        "PH",
        "PRO-GRADE",
        "SG",
        "URO-GRADE",
        "URO-MASS",
    ];
    assert_eq!(pads, expected);
    let colour = &sent[2].content;
    let Content::Grade { code, .. } = colour else { panic!("{colour:?}") };
    assert_eq!((code.code.as_str(), code.text.as_str()), ("DARK-YELLOW", "dark yellow"));
}

#[test]
fn grade_codes_have_the_texts_of_our_table() {
    let of = |label: &str, part: &str, snomed| {
        let choice = Choice { snomed, ..Choice::default() };
        match sent(reading(label, &[part], ""), &choice).remove(0).content {
            Content::Grade { code, alternate } => (code, alternate.map(|a| a.code)),
            other => panic!("{other:?}"),
        }
    };
    for (part, text) in [("NEG", "Negative"), ("TR", "Trace"), ("1+", "1+")] {
        let (code, alternate) = of("GLU", part, false);
        assert_eq!((code.code.as_str(), code.text.as_str(), alternate), (part, text, None));
        assert_eq!(Grade::find(part).map(|g| g.text), Some(text));
    }
    assert_eq!(of("GLU", "1+", true).1.as_deref(), Some("260347006"), "of a ladder of four");
    assert_eq!(of("BIL", "1+", true).1.as_deref(), Some("441614007"), "of a ladder of three");
    assert_eq!(of("NIT", "POS", true).1.as_deref(), Some("10828004"));
}

#[test]
fn a_strip_that_changed_since_holds_what_it_no_longer_says() {
    let found =
        judged(&with(ten(), reading("GLU", &["2+", "400"], "mg/dL")), &Rules::default(), &[]);
    let own = r#"
        id = "own"
        name = "Own"
        extends = "ten-pad"
        [[pad]]
        id = "GLU"
        title = "Glucose"
        kind = "graded"
        conventional = { ucum = "mg/dL" }
        si = { ucum = "mmol/L" }
        rungs = [
            { grade = "NEG", flag = "N" },
            { grade = "1+", conventional = "100", si = "5.6", flag = "A" },
            { grade = "2+", conventional = "250", si = "14", flag = "A" },
            { grade = "3+", conventional = "400", si = "22", flag = "A" },
        ]
    "#;
    let changed = Strip::parse(own, "own.toml").expect("whole");
    let hold = observe(&found.readings, &changed, &Choice::default()).expect_err("another ladder");
    assert_eq!(hold.reason, Reason::OffLadder);
    let mut strange = found.readings.clone();
    strange[0].analyte = None;
    let hold = observe(&strange, &strip("ten-pad"), &Choice::default()).expect_err("no pad");
    assert_eq!(hold.reason, Reason::UnknownAnalyte);
    let twice: Vec<_> = found.readings.iter().chain(&found.readings).cloned().collect();
    let hold = observe(&twice, &strip("ten-pad"), &Choice::default()).expect_err("twice");
    assert_eq!(hold.reason, Reason::PadsUnexpected);
    let mut empty = found.readings;
    (empty[0].grade, empty[0].number) = (None, None);
    assert!(observe(&empty, &strip("ten-pad"), &Choice::default()).is_err(), "nothing to say");
}

const MEASURED: &str = r#"
    id = "own"
    name = "Own"
    [[pad]]
    id = "CRE"
    title = "Creatinine"
    kind = "measured"
    conventional = { ucum = "mg/dL" }
    si = { ucum = "mmol/L" }
    manual = { mass = "30004-6", moles = "30002-0" }
    measured = { factor = "0.0884", digits = 0, si_digits = 1 }
"#;

#[test]
fn measured_pads_are_converted_exactly_and_rounded_half_up() {
    let strip = Strip::parse(MEASURED, "own.toml").expect("whole");
    let of = |text: &str, from: Units, to: Units| {
        let unit = strip.pads[0].measure(from).expect("a unit").unit.text;
        let found = with_pad(&strip, from, reading("CRE", &[text], unit));
        assert_eq!(found.holds, [], "{text}");
        let choice = Choice { units: to, ..Choice::default() };
        let sent = observe(&found.readings, &strip, &choice).expect("it can be sent");
        short(&sent[sent.len() - 1..]).remove(0)
    };
    let (conventional, si) = (Units::Conventional, Units::Si);
    assert_eq!(of("137.5", conventional, conventional), "30004-6 137.5 mg/dL", "as printed");
    assert_eq!(of("100", conventional, si), "30002-0 8.8 mmol/L");
    assert_eq!(of(">300", conventional, si), "30002-0 >26.5 mmol/L");
    assert_eq!(of("8.84", si, conventional), "30004-6 100 mg/dL");
    assert_eq!(of("12.5", conventional, si), "30002-0 1.1 mmol/L");
    let half = MEASURED.replace("0.0884", "0.09").replace("si_digits = 1", "si_digits = 2");
    let half = Strip::parse(&half, "own.toml").expect("whole");
    let found = with_pad(&half, conventional, reading("CRE", &["0.5"], "mg/dL"));
    let choice = Choice { units: si, ..Choice::default() };
    let sent = observe(&found.readings, &half, &choice).expect("it can be sent");
    assert_eq!(short(&sent), ["30002-0 0.05 mmol/L"], "0.045 goes up");
}

#[test]
fn references_stand_beside_what_they_speak_of() {
    let mut rules = Rules::default();
    rules.add_reference("GLU", "NEG").expect("a grade");
    rules.add_reference("PH", "5.0-8.0").expect("an interval");
    let found = judged(&with(ten(), reading("GLU", &["2+", "400"], "mg/dL")), &rules, &[]);
    let all = observe(&found.readings, &strip("ten-pad"), &Choice::default()).expect("sent");
    let of = |local: &str| {
        let own = all.iter().find(|o| o.local.code == local).expect(local);
        (own.flag, own.reference.as_deref())
    };
    assert_eq!(of("GLU-GRADE"), (Some(Flag::A), Some("Negative")));
    assert_eq!(of("GLU-MASS"), (None, None), "a grade is no interval");
    assert_eq!(of("PH"), (Some(Flag::N), Some("5.0-8.0")));
    assert_eq!(of("KET-GRADE"), (None, None));
}

#[test]
fn readings_survive_being_stored() {
    let mut rules = Rules::default();
    rules.add_reference("GLU", "NEG").expect("a grade");
    let found = judged(&with(ten(), reading("GLU", &["4+", ">=2400"], "mg/dL")), &rules, &[]);
    for reading in &found.readings {
        let text = toml::to_string(reading).expect("a reading is text");
        assert_eq!(&toml::from_str::<crate::Reading>(&text).expect("as written"), reading);
    }
}

#[test]
fn choices_are_the_words_of_the_configuration() {
    let choice = Choice::of("si", "never", "manual", true).expect("known words");
    let expected = Choice {
        units: Units::Si,
        grades: Grades::Never,
        codes: Codes::Manual,
        snomed: true,
        flags: Flags::Judged,
    };
    assert_eq!(choice, expected);
    for (units, grades, codes) in
        [("SI", "only", "manual"), ("si", "none", "manual"), ("si", "only", "auto")]
    {
        let error = Choice::of(units, grades, codes, false).expect_err("unknown");
        assert!(error.contains("allowed:"), "{error}");
    }
}

/// Table 0078: `A` is for what is not numeric, `L` and `H` are for numbers.
#[test]
fn a_flag_stands_on_what_it_is_of() {
    let flags = |glucose: &str, part: &str, grades, flags| -> String {
        let reference = |text: &str| text.parse().expect("a reference");
        let references = [("GLU", glucose), ("PH", "5.0-8.0")];
        let references = references.map(|(id, text)| (id.to_owned(), reference(text)));
        let rules = Rules { references: references.into(), ..Rules::default() };
        let print =
            with(with(ten(), reading("GLU", &["2+", "400"], "mg/dL")), reading("PH", &[part], ""));
        let found = judged(&print, &rules, &[]);
        let choice = Choice { grades, flags, ..Choice::default() };
        let sent = observe(&found.readings, &strip("ten-pad"), &choice).expect("it can be sent");
        let own = sent.iter().filter(|o| ["GLU", "PH"].contains(&o.pad()));
        let told = own.map(|o| {
            let number = matches!(o.content, Content::Number { .. });
            format!("{}{}", if number { '#' } else { '+' }, o.flag.map_or("", Flag::text))
        });
        told.collect::<Vec<_>>().join(" ")
    };
    let (grade, interval) = ("NEG", "0-50 mg/dL, 0-2.8 mmol/L");
    for (reference, grades, both, expected) in [
        (grade, Grades::Beside, Flags::Judged, "+A # #N"),
        (grade, Grades::Beside, Flags::Both, "+A #H #N"),
        (grade, Grades::Only, Flags::Judged, "+A #N"),
        (grade, Grades::Never, Flags::Judged, "#H #N"),
        (interval, Grades::Beside, Flags::Judged, "+ #H #N"),
        (interval, Grades::Beside, Flags::Both, "+A #H #N"),
        (interval, Grades::Only, Flags::Judged, "+A #N"),
        (interval, Grades::Never, Flags::Judged, "#H #N"),
    ] {
        assert_eq!(
            flags(reference, "7.0", grades, both),
            expected,
            "{reference} {grades:?} {both:?}"
        );
    }
    assert_eq!(flags(grade, "8.5", Grades::Beside, Flags::Judged), "+A # #H");
}
