//! Backups of both stores, made beside the work; and putting one back.

pub mod restore;
pub mod statement;

use std::fs::DirBuilder;
use std::os::unix::fs::{DirBuilderExt, MetadataExt};
use std::path::{Path, PathBuf};

use nix::unistd::{Gid, Group, Uid, User};

use self::statement::{LEDGER, STATEMENT, Statement, TAPE};
use crate::address::Address;
use crate::clock;
use crate::settings::bench::Bench;
use crate::sheet::todo::word;
use crate::store::StoreError;
use crate::store::copying::{FAILED, MADE, STORES, file_error, for_results, sync};
use crate::store::db::belongs_to_the_folder;
use crate::store::disk_room::{folder_of, free_bytes};
use crate::store::files::beside;
use crate::store::ledger::Ledger;
use crate::store::sound::Check;
use crate::store::tape::Tape;
use crate::store::trail::{Act, Actor};

/// Folders that may be made within one second.
const TRIES: usize = 20;

/// A backup that was made.
pub struct Made {
    pub folder: PathBuf,
    pub statement: Statement,
    /// Why it is not in the ledger's own trail.
    pub unnoted: Option<StoreError>,
}

/// Makes one in a new folder below `place`. The ledger is copied first, then the tape: what the copy of the ledger
/// knows stands on the copy of the tape.
pub async fn make(bench: &Bench, actor: &Actor, place: &Path) -> Result<Made, StoreError> {
    let tape = Tape::look(&bench.tape).await?;
    let ledger = Ledger::existing(bench.ledger.clone()).await?;
    let made = made_in(bench, &ledger, &tape, actor, place).await;
    if let Err(error) = &made {
        note_failed(&ledger, actor, error.to_string()).await;
    }
    tape.db().close().await?;
    ledger.close().await?;
    made
}

/// Notes a backup that could not even begin, as far as the ledger can be reached.
pub async fn not_begun(bench: &Bench, actor: &Actor, why: &str) -> Result<(), StoreError> {
    let ledger = Ledger::existing(bench.ledger.clone()).await?;
    note_failed(&ledger, actor, why.to_owned()).await;
    ledger.close().await
}

async fn note_failed(ledger: &Ledger, actor: &Actor, why: String) {
    let act = Act { verb: FAILED, object: STORES.into(), reason: Some(why), ..Act::default() };
    // Where the ledger itself is what failed, that is told by others.
    let _ = ledger.within(ledger.note(actor, act)).await;
}

async fn made_in(
    bench: &Bench,
    ledger: &Ledger,
    tape: &Tape,
    actor: &Actor,
    place: &Path,
) -> Result<Made, StoreError> {
    let folder = Folder::new(place, &bench.tape)?;
    let made = filled(bench, ledger, tape, actor, &folder).await;
    if made.is_err() {
        folder.remove();
    }
    made
}

async fn filled(
    bench: &Bench,
    ledger: &Ledger,
    tape: &Tape,
    actor: &Actor,
    folder: &Folder,
) -> Result<Made, StoreError> {
    let (ledger_at, tape_at) = (folder.path.join(LEDGER), folder.path.join(TAPE));
    room_for(bench, &folder.path)?;
    let at = clock::now_us();
    ledger.copy_into(&ledger_at).await?;
    tape.copy_into(&tape_at).await?;
    for path in [&ledger_at, &tape_at] {
        whole(path).await?;
    }
    let statement = Statement::of(&folder.path, bench, at).await?;
    let act = Act {
        verb: MADE,
        object: STORES.into(),
        became: Some(format!(
            "{}: ledger {} of {} bytes, tape {} of {} bytes",
            folder.path.display(),
            statement.ledger.file.sha256,
            statement.ledger.file.bytes,
            statement.tape.file.sha256,
            statement.tape.file.bytes,
        )),
        ..Act::default()
    };
    // A store that is full or away is no reason to have no backup of it.
    let unnoted = match ledger.within(ledger.note(actor, act)).await {
        Err(error) if !error.is_passing() => return Err(error),
        noted => noted.err(),
    };
    folder.is_still_there()?;
    statement.write(&folder.path)?;
    sync(folder_of(&folder.path))?;
    Ok(Made { folder: folder.path.clone(), statement, unnoted })
}

/// An error: a page of a database in a file is damaged.
pub async fn whole(path: &Path) -> Result<(), StoreError> {
    let ever = tokio::time::Instant::now() + std::time::Duration::from_secs(86_400);
    Check::begin(path).await?.until(ever).await.map(drop)
}

/// An error: there is not as much room as the stores take. A copy on their own disk leaves the room that the tape
/// needs.
fn room_for(bench: &Bench, folder: &Path) -> Result<(), StoreError> {
    let mut needed = bench.low_water;
    let mut stores = vec![bench.tape.clone()];
    if let Address::Sqlite(path) = &bench.ledger {
        stores.push(path.clone());
    }
    for store in stores {
        for path in [store.clone(), beside(&store, "-wal")] {
            needed += std::fs::metadata(path).map_or(0, |found| found.len());
        }
    }
    let free = free_bytes(folder).map_err(|e| file_error(folder, &e))?;
    if free >= needed {
        return Ok(());
    }
    let mib = |bytes: u64| bytes.div_ceil(1 << 20);
    let why = format!(
        "{} MiB are free and a backup may take {}, with the room that stays free for the tape. Make room or name a \
         folder on another disk; nothing was left there",
        mib(free),
        mib(needed)
    );
    Err(StoreError::Open { what: folder.display().to_string(), why })
}

/// A folder of its own for one backup.
struct Folder {
    path: PathBuf,
    /// Device and inode: nobody put another in its place.
    is: (u64, u64),
}

impl Folder {
    fn new(place: &Path, stores: &Path) -> Result<Self, StoreError> {
        let place = std::path::absolute(place).map_err(|e| file_error(place, &e))?;
        let place: PathBuf = place.components().collect();
        if place.symlink_metadata().is_err() && folder_of(&place).exists() {
            for_results(&std::fs::canonicalize(folder_of(&place)).unwrap_or_default(), stores)?;
        }
        make_folder(&place, true)?;
        for_results(&place, stores)?;
        let name = clock::stamp(clock::now_us());
        for again in 1..=TRIES {
            let more = if again == 1 { String::new() } else { format!("-{again}") };
            let path = place.join(format!("{name}{more}"));
            if make_folder(&path, false)? {
                let found = std::fs::symlink_metadata(&path).map_err(|e| file_error(&path, &e))?;
                return Ok(Self { path, is: (found.dev(), found.ino()) });
            }
        }
        let why = format!("{TRIES} backups were begun within this second");
        Err(StoreError::Open { what: place.display().to_string(), why })
    }

    fn is_still_there(&self) -> Result<(), StoreError> {
        let found =
            std::fs::symlink_metadata(&self.path).map_err(|e| file_error(&self.path, &e))?;
        if (found.dev(), found.ino()) == self.is {
            return Ok(());
        }
        let why = "another was put in its place while the backup was made: who may write in the folder above it?";
        Err(StoreError::Unsafe { what: self.path.display().to_string(), why: why.into() })
    }

    /// What was begun goes, as far as that can be done: without a statement it is no backup anyhow.
    fn remove(&self) {
        if self.is_still_there().is_err() {
            return;
        }
        for name in [LEDGER, TAPE] {
            for ending in ["", "-wal", "-shm", "-journal"] {
                let _ = std::fs::remove_file(beside(&self.path.join(name), ending));
            }
        }
        for name in [STATEMENT, "statement.part"] {
            let _ = std::fs::remove_file(self.path.join(name));
        }
        let _ = std::fs::remove_dir(&self.path);
    }
}

/// Makes a folder for its owner alone, where there is none yet. False: something is there.
fn make_folder(path: &Path, above: bool) -> Result<bool, StoreError> {
    let mut builder = DirBuilder::new();
    match builder.mode(0o700).create(path) {
        Ok(()) => {
            let opened = std::fs::File::open(path);
            let owned = opened.and_then(|folder| belongs_to_the_folder(&folder, path));
            owned.map_err(|e| file_error(path, &e)).map(|()| true)
        }
        Err(error) if error.kind() == std::io::ErrorKind::AlreadyExists => Ok(false),
        Err(error) if above && error.kind() == std::io::ErrorKind::NotFound => {
            let why = format!(
                "{} is not there: make it first, {}",
                folder_of(path).display(),
                ours(path)
            );
            Err(StoreError::Open { what: path.display().to_string(), why })
        }
        Err(error) if above && barred(error.kind()) => {
            let why = format!(
                "it is not there and cannot be made here ({error}): make it first, {}",
                ours(path)
            );
            Err(StoreError::Open { what: path.display().to_string(), why })
        }
        Err(error) => Err(file_error(path, &error)),
    }
}

/// The command by which root makes a folder for whoever backs up.
#[must_use]
pub fn made_for(folder: &Path, user: &str, group: &str) -> String {
    let folder = word(&folder.display().to_string());
    format!("as root: `install -d -m 0700 -o {user} -g {group} {folder}`")
}

/// The same for who works here.
fn ours(folder: &Path) -> String {
    let (user, group) = (Uid::effective(), Gid::effective());
    let user = User::from_uid(user).ok().flatten().map_or(user.to_string(), |found| found.name);
    let group = Group::from_gid(group).ok().flatten().map_or(group.to_string(), |found| found.name);
    made_for(folder, &user, &group)
}

/// As the nightly unit meets it, for which the system is read-only.
fn barred(kind: std::io::ErrorKind) -> bool {
    matches!(kind, std::io::ErrorKind::ReadOnlyFilesystem | std::io::ErrorKind::PermissionDenied)
}
