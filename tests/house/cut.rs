//! A real file system, shut down under the stores at random instants as a power cut does it: what was
//! not synced is gone, and nothing that was acknowledged is lost, doubled or out of order.

use std::path::{Path, PathBuf};
use std::process::Command;
use std::time::Duration;

use wickline::simulate::analyzer::{Sent, Style};
use wickline::simulate::script::Dice;

use crate::kit::{Daemon, Folder, ask, quick_check, rounds, skipped};
use crate::way::{analyzer, check, gather, practice, runtime, script};

/// EXT4_IOC_SHUTDOWN without a last flush of the journal (the kernel's fs/ext4/ext4.h).
const SHUT_DOWN: &str = "import fcntl, os, struct, sys\n\
    fcntl.ioctl(os.open(sys.argv[1], os.O_RDONLY), 0x8004587d, struct.pack('I', 2))";

fn done(program: &str, words: &[&str]) -> Result<(), String> {
    let shown = format!("{program} {}", words.join(" "));
    match Command::new(program).args(words).output() {
        Ok(output) if output.status.success() => Ok(()),
        Ok(output) => Err(format!("{shown}: {}", String::from_utf8_lossy(&output.stderr))),
        Err(error) => Err(format!("{shown}: {error}")),
    }
}

/// An ext4 file system in a file, mounted.
struct Mounted {
    image: PathBuf,
    folder: PathBuf,
}

impl Mounted {
    fn new(outside: &Path) -> Result<Self, String> {
        let new = Self { image: outside.join("image"), folder: outside.join("disk") };
        std::fs::create_dir(&new.folder).map_err(|e| e.to_string())?;
        let file = std::fs::File::create(&new.image).map_err(|e| e.to_string())?;
        file.set_len(64 << 20).map_err(|e| e.to_string())?;
        done("mkfs.ext4", &["-q", "-F", &new.image.to_string_lossy()])?;
        new.mount()?;
        Ok(new)
    }

    fn mount(&self) -> Result<(), String> {
        let (image, folder) = (self.image.to_string_lossy(), self.folder.to_string_lossy());
        done("mount", &["-o", "loop", &image, &folder])
    }

    /// The power goes, and comes back.
    fn cut(&self) -> Result<(), String> {
        let folder = self.folder.to_string_lossy();
        done("python3", &["-c", SHUT_DOWN, &folder])?;
        done("umount", &[&folder])?;
        self.mount()
    }
}

impl Drop for Mounted {
    fn drop(&mut self) {
        let _ = done("umount", &["-l", &self.folder.to_string_lossy()]);
    }
}

#[test]
fn a_file_system_cut_off_at_random_instants_loses_nothing_acknowledged() {
    let outside = Folder::new("cut");
    if !rustix::process::geteuid().is_root() {
        return skipped("mount", "needs root, to mount a file system");
    }
    // Tried out before anything depends on it.
    let disk = match Mounted::new(&outside.0).and_then(|disk| disk.cut().map(|()| disk)) {
        Ok(disk) => disk,
        Err(why) => {
            return skipped("mount", &format!("needs ext4 on a loop device and python3: {why}"));
        }
    };
    runtime().block_on(async {
        let folder = Folder(disk.folder.join("stores"));
        std::fs::create_dir(&folder.0).expect("a folder");
        let (mut receiver, port, config) = practice(&folder, &["aa", "aa", "ae"]).await;
        // What belongs to the test must outlive the cuts.
        let text = std::fs::read_to_string(&config).expect("the configuration");
        let config = outside.write(
            "wickline.toml",
            &text
                .replace("tape.db", "disk/stores/tape.db")
                .replace("sqlite:ledger.db", "sqlite:disk/stores/ledger.db"),
        );
        std::fs::File::open(&folder.0).and_then(|f| f.sync_all()).expect("the folder stays");
        let cuts = rounds(12, 400);
        let script = script(cuts * 4, 71);
        let wanted: Vec<String> = script.run.iter().map(|r| r.specimen.clone()).collect();
        let mut bench = analyzer(port, Style::Lis02);
        bench.pause = Duration::from_millis(60);
        let mut dice = Dice::new(71);
        let (mut got, mut delivered, mut cut) = (Vec::new(), 0, 0);
        let mut daemon = Some(Daemon::start(&config));
        {
            let run =
                bench.run(&script, |_, sent| delivered += usize::from(sent == Sent::Delivered));
            tokio::pin!(run);
            let instant = tokio::time::sleep(Duration::from_millis(100));
            tokio::pin!(instant);
            let mut ended = false;
            while !ended || cut < cuts {
                tokio::select! {
                    done = &mut run, if !ended => {
                        done.expect("the line holds");
                        ended = true;
                    }
                    message = receiver.next() => got.extend(message),
                    () = &mut instant, if cut < cuts => {
                        // First the program: a sync may still say yes in the instant after the cut.
                        daemon.take().expect("one runs").kill();
                        disk.cut().expect("the file system comes back");
                        cut += 1;
                        daemon = Some(Daemon::start(&config));
                        let wait = Duration::from_millis(20 + dice.roll(250) as u64);
                        instant.as_mut().reset(tokio::time::Instant::now() + wait);
                    }
                }
            }
        }
        assert_eq!(delivered, wanted.len());
        let settled = || {
            let day = ask(&config, &["day"]);
            let count = |state: &str| day["totals"][state].as_u64().expect("a count");
            count("accepted") + count("refused") == wanted.len() as u64
        };
        gather(&mut receiver, &mut got, settled).await;
        check(&got, &wanted);
        assert_eq!(daemon.expect("one runs").stop(), 0);
        for store in ["tape.db", "ledger.db"] {
            assert_eq!(quick_check(&folder.0.join(store)).await, "ok", "{store}");
        }
    });
}
