//! What became of held reports that a person decided on, for people and for programs.

use serde_json::{Value, json};

use super::identify::Beside;
use crate::acts::Became;
use crate::cli::output::{Output, visible};
use crate::cli::{Answer, Exit, Failure};
use crate::store::StoreError;

/// What became of one report.
pub struct One {
    pub n: i64,
    pub state: String,
    /// The specimen id that it had from a person already.
    pub already: Option<String>,
    /// Other results of its specimen on the same day.
    pub second: Vec<Beside>,
}

impl One {
    fn line(&self) -> String {
        let Self { n, state, already, second } = self;
        let mut line = match already {
            Some(specimen) => {
                format!("report {n} was identified as {specimen} already, it is {state}")
            }
            None => format!("report {n} is now {state}"),
        };
        for other in second {
            line.push_str(&format!("; {}", other.notice()));
        }
        line
    }

    fn value(&self) -> Value {
        let mut value = json!({"id": self.n.to_string(), "state": self.state});
        if self.already.is_some() {
            value["already"] = json!(true);
        }
        if !self.second.is_empty() {
            value["second"] = json!(self.second);
        }
        value
    }
}

/// What became of several reports: what one is refused, the others are not.
#[derive(Default)]
pub struct Done {
    pub became: Vec<One>,
    /// Why not, each with where it was asked for.
    pub refused: Vec<(String, String)>,
}

impl Done {
    /// What became of these; true where it was not refused.
    pub fn took(&mut self, n: i64, became: Result<Became, StoreError>) -> Result<bool, StoreError> {
        match became {
            Ok(became) => {
                let one = |(n, state)| One { n, state, already: None, second: Vec::new() };
                self.became.extend(became.into_iter().map(one));
                Ok(true)
            }
            Err(StoreError::Refused { why }) => {
                self.refused.push((n.to_string(), why.to_string()));
                Ok(false)
            }
            Err(other) => Err(other),
        }
    }

    /// All done: 0; some: 1; none: what is wrong with the command.
    pub fn tell(&self, out: &Output) -> Answer {
        let whys = || self.refused.iter().map(|(_, why)| why.as_str()).collect::<Vec<_>>();
        if self.became.is_empty() && !self.refused.is_empty() {
            return Err(Failure::wrong(whys().join("\n")));
        }
        if out.json {
            let items: Vec<Value> = self.became.iter().map(One::value).collect();
            let refused: Vec<Value> =
                self.refused.iter().map(|(at, why)| json!({"id": at, "detail": why})).collect();
            out.document(&json!({ "items": items, "refused": refused }))?;
        } else {
            for one in &self.became {
                out.line(&one.line());
            }
        }
        for why in whys() {
            eprintln!("wickline: {}", visible(why));
        }
        Ok(if self.refused.is_empty() { Exit::Done } else { Exit::NotClean })
    }
}
