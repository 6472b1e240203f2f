//! A cylinder specimen under the tarp: one temperature, its own hydration.
//!
//! A 100 mm cylinder has a Biot number near 0.1, so one node is honest. Its heat is too small to
//! be felt by the air of the bed.

use super::hydration::{Hydrated, Hydration};
use super::section::Material;

/// A stored cylinder in its mould.
#[derive(Debug, Clone)]
pub struct Cylinder {
    hydration: Hydration,
    /// Film coefficient times surface over volume, W/(m³ K).
    exchange_w_m3_k: f64,
    heat_capacity_j_m3_k: f64,
    pub temperature_c: f64,
    pub hydrated: Hydrated,
}

/// Size of the specimens and the film around their moulds.
#[derive(Debug, Clone, Copy)]
pub struct Mould {
    pub diameter_m: f64,
    pub height_m: f64,
    pub film_w_m2_k: f64,
}

/// The usual 100 mm by 200 mm specimen in a plastic mould.
pub const MOULD: Mould = Mould {
    diameter_m: 0.100,
    height_m: 0.200,
    film_w_m2_k: 7.0,
};

impl Cylinder {
    pub fn new(
        mould: Mould,
        material: Material,
        hydration: Hydration,
        fresh: (f64, Hydrated),
    ) -> Self {
        let surface_per_volume = 4.0 / mould.diameter_m + 2.0 / mould.height_m;
        Self {
            hydration,
            exchange_w_m3_k: mould.film_w_m2_k * surface_per_volume,
            heat_capacity_j_m3_k: material.heat_capacity_j_m3_k,
            temperature_c: fresh.0,
            hydrated: fresh.1,
        }
    }

    /// Lets time pass in air of the given temperature.
    pub fn advance(&mut self, air_c: f64, period_s: f64) {
        let heat_j_m3 = self
            .hydrated
            .advance(&self.hydration, self.temperature_c, period_s);
        let exchange = self.exchange_w_m3_k * period_s;
        self.temperature_c =
            (self.heat_capacity_j_m3_k * self.temperature_c + exchange * air_c + heat_j_m3)
                / (self.heat_capacity_j_m3_k + exchange);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_inert_cylinder_approaches_the_air_exponentially() {
        let material = Material {
            conductivity_w_m_k: 1.9,
            heat_capacity_j_m3_k: 2.4e6,
        };
        let inert = Hydration {
            tau_h: 10.0,
            beta: 1.0,
            alpha_ultimate: 0.7,
            activation_j_mol: 40_000.0,
            reference_c: 20.0,
            heat_j_m3: 0.0,
        };
        let mut cylinder = Cylinder::new(MOULD, material, inert, (20.0, Hydrated::default()));
        // 50 per metre of surface over volume: the time constant is c / (50 h).
        let constant_s = 2.4e6 / (50.0 * MOULD.film_w_m2_k);
        for _ in 0..(constant_s as usize) {
            cylinder.advance(60.0, 1.0);
        }
        let expected_c = 60.0 - 40.0 * (-1.0_f64).exp();
        assert!((cylinder.temperature_c - expected_c).abs() < 0.02);
    }
}
