//! Rates of change that sensor noise, coarse steps and single wrong readings cannot make.

use std::collections::BTreeMap;
use std::ops::RangeInclusive;

use crate::time::{MS_PER_H, UtcMs};

/// Readings are gathered to their median over this long, ms …
const GATHERED_MS: i64 = 2 * 60_000;
/// … and a rate is the median of the slopes between all pairs of medians within this, ms.
///
/// A rise that begins at once is found when about two thirds of the window lie in it, so the window
/// is what decides between a calm rate and an early one: 20 minutes find 25 °C/h against a limit of
/// 20 °C/h after about 15, and leave about ± 0.5 °C/h of noise from steps of 0.5 °C.
const WINDOW_MS: i64 = 20 * 60_000;
/// Medians must span this much of the window, ms …
const SPAN_MS_MIN: i64 = 12 * 60_000;
/// … and be at least this many.
const MEDIAN_COUNT_MIN: usize = 3;

/// Half of all pairs lie at least this share of the window apart, so where the medians range over less
/// than what that share of the window makes of a rate, their slope is below the rate.
const HALF_OF_PAIRS: f64 = 0.25;
/// A change this near to what the rate of interest makes of its time counts as that steep, so that no
/// rounding hides one, °C.
const ROUNDING_C: f64 = 1e-9;

/// The rate at each time that has enough around it, °C/h; a gathering that still runs is left out.
///
/// Rates whose size is below `of_interest_c_per_h` are told as none.
#[must_use]
pub fn robust_rates(
    readings: &[(UtcMs, f64)],
    of_interest_c_per_h: f64,
    now: UtcMs,
) -> Vec<(UtcMs, f64)> {
    let medians = medians(readings, now);
    let tilted = Tilted::new(&medians, of_interest_c_per_h);
    let mut slopes = Vec::new();
    let mut rates = Vec::with_capacity(medians.len());
    let mut start = 0;
    for (end, last) in medians.iter().enumerate() {
        while last.0.0 - medians[start].0.0 > WINDOW_MS {
            start += 1;
        }
        let window = &medians[start..=end];
        let span_ms = last.0.0 - window[0].0.0;
        if window.len() < MEDIAN_COUNT_MIN || span_ms < SPAN_MS_MIN {
            continue;
        }
        let span_h = span_ms as f64 / MS_PER_H;
        let is_calm = || range_c(window) < HALF_OF_PAIRS * span_h * of_interest_c_per_h;
        let is_settled =
            !tilted.has_any(start..=end) || is_calm() || !tilted.may_be_of_interest(start..=end);
        let rate = if is_settled {
            0.0
        } else {
            median_slope(window, &mut slopes)
        };
        rates.push((last.0, rate));
    }
    rates
}

fn range_c(window: &[(UtcMs, f64)]) -> f64 {
    let (low, high) = window
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), one| {
            (low.min(one.1), high.max(one.1))
        });
    high - low
}

/// Medians, and medians turned over, less what the rate of interest makes of the time gone: a slope
/// is that steep where one of the two does not fall.
struct Tilted {
    against_rise: Vec<f64>,
    against_fall: Vec<f64>,
    /// The last up to each that does not fall from the one before it, in one of the two; 0 for none.
    last_steep: Vec<usize>,
}

impl Tilted {
    fn new(medians: &[(UtcMs, f64)], of_interest_c_per_h: f64) -> Self {
        let start = medians.first().map_or(UtcMs(0), |one| one.0);
        let made_c = |at: UtcMs| of_interest_c_per_h * at.hours_since(start);
        let against_rise = medians.iter().map(|one| one.1 - made_c(one.0));
        let against_fall = medians.iter().map(|one| -one.1 - made_c(one.0));
        let (against_rise, against_fall) =
            (Vec::from_iter(against_rise), Vec::from_iter(against_fall));
        let mut last_steep = vec![0; medians.len()];
        for index in 1..medians.len() {
            let holds = |tilted: &[f64]| tilted[index] >= tilted[index - 1] - ROUNDING_C;
            let is_steep = holds(&against_rise) || holds(&against_fall);
            last_steep[index] = if is_steep {
                index
            } else {
                last_steep[index - 1]
            };
        }
        Self {
            against_rise,
            against_fall,
            last_steep,
        }
    }

    /// Whether any slope within is that steep: where each falls from the one before, all fall.
    fn has_any(&self, window: RangeInclusive<usize>) -> bool {
        self.last_steep[*window.end()] > *window.start()
    }

    /// Whether at least half of the slopes within are that steep in one direction, without which
    /// their median is not. It settles most of a night at a small part of what medians cost.
    fn may_be_of_interest(&self, window: RangeInclusive<usize>) -> bool {
        let pair_count = window.end() - window.start();
        let pair_count = pair_count * (pair_count + 1) / 2;
        let is_half = |tilted: &[f64]| 2 * not_falling_count(tilted) >= pair_count;
        is_half(&self.against_rise[window.clone()]) || is_half(&self.against_fall[window])
    }
}

/// How many pairs there are of which the later is not below the earlier.
fn not_falling_count(values: &[f64]) -> usize {
    let later = |index: usize| values[index + 1..].iter();
    let above = |(index, one): (usize, &f64)| -> usize {
        let least = one - ROUNDING_C;
        later(index).map(|other| usize::from(*other >= least)).sum()
    };
    values.iter().enumerate().map(above).sum()
}

fn median_slope(window: &[(UtcMs, f64)], slopes: &mut Vec<f64>) -> f64 {
    slopes.clear();
    for (index, one) in window.iter().enumerate() {
        for other in &window[index + 1..] {
            let hours = (other.0.0 - one.0.0) as f64 / MS_PER_H;
            slopes.push((other.1 - one.1) / hours);
        }
    }
    median(slopes)
}

/// The median of each gathering that is over, at the mean time of its readings.
pub(super) fn medians(readings: &[(UtcMs, f64)], now: UtcMs) -> Vec<(UtcMs, f64)> {
    let mut medians = Vec::new();
    let mut values = Vec::new();
    for gathered in readings.chunk_by(|one, other| bin(one.0) == bin(other.0)) {
        if (bin(gathered[0].0) + 1) * GATHERED_MS > now.0 {
            break;
        }
        values.clear();
        values.extend(gathered.iter().map(|one| one.1));
        let from = gathered[0].0.0;
        let offset_ms: i64 = gathered.iter().map(|one| one.0.0 - from).sum();
        let at = UtcMs(from + offset_ms / gathered.len() as i64);
        medians.push((at, median(&mut values)));
    }
    medians
}

/// Which gathering a time belongs to; the same for every channel.
fn bin(at: UtcMs) -> i64 {
    at.0.div_euclid(GATHERED_MS)
}

/// The medians of several paths side by side, at each gathering that at least two of them have.
pub(super) fn side_by_side(
    paths: &[&[(UtcMs, f64)]],
    now: UtcMs,
) -> Vec<(UtcMs, Vec<(usize, f64)>)> {
    let mut gathered: BTreeMap<i64, (UtcMs, Vec<(usize, f64)>)> = BTreeMap::new();
    for (index, path) in paths.iter().enumerate() {
        for (at, value) in medians(path, now) {
            let entry = gathered.entry(bin(at)).or_insert((at, Vec::new()));
            entry.0 = entry.0.max(at);
            entry.1.push((index, value));
        }
    }
    gathered
        .into_values()
        .filter(|one| one.1.len() > 1)
        .collect()
}

/// The median; the mean of the two in the middle where the count is even.
fn median(values: &mut [f64]) -> f64 {
    let middle = values.len() / 2;
    let is_odd = values.len() % 2 == 1;
    let (below, upper, _) = values.select_nth_unstable_by(middle, f64::total_cmp);
    match below.iter().copied().max_by(f64::total_cmp) {
        Some(lower) if !is_odd => f64::midpoint(lower, *upper),
        _ => *upper,
    }
}

#[cfg(test)]
mod tests {
    use rand::{RngExt, SeedableRng};
    use rand_chacha::ChaCha8Rng;

    use super::*;

    fn at(minute: f64) -> UtcMs {
        UtcMs((minute * 60_000.0) as i64)
    }

    /// Temperatures each minute, with noise and rounded to `step_c`.
    fn read(
        true_c: impl Fn(f64) -> f64,
        minutes: i64,
        step_c: f64,
        seed: u64,
    ) -> Vec<(UtcMs, f64)> {
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        (0..minutes)
            .map(|minute| {
                let noise_c: f64 = rng.random_range(-0.2..0.2);
                let value = true_c(minute as f64) + noise_c;
                (at(minute as f64), (value / step_c).round() * step_c)
            })
            .collect()
    }

    fn largest(rates: &[(UtcMs, f64)]) -> f64 {
        rates.iter().map(|one| one.1.abs()).fold(0.0, f64::max)
    }

    #[test]
    fn steps_of_half_a_degree_each_minute_make_no_false_rate() {
        for seed in 0..200 {
            for (c_per_h, limit) in [(0.0, 5.0), (2.0, 5.0), (10.0, 14.0), (17.0, 20.0)] {
                let night = read(|minute| 20.0 + c_per_h * minute / 60.0, 600, 0.5, seed);
                let worst = largest(&robust_rates(&night, limit - 2.0, at(600.0)));
                assert!(worst < limit, "seed {seed}: {worst} of true {c_per_h} °C/h");
            }
        }
    }

    #[test]
    fn a_true_rise_of_25_c_per_h_is_found_within_20_minutes() {
        for seed in 0..200 {
            let starts = 100.0 + (seed % 7) as f64;
            let rise = |minute: f64| 20.0 + 25.0 * (minute - starts).max(0.0) / 60.0;
            let night = read(rise, 160, 0.5, seed);
            let found = (0..160).find(|minute| {
                let known = &night[..=*minute as usize];
                let rates = robust_rates(known, 18.0, at(*minute as f64));
                rates.last().is_some_and(|rate| rate.1 > 20.0)
            });
            let after = found.map(|minute| minute as f64 - starts);
            assert!(
                after.is_some_and(|after| (0.0..=20.0).contains(&after)),
                "seed {seed}: {after:?} min"
            );
        }
    }

    #[test]
    fn one_wrong_reading_makes_no_rate_and_a_long_gap_has_none() {
        let mut night = read(|_| 40.0, 120, 0.1, 1);
        night[60].1 = 95.0;
        assert!(largest(&robust_rates(&night, 0.0, at(120.0))) < 3.0);
        let mut gap = read(|_| 20.0, 30, 0.1, 2);
        let later = read(|_| 60.0, 10, 0.1, 3);
        gap.extend(later.iter().map(|one| (UtcMs(one.0.0 + at(90.0).0), one.1)));
        let rates = robust_rates(&gap, 0.0, at(200.0));
        assert!(largest(&rates) < 3.0, "{rates:?}");
    }

    #[test]
    fn every_rate_of_interest_is_the_same_as_where_all_are() {
        for seed in 0..200 {
            let rise = |minute: f64| 30.0 + 20.0 * (minute / 40.0).sin();
            let night = read(rise, 300, 0.1, seed);
            let all = robust_rates(&night, 0.0, at(300.0));
            let steep = robust_rates(&night, 12.0, at(300.0));
            assert_eq!(all.len(), steep.len());
            let of_interest = all.iter().filter(|one| one.1.abs() >= 12.0);
            assert!(of_interest.count() > 20, "seed {seed}");
            for (one, other) in all.iter().zip(&steep) {
                let is_same = one == other;
                let are_both_below = one.1.abs() < 12.0 && other.1.abs() < 12.0;
                assert!(is_same || are_both_below, "seed {seed}: {one:?} {other:?}");
            }
        }
    }

    #[test]
    fn readings_each_ten_minutes_still_have_a_rate() {
        let slow: Vec<_> = (0..12)
            .map(|count| (at(f64::from(count) * 10.0), 20.0 + f64::from(count) * 4.0))
            .collect();
        let rates = robust_rates(&slow, 18.0, at(200.0));
        assert!(
            rates.iter().all(|one| (one.1 - 24.0).abs() < 1e-6),
            "{rates:?}"
        );
        assert!(rates.len() > 5);
    }
}
