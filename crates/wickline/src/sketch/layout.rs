//! How result lines may fall into cells: every layout that could be, as a dialect file says it.

use std::collections::{BTreeMap, BTreeSet};

use super::wire::Line;
use super::words;
use super::write::{Page, list, text};

/// One layout to try.
#[derive(Clone, Debug, Default)]
pub(super) struct Layout {
    /// A line is a record of fields with this sign between them.
    pub record: Option<char>,
    /// The result stands in the line below its label: which line is whose, only the header's forms can tell.
    pub below: bool,
    /// What divides a line into cells, where that is one sign.
    pub sign: Option<char>,
    /// The lines of `[results]`.
    pub lines: Vec<String>,
    /// Signs in a column of marks that nobody here knows.
    pub marks: BTreeSet<String>,
    /// What it says, for the question beside it.
    pub says: String,
}

/// Words and signs that stand in results, whatever their layout is.
#[derive(Clone, Debug, Default)]
pub(super) struct Said {
    unread: Vec<String>,
    off: Vec<String>,
    comparators: Vec<(String, &'static str)>,
    marks: Vec<(String, &'static str)>,
    glued: Vec<String>,
    between: BTreeSet<char>,
    twice: bool,
    leader: Option<char>,
}

const SIGNS: &[char] = &[':', '=', ';', ',', '|', '\t'];
/// Columns at which a label may end.
const LABEL_ENDS: std::ops::Range<usize> = 4..29;

fn sign_name(sign: char) -> String {
    if sign == '\t' { text("tab") } else { text(&sign.to_string()) }
}

impl Layout {
    fn new(says: impl Into<String>, lines: Vec<String>) -> Layout {
        Layout { says: says.into(), lines, ..Layout::default() }
    }

    /// A line that is split by blanks into these cells.
    fn by_blanks(cells: &[&str]) -> Layout {
        Layout::split(&text("blanks"), "blanks", cells)
    }

    fn by_sign(sign: char, cells: &[&str]) -> Layout {
        let name = sign_name(sign);
        Layout { sign: Some(sign), ..Layout::split(&name, &name, cells) }
    }

    fn split(by: &str, called: &str, cells: &[&str]) -> Layout {
        let says = format!("{called} between {}", cells.join(", "));
        Layout::new(says, vec![format!("split = {by}"), format!("cells = {}", list(cells))])
    }

    fn below(mut layout: Layout, cells: &[&str], next: &[(&str, bool)]) -> Layout {
        let optional = |yes: bool| if yes { ", optional = true" } else { "" };
        let rows = next.iter().map(|(cell, may)| {
            format!("{{ split = \"blanks\", cells = [{}]{} }}", text(cell), optional(*may))
        });
        let rows: Vec<String> = rows.collect();
        let below: Vec<&str> = next.iter().map(|(cell, _)| *cell).collect();
        layout.lines.push(format!("next = [{}]", rows.join(", ")));
        layout.below = true;
        layout.says = format!("{} in a line, {} below", cells.join(" and "), below.join(" and "));
        layout
    }

    pub fn write(&self, said: &Said, page: &mut Page) {
        if let Some(sign) = self.record {
            page.line(format!("\n[record]\nsplit = {}", sign_name(sign)));
        }
        page.line("\n[results]");
        page.ask(format!("is this how each result stands: {}?", self.says));
        for line in &self.lines {
            page.line(line);
        }
        let mut said = said.clone();
        let strange = self.marks.iter().filter(|mark| words::mark(mark).is_none());
        said.marks.extend(strange.map(|mark| (mark.clone(), "other")));
        said.write(page);
    }
}

/// These lines without the index that runs before each label. None: no index runs there.
pub(super) fn unindexed(lines: &[Line]) -> Option<Vec<Line>> {
    let counts: Vec<Option<(u32, &str)>> =
        lines.iter().map(|line| words::index(&line.text)).collect();
    let found = || counts.iter().flatten().map(|(count, _)| *count);
    let labels = lines.iter().filter(|line| words::begins(&line.text).is_some()).count();
    let runs =
        found().zip(found().skip(1)).filter(|(one, next)| *next == one + 1 || *next == 1).count();
    (runs > 1 && runs * 4 > found().count() * 3 && found().count() > labels).then(|| {
        let bare = |(line, index): (&Line, &Option<(u32, &str)>)| Line {
            text: index.map_or_else(|| line.text.clone(), |(_, rest)| rest.to_owned()),
            ..line.clone()
        };
        lines.iter().zip(&counts).map(bare).collect()
    })
}

/// The same layouts behind an index that is read past, as far as they can stand there.
pub(super) fn indexed(layouts: Vec<Layout>) -> Vec<Layout> {
    let cells = "cells = [";
    let fits = |layout: &Layout| {
        let plain = |line: &String| {
            line.starts_with("split = \"blanks\"") || line.starts_with("split = \"tab\"")
        };
        layout.record.is_none() && layout.lines.len() == 2 && layout.lines.iter().any(plain)
    };
    let behind = |mut layout: Layout| {
        for line in layout.lines.iter_mut().filter(|line| line.starts_with(cells)) {
            *line = line.replacen(cells, "cells = [\"ignore\", ", 1);
        }
        layout.says = format!("a running index that is read past, then {}", layout.says);
        layout
    };
    layouts.into_iter().filter(fits).map(behind).collect()
}

/// Every layout that these lines give reason to try, the plainest first.
pub(super) fn candidates(lines: &[Line]) -> Vec<Layout> {
    let telling: Vec<&str> = lines
        .iter()
        .map(|line| line.text.as_str())
        .filter(|text| !words::labels(text).is_empty())
        .collect();
    let mut found = vec![Layout::by_blanks(&["label", "result"])];
    let used = |sign: &&char| telling.iter().any(|line| line.contains(**sign));
    for sign in SIGNS.iter().filter(used) {
        found.push(Layout::by_sign(*sign, &["label", "result"]));
        found.extend(fields(&telling, *sign));
    }
    for outer in [';', ',', '|', '\t'].iter().filter(used) {
        for inner in [':', '='].iter().filter(used) {
            let mut layout = Layout::by_sign(*inner, &["label", "result"]);
            layout.record = Some(*outer);
            layout.says =
                format!("fields with {} between them, {}", sign_name(*outer), layout.says);
            found.push(layout);
        }
        let mut layout = Layout::by_blanks(&["label", "result"]);
        layout.lines.push(format!("entry_sign = {}", sign_name(*outer)));
        layout.says =
            format!("several in a line with {} between them, {}", sign_name(*outer), layout.says);
        found.push(layout);
    }
    if telling.iter().any(|line| words::ends(line).is_some()) {
        found.push(Layout::by_blanks(&["result", "label"]));
    }
    found.extend(below(&telling));
    found.extend(widths(&telling));
    found.extend(columns(&telling, None));
    found.extend(table(lines));
    found
}

/// Results in the lines below their labels, behind which a sign may stand.
fn below(telling: &[&str]) -> Vec<Layout> {
    let ends = |sign: &char| telling.iter().any(|line| line.trim_end().ends_with(*sign));
    let mut found = Vec::new();
    for sign in [None].into_iter().chain([':', '='].into_iter().filter(ends).map(Some)) {
        let made = |cells: &[&str], next: &[(&str, bool)]| {
            let layout = sign.map_or_else(
                || Layout::by_blanks(cells),
                |sign| Layout { sign: None, ..Layout::by_sign(sign, cells) },
            );
            Layout::below(layout, cells, next)
        };
        found.push(made(&["label"], &[("result", false)]));
        found.push(made(&["label", "grade"], &[("value", true)]));
        found.push(made(&["label"], &[("grade", false), ("value", true)]));
    }
    found
}

/// Fields with one sign between them, by what stands in each place.
fn fields(telling: &[&str], sign: char) -> Option<Layout> {
    let rows: Vec<Vec<&str>> =
        telling.iter().map(|line| line.split(sign).map(str::trim).collect()).collect();
    let most = rows.iter().map(Vec::len).max().filter(|most| (3..=8).contains(most))?;
    let labels = |at: &usize| {
        rows.iter().filter(|row| row.get(*at).is_some_and(|w| words::pad(w).is_some())).count()
    };
    let label = (0..most).rev().max_by_key(labels)?;
    let own = |row: &&Vec<&str>| row.get(label).is_some_and(|word| words::pad(word).is_some());
    let mut cells: Vec<&str> = (0..most)
        .map(|at| {
            let held: Vec<&str> =
                rows.iter().filter(own).filter_map(|row| row.get(at).copied()).collect();
            if at < label { "ignore" } else { cell(&held) }
        })
        .collect();
    *cells.get_mut(label)? = "label";
    while cells.last() == Some(&"ignore") && cells.len() > label + 2 {
        cells.pop();
    }
    let marks = (0..most).filter(|at| cells.get(*at) == Some(&"mark"));
    let marks = marks.flat_map(|at| rows.iter().filter(own).filter_map(move |row| row.get(at)));
    let marks = marks.filter(|mark| !mark.is_empty()).map(|mark| (*mark).to_owned()).collect();
    Some(Layout { marks, ..Layout::by_sign(sign, &cells) })
}

/// What a cell is that held these texts.
fn cell(held: &[&str]) -> &'static str {
    let some: Vec<&str> = held.iter().copied().filter(|text| !text.is_empty()).collect();
    let all = |is: &dyn Fn(&str) -> bool| !some.is_empty() && some.iter().all(|text| is(text));
    let number = |text: &str| {
        let bare = words::comparator(text)
            .map_or(text, |(word, _)| text.get(word.len()..).unwrap_or("").trim_start());
        bare.trim_start_matches(['<', '>', '=', '≤', '≥', ' '])
            .starts_with(|c: char| c.is_ascii_digit())
            && !bare.ends_with('+')
    };
    let word = |text: &str| words::is_unread(text) || words::is_off(text);
    let sign = |text: &str| {
        let plain = |c: char| !c.is_alphanumeric() && !"+-".contains(c);
        text.chars().all(plain) && !words::is_grade(text) && !words::is_unread(text)
    };
    let again = |text: &str| {
        let inside = text.strip_prefix('(').and_then(|text| text.strip_suffix(')'));
        inside.is_some_and(|inside| {
            inside
                .split_once(' ')
                .is_some_and(|(_, unit)| words::is_unit(unit.rsplit(' ').next().unwrap_or(unit)))
        })
    };
    if all(&again) {
        "again"
    } else if all(&|text| words::mark(text).is_some() || sign(text)) {
        "mark"
    } else if all(&words::is_unit) {
        "unit"
    } else if all(&|text| number(text) || word(text)) {
        "value"
    } else if all(&|text| !number(text)) {
        "grade"
    } else if some.is_empty() {
        "ignore"
    } else {
        "result"
    }
}

/// Several readings in a line, each equally wide.
fn widths(telling: &[&str]) -> Vec<Layout> {
    let mut wide: BTreeMap<usize, usize> = BTreeMap::new();
    for line in telling {
        let indented = line.len() - line.trim_start().len();
        let blank = line.char_indices().filter(|(at, c)| *c == ' ' && *at > indented);
        for (at, _) in blank {
            let rest = line.get(at + 1..).unwrap_or("");
            if !rest.starts_with(' ') && words::begins(rest).is_some() {
                let width = line.get(..=at).map_or(0, |before| before.chars().count());
                *wide.entry(width).or_default() += 1;
            }
        }
    }
    // Where most lines have a label is where a reading begins.
    let mut wide: Vec<(usize, usize)> = wide.into_iter().filter(|(width, _)| *width > 7).collect();
    wide.sort_by_key(|(_, lines)| std::cmp::Reverse(*lines));
    let mut found = Vec::new();
    for (width, _) in wide.into_iter().take(6) {
        let mut layout = Layout::by_blanks(&["label", "result"]);
        layout.lines.push(format!("entry_width = {width}"));
        layout.says = format!("several in a line, each {width} characters wide, {}", layout.says);
        found.push(layout);
        found.extend(columns(telling, Some(width)));
    }
    found
}

/// Labels that may hold blanks, in columns of their own.
fn columns(telling: &[&str], width: Option<usize>) -> Vec<Layout> {
    let at = |line: &&str, column: usize| line.chars().nth(column).unwrap_or(' ');
    let begun: Vec<&str> =
        telling.iter().copied().filter(|line| words::begins(line).is_some()).collect();
    let free = |end: &usize| {
        begun.iter().all(|line| at(line, end - 1) == ' ')
            && begun.iter().any(|line| at(line, *end) != ' ')
    };
    let last = width.unwrap_or(200);
    let layout = |end: usize| {
        let columns = [("label", 1, end), ("result", end + 1, last)].map(|(cell, from, to)| {
            format!("    {{ cell = \"{cell}\", from = {from}, to = {to} }},")
        });
        let mut lines = vec!["columns = [".to_owned()];
        lines.extend(columns);
        lines.push("]".to_owned());
        lines.extend(width.map(|width| format!("entry_width = {width}")));
        Layout::new(format!("label in columns 1 to {end}, result behind it"), lines)
    };
    LABEL_ENDS.filter(|end| *end < last).filter(free).take(8).map(layout).collect()
}

/// Readings in columns that one line heads.
fn table(lines: &[Line]) -> Option<Layout> {
    let heads = |line: &&Line| {
        let mut all = line.text.split_whitespace();
        all.next().is_some_and(|word| words::pad(word).is_none())
            && all.filter_map(words::pad).count() > 2
    };
    let head = lines.iter().find(heads)?;
    let headed = head.text.split_whitespace().next()?;
    let mut rows: Vec<(&str, Vec<&str>)> = Vec::new();
    let mut blank: BTreeSet<&str> = BTreeSet::new();
    let mut count = None;
    for line in lines {
        let mut places = line.text.split_whitespace();
        let Some(begun) = places.next() else { continue };
        let places: Vec<&str> = places.collect();
        if begun == headed {
            count = Some(places.len());
        } else if count == Some(places.len()) {
            blank.extend(
                places
                    .iter()
                    .filter(|word| {
                        !word.contains(char::is_alphanumeric)
                            && word.len() < 4
                            && words::mark(word).is_none()
                            && !words::is_grade(word)
                    })
                    .copied(),
            );
            let said = places
                .into_iter()
                .filter(|word| word.contains(char::is_alphanumeric) || words::mark(word).is_some());
            match rows.iter_mut().find(|(row, _)| *row == begun) {
                Some((_, held)) => held.extend(said),
                None => rows.push((begun, said.collect())),
            }
        } else {
            count = None;
        }
    }
    let rows: Vec<String> =
        rows.iter().map(|(row, held)| format!("{} = \"{}\"", text(row), cell(held))).collect();
    let lines = vec![
        "split = \"blanks\"".to_owned(),
        format!("headed = {}", text(headed)),
        format!("rows = {{ {} }}", rows.join(", ")),
        format!("blank = {}", list(blank)),
    ];
    Some(Layout::new(format!("a table that the line {} heads", text(headed)), lines))
}

fn is_figure(text: &str) -> bool {
    text.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '<' | '>'))
}

/// Whether a line says one thing of many pads.
fn in_a_row(line: &str) -> bool {
    let words: Vec<&str> = line.split_whitespace().skip(1).collect();
    let says = |word: &&&str| {
        words::is_grade(word) || words::is_unread(word) || !word.contains(char::is_alphanumeric)
    };
    let told = words.iter().filter(says).count();
    words.len() > 2 && told * 2 > words.len()
}

impl Said {
    pub fn of(lines: &[Line]) -> Said {
        let mut said = Said::default();
        let mut below = false;
        for line in lines {
            let named = words::begins(&line.text);
            let plain = !words::labels(&line.text).is_empty() || below || in_a_row(&line.text);
            below = named.is_some_and(|(_, rest)| rest.is_empty());
            let tokens: Vec<&str> =
                line.text.split([' ', '\t', ';', '|', '=']).filter(|t| !t.is_empty()).collect();
            for (at, token) in tokens.iter().enumerate().filter(|_| plain) {
                let behind = at.checked_sub(1).and_then(|at| tokens.get(at));
                said.token(token, behind.copied(), at + 1 == tokens.len());
                said.instead(token);
                if let Some(next) = tokens.get(at + 1) {
                    said.instead(&format!("{token} {next}"));
                }
            }
            said.compared(&line.text);
            let words: Vec<&str> = line.text.split_whitespace().collect();
            let apart = words.windows(3).filter_map(|three| match three {
                [grade, sign, number] if words::is_grade(grade) && is_figure(number) => {
                    sign.parse::<char>().ok()
                }
                _ => None,
            });
            said.between.extend(apart.filter(|sign| "/=~:".contains(*sign)));
            let bracket = words.windows(2).any(|two| match two {
                [grade, number] => {
                    words::is_grade(grade) && number.strip_prefix('(').is_some_and(is_figure)
                }
                _ => false,
            });
            said.between.extend(bracket.then_some('('));
            said.twice |= line.text.split_once('(').is_some_and(|(before, rest)| {
                rest.starts_with(|c: char| c.is_ascii_digit())
                    && before.split_whitespace().last().is_some_and(words::is_unit)
            });
        }
        said
    }

    /// A word that stands where a result should be.
    fn instead(&mut self, word: &str) {
        let own = |list: &[String]| list.iter().any(|known| known == word);
        if words::is_unread(word) && words::mark(word).is_none() && !own(&self.unread) {
            self.unread.push(word.to_owned());
        }
        if words::is_off(word) && !own(&self.off) {
            self.off.push(word.to_owned());
        }
    }

    fn token(&mut self, token: &str, behind: Option<&str>, last: bool) {
        let label = |word: &str| words::pad(word.trim_end_matches(':')).is_some();
        let led = token.trim_end_matches([':', '=']).trim_end_matches(['.', '_']);
        let token =
            if led.len() + 2 < token.len() { token.trim_end_matches([':', '=']) } else { token };
        if led.is_empty() && token.len() > 3 {
            self.leader = token.chars().last();
        }
        if token.len() > led.len() + 2 && label(led) {
            self.leader = token.chars().last();
        }
        let result = |word: &str| {
            words::is_grade(word)
                || words::is_unit(word)
                || word.ends_with(|c: char| c.is_ascii_digit())
        };
        let letters = token.chars().all(char::is_alphanumeric);
        let there = !letters || last && behind.is_some_and(|word| result(word) && !label(word));
        if let Some(meaning) = words::mark(token).filter(|_| there)
            && !self.marks.iter().any(|(mark, _)| mark == token)
        {
            self.marks.push((token.to_owned(), meaning));
        }
        let bare = token.trim_end_matches(['*', '!', '#']);
        let mark = token.get(bare.len()..).unwrap_or("");
        // Behind a bracket as well, whatever it closes.
        let ends = |bare| words::is_grade(bare) || words::is_unit(bare) || bare.ends_with(')');
        if !bare.is_empty() && !mark.is_empty() && ends(bare) {
            if !self.glued.iter().any(|known| known == mark) {
                self.glued.push(mark.to_owned());
            }
            if let Some(meaning) =
                words::mark(mark).filter(|_| !self.marks.iter().any(|(known, _)| known == mark))
            {
                self.marks.push((mark.to_owned(), meaning));
            }
        }
        for sign in ['/', '=', '~'] {
            let divided = token.split_once(sign).filter(|(grade, number)| {
                words::is_grade(grade.rsplit(':').next().unwrap_or(grade)) && is_figure(number)
            });
            self.between.extend(divided.map(|_| sign));
        }
    }

    /// Words for a comparator behind a number or its unit.
    fn compared_behind(&mut self, line: &str) {
        let figure = |word: &str| is_figure(word.trim_start_matches(['(', '[']));
        for (at, _) in line.match_indices([' ', '\t']) {
            let (before, behind) = line.split_at(at);
            let Some((word, sign)) = words::comparator_behind(behind.trim_start()) else {
                continue;
            };
            let mut before = before.split_whitespace().rev();
            let (last, further) = (before.next().unwrap_or(""), before.next().unwrap_or(""));
            let known = self.comparators.iter().any(|(known, _)| known == word);
            if !known && (figure(last) || figure(further) && words::is_unit(last)) {
                self.comparators.push((word.to_owned(), sign));
            }
        }
    }

    /// A word for a comparator before a number.
    fn compared(&mut self, line: &str) {
        self.compared_behind(line);
        let starts = line.char_indices().filter(|(at, _)| {
            line.get(..*at).is_some_and(|b| b.ends_with(SIGNS) || b.ends_with(' '))
        });
        for (at, _) in starts {
            let Some((word, sign)) = line.get(at..).and_then(words::comparator) else { continue };
            let behind = line.get(at + word.len()..).unwrap_or("").trim_start();
            let known = self.comparators.iter().any(|(known, _)| known == word);
            if behind.starts_with(|c: char| c.is_ascii_digit()) && !known {
                self.comparators.push((word.to_owned(), sign));
            }
        }
    }

    fn write(&self, page: &mut Page) {
        if let Some(leader) = self.leader {
            page.ask("does this sign lead from a label to its result, and is it part of no label?");
            page.line(format!("leader = {}", text(&leader.to_string())));
        }
        if !self.between.is_empty() {
            let signs = self.between.iter().map(char::to_string);
            page.ask("does this sign stand between a grade and its number?");
            page.line(format!("between = {}", list(signs)));
        }
        if self.twice {
            page.ask("is each number printed again in its other unit?");
            page.line("both_units = true");
        }
        if !self.unread.is_empty() {
            page.ask("do these words say that a pad could not be read?");
            page.line(format!("unread = {}", list(&self.unread)));
        }
        if !self.off.is_empty() {
            page.ask("do these words say that a pad is switched off?");
            page.line(format!("off = {}", list(&self.off)));
        }
        if !self.comparators.is_empty() {
            let pairs = self
                .comparators
                .iter()
                .map(|(word, sign)| format!("{} = {}", text(word), text(sign)));
            page.ask("which ends of a ladder do these words mean?");
            page.line(format!("comparators = {{ {} }}", pairs.collect::<Vec<_>>().join(", ")));
        }
        if !self.glued.is_empty() {
            page.ask("may these marks stand without a blank?");
            page.line(format!("marks_glued = {}", list(&self.glued)));
        }
        if !self.marks.is_empty() {
            page.line("\n[marks]");
            page.ask("are these marks of abnormality, and is this what each means?");
            for (mark, meaning) in &self.marks {
                page.line(format!("{} = \"{meaning}\"", text(mark)));
            }
        }
    }
}
