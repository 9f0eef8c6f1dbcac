//! What holds a report because of the specimen id that it bears: what the orders of that id say, and another result
//! under it. It goes with the id: whoever gives a report another one, or takes one back, has it judged anew here.

use wickline_normalize::{Hold, Reason};

use super::meeting::{self, Strip};
use super::second_result;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::rows::hold;
use crate::store::rows::report::{self, ReportRow};

/// Whether a reason says something of the id, and nothing of the strip.
pub(crate) fn is_of_id(reason: Reason) -> bool {
    reason.is_of_orders() || reason == Reason::SecondResult
}

/// What would hold a report under an id, and which of it is by its orders.
pub(crate) async fn met(
    write: &mut Write,
    bench: &Bench,
    row: &ReportRow,
    specimen: Option<&str>,
) -> Result<(Vec<Hold>, Option<Reason>), StoreError> {
    let second = match specimen.filter(|_| !row.is_control()) {
        Some(id) => second_result::hold(write, bench, id, &row.day, row.root()).await?,
        None => None,
    };
    let met = meeting::meet(write, bench, &Strip { specimen, ..Strip::of(bench, row) }).await?;
    let waits = met.hold().map(|hold| hold.reason);
    Ok((second.into_iter().chain(met.hold().cloned()).collect(), waits))
}

/// A report bears another id from now on: what held it under the one before is cleared, what a person let it go in
/// spite of, and what was said of that, is of the one before too.
pub(crate) async fn changed(write: &mut Write, row: &mut ReportRow) -> Result<(), StoreError> {
    for own in row.holds.iter().filter(|own| is_of_id(own.reason)) {
        hold::clear(write, row.n, own.ix, false).await?;
    }
    row.holds.retain(|own| !is_of_id(own.reason));
    hold::release_ends(write, row.n, is_of_id).await?;
    let before = row.remarks.len();
    row.remarks.retain(|remark| !remark.code.parse().is_ok_and(is_of_id));
    if row.remarks.len() < before {
        report::set_remarks(write, row.n, &row.remarks).await?;
    }
    Ok(())
}

/// Holds a report for what its id brings with it.
pub(crate) async fn hold_for(
    write: &mut Write,
    n: i64,
    holds: Vec<Hold>,
) -> Result<(), StoreError> {
    for hold in holds {
        hold::add(write, n, hold).await?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::path::Path;

    /// Each statement that gives a report another specimen id, and as often as a room of ours asks for one of them it
    /// asks here what that changes.
    #[test]
    fn whoever_writes_another_specimen_id_asks_here_what_that_changes() {
        let sources = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
        let read = |path: &Path| fs::read_to_string(path).expect("a source");
        let mut writes = Vec::new();
        for rows in ["report", "report_entry"] {
            let text = read(&sources.join(format!("store/rows/{rows}.rs")));
            for function in text.split("pub async fn ").skip(1) {
                let statements = function.split("UPDATE report SET").skip(1);
                let sets = statements.map(|rest| rest.split("WHERE").next().unwrap_or(""));
                if sets.into_iter().any(|sets| sets.contains(" specimen = ")) {
                    let name = function.split(['(', '<']).next().unwrap_or("");
                    writes.push(format!("{rows}::{name}("));
                }
            }
        }
        assert!(writes.len() > 4, "the reading of the sources is wrong: {writes:?}");
        let mut asked = 0;
        for entry in fs::read_dir(sources.join("acts")).expect("the acts") {
            let path = entry.expect("a file").path();
            if path.extension().is_none_or(|kind| kind != "rs") || path.ends_with("bearing.rs") {
                continue;
            }
            let text = read(&path);
            let many: usize = writes.iter().map(|call| text.matches(call.as_str()).count()).sum();
            let answered = text.matches("bearing::changed(").count();
            assert!(answered >= many, "{}: {many} written, {answered} asked", path.display());
            asked += many;
        }
        assert!(asked >= writes.len(), "each of them is used: {writes:?}");
    }
}
