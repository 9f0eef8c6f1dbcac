//! Every key of the configuration: what it means, what is allowed, what it is when not given.
//!
//! One table serves the reader's errors, the commented `config/wickline.toml` and its test.

mod alarm;
mod care;
mod laboratory;
mod receiver;
mod source;

/// What a key may hold.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Allowed {
    /// Text of at most so many characters.
    Text(usize),
    /// Text that is one of these.
    OneOf(&'static [&'static str]),
    /// A whole number between two bounds.
    Whole(i64, i64),
    Switch,
    /// A list of texts.
    Texts,
}

impl Allowed {
    /// In words, for errors and for the reference.
    #[must_use]
    pub fn words(self) -> String {
        match self {
            Allowed::Text(most) => format!("text of at most {most} characters"),
            Allowed::OneOf(list) => {
                list.iter().map(|t| format!("\"{t}\"")).collect::<Vec<_>>().join(", ")
            }
            Allowed::Whole(least, most) => format!("a whole number from {least} to {most}"),
            Allowed::Switch => "true or false".into(),
            Allowed::Texts => "a list of texts, such as [\"a\", \"b\"]".into(),
        }
    }
}

/// One key of one table.
#[derive(Clone, Copy, Debug)]
pub struct Key {
    pub table: &'static str,
    pub name: &'static str,
    pub allowed: Allowed,
    /// As TOML; none: the key must be given.
    pub default: Option<&'static str>,
    /// What the commented file shows where the default would say nothing.
    pub example: &'static str,
    pub about: &'static str,
}

impl Key {
    /// What it means and what is allowed, as the comment above it.
    #[must_use]
    pub fn comment(&self) -> String {
        let allowed = match self.allowed {
            Allowed::Text(_) | Allowed::Texts => String::new(),
            other => format!(" Allowed: {}.", other.words()),
        };
        format!("# {}{allowed}\n", self.about)
    }
}

/// Tables in the order of the commented file: name, whether it is a list of tables, and what for.
pub const TABLES: &[(&str, bool, &str)] = &[
    ("site", false, "The laboratory."),
    ("store", false, "What Wickline remembers, and where. Paths are relative to this file."),
    (
        "console",
        false,
        "The console: pages for people who sign in (`wickline user`), and health (/healthz), readiness (/readyz) and metrics\n# \
         (/metrics). Beyond this machine by TLS alone: its own (certificate and key), or a proxy's in front of it.",
    ),
    (
        "watch",
        false,
        "An address for those who watch: /healthz, /readyz and /metrics and nothing else, always without TLS.",
    ),
    (
        "reference",
        false,
        "References for flags, by analyte id: the highest normal grade \"NEG\"; an interval \"5.0-8.0\"\n\
         # for numbers; two of them with their units where the unit systems have different numbers.\n\
         # Where it cannot tell, or there is none, OBX-8 carries the analyzer's own mark where it prints one.",
    ),
    ("analyzer", true, "One for each analyzer."),
    (
        "control",
        true,
        "One for each lot of control material and level: what it must read. Targets come from the \
         laboratory or the maker of the material; the ones here are invented.",
    ),
    (
        "comment",
        true,
        "Comments of the laboratory's own, by rule: they go out as notes and never change a value or a flag.",
    ),
    ("receiver", true, "One for each receiver, usually the LIS."),
    (
        "orders",
        false,
        "What becomes of strips and orders, where there is a [[source]]; without one nothing here counts.",
    ),
    (
        "source",
        true,
        "One for each system that sends orders, usually the LIS. Without one nothing is listened for, and strips go as \
         they come.",
    ),
    (
        "alarm",
        true,
        "One for each place that is told when something needs a person, and when that is over: what `wickline status` \
         says,\n# without the words of people and receivers, and no patient data.",
    ),
    (
        "care",
        true,
        "The care log: what is signed for and how often. Follow the analyzer's own instructions; nothing is asked for \
         that does not stand here, and nothing is held for it.",
    ),
];

/// Lists of tables that most do without: the commented file has them behind `#`.
pub const OPTIONAL: &[&str] = &["control", "comment", "source", "alarm", "care"];

const fn key(
    table: &'static str,
    name: &'static str,
    allowed: Allowed,
    default: Option<&'static str>,
    example: &'static str,
    about: &'static str,
) -> Key {
    Key { table, name, allowed, default, example, about }
}

use Allowed::{OneOf, Switch, Text, Texts, Whole};

/// The keys of everything but receivers.
const KEYS: &[Key] = &[
    key("site", "name", Text(80), None, "\"Kestrel Point Clinic\"", "Name on sheets."),
    key("site", "short", Text(20), None, "\"KESTRELPOINT\"", "MSH-4, the sending facility."),
    key(
        "site",
        "timezone",
        Text(40),
        None,
        "\"Europe/Lisbon\"",
        "Zone of the analyzers' clocks, an IANA name.",
    ),
    key(
        "site",
        "specimen",
        Text(60),
        Some("\"[A-Za-z0-9-]{4,20}\""),
        "",
        "What a specimen id looks like: literal characters and sets in brackets, each set with a count.",
    ),
    key(
        "store",
        "tape",
        Text(400),
        None,
        "\"tape.db\"",
        "The tape: a local SQLite file, never on a network file system.",
    ),
    key(
        "store",
        "ledger",
        Text(400),
        None,
        "\"sqlite:ledger.db\"",
        "The ledger: sqlite:PATH, or postgres://USER@HOST/DATABASE where several benches share one; \
         several servers are tried in order: postgres://USER@HOST1:PORT,HOST2:PORT/DATABASE. Over a network with \
         ?sslmode=verify-full&sslrootcert=/PATH; passfile=/PATH names a file with the password.",
    ),
    key(
        "store",
        "lease",
        Whole(2, 600),
        Some("15"),
        "",
        "Seconds after which another bench on the same Postgres ledger takes over what this one no longer does.",
    ),
    key(
        "store",
        "low_water_mib",
        Whole(0, 1_048_576),
        Some("64"),
        "",
        "Free MiB below which nothing more is acknowledged.",
    ),
    key(
        "store",
        "ballast_mib",
        Whole(0, 65_536),
        Some("64"),
        "",
        "MiB kept as ballast, given up when the disk is full; it comes back when there is room.",
    ),
    key(
        "store",
        "keep_days",
        Whole(0, 36_500),
        Some("0"),
        "730",
        "Days that `wickline purge` keeps what is settled, on tape and in ledger; 0: for ever, and nothing purges by \
         itself.",
    ),
    key(
        "store",
        "keep_days_control",
        Whole(0, 36_500),
        Some("0"),
        "1095",
        "The same of control material, no fewer days than of patients; 0: as long as those.",
    ),
    key(
        "store",
        "backup_days",
        Whole(0, 3650),
        Some("2"),
        "8",
        "Days from which the last `wickline backup` is told as too old, where one was ever made; 0: never.",
    ),
    key(
        "console",
        "listen",
        Text(80),
        Some("\"\""),
        "\"127.0.0.1:8420\"",
        "Address to serve it on; empty turns it off.",
    ),
    key(
        "console",
        "certificate",
        Text(400),
        Some("\"\""),
        "\"console.pem\"",
        "Its certificate with its chain, PEM: with it, TLS alone is spoken. Read again at SIGHUP.",
    ),
    key(
        "console",
        "key",
        Text(400),
        Some("\"\""),
        "\"console.key\"",
        "The private key of `certificate`, PEM, which only the service may read.",
    ),
    key(
        "console",
        "proxy",
        Text(45),
        Some("\"\""),
        "\"192.0.2.10\"",
        "Address of the proxy that speaks TLS in front of it: connections from anywhere else are refused.",
    ),
    key(
        "console",
        "hosts",
        Texts,
        Some("[]"),
        "[\"bench-1.example.org\"]",
        "Names by which browsers may ask for it, beside addresses and localhost. Empty: any name where TLS closes the \
         way, none where it does not.",
    ),
    key(
        "console",
        "idle_seconds",
        Whole(180, 3600),
        Some("600"),
        "",
        "Seconds after which somebody who does nothing is signed out; after 12 hours everybody is.",
    ),
    key(
        "console",
        "badge",
        Text(8),
        Some("\"\""),
        "\"STAFF-\"",
        "How badges begin, 3 to 8 capitals, digits and hyphens, as no specimen id does: scanned with a PIN they open \
         the console (`wickline user badge`). Empty: there are none.",
    ),
    key(
        "console",
        "wall",
        Switch,
        Some("false"),
        "true",
        "Whoever looks at /wall from this machine sees without signing in how things stand, without specimen ids and \
         readings.",
    ),
    key(
        "console",
        "down_seconds",
        Whole(0, 86_400),
        Some("120"),
        "",
        "Seconds that a line or a receiver may be down before /readyz says not ready; 0: for ever.",
    ),
    key(
        "watch",
        "listen",
        Text(80),
        Some("\"\""),
        "\"192.0.2.5:8421\"",
        "Address to serve them on; empty turns it off. Whoever can reach it may read the names of lines and receivers.",
    ),
    key("analyzer", "id", Text(16), None, "\"bench-1\"", "Its name: letters, digits and hyphens."),
    key(
        "analyzer",
        "line",
        Text(200),
        None,
        "\"serial:/dev/serial/by-path/EXAMPLE\"",
        "serial:PATH, tcp:HOST:PORT (we connect), rfc2217:HOST:PORT (we connect, and set the port there) or \
         listen:HOST:PORT (it connects).",
    ),
    key(
        "analyzer",
        "speed",
        Whole(300, 115_200),
        Some("9600"),
        "",
        "Bits per second of a serial or rfc2217 line: 300, 1200, 2400, 4800, 9600, 19200, 38400, 57600 or 115200.",
    ),
    key(
        "analyzer",
        "framing",
        OneOf(&["8N1", "7E1", "7O1", "8E1", "8O1"]),
        Some("\"8N1\""),
        "",
        "Data bits, parity, stop bits.",
    ),
    key(
        "analyzer",
        "flow",
        OneOf(&["none", "rts-cts", "xon-xoff"]),
        Some("\"none\""),
        "",
        "Flow control. The standard cable has no RTS and CTS.",
    ),
    key(
        "analyzer",
        "dtr",
        OneOf(&["leave", "on", "off"]),
        Some("\"leave\""),
        "",
        "What DTR is set to when a serial or rfc2217 line is opened. The system itself raises it there.",
    ),
    key(
        "analyzer",
        "rts",
        OneOf(&["leave", "on", "off"]),
        Some("\"leave\""),
        "",
        "The same of RTS. With flow = \"rts-cts\" the port moves it itself.",
    ),
    key(
        "analyzer",
        "tee",
        Text(400),
        Some("\"\""),
        "\"listen:127.0.0.1:4010\"",
        "A copy of what it says, for a second program: file:PATH, tcp:HOST:PORT (we connect) or listen:HOST:PORT (a \
         program of this machine connects). Patients' results as they were heard; never in the way of the line.",
    ),
    key(
        "analyzer",
        "hours",
        Texts,
        Some("[]"),
        "[\"Mo-Fr 07:00-19:00\", \"Sa 08:00-12:00\"]",
        "Working hours in the site's zone: only then silence is told, after `silent_minutes`. Without them it is \
         judged by the same hours of the three weeks before.",
    ),
    key(
        "analyzer",
        "silent_minutes",
        Whole(1, 10_080),
        Some("120"),
        "",
        "Minutes without a report, within `hours`, after which it is called silent.",
    ),
    key(
        "analyzer",
        "dialect",
        Text(400),
        None,
        "\"lis02\"",
        "How it writes: a built-in (lis02, two-column, three-field, wide-label, ticket) or the path of a dialect file.",
    ),
    key(
        "analyzer",
        "strip",
        Text(400),
        Some("\"ten-pad\""),
        "",
        "Which strip it reads: a built-in (ten-pad, eleven-pad, twelve-pad, fourteen-pad) or the path of a strip file.",
    ),
    key(
        "analyzer",
        "strips",
        Texts,
        Some("[]"),
        "",
        "Further strips, chosen by the name that the print gives (LIS02 O-5).",
    ),
    key(
        "analyzer",
        "units",
        OneOf(&["conventional", "si"]),
        Some("\"conventional\""),
        "",
        "The unit system that this analyzer is set to print.",
    ),
    key(
        "analyzer",
        "allow",
        Texts,
        Some("[]"),
        "[\"192.0.2.31\"]",
        "For listen: addresses that may connect; required off loopback.",
    ),
    key(
        "analyzer",
        "sender",
        Text(60),
        Some("\"\""),
        "\"STRIP1\"",
        "What LIS02 H-5 must say, {serial} where the instrument's serial number stands; empty: not compared.",
    ),
    key(
        "analyzer",
        "serial",
        Text(20),
        Some("\"\""),
        "\"A-20417\"",
        "Its serial number: stands behind our name for it in OBX-18, from version 2.4 on.",
    ),
    key(
        "analyzer",
        "model",
        Text(20),
        Some("\"\""),
        "\"STRIP-2\"",
        "Its model: the namespace of its serial number, with that at most 22 characters.",
    ),
    key(
        "analyzer",
        "control_marks",
        Texts,
        Some("[]"),
        "[\"Q1=1\", \"Q2=2\"]",
        "Leading marks of the number that mean control material, each with its level.",
    ),
    key(
        "analyzer",
        "control_specimens",
        Texts,
        Some("[]"),
        "[\"QC-L1*=1\", \"QC-L2*=2\"]",
        "Specimen ids that mean control material, each with its level.",
    ),
    key(
        "analyzer",
        "stat_marks",
        Texts,
        Some("[]"),
        "[\"S\"]",
        "Leading marks of the number that mean urgent work.",
    ),
    key(
        "analyzer",
        "controls",
        OneOf(&["marked", "none"]),
        Some("\"marked\""),
        "",
        "\"none\": no control material is ever run here, so that no control sign is needed.",
    ),
    key(
        "analyzer",
        "compare_marks",
        Switch,
        Some("true"),
        "",
        "Hold a report whose abnormal mark disagrees with our own flag.",
    ),
];

/// The keys of one table.
pub fn of_table(table: &str) -> impl Iterator<Item = &'static Key> {
    let all = KEYS
        .iter()
        .chain(laboratory::KEYS)
        .chain(receiver::KEYS)
        .chain(source::KEYS)
        .chain(alarm::KEYS)
        .chain(care::KEYS);
    all.filter(move |k| k.table == table)
}

/// What stands above a table in a commented file.
fn heading(about: &str) -> String {
    format!("\n# {about}\n")
}

/// A commented file with these values alone, `value_of(table, key)` each as TOML: every other key has its default.
#[must_use]
pub fn commented_with(value_of: impl Fn(&str, &str) -> Option<String>) -> String {
    let mut text = String::new();
    for (table, list, about) in TABLES {
        let lines: String = of_table(table)
            .filter_map(|key| Some((key, value_of(table, key.name)?)))
            .map(|(key, value)| format!("{}{} = {value}\n", key.comment(), key.name))
            .collect();
        if !lines.is_empty() {
            let header = if *list { format!("[[{table}]]") } else { format!("[{table}]") };
            text.push_str(&format!("{}{header}\n{lines}", heading(about)));
        }
    }
    text
}

/// The commented file, whole: what `config/wickline.toml` must be.
#[must_use]
pub fn commented_file() -> String {
    let mut text = String::from(
        "# Wickline: every key, with what it means, what is allowed and its default.\n\
         # Written by the program's own table of keys; a test keeps it so. A key that stands behind\n\
         # `#` shows its default or an example; the others must be given. Keys of single tables can\n\
         # be overridden from the environment as WICKLINE__SECTION__KEY.\n",
    );
    for (table, list, about) in TABLES {
        text.push_str(&heading(about));
        let off = if OPTIONAL.contains(table) { "# " } else { "" };
        let header = if *list { format!("[[{table}]]\n") } else { format!("[{table}]\n") };
        text.push_str(&format!("{off}{header}"));
        for key in of_table(table) {
            text.push_str(&key.comment());
            let value =
                if key.example.is_empty() { key.default.unwrap_or("") } else { key.example };
            match key.default {
                None => text.push_str(&format!("{off}{} = {value}\n", key.name)),
                Some(default) if default != value => {
                    text.push_str(&format!("# {} = {value}   # default: {default}\n", key.name));
                }
                Some(_) => text.push_str(&format!("# {} = {value}\n", key.name)),
            }
        }
        if *table == "reference" {
            text.push_str("# PH = \"5.0-8.0\"\n# SG = \"1.003-1.030\"\n# GLU = \"NEG\"\n# ALB = \"0-2.5 mg/dL, 0-25 mg/L\"\n");
        }
    }
    text
}
