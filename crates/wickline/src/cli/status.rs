//! `status`: is anything wrong now? And the short line with which other commands say that something is.

mod watch;

use std::io::IsTerminal;
use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::output::{Output, Tone, plain};
use super::{Answer, Desk, Exit, Failure, bench, stores_bench};
use crate::daemon::ledger_work::or_gone;
use crate::settings::{self, bench::Bench};
use crate::sheet::now::{About, Finding, Now};
use crate::sheet::todo::shown;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::tape::{Kind, Tape};

/// `wickline status`, `wickline status --watch`
#[derive(Debug, Args)]
pub struct Options {
    /// Look again every 2 seconds, until q or ctrl-c; then the exit code is the last look's
    #[arg(long)]
    watch: bool,
}

pub async fn status(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let asked = asked(config)?;
    if options.watch && (out.json || std::io::stdout().is_terminal()) {
        return watch::watch(&asked, out).await;
    }
    once(&asked, out).await
}

/// What is looked at: everything that is configured, or where the file is wrong what daemons tell.
struct Asked {
    bench: Bench,
    faults: Option<String>,
}

/// A file that is wrong now does not hide how a daemon is that read it when it was right.
fn asked(config: Option<PathBuf>) -> Result<Asked, Failure> {
    let failure = match bench(config.clone()) {
        Ok(bench) => return Ok(Asked { bench, faults: None }),
        Err(failure) => failure,
    };
    settings::find(config.as_deref()).map_err(Failure::wrong)?;
    match stores_bench(config) {
        Some(bench) => Ok(Asked { bench, faults: Some(failure.text) }),
        None => Err(Failure {
            text: format!(
                "{}\nwhere the stores are cannot be read from it, so of a daemon that runs on what it read before \
                 nothing is known here; `systemctl status wickline` tells whether one does",
                failure.text
            ),
            ..failure
        }),
    }
}

async fn once(asked: &Asked, out: &Output) -> Answer {
    let bench = &asked.bench;
    let now = async {
        let ledger = or_gone(bench, Ledger::look(bench.ledger.clone()).await).await?;
        let now = async {
            match &asked.faults {
                None => Now::read(&ledger, bench).await,
                Some(faults) => Now::beside(&ledger, bench, faults).await,
            }
        };
        let now = ledger.within(now).await;
        ledger.close().await?;
        now
    };
    let now = match now.await {
        Ok(now) => now,
        Err(error) => {
            let seen = Now::by_the_files(bench, &error).await;
            let mut failure = Failure::from(error);
            if let Some(faults) = &asked.faults {
                failure.text =
                    format!("{faults}\nand by the stores that it names: {}", failure.text);
            }
            by_the_tape(bench, &seen, &failure, out).await?;
            return Err(failure);
        }
    };
    show(&now, out)?;
    if let (Some(faults), false) = (&asked.faults, out.json) {
        faults.lines().for_each(|line| out.line(line));
    }
    Ok(if now.wrong { Exit::NotClean } else { Exit::Done })
}

fn show(now: &Now, out: &Output) -> std::io::Result<()> {
    if out.json {
        return out.document(now);
    }
    let verdict = match now.wrong().count() {
        0 => "nothing is wrong".to_owned(),
        1 => "1 thing needs a person".to_owned(),
        many => format!("{many} things need a person"),
    };
    let at = now.at.get(..16).unwrap_or(&now.at).replace('T', " ");
    let tone = if now.wrong { Tone::Bad } else { Tone::Good };
    out.pieces(&[(format!("{}   {at}   ", now.site), Tone::Plain), (verdict, tone)]);
    let rows: Vec<_> = now.findings.iter().map(row).collect();
    out.table(&["", "what", "which", "how it stands"], &rows);
    for todo in now.wrong().filter_map(|f| f.todo.as_ref()) {
        out.line(&format!("    {}", shown(&todo.to_string())));
    }
    Ok(())
}

fn row(finding: &Finding) -> Vec<(String, Tone)> {
    let (sign, tone) = if finding.wrong { ("!", Tone::Bad) } else { ("", Tone::Plain) };
    vec![
        (sign.to_owned(), tone),
        plain(finding.about.text()),
        plain(&finding.which),
        (finding.text.to_string(), tone),
    ]
}

/// The ledger cannot be used: what its file and the tape of this bench tell.
async fn by_the_tape(
    bench: &Bench,
    now: &Now,
    failure: &Failure,
    out: &Output,
) -> Result<(), Failure> {
    // The tape may be damaged as well, which its row says.
    let lines = last_entries(bench).await.unwrap_or_default();
    if out.json {
        let lines = lines
            .iter()
            .map(|(id, state, at)| {
                json!({"about": "line", "which": id, "text": state, "heard_at": at, "wrong": false})
            });
        let found = now.findings.iter().map(|finding| json!(finding));
        let items: Vec<_> = found.chain(lines).collect();
        out.document(&json!({"wrong": true, "ledger": failure.text, "items": items}))?;
        return Ok(());
    }
    show(now, out)?;
    let how = if failure.exit == Exit::Unreachable { "reached" } else { "used" };
    out.line(&format!("the ledger cannot be {how}; what the tape of this bench knows:"));
    for (id, state, at) in lines {
        out.line(&format!("  line {id}: {state}, by its last entry at {at}"));
    }
    out.line(match now.of(About::Daemon, "-").is_some_and(|daemon| daemon.wrong) {
        true => "The daemon is stopped: nothing is heard until it runs again.",
        false => "What is heard meanwhile is safe on the tape, and read once the ledger is back.",
    });
    Ok(())
}

/// The last entry of each line: its state and when it was.
async fn last_entries(bench: &Bench) -> Result<Vec<(String, &'static str, String)>, StoreError> {
    let tape = Tape::look(&bench.tape).await?;
    let mut lines = Vec::new();
    for analyzer in &bench.analyzers {
        let (last, _) = tape.tail(&analyzer.id, 0).await?;
        let entries = tape.after(&analyzer.id, last - 1, 1).await?;
        let Some(entry) = entries.last() else { continue };
        let state = match entry.kind {
            Kind::Closed => "closed",
            Kind::Opened | Kind::Bytes => "open",
            Kind::Gap => "open, and not all that was heard could be kept",
        };
        lines.push((analyzer.id.clone(), state, bench.clock.rfc3339(entry.at)));
    }
    tape.db().close().await?;
    Ok(lines)
}

/// Whether it is about this day alone, whose sheet says it.
fn is_of(finding: &Finding, date: Option<&str>) -> bool {
    let days = finding.facts.get("days").and_then(|days| days.as_array());
    date.is_some() && days.is_some_and(|d| d.len() == 1 && d[0].as_str() == date)
}

/// The last line of `day`, `queue` and `held`: what else is wrong, where anything is. `shown`: what the
/// command has told of itself.
pub async fn elsewhere(
    desk: &Desk,
    shown: &[About],
    date: Option<&str>,
    out: &Output,
) -> Result<(), Failure> {
    if out.json {
        return Ok(());
    }
    let now = Now::read(&desk.ledger, &desk.bench).await?;
    let others: Vec<String> = now
        .wrong()
        .filter(|f| !shown.contains(&f.about) && !is_of(f, date))
        .map(|f| format!("{} {}", f.about.text(), f.which))
        .collect();
    if others.is_empty() {
        return Ok(());
    }
    let more = match others.len() {
        0..=3 => others.join(", "),
        many => format!("{} and {} more", others[..3].join(", "), many - 3),
    };
    out.pieces(&[(format!("also wrong: {more}; `wickline status` tells"), Tone::Bad)]);
    Ok(())
}
