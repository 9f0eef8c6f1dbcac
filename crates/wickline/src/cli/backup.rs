//! `backup`: copies of both stores beside the work, and whether one that was made is still what it was.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand};
use serde_json::json;

use super::output::{Output, Tone};
use super::{Answer, As, Exit, Failure, bench, stores_bench};
use crate::backup::statement::{LEDGER, Statement, TAPE, within};
use crate::backup::{Made, make, not_begun, whole};
use crate::sheet::todo::word;
use crate::store::StoreError;

/// `wickline backup /var/backups/wickline`, `wickline backup check /var/backups/wickline`
#[derive(Debug, Args)]
#[command(args_conflicts_with_subcommands = true, subcommand_negates_reqs = true)]
pub struct Options {
    #[command(subcommand)]
    act: Option<Act>,
    /// A folder, which gets one with the time as its name for each backup
    #[arg(required = true)]
    dir: Option<PathBuf>,
    #[command(flatten)]
    who: As,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Whether a backup, or each one in a folder, is still what it was when it was made; changes nothing
    Check { dir: PathBuf },
}

pub async fn backup(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    match (options.act, options.dir) {
        (Some(Act::Check { dir }), _) => check(&dir, out).await,
        (None, Some(dir)) => {
            let bench = match bench(config.clone()) {
                Ok(bench) => bench,
                Err(failure) => {
                    untold(config, &options.who).await;
                    return Err(failure);
                }
            };
            let actor = options.who.actor(&bench.people)?;
            told(&make(&bench, &actor, &dir).await?, out)
        }
        (None, None) => Err(Failure::wrong("name the folder for backups")),
    }
}

/// Nobody reads what a timer was told: in the trail it is a backup that failed, where the stores can still be read from
/// the file.
async fn untold(config: Option<PathBuf>, who: &As) {
    let Some(bench) = stores_bench(config) else { return };
    let Ok(actor) = who.actor(&bench.people) else { return };
    let why = "the configuration is wrong; `wickline check` says where";
    // What was refused is told all the same.
    let _ = not_begun(&bench, &actor, why).await;
}

fn told(made: &Made, out: &Output) -> Answer {
    let Made { folder, statement, unnoted } = made;
    let shown = folder.display().to_string();
    if out.json {
        let unnoted = unnoted.as_ref().map(ToString::to_string);
        out.document(&json!({"folder": shown, "statement": statement, "unnoted": unnoted}))?;
    }
    out.line(&statement.says);
    let mib = (statement.ledger.file.bytes + statement.tape.file.bytes).div_ceil(1 << 20);
    out.line(&format!("{shown}: {mib} MiB, looked through and on the disk; to put it back, with the daemon stopped:"));
    out.line(&format!("    `wickline restore {}`", word(&shown)));
    let Some(error) = unnoted else { return Ok(Exit::Done) };
    eprintln!("wickline: it is whole, and not noted in the trail: {error}");
    Ok(Exit::NotClean)
}

/// One backup looked at. Err: what is wrong with it.
async fn looked_at(folder: &Path) -> Result<Statement, StoreError> {
    let statement = Statement::read(folder)?;
    statement.holds(folder)?;
    for name in [LEDGER, TAPE] {
        whole(&folder.join(name)).await?;
    }
    Ok(statement)
}

async fn check(dir: &Path, out: &Output) -> Answer {
    let below = within(dir)?;
    let one = below.is_empty() || dir.join("statement.json").exists();
    let folders = if one { vec![dir.to_owned()] } else { below };
    let (mut items, mut worst) = (Vec::new(), Exit::Done);
    for folder in folders {
        let shown = folder.display().to_string();
        match looked_at(&folder).await {
            Ok(statement) => {
                out.pieces(&[
                    (format!("{shown}: "), Tone::Good),
                    (statement.says.clone(), Tone::Plain),
                ]);
                items.push(json!({"folder": shown, "whole": true, "statement": statement}));
            }
            Err(error) => {
                let exit = Failure::exit_of(&error);
                worst = if exit as u8 > worst as u8 { exit } else { worst };
                out.pieces(&[(format!("{shown}: {error}"), Tone::Bad)]);
                items.push(json!({"folder": shown, "whole": false, "why": error.to_string()}));
            }
        }
    }
    if out.json {
        out.document(&json!({"items": items}))?;
    }
    Ok(worst)
}
