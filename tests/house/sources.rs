//! What a source of orders meets when not all is well: nothing can be kept, too many wait, strips do not come, and
//! what is known of patients is forgotten.

use std::path::Path;

use sqlx::{ConnectOptions, Connection, Executor};
use wickline::simulate::analyzer::Style;
use wickline::simulate::script::Script;
use wickline_forward::receive::Receiver;

use crate::kit::{Folder, ask, private, skipped, until};
use crate::orders::{House, Order, SOURCE, Sender, field, order, started};
use crate::prove::root;
use crate::several::{Server, bench};
use crate::way::{analyzer, pads, pty, runtime, specimen};

/// Somebody else writes in the ledger and does not end.
async fn engaged(house: &House) -> sqlx::sqlite::SqliteConnection {
    let path = house.config.with_file_name("ledger.db");
    let options = sqlx::sqlite::SqliteConnectOptions::new().filename(path);
    let mut other = options.connect().await.expect("it is there");
    other.execute("BEGIN IMMEDIATE").await.expect("nobody else writes");
    other
}

/// By what the laboratory wants: no answer, so that it comes again, or a no that blames nothing on what was sent.
#[test]
fn what_cannot_be_kept_is_never_answered_with_yes() {
    runtime().block_on(async {
        for (keys, rejects) in [("", false), ("store_down = \"reject\"\n", true)] {
            let house = House::new(&format!("source-store-{rejects}"), keys).await;
            let message = order("NW", "K1", "KP-20417", "KP700101").text("A1");
            let other = engaged(&house).await;
            let source = house.source.clone();
            let sent = message.clone();
            let answer = tokio::task::spawn_blocking(move || Sender::to(&source).say(&sent));
            match (answer.await.expect("it ends"), rejects) {
                (None, false) => {}
                (Some(answer), true) => {
                    assert_eq!(field(&answer, "MSA", 1), "AR");
                    assert!(field(&answer, "ERR", 3).starts_with("207^"), "{answer:?}");
                }
                (other, _) => panic!("{other:?}"),
            }
            other.close().await.expect("it lets go");
            let answer = Sender::to(&house.source).say(&message).expect("an answer");
            assert_eq!(field(&answer, "MSA", 1), "AA", "the same bytes again are taken");
            assert_eq!(house.standing("K1"), "open");
        }
    });
}

#[test]
fn a_source_with_too_many_open_orders_is_turned_away_until_some_are_done() {
    runtime().block_on(async {
        let mut house = House::new("source-full", "max_open = 2\n").await;
        for (number, specimen) in [("K1", "KP-20417"), ("K2", "KP-20418")] {
            assert_eq!(house.say(&order("NW", number, specimen, "KP700101"), number).0, "AA");
        }
        let third = order("NW", "K3", "KP-20419", "KP700101").text("K3");
        assert_eq!(Sender::to(&house.source).say(&third), None, "it is to send that again");
        let cut = house.daemon.wait_for(|e| e["event"] == "source-cut");
        assert!(cut["why"].as_str().is_some_and(|why| why.starts_with("too many")), "{cut}");
        house.strip("KP-20417").await;
        house.receiver.next().await.expect("it goes");
        until(|| Sender::to(&house.source).say(&third).is_some());
        assert_eq!(house.standing("K3"), "open");
    });
}

/// Collected so long ago that its strip does not come any more: it stands on the sheet of the day on which that was
/// seen, and a strip that comes after all waits for a person.
#[test]
fn an_order_whose_strip_does_not_come_expires_and_stands_on_the_day_sheet() {
    runtime().block_on(async {
        let mut house = House::new("source-expires", "[orders]\nexpire_hours = 1\n").await;
        let text = order("NW", "K1", "KP-20417", "KP700101").text("A1");
        let text = String::from_utf8(text).expect("text");
        // SPM-17: its hour is over in a moment.
        let clock = wickline::clock::SiteClock::new("UTC").expect("a zone");
        let collected = clock.moment(wickline::clock::now_us() - 3_597_000_000).digits();
        let old = text.replace("^HL70487\r", &format!("^HL70487|||||||||||||{collected}\r"));
        assert_ne!(old, text);
        let answer = Sender::to(&house.source).say(old.as_bytes()).expect("an answer");
        assert_eq!(field(&answer, "MSA", 1), "AA");
        until(|| house.standing("K1") == "expired");
        let sheet = ask(&house.config, &["day"]);
        assert_eq!(sheet["unheard"][0]["order"], "K1", "{sheet}");
        assert_eq!(sheet["unheard"][0]["specimens"][0], "KP-20417");
        let shown = crate::kit::run(&house.config, &["day"]).stdout;
        let shown = String::from_utf8_lossy(&shown).into_owned();
        assert!(shown.contains("order K1 of lis for KP-20417"), "{shown}");
        let page = house.config.with_file_name("day.html");
        let words = ["day", "--html", &*page.to_string_lossy()];
        assert!(crate::kit::run(&house.config, &words).status.success());
        let page = std::fs::read_to_string(page).expect("a page");
        assert!(page.contains("Ordered, and never heard") && page.contains("order K1 of lis"));
        let report = house.strip("KP-20417").await;
        assert_eq!(report["reason"], "order-expired", "{report}");
    });
}

#[test]
fn what_is_known_of_a_patient_is_forgotten_when_the_laboratory_wants_that() {
    runtime().block_on(async {
        let mut house = House::new("source-forgets", "[orders]\npatient_days = 0\n").await;
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        house.say(&order("NW", "K2", "KP-20418", "KP700101"), "A2");
        house.strip("KP-20417").await;
        house.receiver.next().await.expect("it goes");
        let name = |number: &str| {
            let found = ask(&house.config, &["orders", "show", number]);
            found["items"][0]["patient"]["name"].as_str().unwrap_or("").to_owned()
        };
        until(|| name("K1").is_empty());
        assert_eq!(name("K2"), "Heron-Invented^Ada", "it waits for its strip");
        assert_eq!(house.standing("K1"), "answered");
    });
}

/// Every byte that the daemon keeps beside its configuration, its log and what a receiver's folder got.
fn kept(config: &Path) -> Vec<(String, Vec<u8>)> {
    let folder = config.parent().expect("a folder");
    let files = std::fs::read_dir(folder).expect("a folder").filter_map(Result::ok);
    let read = |file: std::fs::DirEntry| {
        let name = file.file_name().to_string_lossy().into_owned();
        Some((name, std::fs::read(file.path()).ok()?))
    };
    files.filter_map(read).filter(|(name, _)| name != "wickline.toml").collect()
}

fn bears(files: &[(String, Vec<u8>)], mark: &str) -> Option<String> {
    let has = |bytes: &[u8]| bytes.windows(mark.len()).any(|part| part == mark.as_bytes());
    files.iter().find(|(_, bytes)| has(bytes)).map(|(name, _)| format!("{mark} in {name}"))
}

/// Of patients their ids alone: whatever happens to their orders, nothing else is in any file.
#[test]
fn where_the_laboratory_wants_no_names_stored_none_is() {
    runtime().block_on(async {
        let more = "[orders]\npatient_store = \"no\"\n";
        let mut house = House::told("source-nameless", "", more, &["aa"]).await;
        let marked = |control: &str, number: &str, specimen: &str, patient: &str, id: &str| {
            let text = order(control, number, specimen, patient).text(id);
            let text = String::from_utf8(text).expect("text");
            text.replace("Ada", "NAME-MARK").replace("19700101", "19010203").into_bytes()
        };
        let mut sender = Sender::to(&house.source);
        let first = marked("NW", "K1", "KP-20417", "KP700101", "A1");
        let mut codes = Vec::new();
        for message in [
            first.clone(),
            first,
            marked("NW", "K2", "KP-20418", "KP700101", "A2"),
            marked("CA", "K2", "KP-20418", "KP700101", "A3"),
            marked("NW", "K3", "KP-20417", "KP700109", "A4"),
            marked("QQ", "K4", "KP-20419", "KP700101", "A5"),
            "MSH|^~\\&|LIS|KESTREL|WICKLINE|KESTRELPOINT|20260314082000+0000||ADT^A08^ADT_A01|A6|P|2.5.1\r\
             EVN||20260314082000\rPID|1||KP700101^^^KESTREL^MR||Heron-Invented^NAME-MARK||19010203|F\rPV1|1|O\r"
                .as_bytes()
                .to_vec(),
        ] {
            let answer = sender.say(&message).expect("an answer");
            assert_eq!(bears(&[("an answer".into(), answer.clone())], "NAME-MARK"), None);
            codes.push(field(&answer, "MSA", 1));
        }
        // Two patients are told apart by their ids as ever.
        assert_eq!(codes, ["AA", "AA", "AA", "AA", "AE", "AE", "AA"]);
        assert_eq!(house.standing("K1"), "disputed");
        assert_eq!(house.strip("KP-20417").await["reason"], "patient-conflict");
        let settle = ["orders", "settle", "K1", "--right", "--reason", "label and wristband compared"];
        assert_eq!(crate::kit::run(&house.config, &settle).status.code(), Some(0));
        let message = house.receiver.next().await.expect("it goes").body;
        assert_eq!((field(&message, "OBR", 2), field(&message, "PID", 5)), ("K1^LIS".into(), String::new()));
        let files = kept(&house.config);
        assert!(bears(&files, "KP700101").is_some(), "the files that are looked at hold orders");
        for mark in ["NAME-MARK", "19010203"] {
            assert_eq!(bears(&files, mark), None);
        }
    });
}

/// What was stored before the laboratory decided so is erased when the daemon next looks.
#[test]
fn names_that_are_stored_are_erased_once_the_laboratory_wants_none() {
    runtime().block_on(async {
        let mut house = House::told("source-nameless-now", "", "[orders]\n", &["aa"]).await;
        house.say(&order("NW", "K1", "KP-20417", "KP700101"), "A1");
        let shown = |house: &House| {
            let found = ask(&house.config, &["orders", "show", "K1"]);
            found["items"][0]["patient"]["name"].as_str().unwrap_or("").to_owned()
        };
        assert_eq!(shown(&house), "Heron-Invented^Ada");
        let text = std::fs::read_to_string(&house.config).expect("a configuration");
        let text = text.replace("[orders]\n", "[orders]\npatient_store = \"no\"\n");
        std::fs::write(&house.config, text).expect("written");
        house.daemon.hang_up();
        house.daemon.wait_for(|e| e["event"] == "ready");
        until(|| shown(&house).is_empty());
        assert_eq!(house.standing("K1"), "open", "it waits for its strip as before");
        // Nor is it left in the log beside the ledger, while the daemon runs.
        until(|| bears(&kept(&house.config), "Heron-Invented").is_none());
        let House { config, daemon, _folder, .. } = house;
        assert_eq!(daemon.stop(), 0);
        assert_eq!(bears(&kept(&config), "Heron-Invented"), None);
    });
}

/// A certificate by the laboratory's authority decides who a source is, beside its address: by Python's own TLS.
#[test]
fn a_source_shows_a_certificate_where_one_is_asked_for() {
    runtime().block_on(async {
        let files = root("fixtures/forward/tls");
        let path = |name: &str| files.join(name).display().to_string();
        let folder = Folder::new("source-certificates");
        let key = folder.0.join("receiver.key");
        std::fs::copy(files.join("receiver.key"), &key).expect("copied");
        private(&key);
        let keys = format!(
            "certificate = \"{}\"\nkey = \"{}\"\nca = \"{}\"\n",
            path("receiver.pem"),
            key.display(),
            path("authority.pem")
        );
        let mut house = House::new("source-mutual", &keys).await;
        let message = folder.0.join("order.hl7");
        std::fs::write(&message, order("NW", "K1", "KP-20417", "KP700101").text("A1")).expect("written");
        let asks = "import ssl, sys, socket\n\
                    ca, host, port, text, own, key = (sys.argv[1:] + ['', ''])[:6]\n\
                    c = ssl.create_default_context(cafile=ca)\n\
                    if own: c.load_cert_chain(own, key)\n\
                    try:\n \
                     s = c.wrap_socket(socket.create_connection((host, int(port)), 20), server_hostname=host)\n \
                     s.sendall(b'\\x0b' + open(text, 'rb').read() + b'\\x1c\\r')\n \
                     print(s.recv(9999))\n\
                    except OSError as e: print('no:', e)";
        let (host, port) = house.source.split_once(':').expect("an address");
        let say = |own: &[String]| {
            let mut python = std::process::Command::new("python3");
            python.args(["-c", asks, &path("authority.pem"), host, port]).arg(&message).args(own);
            let done = python.output().ok().filter(|done| done.status.success());
            done.map(|done| String::from_utf8_lossy(&done.stdout).into_owned())
        };
        let Some(without) = say(&[]) else { return skipped("python3", "another program's TLS is Python's") };
        assert!(!without.contains("MSA|"), "{without}");
        let cut = house.daemon.wait_for(|e| e["event"] == "source-cut");
        assert!(cut["why"].as_str().is_some_and(|why| why.contains("shows no certificate")), "{cut}");
        let strange = say(&[path("expired.pem"), path("expired.key")]).expect("python");
        assert!(!strange.contains("MSA|"), "{strange}");
        let cut = house.daemon.wait_for(|e| e["event"] == "source-cut");
        assert!(cut["why"].as_str().is_some_and(|why| why.contains("its certificate")), "{cut}");
        assert_eq!(house.standing("K1"), "", "nothing was taken");
        until(|| {
            let status = ask(&house.config, &["status"]).to_string();
            status.contains("turned away since") && status.contains("last 127.0.0.1")
        });
        let own = say(&[path("sender.pem"), path("sender.key")]).expect("python");
        assert!(own.contains("MSA|AA|A1"), "{own}");
        assert_eq!(house.standing("K1"), "open");
    });
}

#[test]
fn who_is_turned_away_by_address_stands_in_status_with_how_often() {
    runtime().block_on(async {
        let house = House::new("source-address", "allow = [\"127.0.0.2\"]\n").await;
        let text = order("NW", "K1", "KP-20417", "KP700101").text("A1");
        let says = |what: &str| {
            let status = ask(&house.config, &["status"]);
            let all = status["items"].as_array().expect("items").clone();
            let own = all.into_iter().find(|i| i["about"] == "orders" && i["which"] == "lis");
            own.expect("the source").to_string().contains(what)
        };
        assert_eq!(Sender::to(&house.source).say(&text), None);
        until(|| says("1 time(s), last 127.0.0.1: its address is not in `allow`"));
        for _ in 0..2 {
            assert_eq!(Sender::to(&house.source).say(&text), None);
        }
        // What comes within ten seconds is told together.
        until(|| says("3 time(s), last 127.0.0.1"));
        assert_eq!(house.standing("K1"), "", "nothing was taken");
    });
}

/// Whoever takes the port for something else is no source, and its people see that it came.
#[test]
fn who_sends_what_is_no_message_stands_in_status_with_what_it_looked_like() {
    runtime().block_on(async {
        let house = House::new("source-strange", "").await;
        let mut stream = std::net::TcpStream::connect(&house.source).expect("connected");
        std::io::Write::write_all(&mut stream, b"GET / HTTP/1.1\r\n\r\n").expect("sent");
        until(|| {
            let status = ask(&house.config, &["status"]).to_string();
            status.contains("1 time(s), last 127.0.0.1: it asks for a page of the web")
        });
    });
}

/// What nothing here can put right is told until somebody has seen to it, and bears no number or name.
#[test]
fn what_a_source_closed_too_late_or_numbered_twice_is_told_until_it_is_lifted() {
    runtime().block_on(async {
        let mut house = House::new("source-told", "").await;
        let first = order("NW", "K1", "KP-20417", "KP700101");
        assert_eq!(house.say(&first, "A1").0, "AA");
        let other = Order { specimen: "KP-29999", patient: "KP700102", ..first };
        assert_eq!(house.say(&other, "A2").1, ["UA"], "the number is taken");
        house.strip("KP-20417").await;
        house.receiver.next().await.expect("it goes");
        house.daemon.wait_for(|e| e["event"] == "delivery" && e["state"] == "accepted");
        // OC: the source itself has cancelled it, and only tells that.
        house.say(&order("OC", "K1", "KP-20417", "KP700101"), "A3");
        let told = ask(&house.config, &["ledger", "notices"]).to_string();
        assert!(told.contains("for another patient under the number of"), "{told}");
        assert!(told.contains("whose result was out already"), "{told}");
        let status = ask(&house.config, &["status"]).to_string();
        assert!(status.contains("ledger notices"), "{status}");
        assert!(!told.contains("K1") && !told.contains("KP-"), "{told}");
    });
}

/// Two benches of one laboratory: an order is the laboratory's, whichever of them it came to.
#[test]
fn orders_are_the_laboratory_s_whichever_bench_took_them_in() {
    let Some(server) = Server::start("sources") else { return };
    let folder = Folder::new("sources-shared");
    runtime().block_on(async {
        let answers = vec!["aa".parse().expect("an answer")];
        let late = std::time::Duration::ZERO;
        let receiver = Receiver::bind("127.0.0.1:0", answers, late, None).await;
        let mut receiver = receiver.expect("a port");
        let ((port_a, line_a), (port_b, line_b)) = (pty(), pty());
        let [a, b] = [("bench-a", &line_a), ("bench-b", &line_b)]
            .map(|(name, line)| bench(&folder, name, line, &server.url, &receiver, SOURCE));
        let ((mut first, source_a), (mut second, source_b)) = (started(&a), started(&b));
        let script = |specimen: &str, number: &str| {
            let mut script = Script::plain(1, 5, &pads());
            specimen.clone_into(&mut script.run[0].specimen);
            number.clone_into(&mut script.run[0].number);
            script
        };
        // The source reconnects to the other one and sends the same bytes: it gets the answer that was kept.
        let text = order("NW", "K1", "KP-20417", "KP700101").text("A1");
        let answer = Sender::to(&source_a).say(&text).expect("an answer");
        assert_eq!(field(&answer, "MSA", 1), "AA");
        assert_eq!(Sender::to(&source_b).say(&text).as_ref(), Some(&answer));
        let mut bench_b = analyzer(port_b, Style::Lis02);
        bench_b.run(&script("KP-20417", "1"), |_, _| ()).await.expect("the line holds");
        let message = receiver.next().await.expect("it goes").body;
        assert_eq!(field(&message, "ORC", 2), "K1^LIS");
        // One that is held at a bench goes by an order that came to the other.
        let mut bench_a = analyzer(port_a, Style::Lis02);
        bench_a.run(&script("KP-20418", "1"), |_, _| ()).await.expect("the line holds");
        first.wait_for(|e| e["event"] == "report" && e["reason"] == "specimen-unknown");
        let text = order("NW", "K2", "KP-20418", "KP700102").text("A2");
        Sender::to(&source_b).say(&text).expect("an answer");
        let message = receiver.next().await.expect("it goes").body;
        assert_eq!(
            (specimen(&message), field(&message, "ORC", 2)),
            ("KP-20418".into(), "K2^LIS".into())
        );
        // While the server is away nothing is answered with yes, and what is sent again then is taken once.
        server.halt();
        let text = order("NW", "K3", "KP-20419", "KP700103").text("A3");
        let source = source_a.clone();
        let sent = text.clone();
        let said = tokio::task::spawn_blocking(move || Sender::to(&source).say(&sent)).await;
        assert_eq!(said.expect("it ends"), None);
        server.resume();
        let yes = || Sender::to(&source_a).say(&text).is_some_and(|a| field(&a, "MSA", 1) == "AA");
        until(yes);
        until(yes);
        let found = ask(&a, &["orders", "K3"]);
        assert_eq!(found["items"].as_array().map(Vec::len), Some(1), "{found}");
        assert!(first.gone().is_none() && second.gone().is_none(), "both go on");
    });
}
