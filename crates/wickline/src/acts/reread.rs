//! Reading held reports again after a dialect, a strip or a rule was mended.

use wickline_normalize::{Hold, Reason, Report, Way};

use super::bearing;
use super::comparing::{self, Difference, Seen};
use super::door::{self, Asked, Facts, Then, Under};
use super::facts::{Known, analyzer, codes, refused, under, whole};
use super::from_tape;
use super::instruments::instruments;
use super::intake::{Columns, HeardReport, row_of};
use super::judging::{Decided, Judging};
use super::meeting::{self, Strip};
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::control_run;
use crate::store::rows::report::ReportRow;
use crate::store::rows::{hold, report_entry};
use crate::store::state::{Arrow, ReportState};
use crate::store::tape::Tape;
use crate::store::trail::{Act, Actor, record};
use crate::texts::{say, way};

/// What reading again made of one report.
#[derive(Clone, Debug)]
pub struct Reread {
    pub n: i64,
    pub state: ReportState,
    pub differences: Vec<Difference>,
}

impl Ledger {
    /// Reads a held report again from its bytes on the tape and judges it, with today's dialect, strip
    /// and rules.
    pub async fn report_reread(
        &self,
        bench: &Bench,
        tape: &Tape,
        actor: &Actor,
        n: i64,
    ) -> Result<Reread, StoreError> {
        let mut write = self.act().await?;
        let (open, known) = Known::read(&mut write, bench, n).await?;
        // Whether it may be read again at all, before the tape is looked at.
        door::pass(Asked::Reread, &Facts { holds: &[Reason::Unreadable], ..known.facts(&open) })?;
        let (print, decided) = self.read_again(&mut write, bench, tape, &open).await?;
        let act = Act {
            verb: "reread",
            object: format!("report {n}"),
            was: Some(codes(&open)),
            became: Some(door::codes(
                &decided.judged.holds.iter().map(|h| h.reason).collect::<Vec<_>>(),
            )),
            ..Act::default()
        };
        self.rejudge(write, bench, (actor, act), open, &known, print, decided).await
    }

    /// Reads a report again from its bytes on the tape and judges it, as it would be today.
    pub(crate) async fn read_again(
        &self,
        write: &mut Write,
        bench: &Bench,
        tape: &Tape,
        open: &ReportRow,
    ) -> Result<(Report, Decided), StoreError> {
        let n = open.n;
        let analyzer = analyzer(bench, open)?;
        if open.tape != tape.id {
            return Err(refused(say!("no.reread_there", n = n)));
        }
        let place = open.print.place;
        let mut reports = from_tape::read(tape, analyzer, &open.print).await?;
        let (Some(print), true) = (reports.pop(), reports.is_empty()) else {
            return Err(refused(say!("no.dialect_finds", n = n)));
        };
        // Its place is its key: a mended dialect may begin or end it elsewhere.
        let mut print = Report { place, ..print };
        if let Some(given) = &open.given {
            print.identify(given.clone());
        }
        let heard = HeardReport { report: print, part: 0, heard_at: open.heard_at, unheard: false };
        let all = instruments(write.conn(), analyzer).await?;
        let one = all.of(analyzer, &heard.report, heard.heard_at);
        let mut judging = Judging::begin(write, bench, analyzer, one, &[&heard], n).await?;
        // A number that can be read only now was not entered when it came, nor was one of nobody's instrument.
        let same = one.is_none_or(|one| one.n == open.instrument);
        let entered = open.print.number == heard.report.number && same;
        let decided = if entered {
            judging.again(&heard, open.sequence.as_deref())
        } else {
            judging.judge(&heard)
        };
        judging.keep(write).await?;
        Ok((heard.report, decided))
    }

    #[expect(clippy::too_many_arguments, reason = "one step of reread, split off to be readable")]
    async fn rejudge(
        &self,
        mut write: Write,
        bench: &Bench,
        (actor, act): (&Actor, Act),
        mut open: ReportRow,
        known: &Known,
        print: Report,
        decided: Decided,
    ) -> Result<Reread, StoreError> {
        let n = open.n;
        let before = seen_before(&open);
        let analyzer = analyzer(bench, &open)?;
        let row = row_of(analyzer, &print, &decided)?;
        let judged = &decided.judged;
        let sign = open.is_control() || judged.control_sign;
        let mut holds = judged.holds.clone();
        // What a passing run let go, or a person did, is held for the controls no more: a mended reading says nothing
        // of them.
        let cleared = hold::cleared(&mut write, n).await?;
        holds.retain(|held| {
            !(held.reason.is_of_controls()
                && cleared.iter().any(|(reason, _)| *reason == held.reason))
        });
        // What was perhaps sent before is so whatever its bytes say.
        let doubt = open.holds.iter().find(|h| h.reason == Reason::AfterRestore);
        holds.extend(doubt.map(|h| Hold::new(h.reason, h.detail.as_str())));
        if open.is_control() && !judged.control_sign {
            // What a control once was stays barred, whatever a mended dialect says now.
            let why = "it was heard as control material; the mended reading says patient";
            holds.push(Hold::new(Reason::ClassDisagree, why));
        }
        if let (Some(root), Under::Withdrawn) = (open.corrects, under(&mut write, &open).await?) {
            return Err(refused(
                say!("no.root_withdrawn", root = root, n = n).then(": ").then(way!("aside")),
            ));
        }
        if row.specimen != open.specimen {
            bearing::changed(&mut write, &mut open).await?;
        }
        let strip = Strip {
            of: (&open.analyzer, &row.strip),
            specimen: row.specimen.as_deref(),
            print: &print,
            readings: &row.readings,
            taken: decided.at,
            control: sign,
        };
        let released = hold::released(&mut write, n).await?;
        let met = meeting::meet(&mut write, bench, &strip).await?;
        let waits = met.hold().filter(|hold| !released.contains(&hold.reason));
        holds.extend(waits.cloned());
        let reasons: Vec<Reason> = holds.iter().map(|h| h.reason).collect();
        let facts = Facts {
            waits: waits.map(|hold| hold.reason),
            control: sign,
            repeats: matches!(judged.way, Way::Repeat { .. }),
            specimen: row.specimen.as_deref(),
            holds: &reasons,
            ..known.facts(&open)
        };
        let pass = door::pass(Asked::Reread, &facts)?;
        let state = pass.arrow()?.to();
        hold::replace(&mut write, n, &holds).await?;
        let after = seen_after(&row, state, &reasons);
        let update = Update { n, decided: &decided, row, control_sign: sign };
        let row = update.keep(&mut write, pass.arrow()?).await?;
        record(&mut write, actor, act).await?;
        run_anew(&mut write, analyzer, n, &row.strip, &decided).await?;
        if matches!(pass.then(), Then::Goes | Then::Filed) {
            let now = whole(&mut write, n).await?;
            self.send(&mut write, bench, &now, &pass, now.note.as_deref()).await?;
        }
        write.commit().await?;
        if decided.run.is_some() {
            self.release_now(bench, analyzer).await;
        }
        let differences = comparing::differences(&before, &after);
        Ok(Reread { n, state, differences })
    }
}

/// What reading again made of a report, for its row.
pub(crate) struct Update<'a> {
    pub n: i64,
    pub decided: &'a Decided,
    pub row: Columns,
    pub control_sign: bool,
}

impl Update<'_> {
    pub(crate) async fn keep(
        self,
        write: &mut Write,
        arrow: Arrow<ReportState>,
    ) -> Result<Columns, StoreError> {
        let sequence = self.decided.judged.sequence.as_deref();
        let anew = report_entry::Anew {
            columns: &self.row,
            control_sign: self.control_sign,
            sequence,
            day: &self.decided.day,
        };
        report_entry::rewrite(write, self.n, arrow, &anew).await?;
        Ok(self.row)
    }
}

/// What it amounts to now as a run of control material.
async fn run_anew(
    write: &mut Write,
    analyzer: &Analyzer,
    n: i64,
    strip: &str,
    decided: &Decided,
) -> Result<(), StoreError> {
    let Some(run) = &decided.run else { return Ok(()) };
    control_run::insert(write, &[run.row(n, &analyzer.id, &decided.day, decided.at, strip)]).await
}

fn seen_before(open: &ReportRow) -> Seen {
    Seen {
        state: open.state.text().to_owned(),
        reasons: open.reasons().map(|reason| reason.code().to_owned()).collect(),
        class: open.class.code().to_owned(),
        number: open.print.number.clone(),
        specimen: open.specimen.clone(),
        readings: comparing::texts(&open.readings),
    }
}

fn seen_after(row: &Columns, state: ReportState, reasons: &[Reason]) -> Seen {
    Seen {
        state: state.text().to_owned(),
        reasons: reasons.iter().map(|r| r.code().to_owned()).collect(),
        class: row.class.code().to_owned(),
        number: row.number.clone(),
        specimen: row.specimen.clone(),
        readings: comparing::texts(&row.readings),
    }
}
