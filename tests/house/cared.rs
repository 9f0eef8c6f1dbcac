//! The care log with the real binary: what is due, signed, struck through; the canister that is the strip lot in use.

use std::path::Path;

use serde_json::Value;
use wickline::clock::{SiteClock, now_us};

use crate::controls::config;
use crate::kit::{Daemon, Folder, ask, run};
use crate::pages::let_in;
use crate::way::runtime;

const CARES: &str = "[[care]]\nname = \"Platform and tray cleaned\"\nevery = \"day\"\n\
    [[care]]\nname = \"Transport checked\"\nevery = \"month\"\nanalyzers = [\"bench-1\"]\n\
    [[care]]\nname = \"Strip canister opened\"\nevery = \"canister\"\n\
    [[care]]\nname = \"Control vial opened\"\nevery = \"control-vial\"\n";
const DAILY: &str = "Platform and tray cleaned";
const CANISTER: &str = "Strip canister opened";

fn code(config: &Path, words: &[&str]) -> Option<i32> {
    run(config, words).status.code()
}

fn sign(config: &Path, name: &str, more: &[&str]) -> Option<i32> {
    code(config, &[&["care", "sign", name, "--as", "J. Mast"][..], more].concat())
}

fn stand(config: &Path, name: &str) -> Value {
    let all = ask(config, &["care"])["items"].clone();
    all.as_array()
        .expect("a list")
        .iter()
        .find(|one| one["name"] == name)
        .expect("asked for")
        .clone()
}

fn lots(config: &Path) -> Vec<(String, bool)> {
    let all = ask(config, &["controls", "lot", "bench-1"])["items"].clone();
    let one = |one: &Value| (one["lot"].as_str().unwrap_or("").to_owned(), one["in_use"] == true);
    all.as_array().expect("a list").iter().map(one).collect()
}

fn with_cares(folder: &Folder) -> std::path::PathBuf {
    let bare = config(folder, "");
    let text = std::fs::read_to_string(bare).expect("a configuration");
    folder.write("cared.toml", &format!("{text}\n{CARES}"))
}

#[test]
fn care_is_signed_once_in_its_time_and_struck_through_with_a_reason() {
    let folder = Folder::new("cared");
    let config = with_cares(&folder);
    runtime().block_on(async {
        let (daemon, ready) = Daemon::start_ready(&config);
        let console = ready["console"].as_str().expect("the console").to_owned();
        let clock = SiteClock::new("Europe/Lisbon").expect("a zone");
        let (today, before) = (clock.day(now_us()), clock.day(now_us() - 86_400_000_000));
        assert_eq!(code(&config, &["care"]), Some(1), "something is due");
        assert_eq!(
            (&stand(&config, DAILY)["due"], &stand(&config, CANISTER)["due"]),
            (&true.into(), &false.into())
        );
        // `status` and the page say the same, and nothing is wrong for it.
        let now = ask(&config, &["status"])["items"].clone();
        let said = now
            .as_array()
            .expect("findings")
            .iter()
            .find(|f| f["about"] == "care")
            .expect("care")
            .clone();
        assert_eq!((&said["wrong"], &said["due"][0]), (&false.into(), &DAILY.into()));
        let viewer = let_in(&config, &console, "A. Reader", "viewer");
        let text = said["text"].as_str().expect("words");
        assert!(viewer.get("/today").body.contains(text), "{text}");
        assert_eq!(sign(&config, DAILY, &[]), Some(0));
        assert_eq!(stand(&config, DAILY)["due"], false);
        for (wrong, name, more) in [
            ("twice", DAILY, &[][..]),
            ("no reason", DAILY, &["--day", before.as_str()]),
            ("not begun", DAILY, &["--day", "2099-01-01", "--reason", "paper"]),
            ("no lot", DAILY, &["--lot", "S-1"]),
            ("unknown", "Windows cleaned", &[]),
            ("lot missing", CANISTER, &[]),
        ] {
            assert_eq!(sign(&config, name, more), Some(2), "{wrong}");
        }
        assert_eq!(
            sign(&config, DAILY, &["--day", &before, "--reason", "signed on paper"]),
            Some(0)
        );
        let strike = ["care", "strike", "1", "--reason", "another bench"];
        assert_eq!(code(&config, &strike), Some(0));
        assert_eq!(code(&config, &strike), Some(2), "once");
        assert_eq!(code(&config, &["care", "strike", "99", "--reason", "paper"]), Some(2));
        let again = stand(&config, DAILY);
        assert_eq!((&again["due"], &again["last"]["day"]), (&true.into(), &before.clone().into()));
        let sheet = ask(&config, &["day"])["care"].to_string();
        assert!(
            sheet.contains("struck through by") && sheet.contains("is not signed for"),
            "{sheet}"
        );
        let asked = |day: &str| ask(&config, &["day", day]).get("care").is_some();
        assert!(asked(&before) && !asked("2026-01-15"), "nobody was asked before the first entry");
        let olsen = let_in(&config, &console, "R. Olsen", "technologist");
        let path = format!("/care/bench-1/{}", &today[..7]);
        let done = olsen.send(
            &olsen.get(&path),
            &format!("{path}/sign"),
            &[("name", DAILY), ("day", &today)],
        );
        assert_eq!(done.code, 303, "{}", done.body);
        let page = olsen.get(&path);
        assert!(
            page.body.contains("title=\"R. Olsen\">RO<") && page.body.contains("<s>"),
            "{}",
            page.body
        );
        let refused =
            viewer.send(&viewer.get("/today"), &format!("{path}/sign"), &[("name", DAILY)]);
        assert_eq!(refused.code, 403);
        assert!(!viewer.get(&path).body.contains("/sign\""), "no form for who may not");
        for path in ["/care/bench-9/2026-11", "/care/bench-1/2026-13", "/care/bench-1/x"] {
            assert_eq!(viewer.get(path).code, 404, "{path}");
        }
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn an_opened_canister_is_the_strip_lot_in_use_and_a_vial_is_not() {
    let folder = Folder::new("canister");
    let config = with_cares(&folder);
    runtime().block_on(async {
        let (daemon, ready) = Daemon::start_ready(&config);
        let console = ready["console"].as_str().expect("the console").to_owned();
        let open =
            |lot: &str, until: &str| sign(&config, CANISTER, &["--lot", lot, "--use-until", until]);
        assert_eq!(open("S-2207", "2020-01-31"), Some(2), "such strips give no results");
        assert!(lots(&config).is_empty());
        assert_eq!(open("S-2207", "2099-12-31"), Some(0));
        assert_eq!(lots(&config), [("S-2207".to_owned(), true)]);
        assert_eq!(open("S-2207", "2099-12-31"), Some(0), "another canister of the same lot");
        assert_eq!(lots(&config).len(), 1);
        let vial = ["--lot", "KP-101", "--use-until", "2099-12-31"];
        assert_eq!(sign(&config, "Control vial opened", &vial), Some(0));
        assert_eq!(lots(&config).len(), 1, "a vial is no strip lot");
        let olsen = let_in(&config, &console, "R. Olsen", "technologist");
        let month = SiteClock::new("Europe/Lisbon").expect("a zone").day(now_us());
        let path = format!("/care/bench-1/{}", &month[..7]);
        let fields = [("name", CANISTER), ("lot", "S-2208"), ("use_until", "2099-12-31")];
        assert_eq!(olsen.send(&olsen.get(&path), &format!("{path}/sign"), &fields).code, 303);
        assert_eq!(lots(&config), [("S-2207".to_owned(), false), ("S-2208".to_owned(), true)]);
        // Struck through it is no entry; the lot stays, until another is entered.
        let entries = ask(&config, &["care", "--month", &month[..7]])["items"].clone();
        let last = entries.as_array().expect("entries").last().expect("one").clone();
        assert_eq!((&last["lot"], &last["who"]), (&"S-2208".into(), &"R. Olsen".into()));
        let n = last["n"].to_string();
        assert_eq!(code(&config, &["care", "strike", &n, "--reason", "the other bench"]), Some(0));
        assert_eq!(stand(&config, CANISTER)["last"]["lot"], "S-2207");
        let trail = ask(&config, &["trail"])["items"].clone();
        let verbs = |verb: &str| {
            trail.as_array().expect("rows").iter().filter(|r| r["verb"] == verb).count()
        };
        assert_eq!((verbs("care"), verbs("strip-lot"), verbs("strike")), (4, 2, 1), "{trail}");
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn nothing_is_asked_for_that_is_not_configured() {
    let folder = Folder::new("careless");
    let bare = config(&folder, "");
    runtime().block_on(async {
        let (daemon, ready) = Daemon::start_ready(&bare);
        let console = ready["console"].as_str().expect("the console").to_owned();
        assert_eq!(code(&bare, &["care"]), Some(0));
        assert!(
            ask(&bare, &["status"])["items"]
                .as_array()
                .expect("findings")
                .iter()
                .all(|f| f["about"] != "care")
        );
        let viewer = let_in(&bare, &console, "A. Reader", "viewer");
        assert_eq!(viewer.get("/care").code, 404);
        assert!(!viewer.get("/today").body.contains("href=\"/care\""), "no tab");
        assert_eq!(daemon.stop(), 0);
    });
    let text = std::fs::read_to_string(&bare).expect("a configuration");
    for (wrong, cares) in [
        ("every", "[[care]]\nname = \"x\"\nevery = \"year\"\n"),
        (
            "name",
            "[[care]]\nname = \"x\"\nevery = \"day\"\n[[care]]\nname = \"x\"\nevery = \"week\"\n",
        ),
        ("name", "[[care]]\nname = \" \"\nevery = \"day\"\n"),
        ("analyzers", "[[care]]\nname = \"x\"\nevery = \"day\"\nanalyzers = [\"bench-9\"]\n"),
    ] {
        let config = folder.write("wrong.toml", &format!("{text}\n{cares}"));
        let told = run(&config, &["check", "--offline"]);
        let said = String::from_utf8_lossy(&[told.stdout, told.stderr].concat()).into_owned();
        assert!(said.contains(&format!("care.{wrong}")), "{wrong}: {said}");
    }
}
