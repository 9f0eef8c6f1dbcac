//! What `check` says of control material, strip lots and comments.

use std::collections::BTreeMap;

use super::{Finding, Level, finding};
use crate::clock;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// A lot that ends within so many days is told.
const SOON: i64 = 14;
const DAY_US: i64 = 86_400_000_000;

/// What the configuration alone says.
pub fn rules(bench: &Bench, found: &mut Vec<Finding>) {
    for analyzer in &bench.analyzers {
        plan(bench, analyzer, found);
    }
    for target in bench.targets.iter().filter(|t| t.controls) {
        let of = match target.analyzers.as_slice() {
            [all] if all == "*" => "every analyzer".to_owned(),
            some => some.join(", "),
        };
        let patients = if target.patients { "beside patients' results" } else { "and no patients" };
        let text = format!(
            "controls = true: it gets every run of control material of {of}, in messages that say that \
             it is control material, {patients}"
        );
        found.push(finding(Level::Note, format!("receiver {}", target.id), text));
    }
    let on: BTreeMap<&str, &str> = bench
        .analyzers
        .iter()
        .flat_map(|a| &a.comments)
        .map(|c| (c.code.as_str(), c.source.as_str()))
        .collect();
    for (code, source) in on {
        let text = format!("{code} is on; source: {source}");
        found.push(finding(Level::Good, "comments", text));
    }
}

fn plan(bench: &Bench, analyzer: &Analyzer, found: &mut Vec<Finding>) {
    let about = format!("analyzer {}", analyzer.id);
    let rules = &analyzer.controls;
    if !rules.are_run {
        return;
    }
    let levels = rules.plan.levels();
    match levels {
        [] => {
            let text = "control material is told apart, but no [[control]] says what it must read: \
                        runs are kept and neither pass nor fail";
            found.push(finding(Level::Note, &about, text));
            return;
        }
        [only] => {
            let text = format!(
                "only level {only} of control material must pass; graded tests want a negative and a \
                 positive one (42 CFR 493.1256(d))"
            );
            found.push(finding(Level::Note, &about, text));
        }
        _ => {}
    }
    let text = analyzer.rules.controls_policy.told();
    found.push(finding(Level::Good, &about, format!("controls: {text}")));
    for strip in &analyzer.strips {
        for level in levels {
            lots(bench, analyzer, &strip.id, level, found);
        }
    }
}

/// Whether the targets of one level hold today and for some time.
fn lots(bench: &Bench, analyzer: &Analyzer, strip: &str, level: &str, found: &mut Vec<Finding>) {
    let now = clock::now_us();
    let (today, soon) = (bench.clock.day(now), bench.clock.day(now + SOON * DAY_US));
    let about = format!("analyzer {}", analyzer.id);
    let own: Vec<_> = analyzer
        .controls
        .plan
        .lots()
        .filter(|lot| lot.level == level && lot.strip == strip)
        .collect();
    let valid = |day: &str| own.iter().any(|l| l.first_day <= day && day <= l.last_day);
    if !valid(&today) {
        let known: Vec<String> = own
            .iter()
            .map(|l| format!("{} from {} to {}", l.control_lot, l.first_day, l.last_day))
            .collect();
        let known = if known.is_empty() { "none at all".into() } else { known.join(", ") };
        let text = format!(
            "no [[control]] of level {level} on strip {strip} is valid today, {today} (there is {known}): \
             its runs cannot pass"
        );
        found.push(finding(Level::Stale, &about, text));
    } else if !valid(&soon) {
        let last = own.iter().filter(|l| l.first_day <= today.as_str()).map(|l| l.last_day).max();
        let text = format!(
            "control material of level {level} on strip {strip} has targets until {}: add the next lot",
            last.unwrap_or_default()
        );
        found.push(finding(Level::Note, &about, text));
    }
}

/// Whether the configuration names the instrument that a person said stands there now: OBX-18 carries its serial
/// number, and none where the configuration has none.
pub async fn instruments(
    bench: &Bench,
    ledger: &Ledger,
    found: &mut Vec<Finding>,
) -> Result<(), StoreError> {
    for analyzer in &bench.analyzers {
        let all = ledger.instruments(analyzer).await?;
        if all.replacements().is_empty() {
            continue;
        }
        let (stands, serial) = (all.last().told(&bench.clock), &all.last().serial);
        let text = match &analyzer.equipment {
            Some((named, _)) if named == serial => continue,
            Some((named, _)) => format!(
                "serial = \"{named}\", and the ledger knows by `analyzer replace` that another stands there: {stands}. \
                 OBX-18 carries that one; write serial = \"{serial}\""
            ),
            None => format!(
                "the ledger knows by `analyzer replace` which instrument stands there: {stands}. The configuration \
                 has no `serial`, so OBX-18 carries none; write serial = \"{serial}\" if it is to"
            ),
        };
        found.push(finding(Level::Note, format!("analyzer {}", analyzer.id), text));
    }
    Ok(())
}

/// The strip lots in use.
pub async fn strips(
    bench: &Bench,
    ledger: &Ledger,
    found: &mut Vec<Finding>,
) -> Result<(), StoreError> {
    let now = clock::now_us();
    let soon = bench.clock.day(now + SOON * DAY_US);
    for analyzer in &bench.analyzers {
        for stands in ledger.control_standing(bench, analyzer, now).await? {
            let about = format!("analyzer {}", analyzer.id);
            let (Some(lot), Some(day)) = (&stands.strip_lot, &stands.strip_last_day) else {
                continue;
            };
            if stands.strip_expired {
                let text = format!(
                    "strip lot {lot} of {} was good until {day}: patients' reports are held; enter the \
                     new one with `wickline controls lot`",
                    stands.strip
                );
                found.push(finding(Level::Stale, about, text));
            } else if *day < soon {
                let text = format!("strip lot {lot} of {} is good until {day}", stands.strip);
                found.push(finding(Level::Note, about, text));
            }
        }
    }
    Ok(())
}
