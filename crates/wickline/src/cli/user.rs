//! `user`: who may use the console, by whom and as what.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;

use super::output::{Output, visible};
use super::{Answer, As, Desk, Exit};
use crate::acts::people::{CODE_US, Code, Person, PersonRole};
use crate::clock;

/// `wickline user list`, `wickline user add "J. Mast" --role technologist`
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    act: Act,
    #[command(flatten)]
    who: As,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// Who may use the console, as what, and when they were last there
    List,
    /// Lets somebody in: prints a one-time code with which they choose a password
    Add {
        name: String,
        #[arg(long, value_name = "ROLE")]
        role: PersonRole,
    },
    /// Gives somebody another role
    Role { name: String, role: PersonRole },
    /// Prints a new one-time code: the password counts no more, and their sessions end
    Code { name: String },
    /// Takes somebody out and ends their sessions; what they did stays in the trail
    Remove { name: String },
}

pub async fn user(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let asks = matches!(options.act, Act::List);
    Desk::with(config, asks, async |desk| obey(desk, options, out).await).await
}

async fn obey(desk: &Desk, options: Options, out: &Output) -> Answer {
    let actor = desk.actor(&options.who)?;
    match options.act {
        Act::List => list(desk, out).await?,
        Act::Add { name, role } => {
            let code = desk.ledger.person_add(&actor, &name, role).await?;
            handed(&name, &code, out)?;
        }
        Act::Role { name, role } => {
            desk.ledger.person_role(&actor, &name, role).await?;
            done(&name, &format!("is {} now", role.code()), out)?;
        }
        Act::Code { name } => {
            let code = desk.ledger.person_code(&actor, &name).await?;
            handed(&name, &code, out)?;
        }
        Act::Remove { name } => {
            desk.ledger.person_remove(&actor, &name).await?;
            done(&name, "may use the console no more", out)?;
        }
    }
    Ok(Exit::Done)
}

fn done(name: &str, what: &str, out: &Output) -> Result<(), super::Failure> {
    if out.json {
        out.document(&json!({"name": name, "done": what}))?;
    }
    out.line(&format!("{} {what}", visible(name)));
    Ok(())
}

/// Shows a code, once.
fn handed(name: &str, code: &Code, out: &Output) -> Result<(), super::Failure> {
    let minutes = CODE_US / 60_000_000;
    if out.json {
        out.document(&json!({"name": name, "code": code.text(), "minutes": minutes}))?;
    }
    out.line(&format!(
        "{} chooses a password on the page /first of the console with",
        visible(name)
    ));
    out.line(&format!("    {}", code.text()));
    out.line(&format!(
        "good once, for {minutes} minutes; it is shown only here: hand it over yourself, not by mail"
    ));
    Ok(())
}

async fn list(desk: &Desk, out: &Output) -> Result<(), super::Failure> {
    let people = desk.ledger.people().await?;
    if out.json {
        let items: Vec<_> = people.iter().map(|one| document(desk, one)).collect();
        out.document(&json!({ "items": items }))?;
    }
    if people.is_empty() {
        out.line("nobody may use the console yet: `wickline user add --help` says how somebody is let in");
    }
    for one in &people {
        out.line(&format!(
            "{:<24} {:<13} {}",
            visible(&one.name),
            one.role.code(),
            standing(desk, one)
        ));
    }
    Ok(())
}

/// Whether somebody can sign in, and when they last did.
fn standing(desk: &Desk, one: &Person) -> String {
    let until = one.code_until.filter(|until| clock::now_us() < *until);
    match (&one.secret, until, one.seen_at) {
        (Some(_), _, Some(at)) => format!("last signed in {}", desk.clock().rfc3339(at)),
        (Some(_), _, None) => "never signed in".into(),
        (None, Some(at), _) => format!("has a code until {}", desk.clock().rfc3339(at)),
        (None, None, _) => "has no password, and the code is too old: give another one".into(),
    }
}

fn document(desk: &Desk, one: &Person) -> serde_json::Value {
    json!({
        "name": one.name,
        "role": one.role,
        "since": desk.clock().rfc3339(one.since),
        "has_password": one.secret.is_some(),
        "code_until": one.code_until.map(|at| desk.clock().rfc3339(at)),
        "last_signed_in": one.seen_at.map(|at| desk.clock().rfc3339(at)),
    })
}
