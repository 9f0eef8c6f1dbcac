//! What people do to reports and messages: each act a change of state and a trail row together.

use sqlx::any::AnyRow;
use sqlx::{Executor, Row};
use wickline_normalize::readings::Reading;
use wickline_normalize::{Moment, Reason, Remark, Remedy, Report};

use crate::acts::compose::{self, Subject};
use crate::acts::corrections::may_correct;
use crate::acts::telling::Saying;
use crate::clock::{self, moment_of};
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::ledger::control_id;
use crate::store::lists::names::Name;
use crate::store::rows::named::renamed;
use crate::store::state::State;
use crate::store::trail::Act;
use crate::store::trail::Actor;
use crate::store::trail::record;

/// The report as an act needs it.
pub(crate) struct Open {
    pub n: i64,
    pub tape: String,
    pub analyzer: String,
    pub class: String,
    pub level: Option<String>,
    pub state: State,
    pub specimen: Option<String>,
    /// What a person said whose specimen it is: stands above the print.
    pub given: Option<String>,
    pub control_sign: bool,
    pub print: Report,
    pub readings: String,
    pub strip: String,
    pub filler: String,
    pub heard_at: i64,
    pub sequence: Option<String>,
    pub remarks: Vec<Remark>,
    /// With the offset that it was believed at. None: ours stands.
    pub taken: Option<Moment>,
    /// False: nor are the analyzer's other times believed.
    pub clock_believed: bool,
    /// The report whose OBR-3 a correction goes under.
    pub corrects: Option<i64>,
    pub note: Option<String>,
    pub holds: Vec<(i64, Reason, String)>,
}

impl Open {
    /// Any sign of control material: bars the way to a patient's chart for ever.
    pub fn is_control(&self) -> bool {
        self.control_sign || self.class == "control"
    }

    /// The first of the reports that go under one OBR-3.
    pub fn root(&self) -> i64 {
        self.corrects.unwrap_or(self.n)
    }

    pub fn readings(&self) -> Result<Vec<Reading>, StoreError> {
        serde_json::from_str(&self.readings)
            .map_err(|e| no(format!("report {}: its readings cannot be read: {e}", self.n)))
    }

    pub fn subject<'a>(&'a self, specimen: &'a str, readings: &'a Vec<Reading>) -> Subject<'a> {
        Subject {
            analyzer: &self.analyzer,
            filler: &self.filler,
            specimen,
            stat: self.class == "stat",
            print: &self.print,
            readings,
            strip: &self.strip,
            heard_at: self.heard_at,
            taken: self.taken,
            clock_believed: self.clock_believed,
            remarks: &self.remarks,
            control: self
                .is_control()
                .then(|| Subject::material(self.level.as_deref(), &self.print)),
        }
    }
}

/// What an act made of reports: ids and new states.
pub type Became = Vec<(i64, String)>;

pub(crate) fn no(why: impl Into<String>) -> StoreError {
    StoreError::Refused { why: why.into() }
}

impl Ledger {
    /// Keeps waiting messages back; the rest passes.
    pub async fn message_hold(
        &self,
        actor: &Actor,
        ids: &[i64],
        reason: &str,
    ) -> Result<(), StoreError> {
        let sql = "UPDATE message SET put_by = 1 WHERE n = $1 AND state = 'waiting' AND put_by = 0";
        self.message_act(actor, ids, sql, "hold", "waiting and not kept back already", reason).await
    }

    /// Decides that messages are not to be sent.
    pub async fn message_set_aside(
        &self,
        actor: &Actor,
        ids: &[i64],
        reason: &str,
    ) -> Result<(), StoreError> {
        let sql = "UPDATE message SET state = 'set-aside', detail = NULL, put_by = 0 \
             WHERE n = $1 AND state IN ('waiting', 'refused')";
        self.message_act(actor, ids, sql, "set-aside", "waiting or refused", reason).await
    }

    /// All of them or none.
    async fn message_act(
        &self,
        actor: &Actor,
        ids: &[i64],
        sql: &'static str,
        verb: &'static str,
        must_be: &str,
        reason: &str,
    ) -> Result<(), StoreError> {
        let mut write = self.act().await?;
        for n in ids {
            let name = named(&mut write, *n).await?;
            let done = write.conn().execute(sqlx::query(sql).bind(*n)).await;
            if done.map_err(|e| write.wrong(&e))?.rows_affected() != 1 {
                return Err(no(format!(
                    "{name} is not {must_be}; `wickline queue show {name}` tells. Nothing was changed"
                )));
            }
            let reason = Some(reason.to_owned());
            let act = Act { verb, object: name.object(), reason, ..Act::default() };
            record(&mut write, actor, act).await?;
        }
        write.commit().await
    }

    /// Sends a held report as it is, where every reason it is held for allows that.
    pub async fn report_release(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        reason: &str,
    ) -> Result<Became, StoreError> {
        let mut write = self.act().await?;
        let mut open = opened(&mut write, n, State::Held).await?;
        if let Some((_, other, _)) =
            open.holds.iter().find(|(_, r, _)| r.remedy() != Remedy::Release)
        {
            return Err(no(format!(
                "report {n} is held for `{}`, which a release does not lift: {}",
                other.code(),
                remedy(*other)
            )));
        }
        if open.holds.iter().any(|(_, r, _)| *r == Reason::ClockOff) {
            // Released for its clock: the analyzer's times are left out, the daemon's stand.
            (open.taken, open.clock_believed) = (None, false);
            let query =
                sqlx::query("UPDATE report SET clock = 'released' WHERE n = $1 AND clock IS NULL")
                    .bind(n);
            write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
        }
        self.let_go(write, bench, actor, open, "release", Some(reason)).await
    }

    /// Says whose specimen a held report is, and how that was entered.
    pub async fn report_identify(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        specimen: &str,
        how: &str,
    ) -> Result<Became, StoreError> {
        let mut write = self.act().await?;
        let mut open = opened(&mut write, n, State::Held).await?;
        if !open.holds.iter().any(|(_, r, _)| r.remedy() == Remedy::Identify) {
            return Err(no(format!("report {n} is not held for its specimen id")));
        }
        bench.check_specimen(&open.analyzer, specimen, open.print.number.as_deref()).map_err(no)?;
        open.specimen = Some(specimen.to_owned());
        renamed(&mut write, n, Some(specimen), "identify").await?;
        let update = sqlx::query(
            "UPDATE report SET specimen = $1, given = $1 WHERE n = $2 AND state = 'held'",
        )
        .bind(specimen.to_owned())
        .bind(n);
        one_row(&mut write, n, update).await?;
        let (lifted, rest): (Vec<_>, Vec<_>) =
            open.holds.into_iter().partition(|(_, r, _)| r.remedy() == Remedy::Identify);
        for (ix, _, _) in &lifted {
            clear(&mut write, n, Some(*ix)).await?;
        }
        open.holds = rest;
        if open.holds.is_empty() {
            return self.let_go(write, bench, actor, open, "identify", Some(how)).await;
        }
        let (object, reason) = (format!("report {n}"), Some(how.to_owned()));
        record(&mut write, actor, Act { verb: "identify", object, reason, ..Act::default() })
            .await?;
        write.commit().await?;
        Ok(vec![(n, "held".into())])
    }

    /// Says that a held report without a usable specimen id is control material.
    pub async fn report_is_control(
        &self,
        bench: &Bench,
        actor: &Actor,
        n: i64,
        level: &str,
    ) -> Result<Became, StoreError> {
        let mut write = self.act().await?;
        let open = opened(&mut write, n, State::Held).await?;
        let Some(analyzer) = bench.analyzer(&open.analyzer) else {
            return Err(no(format!("analyzer {} is not configured here", open.analyzer)));
        };
        analyzer.check_level(level).map_err(no)?;
        if let Some((_, other, _)) = open.holds.iter().find(|(_, r, _)| !of_no_control(*r)) {
            return Err(no(format!("report {n} is also held for `{}`", other.code())));
        }
        if !open.holds.iter().any(|(_, r, _)| r.remedy() == Remedy::Identify) {
            return Err(no(format!("report {n} is not held for its specimen id")));
        }
        clear(&mut write, n, None).await?;
        let update = sqlx::query(
            "UPDATE report SET class = 'control', level = $1, control_sign = 1, state = 'filed' \
             WHERE n = $2 AND state = 'held'",
        )
        .bind(level.to_owned())
        .bind(n);
        one_row(&mut write, n, update).await?;
        crate::acts::controls::identified(&mut write, bench, analyzer, &open, level).await?;
        let filed = Open { control_sign: true, level: Some(level.to_owned()), ..open };
        self.messages(&mut write, bench, &filed).await?;
        let act = Act {
            verb: "identify",
            object: format!("report {n}"),
            was: Some(format!("held, {}", filed.class)),
            became: Some("filed, control".into()),
            ..Act::default()
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        self.release_now(bench, analyzer).await;
        Ok(vec![(n, "filed".into())])
    }

    /// Decides that a held report is not to be sent.
    pub async fn report_set_aside(
        &self,
        actor: &Actor,
        n: i64,
        reason: &str,
    ) -> Result<Became, StoreError> {
        let mut write = self.act().await?;
        opened(&mut write, n, State::Held).await?;
        moved(&mut write, n, State::Held, State::SetAside, Some(reason)).await?;
        let act = Act {
            verb: "set-aside",
            object: format!("report {n}"),
            reason: Some(reason.to_owned()),
            was: Some("held".into()),
            became: Some("set-aside".into()),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(vec![(n, "set-aside".into())])
    }

    /// Builds the messages of reports that were ready when no receiver took them, some at a time. How
    /// many reports.
    pub async fn reports_undelivered(&self, bench: &Bench) -> Result<usize, StoreError> {
        let (mut built, mut after) = (0, 0);
        loop {
            let group = self.within(self.undelivered(bench, after)).await?;
            let Some((last, count)) = group else { return Ok(built) };
            (after, built) = (last, built + count);
        }
    }

    /// The next few after report `after`: the last one looked at, and how many got messages.
    async fn undelivered(
        &self,
        bench: &Bench,
        after: i64,
    ) -> Result<Option<(i64, usize)>, StoreError> {
        let mut write = self.act().await?;
        let query = sqlx::query(
            "SELECT n, analyzer FROM report WHERE unsent = 1 AND state = 'waiting' AND n > $1 \
             ORDER BY n LIMIT 100",
        )
        .bind(after);
        let rows = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
        let (mut last, mut built) = (None, 0);
        for row in rows {
            let n: i64 = row.try_get("n").map_err(|e| write.wrong(&e))?;
            let analyzer: String = row.try_get("analyzer").map_err(|e| write.wrong(&e))?;
            last = Some(n);
            // Another bench's reports are its own daemon's to send.
            let ours = bench.analyzer(&analyzer).is_some();
            if !ours || bench.targets_of(&analyzer, false).next().is_none() {
                continue;
            }
            let open = opened(&mut write, n, State::Waiting).await?;
            match self.messages(&mut write, bench, &open).await {
                // One that cannot be built any more must not keep the others, or the lines, waiting.
                Err(StoreError::Refused { why }) => {
                    tracing::warn!(
                        report = n,
                        why,
                        "no message can be built: it stays without one"
                    );
                    continue;
                }
                other => other?,
            }
            let object = format!("report {n}");
            let act = Act { verb: "deliver", object, ..Act::default() };
            record(&mut write, &Actor::daemon(), act).await?;
            built += 1;
        }
        write.commit().await?;
        Ok(last.map(|last| (last, built)))
    }

    /// Clears what is open, builds the messages and lets the report wait for its receivers.
    async fn let_go(
        &self,
        mut write: Write,
        bench: &Bench,
        actor: &Actor,
        open: Open,
        verb: &'static str,
        reason: Option<&str>,
    ) -> Result<Became, StoreError> {
        let_go_in(self, &mut write, bench, &open).await?;
        let act = Act {
            verb,
            object: format!("report {}", open.n),
            reason: reason.map(str::to_owned),
            was: Some("held".into()),
            became: Some("waiting".into()),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(vec![(open.n, "waiting".into())])
    }

    /// Whether a message can be built for every receiver, before anything is changed.
    pub(crate) fn sendable(&self, bench: &Bench, open: &Open) -> Result<(), StoreError> {
        let readings = open.readings()?;
        let specimen = open.specimen.clone().unwrap_or_default();
        let subject = open.subject(&specimen, &readings);
        let id = control_id(&self.epoch, i64::MAX >> 30);
        for target in bench.targets_of(&open.analyzer, open.is_control()) {
            compose::message(bench, target, &id, clock::now_us(), &subject)
                .map_err(|hold| no(format!("report {}: {}", open.n, hold.detail)))?;
        }
        Ok(())
    }

    pub(crate) async fn messages(
        &self,
        write: &mut Write,
        bench: &Bench,
        open: &Open,
    ) -> Result<(), StoreError> {
        let targets: Vec<_> = bench.targets_of(&open.analyzer, open.is_control()).collect();
        if targets.is_empty() && open.is_control() {
            return Ok(());
        }
        if targets.is_empty() {
            return set_unsent(write, open.n, true).await;
        }
        self.tell(write, bench, open, Saying::Results, open.note.as_deref()).await?;
        set_unsent(write, open.n, false).await
    }
}

/// Clears what is open, builds the messages and lets the report wait for its receivers, inside what is
/// being written.
pub(crate) async fn let_go_in(
    ledger: &Ledger,
    write: &mut Write,
    bench: &Bench,
    open: &Open,
) -> Result<(), StoreError> {
    if open.is_control() {
        return Err(no(format!(
            "report {} bears a sign of control material: it never goes to a patient receiver",
            open.n
        )));
    }
    if bench.analyzer(&open.analyzer).is_none() {
        return Err(no(format!(
            "report {}: analyzer {} is not configured here; do this at its own bench",
            open.n, open.analyzer
        )));
    }
    may_correct(write, open).await?;
    clear(write, open.n, None).await?;
    moved(write, open.n, State::Held, State::Waiting, None).await?;
    ledger.messages(write, bench, open).await
}

/// What people call a message.
async fn named(write: &mut Write, n: i64) -> Result<Name, StoreError> {
    let query = sqlx::query("SELECT report, receiver, amends FROM message WHERE n = $1").bind(n);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let Some(row) = row else {
        return Err(no("there is no such message; `wickline queue` lists them"));
    };
    Name::read(&row).map_err(|e| write.wrong(&e))
}

/// Clears one hold of a report.
pub(crate) async fn clear_one(write: &mut Write, report: i64, ix: i64) -> Result<(), StoreError> {
    clear(write, report, Some(ix)).await
}

/// Notes whether a report that is ready has no message because no receiver takes it.
pub(crate) async fn set_unsent(write: &mut Write, n: i64, unsent: bool) -> Result<(), StoreError> {
    let query = sqlx::query("UPDATE report SET unsent = $1 WHERE n = $2 AND unsent <> $1")
        .bind(i64::from(unsent))
        .bind(n);
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

/// True for what holds a patient's report and does not matter on control material.
fn of_no_control(reason: Reason) -> bool {
    let of_patients = reason.is_of_controls() || reason == Reason::ClockOff;
    of_patients || reason.remedy() == Remedy::Identify
}

fn remedy(reason: Reason) -> &'static str {
    match reason.remedy() {
        Remedy::Release => "release it",
        Remedy::Identify => "identify the specimen",
        Remedy::Reread => "mend the dialect, strip or configuration and reread it, or set it aside",
        Remedy::Decide => "decide what it is",
        Remedy::SetAside => "set it aside",
    }
}

/// Runs an UPDATE that must find its row as it was read.
pub(crate) async fn one_row(
    write: &mut Write,
    n: i64,
    update: sqlx::query::Query<'_, sqlx::Any, sqlx::any::AnyArguments>,
) -> Result<(), StoreError> {
    let done = write.conn().execute(update).await.map_err(|e| write.wrong(&e))?;
    if done.rows_affected() == 1 {
        return Ok(());
    }
    Err(no(format!("{n} is not any more as it was a moment ago; nothing was changed, look again")))
}

pub(crate) fn codes(reasons: impl Iterator<Item = Reason>) -> String {
    let codes: Vec<&str> = reasons.map(Reason::code).collect();
    if codes.is_empty() { "no hold".into() } else { codes.join(", ") }
}

async fn clear(write: &mut Write, report: i64, only: Option<i64>) -> Result<(), StoreError> {
    let query = sqlx::query(
        "UPDATE hold SET cleared_at = $1 WHERE report = $2 AND cleared_at IS NULL AND ($3 < 0 OR ix = $3)",
    )
    .bind(clock::now_us())
    .bind(report)
    .bind(only.unwrap_or(-1));
    write.conn().execute(query).await.map(drop).map_err(|e| write.wrong(&e))
}

pub(crate) async fn moved(
    write: &mut Write,
    n: i64,
    from: State,
    to: State,
    note: Option<&str>,
) -> Result<(), StoreError> {
    debug_assert!(from.may_become(to));
    let query = sqlx::query("UPDATE report SET state = $1, note = $2 WHERE n = $3 AND state = $4")
        .bind(to.text())
        .bind(note.map(str::to_owned))
        .bind(n)
        .bind(from.text());
    let done = write.conn().execute(query).await.map_err(|e| write.wrong(&e))?;
    if done.rows_affected() == 1 {
        Ok(())
    } else {
        Err(no(format!("report {n} is not {from} any more")))
    }
}

/// When a report was taken, at the offset that it was believed at. None: that is not believed, or not
/// printed.
pub(crate) fn taken(row: &AnyRow) -> Result<Option<Moment>, sqlx::Error> {
    let doubted: Option<String> = row.try_get("clock")?;
    let taken: Option<String> = row.try_get("taken_at")?;
    Ok(taken.filter(|_| doubted.is_none()).and_then(|text| moment_of(&text)))
}

/// A report in the state it must be in, with what is still open, read inside the write so that nobody else moves it.
pub(crate) async fn opened(write: &mut Write, n: i64, must_be: State) -> Result<Open, StoreError> {
    let open = whole(write, n).await?;
    if open.state == must_be {
        return Ok(open);
    }
    Err(no(format!("report {n} is {}, not {must_be}", open.state)))
}

/// A report whatever its state.
pub(crate) async fn whole(write: &mut Write, n: i64) -> Result<Open, StoreError> {
    let query = sqlx::query(
        "SELECT tape, analyzer, class, level, state, specimen, given, control_sign, print, readings, strip, filler, heard_at, \
         sequence, remarks, clock, taken_at, corrects, note FROM report WHERE n = $1",
    )
    .bind(n);
    let row = write.conn().fetch_optional(query).await.map_err(|e| write.wrong(&e))?;
    let Some(row) = row else {
        return Err(no(format!(
            "there is no report {n}; `wickline held` lists those that are held"
        )));
    };
    let query = sqlx::query(
        "SELECT ix, reason, detail FROM hold WHERE report = $1 AND cleared_at IS NULL ORDER BY ix",
    )
    .bind(n);
    let holds = write.conn().fetch_all(query).await.map_err(|e| write.wrong(&e))?;
    let read = || -> Result<Open, sqlx::Error> {
        let state: String = row.try_get("state")?;
        let print: String = row.try_get("print")?;
        let mut open = Open {
            n,
            tape: row.try_get("tape")?,
            analyzer: row.try_get("analyzer")?,
            class: row.try_get("class")?,
            level: row.try_get("level")?,
            state: State::of(&state),
            specimen: row.try_get("specimen")?,
            given: row.try_get("given")?,
            control_sign: row.try_get::<i64, _>("control_sign")? != 0,
            print: serde_json::from_str(&print).unwrap_or_default(),
            readings: row.try_get("readings")?,
            strip: row.try_get("strip")?,
            filler: row.try_get("filler")?,
            heard_at: row.try_get("heard_at")?,
            sequence: row.try_get("sequence")?,
            remarks: serde_json::from_str(&row.try_get::<String, _>("remarks")?)
                .unwrap_or_default(),
            taken: taken(&row)?,
            clock_believed: row.try_get::<Option<String>, _>("clock")?.is_none(),
            corrects: row.try_get("corrects")?,
            note: row.try_get("note")?,
            holds: Vec::new(),
        };
        for row in &holds {
            let code: String = row.try_get("reason")?;
            let reason = code.parse().unwrap_or(Reason::Unreadable);
            open.holds.push((row.try_get("ix")?, reason, row.try_get("detail")?));
        }
        Ok(open)
    };
    read().map_err(|e| write.wrong(&e))
}
