//! An account on a terminal: aligned, in colour where there is colour.

use std::collections::BTreeMap;

use super::Whole;
use super::account::{Explained, Line, Missed, NOT_UNDERSTOOD, Obx, Told};
use crate::cli::output::{Output, Tone, plain, state};
use crate::marks::named;

/// A capture whole.
pub fn whole(whole: &Whole, out: &Output) {
    for report in &whole.reports {
        self::report(report, "of this capture", out);
    }
    for question in &whole.questions {
        out.line(question);
    }
    if whole.reports.is_empty() && whole.questions.is_empty() {
        out.line("no report was found in this capture: is it this analyzer's dialect?");
    }
    if !whole.outside.is_empty() {
        out.pieces(&[("bytes that belong to no report:".into(), Tone::Bad)]);
        for (place, text) in &whole.outside {
            out.line(&format!("  {} to {}: {text}", place.from, place.to));
        }
    }
    missed(&whole.missed, out);
}

/// The lines that were not understood, last, where they are seen.
pub fn missed(missed: &[Missed], out: &Output) {
    if missed.is_empty() {
        return;
    }
    out.pieces(&[(format!("{} line(s) NOT UNDERSTOOD:", missed.len()), Tone::Bad)]);
    for line in missed {
        let text = named(&line.text);
        out.pieces(&[
            (format!("  report {}, line {}: ", line.report, line.line), Tone::Plain),
            (text, Tone::Bad),
        ]);
    }
}

/// One report; `of` says what it is counted in, for the ledger counts its own way.
pub fn report(report: &Explained, of: &str, out: &Output) {
    let dash = |text: &Option<String>| named(text.as_deref().unwrap_or("-"));
    let strip = if report.strip.is_empty() { "-" } else { report.strip.as_str() };
    let head = format!(
        "report {} {of}: number {}, {}, specimen {}, taken {}, operator {}, strip {strip} -> ",
        report.report,
        dash(&report.number),
        report.class(),
        dash(&report.specimen),
        dash(&report.taken_at),
        dash(&report.operator),
    );
    out.pieces(&[(head, Tone::Plain), state(report.state)]);
    for line in &report.anatomy {
        self::line(line, report.sign(line.line), out);
    }
    legend(report, out);
    if !report.readings.is_empty() {
        let rows: Vec<_> = report.readings.iter().map(row).collect();
        out.table(
            &["line", "printed", "analyte", "rung", "reading", "conversion", "flag", "OBX"],
            &rows,
        );
    }
    for (why, analytes) in whys(report) {
        out.line(&format!("  flag {why}: {analytes}"));
    }
    if let Some(run) = &report.run {
        out.line(&format!("as a run of control material: {}", named(run)));
    }
    if let Some(answers) = report.answers() {
        out.line(&answers);
    }
    for hold in &report.holds {
        let line = hold.line.map_or(String::new(), |l| format!(" (line {l})"));
        let detail = named(&hold.detail);
        out.pieces(&[(format!("HELD {}{line}: {detail}", hold.reason), Tone::Bad)]);
        out.line(&format!("      what lets it go: {}", hold.remedy));
    }
    for segment in segments(report) {
        out.line(&format!("    {segment}"));
    }
    out.line("");
}

/// The message, segment by segment.
pub fn segments(report: &Explained) -> impl Iterator<Item = String> {
    let message = report.message.as_deref().unwrap_or("");
    message.split('\r').filter(|s| !s.is_empty()).map(named)
}

/// A line with its parts: in colours, or with a line of words under it.
fn line(line: &Line, sign: Option<String>, out: &Output) {
    let tone = if sign.is_some() { Tone::Bad } else { Tone::Quiet };
    let mut pieces = vec![(format!("{:>4} | ", line.line), tone)];
    let mut words = String::new();
    let mut column = 0;
    for (text, what) in line.pieces() {
        if let Some(what) = what {
            let fill = column.max(words.chars().count() + usize::from(!words.is_empty()));
            words.push_str(&" ".repeat(fill - words.chars().count()));
            words.push_str(what);
        }
        column += text.chars().count();
        pieces.push((text, what.map_or(Tone::Plain, hue)));
    }
    pieces.extend(sign.map(|sign| (format!("   <- {sign}"), Tone::Bad)));
    out.pieces(&pieces);
    if !out.has_colour() && !words.is_empty() {
        out.line(&format!("     : {words}"));
    }
    if let Some(heard) = line.beneath() {
        out.pieces(&[(format!("     < {heard}"), Tone::Quiet)]);
    }
}

/// Which colour is which, of the words that this report has.
fn legend(report: &Explained, out: &Output) {
    if !out.has_colour() {
        return;
    }
    let mut known: Vec<&'static str> = Vec::new();
    for part in report.anatomy.iter().flat_map(|line| &line.parts) {
        if !known.contains(&part.what) {
            known.push(part.what);
        }
    }
    let words = known
        .into_iter()
        .flat_map(|what| [(what.to_owned(), hue(what)), ("  ".to_owned(), Tone::Plain)]);
    let mut pieces = vec![("       ".to_owned(), Tone::Plain)];
    pieces.extend(words);
    out.pieces(&pieces);
}

fn hue(what: &str) -> Tone {
    match what {
        NOT_UNDERSTOOD => Tone::Bad,
        "ignored" | "words" => Tone::Quiet,
        "mark" | "priority" | "status" | "action" => Tone::Part(1),
        "grade" => Tone::Part(2),
        "number" | "specimen" | "patient" => Tone::Part(3),
        "value" => Tone::Part(4),
        "unit" => Tone::Part(5),
        "label" => Tone::Part(6),
        _ => Tone::Part(9),
    }
}

fn row(told: &Told) -> Vec<(String, Tone)> {
    let lines: Vec<String> = told.reading.lines.iter().map(|l| (l + 1).to_string()).collect();
    let flag = told.reading.flag.map_or("", |f| f.text());
    vec![
        plain(lines.join(",")),
        plain(named(&told.as_printed)),
        plain(told.reading.analyte.as_deref().unwrap_or("?")),
        plain(rung(told)),
        plain(reading(told)),
        plain(conversion(told)),
        plain(flag),
        plain(told.obx.iter().map(obx).collect::<Vec<_>>().join("  |  ")),
    ]
}

/// `5 of 6`.
pub fn rung(told: &Told) -> String {
    match (told.reading.rung, told.rungs) {
        (Some(rung), Some(of)) => format!("{} of {of}", rung + 1),
        (None, Some(of)) => format!("- of {of}"),
        _ => "-".to_owned(),
    }
}

/// What it was read as.
pub fn reading(told: &Told) -> String {
    let reading = &told.reading;
    if let Some(why) = &reading.unread {
        return named(&format!("not read: {why}"));
    }
    let number = reading.number.as_ref().map(wickline_normalize::Figure::text);
    let words: Vec<String> = reading.grade.iter().cloned().chain(number).collect();
    if words.is_empty() { "-".to_owned() } else { named(&words.join(" ")) }
}

fn conversion(told: &Told) -> String {
    let Some(conversion) = &told.conversion else { return "-".to_owned() };
    let factor = conversion.factor.as_ref().map_or(String::new(), |f| format!(" (x {f})"));
    named(&match conversion.how {
        "by the ladder" => {
            format!("{} -> {} by the ladder{factor}", conversion.from, conversion.to)
        }
        "measured" => format!("{} -> {}: {}", conversion.from, conversion.to, conversion.words),
        "not sent" => conversion.words.clone(),
        how => how.to_owned(),
    })
}

/// `25428-4 ST 2+ mg/dL A`.
pub fn obx(obx: &Obx) -> String {
    let Obx { set_id, code, kind, value, unit, flag } = obx;
    let text = format!("{set_id} {code} {kind} {value} {unit} {flag}");
    named(&text.split(' ').filter(|word| !word.is_empty()).collect::<Vec<_>>().join(" "))
}

/// Each reason for a flag with the analytes that it holds for: most reports have one or two. What is
/// said of one analyte alone names it already.
fn whys(report: &Explained) -> Vec<(String, String)> {
    let mut found: BTreeMap<String, Vec<&str>> = BTreeMap::new();
    for told in &report.readings {
        let analyte = told.reading.analyte.as_deref().unwrap_or(&told.reading.label);
        let why = told.flag_why.strip_suffix(analyte).map_or(told.flag_why.as_str(), str::trim_end);
        found.entry(named(why)).or_default().push(analyte);
    }
    found.into_iter().map(|(why, of)| (why, named(&of.join(", ")))).collect()
}
