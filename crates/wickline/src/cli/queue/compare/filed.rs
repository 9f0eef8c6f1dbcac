//! What a receiver says that it filed: its own export, as HL7 messages or as a table with a heading.

use std::io::Read;
use std::path::Path;

use wickline_forward::hl7::{Message, codes, forms, results};

use super::super::super::Failure;
use crate::csv::records;

/// The largest export that is read.
const BYTES_MAX: u64 = 64 << 20;
/// The most results of one export.
const ROWS_MAX: usize = 500_000;
/// The columns of a table that are known: what they are called here, and what they hold.
pub const COLUMNS: [(&str, &str); 7] = [
    ("order", "OBR-3, the number that we give each report"),
    ("specimen", "the specimen id"),
    ("code", "the code of the result"),
    ("value", "the value or grade"),
    ("unit", "the unit"),
    ("flag", "the abnormal flag"),
    ("status", "the result status"),
];

/// One result as the receiver has it. None: its export does not say.
#[derive(Clone, Debug, Default)]
pub struct Filed {
    /// Where it stands in the file: a row, or a message and its OBX.
    pub place: String,
    pub order: Option<String>,
    pub specimen: Option<String>,
    /// The names of the result, any of which may be ours.
    pub codes: Vec<String>,
    /// The forms of its value: the number, or a grade's code and text.
    pub values: Vec<String>,
    pub unit: Option<String>,
    pub flag: Option<String>,
    pub status: Option<String>,
}

/// Reads an export; `named` says which of its columns is which: `order=Accession`.
pub fn read(path: &Path, named: &[String]) -> Result<Vec<Filed>, Failure> {
    let at = |why: String| Failure::wrong(format!("{}: {why}", path.display()));
    let mut bytes = Vec::new();
    let file = std::fs::File::open(path).map_err(|e| at(e.to_string()))?;
    file.take(BYTES_MAX + 1).read_to_end(&mut bytes).map_err(|e| at(e.to_string()))?;
    if u64::try_from(bytes.len()).unwrap_or(u64::MAX) > BYTES_MAX {
        return Err(at(format!("more than {} MiB; give one day at a time", BYTES_MAX >> 20)));
    }
    let filed =
        if messages(&bytes).next().is_some() { of_messages(&bytes) } else { table(&bytes, named) };
    let filed = filed.map_err(at)?;
    if filed.is_empty() {
        return Err(at("it holds no result".into()));
    }
    if filed.len() > ROWS_MAX {
        return Err(at(format!("more than {ROWS_MAX} results; give one day at a time")));
    }
    Ok(filed)
}

/// Each message from its MSH at the head of a line to the next, with or without the block characters of MLLP.
fn messages(bytes: &[u8]) -> impl Iterator<Item = &[u8]> {
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

fn of_messages(bytes: &[u8]) -> Result<Vec<Filed>, String> {
    let mut filed = Vec::new();
    for (n, bytes) in messages(bytes).enumerate() {
        let message = Message::read(bytes).map_err(|why| format!("message {}: {why}", n + 1))?;
        let text = |segment, nth, field, component| {
            Some(message.component(segment, nth, field, component)).filter(|t| !t.is_empty())
        };
        let (of_results, mut order, mut nth) = (results(&message), 0, 0);
        for segment in message.names() {
            match segment {
                "OBR" => order += 1,
                "OBX" => {
                    nth += 1;
                    if !of_results.contains(&nth) {
                        continue;
                    }
                    let part = |field, component| text("OBX", nth, field, component);
                    let specimen = text("SPM", 1, 2, 1).or_else(|| text("OBR", order.max(1), 2, 1));
                    filed.push(Filed {
                        place: format!("message {}, OBX {nth}", n + 1),
                        order: text("OBR", order.max(1), 3, 1),
                        specimen,
                        codes: codes(&message, nth),
                        values: forms(&message, nth),
                        unit: part(6, 1).or(Some(String::new())),
                        flag: part(8, 1).or(Some(String::new())),
                        status: part(11, 1),
                    });
                }
                _ => {}
            }
        }
    }
    Ok(filed)
}

fn table(bytes: &[u8], named: &[String]) -> Result<Vec<Filed>, String> {
    let text = std::str::from_utf8(bytes)
        .map_or_else(|_| bytes.iter().copied().map(char::from).collect(), str::to_owned);
    let head = text.lines().next().unwrap_or_default();
    let often = |sign: &u8| head.bytes().filter(|b| b == sign).count();
    let separator = [b',', b';', b'\t'].into_iter().max_by_key(often).unwrap_or(b',');
    let mut rows = records(&text, separator)?.into_iter();
    let head = rows.next().ok_or("it holds neither HL7 messages nor a table")?;
    let head: Vec<String> = head.iter().map(|cell| cell.trim().to_owned()).collect();
    let places = places(&head, named)?;
    let mut filed = Vec::new();
    for (n, row) in rows.enumerate() {
        let cell = |name: &str| {
            let at = places.iter().find(|(known, _)| *known == name)?.1;
            Some(row.get(at).unwrap_or_default().trim().to_owned())
        };
        if row.iter().all(|cell| cell.trim().is_empty()) {
            continue;
        }
        let filled = |name| cell(name).filter(|text| !text.is_empty());
        filed.push(Filed {
            place: format!("row {}", n + 2),
            order: filled("order"),
            specimen: filled("specimen"),
            codes: filled("code").into_iter().collect(),
            values: filled("value").into_iter().collect(),
            unit: cell("unit"),
            flag: cell("flag"),
            status: filled("status"),
        });
    }
    Ok(filed)
}

/// Where each known column stands.
fn places(head: &[String], named: &[String]) -> Result<Vec<(&'static str, usize)>, String> {
    let known: Vec<&str> = COLUMNS.iter().map(|(name, _)| *name).collect();
    let mut places = Vec::new();
    for pair in named {
        let (name, column) = pair.split_once('=').unwrap_or((pair, ""));
        if !known.contains(&name) || column.is_empty() {
            return Err(format!(
                "--column {pair}: write a name of ours, = and one of theirs; ours: {}",
                known.join(", ")
            ));
        }
    }
    for name in known {
        let theirs = named.iter().find_map(|pair| pair.strip_prefix(name)?.strip_prefix('='));
        let called = |cell: &String| cell.eq_ignore_ascii_case(theirs.unwrap_or(name));
        let mut found = head.iter().enumerate().filter(|(_, cell)| called(cell)).map(|(at, _)| at);
        match (found.next(), found.next(), theirs) {
            (Some(at), None, _) => places.push((name, at)),
            (Some(_), Some(_), _) => {
                return Err(format!("two columns are called {}", theirs.unwrap_or(name)));
            }
            (None, _, Some(theirs)) => {
                return Err(format!(
                    "no column is called {theirs}; there are: {}",
                    head.join(", ")
                ));
            }
            (None, _, None) => {}
        }
    }
    let has = |name| places.iter().any(|(known, _)| *known == name);
    let missing = match () {
        () if !has("order") && !has("specimen") => "order (or specimen)",
        () if !has("code") => "code",
        () if !has("value") => "value",
        () => return Ok(places),
    };
    Err(format!(
        "no column is called {missing}; there are: {}. Say which one it is: --column {}=NAME",
        head.join(", "),
        missing.split(' ').next().unwrap_or_default()
    ))
}

#[cfg(test)]
mod tests {
    use super::{messages, table};

    #[test]
    fn tables_are_read_with_any_separator_and_their_own_names() {
        let read = |text: &str, named: &[&str]| {
            let named: Vec<String> = named.iter().map(|n| (*n).to_owned()).collect();
            table(text.as_bytes(), &named)
        };
        for text in [
            "order,code,value,unit\n7F0001,59156-0,5.6,mmol/L\n",
            "\u{feff}Order;Code;Value;Unit\r\n7F0001;59156-0;\"5.6\";mmol/L\r\n\r\n",
            "x\tACC\tTEST\tRES\tunit\n\t7F0001\t59156-0\t 5.6 \tmmol/L",
        ] {
            let named: &[&str] =
                if text.starts_with('x') { &["order=ACC", "code=test", "value=RES"] } else { &[] };
            let filed = read(text, named).expect(text);
            assert_eq!(filed.len(), 1, "{text}");
            assert_eq!(filed[0].order.as_deref(), Some("7F0001"));
            assert_eq!(
                (filed[0].codes[0].as_str(), filed[0].values[0].as_str()),
                ("59156-0", "5.6")
            );
            assert_eq!((filed[0].unit.as_deref(), &filed[0].flag), (Some("mmol/L"), &None));
        }
        for (text, named, why) in [
            ("code,value\n", &[][..], "no column is called order (or specimen)"),
            ("order,value\n", &[], "no column is called code"),
            ("order,code,value,CODE\n", &[], "two columns are called code"),
            ("order,code,value\n", &["order=ACC"], "no column is called ACC; there are: order"),
            ("order,code,value\n", &["acc=ACC"], "ours: order, specimen"),
            ("", &[], "neither"),
        ] {
            let error = read(text, named).expect_err(text);
            assert!(error.contains(why), "{text}: {error}");
        }
    }

    #[test]
    fn messages_begin_at_their_heads_however_they_are_joined() {
        for text in [
            &b"MSH|^~\\&|A\rOBX|1\rMSH|^~\\&|B\r"[..],
            b"\x0bMSH|^~\\&|A\rOBX|1\r\x1c\r\x0bMSH|^~\\&|B\r\x1c\r",
            b"\xef\xbb\xbfMSH|^~\\&|A\nNTE|1||no MSH here\n\nMSH|^~\\&|B\n",
        ] {
            let found: Vec<&[u8]> = messages(text).collect();
            assert_eq!(found.len(), 2, "{found:?}");
            assert!(found[0].starts_with(b"MSH|^~\\&|A") && found[1].starts_with(b"MSH|^~\\&|B"));
        }
        assert_eq!(messages(b"order,code\nMSHX").count(), 1);
        assert_eq!(messages(b"order,code\n1,MSH").count(), 0);
    }
}
