//! What an analyzer asks: kept in the ledger, told, and answered where its dialect says so and somebody still waits.

use tracing::{error, info};
use wickline_listen::ear::Transmission;

use super::super::between::{Answer, became};
use super::super::event::Event;
use super::{GROUP, Reading, TRIES};
use crate::acts::line_query::{HeardQuestion, Noted};
use crate::clock;
use crate::store::StoreError;
use crate::store::rows::line_query::Of;

/// How long an analyzer may wait for an answer, in microseconds: one that comes later could be taken for something
/// else. From memory of what analyzers do: they wait 5 to 60 s.
const WAITS: i64 = 60_000_000;

impl Reading {
    /// What a transmission asks.
    pub(super) fn asked(&self, transmission: &Transmission, at: i64) -> Option<HeardQuestion> {
        let asked = self.analyzer.dialect.asked(transmission)?;
        Some(HeardQuestion { asked, place: transmission.place.from, heard_at: at })
    }

    /// Keeps questions, and has the last of them answered: the one before is not waited for any more. False: told to
    /// stop before it could be done.
    pub(super) async fn take_questions(
        &mut self,
        asked: &[HeardQuestion],
    ) -> Result<bool, StoreError> {
        for group in asked.chunks(GROUP) {
            if !self.take_some(group).await? {
                return Ok(false);
            }
        }
        Ok(true)
    }

    async fn take_some(&mut self, group: &[HeardQuestion]) -> Result<bool, StoreError> {
        let mut failed = 0;
        loop {
            self.beat.beat();
            // A clock that was set back makes nothing older.
            let age = group.last().map_or(0, |one| (clock::now_us() - one.heard_at).max(0));
            let until = clock::tick_us() + WAITS - age;
            let in_time = self.between.is_some() && age < WAITS;
            let done = self.ledger.analyzer_asked(
                &self.bench,
                &self.analyzer,
                &self.tape.id,
                group,
                in_time,
            );
            match self.ledger.within(done).await {
                Ok(noted) => {
                    self.ledger_back();
                    for (one, noted) in group.iter().zip(noted) {
                        self.tell_question(one, noted, until);
                    }
                    return Ok(true);
                }
                Err(error) if error.is_fatal() => return Err(error),
                Err(error) => {
                    if *self.stop.borrow() {
                        return Ok(false);
                    }
                    failed += usize::from(!error.is_passing());
                    // No result waits for a question that cannot be kept.
                    if failed >= TRIES && self.ledger.takes_writes().await {
                        error!(analyzer = %self.analyzer.id, %error, "questions could not be kept");
                        return Ok(true);
                    }
                    self.ledger_away(&error).await;
                }
            }
        }
    }

    fn tell_question(&self, one: &HeardQuestion, noted: Option<Noted>, until: i64) {
        let Some(Noted { outcome, answer, orders }) = noted else { return };
        let (analyzer, question) = (self.analyzer.id.clone(), &one.asked.question);
        let specimens = question.specimens();
        info!(%analyzer, asked = question.code(), specimens, orders, outcome = outcome.code(),
            "the analyzer asks which orders there are");
        let (asked, outcome) = (question.code(), outcome.code());
        self.events.tell(Event::LineAsked { analyzer, asked, specimens, orders, outcome });
        let Some(between) = &self.between else { return };
        match answer {
            Some(records) => between.offer(Answer::Say { to: one.place, records, until }),
            None if question.takes_back() => between.offer(Answer::Nothing),
            None => {}
        }
    }

    /// Writes down what became of answers; what cannot be written now waits.
    pub(super) async fn note_said(&mut self) -> Result<(), StoreError> {
        let Some(between) = &self.between else { return Ok(()) };
        self.said.extend(between.told());
        while let Some((place, said)) = self.said.front().copied() {
            let of = Of { tape: &self.tape.id, analyzer: &self.analyzer.id, place };
            let (outcome, why) = became(said);
            match self.ledger.within(self.ledger.answered(of, outcome, why)).await {
                Ok(()) => {}
                Err(error) if error.is_fatal() => return Err(error),
                Err(error) if error.is_of_one_row() => {
                    error!(analyzer = %self.analyzer.id, %error, "what became of an answer could not be kept");
                }
                // Behind the results that wait for the same ledger.
                Err(_) => return Ok(()),
            }
            self.said.pop_front();
        }
        Ok(())
    }
}
