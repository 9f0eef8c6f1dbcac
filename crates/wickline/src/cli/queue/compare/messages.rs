//! An export that holds HL7 messages: the receiver's own, or ours as it logged them.

use wickline_forward::hl7::{Message, is_result};

use super::filed::{Filed, Form, Part, time};

/// Each message from its MSH at the head of a line to the next, with or without the block characters of MLLP.
pub fn split(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
    let heads: Vec<usize> = (0..bytes.len())
        .filter(|at| {
            let behind = at.checked_sub(1).and_then(|before| bytes.get(before));
            bytes.get(*at..).is_some_and(|rest| rest.starts_with(b"MSH"))
                && behind.is_none_or(|b| matches!(b, b'\r' | b'\n' | 0x0b | 0x1c | 0xbf))
        })
        .collect();
    let ends = heads.iter().skip(1).copied().chain([bytes.len()]).collect::<Vec<_>>();
    heads.into_iter().zip(ends).map(move |(from, to)| {
        let text = bytes.get(from..to).unwrap_or_default();
        text.strip_suffix(b"\x1c\r").unwrap_or(text)
    })
}

pub fn read(bytes: &[u8], form: &Form<'_>) -> Result<Vec<Filed>, String> {
    let mut filed = Vec::new();
    for (n, bytes) in split(bytes).enumerate() {
        let message = Message::read(bytes).map_err(|why| format!("message {}: {why}", n + 1))?;
        let whole = Whole { message: &message, segments: message.segments().collect() };
        whole.results(n + 1, form, &mut filed);
    }
    Ok(filed)
}

/// A message, cut once.
struct Whole<'m> {
    message: &'m Message,
    segments: Vec<Vec<&'m str>>,
}

impl<'m> Whole<'m> {
    fn is(&self, at: usize, name: &str) -> bool {
        self.segments.get(at).and_then(|cells| cells.first()).is_some_and(|own| *own == name)
    }

    fn field(&self, at: usize, field: usize) -> &'m str {
        self.segments.get(at).and_then(|cells| cells.get(field)).copied().unwrap_or("")
    }

    /// The first subcomponent of a component of the first repetition. None: it is empty.
    fn part(&self, at: usize, field: usize, component: usize) -> Option<String> {
        let first = self.message.repetitions(self.field(at, field)).next()?;
        let part = self.message.components(first).nth(component.checked_sub(1)?)?;
        let text = self.message.unescape(self.message.subcomponents(part).next()?);
        Some(text.trim().to_owned()).filter(|text| !text.is_empty())
    }

    /// Where the segments of a name stand.
    fn places(&self, name: &str) -> Vec<usize> {
        (0..self.segments.len()).filter(|at| self.is(*at, name)).collect()
    }

    fn results(&self, n: usize, form: &Form<'_>, filed: &mut Vec<Filed>) {
        let (orders, specimens) = (self.places("OBR"), self.places("SPM"));
        let told = self.part(0, 6, 1).and_then(|text| time(&text, form.clock));
        let control_id = self.part(0, 9, 1);
        let (mut common, mut nth, mut placed, mut orc) = (Filed::default(), 0, 0, None);
        for at in 0..self.segments.len() {
            if self.is(at, "ORC") {
                orc = Some(at);
            } else if self.is(at, "OBR") {
                placed += 1;
                let next = orders.get(placed).copied();
                let spm = specimen(&specimens, &orders, at, next);
                common = self.order(at, orc.take(), spm, form);
                (common.time, common.control_id) = (told, control_id.clone());
            } else if self.is(at, "OBX") {
                nth += 1;
                if is_result(&self.part(at, 3, 1).unwrap_or_default()) {
                    let place = format!("message {n}, OBX {nth}");
                    filed.push(Filed { place, ..self.result(at, &common) });
                }
            }
        }
    }

    /// What all results of an order have in common.
    fn order(&self, at: usize, orc: Option<usize>, spm: Option<usize>, form: &Form<'_>) -> Filed {
        // Our number may stand in each of these, and in OBR-3 behind a specimen id.
        let own = [(3, 1), (3, 2), (2, 1)].map(|(field, part)| self.part(at, field, part));
        let before = |field| orc.and_then(|orc| self.part(orc, field, 1));
        let orders = own.into_iter().chain([before(3), before(2)]).flatten().collect();
        let placer = self.part(at, 2, 1);
        let patient = || self.places("PID").first().and_then(|pid| self.part(*pid, 3, 1));
        let by_layout = || match form.specimen_in {
            places if places.obr_2 => placer.clone(),
            places if places.obr_3 => self.part(at, 3, 1),
            places if places.pid_3 => patient(),
            _ => None,
        };
        let named = spm.and_then(|spm| {
            // Two ids are none of ours.
            let whole = self.message.unescape(self.field(spm, 2));
            let several = self.message.repetitions(self.field(spm, 2)).nth(1).map(|_| whole);
            several.or_else(|| self.part(spm, 2, 1)).or_else(|| self.part(spm, 2, 2))
        });
        Filed { orders, specimen: named.or_else(by_layout), placer, ..Filed::default() }
    }

    fn result(&self, at: usize, common: &Filed) -> Filed {
        let codes = self.coded(at, 3).into_iter().filter(|part| part.is_code);
        let status = self.part(at, 11, 1).unwrap_or_default();
        Filed {
            codes: codes.map(|part| part.text).collect(),
            sub_id: self.part(at, 4, 1).unwrap_or_default(),
            value: self.value(at),
            unit: Some(self.coded(at, 6).into_iter().map(|part| part.text).collect()),
            flag: Some(self.first_parts(at, 8)),
            status: Some(status),
            ..common.clone()
        }
    }

    /// The first component of each repetition.
    fn first_parts(&self, at: usize, field: usize) -> Vec<String> {
        let all = self.message.repetitions(self.field(at, field));
        let text = |one| self.message.unescape(self.message.components(one).next().unwrap_or(""));
        all.map(text).map(|text| text.trim().to_owned()).filter(|text| !text.is_empty()).collect()
    }

    /// Codes and texts of every repetition of a coded field.
    fn coded(&self, at: usize, field: usize) -> Vec<Part> {
        let mut parts = Vec::new();
        for one in self.message.repetitions(self.field(at, field)) {
            let cells: Vec<String> =
                self.message.components(one).map(|c| self.message.unescape(c)).collect();
            let cell = |n: usize| cells.get(n).map(|c| c.trim().to_owned()).unwrap_or_default();
            for (text, system) in [(0, Some(2)), (1, None), (3, Some(5)), (4, None)] {
                let (is_code, system) = (system.is_some(), system.map(cell).unwrap_or_default());
                parts.push(Part { text: cell(text), is_code, system });
            }
        }
        parts.retain(|part| !part.text.is_empty());
        parts
    }

    fn value(&self, at: usize) -> Vec<Part> {
        let kind = self.field(at, 2);
        if matches!(kind, "CE" | "CWE" | "CNE" | "CF") {
            return self.coded(at, 5);
        }
        let mut parts = Vec::new();
        for one in self.message.repetitions(self.field(at, 5)) {
            let cells = self.message.components(one).map(|c| self.message.unescape(c));
            // A structured number is read as people write it; of anything else each component says something.
            if kind == "SN" {
                parts.push(cells.collect::<String>());
            } else {
                parts.extend(cells);
            }
        }
        let parts = parts.into_iter().map(|text| text.trim().to_owned());
        let parts = parts.filter(|text| !text.is_empty());
        parts.map(Part::text).collect()
    }
}

/// The SPM of an order: in a message that is ordered by specimens the last one before it, else the first one behind
/// its results; a single one is of all.
fn specimen(all: &[usize], orders: &[usize], at: usize, next: Option<usize>) -> Option<usize> {
    if let [only] = all {
        return Some(*only);
    }
    if all.first() < orders.first() {
        return all.iter().rev().find(|spm| **spm < at).copied();
    }
    all.iter().find(|spm| **spm > at && next.is_none_or(|next| **spm < next)).copied()
}

#[cfg(test)]
mod tests {
    use super::super::filed::{Form, Part};
    use super::{read, split};
    use crate::clock::SiteClock;
    use wickline_forward::hl7::SpecimenIn;

    #[test]
    fn messages_begin_at_their_heads_however_they_are_joined() {
        for text in [
            &b"MSH|^~\\&|A\rOBX|1\rMSH|^~\\&|B\r"[..],
            b"\x0bMSH|^~\\&|A\rOBX|1\r\x1c\r\x0bMSH|^~\\&|B\r\x1c\r",
            b"\xef\xbb\xbfMSH|^~\\&|A\nNTE|1||no MSH here\n\nMSH|^~\\&|B\n",
        ] {
            let found: Vec<&[u8]> = split(text).collect();
            assert_eq!(found.len(), 2, "{found:?}");
            assert!(found[0].starts_with(b"MSH|^~\\&|A") && found[1].starts_with(b"MSH|^~\\&|B"));
        }
        assert_eq!(split(b"order,code\nMSHX").count(), 1);
        assert_eq!(split(b"order,code\n1,MSH").count(), 0);
    }

    #[test]
    fn each_order_has_its_own_specimen_and_every_part_is_kept() {
        let clock = SiteClock::new("Europe/Lisbon").expect("a zone of the tz database");
        let form = Form { columns: &[], specimen_in: SpecimenIn::SPM_2, clock: &clock };
        let text = b"MSH|^~\\&|||||20260302091500||ORU^R01|A-1\rORC|RE|P1|O1\rOBR|1||X\rOBX|1|NM|C1^n^LN^L1|2|1~2|u|\
            |A~H|||F\rSPM|1|KP-1&NS\rOBR|2|O2|Y\rOBX|1|CE|C2||NEG^Negative^99WKL\rSPM|1|^KP-2\r";
        let filed = read(text, &form).expect("it is read");
        let [one, two] = &filed[..] else { panic!("{filed:?}") };
        assert_eq!(
            (one.orders.join(" "), one.specimen.as_deref()),
            ("X O1 P1".into(), Some("KP-1"))
        );
        assert_eq!((two.orders.join(" "), two.specimen.as_deref()), ("Y O2".into(), Some("KP-2")));
        assert_eq!((one.codes.join(" "), one.sub_id.as_str()), ("C1 L1".into(), "2"));
        let text = |text: &str| Part::text(text.to_owned());
        assert_eq!(one.value, [text("1"), text("2")]);
        let code = Part { is_code: true, system: "99WKL".into(), ..text("NEG") };
        assert_eq!(two.value, [code, text("Negative")]);
        assert_eq!(one.flag.as_deref(), Some(&["A".to_owned(), "H".to_owned()][..]));
        assert_eq!((one.status.as_deref(), two.status.as_deref()), (Some("F"), Some("")));
        assert!(one.time.is_some() && one.control_id.as_deref() == Some("A-1"));
    }
}
