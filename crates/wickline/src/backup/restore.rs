//! Putting a backup back, while nothing works on the stores: what stands there is moved aside, never overwritten, and
//! everything is made ready beside it before anything is moved.

use std::collections::BTreeMap;
use std::fs::File;
use std::io::Write;
use std::path::{Path, PathBuf};

use rustix::fs::{CWD, RenameFlags};

use super::statement::{LEDGER, Statement, TAPE};
use super::whole;
use crate::acts::set_back::{Doubt, PutBack, orders_missing};
use crate::address::Address;
use crate::clock;
use crate::daemon::lock_anyhow;
use crate::settings::bench::Bench;
use crate::store::copying::{MADE_AT, copy_file, file_error, sync};
use crate::store::disk_room::folder_of;
use crate::store::files::beside;
use crate::store::ledger::Ledger;
use crate::store::lists::now::Ages;
use crate::store::seen::Seen;
use crate::store::tape::Tape;
use crate::store::trail::Actor;
use crate::store::{StoreError, refused};
use crate::texts::{Said, say};

/// One of the two stores alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
pub enum Only {
    Ledger,
    Tape,
}

/// What a person asks for.
pub struct Wish<'a> {
    pub folder: &'a Path,
    pub only: Option<Only>,
    /// The tape of the backup also in place of a present one that is whole.
    pub replace_tape: bool,
    pub reason: String,
    /// The command again, for whom it was cut short.
    pub again: String,
}

/// What was done.
pub struct Done {
    pub statement: Statement,
    /// What was put back: `ledger`, `tape` or both.
    pub put: Vec<&'static str>,
    /// Where what stood there is now.
    pub aside: Vec<(PathBuf, PathBuf)>,
    /// What became of the tape, in words.
    pub tape: String,
    /// How the ledger last stood, as far as that is known, and whether the tape or the ledger itself knows it.
    pub stood: Option<Seen>,
    /// Bytes of each line that are in neither store any more.
    pub lost: Vec<(String, u64)>,
    /// Messages that wait in the ledger that was put back: some may have been accepted since.
    pub waiting: i64,
}

/// What becomes of the tape.
enum TapeFate {
    /// The present one stays.
    Stays(Tape),
    /// That of the backup takes its place, for this reason; where it can be read, what was there.
    PutBack { why: String, was: Option<Tape> },
    /// There is none, and none is put back.
    None,
}

/// Puts a backup back, or says why not and changes nothing.
pub async fn restore(bench: &Bench, actor: &Actor, wish: &Wish<'_>) -> Result<Done, StoreError> {
    let statement = Statement::read(wish.folder)?;
    statement.holds(wish.folder)?;
    let locks = Locks::take(bench)?;
    if wish.only != Some(Only::Tape) && bench.ledger.is_shared() {
        must_be_new(&bench.ledger, wish).await?;
    }
    let fate = fate(bench, &statement, wish).await?;
    let mut ready = Ready::new(bench);
    let done = ready.restored(bench, actor, wish, statement, &fate, &locks).await;
    ready.tidy();
    fate.close().await?;
    done
}

/// The locks of the stores, of which no daemon may have one.
struct Locks(Vec<(PathBuf, File)>);

impl Locks {
    fn take(bench: &Bench) -> Result<Self, StoreError> {
        let mut stores = vec![(&bench.tape, "tape")];
        if let Address::Sqlite(path) = &bench.ledger {
            stores.push((path, "ledger"));
        }
        let taken = stores.into_iter().map(|(path, what)| match lock_anyhow(path, what) {
            Err(StoreError::Unsafe { what, .. }) => {
                let why = "a daemon works with it: stop that first (`systemctl stop wickline`), then do this again"
                    .to_owned();
                Err(StoreError::Unsafe { what, why })
            }
            file => file.map(|file| (path.with_extension("lock"), file)),
        });
        taken.collect::<Result<_, _>>().map(Self)
    }

    /// From here on nobody opens the stores before this is done, or done again.
    fn mark(&self, again: &str) -> Result<(), StoreError> {
        self.unmark()?;
        for (path, file) in &self.0 {
            let mut file = file;
            let marked = file.write_all(again.as_bytes()).and_then(|()| file.sync_all());
            marked.map_err(|e| file_error(path, &e))?;
        }
        Ok(())
    }

    fn unmark(&self) -> Result<(), StoreError> {
        for (path, file) in &self.0 {
            file.set_len(0).and_then(|()| file.sync_all()).map_err(|e| file_error(path, &e))?;
        }
        Ok(())
    }
}

async fn must_be_new(ledger: &Address, wish: &Wish<'_>) -> Result<(), StoreError> {
    match Ledger::look(ledger.clone()).await {
        Ok(there) => {
            let new = there.must_be_new().await;
            there.close().await?;
            let more = match wish.only {
                None => format!("; for the tape alone: `{} --only tape`", wish.again),
                Some(_) => String::new(),
            };
            new.map_err(|error| match error {
                StoreError::Refused { why } => refused(format!(
                    "{why}. Make another database and name it as store.ledger{more}"
                )),
                other => other,
            })
        }
        Err(StoreError::Absent { .. }) => Ok(()),
        Err(error) => Err(error),
    }
}

/// The present tape, where every page of it is whole; else why it cannot stay.
async fn present_tape(path: &Path) -> Result<Result<Tape, String>, StoreError> {
    if !path.exists() {
        return Ok(Err("there was none".into()));
    }
    let looked = async {
        let tape = Tape::look(path).await?;
        let whole = async { tape.db().is_whole().await.map(|()| tape.clone()) };
        match async { Ok((whole.await?, tape.lines().await?)) }.await {
            Ok(looked) => Ok(looked),
            Err(error) => tape.db().close().await.and(Err(error)),
        }
    };
    match looked.await {
        Ok((tape, lines)) if lines.is_empty() => {
            tape.db().close().await?;
            Ok(Err("nothing stood on it".into()))
        }
        Ok((tape, _)) => Ok(Ok(tape)),
        Err(error @ (StoreError::Damaged { .. } | StoreError::Wrong { .. })) => {
            Ok(Err(error.to_string()))
        }
        Err(StoreError::Absent { .. }) => Ok(Err("it was no tape yet".into())),
        Err(error) => Err(error),
    }
}

/// The present tape stays wherever it can: it has what the backup's has, and more.
async fn fate(
    bench: &Bench,
    statement: &Statement,
    wish: &Wish<'_>,
) -> Result<TapeFate, StoreError> {
    let present = match (present_tape(&bench.tape).await?, wish.only) {
        (Ok(tape), _) => tape,
        (Err(_), Some(Only::Ledger)) => return Ok(TapeFate::None),
        (Err(why), _) => return Ok(TapeFate::PutBack { why, was: None }),
    };
    match why_not(bench, &present, statement, wish).await {
        Ok(None) => Ok(TapeFate::Stays(present)),
        Ok(Some(why)) => Ok(TapeFate::PutBack { why: why.into(), was: Some(present) }),
        Err(error) => present.db().close().await.and(Err(error)),
    }
}

/// Why a present tape gives way. None: it stays. An error: a person has to say which.
async fn why_not(
    bench: &Bench,
    present: &Tape,
    statement: &Statement,
    wish: &Wish<'_>,
) -> Result<Option<&'static str>, StoreError> {
    let (here, only) = (bench.tape.display(), wish.only);
    if wish.replace_tape {
        return Ok(Some("it was asked for"));
    }
    let again = |more: &str| format!("`{}{more}`", wish.again);
    if present.id != statement.tape.label {
        if only == Some(Only::Ledger) {
            return Ok(None);
        }
        let keep = match only {
            None => format!("{} keeps it, ", again(" --only ledger")),
            Some(_) => String::new(),
        };
        return Err(refused(format!(
            "{here} is another tape than that of the backup, and has something on it: {keep}{} moves it aside",
            again(" --replace-tape")
        )));
    }
    let copy = Tape::look(&wish.folder.join(TAPE)).await?;
    let goes_on = present.goes_on_from(&copy).await;
    copy.db().close().await?;
    match (goes_on?, only) {
        (true, Some(Only::Tape)) => Err(refused(format!(
            "{here} is whole and has all that the backup's has: it stays. To have the older one all the same: {}",
            again(" --replace-tape")
        ))),
        (true, _) => Ok(None),
        (false, Some(Only::Ledger)) => Err(refused(format!(
            "{here} does not go on from the tape of the backup, though it has its name: its places are not those of \
             that ledger. Leave `--only ledger` out: both are put back"
        ))),
        (false, _) => Ok(Some("it was shorter, or another history of it")),
    }
}

/// What is made ready beside the stores, to take their places.
struct Ready {
    ledger: PathBuf,
    tape: PathBuf,
    stamp: String,
    aside: Vec<(PathBuf, PathBuf)>,
}

impl Ready {
    fn new(bench: &Bench) -> Self {
        let mut stores = vec![bench.tape.clone()];
        let ledger = match &bench.ledger {
            Address::Sqlite(path) => {
                stores.push(path.clone());
                beside(path, "-restoring")
            }
            // On its way to the server.
            Address::Postgres(_) => beside(&bench.tape, "-ledger-restoring"),
        };
        let stamp = clock::stamp(clock::now_us());
        let names = std::iter::once(stamp.clone()).chain((2..).map(|n| format!("{stamp}-{n}")));
        let free = |stamp: &String| {
            let aside = |store: &PathBuf| beside(store, &format!("-before-{stamp}"));
            stores.iter().all(|store| std::fs::symlink_metadata(aside(store)).is_err())
        };
        let stamp = names.into_iter().find(free).unwrap_or_default();
        let (tape, aside) = (beside(&bench.tape, "-restoring"), Vec::new());
        let ready = Self { ledger, tape, stamp, aside };
        // What one left that was cut short.
        ready.tidy();
        ready
    }

    fn tidy(&self) {
        for path in [&self.ledger, &self.tape] {
            for ending in ["", "-wal", "-shm", "-journal"] {
                let _ = std::fs::remove_file(beside(path, ending));
            }
        }
    }

    async fn restored(
        &mut self,
        bench: &Bench,
        actor: &Actor,
        wish: &Wish<'_>,
        statement: Statement,
        fate: &TapeFate,
        locks: &Locks,
    ) -> Result<Done, StoreError> {
        let stood = stood(bench, &statement.tape.label, fate).await;
        let only_tape = wish.only == Some(Only::Tape);
        let ledger = if only_tape {
            Ledger::existing(bench.ledger.clone()).await?
        } else {
            copied(&wish.folder.join(LEDGER), &self.ledger, &statement.ledger.file).await?;
            Ledger::open(Address::Sqlite(self.ledger.clone())).await?
        };
        let put_tape = matches!(fate, TapeFate::PutBack { .. });
        let mut lost = Vec::new();
        if put_tape {
            copied(&wish.folder.join(TAPE), &self.tape, &statement.tape.file).await?;
            let read = ledger.stands(&statement.tape.label).await?.lines;
            lost = Tape::go_on_behind(&self.tape, &read).await?;
            lost = more_lost(lost, &statement, fate).await?;
        }
        let doubts = match only_tape {
            true => Vec::new(),
            false => doubts(&ledger, &self.tape, &statement, fate).await?,
        };
        let (put, what) = match (only_tape, put_tape) {
            (true, _) => (vec!["tape"], "tape"),
            (false, true) => (vec!["ledger", "tape"], "ledger and tape"),
            (false, false) => (vec!["ledger"], "ledger"),
        };
        let back = told(bench, wish, &statement, fate, stood.as_ref(), what, doubts);
        let mut waiting = 0;
        if !only_tape {
            ledger.put_back(bench, actor, back.clone()).await?;
            for receiver in ledger.receivers().await? {
                waiting += ledger.open_at(&receiver, Ages { today: 0, week: 0 }).await?.waiting;
            }
            ledger.close().await?;
        }
        if !only_tape && bench.ledger.is_shared() {
            // Whole by itself: with the present tape it is a ledger alone that was put back.
            self.put_on_the_server(bench).await?;
        }
        locks.mark(&wish.again)?;
        if let (false, Address::Sqlite(path)) = (only_tape, &bench.ledger) {
            self.put_in_place(&self.ledger.clone(), path)?;
        }
        if put_tape {
            self.put_in_place(&self.tape.clone(), &bench.tape)?;
        }
        if only_tape {
            ledger.put_back(bench, actor, back).await?;
            ledger.close().await?;
        }
        locks.unmark()?;
        let tape = fate.words(bench);
        let aside = std::mem::take(&mut self.aside);
        Ok(Done { statement, put, aside, tape, stood, lost, waiting })
    }

    async fn put_on_the_server(&self, bench: &Bench) -> Result<(), StoreError> {
        let from = Ledger::look(Address::Sqlite(self.ledger.clone())).await?;
        let to = Ledger::open(bench.ledger.clone()).await?;
        from.fill_new(&to).await?;
        from.close().await?;
        to.close().await
    }

    /// Moves what stands at a path aside under a name with the time, with what SQLite keeps beside it, and the new file
    /// there.
    fn put_in_place(&mut self, new: &Path, path: &Path) -> Result<(), StoreError> {
        let aside = beside(path, &format!("-before-{}", self.stamp));
        for ending in ["-wal", "-shm", "-journal", ""] {
            let (from, to) = (beside(path, ending), beside(&aside, ending));
            if std::fs::symlink_metadata(&from).is_err() {
                continue;
            }
            let moved = rustix::fs::renameat_with(CWD, &from, CWD, &to, RenameFlags::NOREPLACE);
            moved.map_err(|e| file_error(&from, &e.into()))?;
            if ending.is_empty() {
                self.aside.push((from, to));
            }
        }
        let moved = rustix::fs::renameat_with(CWD, new, CWD, path, RenameFlags::NOREPLACE);
        moved.map_err(|e| file_error(path, &e.into()))?;
        sync(folder_of(path))
    }
}

impl TapeFate {
    fn words(&self, bench: &Bench) -> String {
        let here = bench.tape.display();
        match self {
            Self::Stays(_) => {
                format!("{here} stays as it is: it is whole and goes on from the backup's")
            }
            Self::PutBack { why, .. } => format!("{here} is that of the backup now: {why}"),
            Self::None => format!(
                "there is no tape that could be read at {here}: `wickline run` begins a new one"
            ),
        }
    }

    async fn close(&self) -> Result<(), StoreError> {
        match self {
            Self::Stays(tape) | Self::PutBack { was: Some(tape), .. } => tape.db().close().await,
            _ => Ok(()),
        }
    }

    fn present(&self) -> Option<&Tape> {
        match self {
            Self::Stays(tape) | Self::PutBack { was: Some(tape), .. } => Some(tape),
            _ => None,
        }
    }
}

async fn copied(from: &Path, to: &Path, file: &super::statement::Copied) -> Result<(), StoreError> {
    file.fits(from, &copy_file(from, to)?)?;
    whole(to).await
}

/// How the ledger stands that gives way, where it can be asked; else how the tape remembers it.
async fn stood(bench: &Bench, tape: &str, fate: &TapeFate) -> Option<Seen> {
    let label = fate.present().map_or(tape, |tape| tape.id.as_str());
    if let Ok(ledger) = Ledger::look(bench.ledger.clone()).await {
        let stands = ledger.stands(label).await.ok();
        let _ = ledger.close().await;
        if stands.is_some() && !bench.ledger.is_shared() {
            return stands;
        }
    }
    fate.present()?.ledger_seen().await.ok().flatten()
}

/// What the tape that gives way had beyond that of the backup, and no ledger had read.
async fn more_lost(
    gaps: Vec<(String, u64)>,
    statement: &Statement,
    fate: &TapeFate,
) -> Result<Vec<(String, u64)>, StoreError> {
    let mut lost: BTreeMap<String, u64> = gaps.into_iter().collect();
    if let Some(present) = fate.present().filter(|tape| tape.id == statement.tape.label) {
        for line in present.lines().await? {
            let had = present.end(&line).await?.1;
            let has = statement.tape.ends.get(&line).map_or(0, |(_, byte)| *byte);
            let most = lost.entry(line).or_default();
            *most = had.saturating_sub(has).max(*most);
        }
    }
    Ok(lost.into_iter().filter(|(_, bytes)| *bytes > 0).collect())
}

/// What was perhaps sent since the backup: of its own tape all that stands on it, of a present one what it remembers;
/// and whatever is open of any other tape that was read into this ledger.
async fn doubts(
    ledger: &Ledger,
    put: &Path,
    statement: &Statement,
    fate: &TapeFate,
) -> Result<Vec<Doubt>, StoreError> {
    let mut all = Vec::new();
    match fate {
        TapeFate::PutBack { .. } => {
            let put = Tape::look(put).await?;
            let lines = doubted(&put, None).await;
            put.db().close().await?;
            all.push(Doubt { tape: statement.tape.label.clone(), lines: lines? });
        }
        TapeFate::Stays(present) => {
            let seen = present.ledger_seen().await?;
            let lines = doubted(present, seen.as_ref()).await?;
            all.push(Doubt { tape: present.id.clone(), lines });
        }
        TapeFate::None => {}
    }
    for tape in ledger.tapes().await? {
        if all.iter().all(|doubt| doubt.tape != tape) {
            all.push(Doubt { tape, lines: Vec::new() });
        }
    }
    Ok(all)
}

/// Up to where each line of a tape was perhaps read: as it was noted, without a note to its end.
async fn doubted(tape: &Tape, seen: Option<&Seen>) -> Result<Vec<(String, u64)>, StoreError> {
    let mut lines = Vec::new();
    for line in tape.lines().await? {
        let most = seen.map_or(u64::MAX, |seen| seen.lines.get(&line).map_or(0, |l| l.perhaps_to));
        let to = most.min(tape.end(&line).await?.1);
        lines.push((line, to));
    }
    Ok(lines)
}

fn told(
    bench: &Bench,
    wish: &Wish<'_>,
    statement: &Statement,
    fate: &TapeFate,
    stood: Option<&Seen>,
    what: &str,
    doubts: Vec<Doubt>,
) -> PutBack {
    let of = statement.time(&bench.clock);
    let ledger = &statement.ledger;
    let orders = if what == "tape" { Said::default() } else { orders_missing(bench) };
    let stores = Said::from(what);
    let detail = match doubts.is_empty() {
        true => say!("notice.restored", stores = stores, at = of, orders = orders),
        false => say!("notice.restored_doubts", stores = stores, at = of, orders = orders),
    };
    let detail = detail.to_string();
    let head = |epoch: &str, n: i64, hash: &str| format!("{epoch} {n}:{hash}");
    let was = stood.map_or("not known".to_owned(), |s| head(&s.epoch, s.trail.n, &s.trail.hash));
    PutBack {
        what: what.to_owned(),
        tape: fate
            .present()
            .filter(|_| matches!(fate, TapeFate::Stays(_)))
            .map_or_else(|| statement.tape.label.clone(), |tape| tape.id.clone()),
        detail,
        reason: wish.reason.clone(),
        was,
        became: format!(
            "{}; from {}, ledger {}, tape {}{MADE_AT}{}",
            head(&ledger.epoch, ledger.trail.n, &ledger.trail.hash),
            wish.folder.display(),
            ledger.file.sha256,
            statement.tape.file.sha256,
            clock::stamp(statement.at_us)
        ),
        doubts,
    }
}
