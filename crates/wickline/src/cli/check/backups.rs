//! Whether results are backed up: the last backup, and the folder that the nightly unit writes into.

use std::path::PathBuf;

use super::account::{installed, is_wanted};
use super::{Finding, Level, finding};
use crate::backup::made_for;
use crate::settings::bench::Bench;
use crate::sheet::now::one_line;
use crate::store::StoreError;
use crate::store::ledger::Ledger;

const ABOUT: &str = "store";
const TIMER: &str = "wickline-backup.timer";
const ONE_NOW: &str = "`systemctl start wickline-backup.service`";

/// Nobody is woken for a backup that was never wanted.
pub(super) async fn backups(
    bench: &Bench,
    ledger: &Ledger,
    found: &mut Vec<Finding>,
) -> Result<(), StoreError> {
    let mut heard = false;
    for analyzer in &bench.analyzers {
        heard |= ledger.last_report(&analyzer.id).await?.is_some();
    }
    let never = ledger.last_backup().await?.is_none();
    let lacking = Nightly::installed().filter(Nightly::lacks_its_folder).map(|unit| unit.make());
    if let Some(failed) = ledger.backup_failed().await? {
        let (at, why) = (bench.clock.rfc3339(failed.at), failed.reason.unwrap_or_default());
        let text = one_line(&format!(
            "the last backup, of {at} by {}, failed: {why}. Mend that; the next good one lifts this: {ONE_NOW}",
            failed.who
        ));
        found.push(finding(Level::Stale, ABOUT, text));
    } else if heard && never {
        let (into, first) = match &lacking {
            None => (", a folder that the package has made for its user", String::new()),
            Some(make) => ("", format!("; first make that folder, {make}")),
        };
        let text = format!(
            "no backup of ledger and tape was ever made: `systemctl enable --now {TIMER}` makes one every night, into \
             /var/backups/wickline{into}{first}"
        );
        found.push(finding(Level::Note, ABOUT, text));
    }
    if let Some(make) = lacking.filter(|_| is_wanted(TIMER)) {
        let text =
            format!("the nightly backup will fail, for its folder is not there: make it, {make}");
        found.push(finding(Level::Stale, ABOUT, text));
    }
    Ok(())
}

/// What of the nightly unit says into which folder it writes, and as whom.
#[derive(Debug, Default, PartialEq, Eq)]
struct Nightly {
    folder: PathBuf,
    user: String,
    group: String,
}

impl Nightly {
    fn installed() -> Option<Self> {
        let (_, texts) = installed("wickline-backup.service")?;
        Self::of(&texts)
    }

    /// Of the unit's text and its drop-ins'. None: it does something else than `backup FOLDER`.
    fn of(texts: &[String]) -> Option<Self> {
        let mut unit = Self { user: "root".into(), group: "root".into(), ..Self::default() };
        let settings = texts.iter().flat_map(|text| text.lines());
        for (key, value) in settings.filter_map(|line| line.trim().split_once('=')) {
            match key.trim() {
                "User" => unit.user = value.trim().to_owned(),
                "Group" => unit.group = value.trim().to_owned(),
                "ExecStart" => {
                    let behind =
                        value.rsplit_once(" backup ").map_or("", |(_, folder)| folder.trim());
                    unit.folder = PathBuf::from(behind);
                }
                _ => {}
            }
        }
        unit.folder.is_absolute().then_some(unit)
    }

    fn lacks_its_folder(&self) -> bool {
        let found = std::fs::metadata(&self.folder);
        found.is_err_and(|error| error.kind() == std::io::ErrorKind::NotFound)
    }

    fn make(&self) -> String {
        made_for(&self.folder, &self.user, &self.group)
    }
}

#[cfg(test)]
mod tests {
    use super::Nightly;

    /// The unit as it is shipped, in a machine where its folder is not there; the command is the guide's.
    #[test]
    fn a_nightly_unit_without_its_folder_is_told_with_the_command_of_the_guide() {
        let root = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy");
        let read = |name: &str| std::fs::read_to_string(root.join(name)).expect("it is there");
        let shipped = read("wickline-backup.service");
        let unit = Nightly::of(std::slice::from_ref(&shipped)).expect("a folder");
        let command = "`install -d -m 0700 -o wickline -g wickline /var/backups/wickline`";
        assert_eq!(unit.make(), format!("as root: {command}"));
        assert!(read("README.md").contains(command));
        let own = crate::testing::scratch("nightly").join("copies");
        let drop_in = format!(
            "[Service]\nExecStart=\nExecStart=/usr/bin/wickline backup {}\n",
            own.display()
        );
        let unit = Nightly::of(&[shipped.clone(), drop_in]).expect("a folder");
        assert_eq!((&unit.folder, unit.lacks_its_folder()), (&own, true));
        std::fs::create_dir(&own).expect("made");
        assert!(!unit.lacks_its_folder());
        let another = "[Service]\nExecStart=\nExecStart=/usr/local/bin/copies\n".to_owned();
        assert_eq!(Nightly::of(&[shipped, another]), None);
    }
}
