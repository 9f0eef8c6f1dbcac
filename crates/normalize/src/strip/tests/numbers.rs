//! Pads that have a grade at the bottom and numbers above it, as many inserts list them.

use super::own::{judged, refused, ten};
use crate::prints::{codes, reading, report, with};
use crate::units::Units;
use crate::{Choice, Content, Flag, Grades, Observation, Rules, observe};

const NUMBERS: &str = r#"
[[pad]]
id = "LEU"
rungs = [
    { grade = "NEG", flag = "N" },
    { conventional = "8-20", si = "8-20", flag = "A" },
    { conventional = "21-60", si = "21-60", flag = "A" },
    { conventional = ">60", si = ">60", flag = "A" },
]
[[pad]]
id = "PRO"
rungs = [
    { grade = "NEG", flag = "N" },
    { grade = "TR", flag = "policy" },
    { conventional = "30", si = "0.3", flag = "A" },
    { conventional = "100", si = "1", flag = "A" },
]
"#;

#[test]
fn numbers_above_a_grade_need_none_of_their_own() {
    let own = ten(NUMBERS);
    let rules = Rules {
        references: [("LEU", "NEG"), ("PRO", "TR")]
            .map(|(id, highest)| (id.to_owned(), highest.parse().expect("a reference")))
            .into(),
        ..Rules::default()
    };
    let sent = |leu: (&str, &str), pro: (&str, &str), grades| {
        let print = with(report(&own, Units::Conventional), reading("LEU", &[leu.0], leu.1));
        let print = with(print, reading("PRO", &[pro.0], pro.1));
        let judged = judged(&print, &own, &rules);
        assert_eq!(codes(&judged), [""; 0], "{leu:?} {pro:?}");
        let choice = Choice { grades, units: Units::Si, ..Choice::default() };
        let all = observe(&judged.readings, &own, &choice).expect("it can be sent");
        let ours = all
            .into_iter()
            .filter(|o| ["LEU", "PRO"].iter().any(|id| o.local.code.starts_with(id)));
        let name = |unit: Option<crate::Unit>| unit.map_or(String::new(), |u| u.ucum);
        let shown = |o: Observation| {
            let value = match o.content {
                Content::Grade { code, .. } => code.code,
                Content::Range { from, to, unit } => format!("{from}-{to} {}", name(unit)),
                Content::Number { digits, unit, .. } => format!("{digits} {}", name(unit)),
                Content::Unread { .. } => "unread".into(),
            };
            format!("{value} {}", o.flag.map_or("", Flag::text))
        };
        ours.map(shown).collect::<Vec<_>>()
    };
    for grades in [Grades::Beside, Grades::Only, Grades::Never] {
        let first = sent(("NEG", ""), ("TR", ""), grades);
        assert_eq!(first, ["NEG N", "TR N"], "{grades:?}");
        let second = sent(("21-60", "Leu/uL"), ("100", "mg/dL"), grades);
        assert_eq!(second, ["21-60 10*6/L H", "1 g/L H"], "{grades:?}");
    }
    let graded = with(report(&own, Units::Conventional), reading("PRO", &["TR", "30"], "mg/dL"));
    assert_eq!(codes(&judged(&graded, &own, &rules)), ["grade-value-disagree"]);
    let high =
        Rules { references: [("PRO".to_owned(), "NEG".parse().expect("NEG"))].into(), ..rules };
    let trace =
        judged(&with(report(&own, Units::Conventional), reading("PRO", &["TR"], "")), &own, &high);
    let flag =
        trace.readings.iter().find(|r| r.analyte.as_deref() == Some("PRO")).and_then(|r| r.flag);
    assert_eq!(flag, Some(Flag::A));
    let bare = NUMBERS.replace(
        "{ grade = \"NEG\", flag = \"N\" },\n    { conventional = \"8-20\"",
        "{ conventional = \"8-20\"",
    );
    refused(&bare, "pad.LEU.rungs", "kind = \"stepped\"");
    refused(
        &NUMBERS.replace("{ conventional = \"21-60\", si = \"21-60\"", "{ text = \"many\""),
        "pad.LEU.rungs",
        "a grade or a number",
    );
}
