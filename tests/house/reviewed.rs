//! What was done about a run of control material, and the month that somebody signs for.

use std::path::Path;

use serde_json::Value;
use wickline::acts::reviewing::Month;
use wickline::clock::{SiteClock, now_us};
use wickline::simulate::analyzer::SimulatedAnalyzer;
use wickline::simulate::script::{Class, Run, Script};

use crate::controls::{config, connect};
use crate::kit::{Daemon, Folder, ask, run};
use crate::pages::let_in;
use crate::way::runtime;

/// Strips of last months are taken as they are: a memory that is read out late.
const OLD: &str = "controls_failed = \"off\"\ncontrols_due = \"off\"\nclock_behind_hours = 8784";

/// One strip, taken at a time that is printed on it.
pub async fn send_taken(analyzer: &mut SimulatedAnalyzer, strip: (&str, &str, usize), taken: &str) {
    let (number, specimen, glucose) = strip;
    let class = if specimen.starts_with("QC") { Class::Control } else { Class::Routine };
    let run = vec![Run {
        number: number.to_owned(),
        specimen: specimen.to_owned(),
        class,
        rungs: [("GLU".to_owned(), glucose)].into(),
        taken: taken.to_owned(),
        ..Run::default()
    }];
    let script = Script { sender: "SIM".into(), run };
    analyzer.run(&script, |_, _| ()).await.expect("the line holds");
}

/// This month, and the one before.
pub fn months() -> (Month, Month) {
    let clock = SiteClock::new("Europe/Lisbon").expect("a zone");
    let now = Month::of_day(&clock.day(now_us())).expect("a month");
    let last = now.later(-1).expect("a month");
    (now, last)
}

fn code(config: &Path, words: &[&str]) -> Option<i32> {
    run(config, words).status.code()
}

fn by_verdict(config: &Path, from: &str, verdict: &str) -> Value {
    let all = ask(config, &["controls", "--from", from]);
    let mut runs = all["items"].as_array().expect("runs").iter();
    runs.find(|r| r["verdict"] == verdict).expect("a run").clone()
}

/// What comes late, or is no run any more, opens a signed month again, and it is signed anew.
async fn comes_late(
    config: &Path,
    bench: &mut SimulatedAnalyzer,
    daemon: &mut Daemon,
    last: &Month,
) {
    let day = format!("{}-10", last.name);
    let taken = |hour: &str| format!("{}{hour}0000", day.replace('-', ""));
    let sign = ["controls", "review", last.name.as_str(), "--sign", "--as", "J. Mast"];
    // What comes late opens it again, and it is signed anew.
    send_taken(bench, ("4", "QC-L2", 3), &taken("11")).await;
    daemon.wait_for(|e| e["event"] == "report" && e["number"] == "4");
    let late = by_verdict(config, &day, "passed");
    let seen = ask(config, &["controls", "review", &last.name]);
    assert_eq!(seen["after"].as_array().map(Vec::len), Some(1), "{seen} {late}");
    assert!(ask(config, &["day", &day])["review"].as_str().expect("said").contains("open again"));
    assert_eq!(code(config, &sign), Some(0));
    // So does what was signed for and is no run any more.
    send_taken(bench, ("5", "", 3), &taken("12")).await;
    daemon.wait_for(|e| e["event"] == "report" && e["number"] == "5");
    let held = ask(config, &["held"])["items"][0]["id"].as_str().expect("an id").to_owned();
    let twice = ["--control", "2", "--control-again", "2", "--lot", "KP-201"];
    let twice = [&["held", "identify", &held][..], &twice, &["--lot-again", "KP-201"]].concat();
    assert_eq!(code(config, &[&twice[..], &["--reason", "its label"]].concat()), Some(0));
    assert_eq!(code(config, &sign), Some(0));
    assert_eq!(code(config, &["undo", &held, "--reason", "it is a patient's"]), Some(0));
    let seen = ask(config, &["controls", "review", &last.name]);
    assert_eq!(seen["after"], serde_json::json!([held]), "{seen}");
}

#[test]
fn a_month_of_controls_is_noted_signed_and_open_again_when_something_comes_late() {
    let folder = Folder::new("reviewed");
    let config = config(&folder, OLD);
    let (this, last) = months();
    let day = format!("{}-10", last.name);
    let taken = |hour: &str| format!("{}{hour}0000", day.replace('-', ""));
    runtime().block_on(async {
        let (mut daemon, ready) = Daemon::start_ready(&config);
        daemon.lines = vec![ready["lines"][0]["address"].as_str().expect("an address").into()];
        let console = ready["console"].as_str().expect("the console").to_owned();
        let mut bench = connect(&daemon).await;
        send_taken(&mut bench, ("1", "QC-L1", 0), &taken("08")).await;
        send_taken(&mut bench, ("2", "QC-L2", 0), &taken("09")).await;
        send_taken(&mut bench, ("3", "KP-20003", 0), &taken("10")).await;
        (0..3).for_each(|_| drop(daemon.wait_for(|e| e["event"] == "report")));
        let seen = ask(&config, &["controls", "review", &last.name]);
        assert_eq!((&seen["runs"], &seen["levels"][1]["failed"]), (&2.into(), &1.into()), "{seen}");
        let failed = by_verdict(&config, &day, "failed")["id"].as_str().expect("an id").to_owned();
        assert_eq!(seen["without_note"], serde_json::json!([failed]));
        let sign = ["controls", "review", last.name.as_str(), "--sign", "--as", "J. Mast"];
        // A failed run of which nothing is said is said before anybody signs.
        let refused = run(&config, &sign);
        let words = String::from_utf8_lossy(&refused.stderr).into_owned();
        assert_eq!(refused.status.code(), Some(2), "{words}");
        assert!(words.contains(&format!("`wickline controls note {failed}`")), "{words}");
        let note = ["controls", "note", &failed, "--reason", "vial warmed up", "--as", "J. Mast"];
        assert_eq!(code(&config, &note), Some(0));
        let patient = ["controls", "note", "3", "--reason", "paper"];
        assert_eq!(code(&config, &patient), Some(2), "it is no run of control material");
        let run = by_verdict(&config, &day, "failed");
        assert_eq!(
            (&run["notes"][0]["who"], &run["notes"][0]["text"]),
            (&"J. Mast".into(), &"vial warmed up".into())
        );
        let sheet = ask(&config, &["day", &day]);
        assert!(sheet["items"].to_string().contains("noted by J. Mast: vial warmed up"), "{sheet}");
        assert!(sheet.get("review").is_none(), "nobody signed");
        assert_eq!(
            code(&config, &["controls", "review", &this.name, "--sign"]),
            Some(2),
            "it still runs"
        );
        let charts = let_in(&config, &console, "K. Pinto", "viewer").get("/controls/bench-1/2");
        assert!(charts.body.contains("vial warmed up"), "{}", charts.body);
        // On the page: who only looks may not, and a signature is the command's.
        let viewer = let_in(&config, &console, "A. Reader", "viewer");
        let path = format!("/review/{}", last.name);
        assert!(viewer.get(&path).body.contains("vial warmed up"));
        assert_eq!(viewer.send(&viewer.get("/today"), &path, &[]).code, 403);
        let olsen = let_in(&config, &console, "R. Olsen", "technologist");
        let signed = olsen.send(&olsen.get(&path), &path, &[("reason", "")]);
        assert_eq!(signed.code, 303, "{}", signed.body);
        let seen = ask(&config, &["controls", "review", &last.name]);
        assert_eq!(
            (&seen["signed"]["who"], &seen["after"]),
            (&"R. Olsen".into(), &serde_json::json!([]))
        );
        assert_eq!(code(&config, &sign), Some(2), "it is signed, and nothing came");
        let sheet = ask(&config, &["day", &day]);
        let review = sheet["review"].as_str().expect("signed");
        assert!(
            review.contains("signed by R. Olsen") && !review.contains("open again"),
            "{review}"
        );
        comes_late(&config, &mut bench, &mut daemon, &last).await;
        let trail = ask(&config, &["trail"])["items"].clone();
        let verbs = |verb: &str| {
            trail.as_array().expect("rows").iter().filter(|r| r["verb"] == verb).count()
        };
        assert_eq!((verbs("note"), verbs("review")), (1, 3), "{trail}");
        assert_eq!(daemon.stop(), 0);
    });
}

/// The places of the signs of one drawing, from its text.
fn columns(svg: &str) -> Vec<i64> {
    let number = |rest: &str| rest.split(['"', ' ']).next().and_then(|n| n.parse::<i64>().ok());
    let dots = svg.split("class=\"c-in\" cx=\"").skip(1).filter_map(number);
    let crosses = svg.split("class=\"c-out\" d=\"M").skip(1).filter_map(number).map(|x| x + 6);
    let mut all: Vec<i64> = dots.chain(crosses).collect();
    all.sort_unstable();
    all
}

#[test]
fn all_analytes_of_a_level_stand_on_one_page_and_no_repeat_hides_another() {
    let folder = Folder::new("level-charts");
    let config = config(&folder, OLD);
    let (_, last) = months();
    let day = format!("{}10", last.name.replace('-', ""));
    runtime().block_on(async {
        let (mut daemon, ready) = Daemon::start_ready(&config);
        daemon.lines = vec![ready["lines"][0]["address"].as_str().expect("an address").into()];
        let console = ready["console"].as_str().expect("the console").to_owned();
        let mut bench = connect(&daemon).await;
        // Three within two minutes, of which the first is out; a lot that is new after that.
        for (number, glucose, time) in [("1", 0, "080000"), ("2", 3, "080100"), ("3", 3, "080130")]
        {
            send_taken(&mut bench, (number, "QC-L2", glucose), &format!("{day}{time}")).await;
        }
        (0..3).for_each(|_| drop(daemon.wait_for(|e| e["event"] == "report")));
        let viewer = let_in(&config, &console, "A. Reader", "viewer");
        let page = viewer.get("/controls/bench-1/2");
        assert_eq!(page.code, 200, "{}", page.body);
        let drawings: Vec<&str> = page.body.split("<svg class=\"chart\"").skip(1).collect();
        assert_eq!(drawings.len(), 10, "every analyte of the strip");
        assert!(!page.body.contains("style="), "the policy lets none through");
        for drawing in &drawings {
            let drawing = drawing.split("</svg>").next().expect("it ends");
            let at = columns(drawing);
            assert_eq!(at.len(), 3, "{drawing}");
            assert!(at.windows(2).all(|two| two[1] - two[0] >= 12), "{at:?}");
        }
        let glucose = drawings.iter().find(|d| d.contains("aria-label=\"GLU:")).expect("glucose");
        assert!(glucose.contains("GLU: 3 runs, 1 out") && glucose.contains("class=\"c-band\""));
        // The same as a table, with what is out and allowed.
        assert!(page.body.contains("× <bdi>NEG ("), "{}", page.body);
        for (path, code) in [
            ("/controls/bench-1/1", 200),
            ("/controls/bench-1/2?runs=90", 200),
            ("/controls/bench-1/9", 404),
            ("/controls/bench-9/2", 404),
            ("/controls/bench-1/%3Cscript%3E", 404),
        ] {
            assert_eq!(viewer.get(path).code, code, "{path}");
        }
        let html = folder.0.join("levels.html").display().to_string();
        let drawn = ask(&config, &["controls", "chart", "--html", &html]);
        assert_eq!(
            (&drawn["items"][0]["level"], &drawn["items"][0]["analytes"]),
            (&"2".into(), &10.into())
        );
        let paper = std::fs::read_to_string(&html).expect("written");
        assert_eq!(paper.matches("<figure>").count(), 10);
        assert!(paper.contains("<b>OUT NEG ("), "{paper}");
        assert_eq!(code(&config, &["controls", "chart", "--html", &html, "--level", "7"]), Some(2));
        assert_eq!(code(&config, &["controls", "chart", "--html", &html, "--runs", "91"]), Some(2));
        // By time, on a chart of the whole month, the three are three signs, too.
        let svg = folder.0.join("one.svg").display().to_string();
        let (from, to) = last.days();
        let which = ["--level", "2", "--analyte", "GLU", "--from", &from, "--to", &to];
        let all = [&["controls", "chart", "--svg", svg.as_str()][..], &which].concat();
        assert_eq!(code(&config, &all), Some(0));
        let drawing = std::fs::read_to_string(&svg).expect("written");
        let plot = drawing.split("<circle ").skip(1).filter_map(|c| c.split("cx=\"").nth(1));
        let mut at: Vec<i64> = plot
            .filter_map(|rest| rest.split('"').next()?.parse().ok())
            .filter(|x| *x > 140)
            .collect();
        at.sort_unstable();
        assert!(at.len() == 2 && at[1] - at[0] >= 10, "two within, side by side: {at:?}");
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn positivity_counts_what_stands_as_a_result_and_shows_the_month_beside_those_before() {
    let folder = Folder::new("positivity");
    let config = config(&folder, OLD);
    let (this, last) = months();
    let clock = SiteClock::new("Europe/Lisbon").expect("a zone");
    let today = clock.day(now_us()).replace('-', "");
    let old = |day: &str| format!("{}{day}090000", last.name.replace('-', ""));
    runtime().block_on(async {
        let (mut daemon, ready) = Daemon::start_ready(&config);
        daemon.lines = vec![ready["lines"][0]["address"].as_str().expect("an address").into()];
        let console = ready["console"].as_str().expect("the console").to_owned();
        let mut bench = connect(&daemon).await;
        // Last month 1 of 3 with glucose, this month 2 of 3; control material and a repeat count nowhere.
        for (number, specimen, glucose, taken) in [
            ("1", "KP-20001", 0, old("03")),
            ("2", "KP-20002", 3, old("04")),
            ("3", "KP-20003", 0, old("05")),
            ("4", "QC-L2", 3, old("06")),
            ("5", "KP-20005", 3, format!("{today}000100")),
            ("6", "KP-20006", 0, format!("{today}000200")),
            ("7", "KP-20007", 4, format!("{today}000300")),
            ("7", "KP-20007", 4, format!("{today}000300")),
        ] {
            send_taken(&mut bench, (number, specimen, glucose), &taken).await;
        }
        (0..8).for_each(|_| drop(daemon.wait_for(|e| e["event"] == "report")));
        let csv = folder.0.join("positivity.csv").display().to_string();
        let found = ask(&config, &["controls", "positivity", "--before", "1", "--csv", &csv]);
        assert_eq!(found["months"], serde_json::json!([last.name, this.name]));
        let rows = found["items"].as_array().expect("rows");
        let glucose = rows.iter().find(|r| r["analyte"] == "GLU").expect("glucose");
        let counts = serde_json::json!([{"read": 3, "positive": 1}, {"read": 3, "positive": 2}]);
        assert_eq!(glucose["counts"], counts, "{found}");
        for none in ["PH", "SG"] {
            assert!(rows.iter().all(|r| r["analyte"] != none), "{none} has no negative: {found}");
        }
        let text = std::fs::read_to_string(&csv).expect("written");
        let line = format!("\"bench-1\",\"GLU\",\"{}\",\"3\",\"2\",\"66.7\"", this.name);
        assert!(text.contains(&line) && !text.contains("KP-2"), "{text}");
        let said = run(&config, &["controls", "positivity"]);
        let said = String::from_utf8_lossy(&said.stdout).into_owned();
        assert!(said.contains("66.7 (2/3)") && said.contains("+33.3"), "{said}");
        let page = let_in(&config, &console, "A. Reader", "viewer").get("/positivity/now");
        assert!(page.code == 200 && page.body.contains("66.7 %"), "{}", page.body);
        assert!(page.body.contains("+33.3") && !page.body.contains("KP-2"), "{}", page.body);
        assert_eq!(daemon.stop(), 0);
    });
}
