//! CSV (RFC 4180) that a spreadsheet cannot be harmed by.

use csv::{QuoteStyle, ReaderBuilder, StringRecord, Terminator, WriterBuilder};

/// One line, every cell quoted.
#[must_use]
pub fn line(cells: &[String]) -> String {
    let mut writer = WriterBuilder::new()
        .quote_style(QuoteStyle::Always)
        .terminator(Terminator::CRLF)
        .from_writer(Vec::new());
    writer.write_record(cells.iter().map(guarded)).expect("memory takes what is written to it");
    let written = writer.into_inner().expect("memory takes what is written to it");
    String::from_utf8(written).expect("texts make a text")
}

/// Lines of cells, the guards taken off again.
pub fn lines(text: &str) -> Result<Vec<Vec<String>>, String> {
    lines_by(text, b',')
}

/// The same of a table with another separator.
pub fn lines_by(text: &str, separator: u8) -> Result<Vec<Vec<String>>, String> {
    let line = |record: StringRecord| record.iter().map(plain).collect();
    Ok(records(text, separator)?.into_iter().map(line).collect())
}

/// The lines of a table that others wrote, with their separator; the first is its heading, if it has one.
pub fn records(text: &str, separator: u8) -> Result<Vec<StringRecord>, String> {
    let text = text.trim_start_matches('\u{feff}');
    let mut reader = ReaderBuilder::new()
        .has_headers(false)
        .flexible(true)
        .delimiter(separator)
        .from_reader(text.as_bytes());
    reader.records().map(|record| record.map_err(|e| e.to_string())).collect()
}

/// A cell that a spreadsheet would take for a formula begins with an apostrophe.
fn guarded(cell: &String) -> String {
    let guard = if is_harmful(cell) { "'" } else { "" };
    format!("{guard}{cell}")
}

fn is_harmful(cell: &str) -> bool {
    // What begins with an apostrophe of its own is guarded as well, or it would come back without it.
    cell.trim_start_matches('\'')
        .starts_with(|c: char| matches!(c, '=' | '+' | '-' | '@') || c.is_control())
}

/// A cell as it was before [`line()`] guarded it.
fn plain(cell: &str) -> String {
    cell.strip_prefix('\'').filter(|rest| is_harmful(rest)).unwrap_or(cell).to_owned()
}

#[cfg(test)]
mod tests {
    use super::{line, lines};

    #[test]
    fn no_cell_is_a_formula_and_each_comes_back() {
        let cells = ["=1+1", "+", "-", "@a", "\tx", "\u{1b}[31m", "1+", "a\"b", "", "a,\r\nb"];
        let cells: Vec<String> = cells.iter().map(|c| (*c).to_owned()).collect();
        let text = line(&cells);
        assert!(text.starts_with(
            "\"'=1+1\",\"'+\",\"'-\",\"'@a\",\"'\tx\",\"'\u{1b}[31m\",\"1+\",\"a\"\"b\""
        ));
        assert!(text.ends_with("\r\n"));
        let own = ["'=1".to_owned(), "''-".to_owned(), "'a".to_owned()];
        assert_eq!(lines(&line(&own)).as_deref(), Ok(&[own.to_vec()][..]));
        // Also as a spreadsheet writes it again, and without an end to its last line.
        let again = format!("\u{feff}{text}1,\"'=x\"\n'y,");
        let wanted = [cells, vec!["1".into(), "=x".into()], vec!["'y".into(), String::new()]];
        assert_eq!(lines(&again).as_deref(), Ok(&wanted[..]));
    }
}
