//! Where the console is served, and to whom: beyond this machine only where TLS closes the way.

use std::net::{IpAddr, SocketAddr};

use wickline_forward::deliver::Serving;

use super::super::Settings;
use super::Builder;

/// An address on which something is served.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Served {
    pub listen: SocketAddr,
    /// None: plain.
    pub tls: Option<Serving>,
    /// Who alone may connect: the proxy in front of it.
    pub only: Option<IpAddr>,
}

impl Served {
    /// Whether another machine can reach it.
    #[must_use]
    pub fn is_beyond(&self) -> bool {
        !self.listen.ip().to_canonical().is_loopback()
    }
}

impl Builder<'_> {
    pub(super) fn console(&mut self, settings: &Settings) -> Option<Served> {
        let raw = &settings.console;
        if raw.listen.is_empty() {
            for (key, text) in
                [("certificate", &raw.certificate), ("key", &raw.key), ("proxy", &raw.proxy)]
            {
                if !text.is_empty() {
                    let allowed =
                        "nothing where console.listen is empty: it would not be used".to_owned();
                    self.fault("console", 0, key, text, allowed);
                }
            }
            return None;
        }
        let listen = self.address("console", &raw.listen);
        let only = self.proxy(&raw.proxy);
        let tls = self.serving(settings);
        let served = Served { listen: listen?, tls, only };
        let closed = !raw.certificate.is_empty() || !raw.key.is_empty() || !raw.proxy.is_empty();
        if served.is_beyond() && !closed {
            let allowed = "an address of this machine alone, such as \"127.0.0.1:8420\"; beyond it with `certificate` \
                           and `key` for TLS, or with `proxy`, the address of a proxy that speaks TLS in front of it. \
                           For /healthz, /readyz and /metrics alone write it as `listen` of [watch]"
                .to_owned();
            self.fault("console", 0, "listen", &raw.listen, allowed);
        }
        Some(served)
    }

    pub(super) fn watch(&mut self, settings: &Settings) -> Option<Served> {
        let text = settings.watch.listen.as_str();
        if text.is_empty() {
            return None;
        }
        Some(Served { listen: self.address("watch", text)?, tls: None, only: None })
    }

    fn address(&mut self, table: &str, text: &str) -> Option<SocketAddr> {
        let parsed = text.parse().map_err(|_| "an address such as \"127.0.0.1:8420\"".to_owned());
        self.good(table, 0, "listen", text, parsed)
    }

    fn proxy(&mut self, text: &str) -> Option<IpAddr> {
        if text.is_empty() {
            return None;
        }
        let one = text.parse::<IpAddr>().ok().filter(|ip| !ip.is_unspecified());
        let one = one.map(|ip| ip.to_canonical()).ok_or_else(|| {
            "the one address from which the proxy connects, such as \"192.0.2.10\", or \"127.0.0.1\" for one on this \
             machine"
                .to_owned()
        });
        self.good("console", 0, "proxy", text, one)
    }

    fn serving(&mut self, settings: &Settings) -> Option<Serving> {
        let raw = &settings.console;
        let (certificate, key) = match (raw.certificate.is_empty(), raw.key.is_empty()) {
            (true, true) => return None,
            (true, false) => {
                self.fault("console", 0, "certificate", "", "the one of `key`".into());
                return None;
            }
            (false, true) => {
                self.fault("console", 0, "key", "", "the key of `certificate`".into());
                return None;
            }
            (false, false) => (self.folder().join(&raw.certificate), self.folder().join(&raw.key)),
        };
        let serving = Serving { certificate, key, clients: None };
        for (key, why) in serving.faults() {
            let found = if key == "key" { &raw.key } else { &raw.certificate };
            self.fault("console", 0, key, found, why);
        }
        self.secret("console", 0, "key", &serving.key);
        Some(serving)
    }
}
