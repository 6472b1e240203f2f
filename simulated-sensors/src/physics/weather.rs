//! A cold night over the yard: a daily wave, a drift, and weather that does not repeat.

use chrono::{DateTime, TimeDelta, Utc};
use rand_chacha::ChaCha8Rng;

use crate::streams;

/// What kind of night it may be; the seed decides which.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Climate {
    pub mean_c: f64,
    /// Half of the difference between the warmest and the coldest hour.
    pub daily_amplitude_c: f64,
    /// Deviation of a night's mean from the usual one.
    pub between_nights_c: f64,
    /// Deviation of the slow wandering within a night.
    pub wander_c: f64,
}

/// Memory of the wandering temperature.
const WANDER_S: f64 = 3.0 * 3600.0;
/// Memory of the wind.
const WIND_S: f64 = 1200.0;
/// Deviation of the logarithm of the wind's effect on losses.
const WIND_LOG_DEVIATION: f64 = 0.22;

/// The weather as it unfolds.
#[derive(Debug, Clone)]
pub struct Weather {
    climate: Climate,
    night_mean_c: f64,
    drift_c_per_h: f64,
    warmest_at: DateTime<Utc>,
    wander_c: f64,
    wind_log: f64,
    rng: ChaCha8Rng,
    now: DateTime<Utc>,
}

impl Weather {
    /// The weather of the seed's night, at the moment the simulation begins.
    pub fn new(climate: Climate, seed: u64, now: DateTime<Utc>, warmest_at: DateTime<Utc>) -> Self {
        let mut rng = streams::stream(seed, "weather");
        let night_mean_c =
            streams::bounded_normal(&mut rng, climate.mean_c, climate.between_nights_c);
        let drift_c_per_h = streams::normal(&mut rng, 0.12);
        let wander_c = streams::normal(&mut rng, climate.wander_c);
        let wind_log = streams::normal(&mut rng, WIND_LOG_DEVIATION);
        Self {
            climate,
            night_mean_c,
            drift_c_per_h,
            warmest_at,
            wander_c,
            wind_log,
            rng,
            now,
        }
    }

    pub fn advance(&mut self, period_s: f64) {
        let mut pull = |value: f64, memory_s: f64, deviation: f64| {
            let keep = (-period_s / memory_s).exp();
            keep * value + streams::normal(&mut self.rng, deviation * (1.0 - keep * keep).sqrt())
        };
        self.wander_c = pull(self.wander_c, WANDER_S, self.climate.wander_c);
        self.wind_log = pull(self.wind_log, WIND_S, WIND_LOG_DEVIATION);
        self.now += TimeDelta::milliseconds((period_s * 1000.0).round() as i64);
    }

    /// Air temperature in the yard.
    pub fn outside_c(&self) -> f64 {
        let since_warmest_h = crate::clock::hours(self.now - self.warmest_at);
        let wave = (since_warmest_h / 24.0 * std::f64::consts::TAU).cos();
        self.night_mean_c
            + self.climate.daily_amplitude_c * wave
            + self.drift_c_per_h * since_warmest_h
            + self.wander_c
    }

    /// How much more a surface loses than in the usual breeze.
    pub fn wind_factor(&self) -> f64 {
        self.wind_log.exp()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nights_repeat_by_seed_and_are_colder_than_afternoons() {
        let climate = Climate {
            mean_c: 2.0,
            daily_amplitude_c: 5.0,
            between_nights_c: 3.0,
            wander_c: 0.7,
        };
        let warmest_at: DateTime<Utc> = "2026-11-24T21:00:00Z".parse().expect("instant");
        let colder = (0..20)
            .filter(|&seed| {
                let mut weather = Weather::new(climate, seed, warmest_at, warmest_at);
                let mut again = Weather::new(climate, seed, warmest_at, warmest_at);
                let afternoon_c = weather.outside_c();
                for _ in 0..12 * 120 {
                    weather.advance(30.0);
                    again.advance(30.0);
                    assert!((weather.outside_c() - again.outside_c()).abs() < 1e-12);
                }
                weather.outside_c() < afternoon_c - 5.0
            })
            .count();
        assert!(colder >= 17, "only {colder} of 20 nights are cold");
    }
}
