//! What analyzers asked on their lines on a day, in words for the sheet: never which specimens.

use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::line_query::{Alike, Outcome};
use crate::texts::{Said, say};

/// A sentence for those that are alike, by analyzer.
pub(super) async fn told(
    ledger: &Ledger,
    date: &str,
    analyzer: Option<&str>,
) -> Result<Vec<Said>, StoreError> {
    let all = ledger.line_queries(date).await?;
    Ok(all.iter().filter(|one| analyzer.is_none_or(|id| id == one.analyzer)).map(words).collect())
}

fn words(alike: &Alike) -> Said {
    let Alike { analyzer, many, specimens, orders, .. } = alike;
    let times = match many {
        1 => say!("asked.once"),
        many => say!("asked.times", n = many),
    };
    let what = match alike.asked.as_str() {
        "specimens" if *specimens == 1 => say!("asked.specimen"),
        "specimens" => say!("asked.specimens", n = specimens),
        "all" => say!("asked.all"),
        "taken-back" => say!("asked.taken_back"),
        "broken-off" => say!("asked.broken_off"),
        _ => say!("asked.unread"),
    };
    let became = match alike.outcome {
        Outcome::Off => say!("asked.off"),
        Outcome::NoneOwed => say!("asked.none_owed"),
        Outcome::Late => say!("asked.late"),
        Outcome::Waiting => say!("asked.not_known"),
        Outcome::Delivered if *orders == 1 => say!("asked.one_order"),
        Outcome::Delivered if *orders > 0 => say!("asked.orders", n = orders),
        Outcome::Delivered => say!("asked.no_order"),
        Outcome::Dropped => match &alike.why {
            Some(why) => say!("asked.dropped", why = why),
            None => say!("asked.dropped", why = say!("asked.nobody_knows")),
        },
    };
    say!("asked.whole", id = analyzer, times = times, what = what, became = became)
}
