//! Pads that measure: they have no ladder, so a few numbers of ours stand in its place.

use toml::{Table, Value};

use super::expect::cut;
use super::sheet::Rung;

/// One without decimals, one with, and one of three digits.
const NUMBERS: [&str; 3] = ["1", "12.5", "187"];

/// How a pad's free numbers are converted, by the strip's file.
#[derive(Clone, Debug)]
pub struct Measured {
    /// How many of the SI unit one of the conventional is.
    factor: (i128, u32),
    /// Decimals of what is converted: conventional, then SI.
    digits: [u32; 2],
    /// The system that is printed: 0 conventional, 1 SI.
    pub system: usize,
}

impl Measured {
    /// From the pad's table.
    pub(super) fn read(pad: &Table) -> Option<Measured> {
        let table = pad.get("measured")?.as_table()?;
        let digits = |key: &str| u32::try_from(table.get(key).and_then(Value::as_integer)?).ok();
        let factor = decimal(table.get("factor").and_then(Value::as_str)?)?;
        Some(Measured { factor, digits: [digits("digits")?, digits("si_digits")?], system: 0 })
    }

    /// Numbers of the printed system as steps of a ladder.
    pub(super) fn steps(&self) -> Vec<Rung> {
        let step = |number: &str| Rung {
            grade: None,
            text: None,
            labels: self.labels(number),
            flag: "range".to_owned(),
        };
        NUMBERS.into_iter().map(step).collect()
    }

    /// A printed number in both systems: as printed, and converted exactly and rounded half up.
    pub(super) fn labels(&self, printed: &str) -> [Option<String>; 2] {
        let other = 1 - self.system;
        let mut labels = [None, None];
        labels[self.system] = Some(printed.to_owned());
        labels[other] = self.converted(printed, other);
        labels
    }

    fn converted(&self, printed: &str, to: usize) -> Option<String> {
        let (sign, number) = cut(printed);
        let ((number, places), (factor, scale)) = (decimal(number)?, self.factor);
        let ten = |n: u32| 10_i128.checked_pow(n);
        let digits = self.digits[to];
        let (over, under) = if to == 1 {
            (number.checked_mul(factor)?, ten(places + scale)?)
        } else {
            (number.checked_mul(ten(scale)?)?, factor.checked_mul(ten(places)?)?)
        };
        let over = over.checked_mul(ten(digits)?)?.checked_mul(2)?.checked_add(under)?;
        let rounded = over.checked_div(under.checked_mul(2)?)?;
        let unit = ten(digits)?;
        let (whole, part) = (rounded / unit, rounded % unit);
        Some(match digits {
            0 => format!("{sign}{whole}"),
            digits => {
                format!("{sign}{whole}.{part:0width$}", width = usize::try_from(digits).ok()?)
            }
        })
    }
}

/// `12.5` as 125 and one place.
fn decimal(text: &str) -> Option<(i128, u32)> {
    let (whole, part) = text.trim().split_once('.').unwrap_or((text.trim(), ""));
    let digits = format!("{whole}{part}");
    let plain =
        !digits.is_empty() && digits.len() < 20 && digits.bytes().all(|b| b.is_ascii_digit());
    Some((digits.parse().ok().filter(|_| plain)?, u32::try_from(part.len()).ok()?))
}

#[cfg(test)]
mod tests {
    use super::{Measured, decimal};

    #[test]
    fn what_is_converted_is_rounded_half_up() {
        let of = |factor: &str, digits, system| Measured {
            factor: decimal(factor).expect("a number"),
            digits,
            system,
        };
        let pair = |one: &str, other: &str| [Some(one.to_owned()), Some(other.to_owned())];
        assert_eq!(of("0.0884", [0, 1], 0).labels("12.5"), pair("12.5", "1.1"));
        assert_eq!(of("0.0884", [0, 1], 1).labels("12.5"), pair("141", "12.5"));
        assert_eq!(of("0.0884", [0, 1], 0).labels(">300"), pair(">300", ">26.5"));
        assert_eq!(of("0.09", [0, 2], 0).labels("0.5"), pair("0.5", "0.05"), "0.045 goes up");
        assert_eq!((decimal("12.50"), decimal("1e3"), decimal("")), (Some((1250, 2)), None, None));
    }
}
