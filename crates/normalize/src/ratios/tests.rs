//! Calculated ratios against the rungs that they come from, in both unit systems.

use crate::prints::{codes, printed, report, strip, with};
use crate::strip::Strip;
use crate::units::Units;
use crate::{Facts, Moment, Rules, judge};

/// What is held of the fourteen pads with these rungs, by their places.
fn held(strip: &Strip, units: Units, rungs: &[(&str, usize)]) -> String {
    let mut print = report(strip, units);
    for (id, place) in rungs {
        let pad = strip.pad(id).expect(id);
        let reading = printed(pad, &pad.rungs[*place], units);
        if print.readings.iter().any(|r| r.label == *id) {
            print = with(print, reading);
        } else {
            print.readings.push(reading);
        }
    }
    let heard = Moment::from_digits("20250314091530").expect("a time");
    let facts = Facts {
        earlier: &[],
        heard,
        day: crate::prints::DAY,
        sequence: None,
        controls: None,
        lot: None,
    };
    let rules = Rules { print_units: units, ..Rules::default() };
    let found = judge(&print, std::slice::from_ref(strip), &rules, &facts);
    assert!(codes(&found).iter().all(|c| *c == "grade-value-disagree"), "{found:?}");
    found.holds.iter().map(|h| h.detail.clone()).collect::<Vec<String>>().join("; ")
}

/// ALB <=1.2, 2.5, 6, >=12 and CRE <=15, 40, 90, 160, >=240 mg/dL; what the ratio can be in mg/g was worked out by
/// hand, with KDIGO's limits 30 and 300.
#[test]
fn a_category_fits_what_its_two_rungs_permit() {
    let strip = strip("fourteen-pad");
    for (albumin, creatinine, fits) in [
        (0, 1, [true, true, false]),  // 0 to 30, 30 included: 1.2 over 40
        (0, 2, [true, false, false]), // 0 to 13.3
        (0, 0, [true, true, true]),   // anything over next to nothing
        (1, 2, [true, false, false]), // 27.8
        (1, 1, [false, true, false]), // 62.5
        (2, 3, [false, true, false]), // 37.5
        (3, 1, [false, false, true]), // 300 or more
        (3, 3, [false, true, true]),  // 75 or more
        (1, 4, [true, false, false]), // 0 to 10.4
        (3, 4, [true, true, true]),   // much over much: anything
        (2, 0, [false, false, true]), // 400 or more
    ] {
        for (category, expected) in fits.into_iter().enumerate() {
            for units in [Units::Conventional, Units::Si] {
                let rungs = [("ALB", albumin), ("CRE", creatinine), ("ACR", category)];
                let found = held(&strip, units, &rungs);
                assert_eq!(found.is_empty(), expected, "{rungs:?} {units:?}: {found}");
            }
        }
    }
}

#[test]
fn the_hold_says_what_was_printed_and_what_it_makes() {
    let strip = strip("fourteen-pad");
    let found = held(&strip, Units::Si, &[("ALB", 1), ("CRE", 2), ("ACR", 2)]);
    assert_eq!(found, "ACR 2+ >=34 was printed, and ALB 25 over CRE 8.0 is 3.1 mg/mmol");
    let found = held(&strip, Units::Conventional, &[("PRO", 0), ("CRE", 2), ("PCR", 2)]);
    assert_eq!(found, "PCR 2+ >=500 was printed, and PRO NEG over CRE 90 is 0 to 133.3 mg/g");
    assert_eq!(held(&strip, Units::Si, &[("PRO", 4), ("CRE", 2), ("PCR", 2)]), "");
    assert_eq!(held(&strip, Units::Si, &[("PRO", 2), ("CRE", 2), ("PCR", 1)]), "", "333 mg/g");
    let both = [("PRO", 4), ("CRE", 2), ("PCR", 0), ("ALB", 1), ("ACR", 2)];
    assert_eq!(held(&strip, Units::Conventional, &both).matches("was printed").count(), 2);
}

#[test]
fn without_one_of_the_three_nothing_is_compared() {
    let strip = strip("fourteen-pad");
    assert_eq!(held(&strip, Units::Conventional, &[("ALB", 3), ("CRE", 1)]), "", "not printed");
    let own = "id = \"own\"\nname = \"Own\"\nextends = \"fourteen-pad\"\ndrop = [\"ALB\"]\n";
    let own = Strip::parse(own, "own.toml").expect("whole");
    assert_eq!(held(&own, Units::Conventional, &[("CRE", 1), ("ACR", 2)]), "");
}

/// Categories that are ranges or bare numbers: from one to the next.
#[test]
fn a_category_goes_from_its_label_to_the_next() {
    let ladder = |middle: &str, top: &str, si: [&str; 2]| {
        let text = format!(
            "id = \"own\"\nname = \"Own\"\nextends = \"fourteen-pad\"\n[[pad]]\nid = \"ACR\"\n\
             as-printed = true\nrungs = [\n\
             {{ grade = \"NORMAL\", text = \"Normal\", conventional = \"<30\", si = \"<3\", flag = \"N\" }},\n\
             {{ grade = \"ABNORMAL\", text = \"Abnormal\", conventional = \"{middle}\", si = \"{}\", flag = \"A\" }},\n\
             {{ grade = \"HIGH\", text = \"High\", conventional = \"{top}\", si = \"{}\", flag = \"A\" }} ]\n",
            si[0], si[1]
        );
        Strip::parse(&text, "own.toml").unwrap_or_else(|faults| panic!("{faults:#?}"))
    };
    for own in [ladder("30-300", ">300", ["3-30", ">30"]), ladder("80", "300", ["8", "30"])] {
        for (rungs, fits) in [
            ([("ALB", 2), ("CRE", 3), ("ACR", 1)], true), // 37.5
            ([("ALB", 2), ("CRE", 3), ("ACR", 0)], false),
            ([("ALB", 2), ("CRE", 3), ("ACR", 2)], false),
            ([("ALB", 3), ("CRE", 1), ("ACR", 2)], true), // 300 or more
            ([("ALB", 1), ("CRE", 2), ("ACR", 0)], true), // 27.8, and 3.1 mg/mmol, where 3 is the limit
            ([("ALB", 1), ("CRE", 2), ("ACR", 1)], true),
        ] {
            let found = held(&own, Units::Conventional, &rungs);
            assert_eq!(found.is_empty(), fits, "{rungs:?}: {found}");
        }
    }
}
