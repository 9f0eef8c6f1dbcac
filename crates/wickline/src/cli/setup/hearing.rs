//! Listens for who sets up: speed and framing, and a report to try dialects on. Not a byte is sent.

use std::time::Duration;

use tokio::time::Instant;
use wickline_listen::line::{Got, LineSpec};
use wickline_listen::speed::{Heard, Search, Setting, Verdict};

use crate::cli::output::Output;
use crate::cli::{Failure, listen};

/// A report is over after so much silence.
const SILENCE: Duration = Duration::from_secs(2);
/// More than this is no report.
const MOST: usize = 64 << 10;

/// Said before anybody prints: there is no tape yet.
const NO_RESULT: &str = "What is heard here is kept as no result: print one that has been told already, or send it \
                         again from the analyzer's memory once the service runs.";

/// What a search for the speed found, and the prints that were heard at it.
pub struct Found {
    pub verdict: Verdict,
    pub prints: Vec<Vec<u8>>,
}

/// Tries speeds and framings on a serial line. The first try of which nothing is heard ends it: no other speed would
/// hear an analyzer that prints nothing.
pub async fn speed(line: &str, wait: u64, out: &Output) -> Result<Found, Failure> {
    let spec = LineSpec::parse(line, 9600, "8N1", "none", &[]).map_err(Failure::wrong)?;
    let mut port = listen::open(&spec).await?;
    let (mut search, mut heard) = (Search::default(), Vec::new());
    eprintln!("{NO_RESULT}");
    eprintln!("Print a report now, three times: one at each try, at once when it is asked for.");
    let each = |setting: Setting, print: &Heard| {
        heard.push((setting, print.clone()));
        !print.bytes.is_empty()
    };
    listen::speed::find(Some(&mut port), line, wait, &mut search, out, each).await?;
    let verdict = search.verdict();
    listen::speed::conclude(line, &verdict, out)?;
    let prints = verdict.best.map(|best| prints(&heard, best)).unwrap_or_default();
    Ok(Found { verdict, prints })
}

/// What fits a setting, as a port that is set to it hands it over.
fn prints(heard: &[(Setting, Heard)], best: Setting) -> Vec<Vec<u8>> {
    let fits = |(at, print): &&(Setting, Heard)| {
        let judged = print.judge(at.framing, best.framing);
        at.speed == best.speed && judged.is_some_and(|judged| judged.fits())
    };
    let seven = best.framing.name().starts_with('7');
    let as_set = |byte: &u8| if seven { byte & 0x7F } else { *byte };
    heard.iter().filter(fits).map(|(_, print)| print.bytes.iter().map(as_set).collect()).collect()
}

/// One report on a line that is set as it should be. Empty: nothing came.
pub async fn report(spec: &LineSpec, wait: u64) -> Result<Vec<u8>, Failure> {
    let mut port = listen::open(spec).await?;
    eprintln!("{NO_RESULT}");
    eprintln!("listening on {spec}; nothing is sent. Print a report now.");
    let (end, mut bytes, mut flaws) =
        (Instant::now() + Duration::from_secs(wait), Vec::new(), Vec::new());
    while bytes.len() < MOST {
        tokio::select! {
            got = port.read(&mut bytes, &mut flaws) => match got {
                Ok(Got::Bytes | Got::Break) => {}
                Ok(Got::Closed) => break,
                Err(error) => return Err(Failure::unreachable(format!("{spec}: {error}"))),
            },
            () = tokio::time::sleep(SILENCE), if !bytes.is_empty() => break,
            () = tokio::time::sleep_until(end) => break,
        }
    }
    if !flaws.is_empty() {
        eprintln!(
            "{} of {} bytes were damaged: are speed and framing right?",
            flaws.len(),
            bytes.len()
        );
    }
    Ok(bytes)
}
