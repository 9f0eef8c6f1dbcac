//! What the daemon asks about a specimen that nobody ordered, with an information system of the test's own hand.

use std::io::{Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::sync::mpsc::{Receiver, Sender, channel};
use std::time::Duration;

use crate::kit::{Daemon, Folder, PATIENCE, binary, configuration, program};
use crate::orders::{self, House, field, order};
use crate::reload::free;
use crate::setup::Bench;
use crate::way::{runtime, specimen};

/// An information system that is asked: every question it gets, and one answer code for all.
struct Asked {
    address: String,
    questions: Receiver<String>,
}

impl Asked {
    fn new(code: &'static str) -> Self {
        let socket = TcpListener::bind("127.0.0.1:0").expect("a port");
        let address = socket.local_addr().expect("it has one").to_string();
        let (told, questions) = channel();
        std::thread::spawn(move || {
            for stream in socket.incoming().flatten() {
                let told = told.clone();
                std::thread::spawn(move || answers(stream, code, &told));
            }
        });
        Self { address, questions }
    }

    fn next(&self) -> String {
        self.questions.recv_timeout(PATIENCE).expect("it is asked")
    }

    fn keys(&self) -> String {
        format!(
            "ask = \"work\"\nprofile = \"law\"\nversions = [\"2.5.1\"]\n[[receiver]]\nid = \"work\"\n\
             address = \"mllp://{}\"\npatients = false\nack_timeout = 1\nretry_first = 1\nretry_max = 1\n",
            self.address
        )
    }
}

/// RSP^K11 as vector 21 of the fixtures has it, with the names of the question.
fn answers(mut stream: impl Read + Write, code: &str, told: &Sender<String>) {
    let (mut block, mut byte) = (Vec::new(), [0_u8]);
    while matches!(stream.read(&mut byte), Ok(1)) {
        block.push(byte[0]);
        if !block.ends_with(b"\x1c\r") {
            continue;
        }
        let text = String::from_utf8_lossy(&block).trim_matches(['\x0b', '\x1c', '\r']).to_owned();
        let id = field(text.as_bytes(), "MSH", 9);
        let query = text.split('\r').find(|line| line.starts_with("QPD")).unwrap_or("").to_owned();
        let answer = format!(
            "\x0bMSH|^~\\&|LIS|KESTREL|||20260314092000+0000||RSP^K11^RSP_K11|R{id}|P|2.5.1\r\
             MSA|{code}|{id}\rQAK|{id}|OK|WOS^Work Order Step^IHELAW\r{query}\r\x1c\r"
        );
        let _ = stream.write_all(answer.as_bytes());
        let _ = told.send(text);
        block.clear();
    }
}

/// The work of a specimen as IHE's analyzer profile brings it: OML^O33, of a patient.
fn work(specimen: &str, id: &str) -> Vec<u8> {
    format!(
        "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314092001+0000||OML^O33^OML_O33|{id}|P|2.5.1|||NE|AL|||||\
         LAB-28^IHE\rPID|||KP700101^^^KESTREL^MR||Heron-Invented^Ada||19700101|F\r\
         SPM|1|{specimen}&LIS||UR^Urine^HL70487|||||||P^Patient^IHELAW\r\
         ORC|NW|A-{specimen}^LIS|||||||20260314092001+0000\rOBR||A-{specimen}^LIS||UADIP^Urine strip^99KPL\r"
    )
    .into_bytes()
}

/// The same without any: vector 22.
fn no_work(specimen: &str, id: &str) -> Vec<u8> {
    format!(
        "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314092001+0000||OML^O33^OML_O33|{id}|P|2.5.1|||NE|AL|||||\
         LAB-28^IHE\rSPM|1|{specimen}&LIS||UR^Urine^HL70487|||||||U^Unknown^IHELAW\r\
         SAC|||{specimen}^LIS\rORC|DC||||||||20260314092001+0000\r"
    )
    .into_bytes()
}

#[test]
fn a_specimen_that_nobody_ordered_is_asked_about_once_and_goes_when_its_order_comes() {
    runtime().block_on(async {
        let lis = Asked::new("AA");
        let mut house = House::new("asks", &lis.keys()).await;
        let report = house.strip("KP-20425").await;
        assert_eq!(report["reason"], "specimen-unknown", "{report}");
        let question = lis.next();
        assert_eq!(field(question.as_bytes(), "MSH", 8), "QBP^Q11^QBP_Q11");
        assert_eq!(field(question.as_bytes(), "QPD", 1), "WOS^Work Order Step^IHELAW");
        assert_eq!(field(question.as_bytes(), "QPD", 3), "KP-20425");
        let id = field(question.as_bytes(), "MSH", 9);
        assert_eq!(field(question.as_bytes(), "QPD", 2), id);
        house.daemon.wait_for(|e| e["event"] == "asked" && e["said"] == "heard");
        let answer = orders::Sender::to(&house.source).say(&work("KP-20425", "W1"));
        assert_eq!(field(&answer.expect("an answer"), "MSA", 1), "AA");
        let message = house.receiver.next().await.expect("it goes by itself").body;
        assert_eq!(specimen(&message), "KP-20425");
        assert_eq!(field(&message, "ORC", 2), "A-KP-20425^LIS");
        // What was ordered is not asked about, and what was asked about is not asked again.
        house.strip("KP-20426").await;
        assert_eq!(field(lis.next().as_bytes(), "QPD", 3), "KP-20426");
        house.daemon.wait_for(|e| e["event"] == "asked");
        assert!(lis.questions.recv_timeout(Duration::from_millis(2500)).is_err(), "asked again");
    });
}

#[test]
fn no_work_is_believed_of_a_specimen_that_was_asked_about_and_of_no_other() {
    runtime().block_on(async {
        let lis = Asked::new("AA");
        let mut house = House::new("asks-no-work", &lis.keys()).await;
        house.strip("KP-20425").await;
        lis.next();
        house.daemon.wait_for(|e| e["event"] == "asked");
        let mut sender = orders::Sender::to(&house.source);
        let answer = sender.say(&no_work("KP-20425", "W1")).expect("an answer");
        assert_eq!(field(&answer, "MSA", 1), "AA");
        let answer = sender.say(&no_work("KP-29999", "W2")).expect("an answer");
        assert_ne!(field(&answer, "MSA", 1), "AA", "nobody asked about that");
        let found = crate::kit::run(&house.config, &["find", "KP-20425"]).stdout;
        let found = String::from_utf8_lossy(&found).into_owned();
        assert!(found.contains("it has no work for this specimen"), "{found}");
        assert_eq!(house.held().len(), 1, "a person decides");
    });
}

/// Whoever is asked may be away, slow or confused: lines are heard, results go, and the question is asked again.
#[test]
fn a_question_is_never_in_the_way() {
    runtime().block_on(async {
        let keys = Asked::new("AA").keys().replace("mllp://127.0.0.1:", "mllp://127.0.0.2:");
        let mut house = House::new("asks-away", &keys).await;
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        house.strip("KP-20425").await;
        house.daemon.wait_for(|e| e["event"] == "asked" && e["said"] == "no-answer");
        house.strip("KP-20417").await;
        let message = house.receiver.next().await.expect("a result goes beside it").body;
        assert_eq!(specimen(&message), "KP-20417");
        // It hears at last: without a restart, and without a second strip.
        let lis = Asked::new("AE");
        let text = std::fs::read_to_string(&house.config).expect("a configuration");
        let (before, after) = text.split_once("mllp://127.0.0.2:").expect("it stands there");
        let port_ends = after.find('"').expect("a quote");
        let text = format!("{before}mllp://{}{}", lis.address, &after[port_ends..]);
        std::fs::write(&house.config, text).expect("written");
        house.daemon.hang_up();
        assert_eq!(field(lis.next().as_bytes(), "QPD", 3), "KP-20425");
        house.daemon.wait_for(|e| e["event"] == "asked" && e["said"] == "refused");
        assert!(lis.questions.recv_timeout(Duration::from_millis(2500)).is_err(), "asked again");
    });
}

/// Beside a strip without an id stand the specimens that wait; whose the entered id is, is compared with the label.
#[test]
fn the_specimens_that_wait_stand_beside_a_blank_id() {
    runtime().block_on(async {
        let mut house = House::new("asks-blank", "").await;
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        house.say(&order("NW", "K2", "KP-20418", "KP700102"), "A2");
        house.strip("KP-20418").await;
        house.receiver.next().await.expect("it goes");
        house.strip("").await;
        let id = house.held()[0].0.clone();
        let words = ["held", "identify", &id];
        let mut person = Bench::at(&house.config, &words);
        person.says("wait for a strip");
        person.says("KP-20417         Heron-Invented, Ada, born 19700101");
        person.answer("specimen id: ", "KP-20417").await;
        person.answer("specimen id again: ", "KP-20417").await;
        person.says("KP-20417 is ordered for Heron-Invented, Ada, born 19700101");
        person.answer("(yes/no): ", "no").await;
        let (code, _, said) = person.ends();
        assert_eq!(code, Some(2), "{said}");
        assert!(!said.contains("KP-20418"), "what has its strip does not wait: {said}");
        assert_eq!(house.held().len(), 1, "nothing was changed");
        let mut person = Bench::at(&house.config, &words);
        person.answer("specimen id: ", "KP-20417").await;
        person.answer("specimen id again: ", "KP-20417").await;
        person.answer("(yes/no): ", "yes").await;
        assert_eq!(person.ends().0, Some(0));
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(specimen(&message), "KP-20417");
        let trail = crate::kit::run(&house.config, &["--json", "trail"]).stdout;
        let trail = String::from_utf8_lossy(&trail).into_owned();
        assert!(trail.contains("\"look\"") && !trail.contains("Heron"), "{trail}");
    });
}

/// The practice system orders what a file says, the practice analyzer runs it, and what comes back is as ordered.
#[test]
fn a_file_of_orders_is_ordered_run_and_compared() {
    let folder = Folder::new("practice-orders");
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../..");
    let orders = root.join("config/example-orders.toml").display().to_string();
    let [lis, source, line] = &free(3)[..] else { panic!("three ports") };
    let plain =
        configuration(&format!("listen:{line}"), "lis02", "ten-pad", &format!("mllp://{lis}"), "");
    let source_keys = format!(
        "patient = \"ordered\"\n[[source]]\nid = \"lis\"\nlisten = \"{source}\"\n\
                               tests = [\"UADIP=ten-pad\"]\n"
    );
    let config = folder.write("wickline.toml", &format!("{plain}{source_keys}"));
    let mut daemon = Daemon::spawn(program(), &config);
    daemon.wait_for(|e| e["event"] == "source-up");
    let words = ["receive", "--listen", lis, "--orders", &orders, "--source", source];
    let practice = std::process::Command::new(binary())
        .args(words)
        .args(["--count", "2"])
        .stdout(std::process::Stdio::piped())
        .spawn()
        .expect("it starts");
    for _ in 0..2 {
        daemon.wait_for(|e| e["event"] == "orders" && e["taken"] == 1);
    }
    let run = std::process::Command::new(binary())
        .args(["simulate", "--connect", line, "--orders", &orders, "--every", "0", "--settle", "0"])
        .output()
        .expect("it ends");
    assert!(run.status.success(), "{run:?}");
    let done = practice.wait_with_output().expect("it ends");
    let text = String::from_utf8_lossy(&done.stdout).into_owned();
    assert!(done.status.success(), "{text}");
    for said in ["NW K884417: AA OK", "answers K884417, as ordered", "answers K884418, as ordered"]
    {
        assert!(text.contains(said), "{said} is not in {text}");
    }
}
