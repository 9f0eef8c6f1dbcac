//! A line on which analyzers connect to us: who is heard when several do.

use std::sync::Arc;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::sync::{broadcast, watch};
use wickline_listen::dialect::LinkKind;
use wickline_listen::line::{LineSpec, Listener};
use wickline_listen::printed::PrintRules;

use super::Hearing;
use crate::pipeline::event::{Event, Events};
use crate::pipeline::troubles::Troubles;
use crate::store::rows::daemon_state::Kind;
use crate::store::tape::Tape;

const LINE: &str = "bench-1";

/// A line that is heard, where whoever says nothing counts as gone at once.
struct Heard {
    tape: Tape,
    events: Events,
    told: broadcast::Receiver<Event>,
    address: std::net::SocketAddr,
    stop: watch::Sender<bool>,
    hearing: tokio::task::JoinHandle<()>,
}

impl Heard {
    async fn begin(name: &str, link: LinkKind) -> Self {
        Self::gone_after(name, link, Duration::ZERO).await
    }

    async fn gone_after(name: &str, link: LinkKind, silence: Duration) -> Self {
        let path = crate::testing::scratch(name).join("tape.db");
        let (tape, writer) = Tape::open(&path, 0, None).await.expect("a tape");
        tokio::spawn(writer.run());
        let spec = LineSpec::parse("listen:127.0.0.1:0", 9600, "8N1", "none", &[]).expect("a line");
        let listener = Listener::bind(&spec).await.expect("bound").gone_after(silence);
        let address = listener.local_addr().expect("bound");
        let (events, (stop, stopped)) = (Events::default(), watch::channel(false));
        let told = events.watch();
        let hearing = Hearing {
            analyzer: LINE.into(),
            spec,
            link,
            tape: tape.line(LINE).await.expect("a line"),
            healthy: tape.healthy(),
            events: events.clone(),
            between: Arc::default(),
            stop: stopped,
            listener: Some(listener),
            troubles: Troubles::default(),
            tee: watch::channel(None).1,
        };
        let hearing = tokio::spawn(hearing.run());
        Self { tape, events, told, address, stop, hearing }
    }

    async fn connects(&self) -> TcpStream {
        TcpStream::connect(self.address).await.expect("the kernel takes it")
    }

    /// Waits for an event, however many others come first.
    async fn tells(&mut self, wanted: impl Fn(&Event) -> bool) -> Event {
        loop {
            let event = self.told.recv().await.expect("it goes on");
            if wanted(&event) {
                return event;
            }
        }
    }

    async fn is_up(&mut self) {
        self.tells(|event| matches!(event, Event::LineUp { .. })).await;
    }

    async fn is_taken_over(&mut self) -> bool {
        let event = self.tells(|event| matches!(event, Event::LineTakenOver { .. })).await;
        matches!(event, Event::LineTakenOver { many: true, .. })
    }

    /// Sends bytes, and waits until they are on the tape.
    async fn says(&self, stream: &mut TcpStream, bytes: &[u8]) {
        let mut commits = self.tape.commits("bench-1");
        stream.write_all(bytes).await.expect("sent");
        loop {
            commits.borrow_and_update();
            let entries = self.tape.after(LINE, 0, 1_000).await.expect("entries");
            let heard: Vec<u8> = entries.into_iter().flat_map(|entry| entry.data).collect();
            if heard.ends_with(bytes) {
                return;
            }
            commits.changed().await.expect("the writer lives");
        }
    }
}

async fn within<T>(work: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(60), work).await.expect("nothing may hang")
}

async fn is_closed(stream: &mut TcpStream) -> bool {
    stream.read(&mut [0]).await.map_or(true, |count| count == 0)
}

#[tokio::test]
async fn a_new_connection_is_heard_in_place_of_one_that_is_gone() {
    within(async {
        let rules = PrintRules {
            silence: 3_600_000_000,
            closers: vec![b"END".to_vec()],
            ..PrintRules::default()
        };
        let mut heard = Heard::begin("taken-over", LinkKind::Printed(rules)).await;
        let mut first = heard.connects().await;
        heard.is_up().await;
        heard.says(&mut first, b"GLU NEG\r\n").await;
        let mut early = heard.connects().await;
        assert!(is_closed(&mut early).await, "a report is under way");
        heard.says(&mut first, b"END\r\n").await;
        let mut second = heard.connects().await;
        assert!(!heard.is_taken_over().await);
        assert!(is_closed(&mut first).await);
        heard.says(&mut second, b"PH 6.0\r\nEND\r\n").await;
        let how = |heard: &Heard| {
            let points = heard.events.seen.points();
            let line = points.get(&(Kind::Line, LINE.to_owned())).expect("a line").clone();
            (line.up, line.why.unwrap_or_default())
        };
        let (up, why) = how(&heard);
        assert!(up && why.contains(" took over from "), "{why}");
        // Two that connect whenever they lost the line: told once, until it ends.
        let mut tellings = Vec::new();
        let mut open = vec![second];
        for _ in 0..7 {
            open.push(heard.connects().await);
            tellings.push(heard.is_taken_over().await);
        }
        assert_eq!(tellings, [false, false, false, false, true, false, false]);
        let line = heard.events.seen.line();
        assert_eq!(line, "two devices take line bench-1 from each other");
        heard.stop.send_replace(true);
        heard.tells(|event| matches!(event, Event::LineSettled { .. })).await;
        heard.hearing.await.expect("no panic");
        assert_eq!(heard.events.seen.line(), "hearing and delivering");
    })
    .await;
}

/// On a framed line a session that was opened is under way until it ends.
#[tokio::test]
async fn a_session_is_not_taken_over() {
    within(async {
        let mut heard = Heard::begin("session", LinkKind::Lis01).await;
        let mut first = heard.connects().await;
        heard.is_up().await;
        first.write_all(b"\x05").await.expect("sent");
        let mut answer = [0];
        first.read_exact(&mut answer).await.expect("an answer");
        assert_eq!(answer, [6]);
        let mut early = heard.connects().await;
        assert!(is_closed(&mut early).await, "a session is open");
        heard.says(&mut first, b"\x04").await;
        let mut second = heard.connects().await;
        heard.is_taken_over().await;
        second.write_all(b"\x05").await.expect("sent");
        second.read_exact(&mut answer).await.expect("an answer");
        assert_eq!(answer, [6]);
    })
    .await;
}

/// A byte, a blank or a banner is no report: whoever sends one now and then keeps nobody off the line.
#[tokio::test]
async fn bytes_without_a_report_are_not_under_way() {
    within(async {
        let rules = PrintRules {
            silence: 3_600_000_000,
            openers: vec![b"No.".to_vec()],
            ..PrintRules::default()
        };
        let mut heard = Heard::begin("no-report", LinkKind::Printed(rules)).await;
        let mut first = heard.connects().await;
        heard.is_up().await;
        for bytes in [b" ".as_slice(), b"\r\n", b"x", b"\r\nlogin:\r\n"] {
            heard.says(&mut first, bytes).await;
            let second = heard.connects().await;
            heard.is_taken_over().await;
            first = second;
        }
        // A first line is the beginning of one.
        heard.says(&mut first, b"No. 000417\r\n").await;
        let mut early = heard.connects().await;
        assert!(is_closed(&mut early).await, "a report is under way");
        let refused = heard.tells(|event| matches!(event, Event::LineRefused { .. })).await;
        let Event::LineRefused { from, why, .. } = refused else { unreachable!("it is one") };
        assert!(from == "127.0.0.1" && why.contains("under way"), "{from}: {why}");
        let points = heard.events.seen.points();
        let point = points.get(&(Kind::Refused, LINE.to_owned())).expect("it is seen");
        assert!(!point.up && point.last_at.is_some(), "{point:?}");
        assert_eq!(point.why.as_deref(), Some(format!("127.0.0.1: {why}").as_str()));
    })
    .await;
}

/// Bytes that come all the time are no reports either: the silence that counts is the one between reports.
#[tokio::test]
async fn who_sends_a_byte_again_and_again_is_taken_over() {
    within(async {
        for link in [LinkKind::Printed(PrintRules::default()), LinkKind::Lis01] {
            let silence = Duration::from_millis(500);
            let mut heard = Heard::gone_after("dribble", link, silence).await;
            let mut first = heard.connects().await;
            heard.is_up().await;
            let mut told = heard.events.watch();
            'heard: loop {
                // Whoever is turned away is closed: as long as none is heard the byte comes again.
                let _ = first.write_all(b" ").await;
                let mut next = heard.connects().await;
                let mut byte = [0];
                tokio::select! {
                    biased;
                    event = told.recv() => {
                        if matches!(event.expect("it goes on"), Event::LineTakenOver { .. }) {
                            break 'heard;
                        }
                    }
                    _ = next.read(&mut byte) => {}
                }
            }
        }
    })
    .await;
}

/// A silence beyond the end of time trips a check as soon as something was heard.
#[tokio::test]
async fn what_trips_the_ear_of_a_line_ends_that_connection_alone() {
    within(async {
        let rules = PrintRules { silence: i64::MAX, ..PrintRules::default() };
        let mut heard = Heard::begin("tripped", LinkKind::Printed(rules)).await;
        for bytes in [b"GLU NEG\r\n", b"GLU 2+ \r\n"] {
            let mut stream = heard.connects().await;
            heard.is_up().await;
            heard.says(&mut stream, bytes).await;
            let down = heard.tells(|event| matches!(event, Event::LineDown { .. })).await;
            let Event::LineDown { why, .. } = down else { unreachable!("it is one") };
            assert!(why.contains("a check of this program was tripped"), "{why}");
            assert!(is_closed(&mut stream).await);
        }
        assert_eq!(heard.tape.end(LINE).await.expect("an end").1, 18, "every byte is kept");
        assert!(!heard.hearing.is_finished());
    })
    .await;
}
