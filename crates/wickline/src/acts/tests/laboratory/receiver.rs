//! What the receiver of the random laboratory holds, and what it must never be sent.

use std::collections::{BTreeMap, HashMap};

use wickline_forward::hl7::Message;

use super::{GRADES, PADS};

/// What the receiver has under one OBR-3.
#[derive(Clone, Debug, Default)]
pub struct Has {
    pub filler: String,
    pub specimen: String,
    values: BTreeMap<String, (String, String)>,
    /// The control id of the message that told it last, and in which history of the ledger that was.
    pub last: String,
    pub history: usize,
}

impl Has {
    pub fn is_withdrawn(&self) -> bool {
        self.values.values().all(|(_, status)| status == "W")
    }

    /// The print that its readings spell.
    pub fn print(&self) -> usize {
        let grade = |pad: &str| {
            let (value, _) = self.values.get(&format!("{pad}-GRADE")).cloned().unwrap_or_default();
            let value = if value == "Negative" { "NEG".to_owned() } else { value };
            GRADES.iter().position(|g| *g == value).unwrap_or(0)
        };
        PADS.iter().enumerate().map(|(n, pad)| grade(pad) << (2 * n)).sum()
    }
}

/// It forgets nothing, whatever is done to the ledger.
#[derive(Debug, Default)]
pub struct Receiver {
    /// In the order in which it first heard of each.
    pub has: Vec<Has>,
    /// Messages that it took, by control id.
    took: HashMap<String, Vec<u8>>,
}

impl Receiver {
    /// It never says no to a message that it took when that comes again.
    pub fn took(&self, control_id: &str) -> bool {
        self.took.contains_key(control_id)
    }

    pub fn under(&self, filler: &str) -> Option<&Has> {
        self.has.iter().find(|has| has.filler == filler)
    }

    /// Takes a message. No control id and no OBR-3 means two things, no changed value comes as final, and
    /// nothing but a withdrawal comes after one. What it has now, or which law was broken.
    pub fn takes(&mut self, control_id: &str, body: &[u8], history: usize) -> Result<&Has, String> {
        let message = Message::read(body)?;
        let (filler, specimen) =
            (message.component("OBR", 1, 3, 1), message.component("SPM", 1, 2, 1));
        if message.component("MSH", 1, 10, 1) != control_id {
            return Err(format!("{control_id} bears another control id"));
        }
        let before = self.took.insert(control_id.to_owned(), body.to_vec());
        if before.as_ref().is_some_and(|before| before != body) {
            return Err(format!("control id {control_id} was given to two messages"));
        }
        let known = self.has.iter().position(|has| has.filler == filler);
        let place = known.unwrap_or(self.has.len());
        if known.is_none() {
            self.has.push(Has {
                filler: filler.clone(),
                specimen: specimen.clone(),
                ..Has::default()
            });
        }
        let has = &mut self.has[place];
        if has.specimen != specimen {
            return Err(format!("{filler} was of {}, and is of {specimen}", has.specimen));
        }
        for n in 1..=message.count("OBX") {
            let of = |field, part| message.component("OBX", n, field, part);
            let (key, value, status) = (of(3, 4), of(5, 2), of(11, 1));
            if let Some((had, stood)) = has.values.get(&key) {
                if stood == "W" && status != "W" {
                    return Err(format!("{filler} {key}: {value} {status} after a withdrawal"));
                }
                if before.is_none() && status == "F" && *had != value {
                    return Err(format!("{filler} {key}: {had}, then {value} F"));
                }
            }
            has.values.insert(key, (value, status));
        }
        (has.last, has.history) = (control_id.to_owned(), history);
        Ok(has)
    }
}
