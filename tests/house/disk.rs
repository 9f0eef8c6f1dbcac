//! The disk fails at the k-th write or sync, for every k, once, twice and for good: whatever the
//! analyzer got a yes for arrives, once, in order; the trouble is told; work goes on by itself.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use wickline::clock::SiteClock;
use wickline::simulate::analyzer::{Sent, SimulatedAnalyzer, Style};
use wickline::simulate::port::SimPort;
use wickline::simulate::script::{Run, Script};
use wickline_forward::receive::{Received, Receiver};

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
/// How long a daemon that is to be killed goes on with a full disk.
const MEMORY: Duration = Duration::from_millis(100);
/// A service manager's pause; in it the analyzer notices that nobody is there.
const PAUSE: Duration = Duration::from_millis(50);
/// How often it looks.
const TICK: Duration = Duration::from_millis(10);

/// What fails, at which call and for how many.
#[derive(Clone, Copy, Debug)]
struct Case {
    store: &'static str,
    what: &'static str,
    error: i32,
    from: usize,
    /// 0: until somebody mends it.
    count: usize,
    /// Killed while it fails: what was only in memory is gone.
    killed: bool,
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
    /// When the analyzer was last told no.
    refused: Instant,
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
        if self.case.killed
            && self.mended.is_none()
            && self.fired.is_some_and(|at| at.elapsed() > MEMORY)
        {
            self.daemon.take().expect("one runs").kill();
            self.restart = Instant::now() + PAUSE;
            self.mend();
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

    /// Tries to have one strip carried, with everything that happens meanwhile. False: nobody was there,
    /// or no longer.
    async fn carries(
        &mut self,
        run: &Run,
        bench: &mut Option<SimulatedAnalyzer>,
        receiver: &mut Receiver,
        got: &mut Vec<Received>,
    ) -> bool {
        self.look();
        if let (None, Some(daemon)) = (&bench, &self.daemon) {
            let port = SimPort::connect(&daemon.lines[0]).await;
            *bench = port.ok().map(|port| analyzer(port, Style::Lis02));
        }
        let Some(mut line) = bench.take() else {
            tokio::time::sleep(TICK).await;
            return false;
        };
        let one = Script { sender: "SIM".into(), run: vec![run.clone()] };
        let refused = std::cell::Cell::new(self.refused);
        let told = |_: &Run, sent| {
            if sent == Sent::Kept {
                refused.set(Instant::now());
            }
        };
        let carried = {
            let way = line.run(&one, told);
            tokio::pin!(way);
            loop {
                tokio::select! {
                    done = &mut way => break done.is_ok(),
                    message = receiver.next() => got.extend(message),
                    () = tokio::time::sleep(TICK) => self.look(),
                }
            }
        };
        self.refused = refused.get();
        *bench = carried.then_some(line);
        carried
    }

    async fn until_mended(&mut self) {
        while self.daemon.is_none() || (self.fired.is_some() && self.mended.is_none()) {
            self.look();
            tokio::time::sleep(TICK).await;
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
        let (mut receiver, config) = listening(&folder).await;
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
            refused: Instant::now(),
        };
        let script = script(REPORTS, 3);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let mut got: Vec<Received> = Vec::new();
        let mut bench = None;
        let clock = SiteClock::new("Europe/Lisbon").expect("a zone");
        for run in &script.run {
            // A strip is read once: said again, it is the same to the byte.
            let taken = clock.moment(wickline::clock::now_us()).digits();
            let run = &Run { taken, ..run.clone() };
            while !service.carries(run, &mut bench, &mut receiver, &mut got).await {}
        }
        service.until_mended().await;
        let settled = || {
            service.look();
            ask(&config, &["queue"])["totals"]["accepted"] == REPORTS
        };
        gather(&mut receiver, &mut got, settled).await;
        // It may have failed only now, at the record of the last answer, and healed by itself.
        service.until_mended().await;
        check(&got, &wanted);
        assert_eq!(
            ask(&config, &["day"])["totals"]["held"],
            0,
            "{case:?}: {}",
            ask(&config, &["day"])
        );
        judge(&service);
        let fired = service.fired.is_some();
        let code = service.daemon.take().expect("one runs").stop();
        // Where only its last row, that it stopped, or its closing fails, everything else is kept.
        let late = !fired && std::fs::metadata(folder.0.join("fired")).is_ok_and(|m| m.len() > 0);
        assert!(code == 0 || (late && case.must_end() && code == 4), "{case:?}: {code}");
        fired
    })
}

/// A receiver, and the configuration of a daemon that listens for its analyzer: over TCP the analyzer
/// sees at once that nobody is there, where on a serial line it would wait out its fifteen seconds.
async fn listening(folder: &Folder) -> (Receiver, PathBuf) {
    let (receiver, port, config) = practice(folder, &["aa"]).await;
    let SimPort::Pty { path, .. } = &port else { unreachable!("it is one") };
    let text = std::fs::read_to_string(&config).expect("the configuration");
    let text = text.replace(&format!("serial:{path}"), "listen:127.0.0.1:0");
    (receiver, folder.write("wickline.toml", &text))
}

/// It ended where it had to, said why, and refused nothing for long after it was mended.
fn judge(service: &Service) {
    let (case, said) = (service.case, said(&service.config));
    if service.fired.is_none() {
        return;
    }
    assert!(!service.ends.is_empty() || !case.must_end(), "{case:?} was passed over: {said}");
    let store = case.store.trim_end_matches(".db");
    assert!(said.contains(store), "{case:?}: which store is named: {said}");
    let why = if case.error == NO_ROOM && case.what == "write" { "no room" } else { "failed to" };
    assert!(said.contains(why), "{case:?}: why is said: {said}");
    let mended = service.mended.expect("it was mended");
    let late = service.refused.saturating_duration_since(mended);
    assert!(late < SOON, "{case:?}: still refused {late:?} after it was mended");
}

/// A run in which nothing goes wrong: for each sync of `store` how many writes came before it, and
/// which syncs were the last two when an analyzer had had its last yes for a report.
fn usual(library: &Path, store: &str) -> (Vec<usize>, Vec<[usize; 2]>) {
    let folder = Folder::new("usual");
    let log = folder.write("log", "");
    runtime().block_on(async {
        let (mut receiver, config) = listening(&folder).await;
        let daemon = Daemon::start_with(&config, library, &folder.0);
        let port = SimPort::connect(&daemon.lines[0]).await.expect("the line listens");
        let script = script(REPORTS, 3);
        let mut yes = Vec::new();
        let length = || std::fs::metadata(&log).expect("a log is kept").len();
        let told = |_: &_, _| yes.push(length());
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, told).await.expect("the line holds");
        let mut got = Vec::new();
        let done = || ask(&config, &["queue"])["totals"]["accepted"] == REPORTS;
        gather(&mut receiver, &mut got, done).await;
        assert_eq!(daemon.stop(), 0);
        let syncs = changes::syncs(&changes::read(&log), store);
        let last = |yes: &u64| syncs.iter().filter(|(_, at)| at <= yes).count();
        let lasts = yes.iter().map(last).map(|n| [n - 1, n]).collect();
        (syncs.into_iter().map(|(writes, _)| writes).collect(), lasts)
    })
}

/// Every way of failing, each at several calls that are spread over a whole run.
fn sweep(store: &'static str) {
    let folder = Folder::new("sweep");
    let library = preload(&folder);
    // What a daemon notes by the clock comes more often in a run that takes longer: the shorter one counts.
    let (one, other) = (usual(&library, store), usual(&library, store));
    let (syncs, lasts) = if one.0.len() <= other.0.len() { one } else { other };
    let writes = *syncs.last().expect("it was synced");
    assert!(writes > 20 && syncs.len() > 5, "{writes} writes and {} syncs", syncs.len());
    let ways = [("write", NO_ROOM), ("write", BROKEN), ("sync", NO_ROOM), ("sync", BROKEN)];
    let each = rounds(1, 25);
    let mut cases = Vec::new();
    for (way, (what, error)) in ways.into_iter().enumerate() {
        let range = if what == "write" { writes } else { syncs.len() };
        for (turn, count) in [1, 2, 0].into_iter().enumerate() {
            for k in 0..each {
                // Spread evenly, and for each way elsewhere.
                let from = 1 + (k * 6 + way % 2 + 2 * turn) * range / (each * 6);
                cases.push(Case { store, what, error, from, count, killed: false });
            }
        }
    }
    let case =
        Case { store, what: "write", error: READ_ONLY, from: writes / 3, count: 0, killed: false };
    cases.push(case);
    if store == "tape.db" {
        // Where a yes that is said too soon loses a report: at the commit of its last frame.
        for sync in lasts.into_iter().skip(1).flatten() {
            let of_sync = Case { what: "sync", error: BROKEN, from: sync, count: 1, ..case };
            let full = Case { error: NO_ROOM, from: syncs[sync - 1], killed: true, ..case };
            cases.extend([of_sync, full]);
        }
    }
    if store == "ledger.db" {
        // The last that a run writes is what a receiver answered: the one that records it must not end
        // alone, while what is not recorded is sent again and again. Behind it are the stop's own row, what
        // the daemon says of itself, and what puts the log into the file.
        for sync in syncs.len() - 12..syncs.len() - 4 {
            cases.push(Case { what: "sync", error: BROKEN, from: sync, count: 0, ..case });
        }
    }
    let (fired, passed_by): (Vec<_>, Vec<_>) =
        cases.iter().copied().partition(|case| holds(&library, *case));
    let enough = fired.len() * 10 >= cases.len() * 8;
    assert!(enough, "of {} syncs and {writes} writes not tried: {passed_by:#?}", syncs.len());
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
