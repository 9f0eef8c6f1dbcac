//! The log of every change to the stores' files that `fault.c` keeps, and what a disk may have of them
//! after the power went: all that was synced; of the rest some sectors, in any order.

use std::collections::BTreeMap;
use std::path::Path;

use wickline::simulate::script::Dice;

/// What a disk writes whole or not at all.
const SECTOR: usize = 512;

/// One step, with the file's name without its folder.
#[derive(Debug)]
pub enum Step {
    Write {
        name: String,
        at: usize,
        bytes: Vec<u8>,
    },
    Truncate {
        name: String,
        length: usize,
    },
    Make {
        name: String,
    },
    Unlink {
        name: String,
    },
    Syncing {
        name: String,
    },
    Synced {
        name: String,
    },
    /// Which names there are is on the disk.
    FolderSynced,
}

impl Step {
    fn name(&self) -> Option<&str> {
        match self {
            Step::Write { name, .. }
            | Step::Truncate { name, .. }
            | Step::Make { name }
            | Step::Unlink { name }
            | Step::Syncing { name }
            | Step::Synced { name } => Some(name),
            Step::FolderSynced => None,
        }
    }
}

/// The steps in order, each with the log's length after it.
pub fn read(log: &Path) -> Vec<(u64, Step)> {
    let log = std::fs::read(log).expect("a log was kept");
    let mut steps = Vec::new();
    let mut at = 0;
    while let Some(end) = log[at..].iter().position(|b| *b == b'\n') {
        let head = String::from_utf8_lossy(&log[at..at + end]).into_owned();
        let words: Vec<&str> = head.split(' ').collect();
        let [what, path, first, length] = words[..] else { panic!("no head of a record: {head}") };
        let first: usize = first.parse().expect("a figure");
        let length: usize = length.parse().expect("a figure");
        let name = path.rsplit('/').next().expect("a name").to_owned();
        at += end + 1;
        let step = match what {
            "w" => Step::Write { name, at: first, bytes: log[at..at + length].to_vec() },
            "t" => Step::Truncate { name, length: first },
            "c" => Step::Make { name },
            "u" => Step::Unlink { name },
            "S" => Step::Syncing { name },
            "s" => Step::Synced { name },
            "d" => Step::FolderSynced,
            other => panic!("no such step: {other}"),
        };
        at += length;
        steps.push((at as u64, step));
    }
    steps
}

/// For each sync of a store (its file, its logs): how many writes came before it, and where in the log
/// it began.
pub fn syncs(steps: &[(u64, Step)], store: &str) -> Vec<(usize, u64)> {
    let mut writes = 0;
    let mut syncs = Vec::new();
    let of = |step: &Step| step.name().is_some_and(|name| name.starts_with(store));
    for (at, step) in steps.iter().filter(|(_, step)| of(step)) {
        writes += usize::from(matches!(step, Step::Write { .. }));
        if matches!(step, Step::Syncing { .. }) {
            syncs.push((writes, *at));
        }
    }
    syncs
}

/// A change to one file's bytes that no sync has covered yet.
#[derive(Clone, Debug)]
enum Loose {
    Bytes { at: usize, bytes: Vec<u8> },
    Length(usize),
}

impl Loose {
    fn put(&self, file: &mut Vec<u8>) {
        match self {
            Loose::Bytes { at, bytes } => {
                file.resize(file.len().max(at + bytes.len()), 0);
                file[*at..at + bytes.len()].copy_from_slice(bytes);
            }
            Loose::Length(length) => file.resize(*length, 0),
        }
    }
}

#[derive(Clone, Debug, Default)]
struct File {
    safe: Vec<u8>,
    loose: Vec<Loose>,
    /// How many of `loose` a sync that has begun will cover.
    syncing: usize,
}

/// A disk that follows the steps and can lose power at any of them.
#[derive(Clone, Debug, Default)]
pub struct Disk {
    files: Vec<File>,
    names: BTreeMap<String, usize>,
    /// Names as the disk has them, and what was done to them since: (name, file or gone).
    safe_names: BTreeMap<String, usize>,
    loose_names: Vec<(String, Option<usize>)>,
}

impl Disk {
    pub fn follow(&mut self, step: &Step) {
        match step {
            Step::Write { name, at, bytes } => {
                let file = self.file(name);
                let mut from = 0;
                // Torn where the disk tears.
                while from < bytes.len() {
                    let to = (from + SECTOR - (at + from) % SECTOR).min(bytes.len());
                    file.loose
                        .push(Loose::Bytes { at: at + from, bytes: bytes[from..to].to_vec() });
                    from = to;
                }
            }
            Step::Truncate { name, length } => self.file(name).loose.push(Loose::Length(*length)),
            Step::Make { name } => drop(self.file(name)),
            Step::Unlink { name } => {
                self.names.remove(name);
                self.loose_names.push((name.clone(), None));
            }
            Step::Syncing { name } => {
                let file = self.file(name);
                file.syncing = file.loose.len();
            }
            Step::Synced { name } => {
                let file = self.file(name);
                let covered = std::mem::take(&mut file.syncing).min(file.loose.len());
                for loose in file.loose.drain(..covered) {
                    loose.put(&mut file.safe);
                }
            }
            Step::FolderSynced => {
                for (name, file) in std::mem::take(&mut self.loose_names) {
                    rename(&mut self.safe_names, name, file);
                }
            }
        }
    }

    fn file(&mut self, name: &str) -> &mut File {
        let known = self.names.get(name).copied();
        let index = known.unwrap_or_else(|| {
            let index = self.files.len();
            self.files.push(File::default());
            self.names.insert(name.to_owned(), index);
            self.loose_names.push((name.to_owned(), Some(index)));
            index
        });
        &mut self.files[index]
    }

    /// Writes into `folder` what may be there after the power went now.
    pub fn lose_power(&self, dice: &mut Dice, folder: &Path) {
        let mut names = self.safe_names.clone();
        // Names are journalled: the first so many changes to them are there.
        for (name, file) in self.loose_names.iter().take(dice.roll(self.loose_names.len() + 1)) {
            rename(&mut names, name.clone(), *file);
        }
        for (name, file) in names {
            let file = &self.files[file];
            let mut bytes = file.safe.clone();
            let mut loose: Vec<&Loose> = file.loose.iter().collect();
            for last in (1..loose.len()).rev() {
                loose.swap(last, dice.roll(last + 1));
            }
            let share = dice.roll(101);
            for one in loose {
                if dice.roll(100) < share {
                    one.put(&mut bytes);
                }
            }
            std::fs::write(folder.join(name), bytes).expect("an image can be written");
        }
    }
}

fn rename(names: &mut BTreeMap<String, usize>, name: String, file: Option<usize>) {
    match file {
        Some(index) => drop(names.insert(name, index)),
        None => drop(names.remove(&name)),
    }
}

#[test]
fn a_disk_keeps_what_was_synced_and_nothing_that_was_not_written() {
    let folder = crate::kit::Folder::new("changes");
    let name = || "tape.db".to_owned();
    let write = |at: usize, byte: u8| Step::Write { name: name(), at, bytes: vec![byte; 1000] };
    let mut disk = Disk::default();
    for step in [
        Step::Make { name: name() },
        write(0, 1),
        Step::Syncing { name: name() },
        write(1000, 2),
        Step::Synced { name: name() },
        Step::FolderSynced,
    ] {
        disk.follow(&step);
    }
    let mut torn = 0;
    for seed in 0..50 {
        disk.lose_power(&mut Dice::new(seed), &folder.0);
        let found = std::fs::read(folder.0.join("tape.db")).expect("its name was synced");
        assert_eq!(found[..1000], [1; 1000], "synced before the second write began");
        assert!(found[1000..].iter().all(|b| matches!(b, 0 | 2)));
        let second = found[1000..].iter().filter(|b| **b == 2).count();
        torn += usize::from(second > 0 && second < 1000);
    }
    assert!(torn > 5, "a write may be torn");
}
