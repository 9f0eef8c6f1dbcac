//! What a receiver's table asks for and never comes into a message: each entry is taken out, and the messages of the
//! trial are put together again. Where they are the same as before, `check` says so.

use std::collections::BTreeMap;

use super::super::{Loaded, Receiver, Settings};
use super::fit::strips_of;
use super::layout::lists;
use super::{Bench, Builder, Target, trial};

/// A key that may be set to no purpose, its place in the settings, and what it is when not given. Keys whose defaults
/// go by the version are none of these: to write such a default out is no mistake.
type Word = (&'static str, fn(&mut Receiver) -> &mut String, &'static str);

const WORDS: &[Word] = &[
    ("grade_codes", |raw| &mut raw.grade_codes, "local-first"),
    ("coded", |raw| &mut raw.coded, "CE"),
    ("ends", |raw| &mut raw.ends, "SN"),
    ("names", |raw| &mut raw.names, "loinc-first"),
    ("specimen_namespace", |raw| &mut raw.specimen_namespace, ""),
    ("patient_authority", |raw| &mut raw.patient_authority, ""),
    ("patient_id_type", |raw| &mut raw.patient_id_type, ""),
];

impl Bench {
    /// Says of each entry of a receiver's table that changes nothing, for `check`.
    #[must_use]
    pub fn idle(&self, loaded: &Loaded) -> Vec<String> {
        let mut notes = Vec::new();
        for (index, target) in self.targets.iter().enumerate() {
            let whole = self.sent(target);
            for (shown, settings) in without_one(&loaded.settings, index) {
                let loaded = Loaded { settings, ..loaded.clone() };
                let mut builder =
                    Builder { loaded: &loaded, faults: Vec::new(), files: BTreeMap::new() };
                let other = builder.target(&loaded.settings, index);
                if other.is_some_and(|other| self.sent(&other.with_sub_ids_of(target)) == whole) {
                    let why = "no message to it says anything else for that";
                    notes.push(format!("receiver {}: {shown} has no effect: {why}", target.id));
                }
            }
        }
        notes
    }

    /// Every message of the trial; None where one cannot be built.
    fn sent(&self, target: &Target) -> Option<Vec<Vec<Vec<u8>>>> {
        let strips = strips_of(target, &self.analyzers);
        strips
            .iter()
            .map(|(analyzer, strip)| trial::messages(target, analyzer, strip).ok())
            .collect()
    }
}

impl Target {
    fn with_sub_ids_of(mut self, other: &Target) -> Self {
        self.layout.sub_ids = other.layout.sub_ids;
        self
    }
}

/// The settings without one entry of a receiver each, and what that entry is.
fn without_one(settings: &Settings, index: usize) -> Vec<(String, Settings)> {
    let raw = &settings.receiver[index];
    let mut all = Vec::new();
    for (key, entries) in lists(raw).into_iter().filter(|(key, _)| *key != "order") {
        for (n, entry) in entries.iter().enumerate() {
            let mut settings = settings.clone();
            list_of(&mut settings.receiver[index], key).remove(n);
            all.push((format!("{key} \"{}\"", entry.escape_debug()), settings));
        }
    }
    for (key, place, default) in WORDS {
        let mut settings = settings.clone();
        let value = std::mem::replace(place(&mut settings.receiver[index]), (*default).to_owned());
        if value != *default {
            all.push((format!("{key} = \"{}\"", value.escape_debug()), settings));
        }
    }
    all
}

fn list_of<'a>(raw: &'a mut Receiver, key: &str) -> &'a mut Vec<String> {
    match key {
        "name_of" => &mut raw.name_of,
        "names_of" => &mut raw.names_of,
        "coded_of" => &mut raw.coded_of,
        "ends_of" => &mut raw.ends_of,
        _ => &mut raw.fixed,
    }
}
