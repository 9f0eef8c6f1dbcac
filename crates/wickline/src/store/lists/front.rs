//! The reports of one line in the order of its tape, from the front, with all that says whether they may go.

use sqlx::Row;
use sqlx::any::AnyRow;

use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::rows::at;
use crate::store::rows::report::class_of;
use crate::store::state::ReportState;

/// One report.
#[derive(Clone, Debug)]
pub struct Front {
    pub n: i64,
    pub place: (u64, u64),
    part: i64,
    /// Control material, which may be kept for longer.
    pub control: bool,
    pub class: &'static str,
    pub day: String,
    pub state: ReportState,
    /// The first of those under its OBR-3, and how many there are.
    pub root: i64,
    pub family: i64,
    /// When it was heard, told or acted upon last.
    pub touched: i64,
    pub unsent: bool,
    /// Messages that wait, were refused, or have still to be put right.
    pub open: i64,
    pub accepted: i64,
    /// Its day was closed after it came.
    pub closed: bool,
    /// Numbers of its analyzer are missing on its day.
    pub missing: i64,
    /// A run of control material of whose level none has passed since: it says how the analyzer stands.
    pub stands: bool,
}

pub(crate) const FRONT: &str = "SELECT r.n, r.place_from, r.place_to, r.part, r.class, r.state, r.day, r.unsent, \
     r.heard_at, r.control_sign, coalesce(r.corrects, r.n) AS root, \
     (SELECT count(*) FROM report g WHERE g.n = coalesce(r.corrects, r.n)) + \
     (SELECT count(*) FROM report g WHERE g.corrects = coalesce(r.corrects, r.n)) AS family, \
     (SELECT count(*) FROM message m WHERE m.report = r.n \
     AND (m.state IN ('waiting', 'refused') OR m.owes = 1)) AS open, \
     (SELECT count(*) FROM message m WHERE m.report = r.n AND m.state = 'accepted') AS accepted, \
     coalesce((SELECT max(m.made_at) FROM message m WHERE m.report = r.n), 0) AS made, \
     coalesce((SELECT max(m.settled_at) FROM message m WHERE m.report = r.n), 0) AS settled, \
     coalesce((SELECT max(t.at) FROM trail t WHERE t.object = 'report ' || CAST(r.n AS TEXT)), 0) AS acted, \
     (SELECT count(*) FROM closing c WHERE c.day = r.day AND c.reports >= r.n) AS closed, \
     (SELECT count(*) FROM absent a WHERE a.day = r.day AND a.analyzer = r.analyzer \
     AND a.state = 'missing') AS missing, \
     (SELECT count(*) FROM control_run c WHERE c.report = r.n AND c.level IS NOT NULL AND NOT EXISTS \
     (SELECT 1 FROM control_run p WHERE p.analyzer = c.analyzer AND p.level = c.level \
     AND p.strip = c.strip AND p.verdict = 'passed' AND p.at > c.at)) AS stands \
     FROM report r WHERE r.tape = $1 AND r.analyzer = $2 \
     AND (r.place_from > $3 OR (r.place_from = $3 AND r.part > $4)) \
     ORDER BY r.place_from, r.part LIMIT 500";

/// The next reports of a line behind one, or its first.
pub async fn front(
    write: &mut Write,
    tape: &str,
    line: &str,
    behind: Option<&Front>,
) -> Result<Vec<Front>, StoreError> {
    let from = behind.map_or(-1, |b| i64::try_from(b.place.0).unwrap_or(i64::MAX));
    let part = behind.map_or(0, |b| b.part);
    let query =
        sqlx::query(FRONT).bind(tape.to_owned()).bind(line.to_owned()).bind(from).bind(part);
    let rows = sqlx::Executor::fetch_all(write.conn(), query).await;
    rows.map_err(|e| write.wrong(&e))?.iter().map(read).collect()
}

/// The tapes and lines that were read into this ledger.
pub async fn lines(write: &mut Write) -> Result<Vec<(String, String, i64)>, StoreError> {
    let sql = "SELECT tape, analyzer, entry FROM position ORDER BY tape, analyzer";
    let rows = sqlx::Executor::fetch_all(write.conn(), sql).await.map_err(|e| write.wrong(&e))?;
    let one = |row: &AnyRow| Ok((row.try_get(0)?, row.try_get(1)?, row.try_get(2)?));
    rows.iter().map(one).collect::<Result<_, sqlx::Error>>().map_err(|e| write.wrong(&e))
}

/// Whether a day was ever closed here.
pub async fn closes_days(write: &mut Write) -> Result<bool, StoreError> {
    let row = sqlx::Executor::fetch_optional(write.conn(), "SELECT day FROM closing LIMIT 1").await;
    Ok(row.map_err(|e| write.wrong(&e))?.is_some())
}

fn read(row: &AnyRow) -> Result<Front, StoreError> {
    let wrong = |e: sqlx::Error| StoreError::from_sql("a report", &e);
    let whole = |column: &'static str| row.try_get::<i64, _>(column).map_err(wrong);
    let text = |column: &'static str| row.try_get::<String, _>(column).map_err(wrong);
    let n = whole("n")?;
    let place = at("report", n);
    let offset = |column| u64::try_from(whole(column)?).map_err(|e| place.wrong(column, e));
    let class = place.word("class", &text("class")?, class_of)?.code();
    Ok(Front {
        n,
        place: (offset("place_from")?, offset("place_to")?),
        part: whole("part")?,
        control: class == "control" || whole("control_sign")? != 0,
        class,
        day: text("day")?,
        state: place.word("state", &text("state")?, ReportState::of)?,
        root: whole("root")?,
        family: whole("family")?,
        touched: [whole("heard_at")?, whole("made")?, whole("settled")?, whole("acted")?]
            .into_iter()
            .max()
            .unwrap_or(i64::MAX),
        unsent: whole("unsent")? != 0,
        open: whole("open")?,
        accepted: whole("accepted")?,
        closed: whole("closed")? > 0,
        missing: whole("missing")?,
        stands: whole("stands")? > 0,
    })
}
