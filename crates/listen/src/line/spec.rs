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
const FLOWS: [(&str, FlowControl); 3] = [
    ("none", FlowControl::None),
    ("rts-cts", FlowControl::Hardware),
    ("xon-xoff", FlowControl::Software),
];

/// A line and how it is set.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LineSpec {
    /// What sort of line, and where.
    pub kind: LineKind,
    /// Bits per second. This and what follows: of serial lines.
    pub speed: u32,
    pub(super) framing: usize,
    pub(super) flow: usize,
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
            Some(("serial", path)) if !path.is_empty() => LineKind::Serial { path: path.into() },
            Some(("tcp", addr)) if has_port(addr) => LineKind::Tcp { addr: addr.to_owned() },
            Some(("listen", addr)) => listen(addr, allow)?,
            _ => {
                return Err("serial:PATH, tcp:HOST:PORT (we connect) or listen:ADDRESS:PORT (the \
                     analyzer connects)"
                    .into());
            }
        };
        if !SPEEDS.contains(&speed) {
            let known = SPEEDS.map(|speed| speed.to_string()).join(", ");
            return Err(format!("a speed of {known}; found {speed}"));
        }
        let framing = position(FRAMINGS.map(|f| f.0), framing, "a framing")?;
        let flow = position(FLOWS.map(|f| f.0), flow, "a flow control")?;
        Ok(LineSpec { kind, speed, framing, flow })
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
        match &self.kind {
            LineKind::Serial { path } => {
                let framing = FRAMINGS.get(self.framing).map_or("", |f| f.0);
                write!(f, "serial:{} {} {framing}", path.display(), self.speed)
            }
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
