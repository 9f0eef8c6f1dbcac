//! Check characters against the lines that they are over: what they do not vouch for is not read.
//!
//! They are counted over what the analyzer sent, which is made again from the text where a report is read from its
//! kept lines: one way for both, so that both agree.

use std::borrow::Cow;

use wickline_normalize::{Hold, Reason};

use super::Page;
use crate::dialect::check::{Check, Place, value};
use crate::dialect::codepage::{self, Encoding};
use crate::dialect::steps;
use crate::printed::begins;

/// What the lines since the last check characters come to, where these have a line of their own.
#[derive(Debug, Default)]
pub(super) struct Sum {
    lines: usize,
    /// None: a line of them cannot be counted.
    value: Option<u8>,
}

impl<'s: 't, 't> Page<'s, 't> {
    /// What of a line is left to be read. None: its check characters do not vouch for it, or it is all of them.
    pub(super) fn checked(
        &mut self,
        check: &Check,
        index: usize,
        text: &'t str,
    ) -> Option<&'t str> {
        steps::take(text.len());
        if let Some(digits) = check.own(text) {
            let sum = std::mem::take(&mut self.sum);
            if sum.value.is_none() || value(digits) != sum.value {
                let found = sum.value.map_or("what cannot be counted".to_owned(), hex);
                let why = format!(
                    "the check characters here say {digits}, and the lines above come to {found}"
                );
                self.report.doubts.push(Hold::new(Reason::Incomplete, why).at(index));
            }
            self.apart(index, text, &[(digits, "check")], "words");
            return None;
        }
        if matches!(check.place, Place::OwnLine(_)) {
            // The line that ends a report may stand behind the line that vouches for the rest.
            if self.sum.lines > 0 || !begins(text.as_bytes(), &self.shape.rules.closers) {
                self.count_in(check, text);
            }
            return Some(text);
        }
        let found = check.split(text);
        let (counted, digits) = found.unwrap_or((text, ""));
        let sum = self.sent(counted).map(|bytes| check.of(&bytes));
        if sum.is_none() || value(digits) != sum {
            self.settle();
            let why = match sum {
                Some(sum) if !digits.is_empty() => format!(
                    "the check characters of the line say {digits}, and it comes to {}",
                    hex(sum)
                ),
                _ => "the line has no check characters at its end".to_owned(),
            };
            self.report.doubts.push(Hold::new(Reason::LineError, why).at(index));
            self.apart(index, text, &[], "not understood");
            return None;
        }
        self.digits = digits;
        Some(check.rest(counted))
    }

    /// Notes the check characters beside what the line was read as.
    pub(super) fn digits_apart(&mut self, index: usize) {
        let digits = std::mem::take(&mut self.digits);
        if !digits.is_empty() {
            self.apart(index, digits, &[(digits, "check")], "words");
        }
    }

    /// A line without check characters of its own, which the next line of them vouches for.
    pub(super) fn count_in(&mut self, check: &Check, text: &str) {
        if !matches!(check.place, Place::OwnLine(_)) {
            return;
        }
        let before = if self.sum.lines == 0 { Some(0) } else { self.sum.value };
        let own = self.sent(text).map(|bytes| check.of(&bytes));
        self.sum.value = before.zip(own).map(|(before, own)| check.kind.join(before, own));
        self.sum.lines += 1;
    }

    /// The bytes of a text as the analyzer sends them.
    fn sent<'b>(&self, text: &'b str) -> Option<Cow<'b, [u8]>> {
        if text.is_ascii() || self.shape.encoding == Encoding::Utf8 {
            return Some(Cow::Borrowed(text.as_bytes()));
        }
        codepage::encode(self.shape.encoding, text).map(Cow::Owned)
    }

    /// A whole print that says something has its last lines vouched for.
    pub(super) fn vouched(&mut self, ended: bool) {
        let says = self.told || !self.report.readings.is_empty() || !self.off.is_empty();
        if self.sum.lines > 0 && says && ended {
            let last = self.report.lines.len().saturating_sub(1);
            let why = "the line with the check characters did not come behind this one";
            self.report.doubts.push(Hold::new(Reason::Incomplete, why).at(last));
        }
    }
}

fn hex(sum: u8) -> String {
    format!("{sum:02X}")
}
