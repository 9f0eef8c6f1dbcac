//! An analyzer asks on its line which orders there are: what it asked is kept, and what it is told is looked up in the
//! same transaction.
//!
//! It is told what it needs to measure, and nothing else: id, test, priority and time of collection, never a patient.

use wickline_listen::dialect::query::{self, Asked, Heading, Ordered, Question, Told};
use wickline_normalize::Private;
use wickline_normalize::orders::Orders;
use wickline_normalize::report::Text;
use wickline_normalize::strip::Strip;

use super::judging::stripped;
use crate::clock;
use crate::settings::bench::{Analyzer, Bench};
use crate::store::StoreError;
use crate::store::db::Write;
use crate::store::ledger::Ledger;
use crate::store::rows::line_query::{self, Entry, Of, Outcome};
use crate::store::rows::order::{self, Kept, Which};

/// How an answer calls this end of the line where the question does not (H-5).
const NAME: &str = "WICKLINE";
/// What strips are dipped into (O-16; HL7 table 0487).
const URINE: &str = "UR";
/// Orders in one answer at most. Our own choice.
const ORDERS_MAX: usize = 200;
/// Why an answer is not given at all.
const OVERTAKEN: &str = "another question came before it could be said";
const UNWRITABLE: &str = "it cannot be written as records of LIS02";

/// A question as it was heard.
#[derive(Clone, Debug)]
pub struct HeardQuestion {
    pub asked: Asked,
    /// Its first byte on the tape.
    pub place: u64,
    pub heard_at: i64,
}

/// What was kept of a question.
#[derive(Clone, Debug)]
pub struct Noted {
    pub outcome: Outcome,
    /// What is said on the line, where something is.
    pub answer: Option<Vec<Vec<u8>>>,
    pub orders: usize,
}

/// An order that answers a question, as the analyzer knows it.
struct Known {
    specimen: Private,
    test: String,
    kept: Kept,
}

impl Ledger {
    /// Keeps questions in their order, and looks up what is to be said to the last. `in_time`: somebody still waits for
    /// that. None: it was kept before, by somebody who may have answered it.
    pub async fn analyzer_asked(
        &self,
        bench: &Bench,
        analyzer: &Analyzer,
        tape: &str,
        heard: &[HeardQuestion],
        in_time: bool,
    ) -> Result<Vec<Option<Noted>>, StoreError> {
        let mut write = self.db.write().await?;
        let mut all = Vec::with_capacity(heard.len());
        for (n, one) in heard.iter().enumerate() {
            let of = Of { tape, analyzer: &analyzer.id, place: one.place };
            if line_query::is_known(&mut write, of).await? {
                all.push(None);
                continue;
            }
            let question = &one.asked.question;
            let (noted, why) = match outcome(analyzer, question, n + 1 == heard.len(), in_time) {
                (Outcome::Waiting, _) => answer(&mut write, bench, analyzer, &one.asked).await?,
                (outcome, why) => (Noted { outcome, answer: None, orders: 0 }, why),
            };
            let entry = Entry {
                of,
                heard_at: one.heard_at,
                day: &bench.clock.day(one.heard_at),
                asked: question.code(),
                specimens: question.specimens(),
                orders: noted.orders,
                outcome: noted.outcome,
                why,
            };
            line_query::keep(&mut write, entry).await?;
            all.push(Some(noted));
        }
        write.commit().await?;
        Ok(all)
    }
}

/// What becomes of a question, before anything is looked up for it.
fn outcome(
    analyzer: &Analyzer,
    question: &Question,
    last: bool,
    in_time: bool,
) -> (Outcome, Option<&'static str>) {
    match question {
        Question::Aborted | Question::Broken => (Outcome::NoneOwed, None),
        _ if !analyzer.dialect.answers() => (Outcome::Off, None),
        _ if !in_time => (Outcome::Late, None),
        _ if !last => (Outcome::Dropped, Some(OVERTAKEN)),
        _ => (Outcome::Waiting, None),
    }
}

/// What is said to a question.
async fn answer(
    write: &mut Write,
    bench: &Bench,
    analyzer: &Analyzer,
    asked: &Asked,
) -> Result<(Noted, Option<&'static str>), StoreError> {
    let known = known(write, bench, analyzer, &asked.question).await?;
    let (answer, orders) = (said(bench, asked, &known), known.len());
    Ok(match answer {
        Some(_) => (Noted { outcome: Outcome::Waiting, answer, orders }, None),
        None => (Noted { outcome: Outcome::Dropped, answer, orders }, Some(UNWRITABLE)),
    })
}

/// The records of an answer. None: they cannot be written, or would be too many.
fn said(bench: &Bench, asked: &Asked, known: &[Known]) -> Option<Vec<Vec<u8>>> {
    let now = clock::now_us();
    let sender = if asked.receiver.is_empty() { NAME } else { &asked.receiver };
    let made = bench.clock.moment(now);
    let heading = Heading { sender, receiver: &asked.sender, made };
    let collected = |one: &Known| {
        let at = one.kept.order.wanted.as_ref()?.collected?;
        Some(bench.clock.moment(at.saturating_mul(1_000_000)))
    };
    let orders: Vec<Ordered<'_>> = known
        .iter()
        .map(|one| Ordered {
            specimen: &one.specimen,
            test: &one.test,
            urgent: one.kept.order.wanted.as_ref().is_some_and(|wanted| wanted.urgent),
            collected: collected(one),
            descriptor: URINE,
            cancelled: false,
            patient: None,
        })
        .collect();
    let told = match &asked.question {
        Question::Specimens(_) => Told::Orders(&orders),
        _ => Told::NotUnderstood,
    };
    if orders.len() > ORDERS_MAX {
        return None;
    }
    // A header of theirs that cannot be repeated is no reason to say nothing.
    let plain = Heading { sender: NAME, receiver: "", made };
    query::answer(heading, told).or_else(|| query::answer(plain, told))
}

/// The orders that a question is answered with: of each specimen those with which a strip of this analyzer would go.
async fn known(
    write: &mut Write,
    bench: &Bench,
    analyzer: &Analyzer,
    question: &Question,
) -> Result<Vec<Known>, StoreError> {
    let mut found: Vec<Known> = Vec::new();
    let Question::Specimens(specimens) = question else { return Ok(found) };
    if !bench.has_orders() {
        return Ok(found);
    }
    let merges = order::merges(write).await?;
    let now = clock::now_us().div_euclid(1_000_000);
    for asked in specimens {
        // Control material has no orders, whatever there is under its id.
        if analyzer.rules.control_specimen(asked.expose()).is_some() {
            continue;
        }
        let specimen = Private::new(stripped(asked.expose(), analyzer));
        let which = Which { specimens: [specimen.clone()].into(), ..Which::default() };
        let rows = order::load(write, &which).await?;
        let orders = Orders::new(rows.iter().map(|one| one.order.clone()), merges.clone());
        for strip in &analyzer.strips {
            let pads: Vec<Text> = strip.pads.iter().map(|p| Text::from(p.id.as_str())).collect();
            for key in orders.asked(&specimen, &pads, &bench.orders.rules, now) {
                let told = found.iter().any(|one| one.kept.order.key == key);
                let kept = rows.iter().find(|one| one.order.key == key && !told);
                let test = called(strip).to_owned();
                found.extend(kept.map(|kept| Known {
                    specimen: asked.clone(),
                    test,
                    kept: kept.clone(),
                }));
            }
        }
    }
    Ok(found)
}

/// What an analyzer calls a strip: as its prints do.
fn called(strip: &Strip) -> &str {
    strip.accepts.first().unwrap_or(&strip.id)
}
