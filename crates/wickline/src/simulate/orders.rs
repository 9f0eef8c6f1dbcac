//! What a practice information system orders, from a file; and whether what comes back is what it ordered.

use std::collections::BTreeSet;

use serde::Deserialize;
use wickline_forward::hl7::Message;
use wickline_normalize::Moment;

/// Orders of a practice file.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Orders {
    /// MSH-3.1 and MSH-4.1 of its messages.
    #[serde(default = "application")]
    pub application: String,
    #[serde(default = "facility")]
    pub facility: String,
    pub order: Vec<Order>,
}

fn application() -> String {
    "LIS".into()
}

fn facility() -> String {
    "PRACTICE".into()
}

/// One order. Fields of HL7 stand as they go out, components and all.
#[derive(Clone, Debug, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Order {
    /// ORC-2.1.
    pub number: String,
    /// The specimen id on the label: SPM-2.1.
    pub specimen: String,
    /// OBR-4.
    #[serde(default = "test")]
    pub test: String,
    /// PID-3.1; without it no patient is named, as for control material.
    #[serde(default)]
    pub patient: String,
    /// PID-5.
    #[serde(default)]
    pub name: String,
    /// PID-7, YYYYMMDD.
    #[serde(default)]
    pub born: String,
    /// PID-8.
    #[serde(default)]
    pub sex: String,
    #[serde(default)]
    pub urgent: bool,
    /// ORC-1: NW, or CA for one that was sent before.
    #[serde(default = "new")]
    pub control: String,
}

fn test() -> String {
    "UADIP^Urine strip^99KPL".into()
}

fn new() -> String {
    "NW".into()
}

impl Orders {
    /// Reads a file of orders. The error says where, and what is allowed.
    pub fn parse(text: &str) -> Result<Self, String> {
        let orders: Self = toml::from_str(text).map_err(|e| e.to_string())?;
        for (nth, order) in orders.order.iter().enumerate() {
            order.fault().map_or(Ok(()), |why| Err(format!("order {}: {why}", nth + 1)))?;
        }
        if orders.order.is_empty() { Err("no [[order]] is in it".into()) } else { Ok(orders) }
    }

    /// The specimens that strips can be run of, each once, in their order.
    #[must_use]
    pub fn specimens(&self) -> Vec<&str> {
        let mut seen = BTreeSet::new();
        let new = self.order.iter().filter(|order| order.control == "NW");
        new.map(|order| order.specimen.as_str()).filter(|id| seen.insert(*id)).collect()
    }

    /// The message that asks for an order: OML^O21 of HL7 v2.5.1.
    #[must_use]
    pub fn message(&self, order: &Order, id: &str, made: Moment) -> Vec<u8> {
        let Order { number, specimen, test, patient, name, born, sex, control, .. } = order;
        let (application, facility, made) = (&self.application, &self.facility, made.digits());
        let priority = if order.urgent { "TQ1|1||||||||S\r" } else { "" };
        let pid = match patient.is_empty() {
            true => String::new(),
            false => format!("PID|1||{patient}^^^{facility}^MR||{name}||{born}|{sex}\r"),
        };
        format!(
            "MSH|^~\\&|{application}|{facility}|WICKLINE||{made}||OML^O21^OML_O21|{id}|P|2.5.1\r{pid}\
             ORC|{control}|{number}^{application}|||||||{made}\r{priority}\
             OBR|1|{number}^{application}||{test}\rSPM|1|{specimen}&{application}||UR^Urine^HL70487\r"
        )
        .into_bytes()
    }

    /// Which orders a result answers, and what in it is not as ordered. An error: it is no message.
    pub fn compare(&self, body: &[u8]) -> Result<Vec<Answered>, String> {
        let message = Message::read(body)?;
        let first = |segment, field| message.component(segment, 1, field, 1);
        let specimen = first("SPM", 2);
        let specimen = specimen.split('&').next().unwrap_or_default().to_owned();
        let mut found = Vec::new();
        for nth in 1..=message.count("OBR") {
            let number = message.component("OBR", nth, 2, 1);
            let Some(order) = self.order.iter().find(|order| order.number == number) else {
                continue;
            };
            let mut wrong = Vec::new();
            let mut same = |what: &str, came: &str, ordered: &str| {
                if came != ordered {
                    wrong.push(format!("{what} is `{came}`, ordered was `{ordered}`"));
                }
            };
            same("SPM-2", &specimen, &order.specimen);
            same("OBR-4", message.field("OBR", nth, 4).unwrap_or(""), &order.test);
            if message.count("PID") > 0 {
                same("PID-3", &first("PID", 3), &order.patient);
            }
            found.push(Answered { number, wrong });
        }
        Ok(found)
    }
}

/// An order that was answered, and what of the answer differs from it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Answered {
    pub number: String,
    pub wrong: Vec<String>,
}

impl Order {
    fn fault(&self) -> Option<String> {
        let blank = [("number", &self.number), ("specimen", &self.specimen), ("test", &self.test)];
        if let Some((key, _)) = blank.into_iter().find(|(_, text)| text.trim().is_empty()) {
            return Some(format!("`{key}` is empty"));
        }
        let plain =
            [("number", &self.number), ("specimen", &self.specimen), ("patient", &self.patient)];
        let marks = |text: &str| text.contains(['|', '^', '&', '~', '\\']);
        if let Some((key, _)) = plain.into_iter().find(|(_, text)| marks(text)) {
            return Some(format!(
                "`{key}` has a separator of HL7 in it: | ^ & ~ \\ are not allowed"
            ));
        }
        let all = [&self.number, &self.specimen, &self.test, &self.patient, &self.name, &self.born];
        let more = [&self.sex, &self.control];
        if all
            .into_iter()
            .chain(more)
            .any(|text| text.contains('|') || text.contains(char::is_control))
        {
            return Some("a text has a bar or a control character in it".into());
        }
        let known = matches!(self.control.as_str(), "NW" | "CA");
        (!known).then(|| format!("`control` is `{}`; allowed: NW, CA", self.control))
    }
}

#[cfg(test)]
mod tests {
    use super::Orders;

    const TEXT: &str = "[[order]]\nnumber = \"K1\"\nspecimen = \"KP-20417\"\npatient = \"KP700101\"\n\
                        [[order]]\nnumber = \"K1\"\nspecimen = \"KP-20417\"\ncontrol = \"CA\"\n\
                        [[order]]\nnumber = \"K2\"\nspecimen = \"KP-20418\"\nurgent = true\n";

    #[test]
    fn what_can_be_run_is_what_was_ordered() {
        let orders = Orders::parse(TEXT).expect("orders");
        assert_eq!(orders.specimens(), ["KP-20417", "KP-20418"]);
    }

    #[test]
    fn a_wrong_file_is_refused_and_says_where() {
        for (from, to, why) in [
            ("KP-20418", "KP|20418", "order 3"),
            ("\"CA\"", "\"XX\"", "allowed: NW, CA"),
            ("number = \"K2\"", "number = \"\"", "`number` is empty"),
            ("urgent", "urgnt", "urgnt"),
        ] {
            let refused = Orders::parse(&TEXT.replace(from, to)).expect_err(to);
            assert!(refused.contains(why), "{refused}");
        }
        assert!(Orders::parse("order = []").is_err());
    }

    /// Vector 27 of the fixtures answers an order of another hand.
    #[test]
    fn a_result_is_compared_with_its_order() {
        let text = concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../fixtures/orders/27-oru-r01-from-01-251.hl7"
        );
        let result = std::fs::read(text).expect("a message");
        let of = |number: &str, specimen: &str| {
            let text = format!(
                "[[order]]\nnumber = \"{number}\"\nspecimen = \"{specimen}\"\npatient = \"KP700101\"\n"
            );
            Orders::parse(&text).expect("orders").compare(&result).expect("a message")
        };
        let number = String::from_utf8_lossy(&result).into_owned();
        let number =
            number.split("\rOBR|").nth(1).and_then(|obr| obr.split('|').nth(1)).expect("OBR-2");
        let number = number.split('^').next().expect("a number");
        let other = of(number, "KP-OTHER");
        assert_eq!(other.len(), 1);
        assert!(other[0].wrong.iter().any(|why| why.starts_with("SPM-2 is")), "{other:?}");
        assert!(of("K-NOBODY", "KP-20417").is_empty());
    }
}
