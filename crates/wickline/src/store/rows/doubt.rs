//! What this ledger itself has of a tape may have gone further in a history that is lost: what is held may
//! have been let go, what waits or was refused may have been sent and accepted.

use sqlx::{Executor, Row};
use wickline_normalize::Reason;

use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;

/// What a person has still to decide of a patient's report, or may decide otherwise, waits for one to find out
/// whether it was sent.
pub(crate) async fn hold_undecided(
    write: &mut Write,
    tape: &str,
    detail: &str,
) -> Result<(), StoreError> {
    let query = sqlx::query(
        "INSERT INTO hold (report, ix, reason, detail) \
         SELECT r.n, coalesce((SELECT max(h.ix) FROM hold h WHERE h.report = r.n), -1) + 1, $1, $2 \
         FROM report r WHERE (r.state = 'held' OR (r.state = 'set-aside' AND r.aside = 'person')) \
         AND r.control_sign = 0 AND r.class <> 'control' AND r.tape = $3 AND NOT EXISTS \
         (SELECT 1 FROM hold h WHERE h.report = r.n AND h.reason = $1 AND h.cleared_at IS NULL)",
    )
    .bind(Reason::AfterRestore.code())
    .bind(detail.to_owned())
    .bind(tape.to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// What of it goes, goes under an OBR-3 that was never used: what may have been told under the one of its row,
/// of another specimen or withdrawn since, is not known here. A correction stays under that of the report
/// that it corrects.
pub(crate) async fn rename_undecided(write: &mut Write, tape: &str) -> Result<(), StoreError> {
    let query = sqlx::query(
        "SELECT r.n FROM report r \
         WHERE (r.state = 'held' OR (r.state = 'set-aside' AND r.aside = 'person')) AND r.tape = $1 \
         AND r.corrects IS NULL AND NOT EXISTS (SELECT 1 FROM report c WHERE c.corrects = r.n) \
         AND NOT EXISTS (SELECT 1 FROM message m WHERE m.report = r.n AND m.filler IS NULL)",
    )
    .bind(tape.to_owned());
    let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let era = Era::draw()?;
    for row in &rows {
        let n: i64 = row.try_get(0).map_err(|e| write.wrong(&e))?;
        let query = sqlx::query("UPDATE report SET filler = $1 WHERE n = $2");
        let query = query.bind(era.filler(n)).bind(n);
        write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    }
    Ok(())
}

/// Messages that the receiver may have accepted since, whatever it said before: 2.
pub(crate) async fn doubt_messages(write: &mut Write, tape: &str) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE message SET maybe_sent = 2 WHERE state <> 'accepted' AND (state IN ('waiting', 'refused') \
         OR (state = 'set-aside' AND aside = 'person')) \
         AND report IN (SELECT n FROM report WHERE tape = $1)",
    )
    .bind(tape.to_owned());
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}
