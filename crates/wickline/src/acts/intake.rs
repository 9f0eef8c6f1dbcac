//! From reports to rows: what the laboratory's rules make of them, in one transaction with their
//! place on the tape.

use std::collections::HashSet;

use sqlx::{AssertSqlSafe, Executor, Row};
use wickline_normalize::judge::{Judged, Way};
use wickline_normalize::{Hold, Reason, Report};

use crate::acts::compose::{self, Subject};
use crate::acts::controls::{self, NewRun};
use crate::acts::judging::{Decided, Judging, stripped};
use crate::clock::{self, moment_rfc3339};
use crate::settings::bench::{Analyzer, Bench, Target};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;
use crate::store::ledger::Ledger;
use crate::store::ledger::take;
use crate::store::rows::position::{Span, read_on};
use crate::store::rows::queue::{Made, insert_messages};
use crate::store::state::State;

/// Rows of one statement at most; Postgres takes 65,535 parameters, SQLite 32,766.
const ROWS: usize = 1000;

/// What is said of a report that this ledger does not know and the tape says was read.
pub(crate) const PERHAPS_SENT: &str = "read before in a history that this ledger does not have, and perhaps \
     sent: look whether the receiver has it, then set it aside, or release it where it never came";

/// A report as the dialect read it, with its place among the reports of its transmission.
#[derive(Clone, Debug)]
pub struct Heard {
    pub report: Report,
    pub part: usize,
    pub heard_at: i64,
    /// The line was not heard at some time since the report before it.
    pub unheard: bool,
}

/// What was taken in, for those who watch.
#[derive(Clone, Debug, Default)]
pub struct Taken {
    pub reports: Vec<TakenReport>,
    pub messages: usize,
    pub missing: Vec<String>,
    /// Control material was among them, or what it may let go.
    pub controls: bool,
}

/// One report as it was taken in.
#[derive(Clone, Debug)]
pub struct TakenReport {
    pub id: i64,
    pub number: Option<String>,
    pub class: &'static str,
    pub state: State,
    pub reason: Option<Reason>,
}

/// The columns that judging decides.
pub(crate) struct Columns {
    pub state: State,
    pub class: &'static str,
    pub level: Option<String>,
    pub specimen: Option<String>,
    pub number: Option<String>,
    pub identity: String,
    pub strip: String,
    pub print: String,
    pub readings: String,
    pub taken_at: Option<String>,
    pub repeat_of: Option<i64>,
    pub remarks: String,
    pub clock: Option<&'static str>,
}

/// A NUL is text to SQLite and an error to Postgres: shown by its sign, here as in the lists. The
/// print keeps it as it came.
pub(crate) fn storable(text: &str) -> String {
    text.replace('\0', "\u{2400}")
}

/// What is looked for in an index: a server takes no more than some 2,700 bytes there. The print keeps
/// the whole.
const KEY: usize = 200;

/// A number or an id as a key.
pub(crate) fn key_text(text: &str) -> String {
    storable(&text.chars().take(KEY).collect::<String>())
}

/// What a report's judgment makes of its row.
pub(crate) fn row_of(analyzer: &Analyzer, print: &Report, decided: &Decided) -> Columns {
    let judged = &decided.judged;
    let repeat_of = match judged.way {
        Way::Repeat { of } => Some(of),
        Way::Filed | Way::Held | Way::Ready => None,
    };
    Columns {
        state: state_of(judged),
        class: judged.class.code(),
        level: judged.level.as_deref().map(storable),
        specimen: print.specimen.as_ref().map(|s| stripped(s.expose(), analyzer)),
        number: print.number.as_deref().map(key_text),
        identity: storable(&judged.identity),
        strip: judged.strip.clone(),
        print: serde_json::to_string(print).unwrap_or_default(),
        readings: serde_json::to_string(&judged.readings).unwrap_or_default(),
        // A time that is not believed stands as it was printed.
        taken_at: decided.taken.or(print.taken).map(|t| moment_rfc3339(&t)),
        repeat_of,
        remarks: serde_json::to_string(&judged.remarks).unwrap_or_default(),
        clock: decided.clock,
    }
}

fn state_of(judged: &Judged) -> State {
    match judged.way {
        Way::Filed => State::Filed,
        Way::Repeat { .. } => State::Repeat,
        Way::Held => State::Held,
        Way::Ready => State::Waiting,
    }
}

/// One judged report on its way into rows.
struct Fresh<'a> {
    n: i64,
    /// OBR-3, made once: it stands in the row and in the messages.
    filler: String,
    heard: &'a Heard,
    decided: Decided,
    /// Read before, in a history that this ledger does not have: it was perhaps sent.
    doubted: bool,
}

impl Ledger {
    /// Takes in what one analyzer's tape gave, and notes how far the tape was read. Doing it again
    /// changes nothing: a report's place on its tape is its key.
    pub async fn intake(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
        tape: &str,
        heard: &[Heard],
        span: Span,
    ) -> Result<Taken, StoreError> {
        let begun = std::time::Instant::now();
        let mut write = self.db.write().await?;
        let doubt_to = read_on(&mut write, tape, &analyzer.id, span).await?;
        let known = known_places(&mut write, tape, &analyzer.id, heard).await?;
        let fresh: Vec<&Heard> =
            heard.iter().filter(|h| !known.contains(&(h.report.place.from, h.part))).collect();
        let mut taken = Taken::default();
        if !fresh.is_empty() {
            taken = self.take_fresh(&mut write, bench, analyzer, tape, &fresh, doubt_to).await?;
        }
        write.commit().await?;
        metrics::histogram!("wickline_ledger_commit_seconds").record(begun.elapsed());
        Ok(taken)
    }

    async fn take_fresh(
        &self,
        write: &mut Write,
        bench: &Bench,
        analyzer: &Analyzer,
        tape: &str,
        heard: &[&Heard],
        doubt_to: u64,
    ) -> Result<Taken, StoreError> {
        let era = Era::draw()?;
        let first = take(write, "report", heard.len()).await?;
        let mut judging = Judging::begin(write, bench, analyzer, heard, first).await?;
        let targets: Vec<&Target> =
            bench.targets_of(&analyzer.id, false).map(|t| t.as_ref()).collect();
        let mut rows = Vec::with_capacity(heard.len());
        let mut taken = Taken::default();
        for heard in heard {
            let n = judging.next;
            let mut decided = judging.judge(heard);
            let doubted = heard.report.place.to <= doubt_to;
            if doubted {
                doubt(&mut decided.judged);
            }
            if decided.judged.way == Way::Ready
                && let Some(hold) = unsendable(bench, &targets, analyzer, heard, &decided, &era)
            {
                decided.judged.holds.push(hold);
                decided.judged.way = Way::Held;
            }
            taken.controls |= decided.run.is_some() || decided.overtaken;
            taken.reports.push(TakenReport {
                id: n,
                number: heard.report.number.clone(),
                class: decided.judged.class.code(),
                state: state_of(&decided.judged),
                reason: decided.judged.holds.first().map(|h| h.reason),
            });
            rows.push(Fresh { n, filler: era.filler(n), heard, decided, doubted });
        }
        self.insert(write, tape, analyzer, bench, &rows).await?;
        let messages = self.build(write, bench, analyzer, &era, &rows).await?;
        taken.messages = messages.len();
        insert_messages(write, &messages).await?;
        for (old, new) in &judging.superseded {
            supersede(write, *old, *new).await?;
        }
        taken.missing = judging.keep(write).await?;
        Ok(taken)
    }

    async fn insert(
        &self,
        write: &mut Write,
        tape: &str,
        analyzer: &Analyzer,
        bench: &Bench,
        rows: &[Fresh<'_>],
    ) -> Result<(), StoreError> {
        let unsent = bench.targets_of(&analyzer.id, false).next().is_none();
        for group in rows.chunks(ROWS) {
            let sql = format!(
                "INSERT INTO report (n, tape, analyzer, place_from, place_to, part, number, class, level, \
                 specimen, day, taken_at, heard_at, state, identity, repeat_of, strip, control_sign, \
                 print, readings, filler, unsent, sequence, remarks, clock) VALUES {}",
                write.values(group.len(), 25)
            );
            let mut query = sqlx::query(AssertSqlSafe(sql));
            for fresh in group {
                let print = &fresh.heard.report;
                let row = row_of(analyzer, print, &fresh.decided);
                let judged = &fresh.decided.judged;
                query = query
                    .bind(fresh.n)
                    .bind(tape)
                    .bind(analyzer.id.as_str())
                    .bind(signed(print.place.from))
                    .bind(signed(print.place.to))
                    .bind(i64::try_from(fresh.heard.part).unwrap_or(i64::MAX))
                    .bind(row.number)
                    .bind(row.class)
                    .bind(row.level)
                    .bind(row.specimen)
                    .bind(fresh.decided.day.clone())
                    .bind(row.taken_at)
                    .bind(fresh.heard.heard_at)
                    .bind(row.state.text())
                    .bind(row.identity)
                    .bind(row.repeat_of)
                    .bind(row.strip)
                    .bind(i64::from(judged.control_sign))
                    .bind(row.print)
                    .bind(row.readings)
                    .bind(fresh.filler.as_str())
                    .bind(i64::from(unsent && row.state == State::Waiting))
                    .bind(judged.sequence.clone())
                    .bind(row.remarks)
                    .bind(row.clock);
            }
            write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        }
        let holds: Vec<(i64, i64, &Vec<Hold>)> =
            rows.iter().map(|f| (f.n, 0, &f.decided.judged.holds)).collect();
        insert_holds(write, &holds).await?;
        let runs: Vec<NewRun<'_>> = rows.iter().filter_map(|f| new_run(analyzer, f)).collect();
        controls::insert(write, &runs).await
    }

    async fn build(
        &self,
        write: &mut Write,
        bench: &Bench,
        analyzer: &Analyzer,
        era: &Era,
        rows: &[Fresh<'_>],
    ) -> Result<Vec<Made>, StoreError> {
        // What is filed goes to those who ask for control material, and to nobody else; what was perhaps
        // sent there before is filed alone.
        let goes = |fresh: &Fresh<'_>| match fresh.decided.judged.way {
            Way::Ready => true,
            Way::Filed => !fresh.doubted,
            Way::Held | Way::Repeat { .. } => false,
        };
        let mut pairs: Vec<(&Fresh<'_>, &Target)> = Vec::new();
        for fresh in rows.iter().filter(|f| goes(f)) {
            let control = fresh.decided.judged.control_sign;
            pairs.extend(bench.targets_of(&analyzer.id, control).map(|t| (fresh, t.as_ref())));
        }
        let mut messages = Vec::with_capacity(pairs.len());
        if pairs.is_empty() {
            return Ok(messages);
        }
        let first = take(write, "message", pairs.len()).await?;
        let made_at = clock::now_us();
        for (n, (fresh, target)) in (first..).zip(pairs) {
            let subject = subject(analyzer, fresh.heard, &fresh.decided, &fresh.filler);
            let control_id = era.control_id(n);
            let body = match compose::message(bench, target, &control_id, made_at, &subject) {
                Ok(body) => body,
                // It is filed all the same: nobody waits for it.
                Err(hold) if subject.control.is_some() => {
                    tracing::warn!(report = fresh.n, receiver = %target.id, reason = hold.reason.code(),
                        "this control cannot be sent");
                    continue;
                }
                Err(hold) => {
                    let what = format!("report {}", fresh.n);
                    return Err(StoreError::Wrong { what, why: hold.detail });
                }
            };
            let (receiver, report) = (target.id.clone(), fresh.n);
            messages.push(Made { n, control_id, receiver, report, body, made_at });
        }
        Ok(messages)
    }
}

/// Why a report that is ready cannot be put into a message after all.
fn unsendable(
    bench: &Bench,
    targets: &[&Target],
    analyzer: &Analyzer,
    heard: &Heard,
    decided: &Decided,
    era: &Era,
) -> Option<Hold> {
    let (filler, id) = (era.filler(i64::MAX), era.control_id(i64::MAX));
    let subject = subject(analyzer, heard, decided, &filler);
    let now = clock::now_us();
    targets.iter().find_map(|target| compose::message(bench, target, &id, now, &subject).err())
}

/// Holds a patient's report that was perhaps sent before: whether the receiver has it, a person finds out.
fn doubt(judged: &mut Judged) {
    if judged.control_sign || !matches!(judged.way, Way::Ready | Way::Held) {
        return;
    }
    judged.holds.push(Hold::new(Reason::AfterRestore, PERHAPS_SENT));
    judged.way = Way::Held;
}

fn subject<'a>(
    analyzer: &'a Analyzer,
    heard: &'a Heard,
    decided: &'a Decided,
    filler: &'a str,
) -> Subject<'a> {
    let judged = &decided.judged;
    Subject {
        analyzer: &analyzer.id,
        filler,
        specimen: judged.specimen.as_ref().map_or("", |s| s.expose()),
        stat: judged.class.code() == "stat",
        print: &heard.report,
        readings: &judged.readings,
        strip: &judged.strip,
        heard_at: heard.heard_at,
        taken: decided.taken,
        clock_believed: decided.clock.is_none(),
        remarks: &judged.remarks,
        control: judged
            .control_sign
            .then(|| Subject::material(judged.level.as_deref(), &heard.report)),
    }
}

fn new_run<'a>(analyzer: &'a Analyzer, fresh: &'a Fresh<'_>) -> Option<NewRun<'a>> {
    let Decided { day, at, judged, run, .. } = &fresh.decided;
    let run = run.as_ref()?;
    let strip = &judged.strip;
    Some(NewRun { report: fresh.n, analyzer: &analyzer.id, day, at: *at, strip, run })
}

async fn known_places(
    write: &mut Write,
    tape: &str,
    analyzer: &str,
    heard: &[Heard],
) -> Result<HashSet<(u64, usize)>, StoreError> {
    let Some(first) = heard.iter().map(|h| h.report.place.from).min() else {
        return Ok(HashSet::new());
    };
    let query = sqlx::query(
        "SELECT place_from, part FROM report WHERE tape = $1 AND analyzer = $2 AND place_from >= $3",
    )
    .bind(tape)
    .bind(analyzer)
    .bind(signed(first));
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &sqlx::any::AnyRow| -> Result<(u64, usize), sqlx::Error> {
        let (from, part): (i64, i64) = (row.try_get("place_from")?, row.try_get("part")?);
        Ok((u64::try_from(from).unwrap_or(0), usize::try_from(part).unwrap_or(0)))
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

pub(crate) async fn insert_holds(
    write: &mut Write,
    holds: &[(i64, i64, &Vec<Hold>)],
) -> Result<(), StoreError> {
    let flat: Vec<(i64, i64, &Hold)> = holds
        .iter()
        .flat_map(|(n, first, list)| list.iter().zip(*first..).map(|(hold, ix)| (*n, ix, hold)))
        .collect();
    for group in flat.chunks(ROWS) {
        let sql = format!(
            "INSERT INTO hold (report, ix, reason, detail, line) VALUES {}",
            write.values(group.len(), 5)
        );
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for (n, ix, hold) in group {
            query = query
                .bind(*n)
                .bind(*ix)
                .bind(hold.reason.code())
                .bind(storable(&hold.detail))
                .bind(hold.line.and_then(|l| i64::try_from(l).ok()));
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// An incomplete report whose readings all came again, whole: a repeat of the whole one.
async fn supersede(write: &mut Write, old: i64, new: i64) -> Result<(), StoreError> {
    debug_assert!(State::Held.may_become(State::Repeat));
    let query = sqlx::query(
        "UPDATE report SET state = 'repeat', repeat_of = $1 WHERE n = $2 AND state = 'held'",
    )
    .bind(new)
    .bind(old);
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    let query =
        sqlx::query("UPDATE hold SET cleared_at = $1 WHERE report = $2 AND cleared_at IS NULL")
            .bind(clock::now_us())
            .bind(old);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

fn signed(offset: u64) -> i64 {
    i64::try_from(offset).unwrap_or(i64::MAX)
}
