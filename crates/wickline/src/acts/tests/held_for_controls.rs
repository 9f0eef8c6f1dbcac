//! Control material and patients through the ledger: every policy in every state, what is let go, and
//! what no act can make look better.

use std::path::Path;

use wickline_normalize::judge::StripLot;
use wickline_normalize::{Moment, Policy, Reason};

use super::{Lab, material, twice};
use crate::acts::control_views::ControlStanding;
use crate::acts::intake::{HeardReport, TakenReport};
use crate::clock::now_us;
use crate::settings::bench::Bench;
use crate::settings::from_text;
use crate::store::ledger::Ledger;
use crate::store::lists::runs::{AskedRuns, RunView};
use crate::store::state::ReportState;
use crate::store::trail::Actor;

const EXPECT: &str = "\"BIL=NEG\", \"BLD=NEG\", \"KET=NEG\", \"LEU=NEG\", \"NIT=NEG\", \"PH=6.0\", \
     \"PRO=NEG\", \"SG=1.012\", \"URO=NORM\"";
const DAY: i64 = 86_400_000_000;

fn bench(keys: &str, controls: &str) -> Bench {
    let text = format!(
        "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
         control_specimens = [\"QC-L1=1\", \"QC-L2=2\"]\n{keys}\n\
         [[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n{controls}"
    );
    let loaded = from_text(Path::new("./w.toml"), text).expect("a good configuration");
    Bench::build(&loaded).expect("a good bench")
}

/// Two levels for a strip type: one without glucose, one with 2+.
fn levels(strip: &str) -> String {
    let level = |level, glucose| {
        format!(
            "[[control]]\nlevel = \"{level}\"\nlot = \"KP-{level}01\"\nstrip = \"{strip}\"\n\
             first_day = \"2026-01-01\"\nlast_day = \"2039-12-31\"\nexpect = [\"GLU={glucose}\", {EXPECT}]\n"
        )
    };
    format!("{}{}", level("1", "NEG"), level("2", "2+"))
}

fn policy(failed: &str, due: &str, urgent_goes: bool) -> Bench {
    let keys = format!(
        "controls_failed = \"{failed}\"\ncontrols_due = \"{due}\"\nurgent_goes = {urgent_goes}"
    );
    bench(&keys, &levels(""))
}

impl Lab {
    /// One strip at a time of the site's clock, `202603140800`, taken in.
    async fn strip(&mut self, time: &str, specimen: &str, glucose: &str) -> TakenReport {
        let heard = self.printed(time, specimen, glucose);
        self.took(heard).await
    }

    fn printed(&mut self, time: &str, specimen: &str, glucose: &str) -> HeardReport {
        let taken = Moment::from_digits(time).expect("a time");
        let us = self.bench.clock.us(taken).expect("a time of the zone");
        self.printed_at(us, specimen, glucose)
    }

    /// Numbers of their own, so that no two are the same.
    fn printed_at(&mut self, us: i64, specimen: &str, glucose: &str) -> HeardReport {
        let number = format!("{}", self.at);
        let mut heard = self.heard(&number, specimen, glucose);
        heard.report.number = None;
        heard.report.taken = Some(self.bench.clock.moment(us));
        heard.heard_at = us + 1_000_000;
        heard
    }

    async fn took(&self, heard: HeardReport) -> TakenReport {
        self.take(&[heard], 1).await.reports.remove(0)
    }

    /// Both levels, passed.
    async fn pass(&mut self, time: &str) {
        for (specimen, glucose) in [("QC-L1", "NEG"), ("QC-L2", "2+")] {
            let taken = self.strip(time, specimen, glucose).await;
            assert_eq!(taken.state, ReportState::Filed);
        }
    }

    async fn release(&self) -> usize {
        let analyzer = &self.bench.analyzers[0];
        self.ledger.release_passed(&self.bench, analyzer).await.expect("looked at")
    }

    async fn state_of(&self, id: i64) -> String {
        let kept = self.ledger.report(id, &self.clock()).await.expect("read").expect("there");
        kept.item.state.to_string()
    }

    async fn stands(&self, time: &str) -> ControlStanding {
        let at = self.bench.clock.us(Moment::from_digits(time).expect("a time")).expect("a time");
        self.stands_at(at).await.remove(0)
    }

    async fn stands_at(&self, at: i64) -> Vec<ControlStanding> {
        let analyzer = &self.bench.analyzers[0];
        self.ledger.control_standing(&self.bench, analyzer, at).await.expect("read")
    }

    async fn runs(&self) -> Vec<RunView> {
        let all = AskedRuns { to: i64::MAX, ..AskedRuns::default() };
        self.ledger.control_runs(&all, &self.clock()).await.expect("read")
    }

    /// The message of a report, as it would go out. None: it has none.
    async fn message_of(&self, id: i64) -> Option<String> {
        for n in self.waiting().await {
            let whole = self.whole(n).await;
            if whole.item.id == id.to_string() {
                return Some(String::from_utf8_lossy(&whole.body).into_owned());
            }
        }
        None
    }
}

on_both!(
    every_policy_in_every_state_for_every_class,
    all_levels_let_patients_go_and_one_does_not,
    controls_heard_after_the_patients_they_were_run_before_count,
    what_cannot_be_built_any_more_stays_as_it_is,
    a_person_lets_one_go_with_a_reason,
    no_run_of_ours_lets_go_what_the_analyzer_itself_marked,
    a_memory_read_out_late_is_judged_by_the_controls_of_its_time,
    what_is_set_aside_makes_nothing_look_better,
    a_control_that_a_person_names_passes_only_if_the_analyzer_ran_it,
    two_daemons_let_each_report_go_once,
    strip_lots_are_entered_once_and_told,
    what_a_pass_let_go_is_not_held_again_by_a_mended_reading,
    expired_strips_hold_patients_and_make_controls_no_run,
    each_strip_type_has_its_own_lot,
);

/// What must become of one patient's report.
fn expected(
    policy: &str,
    state: &str,
    stat: bool,
    urgent_goes: bool,
) -> (ReportState, Option<String>) {
    let remark = || Some(format!("Released while controls {state}"));
    match (state, policy) {
        ("", _) | (_, "off") => (ReportState::Waiting, None),
        (_, "warn") => (ReportState::Waiting, remark()),
        _ if stat && urgent_goes => (ReportState::Waiting, remark()),
        _ => (ReportState::Held, None),
    }
}

async fn every_policy_in_every_state_for_every_class(mut lab: Lab) {
    let mut day = 1;
    for policies in ["hold", "warn", "off"].map(|a| ["hold", "warn", "off"].map(|b| (a, b))) {
        for ((failed, due), urgent_goes) in policies.map(|p| [(p, false), (p, true)]).concat() {
            lab.bench = policy(failed, due, urgent_goes);
            let time = |day: i64, clock: &str| {
                let first = Moment::from_day("2026-03-01").expect("a day").wall();
                let day = Moment::at_wall(first + day * 86_400).expect("a day");
                format!("{}{clock}", day.day_text().replace('-', ""))
            };
            lab.pass(&time(day, "0800")).await;
            let one = async |lab: &mut Lab, at: String, policy: &str, state: &str| {
                for stat in [false, true] {
                    let mut heard =
                        lab.printed(&at, &format!("KP-{:05}", lab.at % 90_000 + 10_000), "NEG");
                    heard.report.signs.stat = stat;
                    let taken = lab.took(heard).await;
                    let (wanted, remark) = expected(policy, state, stat, urgent_goes);
                    let what = format!("{policy} {state} stat {stat} urgent {urgent_goes}");
                    assert_eq!(taken.state, wanted, "{what}");
                    let reason = match (wanted, state) {
                        (ReportState::Held, "are due") => Some(Reason::ControlsDue),
                        (ReportState::Held, _) => Some(Reason::ControlsFailed),
                        _ => None,
                    };
                    assert_eq!(taken.reason, reason, "{what}");
                    let message = lab.message_of(taken.id).await;
                    assert_eq!(message.is_some(), wanted == ReportState::Waiting, "{what}");
                    let message = message.unwrap_or_default();
                    let told = message.contains("NTE|") && message.contains("Released while");
                    assert_eq!(told, remark.is_some(), "{what}: {message}");
                    assert!(message.contains(&remark.unwrap_or_default()), "{what}: {message}");
                }
            };
            one(&mut lab, time(day, "0900"), "hold", "").await;
            one(&mut lab, time(day + 1, "0900"), due, "are due").await;
            let out = lab.strip(&time(day + 1, "1000"), "QC-L2", "NEG").await;
            assert_eq!((out.state, lab.release().await), (ReportState::Filed, 0));
            one(&mut lab, time(day + 1, "1100"), failed, "have failed").await;
            day += 2;
        }
    }
}

async fn all_levels_let_patients_go_and_one_does_not(mut lab: Lab) {
    lab.bench = policy("hold", "hold", false);
    let early = lab.strip("202603140700", "KP-00001", "NEG").await;
    lab.strip("202603140800", "QC-L1", "NEG").await;
    assert_eq!((early.reason, lab.release().await), (Some(Reason::ControlsDue), 0), "one level");
    lab.strip("202603140805", "QC-L2", "NEG").await;
    let failed = lab.strip("202603140810", "KP-00002", "NEG").await;
    assert_eq!((failed.reason, lab.release().await), (Some(Reason::ControlsFailed), 0));
    lab.strip("202603140820", "QC-L2", "2+").await;
    assert_eq!(lab.release().await, 2);
    for id in [early.id, failed.id] {
        assert_eq!(lab.state_of(id).await, "waiting");
        assert!(lab.message_of(id).await.expect("a message").contains("OBX|1|"));
    }
    assert_eq!(lab.release().await, 0, "once");
    // What is held for another reason as well stays for a person, without the hold for controls.
    let both = lab.strip("202603150700", "", "NEG").await;
    lab.pass("202603150800").await;
    assert_eq!((lab.release().await, lab.state_of(both.id).await.as_str()), (0, "held"));
    let actor = Actor::person(None);
    let became = lab.ledger.report_identify(&lab.bench, &actor, both.id, &twice("KP-00003")).await;
    assert_eq!(became.expect("identified"), [(both.id, "waiting".to_owned())]);
    // Taken after the controls that passed, in a time that they are not good for.
    let late = lab.strip("202603160700", "KP-00004", "NEG").await;
    assert_eq!((lab.release().await, lab.state_of(late.id).await.as_str()), (0, "held"));
}

/// A memory that gives patients first and its controls after them.
async fn controls_heard_after_the_patients_they_were_run_before_count(mut lab: Lab) {
    lab.bench = policy("hold", "hold", false);
    let patient = lab.strip("202603140900", "KP-00001", "NEG").await;
    assert_eq!(patient.reason, Some(Reason::ControlsDue));
    lab.pass("202603140800").await;
    assert_eq!((lab.release().await, lab.state_of(patient.id).await.as_str()), (1, "waiting"));
    // What failed after it was taken does not hold what was good then.
    let patient = lab.strip("202603150900", "KP-00002", "NEG").await;
    lab.strip("202603151000", "QC-L2", "NEG").await;
    assert_eq!(lab.release().await, 0);
    lab.pass("202603150800").await;
    assert_eq!((lab.release().await, lab.state_of(patient.id).await.as_str()), (1, "waiting"));
    assert_eq!(lab.stands("202603151005").await.overall.state, "failed");
}

/// Its strip is not configured any more: it must not wait without a message.
async fn what_cannot_be_built_any_more_stays_as_it_is(mut lab: Lab) {
    lab.bench = policy("hold", "hold", false);
    let one = lab.strip("202603140700", "KP-00001", "NEG").await;
    lab.pass("202603140800").await;
    let ready = std::mem::replace(&mut lab.bench, {
        let keys = "strip = \"eleven-pad\"\ncontrols_due = \"hold\"";
        bench(keys, &levels("").replace("expect = [", "expect = [\"ASC=any\", "))
    });
    assert_eq!((lab.release().await, lab.state_of(one.id).await.as_str()), (0, "held"));
    let kept = lab.ledger.report(one.id, &lab.clock()).await.expect("read").expect("there");
    assert!(kept.item.holds.iter().all(|h| !h.cleared), "nothing was changed");
    lab.bench = ready;
    assert_eq!((lab.release().await, lab.state_of(one.id).await.as_str()), (1, "waiting"));
    assert!(lab.message_of(one.id).await.is_some());
}

/// A dialect that knows the sign needs no lots of ours to hold for it.
#[test]
fn a_dialect_with_the_sign_holds_by_itself() {
    let of = |dialect: &str, keys: &str| {
        let text = format!(
            "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
             [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
             [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"{dialect}\"\n\
             {keys}\n[[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n"
        );
        let loaded = from_text(Path::new("./w.toml"), text).expect("readable");
        let policy = |bench: Bench| bench.analyzers[0].rules.controls_policy;
        let built = Bench::build(&loaded).map(policy);
        built.map(|p| (p.failed, p.due)).map_err(|faults| faults.len())
    };
    assert_eq!(of("wide-label", ""), Ok((Policy::Hold, Policy::Off)));
    assert_eq!(of("wide-label", "controls_failed = \"warn\""), Ok((Policy::Warn, Policy::Off)));
    assert_eq!(of("wide-label", "controls_due = \"hold\""), Err(1), "no lots: due for ever");
    assert_eq!(of("two-column", ""), Ok((Policy::Off, Policy::Off)));
    assert_eq!(of("two-column", "controls_failed = \"hold\""), Err(1));
}

/// The analyzer's own sign stands above every run that was heard, before it and after it.
async fn no_run_of_ours_lets_go_what_the_analyzer_itself_marked(mut lab: Lab) {
    lab.bench = policy("hold", "hold", false);
    let mut marked = lab.printed("202603140700", "KP-00001", "NEG");
    marked.report.controls_not_passed = true;
    let due = lab.took(marked).await;
    lab.pass("202603140800").await;
    let mut marked = lab.printed("202603140900", "KP-00002", "NEG");
    marked.report.controls_not_passed = true;
    let passed = lab.took(marked).await;
    assert_eq!(passed.reason, Some(Reason::ControlsNotPassed), "whatever our own standing is");
    lab.pass("202603141000").await;
    assert_eq!(lab.release().await, 0);
    let actor = Actor::person(Some("J. Mast".into()));
    for id in [due.id, passed.id] {
        let kept = lab.ledger.report(id, &lab.clock()).await.expect("read").expect("there");
        let open = kept.item.holds.iter().filter(|hold| !hold.cleared);
        let open: Vec<&str> = open.map(|hold| hold.reason.as_str()).collect();
        assert_eq!((kept.item.state.text(), open), ("held", vec!["controls-not-passed"]));
        let became = lab.ledger.report_release(&lab.bench, &actor, id, "run by hand").await;
        assert_eq!(became.expect("a person says so"), [(id, "waiting".to_owned())]);
    }
    // A strip without an id may be control material all the same.
    let mut blank = lab.printed("202603141100", "", "2+");
    blank.report.controls_not_passed = true;
    let blank = lab.took(blank).await;
    let said = lab
        .ledger
        .report_is_control(&lab.bench, &actor, blank.id, &material("2"), "it says so")
        .await;
    assert_eq!(said.expect("filed"), [(blank.id, "filed".to_owned())]);
}

async fn a_person_lets_one_go_with_a_reason(mut lab: Lab) {
    lab.bench = policy("hold", "hold", false);
    let due = lab.strip("202603140700", "KP-00001", "NEG").await;
    let actor = Actor::person(Some("J. Mast".into()));
    let became =
        lab.ledger.report_release(&lab.bench, &actor, due.id, "controls ran elsewhere").await;
    assert_eq!(became.expect("released"), [(due.id, "waiting".to_owned())]);
    let control = lab.strip("202603140800", "QC-L1", "2+").await;
    let never = lab.ledger.report_release(&lab.bench, &actor, control.id, "no").await;
    assert!(never.is_err(), "control material is nobody's to release");
}

async fn a_memory_read_out_late_is_judged_by_the_controls_of_its_time(mut lab: Lab) {
    lab.bench = policy("hold", "hold", false);
    lab.pass("202603130800").await;
    lab.strip("202603131200", "QC-L2", "NEG").await;
    // More runs since than are looked at for what comes now.
    for minute in 0..40 {
        lab.pass(&format!("2026031408{minute:02}")).await;
    }
    let heard_at = lab.bench.clock.us(Moment::from_digits("202603141200").expect("a time"));
    let mut seen = Vec::new();
    for (time, specimen) in [
        ("202603130700", "KP-00001"),
        ("202603130900", "KP-00002"),
        ("202603131300", "KP-00003"),
        ("202603141100", "KP-00004"),
    ] {
        let mut heard = lab.printed(time, specimen, "NEG");
        heard.heard_at = heard_at.expect("a time of the zone");
        seen.push(lab.took(heard).await.reason);
    }
    let (due, failed) = (Some(Reason::ControlsDue), Some(Reason::ControlsFailed));
    assert_eq!(seen, [due, None, failed, None]);
}

async fn what_is_set_aside_makes_nothing_look_better(mut lab: Lab) {
    lab.bench = policy("hold", "off", false);
    lab.pass("202603140800").await;
    // Held because its number is used twice, reading as it must: it says nothing.
    let twice = async |lab: &mut Lab, time: &str, first: &str, second: &str| {
        let mut ids = Vec::new();
        for glucose in [first, second] {
            let mut heard = lab.printed(time, "QC-L1", glucose);
            heard.report.number = Some(time.to_owned());
            ids.push(lab.took(heard).await);
        }
        assert_eq!(ids[1].reason, Some(Reason::NumberReused));
        ids.remove(1).id
    };
    let good = twice(&mut lab, "202603140900", "2+", "NEG").await;
    assert_eq!(lab.stands("202603140910").await.overall.state, "failed", "no pass lifts it");
    let actor = Actor::person(None);
    lab.ledger.report_set_aside(&lab.bench, &actor, good, "typed wrong").await.expect("set aside");
    assert_eq!(lab.stands("202603140910").await.overall.state, "failed");
    lab.pass("202603141000").await;
    assert_eq!(lab.stands("202603141005").await.overall.state, "passed");
    // One that is out counts although it is held, and stays when it is set aside.
    let out = twice(&mut lab, "202603141100", "NEG", "2+").await;
    assert_eq!(lab.stands("202603141105").await.overall.state, "failed");
    lab.ledger.report_set_aside(&lab.bench, &actor, out, "repeated").await.expect("set aside");
    assert_eq!(lab.stands("202603141105").await.overall.state, "failed");
    let row = lab.runs().await.into_iter().find(|r| r.id == out.to_string()).expect("kept");
    assert_eq!((row.verdict, row.state.text()), ("failed", "set-aside"));
    // Cut off after it passed: nothing says that it still passes.
    lab.pass("202603141200").await;
    let mut heard = lab.printed("202603141300", "QC-L1", "NEG");
    heard.report.readings.truncate(3);
    heard.report.doubts.push(wickline_normalize::Hold::new(Reason::Incomplete, "cut off"));
    let cut = lab.took(heard).await;
    assert_eq!(cut.state, ReportState::Held);
    let stands = lab.stands("202603141305").await;
    assert_eq!((stands.overall.state, stands.levels[1].state), ("due", "passed"));
    let row = lab.runs().await.into_iter().find(|r| r.id == cut.id.to_string()).expect("a row");
    assert_eq!((row.verdict, row.detail.as_str()), ("no-target", "it is held: incomplete"));
}

/// Its class is of the analyzer, its id is blank: what it is has to be said, and then it passes. A strip of
/// patient class that a person names is filed and lets nobody go.
async fn a_control_that_a_person_names_passes_only_if_the_analyzer_ran_it(mut lab: Lab) {
    lab.bench = policy("hold", "hold", false);
    lab.strip("202603140800", "QC-L1", "NEG").await;
    let patient = lab.strip("202603140805", "KP-00001", "NEG").await;
    let named = lab.strip("202603140810", "", "2+").await;
    let actor = Actor::person(None);
    assert_eq!(named.reason, Some(Reason::SpecimenBlank));
    // It is held for controls as well, as a patient's would be: that falls when it is none.
    let became = lab
        .ledger
        .report_is_control(&lab.bench, &actor, named.id, &material("2"), "the vial")
        .await;
    assert_eq!(became.expect("filed"), [(named.id, "filed".to_owned())]);
    assert_eq!(lab.state_of(patient.id).await, "held", "a person's word lifts no lockout");
    let run = lab.runs().await.pop().expect("its run");
    assert_eq!((run.verdict, run.level.as_deref()), ("no-target", Some("2")));
    assert!(run.detail.contains("did not run it as a control"), "{}", run.detail);
    assert_eq!(run.control_lot.as_deref(), Some("KP-201"));
    let mut ran = lab.printed("202603140815", "", "2+");
    ran.report.signs.control_order = true;
    let blank = lab.took(ran).await;
    assert_eq!(blank.state, ReportState::Held);
    let became = lab
        .ledger
        .report_is_control(&lab.bench, &actor, blank.id, &material("2"), "the vial")
        .await;
    assert_eq!(became.expect("identified"), [(blank.id, "filed".to_owned())]);
    assert_eq!(lab.state_of(patient.id).await, "waiting");
    let run = lab.runs().await.pop().expect("its run");
    assert_eq!((run.verdict, run.level.as_deref()), ("passed", Some("2")));
}

/// A daemon that died before it let anyone go leaves that to the next one; two do not send twice.
async fn two_daemons_let_each_report_go_once(mut lab: Lab) {
    lab.bench = policy("hold", "hold", false);
    let mut ids = Vec::new();
    for n in 1..=12 {
        let time = format!("2026031407{n:02}");
        ids.push(lab.strip(&time, &format!("KP-000{n:02}"), "NEG").await.id);
    }
    lab.pass("202603140800").await;
    let other = Ledger::open(lab.ledger.db.address().clone()).await.expect("opened again");
    let analyzer = &lab.bench.analyzers[0];
    let (one, two) = tokio::join!(
        lab.ledger.release_passed(&lab.bench, analyzer),
        other.release_passed(&lab.bench, analyzer)
    );
    assert_eq!(one.expect("released") + two.expect("released"), ids.len());
    assert_eq!(lab.waiting().await.len(), ids.len(), "each once");
}

async fn what_a_pass_let_go_is_not_held_again_by_a_mended_reading(mut lab: Lab) {
    lab.bench = policy("hold", "hold", false);
    lab.strip("202603140800", "QC-L1", "2+").await;
    let id = lab.strip("202603140810", "KP-00001", "777").await.id;
    let reasons = async |lab: &Lab| {
        let kept = lab.ledger.report(id, &lab.clock()).await.expect("read").expect("there");
        kept.item.reasons().into_iter().map(str::to_owned).collect::<Vec<_>>()
    };
    assert!(reasons(&lab).await.contains(&"controls-failed".to_owned()));
    lab.pass("202603140820").await;
    lab.release().await;
    let before = reasons(&lab).await;
    assert!(!before.is_empty() && !before.iter().any(|r| r.starts_with("controls")), "{before:?}");
    let actor = Actor::person(None);
    lab.ledger.report_reread(&lab.bench, &lab.tape, &actor, id).await.expect("read again");
    let after = reasons(&lab).await;
    assert!(!after.iter().any(|r| r.starts_with("controls")), "{after:?}");
}

async fn strip_lots_are_entered_once_and_told(mut lab: Lab) {
    lab.bench = policy("hold", "hold", false);
    let actor = Actor::person(Some("J. Mast".into()));
    let today = lab.clock().day(now_us());
    let analyzer = lab.bench.analyzers[0].clone();
    let enter = async |lot: &str, last_day: Option<&str>, strip: Option<&str>| {
        let lot = StripLot { lot: lot.into(), last_day: last_day.map(str::to_owned) };
        lab.ledger
            .strip_lot_enter(&lab.bench, &actor, &analyzer, strip, &lot, Some("new box"))
            .await
    };
    assert_eq!(enter("S-1", Some(&today), None).await.expect("entered"), "ten-pad");
    assert!(enter("S-1", Some(&today), None).await.is_err(), "it is the present one");
    assert!(enter("S-2", Some("2020-01-31"), None).await.is_err(), "past its last day");
    assert!(enter("S-2", None, Some("twelve-pad")).await.is_err(), "no strip of this analyzer");
    assert!(enter(" S-2", None, None).await.is_err() && enter("", None, None).await.is_err());
    // A vial stands beside the box.
    let vial = enter("KP-101", None, None).await.expect_err("a lot of control material");
    assert!(vial.to_string().contains("level 1"), "{vial}");
    enter("S-2", None, Some("ten-pad")).await.expect("entered");
    let lots = lab.ledger.strip_lots("bench-1").await.expect("read");
    let lots: Vec<&str> = lots.iter().map(|e| e.lot.lot.as_str()).collect();
    assert_eq!(lots, ["S-1", "S-2"]);
    let mut conn = lab.ledger.db.write().await.expect("a connection");
    let sql = "SELECT was || ' -> ' || became || ' by ' || who || ': ' || reason FROM trail \
               WHERE verb = 'strip-lot' ORDER BY n DESC LIMIT 1";
    let told: String = conn.one(sql, |row| sqlx::Row::try_get(&row, 0)).await.expect("a row");
    assert_eq!(told, format!("S-1, last day {today} -> S-2, no last day by J. Mast: new box"));
}

async fn expired_strips_hold_patients_and_make_controls_no_run(mut lab: Lab) {
    lab.bench = policy("warn", "warn", false);
    let (actor, now) = (Actor::person(None), now_us());
    let last_day = Some(lab.clock().day(now));
    let lot = StripLot { lot: "S-1".into(), last_day };
    let analyzer = lab.bench.analyzers[0].clone();
    let entered = lab.ledger.strip_lot_enter(&lab.bench, &actor, &analyzer, None, &lot, None);
    entered.await.expect("entered");
    let good = lab.printed_at(now_us() + 60_000_000, "KP-00001", "NEG");
    let late = now_us() + 2 * DAY;
    let control = lab.printed_at(late, "QC-L1", "NEG");
    let old = lab.printed_at(late + 60_000_000, "KP-00002", "NEG");
    assert_eq!(lab.took(good).await.state, ReportState::Waiting);
    assert_eq!(lab.took(control).await.state, ReportState::Filed);
    assert_eq!(lab.took(old).await.reason, Some(Reason::StripExpired));
    let run = lab.runs().await.remove(0);
    assert_eq!((run.verdict, run.strip_lot.as_deref()), ("no-target", Some("S-1")));
    assert!(run.detail.contains("was good until"), "{}", run.detail);
    let stands = lab.stands_at(late).await.remove(0);
    assert!(stands.strip_expired && stands.overall.state == "due");
    // What the print names stands above what was entered.
    let mut printed = lab.printed_at(late + 120_000_000, "KP-00003", "NEG");
    printed.report.strip_lot = Some("S-9".into());
    assert_eq!(lab.took(printed).await.state, ReportState::Waiting);
}

async fn each_strip_type_has_its_own_lot(mut lab: Lab) {
    let keys = "strips = [\"eleven-pad\"]\ncontrols_failed = \"hold\"\ncontrols_due = \"hold\"";
    let eleven = levels("eleven-pad").replace("expect = [", "expect = [\"ASC=any\", ");
    lab.bench = bench(keys, &format!("{}{eleven}", levels("ten-pad")));
    let (actor, start) = (Actor::person(None), now_us());
    let analyzer = lab.bench.analyzers[0].clone();
    for (strip, lot) in [("ten-pad", "T-1"), ("eleven-pad", "E-1")] {
        let lot = StripLot { lot: lot.into(), last_day: None };
        let named = Some(strip);
        let entered = lab.ledger.strip_lot_enter(&lab.bench, &actor, &analyzer, named, &lot, None);
        entered.await.expect("entered");
    }
    let unnamed = StripLot { lot: "X".into(), last_day: None };
    let unnamed = lab.ledger.strip_lot_enter(&lab.bench, &actor, &analyzer, None, &unnamed, None);
    assert!(unnamed.await.is_err(), "which of the two?");
    let mut step = 1;
    let mut run = async |lab: &mut Lab, strip: &str, specimen: &str, glucose: &str| {
        let mut heard = lab.printed_at(start + step * 1_000_000, specimen, glucose);
        step += 1;
        heard.report.strip = Some(strip.into());
        if strip == "eleven-pad" {
            let mut more = heard.report.readings[0].clone();
            (more.label, more.parts) = ("ASC".into(), ["NEG".into()].into_iter().collect());
            heard.report.readings.push(more);
        }
        lab.took(heard).await
    };
    let ten = run(&mut lab, "ten-pad", "KP-00001", "NEG").await;
    let eleven = run(&mut lab, "eleven-pad", "KP-00002", "NEG").await;
    assert_eq!([ten.reason, eleven.reason], [Some(Reason::ControlsDue); 2]);
    run(&mut lab, "ten-pad", "QC-L1", "NEG").await;
    run(&mut lab, "ten-pad", "QC-L2", "2+").await;
    assert_eq!(lab.release().await, 1, "those of the strips that passed");
    assert_eq!(lab.state_of(eleven.id).await, "held");
    let lots: Vec<_> = lab.runs().await.into_iter().filter_map(|r| r.strip_lot).collect();
    assert_eq!(lots, ["T-1", "T-1"]);
    let stands = lab.stands_at(start + 60_000_000).await;
    let stands: Vec<_> = stands.iter().map(|s| (s.strip.as_str(), s.overall.state)).collect();
    assert_eq!(stands, [("ten-pad", "passed"), ("eleven-pad", "due")]);
    run(&mut lab, "eleven-pad", "QC-L1", "NEG").await;
    run(&mut lab, "eleven-pad", "QC-L2", "2+").await;
    assert_eq!(lab.release().await, 1);
}
