//! Forms and lines at random: reading takes no more steps than a print is long, counted and not timed.

use proptest::prelude::*;

use super::read;
use crate::dialect::{self, steps};

/// What forms are made of: each placeholder, and words and signs that also stand in the lines.
const PIECES: &[&str] = &[
    "A",
    "B",
    "/",
    ":",
    "-",
    "~",
    " ",
    " ",
    "{any}",
    "{any?}",
    "{number}",
    "{specimen?}",
    "{date}",
    "{time}",
    "{hour}",
    "{minute}",
    "{lot}",
    "{level}",
    "{count}",
    "{marked}",
    "{operator?}",
    "{strip}",
    "{expiry}",
    "{page}",
    "{pages}",
];

/// What lines are made of: whatever a form looks for, over and over.
const SEEDS: &[&str] = &[
    "A",
    "B",
    "/",
    ":",
    "-",
    "~",
    " ",
    "  ",
    "1",
    "42 ",
    "2026-03-14 ",
    "09:14 ",
    "A ",
    "1/",
    "*",
    "\"",
    ",",
    "2+ ",
    "(1 a",
    "--",
    ")",
    "=",
    "|",
    "\u{b5}",
];

const RESULTS: &[&str] = &[
    "split = \"blanks\"\ncells = [\"label\", \"result\"]\nbetween = [\"/\", \":\"]\nboth_units = true\n",
    "split = \":=\"\ncells = [\"label\", \"result\"]\nmarks_glued = [\"*\"]\n",
    "split = \"blanks\"\ncells = [\"result\"]\norder = [\"A\", \"B\"]\nentry_sign = \"|\"\n",
    "split = \"leader\"\nleader = \"-\"\ncells = [\"result\", \"label\"]\nbetween = [\"(\", \":\"]\n\
     comparators = { \"A 1\" = \">=\", \"B\" = \"<\" }\nboth_units = true\n",
];

/// A line that is one thing, and records of every kind.
const RECORDS: &[&str] = &[
    "",
    "[record]\nsplit = \",\"\nquoted = true\n",
    "[record]\nwidths = [1, 2, 3, 40, 1, 200, 900]\n",
];

/// A print that is one report, and pages of several.
const PARTS: &[&str] = &["", "each = [\"A\"]\nfoot = [\"B\"]\n", "each_line = true\n"];

const CHECKS: &[&str] = &[
    "",
    "[check]\nkind = \"add\"\nbehind = \"*\"\n",
    "[check]\nkind = \"xor\"\nown_line = \"A\"\nwith = [\"CR\", \"LF\"]\n",
];

fn file(forms: &[Vec<&str>], results: &str, more: &str) -> String {
    let forms: Vec<String> = forms.iter().map(|form| format!("{:?}", form.concat())).collect();
    format!(
        "name = \"random\"\n[dates]\norder = \"ymd\"\n[report]\nsilence_ms = 3000\n{more}\
         [header]\nlines = [{}]\n[results]\n{results}[marks]\n\"*\" = \"abnormal\"\n",
        forms.join(", ")
    )
}

fn form() -> impl Strategy<Value = Vec<&'static str>> {
    prop::collection::vec(prop::sample::select(PIECES), 1..10)
}

fn steps_for(dialect: &dyn dialect::Dialect, parts: &[&str], bytes: usize) -> (usize, usize) {
    let line: String = parts.iter().map(|part| part.repeat(bytes / part.len())).collect();
    // Where a page has several reports, as many as there can be.
    let letters: Vec<char> = line.chars().collect();
    let width = if dialect.several() { 8 } else { letters.len().max(1) };
    let lines: Vec<String> = letters.chunks(width).map(|line| line.iter().collect()).collect();
    steps::taken();
    read(dialect, &lines);
    (steps::taken(), line.len())
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(2_000))]

    #[test]
    fn forms_at_random_take_no_more_steps_than_a_print_is_long(
        forms in prop::collection::vec(form(), 1..5),
        parts in prop::collection::vec(prop::sample::select(SEEDS), 1..5),
        results in prop::sample::select(RESULTS),
        record in prop::sample::select(RECORDS),
        check in prop::sample::select(CHECKS),
        pages in prop::sample::select(PARTS),
    ) {
        let more = format!("{pages}{record}{check}");
        // Most at random are refused when they are loaded; each that is not must be read quickly.
        let good: Vec<Vec<&str>> = forms
            .into_iter()
            .filter(|form| dialect::parse(&file(std::slice::from_ref(form), results, &more), "r.toml").is_ok())
            .collect();
        let dialect = dialect::parse(&file(&good, results, &more), "r.toml");
        prop_assume!(dialect.is_ok());
        let dialect = dialect.expect("a good dialect");
        for bytes in [50, 800] {
            let (taken, length) = steps_for(dialect.as_ref(), &parts, bytes);
            // What reports share, 40 lines at most, is read once for each.
            let most = (64 * length + 2_000) * if pages.is_empty() { 1 } else { 41 };
            prop_assert!(taken <= most, "{taken} steps for {length} bytes of {parts:?} by {good:?}");
        }
    }
}
