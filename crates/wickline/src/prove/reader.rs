//! A second reader of messages: it knows HL7's delimiters, segments and types, and nothing of our writer.
//!
//! A proof that read its messages with the rooms that wrote them would share their mistakes. This reads what any
//! receiver reads of a result, field by field, by the standard's own tables (HL7 v2 chapters 2 and 7).

use super::expect::Obx;

/// What a receiver finds in a message.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Heard {
    /// Each OBX of a specimen, in order; what describes control material is none.
    pub results: Vec<Obx>,
    /// The message asks for urgent work (TQ1-9, before 2.5 OBR-5 and OBR-27.6).
    pub stat: bool,
    /// Every id of the specimen and of the person: SPM-2, OBR-2, OBR-3, PID-3.
    pub ids: Vec<String>,
    /// MSH-11.1.
    pub processing: String,
}

/// One message, cut at its own delimiters.
struct Cut<'a> {
    field: char,
    /// Component, repetition, escape, subcomponent (MSH-2).
    signs: [char; 4],
    segments: Vec<Vec<&'a str>>,
}

/// Reads a message. The error says why it is none.
pub fn read(body: &[u8]) -> Result<Heard, String> {
    let text = letters(body);
    let cut = cut(&text)?;
    let first = |name: &str, field: usize, component: usize| {
        let segment = cut.segments.iter().find(|s| s.first() == Some(&name));
        segment.map(|s| cut.part(s, field, component)).unwrap_or_default()
    };
    let urgent = [first("TQ1", 9, 1), first("OBR", 5, 1), first("OBR", 27, 6)];
    let places = [("SPM", 2), ("OBR", 2), ("OBR", 3), ("PID", 3)];
    let ids = cut.segments.iter().flat_map(|segment| {
        let own = places.iter().filter(|(name, _)| segment.first() == Some(name));
        own.flat_map(|(_, field)| cut.pieces(segment.get(*field).copied().unwrap_or("")))
    });
    let ids: Vec<String> = ids.filter(|id| !id.is_empty()).collect();
    // From a specimen to the next order an OBX describes the material.
    let mut ordered = false;
    let mut results = Vec::new();
    for segment in &cut.segments {
        match segment.first().copied().unwrap_or("") {
            "OBR" => ordered = true,
            "SPM" => ordered = false,
            "OBX" if ordered => results.push(result(&cut, segment)),
            _ => {}
        }
    }
    let stat = urgent.iter().any(|code| code == "S");
    Ok(Heard { results, stat, ids, processing: first("MSH", 11, 1) })
}

/// One result as the receiver takes it.
fn result(cut: &Cut<'_>, segment: &[&str]) -> Obx {
    let part = |field, component| cut.part(segment, field, component);
    let kind = part(2, 1);
    let value = match kind.as_str() {
        // Comparator, number, separator or suffix, number.
        "SN" => (1..=4).map(|n| part(5, n)).collect(),
        _ => part(5, 1),
    };
    Obx {
        code: part(3, 1),
        name: part(3, 2),
        second: part(3, 4),
        kind,
        value,
        unit: part(6, 1),
        flag: part(8, 1),
        status: part(11, 1),
    }
}

fn letters(body: &[u8]) -> String {
    match std::str::from_utf8(body) {
        Ok(text) => text.to_owned(),
        // Latin-1, the only other set that is sent.
        Err(_) => body.iter().copied().map(char::from).collect(),
    }
}

fn cut(text: &str) -> Result<Cut<'_>, String> {
    let head = text.strip_prefix("MSH").ok_or("it does not begin with MSH")?;
    let mut signs = head.chars();
    let field = signs.next().ok_or("MSH has no delimiters")?;
    let own: Vec<char> = signs.take_while(|c| *c != field).collect();
    let [component, repetition, escape, subcomponent] = own[..] else {
        return Err(format!("MSH-2 has {} characters instead of four", own.len()));
    };
    let segments = text.split('\r').filter(|line| !line.is_empty());
    let segments = segments.map(|line| {
        let mut fields: Vec<&str> = line.split(field).collect();
        if line.starts_with("MSH") {
            // The delimiter itself is MSH-1.
            fields.insert(1, "");
        }
        fields
    });
    let signs = [component, repetition, escape, subcomponent];
    Ok(Cut { field, signs, segments: segments.collect() })
}

impl Cut<'_> {
    /// A component of the first repetition, both from 1, without escapes.
    fn part(&self, segment: &[&str], field: usize, component: usize) -> String {
        let [between, repetition, ..] = self.signs;
        let text = segment.get(field).copied().unwrap_or("");
        let text = text.split(repetition).next().unwrap_or("");
        self.plain(text.split(between).nth(component - 1).unwrap_or(""))
    }

    /// Every component and subcomponent of every repetition.
    fn pieces(&self, text: &str) -> Vec<String> {
        let [component, repetition, _, subcomponent] = self.signs;
        text.split([component, repetition, subcomponent]).map(|t| self.plain(t)).collect()
    }

    /// Without escape sequences (HL7 v2 chapter 2, use of escape sequences).
    fn plain(&self, text: &str) -> String {
        let [component, repetition, escape, subcomponent] = self.signs;
        let mut out = String::new();
        let mut parts = text.split(escape);
        out.push_str(parts.next().unwrap_or(""));
        while let Some(code) = parts.next() {
            match code {
                "F" => out.push(self.field),
                "S" => out.push(component),
                "R" => out.push(repetition),
                "E" => out.push(escape),
                "T" => out.push(subcomponent),
                other => out.extend([&escape.to_string(), other, &escape.to_string()]),
            }
            out.push_str(parts.next().unwrap_or(""));
        }
        out
    }
}

#[cfg(test)]
mod tests {
    use super::read;

    /// Written by hand from the standard.
    #[test]
    fn every_type_and_place_is_read() {
        let oru = "MSH|^~\\&|A|B|C|D|20260314||ORU^R01|1|T|2.3.1\r\
            PID|1||MR\\T\\1^^^KPC\r\
            OBR|1|KP-1|F-9|X^Y^LN|||||||||||||||||||||||^^^^^S\r\
            OBX|1|CE|50555-2^Glucose \\F\\ strip^LN^GLU-GRADE^x^L||2+^2+^L||||||F\r\
            OBX|2|SN|53328-1^^LN||>=^2400|mg/dL^mg/dL^UCUM||H|||P\r\
            OBX|3|SN|A^^L||^10^-^25|/uL\r\
            OBX|4|SN|B^^L||^2^+\r\
            OBX|5|NM|C^^L||1.020||1.003-1.030|N~W|||C\r";
        let heard = read(oru.as_bytes()).expect("a message");
        let line = |n: usize| heard.results[n].to_string();
        assert_eq!(line(0), "50555-2 GLU-GRADE CE 2+ F");
        assert_eq!(heard.results[0].name, "Glucose | strip");
        assert_eq!(line(1), "53328-1 SN >=2400 mg/dL H P");
        assert_eq!(line(2), "A SN 10-25 /uL");
        assert_eq!(line(3), "B SN 2+");
        assert_eq!(line(4), "C NM 1.020 N C");
        assert_eq!(heard.ids, ["MR&1", "KPC", "KP-1", "F-9"]);
        assert!(heard.stat && heard.processing == "T");
    }

    /// What stands behind SPM in an OUL describes the material.
    #[test]
    fn an_obx_of_the_specimen_is_no_result() {
        let oul = "MSH|$%*@|A|B|C|D|2026||OUL$R22|1|P|2.5\rSPM|1|Q-1||UR\rOBX|1|ST|LOT$Lot$L||L1\r\
            OBR|1||Q|X\rOBX|1|NM|C$$L||7*S*\r";
        let heard = read(oul.as_bytes()).expect("a message");
        let lines: Vec<String> = heard.results.iter().map(ToString::to_string).collect();
        assert_eq!(lines, ["C NM 7$"]);
        assert_eq!(heard.ids, ["Q-1", "Q"]);
        assert!(read(b"PID|1").is_err() && read(b"MSH|^~|x").is_err());
    }
}
