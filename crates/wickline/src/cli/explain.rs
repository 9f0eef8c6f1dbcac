//! `explain`: from print to reading to OBX, side by side, and every line that was not understood.

use std::path::{Path, PathBuf};

use clap::Args;
use serde_json::{Value, json};
use wickline_forward::hl7::Message;
use wickline_listen::dialect::LinkKind;
use wickline_listen::ear::{Cut, Ear, Ending, Transmission};
use wickline_normalize::judge::{Facts, Judged, Way, judge};
use wickline_normalize::observe::observe;
use wickline_normalize::{Hold, Place, Reason, Report};

use super::output::{Output, Tone, plain};
use super::{Answer, Exit, Failure, faults};
use crate::clock::{self, moment_rfc3339};
use crate::pipeline::compose::{self, Subject};
use crate::settings;
use crate::settings::bench::{Analyzer, Bench, Target};

/// `wickline explain capture.bin --analyzer bench-1`, or without a configuration
/// `wickline explain capture.bin --dialect lis02 --strip ten-pad`
#[derive(Debug, Args)]
pub struct Options {
    /// The bytes as they came from the line
    capture: PathBuf,
    /// Whose dialect and strip [default: the first analyzer]
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// For which receiver [default: the first]
    #[arg(long, value_name = "ID")]
    receiver: Option<String>,
    /// Without a configuration: the dialect
    #[arg(long, conflicts_with_all = ["analyzer", "receiver"])]
    dialect: Option<String>,
    /// Without a configuration: the strip
    #[arg(long, requires = "dialect", default_value = "ten-pad")]
    strip: String,
    /// Without a configuration: the units that the receiver wants
    #[arg(long, requires = "dialect", default_value = "conventional", value_parser = ["conventional", "si"])]
    units: String,
}

pub fn explain(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let bytes = std::fs::read(&options.capture)
        .map_err(|e| Failure::unreachable(format!("{}: {e}", options.capture.display())))?;
    let bench = match &options.dialect {
        None => super::bench(config)?,
        Some(dialect) => without_configuration(dialect, &options.strip, &options.units)?,
    };
    let analyzer = match &options.analyzer {
        Some(id) => bench
            .analyzer(id)
            .ok_or_else(|| Failure::wrong(format!("no analyzer `{id}` is configured")))?,
        None => {
            bench.analyzers.first().ok_or_else(|| Failure::wrong("no analyzer is configured"))?
        }
    };
    let target = match &options.receiver {
        Some(id) => bench.targets.iter().find(|t| t.id == *id),
        None => bench.targets.first(),
    };
    let target = target.ok_or_else(|| Failure::wrong("no such receiver is configured"))?;
    let mut explained = Explained::default();
    for transmission in transmissions(analyzer, &bytes) {
        for report in analyzer.dialect.read(&transmission) {
            explained.add(&bench, analyzer, target, &report, out);
        }
    }
    explained.finish(out)
}

/// A bench with one analyzer and one receiver, for a capture without a configuration.
fn without_configuration(dialect: &str, strip: &str, units: &str) -> Result<Bench, Failure> {
    let quoted = |text: &str| toml::Value::from(text).to_string();
    let text = format!(
        "[site]\nname = \"-\"\nshort = \"EXPLAIN\"\ntimezone = \"UTC\"\n[store]\ntape = \"t\"\nledger = \"sqlite:l\"\n\
         [[analyzer]]\nid = \"analyzer\"\nline = \"tcp:127.0.0.1:1\"\ncontrols = \"none\"\ndialect = {}\nstrip = {}\n\
         [[receiver]]\nid = \"receiver\"\naddress = \"dir:.\"\nunits = {}\n",
        quoted(dialect),
        quoted(strip),
        quoted(units)
    );
    let loaded = settings::from_text(Path::new("./(none)"), text).map_err(faults)?;
    Bench::build(&loaded).map_err(faults)
}

/// What the line's own ear makes of a capture; a file of bare records is read as one message each.
fn transmissions(analyzer: &Analyzer, bytes: &[u8]) -> Vec<Transmission> {
    if analyzer.dialect.link() == LinkKind::Lis01 && !bytes.contains(&0x02) {
        return bare_records(bytes);
    }
    let mut ear = Ear::new(analyzer.dialect.as_ref());
    ear.handle_input(0, bytes, 0, &[]);
    // A capture ends in silence.
    let mut time = 0;
    while let Some(deadline) = ear.poll_timeout().filter(|t| *t < 3_600_000_000) {
        time = deadline.max(time + 1);
        ear.handle_timeout(time);
    }
    ear.handle_closed(time + 1);
    std::iter::from_fn(|| ear.poll_transmission()).collect()
}

fn bare_records(bytes: &[u8]) -> Vec<Transmission> {
    let mut found: Vec<Transmission> = Vec::new();
    let mut from = 0;
    for line in bytes.split(|b| matches!(b, b'\r' | b'\n')) {
        let place = Place { from, to: from + line.len() as u64 };
        from = place.to + 1;
        if line.is_empty() {
            continue;
        }
        let starts = matches!(line.first(), Some(b'H' | b'h'));
        if starts || found.is_empty() {
            let ending = Ending::Cut("no terminator record follows".into());
            found.push(Transmission { place, lines: Vec::new(), ending });
        }
        if let Some(last) = found.last_mut() {
            last.place = last.place.join(place);
            last.lines.push(Cut { place, bytes: line.to_vec(), flawed: false });
            if matches!(line.first(), Some(b'L' | b'l')) {
                last.ending = Ending::Complete;
            }
        }
    }
    found
}

#[derive(Default)]
struct Explained {
    reports: Vec<Value>,
    not_understood: Vec<Value>,
    holds: usize,
}

impl Explained {
    fn add(
        &mut self,
        bench: &Bench,
        analyzer: &Analyzer,
        target: &Target,
        print: &Report,
        out: &Output,
    ) {
        let heard_at = clock::now_us();
        let day = print.taken.map_or_else(
            || bench.clock.day(heard_at),
            |t| format!("{:04}-{:02}-{:02}", t.year, t.month, t.day),
        );
        let facts = Facts {
            earlier: &[],
            heard: bench.clock.moment(heard_at),
            day: &day,
            sequence: None,
            controls: None,
        };
        let mut judged = judge(print, &analyzer.strips, &analyzer.rules, &facts);
        let control_id = format!("EXPLAIN-{}", self.reports.len() + 1);
        let message =
            self.message(bench, analyzer, target, print, &mut judged, &control_id, heard_at);
        self.holds += judged.holds.len();
        for doubt in judged.holds.iter().filter(|h| h.reason == Reason::Unreadable) {
            if let Some(index) = doubt.line {
                let text = print.lines.get(index).map_or("", |l| l.text.expose());
                self.not_understood.push(json!({"line": index + 1, "text": text}));
            }
        }
        let readings = readings(analyzer, target, &judged, message.as_deref());
        let value = json!({
            "number": print.number,
            "class": judged.class.code(),
            "level": judged.level,
            "specimen": print.specimen.as_ref().map(|s| s.expose()),
            "taken_at": print.taken.map(|t| moment_rfc3339(&bench.clock.with_offset(t).unwrap_or(t))),
            "strip": judged.strip,
            "state": state(&judged.way),
            "lines": print.lines.iter().map(|l| l.text.expose()).collect::<Vec<_>>(),
            "readings": readings,
            "holds": judged.holds.iter().map(hold).collect::<Vec<_>>(),
            "message": message,
        });
        if !out.json {
            show(&value, self.reports.len() + 1, out);
        }
        self.reports.push(value);
    }

    #[expect(clippy::too_many_arguments, reason = "everything that one message depends on")]
    fn message(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
        target: &Target,
        print: &Report,
        judged: &mut Judged,
        control_id: &str,
        heard_at: i64,
    ) -> Option<String> {
        if !matches!(judged.way, Way::Ready) {
            return None;
        }
        let subject = Subject {
            analyzer: &analyzer.id,
            filler: "EXPLAIN",
            specimen: print.specimen.as_ref().map_or("", |s| s.expose()),
            stat: judged.class.code() == "stat",
            print,
            readings: &judged.readings,
            strip: &judged.strip,
            heard_at,
        };
        match compose::message(bench, target, control_id, crate::clock::now_us(), &subject) {
            Ok(body) => Some(compose::text(&body)),
            Err(hold) => {
                judged.holds.push(hold);
                judged.way = Way::Held;
                None
            }
        }
    }

    fn finish(self, out: &Output) -> Answer {
        let clean = self.holds == 0 && self.not_understood.is_empty() && !self.reports.is_empty();
        if out.json {
            out.document(&json!({"reports": self.reports, "not_understood": self.not_understood}))?;
        } else if self.reports.is_empty() {
            out.line("no report was found in this capture: is it this analyzer's dialect?");
        } else if !self.not_understood.is_empty() {
            out.line(&out.toned(
                &format!("{} line(s) NOT UNDERSTOOD:", self.not_understood.len()),
                Tone::Bad,
            ));
            for line in &self.not_understood {
                out.line(&format!(
                    "  line {}: {}",
                    line["line"],
                    line["text"].as_str().unwrap_or("")
                ));
            }
        }
        Ok(if clean { Exit::Done } else { Exit::NotClean })
    }
}

fn hold(hold: &Hold) -> Value {
    let line = hold.line.map(|l| l + 1);
    json!({"reason": hold.reason.code(), "detail": hold.detail, "line": line})
}

fn state(way: &Way) -> &'static str {
    match way {
        Way::Filed => "filed",
        Way::Repeat { .. } => "repeat",
        Way::Held => "held",
        Way::Ready => "waiting",
    }
}

/// Each reading with the OBX it became, read back from the message itself.
fn readings(
    analyzer: &Analyzer,
    target: &Target,
    judged: &Judged,
    message: Option<&str>,
) -> Vec<Value> {
    let strip = analyzer.strips.iter().find(|s| s.id == judged.strip);
    let observations =
        strip.and_then(|s| observe(&judged.readings, s, &target.choice).ok()).unwrap_or_default();
    let read = message.and_then(|m| Message::read(m.as_bytes()).ok());
    let mut list: Vec<Value> =
        judged.readings.iter().map(|r| serde_json::to_value(r).unwrap_or_default()).collect();
    for value in &mut list {
        value["obx"] = json!([]);
    }
    for (index, observation) in observations.iter().enumerate() {
        let Some(read) = &read else { break };
        let field = |number| read.field("OBX", index + 1, number).unwrap_or_default().to_owned();
        let obx = json!({
            "set_id": field(1), "code": first(&field(3)), "type": field(2),
            "value": field(5), "unit": first(&field(6)), "flag": field(8),
        });
        if let Some(list) = list.get_mut(observation.reading).and_then(|v| v["obx"].as_array_mut())
        {
            list.push(obx);
        }
    }
    list
}

fn first(field: &str) -> String {
    field.split('^').next().unwrap_or("").to_owned()
}

fn show(report: &Value, index: usize, out: &Output) {
    let text = |value: &Value| value.as_str().unwrap_or("-").to_owned();
    out.line(&format!(
        "report {index}: number {}, {}, specimen {}, taken {}, strip {} -> {}",
        text(&report["number"]),
        text(&report["class"]),
        text(&report["specimen"]),
        text(&report["taken_at"]),
        text(&report["strip"]),
        text(&report["state"]),
    ));
    let lines = report["lines"].as_array().cloned().unwrap_or_default();
    let rows: Vec<_> = report["readings"]
        .as_array()
        .into_iter()
        .flatten()
        .map(|r| {
            let line = r["lines"][0]
                .as_u64()
                .and_then(|l| lines.get(usize::try_from(l).ok()?))
                .map(text)
                .unwrap_or_default();
            let obx: Vec<String> = r["obx"]
                .as_array()
                .into_iter()
                .flatten()
                .map(|o| {
                    format!(
                        "{} {} {} {} {}",
                        text(&o["code"]),
                        text(&o["type"]),
                        text(&o["value"]),
                        text(&o["unit"]),
                        text(&o["flag"])
                    )
                    .trim_end()
                    .to_owned()
                })
                .collect();
            let reading = [&r["grade"], &r["number"]["comparator"], &r["number"]["digits"]]
                .into_iter()
                .filter_map(Value::as_str)
                .collect::<Vec<_>>()
                .join(" ");
            vec![plain(line), plain(text(&r["analyte"])), plain(reading), plain(obx.join("  |  "))]
        })
        .collect();
    if !rows.is_empty() {
        out.table(&["print", "analyte", "reading", "OBX"], &rows);
    }
    for hold in report["holds"].as_array().into_iter().flatten() {
        let line = hold["line"].as_u64().map_or(String::new(), |l| format!(" (line {l})"));
        out.line(&out.toned(
            &format!("HELD {}{line}: {}", text(&hold["reason"]), text(&hold["detail"])),
            Tone::Bad,
        ));
    }
    for segment in report["message"].as_str().unwrap_or("").split('\r').filter(|s| !s.is_empty()) {
        out.line(&format!("    {segment}"));
    }
    out.line("");
}
