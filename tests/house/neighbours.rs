//! Hostile neighbours: whoever knocks at the console, whatever they send or do not send, costs no line, no store and no
//! receiver anything.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::process::Command;
use std::time::Duration;

use wickline_forward::receive::Receiver;

use crate::kit::{Daemon, Folder, binary, configuration, private, run, said, skipped, until};
use crate::prove::root;
use crate::way::runtime;

const BOTH: &str = "[console]\nlisten = \"127.0.0.1:0\"\n[watch]\nlisten = \"127.0.0.1:0\"\n";

/// Where the console is, and where those who watch look.
fn served(ready: &serde_json::Value) -> Vec<String> {
    let of = |name: &str| ready[name].as_str().expect("an address").to_owned();
    ["console", "watch"].map(of).to_vec()
}

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
        let console = BOTH;
        let address = format!("mllp://{}", receiver.address());
        let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", &address, console);
        let config = folder.write("wickline.toml", &text);
        // Far fewer descriptors than there are half-open requests.
        let mut few = Command::new("sh");
        few.args(["-c", "ulimit -n 256; exec \"$0\" \"$@\"", binary()]);
        let mut daemon = Daemon::spawn(few, &config);
        let ready = daemon.wait_for(|e| e["event"] == "ready");
        let both = served(&ready);
        let line = ready["lines"][0]["address"].as_str().expect("an address").to_owned();
        let half = |n: usize| {
            let mut stream = TcpStream::connect(&both[n % 2]).expect("it listens");
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
        both.iter().for_each(|address| until(|| is_answered(address)));
        drop(open);
        assert_eq!(daemon.stop(), 0);
    });
}

/// A name that somebody else made point here is no way in for a page of theirs in a browser of this machine.
#[test]
fn the_console_answers_to_its_address_and_to_no_name_of_somebody_else() {
    let folder = Folder::new("neighbours");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", BOTH);
    let (daemon, ready) = Daemon::start_ready(&folder.write("wickline.toml", &text));
    served(&ready).iter().for_each(|address| answers_to_its_address_alone(address));
    assert_eq!(daemon.stop(), 0);
}

fn answers_to_its_address_alone(console: &str) {
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
}

/// Behind a proxy the console answers it alone, by whatever name it is asked for; those who watch need no proxy.
#[test]
fn behind_a_proxy_nobody_else_comes_in() {
    let folder = Folder::new("proxy");
    let both = BOTH.replace("[watch]", "proxy = \"127.0.0.2\"\n[watch]");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", &both);
    let config = folder.write("wickline.toml", &text);
    let (daemon, ready) = Daemon::start_ready(&config);
    let [console, watch] = served(&ready).try_into().expect("two addresses");
    assert!(is_answered(&watch));
    assert!(!is_answered(&console), "this is another address than the proxy's");
    let request =
        "GET /healthz HTTP/1.1\r\nHost: console.kestrel.example\r\nConnection: close\r\n\r\n";
    let answer = runtime().block_on(async {
        use tokio::io::{AsyncReadExt, AsyncWriteExt};
        let socket = tokio::net::TcpSocket::new_v4().expect("a socket");
        socket.bind("127.0.0.2:0".parse().expect("an address")).expect("bound");
        let mut proxy =
            socket.connect(console.parse().expect("an address")).await.expect("it listens");
        proxy.write_all(request.as_bytes()).await.expect("asked");
        let mut answer = String::new();
        proxy.read_to_string(&mut answer).await.expect("answered");
        answer
    });
    assert!(answer.starts_with("HTTP/1.1 200 "), "{answer}");
    assert!(asked(&watch, request).starts_with("HTTP/1.1 421 "));
    assert!(said(&config).contains("it is not console.proxy"), "{}", said(&config));
    assert_eq!(daemon.stop(), 0);
}

/// What Python's own TLS finds at an address, where our authority is the one to trust: the page, or why not.
fn by_tls(address: &str) -> Option<String> {
    let asks = "import ssl, sys, urllib.request as u\n\
                c = ssl.create_default_context(cafile=sys.argv[1])\n\
                try: print(u.urlopen('https://%s/readyz' % sys.argv[2], context=c, timeout=20).read().decode())\n\
                except OSError as e: print(e)";
    let authority = root("fixtures/forward/tls/authority.pem");
    let done = Command::new("python3").args(["-c", asks]).arg(authority).arg(address).output();
    match done {
        Ok(done) if done.status.success() => {
            Some(String::from_utf8_lossy(&done.stdout).into_owned())
        }
        other => {
            skipped("python3", &format!("another program's TLS is Python's: {other:?}"));
            None
        }
    }
}

/// The console speaks TLS by its own certificate, which is read again at a reload; who says nothing takes no place.
#[test]
fn the_console_s_own_tls() {
    let folder = Folder::new("tls");
    let put = |from: &str| {
        for ending in ["pem", "key"] {
            let text = std::fs::read(root("fixtures/forward/tls").join(format!("{from}.{ending}")));
            let path = folder.0.join(format!("console.{ending}"));
            std::fs::write(&path, text.expect("a fixture")).expect("written");
            private(&path);
        }
    };
    put("elsewhere");
    let files = "certificate = \"console.pem\"\nkey = \"console.key\"\n[watch]";
    let text = configuration(
        "listen:127.0.0.1:0",
        "lis02",
        "ten-pad",
        "dir:out",
        &BOTH.replace("[watch]", files),
    );
    let config = folder.write("wickline.toml", &text);
    let (mut daemon, ready) = Daemon::start_ready(&config);
    let [console, watch] = served(&ready).try_into().expect("two addresses");
    assert!(is_answered(&watch) && !is_answered(&console), "plain is for those who watch alone");
    let Some(refused) = by_tls(&console) else { return };
    assert!(refused.contains("certificate verify failed"), "it is for another name: {refused}");
    put("receiver");
    daemon.hang_up();
    let again = daemon.wait_for(|e| e["event"] == "ready");
    assert_eq!(served(&again), [console.clone(), watch], "the sockets stay");
    assert_eq!(by_tls(&console).as_deref(), Some("ok\n\n"));
    let silent: Vec<TcpStream> =
        (0..64).map(|_| TcpStream::connect(&console).expect("it listens")).collect();
    until(|| by_tls(&console).as_deref() == Some("ok\n\n"));
    drop(silent);
    // A key that is not the certificate's is refused at a reload, and the old goes on.
    std::fs::copy(root("fixtures/forward/tls/elsewhere.key"), folder.0.join("console.key"))
        .expect("copied");
    private(&folder.0.join("console.key"));
    daemon.hang_up();
    daemon.wait_for(|e| e["event"] == "configuration-refused");
    assert!(said(&config).contains("console.key"), "{}", said(&config));
    assert_eq!(by_tls(&console).as_deref(), Some("ok\n\n"));
    assert_eq!(daemon.stop(), 0);
}
