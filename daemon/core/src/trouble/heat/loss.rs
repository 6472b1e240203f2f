//! A loss of heat: found by the fall of the air, standing for as long as the air stays cold.

use crate::path::slope_c_per_h;
use crate::time::UtcMs;

/// The fall of the air is taken over this long, h.
pub const FALL_H: f64 = 0.5;
/// A thermostat's swing is no loss of heat: the air must have fallen by this much, °C …
const FALL_C_MIN: f64 = 4.0;
/// … within this long, h.
const FALLEN_WITHIN_H: f64 = 1.0;
/// Air that had reached its soak and lies this far below it is lost as well, however slowly it fell, °C …
const BELOW_SOAK_C: f64 = 8.0;
/// … for this long, h.
const BELOW_SOAK_H: f64 = 0.5;
/// Air this near to where it was, or should be, is back, °C; after a small fall half of that.
const BACK_C: f64 = 3.0;

/// A loss that stands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Loss {
    /// When the air was last where it should be, and how warm, °C.
    pub from: (UtcMs, f64),
    /// The coldest since, °C.
    lowest_c: f64,
}

impl Loss {
    fn is_over(&self, value_c: f64, soak_c: Option<f64>) -> bool {
        let level_c = soak_c.map_or(self.from.1, |soak_c| self.from.1.min(soak_c));
        value_c >= level_c - BACK_C.min(0.5 * (self.from.1 - self.lowest_c))
    }
}

/// The loss of heat that stands at the end of `air`, of air that should be heated since `from`.
///
/// `fall_c_per_h` is how fast it may fall by itself; `soak_c` the temperature that the plan holds it at.
#[must_use]
pub fn standing_loss(
    air: &[(UtcMs, f64)],
    from: UtcMs,
    fall_c_per_h: f64,
    soak_c: Option<f64>,
) -> Option<Loss> {
    let air = &air[air.partition_point(|one| one.0 < from)..];
    let mut loss: Option<Loss> = None;
    let mut soaked: Option<(UtcMs, f64)> = None;
    for (index, &(at, value_c)) in air.iter().enumerate() {
        if let Some(standing) = &mut loss {
            standing.lowest_c = standing.lowest_c.min(value_c);
            if standing.is_over(value_c, soak_c) {
                loss = None;
            }
            continue;
        }
        if soak_c.is_some_and(|soak_c| value_c >= soak_c - BACK_C) {
            soaked = Some((at, value_c));
        }
        let until_now = &air[..=index];
        loss = fallen(until_now, fall_c_per_h)
            .or_else(|| below_soak(until_now, soaked?, soak_c?))
            .map(|from| Loss {
                from,
                lowest_c: value_c,
            });
    }
    loss
}

/// Where the air fell from, where it falls faster and further than by itself.
fn fallen(air: &[(UtcMs, f64)], fall_c_per_h: f64) -> Option<(UtcMs, f64)> {
    let (at, value_c) = *air.last()?;
    let start = air.partition_point(|one| at.hours_since(one.0) > FALLEN_WITHIN_H);
    let high = air[start..]
        .iter()
        .copied()
        .reduce(|high, one| if one.1 > high.1 { one } else { high })?;
    let is_far = high.1 - value_c >= FALL_C_MIN;
    let is_fast = || slope_c_per_h(air, FALL_H).is_some_and(|rate| -rate > fall_c_per_h);
    (is_far && is_fast()).then_some(high)
}

/// Where it last soaked, where it has been far below that for long.
fn below_soak(air: &[(UtcMs, f64)], soaked: (UtcMs, f64), soak_c: f64) -> Option<(UtcMs, f64)> {
    let at = air.last()?.0;
    let start = air.partition_point(|one| at.hours_since(one.0) > BELOW_SOAK_H);
    let is_long = start > 0 && at.hours_since(soaked.0) > BELOW_SOAK_H;
    let is_below = |one: &(UtcMs, f64)| one.1 < soak_c - BELOW_SOAK_C;
    (is_long && air[start..].iter().all(is_below)).then_some(soaked)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn air(minutes: i64, read: impl Fn(f64) -> f64) -> Vec<(UtcMs, f64)> {
        let at = |minute: i64| UtcMs(minute * 60_000);
        (0..=minutes)
            .map(|minute| (at(minute), read(minute as f64)))
            .collect()
    }

    /// 60 °C, and from the hundredth minute on without its tarp: 30 °C after an hour, and so it stays.
    fn torn(minute: f64) -> f64 {
        60.0 - ((minute - 100.0) / 2.0).clamp(0.0, 30.0)
    }

    #[test]
    fn it_stands_while_the_air_is_cold_and_not_while_it_falls() {
        for minutes in (115..=480).step_by(5) {
            let loss = standing_loss(&air(minutes, torn), UtcMs(0), 6.0, None);
            let loss = loss.unwrap_or_else(|| panic!("nothing stands after {minutes} min"));
            assert!((loss.from.1 - 60.0).abs() < 1e-9);
        }
    }

    #[test]
    fn it_is_over_once_the_air_is_back_near_where_it_was_or_should_be() {
        let back =
            |minute: f64| (torn(minute) + ((minute - 300.0) / 2.0).clamp(0.0, 30.0)).min(60.0);
        let after = |minutes, soak_c| standing_loss(&air(minutes, back), UtcMs(0), 6.0, soak_c);
        assert!(after(300, None).is_some());
        assert!(after(340, None).is_some(), "20 °C warmer, 10 °C short");
        assert!(after(356, None).is_none());
        assert!(after(336, Some(50.0)).is_none(), "its plan asks for 50 °C");
    }

    #[test]
    fn a_thermostats_swing_is_none_and_steam_that_fades_slowly_is_one_by_the_plan() {
        let swing = |minute: f64| 60.0 + 1.5 * (minute / 10.0).sin();
        assert_eq!(standing_loss(&air(400, swing), UtcMs(0), 6.0, None), None);
        let fades = |minute: f64| 60.0 - (minute - 60.0).max(0.0) * 4.0 / 60.0;
        assert_eq!(standing_loss(&air(300, fades), UtcMs(0), 6.0, None), None);
        assert!(standing_loss(&air(300, fades), UtcMs(0), 6.0, Some(60.0)).is_some());
    }
}
