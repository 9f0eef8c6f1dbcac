//! Opening a device waits in the kernel, for ever where an adapter hangs: done on a thread of its own, with a limit,
//! and never twice at once for one device. A thread that hangs holds up nobody's stop.

use std::collections::BTreeSet;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::{Mutex, PoisonError};
use std::time::Duration;

use tokio::runtime::Handle;
use tokio::sync::oneshot;

/// Longest that it may take. Our own choice: ports of this machine open within milliseconds.
pub(super) const LIMIT: Duration = Duration::from_secs(10);

/// Devices that somebody is opening just now.
static UNDER_WAY: Mutex<BTreeSet<PathBuf>> = Mutex::new(BTreeSet::new());

/// A device that is being opened, until that has ended.
struct Opening(PathBuf);

impl Opening {
    fn begin(path: &Path) -> Option<Self> {
        let mut all = UNDER_WAY.lock().unwrap_or_else(PoisonError::into_inner);
        all.insert(path.to_owned()).then(|| Self(path.to_owned()))
    }
}

impl Drop for Opening {
    fn drop(&mut self) {
        UNDER_WAY.lock().unwrap_or_else(PoisonError::into_inner).remove(&self.0);
    }
}

/// Does what opens a device. An error where it takes too long, also while the last try still hangs.
pub(super) async fn within<T: Send + 'static>(
    limit: Duration,
    path: &Path,
    work: impl FnOnce() -> io::Result<T> + Send + 'static,
) -> io::Result<T> {
    let hangs = || {
        let text = format!(
            "opening {}: no answer within {} s: the adapter or its driver hangs; unplug it and plug it in again",
            path.display(),
            limit.as_secs()
        );
        io::Error::new(io::ErrorKind::TimedOut, text)
    };
    let opening = Opening::begin(path).ok_or_else(hangs)?;
    let (send, opened) = oneshot::channel();
    let runtime = Handle::current();
    std::thread::Builder::new().name("opening".into()).spawn(move || {
        let _runtime = runtime.enter();
        let done = work();
        // Before anybody hears of it, who may try again at once.
        drop(opening);
        let _ = send.send(done);
    })?;
    match tokio::time::timeout(limit, opened).await {
        Ok(done) => done.unwrap_or_else(|_| Err(io::Error::other("opening: it was given up"))),
        Err(_) => Err(hangs()),
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;
    use std::sync::mpsc;
    use std::time::Duration;

    use super::{UNDER_WAY, within};

    #[tokio::test]
    async fn one_that_hangs_is_told_and_not_tried_again_until_it_has_ended() {
        let path = Path::new("/dev/hangs");
        let (release, held) = mpsc::channel::<()>();
        let (ended, end) = mpsc::channel();
        let hanging = move || {
            let _ = held.recv();
            // Dropped when this is: the device is not being opened any more.
            Ok(ended)
        };
        let limit = Duration::from_millis(50);
        let error = within(limit, path, hanging).await.expect_err("it hangs");
        assert_eq!(error.kind(), std::io::ErrorKind::TimedOut);
        let again =
            within(limit, path, || -> std::io::Result<()> { panic!("tried twice at once") });
        assert_eq!(again.await.expect_err("still").to_string(), error.to_string());
        let other = within(limit, Path::new("/dev/other"), || Ok(1)).await;
        assert_eq!(other.expect("others are not held up"), 1);
        release.send(()).expect("it waits");
        let () = end.recv().unwrap_or_default();
        assert!(UNDER_WAY.lock().expect("no panic").iter().all(|p| p != path));
        assert_eq!(within(limit, path, || Ok(2)).await.expect("it opens again"), 2);
    }
}
