//! The questions, in their order: each with its option, its words and the key that its answer goes to.

use super::Options;

/// What has to be done for an answer beyond typing it.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum What {
    /// Typed, and that is all.
    Plain,
    /// Serial ports are listed.
    Line,
    /// Of lines on which the analyzer connects.
    Allow,
    /// Found by listening, of serial lines.
    Speed,
    /// Tried on what was heard.
    Dialect,
    Strip,
    Printed,
    /// Of control material: a list, or that none is run.
    Controls,
    /// Perhaps a folder.
    Address,
    /// A folder, for two keys.
    Stores,
}

/// One question.
#[derive(Clone, Copy, Debug)]
pub struct Step {
    pub what: What,
    pub flag: &'static str,
    pub words: &'static str,
    pub key: (&'static str, &'static str),
    /// What it is where nobody says otherwise; None: it must be said.
    pub usual: Option<&'static str>,
}

const fn step(
    what: What,
    flag: &'static str,
    key: (&'static str, &'static str),
    usual: Option<&'static str>,
    words: &'static str,
) -> Step {
    Step { what, flag, words, key, usual }
}

use What::{Address, Allow, Controls, Dialect, Line, Plain, Printed, Speed, Stores, Strip};

/// All of them.
pub const STEPS: &[Step] = &[
    step(
        Plain,
        "--site-name",
        ("site", "name"),
        None,
        "name of the laboratory, as it stands on sheets",
    ),
    step(
        Plain,
        "--short",
        ("site", "short"),
        None,
        "its short name, as the LIS knows the sender (MSH-4)",
    ),
    step(Plain, "--timezone", ("site", "timezone"), None, "time zone of the analyzer's clock"),
    step(Plain, "--analyzer", ("analyzer", "id"), Some("bench-1"), "our name for the analyzer"),
    step(Line, "--line", ("analyzer", "line"), None, "line of the analyzer"),
    step(
        Allow,
        "--allow",
        ("analyzer", "allow"),
        Some(""),
        "addresses that may connect, with commas between",
    ),
    step(Speed, "--speed and --framing", ("analyzer", "speed"), None, "speed and framing"),
    step(Dialect, "--dialect", ("analyzer", "dialect"), None, "dialect"),
    step(Strip, "--strip", ("analyzer", "strip"), None, "strip"),
    step(
        Printed,
        "--printed",
        ("analyzer", "units"),
        None,
        "unit system that the analyzer is set to print: conventional or si",
    ),
    step(
        Controls,
        "--controls",
        ("analyzer", "control_specimens"),
        None,
        "specimen ids of control material, each with its level (QC-L1*=1, QC-L2*=2); none: it is never run here",
    ),
    step(Plain, "--receiver", ("receiver", "id"), Some("lis"), "our name for the receiver"),
    step(
        Address,
        "--address",
        ("receiver", "address"),
        None,
        "its address: mllp://HOST:PORT, mllps://HOST:PORT or dir:/PATH",
    ),
    step(
        Plain,
        "--hl7",
        ("receiver", "version"),
        Some("2.5.1"),
        "HL7 version it wants: 2.3.1, 2.4, 2.5 or 2.5.1",
    ),
    step(
        Plain,
        "--application",
        ("receiver", "application"),
        Some("LIS"),
        "its name as an application (MSH-5)",
    ),
    step(Plain, "--facility", ("receiver", "facility"), Some(""), "its facility (MSH-6)"),
    step(
        Plain,
        "--units",
        ("receiver", "units"),
        None,
        "unit system that the receiver wants: conventional or si",
    ),
    step(
        Plain,
        "--console",
        ("console", "listen"),
        Some(""),
        "address of the console, such as 127.0.0.1:8420; empty turns it off",
    ),
    step(
        Plain,
        "--test-specimen",
        ("site", "prove_specimen"),
        Some("TEST-PROVE"),
        "specimen id of test messages, which no patient may have",
    ),
    step(Stores, "--stores", ("store", "tape"), None, "folder of tape and ledger"),
];

impl Step {
    /// What the command line says.
    pub fn given(&self, options: &Options) -> Option<String> {
        let text = match self.flag {
            "--site-name" => &options.site_name,
            "--short" => &options.short,
            "--timezone" => &options.timezone,
            "--analyzer" => &options.analyzer,
            "--line" => &options.line,
            "--allow" => &options.allow,
            "--dialect" => &options.dialect,
            "--strip" => &options.strip,
            "--printed" => &options.printed,
            "--controls" => &options.controls,
            "--receiver" => &options.receiver,
            "--address" => &options.address,
            "--hl7" => &options.hl7,
            "--application" => &options.application,
            "--facility" => &options.facility,
            "--units" => &options.units,
            "--console" => &options.console,
            "--test-specimen" => &options.test_specimen,
            "--stores" => &options.stores,
            _ => {
                let (speed, framing) = (options.speed.as_ref()?, options.framing.as_ref()?);
                return Some(format!("{speed} {framing}"));
            }
        };
        text.clone()
    }
}
