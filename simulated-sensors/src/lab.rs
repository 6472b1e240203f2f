//! The lab of the simulated plant: specimens of a mix cured at one temperature and broken by age.
//!
//! This is what a lab would hand to whoever builds the mix's curve. It is drawn from the mix's
//! hydration, with the scatter of batches left out and that of specimens left in.

use serde::Serialize;

use crate::physics::hydration::Hydrated;
use crate::scenario::{Mix, Scatter};
use crate::streams;

/// One broken specimen of a lab series.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LabBreak {
    pub age_h: f64,
    pub temperature_c: f64,
    pub strength_mpa: f64,
}

/// Specimens of one mix, `per_age` at each age, cured at a constant temperature since batching.
pub fn series(
    mix: &Mix,
    scatter: &Scatter,
    seed: u64,
    temperature_c: f64,
    ages_h: &[f64],
    per_age: u32,
) -> Vec<LabBreak> {
    let hydration = mix.hydration(1.0);
    let law = mix.strength_law(1.0);
    let mut rng = streams::stream(seed, &format!("lab/{}/{temperature_c}", mix.id));
    let mut breaks = Vec::new();
    for &age_h in ages_h {
        let equivalent_h = hydration.rate(temperature_c) * age_h;
        let hydrated = Hydrated::fresh(&hydration, equivalent_h, temperature_c);
        let mean_mpa = law.strength_mpa(&hydration, &hydrated);
        for _ in 0..per_age {
            let luck = streams::factor(&mut rng, scatter.specimen_strength);
            let strength_mpa = (mean_mpa * luck * 100.0).round() / 100.0;
            breaks.push(LabBreak {
                age_h,
                temperature_c,
                strength_mpa,
            });
        }
    }
    breaks
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::scenario::Scenario;

    #[test]
    fn a_series_grows_with_age_scatters_and_repeats() {
        let scenario = Scenario::eight_beds().expect("scenario");
        let mix = scenario.mix("DT-45").expect("mix");
        let ages_h = [8.0, 16.0, 24.0, 72.0, 168.0, 672.0];
        let make = |seed| series(mix, &scenario.scatter, seed, 23.0, &ages_h, 3);
        let breaks = make(1);
        assert_eq!(breaks.len(), 18);
        assert_eq!(breaks, make(1));
        assert_ne!(breaks, make(2));
        let means: Vec<f64> = breaks
            .chunks(3)
            .map(|set| set.iter().map(|broken| broken.strength_mpa).sum::<f64>() / 3.0)
            .collect();
        assert!(means.windows(2).all(|pair| pair[0] < pair[1]), "{means:?}");
        assert!((40.0..60.0).contains(&means[5]), "28 days: {means:?}");
        assert!(breaks[15] != breaks[16], "specimens of one age differ");
    }
}
