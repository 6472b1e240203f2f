//! Strength of concrete from its own degree of hydration.

use super::hydration::{Hydrated, Hydration};

/// Compressive strength as a power of the hydration beyond setting.
///
/// `f = f_final ((alpha - alpha_set) / (alpha_u - alpha_set))^n`, reduced where hydration was hot.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StrengthLaw {
    /// Strength at the ultimate degree of hydration, cured at the reference temperature.
    pub final_mpa: f64,
    /// Degree of hydration at setting, below which there is no strength.
    pub alpha_set: f64,
    pub exponent: f64,
    /// Share of strength lost per kelvin of mean hydration temperature above the reference.
    pub heat_toll_per_k: f64,
}

impl StrengthLaw {
    /// Strength of concrete with this hydration history; zero until it sets.
    pub fn strength_mpa(&self, hydration: &Hydration, hydrated: &Hydrated) -> f64 {
        let beyond = hydrated.alpha - self.alpha_set;
        let Some(mean_c) = hydrated.mean_temperature_c() else {
            return 0.0;
        };
        if beyond <= 0.0 {
            return 0.0;
        }
        let share = beyond / (hydration.alpha_ultimate - self.alpha_set);
        let toll = self.heat_toll_per_k * (mean_c - hydration.reference_c).max(0.0);
        self.final_mpa * share.powf(self.exponent) * (1.0 - toll).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    const HYDRATION: Hydration = Hydration {
        tau_h: 10.0,
        beta: 0.8,
        alpha_ultimate: 0.72,
        activation_j_mol: 40_000.0,
        reference_c: 20.0,
        heat_j_m3: 0.0,
    };
    const LAW: StrengthLaw = StrengthLaw {
        final_mpa: 60.0,
        alpha_set: 0.08,
        exponent: 1.1,
        heat_toll_per_k: 0.003,
    };

    fn cured(temperature_c: f64, age_h: f64) -> f64 {
        LAW.strength_mpa(
            &HYDRATION,
            &Hydrated::fresh(&HYDRATION, age_h, temperature_c),
        )
    }

    #[test]
    fn concrete_has_no_strength_before_it_sets() {
        assert!(cured(20.0, 0.0).abs() < f64::EPSILON);
        assert!(cured(20.0, 3.0).abs() < f64::EPSILON);
        assert!(cured(20.0, 12.0) > 1.0);
    }

    #[test]
    fn strength_grows_with_age_towards_its_final_value() {
        let ages = [6.0, 12.0, 24.0, 72.0, 672.0, 1e7];
        let strengths = ages.map(|age_h| cured(20.0, age_h));
        assert!(
            strengths.windows(2).all(|pair| pair[0] < pair[1]),
            "{strengths:?}"
        );
        assert!((strengths[5] - 60.0).abs() < 0.1);
    }

    #[test]
    fn hot_curing_costs_strength_at_equal_hydration() {
        assert!((cured(60.0, 72.0) / cured(20.0, 72.0) - 0.88).abs() < 1e-9);
    }
}
