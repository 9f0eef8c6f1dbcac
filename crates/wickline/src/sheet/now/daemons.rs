//! The daemons of the ledger: whether they are heard, by which configuration and with which tape they work.

use serde_json::json;

use super::{About, Look};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::configuration::{self, CHANGED};
use crate::store::rows::daemon_state::{Kind, SILENT_US};
use crate::store::tape::Tape;
use crate::texts::{Said, say};

/// A daemon is named by its machine and its tape.
fn tape_of(daemon: &str) -> &str {
    daemon.rsplit_once('/').map_or(daemon, |(_, tape)| tape)
}

impl Look<'_> {
    /// The file is wrong: what a daemon that runs goes by.
    pub(super) async fn configuration(
        &mut self,
        ledger: &Ledger,
        faults: &str,
    ) -> Result<(), StoreError> {
        let runs = self.told.iter().find(|told| self.is_heard(told));
        let how = match runs.map(|told| (told.daemon.clone(), told.own().map(|own| own.since))) {
            None => say!("found.file_wrong_none"),
            Some((daemon, began)) => {
                let changed = ledger.last_act(&configuration::object(&daemon), CHANGED).await?;
                // A start reads it too, and notes nothing where it says the same as before.
                let read = changed.map(|act| act.at).max(began);
                match read {
                    Some(at) => say!("found.file_wrong_at", at = self.time(at)),
                    None => say!("found.file_wrong"),
                }
            }
        };
        let first = faults.lines().find(|line| !line.ends_with("is wrong:")).unwrap_or_default();
        let found =
            self.add(About::Daemon, "configuration", true, how.clone().then(format!(": {first}")));
        found.outside = Some(how);
        found.todo = Some("wickline check".into());
        found.facts.insert("faults".into(), json!(faults));
        Ok(())
    }

    /// The file is wrong, so what is configured is known as far as daemons tell of it: of the rest that is said, for
    /// nothing said is nothing wrong.
    pub(super) fn untold(&mut self) {
        let runs = self.told.iter().any(|told| self.is_heard(told));
        for about in [About::Line, About::Controls, About::Receiver, About::Alarm] {
            // No daemon tells of controls: what they are due by stands in the file alone.
            let told = runs && about != About::Controls;
            if told || self.findings.iter().any(|f| f.about == about) {
                continue;
            }
            let text = match runs {
                true => say!("found.file_unread"),
                false => say!("found.file_unread_none"),
            };
            self.add(about, "-", false, text);
        }
    }

    /// A daemon that was asked to read the file again goes on with what it read before.
    pub(super) fn not_renewed(&mut self) {
        let Some(point) = self.point(Kind::Configuration, "", None).cloned() else { return };
        let at = self.time(point.since);
        let how = say!("found.not_renewed", at = at);
        let why = point.why.map_or(String::new(), |why| format!("; {why}"));
        let found = self.add(About::Daemon, "configuration", true, how.clone().then(why));
        found.outside = Some(how);
        found.todo = Some(say!("do.not_renewed"));
    }

    /// Which tape stands here. None: that cannot be seen, or daemons with tapes of their own share the ledger.
    async fn tape_here(&self) -> Option<String> {
        if self.lock? {
            let heard = self.told.iter().filter(|told| self.is_heard(told));
            let last = heard.max_by_key(|told| told.own().map(|own| own.since))?;
            return Some(tape_of(&last.daemon).to_owned());
        }
        let tape = Tape::look(&self.bench.tape).await.ok()?;
        tape.db().close().await.ok().map(|()| tape.id.clone())
    }

    pub(super) async fn daemons(&mut self) {
        let (now, tape) = (self.now, self.tape_here().await);
        if self.told.is_empty() {
            self.add(About::Daemon, "-", true, say!("found.never_heard"));
        }
        for told in self.told.clone() {
            let seconds = now.saturating_sub(told.noted_at) / 1_000_000;
            let at = self.time(told.noted_at);
            let own = told.own();
            let lives = self.lock != Some(false);
            let other = tape.as_ref().is_some_and(|tape| tape_of(&told.daemon) != tape);
            let (wrong, text): (bool, Said) = match own {
                // What is to be done about a new tape its notice says, once a daemon has met it.
                _ if other => {
                    let text = match lives {
                        true => say!("found.other_tape", at = at),
                        false => say!("found.other_tape_none", at = at),
                    };
                    (!lives, text)
                }
                Some(own) if !own.up => {
                    let at = self.time(own.since);
                    // Whoever has the lock of a ledger in a file runs, and tells of itself in a moment.
                    match self.lock {
                        Some(true) => (false, say!("found.stopped_begun", at = at)),
                        _ => (true, say!("found.was_stopped", at = at)),
                    }
                }
                _ if seconds * 1_000_000 > SILENT_US => (true, say!("found.not_heard", at = at)),
                // Its lock goes with the process, and says so before anybody misses it.
                _ if !lives => (true, say!("found.not_running", at = at)),
                own => {
                    let since = own.map_or(now, |own| own.since);
                    (false, say!("found.running", at = self.time(since)))
                }
            };
            let noted = self.bench.clock.rfc3339(told.noted_at);
            let found = self.add(About::Daemon, &told.daemon, wrong, text);
            found.facts.insert("heard_at".into(), json!(noted));
            if other && !lives {
                found.todo = Some(say!("do.tape_back"));
            }
        }
    }
}
