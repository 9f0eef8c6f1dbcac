//! `ledger`: what is done to the ledger as a whole.

use clap::{Args, Subcommand};
use serde_json::json;

use super::output::Output;
use super::{Answer, As, Exit, Failure};
use crate::house::lock;
use crate::settings::bench::People;
use crate::store::db::Address;
use crate::store::ledger::Ledger;

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
}

pub async fn ledger(options: Options, out: &Output) -> Answer {
    let Act::Move { from, to } = &options.act;
    let here = std::env::current_dir()?;
    let parse = |text: &str| {
        Address::parse(text, &here)
            .map_err(|allowed| Failure::wrong(format!("`{text}`: {allowed}")))
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
    let counts = old.move_to(&new, &options.who.actor(&People::default())?).await?;
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
