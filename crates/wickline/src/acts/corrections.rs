//! Putting right what went out: what a second print of a number is, corrections, withdrawals.

use sqlx::{Executor, Row};
use wickline_normalize::{Judged, Private, Reason, Remedy, Report, Way};

use crate::acts::again::{Difference, beside, texts};
use crate::acts::held::{
    Became, Open, clear_one, codes, let_go_in, moved, no, one_row, opened, set_unsent, whole,
};
use crate::acts::intake::row_of;
use crate::acts::rereading::{Update, known};
use crate::acts::telling::{Outcome, Said, Saying};
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::ledger::filler;
use crate::store::ledger::take;
use crate::store::rows::named::renamed;
use crate::store::state::State;
use crate::store::tape::Tape;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

/// What a person says that a report is which is held as `number-reused` or `correction-heard`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Decision {
    /// A run of its own: it goes out under its own OBR-3.
    NewRun,
    /// It corrects an earlier report; which one, where that has to be said.
    Correction { of: Option<i64> },
    /// Nothing: it is set aside.
    Mistake,
}

/// What became of a report that was corrected.
#[derive(Clone, Debug)]
pub struct Corrected {
    pub n: i64,
    pub differences: Vec<Difference>,
    pub outcomes: Vec<Outcome>,
}

/// What became of a report that was withdrawn.
#[derive(Clone, Debug)]
pub struct Withdrawn {
    pub n: i64,
    pub state: State,
    pub withdrawn: Vec<Outcome>,
    /// Under the right specimen, where one was given.
    pub anew: Vec<Outcome>,
}

impl Ledger {
    /// Decides what a held report is that shares its number with another, or that the analyzer marked
    /// as a correction. Other reasons that hold it stay.
    pub async fn report_decide(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        decision: Decision,
        reason: &str,
    ) -> Result<Became, StoreError> {
        let mut write = self.act().await?;
        let mut open = opened(&mut write, n, State::Held).await?;
        known(bench, &open)?;
        let to_decide = |(_, r, _): &&(i64, Reason, String)| r.remedy() == Remedy::Decide;
        if !open.holds.iter().any(|h| to_decide(&h)) {
            return Err(no(format!(
                "report {n} is held for {}: there is nothing to decide",
                codes(open.holds.iter().map(|(_, r, _)| *r))
            )));
        }
        let reused = open.holds.iter().any(|(_, r, _)| *r == Reason::NumberReused);
        let mut act = Act {
            verb: "decide",
            object: format!("report {n}"),
            reason: Some(reason.to_owned()),
            was: Some(codes(open.holds.iter().map(|(_, r, _)| *r))),
            ..Act::default()
        };
        match decision {
            Decision::Mistake => {
                moved(&mut write, n, State::Held, State::SetAside, Some(reason)).await?;
                act.became = Some("mistake, set-aside".into());
                record(&mut write, actor, act).await?;
                write.commit().await?;
                return Ok(vec![(n, "set-aside".into())]);
            }
            Decision::NewRun => {
                if let Some(earlier) = open.corrects {
                    return Err(no(format!(
                        "report {n} was decided to correct report {earlier} already: let it go as that, or \
                         set it aside"
                    )));
                }
                act.became = Some("new run".into());
                if reused {
                    crate::acts::numbers::began_again(&mut write, bench, &open).await?;
                }
            }
            Decision::Correction { of } => {
                let earlier = corrected_by(&mut write, &open, of).await?;
                act.became = Some(change(&earlier, &open));
                goes_under(&mut write, &mut open, &earlier, reason).await?;
            }
        }
        // As a correction it goes under the earlier report's specimen: its own has not to be told.
        let lifted = |r: Reason| match decision {
            Decision::Correction { .. } if r.remedy() == Remedy::Identify => true,
            _ => r.remedy() == Remedy::Decide,
        };
        let (cleared, rest): (Vec<_>, Vec<_>) =
            open.holds.into_iter().partition(|(_, r, _)| lifted(*r));
        for (ix, _, _) in &cleared {
            clear_one(&mut write, n, *ix).await?;
        }
        open.holds = rest;
        let state = self.go_on(&mut write, bench, &open).await?;
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(vec![(n, state.text().into())])
    }

    /// Lets a report go that nothing holds any more: a patient's to its receivers, control material to
    /// the file.
    async fn go_on(
        &self,
        write: &mut Write,
        bench: &Bench,
        open: &Open,
    ) -> Result<State, StoreError> {
        if !open.holds.is_empty() {
            return Ok(State::Held);
        }
        if !open.is_control() {
            let_go_in(self, write, bench, open).await?;
            return Ok(State::Waiting);
        }
        moved(write, open.n, State::Held, State::Filed, None).await?;
        if let (Some(analyzer), Some(level)) = (bench.analyzer(&open.analyzer), &open.level) {
            crate::acts::controls::identified(write, bench, analyzer, open, level).await?;
        }
        self.messages(write, bench, open).await?;
        Ok(State::Filed)
    }

    /// Reads a report that went out again from the tape, with today's dialect, strip and rules, or takes
    /// the readings `as_in` another print of its analyzer, and corrects it for every receiver.
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
        let open = speaking(&mut write, n).await?;
        let analyzer = known(bench, &open)?;
        let other = match as_in {
            None => None,
            Some(other) => Some(source(&mut write, &open, other).await?),
        };
        let from = other.as_ref().unwrap_or(&open);
        let (print, decided) = self.read_again(&mut write, bench, tape, from).await?;
        stands(&mut write, from, &decided.judged, other.is_some()).await?;
        let row = row_of(analyzer, &print, &decided);
        let update = Update { n, decided: &decided, row, control_sign: false };
        match &other {
            Some(_) => take_over(&mut write, &open, &print, update).await?,
            None if print.specimen != open.print.specimen && open.given.is_none() => {
                return Err(no(format!(
                    "report {n}: its specimen id now reads otherwise: that is no correction. `wickline \
                     report withdraw {n} --specimen ID` sends it under the right one"
                )));
            }
            None => drop(update.keep(&mut write, State::Waiting, State::Waiting).await?),
        }
        let before = texts(&open.readings);
        let now = whole(&mut write, n).await?;
        let differences = changed(&before, &texts(&now.readings));
        let outcomes = self.tell(&mut write, bench, &now, Saying::Results, Some(reason)).await?;
        let quiet = outcomes.iter().all(|o| o.said == Said::Nothing);
        if quiet && differences.is_empty() {
            // Dropped: nothing differs, so nothing is changed.
            return Ok(Corrected { n, differences, outcomes });
        }
        let pairs = |of: fn(&Difference) -> &String| {
            let all = differences.iter().map(|d| format!("{}: {}", d.what, of(d)));
            all.collect::<Vec<_>>().join("; ")
        };
        let act = Act {
            verb: "correct",
            object: format!("report {n}"),
            reason: Some(reason.to_owned()),
            was: Some(pairs(|d| &d.before)),
            became: Some(pairs(|d| &d.after)),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(Corrected { n, differences, outcomes })
    }

    /// Takes back all that was told under a report's OBR-3; with a specimen id, sends it anew under that
    /// one and a new OBR-3.
    pub async fn report_withdraw(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        reason: &str,
        specimen: Option<&str>,
    ) -> Result<Withdrawn, StoreError> {
        let write = self.act().await?;
        self.withdraw(write, bench, actor, n, reason, specimen).await
    }

    pub(crate) async fn withdraw(
        &self,
        mut write: Write,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        reason: &str,
        specimen: Option<&str>,
    ) -> Result<Withdrawn, StoreError> {
        let mut open = speaking(&mut write, n).await?;
        known(bench, &open)?;
        if let Some(specimen) = specimen {
            let number = open.print.number.as_deref();
            bench.check_specimen(&open.analyzer, specimen, number).map_err(no)?;
            if open.specimen.as_deref() == Some(specimen) {
                return Err(no(format!("report {n} goes under this specimen id already")));
            }
        }
        let withdrawn =
            self.tell(&mut write, bench, &open, Saying::Withdrawal, Some(reason)).await?;
        retire(&mut write, &open).await?;
        let note = format!("withdrawn: {reason}");
        others_aside(&mut write, &open, &format!("withdrawn with report {n}")).await?;
        let (state, anew) = match specimen {
            None => {
                moved(&mut write, n, State::Waiting, State::SetAside, Some(&note)).await?;
                set_unsent(&mut write, n, false).await?;
                (State::SetAside, Vec::new())
            }
            Some(specimen) => {
                let new = filler(&self.epoch, take(&mut write, "report", 1).await?);
                let old = std::mem::replace(&mut open.filler, new);
                open.specimen = Some(specimen.to_owned());
                renamed(&mut write, n, Some(specimen), "withdraw").await?;
                let query = sqlx::query(
                    "UPDATE report SET specimen = $1, given = $1, filler = $2 \
                     WHERE n = $3 AND state = 'waiting'",
                )
                .bind(specimen.to_owned())
                .bind(open.filler.clone())
                .bind(n);
                one_row(&mut write, n, query).await?;
                corrections_follow(&mut write, &open, &old).await?;
                let anew = self.tell(&mut write, bench, &open, Saying::Results, None).await?;
                set_unsent(&mut write, n, anew.is_empty()).await?;
                (State::Waiting, anew)
            }
        };
        let act = Act {
            verb: "withdraw",
            object: format!("report {n}"),
            reason: Some(reason.to_owned()),
            was: None,
            became: Some(match specimen {
                None => "withdrawn, set-aside".into(),
                Some(_) => "withdrawn, sent anew under another specimen and OBR-3".into(),
            }),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(Withdrawn { n, state, withdrawn, anew })
    }

    /// The report that a held one is to be decided against, and both versions side by side: every
    /// analyte of either, as it was and as it is. None: nothing is to be decided, or nothing fits.
    pub async fn side_by_side(&self, n: i64) -> Result<Option<(i64, Vec<Difference>)>, StoreError> {
        // Read like an act, so that both are of one moment; nothing is written.
        let mut write = self.db.write().await?;
        let open = whole(&mut write, n).await?;
        if !open.holds.iter().any(|(_, r, _)| r.remedy() == Remedy::Decide) {
            return Ok(None);
        }
        let [earlier] = candidates(&mut write, &open).await?[..] else { return Ok(None) };
        let earlier = whole(&mut write, earlier).await?;
        Ok(Some((earlier.n, beside(&texts(&earlier.readings), &texts(&open.readings)))))
    }
}

/// The report that speaks under an OBR-3 today: the last of those that corrected it, else the first.
pub(crate) async fn current(write: &mut Write, root: i64) -> Result<Option<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT n FROM report WHERE n IN (SELECT n FROM report WHERE n = $1 OR corrects = $1) \
         AND state = 'waiting' ORDER BY n DESC LIMIT 1",
    )
    .bind(root);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    row.map(|row| row.try_get(0)).transpose().map_err(|e| write.wrong(&e))
}

/// A patient's report that went out and is what its receivers go by.
async fn speaking(write: &mut Write, n: i64) -> Result<Open, StoreError> {
    let open = opened(write, n, State::Waiting).await?;
    if open.is_control() {
        return Err(no(format!("report {n} is control material: it is in nobody's chart")));
    }
    match current(write, open.root()).await? {
        Some(now) if now != n => {
            Err(no(format!("report {now} goes under its OBR-3 now: name that one in place of {n}")))
        }
        _ => Ok(open),
    }
}

/// Earlier patients' reports on their way or out that a held one may correct, the one that speaks for
/// each OBR-3 today.
async fn candidates(write: &mut Write, open: &Open) -> Result<Vec<i64>, StoreError> {
    // The same number in the same sequence, where that is known, else on the same day; without a number
    // the same specimen of that day.
    let query = sqlx::query(
        "SELECT DISTINCT coalesce(e.corrects, e.n) AS root FROM report e JOIN report own ON own.n = $1 \
         WHERE e.analyzer = own.analyzer AND e.n < own.n AND e.state = 'waiting' \
         AND e.control_sign = 0 AND e.class <> 'control' \
         AND ((own.number IS NOT NULL AND e.number = own.number AND CASE \
         WHEN e.sequence IS NULL OR own.sequence IS NULL THEN e.day = own.day \
         ELSE e.sequence = own.sequence END) \
         OR (own.number IS NULL AND e.number IS NULL AND e.day = own.day \
         AND e.specimen = own.specimen)) ORDER BY root LIMIT 20",
    )
    .bind(open.n);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let roots: Result<Vec<i64>, _> = rows.iter().map(|row| row.try_get(0)).collect();
    let mut found = Vec::new();
    for root in roots.map_err(|e| write.wrong(&e))? {
        found.extend(current(write, root).await?);
    }
    Ok(found)
}

/// The earlier report that a held one corrects, or why that cannot be told.
async fn corrected_by(write: &mut Write, open: &Open, of: Option<i64>) -> Result<Open, StoreError> {
    if open.is_control() {
        return Err(no(format!(
            "report {} bears a sign of control material: it corrects no patient's report",
            open.n
        )));
    }
    let fitting = candidates(write, open).await?;
    let n = match (of, &fitting[..]) {
        (Some(of), _) => of,
        (None, [one]) => *one,
        (None, []) => {
            return Err(no(format!(
                "report {}: no earlier report that went out has its number (or, without one, its specimen): \
                 `--of ID` says which one it corrects, or decide it is a new run or a mistake",
                open.n
            )));
        }
        (None, several) => {
            let ids: Vec<String> = several.iter().map(i64::to_string).collect();
            return Err(no(format!(
                "report {} may correct any of {}: say which with `--of ID`",
                open.n,
                ids.join(", ")
            )));
        }
    };
    let earlier = speaking(write, n).await?;
    if earlier.analyzer != open.analyzer || earlier.n >= open.n {
        return Err(no(format!(
            "report {n} is no earlier report of the same analyzer: report {} cannot correct it",
            open.n
        )));
    }
    let own = open.specimen.as_deref().filter(|s| !s.is_empty());
    let printed = earlier.print.specimen.as_ref().map(Private::expose);
    if own.is_some_and(|own| Some(own) != earlier.specimen.as_deref() && Some(own) != printed) {
        return Err(no(format!(
            "report {} bears another specimen id than report {n}, under whose specimen a correction goes: \
             decide it is a new run, or withdraw report {n} if that one went under the wrong specimen",
            open.n
        )));
    }
    Ok(earlier)
}

/// Puts a held report under the OBR-3 and specimen of the one that it corrects.
async fn goes_under(
    write: &mut Write,
    open: &mut Open,
    earlier: &Open,
    reason: &str,
) -> Result<(), StoreError> {
    renamed(write, open.n, earlier.specimen.as_deref(), "decide correction").await?;
    open.corrects = Some(earlier.root());
    open.filler.clone_from(&earlier.filler);
    open.specimen.clone_from(&earlier.specimen);
    open.given.clone_from(&earlier.specimen);
    open.note = Some(reason.to_owned());
    let query = sqlx::query(
        "UPDATE report SET corrects = $1, filler = $2, specimen = $3, given = $3, note = $4 \
         WHERE n = $5 AND state = 'held'",
    )
    .bind(earlier.root())
    .bind(earlier.filler.clone())
    .bind(earlier.specimen.clone())
    .bind(reason.to_owned())
    .bind(open.n);
    one_row(write, open.n, query).await
}

/// A correction for the trail: analytes before and after, and no word of whose they are.
fn change(earlier: &Open, now: &Open) -> String {
    let differences = changed(&texts(&earlier.readings), &texts(&now.readings));
    let all = differences.iter().map(|d| format!("{}: {} -> {}", d.what, d.before, d.after));
    let all: Vec<String> = all.collect();
    format!("correction of report {}; {}", earlier.n, all.join("; "))
}

fn changed(before: &[(String, String)], after: &[(String, String)]) -> Vec<Difference> {
    let mut all = beside(before, after);
    all.retain(|d| d.before != d.after);
    all
}

/// The print whose readings are to be taken over.
async fn source(write: &mut Write, open: &Open, other: i64) -> Result<Open, StoreError> {
    let found = whole(write, other).await?;
    if found.analyzer != open.analyzer || other == open.n || found.is_control() {
        return Err(no(format!(
            "report {other} is no other patient's report of analyzer {}",
            open.analyzer
        )));
    }
    Ok(found)
}

/// Puts the readings of another print into a report's row: whose it is stays.
async fn take_over(
    write: &mut Write,
    open: &Open,
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
    let query = sqlx::query(
        "UPDATE report SET print = $1, readings = $2, strip = $3, remarks = $4, taken_at = $5, \
         clock = $6 WHERE n = $7 AND state = 'waiting'",
    )
    .bind(serde_json::to_string(&print).unwrap_or_default())
    .bind(from.row.readings)
    .bind(from.row.strip)
    .bind(from.row.remarks)
    .bind(from.row.taken_at)
    .bind(from.row.clock)
    .bind(open.n);
    one_row(write, open.n, query).await
}

/// Whether a report that was read again could go out as it is; what a person let go once, goes again.
async fn stands(
    write: &mut Write,
    open: &Open,
    judged: &Judged,
    readings_only: bool,
) -> Result<(), StoreError> {
    let n = open.n;
    if judged.control_sign {
        return Err(no(format!("report {n} now reads as control material: withdraw it")));
    }
    let own = !readings_only && open.corrects.is_none();
    if let (Way::Repeat { of }, true) = (judged.way, own) {
        return Err(no(format!("report {n} now reads as a repeat of report {of}: withdraw it")));
    }
    let cleared = cleared(write, n).await?;
    let about_readings = |reason: Reason| {
        use Reason::{
            GradeValueDisagree, Incomplete, LineError, MarkDisagree, NotFinal, OffLadder,
        };
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
    };
    let holds: Vec<String> = judged
        .holds
        .iter()
        .filter(|h| about_readings(h.reason) || !readings_only)
        .filter(|h| {
            let word = |detail: &str| !about_readings(h.reason) || detail == h.detail;
            !cleared.iter().any(|(reason, detail)| *reason == h.reason.code() && word(detail))
        })
        .map(|h| format!("{}: {}", h.reason.code(), h.detail))
        .collect();
    if holds.is_empty() {
        return Ok(());
    }
    Err(no(format!(
        "report {n}, read again, would be held; nothing was changed. {}",
        holds.join("; ")
    )))
}

async fn cleared(write: &mut Write, n: i64) -> Result<Vec<(String, String)>, StoreError> {
    let query =
        sqlx::query("SELECT reason, detail FROM hold WHERE report = $1 AND cleared_at IS NOT NULL")
            .bind(n);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter()
        .map(|row| Ok((row.try_get("reason")?, row.try_get("detail")?)))
        .collect::<Result<_, _>>()
        .map_err(|e: sqlx::Error| write.wrong(&e))
}

/// Notes of every message under an OBR-3 what that and its specimen were: the report goes on without.
async fn retire(write: &mut Write, open: &Open) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE message SET filler = $1, specimen = $2 WHERE filler IS NULL AND report IN \
         (SELECT n FROM report WHERE (n = $3 OR corrects = $3) AND filler = $1)",
    )
    .bind(open.filler.clone())
    .bind(open.specimen.clone())
    .bind(open.root());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// What is still held and was decided to correct a report goes where that goes.
async fn corrections_follow(write: &mut Write, open: &Open, old: &str) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE report SET specimen = $1, given = $1, filler = $2 \
         WHERE corrects = $3 AND filler = $4 AND state = 'held'",
    )
    .bind(open.specimen.clone())
    .bind(open.filler.clone())
    .bind(open.root())
    .bind(old.to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Whether a report that was decided to correct another may still do so, now that it is let go.
pub(crate) async fn may_correct(write: &mut Write, open: &Open) -> Result<(), StoreError> {
    let Some(root) = open.corrects else { return Ok(()) };
    match current(write, root).await? {
        Some(now) if now < open.n => Ok(()),
        Some(now) => Err(no(format!(
            "report {now}, heard later, has corrected the same report since: set {} aside",
            open.n
        ))),
        None => Err(no(format!(
            "report {root}, which {} was to correct, was withdrawn since: set it aside",
            open.n
        ))),
    }
}

/// The other reports that went under an OBR-3 say nothing any more.
async fn others_aside(write: &mut Write, open: &Open, note: &str) -> Result<(), StoreError> {
    debug_assert!(State::Waiting.may_become(State::SetAside));
    let query = sqlx::query(
        "UPDATE report SET state = 'set-aside', note = $1 WHERE n <> $2 AND state = 'waiting' \
         AND (n = $3 OR corrects = $3) AND filler = $4",
    )
    .bind(note.to_owned())
    .bind(open.n)
    .bind(open.root())
    .bind(open.filler.clone());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
