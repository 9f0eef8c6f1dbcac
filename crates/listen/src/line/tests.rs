//! Lines on pseudo-terminals and on loopback. Nothing here sleeps: every wait is for a condition,
//! and a test that hangs fails by [`within`].

use std::fs::File;
use std::io::{Read, Write};
use std::os::fd::OwnedFd;
use std::time::Duration;

use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use super::{Caller, Counts, Got, Knock, LineKind, LineSpec, Listener, Port, Trouble};

/// The far end of a serial line, as an analyzer would hold it.
struct FarEnd {
    master: File,
    path: String,
}

impl FarEnd {
    fn new() -> Self {
        let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
        let master: OwnedFd = openpt(flags).expect("a pty");
        grantpt(&master).expect("granted");
        unlockpt(&master).expect("unlocked");
        let name = ptsname(&master, Vec::new()).expect("a name");
        let path = name.into_string().expect("plain text");
        Self { master: File::from(master), path }
    }

    fn spec(&self, framing: &str) -> LineSpec {
        LineSpec::parse(&format!("serial:{}", self.path), 9600, framing, "none", &[])
            .expect("a good line")
    }
}

async fn within<T>(work: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(20), work).await.expect("nothing may hang")
}

/// Reads until so many bytes have come.
async fn read(port: &mut Port, count: usize) -> Vec<u8> {
    let (mut bytes, mut flaws) = (Vec::new(), Vec::new());
    while bytes.len() < count {
        assert_eq!(port.read(&mut bytes, &mut flaws).await.expect("open"), Got::Bytes);
    }
    assert_eq!(flaws, [0; 0]);
    bytes
}

async fn closed(port: &mut Port) -> bool {
    let (mut bytes, mut flaws) = (Vec::new(), Vec::new());
    loop {
        match port.read(&mut bytes, &mut flaws).await {
            Ok(Got::Closed) => return true,
            Ok(Got::Bytes | Got::Break) => {}
            Err(_) => return false,
        }
    }
}

#[tokio::test]
async fn bytes_flow_both_ways_and_ff_comes_through_once() {
    within(async {
        let mut far = FarEnd::new();
        let mut port = Port::open(&far.spec("8N1")).await.expect("opens");
        let sent: Vec<u8> = (0..=255).collect();
        far.master.write_all(&sent).expect("written");
        assert_eq!(read(&mut port, 256).await, sent);
        port.write_all(b"\x06").await.expect("sent");
        let mut answer = [0; 1];
        far.master.read_exact(&mut answer).expect("read");
        assert_eq!(answer, [0x06]);
    })
    .await;
}

#[tokio::test]
async fn damage_is_marked_and_never_dropped() {
    use rustix::termios::{InputModes, tcgetattr};
    within(async {
        let far = FarEnd::new();
        // A pty accepts a parity and has none: never a reason to fail.
        for framing in ["8N1", "7E1", "7O1", "8E1", "8O1"] {
            let _port = Port::open(&far.spec(framing)).await.expect("opens");
            let modes = tcgetattr(&far.master).expect("a terminal").input_modes;
            assert!(modes.contains(InputModes::INPCK | InputModes::PARMRK), "{framing}");
            let bad = InputModes::IGNPAR
                | InputModes::IGNBRK
                | InputModes::BRKINT
                | InputModes::ISTRIP
                | InputModes::ICRNL
                | InputModes::IXON;
            assert!(!modes.intersects(bad), "{framing}: {modes:?}");
        }
    })
    .await;
}

#[tokio::test]
async fn a_read_that_is_dropped_loses_nothing() {
    within(async {
        let mut far = FarEnd::new();
        let mut port = Port::open(&far.spec("8N1")).await.expect("opens");
        let (mut bytes, mut flaws) = (Vec::new(), Vec::new());
        tokio::select! {
            biased;
            _ = port.read(&mut bytes, &mut flaws) => panic!("nothing was sent"),
            () = std::future::ready(()) => {}
        }
        far.master.write_all(b"GLU NEG\r\n").expect("written");
        assert_eq!(read(&mut port, 9).await, b"GLU NEG\r\n");
    })
    .await;
}

#[tokio::test]
async fn a_vanished_device_is_closed_and_its_successor_opens() {
    within(async {
        let far = FarEnd::new();
        let spec = far.spec("8N1");
        let mut port = Port::open(&spec).await.expect("opens");
        drop(far);
        assert!(closed(&mut port).await, "not as an error, and not as silence");
        drop(port);
        let error = Port::open(&spec).await.err().expect("it is gone");
        assert!(error.to_string().contains("is the adapter plugged in?"), "{error}");
        let mut far = FarEnd::new();
        let mut port = Port::open(&far.spec("8N1")).await.expect("opens");
        far.master.write_all(b"back").expect("written");
        assert_eq!(read(&mut port, 4).await, b"back");
    })
    .await;
}

#[tokio::test]
async fn the_same_port_opens_again_and_never_twice_at_once() {
    within(async {
        let mut far = FarEnd::new();
        let port = Port::open(&far.spec("8N1")).await.expect("opens");
        let error = Port::open(&far.spec("8N1")).await.err().expect("one at a time");
        let (error, own) = (error.to_string(), std::process::id());
        assert!(error.contains(&format!("held by {own}, ")), "{error}");
        drop(port);
        let mut port = Port::open(&far.spec("8N1")).await.expect("opens again");
        far.master.write_all(b"again").expect("written");
        assert_eq!(read(&mut port, 5).await, b"again");
    })
    .await;
}

#[tokio::test]
async fn a_full_line_ends_a_write_instead_of_waiting_for_ever() {
    within(async {
        let far = FarEnd::new();
        let mut port = Port::open(&far.spec("8N1")).await.expect("opens");
        // Nobody reads at the far end, and a pty takes some 18 kB.
        tokio::time::pause();
        let error = port.write_all(&vec![0; 1 << 20]).await.expect_err("full");
        assert_eq!(error.kind(), std::io::ErrorKind::TimedOut);
        tokio::time::resume();
        drop(far);
    })
    .await;
}

fn tcp(line: &str, allow: &[&str]) -> LineSpec {
    let allow: Vec<String> = allow.iter().map(ToString::to_string).collect();
    LineSpec::parse(line, 9600, "8N1", "none", &allow).expect("a good line")
}

#[tokio::test]
async fn a_device_server_is_heard_and_its_hang_up_noticed() {
    within(async {
        let server = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("bound");
        let spec = tcp(&format!("tcp:{}", server.local_addr().expect("bound")), &[]);
        let (port, far) = tokio::join!(Port::open(&spec), server.accept());
        let (mut port, (mut far, _)) = (port.expect("connects"), far.expect("accepted"));
        far.write_all(b"\xFFGLU\xFF\0").await.expect("sent");
        assert_eq!(read(&mut port, 6).await, b"\xFFGLU\xFF\0", "raw: nothing is decoded");
        port.write_all(b"\x15").await.expect("sent");
        assert_eq!(far.read_u8().await.expect("an answer"), 0x15);
        drop(far);
        assert!(closed(&mut port).await);
        drop(server);
        let error = Port::open(&spec).await.err().expect("refused");
        assert!(error.to_string().contains("is the device server on"), "{error}");
    })
    .await;
}

/// A listener that counts whoever is silent for so long as gone, and one who is heard.
async fn heard(silence: Duration) -> (Listener, Port, TcpStream) {
    let listener = Listener::bind(&tcp("listen:127.0.0.1:0", &[])).await.expect("bound");
    let mut listener = listener.gone_after(silence);
    let address = listener.local_addr().expect("bound");
    let (port, far) = tokio::join!(listener.accept(), TcpStream::connect(address));
    (listener, port.expect("accepted"), far.expect("connected"))
}

async fn knocks(listener: &mut Listener) -> (TcpStream, Caller) {
    let address = listener.local_addr().expect("bound");
    let far = TcpStream::connect(address).await.expect("the kernel takes it");
    match listener.knock().await {
        Knock::Caller(caller) => (far, caller),
        Knock::Quiet => panic!("nobody took over"),
    }
}

#[tokio::test]
async fn one_analyzer_at_a_time_connects_to_us() {
    within(async {
        let (mut listener, mut port, mut first) = heard(Duration::from_secs(3_600)).await;
        // While the first is heard the second is hung up on.
        let (mut second, caller) = knocks(&mut listener).await;
        assert_eq!(listener.seat(caller, None), None);
        let mut rest = Vec::new();
        let end = second.read_to_end(&mut rest).await;
        assert!(end.is_err() || rest.is_empty());
        first.write_all(b"GLU").await.expect("sent");
        assert_eq!(read(&mut port, 3).await, b"GLU");
        drop(first);
        assert!(closed(&mut port).await);
        drop(port);
        let address = listener.local_addr().expect("bound");
        let (port, _third) = tokio::join!(listener.accept(), TcpStream::connect(address));
        port.expect("the next one is welcome");
    })
    .await;
}

/// A device server that lost its power never hangs up: its next connection is not turned away for that.
#[tokio::test]
async fn one_that_is_gone_is_taken_over_from_unless_it_is_in_the_middle_of_a_report() {
    within(async {
        let (mut listener, port, mut first) = heard(Duration::ZERO).await;
        let (mut second, caller) = knocks(&mut listener).await;
        assert_eq!(listener.seat(caller, Some(Duration::ZERO)), None, "a report is under way");
        assert!(second.read(&mut [0]).await.is_ok_and(|n| n == 0) || second.peer_addr().is_err());
        let (mut third, caller) = knocks(&mut listener).await;
        let taken = listener.seat(caller, None).expect("it takes over");
        assert_eq!(taken.from, first.local_addr().ok());
        assert_eq!((Some(taken.by), taken.many), (third.local_addr().ok(), false));
        drop(port);
        let mut port = listener.accept().await.expect("without waiting for another");
        third.write_all(b"GLU").await.expect("sent");
        assert_eq!(read(&mut port, 3).await, b"GLU");
        assert!(first.read(&mut [0]).await.map_or(true, |n| n == 0), "the old one is closed");
    })
    .await;
}

#[tokio::test]
async fn two_devices_that_take_a_line_from_each_other_are_told() {
    within(async {
        let (mut listener, mut port, mut far) = heard(Duration::ZERO).await;
        for nth in 1..=7 {
            let (next, caller) = knocks(&mut listener).await;
            let taken = listener.seat(caller, None).expect("it takes over");
            assert_eq!((taken.many, taken.told), (nth == 6, nth > 6), "takeover {nth}");
            (port, far) = (listener.accept().await.expect("heard"), next);
        }
        // Quiet for long enough, it is over: while one is heard, and while none is.
        let mut silent = listener;
        silent.takeovers.window = 0;
        assert!(matches!(silent.knock().await, Knock::Quiet));
        drop((port, far));
        let (mut listener, mut port, _far) = heard(Duration::ZERO).await;
        let mut all = Vec::new();
        for _ in 0..6 {
            let (next, caller) = knocks(&mut listener).await;
            listener.seat(caller, None).expect("it takes over");
            all.push(next);
            port = listener.accept().await.expect("heard");
        }
        drop(port);
        listener.takeovers.window = 0;
        assert!(listener.next().await.expect("no error").is_none());
        let address = listener.local_addr().expect("bound");
        let (port, _last) = tokio::join!(listener.next(), TcpStream::connect(address));
        assert!(port.expect("no error").is_some(), "told once");
    })
    .await;
}

/// Half of a connection that stands open is noticed, whether we wait or have something on the way.
#[tokio::test]
async fn the_kernel_asks_after_a_far_end_that_says_nothing() {
    use rustix::net::sockopt;
    within(async {
        let (_listener, accepted, _far) = heard(Duration::ZERO).await;
        let server = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("bound");
        let spec = tcp(&format!("tcp:{}", server.local_addr().expect("bound")), &[]);
        let connected = Port::open(&spec).await.expect("connects");
        for port in [accepted, connected] {
            let super::Way::Tcp(stream) = &port.way else { panic!("a TCP line") };
            assert!(sockopt::socket_keepalive(stream).expect("an option"));
            let idle = sockopt::tcp_keepidle(stream).expect("an option");
            let every = sockopt::tcp_keepintvl(stream).expect("an option");
            let count = sockopt::tcp_keepcnt(stream).expect("an option");
            assert!(idle + every * count <= Duration::from_secs(60), "{idle:?} {every:?} {count}");
            let untaken = sockopt::tcp_user_timeout(stream).expect("an option");
            assert!((1..=60_000).contains(&untaken), "{untaken}");
        }
    })
    .await;
}

#[tokio::test]
async fn a_stranger_is_turned_away() {
    within(async {
        let spec = tcp("listen:127.0.0.1:0", &["127.0.0.2"]);
        let mut listener = Listener::bind(&spec).await.expect("bound");
        let address = listener.local_addr().expect("bound");
        let mut stranger = TcpStream::connect(address).await.expect("the kernel takes it");
        let mut rest = Vec::new();
        tokio::select! {
            _ = listener.accept() => panic!("a stranger was let in"),
            end = stranger.read_to_end(&mut rest) => assert!(end.is_err() || rest.is_empty()),
        }
        let socket = tokio::net::TcpSocket::new_v4().expect("a socket");
        socket.bind("127.0.0.2:0".parse().expect("an address")).expect("bound");
        let (port, _far) = tokio::join!(listener.accept(), socket.connect(address));
        port.expect("the analyzer is let in");
    })
    .await;
}

#[test]
fn lines_are_read_as_configured_or_refused_with_what_is_allowed() {
    let parse = |line: &str, speed, framing: &str, flow: &str, allow: &[&str]| {
        let allow: Vec<String> = allow.iter().map(ToString::to_string).collect();
        LineSpec::parse(line, speed, framing, flow, &allow)
    };
    let good = parse("serial:/dev/ttyS0", 9600, "7E1", "rts-cts", &[]).expect("good");
    assert_eq!(good.kind, LineKind::Serial { path: "/dev/ttyS0".into() });
    assert_eq!(good.to_string(), "serial:/dev/ttyS0 9600 7E1");
    assert_eq!(tcp("tcp:[::1]:4001", &[]).to_string(), "tcp:[::1]:4001");
    assert_eq!(tcp("listen:[::1]:4001", &[]).to_string(), "listen:[::1]:4001");
    for (line, speed, framing, flow, allow, wanted) in [
        ("/dev/ttyS0", 9600, "8N1", "none", vec![], "serial:PATH"),
        ("serial:", 9600, "8N1", "none", vec![], "serial:PATH"),
        ("tcp:host", 9600, "8N1", "none", vec![], "tcp:HOST:PORT"),
        ("tcp:host:0", 9600, "8N1", "none", vec![], "tcp:HOST:PORT"),
        ("serial:/dev/x", 9601, "8N1", "none", vec![], "found 9601"),
        ("serial:/dev/x", 9600, "9N1", "none", vec![], "8N1, 7E1"),
        ("serial:/dev/x", 9600, "8N1", "dtr", vec![], "none, rts-cts, xon-xoff"),
        ("listen:0.0.0.0:4002", 9600, "8N1", "none", vec![], "`allow`"),
        ("listen:0.0.0.0:4002", 9600, "8N1", "none", vec!["bench"], "found \"bench\""),
        ("listen:bench:4002", 9600, "8N1", "none", vec![], "numeric address"),
    ] {
        let error = parse(line, speed, framing, flow, &allow).expect_err(line);
        assert!(error.contains(wanted), "{line}: {error}");
    }
}

#[test]
fn modem_lines_are_set_where_there_are_any_and_nobody_else_moves_them() {
    let line = |line: &str, flow: &str, dtr: &str, rts: &str| {
        let allow = ["192.0.2.31".to_owned()];
        LineSpec::parse(line, 9600, "8N1", flow, &allow).expect(line).with_modem(dtr, rts)
    };
    for (kind, flow, dtr, rts, wrong) in [
        ("serial:/dev/ttyS0", "none", "leave", "leave", None),
        ("serial:/dev/ttyS0", "none", "on", "off", None),
        ("rfc2217:server:4001", "xon-xoff", "off", "on", None),
        ("serial:/dev/ttyS0", "rts-cts", "off", "leave", None),
        ("serial:/dev/ttyS0", "rts-cts", "leave", "on", Some(("rts", "flow = \"rts-cts\""))),
        ("rfc2217:server:4001", "rts-cts", "on", "off", Some(("rts", "flow = \"rts-cts\""))),
        ("serial:/dev/ttyS0", "none", "high", "leave", Some(("dtr", "found \"high\""))),
        ("tcp:server:4001", "none", "on", "leave", Some(("dtr", "only serial: and rfc2217:"))),
        ("listen:0.0.0.0:4002", "none", "leave", "off", Some(("rts", "only serial: and rfc2217:"))),
        ("tcp:server:4001", "none", "leave", "leave", None),
    ] {
        match (line(kind, flow, dtr, rts), wrong) {
            (Ok(_), None) => {}
            (Err((key, text)), Some((wanted, words))) => {
                assert!(key == wanted && text.contains(words), "{kind} {dtr} {rts}: {key} {text}");
            }
            (found, wanted) => panic!("{kind} {flow} {dtr} {rts}: {found:?}, not {wanted:?}"),
        }
    }
}

/// A pty has no modem lines: a line is not heard in other settings than it was given.
#[tokio::test]
async fn a_port_without_modem_lines_says_which_key_to_leave() {
    within(async {
        let far = FarEnd::new();
        for (dtr, rts, wanted) in
            [("on", "leave", "dtr = \"leave\""), ("leave", "off", "rts = \"leave\"")]
        {
            let spec = far.spec("8N1").with_modem(dtr, rts).expect("settings");
            let error = Port::open(&spec).await.err().expect("it has none").to_string();
            assert!(error.contains(wanted) && error.contains(&far.path), "{error}");
        }
        Port::open(&far.spec("8N1")).await.expect("nothing of it is left behind");
    })
    .await;
}

/// A stable name that appears later, leads nowhere for a while, and leads elsewhere after that.
#[tokio::test]
async fn the_name_counts_and_not_where_it_led_before() {
    within(async {
        let folder = std::env::temp_dir().join(format!("wickline-name-{}", std::process::id()));
        std::fs::create_dir_all(&folder).expect("a folder");
        let name = folder.join("by-path");
        let line = format!("serial:{}", name.display());
        let spec = LineSpec::parse(&line, 9600, "8N1", "none", &[]).expect("a line");
        for said in [b"one", b"two"] {
            let error = Port::open(&spec).await.err().expect("no such name").to_string();
            assert!(error.contains("is the adapter plugged in?"), "{error}");
            std::os::unix::fs::symlink(folder.join("gone"), &name).expect("a link");
            let error = Port::open(&spec).await.err().expect("it leads nowhere").to_string();
            assert!(error.contains("is the adapter plugged in?"), "{error}");
            std::fs::remove_file(&name).expect("it is ours");
            let mut far = FarEnd::new();
            std::os::unix::fs::symlink(&far.path, &name).expect("a link");
            let mut port = Port::open(&spec).await.expect("it opens");
            far.master.write_all(said).expect("written");
            assert_eq!(read(&mut port, 3).await, said);
            std::fs::remove_file(&name).expect("it is ours");
            drop(far);
            assert!(closed(&mut port).await);
        }
        std::fs::remove_dir_all(folder).expect("it is ours");
    })
    .await;
}

/// What the driver marks is counted: a pty has no damage, so the marks are put in as the driver would.
#[tokio::test]
async fn breaks_and_damaged_bytes_are_counted_of_a_port_and_not_of_a_connection() {
    within(async {
        let far = FarEnd::new();
        let port = Port::open(&far.spec("8N1")).await.expect("opens");
        assert_eq!(port.troubles(), Some(Counts::default()));
        let server = tokio::net::TcpListener::bind("127.0.0.1:0").await.expect("bound");
        let spec = tcp(&format!("tcp:{}", server.local_addr().expect("bound")), &[]);
        let port = Port::open(&spec).await.expect("connects");
        assert_eq!(port.troubles(), None, "it does not tell");
    })
    .await;
    let mut counts = Counts::default();
    super::serial::tally(b"a\0b\0", &[1, 2], &mut counts);
    assert_eq!((counts.of(Trouble::Break), counts.of(Trouble::Damage)), (1, 1));
}

#[tokio::test]
async fn what_is_no_port_says_so() {
    within(async {
        let spec = LineSpec::parse("serial:/dev/null", 9600, "8N1", "none", &[]).expect("a line");
        let error = Port::open(&spec).await.err().expect("no terminal");
        assert!(error.to_string().contains("/dev/null"), "{error}");
        assert!(Port::open(&tcp("listen:127.0.0.1:0", &[])).await.is_err());
        assert!(Listener::bind(&tcp("tcp:127.0.0.1:1", &[])).await.is_err());
    })
    .await;
}
