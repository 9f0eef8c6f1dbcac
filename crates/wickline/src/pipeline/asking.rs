//! Asks a source about specimens that nobody ordered, over a connection of its own: never in the way of a line, and
//! never in the way of results. Its answer says that it heard; the work comes as an order, where orders come.

use std::sync::Arc;
use std::time::Duration;

use tokio::sync::watch;
use tracing::warn;
use wickline_forward::deliver::{Courier, Limits, Outcome};
use wickline_forward::hl7::Message;
use wickline_forward::schedule::Backoff;
use wickline_forward::verdict::Verdict;

use super::event::{Event, Events};
use crate::settings::bench::{Bench, Source, Target};
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::rows::question::Said;

/// How often it is looked for strips that wait for their order.
const LOOK: Duration = Duration::from_secs(1);

/// What asking one source needs.
pub struct Asking {
    pub ledger: Ledger,
    pub bench: Arc<Bench>,
    pub source: Arc<Source>,
    /// Where it hears questions.
    pub target: Arc<Target>,
    pub events: Events,
    pub stop: watch::Receiver<bool>,
}

impl Asking {
    /// Goes on until told to stop. An error means that the process must end.
    pub async fn run(self) -> Result<(), StoreError> {
        let mut stop = self.stop.clone();
        // One question at a time: what the next says may depend on what comes of this.
        let limits = Limits { window: 1, application: true, ..self.target.limits.clone() };
        let mut courier = Courier::new(self.target.addresses.clone(), limits);
        let backoff = Backoff::new(self.target.retry_first, self.target.retry_max);
        let mut failures: u32 = 0;
        loop {
            let pause = match failures {
                0 => LOOK,
                _ => Duration::from_micros(backoff.pause(failures, u64::from(failures))).max(LOOK),
            };
            tokio::select! {
                () = tokio::time::sleep(pause) => {}
                () = super::stopped(&mut stop) => return Ok(()),
            }
            let round = tokio::select! {
                round = self.round(&mut courier) => round,
                () = super::stopped(&mut stop) => return Ok(()),
            };
            // It may take one connection at a time, and results have theirs.
            courier.close();
            match round {
                Ok(None) => failures = 0,
                Ok(Some(why)) => {
                    if failures == 0 {
                        warn!(source = self.name(), why, "no answer to a question: asked again");
                        self.tell("no-answer", Some(why));
                    }
                    failures = failures.saturating_add(1);
                }
                Err(error) if error.is_fatal() => return Err(error),
                Err(error) => {
                    warn!(source = self.name(), %error, "nothing is asked: the ledger is away")
                }
            }
        }
    }

    fn name(&self) -> &str {
        &self.source.site.name
    }

    fn tell(&self, said: &'static str, why: Option<String>) {
        self.events.tell(Event::Asked { source: self.name().to_owned(), said, why });
    }

    /// Asks all that is due, until one is not answered: then why.
    async fn round(&self, courier: &mut Courier) -> Result<Option<String>, StoreError> {
        let due = self.ledger.within(self.ledger.to_ask(&self.bench, &self.source)).await?;
        if due.is_empty() {
            return Ok(None);
        }
        // Nothing is numbered for somebody who is not there.
        if let Err(why) = courier.reach().await {
            return Ok(Some(why));
        }
        let questions =
            self.ledger.questions(&self.bench, (&self.source, &self.target.layout), due);
        for (key, question) in (0..).zip(self.ledger.within(questions).await?) {
            courier.offer(key, &question.control_id, question.bytes);
            let outcome = courier.next().await.into_iter().find(|(own, _)| *own == key);
            let said = match outcome.map(|(_, outcome)| outcome) {
                Some(Outcome::Settled { verdict: Verdict::Accepted, answer }) => {
                    heard(&answer, question.specimen.expose())
                }
                Some(Outcome::Settled {
                    verdict: Verdict::RefusedError { detail } | Verdict::RefusedReject { detail },
                    ..
                }) => {
                    warn!(source = self.name(), detail, "a question was refused");
                    Said::Refused
                }
                Some(Outcome::Settled { verdict: Verdict::Busy { detail }, .. }) => {
                    return Ok(Some(detail));
                }
                Some(Outcome::NotConnected { why } | Outcome::Unanswered { why }) => {
                    return Ok(Some(why));
                }
                None => return Ok(Some("the connection was lost".to_owned())),
            };
            let noted = self.ledger.question_answered(&self.source, &question.specimen, said);
            self.ledger.within(noted).await?;
            self.tell(said.code(), None);
        }
        Ok(None)
    }
}

/// What an answer that was no refusal says of a question: QAK-2 by table 0208 (HL7 v2.5.1 chapter 5). A plain
/// acknowledgment says that it was heard; one about another specimen answers nothing of ours.
fn heard(answer: &[u8], specimen: &str) -> Said {
    let Ok(message) = Message::read(answer) else { return Said::Refused };
    let about = message.component("QPD", 1, 3, 1);
    if !about.is_empty() && about != specimen {
        return Said::Refused;
    }
    match message.component("QAK", 1, 2, 1).as_str() {
        "NF" => Said::NoWork,
        "AE" | "AR" => Said::Refused,
        _ => Said::Heard,
    }
}

#[cfg(test)]
mod tests {
    use super::heard;
    use crate::store::rows::question::Said;

    #[test]
    fn an_answer_says_what_its_query_status_says() {
        let answer =
            |more: &str| format!("MSH|^~\\&|LIS||||1||RSP^K11|1|P|2.5.1\rMSA|AA|Q1\r{more}");
        for (more, said) in [
            ("", Said::Heard),
            ("QAK|Q1|OK\rQPD|WOS|Q1|KP-20425\r", Said::Heard),
            ("QAK|Q1|NF\rQPD|WOS|Q1|KP-20425\r", Said::NoWork),
            ("QAK|Q1|AE\rQPD|WOS|Q1|KP-20425\r", Said::Refused),
            ("QAK|Q1|OK\rQPD|WOS|Q1|KP-99999\r", Said::Refused),
        ] {
            assert_eq!(heard(answer(more).as_bytes(), "KP-20425"), said, "{more}");
        }
    }
}
