//! The night ahead besides the time of release: temperatures, strength, the hottest position and the
//! fastest fall, as sampled futures have them.

use crate::ahead::{Ahead, AheadLimits, AheadPoint, LimitAhead, Spread};
use crate::forecast::future::{Body, Course, Futures, Night, hottest_c};
use crate::forecast::{HORIZON_H, KnownAt, Usable, advice};
use crate::statistics::quantile_of_sorted;
use crate::time::UtcMs;

/// Futures that are followed beyond the required strength; even, as they come in mirrored pairs.
pub(super) const MEMBER_COUNT: u64 = 40;
/// The night is followed at least so far, and at most, h.
const UNTIL_H_MIN: f64 = 3.0;
const UNTIL_H_MAX: f64 = 30.0;
/// It is followed this much longer than the late time of release, h.
const AFTER_LATE_H: f64 = 1.0;
/// Falls are judged over this long, h.
const FALL_OVER_H: f64 = 1.0;
/// Whether less heat still helps is asked where a limit is passed more often than this.
const ASKED_FROM: f64 = 0.2;

/// One future as far as limits go.
struct Future {
    peak: Worst,
    fall: Worst,
    /// First time above the highest temperature allowed, and falling faster than allowed.
    too_hot_h: Option<f64>,
    too_fast_h: Option<f64>,
}

/// The worst value over positions and time.
#[derive(Debug, Clone, Copy)]
struct Worst {
    value: f64,
    place: usize,
    at_h: f64,
}

impl Worst {
    const NONE: Self = Self {
        value: f64::NEG_INFINITY,
        place: 0,
        at_h: 0.0,
    };

    fn see(&mut self, value: f64, place: usize, at_h: f64) {
        if value > self.value {
            *self = Self { value, place, at_h };
        }
    }
}

/// What of all futures at one moment.
struct Moment {
    hours: f64,
    coolest_c: Vec<f64>,
    hottest_c: Vec<f64>,
    strength_mpa: Vec<f64>,
}

/// How far the night is followed: beyond the late time of release, and to the wanted one.
pub(super) fn until_h(known: &KnownAt<'_>, futures: &Futures, now: UtcMs) -> f64 {
    let wanted_at = known.record.facts.wanted_release_at;
    let wanted_h = wanted_at.map_or(0.0, |at| at.hours_since(now));
    let late_h = quantile_of_sorted(&futures.slowest, 0.9).min(HORIZON_H);
    (late_h + AFTER_LATE_H)
        .max(wanted_h)
        .clamp(UNTIL_H_MIN, UNTIL_H_MAX)
}

/// Looks ahead from sampled starts.
pub(super) fn look(
    known: &KnownAt<'_>,
    usable: &[Usable<'_>],
    night: &Night<'_>,
    futures: &Futures,
    now: UtcMs,
) -> Ahead {
    let wanted_at = known.record.facts.wanted_release_at;
    let until_h = until_h(known, futures, now);
    let (moments, sampled) = follow(night, known.limits, until_h);
    let points = moments.into_iter().map(|one| point(one, now)).collect();
    let with = |pick: &dyn Fn(&Future) -> (Worst, Option<f64>), limit: Option<f64>| {
        let pairs: Vec<_> = sampled.iter().map(pick).collect();
        limit_ahead(&pairs, limit, usable, now)
    };
    let mut hottest = with(
        &|one| (one.peak, one.too_hot_h),
        known.limits.concrete_c_max,
    );
    if let Some(hottest) = &mut hottest
        && hottest.beyond_probability.is_some_and(|p| p > ASKED_FROM)
        && night.air.may_heat()
    {
        hottest.probability_without_heat =
            Some(share_too_hot(night, until_h, known.limits.concrete_c_max));
    }
    let cooling = with(
        &|one| (one.fall, one.too_fast_h),
        known.limits.cooling_c_per_h_max,
    );
    let heat =
        wanted_at.and_then(|wanted_at| advice::advise(known, night, futures, wanted_at, now));
    Ahead {
        points,
        positions: Vec::new(),
        hottest,
        cooling,
        heat,
    }
}

fn follow(night: &Night<'_>, limits: AheadLimits, until_h: f64) -> (Vec<Moment>, Vec<Future>) {
    let course = Course::of_all(until_h, None);
    let mut moments: Vec<Moment> = Vec::new();
    let mut sampled = Vec::new();
    for member in 0..MEMBER_COUNT {
        let mut future = Future {
            peak: Worst::NONE,
            fall: Worst::NONE,
            too_hot_h: None,
            too_fast_h: None,
        };
        // For each position its temperatures by the model: a fall is judged without its errors,
        // which would make every steady night look restless.
        let mut traces: Vec<Vec<(f64, f64)>> = vec![Vec::new(); night.positions.len()];
        let mut index = 0;
        night.live(member, &course, |hours, bodies, _| {
            for (place, (body, trace)) in bodies.iter().zip(&mut traces).enumerate() {
                future.peak.see(body.read_c, place, hours);
                trace.push((hours, body.model_c));
                if let Some(fall) = fall_c_per_h(trace) {
                    future.fall.see(fall, place, hours);
                }
            }
            let is_over =
                |limit: Option<f64>, worst: &Worst| limit.is_some_and(|l| worst.value > l);
            if future.too_hot_h.is_none() && is_over(limits.concrete_c_max, &future.peak) {
                future.too_hot_h = Some(hours);
            }
            if future.too_fast_h.is_none() && is_over(limits.cooling_c_per_h_max, &future.fall) {
                future.too_fast_h = Some(hours);
            }
            if (hours - hours.round()).abs() < 1e-6 {
                if index == moments.len() {
                    moments.push(Moment {
                        hours,
                        coolest_c: Vec::new(),
                        hottest_c: Vec::new(),
                        strength_mpa: Vec::new(),
                    });
                }
                moments[index].add(bodies, night);
                index += 1;
            }
        });
        sampled.push(future);
    }
    (moments, sampled)
}

/// The mean fall over the last hour of a trace; `None` while it is shorter.
fn fall_c_per_h(trace: &[(f64, f64)]) -> Option<f64> {
    let (now_h, now_c) = *trace.last()?;
    let from = trace
        .iter()
        .rposition(|one| one.0 <= now_h - FALL_OVER_H + 1e-6)?;
    let (from_h, from_c) = trace[from];
    Some((from_c - now_c) / (now_h - from_h))
}

/// The share of futures that are too hot at some time with the heat off from now.
fn share_too_hot(night: &Night<'_>, until_h: f64, limit_c: Option<f64>) -> f64 {
    let Some(limit_c) = limit_c else {
        return 0.0;
    };
    let course = Course::of_all(until_h, Some(0.0));
    let is_too_hot = |member: &u64| {
        let mut is_over = false;
        night.live(*member, &course, |_, bodies, _| {
            is_over |= hottest_c(bodies) > limit_c;
        });
        is_over
    };
    (0..MEMBER_COUNT).filter(is_too_hot).count() as f64 / MEMBER_COUNT as f64
}

impl Moment {
    fn add(&mut self, bodies: &[Body], night: &Night<'_>) {
        let temperatures = bodies.iter().map(|body| body.read_c);
        self.coolest_c
            .push(temperatures.fold(f64::INFINITY, f64::min));
        self.hottest_c.push(hottest_c(bodies));
        // The position that lacks most of what it needs.
        let weakest = bodies
            .iter()
            .filter_map(|body| Some((body.strength_mpa(night.curve), body.required_mpa?)))
            .min_by(|a, b| (a.0 - a.1).total_cmp(&(b.0 - b.1)));
        self.strength_mpa.extend(weakest.map(|one| one.0));
    }
}

fn point(moment: Moment, now: UtcMs) -> AheadPoint {
    AheadPoint {
        at: now.plus_hours(moment.hours),
        coolest_c: spread(moment.coolest_c),
        hottest_c: spread(moment.hottest_c),
        strength_mpa: spread(moment.strength_mpa),
    }
}

pub(super) fn spread(mut values: Vec<f64>) -> Spread {
    values.sort_by(f64::total_cmp);
    Spread {
        low: quantile_of_sorted(&values, 0.1),
        middle: quantile_of_sorted(&values, 0.5),
        high: quantile_of_sorted(&values, 0.9),
    }
}

/// What the futures say of one limit; `None` where nothing was followed.
fn limit_ahead(
    sampled: &[(Worst, Option<f64>)],
    limit: Option<f64>,
    usable: &[Usable<'_>],
    now: UtcMs,
) -> Option<LimitAhead> {
    let seen: Vec<&(Worst, Option<f64>)> = sampled
        .iter()
        .filter(|one| one.0.value.is_finite())
        .collect();
    // Where limits are passed, the moments and places of those futures are told.
    let beyond: Vec<_> = seen.iter().filter(|one| one.1.is_some()).collect();
    let told: Vec<_> = if beyond.is_empty() {
        seen.iter().collect()
    } else {
        beyond.clone()
    };
    let mut counts = vec![0u32; usable.len()];
    for one in &told {
        counts[one.0.place] += 1;
    }
    let most = (0..counts.len()).max_by_key(|place| (counts[*place], usize::MAX - place))?;
    let mut hours: Vec<f64> = told.iter().map(|one| one.1.unwrap_or(one.0.at_h)).collect();
    if hours.is_empty() {
        return None;
    }
    hours.sort_by(f64::total_cmp);
    Some(LimitAhead {
        position: usable[most].known.index,
        worst: spread(seen.iter().map(|one| one.0.value).collect()),
        likely_at: now.plus_hours(quantile_of_sorted(&hours, 0.5)),
        limit,
        beyond_probability: limit.map(|_| beyond.len() as f64 / seen.len() as f64),
        probability_without_heat: None,
    })
}
