//! `prove truth CAPTURE`: a person types what stands on the paper, and the proof holds it against what is read.

use std::collections::BTreeMap;
use std::io::{ErrorKind, Write};
use std::path::{Path, PathBuf};

use clap::Args;
use wickline_normalize::strip::Strip;

use super::{Gap, keys_of};
use crate::cli::output::{Output, visible};
use crate::cli::person::{asked, can_ask};
use crate::cli::{Answer, Exit, Failure, file, loaded};
use crate::prove::Trial;
use crate::prove::against::{Held, Proved};
use crate::prove::signs::{Class, Signs};
use crate::prove::truth::{OF_REPORT, Truth, Typed, TypedReading, beside, digest, said, signed};

const HOW: &str = "How it is typed: `taken` as 2026-03-14 09:14, with seconds where the paper has them \
(2026-03-14 09:14:55), or \
as 2026-03-14 alone where it has no time. `strip-expiry` as 2027-11-30, or as 2027-11. A pad that was not \
read, or is switched off, has its label, its pad and the word of the paper under grade (`illisible`, `----`), \
and no number; a report with one that was not read is `held: pad-unread`. A pad of which the paper has no line \
has no row. An end of a ladder is typed with the sign of the insert, as >1.028. `level` and `lot` are those of \
control material. `capture`, `read-by`, `class` and `end` are never empty; any other empty cell says that the \
paper has nothing there. At a terminal `/back` goes back to the question before, as often as you like.";

/// What takes the last answer back. Nothing that a print has is written so.
const BACK: &str = "/back";

/// `wickline prove truth morning.cap`
#[derive(Debug, Args)]
#[command(after_help = HOW)]
pub struct Options {
    /// The capture whose paper is in your hands
    #[arg(value_name = "CAPTURE")]
    capture: PathBuf,
    /// Whose strip [default: the first analyzer]
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// Write a form for so many reports, to be filled in with a spreadsheet, instead of asking
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u16).range(1..=200))]
    form: Option<u16>,
}

/// A capture with what a person read on its paper, where somebody did.
pub(super) struct Kept {
    pub name: String,
    pub bytes: Vec<u8>,
    pub truth: Option<Truth>,
}

impl Kept {
    /// A capture and the truth beside it, which must be of these bytes.
    pub fn read(path: &Path) -> Result<Kept, Failure> {
        let bytes = read(path)?;
        let file = beside(path);
        let wrong = |why: &str| Failure::wrong(format!("{}: {}", file.display(), visible(why)));
        let truth = match std::fs::read(&file) {
            Ok(typed) => {
                let text = in_utf8(&typed).map_err(|why| wrong(&why))?;
                Some(Truth::parse(text, &digest(&bytes)).map_err(|why| wrong(&why))?)
            }
            Err(e) if e.kind() == ErrorKind::NotFound => None,
            Err(e) => return Err(wrong(&e.to_string())),
        };
        Ok(Kept { name: path.display().to_string(), bytes, truth })
    }
}

/// The text of a truth. A spreadsheet may write its letters in another encoding: which one, nobody can tell.
fn in_utf8(typed: &[u8]) -> Result<&str, String> {
    std::str::from_utf8(typed).map_err(|e| {
        let before = typed.get(..e.valid_up_to()).unwrap_or_default();
        let line = before.iter().filter(|byte| **byte == b'\n').count() + 1;
        let begun = before.iter().rposition(|byte| *byte == b'\n').map_or(0, |at| at + 1);
        let column = String::from_utf8_lossy(before.get(begun..).unwrap_or_default()).chars().count() + 1;
        let byte = typed.get(e.valid_up_to()).copied().unwrap_or_default();
        format!(
            "line {line}: the byte {byte:02X} in column {column} is no letter of UTF-8; save the file as UTF-8 (in a \
             spreadsheet: CSV UTF-8)"
        )
    })
}

fn read(path: &Path) -> Result<Vec<u8>, Failure> {
    std::fs::read(path).map_err(|e| Failure::unreachable(format!("{}: {e}", path.display())))
}

/// Each report that a person typed is of a strip of this analyzer: of another one it would be compared with nothing.
pub(super) fn strips_known(captures: &[Kept], strips: &[Strip]) -> Result<(), Failure> {
    let known = |name: &str| name.is_empty() || strips.iter().any(|strip| strip.is_called(name));
    let strange = captures.iter().find_map(|kept| {
        let mut reports = kept.truth.as_ref()?.reports.iter().enumerate();
        reports.find(|(_, report)| !known(&report.strip)).map(|found| (kept, found))
    });
    let Some((kept, (n, report))) = strange else { return Ok(()) };
    let ids: Vec<&str> = strips.iter().map(|strip| strip.id.as_str()).collect();
    Err(Failure::wrong(format!(
        "{}: report {}: strip `{}` is none of this analyzer: write {}, or nothing for the first",
        beside(Path::new(&kept.name)).display(),
        n + 1,
        visible(&report.strip),
        ids.join(" or ")
    )))
}

/// Holds the truths of these captures against one strip of an analyzer; the first strip takes what names none.
pub(super) fn held(trial: &Trial<'_>, captures: &[Kept], first: bool) -> Vec<Proved> {
    let mut all = Vec::new();
    // By its id, or as the print calls it.
    let own = trial.analyzer.strips.iter().find(|strip| strip.id == trial.sheet.id);
    let is_own = |name: &str| own.is_some_and(|strip| strip.is_called(name));
    for kept in captures {
        let Some(truth) = &kept.truth else { continue };
        let reports = trial.reports(&kept.bytes);
        if first && truth.reports.len() != reports.len() {
            let (typed, found) = (truth.reports.len().to_string(), reports.len().to_string());
            let line = Held::new(&kept.name, 0, "reports", typed, found, false);
            all.push(Proved { lines: vec![line], ..Proved::default() });
        }
        for (n, (typed, print)) in truth.reports.iter().zip(&reports).enumerate() {
            if is_own(&typed.strip) || (first && typed.strip.is_empty()) {
                all.push(trial.against(&kept.name, n + 1, typed, print));
            }
        }
    }
    all
}

/// What no person's reading stands behind: each class that this proof speaks of needs a report that somebody read.
pub(super) fn gaps(proved: &[Proved], signs: &Signs, prints: &str) -> Vec<Gap> {
    let lacks = |class: &&Class| {
        signs.has(**class) && !proved.iter().any(|p| p.counts && p.class == class.word())
    };
    let gap = |class: &Class| {
        let word = class.word();
        let mut typed = proved.iter().filter(|p| p.class == word);
        let text = match typed.next() {
            None => format!(
                "No capture of {word} work in {prints} units has a truth beside it: nobody has read one on the paper \
                 (prove truth)."
            ),
            Some(first) => {
                let differs = first.differs() || typed.any(Proved::differs);
                let why = if differs {
                    "it differs from what is read or sent"
                } else {
                    "it is held, and shows nothing that is sent or filed"
                };
                format!(
                    "What was typed of {word} work in {prints} units does not count: {why}. Take a paper of a report \
                     that goes its way (prove truth)."
                )
            }
        };
        Gap::new(format!("truth-{word}"), text)
    };
    Class::ALL.iter().filter(lacks).map(gap).collect()
}

/// Asks for a truth, or writes a form, beside the capture. What stands there already is never written over.
pub fn truth(config: Option<PathBuf>, options: &Options, out: &Output) -> Answer {
    let loaded = loaded(config)?;
    let raw = keys_of(&loaded, options.analyzer.as_deref())?;
    let mut pads: BTreeMap<String, String> = BTreeMap::new();
    for name in raw.all_strips() {
        let sheet = super::sheet(&loaded, name)?;
        pads.extend(sheet.pads.into_iter().map(|pad| (pad.id, pad.title)));
    }
    let bytes = read(&options.capture)?;
    let file = beside(&options.capture);
    // Before anybody types; whether it is still so when it is written is asked again.
    if file.symlink_metadata().is_ok() {
        return Err(is_there(&file));
    }
    let mut truth = Truth { capture: digest(&bytes), ..Truth::default() };
    let text = match options.form {
        Some(count) => {
            truth.reports.resize(count.into(), Typed::default());
            truth.csv(&pads.keys().cloned().collect::<Vec<_>>())
        }
        None if can_ask(out) => {
            truth = Truth { capture: truth.capture, ..type_in(&pads)? };
            truth.csv(&[])
        }
        None => {
            let why = "a person must read the paper: run it at a terminal, or with --form N for a spreadsheet";
            return Err(Failure::wrong(why));
        }
    };
    let Some(mut new) = file::new(&file)? else {
        // Somebody else was quicker: what was typed is not lost.
        out.line(&text);
        return Err(is_there(&file));
    };
    new.write_all(text.as_bytes()).map_err(|error| file::cannot(&file, &error))?;
    out.line(&format!("written: {}", visible(&file.display().to_string())));
    Ok(Exit::Done)
}

fn is_there(file: &Path) -> Failure {
    let file = file.display();
    Failure::wrong(format!(
        "{file} is there already, and a truth is never written over: change it with a spreadsheet, or move it away"
    ))
}

/// Asks for report after report. What a scanner or a keyboard sends ends with Enter; nothing is offered as an answer,
/// for it would be the program's own reading.
fn type_in(pads: &BTreeMap<String, String>) -> Result<Truth, Failure> {
    for (id, title) in pads {
        eprintln!("{id:>5}  {title}");
    }
    eprintln!(
        "Take the paper. Enter alone: it is not there. {BACK}: the question before, once more."
    );
    let mut answers: Vec<String> = Vec::new();
    loop {
        let mut interview = Interview { left: answers.iter(), pads, is: BTreeMap::new() };
        match interview.truth() {
            Ok(truth) => return Ok(truth),
            Err(Stop::Refused(why)) => {
                answers.pop();
                eprintln!("{why}");
            }
            Err(Stop::Ask(question)) => {
                let answer = asked(&question)?.trim().to_owned();
                if answer != BACK {
                    answers.push(answer);
                    continue;
                }
                match answers.pop() {
                    Some(last) => eprintln!("taken back: {}", visible(&last)),
                    None => eprintln!("this is the first question"),
                }
            }
        }
    }
}

/// All questions from the first one, with the answers that were given so far: to go back is to have one less.
struct Interview<'a> {
    left: std::slice::Iter<'a, String>,
    pads: &'a BTreeMap<String, String>,
    /// Which pad each label is.
    is: BTreeMap<String, String>,
}

/// Why an interview has no end yet.
enum Stop {
    /// This is the next question.
    Ask(String),
    /// The last answer is none, for this reason.
    Refused(String),
}

impl Interview<'_> {
    /// The answer to a question, where it is one.
    fn answer(
        &mut self,
        question: &str,
        is_one: impl FnOnce(&str) -> Result<(), String>,
    ) -> Result<String, Stop> {
        let answer = self.left.next().ok_or_else(|| Stop::Ask(question.to_owned()))?;
        is_one(answer).map_err(Stop::Refused)?;
        Ok(answer.clone())
    }

    fn truth(&mut self) -> Result<Truth, Stop> {
        let read_by = self.answer("who reads it", |text| said("read-by", text))?;
        let mut truth = Truth { read_by, ..Truth::default() };
        loop {
            truth.reports.push(self.report(truth.reports.len() + 1)?);
            let more = self.answer("another report on this paper? y", |_| Ok(()))?;
            if !more.eq_ignore_ascii_case("y") {
                return Ok(truth);
            }
        }
    }

    fn report(&mut self, nth: usize) -> Result<Typed, Stop> {
        let mut report = Typed::default();
        for (what, question) in OF_REPORT {
            if report.has(what) {
                let question = format!("report {nth}, {question}");
                self.answer(&question, |text| report.take(what, text))?;
            }
        }
        let question = format!("report {nth}, label, as printed; Enter alone ends the report");
        loop {
            let label = self.answer(&question, |_| Ok(()))?;
            if label.is_empty() {
                return Ok(report);
            }
            report.readings.push(self.reading(label)?);
        }
    }

    fn reading(&mut self, label: String) -> Result<TypedReading, Stop> {
        let pad = match self.is.get(&label) {
            Some(pad) => pad.clone(),
            None => self.pad(&label)?,
        };
        self.is.insert(label.clone(), pad.clone());
        let mut cell = |what: &str, is_one: fn(&str) -> Result<(), String>| {
            self.answer(&format!("{label}: {what}"), is_one)
        };
        let grade = cell("grade or word", |_| Ok(()))?;
        let value = cell("number", signed)?;
        let unit = cell("unit", |_| Ok(()))?;
        let mark = cell("mark", |_| Ok(()))?;
        Ok(TypedReading { label, pad, grade, value, unit, mark, code: String::new() })
    }

    fn pad(&mut self, label: &str) -> Result<String, Stop> {
        let pads = self.pads;
        let known = |text: &str| match pads.contains_key(&text.to_uppercase()) {
            true => Ok(()),
            false => Err(format!("no pad is called so; {BACK} takes the label back")),
        };
        let question = format!("{label}: which of the pads above is it");
        Ok(self.answer(&question, known)?.to_uppercase())
    }
}
