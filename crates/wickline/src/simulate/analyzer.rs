//! The simulated analyzer at work: prints strip after strip on its line, at the line's own pace.

use std::io;
use std::time::Duration;

use wickline_listen::link::{Sender, SenderEvent};
use wickline_normalize::Moment;
use wickline_normalize::strip::Strip;

use super::port::SimPort;
use super::print;
use super::script::{Fault, Run, Script};
use crate::clock::{self, SiteClock};

/// How the simulated analyzer talks.
pub struct SimulatedAnalyzer {
    pub port: SimPort,
    pub dialect: Style,
    pub strip: Strip,
    pub clock: SiteClock,
    /// Bits a second; 0: as fast as the line takes it.
    pub speed: u32,
    /// Time between strips.
    pub pause: Duration,
    sender: Sender,
}

/// What it prints.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Style {
    Lis02,
    TwoColumn,
}

impl std::str::FromStr for Style {
    type Err = String;

    fn from_str(text: &str) -> Result<Self, String> {
        match text {
            "lis02" => Ok(Style::Lis02),
            "two-column" => Ok(Style::TwoColumn),
            _ => Err(format!("`{text}` cannot be simulated; lis02 and two-column can")),
        }
    }
}

/// How sending one strip ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sent {
    /// The far end acknowledged everything (or nobody acknowledges on this line).
    Delivered,
    /// Not acknowledged: the analyzer keeps it.
    Kept,
}

impl SimulatedAnalyzer {
    #[must_use]
    pub fn new(port: SimPort, dialect: Style, strip: Strip, clock: SiteClock) -> Self {
        Self { port, dialect, strip, clock, speed: 0, pause: Duration::ZERO, sender: Sender::new() }
    }

    /// Runs a whole script. A strip that was not acknowledged is sent again until it is.
    pub async fn run(
        &mut self,
        script: &Script,
        mut told: impl FnMut(&Run, Sent),
    ) -> io::Result<()> {
        for run in &script.run {
            // A strip is read once: sent again, it is the same to the byte.
            let now = self.clock.moment(clock::now_us());
            loop {
                let sent = self.strip(script, run, now).await?;
                told(run, sent);
                if sent == Sent::Delivered || run.fault == Fault::CutOff {
                    break;
                }
                tokio::time::sleep(Duration::from_millis(200)).await;
            }
            if run.fault == Fault::SentTwice {
                told(run, self.strip(script, run, now).await?);
            }
            tokio::time::sleep(self.pause).await;
        }
        Ok(())
    }

    async fn strip(&mut self, script: &Script, run: &Run, now: Moment) -> io::Result<Sent> {
        match self.dialect {
            Style::Lis02 => {
                let records = print::lis02(&self.strip, script, run, now);
                self.send(records, run.fault).await
            }
            Style::TwoColumn => {
                let mut text = print::two_column(&self.strip, run, now);
                if run.fault == Fault::CutOff {
                    text.truncate(text.len() / 2);
                }
                self.write(&text).await?;
                Ok(Sent::Delivered)
            }
        }
    }

    /// Sends records over the LIS01 link and waits until they are acknowledged or given up.
    async fn send(&mut self, records: Vec<Vec<u8>>, fault: Fault) -> io::Result<Sent> {
        let half = records.len() / 2;
        let mut frames = 0;
        // What was not acknowledged is still with the sender, which goes on with it in its own time.
        if self.sender.waiting() == 0 {
            self.sender.offer(&records);
        }
        let mut heard = Vec::new();
        let mut out = Vec::new();
        let mut spoilt = false;
        loop {
            out.clear();
            while self.sender.poll_transmit(&mut out) {
                let frame = out.first() == Some(&2);
                frames += usize::from(frame);
                if fault == Fault::CutOff && frame && frames > half {
                    let cut = out.len() / 2;
                    self.write(&out[..cut]).await?;
                    self.sender = Sender::new();
                    return Ok(Sent::Kept);
                }
                spoilt = fault == Fault::BadChecksum && frame && !spoilt;
                if spoilt && let Some(byte) = out.get_mut(2) {
                    *byte ^= 1;
                }
                self.write(&out).await?;
                out.clear();
            }
            if let Some(event) = self.sender.poll_event() {
                return Ok(match event {
                    SenderEvent::Delivered => Sent::Delivered,
                    SenderEvent::Kept { .. } => Sent::Kept,
                });
            }
            let deadline = self.sender.poll_timeout();
            heard.clear();
            tokio::select! {
                read = self.port.read(&mut heard) => match read {
                    Ok(()) => self.sender.handle_input(clock::tick_us(), &heard),
                    // The far end is gone: begin anew when it is back.
                    Err(error) if error.kind() == io::ErrorKind::NotConnected => {
                        self.sender = Sender::new();
                        return Ok(Sent::Kept);
                    }
                    Err(error) => return Err(error),
                },
                () = tokio::time::sleep_until(clock::instant_at(deadline.unwrap_or(0))),
                    if deadline.is_some() => self.sender.handle_timeout(clock::tick_us()),
            }
        }
    }

    /// Writes at the line's speed: ten bits a byte, in pieces as an adapter gives them.
    async fn write(&mut self, bytes: &[u8]) -> io::Result<()> {
        if self.speed == 0 {
            return self.port.write_all(bytes).await;
        }
        for piece in bytes.chunks(16) {
            self.port.write_all(piece).await?;
            let micros = piece.len() as u64 * 10_000_000 / u64::from(self.speed);
            tokio::time::sleep(Duration::from_micros(micros)).await;
        }
        Ok(())
    }
}
