//! `explain` and `listen`: what they show is what the daemon would do, nothing from a line can steer
//! a screen or a browser, and neither disturbs a running daemon.

use std::io::{BufRead, BufReader, Read};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

use serde_json::{Value, json};
use wickline::simulate::analyzer::Style;

use crate::kit::{Daemon, Folder, binary, configuration};
use crate::way::{analyzer, pty, runtime, script};

fn root() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../..")
}

fn explain(words: &[&str]) -> Output {
    let mut command = Command::new(binary());
    command.args(words).current_dir(root()).env("NO_COLOR", "1");
    command.output().expect("it runs")
}

fn answer(words: &[&str]) -> Value {
    let output = explain(words);
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{words:?}: {e}: {}", String::from_utf8_lossy(&output.stderr)))
}

/// What of an explanation does not depend on when it was made.
fn timeless(answer: &Value) -> Value {
    let mut reports = answer["reports"].as_array().expect("reports").clone();
    for report in &mut reports {
        let object = report.as_object_mut().expect("an object");
        let message = object.remove("message").expect("a message, or null");
        let starts = message.as_str().is_some_and(|m| m.starts_with("MSH|"));
        assert_eq!(starts, report["state"] == "waiting", "a message for what would go out");
    }
    json!({"reports": reports, "not_understood": answer["not_understood"], "outside": answer["outside"]})
}

/// Control material of which the configuration says nothing is filed all the same: no sign contradicts another. What is
/// missing is named.
#[test]
fn a_run_that_nothing_is_said_of_is_told() {
    let folder = Folder::new("explain-run");
    let of = |name: &str| root().join("fixtures/prove/right/three-field").join(name);
    let config = std::fs::read_to_string(of("wickline.toml")).expect("a configuration");
    folder.write("strip.toml", &std::fs::read_to_string(of("strip.toml")).expect("a strip"));
    let dialect = std::fs::read_to_string(root().join("config/dialects/three-field.toml"));
    folder.write("dialect.toml", &dialect.expect("a dialect"));
    let print = std::fs::read_to_string(of("control.cap")).expect("a capture");
    let lots = "[[control]]\nlevel = \"1\"\nlot = \"L4471\"\nfirst_day = \"2020-01-01\"\n\
        last_day = \"2099-12-31\"\n\
        expect = [\"GLU=any\", \"LEU=any\", \"PH=any\", \"PRO=any\", \"SG=any\"]\n\
        [[control]]\nlevel = \"2\"\nlot = \"L4472\"\nfirst_day = \"2020-01-01\"\n\
        last_day = \"2099-12-31\"\n\
        expect = [\"GLU=any\", \"LEU=any\", \"PH=any\", \"PRO=any\", \"SG=any\"]\n";
    let run = "as a run of control material: ";
    for (lots, now, wanted) in [
        ("", "CTL;1;L4471", None),
        ("", "CTL;C;L4471", Some("says nothing: level `C` is none of control_levels (1, 2)")),
        (lots, "CTL;C;L4471", Some("says nothing: level `C` is none of control_levels (1, 2)")),
        (lots, "CTL;1;99I7", Some("says nothing: no [[control]] names lot `99I7` for level 1")),
        (lots, "CTL;1;L4471", Some("passed")),
    ] {
        let config = folder.write("wickline.toml", &format!("{config}{lots}"));
        let capture = folder.write("control.cap", &print.replace("CTL;1;L4471", now));
        let (config, capture) = (config.to_string_lossy(), capture.to_string_lossy());
        let words = ["--config", &*config, "explain", &*capture, "--analyzer", "bench-1"];
        let found = answer(&[&["--json"][..], &words].concat());
        let report = &found["reports"][0];
        assert_eq!(report["state"], "filed", "{report}");
        assert_eq!(report["run"].as_str(), wanted, "{now}");
        let shown = String::from_utf8(explain(&words).stdout).expect("text");
        let line = shown.lines().find_map(|line| line.strip_prefix(run));
        assert_eq!(line, wanted, "{shown}");
    }
}

/// One capture of each shipped dialect, and a spoiled one, to the last key.
#[test]
fn what_is_explained_of_each_dialect() {
    let rows = [
        ("lis02", "complete"),
        ("lis02", "cut-off"),
        ("two-column", "abnormal"),
        ("three-field", "abnormal"),
        ("wide-label", "spoiled"),
        ("ticket", "abnormal"),
    ];
    for (dialect, name) in rows {
        let capture = format!("fixtures/listen/{dialect}/{name}.cap");
        let found = timeless(&answer(&[
            "--json",
            "explain",
            &capture,
            "--dialect",
            dialect,
            "--units",
            "si",
        ]));
        let file = root().join(format!("fixtures/explain/{dialect}-{name}.json"));
        if std::env::var_os("WICKLINE_BLESS").is_some() {
            std::fs::create_dir_all(file.parent().expect("a folder")).expect("it can be made");
            let text = serde_json::to_string_pretty(&found).expect("JSON");
            std::fs::write(&file, text + "\n").expect("a fixture can be written");
        }
        let text = std::fs::read_to_string(&file).unwrap_or_default();
        let wanted: Value = serde_json::from_str(&text).unwrap_or_default();
        assert!(found == wanted, "{capture}: WICKLINE_BLESS=1 writes it anew; read the difference");
    }
}

/// The parts of every line stand where they say, and every OBX agrees with its reading.
#[test]
fn anatomy_and_obx_fit_their_lines() {
    for (dialect, name) in [
        ("lis02", "complete"),
        ("two-column", "complete"),
        ("three-field", "normal"),
        ("wide-label", "abnormal"),
        ("ticket", "abnormal"),
    ] {
        let capture = format!("fixtures/listen/{dialect}/{name}.cap");
        let found = answer(&["--json", "explain", &capture, "--dialect", dialect]);
        let report = &found["reports"][0];
        for line in report["anatomy"].as_array().expect("anatomy") {
            let number = line["line"].as_u64().expect("a number") as usize;
            let text = report["lines"][number - 1].as_str().expect("its text");
            for part in line["parts"].as_array().expect("parts") {
                let at = |key: &str| part[key].as_u64().expect("an offset") as usize;
                assert_eq!(text.get(at("from")..at("to")), part["text"].as_str(), "{dialect}");
            }
        }
        let mut told = 0;
        for reading in report["readings"].as_array().expect("readings") {
            assert!(reading["flag_why"].as_str().is_some_and(|why| !why.is_empty()));
            // What is held has no message.
            if let Some(message) = report["message"].as_str() {
                told += agrees(dialect, message, reading);
            }
        }
        let sent = report["message"].as_str().map_or(0, |m| m.matches("\rOBX|").count());
        assert_eq!((told, sent > 0), (sent, dialect != "three-field"), "each OBX is a reading's");
    }
}

/// Every OBX of a reading against the message by splitting it, and against what was printed; how many they are.
fn agrees(dialect: &str, message: &str, reading: &Value) -> usize {
    let list = reading["obx"].as_array().expect("OBX");
    assert!(!list.is_empty(), "{dialect}: {reading}");
    for obx in list {
        let text = |key: &str| obx[key].as_str().unwrap_or_else(|| panic!("{key}: {obx}"));
        let head = format!("OBX|{}|", text("set_id"));
        let line = message.split('\r').find(|l| l.starts_with(&head)).expect("it was sent");
        let cells: Vec<&str> = line.split('|').collect();
        let first = |n: usize| cells[n].split('^').next().unwrap_or("");
        assert_eq!((cells[2], first(3)), (text("type"), text("code")), "{dialect}: {line}");
        assert_eq!((first(6), cells[8]), (text("unit"), text("flag")), "{dialect}: {line}");
        let printed = |key: &str| reading["printed"][key].as_str().unwrap_or_default();
        match text("type") {
            "CE" => assert_eq!(first(5), reading["grade"], "{dialect}: {line}"),
            // In the units of the print the digits are those that were printed, or its ladder's.
            "NM" | "SN" => {
                let value: String = cells[5].replace('^', "");
                let digits = printed("value").replace(',', ".");
                let same = value.trim_start_matches(['<', '>', '=']).parse::<f64>().ok()
                    == digits.trim_start_matches(['<', '>', '=', ' ']).parse::<f64>().ok();
                let turned = reading["conversion"]["from"] != reading["conversion"]["to"];
                assert!(same || turned, "{dialect}: {line} of {digits}");
                assert!(!digits.is_empty(), "{dialect}: a number that nobody printed: {line}");
            }
            other => panic!("{dialect}: {other} in {line}"),
        }
    }
    list.len()
}

/// References decide flags, and the account says which.
#[test]
fn the_flag_names_what_decided_it() {
    let folder = Folder::new("why");
    let text =
        configuration("listen:127.0.0.1:0", "ticket", "ten-pad", "dir:out", "units = \"si\"");
    let text = text.replace(
        "[[analyzer]]",
        "[reference]\nGLU = \"NEG\"\nPH = \"5.0-8.0\"\nSG = \"1.003-1.030\"\n[[analyzer]]",
    );
    let text = text.replace("control_marks", "controls = \"none\"\ncontrol_marks");
    let config = folder.write("wickline.toml", &text);
    let capture = root().join("fixtures/listen/ticket/abnormal.cap");
    let found = crate::kit::ask(&config, &["explain", &capture.to_string_lossy()]);
    let readings = found["reports"][0]["readings"].as_array().expect("readings").clone();
    let of = |analyte: &str, key: &str| {
        let reading = readings.iter().find(|r| r["analyte"] == analyte);
        reading.unwrap_or_else(|| panic!("{analyte}: {found}"))[key].clone()
    };
    assert_eq!(of("GLU", "flag_why"), "A: 2+ is above NEG (reference GLU = NEG)");
    assert_eq!(of("PH", "flag_why"), "N: 6.0 lies in reference PH = 5.0-8.0");
    assert_eq!(
        of("SG", "flag_why"),
        "H: the analyzer's own mark `H`; reference SG = 1.003-1.030 cannot tell"
    );
    assert_eq!(of("NIT", "flag_why"), "none: no reference is configured for NIT");
    let glucose = of("GLU", "conversion");
    assert_eq!(glucose["how"], "by the ladder");
    assert_eq!(glucose["from"], "400 mg/dL");
    assert_eq!(glucose["to"], "22 mmol/L");
    // 10 / 180.156 g/mol, in five digits.
    assert_eq!(glucose["factor"], "0.055507");
    assert_eq!(of("GLU", "obx")[1]["value"], "22");
}

/// Markup, escape sequences and marks that reorder text.
const HOSTILE: &str = "<script>alert(1)</script><img src=x onerror='y'>&lt;\"\
    \u{1b}[31m\u{1b}]0;t\u{7}\u{202e}\u{2066}\u{9b}";

/// The same in every field of a LIS02 message and on every line of a print.
fn hostile(dialect: &str) -> Vec<u8> {
    let h = HOSTILE;
    let lis02 = format!(
        "H|\\^&|{h}||{h}|||||||P|{h}|20250314\rP|1|{h}|{h}||{h}\rO|1|{h}|{h}|{h}|{h}||{h}\r\
         R|1|{h}|{h}|{h}|{h}|{h}||F||{h}\rR|2|^^^GLU|2+^{h}|mg/dL\rC|1|I|{h}\r{h}|{h}\rL|1|N\r"
    );
    let print = format!(
        "{h}\r\nNo. {h}\r\nID {h}\r\nGLU {h}\r\n{h} 2+ 400 mg/dL\r\nPRO TR 12 {h}\r\n{h}: {h}\r\n\r\n\r\n\u{c}"
    );
    if dialect == "lis02" { lis02.into_bytes() } else { print.into_bytes() }
}

#[test]
fn nothing_from_a_line_can_steer_a_screen_or_a_browser() {
    let steers = |c: char| {
        (c.is_control() && c != '\n')
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    let folder = Folder::new("hostile");
    for dialect in ["lis02", "two-column", "three-field", "wide-label", "ticket"] {
        let capture = folder.0.join(format!("{dialect}<b>.cap"));
        std::fs::write(&capture, hostile(dialect)).expect("a file");
        let page = folder.0.join(format!("{dialect}.html"));
        let (capture, page) = (capture.to_string_lossy(), page.to_string_lossy());
        let shown = explain(&["explain", &capture, "--dialect", dialect]);
        assert_eq!(shown.status.code(), Some(1), "{dialect}");
        let shown = String::from_utf8(shown.stdout).expect("UTF-8");
        assert!(!shown.contains(steers), "{dialect}: {shown:?}");
        assert!(shown.contains("<script>"), "a person sees what came: {shown}");
        let output = explain(&["explain", &capture, "--dialect", dialect, "--html", &page]);
        assert_eq!(output.status.code(), Some(1), "{dialect}");
        let text = std::fs::read_to_string(page.as_ref()).expect("the page");
        assert!(!text.contains(steers), "{dialect}: {text:?}");
        let known = [
            "!DOCTYPE", "html", "head", "meta", "title", "style", "body", "h1", "h2", "p", "div",
            "span", "ruby", "rt", "table", "tr", "th", "td", "b", "br",
        ];
        for tag in text.split('<').skip(1) {
            let name = tag.trim_start_matches('/').split([' ', '>']).next().expect("a name");
            assert!(known.contains(&name), "{dialect}: <{name}");
            let attributes = tag.split('>').next().unwrap_or("").matches('=').count();
            assert!(attributes <= 1, "{dialect}: <{tag}");
        }
        assert!(!text.contains("src=x") || text.contains("&#60;img src=x"), "{dialect}");
        assert!(text.contains("not understood"), "{dialect}");
    }
}

/// The page needs nothing else and is cut for paper.
#[test]
fn the_page_stands_alone() {
    let folder = Folder::new("page");
    let page = folder.0.join("page.html");
    let capture = "fixtures/listen/ticket/abnormal.cap";
    let shown = page.to_string_lossy();
    let output =
        explain(&["explain", capture, "--dialect", "ticket", "--units", "si", "--html", &shown]);
    assert_eq!(output.status.code(), Some(0), "{}", String::from_utf8_lossy(&output.stderr));
    let text = std::fs::read_to_string(&page).expect("the page");
    for wanted in [
        "@page { size: A4",
        "<rt>grade</rt>",
        "4 of 6",
        "22 mmol/L",
        "OBX|5|NM|59156-0",
        "&#60;CR&#62;",
    ] {
        assert!(text.contains(wanted), "{wanted}: {text}");
    }
    for foreign in ["http:", "https:", "<script", "<link", "src=", "url("] {
        assert!(!text.contains(foreign), "{foreign}");
    }
}

/// A command that goes on until it is told to stop.
pub struct Running {
    child: Child,
    out: BufReader<std::process::ChildStdout>,
    err: BufReader<std::process::ChildStderr>,
}

impl Running {
    pub fn start(words: &[&str]) -> Self {
        let mut child = Command::new(binary())
            .args(words)
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            .spawn()
            .expect("it can be started");
        let out = BufReader::new(child.stdout.take().expect("its output is ours"));
        let err = BufReader::new(child.stderr.take().expect("its words are ours"));
        Self { child, out, err }
    }

    pub fn line(&mut self) -> String {
        let mut line = String::new();
        self.out.read_line(&mut line).expect("a line");
        line
    }

    /// Waits until it has said this.
    pub fn says(&mut self, wanted: &str) {
        let mut line = String::new();
        while !line.contains(wanted) {
            line.clear();
            let count = self.err.read_line(&mut line).expect("a line");
            assert!(count > 0, "it ended without saying {wanted:?}");
        }
    }

    pub fn interrupt(&self) {
        let raw = i32::try_from(self.child.id()).expect("a process id");
        let pid = rustix::process::Pid::from_raw(raw).expect("not 0");
        rustix::process::kill_process(pid, rustix::process::Signal::INT).expect("it is there");
    }

    pub fn ends(&mut self) -> (Option<i32>, String) {
        let mut rest = String::new();
        self.out.read_to_string(&mut rest).expect("text");
        (self.child.wait().expect("it ends").code(), rest)
    }
}

impl Drop for Running {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

#[test]
fn follow_shows_reports_as_the_daemon_hears_them() {
    for (dialect, style) in [("lis02", Style::Lis02), ("two-column", Style::TwoColumn)] {
        let folder = Folder::new("follow");
        runtime().block_on(async {
            let (port, line) = pty();
            let text = configuration(&line, dialect, "ten-pad", "dir:out", "");
            let config = folder.write("wickline.toml", &text);
            std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
            let mut daemon = Daemon::start(&config);
            let mut bench = analyzer(port, style);
            let earlier = script(2, 5);
            bench.run(&earlier, |_, _| ()).await.expect("the line holds");
            for _ in &earlier.run {
                daemon.wait_for(|e| e["event"] == "report");
            }
            let config = config.to_string_lossy().into_owned();
            let follow =
                ["--config", &config, "--json", "explain", "--follow", "--analyzer", "bench-1"];
            let mut live = Running::start(&[&follow[..], &["--count", "3"]].concat());
            live.says("following bench-1");
            let mut later = script(5, 6);
            later.run.drain(..2);
            bench.run(&later, |_, _| ()).await.expect("the line holds");
            for run in &later.run {
                let shown: Value = serde_json::from_str(&live.line()).expect("JSON");
                let report = &shown["reports"][0];
                assert_eq!(report["specimen"], run.specimen.as_str(), "{dialect}");
                assert_eq!(report["readings"].as_array().map(Vec::len), Some(10));
                assert_eq!(shown["not_understood"], json!([]));
                let first = report["anatomy"][0]["heard"].as_str().expect("as heard");
                assert!(!first.is_empty());
            }
            assert_eq!(live.ends().0, Some(0), "{dialect}");
            let mut all = Running::start(&[&follow[..], &["--all"]].concat());
            for run in earlier.run.iter().chain(&later.run) {
                let shown: Value = serde_json::from_str(&all.line()).expect("JSON");
                assert_eq!(shown["reports"][0]["specimen"], run.specimen.as_str(), "{dialect}");
            }
            all.interrupt();
            assert_eq!(all.ends(), (Some(0), String::new()), "{dialect}");
            // The daemon was not disturbed.
            let day = crate::kit::ask(Path::new(&config), &["day"]);
            assert_eq!(day["totals"]["held"], 0, "{day}");
            assert_eq!(daemon.stop(), 0);
            // Without one the tape can be read as well, and stays as it is to the byte.
            let tape = || std::fs::read(folder.0.join("tape.db")).expect("the tape");
            let before = tape();
            let mut late = Running::start(&[&follow[..], &["--all", "--count", "1"]].concat());
            assert_eq!(late.ends().0, Some(0), "{dialect}");
            assert!(tape() == before, "{dialect}: the tape was written");
        });
    }
}

#[test]
fn following_where_there_is_no_tape_says_so() {
    let folder = Folder::new("no-tape");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    let output = crate::kit::run(&config, &["explain", "--follow"]);
    assert_eq!(output.status.code(), Some(3));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("tape.db") && said.contains("`wickline run` makes it"), "{said}");
    assert!(!folder.0.join("tape.db").exists(), "it makes none");
}

#[test]
fn listen_shows_and_keeps_what_a_line_carries() {
    let folder = Folder::new("listen");
    runtime().block_on(async {
        let (mut port, line) = pty();
        let save = folder.0.join("kept.cap");
        let shown = save.to_string_lossy().into_owned();
        let capture = root().join("fixtures/listen/two-column/complete.cap");
        let bytes = std::fs::read(capture).expect("a fixture");
        let mut listen = Running::start(&["--json", "listen", &line, "--save", &shown]);
        listen.says("listening on");
        let link = b"\x05\x05\x021H|\\^&\r\x03A4\r\n";
        port.write_all(link).await.expect("the line takes it");
        listen.says("waits for an ACK");
        let first: Value = serde_json::from_str(&listen.line()).expect("JSON");
        assert_eq!(first["text"], "<ENQ><ENQ><STX>1H|\\^&<CR><ETX>A4<CR><LF>");
        assert!(first["at"].as_str().is_some_and(|at| at.ends_with("+00:00")));
        port.write_all(&bytes).await.expect("the line takes it");
        for wanted in bytes.split_inclusive(|b| *b == b'\n') {
            let line: Value = serde_json::from_str(&listen.line()).expect("JSON");
            let text = String::from_utf8_lossy(wanted).replace('\r', "<CR>").replace('\n', "<LF>");
            assert_eq!(line["text"], text);
        }
        listen.interrupt();
        assert_eq!(listen.ends().0, Some(0));
        // Nothing was answered: at the analyzer's end there is only that nobody is there any more.
        let mut said = Vec::new();
        assert!(port.read(&mut said).await.is_err());
        assert_eq!(said, b"");
        let kept = std::fs::read(&save).expect("the capture");
        assert_eq!(kept, [&link[..], &bytes].concat(), "byte for byte");
        let again = explain(&["listen", &line, "--save", &shown, "--seconds", "1"]);
        assert_eq!(again.status.code(), Some(2), "a capture is not written over");
        assert_eq!(std::fs::read(&save).expect("the capture"), kept);
        // What was kept is a capture.
        std::fs::write(&save, kept.get(link.len()..).expect("the print")).expect("a file");
        let found = answer(&["--json", "explain", &shown, "--dialect", "two-column"]);
        let readings = found["reports"][0]["readings"].as_array().expect("readings").len();
        assert_eq!(readings, 10);
    });
}

#[test]
fn listen_leaves_a_daemons_line_alone() {
    let folder = Folder::new("held-line");
    runtime().block_on(async {
        let (port, line) = pty();
        let text = configuration(&line, "lis02", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        std::fs::create_dir_all(folder.0.join("out")).expect("a folder");
        let mut daemon = Daemon::start(&config);
        // What was delivered shows that the daemon has the line.
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script(1, 3), |_, _| ()).await.expect("the line holds");
        daemon.wait_for(|e| e["event"] == "report");
        for more in [&[][..], &["--find-speed"]] {
            let output = explain(&[&["listen", &line, "--seconds", "30"], more].concat());
            let said = String::from_utf8_lossy(&output.stderr).into_owned();
            assert_eq!(output.status.code(), Some(3), "{said}");
            assert!(said.contains("holds this line"), "{said}");
        }
        let mut later = script(2, 4);
        later.run.remove(0);
        bench.run(&later, |_, _| ()).await.expect("the line still works");
        daemon.wait_for(|e| e["event"] == "report");
        assert_eq!(daemon.stop(), 0);
    });
}

/// Control material has no reference; what names it beside a sign of one is said with the key.
#[test]
fn of_control_material_it_is_said_why_there_is_no_flag_and_which_key_names_it() {
    let folder = Folder::new("control-explained");
    let text = configuration("listen:127.0.0.1:0", "two-column", "ten-pad", "dir:out", "");
    let file = folder.write("w.toml", &format!("{text}[reference]\nGLU = \"NEG\"\n"));
    let config = file.to_string_lossy().into_owned();
    let capture = "fixtures/listen/two-column/control.cap";
    let found =
        answer(&["--json", "--config", &config, "explain", capture, "--analyzer", "bench-1"]);
    let report = &found["reports"][0];
    let readings = report["readings"].as_array().expect("readings");
    let glucose = readings.iter().find(|r| r["printed"]["label"] == "GLU" || r["label"] == "GLU");
    let why = glucose.expect("glucose")["flag_why"].as_str().expect("why").to_owned();
    assert_eq!(why, "none: control material gets no flag");
    let holds = report["holds"].to_string();
    assert!(holds.contains("class-disagree") && holds.contains("control_specimens"), "{holds}");
}
