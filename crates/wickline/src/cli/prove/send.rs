//! `prove --send`: test messages to a receiver that may have them, and what it answered.

use std::io::{BufRead, IsTerminal, Write};

use wickline_forward::deliver::{Courier, Outcome};
use wickline_forward::verdict::Verdict as Answered;

use super::Proof;
use crate::cli::Failure;
use crate::cli::output::{Output, visible};
use crate::prove::Row;
use crate::settings::Loaded;
use crate::settings::bench::{Bench, Target};
use crate::store::trail::Act;

/// Sends each message, one after the other, and notes what was answered. Nothing is tried again: the
/// first message without a connection or an answer ends it.
pub(super) async fn send(target: &Target, rows: &mut [Row]) -> Result<(), Failure> {
    let mut courier = Courier::new(target.addresses.clone(), target.limits.clone());
    for row in rows.iter_mut() {
        let Some(body) = &row.body else { continue };
        courier.offer(1, &row.control_id, body.clone());
        let outcome = courier.next().await.pop().map(|(_, outcome)| outcome);
        row.answered = match outcome {
            Some(Outcome::Settled { verdict, .. }) => match verdict {
                Answered::Accepted => "accepted".to_owned(),
                Answered::RefusedError { detail } | Answered::RefusedReject { detail } => {
                    format!("refused: {detail}")
                }
                Answered::Busy { detail } => format!("refused, busy: {detail}"),
            },
            Some(Outcome::NotConnected { why }) => {
                return Err(Failure::unreachable(format!("receiver {}: {why}", target.id)));
            }
            Some(Outcome::Unanswered { why }) => {
                row.answered = format!("no answer: {why}");
                return Err(Failure::unreachable(format!(
                    "receiver {} gave no answer to {}: {why}",
                    target.id, row.control_id
                )));
            }
            None => String::new(),
        };
    }
    Ok(())
}

/// Test messages go unasked to a test system alone; elsewhere somebody says so each time.
pub(super) fn agreed(
    loaded: &Loaded,
    bench: &Bench,
    proof: &Proof,
    not_a_test_system: bool,
    out: &Output,
) -> Result<(), Failure> {
    if bench.prove_specimen.is_empty() {
        return Err(Failure::wrong(
            "site.prove_specimen is not set: test messages need a specimen id that no patient can have, such as \
             prove_specimen = \"TEST-PROVE\"; nothing was sent",
        ));
    }
    let receiver = loaded.settings.receiver.iter().find(|r| r.id == proof.receiver);
    if receiver.is_some_and(|r| r.test_system) || not_a_test_system {
        return Ok(());
    }
    let (id, count) = (&proof.receiver, proof.rows.iter().filter(|r| r.body.is_some()).count());
    let messages = if count == 1 { "1 message" } else { &format!("{count} messages") };
    let what = format!(
        "receiver {id} has no test_system = true. {messages} of a proof would go to it: MSH-11 T, specimen {}, \
         as preliminary results",
        bench.prove_specimen
    );
    if out.json || !std::io::stdin().is_terminal() {
        let line = format!("wickline prove --send --not-a-test-system --receiver {id}");
        return Err(Failure::wrong(format!(
            "{what}; nothing was sent. If they know of it there:\n  {line}"
        )));
    }
    eprintln!("{}", visible(&what));
    eprint!("The name of the receiver, if they know of it there: ");
    std::io::stderr().flush()?;
    let mut line = String::new();
    // No name is nearly as long.
    std::io::Read::take(std::io::stdin().lock(), 200).read_line(&mut line)?;
    if line.trim() == id { Ok(()) } else { Err(Failure::wrong("nothing was sent")) }
}

pub(super) fn sending(proof: &Proof) -> Act {
    let messages = proof.rows.iter().filter(|r| r.body.is_some()).count();
    Act {
        verb: "prove",
        object: format!("receiver {}", proof.receiver),
        became: Some(format!(
            "{messages} test messages of {} are sent; proof {}",
            proof.analyzer, proof.fingerprint
        )),
        ..Act::default()
    }
}

pub(super) fn answered(proof: &Proof) -> Act {
    let count = |begins: &str| proof.rows.iter().filter(|r| r.answered.starts_with(begins)).count();
    Act {
        verb: "prove",
        object: format!("receiver {}", proof.receiver),
        became: Some(format!(
            "{} accepted, {} refused, {} without an answer; proof {}",
            count("accepted"),
            count("refused"),
            count("no answer"),
            proof.fingerprint
        )),
        ..Act::default()
    }
}
