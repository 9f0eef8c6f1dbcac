//! Reports: one row for each print that was read, as acts read and change it.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};
use sqlx::any::{AnyArguments, AnyRow};
use sqlx::query::Query;
use sqlx::{Executor, Row};
use wickline_forward::orders::References;
use wickline_normalize::readings::Reading;
use wickline_normalize::{Class, Moment, Reason, Remark, Report, Role};

use super::hold::{self, OpenHold};
use super::order::{self, Link};
use super::{Place, at, firsts, kept, named};
use crate::clock::moment_of;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::state::{Arrow, ReportState};
use crate::texts::{Said, say};

/// A report as acts need it, read inside the write so that nobody else moves it.
#[derive(Clone, Debug)]
pub struct ReportRow {
    pub n: i64,
    pub tape: String,
    pub analyzer: String,
    pub class: Class,
    pub level: Option<String>,
    pub state: ReportState,
    /// The id that it goes under, as far as it is known.
    pub specimen: Option<String>,
    /// What a person said whose specimen it is: stands above the print.
    pub given: Option<String>,
    /// A sign of control material: bars the way to a patient's chart for ever.
    pub control_sign: bool,
    pub print: Report,
    pub readings: Vec<Reading>,
    pub strip: String,
    /// Its OBR-3.
    pub filler: String,
    pub day: String,
    pub heard_at: i64,
    /// Which of the instruments that stood there; below 0: a serial that nobody entered.
    pub instrument: i64,
    /// Its serial number, as a person entered it.
    pub serial: Option<String>,
    pub sequence: Option<String>,
    pub remarks: Vec<Remark>,
    /// With the offset that it was believed at. None: ours stands.
    pub taken: Option<Moment>,
    /// False: nor are the analyzer's other times believed.
    pub clock_believed: bool,
    /// The report whose OBR-3 a correction goes under.
    pub corrects: Option<i64>,
    pub note: Option<String>,
    /// By which road it was set aside.
    pub aside: Option<Aside>,
    /// What it was before a person said what it is.
    pub named_from: Option<Named>,
    /// What still holds it.
    pub holds: Vec<OpenHold>,
    /// The orders that it answers, by the report whose OBR-3 it goes under.
    pub orders: Vec<Link>,
}

/// By which road a report or a message was set aside.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Aside {
    /// A person decided that it is not to be sent: that can be taken back.
    Person,
    /// Something else says it, or nothing has to be said any more.
    Replaced,
    /// What was told under its OBR-3 was taken back.
    Withdrawn,
    /// A person stated how the receiver was told instead.
    Told,
}

impl Aside {
    const ALL: [Aside; 4] = [Aside::Person, Aside::Replaced, Aside::Withdrawn, Aside::Told];

    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Aside::Person => "person",
            Aside::Replaced => "replaced",
            Aside::Withdrawn => "withdrawn",
            Aside::Told => "told",
        }
    }

    pub(crate) fn of(text: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|a| a.text() == text)
    }
}

/// What a report was taken for before a person said whose or what it is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Named {
    pub class: Class,
    pub level: Option<String>,
    pub control_sign: bool,
    pub specimen: Option<String>,
    /// What was cleared by it.
    pub lifted: Vec<Reason>,
}

impl Link {
    /// Somebody waits for it, by its order.
    #[must_use]
    pub fn is_urgent(&self) -> bool {
        let own = self.wants_back.as_deref().map(serde_json::from_str::<References>);
        own.is_some_and(|own| own.is_ok_and(|own| own.is_urgent()))
    }
}

impl ReportRow {
    /// Somebody waits for it: by its print, or by an order that it answers.
    #[must_use]
    pub fn is_urgent(&self) -> bool {
        self.class == Class::Stat || self.orders.iter().any(Link::is_urgent)
    }

    /// Any sign of control material.
    #[must_use]
    pub fn is_control(&self) -> bool {
        self.control_sign || self.class == Class::Control
    }

    /// Whose it is, and so who may be told of it.
    #[must_use]
    pub fn role(&self) -> Role {
        Role::of(self.is_control(), self.level.as_deref())
    }

    /// The first of the reports that go under one OBR-3.
    #[must_use]
    pub fn root(&self) -> i64 {
        self.corrects.unwrap_or(self.n)
    }

    /// Why it is still held.
    pub fn reasons(&self) -> impl Iterator<Item = Reason> + '_ {
        self.holds.iter().map(|h| h.reason)
    }

    /// As it was taken for until now, for whoever takes a person's word back.
    #[must_use]
    pub fn named(&self, lifted: Vec<Reason>) -> Named {
        Named {
            class: self.class,
            level: self.level.clone(),
            control_sign: self.control_sign,
            specimen: self.specimen.clone(),
            lifted,
        }
    }
}

/// A class by its code.
pub(crate) fn class_of(code: &str) -> Option<Class> {
    [Class::Routine, Class::Stat, Class::Control].into_iter().find(|c| c.code() == code)
}

/// When a report was taken, at the offset that it was believed at. None: that is not believed, or not
/// printed.
pub fn taken(row: &AnyRow) -> Result<Option<Moment>, sqlx::Error> {
    let doubted: Option<String> = row.try_get("clock")?;
    let taken: Option<String> = row.try_get("taken_at")?;
    let Some(text) = taken.filter(|_| doubted.is_none()) else { return Ok(None) };
    let moment = moment_of(&text).ok_or_else(|| sqlx::Error::Decode("taken_at is no time".into()));
    moment.map(Some)
}

/// A report with what still holds it. None: there is none with this id.
pub async fn read(write: &mut Write, n: i64) -> Result<Option<ReportRow>, StoreError> {
    let query = sqlx::query(
        "SELECT tape, analyzer, class, level, state, specimen, given, control_sign, print, readings, \
         strip, filler, day, heard_at, sequence, remarks, clock, taken_at, corrects, note, aside, \
         named_from, instrument, (SELECT i.serial FROM instrument i \
         WHERE i.analyzer = report.analyzer AND i.n = report.instrument) AS serial \
         FROM report WHERE n = $1",
    )
    .bind(n);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let Some(row) = row else { return Ok(None) };
    let holds = hold::open_of(write, n).await?;
    let mut row = decode(n, &row, holds)?;
    row.orders = order::links(write, row.root()).await?;
    Ok(Some(row))
}

fn decode(n: i64, row: &AnyRow, holds: Vec<OpenHold>) -> Result<ReportRow, StoreError> {
    let place = at("report", n);
    let text = |column: &'static str| text(place, row, column);
    let maybe = |column: &'static str| maybe(place, row, column);
    let whole = |column: &'static str| -> Result<i64, StoreError> {
        row.try_get(column).map_err(|_| place.wrong(column, "no whole number"))
    };
    let named = maybe("named_from")?.map(|text| place.json("named_from", &text)).transpose()?;
    let aside = maybe("aside")?.map(|text| place.word("aside", &text, Aside::of)).transpose()?;
    Ok(ReportRow {
        n,
        tape: text("tape")?,
        analyzer: text("analyzer")?,
        class: place.word("class", &text("class")?, class_of)?,
        level: maybe("level")?,
        state: place.word("state", &text("state")?, ReportState::of)?,
        specimen: maybe("specimen")?,
        given: maybe("given")?,
        control_sign: whole("control_sign")? != 0,
        print: place.json("print", &text("print")?)?,
        readings: place.json("readings", &text("readings")?)?,
        strip: text("strip")?,
        filler: text("filler")?,
        day: text("day")?,
        heard_at: whole("heard_at")?,
        instrument: whole("instrument")?,
        serial: maybe("serial")?,
        sequence: maybe("sequence")?,
        remarks: place.json("remarks", &text("remarks")?)?,
        taken: taken(row).map_err(|_| place.wrong("taken_at", "no time"))?,
        clock_believed: maybe("clock")?.is_none(),
        corrects: row.try_get("corrects").map_err(|_| place.wrong("corrects", "no id"))?,
        note: maybe("note")?,
        aside,
        named_from: named,
        holds,
        orders: Vec::new(),
    })
}

fn text(place: Place<i64>, row: &AnyRow, column: &'static str) -> Result<String, StoreError> {
    row.try_get(column).map_err(|_| place.wrong(column, "no text"))
}

fn maybe(
    place: Place<i64>,
    row: &AnyRow,
    column: &'static str,
) -> Result<Option<String>, StoreError> {
    row.try_get(column).map_err(|_| place.wrong(column, "no text"))
}

/// Runs an UPDATE that must find its row as it was read.
pub async fn one_row(
    write: &mut Write,
    what: impl std::fmt::Display,
    update: Query<'_, sqlx::Any, AnyArguments>,
) -> Result<(), StoreError> {
    let done = write.conn().execute(update).await.map_err(|e| write.wrong(&e))?;
    if done.rows_affected() == 1 {
        return Ok(());
    }
    let why = say!("no.moved", what = Said::kept_in("object", &what.to_string()));
    Err(StoreError::Refused { why })
}

/// Moves a report along an arrow. `aside` says by which road it is set aside, where it is.
pub async fn moved(
    write: &mut Write,
    n: i64,
    arrow: Arrow<ReportState>,
    note: Option<&str>,
    aside: Option<Aside>,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE report SET state = $1, note = $2, aside = $3 WHERE n = $4 AND state = $5",
    )
    .bind(arrow.to().text())
    .bind(note.map(str::to_owned))
    .bind(aside.map(Aside::text))
    .bind(n)
    .bind(arrow.from().text());
    one_row(write, format!("report {n}"), query).await
}

/// Notes whether a report that is ready has no message because no receiver takes it.
pub async fn set_unsent(write: &mut Write, n: i64, unsent: bool) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE report SET unsent = $1 WHERE n = $2 AND unsent <> $1")
        .bind(i64::from(unsent))
        .bind(n);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// The analyzer's times are left out from now on, and the daemon's stand: a person let it go so.
pub async fn release_clock(write: &mut Write, n: i64) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE report SET clock = 'released' WHERE n = $1 AND clock IS NULL");
    write.conn().execute(query.bind(n)).await.map(drop).map_err(|e| write.wrong(&e))
}

/// What goes out with a report.
pub async fn set_remarks(write: &mut Write, n: i64, remarks: &[Remark]) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE report SET remarks = $1 WHERE n = $2")
        .bind(kept("remarks", &remarks)?)
        .bind(n);
    one_row(write, format!("report {n}"), query).await
}

/// A person said whose specimen a held report is.
pub async fn identify(
    write: &mut Write,
    n: i64,
    specimen: &str,
    from: &Named,
) -> Result<(), StoreError> {
    named::keep(write, n, Some(specimen), "identify").await?;
    let query = sqlx::query(
        "UPDATE report SET specimen = $1, given = $1, named_from = $2 WHERE n = $3 AND state = 'held'",
    )
    .bind(specimen.to_owned())
    .bind(kept("named_from", from)?)
    .bind(n);
    one_row(write, format!("report {n}"), query).await
}

/// A person said that a report is control material of a level.
pub async fn name_control(
    write: &mut Write,
    n: i64,
    level: &str,
    from: &Named,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE report SET class = 'control', level = $1, control_sign = 1, named_from = $2 \
         WHERE n = $3 AND state = 'held'",
    )
    .bind(level.to_owned())
    .bind(kept("named_from", from)?)
    .bind(n);
    one_row(write, format!("report {n}"), query).await
}

/// A report is again what it was before a person said what it is, under an OBR-3 that was never used.
pub async fn unname(
    write: &mut Write,
    n: i64,
    from: &Named,
    filler: &str,
) -> Result<(), StoreError> {
    named::keep(write, n, from.specimen.as_deref(), "undo").await?;
    let query = sqlx::query(
        "UPDATE report SET class = $1, level = $2, control_sign = $3, specimen = $4, filler = $5, \
         given = NULL, named_from = NULL WHERE n = $6",
    )
    .bind(from.class.code())
    .bind(from.level.clone())
    .bind(i64::from(from.control_sign))
    .bind(from.specimen.clone())
    .bind(filler.to_owned())
    .bind(n);
    one_row(write, format!("report {n}"), query).await
}

/// Puts a held report under the OBR-3 and specimen of the one that it corrects.
pub async fn goes_under(
    write: &mut Write,
    n: i64,
    earlier: &ReportRow,
    note: &str,
) -> Result<(), StoreError> {
    named::keep(write, n, earlier.specimen.as_deref(), "decide correction").await?;
    let query = sqlx::query(
        "UPDATE report SET corrects = $1, filler = $2, specimen = $3, given = $3, note = $4 \
         WHERE n = $5 AND state = 'held'",
    )
    .bind(earlier.root())
    .bind(earlier.filler.clone())
    .bind(earlier.specimen.clone())
    .bind(note.to_owned())
    .bind(n);
    one_row(write, format!("report {n}"), query).await
}

/// Gives a report that is on its way another specimen and OBR-3.
pub async fn renamed(
    write: &mut Write,
    n: i64,
    specimen: &str,
    filler: &str,
) -> Result<(), StoreError> {
    named::keep(write, n, Some(specimen), "withdraw").await?;
    let query = sqlx::query(
        "UPDATE report SET specimen = $1, given = $1, filler = $2 WHERE n = $3 AND state = 'waiting'",
    )
    .bind(specimen.to_owned())
    .bind(filler.to_owned())
    .bind(n);
    one_row(write, format!("report {n}"), query).await
}

/// A report on its way gets an OBR-3 that was never used.
pub async fn numbered_anew(write: &mut Write, n: i64, filler: &str) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE report SET filler = $1 WHERE n = $2 AND state = 'waiting'")
        .bind(filler.to_owned())
        .bind(n);
    one_row(write, format!("report {n}"), query).await
}

/// What is still held and was decided to correct a report goes where that goes.
pub async fn corrections_follow(
    write: &mut Write,
    open: &ReportRow,
    old: &str,
) -> Result<Vec<i64>, StoreError> {
    let query = sqlx::query(
        "UPDATE report SET specimen = $1, given = $1, filler = $2 \
         WHERE corrects = $3 AND filler = $4 AND state = 'held' RETURNING n",
    )
    .bind(open.specimen.clone())
    .bind(open.filler.clone())
    .bind(open.root())
    .bind(old.to_owned());
    super::firsts(write, query).await
}

/// The other reports that went under an OBR-3 say nothing any more.
pub async fn others_aside(
    write: &mut Write,
    open: &ReportRow,
    arrow: Arrow<ReportState>,
    note: &str,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE report SET state = $1, aside = 'withdrawn', note = $2 WHERE n <> $3 AND state = $4 \
         AND (n = $5 OR corrects = $5) AND filler = $6",
    )
    .bind(arrow.to().text())
    .bind(note.to_owned())
    .bind(open.n)
    .bind(arrow.from().text())
    .bind(open.root())
    .bind(open.filler.clone());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// An incomplete report whose readings all came again, whole: a repeat of the whole one.
pub async fn supersede(
    write: &mut Write,
    old: i64,
    new: i64,
    arrow: Arrow<ReportState>,
) -> Result<(), StoreError> {
    let query =
        sqlx::query("UPDATE report SET state = $1, repeat_of = $2 WHERE n = $3 AND state = $4")
            .bind(arrow.to().text())
            .bind(new)
            .bind(old)
            .bind(arrow.from().text());
    write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    hold::clear_all(write, old).await
}

/// The report that speaks under an OBR-3 today: the last of those that corrected it, else the first.
pub async fn speaks(write: &mut Write, root: i64) -> Result<Option<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT n FROM report WHERE n IN (SELECT n FROM report WHERE n = $1 OR corrects = $1) \
         AND state = 'waiting' ORDER BY n DESC LIMIT 1",
    )
    .bind(root);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    row.map(|row| row.try_get(0)).transpose().map_err(|e| write.wrong(&e))
}

/// The roots of earlier patients' reports, on their way or out, that a report may correct: the same number
/// in the same sequence, where that is known, else on the same day; without a number the same specimen of
/// that day.
pub async fn correctable(write: &mut Write, n: i64) -> Result<Vec<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT coalesce(e.corrects, e.n) AS root FROM report own CROSS JOIN report e \
         WHERE own.n = $1 AND e.analyzer = own.analyzer AND e.number = own.number AND e.n < own.n \
         AND e.instrument = own.instrument \
         AND e.state = 'waiting' AND e.control_sign = 0 AND e.class <> 'control' \
         AND CASE WHEN e.sequence IS NULL OR own.sequence IS NULL THEN e.day = own.day \
         ELSE e.sequence = own.sequence END \
         UNION SELECT coalesce(e.corrects, e.n) AS root FROM report own CROSS JOIN report e \
         WHERE own.n = $1 AND e.day = own.day AND e.analyzer = own.analyzer AND e.n < own.n \
         AND own.number IS NULL AND e.number IS NULL AND e.specimen = own.specimen \
         AND e.instrument = own.instrument \
         AND e.state = 'waiting' AND e.control_sign = 0 AND e.class <> 'control' \
         ORDER BY root LIMIT 20",
    )
    .bind(n);
    firsts(write, query).await
}

/// Other patients' results that stand for a specimen on a day, whatever analyzer they are of: by id.
pub async fn of_specimen(
    write: &mut Write,
    specimen: &str,
    day: &str,
) -> Result<BTreeSet<i64>, StoreError> {
    let query = sqlx::query(
        "SELECT coalesce(corrects, n) FROM report WHERE specimen = $1 AND day = $2 \
         AND state IN ('held', 'waiting') AND control_sign = 0 AND class <> 'control' LIMIT 50",
    )
    .bind(specimen.to_owned())
    .bind(day.to_owned());
    firsts(write, query).await
}

/// The next few reports after `after` that were ready when no receiver took them: id and analyzer.
pub async fn undelivered(write: &mut Write, after: i64) -> Result<Vec<(i64, String)>, StoreError> {
    let query = sqlx::query(
        "SELECT n, analyzer FROM report WHERE unsent = 1 AND state = 'waiting' AND n > $1 \
         ORDER BY n LIMIT 100",
    )
    .bind(after);
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    rows.iter()
        .map(|row| Ok((row.try_get("n")?, row.try_get("analyzer")?)))
        .collect::<Result<_, _>>()
        .map_err(|e: sqlx::Error| write.wrong(&e))
}
