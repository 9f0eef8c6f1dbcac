//! Another instrument at an analyzer: numbers, passes and prints of the one before are nothing to it.

use std::path::Path;

use wickline_normalize::Reason;

use super::{Lab, gaps, states};
use crate::acts::intake::{HeardReport, Taken};
use crate::acts::purge::Kept;
use crate::settings::bench::Bench;
use crate::settings::from_text;
use crate::sheet::Sheet;
use crate::store::StoreError;
use crate::store::state::{MessageState, ReportState};
use crate::store::trail::Actor;

const HEARD: i64 = 1_773_480_000_000_000;
const DAY: &str = "2026-03-14";

impl Lab {
    /// A strip heard so many seconds after the others.
    fn later(&mut self, seconds: i64, number: &str, specimen: &str, glucose: &str) -> HeardReport {
        let mut heard = self.heard(number, specimen, glucose);
        heard.heard_at += seconds * 1_000_000;
        heard
    }

    async fn one(&mut self, seconds: i64, number: &str, specimen: &str, glucose: &str) -> Taken {
        let heard = [self.later(seconds, number, specimen, glucose)];
        let (last, _) = self.tape.tail("bench-1", 0).await.expect("read");
        self.take(&heard, last).await
    }

    /// One whose header names a serial number.
    fn named(&mut self, seconds: i64, serial: &str, number: &str, specimen: &str) -> HeardReport {
        let pads = ["GLU", "BIL", "KET", "BLD", "PRO", "NIT", "LEU"].map(|pad| (pad, "NEG"));
        let pads = pads.into_iter().chain([("SG", "1.012"), ("PH", "6.0"), ("URO", "NORM")]);
        let results: String = pads
            .map(|(pad, value)| format!("R|1|^^^{pad}|{value}|||||F||||20260314091455\n"))
            .collect();
        let mut heard = self.records(&format!(
            "H|\\^&|||SIM^1.0^{serial}|||||LIS||P|LIS2-A2|20260314091502\nP|1\n\
             O|1|{specimen}|{number}|^^^UA|R||||||N||||UR||||||||||F\n{results}L|1|N"
        ));
        heard.heard_at += seconds * 1_000_000;
        heard
    }

    async fn replaced(&self, seconds: i64, serial: &str) -> Result<(), StoreError> {
        let (bench, actor) = (&self.bench, Actor::person(Some("J. Mast".into())));
        let (one, now) = (&bench.analyzers[0], HEARD + seconds * 1_000_000);
        let done = self.ledger.instrument_replace(bench, &actor, one, serial, "service", now);
        done.await.map(drop)
    }

    async fn missing(&self) -> Vec<(String, String)> {
        let day = self.ledger.day(DAY, &self.clock()).await.expect("a day");
        let missing = day.into_iter().filter(|i| i.state == "missing");
        missing.map(|i| (i.id, i.number.unwrap_or_default())).collect()
    }
}

/// The usual bench with more keys of its analyzer.
fn bench(keys: &str) -> Bench {
    let text = format!(
        "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
         control_specimens = [\"QC-L1=1\"]\ncontrol_levels = [\"1\"]\n{keys}\n[[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n"
    );
    let loaded = from_text(Path::new("./w.toml"), text).expect("a good configuration");
    Bench::build(&loaded).expect("a good bench")
}

const PLAN: &str = "controls_due = \"hold\"\ncontrols_failed = \"hold\"\n[[control]]\nlevel = \"1\"\n\
     lot = \"KP-101\"\nfirst_day = \"2026-01-01\"\nlast_day = \"2039-12-31\"\n\
     expect = [\"GLU=NEG\", \"BIL=NEG\", \"BLD=NEG\", \"KET=NEG\", \"LEU=NEG\", \"NIT=NEG\", \
     \"PH=6.0\", \"PRO=NEG\", \"SG=1.012\", \"URO=NORM\"]";

on_both!(
    its_numbers_begin_anew_and_what_was_missing_stays,
    a_counter_that_never_begins_again_begins_with_the_instrument,
    the_same_strip_of_the_other_is_no_repeat,
    what_was_heard_before_and_read_after_is_of_the_one_before,
    controls_are_due_and_none_lets_the_others_patients_go,
    a_serial_that_nobody_entered_is_held_until_somebody_does,
    what_was_purged_of_the_one_before_is_repeated_by_none,
    the_act_is_told_and_refused_where_it_changes_nothing,
    the_last_number_of_the_day_is_the_new_ones,
);

async fn its_numbers_begin_anew_and_what_was_missing_stays(mut lab: Lab) {
    lab.one(0, "810", "KP-00810", "NEG").await;
    assert_eq!(gaps(&lab.one(1, "812", "KP-00812", "NEG").await), ["811"]);
    lab.replaced(10, "A-2").await.expect("replaced");
    for (number, specimen) in [("1", "KP-00001"), ("2", "KP-00002"), ("812", "KP-00003")] {
        let taken = lab.one(20, number, specimen, "2+").await;
        let waits = (ReportState::Waiting, None);
        assert_eq!(states(&taken), [waits], "{number} was used by the other alone");
        let own: &[&str] = if number == "812" { &["3-811"] } else { &[] };
        assert_eq!(gaps(&taken), own, "{number}");
    }
    let missing = lab.missing().await;
    let numbers: Vec<&str> = missing.iter().map(|(_, number)| number.as_str()).collect();
    assert_eq!(numbers, ["811", "3-811"], "each in its own run");
    assert_eq!(missing[0].0, "bench-1/811");
    assert_ne!(missing[0].0, missing[1].0);
    // On the next day nothing but its own is on the sheet, and ids are as ever.
    for number in ["1", "3"] {
        let mut heard = lab.later(86_400, number, "KP-00004", number);
        heard.report.taken = None;
        lab.take(&[heard], 9).await;
    }
    let next = lab.ledger.day("2026-03-15", &lab.clock()).await.expect("a day");
    let ids: Vec<&str> =
        next.iter().filter(|i| i.state == "missing").map(|i| i.id.as_str()).collect();
    assert_eq!(ids, ["bench-1/2"]);
}

async fn a_counter_that_never_begins_again_begins_with_the_instrument(mut lab: Lab) {
    for (seconds, reset, last) in [(100, "never", "812"), (300, "power-up", "3")] {
        lab.bench = bench(&format!("numbers = \"{reset}\""));
        lab.one(seconds, last, "KP-00812", "NEG").await;
        lab.replaced(seconds + 10, &format!("A-{seconds}")).await.expect("replaced");
        for (number, specimen) in [("1", "KP-00001"), ("2", "KP-00002")] {
            let taken = lab.one(seconds + 20, number, specimen, reset).await;
            assert!(taken.missing.is_empty(), "{reset} {number}: {:?}", taken.missing);
            assert_ne!(states(&taken)[0].1, Some(Reason::NumberReused), "{reset} {number}");
        }
    }
    assert_eq!(lab.missing().await, []);
}

async fn the_same_strip_of_the_other_is_no_repeat(mut lab: Lab) {
    lab.one(0, "1", "KP-00001", "NEG").await;
    lab.replaced(10, "A-2").await.expect("replaced");
    assert_eq!(states(&lab.one(20, "1", "KP-00001", "NEG").await), [(ReportState::Waiting, None)]);
    assert_eq!(states(&lab.one(30, "1", "KP-00001", "NEG").await), [(ReportState::Repeat, None)]);
    let other = lab.one(40, "1", "KP-00001", "2+").await;
    assert_eq!(states(&other), [(ReportState::Held, Some(Reason::NumberReused))], "of its own");
}

/// The ledger was away for a while: both are read in one go.
async fn what_was_heard_before_and_read_after_is_of_the_one_before(mut lab: Lab) {
    lab.one(0, "1", "KP-00001", "NEG").await;
    lab.replaced(10, "A-2").await.expect("replaced");
    let both = [
        lab.later(5, "3", "KP-00003", "NEG"),
        lab.later(15, "1", "KP-00001", "NEG"),
        lab.later(16, "2", "KP-00002", "NEG"),
    ];
    let taken = lab.take(&both, 9).await;
    assert_eq!(gaps(&taken), ["2"], "of the one before");
    assert!(taken.reports.iter().all(|r| r.state == ReportState::Waiting), "{:?}", taken.reports);
    let serials = [taken.reports[0].id, taken.reports[1].id].map(|n| lab.ledger.instrument_of(n));
    let [before, now] = serials;
    assert_eq!(before.await.expect("read"), None, "it was never named");
    assert_eq!(now.await.expect("read").map(|one| one.serial).as_deref(), Some("A-2"));
}

async fn controls_are_due_and_none_lets_the_others_patients_go(mut lab: Lab) {
    lab.bench = bench(PLAN);
    let analyzer = lab.bench.analyzers[0].clone();
    let waits = lab.one(0, "1", "KP-00001", "NEG").await.reports[0].id;
    lab.replaced(10, "A-2").await.expect("replaced");
    let own = lab.one(20, "1", "KP-00002", "NEG").await.reports[0].id;
    lab.one(30, "2", "QC-L1", "NEG").await;
    let stands = lab.ledger.control_standing(&lab.bench, &analyzer, HEARD + 40_000_000).await;
    assert_eq!(stands.expect("read")[0].overall.state, "passed");
    lab.ledger.release_passed(&lab.bench, &analyzer).await.expect("looked at");
    let state = async |n: i64| {
        let kept = lab.ledger.report(n, &lab.clock()).await.expect("read").expect("there");
        kept.item.state.text()
    };
    assert_eq!(state(own).await, "waiting", "its own controls passed");
    assert_eq!(state(waits).await, "held", "those of the one before never did");
    // And the next one begins without a pass.
    lab.replaced(50, "A-3").await.expect("replaced");
    let stands = lab.ledger.control_standing(&lab.bench, &analyzer, HEARD + 60_000_000).await;
    assert_eq!(stands.expect("read")[0].overall.state, "due");
    let next = lab.one(60, "1", "KP-00005", "NEG").await;
    assert_eq!(states(&next), [(ReportState::Held, Some(Reason::ControlsDue))]);
}

async fn a_serial_that_nobody_entered_is_held_until_somebody_does(mut lab: Lab) {
    lab.bench = bench("sender = \"SIM^1.0^{serial}\"\nserial = \"A-1\"");
    let first = lab.named(0, "A-1", "1", "KP-00001");
    assert_eq!(
        states(&lab.take(std::slice::from_ref(&first), 1).await),
        [(ReportState::Waiting, None)]
    );
    let unknown = lab.named(5, "A-2", "1", "KP-00001");
    let taken = lab.take(std::slice::from_ref(&unknown), 2).await;
    assert_eq!(states(&taken), [(ReportState::Held, Some(Reason::SenderUnexpected))]);
    let held = taken.reports[0].id;
    let kept = lab.ledger.report(held, &lab.clock()).await.expect("read").expect("there");
    let why = &kept.item.holds[0].detail;
    assert!(why.contains("`A-2`") && why.contains("`wickline analyzer replace bench-1`"), "{why}");
    lab.replaced(10, "A-2").await.expect("replaced");
    // What was heard before a person said so is its own all the same: it names itself.
    let actor = Actor::person(None);
    let again = lab.ledger.report_reread(&lab.bench, &lab.tape, &actor, held).await;
    assert_eq!(again.expect("read again").state, ReportState::Waiting);
    let third = lab.named(20, "A-2", "3", "KP-00003");
    assert_eq!(gaps(&lab.take(&[third], 3).await), ["2"], "its first counts among its own");
    // The one that was taken away speaks again, and something that is no serial number: neither is guessed.
    for (serial, number) in [("A-1", "4"), ("", "5"), ("A-2^x", "6")] {
        let other = lab.named(21, serial, number, "KP-00009");
        let reason = states(&lab.take(&[other], 4).await)[0].1;
        assert_eq!(reason, Some(Reason::SenderUnexpected), "{serial}");
    }
    // The configuration may name the new one since: the old one's prints stay its own.
    lab.bench = bench("sender = \"SIM^1.0^{serial}\"\nserial = \"A-2\"");
    let all = lab.ledger.instruments(&lab.bench.analyzers[0]).await.expect("read");
    let of = |heard: &HeardReport| {
        all.of(&lab.bench.analyzers[0], &heard.report, heard.heard_at).map(|one| one.n)
    };
    assert_eq!((of(&first), of(&unknown)), (Some(0), Some(1)));
}

async fn what_was_purged_of_the_one_before_is_repeated_by_none(mut lab: Lab) {
    let heard = lab.heard("1", "KP-00001", "NEG");
    lab.on_tape(&heard).await;
    lab.take(&[heard], 1).await;
    let all = lab.waiting().await;
    let all: Vec<_> = all.iter().map(|n| super::settled(*n, MessageState::Accepted)).collect();
    lab.ledger.queue_settle("lis", 0, &all).await.expect("recorded");
    let (actor, kept) = (Actor::person(None), Kept { since: i64::MAX, controls_since: i64::MAX });
    let done = lab.ledger.purge(&lab.bench, &lab.tape, &actor, kept, "kept long enough").await;
    assert_eq!(done.expect("purged").reports, 1);
    let mut again = lab.later(5, "1", "KP-00001", "NEG");
    again.heard_at = HEARD;
    assert_eq!(states(&lab.take(&[again], 2).await), [(ReportState::Repeat, None)], "its own");
    lab.replaced(10, "A-2").await.expect("replaced");
    assert_eq!(states(&lab.one(20, "1", "KP-00001", "NEG").await), [(ReportState::Waiting, None)]);
}

async fn the_act_is_told_and_refused_where_it_changes_nothing(mut lab: Lab) {
    lab.bench = bench("serial = \"A-1\"\nmodel = \"KP\"");
    for serial in ["A-1", "", " A-2", "A\u{7}2", "A-123456789012345678901"] {
        let refused = lab.replaced(10, serial).await;
        assert!(matches!(refused, Err(StoreError::Refused { .. })), "{serial}: {refused:?}");
    }
    lab.replaced(10, "A-2").await.expect("replaced");
    let early = lab.replaced(9, "A-3").await;
    assert!(matches!(early, Err(StoreError::Refused { .. })), "{early:?}");
    let rows = lab.trail_of("replace").await;
    let [row] = &rows[..] else { panic!("one act: {rows:?}") };
    assert_eq!((row.object.as_str(), row.was.as_deref()), ("analyzer bench-1", Some("serial A-1")));
    assert!(
        row.became.as_deref().is_some_and(|now| now.starts_with("serial A-2 since 2026-03-14"))
    );
    let sheet = Sheet::read(&lab.ledger, &lab.bench, DAY, None).await.expect("a sheet");
    let [text] = &sheet.replaced[..] else { panic!("{:?}", sheet.replaced) };
    assert!(text.contains("serial A-2") && text.ends_with("before it serial A-1"), "{text}");
    // Each result goes out under the serial number of its own instrument, whatever the configuration says.
    lab.bench = bench("serial = \"A-9\"\nmodel = \"KP\"");
    for (seconds, number, serial) in [(5, "1", "A-1"), (20, "1", "A-2")] {
        let id = lab.one(seconds, number, &format!("KP-0000{seconds}"), "NEG").await.reports[0].id;
        let whole = lab.whole(*lab.waiting().await.last().expect("a message")).await;
        assert_eq!(whole.item.id, id.to_string());
        let body = String::from_utf8_lossy(&whole.body).into_owned();
        assert!(body.contains(serial) && !body.contains("A-9"), "{serial}: {body}");
    }
}

async fn the_last_number_of_the_day_is_the_new_ones(mut lab: Lab) {
    use crate::acts::closing::{Closing, Confirmed};
    lab.one(0, "812", "KP-00812", "NEG").await;
    lab.replaced(10, "A-2").await.expect("replaced");
    lab.one(20, "1", "KP-00001", "NEG").await;
    let last = Some("3".to_owned());
    let confirmed = [Confirmed { analyzer: "bench-1".into(), last }];
    let actor = Actor::person(None);
    let done = lab.ledger.day_close(&lab.bench, &actor, DAY, &confirmed, &confirmed).await;
    match done.expect("looked at") {
        Closing::Entered(gaps) => assert_eq!(gaps[0].1[0].numbers, "2-3"),
        other => panic!("{other:?}"),
    }
}
