//! A control chart as SVG: the rungs of a ladder up, time along, what was read against what is allowed.
//!
//! Everything is told by shape, so that it can be read in black and white; the same chart is the same
//! text, byte for byte.

pub mod drawn;
pub mod paper;
pub mod runs;

use plotters::coord::Shift;
use plotters::coord::combinators::BindKeyPoints;
use plotters::element::DashedPathElement;
use plotters::prelude::*;
use plotters::style::FontTransform;
use plotters::style::text_anchor::{HPos, Pos, VPos};

/// Pixels across, for one rung, and for everything above and below the ladder.
const WIDTH: u32 = 960;
const RUNG: u32 = 34;
const AROUND: u32 = 190;
const SCALE: u32 = 360;
/// Characters of a text at most.
const LONGEST: usize = 96;
const FONT: &str = "sans-serif";

/// Where a reading stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Place {
    In,
    Out,
    /// Nothing says what it must be, or its report is held.
    Untold,
}

/// One reading: when, and the lowest and highest that it can be.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Point {
    pub at: i64,
    pub low: i64,
    pub high: i64,
    pub place: Place,
}

/// What was allowed, both ends included, from one time to another.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Band {
    pub from: i64,
    pub to: i64,
    pub low: i64,
    pub high: i64,
}

/// Something that was new from a time on, with its name.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Change {
    pub at: i64,
    pub name: String,
}

/// One chart. Heights are those of `steps`, which are named; a rung is two high.
#[derive(Clone, Debug, Default)]
pub struct Chart {
    pub title: String,
    pub period: String,
    /// First and last second, and those that are named.
    pub from: i64,
    pub to: i64,
    pub times: Vec<(i64, String)>,
    /// From the lowest to the highest.
    pub steps: Vec<(i64, String)>,
    /// Numbers, not rungs: the axis goes by its ends and not by its steps.
    pub measured: bool,
    pub points: Vec<Point>,
    pub bands: Vec<Band>,
    pub changes: Vec<Change>,
}

type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Wrong<'a> = DrawingAreaErrorKind<<SVGBackend<'a> as DrawingBackend>::ErrorType>;

impl Chart {
    /// The whole chart, an XML document.
    pub fn svg(&self) -> Result<String, String> {
        let mut text = String::new();
        let rungs = u32::try_from(self.steps.len()).unwrap_or(0);
        let height = AROUND + if self.measured { SCALE } else { rungs.max(2) * RUNG };
        {
            let root = SVGBackend::with_string(&mut text, (WIDTH, height)).into_drawing_area();
            self.draw(&root, height).map_err(|e| format!("the chart cannot be drawn: {e}"))?;
        }
        Ok(text)
    }

    fn draw<'a>(&self, root: &Area<'a>, height: u32) -> Result<(), Wrong<'a>> {
        root.fill(&WHITE)?;
        let style = |size: u32| (FONT, size).into_text_style(root);
        root.draw_text(&legal(&self.title), &style(22), (16, 14))?;
        root.draw_text(&legal(&self.period), &style(16), (16, 40))?;
        self.legend(root, i32::try_from(height).unwrap_or(i32::MAX) - 26)?;
        let (low, high) = self.ends();
        let times: Vec<i64> = self.times.iter().map(|(at, _)| *at).collect();
        let steps: Vec<i64> = self.steps.iter().map(|(at, _)| *at).collect();
        let named = |list: &[(i64, String)], at: &i64| {
            let found = list.iter().find(|(known, _)| known == at);
            found.map(|(_, name)| legal(name)).unwrap_or_default()
        };
        let plot = root.margin(64, 40, 8, 24);
        let mut chart = ChartBuilder::on(&plot)
            .x_label_area_size(30)
            .y_label_area_size(110)
            .build_cartesian_2d(
                (self.from..self.to.max(self.from + 1)).with_key_points(times),
                (low..high).with_key_points(steps),
            )?;
        let pale = RGBColor(232, 232, 232);
        for band in &self.bands {
            let margin = i64::from(!self.measured);
            let corners = [(band.from, band.low - margin), (band.to, band.high + margin)];
            chart.draw_series([Rectangle::new(corners, pale.filled())])?;
            for edge in [band.low - margin, band.high + margin] {
                let line = [(band.from, edge), (band.to, edge)];
                chart.draw_series([PathElement::new(line, BLACK)])?;
            }
        }
        chart
            .configure_mesh()
            .disable_x_mesh()
            .light_line_style(RGBColor(200, 200, 200))
            .bold_line_style(RGBColor(200, 200, 200))
            .label_style((FONT, 14))
            .x_label_formatter(&|at| named(&self.times, at))
            .y_label_formatter(&|at| named(&self.steps, at))
            .draw()?;
        let upright = (FONT, 13).into_text_style(root).transform(FontTransform::Rotate90);
        let upright = upright.pos(Pos::new(HPos::Left, VPos::Bottom));
        for change in &self.changes {
            let ends = [(change.at, low), (change.at, high)];
            chart.draw_series([DashedPathElement::new(ends, 5, 4, BLACK)])?;
            let text = Text::new(legal(&change.name), (change.at, high), upright.clone());
            chart.draw_series([text])?;
        }
        for point in &self.points {
            let middle = (point.at, i64::midpoint(point.low, point.high));
            let (low, high) = ((point.at, point.low), (point.at, point.high));
            chart.draw_series([PathElement::new([low, high], BLACK)])?;
            match point.place {
                Place::In => chart.draw_series([Circle::new(middle, 4, BLACK.filled())])?,
                Place::Out => chart.draw_series([Cross::new(middle, 7, BLACK.stroke_width(3))])?,
                Place::Untold => {
                    chart.draw_series([TriangleMarker::new(middle, 6, BLACK.stroke_width(1))])?
                }
            };
        }
        root.present()
    }

    /// The signs, each with what it means.
    fn legend<'a>(&self, root: &Area<'a>, y: i32) -> Result<(), Wrong<'a>> {
        let style = (FONT, 14).into_text_style(root);
        let level = y + 6;
        root.draw(&Circle::new((24, level), 4, BLACK.filled()))?;
        root.draw_text("within what is allowed", &style, (36, y))?;
        root.draw(&Cross::new((204, level), 7, BLACK.stroke_width(3)))?;
        root.draw_text("out", &style, (218, y))?;
        root.draw(&TriangleMarker::new((264, level), 6, BLACK.stroke_width(1)))?;
        root.draw_text("says nothing: no target, or held", &style, (276, y))?;
        let corners = [(482, y - 1), (506, y + 12)];
        root.draw(&Rectangle::new(corners, RGBColor(232, 232, 232).filled()))?;
        root.draw(&Rectangle::new(corners, BLACK))?;
        root.draw_text("allowed", &style, (514, y))?;
        let line = [(584, level), (612, level)];
        root.draw(&DashedPathElement::new(line, 5, 4, BLACK))?;
        root.draw_text("a new lot, by its name", &style, (620, y))
    }

    /// The lowest and the highest of the axis.
    fn ends(&self) -> (i64, i64) {
        let points = self.points.iter().flat_map(|p| [p.low, p.high]);
        let bands = self.bands.iter().flat_map(|b| [b.low, b.high]);
        let all = self.steps.iter().map(|(at, _)| *at);
        let all: Vec<i64> = all.chain(points).chain(bands).collect();
        let (low, high) =
            (all.iter().min().copied().unwrap_or(0), all.iter().max().copied().unwrap_or(0));
        let margin = if self.measured { ((high - low) / 12).max(1) } else { 2 };
        (low - margin, high + margin)
    }
}

/// A name as XML can have it, of a bearable length: what cannot be seen is shown by a sign.
fn legal(text: &str) -> String {
    let hidden = |c: char| {
        c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
                | '\u{2066}'..='\u{2069}' | '\u{feff}' | '\u{fffe}' | '\u{ffff}')
    };
    let mut shown: String =
        text.chars().take(LONGEST).map(|c| if hidden(c) { '\u{fffd}' } else { c }).collect();
    if text.chars().count() > LONGEST {
        shown.push('…');
    }
    shown
}

#[cfg(test)]
mod tests;
