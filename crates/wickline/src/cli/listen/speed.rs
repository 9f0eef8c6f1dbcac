//! `listen --find-speed`: one setting after the other, until one is sure. Not a byte is sent.

use std::time::Duration;

use serde_json::json;
use tokio::time::Instant;
use wickline_listen::line::{Got, LineSpec, Port};
use wickline_listen::speed::{Heard, Judgement, Search, Setting, Verdict};

use crate::cli::output::Output;
use crate::cli::{Exit, Failure};

/// After so much silence a print is over.
const SILENCE: Duration = Duration::from_secs(1);
/// A print without an end is cut here.
const MOST: usize = 4096;

/// Tries one setting after the other on an open port; what is known stays in `search` whenever this is dropped.
/// `go_on` is told what was heard at each, and says whether to try further.
pub async fn find(
    port: Option<&mut Port>,
    line: &str,
    wait: u64,
    search: &mut Search,
    out: &Output,
    mut go_on: impl FnMut(Setting, &Heard) -> bool,
) -> Result<(), Failure> {
    let Some(port) = port else { return Ok(()) };
    eprintln!("finding the speed of {line}; nothing is sent; ctrl-c ends");
    let (wait, mut count) = (Duration::from_secs(wait), 0);
    while let Some(setting) = search.next_try() {
        count += 1;
        let about =
            |error: String| Failure::unreachable(format!("trying {line} at {setting}: {error}"));
        let name = setting.framing.name();
        let spec = LineSpec::parse(line, setting.speed, name, "none", &[]).map_err(about)?;
        port.reset(&spec).map_err(|error| about(error.to_string()))?;
        eprintln!("try {count}, {setting}: let the analyzer print a report");
        let heard = hear(port, setting, wait).await.map_err(about)?;
        let (reads, judgement) = search.take(setting, &heard);
        show(setting, reads, &judgement, out)?;
        if !go_on(setting, &heard) {
            break;
        }
    }
    Ok(())
}

/// One print, as far as it can be told where it ends.
async fn hear(port: &mut Port, setting: Setting, wait: Duration) -> Result<Heard, String> {
    let (end, mut heard) = (Instant::now() + wait, Heard::default());
    while heard.bytes.len() < MOST {
        let over = !heard.bytes.is_empty() && heard.is_settled(setting.framing);
        tokio::select! {
            got = port.read(&mut heard.bytes, &mut heard.flaws) => match got {
                Ok(Got::Bytes | Got::Break) => {}
                Ok(Got::Closed) => return Err("the port vanished".into()),
                Err(error) => return Err(error.to_string()),
            },
            () = tokio::time::sleep(SILENCE), if over => break,
            () = tokio::time::sleep_until(end) => break,
        }
    }
    Ok(heard)
}

fn show(at: Setting, reads: Setting, judged: &Judgement, out: &Output) -> Result<(), Failure> {
    let reason = judged.reason();
    if out.json {
        out.document(&json!({
            "event": "try", "speed": at.speed, "framing": at.framing.name(), "bytes": judged.bytes,
            "reads_as": reads.framing.name(), "flawed": judged.flawed, "fits": judged.fits(), "says": reason,
        }))?;
    }
    let other = if reads == at || judged.bytes == 0 {
        String::new()
    } else {
        format!("as {}: ", reads.framing.name())
    };
    let mark = if judged.fits() { "+" } else { " " };
    out.line(&format!("{mark} {:<12}  {other}{reason}", at.to_string()));
    Ok(())
}

/// The verdict in words; says how the command ends.
pub fn conclude(line: &str, verdict: &Verdict, out: &Output) -> Result<Exit, Failure> {
    let Verdict { best, sure, equal, why, next } = verdict;
    let exit = if *sure { Exit::Done } else { Exit::NotClean };
    if out.json {
        let setting = |s: &Setting| json!({"speed": s.speed, "framing": s.framing.name()});
        out.document(&json!({
            "event": "verdict", "sure": sure, "best": best.as_ref().map(setting),
            "equal": equal.iter().map(setting).collect::<Vec<_>>(), "why": why,
            "next": next.as_ref().map(|(s, against)| json!({"setting": setting(s), "against": against})),
        }))?;
        return Ok(exit);
    }
    out.line("");
    match best {
        Some(best) if *sure => out.line(&format!("{line} speaks {best}: sure")),
        Some(best) => out.line(&format!("{line} may speak {best}: not sure")),
        None => out.line(&format!("{line}: not sure of any setting")),
    }
    for why in why {
        out.line(&format!("  {why}"));
    }
    if let Some((next, against)) = next {
        out.line(&format!("  next best {next}: {against}"));
    }
    let advice = match best {
        Some(best) if *sure => {
            format!("  speed = {}\n  framing = \"{}\"", best.speed, best.framing.name())
        }
        Some(_) => "  a longer report with other characters, heard again, tells more".into(),
        None => "  is it the right port, did the analyzer print at every try, \
                 is the cable crossed as it must be?"
            .into(),
    };
    advice.lines().for_each(|line| out.line(line));
    Ok(exit)
}
