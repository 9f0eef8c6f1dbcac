//! The pages for people as a program asks for them: who gets in, which forms are taken, and that an act on a page is
//! the same act as the command's.

use std::io::{BufRead, BufReader, Read, Write};
use std::path::{Path, PathBuf};

use wickline::simulate::analyzer::Style;
use wickline_forward::receive::Receiver;

use crate::kit::{Daemon, Folder, ask, program, run, until};
use crate::way::{analyzer, practice, runtime, script};

pub const WORD: &str = "four tubes on a tray";

/// What came back.
#[derive(Debug)]
pub struct Page {
    pub code: u16,
    pub head: String,
    pub body: String,
}

impl Page {
    pub fn header(&self, name: &str) -> Option<&str> {
        let line = |line: &&str| {
            let (known, _) = line.split_once(':').unwrap_or(("", ""));
            known.eq_ignore_ascii_case(name)
        };
        self.head.lines().find(line).and_then(|line| Some(line.split_once(':')?.1.trim()))
    }

    /// The value of a hidden field, of the first form that has it.
    pub fn field(&self, name: &str) -> String {
        let from = format!("name=\"{name}\" value=\"");
        let (_, rest) =
            self.body.split_once(&from).unwrap_or_else(|| panic!("{name}: {}", self.body));
        rest.split('"').next().expect("a value").to_owned()
    }
}

/// A browser without a script: it keeps one cookie and follows nothing.
#[derive(Clone)]
pub struct Browser {
    pub address: String,
    pub cookie: String,
    /// What it says of itself beside that.
    pub more: String,
    /// By which name it asks. None: by the address.
    pub host: Option<String>,
}

impl Browser {
    pub fn new(address: &str) -> Self {
        Self { address: address.to_owned(), cookie: String::new(), more: String::new(), host: None }
    }

    pub fn ask(&self, method: &str, path: &str, body: &str) -> Page {
        let mut stream = std::net::TcpStream::connect(&self.address).expect("the console");
        let (cookie, more) = (&self.cookie, &self.more);
        let host = self.host.as_ref().unwrap_or(&self.address);
        let kind = match method {
            "POST" => "Content-Type: application/x-www-form-urlencoded\r\n",
            _ => "",
        };
        let ask = format!(
            "{method} {path} HTTP/1.1\r\nHost: {host}\r\nConnection: close\r\nCookie: {cookie}\r\n{kind}{more}\
             Content-Length: {}\r\n\r\n{body}",
            body.len()
        );
        stream.write_all(ask.as_bytes()).expect("asked");
        let mut bytes = Vec::new();
        stream.read_to_end(&mut bytes).expect("answered");
        let text = String::from_utf8_lossy(&bytes).into_owned();
        let (head, body) = text.split_once("\r\n\r\n").unwrap_or((&text, ""));
        let code = head.split(' ').nth(1).and_then(|code| code.parse().ok()).unwrap_or(0);
        Page { code, head: head.to_owned(), body: body.to_owned() }
    }

    pub fn get(&self, path: &str) -> Page {
        self.ask("GET", path, "")
    }

    pub fn post(&self, path: &str, fields: &[(&str, &str)]) -> Page {
        self.ask("POST", path, &encoded(fields))
    }

    /// Fills in the form of a page and sends it, with what the page hid in it.
    pub fn send(&self, page: &Page, path: &str, fields: &[(&str, &str)]) -> Page {
        let (token, once) = (page.field("token"), page.field("once"));
        let mut all = vec![("token", token.as_str()), ("once", once.as_str())];
        let seen = page.body.contains("name=\"seen\"").then(|| page.field("seen"));
        all.extend(seen.as_deref().map(|seen| ("seen", seen)));
        all.extend(fields);
        self.post(path, &all)
    }

    /// Keeps the cookie that an answer brings.
    pub fn keep(&mut self, page: &Page) {
        let cookie =
            page.header("set-cookie").unwrap_or_else(|| panic!("no cookie: {}", page.head));
        self.cookie = cookie.split(';').next().expect("a cookie").to_owned();
    }

    /// Signs in with the password.
    pub fn sign_in(&mut self, name: &str) -> Page {
        let page = self.post("/login", &[("name", name), ("password", WORD)]);
        if page.code == 303 {
            self.keep(&page);
        }
        page
    }
}

fn encoded(fields: &[(&str, &str)]) -> String {
    let byte = |b: u8| match b {
        b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' => char::from(b).to_string(),
        b => format!("%{b:02X}"),
    };
    let text = |text: &str| text.bytes().map(byte).collect::<String>();
    let all: Vec<_> = fields.iter().map(|(k, v)| format!("{}={}", text(k), text(v))).collect();
    all.join("&")
}

/// Lets somebody in and has them choose the password.
pub fn let_in(config: &Path, address: &str, name: &str, role: &str) -> Browser {
    let code = ask(config, &["user", "add", name, "--role", role])["code"].clone();
    let code = code.as_str().expect("a code").to_owned();
    let mut browser = Browser::new(address);
    let page = browser.post("/first", &[("code", &code), ("password", WORD), ("again", WORD)]);
    assert_eq!(page.code, 303, "{}", page.body);
    browser.keep(&page);
    browser
}

/// A bench with the pages, and strips that were heard on it: of some the specimen id is blank.
struct Bench {
    daemon: Daemon,
    config: PathBuf,
    address: String,
    _receiver: Receiver,
}

impl Bench {
    async fn with(folder: &Folder, specimens: &[&str]) -> Self {
        let (receiver, port, config) = practice(folder, &["aa"]).await;
        let text = std::fs::read_to_string(&config).expect("a configuration");
        let config =
            folder.write("pages.toml", &format!("{text}\n[console]\nlisten = \"127.0.0.1:0\"\n"));
        let (mut daemon, ready) = Daemon::start_ready(&config);
        let address = ready["console"].as_str().expect("the console").to_owned();
        let mut script = script(specimens.len(), 7);
        for (run, specimen) in script.run.iter_mut().zip(specimens) {
            run.specimen = (*specimen).to_owned();
        }
        let mut bench = analyzer(port, Style::Lis02);
        bench.run(&script, |_, _| ()).await.expect("the line holds");
        for _ in specimens {
            daemon.wait_for(|e| e["event"] == "report");
        }
        Self { daemon, config, address, _receiver: receiver }
    }

    fn held(&self) -> Vec<String> {
        let held = ask(&self.config, &["held"]);
        let ids = held["items"].as_array().expect("a list").iter();
        ids.filter_map(|i| i["id"].as_str().map(str::to_owned)).collect()
    }
}

#[test]
fn nobody_gets_in_without_a_code_or_a_password_and_nothing_is_shown_before() {
    let folder = Folder::new("pages-in");
    runtime().block_on(async {
        let bench = Bench::with(&folder, &["KP-20417"]).await;
        let stranger = Browser::new(&bench.address);
        for path in [
            "/",
            "/today",
            "/held",
            "/report/1",
            "/queue",
            "/day",
            "/trail",
            "/people",
            "/me",
            "/events",
        ] {
            let page = stranger.get(path);
            assert_eq!(page.code, 303, "{path}");
            assert!(page.header("location").is_some_and(|to| to.starts_with("/login")), "{path}");
            assert!(!page.body.contains("KP-20417"));
        }
        let page = stranger.post("/held/1/release", &[("reason", "because")]);
        assert_eq!(page.code, 401, "what was sent is not lost without a word: {}", page.body);
        let page = stranger.get("/login");
        assert!(page.code == 200 && page.body.contains("wickline user add"), "{}", page.body);
        assert!(page.header("set-cookie").is_none(), "a session is not overwritten by a link");
        let csp = page.header("content-security-policy").expect("a policy");
        assert!(csp.contains("default-src 'none'") && !csp.contains("unsafe"), "{csp}");
        assert_eq!(page.header("cache-control"), Some("no-store"));
        // A code is good once.
        let code =
            ask(&bench.config, &["user", "add", "J. Mast", "--role", "keeper"])["code"].clone();
        let code = code.as_str().expect("a code");
        for (password, again, wanted) in [
            ("short", "short", 422),
            ("password12345", "password12345", 422),
            (WORD, "another", 422),
            (WORD, WORD, 303),
        ] {
            let fields = [("code", code), ("password", password), ("again", again)];
            assert_eq!(stranger.post("/first", &fields).code, wanted, "{password}");
        }
        let fields = [("code", code), ("password", WORD), ("again", WORD)];
        assert_eq!(stranger.post("/first", &fields).code, 403, "it is used up");
        // Name and password, however the name is written; and nothing says which of them was wrong.
        let mut mast = Browser::new(&bench.address);
        assert_eq!(mast.sign_in("j.  MAST").code, 303);
        let page = mast.get("/today");
        assert!(page.code == 200 && page.body.contains("KP-20417"), "{}", page.body);
        let mut wrong = Vec::new();
        for name in ["J. Mast", "nobody"] {
            let page = stranger.post("/login", &[("name", name), ("password", "not that one, no")]);
            assert_eq!(page.code, 403);
            wrong.push(page.body.replace(name, "NAME"));
        }
        assert_eq!(wrong[0], wrong[1]);
        for _ in 0..6 {
            stranger.post("/login", &[("name", "J. Mast"), ("password", "not that one, no")]);
        }
        let page = stranger.post("/login", &[("name", "J. Mast"), ("password", WORD)]);
        assert_eq!(page.code, 429, "even the right one has to wait: {}", page.body);
        assert_eq!(mast.get("/held").code, 200, "who is in stays in");
        // Out: the key that the browser had is worth nothing.
        let page = mast.get("/today");
        assert_eq!(mast.send(&page, "/leave", &[]).code, 303);
        assert_eq!(mast.get("/today").code, 303);
        assert_eq!(bench.daemon.stop(), 0);
    });
}

#[test]
fn a_key_that_somebody_chose_is_no_session_and_one_that_was_removed_ends() {
    let folder = Folder::new("pages-key");
    runtime().block_on(async {
        let bench = Bench::with(&folder, &["KP-20417"]).await;
        let mut fixed = Browser::new(&bench.address);
        let port = bench.address.rsplit(':').next().expect("a port").to_owned();
        fixed.cookie = format!("wickline-{port}={}", "a".repeat(64));
        assert_eq!(fixed.get("/today").code, 303);
        let keeper = let_in(&bench.config, &bench.address, "J. Mast", "keeper");
        assert_ne!(keeper.cookie, fixed.cookie);
        let olsen = let_in(&bench.config, &bench.address, "R. Olsen", "technologist");
        assert_eq!(olsen.get("/today").code, 200);
        assert_eq!(olsen.get("/people").code, 403);
        // Who signs in again in the same browser has one session: the one before is worth nothing.
        let mut again = olsen.clone();
        assert_eq!(again.sign_in("R. Olsen").code, 303);
        assert_ne!(again.cookie, olsen.cookie);
        assert_eq!(olsen.get("/today").code, 303);
        let olsen = again;
        // The keeper takes the other one out; the last keeper stays.
        let page = keeper.get("/people");
        let out = [("name", "R. Olsen"), ("act", "remove")];
        assert_eq!(keeper.send(&page, "/people", &out).code, 303);
        assert_eq!(olsen.get("/today").code, 303, "signed out at once");
        let page = keeper.get("/people");
        let refused = keeper.send(&page, "/people", &[("name", "J. Mast"), ("act", "remove")]);
        assert!(refused.code == 422 && refused.body.contains("last keeper"), "{}", refused.body);
        let done = run(&bench.config, &["user", "remove", "J. Mast"]);
        assert_eq!(done.status.code(), Some(2), "by command neither");
        // Sessions survive a restart of the daemon, on the same address.
        assert_eq!(bench.daemon.stop(), 0);
        let text = std::fs::read_to_string(&bench.config).expect("a configuration");
        let text = text.replace(
            "[console]\nlisten = \"127.0.0.1:0\"",
            &format!("[console]\nlisten = \"{}\"", bench.address),
        );
        let config = folder.write("again.toml", &text);
        let daemon = Daemon::start(&config);
        assert_eq!(keeper.get("/people").code, 200);
        // A new code ends them.
        assert_eq!(run(&config, &["user", "code", "J. Mast"]).status.code(), Some(0));
        assert_eq!(keeper.get("/people").code, 303);
        assert_eq!(daemon.stop(), 0);
    });
}

#[test]
fn a_form_is_taken_once_from_our_own_page_and_from_who_may() {
    let folder = Folder::new("pages-form");
    runtime().block_on(async {
        let bench = Bench::with(&folder, &["", "", "KP-20417"]).await;
        let technologist = let_in(&bench.config, &bench.address, "R. Olsen", "technologist");
        let viewer = let_in(&bench.config, &bench.address, "A. Reader", "viewer");
        let ids = bench.held();
        let [first, second] = &ids[..] else { panic!("{ids:?}") };
        let path = format!("/held/{first}");
        let act = format!("{path}/identify");
        let twice = [("specimen", "KP-30001"), ("again", "KP-30001")];
        let page = technologist.get(&path);
        // Without the token, with another session's, from another site, too large, of another kind.
        assert_eq!(technologist.post(&act, &twice).code, 410);
        let theirs = viewer.get("/today");
        assert_eq!(technologist.send(&theirs, &act, &twice).code, 410);
        let mut foreign = technologist.clone();
        for more in [
            "Origin: http://evil.test\r\n",
            "Sec-Fetch-Site: cross-site\r\n",
            "Sec-Fetch-Site: same-site\r\n",
        ] {
            foreign.more = more.into();
            assert_eq!(foreign.send(&page, &act, &twice).code, 403, "{more}");
        }
        let large = "x".repeat(20_000);
        assert_eq!(technologist.send(&page, &act, &[("specimen", &large)]).code, 413);
        // Who may only look.
        let page = viewer.get(&path);
        assert!(!page.body.contains("name=\"specimen\""), "no form for who may not");
        let refused = viewer.send(&viewer.get("/today"), &act, &twice);
        assert!(refused.code == 403 && refused.body.contains("technologist"), "{}", refused.body);
        assert_eq!(bench.held().len(), 2, "nothing was changed by any of it");
        // Two different scans change nothing, two equal ones do, and leads to the next blank one.
        let page = technologist.get(&path);
        let differ =
            technologist.send(&page, &act, &[("specimen", "KP-30001"), ("again", "KP-30010")]);
        assert!(differ.code == 422 && differ.body.contains("differ"), "{}", differ.body);
        // The first scan alone is judged and shown, and nothing is changed.
        let page = technologist.get(&path);
        let looked = technologist.send(&page, &act, &[("specimen", "KP-20417")]);
        assert!(
            looked.code == 200 && looked.body.contains("has a result already"),
            "{}",
            looked.body
        );
        let control = technologist.send(&page, &act, &[("specimen", "QC-L1")]);
        assert_eq!(control.code, 422, "that is control material: {}", control.body);
        let page = technologist.get(&path);
        let done = technologist.send(&page, &act, &twice);
        assert_eq!((done.code, done.header("location")), (303, Some(&*format!("/held/{second}"))));
        // Who presses twice acts once, and is led on as the first time.
        let again = technologist.send(&page, &act, &twice);
        assert_eq!(
            (again.code, again.header("location")),
            (303, Some(&*format!("/held/{second}")))
        );
        until(|| ask(&bench.config, &["queue"])["totals"]["accepted"].as_u64() == Some(2));
        let trail = ask(&bench.config, &["trail", "--object", &format!("report {first}")]);
        let acts: Vec<_> = trail["items"]
            .as_array()
            .expect("rows")
            .iter()
            .filter(|r| r["verb"] == "identify")
            .collect();
        assert_eq!(acts.len(), 1, "{trail}");
        assert_eq!(
            (acts[0]["who"].as_str(), acts[0]["login"].as_str()),
            (Some("R. Olsen"), Some("console"))
        );
        // Somebody was quicker: the form was made of another state.
        let path = format!("/held/{second}");
        let page = technologist.get(&path);
        let quick = ["held", "set-aside", second, "--reason", "spilled", "--as", "J. Mast"];
        assert_eq!(run(&bench.config, &quick).status.code(), Some(0));
        let late = technologist.send(&page, &format!("{path}/identify"), &twice);
        assert!(late.code == 409 && late.body.contains("J. Mast was quicker"), "{}", late.body);
        assert_eq!(bench.daemon.stop(), 0);
    });
}

#[test]
fn what_cannot_be_taken_back_asks_for_the_password_and_for_a_reason() {
    let folder = Folder::new("pages-password");
    runtime().block_on(async {
        let bench = Bench::with(&folder, &["", "KP-20417"]).await;
        let olsen = let_in(&bench.config, &bench.address, "R. Olsen", "technologist");
        let id = bench.held().remove(0);
        let (path, act) = (format!("/held/{id}"), format!("/held/{id}/set-aside"));
        // Just signed in: it counts for some minutes.
        let page = olsen.get(&path);
        assert!(!page.body.contains("type=\"password\""), "{}", page.body);
        let refused = olsen.send(&page, &act, &[("reason", "  \u{200b} ")]);
        assert!(
            refused.code == 422 && refused.body.contains("A reason is needed"),
            "{}",
            refused.body
        );
        let done = olsen.send(&olsen.get(&path), &act, &[("reason", "spilled <b>&\u{202e}")]);
        assert_eq!(done.code, 303, "{}", done.body);
        assert_eq!(bench.held().len(), 0);
        // It is taken back and done again.
        let report = format!("/report/{id}");
        let undo = [("reason", "the wrong tube")];
        let back = olsen.send(&olsen.get(&report), &format!("{report}/undo"), &undo);
        assert_eq!((back.code, bench.held().len()), (303, 1), "{}", back.body);
        let done = olsen.send(&olsen.get(&path), &act, &[("reason", "spilled <b>&\u{202e}")]);
        assert_eq!((done.code, bench.held().len()), (303, 0), "{}", done.body);
        // To read again what went out is an analyst's.
        let refused = olsen.send(&olsen.get(&report), &format!("{report}/correct"), &undo);
        assert!(refused.code == 403 && refused.body.contains("analyst"), "{}", refused.body);
        let analyst = let_in(&bench.config, &bench.address, "A. Analyst", "analyst");
        until(|| ask(&bench.config, &["queue"])["totals"]["accepted"].as_u64() == Some(1));
        let page = analyst.get("/report/2");
        let same = analyst.send(&page, "/report/2/correct", &[("reason", "a new file")]);
        assert_eq!(same.code, 303, "{}", same.body);
        let said = analyst.get("/report/2").body;
        assert!(said.contains("0 readings changed"), "nothing is new: {said}");
        // What a person wrote is text on every page.
        for path in [format!("/report/{id}"), "/trail".into(), "/day".into()] {
            let page = olsen.get(&path);
            let page = page.header("location").map(|to| olsen.get(to)).unwrap_or(page);
            assert_eq!(page.code, 200, "{path}");
            assert!(!page.body.contains("<b>&"), "{path}");
            assert!(!page.body.contains('\u{202e}'), "{path}");
        }
        // A day is closed by what a person types from the analyzer's screen.
        let today = olsen.get("/day");
        let day = today.header("location").expect("today").to_owned();
        let page = olsen.get(&day);
        let wrong = olsen.send(&page, &format!("{day}/close"), &[("last bench-1", "9")]);
        assert_eq!(wrong.code, 409, "numbers would be missing: {}", wrong.body);
        until(|| ask(&bench.config, &["queue"])["totals"]["accepted"].as_u64() == Some(1));
        let closed =
            olsen.send(&olsen.get(&day), &format!("{day}/close"), &[("last bench-1", "2")]);
        assert_eq!(closed.code, 303, "{}", closed.body);
        let said = olsen.get(&day).body;
        assert!(said.contains("Closed by R. Olsen"), "{said}");
        assert_eq!(bench.daemon.stop(), 0);
    });
}

#[test]
fn a_scan_finds_and_no_id_stands_in_an_address() {
    let folder = Folder::new("pages-find");
    runtime().block_on(async {
        let bench = Bench::with(&folder, &["KP-20417", "KP-20418", "KP-20418"]).await;
        let viewer = let_in(&bench.config, &bench.address, "A. Reader", "viewer");
        let page = viewer.get("/today");
        let found = viewer.send(&page, "/find", &[("find", "KP-20417\r")]);
        assert_eq!(found.code, 303);
        let to = found.header("location").expect("a page").to_owned();
        assert!(to.starts_with("/report/"), "{to}");
        assert!(viewer.get(&to).body.contains("KP-20417"));
        let several = viewer.send(&viewer.get("/today"), "/find", &[("find", "KP-20418")]);
        let to = several.header("location").expect("a page").to_owned();
        assert!(to.starts_with("/find/") && !to.contains("KP"), "{to}");
        assert!(viewer.get(&to).body.matches("KP-20418").count() >= 2);
        // Another session does not see what this one looked for.
        let other = let_in(&bench.config, &bench.address, "B. Reader", "viewer");
        assert_eq!(other.get(&to).code, 404);
        let none = viewer.send(&viewer.get("/today"), "/find", &[("find", "<script>KP</script>")]);
        let page = viewer.get(none.header("location").expect("a page"));
        assert!(page.code == 200 && !page.body.contains("<script>KP"), "{}", page.body);
        assert_eq!(bench.daemon.stop(), 0);
    });
}

#[test]
fn paths_and_headers_that_are_none_of_ours_do_nothing() {
    let folder = Folder::new("pages-odd");
    runtime().block_on(async {
        let bench = Bench::with(&folder, &["", "KP-20417"]).await;
        let olsen = let_in(&bench.config, &bench.address, "R. Olsen", "technologist");
        let id = bench.held().remove(0);
        // A question changes nothing, whatever its address: acts are taken as forms alone.
        for path in [
            format!("/held/{id}/release?reason=because"),
            format!("/held/{id}/identify?specimen=KP-1&again=KP-1"),
            "/queue/pause?receiver=lis".into(),
            "/leave".into(),
        ] {
            assert_eq!(olsen.get(&path).code, 405, "{path}");
        }
        let odd = [
            "/report/../../../etc/passwd",
            "/look/../today",
            "/look/%2e%2e%2ftoday",
            "/report/0",
            "/report/-1",
            "/report/99999999999999999999",
            "/held/1%20OR%201=1",
            "/report/4242",
            "/day/2026-13-45",
            "/day/..%2f",
            "/find/0123456789abcdef",
            "/report/1/message/..%2f",
            "//evil.test/",
            "/today/%00",
        ];
        for path in odd {
            let page = olsen.get(path);
            assert_eq!(page.code, 404, "{path}: {}", page.body);
            assert!(!page.body.contains("KP-20417"), "{path}");
        }
        assert_eq!(olsen.ask("DELETE", "/report/1", "").code, 405);
        // A host that is none, twice a host, and none at all.
        for more in ["Host: evil.test\r\n", "Host: 127.0.0.1\r\n"] {
            let mut two = olsen.clone();
            two.more = more.into();
            assert_eq!(two.get("/today").code, 421, "{more}");
        }
        // Where no proxy is configured nobody says from where they come: tries count for the one who makes them.
        let mut guesser = Browser::new(&bench.address);
        for n in 0..6 {
            guesser.more = format!("X-Forwarded-For: 192.0.2.{n}\r\n");
            guesser.post("/login", &[("name", "R. Olsen"), ("password", "not that one, no")]);
        }
        guesser.more = "X-Forwarded-For: 192.0.2.99\r\n".into();
        let page = guesser.post("/login", &[("name", "R. Olsen"), ("password", WORD)]);
        assert_eq!(page.code, 429, "{}", page.body);
        // A form with a thousand fields.
        let page = olsen.get(&format!("/held/{id}"));
        let many: Vec<_> = (0..1000).map(|_| ("report", "1 x")).collect();
        assert_eq!(olsen.send(&page, "/held", &many).code, 400);
        // Nothing of it did anything, and the bench still hears.
        assert_eq!(bench.held(), [id]);
        for verb in ["release", "identify", "pause", "set-aside"] {
            let trail = ask(&bench.config, &["trail"]);
            let rows = trail["items"].as_array().expect("rows");
            assert!(!rows.iter().any(|row| row["verb"] == verb), "{verb}");
        }
        assert_eq!(olsen.get("/today").code, 200);
        assert_eq!(bench.daemon.stop(), 0);
    });
}

/// A newcomer sees the pages with nothing configured.
#[test]
fn the_demonstration_leaves_its_pages_up_until_it_is_stopped() {
    let folder = Folder::new("pages-demo");
    let mut child = program()
        .args(["demo", "--serve", "127.0.0.1:0", "--keep"])
        .arg(folder.0.join("kept"))
        .stdout(std::process::Stdio::piped())
        .spawn()
        .expect("the demonstration");
    let mut lines = BufReader::new(child.stdout.take().expect("what it says")).lines();
    let told = lines.find_map(|line| {
        let line = line.expect("text");
        line.strip_prefix("Its pages: http://").map(str::to_owned)
    });
    let told = told.expect("where its pages are");
    let (address, rest) = told.split_once("/first").expect("an address");
    let code = rest.rsplit(' ').next().expect("a code");
    let mut newcomer = Browser::new(address);
    let page = newcomer.post("/first", &[("code", code), ("password", WORD), ("again", WORD)]);
    assert_eq!(page.code, 303, "{}", page.body);
    newcomer.keep(&page);
    let today = newcomer.get("/today");
    assert!(today.body.contains("No specimen id was printed"), "{}", today.body);
    assert_eq!(newcomer.get("/orders").code, 200);
    let interrupt = rustix::process::Signal::INT;
    let pid = rustix::process::Pid::from_child(&child);
    rustix::process::kill_process(pid, interrupt).expect("it is told");
    assert_eq!(child.wait().expect("it ends").code(), Some(0));
    let beyond = program().args(["demo", "--serve", "0.0.0.0:8420"]).output().expect("it answers");
    assert_eq!(beyond.status.code(), Some(2), "the demonstration is nobody else's to see");
}
