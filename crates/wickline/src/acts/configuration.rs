//! Which configuration each bench was used with, from when, and who announced the change.

use sqlx::{Executor, Row};

use crate::acts::facts::refused;
use crate::clock;
use crate::settings::effective::{Effective, changes};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

/// A change of configuration: found by a daemon, or, with a reason, announced by a person.
const CHANGED: &str = "configuration";

/// An announced change, found in use by a daemon.
const IN_USE: &str = "in-use";

/// Hexadecimal digits of a fingerprint.
const DIGITS: usize = 64;

/// A configuration that some bench was used with.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Used {
    pub fingerprint: String,
    #[serde(skip)]
    pub first_at: i64,
    /// The benches whose trail rows name it.
    pub benches: Vec<String>,
}

/// What a bench was used with so far.
#[derive(Default)]
struct History {
    in_use: Option<String>,
    /// The last announcement since, with its row and who made it.
    announced: Option<(String, i64, String)>,
}

/// A bench as trail rows name it.
fn object(bench: &str) -> String {
    format!("configuration of {bench}")
}

impl Ledger {
    /// Notes with which configuration a bench works from now on. The same as before adds nothing. True:
    /// it changed.
    pub async fn configuration_used(
        &self,
        bench: &str,
        now: &Effective,
    ) -> Result<bool, StoreError> {
        let mut write = self.act().await?;
        let history = history(&mut write, bench).await?;
        if history.in_use.as_ref() == Some(&now.fingerprint) {
            write.commit().await?;
            return Ok(false);
        }
        keep(&mut write, now).await?;
        let announced = history.announced.filter(|(print, ..)| *print == now.fingerprint);
        let (verb, became) = match announced {
            Some((print, n, who)) => (IN_USE, format!("{print}: announced by {who} in row {n}")),
            None => (CHANGED, became(&mut write, history.in_use.as_deref(), now).await?),
        };
        let act = Act {
            verb,
            object: object(bench),
            was: history.in_use,
            became: Some(became),
            reason: None,
        };
        record(&mut write, &Actor::daemon(), act).await?;
        write.commit().await?;
        Ok(true)
    }

    /// A person says, before the daemon reads it, that a bench's configuration changes, and why. None:
    /// there is nothing to announce, for the reason that the text gives.
    pub async fn configuration_announce(
        &self,
        actor: &Actor,
        bench: &str,
        now: &Effective,
        reason: &str,
    ) -> Result<Result<(), String>, StoreError> {
        let mut write = self.act().await?;
        let history = history(&mut write, bench).await?;
        let nothing = match &history {
            History { in_use: Some(print), .. } if *print == now.fingerprint => {
                Some("this configuration is in use already".to_owned())
            }
            History { announced: Some((print, n, who)), .. } if *print == now.fingerprint => {
                Some(format!("{who} announced this configuration already, in row {n}"))
            }
            _ => None,
        };
        if let Some(why) = nothing {
            write.commit().await?;
            return Ok(Err(why));
        }
        keep(&mut write, now).await?;
        let became = became(&mut write, history.in_use.as_deref(), now).await?;
        let act = Act {
            verb: CHANGED,
            object: object(bench),
            reason: Some(reason.to_owned()),
            was: history.in_use,
            became: Some(became),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(Ok(()))
    }

    /// Every configuration ever used or announced, oldest first.
    pub async fn configurations(&self) -> Result<Vec<Used>, StoreError> {
        let named = self.named().await?;
        let mut conn = self.db.read().await?;
        let sql = "SELECT fingerprint, first_at FROM configuration ORDER BY first_at, fingerprint";
        let rows = conn.fetch_all(sql).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &sqlx::any::AnyRow| -> Result<Used, sqlx::Error> {
            let fingerprint: String = row.try_get(0)?;
            let mut benches: Vec<String> = named
                .iter()
                .filter(|(_, _, print)| *print == fingerprint)
                .map(|(_, bench, _)| bench.clone())
                .collect();
            benches.sort();
            benches.dedup();
            Ok(Used { fingerprint, first_at: row.try_get(1)?, benches })
        };
        rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))
    }

    /// The one whose fingerprint begins so: the fingerprint and its text.
    pub async fn configuration(&self, begins: &str) -> Result<(String, String), StoreError> {
        let kept = self.configurations_kept().await?;
        let mut fitting = kept.into_iter().filter(|(print, _)| print.starts_with(begins));
        match (fitting.next(), fitting.next()) {
            (Some(one), None) => Ok(one),
            (None, _) => Err(refused(format!(
                "no configuration has a fingerprint that begins with `{begins}`; \
                 `wickline trail configuration` lists them"
            ))),
            (Some(_), Some(_)) => {
                Err(refused(format!("several fingerprints begin with `{begins}`: give more of it")))
            }
        }
    }

    pub(crate) async fn configurations_kept(&self) -> Result<Vec<(String, String)>, StoreError> {
        let mut conn = self.db.read().await?;
        let sql = "SELECT fingerprint, body FROM configuration ORDER BY fingerprint";
        let rows = conn.fetch_all(sql).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &sqlx::any::AnyRow| Ok((row.try_get(0)?, row.try_get(1)?));
        rows.iter().map(read).collect::<Result<_, _>>().map_err(|e: sqlx::Error| self.wrong(&e))
    }

    /// Trail rows with the fingerprint that each names.
    pub(crate) async fn configurations_named(&self) -> Result<Vec<(i64, String)>, StoreError> {
        Ok(self.named().await?.into_iter().map(|(n, _, print)| (n, print)).collect())
    }

    /// Row, bench, fingerprint.
    async fn named(&self) -> Result<Vec<(i64, String, String)>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(
            "SELECT n, object, became FROM trail WHERE verb IN ($1, $2) AND became IS NOT NULL \
             ORDER BY n",
        )
        .bind(CHANGED)
        .bind(IN_USE);
        let rows = conn.fetch_all(query).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &sqlx::any::AnyRow| -> Result<_, sqlx::Error> {
            let (object, became): (String, String) = (row.try_get(1)?, row.try_get(2)?);
            let bench = object.strip_prefix("configuration of ").unwrap_or(&object).to_owned();
            Ok((row.try_get(0)?, bench, fingerprint(&became)))
        };
        rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))
    }
}

fn fingerprint(became: &str) -> String {
    became.chars().take(DIGITS).collect()
}

async fn history(write: &mut Write, bench: &str) -> Result<History, StoreError> {
    let query = sqlx::query(
        "SELECT n, who, verb, reason, became FROM trail \
         WHERE object = $1 AND verb IN ($2, $3) ORDER BY n DESC",
    )
    .bind(object(bench))
    .bind(CHANGED)
    .bind(IN_USE);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let mut history = History::default();
    let mut look = || -> Result<(), sqlx::Error> {
        for row in &rows {
            let became: Option<String> = row.try_get("became")?;
            let print = fingerprint(&became.unwrap_or_default());
            // A reason stands only in what a person announced.
            if row.try_get::<Option<String>, _>("reason")?.is_none() {
                history.in_use = Some(print);
                return Ok(());
            }
            if history.announced.is_none() {
                history.announced = Some((print, row.try_get("n")?, row.try_get("who")?));
            }
        }
        Ok(())
    };
    look().map_err(|e| write.wrong(&e))?;
    Ok(history)
}

/// Keeps the text, once for each fingerprint.
async fn keep(write: &mut Write, now: &Effective) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO configuration (fingerprint, body, first_at) VALUES ($1, $2, $3) \
         ON CONFLICT (fingerprint) DO NOTHING",
    )
    .bind(now.fingerprint.clone())
    .bind(now.body.clone())
    .bind(clock::now_us());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// The new fingerprint and what is new in it.
async fn became(
    write: &mut Write,
    was: Option<&str>,
    now: &Effective,
) -> Result<String, StoreError> {
    let Some(was) = was else { return Ok(format!("{}: the first", now.fingerprint)) };
    let query = sqlx::query("SELECT body FROM configuration WHERE fingerprint = $1").bind(was);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let changed = match row {
        Some(row) => {
            let body: String = row.try_get(0).map_err(|e| write.wrong(&e))?;
            changes(&body, &now.body)
        }
        None => "what it was is not kept".to_owned(),
    };
    Ok(format!("{}: {changed}", now.fingerprint))
}
