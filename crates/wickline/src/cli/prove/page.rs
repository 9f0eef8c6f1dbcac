//! The proof as a page to sign: two pages that say what is mapped to what, then every case behind them.

use askama::Template;

use super::room::Plan;
use super::sum::Sum;
use super::{Gap, Proof};
use crate::cli::Failure;
use crate::cli::output::{Tone, plain};
use crate::clock;
use crate::digest;
use crate::marks;
use crate::prove::against::Held;
use crate::prove::map::{Map, Step};
use crate::prove::{Row, Verdict};
use crate::settings::bench::Bench;

/// So many letters of a line of a capture.
const LETTERS: usize = 300;
/// So many lines of each capture stand on paper.
const MOST: usize = 2_075;
/// So many strips, and lots of them, stand in the head.
const FEW: usize = 12;
/// A word longer than this may be broken, and only behind a sign or at this length.
const WORD: usize = 28;

/// A capture as it was heard, for the page.
pub(super) struct Captured {
    pub name: String,
    pub lines: Vec<String>,
    /// What the whole is, and what of it stands nowhere.
    told: String,
    /// How many lines it has, with those that are not printed.
    count: usize,
    /// How many columns its lines leave room for.
    pub columns: usize,
}

impl Captured {
    pub fn new(name: &str, bytes: &[u8]) -> Captured {
        let all = lines_of(bytes);
        let (count, mut short) = (all.len(), 0);
        let show = |line: &[u8]| {
            let mut text = marks::heard(line, &[]);
            if let Some((at, _)) = text.char_indices().nth(LETTERS) {
                text.truncate(at);
                short += 1;
            }
            text
        };
        let lines: Vec<String> = all.into_iter().take(MOST).map(show).collect();
        let longest = lines.iter().map(|line| line.chars().count()).max().unwrap_or(0);
        // In groups, as a person compares it.
        let digest: Vec<char> = digest::of_bytes(bytes).chars().collect();
        let digest: Vec<String> = digest.chunks(8).map(|group| group.iter().collect()).collect();
        let mut told = format!("{} bytes, SHA-256 {}.", bytes.len(), digest.join(" "));
        if count > lines.len() {
            told.push_str(&format!(" {} to {count} are not printed.", lines.len() + 1));
        }
        if short > 0 {
            told.push_str(&format!(" {short} lines are cut after {LETTERS} letters."));
        }
        let columns = [(44, 4), (60, 3), (95, 2)].into_iter().find(|(room, _)| longest <= *room);
        let columns = columns.map_or(1, |(_, n)| n);
        Captured { name: marks::named(name), lines, told, count, columns }
    }

    /// What is told of it where its first lines stand.
    fn told(&self, first: usize) -> String {
        let (count, last) = (self.count, self.lines.len());
        match first < last {
            true => format!(
                "{} Of its {count} lines, {} to {last} stand behind the cases.",
                self.told,
                first + 1
            ),
            false => self.told.clone(),
        }
    }
}

/// One thing that is not proved, or is to be known.
pub(super) enum Item<'a> {
    Gap(&'a Gap),
    Note(&'a str),
}

impl Item<'_> {
    /// All that it says.
    pub fn whole(&self) -> String {
        match self {
            Item::Gap(gap) => gap.line(),
            Item::Note(note) => (*note).to_owned(),
        }
    }

    fn is_open(&self) -> bool {
        matches!(self, Item::Gap(gap) if gap.accepted.is_none())
    }

    fn told(&self) -> String {
        match self {
            Item::Gap(gap) => gap.told(),
            Item::Note(note) => (*note).to_owned(),
        }
    }

    fn accepted(&self) -> Option<&str> {
        match self {
            Item::Gap(gap) => gap.accepted.as_deref(),
            Item::Note(_) => None,
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
    title: &'a str,
    printed: String,
    version: &'a str,
    proof: &'a Proof,
    sum: &'a Sum,
    tested: bool,
    /// What is not proved, what nobody has accepted first; then what is to be known.
    items: Vec<Item<'a>>,
    strips: String,
    lots: String,
    plan: Plan,
}

impl Page<'_> {
    fn rows(&self) -> &[Row] {
        &self.proof.rows
    }

    fn first(&self) -> &[Item<'_>] {
        self.items.get(..self.plan.items).unwrap_or_default()
    }

    /// What is not told on the first page.
    fn further(&self) -> &[Item<'_>] {
        self.items.get(self.plan.items..).unwrap_or_default()
    }

    fn open_further(&self) -> usize {
        self.further().iter().filter(|item| item.is_open()).count()
    }

    /// The maps that have room on the pages to sign, or those that have none.
    fn maps(&self, here: bool) -> Vec<&Map> {
        let own = |(n, _): &(usize, &Map)| self.plan.maps.contains(n) == here;
        self.proof.maps.iter().enumerate().filter(own).map(|(_, map)| map).collect()
    }

    /// What stands behind as a whole, in words.
    fn elsewhere(&self) -> String {
        let maps = self.maps(false);
        let maps = maps.iter().take(FEW).map(|map| format!("the map of strip {}", map.strip));
        let lacks = |(_, lines): &(&Captured, &usize)| **lines == 0;
        let captures = self.proof.captures.iter().zip(&self.plan.lines).filter(lacks).count();
        let captures = (captures > 0).then(|| format!("what was heard of {captures} captures"));
        let more = self.maps(false).len().saturating_sub(FEW);
        let more = (more > 0).then(|| format!("the maps of {more} other strips"));
        maps.chain(more).chain(captures).collect::<Vec<_>>().join(", ")
    }

    /// Each capture of which something stands here, with its first lines.
    fn heard(&self) -> Vec<(&Captured, &[String], String)> {
        let all = self.proof.captures.iter().zip(&self.plan.lines).filter(|(_, n)| **n > 0);
        all.map(|(captured, n)| {
            (captured, captured.lines.get(..*n).unwrap_or_default(), captured.told(*n))
        })
        .collect()
    }

    /// What is left of each capture, line by line with its place.
    fn rest(&self) -> Vec<(&Captured, Vec<(usize, &String)>)> {
        let all = self.proof.captures.iter().zip(&self.plan.lines);
        let left =
            all.map(|(captured, n)| (captured, (1..).zip(&captured.lines).skip(*n).collect()));
        left.filter(|(_, lines): &(_, Vec<_>)| !lines.is_empty()).collect()
    }

    /// What was typed and differs, as far as it has room.
    fn mistyped(&self) -> Vec<&Held> {
        let differ = self.proof.typed.iter().filter(|one| one.differs);
        differ.take(self.plan.mistyped).collect()
    }

    /// What was sent, where that is not what was expected.
    fn otherwise(&self, row: &Row) -> Option<String> {
        let sent = row.sent.as_ref()?;
        (*sent != row.expected).then(|| {
            if row.sent_text().is_empty() { "nothing".to_owned() } else { row.sent_text() }
        })
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

/// A list with its first ones, and how many there are besides.
fn few(list: &[String]) -> String {
    let mut text = list.iter().take(FEW).cloned().collect::<Vec<_>>().join(", ");
    if list.len() > FEW {
        text.push_str(&format!(" and {} more", list.len() - FEW));
    }
    text
}

pub(super) fn page(
    bench: &Bench,
    proof: &Proof,
    sum: &Sum,
    tested: bool,
) -> Result<String, Failure> {
    let gaps = |open: bool| proof.gaps.iter().filter(move |gap| gap.accepted.is_none() == open);
    let items: Vec<Item<'_>> = gaps(true)
        .chain(gaps(false))
        .map(Item::Gap)
        .chain(proof.notes.iter().map(|note| Item::Note(note)))
        .collect();
    let (strips, lots) = (few(&proof.strips), few(&proof.lots));
    let title = format!(
        "{}: proof of {} for receiver {}. {}: {}",
        bench.site_name,
        proof.analyzer,
        proof.receiver,
        sum.words(),
        sum.verdict()
    );
    // Beside these three stand some 150 letters.
    let facts = format!("{} {strips} {lots} {}", proof.dialect, "x ".repeat(75));
    let plan = Plan::of(proof, &items, [&title, &facts]);
    let page = Page {
        title: &title,
        printed: bench.clock.rfc3339(clock::now_us()),
        version: env!("CARGO_PKG_VERSION"),
        proof,
        sum,
        tested,
        items,
        strips,
        lots,
        plan,
    };
    page.render().map_err(|e| Failure::unreachable(e.to_string()))
}
