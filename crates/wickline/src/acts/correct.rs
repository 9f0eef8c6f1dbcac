//! Correcting what went out: a report is read again from the tape, or takes the readings of another print of
//! the same specimen.

use wickline_normalize::{Judged, Reason, Report, Way};

use super::comparing::Difference;
use super::decide::changed;
use super::door::{self, Asked, Facts};
use super::facts::{Known, analyzer, other, refused, whole};
use super::intake::row_of;
use super::reread::Update;
use super::telling::{Outcome, Said, Saying, Word};
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::report::ReportRow;
use crate::store::rows::{hold, report_entry};
use crate::store::state::{Arrow, ReportState};
use crate::store::tape::Tape;
use crate::store::trail::{Act, Actor, record};
use crate::texts::{say, way};

/// What became of a report that was corrected.
#[derive(Clone, Debug)]
pub struct Corrected {
    pub n: i64,
    pub differences: Vec<Difference>,
    pub outcomes: Vec<Outcome>,
}

impl Ledger {
    /// Reads a report that went out again from the tape, with today's dialect, strip and rules, or takes
    /// the readings `as_in` another print of the same specimen, and corrects it for every receiver.
    pub async fn report_correct(
        &self,
        bench: &Bench,
        tape: &Tape,
        actor: &Actor,
        n: i64,
        as_in: Option<i64>,
        reason: &str,
    ) -> Result<Corrected, StoreError> {
        let mut write = self.act().await?;
        let open = whole(&mut write, n).await?;
        let source = match as_in {
            None => None,
            Some(other) => Some(source(&mut write, &open, other).await?),
        };
        let known = Known::of(&mut write, bench, &open).await?;
        let facts =
            Facts { reason: Some(reason), other: source.as_ref().map(other), ..known.facts(&open) };
        let asked = if as_in.is_some() { Asked::CorrectAsIn } else { Asked::Correct };
        let pass = door::pass(asked, &facts)?;
        let from = source.as_ref().unwrap_or(&open);
        let (print, decided) = self.read_again(&mut write, bench, tape, from).await?;
        stands(&mut write, from, &decided.judged, source.is_some()).await?;
        let row = row_of(analyzer(bench, &open)?, &print, &decided)?;
        let update = Update { n, decided: &decided, row, control_sign: false };
        match &source {
            Some(_) => take_over(&mut write, &open, &print, update).await?,
            None if print.specimen != open.print.specimen && open.given.is_none() => {
                return Err(refused(
                    say!("no.reads_otherwise", n = n)
                        .then(". ")
                        .then(way!("withdraw_right", n = n)),
                ));
            }
            None => {
                update.keep(&mut write, Arrow::stays(ReportState::Waiting)).await?;
            }
        }
        let now = whole(&mut write, n).await?;
        let differences = changed(&open, &now);
        let word = Word::by(&pass, &now, Saying::Results, Some(reason))?;
        let outcomes = self.tell(&mut write, bench, &word).await?;
        let quiet = outcomes.iter().all(|o| o.said == Said::Nothing);
        if quiet && differences.is_empty() {
            // Dropped: nothing differs, so nothing is changed.
            return Ok(Corrected { n, differences, outcomes });
        }
        record(&mut write, actor, act(n, as_in, reason, &differences)).await?;
        write.commit().await?;
        Ok(Corrected { n, differences, outcomes })
    }
}

fn act(n: i64, as_in: Option<i64>, reason: &str, differences: &[Difference]) -> Act {
    let pairs = |of: fn(&Difference) -> &String| {
        let all = differences.iter().map(|d| format!("{}: {}", d.what, of(d)));
        all.collect::<Vec<_>>().join("; ")
    };
    let from = as_in.map_or(String::new(), |other| format!("readings of report {other}; "));
    Act {
        verb: "correct",
        object: format!("report {n}"),
        reason: Some(reason.to_owned()),
        was: Some(pairs(|d| &d.before)),
        became: Some(from + &pairs(|d| &d.after)),
    }
}

/// The print whose readings are to be taken over.
async fn source(write: &mut Write, open: &ReportRow, other: i64) -> Result<ReportRow, StoreError> {
    let found = whole(write, other).await?;
    if found.analyzer != open.analyzer || other == open.n || found.is_control() {
        return Err(refused(say!("no.other_report", n = other, id = &open.analyzer)));
    }
    Ok(found)
}

/// Puts the readings of another print into a report's row: whose it is stays.
async fn take_over(
    write: &mut Write,
    open: &ReportRow,
    print: &Report,
    from: Update<'_>,
) -> Result<(), StoreError> {
    let print = Report {
        readings: print.readings.clone(),
        taken: print.taken,
        operator: print.operator.clone(),
        strip_lot: print.strip_lot.clone(),
        ..open.print.clone()
    };
    report_entry::take_over(write, open.n, &print, &from.row).await
}

/// Whether a report that was read again could go out as it is; what a person let go once, goes again.
async fn stands(
    write: &mut Write,
    open: &ReportRow,
    judged: &Judged,
    readings_only: bool,
) -> Result<(), StoreError> {
    let n = open.n;
    if judged.control_sign {
        return Err(refused(say!("no.reads_control", n = n)));
    }
    let own = !readings_only && open.corrects.is_none();
    if let (Way::Repeat { of }, true) = (judged.way, own) {
        return Err(refused(say!("no.reads_repeat", n = n, of = of)));
    }
    let cleared = hold::cleared(write, n).await?;
    let holds: Vec<String> = judged
        .holds
        .iter()
        .filter(|h| is_about_readings(h.reason) || !readings_only)
        .filter(|h| {
            let word = |detail: &str| !is_about_readings(h.reason) || detail == h.detail;
            !cleared.iter().any(|(reason, detail)| *reason == h.reason && word(detail))
        })
        .map(|h| format!("{}: {}", h.reason.code(), h.detail))
        .collect();
    if holds.is_empty() {
        return Ok(());
    }
    Err(refused(say!("no.would_be_held", n = n).then(format!(" {}", holds.join("; ")))))
}

fn is_about_readings(reason: Reason) -> bool {
    use Reason::{GradeValueDisagree, Incomplete, LineError, MarkDisagree, NotFinal, OffLadder};
    use Reason::{
        PadUnread, PadsMissing, PadsUnexpected, UnitUnexpected, UnknownAnalyte, Unreadable,
    };
    matches!(
        reason,
        GradeValueDisagree
            | Incomplete
            | LineError
            | MarkDisagree
            | NotFinal
            | OffLadder
            | PadUnread
            | PadsMissing
            | PadsUnexpected
            | UnitUnexpected
            | UnknownAnalyte
            | Unreadable
    )
}
