//! `user`: who may use the console, by whom and as what.

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;

use super::output::{Output, visible};
use super::{Answer, As, Desk, Exit};
use crate::acts::people::{CODE_US, Code, Person, PersonRole};
use crate::clock;
use crate::store::trail::Actor;
use crate::views::people::document;

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
    /// Who may use the console, as what, and when they were last there; and which programs may ask
    List,
    /// Lets somebody in: prints a one-time code with which they choose a password
    Add {
        name: String,
        #[arg(long, value_name = "ROLE")]
        role: PersonRole,
    },
    /// Gives somebody another role
    Role { name: String, role: PersonRole },
    /// Prints a new one-time code: password and badge count no more, and their sessions end
    Code { name: String },
    /// Prints what stands on a badge for somebody, to be made a barcode; or takes the badge away
    Badge {
        name: String,
        /// It was lost or given back: it opens nothing any more, and their sessions end
        #[arg(long)]
        take: bool,
    },
    /// Lets a program ask for JSON under /api/: prints the token that it sends with each request; or takes it away
    Token {
        name: String,
        /// As what it may look
        #[arg(long, value_name = "ROLE", required_unless_present = "take")]
        role: Option<PersonRole>,
        /// It may ask no more
        #[arg(long, conflicts_with = "role")]
        take: bool,
    },
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
        Act::Badge { name, take: true } => {
            desk.ledger.badge_take(&actor, &name).await?;
            done(&name, "has no badge any more", out)?;
        }
        Act::Badge { name, take: false } => badge(desk, &actor, &name, out).await?,
        Act::Token { name, role: Some(role), .. } => token(desk, &actor, &name, role, out).await?,
        Act::Token { name, .. } => {
            desk.ledger.token_remove(&actor, &name).await?;
            done(&name, "may ask no more", out)?;
        }
    }
    Ok(Exit::Done)
}

/// Gives a badge, and shows once what stands on it.
async fn badge(desk: &Desk, actor: &Actor, name: &str, out: &Output) -> Result<(), super::Failure> {
    let Some(prefix) = &desk.bench.console_rules.badge else {
        return Err(super::Failure::wrong(
            "badges are off: write `badge` of [console], the prefix by which no badge is taken for a specimen",
        ));
    };
    let text = desk.ledger.badge_give(actor, name, prefix).await?;
    if out.json {
        out.document(&json!({"name": name, "badge": text}))?;
    }
    out.line(&format!("on the badge of {}, as a barcode (Code 128):", visible(name)));
    out.line(&format!("    {text}"));
    out.line(
        "it is shown only here; the PIN that belongs to it they choose on their own page (`Yours`)",
    );
    Ok(())
}

/// Lets a program in, and shows its token once.
async fn token(
    desk: &Desk,
    actor: &Actor,
    name: &str,
    role: PersonRole,
    out: &Output,
) -> Result<(), super::Failure> {
    let key = desk.ledger.token_add(actor, name, role).await?;
    if out.json {
        out.document(&json!({"name": name, "role": role, "token": key}))?;
    }
    out.line(&format!("{} sends with each request:", visible(name)));
    out.line(&format!("    Authorization: Bearer {key}"));
    out.line("the token is shown only here; whoever has it sees what the role may see");
    Ok(())
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
    let (people, tokens) = (desk.ledger.people().await?, desk.ledger.tokens().await?);
    if out.json {
        out.document(&document(&people, &tokens, desk.clock()))?;
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
    for one in &tokens {
        let at = |at: i64| desk.clock().rfc3339(at);
        let asked =
            one.seen_at.map_or("never asked".to_owned(), |t| format!("last asked {}", at(t)));
        let role = one.role.code();
        out.line(&format!("{:<24} {role:<13} a program, {asked}", visible(&one.name)));
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
