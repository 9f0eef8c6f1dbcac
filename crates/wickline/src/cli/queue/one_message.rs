//! One message whole: its bytes, the answer, and each field that the answer points at with what we sent.

use serde::Serialize;
use serde_json::json;
use wickline_forward::hl7::{Ack, Message};

use super::super::output::Output;
use super::super::{Answer, Desk, Exit, Failure};
use crate::acts::compose::text as words;
use crate::store::lists::names::{Listed, Typed, Unchosen, chosen};
use crate::store::lists::queue::Whole;

/// One fault that the receiver named.
#[derive(Debug, Serialize)]
struct Pointed {
    /// As the receiver wrote it: `OBX^4^5^1`.
    at: String,
    /// What stands there in what we sent.
    sent: Option<String>,
    code: String,
    words: String,
}

/// `queue show`
pub async fn show(desk: &Desk, text: &str, out: &Output) -> Answer {
    let typed = Typed::parse(text).map_err(Failure::wrong)?;
    let all = desk.ledger.messages_named(&typed).await?;
    let n = match chosen(&typed, &all, |_| true) {
        Ok(ids) if ids.len() == 1 => ids[0],
        Ok(_) => return Err(Failure::wrong("one report is shown at a time")),
        Err(Unchosen::None) => return Err(super::nothing(text)),
        Err(Unchosen::Several(names)) => return Err(several(text, &names)),
    };
    let Some(whole) = desk.ledger.message(n, desk.clock()).await? else {
        return Err(super::nothing(text));
    };
    let others: Vec<&Listed> =
        all.iter().filter(|m| m.n != n && m.name.receiver == whole.item.receiver).collect();
    let pointed = pointed(&whole);
    if out.json {
        let mut value = serde_json::to_value(&whole.item).unwrap_or_default();
        value["body"] = json!(words(&whole.body));
        value["answer"] = json!(whole.answer.as_deref().map(words));
        value["pointed_at"] = json!(pointed);
        let other = |m: &&Listed| json!({"message": m.name, "control_id": m.control_id, "state": m.state.text()});
        value["others"] = others.iter().map(other).collect();
        out.document(&value)?;
        return Ok(Exit::Done);
    }
    let item = &whole.item;
    out.line(&format!(
        "{}: {}, {}, ready {}, control id {}",
        item.message,
        item.state.shown(item.on_hold),
        super::super::tries(item.attempts),
        item.ready_at,
        item.control_id
    ));
    for other in others {
        let Listed { name, control_id, state, .. } = other;
        out.line(&format!("also {name}: {state}; `wickline queue show {control_id}`"));
    }
    if let Some(detail) = &item.detail {
        out.line(detail);
    }
    for one in &pointed {
        let sent = one.sent.as_deref().map_or("not in the message".into(), |s| format!("`{s}`"));
        out.line(&format!("it points at {}: {} {}; we sent {sent}", one.at, one.code, one.words));
    }
    for segment in words(&whole.body).split('\r').filter(|s| !s.is_empty()) {
        out.line(segment);
    }
    if let Some(answer) = &whole.answer {
        out.line("answer:");
        for segment in words(answer).split('\r').filter(|s| !s.is_empty()) {
            out.line(segment);
        }
    }
    Ok(Exit::Done)
}

fn several(text: &str, names: &[String]) -> Failure {
    let commands: Vec<String> =
        names.iter().map(|n| format!("`wickline queue show {n}`")).collect();
    Failure::wrong(format!("{text} is at several receivers: {}", commands.join(", ")))
}

fn pointed(whole: &Whole) -> Vec<Pointed> {
    let answer = whole.answer.as_deref().map(Ack::read);
    let (Some(Ok(ack)), Ok(message)) = (answer, Message::read(&whole.body)) else {
        return Vec::new();
    };
    ack.errors
        .iter()
        .filter(|error| !error.location.is_empty())
        .map(|error| Pointed {
            at: error.location.clone(),
            sent: sent(&message, &error.location),
            code: error.code.clone(),
            words: [error.text.as_str(), error.words.as_str()].join(" ").trim().to_owned(),
        })
        .collect()
}

/// What stands where `OBX^4^5^1^2` points: segment, which of them, field, repetition, component.
fn sent(message: &Message, location: &str) -> Option<String> {
    let mut parts = location.split('^');
    let segment = parts.next().filter(|s| !s.is_empty())?;
    let mut number = || parts.next().and_then(|p| p.trim().parse::<usize>().ok());
    let nth = number().unwrap_or(1);
    let Some(field) = number() else {
        return (message.count(segment) >= nth).then(|| format!("{segment} {nth}"));
    };
    let text = message.field(segment, nth, field)?;
    let repetition = number().unwrap_or(1).max(1);
    let text = message.repetitions(text).nth(repetition - 1)?;
    let text = match number() {
        None => text,
        Some(component) => message.components(text).nth(component.max(1) - 1)?,
    };
    Some(message.unescape(text))
}

#[cfg(test)]
mod tests {
    use super::sent;
    use wickline_forward::hl7::Message;

    #[test]
    fn a_location_leads_to_what_was_sent() {
        let text = b"MSH|^~\\&|A|B|C|D|1||ORU^R01^ORU_R01|1|P|2.5.1\rOBX|1|NM|A^B\rOBX|2|NM|C^D\\S\\E||7\r";
        let message = Message::read(text).expect("a message");
        for (location, found) in [
            ("OBX^2^5", Some("7")),
            ("OBX^2^3^1^2", Some("D^E")),
            ("OBX^1^3", Some("A^B")),
            ("OBX^2", Some("OBX 2")),
            ("OBX^3^5", None),
            ("PID^1^3", None),
            ("", None),
            ("OBX^x^y", Some("OBX 1")),
            ("MSH^1^12", Some("2.5.1")),
        ] {
            assert_eq!(sent(&message, location).as_deref(), found, "{location}");
        }
    }
}
