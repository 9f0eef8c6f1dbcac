//! Who acts, and why: names and reasons as people give them, never empty or blank.

use std::io::{BufRead, IsTerminal, Write};

use clap::Args;

use super::Failure;
use super::output::{Output, visible};
use crate::settings::bench::People;
pub use crate::settings::bench::words;
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
    /// Whoever is logged in.
    pub fn login() -> Self {
        Self { name: None }
    }

    /// Who it is for the trail, as the laboratory wants that.
    pub fn actor(&self, people: &People) -> Result<Actor, Failure> {
        if people.login_counts && self.name.is_some() {
            return Err(Failure::wrong(
                "the login name counts here (site.who = \"login\"): leave --as out",
            ));
        }
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
    pub fn of(reason: Option<String>) -> Self {
        Self { reason }
    }

    /// The reason as given, or as answered at the terminal.
    pub fn reason(&self, people: &People, out: &Output) -> Result<String, Failure> {
        let known = &people.reasons;
        if let Some(reason) = &self.reason {
            return chosen(reason, people);
        }
        if !can_ask(out) {
            return Err(Failure::wrong("a reason is needed: give it with --reason TEXT"));
        }
        for (number, reason) in known.iter().enumerate() {
            eprintln!("{:>3}  {}", number + 1, visible(reason));
        }
        let typed = words(&asked("reason")?).map_err(Failure::wrong)?;
        chosen(&by_number(&typed, known), people)
    }

    /// As it is given again in another command.
    pub fn again(&self) -> String {
        self.reason.as_deref().map_or(String::new(), |why| format!(" --reason {}", word(why)))
    }
}

/// A reason as the laboratory wants it.
pub fn chosen(reason: &str, people: &People) -> Result<String, Failure> {
    people.reason(reason).map_err(Failure::wrong)
}

/// `2`, or `2: words`, for the second of the list.
fn by_number(typed: &str, known: &[String]) -> String {
    let digits = typed.bytes().take_while(u8::is_ascii_digit).count();
    let (number, rest) = typed.split_at(digits);
    let listed = number.parse::<usize>().ok().and_then(|n| known.get(n.checked_sub(1)?));
    match listed {
        Some(reason) if rest.is_empty() || rest.starts_with(':') => format!("{reason}{rest}"),
        _ => typed.to_owned(),
    }
}

/// What an option says, or what is answered at the terminal where it was left out.
pub fn given(
    what: &str,
    question: &str,
    text: Option<String>,
    out: &Output,
) -> Result<String, Failure> {
    match text {
        Some(text) => Ok(text),
        None if can_ask(out) => words(&asked(question)?).map_err(Failure::wrong),
        None => Err(Failure::wrong(format!("{what} is needed: give it with --{what} TEXT"))),
    }
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
    if std::io::Read::take(std::io::stdin().lock(), LONGEST).read_line(&mut line)? == 0 {
        // Nobody is there any more: who asks until something is answered would ask for ever.
        return Err(Failure::wrong("nothing was answered, and nothing was done: the input ended"));
    }
    Ok(line.trim_end_matches(['\r', '\n']).to_owned())
}

#[cfg(test)]
mod tests {
    use super::{People, by_number, chosen, words};

    #[test]
    fn a_reason_is_one_of_the_list_or_begins_with_one() {
        let known = ["told by telephone", "other"].map(str::to_owned).to_vec();
        let people = People { reasons: known.clone(), login_counts: false };
        for good in ["other", "other: spilled", "told by telephone"] {
            assert_eq!(chosen(good, &people).ok().as_deref(), Some(good));
        }
        for bad in ["others", "other:", "other: \t", "spilled", "telephone", "Other"] {
            assert!(chosen(bad, &people).is_err(), "{bad}");
        }
        assert!(chosen("anything", &People::default()).is_ok());
        for (typed, reason) in [("1", "told by telephone"), ("2: spilled", "other: spilled")] {
            assert_eq!(by_number(typed, &known), reason);
        }
        for same in ["3", "0", "2nd try", "other"] {
            assert_eq!(by_number(same, &known), same);
        }
    }

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
