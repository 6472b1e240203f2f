//! A chart in characters: the curve in braille dots, results as letters, the band as light shade.

use crate::scale::label;
use crate::{Chart, Mark};

const COLUMNS: usize = 64;
const ROWS: usize = 16;

/// Braille dots of a cell, by column and row of dots.
const DOTS: [[u32; 4]; 2] = [[0x01, 0x02, 0x04, 0x40], [0x08, 0x10, 0x20, 0x80]];

struct Canvas {
    dots: Vec<u32>,
    letters: Vec<Option<char>>,
}

impl Canvas {
    fn new() -> Self {
        Self {
            dots: vec![0; COLUMNS * ROWS],
            letters: vec![None; COLUMNS * ROWS],
        }
    }

    /// The cell of a place, both from 0 at the low end to 1 at the high end.
    fn cell(x: f64, y: f64) -> Option<(usize, usize)> {
        let is_inside = (0.0..=1.0).contains(&x) && (0.0..=1.0).contains(&y);
        is_inside.then(|| {
            (
                ((x * COLUMNS as f64) as usize).min(COLUMNS - 1),
                (((1.0 - y) * ROWS as f64) as usize).min(ROWS - 1),
            )
        })
    }

    fn dot(&mut self, x: f64, y: f64) {
        let Some((column, row)) = Self::cell(x, y) else {
            return;
        };
        let across = ((x * COLUMNS as f64 - column as f64) * 2.0) as usize;
        let down = (((1.0 - y) * ROWS as f64 - row as f64) * 4.0) as usize;
        self.dots[row * COLUMNS + column] |= DOTS[across.min(1)][down.min(3)];
    }

    /// A letter, which never hides one drawn before it.
    fn letter(&mut self, x: f64, y: f64, letter: char) {
        if let Some((column, row)) = Self::cell(x, y) {
            self.letters[row * COLUMNS + column].get_or_insert(letter);
        }
    }

    fn character(&self, column: usize, row: usize) -> char {
        let index = row * COLUMNS + column;
        match self.letters[index] {
            // Results hide the curve, and the curve hides levels, places and its band.
            Some(result @ ('●' | '○')) => result,
            behind => match char::from_u32(0x2800 + self.dots[index]) {
                Some(dots) if self.dots[index] != 0 => dots,
                _ => behind.unwrap_or(' '),
            },
        }
    }
}

/// The chart as lines of text, at most 80 columns wide.
pub fn draw(chart: &Chart) -> String {
    let (x_scale, y_scale) = chart.scales();
    let mut canvas = Canvas::new();
    for (x, y, mark) in &chart.marks {
        let letter = match mark {
            Mark::Filled => '●',
            Mark::Open => '○',
        };
        canvas.letter(x_scale.share(*x), y_scale.share(*y), letter);
    }
    for (level, _) in &chart.levels {
        for column in (0..COLUMNS).step_by(2) {
            let x = (column as f64 + 0.5) / COLUMNS as f64;
            canvas.letter(x, y_scale.share(*level), '-');
        }
    }
    for (place, _) in &chart.places {
        for row in (0..ROWS).step_by(2) {
            let y = (row as f64 + 0.5) / ROWS as f64;
            canvas.letter(x_scale.share(*place), y, '|');
        }
    }
    for (x, low, high) in &chart.band {
        let (low, high) = (y_scale.share(*low), y_scale.share(*high));
        for row in 0..ROWS {
            let y = 1.0 - (row as f64 + 0.5) / ROWS as f64;
            if y >= low && y <= high {
                canvas.letter(x_scale.share(*x), y, '·');
            }
        }
    }
    for line in &chart.lines {
        for pair in line.windows(2) {
            let from = (x_scale.share(pair[0].0), y_scale.share(pair[0].1));
            let to = (x_scale.share(pair[1].0), y_scale.share(pair[1].1));
            for step in 0..=40 {
                let share = f64::from(step) / 40.0;
                canvas.dot(
                    from.0 + share * (to.0 - from.0),
                    from.1 + share * (to.1 - from.1),
                );
            }
        }
    }
    let mut text = format!("{}\n", chart.title);
    let ticks: Vec<(usize, String)> = y_scale
        .ticks()
        .into_iter()
        .filter_map(|tick| Some((Canvas::cell(0.0, y_scale.share(tick))?.1, label(tick))))
        .collect();
    for row in 0..ROWS {
        let tick = ticks.iter().find(|(at, _)| *at == row);
        let name = tick.map_or("", |(_, name)| name.as_str());
        let line: String = (0..COLUMNS)
            .map(|column| canvas.character(column, row))
            .collect();
        text.push_str(format!("{name:>8} |{line}").trim_end());
        text.push('\n');
    }
    text.push_str(&format!("{:>8} +{}\n", "", "-".repeat(COLUMNS)));
    text.push_str(&x_axis(&x_scale));
    text.push_str(&format!(
        "{:>10}{} (up: {})\n",
        "", chart.x_label, chart.y_label
    ));
    for (_, name) in chart.levels.iter().map(|level| ('-', &level.1)) {
        text.push_str(&format!("{:>10}- {name}\n", ""));
    }
    for (_, name) in &chart.places {
        text.push_str(&format!("{:>10}| {name}\n", ""));
    }
    text
}

/// The numbers under the x axis, each under its place, none over another.
fn x_axis(scale: &super::Scale) -> String {
    let mut line = vec![' '; COLUMNS + 18];
    let mut free_from = 0;
    for tick in scale.ticks() {
        let Some((column, _)) = Canvas::cell(scale.share(tick), 0.0) else {
            continue;
        };
        let name: Vec<char> = label(tick).chars().collect();
        let from = (10 + column).saturating_sub(name.len() / 2);
        if from < free_from || from + name.len() > line.len() {
            continue;
        }
        free_from = from + name.len() + 1;
        line[from..from + name.len()].copy_from_slice(&name);
    }
    let line: String = line.into_iter().collect();
    format!("{}\n", line.trim_end())
}
