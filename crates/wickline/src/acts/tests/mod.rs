//! One suite over both databases; the Postgres half needs $WICKLINE_POSTGRES, which `tests/run` sets: else it says so.

use std::sync::atomic::{AtomicU32, Ordering};
use std::time::Duration;

use sqlx::Executor;
use wickline_listen::ear::{Cut, Ending, Transmission};
use wickline_normalize::{Place, Reason};

use crate::acts::identify::{Material, Twice};
use crate::acts::intake::{HeardReport, Taken};
use crate::acts::retry::{Went, Which};
use crate::address::Address;
use crate::clock::SiteClock;
use crate::settings::{bench::Bench, from_text};
use crate::store::ledger::Ledger;
use crate::store::lists::queue::Asked;
use crate::store::lists::reports::AskedHeld;
use crate::store::rows::position::Span;
use crate::store::rows::queue::{Settled, Tried};
use crate::store::state::{MessageState, ReportState};
use crate::store::trail::Actor;
use crate::store::{StoreError, lease::Watch, tape::Tape};
use crate::testing::scratch;

/// Each test on a file and, where there is one, on a server.
macro_rules! on_both {
    ($($name:ident),+ $(,)?) => {
        mod sqlite {
            $(#[tokio::test] async fn $name() { super::$name(super::Lab::sqlite().await).await; })+
        }
        mod postgres {
            $(#[tokio::test] async fn $name() {
                if let Some(lab) = super::Lab::postgres().await { super::$name(lab).await; }
            })+
        }
    };
}

mod asked_now_and_found;
mod controls_never_reach_patients;
mod corrected_and_withdrawn;
mod day_closed_and_explained;
mod held_for_controls;
mod instrument_replaced;
mod laboratory;
mod laboratory_rules;
mod ledger_set_back;
mod line_queries;
mod numbers_heard;
mod one_door;
mod orders_answered;
mod purged;
mod random_histories;
mod several_daemons;
mod sheet_as_read;
mod ten_years;
mod told_as_configured;
mod trail_altered;
/// A ledger and the bench around it.
struct Lab {
    ledger: Ledger,
    bench: Bench,
    tape: Tape,
    /// Where the next report begins on the tape.
    at: u64,
}

impl Lab {
    async fn sqlite() -> Self {
        let folder = scratch("ledger");
        Self::on(Address::Sqlite(folder.join("ledger.db"))).await
    }

    /// A database of this test's own, on the private server.
    async fn postgres() -> Option<Self> {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let Ok(url) = std::env::var("WICKLINE_POSTGRES") else {
            eprintln!("no $WICKLINE_POSTGRES: the Postgres half is left out; tests/run has it");
            return None;
        };
        let name = format!("t{}_{}", std::process::id(), COUNT.fetch_add(1, Ordering::Relaxed));
        let server = crate::store::db::Db::open(Address::Postgres(url.clone()), &[]).await;
        let mut conn = server.expect("the server").read().await.expect("a connection");
        let create = format!("CREATE DATABASE {name}");
        conn.execute(sqlx::AssertSqlSafe(create)).await.expect("a database");
        let (base, _) = url.rsplit_once('/').expect("a URL with a database");
        Some(Self::on(Address::Postgres(format!("{base}/{name}"))).await)
    }

    async fn on(address: Address) -> Self {
        let text = "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
             [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
             [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"lis02\"\n\
             control_specimens = [\"QC-L1=1\"]\n[[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n";
        let loaded = from_text(std::path::Path::new("./w.toml"), text.into());
        let bench = Bench::build(&loaded.expect("a good configuration"));
        let ledger = Ledger::open(address).await.expect("a new ledger");
        let (tape, _) =
            Tape::open(&scratch("tape").join("tape.db"), 0, None).await.expect("a tape");
        Self { ledger, bench: bench.expect("a good configuration"), tape, at: 0 }
    }

    fn clock(&self) -> SiteClock {
        self.bench.clock.clone()
    }

    /// A print as the dialect reads it, at the next place of the tape.
    fn heard(&mut self, number: &str, specimen: &str, glucose: &str) -> HeardReport {
        let action = if specimen.starts_with("QC") { "Q" } else { "N" };
        let records = format!(
            "H|\\^&|||SIM|||||LIS||P|LIS2-A2|20260314091502\nP|1\n\
             O|1|{specimen}|{number}|^^^UA|R||||||{action}||||UR||||||||||F\n\
             R|1|^^^GLU|{glucose}|||||F||||20260314091455\nR|2|^^^BIL|NEG|||||F||||20260314091455\n\
             R|3|^^^KET|NEG|||||F||||20260314091455\nR|4|^^^SG|1.012|||||F||||20260314091455\n\
             R|5|^^^BLD|NEG|||||F||||20260314091455\nR|6|^^^PH|6.0|||||F||||20260314091455\n\
             R|7|^^^PRO|NEG|||||F||||20260314091455\nR|8|^^^URO|NORM|||||F||||20260314091455\n\
             R|9|^^^NIT|NEG|||||F||||20260314091455\nR|10|^^^LEU|NEG|||||F||||20260314091455\nL|1|N"
        );
        self.records(&records)
    }

    /// The one report of these records, at the next place of the tape.
    fn records(&mut self, records: &str) -> HeardReport {
        let mut lines = Vec::new();
        for record in records.lines() {
            let place = Place { from: self.at, to: self.at + record.len() as u64 };
            self.at = place.to + 1;
            lines.push(Cut { place, bytes: record.into(), flawed: false });
        }
        let place = lines[0].place.join(lines[lines.len() - 1].place);
        let transmission = Transmission { place, lines, ending: Ending::Complete };
        let mut reports = self.bench.analyzers[0].dialect.read(&transmission);
        HeardReport {
            report: reports.pop().expect("one report"),
            part: 0,
            heard_at: 1_773_480_000_000_000,
            unheard: false,
        }
    }

    async fn take(&self, heard: &[HeardReport], safe: i64) -> Taken {
        let analyzer = &self.bench.analyzers[0];
        let taken =
            self.ledger.intake(&self.bench, analyzer, &self.tape.id, heard, Span::to(safe)).await;
        taken.expect("taken in")
    }

    async fn whole(&self, n: i64) -> crate::store::lists::queue::Whole {
        self.ledger.message(n, &self.clock()).await.expect("read").expect("there")
    }

    /// The rows of the trail with one verb.
    async fn trail_of(&self, verb: &str) -> Vec<crate::store::trail::Row> {
        let asked = crate::store::trail::view::Asked::default();
        let (rows, _) = self.ledger.trail(&asked).await.expect("the trail");
        rows.into_iter().filter(|r| r.verb == verb).collect()
    }

    async fn waiting(&self) -> Vec<i64> {
        let page = self.ledger.queue_page("lis", 0, 100).await.expect("a page");
        page.iter().map(|due| due.n).collect()
    }
}

/// Entered twice, alike.
fn twice(text: &str) -> Twice {
    Twice::of(crate::acts::identify::Entered::Specimens, text, text).expect("alike")
}

/// Control material of a level, as a person says it.
fn material(level: &str) -> Material {
    Material { level: twice(level), lot: twice(&format!("KP-{level}01")) }
}

fn settled(n: i64, state: MessageState) -> Settled {
    Settled {
        n,
        control_id: None,
        state,
        reason: None,
        detail: None,
        answer: None,
        attempts: 1,
        stop: false,
    }
}

/// The gaps that were noticed.
fn gaps(taken: &Taken) -> Vec<&str> {
    taken.missing.iter().map(|gap| gap.numbers.as_str()).collect()
}

fn states(taken: &Taken) -> Vec<(ReportState, Option<Reason>)> {
    taken.reports.iter().map(|r| (r.state, r.reason)).collect()
}

on_both!(
    taking_in_again_changes_nothing,
    a_repeat_is_linked_and_a_reused_number_is_held,
    a_skipped_number_is_missing_until_it_comes,
    controls_are_filed_and_have_no_message,
    hostile_text_is_stored_and_stops_nothing,
    a_clock_that_is_off_is_held_on_the_day_it_came,
    what_was_control_or_identified_stays_so_when_read_again,
    a_clean_print_after_a_set_aside_goes_out,
    a_receiver_that_comes_later_gets_what_waited,
    the_queue_keeps_its_order_and_forgets_nothing,
    acts_keep_to_the_arrows,
    a_receiver_that_is_paused_or_stopped_says_so,
    a_refusal_is_built_anew_where_its_content_changed,
    a_lease_has_one_holder_and_a_token,
    the_queue_is_shown_in_pages,
    every_table_and_column_is_moved,
);

/// A commit that failed may have landed: the same work again must not double anything.
async fn taking_in_again_changes_nothing(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "NEG"), lab.heard("2", "KP-00002", "2+")];
    let first = lab.take(&heard, 7).await;
    assert_eq!(states(&first), [(ReportState::Waiting, None), (ReportState::Waiting, None)]);
    let again = lab.take(&heard, 9).await;
    assert!(again.reports.is_empty());
    assert_eq!(lab.waiting().await.len(), 2);
    let position = lab.ledger.position(&lab.tape.id, "bench-1").await;
    assert_eq!(position.expect("a position"), 9);
    let other = lab.ledger.position("another tape", "bench-1").await;
    assert_eq!(other.expect("none"), 0);
}

async fn a_repeat_is_linked_and_a_reused_number_is_held(mut lab: Lab) {
    let heard = [
        lab.heard("1", "KP-00001", "NEG"),
        lab.heard("1", "KP-00001", "NEG"),
        lab.heard("1", "KP-00001", "2+"),
        lab.heard("1", "KP-00009", "NEG"),
    ];
    let one = lab.take(&heard[..1], 1).await;
    let rest = lab.take(&heard[1..], 2).await;
    let reused = (ReportState::Held, Some(Reason::NumberReused));
    assert_eq!(states(&one), [(ReportState::Waiting, None)]);
    assert_eq!(states(&rest), [(ReportState::Repeat, None), reused, reused]);
    let day = lab.ledger.day("2026-03-14", &lab.clock()).await.expect("a day");
    let repeat = day.iter().find(|i| i.state == "repeat").expect("kept");
    assert_eq!(repeat.repeat_of, Some(one.reports[0].id.to_string()));
    assert_eq!(lab.waiting().await.len(), 1, "sent once");
}

async fn a_skipped_number_is_missing_until_it_comes(mut lab: Lab) {
    let numbers = ["1", "2", "5"];
    let heard: Vec<HeardReport> =
        numbers.iter().map(|n| lab.heard(n, &format!("KP-0000{n}"), "NEG")).collect();
    let taken = lab.take(&heard, 1).await;
    assert_eq!(gaps(&taken), ["3-4"]);
    let late = [lab.heard("4", "KP-00004", "NEG")];
    assert!(lab.take(&late, 2).await.missing.is_empty());
    let day = lab.ledger.day("2026-03-14", &lab.clock()).await.expect("a day");
    let missing: Vec<_> =
        day.iter().filter(|i| i.state == "missing").filter_map(|i| i.number.as_deref()).collect();
    assert_eq!(missing, ["3"]);
    let next = [lab.heard("6", "KP-00006", "NEG")];
    assert!(lab.take(&next, 3).await.missing.is_empty(), "a late one does not turn the count back");
}

async fn controls_are_filed_and_have_no_message(mut lab: Lab) {
    let heard = [lab.heard("1", "QC-L1", "NEG")];
    assert_eq!(states(&lab.take(&heard, 1).await), [(ReportState::Filed, None)]);
    assert!(lab.waiting().await.is_empty());
    let release = lab.ledger.report_release(&lab.bench, &Actor::person(None), 1, "no").await;
    assert!(matches!(release, Err(StoreError::Refused { .. })), "{release:?}");
}

/// NUL, quotes, controls and the rest of Unicode in number, specimen and result.
async fn hostile_text_is_stored_and_stops_nothing(mut lab: Lab) {
    let nasty = "a&X00&b'; DROP TABLE report; --\u{1b}[31m\u{202e}";
    let heard = [
        lab.heard(nasty, nasty, nasty),
        lab.heard(nasty, nasty, nasty),
        lab.heard("2", "KP-00002", "NEG"),
    ];
    let taken = lab.take(&heard, 1).await;
    let states: Vec<ReportState> = taken.reports.iter().map(|r| r.state).collect();
    assert_eq!(states, [ReportState::Held, ReportState::Repeat, ReportState::Waiting]);
    let held = lab.ledger.held(AskedHeld::ALL, &lab.clock()).await.expect("a list");
    assert_eq!(held.len(), 1);
    lab.ledger.report(1, &lab.clock()).await.expect("read").expect("there");
}

async fn a_clock_that_is_off_is_held_on_the_day_it_came(mut lab: Lab) {
    for (hours, held) in [(-2, true), (0, false), (71, false), (73, true)] {
        let number = format!("{}", 50 + hours);
        let mut heard = lab.heard(&number, &format!("KP-{:05}", 50 + hours), "NEG");
        heard.heard_at = 1_773_480_000_000_000 + hours * 3_600_000_000;
        let taken = lab.take(&[heard], 1).await;
        assert_eq!(taken.reports[0].reason == Some(Reason::ClockOff), held, "{hours} h");
        if hours == 73 {
            let id = taken.reports[0].id;
            let day = lab.ledger.day("2026-03-17", &lab.clock()).await.expect("a day");
            let on = day.iter().any(|i| i.id == id.to_string());
            assert!(on, "on the sheet of the day it came");
            let actor = Actor::person(None);
            lab.ledger.report_release(&lab.bench, &actor, id, "old one").await.expect("released");
        }
    }
}

async fn what_was_control_or_identified_stays_so_when_read_again(mut lab: Lab) {
    let heard = [lab.heard("1", "QC-L1", "777"), lab.heard("2", "", "777")];
    lab.take(&heard, 1).await;
    let (ledger, actor) = (&lab.ledger, Actor::person(None));
    let still = ledger
        .report_identify(&lab.bench, &actor, 2, &twice("KP-20003"))
        .await
        .expect("identified");
    assert_eq!(still, [(2, "held".to_owned())], "its result is off the ladder");
    ledger.report_reread(&lab.bench, &lab.tape, &actor, 2).await.expect("read again");
    let kept = ledger.report(2, &lab.clock()).await.expect("read").expect("there");
    assert_eq!(kept.item.specimen.as_deref(), Some("KP-20003"));
    // The configuration forgets that QC-L1 is control material, and its print no longer says so.
    let mut conn = ledger.db.write().await.expect("a write");
    conn.run("UPDATE report SET print = replace(print, '||Q||||', '||N||||')")
        .await
        .expect("changed");
    conn.commit().await.expect("committed");
    ledger.report_reread(&lab.bench, &lab.tape, &actor, 1).await.expect("read again");
    let kept = ledger.report(1, &lab.clock()).await.expect("read").expect("there");
    assert!(kept.control_sign && kept.item.state == "held", "{:?}", kept.item);
    assert!(lab.waiting().await.is_empty());
}

async fn a_clean_print_after_a_set_aside_goes_out(mut lab: Lab) {
    let garbled = [lab.heard("15", "KP-00015", "777")];
    let id = lab.take(&garbled, 1).await.reports[0].id;
    lab.ledger
        .report_set_aside(&lab.bench, &Actor::person(None), id, "garbled")
        .await
        .expect("set aside");
    let clean = [lab.heard("15", "KP-00015", "NEG")];
    assert_eq!(states(&lab.take(&clean, 2).await), [(ReportState::Waiting, None)]);
}

async fn a_receiver_that_comes_later_gets_what_waited(mut lab: Lab) {
    let targets = std::mem::take(&mut lab.bench.targets);
    let heard = [lab.heard("1", "KP-00001", "NEG")];
    lab.take(&heard, 1).await;
    assert!(lab.waiting().await.is_empty());
    lab.bench.targets = targets;
    assert_eq!(lab.ledger.reports_undelivered(&lab.bench).await.expect("built"), 1);
    assert_eq!(lab.ledger.reports_undelivered(&lab.bench).await.expect("once"), 0);
    assert_eq!(lab.waiting().await.len(), 1);
    lab.bench.targets.clear();
    let orphans = lab.ledger.queue_orphans(&[]).await.expect("a list");
    assert_eq!(orphans, [("lis".to_owned(), 1)]);
}

async fn the_queue_keeps_its_order_and_forgets_nothing(mut lab: Lab) {
    let heard: Vec<HeardReport> =
        (1..=5).map(|n| lab.heard(&n.to_string(), &format!("KP-0000{n}"), "NEG")).collect();
    lab.take(&heard, 1).await;
    let all = lab.waiting().await;
    assert!(all.is_sorted() && all.len() == 5);
    let actor = Actor::person(Some("J. Mast".into()));
    lab.ledger.message_hold(&actor, &[all[1]], "ask first").await.expect("kept back");
    assert_eq!(lab.waiting().await, [all[0], all[2], all[3], all[4]]);
    let refused =
        Settled { reason: Some("receiver-error"), ..settled(all[2], MessageState::Refused) };
    let done =
        [settled(all[0], MessageState::Accepted), refused, settled(all[3], MessageState::Accepted)];
    lab.ledger.queue_settle("lis", 0, &done).await.expect("recorded");
    let tried = [Tried::times(all[4], 3)];
    let noted = lab.ledger.queue_tried("lis", 0, &tried, 9, "unanswered", "no answer").await;
    noted.expect("noted");
    assert_eq!(lab.waiting().await, [all[4]]);
    let refused = Which::Refused { receiver: None };
    let resent = lab.ledger.message_retry(&lab.bench, &actor, &refused).await.expect("again");
    let resent: Vec<_> = resent.iter().map(|r| (r.n, r.went)).collect();
    assert_eq!(resent, [(all[2], Went::Same)], "nothing changed: same bytes");
    let back = Which::These(vec![all[1]]);
    lab.ledger.message_retry(&lab.bench, &actor, &back).await.expect("again");
    assert_eq!(lab.waiting().await, [all[1], all[2], all[4]]);
    let accepted = Which::These(vec![all[0]]);
    let accepted = lab.ledger.message_retry(&lab.bench, &actor, &accepted).await;
    assert!(accepted.is_err(), "what was accepted is not sent again");
    lab.ledger.message_set_aside(&actor, &[all[4]], "told by telephone").await.expect("set aside");
    let items = lab.ledger.queue(&Asked::default(), &lab.clock()).await.expect("a list");
    assert_eq!(items.len(), 2);
    let counts = lab.ledger.waiting("lis").await.expect("counts");
    assert_eq!((counts.waiting, counts.refused, counts.set_aside), (2, 0, 1));
    assert_eq!(lab.ledger.messages_ever().await.expect("a count"), 5);
    assert_eq!(lab.ledger.answered_lately("lis").await.expect("a count"), 2);
    let today = lab.clock().day(crate::clock::now_us());
    let count = lab.ledger.accepted_on("lis", &today, &lab.clock()).await.expect("a count");
    let (first, last) = (lab.whole(all[0]).await, lab.whole(all[3]).await);
    let ids = (Some(first.item.control_id), Some(last.item.control_id));
    assert_eq!(count.accepted, 2);
    assert_eq!((count.first_control_id, count.last_control_id), ids);
}

async fn acts_keep_to_the_arrows(mut lab: Lab) {
    let heard =
        [lab.heard("1", "", "NEG"), lab.heard("2", "KP-00002", "???"), lab.heard("3", "", "NEG")];
    let taken = lab.take(&heard, 1).await;
    let id = |n: usize| taken.reports[n].id;
    let reasons: Vec<_> = taken.reports.iter().filter_map(|r| r.reason).collect();
    assert_eq!(reasons, [Reason::SpecimenBlank, Reason::PadUnread, Reason::SpecimenBlank]);
    let (ledger, actor) = (&lab.ledger, Actor::person(Some("J. Mast".into())));
    assert!(ledger.report_release(&lab.bench, &actor, id(0), "no").await.is_err());
    assert!(ledger.report_identify(&lab.bench, &actor, id(0), &twice("1111")).await.is_err());
    let became = ledger.report_identify(&lab.bench, &actor, id(0), &twice("KP-00001")).await;
    assert_eq!(became.expect("identified"), [(id(0), "waiting".to_owned())]);
    assert!(ledger.report_identify(&lab.bench, &actor, id(0), &twice("KP-00003")).await.is_err());
    ledger.report_release(&lab.bench, &actor, id(1), "seen").await.expect("released");
    ledger
        .report_is_control(&lab.bench, &actor, id(2), &material("1"), "the vial")
        .await
        .expect("a control");
    assert!(
        ledger.report_set_aside(&lab.bench, &actor, id(2), "no").await.is_err(),
        "filed is an end"
    );
    let again = ledger.report_reread(&lab.bench, &lab.tape, &actor, id(2)).await;
    assert!(again.is_err(), "only what is held is read again");
    assert_eq!(lab.waiting().await.len(), 2);
    assert!(lab.ledger.held(AskedHeld::ALL, &lab.clock()).await.expect("a list").is_empty());
}

async fn a_receiver_that_is_paused_or_stopped_says_so(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "NEG")];
    lab.take(&heard, 1).await;
    let (ledger, actor) = (&lab.ledger, Actor::daemon());
    ledger.receiver_known("lis", true).await.expect("known");
    assert!(ledger.gate("lis").await.expect("a gate").paused);
    ledger.receiver_known("lis", false).await.expect("known already: as it was left");
    assert!(ledger.gate("lis").await.expect("a gate").paused);
    ledger.receiver_pause(&actor, "lis", false).await.expect("goes on");
    let refused = Settled {
        detail: Some("MSH^1^12".into()),
        reason: Some("receiver-reject"),
        stop: true,
        ..settled(1, MessageState::Refused)
    };
    ledger.queue_settle("lis", 0, &[refused]).await.expect("recorded");
    let gate = ledger.gate("lis").await.expect("a gate");
    assert_eq!(
        (gate.paused, gate.stopped, gate.detail.as_deref()),
        (false, true, Some("MSH^1^12"))
    );
    ledger.receiver_pause(&actor, "lis", false).await.expect("a stop is lifted");
    assert_eq!(
        ledger.gate("lis").await.expect("a gate"),
        crate::store::rows::queue::Gate::default()
    );
}

/// What a person mended goes as a new message under a new control id; the old one is set aside.
async fn a_refusal_is_built_anew_where_its_content_changed(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "2+"), lab.heard("2", "KP-00002", "NEG")];
    lab.take(&heard, 1).await;
    let all = lab.waiting().await;
    let refused = |n| Settled {
        reason: Some("receiver-error"),
        answer: Some(b"MSA|AE".to_vec()),
        ..settled(n, MessageState::Refused)
    };
    lab.ledger.queue_settle("lis", 0, &[refused(all[0]), refused(all[1])]).await.expect("recorded");
    let before = lab.whole(all[0]).await;
    let target = std::sync::Arc::get_mut(&mut lab.bench.targets[0]).expect("ours alone");
    target.layout.processing = "D".parse().expect("a processing id");
    let actor = Actor::person(None);
    let one = Which::These(vec![all[0]]);
    let resent = lab.ledger.message_retry(&lab.bench, &actor, &one).await.expect("again");
    let new = resent[0].went.instead().expect("a new message");
    assert_eq!(lab.waiting().await, [new]);
    let (old, fresh) = (lab.whole(all[0]).await, lab.whole(new).await);
    assert_eq!((old.item.state.text(), old.body), ("set-aside", before.body));
    assert_ne!(old.item.control_id, fresh.item.control_id);
    let part = |w: &crate::store::lists::queue::Whole, segment, field| {
        let message = wickline_forward::hl7::Message::read(&w.body).expect("a message");
        message.component(segment, 1, field, 1)
    };
    assert_eq!(part(&fresh, "MSH", 11), "D");
    assert_eq!(part(&fresh, "MSH", 10), fresh.item.control_id);
    // The other was refused for its specimen id: it goes under the right one with an OBR-3 of its own.
    let wrong = lab.whole(all[1]).await;
    let renamed = lab.ledger.report_renamed(&lab.bench, &actor, all[1], &twice("KP-00022")).await;
    let right = renamed.expect("renamed").anew[0].message.expect("a new message");
    let right = lab.whole(right).await;
    assert_eq!(part(&right, "SPM", 2), "KP-00022");
    assert_ne!(part(&right, "OBR", 3), part(&wrong, "OBR", 3));
    lab.ledger
        .queue_settle("lis", 0, &[settled(new, MessageState::Accepted)])
        .await
        .expect("recorded");
    let again = lab.ledger.report_renamed(&lab.bench, &actor, all[0], &twice("KP-00011")).await;
    assert!(again.is_err(), "it was replaced: not refused any more");
}

/// Only one works under a lease, and what an old holder writes of refusals no longer counts.
async fn a_lease_has_one_holder_and_a_token(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "NEG"), lab.heard("2", "KP-00002", "NEG")];
    lab.take(&heard, 1).await;
    let (ledger, all) = (lab.ledger.clone(), lab.waiting().await);
    let watch = |me| {
        Watch::new(crate::store::rows::queue::lease_name("lis"), me, Duration::from_millis(30))
    };
    let (mut ours, mut theirs) = (watch("us"), watch("them"));
    let first = ledger.lease_take(&mut ours).await.expect("asked").expect("free");
    if !ledger.is_shared() {
        assert!(first.is_good() && first.token == 0, "a file has one daemon: no lease is needed");
        return;
    }
    assert_eq!(ledger.lease_take(&mut theirs).await.expect("asked"), None);
    assert!(ledger.lease_keep(&ours, first).await.expect("kept").is_some());
    assert_eq!(ledger.leases().await.expect("a list"), [("receiver lis".into(), "us".into())]);
    // No beat any more: after its length by their own clock it is theirs.
    let taken = loop {
        if let Some(lease) = ledger.lease_take(&mut theirs).await.expect("asked") {
            break lease;
        }
        tokio::task::yield_now().await;
    };
    assert!(!first.is_good(), "the old holder stopped before");
    assert!(taken.token > first.token);
    assert_eq!(ledger.lease_keep(&ours, first).await.expect("asked"), None);
    let refused =
        Settled { reason: Some("receiver-error"), ..settled(all[0], MessageState::Refused) };
    let both = [refused.clone(), settled(all[1], MessageState::Accepted)];
    ledger.queue_settle("lis", first.token, &both).await.expect("recorded");
    assert_eq!(lab.waiting().await, [all[0]], "an acceptance is true whoever asked");
    let tried = [Tried::times(all[0], 7)];
    ledger.queue_tried("lis", first.token, &tried, 1, "unanswered", "late").await.expect("noted");
    assert_eq!(lab.whole(all[0]).await.item.attempts, 0);
    ledger.queue_settle("lis", taken.token, &[refused]).await.expect("recorded");
    assert!(lab.waiting().await.is_empty());
    ledger.lease_give_back(&theirs, taken).await.expect("given back");
    assert!(ledger.lease_take(&mut ours).await.expect("asked").is_some(), "at once");
}

/// Pages, filters and ranges over a queue with two states.
async fn the_queue_is_shown_in_pages(mut lab: Lab) {
    let heard: Vec<HeardReport> =
        (1..=30).map(|n| lab.heard(&n.to_string(), &format!("KP-000{n:02}"), "NEG")).collect();
    lab.take(&heard, 1).await;
    let (ledger, clock, all) = (&lab.ledger, lab.clock(), lab.waiting().await);
    let refused: Vec<_> = all[..3].iter().map(|n| settled(*n, MessageState::Refused)).collect();
    ledger.queue_settle("lis", 0, &refused).await.expect("recorded");
    let ids = |items: Vec<crate::store::lists::queue::QueueItem>| -> Vec<i64> {
        items.iter().map(|i| i.n).collect()
    };
    let mut asked = Asked { limit: 8, ..Asked::default() };
    let mut seen = Vec::new();
    loop {
        let page = ids(ledger.queue(&asked, &clock).await.expect("a page"));
        let Some(last) = page.last() else { break };
        asked.after = *last;
        seen.extend(page);
    }
    assert_eq!(seen, all, "each once, oldest first, whatever its state");
    let asked = Asked { states: vec![crate::store::state::State::Refused], ..Asked::default() };
    assert_eq!(ids(ledger.queue(&asked, &clock).await.expect("a page")), all[..3]);
    let asked = Asked { analyzer: Some("bench-9".into()), ..Asked::default() };
    assert!(ledger.queue(&asked, &clock).await.expect("a page").is_empty());
    let actor = Actor::person(None);
    let more = [&all[3..5], &[999]].concat();
    assert!(ledger.message_set_aside(&actor, &more, "no").await.is_err(), "all or none");
    ledger.message_set_aside(&actor, &all[3..5], "told by hand").await.expect("set aside");
    assert_eq!(lab.waiting().await, all[5..]);
}

/// A table or a column that a later schema adds must not be forgotten by `ledger move`.
async fn every_table_and_column_is_moved(lab: Lab) {
    let mut conn = lab.ledger.db.read().await.expect("a connection");
    let (names, columns) = if lab.ledger.is_shared() {
        (
            "SELECT CAST(table_name AS TEXT) FROM information_schema.tables WHERE table_schema = 'public'",
            "SELECT CAST(column_name AS TEXT) FROM information_schema.columns WHERE table_name = $1",
        )
    } else {
        (
            "SELECT name FROM sqlite_master WHERE type = 'table'",
            "SELECT name FROM pragma_table_info($1)",
        )
    };
    let read = |rows: Vec<sqlx::any::AnyRow>| -> Vec<String> {
        let mut names: Vec<String> =
            rows.iter().map(|row| sqlx::Row::try_get(row, 0).expect("a name")).collect();
        names.sort();
        names
    };
    let mut tables = read(conn.fetch_all(names).await.expect("tables"));
    tables.retain(|t| !crate::store::moving::tests::left().contains(&t.as_str()));
    let mut known = crate::store::moving::tests::known();
    known.sort();
    assert_eq!(tables, known.iter().map(|(t, _)| t.clone()).collect::<Vec<_>>());
    for (table, mut wanted) in known {
        wanted.sort();
        let rows = sqlx::query(columns).bind(table.clone()).fetch_all(&mut conn).await;
        assert_eq!(read(rows.expect("columns")), wanted, "{table}");
    }
}
