//! `ledger`: what is done to the ledger as a whole, and what it has to tell.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;

use super::output::{Output, Tone};
use super::{Answer, As, Desk, Exit, Failure, Why, bench, id};
use crate::address::{Address, masked_address};
use crate::daemon::lock;
use crate::settings::bench::{Bench, People};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::notice::Notice;
use crate::store::tape::Tape;
use crate::store::trail::Act as Noted;

/// `wickline ledger move sqlite:ledger.db postgres://wickline@db/wickline`
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    act: Act,
    #[command(flatten)]
    who: As,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Moves everything into a new, empty ledger while the daemon is stopped; the old one is barred
    Move {
        /// The ledger file, sqlite:PATH
        from: String,
        /// Where to, as in the configuration: postgres://USER@HOST/DATABASE or sqlite:PATH
        to: String,
    },
    /// Brings stores that an older program made up to date while the daemon is stopped; else it does so at its
    /// next start. No backup of them can be read by the older program again. Where the ledger's file is gone
    /// that the tape remembers, it begins an empty one, which the daemon never does
    Migrate,
    /// What the stores tell until a person lifts it: a ledger that was set back, a new tape
    Notices,
    /// Say that what a notice tells was seen to, with a reason
    Lift {
        id: String,
        #[command(flatten)]
        why: Why,
    },
}

pub async fn ledger(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    match &options.act {
        Act::Move { from, to } => moved(&options.who, from, to, out).await,
        Act::Migrate => migrated(config, &options.who, out).await,
        Act::Notices => Desk::with(config, true, async |desk| notices(desk, out).await).await,
        Act::Lift { id: text, why } => {
            let (desk, n) = (Desk::open(config).await?, id(text)?);
            let (actor, reason) = (desk.actor(&options.who)?, desk.reason(why, out)?);
            let lifted = desk.ledger.notice_lift(&actor, n, &reason).await?;
            if out.json {
                out.document(&json!({"id": n.to_string(), "kind": lifted.kind.code()}))?;
            }
            out.line(&format!("notice {n} ({}) is lifted", lifted.kind.code()));
            Ok(Exit::Done)
        }
    }
}

async fn notices(desk: &Desk, out: &Output) -> Answer {
    let notices = desk.ledger.notices().await?;
    if out.json {
        let item = |n: &Notice| {
            json!({
                "id": n.n.to_string(), "kind": n.kind.code(), "tape": n.tape,
                "since": desk.clock().rfc3339(n.since), "detail": n.detail,
            })
        };
        out.document(&json!({"items": notices.iter().map(item).collect::<Vec<_>>()}))?;
    }
    for notice in &notices {
        let Notice { n, kind, since, detail, .. } = notice;
        let since = desk.clock().rfc3339(*since);
        out.pieces(&[
            (format!("{n} {} since {since}: ", kind.code()), Tone::Bad),
            (detail.clone(), Tone::Plain),
        ]);
        out.line(&format!("    `wickline ledger lift {n}` says that it was seen to"));
    }
    if notices.is_empty() {
        out.line("nothing is to be told of the stores");
    }
    Ok(if notices.is_empty() { Exit::Done } else { Exit::NotClean })
}

/// What a look at a store that is there says of its schema. None: it is this program's.
fn older<T>(looked: Result<T, StoreError>) -> Result<Option<i64>, StoreError> {
    match looked {
        Ok(_) => Ok(None),
        Err(StoreError::Older { found, .. }) => Ok(Some(found)),
        Err(error) => Err(error),
    }
}

/// Whether the tape was read into a ledger.
async fn remembers(bench: &Bench) -> Result<bool, StoreError> {
    let tape = Tape::look(&bench.tape).await?;
    let seen = tape.ledger_seen().await?;
    tape.db().close().await?;
    Ok(seen.is_some())
}

async fn migrated(config: Option<PathBuf>, who: &As, out: &Output) -> Answer {
    let bench = bench(config)?;
    let tape = match Tape::look(&bench.tape).await {
        Ok(tape) => older(tape.db().close().await)?,
        // Whoever sees to a server has no tape there.
        Err(StoreError::Absent { .. }) => None,
        other => older(other)?,
    };
    let ledger = match Ledger::look(bench.ledger.clone()).await {
        Ok(ledger) => older(ledger.close().await)?,
        // Only a person begins anew where the tape remembers one.
        Err(StoreError::Absent { .. }) if remembers(&bench).await? => Some(0),
        other => older(other)?,
    };
    let mut locks = Vec::new();
    if bench.tape.exists() {
        locks.push(lock(&bench.tape, "tape")?);
    }
    if let Address::Sqlite(path) = &bench.ledger {
        locks.push(lock(path, "ledger")?);
    }
    let mut items = Vec::new();
    if let Some(was) = tape {
        let (tape, _) = Tape::open(&bench.tape, 0, None).await?;
        items.push((bench.tape.display().to_string(), was, tape.db().schema_known()));
        tape.db().close().await?;
    }
    if let Some(was) = ledger {
        let ledger = Ledger::open(bench.ledger.clone()).await?;
        let became = ledger.schema_known();
        let (before, after) = (format!("schema {was}"), format!("schema {became}"));
        let act = Noted {
            verb: "migrate",
            object: "ledger".into(),
            was: Some(before),
            became: Some(after),
            ..Noted::default()
        };
        ledger.note(&who.actor(&bench.people)?, act).await?;
        items.push((ledger.label(), was, became));
        ledger.close().await?;
    }
    if out.json {
        let item = |(store, was, became): &(String, i64, i64)| {
            let (was, became) = (was.to_string(), became.to_string());
            json!({"store": store, "was": was, "became": became})
        };
        out.document(&json!({"items": items.iter().map(item).collect::<Vec<_>>()}))?;
    }
    for (store, was, became) in &items {
        out.line(&format!("{store}: schema {was} became {became}"));
    }
    if items.is_empty() {
        out.line("the stores are of this program's schema already");
    }
    Ok(Exit::Done)
}

async fn moved(who: &As, from: &str, to: &str, out: &Output) -> Answer {
    let here = std::env::current_dir()?;
    let parse = |text: &str| {
        Address::parse(text, &here).map_err(|allowed| {
            Failure::wrong(format!("`{}`: allowed: {allowed}", masked_address(text)))
        })
    };
    let (from, to) = (parse(from)?, parse(to)?);
    let Address::Sqlite(path) = &from else {
        return Err(Failure::wrong(
            "only a ledger in a file is moved: whether daemons run on a server cannot be known here",
        ));
    };
    if !path.exists() {
        return Err(Failure::unreachable(format!("{}: there is no such file", path.display())));
    }
    let _locked = lock(path, "ledger")?;
    let (old, new) = (Ledger::open_moved(from).await?, Ledger::open(to).await?);
    let counts = old.move_to(&new, &who.actor(&People::default())?).await?;
    if out.json {
        let rows: Vec<_> =
            counts.iter().map(|(table, rows)| json!({"table": table, "rows": rows})).collect();
        out.document(&json!({"from": old.label(), "to": new.label(), "moved": rows}))?;
    }
    for (table, rows) in &counts {
        out.line(&format!("{rows:>9} rows of {table}"));
    }
    out.line(&format!("moved to {}: name it as store.ledger; the old file is barred", new.label()));
    Ok(Exit::Done)
}
