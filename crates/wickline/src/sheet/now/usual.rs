//! What to do about what is wrong, where nothing more special is known: so that nothing is wrong without it.

use super::super::todo::word;
use crate::settings::bench::About;
use crate::texts::{Said, say};

/// A command as it is run, or a sentence with commands between backticks.
pub(super) fn todo(about: About, which: &str) -> Said {
    match about {
        About::Daemon => "systemctl status wickline".into(),
        About::Line => say!("do.line", which = which),
        About::Receiver => say!("do.receiver", which = word(which)),
        About::Refused => {
            format!("wickline queue --receiver {} --state refused", word(which)).into()
        }
        About::Controls => "wickline controls".into(),
        About::Held => "wickline held".into(),
        About::Missing | About::Day => "wickline day".into(),
        About::Store if which == "tape" => say!("do.tape_room"),
        About::Store => say!("do.ledger"),
        About::Certificate => say!("do.certificate"),
        About::Clock if which == "ours" => say!("do.clock_ours"),
        About::Clock => say!("do.clock", which = which),
        About::Orders => say!("do.orders"),
        About::Alarm => format!("wickline alarm {}", word(which)).into(),
        About::Care => "wickline care".into(),
        About::Calls => "wickline queue calls".into(),
        About::Instrument => "wickline status".into(),
    }
}
