//! Heat in the concrete around one position: half a symmetric slab in three cells that hydrate.
//!
//! Each cell takes in heat from its neighbours and from its own hydration, the outer one from the
//! air through a film: `rho c dT/dt = k d²T/dx² + rho c G da/dt`, with `G` the adiabatic rise and
//! `a = exp(-(delay / t_e)^shape)` the share hydrated at the cell's own equivalent age `t_e`. Steps
//! are implicit in conduction; hydration runs at the temperature of the middle of the step.

use std::sync::LazyLock;

use calibration::MaturityFunction;
use units::constants::{GAS_CONSTANT_J_MOL_K, KELVIN_OFFSET};

use crate::forecast::table::OneRate;
use crate::grid::STEP_H;
use crate::pour::PourRecord;

pub(crate) const CELL_COUNT: usize = 3;
/// Heat of hydration of one kilogram of cementitious material, kJ/kg (common practice, no source).
const HYDRATION_KJ_KG: f64 = 300.0;
/// Heat capacity of concrete by volume, kJ/(m³ K) (common practice, no source).
const HEAT_CAPACITY_KJ_M3_K: f64 = 2500.0;
/// Cementitious content where nobody gave one, kg/m³ (common practice, no source).
const CEMENTITIOUS_KG_M3: f64 = 400.0;
/// Delay and shape of hydration at 20 °C, h and 1 (common practice, no source).
const DELAY_H: f64 = 13.5;
const SHAPE: f64 = 0.95;
/// Activation energy of the heat of hydration where the curve has none, J/mol (common practice).
const ACTIVATION_ENERGY_J_MOL: f64 = 40_000.0;
const REFERENCE_C: f64 = 20.0;
/// Film between concrete and air, W/(m² K), and conduction inside, W/(m K) (common practice).
const FILM_W_M2_K: f64 = 8.0;
const CONDUCTIVITY_W_M_K: f64 = 2.0;
const FILM_LN_SD: f64 = 0.40;
/// Where the thickness is not known, mm, and how far the film then stands for what is not known.
const THICKNESS_MM: f64 = 250.0;
const UNKNOWN_FILM_LN_SD: f64 = 0.9;
const THICKNESS_MM_MIN: f64 = 40.0;
const S_PER_H: f64 = 3600.0;
/// Of the steps' approximation: the value that makes it of second order and damps (any textbook of stiff
/// differential equations, of singly diagonally implicit methods).
const DAMPING: f64 = 1.0 - std::f64::consts::FRAC_1_SQRT_2;
/// The share hydrated is tabulated up to this many delays; further out it is computed.
const SHARE_TO: u32 = 8;
const SHARES_PER_DELAY: u32 = 250;

/// The share hydrated over equivalent age in delays, and how far it is from the next.
static SHARES: LazyLock<Vec<(f64, f64)>> = LazyLock::new(|| {
    let at = |index: u32| share_exact(f64::from(index) / f64::from(SHARES_PER_DELAY));
    (0..SHARE_TO * SHARES_PER_DELAY)
        .map(|index| (at(index), at(index + 1) - at(index)))
        .collect()
});

fn share_exact(delays: f64) -> f64 {
    if delays > 0.0 {
        (-delays.powf(-SHAPE)).exp()
    } else {
        0.0
    }
}

#[inline]
fn share_hydrated(shares: &[(f64, f64)], delays: f64) -> f64 {
    let place = delays * f64::from(SHARES_PER_DELAY);
    let cell = place as u32;
    match shares.get(cell as usize) {
        Some((share, to_next)) => share + to_next * (place - f64::from(cell)),
        None => share_exact(delays),
    }
}

/// What is unknown of a position, in this order: logarithms of the factors on delay, heat and film,
/// and the share of the enclosure's excess over the yard that is lost on the way to it.
pub(crate) type Parameters = [f64; 4];

/// What a pour's facts say about its section before anything is read.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Section {
    rise_c: f64,
    half_m: f64,
    film_ln_sd: f64,
}

impl Section {
    pub(crate) fn of(record: &PourRecord) -> Self {
        let facts = &record.facts;
        let cementitious_kg_m3 = facts
            .cementitious_kg_m3
            .filter(|content| *content > 0.0)
            .unwrap_or(CEMENTITIOUS_KG_M3);
        let thickness_mm = facts
            .section
            .as_ref()
            .and_then(|section| section.thickness_mm)
            .filter(|mm| *mm > 0.0);
        Self {
            rise_c: cementitious_kg_m3 * HYDRATION_KJ_KG / HEAT_CAPACITY_KJ_M3_K,
            half_m: thickness_mm.unwrap_or(THICKNESS_MM).max(THICKNESS_MM_MIN) / 2000.0,
            film_ln_sd: if thickness_mm.is_some() {
                FILM_LN_SD
            } else {
                UNKNOWN_FILM_LN_SD
            },
        }
    }

    /// How far the logarithm of the film may be off before anything is learned.
    pub(crate) const fn film_ln_sd(&self) -> f64 {
        self.film_ln_sd
    }

    /// The cells around a sensor: the inner one's index and the outer one's share.
    pub(crate) fn place(&self, depth_mm: Option<f64>) -> SensorPlace {
        let cell_m = self.half_m / CELL_COUNT as f64;
        let depth_m = depth_mm.map_or(self.half_m / 2.0, |mm| {
            (mm / 1000.0).clamp(0.0, 2.0 * self.half_m)
        });
        // A depth beyond the middle is as near to the other face.
        let from_middle = (self.half_m - depth_m).abs() / cell_m - 0.5;
        let place = from_middle.clamp(0.0, CELL_COUNT as f64 - 1.0);
        let inner = (place as usize).min(CELL_COUNT - 2);
        SensorPlace {
            inner,
            outer_share: place - inner as f64,
        }
    }
}

/// Where between the cells a sensor sits.
#[derive(Debug, Clone, Copy)]
pub(crate) struct SensorPlace {
    inner: usize,
    outer_share: f64,
}

/// The speed of hydration relative to 20 °C, by the curve's activation energy where it has one.
pub(crate) fn ripening_table(maturity: Option<MaturityFunction>) -> OneRate {
    let energy_j_mol = match maturity {
        Some(MaturityFunction::EquivalentAge {
            activation_energy_j_mol,
            ..
        }) => activation_energy_j_mol,
        _ => ACTIVATION_ENERGY_J_MOL,
    };
    OneRate::new(|celsius| {
        let inverse = |celsius: f64| 1.0 / (celsius + KELVIN_OFFSET);
        let warmer = inverse(REFERENCE_C) - inverse(celsius);
        [(energy_j_mol / GAS_CONSTANT_J_MOL_K * warmer).exp()]
    })
}

/// The concrete around one position with its parameters settled.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Slab {
    per_delay: f64,
    rise_c: f64,
    lost_share: f64,
    /// Exchange between cells and with the air in one hour, relative to a cell's capacity.
    inner_per_h: f64,
    outer_per_h: f64,
    stride: Stride,
    place: SensorPlace,
    shares: &'static [(f64, f64)],
}

/// Conduction over one step of a length.
///
/// With `K` the cells' exchange over the step, what they keep is `exp(-K)`, here `(1 - (1 - 2g) K) / (1 + g
/// K)^2` with `g` the [`DAMPING`]: of second order, and fast modes die out in one step. Their change is then
/// `(1 + g² K) / (1 + g K)^2` of what would flow into them had none changed. A first-order step would lag
/// half a step behind air that warms.
#[derive(Debug, Clone, Copy)]
struct Stride {
    step_h: f64,
    /// Exchange between cells, and of the outer cell with the air, over the step, relative to a cell's
    /// capacity.
    inner: f64,
    outer: f64,
    /// How the cells answer to what would flow into each had none changed: a symmetric matrix, by rows.
    answer: [[f64; CELL_COUNT]; CELL_COUNT],
}

impl Stride {
    fn new(step_h: f64, (inner_per_h, outer_per_h): (f64, f64)) -> Self {
        let (inner, outer) = (inner_per_h * step_h, outer_per_h * step_h);
        let damped = inverse(DAMPING * inner, DAMPING * outer);
        let twice: [[f64; CELL_COUNT]; CELL_COUNT] = std::array::from_fn(|row| {
            std::array::from_fn(|column| dot(&damped[row], &damped[column]))
        });
        let (inner_of_it, outer_of_it) = (DAMPING * DAMPING * inner, DAMPING * DAMPING * outer);
        let answer = twice.map(|row| {
            let flow = flow(&row, inner_of_it, outer_of_it, 0.0);
            std::array::from_fn(|column| row[column] - flow[column])
        });
        Self {
            step_h,
            inner,
            outer,
            answer,
        }
    }
}

/// What flows into each cell from its neighbours, and into the outer one from the air.
#[inline]
fn flow(cells: &[f64; CELL_COUNT], inner: f64, outer: f64, air: f64) -> [f64; CELL_COUNT] {
    let [first, middle, last] = *cells;
    let (inwards, to_last) = (inner * (middle - first), inner * (middle - last));
    [inwards, -inwards - to_last, to_last + outer * (air - last)]
}

/// The inverse of one plus the exchange, which is symmetric, by cofactors: its rows.
fn inverse(inner: f64, outer: f64) -> [[f64; CELL_COUNT]; CELL_COUNT] {
    let [first, middle, last] = [1.0 + inner, 1.0 + 2.0 * inner, 1.0 + inner + outer];
    let square = inner * inner;
    let corner = middle * last - square;
    let per_determinant = 1.0 / (first * corner - square * last);
    let [a, b, c] = [corner, inner * last, square].map(|one| one * per_determinant);
    let [d, e, f] =
        [first * last, inner * first, first * middle - square].map(|one| one * per_determinant);
    [[a, b, c], [b, d, e], [c, e, f]]
}

#[inline]
fn dot(a: &[f64; CELL_COUNT], b: &[f64; CELL_COUNT]) -> f64 {
    a[0] * b[0] + a[1] * b[1] + a[2] * b[2]
}

/// The state of the cells, from the middle outwards.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Cells {
    temperature_c: [f64; CELL_COUNT],
    /// Half of the last step's change: how far the middle of the next step is likely ahead.
    ahead_c: [f64; CELL_COUNT],
    age_h: [f64; CELL_COUNT],
    share: [f64; CELL_COUNT],
}

impl Slab {
    /// In steps from one point to the next.
    pub(crate) fn new(section: &Section, place: SensorPlace, parameters: &Parameters) -> Self {
        Self::stepped(section, place, parameters, STEP_H)
    }

    /// In steps of a length.
    pub(crate) fn stepped(
        section: &Section,
        place: SensorPlace,
        parameters: &Parameters,
        step_h: f64,
    ) -> Self {
        let [delay_ln, heat_ln, film_ln, lost_share] = *parameters;
        let cell_m = section.half_m / CELL_COUNT as f64;
        let capacity_j_m2_k = HEAT_CAPACITY_KJ_M3_K * 1000.0 * cell_m;
        let film = FILM_W_M2_K * film_ln.exp();
        let through = 1.0 / (1.0 / film + cell_m / (2.0 * CONDUCTIVITY_W_M_K));
        let per_h = S_PER_H / capacity_j_m2_k;
        let inner_per_h = CONDUCTIVITY_W_M_K / cell_m * per_h;
        let outer_per_h = through * per_h;
        Self {
            per_delay: 1.0 / (DELAY_H * delay_ln.exp()),
            rise_c: section.rise_c * heat_ln.exp(),
            lost_share,
            inner_per_h,
            outer_per_h,
            stride: Stride::new(step_h, (inner_per_h, outer_per_h)),
            place,
            shares: &SHARES,
        }
    }

    /// From here on steps take so long; the cells are told, because they remember their last step.
    pub(crate) fn lengthen(&mut self, step_h: f64, cells: &mut Cells) {
        let ratio = step_h / self.stride.step_h;
        self.stride = Stride::new(step_h, (self.inner_per_h, self.outer_per_h));
        cells.ahead_c.iter_mut().for_each(|one| *one *= ratio);
    }

    /// Concrete of one temperature at an equivalent age.
    pub(crate) fn uniform(&self, temperature_c: f64, age_h: f64) -> Cells {
        let share = share_hydrated(self.shares, age_h * self.per_delay);
        Cells {
            temperature_c: [temperature_c; CELL_COUNT],
            ahead_c: [0.0; CELL_COUNT],
            age_h: [age_h; CELL_COUNT],
            share: [share; CELL_COUNT],
        }
    }

    /// Cells that another slab's parameters brought here.
    pub(crate) fn resumed(&self, cells: &Cells) -> Cells {
        let share = cells
            .age_h
            .map(|age_h| share_hydrated(self.shares, age_h * self.per_delay));
        Cells { share, ..*cells }
    }

    /// The air beside the position.
    fn air_c(&self, enclosure_c: f64, yard_c: f64) -> f64 {
        yard_c + (1.0 - self.lost_share) * (enclosure_c - yard_c)
    }

    /// One step on, with the mean air of the step.
    pub(crate) fn step(
        &self,
        cells: &mut Cells,
        (enclosure_c, yard_c): (f64, f64),
        ripening: &OneRate,
    ) {
        let stride = &self.stride;
        let before_c = cells.temperature_c;
        let air_c = self.air_c(enclosure_c, yard_c);
        let mut gain_c = flow(&before_c, stride.inner, stride.outer, air_c);
        for index in 0..CELL_COUNT {
            let middle_c = before_c[index] + cells.ahead_c[index];
            let [speed] = ripening.at(middle_c);
            cells.age_h[index] += speed * stride.step_h;
            let share = share_hydrated(self.shares, cells.age_h[index] * self.per_delay);
            gain_c[index] += self.rise_c * (share - cells.share[index]);
            cells.share[index] = share;
        }
        for (index, row) in stride.answer.iter().enumerate() {
            let change_c = dot(row, &gain_c);
            cells.temperature_c[index] = before_c[index] + change_c;
            cells.ahead_c[index] = 0.5 * change_c;
        }
    }

    /// What a sensor in its place reads.
    pub(crate) fn sensor_c(&self, cells: &Cells) -> f64 {
        let SensorPlace { inner, outer_share } = self.place;
        let [from, to] = [cells.temperature_c[inner], cells.temperature_c[inner + 1]];
        from + (to - from) * outer_share
    }

    /// The enclosure's air that would make the sensor's temperature change at a rate, °C.
    pub(crate) fn air_behind_c(
        &self,
        (temperature_c, trend_c_per_h): (f64, f64),
        age_h: f64,
        ripening: &OneRate,
        yard_c: f64,
    ) -> f64 {
        let before = share_hydrated(self.shares, age_h * self.per_delay);
        let [speed] = ripening.at(temperature_c);
        let after_h = age_h + speed * STEP_H;
        let heating_c =
            self.rise_c * (share_hydrated(self.shares, after_h * self.per_delay) - before);
        let missing_c = (trend_c_per_h * STEP_H - heating_c) * CELL_COUNT as f64;
        let beside_c = temperature_c + missing_c / (self.outer_per_h * STEP_H);
        let kept = (1.0 - self.lost_share).max(0.2);
        yard_c + (beside_c - yard_c) / kept
    }
}

impl Cells {
    /// Moves all cells alike.
    pub(crate) fn shift(&mut self, by_c: f64) {
        self.temperature_c.iter_mut().for_each(|one| *one += by_c);
    }

    /// The mean equivalent age, h.
    pub(crate) fn age_h(&self) -> f64 {
        self.age_h.iter().sum::<f64>() / CELL_COUNT as f64
    }
}

#[cfg(test)]
mod tests;
