//! Proves that every pad, rung, unit and mark of a strip arrives as it should: cases printed in the
//! analyzer's own dialect go the real way to a message, and the message is read again.

pub mod against;
pub mod expect;
pub mod facts;
pub mod files;
mod grid;
mod holds;
pub mod map;
pub mod matrix;
pub mod measured;
pub mod paper;
pub mod press;
mod ratio;
mod reader;
pub mod sheet;
pub mod signs;
mod spot;
pub mod truth;
pub mod wishes;
mod wording;

use std::collections::BTreeSet;

use serde::Serialize;
use sha2::{Digest, Sha256};
use wickline_listen::dialect::Dialect;
use wickline_listen::ear::hear;
use wickline_normalize::judge::{Judged, Way};
use wickline_normalize::remark::Remark;
use wickline_normalize::{Reason, Report};

use self::expect::End;
use self::press::Press;
use self::reader::Heard;
use self::sheet::{Habits, Sheet};
use self::wishes::Wishes;
use crate::acts::compose::{self, Subject};
use crate::clock;
use crate::digest;
use crate::settings::bench::{Analyzer, Bench, Target};

/// What stands as a note in every message of a proof.
const TEST_MESSAGE: &str = "Test message of a proof: printed by no analyzer, of no patient.";

/// What is on trial, and what is expected of it.
pub struct Trial<'a> {
    pub bench: &'a Bench,
    pub analyzer: &'a Analyzer,
    pub target: &'a Target,
    pub sheet: &'a Sheet,
    pub habits: &'a Habits,
    pub wishes: &'a Wishes,
    pub press: &'a Press<'a>,
    /// The analyzer is set to print SI units.
    pub prints_si: bool,
    /// Six letters that name this run in control ids and OBR-3.
    pub series: &'a str,
}

/// How a case came out.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    AsExpected,
    Differs,
    /// The dialect has no room for it: this analyzer cannot print it.
    NotPrintable,
}

impl Verdict {
    #[must_use]
    pub fn word(self) -> &'static str {
        match self {
            Verdict::AsExpected => "as expected",
            Verdict::Differs => "differs",
            Verdict::NotPrintable => "not printable",
        }
    }
}

/// One case of the matrix, tried.
#[derive(Clone, Debug, Serialize)]
pub struct Row {
    pub case: String,
    pub strip: String,
    pub pad: String,
    pub rung: String,
    pub units: String,
    pub mark: String,
    pub class: String,
    pub printed: String,
    pub expected: End,
    pub sent: Option<End>,
    /// What differs beside the case's own pad, or why it cannot be printed.
    pub remark: String,
    pub verdict: Verdict,
    pub control_id: String,
    pub answered: String,
    pub message: Option<String>,
    #[serde(skip)]
    pub body: Option<Vec<u8>>,
}

/// What came of a print.
pub struct Outcome {
    pub end: End,
    /// What a receiver reads of the message.
    pub heard: Heard,
    pub body: Option<Vec<u8>>,
    /// The lines of a print that is held because they were not understood.
    pub strange: Vec<String>,
}

impl Trial<'_> {
    /// The real way: bytes, ear, dialect, judgment, message; and the message read again.
    #[must_use]
    pub fn walk(&self, bytes: &[u8], control_id: &str, filler: &str) -> Outcome {
        let reports = self.reports(bytes);
        let [print] = reports.as_slice() else {
            return held([format!("{} reports of one print", reports.len())]);
        };
        self.tell(print, control_id, filler)
    }

    /// The reports of a capture, as the dialect reads them.
    #[must_use]
    pub fn reports(&self, capture: &[u8]) -> Vec<Report> {
        reports(self.analyzer.dialect.as_ref(), capture)
    }

    /// The reports of a capture that are held, each with its place from 1, its reasons and all in words: what was given
    /// as good.
    #[must_use]
    pub fn held_of(&self, capture: &[u8]) -> Vec<(usize, BTreeSet<String>, String)> {
        let held = self.reports(capture).into_iter().enumerate().filter_map(|(n, print)| {
            let outcome = self.tell(&print, &format!("PRV{}C{n}", self.series), "PRVCAPTURE");
            let number = print.number.as_deref().unwrap_or("without a number").to_owned();
            let told = format!("Report {number} of the capture is {}.", outcome.end);
            let End::Held(reasons) = outcome.end else { return None };
            Some((n + 1, reasons, told))
        });
        held.collect()
    }

    /// A report on its way to a message that may leave as a test.
    fn tell(&self, print: &Report, control_id: &str, filler: &str) -> Outcome {
        // Whoever gets it by mistake finds neither a patient's specimen nor the capture's time.
        let test = Some(self.bench.prove_specimen.as_str()).filter(|id| !id.is_empty());
        self.composed(print, control_id, filler, test).1
    }

    /// A report with its own specimen, on its way to a message that is looked at and goes nowhere.
    fn tell_own(&self, print: &Report, control_id: &str) -> (Judged, Outcome) {
        self.composed(print, control_id, "PRVTRUTH", None)
    }

    fn composed(
        &self,
        print: &Report,
        control_id: &str,
        filler: &str,
        test: Option<&str>,
    ) -> (Judged, Outcome) {
        let now = clock::now_us();
        let judged = self.analyzer.read_alone(print, &self.bench.clock, now);
        let outcome = match judged.way {
            Way::Filed => Outcome { end: End::Filed, ..held([]) },
            Way::Held | Way::Repeat { .. } => Outcome {
                strange: strange(&judged, print),
                ..held(judged.holds.iter().map(|h| h.reason.code().to_owned()))
            },
            Way::Ready => {
                let mut remarks = judged.remarks.clone();
                remarks.push(Remark::new("test-message", TEST_MESSAGE));
                let printed = judged.specimen.as_ref().map_or("", |s| s.expose());
                let subject = Subject {
                    serial: None,
                    analyzer: &self.analyzer.id,
                    filler,
                    specimen: test.unwrap_or(printed),
                    stat: judged.class.code() == "stat",
                    print,
                    readings: &judged.readings,
                    strip: &judged.strip,
                    heard_at: now,
                    taken: Some(self.bench.clock.moment(now)),
                    clock_believed: true,
                    remarks: &remarks,
                    control: None,
                    orders: &[],
                };
                match compose::message(self.bench, self.target, control_id, now, &subject) {
                    Err(hold) => held([hold.reason.code().to_owned()]),
                    Ok(body) => read_again(body),
                }
            }
        };
        (judged, outcome)
    }
}

/// The reports of a capture, as a dialect reads them.
#[must_use]
pub fn reports(dialect: &dyn Dialect, capture: &[u8]) -> Vec<Report> {
    hear(dialect, capture).iter().flat_map(|heard| dialect.read(heard)).collect()
}

/// What is left of a list without these, each once.
fn without<T: Clone + PartialEq>(all: &[T], others: &[T]) -> Vec<T> {
    let mut left = all.to_vec();
    for other in others {
        if let Some(at) = left.iter().position(|one| one == other) {
            left.remove(at);
        }
    }
    left
}

fn held(reasons: impl IntoIterator<Item = String>) -> Outcome {
    let reasons: BTreeSet<String> = reasons.into_iter().collect();
    let (heard, strange) = (Heard::default(), Vec::new());
    Outcome { end: End::Held(reasons), heard, body: None, strange }
}

/// The lines that were not understood, each once.
fn strange(judged: &Judged, print: &Report) -> Vec<String> {
    let holds = judged.holds.iter().filter(|hold| hold.reason == Reason::Unreadable);
    let lines: BTreeSet<usize> = holds.filter_map(|hold| hold.line).collect();
    let lines = lines.into_iter().filter_map(|line| print.lines.get(line));
    lines.map(|line| line.text.expose().trim().to_owned()).collect()
}

/// What a message says, from its bytes alone.
fn read_again(body: Vec<u8>) -> Outcome {
    match reader::read(&body) {
        Err(why) => held([format!("a message that cannot be read: {why}")]),
        Ok(heard) => {
            let end = End::Sent(heard.results.clone());
            Outcome { end, heard, body: Some(body), strange: Vec::new() }
        }
    }
}

/// The first 16 hexadecimal digits of SHA-256 over the texts, each with its length before it.
#[must_use]
pub fn fingerprint(texts: &[&str]) -> String {
    let mut sum = Sha256::new();
    for text in texts {
        sum.update((text.len() as u64).to_be_bytes());
        sum.update(text.as_bytes());
    }
    digest::hex(&sum.finalize()).chars().take(16).collect()
}

#[cfg(test)]
mod facts_tests;
#[cfg(test)]
mod tests;
