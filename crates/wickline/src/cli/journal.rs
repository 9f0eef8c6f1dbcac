//! What is said on standard error: to the journal each line with its priority and no time of its own, to
//! anybody else with one.

use std::io::{self, Write};
use std::os::unix::fs::MetadataExt;

use tracing::{Level, Metadata};
use tracing_subscriber::EnvFilter;
use tracing_subscriber::fmt::MakeWriter;
use tracing_subscriber::fmt::format::FmtSpan;

/// The priority of an error, as sd-daemon(3) has it.
const ERROR: u8 = 3;

/// Says what happens on standard error, as much of it as `WICKLINE_LOG` asks for. What the database driver
/// would say is never part of it but for its errors: a statement may hold what identifies a patient.
pub fn begin() {
    let asked = EnvFilter::try_from_env("WICKLINE_LOG").unwrap_or_else(|_| EnvFilter::new("info"));
    let filter = match "sqlx=error".parse() {
        Ok(quiet) => asked.add_directive(quiet),
        Err(_) => asked,
    };
    let log = tracing_subscriber::fmt()
        .with_env_filter(filter)
        .with_span_events(FmtSpan::CLOSE)
        .with_ansi(false)
        .with_target(false);
    let _ = if is_journal() {
        log.without_time().with_writer(Journal).try_init()
    } else {
        log.with_writer(io::stderr).try_init()
    };
}

/// Says why the program ends, to whoever reads standard error.
pub fn complain(text: &str) {
    if is_journal() {
        let _ = Lines(ERROR).write_all(text.as_bytes());
    } else {
        eprintln!("{text}");
    }
}

/// Whether standard error goes to the journal: `JOURNAL_STREAM` names its device and inode, and may be
/// inherited by programs whose standard error is another (systemd.exec(5)).
fn is_journal() -> bool {
    let Some(named) = std::env::var_os("JOURNAL_STREAM") else { return false };
    let own = std::fs::metadata("/proc/self/fd/2");
    own.is_ok_and(|own| named.to_str() == Some(format!("{}:{}", own.dev(), own.ino()).as_str()))
}

/// Writes for the journal.
struct Journal;

impl<'a> MakeWriter<'a> for Journal {
    type Writer = Lines;

    fn make_writer(&'a self) -> Lines {
        Lines(6)
    }

    fn make_writer_for(&'a self, about: &Metadata<'_>) -> Lines {
        Lines(match *about.level() {
            Level::ERROR => ERROR,
            Level::WARN => 4,
            Level::INFO => 6,
            Level::DEBUG | Level::TRACE => 7,
        })
    }
}

/// One message, each line of which says its priority.
struct Lines(u8);

impl Write for Lines {
    fn write(&mut self, text: &[u8]) -> io::Result<usize> {
        let mut said = Vec::new();
        for line in text.split(|b| *b == b'\n').filter(|line| !line.is_empty()) {
            write!(said, "<{}>", self.0)?;
            said.extend_from_slice(line);
            said.push(b'\n');
        }
        io::stderr().write_all(&said).map(|()| text.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}
