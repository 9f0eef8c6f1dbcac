//! Is anything wrong now? One answer over all days, lines, receivers, controls and stores.

mod backups;
mod care;
mod daemons;
mod lines;
mod orders;
mod purges;
mod stores;
mod usual;

use std::collections::BTreeSet;

use serde::Serialize;
use serde_json::{Map, Value, json};

pub use self::stores::{TAPE_GONE, tape_gone};
use super::todo::word;
use crate::clock;
use crate::daemon;
use crate::pipeline::seen::{NOT_TRIED, REACHED};
pub use crate::settings::bench::About;
use crate::settings::bench::Bench;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::now::{Aged, Ages, MOST, Open, looked_back};
use crate::store::rows::daemon_state::{Kind, Point, Points, SILENT_US, Told};
use crate::store::rows::queue::{Gate, lease_name};

/// Days before its end from which a certificate is told of.
const CERTIFICATE_DAYS: i64 = 30;

/// One thing and how it stands.
#[derive(Clone, Debug, Serialize)]
pub struct Finding {
    pub about: About,
    /// Which line, receiver, analyzer or file.
    pub which: String,
    /// A person is needed.
    pub wrong: bool,
    /// In a few words, as the last line of other commands has it.
    pub text: String,
    /// What to do: a command, or a sentence. Whatever is wrong has it.
    pub todo: Option<String>,
    /// It cannot wait until the morning.
    pub urgent: bool,
    /// The same text without words of people and receivers, for who stands outside. None: it has none.
    #[serde(skip)]
    pub outside: Option<String>,
    #[serde(flatten)]
    pub facts: Map<String, Value>,
}

/// Everything, as it is now.
#[derive(Clone, Debug, Serialize)]
pub struct Now {
    #[serde(skip)]
    pub site: String,
    pub at: String,
    pub wrong: bool,
    /// The ledger could be asked: what is not among the findings is not there.
    #[serde(skip)]
    pub whole: bool,
    #[serde(rename = "items")]
    pub findings: Vec<Finding>,
}

impl Now {
    /// Looks at everything.
    pub async fn read(ledger: &Ledger, bench: &Bench) -> Result<Self, StoreError> {
        Self::looked(ledger, bench, None).await
    }

    /// The same where the configuration is wrong as it is now, by what daemons tell: `bench` is of the stores alone.
    pub async fn beside(ledger: &Ledger, bench: &Bench, faults: &str) -> Result<Self, StoreError> {
        Self::looked(ledger, bench, Some(faults)).await
    }

    async fn looked(
        ledger: &Ledger,
        bench: &Bench,
        faults: Option<&str>,
    ) -> Result<Self, StoreError> {
        let now = clock::now_us();
        let today = bench.clock.day(now);
        let midnight = bench.clock.day_span(&today).map_or(now, |(from, _)| from);
        let ages = Ages { today: midnight, week: midnight - 6 * 86_400_000_000 };
        let told = ledger.daemons().await?;
        let lock = daemon::is_locked_for(&bench.ledger);
        let beside = faults.is_some();
        let mut look = Look { bench, now, ages, told, lock, beside, findings: Vec::new() };
        match faults {
            Some(faults) => look.configuration(ledger, faults).await?,
            None => look.not_renewed(),
        }
        look.notices(ledger).await?;
        look.daemons().await;
        look.lines(ledger).await?;
        look.instruments(ledger).await?;
        look.controls(ledger).await?;
        look.care(ledger).await?;
        look.receivers(ledger).await?;
        look.open(ledger).await?;
        look.orders(ledger).await?;
        look.days(ledger, &today).await?;
        look.stores(Ok(&ledger.label()));
        look.backups(ledger).await?;
        look.purges(ledger).await?;
        look.unwatched().await;
        look.certificates();
        look.alarms();
        look.clocks(ledger).await?;
        if beside {
            look.untold();
        }
        Ok(look.done(true))
    }

    /// What a daemon sees without its ledger, which cannot be reached. Of the rest nothing is said.
    #[must_use]
    pub fn without_ledger(bench: &Bench, points: Points, why: &str) -> Self {
        let (now, ages) = (clock::now_us(), Ages { today: 0, week: 0 });
        let own = Point { up: true, since: now, why: None, last_at: None };
        let mut told = Told { daemon: String::new(), noted_at: now, points };
        told.points.insert((Kind::Daemon, String::new()), own);
        let mut look = Look {
            bench,
            now,
            ages,
            told: vec![told],
            lock: None,
            beside: false,
            findings: Vec::new(),
        };
        look.not_renewed();
        look.stores(Err(why));
        look.certificates();
        look.done(false)
    }

    /// What this machine shows of the daemon and the files where the ledger cannot be looked at.
    pub async fn by_the_files(bench: &Bench, error: &StoreError) -> Self {
        // Before the first start there is not even a lock.
        let none = bench.tape.with_extension("lock").try_exists().is_ok_and(|there| !there);
        let lock = if none { Some(false) } else { daemon::is_locked(&bench.tape) };
        let (now, ages) = (clock::now_us(), Ages { today: 0, week: 0 });
        let (told, findings) = (Vec::new(), Vec::new());
        let mut look = Look { bench, now, ages, told, lock, beside: false, findings };
        match lock {
            Some(true) => look.add(About::Daemon, "-", false, "one works with the tape".to_owned()),
            Some(false) => {
                let text = "none runs: nothing is heard, read or sent".to_owned();
                look.add(About::Daemon, "-", true, text)
            }
            None => {
                let text = "whether one runs cannot be seen here".to_owned();
                look.add(About::Daemon, "-", false, text)
            }
        };
        look.stores(Err(&error.to_string()));
        look.unwatched().await;
        look.none_yet(error);
        look.certificates();
        look.done(false)
    }

    /// What is known of one thing. None: nothing is.
    #[must_use]
    pub fn of(&self, about: About, which: &str) -> Option<&Finding> {
        self.findings.iter().find(|f| f.about == about && f.which == which)
    }

    /// What needs a person.
    pub fn wrong(&self) -> impl Iterator<Item = &Finding> {
        self.findings.iter().filter(|f| f.wrong)
    }
}

/// One look at everything, as far as it has come.
struct Look<'a> {
    bench: &'a Bench,
    now: i64,
    ages: Ages,
    told: Vec<Told>,
    /// Whether a daemon holds the lock of a ledger in a file. None: that cannot be seen.
    lock: Option<bool>,
    /// What is configured is known from what daemons tell alone.
    beside: bool,
    findings: Vec<Finding>,
}

/// What is said in several lines, as a list of faults is, in one.
pub fn one_line(text: &str) -> String {
    let mut line = String::with_capacity(text.len());
    for piece in text.split(['\n', '\r']).map(str::trim).filter(|piece| !piece.is_empty()) {
        if !line.is_empty() {
            line.push_str(if line.ends_with(':') { " " } else { "; " });
        }
        line.push_str(piece);
    }
    line
}

impl Look<'_> {
    fn done(self, whole: bool) -> Now {
        let mut findings = self.findings;
        for found in &mut findings {
            found.text = one_line(&found.text);
            found.outside = found.outside.as_deref().map(one_line);
        }
        Now {
            site: self.bench.site_name.clone(),
            at: self.bench.clock.rfc3339(self.now),
            wrong: findings.iter().any(|f| f.wrong),
            whole,
            findings,
        }
    }

    fn add(&mut self, about: About, which: &str, wrong: bool, text: String) -> &mut Finding {
        let which = which.to_owned();
        // Nothing is wrong without a word of what to do; who knows better says so.
        let (todo, facts) = (wrong.then(|| usual::todo(about, &which)), Map::new());
        // Where they are wrong nothing else can be relied on.
        let urgent = wrong && matches!(about, About::Store | About::Daemon);
        self.findings.push(Finding {
            about,
            which,
            wrong,
            text,
            todo,
            urgent,
            outside: None,
            facts,
        });
        let last = self.findings.len() - 1;
        &mut self.findings[last]
    }

    /// A time for people: of today without its date.
    fn time(&self, at: i64) -> String {
        let (clock, text) = (&self.bench.clock, self.bench.clock.rfc3339(at));
        let short = text.get(11..16).unwrap_or_default();
        if clock.day(at) == clock.day(self.now) {
            return short.to_owned();
        }
        format!("{} {short}", clock.day(at))
    }

    fn is_heard(&self, told: &Told) -> bool {
        // Its lock goes with the process: what it told last is true no more.
        let lives = self.lock != Some(false) && told.own().is_some_and(|own| own.up);
        lives && self.now.saturating_sub(told.noted_at) <= SILENT_US
    }

    /// What a living daemon says of one thing.
    fn point(&self, kind: Kind, id: &str, daemon: Option<&str>) -> Option<&Point> {
        let speaks =
            |told: &&Told| self.is_heard(told) && daemon.is_none_or(|daemon| told.daemon == daemon);
        self.told.iter().filter(speaks).find_map(|told| told.points.get(&(kind, id.to_owned())))
    }

    async fn controls(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        for analyzer in &self.bench.analyzers {
            let stands = ledger.control_standing(self.bench, analyzer, self.now).await?;
            for stand in stands.iter().filter(|s| s.overall.state != "no-plan") {
                let levels: Vec<String> = stand.levels.iter().map(level_text).collect();
                let mut text = levels.join("; ");
                let mut wrong = stand.levels.iter().any(|l| l.state != "passed");
                if stand.strip_expired {
                    wrong = true;
                    text.push_str("; the strip lot in use is past its last day");
                }
                if stand.held > 0 {
                    text.push_str(&format!("; {} report(s) wait for them", stand.held));
                }
                let which = match analyzer.strips.len() {
                    1 => analyzer.id.clone(),
                    _ => format!("{}, {}", analyzer.id, stand.strip),
                };
                let levels = json!(stand.levels);
                let found = self.add(About::Controls, &which, wrong, text);
                found.facts.insert("levels".into(), levels);
                if wrong {
                    found.todo = Some(format!("wickline controls --analyzer {}", analyzer.id));
                }
            }
        }
        Ok(())
    }

    async fn receivers(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        let leases = ledger.leases().await?;
        let mut ids: Vec<String> = self.bench.targets.iter().map(|t| t.id.clone()).collect();
        if self.beside {
            let keys = self.told.iter().flat_map(|told| told.points.keys());
            let told: BTreeSet<_> = keys.filter(|(kind, _)| *kind == Kind::Receiver).collect();
            ids.extend(told.into_iter().map(|(_, id)| id.clone()));
        }
        let known = ids.clone();
        for id in ledger.receivers().await? {
            if !ids.contains(&id) {
                ids.push(id);
            }
        }
        for id in ids {
            let open = ledger.open_at(&id, self.ages).await?;
            let configured = known.contains(&id);
            if !configured && open.waiting + open.kept_back + open.refused.count == 0 {
                continue;
            }
            let lease = leases.iter().find(|(name, _)| *name == lease_name(&id));
            self.receiver(ledger, &id, &open, lease.map(|(_, holder)| holder.as_str())).await?;
            let refused = &open.refused;
            if refused.count > 0 {
                let (text, which) = (aged_text(refused), id.clone());
                let todo = refused.oldest.as_ref().map(|name| match refused.count {
                    1 => format!("wickline queue show {name}"),
                    _ => format!("wickline queue --receiver {} --state refused", word(&id)),
                });
                let found = self.add(About::Refused, &which, true, text);
                found.urgent = refused.urgent > 0;
                (found.todo, found.facts) = (todo, facts([("by_age", json!(refused))]));
            }
        }
        Ok(())
    }

    /// How a queue that is stopped or paused stands, and what of it are words of a receiver or a person.
    async fn shut(
        &self,
        ledger: &Ledger,
        id: &str,
        gate: &Gate,
    ) -> Result<Option<(String, String)>, StoreError> {
        let verb = match (gate.stopped, gate.paused) {
            (true, _) => "stop",
            (false, true) => "pause",
            (false, false) => return Ok(None),
        };
        let act = ledger.last_act(&format!("receiver {id}"), verb).await?;
        let at = act.as_ref().map_or(String::new(), |act| self.time(act.at));
        Ok(Some(match act {
            None if gate.stopped => ("stopped".to_owned(), String::new()),
            None => ("paused".to_owned(), String::new()),
            Some(stop) if gate.stopped => {
                let why = stop.reason.map_or(String::new(), |why| format!(": {why}"));
                (format!("stopped at {at}{why}"), why)
            }
            Some(pause) => {
                let who = format!(" by {}", pause.who);
                (format!("paused{who} since {at}"), who)
            }
        }))
    }

    /// How a receiver stands that is open: as far as that is known. `wrong`: no daemon runs, and something waits.
    fn goes(&self, point: Option<&Point>, open: &Open, rate: i64, wrong: bool) -> String {
        let why = point.map(|point| (point.since, point.why.as_deref()));
        let (nothing, runs) = (open.waiting == 0, self.lock != Some(false));
        match why {
            _ if wrong => "nothing goes: no daemon runs".to_owned(),
            None if !runs => "nothing waits".to_owned(),
            None if rate > 0 && self.lock.is_none() => "moving".to_owned(),
            None => "not known: no daemon tells of it".to_owned(),
            // What was answered lately may be of before the start.
            Some((since, Some(NOT_TRIED))) => self.not_known(since),
            Some((since, Some(REACHED))) if !nothing => self.not_known(since),
            Some(_) if nothing => "nothing waits".to_owned(),
            Some(_) => "moving".to_owned(),
        }
    }

    /// What is to be done that a daemon runs, as its own finding has it.
    fn daemon_todo(&self) -> String {
        let own = self.findings.iter().find(|found| found.about == About::Daemon && found.wrong);
        own.and_then(|own| own.todo.clone()).unwrap_or_else(|| usual::todo(About::Daemon, "-"))
    }

    fn not_known(&self, since: i64) -> String {
        format!("not known yet: no answer since the start at {}", self.time(since))
    }

    async fn receiver(
        &mut self,
        ledger: &Ledger,
        id: &str,
        open: &Open,
        deliverer: Option<&str>,
    ) -> Result<(), StoreError> {
        let gate = ledger.gate(id).await?;
        let rate = ledger.answered_lately(id).await?;
        let target = self.bench.targets.iter().find(|t| t.id == id);
        let point = self.point(Kind::Receiver, id, deliverer).cloned();
        let away = point.as_ref().filter(|p| !p.up);
        let shut = self.shut(ledger, id, &gate).await?;
        let quoted = shut.as_ref().map_or(String::new(), |(_, quoted)| quoted.clone());
        let (mut wrong, mut todo) = (true, None);
        let mut text = if target.is_none() && !self.beside {
            todo = Some(format!(
                "where it was taken out by mistake, put it back into the configuration, then `systemctl reload \
                 wickline`: what waits goes by itself; where it is gone for good, `wickline queue --receiver {}` \
                 lists what to tell by hand or to set aside",
                word(id)
            ));
            "not configured here, and messages wait for it".to_owned()
        } else if let Some((text, _)) = shut {
            todo = Some(format!("wickline queue resume {id}"));
            text
        } else if let Some(away) = away {
            let why = away.why.as_deref().map_or(String::new(), |w| format!(" ({w})"));
            format!("away since {}{why}", self.time(away.since))
        } else {
            wrong = open.waiting > 0 && self.lock == Some(false);
            todo = wrong.then(|| self.daemon_todo());
            self.goes(point.as_ref(), open, rate, wrong)
        };
        if open.waiting > 0 {
            let oldest = open
                .oldest_at
                .map_or(String::new(), |at| format!(", the oldest since {}", self.time(at)));
            text.push_str(&format!("; {} wait{oldest}", count_text(open.waiting)));
        }
        text.push_str(&format!("; {rate} answered in the last minute"));
        let oldest_s = open.oldest_at.map_or(0, |at| (self.now - at).max(0) / 1_000_000);
        let late = target.is_some_and(|t| t.is_late(open.waiting, oldest_s));
        if late {
            wrong = true;
            text.push_str("; late");
        }
        if let (true, Some(kept)) = (open.kept_back > 0, &open.kept) {
            wrong = true;
            text.push_str(&format!("; {} kept back by a person", count_text(open.kept_back)));
            todo = todo.or_else(|| Some(format!("wickline queue show {kept}")));
        }
        if open.untold > 0 {
            wrong = true;
            text.push_str(&format!(
                "; it still has {} wrong result(s): withdrawals that it did not take, or that a person keeps back",
                count_text(open.untold)
            ));
            todo = todo.or_else(|| Some(format!("wickline queue --receiver {}", word(id))));
        }
        let since = point.as_ref().map(|p| self.bench.clock.rfc3339(p.since));
        let found = self.add(About::Receiver, id, wrong, text);
        found.outside = (!quoted.is_empty()).then(|| found.text.replacen(&quoted, "", 1));
        found.todo = todo.or_else(|| found.todo.take());
        found.urgent = late;
        found.facts = facts([
            ("paused", json!(gate.paused)),
            ("stopped", json!(gate.stopped)),
            ("up", json!(point.map(|p| p.up))),
            ("since", json!(since)),
            ("waiting", json!(open.waiting)),
            ("kept_back", json!(open.kept_back)),
            ("oldest_s", json!(oldest_s)),
            ("answered_last_minute", json!(rate)),
        ]);
        Ok(())
    }

    /// Held, without a receiver, missing.
    async fn open(&mut self, ledger: &Ledger) -> Result<(), StoreError> {
        let held = ledger.held_now(self.ages).await?;
        let missing = ledger.missing_now(self.ages).await?;
        let unsent = ledger.unsent_now().await?;
        let show = held.oldest.as_ref().map(|n| match held.count {
            1 => format!("wickline held show {n}"),
            _ => "wickline held".to_owned(),
        });
        let day = missing.oldest.as_ref().map(|day| format!("wickline day {day}"));
        for (about, aged, todo) in [(About::Held, held, show), (About::Missing, missing, day)] {
            let (wrong, text) = (aged.count > 0, aged_text(&aged));
            let found = self.add(about, "reports", wrong, text);
            found.urgent = aged.urgent > 0;
            if about == About::Missing {
                "numbers".clone_into(&mut found.which);
            }
            (found.todo, found.facts) = (todo, facts([("by_age", json!(aged))]));
        }
        if unsent > 0 {
            let text =
                format!("{} report(s) are ready and no receiver takes them", count_text(unsent));
            self.add(About::Receiver, "none", true, text).todo = Some(
                "configure a receiver that takes them, then `systemctl reload wickline`: they go by themselves".into(),
            );
        }
        Ok(())
    }

    async fn days(&mut self, ledger: &Ledger, today: &str) -> Result<(), StoreError> {
        let since = self.bench.clock.day(looked_back(self.now));
        let closes = ledger.closes_days().await?;
        let (open, after) = ledger.days_open(today, &since).await?;
        let listed = |days: &[String]| match days {
            [] => String::new(),
            [one] => one.clone(),
            [first, .., last] => format!("{} days from {first} to {last}", days.len()),
        };
        if !open.is_empty() {
            // Where no day was ever closed that is how the laboratory works.
            let text = format!("not closed: {}", listed(&open));
            let (first, all) = (open[0].clone(), json!(open));
            let found = self.add(About::Day, "closing", closes, text);
            found.todo = Some(format!("wickline day {first}"));
            found.facts.insert("days".into(), all);
        }
        if !after.is_empty() {
            let text = format!("something came after the closing: {}", listed(&after));
            let (first, all) = (after[0].clone(), json!(after));
            let found = self.add(About::Day, "after closing", true, text);
            found.todo = Some(format!("wickline day {first}"));
            found.facts.insert("days".into(), all);
        }
        Ok(())
    }
}

fn facts<const N: usize>(pairs: [(&str, Value); N]) -> Map<String, Value> {
    pairs.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()
}

fn count_text(count: i64) -> String {
    if count > MOST { format!("more than {MOST}") } else { count.to_string() }
}

fn aged_text(aged: &Aged) -> String {
    if aged.count == 0 {
        return "none".into();
    }
    let mut text = count_text(aged.count);
    if aged.urgent > 0 {
        text.push_str(&format!(", {} URGENT", aged.urgent));
    }
    let ages = [
        (aged.of_today, "of today"),
        (aged.of_last_week, "of the last week"),
        (aged.older, "older"),
    ];
    let ages: Vec<String> =
        ages.iter().filter(|(n, _)| *n > 0).map(|(n, when)| format!("{n} {when}")).collect();
    text.push_str(&format!(": {}", ages.join(", ")));
    text
}

fn level_text(level: &crate::acts::control_views::Stands) -> String {
    let short = |time: &Option<String>| {
        let time = time.as_deref().unwrap_or_default();
        format!("{} {}", time.get(..10).unwrap_or_default(), time.get(11..16).unwrap_or_default())
    };
    let name = level.level.as_deref().unwrap_or("-");
    match level.state {
        "passed" => format!("level {name} passed, due {}", short(&level.until)),
        "failed" => format!("level {name} FAILED {}", short(&level.since)),
        _ if level.since.is_none() => format!("level {name} due: no run passed that counts"),
        _ => format!("level {name} due since {}", short(&level.since)),
    }
}
