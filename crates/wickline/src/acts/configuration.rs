//! Which configuration each bench was used with, from when, and who announced the change.

use std::collections::BTreeMap;

use crate::acts::facts::refused;
use crate::settings::effective::{Effective, changes, names_analyzer};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::configuration::{self, CHANGED, IN_USE, object};
use crate::store::trail::{Act, Actor, record};
use crate::texts::{say, way};

/// A configuration that some bench was used with.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Used {
    pub fingerprint: String,
    #[serde(skip)]
    pub first_at: i64,
    /// The benches whose trail rows name it.
    pub benches: Vec<String>,
}

/// What a bench was used with so far.
#[derive(Default)]
struct History {
    in_use: Option<String>,
    /// The last announcement since, with its row and who made it.
    announced: Option<(String, i64, String)>,
}

impl Ledger {
    /// Notes with which configuration a bench works from now on. The same as before adds nothing. True:
    /// it changed.
    pub async fn configuration_used(
        &self,
        bench: &str,
        now: &Effective,
    ) -> Result<bool, StoreError> {
        let mut write = self.act().await?;
        let history = history(&mut write, bench).await?;
        if history.in_use.as_ref() == Some(&now.fingerprint) {
            write.commit().await?;
            return Ok(false);
        }
        configuration::keep(&mut write, &now.fingerprint, &now.body).await?;
        let announced = history.announced.filter(|(print, ..)| *print == now.fingerprint);
        let (verb, became) = match announced {
            Some((print, n, who)) => {
                (IN_USE, say!("kept.announced", print = print, who = who, n = n).to_string())
            }
            None => (CHANGED, became(&mut write, history.in_use.as_deref(), now).await?),
        };
        let act = Act {
            verb,
            object: object(bench),
            was: history.in_use,
            became: Some(became),
            reason: None,
        };
        record(&mut write, &Actor::daemon(), act).await?;
        write.commit().await?;
        Ok(true)
    }

    /// A person says, before the daemon reads it, that a bench's configuration changes, and why. None:
    /// there is nothing to announce, for the reason that the text gives.
    pub async fn configuration_announce(
        &self,
        actor: &Actor,
        bench: &str,
        now: &Effective,
        reason: &str,
    ) -> Result<Result<(), String>, StoreError> {
        let mut write = self.act().await?;
        let history = history(&mut write, bench).await?;
        let nothing = match &history {
            History { in_use: Some(print), .. } if *print == now.fingerprint => {
                Some("this configuration is in use already".to_owned())
            }
            History { announced: Some((print, n, who)), .. } if *print == now.fingerprint => {
                Some(format!("{who} announced this configuration already, in row {n}"))
            }
            _ => None,
        };
        if let Some(why) = nothing {
            write.commit().await?;
            return Ok(Err(why));
        }
        configuration::keep(&mut write, &now.fingerprint, &now.body).await?;
        let became = became(&mut write, history.in_use.as_deref(), now).await?;
        let act = Act {
            verb: CHANGED,
            object: object(bench),
            reason: Some(reason.to_owned()),
            was: history.in_use,
            became: Some(became),
        };
        record(&mut write, actor, act).await?;
        write.commit().await?;
        Ok(Ok(()))
    }

    /// Every configuration ever used or announced, oldest first.
    pub async fn configurations(&self) -> Result<Vec<Used>, StoreError> {
        let named = self.configurations_named().await?;
        let used = |(fingerprint, first_at): (String, i64)| {
            let here = named.iter().filter(|naming| naming.fingerprint == fingerprint);
            let mut benches: Vec<String> = here.map(|naming| naming.bench.clone()).collect();
            benches.sort();
            benches.dedup();
            Used { fingerprint, first_at, benches }
        };
        Ok(self.configurations_first().await?.into_iter().map(used).collect())
    }

    /// From when an analyzer's silence counts: its last report, and where it never sent one the first configuration
    /// that has it, since before that nobody listened. None: neither is known.
    pub async fn silence_from(&self, analyzer: &str) -> Result<Option<i64>, StoreError> {
        if let Some((_, at)) = self.last_report(analyzer).await? {
            return Ok(Some(at));
        }
        let kept: BTreeMap<_, _> = self.configurations_kept().await?.into_iter().collect();
        let has =
            |print: &String| kept.get(print).is_some_and(|body| names_analyzer(body, analyzer));
        let first = self.configurations_first().await?.into_iter().find(|(print, _)| has(print));
        Ok(first.map(|(_, at)| at))
    }

    /// The one whose fingerprint begins so: the fingerprint and its text.
    pub async fn configuration(&self, begins: &str) -> Result<(String, String), StoreError> {
        let kept = self.configurations_kept().await?;
        let mut fitting = kept.into_iter().filter(|(print, _)| print.starts_with(begins));
        match (fitting.next(), fitting.next()) {
            (Some(one), None) => Ok(one),
            (None, _) => Err(refused(
                say!("no.configuration", begins = begins).then("; ").then(way!("configurations")),
            )),
            (Some(_), Some(_)) => Err(refused(say!("no.fingerprint", begins = begins))),
        }
    }
}

async fn history(write: &mut Write, bench: &str) -> Result<History, StoreError> {
    let mut history = History::default();
    for naming in configuration::of_bench(write, bench).await? {
        if !naming.announced {
            history.in_use = Some(naming.fingerprint);
            break;
        }
        history.announced.get_or_insert((naming.fingerprint, naming.n, naming.who));
    }
    Ok(history)
}

/// The new fingerprint and what is new in it.
async fn became(
    write: &mut Write,
    was: Option<&str>,
    now: &Effective,
) -> Result<String, StoreError> {
    let Some(was) = was else {
        return Ok(say!("kept.first", print = &now.fingerprint).to_string());
    };
    let changed = match configuration::body(write, was).await? {
        Some(body) => changes(&body, &now.body),
        None => return Ok(say!("kept.not_kept", print = &now.fingerprint).to_string()),
    };
    Ok(format!("{}: {changed}", now.fingerprint))
}
