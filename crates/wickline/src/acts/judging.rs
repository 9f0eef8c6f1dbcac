//! Judging a batch: what the ledger knows of these numbers, specimens, controls and clocks, and what
//! the batch adds to it, report by report.

use std::collections::HashSet;

use wickline_normalize::account::{Account, Came, Spot};
use wickline_normalize::clocks::ByClock;
use wickline_normalize::comments::comments;
use wickline_normalize::controls::{Checked, Ran, Run, standing};
use wickline_normalize::judge::{
    Earlier, Facts, Judged, StripLot, Way, expired, judge, serial_in, strip_of, superseded,
};
use wickline_normalize::number::{self, Number};
use wickline_normalize::words::quote;
use wickline_normalize::{Class, Hold, Moment, Reason, Remark, Report, Role, Standing};

use super::instruments::{Entered, NOBODYS, counted};
use super::intake::HeardReport;
use super::strip_lots::{Lots, lots};
use super::{controls, numbers};
use crate::clock::SiteClock;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::rows::control_run::NewRun;
use crate::store::rows::key_text;
use crate::store::rows::purged::Gone;
use crate::store::rows::report_entry::{self, Alike, EarlierRow};

/// How far apart two samples of an analyzer's clock are, in microseconds: what is read out of a memory
/// in one go must not look like a clock that is off by always the same.
const SAMPLES_APART: i64 = 600_000_000;
/// Samples that are kept, and that it takes to tell a drift.
const SAMPLES: usize = 5;
const SAMPLES_LEAST: usize = 3;

/// A control held for one of these may be no run of its level at all: nothing that it reads counts.
const DOUBTED: &[Reason] =
    &[Reason::ClassDisagree, Reason::TestMessage, Reason::CorrectionHeard, Reason::NotFinal];

/// A memory reaches back no further: days. What is older has a wrong date. Our own choice, no source.
const MEMORY: i64 = 31;

impl HeardReport {
    /// The date that it prints, right or wrong, else the day that it was heard on.
    fn own_day(&self, site: &SiteClock) -> String {
        self.report.taken.map_or_else(|| site.day(self.heard_at), |t| t.day_text())
    }

    /// Days between its date and ours.
    fn days_off(&self, site: &SiteClock) -> i64 {
        let heard = site.moment(self.heard_at).days();
        self.report.taken.map_or(0, |t| (heard - t.days()).abs())
    }
}

/// What was decided of one report.
pub(crate) struct Decided {
    pub judged: Judged,
    /// As printed, else heard.
    own_day: String,
    /// The sheet that it stands on.
    pub day: String,
    /// When it was taken, as far as that is believed, else heard.
    pub at: i64,
    /// As printed, with the offset that it was believed at.
    pub taken: Option<Moment>,
    /// What is wrong with the analyzer's time: then ours stands instead.
    pub clock: Option<&'static str>,
    /// The instrument that it is of, and its serial number where that is known.
    pub instrument: i64,
    pub serial: Option<String>,
    /// What it amounts to as a run of control material.
    pub run: Option<ControlRun>,
    /// Held for controls, and it came late: a run that came before it may let it go.
    pub overtaken: bool,
}

/// One run of control material, for its row.
pub(crate) struct ControlRun {
    pub level: Option<String>,
    pub strip_lot: Option<String>,
    pub run: Run,
}

impl ControlRun {
    /// As it goes into its row.
    pub fn row<'a>(
        &'a self,
        report: i64,
        analyzer: &'a str,
        day: &'a str,
        at: i64,
        strip: &'a str,
    ) -> NewRun<'a> {
        let (level, strip_lot) = (self.level.as_deref(), self.strip_lot.as_deref());
        NewRun { report, analyzer, level, day, at, strip, strip_lot, run: &self.run }
    }
}

/// How a printed time was taken.
struct Timed {
    /// As printed, whatever that is worth: two prints of one run have the same. Else the day heard.
    own_day: String,
    day: String,
    at: i64,
    taken: Option<Moment>,
    clock: Option<&'static str>,
    hold: Option<Hold>,
    remark: Option<Remark>,
}

/// Judging a batch of one instrument.
pub(crate) struct Judging<'a> {
    bench: &'a Bench,
    analyzer: &'a Analyzer,
    /// None: nobody entered the one that these prints name.
    instrument: Option<Entered>,
    earlier: Vec<Earlier>,
    /// And what was purged of them.
    gone: Gone,
    account: Account,
    account_before: Account,
    told: Vec<numbers::ToldNumber>,
    runs: Vec<Ran>,
    lots: Lots,
    samples: Vec<(i64, i64)>,
    samples_before: Vec<(i64, i64)>,
    /// The id of the next report.
    pub next: i64,
    /// Incomplete reports that a later complete one made superfluous: old and new id.
    pub superseded: Vec<(i64, i64)>,
}

impl<'a> Judging<'a> {
    pub async fn begin(
        write: &mut Write,
        bench: &'a Bench,
        analyzer: &'a Analyzer,
        instrument: Option<&Entered>,
        heard: &[&HeardReport],
        next: i64,
    ) -> Result<Self, StoreError> {
        let own = instrument.map_or(NOBODYS, |one| one.n);
        let mut days: HashSet<String> = HashSet::new();
        let mut odd = false;
        for one in heard {
            days.insert(bench.clock.day(one.heard_at));
            days.insert(one.own_day(&bench.clock));
            odd |= one.days_off(&bench.clock) > 1;
        }
        let first = days.iter().min().cloned().unwrap_or_default();
        let account = numbers::account(write, analyzer, counted(own), &first).await?;
        let keys: HashSet<String> = heard.iter().filter_map(|h| key(&h.report, analyzer)).collect();
        let mut judging = Self {
            bench,
            analyzer,
            instrument: instrument.cloned(),
            earlier: Vec::new(),
            gone: Gone::of(write, &analyzer.id, &days).await?,
            account_before: account.clone(),
            account,
            told: Vec::new(),
            runs: Vec::new(),
            lots: Lots::default(),
            samples: report_entry::clock_samples(write, &analyzer.id).await?,
            samples_before: Vec::new(),
            next,
            superseded: Vec::new(),
        };
        judging.samples_before.clone_from(&judging.samples);
        judging.earlier = earlier(write, analyzer, own, &days, odd, &keys, next).await?;
        judging.lots = lots(write.conn(), &analyzer.id).await?;
        if analyzer.rules.controls_policy.is_on() {
            // What an analyzer's memory is read out of was run before what came last.
            let at = |h: &&HeardReport| h.report.taken.and_then(|t| bench.clock.us(t));
            let at = heard.iter().map(|h| at(h).unwrap_or(h.heard_at).min(h.heard_at)).min();
            let runs =
                controls::runs(write.conn(), &bench.clock, analyzer, own, at.unwrap_or(0)).await?;
            judging.runs = runs.into_iter().map(|(_, ran)| ran).collect();
        }
        Ok(judging)
    }

    /// Judges one report against everything before it.
    pub fn judge(&mut self, heard: &HeardReport) -> Decided {
        if heard.unheard {
            self.account.stopped();
        }
        let print = &heard.report;
        // Among whose numbers it counts shows when somebody says which instrument it is.
        let number = print.number.as_deref().filter(|_| self.instrument.is_some());
        let number = number.map(|t| number::split(&key_text(t), &self.analyzer.rules));
        let timed = self.timed(heard, number.as_ref(), true);
        let counted = self.counts_on(heard, number.as_ref(), &timed);
        let came = Came { day: &counted, taken: timed.taken, repeat: false };
        let spot = number.as_ref().and_then(|n| self.account.spot_of(n, came));
        let sequence = spot.as_ref().map(Spot::sequence);
        let decided = self.decide(heard, timed, sequence.as_deref());
        if let Some(number) = &number {
            let repeat = matches!(decided.judged.way, Way::Repeat { .. });
            let came = Came { day: &counted, taken: decided.taken, repeat };
            let (day, judged) = (&decided.day, &decided.judged);
            // An external quality sample runs under a patient's number, and its neighbours are patients'.
            let class = match judged.role() {
                Role::External => {
                    Class::of_number(print.number.as_deref().unwrap_or(""), &self.analyzer.rules)
                }
                Role::Patient | Role::Control => judged.class,
            };
            let told = self.account.next(number, came).into_iter();
            self.told.extend(told.map(|told| numbers::ToldNumber {
                told,
                day: day.clone(),
                class,
            }));
        }
        self.remember(print, &decided);
        decided
    }

    /// Judges a report again whose number was entered when it came first. Where its date is believed only
    /// now, its number counts on that day, unless that would open a gap: nobody knows that it is one.
    pub fn again(&mut self, heard: &HeardReport, sequence: Option<&str>) -> Decided {
        let timed = self.timed(heard, None, false);
        let number = heard.report.number.as_deref();
        let number = number.map(|t| number::split(&key_text(t), &self.analyzer.rules));
        let came = Came { day: &timed.day, taken: timed.taken, repeat: false };
        let counted = sequence.and_then(|s| s.rsplit_once('#')).map_or("", |(day, _)| day);
        let elsewhere = timed.clock.is_none() && !counted.is_empty() && counted != timed.day;
        let Some(number) = number.filter(|n| elsewhere && self.account.fits(n, came)) else {
            return self.decide(heard, timed, sequence);
        };
        let spot = self.account.spot_of(&number, came).map(|spot| spot.sequence());
        let (day, told) = (timed.day.clone(), self.account.next(&number, came));
        let decided = self.decide(heard, timed, spot.as_deref());
        let class = decided.judged.class;
        self.told.extend(told.into_iter().map(|told| numbers::ToldNumber {
            told,
            day: day.clone(),
            class,
        }));
        decided
    }

    /// The day among whose numbers a report counts.
    fn counts_on(&self, heard: &HeardReport, number: Option<&Number>, timed: &Timed) -> String {
        let (Some(number), Some(_)) = (number, timed.clock) else { return timed.day.clone() };
        let ours = self.bench.clock.moment(heard.heard_at);
        let next = heard.report.taken.filter(|t| t.days() == ours.days() + 1);
        let next = next.map(|t| t.day_text());
        self.account.day_of(number, &timed.day, next.as_deref())
    }

    fn decide(&mut self, heard: &HeardReport, timed: Timed, sequence: Option<&str>) -> Decided {
        let print = &heard.report;
        let strip = strip_of(print, &self.analyzer.strips).map_or("", |s| s.id.as_str());
        let lot = self.lots.at(strip, timed.at).cloned();
        let strip_lot = StripLot::of(print, lot.as_ref()).map(str::to_owned);
        let standing = self.standing(strip_lot.as_deref(), timed.at);
        let facts = Facts {
            earlier: &self.earlier,
            heard: self.bench.clock.moment(heard.heard_at),
            day: &timed.own_day,
            sequence,
            controls: standing.as_ref(),
            lot: lot.as_ref(),
        };
        let mut judged = judge(print, &self.analyzer.strips, &self.analyzer.rules, &facts);
        let own = self.own();
        if let Some(of) = self.gone.find(&self.analyzer.id, own, &judged.identity) {
            judged.repeats(print, of);
        }
        if !matches!(judged.way, Way::Repeat { .. }) && self.instrument.is_none() {
            judged.holds.push(nobodys(print, self.analyzer));
            judged.way = Way::Held;
        }
        if judged.class != Class::Control && !matches!(judged.way, Way::Repeat { .. }) {
            if let Some(hold) = &timed.hold {
                judged.holds.push(hold.clone());
                judged.way = Way::Held;
            }
            judged.remarks.extend(timed.remark.clone());
            let strip = strip_of(print, &self.analyzer.strips);
            judged.remarks.extend(strip.map_or_else(Vec::new, |strip| {
                comments(&judged.readings, strip, &self.analyzer.comments)
            }));
        }
        let expired = expired(print, lot.as_ref(), &timed.day);
        let run = self.run(print, &judged, strip_lot, &timed.day, expired);
        let Timed { own_day, day, at, taken, clock, .. } = timed;
        let overtaken = judged.holds.iter().any(|h| h.reason.is_of_controls())
            && self.runs.iter().any(|r| self.bench.clock.us(r.at).is_some_and(|run| run > at));
        let serial = self.instrument.as_ref().map(|one| one.serial.clone());
        let serial = serial.filter(|serial| !serial.is_empty());
        let instrument = own;
        Decided { judged, own_day, day, at, taken, clock, instrument, serial, run, overtaken }
    }

    fn own(&self) -> i64 {
        self.instrument.as_ref().map_or(NOBODYS, |one| one.n)
    }

    fn remember(&mut self, print: &Report, decided: &Decided) {
        let (day, judged, n) = (&decided.own_day, &decided.judged, self.next);
        for old in &self.earlier {
            if superseded(old, judged, print, day) {
                self.superseded.push((old.id, n));
            }
        }
        self.earlier
            .retain(|old| !self.superseded.iter().any(|(id, new)| *id == old.id && *new == n));
        self.earlier.push(Earlier::of(n, day, print, judged));
        if let Some(run) = &decided.run
            && let Some(level) = &run.level
        {
            self.runs.push(Ran {
                level: level.clone(),
                at: self.bench.clock.moment(decided.at),
                verdict: run.run.verdict,
                strip_lot: run.strip_lot.clone(),
            });
        }
        self.next += 1;
    }

    /// Whether the printed time is believed, and on which sheet and when the report stands.
    fn timed(&mut self, heard: &HeardReport, number: Option<&Number>, enter: bool) -> Timed {
        let site = &self.bench.clock;
        let ours = Timed {
            own_day: heard.own_day(site),
            day: site.day(heard.heard_at),
            at: heard.heard_at,
            taken: None,
            clock: None,
            hold: None,
            remark: None,
        };
        let Some(printed) = heard.report.taken else { return ours };
        let day = printed.day_text();
        let came = Came { day: &day, taken: Some(printed), repeat: false };
        let again = heard.report.again && heard.days_off(site) <= MEMORY;
        let late = again || number.is_some_and(|n| self.account.awaits(n, came));
        let by_clock = self.analyzer.by_clock(site, printed, heard.heard_at, self.drift(), late);
        if enter && !late {
            self.sample(printed, heard.heard_at);
        }
        let (found, settled) = by_clock;
        let (hold, remark) = match settled {
            ByClock::AsPrinted { offset } => {
                let offset = printed.time.and(Some(printed.offset.unwrap_or(offset)));
                let taken = Moment { offset, ..printed };
                let at = site.us(taken).unwrap_or(heard.heard_at);
                return Timed { day, at, taken: Some(taken), ..ours };
            }
            ByClock::Held(hold) => (Some(hold), None),
            ByClock::DaemonTime(remark) => (None, Some(remark)),
        };
        Timed { clock: Some(found.code()), hold, remark, ..ours }
    }

    /// The middle one of the last distances between the analyzer's clock and ours.
    fn drift(&self) -> Option<i64> {
        let mut by: Vec<i64> = self.samples.iter().map(|(_, by)| *by).collect();
        by.sort_unstable();
        by.get(by.len() / 2).copied().filter(|_| by.len() >= SAMPLES_LEAST)
    }

    fn sample(&mut self, printed: Moment, heard_at: i64) {
        let apart = |(at, _): &(i64, i64)| (heard_at - at).abs() >= SAMPLES_APART;
        if let Some(us) = self.bench.clock.us(printed).filter(|_| self.samples.iter().all(apart)) {
            self.samples.push((heard_at, (us - heard_at) / 1_000_000));
            let from = self.samples.len().saturating_sub(SAMPLES);
            self.samples.drain(..from);
        }
    }

    /// How the controls stood; None where nothing hangs on it.
    fn standing(&self, lot: Option<&str>, at: i64) -> Option<Standing> {
        let rules = &self.analyzer.controls;
        let now = self.bench.clock.moment(at);
        let on = self.analyzer.rules.controls_policy.is_on();
        on.then(|| standing(rules.plan.levels(), &self.runs, &rules.period, lot, now))
    }

    /// What a report amounts to as a run of control material. One that is held never passes.
    fn run(
        &self,
        print: &Report,
        judged: &Judged,
        strip_lot: Option<String>,
        day: &str,
        expired: Option<Hold>,
    ) -> Option<ControlRun> {
        if judged.class != Class::Control || matches!(judged.way, Way::Repeat { .. }) {
            return None;
        }
        let run = match strip_of(print, &self.analyzer.strips) {
            Some(strip) => controls::assessed(
                self.analyzer,
                strip,
                &judged.readings,
                judged.level.as_deref(),
                print.control_lot.as_deref(),
                strip_lot.as_deref(),
                day,
            ),
            None => Run::default(),
        };
        let has = |reasons: &[Reason]| judged.holds.iter().any(|h| reasons.contains(&h.reason));
        let (doubted, cut_off) = (has(DOUBTED), has(&[Reason::Incomplete]));
        let silent = |c: &Checked| doubted || (cut_off && c.found.is_empty());
        let held = judged.holds.first().map(|h| format!("it is held: {}", h.reason.code()));
        let run = match held.or(expired.map(|h| h.detail)) {
            Some(why) => run.without_pass(why, |c| !silent(c)),
            None => run,
        };
        Some(ControlRun { level: judged.level.clone(), strip_lot, run })
    }

    /// Writes back what the batch changed of numbers and clocks. Returns the gaps that are there now.
    pub async fn keep(&self, write: &mut Write) -> Result<Vec<numbers::Gap>, StoreError> {
        let analyzer = &self.analyzer.id;
        numbers::keep(write, analyzer, &self.account_before, &self.account).await?;
        if self.samples != self.samples_before {
            report_entry::keep_clock_samples(write, analyzer, &self.samples).await?;
        }
        numbers::note(write, analyzer, &self.told).await
    }
}

/// What links reports of one run: the number, else the specimen.
fn key(print: &Report, analyzer: &Analyzer) -> Option<String> {
    let specimen = || print.specimen.as_ref().map(|s| stripped(s.expose(), analyzer));
    print.number.as_deref().map(key_text).or_else(specimen)
}

/// A specimen id as the row has it: without what a rule takes off.
pub(crate) fn stripped(specimen: &str, analyzer: &Analyzer) -> String {
    key_text(analyzer.rules.rubbish.strip(specimen))
}

/// Held as of an instrument that nobody entered: which one it is, is not guessed.
fn nobodys(print: &Report, analyzer: &Analyzer) -> Hold {
    let pattern = analyzer.rules.sender.as_deref().unwrap_or("");
    let serial = serial_in(pattern, print.sender.as_deref().unwrap_or("")).unwrap_or("");
    let id = &analyzer.id;
    let detail = format!(
        "its header names the serial number {}, which is not that of the instrument that stands at {id}: where another \
         one took its place, `wickline analyzer replace {id}`, then `wickline held reread --reason sender-unexpected`",
        quote(serial)
    );
    Hold::new(Reason::SenderUnexpected, detail)
}

async fn earlier(
    write: &mut Write,
    analyzer: &Analyzer,
    instrument: i64,
    days: &HashSet<String>,
    odd: bool,
    keys: &HashSet<String>,
    before: i64,
) -> Result<Vec<Earlier>, StoreError> {
    let daily = analyzer.counting.reset == wickline_normalize::account::Reset::Daily;
    let asked = Alike { analyzer: &analyzer.id, instrument, days, odd, keys, daily, before };
    let rows = report_entry::alike(write, &asked).await?;
    let one = |row: EarlierRow| {
        let print = row.print;
        Earlier {
            id: row.n,
            class: row.class.code().to_owned(),
            number: row.number,
            specimen: print.specimen.as_ref().map(|s| s.expose().to_owned()),
            day: print.taken.map_or(row.day, |t| t.day_text()),
            sequence: row.sequence,
            identity: row.identity,
            complete: !print.doubts.iter().any(|d| d.reason == Reason::Incomplete),
            readings: print.readings,
        }
    };
    Ok(rows.into_iter().map(one).collect())
}
