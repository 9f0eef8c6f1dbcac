//! `check` is run by root and judges for the service: what that user may not open is named with its cause.

use std::os::unix::fs::{PermissionsExt, chown};
use std::path::Path;

use crate::kit::{Daemon, Folder, configuration, run, skipped};

/// A user of every Debian, in a group of its own.
const USER: &str = "nobody";
const UID: u32 = 65_534;

fn is_root() -> bool {
    let root = rustix::process::geteuid().is_root();
    if !root {
        skipped("root", "only root can give files to others");
    }
    root
}

fn mode(path: &Path, mode: u32) {
    std::fs::set_permissions(path, std::fs::Permissions::from_mode(mode)).expect("its mode is set");
}

fn give(path: &Path) {
    chown(path, Some(UID), Some(UID)).expect("root may");
}

/// What is bad for the user, with the exit code.
fn bad(config: &Path) -> Vec<String> {
    let done = run(config, &["check", "--offline", "--user", USER]);
    let said = String::from_utf8_lossy(&done.stdout).into_owned();
    let bad: Vec<String> =
        said.lines().filter(|line| line.starts_with("bad")).map(str::to_owned).collect();
    assert_eq!(done.status.code(), Some(if bad.is_empty() { 0 } else { 3 }), "{said}");
    assert!(said.contains(&format!("judged for {USER} (groups ")), "{said}");
    bad
}

#[test]
fn each_thing_that_the_service_may_not_open_is_named_with_its_cause() {
    if !is_root() {
        return;
    }
    let folder = Folder::new("rights");
    let reactor = crate::way::runtime();
    let _inside = reactor.enter();
    let (_port, line) = crate::way::pty();
    let node = Path::new(line.strip_prefix("serial:").expect("a pseudo-terminal"));
    mode(node, 0o660);
    chown(node, Some(0), Some(5)).expect("root may");
    let text = configuration(&line, "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    std::fs::create_dir(folder.0.join("out")).expect("a folder");
    mode(&config, 0o640);
    mode(&folder.0, 0o755);
    let one = |word: &[&str]| {
        let bad = bad(&config);
        let hit = bad.iter().find(|line| word.iter().all(|word| line.contains(word)));
        assert!(hit.is_some(), "{word:?}: {bad:?}");
        bad.len()
    };
    // Root's folder, root's configuration, root's receiver, another group's device.
    one(&["configuration", "belongs to root:root, mode 0640", "chown nobody:"]);
    one(&["store.tape", "belongs to root:root, mode 0755", "may not make files in it"]);
    one(&["receiver lis", "/out", "may not make files in it"]);
    one(&["analyzer bench-1", "the group tty may", "usermod -aG tty nobody"]);
    give(&config);
    give(&folder.0);
    give(&folder.0.join("out"));
    assert_eq!(one(&["analyzer bench-1", "SupplementaryGroups="]), 1, "nothing else is left");
    mode(node, 0o666);
    assert_eq!(bad(&config), Vec::<String>::new());
    // A store that root made by hand, and one in a folder that cannot be entered.
    let ledger = folder.0.join("ledger.db");
    std::fs::write(&ledger, "").expect("written");
    mode(&ledger, 0o600);
    assert_eq!(one(&["store.ledger", "belongs to root:root, mode 0600", "read and write it"]), 1);
    std::fs::remove_file(&ledger).expect("removed");
    let inner = folder.0.join("inner");
    std::fs::create_dir(&inner).expect("a folder");
    mode(&inner, 0o700);
    std::fs::create_dir(inner.join("deep")).expect("a folder");
    give(&inner.join("deep"));
    folder.write("wickline.toml", &text.replace("sqlite:ledger.db", "sqlite:inner/deep/ledger.db"));
    one(&["store.ledger", "the folder", "/inner belongs to root:root", "may not enter it"]);
}

#[test]
fn a_line_is_a_terminal() {
    let folder = Folder::new("no-terminal");
    let file = folder.write("port", "");
    for path in [file.as_path(), Path::new("/dev/null")] {
        let line = format!("serial:{}", path.display());
        let text = configuration(&line, "lis02", "ten-pad", "dir:out", "");
        let config = folder.write("wickline.toml", &text);
        let done = run(&config, &["check", "--offline"]);
        let said = String::from_utf8_lossy(&done.stdout).into_owned();
        assert_eq!(done.status.code(), Some(3), "{said}");
        assert!(said.contains("bad   analyzer bench-1") && said.contains("no terminal"), "{said}");
    }
}

/// Root starts it once by hand: the service can still start afterwards.
#[test]
fn what_root_makes_in_the_service_s_folder_is_the_service_s() {
    use std::os::unix::fs::MetadataExt;
    if !is_root() {
        return;
    }
    let folder = Folder::new("by-root");
    std::fs::create_dir(folder.0.join("state")).expect("a folder");
    give(&folder.0.join("state"));
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "")
        .replace("tape.db", "state/tape.db")
        .replace("ledger.db", "state/ledger.db")
        .replace("ballast_mib = 0", "ballast_mib = 1");
    let config = folder.write("wickline.toml", &text);
    let daemon = Daemon::start(&config);
    let owners = || {
        let entries = std::fs::read_dir(folder.0.join("state")).expect("a folder").flatten();
        let owner = |path: &Path| std::fs::metadata(path).map(|found| found.uid()).ok();
        let all = entries.map(|entry| (entry.file_name(), owner(&entry.path())));
        all.collect::<Vec<_>>()
    };
    let made = owners();
    assert!(made.len() >= 7, "tape, ledger, their logs, locks and ballast: {made:?}");
    assert!(made.iter().all(|(_, uid)| *uid == Some(UID)), "{made:?}");
    assert_eq!(daemon.stop(), 0);
}

#[test]
fn a_user_that_is_not_there_is_told() {
    let folder = Folder::new("nobody");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    let done = run(&config, &["check", "--offline", "--user", "no-such-user"]);
    assert_eq!(done.status.code(), Some(2));
    assert!(String::from_utf8_lossy(&done.stderr).contains("there is no such user here"));
}

/// What root is refused is asked about at night: the guide has the very words, and what to do.
#[test]
fn what_root_may_not_write_stands_in_the_guide_as_it_is_said() {
    if !is_root() {
        return;
    }
    let folder = Folder::new("rights-root");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    assert_eq!(Daemon::start(&config).stop(), 0);
    let guide = std::fs::read_to_string(
        Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/README.md"),
    );
    let guide = guide.expect("the guide");
    let rule = guide.split("### Files that root writes").nth(1).expect("a section of its own");
    let (file, place) = (folder.0.join("page"), folder.0.join("place"));
    std::fs::write(&file, "theirs").expect("written");
    std::fs::create_dir(&place).expect("a folder");
    for path in [&file, &place] {
        chown(path, Some(1000), Some(1000)).expect("root may");
        std::os::unix::fs::symlink(path, path.with_extension("link")).expect("linked");
    }
    let shown = |path: &Path| path.display().to_string();
    for (words, path, says) in [
        ("bundle", shown(&file), "belongs to the user 1000, who could read what root puts there"),
        ("bundle", shown(&file.with_extension("link")), "is a link: name the file itself"),
        (
            "backup",
            shown(&place),
            "belongs to the user 1000, who could read or exchange what root puts there",
        ),
        ("backup", shown(&place.with_extension("link")), "is a link: name the folder itself"),
    ] {
        let done = run(&config, &[words, &path]);
        let said = String::from_utf8_lossy(&done.stderr).into_owned();
        assert_eq!(done.status.code(), Some(3), "{said}");
        assert!(said.contains(says), "{says}: {said}");
        assert!(rule.contains(&format!("| `{says}` |")), "{says}");
    }
    assert_eq!(std::fs::read_to_string(&file).ok().as_deref(), Some("theirs"));
}

/// Whoever lays a configuration where root works does not choose what root runs; and a folder that is closed to the
/// service hides the system's configuration from nobody.
#[test]
fn a_configuration_that_lies_there_is_taken_from_its_owner_alone() {
    use std::os::unix::process::CommandExt;
    if !is_root() {
        return;
    }
    let folder = Folder::new("laid-there");
    let text = configuration("listen:127.0.0.1:0", "lis02", "ten-pad", "dir:out", "");
    let config = folder.write("wickline.toml", &text);
    mode(&folder.0, 0o755);
    give(&config);
    let asks = |as_user: bool| {
        let mut command = std::process::Command::new(crate::kit::binary());
        command.current_dir(&folder.0).args(["check", "--offline"]).env_remove("WICKLINE_CONFIG");
        if as_user {
            command.uid(UID).gid(UID);
        }
        let done = command.output().expect("it can be run");
        let said = [done.stdout, done.stderr].concat();
        (done.status.code(), String::from_utf8_lossy(&said).into_owned())
    };
    let (code, said) = asks(false);
    assert_eq!(code, Some(2), "{said}");
    assert!(said.contains("belongs to user 65534") && said.contains("--config"), "{said}");
    let (_, said) = asks(true);
    assert!(!said.contains("belongs to user"), "its own: {said}");
    // As root's folder is to the service.
    mode(&folder.0, 0o700);
    chown(&folder.0, Some(0), Some(0)).expect("root may");
    let closed = run_closed(&folder.0);
    assert!(!closed.contains("Permission denied"), "{closed}");
}

/// What the program says to a user in a folder that is closed to them.
fn run_closed(folder: &Path) -> String {
    let words = format!(
        "cd {} && exec setpriv --reuid {UID} --regid {UID} --clear-groups {} check --offline",
        folder.display(),
        crate::kit::binary()
    );
    let done = std::process::Command::new("sh").args(["-c", &words]).output().expect("a shell");
    String::from_utf8_lossy(&[done.stdout, done.stderr].concat()).into_owned()
}
