//! A blank id is identified by a person who enters it twice: with `--again`, or at a terminal that asks.

use std::os::fd::OwnedFd;
use std::process::{Command, Stdio};

use wickline::simulate::analyzer::Style;

use crate::kit::{Daemon, Folder, ask, binary, run};
use crate::way::{analyzer, pads, practice, runtime};
use wickline::simulate::port::SimPort;
use wickline::simulate::script::Script;

#[test]
fn an_id_that_is_entered_twice_must_be_the_same() {
    let folder = Folder::new("identify");
    runtime().block_on(async {
        let (mut receiver, port, config) = practice(&folder, &["aa"]).await;
        let mut daemon = Daemon::start(&config);
        let mut script = Script::plain(3, 5, &pads());
        for run in &mut script.run {
            run.specimen.clear();
        }
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        for number in ["1", "2", "3"] {
            daemon.wait_for(|e| e["event"] == "report" && e["number"] == number);
        }
        let held = ask(&config, &["held"]);
        let ids: Vec<&str> = held["items"]
            .as_array()
            .expect("a list")
            .iter()
            .filter_map(|i| i["id"].as_str())
            .collect();
        let again = |id: &str, second: &str| {
            run(&config, &["held", "identify", id, "--specimen", "KP-00001", "--again", second])
        };
        let differs = again(ids[0], "KP-00010");
        assert_eq!(differs.status.code(), Some(2));
        assert!(String::from_utf8_lossy(&differs.stderr).contains("differ"));
        assert_eq!(ask(&config, &["held"])["items"].as_array().map(Vec::len), Some(3));
        assert_eq!(again(ids[0], "KP-00001").status.code(), Some(0));
        // At a terminal it shows the strip and asks.
        for (id, typed, code) in [(ids[1], "KP-00020\r", 2), (ids[1], "KP-00002\r", 0)] {
            let (said, ended) = at_a_terminal(&config, id, "KP-00002", typed).await;
            assert_eq!(ended, Some(code), "{said}");
            assert!(said.contains("number 2") && said.contains("GLU"), "{said}");
        }
        for _ in 0..2 {
            receiver.next().await.expect("identified, it goes");
        }
        assert_eq!(daemon.stop(), 0);
    });
}

async fn at_a_terminal(
    config: &std::path::Path,
    id: &str,
    specimen: &str,
    typed: &str,
) -> (String, Option<i32>) {
    let mut port = SimPort::pty().expect("a pseudo-terminal");
    let SimPort::Pty { path, .. } = &port else { unreachable!("it is one") };
    let end: OwnedFd =
        std::fs::OpenOptions::new().read(true).write(true).open(path).expect("its end").into();
    let mut attributes = rustix::termios::tcgetattr(&end).expect("a terminal");
    attributes.local_modes |= rustix::termios::LocalModes::ICANON;
    attributes.input_modes |= rustix::termios::InputModes::ICRNL;
    rustix::termios::tcsetattr(&end, rustix::termios::OptionalActions::Now, &attributes)
        .expect("set");
    let child = Command::new(binary())
        .args([
            "--config",
            &config.to_string_lossy(),
            "held",
            "identify",
            id,
            "--specimen",
            specimen,
        ])
        .stdin(Stdio::from(end))
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the binary can be run");
    port.write_all(typed.as_bytes()).await.expect("typed");
    let output = child.wait_with_output().expect("it ends");
    (String::from_utf8_lossy(&output.stderr).into_owned(), output.status.code())
}
