//! `queue`: what is not yet accepted, and what a person may do about it.

mod board;
mod by_hand;
mod calls;
mod compare;
mod one_message;

use std::path::PathBuf;

use clap::{Args, Subcommand};
use serde_json::json;

use super::held::identify;
use super::output::{Output, visible};
use super::{Answer, As, Desk, Exit, Failure, Why, id};
use crate::acts::retry::{Resent, Went, Which};
use crate::sheet::todo::word;
use crate::store::lists::names::{Listed, Typed, Unchosen, chosen};
use crate::store::lists::queue::Asked;
use crate::store::state::State;
use crate::store::trail::Actor;

/// `wickline queue`, `wickline queue retry --refused`, `wickline queue pause lis`
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    act: Option<Act>,
    #[command(flatten)]
    filter: Filter,
    /// Look again every second until nothing waits
    #[arg(long)]
    follow: bool,
    #[command(flatten)]
    who: As,
}

/// Which messages.
#[derive(Clone, Debug, Args)]
struct Filter {
    /// Only for this receiver
    #[arg(long, value_name = "ID")]
    receiver: Option<String>,
    /// Only of this analyzer
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// Only in this state: waiting, refused, set-aside or accepted
    #[arg(long, value_parser = ["waiting", "refused", "set-aside", "accepted"])]
    state: Option<String>,
    /// At most so many, in the order of sending [default: 40 for people, 1000 with --json]
    #[arg(long, value_parser = clap::value_parser!(i64).range(0..=100_000))]
    limit: Option<i64>,
    /// Only those after this message (a control id, or 17@lis): the next page
    #[arg(long, value_name = "ID")]
    after: Option<String>,
}

impl Filter {
    /// `queue compare` looks at all that one receiver was told.
    fn is_of_receiver_alone(&self, follow: bool) -> Result<(), Failure> {
        let given = [
            ("--analyzer", self.analyzer.is_some()),
            ("--state", self.state.is_some()),
            ("--limit", self.limit.is_some()),
            ("--after", self.after.is_some()),
            ("--follow", follow),
        ];
        match given.into_iter().find(|(_, given)| *given) {
            Some((name, _)) => Err(Failure::wrong(format!(
                "`queue compare` takes no {name}: all that the receiver was told is compared"
            ))),
            None => Ok(()),
        }
    }
}

#[derive(Debug, Subcommand)]
enum Act {
    /// One message with its bytes, the receiver's answer and the fields that it points at; and every other
    /// message of the same report there
    Show { id: String },
    /// Keep messages back and let the rest pass; `queue retry` puts them into the queue again
    Hold {
        /// Reports (17), where it matters at a receiver (17@lis), or ranges (12-40, 12-40@lis)
        #[arg(required = true)]
        ids: Vec<String>,
        #[command(flatten)]
        why: Why,
    },
    /// Send again: refused messages, or messages kept back. What a mended configuration changes goes as a
    /// new message; what is the same goes as the same bytes
    Retry {
        /// Reports (17), where it matters at a receiver (17@lis), or ranges (12-40, 12-40@lis)
        #[arg(required_unless_present = "refused")]
        ids: Vec<String>,
        /// Every refused message (of --receiver, where given)
        #[arg(long, conflicts_with = "ids")]
        refused: bool,
        /// The right specimen id, where the refused one was wrong: its report goes anew under this one
        #[arg(long, value_name = "ID", conflicts_with = "refused")]
        specimen: Option<String>,
        /// The specimen id a second time; at a terminal it is asked for
        #[arg(long, value_name = "ID", requires = "specimen")]
        again: Option<String>,
    },
    /// Decide that messages are not to be sent
    SetAside {
        /// Reports (17), where it matters at a receiver (17@lis), or ranges (12-40, 12-40@lis)
        #[arg(required = true)]
        ids: Vec<String>,
        #[command(flatten)]
        why: Why,
    },
    /// Stop delivery to a receiver
    Pause { receiver: String },
    /// Let delivery to a receiver go on, also after a stop
    Resume { receiver: String },
    /// What waits with its readings, to report by hand while a receiver is down
    Print {
        /// Into a page for A4
        #[arg(long, value_name = "FILE")]
        html: Option<PathBuf>,
    },
    /// The telephone list: urgent results that no receiver has, and who was told today
    Calls,
    /// What a receiver filed, by its own export, against what it was told: value, unit, flag and status of each
    /// result. For go-live, and whenever there is doubt
    Compare(compare::Options),
    /// What each receiver accepted on a day, with first and last control id, to compare with its count;
    /// and what is not accepted, by receiver and analyzer
    Counts {
        /// Local date, YYYY-MM-DD [default: today]
        #[arg(long)]
        day: Option<String>,
    },
}

pub async fn queue(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let asks = matches!(
        options.act,
        None | Some(
            Act::Calls
                | Act::Show { .. }
                | Act::Print { .. }
                | Act::Counts { .. }
                | Act::Compare(_)
        )
    );
    Desk::with(config, asks, async |desk| obey(desk, options, out).await).await
}

async fn obey(desk: &Desk, options: Options, out: &Output) -> Answer {
    let (who, filter) = (&options.who, &options.filter);
    match options.act {
        None if options.follow => board::follow(desk, &asked(desk, filter, out).await?, out).await,
        None => board::list(desk, &asked(desk, filter, out).await?, out).await,
        Some(Act::Compare(compared)) => {
            filter.is_of_receiver_alone(options.follow)?;
            compare::compare(desk, &compared, filter.receiver.as_deref(), out).await
        }
        Some(Act::Show { id: text }) => one_message::show(desk, &text, out).await,
        Some(Act::Hold { ids, why }) => {
            let named = Named { verb: "hold", more: why.again() + &who.again(), fits: may_wait };
            let ids = named.messages(desk, &ids).await?;
            let reason = desk.reason(&why, out)?;
            desk.ledger.message_hold(&desk.actor(who)?, &ids, &reason).await?;
            done(out, &format!("{} message(s) kept back; the rest passes", ids.len()))
        }
        Some(Act::Retry { ids, refused, specimen, again: second }) => {
            let actor = desk.actor(who)?;
            let again = if refused {
                Which::Refused { receiver: filter.receiver.clone() }
            } else {
                let renames = specimen.as_deref();
                let renames = renames.map_or(String::new(), |s| format!(" --specimen {}", word(s)));
                let named = Named { verb: "retry", more: renames + &who.again(), fits: is_stuck };
                Which::These(named.messages(desk, &ids).await?)
            };
            if let (Some(specimen), Which::These(ids)) = (specimen, &again) {
                let given = (specimen.as_str(), second.as_deref());
                return renamed(desk, &actor, ids, given, out).await;
            }
            tell_resent(&desk.ledger.message_retry(&desk.bench, &actor, &again).await?, out)
        }
        Some(Act::SetAside { ids, why }) => {
            let named =
                Named { verb: "set-aside", more: why.again() + &who.again(), fits: is_open };
            let ids = named.messages(desk, &ids).await?;
            let reason = desk.reason(&why, out)?;
            desk.ledger.message_set_aside(&desk.actor(who)?, &ids, &reason).await?;
            done(out, &format!("{} message(s) set aside", ids.len()))
        }
        Some(Act::Pause { receiver }) => gate(desk, who, &receiver, true, out).await,
        Some(Act::Resume { receiver }) => gate(desk, who, &receiver, false, out).await,
        Some(Act::Print { html }) => {
            by_hand::print(desk, &asked(desk, filter, out).await?, html.as_deref(), out).await
        }
        Some(Act::Calls) => calls::list(desk, out).await,
        Some(Act::Counts { day }) => board::counts(desk, day.as_deref(), out).await,
    }
}

async fn asked(desk: &Desk, filter: &Filter, out: &Output) -> Result<Asked, Failure> {
    let mut asked = Asked {
        receiver: filter.receiver.clone(),
        analyzer: filter.analyzer.clone(),
        limit: filter.limit.unwrap_or(if out.json { 1000 } else { 40 }),
        ..Asked::default()
    };
    if let Some(state) = &filter.state {
        asked.states = State::of(state).into_iter().collect();
    }
    if let Some(after) = &filter.after {
        let typed = Typed::parse(after).map_err(Failure::wrong)?;
        let all = desk.ledger.messages_named(&typed).await?;
        let last = all.last().ok_or_else(|| nothing(after))?;
        asked.after = last.n;
    }
    Ok(asked)
}

fn nothing(text: &str) -> Failure {
    Failure::wrong(format!("nothing went to a receiver as {text}; `wickline queue` lists what did"))
}

fn may_wait(message: &Listed) -> bool {
    message.state == State::Waiting && !message.kept_back
}

fn is_stuck(message: &Listed) -> bool {
    let waits = message.state == State::Waiting && message.kept_back;
    message.state == State::Refused || waits || message.set_aside
}

fn is_open(message: &Listed) -> bool {
    matches!(message.state, State::Waiting | State::Refused)
}

/// An act on messages that people name.
struct Named {
    verb: &'static str,
    /// What else stands on the command line.
    more: String,
    fits: fn(&Listed) -> bool,
}

impl Named {
    /// The messages that these names mean, each once; where they mean several, each as a command.
    async fn messages(&self, desk: &Desk, texts: &[String]) -> Result<Vec<i64>, Failure> {
        let mut ids = Vec::new();
        for text in texts {
            let typed = Typed::parse(text).map_err(Failure::wrong)?;
            let all = desk.ledger.messages_named(&typed).await?;
            // What a person decided not to send goes only where nothing else of the report needs them.
            let open: Vec<Listed> = all.iter().filter(|m| !m.set_aside).cloned().collect();
            let all = if open.iter().any(self.fits) { open } else { all };
            match chosen(&typed, &all, self.fits) {
                Ok(found) => ids.extend(found),
                Err(Unchosen::Several(names)) => return Err(self.several(text, &names)),
                Err(Unchosen::None) => return Err(self.none(text, &all)),
            }
        }
        ids.sort_unstable();
        ids.dedup();
        Ok(ids)
    }

    fn several(&self, text: &str, names: &[String]) -> Failure {
        let command = |n: &String| format!("`wickline queue {} {n}{}`", self.verb, self.more);
        let commands: Vec<String> = names.iter().map(command).collect();
        Failure::wrong(format!(
            "{text} is at several receivers: {}. Nothing was changed",
            commands.join(", ")
        ))
    }

    fn none(&self, text: &str, all: &[Listed]) -> Failure {
        let must_be = match self.verb {
            "hold" => "waiting and not kept back already",
            "retry" => "refused, kept back or set aside by a person",
            _ => "waiting or refused",
        };
        match all.last() {
            None => nothing(text),
            Some(last) => Failure::wrong(format!(
                "nothing of {text} is {must_be}; `wickline queue show {}` tells. Nothing was changed",
                last.name
            )),
        }
    }
}

async fn renamed(
    desk: &Desk,
    actor: &Actor,
    ids: &[i64],
    (specimen, again): (&str, Option<&str>),
    out: &Output,
) -> Answer {
    let [one] = *ids else {
        return Err(Failure::wrong("a specimen id is given to one message at a time"));
    };
    let whole = desk.ledger.message(one, desk.clock()).await?;
    let report = whole.map_or(Ok(one), |w| id(&w.item.id))?;
    let asked = identify::SPECIMEN;
    let specimen =
        &identify::confirmed((desk, actor), report, asked, Some(specimen), again, out).await?;
    let done = desk.ledger.report_renamed(&desk.bench, actor, one, specimen).await?;
    super::report::tell_withdrawn(&done, out)
}

fn tell_resent(resent: &[Resent], out: &Output) -> Answer {
    if out.json {
        let items: Vec<_> = resent
            .iter()
            .map(|r| {
                let instead = r.went.instead().map(|_| &r.name);
                let aside = matches!(r.went, Went::SaidSince(_));
                json!({
                    "id": r.name.report.to_string(), "message": r.name,
                    "instead": instead, "set_aside": aside, "left": r.left,
                })
            })
            .collect();
        out.document(&json!({ "items": items }))?;
        return left(resent);
    }
    let count = |of: fn(&Went) -> bool| resent.iter().filter(|r| of(&r.went)).count();
    let (same, anew) = (count(|w| *w == Went::Same), count(|w| matches!(w, Went::Anew(_))));
    out.line(&format!(
        "{} message(s) back in the queue: {same} as the same bytes, {anew} built anew with new control ids",
        same + anew
    ));
    for one in resent {
        let name = &one.name;
        match one.went {
            Went::Same | Went::Nowhere => {}
            Went::Anew(_) => out.line(&format!("{name} goes with what is right now")),
            Went::SaidSince(Some(_)) => {
                out.line(&format!("{name}: set aside, a newer message says it since"));
            }
            Went::SaidSince(None) => {
                out.line(&format!("{name}: set aside, it would say nothing new"));
            }
        }
    }
    left(resent)
}

/// Says which could not go: what one is refused, the others are not.
fn left(resent: &[Resent]) -> Answer {
    for one in resent {
        if let Some(why) = &one.left {
            eprintln!("wickline: {}", visible(&format!("{} stays as it is: {why}", one.name)));
        }
    }
    let all = resent.iter().all(|one| one.left.is_none());
    Ok(if all { Exit::Done } else { Exit::NotClean })
}

fn done(out: &Output, text: &str) -> Answer {
    if out.json {
        out.document(&json!({ "done": text }))?;
    }
    out.line(text);
    Ok(Exit::Done)
}

async fn gate(desk: &Desk, who: &As, receiver: &str, pause: bool, out: &Output) -> Answer {
    if !desk.bench.targets.iter().any(|t| t.id == receiver) {
        let known: Vec<&str> = desk.bench.targets.iter().map(|t| t.id.as_str()).collect();
        return Err(Failure::wrong(format!(
            "no receiver `{receiver}` is configured; known: {}",
            known.join(", ")
        )));
    }
    desk.ledger.receiver_pause(&desk.actor(who)?, receiver, pause).await?;
    done(out, &format!("delivery to {receiver} {}", if pause { "is paused" } else { "goes on" }))
}
