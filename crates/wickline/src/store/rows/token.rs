//! Programs that may ask the console, by the digest of what each keeps.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Executor, Row};

use super::person::PersonRole;
use super::{at, storable};
use crate::store::StoreError;
use crate::store::db::Write;

/// One program that may ask.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Token {
    pub name: String,
    /// The same without what people do not tell apart: by it one is found.
    pub folded: String,
    /// The digest of what the program keeps.
    pub mark: String,
    pub role: PersonRole,
    pub since: i64,
    /// When it asked last, to the minute.
    pub seen_at: Option<i64>,
}

fn read(row: &AnyRow) -> Result<Token, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let role: String = row.try_get("role").map_err(wrong)?;
    let role = at("token", "-").word("role", &role, PersonRole::of)?;
    let read = || -> Result<Token, sqlx::Error> {
        Ok(Token {
            name: row.try_get("name")?,
            folded: row.try_get("folded")?,
            mark: row.try_get("mark")?,
            role,
            since: row.try_get("since")?,
            seen_at: row.try_get("seen_at")?,
        })
    };
    read().map_err(wrong)
}

/// All of them, by name.
pub async fn all(conn: &mut AnyConnection) -> Result<Vec<Token>, StoreError> {
    let rows = conn
        .fetch_all("SELECT folded, name, mark, role, since, seen_at FROM token ORDER BY folded");
    let rows = rows.await.map_err(|e| StoreError::from_sql("the ledger", &e))?;
    rows.iter().map(read).collect()
}

/// The one that keeps what has this digest.
pub async fn marked(conn: &mut AnyConnection, mark: &str) -> Result<Option<Token>, StoreError> {
    let query =
        sqlx::query("SELECT folded, name, mark, role, since, seen_at FROM token WHERE mark = $1");
    let row = conn.fetch_optional(query.bind(mark.to_owned())).await;
    row.map_err(|e| StoreError::from_sql("the ledger", &e))?.as_ref().map(read).transpose()
}

/// Lets one in.
pub async fn add(write: &mut Write, one: &Token) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO token (folded, name, mark, role, since) VALUES ($1, $2, $3, $4, $5)",
    )
    .bind(one.folded.clone())
    .bind(storable(&one.name))
    .bind(one.mark.clone())
    .bind(one.role.code())
    .bind(one.since);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Lets one in no more.
pub async fn remove(write: &mut Write, folded: &str) -> Result<(), StoreError> {
    let query = sqlx::query("DELETE FROM token WHERE folded = $1").bind(folded.to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Notes that one asked.
pub async fn seen(write: &mut Write, mark: &str, at: i64) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE token SET seen_at = $2 WHERE mark = $1");
    let query = query.bind(mark.to_owned()).bind(at);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
