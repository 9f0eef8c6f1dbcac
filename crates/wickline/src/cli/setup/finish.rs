//! The end of `setup`: the file is written, checked and tried, and the service is started by whoever says so.

use std::io::Write;
use std::path::{Path, PathBuf};

use serde_json::json;

use super::interview::{BACK, Drafted, Known};
use super::{OF_THE_PACKAGE, Options};
use crate::cli::check::account::Unit;
use crate::cli::output::{Output, visible};
use crate::cli::person::asked;
use crate::cli::prove::one::one_test_message;
use crate::cli::{Answer, Exit, Failure, check, faults, file};
use crate::settings;
use crate::settings::bench::Bench;
use crate::setup::difference::{difference, left_out};
use crate::sheet::todo::word;

/// The one command that is run here.
const START: [&str; 4] = ["systemctl", "enable", "--now", "wickline"];

/// What was written, and whose it is.
struct Written {
    whose: &'static str,
    aside: Option<PathBuf>,
    drafts: Vec<PathBuf>,
}

/// What a person says to what would be written.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Agreed {
    Yes,
    No,
    /// To the last question.
    Back,
}

/// Shows what would be written, and asks whether it is to be where somebody is asked.
pub fn agreed(
    file: &Path,
    old: Option<&[u8]>,
    known: &Known,
    asks: bool,
) -> Result<Agreed, Failure> {
    let text = known.answers.text();
    show(file, old, &text);
    if !asks || old == Some(text.as_bytes()) {
        return Ok(Agreed::Yes);
    }
    // What stands there is moved aside: nothing is lost by it.
    answered(&format!("write this to {}? yes or no, or {BACK}", file.display()), Agreed::Yes)
}

pub async fn finish(
    options: &Options,
    file: &Path,
    old: Option<&[u8]>,
    known: &Known,
    asks: bool,
    out: &Output,
) -> Answer {
    let text = known.answers.text();
    let same = old == Some(text.as_bytes());
    let written = if same {
        Written { whose: "as it was", aside: None, drafts: Vec::new() }
    } else {
        write(file, &text, old, known.drafted.as_ref())?
    };
    out.line(&format!("{} is written: {}", file.display(), written.whose));
    if let Some(aside) = &written.aside {
        out.line(&format!("what stood there is {}", aside.display()));
    }
    let lost = lost(old, &text);
    if !lost.is_empty() {
        let lost = lost.join(", ");
        out.line(&format!(
            "setup does not ask for these, so they are not in it; put back what is wanted: {lost}"
        ));
    }
    for draft in &written.drafts {
        out.line(&format!("{} is a draft: answer each `# ?` in it", draft.display()));
    }
    let loaded = settings::load(file).map_err(faults)?;
    let bench = Bench::build(&loaded).map_err(faults)?;
    let found = check::findings(&loaded, &bench, None, false).await?;
    check::tell(&found, out);
    let exit = check::ends(&found);
    let tried = try_one(options, file, known, asks, out).await;
    let started = start(options, file, &found, asks, out).await?;
    if out.json {
        let findings: Vec<_> = found.iter().map(check::Finding::as_json).collect();
        let (sent, failed) = match &tried {
            Ok(sent) => (sent.as_ref(), None),
            Err(failure) => (None, Some(&failure.text)),
        };
        out.document(&json!({
            "written": file, "rights": written.whose, "moved_aside": written.aside, "drafts": written.drafts,
            "left_out": lost,
            "items": findings, "test_message": sent, "test_message_failed": failed, "started": started,
        }))?;
    }
    let accepted = tried?.is_none_or(|answer| answer.ends_with(": accepted"));
    Ok(if exit == Exit::Done && !accepted { Exit::NotClean } else { exit })
}

/// What would be written, without its comments, and what it changes.
fn show(file: &Path, old: Option<&[u8]>, text: &str) {
    let lines = text.lines().filter(|line| !line.starts_with('#') && !line.is_empty());
    lines.for_each(|line| eprintln!("  {}", visible(line)));
    let Some(old) = old else { return };
    let shown = file.display();
    eprintln!("{shown} is there already, and would be moved aside under a dated name.");
    match std::str::from_utf8(old).ok().and_then(|old| difference(old, text)) {
        None => eprintln!("It cannot be read as a configuration."),
        Some(changes) if changes.is_empty() => eprintln!("It says the same."),
        Some(changes) => changes.iter().for_each(|line| eprintln!("  {}", visible(line))),
    }
    let lost = lost(Some(old), text);
    if !lost.is_empty() {
        eprintln!("Not asked for here, so not in the new one: {}", visible(&lost.join(", ")));
    }
}

/// What the old configuration has and nobody was asked for.
fn lost(old: Option<&[u8]>, text: &str) -> Vec<String> {
    old.and_then(|old| std::str::from_utf8(old).ok()).map_or(Vec::new(), |old| left_out(old, text))
}

/// Asks until it is yes, no or back. Enter takes the usual one, which is shown in brackets.
fn answered(question: &str, usual: Agreed) -> Result<Agreed, Failure> {
    let enter = if usual == Agreed::Yes { "yes" } else { "no" };
    loop {
        match asked(&visible(&format!("{question} [{enter}]")))?.trim() {
            "" => return Ok(usual),
            "yes" | "y" => return Ok(Agreed::Yes),
            "no" | "n" => return Ok(Agreed::No),
            BACK => return Ok(Agreed::Back),
            _ => eprintln!("type yes or no"),
        }
    }
}

/// The same where there is no way back: it is written.
fn agrees(question: &str, usual: Agreed) -> Result<bool, Failure> {
    loop {
        match answered(question, usual)? {
            Agreed::Back => eprintln!("the configuration is written already: type yes or no"),
            other => return Ok(other == Agreed::Yes),
        }
    }
}

/// The draft's files, then the configuration; what cannot be used is not left behind.
fn write(
    path: &Path,
    text: &str,
    old: Option<&[u8]>,
    drafted: Option<&Drafted>,
) -> Result<Written, Failure> {
    let mut drafts = Vec::new();
    let used = drafted.filter(|drafted| text.contains(&format!("\"{}\"", drafted.dialect_file())));
    let written = (|| {
        for (name, text) in
            used.iter().flat_map(|d| [(d.dialect_file(), &d.dialect), (d.strip_file(), &d.strip)])
        {
            let draft = path.with_file_name(name);
            let there = || Failure::wrong(format!("{} is there already", draft.display()));
            let mut new = file::new(&draft)?.ok_or_else(there)?;
            drafts.push(draft.clone());
            let put = new.write_all(text.as_bytes()).and_then(|()| file::for_the_service(&new));
            put.map_err(|error| file::cannot(&draft, &error))?;
        }
        let loaded = settings::from_text(path, text.to_owned()).map_err(faults)?;
        Bench::build(&loaded).map_err(faults)?;
        file::configuration(path, text, old)
    })();
    match written {
        Ok((whose, aside)) => Ok(Written { whose, aside, drafts }),
        Err(failure) => {
            for draft in drafts {
                let _ = std::fs::remove_file(draft);
            }
            Err(failure)
        }
    }
}

/// One test message, where somebody says that they know of it at the receiver. None: nobody does.
async fn try_one(
    options: &Options,
    file: &Path,
    known: &Known,
    asks: bool,
    out: &Output,
) -> Result<Option<String>, Failure> {
    let about = known.answers.get("receiver", "address").unwrap_or_default();
    let specimen = known.answers.get("site", "prove_specimen").unwrap_or_default();
    let question = format!(
        "send one test message to {about} now (MSH-11 T, specimen {specimen}; only if they know of it there)? yes or no"
    );
    let wanted = options.test_message || (asks && agrees(&question, Agreed::No).unwrap_or(false));
    if !wanted {
        return Ok(None);
    }
    // A shipped dialect prints from its own capture.
    let shipped = known
        .answers
        .get("analyzer", "dialect")
        .is_some_and(|name| wickline_listen::dialect::builtin_names().contains(&name.as_str()));
    let heard = if shipped { &[][..] } else { &known.prints };
    let sent = one_test_message(file.to_owned(), heard, out).await;
    match sent {
        Ok(answer) => {
            out.line(&format!("test message {answer}"));
            Ok(Some(answer))
        }
        Err(failure) if asks => {
            eprintln!("{}", crate::cli::output::visible_lines(&failure.text));
            Ok(None)
        }
        Err(failure) => Err(failure),
    }
}

/// Enables and starts the unit, or says how. True: it was started.
async fn start(
    options: &Options,
    file: &Path,
    found: &[check::Finding],
    asks: bool,
    out: &Output,
) -> Result<bool, Failure> {
    // As sd_booted(3) has it.
    let systemd = Path::new("/run/systemd/system").is_dir();
    let command = START.join(" ");
    if file != Path::new(OF_THE_PACKAGE) || !systemd || Unit::installed().is_none() {
        if options.enable {
            return Err(Failure::unreachable(format!(
                "nothing was started: the unit reads {OF_THE_PACKAGE}, and needs systemd and the package"
            )));
        }
        let file = word(&file.display().to_string());
        out.line(&format!("to run it in the foreground: `wickline --config {file} run`"));
        return Ok(false);
    }
    if !rustix::process::geteuid().is_root() {
        out.line(&format!("as root: {command}"));
        return Ok(false);
    }
    let can = check::can_start(found);
    let question = match (can, check::ends(found)) {
        (false, _) => "something is bad; start it all the same",
        (true, Exit::Unreachable) => {
            "a receiver does not answer, and results wait until it does; start it"
        }
        (true, _) => "start it",
    };
    let wanted = if asks && !options.enable {
        // What is bad is started by nobody who only presses Enter.
        let usual = if can { Agreed::Yes } else { Agreed::No };
        let question =
            format!("{question} now, and at each start of the machine ({command})? yes or no");
        agrees(&question, usual).unwrap_or(false)
    } else {
        options.enable && can
    };
    if !wanted {
        if options.enable && !can {
            out.line("it is not started: something is bad, as told above");
        }
        out.line(&format!("when it is to start: {command}"));
        return Ok(false);
    }
    let [program, words @ ..] = START;
    let done = tokio::process::Command::new(program).args(words).status().await;
    match done {
        Ok(status) if status.success() => {
            out.line("it is started; see how it is with `wickline status`");
            Ok(true)
        }
        Ok(status) => Err(Failure::unreachable(format!("{command}: {status}"))),
        Err(error) => Err(Failure::unreachable(format!("{command}: {error}"))),
    }
}
