//! A number as printed, exact, never a binary float: itself, the end of a ladder, or a range.

use rust_decimal::Decimal;
use serde::{Deserialize, Serialize};

use crate::observation::Comparator;

/// Digits of a figure at most; the longest label of any ladder has six.
const DIGITS: usize = 18;

/// A number or a label as printed: the number itself (`400`), an end with its comparator (`>=2400`), or a
/// range (`10-25`), which has no comparator.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Figure {
    /// As printed or as the ladder has it; None: the number itself, or a range.
    pub comparator: Option<Comparator>,
    /// At most 18 characters, digits with at most one point between them; trailing zeros are kept
    /// (`1.020`). Of a range its lower end.
    pub digits: String,
    /// The upper end of a range.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<String>,
}

impl Figure {
    /// Reads `400`, `1.020`, `>=2400`, `< 30`, `10-25`. None for anything else: no sign, no exponent, no
    /// comma (the dialect knows whether a comma is decimal), no second point, no range that does not rise.
    ///
    /// ```
    /// use wickline_normalize::{Comparator, Figure};
    ///
    /// let end = Figure::read(">= 2400").expect("an end rung");
    /// assert_eq!(end.comparator, Some(Comparator::AtLeast));
    /// assert_eq!(end.text(), ">=2400");
    /// let range = Figure::read("10 - 25").expect("a range");
    /// assert_eq!((range.digits.as_str(), range.to.as_deref()), ("10", Some("25")));
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
        let (from, to) = match digits.split_once(['-', '–']) {
            Some((from, to)) if comparator.is_none() => (from.trim_end(), Some(to.trim_start())),
            _ => (digits, None),
        };
        let to = match to {
            Some(to) => Some(plain(to)?.to_owned()),
            None => None,
        };
        let figure = Figure { comparator, digits: plain(from)?.to_owned(), to };
        (figure.to.is_none() || figure.value() < figure.upper()).then_some(figure)
    }

    /// The exact value, of a range its lower end; zero is also what a figure not made by
    /// [`Figure::read`] may give.
    #[must_use]
    pub fn value(&self) -> Decimal {
        Decimal::from_str_exact(&self.digits).unwrap_or_default()
    }

    /// The upper end of a range, else the value.
    #[must_use]
    pub fn upper(&self) -> Decimal {
        let to = self.to.as_deref().and_then(|to| Decimal::from_str_exact(to).ok());
        to.unwrap_or_else(|| self.value())
    }

    /// True for a number and nothing else: neither an end nor a range.
    #[must_use]
    pub fn is_bare(&self) -> bool {
        self.comparator.is_none() && self.to.is_none()
    }

    /// As a ladder's label is written: `>=2400`, `10-25`.
    #[must_use]
    pub fn text(&self) -> String {
        let comparator = self.comparator.map_or("", Comparator::text);
        let to = self.to.as_ref().map(|to| format!("-{to}")).unwrap_or_default();
        format!("{comparator}{}{to}", self.digits)
    }

    /// Which of these labels a print means by `printed`, by their places: those that say the same, comparator,
    /// number and upper end. Where none does, a bare number may stand for an end that includes it, `<=` or
    /// `>=`; never for `<` or `>`, which say that it is another (30 is not `<30`), nor for a range that it
    /// lies in, which is a class and no measurement (17 is not `10-25`).
    pub(crate) fn means<'a>(
        &self,
        labels: impl Iterator<Item = (usize, &'a Figure)>,
    ) -> Vec<usize> {
        let (mut exact, mut ends) = (Vec::new(), Vec::new());
        for (place, label) in labels.filter(|(_, label)| label.value() == self.value()) {
            let end = matches!(label.comparator, Some(Comparator::AtMost | Comparator::AtLeast));
            let shapes = (self.to.is_some(), label.to.is_some());
            if label.comparator == self.comparator
                && label.upper() == self.upper()
                && shapes.0 == shapes.1
            {
                exact.push(place);
            } else if self.is_bare() && end {
                ends.push(place);
            }
        }
        if exact.is_empty() { ends } else { exact }
    }

    /// True when it stands wholly below another label of a ladder: by number, `<` before the number and `>`
    /// after it. Two ranges may touch (`10-25`, `25-80`).
    pub(crate) fn is_below(&self, other: &Figure) -> bool {
        self.order() < other.order() && self.upper() <= other.value()
    }

    /// Where it stands on a ladder.
    fn order(&self) -> (Decimal, i8, Decimal) {
        let side = match self.comparator {
            Some(Comparator::Less) => -1,
            Some(Comparator::More) => 1,
            Some(Comparator::AtMost | Comparator::AtLeast) | None => 0,
        };
        (self.value(), side, self.upper())
    }
}

/// Digits with at most one point between them.
fn plain(digits: &str) -> Option<&str> {
    let (whole, rest) = digits.split_once('.').unwrap_or((digits, "0"));
    let all = |part: &str| !part.is_empty() && part.bytes().all(|b| b.is_ascii_digit());
    (digits.len() <= DIGITS && all(whole) && all(rest)).then_some(digits)
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
        for text in [
            "", "1,020", "-5", "+5", "1e3", "1.", ".5", "1.0.0", "3+", ">", "٣", "0x1", "1 0",
            "10-", "-25", "25-10", "10-10", "1-2-3", ">10-25", "---",
        ] {
            assert_eq!(Figure::read(text), None, "{text}");
        }
        assert_eq!(Figure::read(&"9".repeat(19)), None);
        assert_eq!(
            Figure::read("9".repeat(18).as_str()).map(|f| f.value().to_string()).as_deref(),
            Some("9".repeat(18).as_str())
        );
    }

    /// On a ladder nothing is below itself, whatever the comparator beside the same number.
    #[test]
    fn a_label_is_below_another_only_where_all_of_it_is() {
        for (lower, upper, below) in [
            ("30", "30", false),
            ("<=30", "30", false),
            ("30", ">=30", false),
            ("<30", "30", true),
            ("30", ">30", true),
            ("10-25", "25-80", true),
            ("10-25", "24-80", false),
            ("10-25", "10-80", false),
            ("29", "30", true),
            ("31", "30", false),
        ] {
            let figure = |text: &str| Figure::read(text).expect(text);
            assert_eq!(figure(lower).is_below(&figure(upper)), below, "{lower} {upper}");
        }
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
            (&["10-25", "25", ">=80"], "25", &[1]),
            (&["10-25", "30-300"], "17", &[]),
            (&["10-25", "30-300"], "10", &[]),
            (&["10-25", "30-300"], "30 - 300.0", &[1]),
            (&["10-25", "30-300"], "30–299", &[]),
            (&["10", ">=25"], "10-25", &[]),
        ] {
            let (labels, print) = (figures(labels), Figure::read(print).expect(print));
            assert_eq!(print.means(labels.iter().enumerate()), meant, "{print:?} on {labels:?}");
        }
    }
}
