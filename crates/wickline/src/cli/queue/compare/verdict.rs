//! How one result that was told stands to the lines of the file that are of it.

use std::collections::BTreeSet;

use serde::Serialize;

use super::clipped;
use super::filed::Filed;
use super::matching::{Ground, Laid};
use super::told::{Told, key};
use crate::acts::holdings::Held;

/// In one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    Agrees,
    Differs,
    /// Told, and not in the file.
    NotFiled,
    /// There more often than it was told, or several times and nothing says which one counts.
    Twice,
    /// Withdrawn, and there as if it were valid.
    StillFiled,
    /// There under an order or specimen of ours, and never told by us.
    NotSent,
    /// Its specimen id is what a spreadsheet makes of one.
    Mangled,
    /// Of an order that is none of ours.
    NotOurs,
}

impl Verdict {
    pub const ALL: [Verdict; 8] = [
        Verdict::Agrees,
        Verdict::Differs,
        Verdict::NotFiled,
        Verdict::Twice,
        Verdict::StillFiled,
        Verdict::NotSent,
        Verdict::Mangled,
        Verdict::NotOurs,
    ];

    pub fn text(self) -> &'static str {
        match self {
            Verdict::Agrees => "agree",
            Verdict::Differs => "differ",
            Verdict::NotFiled => "not filed",
            Verdict::Twice => "filed twice",
            Verdict::StillFiled => "withdrawn and still filed",
            Verdict::NotSent => "filed and never told",
            Verdict::Mangled => "specimen id changed by a spreadsheet",
            Verdict::NotOurs => "of other orders",
        }
    }
}

/// One result: ours, theirs, and how they stand to each other.
#[derive(Debug, Serialize)]
pub struct Row {
    pub verdict: Verdict,
    pub order: String,
    pub specimen: Option<String>,
    pub name: String,
    pub ours: Option<String>,
    pub theirs: Option<String>,
    /// In which of value, unit, flag, status, code, specimen and order they differ.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub differs: Vec<&'static str>,
    /// Where it stands in the file.
    pub place: Option<String>,
}

/// The most lines of one result that are shown.
const SHOWN: usize = 5;

/// Judges what was laid.
pub struct Judge<'a> {
    pub ground: &'a Ground<'a>,
    pub laid: &'a Laid,
    /// Every result of ours must be there, also of orders that the file does not name.
    pub all: bool,
    /// Every code that a result of ours can have.
    pub codes: BTreeSet<String>,
}

impl Judge<'_> {
    pub fn rows(&self) -> Vec<Row> {
        let mut rows = Vec::new();
        for (told, lines) in self.ground.told.iter().zip(&self.laid.lines) {
            let lines: Vec<&Filed> =
                lines.iter().filter_map(|at| self.ground.filed.get(*at)).collect();
            if self.all || !lines.is_empty() || self.laid.named.contains(&told.holding) {
                rows.extend(self.result(told, &lines));
            }
        }
        let strangers = self.laid.strangers.iter().filter_map(|at| self.ground.filed.get(*at));
        rows.extend(strangers.map(|filed| self.stranger(filed)));
        rows
    }

    /// A copy under another specimen stands for itself; it is no history of this one.
    fn result(&self, told: &Told<'_>, lines: &[&Filed]) -> Vec<Row> {
        let here = |filed: &&Filed| self.ground.same_specimen(filed, told);
        let (own, astray): (Vec<&Filed>, Vec<&Filed>) = lines.iter().copied().partition(here);
        if own.is_empty() && !astray.is_empty() {
            return vec![self.judged(told, &astray)];
        }
        let astray = astray.into_iter().map(|one| self.judged(told, &[one]));
        std::iter::once(self.judged(told, &own)).chain(astray).collect()
    }

    fn judged(&self, told: &Told<'_>, lines: &[&Filed]) -> Row {
        let row = |verdict, shown: &[&Filed], differs| Row {
            verdict,
            order: told.order.obr3.clone(),
            specimen: told.order.specimen.clone(),
            name: told.held.line.name.clone(),
            ours: Some(ours(told.held)),
            theirs: several(shown),
            differs,
            place: joined(shown.iter().map(|f| f.place.clone())),
        };
        let last = latest(told, lines);
        if told.is_gone() {
            let back = last.iter().all(|filed| self.ground.manner.is_taken_back(filed));
            let verdict = if back { Verdict::Agrees } else { Verdict::StillFiled };
            return row(verdict, &last, Vec::new());
        }
        let [one] = last[..] else {
            return match last.as_slice() {
                [] => row(Verdict::NotFiled, &[], Vec::new()),
                _ => row(Verdict::Twice, &last, self.differences(told, &last)),
            };
        };
        // What is verified there has a line of theirs for that.
        let often = lines.len() > told.order.sent.len().max(1);
        if often && !matches!(told.held.status, "P" | "R") {
            return row(Verdict::Twice, lines, self.differences(told, lines));
        }
        let differs = self.differences(told, &[one]);
        let verdict = if differs.is_empty() { Verdict::Agrees } else { Verdict::Differs };
        row(verdict, &[one], differs)
    }

    /// In what any of these lines differs from what was told.
    fn differences(&self, told: &Told<'_>, lines: &[&Filed]) -> Vec<&'static str> {
        let mut differs = Vec::new();
        for filed in lines {
            let numbered = self.laid.by_order && !filed.orders.is_empty();
            let strange = numbered && self.ground.known.order_of(filed) != Some(told.holding);
            let notes = [
                ("code", self.is_contrary(told, filed)),
                ("specimen", !self.ground.same_specimen(filed, told)),
                ("order", strange),
            ];
            let more = notes.into_iter().filter(|(_, so)| *so).map(|(name, _)| name);
            differs.extend(self.ground.manner.differences(told, filed).into_iter().chain(more));
        }
        let mut seen = BTreeSet::new();
        differs.retain(|name| seen.insert(*name));
        differs
    }

    /// Beside a code of this result stands one of another: one of ours, or a published one that was not told.
    fn is_contrary(&self, told: &Told<'_>, filed: &Filed) -> bool {
        let published = told.held.codes.iter().any(|code| is_loinc(code));
        let other = |code: &&String| !told.has_code(code);
        let mut others = filed.codes.iter().filter(other);
        others.any(|code| (published && is_loinc(code)) || self.codes.contains(&key(code)))
    }

    /// A line of the file that no result of ours stands beside.
    fn stranger(&self, filed: &Filed) -> Row {
        let known = self.ground.known;
        let specimen = self.ground.specimen(filed);
        let ours = |code: &String| self.codes.contains(&key(code));
        // Under a specimen of ours others may file what they find in it; not under our own numbers.
        let under_ours = specimen.is_some_and(|s| !known.orders_under(s).is_empty());
        let verdict = match () {
            () if known.order_of(filed).is_some() => Verdict::NotSent,
            () if under_ours && filed.codes.iter().any(ours) => Verdict::NotSent,
            () => Verdict::NotOurs,
        };
        Row {
            verdict,
            order: clipped(filed.orders.first().map_or("", String::as_str)),
            specimen: specimen.map(clipped),
            name: clipped(filed.codes.first().map_or("-", String::as_str)),
            ours: None,
            theirs: Some(theirs(filed)),
            differs: Vec::new(),
            place: Some(filed.place.clone()),
        }
    }
}

/// A LOINC code by its form: digits, a hyphen and a check digit.
fn is_loinc(code: &str) -> bool {
    let digits = |text: &str| !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
    code.split_once('-').is_some_and(|(number, check)| {
        digits(number) && number.len() <= 7 && digits(check) && check.len() == 1
    })
}

/// The line that counts: the one of the last message that we sent, else the one of the latest time. Several:
/// nothing says which of them.
fn latest<'f>(told: &Told<'_>, lines: &[&'f Filed]) -> Vec<&'f Filed> {
    let sent = |filed: &&Filed| {
        let id = filed.control_id.as_ref()?;
        told.order.sent.iter().position(|own| own == id).and_then(|at| i64::try_from(at).ok())
    };
    let time = |filed: &&Filed| filed.time;
    let all =
        |of: &dyn Fn(&&Filed) -> Option<i64>| lines.iter().map(of).collect::<Option<Vec<_>>>();
    let Some(order) = all(&sent).or_else(|| all(&time)) else { return lines.to_vec() };
    let last = order.iter().max();
    let pairs = order.iter().zip(lines);
    pairs.filter(|(at, _)| Some(*at) == last).map(|(_, filed)| *filed).collect()
}

fn ours(told: &Held) -> String {
    let doubt = if told.doubtful { " (not sure that it has it)" } else { "" };
    let line = &told.line;
    let back = if told.status == "W" { "withdrawn: " } else { "" };
    let text = format!("{back}{} {} {}", line.value, line.unit, line.flag);
    format!("{}{doubt}", text.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// What a line says, its status where that is not plainly final.
fn theirs(filed: &Filed) -> String {
    let part = |parts: &Option<Vec<String>>| parts.clone().unwrap_or_default().join("~");
    let mut said: Vec<&str> = Vec::new();
    for part in &filed.value {
        if !said.contains(&part.text.as_str()) {
            said.push(&part.text);
        }
    }
    let mut units = filed.unit.clone().unwrap_or_default();
    units.dedup();
    let status = filed.status.as_ref().filter(|status| !status.eq_ignore_ascii_case("F"));
    let status = status.map(|s| format!("({s})")).unwrap_or_default();
    let text = format!("{} {} {} {status}", said.join("^"), units.join("^"), part(&filed.flag));
    clipped(&text.split_whitespace().collect::<Vec<_>>().join(" "))
}

/// One line as it is, several each with its place.
fn several(lines: &[&Filed]) -> Option<String> {
    match lines {
        [] => None,
        [one] => Some(theirs(one)),
        many => joined(many.iter().map(|f| format!("{}: {}", f.place, theirs(f)))),
    }
}

fn joined(texts: impl ExactSizeIterator<Item = String>) -> Option<String> {
    let more = texts.len().saturating_sub(SHOWN);
    let mut shown: Vec<String> = texts.take(SHOWN).collect();
    if more > 0 {
        shown.push(format!("{more} more"));
    }
    (!shown.is_empty()).then(|| shown.join("; "))
}
