//! What one place was told, what is wrong now, and what it has therefore to be told: pure but for its file.

use std::collections::{BTreeMap, BTreeSet};
use std::io::Write;
use std::os::unix::fs::OpenOptionsExt;
use std::path::Path;

use serde::{Deserialize, Serialize};

use crate::settings::bench::{About, Alarm};
use crate::sheet::now::{Finding, Now};

/// One thing, as it is told.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Item {
    pub about: String,
    pub which: String,
    pub urgent: bool,
    /// Since when it is known, and when it was last told.
    pub since: i64,
    #[serde(default)]
    pub at: i64,
    pub text: String,
    pub todo: Option<String>,
}

impl Item {
    fn of(finding: &Finding, since: i64) -> Self {
        Self {
            about: finding.about.text().to_owned(),
            which: finding.which.clone(),
            urgent: finding.urgent,
            since,
            at: 0,
            text: finding.outside.as_ref().unwrap_or(&finding.text).to_string(),
            todo: finding.todo.as_ref().map(ToString::to_string),
        }
    }
}

type Items = BTreeMap<String, Item>;

/// What is to be told.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Due {
    pub begun: Vec<Item>,
    /// It was told, and lasts.
    pub still: Vec<Item>,
    pub over: Vec<Item>,
}

impl Due {
    pub fn is_empty(&self) -> bool {
        self.begun.is_empty() && self.still.is_empty() && self.over.is_empty()
    }
}

/// What is wrong by the last look, and what of it was told.
#[derive(Debug, Default)]
pub struct Memory {
    wrong: Items,
    told: Items,
    /// What was told before the last stop and was not seen since.
    unseen: BTreeSet<String>,
}

fn key(about: &str, which: &str) -> String {
    format!("{about} {which}")
}

impl Memory {
    /// What was told before the last stop. What cannot be read is told again.
    pub fn read(path: &Path) -> Self {
        let text = std::fs::read_to_string(path).unwrap_or_default();
        let told: Items = serde_json::from_str(&text).unwrap_or_default();
        Self { wrong: Items::new(), unseen: told.keys().cloned().collect(), told }
    }

    /// Keeps what was told, whole or not at all.
    pub fn keep(&self, path: &Path) -> std::io::Result<()> {
        let mut new = path.as_os_str().to_owned();
        new.push("-new");
        let mut file = std::fs::OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(true)
            .mode(0o600)
            .open(&new)?;
        file.write_all(serde_json::to_string(&self.told)?.as_bytes())?;
        std::fs::rename(new, path)
    }

    /// Takes note of a look. Where the ledger could not be asked, what it did not speak of stays as it was.
    /// `fresh`: the daemon has just started and knows little yet; what was told before is not over because nobody
    /// has looked.
    pub fn look(&mut self, alarm: &Alarm, now: &Now, at: i64, fresh: bool) {
        // What is not asked for any more is not over either.
        let asked =
            |item: &Item| About::ALL.iter().any(|a| a.text() == item.about && alarm.is_about(*a));
        self.told.retain(|_, item| asked(item));
        let own = |f: &Finding| f.about == About::Alarm && f.which == alarm.id;
        let all = now.findings.iter().filter(|f| alarm.is_about(f.about) && !own(f));
        let mut wrong = Items::new();
        for finding in all {
            let key = key(finding.about.text(), &finding.which);
            let (before, told) = (self.wrong.remove(&key), self.told.get(&key));
            if finding.wrong {
                let since = before.as_ref().or(told).map_or(at, |item| item.since);
                wrong.insert(key, Item::of(finding, since));
            }
        }
        if !now.whole {
            let known = |about: &str, which: &str| {
                now.findings.iter().any(|f| f.about.text() == about && f.which == which)
            };
            let unknown = |(_, item): &(String, Item)| !known(&item.about, &item.which);
            let before = std::mem::take(&mut self.wrong);
            // After a start nobody knows of anything but what was told.
            let told = self.told.clone().into_iter();
            wrong.extend(told.chain(before).filter(unknown));
        }
        if fresh {
            self.unseen.retain(|key| !wrong.contains_key(key));
            let told = self.told.iter().filter(|(key, _)| self.unseen.contains(*key));
            wrong.extend(told.map(|(key, item)| (key.clone(), item.clone())));
        }
        self.wrong = wrong;
    }

    /// What is to be told now. In quiet hours only what cannot wait is, and that such is over.
    pub fn due(&self, alarm: &Alarm, at: i64, quiet: bool) -> Due {
        let mut due = Due::default();
        let speaks = |item: &Item| !quiet || item.urgent;
        for (key, item) in self.wrong.iter().filter(|(_, item)| speaks(item)) {
            match self.told.get(key) {
                None if at - item.since >= alarm.after_us => due.begun.push(item.clone()),
                None => {}
                Some(told) if item.urgent && !told.urgent => due.begun.push(item.clone()),
                Some(told) if alarm.again_us > 0 && at - told.at >= alarm.again_us => {
                    due.still.push(item.clone());
                }
                Some(_) => {}
            }
        }
        let ended = self.told.iter().filter(|(key, _)| !self.wrong.contains_key(*key));
        due.over = ended.map(|(_, item)| item).filter(|item| speaks(item)).cloned().collect();
        due
    }

    /// It was told.
    pub fn told(&mut self, due: Due, at: i64) {
        let of = |item: &Item| key(&item.about, &item.which);
        due.over.iter().for_each(|item| drop(self.told.remove(&of(item))));
        for item in due.begun.into_iter().chain(due.still) {
            self.told.insert(of(&item), Item { at, ..item });
        }
    }
}

#[cfg(test)]
#[path = "memory_tests.rs"]
mod tests;
