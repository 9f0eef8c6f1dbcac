//! The connection to a server of serial ports: [`super::rfc2217`] says what, here it is read and sent.

use std::io;
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

use super::rfc2217::Client;
use super::spec::Wanted;
use super::trouble::Counts;
use super::{CHUNK, Got, tcp};

/// Longest that a server may take to confirm every setting.
const AGREE_LIMIT: Duration = Duration::from_secs(10);
/// Most that a port may have said before that: it is kept, and marked.
const EARLY: usize = 64 * 1024;

/// An open port of a server.
pub(super) struct Remote {
    stream: TcpStream,
    client: Client,
    /// What was heard before the settings were confirmed.
    early: (Vec<u8>, Vec<usize>),
}

/// Whoever hangs up on what was not read yet ends the connection with an error.
fn is_hang_up(error: &io::Error) -> bool {
    matches!(error.kind(), io::ErrorKind::ConnectionReset | io::ErrorKind::BrokenPipe)
}

/// What one turn with the connection brought.
enum Turn {
    Sent,
    Heard { broke: bool },
    Closed,
}

impl Remote {
    /// Connects, and has every setting confirmed.
    pub async fn open(addr: &str, wanted: &Wanted) -> io::Result<Remote> {
        let stream = tcp::connect(addr).await?;
        let early = (Vec::new(), Vec::new());
        let mut remote = Remote { stream, client: Client::new(wanted), early };
        let about = |kind, why: &str| {
            Err(io::Error::new(kind, format!("setting the port at {addr}: {why}")))
        };
        match tokio::time::timeout(AGREE_LIMIT, remote.agree()).await {
            Ok(Ok(())) => Ok(remote),
            Ok(Err(error)) => about(error.kind(), &error.to_string()),
            Err(_) => {
                let missing = remote.client.missing();
                about(
                    io::ErrorKind::TimedOut,
                    &format!("no answer within 10 s to {missing}; is this port one of RFC 2217?"),
                )
            }
        }
    }

    async fn agree(&mut self) -> io::Result<()> {
        let (mut bytes, mut flaws) = (Vec::new(), Vec::new());
        while !self.client.is_ready() {
            self.is_agreed()?;
            let hung_up = match self.turn(&mut bytes, &mut flaws).await {
                Ok(turn) => matches!(turn, Turn::Closed),
                Err(error) if is_hang_up(&error) => true,
                Err(error) => return Err(error),
            };
            if hung_up {
                let text = format!(
                    "it hung up before it had answered to {}: is another client on this port?",
                    self.client.missing()
                );
                return Err(io::Error::new(io::ErrorKind::ConnectionAborted, text));
            }
            if bytes.len() > EARLY {
                let text =
                    format!("it sends bytes and does not answer to {}", self.client.missing());
                return Err(io::Error::new(io::ErrorKind::InvalidData, text));
            }
        }
        self.early = (bytes, flaws);
        Ok(())
    }

    /// An error: the far end refused a setting, or changed one.
    fn is_agreed(&self) -> io::Result<()> {
        match self.client.refused() {
            Some(why) => Err(io::Error::new(io::ErrorKind::Unsupported, why.to_owned())),
            None => Ok(()),
        }
    }

    /// Sends of what waits to be sent, or reads. May be dropped while waiting: what was sent and what was read is
    /// noted in the same breath.
    async fn turn(&mut self, bytes: &mut Vec<u8>, flaws: &mut Vec<usize>) -> io::Result<Turn> {
        let mut chunk = [0; CHUNK];
        let (mut reading, mut writing) = self.stream.split();
        let out = self.client.transmit();
        let waits = !out.is_empty();
        tokio::select! {
            sent = writing.write(out), if waits => {
                self.client.sent(sent?);
                Ok(Turn::Sent)
            }
            count = reading.read(&mut chunk) => {
                let count = count?;
                let raw = chunk.get(..count).unwrap_or_default();
                let broke = self.client.input(raw, bytes, flaws);
                Ok(if count == 0 { Turn::Closed } else { Turn::Heard { broke } })
            }
        }
    }

    pub async fn read(&mut self, bytes: &mut Vec<u8>, flaws: &mut Vec<usize>) -> io::Result<Got> {
        let start = bytes.len();
        let (early, spoilt) = std::mem::take(&mut self.early);
        bytes.extend(early);
        flaws.extend(spoilt.into_iter().map(|index| start + index));
        loop {
            if bytes.len() > start {
                return Ok(Got::Bytes);
            }
            self.is_agreed()?;
            match self.turn(bytes, flaws).await? {
                Turn::Closed => return Ok(Got::Closed),
                Turn::Heard { broke: true } => return Ok(Got::Break),
                Turn::Sent | Turn::Heard { .. } => {}
            }
        }
    }

    pub async fn write_all(&mut self, bytes: &[u8]) -> io::Result<()> {
        if !self.client.send(bytes) {
            let text = "the server takes nothing, and no more is kept for it";
            return Err(io::Error::new(io::ErrorKind::WouldBlock, text));
        }
        while !self.client.transmit().is_empty() {
            let sent = self.stream.write(self.client.transmit()).await?;
            self.client.sent(sent);
        }
        Ok(())
    }

    pub fn counts(&self) -> Counts {
        self.client.counts
    }
}
