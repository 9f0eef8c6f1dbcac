//! Entering reports: new rows, many in one statement; rows that were read anew; what is looked up before.

use std::collections::HashSet;

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Executor, Row};
use wickline_normalize::readings::Reading;
use wickline_normalize::{Class, Remark, Report};

use super::report::{class_of, one_row};
use super::{at, kept, named};
use crate::store::StoreError;
use crate::store::db::{Write, list_of};
use crate::store::state::{Arrow, ReportState};

/// Rows of one statement at most; Postgres takes 65,535 parameters, SQLite 32,766.
const ROWS: usize = 1000;

/// The columns that judging decides.
#[derive(Clone, Debug)]
pub struct Columns {
    pub state: ReportState,
    pub class: Class,
    pub level: Option<String>,
    pub specimen: Option<String>,
    pub number: Option<String>,
    pub identity: String,
    pub strip: String,
    pub print: String,
    pub readings: Vec<Reading>,
    pub taken_at: Option<String>,
    pub repeat_of: Option<i64>,
    pub remarks: Vec<Remark>,
    pub clock: Option<&'static str>,
    /// Which of the instruments that stood there one after the other.
    pub instrument: i64,
}

/// A new row.
pub struct Entry<'a> {
    pub n: i64,
    pub place_from: u64,
    pub place_to: u64,
    /// Which of the reports at its place.
    pub part: usize,
    pub heard_at: i64,
    pub day: &'a str,
    pub sequence: Option<&'a str>,
    pub control_sign: bool,
    /// Its OBR-3.
    pub filler: String,
    /// No receiver takes it yet.
    pub unsent: bool,
    pub columns: Columns,
}

/// Enters reports of one analyzer's tape.
pub async fn insert(
    write: &mut Write,
    tape: &str,
    analyzer: &str,
    rows: &[Entry<'_>],
) -> Result<(), StoreError> {
    for group in rows.chunks(ROWS) {
        let sql = format!(
            "INSERT INTO report (n, tape, analyzer, place_from, place_to, part, number, class, level, \
             specimen, day, taken_at, heard_at, state, identity, repeat_of, strip, control_sign, \
             print, readings, filler, unsent, sequence, remarks, clock, instrument) \
             VALUES {}",
            write.values(group.len(), 26)
        );
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for one in group {
            let row = &one.columns;
            query = query
                .bind(one.n)
                .bind(tape)
                .bind(analyzer)
                .bind(signed(one.place_from))
                .bind(signed(one.place_to))
                .bind(i64::try_from(one.part).unwrap_or(i64::MAX))
                .bind(row.number.as_deref())
                .bind(row.class.code())
                .bind(row.level.as_deref())
                .bind(row.specimen.as_deref())
                .bind(one.day)
                .bind(row.taken_at.as_deref())
                .bind(one.heard_at)
                .bind(row.state.text())
                .bind(row.identity.as_str())
                .bind(row.repeat_of)
                .bind(row.strip.as_str())
                .bind(i64::from(one.control_sign))
                .bind(row.print.as_str())
                .bind(kept("readings", &row.readings)?)
                .bind(one.filler.as_str())
                .bind(i64::from(one.unsent))
                .bind(one.sequence)
                .bind(kept("remarks", &row.remarks)?)
                .bind(row.clock)
                .bind(row.instrument);
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// What reading a report again made of it.
pub struct Anew<'a> {
    pub columns: &'a Columns,
    pub control_sign: bool,
    pub sequence: Option<&'a str>,
    pub day: &'a str,
}

/// Writes a report anew that was read again, and moves it along an arrow.
pub async fn rewrite(
    write: &mut Write,
    n: i64,
    arrow: Arrow<ReportState>,
    anew: &Anew<'_>,
) -> Result<(), StoreError> {
    let row = anew.columns;
    named::keep(write, n, row.specimen.as_deref(), "reread").await?;
    let update = sqlx::query(
        "UPDATE report SET state = $1, class = $2, level = $3, specimen = $4, number = $5, \
         identity = $6, strip = $7, print = $8, readings = $9, taken_at = $10, repeat_of = $11, \
         control_sign = $12, remarks = $13, clock = $14, sequence = $15, \
         day = $16, instrument = $17 WHERE n = $18 AND state = $19",
    )
    .bind(arrow.to().text())
    .bind(row.class.code())
    .bind(row.level.clone())
    .bind(row.specimen.clone())
    .bind(row.number.clone())
    .bind(row.identity.clone())
    .bind(row.strip.clone())
    .bind(row.print.clone())
    .bind(kept("readings", &row.readings)?)
    .bind(row.taken_at.clone())
    .bind(row.repeat_of)
    .bind(i64::from(anew.control_sign))
    .bind(kept("remarks", &row.remarks)?)
    .bind(row.clock)
    .bind(anew.sequence.map(str::to_owned))
    .bind(anew.day.to_owned())
    .bind(row.instrument)
    .bind(n)
    .bind(arrow.from().text());
    one_row(write, format!("report {n}"), update).await
}

/// Puts the readings of another print into a report that is out: whose it is stays.
pub async fn take_over(
    write: &mut Write,
    n: i64,
    print: &Report,
    row: &Columns,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE report SET print = $1, readings = $2, strip = $3, remarks = $4, taken_at = $5, \
         clock = $6 WHERE n = $7 AND state = 'waiting'",
    )
    .bind(kept("print", print)?)
    .bind(kept("readings", &row.readings)?)
    .bind(row.strip.clone())
    .bind(kept("remarks", &row.remarks)?)
    .bind(row.taken_at.clone())
    .bind(row.clock)
    .bind(n);
    one_row(write, format!("report {n}"), query).await
}

/// The places on a tape, from one on, at which reports are known: offset, and which of those there.
pub async fn places(
    write: &mut Write,
    tape: &str,
    analyzer: &str,
    from: u64,
) -> Result<HashSet<(u64, usize)>, StoreError> {
    let query = sqlx::query(
        "SELECT place_from, part FROM report WHERE tape = $1 AND analyzer = $2 AND place_from >= $3",
    )
    .bind(tape)
    .bind(analyzer)
    .bind(signed(from));
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &AnyRow| -> Result<(u64, usize), StoreError> {
        let whole = |column| row.try_get::<i64, _>(column).map_err(|e| write.wrong(&e));
        let (offset, part) = (whole("place_from")?, whole("part")?);
        let place = at("report", format!("at byte {offset} of {analyzer}"));
        let offset = u64::try_from(offset).map_err(|_| place.wrong("place_from", "below 0"))?;
        let part = usize::try_from(part).map_err(|_| place.wrong("part", "below 0"))?;
        Ok((offset, part))
    };
    rows.iter().map(read).collect()
}

/// Which earlier reports may be of the runs that came: by day and by number or specimen.
pub struct Alike<'a> {
    pub analyzer: &'a str,
    /// Another's numbers are others.
    pub instrument: i64,
    pub days: &'a HashSet<String>,
    /// Some of them print another date than that of their sheet.
    pub odd: bool,
    /// Numbers, and specimen ids of what has no number.
    pub keys: &'a HashSet<String>,
    /// Numbers begin anew each day: the same one of another day is another.
    pub daily: bool,
    pub before: i64,
}

/// An earlier report with its print.
pub struct EarlierRow {
    pub n: i64,
    pub class: Class,
    pub number: Option<String>,
    pub day: String,
    pub sequence: Option<String>,
    pub identity: String,
    pub print: Report,
}

/// The last thousand of them, the oldest first; what is a repeat or set aside is not among them.
pub async fn alike(write: &mut Write, asked: &Alike<'_>) -> Result<Vec<EarlierRow>, StoreError> {
    if asked.keys.is_empty() {
        return Ok(Vec::new());
    }
    let (days, keys) = (asked.days, asked.keys);
    let (day_list, key_list) = (list_of(days.len(), 2), list_of(keys.len(), 2 + days.len()));
    let upper = 2 + days.len() + keys.len();
    let instrument = upper + 1;
    // What was printed with a wrong date stands on the sheet of the day that it came.
    let printed = if asked.odd {
        format!(" OR substr(taken_at, 1, 10) IN ({day_list})")
    } else {
        String::new()
    };
    let of_day = format!("(day IN ({day_list}){printed})");
    let number = format!("number IN ({key_list})");
    let which = if asked.daily {
        format!("{of_day} AND ({number} OR (number IS NULL AND specimen IN ({key_list})))")
    } else {
        format!("({number} OR ({of_day} AND number IS NULL AND specimen IN ({key_list})))")
    };
    let sql = format!(
        "SELECT n, class, number, day, sequence, identity, state, print FROM report \
         WHERE analyzer = $1 AND {which} AND n < ${upper} AND instrument = ${instrument} \
         AND state NOT IN ('repeat', 'set-aside') \
         ORDER BY n DESC LIMIT 1000"
    );
    let mut query = sqlx::query(AssertSqlSafe(sql)).bind(asked.analyzer.to_owned());
    for text in days.iter().chain(keys) {
        query = query.bind(text.clone());
    }
    let rows = write.conn().fetch_all(query.bind(asked.before).bind(asked.instrument)).await;
    let rows = rows.map_err(|e| write.wrong(&e))?;
    rows.iter().rev().map(|row| earlier(write, row)).collect()
}

fn earlier(write: &Write, row: &AnyRow) -> Result<EarlierRow, StoreError> {
    let text = |column| row.try_get::<String, _>(column).map_err(|e| write.wrong(&e));
    let maybe = |column| row.try_get::<Option<String>, _>(column).map_err(|e| write.wrong(&e));
    let n: i64 = row.try_get("n").map_err(|e| write.wrong(&e))?;
    let place = at("report", n);
    Ok(EarlierRow {
        n,
        class: place.word("class", &text("class")?, class_of)?,
        number: maybe("number")?,
        day: text("day")?,
        sequence: maybe("sequence")?,
        identity: text("identity")?,
        print: place.json("print", &text("print")?)?,
    })
}

/// The last distances between an analyzer's clock and ours: when, and by how many seconds.
pub async fn clock_samples(
    write: &mut Write,
    analyzer: &str,
) -> Result<Vec<(i64, i64)>, StoreError> {
    let query = sqlx::query("SELECT samples FROM analyzer_clock WHERE analyzer = $1")
        .bind(analyzer.to_owned());
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let Some(row) = row else { return Ok(Vec::new()) };
    let text: String = row.try_get(0).map_err(|e| write.wrong(&e))?;
    at("analyzer_clock", analyzer).json("samples", &text)
}

/// Keeps them.
pub async fn keep_clock_samples(
    write: &mut Write,
    analyzer: &str,
    samples: &[(i64, i64)],
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO analyzer_clock (analyzer, samples) VALUES ($1, $2) \
         ON CONFLICT (analyzer) DO UPDATE SET samples = excluded.samples",
    )
    .bind(analyzer.to_owned())
    .bind(kept("samples", &samples)?);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

fn signed(offset: u64) -> i64 {
    i64::try_from(offset).unwrap_or(i64::MAX)
}
