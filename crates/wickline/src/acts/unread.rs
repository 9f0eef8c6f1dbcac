//! A report that cannot be taken in as what it says: kept as its lines, for a person.

use wickline_normalize::{Class, Hold, Reason, Report};

use super::instruments::instruments;
use super::intake::{Columns, HeardReport, PERHAPS_SENT, Taken, TakenReport};
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;
use crate::store::ledger::{Ledger, take};
use crate::store::rows::position::{Span, read_on};
use crate::store::rows::report_entry::{self, Entry};
use crate::store::rows::{hold, kept};
use crate::store::state::ReportState;

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
        heard: &HeardReport,
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
        let place = heard.report.place;
        let known = report_entry::places(&mut write, tape, &analyzer.id, place.from).await?;
        if !known.contains(&(place.from, heard.part)) {
            let n = enter(&mut write, tape, analyzer, heard, &day).await?;
            hold::insert(&mut write, &[(n, 0, &holds)]).await?;
            let reason = Some(Reason::Unreadable);
            let class = class(heard).code();
            taken.reports.push(TakenReport {
                id: n,
                number: None,
                class,
                state: ReportState::Held,
                reason,
            });
        }
        write.commit().await?;
        Ok(taken)
    }
}

/// What bears a sign of control material keeps it.
fn class(heard: &HeardReport) -> Class {
    let signs = &heard.report.signs;
    if signs.control_order || signs.control_message { Class::Control } else { Class::Routine }
}

async fn enter(
    write: &mut Write,
    tape: &str,
    analyzer: &Analyzer,
    heard: &HeardReport,
    day: &str,
) -> Result<i64, StoreError> {
    let n = take(write, "report", 1).await?;
    let stood = instruments(write.conn(), analyzer).await?.at(heard.heard_at).n;
    let Report { place, lines, signs, doubts, .. } = heard.report.clone();
    let print = Report { place, lines, signs, doubts, ..Report::default() };
    let columns = Columns {
        state: ReportState::Held,
        class: class(heard),
        level: None,
        specimen: None,
        number: None,
        // It is like no other.
        identity: format!("unread {tape} {} {}", place.from, heard.part),
        strip: String::new(),
        print: kept("print", &print)?,
        readings: Vec::new(),
        taken_at: None,
        repeat_of: None,
        remarks: Vec::new(),
        clock: None,
        instrument: stood,
    };
    let entry = Entry {
        n,
        place_from: place.from,
        place_to: place.to,
        part: heard.part,
        heard_at: heard.heard_at,
        day,
        sequence: None,
        control_sign: class(heard) == Class::Control,
        filler: Era::draw()?.filler(n),
        unsent: false,
        columns,
    };
    report_entry::insert(write, tape, &analyzer.id, &[entry]).await?;
    Ok(n)
}
