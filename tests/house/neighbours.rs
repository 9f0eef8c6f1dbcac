//! Hostile neighbours: whoever knocks at the console, whatever they send or do not send, costs no line, no store and no
//! receiver anything.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Command;
use std::time::Duration;

use wickline_forward::receive::Receiver;

use crate::kit::{Daemon, Folder, binary, configuration, run, until};
use crate::way::runtime;

/// What is answered to this request; empty where the connection was closed without a word.
fn asked(address: &str, request: &str) -> String {
    let mut stream = TcpStream::connect(address).expect("the console");
    stream.set_read_timeout(Some(Duration::from_secs(20))).expect("set");
    stream.write_all(request.as_bytes()).expect("asked");
    let mut page = Vec::new();
    // Turned away with our request unread, the connection is reset.
    let _ = stream.read_to_end(&mut page);
    String::from_utf8_lossy(&page).into_owned()
}

fn is_answered(address: &str) -> bool {
    let host = format!("GET /healthz HTTP/1.1\r\nHost: {address}\r\nConnection: close\r\n\r\n");
    asked(address, &host).starts_with("HTTP/1.1 200 ")
}

#[test]
fn half_open_requests_take_no_descriptor_from_lines_and_receivers() {
    let folder = Folder::new("neighbours");
    runtime().block_on(async {
        let answers = vec!["aa".parse().expect("an answer")];
        let mut receiver = Receiver::bind("127.0.0.1:0", answers, Duration::from_secs(1), None)
            .await
            .expect("a port");
        let console = "[console]\nlisten = \"127.0.0.1:0\"\n";
        let address = format!("mllp://{}", receiver.address());
        let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", &address, console);
        let config = folder.write("wickline.toml", &text);
        // Far fewer descriptors than there are half-open requests.
        let mut few = Command::new("sh");
        few.args(["-c", "ulimit -n 256; exec \"$0\" \"$@\"", binary()]);
        let mut daemon = Daemon::spawn(few, &config);
        let ready = daemon.wait_for(|e| e["event"] == "ready");
        let console = ready["console"].as_str().expect("an address").to_owned();
        let line = ready["lines"][0]["address"].as_str().expect("an address").to_owned();
        let half = |_| {
            let mut stream = TcpStream::connect(&console).expect("it listens");
            let _ = stream.write_all(b"GET /healthz HTTP/1.1\r\nHos");
            stream
        };
        let open: Vec<TcpStream> = (0..500).map(half).collect();
        let words = ["simulate", "--connect", &line, "--reports", "3", "--speed-up", "0"];
        let printed = run(&config, &[&words[..], &["--settle", "0"]].concat());
        assert_eq!(printed.status.code(), Some(0), "{}", String::from_utf8_lossy(&printed.stderr));
        for _ in 0..3 {
            receiver.next().await.expect("delivered");
        }
        // A head must come within seconds: then there is room again, though nobody hung up.
        until(|| is_answered(&console));
        drop(open);
        assert_eq!(daemon.stop(), 0);
    });
}

/// A name that somebody else made point here is no way in for a page of theirs in a browser of this machine.
#[test]
fn the_console_answers_to_its_address_and_to_no_name_of_somebody_else() {
    let folder = Folder::new("neighbours");
    let console = "[console]\nlisten = \"127.0.0.1:0\"\n";
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", console);
    let (daemon, ready) = Daemon::start_ready(&folder.write("wickline.toml", &text));
    let console = ready["console"].as_str().expect("an address");
    let port = console.rsplit(':').next().expect("a port");
    for (head, status) in [
        (format!("Host: {console}\r\n"), "200"),
        (format!("Host: localhost:{port}\r\n"), "200"),
        (format!("Host: [::1]:{port}\r\n"), "200"),
        (format!("Host: kestrel.example:{port}\r\n"), "421"),
        ("Host: \r\n".to_owned(), "421"),
        (String::new(), "421"),
        (format!("Host: {console}\r\nHost: kestrel.example\r\n"), "421"),
        (format!("Host: {console}\r\nX: {}\r\n", "x".repeat(40_000)), "431"),
    ] {
        let request = format!("GET /healthz HTTP/1.1\r\n{head}Connection: close\r\n\r\n");
        let answer = asked(console, &request);
        assert!(answer.starts_with(&format!("HTTP/1.1 {status} ")), "{head:.80}: {answer}");
    }
    assert_eq!(daemon.stop(), 0);
}
