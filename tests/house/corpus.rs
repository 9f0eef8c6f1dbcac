//! Hundreds of spoiled captures through reading and judging: what would go out is what was printed.
//!
//! A flipped bit or a lost byte can turn one sound print into another (1+ into 3+): a print without a
//! checksum cannot tell, only a link that has one, or a specimen id with a check character. Those two
//! ways are counted; every other way must never let anything else out.

#[path = "../../crates/listen/tests/corpus/spoil.rs"]
mod spoil;
#[path = "../../crates/listen/tests/corpus/uart.rs"]
mod uart;

use std::collections::BTreeMap;
use std::path::Path;

use wickline_listen::dialect;
use wickline_listen::ear::Ear;
use wickline_normalize::Moment;
use wickline_normalize::judge::{Facts, Way as Went, judge};
use wickline_normalize::rules::Rules;
use wickline_normalize::strip::Strip;

use spoil::Way;

/// Whose it is, and what of each analyte would go out.
type Ready = (Option<String>, Vec<(String, String)>);

/// What would go out of these bytes to a patient's record.
fn ready(dialect: &str, bytes: &[u8], flaws: &[usize]) -> Vec<Ready> {
    let dialect = dialect::builtin(dialect).expect("built in");
    let strips: Vec<Strip> = ["ten-pad", "eleven-pad", "twelve-pad", "fourteen-pad"]
        .iter()
        .filter_map(|s| Strip::builtin(s))
        .collect();
    let mut rules = Rules::default();
    rules.add_control_specimen("QC-L*=1").expect("a rule");
    let mut ear = Ear::new(dialect.as_ref());
    ear.handle_input(0, bytes, 0, flaws);
    while let Some(deadline) = ear.poll_timeout() {
        ear.handle_timeout(deadline);
    }
    let heard = Moment::from_digits("20260314091500+0000").expect("a moment");
    let mut found = Vec::new();
    for transmission in std::iter::from_fn(|| ear.poll_transmission()) {
        for report in dialect.read(&transmission) {
            for strip in &strips {
                let facts = Facts {
                    earlier: &[],
                    heard,
                    day: "2026-03-14",
                    sequence: None,
                    controls: None,
                    lot: None,
                };
                let judged = judge(&report, std::slice::from_ref(strip), &rules, &facts);
                if judged.way != Went::Ready {
                    continue;
                }
                let said = |r: &wickline_normalize::readings::Reading| {
                    let number = r.number.as_ref().map(|n| n.text()).unwrap_or_default();
                    let grade = r.grade.clone().unwrap_or_default();
                    (r.analyte.clone().unwrap_or_default(), format!("{grade} {number}"))
                };
                let specimen = report.specimen.as_ref().map(|s| s.expose().to_owned());
                found.push((specimen, judged.readings.iter().map(said).collect()));
            }
        }
    }
    found
}

#[test]
fn nothing_wrong_goes_out_of_a_spoiled_capture() {
    let fixtures = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../fixtures/listen");
    let dialects = dialect::builtin_names();
    let sound: BTreeMap<String, Vec<Ready>> = spoil::captures(&fixtures, dialects)
        .into_iter()
        .map(|(dialect, name, bytes)| (format!("{dialect}/{name}"), ready(dialect, &bytes, &[])))
        .collect();
    assert!(sound.values().flatten().count() >= 5, "sound prints go out");
    let often = crate::kit::rounds(20, 400);
    let corpus = spoil::corpus(&fixtures, dialects, often, 0x0BAD_C0DE);
    assert!(corpus.len() >= 300, "{} captures", corpus.len());
    let mut counts: BTreeMap<(Way, bool), usize> = BTreeMap::new();
    let mut undetected: BTreeMap<&str, usize> = BTreeMap::new();
    for spoiled in &corpus {
        let name = spoiled.name.split(' ').next().expect("a name");
        for out in ready(spoiled.dialect, &spoiled.bytes, &spoiled.flaws) {
            let as_printed = sound[name].contains(&out);
            *counts.entry((spoiled.way, as_printed)).or_default() += 1;
            let undetectable = matches!(spoiled.way, Way::BitsFlipped | Way::ByteLost);
            let bytes = String::from_utf8_lossy(&spoiled.bytes);
            assert!(as_printed || undetectable, "{}: {out:?}\n{bytes}", spoiled.name);
            if !as_printed {
                *undetected.entry(spoiled.dialect).or_default() += 1;
            }
        }
    }
    println!("{counts:?} of {}; undetected {undetected:?}", corpus.len());
    bound(&corpus, &undetected);
}

/// What a print without a checksum cannot tell stays rare, and a link that has one tells all of it.
fn bound(corpus: &[spoil::Spoiled], undetected: &BTreeMap<&str, usize>) {
    for (dialect, wrong) in undetected {
        let ways = [Way::BitsFlipped, Way::ByteLost];
        let tried =
            corpus.iter().filter(|s| s.dialect == *dialect && ways.contains(&s.way)).count();
        let most = if *dialect == "lis02" { 0 } else { tried / 50 };
        assert!(*wrong <= most, "{dialect}: {wrong} of {tried} went out wrong, {most} may");
    }
}
