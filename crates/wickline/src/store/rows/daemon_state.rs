//! What each daemon says of itself every few seconds: its lines, its receivers, its stores.

use std::collections::BTreeMap;

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Executor, Row};

use super::storable;
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// After so long without a word a daemon counts as not heard, in microseconds.
pub const SILENT_US: i64 = 45_000_000;
/// A daemon that nobody heard for so long, and that nobody missed, is forgotten.
const FORGOTTEN_US: i64 = 30 * 86_400_000_000;

/// What a word of a daemon is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Kind {
    /// That the configuration as it is now was refused; `why` says why.
    Configuration,
    /// The daemon itself.
    Daemon,
    Line,
    /// Two devices that take a line from each other.
    Rivals,
    /// Who is turned away from a line; `last_at` is when one last was.
    Refused,
    /// What went wrong on a line beneath its bytes; `why` has it in words, `last_at` when it was last told.
    Troubles,
    /// What came on a line that was no print; `why` has it in words, `last_at` when it last came.
    Noise,
    /// The copy of a line.
    Tee,
    Receiver,
    /// A certificate, by receiver and whose it is; `last_at` is when it ends.
    Certificate,
    /// The tape.
    Tape,
    /// Whoever is told what is wrong, and whether that can be.
    Alarm,
    /// A source of orders: whether it can connect.
    Source,
    /// Who was turned away from a source's port: the last one, and how often.
    TurnedAway,
    /// How far the pages of a store were looked at after a start.
    Check,
}

impl Kind {
    const ALL: [Kind; 15] = [
        Kind::Configuration,
        Kind::Daemon,
        Kind::Line,
        Kind::Rivals,
        Kind::Refused,
        Kind::Troubles,
        Kind::Noise,
        Kind::Tee,
        Kind::Receiver,
        Kind::Certificate,
        Kind::Tape,
        Kind::Alarm,
        Kind::Source,
        Kind::TurnedAway,
        Kind::Check,
    ];

    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Kind::Configuration => "configuration",
            Kind::Daemon => "daemon",
            Kind::Line => "line",
            Kind::Rivals => "rivals",
            Kind::Refused => "refused",
            Kind::Troubles => "troubles",
            Kind::Noise => "noise",
            Kind::Tee => "tee",
            Kind::Receiver => "receiver",
            Kind::Certificate => "certificate",
            Kind::Tape => "tape",
            Kind::Alarm => "alarm",
            Kind::Source => "source",
            Kind::TurnedAway => "turned-away",
            Kind::Check => "check",
        }
    }
}

/// How one thing is, and since when.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Point {
    pub up: bool,
    pub since: i64,
    /// Why it is not.
    pub why: Option<String>,
    /// When something last came by, or will end.
    pub last_at: Option<i64>,
}

/// Everything that one daemon said of itself.
pub type Points = BTreeMap<(Kind, String), Point>;

/// One daemon, as it was last heard.
#[derive(Clone, Debug)]
pub struct Told {
    pub daemon: String,
    pub noted_at: i64,
    pub points: Points,
}

impl Told {
    /// The daemon itself.
    #[must_use]
    pub fn own(&self) -> Option<&Point> {
        self.points.get(&(Kind::Daemon, self.daemon.clone()))
    }
}

impl Ledger {
    /// Notes what a daemon says of itself. What another said of the same lines, and says no more, goes.
    pub async fn daemon_told(
        &self,
        daemon: &str,
        points: &Points,
        now: i64,
    ) -> Result<(), StoreError> {
        // Over a connection of its own: nobody's work waits for what is only told.
        let mut write = self.db.apart().write().await?;
        let sql = format!(
            "INSERT INTO daemon_state (daemon, kind, id, up, since, why, last_at, noted_at) VALUES {} \
             ON CONFLICT (daemon, kind, id) DO UPDATE SET up = excluded.up, since = excluded.since, \
             why = excluded.why, last_at = excluded.last_at, noted_at = excluded.noted_at",
            write.values(points.len(), 8)
        );
        let mut query = sqlx::query(AssertSqlSafe(sql));
        for ((kind, id), point) in points {
            query = query
                .bind(daemon.to_owned())
                .bind(kind.text())
                .bind(id.clone())
                .bind(i64::from(point.up))
                .bind(point.since)
                .bind(point.why.as_deref().map(storable))
                .bind(point.last_at)
                .bind(now);
        }
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        let older = [
            // Of this daemon: what it was configured with before.
            "DELETE FROM daemon_state WHERE daemon = $1 AND noted_at < $2",
            // Of another one: lines that are this one's now.
            "DELETE FROM daemon_state WHERE daemon <> $1 AND noted_at < $2 AND kind = 'line' AND id IN \
             (SELECT id FROM daemon_state mine WHERE mine.daemon = $1 AND mine.kind = 'line')",
            // Daemons without a line of their own.
            "DELETE FROM daemon_state WHERE daemon <> $1 AND noted_at < $2 AND daemon NOT IN \
             (SELECT daemon FROM daemon_state other WHERE other.kind = 'line')",
        ];
        for (sql, before) in older.into_iter().zip([now, now - SILENT_US, now - SILENT_US]) {
            let query = sqlx::query(sql).bind(daemon.to_owned()).bind(before);
            write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        }
        let query = sqlx::query("DELETE FROM daemon_state WHERE noted_at < $1");
        let done = write.conn().execute(query.bind(now - FORGOTTEN_US)).await;
        done.map_err(|e| write.wrong(&e))?;
        write.commit().await
    }

    /// Every daemon of this ledger, as it was last heard.
    pub async fn daemons(&self) -> Result<Vec<Told>, StoreError> {
        let mut conn = self.db.read().await?;
        let sql = "SELECT daemon, kind, id, up, since, why, last_at, noted_at FROM daemon_state \
             ORDER BY daemon, kind, id";
        let rows = conn.fetch_all(sql).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let mut told: Vec<Told> = Vec::new();
        for row in &rows {
            let (daemon, key, point, noted_at) = read(row).map_err(|e| self.wrong(&e))?;
            if told.last().is_none_or(|last| last.daemon != daemon) {
                told.push(Told { daemon, noted_at, points: Points::new() });
            }
            if let Some(last) = told.last_mut() {
                last.noted_at = last.noted_at.max(noted_at);
                last.points.insert(key, point);
            }
        }
        Ok(told)
    }
}

fn read(row: &AnyRow) -> Result<(String, (Kind, String), Point, i64), sqlx::Error> {
    let text: String = row.try_get("kind")?;
    let kind = Kind::ALL.into_iter().find(|k| k.text() == text);
    let kind = kind.ok_or_else(|| {
        sqlx::Error::Decode(format!("daemon_state.kind is `{text}`, which is no kind").into())
    })?;
    let point = Point {
        up: row.try_get::<i64, _>("up")? != 0,
        since: row.try_get("since")?,
        why: row.try_get("why")?,
        last_at: row.try_get("last_at")?,
    };
    Ok((row.try_get("daemon")?, (kind, row.try_get("id")?), point, row.try_get("noted_at")?))
}
