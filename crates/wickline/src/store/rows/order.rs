//! Orders of the laboratory's sources, as the machine that knows them needs them: read and kept in one transaction.

use std::collections::{BTreeMap, BTreeSet};

use sqlx::any::AnyRow;
use sqlx::{AssertSqlSafe, Executor, Row};
use wickline_forward::orders::References;
use wickline_normalize::orders::{Key, Order, OrderRules, Standing, Trace};
use wickline_normalize::{Moment, Private, Reason};

use super::{at, firsts, kept};
use crate::store::StoreError;
use crate::store::db::{Write, list_of};
use crate::store::ledger::take;

/// An order with its row.
#[derive(Clone, Debug)]
pub struct Kept {
    pub n: i64,
    pub order: Order,
    /// What goes back with its result, as JSON. None: nothing of it is known, or it was erased.
    pub wants_back: Option<String>,
}

/// Which orders could matter to each other.
#[derive(Clone, Debug, Default)]
pub struct Which {
    pub keys: BTreeSet<Key>,
    pub specimens: BTreeSet<Private>,
    pub patients: BTreeSet<Private>,
}

/// No two transactions decide about orders at once: what one of them read stays true until it ends.
pub async fn alone(write: &mut Write) -> Result<(), StoreError> {
    take(write, "order", 0).await.map(drop)
}

/// Who became whom.
pub async fn merges(write: &mut Write) -> Result<Vec<(Private, Private)>, StoreError> {
    let query = sqlx::query("SELECT gone, stays FROM patient_merge");
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &AnyRow| -> Result<(Private, Private), sqlx::Error> {
        let text = |column| row.try_get::<String, _>(column).map(Private::new);
        Ok((text("gone")?, text("stays")?))
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

/// Notes that a patient became another.
pub async fn merged(
    write: &mut Write,
    gone: &Private,
    stays: &Private,
    now: i64,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO patient_merge (gone, stays, at) VALUES ($1, $2, $3) \
         ON CONFLICT (gone) DO UPDATE SET stays = $2, at = $3",
    );
    let query = query.bind(gone.expose().to_owned()).bind(stays.expose().to_owned()).bind(now);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// The orders that could matter, each with how far its result went.
pub async fn load(write: &mut Write, which: &Which) -> Result<Vec<Kept>, StoreError> {
    let mut numbers = BTreeSet::new();
    for key in &which.keys {
        let query = sqlx::query("SELECT n FROM lab_order WHERE source = $1 AND number = $2")
            .bind(key.source.clone())
            .bind(key.number.expose().to_owned());
        numbers.extend(firsts::<i64, Vec<i64>>(write, query).await?);
    }
    for specimen in &which.specimens {
        let query =
            sqlx::query("SELECT lab_order FROM order_specimen WHERE specimen = $1 AND wrong = 0")
                .bind(specimen.expose().to_owned());
        numbers.extend(firsts::<i64, Vec<i64>>(write, query).await?);
    }
    for patient in &which.patients {
        let query = sqlx::query(
            "SELECT n FROM lab_order WHERE patient = $1 UNION SELECT lab_order FROM order_rival WHERE patient = $1",
        )
        .bind(patient.expose().to_owned());
        numbers.extend(firsts::<i64, Vec<i64>>(write, query).await?);
    }
    read(write, &numbers.into_iter().collect::<Vec<_>>()).await
}

/// These orders as they stand now, in this order and without those that are none: a few statements for many of them.
pub async fn read(write: &mut Write, numbers: &[i64]) -> Result<Vec<Kept>, StoreError> {
    let mut found = Vec::with_capacity(numbers.len());
    for some in numbers.chunks(AT_ONCE) {
        let mut rows = rows(write, some).await?;
        let rivals = rivals(write, some).await?;
        let went = went(write, some).await?;
        let heard = heard(write, some).await?;
        for (n, mut kept) in some.iter().filter_map(|n| rows.remove_entry(n)) {
            for (patient, refuted) in rivals.get(&n).into_iter().flatten().cloned() {
                let order = &mut kept.order;
                if refuted { &mut order.refuted } else { &mut order.rivals }.push(patient);
            }
            let heard = if heard.contains(&n) { Trace::Held } else { Trace::None };
            kept.order = match went.get(&n) {
                // What its report told was taken back, or a person set that aside.
                Some(Trace::None) => kept.order.traced(heard, None),
                Some(trace) => kept.order.traced(*trace, None),
                None => unbound(kept.order, heard),
            };
            found.push(kept);
        }
    }
    Ok(found)
}

/// An order that no report answers.
fn unbound(order: Order, heard: Trace) -> Order {
    match order.standing {
        // Its report was purged since.
        Standing::Answered => Order { trace: Trace::Sent, ..order }.purged(),
        _ => Order { trace: heard, ..order },
    }
}

/// How many orders are read by one statement.
const AT_ONCE: usize = 200;

async fn fetch(write: &mut Write, sql: String, some: &[i64]) -> Result<Vec<AnyRow>, StoreError> {
    let mut query = sqlx::query(AssertSqlSafe(sql));
    for n in some {
        query = query.bind(*n);
    }
    write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))
}

/// What stands in the rows of orders alone.
async fn rows(write: &mut Write, some: &[i64]) -> Result<BTreeMap<i64, Kept>, StoreError> {
    let these = list_of(some.len(), 1);
    let sql = format!(
        "SELECT n, source, number, standing, asked, received, closed, ours, answered_by, wanted, wants_back \
         FROM lab_order WHERE n IN ({these})"
    );
    let rows = fetch(write, sql, some).await?;
    rows.iter().map(row).collect()
}

fn row(row: &AnyRow) -> Result<(i64, Kept), StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("an order", &e);
    let n = row.try_get("n").map_err(wrong)?;
    let place = at("lab_order", n);
    let standing: String = row.try_get("standing").map_err(wrong)?;
    let wanted: Option<String> = row.try_get("wanted").map_err(wrong)?;
    let asked: Option<String> = row.try_get("asked").map_err(wrong)?;
    let private = |column: &str| -> Result<Option<Private>, StoreError> {
        Ok(row.try_get::<Option<String>, _>(column).map_err(wrong)?.map(Private::new))
    };
    let order = Order {
        n,
        key: Key {
            source: row.try_get("source").map_err(wrong)?,
            number: private("number")?.unwrap_or_default(),
        },
        standing: place.word("standing", &standing, |code| code.parse::<Standing>().ok())?,
        trace: Trace::None,
        wanted: wanted.map(|text| place.json("wanted", &text)).transpose()?,
        asked: asked.map(|text| place.word("asked", &text, Moment::from_digits)).transpose()?,
        received: row.try_get("received").map_err(wrong)?,
        closed: row.try_get("closed").map_err(wrong)?,
        number: row.try_get("ours").map_err(wrong)?,
        by: private("answered_by")?,
        rivals: Vec::new(),
        refuted: Vec::new(),
    };
    Ok((n, Kept { n, order, wants_back: row.try_get("wants_back").map_err(wrong)? }))
}

/// Who else is claimed to be the patient of each, and whether a person has refuted that.
async fn rivals(
    write: &mut Write,
    some: &[i64],
) -> Result<BTreeMap<i64, Vec<(Private, bool)>>, StoreError> {
    let these = list_of(some.len(), 1);
    let sql = format!(
        "SELECT lab_order, patient, refuted FROM order_rival WHERE lab_order IN ({these}) ORDER BY lab_order, patient"
    );
    let mut found: BTreeMap<i64, Vec<(Private, bool)>> = BTreeMap::new();
    for row in fetch(write, sql, some).await? {
        let patient: String = row.try_get("patient").map_err(|e| write.wrong(&e))?;
        let n = row.try_get("lab_order").map_err(|e| write.wrong(&e))?;
        let refuted: i64 = row.try_get("refuted").map_err(|e| write.wrong(&e))?;
        found.entry(n).or_default().push((Private::new(patient), refuted != 0));
    }
    Ok(found)
}

/// Which of them have a strip that is held.
async fn heard(write: &mut Write, some: &[i64]) -> Result<BTreeSet<i64>, StoreError> {
    let these = list_of(some.len(), 1);
    let sql = format!(
        "SELECT DISTINCT s.lab_order FROM order_specimen s JOIN report r ON r.specimen = s.specimen \
         WHERE r.state = 'held' AND s.wrong = 0 AND s.lab_order IN ({these})"
    );
    let rows = fetch(write, sql, some).await?;
    let read = |row: &AnyRow| row.try_get(0);
    rows.iter().map(read).collect::<Result<_, sqlx::Error>>().map_err(|e| write.wrong(&e))
}

/// How far the results of orders went: read from their reports' messages, which alone know. What no report answers is
/// not among them.
async fn went(write: &mut Write, some: &[i64]) -> Result<BTreeMap<i64, Trace>, StoreError> {
    let these = list_of(some.len(), 1);
    let sql = format!(
        "SELECT o.lab_order, CAST(max(CASE WHEN m.state = 'accepted' THEN 4 \
         WHEN r.n <> o.report THEN 3 \
         WHEN m.state = 'waiting' AND m.attempts + m.maybe_sent = 0 THEN 2 \
         WHEN m.state IN ('waiting', 'set-aside') AND m.answer IS NULL AND m.attempts + m.maybe_sent > 0 THEN 3 \
         WHEN r.n IS NULL OR (r.state = 'waiting' AND m.n IS NULL) THEN 2 \
         WHEN r.state = 'set-aside' OR m.state = 'set-aside' THEN 0 ELSE 1 END) AS BIGINT) AS went \
         FROM report_order o LEFT JOIN report r ON r.n = o.report OR r.corrects = o.report \
         LEFT JOIN message m ON m.report = r.n AND m.filler IS NULL WHERE o.lab_order IN ({these}) \
         GROUP BY o.lab_order"
    );
    let rows = fetch(write, sql, some).await?;
    let read = |row: &AnyRow| -> Result<(i64, Trace), sqlx::Error> {
        let trace = match row.try_get::<i64, _>("went")? {
            4 => Trace::Sent,
            3 => Trace::Tried,
            2 => Trace::Waiting,
            1 => Trace::Held,
            _ => Trace::None,
        };
        Ok((row.try_get("lab_order")?, trace))
    };
    rows.iter().map(read).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

/// What people call an order: its number without who gave it, and without its test.
#[must_use]
pub fn called(key: &Key) -> &str {
    let number = key.number.expose();
    number.split(['^', '|']).next().unwrap_or(number)
}

/// What the trail and notices call an order: our own number of it, which says nothing of a patient.
#[must_use]
pub fn own_name(n: i64, source: &str) -> String {
    format!("order {n} of {source}")
}

/// The number of its own that an order brought for its results, without who gave it: what people have of it in their
/// hand where a receiver goes by that.
#[must_use]
pub fn brought(wants_back: Option<&str>) -> Option<String> {
    let references: References = serde_json::from_str(wants_back?).ok()?;
    references.own_number().map(|own| own.value(1))
}

/// Keeps an order as it is now. Returns its row's number.
pub async fn keep(
    write: &mut Write,
    n: Option<i64>,
    order: &Order,
    wants_back: Option<&str>,
    rules: &OrderRules,
) -> Result<i64, StoreError> {
    let wanted = order.wanted.as_ref().map(|wanted| kept("wanted", wanted)).transpose()?;
    let patient = order.wanted.as_ref().and_then(|wanted| wanted.patient.as_ref());
    let is_new = n.is_none();
    let n = match n {
        Some(n) => n,
        None => take(write, "order", 1).await?,
    };
    let sql = if is_new {
        "INSERT INTO lab_order (standing, asked, received, closed, deadline, ours, answered_by, urgent, patient, named, \
         wanted, wants_back, n, source, number, called, brought) \
         VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17)"
    } else {
        "UPDATE lab_order SET standing = $1, asked = $2, received = $3, closed = $4, deadline = $5, ours = $6, \
         answered_by = $7, urgent = $8, patient = $9, named = $10, wanted = $11, wants_back = $12, \
         brought = $17 WHERE n = $13 AND source = $14 AND number = $15 AND called = $16"
    };
    let query = sqlx::query(sql)
        .bind(order.standing.code())
        .bind(order.asked.map(|asked| asked.digits()))
        .bind(order.received)
        .bind(order.closed)
        .bind(order.deadline(rules))
        .bind(order.number.clone())
        .bind(order.by.as_ref().map(|by| by.expose().to_owned()))
        .bind(i64::from(order.wanted.as_ref().is_some_and(|wanted| wanted.urgent)))
        .bind(patient.map(|patient| patient.id.expose().to_owned()))
        .bind(i64::from(patient.is_some_and(|patient| !patient.name.is_empty())))
        .bind(wanted)
        .bind(wants_back.map(str::to_owned))
        .bind(n)
        .bind(order.key.source.clone())
        .bind(order.key.number.expose().to_owned())
        .bind(called(&order.key).to_owned())
        .bind(brought(wants_back));
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    let specimens = order.wanted.as_ref().map(|own| [&own.specimens[..], &own.wrong[..]]);
    specimens_are(write, n, specimens.unwrap_or_default()).await?;
    rivals_are(write, n, [&order.rivals, &order.refuted]).await?;
    Ok(n)
}

/// Keeps where an order stands, as it was read: its result was taken back, set aside or wanted again.
pub async fn stands(write: &mut Write, kept: &Kept) -> Result<(), StoreError> {
    let Kept { n, order, .. } = kept;
    let query = sqlx::query(
        "UPDATE lab_order SET standing = $1, closed = $2, ours = $3, answered_by = $4 WHERE n = $5",
    )
    .bind(order.standing.code())
    .bind(order.closed)
    .bind(order.number.clone())
    .bind(order.by.as_ref().map(|by| by.expose().to_owned()))
    .bind(*n);
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    rivals_are(write, *n, [&order.rivals, &order.refuted]).await
}

/// The specimens that an order claims, and those of which a person has said that they are not its: by these it is only
/// found.
async fn specimens_are(write: &mut Write, n: i64, both: [&[Private]; 2]) -> Result<(), StoreError> {
    let sql = [
        "DELETE FROM order_specimen WHERE lab_order = $1",
        "INSERT INTO order_specimen (specimen, lab_order, wrong) VALUES ($1, $2, $3)",
    ];
    are(write, n, both, sql).await
}

/// Those who dispute an order, and those whom a person has refuted: whoever does so anew is among the first alone.
async fn rivals_are(write: &mut Write, n: i64, both: [&[Private]; 2]) -> Result<(), StoreError> {
    let sql = [
        "DELETE FROM order_rival WHERE lab_order = $1",
        "INSERT INTO order_rival (patient, lab_order, refuted) VALUES ($1, $2, $3)",
    ];
    are(write, n, both, sql).await
}

async fn are(
    write: &mut Write,
    n: i64,
    [now, past]: [&[Private]; 2],
    [delete, insert]: [&'static str; 2],
) -> Result<(), StoreError> {
    let query = sqlx::query(delete).bind(n);
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    let past = past.iter().filter(|one| !now.contains(one)).map(|one| (one, 1_i64));
    for (one, mark) in now.iter().map(|one| (one, 0_i64)).chain(past) {
        let query = sqlx::query(insert).bind(one.expose().to_owned()).bind(n).bind(mark);
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// Orders of a source that wait.
pub async fn open_of(write: &mut Write, source: &str) -> Result<i64, StoreError> {
    let query = sqlx::query(
        "SELECT count(*) FROM lab_order WHERE standing IN ('open', 'on-hold', 'disputed') AND source = $1",
    )
    .bind(source.to_owned());
    let row = write.conn().fetch_one(query).await.map_err(|e| write.wrong(&e))?;
    row.try_get(0).map_err(|e| write.wrong(&e))
}

/// The waiting orders whose time was over before `now`, some at a time: those behind a time and a row.
pub async fn overdue(
    write: &mut Write,
    now: i64,
    (deadline, n): (i64, i64),
) -> Result<Vec<Kept>, StoreError> {
    let query = sqlx::query(
        "SELECT n FROM lab_order WHERE standing IN ('open', 'on-hold', 'disputed') AND standing <> 'disputed' \
         AND deadline < $1 AND deadline >= $2 AND (deadline > $2 OR n > $3) ORDER BY deadline, n LIMIT 200",
    )
    .bind(now)
    .bind(deadline)
    .bind(n);
    let numbers: Vec<i64> = firsts(write, query).await?;
    read(write, &numbers).await
}

/// Closed orders that still say who their patient is, though they were closed before `before` and no report of theirs
/// waits or is held; some at a time.
pub async fn to_forget(write: &mut Write, before: i64) -> Result<Vec<Kept>, StoreError> {
    let query = sqlx::query(
        "SELECT o.n FROM lab_order o WHERE o.named = 1 AND o.closed < $1 AND NOT EXISTS \
         (SELECT 1 FROM report_order l JOIN report r ON r.n = l.report OR r.corrects = l.report \
         LEFT JOIN message m ON m.report = r.n WHERE l.lab_order = o.n \
         AND (r.state = 'held' OR m.state IN ('waiting', 'refused'))) ORDER BY o.closed LIMIT 200",
    )
    .bind(before);
    let numbers: Vec<i64> = firsts(write, query).await?;
    read(write, &numbers).await
}

/// Orders that say who their patients are; some at a time.
pub async fn named(write: &mut Write) -> Result<Vec<Kept>, StoreError> {
    let query = sqlx::query("SELECT n FROM lab_order WHERE named = 1 ORDER BY closed, n LIMIT 200");
    let numbers: Vec<i64> = firsts(write, query).await?;
    read(write, &numbers).await
}

/// The order that a report answers, with the pads that it asked and the OBR-3 of its group.
#[derive(Clone, Debug)]
pub struct Link {
    pub order: i64,
    pub source: String,
    pub pads: Vec<String>,
    pub filler: String,
    pub wants_back: Option<String>,
}

/// The orders that a report answers, by the report whose OBR-3 it goes under.
pub async fn links(write: &mut Write, root: i64) -> Result<Vec<Link>, StoreError> {
    let query = sqlx::query(
        "SELECT l.lab_order, o.source, l.pads, l.filler, o.wants_back FROM report_order l \
         JOIN lab_order o ON o.n = l.lab_order WHERE l.report = $1 ORDER BY l.lab_order",
    )
    .bind(root);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter().map(|row| one_link(root, row)).collect()
}

/// The orders that a report answered under an OBR-3 that it has no more.
pub async fn were(write: &mut Write, root: i64, under: &str) -> Result<Vec<Link>, StoreError> {
    let query = sqlx::query(
        "SELECT l.lab_order, o.source, l.pads, l.filler, o.wants_back FROM order_was l \
         JOIN lab_order o ON o.n = l.lab_order WHERE l.report = $1 AND l.under = $2 ORDER BY l.lab_order",
    )
    .bind(root)
    .bind(under.to_owned());
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter().map(|row| one_link(root, row)).collect()
}

fn one_link(root: i64, row: &AnyRow) -> Result<Link, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("an order of a report", &e);
    let pads: String = row.try_get("pads").map_err(wrong)?;
    Ok(Link {
        order: row.try_get("lab_order").map_err(wrong)?,
        source: row.try_get("source").map_err(wrong)?,
        pads: at("report_order", root).json("pads", &pads)?,
        filler: row.try_get("filler").map_err(wrong)?,
        wants_back: row.try_get("wants_back").map_err(wrong)?,
    })
}

/// Notes that a report answers an order.
pub async fn link(write: &mut Write, root: i64, link: &Link) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO report_order (report, lab_order, pads, filler) VALUES ($1, $2, $3, $4)",
    )
    .bind(root)
    .bind(link.order)
    .bind(kept("pads", &link.pads)?)
    .bind(link.filler.clone());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// A report answers no order any more. What it told under the OBR-3 that it had stays theirs.
pub async fn unlink(write: &mut Write, root: i64, under: &str) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO order_was (report, under, lab_order, pads, filler) \
         SELECT report, CAST($1 AS TEXT), lab_order, pads, filler FROM report_order WHERE report = $2 \
         ON CONFLICT (report, under, lab_order) DO NOTHING",
    )
    .bind(under.to_owned())
    .bind(root);
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    let query = sqlx::query("DELETE FROM report_order WHERE report = $1").bind(root);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// The reports that answer an order or did, each with its OBR-3 of then.
pub async fn told_of(write: &mut Write, order: i64) -> Result<Vec<(i64, String)>, StoreError> {
    let query = sqlx::query(
        "SELECT o.report AS report, r.filler AS under FROM report_order o JOIN report r ON r.n = o.report \
         WHERE o.lab_order = $1 UNION SELECT report, under FROM order_was WHERE lab_order = $1",
    )
    .bind(order);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: &AnyRow| Ok((row.try_get("report")?, row.try_get("under")?));
    rows.iter().map(read).collect::<Result<_, sqlx::Error>>().map_err(|e| write.wrong(&e))
}

/// The orders that brought the number of its own that this one did.
pub async fn of_number(write: &mut Write, one: &References) -> Result<Vec<i64>, StoreError> {
    let Some(number) = one.own_number().map(|own| own.value(1)) else { return Ok(Vec::new()) };
    let query = sqlx::query("SELECT n FROM lab_order WHERE brought = $1 AND brought IS NOT NULL");
    firsts(write, query.bind(number)).await
}

/// The reports that answer an order.
pub async fn reports_of(write: &mut Write, order: i64) -> Result<Vec<i64>, StoreError> {
    let query = sqlx::query("SELECT report FROM report_order WHERE lab_order = $1").bind(order);
    firsts::<i64, BTreeSet<i64>>(write, query).await.map(|found| found.into_iter().collect())
}

/// What was made of the reports that answer an order, and is kept.
pub async fn messages_of(write: &mut Write, order: i64) -> Result<Vec<Vec<u8>>, StoreError> {
    let query = sqlx::query(
        "SELECT b.body FROM report_order o JOIN report r ON r.n = o.report OR r.corrects = o.report \
         JOIN message m ON m.report = r.n JOIN message_body b ON b.n = m.n WHERE o.lab_order = $1",
    )
    .bind(order);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter().map(|row| row.try_get(0)).collect::<Result<_, _>>().map_err(|e| write.wrong(&e))
}

/// Held reports that bear a specimen id.
pub async fn held_of(write: &mut Write, specimen: &str) -> Result<Vec<i64>, StoreError> {
    let query = sqlx::query("SELECT n FROM report WHERE state = 'held' AND specimen = $1")
        .bind(specimen.to_owned());
    firsts::<i64, BTreeSet<i64>>(write, query).await.map(|found| found.into_iter().collect())
}

/// Reports of a specimen id that are on their way or out, heard since then.
pub async fn out_of(write: &mut Write, specimen: &str, since: i64) -> Result<Vec<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT n FROM report WHERE state = 'waiting' AND specimen = $1 AND heard_at > $2",
    )
    .bind(specimen.to_owned())
    .bind(since);
    firsts::<i64, BTreeSet<i64>>(write, query).await.map(|found| found.into_iter().collect())
}

/// What was answered to a message that came before, byte by byte the same.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Answered {
    pub accept: Option<Vec<u8>>,
    pub application: Option<Vec<u8>>,
}

/// The answers that were kept for a message. None: it is new.
pub async fn answered(
    write: &mut Write,
    (source, control_id, digest): (&str, &str, &str),
) -> Result<Option<Answered>, StoreError> {
    let query = sqlx::query(
        "SELECT accept_answer, application_answer FROM order_message \
         WHERE source = $1 AND control_id = $2 AND digest = $3",
    )
    .bind(source.to_owned())
    .bind(control_id.to_owned())
    .bind(digest.to_owned());
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let read = |row: AnyRow| -> Result<Answered, sqlx::Error> {
        let (accept, application) =
            (row.try_get("accept_answer")?, row.try_get("application_answer")?);
        Ok(Answered { accept, application })
    };
    row.map(read).transpose().map_err(|e| write.wrong(&e))
}

/// Keeps what is answered to a message.
pub async fn answer(
    write: &mut Write,
    (source, control_id, digest): (&str, &str, &str),
    answered: &Answered,
    now: i64,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO order_message (source, control_id, digest, received, accept_answer, application_answer) \
         VALUES ($1, $2, $3, $4, $5, $6)",
    )
    .bind(source.to_owned())
    .bind(control_id.to_owned())
    .bind(digest.to_owned())
    .bind(now)
    .bind(answered.accept.clone())
    .bind(answered.application.clone());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// Forgets answers older than `before`: they name patients. How many.
pub async fn forget_answers(write: &mut Write, before: i64) -> Result<u64, StoreError> {
    let query = sqlx::query("DELETE FROM order_message WHERE received < $1").bind(before);
    let done = write.conn().execute(query).await;
    done.map(|done| done.rows_affected()).map_err(|e| write.wrong(&e))
}

/// Held reports that wait for what their orders say.
pub async fn held_for_orders(write: &mut Write) -> Result<BTreeSet<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT r.n, h.reason FROM report r JOIN hold h ON h.report = r.n WHERE r.state = 'held' \
         AND h.cleared_at IS NULL",
    );
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let mut found = BTreeSet::new();
    for row in rows {
        let n = row.try_get("n").map_err(|e| write.wrong(&e))?;
        let code: String = row.try_get("reason").map_err(|e| write.wrong(&e))?;
        let reason = at("hold", n).word("reason", &code, |code| code.parse::<Reason>().ok())?;
        if reason.is_of_orders() {
            found.insert(n);
        }
    }
    Ok(found)
}
