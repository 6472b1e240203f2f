//! Heat in the concrete around one position: one node that takes in heat from the air and from
//! hydration.
//!
//! `dT/dt = c (A - T) + G da/dt_e r(T)`, with `c` the coupling to the air beside it, `A` that air's
//! temperature, `G` the adiabatic rise, `r` the speed of hydration relative to 20 °C, `t_e` the
//! equivalent age that it adds up to, and `a = exp(-(delay / t_e)^shape)` the share hydrated.

use units::constants::{GAS_CONSTANT_J_MOL_K, KELVIN_OFFSET};

use crate::forecast::STEP_H;
use crate::pour::PourRecord;

/// Heat of hydration of one kilogram of cementitious material, kJ/kg (common practice, no source).
const HYDRATION_KJ_KG: f64 = 300.0;
/// Heat capacity of concrete by volume, kJ/(m³ K) (common practice, no source).
const HEAT_CAPACITY_KJ_M3_K: f64 = 2500.0;
/// Cementitious content where nobody gave one, kg/m³ (common practice, no source).
const CEMENTITIOUS_KG_M3: f64 = 400.0;
/// Delay and shape of hydration at 20 °C, h and 1 (common practice, no source).
const DELAY_H: f64 = 13.5;
const SHAPE: f64 = 0.95;
/// Activation energy of the heat of hydration, J/mol (common practice, no source).
const ACTIVATION_ENERGY_J_MOL: f64 = 40_000.0;
const REFERENCE_C: f64 = 20.0;
/// Film between concrete and air, W/(m² K), and conduction inside, W/(m K) (common practice).
const FILM_W_M2_K: f64 = 8.0;
const CONDUCTIVITY_W_M_K: f64 = 2.0;
/// Coupling where the thickness is not known, 1/h, and how far the logarithm of it may be wrong.
const COUPLING_PER_H: f64 = 0.16;
const COUPLING_LN_SD: f64 = 0.5;
const UNKNOWN_COUPLING_LN_SD: f64 = 0.9;
/// No equivalent age is taken to be below this, h: the share hydrated is zero there.
const AGE_H_MIN: f64 = 0.05;

/// What is unknown of a position, in this order: logarithms of the factors on delay, heat and
/// coupling, and the share of the enclosure's excess over the yard that is lost on the way to it.
pub(super) type Parameters = [f64; 4];

/// What a pour's facts say about its heat before anything is read.
#[derive(Debug, Clone, Copy)]
pub(super) struct Section {
    rise_c: f64,
    coupling_per_h: f64,
    coupling_ln_sd: f64,
}

impl Section {
    pub(super) fn of(record: &PourRecord) -> Self {
        let facts = &record.facts;
        let cementitious_kg_m3 = facts
            .cementitious_kg_m3
            .unwrap_or(CEMENTITIOUS_KG_M3)
            .max(0.0);
        let thickness_m = facts
            .section
            .as_ref()
            .and_then(|section| section.thickness_mm);
        let thickness_m = thickness_m.filter(|mm| *mm > 0.0).map(|mm| mm / 1000.0);
        let (coupling_per_h, coupling_ln_sd) = match thickness_m {
            Some(thickness_m) => {
                let half_m = thickness_m / 2.0;
                // The mean of a slab lies a third of the half thickness behind its face.
                let resistance = 1.0 / FILM_W_M2_K + half_m / (3.0 * CONDUCTIVITY_W_M_K);
                let seconds = HEAT_CAPACITY_KJ_M3_K * 1000.0 * half_m * resistance;
                (3600.0 / seconds, COUPLING_LN_SD)
            }
            None => (COUPLING_PER_H, UNKNOWN_COUPLING_LN_SD),
        };
        let rise_c = cementitious_kg_m3 * HYDRATION_KJ_KG / HEAT_CAPACITY_KJ_M3_K;
        Self {
            rise_c,
            coupling_per_h,
            coupling_ln_sd,
        }
    }

    /// What to expect of the parameters, and how far each may be off.
    pub(super) fn prior(&self) -> (Parameters, Parameters) {
        (
            [0.0, 0.0, 0.0, 0.12],
            [0.25, 0.20, self.coupling_ln_sd, 0.20],
        )
    }
}

/// The speed of hydration relative to 20 °C.
pub(super) fn ripening(temperature_c: f64) -> f64 {
    let inverse = |celsius: f64| 1.0 / (celsius + KELVIN_OFFSET);
    let q_k = ACTIVATION_ENERGY_J_MOL / GAS_CONSTANT_J_MOL_K;
    (q_k * (inverse(REFERENCE_C) - inverse(temperature_c))).exp()
}

/// The concrete around one position with its parameters settled.
#[derive(Debug, Clone, Copy)]
pub(super) struct Concrete {
    delay_h: f64,
    rise_c: f64,
    coupling_per_h: f64,
    /// What is left of a difference after one step.
    left: f64,
    lost_share: f64,
}

impl Concrete {
    pub(super) fn new(section: &Section, parameters: &Parameters) -> Self {
        let [delay_ln, heat_ln, coupling_ln, lost_share] = *parameters;
        let coupling_per_h = section.coupling_per_h * coupling_ln.exp();
        Self {
            delay_h: DELAY_H * delay_ln.exp(),
            rise_c: section.rise_c * heat_ln.exp(),
            coupling_per_h,
            left: (-coupling_per_h * STEP_H).exp(),
            lost_share,
        }
    }

    pub(super) const fn coupling_per_h(&self) -> f64 {
        self.coupling_per_h
    }

    /// The air beside the position.
    pub(super) fn air_c(&self, enclosure_c: f64, yard_c: f64) -> f64 {
        yard_c + (1.0 - self.lost_share) * (enclosure_c - yard_c)
    }

    /// Rise by hydration alone at an equivalent age, °C/h.
    pub(super) fn hydration_c_per_h(&self, age_h: f64, ripening: f64) -> f64 {
        let age_h = age_h.max(AGE_H_MIN);
        let power = (self.delay_h / age_h).powf(SHAPE);
        self.rise_c * (-power).exp() * SHAPE * power / age_h * ripening
    }

    /// The change at one moment, °C/h.
    pub(super) fn slope_c_per_h(&self, temperature_c: f64, air_c: f64, heating: f64) -> f64 {
        self.coupling_per_h * (air_c - temperature_c) + heating
    }

    /// The temperature one step later, with air and heating held over the step (exact).
    pub(super) fn step(&self, temperature_c: f64, air_c: f64, heating_c_per_h: f64) -> f64 {
        let goal_c = air_c + heating_c_per_h / self.coupling_per_h;
        goal_c + (temperature_c - goal_c) * self.left
    }
}
