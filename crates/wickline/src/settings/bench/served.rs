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
    /// By which names alone it is asked for. Empty: as the way is closed.
    pub hosts: Vec<String>,
}

/// What the pages ask of those who come.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct ConsoleRules {
    /// Microseconds after which somebody who does nothing is signed out.
    pub idle_us: i64,
    /// How badges begin. None: there are none.
    pub badge: Option<String>,
    /// How things stand is shown on this machine to whoever looks.
    pub wall: bool,
}

impl ConsoleRules {
    /// Whether a text is a badge: no letter of it is shown, looked for or kept. A scanner may turn the letters.
    #[must_use]
    pub fn is_badge(&self, text: &str) -> bool {
        let begins = |prefix: &String| {
            text.trim_start().get(..prefix.len()).is_some_and(|t| t.eq_ignore_ascii_case(prefix))
        };
        self.badge.as_ref().is_some_and(begins)
    }
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
            for (key, text) in [
                ("certificate", &raw.certificate),
                ("key", &raw.key),
                ("proxy", &raw.proxy),
                ("badge", &raw.badge),
            ] {
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
        let hosts = self.hosts(&raw.hosts);
        let served = Served { listen: listen?, tls, only, hosts };
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
        Some(Served {
            listen: self.address("watch", text)?,
            tls: None,
            only: None,
            hosts: Vec::new(),
        })
    }

    fn address(&mut self, table: &str, text: &str) -> Option<SocketAddr> {
        let parsed = text.parse().map_err(|_| "an address such as \"127.0.0.1:8420\"".to_owned());
        self.good(table, 0, "listen", text, parsed)
    }

    /// The names as requests have them: without regard to case, and without a port.
    fn hosts(&mut self, names: &[String]) -> Vec<String> {
        for name in names {
            let plain = |b: u8| b.is_ascii_alphanumeric() || matches!(b, b'-' | b'.');
            if name.is_empty() || name.len() > 253 || !name.bytes().all(plain) {
                let allowed =
                    "names such as \"bench-1.example.org\", without port and address".to_owned();
                self.fault("console", 0, "hosts", name, allowed);
            }
        }
        names.iter().map(|name| name.to_ascii_lowercase()).collect()
    }

    pub(super) fn console_rules(&mut self, settings: &Settings) -> ConsoleRules {
        let raw = &settings.console;
        let plain = |b: u8| b.is_ascii_uppercase() || b.is_ascii_digit() || b == b'-';
        let fits = (3..=8).contains(&raw.badge.len()) && raw.badge.bytes().all(plain);
        if !raw.badge.is_empty() && !fits {
            let allowed = "3 to 8 capitals, digits and hyphens, such as \"STAFF-\"".to_owned();
            self.fault("console", 0, "badge", &raw.badge, allowed);
        }
        ConsoleRules {
            idle_us: i64::try_from(raw.idle_seconds).unwrap_or(600).saturating_mul(1_000_000),
            badge: Some(raw.badge.clone()).filter(|badge| !badge.is_empty()),
            wall: raw.wall,
        }
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
