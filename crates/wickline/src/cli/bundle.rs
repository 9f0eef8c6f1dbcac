//! `bundle`: what somebody needs who helps from outside, in one text that a person can read before it is sent.
//!
//! What goes in is chosen piece by piece, and nothing of it names a patient or a person. Free text is left out,
//! comments of files too. At last every specimen id and every name that the ledger knows is looked for in it. Where the
//! configuration is wrong, which is when help is needed, it is made of what can be had, and says what it lacks.

use std::collections::BTreeSet;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use clap::Args;
use serde_json::{Value, json};
use tokio::io::{AsyncReadExt, AsyncWriteExt};

use super::output::Output;
use super::{Answer, Exit, Failure, check, faults, file, stores_bench};
use crate::clock;
use crate::settings::bench::Bench;
use crate::settings::{self, Loaded, effective};
use crate::sheet::now::Now;
use crate::store::StoreError;
use crate::store::disk_room::{folder_of, room};
use crate::store::ledger::Ledger;
use crate::store::tape::{Entry, Tape};

/// Entries of a line whose shape is shown, the last ones, and bytes of each.
const ENTRIES: i64 = 40;
const BYTES: usize = 400;
/// How long metrics may take, and how much of them is kept.
const METRICS: Duration = Duration::from_secs(2);
const MOST: u64 = 256 << 10;
/// Names shorter than this are parts of words, and those of programs and of the system name nobody.
const LEAST: usize = 3;
const NOBODY: [&str; 3] = ["wickline", "root", "nobody"];

const ABOUT: &str =
    "Wickline, for support: no patient data, no names of people. Read it before you send it.";

/// `wickline bundle support.json`
#[derive(Debug, Args)]
pub struct Options {
    /// Where it is written, as text; nothing in it names a patient or a person
    file: PathBuf,
    /// Leave out what asks receivers and the metrics' address
    #[arg(long)]
    offline: bool,
}

/// What there is to take from: everything that is configured, or where that is wrong, what can be had.
struct Source {
    loaded: Option<Loaded>,
    /// Of the stores alone, where the configuration is wrong. None: not even they are known.
    bench: Option<Bench>,
    /// Where the ledger is can be read, too.
    ledger: bool,
    configuration: Value,
    /// What is wrong with it, one a line.
    faults: Option<String>,
}

impl Source {
    fn read(config: Option<&Path>) -> Self {
        let nothing = |why: String| Self {
            loaded: None,
            bench: None,
            ledger: false,
            configuration: Value::Null,
            faults: Some(why),
        };
        let file = match settings::find(config) {
            Ok(file) => file,
            Err(why) => return nothing(why),
        };
        let loaded = settings::load(&file);
        match loaded.and_then(|loaded| Ok((Bench::build(&loaded)?, loaded))) {
            Ok((bench, loaded)) => Self {
                configuration: bench.effective.without_comments(),
                loaded: Some(loaded),
                bench: Some(bench),
                ledger: true,
                faults: None,
            },
            Err(found) => {
                let stores = stores_bench(Some(file.clone()));
                Self {
                    ledger: stores.is_some(),
                    bench: stores.or_else(|| tape_alone(&file)),
                    configuration: wrong(&file),
                    ..nothing(faults(found).text)
                }
            }
        }
    }

    /// What `check` finds. An error: it cannot look.
    async fn findings(&self, offline: bool) -> Result<Value, String> {
        let (Some(loaded), Some(bench)) = (&self.loaded, &self.bench) else {
            return Err("the configuration is wrong".into());
        };
        let found = check::findings(loaded, bench, None, offline).await.map_err(|e| e.text)?;
        Ok(found.iter().map(check::Finding::as_json).collect())
    }
}

/// What is known of a tape where the ledger's address is what is wrong.
fn tape_alone(file: &Path) -> Option<Bench> {
    let mut loaded = settings::stores_alone(file)?;
    // Nobody looks there.
    loaded.settings.store.ledger = "sqlite:none".into();
    Bench::build(&loaded).ok()
}

/// A file that is wrong, as far as it can be read.
fn wrong(file: &Path) -> Value {
    let text = std::fs::read(file).ok().and_then(|bytes| String::from_utf8(bytes).ok());
    text.and_then(|text| effective::of_wrong(&text)).unwrap_or_default()
}

/// The bundle as far as it has come, and what is not in it.
#[derive(Default)]
struct Pieces {
    text: serde_json::Map<String, Value>,
    left_out: Vec<(&'static str, String)>,
}

impl Pieces {
    fn put(&mut self, name: &'static str, piece: Result<Value, String>) {
        let piece = piece.unwrap_or_else(|why| {
            self.left_out.push((name, why));
            Value::Null
        });
        self.text.insert(name.to_owned(), piece);
    }
}

pub async fn bundle(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let source = Source::read(config.as_deref());
    let unknown = || "where the stores are cannot be read from the configuration".to_owned();
    let now = clock::now_us();
    let made = source.bench.as_ref();
    let made = made.map_or_else(|| clock::stamp(now), |bench| bench.clock.rfc3339(now));
    let mut pieces = Pieces::default();
    pieces.put("about", Ok(json!(ABOUT)));
    pieces.put("version", Ok(json!(env!("CARGO_PKG_VERSION"))));
    pieces.put("made_at", Ok(json!(made)));
    pieces.put("system", Ok(system()));
    let lines = source.faults.iter().flat_map(|text| text.lines()).collect::<Vec<_>>();
    pieces.put("faults", Ok(json!(lines)));
    let shown = Some(source.configuration.clone()).filter(|shown| !shown.is_null());
    pieces.put("configuration", shown.ok_or_else(|| "it cannot be read as tables".to_owned()));
    pieces.put("check", source.findings(options.offline).await);
    pieces.put("disk", source.bench.as_ref().map(disk).ok_or_else(unknown));
    pieces.put("exit_codes", Ok(exit_codes()));
    let asked = match (&source.loaded, &source.bench) {
        _ if options.offline => Ok(Value::Null),
        (Some(_), Some(bench)) => Ok(metrics(bench).await),
        _ => Err("where they are served is not known".to_owned()),
    };
    pieces.put("metrics", asked);
    let (mut names, mut failed) = (Names::default(), None);
    match &source.bench {
        None => {
            pieces.put("tape", Err(unknown()));
            pieces.put("ledger", Err(unknown()));
        }
        Some(bench) => {
            pieces.put("tape", tape(bench).await.map_err(|error| error.to_string()));
            let found = match source.ledger {
                true => ledger(bench, source.faults.as_deref()).await,
                false => Err(StoreError::Refused { why: unknown().into() }),
            };
            failed = found.as_ref().err().map(|error| (Failure::exit_of(error), error.to_string()));
            let found = found.map(|(ledger, known)| {
                names = known;
                ledger
            });
            pieces.put("ledger", found.map_err(|error| error.to_string()));
        }
    }
    let path = written(&options.file, pieces, &names, out)?;
    match (source.faults, failed) {
        (Some(_), _) => Err(Failure::wrong(format!(
            "the configuration is wrong, and {path} says where; it was made with what can be had"
        ))),
        (None, Some((exit, text))) => {
            Err(Failure { exit, text: format!("{text}; {path} is without it") })
        }
        (None, None) => Ok(Exit::Done),
    }
}

/// Writes it, masked, and says what it lacks. The path as it is shown.
fn written(path: &Path, pieces: Pieces, names: &Names, out: &Output) -> Result<String, Failure> {
    let Pieces { mut text, left_out } = pieces;
    let left: Vec<_> =
        left_out.iter().map(|(what, why)| json!({"what": what, "why": why})).collect();
    text.insert("left_out".into(), json!(left));
    let text = serde_json::to_string_pretty(&text).map_err(|e| Failure::wrong(e.to_string()))?;
    let (text, masked) = names.masked(&text);
    let mut file = file::create(path)?;
    let done = file.write_all(text.as_bytes()).and_then(|()| file.write_all(b"\n"));
    done.map_err(|error| file::cannot(path, &error))?;
    let shown = path.display().to_string();
    if out.json {
        let left: Vec<_> = left_out.iter().map(|(what, _)| *what).collect();
        let said = json!({"file": shown, "bytes": text.len(), "masked": masked, "left_out": left});
        out.document(&said)?;
    }
    out.line(&format!(
        "{shown}: {} KiB of text; read it before you send it",
        text.len() / 1024 + 1
    ));
    if masked > 0 {
        out.line(&format!(
            "{masked} words in it stood in the ledger as ids or names, and are masked"
        ));
    }
    for (what, why) in &left_out {
        out.line(&format!("left out: {what}: {}", why.replace('\n', " ")));
    }
    Ok(shown)
}

fn exit_codes() -> Value {
    json!({
        "0": "done", "1": "done, and something needs a person", "2": "command line or configuration wrong",
        "3": "something could not be reached or opened", "4": "a store is not safe",
    })
}

fn system() -> Value {
    let uname = rustix::system::uname();
    let release = std::fs::read_to_string("/etc/os-release").unwrap_or_default();
    let pretty = release.lines().find_map(|line| line.strip_prefix("PRETTY_NAME="));
    json!({
        "kernel": uname.release().to_string_lossy(), "machine": uname.machine().to_string_lossy(),
        "name": pretty.map(|name| name.trim_matches('"')),
    })
}

fn disk(bench: &Bench) -> Value {
    let room = room(folder_of(&bench.tape)).ok();
    let bytes = |path: &Path| std::fs::metadata(path).map(|found| found.len()).ok();
    json!({
        "free_bytes": room.map(|room| room.free), "size_bytes": room.map(|room| room.size),
        "tape_bytes": bytes(&bench.tape),
        "ledger_bytes": match &bench.ledger {
            crate::address::Address::Sqlite(path) => bytes(path),
            crate::address::Address::Postgres(_) => None,
        },
    })
}

async fn ledger(bench: &Bench, faults: Option<&str>) -> Result<(Value, Names), StoreError> {
    let ledger = Ledger::look(bench.ledger.clone()).await?;
    let read = of_ledger(&ledger, bench, faults).await;
    ledger.close().await?;
    read
}

async fn of_ledger(
    ledger: &Ledger,
    bench: &Bench,
    faults: Option<&str>,
) -> Result<(Value, Names), StoreError> {
    let now = match faults {
        None => Now::read(ledger, bench).await?,
        Some(faults) => Now::beside(ledger, bench, faults).await?,
    };
    // What a finding says may quote who did something, and why.
    let findings =
        now.findings.iter().map(|f| json!({"about": f.about, "which": f.which, "wrong": f.wrong}));
    let daemons = ledger.daemons().await?;
    let points = daemons.iter().flat_map(|told| &told.points).map(|((kind, id), point)| {
        let at = |us: i64| bench.clock.rfc3339(us);
        json!({
            "kind": kind.text(), "id": id, "up": point.up, "since": at(point.since),
            "last_at": point.last_at.map(at),
        })
    });
    let notices = ledger.notices().await?;
    let notices = notices.iter().map(|n| json!({"kind": n.kind.code(), "detail": n.detail}));
    let value = json!({
        "schema": ledger.schema_known(), "shared": ledger.is_shared(), "counts": ledger.summed().await?,
        "status": findings.collect::<Vec<_>>(), "daemons": points.collect::<Vec<_>>(),
        "notices": notices.collect::<Vec<_>>(),
    });
    let (specimens, people) = ledger.names_known().await?;
    Ok((value, Names { specimens, people }))
}

/// The last entries of each line: when, how long, and the shape of their bytes.
async fn tape(bench: &Bench) -> Result<Value, StoreError> {
    let tape = Tape::look(&bench.tape).await?;
    let mut lines = serde_json::Map::new();
    let mut ids: Vec<String> = bench.analyzers.iter().map(|a| a.id.clone()).collect();
    if ids.is_empty() {
        // The configuration is wrong: those that were ever heard.
        ids = tape.lines().await?;
    }
    for id in ids {
        let (last, before) = tape.tail(&id, ENTRIES).await?;
        let entries = tape.after(&id, before, ENTRIES).await?;
        let shown = entries.iter().map(|entry| {
            json!({
                "entry": entry.n, "at": bench.clock.rfc3339(entry.at), "tick_us": entry.tick,
                "kind": format!("{:?}", entry.kind).to_lowercase(), "start": entry.start,
                "bytes": entry.data.len(), "bad_bytes": entry.flaws.len(), "shape": shape(entry),
            })
        });
        let shown = shown.collect::<Vec<_>>();
        lines.insert(id, json!({"last_entry": last, "last": shown}));
    }
    let schema = tape.db().schema_known();
    tape.db().close().await?;
    Ok(json!({"schema": schema, "lines": lines}))
}

/// Bytes with each letter as `a` or `A`, each digit as `9`: how long things are stays, what they say does not.
fn shape(entry: &Entry) -> String {
    let masked = |byte: &u8| match byte {
        b'0'..=b'9' => '9',
        b'a'..=b'z' | 0x80.. => 'a',
        b'A'..=b'Z' => 'A',
        other => char::from(*other),
    };
    entry.data.iter().take(BYTES).map(masked).collect()
}

/// As the daemon serves them without TLS, which name analyzers, receivers and states.
async fn metrics(bench: &Bench) -> Value {
    let served = [&bench.watch, &bench.console].into_iter().flatten().find(|s| s.tls.is_none());
    let Some(served) = served else { return Value::Null };
    let asked = async {
        let mut stream = tokio::net::TcpStream::connect(served.listen).await?;
        let request = format!(
            "GET /metrics HTTP/1.1\r\nHost: {}\r\nConnection: close\r\n\r\n",
            served.listen
        );
        stream.write_all(request.as_bytes()).await?;
        let mut text = Vec::new();
        stream.take(MOST).read_to_end(&mut text).await?;
        Ok::<_, std::io::Error>(String::from_utf8_lossy(&text).into_owned())
    };
    match tokio::time::timeout(METRICS, asked).await {
        Ok(Ok(text)) => {
            let lines = text.lines().filter(|line| line.starts_with("wickline_"));
            json!(lines.collect::<Vec<_>>())
        }
        Ok(Err(error)) => json!({"error": error.to_string()}),
        Err(_) => json!({"error": "no answer"}),
    }
}

/// Ids and names that the ledger knows.
#[derive(Default)]
struct Names {
    specimens: BTreeSet<String>,
    people: BTreeSet<String>,
}

impl Names {
    /// A text without them, and how many stood in it.
    fn masked(&self, text: &str) -> (String, usize) {
        let (mut kept, mut masked) = (String::with_capacity(text.len()), 0);
        let part = |c: char| !(c.is_alphanumeric() || "-_./".contains(c));
        for piece in text.split_inclusive(part) {
            let word = piece.trim_end_matches(part);
            if word.chars().count() >= LEAST && self.specimens.contains(word) {
                kept.push_str("[masked]");
                kept.push_str(&piece[word.len()..]);
                masked += 1;
            } else {
                kept.push_str(piece);
            }
        }
        for name in &self.people {
            let nobody = NOBODY.contains(&name.as_str()) || name.chars().count() < LEAST;
            if !nobody && kept.contains(name.as_str()) {
                masked += kept.matches(name.as_str()).count();
                kept = kept.replace(name.as_str(), "[masked]");
            }
        }
        (kept, masked)
    }
}

#[cfg(test)]
mod tests {
    use super::Names;

    #[test]
    fn what_the_ledger_knows_is_masked_as_a_word() {
        let set = |names: &[&str]| names.iter().map(|n| (*n).to_owned()).collect();
        let names = Names { specimens: set(&["KP-20417", "7"]), people: set(&["J. Mast", "root"]) };
        let (text, masked) = names.masked("\"KP-20417\" KP-204170 7, by J. Mast of root");
        assert_eq!((text.as_str(), masked), ("\"[masked]\" KP-204170 7, by [masked] of root", 2));
    }
}
