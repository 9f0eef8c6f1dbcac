//! Saying whose or what a held report is: a specimen id, or control material of a level and lot. Both are
//! entered twice.

use wickline_normalize::Reason;

use super::Became;
use super::bearing;
use super::door::{self, Asked, Facts, Then};
use super::facts::{Known, analyzer, refused, whole};
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::report;
use crate::store::state::ReportState;
use crate::store::trail::{Act, Actor, record};
use crate::texts::say;

/// Characters of a control lot at most.
const LONGEST: usize = 40;

/// What is entered twice.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Entered {
    Specimens,
    Levels,
    Lots,
}

/// What a person entered twice, alike.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Twice(String);

impl Twice {
    /// Both times the same, or why not.
    pub fn of(what: Entered, first: &str, second: &str) -> Result<Self, StoreError> {
        if first == second {
            return Ok(Self(first.to_owned()));
        }
        Err(refused(match what {
            Entered::Specimens => say!("no.specimens_differ"),
            Entered::Levels => say!("no.levels_differ"),
            Entered::Lots => say!("no.lots_differ"),
        }))
    }

    #[must_use]
    pub fn text(&self) -> &str {
        &self.0
    }
}

/// Control material as a person says it: level and lot.
#[derive(Clone, Debug)]
pub struct Material {
    pub level: Twice,
    pub lot: Twice,
}

impl Ledger {
    /// Whether a person said the same of a report before, and it is as that left it: how it stands.
    pub async fn report_identified(
        &self,
        n: i64,
        specimen: &Twice,
    ) -> Result<Option<ReportState>, StoreError> {
        let mut moment = self.db.moment().await?;
        let row = whole(&mut moment, n).await?;
        moment.commit().await?;
        let named = row.named_from.is_some() && !row.control_sign;
        let same = named && row.specimen.as_deref() == Some(specimen.text());
        let stands = matches!(row.state, ReportState::Held | ReportState::Waiting);
        Ok((same && stands).then_some(row.state))
    }

    /// Says whose specimen a held report is.
    pub async fn report_identify(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        specimen: &Twice,
    ) -> Result<Became, StoreError> {
        let specimen = specimen.text();
        let mut write = self.act().await?;
        let (mut row, known) = Known::read(&mut write, bench, n).await?;
        let facts = Facts { specimen: Some(specimen), twice: true, ..known.facts(&row) };
        // What it is held for under this id, in place of what held it under the one before.
        let (fresh, waits) = bearing::met(&mut write, bench, &row, Some(specimen)).await?;
        let stays = facts.holds.iter().copied().filter(|reason| *reason != Reason::SecondResult);
        let more: Vec<Reason> = stays.chain(fresh.iter().map(|h| h.reason)).collect();
        let pass = door::pass(Asked::Identify, &Facts { holds: &more, waits, ..facts })?;
        bench
            .check_specimen(&row.analyzer, specimen, row.print.number.as_deref())
            .map_err(refused)?;
        let lifted: Vec<Reason> = row.reasons().filter(|r| pass.lifts(*r)).collect();
        report::identify(&mut write, n, specimen, &row.named(lifted)).await?;
        let was = row.specimen.replace(specimen.to_owned());
        bearing::changed(&mut write, &mut row).await?;
        bearing::hold_for(&mut write, n, fresh).await?;
        self.let_go(&mut write, bench, &row, &pass).await?;
        let became = if pass.then() == Then::Held { "held" } else { "waiting" };
        let act = Act {
            verb: "identify",
            object: format!("report {n}"),
            reason: Some("specimen id entered twice".into()),
            was: Some(format!("held, {}", named(was.as_deref()))),
            became: Some(format!("{became}, {}", named(Some(specimen)))),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(vec![(n, became.into())])
    }

    /// Says that a held report without a usable specimen id is control material. It is filed; it passes as a
    /// run only where the analyzer itself ran it as a control.
    pub async fn report_is_control(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        material: &Material,
        reason: &str,
    ) -> Result<Became, StoreError> {
        let (level, lot) = (material.level.text(), material.lot.text());
        let mut write = self.act().await?;
        let (mut row, known) = Known::read(&mut write, bench, n).await?;
        let facts = Facts { twice: true, reason: Some(reason), ..known.facts(&row) };
        let pass = door::pass(Asked::FileAsControl, &facts)?;
        let analyzer = analyzer(bench, &row)?;
        analyzer.check_level(level).map_err(refused)?;
        check_lot(lot)?;
        let by_analyzer = row.is_control();
        let lifted: Vec<Reason> = row.reasons().filter(|r| pass.lifts(*r)).collect();
        report::name_control(&mut write, n, level, &row.named(lifted)).await?;
        (row.control_sign, row.level) = (true, Some(level.to_owned()));
        row.print.control_lot = Some(lot.to_owned());
        super::controls::identified(&mut write, bench, analyzer, &row, level, by_analyzer).await?;
        self.let_go(&mut write, bench, &row, &pass).await?;
        let act = Act {
            verb: "identify",
            object: format!("report {n}"),
            reason: Some(reason.to_owned()),
            was: Some(format!("held, {}", row.class.code())),
            became: Some(format!("filed, control, level {level}, lot {lot}")),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        self.release_now(bench, analyzer).await;
        Ok(vec![(n, "filed".into())])
    }
}

/// A specimen id for the trail.
pub(crate) fn named(specimen: Option<&str>) -> String {
    match specimen.map(str::trim).filter(|s| !s.is_empty()) {
        Some(id) => say!("kept.specimen", id = id).to_string(),
        None => say!("kept.no_specimen").to_string(),
    }
}

fn check_lot(lot: &str) -> Result<(), StoreError> {
    let fits = (1..=LONGEST).contains(&lot.chars().count());
    if fits && lot.trim() == lot && !lot.chars().any(char::is_control) {
        return Ok(());
    }
    Err(refused(say!("no.control_lot", most = LONGEST)))
}
