//! Whether the trail is whole: every row is judged by the seal of the one before it.

use std::fmt;

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Executor, Row as _};

use super::{COLUMNS, Head, Row, STEP};
use crate::digest;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::configuration::Naming;

/// Digits of a noted head that must be given at least: so many are not found by trying.
pub const NOTED: usize = 16;

/// Something that does not fit.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Fault {
    /// Its content is not what was sealed, or it is not in its place.
    Altered {
        n: i64,
    },
    /// What belongs here stands at another number.
    OutOfOrder {
        n: i64,
        belongs: i64,
    },
    Missing {
        from: i64,
        to: i64,
    },
    Twice {
        n: i64,
    },
    /// It bears no seal.
    Unsealed {
        n: i64,
    },
    /// A value of another kind than this program writes.
    Unreadable {
        after: i64,
    },
    /// A number that no act can have had.
    Foreign {
        n: i64,
    },
    /// The counter of acts has gone further than the rows.
    CutOff {
        last: i64,
        counter: i64,
    },
    CounterBehind {
        last: i64,
        counter: i64,
    },
    NoCounter,
    /// A head that was noted does not stand there.
    Known {
        n: i64,
        noted: String,
        found: Option<String>,
    },
    /// The tape remembers a last row, or a place that it was read to, which this ledger does not have.
    SetBack {
        n: i64,
        noted: String,
    },
    /// The text of a configuration does not give its fingerprint.
    Configuration {
        fingerprint: String,
    },
    /// A configuration that a row names is not kept.
    NoConfiguration {
        n: i64,
        fingerprint: String,
    },
}

impl Fault {
    /// The row that it is about.
    #[must_use]
    pub fn row(&self) -> Option<i64> {
        match self {
            Fault::Altered { n }
            | Fault::OutOfOrder { n, .. }
            | Fault::Missing { from: n, .. }
            | Fault::Twice { n }
            | Fault::Unsealed { n }
            | Fault::Foreign { n }
            | Fault::Known { n, .. }
            | Fault::SetBack { n, .. }
            | Fault::NoConfiguration { n, .. } => Some(*n),
            Fault::CutOff { last, .. } => Some(last + 1),
            Fault::Unreadable { .. }
            | Fault::CounterBehind { .. }
            | Fault::NoCounter
            | Fault::Configuration { .. } => None,
        }
    }

    /// One stable word for programs.
    #[must_use]
    pub fn code(&self) -> &'static str {
        match self {
            Fault::Altered { .. } => "altered",
            Fault::OutOfOrder { .. } => "out-of-order",
            Fault::Missing { .. } => "missing",
            Fault::Twice { .. } => "twice",
            Fault::Unsealed { .. } => "unsealed",
            Fault::Unreadable { .. } => "unreadable",
            Fault::Foreign { .. } => "foreign",
            Fault::CutOff { .. } => "cut-off",
            Fault::CounterBehind { .. } | Fault::NoCounter => "counter",
            Fault::Known { .. } => "not-as-known",
            Fault::SetBack { .. } => "set-back",
            Fault::Configuration { .. } | Fault::NoConfiguration { .. } => "configuration",
        }
    }
}

impl fmt::Display for Fault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Fault::Altered { n: 1 } => {
                write!(f, "row 1 is altered, or it is not the first row of this ledger")
            }
            Fault::Altered { n } => write!(
                f,
                "row {n} is altered, or rows before it were taken out and the rest numbered anew"
            ),
            Fault::OutOfOrder { n, belongs } => write!(
                f,
                "row {n} is out of order or was put in: what belongs there stands at {belongs}"
            ),
            Fault::Missing { from, to } if from == to => write!(f, "row {from} is missing"),
            Fault::Missing { from, to } => write!(f, "rows {from} to {to} are missing"),
            Fault::Twice { n } => write!(f, "number {n} stands there twice"),
            Fault::Unsealed { n } => write!(f, "row {n} bears no seal"),
            Fault::Unreadable { after } => write!(
                f,
                "a row after row {after} holds a value of another kind than this program writes"
            ),
            Fault::Foreign { n } => write!(f, "a row has the number {n}; rows begin with 1"),
            Fault::CutOff { last, counter } => write!(
                f,
                "rows were taken from the end: {counter} acts were counted, the last row is {last}"
            ),
            Fault::CounterBehind { last, counter } => {
                write!(f, "{counter} acts were counted, but the last row is {last}")
            }
            Fault::NoCounter => write!(f, "the counter of acts is gone"),
            Fault::Known { n, noted, found: Some(found) } => write!(
                f,
                "row {n} has another seal than the one that was noted: {noted} was noted, {found} \
                 is there; the trail was written anew up to it"
            ),
            Fault::Known { n, found: None, .. } => {
                write!(f, "row {n}, whose seal was noted, is not there; the end was cut off")
            }
            Fault::SetBack { n, noted } => write!(
                f,
                "the ledger was set back, or is another than the tape of this bench was read into: it \
                 remembers row {n} with the seal {noted} as the last, and this ledger does not go on from there"
            ),
            Fault::Configuration { fingerprint } => {
                write!(f, "the text kept for configuration {fingerprint} is altered")
            }
            Fault::NoConfiguration { n, fingerprint } => {
                write!(f, "row {n} names configuration {fingerprint}, whose text is not kept")
            }
        }
    }
}

/// What was found.
#[derive(Clone, Debug)]
pub struct Verified {
    /// Rows that fit, from the first.
    pub rows: i64,
    pub head: Head,
    /// Rows up to here were sealed later than they were written, at an upgrade.
    pub sealed_late: i64,
    pub faults: Vec<Fault>,
    /// Noted heads behind the first fault: they cannot be judged.
    pub unjudged: Vec<Head>,
}

/// Walks the rows in order. It ends at the first that does not fit.
struct Walk {
    head: Head,
    known: Vec<Head>,
    faults: Vec<Fault>,
}

impl Walk {
    fn begin(start: Head, known: &[Head]) -> Self {
        let mut walk = Self { head: start, known: known.to_vec(), faults: Vec::new() };
        walk.compare();
        walk
    }

    fn step(&mut self, row: &Row) -> Result<(), Fault> {
        let expected = self.head.n + 1;
        match row.n {
            n if n < 1 => return Err(Fault::Foreign { n }),
            n if n < expected => return Err(Fault::Twice { n }),
            n if n > expected => return Err(Fault::Missing { from: expected, to: n - 1 }),
            _ => {}
        }
        let Some(hash) = &row.hash else { return Err(Fault::Unsealed { n: row.n }) };
        if *hash != row.seal(&self.head.hash) {
            return Err(Fault::Altered { n: row.n });
        }
        self.head = Head { n: row.n, hash: hash.clone() };
        self.compare();
        Ok(())
    }

    /// Holds the row that was reached against what was noted of it.
    fn compare(&mut self) {
        let Head { n, hash } = &self.head;
        let (here, rest) = std::mem::take(&mut self.known).into_iter().partition(|k| k.n == *n);
        self.known = rest;
        let others: Vec<Head> = here;
        for noted in others.into_iter().filter(|k| !hash.starts_with(&k.hash)) {
            let (n, found) = (*n, Some(hash.clone()));
            self.faults.push(Fault::Known { n, noted: noted.hash, found });
        }
    }

    /// Whether a row, numbered otherwise, is the one that belongs here.
    fn fits_here(&self, row: &Row) -> bool {
        let here = Row { n: self.head.n + 1, ..row.clone() };
        row.hash.as_ref().is_some_and(|hash| *hash == here.seal(&self.head.hash))
    }
}

impl Ledger {
    /// Recomputes the chain from the ledger's label to its last row, and holds it against heads that
    /// were noted earlier.
    pub async fn trail_verify(&self, known: &[Head]) -> Result<Verified, StoreError> {
        let mut conn = self.db.read().await?;
        // Asked first and at once: what is recorded while we walk only makes the trail longer.
        let ends = conn.fetch_one(ENDS).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let label = || Ok(Head::start(&ends.try_get::<String, _>(0)?, ends.try_get(1)?));
        let start = label().map_err(|e| self.wrong(&e))?;
        let mut walk = Walk::begin(start, known);
        let mut broken = self.walk(&mut walk).await?;
        if let Some(Fault::Altered { n }) = broken {
            broken = Some(self.misplaced(&walk, n).await?);
        }
        let whole = broken.is_none();
        let end = if whole { end_fault(&ends, &walk.head) } else { None };
        walk.faults.splice(0..0, broken.into_iter().chain(end));
        let unreached = std::mem::take(&mut walk.known);
        if whole {
            let gone = |k: &Head| Fault::Known { n: k.n, noted: k.hash.clone(), found: None };
            walk.faults.extend(unreached.iter().map(gone));
        }
        walk.faults.extend(self.configuration_faults().await?);
        Ok(Verified {
            rows: walk.head.n,
            head: walk.head,
            sealed_late: ends.try_get::<Option<i64>, _>(4).ok().flatten().unwrap_or(0),
            faults: walk.faults,
            unjudged: if whole { Vec::new() } else { unreached },
        })
    }

    /// The first row that does not fit.
    async fn walk(&self, walk: &mut Walk) -> Result<Option<Fault>, StoreError> {
        let (mut after, mut seen) = (i64::MIN, 0_i64);
        loop {
            let rows = self.trail_page(after).await?;
            for row in &rows {
                let Ok(row) = Row::read(row) else {
                    return Ok(Some(Fault::Unreadable { after: walk.head.n }));
                };
                if let Err(fault) = walk.step(&row) {
                    return Ok(Some(fault));
                }
                after = row.n;
                seen += 1;
            }
            if rows.len() < STEP {
                break;
            }
        }
        // A number that stands twice may hide behind the edge of a page.
        let sql = "SELECT count(*) FROM trail WHERE n <= $1";
        let mut conn = self.db.read().await?;
        let row = conn.fetch_one(sqlx::query(sql).bind(after)).await;
        let count: i64 = row.and_then(|r| r.try_get(0)).map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok((seen > 0 && count > seen).then_some(Fault::Twice { n: walk.head.n }))
    }

    /// Tells a row that was moved or put in from one that was altered.
    async fn misplaced(&self, walk: &Walk, n: i64) -> Result<Fault, StoreError> {
        let mut after = n;
        loop {
            let rows = self.trail_page(after).await?;
            for row in &rows {
                let Ok(row) = Row::read(row) else { return Ok(Fault::Altered { n }) };
                if walk.fits_here(&row) {
                    return Ok(Fault::OutOfOrder { n, belongs: row.n });
                }
                after = row.n;
            }
            if rows.len() < STEP {
                return Ok(Fault::Altered { n });
            }
        }
    }

    pub(crate) async fn trail_page(&self, after: i64) -> Result<Vec<AnyRow>, StoreError> {
        let sql = format!("SELECT {COLUMNS} FROM trail WHERE n > $1 ORDER BY n LIMIT {STEP}");
        let mut conn = self.db.read().await?;
        let rows = conn.fetch_all(sqlx::query(AssertSqlSafe(sql)).bind(after)).await;
        let rows = rows.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        Ok(rows)
    }

    /// Configurations whose text is not what their fingerprint says, or which a row names in vain.
    async fn configuration_faults(&self) -> Result<Vec<Fault>, StoreError> {
        let kept = self.configurations_kept().await?;
        let mut faults: Vec<Fault> = kept
            .iter()
            .filter(|(fingerprint, body)| digest::of(body) != *fingerprint)
            .map(|(fingerprint, _)| Fault::Configuration { fingerprint: fingerprint.clone() })
            .collect();
        for Naming { n, fingerprint, .. } in self.configurations_named().await? {
            if !kept.iter().any(|(kept, _)| *kept == fingerprint) {
                faults.push(Fault::NoConfiguration { n, fingerprint });
            }
        }
        Ok(faults)
    }
}

/// The label, the counter of acts and the last row, at one instant; and how many were sealed late.
const ENDS: &str = "SELECT epoch, made_at, (SELECT value FROM counter WHERE name = 'trail'), \
     (SELECT max(n) FROM trail), (SELECT value FROM counter WHERE name = 'sealed') FROM ledger_label";

fn end_fault(ends: &AnyRow, walked: &Head) -> Option<Fault> {
    let Ok(Some(counter)) = ends.try_get::<Option<i64>, _>(2) else {
        return Some(Fault::NoCounter);
    };
    let last = match ends.try_get::<Option<i64>, _>(3) {
        Ok(last) => last.unwrap_or(0),
        Err(_) => return Some(Fault::Unreadable { after: walked.n }),
    };
    match counter.cmp(&last) {
        std::cmp::Ordering::Greater => Some(Fault::CutOff { last, counter }),
        std::cmp::Ordering::Less => Some(Fault::CounterBehind { last, counter }),
        std::cmp::Ordering::Equal => None,
    }
}
