//! TCP lines: serial device servers that we connect to, and analyzers that connect to us.

use std::io;
use std::net::{IpAddr, SocketAddr};
use std::time::Duration;

use rustix::net::sockopt;
use tokio::net::{TcpListener, TcpStream};
use tokio::time::Instant;
use tracing::warn;

use super::takeover::{Takeovers, Verdict};
use super::{LineKind, LineSpec, Port};
use crate::Tick;

const CONNECT_LIMIT: Duration = Duration::from_secs(10);
/// A dead peer looks like silence: after so much of it the kernel asks, so often, three times.
const KEEP_ALIVE_AFTER: Duration = Duration::from_secs(30);
const KEEP_ALIVE_EVERY: Duration = Duration::from_secs(10);
/// The kernel does not ask while an answer of ours is on its way: what nobody takes for so long ends it as well
/// (tcp(7), in milliseconds).
const UNTAKEN_MS: u32 = 60_000;
/// Refusals that go on are told so often. Our own choice.
const TELL_AGAIN: Duration = Duration::from_secs(10);

pub(super) async fn connect(addr: &str) -> io::Result<TcpStream> {
    let about = |error: io::Error| {
        let hint = "is the device server on, and is the port right?";
        io::Error::new(error.kind(), format!("connecting to {addr}: {error}; {hint}"))
    };
    let stream = tokio::time::timeout(CONNECT_LIMIT, TcpStream::connect(addr))
        .await
        .unwrap_or_else(|_| Err(io::Error::new(io::ErrorKind::TimedOut, "no answer within 10 s")))
        .map_err(about)?;
    keep_alive(&stream).map_err(about)?;
    Ok(stream)
}

fn keep_alive(stream: &TcpStream) -> io::Result<()> {
    stream.set_nodelay(true)?;
    sockopt::set_socket_keepalive(stream, true)?;
    sockopt::set_tcp_keepidle(stream, KEEP_ALIVE_AFTER)?;
    sockopt::set_tcp_keepintvl(stream, KEEP_ALIVE_EVERY)?;
    sockopt::set_tcp_keepcnt(stream, 3)?;
    sockopt::set_tcp_user_timeout(stream, UNTAKEN_MS)?;
    Ok(())
}

/// Where analyzers connect to us, one at a time.
///
/// Bound once for a line; each analyzer that comes in is a [`Port`] of its own. While one is heard, whoever knocks is
/// turned away, or takes over from one that is gone: [`Listener::knock`] waits for them and [`Listener::seat`] decides.
pub struct Listener {
    socket: TcpListener,
    allow: Vec<IpAddr>,
    /// A refusal was told since the last analyzer came in: strangers must not fill the log.
    told: bool,
    /// Who else is told of refusals, and when that was last.
    tells: Option<Tells>,
    told_at: Option<Instant>,
    /// Who is heard.
    present: Option<SocketAddr>,
    /// Who has taken over, and is heard next.
    seated: Option<Caller>,
    pub(super) takeovers: Takeovers,
    began: Instant,
}

/// Is told who was turned away and why.
type Tells = Box<dyn Fn(SocketAddr, &'static str, bool) + Send>;

/// Somebody who may connect, and has.
pub struct Caller {
    stream: TcpStream,
    peer: SocketAddr,
}

/// What may happen where analyzers knock.
pub enum Knock {
    /// Somebody who may connect did so.
    Caller(Caller),
    /// Nobody took over for a while, after too many had.
    Quiet,
}

/// Somebody took over from another.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Takeover {
    /// Who fell silent.
    pub from: Option<SocketAddr>,
    /// Who is heard now.
    pub by: SocketAddr,
    /// It has become too often, as where two devices connect to this line.
    pub many: bool,
    /// That was told before, and goes on.
    pub told: bool,
}

impl Listener {
    /// Binds the address of a line on which the analyzer connects to us.
    ///
    /// The error names the address; one that is not of this machine, or taken, is refused by the
    /// system.
    pub async fn bind(spec: &LineSpec) -> io::Result<Listener> {
        let LineKind::Listen { addr, allow } = &spec.kind else {
            let text = format!("{spec} is not a line on which the analyzer connects to us");
            return Err(io::Error::new(io::ErrorKind::InvalidInput, text));
        };
        let socket = TcpListener::bind(addr).await.map_err(|error| {
            io::Error::new(error.kind(), format!("waiting for an analyzer at {addr}: {error}"))
        })?;
        Ok(Listener {
            socket,
            allow: allow.clone(),
            told: false,
            tells: None,
            told_at: None,
            present: None,
            seated: None,
            takeovers: Takeovers::default(),
            began: Instant::now(),
        })
    }

    /// Another silence than the usual one, after which one that is heard counts as gone.
    #[must_use]
    pub fn gone_after(mut self, silence: Duration) -> Listener {
        self.takeovers.silent = ticks(silence);
        self
    }

    /// Tells of refusals, to be counted: `true` beside the first, and as long as they go on beside one every 10 s.
    #[must_use]
    pub fn telling(
        mut self,
        tells: impl Fn(SocketAddr, &'static str, bool) + Send + 'static,
    ) -> Listener {
        self.tells = Some(Box::new(tells));
        self
    }

    /// The address that was bound.
    pub fn local_addr(&self) -> io::Result<SocketAddr> {
        self.socket.local_addr()
    }

    fn now(&self) -> Tick {
        ticks(self.began.elapsed())
    }

    /// Waits until an analyzer that may connect has done so, while none is heard. May be dropped while waiting.
    ///
    /// A caller who is not allowed is turned away and told in the log once until somebody may come in.
    pub async fn accept(&mut self) -> io::Result<Port> {
        loop {
            let caller = match self.seated.take() {
                Some(caller) => caller,
                None => self.caller().await?,
            };
            // Where that fails it hung up again before it could be heard.
            if keep_alive(&caller.stream).is_ok() {
                (self.told, self.present) = (false, Some(caller.peer));
                self.takeovers.came(self.now());
                return Ok(Port::accepted(caller.stream));
            }
        }
    }

    /// The same; None: meanwhile nobody has taken over for a while, after too many had.
    pub async fn next(&mut self) -> io::Result<Option<Port>> {
        loop {
            let quiet = self.quiet();
            tokio::select! {
                port = self.accept() => return port.map(Some),
                () = quiet => if self.takeovers.is_quiet(self.now()) {
                    return Ok(None);
                },
            }
        }
    }

    async fn caller(&mut self) -> io::Result<Caller> {
        loop {
            let (stream, peer) = self.socket.accept().await?;
            if self.admits(peer.ip()) {
                return Ok(Caller { stream, peer });
            }
            self.refuse(peer, "it is not in `allow`");
        }
    }

    /// The one that is heard ended a report, or a frame of one, so long ago.
    pub fn heard(&mut self, ago: Duration) {
        self.takeovers.heard(self.now() - ticks(ago));
    }

    /// Too many took over, and it has not become quiet since.
    #[must_use]
    pub fn is_taken_again_and_again(&self) -> bool {
        self.takeovers.is_told()
    }

    /// Waits until somebody knocks who may connect, while another is heard, or until it has become quiet. May be
    /// dropped while waiting.
    pub async fn knock(&mut self) -> Knock {
        loop {
            let quiet = self.quiet();
            tokio::select! {
                caller = self.caller() => match caller {
                    Ok(caller) => return Knock::Caller(caller),
                    // Out of descriptors, most likely: nobody to refuse, and no reason to spin.
                    Err(_) => tokio::time::sleep(Duration::from_secs(1)).await,
                },
                () = quiet => if self.takeovers.is_quiet(self.now()) {
                    return Knock::Quiet;
                },
            }
        }
    }

    /// Resolves when nobody has taken over for a while after too many had.
    fn quiet(&self) -> impl Future<Output = ()> + use<> {
        let at = self.takeovers.quiet_at().and_then(|at| u64::try_from(at).ok());
        let at = at.map(|at| self.began + Duration::from_micros(at));
        async move {
            match at {
                Some(at) => tokio::time::sleep_until(at).await,
                None => std::future::pending().await,
            }
        }
    }

    /// Decides of somebody who knocks while another is heard; `open`: for how long a report of that one is under way.
    /// Who takes over is the next that [`Listener::accept`] gives; the other's port is to be dropped. None: turned
    /// away.
    pub fn seat(&mut self, caller: Caller, open: Option<Duration>) -> Option<Takeover> {
        let now = self.now();
        let many = match self.takeovers.knocks(now, open.map(ticks)) {
            Verdict::Over { many } => many,
            Verdict::Away(why) => {
                self.refuse(caller.peer, why);
                return None;
            }
        };
        // Nobody loses a line to one who has hung up again.
        keep_alive(&caller.stream).ok()?;
        let told = self.takeovers.is_told();
        self.takeovers.taken(now);
        let (from, by) = (self.present, caller.peer);
        self.seated = Some(caller);
        Some(Takeover { from, by, many, told })
    }

    fn admits(&self, peer: IpAddr) -> bool {
        let peer = peer.to_canonical();
        if self.allow.is_empty() { peer.is_loopback() } else { self.allow.contains(&peer) }
    }

    fn refuse(&mut self, peer: SocketAddr, why: &'static str) {
        if !std::mem::replace(&mut self.told, true) {
            warn!(%peer, why, "connection refused on an analyzer's line");
        }
        let due = self.told_at.is_none_or(|at| at.elapsed() >= TELL_AGAIN);
        if let Some(tells) = &self.tells {
            self.told_at = if due { Some(Instant::now()) } else { self.told_at };
            tells(peer, why, due);
        }
    }
}

fn ticks(time: Duration) -> Tick {
    Tick::try_from(time.as_micros()).unwrap_or(Tick::MAX)
}
