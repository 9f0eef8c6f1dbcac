//! `restore`: puts a backup back, and says what is known to be lost and how to go on.

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::output::Output;
use super::{Answer, As, Exit, Failure, Why, bench};
use crate::backup::restore::{Done, Only, Wish, restore as put_back};
use crate::backup::statement::{STATEMENT, within};
use crate::settings::bench::Bench;
use crate::sheet::todo::word;

/// `wickline restore /var/backups/wickline/2026-03-14T021500Z`, with the daemon stopped
#[derive(Debug, Args)]
pub struct Options {
    /// The folder of one backup
    dir: PathBuf,
    /// One of the two stores alone
    #[arg(long, value_enum)]
    only: Option<Only>,
    /// The backup's tape also in place of a present one that is whole, which is moved aside
    #[arg(long)]
    replace_tape: bool,
    #[command(flatten)]
    why: Why,
    #[command(flatten)]
    who: As,
}

pub async fn restore(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let bench = bench(config)?;
    if options.replace_tape && options.only == Some(Only::Ledger) {
        return Err(Failure::wrong("--replace-tape and --only ledger: one or the other"));
    }
    let folder = named(std::path::absolute(&options.dir)?)?;
    let actor = options.who.actor(&bench.people)?;
    let reason = options.why.reason(&bench.people, out)?;
    let only = match options.only {
        Some(Only::Ledger) => " --only ledger",
        Some(Only::Tape) => " --only tape",
        None => "",
    };
    let tape = if options.replace_tape { " --replace-tape" } else { "" };
    let again = format!("wickline restore {}{only}{tape}", word(&folder.display().to_string()));
    let wish = Wish {
        folder: &folder,
        only: options.only,
        replace_tape: options.replace_tape,
        reason,
        again,
    };
    told(&bench, &put_back(&bench, &actor, &wish).await?, out)
}

/// The backup that is meant: of a folder above them the only one. An error: it holds several; the latest is named.
fn named(folder: PathBuf) -> Result<PathBuf, Failure> {
    if folder.join(STATEMENT).exists() || !folder.is_dir() {
        return Ok(folder);
    }
    let mut found = within(&folder)?;
    found.retain(|path| path.join(STATEMENT).exists());
    match found.as_slice() {
        [] => Ok(folder),
        [only] => Ok(only.clone()),
        [.., last] => Err(Failure::wrong(format!(
            "{} holds {} backups: name one. The latest: `wickline restore {}`",
            folder.display(),
            found.len(),
            word(&last.display().to_string())
        ))),
    }
}

fn told(bench: &Bench, done: &Done, out: &Output) -> Answer {
    let Done { statement, put, aside, tape, stood, lost, waiting } = done;
    let ledger = &statement.ledger;
    if out.json {
        let moved: Vec<_> = aside
            .iter()
            .map(|(from, to)| json!({"from": from.display().to_string(), "to": to.display().to_string()}))
            .collect();
        let lost: Vec<_> =
            lost.iter().map(|(line, bytes)| json!({"line": line, "bytes": bytes})).collect();
        let stood = stood.as_ref().map(
            |s| json!({"epoch": s.epoch, "report": s.report, "message": s.message, "trail": s.trail}),
        );
        out.document(&json!({
            "put_back": put, "as_of": statement.time(&bench.clock), "moved_aside": moved, "tape": tape,
            "stood": stood, "lost": lost, "waiting": waiting, "statement": statement,
        }))?;
    }
    out.line(&format!("put back, as of {}: {}", statement.time(&bench.clock), put.join(" and ")));
    out.line(tape);
    for (from, to) in aside {
        out.line(&format!("{} is now {}", from.display(), to.display()));
    }
    if put.contains(&"ledger") {
        let since = |what: &str, last: i64, was: i64| match was - last {
            ..=0 => format!("no {what}"),
            1 => format!("{what} {was}"),
            _ => format!("{what}s {} to {was}", last + 1),
        };
        out.line(&match stood {
            Some(s) if s.epoch == ledger.epoch => format!(
                "not in this ledger any more: {}, {}, and what people did in {} of the trail",
                since("report", ledger.report, s.report),
                since("message", ledger.message, s.message),
                since("row", ledger.trail.n, s.trail.n)
            ),
            Some(s) => format!(
                "the ledger before was another, {}: report {} was its last",
                s.epoch, s.report
            ),
            None => "how the ledger stood before is not known".to_owned(),
        });
    }
    for (line, bytes) in lost {
        out.line(&format!("{bytes} bytes of {line} are in neither store any more"));
    }
    if put.contains(&"tape") {
        out.line("What was heard since then: have it sent again from the analyzers' memory.");
    }
    if *waiting > 0 {
        out.line(&format!(
            "{waiting} message(s) wait in this ledger that a receiver may have accepted since the backup. Before \
             delivery is resumed: `wickline queue counts` and, with what a receiver filed, \
             `wickline queue compare export.csv` tell which"
        ));
    }
    out.line("To go on: start the daemon (`systemctl start wickline`), then");
    out.line("    `wickline ledger notices`");
    out.line("    `wickline held`");
    for target in &bench.targets {
        out.line(&format!("    `wickline queue resume {}`", word(&target.id)));
    }
    Ok(Exit::NotClean)
}
