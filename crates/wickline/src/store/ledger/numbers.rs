//! The analyzer's own numbers: the last of each sequence and day, and those that never came.

use std::collections::{BTreeMap, HashSet};

use sqlx::{AssertSqlSafe, Executor, Row};

use crate::clock;
use crate::store::StoreError;
use crate::store::db::{Write, list_of};

/// The last number by day and leading mark.
pub(super) type Last = BTreeMap<(String, String), i64>;

/// Numbers that were missing and have come, by day.
pub(super) async fn arrived(
    write: &mut Write,
    analyzer: &str,
    came: &BTreeMap<&str, HashSet<String>>,
) -> Result<(), StoreError> {
    for (day, numbers) in came {
        let sql = format!(
            "UPDATE absent SET state = 'heard' WHERE analyzer = $1 AND state = 'missing' \
             AND day = $2 AND number IN ({})",
            list_of(numbers.len(), 3)
        );
        let mut query =
            sqlx::query(AssertSqlSafe(sql)).bind(analyzer.to_owned()).bind((*day).to_owned());
        for number in numbers {
            query = query.bind(number.clone());
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// The last numbers of these days.
pub(super) async fn last(
    write: &mut Write,
    analyzer: &str,
    days: &HashSet<String>,
) -> Result<Last, StoreError> {
    let sql = format!(
        "SELECT day, mark, last FROM sequence WHERE analyzer = $1 AND day IN ({})",
        list_of(days.len(), 2)
    );
    let mut query = sqlx::query(AssertSqlSafe(sql)).bind(analyzer.to_owned());
    for day in days {
        query = query.bind(day.clone());
    }
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &sqlx::any::AnyRow| -> Result<((String, String), i64), sqlx::Error> {
        Ok(((row.try_get("day")?, row.try_get("mark")?), row.try_get("last")?))
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

/// Notes the last numbers.
pub(super) async fn note(write: &mut Write, analyzer: &str, last: &Last) -> Result<(), StoreError> {
    if last.is_empty() {
        return Ok(());
    }
    let sql = format!(
        "INSERT INTO sequence (analyzer, day, mark, last) VALUES {} \
         ON CONFLICT (analyzer, day, mark) DO UPDATE SET last = excluded.last",
        write.values(last.len(), 4)
    );
    let mut query = sqlx::query(AssertSqlSafe(sql));
    for ((day, mark), value) in last {
        query = query.bind(analyzer.to_owned()).bind(day.clone()).bind(mark.clone()).bind(*value);
    }
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Notes numbers that were skipped: day, number, class of the one that came instead.
pub(super) async fn absent(
    write: &mut Write,
    analyzer: &str,
    missing: &[(String, String, &'static str)],
) -> Result<(), StoreError> {
    let now = clock::now_us();
    for group in missing.chunks(1000) {
        let sql = format!(
            "INSERT INTO absent (analyzer, day, number, class, state, noticed_at) VALUES {} \
             ON CONFLICT (analyzer, day, number) DO NOTHING",
            write.values(group.len(), 6)
        );
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for (day, number, class) in group {
            query = query
                .bind(analyzer.to_owned())
                .bind(day.clone())
                .bind(number.clone())
                .bind(*class)
                .bind("missing")
                .bind(now);
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}
