//! Whom `check` judges for: a user with its groups, and what the installed unit gives and takes.

use std::collections::BTreeSet;
use std::ffi::CString;
use std::os::unix::fs::{FileTypeExt, MetadataExt};
use std::path::{Path, PathBuf};

use nix::unistd::{Gid, Group, Uid, User, getgrouplist};
use rustix::fs::Access;

use super::super::Failure;

/// Where a unit of ours may be, the first that counts before the others (systemd.unit(5)).
const FOLDERS: [&str; 5] = [
    "/etc/systemd/system",
    "/run/systemd/system",
    "/usr/local/lib/systemd/system",
    "/usr/lib/systemd/system",
    "/lib/systemd/system",
];

/// A unit as it is installed here: its file, and its text with those of its drop-ins, the last word last.
pub fn installed(name: &str) -> Option<(PathBuf, Vec<String>)> {
    let read = |path: &Path| std::fs::read_to_string(path).ok();
    let files = FOLDERS.map(|folder| Path::new(folder).join(name));
    let (file, text) = files.iter().find_map(|file| Some((file, read(file)?)))?;
    let folders = FOLDERS.iter().map(|folder| Path::new(folder).join(format!("{name}.d")));
    let mut more: Vec<PathBuf> = folders
        .filter_map(|folder| std::fs::read_dir(folder).ok())
        .flat_map(|entries| entries.flatten().map(|entry| entry.path()))
        .filter(|path| path.extension().is_some_and(|ending| ending == "conf"))
        .collect();
    more.sort_by(|a, b| a.file_name().cmp(&b.file_name()));
    let texts = std::iter::once(text).chain(more.iter().filter_map(|path| read(path))).collect();
    Some((file.clone(), texts))
}

/// Whether a timer is enabled.
pub fn is_wanted(timer: &str) -> bool {
    FOLDERS
        .iter()
        .any(|folder| Path::new(folder).join("timers.target.wants").join(timer).is_symlink())
}

/// What of a unit decides what the service may open.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Unit {
    pub file: PathBuf,
    pub user: Option<String>,
    groups: Vec<String>,
    closed: bool,
    devices: Vec<String>,
}

impl Unit {
    /// The unit as it is installed here, with its drop-ins.
    pub fn installed() -> Option<Self> {
        let (file, texts) = installed("wickline.service")?;
        let mut unit = Self { file, ..Self::default() };
        texts.iter().for_each(|text| unit.take(text));
        Some(unit)
    }

    /// Lays the settings of a text over those before it; an empty one of a list begins it anew.
    fn take(&mut self, text: &str) {
        let settings = text.lines().filter_map(|line| line.trim().split_once('='));
        for (key, value) in settings {
            let value = value.trim();
            let list = match key.trim() {
                "User" => {
                    self.user = Some(value.to_owned()).filter(|user| !user.is_empty());
                    continue;
                }
                "DevicePolicy" => {
                    self.closed = matches!(value, "closed" | "strict");
                    continue;
                }
                "SupplementaryGroups" => &mut self.groups,
                "DeviceAllow" => &mut self.devices,
                _ => continue,
            };
            match key.trim() {
                _ if value.is_empty() => list.clear(),
                "DeviceAllow" => list.push(value.to_owned()),
                _ => list.extend(value.split_whitespace().map(str::to_owned)),
            }
        }
    }

    /// Why the service may not open this device whoever it runs as. None: it may.
    pub fn bars(&self, device: &Path) -> Option<String> {
        let real = std::fs::canonicalize(device).ok()?;
        let found = std::fs::metadata(&real).ok()?;
        if !found.file_type().is_char_device() || (!self.closed && self.devices.is_empty()) {
            return None;
        }
        let known = std::fs::read_to_string("/proc/devices").unwrap_or_default();
        let drivers = drivers(&known, rustix::fs::major(found.rdev()));
        self.bars_drivers(&real, &drivers).then(|| {
            let name = drivers.last().map_or("DRIVER", String::as_str);
            format!(
                "the unit does not let it through: in a drop-in of {} add DeviceAllow=char-{name} rw",
                self.file.display()
            )
        })
    }

    /// The standard devices that a closed unit keeps are these and pseudo-terminals (systemd.resource-control(5)).
    fn bars_drivers(&self, real: &Path, drivers: &[String]) -> bool {
        let kept = drivers.iter().any(|name| matches!(name.as_str(), "pts" | "mem"));
        let named = self.devices.iter().any(|allowed| {
            let mut words = allowed.split_whitespace();
            let (what, how) = (words.next().unwrap_or(""), words.next().unwrap_or("rwm"));
            let fits = match what.strip_prefix("char-") {
                Some(pattern) => drivers.iter().any(|name| matches(pattern, name)),
                None => Path::new(what) == real,
            };
            fits && how.contains('r') && how.contains('w')
        });
        !kept && !named
    }
}

/// A shell's `*`, which is all that such names use.
fn matches(pattern: &str, name: &str) -> bool {
    match pattern.split_once('*') {
        None => pattern == name,
        Some((before, after)) => name.strip_prefix(before).is_some_and(|rest| {
            rest.char_indices().any(|(at, _)| matches(after, &rest[at..])) || matches(after, "")
        }),
    }
}

/// The drivers that share a character device's number, as the kernel lists them (proc(5)).
fn drivers(known: &str, major: u32) -> Vec<String> {
    let list = known.lines().take_while(|line| !line.starts_with("Block"));
    list.filter_map(|line| line.trim().split_once(' '))
        .filter(|(number, _)| number.parse() == Ok(major))
        .map(|(_, name)| name.trim().to_owned())
        .collect()
}

/// A user, with every group that counts.
#[derive(Clone, Debug)]
pub struct Account {
    pub name: String,
    uid: Uid,
    groups: BTreeSet<u32>,
}

/// What is to be done with a file or folder.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Want {
    Read,
    ReadAndWrite,
    /// Make files in a folder.
    Make,
}

impl Want {
    fn bits(self) -> u32 {
        match self {
            Want::Read => 0o4,
            Want::ReadAndWrite => 0o6,
            Want::Make => 0o7,
        }
    }

    fn words(self) -> &'static str {
        match self {
            Want::Read => "read it",
            Want::ReadAndWrite => "read and write it",
            Want::Make => "make files in it",
        }
    }
}

impl Account {
    /// The user of this name; else, for root, the unit's or `wickline`; else whoever asks.
    pub fn of(name: Option<&str>, unit: Option<&Unit>) -> Result<Self, Failure> {
        let own = Uid::effective();
        let units = unit.and_then(|unit| unit.user.as_deref()).unwrap_or("wickline");
        let find = |name: &str| {
            User::from_name(name).map_err(|e| Failure::unreachable(format!("the user {name}: {e}")))
        };
        let found = match name {
            Some(name) => {
                let none = || Failure::wrong(format!("--user {name}: there is no such user here"));
                Some(find(name)?.ok_or_else(none)?)
            }
            None if own.is_root() => find(units)?,
            None => None,
        };
        let found = match found {
            Some(user) => Some(user),
            None => User::from_uid(own).ok().flatten(),
        };
        let Some(user) = found else {
            let own_groups = nix::unistd::getgroups().unwrap_or_default();
            let groups = own_groups.iter().map(|gid| gid.as_raw()).collect();
            return Ok(Self { name: format!("uid {own}"), uid: own, groups });
        };
        let listed = CString::new(user.name.clone())
            .ok()
            .and_then(|name| getgrouplist(&name, user.gid).ok())
            .unwrap_or_else(|| vec![user.gid]);
        let mut groups: BTreeSet<u32> = listed.iter().map(|gid| gid.as_raw()).collect();
        if user.name == units {
            let given = unit.iter().flat_map(|unit| &unit.groups);
            let gid = |name: &String| Group::from_name(name).ok().flatten();
            groups.extend(given.filter_map(gid).map(|group| group.gid.as_raw()));
        }
        Ok(Self { name: user.name, uid: user.uid, groups })
    }

    pub fn is_root(&self) -> bool {
        self.uid.is_root()
    }

    /// Itself and its groups, for people.
    pub fn told(&self) -> String {
        let groups: Vec<String> = self.groups.iter().map(|gid| group(*gid)).collect();
        format!("{} (groups {})", self.name, groups.join(", "))
    }

    /// Why this may not be done to what stands there, and what to do. None: it may, or nothing stands there, or
    /// what stands there cannot be seen from here.
    pub fn barred(&self, path: &Path, want: Want) -> Option<String> {
        // Of whoever asks the kernel knows more than the mode says: access lists, for one.
        let asks = Access::from_bits_truncate(want.bits());
        let ours = self.uid == Uid::effective() && rustix::fs::access(path, asks).is_ok();
        if self.uid.is_root() || ours {
            return None;
        }
        let real = std::fs::canonicalize(path).ok()?;
        let above: Vec<&Path> = real.ancestors().skip(1).collect();
        let closed = above.iter().rev().find_map(|folder| {
            let found = std::fs::metadata(folder).ok()?;
            (self.bits(&found) & 0o1 == 0).then(|| {
                let shown = folder.display();
                format!(
                    "the folder {shown} {}, and {} may not enter it: let it in, or keep this elsewhere",
                    owned(&found),
                    self.name
                )
            })
        });
        if closed.is_some() {
            return closed;
        }
        let found = std::fs::metadata(&real).ok()?;
        let wanted = want.bits();
        if self.bits(&found) & wanted == wanted {
            return None;
        }
        let (name, shown) = (&self.name, real.display());
        let why = format!("it {}, and {name} may not {}", owned(&found), want.words());
        let by_group = (found.mode() >> 3) & wanted == wanted && found.gid() != 0;
        let what_to_do = if by_group {
            let group = group(found.gid());
            format!(
                "the group {group} may: put {name} into it (usermod -aG {group} {name}), or name it as \
                 SupplementaryGroups= of the unit"
            )
        } else if found.file_type().is_char_device() {
            "have udev give the device to a group that may, and put the user into it".to_owned()
        } else {
            format!("give it to the service: chown {name}: {shown}")
        };
        Some(format!("{why}; {what_to_do}"))
    }

    /// What the mode lets this user do: the bits of the owner, of the group or of all others, and no others.
    fn bits(&self, found: &std::fs::Metadata) -> u32 {
        let shift = if found.uid() == self.uid.as_raw() {
            6
        } else if self.groups.contains(&found.gid()) {
            3
        } else {
            0
        };
        (found.mode() >> shift) & 0o7
    }
}

fn group(gid: u32) -> String {
    let found = Group::from_gid(Gid::from_raw(gid)).ok().flatten();
    found.map_or_else(|| format!("gid {gid}"), |group| group.name)
}

fn owned(found: &std::fs::Metadata) -> String {
    let user = User::from_uid(Uid::from_raw(found.uid())).ok().flatten();
    let user = user.map_or_else(|| format!("uid {}", found.uid()), |user| user.name);
    format!("belongs to {user}:{}, mode {:04o}", group(found.gid()), found.mode() & 0o7777)
}

#[cfg(test)]
mod tests {
    use super::{Unit, drivers, matches};
    use std::path::Path;

    const UNIT: &str = "[Service]\nUser=wickline\nSupplementaryGroups=dialout tty\nDevicePolicy=closed\n\
                        DeviceAllow=char-ttyS rw\nDeviceAllow=char-ttyUSB rw\n";

    #[test]
    fn a_unit_lets_through_what_it_names_and_a_drop_in_has_the_last_word() {
        let mut unit = Unit::default();
        unit.take(UNIT);
        assert_eq!(unit.user.as_deref(), Some("wickline"));
        assert_eq!(unit.groups, ["dialout", "tty"]);
        let bars = |unit: &Unit, driver: &str| {
            unit.bars_drivers(Path::new("/dev/x"), &["tty".to_owned(), driver.to_owned()])
        };
        assert!(!bars(&unit, "ttyS") && !bars(&unit, "ttyUSB") && !bars(&unit, "pts"));
        assert!(bars(&unit, "ttyACM") && bars(&unit, "rfcomm"));
        unit.take("[Service]\nDeviceAllow=\nDeviceAllow=char-rf* rw\nDeviceAllow=char-ttyS r\n");
        assert!(!bars(&unit, "rfcomm") && bars(&unit, "ttyUSB"));
        assert!(bars(&unit, "ttyS"), "who may only read cannot answer an analyzer");
        unit.take("[Service]\nDeviceAllow=/dev/x\nUser=\nSupplementaryGroups=\n");
        assert!(!bars(&unit, "anything"), "named by its path");
        assert_eq!((unit.user, unit.groups), (None, Vec::new()));
    }

    #[test]
    fn drivers_are_found_by_their_number_among_character_devices_only() {
        let known = "Character devices:\n  4 tty\n  4 ttyS\n166 ttyACM\n\nBlock devices:\n  8 sd\n";
        assert_eq!(drivers(known, 4), ["tty", "ttyS"]);
        assert_eq!(drivers(known, 166), ["ttyACM"]);
        assert!(drivers(known, 8).is_empty());
        assert!(matches("tty*", "ttyACM") && matches("*", "x") && !matches("ttyS", "ttySAC"));
    }
}
