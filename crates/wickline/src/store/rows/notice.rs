//! What the stores must tell people until one of them has seen to it: each row says what, and since when.

use sqlx::any::AnyRow;
use sqlx::{Executor, Row};

use crate::clock::{self, SiteClock};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::{Ledger, take};
use crate::texts::{Said, say};

/// What a notice is of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    /// The ledger does not have what the tape knows that it had: an older copy was put back.
    LedgerSetBack,
    /// The tape was read into another ledger before.
    LedgerOther,
    /// The analyzers of this tape were read from another one before.
    TapeNew,
    /// Stores were put back from a backup.
    Restored,
    /// A source closed an order whose result was out.
    OrderOut,
    /// A source gave two orders one number.
    OrderNumberTwice,
    /// An order whose result is out is claimed for another patient, or its patient became somebody else.
    OrderClaimed,
    /// An order came when its result had been told without it.
    OrderLate,
}

impl Kind {
    const ALL: [Self; 8] = [
        Self::LedgerSetBack,
        Self::LedgerOther,
        Self::TapeNew,
        Self::Restored,
        Self::OrderOut,
        Self::OrderNumberTwice,
        Self::OrderClaimed,
        Self::OrderLate,
    ];

    /// One stable word.
    #[must_use]
    pub fn code(self) -> &'static str {
        match self {
            Self::LedgerSetBack => "ledger-set-back",
            Self::LedgerOther => "ledger-other",
            Self::TapeNew => "tape-new",
            Self::Restored => "restored",
            Self::OrderOut => "order-out",
            Self::OrderNumberTwice => "order-number-twice",
            Self::OrderClaimed => "order-claimed",
            Self::OrderLate => "order-late",
        }
    }
}

/// One notice that nobody has lifted.
#[derive(Clone, Debug)]
pub struct Notice {
    pub n: i64,
    pub kind: Kind,
    /// The tape of the bench that told it, or the order that it is about: each of them once.
    pub tape: String,
    pub since: i64,
    /// In words, without anything of a patient.
    pub detail: String,
}

impl Notice {
    /// What it says, with its time.
    #[must_use]
    pub fn words(&self, clock: &SiteClock) -> Said {
        say!("found.since", at = clock.rfc3339(self.since))
            .then(": ")
            .then(Said::kept(&self.detail))
    }

    fn read(row: &AnyRow) -> Result<Self, sqlx::Error> {
        let code: String = row.try_get("kind")?;
        let unknown = || sqlx::Error::Decode(format!("`{code}` is no kind of notice").into());
        Ok(Self {
            n: row.try_get("n")?,
            kind: Kind::ALL.into_iter().find(|k| k.code() == code).ok_or_else(unknown)?,
            tape: row.try_get("tape")?,
            since: row.try_get("since")?,
            detail: row.try_get("detail")?,
        })
    }
}

impl Ledger {
    /// What is to be told, oldest first.
    pub async fn notices(&self) -> Result<Vec<Notice>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "SELECT n, kind, tape, since, detail FROM notice WHERE lifted_at IS NULL ORDER BY since, n",
        )
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        rows.iter().map(Notice::read).collect::<Result<_, _>>().map_err(|e| self.wrong(&e))
    }
}

/// Whether such a one is to be told of a bench.
pub(crate) async fn is_open(write: &mut Write, kind: Kind, tape: &str) -> Result<bool, StoreError> {
    let open = sqlx::query(
        "SELECT n FROM notice WHERE kind = $1 AND tape = $2 AND lifted_at IS NULL LIMIT 1",
    )
    .bind(kind.code())
    .bind(tape);
    let found = write.conn().fetch_optional(open).await.map_err(|e| write.wrong(&e))?;
    Ok(found.is_some())
}

/// Notes what is to be told, once for each bench or order as long as it is not lifted. True: it is new.
pub(crate) async fn put(
    write: &mut Write,
    kind: Kind,
    tape: &str,
    detail: &str,
) -> Result<bool, StoreError> {
    if is_open(write, kind, tape).await? {
        return Ok(false);
    }
    let n = take(write, "notice", 1).await?;
    let query = sqlx::query(
        "INSERT INTO notice (n, kind, tape, since, detail) VALUES ($1, $2, $3, $4, $5)",
    )
    .bind(n)
    .bind(kind.code())
    .bind(tape)
    .bind(clock::now_us())
    .bind(detail);
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    Ok(true)
}

/// Lifts a notice, and says what it was. None: there is none such to lift.
pub(crate) async fn lift(write: &mut Write, n: i64) -> Result<Option<Notice>, StoreError> {
    let query = sqlx::query(
        "UPDATE notice SET lifted_at = $1 WHERE n = $2 AND lifted_at IS NULL \
         RETURNING n, kind, tape, since, detail",
    )
    .bind(clock::now_us())
    .bind(n);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    row.as_ref().map(Notice::read).transpose().map_err(|e| write.wrong(&e))
}
