//! What `check` says of an analyzer's print: its dialect, its strips and its rules, held against each other.
//!
//! Each of them was read and is right by itself. Nothing of what is told here can be refused, for there are analyzers
//! that print so; but nobody else would say it before the first result.

use std::collections::BTreeSet;

use toml::{Table, Value};
use wickline_normalize::rules::Rules;
use wickline_normalize::words::fold;

use super::{Finding, Level, finding};
use crate::prove::files;
use crate::prove::sheet::{Habits, Sheet};
use crate::prove::signs::never_shown;
use crate::settings::bench::Bench;
use crate::settings::{AnalyzerKeys, Loaded};
use crate::sketch::words::of_comparator;

/// Ids as operators have them, tried on the laboratory's pattern of specimen ids.
const OPERATORS: [&str; 4] = ["op7", "OPER01", "J-MAST", "4711"];

/// One analyzer's print, by the texts of its files.
struct Print<'a> {
    raw: &'a AnalyzerKeys,
    rules: &'a Rules,
    dialect: Table,
    sheets: Vec<Sheet>,
}

/// What does not fit together, analyzer by analyzer.
pub fn fits(loaded: &Loaded, bench: &Bench, found: &mut Vec<Finding>) {
    for analyzer in &bench.analyzers {
        let raw = loaded.settings.analyzer.iter().find(|raw| raw.id == analyzer.id);
        let Some(raw) = raw else { continue };
        let about = format!("analyzer {}", analyzer.id);
        match notes(loaded, raw, &analyzer.rules) {
            Ok(notes) => {
                found.extend(notes.into_iter().map(|note| finding(Level::Note, &about, note)));
            }
            Err(why) => found.push(finding(Level::Bad, &about, why)),
        }
    }
}

fn notes(loaded: &Loaded, raw: &AnalyzerKeys, rules: &Rules) -> Result<Vec<String>, String> {
    let text = files::dialect(loaded, &raw.dialect)?;
    let habits = text.as_deref().map_or_else(|| Ok(Habits::lis02()), Habits::read)?;
    let mut notes = never_shown(&habits, raw);
    notes.extend(files::open_questions(loaded, raw)?);
    if !raw.compare_marks {
        notes.push(
            "compare_marks = false: no mark of the analyzer holds a result that it contradicts"
                .into(),
        );
    }
    if raw.controls == "none" && !(raw.control_marks.is_empty() && raw.control_specimens.is_empty())
    {
        let signs = [raw.control_marks.join(", "), raw.control_specimens.join(", ")];
        let signs: Vec<String> = signs.into_iter().filter(|list| !list.is_empty()).collect();
        notes.push(format!(
            "controls = \"none\", and signs of control material are named ({}): what bears one is filed, and no proof \
             shows it",
            signs.join(", ")
        ));
    }
    // Records have no layout of their own.
    let Some(text) = text.filter(|_| !habits.framed) else { return Ok(notes) };
    let dialect: Table = text.parse().map_err(|e| format!("{}: {e}", raw.dialect))?;
    let sheet = |name: &String| Sheet::read(&files::strip(loaded, name)?);
    let sheets = raw.all_strips().map(sheet);
    let print = Print { raw, rules, dialect, sheets: sheets.collect::<Result<_, _>>()? };
    let own = [print.number(), print.date(), print.marks(&habits), print.decimals()];
    notes.extend(own.into_iter().flatten());
    notes.extend(print.marks_for_nothing(&habits));
    notes.extend(print.hidden_comparators(&habits));
    notes.extend(print.comparators_for_grades(&habits));
    notes.extend(print.side_by_side());
    notes.extend(print.words_for_specimens());
    notes.extend(print.ends_in_silence());
    Ok(notes)
}

impl Print<'_> {
    fn name(&self) -> &str {
        self.dialect.get("name").and_then(Value::as_str).unwrap_or_default()
    }

    fn part(&self, table: &str, key: &str) -> Option<&Value> {
        self.dialect.get(table)?.get(key)
    }

    fn texts(&self, table: &str, key: &str) -> Vec<&str> {
        let list = self.part(table, key).and_then(Value::as_array).into_iter().flatten();
        list.filter_map(Value::as_str).collect()
    }

    /// Every form of a line; the fields of a record, which stand by their place, as one.
    fn forms(&self) -> Vec<String> {
        let keys = ["lines", "control", "urgent", "controls_not_passed"];
        let forms = keys.into_iter().flat_map(|key| self.texts("header", key)).map(str::to_owned);
        let sign = self.part("record", "split").and_then(Value::as_str).unwrap_or_default();
        let fields = self.texts("record", "fields").join(sign);
        forms.chain(Some(fields).filter(|fields| !fields.is_empty())).collect()
    }

    /// Whether any form says it.
    fn has(&self, field: &str) -> bool {
        let (must, may) = (format!("{{{field}}}"), format!("{{{field}?}}"));
        self.forms().iter().any(|form| form.contains(&must) || form.contains(&may))
    }

    /// Without a number nobody can count what was printed.
    fn number(&self) -> Option<String> {
        (!self.has("number")).then(|| {
            format!(
                "no form of dialect {} has a number: a report that is lost on the way leaves no gap to be noticed by",
                self.name()
            )
        })
    }

    /// Without a date ours goes out, with a remark; without a time the day alone.
    fn date(&self) -> Option<String> {
        let has = |field: &str| self.has(field);
        let alone = self.part("dates", "time_alone").and_then(Value::as_str) == Some("ignored");
        match (has("date") || has("day"), has("time") || has("hour")) {
            (true, true) => None,
            (true, false) => Some(format!(
                "no form of dialect {} has a time: each result goes out with its day alone, and a clock of the analyzer \
                 that is wrong by hours is not noticed",
                self.name()
            )),
            (false, true) if !alone => Some(format!(
                "dialect {} has a time and no date: every report with one is held, unless time_alone of [dates] is \
                 \"ignored\"",
                self.name()
            )),
            (false, _) => Some(format!(
                "no form of dialect {} has a date: each result goes out with the time at which it was heard, and a \
                 remark that says so",
                self.name()
            )),
        }
    }

    /// A table has marks only in a row of their own or glued to a result; any other line may end with one.
    fn marks(&self, habits: &Habits) -> Option<String> {
        let is_mark = |value: &Value| value.as_str() == Some("mark");
        let cells = |layout: &Value| {
            let cells = layout.get("cells").and_then(Value::as_array).into_iter().flatten();
            let columns = layout.get("columns").and_then(Value::as_array).into_iter().flatten();
            cells.chain(columns.filter_map(|column| column.get("cell"))).any(is_mark)
        };
        let next = self.part("results", "next").and_then(Value::as_array).into_iter().flatten();
        let rows = self.part("results", "rows").and_then(Value::as_table);
        let row = rows.is_some_and(|rows| rows.values().any(is_mark));
        let cell = row || self.dialect.get("results").into_iter().chain(next).any(cells);
        let headed = self.part("results", "headed").is_some();
        let glued = !self.texts("results", "marks_glued").is_empty();
        let signs: Vec<&str> = habits.marks.iter().map(|(sign, _)| sign.as_str()).collect();
        match signs.as_slice() {
            [] if cell => Some(format!(
                "dialect {} has a cell for marks and names none in [marks]: a print with one is held",
                self.name()
            )),
            [_, ..] if headed && !row && !glued => Some(format!(
                "marks {} of dialect {} have no place in its results: rows has no \"mark\", and marks_glued is empty",
                signs.join(", "),
                self.name()
            )),
            _ => None,
        }
    }

    /// Marks that mean nothing which could be compared: nobody is told where one contradicts a result.
    fn marks_for_nothing(&self, habits: &Habits) -> Option<String> {
        let other = habits.marks.iter().filter(|(_, meaning)| meaning == "other");
        let signs: Vec<&str> = other.map(|(sign, _)| sign.as_str()).collect();
        let (marks, are, it, hold, mean) = match signs.as_slice() {
            [] => return None,
            [_] => ("mark", "is", "it is", "holds", "it means"),
            _ => ("marks", "are", "they are", "hold", "they mean"),
        };
        Some(format!(
            "{marks} {} of dialect {} {are} \"other\": {it} compared with nothing, and {hold} no result that is \
             contradicted; normal, abnormal, low or high if {mean} that",
            signs.join(", "),
            self.name()
        ))
    }

    /// A unit or a mark that is a word of an end of a ladder: a number with these words would go out without them.
    fn hidden_comparators(&self, habits: &Habits) -> Vec<String> {
        let known = |word: &str| habits.comparators.iter().any(|(words, _)| words == word);
        let note = |word: &str, what: String| {
            let words = of_comparator(word).filter(|words| !known(words))?;
            Some(format!(
                "`{word}`, {what}, is a word of `{words}`: a number with these words behind it would go out as if it were \
                 exact; name them in comparators of [results]"
            ))
        };
        let marks = habits
            .marks
            .iter()
            .filter_map(|(sign, _)| note(sign, format!("a mark of dialect {}", self.name())));
        let units = self.sheets.iter().flat_map(|sheet| {
            let pads = sheet.pads.iter().flat_map(|pad| {
                let words = pad.scales.iter().flatten().flat_map(|scale| &scale.spellings);
                words.map(move |word| (word, pad))
            });
            pads.filter_map(move |(word, pad)| {
                note(word, format!("a unit of {} on strip {}", pad.id, sheet.id))
            })
        });
        marks.chain(units).collect()
    }

    /// A word of an end of a ladder that is also a grade, or that a grade begins with, where one cell holds both: the
    /// grade before a number would be taken for it.
    fn comparators_for_grades(&self, habits: &Habits) -> Vec<String> {
        if !self.dialect.get("results").is_some_and(|results| says(results, "result")) {
            return Vec::new();
        }
        let mut found = BTreeSet::new();
        for sheet in &self.sheets {
            let words = sheet.pads.iter().flat_map(|pad| pad.words.iter());
            let words = words.flat_map(|(grade, all)| all.iter().map(move |word| (grade, word)));
            let rungs = sheet.pads.iter().flat_map(|pad| &pad.rungs);
            let rungs = rungs.filter_map(|rung| Some((rung.grade.as_ref()?, rung)));
            let codes =
                rungs.flat_map(|(grade, rung)| [(grade, Some(grade)), (grade, rung.text.as_ref())]);
            let codes = codes.filter_map(|(grade, word)| Some((grade, word?)));
            for (grade, word) in words.chain(codes) {
                let own = habits.comparators.iter().find(|(own, _)| takes(own, word));
                found.extend(own.map(|(own, sign)| {
                    format!(
                        "`{own}` is a comparator ({sign}) of dialect {}, and strip {} has `{word}` for the grade \
                         {grade}: beside a number it is read as {sign}, and never as {grade}; give grade and \
                         number cells of their own (grade, value), or take one of the two words out",
                        self.name(),
                        sheet.id
                    )
                }));
            }
        }
        found.into_iter().collect()
    }

    /// A sign of decimals that nothing printed can show to be the right one.
    fn decimals(&self) -> Option<String> {
        let sign = self.dialect.get("decimal").and_then(Value::as_str)?;
        let system = usize::from(self.raw.units == "si");
        let mut rungs = self.sheets.iter().flat_map(|sheet| &sheet.pads).flat_map(|pad| &pad.rungs);
        let measures = |sheet: &Sheet| sheet.pads.iter().any(|pad| pad.measured.is_some());
        let used = self.sheets.iter().any(measures)
            || rungs.any(|r| r.labels[system].as_ref().is_some_and(|l| l.contains('.')));
        let strips: Vec<&str> = self.sheets.iter().map(|sheet| sheet.id.as_str()).collect();
        (!used).then(|| {
            format!(
                "decimal = \"{sign}\" of dialect {}: no step of strip {} has decimals in {} units: no proof shows \
                 whether it is right",
                self.name(),
                strips.join(", "),
                self.raw.units
            )
        })
    }

    /// Specimen and operator in one line, where the laboratory's pattern would take either for a specimen.
    fn side_by_side(&self) -> Vec<String> {
        let taken = OPERATORS.into_iter().find(|id| self.rules.specimen.matches(id));
        let Some(taken) = taken else { return Vec::new() };
        let forms = self.forms().into_iter();
        let both = forms.filter(|form| form.contains("{specimen") && form.contains("{operator"));
        let note = |form: String| {
            let pattern = &self.rules.specimen;
            let like = format!("site.specimen, {pattern}, takes `{taken}` and its like");
            format!("nothing tells specimen and operator apart in {form} but their places: {like}")
        };
        both.map(note).collect()
    }

    /// Fixed words of control material and urgent work that stand where a specimen id does: a line that has lost what
    /// is behind the word, or the id before it, would be routine work of a specimen that is called so.
    fn words_for_specimens(&self) -> Vec<String> {
        let all = ["lines", "control", "urgent"].into_iter();
        let forms = all.flat_map(|key| self.texts("header", key));
        let places: BTreeSet<String> = forms.filter_map(before_specimen).collect();
        let signs = ["control", "urgent"].into_iter().flat_map(|key| self.texts("header", key));
        let note = |form: &str| {
            let words = places.iter().filter_map(|place| word_behind(form, place));
            let mut words = words.chain(word_behind(form, "{specimen}"));
            let word = words.find(|word| self.rules.specimen.matches(word))?;
            Some(format!(
                "`{word}` in {form} fits site.specimen, {}, and stands where a specimen id does: a line of which the \
                 rest is lost would be routine work of specimen `{word}`; write what only your ids are into \
                 site.specimen, as KP-[0-9]{{5}}",
                self.rules.specimen
            ))
        };
        signs.filter_map(note).collect::<BTreeSet<_>>().into_iter().collect()
    }

    /// Nothing printed says that a report is whole: one whose last lines are lost ends as every other one does.
    fn ends_in_silence(&self) -> Option<String> {
        let is_on = |key| self.part("report", key).and_then(Value::as_bool) == Some(true);
        let counted = self.forms().iter().any(|form| form.contains("{count"));
        let told = counted || is_on("must_end") || is_on("each_line");
        (!told && !self.dialect.contains_key("check")).then(|| {
            format!(
                "nothing on the print of dialect {} says that a report is whole: what is lost at its end is noticed by \
                 silence in the midst of a line, or by a pad that lacks; if the analyzer prints a last line or a sign \
                 at the end, or how many readings there are, write last_line or end_bytes with must_end = true \
                 into [report], or {{count}} into a form",
                self.name()
            )
        })
    }
}

/// What stands before the specimen in a form, blanks and question marks aside.
fn before_specimen(form: &str) -> Option<String> {
    let (before, _) = form.split_once("{specimen")?;
    Some(even(before))
}

/// The fixed word that stands in a form behind this text, or behind its last words where other fields are before it.
fn word_behind(form: &str, text: &str) -> Option<String> {
    let form = format!(" {}", even(form));
    let label = text.rsplit('}').next().unwrap_or("").trim();
    let rest = match form.trim_start().strip_prefix(text) {
        Some(rest) => rest,
        None if text.ends_with('}') => form.split_once(text)?.1,
        None if label.is_empty() => return None,
        None => form.split_once(&format!(" {label}"))?.1,
    };
    if label.ends_with(char::is_alphanumeric) && !rest.starts_with(' ') {
        return None;
    }
    let ends = |c: char| " ;,|/{".contains(c);
    let word = rest.trim_start().split(ends).next().unwrap_or("");
    Some(word.to_owned()).filter(|word| !word.is_empty())
}

/// A form with one blank where it has some, and with each field as if it had to come.
fn even(form: &str) -> String {
    form.split_whitespace().collect::<Vec<_>>().join(" ").replace("?}", "}")
}

/// Whether this text is among the values of a table, however deep.
fn says(value: &Value, wanted: &str) -> bool {
    match value {
        Value::String(text) => text == wanted,
        Value::Array(all) => all.iter().any(|value| says(value, wanted)),
        Value::Table(table) => {
            table.iter().any(|(key, value)| key != "comparators" && says(value, wanted))
        }
        _ => false,
    }
}

/// Whether a reading of this word takes the comparator out of it: it is the comparator, begins with it, or is a number
/// with it behind.
fn takes(comparator: &str, word: &str) -> bool {
    let (comparator, word) = (fold(comparator), fold(word));
    let begun = word.strip_prefix(&comparator);
    let number = word.strip_suffix(&comparator).map(str::trim_end);
    begun.is_some_and(|rest| !rest.starts_with(char::is_alphanumeric))
        || number.is_some_and(|n| n.ends_with(|c: char| c.is_ascii_digit()))
}
