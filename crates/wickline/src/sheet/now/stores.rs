//! How the stores, the certificates, the alarms and the clocks are.

use serde_json::json;

use super::{About, CERTIFICATE_DAYS, Finding, Look};
use crate::address::Address;
use crate::clock::{self, Sync};
use crate::daemon;
use crate::settings::bench::{Analyzer, Bench, To};
use crate::sheet::todo::word;
use crate::store::disk_room::{folder_of, free_bytes};
use crate::store::ledger::Ledger;
use crate::store::rows::daemon_state::{Kind, Point, Told};
use crate::store::tape::Tape;
use crate::store::{StoreError, sound};
use crate::texts::{Said, say};

/// The tape's file is not there although a daemon worked with it: with the ledger, or, where benches share one on a
/// server, on this machine, where its lock stands.
#[must_use]
pub fn tape_gone(bench: &Bench, told: &[Told]) -> Option<Said> {
    let own = matches!(bench.ledger, Address::Sqlite(_));
    let worked = !told.is_empty() && (own || bench.tape.with_extension("lock").exists());
    let there = bench.tape.try_exists().unwrap_or(true);
    let shown = bench.tape.display();
    (worked && !there).then(|| say!("found.tape_gone", path = shown.to_string()))
}

/// Larger files are opened and no more: every page of this takes a second or two.
const LOOKED_THROUGH: u64 = 512 << 20;

/// An error: the file of a store cannot be used. Nothing of it is changed.
async fn looked(store: &Address, which: &str) -> Result<(), StoreError> {
    let Address::Sqlite(path) = store else { return Ok(()) };
    sound::whole_log(path).await?;
    let db = match which {
        "tape" => Tape::look(path).await?.db(),
        _ => Ledger::look(store.clone()).await?.db,
    };
    let small = std::fs::metadata(path).is_ok_and(|file| file.len() <= LOOKED_THROUGH);
    let whole = if small { db.is_whole().await } else { Ok(()) };
    db.close().await.and(whole)
}

impl Look<'_> {
    /// The room beside the tape, and whether the tape takes what is heard.
    pub(super) fn stores(&mut self, ledger: Result<&str, &str>) {
        let bench = self.bench;
        let free = free_bytes(folder_of(&bench.tape)).ok();
        let tape = self.point(Kind::Tape, "", None).filter(|p| !p.up).cloned();
        let low = free.is_some_and(|free| free < bench.low_water.saturating_mul(2));
        let room = match free {
            Some(free) if low => {
                say!("found.room_low", n = free >> 20, low = bench.low_water >> 20)
            }
            Some(free) => say!("found.room", n = free >> 20),
            None => say!("found.room_unseen"),
        };
        let full = tape.as_ref().map(|point| {
            let why = point.why.as_deref().unwrap_or_default();
            say!("found.since", at = self.time(point.since)).then(format!(": {why}"))
        });
        let gone = tape_gone(bench, &self.told);
        let parts = [gone.clone(), full, Some(room), self.looked_at("tape")];
        let text = Said::list("; ", parts.into_iter().flatten());
        let found = self.add(About::Store, "tape", low || tape.is_some() || gone.is_some(), text);
        if gone.is_some() {
            found.todo = Some(say!("do.tape_gone"));
            found.outside = Some(say!("found.tape_gone_outside"));
        }
        found.facts.insert("free_bytes".into(), json!(free));
        let text = match ledger {
            Ok(label) => {
                let parts = [Some(say!("found.answers", label = label)), self.looked_at("ledger")];
                Said::list("; ", parts.into_iter().flatten())
            }
            Err(why) => self.away().then(format!(": {why}")),
        };
        let is_file = matches!(bench.ledger, Address::Sqlite(_));
        let outside = ledger.is_err().then(|| self.away());
        let found = self.add(About::Store, "ledger", ledger.is_err(), text);
        found.outside = outside;
        if ledger.is_err() && is_file {
            found.todo = Some(say!("do.file_back"));
        }
    }

    /// What it means that the ledger is not there.
    fn away(&self) -> Said {
        match self.lock {
            Some(false) => say!("found.ledger_none"),
            _ => say!("found.ledger_away"),
        }
    }

    /// Before the first start there is no ledger to put back.
    pub(super) fn none_yet(&mut self, error: &StoreError) {
        let ledger = |f: &&mut Finding| f.about == About::Store && f.which == "ledger";
        let found = self.findings.iter_mut().find(ledger);
        if let (Some(found), StoreError::Absent { .. }) = (found, error) {
            found.todo = Some(say!("do.first_start"));
        }
    }

    /// How far a daemon looked at the pages of a store, as long as it does.
    fn looked_at(&self, store: &str) -> Option<Said> {
        let point = self.point(Kind::Check, store, None);
        point.map(|point| {
            let how = point.why.as_deref().unwrap_or_default();
            say!("found.looked_at", at = self.time(point.since), how = Said::kept(how))
        })
    }

    /// Files that no daemon watches, which looks at them whenever it starts: one that is damaged may be why none runs.
    pub(super) async fn unwatched(&mut self) {
        if daemon::is_locked(&self.bench.tape) != Some(false) {
            return;
        }
        let tape = Address::Sqlite(self.bench.tape.clone());
        for (which, store) in [("tape", &tape), ("ledger", &self.bench.ledger)] {
            let Err(error) = looked(store, which).await else { continue };
            let known =
                self.findings.iter_mut().find(|f| f.about == About::Store && f.which == which);
            let Some(found) = known.filter(|_| matches!(error, StoreError::Damaged { .. })) else {
                continue;
            };
            (found.wrong, found.urgent, found.text) = (true, true, error.to_string().into());
            (found.todo, found.outside) = (Some(say!("do.restore")), Some(say!("found.damaged")));
        }
    }

    /// What the stores have to tell until a person lifts it.
    pub(super) async fn notices(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        for notice in ledger.notices().await? {
            let text = notice.words(&self.bench.clock);
            let since = self.bench.clock.rfc3339(notice.since);
            let found = self.add(About::Store, notice.kind.code(), true, text);
            found.outside = Some(say!("found.since", at = since));
            found.todo = Some("wickline ledger notices".into());
        }
        Ok(())
    }

    /// Those who are told, as far as they could be.
    pub(super) fn alarms(&mut self) {
        for id in self.alarms_told() {
            let point = self.point(Kind::Alarm, &id, None).filter(|p| !p.up).cloned();
            let text = match &point {
                None => say!("found.alarm_told"),
                Some(point) => self.undelivered(point),
            };
            self.add(About::Alarm, &id, point.is_some(), text).outside =
                Some(say!("found.undelivered_outside"));
        }
        for alarm in &self.bench.alarms {
            let point = self.point(Kind::Alarm, &alarm.id, None).filter(|p| !p.up).cloned();
            let text = match &point {
                None => say!("found.alarm_goes", to = alarm.place().to_string()),
                Some(point) => self.undelivered(point),
            };
            let found = self.add(About::Alarm, &alarm.id, point.is_some(), text);
            found.outside = Some(say!("found.undelivered_outside"));
            // Its command is run by the service's user alone, whoever is at the terminal.
            if let (To::Mail { .. }, Some(_), true) =
                (&alarm.to, &point, rustix::process::geteuid().is_root())
            {
                found.todo = Some(say!("do.alarm_test", which = word(&alarm.id)));
            }
        }
    }

    /// Those that a daemon tells of, where what is configured cannot be read.
    fn alarms_told(&self) -> Vec<String> {
        if !self.beside {
            return Vec::new();
        }
        let heard = self.told.iter().filter(|told| self.is_heard(told));
        let keys = heard.flat_map(|told| told.points.keys());
        keys.filter(|(kind, _)| *kind == Kind::Alarm).map(|(_, id)| id.clone()).collect()
    }

    fn undelivered(&self, point: &Point) -> Said {
        let why = point.why.as_deref().unwrap_or_default();
        say!("found.undelivered", at = self.time(point.since), why = why)
    }

    /// Our own as they lie here, the receivers' as daemons met them.
    pub(super) fn certificates(&mut self) {
        let now_s = self.now / 1_000_000;
        let mut ends: Vec<(String, Result<i64, String>)> = Vec::new();
        for target in &self.bench.targets {
            let own = target.addresses.iter().find_map(|a| a.certificate_ends());
            ends.extend(own.map(|ends| (format!("{}, our own", target.id), ends)));
        }
        let told: Vec<(String, i64)> = self
            .told
            .iter()
            .flat_map(|t| &t.points)
            .filter(|((kind, id), _)| *kind == Kind::Certificate && !id.ends_with("our own"))
            .filter_map(|((_, id), point)| Some((id.clone(), point.last_at? / 1_000_000)))
            .collect();
        ends.extend(told.into_iter().map(|(id, at)| (id, Ok(at))));
        for (which, ends) in ends {
            let (wrong, text) = match &ends {
                Err(why) => (true, say!("found.certificate_unread", why = why)),
                Ok(ends) => {
                    let days = (ends - now_s).div_euclid(86_400);
                    let on = self.bench.clock.day(ends.saturating_mul(1_000_000));
                    let text = match days < 0 {
                        true => say!("found.certificate_ended", day = on),
                        false => say!("found.certificate_ends", day = on),
                    };
                    (days < CERTIFICATE_DAYS, text)
                }
            };
            self.add(About::Certificate, &which, wrong, text);
        }
    }

    /// Our own clock, and each analyzer's against it.
    pub(super) async fn clocks(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        let (wrong, text) = match clock::synchronised().await {
            Sync::Yes => (false, say!("found.synchronised")),
            Sync::No => (true, say!("found.not_synchronised")),
            Sync::Unknown => (false, say!("found.sync_unseen")),
        };
        self.add(About::Clock, "ours", wrong, text);
        for analyzer in self.bench.analyzers.clone() {
            let mut by: Vec<i64> =
                ledger.clock_samples(&analyzer.id).await?.iter().map(|(_, by)| *by).collect();
            by.sort_unstable();
            let Some(drift) = by.get(by.len() / 2).copied() else { continue };
            self.drift(&analyzer, drift);
        }
        Ok(())
    }

    fn drift(&mut self, analyzer: &Analyzer, drift: i64) {
        let limit = analyzer.clock.limits.drift;
        let (minutes, seconds) = (drift.abs() / 60, drift.abs() % 60);
        let limit_min = limit / 60;
        let text = match drift < 0 {
            true => {
                say!("found.drift_behind", minutes = minutes, seconds = seconds, limit = limit_min)
            }
            false => {
                say!("found.drift_ahead", minutes = minutes, seconds = seconds, limit = limit_min)
            }
        };
        let wrong = drift.abs() * 2 >= limit;
        let found = self.add(About::Clock, &analyzer.id, wrong, text);
        found.facts.insert("drift_s".into(), json!(drift));
    }
}
