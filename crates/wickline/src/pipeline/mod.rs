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

use tokio::sync::watch;

/// Resolves once the house is told to stop.
pub(crate) async fn stopped(stop: &mut watch::Receiver<bool>) {
    let _ = stop.wait_for(|stop| *stop).await;
}
