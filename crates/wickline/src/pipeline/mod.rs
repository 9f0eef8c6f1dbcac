//! The way of a result through the house: heard, read, judged, delivered.

pub mod asking;
pub mod between;
mod counted;
pub mod delivery;
pub mod event;
pub mod hearing;
pub mod kept_lease;
pub mod noting;
pub mod queue_watch;
pub mod reading;
pub mod recorder;
pub mod seen;
pub mod source;
pub mod tee;
pub mod troubles;

use std::time::Duration;

use tokio::sync::watch;

use crate::store::StoreError;
use crate::tripped::{Tripped, guarded_while};

/// How long after it was tripped work is begun anew: nobody should be asked the same all the time.
const ANEW: Duration = Duration::from_secs(60);

/// Does work that begins anew from what is kept, as after a start, where somebody else's words tripped it: the rest of
/// the laboratory goes on meanwhile.
pub(crate) async fn goes_on<W>(
    mut work: impl FnMut() -> W,
    mut stop: watch::Receiver<bool>,
    mut tell: impl FnMut(&Tripped),
) -> Result<(), StoreError>
where
    W: Future<Output = Result<(), StoreError>>,
{
    loop {
        match guarded_while(work()).await {
            Ok(ended) => return ended,
            Err(tripped) => tell(&tripped),
        }
        tokio::select! {
            () = tokio::time::sleep(ANEW) => {}
            () = stopped(&mut stop) => return Ok(()),
        }
    }
}

/// Resolves once the house is told to stop.
pub(crate) async fn stopped(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test(start_paused = true)]
    async fn what_is_tripped_begins_anew_until_it_is_told_to_stop() {
        let (stop, stopped) = watch::channel(false);
        let (begun, told) = (std::cell::Cell::new(0_u8), std::cell::Cell::new(0));
        let work = || async {
            begun.set(begun.get() + 1);
            let all = [(); 2];
            // The first two times there is no such place.
            let () = all[usize::from(3_u8.saturating_sub(begun.get()))..][0];
            Ok(())
        };
        let ended = goes_on(work, stopped.clone(), |_| told.set(told.get() + 1)).await;
        assert!(ended.is_ok());
        assert_eq!((begun.get(), told.get()), (2, 1));
        stop.send_replace(true);
        let none: Vec<String> = Vec::new();
        let always = || async { Err(StoreError::Refused { why: none[0].clone().into() }) };
        assert!(goes_on(always, stopped, |_| told.set(told.get() + 1)).await.is_ok());
        assert_eq!(told.get(), 2);
    }
}
