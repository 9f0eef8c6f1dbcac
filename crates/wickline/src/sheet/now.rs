//! Is anything wrong now? One answer over all days, lines, receivers, controls and stores.

mod backups;
mod calls;
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

pub use self::stores::tape_gone;
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
use crate::texts::{Language, Said, say};

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
    pub text: Said,
    /// What to do: a command, or a sentence. Whatever is wrong has it.
    pub todo: Option<Said>,
    /// It cannot wait until the morning.
    pub urgent: bool,
    /// The same text without words of people and receivers, for who stands outside. None: it has none.
    #[serde(skip)]
    pub outside: Option<Said>,
    #[serde(flatten)]
    pub facts: Map<String, Value>,
}

impl Finding {
    /// The name of what it is about, for people: where that is a word of ours it is in their language.
    #[must_use]
    pub fn named(&self) -> Said {
        let (id, word) = match self.which.rsplit_once(", ") {
            Some((id, word)) => (Some(id), word),
            None => (None, self.which.as_str()),
        };
        let ours = match self.about {
            About::Line | About::Certificate => id.is_some(),
            About::Store | About::Day | About::Held | About::Missing => true,
            About::Daemon => word == "configuration",
            About::Receiver => word == "none",
            About::Clock => word == "ours",
            About::Calls => true,
            About::Orders => word == "orders" || id.is_some(),
            _ => false,
        };
        let place = format!("which.{}", word.replace('\'', "").replace(' ', "_"));
        if !ours || !Language::has(&place) {
            return Said::from(&self.which);
        }
        Said::from(id.map_or(String::new(), |id| format!("{id}, ")))
            .then(Said::at(place, Vec::new()))
    }
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
        look.calls(ledger).await?;
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
            Some(true) => look.add(About::Daemon, "-", false, say!("found.daemon_works")),
            Some(false) => look.add(About::Daemon, "-", true, say!("found.daemon_none")),
            None => look.add(About::Daemon, "-", false, say!("found.daemon_unseen")),
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
    if !text.contains(['\n', '\r']) {
        return text.to_owned();
    }
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
            let line = |text: String| one_line(&text);
            found.text = std::mem::take(&mut found.text).plain(&line);
            found.outside = found.outside.take().map(|said| said.plain(&line));
        }
        Now {
            site: self.bench.site_name.clone(),
            at: self.bench.clock.rfc3339(self.now),
            wrong: findings.iter().any(|f| f.wrong),
            whole,
            findings,
        }
    }

    fn add(&mut self, about: About, which: &str, wrong: bool, text: Said) -> &mut Finding {
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
                let mut parts: Vec<Said> = stand.levels.iter().map(level_text).collect();
                let mut wrong = stand.levels.iter().any(|l| l.state != "passed");
                if stand.strip_expired {
                    wrong = true;
                    parts.push(say!("found.strip_over"));
                }
                if stand.held > 0 {
                    parts.push(say!("found.wait_for_controls", n = stand.held));
                }
                let which = match analyzer.strips.len() {
                    1 => analyzer.id.clone(),
                    _ => format!("{}, {}", analyzer.id, stand.strip),
                };
                let levels = json!(stand.levels);
                let text = Said::list("; ", parts);
                let found = self.add(About::Controls, &which, wrong, text);
                found.facts.insert("levels".into(), levels);
                if wrong {
                    let command = format!("wickline controls --analyzer {}", analyzer.id);
                    found.todo = Some(command.into());
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
                found.todo = todo.map(Said::from);
                found.facts = facts([("by_age", json!(refused))]);
            }
        }
        Ok(())
    }

    /// How a queue that is stopped or paused stands; where it has words of a receiver or a person, also without them.
    async fn shut(
        &self,
        ledger: &Ledger,
        id: &str,
        gate: &Gate,
    ) -> Result<Option<(Said, Option<Said>)>, StoreError> {
        let verb = match (gate.stopped, gate.paused) {
            (true, _) => "stop",
            (false, true) => "pause",
            (false, false) => return Ok(None),
        };
        let act = ledger.last_act(&format!("receiver {id}"), verb).await?;
        let at = act.as_ref().map_or(String::new(), |act| self.time(act.at));
        Ok(Some(match act {
            None if gate.stopped => (say!("found.stopped"), None),
            None => (say!("found.paused"), None),
            Some(stop) if gate.stopped => {
                let bare = say!("found.stopped_at", at = at);
                match stop.reason {
                    Some(why) => (bare.clone().then(format!(": {why}")), Some(bare)),
                    None => (bare, None),
                }
            }
            Some(pause) => {
                let bare = say!("found.paused_since", at = &at);
                (say!("found.paused_by", who = pause.who, at = at), Some(bare))
            }
        }))
    }

    /// How a receiver stands that is open: as far as that is known. `wrong`: no daemon runs, and something waits.
    fn goes(&self, point: Option<&Point>, open: &Open, rate: i64, wrong: bool) -> Said {
        let why = point.map(|point| (point.since, point.why.as_deref()));
        let (nothing, runs) = (open.waiting == 0, self.lock != Some(false));
        match why {
            _ if wrong => say!("found.no_daemon_goes"),
            None if !runs => say!("found.nothing_waits"),
            None if rate > 0 && self.lock.is_none() => say!("found.moving"),
            None => say!("found.untold"),
            // What was answered lately may be of before the start.
            Some((since, Some(NOT_TRIED))) => self.not_known(since),
            Some((since, Some(REACHED))) if !nothing => self.not_known(since),
            Some(_) if nothing => say!("found.nothing_waits"),
            Some(_) => say!("found.moving"),
        }
    }

    /// What is to be done that a daemon runs, as its own finding has it.
    fn daemon_todo(&self) -> Said {
        let own = self.findings.iter().find(|found| found.about == About::Daemon && found.wrong);
        own.and_then(|own| own.todo.clone()).unwrap_or_else(|| usual::todo(About::Daemon, "-"))
    }

    fn not_known(&self, since: i64) -> Said {
        say!("found.not_answered", at = self.time(since))
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
        let (mut wrong, mut todo) = (true, None);
        let mut outside = None;
        let stands = if target.is_none() && !self.beside {
            todo = Some(say!("do.not_configured", which = word(id)));
            say!("found.not_configured")
        } else if let Some((stands, bare)) = shut {
            todo = Some(format!("wickline queue resume {id}").into());
            outside = bare;
            stands
        } else if let Some(away) = away {
            let why = away.why.as_deref().map_or(String::new(), |w| format!(" ({w})"));
            say!("found.away", at = self.time(away.since)).then(why)
        } else {
            wrong = open.waiting > 0 && self.lock == Some(false);
            todo = wrong.then(|| self.daemon_todo());
            self.goes(point.as_ref(), open, rate, wrong)
        };
        let mut parts = Vec::new();
        if open.waiting > 0 {
            let n = count_text(open.waiting);
            parts.push(match open.oldest_at {
                Some(at) => say!("found.wait_oldest", n = n, at = self.time(at)),
                None => say!("found.wait", n = n),
            });
        }
        parts.push(say!("found.answered", n = rate));
        let oldest_s = open.oldest_at.map_or(0, |at| (self.now - at).max(0) / 1_000_000);
        let late = target.is_some_and(|t| t.is_late(open.waiting, oldest_s));
        if late {
            wrong = true;
            parts.push(say!("found.late"));
        }
        if let (true, Some(kept)) = (open.kept_back > 0, &open.kept) {
            wrong = true;
            parts.push(say!("found.kept_back", n = count_text(open.kept_back)));
            todo = todo.or_else(|| Some(format!("wickline queue show {kept}").into()));
        }
        if open.untold > 0 {
            wrong = true;
            parts.push(say!("found.has_wrong", n = count_text(open.untold)));
            let command = || format!("wickline queue --receiver {}", word(id)).into();
            todo = todo.or_else(|| Some(command()));
        }
        let since = point.as_ref().map(|p| self.bench.clock.rfc3339(p.since));
        let all = |first: Said| Said::list("; ", std::iter::once(first).chain(parts.clone()));
        let found = self.add(About::Receiver, id, wrong, all(stands));
        found.outside = outside.map(all);
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
            found.todo = todo.map(Said::from);
            found.facts = facts([("by_age", json!(aged))]);
        }
        if unsent > 0 {
            let text = say!("found.unsent", n = count_text(unsent));
            self.add(About::Receiver, "none", true, text).todo = Some(say!("do.unsent"));
        }
        Ok(())
    }

    async fn days(&mut self, ledger: &Ledger, today: &str) -> Result<(), StoreError> {
        let since = self.bench.clock.day(looked_back(self.now));
        let closes = ledger.closes_days().await?;
        let (open, after) = ledger.days_open(today, &since).await?;
        let listed = |days: &[String]| match days {
            [] => Said::default(),
            [one] => Said::from(one),
            [first, .., last] => say!("found.days", n = days.len(), first = first, last = last),
        };
        if !open.is_empty() {
            // Where no day was ever closed that is how the laboratory works.
            let text = say!("found.not_closed", days = listed(&open));
            let (first, all) = (open[0].clone(), json!(open));
            let found = self.add(About::Day, "closing", closes, text);
            found.todo = Some(format!("wickline day {first}").into());
            found.facts.insert("days".into(), all);
        }
        if !after.is_empty() {
            let text = say!("found.after_closing", days = listed(&after));
            let (first, all) = (after[0].clone(), json!(after));
            let found = self.add(About::Day, "after closing", true, text);
            found.todo = Some(format!("wickline day {first}").into());
            found.facts.insert("days".into(), all);
        }
        Ok(())
    }
}

fn facts<const N: usize>(pairs: [(&str, Value); N]) -> Map<String, Value> {
    pairs.into_iter().map(|(name, value)| (name.to_owned(), value)).collect()
}

fn count_text(count: i64) -> Said {
    if count > MOST { say!("found.more_than", n = MOST) } else { count.into() }
}

fn aged_text(aged: &Aged) -> Said {
    if aged.count == 0 {
        return say!("found.none");
    }
    let mut text = count_text(aged.count);
    if aged.urgent > 0 {
        text = text.then(", ").then(say!("found.urgent", n = aged.urgent));
    }
    let ages = [
        (aged.of_today, say!("found.of_today", n = aged.of_today)),
        (aged.of_last_week, say!("found.of_week", n = aged.of_last_week)),
        (aged.older, say!("found.older", n = aged.older)),
    ];
    let ages = ages.into_iter().filter(|(n, _)| *n > 0).map(|(_, said)| said);
    text.then(": ").then(Said::list(", ", ages))
}

fn level_text(level: &crate::acts::control_views::Stands) -> Said {
    let short = |time: &Option<String>| {
        let time = time.as_deref().unwrap_or_default();
        format!("{} {}", time.get(..10).unwrap_or_default(), time.get(11..16).unwrap_or_default())
    };
    let name = level.level.as_deref().unwrap_or("-");
    match level.state {
        "passed" => say!("found.level_passed", level = name, at = short(&level.until)),
        "failed" => say!("found.level_failed", level = name, at = short(&level.since)),
        _ if level.since.is_none() => say!("found.level_none", level = name),
        _ => say!("found.level_due", level = name, at = short(&level.since)),
    }
}
