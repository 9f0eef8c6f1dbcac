//! `listen --find-speed` on a pseudo-terminal.
//!
//! A pseudo-terminal has no speed, no parity and no damage: it hands over whatever is written, in eight bits and
//! unmarked. It does keep the speed that was asked for, so the analyzer here looks which one the command has set and
//! writes what a port would hear there. Marked bytes are shown with a model of the line, in `crates/listen`.

use std::os::fd::OwnedFd;

use serde_json::Value;
use wickline::simulate::port::SimPort;

use crate::explain::Running;
use crate::kit::{Folder, run};
use crate::way::{pty, runtime};

const PRINT: &str = "Kestrel Point Clinic\r\nNo. 0007  2026-11-29\r\nID KP-20417\r\nGLU   NEG\r\n\
                     PRO   TR   15 mg/dL\r\npH    6.5\r\nBLD * 2+   80 Ery/uL\r\n\r\n";

/// With an even number of ones in each byte, as 7E1 is heard in eight bits.
fn even(text: &str) -> Vec<u8> {
    text.bytes().map(|b| if b.count_ones() % 2 == 1 { b | 0x80 } else { b }).collect()
}

fn control(port: &SimPort) -> OwnedFd {
    let SimPort::Pty { master, .. } = port else { unreachable!("a test's line is one") };
    master.get_ref().try_clone().expect("a second descriptor")
}

/// Prints at every try until the command ends: its exit, its verdict, and the speeds it was set to.
async fn bench(right: u32, print: &[u8]) -> (Option<i32>, Value, Vec<u32>) {
    let (mut port, line) = pty();
    let control = control(&port);
    let mut command = Running::start(&["--json", "listen", &line, "--find-speed"]);
    let mut speeds = Vec::new();
    command.says("nothing is sent");
    let verdict = loop {
        command.says("let the analyzer print");
        let speed = rustix::termios::tcgetattr(&control).expect("its settings").input_speed();
        speeds.push(speed);
        // At twice the sender's speed or half of it: bits in pairs, no text.
        let heard =
            if speed == right { print.to_vec() } else { [0x80, 0x78, 0xF8, 0xE6].repeat(12) };
        port.write_all(&heard).await.expect("the line takes it");
        let tried: Value = serde_json::from_str(&command.line()).expect("JSON");
        assert_eq!(tried["event"], "try");
        assert_eq!(tried["bytes"], heard.len());
        assert_eq!(tried["fits"], speed == right, "{tried}");
        if speeds.len() == LIMITS.iter().find(|(s, _)| *s == right).expect("a case").1 {
            break serde_json::from_str(&command.line()).expect("JSON");
        }
    };
    let code = command.ends().0;
    let mut said = Vec::new();
    assert!(port.read(&mut said).await.is_err());
    assert_eq!(said, b"", "nothing was written to the line");
    (code, verdict, speeds)
}

/// After how many tries the search is over.
const LIMITS: [(u32, usize); 2] = [(19_200, 3), (9600, 4)];

#[test]
fn speed_and_framing_are_found_and_not_a_byte_is_written() {
    runtime().block_on(async {
        let (code, verdict, speeds) = bench(19_200, &even(PRINT)).await;
        assert_eq!(code, Some(0), "{verdict}");
        assert_eq!(verdict["sure"], true);
        assert_eq!(verdict["best"], serde_json::json!({"speed": 19_200, "framing": "7E1"}));
        assert_eq!(speeds, [9600, 19_200, 19_200]);
        assert!(verdict["next"]["against"].as_str().is_some_and(|s| !s.is_empty()), "{verdict}");
    });
}

#[test]
fn a_port_that_marks_nothing_is_said_to_be_one() {
    runtime().block_on(async {
        let (code, verdict, _) = bench(9600, PRINT.as_bytes()).await;
        assert_eq!(code, Some(1), "{verdict}");
        assert_eq!(verdict["best"], serde_json::json!({"speed": 9600, "framing": "8N1"}));
        assert_eq!(verdict["equal"], serde_json::json!([{"speed": 9600, "framing": "8E1"}]));
        assert!(verdict["why"].to_string().contains("marked no byte"), "{verdict}");
    });
}

#[test]
fn silence_and_lines_without_a_speed_are_told() {
    let folder = Folder::new("no-speed");
    let config = folder.write("wickline.toml", "");
    let (_port, line) = runtime().block_on(async { pty() });
    let output = run(&config, &["listen", &line, "--find-speed", "--seconds", "1"]);
    let said = String::from_utf8_lossy(&output.stdout).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(
        said.contains("not sure of any setting") && said.contains("nothing was heard"),
        "{said}"
    );
    for line in ["tcp:127.0.0.1:4001", "listen:127.0.0.1:0"] {
        let output = run(&config, &["listen", line, "--find-speed"]);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(2), "{said}");
        assert!(said.contains("only a serial line has one"), "{said}");
    }
    let output = run(&config, &["listen", &line, "--find-speed", "--speed", "9600"]);
    assert_eq!(output.status.code(), Some(2));
}
