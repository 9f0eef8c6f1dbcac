//! What the service may open, judged as its user by owner, group and mode: `check` is often run by root, who may
//! open everything.

use std::path::{Path, PathBuf};

use rustix::fs::Access;
use wickline_forward::deliver::Address as ReceiverAddress;
use wickline_listen::line::{LineKind, holder};

use super::super::AS_ROOT;
use super::account::{Account, Unit, Want};
use super::{Finding, Level, finding};
use crate::address::Address;
use crate::settings::Loaded;
use crate::settings::bench::{Bench, TeeTo};
use crate::store::disk_room::folder_of;
use crate::store::files::beside;

/// For whom it is judged, and where the unit stands that says so.
pub struct Judge {
    pub account: Account,
    unit: Option<Unit>,
}

impl Judge {
    /// For the user of this name, or the one that the service runs as.
    pub fn of(name: Option<&str>) -> Result<Self, super::Failure> {
        let unit = Unit::installed();
        let account = Account::of(name, unit.as_ref())?;
        Ok(Self { account, unit })
    }

    /// For whom, and everything that this user may not open.
    pub fn files(&self, loaded: &Loaded, bench: &Bench, found: &mut Vec<Finding>) {
        let told = format!("judged for {}", self.account.told());
        found.push(finding(Level::Good, "rights", told));
        if self.account.is_root() {
            found.push(finding(Level::Note, "rights", AS_ROOT));
        }
        let mut needs = vec![("configuration".to_owned(), loaded.file.clone(), Want::Read)];
        needs.extend(named(loaded));
        needs.extend(store("store.tape", &bench.tape));
        match &bench.ledger {
            Address::Sqlite(path) => needs.extend(store("store.ledger", path)),
            Address::Postgres(_) => {
                let files = bench.ledger.files().into_iter();
                needs.extend(files.map(|path| ("store.ledger".into(), path, Want::Read)));
            }
        }
        for source in &bench.sources {
            let Some(tls) = &source.tls else { continue };
            let own = [("certificate", &tls.certificate), ("key", &tls.key)];
            let all = own.into_iter().chain(tls.clients.as_ref().map(|path| ("ca", path)));
            let name = &source.site.name;
            needs.extend(
                all.map(|(key, path)| (format!("source {name}, {key}"), path.clone(), Want::Read)),
            );
        }
        if let Some(tls) = bench.console.as_ref().and_then(|served| served.tls.as_ref()) {
            let files = [("certificate", &tls.certificate), ("key", &tls.key)];
            let read = |(key, path): (&str, &PathBuf)| {
                (format!("console.{key}"), path.clone(), Want::Read)
            };
            needs.extend(files.map(read));
        }
        for analyzer in &bench.analyzers {
            if let Some(TeeTo::File(path)) = &analyzer.tee {
                let about = format!("analyzer {}, tee", analyzer.id);
                let want = if path.exists() { Want::ReadAndWrite } else { Want::Make };
                let there = if path.exists() { path.as_path() } else { folder_of(path) };
                needs.push((about, there.to_owned(), want));
            }
        }
        for target in &bench.targets {
            let about = format!("receiver {}", target.id);
            for address in &target.addresses {
                match address {
                    ReceiverAddress::Folder(path) => {
                        let there = path.ancestors().find(|p| p.exists()).unwrap_or(path);
                        needs.push((about.clone(), there.to_owned(), Want::Make));
                    }
                    ReceiverAddress::Mllps { tls, .. } => {
                        let files = [&tls.ca, &tls.certificate, &tls.key].into_iter().flatten();
                        let read = |path: &PathBuf| (about.clone(), path.clone(), Want::Read);
                        needs.extend(files.map(read));
                    }
                    ReceiverAddress::Mllp { .. } => {}
                }
            }
        }
        for (about, path, want) in needs {
            if let Some(why) = self.account.barred(&path, want) {
                found.push(finding(Level::Bad, about, format!("{}: {why}", path.display())));
            }
        }
    }

    /// Whether the lines' devices are there and may be opened.
    pub fn lines(&self, bench: &Bench, offline: bool, found: &mut Vec<Finding>) {
        for analyzer in &bench.analyzers {
            let LineKind::Serial { path } = &analyzer.line.kind else { continue };
            let (level, text) = match self.line(path) {
                Ok(()) => {
                    // The daemon itself, mostly.
                    let holder = holder(path).map(|who| format!("; at present {who} has it"));
                    let holder = holder.unwrap_or_default();
                    (Level::Good, format!("there, and ours to open{holder}"))
                }
                Err(None) if offline => (Level::Note, "not plugged in here".to_owned()),
                Err(None) => {
                    let why = "there is no such device; is the adapter plugged in?".to_owned();
                    (Level::Bad, why)
                }
                Err(Some(why)) => (Level::Bad, why),
            };
            let about = format!("analyzer {}", analyzer.id);
            found.push(finding(level, about, format!("{}: {text}", path.display())));
        }
    }

    /// Asked after, not opened: opening raises DTR, and some analyzers print at that. An error without words:
    /// nothing is there.
    fn line(&self, path: &Path) -> Result<(), Option<String>> {
        use std::os::unix::fs::FileTypeExt;
        let kind = match std::fs::metadata(path) {
            Ok(found) => found.file_type(),
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => return Err(None),
            Err(error) => return Err(Some(error.to_string())),
        };
        if !kind.is_char_device() || !is_terminal(path) {
            return Err(Some("it is no terminal: a line is the device of a serial port".into()));
        }
        let barred = self.account.barred(path, Want::ReadAndWrite);
        let barred = barred.or_else(|| self.unit.as_ref().and_then(|unit| unit.bars(path)));
        if let Some(why) = barred {
            return Err(Some(why));
        }
        // What the mode does not say: an access list, a file system that takes no writes.
        match rustix::fs::access(path, Access::READ_OK | Access::WRITE_OK) {
            Ok(()) => Ok(()),
            Err(error) => Err(Some(std::io::Error::from(error).to_string())),
        }
    }
}

/// Whether a device's number is one of a driver of terminals, as the kernel lists them (proc_tty_drivers(5)): driver,
/// name, major number, range of minor numbers, kind. Where that cannot be read, nothing is said against it.
fn is_terminal(device: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let (Ok(found), Ok(known)) =
        (std::fs::metadata(device), std::fs::read_to_string("/proc/tty/drivers"))
    else {
        return true;
    };
    let (major, minor) = (rustix::fs::major(found.rdev()), rustix::fs::minor(found.rdev()));
    known.lines().any(|line| {
        let mut words = line.split_whitespace().rev().skip(1);
        let (range, number) = (words.next().unwrap_or(""), words.next().unwrap_or(""));
        let (first, last) = range.split_once('-').unwrap_or((range, range));
        let within = |first: u32, last: u32| (first..=last).contains(&minor);
        number.parse() == Ok(major)
            && first
                .parse()
                .ok()
                .zip(last.parse().ok())
                .is_some_and(|(first, last)| within(first, last))
    })
}

/// The dialect and strip files that the analyzers name.
fn named(loaded: &Loaded) -> impl Iterator<Item = (String, PathBuf, Want)> {
    let folder = loaded.file.parent().unwrap_or(Path::new("."));
    loaded.settings.analyzer.iter().flat_map(move |raw| {
        let names = std::iter::once(&raw.dialect).chain(raw.all_strips());
        let paths = names.map(|name| folder.join(name)).filter(|path| path.is_file());
        paths.map(|path| (format!("analyzer {}", raw.id), path, Want::Read))
    })
}

/// A store's file and what stands beside it, as far as it is there, and its folder.
fn store(about: &str, path: &Path) -> Vec<(String, PathBuf, Want)> {
    let files =
        [path.to_owned(), beside(path, "-wal"), beside(path, "-shm"), path.with_extension("lock")];
    let mut needs = vec![(about.to_owned(), folder_of(path).to_owned(), Want::Make)];
    needs.extend(files.into_iter().map(|path| (about.to_owned(), path, Want::ReadAndWrite)));
    needs
}
