//! `prove truth CAPTURE`: a person types what stands on the paper, and the proof holds it against what is read.

use std::collections::{BTreeMap, BTreeSet};
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
use crate::prove::truth::{OF_REPORT, Truth, Typed, TypedReading, beside, digest, signed};

const HOW: &str = "How it is typed: `taken` as 2026-03-14 09:14, with seconds where the paper has them \
(2026-03-14 09:14:55), or \
as 2026-03-14 alone where it has no time. `strip-expiry` as 2027-11-30, or as 2027-11. A pad that was not \
read, or is switched off, has its label, its pad and the word of the paper under grade (`illisible`, `----`), \
and no number; a report with one that was not read is `held: pad-unread`. A pad of which the paper has no line \
has no row. An end of a ladder is typed with the sign of the insert, as >1.028. `level` and `lot` are those of \
control material.";

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
        let truth = match std::fs::read_to_string(&file) {
            Ok(text) => Some(parsed(&file, &text)?),
            Err(e) if e.kind() == ErrorKind::NotFound => None,
            Err(e) => return Err(Failure::wrong(format!("{}: {e}", file.display()))),
        };
        let other = |truth: &&Truth| !truth.capture.is_empty() && truth.capture != digest(&bytes);
        if truth.as_ref().filter(other).is_some() {
            return Err(Failure::wrong(format!(
                "{} was typed from another capture than {}: compare the paper again, and type it anew",
                file.display(),
                path.display()
            )));
        }
        Ok(Kept { name: path.display().to_string(), bytes, truth })
    }
}

fn read(path: &Path) -> Result<Vec<u8>, Failure> {
    std::fs::read(path).map_err(|e| Failure::unreachable(format!("{}: {e}", path.display())))
}

fn parsed(file: &Path, text: &str) -> Result<Truth, Failure> {
    Truth::parse(text).map_err(|why| Failure::wrong(format!("{}: {why}", file.display())))
}

/// Each report that a person typed is of a strip of this analyzer: of another one it would be compared with nothing.
pub(super) fn strips_known(captures: &[Kept], strips: &[Strip]) -> Result<(), Failure> {
    let known = |name: &str| name.is_empty() || strips.iter().any(|strip| strip.id == name);
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
    for kept in captures {
        let Some(truth) = &kept.truth else { continue };
        let reports = trial.reports(&kept.bytes);
        if first && truth.reports.len() != reports.len() {
            let (typed, found) = (truth.reports.len().to_string(), reports.len().to_string());
            let line = Held::new(&kept.name, 0, "reports", typed, found, false);
            let (class, words) = (String::new(), BTreeSet::new());
            all.push(Proved { class, lines: vec![line], counts: false, words });
        }
        for (n, (typed, print)) in truth.reports.iter().zip(&reports).enumerate() {
            if typed.strip == trial.sheet.id || (first && typed.strip.is_empty()) {
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
            type_in(&mut truth, &pads)?;
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
fn type_in(truth: &mut Truth, pads: &BTreeMap<String, String>) -> Result<(), Failure> {
    for (id, title) in pads {
        eprintln!("{id:>5}  {title}");
    }
    eprintln!("Take the paper. Enter alone: it is not there.");
    truth.read_by = asked("who reads it")?.trim().to_owned();
    let mut is: BTreeMap<String, String> = BTreeMap::new();
    loop {
        eprintln!("report {}", truth.reports.len() + 1);
        let mut report = Typed::default();
        for (what, question) in OF_REPORT {
            if !report.has(what) {
                continue;
            }
            while let Err(why) = report.take(what, &asked(question)?) {
                eprintln!("{why}");
            }
        }
        loop {
            let label = asked("label, as printed; Enter alone ends the report")?.trim().to_owned();
            if label.is_empty() {
                break;
            }
            let pad = match is.get(&label) {
                Some(pad) => pad.clone(),
                None => which(&label, pads)?,
            };
            is.insert(label.clone(), pad.clone());
            let mut cells = [const { String::new() }; 4];
            for (cell, what) in cells.iter_mut().zip(["grade or word", "number", "unit", "mark"]) {
                asked(&format!("{label}: {what}"))?.trim().clone_into(cell);
                while let Err(why) = if what == "number" { signed(cell) } else { Ok(()) } {
                    eprintln!("{why}");
                    asked(&format!("{label}: {what}"))?.trim().clone_into(cell);
                }
            }
            let [grade, value, unit, mark] = cells;
            let code = String::new();
            report.readings.push(TypedReading { label, pad, grade, value, unit, mark, code });
        }
        truth.reports.push(report);
        if !asked("another report on this paper? y")?.trim().eq_ignore_ascii_case("y") {
            return Ok(());
        }
    }
}

fn which(label: &str, pads: &BTreeMap<String, String>) -> Result<String, Failure> {
    loop {
        let pad = asked(&format!("{label}: which of the pads above is it"))?.trim().to_uppercase();
        if pads.contains_key(&pad) {
            return Ok(pad);
        }
        if pad.is_empty() {
            return Err(Failure::wrong(
                "a label that nobody knows cannot be proved; nothing was written",
            ));
        }
        eprintln!("no pad is called so");
    }
}
