//! Whether the daemon can listen where it is to: at lines, copies, sources and its own pages.

use std::io;
use std::net::SocketAddr;

use tokio::net::TcpSocket;
use wickline_listen::line::LineKind;

use super::{Finding, Level, finding};
use crate::daemon;
use crate::settings::bench::{Bench, TeeTo};

/// A daemon of ours that runs has its ports itself: nothing is said of one that is taken then.
pub fn ports(bench: &Bench, found: &mut Vec<Finding>) {
    let was_begun = bench.tape.with_extension("lock").exists();
    let may_run = was_begun && daemon::is_locked(&bench.tape) != Some(false);
    for (about, address) in listening(bench) {
        let text = match free(address) {
            Ok(()) => continue,
            Err(error) if error.kind() == io::ErrorKind::AddrInUse && may_run => continue,
            Err(error) if error.kind() == io::ErrorKind::AddrInUse => format!(
                "{address}: another program listens there, and the daemon cannot: `ss -ltnp` run as root \
                 names it; end it, or write another port"
            ),
            Err(error) => {
                format!("{address}: {error}; write an address of this machine and a free port")
            }
        };
        found.push(finding(Level::Bad, about, text));
    }
}

fn listening(bench: &Bench) -> Vec<(String, SocketAddr)> {
    let mut all = Vec::new();
    for analyzer in &bench.analyzers {
        if let LineKind::Listen { addr, .. } = &analyzer.line.kind {
            all.push((format!("analyzer {}", analyzer.id), *addr));
        }
        if let Some(TeeTo::Listen(at)) = &analyzer.tee {
            all.push((format!("analyzer {}, tee", analyzer.id), *at));
        }
    }
    let sources = bench.sources.iter();
    all.extend(sources.map(|source| (format!("source {}", source.site.name), source.listen)));
    let pages = [("console.listen", &bench.console), ("watch.listen", &bench.watch)];
    all.extend(
        pages.into_iter().filter_map(|(key, at)| Some((key.to_owned(), at.as_ref()?.listen))),
    );
    all
}

/// Bound as the daemon binds it (tcp(7), SO_REUSEADDR) and not listened on: a daemon that starts just then still can.
fn free(address: SocketAddr) -> io::Result<()> {
    let socket = match address {
        SocketAddr::V4(_) => TcpSocket::new_v4()?,
        SocketAddr::V6(_) => TcpSocket::new_v6()?,
    };
    socket.set_reuseaddr(true)?;
    socket.bind(address)
}
