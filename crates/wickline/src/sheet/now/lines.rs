//! How the lines are: open or not and why, what was last heard, what went wrong on them.

use serde_json::json;

use super::{About, Look, facts};
use crate::store::StoreError;
use crate::store::rows::daemon_state::Kind;

/// A silence shorter than this is nobody's habit, in microseconds. Our own choice.
const SILENCE_LEAST: i64 = 3_600_000_000;
/// An analyzer is silent beyond its habit where it said something in the same hours of each of so many
/// weeks before. Our own choice.
const WEEKS: i64 = 3;
const WEEK_US: i64 = 7 * 86_400_000_000;

impl Look<'_> {
    /// The lines of this bench, and those that other daemons tell of.
    pub(super) async fn lines(&mut self) -> Result<(), StoreError> {
        let mut ids: Vec<String> = self.bench.analyzers.iter().map(|a| a.id.clone()).collect();
        for told in &self.told {
            let lines = told.points.keys().filter(|(kind, _)| *kind == Kind::Line);
            let new: Vec<_> = lines.filter(|(_, id)| !ids.contains(id)).cloned().collect();
            ids.extend(new.into_iter().map(|(_, id)| id));
        }
        for id in ids {
            let last = self.ledger.last_report(&id).await?;
            let silent = self.is_silent(&id, last.map(|(_, at)| at)).await?;
            let last_text = match last {
                Some((n, at)) => format!("last report {n}, heard {}", self.time(at)),
                None => "no report yet".to_owned(),
            };
            let point = self.point(Kind::Line, &id, None).cloned();
            let up = point.as_ref().map(|p| p.up);
            let mut text = match &point {
                None => "not known: no daemon tells of it".to_owned(),
                Some(point) if point.up => {
                    let how = point.why.as_deref().map_or(String::new(), |how| format!(" ({how})"));
                    format!("open since {}{how}", self.time(point.since))
                }
                Some(point) => {
                    let why = point.why.as_deref().map_or(String::new(), |w| format!(" ({w})"));
                    format!("down since {}{why}", self.time(point.since))
                }
            };
            text = format!("{text}; {last_text}");
            if silent {
                text.push_str("; silent for longer than is its habit at this hour");
            }
            let rivals = self.point(Kind::Rivals, &id, None).map(|point| self.time(point.since));
            if let Some(at) = &rivals {
                text.push_str(&format!(
                    "; since {at} new connections take it over again and again: do two devices connect to it?"
                ));
            }
            let tee = self.point(Kind::Tee, &id, None).cloned();
            if let Some(tee) = &tee {
                let stands = if tee.up { "goes to" } else { "waits since" };
                let at =
                    if tee.up { String::new() } else { format!(" {} for", self.time(tee.since)) };
                let to = tee.why.as_deref().unwrap_or_default();
                text.push_str(&format!("; its copy {stands}{at} {to}"));
            }
            let troubles = self.point(Kind::Troubles, &id, None);
            if let Some((point, what)) = troubles.and_then(|p| Some((p, p.why.as_deref()?))) {
                let last = point.last_at.unwrap_or(point.since);
                let (since, last) = (self.time(point.since), self.time(last));
                text.push_str(&format!("; since {since} {what}, the last told at {last}"));
            }
            let troubles = troubles.and_then(|point| point.why.clone());
            let since = point.map(|p| self.bench.clock.rfc3339(p.since));
            let last_at = last.map(|(_, at)| self.bench.clock.rfc3339(at));
            let wrong = up == Some(false)
                || silent
                || rivals.is_some()
                || tee.as_ref().is_some_and(|tee| !tee.up);
            let found = self.add(About::Line, &id, wrong, text);
            found.facts = facts([
                ("up", json!(up)),
                ("since", json!(since)),
                ("last_report", json!(last.map(|(n, _)| n.to_string()))),
                ("last_report_at", json!(last_at)),
                ("silent", json!(silent)),
                ("rivals", json!(rivals.is_some())),
                ("troubles", json!(troubles)),
                ("tee", json!(tee.as_ref().map(|tee| tee.up))),
            ]);
        }
        Ok(())
    }

    /// Whether an analyzer says nothing for longer than in the same hours of the weeks before.
    async fn is_silent(&self, analyzer: &str, last: Option<i64>) -> Result<bool, StoreError> {
        let Some(last) = last.filter(|last| self.now - last >= SILENCE_LEAST) else {
            return Ok(false);
        };
        let before = |week: i64| (last - week * WEEK_US, self.now - week * WEEK_US);
        let spans: Vec<_> = (1..=WEEKS).map(before).collect();
        Ok(self.ledger.spans_heard(analyzer, &spans).await? == spans.len())
    }
}
