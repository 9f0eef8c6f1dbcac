//! The configuration as what it describes: analyzers with their dialects, strips and rules;
//! receivers with their layouts and choices. Everything that can be wrong is found here.

mod alarm;
mod apart;
mod care;
mod cautions;
mod descriptors;
mod fit;
pub(crate) mod guarded;
mod hours;
mod idle;
mod layout;
mod people;
mod rules;
mod secured;
mod served;
mod source;
mod tee;
mod trial;

use std::collections::{BTreeMap, HashSet};
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use wickline_forward::deliver::{Address as ReceiverAddress, Limits};
use wickline_forward::hl7::{Acknowledge, Layout};
use wickline_forward::mllp::MllpRelease;
use wickline_listen::dialect::{self, Dialect};
use wickline_listen::line::{LineSpec, SPEEDS};
use wickline_normalize::Role;
use wickline_normalize::account::Counting;
use wickline_normalize::comments::CommentRule;
use wickline_normalize::observe::Choice;
use wickline_normalize::rules::Rules;
use wickline_normalize::strip::Strip;
use wickline_normalize::units::Units;

pub use self::alarm::{About, Alarm, Quiet, To};
pub use self::care::{Care, Every};
pub use self::cautions::{Caution, asks_for_core_dumps};
pub use self::descriptors::PLACES;
use self::guarded::Guarded;
pub use self::hours::Hours;
pub use self::people::{People, words};
pub use self::rules::{ClockRules, ControlRules, Supposed, Urines};
pub use self::served::{ConsoleRules, Served};
pub use self::source::{Ordering, Source};
pub use self::tee::TeeTo;
use super::effective::Effective;
use super::reader::{Fault, place, quoted_at};
use super::{Loaded, Settings};
use crate::address::{Address, masked_address, masked_at};
use crate::clock::SiteClock;

/// One analyzer, ready to be heard and read.
pub struct Analyzer {
    pub id: String,
    pub line: LineSpec,
    /// Where a copy of what it says goes.
    pub tee: Option<TeeTo>,
    /// When its silence is told, where the laboratory says so.
    pub hours: Option<Hours>,
    pub dialect: Arc<dyn Dialect>,
    pub strips: Vec<Strip>,
    pub rules: Rules,
    pub counting: Counting,
    pub clock: ClockRules,
    pub comments: Vec<CommentRule>,
    pub controls: ControlRules,
    /// What its maker calls it, where the configuration says so: serial number and model.
    pub equipment: Option<(String, String)>,
}

/// One receiver, ready to be sent to.
pub struct Target {
    pub id: String,
    /// Tried in order.
    pub addresses: Vec<ReceiverAddress>,
    pub limits: Limits,
    pub layout: Layout,
    pub choice: Choice,
    pub analyzers: Vec<String>,
    /// Whether it gets control material, and patients' results.
    pub controls: bool,
    pub patients: bool,
    pub with_patient: bool,
    /// Sources whose orders' numbers and patients it gets, beside the one of its own id.
    pub orders_for: Vec<String>,
    pub paused: bool,
    pub stop_on_refusal: bool,
    pub retry_first: Duration,
    pub retry_max: Duration,
    pub reject_tries: i64,
    /// Waiting messages, and seconds that the oldest may wait, before a person is told; 0: never.
    pub late_count: i64,
    pub late_s: i64,
}

impl Target {
    /// Whether it is told of results of this role.
    #[must_use]
    pub fn takes(&self, role: Role) -> bool {
        match role {
            Role::Patient => self.patients,
            Role::Control => self.controls,
            Role::External => false,
        }
    }

    /// Whether results answer orders of this source to it, with their numbers and their patient: it is the system that
    /// sent them, or the laboratory says so.
    #[must_use]
    pub fn gets_orders_of(&self, source: &str) -> bool {
        self.id == source || self.orders_for.iter().any(|own| own == source)
    }

    /// Whether so many wait, or the oldest for so many seconds, that a person should know.
    #[must_use]
    pub fn is_late(&self, waiting: i64, oldest_s: i64) -> bool {
        let many = self.late_count > 0 && waiting >= self.late_count;
        let long = self.late_s > 0 && oldest_s >= self.late_s;
        many || long
    }
}

/// What becomes of a second result for one specimen on one day.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Second {
    Send,
    /// It goes, and the sheet says so.
    Warn,
    Hold,
}

impl Second {
    fn of(text: &str) -> Self {
        match text {
            "send" => Second::Send,
            "hold" => Second::Hold,
            _ => Second::Warn,
        }
    }
}

/// Everything the daemon and the commands work with.
pub struct Bench {
    pub site_name: String,
    /// The specimen id of test messages; empty: none is configured.
    pub prove_specimen: String,
    /// Whether what a person releases against a rule says so in its message.
    pub remark_released: bool,
    /// What becomes of a second result for one specimen on one day.
    pub second: Second,
    pub clock: SiteClock,
    pub tape: PathBuf,
    pub ledger: Address,
    /// Where the console is served.
    pub console: Option<Served>,
    /// What its pages ask of those who come.
    pub console_rules: ConsoleRules,
    /// Where health and metrics are served by themselves.
    pub watch: Option<Served>,
    /// How long a line or a receiver may be down before the house is not ready. None: for ever.
    pub down_longest: Option<Duration>,
    /// How long another daemon on the same ledger waits before it takes over.
    pub lease: Duration,
    pub low_water: u64,
    pub ballast: u64,
    /// Days that patients' reports and control material are kept, where the laboratory has said so.
    pub keep_days: Option<(u64, u64)>,
    /// Days from which the last backup is too old. None: nobody is told.
    pub backup_days: Option<i64>,
    pub analyzers: Vec<Arc<Analyzer>>,
    pub targets: Vec<Arc<Target>>,
    pub people: People,
    /// Who sends orders. Empty: strips go as they come.
    pub sources: Vec<Arc<Source>>,
    pub orders: Ordering,
    /// Who is told what is wrong.
    pub alarms: Vec<Arc<Alarm>>,
    /// What is cared for.
    pub cares: Vec<Care>,
    /// What kind of urine a specimen is.
    pub urines: Urines,
    /// What `check` should say although it is not wrong.
    pub notes: Vec<String>,
    /// What should be known at each start as well.
    pub cautions: Vec<Caution>,
    /// All of it as it was read, for the trail.
    pub effective: Effective,
}

impl Bench {
    /// Builds the bench, or says everything that is wrong with the configuration.
    pub fn build(loaded: &Loaded) -> Result<Self, Vec<Fault>> {
        let mut builder = Builder { loaded, faults: Vec::new(), files: BTreeMap::new() };
        let settings = &loaded.settings;
        let clock = SiteClock::new(&settings.site.timezone);
        let clock = builder.good("site", 0, "timezone", &settings.site.timezone, clock);
        builder.zone(&settings.site.timezone);
        let ledger = builder.ledger(settings);
        builder.stores(settings, ledger.as_ref());
        let (console, watch) = (builder.console(settings), builder.watch(settings));
        let console_rules = builder.console_rules(settings);
        let people = builder.people(settings);
        let analyzers: Vec<_> = (0..settings.analyzer.len())
            .filter_map(|index| builder.analyzer(settings, index))
            .map(Arc::new)
            .collect();
        let mut targets: Vec<_> = (0..settings.receiver.len())
            .filter_map(|index| builder.target(settings, index))
            .collect();
        let urines = builder.urines(settings);
        let (alarms, cares) = (builder.alarms(settings), builder.cares(settings));
        let sources: Vec<_> = (0..settings.source.len())
            .filter_map(|index| builder.source(settings, index, &analyzers))
            .map(Arc::new)
            .collect();
        builder.orders_named(settings);
        builder.asked(settings, &sources, &targets);
        builder.ids(settings);
        builder.lines_apart(settings);
        builder.layouts_fit(settings, &analyzers, &mut targets);
        let targets: Vec<_> = targets.into_iter().map(Arc::new).collect();
        let folder = builder.folder().to_owned();
        let Builder { faults, files, .. } = builder;
        let notes = notes(&analyzers, &targets);
        let (Some(clock), Some(ledger), true) = (clock, ledger, faults.is_empty()) else {
            return Err(faults);
        };
        let mut bench = Self {
            site_name: settings.site.name.clone(),
            prove_specimen: settings.site.prove_specimen.clone(),
            remark_released: settings.site.remark_released,
            second: Second::of(&settings.site.second),
            clock,
            tape: folder.join(&settings.store.tape),
            ledger,
            console,
            console_rules,
            watch,
            down_longest: Some(Duration::from_secs(settings.console.down_seconds))
                .filter(|longest| !longest.is_zero()),
            lease: Duration::from_secs(settings.store.lease),
            low_water: settings.store.low_water_mib << 20,
            ballast: settings.store.ballast_mib << 20,
            keep_days: apart::keep_days(settings),
            backup_days: i64::try_from(settings.store.backup_days).ok().filter(|days| *days > 0),
            analyzers,
            targets,
            people,
            sources,
            orders: Builder::ordering(settings),
            alarms,
            cares,
            urines,
            notes,
            cautions: Vec::new(),
            effective: Effective::new(&loaded.text, files),
        };
        bench.cautions = bench.cautious(loaded);
        Ok(bench)
    }

    #[must_use]
    pub fn analyzer(&self, id: &str) -> Option<&Arc<Analyzer>> {
        self.analyzers.iter().find(|a| a.id == id)
    }

    /// The receivers that get what an analyzer says of patients, or of control material: this is the
    /// one door between the two. What is the scheme's is told to none.
    pub fn targets_of<'a>(
        &'a self,
        analyzer: &'a str,
        role: Role,
    ) -> impl Iterator<Item = &'a Arc<Target>> {
        let hears = move |t: &Target| t.analyzers.iter().any(|a| a == "*" || a == analyzer);
        self.targets.iter().filter(move |t| t.takes(role) && hears(t))
    }
}

/// What the configuration says by being as it is, each once.
fn notes(analyzers: &[Arc<Analyzer>], targets: &[Arc<Target>]) -> Vec<String> {
    let mut notes = Vec::new();
    for analyzer in analyzers {
        notes.extend(analyzer.rules.notes(&analyzer.strips));
        notes.extend(analyzer.comments.iter().flat_map(|c| c.notes(&analyzer.strips)));
        for strip in &analyzer.strips {
            let all = strip.notes().iter().chain(strip.questions());
            notes.extend(all.map(|n| format!("strip {}: {n}", strip.id)));
        }
    }
    for target in targets {
        notes.extend(fit::gaps(target, analyzers));
        notes.extend(fit::notes(target, analyzers));
    }
    notes.sort();
    notes.dedup();
    notes
}

struct Builder<'a> {
    loaded: &'a Loaded,
    faults: Vec<Fault>,
    /// Dialect and strip files that were read, by the names they have in the configuration.
    files: BTreeMap<String, String>,
}

impl Builder<'_> {
    fn folder(&self) -> &Path {
        self.loaded.file.parent().unwrap_or(Path::new("."))
    }

    fn fault(&mut self, table: &str, index: usize, key: &str, found: &str, allowed: String) {
        let file = self.loaded.file.display().to_string();
        let (line, column) = place(&file, &self.loaded.text, table, index, key);
        let key = format!("{table}.{key}");
        let found = quoted_at(&key, found, 80);
        let text = masked_at(&self.loaded.text, line.saturating_sub(1));
        self.faults.push(Fault { file, line, column, key, found, allowed, text });
    }

    fn good<T>(
        &mut self,
        table: &str,
        index: usize,
        key: &str,
        found: &str,
        result: Result<T, String>,
    ) -> Option<T> {
        match result {
            Ok(value) => Some(value),
            Err(allowed) => {
                self.fault(table, index, key, found, allowed);
                None
            }
        }
    }

    fn ledger(&mut self, settings: &Settings) -> Option<Address> {
        let text = settings.store.ledger.as_str();
        let address = Address::parse(text, self.folder());
        let address = self.good("store", 0, "ledger", &masked_address(text), address)?;
        address.secrets().iter().for_each(|path| self.secret("store", 0, "ledger", path));
        Some(address)
    }

    fn people(&mut self, settings: &Settings) -> People {
        let site = &settings.site;
        for reason in site.reasons.iter().filter(|r| r.trim().is_empty() || r.trim() != r.as_str())
        {
            let allowed = "words, without space around them".to_owned();
            self.fault("site", 0, "reasons", reason, allowed);
        }
        People { reasons: site.reasons.clone(), login_counts: site.who == "login" }
    }

    fn analyzer(&mut self, settings: &Settings, index: usize) -> Option<Analyzer> {
        let raw = &settings.analyzer[index];
        let (line, tee) = (self.line(raw, index), self.tee(raw, index));
        let hours = self.hours(raw, index);
        let dialect = self.dialect(index, &raw.dialect);
        let names = raw.all_strips();
        let strips: Vec<Option<Strip>> = names.map(|name| self.strip(index, name)).collect();
        let own_sign = dialect.as_ref().is_some_and(|dialect| dialect.not_passed_sign());
        let rules = self.rules(settings, index, own_sign);
        let dialect = dialect?;
        let signless = raw.control_marks.is_empty() && raw.control_specimens.is_empty();
        if raw.controls == "marked" && !dialect.control_sign() && signless {
            self.fault(
                "analyzer",
                index,
                "controls",
                &raw.controls,
                format!(
                    "dialect `{}` brings no sign of control material: give control_marks or \
                 control_specimens, or say controls = \"none\" if no controls are ever run here",
                    dialect.name()
                ),
            );
        }
        let mut strips: Vec<Strip> = strips.into_iter().collect::<Option<_>>()?;
        // The one of `strip` may stand in `strips` as well.
        let mut seen = HashSet::new();
        strips.retain(|strip| seen.insert(strip.id.clone()));
        let rules = rules?;
        self.together(settings, index, &rules, &strips);
        let counting = self.counting(settings, index);
        let clock = self.clock(settings, index);
        let comments = self.comments(settings, &strips);
        let controls = self.controls(settings, index, &strips, own_sign);
        let equipment = self.equipment(settings, index);
        let (id, line, tee, hours) = (raw.id.clone(), line?, tee?, hours?);
        Some(Analyzer {
            id,
            line,
            tee,
            hours,
            dialect,
            strips,
            rules,
            counting,
            clock,
            comments,
            controls,
            equipment,
        })
    }

    /// A built-in by name, or a file beside the configuration.
    fn dialect(&mut self, index: usize, name: &str) -> Option<Arc<dyn Dialect>> {
        self.unguarded(index, name).map(|dialect| Arc::new(Guarded(dialect)) as Arc<dyn Dialect>)
    }

    fn unguarded(&mut self, index: usize, name: &str) -> Option<Arc<dyn Dialect>> {
        if let Some(dialect) = dialect::builtin(name) {
            return Some(dialect);
        }
        let (path, text) =
            self.file(index, "dialect", name, &dialect::builtin_names().join(", "))?;
        match dialect::parse(&text, &path) {
            Ok(dialect) => Some(dialect),
            Err(faults) => {
                self.faults.extend(faults.into_iter().map(|f| {
                    let dialect::Fault { file, line, column, key, found, allowed, text } = f;
                    Fault { file, line, column, key, found, allowed, text }
                }));
                None
            }
        }
    }

    fn strip(&mut self, index: usize, name: &str) -> Option<Strip> {
        if let Some(strip) = Strip::builtin(name) {
            return Some(strip);
        }
        let (path, text) = self.file(index, "strip", name, &Strip::builtin_names().join(", "))?;
        match Strip::parse(&text, &path) {
            Ok(strip) => Some(strip),
            Err(faults) => {
                self.faults.extend(faults);
                None
            }
        }
    }

    fn file(
        &mut self,
        index: usize,
        key: &str,
        name: &str,
        builtins: &str,
    ) -> Option<(String, String)> {
        let path = self.folder().join(name);
        match std::fs::read_to_string(&path) {
            Ok(text) => {
                self.files.insert(name.to_owned(), text.clone());
                Some((path.display().to_string(), text))
            }
            Err(error) => {
                let allowed = format!("a built-in ({builtins}) or the path of a file ({error})");
                self.fault("analyzer", index, key, name, allowed);
                None
            }
        }
    }

    fn target(&mut self, settings: &Settings, index: usize) -> Option<Target> {
        let raw = &settings.receiver[index];
        if raw.controls && raw.version == "2.3.1" {
            let allowed =
                "false for version 2.3.1, which has no field that tells control material \
                           from a patient's specimen"
                    .to_owned();
            self.fault("receiver", index, "controls", "true", allowed);
        }
        let is_asked = settings.source.iter().any(|source| source.ask == raw.id);
        if !raw.controls && !raw.patients && !is_asked {
            let allowed = "true, or controls = true: it would get nothing".to_owned();
            self.fault("receiver", index, "patients", "false", allowed);
        }
        if raw.patient == "as-heard" && raw.specimen_in.contains("pid-3") {
            let allowed = "obr-2, obr-3 or spm-2 with patient = \"as-heard\": in PID-3 the specimen id would stand \
                           before the patient's, with nothing that says who gave it or of which kind it is"
                .to_owned();
            self.fault("receiver", index, "specimen_in", &raw.specimen_in, allowed);
        }
        for (n, lot) in settings.control.iter().enumerate().filter(|_| index == 0) {
            for id in lot.analyzers.iter().filter(|a| *a != "*") {
                if !settings.analyzer.iter().any(|a| a.id == *id) {
                    let allowed = "\"*\" or ids of analyzers".to_owned();
                    self.fault("control", n, "analyzers", id, allowed);
                }
            }
        }
        for id in raw.analyzers.iter().filter(|a| *a != "*") {
            if !settings.analyzer.iter().any(|a| a.id == *id) {
                let known: Vec<&str> = settings.analyzer.iter().map(|a| a.id.as_str()).collect();
                let allowed = format!("\"*\" or ids of analyzers: {}", known.join(", "));
                self.fault("receiver", index, "analyzers", id, allowed);
            }
        }
        let addresses = self.addresses(settings, index)?;
        let limits = self.limits(settings, index)?;
        let layout = self.layout(settings, index)?;
        Some(Target {
            id: raw.id.clone(),
            addresses,
            limits,
            layout,
            choice: Choice {
                units: units(&raw.units),
                grades: raw.grades.parse().unwrap_or_default(),
                codes: raw.codes.parse().unwrap_or_default(),
                snomed: raw.snomed,
                flags: raw.flags.parse().unwrap_or_default(),
            },
            analyzers: raw.analyzers.clone(),
            controls: raw.controls,
            patients: raw.patients,
            with_patient: raw.patient == "as-heard",
            orders_for: raw.orders_for.clone(),
            paused: raw.paused,
            stop_on_refusal: raw.stop_on_refusal,
            retry_first: Duration::from_secs(raw.retry_first),
            retry_max: Duration::from_secs(raw.retry_max.max(raw.retry_first)),
            reject_tries: raw.reject_tries,
            late_count: raw.late_count,
            late_s: raw.late_minutes * 60,
        })
    }

    fn limits(&mut self, settings: &Settings, index: usize) -> Option<Limits> {
        let raw = &settings.receiver[index];
        let mut limits = Limits::with_ack_timeout(Duration::from_secs(raw.ack_timeout));
        limits.window = raw.window;
        let asked: Option<Acknowledge> = raw.acknowledge.parse().ok();
        limits.application = asked.is_some_and(Acknowledge::waits_for_application);
        limits.release = raw.mllp.parse().unwrap_or(MllpRelease::One);
        if limits.release == MllpRelease::Two && raw.window > 1 {
            let allowed = "1: release 2 of MLLP has one block outstanding".to_owned();
            self.fault("receiver", index, "window", &raw.window.to_string(), allowed);
        }
        if !raw.source.is_empty() {
            let source = raw.source.parse().map_err(|_| "an IP address of this machine".to_owned());
            limits.source = Some(self.good("receiver", index, "source", &raw.source, source)?);
        }
        Some(limits)
    }

    /// Ids name rows for years and stand in messages: short, plain and used once.
    fn ids(&mut self, settings: &Settings) {
        let analyzers = settings.analyzer.iter().map(|a| ("analyzer", &a.id));
        let receivers = settings.receiver.iter().map(|r| ("receiver", &r.id));
        let alarms = settings.alarm.iter().map(|a| ("alarm", &a.id));
        let sources = settings.source.iter().map(|s| ("source", &s.id));
        let mut seen = HashSet::new();
        let mut counts = std::collections::HashMap::new();
        let all: Vec<(&str, String)> = analyzers
            .chain(receivers)
            .chain(sources)
            .chain(alarms)
            .map(|(t, id)| (t, id.clone()))
            .collect();
        for (table, id) in all {
            let index = counts.entry(table).or_insert(0_usize);
            let plain =
                !id.is_empty() && id.bytes().all(|b| b.is_ascii_alphanumeric() || b == b'-');
            if !plain {
                self.fault(table, *index, "id", &id, "letters, digits and hyphens".into());
            } else if !seen.insert((table, id.clone())) {
                self.fault(table, *index, "id", &id, format!("an id that no other {table} has"));
            }
            *index += 1;
        }
        for (index, analyzer) in settings.analyzer.iter().enumerate() {
            if !SPEEDS.contains(&analyzer.speed) {
                let allowed = SPEEDS.map(|speed| speed.to_string()).join(", ");
                self.fault("analyzer", index, "speed", &analyzer.speed.to_string(), allowed);
            }
        }
    }
}

fn units(text: &str) -> Units {
    if text == "si" { Units::Si } else { Units::Conventional }
}
