//! Which serial ports this machine has: each by a name that stays, what it is, and who has it at present.
//!
//! Nothing is opened: opening raises DTR, and some analyzers print at that. Sources: sysfs(5) and the kernel's
//! `Documentation/ABI/testing/sysfs-tty` (a `type` of 0 is a port that is not there); the links of `/dev/serial` are
//! made by systemd's rules for serial devices.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};

use wickline_listen::line::holder;

/// A port that is there.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Seen {
    /// The name to configure: one that stays, where there is one.
    pub name: PathBuf,
    pub node: PathBuf,
    /// Its maker's words, or its driver.
    pub what: String,
    pub holder: Option<String>,
}

/// Every port, by the names of its node.
pub fn seen() -> Vec<Seen> {
    let found = below(Path::new("/dev"), Path::new("/sys/class/tty"));
    found.into_iter().map(|port| Seen { holder: holder(&port.node), ..port }).collect()
}

fn below(dev: &Path, classes: &Path) -> Vec<Seen> {
    let links = |kind: &str| links(&dev.join("serial").join(kind));
    let (by_id, by_path) = (links("by-id"), links("by-path"));
    let mut names: Vec<_> = fs::read_dir(classes).into_iter().flatten().flatten().collect();
    names.sort_by_key(fs::DirEntry::file_name);
    let ports = names.into_iter().filter_map(|entry| {
        let (class, node) = (entry.path(), dev.join(entry.file_name()));
        let device = class.join("device").canonicalize().ok()?;
        if !node.exists() || text(&class.join("type")).as_deref() == Some("0") {
            return None;
        }
        let about = device.ancestors().take(6).find(|d| d.join("product").is_file());
        let word = |name: &str| about.and_then(|d| text(&d.join(name)));
        let serial = word("serial");
        // Two adapters without a number of their own share one name by id.
        let real = node.canonicalize().ok()?;
        let (id, path) = (by_id.get(&real), by_path.get(&real));
        let first = if serial.is_some() { id.or(path) } else { path.or(id) };
        let what = match (word("manufacturer"), word("product")) {
            (maker, Some(product)) => {
                let maker = maker.map_or(String::new(), |maker| format!("{maker} "));
                let number = serial
                    .map_or(", without a serial number".into(), |n| format!(", serial number {n}"));
                format!("{maker}{product}{number}")
            }
            _ => driver(&device).unwrap_or_else(|| "a serial port".into()),
        };
        Some(Seen { name: first.unwrap_or(&node).clone(), node, what, holder: None })
    });
    ports.collect()
}

/// The links of a folder, by what they lead to.
fn links(folder: &Path) -> BTreeMap<PathBuf, PathBuf> {
    let all = fs::read_dir(folder).into_iter().flatten().flatten().map(|entry| entry.path());
    all.filter_map(|link| Some((link.canonicalize().ok()?, link))).collect()
}

fn driver(device: &Path) -> Option<String> {
    let driver = device.join("driver").canonicalize().ok()?;
    Some(format!("a serial port, driver {}", driver.file_name()?.to_string_lossy()))
}

/// A word of the kernel's, without its line end. None: it is not there or says nothing.
fn text(path: &Path) -> Option<String> {
    let text = fs::read_to_string(path).ok()?;
    let text: String = text.trim().chars().filter(|c| !c.is_control()).take(80).collect();
    (!text.is_empty()).then_some(text)
}

#[cfg(test)]
mod tests {
    use std::fs;
    use std::os::unix::fs::symlink;
    use std::path::Path;

    use super::below;

    fn plug(root: &Path, name: &str, words: &[(&str, &str)]) {
        let usb = root.join("sys/devices").join(name);
        let device = usb.join("if0").join(name);
        fs::create_dir_all(&device).expect("a folder");
        for (word, text) in words {
            fs::write(usb.join(word), format!("{text}\n")).expect("written");
        }
        let class = root.join("class").join(name);
        fs::create_dir_all(&class).expect("a folder");
        symlink(&device, class.join("device")).expect("linked");
        fs::write(root.join("dev").join(name), "").expect("written");
    }

    /// By-id where an adapter has a serial number of its own, else by-path; what is not there is not listed.
    #[test]
    fn ports_are_named_by_what_stays() {
        let root = crate::testing::scratch("ports").canonicalize().expect("it is there");
        for kind in ["by-id", "by-path"] {
            fs::create_dir_all(root.join("dev/serial").join(kind)).expect("a folder");
        }
        plug(
            &root,
            "ttyUSB0",
            &[("product", "Cable"), ("manufacturer", "Kestrel"), ("serial", "K7")],
        );
        plug(&root, "ttyUSB1", &[("product", "Ca\u{1b}ble")]);
        plug(&root, "ttyS4", &[]);
        plug(&root, "ttyS5", &[]);
        fs::write(root.join("class/ttyS5/type"), "0\n").expect("written");
        fs::create_dir_all(root.join("class/tty0")).expect("a console has no device");
        for (link, node) in [
            ("by-id/usb-Kestrel_Cable_K7", "ttyUSB0"),
            ("by-path/pci-0-usb-1", "ttyUSB0"),
            ("by-id/usb-Cable", "ttyUSB1"),
            ("by-path/pci-0-usb-2", "ttyUSB1"),
        ] {
            let link = root.join("dev/serial").join(link);
            symlink(root.join("dev").join(node), link).expect("linked");
        }
        let found = below(&root.join("dev"), &root.join("class"));
        let told: Vec<(String, &str)> = found
            .iter()
            .map(|port| {
                let name = port.name.strip_prefix(root.join("dev")).expect("below it");
                (name.display().to_string(), port.what.as_str())
            })
            .collect();
        assert_eq!(
            told,
            [
                ("ttyS4".to_owned(), "a serial port"),
                ("serial/by-id/usb-Kestrel_Cable_K7".to_owned(), "Kestrel Cable, serial number K7"),
                ("serial/by-path/pci-0-usb-2".to_owned(), "Cable, without a serial number"),
            ]
        );
        fs::remove_dir_all(root).expect("it is ours");
    }
}
