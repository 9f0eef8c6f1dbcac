//! An export that is a table: CSV with a heading, with any of the usual separators.

use csv::StringRecord;

use super::filed::{Filed, Form, Part, bare, time};
use crate::csv::records;

/// The columns of a table that are known, by what they are called here.
pub const COLUMNS: [&str; 8] =
    ["order", "specimen", "code", "value", "unit", "flag", "status", "time"];
/// A heading is looked for in so many lines.
const HEAD: usize = 20;
const SEPARATORS: [u8; 4] = [b',', b';', b'\t', b'|'];

/// Where a table's heading stands and what it says.
struct Heading {
    separator: u8,
    /// Rows before it.
    above: usize,
    cells: StringRecord,
    places: Vec<(&'static str, usize)>,
}

pub fn read(bytes: &[u8], form: &Form<'_>) -> Result<Vec<Filed>, String> {
    known(form.columns)?;
    let text = std::str::from_utf8(bytes)
        .map_or_else(|_| bytes.iter().copied().map(char::from).collect(), str::to_owned);
    let text = text.trim_start_matches('\u{feff}');
    // A line for the spreadsheet, which says what separates.
    let (first, rest) = text.split_once('\n').unwrap_or((text, ""));
    let said = first.trim_end().strip_prefix("sep=").and_then(|sign| sign.bytes().next());
    let text = if said.is_some() { rest } else { text };
    let mut lines = Lines { text: text.as_bytes(), at: 0, line: 1 + usize::from(said.is_some()) };
    let head = heading(text, said, form.columns)?;
    let mut filed = Vec::new();
    for row in records(text, head.separator)?.into_iter().skip(head.above + 1) {
        let line = lines.number(&row);
        // Files that were joined have the heading twice.
        if row.iter().any(|cell| !cell.trim().is_empty()) && row != head.cells {
            filed.push(result(&row, &head, format!("row {line}"), form));
        }
    }
    Ok(filed)
}

/// Counts the lines of a text up to its rows: empty ones, which are no rows, count too.
struct Lines<'t> {
    text: &'t [u8],
    at: usize,
    line: usize,
}

impl Lines<'_> {
    fn number(&mut self, row: &StringRecord) -> usize {
        let from = row.position().and_then(|p| usize::try_from(p.byte()).ok()).unwrap_or(self.at);
        // It may begin in the end of the line before it.
        while let Some(byte) = self.text.get(self.at)
            && (self.at < from || matches!(byte, b'\r' | b'\n'))
        {
            self.line += usize::from(*byte == b'\n');
            self.at += 1;
        }
        self.line
    }
}

fn result(row: &StringRecord, head: &Heading, place: String, form: &Form<'_>) -> Filed {
    let cell = |name: &str| {
        let at = head.places.iter().find(|(known, _)| *known == name)?.1;
        Some(row.get(at).unwrap_or_default().trim().to_owned())
    };
    let filled = |name| cell(name).filter(|text| !text.is_empty());
    let parts = |text: String| if text.is_empty() { Vec::new() } else { vec![text] };
    // As HL7 writes them: an order with its namespace, a code with its text and system.
    let component = |text: &str, n: usize| {
        let part = bare(text).split('^').nth(n).unwrap_or_default().trim();
        (!part.is_empty()).then(|| part.to_owned())
    };
    let code = filled("code").unwrap_or_default();
    Filed {
        place,
        orders: filled("order").and_then(|text| component(&text, 0)).into_iter().collect(),
        specimen: cell("specimen").map(|text| bare(&text).to_owned()),
        codes: [0, 3].into_iter().filter_map(|n| component(&code, n)).collect(),
        value: filled("value").map(Part::text).into_iter().collect(),
        comma: head.separator != b',',
        unit: cell("unit").map(parts),
        flag: cell("flag").map(parts),
        status: cell("status"),
        time: filled("time").and_then(|text| time(&text, form.clock)),
        ..Filed::default()
    }
}

/// The first row that names all that is needed, with whichever separator; else what the first one lacks.
fn heading(text: &str, said: Option<u8>, named: &[String]) -> Result<Heading, String> {
    let top: String = text.lines().take(HEAD).flat_map(|line| [line, "\n"]).collect();
    let mut best: Option<(usize, String)> = None;
    let signs = said.map_or(SEPARATORS.to_vec(), |sign| vec![sign]);
    for separator in signs {
        for (above, cells) in records(&top, separator)?.into_iter().enumerate() {
            let names: Vec<String> = cells.iter().map(|cell| cell.trim().to_owned()).collect();
            match places(&names, named) {
                Ok(places) => return Ok(Heading { separator, above, cells, places }),
                Err(why) if best.as_ref().is_none_or(|(most, _)| names.len() > *most) => {
                    best = Some((names.len(), why));
                }
                Err(_) => {}
            }
        }
    }
    Err(best.map_or("it holds neither HL7 messages nor a table".into(), |(_, why)| why))
}

/// Whether `--column` is said of columns that are known, once of each.
fn known(named: &[String]) -> Result<(), String> {
    for (at, pair) in named.iter().enumerate() {
        let (name, column) = pair.split_once('=').unwrap_or((pair, ""));
        if !COLUMNS.contains(&name) || column.is_empty() {
            return Err(format!(
                "--column {pair}: write a name of ours, = and one of theirs; ours: {}",
                COLUMNS.join(", ")
            ));
        }
        let same = |other: &&String| other.split_once('=').is_some_and(|(n, _)| n == name);
        if let Some(other) = named.iter().take(at).find(same) {
            return Err(format!("--column {other} and --column {pair}: say {name} once"));
        }
    }
    Ok(())
}

/// Where each known column stands.
fn places(head: &[String], named: &[String]) -> Result<Vec<(&'static str, usize)>, String> {
    let mut places = Vec::new();
    let there = || super::clipped(&head.join(", "));
    for name in COLUMNS {
        let theirs = named.iter().find_map(|pair| pair.strip_prefix(name)?.strip_prefix('='));
        let called = |cell: &String| cell.eq_ignore_ascii_case(theirs.unwrap_or(name));
        let mut found = head.iter().enumerate().filter(|(_, cell)| called(cell)).map(|(at, _)| at);
        match (found.next(), found.next(), theirs) {
            (Some(at), None, _) => places.push((name, at)),
            (Some(_), Some(_), _) => {
                return Err(format!("two columns are called {}", theirs.unwrap_or(name)));
            }
            (None, _, Some(theirs)) => {
                return Err(format!("no column is called {theirs}; there are: {}", there()));
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
        there(),
        missing.split(' ').next().unwrap_or_default()
    ))
}

#[cfg(test)]
mod tests {
    use super::super::filed::{Filed, Form};
    use super::read;
    use crate::clock::SiteClock;
    use wickline_forward::hl7::SpecimenIn;

    fn table(text: &str, named: &[&str]) -> Result<Vec<Filed>, String> {
        let columns: Vec<String> = named.iter().map(|n| (*n).to_owned()).collect();
        let clock = SiteClock::new("Europe/Lisbon").expect("a zone of the tz database");
        let form = Form { columns: &columns, specimen_in: SpecimenIn::SPM_2, clock: &clock };
        read(text.as_bytes(), &form)
    }

    #[test]
    fn tables_are_read_with_any_separator_and_their_own_names() {
        for (text, row) in [
            ("order,code,value,unit\n7F0001,59156-0,5.6,mmol/L\n", 2),
            ("\u{feff}Order;Code;Value;Unit\r\n7F0001;59156-0;\"5.6\";mmol/L\r\n\r\n", 2),
            ("x\tACC\tTEST\tRES\tunit\n\t7F0001\t59156-0\t 5.6 \tmmol/L", 2),
            ("sep=;\norder;code;value;unit\n7F0001^WICKLINE;59156-0^n^LN;5.6;mmol/L\n", 3),
            (
                "Results, of, one, long, day\n\norder|code|value|unit\n7F0001|59156-0|5.6|mmol/L\n",
                4,
            ),
            ("order,code,value,unit\r\n\r\n7F0001,59156-0,5.6,mmol/L\r\n", 3),
            ("order,code,value,unit\norder,code,value,unit\n7F0001,59156-0,5.6,mmol/L\n", 3),
        ] {
            let named: &[&str] =
                if text.starts_with('x') { &["order=ACC", "code=test", "value=RES"] } else { &[] };
            let filed = table(text, named).expect(text);
            assert_eq!((filed.len(), &filed[0].place), (1, &format!("row {row}")), "{text}");
            assert_eq!(filed[0].orders, ["7F0001"]);
            assert_eq!(
                (filed[0].codes[0].as_str(), filed[0].value[0].text.as_str()),
                ("59156-0", "5.6")
            );
            assert_eq!(
                (filed[0].unit.as_deref(), &filed[0].flag),
                (Some(&["mmol/L".into()][..]), &None)
            );
        }
    }

    #[test]
    fn a_table_that_cannot_be_read_says_why() {
        for (text, named, why) in [
            ("code,value\n", &[][..], "no column is called order (or specimen)"),
            ("order,value\n", &[], "no column is called code"),
            ("order,code,value,CODE\n", &[], "two columns are called code"),
            ("order,code,value\n", &["order=ACC"], "no column is called ACC; there are: order"),
            ("order,code,value\n", &["acc=ACC"], "ours: order, specimen"),
            ("order,code,value\n", &["order=a", "order=b"], "say order once"),
            ("", &[], "neither"),
        ] {
            let error = table(text, named).expect_err(text);
            assert!(error.contains(why), "{text}: {error}");
        }
    }
}
