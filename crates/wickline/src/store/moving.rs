//! Moving a whole ledger into an empty one, while nothing runs on it: every row, in one transaction.

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Connection, Executor, Row};

use crate::store::StoreError;
use crate::store::db::{Conn, Write};
use crate::store::ledger::Ledger;
use crate::store::refused;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

/// What a column holds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Kind {
    Whole,
    Text,
    Bytes,
}

use Kind::{Bytes, Text, Whole};

/// One table: its name, its columns, and the whole number by which it is copied in steps.
struct Table {
    name: &'static str,
    key: Option<&'static str>,
    columns: &'static [(&'static str, Kind)],
}

/// Keys copied in one step.
const STEP: i64 = 500;

/// The names of the tables that a ledger is made of.
pub(super) fn names() -> impl Iterator<Item = &'static str> {
    TABLES.iter().map(|table| table.name)
}

const TABLES: &[Table] = &[
    Table {
        name: "ledger_label",
        key: None,
        columns: &[("epoch", Text), ("made_at", Whole), ("moved_to", Text)],
    },
    Table { name: "counter", key: None, columns: &[("name", Text), ("value", Whole)] },
    Table {
        name: "report",
        key: Some("n"),
        columns: &[
            ("n", Whole),
            ("tape", Text),
            ("analyzer", Text),
            ("place_from", Whole),
            ("place_to", Whole),
            ("part", Whole),
            ("number", Text),
            ("class", Text),
            ("level", Text),
            ("specimen", Text),
            ("given", Text),
            ("day", Text),
            ("taken_at", Text),
            ("heard_at", Whole),
            ("state", Text),
            ("identity", Text),
            ("repeat_of", Whole),
            ("strip", Text),
            ("control_sign", Whole),
            ("print", Text),
            ("readings", Text),
            ("filler", Text),
            ("note", Text),
            ("unsent", Whole),
            ("sequence", Text),
            ("remarks", Text),
            ("clock", Text),
            ("corrects", Whole),
            ("aside", Text),
            ("named_from", Text),
            ("instrument", Whole),
        ],
    },
    Table {
        name: "hold",
        key: Some("report"),
        columns: &[
            ("report", Whole),
            ("ix", Whole),
            ("reason", Text),
            ("detail", Text),
            ("line", Whole),
            ("cleared_at", Whole),
            ("released", Whole),
        ],
    },
    Table {
        name: "message",
        key: Some("n"),
        columns: &[
            ("n", Whole),
            ("control_id", Text),
            ("receiver", Text),
            ("report", Whole),
            ("state", Text),
            ("made_at", Whole),
            ("attempts", Whole),
            ("next_attempt_at", Whole),
            ("reason", Text),
            ("detail", Text),
            ("answer", Bytes),
            ("settled_at", Whole),
            ("kept_back", Whole),
            ("filler", Text),
            ("amends", Text),
            ("why", Text),
            ("specimen", Text),
            ("built_on", Text),
            ("maybe_sent", Whole),
            ("aside", Text),
            ("told", Text),
            ("owes", Whole),
        ],
    },
    Table { name: "message_body", key: Some("n"), columns: &[("n", Whole), ("body", Bytes)] },
    Table {
        name: "position",
        key: None,
        columns: &[("tape", Text), ("analyzer", Text), ("entry", Whole), ("doubt_to", Whole)],
    },
    Table {
        name: "numbering",
        key: None,
        columns: &[
            ("analyzer", Text),
            ("mark", Text),
            ("day", Text),
            ("generation", Whole),
            ("lowest", Whole),
            ("last", Whole),
            ("missing", Text),
            ("width", Whole),
            ("began", Text),
            ("latest", Text),
            ("unheard", Whole),
            ("restarted", Whole),
            ("said", Whole),
        ],
    },
    Table {
        name: "absent",
        key: None,
        columns: &[
            ("analyzer", Text),
            ("sequence", Text),
            ("mark", Text),
            ("value", Whole),
            ("day", Text),
            ("number", Text),
            ("class", Text),
            ("state", Text),
            ("reason", Text),
            ("why", Text),
            ("noticed_at", Whole),
            ("up_to", Whole),
            ("width", Whole),
        ],
    },
    Table {
        name: "control_run",
        key: Some("report"),
        columns: &[
            ("report", Whole),
            ("analyzer", Text),
            ("level", Text),
            ("day", Text),
            ("at", Whole),
            ("verdict", Text),
            ("control_lot", Text),
            ("strip", Text),
            ("strip_lot", Text),
            ("run", Text),
        ],
    },
    Table {
        name: "strip_lot",
        key: None,
        columns: &[
            ("analyzer", Text),
            ("strip", Text),
            ("since", Whole),
            ("lot", Text),
            ("last_day", Text),
        ],
    },
    Table {
        name: "instrument",
        key: None,
        columns: &[("analyzer", Text), ("n", Whole), ("since", Whole), ("serial", Text)],
    },
    Table {
        name: "daemon_state",
        key: None,
        columns: &[
            ("daemon", Text),
            ("kind", Text),
            ("id", Text),
            ("up", Whole),
            ("since", Whole),
            ("why", Text),
            ("last_at", Whole),
            ("noted_at", Whole),
        ],
    },
    Table {
        name: "lab_order",
        key: Some("n"),
        columns: &[
            ("n", Whole),
            ("source", Text),
            ("number", Text),
            ("called", Text),
            ("standing", Text),
            ("asked", Text),
            ("received", Whole),
            ("closed", Whole),
            ("deadline", Whole),
            ("ours", Text),
            ("answered_by", Text),
            ("urgent", Whole),
            ("patient", Text),
            ("named", Whole),
            ("wanted", Text),
            ("wants_back", Text),
            ("brought", Text),
        ],
    },
    Table {
        name: "order_specimen",
        key: Some("lab_order"),
        columns: &[("specimen", Text), ("lab_order", Whole)],
    },
    Table {
        name: "order_rival",
        key: Some("lab_order"),
        columns: &[("patient", Text), ("lab_order", Whole), ("refuted", Whole)],
    },
    Table {
        name: "patient_merge",
        key: None,
        columns: &[("gone", Text), ("stays", Text), ("at", Whole)],
    },
    Table {
        name: "order_message",
        key: None,
        columns: &[
            ("source", Text),
            ("control_id", Text),
            ("digest", Text),
            ("received", Whole),
            ("accept_answer", Bytes),
            ("application_answer", Bytes),
        ],
    },
    Table {
        name: "order_question",
        key: None,
        columns: &[("source", Text), ("specimen", Text), ("asked", Whole), ("said", Text)],
    },
    Table {
        name: "report_order",
        key: Some("report"),
        columns: &[("report", Whole), ("lab_order", Whole), ("pads", Text), ("filler", Text)],
    },
    Table {
        name: "order_was",
        key: Some("report"),
        columns: &[
            ("report", Whole),
            ("under", Text),
            ("lab_order", Whole),
            ("pads", Text),
            ("filler", Text),
        ],
    },
    Table {
        name: "line_query",
        key: None,
        columns: &[
            ("tape", Text),
            ("analyzer", Text),
            ("place", Whole),
            ("heard_at", Whole),
            ("day", Text),
            ("asked", Text),
            ("specimens", Whole),
            ("orders", Whole),
            ("said", Text),
            ("why", Text),
        ],
    },
    Table {
        name: "named",
        key: None,
        columns: &[("specimen", Text), ("report", Whole), ("at", Whole), ("what", Text)],
    },
    Table {
        name: "purged",
        key: Some("n"),
        columns: &[
            ("n", Whole),
            ("analyzer", Text),
            ("day", Text),
            ("printed", Text),
            ("class", Text),
            ("outcome", Text),
            ("identity", Text),
            ("at", Whole),
        ],
    },
    Table {
        name: "purged_name",
        key: Some("report"),
        columns: &[("specimen", Text), ("report", Whole)],
    },
    Table { name: "purge_key", key: None, columns: &[("text", Text)] },
    Table { name: "analyzer_clock", key: None, columns: &[("analyzer", Text), ("samples", Text)] },
    Table {
        name: "closing",
        key: None,
        columns: &[
            ("day", Text),
            ("closed_at", Whole),
            ("who", Text),
            ("last", Text),
            ("reports", Whole),
        ],
    },
    Table {
        name: "configuration",
        key: None,
        columns: &[("fingerprint", Text), ("body", Text), ("first_at", Whole)],
    },
    Table {
        name: "receiver",
        key: None,
        columns: &[("id", Text), ("paused", Whole), ("stopped", Whole), ("detail", Text)],
    },
    Table {
        name: "notice",
        key: Some("n"),
        columns: &[
            ("n", Whole),
            ("kind", Text),
            ("tape", Text),
            ("since", Whole),
            ("detail", Text),
            ("lifted_at", Whole),
        ],
    },
    Table {
        name: "trail",
        key: Some("n"),
        columns: &[
            ("n", Whole),
            ("at", Whole),
            ("who", Text),
            ("login", Text),
            ("verb", Text),
            ("object", Text),
            ("reason", Text),
            ("was", Text),
            ("became", Text),
            ("hash", Text),
        ],
    },
];

/// Tables whose rows belong to the daemons that run, not to the laboratory.
#[cfg(test)]
const LEFT: &[&str] = &["lease", "schema_version", "schema_digest"];

impl Ledger {
    /// Copies everything into `to`, which must be new, and bars this one. Done again after a crash it
    /// finishes. How many rows of which table.
    pub async fn move_to(
        &self,
        to: &Ledger,
        actor: &Actor,
    ) -> Result<Vec<(&'static str, i64)>, StoreError> {
        // Barred first: two ledgers that live would give out the same ids.
        self.bar(actor, Some(to.label())).await?;
        let copied = self.copy_all(to, actor).await;
        // After a commit whose outcome is not known the bar stays: the same again finishes it.
        if matches!(copied, Err(StoreError::Refused { .. } | StoreError::Wrong { .. })) {
            self.bar(actor, None).await?;
        }
        copied
    }

    /// Bars this ledger because it lives elsewhere now, or lifts that. Done again it changes nothing.
    async fn bar(&self, actor: &Actor, to: Option<String>) -> Result<(), StoreError> {
        let mut own = self.act().await?;
        let was: Option<String> =
            own.one("SELECT moved_to FROM ledger_label", |row| row.try_get(0)).await?;
        if was == to {
            return own.commit().await;
        }
        let query = sqlx::query("UPDATE ledger_label SET moved_to = $1").bind(to.clone());
        own.conn().execute(query).await.map_err(|e| own.wrong(&e))?;
        let verb = if to.is_some() { "bar" } else { "unbar" };
        let act = Act { verb, object: "ledger".into(), was, became: to, ..Act::default() };
        record(&mut own, actor, act).await?;
        own.commit().await
    }

    async fn copy_all(
        &self,
        to: &Ledger,
        actor: &Actor,
    ) -> Result<Vec<(&'static str, i64)>, StoreError> {
        let mut write = to.db.write().await?;
        // Another daemon may open the empty one meanwhile: it waits, and finds it full.
        let epoch: String =
            write.one("SELECT epoch FROM ledger_label", |row| row.try_get(0)).await?;
        if epoch == self.epoch {
            // It was copied before, and may have been used since: the old one only has to stay barred.
            write.commit().await?;
            return Ok(Vec::new());
        }
        only_empty(&mut write, &to.label()).await?;
        let reason = gone(to, write.count("trail").await?).await?;
        let counts = self.fill(&mut write).await?;
        let object = "ledger".to_owned();
        let (was, became) = (Some(self.label()), Some(to.label()));
        record(&mut write, actor, Act { verb: "move", object, reason, was, became }).await?;
        // The bar is of the old place.
        write.run("UPDATE ledger_label SET moved_to = NULL").await?;
        write.commit().await?;
        Ok(counts)
    }

    /// Puts everything as it is into `to`, which must be new: row by row the same.
    pub async fn fill_new(&self, to: &Ledger) -> Result<(), StoreError> {
        let mut write = to.db.write().await?;
        only_empty(&mut write, &to.label()).await?;
        self.fill(&mut write).await?;
        write.commit().await
    }

    /// An error: it has reports or messages, and is no new one.
    pub async fn must_be_new(&self) -> Result<(), StoreError> {
        only_empty(&mut self.db.write().await?, &self.label()).await
    }

    /// Every row as it is at one moment, in place of what a new ledger has of its own. How many of which table.
    async fn fill(&self, write: &mut Write) -> Result<Vec<(&'static str, i64)>, StoreError> {
        let mut from = self.db.snapshot().await?;
        let mut counts = Vec::new();
        for table in TABLES {
            write.run_named("DELETE FROM", table.name).await?;
            self.copy(&mut from, write, table).await?;
            let there = write.count(table.name).await?;
            let here = self.count(&mut from, table.name).await?;
            if there != here {
                let why =
                    format!("{}: {here} rows here, {there} there; nothing was kept", table.name);
                return Err(StoreError::Wrong { what: write.what.clone(), why });
            }
            if table.key.is_some() {
                counts.push((table.name, here));
            }
        }
        from.close().await.map_err(|e| self.wrong(&e))?;
        Ok(counts)
    }

    async fn copy(
        &self,
        from: &mut Conn,
        write: &mut Write,
        table: &Table,
    ) -> Result<(), StoreError> {
        let columns: Vec<&str> = table.columns.iter().map(|(name, _)| *name).collect();
        let columns = columns.join(", ");
        let Some(key) = table.key else {
            let sql = format!("SELECT {columns} FROM {}", table.name);
            let rows = from.fetch_all(AssertSqlSafe(sql)).await.map_err(|e| self.wrong(&e))?;
            return insert(write, table, &columns, &rows).await;
        };
        let sql = format!("SELECT coalesce(max({key}), 0) FROM {}", table.name);
        let last = from.fetch_one(AssertSqlSafe(sql)).await;
        let last: i64 = last.and_then(|row| row.try_get(0)).map_err(|e| self.wrong(&e))?;
        let sql = format!(
            "SELECT {columns} FROM {} WHERE {key} > $1 AND {key} <= $2 ORDER BY {key}",
            table.name
        );
        let mut at = 0;
        while at < last {
            let page = sqlx::query(AssertSqlSafe(sql.as_str())).bind(at).bind(at + STEP);
            let rows = from.fetch_all(page).await.map_err(|e| self.wrong(&e))?;
            insert(write, table, &columns, &rows).await?;
            at += STEP;
        }
        Ok(())
    }

    async fn count(&self, from: &mut Conn, table: &str) -> Result<i64, StoreError> {
        let sql = format!("SELECT count(*) FROM {table}");
        let row = from.fetch_one(AssertSqlSafe(sql)).await.map_err(|e| self.wrong(&e))?;
        row.try_get(0).map_err(|e| self.wrong(&e))
    }
}

/// An error: it has reports or messages.
async fn only_empty(write: &mut Write, what: &str) -> Result<(), StoreError> {
    let rows: i64 = write
        .one("SELECT count(*) + (SELECT count(*) FROM message) FROM report", |r| r.try_get(0))
        .await?;
    if rows > 0 {
        return Err(refused(format!(
            "{what} is not empty: a ledger is moved or put back into a new one only"
        )));
    }
    Ok(())
}

/// What the trail must say of the rows of the empty ledger's own trail, which give way.
async fn gone(to: &Ledger, rows: i64) -> Result<Option<String>, StoreError> {
    if rows == 0 {
        return Ok(None);
    }
    let head = to.trail_head().await?;
    Ok(Some(format!(
        "{rows} rows of the new ledger's own trail gave way, the last {}:{}",
        head.n, head.hash
    )))
}

async fn insert(
    write: &mut Write,
    table: &Table,
    columns: &str,
    rows: &[AnyRow],
) -> Result<(), StoreError> {
    for group in rows.chunks(STEP as usize) {
        let sql = format!(
            "INSERT INTO {} ({columns}) VALUES {}",
            table.name,
            write.values(group.len(), table.columns.len())
        );
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for row in group {
            for (index, (_, kind)) in table.columns.iter().enumerate() {
                let wrong = |e: sqlx::Error| StoreError::from_sql(table.name, &e);
                query = match kind {
                    Whole => query.bind(row.try_get::<Option<i64>, _>(index).map_err(wrong)?),
                    Text => query.bind(row.try_get::<Option<String>, _>(index).map_err(wrong)?),
                    Bytes => query.bind(row.try_get::<Option<Vec<u8>>, _>(index).map_err(wrong)?),
                };
            }
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

impl Write {
    async fn run_named(&mut self, verb: &str, table: &str) -> Result<(), StoreError> {
        let done = self.conn().execute(AssertSqlSafe(format!("{verb} {table}"))).await;
        done.map(drop).map_err(|e| self.wrong(&e))
    }

    async fn count(&mut self, table: &str) -> Result<i64, StoreError> {
        let sql = format!("SELECT count(*) FROM {table}");
        let row = self.conn().fetch_one(AssertSqlSafe(sql)).await;
        row.and_then(|row| row.try_get(0)).map_err(|e| self.wrong(&e))
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::{LEFT, TABLES};

    /// The tables and columns of `moving`, to be compared with what a database has.
    pub fn known() -> Vec<(String, Vec<String>)> {
        let columns = |t: &super::Table| t.columns.iter().map(|(c, _)| (*c).to_owned()).collect();
        TABLES.iter().map(|t| (t.name.to_owned(), columns(t))).collect()
    }

    /// The column by which a table is copied in steps.
    pub fn key(table: &str) -> Option<&'static str> {
        TABLES.iter().find(|t| t.name == table).and_then(|t| t.key)
    }

    pub fn left() -> &'static [&'static str] {
        LEFT
    }
}
