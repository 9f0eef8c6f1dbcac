//! The disk fails at the k-th write or sync, for every k, once, twice and for good: whatever the
//! analyzer got a yes for arrives, once, in order; the trouble is told; work goes on by itself.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use wickline::simulate::analyzer::{Sent, Style};
use wickline_forward::receive::Received;

use crate::changes;
use crate::faults::preload;
use crate::kit::{Daemon, Folder, ask, rounds, said};
use crate::way::{analyzer, check, gather, practice, runtime, script};

const NO_ROOM: i32 = 28;
const BROKEN: i32 = 5;
const READ_ONLY: i32 = 30;
/// Reports of one case.
const REPORTS: usize = 4;
/// How long a disk stays full.
const FULL: Duration = Duration::from_secs(1);
/// How soon after that nothing may be refused any more. (An analyzer that was told to wait does so for
/// ten seconds, as LIS01 says: that is its own time.)
const SOON: Duration = Duration::from_secs(5);
/// A service manager's pause; in it the analyzer notices that nobody is there.
const PAUSE: Duration = Duration::from_millis(50);

/// What fails, at which call and for how many.
#[derive(Clone, Copy, Debug)]
struct Case {
    store: &'static str,
    what: &'static str,
    error: i32,
    from: usize,
    /// 0: until somebody mends it.
    count: usize,
}

impl Case {
    fn plan(&self) -> String {
        format!("{} {} {} {} {}", self.what, self.store, self.from, self.count, self.error)
    }

    /// A full disk is refused and waited for; after anything else what is on the disk is unknown.
    fn must_end(&self) -> bool {
        self.what == "sync" || self.error != NO_ROOM
    }
}

/// One daemon, started again whenever it ends, as the service manager does it.
struct Service<'a> {
    case: Case,
    config: PathBuf,
    library: &'a Path,
    orders: &'a Path,
    daemon: Option<Daemon>,
    ends: Vec<i32>,
    restart: Instant,
    fired: Option<Instant>,
    mended: Option<Instant>,
}

impl Service<'_> {
    fn plan(&self) -> PathBuf {
        self.orders.join("plan")
    }

    fn mend(&mut self) {
        let _ = std::fs::remove_file(self.plan());
        self.mended = Some(Instant::now());
    }

    /// Looks after it: starts what ended, mends what was broken long enough.
    fn look(&mut self) {
        let fired = std::fs::metadata(self.orders.join("fired")).is_ok_and(|m| m.len() > 0);
        if self.fired.is_none() && fired {
            self.fired = Some(Instant::now());
        }
        if let Some(code) = self.daemon.as_mut().and_then(Daemon::gone) {
            self.daemon = None;
            self.ended(code);
        }
        if self.mended.is_none() && self.fired.is_some_and(|at| at.elapsed() > FULL) {
            self.mend();
        }
        if self.daemon.is_none() && Instant::now() > self.restart {
            match Daemon::try_start(&self.config, Some((self.library, self.orders))) {
                Ok(daemon) => self.daemon = Some(daemon),
                Err(code) => self.ended(code),
            }
        }
    }

    fn ended(&mut self, code: i32) {
        // A disk that is full at the start is told as a store that cannot be opened.
        let right = code == 4 || (code == 3 && self.case.error == NO_ROOM);
        assert!(right, "{:?}: it ended with {code}: {}", self.case, said(&self.config));
        self.ends.push(code);
        self.restart = Instant::now() + PAUSE;
        if self.case.count == 0 && self.ends.len() == 1 && self.mended.is_none() {
            // Broken for good: it must not even start, and say so again.
            let again = Case { from: 1, ..self.case };
            std::fs::write(self.plan(), again.plan()).expect("an order");
        } else {
            self.mend();
        }
    }
}

/// Runs a few reports through a disk that fails as planned. True: it came to the failure.
fn holds(library: &Path, case: Case) -> bool {
    let folder = Folder::new("disk");
    folder.write("plan", &case.plan());
    folder.write("fired", "");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let mut service = Service {
            case,
            config: config.clone(),
            library,
            orders: &folder.0,
            daemon: None,
            ends: Vec::new(),
            restart: Instant::now(),
            fired: None,
            mended: None,
        };
        let script = script(REPORTS, 3);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let mut bench = analyzer(port, Style::Lis02);
        let mut got: Vec<Received> = Vec::new();
        let mut refused = Instant::now();
        {
            let run = bench.run(&script, |_, sent| {
                if sent == Sent::Kept {
                    refused = Instant::now();
                }
            });
            tokio::pin!(run);
            let mut done = false;
            while !done || (service.fired.is_some() && service.mended.is_none()) {
                service.look();
                tokio::select! {
                    ended = &mut run, if !done => {
                        ended.expect("the line holds");
                        done = true;
                    }
                    message = receiver.next() => got.extend(message),
                    () = tokio::time::sleep(Duration::from_millis(10)) => {}
                }
            }
        }
        let settled = || {
            service.look();
            ask(&config, &["queue"])["totals"]["accepted"] == REPORTS
        };
        gather(&mut receiver, &mut got, settled).await;
        check(&got, &wanted);
        assert_eq!(ask(&config, &["day"])["totals"]["held"], 0, "{case:?}");
        judge(&service, refused);
        let fired = service.fired.is_some();
        assert_eq!(service.daemon.take().expect("one runs").stop(), 0, "{case:?}");
        fired
    })
}

/// It ended where it had to, said why, and refused nothing for long after it was mended.
fn judge(service: &Service, refused: Instant) {
    let (case, said) = (service.case, said(&service.config));
    if service.fired.is_none() {
        return;
    }
    assert!(!service.ends.is_empty() || !case.must_end(), "{case:?} was passed over: {said}");
    let store = case.store.trim_end_matches(".db");
    assert!(said.contains(store), "{case:?}: which store is named: {said}");
    let why = if case.error == NO_ROOM && case.what == "write" { "no room" } else { "failed to" };
    assert!(said.contains(why), "{case:?}: why is said: {said}");
    if !service.ends.is_empty() {
        // An analyzer whose byte met nobody waits for an answer as long as LIS01 says.
        return;
    }
    let mended = service.mended.expect("it was mended");
    let late = refused.saturating_duration_since(mended);
    assert!(late < SOON, "{case:?}: still refused {late:?} after it was mended");
}

/// How many writes and syncs `store` has in a run in which nothing goes wrong.
fn usual(library: &Path, store: &str) -> (usize, usize) {
    let folder = Folder::new("usual");
    folder.write("log", "");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let daemon = Daemon::start_with(&config, library, &folder.0);
        let script = script(REPORTS, 3);
        analyzer(port, Style::Lis02).run(&script, |_, _| ()).await.expect("the line holds");
        let mut got = Vec::new();
        let done = || ask(&config, &["queue"])["totals"]["accepted"] == REPORTS;
        gather(&mut receiver, &mut got, done).await;
        let counts = changes::counts(&changes::read(&folder.0.join("log")), store);
        assert_eq!(daemon.stop(), 0);
        counts
    })
}

/// Every way of failing, each at several calls that are spread over a whole run.
fn sweep(store: &'static str) {
    let folder = Folder::new("sweep");
    let library = preload(&folder);
    let (writes, syncs) = usual(&library, store);
    assert!(writes > 20 && syncs > 5, "{writes} writes and {syncs} syncs of {store}");
    let ways = [("write", NO_ROOM), ("write", BROKEN), ("sync", NO_ROOM), ("sync", BROKEN)];
    let each = rounds(1, 25);
    let (mut cases, mut fired) = (0, 0);
    for (way, (what, error)) in ways.into_iter().enumerate() {
        let way = way % 2;
        let range = if what == "write" { writes } else { syncs };
        for (turn, count) in [1, 2, 0].into_iter().enumerate() {
            for k in 0..each {
                // Spread evenly, and for each way elsewhere.
                let place = (k * 6 + way + 2 * turn) * range / (each * 6);
                let case = Case { store, what, error, from: 1 + place, count };
                fired += usize::from(holds(&library, case));
                cases += 1;
            }
        }
    }
    let flight = Case { store, what: "write", error: READ_ONLY, from: writes / 3, count: 0 };
    assert!(holds(&library, flight), "read-only in flight");
    assert!(fired * 10 >= cases * 8, "only {fired} of {cases} runs came to the failure");
}

#[test]
fn the_tape_fails_at_the_kth_write_or_sync_and_nothing_acknowledged_is_lost() {
    sweep("tape.db");
}

#[test]
fn the_ledger_fails_at_the_kth_write_or_sync_and_nothing_acknowledged_is_lost() {
    sweep("ledger.db");
}

#[test]
fn slow_syncs_slow_the_analyzer_and_lose_nothing() {
    let folder = Folder::new("slow");
    let library = preload(&folder);
    folder.write("slow", "200");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let daemon = Daemon::start_with(&config, &library, &folder.0);
        let script = script(3, 3);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let mut kept = 0;
        let mut bench = analyzer(port, Style::Lis02);
        let mut run = |_: &_, sent| kept += usize::from(sent == Sent::Kept);
        bench.run(&script, &mut run).await.expect("the line holds");
        assert_eq!(kept, 0, "a slow yes is still a yes: nothing is refused");
        let mut got = Vec::new();
        let done = || ask(&config, &["queue"])["totals"]["accepted"] == 3;
        gather(&mut receiver, &mut got, done).await;
        check(&got, &wanted);
        assert_eq!(got.len(), 3, "nothing is sent twice");
        assert_eq!(daemon.stop(), 0);
    });
}
