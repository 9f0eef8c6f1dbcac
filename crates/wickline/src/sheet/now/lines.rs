//! How the lines are: open or not and why, what was last heard, what went wrong on them.

use serde_json::json;

use super::{About, Look, facts};
use crate::pipeline::seen::{GO_ON_US, NOT_YET};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::daemon_state::{Kind, Point};
use crate::texts::{Said, say};

/// A silence shorter than this is nobody's habit, in microseconds. Our own choice.
const SILENCE_LEAST: i64 = 3_600_000_000;
/// An analyzer is silent beyond its habit where it said something in the same hours of each of so many
/// weeks before. Our own choice.
const WEEKS: i64 = 3;
const WEEK_US: i64 = 7 * 86_400_000_000;
/// A daemon that began less long ago may be opening a line still: nobody is needed for that. An opening has 10 s, and
/// what it came to is told within a second or two.
const OPENING_US: i64 = 15_000_000;

impl Look<'_> {
    /// Where one took another's place: which it is, and since when.
    pub(super) async fn instruments(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        for analyzer in &self.bench.analyzers {
            let all = ledger.instruments(analyzer).await?;
            let Some(since) = all.replacements().last().map(|one| one.since) else { continue };
            let (one, since) = (all.last(), self.time(since));
            let found = self.add(
                About::Instrument,
                &analyzer.id,
                false,
                say!("found.serial", serial = &one.serial, at = since),
            );
            found.facts = facts([("serial", json!(one.serial))]);
        }
        Ok(())
    }

    /// The lines of this bench, and those that other daemons tell of.
    pub(super) async fn lines(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        let mut ids: Vec<String> = self.bench.analyzers.iter().map(|a| a.id.clone()).collect();
        for told in &self.told {
            let lines = told.points.keys().filter(|(kind, _)| *kind == Kind::Line);
            let new: Vec<_> = lines.filter(|(_, id)| !ids.contains(id)).cloned().collect();
            ids.extend(new.into_iter().map(|(_, id)| id));
        }
        let turned_away = ledger.refusals(&self.bench.clock.day(self.now)).await?;
        for id in ids {
            let away = turned_away.iter().filter(|one| one.analyzer == id);
            let (mut many, mut last_away) = (0, None);
            for one in away {
                (many, last_away) =
                    (many + one.refusals.many, last_away.max(Some(one.refusals.last_at)));
            }
            let last = ledger.last_report(&id).await?;
            let silence = self.silence(ledger, &id, last.map(|(_, at)| at)).await?;
            let last_text = match last {
                Some((n, at)) => say!("found.last_report", n = n, at = self.time(at)),
                None => say!("found.no_report"),
            };
            let of = |kind| self.point(kind, &id, None).cloned();
            let (point, rivals) = (of(Kind::Line), of(Kind::Rivals));
            let (tee, troubles) = (of(Kind::Tee), of(Kind::Troubles));
            let noise = of(Kind::Noise);
            let goes_on = |p: &Point| p.last_at.is_some_and(|last| self.now - last <= GO_ON_US);
            let refused = of(Kind::Refused).filter(goes_on);
            let stands = self.stands(point.as_ref());
            let parts = [
                Some(stands),
                Some(last_text),
                tee.as_ref().filter(|tee| tee.up).map(|tee| self.copy(tee)),
                troubles.as_ref().map(|troubles| self.troubles(troubles)),
                noise.as_ref().map(|noise| self.noise(noise)),
                last_away.map(|at| say!("found.turned_away", n = many, at = self.time(at))),
            ];
            let text = Said::list("; ", parts.into_iter().flatten());
            let down = point.as_ref().is_some_and(|p| !p.up && !self.is_being_opened(p));
            let up = point.as_ref().map(|p| p.up).or(self.lock.filter(|lives| !lives));
            let since = point.map(|p| self.bench.clock.rfc3339(p.since));
            let last_at = last.map(|(_, at)| self.bench.clock.rfc3339(at));
            let copied = tee.as_ref().map(|tee| tee.up);
            // Each has a finding of its own: of one that is known and told nothing more would be told when the line
            // goes down, too.
            let beside = [
                silence.clone().map(|silence| ("silent", silence, say!("do.silent"))),
                rivals.as_ref().map(|rivals| ("rivals", self.rivals(rivals), say!("do.rivals"))),
                refused
                    .as_ref()
                    .map(|refused| ("refused", self.refused(refused), say!("do.refused"))),
                tee.as_ref().filter(|t| !t.up).map(|tee| ("copy", self.copy(tee), say!("do.copy"))),
            ];
            let found = self.add(About::Line, &id, down, text);
            found.facts = facts([
                ("up", json!(up)),
                ("since", json!(since)),
                ("last_report", json!(last.map(|(n, _)| n.to_string()))),
                ("last_report_at", json!(last_at)),
                ("silent", json!(silence.is_some())),
                ("rivals", json!(rivals.is_some())),
                ("refused", json!(refused.and_then(|refused| refused.why))),
                ("turned_away", json!(many)),
                ("tee", json!(copied)),
                ("troubles", json!(troubles.and_then(|troubles| troubles.why))),
                ("noise", json!(noise.and_then(|noise| noise.why))),
            ]);
            for (what, text, todo) in beside.into_iter().flatten() {
                let found = self.add(About::Line, &format!("{id}, {what}"), true, text);
                found.todo = Some(todo);
            }
        }
        Ok(())
    }

    fn stands(&self, point: Option<&Point>) -> Said {
        let Some(point) = point else {
            return match self.lock {
                Some(false) => say!("found.line_closed"),
                _ => say!("found.untold"),
            };
        };
        let how = point
            .why
            .as_deref()
            .map_or(Said::default(), |how| Said::from(" (").then(Said::kept(how)).then(")"));
        if self.is_being_opened(point) {
            return say!("found.opening");
        }
        let at = self.time(point.since);
        match point.up {
            true => say!("found.line_open", at = at).then(how),
            false => say!("found.line_down", at = at).then(how),
        }
    }

    fn is_being_opened(&self, point: &Point) -> bool {
        let begun = point.why.as_deref() == Some(NOT_YET);
        !point.up && begun && self.now - point.since < OPENING_US
    }

    fn rivals(&self, rivals: &Point) -> Said {
        say!("found.rivals", at = self.time(rivals.since))
    }

    fn refused(&self, refused: &Point) -> Said {
        let (since, last) = (refused.since, refused.last_at.unwrap_or(refused.since));
        let how = refused.why.as_deref().unwrap_or_default();
        say!("found.refused", at = self.time(since), last = self.time(last), why = how)
    }

    fn copy(&self, tee: &Point) -> Said {
        let to = tee.why.as_deref().unwrap_or_default();
        match tee.up {
            true => say!("found.copy_goes", to = to),
            false => say!("found.copy_waits", at = self.time(tee.since), to = to),
        }
    }

    fn troubles(&self, troubles: &Point) -> Said {
        let last = self.time(troubles.last_at.unwrap_or(troubles.since));
        let what = troubles.why.as_deref().unwrap_or_default();
        say!("found.troubles", at = self.time(troubles.since), what = what, last = last)
    }

    fn noise(&self, noise: &Point) -> Said {
        let last = self.time(noise.last_at.unwrap_or(noise.since));
        let what = noise.why.as_deref().unwrap_or_default();
        say!("found.noise", at = self.time(noise.since), what = what, last = last)
    }

    /// In words, where an analyzer says nothing for longer than the laboratory allows in its working hours; without
    /// those, for longer than in the same hours of the weeks before.
    async fn silence(
        &self,
        ledger: &Ledger,
        analyzer: &str,
        last: Option<i64>,
    ) -> Result<Option<Said>, StoreError> {
        let hours = self.bench.analyzer(analyzer).and_then(|a| a.hours.as_ref());
        if let Some(hours) = hours {
            let from = ledger.silence_from(analyzer).await?;
            let since = hours.silent_since(&self.bench.clock, self.now, from);
            let words = |since| say!("found.silent_hours", at = self.time(since));
            return Ok(since.map(words));
        }
        let Some(last) = last.filter(|last| self.now - last >= SILENCE_LEAST) else {
            return Ok(None);
        };
        let before = |week: i64| (last - week * WEEK_US, self.now - week * WEEK_US);
        let spans: Vec<_> = (1..=WEEKS).map(before).collect();
        let silent = ledger.spans_heard(analyzer, &spans).await? == spans.len();
        Ok(silent.then(|| say!("found.silent")))
    }
}
