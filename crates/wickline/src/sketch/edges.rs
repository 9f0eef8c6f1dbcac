//! Where a report of a capture begins and ends.

use std::collections::BTreeSet;
use std::ops::Range;

use super::wire::{Line, Wire};
use super::words;
use super::write::{Page, text};

/// What was found around the readings of each report.
#[derive(Clone, Debug, Default)]
pub(super) struct Edges {
    first: Option<String>,
    last: Option<String>,
    blank: bool,
    /// Reports by the readings that come again.
    reports: usize,
}

/// How a line begins, up to what changes from report to report: a digit, or a sign and what stands behind it.
pub(super) fn opening(line: &str) -> &str {
    let line = line.trim();
    if !line.contains(char::is_alphanumeric) {
        return line;
    }
    let sign = line.find([':', '=', ';', '|', '\t']).map(|at| at + 1);
    let digit = line.find(|c: char| c.is_ascii_digit());
    let end = [sign, digit].into_iter().flatten().min().unwrap_or(line.len());
    line.get(..end).unwrap_or(line).trim_end()
}

fn tells(opening: &str) -> bool {
    opening.chars().count() > 1
}

/// Whether it tells an end: also one sign alone on its line, which stands nowhere else.
fn ends(opening: &str, lines: &[Line]) -> bool {
    let sign = !opening.is_empty() && !opening.contains(char::is_alphanumeric);
    let alone = |line: &Line| !line.text.contains(opening) || line.text.trim() == opening;
    tells(opening) || sign && lines.iter().all(alone)
}

impl Edges {
    pub fn of(lines: &[Line]) -> Edges {
        let captures: BTreeSet<usize> = lines.iter().map(|line| line.capture).collect();
        let whole = |capture: &usize| -> Vec<&Line> {
            lines.iter().filter(|l| l.capture == *capture).collect()
        };
        let captures: Vec<Vec<&Line>> = captures.iter().map(whole).collect();
        let gaps: Vec<(usize, Range<usize>)> = captures
            .iter()
            .enumerate()
            .flat_map(|(n, lines)| gaps(lines).into_iter().map(move |gap| (n, gap)))
            .collect();
        let part = |n: usize, gap: &Range<usize>| -> &[&Line] {
            captures.get(n).and_then(|lines| lines.get(gap.clone())).unwrap_or_default()
        };
        let in_all = |wanted: &str| {
            let holds = |(n, gap): &(usize, Range<usize>)| {
                part(*n, gap).iter().any(|l| opening(&l.text) == wanted)
            };
            gaps.iter().all(holds)
        };
        let first_lines =
            captures.iter().filter_map(|lines| lines.first()).map(|line| opening(&line.text));
        let first = first_lines.clone().next().filter(|first| {
            tells(first)
                && words::labels(first).is_empty()
                && first_lines.clone().all(|f| f == *first)
                && in_all(first)
        });
        let before = |(n, gap): &(usize, Range<usize>)| {
            let part = part(*n, gap);
            // Where no line begins a report, the last one before a result ends the report above.
            let at = match first {
                Some(_) => part.iter().rposition(|line| Some(opening(&line.text)) == first)?,
                None => part.len(),
            };
            at.checked_sub(1).and_then(|at| part.get(at)).map(|line| opening(&line.text))
        };
        // Whatever its label means, a result is printed only as long as its pad is on.
        let results = |line: &&Line| {
            let word = line.text.split_whitespace().last().unwrap_or("");
            words::is_grade(word) || words::is_unit(word)
        };
        let last_lines =
            captures.iter().filter_map(|lines| lines.last()).map(|line| opening(&line.text));
        let last = last_lines.clone().next().filter(|last| {
            let own = ends(last, lines) && words::labels(last).is_empty() && Some(*last) != first;
            let known = !words::is_grade(last) && !words::is_unread(last) && !words::is_off(last);
            let known = known && !captures.iter().filter_map(|lines| lines.last()).any(results);
            own && known
                && last_lines.clone().all(|l| l == *last)
                && gaps.iter().all(|gap| before(gap) == Some(*last))
        });
        let parted = |(n, gap): &(usize, Range<usize>)| {
            let all = captures.get(*n).map(Vec::as_slice).unwrap_or_default();
            let around = all.get(gap.start.saturating_sub(1)..=gap.end).unwrap_or_default();
            around.windows(2).any(|pair| matches!(pair, [a, b] if a.group != b.group))
        };
        let reports = captures.len() + gaps.len();
        let groups: BTreeSet<usize> = lines.iter().map(|line| line.group).collect();
        let blank = gaps.iter().all(parted) && groups.len() == reports && !gaps.is_empty();
        Edges { first: first.map(str::to_owned), last: last.map(str::to_owned), blank, reports }
    }

    pub fn write(&self, wire: &Wire, page: &mut Page) {
        page.line("\n[report]");
        let ends = !wire.end.is_empty() && !wire.begin.is_empty();
        if let Some(first) = &self.first {
            match self.reports {
                0 | 1 => {
                    page.ask("only one report was seen: does each begin with a line like this?")
                }
                n => {
                    page.ask(format!("does each report begin with a line like this? {n} were seen"))
                }
            }
            page.line(format!("first_line = {}", text_list(first)));
        } else if wire.begin.is_empty() {
            page.ask("what does a report begin with? Without first_line, one whose head was lost looks whole");
        }
        if let Some(last) = &self.last {
            page.ask("does each report end with a line like this? must_end holds one that stops before it");
            page.line(format!("last_line = {}\nmust_end = true", text_list(last)));
        }
        wire.write_edges(page, ends && self.last.is_none());
        if self.blank && wire.begin.is_empty() && self.last.is_none() {
            page.ask(format!(
                "does a blank line end a report? Between the {} that were seen stood some, and within none; one within \
                 would cut it",
                self.reports
            ));
            page.line("blank_lines = 1");
        }
        page.ask("how long is the line silent when a report is over? A capture does not tell");
        page.line("silence_ms = 3000");
    }
}

fn text_list(one: &str) -> String {
    format!("[{}]", text(one))
}

/// The lines between two reports: behind the last reading of one, before the first of the next, whose pads come again.
fn gaps(lines: &[&Line]) -> Vec<Range<usize>> {
    let mut gaps = Vec::new();
    let mut seen = BTreeSet::new();
    let mut last = None;
    for (at, line) in lines.iter().enumerate() {
        let pads = words::labels(&line.text);
        if pads.is_empty() {
            continue;
        }
        let behind = last.map_or(0, |last| last + 1);
        if behind < at && pads.iter().any(|pad| seen.contains(pad)) {
            gaps.push(behind..at);
            seen.clear();
        }
        seen.extend(pads);
        last = Some(at);
    }
    gaps
}
