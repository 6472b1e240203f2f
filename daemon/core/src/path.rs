//! The temperature a position is taken to have had: two paths, one believed and one that cannot overstate.
//!
//! The *believed* path runs linearly between believed readings, across a long gap along the coldest
//! temperatures that a gap allows. The *low* path is the coldest that the readings allow everywhere:
//! between readings concrete cools no faster, and has warmed no faster, than it can; a reading counts
//! only as high as others before and after it support. Of the readings that are no faults and no steps,
//! more can only raise the low path: removing one, cutting a sensor or widening a gap never raises a
//! lower bound. Steps are taken out before (`trust`), because dense spikes would support each other.

use calibration::MaturityFunction;

use crate::age::Age;
use crate::config::{EstimateSettings, TrustSettings};
use crate::time::{MS_PER_H, UtcMs};

/// Concrete is taken to warm no faster than this where nothing was read, °C/h (common practice limits
/// the enclosure's rise to about half of it).
const FASTEST_RISE_C_PER_H: f64 = 45.0;
/// A reading counts at most this much above the highest reading near it, °C.
const SUPPORT_SLACK_C: f64 = 1.5;
/// Without a change of value for this long a reading proves nothing, h.
const UNCHANGED_H_MAX: f64 = 1.5;
/// The share of a sensor's tolerance that nine of ten sensors keep within, for a uniform spread.
const TOLERANCE_SHARE_90: f64 = 0.8;
/// Where a bridged temperature would fall below this it earns nothing, °C.
const COLDEST_C: f64 = -20.0;

/// A stretch of time over which the temperature runs linearly.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Stretch {
    start_c: f64,
    end_c: f64,
    hours: f64,
}

impl Stretch {
    /// The part of the stretch between two temperatures that it runs through.
    fn part(self, from_c: f64, to_c: f64) -> Self {
        let share = (to_c - from_c).abs() / (self.end_c - self.start_c).abs();
        Self {
            start_c: from_c,
            end_c: to_c,
            hours: self.hours * share,
        }
    }

    /// Its maturity: nothing below [`COLDEST_C`], and above `credit_c_max` no more than there.
    ///
    /// Both are cut exactly where the line crosses them: a straight line to a cut-off end would
    /// overstate a long fall, and would make the answer depend on where readings happen to lie.
    fn earns(self, function: &MaturityFunction, credit_c_max: f64) -> f64 {
        let (low_c, high_c) = (self.start_c.min(self.end_c), self.start_c.max(self.end_c));
        if low_c >= COLDEST_C && high_c <= credit_c_max {
            return function.over_segment(self.start_c, self.end_c, self.hours);
        }
        if high_c <= COLDEST_C {
            return 0.0;
        }
        if low_c >= credit_c_max {
            return function.rate(credit_c_max) * self.hours;
        }
        let middle = self.part(low_c.max(COLDEST_C), high_c.min(credit_c_max));
        // Asked only where the line runs above the credit: without one its rate is infinite.
        let above = if high_c > credit_c_max {
            function.rate(credit_c_max) * self.part(credit_c_max, high_c).hours
        } else {
            0.0
        };
        function.over_segment(middle.start_c, middle.end_c, middle.hours) + above
    }
}

/// Maturity by the believed path, with how much of it was bridged.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Believed {
    pub maturity: f64,
    /// Hours across which no reading was believed.
    pub bridged_h: f64,
}

/// Integrates the believed path from the position's time zero to `now`.
///
/// `readings` are the believed ones, in time order; those before time zero serve only to interpolate.
#[must_use]
pub fn believed_maturity(
    function: &MaturityFunction,
    readings: &[(UtcMs, f64)],
    zero_at: UtcMs,
    now: UtcMs,
    settings: &EstimateSettings,
) -> Believed {
    let mut sum = Believed::default();
    let short_h = settings.short_gap_min / 60.0;
    let mut add = |from: (UtcMs, f64), to: (UtcMs, f64)| {
        let hours = to.0.hours_since(from.0);
        if hours <= short_h {
            if let Some(stretch) = clipped(from, to, zero_at, now) {
                sum.maturity += stretch.earns(function, f64::INFINITY);
            }
        } else {
            for (a, b) in gap_pieces(from, to, settings.fastest_cooling_c_per_h) {
                if let Some(stretch) = clipped(a, b, zero_at, now) {
                    sum.maturity += stretch.earns(function, f64::INFINITY);
                    sum.bridged_h += stretch.hours;
                }
            }
        }
    };
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
        return sum;
    };
    if first.0 > zero_at {
        // Before the first reading: held where the gap is short, else warmed as fast as possible.
        let hours = first.0.hours_since(zero_at);
        let start_c = if hours <= short_h {
            first.1
        } else {
            first.1 - FASTEST_RISE_C_PER_H * hours
        };
        add((zero_at, start_c), *first);
    }
    for pair in readings.windows(2) {
        if pair[1].0 > zero_at {
            add(pair[0], pair[1]);
        }
    }
    if now > last.0 {
        let hours = now.hours_since(last.0);
        let end_c = if hours <= short_h {
            last.1
        } else {
            last.1 - settings.fastest_cooling_c_per_h * hours
        };
        add(*last, (now, end_c));
    }
    sum
}

/// The maturity of specimens from their time zero to `until`, across longer gaps at the hotter edge.
///
/// What a break confirms waits until the concrete is as mature as its specimens were, and its ratio is
/// measured strength over the estimate at their maturity: a path that bridged them coldly would confirm
/// too early and make the concrete look stronger than it is.
#[must_use]
pub fn specimen_maturity(
    function: &MaturityFunction,
    readings: &[(UtcMs, f64)],
    zero_at: UtcMs,
    until: UtcMs,
    settings: &EstimateSettings,
) -> f64 {
    let short_h = settings.short_gap_min / 60.0;
    let (Some(first), Some(last)) = (readings.first(), readings.last()) else {
        return 0.0;
    };
    let before = (first.0 > zero_at).then_some((zero_at, first.1));
    let after = (last.0 < until).then_some((until, last.1));
    let path: Vec<(UtcMs, f64)> = before
        .into_iter()
        .chain(readings.iter().copied())
        .chain(after)
        .collect();
    path.windows(2)
        .filter_map(|pair| {
            let (from, to) = (pair[0], pair[1]);
            let hotter_c = from.1.max(to.1);
            if to.0.hours_since(from.0) <= short_h {
                clipped(from, to, zero_at, until)
            } else {
                clipped((from.0, hotter_c), (to.0, hotter_c), zero_at, until)
            }
        })
        .map(|stretch| stretch.earns(function, f64::INFINITY))
        .sum()
}

/// The coldest path across a gap: cooling from its start, then warming to its end.
fn gap_pieces(
    from: (UtcMs, f64),
    to: (UtcMs, f64),
    cooling_c_per_h: f64,
) -> [((UtcMs, f64), (UtcMs, f64)); 2] {
    let hours = to.0.hours_since(from.0);
    // Where the two lines cross; outside the gap one of them holds throughout.
    let cross_h = ((from.1 - to.1 + FASTEST_RISE_C_PER_H * hours)
        / (cooling_c_per_h + FASTEST_RISE_C_PER_H))
        .clamp(0.0, hours);
    let cross_c =
        (from.1 - cooling_c_per_h * cross_h).max(to.1 - FASTEST_RISE_C_PER_H * (hours - cross_h));
    let cross = (from.0.plus_hours(cross_h), cross_c);
    [(from, cross), (cross, to)]
}

/// The part of a linear stretch within `[zero_at, now]`.
fn clipped(from: (UtcMs, f64), to: (UtcMs, f64), zero_at: UtcMs, now: UtcMs) -> Option<Stretch> {
    let start = from.0.max(zero_at);
    let end = to.0.min(now);
    if end <= start {
        return None;
    }
    let change_c = to.1 - from.1;
    let at = |time: UtcMs| {
        let span_ms = (to.0.0 - from.0.0) as f64;
        from.1 + change_c * ((time.0 - from.0.0) as f64 / span_ms)
    };
    // Most stretches lie within as a whole, and need no division.
    Some(Stretch {
        start_c: if start == from.0 { from.1 } else { at(start) },
        end_c: if end == to.0 {
            from.1 + change_c
        } else {
            at(end)
        },
        hours: end.hours_since(start),
    })
}

/// Integrates the low path from the latest possible time zero to `now`: a maturity that cannot overstate.
///
/// `readings` are those that are neither faults, out of range nor steps, in time order.
/// Temperatures above `credit_c_max`, the hottest that the curve's specimens saw, earn no more than it.
#[must_use]
pub fn low_maturity(
    function: &MaturityFunction,
    readings: &[(UtcMs, f64)],
    age: Age,
    now: UtcMs,
    settings: &EstimateSettings,
    trust: &TrustSettings,
    credit_c_max: f64,
) -> f64 {
    let nodes = credited(readings, age.zero_at, settings.short_gap_min);
    let (Some(first), Some(last)) = (nodes.first(), nodes.last()) else {
        return 0.0;
    };
    let down = settings.fastest_cooling_c_per_h;
    let lower_c = TOLERANCE_SHARE_90 * trust.tolerance_c;
    // What each node can rely on from before it (cooling since) and from after it (warming until).
    let mut from_before = vec![0.0; nodes.len()];
    let mut carried = f64::NEG_INFINITY;
    let mut previous_at = first.0;
    for (kept, node) in from_before.iter_mut().zip(&nodes) {
        carried = node.1.max(carried - down * node.0.hours_since(previous_at));
        (*kept, previous_at) = (carried, node.0);
    }
    let mut from_after = vec![0.0; nodes.len()];
    carried = f64::NEG_INFINITY;
    previous_at = last.0;
    for (kept, node) in from_after.iter_mut().zip(&nodes).rev() {
        carried = node
            .1
            .max(carried - FASTEST_RISE_C_PER_H * previous_at.hours_since(node.0));
        (*kept, previous_at) = (carried, node.0);
    }
    let (mut maturity, mut bends) = (0.0, 0.0);
    let mut add = |from: (UtcMs, f64), to: (UtcMs, f64)| {
        if let Some(stretch) = clipped(from, to, age.zero_at_latest, now) {
            let lowered = Stretch {
                start_c: stretch.start_c - lower_c,
                end_c: stretch.end_c - lower_c,
                hours: stretch.hours,
            };
            maturity += lowered.earns(function, credit_c_max);
        }
    };
    if first.0 > age.zero_at_latest {
        let hours = first.0.hours_since(age.zero_at_latest);
        let start_c = from_after[0] - FASTEST_RISE_C_PER_H * hours;
        add((age.zero_at_latest, start_c), (first.0, from_after[0]));
    }
    for index in 1..nodes.len() {
        let from = (nodes[index - 1].0, from_before[index - 1]);
        let to = (nodes[index].0, from_after[index]);
        let dip = Dip::between(from, to, down);
        let is_whole = from.0 >= age.zero_at_latest && to.0 <= now;
        let celsius = dip.celsius.map(|one| one - lower_c);
        let is_plain = |one: &f64| (COLDEST_C..=credit_c_max).contains(one);
        if is_whole && celsius.iter().all(is_plain) {
            // Nearly all of a night: both lines at once.
            bends += function.over_bend(celsius, dip.hours);
        } else {
            let cross = (from.0.plus_hours(dip.hours[0]), dip.celsius[1]);
            add((from.0, dip.celsius[0]), cross);
            add(cross, (to.0, dip.celsius[2]));
        }
    }
    if now > last.0 {
        let end = from_before[nodes.len() - 1];
        add((last.0, end), (now, end - down * now.hours_since(last.0)));
    }
    maturity + bends
}

/// Between two nodes the higher of a line falling from the first and a line rising to the second: its
/// temperatures at the start, where they cross and at the end, and the hours of both lines.
struct Dip {
    celsius: [f64; 3],
    hours: [f64; 2],
}

impl Dip {
    fn between(from: (UtcMs, f64), to: (UtcMs, f64), down: f64) -> Self {
        let hours = to.0.hours_since(from.0);
        let falling = |h: f64| from.1 - down * h;
        let rising = |h: f64| to.1 - FASTEST_RISE_C_PER_H * (hours - h);
        let cross_h = ((from.1 - to.1 + FASTEST_RISE_C_PER_H * hours)
            / (down + FASTEST_RISE_C_PER_H))
            .clamp(0.0, hours);
        Self {
            celsius: [0.0, cross_h, hours].map(|h| falling(h).max(rising(h))),
            hours: [cross_h, hours - cross_h],
        }
    }
}

/// What each reading is good for: its temperature, but no more than its neighbours in time support,
/// and nothing where its value has not changed for too long.
fn credited(all: &[(UtcMs, f64)], zero_at: UtcMs, window_min: f64) -> Vec<(UtcMs, f64)> {
    let readings = &all[all.partition_point(|one| one.0 < zero_at)..];
    let window_ms = (window_min * 60_000.0) as i64;
    let mut changed_at = zero_at;
    let mut previous: Option<(UtcMs, f64)> = None;
    let mut nodes = Vec::with_capacity(readings.len());
    for (index, &(at, value)) in readings.iter().enumerate() {
        if let Some((previous_at, previous_c)) = previous
            && (previous_c - value).abs() > f64::EPSILON
        {
            changed_at = previous_at;
        }
        previous = Some((at, value));
        let before = readings[..index].iter().rev();
        let after = readings[index + 1..].iter();
        let (Some(before_c), Some(after_c)) = (
            supported(value, at, before, window_ms),
            supported(value, at, after, window_ms),
        ) else {
            continue;
        };
        if at.hours_since(changed_at) <= UNCHANGED_H_MAX {
            nodes.push((at, before_c.min(after_c)));
        }
    }
    nodes
}

/// As much of a value as its neighbours on one side support, nearest first; `None` without any.
fn supported<'a>(
    value: f64,
    at: UtcMs,
    neighbours: impl Iterator<Item = &'a (UtcMs, f64)>,
    window_ms: i64,
) -> Option<f64> {
    let mut highest: Option<f64> = None;
    for one in neighbours.take_while(|one| (one.0.0 - at.0).abs() <= window_ms) {
        let so_far = highest.map_or(one.1, |highest| highest.max(one.1));
        // Mostly the nearest supports all of it.
        if so_far + SUPPORT_SLACK_C >= value {
            return Some(value);
        }
        highest = Some(so_far);
    }
    highest.map(|highest| highest + SUPPORT_SLACK_C)
}

/// The temperature of a believed path at one time, by linear interpolation; `None` outside it.
#[must_use]
pub fn temperature_at(readings: &[(UtcMs, f64)], at: UtcMs) -> Option<f64> {
    let index = readings.partition_point(|one| one.0 <= at);
    let before = readings.get(index.checked_sub(1)?)?;
    let Some(after) = readings.get(index) else {
        return (before.0 == at).then_some(before.1);
    };
    let share = (at.0 - before.0.0) as f64 / (after.0.0 - before.0.0) as f64;
    Some(before.1 + share * (after.1 - before.1))
}

/// Least-squares slope of the readings of the last `hours`, °C/h; `None` with fewer than three.
#[must_use]
pub fn slope_c_per_h(readings: &[(UtcMs, f64)], hours: f64) -> Option<f64> {
    let last = readings.last()?.0;
    let start = readings.partition_point(|one| (last.0 - one.0.0) as f64 > hours * MS_PER_H);
    let recent = &readings[start..];
    if recent.len() < 3 {
        return None;
    }
    let count = recent.len() as f64;
    let mean_h = recent
        .iter()
        .map(|one| one.0.hours_since(last))
        .sum::<f64>()
        / count;
    let mean_c = recent.iter().map(|one| one.1).sum::<f64>() / count;
    let (mut covariance, mut variance) = (0.0, 0.0);
    for one in recent {
        let dh = one.0.hours_since(last) - mean_h;
        covariance += dh * (one.1 - mean_c);
        variance += dh * dh;
    }
    (variance > 0.0).then(|| covariance / variance)
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const NURSE_SAUL: MaturityFunction = MaturityFunction::TemperatureTimeFactor { datum_c: 0.0 };
    const ARRHENIUS: MaturityFunction = MaturityFunction::EquivalentAge {
        activation_energy_j_mol: 41_570.0,
        reference_c: 20.0,
    };

    /// Instants are whole milliseconds and quadrature is good to nine digits; together h of maturity.
    const NOISE: f64 = 1e-5;

    fn minutes(minute: i64) -> UtcMs {
        UtcMs(minute * 60_000)
    }

    fn sample(minute: i64, value: f64) -> (UtcMs, f64) {
        (minutes(minute), value)
    }

    fn low(samples: &[(UtcMs, f64)], now: i64) -> f64 {
        let age = Age {
            zero_at: minutes(0),
            zero_at_latest: minutes(0),
        };
        let (settings, trust) = (EstimateSettings::default(), TrustSettings::default());
        low_maturity(
            &ARRHENIUS,
            samples,
            age,
            minutes(now),
            &settings,
            &trust,
            70.0,
        )
    }

    #[test]
    fn twenty_degrees_for_a_day_is_480_degree_hours() {
        let path: Vec<_> = (0..=144).map(|index| (minutes(index * 10), 20.0)).collect();
        let settings = EstimateSettings::default();
        let sum = believed_maturity(&NURSE_SAUL, &path, minutes(0), minutes(1440), &settings);
        assert!((sum.maturity - 480.0).abs() < 1e-9, "{sum:?}");
        assert!(sum.bridged_h.abs() < 1e-12);
    }

    #[test]
    fn a_long_gap_is_bridged_by_less_than_a_straight_line() {
        let path = [(minutes(0), 60.0), (minutes(180), 60.0)];
        let settings = EstimateSettings::default();
        let sum = believed_maturity(&NURSE_SAUL, &path, minutes(0), minutes(180), &settings);
        assert!(sum.maturity < 150.0, "{sum:?}");
        assert!((sum.bridged_h - 3.0).abs() < 1e-9);
    }

    #[test]
    fn specimens_gaps_are_taken_at_their_hotter_edge() {
        // 20 °C from time zero, whose first hour nobody read, three hours lost on the way to 50 °C, and
        // the last hour lost: 20 + 3 * 50 + 50 °C·h.
        let path = [(minutes(60), 20.0), (minutes(240), 50.0)];
        let settings = EstimateSettings::default();
        let sum = specimen_maturity(&NURSE_SAUL, &path, minutes(0), minutes(300), &settings);
        assert!((sum - 220.0).abs() < 1e-9, "{sum}");
        let cold = believed_maturity(&NURSE_SAUL, &path, minutes(0), minutes(300), &settings);
        assert!(cold.maturity < sum, "{cold:?}");
    }

    #[test]
    fn the_low_path_of_a_steady_hour_is_little_below_the_believed_one() {
        let samples: Vec<_> = (0..=600).map(|minute| sample(minute, 50.0)).collect();
        let path = samples;
        // One unchanging value proves nothing after a while, so let it move by a tenth.
        let moving: Vec<_> = (0..=600)
            .map(|minute| sample(minute, 50.0 + 0.1 * (minute % 2) as f64))
            .collect();
        let settings = EstimateSettings::default();
        let believed = believed_maturity(&ARRHENIUS, &path, minutes(0), minutes(600), &settings);
        let share = low(&moving, 600) / believed.maturity;
        assert!((0.93..1.0).contains(&share), "{share}");
    }

    #[test]
    fn a_spike_earns_next_to_nothing() {
        let calm: Vec<_> = (0..=300)
            .map(|minute| sample(minute, 40.0 + 0.1 * (minute % 2) as f64))
            .collect();
        let mut spiked = calm.clone();
        spiked[150] = sample(150, 95.0);
        assert!(low(&spiked, 300) < 1.02 * low(&calm, 300));
    }

    #[test]
    fn readings_that_trust_rejects_as_steps_are_not_among_those_that_count() {
        // Every seventh reading jumps by thirty degrees; trust takes them out before they get here.
        let samples: Vec<crate::channel::Sample> = (0..=300)
            .map(|minute| {
                let value = if minute % 7 == 3 {
                    70.0
                } else {
                    40.0 + 0.1 * (minute % 2) as f64
                };
                crate::channel::Sample {
                    at: minutes(minute),
                    low_c: Some(value),
                    high_c: Some(value),
                    fault: None,
                    is_conflict: false,
                    is_late: false,
                }
            })
            .collect();
        let trust = TrustSettings::default();
        let judged = crate::trust::judge_alone(
            &samples,
            &trust,
            units::UnitSystem::Si,
            minutes(-120),
            minutes(300),
        );
        let calm: Vec<_> = (0..=300)
            .map(|minute| sample(minute, 40.0 + 0.1 * (minute % 2) as f64))
            .collect();
        assert!(low(&judged.believed, 300) < 1.01 * low(&calm, 300));
    }

    #[test]
    fn heat_beyond_what_the_specimens_saw_earns_no_more() {
        let at = |value: f64| -> Vec<_> {
            (0..=300)
                .map(|minute| sample(minute, value + 0.1 * (minute % 2) as f64))
                .collect()
        };
        assert!((low(&at(85.0), 300) - low(&at(80.0), 300)).abs() < 1e-9);
    }

    /// A night at one-minute or ten-minute steps with noise, faults and jumps.
    fn nights() -> impl Strategy<Value = Vec<(UtcMs, f64)>> {
        let step = prop_oneof![Just(1i64), Just(5), Just(10)];
        let noise = prop::collection::vec((-0.5..0.5f64, 0..400u32), 200);
        (step, 15.0..35.0f64, -4.0..12.0f64, noise).prop_map(|(step, start_c, rate, noise)| {
            noise
                .iter()
                .enumerate()
                .map(|(index, (wobble, fault))| {
                    let minute = index as i64 * step;
                    let base = (start_c + rate * minute as f64 / 60.0).clamp(5.0, 70.0);
                    let value = match fault {
                        0..=5 => base - 30.0,
                        6..=11 => base + 40.0,
                        12..=17 => 150.0,
                        _ => ((base + wobble) * 10.0).round() / 10.0,
                    };
                    sample(minute, value)
                })
                .collect()
        })
    }

    proptest! {
        #[test]
        fn removing_readings_never_raises_the_low_maturity(
            night in nights(),
            kept in prop::collection::vec(any::<bool>(), 200),
        ) {
            let now = night.last().map_or(0, |last| last.0.0 / 60_000) + 20;
            let fewer: Vec<_> =
                night.iter().zip(&kept).filter(|(_, keep)| **keep).map(|one| *one.0).collect();
            let (all, some) = (low(&night, now), low(&fewer, now));
            prop_assert!(some <= all + NOISE, "{} readings: {all}, {}: {some}",
                night.len(), fewer.len());
        }

        #[test]
        fn cutting_a_sensor_never_raises_the_low_maturity(night in nights(), cut in 0usize..200) {
            let now = night.last().map_or(0, |last| last.0.0 / 60_000) + 20;
            prop_assert!(low(&night[..cut], now) <= low(&night, now) + NOISE);
        }

        #[test]
        fn widening_a_gap_never_raises_the_low_maturity(
            night in nights(), at in 20usize..180, inner in 0usize..10, outer in 0usize..10,
        ) {
            let now = night.last().map_or(0, |last| last.0.0 / 60_000);
            let gap = |width: usize| -> Vec<(UtcMs, f64)> {
                night.iter().enumerate()
                    .filter(|(index, _)| index.abs_diff(at) > width)
                    .map(|(_, one)| *one)
                    .collect()
            };
            let (wide, narrow) = (low(&gap(inner + outer), now), low(&gap(inner), now));
            prop_assert!(wide <= narrow + NOISE, "{wide} {narrow}");
        }

        #[test]
        fn the_low_maturity_never_falls_with_time(night in nights(), later in 0i64..600) {
            let now = night.last().map_or(0, |last| last.0.0 / 60_000);
            prop_assert!(low(&night, now) <= low(&night, now + later) + NOISE);
        }
    }
}
