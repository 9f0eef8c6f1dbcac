//! Whatever a command tells people to do is a complete command: copied and run as it stands, at a terminal.

use std::os::fd::OwnedFd;
use std::path::Path;
use std::process::{Command, Stdio};

use wickline::simulate::analyzer::Style;
use wickline::simulate::port::SimPort;

use crate::kit::{Daemon, Folder, ask, binary, configuration, run, until};
use crate::way::{analyzer, practice, pty, runtime, script};

/// Every complete command in a text: what stands between backticks, or on a line of its own, and begins with
/// the program's name.
pub fn hints(text: &str) -> Vec<String> {
    let pieces = text.split('`').skip(1).step_by(2).chain(text.lines().map(str::trim));
    let mut found: Vec<String> =
        pieces.filter(|p| p.starts_with("wickline ")).map(str::to_owned).collect();
    found.dedup();
    found
}

/// Runs a line as a shell does, at a terminal where every question is answered with `answer`.
pub async fn at_a_terminal(config: &Path, line: &str, answer: &str) -> (i32, String) {
    answering(config, line, &[answer; 3]).await
}

/// The same with an answer to each question.
pub async fn answering(config: &Path, line: &str, answers: &[&str]) -> (i32, String) {
    let mut port = SimPort::pty().expect("a pseudo-terminal");
    let SimPort::Pty { path, .. } = &port else { unreachable!("it is one") };
    let end: OwnedFd =
        std::fs::OpenOptions::new().read(true).write(true).open(path).expect("its end").into();
    let mut attributes = rustix::termios::tcgetattr(&end).expect("a terminal");
    attributes.local_modes |= rustix::termios::LocalModes::ICANON;
    attributes.input_modes |= rustix::termios::InputModes::ICRNL;
    rustix::termios::tcsetattr(&end, rustix::termios::OptionalActions::Now, &attributes)
        .expect("set");
    let folder = Path::new(binary()).parent().expect("a folder");
    let path = std::env::var("PATH").unwrap_or_default();
    let child = Command::new("sh")
        .args(["-c", line])
        .env("PATH", format!("{}:{path}", folder.display()))
        .env("WICKLINE_CONFIG", config)
        .stdin(Stdio::from(end))
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("a shell");
    let typed: String = answers.iter().map(|a| format!("{a}\r")).collect();
    port.write_all(typed.as_bytes()).await.expect("typed");
    let output = child.wait_with_output().expect("it ends");
    let text = [output.stdout, output.stderr].concat();
    (output.status.code().expect("a code"), String::from_utf8_lossy(&text).into_owned())
}

/// Runs every command that `looks` print, each as soon as it is printed, until they print no new one.
async fn run_all(config: &Path, looks: &[&[&str]]) -> Vec<String> {
    let mut done: Vec<String> = Vec::new();
    loop {
        let mut next = None;
        for look in looks {
            let output = run(config, look);
            let text =
                String::from_utf8_lossy(&[output.stdout, output.stderr].concat()).into_owned();
            next = next.or_else(|| hints(&text).into_iter().find(|h| !done.contains(h)));
        }
        let Some(hint) = next else { return done };
        let (code, said) = at_a_terminal(config, &hint, "KP-20417").await;
        assert!(code <= 1, "`{hint}` ended with {code}: {said}");
        done.push(hint);
    }
}

#[test]
fn a_message_is_named_by_its_report_and_receiver_and_hints_run_as_they_stand() {
    let folder = Folder::new("hints");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    runtime().block_on(async {
        let (port, wire) = pty();
        let ward = "[[receiver]]\nid = \"ward\"\naddress = \"dir:out\"\n";
        let text = configuration(&wire, "lis02", "ten-pad", "dir:out", ward);
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        for receiver in ["lis", "ward"] {
            assert_eq!(run(&config, &["queue", "pause", receiver]).status.code(), Some(0));
        }
        let mut plan = script(3, 7);
        plan.run[1].class = wickline::simulate::script::Class::Stat;
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["queue"])["totals"]["waiting"] == 6);
        let item = &ask(&config, &["queue", "--receiver", "ward"])["items"][1];
        assert_eq!((&item["id"], &item["message"]), (&"2".into(), &"2@ward".into()));
        let shown = run(&config, &["queue"]);
        let shown = String::from_utf8_lossy(&shown.stdout).into_owned();
        let row = shown.lines().find(|l| l.starts_with("2@lis ")).expect("a row");
        assert!(row.contains("URGENT") && row.contains(&plan.run[1].specimen), "{shown}");
        assert!(!shown.to_lowercase().contains("message "), "{shown}");

        // At two receivers: refused, and each choice is a command.
        let hold = ["queue", "hold", "1", "--reason", "ask Dr. O'Hara", "--as", "J. Mast"];
        let refused = run(&config, &hold);
        assert_eq!(refused.status.code(), Some(2));
        let choices = hints(&String::from_utf8_lossy(&refused.stderr));
        assert_eq!(choices.len(), 2, "{choices:?}");
        for choice in &choices {
            let (code, said) = at_a_terminal(&config, choice, "").await;
            assert_eq!(code, 0, "`{choice}`: {said}");
        }
        let held_back = |name: &str| {
            let items = ask(&config, &["queue"])["items"].clone();
            let found = items.as_array().expect("items").iter().find(|i| i["message"] == name);
            found.expect("there")["on_hold"] == true
        };
        assert!(held_back("1@lis") && held_back("1@ward") && !held_back("2@lis"));
        let rows = ask(&config, &["trail", "--object", "report 1"])["items"].clone();
        let last = rows.as_array().and_then(|r| r.last()).expect("a row").clone();
        assert_eq!(last["object"], "report 1 at ward");
        assert_eq!((&last["who"], &last["reason"]), (&"J. Mast".into(), &"ask Dr. O'Hara".into()));
        // A range at one receiver; what a script does not say is not asked of it.
        assert_eq!(run(&config, &["queue", "set-aside", "2-3@lis"]).status.code(), Some(2));
        let aside = ["queue", "set-aside", "2-3@lis", "--reason", "by telephone"];
        assert_eq!(run(&config, &aside).status.code(), Some(0));
        assert_eq!(ask(&config, &["queue", "--receiver", "lis"])["items"][0]["message"], "1@lis");
        let done = run_all(&config, &[&["day"], &["queue"], &["queue", "show", "1@lis"]]).await;
        assert!(done.iter().any(|h| h == "wickline queue retry 1@lis"), "{done:?}");
        assert!(done.iter().any(|h| h == "wickline queue resume ward"), "{done:?}");
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn what_lets_held_reports_go_runs_as_it_stands() {
    let folder = Folder::new("remedies");
    std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
    runtime().block_on(async {
        let (port, wire) = pty();
        let text = configuration(&wire, "lis02", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        let daemon = Daemon::start(&config);
        let mut plan = script(3, 7);
        plan.run[0].specimen.clear();
        plan.run[2].specimen = "?".into();
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        until(|| ask(&config, &["held"])["items"].as_array().map(Vec::len) == Some(2));
        let done =
            run_all(&config, &[&["held", "show", "1"], &["status"], &["day"], &["held"]]).await;
        for hint in ["wickline held identify 1", "wickline held show 3", "wickline held identify 3"]
        {
            assert!(done.iter().any(|h| h == hint), "{hint}: {done:?}");
        }
        assert_eq!(ask(&config, &["find", "KP-20417"])["totals"]["reports"], 2);
        assert_eq!(daemon.stop(), 0);
    });
}

/// The receiver does not take the withdrawal: what a person is told to do asks for what only they know.
#[test]
fn a_withdrawal_that_was_refused_is_told_by_hand_as_the_hint_says() {
    let folder = Folder::new("told");
    runtime().block_on(async {
        let (_receiver, port, config) = practice(&folder, &["aa", "ae"]).await;
        let mut daemon = Daemon::start(&config);
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script(1, 7), |_, _| ()).await.expect("the line holds");
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        let withdrawn = run(&config, &["report", "withdraw", "1", "--reason", "wrong strip"]);
        assert_eq!(withdrawn.status.code(), Some(0));
        daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "refused");
        let text =
            |words: &[&str]| String::from_utf8_lossy(&run(&config, words).stdout).into_owned();
        assert!(text(&["status"]).contains("still has 1 wrong result"), "{}", text(&["status"]));
        let day = text(&["day"]);
        assert!(day.contains("still has the wrong result"), "{day}");
        assert!(day.contains("wickline report told 1 --receiver lis"), "{day}");
        let told = ["queue", "set-aside", "1@lis/withdrawal", "--reason", "not needed"];
        let refused = run(&config, &told);
        assert_eq!(refused.status.code(), Some(2));
        let hints = hints(&String::from_utf8_lossy(&refused.stderr));
        let hint = hints.iter().find(|h| h.starts_with("wickline report told ")).expect("a hint");
        // A script is told what is missing; a person is asked.
        let bare: Vec<&str> = hint.split(' ').skip(1).collect();
        let said = run(&config, &bare);
        assert_eq!(said.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&said.stderr).contains("--who TEXT"), "{said:?}");
        let (code, said) = at_a_terminal(&config, hint, "ward 3").await;
        assert_eq!(code, 0, "`{hint}`: {said}");
        let rows = ask(&config, &["trail", "--object", "report 1 at lis"])["items"].clone();
        let last = rows.as_array().and_then(|r| r.last()).expect("a row").clone();
        assert_eq!(last["reason"], "ward 3, ward 3, ward 3");
        assert_eq!(ask(&config, &["day"])["totals"]["refused"], 0);
        assert_eq!(daemon.stop(), 0);
    });
}
