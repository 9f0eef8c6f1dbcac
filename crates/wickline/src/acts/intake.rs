//! From reports to rows: what the laboratory's rules make of them, in one transaction with their
//! place on the tape.

use wickline_normalize::judge::{Judged, Way};
use wickline_normalize::{Class, Hold, Reason, Report, Role};

use super::compose::{self, Subject};
use super::door::{self, Asked, Facts, Pass, Then};
use super::facts::whole;
use super::instruments::{Entered, instruments};
use super::judging::{Decided, Judging, stripped};
use super::meeting::{self, Met, Strip};
pub use super::numbers::Gap;
use super::second_result;
use super::telling::{Saying, Word};
use crate::clock::{self, moment_rfc3339};
use crate::settings::bench::{Analyzer, Bench, Second, Target};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::era::Era;
use crate::store::ledger::{Ledger, take};
use crate::store::rows::message::{self, Made};
use crate::store::rows::order::{self, Link};
use crate::store::rows::position::{Span, read_on};
pub(crate) use crate::store::rows::report_entry::Columns;
use crate::store::rows::report_entry::{self, Entry};
use crate::store::rows::{control_run, hold, kept, key_text, report, storable};
use crate::store::state::ReportState;

/// What is said of a report that this ledger does not know and the tape says was read.
pub(crate) const PERHAPS_SENT: &str = "read before in a history that this ledger does not have, and perhaps \
     sent: look whether the receiver has it, then set it aside, or release it where it never came";

/// A report as the dialect read it, with its place among the reports of its transmission.
#[derive(Clone, Debug)]
pub struct HeardReport {
    pub report: Report,
    pub part: usize,
    pub heard_at: i64,
    /// The line was not heard at some time since the report before it.
    pub unheard: bool,
}

/// What was taken in, for those who watch.
#[derive(Clone, Debug, Default)]
pub struct Taken {
    pub reports: Vec<TakenReport>,
    pub messages: usize,
    pub missing: Vec<Gap>,
    /// Control material was among them, or what it may let go.
    pub controls: bool,
}

/// One report as it was taken in.
#[derive(Clone, Debug)]
pub struct TakenReport {
    pub id: i64,
    pub number: Option<String>,
    pub class: &'static str,
    pub state: ReportState,
    pub reason: Option<Reason>,
}

/// What a report's judgment makes of its row.
pub(crate) fn row_of(
    analyzer: &Analyzer,
    print: &Report,
    decided: &Decided,
) -> Result<Columns, StoreError> {
    let judged = &decided.judged;
    let repeat_of = match judged.way {
        Way::Repeat { of } => Some(of),
        Way::Filed | Way::Held | Way::Ready => None,
    };
    Ok(Columns {
        state: state_of(judged),
        class: judged.class,
        level: judged.level.as_deref().map(storable),
        specimen: print.specimen.as_ref().map(|s| stripped(s.expose(), analyzer)),
        number: print.number.as_deref().map(key_text),
        identity: storable(&judged.identity),
        strip: judged.strip.clone(),
        print: kept("print", print)?,
        readings: judged.readings.clone(),
        // A time that is not believed stands as it was printed.
        taken_at: decided.taken.or(print.taken).map(|t| moment_rfc3339(&t)),
        repeat_of,
        remarks: judged.remarks.clone(),
        clock: decided.clock,
        instrument: decided.instrument,
    })
}

fn state_of(judged: &Judged) -> ReportState {
    match judged.way {
        Way::Filed => ReportState::Filed,
        Way::Repeat { .. } => ReportState::Repeat,
        Way::Held => ReportState::Held,
        Way::Ready => ReportState::Waiting,
    }
}

/// One judged report on its way into rows, with what the door says of it.
struct Fresh<'a> {
    n: i64,
    /// OBR-3, made once: it stands in the row and in the messages.
    filler: String,
    heard: &'a HeardReport,
    decided: Decided,
    pass: Pass,
    /// The orders that it answers.
    orders: Vec<Link>,
    /// Under a number of theirs something was told before, and taken back.
    follows: bool,
    /// Read before, in a history that this ledger does not have: it was perhaps sent.
    doubted: bool,
}

impl Ledger {
    /// Takes in what one analyzer's tape gave, and notes how far the tape was read. Doing it again
    /// changes nothing: a report's place on its tape is its key.
    pub async fn intake(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
        tape: &str,
        heard: &[HeardReport],
        span: Span,
    ) -> Result<Taken, StoreError> {
        let begun = std::time::Instant::now();
        let mut write = self.db.write().await?;
        let doubt_to = read_on(&mut write, tape, &analyzer.id, span).await?;
        let mut taken = Taken::default();
        if let Some(first) = heard.iter().map(|h| h.report.place.from).min() {
            let known = report_entry::places(&mut write, tape, &analyzer.id, first).await?;
            let new = |h: &&HeardReport| !known.contains(&(h.report.place.from, h.part));
            let fresh: Vec<&HeardReport> = heard.iter().filter(new).collect();
            if !fresh.is_empty() {
                taken =
                    self.take_fresh(&mut write, bench, analyzer, tape, &fresh, doubt_to).await?;
            }
        }
        write.commit().await?;
        metrics::histogram!("wickline_ledger_commit_seconds").record(begun.elapsed());
        Ok(taken)
    }

    async fn take_fresh(
        &self,
        write: &mut Write,
        bench: &Bench,
        analyzer: &Analyzer,
        tape: &str,
        heard: &[&HeardReport],
        doubt_to: u64,
    ) -> Result<Taken, StoreError> {
        let instruments = instruments(write.conn(), analyzer).await?;
        let of = |heard: &HeardReport| instruments.of(analyzer, &heard.report, heard.heard_at);
        let mut taken = Taken::default();
        // Each judged among its own.
        for own in heard.chunk_by(|a, b| of(a) == of(b)) {
            let one = own.first().and_then(|heard| of(heard));
            let more = self.take_of_one(write, bench, analyzer, tape, (own, one), doubt_to).await?;
            taken.reports.extend(more.reports);
            taken.messages += more.messages;
            taken.missing.extend(more.missing);
            taken.controls |= more.controls;
        }
        Ok(taken)
    }

    async fn take_of_one(
        &self,
        write: &mut Write,
        bench: &Bench,
        analyzer: &Analyzer,
        tape: &str,
        (heard, instrument): (&[&HeardReport], Option<&Entered>),
        doubt_to: u64,
    ) -> Result<Taken, StoreError> {
        let era = Era::draw()?;
        if bench.has_orders() {
            order::alone(write).await?;
        }
        let first = take(write, "report", heard.len()).await?;
        let mut judging = Judging::begin(write, bench, analyzer, instrument, heard, first).await?;
        let mut rows = Vec::with_capacity(heard.len());
        // Whose results came before in this batch, and when: its rows are not there yet.
        let mut named = Vec::new();
        let mut taken = Taken::default();
        for heard in heard {
            let n = judging.next;
            let mut decided = judging.judge(heard);
            let doubted = heard.report.place.to <= doubt_to;
            if doubted {
                doubt(&mut decided.judged);
            }
            let met = met(write, bench, analyzer, heard, &mut decided).await?;
            if decided.judged.way == Way::Ready
                && let Some(hold) = unsendable(bench, analyzer, heard, &decided, &met)
            {
                decided.judged.holds.push(hold);
                decided.judged.way = Way::Held;
            }
            if decided.judged.way == Way::Ready
                && let Some(hold) =
                    second_result::hold_fresh(write, bench, &decided, n, &named).await?
            {
                decided.judged.holds.push(hold);
                decided.judged.way = Way::Held;
            }
            if let Some(id) =
                decided.judged.specimen.as_ref().filter(|_| bench.second == Second::Hold)
            {
                named.push((id.expose().to_owned(), decided.day.clone(), n));
            }
            taken.controls |= decided.run.is_some() || decided.overtaken;
            taken.reports.push(TakenReport {
                id: n,
                number: heard.report.number.clone(),
                class: decided.judged.class.code(),
                state: state_of(&decided.judged),
                reason: decided.judged.holds.first().map(|h| h.reason),
            });
            let pass = pass_of(n, analyzer, &decided.judged, &met)?;
            let filler = era.filler(n);
            let follows = met.follows();
            let orders = match (decided.judged.way, met) {
                (Way::Ready, Met::Goes(shares)) => {
                    let specimen = decided.judged.specimen.as_ref().map_or("", |s| s.expose());
                    meeting::bind(write, bench, (n, &filler, specimen), shares).await?
                }
                _ => Vec::new(),
            };
            rows.push(Fresh { n, filler, heard, decided, pass, orders, follows, doubted });
        }
        self.enter(write, tape, analyzer, bench, &rows).await?;
        let messages = self.build(write, bench, analyzer, &era, &rows).await?;
        taken.messages = messages.len();
        message::insert(write, &messages).await?;
        for fresh in rows.iter().filter(|f| f.pass.tells_results() && f.follows && !f.doubted) {
            let row = whole(write, fresh.n).await?;
            let word = Word::by(&fresh.pass, &row, Saying::Results, None)?;
            taken.messages += self.tell(write, bench, &word).await?.len();
        }
        let arrow = ReportState::Held.to(ReportState::Repeat)?;
        for (old, new) in &judging.superseded {
            report::supersede(write, *old, *new, arrow).await?;
        }
        taken.missing = judging.keep(write).await?;
        Ok(taken)
    }

    async fn enter(
        &self,
        write: &mut Write,
        tape: &str,
        analyzer: &Analyzer,
        bench: &Bench,
        rows: &[Fresh<'_>],
    ) -> Result<(), StoreError> {
        let nobody = bench.targets_of(&analyzer.id, Role::Patient).next().is_none();
        let mut entries = Vec::with_capacity(rows.len());
        for fresh in rows {
            let (print, decided) = (&fresh.heard.report, &fresh.decided);
            let columns = row_of(analyzer, print, decided)?;
            entries.push(Entry {
                n: fresh.n,
                place_from: print.place.from,
                place_to: print.place.to,
                part: fresh.heard.part,
                heard_at: fresh.heard.heard_at,
                day: &decided.day,
                sequence: decided.judged.sequence.as_deref(),
                control_sign: decided.judged.control_sign,
                filler: fresh.filler.clone(),
                unsent: nobody && columns.state == ReportState::Waiting,
                columns,
            });
        }
        report_entry::insert(write, tape, &analyzer.id, &entries).await?;
        let holds: Vec<(i64, i64, &Vec<Hold>)> =
            rows.iter().map(|f| (f.n, 0, &f.decided.judged.holds)).collect();
        hold::insert(write, &holds).await?;
        let mut runs = Vec::new();
        for fresh in rows {
            let Decided { day, at, judged, run, .. } = &fresh.decided;
            let strip = &judged.strip;
            runs.extend(run.as_ref().map(|r| r.row(fresh.n, &analyzer.id, day, *at, strip)));
        }
        control_run::insert(write, &runs).await
    }

    async fn build(
        &self,
        write: &mut Write,
        bench: &Bench,
        analyzer: &Analyzer,
        era: &Era,
        rows: &[Fresh<'_>],
    ) -> Result<Vec<Made>, StoreError> {
        let mut pairs: Vec<(&Fresh<'_>, &Target)> = Vec::new();
        // What is filed goes to those who ask for control material, and to nobody else; what was perhaps
        // sent there before is filed alone.
        for fresh in rows.iter().filter(|f| f.pass.tells_results() && !f.follows && !f.doubted) {
            let role = fresh.decided.judged.role();
            pairs.extend(bench.targets_of(&analyzer.id, role).map(|t| (fresh, t.as_ref())));
        }
        let mut messages = Vec::with_capacity(pairs.len());
        if pairs.is_empty() {
            return Ok(messages);
        }
        let first = take(write, "message", pairs.len()).await?;
        let made_at = clock::now_us();
        for (n, (fresh, target)) in (first..).zip(pairs) {
            let subject =
                subject(analyzer, fresh.heard, &fresh.decided, &fresh.filler, &fresh.orders);
            let control_id = era.control_id(n);
            let body = match compose::message(bench, target, &control_id, made_at, &subject) {
                Ok(body) => body,
                // It is filed all the same: nobody waits for it.
                Err(hold) if subject.control.is_some() => {
                    tracing::warn!(report = fresh.n, receiver = %target.id, reason = hold.reason.code(),
                        "this control cannot be sent");
                    continue;
                }
                Err(hold) => {
                    let what = format!("report {}", fresh.n);
                    return Err(StoreError::Wrong { what, why: hold.detail });
                }
            };
            let (receiver, report) = (target.id.clone(), fresh.n);
            let urgent = fresh.decided.judged.class == Class::Stat
                || fresh.orders.iter().any(Link::is_urgent);
            messages.push(Made { n, control_id, receiver, report, body, made_at, urgent });
        }
        Ok(messages)
    }
}

/// Why a report that is ready cannot be put into a message after all.
fn unsendable(
    bench: &Bench,
    analyzer: &Analyzer,
    heard: &HeardReport,
    decided: &Decided,
    met: &Met,
) -> Option<Hold> {
    let era = Era::measure();
    let (filler, id) = (era.filler(i64::MAX), era.control_id(i64::MAX));
    let orders = met.measured(&era);
    let subject = subject(analyzer, heard, decided, &filler, &orders);
    let now = clock::now_us();
    let mut targets = bench.targets_of(&analyzer.id, Role::Patient);
    targets.find_map(|target| compose::message(bench, target, &id, now, &subject).err())
}

/// Meets a patient's print with the orders of its specimen, whatever else holds it.
async fn met(
    write: &mut Write,
    bench: &Bench,
    analyzer: &Analyzer,
    heard: &HeardReport,
    decided: &mut Decided,
) -> Result<Met, StoreError> {
    let judged = &decided.judged;
    if !matches!(judged.way, Way::Ready | Way::Held) {
        return Ok(Met::Nothing);
    }
    let strip = Strip {
        of: (&analyzer.id, &judged.strip),
        specimen: judged.specimen.as_ref().map(|s| s.expose()),
        print: &heard.report,
        readings: &judged.readings,
        taken: decided.at,
        control: judged.control_sign || judged.class == Class::Control,
    };
    let met = meeting::meet(write, bench, &strip).await?;
    if let Some(hold) = met.hold() {
        decided.judged.holds.push(hold.clone());
        decided.judged.way = Way::Held;
    }
    Ok(met)
}

/// Holds a patient's report that was perhaps sent before: whether the receiver has it, a person finds out.
fn doubt(judged: &mut Judged) {
    if judged.control_sign || !matches!(judged.way, Way::Ready | Way::Held) {
        return;
    }
    judged.holds.push(Hold::new(Reason::AfterRestore, PERHAPS_SENT));
    judged.way = Way::Held;
}

/// What the door says of a print that was just judged. It agrees with the judgment, or nothing is taken in.
fn pass_of(n: i64, analyzer: &Analyzer, judged: &Judged, met: &Met) -> Result<Pass, StoreError> {
    let reasons: Vec<Reason> = judged.holds.iter().map(|h| h.reason).collect();
    let specimen = judged.specimen.as_ref().map(|s| s.expose());
    let facts = Facts {
        control: judged.control_sign || judged.class == Class::Control,
        repeats: matches!(judged.way, Way::Repeat { .. }),
        bears: specimen,
        specimen,
        holds: &reasons,
        waits: met.hold().map(|hold| hold.reason),
        ..Facts::of(n, &analyzer.id)
    };
    let pass = door::pass(Asked::TakeIn, &facts)?;
    let agreed = match judged.way {
        Way::Filed => Then::Filed,
        Way::Repeat { .. } => Then::Repeat,
        Way::Held => Then::Held,
        Way::Ready => Then::Goes,
    };
    if pass.then() == agreed {
        return Ok(pass);
    }
    let why = format!("the rules say {agreed:?}, the door says {:?}", pass.then());
    Err(StoreError::Wrong { what: format!("report {n}"), why })
}

fn subject<'a>(
    analyzer: &'a Analyzer,
    heard: &'a HeardReport,
    decided: &'a Decided,
    filler: &'a str,
    orders: &'a [Link],
) -> Subject<'a> {
    let judged = &decided.judged;
    Subject {
        analyzer: &analyzer.id,
        serial: decided.serial.as_deref(),
        filler,
        specimen: judged.specimen.as_ref().map_or("", |s| s.expose()),
        stat: judged.class == Class::Stat,
        print: &heard.report,
        readings: &judged.readings,
        strip: &judged.strip,
        heard_at: heard.heard_at,
        taken: decided.taken,
        clock_believed: decided.clock.is_none(),
        remarks: &judged.remarks,
        control: judged
            .control_sign
            .then(|| Subject::material(judged.level.as_deref(), &heard.report)),
        orders,
    }
}
