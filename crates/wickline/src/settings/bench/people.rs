//! What the laboratory asks of those who act, whichever way they come: by command or on a page.

use crate::seen::{is_unseen, visible};

/// It.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct People {
    /// A reason is one of these, or begins with one and a colon. Empty: any words.
    pub reasons: Vec<String>,
    /// The login name counts, and nobody gives another one.
    pub login_counts: bool,
}

impl People {
    /// A reason that the laboratory knows, or any where it has no list; or what is allowed.
    pub fn reason(&self, reason: &str) -> Result<String, String> {
        if !self.reasons.iter().any(|known| known == reason) && is_scan(reason) {
            return Err(format!(
                "a reason is in words, and `{}` looks like a scan: write what the reason is",
                visible(reason)
            ));
        }
        let fits = |k: &String| {
            reason.strip_prefix(k.as_str()).is_some_and(|rest| {
                rest.is_empty() || rest.strip_prefix(':').is_some_and(|more| words(more).is_ok())
            })
        };
        if self.reasons.is_empty() || self.reasons.iter().any(fits) {
            return Ok(reason.to_owned());
        }
        Err(format!(
            "a reason is one of these, or one with a colon and words behind it: {}",
            self.reasons.join("; ")
        ))
    }
}

/// One piece with a digit in it, as an id, a lot or a number is: what a scanner types where somebody should write.
fn is_scan(text: &str) -> bool {
    let text = text.trim();
    text.chars().count() > 3
        && text.chars().any(|c| c.is_ascii_digit())
        && !text.chars().any(char::is_whitespace)
}

/// A name or a reason: something that can be read, without what stands around it.
pub fn words(text: &str) -> Result<String, String> {
    let blank = |c: char| c.is_whitespace() || is_unseen(c);
    let kept = text.trim_matches(blank);
    if kept.is_empty() { Err("it is empty or blank: write words".into()) } else { Ok(kept.into()) }
}
