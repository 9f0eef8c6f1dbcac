//! What a source is asked about a specimen that nobody ordered: which questions are due, and what it said.

use std::collections::BTreeSet;

use wickline_forward::hl7::{Layout, Version};
use wickline_forward::orders::{Asker, Profile, query};
use wickline_normalize::Private;

use super::ordering::unanswerable;
use crate::clock;
use crate::settings::bench::{Bench, Source};
use crate::store::StoreError;
use crate::store::era::Era;
use crate::store::ledger::{Ledger, take};
use crate::store::rows::question::{self, Said};
use crate::store::trail::{Act, Actor, record};

/// Questions at a time.
const AT_ONCE: usize = 50;

/// One question, ready to be sent.
pub struct Question {
    pub specimen: Private,
    pub control_id: String,
    pub bytes: Vec<u8>,
}

impl Ledger {
    /// The specimens of this bench's strips that are to be asked about now: once for each time that one was heard.
    pub async fn to_ask(
        &self,
        bench: &Bench,
        source: &Source,
    ) -> Result<BTreeSet<Private>, StoreError> {
        let mut moment = self.db.moment().await?;
        let due = question::due(&mut moment, &source.site.name).await?;
        moment.commit().await?;
        let ours = due.into_iter().filter(|(analyzer, ..)| bench.analyzer(analyzer).is_some());
        Ok(ours.map(|(_, specimen, _)| specimen).take(AT_ONCE).collect())
    }

    /// How many specimens of this bench's strips, heard before a moment, a source has said nothing of, and when the
    /// first was heard. None: it is not asked, or has answered.
    pub async fn unanswered(
        &self,
        bench: &Bench,
        source: &Source,
        before: i64,
    ) -> Result<Option<(usize, i64)>, StoreError> {
        if source.ask.is_none() {
            return Ok(None);
        }
        let mut moment = self.db.moment().await?;
        let mut due = question::due(&mut moment, &source.site.name).await?;
        moment.commit().await?;
        due.retain(|(analyzer, _, heard)| bench.analyzer(analyzer).is_some() && *heard < before);
        let first = due.iter().map(|(.., heard)| *heard).min();
        let all: BTreeSet<Private> = due.into_iter().map(|(_, specimen, _)| specimen).collect();
        Ok(first.map(|first| (all.len(), first)))
    }

    /// The questions about these specimens, each under a name of its own.
    pub async fn questions(
        &self,
        bench: &Bench,
        (source, layout): (&Source, &Layout),
        specimens: BTreeSet<Private>,
    ) -> Result<Vec<Question>, StoreError> {
        let name = &source.site.name;
        let mut write = self.act().await?;
        let (era, first) = (Era::draw()?, take(&mut write, "message", specimens.len()).await?);
        write.commit().await?;
        let made = bench.clock.moment(clock::now_us());
        let mut questions = Vec::with_capacity(specimens.len());
        for (n, specimen) in (first..).zip(specimens) {
            let control_id = era.control_id(n);
            match query(source.asker(layout), &specimen, (&control_id, made)) {
                Ok(bytes) => questions.push(Question { specimen, control_id, bytes }),
                // It bears what no message can say: it stays with the person who has it before them.
                Err(fault) => {
                    let error = unanswerable(fault);
                    tracing::warn!(source = name, %error, "a specimen cannot be asked about");
                    self.question_answered(source, &specimen, Said::Refused).await?;
                }
            }
        }
        Ok(questions)
    }

    /// Notes what a source said to a question, where everybody sees it.
    pub async fn question_answered(
        &self,
        source: &Source,
        specimen: &Private,
        said: Said,
    ) -> Result<(), StoreError> {
        let name = source.site.name.as_str();
        let mut write = self.act().await?;
        question::note(&mut write, (name, specimen), said, clock::now_us()).await?;
        let act = Act {
            verb: "ask",
            object: format!("source {name}"),
            became: Some(said.code().into()),
            ..Act::default()
        };
        record(&mut write, &Actor::daemon(), act).await?;
        write.commit().await
    }
}

impl Source {
    /// Who asks whom: as the receiver's results say it, for it is the receiver that is asked.
    fn asker<'a>(&'a self, layout: &'a Layout) -> Asker<'a> {
        let parties = [
            &layout.sending_application,
            &layout.sending_facility,
            &layout.receiving_application,
            &layout.receiving_facility,
        ];
        let version = self.site.versions.iter().copied().max().unwrap_or(Version::V251);
        Asker {
            parties: parties.map(|party| party.name.as_str()),
            processing: &self.site.processing,
            version,
            law: self.site.profile == Profile::Law,
        }
    }
}
