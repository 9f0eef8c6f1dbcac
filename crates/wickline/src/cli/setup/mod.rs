//! `setup`: one old computer beside the analyzer, an unlabelled cable and no time. It asks, listens, writes a commented
//! configuration, checks it, tries one test message and starts the service.
//!
//! Until everything is answered nothing is written. Whatever is found by listening is shown with what speaks for it,
//! and a person says whether it is so.

mod finish;
mod hearing;
mod interview;
mod ports;
mod steps;

use std::path::{Path, PathBuf};

use clap::Args;

use self::finish::Agreed;
use self::interview::Interview;
use super::output::Output;
use super::person::can_ask;
use super::{Answer, Failure};
use crate::settings;

/// Where the package has its configuration.
const OF_THE_PACKAGE: &str = "/etc/wickline/wickline.toml";

/// `wickline setup`, `wickline setup --yes --site-name "Kestrel Point Clinic" ...`
#[derive(Debug, Args)]
pub struct Options {
    /// The laboratory's name, for sheets
    #[arg(long, value_name = "NAME")]
    site_name: Option<String>,
    /// Its short name: MSH-4, at most 20 characters
    #[arg(long, value_name = "NAME")]
    short: Option<String>,
    /// IANA name of the zone of the analyzer's clock [default: this machine's]
    #[arg(long, value_name = "ZONE")]
    timezone: Option<String>,
    /// Our name for the analyzer [default: bench-1]
    #[arg(long, value_name = "ID")]
    analyzer: Option<String>,
    /// serial:PATH (or just the path), tcp:HOST:PORT, rfc2217:HOST:PORT or listen:ADDRESS:PORT
    #[arg(long)]
    line: Option<String>,
    /// Addresses that may connect to a listen: line, with commas between
    #[arg(long, value_name = "ADDRESSES")]
    allow: Option<String>,
    /// Bits a second of a serial line
    #[arg(long, requires = "framing")]
    speed: Option<String>,
    /// 8N1, 7E1, 7O1, 8E1 or 8O1
    #[arg(long, requires = "speed")]
    framing: Option<String>,
    /// A report that was kept with `listen --save`, instead of listening
    #[arg(long, value_name = "FILE")]
    capture: Vec<PathBuf>,
    /// A shipped dialect, or the path of a file beside the configuration
    #[arg(long)]
    dialect: Option<String>,
    /// A shipped strip, or the path of a file beside the configuration
    #[arg(long)]
    strip: Option<String>,
    /// The unit system that the analyzer prints: conventional or si
    #[arg(long, value_name = "UNITS")]
    printed: Option<String>,
    /// Specimen ids of control material, each with its level (QC-L1*=1, QC-L2*=2); none: it is never run here
    /// [default: as the print itself marks it, where it does]
    #[arg(long, value_name = "IDS")]
    controls: Option<String>,
    /// Our name for the receiver [default: lis]
    #[arg(long, value_name = "ID")]
    receiver: Option<String>,
    /// mllp://HOST:PORT, mllps://HOST:PORT or dir:/PATH
    #[arg(long)]
    address: Option<String>,
    /// Version of the messages: 2.3.1, 2.4, 2.5 or 2.5.1 [default: 2.5.1]
    #[arg(long, value_name = "VERSION")]
    hl7: Option<String>,
    /// MSH-5 [default: LIS]
    #[arg(long, value_name = "NAME")]
    application: Option<String>,
    /// MSH-6 [default: empty]
    #[arg(long, value_name = "NAME")]
    facility: Option<String>,
    /// The unit system that the receiver wants: conventional or si
    #[arg(long)]
    units: Option<String>,
    /// Address of the console, such as 127.0.0.1:8420 [default: none]
    #[arg(long, value_name = "ADDRESS")]
    console: Option<String>,
    /// Specimen id of test messages, which no patient may have [default: TEST-PROVE]
    #[arg(long, value_name = "ID")]
    test_specimen: Option<String>,
    /// Folder of tape and ledger, by its whole path [default: /var/lib/wickline for the package's configuration, else
    /// beside it]
    #[arg(long, value_name = "DIR")]
    stores: Option<String>,
    /// How long each try of listening waits
    #[arg(long, value_name = "SECONDS", default_value_t = 30,
        value_parser = clap::value_parser!(u64).range(1..=3600))]
    wait: u64,
    /// Ask nothing: what has no default must be given
    #[arg(long)]
    yes: bool,
    /// A configuration that is there is moved aside, under its name with the date behind it
    #[arg(long)]
    replace: bool,
    /// Send one test message (MSH-11 T); they know of it at the receiver
    #[arg(long)]
    test_message: bool,
    /// Enable and start the unit, at each start of the machine too (root, with systemd); not where something is bad
    /// but that a receiver does not answer, whose results wait
    #[arg(long)]
    enable: bool,
}

pub async fn setup(config: Option<PathBuf>, options: Options, out: &Output) -> Answer {
    let file = place(config);
    let old = read(&file)?;
    let asks = !options.yes && can_ask(out);
    if old.is_some() && !asks && !options.replace {
        return Err(Failure::wrong(format!(
            "{} is there already: with --replace it is moved aside under a dated name",
            file.display()
        )));
    }
    let mut prints = Vec::new();
    for path in &options.capture {
        let failed = |e| Failure::unreachable(format!("reading {}: {e}", path.display()));
        prints.push(std::fs::read(path).map_err(failed)?);
    }
    let mut interview = Interview::new(&options, out, &file, prints, asks);
    loop {
        interview.all().await?;
        let found = interview.found();
        match finish::agreed(&file, old.as_deref(), &found, asks)? {
            Agreed::Yes => {
                return finish::finish(&options, &file, old.as_deref(), &found, asks, out).await;
            }
            Agreed::No => return Err(Failure::wrong("nothing was written")),
            Agreed::Back => interview.back(),
        }
    }
}

/// The one that every other command would find; else the package's for root, and here for anybody else.
fn place(config: Option<PathBuf>) -> PathBuf {
    settings::find(config.as_deref()).unwrap_or_else(|_| {
        let package = Path::new(OF_THE_PACKAGE);
        let folder = package.parent().is_some_and(Path::is_dir);
        let root = rustix::process::geteuid().is_root();
        if root && folder { package.to_owned() } else { PathBuf::from("wickline.toml") }
    })
}

/// What stands there. None: nothing does.
fn read(file: &Path) -> Result<Option<Vec<u8>>, Failure> {
    match std::fs::read(file) {
        Ok(bytes) => Ok(Some(bytes)),
        Err(error) if error.kind() == std::io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(Failure::unreachable(format!("reading {}: {error}", file.display()))),
    }
}
