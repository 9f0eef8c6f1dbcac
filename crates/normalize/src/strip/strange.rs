//! Labels and words that the program's own strips know for something else: most likely exchanged.
//!
//! Nothing is refused for it: an analyzer may print `PROT` for whatever it likes. But nobody else can see that
//! glucose goes out as protein, so `check` asks and the proof says it.

use super::{Pad, builtin};
use crate::words::quote;

/// One sentence for each label and each word of these pads that means something else on the shipped strips.
pub(super) fn questions(pads: &[Pad]) -> Vec<String> {
    let Some(shipped) = builtin::read("fourteen-pad") else { return Vec::new() };
    pads.iter()
        .flat_map(|pad| {
            let labels = pad.names.iter().filter_map(move |name| {
                let other = shipped.pads.get(shipped.pad_of(name)?).filter(|p| p.id != pad.id)?;
                let (name, id) = (quote(name), &pad.id);
                Some(format!(
                    "{id}: label {name} is {} ({}) on the strips that come with the program: is it meant?",
                    other.title, other.id
                ))
            });
            labels.chain(words(pad, shipped.pad(&pad.id)))
        })
        .collect()
}

/// Words that mean another grade on the shipped pad of the same analyte.
fn words<'a>(pad: &'a Pad, shipped: Option<&'a Pad>) -> impl Iterator<Item = String> + 'a {
    let mut words: Vec<_> = pad.words.iter().collect();
    words.sort_unstable();
    words.into_iter().filter_map(move |(word, grade)| {
        // A grade of the strip's own has no other name anywhere.
        let known = shipped?.grade_of(word).filter(|known| known != grade)?;
        let ours = pad.rungs.iter().any(|r| r.grade.as_deref() == Some(known));
        ours.then(|| {
            format!(
                "{}: word {} is {known} on the strips that come with the program, and {grade} here: is it meant?",
                pad.id,
                quote(word)
            )
        })
    })
}
