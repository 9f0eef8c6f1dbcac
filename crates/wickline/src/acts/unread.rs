//! A report that cannot be taken in as what it says: kept as its lines, for a person.

use sqlx::Executor;
use wickline_normalize::{Hold, Reason, Report};

use crate::acts::intake::{Heard, PERHAPS_SENT, Taken, TakenReport, insert_holds};
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;
use crate::store::ledger::{Ledger, take};
use crate::store::rows::position::{Span, read_on};
use crate::store::state::State;

impl Ledger {
    /// Whether it takes writes at all. Where it does, a report that cannot be taken in is itself the reason.
    pub async fn takes_writes(&self) -> bool {
        let write = async {
            let mut write = self.db.write().await?;
            write.run("UPDATE counter SET value = value WHERE name = 'notice'").await?;
            write.commit().await
        };
        self.within(write).await.is_ok()
    }

    /// Keeps a report that failed as `unreadable`, with the error. Only its place and its lines are kept:
    /// what else it says may be what failed.
    pub async fn keep_unread(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
        tape: &str,
        heard: &Heard,
        span: Span,
        error: &StoreError,
    ) -> Result<Taken, StoreError> {
        let mut write = self.db.write().await?;
        let doubt_to = read_on(&mut write, tape, &analyzer.id, span).await?;
        let mut taken = Taken::default();
        let mut holds = vec![Hold::new(
            Reason::Unreadable,
            format!("it could not be taken in, only its lines are kept: {error}"),
        )];
        if heard.report.place.to <= doubt_to {
            holds.push(Hold::new(Reason::AfterRestore, PERHAPS_SENT));
        }
        let day = bench.clock.day(heard.heard_at);
        // Tried again after a commit that landed all the same, it is there.
        if let Some(n) = insert(&mut write, tape, analyzer, heard, &day).await? {
            insert_holds(&mut write, &[(n, 0, &holds)]).await?;
            let reason = Some(Reason::Unreadable);
            let class = class(heard);
            taken.reports.push(TakenReport {
                id: n,
                number: None,
                class,
                state: State::Held,
                reason,
            });
        }
        write.commit().await?;
        Ok(taken)
    }
}

/// What bears a sign of control material keeps it.
fn class(heard: &Heard) -> &'static str {
    let signs = &heard.report.signs;
    if signs.control_order || signs.control_message { "control" } else { "routine" }
}

async fn insert(
    write: &mut Write,
    tape: &str,
    analyzer: &Analyzer,
    heard: &Heard,
    day: &str,
) -> Result<Option<i64>, StoreError> {
    let n = take(write, "report", 1).await?;
    let Report { place, lines, signs, doubts, .. } = heard.report.clone();
    let print = Report { place, lines, signs, doubts, ..Report::default() };
    let what = format!("report {n}");
    let print = serde_json::to_string(&print)
        .map_err(|e| StoreError::Wrong { what, why: e.to_string() })?;
    let signed = |offset: u64| i64::try_from(offset).unwrap_or(i64::MAX);
    let query = sqlx::query(
        "INSERT INTO report (n, tape, analyzer, place_from, place_to, part, class, day, heard_at, state, \
         identity, strip, control_sign, print, readings, filler) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, '', $12, $13, '[]', $14) \
         ON CONFLICT (tape, analyzer, place_from, part) DO NOTHING",
    )
    .bind(n)
    .bind(tape)
    .bind(analyzer.id.as_str())
    .bind(signed(place.from))
    .bind(signed(place.to))
    .bind(i64::try_from(heard.part).unwrap_or(i64::MAX))
    .bind(class(heard))
    .bind(day)
    .bind(heard.heard_at)
    .bind(State::Held.text())
    // It is like no other.
    .bind(format!("unread {tape} {} {}", place.from, heard.part))
    .bind(i64::from(class(heard) == "control"))
    .bind(print)
    .bind(Era::draw()?.filler(n));
    let done = write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    Ok((done.rows_affected() == 1).then_some(n))
}
