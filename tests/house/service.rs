//! The daemon as a service: what systemd is told, and when.

use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::Command;
use std::time::{Duration, Instant};

use crate::kit::{Daemon, Folder, PATIENCE, binary, configuration, said};

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
