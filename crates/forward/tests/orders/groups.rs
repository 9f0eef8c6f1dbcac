//! Several orders for one specimen: each gets what it asked, and each is put right by itself.

use std::collections::{BTreeMap, BTreeSet};

use proptest::prelude::*;
use wickline_forward::hl7::{
    Correction, FillerNumber, Message, Structure, Told, correction_message, told,
};
use wickline_forward::orders::{Given, References};
use wickline_forward::{EncodeFault, Layout, Version, result_message};
use wickline_normalize::correction::{Known, Sent, learn};
use wickline_normalize::report::Text;
use wickline_normalize::{Flag, Observation};

use crate::desk::pads;
use crate::report::{Report, acidity, glucose, gravity, layout, references};

const FILLERS: [&str; 3] = ["B1-0314-0017", "B1-0314-0018", "B1-0314-0019"];

/// The n-th order of one patient's specimen.
fn order(n: usize) -> References {
    References {
        placer: Given::plain(["A1", "A2", "A3"][n]),
        filler: Given::kept(["F1^LIS", "F2^LIS", ""][n]),
        test: Given::kept(["UADIP^Strip^99KPL", "UGLU^Sugar^99KPL", "USG^Gravity^99KPL"][n]),
        ..references("01-oml-o21-new-251", 0)
    }
}

fn asking(all: &[&[&str]]) -> Report {
    let orders = all.iter().enumerate().map(|(n, own)| (order(n), pads(own), FILLERS[n]));
    Report::new(orders.collect())
}

fn knows(messages: &[impl AsRef<[u8]>]) -> Vec<Known<Told>> {
    let mut known = Vec::new();
    for message in messages {
        learn(&mut known, told(message.as_ref()).expect("what we write, we read"), Sent::Accepted);
    }
    known
}

fn follows(
    report: &Report,
    layout: &Layout,
    before: &[impl AsRef<[u8]>],
) -> Result<Option<Vec<u8>>, EncodeFault> {
    let known = knows(before);
    let correction = Correction { reason: "read again", known: &known, named: None };
    report.with(|out| correction_message(layout, out, &correction))
}

fn first(report: &Report, layout: &Layout) -> Vec<u8> {
    report.with(|out| result_message(layout, out)).expect("a message")
}

/// Segments with what tells them apart.
fn shown(bytes: &[u8]) -> Vec<String> {
    let message = Message::read(bytes).expect("a message");
    let mut counts = BTreeMap::<String, usize>::new();
    let names: Vec<String> = message.names().map(str::to_owned).collect();
    let one = |name: &String| {
        let nth = counts.entry(name.clone()).or_default();
        *nth += 1;
        let field = |n| message.field(name, *nth, n).unwrap_or("").to_owned();
        match name.as_str() {
            "ORC" => format!("ORC {} {}", field(2), field(3)),
            "OBR" => format!("OBR {} {} {} {}", field(1), field(2), field(3), field(25)),
            "OBX" => {
                let code = message.component("OBX", *nth, 3, 4);
                format!("OBX {} {code} {}", field(1), field(11))
            }
            "SPM" => format!("SPM {} {}", field(1), message.component("SPM", *nth, 2, 1)),
            _ => name.clone(),
        }
    };
    names.iter().map(one).collect()
}

#[test]
fn each_order_gets_what_it_asked_and_a_pad_asked_twice_stands_in_both() {
    let report = asking(&[&["PH", "GLU"], &["GLU"], &["SG"]]);
    let by_order = [
        "MSH",
        "ORC A1 B1-0314-0017^WICKLINE",
        "OBR 1 A1 B1-0314-0017^WICKLINE F",
        "OBX 1 GLU F",
        "OBX 2 PH F",
        "SPM 1 KP-20417&LIS",
        "ORC A2 B1-0314-0018^WICKLINE",
        "OBR 2 A2 B1-0314-0018^WICKLINE F",
        "OBX 1 GLU F",
        "SPM 1 KP-20417&LIS",
    ];
    let oru = layout(Version::V251, |_| {});
    assert_eq!(shown(&first(&report, &oru)), by_order, "no gravity was measured");
    let by_specimen = [
        "MSH",
        "SPM 1 KP-20417&LIS",
        "OBR 1 A1 B1-0314-0017^WICKLINE F",
        "ORC A1 B1-0314-0017^WICKLINE",
        "TQ1",
        "OBX 1 GLU F",
        "OBX 2 PH F",
        "OBR 2 A2 B1-0314-0018^WICKLINE F",
        "ORC A2 B1-0314-0018^WICKLINE",
        "TQ1",
        "OBX 1 GLU F",
    ];
    let oul = layout(Version::V251, |l| l.structure = Structure::Oul);
    assert_eq!(shown(&first(&report, &oul)), by_specimen);
    let ordered = layout(Version::V251, |l| {
        ["PH", "GLU"].into_iter().for_each(|id| l.add_to_order(id).expect("an id"));
    });
    let first_two = &shown(&first(&report, &ordered))[3..5];
    assert_eq!(first_two, ["OBX 1 PH F", "OBX 2 GLU F"], "in the receiver's order");
    let left_out = layout(Version::V251, |l| l.add_to_order("PH").expect("an id"));
    let groups = shown(&first(&report, &left_out));
    assert!(!groups.iter().any(|line| line.starts_with("OBR 2")), "{groups:?}");
    let nothing = asking(&[&["SG"], &["BLD"]]);
    assert_eq!(nothing.refused(&oru).0, "OBX", "what nobody asked goes nowhere");
}

#[test]
fn no_two_orders_of_a_message_go_under_one_number() {
    let mut report = asking(&[&["GLU"], &["GLU"]]);
    report.orders[1].2 = FILLERS[0];
    let (ours, theirs) = (layout(Version::V251, |_| {}), FillerNumber::Ordered);
    assert_eq!(report.refused(&ours).0, "ORC-3");
    let theirs = layout(Version::V251, |l| l.filler = theirs);
    let mut report = asking(&[&["GLU"], &["GLU"]]);
    report.orders[1].0.filler = report.orders[0].0.filler.clone();
    assert_eq!(report.refused(&theirs).0, "ORC-3");
    report.orders[1].2 = "";
    assert_eq!(report.refused(&ours).0, "OBR-3.1");
}

#[test]
fn a_change_is_told_to_those_orders_alone_that_asked_for_it() {
    let oru = layout(Version::V251, |_| {});
    let mut report = asking(&[&["GLU", "PH"], &["GLU"], &["SG"]]);
    report.observations.push(gravity("1.020"));
    let before = first(&report, &oru);
    assert_eq!(follows(&report, &oru, &[&before]), Ok(None));
    report.observations[0] = glucose("G2", "2+", Flag::A);
    let second = follows(&report, &oru, &[&before]).expect("a message").expect("a change");
    let wanted = [
        "MSH",
        "ORC A1 B1-0314-0017^WICKLINE",
        "OBR 1 A1 B1-0314-0017^WICKLINE C",
        "NTE",
        "OBX 1 GLU C",
        "OBX 2 PH F",
        "SPM 1 KP-20417&LIS",
        "ORC A2 B1-0314-0018^WICKLINE",
        "OBR 2 A2 B1-0314-0018^WICKLINE C",
        "NTE",
        "OBX 1 GLU C",
        "SPM 1 KP-20417&LIS",
    ];
    assert_eq!(shown(&second), wanted);
    report.observations.clear();
    let gone = follows(&report, &oru, &[&before, &second]);
    let gone = gone.expect("a message").expect("a withdrawal");
    let statuses: Vec<String> =
        shown(&gone).into_iter().filter(|line| line.starts_with("OBX")).collect();
    assert_eq!(statuses, ["OBX 1 GLU W", "OBX 2 PH W", "OBX 1 GLU W", "OBX 1 SG W"]);
    let all = [before, second, gone];
    assert_eq!(follows(&report, &oru, &all), Ok(None), "taken back once");
}

/// A receiver that has it would keep it for ever.
#[test]
fn what_was_told_of_an_order_is_never_forgotten() {
    let oru = layout(Version::V251, |_| {});
    let both = asking(&[&["GLU"], &["GLU", "PH"]]);
    let before = first(&both, &oru);
    let one = asking(&[&["GLU"]]);
    assert_eq!(follows(&one, &oru, &[&before]).expect_err("a fault").field, "ORC-3");
    let bare = Report::new(Vec::new());
    assert_eq!(follows(&bare, &oru, &[&before]).expect_err("a fault").field, "ORC-3");
    let mut none = asking(&[&["GLU"], &["GLU", "PH"]]);
    none.observations.clear();
    let gone = follows(&none, &oru, &[&before]).expect("a message").expect("a withdrawal");
    let after = follows(&one, &oru, &[before, gone]).expect("a message").expect("told again");
    assert_eq!(shown(&after)[4], "OBX 1 GLU C");
}

/// An order that comes late is told for the first time, beside the one that was told before.
#[test]
fn an_order_that_joins_is_told_as_new() {
    let oru = layout(Version::V251, |_| {});
    let before = first(&asking(&[&["GLU", "PH"]]), &oru);
    let both = asking(&[&["GLU", "PH"], &["GLU"]]);
    let next = follows(&both, &oru, &[before]).expect("a message").expect("something new");
    let wanted = ["OBR 1 A2 B1-0314-0018^WICKLINE F", "NTE", "OBX 1 GLU F"];
    assert_eq!(shown(&next)[2..5], wanted);
}

#[test]
fn results_stay_under_the_number_that_they_were_told_under() {
    let ours = layout(Version::V251, |_| {});
    let theirs = layout(Version::V251, |l| l.filler = FillerNumber::Ordered);
    let mut report = asking(&[&["GLU"], &["PH"]]);
    for (then, now, number) in
        [(&ours, &theirs, "B1-0314-0017^WICKLINE"), (&theirs, &ours, "F1^LIS")]
    {
        let before = first(&report, then);
        report.observations[0] = glucose("G1", "1+", Flag::A);
        let next = follows(&report, now, &[before]).expect("a message").expect("a change");
        assert_eq!(shown(&next)[2], format!("OBR 1 A1 {number} C"));
        let message = Message::read(&next).expect("a message");
        let own = if number == "F1^LIS" { Some("B1-0314-0017") } else { Some("") };
        assert_eq!(message.field("OBR", 1, 21), own);
        report.observations[0] = glucose("G0", "Negative", Flag::N);
    }
}

/// What a receiver has, that files by OBR-3, OBX-3 and OBX-4.
#[derive(Default)]
struct Files {
    has: BTreeMap<[String; 4], String>,
    /// Every value that was told as final or corrected.
    final_once: BTreeSet<[String; 4]>,
    /// OBR-3 by OBR-2.
    numbers: BTreeMap<String, String>,
}

impl Files {
    /// The law of corrections, and that an OBR-3 is permanent.
    fn file(&mut self, bytes: &[u8]) -> Result<(), TestCaseError> {
        let text = String::from_utf8(bytes.to_vec()).expect("text");
        let (mut placer, mut number) = (String::new(), String::new());
        let mut report = String::new();
        for line in text.split('\r') {
            let cells: Vec<&str> = line.split('|').collect();
            let cell = |n: usize| cells.get(n).copied().unwrap_or("").to_owned();
            match cells[0] {
                "OBR" => {
                    (placer, number, report) = (cell(2), cell(3), cell(25));
                    let told = self.numbers.entry(placer.clone()).or_insert(number.clone());
                    prop_assert_eq!(told.as_str(), &number, "an OBR-3 is permanent");
                }
                "OBX" => {
                    let code = cell(3).split('^').next().unwrap_or("").to_owned();
                    let key = [placer.clone(), number.clone(), code, cell(4)];
                    let value = cell(5).split('^').next().unwrap_or("").to_owned();
                    let known = self.has.get(&key);
                    match cell(11).as_str() {
                        "F" => {
                            let same = known.is_none_or(|known| *known == value);
                            let new = known.is_some() || !self.final_once.contains(&key);
                            prop_assert!(same && new, "a changed value as final");
                        }
                        "C" => prop_assert!(self.final_once.contains(&key) && report == "C"),
                        "W" => prop_assert!(known.is_some() && report == "C"),
                        other => prop_assert!(false, "{}", other),
                    }
                    if cell(11) == "W" {
                        self.has.remove(&key);
                    } else {
                        self.final_once.insert(key.clone());
                        self.has.insert(key, value);
                    }
                }
                _ => {}
            }
        }
        Ok(())
    }

    /// By order: code and value.
    fn holds(&self) -> BTreeSet<(String, String, String)> {
        let one = |([placer, _, code, _], value): (&[String; 4], &String)| {
            (placer.clone(), code.clone(), value.clone())
        };
        self.has.iter().map(one).collect()
    }
}

/// What each order should have of a strip.
fn wanted(report: &Report) -> BTreeSet<(String, String, String)> {
    let mut all = BTreeSet::new();
    for (references, asked, _) in &report.orders {
        for observation in &report.observations {
            let own: &Text = &Text::from(observation.local.code.as_str());
            if asked.contains(own) {
                let value = match &observation.content {
                    wickline_normalize::Content::Grade { code, .. } => code.code.to_string(),
                    wickline_normalize::Content::Number { digits, .. } => digits.to_string(),
                    _ => String::new(),
                };
                let placer = references.placer.text().to_owned();
                all.insert((placer, observation.code.code.to_string(), value));
            }
        }
    }
    all
}

fn strip() -> impl Strategy<Value = Vec<Observation>> {
    let grades = [("G0", "Negative", Flag::N), ("G1", "1+", Flag::A), ("G2", "2+", Flag::A)];
    let sugar = prop::option::of(prop::sample::select(grades.to_vec()));
    let digits = |all: &'static [&'static str]| prop::option::of(prop::sample::select(all));
    (sugar, digits(&["6.0", "7.0"]), digits(&["1.005", "1.010"])).prop_map(|(sugar, ph, sg)| {
        let sugar = sugar.map(|(code, words, flag)| glucose(code, words, flag));
        [sugar, ph.map(acidity), sg.map(gravity)].into_iter().flatten().collect()
    })
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(512))]

    /// With one order and with several, whatever the layout says then and now: a receiver has in the end what each
    /// order asked for, and was never told a change as final.
    #[test]
    fn a_receiver_has_what_each_order_asked_for(
        asked in prop::collection::vec(
            prop::sample::subsequence(&["GLU", "PH", "SG"][..], 1..=3), 1..=3),
        strips in prop::collection::vec((strip(), any::<[bool; 2]>()), 1..6),
    ) {
        let asked: Vec<&[&str]> = asked.iter().map(Vec::as_slice).collect();
        let mut report = asking(&asked);
        let (mut files, mut sent) = (Files::default(), Vec::<Vec<u8>>::new());
        for (observations, [theirs, oul]) in strips {
            let layout = layout(Version::V251, |l| {
                l.filler = if theirs { FillerNumber::Ordered } else { FillerNumber::Ours };
                l.structure = if oul { Structure::Oul } else { Structure::Oru };
            });
            report.observations = observations;
            let made = if sent.is_empty() {
                report.with(|out| result_message(&layout, out)).ok()
            } else {
                follows(&report, &layout, &sent).map_err(|f| TestCaseError::fail(f.to_string()))?
            };
            if let Some(bytes) = made {
                files.file(&bytes)?;
                sent.push(bytes);
            }
            prop_assert_eq!(files.holds(), wanted(&report));
        }
    }
}

/// HL7 v2.5.1, table 0065: what the filler generates of itself is `G`.
#[test]
fn pads_that_nobody_ordered_stand_apart_under_the_report_s_own_number() {
    let report = Report {
        unordered: Some(pads(&["PH"])),
        ..Report::new(vec![(order(0), pads(&["GLU"]), FILLERS[1])])
    };
    let both = layout(Version::V251, |_| {});
    let before = first(&report, &both);
    let told = [
        "MSH",
        "ORC A1 B1-0314-0018^WICKLINE",
        "OBR 1 A1 B1-0314-0018^WICKLINE F",
        "OBX 1 GLU F",
        "SPM 1 KP-20417&LIS",
        "ORC  B1-0314-0017^WICKLINE",
        "OBR 2  B1-0314-0017^WICKLINE F",
        "TQ1",
        "OBX 1 PH F",
        "SPM 1 KP-20417&LIS",
    ];
    assert_eq!(shown(&before), told);
    let generated = |bytes: &[u8]| {
        let message = Message::read(bytes).expect("a message");
        [1, 2].map(|nth| message.field("OBR", nth, 11).unwrap_or("").to_owned())
    };
    assert_eq!(generated(&before), ["", "G"]);
    // In messages of an analyzer two quotes say that there is no order (IHE's analyzer profile, LAB-29).
    let analyzers = layout(Version::V251, |l| {
        (l.structure, l.profile) = (Structure::Oul, "LAB-29^IHE".into());
    });
    let message = Message::read(&first(&report, &analyzers)).expect("a message");
    assert_eq!((message.field("OBR", 2, 2), message.count("SPM")), (Some("\"\""), 1));
    // Each is put right by itself, and all is taken back.
    let changed =
        Report { observations: vec![glucose("G0", "Negative", Flag::N), acidity("7.0")], ..report };
    let corrected =
        follows(&changed, &both, &[&before]).expect("a message").expect("it says something");
    assert_eq!(
        shown(&corrected)[1..4],
        ["ORC  B1-0314-0017^WICKLINE", "OBR 1  B1-0314-0017^WICKLINE C", "NTE"]
    );
    let gone = Report { observations: Vec::new(), unordered: Some(Vec::new()), ..changed };
    let withdrawn =
        follows(&gone, &both, &[&before, &corrected]).expect("a message").expect("it does");
    let results: Vec<String> =
        shown(&withdrawn).into_iter().filter(|s| s.starts_with("OBX")).collect();
    assert_eq!(results, ["OBX 1 GLU W", "OBX 1 PH W"]);
}
