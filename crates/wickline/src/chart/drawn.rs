//! A chart for a page: the same rungs and signs as inline SVG by classes alone, so that a strict policy lets it through
//! and it follows the page's colours. Columns of equal width: no run hides another.

use std::fmt::Write;

use super::{Chart, Place, legal};

/// Dots for the names of the rungs, for one column, above and below the ladder, for one rung, for free numbers.
const LEFT: i64 = 66;
const COLUMN: i64 = 14;
const ABOVE: i64 = 18;
const BELOW: i64 = 20;
const RUNG: i64 = 14;
const SCALE: i64 = 98;
/// Columns that a chart has room for at least.
const LEAST: i64 = 14;
/// Between two dates at least.
const DATES: i64 = 40;
/// Characters of a rung's name.
const NAMED: usize = 10;

/// The letter by which a new lot is named along a chart.
#[must_use]
pub fn letter(nth: usize) -> String {
    let letter = u8::try_from(nth % 26).map_or('a', |n| char::from(b'a' + n));
    match nth / 26 {
        0 => letter.to_string(),
        round => format!("{letter}{round}"),
    }
}

fn escaped(text: &str) -> String {
    let text = legal(text);
    text.replace('&', "&amp;").replace('<', "&lt;").replace('>', "&gt;").replace('"', "&quot;")
}

/// How high a value stands.
struct Ladder {
    high: i64,
    span: i64,
    height: i64,
}

impl Ladder {
    fn of(chart: &Chart) -> Self {
        let (low, high) = chart.ends();
        let span = (high - low).max(1);
        let height = if chart.measured { SCALE } else { span * RUNG / 2 };
        Self { high, span, height }
    }

    fn y(&self, value: i64) -> i64 {
        // Numbers may be large: the product is taken where it fits.
        let above = i128::from(self.high - value) * i128::from(self.height);
        let above = above / i128::from(self.span);
        ABOVE + i64::try_from(above).unwrap_or(0).clamp(0, self.height)
    }
}

fn x(column: i64) -> i64 {
    LEFT + column * COLUMN + COLUMN / 2
}

impl Chart {
    /// It as a drawing whose words are `said`.
    #[must_use]
    pub fn drawn(&self, said: &str) -> String {
        let ladder = Ladder::of(self);
        let width = LEFT + self.to.max(LEAST) * COLUMN + 4;
        let height = ABOVE + ladder.height + BELOW;
        let mut svg = format!(
            "<svg class=\"chart\" role=\"img\" aria-label=\"{}\" width=\"{width}\" height=\"{height}\" \
             viewBox=\"0 0 {width} {height}\">",
            escaped(said)
        );
        self.ground(&mut svg, &ladder, width - 4);
        self.lots(&mut svg, &ladder);
        self.dates(&mut svg, height - 5);
        self.signs(&mut svg, &ladder);
        svg.push_str("</svg>");
        svg
    }

    /// What was allowed, and every rung with its name.
    fn ground(&self, svg: &mut String, ladder: &Ladder, right: i64) {
        let margin = i64::from(!self.measured);
        for band in &self.bands {
            let (left, end) = (x(band.from) - COLUMN / 2, x(band.to) - COLUMN / 2);
            let (top, foot) = (ladder.y(band.high + margin), ladder.y(band.low - margin));
            let (wide, tall) = (end - left, (foot - top).max(2));
            let _ = write!(
                svg,
                "<rect class=\"c-band\" x=\"{left}\" y=\"{top}\" width=\"{wide}\" height=\"{tall}\"/>"
            );
        }
        for (at, name) in &self.steps {
            let y = ladder.y(*at);
            let short: String = name.chars().take(NAMED).collect();
            let _ = write!(
                svg,
                "<path class=\"c-line\" d=\"M{LEFT} {y}H{right}\"/>\
                 <text class=\"c-name\" x=\"{}\" y=\"{}\">{}</text>",
                LEFT - 6,
                y + 4,
                escaped(&short)
            );
        }
    }

    fn lots(&self, svg: &mut String, ladder: &Ladder) {
        for (nth, change) in self.changes.iter().enumerate() {
            let left = x(change.at) - COLUMN / 2;
            let _ = write!(
                svg,
                "<path class=\"c-lot\" d=\"M{left} {ABOVE}v{}\"/>\
                 <text class=\"c-letter\" x=\"{left}\" y=\"{}\">{}</text>",
                ladder.height,
                ABOVE - 5,
                letter(nth)
            );
        }
    }

    fn dates(&self, svg: &mut String, y: i64) {
        let mut free = i64::MIN;
        for (at, name) in &self.times {
            let left = x(*at) - COLUMN / 2;
            if left >= free {
                free = left + DATES;
                let _ = write!(
                    svg,
                    "<text class=\"c-date\" x=\"{left}\" y=\"{y}\">{}</text>",
                    escaped(name)
                );
            }
        }
    }

    fn signs(&self, svg: &mut String, ladder: &Ladder) {
        for point in &self.points {
            let (x, low, high) = (x(point.at), ladder.y(point.low), ladder.y(point.high));
            let y = i64::midpoint(low, high);
            if low != high {
                let _ = write!(svg, "<path class=\"c-span\" d=\"M{x} {low}V{high}\"/>");
            }
            let _ = match point.place {
                Place::In => {
                    write!(svg, "<circle class=\"c-in\" cx=\"{x}\" cy=\"{y}\" r=\"4\"/>")
                }
                Place::Out => write!(
                    svg,
                    "<path class=\"c-out\" d=\"M{} {}l12 12m0 -12l-12 12\"/>",
                    x - 6,
                    y - 6
                ),
                Place::Untold => {
                    write!(svg, "<path class=\"c-no\" d=\"M{} {}h12l-6 -11z\"/>", x - 6, y + 5)
                }
            };
        }
    }
}

#[cfg(test)]
mod tests {
    use super::letter;
    use crate::chart::{Band, Change, Chart, Place, Point};

    #[test]
    fn a_drawing_has_no_style_and_nothing_breaks_out_of_it() {
        let point = |at, low, place| Point { at, low, high: low, place };
        let chart = Chart {
            to: 3,
            times: vec![(0, "11-01".into()), (1, "11-02".into()), (2, "<script>".into())],
            steps: vec![(0, "NEG".into()), (2, "\"><svg onload=x>\u{202e}".into())],
            points: vec![
                point(0, 0, Place::In),
                point(1, 2, Place::Out),
                point(2, 0, Place::Untold),
            ],
            bands: vec![Band { from: 0, to: 3, low: 0, high: 0 }],
            changes: vec![Change { at: 0, name: "control lot KP-101".into() }],
            ..Chart::default()
        };
        let text = chart.drawn("GLU & <b>");
        assert!(text.contains("aria-label=\"GLU &amp; &lt;b&gt;\""), "{text}");
        for bad in ["style", "<script", "onload=x>", "fill=", "\u{202e}"] {
            assert!(!text.contains(bad), "{bad}: {text}");
        }
        let many = |class: &str| text.matches(&format!("class=\"{class}\"")).count();
        assert_eq!([many("c-in"), many("c-out"), many("c-no"), many("c-lot")], [1, 1, 1, 1]);
        // The second date would stand in the first.
        assert_eq!(many("c-date"), 1, "{text}");
        assert_eq!((letter(0), letter(27)), ("a".to_owned(), "b1".to_owned()));
    }
}
