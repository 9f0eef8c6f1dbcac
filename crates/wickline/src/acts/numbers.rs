//! The account of an analyzer's numbers in rows: its sequences, and the numbers that did not come.

use std::collections::{BTreeMap, HashSet};

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Executor, Row};
use wickline_normalize::account::{Account, Came, Counting, Reset, Sequence, Spot, Stretch, Told};
use wickline_normalize::number::split;
use wickline_normalize::{Class, Moment};

use crate::clock;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::rows::report::{ReportRow, taken};
use crate::store::rows::{key_text, storable};

/// Sequences of an analyzer that does not begin anew each day: older ones get no late number.
const GENERATIONS: i64 = 50;
/// Rows of one statement at most.
const ROWS: usize = 1000;

/// What a number told, and whose it was.
#[derive(Clone, Debug)]
pub(crate) struct Heard {
    pub told: Told,
    /// The day of the report that told it.
    pub day: String,
    pub class: Class,
}

/// The account as it stands, for reports of `first_day` and later.
pub(crate) async fn account(
    write: &mut Write,
    analyzer: &str,
    counting: Counting,
    first_day: &str,
) -> Result<Account, StoreError> {
    const COLUMNS: &str = "SELECT n.day, n.generation, n.mark, n.lowest, n.last, n.missing, n.width, \
         n.began, n.latest, n.unheard, n.restarted FROM numbering n WHERE n.analyzer = $1";
    let query = if counting.reset == Reset::Daily {
        let sql = format!(
            "{COLUMNS} AND (n.day >= $2 OR n.day = (SELECT max(p.day) FROM numbering p \
             WHERE p.analyzer = n.analyzer AND p.mark = n.mark AND p.day < $2))"
        );
        sqlx::query(AssertSqlSafe(sql)).bind(analyzer.to_owned()).bind(first_day.to_owned())
    } else {
        let sql = format!(
            "{COLUMNS} AND n.day = '' AND n.generation > (SELECT max(p.generation) - {GENERATIONS} \
             FROM numbering p WHERE p.analyzer = n.analyzer AND p.mark = n.mark AND p.day = '')"
        );
        sqlx::query(AssertSqlSafe(sql)).bind(analyzer.to_owned())
    };
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let sequences = rows.iter().map(sequence).collect::<Result<_, _>>();
    sequences.map(|s| Account::new(counting, s)).map_err(|e| write.wrong(&e))
}

fn sequence(row: &AnyRow) -> Result<Sequence, sqlx::Error> {
    let moment = |text: Option<String>| text.as_deref().and_then(Moment::from_digits);
    let missing: String = row.try_get("missing")?;
    let missing: BTreeMap<i64, i64> = serde_json::from_str(&missing).unwrap_or_default();
    Ok(Sequence {
        day: row.try_get("day")?,
        generation: u32::try_from(row.try_get::<i64, _>("generation")?).unwrap_or(1),
        mark: row.try_get("mark")?,
        from: row.try_get("lowest")?,
        last: row.try_get("last")?,
        missing,
        width: usize::try_from(row.try_get::<i64, _>("width")?).unwrap_or(0),
        began: moment(row.try_get("began")?),
        latest: moment(row.try_get("latest")?),
        unheard: row.try_get::<i64, _>("unheard")? != 0,
        restarted: row.try_get::<i64, _>("restarted")? != 0,
    })
}

/// Writes back what changed.
pub(crate) async fn keep(
    write: &mut Write,
    analyzer: &str,
    before: &Account,
    now: &Account,
) -> Result<(), StoreError> {
    let changed: Vec<&Sequence> =
        now.sequences().iter().filter(|s| !before.sequences().contains(s)).collect();
    for group in changed.chunks(ROWS) {
        let sql = format!(
            "INSERT INTO numbering (analyzer, mark, day, generation, lowest, last, missing, width, \
             began, latest, unheard, restarted) VALUES {} \
             ON CONFLICT (analyzer, mark, day, generation) DO UPDATE SET lowest = excluded.lowest, \
             last = excluded.last, missing = excluded.missing, width = excluded.width, \
             began = excluded.began, latest = excluded.latest, unheard = excluded.unheard, \
             restarted = excluded.restarted",
            write.values(group.len(), 12)
        );
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for one in group {
            query = query
                .bind(analyzer.to_owned())
                .bind(storable(&one.mark))
                .bind(one.day.clone())
                .bind(i64::from(one.generation))
                .bind(one.from)
                .bind(one.last)
                .bind(serde_json::to_string(&one.missing).unwrap_or_default())
                .bind(i64::try_from(one.width).unwrap_or(0))
                .bind(one.began.map(|m| m.digits()))
                .bind(one.latest.map(|m| m.digits()))
                .bind(i64::from(one.unheard))
                .bind(i64::from(one.restarted));
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// A person says that an analyzer had begun its numbers again when it ran this report, or before it:
/// a patient under the number of a control is no reason to ask, and may have been the first.
pub(crate) async fn began_again(
    write: &mut Write,
    bench: &Bench,
    open: &ReportRow,
) -> Result<(), StoreError> {
    let Some(analyzer) = bench.analyzer(&open.analyzer) else { return Ok(()) };
    let Some(text) = open.print.number.as_deref().map(key_text) else { return Ok(()) };
    let day = open.taken.map_or_else(|| bench.clock.day(open.heard_at), |t| t.day_text());
    let before = account(write, &analyzer.id, analyzer.counting, &day).await?;
    let mut now = before.clone();
    let mut run = used_twice(write, open, &day).await?;
    run.push((open.n, text, open.taken));
    let mut heard = Vec::new();
    for (n, text, taken) in run {
        let number = split(&text, &analyzer.rules);
        let came = Came { day: &day, taken, repeat: false };
        let class = Class::of_number(&text, &analyzer.rules);
        let told = now.began_again(&number, came).into_iter();
        heard.extend(told.map(|told| Heard { told, day: day.clone(), class }));
        let sequence = now.spot_of(&number, came).map(|spot| spot.sequence());
        let query = sqlx::query("UPDATE report SET sequence = $1 WHERE n = $2");
        let query = query.bind(sequence).bind(n);
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    keep(write, &analyzer.id, &before, &now).await?;
    note(write, &analyzer.id, &heard).await.map(drop)
}

/// The reports before this one, in its sequence and on its day, whose number had come before: id,
/// number, time. What waits for a decision of its own is not among them.
async fn used_twice(
    write: &mut Write,
    open: &ReportRow,
    day: &str,
) -> Result<Vec<(i64, String, Option<Moment>)>, StoreError> {
    let query = sqlx::query(
        "SELECT r.n, r.number, r.taken_at, r.clock FROM report r \
         WHERE r.day = $1 AND r.analyzer = $2 AND r.n < $3 AND r.sequence = $4 \
         AND r.state NOT IN ('repeat', 'set-aside', 'held') AND EXISTS (SELECT 1 FROM report e \
         WHERE e.analyzer = $2 AND e.number = r.number AND e.sequence = $4 AND e.n < r.n \
         AND e.state NOT IN ('repeat', 'set-aside')) ORDER BY r.n",
    )
    .bind(day.to_owned())
    .bind(open.analyzer.clone())
    .bind(open.n)
    .bind(open.sequence.clone().unwrap_or_default());
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &AnyRow| -> Result<(i64, String, Option<Moment>), sqlx::Error> {
        Ok((row.try_get("n")?, row.try_get("number")?, taken(row)?))
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

/// A number on the day sheet that did not come.
struct Absent<'a> {
    spot: &'a Spot,
    value: i64,
    day: &'a str,
    number: String,
    class: Class,
    reason: &'static str,
}

/// Enters what the numbers told: those that did not come, and those that came after all. Returns the
/// numbers that are missing now.
pub(crate) async fn note(
    write: &mut Write,
    analyzer: &str,
    heard: &[Heard],
) -> Result<Vec<String>, StoreError> {
    let mut absent: Vec<Absent<'_>> = Vec::new();
    let mut came: Vec<&Spot> = Vec::new();
    for one in heard {
        match &one.told {
            Told::Missing(stretch) => absent.extend(rows(stretch, one, "number-skipped")),
            Told::Unknown(stretch) => absent.extend(rows(stretch, one, "number-unknown")),
            Told::UnknownAfter(spot) => {
                let number = format!("after {}{}", spot.mark, spot.value);
                absent.push(row(spot, spot.value, number, one, "last-unknown"));
            }
            Told::CameLate(spot) | Told::Before(spot) => {
                absent.retain(|a| a.reason == "last-unknown" || !a.is(spot));
                came.push(spot);
            }
            Told::HeardBefore(_)
            | Told::ResetSeen { .. }
            | Told::Wrapped { .. }
            | Told::Outside { .. } => {}
        }
    }
    for spot in came {
        arrived(write, analyzer, spot).await?;
    }
    insert(write, analyzer, &absent).await?;
    Ok(absent.into_iter().map(|a| a.number).collect())
}

impl Absent<'_> {
    fn is(&self, spot: &Spot) -> bool {
        self.value == spot.value && Spot { value: spot.value, ..self.spot.clone() } == *spot
    }
}

fn row<'a>(
    spot: &'a Spot,
    value: i64,
    number: String,
    heard: &'a Heard,
    reason: &'static str,
) -> Absent<'a> {
    let day = if spot.day.is_empty() { &heard.day } else { &spot.day };
    Absent { spot, value, day, number, class: heard.class, reason }
}

fn rows<'a>(
    stretch: &'a Stretch,
    heard: &'a Heard,
    reason: &'static str,
) -> impl Iterator<Item = Absent<'a>> {
    let names = stretch.names().into_iter().zip(stretch.first.value..);
    names.map(move |(number, value)| row(&stretch.first, value, number, heard, reason))
}

async fn arrived(write: &mut Write, analyzer: &str, spot: &Spot) -> Result<(), StoreError> {
    // Rows from before the account have the number alone.
    let query = sqlx::query(
        "UPDATE absent SET state = 'heard' WHERE analyzer = $1 AND state IN ('missing', 'explained') \
         AND sequence = $2 AND reason <> 'last-unknown' \
         AND ((mark = $3 AND value = $4) OR (value = 0 AND number = $5))",
    )
    .bind(analyzer.to_owned())
    .bind(spot.sequence())
    .bind(storable(&spot.mark))
    .bind(spot.value)
    .bind(format!("{}{}", storable(&spot.mark), spot.value));
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

async fn insert(
    write: &mut Write,
    analyzer: &str,
    absent: &[Absent<'_>],
) -> Result<(), StoreError> {
    let now = clock::now_us();
    // One statement must not meet a row twice. A number that came late and was the last one has a row.
    let mut keys = HashSet::new();
    let absent: Vec<&Absent<'_>> =
        absent.iter().filter(|a| keys.insert((a.spot.sequence(), &a.spot.mark, a.value))).collect();
    for group in absent.chunks(ROWS) {
        let sql = format!(
            "INSERT INTO absent (analyzer, sequence, mark, value, day, number, class, state, reason, \
             noticed_at) VALUES {} ON CONFLICT (analyzer, sequence, mark, value) DO UPDATE SET \
             number = excluded.number, state = excluded.state, reason = excluded.reason, why = NULL, \
             noticed_at = excluded.noticed_at \
             WHERE absent.state = 'heard' AND excluded.reason = 'last-unknown'",
            write.values(group.len(), 10)
        );
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for one in group {
            query = query
                .bind(analyzer.to_owned())
                .bind(one.spot.sequence())
                .bind(storable(&one.spot.mark))
                .bind(one.value)
                .bind(one.day.to_owned())
                .bind(storable(&one.number))
                .bind(one.class.code())
                .bind("missing")
                .bind(one.reason)
                .bind(now);
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}
