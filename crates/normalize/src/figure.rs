//! A number as printed: its comparator and its digits, exact, never a binary float.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use crate::observation::Comparator;

/// Digits of a figure at most; the longest label of any ladder has six.
const DIGITS: usize = 18;

/// A number with the comparator and the digits that it was printed with.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Figure {
    /// As printed or as the ladder has it; None: the number itself.
    pub comparator: Option<Comparator>,
    /// At most 18 characters, digits with at most one point between them; trailing zeros are kept
    /// (`1.020`).
    pub digits: String,
}

impl Figure {
    /// Reads `400`, `1.020`, `>=2400`, `< 30`. None for anything else: no sign, no exponent, no
    /// comma (the dialect knows whether a comma is decimal), no second point.
    ///
    /// ```
    /// use wickline_normalize::{Comparator, Figure};
    ///
    /// let end = Figure::read(">= 2400").expect("an end rung");
    /// assert_eq!(end.comparator, Some(Comparator::AtLeast));
    /// assert_eq!(end.text(), ">=2400");
    /// assert!(Figure::read("1,020").is_none(), "whether a comma is decimal, only the dialect knows");
    /// ```
    #[must_use]
    pub fn read(text: &str) -> Option<Figure> {
        let text = text.trim();
        let (comparator, digits) = [
            ("<=", Comparator::AtMost),
            (">=", Comparator::AtLeast),
            ("≤", Comparator::AtMost),
            ("≥", Comparator::AtLeast),
            ("<", Comparator::Less),
            (">", Comparator::More),
        ]
        .into_iter()
        .find_map(|(sign, c)| text.strip_prefix(sign).map(|rest| (Some(c), rest.trim_start())))
        .unwrap_or((None, text));
        let (whole, rest) = digits.split_once('.').unwrap_or((digits, "0"));
        let plain = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
        let readable = digits.len() <= DIGITS && plain(whole) && plain(rest);
        readable.then(|| Figure { comparator, digits: digits.to_owned() })
    }

    /// The exact value; zero is also what a figure not made by [`Figure::read`] may give.
    #[must_use]
    pub fn value(&self) -> Decimal {
        Decimal::from_str_exact(&self.digits).unwrap_or_default()
    }

    /// As a ladder's label is written: `>=2400`.
    #[must_use]
    pub fn text(&self) -> String {
        format!("{}{}", self.comparator.map_or("", Comparator::text), self.digits)
    }

    /// Which of these labels a print means by `printed`, by their places: those that say the same, comparator
    /// and number. Where none does, a bare number may stand for an end that includes it, `<=` or `>=`; never
    /// for `<` or `>`, which say that it is another (30 is not `<30`).
    pub(crate) fn means<'a>(
        &self,
        labels: impl Iterator<Item = (usize, &'a Figure)>,
    ) -> Vec<usize> {
        let (mut exact, mut ends) = (Vec::new(), Vec::new());
        for (place, label) in labels.filter(|(_, label)| label.value() == self.value()) {
            let end = matches!(label.comparator, Some(Comparator::AtMost | Comparator::AtLeast));
            if label.comparator == self.comparator {
                exact.push(place);
            } else if self.comparator.is_none() && end {
                ends.push(place);
            }
        }
        if exact.is_empty() { ends } else { exact }
    }

    /// Where it stands on a ladder: by number, then `<` before the number and `>` after it.
    pub(crate) fn order(&self) -> (Decimal, i8) {
        let side = match self.comparator {
            Some(Comparator::Less) => -1,
            Some(Comparator::More) => 1,
            Some(Comparator::AtMost | Comparator::AtLeast) | None => 0,
        };
        (self.value(), side)
    }
}

#[cfg(test)]
mod tests {
    use super::Figure;
    use crate::observation::Comparator;

    #[test]
    fn figures_are_read_exactly_or_not_at_all() {
        let end = Figure::read(">= 2400").expect("an end rung");
        assert_eq!((end.comparator, end.digits.as_str()), (Some(Comparator::AtLeast), "2400"));
        assert_eq!(
            Figure::read("1.020").expect("a step").value(),
            "1.02".parse().expect("decimal")
        );
        for text in
            ["", "1,020", "-5", "+5", "1e3", "1.", ".5", "1.0.0", "3+", ">", "٣", "0x1", "1 0"]
        {
            assert_eq!(Figure::read(text), None, "{text}");
        }
        assert_eq!(Figure::read(&"9".repeat(19)), None);
        assert_eq!(
            Figure::read("9".repeat(18).as_str()).map(|f| f.value().to_string()).as_deref(),
            Some("9".repeat(18).as_str())
        );
    }

    /// KDIGO 2024 (Kidney Int. 105(4S), table of albuminuria categories): A1 is below 30 mg/g, A2 from 30 to
    /// 300, A3 above 300. So 30 is not `<30`, and 300 is not `>300`.
    #[test]
    fn a_bare_number_stands_for_an_end_that_includes_it_and_for_no_other() {
        let figures = |labels: &[&str]| -> Vec<Figure> {
            labels.iter().map(|l| Figure::read(l).expect(l)).collect()
        };
        for (labels, print, meant) in [
            (&[">=2400"][..], "2400", &[0][..]),
            (&[">=2400"], ">=2400.0", &[0]),
            (&[">=2400"], ">2400", &[]),
            (&[">=2400"], "<2400", &[]),
            (&[">=2400"], "1200", &[]),
            (&["<30", ">=30", ">=300"], "30", &[1]),
            (&["<30", ">300"], "30", &[]),
            (&["<30", ">300"], "300", &[]),
            (&["<30", ">300"], "<30", &[0]),
            (&["<3", "3", ">3"], "3", &[1]),
            (&["<=3", "3", ">=3"], "3.0", &[1]),
            (&["<=3", ">=3"], "3", &[0, 1]),
        ] {
            let (labels, print) = (figures(labels), Figure::read(print).expect(print));
            assert_eq!(print.means(labels.iter().enumerate()), meant, "{print:?} on {labels:?}");
        }
    }
}
