//! Numbers that an analyzer gave out and that nobody heard in their turn: a row is a range of them, in one
//! run, that share what is known of them. One that comes, or is explained, is cut out of its range.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, AssertSqlSafe, Executor, Row};
use wickline_normalize::account::named;

use super::{at, storable};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::state::{Arrow, NumberState};
use crate::texts::say;

/// Rows of one statement at most.
const ROWS: usize = 1000;

/// Why a number is not there.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Absence {
    /// A later one came.
    Skipped,
    /// It may have gone by while nobody listened.
    Unknown,
    /// It came, and nobody listened after it: it may not have been the last one.
    LastUnknown,
}

impl Absence {
    const ALL: [Absence; 3] = [Absence::Skipped, Absence::Unknown, Absence::LastUnknown];

    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Absence::Skipped => "number-skipped",
            Absence::Unknown => "number-unknown",
            Absence::LastUnknown => "last-unknown",
        }
    }

    fn of(code: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|a| a.code() == code)
    }
}

/// One row.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Absent {
    pub analyzer: String,
    /// Day, generation and round.
    pub sequence: String,
    pub mark: String,
    pub from: i64,
    pub to: i64,
    /// Digits with zeros in front; 0: none are printed.
    pub width: usize,
    /// The sheet that it stands on.
    pub day: String,
    /// The first of them, in words.
    pub number: String,
    pub class: String,
    pub state: NumberState,
    pub reason: Absence,
    /// What a person said, or what became of it.
    pub why: Option<String>,
    pub noticed_at: i64,
}

const COLUMNS: &str = "SELECT analyzer, sequence, mark, value, up_to, width, day, number, class, state, \
     reason, why, noticed_at FROM absent";

impl Absent {
    /// Rows from before the account have the number alone, as their mark.
    #[must_use]
    pub fn is_old(&self) -> bool {
        self.from == 0 && self.to == 0 && self.mark == self.number
    }

    /// A part of it.
    fn part(&self, from: i64, to: i64) -> Absent {
        let number = if from == self.from {
            self.number.clone()
        } else {
            named(&self.mark, from, self.width)
        };
        Absent { from, to, number, ..self.clone() }
    }
}

fn read(row: &AnyRow) -> Result<Absent, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("a row of absent", &e);
    let text = |column: &'static str| row.try_get::<String, _>(column).map_err(wrong);
    let whole = |column: &'static str| row.try_get::<i64, _>(column).map_err(wrong);
    let (analyzer, sequence, number) = (text("analyzer")?, text("sequence")?, text("number")?);
    let place = at("absent", format!("{analyzer} {sequence} {number}"));
    Ok(Absent {
        mark: text("mark")?,
        from: whole("value")?,
        to: whole("up_to")?,
        width: usize::try_from(whole("width")?).map_err(|e| place.wrong("width", e))?,
        day: text("day")?,
        class: text("class")?,
        state: place.word("state", &text("state")?, NumberState::of)?,
        reason: place.word("reason", &text("reason")?, Absence::of)?,
        why: row.try_get("why").map_err(wrong)?,
        noticed_at: whole("noticed_at")?,
        analyzer,
        sequence,
        number,
    })
}

/// What did not come of a day, by analyzer, run and mark in the order of the numbers.
pub async fn of_day(conn: &mut AnyConnection, day: &str) -> Result<Vec<Absent>, StoreError> {
    let sql = format!(
        "{COLUMNS} WHERE day = $1 AND state <> 'heard' ORDER BY analyzer, sequence, mark, value"
    );
    let query = sqlx::query(AssertSqlSafe(sql)).bind(day.to_owned());
    let rows = conn.fetch_all(query).await.map_err(|e| StoreError::from_sql("the ledger", &e))?;
    rows.iter().map(read).collect()
}

/// The rows of a run that have any of these numbers.
pub async fn within(
    write: &mut Write,
    analyzer: &str,
    (sequence, mark): (&str, &str),
    (from, to): (i64, i64),
) -> Result<Vec<Absent>, StoreError> {
    // Rows have no number in common: the last that begins before these is the only one that may reach them.
    let sql = format!(
        "{COLUMNS} WHERE analyzer = $1 AND sequence = $2 AND mark = $3 AND value <= $5 \
         AND value >= coalesce((SELECT max(b.value) FROM absent b WHERE b.analyzer = $1 \
         AND b.sequence = $2 AND b.mark = $3 AND b.value <= $4), $4) ORDER BY value"
    );
    let query = sqlx::query(AssertSqlSafe(sql))
        .bind(analyzer.to_owned())
        .bind(sequence.to_owned())
        .bind(storable(mark))
        .bind(from)
        .bind(to);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let mut found = rows.iter().map(read).collect::<Result<Vec<_>, _>>()?;
    found.retain(|row| row.to >= from);
    Ok(found)
}

/// Enters what did not come. A number that came late and was the last one has a row already; nothing else may
/// have one, for what is entered twice would be forgotten once.
pub async fn insert(write: &mut Write, rows: &[Absent]) -> Result<(), StoreError> {
    let (last, gaps): (Vec<&Absent>, Vec<&Absent>) =
        rows.iter().partition(|row| row.reason == Absence::LastUnknown);
    let again = "ON CONFLICT (analyzer, sequence, mark, value) DO UPDATE SET number = excluded.number, \
         state = excluded.state, reason = excluded.reason, why = NULL, noticed_at = excluded.noticed_at \
         WHERE absent.state = 'heard'";
    for (rows, again) in [(gaps, ""), (last, again)] {
        for group in rows.chunks(ROWS) {
            write_group(write, group, again).await?;
        }
    }
    Ok(())
}

async fn write_group(write: &mut Write, rows: &[&Absent], again: &str) -> Result<(), StoreError> {
    let sql = format!(
        "INSERT INTO absent (analyzer, sequence, mark, value, up_to, width, day, number, class, state, \
         reason, why, noticed_at) VALUES {} {again}",
        write.values(rows.len(), 13)
    );
    let mut query = sqlx::query(AssertSqlSafe(sql));
    for one in rows {
        query = query
            .bind(one.analyzer.clone())
            .bind(one.sequence.clone())
            .bind(storable(&one.mark))
            .bind(one.from)
            .bind(one.to)
            .bind(i64::try_from(one.width).unwrap_or(0))
            .bind(one.day.clone())
            .bind(storable(&one.number))
            .bind(one.class.clone())
            .bind(one.state.text())
            .bind(one.reason.code())
            .bind(one.why.clone())
            .bind(one.noticed_at);
    }
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Moves some numbers of a row along an arrow; the rest of its range stays as it is.
pub async fn moved(
    write: &mut Write,
    row: &Absent,
    (from, to): (i64, i64),
    arrow: Arrow<NumberState>,
    why: Option<&str>,
) -> Result<(), StoreError> {
    let (from, to) = (from.max(row.from), to.min(row.to));
    let query = sqlx::query(
        "DELETE FROM absent WHERE analyzer = $1 AND sequence = $2 AND mark = $3 AND value = $4 \
         AND up_to = $5 AND state = $6",
    )
    .bind(row.analyzer.clone())
    .bind(row.sequence.clone())
    .bind(row.mark.clone())
    .bind(row.from)
    .bind(row.to)
    .bind(arrow.from().text());
    let done = write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    if done.rows_affected() != 1 || from > to {
        let Absent { analyzer, number, .. } = row;
        return Err(super::super::refused(say!("no.number_moved", number = number, id = analyzer)));
    }
    let changed = Absent { state: arrow.to(), why: why.map(storable), ..row.part(from, to) };
    let mut parts = vec![changed];
    if row.from < from {
        parts.push(row.part(row.from, from - 1));
    }
    if to < row.to {
        parts.push(row.part(to + 1, row.to));
    }
    insert(write, &parts).await
}

/// Ranges of an analyzer that are missing and have more numbers than this.
pub async fn longer(
    write: &mut Write,
    analyzer: &str,
    than: i64,
) -> Result<Vec<Absent>, StoreError> {
    let sql = format!(
        "{COLUMNS} WHERE state = 'missing' AND analyzer = $1 AND up_to - value >= $2 ORDER BY value"
    );
    let query = sqlx::query(AssertSqlSafe(sql)).bind(analyzer.to_owned()).bind(than);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter().map(read).collect()
}

/// The latest day on which a number is missing.
pub async fn latest_day_of(
    conn: &mut AnyConnection,
    number: &str,
    (mark, value): (&str, Option<i64>),
) -> Result<Option<String>, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let query = sqlx::query(
        "SELECT day FROM absent WHERE state = 'missing' AND (number = $1 OR (mark = $2 AND value <= $3 \
         AND up_to >= $3)) ORDER BY day DESC LIMIT 1",
    )
    .bind(number.to_owned())
    .bind(mark.to_owned())
    .bind(value.unwrap_or(-1));
    let row = conn.fetch_optional(query).await.map_err(wrong)?;
    row.map(|row| row.try_get("day")).transpose().map_err(wrong)
}

/// Days before this one on which numbers are missing, with how many.
pub async fn missing_before(
    conn: &mut AnyConnection,
    day: &str,
) -> Result<Vec<(String, String, i64)>, StoreError> {
    let query = sqlx::query(
        "SELECT day, analyzer, CAST(sum(up_to - value + 1) AS BIGINT) AS many FROM absent \
         WHERE state = 'missing' AND day < $1 GROUP BY day, analyzer ORDER BY day, analyzer",
    )
    .bind(day.to_owned());
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let rows = conn.fetch_all(query).await.map_err(wrong)?;
    let read =
        |row: &AnyRow| Ok((row.try_get("day")?, row.try_get("analyzer")?, row.try_get("many")?));
    rows.iter().map(read).collect::<Result<_, _>>().map_err(wrong)
}
