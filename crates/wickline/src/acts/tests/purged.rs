//! What is purged, what stays, and what is still known of what went.

use sqlx::{Executor, Row};
use wickline_normalize::Place;

use super::{Lab, material, settled};
use crate::acts::intake::HeardReport;
use crate::acts::purge::{Kept, Stays};
use crate::store::StoreError;
use crate::store::rows::notice::{self, Kind};
use crate::store::state::{MessageState, ReportState};
use crate::store::trail::Actor;

/// Everything is old enough.
const ALL: Kept = Kept { since: i64::MAX, controls_since: i64::MAX };

impl Lab {
    /// Its bytes, as one entry of the tape.
    pub(super) async fn on_tape(&self, heard: &HeardReport) {
        let Place { from, to } = heard.report.place;
        let mut write = self.tape.db().write().await.expect("a write");
        let query = sqlx::query(
            "INSERT INTO heard (line, at_us, tick_us, kind, start, data) \
             VALUES ('bench-1', $1, 0, 'bytes', $2, $3)",
        )
        .bind(heard.heard_at)
        .bind(i64::try_from(from).expect("small"))
        .bind(vec![b'x'; usize::try_from(to - from).expect("small")]);
        write.conn().execute(query).await.expect("kept");
        write.commit().await.expect("committed");
    }

    /// A strip heard, on the tape and taken in: its id and state.
    async fn ran(&mut self, number: &str, specimen: &str, glucose: &str) -> (i64, ReportState) {
        let heard = self.heard(number, specimen, glucose);
        self.on_tape(&heard).await;
        let (last, _) = self.tape.tail("bench-1", 0).await.expect("read");
        let taken = self.take(&[heard], last).await.reports.remove(0);
        (taken.id, taken.state)
    }

    async fn all_accepted(&self) {
        let all = self.waiting().await;
        let all: Vec<_> = all.iter().map(|n| settled(*n, MessageState::Accepted)).collect();
        self.ledger.queue_settle("lis", 0, &all).await.expect("recorded");
    }

    async fn purge(&self, kept: Kept) -> Result<usize, StoreError> {
        let actor = Actor::person(Some("J. Mast".into()));
        let done =
            self.ledger.purge(&self.bench, &self.tape, &actor, kept, "kept long enough").await?;
        Ok(done.reports)
    }

    async fn stopped(&self, kept: Kept) -> Option<(i64, Stays)> {
        let plan = self.ledger.purge_plan(&self.bench, &self.tape, kept).await.expect("a plan");
        plan.into_iter().next().expect("one line").stopped
    }

    async fn count(&self, sql: &'static str) -> i64 {
        let mut conn = self.ledger.db.read().await.expect("a connection");
        let row = conn.fetch_one(sql).await.expect("a count");
        self.ledger.db.give_back(conn).await;
        row.get(0)
    }

    async fn there(&self) -> Vec<i64> {
        let mut conn = self.ledger.db.read().await.expect("a connection");
        let rows = conn.fetch_all("SELECT n FROM report ORDER BY n").await.expect("rows");
        self.ledger.db.give_back(conn).await;
        rows.iter().map(|row| row.get(0)).collect()
    }
}

async fn what_is_settled_goes_up_to_what_is_not_and_its_repeat_is_known(mut lab: Lab) {
    let (first, _) = lab.ran("1", "KP-00001", "2+").await;
    let (held, state) = lab.ran("2", "", "NEG").await;
    assert_eq!(state, ReportState::Held);
    let (last, _) = lab.ran("3", "KP-00003", "NEG").await;
    lab.all_accepted().await;
    let end = lab.tape.end("bench-1").await.expect("read").1;
    assert_eq!(lab.stopped(ALL).await, Some((held, Stays::Held)));
    assert_eq!(lab.there().await, [first, held, last], "a look changes nothing");
    assert_eq!(lab.purge(ALL).await.expect("purged"), 1);
    assert_eq!(lab.there().await, [held, last]);
    for sql in [
        "SELECT count(*) FROM message WHERE report = 1",
        "SELECT count(*) FROM message_body WHERE n NOT IN (SELECT n FROM message)",
        "SELECT count(*) FROM hold WHERE report = 1",
    ] {
        assert_eq!(lab.count(sql).await, 0, "{sql}");
    }
    // The line stands where it stood, and what is left begins with what is held.
    let left = lab.tape.after("bench-1", 0, 10).await.expect("read");
    assert_eq!(left.len(), 2, "{left:?}");
    assert_eq!(lab.tape.end("bench-1").await.expect("read").1, end);
    // The same strip is read out once more; another one of its number is no repeat.
    let (_, state) = lab.ran("1", "KP-00001", "2+").await;
    assert_eq!(state, ReportState::Repeat);
    assert_eq!(lab.count("SELECT repeat_of FROM report WHERE state = 'repeat'").await, first);
    let (_, state) = lab.ran("1", "KP-00001", "1+").await;
    assert_ne!(state, ReportState::Repeat);
    let ledger = &lab.ledger;
    let (bench, actor) = (&lab.bench, Actor::person(None));
    ledger.report_set_aside(bench, &actor, held, "no tube").await.expect("set aside");
    lab.all_accepted().await;
    assert!(lab.purge(ALL).await.expect("purged") >= 2);
    assert_eq!(lab.tape.end("bench-1").await.expect("read").1, lab.at - 1, "its place stays");
    let verified = ledger.trail_verify(&[]).await.expect("verified");
    assert!(verified.faults.is_empty(), "{:?}", verified.faults);
    assert_eq!(lab.count("SELECT count(*) FROM trail WHERE verb = 'purge'").await, 2);
}

/// Nothing goes before its time, which begins anew with each message and act.
async fn what_was_touched_lately_stays(mut lab: Lab) {
    let (first, _) = lab.ran("1", "KP-00001", "2+").await;
    lab.all_accepted().await;
    // It was heard in March; its message was accepted now.
    let between = Kept { since: 1_780_000_000_000_000, ..ALL };
    assert_eq!(lab.stopped(between).await, Some((first, Stays::Young)));
    assert_eq!(lab.purge(between).await.expect("nothing"), 0);
    assert_eq!(lab.tape.after("bench-1", 0, 10).await.expect("read").len(), 1);
    assert_eq!(lab.purge(ALL).await.expect("purged"), 1);
}

/// A correction that is held keeps what it corrects: both are under one OBR-3.
async fn what_is_under_one_filler_goes_together(mut lab: Lab) {
    let (first, _) = lab.ran("1", "KP-00001", "2+").await;
    lab.all_accepted().await;
    let (second, state) = lab.ran("1", "KP-00001", "1+").await;
    assert_eq!(state, ReportState::Held);
    let mut write = lab.ledger.db.write().await.expect("a write");
    let query =
        sqlx::query("UPDATE report SET corrects = $1 WHERE n = $2").bind(first).bind(second);
    write.conn().execute(query).await.expect("changed");
    write.commit().await.expect("committed");
    assert_eq!(lab.stopped(ALL).await, Some((first, Stays::Family)));
    assert_eq!(lab.purge(ALL).await.expect("nothing"), 0);
    assert_eq!(lab.there().await, [first, second]);
}

/// Control material is kept for longer, in the ledger alone; and a run of whose level none has passed since says
/// how the analyzer stands.
async fn control_material_is_kept_for_longer(mut lab: Lab) {
    let actor = Actor::person(None);
    let (control, state) = lab.ran("1", "QC-L1", "NEG").await;
    assert_eq!(state, ReportState::Filed);
    let (patient, _) = lab.ran("2", "KP-00001", "NEG").await;
    lab.all_accepted().await;
    let longer = Kept { since: i64::MAX, controls_since: 0 };
    assert_eq!(lab.purge(longer).await.expect("purged"), 1);
    assert_eq!(lab.there().await, [control], "{patient} went");
    let left = lab.tape.after("bench-1", 0, 10).await.expect("read");
    assert!(left.iter().all(|entry| entry.data.is_empty()), "{left:?}");
    assert_eq!(lab.purge(ALL).await.expect("nothing"), 0, "its level has not passed since");
    let (held, state) = lab.ran("3", "", "NEG").await;
    assert_eq!(state, ReportState::Held);
    let (bench, ledger) = (&lab.bench, &lab.ledger);
    ledger.report_is_control(bench, &actor, held, &material("1"), "the vial").await.expect("filed");
    let mut write = ledger.db.write().await.expect("a write");
    write.run("UPDATE control_run SET verdict = 'passed' WHERE report = 3").await.expect("changed");
    write.run("UPDATE control_run SET at = at - 1 WHERE report = 1").await.expect("changed");
    write.commit().await.expect("committed");
    assert_eq!(lab.purge(ALL).await.expect("purged"), 1);
    assert_eq!(lab.there().await, [held], "the last that passed stays");
}

async fn an_open_notice_bars_it(mut lab: Lab) {
    lab.ran("1", "KP-00001", "NEG").await;
    lab.all_accepted().await;
    assert_eq!(lab.ledger.purge_barred().await.expect("asked"), None);
    let mut write = lab.ledger.act().await.expect("a write");
    notice::put(&mut write, Kind::LedgerSetBack, "t", "for a test").await.expect("noted");
    write.commit().await.expect("committed");
    let error = lab.purge(ALL).await.expect_err("a notice is open");
    assert!(error.to_string().contains("`wickline ledger notices`"), "{error}");
    let told = lab.ledger.purge_barred().await.expect("asked").expect("a look tells it, too");
    assert!(error.to_string().contains(&told.to_string()), "{error}: {told}");
    assert_eq!(lab.there().await, [1]);
}

/// An entry that is needed in part is cut; whatever the port marked in the rest is still marked.
#[tokio::test]
async fn what_is_needed_in_part_is_cut() {
    let lab = Lab::sqlite().await;
    let mut write = lab.tape.db().write().await.expect("a write");
    for (kind, start, data, flaws) in [
        ("opened", 0, "", None),
        ("bytes", 0, "abcde", None),
        ("gap", 5, "100", None),
        ("bytes", 105, "fghij", Some("1,4")),
        ("closed", 110, "", None),
    ] {
        let query = sqlx::query(
            "INSERT INTO heard (line, at_us, tick_us, kind, start, data, flaws) \
             VALUES ('bench-1', 7, 0, $1, $2, $3, $4)",
        )
        .bind(kind)
        .bind(start)
        .bind(data.as_bytes())
        .bind(flaws.map(str::to_owned));
        write.conn().execute(query).await.expect("kept");
    }
    write.commit().await.expect("committed");
    assert_eq!(lab.tape.old_to("bench-1", 9, 8).await.expect("read"), 110);
    assert_eq!(lab.tape.old_to("bench-1", 9, 7).await.expect("read"), 0, "too young");
    assert_eq!(lab.tape.old_to("bench-1", 3, 8).await.expect("read"), 105, "not read");
    assert_eq!(lab.tape.clear("bench-1", 107).await.expect("cleared"), 7);
    let left = lab.tape.after("bench-1", 0, 10).await.expect("read");
    let shown: Vec<_> =
        left.iter().map(|e| (e.n, e.start, e.data.as_slice(), e.flaws.as_slice())).collect();
    assert_eq!(shown, [(4, 107, &b"hij"[..], &[2][..]), (5, 110, &b""[..], &[][..])]);
    assert_eq!(lab.tape.clear("bench-1", 110).await.expect("cleared"), 3);
    assert_eq!(lab.tape.clear("bench-1", 110).await.expect("again"), 0);
    assert_eq!(lab.tape.end("bench-1").await.expect("read"), (5, 110));
}

on_both!(
    what_is_settled_goes_up_to_what_is_not_and_its_repeat_is_known,
    what_was_touched_lately_stays,
    what_is_under_one_filler_goes_together,
    control_material_is_kept_for_longer,
    an_open_notice_bars_it,
);
