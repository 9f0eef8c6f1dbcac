//! A log of SQLite's own, damaged bit by bit and torn at every place.

use std::path::PathBuf;

use sqlx::Executor;

use super::{FRAME, HEAD, PAGE, damage};
use crate::address::Address;
use crate::store::db::Db;
use crate::store::files::beside;

const SCHEMA: &str = "CREATE TABLE strip (n BIGINT PRIMARY KEY, print TEXT)";
const STEP: usize = FRAME + PAGE;

/// A log of a few commits, and a place for spoilt copies of it.
struct Log {
    bytes: Vec<u8>,
    copy: PathBuf,
}

impl Log {
    async fn new() -> Self {
        let path = crate::testing::scratch("log").join("a.db");
        let db = Db::open(Address::Sqlite(path.clone()), &[SCHEMA]).await.expect("a new database");
        for n in 0..6_i64 {
            let mut write = db.write().await.expect("a write begins");
            let print = "GLU NEG\r\n".repeat(600);
            let row = sqlx::query("INSERT INTO strip VALUES ($1, $2)").bind(n).bind(print);
            write.conn().execute(row).await.expect("a row");
            write.commit().await.expect("a commit");
        }
        let bytes = std::fs::read(beside(&path, "-wal")).expect("a log");
        Self { bytes, copy: path.with_file_name("copy") }
    }

    fn frames(&self) -> usize {
        (self.bytes.len() - HEAD) / STEP
    }

    /// The frames that end a commit.
    fn commits(&self) -> Vec<usize> {
        let size = |frame: usize| &self.bytes[HEAD + frame * STEP + 4..][..4];
        (0..self.frames()).filter(|frame| size(*frame) != [0; 4]).collect()
    }

    fn damage_of(&self, bytes: &[u8]) -> Option<u64> {
        std::fs::write(&self.copy, bytes).expect("written");
        damage(&self.copy).expect("it can be read")
    }
}

#[tokio::test]
async fn a_flipped_bit_before_the_last_two_commits_is_found_in_its_frame() {
    let log = Log::new().await;
    assert_eq!(log.damage_of(&log.bytes), None);
    let commits = log.commits();
    let [.., last, _, _] = commits.as_slice() else { panic!("{commits:?}") };
    let places = (0..HEAD).map(|at| (at, 0)).chain((0..=*last).flat_map(|frame| {
        let start = HEAD + frame * STEP;
        (0..FRAME).chain([FRAME, FRAME + 1000, STEP - 1]).map(move |at| (start + at, start as u64))
    }));
    for (place, frame) in places {
        let mut bytes = log.bytes.clone();
        bytes[place] ^= 1 << (place % 8);
        assert_eq!(log.damage_of(&bytes), Some(frame), "byte {place}");
    }
}

/// What a power cut leaves: the end missing, or the last transaction written in part and in any order.
#[tokio::test]
async fn a_torn_end_is_no_damage() {
    let log = Log::new().await;
    for length in (0..log.bytes.len()).step_by(331) {
        assert_eq!(log.damage_of(&log.bytes[..length]), None, "cut at {length}");
    }
    let commits = log.commits();
    let [.., before, last] = commits.as_slice() else { panic!("{commits:?}") };
    assert!(last - before > 1, "a transaction of several frames");
    for frame in before + 1..=*last {
        for sign in [0, 0xA5] {
            let mut bytes = log.bytes.clone();
            let start = HEAD + frame * STEP;
            bytes[start..start + STEP].fill(sign);
            assert_eq!(log.damage_of(&bytes), None, "frame {frame}");
            bytes[start..].fill(sign);
            assert_eq!(log.damage_of(&bytes), None, "from frame {frame}");
        }
    }
    assert_eq!(damage(&log.copy.with_file_name("none")).expect("no log"), None);
    assert_eq!(log.damage_of(&[0; 3 * STEP]), None, "made longer and not written");
}
