//! `queue`: what is not yet accepted, and what a person may do about it.

mod board;
mod paper;
mod whole;

use std::path::PathBuf;

use clap::builder::NonEmptyStringValueParser;
use clap::{Args, Subcommand};
use serde_json::json;

use super::output::Output;
use super::{Answer, As, Desk, Exit, Failure, id, identify};
use crate::acts::retry::{Again, Resent, Went};
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
    /// At most so many, oldest first [default: 40 for people, 1000 with --json]
    #[arg(long, value_parser = clap::value_parser!(i64).range(0..=100_000))]
    limit: Option<i64>,
    /// Only those after this message: the next page
    #[arg(long, value_name = "ID")]
    after: Option<String>,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// One message with its bytes, the receiver's answer and the fields that it points at
    Show { id: String },
    /// Keep messages back and let the rest pass; `queue retry` puts them into the queue again
    Hold {
        /// Ids, or ranges such as 12-40
        #[arg(required = true)]
        ids: Vec<String>,
        #[arg(long, value_parser = NonEmptyStringValueParser::new())]
        reason: String,
    },
    /// Send again: refused messages, or messages kept back. What a mended configuration changes goes as a
    /// new message; what is the same goes as the same bytes
    Retry {
        /// Ids, or ranges such as 12-40
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
        /// Ids, or ranges such as 12-40
        #[arg(required = true)]
        ids: Vec<String>,
        #[arg(long, value_parser = NonEmptyStringValueParser::new())]
        reason: String,
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
    /// What each receiver accepted on a day, with first and last control id, to compare with its count;
    /// and what is not accepted, by receiver and analyzer
    Counts {
        /// Local date, YYYY-MM-DD [default: today]
        #[arg(long)]
        day: Option<String>,
    },
}

pub async fn queue(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let desk = Desk::open(config).await?;
    let actor = options.who.actor();
    let asked = asked(&options.filter, out)?;
    match options.act {
        None if options.follow => board::follow(&desk, &asked, out).await,
        None => board::list(&desk, &asked, out).await,
        Some(Act::Show { id: text }) => whole::show(&desk, &text, out).await,
        Some(Act::Hold { ids, reason }) => {
            let ids = ranges(&ids)?;
            desk.ledger.message_hold(&actor, &ids, &reason).await?;
            done(out, &format!("{} message(s) kept back; the rest passes", ids.len()))
        }
        Some(Act::Retry { ids, refused, specimen, again }) => {
            let again = match (specimen, refused) {
                (Some(specimen), _) => {
                    return renamed(&desk, &actor, &ids, [Some(&specimen), again.as_ref()], out)
                        .await;
                }
                (None, true) => Again::Refused { receiver: asked.receiver },
                (None, false) => Again::These(ranges(&ids)?),
            };
            tell_resent(&desk.ledger.message_retry(&desk.bench, &actor, &again).await?, out)
        }
        Some(Act::SetAside { ids, reason }) => {
            let ids = ranges(&ids)?;
            desk.ledger.message_set_aside(&actor, &ids, &reason).await?;
            done(out, &format!("{} message(s) set aside", ids.len()))
        }
        Some(Act::Pause { receiver }) => gate(&desk, &actor, &receiver, true, out).await,
        Some(Act::Resume { receiver }) => gate(&desk, &actor, &receiver, false, out).await,
        Some(Act::Print { html }) => paper::print(&desk, &asked, html.as_deref(), out).await,
        Some(Act::Counts { day }) => board::counts(&desk, day.as_deref(), out).await,
    }
}

fn asked(filter: &Filter, out: &Output) -> Result<Asked, Failure> {
    let mut asked = Asked {
        receiver: filter.receiver.clone(),
        analyzer: filter.analyzer.clone(),
        limit: filter.limit.unwrap_or(if out.json { 1000 } else { 40 }),
        ..Asked::default()
    };
    if let Some(state) = &filter.state {
        asked.states = vec![State::of(state)];
    }
    if let Some(after) = &filter.after {
        asked.after = id(after)?;
    }
    Ok(asked)
}

/// Ids and ranges of ids as people type them: `7 12-40`.
fn ranges(texts: &[String]) -> Result<Vec<i64>, Failure> {
    const MOST: i64 = 100_000;
    let mut ids = Vec::new();
    for text in texts {
        match text.split_once('-') {
            None => ids.push(id(text)?),
            Some((first, last)) => {
                let (first, last) = (id(first)?, id(last)?);
                if last < first || last - first >= MOST {
                    return Err(Failure::wrong(format!(
                        "`{text}` is no range of at most {MOST} ids, the smaller first"
                    )));
                }
                ids.extend(first..=last);
            }
        }
    }
    ids.sort_unstable();
    ids.dedup();
    Ok(ids)
}

async fn renamed(
    desk: &Desk,
    actor: &Actor,
    ids: &[String],
    [specimen, again]: [Option<&String>; 2],
    out: &Output,
) -> Answer {
    let ([one], Some(specimen)) = (&ranges(ids)?[..], specimen) else {
        return Err(Failure::wrong("a specimen id is given to one message at a time"));
    };
    let (one, again) = (*one, again.map(String::as_str));
    let whole = desk.ledger.message(one, desk.clock()).await?;
    let report = whole.map_or(Ok(one), |w| id(&w.item.report))?;
    let asked = identify::SPECIMEN;
    let specimen = &identify::confirmed(desk, report, asked, specimen, again, out).await?;
    let done = desk.ledger.report_renamed(&desk.bench, actor, one, specimen).await?;
    super::report::tell_withdrawn(&done, out)
}

fn tell_resent(resent: &[Resent], out: &Output) -> Answer {
    if out.json {
        let items: Vec<_> = resent
            .iter()
            .map(|r| {
                let instead = r.went.instead().map(|n| n.to_string());
                let aside = matches!(r.went, Went::SaidSince(_));
                json!({"id": r.n.to_string(), "instead": instead, "set_aside": aside})
            })
            .collect();
        out.document(&json!({ "items": items }))?;
        return Ok(Exit::Done);
    }
    let count = |of: fn(&Went) -> bool| resent.iter().filter(|r| of(&r.went)).count();
    let (same, anew) = (count(|w| *w == Went::Same), count(|w| matches!(w, Went::Anew(_))));
    out.line(&format!(
        "{} message(s) back in the queue: {same} as the same bytes, {anew} built anew with new control ids",
        same + anew
    ));
    for one in resent {
        match one.went {
            Went::Same => {}
            Went::Anew(new) => out.line(&format!("message {new} goes in place of {}", one.n)),
            Went::SaidSince(Some(other)) => {
                out.line(&format!("message {} is set aside: message {other} says it since", one.n));
            }
            Went::SaidSince(None) => {
                out.line(&format!("message {} is set aside: it would say nothing new", one.n));
            }
        }
    }
    Ok(Exit::Done)
}

fn done(out: &Output, text: &str) -> Answer {
    if out.json {
        out.document(&json!({ "done": text }))?;
    }
    out.line(text);
    Ok(Exit::Done)
}

async fn gate(desk: &Desk, actor: &Actor, receiver: &str, pause: bool, out: &Output) -> Answer {
    if !desk.bench.targets.iter().any(|t| t.id == receiver) {
        let known: Vec<&str> = desk.bench.targets.iter().map(|t| t.id.as_str()).collect();
        return Err(Failure::wrong(format!(
            "no receiver `{receiver}` is configured; known: {}",
            known.join(", ")
        )));
    }
    desk.ledger.receiver_pause(actor, receiver, pause).await?;
    done(out, &format!("delivery to {receiver} {}", if pause { "is paused" } else { "goes on" }))
}

#[cfg(test)]
mod tests {
    use super::ranges;

    #[test]
    fn ids_and_ranges_are_read_once_each() {
        let read = |texts: &[&str]| {
            ranges(&texts.iter().map(|t| (*t).to_owned()).collect::<Vec<_>>()).ok()
        };
        assert_eq!(read(&["7", "3-5", "4"]), Some(vec![3, 4, 5, 7]));
        for wrong in ["", "x", "5-3", "1-200000", "-3", "0"] {
            assert_eq!(read(&[wrong]), None, "{wrong}");
        }
    }
}
