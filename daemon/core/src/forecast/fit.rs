//! What the readings so far say of the concrete: delay and heat for the whole pour, film and loss for
//! each position.

use crate::forecast::concrete::{Cells, Parameters, Section, Slab};
use crate::forecast::past::Past;
use crate::forecast::squares::{Expectation, Fitted, Problem, ROW_WIDTH, Row};
use crate::forecast::table::OneRate;
use crate::grid::STEP_H;

/// Parameters shared by the pour, and those of each position.
pub(crate) const SHARED_COUNT: usize = 2;
pub(crate) const OWN_COUNT: usize = 2;
/// How far the model is off from a real section, °C, and how that grows with each hour of model.
const MODEL_SD_C: f64 = 0.7;
const MODEL_GROWTH_PER_STEP: f64 = 0.02;
const MODEL_GROWTH_STEPS_MAX: usize = 48;
/// Every second point counts: neighbours say nearly the same.
const EVERY: usize = 2;
const NUDGE: f64 = 0.01;

/// The concrete of one pour, to be fitted to its past.
pub(crate) struct ConcreteFit<'a> {
    pub(crate) section: &'a Section,
    pub(crate) past: &'a Past,
    pub(crate) ripening: &'a OneRate,
}

/// The four parameters of one position among all.
pub(crate) fn of_position(parameters: &[f64], position: usize) -> Parameters {
    let own = SHARED_COUNT + OWN_COUNT * position;
    [
        parameters[0],
        parameters[1],
        parameters[own],
        parameters[own + 1],
    ]
}

impl ConcreteFit<'_> {
    /// The fit, or what is expected where there was no air to fit to.
    pub(crate) fn fit(&self, expectations: &[Expectation]) -> Fitted {
        if self.past.has_air() {
            Fitted::new(expectations, self)
        } else {
            Fitted::expected(expectations)
        }
    }

    /// Runs the model of one position to now; `look` sees each point with what its sensor would read.
    pub(crate) fn run(
        &self,
        position: usize,
        parameters: &Parameters,
        look: impl FnMut(usize, f64),
    ) -> (Slab, Cells) {
        self.run_over(1, position, parameters, look)
    }

    /// The same in steps over so many points each, as far as whole steps go.
    fn run_over(
        &self,
        over: usize,
        position: usize,
        parameters: &Parameters,
        mut look: impl FnMut(usize, f64),
    ) -> (Slab, Cells) {
        let track = &self.past.tracks[position];
        let step_h = STEP_H * over as f64;
        let slab = Slab::stepped(self.section, track.place, parameters, step_h);
        let [speed] = self.ripening.at(track.start_c);
        let age_h = track.elapsed_h * speed;
        let mut cells = slab.uniform(track.start_c, age_h);
        look(track.start, track.start_c);
        for point in (track.start + over..self.past.grid.count).step_by(over) {
            let air_c = mean_of_line(&self.past.air_c[point - over..=point]);
            slab.step(&mut cells, (air_c, self.past.yard_c[point]), self.ripening);
            look(point, slab.sensor_c(&cells));
        }
        (slab, cells)
    }

    /// Of every second point, and in steps as long.
    fn residuals_of(&self, position: usize, parameters: &Parameters, out: &mut Vec<f64>) {
        let track = &self.past.tracks[position];
        self.run_over(EVERY, position, parameters, |point, model_c| {
            let since = point - track.start;
            if since > 0 {
                let age = since.min(MODEL_GROWTH_STEPS_MAX) as f64;
                let sd_c = MODEL_SD_C * (1.0 + MODEL_GROWTH_PER_STEP * age);
                let read_c = track.read_c.get(since).copied().flatten();
                out.push(read_c.map_or(0.0, |read_c| (read_c - model_c) / sd_c));
            }
        });
    }
}

/// The mean of the straight lines through points one step apart.
fn mean_of_line(values: &[f64]) -> f64 {
    let steps = values.windows(2);
    let count = steps.len() as f64;
    steps.map(|two| 0.5 * (two[0] + two[1])).sum::<f64>() / count
}

impl Problem for ConcreteFit<'_> {
    fn residuals(&self, parameters: &[f64], out: &mut Vec<f64>) {
        out.clear();
        for position in 0..self.past.tracks.len() {
            self.residuals_of(position, &of_position(parameters, position), out);
        }
    }

    fn rows(&self, parameters: &[f64], residuals: &[f64], out: &mut Vec<Row>) {
        out.clear();
        let mut nudged = Vec::new();
        for position in 0..self.past.tracks.len() {
            let own = SHARED_COUNT + OWN_COUNT * position;
            let base = out.len();
            let columns = [0, 1, own, own + 1, 0];
            let at = of_position(parameters, position);
            for column in 0..at.len() {
                let mut aside = at;
                aside[column] += NUDGE;
                nudged.clear();
                self.residuals_of(position, &aside, &mut nudged);
                if column == 0 {
                    let empty = Row {
                        columns,
                        slopes: [0.0; ROW_WIDTH],
                        width: at.len(),
                    };
                    out.resize(base + nudged.len(), empty);
                }
                for ((row, moved), here) in
                    out[base..].iter_mut().zip(&nudged).zip(&residuals[base..])
                {
                    row.slopes[column] = (moved - here) / NUDGE;
                }
            }
        }
    }
}
