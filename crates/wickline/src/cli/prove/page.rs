//! The proof as a page to sign: two pages that say what is mapped to what, then every case behind them.

use askama::Template;

use super::{Gap, Proof};
use crate::cli::Failure;
use crate::cli::marks;
use crate::cli::output::{Tone, plain};
use crate::clock;
use crate::digest;
use crate::prove::against::Held;
use crate::prove::map::Step;
use crate::prove::{Row, Verdict};
use crate::settings::bench::Bench;

/// So many lines of a capture and so many letters of a line stand on the pages to sign.
const LINES: usize = 75;
const LETTERS: usize = 300;
/// So many lines of each capture at least, however many there are.
const LEAST: usize = 12;
/// So many further ones of each stand behind the cases.
const FURTHER: usize = 2_000;
/// A word longer than this may be broken, and only behind a sign or at this length.
const WORD: usize = 28;

/// A capture as it was heard, for the page.
pub(super) struct Captured {
    pub name: String,
    pub lines: Vec<String>,
    /// Those for which the pages to sign have no room, each with its place in the capture.
    pub rest: Vec<(usize, String)>,
    /// What does not stand here, and what the whole is.
    pub told: String,
    /// How many columns its lines leave room for.
    pub columns: usize,
}

impl Captured {
    /// One of so many on the page, which share its room.
    pub fn new(name: &str, bytes: &[u8], of: usize) -> Captured {
        let most = (LINES / of.max(1)).max(LEAST);
        let all = lines_of(bytes);
        let (count, mut short) = (all.len(), 0);
        let mut show = |line: &[u8]| {
            let mut text = marks::heard(line, &[]);
            if let Some((at, _)) = text.char_indices().nth(LETTERS) {
                text.truncate(at);
                short += 1;
            }
            text
        };
        let mut shown = all.into_iter().map(&mut show);
        let lines: Vec<String> = shown.by_ref().take(most).collect();
        let rest: Vec<(usize, String)> = (most + 1..).zip(shown.take(FURTHER)).collect();
        let longest = lines.iter().map(|line| line.chars().count()).max().unwrap_or(0);
        // In groups, as a person compares it.
        let digest: Vec<char> = digest::of_bytes(bytes).chars().collect();
        let digest: Vec<String> = digest.chunks(8).map(|group| group.iter().collect()).collect();
        let mut told = format!("{} bytes, SHA-256 {}.", bytes.len(), digest.join(" "));
        if count > most {
            let last = most + rest.len();
            told.push_str(&format!(
                " Of its {count} lines, {} to {last} stand behind the cases.",
                most + 1
            ));
            if count > last {
                told.push_str(&format!(" {} to {count} are not printed.", last + 1));
            }
        }
        if short > 0 {
            told.push_str(&format!(" {short} lines are cut after {LETTERS} letters."));
        }
        let columns = [(44, 4), (60, 3), (95, 2)].into_iter().find(|(room, _)| longest <= *room);
        Captured {
            name: marks::named(name),
            lines,
            rest,
            told,
            columns: columns.map_or(1, |(_, n)| n),
        }
    }
}

/// Bytes cut behind each LF, or behind each CR where there is no LF.
fn lines_of(bytes: &[u8]) -> Vec<&[u8]> {
    let end = if bytes.contains(&b'\n') { b'\n' } else { b'\r' };
    bytes.split_inclusive(|byte| *byte == end).collect()
}

/// What was typed and differs, as a row on the screen.
pub(super) fn cells(held: &Held) -> Vec<(String, Tone)> {
    let found = format!("{}{}", held.read, held.sent);
    let cells = [&held.capture, &held.report, &held.label, &held.typed];
    cells.into_iter().cloned().map(plain).chain([(found, Tone::Bad)]).collect()
}

#[derive(Template)]
#[template(path = "prove.html")]
struct Page<'a> {
    site: &'a str,
    printed: String,
    version: &'a str,
    proof: &'a Proof,
    good: usize,
    differs: usize,
    unprintable: usize,
    tested: bool,
    open: usize,
}

impl Page<'_> {
    fn strips(&self) -> String {
        self.proof.strips.join(", ")
    }

    fn rows(&self) -> &[Row] {
        &self.proof.rows
    }

    fn gaps(&self) -> &[Gap] {
        &self.proof.gaps
    }

    /// What was sent, where that is not what was expected.
    fn otherwise(&self, row: &Row) -> Option<String> {
        let sent = row.sent.as_ref()?;
        (*sent != row.expected).then(|| {
            if row.sent_text().is_empty() { "nothing".to_owned() } else { row.sent_text() }
        })
    }

    fn mistyped(&self) -> usize {
        self.proof.typed.iter().filter(|one| one.differs).count()
    }

    fn note(&self, row: &Row) -> String {
        let word = row.verdict.word();
        if row.remark.is_empty() { word.to_owned() } else { format!("{word}: {}", row.remark) }
    }

    /// A text as words that stay whole: each with the pieces that it may be broken into, mostly one.
    fn words(&self, text: &str) -> Vec<Vec<String>> {
        marks::named(text).split_whitespace().map(pieces).collect()
    }

    /// Nothing breaks between letters and digits; behind other signs a browser may.
    fn plain(&self, piece: &str) -> bool {
        piece.chars().all(|letter| letter.is_ascii_alphanumeric())
    }

    fn list(&self, words: &[String]) -> String {
        words.join(", ")
    }

    /// Why a rung's box is not like the others.
    fn odd(&self, step: &Step) -> &'static str {
        match step.verdict {
            Verdict::AsExpected => "",
            Verdict::Differs => "differs",
            Verdict::NotPrintable => "no room on this print",
        }
    }
}

/// A word in pieces that fit any column: cut behind its signs, else where it is too long.
fn pieces(word: &str) -> Vec<String> {
    if word.chars().count() <= WORD {
        return vec![word.to_owned()];
    }
    let mut pieces: Vec<String> = vec![String::new()];
    for letter in word.chars() {
        let Some(last) = pieces.last_mut() else { break };
        last.push(letter);
        let length = last.chars().count();
        if length >= WORD || (length >= WORD / 2 && !letter.is_alphanumeric()) {
            pieces.push(String::new());
        }
    }
    pieces.retain(|piece| !piece.is_empty());
    pieces
}

pub(super) fn page(bench: &Bench, proof: &Proof, tested: bool) -> Result<String, Failure> {
    let page = Page {
        site: &bench.site_name,
        printed: bench.clock.rfc3339(clock::now_us()),
        version: env!("CARGO_PKG_VERSION"),
        proof,
        good: proof.count(Verdict::AsExpected),
        differs: proof.count(Verdict::Differs),
        unprintable: proof.count(Verdict::NotPrintable),
        tested,
        open: proof.gaps.iter().filter(|gap| gap.accepted.is_none()).count(),
    };
    page.render().map_err(|e| Failure::unreachable(e.to_string()))
}
