//! Which line an analyzer is heard on, as configured.

use std::fmt;
use std::net::{IpAddr, SocketAddr};
use std::path::PathBuf;

use tokio_serial::{DataBits, FlowControl, Parity};

/// Bits per second that a line may have.
pub const SPEEDS: [u32; 9] = [300, 1200, 2400, 4800, 9600, 19_200, 38_400, 57_600, 115_200];
const FRAMINGS: [(&str, DataBits, Parity); 5] = [
    ("8N1", DataBits::Eight, Parity::None),
    ("7E1", DataBits::Seven, Parity::Even),
    ("7O1", DataBits::Seven, Parity::Odd),
    ("8E1", DataBits::Eight, Parity::Even),
    ("8O1", DataBits::Eight, Parity::Odd),
];
/// Each with its value in RFC 2217's SET-CONTROL.
const FLOWS: [(&str, FlowControl, u8); 3] = [
    ("none", FlowControl::None, 1),
    ("rts-cts", FlowControl::Hardware, 3),
    ("xon-xoff", FlowControl::Software, 2),
];

/// A line and how it is set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineSpec {
    /// What sort of line, and where.
    pub kind: LineKind,
    /// Bits per second. This and what follows: of serial lines, here or at a server.
    pub speed: u32,
    pub(super) framing: usize,
    pub(super) flow: usize,
    /// What DTR and RTS are set to when it is opened; none: left as the system has them.
    pub(super) dtr: Option<bool>,
    pub(super) rts: Option<bool>,
}

/// A port's settings as RFC 2217 has them.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Wanted {
    pub speed: u32,
    pub data_bits: u8,
    pub parity: u8,
    pub flow: u8,
    pub dtr: Option<bool>,
    pub rts: Option<bool>,
}

/// What sort of line it is.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum LineKind {
    /// A port of this machine.
    Serial {
        /// Its node; a name by path or id outlives replugging.
        path: PathBuf,
    },
    /// We connect, to `HOST:PORT`.
    Tcp {
        /// `HOST:PORT`, looked up at every connection.
        addr: String,
    },
    /// A port of a server that we connect to, and that sets it as we say (RFC 2217).
    Rfc2217 {
        /// `HOST:PORT`, looked up at every connection.
        addr: String,
    },
    /// The analyzer connects, from one of these addresses; empty, which only a loopback address may
    /// have: from this machine.
    Listen {
        /// Where we wait.
        addr: SocketAddr,
        /// Who may connect.
        allow: Vec<IpAddr>,
    },
}

impl LineSpec {
    /// Reads a line as the configuration names it, or says what is allowed.
    ///
    /// Speeds are those that analyzers have, 300 to 115200; framings 8N1, 7E1, 7O1, 8E1, 8O1; flow
    /// control none, rts-cts or xon-xoff; `allow` has numeric addresses, for lines on which the
    /// analyzer connects.
    ///
    /// ```
    /// use wickline_listen::LineSpec;
    ///
    /// let line = LineSpec::parse("serial:/dev/ttyUSB0", 9600, "8N1", "none", &[]).expect("a line");
    /// assert_eq!(line.to_string(), "serial:/dev/ttyUSB0 9600 8N1");
    /// // Off loopback whoever may connect has to be named.
    /// assert!(LineSpec::parse("listen:0.0.0.0:4002", 9600, "8N1", "none", &[]).is_err());
    /// ```
    pub fn parse(
        line: &str,
        speed: u32,
        framing: &str,
        flow: &str,
        allow: &[String],
    ) -> Result<LineSpec, String> {
        let kind = match line.split_once(':') {
            // Another path would mean what the folder is in which the program happens to be started.
            Some(("serial", path)) if path.starts_with('/') => {
                LineKind::Serial { path: path.into() }
            }
            Some(("tcp", addr)) if has_port(addr) => LineKind::Tcp { addr: addr.to_owned() },
            Some(("rfc2217", addr)) if has_port(addr) => {
                LineKind::Rfc2217 { addr: addr.to_owned() }
            }
            Some(("listen", addr)) => listen(addr, allow)?,
            _ => {
                return Err("serial:PATH (from / on), tcp:HOST:PORT (we connect), rfc2217:HOST:PORT (we connect and set \
                     the port there) or listen:ADDRESS:PORT (the analyzer connects)"
                    .into());
            }
        };
        if !SPEEDS.contains(&speed) {
            let known = SPEEDS.map(|speed| speed.to_string()).join(", ");
            return Err(format!("a speed of {known}; found {speed}"));
        }
        let framing = position(FRAMINGS.map(|f| f.0), framing, "a framing")?;
        let flow = position(FLOWS.map(|f| f.0), flow, "a flow control")?;
        Ok(LineSpec { kind, speed, framing, flow, dtr: None, rts: None })
    }

    /// The same with what DTR and RTS are set to when it is opened: `on`, `off` or `leave`. An error says which of the
    /// two, and what is allowed.
    pub fn with_modem(mut self, dtr: &str, rts: &str) -> Result<LineSpec, (&'static str, String)> {
        let known = matches!(self.kind, LineKind::Serial { .. } | LineKind::Rfc2217 { .. });
        for (key, text, level) in [("dtr", dtr, &mut self.dtr), ("rts", rts, &mut self.rts)] {
            *level = match text {
                "leave" => None,
                "on" => Some(true),
                "off" => Some(false),
                _ => return Err((key, format!("on, off or leave; found {text:?}"))),
            };
            if level.is_some() && !known {
                let text = "leave: only serial: and rfc2217: lines have it to set".to_owned();
                return Err((key, text));
            }
        }
        if self.rts.is_some() && FLOWS.get(self.flow).is_some_and(|f| f.0 == "rts-cts") {
            let text = "leave, because with flow = \"rts-cts\" the port itself moves it".to_owned();
            return Err(("rts", text));
        }
        Ok(self)
    }

    pub(super) fn wanted(&self) -> Wanted {
        let (data_bits, parity) = self.bits();
        Wanted {
            speed: self.speed,
            data_bits: if data_bits == DataBits::Seven { 7 } else { 8 },
            parity: match parity {
                Parity::None => 1,
                Parity::Odd => 2,
                Parity::Even => 3,
            },
            flow: FLOWS.get(self.flow).map_or(1, |f| f.2),
            dtr: self.dtr,
            rts: self.rts,
        }
    }

    pub(super) fn bits(&self) -> (DataBits, Parity) {
        FRAMINGS.get(self.framing).map_or((DataBits::Eight, Parity::None), |f| (f.1, f.2))
    }

    pub(super) fn flow_control(&self) -> FlowControl {
        FLOWS.get(self.flow).map_or(FlowControl::None, |f| f.1)
    }
}

impl fmt::Display for LineSpec {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let framing = FRAMINGS.get(self.framing).map_or("", |f| f.0);
        match &self.kind {
            LineKind::Serial { path } => {
                write!(f, "serial:{} {} {framing}", path.display(), self.speed)
            }
            LineKind::Rfc2217 { addr } => write!(f, "rfc2217:{addr} {} {framing}", self.speed),
            LineKind::Tcp { addr } => write!(f, "tcp:{addr}"),
            LineKind::Listen { addr, .. } => write!(f, "listen:{addr}"),
        }
    }
}

fn position<const N: usize>(known: [&str; N], word: &str, what: &str) -> Result<usize, String> {
    let found = known.iter().position(|known| *known == word);
    found.ok_or_else(|| format!("{what} of {}; found {word:?}", known.join(", ")))
}

fn has_port(addr: &str) -> bool {
    addr.rsplit_once(':').is_some_and(|(host, port)| {
        !host.is_empty() && port.parse::<u16>().is_ok_and(|port| port > 0)
    })
}

fn listen(addr: &str, allow: &[String]) -> Result<LineKind, String> {
    let addr: SocketAddr = addr
        .parse()
        .map_err(|_| "listen:ADDRESS:PORT with a numeric address, such as 0.0.0.0:4002")?;
    let peer = |text: &String| {
        text.parse::<IpAddr>().map_err(|_| {
            format!("numeric addresses in `allow`, such as \"192.0.2.31\"; found {text:?}")
        })
    };
    let allow = allow.iter().map(peer).collect::<Result<Vec<_>, _>>()?;
    if allow.is_empty() && !addr.ip().is_loopback() {
        return Err(format!(
            "`allow` with the addresses that may connect, because {addr} can be reached from \
             other machines"
        ));
    }
    Ok(LineKind::Listen { addr, allow })
}
