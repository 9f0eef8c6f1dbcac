//! From a judged report to one receiver's message, and from a kept print to a report again.

use std::sync::Arc;

use wickline_forward::EncodeFault;
use wickline_forward::hl7::{
    ControlRole, Correction, Equipment, Ordered, Outgoing, correction_message, result_message,
};
use wickline_forward::orders::References;
use wickline_listen::ear::{Cut, Ending, Transmission};
use wickline_normalize::observe::observe;
use wickline_normalize::readings::Reading;
use wickline_normalize::report::Text;
use wickline_normalize::{Class, Hold, Moment, Observation, Private, Reason, Remark, Report, Role};

use crate::clock;
use crate::settings::bench::{Analyzer, Bench, Target};
use crate::store::rows::order::Link;
use crate::store::rows::report::ReportRow;

/// What a message is about.
#[derive(Clone, Copy)]
pub struct Subject<'a> {
    pub analyzer: &'a str,
    /// The serial number of the instrument, where it is not the one that the configuration names.
    pub serial: Option<&'a str>,
    /// OBR-3, permanent for this report.
    pub filler: &'a str,
    /// The id that the report goes under: printed, or given by a person.
    pub specimen: &'a str,
    pub stat: bool,
    pub print: &'a Report,
    pub readings: &'a Vec<Reading>,
    pub strip: &'a str,
    pub heard_at: i64,
    /// By the analyzer's clock, at the offset that it was believed at. None: ours stands.
    pub taken: Option<Moment>,
    /// False: the analyzer's other times are left out as well.
    pub clock_believed: bool,
    pub remarks: &'a [Remark],
    /// Set on control material, whatever else it says.
    pub control: Option<ControlRole<'a>>,
    /// The orders that it answers; none on control material.
    pub orders: &'a [Link],
}

impl<'a> Subject<'a> {
    /// A report as the ledger has it.
    #[must_use]
    pub fn of(row: &'a ReportRow) -> Self {
        Self {
            analyzer: &row.analyzer,
            serial: row.serial.as_deref(),
            filler: &row.filler,
            specimen: row.specimen.as_deref().unwrap_or_default(),
            stat: row.class == Class::Stat,
            print: &row.print,
            readings: &row.readings,
            strip: &row.strip,
            heard_at: row.heard_at,
            taken: row.taken,
            clock_believed: row.clock_believed,
            remarks: &row.remarks,
            control: row.is_control().then(|| Subject::material(row.level.as_deref(), &row.print)),
            orders: &row.orders,
        }
    }

    /// What a report says of its control material, for whoever asks for that.
    #[must_use]
    pub fn material(level: Option<&'a str>, print: &'a Report) -> ControlRole<'a> {
        let lot = print.control_lot.as_deref();
        ControlRole { level: level.unwrap_or("not named"), lot, expires: None }
    }
}

/// Builds the message for one receiver that was told nothing under this OBR-3, or says why a person
/// must look first.
pub fn message(
    bench: &Bench,
    target: &Target,
    control_id: &str,
    made_at: i64,
    subject: &Subject<'_>,
) -> Result<Vec<u8>, Hold> {
    let observations = observed(bench, target, subject)?;
    let build = |out: &Outgoing<'_>| result_message(&target.layout, out);
    put(bench, target, control_id, made_at, subject, &observations, build)
}

/// Builds the message for one receiver that was told something under this OBR-3: what is right now, or,
/// where it `withdraws`, that all of it is taken back. None: it says nothing new.
pub fn amendment(
    bench: &Bench,
    target: &Target,
    control_id: &str,
    made_at: i64,
    subject: &Subject<'_>,
    correction: &Correction<'_>,
    withdraws: bool,
) -> Result<Option<Vec<u8>>, Hold> {
    // What is taken back is said as it was told: no strip has to be known for that any more.
    let observations = if withdraws { Vec::new() } else { observed(bench, target, subject)? };
    let build = |out: &Outgoing<'_>| correction_message(&target.layout, out, correction);
    put(bench, target, control_id, made_at, subject, &observations, build)
}

fn observed(
    bench: &Bench,
    target: &Target,
    subject: &Subject<'_>,
) -> Result<Vec<Observation>, Hold> {
    let level = subject.control.map(|control| control.level);
    door(target, Role::of(subject.control.is_some(), level))?;
    let strip = bench
        .analyzer(subject.analyzer)
        .and_then(|a| a.strips.iter().find(|s| s.id == subject.strip))
        .ok_or_else(|| {
            let why =
                format!("strip {} is not configured for this analyzer any more", subject.strip);
            Hold::new(Reason::Unreadable, why)
        })?;
    observe(subject.readings, strip, &target.choice)
}

fn put<T>(
    bench: &Bench,
    target: &Target,
    control_id: &str,
    made_at: i64,
    subject: &Subject<'_>,
    observations: &[Observation],
    build: impl FnOnce(&Outgoing<'_>) -> Result<T, EncodeFault>,
) -> Result<T, Hold> {
    let site = &bench.clock;
    let print = subject.print;
    let analyzer = bench.analyzer(subject.analyzer);
    let specimen = Private::new(material_id(analyzer, subject).unwrap_or(subject.specimen));
    let equipment = analyzer.and_then(|a| a.equipment.as_ref());
    let day = subject.taken.unwrap_or_else(|| site.moment(subject.heard_at)).day_text();
    let known =
        |control| analyzer.map_or(control, |a| a.controls.named(control, subject.strip, &day));
    let answers = answered(target, subject)?;
    let orders: Vec<Ordered<'_>> = answers.iter().map(Answered::ordered).collect();
    let unordered = unordered(subject, observations).filter(|_| !orders.is_empty());
    let outgoing = Outgoing {
        control_id,
        made: site.moment(made_at),
        filler: subject.filler,
        specimen: &specimen,
        number: print.number.as_deref(),
        stat: subject.stat,
        collected: zoned(bench, print.collected.filter(|_| subject.clock_believed))?,
        taken: zoned(bench, subject.taken)?,
        heard: site.moment(subject.heard_at),
        operator: print.operator.as_ref(),
        analyzer: subject.analyzer,
        equipment: equipment.map(|(serial, model)| Equipment {
            serial: subject.serial.filter(|_| !serial.is_empty()).unwrap_or(serial),
            model,
        }),
        urine: bench.urines.of(print),
        patient: print
            .patient
            .as_ref()
            .filter(|_| target.with_patient && subject.control.is_none()),
        control: subject.control.map(known),
        orders: &orders,
        unordered: unordered.as_deref(),
        remarks: subject.remarks,
        observations,
    };
    build(&outgoing).map_err(|fault| {
        let specimen = matches!(fault.field, "SPM-2" | "OBR-2" | "OBR-3" | "PID-3");
        let reason = if specimen { Reason::SpecimenMalformed } else { Reason::Unreadable };
        Hold::new(reason, format!("receiver {}: {fault}", target.id))
    })
}

/// One order that a message answers.
struct Answered<'a> {
    references: References,
    pads: Vec<Text>,
    filler: &'a str,
}

impl Answered<'_> {
    fn ordered(&self) -> Ordered<'_> {
        Ordered { references: &self.references, pads: &self.pads, filler: self.filler }
    }
}

/// The orders that are answered to this receiver; none: it sent none of them, nor does it get those of others.
fn answered<'a>(target: &Target, subject: &Subject<'a>) -> Result<Vec<Answered<'a>>, Hold> {
    let own = subject.orders.iter().filter(|link| target.gets_orders_of(&link.source));
    own.map(|link| {
        let kept = link.wants_back.as_deref().unwrap_or("{}");
        let references = serde_json::from_str(kept).map_err(|_| {
            Hold::new(
                Reason::Unreadable,
                "what its order wants back cannot be read from the ledger",
            )
        })?;
        let pads = link.pads.iter().map(|pad| Text::from(pad.as_str())).collect();
        Ok(Answered { references, pads, filler: &link.filler })
    })
    .collect()
}

/// The pads that none of its orders asked, where they go without one: no order has the report's own OBR-3 then.
fn unordered(subject: &Subject<'_>, observations: &[Observation]) -> Option<Vec<Text>> {
    let orders = subject.orders;
    let apart = !orders.is_empty() && orders.iter().all(|link| link.filler != subject.filler);
    let is_asked = |pad: &str| orders.iter().any(|link| link.pads.iter().any(|own| own == pad));
    apart.then(|| {
        let pads = observations.iter().map(Observation::pad).filter(|pad| !is_asked(pad));
        let mut pads: Vec<Text> = pads.map(Text::from).collect();
        pads.dedup();
        pads
    })
}

/// The id of control material, where the configuration knows it as such: another id that a print of control
/// material bears may be a patient's, and is not told.
fn material_id<'a>(analyzer: Option<&Arc<Analyzer>>, subject: &Subject<'a>) -> Option<&'a str> {
    subject.control?;
    let id = subject.print.specimen.as_ref()?.expose();
    analyzer?.rules.control_specimen(id).map(|_| id)
}

/// The last look before anything is put into words: control material goes to those alone who ask for
/// it, patients' results to those who take them, and what is the scheme's to none.
fn door(target: &Target, role: Role) -> Result<(), Hold> {
    if target.takes(role) {
        return Ok(());
    }
    let what = match role {
        Role::Patient => "patients' results",
        Role::Control => "control material",
        Role::External => "external quality samples: no receiver does",
    };
    let why = format!("receiver {} does not take {what}", target.id);
    Err(Hold::new(Reason::ClassDisagree, why))
}

/// A printed time with the site's offset. A time that the zone skips or has twice is not guessed.
fn zoned(bench: &Bench, printed: Option<Moment>) -> Result<Option<Moment>, Hold> {
    let Some(printed) = printed else { return Ok(None) };
    bench.clock.with_offset(printed).map(Some).ok_or_else(|| {
        let why = format!(
            "the printed time {} does not exist or comes twice on this day in the site's zone",
            clock::moment_rfc3339(&printed)
        );
        Hold::new(Reason::ClockOff, why)
    })
}

/// Reads a kept print again with today's dialect. None: it does not give exactly one report.
#[must_use]
pub fn reread(analyzer: &Analyzer, kept: &Report) -> Option<Report> {
    // One with a line is the dialect's own finding, such as a count that differs.
    let cut = kept.doubts.iter().find(|d| d.reason == Reason::Incomplete && d.line.is_none());
    let flawed = |line: usize| {
        kept.doubts.iter().any(|d| d.reason == Reason::LineError && d.line == Some(line))
    };
    let transmission = Transmission {
        place: kept.place,
        lines: kept
            .lines
            .iter()
            .enumerate()
            .map(|(index, line)| Cut {
                place: line.place,
                bytes: line.text.expose().as_bytes().to_vec(),
                flawed: flawed(index),
            })
            .collect(),
        ending: cut.map_or(Ending::Complete, |d| Ending::Cut(d.detail.clone())),
    };
    let mut reports = analyzer.dialect.read(&transmission);
    let report = reports.pop()?;
    reports.is_empty().then_some(Report { place: kept.place, ..report })
}

/// A message as text for a person: UTF-8 where it is valid, else ISO 8859-1, as messages are sent.
#[must_use]
pub fn text(message: &[u8]) -> String {
    match std::str::from_utf8(message) {
        Ok(text) => text.to_owned(),
        Err(_) => message.iter().copied().map(char::from).collect(),
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use wickline_normalize::{Hold, Place, Private, RawLine, Reason, Report};

    use super::reread;
    use crate::settings::{bench::Bench, from_text};

    /// What the dialect of that day missed in a line, today's may find: it was never cut off.
    #[test]
    fn a_report_that_a_dialect_found_incomplete_can_be_read_as_whole() {
        let text = "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
             [store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
             [[analyzer]]\nid = \"bench-1\"\nline = \"tcp:127.0.0.1:1\"\ndialect = \"two-column\"\n\
             [[receiver]]\nid = \"lis\"\naddress = \"dir:out\"\n";
        let loaded = from_text(Path::new("./w.toml"), text.to_owned()).expect("readable");
        let bench = Bench::build(&loaded).expect("a bench");
        let place = Place { from: 0, to: 1 };
        let lines = ["No. 1", "NIT NEG"].map(|line| RawLine { place, text: Private::new(line) });
        let doubts = |doubt: Hold| {
            let kept =
                Report { place, lines: lines.to_vec(), doubts: vec![doubt], ..Report::default() };
            reread(&bench.analyzers[0], &kept).expect("one").doubts.len()
        };
        let hold = || Hold::new(Reason::Incomplete, "the print says that it has 2 readings");
        assert_eq!(doubts(hold().at(1)), 0, "one of a line is looked for again");
        assert_eq!(doubts(hold()), 1, "one of the whole print stays");
    }
}
