//! What the tests share: a folder, a configuration, the daemon as a child process, what it said.

use std::io::{BufRead, BufReader};
use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

use serde_json::Value;

/// How long a test waits for something that must happen.
pub const PATIENCE: Duration = Duration::from_secs(90);

pub fn binary() -> &'static str {
    env!("CARGO_BIN_EXE_wickline")
}

/// Full counts where asked for, else enough to catch what matters.
pub fn rounds(short: usize, long: usize) -> usize {
    if std::env::var("WICKLINE_LONG").is_ok_and(|v| v == "1") { long } else { short }
}

/// Variables that steer these tests: to the program they would be misspelt ones.
const OURS: [&str; 7] = ["POSTGRES", "LONG", "SEED", "ABLE", "SKIPPED", "BLESS", "WRITE_REFERENCE"];

/// The program, in the environment of somebody who runs no tests.
pub fn program() -> Command {
    let mut command = Command::new(binary());
    for name in OURS {
        command.env_remove(format!("WICKLINE_{name}"));
    }
    command
}

/// A folder of this test's own, gone when the test is.
pub struct Folder(pub PathBuf);

impl Folder {
    pub fn new(name: &str) -> Self {
        static COUNT: AtomicU32 = AtomicU32::new(0);
        let count = COUNT.fetch_add(1, Ordering::Relaxed);
        let path =
            std::env::temp_dir().join(format!("wickline-{name}-{}-{count}", std::process::id()));
        let _ = std::fs::remove_dir_all(&path);
        std::fs::create_dir_all(&path).expect("a temporary folder can be made");
        Self(path)
    }

    pub fn write(&self, name: &str, text: &str) -> PathBuf {
        let path = self.0.join(name);
        std::fs::write(&path, text).expect("a file can be written in a temporary folder");
        private(&path);
        path
    }
}

/// For its owner alone: of what others may read the program tells a note.
pub fn private(path: &Path) {
    let mode = std::fs::Permissions::from_mode(0o600);
    std::fs::set_permissions(path, mode).expect("the file is ours");
}

impl Drop for Folder {
    fn drop(&mut self) {
        let _ = std::fs::remove_dir_all(&self.0);
    }
}

/// A configuration for one analyzer on `line` and one receiver at `address`.
pub fn configuration(line: &str, dialect: &str, strip: &str, address: &str, more: &str) -> String {
    format!(
        "[site]\nname = \"Kestrel Point Clinic\"\nshort = \"KESTRELPOINT\"\ntimezone = \"Europe/Lisbon\"\n\
         [store]\ntape = \"tape.db\"\nledger = \"sqlite:ledger.db\"\nlow_water_mib = 1\nballast_mib = 0\n\
         [[analyzer]]\nid = \"bench-1\"\nline = \"{line}\"\ndialect = \"{dialect}\"\nstrip = \"{strip}\"\n\
         control_marks = [\"Q1=1\", \"Q2=2\"]\ncontrol_specimens = [\"QC-L1=1\"]\n\
         [[receiver]]\nid = \"lis\"\naddress = \"{address}\"\nack_timeout = 1\nretry_first = 1\nretry_max = 1\n\
         {more}\n"
    )
}

/// The daemon, running.
pub struct Daemon {
    child: Child,
    events: Receiver<Value>,
    /// Every event that was waited for or passed over, in order.
    pub seen: Vec<Value>,
    pub lines: Vec<String>,
}

impl Daemon {
    /// Starts it and waits until it is ready.
    pub fn start(config: &Path) -> Self {
        Self::try_start(config, None).unwrap_or_else(|code| panic!("it ended at once: {code}"))
    }

    /// The same with a preloaded library that is steered by files in `orders`.
    pub fn start_with(config: &Path, library: &Path, orders: &Path) -> Self {
        Self::try_start(config, Some((library, orders)))
            .unwrap_or_else(|code| panic!("it ended at once: {code}"))
    }

    /// Starts it and waits for an event that comes before it is ready.
    pub fn start_any(config: &Path, first: impl Fn(&Value) -> bool) -> Self {
        let mut daemon = Self::spawn(program(), config);
        daemon.wait_for(first);
        daemon
    }

    /// Starts it, with what it said when it was ready.
    pub fn start_ready(config: &Path) -> (Self, Value) {
        Self::start_ready_by(program(), config)
    }

    /// The same of a program with an environment of its own.
    pub fn start_ready_by(program: Command, config: &Path) -> (Self, Value) {
        let mut daemon = Self::spawn(program, config);
        let ready = daemon.wait_for(|e| e["event"] == "ready");
        (daemon, ready)
    }

    /// Starts it, perhaps with a preloaded library and the folder of its orders. Ends with its exit
    /// code where it does not get as far as being ready.
    pub fn try_start(config: &Path, preload: Option<(&Path, &Path)>) -> Result<Self, i32> {
        let mut command = program();
        if let Some((library, orders)) = preload {
            command.env("LD_PRELOAD", library).env("FAULT_DIR", orders);
        }
        let mut daemon = Self::spawn(command, config);
        match daemon.event_by(Instant::now() + PATIENCE, |e| e["event"] == "ready") {
            Ok(ready) => {
                let bound = ready["lines"].as_array().expect("the lines that listen");
                daemon.lines =
                    bound.iter().filter_map(|l| l["address"].as_str().map(str::to_owned)).collect();
                Ok(daemon)
            }
            Err(RecvTimeoutError::Disconnected) => Err(daemon.ended()),
            Err(RecvTimeoutError::Timeout) => panic!("it was not ready in time"),
        }
    }

    /// Starts it and waits for nothing. What it says to people goes to `said` beside the configuration.
    pub fn spawn(mut command: Command, config: &Path) -> Self {
        let said = config.with_file_name("said");
        let said = std::fs::OpenOptions::new().create(true).append(true).mode(0o600).open(said);
        if !command.get_envs().any(|(name, _)| name == "WICKLINE_LOG") {
            command.env("WICKLINE_LOG", "warn");
        }
        let mut child = command
            .args(["--config", &config.to_string_lossy(), "--json", "run"])
            .stdout(Stdio::piped())
            .stderr(said.expect("a file beside the configuration"))
            .spawn()
            .expect("the daemon can be started");
        let out = child.stdout.take().expect("its output is ours");
        let (send, events) = channel();
        std::thread::spawn(move || {
            for line in BufReader::new(out).lines().map_while(Result::ok) {
                let event = serde_json::from_str(&line).expect("one JSON document a line");
                if send.send(event).is_err() {
                    return;
                }
            }
        });
        Self { child, events, seen: Vec::new(), lines: Vec::new() }
    }

    /// Its exit code, once it has ended by itself.
    pub fn gone(&mut self) -> Option<i32> {
        let status = self.child.try_wait().expect("a child can be asked after")?;
        Some(status.code().expect("it ends by itself"))
    }

    /// Whether such an event comes within this time.
    pub fn tells(&mut self, within: Duration, wanted: impl Fn(&Value) -> bool) -> Option<Value> {
        self.event_by(Instant::now() + within, wanted).ok()
    }

    fn event_by(
        &mut self,
        end: Instant,
        wanted: impl Fn(&Value) -> bool,
    ) -> Result<Value, RecvTimeoutError> {
        loop {
            let event = self.events.recv_timeout(end.saturating_duration_since(Instant::now()))?;
            self.seen.push(event.clone());
            if wanted(&event) {
                return Ok(event);
            }
        }
    }

    /// Waits for an event, however many others come first.
    pub fn wait_for(&mut self, wanted: impl Fn(&Value) -> bool) -> Value {
        match self.event_by(Instant::now() + PATIENCE, wanted) {
            Ok(event) => event,
            Err(RecvTimeoutError::Timeout) => panic!("the event did not come in time"),
            Err(RecvTimeoutError::Disconnected) => {
                panic!("the daemon ended: {:?}", self.child.wait())
            }
        }
    }

    /// Waits until this line is up for the first time, which may be before the daemon is ready.
    pub fn first_up(&mut self, analyzer: &str) {
        let is_up = |e: &Value| e["event"] == "line-up" && e["analyzer"] == analyzer;
        if !self.seen.iter().any(is_up) {
            self.wait_for(is_up);
        }
    }

    /// As a power cut does it, for a process.
    pub fn kill(mut self) {
        self.child.kill().expect("it can be killed");
        self.child.wait().expect("it has ended");
    }

    /// Asks it to stop and returns its exit code.
    pub fn stop(mut self) -> i32 {
        let pid = rustix_pid(&self.child);
        rustix::process::kill_process(pid, rustix::process::Signal::TERM).expect("it is there");
        self.child.wait().expect("it ends").code().expect("it ends by itself")
    }

    /// Asks it to read its configuration again.
    pub fn hang_up(&self) {
        self.signal(rustix::process::Signal::HUP);
    }

    pub fn signal(&self, signal: rustix::process::Signal) {
        rustix::process::kill_process(rustix_pid(&self.child), signal).expect("it is there");
    }

    /// Waits until it ends by itself and returns its exit code.
    pub fn ended(mut self) -> i32 {
        self.child.wait().expect("it ends").code().expect("it ends by itself")
    }

    pub fn id(&self) -> u32 {
        self.child.id()
    }

    pub fn resident_kib(&self) -> u64 {
        self.status("VmRSS:")
    }

    /// Without the pages of files, which come with whatever of the program is run.
    pub fn private_kib(&self) -> u64 {
        self.status("RssAnon:")
    }

    pub fn threads(&self) -> u64 {
        self.status("Threads:")
    }

    pub fn open_files(&self) -> u64 {
        let path = format!("/proc/{}/fd", self.child.id());
        std::fs::read_dir(path).expect("a running process has files").count() as u64
    }

    fn status(&self, name: &str) -> u64 {
        let path = format!("/proc/{}/status", self.child.id());
        let text = std::fs::read_to_string(path).expect("a running process has a status");
        let line = text.lines().find(|l| l.starts_with(name)).expect("it is told");
        line.split_whitespace().nth(1).and_then(|n| n.parse().ok()).expect("a number")
    }
}

impl Daemon {
    /// Processor time that it has used, in milliseconds.
    pub fn worked_ms(&self) -> u64 {
        let path = format!("/proc/{}/stat", self.child.id());
        let text = std::fs::read_to_string(path).expect("a running process has its figures");
        let after = text.rsplit(')').next().expect("what comes after its name");
        let field = |n: usize| after.split_whitespace().nth(n).and_then(|t| t.parse::<u64>().ok());
        // utime and stime of proc(5), in hundredths of a second.
        10 * (field(11).expect("utime") + field(12).expect("stime"))
    }
}

impl Drop for Daemon {
    /// A test that fails leaves no daemon behind.
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Waits until something is so that another process brings about.
pub fn until(mut so: impl FnMut() -> bool) {
    let end = Instant::now() + PATIENCE;
    while !so() {
        assert!(Instant::now() < end, "it did not come about in time");
        std::thread::yield_now();
    }
}

/// Waits for a number to become this. A slow machine has all the time it wants while the number moves.
pub fn until_it_is(wanted: u64, mut number: impl FnMut() -> u64) {
    let (mut last, mut end) = (number(), Instant::now() + PATIENCE);
    while last != wanted {
        std::thread::yield_now();
        let now = number();
        if now != last {
            (last, end) = (now, Instant::now() + PATIENCE);
        }
        assert!(Instant::now() < end, "it stays {last} and does not become {wanted}");
    }
}

fn rustix_pid(child: &Child) -> rustix::process::Pid {
    let raw = i32::try_from(child.id()).expect("a process id");
    rustix::process::Pid::from_raw(raw).expect("a process id is not 0")
}

/// Runs a command of the binary to its end.
pub fn run(config: &Path, words: &[&str]) -> Output {
    program()
        .args(["--config", &config.to_string_lossy()])
        .args(words)
        .output()
        .expect("the binary can be run")
}

/// Runs a question and reads its JSON answer.
pub fn ask(config: &Path, words: &[&str]) -> Value {
    let mut all = vec!["--json"];
    all.extend(words);
    let output = run(config, &all);
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{words:?}: {e}: {}", String::from_utf8_lossy(&output.stderr)))
}

/// What the daemons of a configuration said to people.
pub fn said(config: &Path) -> String {
    std::fs::read_to_string(config.with_file_name("said")).unwrap_or_default()
}

/// Says why a test did not do its work, past what the test runner keeps back, and for `tests/run` to count.
/// Where `tests/run` found what it needs, it may not be left out.
pub fn skipped(ability: &str, why: &str) {
    use std::io::Write;
    let name = std::thread::current().name().unwrap_or("a test").to_owned();
    let able = std::env::var("WICKLINE_ABLE").unwrap_or_default();
    let found = able.split(' ').any(|a| a == ability);
    assert!(!found, "{ability} was found here, and yet: {why}");
    let line = format!("{name} skipped: {why}\n");
    let _ = std::io::stderr().write_all(format!("\n{line}").as_bytes());
    if let Some(list) = std::env::var_os("WICKLINE_SKIPPED") {
        let file = std::fs::OpenOptions::new().append(true).create(true).open(list);
        file.and_then(|mut file| file.write_all(line.as_bytes())).expect("the list can be written");
    }
}

/// What SQLite says of a database's pages: `ok`, or what is wrong with them.
pub async fn quick_check(path: &Path) -> String {
    use sqlx::{Connection, Row};
    sqlx::any::install_default_drivers();
    let url = format!("sqlite://{}", path.display());
    let mut conn = sqlx::AnyConnection::connect(&url).await.expect("the database opens");
    let row = sqlx::query("PRAGMA quick_check").fetch_one(&mut conn).await.expect("an answer");
    conn.close().await.expect("it closes");
    row.get(0)
}
