//! What analyzers asked on their lines on a day, in words for the sheet: never which specimens.

use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::line_query::{Alike, Outcome};

/// A sentence for those that are alike, by analyzer.
pub(super) async fn told(
    ledger: &Ledger,
    date: &str,
    analyzer: Option<&str>,
) -> Result<Vec<String>, StoreError> {
    let all = ledger.line_queries(date).await?;
    Ok(all.iter().filter(|one| analyzer.is_none_or(|id| id == one.analyzer)).map(words).collect())
}

fn words(alike: &Alike) -> String {
    let Alike { analyzer, many, specimens, orders, .. } = alike;
    let times = if *many == 1 { "once".to_owned() } else { format!("{many} times") };
    let what = match alike.asked.as_str() {
        "specimens" if *specimens == 1 => "for the orders of 1 specimen".to_owned(),
        "specimens" => format!("for the orders of {specimens} specimens"),
        "all" => "for all orders".to_owned(),
        "taken-back" => "for nothing any more, taking its question back".to_owned(),
        "broken-off" => "and broke off".to_owned(),
        _ => "what cannot be read".to_owned(),
    };
    let became = match alike.outcome {
        Outcome::Off => {
            "nothing was answered, as its dialect has no `query.answer = true`".to_owned()
        }
        Outcome::NoneOwed => "no answer was owed".to_owned(),
        Outcome::Late => "read too late for an answer".to_owned(),
        Outcome::Waiting => "whether the answer was heard is not known".to_owned(),
        Outcome::Delivered if *orders == 1 => "answered with 1 order".to_owned(),
        Outcome::Delivered if *orders > 0 => format!("answered with {orders} orders"),
        Outcome::Delivered => "answered that there is none to be told".to_owned(),
        Outcome::Dropped => {
            format!("NOT ANSWERED: {}", alike.why.as_deref().unwrap_or("nobody knows why"))
        }
    };
    format!("{analyzer} asked {times} {what}: {became}")
}
