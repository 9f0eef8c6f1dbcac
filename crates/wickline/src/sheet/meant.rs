//! What a person meant who scanned or typed something to be found.

use crate::settings::bench::Bench;

/// What a person may have meant: as typed, and without what scanners put around an id.
#[must_use]
pub fn meant(bench: &Bench, text: &str) -> Vec<String> {
    let typed = text.trim();
    let mut texts = vec![typed.to_owned()];
    // An OBR-3 as it stands in the message has its origin behind it.
    texts.extend(typed.split_once('^').map(|(id, _)| id.to_owned()));
    // A message as people name it, and what was typed without regard to its letters' case.
    texts.extend(typed.split_once('@').map(|(id, _)| id.to_owned()));
    texts.extend([typed.to_uppercase(), typed.to_lowercase()]);
    for analyzer in &bench.analyzers {
        texts.push(analyzer.rules.rubbish.strip(text).to_owned());
        texts.push(analyzer.rules.rubbish.strip(typed).to_owned());
    }
    texts.retain(|t| !t.is_empty());
    texts.sort();
    texts.dedup();
    texts
}
