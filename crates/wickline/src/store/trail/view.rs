//! The trail for people and files: a page of it, filtered, and every row of it with its seal.

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Executor, Row as _};

use super::{COLUMNS, LABEL, Row, STEP};
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// Which rows.
#[derive(Clone, Debug)]
pub struct Asked {
    /// Not before this time, and before that one.
    pub from: i64,
    pub to: i64,
    /// Only before this row: the page before.
    pub before: i64,
    /// The name or the login.
    pub who: Option<String>,
    /// `report 57`, or `report` for all of them.
    pub object: Option<String>,
    /// The last so many of them.
    pub last: i64,
}

impl Default for Asked {
    fn default() -> Self {
        let (who, object) = (None, None);
        Self { from: i64::MIN, to: i64::MAX, before: i64::MAX, who, object, last: 50 }
    }
}

const FILTER: &str = "at >= $1 AND at < $2 AND n < $3 AND ($4 = '' OR who = $4 OR login = $4) \
     AND ($5 = '' OR object = $5 OR substr(object, 1, length($5) + 1) = $5 || ' ')";

impl Ledger {
    /// The last of the rows that were asked for, oldest first; and how many there are of them in all.
    pub async fn trail(&self, asked: &Asked) -> Result<(Vec<Row>, i64), StoreError> {
        let sql = format!("SELECT {COLUMNS} FROM trail WHERE {FILTER} ORDER BY n DESC LIMIT $6");
        let mut rows = self.filtered(&sql, asked, Some(asked.last)).await?;
        rows.reverse();
        let rows = rows.iter().map(Row::read).collect::<Result<Vec<_>, _>>();
        let rows = rows.map_err(|e| self.wrong(&e))?;
        // What was written since is in neither: the two agree while others write.
        let before = rows.last().map_or(i64::MIN, |last| last.n + 1);
        let sql = format!("SELECT count(*) FROM trail WHERE {FILTER}");
        let count = self.filtered(&sql, &Asked { before, ..asked.clone() }, None).await?;
        let count = count.first().map_or(Ok(0), |row| row.try_get(0));
        Ok((rows, count.map_err(|e| self.wrong(&e))?))
    }

    async fn filtered(
        &self,
        sql: &str,
        asked: &Asked,
        limit: Option<i64>,
    ) -> Result<Vec<AnyRow>, StoreError> {
        let mut query = sqlx::query(AssertSqlSafe(sql))
            .bind(asked.from)
            .bind(asked.to)
            .bind(asked.before)
            .bind(asked.who.clone().unwrap_or_default())
            .bind(asked.object.clone().unwrap_or_default());
        if let Some(limit) = limit {
            query = query.bind(limit);
        }
        let mut conn = self.db.read().await?;
        let rows = conn.fetch_all(query).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(rows)
    }

    /// Every row about these, in order.
    pub(crate) async fn trail_of(&self, objects: &[String]) -> Result<Vec<Row>, StoreError> {
        let sql = format!("SELECT {COLUMNS} FROM trail WHERE object = $1 ORDER BY n");
        let mut conn = self.db.read().await?;
        let mut found = Vec::new();
        for object in objects {
            let query = sqlx::query(AssertSqlSafe(sql.as_str())).bind(object.clone());
            found.extend(conn.fetch_all(query).await.map_err(|e| self.wrong(&e))?);
        }
        self.db.give_back(conn).await;
        let rows = found.iter().map(Row::read).collect::<Result<Vec<_>, _>>();
        let mut rows = rows.map_err(|e| self.wrong(&e))?;
        rows.sort_by_key(|row| row.n);
        Ok(rows)
    }

    /// Epoch and time of making: what the first row is sealed over.
    pub async fn trail_label(&self) -> Result<(String, i64), StoreError> {
        let mut conn = self.db.read().await?;
        let row = conn.fetch_one(LABEL).await;
        let label = row.and_then(|row| Ok((row.try_get(0)?, row.try_get(1)?)));
        let label = label.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(label)
    }

    /// Every row in order, told to `each` some at a time. Its error ends it.
    pub async fn trail_all(
        &self,
        mut each: impl FnMut(&Row) -> std::io::Result<()>,
    ) -> Result<std::io::Result<()>, StoreError> {
        let mut after = i64::MIN;
        loop {
            let rows = self.trail_page(after).await?;
            for row in &rows {
                let row = Row::read(row).map_err(|e| self.wrong(&e))?;
                after = row.n;
                if let Err(error) = each(&row) {
                    return Ok(Err(error));
                }
            }
            if rows.len() < STEP {
                return Ok(Ok(()));
            }
        }
    }
}
