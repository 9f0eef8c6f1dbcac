//! From a dialect file's text to a shape: the notation, read strictly, every fault at once.

use wickline_normalize::sheet::{Keys, Source, Spot};
use wickline_normalize::words::{self, nearest, quote};
use wickline_normalize::{Fault, MarkMeaning};

use super::report::{self, rules};
use super::{CLASSES, Header, NumberRule, SIGNS, Shape, Sign};
use super::{forms, rows};
use crate::dialect::calendar::{Calendar, ORDERS, TIMES};
use crate::dialect::check::Place;
use crate::dialect::codepage::{ENCODINGS, Encoding};
use crate::dialect::entry::{CELLS, Cell, Entries, Layout, Results, Split, may_be_a_grade};
use crate::dialect::form::Field;

/// Columns of a line at most, and lines of one reading.
pub(super) const MAX_COLUMN: u32 = 1_000;
const MAX_LAYOUTS: usize = 6;

const MEANINGS: &[(&str, MarkMeaning)] = &[
    ("normal", MarkMeaning::Normal),
    ("abnormal", MarkMeaning::Abnormal),
    ("low", MarkMeaning::Low),
    ("high", MarkMeaning::High),
    ("other", MarkMeaning::Other),
];

/// Every part has a value even where the file's was refused: any fault refuses the whole.
///
/// Reading goes on after a fault, so that an analyst sees all of them; a file with one fault is no dialect.
pub(super) fn shape(text: &str, file: &str) -> Result<Shape, Vec<Fault>> {
    let source = Source::new(file, text);
    let shape = source.parse().map(|root| {
        let keys = Keys::new(&source, String::new(), 0, root.get_ref());
        let shape = whole(&keys);
        keys.close();
        shape
    });
    let faults = source.into_faults();
    match shape {
        Some(shape) if faults.is_empty() => Ok(shape),
        _ => Err(faults),
    }
}

fn whole(keys: &Keys<'_, '_>) -> Shape {
    let name = keys.needed("name", "my-dialect");
    if let Some(name) = name.as_ref().filter(|name| !words::is_name(&name.value)) {
        keys.fault(name.at, "name", quote(&name.value), words::NAME);
    }
    if keys.has("query") && keys.table("query").is_some() {
        let allowed = "nothing: a printout asks nothing. Records of LIS02 do: records = \"lis02\"";
        keys.fault(keys.place("query"), "query", "a table", allowed);
    }
    let encoding = choice(keys, "encoding", ENCODINGS).unwrap_or(Encoding::Utf8);
    let decimals = &[("point", '.'), ("comma", ',')];
    let decimal = choice(keys, "decimal", decimals).unwrap_or('.');
    let calendar = table(keys, "dates", "with order = \"ymd\", or another order", calendar);
    let calendar = calendar.unwrap_or_default();
    let line = keys.table("line");
    let read = |report: &Keys<'_, '_>| {
        (rules(report, line.as_ref(), encoding), report::parts(report, encoding))
    };
    let report = table(keys, "report", "with silence_ms = 3000 and what else ends one", read);
    let (rules, parts) = report.unwrap_or_default();
    if let Some(line) = &line {
        line.close();
    }
    let number = keys.table("number").map(|keys| {
        let rule = number(&keys);
        keys.close();
        rule
    });
    let read = |keys: &Keys<'_, '_>| forms::header(keys, &calendar);
    let header = table(keys, "header", "with lines = [\"No. {number}\"] and the others", read);
    let record = rows::record(keys, &calendar, rules.length);
    let pages = header.as_ref().is_some_and(|header| header.names(Field::Page));
    if parts.is_some() && pages {
        let allowed = "several reports on a page, or several pages of a report, not both";
        keys.fault(keys.place("report"), "report", "each beside a form with {page}", allowed);
    }
    let marked = header.as_ref().is_some_and(|header| header.names(Field::Marked));
    if marked && !keys.has("marks") {
        let allowed =
            "a table [marks] with the signs that are counted, such as \"*\" = \"abnormal\"";
        keys.fault(keys.at, "marks", "nothing, and a form with {marked}", allowed);
    }
    let check = report::check(keys);
    let own_line = check.as_ref().is_some_and(|check| matches!(check.place, Place::OwnLine(_)));
    if parts.is_some() && own_line {
        let allowed = "check characters at the end of each line: those of a page vouch for no report of it alone";
        keys.fault(keys.place("check"), "check.own_line", "each or each_line beside it", allowed);
    }
    let marks = marks(keys);
    let read = |keys: &Keys<'_, '_>| results(keys, marks, decimal);
    let example = "with split = \"blanks\" and cells = [\"label\", \"result\"], or columns";
    let results = table(keys, "results", example, read);
    let mut shape = Shape {
        name: name.map(|name| name.value).unwrap_or_default(),
        encoding,
        calendar,
        rules,
        parts,
        header: header.unwrap_or_else(|| Header::new(Vec::new(), &[])),
        number: number.unwrap_or_default(),
        record,
        results: results.unwrap_or_default(),
        check,
        counts: false,
        marked: false,
        pages: false,
    };
    shape.counts = shape.needs(Field::Count);
    shape.marked = shape.needs(Field::Marked);
    shape.pages = shape.needs(Field::Page);
    shape
}

/// A table that must be given.
fn table<T>(
    keys: &Keys<'_, '_>,
    key: &'static str,
    example: &str,
    read: impl FnOnce(&Keys<'_, '_>) -> T,
) -> Option<T> {
    if !keys.has(key) {
        keys.fault(keys.at, key, "nothing", format!("a table [{key}] {example}"));
    }
    let table = keys.table(key)?;
    let found = read(&table);
    table.close();
    Some(found)
}

/// One word of a few. None: not given, or none of them, which is noted.
pub(in crate::dialect) fn choice<T: Copy>(
    keys: &Keys<'_, '_>,
    key: &'static str,
    of: &[(&str, T)],
) -> Option<T> {
    let word = keys.text(key)?;
    one_of(keys, key, &word, of)
}

pub(super) fn one_of<T: Copy>(
    keys: &Keys<'_, '_>,
    key: &str,
    word: &Spot<String>,
    of: &[(&str, T)],
) -> Option<T> {
    let found = of.iter().find(|(name, _)| *name == word.value).map(|(_, value)| *value);
    if found.is_none() {
        let names: Vec<&str> = of.iter().map(|(name, _)| *name).collect();
        let near = nearest(&word.value, &names).filter(|near| near.get(..1) == word.value.get(..1));
        let hint = near.map_or(String::new(), |near| format!("; did you mean \"{near}\"?"));
        let names: Vec<String> = names.iter().map(|name| format!("\"{name}\"")).collect();
        keys.fault(word.at, key, quote(&word.value), format!("{}{hint}", names.join(", ")));
    }
    found
}

fn calendar(keys: &Keys<'_, '_>) -> Calendar {
    if !keys.has("order") {
        let allowed = "order = \"dmy\", or \"ymd\", \"ydm\", \"mdy\", \"ordinal\", \"week\"";
        keys.fault(keys.at, "order", "nothing", allowed);
    }
    let order = choice(keys, "order", ORDERS).unwrap_or_default();
    let months = words(keys, "months");
    if !months.is_empty() && months.len() != 12 {
        let found = format!("{} names", months.len());
        keys.fault(keys.place("months"), "months", found, "twelve names, January first");
    }
    twice(keys, "months", &months);
    let (am, pm) = (words(keys, "am"), words(keys, "pm"));
    if am.is_empty() != pm.is_empty() {
        let allowed = "words for both halves of the day, am and pm, or for neither";
        keys.fault(keys.at, "am", "only one half of the day", allowed);
    }
    if let Some(word) = am.iter().find(|word| pm.contains(word)) {
        let found = format!("{}, which am has too", quote(word));
        keys.fault(keys.place("pm"), "pm", found, "words that tell the halves of the day apart");
    }
    Calendar {
        order,
        months,
        halves: (!am.is_empty()).then_some((am, pm)),
        years_from: years_from(keys),
        times: choice(keys, "times", TIMES).unwrap_or_default(),
        time_alone: choice(keys, "time_alone", &[("held", false), ("ignored", true)])
            .unwrap_or(false),
    }
}

/// The first of the hundred years that two digits of a year stand for.
fn years_from(keys: &Keys<'_, '_>) -> Option<i16> {
    let year = keys.count_or("years_from", 2100, 2000)?;
    if year < 1900 {
        let allowed =
            "the first of a hundred years, from 1900 to 2100, such as 1980 for 1980 to 2079";
        keys.fault(keys.place("years_from"), "years_from", year.to_string(), allowed);
    }
    i16::try_from(year).ok()
}

fn words(keys: &Keys<'_, '_>, key: &'static str) -> Vec<String> {
    keys.texts(key).into_iter().map(|word| word.value).collect()
}

/// Names that differ only in case would be told apart by nobody.
fn twice(keys: &Keys<'_, '_>, key: &str, words: &[String]) {
    for (n, word) in words.iter().enumerate() {
        if words.iter().skip(n + 1).any(|other| other.to_lowercase() == word.to_lowercase()) {
            let found = format!("{} twice", quote(word));
            keys.fault(keys.place(key), key, found, "each word once");
        }
    }
}

fn number(keys: &Keys<'_, '_>) -> NumberRule {
    let sign = |key: &str, of, (name, word): (Spot<String>, Spot<String>)| {
        Some((name, one_of(keys, key, &word, of)?))
    };
    let digits = keys.pairs("class_digits").into_iter();
    let digits = digits.filter_map(|pair| sign("class_digits", CLASSES, pair));
    let class_digits = digits
        .filter_map(|(name, sign)| {
            let mut letters = name.value.chars();
            match (letters.next(), letters.next()) {
                (Some(digit), None) if digit.is_ascii_digit() => Some((digit, sign)),
                _ => {
                    let allowed = "one digit, such as { \"9\" = \"control\", \"0\" = \"routine\" }";
                    keys.fault(name.at, "class_digits", quote(&name.value), allowed);
                    None
                }
            }
        })
        .collect();
    let suffixes = keys.pairs("suffixes").into_iter();
    let suffixes = suffixes.filter_map(|pair| sign("suffixes", SIGNS, pair));
    let mut suffixes: Vec<(String, Sign)> = suffixes
        .filter_map(|(name, sign)| {
            let digit = name.value.contains(|c: char| c.is_ascii_digit() || c.is_whitespace());
            if digit || name.value.is_empty() {
                let allowed = "a mark without digits and blanks, such as { R = \"routine\" }";
                keys.fault(name.at, "suffixes", quote(&name.value), allowed);
            }
            (!digit).then_some((name.value, sign))
        })
        .collect();
    suffixes.sort_by_key(|(mark, _)| std::cmp::Reverse(mark.len()));
    NumberRule { class_digits, suffixes }
}

fn results(keys: &Keys<'_, '_>, marks: Vec<(String, MarkMeaning)>, decimal: char) -> Results {
    let (order, table, leader) = (rows::order(keys), rows::table(keys), leader(keys));
    let mut layouts: Vec<Option<Layout>> =
        if table.is_some() { Vec::new() } else { vec![layout(keys, leader)] };
    for next in keys.tables("next") {
        let (optional, found) = (next.switch("optional"), layout(&next, leader));
        layouts.push(found.map(|layout| Layout { optional, ..layout }));
        next.close();
    }
    if layouts.len() > MAX_LAYOUTS {
        let found = format!("{} further lines", layouts.len() - 1);
        keys.fault(keys.place("next"), "next", found, format!("at most {}", MAX_LAYOUTS - 1));
    }
    let entries = entries(keys, layouts.len());
    let layouts: Option<Vec<Layout>> = layouts.into_iter().collect();
    if let Some(layouts) = layouts.as_ref().filter(|_| table.is_none()) {
        makes_a_result(keys, layouts, !order.is_empty());
    }
    let (unread, off) = (words(keys, "unread"), words(keys, "off"));
    if let Some(word) = unread.iter().find(|word| off.contains(word)) {
        let allowed = "each word in one of the two: unread (no result) or off (not wanted)";
        let found = format!("{}, which unread has too", quote(word));
        keys.fault(keys.place("off"), "off", found, allowed);
    }
    let glued = glued(keys, &marks);
    let comparators = comparators(keys, &marks);
    let cells = layouts.iter().flatten().flat_map(|layout| layout.split.cells());
    let rows = table.iter().flat_map(|table| table.rows.iter().map(|(_, cell)| *cell));
    if cells.chain(rows).any(|cell| cell == Cell::Result) {
        no_grades(keys, &comparators);
    }
    Results {
        layouts: layouts.unwrap_or_default(),
        entries,
        unit_implied: keys.switch("unit_implied"),
        unread,
        off,
        comparators,
        marks,
        glued,
        between: between(keys, decimal),
        order,
        table,
        both_units: keys.switch("both_units"),
        leader,
        decimal,
    }
}

/// What leads from a label to its result: none that a number or a grade may begin with.
fn leader(keys: &Keys<'_, '_>) -> Option<char> {
    let text = keys.text("leader")?;
    let sign = sign_of(&text.value).filter(|sign| !"+<>\t".contains(*sign));
    if sign.is_none() {
        let allowed = "one sign, such as \".\" or \"_\", that stands several times behind a label";
        keys.fault(text.at, "leader", quote(&text.value), allowed);
    }
    sign
}

/// Signs between a grade and its number.
fn between(keys: &Keys<'_, '_>, decimal: char) -> Vec<char> {
    let mut signs = Vec::new();
    for text in keys.texts("between") {
        match sign_of(&text.value) {
            Some(sign) if sign != decimal && !"+-<>\t".contains(sign) => signs.push(sign),
            _ => {
                let allowed = "one sign, such as \"/\", that no grade, comparator or number needs";
                keys.fault(text.at, "between", quote(&text.value), allowed);
            }
        }
    }
    signs
}

/// Those of the marks that may stand without a blank: none that a grade, a number or a unit ends with.
fn glued(keys: &Keys<'_, '_>, marks: &[(String, MarkMeaning)]) -> Vec<(String, MarkMeaning)> {
    let mut glued = Vec::new();
    for text in keys.texts("marks_glued") {
        let mark = text.value.as_str();
        let letters = mark.chars().all(char::is_alphabetic);
        let own = |c: char| c.is_ascii_punctuation() && !"+-/%^.,()]}".contains(c);
        let signs = mark.starts_with(own) && mark.ends_with(own);
        let compares = ["<", ">", "<=", ">="].contains(&mark);
        let known = marks.iter().find(|(known, _)| known == mark);
        match known.filter(|_| letters || signs && !compares) {
            Some(mark) => glued.push(mark.clone()),
            None => {
                let allowed = "a mark of [marks] that can be told from a grade, a number and a unit: \
                               a sign such as \"*\" or \"!\", or letters (read behind +, - and ) alone)";
                keys.fault(text.at, "marks_glued", quote(mark), allowed);
            }
        }
    }
    glued.sort_by_key(|(mark, _)| std::cmp::Reverse(mark.len()));
    glued
}

/// A mark is taken from a line before anything else: it must not be a comparator's first or last word.
fn comparators(
    keys: &Keys<'_, '_>,
    marks: &[(String, MarkMeaning)],
) -> Vec<(String, &'static str)> {
    let read = |(word, sign): (Spot<String>, Spot<String>)| {
        let of = &[("<", "<"), (">", ">"), ("<=", "<="), (">=", ">=")];
        let sign = one_of(keys, "comparators", &sign, of)?;
        Some((word.value.trim().to_owned(), sign)).filter(|(word, _)| !word.is_empty())
    };
    let mut words: Vec<_> = keys.pairs("comparators").into_iter().filter_map(read).collect();
    for (mark, _) in marks {
        let takes = |word: &str| {
            let mut parts = word.split_whitespace();
            let sign = !mark.contains(char::is_alphanumeric);
            parts.next().is_some_and(|part| part == mark)
                || parts.next_back().is_some_and(|part| part == mark)
                || sign && (word.starts_with(mark.as_str()) || word.ends_with(mark.as_str()))
        };
        if let Some((word, _)) = words.iter().find(|(word, _)| takes(word)) {
            let found = format!("{}, and {} is one of [marks]", quote(word), quote(mark));
            let allowed = "words of which none is a mark: a mark is taken from the line first";
            keys.fault(keys.place("comparators"), "comparators", found, allowed);
        }
    }
    words.sort_by_key(|(word, _)| std::cmp::Reverse(word.len()));
    words
}

/// Where one cell holds grade and number, what is made of the signs of grades may be a grade: `2+` and `+ 55` are.
fn no_grades(keys: &Keys<'_, '_>, comparators: &[(String, &'static str)]) {
    if let Some((word, _)) = comparators.iter().find(|(word, _)| may_be_a_grade(word)) {
        let found = format!("{}, and a result cell, where it may be a grade", quote(word));
        let allowed = "such a sign where grade and number have cells of their own (grade, value): in one cell nobody \
                       can tell `2+` or `+ 55` from a grade";
        keys.fault(keys.place("comparators"), "comparators", found, allowed);
    }
}

/// Longest first, so that `**` is not read as two of `*`.
fn marks(root: &Keys<'_, '_>) -> Vec<(String, MarkMeaning)> {
    let mut marks = Vec::new();
    for (mark, meaning) in root.pairs("marks") {
        if mark.value.is_empty() || mark.value.contains(char::is_whitespace) {
            root.fault(mark.at, "marks", quote(&mark.value), "one word or sign without blanks");
        } else if let Some(meaning) = one_of(root, "marks", &meaning, MEANINGS) {
            marks.push((mark.value, meaning));
        }
    }
    marks.sort_by_key(|(mark, _)| std::cmp::Reverse(mark.len()));
    marks
}

fn makes_a_result(keys: &Keys<'_, '_>, layouts: &[Layout], in_order: bool) {
    let cells = |layout: &Layout| layout.split.cells();
    let needed: Vec<Cell> = layouts.iter().filter(|l| !l.optional).flat_map(cells).collect();
    let says = |cell| needed.contains(&cell);
    if in_order && layouts.iter().flat_map(cells).any(|cell| cell == Cell::Label) {
        let allowed = "no label among the cells: order names the readings by their place";
        keys.fault(keys.place("order"), "order", "a label beside it", allowed);
    }
    if !(in_order || says(Cell::Label))
        || !(says(Cell::Result) || says(Cell::Grade) || says(Cell::Value))
    {
        let allowed = "a label, and a result, a grade or a value, in lines that are not optional";
        let key = if keys.has("columns") { "columns" } else { "cells" };
        keys.fault(keys.place(key), key, "cells that make no result", allowed);
    }
}

/// Several readings in one line: what stands between them, or how wide each is.
fn entries(keys: &Keys<'_, '_>, layouts: usize) -> Option<Entries> {
    let width = keys.count_or("entry_width", MAX_COLUMN, 0).unwrap_or(0);
    let sign = keys.text("entry_sign").and_then(|text| {
        let sign = sign_of(&text.value);
        if sign.is_none() {
            let allowed = "one sign, such as \"|\", or \"tab\"";
            keys.fault(text.at, "entry_sign", quote(&text.value), allowed);
        }
        sign
    });
    let entries = match (usize::try_from(width).unwrap_or(0), sign) {
        (0, None) => return None,
        (0, Some(sign)) => Entries::Sign(sign),
        (width, None) => Entries::Width(width),
        (_, Some(_)) => {
            let allowed = "a sign between the readings, or their width, not both";
            keys.fault(keys.place("entry_sign"), "entry_sign", "entry_width beside it", allowed);
            return None;
        }
    };
    if layouts > 1 {
        let allowed = "several readings in a line, or several lines a reading, not both";
        keys.fault(keys.place("next"), "next", "entry_sign or entry_width beside it", allowed);
    }
    Some(entries)
}

pub(super) fn sign_of(text: &str) -> Option<char> {
    let mut letters = text.chars();
    match (text, letters.next(), letters.next()) {
        ("tab", ..) => Some('\t'),
        (_, Some(sign), None) if sign.is_ascii_punctuation() => Some(sign),
        _ => None,
    }
}

/// How one line falls into cells. None: something in it was refused.
fn layout(keys: &Keys<'_, '_>, leader: Option<char>) -> Option<Layout> {
    let split = keys.text("split");
    let names = keys.texts("cells");
    let cells: Vec<Cell> =
        names.iter().filter_map(|word| one_of(keys, "cells", word, CELLS)).collect();
    let tables = keys.tables("columns");
    let columns: Vec<_> = tables.iter().filter_map(column).collect();
    let found = match (keys.has("split"), keys.has("cells"), keys.has("columns")) {
        (true, true, false) | (false, false, true) => "",
        (false, false, false) => "neither split nor columns",
        (true, false, false) => "split without cells",
        (false, true, false) => "cells without split",
        (_, _, true) => "split or cells beside columns",
    };
    if !found.is_empty() {
        let allowed = "split = \"blanks\" with cells = [\"label\", \"result\"], or columns alone";
        keys.fault(keys.at, "split", found, allowed);
        return None;
    }
    if cells.len() < names.len() || columns.len() < tables.len() {
        return None;
    }
    if keys.has("columns") {
        return Some(Layout { split: Split::Columns(in_order(keys, columns)), optional: false });
    }
    let split = split?;
    let split = match (split.value.as_str(), sign_of(&split.value)) {
        ("blanks", _) => Split::Blanks(cells),
        ("leader", _) => match leader {
            Some(sign) => Split::Leader(sign, cells),
            None => {
                let allowed = "leader = \".\" of [results] beside it, or another sign that leads";
                keys.fault(split.at, "split", "\"leader\" and no leader", allowed);
                return None;
            }
        },
        (_, Some(sign)) => Split::Sign(sign, cells),
        (signs, None) if each_once(signs) => Split::Signs(signs.chars().collect(), cells),
        (_, None) => {
            let allowed =
                "\"blanks\", \"tab\", \"leader\", one sign such as \";\" or several such as \":=\"";
            keys.fault(split.at, "split", quote(&split.value), allowed);
            return None;
        }
    };
    Some(Layout { split, optional: false })
}

/// Several signs, of which each divides: one that stands twice was meant as something else.
fn each_once(signs: &str) -> bool {
    let once = |(at, sign): (usize, char)| !signs.chars().take(at).any(|other| other == sign);
    signs.chars().all(|sign| sign.is_ascii_punctuation()) && signs.chars().enumerate().all(once)
}

type Column = (Cell, std::ops::Range<usize>);

fn column(keys: &Keys<'_, '_>) -> Option<(usize, Column)> {
    if !keys.has("cell") {
        keys.fault(keys.at, "cell", "nothing", "cell = \"label\", or another cell");
    }
    let cell = choice(keys, "cell", CELLS);
    let (from, to) = (keys.count("from", MAX_COLUMN), keys.count("to", MAX_COLUMN));
    keys.close();
    let (cell, from, to) = (cell?, from?, to?);
    if from == 0 || to < from {
        let found = format!("{from} to {to}");
        keys.fault(keys.at, "from", found, "columns counted from 1, from <= to");
        return None;
    }
    let place = |n: u32| usize::try_from(n).ok();
    Some((keys.at, (cell, place(from - 1)?..place(to)?)))
}

/// By where they begin; two that overlap are a fault.
fn in_order(keys: &Keys<'_, '_>, mut columns: Vec<(usize, Column)>) -> Vec<Column> {
    columns.sort_by_key(|(_, (_, range))| range.start);
    for pair in columns.windows(2) {
        if let [(_, (_, one)), (at, (_, other))] = pair
            && one.end > other.start
        {
            let found = format!("column {} twice", other.start + 1);
            keys.fault(*at, "columns", found, "columns that do not overlap");
        }
    }
    columns.into_iter().map(|(_, column)| column).collect()
}
