//! What a receiver answered: MSA and every ERR, in the form of 2.5 and in the older one.

use super::read::Message;

/// The most ERR segments and repetitions that are looked at.
pub(super) const ERRORS_MAX: usize = 32;

/// MSA-1 (table 0008).
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum AckCode {
    /// The application accepted it.
    Aa,
    /// The application found an error in it.
    Ae,
    /// The application rejected it.
    Ar,
    /// It is committed to safe storage; the application's answer may follow.
    Ca,
    /// It was not committed: an error in it.
    Ce,
    /// It was not committed: rejected.
    Cr,
}

impl AckCode {
    const ALL: [AckCode; 6] =
        [AckCode::Aa, AckCode::Ae, AckCode::Ar, AckCode::Ca, AckCode::Ce, AckCode::Cr];

    /// As it stands in MSA-1.
    #[must_use]
    pub fn text(self) -> &'static str {
        match self {
            AckCode::Aa => "AA",
            AckCode::Ae => "AE",
            AckCode::Ar => "AR",
            AckCode::Ca => "CA",
            AckCode::Ce => "CE",
            AckCode::Cr => "CR",
        }
    }
}

/// One fault that a receiver names.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct AckError {
    /// Where, as written: `OBX^4^5^1`.
    pub location: String,
    /// Table 0357.
    pub code: String,
    /// The text of that code, as the receiver wrote it.
    pub text: String,
    /// `E`, `W` or `I` (table 0516); empty in the older form.
    pub severity: String,
    /// What the receiver wrote for people.
    pub words: String,
}

impl AckError {
    /// Warnings and information come along with acceptance and decide nothing.
    #[must_use]
    pub fn is_fault(&self) -> bool {
        !matches!(self.severity.as_str(), "W" | "I")
    }

    fn is_empty(&self) -> bool {
        self.location.is_empty()
            && self.code.is_empty()
            && self.text.is_empty()
            && self.words.is_empty()
    }
}

/// A receiver's answer. Its texts may quote a patient: they are for the ledger, never for a log.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Ack {
    /// Whether it was accepted.
    pub code: AckCode,
    /// MSA-2: the message that is answered.
    pub control_id: String,
    /// MSA-3.
    pub text: String,
    /// What it names as wrong, 32 at most; empty where it says nothing.
    pub errors: Vec<AckError>,
}

impl Ack {
    /// Reads an answer. The error says what was wrong and quotes nothing.
    ///
    /// Without an MSA, or with a code that is none of the six, it is no answer. What a receiver adds
    /// beyond is read past.
    pub fn read(bytes: &[u8]) -> Result<Ack, String> {
        let message = Message::read(bytes)?;
        if message.count("MSA") == 0 {
            return Err("it has no MSA segment".into());
        }
        let code = message.component("MSA", 1, 1, 1);
        let code = AckCode::ALL
            .into_iter()
            .find(|known| known.text() == code.trim())
            .ok_or("MSA-1 is none of AA, AE, AR, CA, CE, CR")?;
        let control_id = message.component("MSA", 1, 2, 1).trim().to_owned();
        let text = message.unescape(message.field("MSA", 1, 3).unwrap_or(""));
        Ok(Ack { code, control_id, text, errors: errors(&message) })
    }
}

fn errors(message: &Message) -> Vec<AckError> {
    let mut errors = Vec::new();
    // MSA-6 was the place of the error code until 2.4.
    let (code, text) = (message.component("MSA", 1, 6, 1), message.component("MSA", 1, 6, 2));
    errors.push(AckError { code, text, ..AckError::default() });
    for nth in 1..=message.count("ERR").min(ERRORS_MAX) {
        errors.push(recent(message, nth));
        let field = message.field("ERR", nth, 1).unwrap_or("");
        errors.extend(message.repetitions(field).take(ERRORS_MAX).map(|one| older(message, one)));
    }
    errors.retain(|error| !error.is_empty());
    errors.truncate(ERRORS_MAX);
    errors
}

/// ERR-2 and on, from 2.5.
///
/// Where it is, which code, how severe, and both texts for people.
fn recent(message: &Message, nth: usize) -> AckError {
    let whole = |field| message.unescape(message.field("ERR", nth, field).unwrap_or(""));
    let words: Vec<_> = [7, 8].map(whole).into_iter().filter(|w| !w.is_empty()).collect();
    AckError {
        location: whole(2),
        code: message.component("ERR", nth, 3, 1).trim().to_owned(),
        text: message.component("ERR", nth, 3, 2),
        severity: message.component("ERR", nth, 4, 1).trim().to_owned(),
        words: words.join("; "),
    }
}

/// One repetition of ERR-1: segment, sequence, field, then the code in subcomponents.
///
/// Up to 2.4 place and code stand in one field.
fn older(message: &Message, one: &str) -> AckError {
    let parts: Vec<_> = message.components(one).take(4).collect();
    let place = parts.iter().take(3).copied().collect::<Vec<_>>().join("^");
    let mut named = message.subcomponents(parts.get(3).copied().unwrap_or(""));
    let mut next = || message.unescape(named.next().unwrap_or(""));
    AckError {
        location: place.trim_end_matches('^').to_owned(),
        code: next().trim().to_owned(),
        text: next(),
        ..AckError::default()
    }
}
