//! One test message for who sets up: the first that a proof would send, by the same guards, with what was answered.

use std::path::PathBuf;

use super::truth::Kept;
use super::{as_tests, parties, proof, send};
use crate::cli::output::Output;
use crate::cli::{As, Failure, faults, loaded};
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// Sends one message of the first analyzer to its first receiver, where somebody said that they know of it there;
/// says what was answered. `heard` is what a message is made from where the dialect is a file.
///
/// The trail has it where there is a ledger already; before the first start there is none to write to.
pub async fn one_test_message(
    config: PathBuf,
    heard: &[Vec<u8>],
    out: &Output,
) -> Result<String, Failure> {
    let loaded = as_tests(loaded(Some(config))?);
    let bench = Bench::build(&loaded).map_err(faults)?;
    let (analyzer, target) = parties(&bench, [None, None])?;
    let kept =
        |bytes: &Vec<u8>| Kept { name: "what was heard".into(), bytes: bytes.clone(), truth: None };
    let captures: Vec<Kept> = heard.iter().map(kept).collect();
    let mut proof = proof(&loaded, &bench, analyzer, target, &captures)?;
    proof.rows.retain(|row| row.body.is_some());
    proof.rows.truncate(1);
    if proof.rows.is_empty() {
        return Err(Failure::wrong(
            "no print of this analyzer becomes a message: nothing was sent",
        ));
    }
    send::agreed(&loaded, &bench, &proof, true, out)?;
    let ledger = match Ledger::existing(bench.ledger.clone()).await {
        Ok(ledger) => Some(ledger),
        Err(StoreError::Absent { .. }) => None,
        Err(error) => return Err(error.into()),
    };
    let actor = As::login().actor(&bench.people)?;
    if let Some(ledger) = &ledger {
        ledger.note(&actor, send::sending(&proof)).await?;
    }
    let reached = send::send(target, &mut proof.rows).await;
    if let Some(ledger) = &ledger {
        ledger.note(&actor, send::answered(&proof)).await?;
    }
    reached?;
    let row = proof.rows.pop().ok_or_else(|| Failure::wrong("nothing was sent"))?;
    Ok(format!("{} of {}: {}", row.control_id, row.case, row.answered))
}
