//! The account of an analyzer's numbers in rows: one run of numbers without a reset in each.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Executor, Row};
use wickline_normalize::Moment;
use wickline_normalize::account::{GENERATIONS as OF_ONE, Sequence, first_generation};

use super::{at, kept, storable};
use crate::clock::moment_of;
use crate::store::StoreError;
use crate::store::db::Write;

/// Runs of an analyzer that does not begin anew each day: older ones get no late number.
const GENERATIONS: i64 = 50;
/// Rows of one statement at most.
const ROWS: usize = 1000;

const COLUMNS: &str = "SELECT n.analyzer, n.day, n.generation, n.mark, n.lowest, n.last, n.missing, \
     n.width, n.began, n.latest, n.unheard, n.restarted, n.said FROM numbering n";

/// The runs of one instrument that reports of `first_day` and later may belong to: where numbers begin anew
/// each day those of these days and of each mark the day before.
pub async fn from_day(
    write: &mut Write,
    analyzer: &str,
    instrument: u32,
    daily: bool,
    first_day: &str,
) -> Result<Vec<Sequence>, StoreError> {
    let first = i64::from(first_generation(instrument));
    let last = first + i64::from(OF_ONE) - 1;
    let query = if daily {
        let sql = format!(
            "{COLUMNS} WHERE n.analyzer = $1 AND n.generation BETWEEN $2 AND $3 \
             AND (n.day >= $4 OR n.day = (SELECT max(p.day) \
             FROM numbering p WHERE p.analyzer = n.analyzer AND p.mark = n.mark AND p.day < $4 \
             AND p.generation BETWEEN $2 AND $3))"
        );
        let query = sqlx::query(AssertSqlSafe(sql)).bind(analyzer.to_owned());
        query.bind(first).bind(last).bind(first_day.to_owned())
    } else {
        let sql = format!(
            "{COLUMNS} WHERE n.analyzer = $1 AND n.generation BETWEEN $2 AND $3 AND n.day = '' \
             AND n.generation > (SELECT max(p.generation) - {GENERATIONS} FROM numbering p \
             WHERE p.analyzer = n.analyzer AND p.mark = n.mark AND p.day = '' \
             AND p.generation BETWEEN $2 AND $3)"
        );
        sqlx::query(AssertSqlSafe(sql)).bind(analyzer.to_owned()).bind(first).bind(last)
    };
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter().map(|row| read(row).map(|(_, sequence)| sequence)).collect()
}

/// The runs of a day of every analyzer, and those that are of no day.
pub async fn of_day(
    conn: &mut AnyConnection,
    day: &str,
) -> Result<Vec<(String, Sequence)>, StoreError> {
    let sql = format!("{COLUMNS} WHERE n.day = $1 OR n.day = ''");
    let query = sqlx::query(AssertSqlSafe(sql)).bind(day.to_owned());
    let rows = conn.fetch_all(query).await.map_err(|e| StoreError::from_sql("the ledger", &e))?;
    rows.iter().map(read).collect()
}

fn read(row: &AnyRow) -> Result<(String, Sequence), StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("a row of numbering", &e);
    let analyzer: String = row.try_get("analyzer").map_err(wrong)?;
    let mark: String = row.try_get("mark").map_err(wrong)?;
    let day: String = row.try_get("day").map_err(wrong)?;
    let generation: i64 = row.try_get("generation").map_err(wrong)?;
    let place = at("numbering", format!("{analyzer} `{mark}` {day} {generation}"));
    let moment = |column: &'static str| {
        let text: Option<String> = row.try_get(column).map_err(wrong)?;
        text.map(|t| place.word(column, &t, Moment::from_digits)).transpose()
    };
    let whole = |column: &'static str| row.try_get::<i64, _>(column).map_err(wrong);
    let missing: String = row.try_get("missing").map_err(wrong)?;
    let sequence = Sequence {
        generation: u32::try_from(generation).map_err(|e| place.wrong("generation", e))?,
        from: whole("lowest")?,
        last: whole("last")?,
        missing: place.json("missing", &missing)?,
        width: usize::try_from(whole("width")?).map_err(|e| place.wrong("width", e))?,
        began: moment("began")?,
        latest: moment("latest")?,
        unheard: whole("unheard")? != 0,
        restarted: whole("restarted")? != 0,
        said: whole("said")? != 0,
        day,
        mark,
    };
    Ok((analyzer, sequence))
}

/// Writes runs as they are now.
pub async fn keep(write: &mut Write, analyzer: &str, runs: &[&Sequence]) -> Result<(), StoreError> {
    for group in runs.chunks(ROWS) {
        let sql = format!(
            "INSERT INTO numbering (analyzer, mark, day, generation, lowest, last, missing, width, \
             began, latest, unheard, restarted, said) VALUES {} \
             ON CONFLICT (analyzer, mark, day, generation) DO UPDATE SET lowest = excluded.lowest, \
             last = excluded.last, missing = excluded.missing, width = excluded.width, \
             began = excluded.began, latest = excluded.latest, unheard = excluded.unheard, \
             restarted = excluded.restarted, said = excluded.said",
            write.values(group.len(), 13)
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
                .bind(kept("missing", &one.missing)?)
                .bind(i64::try_from(one.width).unwrap_or(i64::MAX))
                .bind(one.began.map(|m| m.digits()))
                .bind(one.latest.map(|m| m.digits()))
                .bind(i64::from(one.unheard))
                .bind(i64::from(one.restarted))
                .bind(i64::from(one.said));
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// Numbers of an analyzer that were used twice and wait for a person to say what that was: as printed, with
/// the day of the run that they were used in.
pub async fn undecided(
    write: &mut Write,
    analyzer: &str,
    instrument: u32,
) -> Result<Vec<(String, String)>, StoreError> {
    let query = sqlx::query(
        "SELECT r.number, r.sequence FROM report r WHERE r.state = 'held' AND r.analyzer = $1 \
         AND r.instrument = $2 AND r.number IS NOT NULL AND r.sequence IS NOT NULL AND EXISTS (SELECT 1 FROM hold h \
         WHERE h.report = r.n AND h.reason = 'number-reused' AND h.cleared_at IS NULL)",
    )
    .bind(analyzer.to_owned())
    .bind(i64::from(instrument));
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &AnyRow| -> Result<(String, String), sqlx::Error> {
        let sequence: String = row.try_get("sequence")?;
        let day = sequence.rsplit_once('#').map_or("", |(day, _)| day);
        Ok((row.try_get("number")?, day.to_owned()))
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

/// A report as far as the account of numbers needs it.
#[derive(Clone, Debug)]
pub struct Numbered {
    pub report: i64,
    pub number: String,
    /// None: it is not believed, or not printed.
    pub taken: Option<Moment>,
}

/// The reports before this one, of its analyzer, run and day, whose number had come before. What waits for a
/// decision of its own is not among them.
pub async fn used_twice(
    write: &mut Write,
    analyzer: &str,
    sequence: &str,
    day: &str,
    before: i64,
) -> Result<Vec<Numbered>, StoreError> {
    let query = sqlx::query(
        "SELECT r.n, r.number, r.taken_at, r.clock FROM report r \
         WHERE r.day = $1 AND r.analyzer = $2 AND r.n < $3 AND r.sequence = $4 \
         AND r.state NOT IN ('repeat', 'set-aside', 'held') AND EXISTS (SELECT 1 FROM report e \
         WHERE e.analyzer = $2 AND e.number = r.number AND e.sequence = $4 AND e.n < r.n \
         AND e.state NOT IN ('repeat', 'set-aside')) ORDER BY r.n",
    )
    .bind(day.to_owned())
    .bind(analyzer.to_owned())
    .bind(before)
    .bind(sequence.to_owned());
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &AnyRow| -> Result<Numbered, sqlx::Error> {
        let doubted: Option<String> = row.try_get("clock")?;
        let taken: Option<String> = row.try_get("taken_at")?;
        let taken = taken.filter(|_| doubted.is_none()).and_then(|text| moment_of(&text));
        Ok(Numbered { report: row.try_get("n")?, number: row.try_get("number")?, taken })
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

/// Notes to which run the number of a report belongs.
pub async fn belongs(
    write: &mut Write,
    report: i64,
    sequence: Option<String>,
) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE report SET sequence = $1 WHERE n = $2");
    let query = query.bind(sequence).bind(report);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
