//! What systemd is told, where it asks (sd_notify(3)); one notice is one datagram.

use sd_notify::NotifyState;
use tracing::error;

use crate::pipeline::event::Event;
use crate::pulse;

/// Longest that the line about the daemon's state may be, in characters: it stands in one line of a screen.
const LONGEST: usize = 400;

/// How the daemon is, as systemd was last told.
#[derive(Default)]
pub struct Status {
    told: String,
    /// What is not ready yet has nothing to say of itself.
    ready: bool,
}

impl Status {
    /// Tells what it is to know of something that happened, and how everything is then.
    pub fn told(&mut self, event: &Event, line: String) {
        match event {
            Event::Ready { .. } | Event::ConfigurationRefused { .. } => {
                (self.ready, self.told) = (true, one_line(&line));
                send(&[NotifyState::Ready, NotifyState::Status(&self.told)]);
            }
            Event::Reloading => {
                // A moment after the signal came: by it the manager knows which reload is meant.
                let mut states = vec![NotifyState::Reloading];
                states.extend(NotifyState::monotonic_usec_now());
                send(&states);
            }
            _ => {}
        }
    }

    /// Tells how everything is, where that is another than before.
    pub fn is(&mut self, line: String) {
        let line = one_line(&line);
        if self.ready && line != self.told {
            self.told = line;
            send(&[NotifyState::Status(&self.told)]);
        }
    }
}

/// The daemon ends, and does not come back by itself.
pub fn stopping() {
    send(&[NotifyState::Stopping, NotifyState::Status("stopping: finishing what is in hand")]);
}

/// Says that the daemon lives as long as every loop turns, where the unit asks for it (`WatchdogSec=`). Longer
/// than a server may take to answer (20 s): five sixths of the 30 s of our unit.
pub async fn watchdog() {
    let Some(limit) = sd_notify::watchdog_enabled() else { return };
    let mut told = Vec::new();
    loop {
        let hanging = pulse::hanging(limit * 5 / 6);
        if hanging.is_empty() {
            send(&[NotifyState::Watchdog]);
        } else if hanging != told {
            let loops = hanging.join(", ");
            error!(loops, "hanging: nothing is said to the watchdog any more");
        }
        told = hanging;
        tokio::time::sleep(limit / 6).await;
    }
}

fn send(states: &[NotifyState<'_>]) {
    // Nobody listens, or it is gone: the work goes on.
    let _ = sd_notify::notify(states);
}

/// A line ends a value there, and is no place for a page.
fn one_line(text: &str) -> String {
    text.chars().map(|c| if c.is_control() { ' ' } else { c }).take(LONGEST).collect()
}
