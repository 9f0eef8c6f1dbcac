//! Where the copy of a line goes, as configured.

use std::fmt;
use std::net::SocketAddr;
use std::path::PathBuf;

use super::Builder;
use super::cautions::{Caution, caution};
use crate::address::is_here;
use crate::settings::AnalyzerKeys;

/// Where it goes.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum TeeTo {
    /// Into a file, at its end.
    File(PathBuf),
    /// We connect, to `HOST:PORT`.
    Tcp(String),
    /// A program of this machine connects.
    Listen(SocketAddr),
}

impl fmt::Display for TeeTo {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            TeeTo::File(path) => write!(f, "file:{}", path.display()),
            TeeTo::Tcp(address) => write!(f, "tcp:{address}"),
            TeeTo::Listen(address) => write!(f, "listen:{address}"),
        }
    }
}

impl TeeTo {
    /// Told at each start where the copy leaves this machine.
    pub(super) fn caution(&self, analyzer: &str) -> Option<Caution> {
        let TeeTo::Tcp(address) = self else { return None };
        let (host, _) = address.rsplit_once(':')?;
        (!is_here(host.trim_matches(['[', ']']))).then(|| {
            let text = format!(
                "tee = \"{self}\" is another machine, and nothing closes the way: whoever stands between can read \
                 patients' results"
            );
            caution(format!("analyzer {analyzer}"), text)
        })
    }
}

impl Builder<'_> {
    /// None within: no copy is made.
    pub(super) fn tee(&mut self, raw: &AnalyzerKeys, index: usize) -> Option<Option<TeeTo>> {
        if raw.tee.is_empty() {
            return Some(None);
        }
        let has_port = |address: &str| {
            address.rsplit_once(':').is_some_and(|(host, port)| {
                !host.is_empty() && port.parse::<u16>().is_ok_and(|port| port > 0)
            })
        };
        let tee = match raw.tee.split_once(':') {
            Some(("file", path)) if !path.is_empty() => self.tee_file(path),
            Some(("tcp", address)) if has_port(address) => Ok(TeeTo::Tcp(address.to_owned())),
            Some(("listen", address)) => match address.parse::<SocketAddr>() {
                Ok(address) if address.ip().is_loopback() => Ok(TeeTo::Listen(address)),
                _ => Err("listen:ADDRESS:PORT with an address of this machine alone, such as 127.0.0.1:4010: \
                          whoever connects reads patients' results"
                    .to_owned()),
            },
            _ => Err("file:PATH, tcp:HOST:PORT (we connect) or listen:ADDRESS:PORT (a program of this machine \
                      connects); empty: no copy"
                .to_owned()),
        };
        self.good("analyzer", index, "tee", &raw.tee, tee).map(Some)
    }

    /// A file of its own: no store, and no other line's copy.
    fn tee_file(&self, path: &str) -> Result<TeeTo, String> {
        let settings = &self.loaded.settings;
        let path = self.folder().join(path);
        let ledger = settings.store.ledger.strip_prefix("sqlite:");
        let stores = [settings.store.tape.to_str(), ledger].into_iter().flatten();
        let endings = ["", "-wal", "-shm"];
        let store = stores.flat_map(|store| endings.map(|ending| format!("{store}{ending}")));
        if store.into_iter().any(|store| super::apart::same(&path, &self.folder().join(store))) {
            return Err("a file of its own: this one is a store's".into());
        }
        let copies = settings.analyzer.iter().filter_map(|a| a.tee.strip_prefix("file:"));
        if copies.filter(|copy| super::apart::same(&path, &self.folder().join(copy))).count() > 1 {
            return Err("a file of its own: another analyzer's copy goes there".into());
        }
        Ok(TeeTo::File(path))
    }
}
