//! The package's own scripts, in a root of their own (`DPKG_ROOT` of dpkg): a purge takes no result.

use std::path::{Path, PathBuf};
use std::process::Command;

use crate::backup::files;
use crate::kit::{Daemon, Folder, ask, binary, configuration};
use crate::set_back::{receiver, run_strips, sent, strips, unlike};
use crate::way::{gather, runtime};

/// Where the package puts things, below a root.
const CONFIGURATION: &str = "etc/wickline";
const STATE: &str = "var/lib/wickline";

/// A root with a configuration whose stores stand where the package's do.
fn root(name: &str, address: &str) -> (Folder, PathBuf) {
    let root = Folder::new(name);
    for folder in [CONFIGURATION, STATE] {
        std::fs::create_dir_all(root.0.join(folder)).expect("a folder");
    }
    let config = configured(&root, address);
    (root, config)
}

fn configured(root: &Folder, address: &str) -> PathBuf {
    std::fs::create_dir_all(root.0.join(CONFIGURATION)).expect("a folder");
    let state = root.0.join(STATE).display().to_string();
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", address, "");
    let text = text.replace("tape.db", &format!("{state}/tape.db"));
    let text = text.replace("ledger.db", &format!("{state}/ledger.db"));
    root.write(&format!("{CONFIGURATION}/wickline.toml"), &text)
}

/// What the script says that dpkg runs before the package is removed.
fn removed(root: &Folder) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/debian/prerm");
    let folder = Path::new(binary()).parent().expect("a folder").display();
    let path = format!("{folder}:{}", std::env::var("PATH").unwrap_or_default());
    let words = Command::new("sh")
        .arg(script)
        .arg("remove")
        .env("DPKG_ROOT", &root.0)
        .env("PATH", path)
        .output();
    let output = words.expect("a shell");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("text")
}

/// What the script says that dpkg runs when the package is purged.
fn purged(root: &Folder) -> String {
    let script = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/debian/postrm");
    let output = Command::new("sh").arg(script).arg("purge").env("DPKG_ROOT", &root.0).output();
    let output = output.expect("a shell");
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("text")
}

/// Results wait: nobody had them yet. After the purge they are there, told, and go out once it is installed again.
#[test]
fn a_purge_leaves_what_was_heard_and_says_so() {
    runtime().block_on(async {
        let mut receiver = receiver().await;
        let (root, config) = root("purged", "mllp://127.0.0.1:1");
        let mut daemon = Daemon::start(&config);
        run_strips(&mut daemon, &strips(1, 3)).await;
        assert_eq!(daemon.stop(), 0);
        assert_eq!(ask(&config, &["queue"])["totals"]["waiting"], 3);
        let state = root.0.join(STATE);
        let before = files(&state);
        assert!(
            removed(&root)
                .contains("3 result message(s) wait for their receiver and 0 were refused")
        );
        assert!(
            removed(&root).contains(", and 0 report(s) are held for a person"),
            "{}",
            removed(&root)
        );
        let told = purged(&root);
        assert_eq!(files(&state), before, "nothing of it was touched");
        assert!(!root.0.join(CONFIGURATION).exists(), "the configuration is gone");
        assert!(told.contains("/var/lib/wickline stays: "), "{told}");
        assert!(told.contains("rm -r /var/lib/wickline\n"), "{told}");
        assert!(!told.contains("/var/backups"), "there are none: {told}");
        // Installed again.
        let config = configured(&root, &format!("mllp://{}", receiver.address()));
        let mut daemon = Daemon::start(&config);
        let mut got = sent(&mut daemon, &mut receiver, &strips(4, 2)).await;
        let all = || ask(&config, &["queue"])["totals"]["accepted"] == 5;
        gather(&mut receiver, &mut got, all).await;
        assert_eq!(got.len(), 5);
        unlike(&got);
        assert_eq!(daemon.stop(), 0);
    });
}

/// A report that is held is a result that nobody has, though nothing waits in a queue.
#[test]
fn who_removes_the_package_is_told_of_held_reports() {
    runtime().block_on(async {
        let (root, config) = root("removed-held", "dir:out");
        assert!(removed(&root).contains("could not be seen"), "there is no ledger yet");
        let mut daemon = Daemon::start(&config);
        let nothing = removed(&root);
        assert!(!nothing.contains("result message(s)"), "{nothing}");
        let mut blank = strips(1, 2);
        blank.run.iter_mut().for_each(|run| run.specimen.clear());
        run_strips(&mut daemon, &blank).await;
        crate::kit::until(|| ask(&config, &["held"])["totals"]["held"] == 2);
        assert_eq!(daemon.stop(), 0);
        let told = removed(&root);
        let words = "0 result message(s) wait for their receiver and 0 were refused, and 2 report(s) are held for a";
        assert!(told.contains(words), "{told}");
    });
}

/// Before anything was ever started nothing is left; a store beside the configuration keeps its folder.
#[test]
fn a_purge_takes_what_holds_no_result_alone() {
    let (fresh, _) = root("purged-fresh", "dir:out");
    std::fs::create_dir_all(fresh.0.join("var/backups/wickline")).expect("a folder");
    let told = purged(&fresh);
    let left = std::fs::read_dir(fresh.0.join("var/lib")).expect("a folder").count();
    assert_eq!((left, fresh.0.join(CONFIGURATION).exists()), (0, false), "{told}");
    assert!(!told.contains(" stays: "), "{told}");
    assert!(!fresh.0.join("var/backups/wickline").exists(), "an empty folder of backups goes");
    // A configuration that is none keeps nothing from going.
    let broken = Folder::new("removed-broken");
    std::fs::create_dir_all(broken.0.join(CONFIGURATION)).expect("a folder");
    broken.write(&format!("{CONFIGURATION}/wickline.toml"), "[nothing");
    assert!(removed(&broken).contains("could not be seen"));

    let (beside, config) = root("purged-beside", "dir:out");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    beside.write(&format!("{CONFIGURATION}/wickline.toml"), &text);
    assert_eq!(Daemon::start(&config).stop(), 0);
    let before = files(&beside.0.join(CONFIGURATION));
    let told = purged(&beside);
    assert_eq!(files(&beside.0.join(CONFIGURATION)), before);
    assert!(told.contains("/etc/wickline stays: "), "{told}");
}
