//! Badges, sessions that end, the wall, and the names by which browsers may ask.

use std::path::PathBuf;

use wickline::simulate::analyzer::Style;
use wickline_forward::receive::Receiver;

use crate::faults::preload;
use crate::kit::{Daemon, Folder, ask, program, run, until};
use crate::pages::{Browser, WORD, let_in};
use crate::way::{analyzer, practice, runtime, script};

/// A bench with pages, what is configured of them, and a daemon whose clock a test can move.
struct Bench {
    daemon: Daemon,
    config: PathBuf,
    address: String,
    _receiver: Receiver,
}

impl Bench {
    async fn with(folder: &Folder, keys: &str) -> Self {
        let (receiver, port, config) = practice(folder, &["aa"]).await;
        let text = std::fs::read_to_string(&config).expect("a configuration");
        let text = format!("{text}\n[console]\nlisten = \"127.0.0.1:0\"\n{keys}");
        let config = folder.write("pages.toml", &text);
        let mut moved = program();
        moved.env("LD_PRELOAD", preload(folder)).env("FAULT_DIR", &folder.0);
        let (mut daemon, ready) = Daemon::start_ready_by(moved, &config);
        let address = ready["console"].as_str().expect("the console").to_owned();
        let mut bench = analyzer(port, Style::Lis02);
        let mut plan = script(2, 7);
        plan.run[1].specimen = String::new();
        bench.run(&plan, |_, _| ()).await.expect("the line holds");
        for _ in 0..2 {
            daemon.wait_for(|e| e["event"] == "report");
        }
        Self { daemon, config, address, _receiver: receiver }
    }
}

/// Moves the daemon's clock by so many seconds.
fn clock(folder: &Folder, seconds: i64) {
    std::fs::write(folder.0.join("clock"), seconds.to_string()).expect("an order");
}

#[test]
fn a_badge_opens_with_its_pin_alone_and_is_neither_found_nor_kept() {
    let folder = Folder::new("pages-badge");
    runtime().block_on(async {
        let bench = Bench::with(&folder, "badge = \"STAFF-\"\n").await;
        let olsen = let_in(&bench.config, &bench.address, "R. Olsen", "technologist");
        let said = ask(&bench.config, &["user", "badge", "R. Olsen"]);
        let badge = said["badge"].as_str().expect("a badge").to_owned();
        assert!(badge.starts_with("STAFF-") && badge.len() == 32, "{badge}");
        let mut at_bench = Browser::new(&bench.address);
        let asked = at_bench.post("/login", &[("name", &badge), ("password", "")]);
        assert!(asked.code == 200 && asked.body.contains("Badge read"), "{}", asked.body);
        // Without a PIN of its owner it opens nothing, and the password is no PIN.
        for given in ["270391", WORD] {
            let page = at_bench.post("/login", &[("name", &badge), ("password", given)]);
            assert_eq!(page.code, 403, "{given}");
        }
        let mine = olsen.get("/me");
        let set = |pin: &str, password: &str| {
            let fields = [("act", "pin"), ("password", password), ("new", pin), ("again", pin)];
            olsen.send(&olsen.get("/me"), "/me", &fields).code
        };
        assert!(mine.body.contains("until you choose a PIN"), "{}", mine.body);
        assert_eq!(set("123456", WORD), 422, "everybody tries it first");
        assert_eq!(set("270391", "not that one, no"), 403);
        assert_eq!(set("270391", WORD), 303);
        // A scanner that turns the letters reads the same badge.
        for text in [badge.clone(), badge.to_lowercase()] {
            let page = at_bench.post("/login", &[("name", &text), ("password", "270391")]);
            assert_eq!(page.code, 303, "{}", page.body);
            at_bench.keep(&page);
        }
        assert!(at_bench.get("/today").body.contains("R. Olsen"));
        // Scanned where something else belongs it is not looked for, shown or kept.
        let page = at_bench.get("/held/2");
        for (path, field) in [("/find", "find"), ("/held/2/identify", "specimen")] {
            let told = at_bench.send(&page, path, &[(field, &badge)]);
            assert!(told.code == 422 && !told.body.contains(&badge), "{}", told.body);
        }
        // Its PIN counts where a password is asked for, in the session that it began and in no other.
        clock(&folder, 360);
        let aside = |one: &Browser, word: &str| {
            let page = one.get("/held/2");
            let fields = [("reason", "a second tube came"), ("password", word)];
            one.send(&page, "/held/2/set-aside", &fields).code
        };
        assert_eq!(aside(&olsen, "270391"), 403);
        assert_eq!(aside(&at_bench, "270391"), 303);
        // Lost: it opens nothing any more, and who was in by it is out.
        ask(&bench.config, &["user", "badge", "R. Olsen", "--take"]);
        assert_eq!(at_bench.get("/today").code, 303);
        let page = at_bench.post("/login", &[("name", &badge), ("password", "270391")]);
        assert_eq!(page.code, 403);
        assert_eq!(bench.daemon.stop(), 0);
        // Nowhere in the stores, their logs and the trail.
        for entry in std::fs::read_dir(&folder.0).expect("a folder").flatten() {
            let bytes = std::fs::read(entry.path()).unwrap_or_default();
            let letters = &badge.as_bytes()["STAFF-".len()..];
            assert!(memchr::memmem::find(&bytes, letters).is_none(), "{:?}", entry.file_name());
        }
        assert_eq!(run(&bench.config, &["trail", "verify"]).status.code(), Some(0));
    });
}

#[test]
fn a_session_ends_where_nobody_is_after_twelve_hours_and_with_the_password() {
    let folder = Folder::new("pages-ends");
    runtime().block_on(async {
        let bench = Bench::with(&folder, "idle_seconds = 300\n").await;
        let mut olsen = let_in(&bench.config, &bench.address, "R. Olsen", "technologist");
        let is_in = |one: &Browser| one.get("/held").code == 200;
        // Every four minutes something is done; what a page asks by itself is nothing.
        for minutes in [4, 8, 12] {
            clock(&folder, minutes * 60);
            assert!(is_in(&olsen), "{minutes}");
        }
        let mut asleep = olsen.clone();
        asleep.more = "x-by-itself: yes\r\n".into();
        clock(&folder, 16 * 60);
        assert!(is_in(&asleep));
        let today = asleep.get("/day");
        let day = today.header("location").expect("to a day").to_owned();
        let sheet = asleep.get(&day);
        clock(&folder, 18 * 60);
        assert!(!is_in(&olsen), "six minutes after the last act");
        // What was written is still there, for them to write again; ids are not shown to whoever stands there now.
        let fields = [("numbers", "41-44"), ("reason", "cartridge <b>"), ("specimen", "KP-20499")];
        let late = olsen.send(&sheet, &format!("{day}/explain"), &fields);
        assert!(late.body.contains("41-44 · cartridge &#60;b&#62;"), "{}", late.body);
        assert!(late.code == 401 && !late.body.contains("KP-20499"), "{}", late.body);
        // In any case after twelve hours.
        assert_eq!(olsen.sign_in("R. Olsen").code, 303);
        let began = 18 * 60;
        for minutes in (4..=716).step_by(4) {
            clock(&folder, began + minutes * 60);
            assert!(is_in(&olsen), "{minutes}");
        }
        clock(&folder, began + 721 * 60);
        assert!(!is_in(&olsen));
        // Who left a bench without leaving ends it from another, and sees where they are.
        assert_eq!(olsen.sign_in("R. Olsen").code, 303);
        let mut left = Browser::new(&bench.address);
        assert_eq!(left.sign_in("R. Olsen").code, 303);
        let mine = olsen.get("/me");
        assert_eq!(mine.body.matches("last seen").count(), 2, "{}", mine.body);
        assert_eq!(olsen.send(&mine, "/me", &[("act", "others")]).code, 303);
        assert!(is_in(&olsen) && !is_in(&left));
        // Another password ends the other sessions and not this one.
        assert_eq!(olsen.sign_in("R. Olsen").code, 303);
        let mut other = Browser::new(&bench.address);
        assert_eq!(other.sign_in("R. Olsen").code, 303);
        let new = "another tray of tubes";
        let fields = [("act", "password"), ("password", WORD), ("new", new), ("again", new)];
        assert_eq!(olsen.send(&olsen.get("/me"), "/me", &fields).code, 303);
        assert!(is_in(&olsen) && !is_in(&other));
        assert_eq!(bench.daemon.stop(), 0);
    });
}

#[test]
fn a_result_told_by_telephone_stands_in_the_trail_and_on_the_sheet_and_goes_all_the_same() {
    let folder = Folder::new("pages-call");
    runtime().block_on(async {
        let bench = Bench::with(&folder, "").await;
        let olsen = let_in(&bench.config, &bench.address, "R. Olsen", "technologist");
        until(|| ask(&bench.config, &["queue"])["totals"]["accepted"] == 1);
        let page = olsen.get("/report/1");
        let call = |who: &str, when: &str| {
            olsen.send(&page, "/report/1/telephoned", &[("who", who), ("when", when)])
        };
        let (now, past) = (page.field("when"), "2026-03-14 12:40");
        assert_eq!(call("", &now).code, 422);
        let page = olsen.get("/report/1");
        let fields = [("who", "ward 3, A. Dias"), ("when", now.as_str())];
        assert_eq!(olsen.send(&page, "/report/1/telephoned", &fields).code, 303);
        let telephoned = |when| {
            let call = ["telephoned", "1", "--who", "the gate", "--when", when];
            run(&bench.config, &[&["report", "--as", "J. Mast"], &call[..]].concat())
        };
        assert_eq!(telephoned(past).status.code(), Some(0));
        let refused = telephoned("2126-03-14 12:40");
        let why = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert!(why.contains("`2126-03-14 12:40` is no time of a call that was"), "{why}");
        let day = ask(&bench.config, &["day"]);
        let notes = day["items"][0]["notes"].to_string();
        let told = format!("to ward 3, A. Dias, {now}");
        assert!(notes.contains(&format!("telephoned by R. Olsen {told}")), "{notes}");
        assert!(notes.contains(&format!("telephoned by J. Mast to the gate, {past}")), "{notes}");
        assert!(olsen.get("/report/1").body.contains(&told));
        assert_eq!(ask(&bench.config, &["queue"])["totals"]["accepted"], 1, "nothing else changed");
        let none = run(&bench.config, &["report", "telephoned", "99", "--who", "x", "--when", "y"]);
        assert_eq!(none.status.code(), Some(2));
        assert_eq!(bench.daemon.stop(), 0);
    });
}

#[test]
fn the_wall_shows_how_things_stand_and_nobodys_specimen() {
    let folder = Folder::new("pages-wall");
    runtime().block_on(async {
        let bench = Bench::with(&folder, "wall = true\nhosts = [\"bench-1.kestrel.test\"]\n").await;
        let passer = Browser::new(&bench.address);
        until(|| ask(&bench.config, &["queue"])["totals"]["accepted"] == 1);
        let wall = passer.get("/wall");
        assert_eq!(wall.code, 200, "{}", wall.body);
        assert!(wall.body.contains("http-equiv=\"refresh\" content=\"15\""), "{}", wall.body);
        assert!(wall.body.contains("held") && !wall.body.contains("<form"), "{}", wall.body);
        let ids = ask(&bench.config, &["day"]);
        for item in ids["items"].as_array().expect("rows") {
            if let Some(specimen) = item["specimen"].as_str().filter(|id| !id.is_empty()) {
                assert!(!wall.body.contains(specimen), "{specimen}");
            }
        }
        // By the names that are configured, and no other.
        for (host, code) in
            [("bench-1.kestrel.test", 200), ("BENCH-1.kestrel.test:8420", 200), ("evil.test", 421)]
        {
            let mut named = passer.clone();
            named.host = Some(host.to_owned());
            assert_eq!(named.get("/wall").code, code, "{host}");
        }
        assert_eq!(bench.daemon.stop(), 0);
    });
    let folder = Folder::new("pages-no-wall");
    runtime().block_on(async {
        let bench = Bench::with(&folder, "").await;
        let passer = Browser::new(&bench.address);
        assert_eq!(passer.get("/wall").code, 404, "off unless it is configured");
        let mut named = passer.clone();
        named.host = Some("bench-1.kestrel.test".to_owned());
        assert_eq!(named.get("/login").code, 421);
        assert_eq!(bench.daemon.stop(), 0);
    });
}
