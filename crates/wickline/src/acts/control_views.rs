//! How an analyzer stands with its controls, for each of its strip types.

use serde::Serialize;
use wickline_normalize::Moment;
use wickline_normalize::controls::{Ran, State, standing};

use super::instruments::instruments;
use super::strip_lots::lots;
use crate::clock::{SiteClock, moment_rfc3339};
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Conn;
use crate::store::ledger::Ledger;
use crate::store::lists::runs;

/// How one level, or all of them, stands.
#[derive(Clone, Debug, Serialize)]
pub struct Stands {
    /// Of one level; None for all of them together.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub level: Option<String>,
    /// `passed`, `failed`, `due`; `no-plan` where nothing says what control material must read.
    pub state: &'static str,
    /// Passed: until when.
    pub until: Option<String>,
    /// Failed or due: since when. Due without it: no run passed that counts.
    pub since: Option<String>,
}

/// How an analyzer stands with its controls, for one strip type.
#[derive(Clone, Debug, Serialize)]
pub struct ControlStanding {
    pub analyzer: String,
    pub strip: String,
    pub strip_lot: Option<String>,
    pub strip_last_day: Option<String>,
    /// The lot in use is past its last day.
    pub strip_expired: bool,
    #[serde(flatten)]
    pub overall: Stands,
    pub levels: Vec<Stands>,
    /// Patients' reports that wait for controls, and nothing else is said of them here.
    pub held: i64,
    /// The same for those who judge by it.
    #[serde(skip)]
    pub at: State,
}

impl Stands {
    fn of(level: Option<&str>, state: &State, clock: &SiteClock) -> Stands {
        // Times on the wall, as the site's clock shows them.
        let text = |m: Moment| Some(moment_rfc3339(&clock.with_offset(m).unwrap_or(m)));
        let (until, since) = match state {
            State::Passed { until } => (text(*until), None),
            State::Failed { since } => (None, text(*since)),
            State::Due { since } => (None, since.and_then(text)),
        };
        Stands { level: level.map(str::to_owned), state: state.code(), until, since }
    }
}

impl Ledger {
    /// How an analyzer stands at a time, for each of its strip types.
    pub async fn control_standing(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
        at: i64,
    ) -> Result<Vec<ControlStanding>, StoreError> {
        let mut conn = self.db.read().await?;
        let stands = stand(&mut conn, bench, analyzer, at).await?;
        self.db.give_back(conn).await;
        Ok(stands)
    }
}

async fn stand(
    conn: &mut Conn,
    bench: &Bench,
    analyzer: &Analyzer,
    at: i64,
) -> Result<Vec<ControlStanding>, StoreError> {
    let (clock, rules) = (&bench.clock, &analyzer.controls);
    let instrument = instruments(conn, analyzer).await?.at(at).n;
    let ran = super::controls::runs(conn, clock, analyzer, instrument, at).await?;
    let lots = lots(conn, &analyzer.id).await?;
    let held = runs::held(conn, &analyzer.id).await?;
    let all: Vec<Ran> = ran.iter().map(|(_, ran)| ran.clone()).collect();
    let mut stands = Vec::with_capacity(analyzer.strips.len());
    for strip in &analyzer.strips {
        let entered = lots.at(&strip.id, at);
        let printed = runs::printed(conn, &analyzer.id, &strip.id).await?;
        let run = ran.iter().rev().find(|(id, _)| *id == strip.id);
        // What the print names stands above what was entered.
        let lot = (printed.lot.clone())
            .or_else(|| entered.map(|e| e.lot.clone()))
            .or_else(|| run.and_then(|(_, one)| one.strip_lot.clone()));
        let last_day = printed
            .last_day
            .or_else(|| entered.filter(|e| Some(&e.lot) == lot.as_ref())?.last_day.clone());
        let now = clock.moment(at);
        let found = standing(rules.plan.levels(), &all, &rules.period, lot.as_deref(), now);
        let level = |(level, state): &(String, State)| Stands::of(Some(level), state, clock);
        stands.push(ControlStanding {
            analyzer: analyzer.id.clone(),
            strip: strip.id.clone(),
            strip_lot: lot,
            strip_expired: last_day.as_ref().is_some_and(|day| clock.day(at) > *day),
            strip_last_day: last_day,
            overall: if rules.plan.levels().is_empty() {
                Stands { level: None, state: "no-plan", until: None, since: None }
            } else {
                Stands::of(None, &found.overall, clock)
            },
            levels: found.levels.iter().map(level).collect(),
            held: held.get(&strip.id).copied().unwrap_or(0),
            at: found.overall,
        });
    }
    Ok(stands)
}
