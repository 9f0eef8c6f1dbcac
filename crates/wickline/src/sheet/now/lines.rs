//! How the lines are: open or not and why, what was last heard, what went wrong on them.

use serde_json::json;

use super::{About, Look, facts};
use crate::pipeline::seen::{GO_ON_US, NOT_YET};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::daemon_state::{Kind, Point};

/// A silence shorter than this is nobody's habit, in microseconds. Our own choice.
const SILENCE_LEAST: i64 = 3_600_000_000;
/// An analyzer is silent beyond its habit where it said something in the same hours of each of so many
/// weeks before. Our own choice.
const WEEKS: i64 = 3;
const WEEK_US: i64 = 7 * 86_400_000_000;
/// A daemon that began less long ago may be opening a line still: nobody is needed for that. An opening has 10 s, and
/// what it came to is told within a second or two.
const OPENING_US: i64 = 15_000_000;

const RIVALS: &str = "find the second device that has this line's address in its settings, and give it a line of \
                      its own";
const REFUSED: &str = "find who connects: an analyzer that has a new address belongs into `allow` of this line, then \
                       `systemctl reload wickline`; a second device needs a line of its own";
const SILENT: &str = "see whether the analyzer is on, is set to send and has its cable; where nobody measured, \
                      nothing is wrong: the next report lifts this";
const COPY: &str = "have the place that the copy goes to take it again; results do not wait for it";

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
                format!("serial {} since {since}", one.serial),
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
                Some((n, at)) => format!("last report {n}, heard {}", self.time(at)),
                None => "no report yet".to_owned(),
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
                last_away.map(|at| {
                    format!(
                        "{many} connection(s) turned away today and not read, the last at {}",
                        self.time(at)
                    )
                }),
            ];
            let text = parts.into_iter().flatten().collect::<Vec<_>>().join("; ");
            let down = point.as_ref().is_some_and(|p| !p.up && !self.is_being_opened(p));
            let up = point.as_ref().map(|p| p.up).or(self.lock.filter(|lives| !lives));
            let since = point.map(|p| self.bench.clock.rfc3339(p.since));
            let last_at = last.map(|(_, at)| self.bench.clock.rfc3339(at));
            let copied = tee.as_ref().map(|tee| tee.up);
            // Each has a finding of its own: of one that is known and told nothing more would be told when the line
            // goes down, too.
            let beside = [
                silence.clone().map(|silence| ("silent", silence, SILENT)),
                rivals.as_ref().map(|rivals| ("rivals", self.rivals(rivals), RIVALS)),
                refused.as_ref().map(|refused| ("refused", self.refused(refused), REFUSED)),
                tee.as_ref().filter(|t| !t.up).map(|tee| ("copy", self.copy(tee), COPY)),
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
                found.todo = Some(todo.to_owned());
            }
        }
        Ok(())
    }

    fn stands(&self, point: Option<&Point>) -> String {
        let Some(point) = point else {
            return match self.lock {
                Some(false) => "closed: no daemon runs",
                _ => "not known: no daemon tells of it",
            }
            .to_owned();
        };
        let how = point.why.as_deref().map_or(String::new(), |how| format!(" ({how})"));
        if self.is_being_opened(point) {
            return "being opened".to_owned();
        }
        let stands = if point.up { "open" } else { "down" };
        format!("{stands} since {}{how}", self.time(point.since))
    }

    fn is_being_opened(&self, point: &Point) -> bool {
        let begun = point.why.as_deref() == Some(NOT_YET);
        !point.up && begun && self.now - point.since < OPENING_US
    }

    fn rivals(&self, rivals: &Point) -> String {
        let at = self.time(rivals.since);
        format!(
            "since {at} new connections take it over again and again: do two devices connect to it?"
        )
    }

    fn refused(&self, refused: &Point) -> String {
        let (since, last) = (refused.since, refused.last_at.unwrap_or(refused.since));
        let how = refused.why.as_deref().unwrap_or_default();
        format!(
            "connections are refused since {}, the last at {}: {how}",
            self.time(since),
            self.time(last)
        )
    }

    fn copy(&self, tee: &Point) -> String {
        let to = tee.why.as_deref().unwrap_or_default();
        match tee.up {
            true => format!("its copy goes to {to}"),
            false => format!("its copy waits since {} for {to}", self.time(tee.since)),
        }
    }

    fn troubles(&self, troubles: &Point) -> String {
        let last = self.time(troubles.last_at.unwrap_or(troubles.since));
        let what = troubles.why.as_deref().unwrap_or_default();
        format!("since {} {what}, the last told at {last}", self.time(troubles.since))
    }

    fn noise(&self, noise: &Point) -> String {
        let last = self.time(noise.last_at.unwrap_or(noise.since));
        let what = noise.why.as_deref().unwrap_or_default();
        format!(
            "noise since {}, {what}, the last at {last}: on the tape, and no report",
            self.time(noise.since)
        )
    }

    /// In words, where an analyzer says nothing for longer than the laboratory allows in its working hours; without
    /// those, for longer than in the same hours of the weeks before.
    async fn silence(
        &self,
        ledger: &Ledger,
        analyzer: &str,
        last: Option<i64>,
    ) -> Result<Option<String>, StoreError> {
        let hours = self.bench.analyzer(analyzer).and_then(|a| a.hours.as_ref());
        if let Some(hours) = hours {
            let from = ledger.silence_from(analyzer).await?;
            let since = hours.silent_since(&self.bench.clock, self.now, from);
            let words = |since| format!("silent in its working hours since {}", self.time(since));
            return Ok(since.map(words));
        }
        let Some(last) = last.filter(|last| self.now - last >= SILENCE_LEAST) else {
            return Ok(None);
        };
        let before = |week: i64| (last - week * WEEK_US, self.now - week * WEEK_US);
        let spans: Vec<_> = (1..=WEEKS).map(before).collect();
        let silent = ledger.spans_heard(analyzer, &spans).await? == spans.len();
        Ok(silent.then(|| "silent for longer than is its habit at this hour".to_owned()))
    }
}
