//! The rows of the ledger, one table a file: typed, and loud when they cannot be decoded.
//!
//! A row that is not what this program writes is an error that names table, row and column. It is never read
//! as something else: a report whose marks cannot be read must not go out without them.

pub mod absent;
pub mod care;
pub mod closing;
pub mod configuration;
pub mod control_run;
pub mod daemon_state;
pub mod doubt;
pub mod hold;
pub mod instrument;
pub mod line_query;
pub mod line_refusal;
pub mod message;
pub(crate) mod named;
pub mod notice;
pub mod numbering;
pub mod order;
pub mod person;
pub mod position;
pub mod purged;
pub mod question;
pub mod queue;
pub mod report;
pub mod report_entry;
pub mod review;
pub mod strip_lot;
pub mod token;

use std::fmt::Display;

use serde::Serialize;
use serde::de::DeserializeOwned;
use sqlx::any::{AnyArguments, AnyRow};
use sqlx::query::Query;
use sqlx::{Any, Decode, Executor, Row, Type};

use super::StoreError;
use super::db::Write;

/// One row of one table, for what is said when it cannot be decoded.
#[derive(Clone, Copy, Debug)]
pub struct Place<N> {
    pub table: &'static str,
    pub row: N,
}

/// The row `row` of `table`.
pub fn at<N: Display>(table: &'static str, row: N) -> Place<N> {
    Place { table, row }
}

impl<N: Display> Place<N> {
    /// What to say of a column that is not what this program writes. The text itself is not shown: it may
    /// name a patient.
    pub fn wrong(&self, column: &'static str, why: impl Display) -> StoreError {
        let (table, row, why) = (self.table, self.row.to_string(), why.to_string());
        StoreError::Undecodable { table, row, column, why }
    }

    /// A column of JSON.
    pub fn json<T: DeserializeOwned>(
        &self,
        column: &'static str,
        text: &str,
    ) -> Result<T, StoreError> {
        serde_json::from_str(text).map_err(|e| {
            // The message of the error would quote the text.
            let at = format!("line {}, character {}", e.line(), e.column());
            self.wrong(column, format!("no such content as this program writes, at {at}"))
        })
    }

    /// A column that holds one of the words that `of` knows.
    pub fn word<T>(
        &self,
        column: &'static str,
        text: &str,
        of: impl FnOnce(&str) -> Option<T>,
    ) -> Result<T, StoreError> {
        of(text).ok_or_else(|| self.wrong(column, "a word that this program does not know"))
    }
}

/// A value as it is kept in a column of JSON.
pub fn kept<T: Serialize>(column: &'static str, value: &T) -> Result<String, StoreError> {
    serde_json::to_string(value).map_err(|e| StoreError::Wrong {
        what: format!("what was to be kept as {column}"),
        why: format!("it cannot be written as JSON ({:?})", e.classify()),
    })
}

/// A NUL is text to SQLite and an error to Postgres: shown by its sign, here as in the lists. The
/// print keeps it as it came.
pub fn storable(text: &str) -> String {
    text.replace('\0', "\u{2400}")
}

/// What is looked for in an index: a server takes no more than some 2,700 bytes there. The print keeps
/// the whole.
const KEY: usize = 200;

/// A number or an id as a key.
pub fn key_text(text: &str) -> String {
    storable(&text.chars().take(KEY).collect::<String>())
}

/// The first column of every row that a query finds.
pub(crate) async fn firsts<T, C: FromIterator<T>>(
    write: &mut Write,
    query: Query<'_, Any, AnyArguments>,
) -> Result<C, StoreError>
where
    for<'r> T: Decode<'r, Any> + Type<Any>,
{
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &AnyRow| row.try_get(0);
    rows.iter().map(read).collect::<Result<C, sqlx::Error>>().map_err(|e| write.wrong(&e))
}

#[cfg(test)]
mod tests {
    use super::at;

    #[test]
    fn what_cannot_be_decoded_is_named_and_not_quoted() {
        let place = at("report", 17);
        let found = place.json::<Vec<i64>>("readings", "[1, \"KP-20417\"]");
        let text = found.expect_err("no number").to_string();
        assert!(text.contains("row 17 of report") && text.contains("readings"), "{text}");
        assert!(!text.contains("KP-20417"), "{text}");
        let none = place.word("state", "KP-20417", |_| None::<()>).expect_err("no word");
        assert!(!none.to_string().contains("KP-20417"));
    }
}
