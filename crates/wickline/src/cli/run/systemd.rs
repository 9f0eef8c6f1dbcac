//! What systemd is told, where it asks (sd_notify(3)); one notice is one datagram.

use sd_notify::NotifyState;

use crate::pipeline::event::Event;

/// Tells what it is to know of something that happened.
pub fn told(event: &Event) {
    match event {
        Event::Ready { .. } => {
            send(&[NotifyState::Ready, NotifyState::Status("hearing and delivering")]);
        }
        Event::Reloading => {
            // A moment after the signal came: by it the manager knows which reload is meant.
            let mut states = vec![NotifyState::Reloading];
            states.extend(NotifyState::monotonic_usec_now());
            send(&states);
        }
        Event::ConfigurationRefused { why } => {
            let status = format!("the old configuration stays: {}", one_line(why));
            send(&[NotifyState::Ready, NotifyState::Status(&status)]);
        }
        _ => {}
    }
}

/// The daemon ends, and does not come back by itself.
pub fn stopping() {
    send(&[NotifyState::Stopping]);
}

fn send(states: &[NotifyState<'_>]) {
    // Nobody listens, or it is gone: the work goes on.
    let _ = sd_notify::notify(states);
}

/// A line ends a value there.
fn one_line(text: &str) -> String {
    text.replace(|c: char| c.is_control(), " ")
}
