//! What the demonstration shows at its end: one result as it was printed beside what the receiver was told, and how to
//! go on looking.

use std::path::Path;

use super::super::Failure;
use super::super::output::{Output, Tone};
use super::laboratory::NEVER_RUN;
use crate::acts::compose::text as words;
use crate::settings::bench::Bench;
use crate::sheet::Sheet;
use crate::sheet::todo::word;
use crate::store::ledger::Ledger;
use crate::store::lists::names::Typed;
use crate::store::state::State;

/// The first accepted result of the analyzer that just prints.
pub async fn one_result(
    sheet: &Sheet,
    ledger: &Ledger,
    bench: &Bench,
    out: &Output,
) -> Result<(), Failure> {
    let items = || sheet.lines.iter().map(|line| &line.item);
    let first = items().find(|i| i.analyzer == "bench-2" && i.state == State::Accepted);
    let Some((item, id)) = first.and_then(|i| Some((i, i.control_id.as_deref()?))) else {
        return Ok(());
    };
    let number = item.id.parse().map_err(|_| Failure::wrong("a report without a number"))?;
    let kept = ledger.report(number, &bench.clock).await?;
    let message = ledger.messages_named(&Typed::Control(id.to_owned())).await?;
    let Some((kept, message)) = kept.zip(message.first()) else { return Ok(()) };
    let Some(whole) = ledger.message(message.n, &bench.clock).await? else { return Ok(()) };
    let printed = kept.print.lines.iter().map(|line| line.text.expose().to_owned()).collect();
    let body = words(&whole.body);
    let told = body.split('\r').filter(|s| !s.is_empty()).map(str::to_owned).collect();
    out.line("");
    out.line(&format!("report {}, as bench-2 printed it, and {}, as lis took it:", item.id, id));
    for line in beside(printed, told) {
        out.line(&line);
    }
    Ok(())
}

/// Two columns, the first as wide as its longest line.
fn beside(left: Vec<String>, right: Vec<String>) -> Vec<String> {
    let width = left.iter().map(|l| l.chars().count()).max().unwrap_or(0);
    let empty = String::new();
    (0..left.len().max(right.len()))
        .map(|n| {
            let (one, other) = (left.get(n).unwrap_or(&empty), right.get(n).unwrap_or(&empty));
            let fill = " ".repeat(width.saturating_sub(one.chars().count()));
            format!("  {one}{fill} | {other}").trim_end().to_owned()
        })
        .collect()
}

/// What can still be looked at: nothing of a laboratory that goes with its folder.
pub fn afterwards(kept: Option<&Path>, out: &Output) {
    out.line(&format!("{NEVER_RUN} of KP-20499 waits for its strip."));
    let text = match kept {
        Some(folder) => {
            let config = word(&folder.join("wickline.toml").to_string_lossy());
            format!(
                "Kept in {}: `wickline --config {config} held`, `wickline --config {config} day`, \
                 `wickline --config {config} orders`.",
                folder.display()
            )
        }
        None => "This laboratory is gone with its folder: `wickline demo --keep demo-run` keeps it, to try what the \
                 sheet names."
            .to_owned(),
    };
    out.pieces(&[(text, Tone::Plain)]);
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_shorter_side_leaves_its_place_empty() {
        let lines = |of: &[&str]| of.iter().map(|&l| l.to_owned()).collect();
        assert_eq!(
            beside(lines(&["GLU 2+", "µ"]), lines(&["MSH"])),
            ["  GLU 2+ | MSH", "  µ      |"]
        );
        assert_eq!(beside(lines(&["a"]), lines(&["b", "c"])), ["  a | b", "    | c"]);
    }
}
