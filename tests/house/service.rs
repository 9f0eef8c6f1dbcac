//! The daemon as a service: what systemd is told, and when.

use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use wickline::simulate::analyzer::Style;

use crate::faults::preload;
use crate::kit::{Daemon, Folder, PATIENCE, binary, configuration, run, said, until};
use crate::reload::free;
use crate::status::get;
use crate::way::{analyzer, pty, runtime, script};

/// The socket on which systemd listens (sd_notify(3)), a real one.
pub struct Manager {
    socket: UnixDatagram,
    path: std::path::PathBuf,
}

impl Manager {
    pub fn new(folder: &Folder) -> Self {
        let path = folder.0.join("notify");
        Self { socket: UnixDatagram::bind(&path).expect("a socket"), path }
    }

    pub fn command(&self) -> Command {
        let mut command = Command::new(binary());
        command.env("NOTIFY_SOCKET", &self.path);
        command
    }

    /// The next notice, if one comes in this time.
    pub fn notice(&self, within: Duration) -> Option<String> {
        self.socket.set_read_timeout(Some(within)).expect("a limit");
        let mut bytes = [0; 4096];
        let count = self.socket.recv(&mut bytes).ok()?;
        Some(String::from_utf8(bytes[..count].to_vec()).expect("text"))
    }

    /// Waits for a notice, and says how many others came before it.
    pub fn hears(&self, wanted: impl Fn(&str) -> bool) -> (String, Vec<String>) {
        let end = Instant::now() + PATIENCE;
        let mut before = Vec::new();
        loop {
            let left = end.saturating_duration_since(Instant::now()).max(Duration::from_millis(1));
            match self.notice(left) {
                Some(notice) if wanted(&notice) => return (notice, before),
                Some(other) => before.push(other),
                None => panic!("it was not told in time; {before:?}"),
            }
        }
    }
}

fn has(notice: &str, line: &str) -> bool {
    notice.lines().any(|l| l == line)
}

fn steady_us() -> i128 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Monotonic);
    i128::from(now.tv_sec) * 1_000_000 + i128::from(now.tv_nsec) / 1000
}

fn plain(folder: &Folder) -> (std::path::PathBuf, String) {
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    (folder.write("wickline.toml", &text), text)
}

/// Hangs up, and hears what is told until the reload is over: `READY=1`.
fn reloaded(daemon: &Daemon, manager: &Manager) -> String {
    let before = steady_us();
    daemon.hang_up();
    let (begins, others) = manager.hears(|n| has(n, "RELOADING=1"));
    let stamp = begins.lines().find_map(|l| l.strip_prefix("MONOTONIC_USEC="));
    let stamp: i128 = stamp.expect("when").parse().expect("a number");
    assert!((before..=steady_us()).contains(&stamp), "{before} {stamp}");
    let (ready, more) = manager.hears(|n| has(n, "READY=1"));
    let all = [others, more].concat();
    assert!(!all.iter().any(|n| has(n, "STOPPING=1")), "{all:?}");
    ready
}

#[test]
fn a_reload_is_told_as_one_and_a_stop_as_one() {
    let folder = Folder::new("manager");
    let (config, text) = plain(&folder);
    let manager = Manager::new(&folder);
    let daemon = Daemon::spawn(manager.command(), &config);
    manager.hears(|n| has(n, "READY=1"));
    std::fs::write(&config, text.replace("\"lis\"", "\"lis-2\"")).expect("written");
    let ready = reloaded(&daemon, &manager);
    assert!(!ready.contains("old configuration"), "{ready}");
    for wrong in ["nine-pad", "ten-pad\"\nstrip = \"ten-pad"] {
        std::fs::write(&config, text.replace("ten-pad", wrong)).expect("written");
        let ready = reloaded(&daemon, &manager);
        assert!(ready.contains("STATUS=") && ready.contains("old configuration stays"), "{ready}");
    }
    std::fs::write(&config, &text).expect("written");
    let ready = reloaded(&daemon, &manager);
    assert!(!ready.contains("old configuration"), "{ready}");
    daemon.signal(rustix::process::Signal::TERM);
    manager.hears(|n| has(n, "STOPPING=1"));
    assert_eq!(daemon.ended(), 0, "{}", said(&config));
}

fn repository(file: &str) -> String {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..").join(file);
    std::fs::read_to_string(path).expect("a file of this repository")
}

/// The unit says what the daemon does: systemd.service(5), and `notify-reload` only where it is known.
#[test]
fn the_unit_speaks_of_this_daemon() {
    let unit = repository("deploy/wickline.service");
    for line in [
        "Type=notify",
        "ExecReload=/bin/kill -HUP $MAINPID",
        "ConfigurationDirectoryMode=0750",
        "RestartPreventExitStatus=2",
    ] {
        assert!(has(&unit, line), "{line}");
    }
    let later = repository("deploy/notify-reload.conf");
    for line in ["[Service]", "Type=notify-reload", "ReloadSignal=SIGHUP", "ExecReload="] {
        assert!(has(&later, line), "{line}");
    }
    assert!(repository("deploy/README.md").contains("notify-reload.conf"));
}

const TICK: &str = "WATCHDOG=1";
/// As the unit has 30 s: the daemon then says every half second that it lives, and a loop that does not turn
/// for two and a half seconds hangs.
const LIMIT: Duration = Duration::from_secs(3);

/// Waits until four words in a row did not come. A ledger that hangs is given up after 5 s, and the loop then turns:
/// silence is shorter than what systemd waits here, as it is where it waits 30 s.
fn falls_silent(manager: &Manager) {
    let end = Instant::now() + PATIENCE;
    let mut last = Instant::now();
    while last.elapsed() < LIMIT * 2 / 3 {
        assert!(Instant::now() < end, "it goes on saying that it lives");
        if manager.notice(LIMIT / 6).is_some_and(|n| has(&n, TICK)) {
            last = Instant::now();
        }
    }
}

/// The disk swallows a sync: of the tape, then of the ledger. Idle, and while a receiver is away, it lives.
#[test]
fn a_loop_that_hangs_is_not_said_to_live() {
    let folder = Folder::new("watchdog");
    let library = preload(&folder);
    let manager = Manager::new(&folder);
    runtime().block_on(async {
        let (port, line) = pty();
        let away = format!("mllp://{}", free(1)[0]);
        let text = configuration(&line, "lis02", "ten-pad", &away, "");
        let config = folder.write("wickline.toml", &text);
        let mut command = manager.command();
        command.env("LD_PRELOAD", &library).env("FAULT_DIR", &folder.0);
        command.env("WATCHDOG_USEC", LIMIT.as_micros().to_string());
        let mut daemon = Daemon::spawn(command, &config);
        let lives = || {
            for _ in 0..10 {
                let word = std::iter::from_fn(|| manager.notice(LIMIT)).find(|n| has(n, TICK));
                assert!(word.is_some(), "no word in time: {}", said(&config));
            }
        };
        lives();
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script(1, 7), |_, _| ()).await.expect("the line holds");
        daemon.wait_for(|e| e["event"] == "receiver-down");
        lives();
        assert!(!said(&config).contains("hanging"), "{}", said(&config));
        let hang = folder.write("hang", "tape.db");
        bench.port.write_all(b"\x05").await.expect("the line takes it");
        falls_silent(&manager);
        assert!(said(&config).contains("the tape's writer"), "{}", said(&config));
        std::fs::remove_file(&hang).expect("it goes on");
        manager.hears(|n| has(n, TICK));
        lives();
        assert!(!said(&config).contains("delivering to lis"), "{}", said(&config));
        std::fs::write(&hang, "ledger.db").expect("ordered");
        falls_silent(&manager);
        until(|| said(&config).contains("delivering to lis"));
        std::fs::remove_file(&hang).expect("it goes on");
        manager.hears(|n| has(n, TICK));
        assert_eq!(daemon.stop(), 0, "{}", said(&config));
    });
}

#[test]
fn its_status_says_what_is_true_now() {
    let folder = Folder::new("state");
    let library = preload(&folder);
    let manager = Manager::new(&folder);
    runtime().block_on(async {
        let (port, line) = pty();
        let text = configuration(&line, "two-column", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        let mut command = manager.command();
        command.env("LD_PRELOAD", &library).env("FAULT_DIR", &folder.0);
        let daemon = Daemon::spawn(command, &config);
        let is = |status: &str| {
            manager.hears(|n| has(n, &format!("STATUS={status}")));
        };
        let well = "hearing and delivering";
        is(well);
        let gate = |verb: &str| run(&config, &["queue", verb, "lis", "--as", "J. Mast"]);
        assert_eq!(gate("pause").status.code(), Some(0));
        is("receiver lis paused");
        assert_eq!(gate("resume").status.code(), Some(0));
        is(well);
        let full = folder.write("full", "ledger.db");
        let mut bench = analyzer(port, Style::TwoColumn);
        bench.run(&script(2, 7), |_, _| ()).await.expect("the line holds");
        is("the ledger is away");
        std::fs::remove_file(&full).expect("room again");
        is(well);
        std::fs::write(&full, "tape.db").expect("ordered");
        bench.run(&script(1, 8), |_, _| ()).await.expect("the line holds");
        is("the tape takes nothing");
        std::fs::remove_file(&full).expect("room again");
        is(well);
        crate::way::hang_up(bench.port);
        is("line bench-1 down");
        std::fs::write(&config, "nonsense").expect("written");
        daemon.hang_up();
        is("the old configuration stays: the configuration is wrong; the log says where; line bench-1 down");
        assert_eq!(daemon.stop(), 0, "{}", said(&config));
    });
}

/// A file that goes to nobody's journal but is named as if it did.
fn journal(command: &mut Command, config: &Path) -> String {
    use std::os::unix::fs::MetadataExt;
    let file = config.with_file_name("said");
    std::fs::write(&file, "").expect("a file");
    let about = std::fs::metadata(&file).expect("it is there");
    let named = format!("{}:{}", about.dev(), about.ino());
    command.env("JOURNAL_STREAM", &named);
    named
}

#[test]
fn the_journal_gets_a_priority_for_each_line_and_no_second_time() {
    let folder = Folder::new("journal");
    runtime().block_on(async {
        let (port, line) = pty();
        let away = format!("mllp://{}", free(1)[0]);
        let text = configuration(&line, "two-column", "ten-pad", &away, "");
        let config = folder.write("wickline.toml", &text);
        let mut command = Command::new(binary());
        let named = journal(&mut command, &config);
        command.env("WICKLINE_LOG", "debug");
        let mut daemon = Daemon::spawn(command, &config);
        let plan = script(2, 7);
        analyzer(port, Style::TwoColumn).run(&plan, |_, _| ()).await.expect("the line holds");
        daemon.wait_for(|e| e["event"] == "receiver-down");
        // A receiver is found away before anything is read, so what the reading says is waited for by itself.
        let own = ["reading{analyzer=bench-1}", "intake{reports=", "tape:commit{entries="];
        until(|| own.iter().all(|own| said(&config).contains(own)));
        std::fs::write(&config, "[site]\nnam = 1\n[nothing]\n").expect("written");
        daemon.hang_up();
        daemon.wait_for(|e| e["event"] == "configuration-refused");
        assert_eq!(daemon.stop(), 0);
        let all = said(&config);
        let words = [("<3>", "ERROR"), ("<4>", "WARN"), ("<6>", "INFO"), ("<7>", "DEBUG")];
        for line in all.lines() {
            let known = words.iter().find(|(sign, _)| line.starts_with(sign));
            let (sign, word) = known.unwrap_or_else(|| panic!("no priority: {line}"));
            let rest = line[sign.len()..].trim_start();
            assert!(rest.starts_with(word) || *sign == "<3>", "a time of its own? {line}");
        }
        assert!(words.iter().all(|(sign, _)| all.contains(sign)), "{all}");
        assert!(all.lines().filter(|l| l.starts_with("<3>")).count() > 2, "a fault a line: {all}");
        for sql in ["SELECT", "INSERT", "UPDATE", "sqlx"] {
            assert!(!all.contains(sql), "{sql} in {all}");
        }
        assert!(!plan.run.iter().any(|run| all.contains(&run.specimen)), "no id of a patient");
        std::fs::write(&config, &text).expect("written");
        time_is_said_elsewhere(&config, &named);
    });
}

/// `JOURNAL_STREAM` is inherited by programs whose standard error is another.
fn time_is_said_elsewhere(config: &Path, named: &str) {
    std::fs::remove_file(config.with_file_name("said")).expect("another file comes");
    std::fs::write(config.with_file_name("other"), "keeps the number").expect("written");
    let mut command = Command::new(binary());
    command.env("JOURNAL_STREAM", named).env("WICKLINE_LOG", "info");
    let daemon = Daemon::spawn(command, config);
    until(|| said(config).contains("ready"));
    assert_eq!(daemon.stop(), 0);
    for line in said(config).lines() {
        let time = line.split_whitespace().next().expect("words");
        assert!(time.ends_with('Z') && line.matches(&time[..11]).count() == 1, "{line}");
    }
}

/// What can be read a moment later is no reason never to start again; what is wrong is.
#[test]
fn a_configuration_that_cannot_be_read_is_not_a_wrong_one() {
    let folder = Folder::new("unread");
    let code = |file: &Path, word: &str| run(file, &[word]).status.code();
    let unread = [folder.0.join("not-there.toml"), folder.0.clone()];
    for file in &unread {
        assert_eq!((code(file, "run"), code(file, "check")), (Some(3), Some(2)), "{file:?}");
    }
    let wrong = folder.write("wickline.toml", "[site]\nnam = 1\n");
    assert_eq!(code(&wrong, "run"), Some(2));
    std::fs::write(&wrong, b"name = \"\xff\"").expect("written");
    assert_eq!(code(&wrong, "run"), Some(2));
}

/// Named without a folder, the configuration's is the one that it runs in: so is the ballast's.
#[test]
fn a_bare_name_of_a_configuration_has_its_ballast() {
    let folder = Folder::new("bare");
    let (config, text) = plain(&folder);
    std::fs::write(&config, text.replace("ballast_mib = 0", "ballast_mib = 1")).expect("written");
    let mut command = Command::new(binary());
    command.current_dir(&folder.0).args(["--config", "wickline.toml", "run"]);
    let mut child = command.stderr(std::process::Stdio::piped()).spawn().expect("started");
    let ballast = folder.0.join("ballast");
    // The ledger is opened behind it.
    until(|| folder.0.join("ledger.db").exists());
    let bytes = std::fs::metadata(&ballast).map(|m| m.len());
    child.kill().expect("it runs");
    child.wait().expect("it has ended");
    assert_eq!(bytes.expect("a file"), 1 << 20);
}

#[test]
fn metrics_tell_of_the_process_and_its_disks() {
    let folder = Folder::new("process");
    let (config, text) = plain(&folder);
    std::fs::write(&config, text + "[console]\nlisten = \"127.0.0.1:0\"\n").expect("written");
    let began = wickline::clock::now_us() / 1_000_000;
    let (daemon, ready) = Daemon::start_ready(&config);
    let page = get(ready["console"].as_str().expect("an address"), "/metrics");
    let figure = |name: &str| -> f64 {
        let line = page.lines().find_map(|l| l.strip_prefix(name)?.strip_prefix(' '));
        line.unwrap_or_else(|| panic!("{name} is not in {page}")).parse().expect("a number")
    };
    let near = |name: &str, wanted: f64, apart: f64| {
        let found = figure(name);
        assert!((found - wanted).abs() <= apart, "{name} {found}, not {wanted}");
    };
    near("process_start_time_seconds", began as f64, 3.0);
    let own = |list: &str| {
        std::fs::read_dir(format!("/proc/{}/{list}", daemon.id())).expect("its own").count() as f64
    };
    near("process_open_fds", own("fd"), 4.0);
    near("wickline_threads", own("task"), 4.0);
    let resident = (daemon.resident_kib() * 1024) as f64;
    near("process_resident_memory_bytes", resident, resident / 4.0);
    near("process_cpu_seconds_total", daemon.worked_ms() as f64 / 1000.0, 2.0);
    assert!(figure("process_max_fds") >= 256.0);
    let disk = rustix::fs::statvfs(&folder.0).expect("a disk");
    let size = (disk.f_blocks * disk.f_frsize) as f64;
    for store in ["tape", "ledger"] {
        near(&format!("wickline_disk_size_bytes{{store=\"{store}\"}}"), size, 0.0);
        let free = (disk.f_bavail * disk.f_frsize) as f64;
        near(&format!("wickline_disk_free_bytes{{store=\"{store}\"}}"), free, size / 10.0);
    }
    assert_eq!(daemon.stop(), 0);
}
