//! What a print leaves open that no file can close: words whose meaning nobody has read, signs that nobody has listed.

use std::collections::BTreeSet;

use wickline_normalize::Strip;

use super::Gap;
use super::truth::Kept;
use crate::cli::Failure;
use crate::cli::output::visible;
use crate::prove::against::Proved;
use crate::prove::sheet::{Habits, Sheet};
use crate::prove::{files, reports};
use crate::settings::bench::Analyzer;
use crate::settings::{AnalyzerKeys, Loaded};

/// What the files of an analyzer ask themselves: labels and words that a shipped strip knows for something else, and
/// drafts that nobody has gone through.
pub(super) fn asked(
    loaded: &Loaded,
    raw: &AnalyzerKeys,
    analyzer: &Analyzer,
) -> Result<Vec<Gap>, Failure> {
    let numbered = |of: &'static str| {
        move |(n, told): (usize, String)| Gap::new(format!("{of}-{}", n + 1), told)
    };
    let questions = analyzer.strips.iter().flat_map(Strip::questions).cloned().enumerate();
    let drafts = files::open_questions(loaded, raw).map_err(Failure::wrong)?;
    let drafts = drafts.into_iter().enumerate();
    Ok(questions.map(numbered("question")).chain(drafts.map(numbered("draft"))).collect())
}

/// Words for ends of a ladder that no reading shows which a person typed with its sign: what the dialect says of them
/// stands in no other file. A word whose sign no step has brings nothing out, for it is held.
pub(super) fn words(
    habits: &Habits,
    sheets: &[Sheet],
    system: usize,
    proved: &[Proved],
) -> Vec<Gap> {
    let measures = sheets.iter().flat_map(|sheet| &sheet.pads).any(|pad| pad.rungs.is_empty());
    let shown: BTreeSet<&String> = proved.iter().flat_map(|one| &one.words).collect();
    let open = |(word, sign): &(String, String)| {
        let goes = measures || sheets.iter().any(|sheet| sheet.has_end(sign, system));
        goes && !shown.contains(word)
    };
    let all = habits.comparators.iter().enumerate().filter(|(_, own)| open(own));
    let gap = |(n, (word, sign)): (usize, &(String, String))| {
        let text = format!(
            "`{}` of [results] comparators is read as {sign}, and no capture with a truth shows it: type one that \
             bears it, with the sign that the insert has (prove truth).",
            visible(word)
        );
        Gap::new(format!("word-{}", n + 1), text)
    };
    all.map(gap).collect()
}

/// How this print writes an end of a ladder, where nobody has read one on a paper: it can stand as words, as a sign
/// behind the number, or bare, and then be taken for another step.
pub(super) fn ends(sheets: &[Sheet], system: usize, proved: &[Proved]) -> Option<Gap> {
    if proved.iter().any(|one| one.shows_end) {
        return None;
    }
    let (pad, label) = sheets.iter().find_map(|sheet| sheet.an_end(system))?;
    let text = format!(
        "No capture with a truth shows how this print writes an end of a ladder, such as {label} of {pad}: type one \
         that bears it, with the sign that the insert has (prove truth)."
    );
    Some(Gap::new("ends", text))
}

/// Numbers of captures that end in something else than a digit, where the dialect lists nothing that may stand there.
pub(super) fn numbers(analyzer: &Analyzer, habits: &Habits, captures: &[Kept]) -> Vec<Gap> {
    if !habits.suffixes.is_empty() {
        return Vec::new();
    }
    let dialect = analyzer.dialect.as_ref();
    let all = captures.iter().flat_map(|kept| reports(dialect, &kept.bytes));
    let numbers: BTreeSet<String> = all.filter_map(|report| report.number).collect();
    let odd = numbers.iter().filter(|n| n.ends_with(|c: char| !c.is_ascii_digit()));
    let gap = |(n, number): (usize, &String)| {
        let text = format!(
            "Number `{}` ends in a letter or sign, and the dialect lists none that may stand there: if it says whose \
             the report is, or that controls have not passed, list it under [number] suffixes.",
            visible(number)
        );
        Gap::new(format!("number-{}", n + 1), text)
    };
    odd.enumerate().map(gap).collect()
}
