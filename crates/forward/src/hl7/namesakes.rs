//! Results that share a name: the two of one pad may, those of two pads never.
//!
//! OBX-4 tells namesakes apart by their order in a message, and a pad may be missing in one. A receiver that has two
//! pads under one name would then be told a correction of the one on the other.

use std::collections::BTreeMap;

use wickline_normalize::Observation;

use super::layout::Layout;
use super::results::Results;

impl Layout {
    /// Whether two results of a message with these observations share a name.
    #[must_use]
    pub fn has_namesakes(&self, observations: &[Observation]) -> bool {
        Results::new(self, observations).has_namesakes()
    }

    /// A name (OBX-3) that two pads go under, as their first or as their other one, and these pads.
    #[must_use]
    pub fn pads_of_one_name(&self, observations: &[Observation]) -> Option<(String, [String; 2])> {
        let mut owners: BTreeMap<(&str, &str), &str> = BTreeMap::new();
        for (name, pad) in Results::new(self, observations).names() {
            let owner = *owners.entry(name).or_insert(pad);
            if owner != pad {
                return Some((format!("{} of {}", name.0, name.1), [owner.into(), pad.into()]));
            }
        }
        None
    }
}
