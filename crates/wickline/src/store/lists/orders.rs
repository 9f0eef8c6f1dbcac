//! Orders as people see them: what sources wait for, urgent first, and how far each is.

use std::collections::BTreeSet;

use sqlx::Row;
use wickline_forward::orders::References;
use wickline_normalize::Reason;
use wickline_normalize::orders::{Standing, Trace};

use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::order::{self, Kept};
use crate::store::rows::question::{self, Said};
use crate::store::rows::{at, firsts};
use crate::texts::{self, say};

/// Which orders.
#[derive(Clone, Debug)]
pub enum AskedOrders {
    /// Those that wait, urgent ones first, then the oldest; at most so many.
    Open(i64),
    /// Those whose specimen waits for a strip that may go, urgent ones first, then the earliest collected; at most so
    /// many.
    Awaited(i64),
    /// Those that stand here, the last that changed first.
    Standing(Standing, i64),
    /// Those whose strips did not come, and whose time was over between these moments, in seconds.
    Expired(i64, i64),
    /// Those of a specimen id.
    Specimen(String),
    /// Those of a specimen id, or of an order's number without who gave it: its own, or the one that it brought for its
    /// results.
    Text(String),
}

/// One order with the reports that answer it.
#[derive(Clone, Debug)]
pub struct OrderView {
    pub kept: Kept,
    pub reports: Vec<i64>,
    /// No message that was made of them names the order: they went before it came, or to others.
    pub unnamed: bool,
    /// A strip of its specimen is held.
    pub held: bool,
    /// A newer order of its source for the same of its specimen is answered.
    pub older: bool,
}

impl OrderView {
    /// In one word, how far it is.
    #[must_use]
    pub fn trace(&self) -> texts::Said {
        match self.kept.order.trace {
            Trace::None if self.older => say!("strip.newer"),
            Trace::None if !self.reports.is_empty() => say!("strip.taken_back"),
            Trace::None => say!("strip.none"),
            Trace::Waiting | Trace::Tried if self.unnamed => say!("strip.unnamed"),
            Trace::Partly | Trace::Sent if self.unnamed => say!("strip.sent_unnamed"),
            Trace::Held if self.held => say!("strip.held"),
            Trace::Held => say!("strip.refused"),
            Trace::Waiting => say!("strip.on_its_way"),
            Trace::Tried => say!("strip.tried"),
            Trace::Partly => say!("strip.not_final"),
            Trace::Sent => say!("strip.accepted"),
        }
    }
}

impl OrderView {
    /// Of which specimens a person has said that they are not its patient's, and how that is taken back.
    #[must_use]
    pub fn called_wrong(&self) -> Option<texts::Said> {
        let order = &self.kept.order;
        let wanted = order.wanted.as_ref().filter(|_| order.is_closed_as_wrong())?;
        let ids: Vec<&str> = wanted.wrong.iter().map(|id| id.expose()).collect();
        let right = format!("`wickline orders settle \"order {}\" --right`", self.kept.n);
        Some(say!("settle.called_wrong", ids = ids.join(", "), right = right))
    }

    /// What is left to a person of an order that is disputed: to settle it, or to take back what is out under it.
    #[must_use]
    pub fn todo(&self) -> Option<texts::Said> {
        let order = &self.kept.order;
        let settle = |how| format!("`wickline orders settle \"order {}\" {how}`", self.kept.n);
        let (right, wrong) = (settle("--right"), settle("--wrong"));
        if order.is_disputed() && !order.is_denied() {
            let how = match order.standing {
                Standing::Answered => say!("settle.answered", right = right, wrong = wrong),
                standing if standing.is_closed() => {
                    say!("settle.closed", right = right, wrong = wrong)
                }
                _ => say!("settle.open", right = right, wrong = wrong),
            };
            let wanted = order.wanted.as_ref();
            let step_by_step = wanted.is_some_and(|own| own.ordered.is_some());
            return Some(match step_by_step {
                true => how.then(say!("settle.as_shown")),
                false => how,
            });
        }
        if order.is_of_material() && self.held {
            return Some(say!("settle.material", wrong = wrong));
        }
        let withdraw = |n: &i64| format!("`wickline report withdraw {n}`");
        let all: Vec<String> = self.reports.iter().map(withdraw).collect();
        let denied = self.kept.order.is_denied() && !all.is_empty();
        denied.then(|| say!("settle.denied", commands = all.join(", ")))
    }
}

impl Ledger {
    /// The orders that were asked for.
    pub async fn orders(&self, asked: &AskedOrders) -> Result<Vec<OrderView>, StoreError> {
        let mut moment = self.db.moment().await?;
        let mut found = Vec::new();
        let numbers = numbers(&mut moment, asked).await?;
        for kept in order::read(&mut moment, &numbers).await? {
            let reports = order::reports_of(&mut moment, kept.n).await?;
            let unnamed = unnamed(&mut moment, &kept).await?;
            let mut held = false;
            if kept.order.trace == Trace::Held {
                for specimen in kept.order.wanted.iter().flat_map(|wanted| &wanted.specimens) {
                    held |= !order::held_of(&mut moment, specimen.expose()).await?.is_empty();
                }
            }
            let older = is_older(&mut moment, &kept).await?;
            found.push(OrderView { kept, reports, unnamed, held, older });
        }
        moment.commit().await?;
        if matches!(asked, AskedOrders::Standing(Standing::Disputed, _)) {
            found.retain(|view| view.kept.order.is_disputed());
        }
        Ok(found)
    }

    /// Which sources were asked about a specimen, when, and what they said.
    pub async fn asked_about(
        &self,
        specimen: &str,
    ) -> Result<Vec<(String, i64, Said)>, StoreError> {
        let mut moment = self.db.moment().await?;
        let found = question::of_specimen(&mut moment, specimen).await?;
        moment.commit().await?;
        Ok(found)
    }

    /// Why the orders that a report answers let nothing more go under them.
    pub(crate) async fn barred(&self, root: i64) -> Result<Option<Reason>, StoreError> {
        let mut conn = self.db.read().await?;
        let query = sqlx::query(
            "SELECT l.standing AS standing FROM report_order o JOIN lab_order l ON l.n = o.lab_order \
             WHERE o.report = $1",
        );
        let rows = query.bind(root).fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let mut found = None;
        for row in rows {
            let text: String = row.try_get("standing").map_err(|e| self.wrong(&e))?;
            let standing: Standing =
                at("report_order", root).word("standing", &text, |code| code.parse().ok())?;
            found = found.or(standing.bars());
        }
        Ok(found)
    }

    /// How many orders stand where, of those for which something is to be done or may come; and of how many whose
    /// specimen or patient is disputed the result is out (`disputed-out`), or which were closed without one
    /// (`disputed-closed`: they keep another patient's order from being taken).
    pub async fn order_counts(&self) -> Result<Vec<(String, i64)>, StoreError> {
        let mut conn = self.db.read().await?;
        let rows = sqlx::query(
            "SELECT standing, count(*) AS many FROM lab_order \
             WHERE standing IN ('open', 'on-hold', 'disputed') GROUP BY standing ORDER BY standing",
        )
        .fetch_all(&mut conn)
        .await
        .map_err(|e| self.wrong(&e))?;
        let claimed = sqlx::query(
            "SELECT d.standing AS standing, count(*) AS many FROM (SELECT DISTINCT o.n, \
             CASE WHEN o.standing = 'answered' THEN 'disputed-out' ELSE 'disputed-closed' END AS standing \
             FROM order_rival r JOIN lab_order o ON o.n = r.lab_order \
             WHERE r.refuted = 0 AND o.standing NOT IN ('open', 'on-hold', 'disputed')) d \
             GROUP BY d.standing ORDER BY d.standing",
        );
        let claimed = claimed.fetch_all(&mut conn).await.map_err(|e| self.wrong(&e))?;
        self.db.give_back(conn).await;
        let read = |row: &sqlx::any::AnyRow| -> Result<(String, i64), sqlx::Error> {
            Ok((row.try_get("standing")?, row.try_get("many")?))
        };
        let counts = rows.iter().chain(&claimed).map(read).collect::<Result<Vec<_>, _>>();
        counts.map_err(|e| self.wrong(&e))
    }
}

/// Whether what was made of an order's results is known, and names it nowhere. What was told is read from the messages:
/// they alone know.
async fn unnamed(write: &mut Write, kept: &Kept) -> Result<bool, StoreError> {
    let back = kept.wants_back.as_deref().filter(|_| kept.order.trace.is_out());
    let Some(back) = back.and_then(|text| serde_json::from_str::<References>(text).ok()) else {
        return Ok(false);
    };
    let made = order::messages_of(write, kept.n).await?;
    Ok(!made.is_empty() && made.iter().all(|body| back.named_in(body) == Some(false)))
}

/// Whether an order that waits would wait for ever, as a newer one for the same has the result.
async fn is_older(write: &mut Write, kept: &Kept) -> Result<bool, StoreError> {
    let own = &kept.order;
    if own.standing != Standing::Open || own.trace != Trace::None {
        return Ok(false);
    }
    for specimen in own.wanted.iter().flat_map(|wanted| &wanted.specimens) {
        let mut others = of_specimen(write, specimen.expose()).await?;
        others.remove(&kept.n);
        let others = order::read(write, &others.into_iter().collect::<Vec<_>>()).await?;
        if others.iter().any(|other| other.order.answers_newer_than(own)) {
            return Ok(true);
        }
    }
    Ok(false)
}

async fn numbers(write: &mut Write, asked: &AskedOrders) -> Result<Vec<i64>, StoreError> {
    match asked {
        AskedOrders::Open(most) => {
            let query = sqlx::query(
                "SELECT n FROM lab_order WHERE standing IN ('open', 'on-hold', 'disputed') \
                 ORDER BY urgent DESC, deadline, n LIMIT $1",
            )
            .bind(*most);
            firsts(write, query).await
        }
        AskedOrders::Awaited(most) => {
            let query = sqlx::query(
                "SELECT n FROM lab_order WHERE standing IN ('open', 'on-hold', 'disputed') AND standing = 'open' \
                 ORDER BY urgent DESC, deadline, n LIMIT $1",
            );
            firsts(write, query.bind(*most)).await
        }
        AskedOrders::Standing(standing, most) => {
            let query = sqlx::query(
                "SELECT n FROM lab_order WHERE standing = $1 ORDER BY closed DESC, n DESC LIMIT $2",
            )
            .bind(standing.code())
            .bind(*most);
            let mut found: Vec<i64> = firsts(write, query).await?;
            if *standing == Standing::Disputed {
                // What is out stays where it stands, whoever else claims its specimen.
                let query = sqlx::query(
                    "SELECT DISTINCT lab_order FROM order_rival WHERE refuted = 0 \
                     ORDER BY lab_order DESC LIMIT $1",
                );
                let rivals: Vec<i64> = firsts(write, query.bind(*most)).await?;
                let new: Vec<i64> = rivals.into_iter().filter(|n| !found.contains(n)).collect();
                found.extend(new);
            }
            Ok(found)
        }
        AskedOrders::Expired(from, to) => {
            let query = sqlx::query(
                "SELECT n FROM lab_order WHERE standing = 'expired' AND closed >= $1 AND closed < $2 \
                 ORDER BY closed, n LIMIT 1000",
            );
            firsts(write, query.bind(*from).bind(*to)).await
        }
        AskedOrders::Specimen(specimen) => {
            of_specimen(write, specimen).await.map(|found| found.into_iter().collect())
        }
        AskedOrders::Text(text) => {
            // A source may write its own numbers so: then both are meant.
            let mut found = of_specimen(write, text).await?;
            found.extend(own_number(text));
            let of_number = sqlx::query("SELECT n FROM lab_order WHERE called = $1 LIMIT 100");
            found.extend(firsts::<i64, Vec<i64>>(write, of_number.bind(text.clone())).await?);
            let number = text.split('^').next().unwrap_or_default().to_owned();
            let brought = sqlx::query(
                "SELECT n FROM lab_order WHERE brought = $1 AND brought IS NOT NULL LIMIT 100",
            );
            found.extend(firsts::<i64, Vec<i64>>(write, brought.bind(number)).await?);
            Ok(found.into_iter().collect())
        }
    }
}

/// `order 7`, `order 7 of lis`: our own number of an order, as the trail and notices have it.
fn own_number(text: &str) -> Option<i64> {
    text.strip_prefix("order ")?.split(' ').next()?.parse().ok()
}

/// The orders that claim a specimen or claimed it until a person called that wrong, and those that its reports
/// answer.
async fn of_specimen(write: &mut Write, specimen: &str) -> Result<BTreeSet<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT lab_order FROM order_specimen WHERE specimen = $1 UNION SELECT o.lab_order FROM report r \
         JOIN report_order o ON o.report = r.n WHERE r.specimen = $2",
    )
    .bind(specimen.to_owned())
    .bind(specimen.to_owned());
    firsts(write, query).await
}
