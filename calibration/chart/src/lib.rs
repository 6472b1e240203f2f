//! One description of a chart, drawn as SVG or in characters.

mod characters;
mod scale;
mod svg;

pub use characters::draw;
pub use svg::svg;

use scale::Scale;

/// How a point is drawn.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Mark {
    /// A result that counts.
    Filled,
    /// One that is shown but does not count.
    Open,
}

/// A chart: everything in the units of its axes, already converted for who reads it.
#[derive(Debug, Clone)]
pub struct Chart {
    pub title: String,
    pub x_label: String,
    pub y_label: String,
    /// Whether equal ratios of x are equally wide.
    pub is_x_logarithmic: bool,
    /// `(x, low, high)`; drawn as an area.
    pub band: Vec<(f64, f64, f64)>,
    pub lines: Vec<Vec<(f64, f64)>>,
    pub marks: Vec<(f64, f64, Mark)>,
    /// Levels with their names.
    pub levels: Vec<(f64, String)>,
    /// Places on the x axis with their names.
    pub places: Vec<(f64, String)>,
    /// What stands under the chart.
    pub note: String,
}

impl Chart {
    fn scales(&self) -> (Scale, Scale) {
        let xs = self
            .lines
            .iter()
            .flatten()
            .map(|point| point.0)
            .chain(self.marks.iter().map(|mark| mark.0))
            .chain(self.places.iter().map(|place| place.0))
            .chain(self.band.iter().map(|part| part.0));
        let ys = self
            .lines
            .iter()
            .flatten()
            .map(|point| point.1)
            .chain(self.marks.iter().map(|mark| mark.1))
            .chain(self.levels.iter().map(|level| level.0))
            .chain(self.band.iter().flat_map(|part| [part.1, part.2]));
        (
            Scale::over(xs, self.is_x_logarithmic),
            Scale::over(ys, false),
        )
    }
}
