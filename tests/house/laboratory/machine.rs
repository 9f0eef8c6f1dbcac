//! The analyzers of the simulated laboratory: they count, remember and print, and know nothing of the
//! program that hears them.

use std::collections::BTreeMap;

use wickline::simulate::analyzer::{Sent, SimulatedAnalyzer, Style};
use wickline::simulate::port::SimPort;
use wickline::simulate::script::{Class, Run, Script};

/// What a strip was run with.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Kind {
    Routine,
    Urgent,
    /// Control material of this level.
    Control(char),
}

/// One strip, as it truly was and as it was printed.
#[derive(Clone, Debug)]
pub struct Strip {
    pub number: i64,
    pub kind: Kind,
    /// Whose it is; unique in the laboratory. Empty on control material.
    pub specimen: String,
    /// What the scanner made of that.
    pub scanned: String,
    /// Seconds since 1970 at which it was read, in truth.
    pub at: i64,
    /// What the analyzer's clock said, `YYYYMMDDHHMMSS`, and whether that was right.
    pub clock: String,
    pub clock_right: bool,
    /// Rungs by pad, of those that are not the lowest.
    pub rungs: BTreeMap<&'static str, usize>,
    /// The local date in truth.
    pub day: String,
}

/// How an analyzer counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Counts {
    Daily,
    PowerUp,
    /// Never anew, but after this number comes 1.
    Round(i64),
}

/// Grade, value and unit as printed.
type Rung = (&'static str, &'static str, &'static str);

/// The grade words and labels of the strip in use: copied by hand from the ladder of the fixtures, so
/// that what goes out is held against something that the program did not read.
pub const LADDER: &[(&str, &[Rung])] = &[
    (
        "BIL",
        &[("NEG", "", ""), ("1+", "1.5", "mg/dL"), ("2+", "3", "mg/dL"), ("3+", ">=6", "mg/dL")],
    ),
    ("BLD", &[("NEG", "", ""), ("TR", "6", "/uL"), ("1+", "20", "/uL"), ("2+", "60", "/uL")]),
    (
        "GLU",
        &[
            ("NEG", "", ""),
            ("TR", "40", "mg/dL"),
            ("1+", "100", "mg/dL"),
            ("2+", "400", "mg/dL"),
            ("3+", "1200", "mg/dL"),
            ("4+", ">=2400", "mg/dL"),
        ],
    ),
    ("KET", &[("NEG", "", ""), ("TR", "8", "mg/dL"), ("1+", "20", "mg/dL"), ("2+", "50", "mg/dL")]),
    ("LEU", &[("NEG", "", ""), ("TR", "12", "/uL"), ("1+", "35", "/uL"), ("2+", "120", "/uL")]),
    ("NIT", &[("NEG", "", ""), ("POS", "", "")]),
    ("PH", &[("", "5.0", ""), ("", "5.5", ""), ("", "6.0", ""), ("", "6.5", ""), ("", "7.0", "")]),
    (
        "PRO",
        &[("NEG", "", ""), ("TR", "12", "mg/dL"), ("1+", "30", "mg/dL"), ("2+", "120", "mg/dL")],
    ),
    ("SG", &[("", "<=1.004", ""), ("", "1.008", ""), ("", "1.012", ""), ("", "1.020", "")]),
    (
        "URO",
        &[
            ("NORM", "0.3", "mg/dL"),
            ("NORM", "0.9", "mg/dL"),
            ("1+", "2.5", "mg/dL"),
            ("2+", "5", "mg/dL"),
        ],
    ),
];

/// One analyzer.
pub struct Machine {
    pub id: &'static str,
    pub counts: Counts,
    pub style: Style,
    /// The last number given out.
    pub last: i64,
    /// Everything it ever read, the oldest first.
    pub memory: Vec<Strip>,
    /// Places in its memory that are not delivered: it sends them when it can (LIS01 only).
    pub waiting: Vec<usize>,
    pub line: Option<SimulatedAnalyzer>,
}

impl Machine {
    pub fn new(id: &'static str, counts: Counts, style: Style) -> Self {
        let (memory, waiting) = (Vec::new(), Vec::new());
        Self { id, counts, style, last: 0, memory, waiting, line: None }
    }

    /// The number of the next strip.
    pub fn count(&mut self) -> i64 {
        self.last = match self.counts {
            Counts::Round(top) if self.last >= top => 1,
            _ => self.last + 1,
        };
        self.last
    }

    /// What it prints of one strip.
    pub fn print(&self, strip: &Strip) -> Vec<u8> {
        let clock = &strip.clock;
        let part = |from: usize, to: usize| &clock[from..to];
        let mut text = format!(
            "KESTREL POINT CLINIC\r\nNo. {:04}\r\nID {}\r\n{}-{}-{} {}:{}:{}\r\n",
            strip.number,
            strip.scanned,
            part(0, 4),
            part(4, 6),
            part(6, 8),
            part(8, 10),
            part(10, 12),
            part(12, 14)
        );
        match strip.kind {
            Kind::Routine => {}
            Kind::Urgent => text.push_str("URGENT\r\n"),
            Kind::Control(level) => text.push_str(&format!("CONTROL LEVEL {level}\r\n")),
        }
        for (pad, rungs) in LADDER {
            let rung = strip.rungs.get(pad).copied().unwrap_or(usual(pad));
            let (grade, value, unit) = rungs[rung];
            let line = format!("{pad:<6}{grade:<6}{value:>6} {unit}");
            text.push_str(line.trim_end());
            text.push_str("\r\n");
        }
        text.push_str("\r\n");
        text.into_bytes()
    }

    /// Connects its line anew.
    pub async fn connect(&mut self, address: &str) {
        let end = std::time::Instant::now() + crate::kit::PATIENCE;
        let port = loop {
            match SimPort::connect(address).await {
                Ok(port) => break port,
                Err(e) => assert!(std::time::Instant::now() < end, "{}: {e}", self.id),
            }
        };
        self.line = Some(crate::way::analyzer(port, self.style));
    }

    /// Sends a strip of its memory. False: nobody took it (only a line that acknowledges can tell).
    pub async fn send(&mut self, place: usize) -> bool {
        let strip = self.memory[place].clone();
        let print = self.print(&strip);
        let Some(line) = &mut self.line else { return false };
        if self.style == Style::TwoColumn {
            return line.port.write_all(&print).await.is_ok();
        }
        let run = Run {
            number: strip.number.to_string(),
            specimen: match strip.kind {
                Kind::Control(level) => format!("QC-L{level}"),
                _ => strip.scanned.clone(),
            },
            class: match strip.kind {
                Kind::Routine => Class::Routine,
                Kind::Urgent => Class::Stat,
                Kind::Control(_) => Class::Control,
            },
            rungs: full(&strip),
            taken: strip.clock.clone(),
            ..Run::default()
        };
        let script = Script { sender: "SIM".into(), run: vec![run] };
        let mut delivered = false;
        let way = line.run(&script, |_, sent| delivered = sent == Sent::Delivered);
        let done = tokio::time::timeout(crate::kit::PATIENCE, way).await;
        done.is_ok_and(|r| r.is_ok()) && delivered
    }
}

fn usual(pad: &str) -> usize {
    match pad {
        "PH" | "SG" => 2,
        _ => 0,
    }
}

/// Every pad's rung, by the name that the simulated analyzer takes.
fn full(strip: &Strip) -> BTreeMap<String, usize> {
    let rung = |pad: &str| strip.rungs.get(pad).copied().unwrap_or(usual(pad));
    LADDER.iter().map(|(pad, _)| ((*pad).to_owned(), rung(pad))).collect()
}
