//! What became of each report, and why: the same account for the screen, the page and JSON.

use serde::Serialize;
use wickline_forward::hl7::Message;
use wickline_listen::dialect::LineAnatomy;
use wickline_listen::ear::Transmission;
use wickline_normalize::controls::{Lots, assess};
use wickline_normalize::observe::observe;
use wickline_normalize::readings::Reading;
use wickline_normalize::strip::Strip;
use wickline_normalize::{Hold, Judged, Private, Reason, Report, Way};

use super::capture::KeptBytes;
use super::printed;
use super::why::{self, Conversion};
use crate::acts::compose::{self, Subject};
use crate::acts::meeting::{self, Met};
use crate::clock::moment_rfc3339;
use crate::marks::{self, named};
use crate::settings::bench::{Analyzer, Bench, Supposed, Target};
use crate::sheet::todo::remedy_in_words;
use crate::store::StoreError;
use crate::store::ledger::Ledger;

/// What an anatomy calls a part of which nothing is known.
pub const NOT_UNDERSTOOD: &str = "not understood";

/// Accounts for what is heard of one analyzer, for one receiver. It remembers no earlier report, so
/// that repeats and numbers used twice are not seen here.
pub struct Account<'a> {
    pub bench: &'a Bench,
    pub analyzer: &'a Analyzer,
    pub target: &'a Target,
    pub supposed: Supposed,
    /// Where orders are looked up.
    orders: Option<Ledger>,
    count: usize,
}

/// One report, from print to message.
#[derive(Debug, Serialize)]
pub struct Explained {
    /// Which report of the capture, from 1.
    pub report: usize,
    pub number: Option<String>,
    pub class: &'static str,
    pub level: Option<String>,
    /// The lot of control material: it chooses what the results are held against.
    pub control_lot: Option<String>,
    pub specimen: Option<String>,
    pub taken_at: Option<String>,
    pub operator: Option<String>,
    pub strip: String,
    pub state: &'static str,
    /// What a run of control material amounts to, by the lots of the configuration.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub run: Option<String>,
    pub lines: Vec<String>,
    pub anatomy: Vec<Line>,
    pub readings: Vec<Told>,
    /// The orders that it would answer if it were heard now, by their sources and numbers.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub orders: Vec<String>,
    pub holds: Vec<Held>,
    pub message: Option<String>,
}

/// One printed line, taken apart.
#[derive(Debug, Serialize)]
pub struct Line {
    /// From 1, as in `lines`.
    pub line: usize,
    /// The bytes as heard, control characters by their names.
    pub heard: String,
    /// What the dialect took for the line's text.
    #[serde(skip)]
    pub text: String,
    pub parts: Vec<Part>,
}

/// A part of a line and what it was taken for.
#[derive(Debug, Serialize)]
pub struct Part {
    /// Bytes of the line's text in UTF-8.
    pub from: usize,
    pub to: usize,
    pub what: &'static str,
    pub text: String,
}

/// One reading with all that follows from it.
#[derive(Debug, Serialize)]
pub struct Told {
    #[serde(flatten)]
    pub reading: Reading,
    /// As it stands on the paper.
    pub as_printed: String,
    /// How many rungs the pad's ladder has.
    pub rungs: Option<usize>,
    pub conversion: Option<Conversion>,
    pub flag_why: String,
    pub obx: Vec<Obx>,
}

/// An OBX segment as the message has it.
#[derive(Debug, Serialize)]
pub struct Obx {
    pub set_id: String,
    pub code: String,
    #[serde(rename = "type")]
    pub kind: String,
    pub value: String,
    pub unit: String,
    pub flag: String,
}

/// A hold, and what lets it go.
#[derive(Debug, Serialize)]
pub struct Held {
    pub reason: &'static str,
    pub detail: String,
    pub line: Option<usize>,
    pub remedy: &'static str,
}

/// A line of which something was not understood.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Missed {
    pub report: usize,
    pub line: usize,
    pub text: String,
}

impl<'a> Account<'a> {
    pub fn new(
        bench: &'a Bench,
        analyzer: &'a Analyzer,
        target: &'a Target,
        supposed: Supposed,
    ) -> Self {
        Self { bench, analyzer, target, supposed, orders: None, count: 0 }
    }

    /// With the orders of this ledger.
    pub fn with_orders(self, ledger: Option<Ledger>) -> Self {
        Self { orders: ledger, ..self }
    }

    /// Ends the look at the ledger.
    pub async fn close(self) -> Result<(), StoreError> {
        match self.orders {
            Some(ledger) => ledger.close().await,
            None => Ok(()),
        }
    }

    /// Every report of one transmission.
    pub async fn transmission(
        &mut self,
        transmission: &Transmission,
        heard: &KeptBytes,
        at: i64,
    ) -> Result<Vec<Explained>, StoreError> {
        let dialect = &self.analyzer.dialect;
        let anatomy = dialect.anatomy(transmission);
        let mut explained = Vec::new();
        for print in dialect.read(transmission) {
            let lines = lines(&print, transmission, &anatomy, heard);
            explained.push(self.report(&print, lines, at).await?);
        }
        Ok(explained)
    }

    /// What a transmission asks, in words that name no specimen.
    pub fn question(&self, transmission: &Transmission) -> Option<String> {
        let dialect = &self.analyzer.dialect;
        let question = dialect.asked(transmission)?.question;
        let answered = match dialect.answers() {
            true => "the daemon answers it",
            false => "nothing is answered, as the dialect has no `query.answer = true`",
        };
        Some(format!("{} {}; {answered}", self.analyzer.id, question.words()))
    }

    async fn report(
        &mut self,
        print: &Report,
        anatomy: Vec<Line>,
        at: i64,
    ) -> Result<Explained, StoreError> {
        self.count += 1;
        let clock = &self.bench.clock;
        let (mut judged, believed) = self.analyzer.read_supposing(print, clock, at, self.supposed);
        let met = self.meets(print, &mut judged, (at, believed)).await?;
        let message = self.message(print, &mut judged, &met, (at, believed));
        let expose = |text: &Option<Private>| text.as_ref().map(|t| t.expose().to_owned());
        let taken = |t| moment_rfc3339(&clock.with_offset(t).unwrap_or(t));
        Ok(Explained {
            report: self.count,
            number: print.number.clone(),
            class: judged.class.code(),
            level: judged.level.clone(),
            control_lot: print.control_lot.clone(),
            specimen: expose(&print.specimen),
            taken_at: print.taken.map(taken),
            operator: expose(&print.operator),
            strip: judged.strip.clone(),
            state: state(&judged.way),
            run: self.run(print, &judged, at),
            lines: print.lines.iter().map(|l| l.text.expose().to_owned()).collect(),
            readings: self.readings(&judged, &anatomy, message.as_deref()),
            anatomy,
            orders: met.answers().iter().map(|(source, of)| format!("{of} of {source}")).collect(),
            holds: judged.holds.iter().map(hold).collect(),
            message,
        })
    }

    /// What the orders of its specimen say of it.
    async fn meets(
        &self,
        print: &Report,
        judged: &mut Judged,
        (at, believed): (i64, bool),
    ) -> Result<Met, StoreError> {
        let Some(ledger) = self.orders.as_ref().filter(|_| judged.way == Way::Ready) else {
            return Ok(Met::Nothing);
        };
        let taken = print.taken.filter(|_| believed).and_then(|t| self.bench.clock.us(t));
        let strip = meeting::Strip {
            of: (&self.analyzer.id, &judged.strip),
            specimen: judged.specimen.as_ref().map(Private::expose),
            print,
            readings: &judged.readings,
            taken: taken.unwrap_or(at),
            control: false,
        };
        let met = ledger.would_meet(self.bench, &strip).await?;
        if let Some(hold) = met.hold() {
            judged.holds.push(hold.clone());
            judged.way = Way::Held;
        }
        Ok(met)
    }

    /// What a report amounts to as a run of control material. No lot of strips that somebody
    /// entered is known here.
    fn run(&self, print: &Report, judged: &Judged, at: i64) -> Option<String> {
        let plan = &self.analyzer.controls.plan;
        let level = judged.level.as_deref();
        if judged.way != Way::Filed || !plan.tells(level) {
            return None;
        }
        let strip = self.analyzer.strips.iter().find(|strip| strip.id == judged.strip)?;
        let lots =
            Lots { control: print.control_lot.as_deref(), strip: print.strip_lot.as_deref() };
        let day = print.taken.map_or_else(|| self.bench.clock.day(at), |taken| taken.day_text());
        let run = assess(&judged.readings, strip, plan, level, lots, &day);
        Some(run.verdict.told(&run.why))
    }

    fn message(
        &self,
        print: &Report,
        judged: &mut Judged,
        met: &Met,
        (at, believed): (i64, bool),
    ) -> Option<String> {
        if !matches!(judged.way, Way::Ready) {
            return None;
        }
        let orders = met
            .under((1..).map(|n| if n == 1 { "EXPLAIN".into() } else { format!("EXPLAIN-{n}") }));
        let subject = Subject {
            serial: None,
            analyzer: &self.analyzer.id,
            filler: "EXPLAIN",
            specimen: judged.specimen.as_ref().map_or("", |s| s.expose()),
            stat: judged.class.code() == "stat",
            print,
            readings: &judged.readings,
            strip: &judged.strip,
            heard_at: at,
            taken: print.taken.filter(|_| believed),
            clock_believed: believed,
            remarks: &judged.remarks,
            control: None,
            orders: &orders,
        };
        let control_id = format!("EXPLAIN-{}", self.count);
        match compose::message(self.bench, self.target, &control_id, at, &subject) {
            Ok(body) => Some(compose::text(&body)),
            Err(hold) => {
                judged.holds.push(hold);
                judged.way = Way::Held;
                None
            }
        }
    }

    fn readings(&self, judged: &Judged, lines: &[Line], message: Option<&str>) -> Vec<Told> {
        let strip = self.analyzer.strips.iter().find(|s| s.id == judged.strip);
        let references = &self.analyzer.rules.references;
        let mut told: Vec<Told> = judged
            .readings
            .iter()
            .zip(printed::results(&judged.readings, lines))
            .map(|(reading, as_printed)| {
                let pad = strip.zip(reading.analyte.as_deref()).and_then(|(s, id)| s.pad(id));
                let reference = pad.and_then(|p| references.get(&p.id));
                Told {
                    rungs: pad.map(|p| p.rungs.len()).filter(|count| *count > 0),
                    conversion: pad.and_then(|p| why::conversion(p, reading, &self.target.choice)),
                    flag_why: why::flag(pad, reading, reference, judged.class),
                    reading: reading.clone(),
                    as_printed,
                    obx: Vec::new(),
                }
            })
            .collect();
        self.read_back(&mut told, judged, strip, message);
        told
    }

    /// Each reading gets the OBX that it became, read from the message itself.
    fn read_back(
        &self,
        told: &mut [Told],
        judged: &Judged,
        strip: Option<&Strip>,
        message: Option<&str>,
    ) {
        let Some(read) = message.and_then(|m| Message::read(m.as_bytes()).ok()) else { return };
        let observed = strip.and_then(|s| observe(&judged.readings, s, &self.target.choice).ok());
        for (index, observation) in observed.unwrap_or_default().iter().enumerate() {
            let field =
                |number| read.field("OBX", index + 1, number).unwrap_or_default().to_owned();
            let first = |text: String| text.split('^').next().unwrap_or("").to_owned();
            let obx = Obx {
                set_id: field(1),
                code: first(field(3)),
                kind: field(2),
                value: field(5),
                unit: first(field(6)),
                flag: field(8),
            };
            if let Some(of) = told.get_mut(observation.reading) {
                of.obx.push(obx);
            }
        }
    }
}

impl Explained {
    /// `control level 1 lot K120`: the class, and of which control material it is.
    pub fn class(&self) -> String {
        let level = self.level.as_ref().map(|level| format!(" level {level}"));
        let lot = self.control_lot.as_ref().map(|lot| format!(" lot {lot}"));
        named(&format!("{}{}{}", self.class, level.unwrap_or_default(), lot.unwrap_or_default()))
    }

    /// It reads well, and nothing that is known here holds it.
    pub fn is_ready(&self) -> bool {
        self.state == state(&Way::Ready)
    }

    /// Which orders it meets, in one line.
    pub fn answers(&self) -> Option<String> {
        let orders = self.orders.iter().map(|order| named(order)).collect::<Vec<_>>().join(", ");
        (!orders.is_empty()).then(|| format!("heard now it would answer order {orders}"))
    }

    /// What a person must see at this line: that it was not understood, else what holds it.
    pub fn sign(&self, line: usize) -> Option<String> {
        if self.missed().iter().any(|m| m.line == line) {
            return Some("NOT UNDERSTOOD".into());
        }
        let mut reasons: Vec<&str> =
            self.holds.iter().filter(|h| h.line == Some(line)).map(|h| h.reason).collect();
        reasons.dedup();
        (!reasons.is_empty()).then(|| format!("HELD {}", reasons.join(", ")))
    }

    /// The lines of which something was not understood, each once.
    pub fn missed(&self) -> Vec<Missed> {
        let doubted = |line: usize| {
            let unreadable = Reason::Unreadable.code();
            self.holds.iter().any(|h| h.reason == unreadable && h.line == Some(line))
        };
        let strange = |line: &Line| line.parts.iter().any(|part| part.what == NOT_UNDERSTOOD);
        self.anatomy
            .iter()
            .filter(|line| strange(line) || doubted(line.line))
            .map(|line| Missed {
                report: self.report,
                line: line.line,
                text: self.lines.get(line.line - 1).cloned().unwrap_or_default(),
            })
            .collect()
    }
}

/// The lines of one report among those of its transmission.
fn lines(
    print: &Report,
    transmission: &Transmission,
    anatomy: &[LineAnatomy],
    heard: &KeptBytes,
) -> Vec<Line> {
    let one = |(index, raw): (usize, &wickline_normalize::RawLine)| {
        let cut = transmission.lines.iter().position(|cut| cut.place == raw.place);
        let apart = cut.and_then(|cut| anatomy.iter().find(|line| line.line == cut));
        let text = apart.map_or_else(|| raw.text.expose(), |line| line.text.expose());
        let part = |(range, what): &(std::ops::Range<usize>, &'static str)| {
            let piece = text.get(range.clone())?.to_owned();
            Some(Part { from: range.start, to: range.end, what, text: piece })
        };
        let parts = apart.map(|line| line.parts.iter().filter_map(part).collect());
        let mut bytes = heard.cut(raw.place);
        if bytes.is_empty() {
            bytes = text.as_bytes().to_vec();
        }
        Line {
            line: index + 1,
            heard: marks::heard(&bytes, &[]),
            text: text.to_owned(),
            parts: parts.unwrap_or_default(),
        }
    };
    print.lines.iter().enumerate().map(one).collect()
}

impl Line {
    /// The line cut at its parts: every piece, and what it was taken for, blanks for nothing.
    /// Control characters are shown by their names.
    pub fn pieces(&self) -> Vec<(String, Option<&'static str>)> {
        let mut pieces = Vec::new();
        let mut from = 0;
        let gap = |from: usize, to: usize, into: &mut Vec<_>| {
            let text = self.text.get(from..to).unwrap_or_default();
            if !text.is_empty() {
                into.push((named(text), None));
            }
        };
        for part in &self.parts {
            gap(from, part.from, &mut pieces);
            // Separators between fields need no word.
            let bare = part.what == "ignored" && !part.text.contains(char::is_alphanumeric);
            pieces.push((named(&part.text), (!bare).then_some(part.what)));
            from = part.to;
        }
        gap(from, self.text.len(), &mut pieces);
        pieces
    }

    /// The bytes as heard, where they say more than the text does.
    pub fn beneath(&self) -> Option<&str> {
        let text = named(&self.text);
        let ends = ["<CR>", "<LF>"];
        let mut heard = self.heard.as_str();
        while let Some(rest) = ends.iter().find_map(|end| heard.strip_suffix(end)) {
            heard = rest;
        }
        (heard != text).then_some(self.heard.as_str())
    }
}

fn hold(hold: &Hold) -> Held {
    Held {
        reason: hold.reason.code(),
        detail: hold.detail.clone(),
        line: hold.line.map(|l| l + 1),
        remedy: remedy_in_words(hold.reason),
    }
}

fn state(way: &Way) -> &'static str {
    match way {
        Way::Filed => "filed",
        Way::Repeat { .. } => "repeat",
        Way::Held => "held",
        Way::Ready => "waiting",
    }
}
