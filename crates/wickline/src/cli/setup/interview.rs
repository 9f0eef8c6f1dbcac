//! Asks one question after the other, judges each answer at once, and goes back when it is told to.

mod evidence;

use std::path::Path;
use std::sync::Arc;

use wickline_listen::dialect::{self, Dialect};
use wickline_listen::line::LineSpec;
use wickline_normalize::strip::Strip;

use super::hearing;
use super::ports::Seen;
use super::steps::{STEPS, Step, What};
use super::{OF_THE_PACKAGE, Options};
use crate::cli::Failure;
use crate::cli::output::{Output, visible};
use crate::cli::person::asked;
use crate::clock;
use crate::setup::Answers;
use crate::sketch::{Capture, Draft, sketch};

/// Goes to the question before.
pub const BACK: &str = "back";

/// A draft and the name that its files will have.
#[derive(Clone, Debug)]
pub struct Drafted {
    pub name: String,
    pub dialect: String,
    pub strip: String,
}

impl Drafted {
    pub fn dialect_file(&self) -> String {
        format!("{}.toml", self.name)
    }

    pub fn strip_file(&self) -> String {
        format!("{}-strip.toml", self.name)
    }
}

/// What is known in the end.
pub struct Known {
    pub answers: Answers,
    pub drafted: Option<Drafted>,
    pub prints: Vec<Vec<u8>>,
}

pub struct Interview<'a> {
    options: &'a Options,
    out: &'a Output,
    file: &'a Path,
    answers: Answers,
    /// What was heard, each print by itself.
    prints: Vec<Vec<u8>>,
    drafted: Option<Drafted>,
    /// What listening found, to be confirmed; None where it is not sure.
    suggested: Option<String>,
    ports: Vec<Seen>,
    asks: bool,
    /// The next question, and those that a person answered.
    at: usize,
    asked: Vec<usize>,
}

/// A folder for results is named from the root on: below what another name would be, here and for the service, is not
/// the same, and a word such as `yes` is none.
fn named_whole(folder: &Path) -> Result<(), String> {
    let why = match std::fs::metadata(folder) {
        _ if !folder.is_absolute() => "is not named from / on",
        Ok(found) if !found.is_dir() => "is no folder",
        _ => return Ok(()),
    };
    let shown = folder.display();
    Err(format!("`{shown}` {why}; allowed: the whole path of a folder, such as /var/lib/wickline"))
}

/// How a question was left.
enum Left {
    Answered,
    Back,
}

impl<'a> Interview<'a> {
    pub fn new(
        options: &'a Options,
        out: &'a Output,
        file: &'a Path,
        prints: Vec<Vec<u8>>,
        asks: bool,
    ) -> Self {
        let (answers, drafted, suggested) = (Answers::default(), None, None);
        let (ports, asked) = (Vec::new(), Vec::new());
        Self { options, out, file, answers, prints, drafted, suggested, ports, asks, at: 0, asked }
    }

    pub fn found(&self) -> Known {
        let Self { answers, drafted, prints, .. } = self;
        Known { answers: answers.clone(), drafted: drafted.clone(), prints: prints.clone() }
    }

    /// To the question that was answered last.
    pub fn back(&mut self) {
        match self.asked.pop() {
            Some(before) => self.at = before,
            None => eprintln!("this is the first question"),
        }
    }

    /// Every question that applies, until all are answered. Unattended, everything that lacks is named at once.
    pub async fn all(&mut self) -> Result<(), Failure> {
        if self.asks && self.at == 0 {
            let file = visible(&self.file.display().to_string());
            eprintln!(
                "Questions for {file}. Enter takes what stands in brackets, {BACK} goes to the question before; \
                 nothing is written before the end."
            );
        }
        let mut lacking = Vec::new();
        while let Some(step) = STEPS.get(self.at) {
            if !self.applies(step) {
                self.forget(step);
            } else if let Some(text) = step.given(self.options) {
                let about = |why| Failure::wrong(format!("{}: {why}", step.flag));
                self.settle(step, &text).map_err(about)?;
            } else if !self.asks {
                match self.usual(step) {
                    Some(text) => self
                        .settle(step, &text)
                        .map_err(|why| Failure::wrong(format!("{}: {why}", step.flag)))?,
                    None => lacking.push(step.flag),
                }
            } else {
                match self.ask(step).await? {
                    Left::Answered => self.asked.push(self.at),
                    Left::Back => {
                        self.back();
                        continue;
                    }
                }
            }
            self.at += 1;
        }
        if lacking.is_empty() {
            return Ok(());
        }
        let lacking = lacking.join(", ");
        Err(Failure::wrong(format!(
            "nothing is asked here, and nothing was written: give {lacking}"
        )))
    }

    fn applies(&self, step: &Step) -> bool {
        let line = self.answers.get("analyzer", "line").unwrap_or_default();
        match step.what {
            What::Allow => line.starts_with("listen:"),
            // Until there is a line, it may be a serial one.
            What::Speed => {
                line.is_empty() || line.starts_with("serial:") || line.starts_with("rfc2217:")
            }
            _ => true,
        }
    }

    fn forget(&mut self, step: &Step) {
        let (table, key) = step.key;
        self.answers.forget(table, key);
        if step.what == What::Speed {
            self.answers.forget("analyzer", "framing");
        }
    }

    /// What Enter takes, and what stands where nobody is asked.
    fn usual(&self, step: &Step) -> Option<String> {
        let (table, key) = step.key;
        let own = match step.what {
            What::Plain if key == "timezone" => clock::zone_of_this_machine(),
            What::Stores => {
                let package = self.file == Path::new(OF_THE_PACKAGE);
                Some(if package { "/var/lib/wickline" } else { "." }.to_owned())
            }
            What::Controls => self.dialect().is_some_and(|d| d.control_sign()).then(String::new),
            _ => step.usual.map(str::to_owned),
        };
        if !self.asks {
            return own;
        }
        let before = match step.what {
            What::Speed | What::Stores | What::Controls => None,
            _ => self.answers.get(table, key),
        };
        before.or(own)
    }

    /// Takes an answer, or says what is allowed.
    fn settle(&mut self, step: &Step, text: &str) -> Result<(), String> {
        let (table, key) = step.key;
        let before = self.answers.clone();
        let taken = match step.what {
            What::Line => self.line(text),
            What::Speed => self.speed(text),
            What::Controls => self.controls(text),
            What::Stores => self.stores(text),
            What::Allow => self.put(table, key, text).and_then(|()| self.judged("line")),
            What::Dialect | What::Strip if self.is_drafted(text) => {
                self.answers.put(table, key, text)
            }
            What::Address => self.address(text),
            _ => self.put(table, key, text),
        };
        if taken.is_err() {
            self.answers = before;
        }
        taken
    }

    fn put(&mut self, table: &str, key: &str, text: &str) -> Result<(), String> {
        self.answers.put(table, key, text).map_err(|allowed| format!("allowed: {allowed}"))?;
        self.answers.objection(self.file, table, key).map_or(Ok(()), Err)
    }

    fn judged(&self, key: &str) -> Result<(), String> {
        self.answers.objection(self.file, "analyzer", key).map_or(Ok(()), Err)
    }

    fn line(&mut self, text: &str) -> Result<(), String> {
        let listed = text.parse::<usize>().ok().and_then(|n| self.ports.get(n.checked_sub(1)?));
        let line = match listed {
            Some(port) => format!("serial:{}", port.name.display()),
            None if text.starts_with('/') => format!("serial:{text}"),
            None => text.to_owned(),
        };
        if self.answers.get("analyzer", "line").is_some_and(|before| before != line) {
            self.prints.clear();
        }
        self.answers.forget("analyzer", "allow");
        if line.starts_with("listen:") {
            // Who may connect is asked next.
            self.answers.put("analyzer", "allow", "192.0.2.1")?;
        }
        let put = self.put("analyzer", "line", &line);
        self.answers.forget("analyzer", "allow");
        put
    }

    fn speed(&mut self, text: &str) -> Result<(), String> {
        let allowed = "allowed: a speed and a framing, such as 9600 8N1";
        let (speed, framing) = text.trim().split_once([' ', ',']).ok_or(allowed)?;
        self.put("analyzer", "speed", speed)?;
        self.put("analyzer", "framing", framing)
    }

    fn controls(&mut self, text: &str) -> Result<(), String> {
        self.answers.forget("analyzer", "control_specimens");
        let signed = self.dialect().is_none_or(|dialect| dialect.control_sign());
        let controls = match text.trim() {
            "" if !signed => {
                let allowed = "allowed: ids with their levels, or none: the print has no sign of control material";
                return Err(allowed.into());
            }
            "" => "marked",
            "none" | "no" => "none",
            // As the print itself marks it, which is what is left to say yes to.
            "yes" | "marked" if signed => "marked",
            word @ ("yes" | "marked") => {
                return Err(format!(
                    "`{word}` names no control material, and the print has no sign of it; allowed: specimen ids with \
                     their levels, such as QC-L1*=1, or none"
                ));
            }
            ids => {
                self.put("analyzer", "control_specimens", ids)?;
                "marked"
            }
        };
        self.put("analyzer", "controls", controls)
    }

    fn stores(&mut self, text: &str) -> Result<(), String> {
        let folder = Path::new(text.trim());
        if folder != Path::new(".") {
            named_whole(folder)?;
        }
        let within = |name: &str| folder.join(name).display().to_string();
        let below = |name: &str| if folder == Path::new(".") { name.into() } else { within(name) };
        self.put("store", "tape", &below("tape.db"))?;
        self.put("store", "ledger", &format!("sqlite:{}", below("ledger.db")))
    }

    fn address(&mut self, text: &str) -> Result<(), String> {
        self.put("receiver", "address", text)?;
        text.trim().strip_prefix("dir:").map_or(Ok(()), |folder| named_whole(Path::new(folder)))
    }

    fn is_drafted(&self, name: &str) -> bool {
        self.drafted.as_ref().is_some_and(|d| d.dialect_file() == name || d.strip_file() == name)
    }

    /// The dialect that was answered.
    fn dialect(&self) -> Option<Arc<dyn Dialect>> {
        let name = self.answers.get("analyzer", "dialect")?;
        if let Some(drafted) = self.drafted.as_ref().filter(|d| d.dialect_file() == name) {
            return dialect::parse(&drafted.dialect, &name).ok();
        }
        dialect::builtin(&name).or_else(|| {
            let path = self.file.parent().unwrap_or(Path::new(".")).join(&name);
            dialect::parse(&std::fs::read_to_string(path).ok()?, &name).ok()
        })
    }

    /// The strip that was answered.
    fn strip(&self) -> Option<Strip> {
        let name = self.answers.get("analyzer", "strip")?;
        if let Some(drafted) = self.drafted.as_ref().filter(|d| d.strip_file() == name) {
            return Strip::parse(&drafted.strip, &name).ok();
        }
        Strip::builtin(&name).or_else(|| {
            let path = self.file.parent().unwrap_or(Path::new(".")).join(&name);
            Strip::parse(&std::fs::read_to_string(path).ok()?, &name).ok()
        })
    }

    /// Asks until there is an answer.
    async fn ask(&mut self, step: &Step) -> Result<Left, Failure> {
        self.suggested = None;
        loop {
            let usual = self.evidence(step);
            let offered = match (&usual, step.what) {
                (Some(text), What::Controls) if text.is_empty() => {
                    " [as the print marks it]".to_owned()
                }
                (Some(text), _) if text.is_empty() => " [empty]".to_owned(),
                (Some(text), _) => format!(" [{}]", visible(text)),
                (None, _) => String::new(),
            };
            let typed = asked(&format!("{}{}{offered}", step.words, self.more(step)))?;
            let typed = typed.trim();
            if typed == BACK {
                return Ok(Left::Back);
            }
            match self.done(step, typed, usual.is_some()).await {
                Ok(true) => continue,
                Ok(false) => {}
                // A line that cannot be opened, a draft that cannot be made: said, and asked again.
                Err(failure) => {
                    eprintln!("{}", crate::cli::output::visible_lines(&failure.text));
                    continue;
                }
            }
            let empty = typed.is_empty() && usual.is_none();
            let text = match (typed, usual) {
                ("", Some(usual)) => usual,
                (typed, _) => typed.to_owned(),
            };
            match self.settle(step, &text) {
                Ok(()) => return Ok(Left::Answered),
                Err(why) if empty => {
                    let who = "here Enter takes nothing, for nobody but you knows it: type it";
                    eprintln!("{}", visible(&format!("{who}; {why}")));
                }
                Err(why) => eprintln!("{}", visible(&why)),
            }
        }
    }

    /// What else may be typed.
    fn more(&self, step: &Step) -> String {
        let serial = self.answers.get("analyzer", "line").is_some_and(|l| l.starts_with("serial:"));
        let shipped = |names: &[&str]| names.join(", ");
        let more = match step.what {
            What::Line => {
                " (a number above, serial:PATH, tcp:HOST:PORT, rfc2217:HOST:PORT or listen:ADDRESS:PORT)"
            }
            What::Speed if serial => {
                " (as on the analyzer's page of settings, such as 9600 8N1; or listen, to find them)"
            }
            What::Speed => " (such as 9600 8N1)",
            What::Stores => " (its whole path, or . for the folder of the configuration)",
            What::Dialect if self.prints.is_empty() => {
                let names = shipped(dialect::builtin_names());
                return format!(
                    " ({names}, the path of a file, or listen, to hear a report and try them)"
                );
            }
            What::Dialect => {
                " (a name above, the path of a file, listen, to hear one more report, or sketch, to draft one)"
            }
            What::Strip => {
                return format!(" ({}, or the path of a file)", shipped(Strip::builtin_names()));
            }
            _ => "",
        };
        more.to_owned()
    }

    /// Does what was asked for instead of an answer. True: and now the question again.
    async fn done(&mut self, step: &Step, typed: &str, usual: bool) -> Result<bool, Failure> {
        let serial = self.answers.get("analyzer", "line").is_some_and(|l| l.starts_with("serial:"));
        let listens = typed == "listen" || (typed.is_empty() && !usual);
        match step.what {
            What::Speed if serial && listens => self.find_speed().await.map(|()| true),
            What::Dialect if listens => self.hear().await.map(|()| true),
            What::Dialect if typed == "sketch" => self.draft().map(|()| true),
            _ => Ok(false),
        }
    }

    async fn find_speed(&mut self) -> Result<(), Failure> {
        let line = self.answers.get("analyzer", "line").unwrap_or_default();
        let found = hearing::speed(&line, self.options.wait, self.out).await?;
        let best = found.verdict.best.filter(|_| found.verdict.sure);
        self.suggested = best.map(|best| best.to_string());
        if found.verdict.best.is_some() && best.is_none() {
            eprintln!(
                "It is not sure: look at the analyzer's page of settings, and type what it says."
            );
        }
        self.prints.extend(found.prints);
        Ok(())
    }

    async fn hear(&mut self) -> Result<(), Failure> {
        let of = |key: &str| self.answers.get("analyzer", key);
        let speed = of("speed").and_then(|speed| speed.parse().ok()).unwrap_or(9600);
        let framing = of("framing").unwrap_or_else(|| "8N1".into());
        let allow: Vec<String> = of("allow")
            .unwrap_or_default()
            .split(", ")
            .filter(|a| !a.is_empty())
            .map(str::to_owned)
            .collect();
        let line = of("line").unwrap_or_default();
        let spec =
            LineSpec::parse(&line, speed, &framing, "none", &allow).map_err(Failure::wrong)?;
        let bytes = hearing::report(&spec, self.options.wait).await?;
        if bytes.is_empty() {
            eprintln!(
                "nothing was heard: is it the right port, is the analyzer set to send, is the cable crossed as it \
                 must be?"
            );
        } else {
            self.prints.push(bytes);
        }
        Ok(())
    }

    /// Drafts dialect and strip from what was heard; the files are written in the end, with the configuration.
    fn draft(&mut self) -> Result<(), Failure> {
        let id = self.answers.get("analyzer", "id").unwrap_or_default();
        let name = id.to_ascii_lowercase();
        let captures: Vec<Capture<'_>> =
            self.prints.iter().map(|bytes| Capture { name: "what was heard", bytes }).collect();
        let Draft { dialect, strip, units, readings, reports, control_ids, unplaced } =
            sketch(&name, &captures).map_err(Failure::wrong)?;
        let drafted = Drafted { name, dialect, strip };
        for file in [drafted.dialect_file(), drafted.strip_file()] {
            let path = self.file.with_file_name(&file);
            if path.exists() || path == self.file {
                let path = path.display();
                return Err(Failure::wrong(format!(
                    "{path} is there already, and a draft never takes the place of a file: give the analyzer another name"
                )));
            }
        }
        eprintln!(
            "drafted: {readings} results of {reports} reports are understood, {} lines are not; numbers in {} units",
            unplaced.len(),
            units.text()
        );
        for id in control_ids {
            eprintln!("{} is on control material, it seems", visible(&id));
        }
        let names = [drafted.dialect_file(), drafted.strip_file()];
        self.drafted = Some(drafted);
        for (key, name) in ["dialect", "strip"].into_iter().zip(names) {
            self.answers.put("analyzer", key, &name).map_err(Failure::wrong)?;
        }
        Ok(())
    }
}
