//! `listen`: what arrives on a line, as it arrives. It answers nothing.

pub(super) mod speed;

use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use serde_json::json;
use tokio::signal::unix::{SignalKind, signal};
use wickline_listen::line::{Got, LineKind, LineSpec, Listener, Port};
use wickline_listen::speed::Search;

use super::output::Output;
use super::{Answer, Exit, Failure, file};
use crate::clock::{self, SiteClock};
use crate::marks;
use crate::texts::say;

/// A line without an end is shown after so much silence.
const SILENCE: Duration = Duration::from_millis(300);
/// A longer line is shown in pieces.
const LONGEST: usize = 4096;

const LF: u8 = b'\n';
const CR: u8 = b'\r';
const ENQ: u8 = 0x05;

/// `wickline listen /dev/ttyUSB0 --speed 9600 --save capture.bin`
#[derive(Debug, Args)]
pub struct Options {
    /// As in the configuration: serial:PATH (or just the path), tcp:HOST:PORT or listen:ADDRESS:PORT
    line: String,
    /// Bits a second
    #[arg(long, default_value_t = 9600)]
    speed: u32,
    /// 8N1, 7E1, 7O1, 8E1 or 8O1
    #[arg(long, default_value = "8N1")]
    framing: String,
    /// none, rts-cts or xon-xoff
    #[arg(long, default_value = "none")]
    flow: String,
    /// Who may connect to a listen: line from another machine
    #[arg(long, value_name = "ADDRESS")]
    allow: Vec<String>,
    /// Keep the bytes as they came, for `wickline explain`
    #[arg(long, value_name = "FILE")]
    save: Option<PathBuf>,
    /// End after so long [default: with ctrl-c]
    #[arg(long, value_name = "N")]
    seconds: Option<u64>,
    /// Find speed and framing of a serial line: listens at one setting after the other, without sending a byte,
    /// and says what fits, how sure that is and what speaks against the next best. The analyzer has to print a
    /// report for every try. Ends with 0 when it is sure, else with 1
    #[arg(long, conflicts_with_all = ["speed", "framing", "flow", "save", "allow"])]
    find_speed: bool,
    /// With --find-speed: how long each try waits
    #[arg(long, value_name = "SECONDS", default_value_t = 30, requires = "find_speed",
        value_parser = clap::value_parser!(u64).range(1..=3600))]
    wait: u64,
}

pub async fn listen(options: Options, out: &Output) -> Answer {
    let line = match options.line.strip_prefix('/') {
        Some(_) => format!("serial:{}", options.line),
        None => options.line.clone(),
    };
    let Options { speed, framing, flow, allow, .. } = &options;
    let spec = LineSpec::parse(&line, *speed, framing, flow, allow)
        .map_err(|allowed| Failure::wrong(format!("listening on {line}: allowed is {allowed}")))?;
    if options.find_speed && !matches!(spec.kind, LineKind::Serial { .. }) {
        let text = format!(
            "finding the speed of {spec}: only a serial line has one; allowed is serial:PATH"
        );
        return Err(Failure::wrong(text));
    }
    // Time begins when the question is asked: a port may never let us in.
    let end = options.seconds.map(|s| tokio::time::Instant::now() + Duration::from_secs(s));
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut port = tokio::select! {
        port = open(&spec) => Some(port?),
        _ = interrupt.recv() => None,
        () = at(end) => None,
    };
    if options.find_speed {
        let mut search = Search::default();
        let found = tokio::select! {
            found = speed::find(port.as_mut(), &line, options.wait, &mut search, out, |_, _| true) => found,
            _ = interrupt.recv() => Ok(()),
            () = at(end) => Ok(()),
        };
        // Whatever ended it: what is known by now is told.
        let exit = speed::conclude(&line, &search.verdict(), out)?;
        return found.map(|()| exit);
    }
    let mut keep = options.save.as_deref().map(Keep::new).transpose()?;
    let mut shown = Shown::new(out)?;
    let ended = match port {
        Some(mut port) => {
            eprintln!("listening on {spec}; nothing is answered; ctrl-c ends");
            tokio::select! {
                ended = hear(&mut port, &mut keep, &mut shown) => ended.map(Some),
                _ = interrupt.recv() => Ok(None),
                () = at(end) => Ok(None),
            }
        }
        None => Ok(None),
    };
    // Whatever ended it: what was heard is shown and safe first.
    shown.flush()?;
    if let Some(keep) = keep {
        keep.close()?;
    }
    if let Some(why) = ended? {
        return Err(Failure::unreachable(format!("listening on {spec}: {why}")));
    }
    if shown.count == 0 {
        eprintln!(
            "nothing was heard: is it the right port, is the analyzer set to send, is the cable \
             crossed as it must be?"
        );
        return Ok(Exit::NotClean);
    }
    Ok(Exit::Done)
}

pub(super) async fn open(spec: &LineSpec) -> Result<Port, Failure> {
    let failed = |error: std::io::Error| {
        let text = error.to_string();
        let busy = matches!(
            error.kind(),
            std::io::ErrorKind::ResourceBusy | std::io::ErrorKind::AddrInUse
        );
        let locked = busy || text.contains("lock") || text.contains("busy");
        let hint = if locked {
            "; a running daemon or another program holds this line: stop it first, or see what the \
             daemon hears with `wickline explain --follow`"
        } else {
            ""
        };
        Failure::unreachable(format!("listening on {spec}: {text}{hint}"))
    };
    if let LineKind::Listen { .. } = spec.kind {
        let mut listener = Listener::bind(spec).await.map_err(failed)?;
        eprintln!("waiting for an analyzer to connect to {}", listener.local_addr()?);
        return listener.accept().await.map_err(failed);
    }
    Port::open(spec).await.map_err(failed)
}

/// Resolves at that time; without one, never.
async fn at(end: Option<tokio::time::Instant>) {
    match end {
        Some(end) => tokio::time::sleep_until(end).await,
        None => std::future::pending().await,
    }
}

/// Shows and keeps what comes until the line closes; says why it did.
async fn hear(
    port: &mut Port,
    keep: &mut Option<Keep<'_>>,
    shown: &mut Shown<'_>,
) -> Result<String, Failure> {
    let (mut bytes, mut flaws) = (Vec::new(), Vec::new());
    loop {
        bytes.clear();
        flaws.clear();
        tokio::select! {
            got = port.read(&mut bytes, &mut flaws) => match got {
                Ok(Got::Bytes | Got::Break) => {
                    if let Some(keep) = keep {
                        keep.add(&bytes)?;
                    }
                    shown.take(&bytes, &flaws)?;
                }
                Ok(Got::Closed) => return Ok(say!("point.far_end").to_string()),
                Err(error) => return Ok(error.to_string()),
            },
            () = tokio::time::sleep(SILENCE), if !shown.bytes.is_empty() => shown.flush()?,
        }
    }
}

/// The file that keeps the bytes.
struct Keep<'a> {
    path: &'a Path,
    file: File,
    count: usize,
}

impl<'a> Keep<'a> {
    fn new(path: &'a Path) -> Result<Self, Failure> {
        let taken = || {
            let path = path.display();
            Failure::wrong(format!("{path} is there already; choose a name that is not taken"))
        };
        let file = file::new(path)?.ok_or_else(taken)?;
        Ok(Self { path, file, count: 0 })
    }

    fn add(&mut self, bytes: &[u8]) -> Result<(), Failure> {
        self.count += bytes.len();
        self.file.write_all(bytes).map_err(|error| self.failed(&error))
    }

    fn close(self) -> Result<(), Failure> {
        self.file.sync_all().map_err(|error| self.failed(&error))?;
        eprintln!(
            "{} bytes in {}: see how they read with `wickline explain`; they may hold specimen ids",
            self.count,
            self.path.display()
        );
        Ok(())
    }

    fn failed(&self, error: &std::io::Error) -> Failure {
        Failure::unreachable(format!("keeping bytes in {}: {error}", self.path.display()))
    }
}

/// What is under way of a line, and what was seen of the link.
struct Shown<'a> {
    out: &'a Output,
    clock: SiteClock,
    bytes: Vec<u8>,
    flaws: Vec<usize>,
    /// When its first byte came.
    since: i64,
    count: usize,
    enquiries: usize,
}

impl<'a> Shown<'a> {
    fn new(out: &'a Output) -> Result<Self, Failure> {
        // This command has no site: UTC, and it says so in every time.
        let clock = SiteClock::new("UTC").map_err(Failure::unreachable)?;
        Ok(Self {
            out,
            clock,
            bytes: Vec::new(),
            flaws: Vec::new(),
            since: 0,
            count: 0,
            enquiries: 0,
        })
    }

    fn take(&mut self, bytes: &[u8], flaws: &[usize]) -> std::io::Result<()> {
        for (index, byte) in bytes.iter().copied().enumerate() {
            // Behind a CR: LF ends the same line; ETX and ETB with their check belong to the frame.
            let goes_on = matches!(byte, LF | 0x03 | 0x17);
            if self.bytes.last() == Some(&CR) && !goes_on {
                self.flush()?;
            }
            if self.bytes.is_empty() {
                self.since = clock::now_us();
            }
            if flaws.binary_search(&index).is_ok() {
                self.flaws.push(self.bytes.len());
            } else {
                self.enquiry(byte);
            }
            self.bytes.push(byte);
            self.count += 1;
            if byte == LF || self.bytes.len() >= LONGEST {
                self.flush()?;
            }
        }
        Ok(())
    }

    fn enquiry(&mut self, byte: u8) {
        self.enquiries += usize::from(byte == ENQ);
        if self.enquiries == 2 && byte == ENQ {
            eprintln!(
                "ENQ came again: an analyzer that speaks LIS01 asks to send and waits for an ACK, \
                 which `listen` does not give. Let the daemon hear it (dialect \"lis02\") and watch \
                 with `wickline explain --follow`."
            );
        }
    }

    /// Shows what is there of a line.
    fn flush(&mut self) -> std::io::Result<()> {
        if self.bytes.is_empty() {
            return Ok(());
        }
        let text = marks::heard(&self.bytes, &self.flaws);
        let at = self.clock.rfc3339(self.since);
        if self.out.json {
            let (bytes, flawed) = (self.bytes.len(), self.flaws.len());
            self.out.document(
                &json!({"event": "line", "at": at, "text": text, "bytes": bytes, "flawed": flawed}),
            )?;
        } else {
            self.out.line(&format!("{at}  {text}"));
        }
        self.bytes.clear();
        self.flaws.clear();
        Ok(())
    }
}
