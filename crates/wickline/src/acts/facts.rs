//! What the door looks at, read inside the write in which it is acted upon.

use wickline_normalize::{Private, Reason};

use super::door::{self, Asked, Facts, Other, Under};
use super::meeting;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
pub(crate) use crate::store::refused;
use crate::store::rows::message;
use crate::store::rows::report::{self, Aside, ReportRow};
use crate::texts::{say, way};

/// What is known of a report beside its row.
pub(crate) struct Known {
    reasons: Vec<Reason>,
    under: Under,
    here: bool,
    sent: bool,
    waits: Option<Reason>,
}

impl Known {
    /// A report, and what is known of it.
    pub async fn read(
        write: &mut Write,
        bench: &Bench,
        n: i64,
    ) -> Result<(ReportRow, Self), StoreError> {
        let row = whole(write, n).await?;
        let known = Self::of(write, bench, &row).await?;
        Ok((row, known))
    }

    /// What is known of a report that was read.
    pub async fn of(write: &mut Write, bench: &Bench, row: &ReportRow) -> Result<Self, StoreError> {
        let waits = meeting::waits(write, bench, row, row.specimen.as_deref()).await?;
        Self::met(write, bench, row, waits).await
    }

    /// The same of one that has just met its orders: `waits` is what they said.
    pub async fn met(
        write: &mut Write,
        bench: &Bench,
        row: &ReportRow,
        waits: Option<Reason>,
    ) -> Result<Self, StoreError> {
        Ok(Self {
            reasons: row.reasons().collect(),
            under: under(write, row).await?,
            here: bench.analyzer(&row.analyzer).is_some(),
            sent: message::sent(write, row.n).await?,
            waits,
        })
    }

    /// What its orders say against it now.
    pub fn waits(&self) -> Option<Reason> {
        self.waits
    }

    /// The facts of an act that names no other report and enters nothing.
    pub fn facts<'a>(&'a self, row: &'a ReportRow) -> Facts<'a> {
        Facts {
            state: Some(row.state),
            control: row.is_control(),
            here: self.here,
            bears: row.specimen.as_deref(),
            specimen: row.specimen.as_deref(),
            holds: &self.reasons,
            corrects: row.corrects,
            under: self.under,
            aside_by_person: row.aside == Some(Aside::Person),
            named: row.named_from.is_some(),
            sent: self.sent,
            waits: self.waits,
            ..Facts::of(row.n, &row.analyzer)
        }
    }
}

impl Ledger {
    /// Whether an act may be done with a report as it stands, looked at before a person is asked for a reason.
    pub async fn report_may(&self, bench: &Bench, asked: Asked, n: i64) -> Result<(), StoreError> {
        let mut moment = self.db.moment().await?;
        let (row, known) = Known::read(&mut moment, bench, n).await?;
        moment.commit().await?;
        let next = Some("asked for next");
        let facts = Facts { reason: next, twice: true, ..known.facts(&row) };
        let facts = match asked {
            Asked::Identify => Facts { specimen: next, ..facts },
            _ => facts,
        };
        door::pass(asked, &facts)?;
        Ok(())
    }
}

/// How the OBR-3 stands under which a report goes.
pub(crate) async fn under(write: &mut Write, row: &ReportRow) -> Result<Under, StoreError> {
    if message::withdrawn(write, row.root(), &row.filler).await? {
        return Ok(Under::Withdrawn);
    }
    Ok(match report::speaks(write, row.root()).await? {
        Some(n) => Under::Report(n),
        None if row.corrects.is_some() => Under::Withdrawn,
        None => Under::Nobody,
    })
}

/// Another report as an act names it.
pub(crate) fn other(row: &ReportRow) -> Other<'_> {
    Other {
        n: row.n,
        specimen: row.specimen.as_deref(),
        printed: row.print.specimen.as_ref().map(Private::expose),
    }
}

/// What a person does to no report in particular wants a reason too.
pub(crate) fn reasoned(reason: &str) -> Result<(), StoreError> {
    match reason.trim().is_empty() {
        true => Err(refused(say!("no.reason"))),
        false => Ok(()),
    }
}

/// A report, or that there is none.
pub(crate) async fn whole(write: &mut Write, n: i64) -> Result<ReportRow, StoreError> {
    report::read(write, n)
        .await?
        .ok_or_else(|| refused(say!("no.report", n = n).then("; ").then(way!("held"))))
}

/// The analyzer of a report, where it is this bench's.
pub(crate) fn analyzer<'a>(bench: &'a Bench, row: &ReportRow) -> Result<&'a Analyzer, StoreError> {
    bench
        .analyzer(&row.analyzer)
        .map(AsRef::as_ref)
        .ok_or_else(|| refused(say!("no.own_bench", n = row.n, id = &row.analyzer)))
}

/// The reasons that still hold a report, for the trail.
pub(crate) fn codes(row: &ReportRow) -> String {
    super::door::codes(&row.reasons().collect::<Vec<_>>())
}
