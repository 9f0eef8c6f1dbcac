//! Every hold that must happen: each reason is provoked once, in the analyzer's own print.
//!
//! What hangs on the time, on controls, on strips entered by a person and on what was heard before is supposed, as
//! `explain` supposes it. What no print of this analyzer can bring about has no case.

use std::collections::BTreeSet;

use wickline_listen::dialect::LinkKind;
use wickline_listen::ear::{Transmission, hear};
use wickline_normalize::clocks::ClockPolicy;
use wickline_normalize::controls::{Policy, State};
use wickline_normalize::judge::SERIAL;
use wickline_normalize::{Earlier, Facts, Hold, Lockout, Moment, Reason, Report, StripLot, judge};

use super::expect::End;
use super::matrix::Usual;
use super::press::{Line, Words};
use super::sheet::{Pad, Rung};
use super::signs::{Class, Sign, filled};
use super::wording::one_unit;
use super::{Row, Trial, Verdict};
use crate::clock;
use crate::settings::bench::Supposed;

/// What no strip, dialect or rule knows.
const STRANGE: &str = "Zzq";
const DAY_US: i64 = 86_400_000_000;

/// What is done to provoke a reason, and the reasons that then held it; None: this print cannot show it.
type Provoked = (Reason, &'static str, Option<BTreeSet<Reason>>);

impl Trial<'_> {
    /// A case for each reason that no case of the matrix is held for; so many cases of this run came `before`.
    pub fn holds(
        &self,
        signs: &[(Class, Sign)],
        rows: &[Row],
        before: usize,
    ) -> Result<Vec<Row>, String> {
        let usual = self.usual_pads()?;
        let whole = Whole { trial: self, usual: &usual, signs };
        let Some(good) = whole.report(&Sign::default(), &whole.lines()) else {
            return Ok(Vec::new());
        };
        let mut all = whole.of_prints();
        all.extend(whole.of_records());
        all.extend(whole.supposed(&good));
        let seen = |reason: Reason| {
            let held =
                |row: &Row| matches!(&row.expected, End::Held(own) if own.contains(reason.code()));
            rows.iter().any(held)
        };
        // One pad in other units is a case of the matrix; that all are is one by itself.
        all.retain(|(reason, ..)| *reason == Reason::UnitUnexpected || !seen(*reason));
        let mut cases: Vec<Row> = Vec::new();
        for (reason, what, found) in all {
            let mut row = self.hold_row(reason, what, found.as_ref());
            row.control_id = format!("PRV{}{:04}", self.series, before + cases.len() + 1);
            cases.push(row);
        }
        Ok(cases)
    }

    fn hold_row(&self, reason: Reason, what: &str, found: Option<&BTreeSet<Reason>>) -> Row {
        let held = |reasons: &BTreeSet<Reason>| {
            End::Held(reasons.iter().map(|reason| reason.code().to_owned()).collect())
        };
        let verdict = match found {
            None => Verdict::NotPrintable,
            Some(found) if found.contains(&reason) => Verdict::AsExpected,
            Some(_) => Verdict::Differs,
        };
        let units = if self.prints_si { "si" } else { "conventional" };
        Row {
            case: format!("{}/hold/{}", self.sheet.id, reason.code()),
            strip: self.sheet.id.clone(),
            pad: String::new(),
            rung: what.to_owned(),
            units: units.to_owned(),
            mark: "-".to_owned(),
            class: Class::Routine.word().to_owned(),
            printed: what.to_owned(),
            expected: held(&BTreeSet::from([reason])),
            sent: found.map(held),
            remark: found.map_or("the print has no room for it", |_| "").to_owned(),
            verdict,
            control_id: String::new(),
            answered: String::new(),
            message: None,
            body: None,
        }
    }
}

/// A whole report of usual pads, to be spoiled in one way or another.
struct Whole<'a> {
    trial: &'a Trial<'a>,
    usual: &'a [Usual<'a>],
    signs: &'a [(Class, Sign)],
}

impl Whole<'_> {
    fn lines(&self) -> Vec<Line> {
        self.usual.iter().filter(|u| !u.pad.optional).flat_map(|u| u.lines.clone()).collect()
    }

    fn report(&self, sign: &Sign, lines: &[Line]) -> Option<Report> {
        let bytes = self.trial.press.print(sign, lines);
        self.trial.reports(&bytes).into_iter().next()
    }

    /// The reasons that hold what is read of these bytes.
    fn heard(&self, bytes: &[u8]) -> BTreeSet<Reason> {
        self.trial.reports(bytes).iter().flat_map(|report| self.reasons(report)).collect()
    }

    fn reasons(&self, report: &Report) -> BTreeSet<Reason> {
        self.at(report, clock::now_us(), Supposed::default())
    }

    fn at(&self, report: &Report, at: i64, supposed: Supposed) -> BTreeSet<Reason> {
        let Trial { bench, analyzer, .. } = self.trial;
        let judged = analyzer.read_supposing(report, &bench.clock, at, supposed).0;
        codes(&judged.holds)
    }

    fn print(&self, sign: &Sign, lines: &[Line]) -> Option<BTreeSet<Reason>> {
        Some(self.heard(&self.trial.press.print(sign, lines)))
    }

    /// With these lines in the place of one pad's.
    fn instead(&self, of: &Usual<'_>, own: &[Line]) -> Option<BTreeSet<Reason>> {
        let required = self.usual.iter().filter(|u| !u.pad.optional);
        let lines = required
            .flat_map(|u| if u.pad.id == of.pad.id { own.to_vec() } else { u.lines.clone() });
        self.print(&Sign::default(), &lines.collect::<Vec<_>>())
    }

    /// What a print can show by itself.
    fn of_prints(&self) -> Vec<Provoked> {
        let lines = self.lines();
        let more = |more: Vec<Line>| self.print(&Sign::default(), &[lines.clone(), more].concat());
        let named = |specimen: &str| {
            let sign = Sign { specimen: Some(specimen.to_owned()), ..Sign::default() };
            self.print(&sign, &lines)
        };
        let first = self.usual.iter().find(|u| !u.pad.optional && !u.pad.rungs.is_empty());
        // One too many in an order of places is a line that nobody understands.
        let twice = first.filter(|_| !self.trial.press.is_in_order());
        let strange = first.and_then(|u| self.trial.fit_rung(u.pad, u.pad.rungs.first()?, STRANGE));
        let unread = match self.trial.analyzer.dialect.link() {
            LinkKind::Lis01 => "R|1||NEG".to_owned(),
            LinkKind::Printed(_) => "?? ?? ?? ??".to_owned(),
        };
        let is_framed = self.trial.analyzer.dialect.link() == LinkKind::Lis01;
        let blank = named("").map(|mut held| {
            // A line that may not be empty is not understood: it is held as well, and nothing is guessed.
            if !is_framed && held.contains(&Reason::Unreadable) {
                held.insert(Reason::SpecimenBlank);
            }
            held
        });
        let mut all = vec![
            (Reason::SpecimenBlank, "no specimen id", blank),
            (Reason::SpecimenMalformed, "one digit for a specimen id", named("0000")),
            (Reason::UnknownAnalyte, "a label that nobody knows", strange.and_then(&more)),
            (Reason::PadsUnexpected, "a pad twice", twice.and_then(|u| more(u.lines.clone()))),
            (
                Reason::Unreadable,
                "a line that says nothing",
                more(vec![Line { words: Words::default(), text: unread }]),
            ),
            (
                Reason::Incomplete,
                "cut off",
                Some(self.heard(&cut_off(&self.trial.press.print(&Sign::default(), &lines)))),
            ),
            (
                Reason::LineError,
                "a byte that the port marked",
                self.with_lines(|t| {
                    t.lines.iter_mut().for_each(|line| line.flawed = true);
                }),
            ),
            (Reason::UnitUnexpected, "the analyzer set to the other units", self.other_units()),
        ];
        all.extend(
            self.both_classes()
                .map(|held| (Reason::ClassDisagree, "signs of two classes", Some(held))),
        );
        all.extend(
            self.off_ladder()
                .map(|held| (Reason::OffLadder, "a step that the ladder lacks", Some(held))),
        );
        let apart = self
            .two_steps()
            .map(|held| (Reason::GradeValueDisagree, "grade and number of two steps", Some(held)));
        all.extend(apart);
        all.extend(
            self.not_passed()
                .map(|held| (Reason::ControlsNotPassed, "the analyzer's own sign", Some(held))),
        );
        all
    }

    /// What only records of LIS02 say: R-9, H-12, H-5.
    fn of_records(&self) -> Vec<Provoked> {
        if self.trial.analyzer.dialect.link() != LinkKind::Lis01 {
            return Vec::new();
        }
        let field = |kind: u8, number: usize, text: &str| {
            self.with_lines(|t| {
                for line in t.lines.iter_mut().filter(|line| line.bytes.first() == Some(&kind)) {
                    let own = String::from_utf8_lossy(&line.bytes).into_owned();
                    let mut fields: Vec<&str> = own.split('|').collect();
                    fields.resize(fields.len().max(number), "");
                    fields[number - 1] = text;
                    line.bytes = fields.join("|").into_bytes();
                }
            })
        };
        let mut all = vec![
            (Reason::CorrectionHeard, "R-9 C", field(b'R', 9, "C")),
            (Reason::NotFinal, "R-9 P", field(b'R', 9, "P")),
            (Reason::TestMessage, "H-12 T", field(b'H', 12, "T")),
        ];
        if self.trial.analyzer.rules.sender.as_ref().is_some_and(|sender| sender != SERIAL) {
            all.push((Reason::SenderUnexpected, "another sender", field(b'H', 5, STRANGE)));
        }
        all
    }

    /// What hangs on more than the print.
    fn supposed(&self, good: &Report) -> Vec<Provoked> {
        let Trial { bench, analyzer, .. } = self.trial;
        let now = clock::now_us();
        let mut all = Vec::new();
        let printed = good.taken.and_then(|taken| bench.clock.us(taken));
        if let Some(printed) = printed.filter(|_| analyzer.clock.policy == ClockPolicy::Hold) {
            let clock = Supposed { clock: true, controls: None };
            let held = self.at(good, printed + 400 * DAY_US, clock);
            all.push((Reason::ClockOff, "heard 400 days later", Some(held)));
        }
        let policy = &analyzer.rules.controls_policy;
        let since = bench.clock.moment(now);
        for (own, reason, what, state) in [
            (
                policy.failed,
                Reason::ControlsFailed,
                "while controls have failed",
                State::Failed { since },
            ),
            (policy.due, Reason::ControlsDue, "while controls are due", State::Due { since: None }),
        ] {
            if own == Policy::Hold && analyzer.controls.are_run {
                let held = self.at(good, now, Supposed { clock: false, controls: Some(state) });
                all.push((reason, what, Some(held)));
            }
        }
        let day = good.taken.map_or_else(|| bench.clock.day(now), |taken| taken.day_text());
        let expired = Report { strip_expiry: None, ..good.clone() };
        let lot = expired.strip_lot.clone().unwrap_or_else(|| "L1".to_owned());
        let lot = StripLot { lot, last_day: Some("2000-01-31".to_owned()) };
        let held = self.knowing(&expired, &day, &[], Some(&lot));
        all.push((Reason::StripExpired, "strips past their last day", Some(held)));
        if good.number.is_some() {
            let judged = analyzer.read_alone(good, &bench.clock, now);
            let earlier = Earlier::of(1, &day, good, &judged);
            let mut other = good.clone();
            other.readings.pop();
            let held = self.knowing(&other, &day, &[earlier], None);
            all.push((Reason::NumberReused, "the number again with other readings", Some(held)));
        }
        all
    }

    /// Judged as if this were known.
    fn knowing(
        &self,
        report: &Report,
        day: &str,
        earlier: &[Earlier],
        lot: Option<&StripLot>,
    ) -> BTreeSet<Reason> {
        let Trial { bench, analyzer, .. } = self.trial;
        let heard: Moment = bench.clock.moment(clock::now_us());
        let facts = Facts { earlier, heard, day, sequence: None, controls: None, lot };
        let mut rules = analyzer.rules.clone();
        rules.controls_policy = Lockout { due: Policy::Off, ..rules.controls_policy };
        codes(&judge(report, &analyzer.strips, &rules, &facts).holds)
    }

    /// The good report with something done to its lines as they were heard.
    fn with_lines(&self, done: impl Fn(&mut Transmission)) -> Option<BTreeSet<Reason>> {
        let dialect = self.trial.analyzer.dialect.as_ref();
        let bytes = self.trial.press.print(&Sign::default(), &self.lines());
        let mut heard = hear(dialect, &bytes);
        heard.iter_mut().for_each(done);
        let reports = heard.iter().flat_map(|transmission| dialect.read(transmission));
        Some(reports.flat_map(|report| self.reasons(&report)).collect())
    }

    /// Every pad in the other unit system. Where no unit is printed, only the numbers themselves can tell.
    fn other_units(&self) -> Option<BTreeSet<Reason>> {
        let trial = self.trial;
        let other = !trial.prints_si;
        if trial.habits.unit_implied {
            return None;
        }
        let has = |rung: &&Rung| rung.labels.iter().all(Option::is_some);
        let lines = self.usual.iter().filter(|u| !u.pad.optional).flat_map(|u| {
            let rung = u.pad.rungs.iter().find(has).filter(|_| !one_unit(u.pad));
            let own = rung.and_then(|rung| {
                let texts = trial.texts(u.pad, rung, other, false);
                let seconds = trial.seconds(u.pad, Some(rung), other);
                Some(trial.fit(&u.label, &texts, &seconds, "")?.1)
            });
            own.unwrap_or_else(|| u.lines.clone())
        });
        let lines: Vec<Line> = lines.collect();
        if lines == self.lines() { None } else { self.print(&Sign::default(), &lines) }
    }

    /// A sign of control material beside a patient's specimen, else beside one of urgent work.
    fn both_classes(&self) -> Option<BTreeSet<Reason>> {
        // A sign that stands instead of a line leaves nothing there that it could contradict.
        let of = |class: Class| {
            let beside = |sign: &&Sign| sign.instead.is_none();
            let own = self.signs.iter().filter(move |(own, _)| *own == class);
            own.map(|(_, sign)| sign).filter(beside)
        };
        let shown = |sign: &&Sign| {
            ![&sign.mark, &sign.digit, &sign.behind, &sign.line].iter().all(|part| part.is_empty())
        };
        let sign = match of(Class::Control).find(shown) {
            Some(control) => Sign { specimen: None, ..control.clone() },
            None => Sign {
                specimen: of(Class::Control).next()?.specimen.clone(),
                ..of(Class::Stat).next()?.clone()
            },
        };
        self.print(&sign, &self.lines())
    }

    fn off_ladder(&self) -> Option<BTreeSet<Reason>> {
        let strange = |u: &&Usual<'_>| {
            let texts = [[STRANGE.to_owned(), String::new(), String::new()]];
            self.trial.fit(&u.label, &texts, &[Default::default()], "").map(|(_, lines)| lines)
        };
        let graded =
            |u: &&Usual<'_>| !u.pad.optional && u.pad.rungs.iter().any(|rung| rung.grade.is_some());
        let found = self.usual.iter().filter(graded).find_map(|u| Some((u, strange(&u)?)));
        found.and_then(|(u, lines)| self.instead(u, &lines))
    }

    /// The grade of one step beside the number of another.
    fn two_steps(&self) -> Option<BTreeSet<Reason>> {
        let system = usize::from(self.trial.prints_si);
        let mixed = |pad: &Pad| {
            let numbered =
                || pad.rungs.iter().filter(|r| r.grade.is_some() && r.labels[system].is_some());
            let one = numbered().next()?;
            let other = numbered().next_back().filter(|r| r.grade != one.grade)?;
            Some(Rung { grade: one.grade.clone(), text: one.text.clone(), ..other.clone() })
        };
        let required = self.usual.iter().filter(|u| !u.pad.optional);
        let mut found = required.filter_map(|u| {
            let rung = mixed(u.pad)?;
            Some((u, self.trial.fit_rung(u.pad, &rung, &u.label)?))
        });
        let (u, lines) = found.next()?;
        self.instead(u, &lines)
    }

    /// The sign by which the analyzer says that its controls have not passed, where that holds patients.
    fn not_passed(&self) -> Option<BTreeSet<Reason>> {
        let habits = self.trial.habits;
        if self.trial.analyzer.rules.controls_policy.failed != Policy::Hold {
            return None;
        }
        if let Some(line) = habits.not_passed.iter().find_map(|form| filled(form, "1")) {
            return self.print(&Sign { line, ..Sign::default() }, &self.lines());
        }
        let (sign, _) = habits.suffixes.iter().find(|(_, of)| of == "controls-not-passed")?;
        self.trial.press.has_number().then_some(())?;
        self.print(&Sign { behind: sign.clone(), ..Sign::default() }, &self.lines())
    }
}

fn codes(holds: &[Hold]) -> BTreeSet<Reason> {
    holds.iter().map(|hold| hold.reason).collect()
}

/// Broken off within a word behind the middle: lines of a fixed length end between words.
fn cut_off(bytes: &[u8]) -> Vec<u8> {
    let ends = |byte: Option<&u8>| byte.is_none_or(u8::is_ascii_whitespace);
    let mut at = bytes.len() * 3 / 5;
    while at < bytes.len() && (ends(bytes.get(at)) || ends(bytes.get(at - 1))) {
        at += 1;
    }
    bytes.get(..at).unwrap_or(bytes).to_vec()
}
