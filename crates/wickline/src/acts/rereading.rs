//! Reading held reports again after a dialect, a strip or a rule was mended.

use sqlx::{Executor, Row};
use wickline_normalize::{Hold, Private, Reason, Report};

use crate::acts::again::{self, Difference, Seen};
use crate::acts::controls::{self, NewRun};
use crate::acts::held::{Open, codes, no, one_row, opened};
use crate::acts::intake::{Columns, Heard, row_of};
use crate::acts::judging::{Decided, Judging};
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::named::renamed;
use crate::store::state::State;
use crate::store::tape::Tape;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

/// What reading again made of one report.
#[derive(Clone, Debug)]
pub struct Reread {
    pub n: i64,
    pub state: State,
    pub differences: Vec<Difference>,
}

impl Ledger {
    /// Reads a held report again from its bytes on the tape and judges it, with today's dialect, strip
    /// and rules.
    pub async fn report_reread(
        &self,
        bench: &Bench,
        tape: &Tape,
        actor: &Actor,
        n: i64,
    ) -> Result<Reread, StoreError> {
        let mut write = self.act().await?;
        let open = opened(&mut write, n, State::Held).await?;
        let (print, decided) = self.read_again(&mut write, bench, tape, &open).await?;
        let act = Act {
            verb: "reread",
            object: format!("report {n}"),
            was: Some(codes(open.holds.iter().map(|(_, r, _)| *r))),
            became: Some(codes(decided.judged.holds.iter().map(|h| h.reason))),
            ..Act::default()
        };
        self.rejudge(write, bench, actor, act, open, print, decided).await
    }

    /// Reads a report again from its bytes on the tape and judges it, as it would be today.
    pub(crate) async fn read_again(
        &self,
        write: &mut Write,
        bench: &Bench,
        tape: &Tape,
        open: &Open,
    ) -> Result<(Report, Decided), StoreError> {
        let n = open.n;
        let analyzer = known(bench, open)?;
        if open.tape != tape.id {
            return Err(no(format!("report {n} was heard at another bench: reread it there")));
        }
        let place = open.print.place;
        let mut reports = again::read(tape, analyzer, &open.print).await?;
        let (Some(print), true) = (reports.pop(), reports.is_empty()) else {
            return Err(no(format!(
                "report {n}: the dialect now finds no report, or several, in its lines"
            )));
        };
        // Its place is its key: a mended dialect may begin or end it elsewhere.
        let mut print = Report { place, ..print };
        if let Some(given) = &open.given {
            print.specimen = Some(Private::new(given.clone()));
        }
        let heard = Heard { report: print, part: 0, heard_at: open.heard_at, unheard: false };
        let mut judging = Judging::begin(write, bench, analyzer, &[&heard], n).await?;
        // A number that can be read only now was not entered when it came.
        let entered = open.print.number == heard.report.number;
        let decided = if entered {
            judging.again(&heard, open.sequence.as_deref())
        } else {
            judging.judge(&heard)
        };
        judging.keep(write).await?;
        Ok((heard.report, decided))
    }

    #[expect(clippy::too_many_arguments, reason = "one step of reread, split off to be readable")]
    async fn rejudge(
        &self,
        mut write: Write,
        bench: &Bench,
        actor: &Actor,
        act: Act,
        open: Open,
        print: Report,
        decided: Decided,
    ) -> Result<Reread, StoreError> {
        let n = open.n;
        let before = seen_before(&open);
        let analyzer = known(bench, &open)?;
        let row = row_of(analyzer, &print, &decided);
        let judged = &decided.judged;
        // What a control once was stays barred, whatever a mended dialect says now.
        let barred = (open.control_sign || open.class == "control") && !judged.control_sign;
        let sign = open.control_sign || judged.control_sign;
        let state = if barred { State::Held } else { row.state };
        let mut holds = judged.holds.clone();
        if barred {
            let why = "it was heard as control material; the mended reading says patient";
            holds.push(Hold::new(Reason::ClassDisagree, why));
        }
        replace_holds(&mut write, n, &holds).await?;
        let after = Seen {
            state: state.text().to_owned(),
            reasons: holds.iter().map(|h| h.reason.code().to_owned()).collect(),
            class: row.class.to_owned(),
            number: row.number.clone(),
            specimen: row.specimen.clone(),
            readings: again::texts(&row.readings),
        };
        let update = Update { n, decided: &decided, row, control_sign: sign };
        let row = update.keep(&mut write, State::Held, state).await?;
        record(&mut write, actor, act).await?;
        run_anew(&mut write, analyzer, n, &row.strip, &decided).await?;
        if matches!(state, State::Waiting | State::Filed) {
            let now = Open {
                specimen: row.specimen,
                readings: row.readings,
                strip: row.strip,
                class: row.class.to_owned(),
                level: row.level,
                control_sign: sign,
                remarks: judged.remarks.clone(),
                taken: decided.taken,
                clock_believed: decided.clock.is_none(),
                print,
                ..open
            };
            self.messages(&mut write, bench, &now).await?;
        }
        write.commit().await?;
        if decided.run.is_some() {
            self.release_now(bench, analyzer).await;
        }
        let differences = again::differences(&before, &after);
        Ok(Reread { n, state, differences })
    }
}

/// The analyzer of a report, where it is this bench's.
pub(crate) fn known<'a>(bench: &'a Bench, open: &Open) -> Result<&'a Analyzer, StoreError> {
    bench.analyzer(&open.analyzer).map(AsRef::as_ref).ok_or_else(|| {
        no(format!(
            "report {}: analyzer {} is not configured here; do this at its own bench",
            open.n, open.analyzer
        ))
    })
}

/// What reading again made of a report, for its row.
pub(crate) struct Update<'a> {
    pub n: i64,
    pub decided: &'a Decided,
    pub row: Columns,
    pub control_sign: bool,
}

impl Update<'_> {
    pub(crate) async fn keep(
        self,
        write: &mut Write,
        from: State,
        to: State,
    ) -> Result<Columns, StoreError> {
        let row = &self.row;
        renamed(write, self.n, row.specimen.as_deref(), "reread").await?;
        let update = sqlx::query(
            "UPDATE report SET state = $1, class = $2, level = $3, specimen = $4, number = $5, \
             identity = $6, strip = $7, print = $8, readings = $9, taken_at = $10, repeat_of = $11, \
             control_sign = $12, remarks = $13, clock = $14, sequence = $15, \
             day = $16 WHERE n = $17 AND state = $18",
        )
        .bind(to.text())
        .bind(row.class)
        .bind(row.level.clone())
        .bind(row.specimen.clone())
        .bind(row.number.clone())
        .bind(row.identity.clone())
        .bind(row.strip.clone())
        .bind(row.print.clone())
        .bind(row.readings.clone())
        .bind(row.taken_at.clone())
        .bind(row.repeat_of)
        .bind(i64::from(self.control_sign))
        .bind(row.remarks.clone())
        .bind(row.clock)
        .bind(self.decided.judged.sequence.clone())
        .bind(self.decided.day.clone())
        .bind(self.n)
        .bind(from.text());
        one_row(write, self.n, update).await?;
        Ok(self.row)
    }
}

/// What was open is judged anew; what was cleared stays as it was.
async fn replace_holds(write: &mut Write, n: i64, holds: &Vec<Hold>) -> Result<(), StoreError> {
    let delete = sqlx::query("DELETE FROM hold WHERE report = $1 AND cleared_at IS NULL").bind(n);
    write.conn().execute(delete).await.map_err(|e| write.wrong(&e))?;
    let first = sqlx::query("SELECT coalesce(max(ix), -1) + 1 FROM hold WHERE report = $1").bind(n);
    let first = write.conn().fetch_one(first).await.map_err(|e| write.wrong(&e))?;
    let first: i64 = first.try_get(0).map_err(|e| write.wrong(&e))?;
    crate::acts::intake::insert_holds(write, &[(n, first, holds)]).await
}

/// What it amounts to now as a run of control material.
async fn run_anew(
    write: &mut Write,
    analyzer: &Analyzer,
    n: i64,
    strip: &str,
    decided: &Decided,
) -> Result<(), StoreError> {
    let Some(run) = &decided.run else { return Ok(()) };
    let (analyzer, day) = (analyzer.id.as_str(), decided.day.as_str());
    let run = NewRun { report: n, analyzer, day, at: decided.at, strip, run };
    controls::insert(write, &[run]).await
}

fn seen_before(open: &Open) -> Seen {
    Seen {
        state: State::Held.text().to_owned(),
        reasons: open.holds.iter().map(|(_, reason, _)| reason.code().to_owned()).collect(),
        class: open.class.clone(),
        number: open.print.number.clone(),
        specimen: open.specimen.clone(),
        readings: again::texts(&open.readings),
    }
}
