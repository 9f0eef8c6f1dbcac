//! What is not wrong and yet should be known: told by `check` and at each start. Files that hold secrets are refused
//! where everybody on the machine can read them.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};

use wickline_forward::deliver::Address as ReceiverAddress;
use wickline_forward::hl7::OrderedPatient;
use wickline_normalize::Role;

use super::super::Loaded;
use super::{Bench, Builder};
use crate::address::{Address, is_here};
use crate::clock;

/// Variables of the environment that mean something, besides WICKLINE__SECTION__KEY.
const VARIABLES: [&str; 3] = ["WICKLINE_CONFIG", "WICKLINE_LOG", CORE_DUMPS];
/// Set to 1, a crash may leave a core dump.
pub const CORE_DUMPS: &str = "WICKLINE_CORE_DUMPS";
/// Zones that are no place's: their clock never changes, as that of few places does.
const UNIVERSAL: [&str; 8] =
    ["UTC", "UCT", "GMT", "Zulu", "Universal", "Etc/UTC", "Etc/GMT", "Etc/UCT"];
const FIXED: [&str; 3] = ["EST", "MST", "HST"];

/// One thing to know: what it is about, and what is so.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Caution {
    pub about: String,
    pub text: String,
}

pub(super) fn caution(about: impl Into<String>, text: impl Into<String>) -> Caution {
    Caution { about: about.into(), text: text.into() }
}

/// The mode of a file that those who are neither its owner nor in its group may read.
fn open_to_all(path: &Path) -> Option<u32> {
    let mode = std::fs::metadata(path).ok()?.permissions().mode() & 0o7777;
    (mode & 0o004 != 0).then_some(mode)
}

impl Builder<'_> {
    /// A secret that every user of this machine can read is none.
    pub(super) fn secret(&mut self, table: &str, index: usize, key: &str, path: &Path) {
        if let Some(mode) = open_to_all(path) {
            let shown = path.display();
            let allowed = format!(
                "a file that only the service may read: {shown} has mode {mode:04o}, so that every user of this \
                 machine can read it (chmod 0640 {shown}, and give it to the service's group)"
            );
            self.fault(table, index, key, &shown.to_string(), allowed);
        }
    }

    /// A zone that is an offset: in summer it would be wrong by an hour, without a word.
    pub(super) fn zone(&mut self, name: &str) {
        let offset = name
            .strip_prefix("Etc/GMT")
            .is_some_and(|rest| rest.bytes().any(|b| (b'1'..=b'9').contains(&b)));
        if offset || FIXED.contains(&name) {
            let allowed = "the zone of a place, such as America/New_York: this is an offset that stays the same in \
                           summer; where clocks do so, name that place (America/Panama, America/Phoenix, \
                           Pacific/Honolulu)"
                .to_owned();
            self.fault("site", 0, "timezone", name, allowed);
        }
    }
}

impl Bench {
    /// Everything that should be known of it.
    pub(super) fn cautious(&self, loaded: &Loaded) -> Vec<Caution> {
        let mut found = Vec::new();
        let zone = loaded.settings.site.timezone.as_str();
        if UNIVERSAL.contains(&zone) {
            let text = format!(
                "site.timezone = \"{zone}\": right only where the analyzers' clocks show universal time all year"
            );
            found.push(caution("site", text));
        }
        found.extend(self.served());
        if let Some(text) = self.ledger.exposed() {
            found.push(caution("store.ledger", format!("{}: {text}", self.ledger.label())));
        }
        for target in &self.targets {
            let plain = target.addresses.iter().filter(|address| match address {
                ReceiverAddress::Mllp { host, .. } => !is_here(host),
                ReceiverAddress::Mllps { .. } | ReceiverAddress::Folder(_) => false,
            });
            found.extend(plain.map(|address| {
                let text = format!(
                    "{address} is another machine, and nothing closes the way: whoever stands between can read and \
                     change patients' results. Write mllps:// if the receiver speaks TLS"
                );
                caution(format!("receiver {}", target.id), text)
            }));
        }
        found.extend(self.sources.iter().filter_map(|source| self.answers(&source.site.name)));
        found.extend(self.analyzers.iter().filter_map(|a| a.tee.as_ref()?.caution(&a.id)));
        found.extend(self.alarms.iter().filter_map(|alarm| alarm.caution()));
        found.extend(self.files_open_to_all(loaded));
        found.extend(self.too_few_descriptors());
        if asks_for_core_dumps() {
            let text = format!(
                "{CORE_DUMPS}=1: what a crash leaves behind holds results and specimen ids; keep it as you keep reports"
            );
            found.push(caution("environment", text));
        }
        found.extend(std::env::vars_os().filter_map(|(name, _)| unknown(name.to_str()?)));
        found
    }

    /// What a source does not get back with the results of its orders, which are answered all the same.
    fn answers(&self, source: &str) -> Option<Caution> {
        let mut theirs = self
            .targets
            .iter()
            .filter(|target| target.takes(Role::Patient) && target.gets_orders_of(source));
        let Some(first) = theirs.clone().next() else {
            let text = format!(
                "no receiver of patients' results gets the orders of this source: results go out without their \
                 numbers, tests and patients, and its orders count as answered all the same. Give it the id of the \
                 receiver that sends these orders, or name it there: orders_for = [\"{source}\"]"
            );
            return Some(caution(format!("source {source}"), text));
        };
        theirs.all(|target| target.layout.ordered_patient == OrderedPatient::Never).then(|| {
            let text = format!(
                "results go back with its orders' numbers and tests, and without their patients: patient = \"ordered\" \
                 under receiver {} sends them back, \"ordered-short\" what identifies them alone",
                first.id
            );
            caution(format!("source {source}"), text)
        })
    }

    /// What other machines can reach, and what they can do there.
    fn served(&self) -> Vec<Caution> {
        let mut found = Vec::new();
        for (name, served) in [("console", &self.console), ("watch", &self.watch)] {
            let Some(served) = served.as_ref().filter(|served| served.is_beyond()) else {
                continue;
            };
            let listen = served.listen;
            let whom = if listen.ip().is_unspecified() { "all addresses" } else { "a network" };
            let text = match (&served.tls, served.only) {
                (_, Some(proxy)) if served.tls.is_some() || proxy.is_loopback() => continue,
                (_, Some(proxy)) => {
                    format!(
                        "listen = \"{listen}\": the way from the proxy {proxy} to it is readable for others"
                    )
                }
                (Some(_), None) => format!(
                    "listen = \"{listen}\" serves on {whom} of this machine without a password: it names analyzers and \
                     receivers, no patients"
                ),
                (None, None) => format!(
                    "listen = \"{listen}\" serves on {whom} of this machine, readable on the way and without a \
                     password: it names analyzers and receivers, no patients"
                ),
            };
            found.push(caution(name, text));
        }
        let ends = self.console.as_ref().and_then(|served| served.tls.as_ref()?.ends());
        let days = ends.map(|ends| (ends - clock::now_us() / 1_000_000).div_euclid(86_400));
        if let Some(days) = days.filter(|days| *days < 30) {
            let text = match days < 0 {
                true => "its certificate has ended: browsers and proxies refuse it".to_owned(),
                false => {
                    format!("its certificate ends in {days} day(s): renew the file, then SIGHUP")
                }
            };
            found.push(caution("console.certificate", text));
        }
        found
    }

    fn files_open_to_all(&self, loaded: &Loaded) -> Vec<Caution> {
        let mut files = vec![("configuration", loaded.file.clone())];
        let mut store = |about, path: &Path| {
            let mut log = path.as_os_str().to_owned();
            log.push("-wal");
            files.extend([path.to_owned(), log.into()].map(|path| (about, path)));
        };
        store("store.tape", &self.tape);
        if let Address::Sqlite(path) = &self.ledger {
            store("store.ledger", path);
        }
        let told = |(about, path): (&str, PathBuf)| {
            let mode = open_to_all(&path)?;
            let closed = if about == "configuration" { "0640" } else { "0600" };
            let shown = path.display();
            let text = format!(
                "{shown} has mode {mode:04o}: every user of this machine can read it (chmod {closed} {shown})"
            );
            Some(caution(about, text))
        };
        files.into_iter().filter_map(told).collect()
    }
}

/// Whether whoever started this wants to have what was in memory when it crashed.
#[must_use]
pub fn asks_for_core_dumps() -> bool {
    std::env::var_os(CORE_DUMPS).is_some_and(|asked| asked == "1")
}

/// A variable that looks like one of ours and is read by nobody.
fn unknown(name: &str) -> Option<Caution> {
    let ours = name.starts_with("WICKLINE") && !name.starts_with("WICKLINE__");
    (ours && !VARIABLES.contains(&name)).then(|| {
        let known = VARIABLES.join(", ");
        let text = format!(
            "{name} is set and nobody reads it; read are {known} and WICKLINE__SECTION__KEY"
        );
        caution("environment", text)
    })
}
