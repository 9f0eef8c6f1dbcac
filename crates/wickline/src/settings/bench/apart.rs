//! What may not be the same: the two stores, the ports of two analyzers, the addresses that are listened on. Paths are
//! followed through links, for two names of one thing are one thing.

use std::net::SocketAddr;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use wickline_listen::line::LineSpec;

use super::super::{AnalyzerKeys, Settings};
use super::Builder;
use crate::address::Address;

/// How many links are followed, as the kernel does (path_resolution(7)).
const LINKS: usize = 40;

/// The file or device that a path leads to, also where nothing is there yet.
fn real(path: &Path) -> PathBuf {
    let mut path = path.to_owned();
    for _ in 0..LINKS {
        let folder = path.parent().filter(|folder| !folder.as_os_str().is_empty());
        let folder = folder.unwrap_or(Path::new(".")).to_owned();
        match std::fs::read_link(&path) {
            Ok(next) => path = folder.join(next),
            Err(_) => {
                let real = std::fs::canonicalize(folder).ok().zip(path.file_name());
                return real.map_or(path.clone(), |(folder, name)| folder.join(name));
            }
        }
    }
    path
}

/// Whether two paths lead to one file.
pub(super) fn same(one: &Path, other: &Path) -> bool {
    let number = |path| std::fs::metadata(path).ok().map(|found| (found.dev(), found.ino()));
    let (first, second): (Option<(u64, u64)>, _) = (number(one), number(other));
    real(one) == real(other) || (first.is_some() && first == second)
}

/// Days that reports and control material are kept. None: for ever.
pub(super) fn keep_days(settings: &Settings) -> Option<(u64, u64)> {
    let (days, controls) = (settings.store.keep_days, settings.store.keep_days_control);
    (days > 0).then(|| (days, controls.max(days)))
}

impl Builder<'_> {
    /// Tape and ledger are files, and two of them. Only asked after, never opened: whoever closes a file of SQLite's
    /// gives up the locks on it that this process has (sqlite.org/howtocorrupt.html, section 2.2).
    pub(super) fn stores(&mut self, settings: &Settings, ledger: Option<&Address>) {
        let tape = self.folder().join(&settings.store.tape);
        let named = settings.store.tape.display().to_string();
        self.is_file("tape", &named, &tape);
        let (days, controls) = (settings.store.keep_days, settings.store.keep_days_control);
        if controls > 0 && (days == 0 || controls < days) {
            let allowed =
                "0, or no fewer days than store.keep_days, which must then be given".to_owned();
            self.fault("store", 0, "keep_days_control", &controls.to_string(), allowed);
        }
        let Some(Address::Sqlite(ledger)) = ledger else { return };
        let named = settings.store.ledger.as_str();
        self.is_file("ledger", named, ledger);
        if same(&tape, ledger) {
            let allowed = "a file of its own: store.tape names the same one".to_owned();
            self.fault("store", 0, "ledger", named, allowed);
        } else if same(&tape.with_extension("lock"), &ledger.with_extension("lock")) {
            let shown = tape.with_extension("lock");
            let allowed = format!(
                "a name that differs from the tape's in more than its ending: {} is the lock of either",
                shown.display()
            );
            self.fault("store", 0, "ledger", named, allowed);
        }
    }

    fn is_file(&mut self, key: &str, named: &str, path: &Path) {
        if named.contains("://") && key == "tape" {
            let allowed =
                "the path of a file on this machine; a server's address is for the ledger"
                    .to_owned();
            self.fault("store", 0, key, named, allowed);
        }
        if std::fs::metadata(path).is_ok_and(|found| !found.is_file()) {
            let what = if path.is_dir() { "a folder" } else { "a device" };
            let allowed = format!("the path of a file; this is {what}");
            self.fault("store", 0, key, named, allowed);
        }
    }

    /// The line of an analyzer, as it is to be set.
    pub(super) fn line(&mut self, raw: &AnalyzerKeys, index: usize) -> Option<LineSpec> {
        let line = LineSpec::parse(&raw.line, raw.speed, &raw.framing, &raw.flow, &raw.allow);
        let line = self.good("analyzer", index, "line", &raw.line, line)?;
        match line.with_modem(&raw.dtr, &raw.rts) {
            Ok(line) => Some(line),
            Err((key, allowed)) => {
                let found = if key == "dtr" { &raw.dtr } else { &raw.rts };
                self.fault("analyzer", index, key, found, allowed);
                None
            }
        }
    }

    /// One analyzer on each line, one listener on each address.
    pub(super) fn lines_apart(&mut self, settings: &Settings) {
        let mut taken: Vec<(String, PathBuf)> = Vec::new();
        for (index, analyzer) in settings.analyzer.iter().enumerate() {
            let line = match analyzer.line.strip_prefix("serial:") {
                Some(path) => real(Path::new(path)),
                None => PathBuf::from(&analyzer.line),
            };
            if let Some((other, _)) = taken.iter().find(|(_, known)| *known == line) {
                let shown = line.display();
                let allowed = match analyzer.line.starts_with("serial:") {
                    true => format!("a line that no other analyzer is on: {other} has {shown}"),
                    false => "a line that no other analyzer is on".to_owned(),
                };
                self.fault("analyzer", index, "line", &analyzer.line, allowed);
            }
            taken.push((analyzer.id.clone(), line));
        }
        let mut listening: Vec<(String, SocketAddr)> = Vec::new();
        for (index, analyzer) in settings.analyzer.iter().enumerate() {
            let address = analyzer.line.strip_prefix("listen:").and_then(|text| text.parse().ok());
            let Some(address) = address else { continue };
            let name = format!("analyzer {}", analyzer.id);
            if taken.iter().filter(|(_, line)| *line == Path::new(&analyzer.line)).count() < 2 {
                self.listens("analyzer", index, "line", &analyzer.line, address, &listening);
            }
            listening.push((name, address));
        }
        for (index, analyzer) in settings.analyzer.iter().enumerate() {
            let address = analyzer.tee.strip_prefix("listen:").and_then(|text| text.parse().ok());
            if let Some(address) = address {
                self.listens("analyzer", index, "tee", &analyzer.tee, address, &listening);
                listening.push((format!("the copy of analyzer {}", analyzer.id), address));
            }
        }
        for (index, source) in settings.source.iter().enumerate() {
            if let Ok(address) = source.listen.parse() {
                self.listens("source", index, "listen", &source.listen, address, &listening);
                listening.push((format!("source {}", source.id), address));
            }
        }
        for (table, text) in
            [("console", &settings.console.listen), ("watch", &settings.watch.listen)]
        {
            if let Ok(address) = text.parse() {
                self.listens(table, 0, "listen", text, address, &listening);
                listening.push((format!("[{table}]"), address));
            }
        }
    }

    fn listens(
        &mut self,
        table: &str,
        index: usize,
        key: &str,
        found: &str,
        address: SocketAddr,
        listening: &[(String, SocketAddr)],
    ) {
        let clash = |other: &SocketAddr| {
            let all = other.ip().is_unspecified() || address.ip().is_unspecified();
            other.port() == address.port()
                && address.port() != 0
                && (all || other.ip() == address.ip())
        };
        if let Some((name, other)) = listening.iter().find(|(_, other)| clash(other)) {
            let allowed =
                format!("an address that nothing else here listens on: {name} has {other}");
            self.fault(table, index, key, found, allowed);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::same;

    #[test]
    fn two_names_of_one_file_are_one_file() {
        let folder = crate::testing::scratch("apart");
        let (file, link, hard) = (folder.join("a.db"), folder.join("b.db"), folder.join("c.db"));
        std::os::unix::fs::symlink("a.db", &link).expect("a link");
        assert!(!same(&file, &folder.join("d.db")), "two that are not there");
        assert!(same(
            &file,
            &folder.join("../").join(folder.file_name().expect("a name")).join("a.db")
        ));
        std::fs::write(&file, "x").expect("written");
        std::fs::hard_link(&file, &hard).expect("a second name");
        assert!(same(&file, &link) && same(&link, &hard));
        std::fs::write(folder.join("d.db"), "x").expect("written");
        assert!(!same(&file, &folder.join("d.db")));
    }
}
