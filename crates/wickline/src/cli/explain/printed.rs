//! Results as they stand on the paper: a reading has its number with a point and a sign, whatever was printed.

use wickline_normalize::readings::Reading;

use super::account::{Line, Part};

/// A number of the print, with its unit and with what stands behind it in words.
struct Number<'a> {
    line: usize,
    text: &'a str,
    /// A word for an end of a ladder, which is the number's: before its unit, or behind it.
    behind: [Option<&'a str>; 2],
    taken: bool,
}

/// What was printed for each reading, with its label before it: `C\u{c9}TO traces 0,8 mmol/l`.
pub fn results(readings: &[Reading], lines: &[Line]) -> Vec<String> {
    let mut numbers: Vec<Number<'_>> = lines.iter().flat_map(numbers).collect();
    readings.iter().map(|reading| result(reading, &mut numbers)).collect()
}

/// The numbers of a line, by what each of its parts was taken for.
fn numbers(line: &Line) -> Vec<Number<'_>> {
    let mut found: Vec<Number<'_>> = Vec::new();
    let mut unit = false;
    for Part { what, text, .. } in &line.parts {
        let is_number = text.contains(|c: char| c.is_ascii_digit());
        match *what {
            "value" if is_number => {
                let number = Number { line: line.line, text, behind: [None; 2], taken: false };
                found.push(number);
                unit = false;
            }
            "value" => {
                if let Some(last) = found.last_mut() {
                    last.behind[usize::from(unit)] = Some(text);
                }
            }
            "unit" => unit = true,
            _ => {}
        }
    }
    found
}

fn result(reading: &Reading, numbers: &mut [Number<'_>]) -> String {
    let printed = &reading.printed;
    let mut words = vec![reading.label.as_str()];
    let mut behind = None;
    for part in &printed.parts {
        // Readings stand in the order of the print, and so do their numbers.
        let own = numbers.iter_mut().find(|number| {
            // Its number may stand in a line below its label.
            let here = reading.lines.iter().any(|line| *line < number.line);
            here && !number.taken && digits(number.text) == digits(part)
        });
        let Some(number) = own else {
            words.push(part);
            continue;
        };
        number.taken = true;
        words.push(number.text);
        words.extend(number.behind[0]);
        behind = number.behind[1];
    }
    let more = [printed.unit.as_deref(), behind, printed.mark.as_deref()];
    words.extend(more.into_iter().flatten());
    let words = words.into_iter().map(str::trim).filter(|word| !word.is_empty());
    words.collect::<Vec<_>>().join(" ")
}

/// A number from its first digit on, with a point.
fn digits(text: &str) -> String {
    text.trim_start_matches(|c: char| !c.is_ascii_digit()).replace(',', ".")
}
