//! How a dialect file says where a report begins and ends, and what its bytes are.

use wickline_normalize::sheet::{Keys, Spot};
use wickline_normalize::words::{nearest, quote};

use super::load::choice;
use crate::dialect::check::{Check, KINDS, Place};
use crate::dialect::codepage::{Encoding, encode, lacking};
use crate::dialect::parts::Parts;
use crate::printed::command::{Commands, Printer};
use crate::printed::control::{Controls, NAMES, code};
use crate::printed::{BITS, MAX_LINE, PrintRules};

const MILLISECOND: i64 = 1_000;
/// Blank lines in a row at most.
const MAX_BLANKS: u32 = 50;

/// Control characters that are counted with a line at most.
const MAX_WITH: usize = 8;

/// Control characters that cannot begin or end a report: lines, text and sequences need them.
const NEEDED: &[&str] = &["NUL", "BS", "HT", "LF", "CR", "ESC"];

#[derive(Clone, Copy, PartialEq, Eq)]
enum Family {
    None,
    Ecma48,
    Commands,
}

/// `report` and `line`, which may be absent.
pub(super) fn rules(
    report: &Keys<'_, '_>,
    line: Option<&Keys<'_, '_>>,
    encoding: Encoding,
) -> PrintRules {
    let mut rules = PrintRules {
        blank_lines: report.count_or("blank_lines", MAX_BLANKS, 0).unwrap_or(0),
        silence: silence(report) * MILLISECOND,
        openers: beginnings(report, "first_line", encoding),
        closers: beginnings(report, "last_line", encoding),
        begins: controls(report, "begin_bytes"),
        ends: controls(report, "end_bytes"),
        pages: controls(report, "page_bytes"),
        must_end: report.switch("must_end"),
        ..PrintRules::default()
    };
    if rules.must_end && rules.closers.is_empty() && rules.ends.is_empty() {
        let allowed = "a last_line or end_bytes beside it, which every whole report ends with";
        let found = "true, and neither last_line nor end_bytes";
        report.fault(report.place("must_end"), "must_end", found, allowed);
    }
    if let Some(line) = line {
        of_line(line, encoding, &mut rules);
    }
    if rules.length > 0 && report.has("blank_lines") {
        let allowed =
            "silence, a last_line or end_bytes: with line.length no line is blank or has an end";
        let found = "blank_lines, and line.length";
        report.fault(report.place("blank_lines"), "blank_lines", found, allowed);
    }
    let twice = |byte| rules.pages.has(byte) && (rules.begins.has(byte) || rules.ends.has(byte));
    if (0..32).any(twice) {
        let allowed = "what stands between the pages of one report, and begins or ends none";
        let found = "what begin_bytes or end_bytes has too";
        report.fault(report.place("page_bytes"), "page_bytes", found, allowed);
    }
    let clash = |byte| {
        rules.flow && (rules.begins.has(byte) || rules.ends.has(byte) || rules.pages.has(byte))
    };
    if clash(0x11) || clash(0x13) {
        let allowed = "a control character that is not read past as XON or XOFF";
        let found = "DC1 or DC3, and line.flow is \"xon-xoff\"";
        report.fault(report.place("end_bytes"), "end_bytes", found, allowed);
    }
    rules
}

/// How a page falls into reports. None: it is one.
pub(super) fn parts(report: &Keys<'_, '_>, encoding: Encoding) -> Option<Parts> {
    let parts = Parts {
        each: beginnings(report, "each", encoding),
        each_line: report.switch("each_line"),
        foot: beginnings(report, "foot", encoding),
    };
    let several = parts.each_line || !parts.each.is_empty();
    if parts.each_line && !parts.each.is_empty() {
        let allowed = "how the first line of each report begins, or each_line = true, not both";
        report.fault(report.place("each"), "each", "each_line beside it", allowed);
    }
    if !several && !parts.foot.is_empty() {
        let allowed = "each or each_line beside it, which say where each report begins";
        report.fault(report.place("foot"), "foot", "neither each nor each_line", allowed);
    }
    several.then_some(parts)
}

/// In milliseconds, 500 to 60,000: less cuts a slow printer, more keeps results waiting.
fn silence(report: &Keys<'_, '_>) -> i64 {
    if !report.has("silence_ms") {
        let allowed = "silence_ms = 3000, or other milliseconds from 500 to 60000";
        report.fault(report.at, "silence_ms", "nothing", allowed);
    }
    let silence = report.count_or("silence_ms", 60_000, 3_000).unwrap_or(3_000);
    if silence < 500 {
        let allowed = "milliseconds from 500 to 60000";
        report.fault(report.place("silence_ms"), "silence_ms", silence.to_string(), allowed);
    }
    i64::from(silence)
}

/// How first or last lines begin, as bytes: those of the dialect's encoding, and those of a kept print, which is UTF-8.
fn beginnings(report: &Keys<'_, '_>, key: &'static str, encoding: Encoding) -> Vec<Vec<u8>> {
    let mut all = Vec::new();
    for text in report.texts(key) {
        let begins = text.value.trim();
        match encode(encoding, begins).filter(|bytes| !bytes.is_empty()) {
            Some(bytes) => {
                let kept = Some(begins.as_bytes()).filter(|kept| *kept != bytes);
                all.extend(kept.map(<[u8]>::to_vec));
                all.push(bytes);
            }
            None => {
                let (name, lacks) = (encoding.name(), lacking(encoding, begins));
                let found = match lacks {
                    Some(letter) => format!(
                        "{}, and {name} has no {}",
                        quote(begins),
                        quote(&letter.to_string())
                    ),
                    None => quote(&text.value),
                };
                let allowed =
                    format!("how that line begins, in letters that encoding = \"{name}\" has");
                report.fault(text.at, key, found, allowed);
            }
        }
    }
    all
}

fn controls(report: &Keys<'_, '_>, key: &'static str) -> Controls {
    let mut set = Controls::default();
    for name in report.texts(key) {
        match control(report, key, &name) {
            Some(_) if NEEDED.contains(&name.value.as_str()) => {
                let allowed = format!("none of {}: lines are made of them", NEEDED.join(", "));
                report.fault(name.at, key, quote(&name.value), allowed);
            }
            Some(byte) => set.insert(byte),
            None => {}
        }
    }
    set
}

fn control(keys: &Keys<'_, '_>, key: &str, name: &Spot<String>) -> Option<u8> {
    let found = code(&name.value);
    if found.is_none() {
        let near = nearest(&name.value, &NAMES).unwrap_or("");
        let allowed = format!("the name of a control character, such as \"{near}\" or \"STX\"");
        keys.fault(name.at, key, quote(&name.value), allowed);
    }
    found
}

/// A printer's commands and the characters that begin or end a report must not be the same.
fn of_line(line: &Keys<'_, '_>, encoding: Encoding, rules: &mut PrintRules) {
    match line.count_or("bits", 8, 8) {
        Some(7) => rules.mask = BITS >> 1,
        Some(8) | None => {}
        Some(bits) => line.fault(line.place("bits"), "bits", bits.to_string(), "7 or 8"),
    }
    let flows = &[("none", false), ("xon-xoff", true)];
    rules.flow = choice(line, "flow", flows).unwrap_or(false);
    rules.length = length(line);
    let returns = &[("new-line", false), ("overprint", true)];
    rules.overprint = choice(line, "lone_cr", returns).unwrap_or(false);
    let families =
        &[("none", Family::None), ("ecma-48", Family::Ecma48), ("esc", Family::Commands)];
    let family = choice(line, "printer", families).unwrap_or(Family::None);
    let commands = line.table("commands").map(|keys| {
        let commands = commands(&keys);
        keys.close();
        commands
    });
    if commands.is_some() != (family == Family::Commands) {
        let found = if commands.is_some() {
            "[line.commands] beside another family"
        } else {
            "\"esc\" without [line.commands]"
        };
        let allowed = "printer = \"esc\" together with [line.commands], which lists its commands";
        line.fault(line.place("printer"), "printer", found, allowed);
    }
    rules.printer = match family {
        Family::None => Printer::None,
        Family::Ecma48 => Printer::Ecma48 { eight_bits: encoding == Encoding::Latin1 },
        Family::Commands => Printer::Commands(commands.unwrap_or_default()),
    };
    if let Printer::Commands(commands) = &rules.printer {
        let bound = |b: &u8| rules.begins.has(*b) || rules.ends.has(*b) || rules.pages.has(*b);
        let bounds = (0..32_u8).filter(bound);
        let taken = |byte: &u8| {
            commands.alone.has(*byte) || commands.led.iter().any(|(lead, ..)| lead == byte)
        };
        if let Some(byte) = bounds.into_iter().find(taken) {
            let name = NAMES.get(usize::from(byte)).copied().unwrap_or("");
            let found = format!("{name}, which begins or ends a report");
            let allowed = "commands that mean nothing else";
            line.fault(line.place("commands"), "commands", found, allowed);
        }
    }
}

/// The table `check`, where it is given.
pub(super) fn check(root: &Keys<'_, '_>) -> Option<Check> {
    let keys = root.table("check")?;
    if !keys.has("kind") {
        keys.fault(keys.at, "kind", "nothing", "kind = \"add\" or kind = \"xor\"");
    }
    let kind = choice(&keys, "kind", KINDS);
    let (behind, own) = (keys.text("behind"), keys.text("own_line"));
    let counted = keys.switch("behind_counted");
    if let (Some(own), true) = (&own, behind.is_some() || counted) {
        let allowed = "check characters at the end of each line, behind a sign or not, or a line of their own";
        keys.fault(own.at, "own_line", "behind beside it", allowed);
    } else if counted && behind.is_none() {
        let allowed = "behind = \"*\" beside it: the sign that is counted";
        keys.fault(keys.place("behind_counted"), "behind_counted", "no behind", allowed);
    }
    let names = keys.texts("with");
    let with: Vec<u8> = names.iter().filter_map(|name| control(&keys, "with", name)).collect();
    if with.len() > MAX_WITH {
        let found = format!("{} control characters", with.len());
        keys.fault(keys.place("with"), "with", found, format!("at most {MAX_WITH}"));
    }
    keys.close();
    let place = match own {
        Some(own) => Place::OwnLine(own.value.trim().to_owned()),
        None => {
            Place::EachLine { behind: behind.map(|sign| sign.value).unwrap_or_default(), counted }
        }
    };
    Some(Check { kind: kind?, place, with })
}

/// How many bytes a line has, where it has no end of its own. 0: it has one.
fn length(line: &Keys<'_, '_>) -> usize {
    let most = u32::try_from(MAX_LINE).unwrap_or(u32::MAX);
    let length = line.count_or("length", most, 0).unwrap_or(1);
    if length == 0 && line.has("length") {
        let allowed = format!("how many bytes each line has, 1 to {most}");
        line.fault(line.place("length"), "length", length.to_string(), allowed);
    }
    if length > 0 && line.has("lone_cr") {
        let allowed = "line ends, or lines of a fixed length, not both";
        line.fault(line.place("lone_cr"), "lone_cr", "length beside it", allowed);
    }
    usize::try_from(length).unwrap_or(0)
}

fn commands(keys: &Keys<'_, '_>) -> Commands {
    let mut commands = Commands::default();
    for lead in ["ESC", "GS", "FS"] {
        let Some(byte) = code(lead) else { continue };
        for (letter, count) in keys.counts(lead, 255) {
            match (letter.value.as_bytes(), u8::try_from(count)) {
                ([letter], Ok(count)) if letter.is_ascii_graphic() || *letter == b' ' => {
                    commands.led.push((byte, *letter, count));
                }
                _ => {
                    let allowed = "one letter, digit or sign, with the count of bytes behind it";
                    keys.fault(letter.at, lead, quote(&letter.value), allowed);
                }
            }
        }
    }
    for name in keys.texts("alone") {
        match control(keys, "alone", &name) {
            Some(_) if NEEDED.contains(&name.value.as_str()) => {
                let allowed = format!("none of {}: lines are made of them", NEEDED.join(", "));
                keys.fault(name.at, "alone", quote(&name.value), allowed);
            }
            Some(byte) => commands.alone.insert(byte),
            None => {}
        }
    }
    commands
}
