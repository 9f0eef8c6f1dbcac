//! An analyzer that asks on its line which orders there are: told, answered where its dialect says so, and never in the
//! way of a result. The analyzer is this test's own: it counts its sums and speaks its frames by itself.

use std::path::{Path, PathBuf};

use serde_json::Value;
use wickline::simulate::port::SimPort;
use wickline::simulate::script::Script;
use wickline_forward::receive::Receiver;

use crate::cable::transmission;
use crate::kit::{Daemon, Folder, PATIENCE, ask, configuration, program, run, said};
use crate::orders::{SOURCE, Sender, order};
use crate::several::Server;
use crate::way::{pads, practice, runtime, specimen};

const ENQ: u8 = 5;
const ACK: u8 = 6;
const EOT: u8 = 4;
const NAK: u8 = 21;

/// A dialect whose questions are answered.
const ANSWERS: &str = "name = \"asks\"\nrecords = \"lis02\"\n\n[query]\nanswer = true\n";

/// An analyzer's end of a line.
pub struct Analyzer {
    port: SimPort,
    heard: Vec<u8>,
    /// All that was ever heard.
    all: Vec<u8>,
}

impl Analyzer {
    pub fn on(port: SimPort) -> Self {
        Self { port, heard: Vec::new(), all: Vec::new() }
    }

    async fn hear(&mut self) -> u8 {
        while self.heard.is_empty() {
            let mut more = Vec::new();
            let read = self.port.read(&mut more);
            let read = tokio::time::timeout(PATIENCE, read).await.expect("somebody speaks");
            match read {
                Ok(()) => {}
                // The daemon is not there yet.
                Err(error) if error.kind() == std::io::ErrorKind::NotConnected => {
                    tokio::task::yield_now().await;
                }
                Err(error) => panic!("{error}"),
            }
            self.all.extend(&more);
            self.heard.extend(more);
        }
        self.heard.remove(0)
    }

    async fn write(&mut self, bytes: &[u8]) {
        self.port.write_all(bytes).await.expect("the line takes it");
    }

    /// One session, each frame with its yes.
    pub async fn says(&mut self, frames: &[Vec<u8>]) {
        self.write(&[ENQ]).await;
        assert_eq!(self.hear().await, ACK);
        self.goes_on(frames).await;
    }

    async fn goes_on(&mut self, frames: &[Vec<u8>]) {
        for frame in frames {
            self.write(frame).await;
            assert_eq!(self.hear().await, ACK);
        }
        self.write(&[EOT]).await;
    }

    async fn asks(&mut self, ids: &str) {
        self.says(&question(ids)).await;
    }

    /// The records of one session that the other side opens.
    async fn is_told(&mut self) -> Vec<String> {
        assert_eq!(self.hear().await, ENQ);
        self.write(&[ACK]).await;
        let (mut records, mut number) = (Vec::new(), 1);
        loop {
            let (mut frame, first) = (Vec::new(), self.hear().await);
            if first == EOT {
                return records;
            }
            assert_eq!(first, 2, "STX");
            while !frame.ends_with(b"\r\n") {
                frame.push(self.hear().await);
            }
            let text = &frame[..frame.len() - 4];
            let sum = text.iter().fold(0_u8, |sum, byte| sum.wrapping_add(*byte));
            assert_eq!(frame[frame.len() - 4..], *format!("{sum:02X}\r\n").as_bytes());
            assert_eq!((text[0], text.last()), (b'0' + number, Some(&3)), "{frame:?}");
            let record = String::from_utf8(text[1..text.len() - 1].to_vec()).expect("ASCII");
            records.push(record.strip_suffix('\r').expect("a record ends in CR").to_owned());
            number = (number + 1) % 8;
            self.write(&[ACK]).await;
        }
    }
}

/// Frames by the letter of the standard.
pub fn frames(records: &[String]) -> Vec<Vec<u8>> {
    let frame = |(n, record): (usize, &String)| {
        let text = format!("{}{record}\r\x03", (n + 1) % 8);
        let sum = text.bytes().fold(0_u8, u8::wrapping_add);
        format!("\x02{text}{sum:02X}\r\n").into_bytes()
    };
    records.iter().enumerate().map(frame).collect()
}

fn question(ids: &str) -> Vec<Vec<u8>> {
    frames(&[
        "H|\\^&|||BENCH-1|||||WICKLINE||P|LIS2-A2|20260314090000".to_owned(),
        format!("Q|1|{ids}||ALL||||||||O"),
        "L|1|N".to_owned(),
    ])
}

/// A strip of this specimen, as the analyzer sends it.
pub fn strip(number: usize, of: &str) -> Vec<Vec<u8>> {
    let mut script = Script::plain(1, 5, &pads());
    script.run[0].number = number.to_string();
    script.run[0].specimen = of.to_owned();
    transmission(&script)
}

/// A bench with an analyzer that may ask.
struct House {
    folder: Folder,
    config: PathBuf,
    receiver: Receiver,
    analyzer: Analyzer,
    got: Vec<String>,
}

impl House {
    async fn new(name: &str, dialect: Option<&str>, more: &str) -> Self {
        let folder = Folder::new(name);
        let (receiver, port, config) = practice(&folder, &["aa"]).await;
        let mut text = std::fs::read_to_string(&config).expect("a configuration");
        if let Some(dialect) = dialect {
            folder.write("asks.toml", dialect);
            text = text.replace("dialect = \"lis02\"", "dialect = \"asks.toml\"");
        }
        std::fs::write(&config, format!("{text}{more}")).expect("written");
        Self { folder, config, receiver, analyzer: Analyzer::on(port), got: Vec::new() }
    }

    /// The next result. One whose acceptance was not yet in the ledger may come again before it.
    async fn gets(&mut self, of: &str) {
        loop {
            let message = tokio::time::timeout(PATIENCE, self.receiver.next()).await;
            let specimen = specimen(&message.expect("in time").expect("a message").body);
            if specimen == of {
                return self.got.push(specimen);
            }
            assert!(self.got.contains(&specimen), "{specimen}");
        }
    }
}

fn asked(daemon: &mut Daemon) -> Value {
    daemon.wait_for(|e| e["event"] == "line-asked")
}

fn questions(config: &Path) -> Vec<String> {
    let day = ask(config, &["day"]);
    let all = day["questions"].as_array().cloned().unwrap_or_default();
    all.iter().map(|one| one.as_str().expect("a sentence").to_owned()).collect()
}

#[test]
fn a_question_is_told_and_by_itself_never_answered() {
    runtime().block_on(async {
        let mut house = House::new("asks-told", None, "").await;
        let mut daemon = Daemon::start(&house.config);
        house.analyzer.asks("^KP-20417\\^KP-<b>20418").await;
        let told = asked(&mut daemon);
        assert_eq!((&told["asked"], &told["specimens"]), (&"specimens".into(), &2.into()));
        assert_eq!(told["outcome"], "off", "{told}");
        house.analyzer.says(&strip(1, "KP-20417")).await;
        house.gets("KP-20417").await;
        assert!(house.analyzer.all.iter().all(|byte| *byte == ACK), "nothing but its yes");
        let day = "bench-1 asked once for the orders of 2 specimens: nothing was answered, as its dialect has no \
                   `query.answer = true`";
        assert_eq!(questions(&house.config), [day]);
        let followed = run(&house.config, &["explain", "--follow", "--all", "--count", "1"]);
        let followed = String::from_utf8(followed.stdout).expect("a text");
        let first = followed.lines().next().unwrap_or_default();
        assert!(first.starts_with("bench-1 asks for the orders of 2 specimens;"), "{followed}");
        let page = house.folder.0.join("day.html");
        run(&house.config, &["day", "--html", &page.to_string_lossy()]);
        let page = std::fs::read_to_string(page).expect("a page");
        assert!(page.contains("asked once for the orders of 2 specimens") && !page.contains("<b>2"));
        assert!(!said(&house.config).contains("KP-"), "no id in what is told to people");
    });
}

#[test]
fn without_orders_it_is_answered_that_there_are_none() {
    runtime().block_on(async {
        let mut house = House::new("asks-none", Some(ANSWERS), "").await;
        let mut daemon = Daemon::start(&house.config);
        house.analyzer.asks("^KP-20417").await;
        let answer = house.analyzer.is_told().await;
        assert_eq!(answer.len(), 2, "{answer:?}");
        assert!(answer[0].starts_with("H|\\^&|||WICKLINE|||||BENCH-1||P|LIS2-A2|"), "{answer:?}");
        assert_eq!(answer[1], "L|1|I");
        daemon.wait_for(|e| e["event"] == "line-answered" && e["outcome"] == "delivered");
        house.analyzer.asks("ALL").await;
        assert_eq!(house.analyzer.is_told().await[1], "L|1|Q", "a list of all is not given");
        daemon.wait_for(|e| e["event"] == "line-answered" && e["outcome"] == "delivered");
        house.analyzer.says(&strip(1, "KP-20417")).await;
        house.gets("KP-20417").await;
        // What was asked is not asked again by a tape that is read again.
        daemon.kill();
        let mut daemon = Daemon::start(&house.config);
        house.analyzer.says(&strip(2, "KP-20418")).await;
        daemon.wait_for(|e| e["event"] == "report" && e["number"] == "2");
        house.gets("KP-20418").await;
        assert!(house.analyzer.heard.is_empty(), "{:?}", house.analyzer.heard);
        let [all, one] = &questions(&house.config)[..] else { panic!("two kinds of questions") };
        assert!(all.starts_with("bench-1 asked once for all orders: answered"), "{all}");
        assert!(one.ends_with("1 specimen: answered that there is none to be told"), "{one}");
    });
}

#[test]
fn an_analyzer_is_told_its_orders_and_its_results_go_first() {
    runtime().block_on(async {
        let orders = format!("patient = \"ordered\"\n{SOURCE}");
        let mut house = House::new("asks-orders", Some(ANSWERS), &orders).await;
        let mut daemon = Daemon::spawn(program(), &house.config);
        let up = daemon.wait_for(|e| e["event"] == "source-up");
        let source = up["address"].as_str().expect("an address").to_owned();
        let mut sender = Sender::to(&source);
        for (n, (key, specimen, patient)) in [
            ("K1", "KP-20417", "KP700101"),
            ("K2", "KP-20418", "KP700102"),
            ("K3", "KP-20419", "KP700103"),
            ("K4", "KP-20419", "KP700104"),
            ("K5", "QC-L1", "KP700105"),
        ]
        .into_iter()
        .enumerate()
        {
            let message = order("NW", key, specimen, patient).text(&format!("A{n}"));
            sender.say(&message).expect("an answer");
        }
        // Known, claimed for two patients, control material, and nobody's; the longest way round.
        house.analyzer.asks("^KP-20417\\^KP-20419\\^QC-L1\\^KP-20499\\^KP&F&20417").await;
        // Both ask at once: the analyzer goes first, and it is its next enquiry that is answered.
        assert_eq!(house.analyzer.hear().await, ENQ);
        house.analyzer.write(&[ENQ]).await;
        house.analyzer.says(&strip(1, "KP-20418")).await;
        house.gets("KP-20418").await;
        let answer = house.analyzer.is_told().await;
        assert_eq!(
            answer[1..],
            ["P|1", "O|1|KP-20417||^^^ten-pad|R||||||N||||UR||||||||||Q", "L|1|F"]
        );
        let told = asked(&mut daemon);
        assert_eq!((&told["specimens"], &told["orders"]), (&5.into(), &1.into()), "{told}");
        let all = String::from_utf8_lossy(&house.analyzer.all).into_owned();
        assert!(!all.contains("Heron") && !all.contains("KP7001"), "never a patient: {all}");
        house.analyzer.says(&strip(2, "KP-20417")).await;
        house.gets("KP-20417").await;
        let answered = "bench-1 asked once for the orders of 5 specimens: answered with 1 order";
        assert_eq!(questions(&house.config), [answered]);
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn an_answer_that_cannot_be_given_is_told_and_keeps_nothing_back() {
    runtime().block_on(async {
        let mut house = House::new("asks-late", Some(ANSWERS), "").await;
        let text = std::fs::read_to_string(&house.config).expect("a configuration");
        let line = text.lines().find(|line| line.starts_with("line = ")).expect("a line");
        let text = text.replace(line, "line = \"listen:127.0.0.1:0\"");
        std::fs::write(&house.config, text).expect("written");
        let mut daemon = Daemon::start(&house.config);
        let address = daemon.lines[0].clone();
        let mut analyzer = Analyzer::on(SimPort::connect(&address).await.expect("it listens"));
        analyzer.asks("^KP-20417").await;
        assert_eq!(analyzer.hear().await, ENQ);
        drop(analyzer);
        let told = daemon.wait_for(|e| e["event"] == "line-answered");
        assert_eq!(
            (&told["outcome"], &told["why"]),
            (&"dropped".into(), &"the line was closed".into())
        );
        let mut analyzer = Analyzer::on(SimPort::connect(&address).await.expect("it listens"));
        analyzer.says(&strip(1, "KP-20417")).await;
        house.gets("KP-20417").await;
        let sentence = "1 specimen: NOT ANSWERED: the line was closed";
        assert!(questions(&house.config)[0].ends_with(sentence), "{:?}", questions(&house.config));
    });
}

#[test]
fn hostile_questions_cost_nothing_and_lose_nothing() {
    runtime().block_on(async {
        let mut house = House::new("asks-hostile", Some(ANSWERS), "").await;
        let mut daemon = Daemon::start(&house.config);
        // A frame as long as one may be, full of questions, as senders do that put a message into one frame.
        let many = "Q|1|^KP-<script>1\r".repeat(3_400);
        let records = [format!("H|\\^&|||BENCH-1\r{many}L|1|N")];
        house.analyzer.says(&frames(&records)).await;
        assert_eq!(asked(&mut daemon)["asked"], "unclear");
        assert_eq!(house.analyzer.is_told().await[1], "L|1|Q");
        // A sum that is wrong is refused, and comes again.
        house.analyzer.write(&[ENQ]).await;
        assert_eq!(house.analyzer.hear().await, ACK);
        let whole = question("^KP-<script>alert(1)</script>&F&");
        let mut spoiled = whole[0].clone();
        spoiled[3] ^= 1;
        house.analyzer.write(&spoiled).await;
        assert_eq!(house.analyzer.hear().await, NAK);
        house.analyzer.goes_on(&whole).await;
        assert_eq!(house.analyzer.is_told().await[1], "L|1|I");
        // A header that could steer what reads it is not repeated.
        let header = "H|\\^&|||B\u{1b}[2J|||||&X0D&L||P".to_owned();
        let odd = frames(&[header, "Q|1|^KP-1".to_owned(), "L|1|N".to_owned()]);
        house.analyzer.says(&odd).await;
        let answer = house.analyzer.is_told().await;
        assert!(answer[0].starts_with("H|\\^&|||WICKLINE|||||||P|"), "{answer:?}");
        house.analyzer.says(&strip(1, "KP-20417")).await;
        house.gets("KP-20417").await;
        let page = house.folder.0.join("day.html");
        run(&house.config, &["day", "--html", &page.to_string_lossy()]);
        let page = std::fs::read_to_string(page).expect("a page");
        assert!(page.contains("asked once what cannot be read") && !page.contains("script>1"));
    });
}

/// That there is no order would be a lie: nobody could look.
#[test]
fn while_the_ledger_is_away_nothing_is_answered_and_everything_is_heard() {
    let Some(server) = Server::start("asks") else { return };
    runtime().block_on(async {
        let mut house = House::new("asks-away", Some(ANSWERS), "").await;
        let text = std::fs::read_to_string(&house.config).expect("a configuration");
        std::fs::write(&house.config, text.replace("sqlite:ledger.db", &server.url))
            .expect("written");
        let mut daemon = Daemon::start(&house.config);
        house.analyzer.says(&strip(1, "KP-20416")).await;
        house.gets("KP-20416").await;
        server.halt();
        house.analyzer.asks("^KP-20417").await;
        house.analyzer.says(&strip(2, "KP-20417")).await;
        assert!(house.analyzer.all.iter().all(|byte| *byte == ACK), "nothing but its yes");
        server.resume();
        // It is answered if that did not take too long, and told however long it took.
        let outcome = asked(&mut daemon)["outcome"].clone();
        if outcome == "waiting" {
            assert_eq!(house.analyzer.is_told().await[1], "L|1|I");
        } else {
            assert_eq!(outcome, "late");
        }
        house.gets("KP-20417").await;
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn explain_says_what_is_asked() {
    let folder = Folder::new("asks-explain");
    let capture = folder.0.join("asks.cap");
    let frames = question("^KP-20417\\^KP-20418").concat();
    std::fs::write(&capture, [&[ENQ][..], &frames, &[EOT]].concat()).expect("written");
    folder.write("asks.toml", ANSWERS);
    let dialect = folder.0.join("asks.toml");
    for (dialect, end) in [
        ("lis02", "nothing is answered, as the dialect has no `query.answer = true`"),
        (&*dialect.to_string_lossy(), "the daemon answers it"),
    ] {
        let explain = |json: &[&str]| {
            let words = ["explain", &capture.to_string_lossy(), "--dialect", dialect];
            let output = program().args(json).args(words).output().expect("it runs");
            assert_eq!(output.status.code(), Some(0), "{output:?}");
            String::from_utf8(output.stdout).expect("a text")
        };
        let wanted = format!("analyzer asks for the orders of 2 specimens; {end}");
        assert_eq!(explain(&[]).trim_end(), wanted);
        let told: Value = serde_json::from_str(&explain(&["--json"])).expect("a document");
        assert_eq!(told["questions"][0], wanted);
    }
}

#[test]
fn a_dialect_that_begins_to_answer_is_obeyed_while_the_line_stays_open() {
    runtime().block_on(async {
        let silent = ANSWERS.replace("answer = true", "answer = false");
        let mut house = House::new("asks-reload", Some(&silent), "").await;
        let mut daemon = Daemon::start(&house.config);
        house.analyzer.asks("^KP-20417").await;
        assert_eq!(asked(&mut daemon)["outcome"], "off");
        house.folder.write("asks.toml", ANSWERS);
        daemon.hang_up();
        daemon.wait_for(|e| e["event"] == "ready");
        house.analyzer.asks("^KP-20417").await;
        assert_eq!(house.analyzer.is_told().await[1], "L|1|I");
        daemon.wait_for(|e| e["event"] == "line-answered" && e["outcome"] == "delivered");
        let lines = daemon.seen.iter().filter(|e| e["event"] == "line-down");
        assert_eq!(lines.count(), 0, "the line stayed open");
    });
}

#[test]
fn a_dialect_that_answers_is_checked_and_proved_as_the_one_that_is_built_in() {
    let folder = Folder::new("asks-proved");
    folder.write("asks.toml", ANSWERS);
    let told = |dialect: &str| {
        let text = configuration("tcp:127.0.0.1:1", dialect, "ten-pad", "dir:.", "");
        let config = folder.write("wickline.toml", &text);
        let check = ask(&config, &["check", "--offline"])["items"].clone();
        let check: Vec<Value> = check.as_array().expect("findings").clone();
        let check: Vec<Value> =
            check.into_iter().filter(|one| one["about"] == "analyzer bench-1").collect();
        let proof = run(&config, &["prove"]);
        let proof = String::from_utf8(proof.stdout).expect("a text");
        let (proof, _) = proof.split_once("fingerprint").expect("it ends in its fingerprint");
        (check, proof.to_owned())
    };
    assert_eq!(told("asks.toml"), told("lis02"));
}
