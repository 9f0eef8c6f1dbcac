//! Who acts, and why: names and reasons as people give them, never empty or blank.

use std::io::{BufRead, IsTerminal, Write};

use clap::Args;

use super::Failure;
use super::output::Output;
use crate::settings::bench::People;
use crate::sheet::todo::word;
use crate::store::trail::Actor;

/// Characters of a typed answer at most: no id and no reason is nearly as long.
const LONGEST: u64 = 1000;

/// Who acts, for the trail.
#[derive(Clone, Debug, Args)]
pub struct As {
    /// The name to record in the trail [default: the login name]
    #[arg(long = "as", value_name = "NAME", global = true, value_parser = words)]
    name: Option<String>,
}

impl As {
    pub fn actor(&self, _people: &People) -> Result<Actor, Failure> {
        Ok(Actor::person(self.name.clone()))
    }

    /// As it is given again in another command.
    pub fn again(&self) -> String {
        self.name.as_deref().map_or(String::new(), |name| format!(" --as {}", word(name)))
    }
}

/// Why something is done, for the trail.
#[derive(Clone, Debug, Args)]
pub struct Why {
    /// Why, for the trail; at a terminal it is asked for
    #[arg(long, value_name = "TEXT", value_parser = words)]
    reason: Option<String>,
}

impl Why {
    /// The reason as given, or as answered at the terminal.
    pub fn reason(&self, _people: &People, out: &Output) -> Result<String, Failure> {
        if let Some(reason) = &self.reason {
            return Ok(reason.clone());
        }
        if !can_ask(out) {
            return Err(Failure::wrong("a reason is needed: give it with --reason TEXT"));
        }
        words(&asked("reason")?).map_err(Failure::wrong)
    }

    /// As it is given again in another command.
    pub fn again(&self) -> String {
        self.reason.as_deref().map_or(String::new(), |why| format!(" --reason {}", word(why)))
    }
}

/// A name or a reason: something that can be read, without what stands around it.
pub fn words(text: &str) -> Result<String, String> {
    let blank = |c: char| c.is_whitespace() || super::marks::is_hidden(c);
    let kept = text.trim_matches(blank);
    if kept.is_empty() { Err("it is empty or blank: write words".into()) } else { Ok(kept.into()) }
}

/// Whether a person sits there who can answer.
pub fn can_ask(out: &Output) -> bool {
    !out.json && std::io::stdin().is_terminal()
}

/// Asks at the terminal, one line.
pub fn asked(what: &str) -> Result<String, Failure> {
    eprint!("{what}: ");
    std::io::stderr().flush()?;
    let mut line = String::new();
    std::io::Read::take(std::io::stdin().lock(), LONGEST).read_line(&mut line)?;
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}

#[cfg(test)]
mod tests {
    use super::words;

    #[test]
    fn a_name_or_a_reason_can_be_read() {
        for blank in
            ["", " ", "\t\n", "\u{a0}\u{2003}", "\u{200b}", "\u{1}\u{1b}", "\u{feff} \u{ad}"]
        {
            assert!(words(blank).is_err(), "{blank:?}");
        }
        assert_eq!(words(" J. Mast\n").as_deref(), Ok("J. Mast"));
        assert_eq!(words("x").as_deref(), Ok("x"));
    }
}
