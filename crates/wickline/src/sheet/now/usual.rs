//! What to do about what is wrong, where nothing more special is known: so that nothing is wrong without it.

use super::super::todo::word;
use crate::settings::bench::About;

/// A command as it is run, or a sentence with commands between backticks.
pub(super) fn todo(about: About, which: &str) -> String {
    match about {
        About::Daemon => "systemctl status wickline".into(),
        About::Line => format!(
            "look at the analyzer of {which}, its cable and its device server; `wickline check` says what is wrong \
             with the line's place"
        ),
        About::Receiver => format!(
            "have the receiver reached again, what waits goes by itself then: `wickline queue --receiver {}`",
            word(which)
        ),
        About::Refused => format!("wickline queue --receiver {} --state refused", word(which)),
        About::Controls => "wickline controls".into(),
        About::Held => "wickline held".into(),
        About::Missing | About::Day => "wickline day".into(),
        About::Store if which == "tape" => {
            "free room on the disk of the tape: what is heard is taken again by itself then".into()
        }
        About::Store => {
            "have the server of the ledger reached again: work goes on by itself then, and nothing is lost".into()
        }
        About::Certificate => {
            "put the renewed certificate in the old one's place, then `systemctl reload wickline`".into()
        }
        About::Clock if which == "ours" => {
            "have a time server set this machine's clock; `timedatectl` tells how it stands".into()
        }
        About::Clock => format!("set the clock of {which} at the analyzer"),
        About::Orders => {
            "`wickline orders` lists what waits; where a source cannot connect, `wickline check` says why".into()
        }
        About::Alarm => format!("wickline alarm {}", word(which)),
        About::Care => "wickline care".into(),
        About::Instrument => "wickline status".into(),
    }
}
