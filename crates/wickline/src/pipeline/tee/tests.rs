//! The copy of a line: byte for byte, never in the way, told where it lacks bytes.

use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::{broadcast, watch};

use super::{Copying, Tee, WAITING};
use crate::pipeline::event::{Event, Events};
use crate::settings::bench::TeeTo;

/// A copy under way.
struct Copied {
    tee: Tee,
    told: broadcast::Receiver<Event>,
    stop: watch::Sender<bool>,
    copying: tokio::task::JoinHandle<()>,
}

/// How it was told to stand.
#[derive(Debug)]
struct Stands {
    to: String,
    up: bool,
    why: String,
    more: u64,
    lost: u64,
}

impl Copied {
    fn begin(to: TeeTo, low_water: u64) -> Self {
        let (events, stop, tee) = (Events::default(), watch::Sender::new(false), Tee::default());
        let told = events.watch();
        let analyzer = "bench-1".to_owned();
        let stopped = stop.subscribe();
        let copying = Copying { analyzer, to, tee: tee.clone(), low_water, events, stop: stopped };
        Self { tee, told, stop, copying: tokio::spawn(copying.run()) }
    }

    async fn told(&mut self) -> Stands {
        match self.told.recv().await.expect("it goes on") {
            Event::Tee { to, up, why, more, lost, .. } => {
                Stands { to, up, why: why.unwrap_or_default(), more, lost }
            }
            other => panic!("{other:?}"),
        }
    }

    async fn is_down(&mut self, words: &str) {
        let told = self.told().await;
        assert!(!told.up && told.why.contains(words), "{told:?}");
    }

    async fn is_up(&mut self) -> String {
        let told = self.told().await;
        assert!(told.up, "{told:?}");
        told.to
    }

    async fn stops(mut self) -> Option<Stands> {
        self.stop.send_replace(true);
        self.copying.await.expect("no panic");
        match self.told.try_recv() {
            Ok(Event::Tee { to, up, why, more, lost, .. }) => {
                Some(Stands { to, up, why: why.unwrap_or_default(), more, lost })
            }
            _ => None,
        }
    }
}

async fn within<T>(work: impl Future<Output = T>) -> T {
    tokio::time::timeout(Duration::from_secs(60), work).await.expect("nothing may hang")
}

fn every_byte() -> Vec<u8> {
    (0..=255).collect()
}

fn file(name: &str) -> PathBuf {
    crate::testing::scratch(name).join("copy")
}

#[tokio::test]
async fn a_file_gets_every_byte_and_is_its_owners_alone() {
    within(async {
        let path = file("tee-file");
        for round in 1..=2 {
            let mut copied = Copied::begin(TeeTo::File(path.clone()), 0);
            copied.is_up().await;
            copied.tee.copy(&every_byte());
            assert!(copied.stops().await.is_none(), "what waits goes before it stops");
            let there = std::fs::read(&path).expect("it is there");
            assert_eq!(there, every_byte().repeat(round), "at its end");
        }
        let mode = std::fs::metadata(&path).expect("there").permissions().mode();
        assert_eq!(mode & 0o777, 0o600);
    })
    .await;
}

#[tokio::test]
async fn what_is_no_file_of_ours_alone_is_not_written_to() {
    within(async {
        let others = |path: &Path| {
            std::fs::write(path, "theirs").expect("written");
            std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o640)).expect("ours");
        };
        let link = |path: &Path| {
            std::fs::write(path.with_extension("real"), "").expect("written");
            std::os::unix::fs::symlink(path.with_extension("real"), path).expect("a link");
        };
        let twice = |path: &Path| {
            std::fs::write(path.with_extension("real"), "").expect("written");
            std::fs::hard_link(path.with_extension("real"), path).expect("a name");
            std::fs::set_permissions(path, std::fs::Permissions::from_mode(0o600)).expect("ours");
        };
        let folder = |path: &Path| std::fs::create_dir(path).expect("a folder");
        let made: [&dyn Fn(&Path); 4] = [&others, &link, &twice, &folder];
        let words =
            ["chmod 0600", "is a link: name the file itself", "has a second name", "opening "];
        for (make, words) in made.into_iter().zip(words) {
            let path = file("tee-others");
            make(&path);
            let mut copied = Copied::begin(TeeTo::File(path.clone()), 0);
            copied.is_down(words).await;
            copied.tee.copy(b"GLU");
            let left = copied.stops().await.expect("told");
            assert_eq!((left.more, left.lost), (3, 3), "{words}");
            assert!(std::fs::read(&path).map_or(true, |there| !there.ends_with(b"GLU")));
        }
    })
    .await;
}

/// The stores need the disk: nothing is copied where it is short, and the line's bytes wait.
#[tokio::test]
async fn a_disk_without_room_is_the_stores() {
    within(async {
        let path = file("tee-full");
        let mut copied = Copied::begin(TeeTo::File(path.clone()), u64::MAX / 2);
        copied.is_down("nothing is copied").await;
        copied.tee.copy(b"GLU");
        copied.stops().await.expect("told");
        assert_eq!(std::fs::read(&path).expect("there"), b"");
    })
    .await;
}

#[tokio::test]
async fn a_file_that_is_moved_away_is_begun_anew() {
    within(async {
        let path = file("tee-moved");
        let mut copied = Copied::begin(TeeTo::File(path.clone()), 0);
        copied.is_up().await;
        std::fs::rename(&path, path.with_extension("1")).expect("moved");
        copied.tee.copy(b"GLU");
        copied.is_down("moved or deleted").await;
        copied.is_up().await;
        assert!(copied.stops().await.is_none());
        assert_eq!(std::fs::read(&path).expect("begun anew"), b"GLU");
    })
    .await;
}

#[tokio::test]
async fn a_program_connects_hangs_up_and_misses_nothing() {
    within(async {
        let mut copied =
            Copied::begin(TeeTo::Listen("127.0.0.1:0".parse().expect("an address")), 0);
        let told = copied.told().await;
        assert!(!told.up && told.why == "nobody is connected to it", "{told:?}");
        copied.tee.copy(b"before ");
        let address = told.to.strip_prefix("listen:").expect("where it listens").to_owned();
        let mut program = TcpStream::connect(&address).await.expect("connects");
        assert_eq!(copied.is_up().await, told.to);
        let mut got = [0; 7];
        program.read_exact(&mut got).await.expect("copied");
        assert_eq!(&got, b"before ");
        // What it says is nobody's.
        program.write_all(&[6; 5_000]).await.expect("taken");
        drop(program);
        copied.is_down("").await;
        copied.tee.copy(&every_byte());
        let mut program = TcpStream::connect(&address).await.expect("connects");
        let mut got = [0; 256];
        program.read_exact(&mut got).await.expect("copied");
        assert_eq!(got.to_vec(), every_byte());
        copied.is_up().await;
        assert!(copied.stops().await.is_none(), "nothing is lost");
    })
    .await;
}

#[tokio::test]
async fn what_nobody_takes_is_lost_from_the_oldest_on_and_told_with_its_count() {
    within(async {
        let listener = TcpListener::bind("127.0.0.1:0").await.expect("bound");
        let address = listener.local_addr().expect("bound").to_string();
        drop(listener);
        let mut copied = Copied::begin(TeeTo::Tcp(address.clone()), 0);
        copied.is_down("connecting to").await;
        copied.tee.copy(b"lost");
        for _ in 0..WAITING / 256 {
            copied.tee.copy(&every_byte());
        }
        let told = copied.told().await;
        assert_eq!((told.up, told.more, told.lost), (false, 4, 4));
        let listener = TcpListener::bind(&address).await.expect("bound again");
        let (mut program, _) = listener.accept().await.expect("it comes back");
        copied.is_up().await;
        let mut got = vec![0; WAITING];
        program.read_exact(&mut got).await.expect("copied");
        assert!(got.chunks(256).all(|chunk| chunk == every_byte()));
        copied.tee.copy(b"end");
        let mut got = [0; 3];
        program.read_exact(&mut got).await.expect("copied");
        assert_eq!(&got, b"end");
        copied.stops().await;
    })
    .await;
}
