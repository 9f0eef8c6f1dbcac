//! A fresh folder for a unit test.

use std::path::PathBuf;
use std::sync::atomic::{AtomicU32, Ordering};

/// An empty folder of this test's own under the system's temporary folder.
pub fn scratch(name: &str) -> PathBuf {
    static COUNT: AtomicU32 = AtomicU32::new(0);
    let count = COUNT.fetch_add(1, Ordering::Relaxed);
    let folder =
        std::env::temp_dir().join(format!("wickline-{name}-{}-{count}", std::process::id()));
    let _ = std::fs::remove_dir_all(&folder);
    std::fs::create_dir_all(&folder).expect("a temporary folder can be made");
    folder
}
