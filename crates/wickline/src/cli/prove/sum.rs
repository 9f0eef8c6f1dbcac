//! What a proof comes to, in one sum: the last line, the page, JSON and the exit code all say this one.

use serde::Serialize;

use super::Proof;
use crate::prove::Verdict;
use crate::prove::paper::Comparison;

/// How many of what are as they should be, and how many are not.
#[derive(Clone, Debug, Serialize)]
pub(super) struct Sum {
    pub as_expected: usize,
    pub differs: usize,
    pub not_printable: usize,
    /// What a person typed from the paper, and what of it is read or sent otherwise.
    pub typed_in_all: usize,
    pub typed_differ: usize,
    /// What is not proved, and nobody has accepted.
    pub open: usize,
    /// Test messages that the receiver refused.
    pub refused: usize,
    /// A receiver could not be reached, or gave no answer.
    pub unanswered: bool,
    /// Facts and cases that are not as they were.
    pub changed: usize,
    /// Nothing of it is wrong.
    pub whole: bool,
}

impl Sum {
    /// Of a proof that was sent as far as it could be, compared with an older one or not.
    pub fn of(proof: &Proof, changes: Option<&Comparison>, answered: bool) -> Sum {
        let count = |verdict| proof.rows.iter().filter(|row| row.verdict == verdict).count();
        let refused = proof.rows.iter().filter(|row| row.answered.starts_with("refused"));
        let facts = |changes: &Comparison| changes.facts.as_ref().map_or(0, Vec::len);
        let mut sum = Sum {
            as_expected: count(Verdict::AsExpected),
            differs: count(Verdict::Differs),
            not_printable: count(Verdict::NotPrintable),
            typed_in_all: proof.typed.len(),
            typed_differ: proof.typed.iter().filter(|one| one.differs).count(),
            open: proof.gaps.iter().filter(|gap| gap.accepted.is_none()).count(),
            refused: refused.count(),
            unanswered: !answered,
            changed: changes.map_or(0, |changes| changes.cases.len() + facts(changes)),
            whole: false,
        };
        let wrong = sum.differs + sum.typed_differ + sum.open + sum.refused + sum.changed;
        sum.whole = wrong == 0 && answered && changes.is_none_or(Comparison::is_empty);
        sum
    }

    /// `815 cases as expected, 0 differ, 3 not printable; of 19 things typed from the paper 2 differ; 1 not proved`
    pub fn words(&self) -> String {
        let mut all = vec![format!(
            "{} cases as expected, {} differ, {} not printable",
            self.as_expected, self.differs, self.not_printable
        )];
        all.push(match (self.typed_in_all, self.typed_differ) {
            (0, _) => "nothing was typed from a paper".to_owned(),
            (typed, differ) => format!("of {typed} things typed from the paper {differ} differ"),
        });
        let more = [
            (self.open, "not proved"),
            (self.refused, "refused by the receiver"),
            (self.changed, "not as it was"),
        ];
        let more = more.iter().filter(|(count, _)| *count > 0);
        all.extend(more.map(|(count, what)| format!("{count} {what}")));
        all.extend(self.unanswered.then(|| "not all messages were answered".to_owned()));
        all.join("; ")
    }

    /// The verdict, as the exit code has it.
    pub fn verdict(&self) -> &'static str {
        if self.whole { "a whole proof" } else { "NO whole proof" }
    }
}
