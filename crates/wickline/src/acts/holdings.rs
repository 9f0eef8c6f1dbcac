//! What each receiver holds now of a report: read from the kept messages, never recomputed.

use wickline_forward::hl7::{Shown, Told};
use wickline_normalize::ResultStatus;
use wickline_normalize::correction::Known;

use super::telling::History;
use crate::store::StoreError;
use crate::store::ledger::Ledger;
use crate::store::lists::told::ToldAt;

/// What one receiver holds under one OBR-3.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Holding {
    pub receiver: String,
    pub obr3: String,
    /// The numbers that it has, where they are others: those of the orders that it goes by.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub ordered: Vec<String>,
    pub specimen: Option<String>,
    pub holds: Holds,
    pub results: Vec<Held>,
    /// The control ids of the messages that it has or may have, in the order of sending.
    #[serde(skip)]
    pub sent: Vec<String>,
    /// Why that is not known.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub why: Option<String>,
}

/// In one word.
#[derive(Clone, Copy, Debug, PartialEq, Eq, serde::Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Holds {
    /// It was told nothing, or refused all of it.
    Nothing,
    Results,
    /// Everything that it was told was taken back.
    Withdrawn,
    Unknown,
}

impl Holds {
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            Holds::Nothing => "nothing",
            Holds::Results => "results",
            Holds::Withdrawn => "withdrawn",
            Holds::Unknown => "unknown",
        }
    }
}

/// One result as a receiver shows it.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Line {
    pub name: String,
    pub value: String,
    pub unit: String,
    pub flag: String,
}

impl From<Shown> for Line {
    fn from(shown: Shown) -> Self {
        let Shown { name, value, unit, flag } = shown;
        Self { name, value, unit, flag }
    }
}

/// One result that a receiver was told.
#[derive(Clone, Debug, serde::Serialize)]
pub struct Held {
    #[serde(flatten)]
    pub line: Line,
    /// OBX-11.
    pub status: &'static str,
    /// It may have this or what it had before: its answer never came.
    pub doubtful: bool,
    /// OBX-4: what tells it from others of its code.
    #[serde(skip)]
    pub sub_id: String,
    /// OBX-3: the code, and the other one beside it.
    #[serde(skip)]
    pub codes: Vec<String>,
    /// The forms of OBX-5.
    #[serde(skip)]
    pub forms: Vec<String>,
}

impl Ledger {
    /// What each receiver holds of a report, under each OBR-3 that it was told of it.
    pub async fn holdings(&self, report: i64) -> Result<Vec<Holding>, StoreError> {
        Ok(self.told_at(report).await?.into_iter().map(holding).collect())
    }
}

fn holding(place: ToldAt) -> Holding {
    let ToldAt { receiver, obr3, specimen, past } = place;
    let mut ordered = Vec::new();
    let past = History::of(past);
    let sent = past.told().map(|(message, _)| message.control_id.clone()).collect();
    let known = match past.known() {
        Ok(known) => known,
        Err(error) => {
            let (holds, results) = (Holds::Unknown, Vec::new());
            let why = Some(error.to_string());
            return Holding { receiver, obr3, ordered, specimen, holds, results, sent, why };
        }
    };
    for k in &known {
        let number = k.entry.number();
        if !number.is_empty() && !ordered.contains(&number) {
            ordered.push(number);
        }
    }
    ordered = if ordered == [obr3.clone()] { Vec::new() } else { ordered };
    let held = known.iter().map(|k| {
        let (codes, forms) = k.entry.codes_and_forms();
        let doubtful = k.doubtful || !k.sure;
        let (line, status) = (k.entry.shown().into(), k.status.text());
        let sub_id = k.entry.sub_id().to_owned();
        Held { line, status, doubtful, sub_id, codes, forms }
    });
    let results: Vec<Held> = held.collect();
    let withdrawn = |k: &Known<Told>| k.status == ResultStatus::Withdrawn && k.sure && !k.doubtful;
    let holds = match known.len() {
        0 => Holds::Nothing,
        _ if known.iter().all(withdrawn) => Holds::Withdrawn,
        _ => Holds::Results,
    };
    Holding { receiver, obr3, ordered, specimen, holds, results, sent, why: None }
}
