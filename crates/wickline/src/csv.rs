//! CSV (RFC 4180) that a spreadsheet cannot be harmed by.

/// One line, every cell quoted.
#[must_use]
pub fn line(cells: &[String]) -> String {
    let cells: Vec<String> = cells.iter().map(|c| quoted(c)).collect();
    cells.join(",") + "\r\n"
}

/// A cell that a spreadsheet would take for a formula begins with an apostrophe.
fn quoted(cell: &str) -> String {
    let guard = if is_harmful(cell) { "'" } else { "" };
    format!("\"{guard}{}\"", cell.replace('"', "\"\""))
}

fn is_harmful(cell: &str) -> bool {
    cell.starts_with(|c: char| matches!(c, '=' | '+' | '-' | '@') || c.is_control())
}

/// A cell as it was before [`line()`] guarded it.
#[must_use]
pub fn plain(cell: String) -> String {
    let guarded = cell.strip_prefix('\'').filter(|rest| is_harmful(rest));
    guarded.map(str::to_owned).unwrap_or(cell)
}

#[cfg(test)]
mod tests {
    use super::{line, plain};

    #[test]
    fn no_cell_is_a_formula_and_each_comes_back() {
        let cells = ["=1+1", "+", "-", "@a", "\tx", "\u{1b}[31m", "1+", "a\"b", "", "'=x"];
        let cells: Vec<String> = cells.iter().map(|c| (*c).to_owned()).collect();
        let text = line(&cells);
        assert!(text.starts_with(
            "\"'=1+1\",\"'+\",\"'-\",\"'@a\",\"'\tx\",\"'\u{1b}[31m\",\"1+\",\"a\"\"b\""
        ));
        assert!(text.ends_with("\r\n"));
        for cell in cells.into_iter().take(9) {
            let written = line(std::slice::from_ref(&cell));
            let inner = written.trim_end().trim_matches('"').replace("\"\"", "\"");
            assert_eq!(plain(inner), cell);
        }
    }
}
