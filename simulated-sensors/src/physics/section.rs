//! One-dimensional conduction through a section that heats itself while it hydrates.
//!
//! Finite volumes, backward Euler. Within a step the cells answer linearly to the air at the two
//! faces, so a column first says *how* it would answer, the enclosure finds its air from all the
//! answers at once, and heat is conserved to rounding.

use super::hydration::{Hydrated, Hydration};

/// Thermal properties of the concrete.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Material {
    pub conductivity_w_m_k: f64,
    pub heat_capacity_j_m3_k: f64,
}

/// Film coefficients between the faces and the air beside them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Films {
    pub top_w_m2_k: f64,
    pub bottom_w_m2_k: f64,
}

/// A heat flow into the concrete as `constant + per_top * top_c + per_bottom * bottom_c`, W/m².
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Influx {
    pub constant: f64,
    pub per_top: f64,
    pub per_bottom: f64,
}

impl Influx {
    pub fn at(&self, top_c: f64, bottom_c: f64) -> f64 {
        self.constant + self.per_top * top_c + self.per_bottom * bottom_c
    }
}

/// The concrete between the top face and the form at one position.
#[derive(Debug, Clone)]
pub struct Column {
    material: Material,
    hydration: Hydration,
    cell_m: f64,
    temperature_c: Vec<f64>,
    hydrated: Vec<Hydrated>,
    surface_c: [f64; 2],
    step: Step,
}

/// The linear system of one step; its factors live as long as period and films stay the same.
#[derive(Debug, Clone, Default)]
struct Step {
    made_for: Option<(f64, Films)>,
    conductance: f64,
    capacity: f64,
    face: [f64; 2],
    upper: Vec<f64>,
    pivot: Vec<f64>,
    /// Cell temperatures if only the top (bottom) air were at 1 °C and all else at 0 °C.
    unit: [Vec<f64>; 2],
    /// Cell temperatures at the end of the step with both airs at 0 °C.
    base: Vec<f64>,
}

impl Column {
    /// Fresh concrete of one temperature.
    pub fn new(
        material: Material,
        hydration: Hydration,
        thickness_m: f64,
        cell_count: usize,
        fresh: (f64, Hydrated),
    ) -> Self {
        let (temperature_c, hydrated) = fresh;
        Self {
            material,
            hydration,
            cell_m: thickness_m / cell_count as f64,
            temperature_c: vec![temperature_c; cell_count],
            hydrated: vec![hydrated; cell_count],
            surface_c: [temperature_c; 2],
            step: Step::default(),
        }
    }

    /// Lets the cells hydrate for one step and says how the faces will answer to the air.
    ///
    /// Returned are the flows into the top and into the bottom face; [`Column::finish`] must
    /// follow.
    pub fn prepare(&mut self, period_s: f64, films: Films) -> [Influx; 2] {
        if self.step.made_for != Some((period_s, films)) {
            self.factorise(period_s, films);
        }
        let step = &mut self.step;
        for ((base, temperature_c), hydrated) in step
            .base
            .iter_mut()
            .zip(&self.temperature_c)
            .zip(&mut self.hydrated)
        {
            let heat_j_m3 = hydrated.advance(&self.hydration, *temperature_c, period_s);
            *base = step.capacity * temperature_c + heat_j_m3 * self.cell_m / period_s;
        }
        step.solve_base();
        let last = step.base.len() - 1;
        let influx = |face: usize, cell: usize| Influx {
            constant: -step.face[face] * step.base[cell],
            per_top: step.face[face] * (f64::from(face == 0) - step.unit[0][cell]),
            per_bottom: step.face[face] * (f64::from(face == 1) - step.unit[1][cell]),
        };
        [influx(0, 0), influx(1, last)]
    }

    /// Ends the step that [`Column::prepare`] began, with the air that was found.
    pub fn finish(&mut self, top_c: f64, bottom_c: f64) {
        let step = &self.step;
        for (cell, temperature_c) in self.temperature_c.iter_mut().enumerate() {
            *temperature_c =
                step.base[cell] + step.unit[0][cell] * top_c + step.unit[1][cell] * bottom_c;
        }
        let half_cell = self.cell_m / (2.0 * self.material.conductivity_w_m_k);
        let last = self.temperature_c.len() - 1;
        for (face, (cell, air_c)) in [(0, top_c), (last, bottom_c)].into_iter().enumerate() {
            let inside_c = self.temperature_c[cell];
            self.surface_c[face] = inside_c + step.face[face] * (air_c - inside_c) * half_cell;
        }
    }

    /// Temperature at a depth below the top face.
    pub fn temperature_c(&self, depth_m: f64) -> f64 {
        let last = self.temperature_c.len() - 1;
        let place = depth_m / self.cell_m - 0.5;
        if place < 0.0 {
            let share = (place + 0.5) * 2.0;
            return between(self.surface_c[0], self.temperature_c[0], share);
        }
        if place >= last as f64 {
            let share = ((place - last as f64) * 2.0).min(1.0);
            return between(self.temperature_c[last], self.surface_c[1], share);
        }
        let cell = place as usize;
        between(
            self.temperature_c[cell],
            self.temperature_c[cell + 1],
            place - cell as f64,
        )
    }

    /// Hydration of the cell at a depth below the top face.
    pub fn hydrated(&self, depth_m: f64) -> Hydrated {
        let cell = (depth_m / self.cell_m) as usize;
        self.hydrated[cell.min(self.hydrated.len() - 1)]
    }

    fn factorise(&mut self, period_s: f64, films: Films) {
        let count = self.temperature_c.len();
        let conductivity = self.material.conductivity_w_m_k;
        let through = |film: f64| {
            if film > 0.0 {
                1.0 / (1.0 / film + self.cell_m / (2.0 * conductivity))
            } else {
                0.0
            }
        };
        let mut step = Step {
            made_for: Some((period_s, films)),
            conductance: conductivity / self.cell_m,
            capacity: self.material.heat_capacity_j_m3_k * self.cell_m / period_s,
            face: [through(films.top_w_m2_k), through(films.bottom_w_m2_k)],
            upper: vec![0.0; count],
            pivot: vec![0.0; count],
            unit: [vec![0.0; count], vec![0.0; count]],
            base: vec![0.0; count],
        };
        for cell in 0..count {
            let first = cell == 0;
            let last = cell + 1 == count;
            let above = if first {
                step.face[0]
            } else {
                step.conductance
            };
            let below = if last { step.face[1] } else { step.conductance };
            let mut pivot = step.capacity + above + below;
            if !first {
                pivot += step.conductance * step.upper[cell - 1];
            }
            step.pivot[cell] = pivot;
            step.upper[cell] = if last { 0.0 } else { -step.conductance / pivot };
        }
        for face in 0..2 {
            step.base.fill(0.0);
            step.base[if face == 0 { 0 } else { count - 1 }] = step.face[face];
            step.solve_base();
            step.unit[face].clone_from(&step.base);
        }
        self.step = step;
    }
}

impl Step {
    /// Solves the tridiagonal system in place: `base` holds the right-hand side, then the answer.
    fn solve_base(&mut self) {
        let mut previous = 0.0;
        for (value, pivot) in self.base.iter_mut().zip(&self.pivot) {
            *value = (*value + self.conductance * previous) / pivot;
            previous = *value;
        }
        let mut next = 0.0;
        for (value, upper) in self.base.iter_mut().zip(&self.upper).rev() {
            *value -= upper * next;
            next = *value;
        }
    }
}

fn between(from: f64, to: f64, share: f64) -> f64 {
    from + (to - from) * share
}

#[cfg(test)]
mod tests;
