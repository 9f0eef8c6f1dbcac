//! `alarm`: a test to each place that is to be told, and whether it arrived.

use std::path::PathBuf;

use clap::Args;
use serde_json::json;

use super::check::account::{Account, Unit};
use super::output::{Output, Tone, plain};
use super::{Answer, Exit, Failure, bench};
use crate::alarm::tried;
use crate::settings::bench::{Bench, To};
use crate::sheet::todo::word;

/// `wickline alarm`, `wickline alarm night`
#[derive(Debug, Args)]
pub struct Options {
    /// Only this one
    id: Option<String>,
}

/// Root would run a command of the configuration as root, which the service never does, and what then arrives says
/// nothing of what arrives at night.
fn as_the_service(bench: &Bench, id: Option<&str>, service: &Account) -> Result<(), Failure> {
    let mut asked = bench.alarms.iter().filter(|alarm| id.is_none_or(|id| id == alarm.id));
    let others = rustix::process::geteuid().is_root() && !service.is_root();
    if !others || !asked.any(|alarm| matches!(alarm.to, To::Mail { .. })) {
        return Ok(());
    }
    let which = id.map_or(String::new(), |id| format!(" {}", word(id)));
    let name = &service.name;
    Err(Failure::wrong(format!(
        "an alarm runs a command, and root's would run as root while the service is {name}: \
         `runuser -u {name} -- wickline alarm{which}`; nothing was sent"
    )))
}

pub async fn alarm(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let bench = bench(config)?;
    let known: Vec<&str> = bench.alarms.iter().map(|alarm| alarm.id.as_str()).collect();
    if let Some(id) = options.id.as_deref().filter(|id| !known.contains(id)) {
        let all = if known.is_empty() { "none".to_owned() } else { known.join(", ") };
        return Err(Failure::wrong(format!("no [[alarm]] has the id `{id}`; configured: {all}")));
    }
    as_the_service(&bench, options.id.as_deref(), &Account::of(None, Unit::installed().as_ref())?)?;
    let asked = |id: &str| options.id.as_deref().is_none_or(|wanted| wanted == id);
    let (mut rows, mut items, mut arrived) = (Vec::new(), Vec::new(), true);
    for alarm in bench.alarms.iter().filter(|alarm| asked(&alarm.id)) {
        let why = tried(alarm, &bench).await.err();
        arrived &= why.is_none();
        items.push(
            json!({"id": alarm.id, "to": alarm.place(), "delivered": why.is_none(), "why": why}),
        );
        let end = why.map_or_else(|| ("delivered".to_owned(), Tone::Good), |why| (why, Tone::Bad));
        rows.push(vec![plain(&alarm.id), plain(alarm.place()), end]);
    }
    if out.json {
        out.document(&json!({ "items": items }))?;
    } else if rows.is_empty() {
        out.line("no [[alarm]] is configured: nobody is told");
    } else {
        out.table(&["alarm", "to", "a test"], &rows);
    }
    Ok(if arrived { Exit::Done } else { Exit::Unreachable })
}

#[cfg(test)]
mod tests {
    use super::as_the_service;
    use crate::cli::check::account::Account;
    use crate::settings::{self, bench::Bench};

    #[test]
    fn root_runs_no_command_that_is_the_services() {
        let text = "[site]\nname = \"K\"\nshort = \"K\"\ntimezone = \"Europe/Lisbon\"\n\
                    [store]\ntape = \"tape.db\"\nledger = \"sqlite:ledger.db\"\n\
                    [[analyzer]]\nid = \"bench-1\"\nline = \"listen:127.0.0.1:0\"\ndialect = \"lis02\"\n\
                    strip = \"ten-pad\"\nunits = \"conventional\"\n\
                    [[receiver]]\nid = \"lis\"\naddress = \"mllp://127.0.0.1:1\"\nunits = \"conventional\"\n\
                    [[alarm]]\nid = \"duty\"\nto = \"http://127.0.0.1:9/\"\n\
                    [[alarm]]\nid = \"desk\"\nto = \"mailto:it@kestrelpoint.example\"\ncommand = [\"/bin/true\"]\n";
        let file = crate::testing::scratch("alarm").join("wickline.toml");
        let loaded = settings::from_text(&file, text.to_owned()).expect("it is read");
        let bench = Bench::build(&loaded).expect("it is right");
        let (service, root) = (Account::of(Some("nobody"), None), Account::of(Some("root"), None));
        let (service, root) = (service.expect("a user"), root.expect("a user"));
        for id in [None, Some("desk")] {
            let done = as_the_service(&bench, id, &service);
            if !rustix::process::geteuid().is_root() {
                assert!(done.is_ok(), "whoever is not root is asked nothing");
                continue;
            }
            let told = done.expect_err("root would run it").text;
            let command = id.map_or("alarm`".to_owned(), |id| format!("alarm {id}`"));
            assert!(told.contains(&format!("`runuser -u nobody -- wickline {command}")), "{told}");
        }
        assert!(as_the_service(&bench, Some("duty"), &service).is_ok(), "nothing is run for it");
        assert!(as_the_service(&bench, None, &root).is_ok(), "the service itself is root's");
    }
}
