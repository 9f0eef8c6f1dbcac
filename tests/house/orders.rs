//! Orders with the real binary: a source that connects as an information system does, strips that are printed beside
//! it, and a receiver that gets the results.

use std::io::{Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};

use serde_json::Value;
use wickline::simulate::analyzer::{SimulatedAnalyzer, Style};
use wickline::simulate::script::Script;
use wickline_forward::receive::Receiver;

use crate::kit::{Daemon, Folder, PATIENCE, ask, configuration, program, rounds, run, until};
use crate::way::{analyzer, pads, practice, runtime, specimen};

/// A source that every machine of this test may be.
pub const SOURCE: &str = "[[source]]\nid = \"lis\"\nlisten = \"127.0.0.1:0\"\ntests = [\"UADIP=ten-pad\", \"UGLU=GLU\"]\n";

/// What an information system says of one order, by its own hand and clock: OML^O21 of HL7 v2.5.1.
pub struct Order<'a> {
    pub control: &'a str,
    pub number: &'a str,
    pub specimen: &'a str,
    pub patient: &'a str,
    pub made: &'a str,
}

impl Order<'_> {
    pub fn text(&self, id: &str) -> Vec<u8> {
        let Self { control, number, specimen, patient, made } = self;
        format!(
            "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|{made}||OML^O21^OML_O21|{id}|P|2.5.1\r\
             PID|1||{patient}^^^KESTREL^MR||Heron-Invented^Ada||19700101|F\r\
             ORC|{control}|{number}^LIS|||||||{made}\r\
             OBR|1|{number}^LIS||UADIP^Urine strip^99KPL\r\
             SPM|1|{specimen}&LIS||UR^Urine^HL70487\r"
        )
        .into_bytes()
    }
}

pub fn order<'a>(
    control: &'a str,
    number: &'a str,
    specimen: &'a str,
    patient: &'a str,
) -> Order<'a> {
    Order { control, number, specimen, patient, made: "20260314081500+0000" }
}

/// A connection of an information system.
pub struct Sender(pub TcpStream);

impl Sender {
    pub fn to(address: &str) -> Self {
        Self::of(TcpStream::connect(address).expect("it listens"))
    }

    fn of(stream: TcpStream) -> Self {
        stream.set_read_timeout(Some(PATIENCE)).expect("a time");
        Self(stream)
    }

    /// One message, and the block that comes back. None: it was closed without one.
    pub fn say(&mut self, message: &[u8]) -> Option<Vec<u8>> {
        let block = [b"\x0b".as_slice(), message, b"\x1c\r"].concat();
        self.0.write_all(&block).ok()?;
        let (mut answer, mut byte) = (Vec::new(), [0_u8]);
        while !answer.ends_with(b"\x1c\r") {
            match self.0.read(&mut byte) {
                Ok(1) => answer.push(byte[0]),
                _ => return None,
            }
        }
        assert_eq!(answer.first(), Some(&0x0b));
        Some(answer[1..answer.len() - 2].to_vec())
    }
}

/// A field of the first segment of its name, by the bars alone.
pub fn field(message: &[u8], segment: &str, n: usize) -> String {
    let text = String::from_utf8_lossy(message).into_owned();
    let line = text.split('\r').find(|line| line.starts_with(segment)).unwrap_or("").to_owned();
    line.split('|').nth(n).unwrap_or("").to_owned()
}

/// MSA-1 and each ORC-1 of an answer.
pub fn said(answer: &[u8]) -> (String, Vec<String>) {
    let text = String::from_utf8_lossy(answer).into_owned();
    let orders = text.split('\r').filter(|line| line.starts_with("ORC|"));
    let codes = orders.map(|line| line.split('|').nth(1).unwrap_or("").to_owned()).collect();
    (field(answer, "MSA", 1), codes)
}

/// A bench whose strips need an order: analyzer, receiver, source.
pub struct House {
    pub _folder: Folder,
    pub config: PathBuf,
    pub daemon: Daemon,
    pub source: String,
    pub receiver: Receiver,
    bench: SimulatedAnalyzer,
    strips: u64,
}

impl House {
    pub async fn new(name: &str, more: &str) -> House {
        Self::answered(name, more, &["aa"]).await
    }

    /// Whose receiver gives these answers in turn.
    pub async fn answered(name: &str, more: &str, answers: &[&str]) -> House {
        Self::told(name, "patient = \"ordered\"\n", more, answers).await
    }

    /// Whose receiver is told by these keys.
    pub async fn told(name: &str, keys: &str, more: &str, answers: &[&str]) -> House {
        let folder = Folder::new(name);
        let (receiver, port, config) = practice(&folder, answers).await;
        let text = std::fs::read_to_string(&config).expect("a configuration");
        std::fs::write(&config, format!("{text}{keys}{SOURCE}{more}")).expect("written");
        let (daemon, source) = started(&config);
        let bench = analyzer(port, Style::Lis02);
        House { _folder: folder, config, daemon, source, receiver, bench, strips: 0 }
    }

    /// Runs a strip of this specimen; how the report stands.
    pub async fn strip(&mut self, specimen: &str) -> Value {
        self.strips += 1;
        let number = self.strips.to_string();
        let mut script = Script::plain(1, 5, &pads());
        script.run[0].number.clone_from(&number);
        script.run[0].specimen = specimen.to_owned();
        self.bench.run(&script, |_, _| ()).await.expect("the line holds");
        self.daemon.wait_for(|e| e["event"] == "report" && e["number"] == *number)
    }

    pub fn say(&self, order: &Order<'_>, id: &str) -> (String, Vec<String>) {
        let answer = Sender::to(&self.source).say(&order.text(id));
        let answer =
            answer.unwrap_or_else(|| panic!("no answer: {}", crate::kit::said(&self.config)));
        said(&answer)
    }

    pub fn held(&self) -> Vec<(String, String)> {
        let held = ask(&self.config, &["held"]);
        let one = |item: &Value| {
            let reason = item["holds"][0]["reason"].as_str().unwrap_or("").to_owned();
            (item["id"].as_str().unwrap_or("").to_owned(), reason)
        };
        held["items"].as_array().expect("items").iter().map(one).collect()
    }

    pub fn standing(&self, number: &str) -> String {
        let found = ask(&self.config, &["orders", number]);
        found["items"][0]["standing"].as_str().unwrap_or("").to_owned()
    }
}

pub fn started(config: &Path) -> (Daemon, String) {
    let mut daemon = Daemon::spawn(program(), config);
    let up = daemon.wait_for(|e| e["event"] == "source-up");
    let source = up["address"].as_str().expect("an address").to_owned();
    (daemon, source)
}

#[test]
fn an_ordered_strip_goes_and_one_that_nobody_ordered_waits_for_its_order() {
    runtime().block_on(async {
        let mut house = House::new("orders", "").await;
        let first = order("NW", "K1", "KP-20417", "KP700101");
        assert_eq!(house.say(&first, "A1"), ("AA".into(), vec!["OK".into()]));
        assert_eq!(house.standing("K1"), "open");
        let report = house.strip("KP-20417").await;
        assert_eq!(report["state"], "waiting", "{report}");
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(specimen(&message), "KP-20417");
        // Its own number, test and patient come back to who ordered it.
        assert_eq!(field(&message, "ORC", 2), "K1^LIS");
        assert_eq!(field(&message, "OBR", 2), "K1^LIS");
        assert_eq!(field(&message, "OBR", 4), "UADIP^Urine strip^99KPL");
        assert_eq!(field(&message, "PID", 3), "KP700101^^^KESTREL^MR");
        assert_eq!(field(&message, "PID", 5), "Heron-Invented^Ada");
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        assert_eq!(house.standing("K1"), "answered");

        let report = house.strip("KP-20418").await;
        assert_eq!(
            (&report["state"], &report["reason"]),
            (&"held".into(), &"specimen-unknown".into())
        );
        assert_eq!(house.say(&order("NW", "K2", "KP-20418", "KP700102"), "A2").0, "AA");
        let message = house.receiver.next().await.expect("its order came: it goes by itself").body;
        assert_eq!(specimen(&message), "KP-20418");
        assert!(house.held().is_empty());
    });
}

#[test]
fn what_comes_again_byte_by_byte_gets_its_first_answer() {
    runtime().block_on(async {
        let house = House::new("orders-again", "").await;
        let text = order("NW", "K1", "KP-20417", "KP700101").text("A1");
        let mut sender = Sender::to(&house.source);
        let first = sender.say(&text).expect("an answer");
        assert_eq!(sender.say(&text).expect("an answer"), first);
        let House { config, daemon, _folder, .. } = house;
        daemon.kill();
        let (_daemon, source) = started(&config);
        assert_eq!(Sender::to(&source).say(&text).expect("an answer"), first, "after a kill");
        let all = ask(&config, &["orders"]);
        assert_eq!(all["items"].as_array().map(Vec::len), Some(1), "{all}");
    });
}

#[test]
fn a_cancel_bars_the_strip_before_it_and_is_refused_after_it() {
    runtime().block_on(async {
        let mut house = House::new("orders-cancel", "").await;
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        let cancel = order("CA", "K1", "KP-20417", "KP700101");
        assert_eq!(house.say(&cancel, "A2"), ("AA".into(), vec!["CR".into()]));
        let report = house.strip("KP-20417").await;
        assert_eq!(
            (&report["state"], &report["reason"]),
            (&"held".into(), &"order-cancelled".into())
        );
        // A person lets it go without an order.
        let (id, _) = house.held().remove(0);
        let words = ["held", "release", id.as_str(), "--reason", "the ward asked by telephone"];
        assert_eq!(run(&house.config, &words).status.code(), Some(0));
        house.receiver.next().await.expect("it goes");

        house.say(&order("NW", "K2", "KP-20418", "KP700102"), "A3");
        house.strip("KP-20418").await;
        house.receiver.next().await.expect("it goes");
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        let cancel = order("CA", "K2", "KP-20418", "KP700102");
        assert_eq!(house.say(&cancel, "A4"), ("AE".into(), vec!["UC".into()]));
        assert_eq!(house.standing("K2"), "answered");
    });
}

#[test]
fn a_cancel_draws_back_what_nobody_tried_to_send() {
    runtime().block_on(async {
        let mut house = House::new("orders-draw", "").await;
        assert_eq!(run(&house.config, &["queue", "pause", "lis"]).status.code(), Some(0));
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        assert_eq!(house.strip("KP-20417").await["state"], "waiting");
        let cancel = order("CA", "K1", "KP-20417", "KP700101");
        assert_eq!(house.say(&cancel, "A2"), ("AA".into(), vec!["CR".into()]));
        assert_eq!(
            house.held().first().map(|(_, reason)| reason.as_str()),
            Some("order-cancelled")
        );
        assert_eq!(run(&house.config, &["queue", "resume", "lis"]).status.code(), Some(0));
        // What goes next is the next strip's.
        house.say(&order("NW", "K2", "KP-20418", "KP700102"), "A3");
        house.strip("KP-20418").await;
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(specimen(&message), "KP-20418");
    });
}

#[test]
fn a_specimen_of_two_patients_waits_until_a_person_has_settled_whose_it_is() {
    runtime().block_on(async {
        let mut house = House::new("orders-two", "").await;
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        let other = order("NW", "K2", "KP-20417", "KP700102");
        assert_eq!(house.say(&other, "A2"), ("AE".into(), vec!["UA".into()]));
        assert_eq!(house.standing("K1"), "disputed");
        let status = ask(&house.config, &["status"]);
        let all = status["items"].as_array().expect("items");
        let one =
            all.iter().find(|i| i["about"] == "orders" && i["which"] == "orders").expect("told");
        assert_eq!((&one["wrong"], &one["disputed"]), (&true.into(), &1.into()), "{one}");
        assert_eq!(one["todo"], "wickline orders --standing disputed");
        let report = house.strip("KP-20417").await;
        assert_eq!(
            (&report["state"], &report["reason"]),
            (&"held".into(), &"patient-conflict".into())
        );
        let (id, _) = house.held().remove(0);
        let release = ["held", "release", id.as_str(), "--reason", "x"];
        assert_eq!(run(&house.config, &release).status.code(), Some(2), "nobody releases that");
        let settle =
            ["orders", "settle", "K1", "--right", "--reason", "label and wristband compared"];
        let done = run(&house.config, &settle);
        assert_eq!(done.status.code(), Some(0), "{}", String::from_utf8_lossy(&done.stderr));
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(specimen(&message), "KP-20417");
    });
}

#[test]
fn a_changed_name_goes_out_with_what_still_waits() {
    runtime().block_on(async {
        let mut house = House::new("orders-name", "").await;
        assert_eq!(run(&house.config, &["queue", "pause", "lis"]).status.code(), Some(0));
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        assert_eq!(house.strip("KP-20417").await["state"], "waiting");
        let update = "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314082000+0000||ADT^A08^ADT_A01|A2|P|2.5.1\r\
                      EVN||20260314082000\rPID|1||KP700101^^^KESTREL^MR||Heron-Invented^Adela||19700101|F\r\
                      PV1|1|O\r";
        let answer = Sender::to(&house.source).say(update.as_bytes()).expect("an answer");
        assert_eq!(field(&answer, "MSA", 1), "AA");
        assert_eq!(run(&house.config, &["queue", "resume", "lis"]).status.code(), Some(0));
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(field(&message, "PID", 5), "Heron-Invented^Adela");
    });
}

/// A try that found no connection has sent nothing: what waits is still built anew, and can still be taken back.
#[test]
fn a_receiver_that_is_away_was_told_nothing() {
    runtime().block_on(async {
        let mut house = House::new("orders-away", "").await;
        house.receiver.pause().await;
        for (number, specimen, id) in [("K1", "KP-20417", "A1"), ("K2", "KP-20418", "A2")] {
            house.say(&order("NW", number, specimen, "KP700101"), id);
            assert_eq!(house.strip(specimen).await["state"], "waiting");
            // The first of them is tried: nobody is there.
            let on_its_way =
                || ask(&house.config, &["orders", number])["items"][0]["strip"] == "on its way";
            until(|| ask(&house.config, &["queue"])["items"][0]["reason"] == "receiver-away");
            until(on_its_way);
        }
        let answer = Sender::to(&house.source).say(&renamed("Adela")).expect("an answer");
        assert_eq!(field(&answer, "MSA", 1), "AA");
        let answer =
            Sender::to(&house.source).say(&order("CA", "K2", "KP-20418", "KP700101").text("A3"));
        assert_eq!(said(&answer.expect("an answer")), ("AA".into(), vec!["CR".into()]));
        let _ = house.receiver.resume().await;
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(
            (specimen(&message), field(&message, "PID", 5)),
            ("KP-20417".into(), "Heron-Invented^Adela".into())
        );
        until(|| ask(&house.config, &["queue"])["totals"]["waiting"] == 0);
        assert_eq!(house.standing("K2"), "cancelled");
    });
}

/// The patient of K1 under another given name.
fn renamed(given: &str) -> Vec<u8> {
    format!(
        "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314082000+0000||ADT^A08^ADT_A01|A9|P|2.5.1||||||UNICODE UTF-8\r\
         EVN||20260314082000\rPID|1||KP700101^^^KESTREL^MR||Heron-Invented^{given}||19700101|F\rPV1|1|O\r"
    )
    .into_bytes()
}

#[test]
fn a_changed_name_reaches_the_receiver_that_was_not_tried_where_another_has_the_result() {
    runtime().block_on(async {
        let answers = vec!["aa".parse().expect("an answer")];
        let late = std::time::Duration::from_millis(1200);
        let mut ward = Receiver::bind("127.0.0.1:0", answers, late, None).await.expect("a port");
        let more = format!(
            "[[receiver]]\nid = \"ward\"\naddress = \"mllp://{}\"\npatient = \"ordered\"\norders_for = [\"lis\"]\n",
            ward.address()
        );
        let mut house = House::new("orders-name-ward", &more).await;
        assert_eq!(run(&house.config, &["queue", "pause", "ward"]).status.code(), Some(0));
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        assert_eq!(house.strip("KP-20417").await["state"], "waiting");
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(field(&message, "PID", 5), "Heron-Invented^Ada");
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        let answer = Sender::to(&house.source).say(&renamed("Adela")).expect("an answer");
        assert_eq!(field(&answer, "MSA", 1), "AA");
        assert_eq!(run(&house.config, &["queue", "resume", "ward"]).status.code(), Some(0));
        let message = ward.next().await.expect("it goes").body;
        assert_eq!(field(&message, "PID", 5), "Heron-Invented^Adela");
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        let queue = ask(&house.config, &["queue", "--state", "waiting"]);
        assert_eq!(queue["items"].as_array().map(Vec::len), Some(0), "what was told stays: {queue}");
    });
}

#[test]
fn a_changed_name_that_a_receiver_cannot_be_told_waits_for_a_person_and_is_answered() {
    runtime().block_on(async {
        let keys = "patient = \"ordered\"\ncharset = \"8859/1\"\n";
        let mut house = House::told("orders-name-set", keys, "", &["aa"]).await;
        assert_eq!(run(&house.config, &["queue", "pause", "lis"]).status.code(), Some(0));
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        assert_eq!(house.strip("KP-20417").await["state"], "waiting");
        let answer = Sender::to(&house.source).say(&renamed("\u{0410}\u{0434}\u{0430}"));
        assert_eq!(field(&answer.expect("an answer"), "MSA", 1), "AA");
        let queue = ask(&house.config, &["queue", "--state", "refused"]);
        assert_eq!(queue["items"][0]["reason"], "unsayable", "{queue}");
        assert!(!queue.to_string().contains('\u{0410}'), "{queue}");
    });
}

#[test]
fn a_released_result_that_nobody_tried_to_send_goes_with_the_order_that_came_meanwhile() {
    runtime().block_on(async {
        let mut house = House::new("orders-released", "").await;
        assert_eq!(run(&house.config, &["queue", "pause", "lis"]).status.code(), Some(0));
        assert_eq!(house.strip("KP-20417").await["reason"], "specimen-unknown");
        let (id, _) = house.held().remove(0);
        let words = ["held", "release", id.as_str(), "--reason", "the ward asked by telephone"];
        assert_eq!(run(&house.config, &words).status.code(), Some(0));
        let first = order("NW", "K1", "KP-20417", "KP700101");
        assert_eq!(house.say(&first, "A1"), ("AA".into(), vec!["OK".into()]));
        assert_eq!(run(&house.config, &["queue", "resume", "lis"]).status.code(), Some(0));
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!(field(&message, "OBR", 2), "K1^LIS");
        assert_eq!(field(&message, "PID", 5), "Heron-Invented^Ada");
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        assert_eq!(house.standing("K1"), "answered");
    });
}

#[test]
fn a_result_that_went_first_answers_the_order_that_comes_later() {
    runtime().block_on(async {
        let mut house = House::new("orders-later", "[orders]\nwithout_order = \"send\"\n").await;
        assert_eq!(house.strip("KP-20417").await["state"], "waiting");
        let message = house.receiver.next().await.expect("it goes without an order").body;
        assert_eq!(field(&message, "PID", 5), "");
        let first = order("NW", "K1", "KP-20417", "KP700101");
        assert_eq!(house.say(&first, "A1"), ("AA".into(), vec!["OK".into()]));
        assert_eq!(house.standing("K1"), "answered");
        let queue = ask(&house.config, &["queue", "--state", "waiting"]);
        assert_eq!(queue["items"].as_array().map(Vec::len), Some(0), "nothing is sent again");
        // The information system has it without the order's number: a person is told, until it was seen to.
        let told = ask(&house.config, &["ledger", "notices"]).to_string();
        assert!(told.contains("order-late"), "{told}");
        assert_eq!(run(&house.config, &["status"]).status.code(), Some(1));
    });
}

/// What was answered with a yes is there exactly once, whenever the daemon was killed.
#[test]
fn each_order_that_was_accepted_is_kept_once_under_kills() {
    let (count, kills) = (rounds(150, 1000), rounds(5, 10));
    let folder = Folder::new("orders-kills");
    // An address of this process's own: between two starts nobody else can take it.
    let [low, high, ..] = std::process::id().to_le_bytes();
    let address = format!("127.66.{high}.{}:2576", low | 1);
    let source = SOURCE.replace("127.0.0.1:0", &address);
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", &source);
    let config = folder.write("wickline.toml", &text);
    let done = Arc::new(AtomicUsize::new(0));
    let sent = done.clone();
    let (mut daemon, _) = started(&config);
    let sending = std::thread::spawn(move || {
        let mut sender = None;
        for n in 0..count {
            let (number, specimen) = (format!("K{n}"), format!("KP-{n:05}"));
            let text = order("NW", &number, &specimen, "KP700101").text(&format!("A{n}"));
            loop {
                let own = match sender.take() {
                    Some(own) => own,
                    None => match TcpStream::connect(&address) {
                        Ok(stream) => Sender::of(stream),
                        Err(_) => {
                            std::thread::yield_now();
                            continue;
                        }
                    },
                };
                let own = sender.insert(own);
                match own.say(&text) {
                    Some(answer) => {
                        break assert_eq!(said(&answer), ("AA".into(), vec!["OK".into()]));
                    }
                    None => sender = None,
                }
            }
            sent.store(n + 1, Ordering::Relaxed);
        }
    });
    for kill in 1..=kills {
        let at = count * kill / (kills + 1);
        until(|| done.load(Ordering::Relaxed) >= at);
        daemon.kill();
        (daemon, _) = started(&config);
    }
    sending.join().expect("all were sent");
    let all = ask(&config, &["orders", "--limit", "1000"]);
    let mut found: Vec<&str> = all["items"]
        .as_array()
        .expect("items")
        .iter()
        .filter_map(|o| o["order"].as_str())
        .collect();
    found.sort_unstable();
    let mut wanted: Vec<String> = (0..count).map(|n| format!("K{n}")).collect();
    wanted.sort_unstable();
    assert_eq!(found, wanted);
    assert_eq!(daemon.stop(), 0);
}

/// A name that a source sends stands in the ledger and in what is sent, and nowhere else that people or machines read.
#[test]
fn no_name_of_an_order_is_logged_counted_or_bundled() {
    runtime().block_on(async {
        let mut house = House::new("orders-private", "[console]\nlisten = \"127.0.0.1:0\"\n").await;
        for (n, control) in ["NW", "NW", "CA", "XX", "QQ"].into_iter().enumerate() {
            let number = format!("NUMBER-MARK{n}");
            let text =
                order(control, &number, "KP-20417", "KP-PATIENT-MARK").text(&format!("A{n}"));
            let text = String::from_utf8(text).expect("text").replace("Ada", "NAME-MARK");
            Sender::to(&house.source).say(text.as_bytes());
        }
        house.strip("KP-20417").await;
        let bundle = house.config.with_file_name("bundle.txt");
        let words = ["bundle", &*bundle.to_string_lossy()];
        let done = run(&house.config, &words);
        let status = run(&house.config, &["--json", "status"]).stdout;
        let trail = run(&house.config, &["--json", "trail"]).stdout;
        let texts = [
            crate::kit::said(&house.config),
            format!("{:?}", house.daemon.seen),
            String::from_utf8_lossy(&done.stdout).into_owned(),
            std::fs::read_to_string(&bundle).unwrap_or_default(),
            String::from_utf8_lossy(&status).into_owned(),
            String::from_utf8_lossy(&trail).into_owned(),
        ];
        for text in &texts {
            for mark in ["NAME-MARK", "PATIENT-MARK", "NUMBER-MARK"] {
                assert!(!text.contains(mark), "{mark} in {text}");
            }
        }
        assert!(
            texts[3].len() > 100 && texts[4].len() > 100 && texts[5].contains("\"order\""),
            "they say something"
        );
    });
}

#[test]
fn control_material_never_meets_an_order() {
    runtime().block_on(async {
        let mut house = House::new("orders-control", "").await;
        let said = house.say(&order("NW", "K1", "QC-L1", "KP700101"), "A1");
        assert_eq!(said, ("AE".into(), vec!["UA".into()]), "its strip is no patient's");
        let report = house.strip("QC-L1").await;
        assert_eq!(report["class"], "control", "{report}");
        assert_ne!(report["state"], "waiting");
        assert_eq!(house.standing("K1"), "", "nothing of it is kept");
    });
}

#[test]
fn what_is_no_message_ends_the_connection_and_no_line_of_it_is_told() {
    runtime().block_on(async {
        let mut house = House::new("orders-strange", "").await;
        for (bytes, why) in [
            (b"GET / HTTP/1.1\r\n\r\n".as_slice(), "it asks for a page of the web"),
            (b"\x16\x03\x01\x02\x00\x01", "it speaks TLS, and here nothing does"),
            (b"MSH|^~\\&|SECRET-NAME", "it sends messages without their blocks (MLLP)"),
        ] {
            let mut stream = TcpStream::connect(&house.source).expect("it listens");
            stream.write_all(bytes).expect("written");
            let cut = house.daemon.wait_for(|e| e["event"] == "source-cut");
            assert_eq!(cut["why"], *why);
            stream.set_read_timeout(Some(PATIENCE)).expect("a time");
            assert_eq!(stream.read(&mut [0; 8]).unwrap_or(0), 0, "closed without a word");
        }
        assert!(!crate::kit::said(&house.config).contains("SECRET-NAME"));
        // And it goes on.
        assert_eq!(house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1").0, "AA");
    });
}
