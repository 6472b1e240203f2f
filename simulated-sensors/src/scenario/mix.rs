//! A mix as the scenario writes it, and as nature takes it.

use serde::Deserialize;

use crate::physics::hydration::Hydration;
use crate::physics::section::Material;
use crate::physics::strength::StrengthLaw;

/// A concrete. Its strength comes from its hydration; no strength–maturity curve is in here.
#[derive(Debug, Clone, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Mix {
    pub id: String,
    pub cementitious_kg_m3: f64,
    pub heat_kj_kg: f64,
    pub tau_h: f64,
    pub beta: f64,
    pub alpha_ultimate: f64,
    pub activation_kj_mol: f64,
    pub conductivity_w_m_k: f64,
    pub heat_capacity_mj_m3_k: f64,
    pub final_mpa: f64,
    pub alpha_set: f64,
    pub exponent: f64,
    pub heat_toll_per_k: f64,
}

impl Mix {
    pub fn material(&self) -> Material {
        Material {
            conductivity_w_m_k: self.conductivity_w_m_k,
            heat_capacity_j_m3_k: self.heat_capacity_mj_m3_k * 1e6,
        }
    }

    /// The hydration of a batch; a pace above 1 is slower than the mix's usual one.
    pub fn hydration(&self, pace_factor: f64) -> Hydration {
        Hydration {
            tau_h: self.tau_h * pace_factor,
            beta: self.beta,
            alpha_ultimate: self.alpha_ultimate,
            activation_j_mol: self.activation_kj_mol * 1e3,
            reference_c: 20.0,
            heat_j_m3: self.cementitious_kg_m3 * self.heat_kj_kg * 1e3,
        }
    }

    /// The strength of a batch, as a factor of the mix's usual one.
    pub fn strength_law(&self, strength_factor: f64) -> StrengthLaw {
        StrengthLaw {
            final_mpa: self.final_mpa * strength_factor,
            alpha_set: self.alpha_set,
            exponent: self.exponent,
            heat_toll_per_k: self.heat_toll_per_k,
        }
    }
}
