//! What `status` and `find` ask, on both databases: what is open by age, a silence beyond its habit, old
//! specimen ids, what receivers hold, and looking back.

use super::Lab;
use crate::clock;
use crate::pipeline::seen::{GO_ON_US, NOT_YET};
use crate::sheet::now::{About, Finding, Now};
use crate::store::lists::lookback::InUse;
use crate::store::lists::names::Typed;
use crate::store::rows::daemon_state::{Kind, Point, Points};
use crate::store::state::MessageState;
use crate::store::trail::Actor;
use crate::texts::Language;

on_both!(
    a_daemon_that_is_heard_no_more_and_its_lines,
    a_silence_is_told_by_the_weeks_before,
    refusals_are_wrong_as_long_as_they_go_on,
    whatever_is_wrong_says_what_to_do,
    an_old_id_leads_to_the_report_and_to_what_receivers_hold,
    looking_back_by_time_lot_and_configuration,
);

const HOUR: i64 = 3_600_000_000;
const WEEK: i64 = 7 * 24 * HOUR;

fn person() -> Actor {
    Actor { name: "J. Mast".into(), login: "lab".into() }
}

impl Lab {
    async fn now(&self, about: About, which: &str) -> Finding {
        let now = Now::read(&self.ledger, &self.bench).await.expect("looked at");
        let found = now.findings.iter().find(|f| f.about == about && f.which == which);
        found.cloned().unwrap_or_else(|| panic!("no {about:?} {which}: {:#?}", now.findings))
    }
}

fn points(daemon: &str, up: bool) -> Points {
    let point =
        Point { up, since: clock::now_us(), why: (!up).then(|| "pulled".into()), last_at: None };
    let own = Point { up: true, since: clock::now_us(), why: None, last_at: None };
    let line = (Kind::Line, "bench-1".to_owned());
    [(line, point), ((Kind::Daemon, daemon.to_owned()), own)].into()
}

async fn a_daemon_that_is_heard_no_more_and_its_lines(lab: Lab) {
    let ledger = &lab.ledger;
    assert!(lab.now(About::Daemon, "-").await.text.contains("no daemon was ever heard"));
    let now = clock::now_us();
    ledger.daemon_told("old/t", &points("old/t", true), now - 60_000_000).await.expect("told");
    let old = lab.now(About::Daemon, "old/t").await;
    assert!(old.wrong && old.text.starts_with("the daemon is not heard since"), "{old:?}");
    assert!(lab.now(About::Line, "bench-1").await.text.starts_with("not known"));
    // A new daemon has the line: the old one is nobody's loss.
    ledger.daemon_told("new/t", &points("new/t", false), now).await.expect("told");
    let daemons = ledger.daemons().await.expect("read");
    assert_eq!(daemons.iter().map(|d| d.daemon.as_str()).collect::<Vec<_>>(), ["new/t"]);
    let line = lab.now(About::Line, "bench-1").await;
    assert!(line.wrong && line.text.contains("(pulled)"), "{line:?}");
    ledger.daemon_told("new/t", &points("new/t", true), now + 1).await.expect("told again");
    assert!(!lab.now(About::Line, "bench-1").await.wrong);
    // Two devices that take it from each other: until that ends.
    let mut rivals = points("new/t", true);
    let since = Point { since: clock::now_us(), ..Point::default() };
    rivals.insert((Kind::Rivals, "bench-1".to_owned()), since);
    ledger.daemon_told("new/t", &rivals, now + 2).await.expect("told");
    let line = lab.now(About::Line, "bench-1").await;
    assert_eq!((line.wrong, &line.facts["rivals"]), (false, &true.into()), "it is heard: {line:?}");
    let found = lab.now(About::Line, "bench-1, rivals").await;
    assert!(found.wrong && found.text.contains("do two devices connect to it?"), "{found:?}");
    assert!(found.todo.is_some_and(|todo| todo.starts_with("find the second device")));
    ledger.daemon_told("new/t", &points("new/t", true), now + 3).await.expect("told");
    assert!(!lab.now(About::Line, "bench-1").await.wrong);
    // A daemon that has just begun opens its lines still: a person is needed only where that lasts.
    for (began, wrong) in [(now, false), (now - 20_000_000, true)] {
        let mut begun = points("new/t", false);
        let point = begun.get_mut(&(Kind::Line, "bench-1".to_owned())).expect("a line");
        (point.since, point.why) = (began, Some(NOT_YET.to_owned()));
        ledger.daemon_told("new/t", &begun, now + 4).await.expect("told");
        assert_eq!(lab.now(About::Line, "bench-1").await.wrong, wrong);
    }
}

async fn refusals_are_wrong_as_long_as_they_go_on(lab: Lab) {
    let now = clock::now_us();
    let refused = |ago: i64, up: bool| {
        let mut points = points("new/t", up);
        let why = Some("192.0.2.7: it is not in `allow`".to_owned());
        let point = Point { up: false, since: now - 2 * HOUR, why, last_at: Some(now - ago) };
        points.insert((Kind::Refused, "bench-1".to_owned()), point);
        points
    };
    for (nth, (ago, wrong)) in (0..).zip([(10_000_000, true), (GO_ON_US + 10_000_000, false)]) {
        lab.ledger.daemon_told("new/t", &refused(ago, true), now + nth).await.expect("told");
        let all = Now::read(&lab.ledger, &lab.bench).await.expect("looked at");
        let found = all.of(About::Line, "bench-1, refused");
        assert_eq!(found.is_some(), wrong, "{found:?}");
        let Some(found) = found else { continue };
        assert!(found.wrong && found.text.contains("192.0.2.7: it is not in `allow`"), "{found:?}");
        assert!(found.todo.as_ref().is_some_and(|todo| todo.contains("`allow`")), "{found:?}");
        assert!(!lab.now(About::Line, "bench-1").await.wrong, "it is heard");
    }
    // One that was told already does not stand in the place of a line that goes down then.
    lab.ledger.daemon_told("new/t", &refused(10_000_000, false), now + 2).await.expect("told");
    assert_eq!(wrong_lines(&lab).await, ["bench-1", "bench-1, refused"]);
}

async fn whatever_is_wrong_says_what_to_do(lab: Lab) {
    let now = clock::now_us();
    let down = |why: &str| Point { up: false, since: now, why: Some(why.into()), last_at: None };
    let mut points = points("new/t", false);
    for (kind, id) in [(Kind::Receiver, "lis"), (Kind::Tape, ""), (Kind::Alarm, "night")] {
        points.insert((kind, id.to_owned()), down("no answer"));
    }
    let ended = Point { last_at: Some(now), ..Point::default() };
    points.insert((Kind::Certificate, "lis, the receiver's".to_owned()), ended);
    let half =
        Point { up: true, since: now, why: Some("at least 43 % so far".into()), last_at: None };
    points.insert((Kind::Check, "tape".to_owned()), half);
    lab.ledger.daemon_told("new/t", &points, now).await.expect("told");
    let all = Now::read(&lab.ledger, &lab.bench).await.expect("looked at");
    for found in &all.findings {
        assert_eq!(
            found.todo.as_ref().is_some_and(|todo| !todo.is_empty()),
            found.wrong,
            "{found:?}"
        );
        // On a page it is said in the language of whoever reads it: text, name and what to do, but for commands.
        for said in [Some(&found.text), found.todo.as_ref()].into_iter().flatten() {
            let command = said.starts_with("wickline ") || said.starts_with("systemctl ");
            let told = said.told(Language::Portuguese);
            assert_eq!(told == said.to_string(), command, "{told}");
        }
    }
    let wrong: Vec<About> = all.wrong().map(|found| found.about).collect();
    for about in [About::Line, About::Receiver, About::Store, About::Certificate] {
        assert!(wrong.contains(&about), "{wrong:?}");
    }
    let tape = lab.now(About::Store, "tape").await.text;
    assert!(
        tape.contains("its pages are looked at since") && tape.ends_with("at least 43 % so far"),
        "{tape}"
    );
}

async fn a_silence_is_told_by_the_weeks_before(mut lab: Lab) {
    let now = clock::now_us();
    let times = [2 * WEEK + HOUR / 2, WEEK + HOUR / 2, 2 * HOUR, 3 * WEEK + HOUR / 2];
    for (nth, before) in (1..).zip(times) {
        // Of the third week before nothing is known yet.
        if nth == 4 {
            assert_eq!(lab.now(About::Line, "bench-1").await.facts["silent"], false);
        }
        let mut heard = lab.heard(&nth.to_string(), &format!("KP-0000{nth}"), "NEG");
        heard.heard_at = now - before;
        lab.take(&[heard], 1).await;
    }
    let line = lab.now(About::Line, "bench-1").await;
    assert_eq!((line.wrong, &line.facts["silent"]), (false, &true.into()), "{line:?}");
    let silent = lab.now(About::Line, "bench-1, silent").await;
    assert!(silent.wrong && silent.text.contains("than is its habit"), "{silent:?}");
    // Two devices at the same time: neither is told in the other's place, nor lifts it.
    let mut rivals = points("new/t", true);
    let since = Point { since: now, ..Point::default() };
    rivals.insert((Kind::Rivals, "bench-1".to_owned()), since);
    lab.ledger.daemon_told("new/t", &rivals, now).await.expect("told");
    assert_eq!(wrong_lines(&lab).await, ["bench-1, silent", "bench-1, rivals"]);
    lab.ledger.daemon_told("new/t", &points("new/t", true), now + 1).await.expect("told");
    assert_eq!(wrong_lines(&lab).await, ["bench-1, silent"]);
    lab.ledger.daemon_told("new/t", &rivals, now + 2).await.expect("told");
    let mut fresh = lab.heard("5", "KP-00005", "NEG");
    fresh.heard_at = now - HOUR / 4;
    lab.take(&[fresh], 1).await;
    assert_eq!(lab.now(About::Line, "bench-1").await.facts["silent"], false);
    assert_eq!(wrong_lines(&lab).await, ["bench-1, rivals"]);
}

/// What of lines needs a person.
async fn wrong_lines(lab: &Lab) -> Vec<String> {
    let all = Now::read(&lab.ledger, &lab.bench).await.expect("looked at");
    all.wrong().filter(|f| f.about == About::Line).map(|f| f.which.clone()).collect()
}

async fn an_old_id_leads_to_the_report_and_to_what_receivers_hold(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "2+"), lab.heard("2", "", "NEG")];
    let taken = lab.take(&heard, 2).await;
    let (id, blank) = (taken.reports[0].id, taken.reports[1].id);
    let waiting = lab.waiting().await;
    let done = [super::settled(waiting[0], MessageState::Accepted)];
    lab.ledger.queue_settle("lis", 0, &done).await.expect("accepted");
    let done = lab
        .ledger
        .report_withdraw(&lab.bench, &person(), id, "wrong", Some(&super::twice("KP-00009")))
        .await;
    assert_eq!(done.expect("withdrawn").anew.len(), 1);
    let found = lab.ledger.found(&["KP-00001".into()]).await.expect("found");
    assert_eq!(found.keys().copied().collect::<Vec<_>>(), [id]);
    assert!(found[&id].contains(&"specimen id, before"), "{found:?}");
    let before = lab.ledger.named_before(id).await.expect("read");
    assert_eq!((before[0].specimen.as_str(), before[0].what.as_str()), ("KP-00001", "withdraw"));
    // Its withdrawal waits: the receiver still has the result, and may have either.
    let holds = lab.ledger.holdings(id).await.expect("read");
    let words: Vec<_> = holds.iter().map(|h| (h.specimen.as_deref(), h.holds.text())).collect();
    assert!(words.contains(&(Some("KP-00001"), "results")), "{words:?}");
    assert!(words.contains(&(Some("KP-00009"), "nothing")), "{words:?}");
    for n in lab.waiting().await {
        let done = [super::settled(n, MessageState::Accepted)];
        lab.ledger.queue_settle("lis", 0, &done).await.expect("accepted");
    }
    let holds = lab.ledger.holdings(id).await.expect("read");
    let words: Vec<_> = holds.iter().map(|h| (h.specimen.as_deref(), h.holds.text())).collect();
    assert!(words.contains(&(Some("KP-00001"), "withdrawn")), "{words:?}");
    assert!(words.contains(&(Some("KP-00009"), "results")), "{words:?}");
    let typed = Typed::parse(&format!("{id}@lis")).expect("a name");
    let named = lab.ledger.messages_named(&typed).await.expect("read");
    let messages: Vec<_> = named.iter().map(|m| (m.n, m.name.clone())).collect();
    assert_eq!(messages.len(), 3);
    let verbs: Vec<_> = lab.ledger.history(id, &messages).await.expect("read");
    assert_eq!(verbs.iter().map(|r| r.verb.as_str()).collect::<Vec<_>>(), ["withdraw"]);
    let held = lab.now(About::Held, "reports").await;
    assert!(
        held.wrong && held.todo == Some(format!("wickline held show {blank}").into()),
        "{held:?}"
    );
    let identified =
        lab.ledger.report_identify(&lab.bench, &person(), blank, &super::twice("KP-00002")).await;
    identified.expect("identified");
    assert!(lab.ledger.named_before(blank).await.expect("read").is_empty(), "it had none before");
}

async fn looking_back_by_time_lot_and_configuration(mut lab: Lab) {
    let heard = [lab.heard("1", "KP-00001", "2+"), lab.heard("2", "QC-L1", "NEG")];
    let taken = lab.take(&heard, 2).await;
    let (patient, run) = (taken.reports[0].id, taken.reports[1].id);
    let at = heard[0].heard_at;
    let found = lab.ledger.taken_between("bench-1", at - HOUR, at + HOUR).await.expect("read");
    assert_eq!(found.iter().map(|c| c.n).collect::<Vec<_>>(), [patient], "no control material");
    let run = lab.ledger.run_at(run).await.expect("read").expect("a run");
    assert_eq!((run.level.as_deref(), run.verdict.as_str()), (Some("1"), "no-target"));
    assert!(lab.ledger.last_pass(&run).await.expect("read").is_none());
    assert!(lab.ledger.printed_lot("S_2%").await.expect("read").is_empty());
    assert_eq!(lab.ledger.analyzers_ever().await.expect("read"), ["bench-1"]);
    let tape = lab.tape.id.clone();
    let bench = format!("here/{tape}");
    let used = lab.ledger.configuration_used(&bench, &lab.bench.effective).await;
    assert!(used.expect("noted"));
    let spans = lab.ledger.in_use(&lab.bench.effective.fingerprint).await.expect("read");
    assert_eq!((spans.len(), spans[0].tape.as_str(), spans[0].to), (1, tape.as_str(), i64::MAX));
    assert!(lab.ledger.sent_in(&spans[0]).await.expect("read").is_empty(), "sent before");
    let all = InUse { tape, from: 0, to: i64::MAX };
    assert_eq!(lab.ledger.sent_in(&all).await.expect("read"), [patient]);
}
