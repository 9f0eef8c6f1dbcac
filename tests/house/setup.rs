//! `setup`: a person at a terminal, a script with options; what was written is then used by a daemon.

use std::io::Read;
use std::os::fd::OwnedFd;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Stdio};
use std::sync::mpsc::{Receiver as Words, channel};
use std::time::Duration;

use wickline::simulate::analyzer::Style;
use wickline::simulate::port::SimPort;
use wickline_forward::receive::Receiver;

use crate::hints::answering;
use crate::kit::{Daemon, Folder, PATIENCE, ask, program, run, until};
use crate::prove::root;
use crate::way::{analyzer, pty, runtime, script};

/// Seven bits, and the two-column layout of ten pads.
const PRINT: &str = "KESTREL POINT CLINIC\r\nNo. 0042\r\nID KP-31742\r\n2026-03-14 09:14:55\r\nOperator op7\r\n\
                     GLU   2+     400 mg/dL *\r\nBIL   NEG\r\nKET   TR     8 mg/dL\r\nSG           1.012\r\n\
                     BLD   NEG\r\nPH           6.0\r\nPRO   TR     12 mg/dL\r\nURO   NORM   0.3 mg/dL\r\n\
                     NIT   NEG\r\nLEU   NEG\r\n\r\n";

/// The command at a terminal of its own.
/// A person at a terminal, with a command that asks.
pub struct Bench {
    child: Child,
    said: Words<String>,
    terminal: SimPort,
    /// Everything that it said.
    all: String,
    /// How far that was waited for.
    seen: usize,
}

impl Bench {
    fn sit_down(config: &Path, words: &[&str]) -> Self {
        Self::at(config, &[&["setup"], words].concat())
    }

    /// With any command.
    pub fn at(config: &Path, words: &[&str]) -> Self {
        let terminal = SimPort::pty().expect("a pseudo-terminal");
        let SimPort::Pty { path, .. } = &terminal else { unreachable!("it is one") };
        let end = std::fs::OpenOptions::new().read(true).write(true).open(path);
        let end: OwnedFd = end.expect("its end").into();
        let mut attributes = rustix::termios::tcgetattr(&end).expect("a terminal");
        attributes.local_modes |= rustix::termios::LocalModes::ICANON;
        attributes.input_modes |= rustix::termios::InputModes::ICRNL;
        let now = rustix::termios::OptionalActions::Now;
        rustix::termios::tcsetattr(&end, now, &attributes).expect("set");
        let mut child = program()
            .args(["--config", &config.to_string_lossy()])
            .args(words)
            .stdin(Stdio::from(end))
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it can be started");
        let mut err = child.stderr.take().expect("its words are ours");
        let (send, said) = channel();
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(count @ 1..) = err.read(&mut bytes) {
                if send.send(String::from_utf8_lossy(&bytes[..count]).into_owned()).is_err() {
                    return;
                }
            }
        });
        Self { child, said, terminal, all: String::new(), seen: 0 }
    }

    /// Waits until it has said this.
    pub fn says(&mut self, wanted: &str) {
        loop {
            if let Some(at) = self.all[self.seen..].find(wanted) {
                self.seen += at + wanted.len();
                return;
            }
            match self.said.recv_timeout(PATIENCE) {
                Ok(words) => self.all.push_str(&words),
                Err(why) => panic!("{why}: it did not say {wanted:?}:\n{}", self.all),
            }
        }
    }

    /// Waits for a question and types an answer.
    pub async fn answer(&mut self, question: &str, typed: &str) {
        self.says(question);
        self.terminal.write_all(format!("{typed}\r").as_bytes()).await.expect("typed");
    }

    pub fn ends(mut self) -> (Option<i32>, String, String) {
        let mut out = String::new();
        let mut stdout = self.child.stdout.take().expect("its output");
        stdout.read_to_string(&mut out).expect("text");
        self.all.extend(self.said.iter());
        let code = self.child.wait().expect("it ends").code();
        (code, out, std::mem::take(&mut self.all))
    }
}

impl Drop for Bench {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// With an even number of ones in each byte, as 7E1 is heard in eight bits.
fn even(text: &str) -> Vec<u8> {
    text.bytes().map(|b| if b.count_ones() % 2 == 1 { b | 0x80 } else { b }).collect()
}

async fn receiver() -> (Receiver, String) {
    let answers = vec!["aa".parse().expect("an answer")];
    let late = Duration::from_millis(1200);
    let receiver = Receiver::bind("127.0.0.1:0", answers, late, None).await.expect("a port");
    let address = format!("mllp://{}", receiver.address());
    (receiver, address)
}

fn field(message: &[u8], number: usize) -> String {
    let text = String::from_utf8_lossy(message);
    text.split('\r').next().and_then(|msh| msh.split('|').nth(number - 1)).expect("it").to_owned()
}

/// Everything that a script has to say about a line and a receiver.
fn options<'a>(line: &'a str, address: &'a str) -> Vec<&'a str> {
    let text = [
        "setup",
        "--yes",
        "--site-name",
        "Kestrel Point Clinic",
        "--short",
        "KESTRELPOINT",
        "--timezone",
        "Europe/Lisbon",
        "--dialect",
        "two-column",
        "--strip",
        "ten-pad",
        "--printed",
        "conventional",
        "--units",
        "conventional",
        "--speed",
        "9600",
        "--framing",
        "8N1",
        "--line",
        line,
        "--address",
        address,
    ];
    text.to_vec()
}

/// Prints at each try, as a port hears it that is set right or wrong, and takes what was found.
async fn find_the_speed(bench: &mut Bench, port: &mut SimPort) {
    let SimPort::Pty { master, .. } = &*port else { unreachable!("a test's line is one") };
    let control = master.get_ref().try_clone().expect("a second descriptor");
    bench.answer("speed and framing", "listen").await;
    bench.says("What is heard here is kept as no result");
    bench.says("Print a report now, three times");
    for _ in 0..3 {
        bench.says("let the analyzer print");
        let speed = rustix::termios::tcgetattr(&control).expect("its settings").input_speed();
        // At half the sender's speed: bits in pairs, no text.
        let wrong = [0x80, 0x78, 0xF8, 0xE6].repeat(12);
        let heard = if speed == 19_200 { even(PRINT) } else { wrong };
        port.write_all(&heard).await.expect("the line takes it");
    }
    bench.answer("[19200 7E1]", "").await;
    bench.says("two-column: understands 30 of 30 lines: 20 results in 2 reports, 2 of them");
}

/// Enter takes no unit, and says what to do.
async fn no_unit_is_guessed(bench: &mut Bench) {
    bench.answer("unit system that the receiver wants", "").await;
    bench.says("here Enter takes nothing, for nobody but you knows it: type it; allowed: ");
    bench.says("si");
    bench.answer("unit system that the receiver wants", "si").await;
}

#[test]
fn a_person_answers_everything_and_the_daemon_runs_on_it() {
    let folder = Folder::new("setup-person");
    let config = folder.0.join("wickline.toml");
    runtime().block_on(async {
        let (mut receiver, address) = receiver().await;
        let (mut port, line) = pty();
        let mut bench = Bench::sit_down(&config, &[]);
        bench.answer("name of the laboratory", "Kestrel Point Clinic").await;
        // What is wrong is said at once, with what is allowed, and asked again.
        bench.answer("its short name", "KESTREL-POINT-LABORATORY").await;
        bench.says("at most 20 characters");
        bench.answer("its short name", "KP").await;
        bench.answer("time zone", "back").await;
        bench.says("(MSH-4) [KP]");
        bench.answer(": ", "KESTRELPOINT").await;
        bench.answer("time zone", "Lisbon").await;
        bench.says("IANA");
        bench.answer("time zone", "Europe/Lisbon").await;
        bench.answer("our name for the analyzer [bench-1]", "").await;
        bench.answer("line of the analyzer", &line).await;
        find_the_speed(&mut bench, &mut port).await;
        bench.answer("[two-column]", "").await;
        bench.says("ten-pad: knows 20 of 20 results\n");
        bench.answer("strip", "ten-pad").await;
        bench.says("are conventional and 0 are SI");
        bench.answer("[conventional]", "").await;
        bench.answer("specimen ids of control material", "QC-L1*=1, QC-L2*=2").await;
        bench.answer("our name for the receiver [lis]", "").await;
        bench.answer("its address", "").await;
        bench.says("something must be given, such as \"mllp://192.0.2.20:2575\"");
        bench.answer("its address", "192.0.2.20").await;
        bench.says("mllp://");
        bench.answer("its address", &address).await;
        bench.answer("HL7 version it wants: 2.3.1, 2.4, 2.5 or 2.5.1 [2.5.1]", "").await;
        bench.answer("(MSH-5) [LIS]", "").await;
        bench.answer("(MSH-6)", "KESTREL").await;
        no_unit_is_guessed(&mut bench).await;
        bench.answer("address of the console", "").await;
        bench.answer("[TEST-PROVE]", "").await;
        bench.answer("for the folder of the configuration) [.]", "").await;
        bench.says("short = \"KESTRELPOINT\"");
        bench.says("yes or no");
        assert!(!config.exists(), "nothing is written before the end");
        // Back is a question before, and no no; what is neither yes nor no is asked again.
        bench.answer(": ", "back").await;
        bench.answer("for the folder of the configuration) [.]", "").await;
        bench.answer("yes or no, or back [yes]", "perhaps").await;
        bench.says("type yes or no");
        bench.answer("yes or no, or back [yes]", "").await;
        bench.says("send one test message");
        bench.answer("only if they know of it there)? yes or no [no]", "yes").await;
        let test = receiver.next().await.expect("a message");
        let (code, out, said) = bench.ends();
        assert_eq!(code, Some(0), "{out}{said}");
        assert!(out.contains("test message PRV") && out.contains(": accepted\n"), "{out}");
        assert_eq!(
            (field(&test.body, 11), field(&test.body, 4)),
            ("T".into(), "KESTRELPOINT".into())
        );
        assert!(!String::from_utf8_lossy(&test.body).contains("KP-31742"), "a patient's id");

        let text = std::fs::read_to_string(&config).expect("it is written");
        assert!(
            text.contains("# MSH-4, the sending facility.\nshort = \"KESTRELPOINT\"\n"),
            "{text}"
        );
        assert!(text.contains("speed = 19200\n") && text.contains("framing = \"7E1\"\n"), "{text}");
        let daemon = Daemon::start(&config);
        let plan = script(1, 5);
        let mut bench = analyzer(port, Style::TwoColumn);
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        let result = receiver.next().await.expect("a result");
        assert_eq!(
            (field(&result.body, 11), field(&result.body, 6)),
            ("P".into(), "KESTREL".into())
        );
        assert!(String::from_utf8_lossy(&result.body).contains(&plan.run[0].specimen));
        until(|| ask(&config, &["queue"])["totals"]["accepted"] == 1);
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn a_script_says_everything_and_what_stood_there_is_moved_aside() {
    let folder = Folder::new("setup-script");
    let config = folder.0.join("wickline.toml");
    runtime().block_on(async {
        let (mut receiver, address) = receiver().await;
        let (_port, line) = pty();
        let mut words = options(&line, &address);
        // As people say it.
        words.extend(["--test-message", "--controls", "no"]);
        let done = ask(&config, &words);
        assert_eq!(done["written"], config.to_string_lossy().as_ref(), "{done}");
        let sent = done["test_message"].as_str().expect("an answer");
        assert!(sent.ends_with(": accepted"), "{done}");
        assert_eq!(field(&receiver.next().await.expect("a message").body, 11), "T");
        let mode =
            |path: &Path| std::fs::metadata(path).expect("there").permissions().mode() & 0o777;
        assert!([0o600, 0o640].contains(&mode(&config)), "{:o}", mode(&config));
        let first = std::fs::read_to_string(&config).expect("written");
        assert!(first.contains("controls = \"none\"\n"), "{first}");

        // Once more: not without a word, and then nothing is lost.
        words.extend(["--hl7", "2.4"]);
        let again = run(&config, &words);
        let said = String::from_utf8_lossy(&again.stderr).into_owned();
        assert_eq!(again.status.code(), Some(2), "{said}");
        assert!(said.contains("is there already: with --replace"), "{said}");
        assert_eq!(std::fs::read_to_string(&config).expect("there"), first);
        words.push("--replace");
        let done = ask(&config, &words);
        let aside = PathBuf::from(done["moved_aside"].as_str().expect("a name"));
        assert_eq!(std::fs::read_to_string(aside).expect("kept"), first);
        let second = std::fs::read_to_string(&config).expect("there");
        assert!(second.contains("version = \"2.4\"\n"), "{second}");
        assert_eq!(done["left_out"], serde_json::json!([]), "{done}");

        // What nobody was asked for is named one by one.
        let more = "\n[[alarm]]\nid = \"night\"\nto = \"http://127.0.0.1:9/\"\n[watch]\nlisten = \"127.0.0.1:0\"\n";
        let third = second.replace("[store]\n", "[store]\nkeep_days = 730\n");
        assert_ne!(third, second);
        folder.write("wickline.toml", &format!("{third}{more}"));
        let done = ask(&config, &words);
        let lost = serde_json::json!(["alarm night", "store.keep_days", "watch.listen"]);
        assert_eq!(done["left_out"], lost, "{done}");
        folder.write("wickline.toml", &format!("{third}{more}"));
        let told = run(&config, &words);
        let told = String::from_utf8_lossy(&told.stdout).into_owned();
        assert!(told.contains("put back what is wanted: alarm night, store.keep_days, watch"), "{told}");
        let hint = format!("`wickline --config {} run`", config.display());
        assert!(told.contains(&hint), "{told}");
    });
}

#[test]
fn what_a_script_leaves_out_is_named_and_what_is_wrong_is_refused() {
    let folder = Folder::new("setup-lacking");
    let config = folder.0.join("wickline.toml");
    let refused = |words: &[&str], says: &[&str]| {
        let done = run(&config, words);
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        assert_eq!(done.status.code(), Some(2), "{said}");
        for word in says {
            assert!(said.contains(word), "{word}: {said}");
        }
        assert_eq!(std::fs::read_dir(&folder.0).expect("ours").count(), 0, "nothing was written");
    };
    // Without a terminal nobody is asked, with or without --yes.
    let all = [
        "--site-name",
        "--line",
        "--speed and --framing",
        "--dialect",
        "--printed",
        "--address",
        "--units",
    ];
    refused(&["setup"], &all);
    refused(&["setup", "--yes", "--short", "KP"], &all);
    let line = "serial:/dev/serial/by-path/none";
    let good = options(line, "mllp://127.0.0.1:1");
    for (flag, wrong, says) in [
        ("--short", "KESTREL-POINT-LABORATORY", "at most 20 characters"),
        ("--framing", "9N1", "8N1"),
        ("--speed", "9601", "19200"),
        ("--dialect", "no-such.toml", "two-column"),
        ("--units", "imperial", "\"si\""),
        ("--address", "127.0.0.1", "mllp://"),
        (
            "--address",
            "dir:yes",
            "`yes` is not named from / on; allowed: the whole path of a folder",
        ),
        ("--address", "dir:/etc/passwd", "is no folder"),
        ("--line", "serial:yes", "serial:PATH (from / on)"),
        ("--line", "yes", "serial:PATH (from / on)"),
        ("--dialect", "yes", "two-column"),
        ("--strip", "yes", "ten-pad"),
        ("--timezone", "Lisbon", "IANA"),
    ] {
        let mut words = good.clone();
        let at = words.iter().position(|word| *word == flag).expect("it is there");
        words[at + 1] = wrong;
        refused(&words, &[flag, says]);
    }
    for (stores, says) in [
        ("yes", "`yes` is not named from / on; allowed: the whole path of a folder"),
        ("data/stores", "is not named from / on"),
        ("/etc/passwd", "is no folder"),
    ] {
        let mut words = good.clone();
        words.extend(["--stores", stores]);
        refused(&words, &["--stores", says]);
    }
    let outside = options("listen:0.0.0.0:4002", "mllp://127.0.0.1:1");
    refused(&outside, &["--allow", "can be reached from other machines"]);
}

/// Before anything was heard nobody knows the names: they are listed.
#[test]
fn what_is_shipped_is_listed_at_the_first_question_for_it() {
    let folder = Folder::new("setup-listed");
    let config = folder.0.join("wickline.toml");
    runtime().block_on(async {
        let words = options("listen:127.0.0.1:4002", "mllp://127.0.0.1:1");
        let at = words.iter().position(|word| *word == "--dialect").expect("it is there");
        let mut given: Vec<&str> = words[2..at].to_vec();
        given.extend([
            "--analyzer",
            "bench-1",
            "--allow",
            "127.0.0.1",
            "--line",
            "listen:127.0.0.1:4002",
        ]);
        let mut bench = Bench::sit_down(&config, &given);
        let names =
            "dialect (lis02, two-column, three-field, wide-label, ticket, the path of a file";
        bench.answer(names, "lis02").await;
        bench.says("strip (");
        bench.says("ten-pad");
        bench.says(", or the path of a file)");
    });
}

#[test]
fn who_goes_away_leaves_nothing_behind() {
    let folder = Folder::new("setup-away");
    let config = folder.0.join("wickline.toml");
    runtime().block_on(async {
        for how in ["ended", "the input ends"] {
            let mut bench = Bench::sit_down(&config, &[]);
            bench.answer("name of the laboratory", "Kestrel Point Clinic").await;
            bench.says("its short name");
            if how == "ended" {
                let pid = i32::try_from(bench.child.id()).ok();
                let pid = pid.and_then(rustix::process::Pid::from_raw).expect("a process");
                rustix::process::kill_process(pid, rustix::process::Signal::TERM).expect("there");
            } else {
                // Control-D, at the beginning of a line.
                bench.terminal.write_all(&[4]).await.expect("typed");
            }
            let (code, _, said) = bench.ends();
            assert_ne!(code, Some(0), "{how}: {said}");
            assert_eq!(std::fs::read_dir(&folder.0).expect("ours").count(), 0, "{how}");
        }
    });
}

#[test]
fn a_configuration_that_is_there_is_compared_and_stays_unless_somebody_says_so() {
    let folder = Folder::new("setup-there");
    runtime().block_on(async {
        let (_port, line) = pty();
        let address = "mllp://127.0.0.1:1";
        let old = crate::kit::configuration(&line, "two-column", "ten-pad", address, "");
        let config = folder.write("wickline.toml", &old);
        let words = options(&line, address);
        let words = words[2..].iter().map(|w| format!("\"{w}\""));
        let command = format!("wickline setup {}", words.collect::<Vec<_>>().join(" "));
        // Our names, ids of control material, what of the receiver was not said, and no.
        let answers = ["", "", "", "", "", "", "", "", "", "no"];
        let (code, said) = answering(&config, &command, &answers).await;
        assert_eq!(code, 2, "{said}");
        assert!(
            said.contains("would be moved aside") && said.contains("nothing was written"),
            "{said}"
        );
        assert!(said.contains("control_marks: was [\"Q1=1\", \"Q2=2\"], will be []"), "{said}");
        assert!(!said.contains("short: was"), "it is as it was: {said}");
        assert_eq!(std::fs::read_to_string(&config).expect("there"), old);
        assert_eq!(std::fs::read_dir(&folder.0).expect("ours").count(), 1);
    });
}

/// A print that no shipped dialect reads: dialect and strip are drafted, and stand beside the configuration.
#[test]
fn what_no_shipped_dialect_reads_is_drafted() {
    let folder = Folder::new("setup-draft");
    let config = folder.0.join("wickline.toml");
    runtime().block_on(async {
        let (_port, line) = pty();
        let capture = root("fixtures/prints/desk.cap").display().to_string();
        let address = format!("dir:{}", folder.0.join("out").display());
        let mut words: Vec<String> =
            options(&line, &address).iter().map(|w| (*w).to_owned()).collect();
        for flag in ["--dialect", "--strip", "--printed", "--yes"] {
            let at = words.iter().position(|word| word == flag).expect("it is there");
            words.drain(at..at + if flag == "--yes" { 1 } else { 2 });
        }
        let words: Vec<String> = words.iter().map(|w| format!("\"{w}\"")).collect();
        let command = format!("wickline {} --capture {capture} --controls none", words.join(" "));
        let answers =
            ["desk-1", "sketch", "", "", "conventional", "", "", "", "", "", "", "", "yes", "no"];
        let (code, said) = answering(&config, &command, &answers).await;
        assert!(code <= 1 || code == 3, "{said}");
        assert!(said.contains("desk-1.toml: understands"), "{said}");
        for name in ["wickline.toml", "desk-1.toml", "desk-1-strip.toml"] {
            assert!(folder.0.join(name).exists(), "{name}: {said}");
        }
        assert!(said.contains("is a draft with"), "check tells the open questions: {said}");
        let checked = run(&config, &["check", "--offline"]);
        assert_eq!(checked.status.code(), Some(0), "{}", String::from_utf8_lossy(&checked.stdout));
    });
}
