//! What stands in a backup, written when it is whole: a folder without it is none.

use std::collections::BTreeMap;
use std::io::{Read, Write};
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use crate::clock::SiteClock;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::copying::{Contents, digest_of, file_error, new_file, sync};
use crate::store::ledger::Ledger;
use crate::store::tape::Tape;
use crate::store::trail::Head;

/// The names of the files in a backup.
pub const LEDGER: &str = "ledger.db";
pub const TAPE: &str = "tape.db";
pub const STATEMENT: &str = "statement.json";

/// The form that this program writes and reads.
const FORM: u32 = 1;
/// Bytes of a statement at most: a line of the tape takes a hundred.
const LONGEST: u64 = 1 << 20;

/// The statement, as its file has it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Statement {
    /// All of it in a line, for people.
    pub says: String,
    pub form: u32,
    pub program: String,
    pub site: String,
    /// When it was made, with the site's offset, and in microseconds since 1970.
    pub at: String,
    pub at_us: i64,
    pub ledger: LedgerCopy,
    pub tape: TapeCopy,
}

/// One file of it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Copied {
    pub bytes: u64,
    pub sha256: String,
    pub schema: i64,
    /// What it is a copy of: never with a password.
    pub of: String,
}

/// The ledger, and how it stood.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct LedgerCopy {
    #[serde(flatten)]
    pub file: Copied,
    pub epoch: String,
    pub made_at: i64,
    /// The highest numbers that it had given.
    pub report: i64,
    pub message: i64,
    /// The last row of the trail and its seal.
    pub trail: Head,
    #[serde(flatten)]
    pub contents: Contents,
}

/// The tape, and where it ended.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct TapeCopy {
    #[serde(flatten)]
    pub file: Copied,
    pub label: String,
    /// Of each line the last entry, and the byte behind it.
    pub ends: BTreeMap<String, (i64, u64)>,
}

fn copied(path: &Path, schema: i64, of: String) -> Result<Copied, StoreError> {
    let bytes = std::fs::metadata(path).map_err(|e| file_error(path, &e))?.len();
    Ok(Copied { bytes, sha256: digest_of(path)?, schema, of })
}

impl Statement {
    /// Of the two files in a folder, read from them.
    pub async fn of(folder: &Path, bench: &Bench, at: i64) -> Result<Self, StoreError> {
        let (ledger_at, tape_at) = (folder.join(LEDGER), folder.join(TAPE));
        let tape = Tape::look(&tape_at).await?;
        let mut ends = BTreeMap::new();
        for line in tape.lines().await? {
            let end = tape.end(&line).await?;
            ends.insert(line, end);
        }
        tape.db().close().await?;
        let ledger = Ledger::look(crate::address::Address::Sqlite(ledger_at.clone())).await?;
        let (stands, contents) = (ledger.stands(&tape.id).await?, ledger.contents().await?);
        ledger.close().await?;
        let mut statement = Self {
            says: String::new(),
            form: FORM,
            program: env!("CARGO_PKG_VERSION").into(),
            site: bench.site_name.clone(),
            at: bench.clock.rfc3339(at),
            at_us: at,
            ledger: LedgerCopy {
                file: copied(&ledger_at, ledger.schema_known(), bench.ledger.label())?,
                epoch: stands.epoch,
                made_at: stands.made_at,
                report: stands.report,
                message: stands.message,
                trail: stands.trail,
                contents,
            },
            tape: TapeCopy {
                file: copied(&tape_at, tape.db().schema_known(), bench.tape.display().to_string())?,
                label: tape.id,
                ends,
            },
        };
        statement.says = statement.words();
        Ok(statement)
    }

    fn words(&self) -> String {
        let Self { program, site, at, ledger, tape, .. } = self;
        let counts = |counts: &BTreeMap<String, i64>| {
            let each = counts.iter().map(|(state, many)| format!("{many} {state}"));
            let all = each.collect::<Vec<_>>().join(", ");
            if all.is_empty() { "none".to_owned() } else { all }
        };
        let ends = tape.ends.iter().map(|(line, (_, byte))| format!("{line} to byte {byte}"));
        let ends = ends.collect::<Vec<_>>().join(", ");
        format!(
            "{site}, {at}, by wickline {program}. Ledger {}: up to report {}, message {} and row {} of the trail, \
             sealed {}; reports: {}; messages: {}; {} outstanding. Tape {}: {}",
            ledger.epoch,
            ledger.report,
            ledger.message,
            ledger.trail.n,
            ledger.trail.hash.get(..16).unwrap_or(&ledger.trail.hash),
            counts(&ledger.contents.reports),
            counts(&ledger.contents.messages),
            ledger.contents.outstanding,
            tape.label,
            if ends.is_empty() { "nothing heard yet" } else { &ends },
        )
    }

    /// Writes it into the folder, last of all and in one step: with it the backup is one.
    pub fn write(&self, folder: &Path) -> Result<(), StoreError> {
        let (path, part) = (folder.join(STATEMENT), folder.join("statement.part"));
        let mut text = serde_json::to_string_pretty(self).map_err(|e| StoreError::Open {
            what: path.display().to_string(),
            why: e.to_string(),
        })?;
        text.push('\n');
        let mut file = new_file(&part).map_err(|e| file_error(&part, &e))?;
        let written = file.write_all(text.as_bytes()).and_then(|()| file.sync_all());
        written.and_then(|()| std::fs::rename(&part, &path)).map_err(|e| file_error(&path, &e))?;
        sync(folder)
    }

    /// Reads that of a folder.
    pub fn read(folder: &Path) -> Result<Self, StoreError> {
        let path = folder.join(STATEMENT);
        let what = path.display().to_string();
        let mut text = String::new();
        let file = match std::fs::File::open(&path) {
            Err(error) if error.kind() == std::io::ErrorKind::NotFound => {
                let why = "there is no whole backup: it has no statement, which is written last. A name is needed as \
                           `backup` printed it, one folder for each";
                return Err(StoreError::Open {
                    what: folder.display().to_string(),
                    why: why.into(),
                });
            }
            file => file.map_err(|e| file_error(&path, &e))?,
        };
        let read = file.take(LONGEST).read_to_string(&mut text);
        let damaged = |why: String| StoreError::Damaged { what: what.clone(), why };
        read.map_err(|e| damaged(e.to_string()))?;
        let value: serde_json::Value =
            serde_json::from_str(&text).map_err(|e| damaged(e.to_string()))?;
        let form = value["form"].as_u64().unwrap_or(0);
        if form > u64::from(FORM) {
            let (found, known) = (form.try_into().unwrap_or(i64::MAX), i64::from(FORM));
            return Err(StoreError::Newer { what, found, known });
        }
        serde_json::from_value(value).map_err(|e| damaged(e.to_string()))
    }

    /// An error: a newer program made it, or a file of the folder is not what it was when the statement was made.
    pub fn holds(&self, folder: &Path) -> Result<(), StoreError> {
        let files = [
            (LEDGER, &self.ledger.file, Ledger::schema()),
            (TAPE, &self.tape.file, Tape::schema()),
        ];
        for (name, file, known) in files {
            let path = folder.join(name);
            file.is_known(&path, known)?;
            file.fits(&path, &digest_of(&path)?)?;
        }
        Ok(())
    }

    /// When it was made, by the clock of the site.
    #[must_use]
    pub fn time(&self, clock: &SiteClock) -> String {
        clock.rfc3339(self.at_us)
    }
}

impl Copied {
    /// An error: bytes with this digest are not those that were copied.
    pub fn fits(&self, path: &Path, sha256: &str) -> Result<(), StoreError> {
        if self.sha256 == sha256 {
            return Ok(());
        }
        let why = format!(
            "its SHA-256 is {sha256}, and was {} when the backup was made: take another backup",
            self.sha256
        );
        Err(StoreError::Damaged { what: path.display().to_string(), why })
    }

    /// An error: a newer program made it.
    fn is_known(&self, path: &Path, known: i64) -> Result<(), StoreError> {
        let (what, found) = (path.display().to_string(), self.schema);
        if found > known { Err(StoreError::Newer { what, found, known }) } else { Ok(()) }
    }
}

/// The backups in a folder, by their names, the oldest first; those that have no statement are none yet or never.
pub fn within(folder: &Path) -> Result<Vec<PathBuf>, StoreError> {
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(|e| file_error(folder, &e))?.flatten() {
        let begins = entry.file_name().as_encoded_bytes().first().is_some_and(u8::is_ascii_digit);
        if begins && entry.file_type().is_ok_and(|kind| kind.is_dir()) {
            found.push(entry.path());
        }
    }
    found.sort();
    Ok(found)
}
