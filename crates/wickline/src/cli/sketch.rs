//! `sketch`: a first dialect and strip for a print that nobody has described yet; sends and stores nothing.

use std::io::Write;
use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::json;
use wickline_normalize::{Units, words};

use super::output::{self, Output};
use super::{Answer, Exit, Failure, file};
use crate::sketch::{Capture, Draft, sketch};

/// Lines that the draft does not understand, shown on a screen.
const SHOWN: usize = 20;

/// `wickline sketch monday.cap control.cap --name harbour`
#[derive(Debug, Args)]
pub struct Options {
    /// The bytes as they came from the line: of several reports, one of them of control material
    #[arg(required = true)]
    captures: Vec<PathBuf>,
    /// The dialect's name: small letters, digits, hyphens [default: that of the first capture]
    #[arg(long)]
    name: Option<String>,
    /// The folder for NAME.toml and NAME-strip.toml; neither may be there
    #[arg(long, value_name = "DIR", default_value = ".")]
    into: PathBuf,
}

pub async fn run(options: Options, out: &Output) -> Answer {
    let mut kept = Vec::new();
    for path in &options.captures {
        let bytes = std::fs::read(path)
            .map_err(|e| Failure::unreachable(format!("reading {}: {e}", path.display())))?;
        kept.push((path.display().to_string(), bytes));
    }
    let captures: Vec<Capture<'_>> =
        kept.iter().map(|(name, bytes)| Capture { name, bytes }).collect();
    let of = kept.iter().map(|(name, _)| output::visible(name)).collect::<Vec<_>>().join(", ");
    if captures.iter().any(|capture| is_lis02(capture.bytes)) {
        return Err(Failure::wrong(format!(
            "{of}: these are records of LIS02-A2, which need no dialect of their own: write dialect = \"lis02\""
        )));
    }
    let name = name(&options)?;
    let draft = sketch(&name, &captures).map_err(|why| Failure::wrong(format!("{of}: {why}")))?;
    let dialect = options.into.join(format!("{name}.toml"));
    let strip = options.into.join(format!("{name}-strip.toml"));
    if let Some(there) = [&dialect, &strip].into_iter().find(|path| path.exists()) {
        return Err(there_already(there));
    }
    write(&dialect, &draft.dialect)?;
    write(&strip, &draft.strip)?;
    let clean = if draft.unplaced.is_empty() { Exit::Done } else { Exit::NotClean };
    if out.json {
        let Draft { readings, reports, unplaced, .. } = &draft;
        let written = [&dialect, &strip].map(|path| path.display().to_string());
        out.document(&json!({
            "written": written, "readings": readings, "reports": reports, "questions": draft.questions(),
            "units": draft.units.text(), "control_ids": draft.control_ids,
            "unplaced": unplaced,
        }))?;
        return Ok(clean);
    }
    told(&draft, out);
    let (dialect, strip) = (dialect.display(), strip.display());
    out.line(&format!("{dialect} and {strip} are written"));
    let si = if draft.units == Units::Si { " --printed si" } else { "" };
    if draft.units == Units::Si {
        out.line("numbers are printed in SI units, it seems: the analyzer's table then says units = \"si\"");
    }
    for id in &draft.control_ids {
        let id = output::visible(id);
        out.line(&format!(
            "{id} is on control material, it seems: name it in control_specimens of the analyzer"
        ));
    }
    let questions = draft.questions();
    out.line(&format!("{questions} lines of them begin with # ? and ask about a guess; to see what an answer does:"));
    let first = options.captures.first().map(|path| path.display().to_string()).unwrap_or_default();
    out.line(&format!(
        "  wickline explain {first} --dialect {dialect} --strip {strip}{si} --watch"
    ));
    Ok(clean)
}

fn told(draft: &Draft, out: &Output) {
    out.line(&format!("{} readings of {} reports are understood", draft.readings, draft.reports));
    if draft.unplaced.is_empty() {
        return;
    }
    out.line("not placed:");
    for one in draft.unplaced.iter().take(SHOWN) {
        let line = one.line.map_or(String::new(), |line| format!(", line {line} of its report"));
        let text = if one.text.is_empty() {
            String::new()
        } else {
            format!(": {}", output::visible(&one.text))
        };
        out.line(&format!("  {}{line}{text}", output::visible(&one.capture)));
        out.line(&format!("      {}", output::visible(&one.why)));
    }
    if draft.unplaced.len() > SHOWN {
        out.line(&format!("  and {} more: --json has all of them", draft.unplaced.len() - SHOWN));
    }
}

/// Whether the bytes are records of the open standard: a header record names its four delimiters (LIS02-A2, 6.2).
fn is_lis02(bytes: &[u8]) -> bool {
    let mut lines = bytes.split(|byte| matches!(byte, b'\r' | b'\n' | 0x02));
    lines.any(|line| {
        let record = line.strip_prefix(b"1").unwrap_or(line);
        matches!(record, [b'H', signs @ ..] if signs.iter().take_while(|b| b.is_ascii_punctuation()).count() > 3)
    })
}

/// The name that was given, or one made of the first capture's.
fn name(options: &Options) -> Result<String, Failure> {
    if let Some(name) = &options.name {
        let wrong = || {
            let name = output::visible(name);
            Failure::wrong(format!("--name {name}: a dialect's name has {} alone", words::NAME))
        };
        return words::is_name(name).then(|| name.clone()).ok_or_else(wrong);
    }
    let stem = options
        .captures
        .first()
        .and_then(|path| path.file_stem())
        .unwrap_or_default()
        .to_string_lossy();
    let letters =
        stem.chars().map(|c| if c.is_ascii_alphanumeric() { c.to_ascii_lowercase() } else { '-' });
    let name = letters.collect::<String>().trim_matches('-').to_owned();
    let lacks = || {
        Failure::wrong(
            "no name can be made of the capture's: give one with --name, such as --name harbour",
        )
    };
    words::is_name(&name).then_some(name).ok_or_else(lacks)
}

fn write(path: &Path, text: &str) -> Result<(), Failure> {
    let mut new = file::new(path)?.ok_or_else(|| there_already(path))?;
    new.write_all(text.as_bytes()).map_err(|error| file::cannot(path, &error))
}

fn there_already(path: &Path) -> Failure {
    Failure::wrong(format!(
        "{} is there already, and a draft never takes the place of a file: give another --name or --into",
        path.display()
    ))
}
