//! The configuration: found, read strictly, layered with the environment, checked for sense.

pub mod bench;
pub mod effective;
pub mod keys;
pub mod reader;

use std::collections::BTreeMap;
use std::os::unix::fs::MetadataExt;
use std::path::{Path, PathBuf};

use serde::{Deserialize, Serialize};

use self::keys::{Allowed, TABLES, of_table};
use self::reader::Fault;
use crate::address::masked_address;

/// The file's content with every default filled in.
#[derive(Clone, Debug, Deserialize)]
pub struct Settings {
    pub site: Site,
    pub store: Store,
    pub console: Console,
    pub watch: Watch,
    #[serde(default)]
    pub reference: BTreeMap<String, String>,
    pub analyzer: Vec<AnalyzerKeys>,
    pub control: Vec<Control>,
    pub comment: Vec<Comment>,
    pub receiver: Vec<Receiver>,
    pub orders: OrdersKeys,
    pub source: Vec<SourceKeys>,
    pub alarm: Vec<AlarmKeys>,
    pub care: Vec<CareKeys>,
}

#[derive(Clone, Debug, Deserialize, Serialize)]
pub struct Site {
    pub name: String,
    pub short: String,
    pub timezone: String,
    pub specimen: String,
    pub specimen_check: String,
    pub prove_specimen: String,
    pub specimen_type: String,
    pub specimen_words: Vec<String>,
    pub scanner_leading: Vec<String>,
    pub scanner_trailing: Vec<String>,
    pub scanner_characters: String,
    pub external_quality: Vec<String>,
    pub comments: Vec<String>,
    pub reasons: Vec<String>,
    pub who: String,
    pub remark_released: bool,
    pub second: String,
}

#[derive(Clone, Debug, Deserialize)]
pub struct Store {
    pub tape: PathBuf,
    pub ledger: String,
    pub lease: u64,
    pub low_water_mib: u64,
    pub ballast_mib: u64,
    pub keep_days: u64,
    pub keep_days_control: u64,
    pub backup_days: u64,
}

#[derive(Clone, Debug, Deserialize)]
pub struct Console {
    pub listen: String,
    pub certificate: String,
    pub key: String,
    pub proxy: String,
    pub hosts: Vec<String>,
    pub idle_seconds: u64,
    pub badge: String,
    pub wall: bool,
    pub down_seconds: u64,
}

/// Those who watch.
#[derive(Clone, Debug, Deserialize)]
pub struct Watch {
    pub listen: String,
}

#[derive(Clone, Debug, Deserialize)]
pub struct AnalyzerKeys {
    pub id: String,
    pub line: String,
    pub speed: u32,
    pub framing: String,
    pub flow: String,
    pub dtr: String,
    pub rts: String,
    pub tee: String,
    pub hours: Vec<String>,
    pub silent_minutes: i64,
    pub dialect: String,
    pub strip: String,
    pub strips: Vec<String>,
    pub units: String,
    pub allow: Vec<String>,
    pub sender: String,
    pub serial: String,
    pub model: String,
    pub control_marks: Vec<String>,
    pub control_specimens: Vec<String>,
    pub stat_marks: Vec<String>,
    pub controls: String,
    pub compare_marks: bool,
    pub numbers: String,
    pub number_first: i64,
    pub number_last: i64,
    pub number_classes: Vec<String>,
    pub clock: String,
    pub clock_ahead_minutes: i64,
    pub clock_behind_hours: i64,
    pub clock_drift_minutes: i64,
    pub control_levels: Vec<String>,
    pub control_rules: Vec<String>,
    pub controls_every: String,
    pub controls_from: String,
    pub controls_new_lot: bool,
    pub controls_failed: String,
    pub controls_due: String,
    pub urgent_goes: bool,
}

/// One lot of control material.
#[derive(Clone, Debug, Deserialize)]
pub struct Control {
    pub level: String,
    pub lot: String,
    pub analyzers: Vec<String>,
    pub strip: String,
    pub strip_lot: String,
    pub first_day: String,
    pub last_day: String,
    pub expires: String,
    pub expect: Vec<String>,
}

/// One entry of the list of what is cared for.
#[derive(Clone, Debug, Deserialize)]
pub struct CareKeys {
    pub name: String,
    pub every: String,
    pub analyzers: Vec<String>,
}

/// One comment of the laboratory's own.
#[derive(Clone, Debug, Deserialize)]
pub struct Comment {
    pub code: String,
    pub when: String,
    pub conditions: Vec<String>,
    pub about: Vec<String>,
    pub text: String,
    pub source: String,
}

#[derive(Clone, Debug, Deserialize)]
pub struct Receiver {
    pub id: String,
    pub address: String,
    pub also: Vec<String>,
    pub source: String,
    pub window: usize,
    pub acknowledge: String,
    pub mllp: String,
    pub version: String,
    pub application: String,
    pub facility: String,
    pub units: String,
    pub grades: String,
    pub codes: String,
    pub flags: String,
    pub status: String,
    pub test_system: bool,
    pub snomed: bool,
    pub coded: String,
    pub structure: String,
    pub sending_application: String,
    pub sending_facility: String,
    pub profile: String,
    pub panel: String,
    pub panel_local: String,
    pub local_system: String,
    pub names: String,
    pub grade_codes: String,
    pub ends: String,
    pub name_of: Vec<String>,
    pub names_of: Vec<String>,
    pub coded_of: Vec<String>,
    pub ends_of: Vec<String>,
    pub order: Vec<String>,
    pub with: Vec<String>,
    pub without: Vec<String>,
    pub fixed: Vec<String>,
    pub specimen_in: String,
    pub specimen_namespace: String,
    pub equipment_namespace: String,
    pub observed: String,
    pub charset: String,
    pub patient: String,
    pub patient_authority: String,
    pub patient_id_type: String,
    pub filler: String,
    pub orders_for: Vec<String>,
    pub processing: String,
    pub analyzers: Vec<String>,
    pub controls: bool,
    pub patients: bool,
    pub paused: bool,
    pub stop_on_refusal: bool,
    pub ack_timeout: u64,
    pub retry_first: u64,
    pub retry_max: u64,
    pub late_count: i64,
    pub late_minutes: i64,
    pub reject_tries: i64,
    pub ca: String,
    pub certificate: String,
    pub private_key: String,
}

/// What becomes of strips and orders.
#[derive(Clone, Debug, Deserialize)]
pub struct OrdersKeys {
    pub without_order: String,
    pub unordered_pads: String,
    pub same_test: String,
    pub specimen_later: bool,
    pub expire_hours: i64,
    pub expire_unknown_days: i64,
    pub collected_hours: i64,
    pub reuse_days: i64,
    pub patient_store: String,
    pub patient_days: i64,
}

/// One system that sends orders.
#[derive(Clone, Debug, Deserialize)]
pub struct SourceKeys {
    pub id: String,
    pub listen: String,
    pub allow: Vec<String>,
    pub certificate: String,
    pub key: String,
    pub ca: String,
    pub versions: Vec<String>,
    pub sending_application: String,
    pub sending_facility: String,
    pub application: String,
    pub facility: String,
    pub processing: String,
    pub charset: String,
    pub line_feeds: bool,
    pub profile: String,
    pub order_key: String,
    pub specimen_from: String,
    pub tests: Vec<String>,
    pub specimen_types: Vec<String>,
    pub control_specimens: Vec<String>,
    pub patient_type: String,
    pub absent_is_new: bool,
    pub answer: String,
    pub refusal: String,
    pub name_patient: bool,
    pub store_down: String,
    pub max_orders: usize,
    pub max_open: i64,
    pub ask: String,
}

/// One place that is told what is wrong.
#[derive(Clone, Debug, Deserialize)]
pub struct AlarmKeys {
    pub id: String,
    pub to: String,
    pub ca: String,
    pub command: Vec<String>,
    pub about: Vec<String>,
    pub after_minutes: i64,
    pub again_hours: i64,
    pub quiet: String,
}

/// A configuration file as read: where from, its text for faults, its settings.
#[derive(Clone, Debug)]
pub struct Loaded {
    pub file: PathBuf,
    pub text: String,
    pub settings: Settings,
}

/// The first configuration there is: `--config`, the environment, here, the system's.
pub fn find(given: Option<&Path>) -> Result<PathBuf, String> {
    if let Some(path) = given {
        return Ok(path.to_owned());
    }
    if let Some(path) = std::env::var_os("WICKLINE_CONFIG").filter(|p| !p.is_empty()) {
        return Ok(path.into());
    }
    let known = ["./wickline.toml", "/etc/wickline/wickline.toml"];
    let here = Path::new(known[0]);
    // Whoever lays a file where root works must not choose what root runs.
    if let (true, Ok(about)) = (rustix::process::geteuid().is_root(), here.metadata())
        && about.uid() != 0
    {
        return Err(format!(
            "{} belongs to user {}: root takes another's configuration only by its name, with --config",
            known[0],
            about.uid()
        ));
    }
    // What may not be looked at is there as far as anybody knows: reading it says why not. Of a folder that is
    // closed to this user nobody knows anything.
    let closed = |error: &std::io::Error| error.kind() == std::io::ErrorKind::PermissionDenied;
    let there =
        |path: &PathBuf| path.try_exists().unwrap_or_else(|error| path != here || !closed(&error));
    known.iter().map(PathBuf::from).find(there).ok_or_else(|| {
        format!(
            "no configuration found: looked for --config, $WICKLINE_CONFIG, {}. \
             Copy config/wickline.toml and fill it in, or try `wickline demo`, which needs none",
            known.join(", ")
        )
    })
}

/// Reads a configuration file; every fault it has is in the error.
pub fn load(file: &Path) -> Result<Loaded, Vec<Fault>> {
    from_bytes(file, read(file)?)
}

/// What a file that is wrong says of the site and of where the stores are, by itself. None: not even that can be read.
#[must_use]
pub fn stores_alone(file: &Path) -> Option<Loaded> {
    let bytes = std::fs::read(file).ok()?;
    let text = String::from_utf8_lossy(&bytes);
    let (store, site) = (lines_of(&text, "store"), lines_of(&text, "site"));
    let some = "[site]\nname = \"-\"\nshort = \"SITE\"\ntimezone = \"UTC\"\n";
    let read = |site: &str| {
        let text = format!("analyzer = []\nreceiver = []\n{site}{store}");
        from_text(file, text).ok()
    };
    read(&site).or_else(|| read(some)).filter(|_| !store.is_empty())
}

/// The lines of one table, with its head.
fn lines_of(text: &str, table: &str) -> String {
    let mut inside = false;
    let mut lines = String::new();
    for line in text.lines() {
        let code = line.split('#').next().unwrap_or_default().trim();
        if code.starts_with('[') {
            inside = code.strip_prefix('[').and_then(|c| c.strip_suffix(']')).map(str::trim)
                == Some(table);
        }
        if inside {
            lines.push_str(&format!("{line}\n"));
        }
    }
    lines
}

/// The file as it is. An error says nothing of what stands in it: it may be readable a moment later.
pub fn read(file: &Path) -> Result<Vec<u8>, Vec<Fault>> {
    let allowed = "a file that the service user can read";
    std::fs::read(file).map_err(|e| vec![whole(file, e.to_string(), allowed)])
}

/// Reads a configuration from what stands in its file.
pub fn from_bytes(file: &Path, bytes: Vec<u8>) -> Result<Loaded, Vec<Fault>> {
    let text = String::from_utf8(bytes).map_err(|e| {
        vec![whole(file, format!("a byte that is not UTF-8 ({e})"), "a text file in UTF-8")]
    })?;
    from_text(file, text)
}

/// What is wrong with a file as a whole.
fn whole(file: &Path, found: String, allowed: &str) -> Fault {
    Fault {
        file: file.display().to_string(),
        line: 1,
        column: 1,
        key: "(file)".into(),
        found,
        allowed: allowed.into(),
        text: String::new(),
    }
}

/// Reads a configuration from text, with the environment on top.
pub fn from_text(file: &Path, text: String) -> Result<Loaded, Vec<Fault>> {
    let name = file.display().to_string();
    let mut faults = reader::faults(&name, &text);
    faults.extend(environment_faults());
    if !faults.is_empty() {
        return Err(faults);
    }
    let environment = config::Environment::with_prefix("WICKLINE")
        .prefix_separator("__")
        .separator("__")
        .try_parsing(true);
    let settings = config::Config::builder()
        .add_source(Filled(with_defaults(&text)))
        .add_source(environment)
        .build()
        .and_then(config::Config::try_deserialize::<Settings>);
    match settings {
        Ok(settings) => Ok(Loaded { file: file.to_owned(), text, settings }),
        Err(error) => Err(vec![reader::Source { file: &name, text: &text }.fault(
            0,
            "(file)",
            error.to_string(),
            "the keys of config/wickline.toml",
        )]),
    }
}

/// The file's tables as the lowest layer. (`Config::try_from` leaves out lists that are empty.)
#[derive(Clone, Debug)]
struct Filled(toml::Table);

impl AnalyzerKeys {
    /// Its strips by their names or paths, the usual one first.
    pub fn all_strips(&self) -> impl Iterator<Item = &String> {
        std::iter::once(&self.strip).chain(&self.strips)
    }
}

impl config::Source for Filled {
    fn clone_into_box(&self) -> Box<dyn config::Source + Send + Sync> {
        Box::new(self.clone())
    }

    fn collect(&self) -> Result<config::Map<String, config::Value>, config::ConfigError> {
        self.0.clone().try_into().map_err(|e| config::ConfigError::Foreign(Box::new(e)))
    }
}

/// The file's tables with every key that was not given.
#[must_use]
pub fn with_defaults(text: &str) -> toml::Table {
    let mut root: toml::Table = text.parse().unwrap_or_default();
    for (table, list, _) in TABLES {
        let empty =
            || if *list { toml::Value::Array(Vec::new()) } else { toml::Table::new().into() };
        let value = root.entry(*table).or_insert_with(empty);
        let tables: Vec<&mut toml::Table> = match value {
            toml::Value::Array(items) => {
                items.iter_mut().filter_map(|v| v.as_table_mut()).collect()
            }
            other => other.as_table_mut().into_iter().collect(),
        };
        for inner in tables {
            for key in of_table(table) {
                let Some(default) = key.default else { continue };
                let parsed = format!("v = {default}").parse::<toml::Table>();
                let value = parsed.ok().and_then(|mut t| t.remove("v"));
                if let (Some(value), false) = (value, inner.contains_key(key.name)) {
                    inner.insert(key.name.to_owned(), value);
                }
            }
        }
    }
    root
}

/// Overrides from the environment are keys too: known, of a single table, and of the right kind.
fn environment_faults() -> Vec<Fault> {
    let mut faults = Vec::new();
    for (name, value) in std::env::vars_os() {
        let Some(name) = name.to_str().filter(|n| n.starts_with("WICKLINE__")) else { continue };
        let value = value.to_string_lossy().into_owned();
        let path: Vec<String> = name.split("__").skip(1).map(str::to_lowercase).collect();
        let known = path
            .first()
            .filter(|t| TABLES.iter().any(|(table, list, _)| table == t && !list))
            .and_then(|t| of_table(t).find(|k| path.get(1).is_some_and(|p| p == k.name)));
        let allowed = match known {
            None => "WICKLINE__SECTION__KEY with a key of [site], [store], [console] or [watch]"
                .to_owned(),
            Some(key) if !fits(&value, key.allowed) => key.allowed.words(),
            Some(_) => continue,
        };
        faults.push(Fault {
            file: "(environment)".into(),
            line: 0,
            column: 0,
            key: name.to_owned(),
            found: reader::quoted(&masked_address(&value), 60),
            allowed,
            text: String::new(),
        });
    }
    faults
}

fn fits(value: &str, allowed: Allowed) -> bool {
    match allowed {
        Allowed::Text(most) => value.chars().count() <= most,
        Allowed::OneOf(list) => list.contains(&value),
        Allowed::Whole(least, most) => {
            value.parse().is_ok_and(|n: i64| (least..=most).contains(&n))
        }
        Allowed::Switch => matches!(value, "true" | "false"),
        Allowed::Texts => true,
    }
}
