//! Who may use the console, and who is there: people by their names, sessions by the digest of what a browser keeps.

use sqlx::any::AnyRow;
use sqlx::{AnyConnection, Executor, Row};

use super::{at, storable};
use crate::store::StoreError;
use crate::store::db::Write;

/// What somebody may do. Each may all that those before it may.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Serialize, clap::ValueEnum,
)]
#[serde(rename_all = "kebab-case")]
pub enum PersonRole {
    /// Looks.
    Viewer,
    /// Decides about results.
    Technologist,
    /// Changes what was told, reads again.
    Analyst,
    /// Says who may use it.
    Keeper,
}

impl PersonRole {
    pub const ALL: [Self; 4] = [Self::Viewer, Self::Technologist, Self::Analyst, Self::Keeper];

    /// One stable word.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::Viewer => "viewer",
            Self::Technologist => "technologist",
            Self::Analyst => "analyst",
            Self::Keeper => "keeper",
        }
    }

    /// The role of a word.
    #[must_use]
    pub fn of(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|role| role.code() == word)
    }
}

/// One who may use the console.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Person {
    /// As it stands in the trail.
    pub name: String,
    /// The same without what people do not tell apart: by it somebody is found.
    pub folded: String,
    pub role: PersonRole,
    pub since: i64,
    /// What proves the password. None: none was set.
    pub secret: Option<String>,
    /// Until when the one-time code that is out may be used.
    pub code_until: Option<i64>,
    pub seen_at: Option<i64>,
    /// What was chosen for the eyes and hands, as JSON.
    pub choices: String,
    /// The digest of the badge. None: none was given out.
    pub badge: Option<String>,
    /// What proves the PIN that belongs to it.
    pub pin: Option<String>,
}

/// Somebody who signed in and is there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Session {
    /// The digest of what the browser keeps.
    pub mark: String,
    pub began_at: i64,
    pub seen_at: i64,
    /// When the password was given last, or the PIN.
    pub proved_at: i64,
    /// It began with a badge: its PIN counts as the password does.
    pub by_badge: bool,
}

fn read(row: &AnyRow) -> Result<Person, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let role: String = row.try_get("role").map_err(wrong)?;
    let role = at("person", "-").word("role", &role, PersonRole::of)?;
    let read = || -> Result<Person, sqlx::Error> {
        Ok(Person {
            name: row.try_get("name")?,
            folded: row.try_get("folded")?,
            role,
            since: row.try_get("since")?,
            secret: row.try_get("secret")?,
            code_until: row.try_get("code_until")?,
            seen_at: row.try_get("seen_at")?,
            choices: row.try_get("choices")?,
            badge: row.try_get("badge")?,
            pin: row.try_get("pin")?,
        })
    };
    read().map_err(wrong)
}

fn read_session(row: &AnyRow) -> Result<Session, sqlx::Error> {
    Ok(Session {
        mark: row.try_get("mark")?,
        began_at: row.try_get("began_at")?,
        seen_at: row.try_get("seen_at")?,
        proved_at: row.try_get("proved_at")?,
        by_badge: row.try_get::<i64, _>("by_badge")? != 0,
    })
}

/// Everybody, by name.
pub async fn all(conn: &mut AnyConnection) -> Result<Vec<Person>, StoreError> {
    let rows = conn.fetch_all(
        "SELECT folded, name, role, since, secret, code_until, seen_at, choices, badge, pin FROM person ORDER BY folded",
    );
    let rows = rows.await.map_err(|e| StoreError::from_sql("the ledger", &e))?;
    rows.iter().map(read).collect()
}

/// One of them.
pub async fn one(conn: &mut AnyConnection, folded: &str) -> Result<Option<Person>, StoreError> {
    let query = sqlx::query(
        "SELECT folded, name, role, since, secret, code_until, seen_at, choices, badge, pin FROM person WHERE folded = $1",
    );
    let row = conn.fetch_optional(query.bind(folded.to_owned())).await;
    row.map_err(|e| StoreError::from_sql("the ledger", &e))?.as_ref().map(read).transpose()
}

/// The one to whom a one-time code was given, by its digest.
pub async fn with_code(conn: &mut AnyConnection, code: &str) -> Result<Option<Person>, StoreError> {
    let query = sqlx::query(
        "SELECT folded, name, role, since, secret, code_until, seen_at, choices, badge, pin FROM person WHERE code = $1",
    );
    let row = conn.fetch_optional(query.bind(code.to_owned())).await;
    row.map_err(|e| StoreError::from_sql("the ledger", &e))?.as_ref().map(read).transpose()
}

/// The one who has a badge, by its digest.
pub async fn with_badge(
    conn: &mut AnyConnection,
    badge: &str,
) -> Result<Option<Person>, StoreError> {
    let query = sqlx::query(
        "SELECT folded, name, role, since, secret, code_until, seen_at, choices, badge, pin FROM person \
         WHERE badge = $1",
    );
    let row = conn.fetch_optional(query.bind(badge.to_owned())).await;
    row.map_err(|e| StoreError::from_sql("the ledger", &e))?.as_ref().map(read).transpose()
}

/// Puts somebody in, with a role and nothing else.
pub async fn add(write: &mut Write, one: &Person) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO person (folded, name, role, since, choices) VALUES ($1, $2, $3, $4, $5)",
    )
    .bind(one.folded.clone())
    .bind(storable(&one.name))
    .bind(one.role.code())
    .bind(one.since)
    .bind(one.choices.clone());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Gives somebody another role.
pub async fn set_role(write: &mut Write, folded: &str, role: PersonRole) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE person SET role = $2 WHERE folded = $1");
    let query = query.bind(folded.to_owned()).bind(role.code());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Gives somebody a one-time code, by its digest, in place of any password and badge.
pub async fn set_code(
    write: &mut Write,
    folded: &str,
    code: &str,
    until: i64,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE person SET code = $2, code_until = $3, secret = NULL, badge = NULL, pin = NULL WHERE folded = $1",
    );
    let query = query.bind(folded.to_owned()).bind(code.to_owned()).bind(until);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Sets what proves a password; a code that was out is used up.
pub async fn set_secret(write: &mut Write, folded: &str, secret: &str) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE person SET secret = $2, code = NULL, code_until = NULL WHERE folded = $1",
    );
    let query = query.bind(folded.to_owned()).bind(secret.to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Gives somebody a badge, by its digest, or takes it away; the PIN that belonged to another one counts no more.
pub async fn set_badge(
    write: &mut Write,
    folded: &str,
    badge: Option<&str>,
) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE person SET badge = $2, pin = NULL WHERE folded = $1");
    let query = query.bind(folded.to_owned()).bind(badge.map(str::to_owned));
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Sets what proves the PIN of a badge.
pub async fn set_pin(write: &mut Write, folded: &str, pin: &str) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE person SET pin = $2 WHERE folded = $1");
    let query = query.bind(folded.to_owned()).bind(pin.to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Sets what somebody chose for the eyes and hands.
pub async fn set_choices(write: &mut Write, folded: &str, choices: &str) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE person SET choices = $2 WHERE folded = $1");
    let query = query.bind(folded.to_owned()).bind(choices.to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Takes somebody out, with every session.
pub async fn remove(write: &mut Write, folded: &str) -> Result<(), StoreError> {
    leave_all(write, folded).await?;
    let query = sqlx::query("DELETE FROM person WHERE folded = $1").bind(folded.to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Begins a session, and forgets those that ended by themselves before `ended`.
pub async fn come(
    write: &mut Write,
    folded: &str,
    one: &Session,
    ended: i64,
) -> Result<(), StoreError> {
    let query = sqlx::query("DELETE FROM session WHERE began_at < $1").bind(ended);
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    let query = sqlx::query(
        "INSERT INTO session (mark, person, began_at, seen_at, proved_at, by_badge) \
         VALUES ($1, $2, $3, $4, $5, $6)",
    )
    .bind(one.mark.clone())
    .bind(folded.to_owned())
    .bind(one.began_at)
    .bind(one.seen_at)
    .bind(one.proved_at)
    .bind(i64::from(one.by_badge));
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    let query = sqlx::query("UPDATE person SET seen_at = $2 WHERE folded = $1");
    let query = query.bind(folded.to_owned()).bind(one.seen_at);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// A session and whose it is.
pub async fn session(
    conn: &mut AnyConnection,
    mark: &str,
) -> Result<Option<(Person, Session)>, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let query = sqlx::query(
        "SELECT v.mark, v.began_at, v.seen_at, v.proved_at, v.by_badge, v.person FROM session v WHERE v.mark = $1",
    );
    let row = conn.fetch_optional(query.bind(mark.to_owned())).await.map_err(wrong)?;
    let Some(row) = row else { return Ok(None) };
    let folded: String = row.try_get("person").map_err(wrong)?;
    let session = read_session(&row).map_err(wrong)?;
    Ok(one(conn, &folded).await?.map(|person| (person, session)))
}

/// Every session of one person, the latest first.
pub async fn sessions(conn: &mut AnyConnection, folded: &str) -> Result<Vec<Session>, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("the ledger", &e);
    let query = sqlx::query(
        "SELECT mark, began_at, seen_at, proved_at, by_badge FROM session WHERE person = $1 ORDER BY seen_at DESC",
    );
    let rows = conn.fetch_all(query.bind(folded.to_owned())).await.map_err(wrong)?;
    rows.iter().map(read_session).collect::<Result<_, _>>().map_err(wrong)
}

/// Notes that somebody was seen, and whether the password was given just now.
pub async fn seen(write: &mut Write, mark: &str, at: i64, proved: bool) -> Result<(), StoreError> {
    let query = if proved {
        sqlx::query("UPDATE session SET seen_at = $2, proved_at = $2 WHERE mark = $1")
    } else {
        sqlx::query("UPDATE session SET seen_at = $2 WHERE mark = $1")
    };
    let query = query.bind(mark.to_owned()).bind(at);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Ends one session.
pub async fn leave(write: &mut Write, mark: &str) -> Result<(), StoreError> {
    let query = sqlx::query("DELETE FROM session WHERE mark = $1").bind(mark.to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Ends every session of one person. How many.
pub async fn leave_all(write: &mut Write, folded: &str) -> Result<u64, StoreError> {
    let query = sqlx::query("DELETE FROM session WHERE person = $1").bind(folded.to_owned());
    let done = write.conn().execute(query).await;
    done.map(|done| done.rows_affected()).map_err(|e| write.wrong(&e))
}

/// Ends every session of one person but one.
pub async fn leave_others(write: &mut Write, folded: &str, mark: &str) -> Result<(), StoreError> {
    let query = sqlx::query("DELETE FROM session WHERE person = $1 AND mark <> $2");
    let query = query.bind(folded.to_owned()).bind(mark.to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
