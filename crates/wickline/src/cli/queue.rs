//! `queue`: what is not yet accepted, and what a person may do about it.

use std::path::PathBuf;

use clap::builder::NonEmptyStringValueParser;
use clap::{Args, Subcommand};
use serde_json::json;

use super::output::{Output, plain, state};
use super::{Answer, As, Desk, Exit, Failure, id};
use crate::store::ledger::views::{QueueItem, totals};

/// `wickline queue`, `wickline queue retry --refused`, `wickline queue pause lis`
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    act: Option<Act>,
    #[command(flatten)]
    who: As,
}

#[derive(Debug, Subcommand)]
enum Act {
    /// One message with its bytes and the receiver's answer
    Show { id: String },
    /// Keep one message back and let the rest pass; `queue retry` puts it into the queue again
    Hold {
        id: String,
        #[arg(long, value_parser = NonEmptyStringValueParser::new())]
        reason: String,
    },
    /// Send again: refused messages, or messages kept back
    Retry {
        #[arg(required_unless_present = "refused")]
        ids: Vec<String>,
        /// Every refused message
        #[arg(long, conflicts_with = "ids")]
        refused: bool,
    },
    /// Decide that a message is not to be sent
    SetAside {
        id: String,
        #[arg(long, value_parser = NonEmptyStringValueParser::new())]
        reason: String,
    },
    /// Stop delivery to a receiver
    Pause { receiver: String },
    /// Let delivery to a receiver go on, also after a stop
    Resume { receiver: String },
}

pub async fn queue(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let desk = Desk::open(config).await?;
    let actor = options.who.actor();
    match options.act {
        None => list(&desk, out).await,
        Some(Act::Show { id: text }) => show(&desk, &text, out).await,
        Some(Act::Hold { id: text, reason }) => {
            desk.ledger.message_hold(&actor, id(&text)?, &reason).await?;
            done(out, &format!("message {text} is kept back; the rest passes"))
        }
        Some(Act::Retry { ids, refused }) => {
            let ids = ids.iter().map(|t| id(t)).collect::<Result<Vec<_>, _>>()?;
            let count = desk.ledger.message_retry(&actor, (!refused).then_some(&ids)).await?;
            done(
                out,
                &format!("{count} message(s) back in the queue, same bytes, same control ids"),
            )
        }
        Some(Act::SetAside { id: text, reason }) => {
            desk.ledger.message_set_aside(&actor, id(&text)?, &reason).await?;
            done(out, &format!("message {text} is set aside"))
        }
        Some(Act::Pause { receiver }) => gate(&desk, &actor, &receiver, true, out).await,
        Some(Act::Resume { receiver }) => gate(&desk, &actor, &receiver, false, out).await,
    }
}

fn done(out: &Output, text: &str) -> Answer {
    if out.json {
        out.document(&json!({ "done": text }))?;
    }
    out.line(text);
    Ok(Exit::Done)
}

async fn gate(
    desk: &Desk,
    actor: &crate::store::ledger::Actor,
    receiver: &str,
    pause: bool,
    out: &Output,
) -> Answer {
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

async fn list(desk: &Desk, out: &Output) -> Answer {
    let items = desk.ledger.queue(None, desk.clock()).await?;
    let mut gates = Vec::new();
    for target in &desk.bench.targets {
        gates.push((target.id.clone(), desk.ledger.gate(&target.id).await?));
    }
    let orphans = desk.ledger.queue_orphans(&desk.bench).await?;
    let refused = items.iter().any(|i| i.state == "refused");
    let stopped = gates.iter().any(|(_, g)| g.stopped);
    if out.json {
        let receivers: Vec<_> = gates
            .iter()
            .map(|(id, g)| json!({"id": id, "paused": g.paused, "stopped": g.stopped, "detail": g.detail}))
            .collect();
        let mut sums = totals(items.iter().map(|i| i.state.as_str()));
        for (state, count) in desk.ledger.message_counts().await? {
            if let Some(sum) = sums.get_mut(state.as_str()) {
                *sum = u64::try_from(count).unwrap_or(0);
            }
        }
        let orphans: Vec<_> =
            orphans.iter().map(|(id, many)| json!({"id": id, "waiting": many})).collect();
        out.document(&json!({
            "items": items, "totals": sums, "receivers": receivers, "not_configured": orphans,
        }))?;
    } else {
        for (id, many) in &orphans {
            out.line(&format!(
                "{many} message(s) wait for {id}, which is not configured any more: configure it \
                 again, or set them aside"
            ));
        }
        print_list(&items, &gates, out);
    }
    Ok(if refused || stopped || !orphans.is_empty() { Exit::NotClean } else { Exit::Done })
}

fn print_list(
    items: &[QueueItem],
    gates: &[(String, crate::store::ledger::queue::Gate)],
    out: &Output,
) {
    for (id, gate) in gates.iter().filter(|(_, g)| g.paused || g.stopped) {
        let what = if gate.stopped { "stopped" } else { "paused" };
        let why = gate.detail.as_deref().unwrap_or("by a person");
        out.line(&format!("delivery to {id} is {what}: {why}"));
    }
    if items.is_empty() {
        out.line("nothing waits: every message was accepted or set aside");
        return;
    }
    let rows: Vec<_> = items
        .iter()
        .map(|i| {
            vec![
                plain(&i.id),
                plain(&i.receiver),
                plain(&i.analyzer),
                plain(i.number.as_deref().unwrap_or("-")),
                state(if i.on_hold { "held" } else { &i.state }),
                plain(i.attempts.to_string()),
                plain(i.next_attempt_at.as_deref().unwrap_or("-")),
                plain(i.detail.as_deref().or(i.reason.as_deref()).unwrap_or("")),
            ]
        })
        .collect();
    out.table(
        &["id", "receiver", "analyzer", "number", "state", "tries", "next try", "why"],
        &rows,
    );
}

async fn show(desk: &Desk, text: &str, out: &Output) -> Answer {
    let n = id(text)?;
    let items = desk.ledger.queue(Some(n), desk.clock()).await?;
    let (Some(item), Some((body, answer))) = (items.first(), desk.ledger.message_body(n).await?)
    else {
        return Err(Failure::wrong(format!(
            "there is no message {text}; `wickline queue` lists them"
        )));
    };
    let words = crate::pipeline::compose::text;
    if out.json {
        let mut value = serde_json::to_value(item).unwrap_or_default();
        value["message"] = json!(words(&body));
        value["answer"] = json!(answer.as_deref().map(words));
        out.document(&value)?;
        return Ok(Exit::Done);
    }
    out.line(&format!(
        "message {} to {} ({}), {}, {} tries",
        item.id, item.receiver, item.control_id, item.state, item.attempts
    ));
    if let Some(detail) = &item.detail {
        out.line(detail);
    }
    for segment in words(&body).split('\r').filter(|s| !s.is_empty()) {
        out.line(segment);
    }
    if let Some(answer) = answer {
        out.line("answer:");
        for segment in words(&answer).split('\r').filter(|s| !s.is_empty()) {
            out.line(segment);
        }
    }
    Ok(Exit::Done)
}
