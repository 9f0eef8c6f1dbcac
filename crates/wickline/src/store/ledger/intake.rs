//! From reports to rows: what the laboratory's rules make of them, in one transaction with their
//! place on the tape.

use std::collections::{BTreeMap, HashSet};

use sqlx::{AssertSqlSafe, Executor, Row};
use wickline_normalize::judge::{Earlier, Facts, Judged, Way, judge, superseded};
use wickline_normalize::number::{self, Number};
use wickline_normalize::{Hold, Reason, Report};

use super::queue::{Made, insert_messages};
use super::state::State;
use super::{Ledger, control_id, filler, take};
use crate::clock::{self, SiteClock, moment_rfc3339};
use crate::pipeline::compose::{self, Subject};
use crate::settings::bench::{Analyzer, Bench, Target};
use crate::store::StoreError;
use crate::store::db::{Write, list_of};

/// Rows of one statement at most; Postgres takes 65,535 parameters, SQLite 32,766.
const ROWS: usize = 1000;

/// A report as the dialect read it, with its place among the reports of its transmission.
#[derive(Clone, Debug)]
pub struct Heard {
    pub report: Report,
    pub part: usize,
    pub heard_at: i64,
}

/// What was taken in, for those who watch.
#[derive(Clone, Debug, Default)]
pub struct Taken {
    pub reports: Vec<TakenReport>,
    pub messages: usize,
    pub missing: Vec<String>,
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
pub(super) struct Columns {
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
}

/// A NUL is text to SQLite and an error to Postgres: shown by its sign, here as in the lists. The
/// print keeps it as it came.
pub(super) fn storable(text: &str) -> String {
    text.replace('\0', "\u{2400}")
}

/// What is looked for in an index: a server takes no more than some 2,700 bytes there. The print keeps
/// the whole.
const KEY: usize = 200;

/// A number or an id as a key.
pub(super) fn key_text(text: &str) -> String {
    storable(&text.chars().take(KEY).collect::<String>())
}

/// What a report's judgment makes of its row.
pub(super) fn row_of(clock: &SiteClock, print: &Report, judged: &Judged) -> Columns {
    let repeat_of = match judged.way {
        Way::Repeat { of } => Some(of),
        Way::Filed | Way::Held | Way::Ready => None,
    };
    Columns {
        state: state_of(judged),
        class: judged.class.code(),
        level: judged.level.as_deref().map(storable),
        specimen: print.specimen.as_ref().map(|s| key_text(s.expose())),
        number: print.number.as_deref().map(key_text),
        identity: storable(&judged.identity),
        strip: judged.strip.clone(),
        print: serde_json::to_string(print).unwrap_or_default(),
        readings: serde_json::to_string(&judged.readings).unwrap_or_default(),
        // A time that comes twice or not at all has no offset, and a hold that says so.
        taken_at: print.taken.map(|t| moment_rfc3339(&clock.with_offset(t).unwrap_or(t))),
        repeat_of,
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
    heard: &'a Heard,
    day: String,
    judged: Judged,
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
        safe: i64,
    ) -> Result<Taken, StoreError> {
        let begun = std::time::Instant::now();
        let mut write = self.db.write().await?;
        let known = known_places(&mut write, tape, &analyzer.id, heard).await?;
        let fresh: Vec<&Heard> =
            heard.iter().filter(|h| !known.contains(&(h.report.place.from, h.part))).collect();
        let mut taken = Taken::default();
        if !fresh.is_empty() {
            taken = self.take_fresh(&mut write, bench, analyzer, tape, &fresh).await?;
        }
        position(&mut write, tape, &analyzer.id, safe).await?;
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
    ) -> Result<Taken, StoreError> {
        let first = take(write, "report", heard.len()).await?;
        let prints: Vec<&Report> = heard.iter().map(|h| &h.report).collect();
        let since = heard.iter().map(|h| h.heard_at).min().unwrap_or(0);
        let mut judging = Judging::begin(write, bench, analyzer, &prints, since, first).await?;
        let targets: Vec<&Target> = bench.targets_of(&analyzer.id).map(|t| t.as_ref()).collect();
        let mut rows = Vec::with_capacity(heard.len());
        let mut taken = Taken::default();
        for heard in heard {
            let n = judging.next;
            let mut judged = judging.judge(&heard.report, heard.heard_at);
            let mut day = judging.day_of(&heard.report, heard.heard_at);
            if let Some(hold) = clock_off(&bench.clock, heard).filter(|_| judged.way != Way::Filed)
            {
                if !matches!(judged.way, Way::Repeat { .. }) {
                    // Its own date cannot be believed: it stands on the sheet of the day it came.
                    day = bench.clock.day(heard.heard_at);
                    judged.holds.push(hold);
                    judged.way = Way::Held;
                }
            } else if judged.way == Way::Ready
                && let Some(hold) = self.unsendable(bench, &targets, analyzer, heard, &judged, n)
            {
                judged.holds.push(hold);
                judged.way = Way::Held;
            }
            taken.reports.push(TakenReport {
                id: n,
                number: heard.report.number.clone(),
                class: judged.class.code(),
                state: state_of(&judged),
                reason: judged.holds.first().map(|h| h.reason),
            });
            rows.push(Fresh { n, heard, day, judged });
        }
        self.insert(write, tape, analyzer, bench, &rows).await?;
        let messages = self.build(write, bench, &targets, analyzer, &rows).await?;
        taken.messages = messages.len();
        insert_messages(write, &messages).await?;
        for (old, new) in &judging.superseded {
            supersede(write, *old, *new).await?;
        }
        taken.missing = judging.numbers(write, &analyzer.id).await?;
        Ok(taken)
    }

    /// Why a report that is ready cannot be put into a message after all.
    fn unsendable(
        &self,
        bench: &Bench,
        targets: &[&Target],
        analyzer: &Analyzer,
        heard: &Heard,
        judged: &Judged,
        n: i64,
    ) -> Option<Hold> {
        let filler = filler(&self.epoch, n);
        let id = control_id(&self.epoch, i64::MAX >> 30);
        let subject = subject(analyzer, heard, judged, &filler);
        let now = clock::now_us();
        targets.iter().find_map(|target| compose::message(bench, target, &id, now, &subject).err())
    }

    async fn insert(
        &self,
        write: &mut Write,
        tape: &str,
        analyzer: &Analyzer,
        bench: &Bench,
        rows: &[Fresh<'_>],
    ) -> Result<(), StoreError> {
        let unsent = bench.targets_of(&analyzer.id).next().is_none();
        for group in rows.chunks(ROWS) {
            let sql = format!(
                "INSERT INTO report (n, tape, analyzer, place_from, place_to, part, number, class, level, \
                 specimen, day, taken_at, heard_at, state, identity, repeat_of, strip, control_sign, \
                 print, readings, filler, unsent) VALUES {}",
                write.values(group.len(), 22)
            );
            let mut query = sqlx::query(AssertSqlSafe(sql));
            for fresh in group {
                let print = &fresh.heard.report;
                let row = row_of(&bench.clock, print, &fresh.judged);
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
                    .bind(fresh.day.clone())
                    .bind(row.taken_at)
                    .bind(fresh.heard.heard_at)
                    .bind(row.state.text())
                    .bind(row.identity)
                    .bind(row.repeat_of)
                    .bind(row.strip)
                    .bind(i64::from(fresh.judged.control_sign))
                    .bind(row.print)
                    .bind(row.readings)
                    .bind(filler(&self.epoch, fresh.n))
                    .bind(i64::from(unsent && row.state == State::Waiting));
            }
            write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        }
        let holds: Vec<(i64, i64, &Vec<Hold>)> =
            rows.iter().map(|f| (f.n, 0, &f.judged.holds)).collect();
        insert_holds(write, &holds).await
    }

    async fn build(
        &self,
        write: &mut Write,
        bench: &Bench,
        targets: &[&Target],
        analyzer: &Analyzer,
        rows: &[Fresh<'_>],
    ) -> Result<Vec<Made>, StoreError> {
        let ready: Vec<&Fresh<'_>> =
            rows.iter().filter(|f| matches!(f.judged.way, Way::Ready)).collect();
        let mut messages = Vec::with_capacity(ready.len() * targets.len());
        if ready.is_empty() || targets.is_empty() {
            return Ok(messages);
        }
        let mut n = take(write, "message", ready.len() * targets.len()).await?;
        let made_at = clock::now_us();
        for fresh in ready {
            let filler = filler(&self.epoch, fresh.n);
            let subject = subject(analyzer, fresh.heard, &fresh.judged, &filler);
            for target in targets {
                let control_id = control_id(&self.epoch, n);
                let body = compose::message(bench, target, &control_id, made_at, &subject)
                    .map_err(|hold| StoreError::Wrong {
                        what: format!("report {}", fresh.n),
                        why: hold.detail,
                    })?;
                let (receiver, report) = (target.id.clone(), fresh.n);
                messages.push(Made { n, control_id, receiver, report, body, made_at });
                n += 1;
            }
        }
        Ok(messages)
    }
}

/// How far the analyzer's clock may be ahead of ours, and a report behind it: beyond that its date is
/// not believed without a person. Our own choice, no source.
const AHEAD: i64 = 3_600_000_000;
const BEHIND: i64 = 72 * 3_600_000_000;

fn clock_off(clock: &SiteClock, heard: &Heard) -> Option<Hold> {
    let printed = heard.report.taken?;
    let off = heard.heard_at - clock.us(printed)?;
    let how = match off {
        off if off < -AHEAD => "more than an hour ahead of",
        off if off > BEHIND => "more than 72 hours behind",
        _ => return None,
    };
    let why = format!(
        "the print says {}, {how} the time it was heard: released, it goes with the daemon's time",
        moment_rfc3339(&printed)
    );
    Some(Hold::new(Reason::ClockOff, why))
}

fn subject<'a>(
    analyzer: &'a Analyzer,
    heard: &'a Heard,
    judged: &'a Judged,
    filler: &'a str,
) -> Subject<'a> {
    Subject {
        analyzer: &analyzer.id,
        filler,
        specimen: heard.report.specimen.as_ref().map_or("", |s| s.expose()),
        stat: judged.class.code() == "stat",
        print: &heard.report,
        readings: &judged.readings,
        strip: &judged.strip,
        heard_at: heard.heard_at,
    }
}

/// Judging a batch: what the ledger knows of these numbers and specimens, and what the batch adds.
pub(super) struct Judging<'a> {
    bench: &'a Bench,
    analyzer: &'a Analyzer,
    earlier: Vec<Earlier>,
    /// The id of the next report.
    pub next: i64,
    /// Incomplete reports that a later complete one made superfluous: old and new id.
    pub superseded: Vec<(i64, i64)>,
    /// Every number of the batch with its day, in order.
    numbers: Vec<(String, Number, String, &'static str)>,
}

impl<'a> Judging<'a> {
    pub async fn begin(
        write: &mut Write,
        bench: &'a Bench,
        analyzer: &'a Analyzer,
        prints: &[&Report],
        since: i64,
        next: i64,
    ) -> Result<Self, StoreError> {
        let mut judging = Self {
            bench,
            analyzer,
            earlier: Vec::new(),
            next,
            superseded: Vec::new(),
            numbers: Vec::new(),
        };
        let days: HashSet<String> = prints.iter().map(|p| judging.day_of(p, since)).collect();
        let keys: HashSet<String> = prints.iter().filter_map(|p| key(p)).collect();
        judging.earlier = earlier(write, &analyzer.id, &days, &keys, next).await?;
        Ok(judging)
    }

    /// The local date taken, else heard.
    pub fn day_of(&self, print: &Report, heard_at: i64) -> String {
        match &print.taken {
            Some(taken) => format!("{:04}-{:02}-{:02}", taken.year, taken.month, taken.day),
            None => self.bench.clock.day(heard_at),
        }
    }

    /// Judges one report against everything before it.
    pub fn judge(&mut self, print: &Report, heard_at: i64) -> Judged {
        let day = self.day_of(print, heard_at);
        let heard = self.bench.clock.moment(heard_at);
        let facts =
            Facts { earlier: &self.earlier, heard, day: &day, sequence: None, controls: None };
        let judged = judge(print, &self.analyzer.strips, &self.analyzer.rules, &facts);
        for old in &self.earlier {
            if superseded(old, &judged, print, &day) {
                self.superseded.push((old.id, self.next));
            }
        }
        let n = self.next;
        self.earlier
            .retain(|old| !self.superseded.iter().any(|(id, new)| *id == old.id && *new == n));
        self.earlier.push(Earlier::of(n, &day, print, &judged));
        if let Some(text) = &print.number {
            let marks = &self.analyzer.rules;
            let number = number::split(&key_text(text), marks);
            self.numbers.push((day, number, key_text(text), judged.class.code()));
        }
        self.next += 1;
        judged
    }

    /// Notes the numbers of the batch: which came, and which were skipped. Returns the skipped ones.
    async fn numbers(&self, write: &mut Write, analyzer: &str) -> Result<Vec<String>, StoreError> {
        if self.numbers.is_empty() {
            return Ok(Vec::new());
        }
        let days: HashSet<String> = self.numbers.iter().map(|(day, ..)| day.clone()).collect();
        // With and without leading zeros: the number that was missed had to be guessed from another.
        let mut came: BTreeMap<&str, HashSet<String>> = BTreeMap::new();
        for (day, _, text, _) in &self.numbers {
            let of_day = came.entry(day).or_default();
            of_day.extend([text.clone(), text.trim_start_matches('0').to_owned()]);
        }
        super::numbers::arrived(write, analyzer, &came).await?;
        let mut last = super::numbers::last(write, analyzer, &days).await?;
        let mut missing: Vec<(String, String, &'static str)> = Vec::new();
        for (day, number, text, class) in &self.numbers {
            missing.retain(|(of, skipped, _)| of != day || skipped != text);
            let Some(value) = number.value else { continue };
            let slot = (day.clone(), number.mark.clone());
            // Before the first number of a day nothing is known, so nothing is called missing.
            if let Some(before) = last.get(&slot) {
                let skipped = number::skipped(*before, number).into_iter();
                missing.extend(skipped.map(|skipped| (day.clone(), skipped, *class)));
            }
            let highest = last.get(&slot).map_or(value, |before| value.max(*before));
            last.insert(slot, highest);
        }
        super::numbers::note(write, analyzer, &last).await?;
        super::numbers::absent(write, analyzer, &missing).await?;
        Ok(missing.into_iter().map(|(_, number, _)| number).collect())
    }
}

/// What links reports of one run: the number, else the specimen.
fn key(print: &Report) -> Option<String> {
    let specimen = || print.specimen.as_ref().map(|s| key_text(s.expose()));
    print.number.as_deref().map(key_text).or_else(specimen)
}

async fn earlier(
    write: &mut Write,
    analyzer: &str,
    days: &HashSet<String>,
    keys: &HashSet<String>,
    before: i64,
) -> Result<Vec<Earlier>, StoreError> {
    if keys.is_empty() {
        return Ok(Vec::new());
    }
    let (day_list, key_list) = (list_of(days.len(), 2), list_of(keys.len(), 2 + days.len()));
    let upper = 2 + days.len() + keys.len();
    let sql = format!(
        "SELECT n, class, number, specimen, day, identity, state, print FROM report \
         WHERE analyzer = $1 AND day IN ({day_list}) \
         AND (number IN ({key_list}) OR (number IS NULL AND specimen IN ({key_list}))) \
         AND n < ${upper} AND state NOT IN ('repeat', 'set-aside') ORDER BY n"
    );
    let mut query = sqlx::query(AssertSqlSafe(sql)).bind(analyzer.to_owned());
    for text in days.iter().chain(keys) {
        query = query.bind(text.clone());
    }
    let rows = write.conn().fetch_all(query.bind(before)).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &sqlx::any::AnyRow| -> Result<Earlier, sqlx::Error> {
        let print: String = row.try_get("print")?;
        let print: Report = serde_json::from_str(&print).unwrap_or_default();
        Ok(Earlier {
            id: row.try_get("n")?,
            class: row.try_get("class")?,
            number: row.try_get("number")?,
            specimen: row.try_get("specimen")?,
            day: row.try_get("day")?,
            sequence: None,
            identity: row.try_get("identity")?,
            complete: !print.doubts.iter().any(|d| d.reason == Reason::Incomplete),
            readings: print.readings,
        })
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
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

pub(super) async fn insert_holds(
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

async fn position(
    write: &mut Write,
    tape: &str,
    analyzer: &str,
    entry: i64,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO position (tape, analyzer, entry) VALUES ($1, $2, $3) \
         ON CONFLICT (tape, analyzer) DO UPDATE SET entry = excluded.entry",
    )
    .bind(tape)
    .bind(analyzer)
    .bind(entry);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
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
