//! `explain --watch`: the capture again whenever something that it is explained by was saved.

use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::signal::unix::{SignalKind, signal};

use super::{Options, loaded, once};
use crate::cli::output::{Output, visible, visible_lines};
use crate::cli::{Answer, Exit};
use crate::settings::{self, Loaded};

/// How often the files are looked at.
const LOOK: Duration = Duration::from_millis(200);

/// Which file it is, how long, and when it was written; None: it is not there, as while an editor puts a new one in
/// its place.
type Stamp = Option<(u64, u64, i64, i64)>;

pub async fn watch(
    config: Option<PathBuf>,
    capture: &Path,
    options: &Options,
    out: &Output,
) -> Answer {
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut files = vec![capture.to_owned()];
    if options.dialect.is_none() {
        files.extend(settings::find(config.as_deref()).ok());
    }
    let mut saved: Vec<(PathBuf, Stamp)> = Vec::new();
    let mut exit;
    loop {
        // What is saved while it is explained is seen as well.
        note(&files, &mut saved);
        let read = loaded(config.clone(), options);
        if let Ok(loaded) = &read {
            files.extend(
                named(loaded).into_iter().filter(|file| !files.contains(file)).collect::<Vec<_>>(),
            );
            note(&files, &mut saved);
        }
        let answer = match read {
            Ok(loaded) => once(&loaded, capture, options, out).await,
            Err(failure) => Err(failure),
        };
        exit = answer.unwrap_or_else(|failure| {
            // A file under work is wrong for a while.
            eprintln!("{}", visible_lines(&failure.text));
            Exit::NotClean
        });
        eprintln!("watching {} file(s); ctrl-c ends", files.len());
        let changed = loop {
            tokio::select! {
                () = tokio::time::sleep(LOOK) => {}
                _ = interrupt.recv() => break None,
            }
            if let Some(file) = changed(&saved) {
                break Some(file);
            }
        };
        let Some(file) = changed else { return Ok(exit) };
        eprintln!("{} was saved:", visible(&file.to_string_lossy()));
        saved.clear();
    }
}

/// The dialects and strips of a configuration that are files.
fn named(loaded: &Loaded) -> Vec<PathBuf> {
    let folder = loaded.file.parent().unwrap_or(Path::new("."));
    let names = loaded
        .settings
        .analyzer
        .iter()
        .flat_map(|a| [&a.dialect, &a.strip].into_iter().chain(&a.strips));
    names.map(|name| folder.join(name)).filter(|file| file.is_file()).collect()
}

/// Keeps how each file is now, unless that is known.
fn note(files: &[PathBuf], saved: &mut Vec<(PathBuf, Stamp)>) {
    for file in files {
        if !saved.iter().any(|(known, _)| known == file) {
            saved.push((file.clone(), stamp(file)));
        }
    }
}

fn changed(saved: &[(PathBuf, Stamp)]) -> Option<PathBuf> {
    let other = |(file, was): &&(PathBuf, Stamp)| stamp(file).is_some_and(|now| Some(now) != *was);
    saved.iter().find(other).map(|(file, _)| file.clone())
}

fn stamp(file: &Path) -> Stamp {
    let data = std::fs::metadata(file).ok()?;
    Some((data.ino(), data.size(), data.mtime(), data.mtime_nsec()))
}
