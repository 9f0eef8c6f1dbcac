//! From a dialect file's text to a shape: the notation, read strictly, every fault at once.

use wickline_normalize::sheet::{Keys, Source, Spot};
use wickline_normalize::words::{nearest, quote};
use wickline_normalize::{Fault, MarkMeaning};

use super::report::rules;
use super::{Header, NumberRule, SIGNS, Shape, Sign};
use crate::dialect::calendar::{Calendar, ORDERS};
use crate::dialect::codepage::{ENCODINGS, Encoding};
use crate::dialect::entry::{CELLS, Cell, Entries, Layout, Results, Split};
use crate::dialect::form::Form;

/// Columns of a line at most, and lines of one reading.
const MAX_COLUMN: u32 = 1_000;
const MAX_LAYOUTS: usize = 6;
/// Forms of a header at most: each is tried against each.
const MAX_FORMS: usize = 60;

const MEANINGS: &[(&str, MarkMeaning)] = &[
    ("normal", MarkMeaning::Normal),
    ("abnormal", MarkMeaning::Abnormal),
    ("low", MarkMeaning::Low),
    ("high", MarkMeaning::High),
    ("other", MarkMeaning::Other),
];

pub(super) fn shape(text: &str, file: &str) -> Result<Shape, Vec<Fault>> {
    let source = Source::new(file, text);
    let shape = source.parse().and_then(|root| {
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

fn whole(keys: &Keys<'_, '_>) -> Option<Shape> {
    let name = keys.needed("name", "my-dialect").filter(|name| {
        let fits = |b: u8| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-';
        let good = name.value.bytes().all(fits);
        if !good {
            keys.fault(name.at, "name", quote(&name.value), "small letters, digits and hyphens");
        }
        good
    });
    let encoding = choice(keys, "encoding", ENCODINGS).unwrap_or(Encoding::Utf8);
    let decimals = &[("point", '.'), ("comma", ',')];
    let decimal = choice(keys, "decimal", decimals).unwrap_or('.');
    let calendar = table(keys, "dates", calendar);
    let line = keys.table("line");
    let rules = table(keys, "report", |report| rules(report, line.as_ref(), encoding));
    if let Some(line) = &line {
        line.close();
    }
    let number = keys.table("number").map(|keys| {
        let rule = number(&keys);
        keys.close();
        rule
    });
    let header = table(keys, "header", |keys| header(keys, calendar.as_ref()?));
    let results = table(keys, "results", |results| self::results(results, keys, decimal));
    Some(Shape {
        name: name?.value,
        encoding,
        calendar: calendar?,
        rules: rules?,
        header: Header::new(header?),
        number: number.unwrap_or_default(),
        results: results?,
    })
}

/// A table that must be given.
fn table<T>(
    keys: &Keys<'_, '_>,
    key: &'static str,
    read: impl FnOnce(&Keys<'_, '_>) -> Option<T>,
) -> Option<T> {
    if !keys.has(key) {
        keys.fault(keys.at, key, "nothing", format!("a table [{key}]"));
    }
    let table = keys.table(key)?;
    let found = read(&table);
    table.close();
    found
}

/// One word of a few. None: not given, or none of them, which is noted.
pub(super) fn choice<T: Copy>(
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
        let near = nearest(&word.value, &names).unwrap_or("");
        let allowed = format!("{}; the nearest is \"{near}\"", names.join(", "));
        keys.fault(word.at, key, quote(&word.value), allowed);
    }
    found
}

fn calendar(keys: &Keys<'_, '_>) -> Option<Calendar> {
    if !keys.has("order") {
        keys.fault(keys.at, "order", "nothing", "order = \"dmy\", or ymd, ydm, mdy");
    }
    let order = choice(keys, "order", ORDERS);
    let words = |key| keys.texts(key).into_iter().map(|word| word.value).collect::<Vec<String>>();
    let months = words("months");
    if !months.is_empty() && months.len() != 12 {
        let found = format!("{} names", months.len());
        keys.fault(keys.at, "months", found, "twelve names, January first");
    }
    twice(keys, "months", &months);
    let (am, pm) = (words("am"), words("pm"));
    if am.is_empty() != pm.is_empty() {
        keys.fault(keys.at, "am", "only one half of the day", "words for both, am and pm");
    }
    if let Some(word) = am.iter().find(|word| pm.contains(word)) {
        keys.fault(keys.at, "pm", format!("{} again", quote(word)), "other words than am has");
    }
    Some(Calendar { order: order?, months, halves: (!am.is_empty()).then_some((am, pm)) })
}

fn twice(keys: &Keys<'_, '_>, key: &str, words: &[String]) {
    for (n, word) in words.iter().enumerate() {
        if words.iter().skip(n + 1).any(|other| other.to_lowercase() == word.to_lowercase()) {
            keys.fault(keys.at, key, format!("{} twice", quote(word)), "each word once");
        }
    }
}

fn number(keys: &Keys<'_, '_>) -> NumberRule {
    let sign = |key: &str, (name, word): (Spot<String>, Spot<String>)| {
        Some((name, one_of(keys, key, &word, SIGNS)?))
    };
    let digits = keys.pairs("class_digits").into_iter().filter_map(|p| sign("class_digits", p));
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
    let suffixes = keys.pairs("suffixes").into_iter().filter_map(|p| sign("suffixes", p));
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

fn header(keys: &Keys<'_, '_>, calendar: &Calendar) -> Option<Vec<(Form, Sign)>> {
    let mut forms: Vec<(Spot<Form>, &str, Sign)> = Vec::new();
    for (key, sign) in
        [("control", Sign::Control), ("urgent", Sign::Urgent), ("lines", Sign::None)]
    {
        for text in keys.texts(key) {
            match Form::parse(&text.value, calendar) {
                Ok(form) => forms.push((Spot { at: text.at, value: form }, key, sign)),
                Err(allowed) => keys.fault(text.at, key, quote(&text.value), allowed),
            }
        }
    }
    if forms.len() > MAX_FORMS {
        let found = format!("{} forms", forms.len());
        keys.fault(keys.at, "lines", found, format!("at most {MAX_FORMS} of all kinds"));
        return None;
    }
    for (n, (form, key, sign)) in forms.iter().enumerate() {
        for (other, _, other_sign) in forms.iter().skip(n + 1) {
            if let Some(line) = both_fit(&form.value, *sign, &other.value, *other_sign, calendar) {
                let found = format!(
                    "{}, and {} fits the same line {} and says something else",
                    quote(&form.value.text),
                    quote(&other.value.text),
                    quote(&line)
                );
                let allowed = "forms that no line has both of: give one of them more words of its own";
                keys.fault(form.at, key, found, allowed);
            }
        }
    }
    Some(forms.into_iter().map(|(form, _, sign)| (form.value, sign)).collect())
}

/// A line that both forms fit and read differently.
fn both_fit(
    one: &Form,
    one_sign: Sign,
    other: &Form,
    other_sign: Sign,
    calendar: &Calendar,
) -> Option<String> {
    let lines = one.samples(calendar).into_iter().chain(other.samples(calendar));
    lines.filter(|line| !line.is_empty()).find(|line| {
        let (mut first, mut second) = (Vec::new(), Vec::new());
        one.fits(line, calendar, &mut first)
            && other.fits(line, calendar, &mut second)
            && (one_sign != other_sign || !super::agree(&first, &second))
    })
}

fn results(keys: &Keys<'_, '_>, root: &Keys<'_, '_>, decimal: char) -> Option<Results> {
    let first = layout(keys);
    let mut layouts: Vec<Option<Layout>> = vec![first];
    for next in keys.tables("next") {
        layouts.push(layout(&next).map(|layout| Layout { optional: next.switch("optional"), ..layout }));
        next.close();
    }
    if layouts.len() > MAX_LAYOUTS {
        let found = format!("{} further lines", layouts.len() - 1);
        keys.fault(keys.at, "next", found, format!("at most {}", MAX_LAYOUTS - 1));
    }
    let layouts: Option<Vec<Layout>> = layouts.into_iter().collect();
    if let Some(layouts) = &layouts {
        makes_a_result(keys, layouts);
    }
    let entries = entries(keys, layouts.as_ref().map_or(1, Vec::len));
    let words = |key| keys.texts(key).into_iter().map(|word| word.value).collect::<Vec<String>>();
    let (unread, off) = (words("unread"), words("off"));
    if let Some(word) = unread.iter().find(|word| off.contains(word)) {
        let allowed = "a word in one of the two: unread (no result) or off (not wanted)";
        keys.fault(keys.at, "off", format!("{} again", quote(word)), allowed);
    }
    let mut comparators: Vec<(String, &'static str)> = keys
        .pairs("comparators")
        .into_iter()
        .filter_map(|(word, sign)| {
            let of = &[("<", "<"), (">", ">"), ("<=", "<="), (">=", ">=")];
            let sign = one_of(keys, "comparators", &sign, of)?;
            Some((word.value.trim().to_owned(), sign)).filter(|(word, _)| !word.is_empty())
        })
        .collect();
    comparators.sort_by_key(|(word, _)| std::cmp::Reverse(word.len()));
    Some(Results {
        layouts: layouts?,
        entries,
        unit_implied: keys.switch("unit_implied"),
        unread,
        off,
        comparators,
        marks: marks(root),
        decimal,
    })
}

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

fn makes_a_result(keys: &Keys<'_, '_>, layouts: &[Layout]) {
    let cells = |layout: &Layout| match &layout.split {
        Split::Columns(columns) => columns.iter().map(|(cell, _)| *cell).collect(),
        Split::Blanks(cells) | Split::Sign(_, cells) => cells.clone(),
    };
    let needed: Vec<Cell> = layouts.iter().filter(|l| !l.optional).flat_map(cells).collect();
    let says = |cell| needed.contains(&cell);
    if !says(Cell::Label) || !(says(Cell::Result) || says(Cell::Grade) || says(Cell::Value)) {
        let allowed = "a label, and a result, a grade or a value, in lines that are not optional";
        keys.fault(keys.at, "cells", "cells that make no result", allowed);
    }
}

/// Several readings in one line: what stands between them, or how wide each is.
fn entries(keys: &Keys<'_, '_>, layouts: usize) -> Option<Entries> {
    let width = keys.count_or("entry_width", MAX_COLUMN, 0)?;
    let sign = keys.text("entry_sign").and_then(|text| {
        let sign = sign_of(&text.value);
        if sign.is_none() {
            keys.fault(text.at, "entry_sign", quote(&text.value), "one sign, such as \"|\", or \"tab\"");
        }
        sign
    });
    let entries = match (width, sign) {
        (0, None) => return None,
        (0, Some(sign)) => Entries::Sign(sign),
        (width, None) => Entries::Width(usize::try_from(width).ok()?),
        (_, Some(_)) => {
            keys.fault(keys.at, "entry_sign", "entry_width beside it", "one of the two");
            return None;
        }
    };
    if layouts > 1 {
        let allowed = "several readings in a line, or several lines a reading, not both";
        keys.fault(keys.at, "next", "entry_sign or entry_width beside it", allowed);
    }
    Some(entries)
}

fn sign_of(text: &str) -> Option<char> {
    let mut letters = text.chars();
    match (text, letters.next(), letters.next()) {
        ("tab", ..) => Some('\t'),
        (_, Some(sign), None) if sign.is_ascii_punctuation() => Some(sign),
        _ => None,
    }
}

/// How one line falls into cells.
fn layout(keys: &Keys<'_, '_>) -> Option<Layout> {
    let cells: Vec<Cell> =
        keys.texts("cells").iter().filter_map(|word| one_of(keys, "cells", word, CELLS)).collect();
    let split = keys.text("split");
    let columns: Vec<_> = keys.tables("columns").iter().filter_map(column).collect();
    let apart = keys.has("split") || keys.has("cells");
    if apart == keys.has("columns") || apart && !(keys.has("split") && keys.has("cells")) {
        let allowed = "either split and cells, or columns";
        let found = if apart && keys.has("columns") { "both ways" } else { "half a way" };
        keys.fault(keys.at, "split", found, allowed);
        return None;
    }
    let split = match split {
        None if keys.has("columns") => Split::Columns(in_order(keys, columns)),
        None => return None,
        Some(text) if text.value == "blanks" => Split::Blanks(cells),
        Some(text) => match sign_of(&text.value) {
            Some(sign) => Split::Sign(sign, cells),
            None => {
                let allowed = "\"blanks\", \"tab\" or one sign such as \";\"";
                keys.fault(text.at, "split", quote(&text.value), allowed);
                return None;
            }
        },
    };
    Some(Layout { split, optional: false })
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

fn in_order(keys: &Keys<'_, '_>, mut columns: Vec<(usize, Column)>) -> Vec<Column> {
    columns.sort_by_key(|(_, (_, range))| range.start);
    for pair in columns.windows(2) {
        if let [(_, (_, one)), (at, (_, other))] = pair
            && one.end > other.start
        {
            let found = format!("column {} twice", other.start + 1);
            keys.source.fault(*at, "columns", found, "columns that do not overlap".into());
        }
    }
    columns.into_iter().map(|(_, column)| column).collect()
}
